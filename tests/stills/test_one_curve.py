"""The pictures through one curve: fitted as another library computes intensity, and no more in them than a curve gives."""

from __future__ import annotations

from typing import Any

import colour
import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff._records import Moment
from pairdiff.light.transfer import nits_to_pq, pq_to_nits
from pairdiff.stills.draw import BRACKET_STOPS, StillPicture, draw_curved, nits_to_exposure, shrink_pair
from pairdiff.stills.one_curve import (
    MOST_MOMENTS,
    WAY_WORDS,
    PairOfMoment,
    ToneCurve,
    Way,
    apply_curve,
    distance_jnd,
    exposure_that_holds,
    fit_one_curve,
)

WHITE_NITS = 120.0
TO_709 = colour.matrix_RGB_to_RGB("ITU-R BT.2020", "ITU-R BT.709")


def stretch(nits: Any) -> NDArray[np.float64]:
    """An invented conversion: as it is up to 60 cd/m2, from there on ever steeper up to 900."""
    return np.where(np.asarray(nits) < 60, nits, 60 + 840 * (np.clip(np.asarray(nits) - 60, 0, None) / 60) ** 2)


GREYS = pq_to_nits(np.linspace(nits_to_pq(0.01), nits_to_pq(WHITE_NITS), 400))


def curve(way: Way) -> ToneCurve:
    return ToneCurve(way, GREYS, stretch(GREYS))


def picture(seed: int, *, rows: int = 60, columns: int = 90) -> NDArray[np.float32]:
    rng = np.random.default_rng(seed)
    inside = WHITE_NITS * rng.random((rows, columns, 1)) ** 2 * rng.uniform(0.3, 1.0, (rows, columns, 3))
    return (inside @ np.linalg.inv(TO_709).T).astype(np.float32)  # colours of BT.709, as an SDR release has them


def moment(number: int) -> Moment:
    return Moment("typical", "closest to the median loss: 0.5 JOD", number, number, number / 24, number / 24, "?", "?", number)


def pairs(*both: tuple[NDArray[Any], NDArray[Any]]) -> list[PairOfMoment]:
    """From pictures of (HDR, SDR)."""
    return [shrink_pair(moment(n), hdr_nits=hdr.astype(np.float32), sdr_nits=sdr.astype(np.float32)) for n, (hdr, sdr) in enumerate(both)]


def draw(*both: tuple[NDArray[Any], NDArray[Any]]) -> tuple[StillPicture, ...]:
    return draw_curved(pairs(*both), white_nits=WHITE_NITS)


def intensity(nits: NDArray[Any]) -> NDArray[np.float64]:
    """I of ICtCp by colour-science (BT.2100-2 Table 7)."""
    return np.asarray(colour.RGB_to_ICtCp(np.asarray(nits, np.float64)))[..., 0]


# ---------------------------------------------------------------- law


def test_every_colour_gets_the_intensity_that_the_curve_has_for_it() -> None:
    sdr = np.clip(picture(1), 0.05, None)  # no darker than the curve begins
    aim = np.interp(intensity(sdr), nits_to_pq(GREYS), nits_to_pq(stretch(GREYS)))
    np.testing.assert_allclose(intensity(apply_curve(sdr, curve("intensity"))), aim, atol=0.5 / 720)  # half a JND of BT.2124


@pytest.mark.parametrize("way", ["intensity", "largest"])
def test_the_three_components_are_scaled_alike(way: Way) -> None:
    sdr = np.clip(picture(2), 0.05, None)
    gains = apply_curve(sdr, curve(way)) / sdr
    np.testing.assert_allclose(gains, np.repeat(gains[..., :1], 3, axis=-1), rtol=1e-4)


def test_a_curve_is_put_on_the_components_of_bt709() -> None:
    """By hand, primaries by colour-science."""
    sdr = np.array([[[80.0, 40.0, 10.0]]]) @ np.linalg.inv(TO_709).T
    each = apply_curve(sdr, curve("each")) @ TO_709.T
    np.testing.assert_allclose(each[0, 0], stretch(np.array([80.0, 40.0, 10.0])), rtol=2e-3)
    largest = apply_curve(sdr, curve("largest")) @ TO_709.T
    np.testing.assert_allclose(largest[0, 0], np.array([80.0, 40.0, 10.0]) * stretch(80.0) / 80, rtol=2e-3)


@pytest.mark.parametrize("way", WAY_WORDS)
def test_beyond_the_ends_the_gains_go_on(way: Way) -> None:
    greys = np.array([0.0, 1.0, 5.0, 10.0, 100.0, 120.0])[None, :, None] * np.ones(3)
    found = apply_curve(greys, ToneCurve(way, np.array([10.0, 100.0]), np.array([20.0, 400.0])))
    np.testing.assert_allclose(found[0, :, 0], [0, 2, 10, 20, 400, 480], rtol=5e-3)
    assert np.abs(apply_curve(np.full((1, 1, 3), -0.5, np.float32), curve(way))).max() < 1e-6  # negative light is none


@pytest.mark.parametrize(("level", "stops"), [(0.2, 0), (1.0, 0), (1.01, -1), (2.0, -1), (3.0, -2), (8.0, -3), (50.0, -3)])
def test_the_exposure_is_the_brightest_that_holds_the_picture(level: float, stops: int) -> None:
    light = np.full((20, 20, 3), level * WHITE_NITS)
    chosen, clipped = exposure_that_holds(light, white_nits=WHITE_NITS, stops=BRACKET_STOPS)
    assert (chosen, clipped) == (stops, 1.0 if level > 8 else 0.0)
    drawn = nits_to_exposure(light * 1.001, white_nits=WHITE_NITS, stops=chosen)
    assert (drawn == 255).all() == (level >= 2**-stops)


def test_the_exposure_holds_the_components_that_are_drawn() -> None:
    """A green of BT.2020: its component of BT.709 is larger than that of BT.2020."""
    green = np.zeros((8, 8, 3))
    green[..., 1] = WHITE_NITS
    assert (green @ TO_709.T).max() > 1.1 * WHITE_NITS
    assert exposure_that_holds(green, white_nits=WHITE_NITS, stops=BRACKET_STOPS) == (-1, 0.0)


def test_the_distance_is_that_of_another_library() -> None:
    first, second = picture(5), picture(6)
    one, two = (np.asarray(colour.RGB_to_ICtCp(light.astype(np.float64))) for light in (first, second))
    theirs = np.sqrt(np.mean(np.square(colour.difference.delta_E_ITP(one, two))))
    assert distance_jnd(first, second) == pytest.approx(theirs, rel=1e-3)


# ---------------------------------------------------------------- the fit, and what it shows


@pytest.mark.parametrize("way", WAY_WORDS)
def test_a_conversion_is_found_and_its_film_looks_as_the_hdr_one(way: Way) -> None:
    both = [(apply_curve(picture(seed), curve(way)), picture(seed)) for seed in (7, 8, 9)]
    fitted = fit_one_curve(pairs(*both))
    assert fitted is not None
    assert fitted.way == way
    for still in draw(*both):
        assert still.figures["curved_jnd"] < 1.0 < 15 < still.figures["as_set_jnd"]
        assert WAY_WORDS[way] in still.caption


def test_small_lights_keep_the_level_that_the_curve_gives_them() -> None:
    """Dark pictures with a few lamps of eight times the gain that holds in the dark: a thousandth of each picture."""
    both = []
    for seed in (1, 2, 3):
        sdr = np.full((100, 100, 3), 2.0) * np.random.default_rng(seed).uniform(0.2, 1, (100, 100, 1))
        sdr[10, 10:20] = np.linspace(60, 110, 10)[:, None]
        both.append((stretch(sdr), sdr))
    fitted = fit_one_curve(pairs(*both))
    assert fitted is not None
    np.testing.assert_allclose(apply_curve(both[0][1], fitted)[10, 10:20, 0], stretch(np.linspace(60, 110, 10)), rtol=0.1)


@pytest.mark.parametrize("column", range(8))
def test_lights_count_wherever_they_lie(column: int) -> None:
    """One column of every eight is a tube that no other place is as bright as."""
    both = []
    for seed in (1, 2):
        sdr = np.full((90, 640, 3), 2.0) * np.random.default_rng(seed).uniform(0.2, 1, (90, 640, 1))
        sdr[:, column::8] = 80.0
        both.append((stretch(sdr), sdr))
    assert all(still.figures["curved_jnd"] < 1.0 for still in draw(*both))


def test_what_the_sdr_clips_stays_flat_and_apart_from_the_hdr_picture() -> None:
    """A sky that the SDR clips: the curve brings its level, and none of its clouds."""
    clouds = np.repeat(WHITE_NITS * np.geomspace(1.0, 6.0, 64)[None, :, None], 3, axis=-1) * np.ones((32, 1, 1))
    for still in draw(*[(clouds, np.minimum(clouds, WHITE_NITS))] * 2):
        assert np.ptp(still.rgb8.astype(int)) == 0
        assert still.figures["curved_jnd"] > 20
    assert np.ptp(nits_to_exposure(clouds, white_nits=WHITE_NITS, stops=-3).astype(int)) > 80


def test_two_grades_of_shots_are_not_explained_by_one_curve() -> None:
    """One shot twice as bright, one half: what a curve gives lies between them."""
    both = [(gain * picture(11), picture(11)) for gain in (2.0, 0.5)]
    assert all(still.figures["curved_jnd"] > 30 for still in draw(*both))


def test_a_picture_that_is_the_same_stays_and_the_caption_says_so() -> None:
    (still, _) = draw((picture(12), picture(12)), (picture(13), picture(13)))
    assert still.name == "curved-0"
    plain = nits_to_exposure(picture(12), white_nits=WHITE_NITS, stops=0)
    assert np.abs(still.rgb8.astype(int) - plain).max() <= 1
    for words in ("fitted to the 2 moments shown", "0.0 JND away", "belongs to neither release"):
        assert words in still.caption
    assert "Clipped in the drawing" not in still.caption


def test_what_the_darkest_exposure_clips_is_said() -> None:
    ramp = np.repeat(np.geomspace(10.0, 4000.0, 100)[None, :, None], 3, axis=-1) * np.ones((10, 1, 1))
    still, _ = draw(*[(ramp, np.minimum(ramp, WHITE_NITS))] * 2)
    share = float((ramp[0, :, 0] > 8 * WHITE_NITS).mean())
    assert f"Clipped in the drawing: {100 * share:.1f} % of the HDR picture." in still.caption


@pytest.mark.parametrize("count", [0, 1, MOST_MOMENTS + 1])
def test_too_few_and_too_many_moments_have_none(count: int) -> None:
    small = picture(14, rows=4, columns=4)
    assert draw(*[(small, small)] * count) == ()
