"""Compiled walks over whole pictures behind the measures of a pair: arrays in, array out, no checks.

None of them runs in several threads: pairs do, and a kernel gives the same to the last bit wherever it runs.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
I64 = NDArray[np.int64]
BOOL = NDArray[np.bool_]
HALF_BITS = 16
"""Bits of a float32's key that are counted at a time: half of them."""


@njit(cache=True, nogil=True, inline="always")
def order_key(value: np.float32) -> Any:
    """A number that grows with the float32: not a number comes last, as it does in numpy."""
    bits = np.float32(value).view(np.uint32)
    return bits ^ np.uint32(0xFFFFFFFF) if bits >> np.uint32(31) else bits | np.uint32(0x80000000)


@njit(cache=True, nogil=True, error_model="numpy")
def find_ranks(values: F32, ranks: I64, out: F32) -> None:
    """Values of a flat array at rising ranks, 0 the lowest; exact: a count by the upper half of the key, then one by the lower half."""
    upper = np.zeros(1 << HALF_BITS, np.int64)
    for i in range(values.size):
        upper[order_key(values[i]) >> np.uint32(HALF_BITS)] += 1
    slot = np.full(1 << HALF_BITS, -1, np.int16)
    held, left = np.empty(ranks.size, np.int64), np.empty(ranks.size, np.int64)
    place, below, slots = 0, 0, 0
    for k in range(ranks.size):
        while below + upper[place] <= ranks[k]:
            below += upper[place]
            place += 1
        if slot[place] < 0:
            slot[place] = slots
            slots += 1
        held[k], left[k] = place, ranks[k] - below
    lower = np.zeros((slots, 1 << HALF_BITS), np.int64)
    for i in range(values.size):
        key = order_key(values[i])
        n = slot[key >> np.uint32(HALF_BITS)]
        if n >= 0:
            lower[n, key & np.uint32(0xFFFF)] += 1
    for k in range(ranks.size):
        n, fine = slot[held[k]], 0
        while lower[n, fine] <= left[k]:
            left[k] -= lower[n, fine]
            fine += 1
        key = np.uint32((held[k] << HALF_BITS) | fine)
        bits = key & np.uint32(0x7FFFFFFF) if key >> np.uint32(31) else key ^ np.uint32(0xFFFFFFFF)
        out[k] = np.uint32(bits).view(np.float32)


@njit(cache=True, nogil=True, error_model="numpy")
def count_apart(first: F32, second: F32, scale: np.float32, step: np.float32, counts: NDArray[np.int32]) -> float:
    """Count the scaled distance of two pictures of three planes, (3, n), in even steps; the sum of its squares is returned."""
    last = np.float32(counts.size - 1)
    block = 1024
    place = np.empty(block, np.int32)
    square = np.empty(block, np.float32)
    parts = np.zeros((4, counts.size), np.int32)  # neighbours fall into one bin: four counts, so that none waits for the other
    one, two, three, four = 0.0, 0.0, 0.0, 0.0
    for start in range(0, first.shape[1], block):
        size = min(block, first.shape[1] - start)
        i0, t0, p0 = first[0, start : start + size], first[1, start : start + size], first[2, start : start + size]
        i1, t1, p1 = second[0, start : start + size], second[1, start : start + size], second[2, start : start + size]
        for i in range(size):
            di, dt, dp = i0[i] - i1[i], t0[i] - t1[i], p0[i] - p1[i]
            apart = scale * math.sqrt(di * di + dt * dt + dp * dp)
            square[i] = apart * apart
            place[i] = np.int32(min(apart / step, last))
        whole = size // 4 * 4
        for i in range(0, whole, 4):
            one += np.float64(square[i])
            two += np.float64(square[i + 1])
            three += np.float64(square[i + 2])
            four += np.float64(square[i + 3])
            parts[0, place[i]] += 1
            parts[1, place[i + 1]] += 1
            parts[2, place[i + 2]] += 1
            parts[3, place[i + 3]] += 1
        for i in range(whole, size):
            one += np.float64(square[i])
            parts[0, place[i]] += 1
    for k in range(counts.size):
        counts[k] = parts[0, k] + parts[1, k] + parts[2, k] + parts[3, k]
    return one + two + three + four


@njit(cache=True, nogil=True, error_model="numpy")
def add_up_channels(picture: F32, out: F64) -> None:
    """Sums of the three components of (n, 3)."""
    red, green, blue = 0.0, 0.0, 0.0
    for i in range(picture.shape[0]):
        red += np.float64(picture[i, 0])
        green += np.float64(picture[i, 1])
        blue += np.float64(picture[i, 2])
    out[0], out[1], out[2] = red, green, blue


@njit(cache=True, nogil=True, error_model="numpy")
def mix_channels(picture: F32, weights: F32, out: F32) -> None:
    """Weighted sum of the three components of (n, 3)."""
    red, green, blue = weights[0], weights[1], weights[2]
    for i in range(picture.shape[0]):
        out[i] = red * picture[i, 0] + green * picture[i, 1] + blue * picture[i, 2]


@njit(cache=True, nogil=True, error_model="numpy")
def lowest_mix(picture: F32, matrix: F32, out: F32) -> None:
    """Lowest of three weighted sums of the components of (n, 3)."""
    for i in range(picture.shape[0]):
        r, g, b = picture[i, 0], picture[i, 1], picture[i, 2]
        first = matrix[0, 0] * r + matrix[0, 1] * g + matrix[0, 2] * b
        second = matrix[1, 0] * r + matrix[1, 1] * g + matrix[1, 2] * b
        third = matrix[2, 0] * r + matrix[2, 1] * g + matrix[2, 2] * b
        out[i] = min(first, min(second, third))


@njit(cache=True, nogil=True, error_model="numpy")
def stops_over(level: F32, white: np.float32, film: BOOL, out: F32) -> None:
    """log2 of a level over white where it is above it and the film's own, else 0."""
    for i in range(level.size):
        over = level[i] / white
        out[i] = math.log2(over) if film[i] and over > np.float32(1.0) else np.float32(0.0)


@njit(cache=True, nogil=True, inline="always")
def mirror(place: int, size: int) -> int:
    """A place beyond the edge, mirrored without repeating the edge; not a place (-1) where even that lies outside."""
    place = -place if place < 0 else place
    place = 2 * (size - 1) - place if place >= size else place
    return place if 0 <= place < size else -1


@njit(cache=True, nogil=True, inline="always")
def add_row(a: F32, b: F32, inside: BOOL, row: int, sign: float, middle_a: float, middle_b: float, sums: F64) -> None:
    """Add a row to the sums of columns, or take it off."""
    for column in range(a.shape[1]):
        here = sign if inside[row, column] else 0.0
        x = np.float64(a[row, column]) - middle_a
        y = np.float64(b[row, column]) - middle_b
        sums[0, column] += here
        sums[1, column] += here * x
        sums[2, column] += here * y
        sums[3, column] += here * (x * x)
        sums[4, column] += here * (x * y)
        sums[5, column] += here * (y * y)


@njit(cache=True, nogil=True, error_model="numpy")
def window_moments(
    a: F32, b: F32, inside: BOOL, reach: int, mirrored: bool, middle_a: float, middle_b: float, weight: F32, out: F64
) -> None:
    """Means and second moments of two pictures in the window round each place of an area, from the area alone.

    `out` (5, places of the area): mean of a and of b less their middles, variance of a, covariance, variance of b. `weight`: share of the
    window that lies inside. The window is 2 `reach` + 1 wide; beyond the picture it is mirrored without
    repeating the edge, or empty. Sums run along columns and rows in float64.
    """
    rows, columns = a.shape
    found = 0
    sums = np.zeros((6, columns))
    area = float((2 * reach + 1) * (2 * reach + 1))
    touched = np.zeros(rows, np.bool_)
    for row in range(rows):
        for column in range(columns):
            if inside[row, column]:
                touched[row] = True
                break
    entering, leaving = np.empty(columns, np.int64), np.empty(columns, np.int64)
    for column in range(columns):
        new, old = column + reach, column - 1 - reach
        entering[column] = mirror(new, columns) if mirrored else (new if new < columns else -1)
        leaving[column] = mirror(old, columns) if mirrored else old
    for row in range(rows):
        for step in range(-reach, reach + 1) if row == 0 else range(reach, reach + 1):
            place = mirror(row + step, rows) if mirrored else row + step
            if 0 <= place < rows and touched[place]:
                add_row(a, b, inside, place, 1.0, middle_a, middle_b, sums)
        if row > 0:
            gone = row - 1 - reach
            place = mirror(gone, rows) if mirrored else gone
            if 0 <= place < rows and touched[place]:
                add_row(a, b, inside, place, -1.0, middle_a, middle_b, sums)
        if not touched[row]:
            continue
        n, sa, sb, saa, sab, sbb = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
        for step in range(-reach, reach + 1):
            place = mirror(step, columns) if mirrored else step
            if 0 <= place < columns:
                n += sums[0, place]
                sa += sums[1, place]
                sb += sums[2, place]
                saa += sums[3, place]
                sab += sums[4, place]
                sbb += sums[5, place]
        for column in range(columns):
            if column > 0:
                new, old = entering[column], leaving[column]
                if new >= 0:
                    n += sums[0, new]
                    sa += sums[1, new]
                    sb += sums[2, new]
                    saa += sums[3, new]
                    sab += sums[4, new]
                    sbb += sums[5, new]
                if old >= 0:
                    n -= sums[0, old]
                    sa -= sums[1, old]
                    sb -= sums[2, old]
                    saa -= sums[3, old]
                    sab -= sums[4, old]
                    sbb -= sums[5, old]
            if not inside[row, column]:
                continue
            share = 1.0 / max(n, 1.0)
            x, y = sa * share, sb * share
            weight[found] = np.float32(n / area)
            out[0, found] = x
            out[1, found] = y
            out[2, found] = max(saa * share - x * x, 0.0)
            out[3, found] = sab * share - x * y
            out[4, found] = max(sbb * share - y * y, 0.0)
            found += 1


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract"})
def block_moments(a: F32, b: F32, fine: F32, inside: BOOL, block: int, least: float, middle: float, out: F64) -> None:
    """Sums over blocks of what lies inside, (7, row // block, column // block): 1, a, b, aa, ab, bb and the square of `fine`.

    a and b less `middle`. Of blocks of which fewer than `least` places lie inside only the first is written.
    """
    for row in range(out.shape[1]):
        for column in range(out.shape[2]):
            n = 0
            for y in range(row * block, row * block + block):
                for x in range(column * block, column * block + block):
                    n += inside[y, x]
            out[0, row, column] = n
            if n < least:
                continue
            sa, sb, saa, sab, sbb, sf = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
            for y in range(row * block, row * block + block):
                for x in range(column * block, column * block + block):
                    p = np.float64(a[y, x]) - middle if inside[y, x] else 0.0
                    q = np.float64(b[y, x]) - middle if inside[y, x] else 0.0
                    f = np.float64(fine[y, x]) if inside[y, x] else 0.0
                    sa += p
                    sb += q
                    saa += p * p
                    sab += p * q
                    sbb += q * q
                    sf += f * f
            out[1, row, column] = sa
            out[2, row, column] = sb
            out[3, row, column] = saa
            out[4, row, column] = sab
            out[5, row, column] = sbb
            out[6, row, column] = sf


@njit(cache=True, nogil=True, error_model="numpy")
def block_high_pass(a: F32, b: F32, scale: float, block: int, out: F64) -> None:
    """Mean size of Immerkaer's high-pass of the scaled difference of two pictures in whole blocks, from the second row and column on."""
    share = 1.0 / (block * block)
    d = np.empty((3, a.shape[1]))
    columns = out.shape[1] * block
    line = np.empty(columns)
    out[:] = 0.0
    for row in range(out.shape[0] * block + 2):
        for x in range(a.shape[1]):
            d[row % 3, x] = (np.float64(a[row, x]) - np.float64(b[row, x])) * scale
        if row < 2:
            continue
        upper, middle, lower = d[(row - 2) % 3], d[(row - 1) % 3], d[row % 3]
        for x in range(columns):
            line[x] = abs(
                upper[x]
                - 2 * upper[x + 1]
                + upper[x + 2]
                - 2 * (middle[x] - 2 * middle[x + 1] + middle[x + 2])
                + lower[x]
                - 2 * lower[x + 1]
                + lower[x + 2]
            )
        for x in range(columns):
            out[(row - 2) // block, x // block] += line[x]
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            out[y, x] *= share


@njit(cache=True, nogil=True, error_model="numpy")
def count_signal(code: F32, start: np.float32, steps: np.float32, counts: I64) -> None:
    """Count the components of (n, 3) in even steps from `start` up, (3, bins): the last bin takes what is larger."""
    last = counts.shape[1] - 1
    for i in range(code.shape[0]):
        for k in range(3):
            value = code[i, k]
            if value >= start:
                counts[k, min(np.int64((value - start) * steps), last)] += 1


@njit(cache=True, nogil=True, error_model="numpy")
def count_dark_signal(code: F32, start: np.float32, steps: np.float32, counts: I64) -> None:
    """Count the largest component of (n, 3) in even steps from `start` up, (bins,): the first bin takes what is smaller."""
    for i in range(code.shape[0]):
        place = (max(code[i, 0], max(code[i, 1], code[i, 2])) - start) * steps
        if place < np.float32(counts.size):
            counts[np.int64(max(place, np.float32(0.0)))] += 1


@njit(cache=True, nogil=True, error_model="numpy")
def size_of_chroma(itp: F32, scale: np.float32, out: F32) -> None:
    """Scaled length of T and P of (n, 3)."""
    for i in range(itp.shape[0]):
        out[i] = scale * math.sqrt(itp[i, 1] * itp[i, 1] + itp[i, 2] * itp[i, 2])


@njit(cache=True, nogil=True, error_model="numpy")
def mix_three(picture: F32, matrix: F32, out: F32) -> None:
    """Three weighted sums of the components of (n, 3)."""
    for i in range(picture.shape[0]):
        r, g, b = picture[i, 0], picture[i, 1], picture[i, 2]
        for k in range(3):
            out[i, k] = matrix[k, 0] * r + matrix[k, 1] * g + matrix[k, 2] * b


@njit(cache=True, nogil=True, inline="always")
def reflect(place: int, size: int) -> int:
    """A place beyond the edge, mirrored with the edge repeated, as often as it takes."""
    place = place % (2 * size)
    return place if place < size else 2 * size - 1 - place


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
def blur(picture: F32, kernel: F32, channels: int, out: F32) -> None:
    """Blur (row, column x channel) by an even kernel along both ways, edges repeated; `kernel`: its middle and what lies beside it."""
    rows, width = picture.shape
    columns, reach = width // channels, kernel.size - 1
    spare = reach * channels
    line = np.empty(width + 2 * spare, np.float32)
    middle = line[spare : spare + width]
    for row in range(rows):
        here, target = picture[row], out[row]
        for i in range(width):
            middle[i] = kernel[0] * here[i]
        for step in range(1, reach + 1):
            above, below, weight = picture[reflect(row - step, rows)], picture[reflect(row + step, rows)], kernel[step]
            for i in range(width):
                middle[i] += weight * (above[i] + below[i])
        for step in range(1, reach + 1):
            left, right = reflect(-step, columns), reflect(columns - 1 + step, columns)
            for k in range(channels):
                line[spare - step * channels + k] = middle[left * channels + k]
                line[spare + (columns - 1 + step) * channels + k] = middle[right * channels + k]
        for i in range(width):
            target[i] = kernel[0] * middle[i]
        for step in range(1, reach + 1):
            before, after, weight = line[spare - step * channels :], line[spare + step * channels :], kernel[step]
            for i in range(width):
                target[i] += weight * (before[i] + after[i])
