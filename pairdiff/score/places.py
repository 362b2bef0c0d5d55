"""Places of a picture where tone can be compared: means of small windows in its flatter half.

A window takes away grain and the errors of a codec, whose sign changes from pixel to pixel; the flatter half takes away sharpness and
misregistration. Both pictures are averaged as signals (I, T, P; R'G'B'), since grain that is symmetric in the signal lifts the mean light
of dark areas; over so few pixels of a flat area the order of averaging and conversion does not matter otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray

WINDOW_PIXELS = 5
"""Width of a window, canvas pixels (own)."""


@dataclass(frozen=True, slots=True)
class Places:
    """Window means at every pixel, and which of them lie in the flatter half."""

    hdr_itp: NDArray[np.float32]
    """I, T, P, (row, column, 3)."""
    sdr_code: NDArray[np.float32]
    """R'G'B' signal, (row, column, 3)."""
    flat: NDArray[np.bool_]
    """(row, column)."""


def find_places(hdr_itp: FloatArray, sdr_code: FloatArray) -> Places:
    """Window means of a matched pair.

    Parameters
    ----------
    hdr_itp : (row, column, 3) I, T, P of the HDR picture.
    sdr_code : (row, column, 3) SDR R'G'B' signal.

    Returns
    -------
    Places; flat where the slope of the averaged SDR level is at most its median.
    """
    size = (WINDOW_PIXELS, WINDOW_PIXELS)
    hdr, sdr = (np.asarray(cv2.blur(np.ascontiguousarray(s, np.float32), size), np.float32) for s in (hdr_itp, sdr_code))
    level = cv2.blur(np.ascontiguousarray(sdr.max(-1)), (3, 3))
    steep = cv2.magnitude(cv2.Sobel(level, cv2.CV_32F, 1, 0), cv2.Sobel(level, cv2.CV_32F, 0, 1))
    return Places(hdr, sdr, np.asarray(steep <= np.median(steep)))
