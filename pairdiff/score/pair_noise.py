"""Noise of a matched pair where it is bright: grain and coding, also where they are wider than a pixel.

Where the SDR is bright and not clipped, the HDR follows the tone curve of the grade, and within a small block a line of the SDR; what it
does from pixel to pixel about that line is noise of either copy. Grain that the two copies share follows the line; so what the HDR does
from pixel to pixel where it is flattest counts as noise as well, and the larger of the two is taken.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff.score import _picture_kernels as kernels

BLOCK_PIXELS = 16
"""Side of the blocks in which a line is laid (own)."""
BLOCK_FILLED = 0.5
"""Least share of a block that is bright (own)."""
LEAST_SPREAD_JND = 0.25
"""Variance of the SDR level in a block, |dPQ| x 720, below which no line is laid: half a just noticeable difference, squared (own)."""
FINE_WINDOW_PIXELS = 7
"""Width of the window whose mean is taken off, twice, to leave what changes from pixel to pixel (own): twice leaves next to nothing of a
slope or a smooth bend, 0.9 of the power of grain that is two pixels wide, 0.7 of three."""
FLATTEST_SHARE = 0.02
"""Share of bright blocks that count as the flattest (own): a quarter of a busy picture is texture, which is no noise."""
BRIGHT_FROM_SHARE, BRIGHT_TO_SHARE = 0.05, 0.9
"""SDR light, as a share of the picture's highest, between which noise is read off the pair (own)."""


def bright_noise_jnd(hdr_jnd: NDArray[np.float32], sdr_jnd: NDArray[np.float32], *, area: NDArray[np.bool_]) -> float:
    """Noise of the HDR where it is bright, one standard deviation, |dPQ| x 720: about the SDR, or where it is flattest.

    Parameters
    ----------
    hdr_jnd, sdr_jnd : (row, column), PQ signal x 720, of one channel or of luminance.
    area : (row, column), where the SDR is bright and not clipped.

    Returns
    -------
    Noise, the median over blocks; 0 where no block is bright.
    """
    rows, columns = (length // BLOCK_PIXELS * BLOCK_PIXELS for length in area.shape)
    if not (rows and columns):
        return 0.0
    inside = np.ascontiguousarray(area[:rows, :columns])
    sums = np.empty((7, rows // BLOCK_PIXELS, columns // BLOCK_PIXELS))
    least = BLOCK_FILLED * BLOCK_PIXELS**2
    if np.count_nonzero(inside) < least:
        return 0.0
    hdr, sdr = (np.ascontiguousarray(values[:rows, :columns], np.float32) for values in (hdr_jnd, sdr_jnd))
    middle = float(np.mean(hdr, dtype=np.float64))
    kernels.block_moments(hdr, sdr, _less_mean(_less_mean(hdr - np.float32(middle))), inside, BLOCK_PIXELS, least, middle, sums)
    usable = sums[0] >= least
    if not usable.any():
        return 0.0
    mean_y, mean_x, yy, xy, xx, fine = (one[usable] / sums[0][usable] for one in sums[1:])
    spread_x, spread_y = xx - mean_x**2, yy - mean_y**2
    about_line = spread_y - (xy - mean_x * mean_y) ** 2 / (np.maximum(spread_x, 0) + LEAST_SPREAD_JND)
    return float(np.sqrt(max(np.median(about_line), np.quantile(fine, FLATTEST_SHARE), 0.0)))


def _less_mean(values: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(values - cv2.blur(values, (FINE_WINDOW_PIXELS, FINE_WINDOW_PIXELS)), np.float32)


def bright_area(sdr_nits: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Where the light of the SDR, (row, column), is bright and well below the highest of the picture."""
    highest = float(sdr_nits.max())
    return np.asarray((sdr_nits > BRIGHT_FROM_SHARE * highest) & (sdr_nits < BRIGHT_TO_SHARE * highest))
