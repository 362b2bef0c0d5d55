"""Area-average resampling: arrays in, array out, no checks."""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray


@njit(cache=True, nogil=True, parallel=True)
def average_rows(picture: NDArray[np.float32], edges: NDArray[np.float64], out: NDArray[np.float32]) -> None:
    """out[i] = mean of picture over rows edges[i] to edges[i + 1] (sub-pixel), picture (row, n)."""
    for i in prange(out.shape[0]):
        start, stop = edges[i], edges[i + 1]
        first, last = int(np.floor(start)), int(np.ceil(stop))
        out[i, :] = 0
        for row in range(first, last):
            weight = np.float32((min(stop, row + 1.0) - max(start, float(row))) / (stop - start))
            source = min(max(row, 0), picture.shape[0] - 1)
            for n in range(picture.shape[1]):
                out[i, n] += weight * picture[source, n]


@njit(cache=True, nogil=True, parallel=True)
def average_columns(picture: NDArray[np.float32], edges: NDArray[np.float64], out: NDArray[np.float32]) -> None:
    """out[:, j] = mean of picture over columns edges[j] to edges[j + 1] (sub-pixel), picture (row, column, channel)."""
    for row in prange(picture.shape[0]):
        for j in range(out.shape[1]):
            start, stop = edges[j], edges[j + 1]
            first, last = int(np.floor(start)), int(np.ceil(stop))
            for channel in range(picture.shape[2]):
                total = np.float32(0)
                for column in range(first, last):
                    weight = np.float32((min(stop, column + 1.0) - max(start, float(column))) / (stop - start))
                    total += weight * picture[row, min(max(column, 0), picture.shape[1] - 1), channel]
                out[row, j, channel] = total
