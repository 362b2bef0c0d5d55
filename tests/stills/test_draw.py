"""Stills are drawn alike for both sides, hide nothing above white, and agree with another library."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff._records import Moment
from pairdiff.light.primaries import convert_primaries
from pairdiff.light.transfer import nits_to_pq
from pairdiff.stills.draw import (
    DIFFERENCE_LEGEND,
    StillPicture,
    average_area,
    draw_stills,
    jnd_to_rgb8,
    nits_to_exposure,
    nits_to_model,
)

MOMENT = Moment("typical", "closest to the median loss: 0.5 JOD", 12, 15, 0.5, 0.625, "?", "?", 0)
WHITE_NITS = 120.0


def picture(seed: int, *, rows: int = 40, columns: int = 60, peak: float = 900.0) -> NDArray[np.float32]:
    light = np.random.default_rng(seed).random((rows, columns, 3)) ** 4 * peak
    return light.astype(np.float32)


def draw(hdr: NDArray[np.float32], sdr: NDArray[np.float32], **options: Any) -> dict[str, StillPicture]:
    difference = np.zeros(hdr.shape[:2], dtype=np.float32)
    values: dict[str, Any] = {"white_nits": WHITE_NITS, "peak_nits": 1000.0, "margin_jnd": 4.0, "difference_jnd": difference} | options
    return {still.name: still for still in draw_stills(MOMENT, hdr_nits=hdr, sdr_nits=sdr, **values)}


def grey(nits: float) -> NDArray[np.float32]:
    return np.full((4, 4, 3), nits, dtype=np.float32)


# ---------------------------------------------------------------- law


def test_identical_light_gives_identical_pixels_on_both_sides() -> None:
    found = draw(picture(1), picture(1))
    for name in ("model-{}", "bracket-{}-0", "bracket-{}--1", "bracket-{}--2", "bracket-{}--3"):
        np.testing.assert_array_equal(found[name.format("hdr")].rgb8, found[name.format("sdr")].rgb8)


def test_different_light_gives_different_pixels() -> None:
    found = draw(picture(1), np.minimum(picture(1), WHITE_NITS))
    assert (found["model-hdr"].rgb8 != found["model-sdr"].rgb8).any()


def test_the_bracket_reveals_what_lies_above_white() -> None:
    patch, above = grey(4 * WHITE_NITS), grey(3 * WHITE_NITS)
    at_0 = [nits_to_exposure(light, white_nits=WHITE_NITS, stops=0) for light in (patch, above, grey(WHITE_NITS))]
    assert all((exposed == 255).all() for exposed in at_0)
    found = draw(patch, above)
    assert found["bracket-hdr-0"].rgb8.min() == found["bracket-sdr-0"].rgb8.min() == 255
    assert found["bracket-hdr--2"].rgb8.min() == 255
    assert found["bracket-sdr--2"].rgb8.max() < 250


def test_the_model_keeps_the_order_of_greys() -> None:
    greys = np.repeat(np.geomspace(0.01, 1000.0, 64)[None, :, None], 3, axis=2).astype(np.float32)
    shown = nits_to_model(greys, white_nits=WHITE_NITS, peak_nits=1000.0)[0, :, 0].astype(int)
    assert (np.diff(shown) >= 0).all()
    assert shown[-1] == 255


def test_no_roll_off_when_the_peak_is_within_the_target() -> None:
    shown = nits_to_model(grey(WHITE_NITS), white_nits=WHITE_NITS, peak_nits=2 * WHITE_NITS)
    assert (shown == 188).all()  # sRGB of 0.5, IEC 61966-2-1: 0.7354 x 255 = 187.5
    assert (nits_to_model(grey(2 * WHITE_NITS), white_nits=WHITE_NITS, peak_nits=2 * WHITE_NITS) == 255).all()


def test_light_above_the_peak_is_clipped_to_it() -> None:
    assert (nits_to_model(grey(5000.0), white_nits=WHITE_NITS, peak_nits=1000.0) == 255).all()


def test_the_same_input_gives_the_same_bytes() -> None:
    first, second = (draw(picture(2), picture(3)) for _ in range(2))
    assert all(first[name].rgb8.tobytes() == second[name].rgb8.tobytes() for name in first)


def test_area_average_keeps_the_mean_light() -> None:
    light = picture(4, rows=64, columns=96)
    small = average_area(light, max_columns=48)
    assert small.shape == (32, 48, 3)
    np.testing.assert_allclose(small.mean(axis=(0, 1)), light.mean(axis=(0, 1)), rtol=1e-5)


def test_the_difference_ramp_grows_lighter_without_a_turn() -> None:
    colour = pytest.importorskip("colour", reason="colour-science judges the lightness of the ramp")
    shown = jnd_to_rgb8(np.linspace(0.0, 40.0, 161)) / 255.0
    lightness = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(shown))[:, 0]
    assert (np.diff(lightness) > -0.6).all()  # whole codes: one code of one channel is worth up to half a step of L*
    anchors = colour.XYZ_to_Lab(colour.sRGB_to_XYZ(np.array([rgb for _, rgb in DIFFERENCE_LEGEND[1:]]) / 255.0))[:, 0]
    assert (np.diff(anchors) > 10).all()


def test_what_nobody_sees_is_one_grey() -> None:
    shown = jnd_to_rgb8(np.linspace(0.0, 1.0, 11))
    assert len({tuple(pixel) for pixel in shown}) == 1
    assert len(set(shown[0].tolist())) == 1
    coding, visible = (jnd_to_rgb8(np.array(jnd)).astype(int) for jnd in (4.0, 15.0))
    assert np.ptp(coding) < 15 < 50 < np.ptp(visible)


def test_the_difference_ramp_is_told_apart_by_colour_blind_eyes() -> None:
    """Steps of the legend as red- and green-blind eyes see them (Machado et al. 2009, severity 1), at least 10 dE (CIE 1976) apart."""
    colour = pytest.importorskip("colour", reason="colour-science simulates colour deficiencies")
    linear = colour.models.eotf_sRGB(np.array([rgb for _, rgb in DIFFERENCE_LEGEND[1:]]) / 255.0)
    for deficiency in ("Protanomaly", "Deuteranomaly"):
        matrix = colour.matrix_cvd_Machado2009(deficiency, 1.0)
        lab = colour.XYZ_to_Lab(colour.RGB_to_XYZ(np.clip(linear @ matrix.T, 0, 1), "sRGB"))
        assert (np.linalg.norm(np.diff(lab, axis=0), axis=-1) > 10).all(), deficiency


def test_the_legend_names_the_colours_that_are_drawn() -> None:
    for jnd, rgb in DIFFERENCE_LEGEND:
        assert tuple(jnd_to_rgb8(np.array(jnd))) == rgb
    assert [jnd for jnd, _ in DIFFERENCE_LEGEND] == [0, 1, 5, 10, 20, 40]
    assert tuple(jnd_to_rgb8(np.array(400.0))) == DIFFERENCE_LEGEND[-1][1]


# ---------------------------------------------------------------- outside value


def test_exposure_agrees_with_another_library() -> None:
    colour = pytest.importorskip("colour", reason="colour-science encodes independently")
    light = picture(5)
    spaces = colour.RGB_COLOURSPACES
    rgb = colour.RGB_to_RGB(light.astype(np.float64) / WHITE_NITS, spaces["ITU-R BT.2020"], spaces["ITU-R BT.709"])
    expected = 255.0 * colour.models.eotf_inverse_sRGB(np.clip(rgb, 0.0, 1.0))
    shown = nits_to_exposure(light, white_nits=WHITE_NITS, stops=0).astype(np.float64)
    assert np.abs(shown - expected).max() < 0.52  # half a code of rounding, and the printed digits of the matrices


def test_the_roll_off_is_the_one_of_bt2408() -> None:
    """BT.2408 Annex 5 by hand: E1 = PQ / PQ(peak), KS = 1.5 maxLum - 0.5, P[E1] of the Hermite spline."""
    peak, target, level = 1000.0, 2 * WHITE_NITS, 600.0
    top, code = float(nits_to_pq(peak)), float(nits_to_pq(level)) / float(nits_to_pq(peak))
    max_lum = float(nits_to_pq(target)) / top
    knee = 1.5 * max_lum - 0.5
    t = (code - knee) / (1 - knee)
    bent = (2 * t**3 - 3 * t**2 + 1) * knee + (t**3 - 2 * t**2 + t) * (1 - knee) + (-2 * t**3 + 3 * t**2) * max_lum
    m1, m2, c1, c2, c3 = 0.1593017578125, 78.84375, 0.8359375, 18.8515625, 18.6875
    root = (bent * top) ** (1 / m2)
    nits = 10000.0 * (max(root - c1, 0.0) / (c2 - c3 * root)) ** (1 / m1)
    linear = nits / target
    expected = 255.0 * (1.055 * linear ** (1 / 2.4) - 0.055)
    shown = nits_to_model(grey(level), white_nits=WHITE_NITS, peak_nits=peak)
    assert abs(float(shown[0, 0, 0]) - expected) < 0.51


def test_colour_outside_bt709_is_clipped_and_colour_inside_is_kept() -> None:
    green = np.zeros((1, 1, 3), dtype=np.float32)
    green[..., 1] = WHITE_NITS
    assert nits_to_exposure(green, white_nits=WHITE_NITS, stops=0)[0, 0, 0] == 0
    inside = convert_primaries(np.array([[[0.5, 0.25, 0.125]]]), source="bt709", target="bt2020") * WHITE_NITS
    assert tuple(nits_to_exposure(inside, white_nits=WHITE_NITS, stops=0)[0, 0]) == (188, 137, 99)


# ---------------------------------------------------------------- shape


def test_pictures_keep_to_the_stated_width() -> None:
    hdr = picture(6, rows=300, columns=1600)
    found = draw(hdr, hdr, difference_jnd=np.ones((300, 1600), dtype=np.float32))
    assert found["model-hdr"].rgb8.shape == found["difference"].rgb8.shape == (240, 1280, 3)
    assert found["bracket-sdr--3"].rgb8.shape == (120, 640, 3)
    assert all(still.rgb8.dtype == np.uint8 for still in found.values())


def test_every_picture_is_there_and_says_how_it_was_drawn() -> None:
    found = draw(picture(7), picture(7))
    brackets = [f"bracket-{side}-{stops}" for side in ("hdr", "sdr") for stops in (0, -1, -2, -3)]
    scopes = ["waveform-hdr", "waveform-sdr", "chromaticity-hdr", "chromaticity-sdr", "tone"]
    assert list(found) == ["model-hdr", "model-sdr", *brackets, "difference", "light-hdr", "light-sdr", "outlines", *scopes]
    assert "BT.2408" in found["model-hdr"].caption
    assert found["model-hdr"].caption == found["model-sdr"].caption
    assert "480 cd/m2" in found["bracket-hdr--2"].caption


# ---------------------------------------------------------------- refusal


def test_pictures_of_unequal_size_are_refused() -> None:
    with pytest.raises(ValueError, match="pictures of one canvas are needed"):
        draw(picture(8), picture(8, columns=61))


def test_values_that_are_not_finite_are_refused() -> None:
    hdr = picture(9)
    hdr[3, 3, 1] = np.nan
    with pytest.raises(ValueError, match="hdr_nits holds values that are not finite"):
        draw(hdr, picture(9))


@pytest.mark.parametrize("name", ["white_nits", "peak_nits"])
def test_a_level_that_is_not_above_zero_is_refused(name: str) -> None:
    with pytest.raises(ValueError, match=f"{name} must be above zero; got 0"):
        draw(picture(9), picture(9), **{name: 0.0})


def test_how_the_releases_were_read_stands_in_every_caption() -> None:
    light = picture(1)
    plain, stamped = draw(light, light), draw(light, light, stamps=["HDR range taken as full, as the user states"])
    for name, still in stamped.items():
        assert still.caption == plain[name].caption + " HDR range taken as full, as the user states."
        assert np.array_equal(still.rgb8, plain[name].rgb8)
