"""Highlight contrast: local contrast of HDR against SDR at its set-up where the HDR goes above the white of the SDR set.

Recovered detail asks what a clipped SDR has lost; an SDR that rolls off has clipped nothing and flattens instead. Here the local contrast
of both pictures is taken in the same windows, in PQ of luminance, whether the SDR clips or not. Noise is taken off in power: what the pair
itself shows in bright places outside the highlights (`pair_noise`). So grain gives nothing, shared or not; grain that only the highlights
have cannot be told from texture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, HighlightContrast, PairScore
from pairdiff._settings import Settings
from pairdiff._tables import column
from pairdiff.light.picture import mix_to_pq_jnd
from pairdiff.light.transfer import nits_to_pq, pq_to_nits
from pairdiff.score.colour import LUMINANCE
from pairdiff.score.detail import CODE10_JND, NOISE_MARGIN, TEXTURED_JND, WINDOW_DEGREES, WINDOW_FILLED, solid_area
from pairdiff.score.pair_noise import bright_area, bright_noise_jnd
from pairdiff.score.pooling import weighted_quantile
from pairdiff.score.whole import mix, window_moments

AREA_WINDOW_PIXELS = 3
"""Width of the window over which light is averaged before it is asked whether it lies above white (own)."""
RIM_PIXELS = 2
"""Rim of the highlights that is left out, canvas pixels: the slope of a blurred edge is no contrast of a highlight (own)."""


@dataclass(frozen=True, slots=True)
class PictureContrast:
    """Highlight contrast of one picture, medians over the highlights; None where there are none."""

    area_share: float
    """Share of the picture that lies above SDR white, without its rims."""
    hdr_jnd: float | None = None
    sdr_jnd: float | None = None
    gain_jnd: float | None = None
    hdr_stops: float | None = None
    sdr_stops: float | None = None
    gained_share: float | None = None
    """Share of the highlights where the gain is at least `TEXTURED_JND`."""


def measure_contrast(
    hdr_nits: FloatArray, sdr_nits: FloatArray, *, white_nits: float, above_stops: float, film: NDArray[np.bool_], pixels_per_degree: float
) -> PictureContrast:
    """Local contrast of both pictures in the highlights.

    Parameters
    ----------
    hdr_nits, sdr_nits : (row, column, 3) linear BT.2020, cd/m2; SDR at `controls`.
    white_nits : SDR white there.
    above_stops : how far above it a place must lie to belong to the highlights.
    film : (row, column), False where a mark stands still over the film.
    pixels_per_degree : of the pictures.

    Returns
    -------
    PictureContrast; contrast is the standard deviation in a window of half a degree, |dPQ| x 720, and the same divided by what a stop is
    worth at the window's mean (stops).
    """
    hdr = np.maximum(mix(hdr_nits, LUMINANCE), 0)
    level = cv2.blur(hdr, (AREA_WINDOW_PIXELS, AREA_WINDOW_PIXELS))
    area = (solid_area(level > white_nits * 2**above_stops, inwards=RIM_PIXELS) > 0) & film
    share = float(area.mean())
    if not area.any():
        return PictureContrast(share)
    width = max(round(WINDOW_DEGREES * pixels_per_degree) | 1, 3)
    sdr = np.maximum(mix(sdr_nits, LUMINANCE), 0)
    hdr_jnd, sdr_jnd = (mix_to_pq_jnd(nits, LUMINANCE) for nits in (hdr_nits, sdr_nits))
    noise = bright_noise_jnd(hdr_jnd, sdr_jnd, area=bright_area(sdr) & ~area)
    floor = max(CODE10_JND**2, NOISE_MARGIN * noise**2)
    found = window_moments(hdr_jnd, sdr_jnd, area, width=width, mirrored=False)
    usable = found.weight > WINDOW_FILLED
    if not usable.any():  # thin highlights: every window counts
        usable = np.ones(usable.shape, bool)
    hdr_mean, sdr_mean, hdr_power, sdr_power = (one[usable] for one in (found.mean_a, found.mean_b, found.variance_a, found.variance_b))
    gain = np.sqrt(np.maximum(hdr_power - sdr_power - floor, 0))
    hdr_std, sdr_std = (np.sqrt(np.maximum(power - floor, 0)) for power in (hdr_power, sdr_power))
    return PictureContrast(
        share,
        float(np.median(hdr_std)),
        float(np.median(sdr_std)),
        float(np.median(gain)),
        float(np.median(hdr_std / _jnd_per_stop(hdr_mean))),
        float(np.median(sdr_std / _jnd_per_stop(sdr_mean))),
        float((gain >= TEXTURED_JND).mean()),
    )


def _jnd_per_stop(mean_jnd: NDArray[np.float64]) -> NDArray[np.float64]:
    """PQ signal x 720 that one stop is worth at that mean."""
    nits = np.maximum(pq_to_nits(mean_jnd / 720), 1e-3)
    return np.asarray((nits_to_pq(nits * 2**0.5) - nits_to_pq(nits / 2**0.5)) * 720)


def pool_contrast(pictures: Sequence[PairScore], *, weights: NDArray[np.float64], settings: Settings) -> HighlightContrast:
    """Film figures of highlight contrast: medians over pictures by the area of their highlights.

    Parameters
    ----------
    pictures : scored pairs.
    weights : matched time each stands for.
    settings : the least share of a picture.

    Returns
    -------
    HighlightContrast; `not_applicable` where no picture has highlights above SDR white over at least `headroom_area_share`.
    """
    shares = column(pictures, "highlight_share")
    share = float(np.average(shares, weights=weights))
    held = (shares >= settings.headroom_area_share) & ~np.isnan(column(pictures, "contrast_gain_jnd")) & (weights > 0)
    if not held.any():
        return HighlightContrast("not_applicable", share, None, None, None, None, None, None)
    area = (weights * shares)[held]
    hdr_jnd, sdr_jnd, gain_jnd, hdr_stops, sdr_stops = (
        weighted_quantile(column(pictures, f"contrast_{name}")[held], 0.5, weights=area)
        for name in ("hdr_jnd", "sdr_jnd", "gain_jnd", "hdr_stops", "sdr_stops")
    )
    gained = float(np.average(column(pictures, "contrast_gained_share")[held], weights=area))
    return HighlightContrast("measured", share, hdr_jnd, sdr_jnd, gain_jnd, hdr_stops, sdr_stops, gained)
