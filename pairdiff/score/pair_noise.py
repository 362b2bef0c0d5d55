"""Noise of a matched pair where it is bright: grain and coding, also where they are wider than a pixel.

Where the SDR is bright and not clipped, the HDR follows the tone curve of the grade, and within a small window a line of the SDR; what it
does from pixel to pixel about that line is noise of either copy. Grain that the two copies share follows the line; so what the HDR does
from pixel to pixel where it is flattest counts as noise as well, and the larger of the two is taken.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

NOISE_WINDOW_PIXELS = 17
"""Width of the window in which a line is laid (own)."""
NOISE_WINDOW_FILLED = 0.2
"""Least share of the window that is bright (own)."""
NORMAL_PER_MEDIAN = 1.4826
"""Standard deviation over the median of absolute values (normal distribution)."""
LEAST_SPREAD_JND = 0.25
"""Variance of the SDR level in a window, |dPQ| x 720, below which no line is laid: half a just noticeable difference (own)."""
FINE_WINDOW_PIXELS = 7
"""Width of the window whose mean is taken off, twice, to leave what changes from pixel to pixel (own): twice leaves next to nothing of a
slope or a smooth bend, 0.9 of the power of grain that is two pixels wide, 0.7 of three."""
FLATTEST_SHARE = 0.25
"""Share of bright places that count as the flattest, as in `flat_noise_jnd` (own)."""
BRIGHT_FROM_SHARE, BRIGHT_TO_SHARE = 0.05, 0.9
"""SDR light, as a share of the picture's highest, between which noise is read off the pair (own)."""


def residual_about_line(
    hdr: NDArray[np.float32], sdr: NDArray[np.float32], *, inside: NDArray[np.float32], weight: NDArray[np.float32], least_spread: float
) -> NDArray[np.float32]:
    """What is left of one picture about its line on another in the window round each pixel, from pixels inside an area alone.

    Parameters
    ----------
    hdr, sdr : (row, column), logarithms or PQ.
    inside : (row, column), 1 inside the area, else 0.
    weight : `inside` averaged over the window.
    least_spread : variance of `sdr` below which no line is laid, in its unit squared.

    Returns
    -------
    (row, column), in the unit of `hdr`.
    """
    filled = np.maximum(weight, 1e-6)

    def local_mean(values: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(cv2.blur(values * inside, (NOISE_WINDOW_PIXELS, NOISE_WINDOW_PIXELS)) / filled, np.float32)

    y, x = (values - np.float32(values[inside > 0].mean(dtype=np.float64)) for values in (hdr, sdr))
    mean_y, mean_x = local_mean(y), local_mean(x)
    slope = (local_mean(x * y) - mean_x * mean_y) / (np.maximum(local_mean(x * x) - mean_x * mean_x, 0) + np.float32(least_spread))
    return np.asarray(y - mean_y - slope * (x - mean_x), np.float32)


def bright_noise_jnd(hdr_jnd: NDArray[np.float32], sdr_jnd: NDArray[np.float32], *, area: NDArray[np.bool_]) -> float:
    """Noise of the HDR where it is bright, one standard deviation, |dPQ| x 720: about the SDR, or where it is flattest.

    Parameters
    ----------
    hdr_jnd, sdr_jnd : (row, column), PQ signal x 720, of one channel or of luminance.
    area : (row, column), where the SDR is bright and not clipped.

    Returns
    -------
    Noise; 0 where there is too little of the area.
    """
    if int(area.sum()) < NOISE_WINDOW_PIXELS**2:
        return 0.0
    inside = area.astype(np.float32)
    weight: NDArray[np.float32] = np.asarray(cv2.blur(inside, (NOISE_WINDOW_PIXELS, NOISE_WINDOW_PIXELS)), np.float32)
    usable = area & (weight > NOISE_WINDOW_FILLED)
    if int(usable.sum()) < NOISE_WINDOW_PIXELS**2:
        return 0.0
    residual = residual_about_line(hdr_jnd, sdr_jnd, inside=inside, weight=weight, least_spread=LEAST_SPREAD_JND)
    fine = _less_mean(_less_mean(hdr_jnd))
    power = cv2.blur(fine * fine * inside, (NOISE_WINDOW_PIXELS, NOISE_WINDOW_PIXELS))[usable] / weight[usable]
    flattest = float(np.sqrt(np.quantile(power, FLATTEST_SHARE)))
    return max(float(NORMAL_PER_MEDIAN * np.median(np.abs(residual[usable]))), flattest)


def _less_mean(values: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(values - cv2.blur(values, (FINE_WINDOW_PIXELS, FINE_WINDOW_PIXELS)), np.float32)


def bright_area(sdr_nits: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Where the light of the SDR, (row, column), is bright and well below the highest of the picture."""
    highest = float(sdr_nits.max())
    return np.asarray((sdr_nits > BRIGHT_FROM_SHARE * highest) & (sdr_nits < BRIGHT_TO_SHARE * highest))
