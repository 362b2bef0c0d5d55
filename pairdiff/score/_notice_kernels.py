"""Compiled inner loops of `notice.py`: arrays in, array out, no checks. float32 pictures, sums in double.

One thread: a band is a millisecond or two of work, and waiting for a second thread costs more than it saves on a busy machine.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
BLOCK = 4
"""Rows and columns of the blocks of `block_noise`."""


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
def block_noise(hdr: F32, hdr_slow: F32, sdr: F32, sdr_slow: F32, noise: F32, contrast: F32) -> None:
    """Mean powers in each block of `BLOCK` x `BLOCK` pixels, (row // BLOCK, column // BLOCK): what a band does not share, and the larger.

    With powers h, s and product p of the two bands, noise is max(h - p^2 / s, s - p^2 / h), what a line through the origin leaves, and
    contrast max(h, s).
    """
    tiny = np.float32(1e-20)
    nothing = np.float32(0.0)
    share = np.float32(1.0 / (BLOCK * BLOCK))
    columns = noise.shape[1] * BLOCK
    own, others, shared = np.empty(columns, np.float32), np.empty(columns, np.float32), np.empty(columns, np.float32)
    for row in range(noise.shape[0]):
        own[:], others[:], shared[:] = nothing, nothing, nothing
        for y in range(row * BLOCK, row * BLOCK + BLOCK):
            for x in range(columns):
                one = hdr[y, x] - hdr_slow[y, x]
                other = sdr[y, x] - sdr_slow[y, x]
                own[x] += one * one
                others[x] += other * other
                shared[x] += one * other
        for column in range(noise.shape[1]):
            h, s, p = nothing, nothing, nothing
            for x in range(column * BLOCK, column * BLOCK + BLOCK):
                h += own[x]
                s += others[x]
                p += shared[x]
            noise[row, column] = share * max(h - p * p / max(s, tiny), s - p * p / max(h, tiny), nothing)
            contrast[row, column] = share * max(h, s)


@njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
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
    coherent: bool,
    energy: F64,
) -> None:
    """Add up (w d)^4 / (1 + masking (w m)^3) row by row into `energy` (row,).

    Each band is a picture (row, column) less its slow part; powers are means over 3 x 3 pixels, mirrored at the edges without repeating
    the edge. `coherent`: d^2 is the power of the difference of the two bands less `noise_power`, never below 0. Otherwise d is the
    difference of the two powers, less `noise_power` and never below 0, over the sum of the two local contrasts (their square roots):
    where nothing is taken off, the difference of the local contrasts. m is the larger local contrast, w the entry of `table` (even steps
    from 0 to 1; one of two entries holds the same twice) at the mean of the two lights. At least two rows and columns.
    """
    rows, columns = hdr.shape
    last = table.size - 1
    ninth = np.float32(1.0 / 9.0)
    nothing = np.float32(0.0)
    tiny = np.float32(1e-12)
    one = np.float32(1.0)
    half = np.float32(0.5 * last)
    first = np.empty(columns + 2, np.float32)
    second = np.empty(columns + 2, np.float32)
    apart = np.empty(columns + 2, np.float32)
    weights = np.full(columns, table[0], np.float32)
    for row in range(rows):
        above = row - 1 if row > 0 else 1
        below = row + 1 if row < rows - 1 else rows - 2
        for column in range(columns):
            a = hdr[above, column] - hdr_slow[above, column]
            b = hdr[row, column] - hdr_slow[row, column]
            c = hdr[below, column] - hdr_slow[below, column]
            d = sdr[above, column] - sdr_slow[above, column]
            e = sdr[row, column] - sdr_slow[row, column]
            f = sdr[below, column] - sdr_slow[below, column]
            first[column + 1] = a * a + b * b + c * c
            second[column + 1] = d * d + e * e + f * f
            apart[column + 1] = (a - d) * (a - d) + (b - e) * (b - e) + (c - f) * (c - f)
        first[0], first[columns + 1] = first[2], first[columns - 1]
        second[0], second[columns + 1] = second[2], second[columns - 1]
        apart[0], apart[columns + 1] = apart[2], apart[columns - 1]
        if last > 1:  # a table of two entries is the same everywhere
            for column in range(columns):
                position = min(max(half * (hdr_light[row, column] + sdr_light[row, column]), nothing), np.float32(last))
                place = min(int(position), last - 1)
                weights[column] = table[place] + (position - np.float32(place)) * (table[place + 1] - table[place])
        total = 0.0
        for column in range(columns):
            weight = weights[column]
            left = ninth * (first[column] + first[column + 1] + first[column + 2])
            right = ninth * (second[column] + second[column + 1] + second[column + 2])
            larger = math.sqrt(max(left, right))
            if coherent:
                power = max(ninth * (apart[column] + apart[column + 1] + apart[column + 2]) - noise_power, nothing)
            else:
                over = max(abs(left - right) - noise_power, nothing) / (larger + math.sqrt(min(left, right)) + tiny)
                power = over * over
            mask = weight * larger
            seen = weight * weight * power
            total += np.float64(seen * seen / (one + masking * mask * mask * mask))
        energy[row] = total
