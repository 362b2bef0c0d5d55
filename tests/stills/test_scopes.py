"""Densities of scopes: places by hand and by colour-science's PQ and u'v'."""

from __future__ import annotations

import colour
import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff.stills.scopes import (
    COLOUR_COLUMNS,
    COLOUR_ROWS,
    HISTOGRAM_BINS,
    MOST_U,
    MOST_V,
    TONE_CELLS,
    WAVE_COLUMNS,
    WAVE_LEVELS,
    chromaticity,
    draw_chromaticity,
    draw_tone,
    draw_waveform,
    histogram,
    tone_spread,
    triangle,
)

PQ = colour.models.eotf_inverse_ST2084


def grey(nits: float, *, rows: int = 30, columns: int = 960) -> NDArray[np.float32]:
    return np.full((rows, columns, 3), nits, np.float32)


@pytest.mark.parametrize("nits", [0.5, 100.0, 203.0, 1000.0, 9000.0])
def test_a_flat_picture_is_one_line_at_its_level(nits: float) -> None:
    shown = draw_waveform(grey(nits))
    assert shown.shape == (WAVE_LEVELS, WAVE_COLUMNS)
    rows = np.flatnonzero(shown.any(1))
    assert rows.tolist() == [WAVE_LEVELS - 1 - int(PQ(nits) * WAVE_LEVELS)]
    assert (shown[rows[0]] == 255).all()


@pytest.mark.parametrize("columns", [100, 480, 700, 1920])
def test_columns_of_a_waveform_are_those_of_the_picture(columns: int) -> None:
    light = grey(1.0, columns=columns)
    light[:, columns // 2 :] = 400.0
    bright = WAVE_LEVELS - 1 - int(PQ(400.0) * WAVE_LEVELS)
    lit = draw_waveform(light)[bright] > 0
    assert not lit[: WAVE_COLUMNS // 2 - 5].any()
    assert lit[WAVE_COLUMNS // 2 + 5 :].all()


def test_the_more_lies_at_a_level_the_lighter_it_is() -> None:
    light = grey(100.0, rows=1000, columns=480)
    light[0] = 900.0
    shown = draw_waveform(light)
    rare, usual = (shown[WAVE_LEVELS - 1 - int(PQ(nits) * WAVE_LEVELS), 5] for nits in (900.0, 100.0))
    assert 20 < rare < usual


def test_the_level_is_that_of_the_largest_component() -> None:
    red = np.zeros((4, 480, 3), np.float32)
    red[..., 0] = 300.0
    assert draw_waveform(red)[WAVE_LEVELS - 1 - int(PQ(300.0) * WAVE_LEVELS)].all()
    assert histogram(red)[int(PQ(300.0) * HISTOGRAM_BINS)] == 1.0


def test_a_histogram_adds_up_and_stands_where_the_light_is() -> None:
    light = np.concatenate([grey(0.0), grey(50.0), grey(50.0), grey(2000.0)])
    shares = histogram(light)
    assert sum(shares) == pytest.approx(1.0, abs=1e-5)
    assert (shares[0], shares[int(PQ(50.0) * HISTOGRAM_BINS)], shares[int(PQ(2000.0) * HISTOGRAM_BINS)]) == (0.25, 0.5, 0.25)


def test_chromaticity_is_that_of_cie_1976() -> None:
    light = np.random.default_rng(1).random((20, 30, 3)).astype(np.float32) * 500 + 2
    xyz = light.reshape(-1, 3).astype(np.float64) @ np.asarray(colour.RGB_COLOURSPACES["ITU-R BT.2020"].matrix_RGB_to_XYZ).T
    wanted = colour.Luv_to_uv(colour.XYZ_to_Luv(xyz / 100))
    np.testing.assert_allclose(np.stack(chromaticity(light), 1), wanted, atol=2e-4)


def test_dark_pixels_have_no_colour_and_white_lies_at_d65() -> None:
    light = grey(100.0)
    light[:10] = (0.5, 0.0, 0.0)
    shown = draw_chromaticity(light)
    rows, columns = np.nonzero(shown)
    assert len(rows) == 1
    u, v = colour.Luv_to_uv(colour.XYZ_to_Luv(colour.xy_to_XYZ((0.3127, 0.3290))))
    assert abs((columns[0] + 0.5) / COLOUR_COLUMNS * MOST_U - u) < 2 * MOST_U / COLOUR_COLUMNS
    assert abs((COLOUR_ROWS - rows[0] - 0.5) / COLOUR_ROWS * MOST_V - v) < 2 * MOST_V / COLOUR_ROWS
    assert not draw_chromaticity(grey(0.1)).any()


@pytest.mark.parametrize(("name", "space"), [("bt709", "ITU-R BT.709"), ("p3-d65", "P3-D65"), ("bt2020", "ITU-R BT.2020")])
def test_triangles_have_the_corners_of_their_standards(name: str, space: str) -> None:
    xy = np.asarray(colour.RGB_COLOURSPACES[space].primaries)
    np.testing.assert_allclose(triangle(name), colour.xy_to_Luv_uv(xy), atol=1e-6)


def test_one_curve_is_one_line_and_its_spread_is_none() -> None:
    sdr = np.repeat(np.geomspace(0.1, 100, 960, dtype=np.float32)[None, :, None], 40, 0).repeat(3, 2)
    rows = tone_spread(sdr, 4 * sdr)
    assert len(rows) > 20
    for nits, low, middle, high in rows:
        assert low <= middle <= high
        assert nits < 1 or middle == pytest.approx(4 * nits, rel=0.12)  # a step of SDR level is as wide as that, and wider in the dark
        assert nits < 1 or high < 1.3 * low
    lit = np.argwhere(draw_tone(sdr, 4 * sdr))
    found = (TONE_CELLS - 0.5 - lit[:, 0]) / TONE_CELLS, (lit[:, 1] + 0.5) / TONE_CELLS
    wanted = PQ(4 * colour.models.eotf_ST2084(found[1]))
    assert np.abs(found[0] - wanted).max() < 2.5 / TONE_CELLS


def test_what_no_curve_explains_is_spread() -> None:
    sdr = grey(80.0, rows=100)
    hdr = sdr * np.linspace(1, 6, 100, dtype=np.float32)[:, None, None]
    ((nits, low, middle, high),) = tone_spread(sdr, hdr)
    assert nits == pytest.approx(80, rel=0.06)
    assert (low, middle, high) == pytest.approx(tuple(80 * np.percentile(np.linspace(1, 6, 100), (5, 50, 95))), rel=1e-3)
