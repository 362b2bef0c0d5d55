"""Compiled inner loops of `notice.py`: arrays in, array out, no checks. float32 pictures, sums in double."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]


@njit(cache=True, nogil=True, parallel=True, fastmath=True)
def split_band(hdr: F32, hdr_slow: F32, sdr: F32, sdr_slow: F32, noise_power: np.float32, power: F32, contrast: F32) -> None:
    """Squared difference of two bands less `noise_power` (never below 0), and the larger of the two contrasts.

    All pictures are (row, column, channel); a band is the picture less its slow part.
    """
    rows, columns, channels = hdr.shape
    nothing = np.float32(0.0)
    for row in prange(rows):
        for column in range(columns):
            for channel in range(channels):
                first = hdr[row, column, channel] - hdr_slow[row, column, channel]
                second = sdr[row, column, channel] - sdr_slow[row, column, channel]
                apart = first - second
                power[row, column, channel] = max(apart * apart - noise_power, nothing)
                contrast[row, column, channel] = max(abs(first), abs(second))


@njit(cache=True, nogil=True, parallel=True, fastmath=True)
def sum_band(
    power: F32, contrast: F32, hdr_slow: F32, sdr_slow: F32, achromatic: F32, points_per_unit: np.float32, chromatic: F32,
    masking: np.float32, energy: F64,
) -> None:
    """Add up (w d)^4 / (1 + masking (w m)^3) row by row into `energy` (row,).

    `power` is d^2, `contrast` m. The weight of channel 0 is read from the table `achromatic` at the mean of the slow parts of that
    channel, `points_per_unit` table steps for one unit of it; those of the others stand in `chromatic`.
    """
    rows, columns, channels = power.shape
    last = achromatic.size - 1
    one = np.float32(1.0)
    for row in prange(rows):
        total = 0.0
        for column in range(columns):
            position = np.float32(0.5) * (hdr_slow[row, column, 0] + sdr_slow[row, column, 0]) * points_per_unit
            position = min(max(position, np.float32(0.0)), np.float32(last))
            place = min(np.int64(position), last - 1)
            weight = achromatic[place] + (position - np.float32(place)) * (achromatic[place + 1] - achromatic[place])
            for channel in range(channels):
                if channel > 0:
                    weight = chromatic[channel - 1]
                mask = weight * contrast[row, column, channel]
                seen = weight * weight * power[row, column, channel]
                total += np.float64(seen * seen / (one + masking * mask * mask * mask))
        energy[row] = total
