"""Compiled inner loops of the measures: arrays in, array out, no checks.

Keep every kernel of this folder in this file: a cached kernel does not notice that one it calls in another file has changed.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]


@njit(cache=True, nogil=True, parallel=True)
def count_code_levels(
    code: F32,
    box: I64,
    table: F64,
    points_per_code: float,
    bins_per_code: float,
    counts: I64,
    largest: F32,
    inside: F64,
    whole: F64,
) -> None:
    """Count max(R', G', B') of a (row, column, 3) signal, and add up the light it stands for.

    `counts` is (chunk, bin); the other three are (row,) and hold the largest level inside the box and the sums of light inside it and
    everywhere. `box`: top, bottom, left, right. `table`: cd/m2 at even steps of the signal.
    """
    rows, columns = code.shape[0], code.shape[1]
    chunks, bins = counts.shape
    last = table.size - 1
    for chunk in prange(chunks):
        for row in range(chunk * rows // chunks, (chunk + 1) * rows // chunks):
            row_inside = row >= box[0] and row < box[1]
            top = np.float32(-np.inf)
            sum_inside = 0.0
            sum_whole = 0.0
            for column in range(columns):
                level = max(code[row, column, 0], max(code[row, column, 1], code[row, column, 2]))
                position = float(level) * points_per_code
                if not position > 0.0:
                    light = table[0]
                elif position >= last:
                    light = table[last]
                else:
                    place = int(position)
                    light = table[place] + (position - place) * (table[place + 1] - table[place])
                sum_whole += light
                if row_inside and column >= box[2] and column < box[3]:
                    sum_inside += light
                    top = max(top, level)
                    if not level > 0.0:
                        counts[chunk, 0] += 1
                    else:
                        counts[chunk, min(int(float(level) * bins_per_code + 0.5), bins - 1)] += 1
            largest[row] = top
            inside[row] = sum_inside
            whole[row] = sum_whole


@njit(cache=True, nogil=True, parallel=True)
def count_light_levels(
    nits: F32,
    box: I64,
    edges: F32,
    starts: I64,
    first_bits: int,
    shift: int,
    counts: I64,
    largest: F32,
    inside: F64,
    whole: F64,
) -> None:
    """Count max(R, G, B) of a (row, column, 3) linear picture in bins of rising edges, and add it up.

    `starts` gives, for each step of the float32's bits, the bin at which to begin looking. The rest as `count_code_levels`.
    """
    rows, columns = nits.shape[0], nits.shape[1]
    chunks = counts.shape[0]
    for chunk in prange(chunks):
        for row in range(chunk * rows // chunks, (chunk + 1) * rows // chunks):
            row_inside = row >= box[0] and row < box[1]
            top = np.float32(-np.inf)
            sum_inside = 0.0
            sum_whole = 0.0
            for column in range(columns):
                level = max(nits[row, column, 0], max(nits[row, column, 1], nits[row, column, 2]))
                if level > 0.0:
                    sum_whole += level
                if row_inside and column >= box[2] and column < box[3]:
                    top = max(top, level)
                    if level > 0.0:
                        sum_inside += level
                    if not level >= edges[0]:
                        counts[chunk, 0] += 1
                    else:
                        step = (np.int64(np.float32(level).view(np.int32)) - first_bits) >> shift
                        place = starts[step if step < starts.size else starts.size - 1]
                        while level >= edges[place]:
                            place += 1
                        counts[chunk, place] += 1
            largest[row] = top
            inside[row] = sum_inside
            whole[row] = sum_whole
