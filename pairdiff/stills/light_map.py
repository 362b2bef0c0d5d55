"""Where the light of a picture lies, and what no SDR set can show of it: a map in cd/m2, and outlines."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray
from pairdiff.light.transfer import nits_to_pq
from pairdiff.score.colour import LUMINANCE, WINDOW_PIXELS, distance_outside_jnd
from pairdiff.score.headroom import ABOVE_MARGIN_STOPS

LIGHT_LEGEND: tuple[tuple[float, tuple[int, int, int]], ...] = (
    (0.1, (18, 29, 31)),
    (1.0, (11, 51, 57)),
    (10.0, (0, 91, 104)),
    (100.0, (0, 148, 166)),
    (203.0, (46, 167, 184)),
    (1000.0, (148, 210, 221)),
    (4000.0, (232, 246, 249)),
)
"""Luminance, cd/m2, and its sRGB colour: one hue, lightness L* 10 to 96 even on the PQ scale, so that it reads without colour (own).
Between two entries the colour is interpolated along PQ; what lies beyond shares the ends."""

CONTOURS: tuple[tuple[float, int], ...] = ((100.0, 1), (203.0, 2), (1000.0, 4))
"""Luminance, cd/m2, and width of the line at it, pixels (own: widths are told apart without colour). 203 is HDR reference white."""
LINE = 0
"""Grey of contours: every one lies on a colour that is much lighter (own)."""

ABOVE_WHITE, OUTSIDE_709 = (255, 214, 130), (160, 225, 255)
"""Colours of the outlines, both light; the second is broken as well, for eyes that do not tell them apart (own)."""
OUTLINE_PIXELS, HALO_PIXELS = 2, 1
"""Width of an outline, and of the dark edge on either side (own)."""
DASH_PIXELS, GAP_PIXELS = 7, 5
"""Of the broken outline (own)."""
DOT_PIXELS, DOT_STEP_PIXELS = 2, 8
"""Dots inside the broken outline, and from one to the next (own)."""
INSIDE_LIGHTER = 60
"""By so many greys the picture is lighter inside the whole outline (own)."""
GROUND_DARKEST, GROUND_LIGHTEST = 38, 150
"""Greys between which the picture lies under its outlines (own)."""


def nits_to_light_map(rgb_nits: FloatArray) -> NDArray[np.uint8]:
    """Draw luminance in one hue, with contours.

    Parameters
    ----------
    rgb_nits : float array, (row, column, 3)
        Linear BT.2020, cd/m2; negative values count as no light.

    Returns
    -------
    uint8 array, (row, column, 3)
        sRGB. Contours are those of light averaged over 5 x 5 pixels: noise has none.
    """
    luminance = luminance_nits(rgb_nits)
    levels = nits_to_pq(np.array([nits for nits, _ in LIGHT_LEGEND]))
    code = nits_to_pq(np.maximum(luminance, 0.0).astype(np.float64))
    channels = [np.interp(code, levels, [colour[channel] for _, colour in LIGHT_LEGEND]) for channel in range(3)]
    picture = np.rint(np.stack(channels, axis=-1)).astype(np.uint8)
    smooth = _smooth(luminance)
    for nits, width in CONTOURS:
        picture[_edge(smooth >= nits, width=width)] = LINE
    return picture


def light_shares(rgb_nits: FloatArray) -> tuple[float, ...]:
    """Share of the picture at or above each of `CONTOURS`."""
    luminance = luminance_nits(rgb_nits)
    return tuple(float((luminance >= nits).mean()) for nits, _ in CONTOURS)


def luminance_nits(rgb_nits: FloatArray) -> NDArray[np.float32]:
    """Luminance of linear BT.2020 light, (row, column), cd/m2."""
    return np.asarray(np.asarray(rgb_nits, np.float32) @ np.asarray(LUMINANCE, np.float32))


def beyond_sdr(rgb_nits: FloatArray, *, white_nits: float, margin_jnd: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Where a picture is brighter than SDR white, and where its colours lie outside BT.709.

    Parameters
    ----------
    rgb_nits : float array, (row, column, 3)
        Linear BT.2020, cd/m2.
    white_nits : float
        SDR white, cd/m2.
    margin_jnd : float
        dE_ITP to the gamut's edge from which a colour counts as outside, as for the figures of the report.

    Returns
    -------
    Two bool arrays, (row, column): largest of R, G and B above white by `ABOVE_MARGIN_STOPS`; colour outside by more than the margin, light
    averaged over 5 x 5.
    """
    smooth = _smooth(np.asarray(rgb_nits, np.float32))
    least_nits = white_nits * 2.0**ABOVE_MARGIN_STOPS
    return np.asarray(rgb_nits).max(axis=-1) > least_nits, distance_outside_jnd(smooth, gamut="bt709") > margin_jnd


def draw_outlines(rgb8: NDArray[np.uint8], *, above_white: NDArray[np.bool_], outside_709: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Outline areas on a dimmed grey picture.

    Parameters
    ----------
    rgb8 : uint8 array, (row, column, 3)
        sRGB picture, of which lightness alone is kept.
    above_white, outside_709 : bool arrays, (row, column)
        As `beyond_sdr` finds them; single pixels of either kind get no line of their own.

    Returns
    -------
    uint8 array, (row, column, 3)
        A whole line around the first, which is lighter inside, a broken one around the second, which is dotted inside.
    """
    grey = cv2.cvtColor(rgb8, cv2.COLOR_RGB2GRAY).astype(np.float32)
    grey = np.rint(GROUND_DARKEST + grey * ((GROUND_LIGHTEST - GROUND_DARKEST) / 255.0)).astype(np.uint8)
    picture = np.repeat(grey[..., None], 3, axis=2)
    down, across = np.indices(grey.shape)
    dashes = (down + across) % (DASH_PIXELS + GAP_PIXELS) < DASH_PIXELS
    dots = (down % DOT_STEP_PIXELS < DOT_PIXELS) & (across % DOT_STEP_PIXELS < DOT_PIXELS)
    outside, above = (cv2.medianBlur(mask.astype(np.uint8), 5) > 0 for mask in (outside_709, above_white))
    picture[above] += INSIDE_LIGHTER
    picture[outside & dots] = OUTSIDE_709
    for area, colour, shown in ((outside, OUTSIDE_709, dashes), (above, ABOVE_WHITE, None)):
        line, halo = _edge(area, width=OUTLINE_PIXELS), _edge(area, width=OUTLINE_PIXELS + 2 * HALO_PIXELS)
        if shown is not None:
            line, halo = line & shown, halo & shown
        picture[halo] = 0
        picture[line] = colour
    return picture


def say_light(shares: tuple[float, ...]) -> str:
    """Caption of a light map."""
    found = ", ".join(f"{_say_percent(share)} at {nits:.0f} or more" for (nits, _), share in zip(CONTOURS, shares, strict=True))
    lines = "; ".join(f"{words} line {nits:.0f}" for (nits, _), words in zip(CONTOURS, ("thin", "stronger", "heavy"), strict=True))
    return f"Luminance in cd/m2, lightness even on the PQ scale. Contours: {lines}. Of this picture {found}."


def say_outlines(*, above_white: float, outside_709: float, white_nits: float, margin_jnd: float) -> str:
    """Caption of outlines; shares of the picture."""
    return (
        f"Where the HDR picture goes beyond SDR white and BT.709. Whole line, lighter inside: largest of R, G and B more than "
        f"{ABOVE_MARGIN_STOPS:g} stops above SDR white ({white_nits:.0f} cd/m2), {_say_percent(above_white)} of the picture. Broken line, "
        f"dotted inside: colour outside BT.709 by more than {margin_jnd:g} JND, {_say_percent(outside_709)} of it. Specks of a few pixels "
        "get no line."
    )


def _say_percent(share: float) -> str:
    percent = 100 * share
    return "no part" if percent == 0 else "less than 0.1 %" if percent < 0.05 else f"{percent:.1f} %"


def _smooth(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.blur(np.ascontiguousarray(picture), (WINDOW_PIXELS, WINDOW_PIXELS)), np.float32)


def _edge(mask: NDArray[np.bool_], *, width: int) -> NDArray[np.bool_]:
    """Pixels along the edge of an area, `width` across; the border of the picture is no edge."""
    inner, outer = (width + 1) // 2, width // 2
    flat = np.ascontiguousarray(mask, np.uint8)
    cross = cv2.getStructuringElement(cv2.MORPH_CROSS, (3, 3))
    grown = cv2.dilate(flat, cross, iterations=outer, borderType=cv2.BORDER_REPLICATE) if outer else flat
    shrunk = cv2.erode(flat, cross, iterations=inner, borderType=cv2.BORDER_REPLICATE)
    return np.asarray((grown > 0) & (shrunk == 0))
