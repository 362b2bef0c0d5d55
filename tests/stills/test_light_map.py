"""Light maps and outlines: luminance by colour-science's BT.2020, lightness by coloraide's CIE L*, edges by hand."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from coloraide import Color
from numpy.typing import NDArray

from pairdiff.light.transfer import nits_to_pq
from pairdiff.score.colour import measure_colour
from pairdiff.stills.light_map import (
    ABOVE_WHITE,
    CONTOURS,
    DASH_PIXELS,
    GAP_PIXELS,
    GROUND_DARKEST,
    GROUND_LIGHTEST,
    LIGHT_LEGEND,
    OUTSIDE_709,
    beyond_sdr,
    draw_outlines,
    light_shares,
    luminance_nits,
    nits_to_light_map,
    say_light,
    say_outlines,
)

NONE = np.zeros((40, 60), bool)


def flat(nits: float, *, rows: int = 40, columns: int = 60) -> NDArray[np.float32]:
    return np.full((rows, columns, 3), nits, np.float32)


def lightness(rgb8: tuple[int, ...]) -> float:
    return float(Color("srgb", [value / 255 for value in rgb8]).convert("lab-d65")[0])


def halves(left: float, right: float) -> NDArray[np.float32]:
    light = flat(left)
    light[:, 30:] = right
    return light


def test_luminance_is_that_of_bt2020() -> None:
    """colour-science's matrix of ITU-R BT.2020 to XYZ."""
    light = np.random.default_rng(1).random((5, 7, 3)).astype(np.float32) * 900
    xyz = light @ np.asarray(colour.RGB_COLOURSPACES["ITU-R BT.2020"].matrix_RGB_to_XYZ).T
    np.testing.assert_allclose(luminance_nits(light), xyz[..., 1], rtol=2e-6)


def test_the_ramp_is_one_hue_and_its_lightness_even_on_the_pq_scale() -> None:
    """CIE L* and LCh hue of coloraide."""
    places = nits_to_pq(np.array([nits for nits, _ in LIGHT_LEGEND]))
    found = np.array([lightness(colour8) for _, colour8 in LIGHT_LEGEND])
    even = found[0] + (found[-1] - found[0]) * (places - places[0]) / (places[-1] - places[0])
    np.testing.assert_allclose(found, even, atol=1.0)
    hues = [Color("srgb", [value / 255 for value in colour8]).convert("lch-d65")[2] for _, colour8 in LIGHT_LEGEND]
    assert max(hues) - min(hues) < 15


def test_every_contour_lies_on_a_much_lighter_colour() -> None:
    for nits, _ in CONTOURS:
        assert lightness(tuple(nits_to_light_map(flat(nits * 0.999))[5, 5])) > 50


def test_a_flat_picture_has_the_colour_of_its_legend_and_no_line() -> None:
    for nits, colour8 in LIGHT_LEGEND:
        shown = nits_to_light_map(flat(nits))
        assert (np.abs(shown.astype(int) - colour8) <= 1).all()
    for beyond, end in ((-3.0, 0), (0.0, 0), (9000.0, -1)):
        assert (nits_to_light_map(flat(beyond)) == LIGHT_LEGEND[end][1]).all()


@pytest.mark.parametrize(("nits", "width"), CONTOURS)
def test_contours_stand_where_the_light_passes_their_level_as_wide_as_stated(nits: float, width: int) -> None:
    shown = nits_to_light_map(halves(nits * 0.97, nits * 1.03))
    dark = (shown == 0).all(-1)
    assert (dark.sum(1) == width).all()
    columns = np.flatnonzero(dark[20])
    assert columns.min() >= 30 - width // 2 - 1
    assert columns.max() <= 30 + width // 2 + 1
    assert not (nits_to_light_map(halves(nits * 0.90, nits * 0.98)) == 0).all(-1).any()


def test_single_pixels_have_no_contour() -> None:
    light = flat(150.0)
    light[10, 10] = 230.0
    assert not (nits_to_light_map(light) == 0).all(-1).any()


def test_shares_are_counted_at_and_above_each_contour() -> None:
    light = np.concatenate([flat(99.0), flat(100.0), flat(203.0), flat(1500.0)])
    assert light_shares(light) == (0.75, 0.5, 0.25)
    assert "75.0 % at 100 or more, 50.0 % at 203 or more, 25.0 % at 1000 or more" in say_light(light_shares(light))


def test_what_lies_outside_bt709_is_what_the_colour_measure_counts() -> None:
    light = np.random.default_rng(2).random((60, 80, 3)).astype(np.float32) ** 3 * 300
    light[20:40, 20:60] = (5.0, 200.0, 5.0)  # a green that BT.709 does not hold
    above, outside = beyond_sdr(light, white_nits=150.0, margin_jnd=4.0)
    assert outside.mean() == measure_colour(light, light, margin_jnd=4.0).outside_709_share
    assert outside[30, 40]
    assert np.array_equal(above, light.max(-1) > 150.0 * 2**0.1)


def test_outlines_are_whole_around_what_is_above_white_and_broken_around_what_is_outside_bt709() -> None:
    area = NONE.copy()
    area[10:30, 15:45] = True
    whole = draw_outlines(np.full((40, 60, 3), 128, np.uint8), above_white=area, outside_709=NONE)
    line = (whole == ABOVE_WHITE).all(-1)
    assert line[10, 17:43].all()
    assert line[12:28, 15].all()
    assert not line[14:26, 20:40].any()
    broken = draw_outlines(np.full((40, 60, 3), 128, np.uint8), above_white=NONE, outside_709=area)
    dashes = (broken == OUTSIDE_709).all(-1)[10, 17:43]
    assert 0.4 < dashes.mean() < 0.8
    runs = np.diff(np.flatnonzero(np.diff(np.r_[False, dashes, False].astype(int))))
    assert set(runs[1:-1]) == {DASH_PIXELS, GAP_PIXELS}
    assert not (broken == ABOVE_WHITE).all(-1).any()


def test_under_the_outlines_lies_the_picture_in_dim_grey() -> None:
    ramp = np.repeat(np.arange(60, dtype=np.uint8)[None, :, None] * 4, 40, 0).repeat(3, 2)
    shown = draw_outlines(ramp, above_white=NONE, outside_709=NONE)
    assert (shown[..., 0] == shown[..., 1]).all()
    assert (shown[..., 0] == shown[..., 2]).all()
    assert (np.diff(shown[5, :, 0].astype(int)) >= 0).all()
    assert shown.min() == GROUND_DARKEST
    assert shown.max() <= GROUND_LIGHTEST
    for colour8 in (ABOVE_WHITE, OUTSIDE_709):
        assert lightness(colour8) - lightness((GROUND_LIGHTEST,) * 3) > 20


def test_specks_get_no_outline_and_the_border_of_the_picture_is_no_edge() -> None:
    specks = NONE.copy()
    specks[10, 10] = specks[20, 30] = True
    everywhere = ~NONE
    for mask in (specks, everywhere):
        shown = draw_outlines(np.full((40, 60, 3), 128, np.uint8), above_white=mask, outside_709=mask)
        assert 0 not in shown, "the dark edge of a line"
        assert len(np.unique(shown)) == (1 if mask is specks else 4), "the ground, and dots of one colour"


def test_the_side_that_goes_beyond_is_lighter_or_dotted() -> None:
    left = np.arange(60) < 30
    mask = np.broadcast_to(left, (40, 60))
    ground = draw_outlines(np.full((40, 60, 3), 128, np.uint8), above_white=NONE, outside_709=NONE)
    lighter = draw_outlines(np.full((40, 60, 3), 128, np.uint8), above_white=mask, outside_709=NONE).astype(int) - ground
    assert (lighter[:, :25] >= 40).all()
    assert not lighter[:, 35:].any()
    dotted = draw_outlines(np.full((40, 60, 3), 128, np.uint8), above_white=NONE, outside_709=mask).astype(int) - ground
    assert 0.02 < (dotted[:, :25] != 0).any(axis=2).mean() < 0.2
    assert not dotted[:, 35:].any()


def test_captions_say_shares_limits_and_none() -> None:
    said = say_outlines(above_white=0.0312, outside_709=0.0, white_nits=203.4, margin_jnd=4.0)
    assert "203 cd/m2" in said
    assert "3.1 % of the picture" in said
    assert "more than 4 JND, no part of it" in said
    assert "less than 0.1 %" in say_outlines(above_white=0.0001, outside_709=0.0, white_nits=100.0, margin_jnd=4.0)
