"""Sums, mixes and windows of whole pictures in one walk each: the checked side of `_picture_kernels.py`."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pairdiff._records import FloatArray
from pairdiff.score import _picture_kernels as kernels


class Moments(NamedTuple):
    """Windows round the places of an area, in the order in which the area's places come; (n,) each."""

    weight: NDArray[np.float32]
    """Share of the window that lies inside the area."""
    mean_a: NDArray[np.float64]
    mean_b: NDArray[np.float64]
    variance_a: NDArray[np.float64]
    covariance: NDArray[np.float64]
    variance_b: NDArray[np.float64]


def flat_pixels(picture: FloatArray) -> NDArray[np.float32]:
    """A picture, (row, column, 3), as (n, 3) float32."""
    return np.ascontiguousarray(picture, np.float32).reshape(-1, 3)


def mix(picture: FloatArray, weights: ArrayLike) -> NDArray[np.float32]:
    """Weighted sum of the three components of each pixel, (row, column)."""
    out = np.empty(picture.shape[:-1], np.float32)
    kernels.mix_channels(flat_pixels(picture), np.asarray(weights, np.float32), out.reshape(-1))
    return out


def mix_by_matrix(picture: FloatArray, matrix: ArrayLike) -> NDArray[np.float32]:
    """Every pixel times a 3 x 3 matrix, (row, column, 3)."""
    out = np.empty(picture.shape, np.float32)
    kernels.mix_three(flat_pixels(picture), np.ascontiguousarray(matrix, np.float32), out.reshape(-1, 3))
    return out


def lowest_mix(picture: FloatArray, matrix: ArrayLike) -> NDArray[np.float32]:
    """Lowest component of every pixel times a 3 x 3 matrix, (row, column)."""
    out = np.empty(picture.shape[:-1], np.float32)
    kernels.lowest_mix(flat_pixels(picture), np.ascontiguousarray(matrix, np.float32), out.reshape(-1))
    return out


def channel_means(picture: FloatArray) -> NDArray[np.float64]:
    """Means of the three components over a picture, (3,), added up in float64."""
    out, flat = np.empty(3), flat_pixels(picture)
    kernels.add_up_channels(flat, out)
    return out / max(len(flat), 1)


def window_moments(a: NDArray[np.float32], b: NDArray[np.float32], area: NDArray[np.bool_], *, width: int, mirrored: bool) -> Moments:
    """Means and second moments of two pictures in the window round each place of an area, from the area alone.

    Parameters
    ----------
    a, b : (row, column) float32.
    area : (row, column).
    width : of the window, odd, pixels.
    mirrored : beyond the picture its places come again, mirrored without repeating the edge; otherwise nothing lies there.

    Returns
    -------
    Moments.
    """
    rows, columns = np.flatnonzero(area.any(1)), np.flatnonzero(area.any(0))
    if not rows.size:
        return Moments(np.empty(0, np.float32), *(np.empty(0) for _ in range(5)))
    reach = width // 2
    part = tuple(
        slice(max(int(side[0]) - reach, 0), min(int(side[-1]) + 1 + reach, length))
        for side, length in zip((rows, columns), area.shape, strict=True)
    )
    first, second = (np.ascontiguousarray(values[part], np.float32) for values in (a, b))
    inside = np.ascontiguousarray(area[part])
    middles = [float(np.mean(values[inside], dtype=np.float64)) for values in (first, second)]
    places = np.count_nonzero(inside)
    weight, out = np.empty(places, np.float32), np.empty((5, places))
    kernels.window_moments(first, second, inside, reach, mirrored, middles[0], middles[1], weight, out)
    return Moments(weight, out[0] + middles[0], out[1] + middles[1], out[2], out[3], out[4])
