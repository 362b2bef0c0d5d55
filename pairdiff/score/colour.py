"""Colour use: picture outside BT.709 and outside P3 by more than a stated margin.

A place is outside a gamut when clipping its negative linear components to zero moves it by more than the margin in dE_ITP (BT.2124), so
that chroma noise along the edge does not count. Light is averaged over a few pixels first: chroma is coded at half the size and coarsely,
and the colour of a single pixel is not what was graded.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Colour, FloatArray
from pairdiff._settings import Settings
from pairdiff._tables import column
from pairdiff.light.ictcp import JND_SCALE
from pairdiff.light.picture import itp_difference, nits_to_itp
from pairdiff.light.primaries import conversion_matrix
from pairdiff.score._picture_kernels import size_of_chroma
from pairdiff.score.ranks import quantile_of
from pairdiff.score.whole import flat_pixels, lowest_mix

LEVEL_BANDS_NITS = (0.0, 1.0, 10.0, 100.0, 300.0, np.inf)
"""Luminance bands of the report, cd/m2 (own)."""
BAND_NAMES = ("under_1_nits", "1_to_10_nits", "10_to_100_nits", "100_to_300_nits", "over_300_nits")
WINDOW_PIXELS = 5
"""Width of the window over which light is averaged before its gamut is asked for (own)."""
MARGIN_FACTORS = (0.5, 0.75, 1.0, 1.25, 1.5)
"""Multiples of the margin at which the share outside BT.709 is kept, so that the margin can be varied afterwards (own)."""
LUMINANCE = (0.2627002, 0.6779981, 0.0593017)
"""BT.2020 luminance weights (second row of its matrix to XYZ)."""


@dataclass(frozen=True, slots=True)
class PictureColour:
    """Colour use of one picture."""

    outside_709_share: float
    outside_p3_share: float
    outside_709_by_level: tuple[float, ...]
    chroma_p99_jnd: float
    outside_709_by_margin: tuple[float, ...]
    """Share outside BT.709 at each of `MARGIN_FACTORS` x the margin."""


def distance_outside_jnd(hdr_nits: FloatArray, *, gamut: str) -> NDArray[np.float32]:
    """How far each pixel lies outside a gamut, dE_ITP to the clipped colour; 0 inside.

    Parameters
    ----------
    hdr_nits : (row, column, 3) linear BT.2020, cd/m2.
    gamut : `bt709` or `p3-d65`.

    Returns
    -------
    (row, column) distance.
    """
    to_inner = conversion_matrix("bt2020", gamut)
    distance = np.zeros(hdr_nits.shape[:2], np.float32)
    candidate = lowest_mix(hdr_nits, to_inner) < 0
    if candidate.any():
        clipped = np.maximum(hdr_nits[candidate] @ to_inner.T.astype(np.float32), 0) @ conversion_matrix(gamut, "bt2020").T.astype(
            np.float32
        )
        distance[candidate] = itp_difference(nits_to_itp(clipped[None]), nits_to_itp(hdr_nits[candidate][None]))[0]
    return distance


def measure_colour(hdr_nits: FloatArray, hdr_itp: FloatArray, *, margin_jnd: float) -> PictureColour:
    """Colour use of one picture; outside a gamut is what lies further from it than the margin; arguments as `distance_outside_jnd`.

    `hdr_itp` is the picture as I, T, P.
    """
    smooth = np.asarray(cv2.blur(np.ascontiguousarray(hdr_nits, np.float32), (WINDOW_PIXELS, WINDOW_PIXELS)), np.float32)
    distance = distance_outside_jnd(smooth, gamut="bt709")
    outside = distance > margin_jnd
    beyond = distance_outside_jnd(smooth, gamut="p3-d65") > margin_jnd
    luminance = smooth[outside] @ np.asarray(LUMINANCE, np.float32)
    by_level = np.histogram(luminance, bins=np.asarray(LEVEL_BANDS_NITS))[0] / outside.size
    chroma = np.empty(hdr_itp.shape[:2], np.float32)
    size_of_chroma(flat_pixels(hdr_itp), np.float32(JND_SCALE), chroma.reshape(-1))
    by_margin = tuple(float((distance > margin_jnd * factor).mean()) for factor in MARGIN_FACTORS)
    chroma_p99_jnd = quantile_of(chroma, 0.99)
    return PictureColour(float(outside.mean()), float(beyond.mean()), tuple(map(float, by_level)), chroma_p99_jnd, by_margin)


def pool_colour(pictures: Sequence[PictureColour], *, weights: NDArray[np.float64], settings: Settings) -> Colour:
    """Film figures: shares are means over matched time; black-and-white is not applicable."""
    chroma = float(column(pictures, "chroma_p99_jnd").max())
    if chroma < settings.monochrome_jnd:
        return Colour("not_applicable", None, None, None, chroma)

    def mean(values: NDArray[np.float64]) -> float:
        return float(np.average(values, weights=weights))

    outside = column(pictures, "outside_709_by_level")
    by_level = {name: mean(outside[:, k]) for k, name in enumerate(BAND_NAMES)}
    outside_709, outside_p3 = (mean(column(pictures, name)) for name in ("outside_709_share", "outside_p3_share"))
    return Colour("measured", outside_709, outside_p3, by_level, chroma)
