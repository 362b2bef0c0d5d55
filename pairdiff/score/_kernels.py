"""Compiled inner loops of the measures: arrays in, array out, no checks.

Keep every kernel of this folder in this file: a cached kernel does not notice that one it calls in another file has changed.
"""

from __future__ import annotations

import numpy as np
from numba import njit, prange, types
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


_CODES = [(types.Array(kind, 2, "C", readonly=True),) * 3 for kind in (types.uint8, types.uint16)]
_LINE, _MATRIX, _BOX = types.float32[::1], types.float32[:, ::1], types.int64[::1]
_FLAGS = (types.boolean,) * 4
_PLANE_REST = (_BOX, _LINE, _LINE, _MATRIX, *_FLAGS, _BOX, types.float32, types.uint32[:, ::1], types.uint32[::1])
PLANE_SIGNATURES = [types.float32(*codes, *_PLANE_REST) for codes in _CODES]


@njit(inline="always")
def neighbours(place, halved, cosited, last):  # type: ignore[no-untyped-def]
    """Two neighbours on the small grid of a place on the large one, and the weight of the second."""
    if not halved:
        return place, place, np.float32(0.0)
    near = place // 2
    odd = place % 2
    if cosited:
        return near, min(near + odd, last), np.float32(0.5) * np.float32(odd)
    return near, min(max(near - 1 + 2 * odd, 0), last), np.float32(0.25)


# Reassociation alone lets LLVM do many codes at once; there are no values here that are not numbers.
@njit(PLANE_SIGNATURES, cache=True, nogil=True, fastmath={"nnan", "nsz", "contract", "reassoc"})
def count_plane_levels(  # type: ignore[no-untyped-def]
    first,
    second,
    third,
    size,
    scale,
    offset,
    mix,
    halved_columns,
    halved_rows,
    columns_cosited,
    rows_cosited,
    box,
    steps_per_code,
    inside,
    outside,
):
    """Count max(R', G', B') of Y, Cb and Cr planes in even steps of the signal, in one walk; the largest inside the box is returned.

    `size` (rows, columns) of the picture; rows of the planes may be longer. signal = scale x code + offset; `mix` is the matrix from the
    three signals to R'G'B', whose first column is 1: so the largest component is Y and the largest of three mixes of chroma. Chroma is
    brought to the grid of Y bilinearly. `box`: top, bottom, left, right; `inside` (part, step) is to be added up over its two parts.
    """
    rows, columns = size[0], size[1]
    small_rows = second.shape[0]
    small_columns = (columns + 1) // 2 if halved_columns else columns
    one, half, quarter, most = np.float32(1), np.float32(0.5), np.float32(0.25), np.float32(0.75)
    red = np.empty(small_columns + 2, np.float32)
    green = np.empty(small_columns + 2, np.float32)
    blue = np.empty(small_columns + 2, np.float32)
    level = np.empty(2 * small_columns, np.float32)
    step = np.empty(columns, np.uint16)
    highest = np.full(columns, np.float32(-1e30))
    last = np.float32(inside.shape[1] - 1)
    luma_scale, blue_scale, red_scale = scale[0], scale[1], scale[2]
    luma_offset, blue_offset, red_offset = offset[0], offset[1], offset[2]
    red_of_red, green_of_blue, green_of_red, blue_of_blue = mix[0, 2], mix[1, 1], mix[1, 2], mix[2, 1]
    for row in range(rows):
        upper, lower, weight = neighbours(row, halved_rows, rows_cosited, small_rows - 1)
        rest = one - weight
        for j in range(small_columns):
            b = blue_scale * (rest * np.float32(second[upper, j]) + weight * np.float32(second[lower, j])) + blue_offset
            r = red_scale * (rest * np.float32(third[upper, j]) + weight * np.float32(third[lower, j])) + red_offset
            red[j + 1] = red_of_red * r
            green[j + 1] = green_of_blue * b + green_of_red * r
            blue[j + 1] = blue_of_blue * b
        red[0], green[0], blue[0] = red[1], green[1], blue[1]
        red[-1], green[-1], blue[-1] = red[-2], green[-2], blue[-2]
        if not halved_columns:
            for j in range(small_columns):
                level[j] = max(red[j + 1], max(green[j + 1], blue[j + 1]))
        elif columns_cosited:
            for j in range(small_columns):
                level[2 * j] = max(red[j + 1], max(green[j + 1], blue[j + 1]))
                level[2 * j + 1] = half * max(red[j + 1] + red[j + 2], max(green[j + 1] + green[j + 2], blue[j + 1] + blue[j + 2]))
        else:
            for j in range(small_columns):
                a, b, c = quarter * red[j], quarter * green[j], quarter * blue[j]
                d, e, f = most * red[j + 1], most * green[j + 1], most * blue[j + 1]
                g, h, k = quarter * red[j + 2], quarter * green[j + 2], quarter * blue[j + 2]
                level[2 * j] = max(a + d, max(b + e, c + f))
                level[2 * j + 1] = max(d + g, max(e + h, f + k))
        for column in range(columns):
            level[column] += luma_scale * np.float32(first[row, column]) + luma_offset
        for column in range(columns):
            step[column] = np.uint16(np.int32(min(max(level[column] * steps_per_code + half, np.float32(0)), last)))
        if row < box[0] or row >= box[1]:
            for column in range(columns):
                outside[step[column]] += 1
            continue
        for column in range(columns):  # those outside the box as well: a loop over a part would not be done many at once
            highest[column] = max(highest[column], level[column])
        for column in range(box[2]):
            outside[step[column]] += 1
        for column in range(box[3], columns):
            outside[step[column]] += 1
        seen = step[box[2] : box[3]]
        for pair in range(seen.size // 2):  # two counts, so that a flat picture does not wait for one place of memory
            inside[0, seen[2 * pair]] += 1
            inside[1, seen[2 * pair + 1]] += 1
        if seen.size % 2:
            inside[0, seen[seen.size - 1]] += 1
    top = np.float32(-1e30)
    for column in range(box[2], box[3]):
        top = max(top, highest[column])
    return top


LUMA_SIGNATURES = [
    types.void(types.Array(kind, 2, "C", readonly=True), _BOX, types.int64, types.int64, types.int64[::1])
    for kind in (types.uint8, types.uint16)
]


@njit(LUMA_SIGNATURES, cache=True, nogil=True)
def count_codes(codes, box, spare, shift, out):  # type: ignore[no-untyped-def]
    """Count codes, shifted down, at one place in `spare` of each direction inside a box: top, bottom, left, right."""
    for row in range(box[0], box[1], spare):
        for column in range(box[2], box[3], spare):
            out[codes[row, column] >> shift] += 1
