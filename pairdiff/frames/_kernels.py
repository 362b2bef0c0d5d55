"""Compiled loops over raw planes: arrays in, array out, no checks. The public wrapper is `planes.planes_to_rgb`."""

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
