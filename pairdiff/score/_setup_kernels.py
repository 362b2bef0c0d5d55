"""Kernel of the set-up fit: mean |dI| per picture at one white and one gamma. Arrays in, array out, no checks."""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from pairdiff.light._kernels import encode_pq


@njit(cache=True, nogil=True, parallel=True)
def sdr_intensity(log_code: NDArray[np.float64], to_lm: NDArray[np.float64], log_white: float, gamma: float) -> NDArray[np.float64]:
    """ICtCp intensity of SDR pixels at a white and a gamma; `log_code` is the natural log of the signal, (n, 3)."""
    out = np.empty(log_code.shape[0])
    for n in prange(log_code.shape[0]):
        r = np.exp(log_white + gamma * log_code[n, 0])
        g = np.exp(log_white + gamma * log_code[n, 1])
        b = np.exp(log_white + gamma * log_code[n, 2])
        long = to_lm[0, 0] * r + to_lm[0, 1] * g + to_lm[0, 2] * b
        medium = to_lm[1, 0] * r + to_lm[1, 1] * g + to_lm[1, 2] * b
        out[n] = 0.5 * (encode_pq(long) + encode_pq(medium))
    return out
