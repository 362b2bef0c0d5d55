import colour
import numpy as np
import pytest

from pairdiff.light.picture import itp_difference, nits_to_itp, sdr_code_to_nits
from pairdiff.score.difference import (
    HISTOGRAM_BINS,
    HISTOGRAM_STEP_JND,
    OPTICS_DEGREES,
    BlurredLight,
    blur_optics,
    compare_seen,
    count_difference,
    difference_map,
    pool_difference,
    quantile_from_counts,
    see,
)
from pairdiff.score.headroom import Weighting
from pairdiff.score.notice import predict_loss
from tests.score._pairs import make_pair, make_signal, relabel

HDR = relabel(make_signal(1), white_nits=180.0).astype(np.float32)
SDR = relabel(make_signal(1), white_nits=120.0, gamma=2.2).astype(np.float32)


def test_identical_light_does_not_differ():
    assert difference_map(HDR, HDR.copy(), pixels_per_degree=56.55).max() == 0


def test_without_blur_it_is_delta_e_itp_of_colour_science():
    rng = np.random.default_rng(3)
    wide = np.minimum(10 ** rng.uniform(-4, 4, (90, 120, 3)), 10_000).astype(np.float32)
    near = np.minimum(wide * 10 ** rng.normal(0, 0.02, wide.shape), 10_000).astype(np.float32)
    for hdr, sdr in ((HDR, SDR), (wide, near), (near, wide)):
        ours = difference_map(hdr, sdr, pixels_per_degree=1.0)
        exact = colour.difference.delta_E_ITP(colour.RGB_to_ICtCp(hdr.astype(float)), colour.RGB_to_ICtCp(sdr.astype(float)))
        assert ours == pytest.approx(exact, rel=1e-5, abs=1e-4)


def test_it_is_the_same_from_both_sides():
    assert np.array_equal(difference_map(HDR, SDR, pixels_per_degree=56.55), difference_map(SDR, HDR, pixels_per_degree=56.55))


def test_the_eyes_blur_is_that_of_a_pupil_of_three_and_a_half_millimetres():
    assert pytest.approx(np.hypot(0.5, 0.08 * 3.5), abs=5e-4) == OPTICS_DEGREES * 60


@pytest.mark.parametrize("scale", [14.0, 28.27, 56.55, 113.1])
def test_blur_keeps_light_and_has_the_spread_of_the_eye_at_every_scale(scale):
    point = np.zeros((41, 41, 3), np.float32)
    point[20, 20] = 1000
    blurred = blur_optics(point, pixels_per_degree=scale).astype(np.float64)
    assert blurred.sum() == pytest.approx(3000, rel=1e-5)
    across = blurred[..., 0].sum(0)
    spread = np.sqrt((across * (np.arange(41) - 20.0) ** 2).sum() / across.sum())
    assert spread == pytest.approx(OPTICS_DEGREES * scale, rel=1e-3)


def test_blur_keeps_the_mean_light_of_a_picture_up_to_its_edges():
    for scale in (28.27, 113.1):
        blurred = blur_optics(HDR, pixels_per_degree=scale)
        assert blurred.mean(axis=(0, 1), dtype=np.float64) == pytest.approx(HDR.mean(axis=(0, 1), dtype=np.float64), rel=1e-6)


def test_blur_changes_nothing_where_a_pixel_is_a_degree_wide():
    assert np.array_equal(blur_optics(HDR, pixels_per_degree=1.0), HDR)


def test_pixel_noise_differs_less_once_the_eye_has_blurred_it():
    noisy = (HDR * (1 + 0.2 * np.random.default_rng(3).normal(size=HDR.shape)).clip(0.2)).astype(np.float32)
    assert difference_map(HDR, noisy, pixels_per_degree=113.1).mean() < 0.7 * difference_map(HDR, noisy, pixels_per_degree=20).mean()


@pytest.mark.parametrize("share", [0.05, 0.5, 0.95])
def test_the_quantile_of_counts_is_that_of_the_values_within_half_a_step(share):
    values = np.random.default_rng(4).gamma(2, 4, 20000).astype(np.float32)
    counts = count_difference(values.reshape(100, 200))
    assert counts.sum() == 20000
    exact = np.quantile(values, share, method="inverted_cdf")
    assert quantile_from_counts(counts.astype(float), share) == pytest.approx(exact, abs=HISTOGRAM_STEP_JND / 2 + 1e-4)


def test_what_is_beyond_the_histogram_counts_in_its_last_bin():
    counts = count_difference(np.full((3, 3), 1e6, np.float32))
    assert counts[-1] == 9
    assert counts.size == HISTOGRAM_BINS


def pooled(pairs, *, seconds, shots, fraction=0.2):
    counts = np.bincount([3, 50, 50], minlength=HISTOGRAM_BINS).astype(float)
    weighting = Weighting(np.asarray(seconds, float), np.asarray(shots), fraction)
    return pool_difference(pairs, weighting, setup_name="controls", counts=counts)


def test_the_film_rms_is_the_root_of_the_mean_square_over_time():
    pairs = [make_pair(rms_jnd={"controls": r}, preference_loss={"controls": 0.0}) for r in (3.0, 4.0)]
    found = pooled(pairs, seconds=[1, 3], shots=[0, 1])
    assert found.side_by_side.rms == pytest.approx(np.sqrt((9 + 3 * 16) / 4))
    assert found.on_its_own.preference_loss.value == 0
    assert found.on_its_own.notice_probability.value == 0.5


def test_shares_of_time_are_nested_and_permutation_changes_nothing():
    rng = np.random.default_rng(5)
    loss, seconds, shots = rng.uniform(0, 2, 40), rng.uniform(0.5, 2, 40), rng.integers(0, 9, 40)
    pairs = [make_pair(preference_loss={"controls": float(value)}) for value in loss]
    found = pooled(pairs, seconds=seconds, shots=shots).on_its_own
    assert found.share_025.value > found.share_05.value > found.share_1.value
    assert found.share_05.value == pytest.approx(np.average(loss >= 0.5, weights=seconds))
    mixed = rng.permutation(40)
    again = pooled([pairs[n] for n in mixed], seconds=seconds[mixed], shots=shots[mixed]).on_its_own
    for name in ("preference_loss", "notice_probability", "share_025", "share_05", "share_1"):
        first, second = getattr(found, name), getattr(again, name)
        assert (first.low, first.value, first.high) == pytest.approx((second.low, second.value, second.high)), name


# ---------------------------------------------------------------- many set-ups of one pair


@pytest.mark.parametrize("scale", [28.27, 56.55])
def test_what_is_seen_at_a_set_up_is_what_each_measure_gives_by_itself(scale):
    code = make_signal(1)
    light, before = BlurredLight(HDR, code, pixels_per_degree=scale), None
    hdr = see(light.hdr(), pixels_per_degree=scale)
    for white, gamma, veil in ((120.0, 2.2, 0.0), (203.0, 2.4, 0.0), (100.0, 2.4, 0.0), (90.0, 2.4, 0.1)):
        before = see(light.sdr(gamma), gain=white, veil_nits=veil, pixels_per_degree=scale, reuse=before)
        found = compare_seen(hdr, before)
        shown = sdr_code_to_nits(code, white_nits=white, gamma=gamma) + np.float32(veil)
        sides = [nits_to_itp(blur_optics(side, pixels_per_degree=scale)) for side in (HDR, shown)]
        apart = itp_difference(*sides)
        assert found.rms_jnd == pytest.approx(float(np.sqrt(np.mean(np.square(apart, dtype=np.float64)))), abs=1e-3)
        assert np.abs(np.cumsum(found.counts) - np.cumsum(count_difference(apart))).max() < 0.002 * apart.size
        exact = predict_loss(*sides, pixels_per_degree=scale)
        assert found.loss.jod == pytest.approx(exact.jod, abs=1e-4)
        assert found.loss.tone_jod == pytest.approx(exact.tone_jod, abs=1e-4)


def test_memory_that_is_used_again_changes_nothing():
    scale = 56.55
    fresh = see(HDR, pixels_per_degree=scale)
    again = see(HDR, pixels_per_degree=scale, reuse=see(SDR, pixels_per_degree=scale))
    assert np.array_equal(fresh.planes, again.planes)
    other = see(SDR * np.float32(1.3), pixels_per_degree=scale)
    first, second = compare_seen(fresh, other), compare_seen(again, other)
    assert (first.rms_jnd, first.loss) == (second.rms_jnd, second.loss)
    assert np.array_equal(first.counts, second.counts)
