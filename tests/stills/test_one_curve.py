"""The picture through the film's curve: as another library computes intensity, and no more in it than the curve gives."""

from __future__ import annotations

from typing import Any

import colour
import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff._records import Moment
from pairdiff.light.transfer import nits_to_pq, pq_to_nits
from pairdiff.score.tone import fit_curve
from pairdiff.stills.draw import BRACKET_STOPS, StillPicture, draw_stills
from pairdiff.stills.one_curve import WAY_WORDS, ToneCurve, Way, apply_closest, apply_curve, distance_jnd, exposure_that_holds

WHITE_NITS = 120.0
MOMENT = Moment("typical", "closest to the median loss: 0.5 JOD", 12, 15, 0.5, 0.625, "?", "?", 0)


def stretch(nits: NDArray[np.float64]) -> NDArray[np.float64]:
    """An invented conversion: as it is up to 60 cd/m2, from there on ever steeper up to 900."""
    return np.where(nits < 60, nits, 60 + 840 * (np.clip(nits - 60, 0, None) / 60) ** 2)


GREYS = pq_to_nits(np.linspace(nits_to_pq(0.01), nits_to_pq(WHITE_NITS), 400))
CURVE = ToneCurve(tuple(map(float, GREYS)), tuple(map(float, stretch(GREYS))))


def picture(seed: int, *, rows: int = 30, columns: int = 50) -> NDArray[np.float32]:
    rng = np.random.default_rng(seed)
    return (WHITE_NITS * rng.random((rows, columns, 1)) ** 2 * rng.uniform(0.2, 1.0, (rows, columns, 3))).astype(np.float32)


def intensity(nits: NDArray[Any]) -> NDArray[np.float64]:
    """I of ICtCp by colour-science (BT.2100-2 Table 7)."""
    return np.asarray(colour.RGB_to_ICtCp(np.asarray(nits, np.float64)))[..., 0]


def draw(hdr: NDArray[Any], sdr: NDArray[Any], curve: ToneCurve | None = CURVE) -> dict[str, StillPicture]:
    drawn = draw_stills(
        MOMENT,
        hdr_nits=hdr.astype(np.float32),
        sdr_nits=sdr.astype(np.float32),
        difference_jnd=np.zeros(hdr.shape[:2], np.float32),
        white_nits=WHITE_NITS,
        peak_nits=1000.0,
        margin_jnd=4.0,
        curve=curve,
    )
    return {still.name: still for still in drawn}


# ---------------------------------------------------------------- law


def test_every_colour_gets_the_intensity_that_the_curve_has_for_it() -> None:
    sdr = np.clip(picture(1), 0.05, None)  # no darker than the curve begins
    aim = np.interp(intensity(sdr), nits_to_pq(np.array(CURVE.sdr_nits)), nits_to_pq(np.array(CURVE.hdr_nits)))
    np.testing.assert_allclose(intensity(apply_curve(sdr, CURVE, way="intensity")), aim, atol=0.5 / 720)  # half a JND of BT.2124


@pytest.mark.parametrize("way", ["intensity", "largest"])
def test_the_three_components_are_scaled_alike(way: Way) -> None:
    sdr = picture(2)
    gains = apply_curve(sdr, CURVE, way=way) / sdr
    np.testing.assert_allclose(gains, np.repeat(gains[..., :1], 3, axis=-1), rtol=1e-4)


def test_the_curve_that_changes_nothing_changes_nothing() -> None:
    same = ToneCurve(CURVE.sdr_nits, CURVE.sdr_nits)
    inside = np.clip(picture(3), 0.02, None)
    np.testing.assert_allclose(apply_curve(inside, same, way="intensity"), inside, rtol=2e-3)


@pytest.mark.parametrize("way", WAY_WORDS)
def test_beyond_the_ends_the_last_value_and_the_first_gain_hold(way: Way) -> None:
    curve = ToneCurve((10.0, 100.0), (20.0, 400.0))
    greys = np.array([0.0, 1.0, 5.0, 10.0, 100.0, 119.0])[None, :, None] * np.ones(3)
    np.testing.assert_allclose(apply_curve(greys, curve, way=way)[0, :, 0], [0, 2, 10, 20, 400, 400], rtol=5e-3)


@pytest.mark.parametrize("way", WAY_WORDS)
def test_negative_light_counts_as_none(way: Way) -> None:
    light = np.full((1, 1, 3), -0.5, np.float32)
    assert np.abs(apply_curve(light, CURVE, way=way)).max() < 1e-6


def test_a_conversion_is_followed_in_its_own_way() -> None:
    """The curve on each BT.709 component, or on the largest: R' of a colour by hand, primaries by colour-science."""
    to_709 = colour.matrix_RGB_to_RGB("ITU-R BT.2020", "ITU-R BT.709")
    sdr = np.array([[[80.0, 40.0, 10.0]]]) @ np.linalg.inv(to_709).T
    each = apply_curve(sdr, CURVE, way="each") @ to_709.T
    np.testing.assert_allclose(each[0, 0], stretch(np.array([80.0, 40.0, 10.0])), rtol=2e-3)
    largest = apply_curve(sdr, CURVE, way="largest") @ to_709.T
    np.testing.assert_allclose(largest[0, 0], np.array([80.0, 40.0, 10.0]) * stretch(np.array(80.0)) / 80, rtol=2e-3)
    for way in WAY_WORDS:
        hdr = apply_curve(picture(4), CURVE, way=way)
        assert apply_closest(picture(4), hdr, CURVE)[1] == way


@pytest.mark.parametrize("curve", [ToneCurve((1.0,), (2.0,)), ToneCurve((1.0, 2.0), (1.0,))])
def test_what_is_no_curve_is_refused(curve: ToneCurve) -> None:
    with pytest.raises(ValueError, match="two points or more"):
        apply_curve(picture(4), curve, way="each")


@pytest.mark.parametrize(("level", "stops"), [(0.2, 0), (1.0, 0), (1.01, -1), (2.0, -1), (3.0, -2), (8.0, -3), (50.0, -3)])
def test_the_exposure_is_the_brightest_that_clips_nothing(level: float, stops: int) -> None:
    light = np.full((20, 20, 3), level * WHITE_NITS)
    assert exposure_that_holds(light, white_nits=WHITE_NITS, stops=BRACKET_STOPS) == stops


def test_the_distance_is_that_of_another_library() -> None:
    first, second = picture(5), picture(6)
    one, two = (np.asarray(colour.RGB_to_ICtCp(light.astype(np.float64))) for light in (first, second))
    theirs = np.sqrt(np.mean(np.square(colour.difference.delta_E_ITP(one, two))))
    assert distance_jnd(first, second) == pytest.approx(theirs, rel=1e-3)


# ---------------------------------------------------------------- what it shows


@pytest.mark.parametrize("way", WAY_WORDS)
def test_a_film_that_a_curve_made_looks_as_the_hdr_one(way: Way) -> None:
    """By the curve that is fitted to its intensities, of which it knows no more; colours about as strong as a landscape's."""
    sdr = (picture(7) + 2 * picture(7).mean(axis=-1, keepdims=True)) / 3
    hdr = apply_curve(sdr, CURVE, way=way)
    fitted = fit_curve(intensity(sdr).ravel(), intensity(hdr).ravel())
    curve = ToneCurve(*(tuple(map(float, pq_to_nits(one))) for one in (fitted.sdr_intensity, fitted.hdr_intensity)))
    (curved,) = (still for name, still in draw(hdr, sdr, curve).items() if name.startswith("curved"))
    figures = curved.figures
    assert figures["curved_jnd"] < {"intensity": 0.01, "each": 0.3, "largest": 0.45}[way] * figures["as_set_jnd"]


def test_what_the_sdr_clips_stays_flat_and_apart_from_the_hdr_picture() -> None:
    """A sky that the SDR clips: the curve brings its level, and none of its clouds."""
    clouds = np.repeat(WHITE_NITS * np.geomspace(1.0, 6.0, 64)[None, :, None], 3, axis=-1) * np.ones((32, 1, 1))
    found = draw(clouds, np.minimum(clouds, WHITE_NITS), ToneCurve((1.0, WHITE_NITS), (1.0, 2.5 * WHITE_NITS)))
    curved = found["curved--3"]
    assert np.ptp(curved.rgb8.astype(int)) == 0
    assert np.ptp(found["bracket-hdr--3"].rgb8.astype(int)) > 80
    assert curved.figures["curved_jnd"] > 20


def test_the_picture_is_that_of_the_same_exposure_and_says_how_it_was_made() -> None:
    light = picture(8)
    same = draw(light, light, ToneCurve(CURVE.sdr_nits, CURVE.sdr_nits))
    assert np.abs(same["curved-0"].rgb8.astype(int) - same["bracket-sdr-0"].rgb8).max() <= 1
    caption = same["curved-0"].caption
    assert "belongs to neither release" in caption
    assert "0.0 JND away" in caption


def test_without_a_curve_there_is_none() -> None:
    assert not [name for name in draw(picture(9), picture(9), None) if name.startswith("curved")]
