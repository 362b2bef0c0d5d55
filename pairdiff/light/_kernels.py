"""Compiled inner loops of `picture.py`: arrays in, array out, no checks.

Two kinds of table. *Even*: points at equal steps of the input. *Octave*: `2^(23 - shift)` points in each octave of the input, found
from the bits of the float32 itself, which makes the relative step the same everywhere; between points both are read linearly.

Those that a pair is scored with run in one thread each: pairs are scored several at a time.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from pairdiff.light.transfer import PQ_C1, PQ_C2, PQ_C3, PQ_M1, PQ_M2, PQ_PEAK_NITS

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]


@njit(cache=True, nogil=True, inline="always")
def read_octaves(x: np.float32, table: F32, low: np.float32, high: np.float32, first_bits: int, shift: int) -> Any:
    """Value at `x`: below `low` (NaN too) the first entry, from `high` on the last."""
    if not x > low:
        return table[0]
    if x >= high:
        return table[table.size - 1]
    bits = np.int64(np.float32(x).view(np.int32)) - first_bits
    place = bits >> shift
    share = np.float32(bits & ((1 << shift) - 1)) / np.float32(1 << shift)
    return table[place] + share * (table[place + 1] - table[place])


@njit(cache=True, nogil=True, inline="always")
def read_even(x: np.float32, table: F32, points_per_unit: np.float32) -> Any:
    """Value at `x` from 0 to the end of the table; below 0 (NaN too) the first entry, beyond the end the last."""
    if not x > np.float32(0.0):
        return table[0]
    position = x * points_per_unit
    if position >= np.float32(table.size - 1):
        return table[table.size - 1]
    place = np.int64(position)
    share = position - np.float32(place)
    return table[place] + share * (table[place + 1] - table[place])


@njit(cache=True, nogil=True)
def decode_even(code: F32, table: F32, points_per_unit: np.float32, matrix: F32, mix: bool, out: F32) -> None:
    """Decode (n, 3) components by an even table, then mix them by a matrix when asked."""
    for i in range(code.shape[0]):
        r = read_even(code[i, 0], table, points_per_unit)
        g = read_even(code[i, 1], table, points_per_unit)
        b = read_even(code[i, 2], table, points_per_unit)
        if mix:
            for k in range(3):
                out[i, k] = matrix[k, 0] * r + matrix[k, 1] * g + matrix[k, 2] * b
        else:
            out[i, 0] = r
            out[i, 1] = g
            out[i, 2] = b


@njit(cache=True, nogil=True)
def decode_octaves(
    code: F32, table: F32, low: np.float32, high: np.float32, first_bits: int, shift: int, matrix: F32, mix: bool, out: F32
) -> None:
    """Decode (n, 3) components by an octave table, then mix them by a matrix when asked."""
    for i in range(code.shape[0]):
        r = read_octaves(code[i, 0], table, low, high, first_bits, shift)
        g = read_octaves(code[i, 1], table, low, high, first_bits, shift)
        b = read_octaves(code[i, 2], table, low, high, first_bits, shift)
        if mix:
            for k in range(3):
                out[i, k] = matrix[k, 0] * r + matrix[k, 1] * g + matrix[k, 2] * b
        else:
            out[i, 0] = r
            out[i, 1] = g
            out[i, 2] = b


@njit(cache=True, nogil=True, inline="always")
def hlg_scene(x: float, a: float, b: float, c: float) -> float:
    """Inverse OETF of one component; below 0 (NaN too) gives 0."""
    if not x > 0.0:
        return 0.0
    if x <= 0.5:
        return x * x / 3.0
    return (math.exp((x - c) / a) + b) / 12.0


@njit(cache=True, nogil=True)
def decode_hlg(code: F32, constants: NDArray[np.float64], matrix: NDArray[np.float64], peak_nits: float, exponent: float, out: F32) -> None:
    """HLG (n, 3) to display light. `constants`: a, b, c and the luminance weights; `matrix`: to BT.2020, before the OOTF."""
    for i in range(code.shape[0]):
        r = hlg_scene(float(code[i, 0]), constants[0], constants[1], constants[2])
        g = hlg_scene(float(code[i, 1]), constants[0], constants[1], constants[2])
        b = hlg_scene(float(code[i, 2]), constants[0], constants[1], constants[2])
        red = matrix[0, 0] * r + matrix[0, 1] * g + matrix[0, 2] * b
        green = matrix[1, 0] * r + matrix[1, 1] * g + matrix[1, 2] * b
        blue = matrix[2, 0] * r + matrix[2, 1] * g + matrix[2, 2] * b
        luminance = constants[3] * red + constants[4] * green + constants[5] * blue
        gain = peak_nits * luminance**exponent if luminance > 0.0 else 0.0
        out[i, 0] = np.float32(gain * red)
        out[i, 1] = np.float32(gain * green)
        out[i, 2] = np.float32(gain * blue)


@njit(cache=True, nogil=True)
def encode_octaves(values: F32, table: F32, low: np.float32, high: np.float32, first_bits: int, shift: int, out: F32) -> None:
    """Read an octave table at every element of a flat array."""
    for i in range(values.size):
        out[i] = read_octaves(values[i], table, low, high, first_bits, shift)


@njit(cache=True, nogil=True)
def nits_to_itp(
    rgb: F32, lms_matrix: F32, itp_matrix: F32, table: F32, low: np.float32, high: np.float32, first_bits: int, shift: int, out: F32
) -> None:
    """Linear BT.2020 (n, 3) to I, T, P."""
    for i in range(rgb.shape[0]):
        r = rgb[i, 0]
        g = rgb[i, 1]
        b = rgb[i, 2]
        le = read_octaves(lms_matrix[0, 0] * r + lms_matrix[0, 1] * g + lms_matrix[0, 2] * b, table, low, high, first_bits, shift)
        me = read_octaves(lms_matrix[1, 0] * r + lms_matrix[1, 1] * g + lms_matrix[1, 2] * b, table, low, high, first_bits, shift)
        se = read_octaves(lms_matrix[2, 0] * r + lms_matrix[2, 1] * g + lms_matrix[2, 2] * b, table, low, high, first_bits, shift)
        # Rows of T and P sum to 0: written with differences, so that grey gives exactly 0 and rounding does not grow.
        out[i, 0] = np.float32(0.5) * (le + me)
        out[i, 1] = itp_matrix[1, 0] * (le - me) + itp_matrix[1, 2] * (se - me)
        out[i, 2] = itp_matrix[2, 0] * (le - me) + itp_matrix[2, 2] * (se - me)


@njit(cache=True, nogil=True, inline="always")
def read_steps(x: np.float32, steps: F32, low: np.float32, high: np.float32, first_bits: np.int32, shift: np.uint32) -> Any:
    """`read_octaves` without branches: `steps` (entry, 2) holds each entry and what the next one is above it."""
    inside = x if x > low else low
    inside = inside if inside < high else high
    bits = np.int32(np.float32(inside).view(np.int32) - first_bits)
    place = np.uint32(bits) >> shift
    part = np.int32(bits & np.int32((np.uint32(1) << shift) - np.uint32(1)))
    value = steps[place, 0] + np.float32(part) * (np.float32(1.0) / np.float32(np.uint32(1) << shift)) * steps[place, 1]
    return value if x < high or not x > low else steps[steps.shape[0] - 1, 0]


@njit(cache=True, nogil=True)
def nits_to_itp_planes(
    rgb: F32,
    gain: np.float32,
    veil: np.float32,
    lms_matrix: F32,
    itp_matrix: F32,
    steps: F32,
    low: np.float32,
    high: np.float32,
    first_bits: int,
    shift: int,
    out: F32,
) -> None:
    """Linear BT.2020 (n, 3), times a gain, plus a veil, to planes of I, T and P, (3, n).

    The arithmetic is that of `nits_to_itp`, the table as `read_steps` has it.
    """
    first, places = np.int32(first_bits), np.uint32(shift)
    l_r, l_g, l_b = lms_matrix[0, 0], lms_matrix[0, 1], lms_matrix[0, 2]
    m_r, m_g, m_b = lms_matrix[1, 0], lms_matrix[1, 1], lms_matrix[1, 2]
    s_r, s_g, s_b = lms_matrix[2, 0], lms_matrix[2, 1], lms_matrix[2, 2]
    t_l, t_s, p_l, p_s = itp_matrix[1, 0], itp_matrix[1, 2], itp_matrix[2, 0], itp_matrix[2, 2]
    for i in range(rgb.shape[0]):
        r = gain * rgb[i, 0] + veil
        g = gain * rgb[i, 1] + veil
        b = gain * rgb[i, 2] + veil
        le = read_steps(l_r * r + l_g * g + l_b * b, steps, low, high, first, places)
        me = read_steps(m_r * r + m_g * g + m_b * b, steps, low, high, first, places)
        se = read_steps(s_r * r + s_g * g + s_b * b, steps, low, high, first, places)
        out[0, i] = np.float32(0.5) * (le + me)
        out[1, i] = t_l * (le - me) + t_s * (se - me)
        out[2, i] = p_l * (le - me) + p_s * (se - me)


@njit(cache=True, nogil=True)
def nits_to_intensity(
    rgb: F32, lms_matrix: F32, table: F32, low: np.float32, high: np.float32, first_bits: int, shift: int, out: F32
) -> None:
    """Linear BT.2020 (n, 3) to I alone; the arithmetic of `nits_to_itp`."""
    for i in range(rgb.shape[0]):
        r = rgb[i, 0]
        g = rgb[i, 1]
        b = rgb[i, 2]
        le = read_octaves(lms_matrix[0, 0] * r + lms_matrix[0, 1] * g + lms_matrix[0, 2] * b, table, low, high, first_bits, shift)
        me = read_octaves(lms_matrix[1, 0] * r + lms_matrix[1, 1] * g + lms_matrix[1, 2] * b, table, low, high, first_bits, shift)
        out[i] = np.float32(0.5) * (le + me)


@njit(cache=True, nogil=True)
def encode_mix(
    rgb: F32, weights: F32, scale: np.float32, table: F32, low: np.float32, high: np.float32, first_bits: int, shift: int, out: F32
) -> None:
    """Scaled PQ signal of one weighted sum of the components of (n, 3); below 0 counts as 0."""
    for i in range(rgb.shape[0]):
        light = weights[0] * rgb[i, 0] + weights[1] * rgb[i, 1] + weights[2] * rgb[i, 2]
        out[i] = scale * read_octaves(light, table, low, high, first_bits, shift)


@njit(cache=True, nogil=True)
def itp_difference(first: F32, second: F32, scale: np.float32, out: F32) -> None:
    """Scaled distance between two (n, 3) arrays."""
    for i in range(first.shape[0]):
        di = first[i, 0] - second[i, 0]
        dt = first[i, 1] - second[i, 1]
        dp = first[i, 2] - second[i, 2]
        out[i] = scale * math.sqrt(di * di + dt * dt + dp * dp)


@njit(cache=True, nogil=True)
def encode_pq(nits: float) -> float:
    """PQ signal of light of 0 cd/m2 or more, in full precision (ST 2084:2014)."""
    power = (nits / PQ_PEAK_NITS) ** PQ_M1
    return float(((PQ_C1 + PQ_C2 * power) / (1.0 + PQ_C3 * power)) ** PQ_M2)


@njit(cache=True, nogil=True)
def _step_pq(weights: F64, first: F32, second: F32) -> float:
    """PQ signal of one mixture of R, G and B of a first pixel less that of a second."""
    one = weights[0] * first[0] + weights[1] * first[1] + weights[2] * first[2]
    two = weights[0] * second[0] + weights[1] * second[1] + weights[2] * second[2]
    return float(encode_pq(min(max(one, 0.0), PQ_PEAK_NITS)) - encode_pq(min(max(two, 0.0), PQ_PEAK_NITS)))


@njit(cache=True, nogil=True, parallel=True)
def light_difference(first: F32, second: F32, lms_matrix: F64, itp_matrix: F64, scale: float, out: F32) -> None:
    """dE_ITP of linear BT.2020 (n, 3) pairs, no table and no rounding between."""
    for i in prange(first.shape[0]):
        dl = _step_pq(lms_matrix[0], first[i], second[i])
        dm = _step_pq(lms_matrix[1], first[i], second[i])
        ds = _step_pq(lms_matrix[2], first[i], second[i])
        total = 0.0
        for k in range(3):
            part = itp_matrix[k, 0] * dl + itp_matrix[k, 1] * dm + itp_matrix[k, 2] * ds
            total += part * part
        out[i] = scale * math.sqrt(total)


@njit(cache=True, nogil=True)
def largest_component(values: F32, out: F32) -> None:
    """Largest of the three components of (n, 3)."""
    for i in range(values.shape[0]):
        out[i] = max(values[i, 0], max(values[i, 1], values[i, 2]))


@njit(cache=True, nogil=True)
def scale_by_largest(
    rgb: F32, table: F32, low: np.float32, high: np.float32, first_bits: int, shift: int, peak: np.float32, out: F32
) -> None:
    """Multiply (n, 3) by the gain an octave table holds for the largest component; above `high` the largest lands on `peak`."""
    for i in range(rgb.shape[0]):
        largest = max(rgb[i, 0], max(rgb[i, 1], rgb[i, 2]))
        gain = peak / largest if largest >= high else read_octaves(largest, table, low, high, first_bits, shift)
        for k in range(3):
            out[i, k] = gain * rgb[i, k]
