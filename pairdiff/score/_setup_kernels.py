"""Kernel of the set-up fit: mean |dI| per picture at one white and one gamma. Arrays in, array out, no checks."""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

# ST 2084 constants as the standard prints them (fractions of 4096 and 16384).
M1 = 2610 / 16384
M2 = 2523 / 4096 * 128
C1 = 3424 / 4096
C2 = 2413 / 4096 * 32
C3 = 2392 / 4096 * 32
"""PQ (ST 2084:2014; BT.2100-2 Table 4)."""


@njit(cache=True, nogil=True)
def _pq(nits: float) -> float:
    power = (nits / 10000.0) ** M1
    return float(((C1 + C2 * power) / (1.0 + C3 * power)) ** M2)


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
        out[n] = 0.5 * (_pq(long) + _pq(medium))
    return out
