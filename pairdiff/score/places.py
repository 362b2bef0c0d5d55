"""Places of a picture where tone can be compared: medians of small windows in its flatter half.

A window takes away grain and the errors of a codec, whose sign changes from pixel to pixel; the flatter half takes away sharpness and
misregistration. The median of each channel is taken and not its mean, since a grade carries a median over as it is, whatever its curve;
the mean of a textured window is bent by it, and a set-up fitted to means of grass or gravel is off by 3 % in white. Both pictures are
taken as signals (I, T, P; R'G'B'), in which grain is about symmetric.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from pairdiff._records import FloatArray
from pairdiff.light.picture import code_level
from pairdiff.score.ranks import median_of

WINDOW_PIXELS = 5
"""Width of a window, canvas pixels (own)."""


@dataclass(frozen=True, slots=True)
class Places:
    """Window medians at every pixel, and which of them lie in the flatter half."""

    hdr_itp: NDArray[np.float32]
    """I, T, P, (row, column, 3)."""
    sdr_code: NDArray[np.float32]
    """R'G'B' signal, (row, column, 3)."""
    flat: NDArray[np.bool_]
    """(row, column)."""


def measure_slope(level: ArrayLike) -> NDArray[np.float32]:
    """Slope of a smooth picture, (row, column), in steps of eight pixels' differences; the same for the same picture to the last bit.

    Not by `cv2.magnitude`, which rounds by where in memory its arrays happen to lie.
    """
    smooth = np.ascontiguousarray(level, np.float32)
    across, down = cv2.Sobel(smooth, cv2.CV_32F, 1, 0), cv2.Sobel(smooth, cv2.CV_32F, 0, 1)
    return np.asarray(np.sqrt(across * across + down * down), np.float32)


def find_places(hdr_itp: FloatArray, sdr_code: FloatArray, *, left_out: NDArray[np.bool_] | None = None) -> Places:
    """Window medians of a matched pair.

    Parameters
    ----------
    hdr_itp : (row, column, 3) I, T, P of the HDR picture.
    sdr_code : (row, column, 3) SDR R'G'B' signal.
    left_out : (row, column), places that are not asked for, unless they are all; None for none.

    Returns
    -------
    Places; flat where the slope of the averaged SDR level is at most its median over the places that are asked for.
    """
    hdr, sdr = (np.asarray(cv2.medianBlur(np.ascontiguousarray(s, np.float32), WINDOW_PIXELS), np.float32) for s in (hdr_itp, sdr_code))
    return Places(hdr, sdr, find_flat(sdr_code, left_out=left_out))


def find_flat(sdr_code: FloatArray, *, left_out: NDArray[np.bool_] | None = None) -> NDArray[np.bool_]:
    """The flatter half of a picture, (row, column); arguments as `find_places`."""
    mean = cv2.blur(np.ascontiguousarray(sdr_code, np.float32), (WINDOW_PIXELS, WINDOW_PIXELS))
    steep = measure_slope(cv2.blur(code_level(np.asarray(mean)), (3, 3)))
    if left_out is None or not left_out.any() or left_out.all():
        return np.asarray(steep <= median_of(steep))
    asked = ~left_out
    return np.asarray(asked & (steep <= median_of(steep[asked])))


def windows_at(
    picture: FloatArray | NDArray[np.bool_], places: NDArray[np.int64], *, width: int, mirrored: bool = False
) -> NDArray[np.float32]:
    """The windows round some places of a picture.

    Parameters
    ----------
    picture : (row, column) or (row, column, channel).
    places : numbers of the places, row by row, (n,).
    width : of the windows, odd, pixels.
    mirrored : beyond the picture its places come again, mirrored without repeating the edge; otherwise the edge repeats.

    Returns
    -------
    (n, width x width[, channel]) float32.
    """
    rows, columns = picture.shape[:2]
    steps = np.arange(width) - width // 2

    def along(place: NDArray[np.int64], size: int) -> NDArray[np.int64]:
        wanted = place[:, None] + steps
        if mirrored and size > 1:
            wanted = np.abs(wanted)
            wanted = np.where(wanted >= size, 2 * (size - 1) - wanted, wanted)
        return np.asarray(np.clip(wanted, 0, size - 1))

    row, column = along(places // columns, rows), along(places % columns, columns)
    found = picture[row[:, :, None], column[:, None, :]]
    return np.asarray(found.reshape(len(places), width * width, *picture.shape[2:]), np.float32)


def medians_at(picture: FloatArray, places: NDArray[np.int64]) -> NDArray[np.float32]:
    """What `find_places` has at some places of a picture, (row, column) or (row, column, channel): medians of the windows round them."""
    windows, middle = windows_at(picture, places, width=WINDOW_PIXELS), WINDOW_PIXELS**2 // 2
    return np.ascontiguousarray(np.partition(windows, middle, axis=1)[:, middle], np.float32)
