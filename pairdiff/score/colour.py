"""Colour use: picture outside BT.709 and outside P3 by more than a stated margin.

A pixel is outside a gamut when clipping its negative linear components to zero moves it by more than the margin in dE_ITP (BT.2124), so
that chroma noise along the edge does not count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Colour, FloatArray
from pairdiff._settings import Settings
from pairdiff.light.picture import itp_difference, nits_to_itp
from pairdiff.light.primaries import conversion_matrix

LEVEL_BANDS_NITS = (0.0, 1.0, 10.0, 100.0, 300.0, np.inf)
"""Luminance bands of the report, cd/m2 (own)."""
BAND_NAMES = ("under_1_nits", "1_to_10_nits", "10_to_100_nits", "100_to_300_nits", "over_300_nits")
LUMINANCE = (0.2627002, 0.6779981, 0.0593017)
"""BT.2020 luminance weights (second row of its matrix to XYZ)."""


@dataclass(frozen=True, slots=True)
class PictureColour:
    """Colour use of one picture."""

    outside_709_share: float
    outside_p3_share: float
    outside_709_by_level: tuple[float, ...]
    chroma_p99_jnd: float


def outside_gamut(hdr_nits: FloatArray, hdr_itp: FloatArray, *, gamut: str, margin_jnd: float) -> NDArray[np.bool_]:
    """Where a picture leaves a gamut by more than the margin.

    Parameters
    ----------
    hdr_nits : (row, column, 3) linear BT.2020, cd/m2.
    hdr_itp : the same as I, T, P.
    gamut : `bt709` or `p3-d65`.
    margin_jnd : dE_ITP to the clipped colour.

    Returns
    -------
    (row, column) mask.
    """
    inner = hdr_nits @ conversion_matrix("bt2020", gamut).T.astype(np.float32)
    outside = np.zeros(hdr_nits.shape[:2], bool)
    candidate = np.minimum(np.minimum(inner[..., 0], inner[..., 1]), inner[..., 2]) < 0
    if candidate.any():
        clipped = np.maximum(inner[candidate], 0) @ conversion_matrix(gamut, "bt2020").T.astype(np.float32)
        outside[candidate] = itp_difference(nits_to_itp(clipped[None]), hdr_itp[candidate][None])[0] > margin_jnd
    return outside


def measure_colour(hdr_nits: FloatArray, hdr_itp: FloatArray, *, margin_jnd: float) -> PictureColour:
    """Colour use of one picture; arguments as `outside_gamut`."""
    outside = outside_gamut(hdr_nits, hdr_itp, gamut="bt709", margin_jnd=margin_jnd)
    beyond = outside_gamut(hdr_nits, hdr_itp, gamut="p3-d65", margin_jnd=margin_jnd)
    luminance = hdr_nits[outside] @ np.asarray(LUMINANCE, np.float32)
    by_level = np.histogram(luminance, bins=np.asarray(LEVEL_BANDS_NITS))[0] / outside.size
    chroma = np.hypot(hdr_itp[..., 1], hdr_itp[..., 2]) * 720
    return PictureColour(float(outside.mean()), float(beyond.mean()), tuple(map(float, by_level)), float(np.quantile(chroma, 0.99)))


def pool_colour(pictures: Sequence[PictureColour], *, weights: NDArray[np.float64], settings: Settings) -> Colour:
    """Film figures: shares are means over matched time; black-and-white is not applicable."""
    chroma = max(picture.chroma_p99_jnd for picture in pictures)
    if chroma < settings.monochrome_jnd:
        return Colour("not_applicable", None, None, None, chroma)

    def mean(values: Sequence[float]) -> float:
        return float(np.average(values, weights=weights))

    by_level = {name: mean([picture.outside_709_by_level[k] for picture in pictures]) for k, name in enumerate(BAND_NAMES)}
    return Colour("measured", mean([p.outside_709_share for p in pictures]), mean([p.outside_p3_share for p in pictures]), by_level, chroma)
