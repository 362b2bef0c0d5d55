"""Compiled inner loop of `notice.py`: arrays in, array out, no checks. float32 pictures, sums in double.

One thread: a band is a millisecond or two of work, and waiting for a second thread costs more than it saves on a busy machine.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]


@njit(cache=True, nogil=True, fastmath=True)
def sum_band(
    hdr: F32,
    hdr_slow: F32,
    sdr: F32,
    sdr_slow: F32,
    hdr_light: F32,
    sdr_light: F32,
    table: F32,
    noise_power: np.float32,
    masking: np.float32,
    energy: F64,
) -> None:
    """Add up (w d)^4 / (1 + masking (w m)^3) row by row into `energy` (row,).

    Each band is a picture (row, column) less its slow part; its local contrast is the root mean square over 3 x 3 pixels, mirrored at
    the edges without repeating the edge. d^2 is the squared difference of the two local contrasts less `noise_power` (never below 0),
    m the larger of them, w the entry of `table` (even steps from 0 to 1) at the mean of the two lights. At least two rows and columns.
    """
    rows, columns = hdr.shape
    last = table.size - 1
    ninth = np.float32(1.0 / 9.0)
    nothing = np.float32(0.0)
    one = np.float32(1.0)
    half = np.float32(0.5 * last)
    for row in range(rows):
        above = row - 1 if row > 0 else 1
        below = row + 1 if row < rows - 1 else rows - 2
        first = np.empty(columns + 2, np.float32)
        second = np.empty(columns + 2, np.float32)
        for column in range(columns):
            up = hdr[above, column] - hdr_slow[above, column]
            here = hdr[row, column] - hdr_slow[row, column]
            down = hdr[below, column] - hdr_slow[below, column]
            first[column + 1] = up * up + here * here + down * down
            up = sdr[above, column] - sdr_slow[above, column]
            here = sdr[row, column] - sdr_slow[row, column]
            down = sdr[below, column] - sdr_slow[below, column]
            second[column + 1] = up * up + here * here + down * down
        first[0], first[columns + 1] = first[2], first[columns - 1]
        second[0], second[columns + 1] = second[2], second[columns - 1]
        total = 0.0
        for column in range(columns):
            position = min(max(half * (hdr_light[row, column] + sdr_light[row, column]), nothing), np.float32(last))
            place = min(int(position), last - 1)
            weight = table[place] + (position - np.float32(place)) * (table[place + 1] - table[place])
            left = math.sqrt(ninth * (first[column] + first[column + 1] + first[column + 2]))
            right = math.sqrt(ninth * (second[column] + second[column + 1] + second[column + 2]))
            apart = left - right
            mask = weight * max(left, right)
            seen = weight * weight * max(apart * apart - noise_power, nothing)
            total += np.float64(seen * seen / (one + masking * mask * mask * mask))
        energy[row] = total
