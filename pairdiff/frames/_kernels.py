"""Compiled loops over raw planes: arrays in, array out, no checks. The public wrappers are those of `planes` and of `fields`."""

from __future__ import annotations

import numpy as np
from numba import njit, prange, types

from pairdiff.frames._kind_kernels import by_kind
from pairdiff.frames._short_kernels import larger, minus, plus, smaller, with_square, with_value

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


@by_kind(SIGNATURES, parallel=True)
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


_FLAGS = (types.boolean,) * 4
ROW_SIGNATURES = [types.void(*planes, _LINE, _LINE, _MATRIX, *_FLAGS, types.int64, _PICTURE) for planes in _PLANES]
_EDGES = types.float64[::1]
_LIGHT = (_LINE, types.float32, _MATRIX, types.boolean, _EDGES, _EDGES, _PICTURE)
CANVAS_SIGNATURES = [types.void(*planes, _LINE, _LINE, _MATRIX, *_FLAGS, *_LIGHT) for planes in _PLANES]


@njit(inline="always")
def mix_row(  # type: ignore[no-untyped-def]
    row, first, second, third, scale, offset, mix, halved_columns, halved_rows, columns_cosited, rows_cosited, second_row, third_row, line
):
    """One row of `mix_planes`, (column, 3); `second_row` and `third_row` are its work space."""
    one = np.float32(1.0)
    small_rows, small_columns = second.shape
    upper, lower, weight = neighbours(row, halved_rows, rows_cosited, small_rows - 1)
    for column in range(small_columns):
        code = (one - weight) * np.float32(second[upper, column]) + weight * np.float32(second[lower, column])
        second_row[column] = scale[1] * code + offset[1]
        code = (one - weight) * np.float32(third[upper, column]) + weight * np.float32(third[lower, column])
        third_row[column] = scale[2] * code + offset[2]
    for column in range(first.shape[1]):
        near, far, across = neighbours(column, halved_columns, columns_cosited, small_columns - 1)
        a = scale[0] * np.float32(first[row, column]) + offset[0]
        b = (one - across) * second_row[near] + across * second_row[far]
        c = (one - across) * third_row[near] + across * third_row[far]
        line[column, 0] = mix[0, 0] * a + mix[0, 1] * b + mix[0, 2] * c
        line[column, 1] = mix[1, 0] * a + mix[1, 1] * b + mix[1, 2] * c
        line[column, 2] = mix[2, 0] * a + mix[2, 1] * b + mix[2, 2] * c


@njit(ROW_SIGNATURES, cache=True, nogil=True)
def mix_some_rows(  # type: ignore[no-untyped-def]
    first, second, third, scale, offset, mix, halved_columns, halved_rows, columns_cosited, rows_cosited, step, out
):
    """Every `step`th row of what `mix_planes` writes."""
    second_row, third_row = np.empty(second.shape[1], np.float32), np.empty(second.shape[1], np.float32)
    for n in range(out.shape[0]):
        mix_row(
            n * step,
            first,
            second,
            third,
            scale,
            offset,
            mix,
            halved_columns,
            halved_rows,
            columns_cosited,
            rows_cosited,
            second_row,
            third_row,
            out[n],
        )


@njit(inline="always")
def read_table(x, table, points_per_unit):  # type: ignore[no-untyped-def]
    """Value at `x` of a table at even steps from 0, linear between two; beyond the ends (not a number: below) that of the end."""
    position = x * points_per_unit
    if not position > np.float32(0.0):
        return table[0]
    if position >= np.float32(table.size - 1):
        return table[table.size - 1]
    place = np.int64(position)
    return table[place] + (position - np.float32(place)) * (table[place + 1] - table[place])


@njit(CANVAS_SIGNATURES, cache=True, nogil=True, error_model="numpy")
def average_light(  # type: ignore[no-untyped-def]
    first,
    second,
    third,
    scale,
    offset,
    mix,
    halved_columns,
    halved_rows,
    columns_cosited,
    rows_cosited,
    table,
    points_per_unit,
    matrix,
    changes,
    row_edges,
    column_edges,
    out,
):
    """Light of three planes, averaged over the cells of a grid: `mix_planes`, a table for each component, a matrix when asked, means.

    One source row is held at a time. Sums run down the rows of a cell first, then across, both in single precision.
    """
    columns = first.shape[1]
    second_row, third_row = np.empty(second.shape[1], np.float32), np.empty(second.shape[1], np.float32)
    line, tall = np.empty((columns, 3), np.float32), np.empty((columns, 3), np.float32)
    begins = np.empty(out.shape[1], np.int64)
    longest = 0
    for j in range(out.shape[1]):
        longest = max(longest, int(np.ceil(column_edges[j + 1])) - int(np.floor(column_edges[j])))
    shares = np.zeros((out.shape[1], longest), np.float32)
    for j in range(out.shape[1]):
        start, stop = column_edges[j], column_edges[j + 1]
        begins[j] = np.int64(np.floor(start))
        for n in range(np.int64(np.ceil(stop)) - begins[j]):
            column = begins[j] + n
            shares[j, n] = np.float32((min(stop, column + 1.0) - max(start, float(column))) / (stop - start))
    left, right = max(begins[0], 0), min(begins[out.shape[1] - 1] + longest, columns)
    held = -1
    for i in range(out.shape[0]):
        start, stop = row_edges[i], row_edges[i + 1]
        tall[:] = np.float32(0.0)
        for row in range(np.int64(np.floor(start)), np.int64(np.ceil(stop))):
            weight = np.float32((min(stop, row + 1.0) - max(start, float(row))) / (stop - start))
            source = min(max(row, 0), first.shape[0] - 1)
            if source != held:
                held = source
                mix_row(
                    source,
                    first,
                    second,
                    third,
                    scale,
                    offset,
                    mix,
                    halved_columns,
                    halved_rows,
                    columns_cosited,
                    rows_cosited,
                    second_row,
                    third_row,
                    line,
                )
                for column in range(min(left, columns - 1), max(right, 1)):
                    r = read_table(line[column, 0], table, points_per_unit)
                    g = read_table(line[column, 1], table, points_per_unit)
                    b = read_table(line[column, 2], table, points_per_unit)
                    if changes:
                        for k in range(3):
                            line[column, k] = matrix[k, 0] * r + matrix[k, 1] * g + matrix[k, 2] * b
                    else:
                        line[column, 0], line[column, 1], line[column, 2] = r, g, b
            for column in range(columns):
                tall[column, 0] += weight * line[column, 0]
                tall[column, 1] += weight * line[column, 1]
                tall[column, 2] += weight * line[column, 2]
        for j in range(out.shape[1]):
            r, g, b = np.float32(0.0), np.float32(0.0), np.float32(0.0)
            for n in range(longest):
                share = shares[j, n]
                column = min(max(begins[j] + n, 0), columns - 1)
                r += share * tall[column, 0]
                g += share * tall[column, 1]
                b += share * tall[column, 2]
            out[i, j, 0], out[i, j, 1], out[i, j, 2] = r, g, b


_PADDED = [types.Array(kind, 2, "C", readonly=True) for kind in (types.uint8, types.uint16)]
_BOX = types.int64[::1]
CODE_SIGNATURES = [types.void(plane, _BOX, types.int64, types.int64, types.int64[::1]) for plane in _PADDED]


@by_kind(CODE_SIGNATURES)
def count_codes(codes, box, spare, shift, out):  # type: ignore[no-untyped-def]
    """Count codes, shifted down, at one place in `spare` of each direction inside a box: top, bottom, left, right."""
    for row in range(box[0], box[1], spare):
        for column in range(box[2], box[3], spare):
            out[codes[row, column] >> shift] += 1


_ROWS = [types.Array(kind, 3, "C", readonly=True) for kind in (types.uint8, types.uint16)]
_SHORT_WEAVES, _WEAVES = ([types.void(one, one, types.int64[::1])] for one in _ROWS)


@njit(inline="always")
def comb(upper, middle, lower):  # type: ignore[no-untyped-def]
    """How far a code lies outside those of both rows beside it."""
    none = np.int32(0)
    return max(np.int32(min(upper, lower) - middle), none) + max(np.int32(middle - max(upper, lower)), none)


@by_kind(_WEAVES, fastmath={"reassoc"})
def add_weaves(before, after, out):  # type: ignore[no-untyped-def]
    """Add up the combing of two frames and of both ways to exchange their fields, and the squares of five differences of them.

    Strips of rows begin with an even row. Combing is counted at as many odd as even rows, so that neither field has the better places.
    Combing is exact; the squares, which only say how sure a difference is, are added in single precision along a row.
    """
    strips, rows, columns = before.shape
    for number in range(strips):
        for middle in range(1, rows - 1):
            earlier, later, inner, outer = np.int32(0), np.int32(0), np.int32(0), np.int32(0)
            square_0, square_1, square_2 = np.float32(0), np.float32(0), np.float32(0)
            square_3, square_4 = np.float32(0), np.float32(0)
            p_upper, p_middle, p_lower = before[number, middle - 1], before[number, middle], before[number, middle + 1]
            c_upper, c_middle, c_lower = after[number, middle - 1], after[number, middle], after[number, middle + 1]
            for column in range(columns):
                p0, p1, p2 = np.int32(p_upper[column]), np.int32(p_middle[column]), np.int32(p_lower[column])
                c0, c1, c2 = np.int32(c_upper[column]), np.int32(c_middle[column]), np.int32(c_lower[column])
                a, b, c, d = comb(p0, p1, p2), comb(c0, c1, c2), comb(c0, p1, c2), comb(p0, c1, p2)
                earlier += np.int32(a)
                later += np.int32(b)
                inner += np.int32(c)
                outer += np.int32(d)
                square_0 += np.float32(np.int32(a - c)) * np.float32(np.int32(a - c))
                square_1 += np.float32(np.int32(a - d)) * np.float32(np.int32(a - d))
                square_2 += np.float32(np.int32(b - c)) * np.float32(np.int32(b - c))
                square_3 += np.float32(np.int32(b - d)) * np.float32(np.int32(b - d))
                square_4 += np.float32(np.int32(c - d)) * np.float32(np.int32(c - d))
            top, bottom = (2, 3) if middle % 2 == 1 else (3, 2)  # beside an odd row lie even ones: there `inner` has the later top field
            out[0] += earlier
            out[1] += later
            out[top] += inner
            out[bottom] += outer
            out[2 + top] += np.int64(square_0)
            out[2 + bottom] += np.int64(square_1)
            out[4 + top] += np.int64(square_2)
            out[4 + bottom] += np.int64(square_3)
            out[8] += np.int64(square_4)


@njit(inline="always")
def comb_short(upper, middle, lower):  # type: ignore[no-untyped-def]
    """As `comb`, of int16."""
    none = np.int16(0)
    return plus(larger(minus(smaller(upper, lower), middle), none), larger(minus(middle, larger(upper, lower)), none))


@by_kind(_SHORT_WEAVES)
def add_short_weaves(before, after, out):  # type: ignore[no-untyped-def]
    """As `add_weaves`, of 8-bit codes, in integers throughout: a row of 33 000 columns still fits."""
    strips, rows, columns = before.shape
    for number in range(strips):
        for middle in range(1, rows - 1):
            none = np.int32(0)
            earlier, later, inner, outer = none, none, none, none
            square_0, square_1, square_2, square_3, square_4 = none, none, none, none, none
            p_upper, p_middle, p_lower = before[number, middle - 1], before[number, middle], before[number, middle + 1]
            c_upper, c_middle, c_lower = after[number, middle - 1], after[number, middle], after[number, middle + 1]
            for column in range(columns):
                p0, p1, p2 = np.int16(p_upper[column]), np.int16(p_middle[column]), np.int16(p_lower[column])
                c0, c1, c2 = np.int16(c_upper[column]), np.int16(c_middle[column]), np.int16(c_lower[column])
                a, b, c, d = comb_short(p0, p1, p2), comb_short(c0, c1, c2), comb_short(c0, p1, c2), comb_short(p0, c1, p2)
                earlier, later, inner, outer = with_value(earlier, a), with_value(later, b), with_value(inner, c), with_value(outer, d)
                square_0, square_1 = with_square(square_0, minus(a, c)), with_square(square_1, minus(a, d))
                square_2, square_3 = with_square(square_2, minus(b, c)), with_square(square_3, minus(b, d))
                square_4 = with_square(square_4, minus(c, d))
            top, bottom = (2, 3) if middle % 2 == 1 else (3, 2)
            out[0] += earlier
            out[1] += later
            out[top] += inner
            out[bottom] += outer
            out[2 + top] += square_0
            out[2 + bottom] += square_1
            out[4 + top] += square_2
            out[4 + bottom] += square_3
            out[8] += square_4


MIX_SIGNATURES = [types.void(one, one, one, types.float32, types.float64[::1]) for one in _ROWS]


@by_kind(MIX_SIGNATURES, fastmath={"reassoc"})
def add_mix(before, frame, after, least, out):  # type: ignore[no-untyped-def]
    """Add up products of fine detail along rows, where that of both neighbours differs by at least `least` codes.

    Of d = before - after and e = frame - after: d d, e d, e e; then (frame - before) squared, before and after squared, and places.
    """
    strips, rows, columns = frame.shape
    for number in range(strips):
        for row in range(0, rows, 2):
            dd, ed, ee, own, energy, places = (np.float32(0), np.float32(0), np.float32(0), np.float32(0), np.float32(0), np.float32(0))
            p, f, n = before[number, row], frame[number, row], after[number, row]
            for column in range(1, columns - 1):
                a = np.float32(p[column + 1]) - np.float32(p[column - 1])
                b = np.float32(f[column + 1]) - np.float32(f[column - 1])
                c = np.float32(n[column + 1]) - np.float32(n[column - 1])
                d, e = a - c, b - c
                counts = np.float32(1) if abs(d) >= least else np.float32(0)
                dd += counts * d * d
                ed += counts * e * d
                ee += counts * e * e
                own += counts * (b - a) * (b - a)
                energy += counts * (a * a + c * c)
                places += counts
            out[0] += dd
            out[1] += ed
            out[2] += ee
            out[3] += own
            out[4] += energy
            out[5] += places


LENGTH_SIGNATURE = types.float64(types.float64[::1], types.float64[::1], types.float64[:, ::1], types.float64, types.boolean[:, ::1])


@by_kind([LENGTH_SIGNATURE])
def best_lengths(says, woven, log_chance, break_cost, out):  # type: ignore[no-untyped-def]
    """Lengths of pictures in fields, two or three, with the largest sum of evidence and of log chances (Viterbi).

    `says` (pair,) is for the later frame's first field showing what the earlier one's second field does; `woven` (frame,) for its two
    fields showing two pictures; `log_chance` (before, after) of lengths 2 and 3. The sum is returned; out[n] = whether frame n's first
    field, and its second, show the picture of the field before; and whether the frame breaks the order, at `break_cost`. A state is the
    length of the picture before the last (0: 2, 1: 3) and how many fields the last one has had, one to three.
    """
    frames = says.size + 1
    total = np.zeros(6)
    total[0] = total[3] = woven[0]
    back = np.zeros((frames, 6), np.int8)
    kind = np.zeros((frames, 6), np.int8)
    for n in range(1, frames):
        new = np.full(6, -1e18)
        goes_on, stops = 0.5 * says[n - 1], -0.5 * says[n - 1]
        for old in range(6):
            before, count = old // 3, old % 3 + 1
            for step in range(5):
                state = -1
                if count == 1 and step == 0:  # the frame goes on with the picture, in both fields
                    state, value = 3 * before + 2, goes_on
                elif count == 1 and step == 1:  # in its first field
                    state, value = 0, goes_on + log_chance[before, 0]
                elif count == 2 and step == 1:
                    state, value = 3, goes_on + log_chance[before, 1]
                elif count >= 2 and step == 2:  # a new picture in both fields
                    state, value = 3 * (count - 2) + 1, stops + log_chance[before, count - 2]
                elif step >= 3 and count == 1:
                    state, value = 3 * before + (0 if step == 3 else 1), stops - break_cost
                elif step >= 3:
                    state, value = 3 * before + (0 if step == 3 else 2), stops - break_cost
                if state >= 0 and total[old] + value > new[state]:
                    new[state] = total[old] + value
                    back[n, state] = old
                    kind[n, state] = step
        new[0] += woven[n]
        new[3] += woven[n]
        total = new
    total[2] += log_chance[0, 1]
    total[5] += log_chance[1, 1]
    last = total.argmax()
    best = total[last]
    for n in range(frames - 1, 0, -1):
        taken = kind[n, last]
        out[n, 0] = taken < 2
        out[n, 1] = taken != 1 and not (taken >= 3 and last % 3 == 0)
        out[n, 2] = taken >= 3
        last = back[n, last]
    out[0, 0], out[0, 1], out[0, 2] = False, last % 3 != 0, False
    return best


PHASE_SIGNATURE = types.float64(types.float64[::1], types.float64[::1], types.int64, types.float64, types.boolean[::1])


@by_kind([PHASE_SIGNATURE])
def best_phases(inside, outside, period, cost, out):  # type: ignore[no-untyped-def]
    """Mark every `period`th frame so that the sum of `inside` at marked frames and of `outside` at others is largest (Viterbi).

    A change of phase, or to and from passages without marks (which add nothing), costs `cost`. The sum is returned.
    """
    frames = inside.size
    total = np.zeros(period + 1)
    back = np.zeros((frames, period + 1), np.int8)
    for n in range(frames):
        best = total.argmax()
        new = np.empty(period + 1)
        for state in range(period + 1):
            old = state if state == period else (state - 1) % period
            if n > 0 and total[best] - cost > total[old]:
                old = best
                new[state] = total[best] - cost
            else:
                new[state] = total[old]
            if state < period:
                new[state] += inside[n] if state == 0 else outside[n]
            back[n, state] = old
        total = new
    last = total.argmax()
    value = total[last]
    for n in range(frames - 1, -1, -1):
        out[n] = last == 0
        last = np.int64(back[n, last])
    return value


@njit(inline="always")
def average_row(luma, top, left, block, total, out):  # type: ignore[no-untyped-def]
    """Means of the row of blocks that begins at `top`; `total` is room for a row of codes."""
    columns = out.size
    first = luma[top, left : left + columns * block]
    for column in range(columns * block):
        total[column] = first[column]
    for k in range(1, block):
        line = luma[top + k, left : left + columns * block]
        for column in range(columns * block):
            total[column] += line[column]
    if block == 2:
        for column in range(columns):
            out[column] = (total[2 * column] + total[2 * column + 1] + np.uint32(2)) >> np.uint32(2)
    else:
        for column in range(columns):
            four = total[4 * column] + total[4 * column + 1] + total[4 * column + 2] + total[4 * column + 3]
            out[column] = (four + np.uint32(7) + ((four >> np.uint32(4)) & np.uint32(1))) >> np.uint32(4)


_LUMA = [types.Array(kind, 2, "C", readonly=True) for kind in (types.uint8, types.uint16)]
BLOCKS = types.uint8[:, ::1], types.uint16[:, ::1]
BLOCK_SIGNATURES = [types.void(luma, types.int64[::1], out) for luma, out in zip(_LUMA, BLOCKS, strict=True)]


@by_kind(BLOCK_SIGNATURES)
def average_blocks(luma, place, out):  # type: ignore[no-untyped-def]
    """Means of whole blocks of 2 x 2 or 4 x 4 codes, rounded as OpenCV does: halves up, halves to even.

    `place`: row and column of the first block, its size, and in how many rows of blocks one is taken, the first on.
    """
    total = np.empty(out.shape[1] * place[2], np.uint32)
    for row in range(out.shape[0]):
        average_row(luma, place[0] + row * place[2] * place[3], place[1], place[2], total, out[row])
