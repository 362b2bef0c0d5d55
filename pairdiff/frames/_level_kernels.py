"""Compiled loops that count the largest of R', G' and B' on raw planes. The public wrapper is `planes.count_levels`.

Sixteen bits hold all that pictures of up to twelve bits with halved chroma need.
"""

from __future__ import annotations

import numpy as np
from numba import njit, types

from pairdiff.frames._kernels import BLOCKS, average_row, neighbours
from pairdiff.frames._kind_kernels import by_kind
from pairdiff.frames._short_kernels import larger, minus, part, plus, shifted, smaller, times

_PADDED = [types.Array(kind, 2, "C", readonly=True) for kind in (types.uint8, types.uint16)]
_BOX, _LINE = types.int64[::1], types.float32[::1]
_FLAGS = (types.boolean,) * 4
_COUNTS = (types.uint32[:, ::1], types.uint32[::1])


@njit(inline="always")
def mix_levels(  # type: ignore[no-untyped-def]
    row,
    first,
    second,
    third,
    columns,
    scale,
    offset,
    mix,
    halved_columns,
    halved_rows,
    columns_cosited,
    rows_cosited,
    red,
    green,
    blue,
    level,
):
    """Largest of R', G' and B' of one row; `red`, `green` and `blue` are its work space, of two more than a row of chroma."""
    small_columns, small_rows = red.size - 2, second.shape[0]
    one, half, quarter, most = np.float32(1), np.float32(0.5), np.float32(0.25), np.float32(0.75)
    luma_scale, blue_scale, red_scale = scale[0], scale[1], scale[2]
    luma_offset, blue_offset, red_offset = offset[0], offset[1], offset[2]
    red_of_red, green_of_blue, green_of_red, blue_of_blue = mix[0, 2], mix[1, 1], mix[1, 2], mix[2, 1]
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


LEVEL_SIGNATURES = [
    types.float32(*(plane,) * 3, _BOX, _LINE, _LINE, types.float32[:, ::1], *_FLAGS, _BOX, types.float32, *_COUNTS) for plane in _PADDED
]


# Reassociation alone lets LLVM do many codes at once; there are no values here that are not numbers.
@by_kind(LEVEL_SIGNATURES, fastmath={"nnan", "nsz", "contract", "reassoc"})
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
    brought to the grid of Y bilinearly. `box`: top, bottom, left, right; `inside` (part, step) is to be added up over its four parts.
    """
    rows, columns = size[0], size[1]
    small_columns = (columns + 1) // 2 if halved_columns else columns
    red, green, blue = (
        np.empty(small_columns + 2, np.float32),
        np.empty(small_columns + 2, np.float32),
        np.empty(small_columns + 2, np.float32),
    )
    level = np.empty(2 * small_columns, np.float32)
    step = np.empty(columns, np.uint16)
    highest = np.full(columns, np.float32(-1e30))
    half, last = np.float32(0.5), np.float32(inside.shape[1] - 1)
    for row in range(rows):
        mix_levels(
            row,
            first,
            second,
            third,
            columns,
            scale,
            offset,
            mix,
            halved_columns,
            halved_rows,
            columns_cosited,
            rows_cosited,
            red,
            green,
            blue,
            level,
        )
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


NEAR_STEPS = 4
"""How many steps below the largest count a row is looked at once more: more than all that is rounded."""
SHORT_SIGNATURES = [
    types.float32(
        *(plane,) * 3, _BOX, _LINE, _LINE, types.float32[:, ::1], *(types.boolean,) * 2, _BOX, types.int16[::1], *_COUNTS, _BOX, blocks
    )
    for plane, blocks in zip(_PADDED, BLOCKS, strict=True)
]


@by_kind(SHORT_SIGNATURES, fastmath={"nnan", "nsz", "contract", "reassoc"})
def count_short_levels(  # type: ignore[no-untyped-def]
    first, second, third, size, scale, offset, mix, columns_cosited, rows_cosited, box, numbers, inside, outside, place, blocks
):
    """What `count_plane_levels` does, in integers, for chroma halved both ways beside an even number of columns.

    On the way it does what `average_blocks` does (`place`, `blocks`; none of no rows), while the codes are at hand.

    `numbers`: largest code; bits from a code to a step; black, steps; how much a step of Cr adds to R', of Cb and of Cr to G' and of Cb to
    B', in 1/16384. A code of luma is a whole number of steps, so that what chroma adds is all that is rounded, and that once (twice for
    G'). The largest level is found again in floats, in those rows that come near it.
    """
    rows, columns, small_rows = size[0], size[1], second.shape[0]
    small = columns // 2
    most, bits, black = np.uint16(numbers[0]), numbers[1], numbers[2]
    red_of_red, green_of_blue, green_of_red, blue_of_blue = numbers[3], numbers[4], numbers[5], numbers[6]
    none, one, two, three = np.int16(0), np.int16(1), np.int16(2), np.int16(3)
    last, middle = np.int16(inside.shape[1] - 1), np.int16(8192)
    whole = shifted(one, bits)
    blue, red = np.empty(small + 2, np.int16), np.empty(small + 2, np.int16)
    even, odd = np.empty(small, np.int16), np.empty(small, np.int16)
    even_step, odd_step = even.view(np.uint16), odd.view(np.uint16)
    highest = np.full(rows, np.int16(-1))
    even_left, even_right, odd_left, odd_right = (box[2] + 1) // 2, (box[3] + 1) // 2, box[2] // 2, box[3] // 2
    first_count, second_count, third_count, fourth_count = inside[0], inside[1], inside[2], inside[3]
    taken, block_row = 0, np.empty(blocks.shape[1] * place[2], np.uint32)
    for row in range(rows):
        top = place[0] + taken * place[2] * place[3]
        if taken < blocks.shape[0] and row == top + place[2] - 1:
            average_row(first, top, place[1], place[2], block_row, blocks[taken])
            taken += 1
        upper, lower, weight = neighbours(row, True, rows_cosited, small_rows - 1)
        below = np.int16(weight * np.float32(whole))
        above = minus(whole, below)
        blue_above, blue_below, red_above, red_below = second[upper], second[lower], third[upper], third[lower]
        for j in range(small):
            code, under = np.int16(min(blue_above[j], most)), np.int16(min(blue_below[j], most))
            blue[j + 1] = minus(plus(times(code, above), times(under, below)), middle)
        for j in range(small):
            code, under = np.int16(min(red_above[j], most)), np.int16(min(red_below[j], most))
            red[j + 1] = minus(plus(times(code, above), times(under, below)), middle)
        blue[0], red[0], blue[small + 1], red[small + 1] = blue[1], red[1], blue[small], red[small]
        luma = first[row]
        for j in range(small):
            if columns_cosited:
                b, r = shifted(blue[j + 1], two), shifted(red[j + 1], two)
                d, s = shifted(plus(blue[j + 1], blue[j + 2]), one), shifted(plus(red[j + 1], red[j + 2]), one)
            else:
                b, r = plus(times(blue[j + 1], three), blue[j]), plus(times(red[j + 1], three), red[j])
                d, s = plus(times(blue[j + 1], three), blue[j + 2]), plus(times(red[j + 1], three), red[j + 2])
            add = larger(larger(part(r, red_of_red), part(b, blue_of_blue)), plus(part(b, green_of_blue), part(r, green_of_red)))
            step = minus(plus(add, shifted(np.int16(min(luma[2 * j], most)), bits)), black)
            even[j] = smaller(larger(step, none), last)
            add = larger(larger(part(s, red_of_red), part(d, blue_of_blue)), plus(part(d, green_of_blue), part(s, green_of_red)))
            step = minus(plus(add, shifted(np.int16(min(luma[2 * j + 1], most)), bits)), black)
            odd[j] = smaller(larger(step, none), last)
        if row < box[0] or row >= box[1]:
            for j in range(small):
                outside[even_step[j]] += 1
                outside[odd_step[j]] += 1
            continue
        high = none
        even_seen, odd_seen = even_step[even_left:even_right], odd_step[odd_left:odd_right]
        for part_seen in (even[even_left:even_right], odd[odd_left:odd_right]):
            for j in range(part_seen.size):
                high = larger(high, part_seen[j])
        highest[row] = high
        pairs = min(even_seen.size, odd_seen.size)
        for j in range(pairs // 2):  # four counts, so that a flat picture does not wait for one place of memory
            first_count[even_seen[2 * j]] += 1
            second_count[odd_seen[2 * j]] += 1
            third_count[even_seen[2 * j + 1]] += 1
            fourth_count[odd_seen[2 * j + 1]] += 1
        for j in range(pairs // 2 * 2, even_seen.size):
            first_count[even_seen[j]] += 1
        for j in range(pairs // 2 * 2, odd_seen.size):
            second_count[odd_seen[j]] += 1
        for rest in (even_step[:even_left], odd_step[:odd_left], even_step[even_right:], odd_step[odd_right:]):
            for j in range(rest.size):
                outside[rest[j]] += 1
    near = np.int64(highest.max()) - NEAR_STEPS
    red_row, green_row, blue_row = np.empty(small + 2, np.float32), np.empty(small + 2, np.float32), np.empty(small + 2, np.float32)
    level = np.empty(columns, np.float32)
    largest = np.float32(-1e30)
    for row in range(box[0], box[1]):
        if highest[row] >= near:
            mix_levels(
                row,
                first,
                second,
                third,
                columns,
                scale,
                offset,
                mix,
                True,
                True,
                columns_cosited,
                rows_cosited,
                red_row,
                green_row,
                blue_row,
                level,
            )
            for column in range(box[2], box[3]):
                largest = max(largest, level[column])
    return largest


@njit(cache=True, nogil=True)
def add_up_counts(inside, outside, weights, counts):  # type: ignore[no-untyped-def]
    """Sums of the weights of what was counted inside and outside; `counts` (step,) becomes the sum of the parts of the count inside."""
    sum_inside, sum_outside = 0.0, 0.0
    for step in range(counts.size):
        counts[step] = np.int64(inside[0, step]) + inside[1, step] + inside[2, step] + inside[3, step]
    for step in range(counts.size):
        if counts[step]:
            sum_inside += counts[step] * weights[step]
    for step in range(counts.size):
        if outside[step]:
            sum_outside += outside[step] * weights[step]
    return sum_inside, sum_outside
