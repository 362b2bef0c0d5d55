from dataclasses import replace

import numpy as np
import pytest

from pairdiff._records import Setup, SetupUncertainty
from pairdiff._settings import Settings
from pairdiff.score.headroom import (
    Weighting,
    film_headroom_stops,
    headroom_stops,
    level_at_share,
    peak_ratio_stops,
    pool_headroom,
    stops_above,
)
from tests.score._pairs import make_pair

SETTINGS = Settings()


def setup(name="controls", white=100.0, gamma=2.4):
    return Setup(name, white, gamma, False, SetupUncertainty(None, None), None, None)


def pooled(levels, codes=1.0, *, gain=100.0, controls=100.0, seconds=None, shots=None, fraction=1.0):
    count = len(levels)
    codes = np.broadcast_to(codes, count)
    pairs = [make_pair(hdr_p999_nits=float(n), sdr_p999_code=float(c)) for n, c in zip(levels, codes, strict=True)]
    weighting = Weighting(
        np.ones(count) if seconds is None else np.asarray(seconds, float),
        np.arange(count) if shots is None else np.asarray(shots),
        fraction,
    )
    return pool_headroom(pairs, weighting, gain=setup("gain", gain), controls=setup(white=controls), settings=SETTINGS)


@pytest.mark.parametrize("shape", [(16, 16), (32, 32), (36, 50), (180, 320)])
def test_the_level_is_reached_by_the_share_of_pixels(shape):
    level = np.random.default_rng(1).permutation(np.prod(shape)).reshape(shape).astype(np.float32)
    found = level_at_share(level, 0.001)
    assert (level >= found).mean() >= 0.001
    assert (level > found).sum() < max(0.001 * level.size, 2)


@pytest.mark.parametrize("shape", [(16, 16), (32, 32), (40, 45), (180, 320)])
@pytest.mark.parametrize("seed", range(5))
def test_one_bright_pixel_moves_the_level_by_next_to_nothing(shape, seed):
    rng = np.random.default_rng(seed)
    level = rng.uniform(50, 60, shape).astype(np.float32)
    before = level_at_share(level, 0.001)
    level[tuple(rng.integers(0, shape))] = 10000
    assert before <= level_at_share(level, 0.001) <= 60


def test_a_flat_picture_is_its_own_level():
    assert level_at_share(np.full((4, 5), 7.0), 0.001) == 7
    assert level_at_share(np.full((1, 1), 7.0), 0.001) == 7


def test_stops_are_binary_logarithms():
    assert stops_above(np.array([100.0, 200.0, 50.0, 0.0]), 100.0)[:3] == pytest.approx([0, 1, -1])
    assert np.isfinite(stops_above(np.array([0.0]), 100.0)).all()
    assert peak_ratio_stops(np.array([400.0]), np.array([1.0]), setup=setup(white=100.0)) == pytest.approx(2)
    assert peak_ratio_stops(np.array([400.0]), np.array([0.5]), setup=setup(white=100.0, gamma=2.0)) == pytest.approx(4)


def test_what_the_sdr_shows_above_its_white_is_no_headroom():
    code = (254 - 16) / 219  # 8-bit code 254 is 1.221 x white at gamma 2.4
    assert headroom_stops(np.array([122.1]), np.array([code]), setup=setup()) == pytest.approx(0, abs=1e-3)
    assert headroom_stops(np.array([122.1]), np.array([0.9]), setup=setup()) == pytest.approx(np.log2(1.221), abs=1e-3)
    assert pooled([122.1] * 4, code).stops == pytest.approx(0, abs=1e-3)


def test_doubled_light_is_one_stop_more():
    levels = np.random.default_rng(2).uniform(80, 900, 40)
    first, second = pooled(levels), pooled(2 * levels)
    for name in ("stops", "stops_gain", "stops_controls", "stops_203", "median_stops", "highest_shot_stops", "peak_ratio_stops"):
        assert getattr(second, name) - getattr(first, name) == pytest.approx(1), name


def test_headroom_at_one_setup_is_that_of_the_film():
    levels, codes = np.array([100.0, 200.0, 800.0, 400.0]), (254 - 16) / 219
    pairs = [make_pair(hdr_p999_nits=n, sdr_p999_code=codes) for n in levels]
    weighting = Weighting(np.ones(4), np.arange(4), 1.0)
    found = film_headroom_stops(pairs, weighting, setup=setup("gamma-2.2", 150.0, 2.2), settings=SETTINGS)
    assert found == pytest.approx(np.log2(800 / 150) - 2.2 * np.log2(codes))
    assert found == pytest.approx(pooled(levels, codes, gain=150.0).stops_gain + 0.2 * np.log2(codes))


def test_the_lower_of_the_two_setups_counts():
    found = pooled([400.0] * 10, gain=100.0, controls=200.0)
    assert (found.stops_gain, found.stops_controls, found.stops) == pytest.approx((2, 1, 1))
    assert pooled([400.0] * 10, gain=200.0, controls=100.0).stops == pytest.approx(1)


def test_the_film_value_is_reached_in_a_tenth_of_time():
    assert pooled([800.0] * 10 + [100.0] * 90).stops == pytest.approx(3)
    assert pooled([800.0] * 9 + [100.0] * 91).stops == pytest.approx(0)
    assert pooled([800.0, 100.0], seconds=[9, 91]).stops == pytest.approx(0)
    assert pooled([800.0, 100.0], seconds=[11, 89]).stops == pytest.approx(3)


def test_an_sdr_that_never_reaches_white_is_judged_by_the_peak_ratio():
    found = pooled([100.0] * 10, codes=0.5)
    assert found.uses_peak_ratio
    assert found.stops == found.peak_ratio_stops == pytest.approx(2.4)
    assert found.stops_controls == pytest.approx(0)
    assert not pooled([100.0] * 10, codes=[0.9] + [0.5] * 9).uses_peak_ratio


def test_time_share_counts_the_slight_threshold():
    level = 100 * 2**SETTINGS.headroom_slight_stops
    found = pooled([level * 1.001, level * 0.999, 50.0, 50.0])
    assert found.time_share.value == 0.25


def test_the_order_of_pictures_does_not_count():
    rng = np.random.default_rng(3)
    levels, codes, seconds, shots = rng.uniform(50, 900, 30), rng.uniform(0.4, 1, 30), rng.uniform(0.5, 2, 30), rng.integers(0, 6, 30)
    mixed = rng.permutation(30)
    first = pooled(levels, codes, seconds=seconds, shots=shots, fraction=0.2)
    second = pooled(levels[mixed], codes[mixed], seconds=seconds[mixed], shots=shots[mixed], fraction=0.2)
    assert replace(second, area_share=0, time_share=None) == replace(first, area_share=0, time_share=None)
    assert second.time_share.high == pytest.approx(first.time_share.high)


def test_a_single_picture_is_enough():
    found = pooled([400.0])
    assert found.stops == found.median_stops == found.highest_shot_stops == pytest.approx(2)
