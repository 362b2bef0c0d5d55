"""Compiled loops over raw planes: arrays in, array out, no checks. The public wrappers are `planes.planes_to_rgb` and those of `fields`."""

from __future__ import annotations

import numpy as np
from numba import njit, prange, types

# One signature for 8-bit and one for 16-bit planes; a read-only array of any layout accepts padded, contiguous and writable views alike.
_PLANES = [(types.Array(kind, 2, "A", readonly=True),) * 3 for kind in (types.uint8, types.uint16)]
_LINE, _MATRIX, _PICTURE = types.float32[::1], types.float32[:, ::1], types.float32[:, :, ::1]
_REST = (_LINE, _LINE, _MATRIX, types.boolean, types.boolean, types.boolean, types.boolean, _PICTURE)
SIGNATURES = [types.void(*planes, *_REST) for planes in _PLANES]


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


@njit(SIGNATURES, cache=True, nogil=True, parallel=True)
def mix_planes(first, second, third, scale, offset, mix, halved_columns, halved_rows, columns_cosited, rows_cosited, out):  # type: ignore[no-untyped-def]
    """Write mix @ (scale x code + offset) of three planes; the second and third are brought to the grid of the first bilinearly."""
    rows, columns = first.shape
    small_rows, small_columns = second.shape
    one = np.float32(1.0)
    for row in prange(rows):  # its index is unsigned, and unsigned with signed makes a float: hence int64 below
        upper, lower, weight = neighbours(np.int64(row), halved_rows, rows_cosited, small_rows - 1)
        second_row = np.empty(small_columns, np.float32)
        third_row = np.empty(small_columns, np.float32)
        for column in range(small_columns):
            code = (one - weight) * np.float32(second[upper, column]) + weight * np.float32(second[lower, column])
            second_row[column] = scale[1] * code + offset[1]
            code = (one - weight) * np.float32(third[upper, column]) + weight * np.float32(third[lower, column])
            third_row[column] = scale[2] * code + offset[2]
        for column in range(columns):
            near, far, across = neighbours(np.int64(column), halved_columns, columns_cosited, small_columns - 1)
            a = scale[0] * np.float32(first[row, column]) + offset[0]
            b = (one - across) * second_row[near] + across * second_row[far]
            c = (one - across) * third_row[near] + across * third_row[far]
            out[row, column, 0] = mix[0, 0] * a + mix[0, 1] * b + mix[0, 2] * c
            out[row, column, 1] = mix[1, 0] * a + mix[1, 1] * b + mix[1, 2] * c
            out[row, column, 2] = mix[2, 0] * a + mix[2, 1] * b + mix[2, 2] * c


_ROWS = [types.Array(kind, 3, "C", readonly=True) for kind in (types.uint8, types.uint16)]
WEAVE_SIGNATURES = [types.void(one, one, types.int64[::1]) for one in _ROWS]


@njit(inline="always")
def comb(upper, middle, lower):  # type: ignore[no-untyped-def]
    """How far a code lies outside those of both rows beside it."""
    return max(min(upper, lower) - middle, 0) + max(middle - max(upper, lower), 0)


@njit(WEAVE_SIGNATURES, cache=True, nogil=True)
def add_weaves(before, after, out):  # type: ignore[no-untyped-def]
    """Add up the combing of two frames and of both ways to exchange their fields, and the squares of five differences of them.

    Strips of rows begin with an even row. Combing is counted at as many odd as even rows, so that neither field has the better places.
    """
    strips, rows, columns = before.shape
    for number in range(strips):
        for middle in range(1, rows - 1):
            own = np.zeros(4, np.int64)
            squares = np.zeros(5, np.int64)
            for column in range(columns):
                p0, p1 = np.int32(before[number, middle - 1, column]), np.int32(before[number, middle, column])
                p2 = np.int32(before[number, middle + 1, column])
                c0, c1 = np.int32(after[number, middle - 1, column]), np.int32(after[number, middle, column])
                c2 = np.int32(after[number, middle + 1, column])
                first, second, inner, outer = comb(p0, p1, p2), comb(c0, c1, c2), comb(c0, p1, c2), comb(p0, c1, p2)
                own[0] += first
                own[1] += second
                own[2] += inner
                own[3] += outer
                squares[0] += np.int64(first - inner) * (first - inner)
                squares[1] += np.int64(first - outer) * (first - outer)
                squares[2] += np.int64(second - inner) * (second - inner)
                squares[3] += np.int64(second - outer) * (second - outer)
                squares[4] += np.int64(inner - outer) * (inner - outer)
            top, bottom = (2, 3) if middle % 2 == 1 else (3, 2)  # beside an odd row lie even ones: there `inner` has the later top field
            out[0] += own[0]
            out[1] += own[1]
            out[top] += own[2]
            out[bottom] += own[3]
            out[2 + top] += squares[0]
            out[2 + bottom] += squares[1]
            out[4 + top] += squares[2]
            out[4 + bottom] += squares[3]
            out[8] += squares[4]
