"""Raw planes to R'G'B' code values: range, chroma position and matrix, nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._errors import InputRefused
from pairdiff._records import Rectangle, Signal
from pairdiff.frames.quantisation import LUMA_WEIGHTS, code_to_signal

SHORT_BITS = 8, 12
"""Bit depths whose codes and quarters of them fit into 16 bits beside a step of 14."""


def planes_to_rgb(planes: Sequence[NDArray[np.unsignedinteger[Any]]], signal: Signal) -> NDArray[np.float32]:
    """R'G'B' code values of one picture.

    Subsampled chroma is brought to the luma grid bilinearly at its stated siting; samples outside the picture repeat the edge.
    Nothing is clipped: codes above white come out above 1, codes below black below 0.

    Parameters
    ----------
    planes
        Y, Cb, Cr, or R, G, B, or Y alone: (row, column) each, uint8 or uint16 code values.
    signal
        How the codes are to be read: matrix, range, bit depth, chroma sampling and siting.

    Returns
    -------
    numpy.ndarray
        (row, column, 3), float32, signal 0 to 1 (black to nominal white).

    Raises
    ------
    InputRefused
        If the planes do not fit the chroma sampling that `signal` states.

    Notes
    -----
    Sitings as ITU-T H.264 (08/2021) figure E-1: `left` lies level with the even columns and between two rows, `top-left` on both an
    even column and an even row, `centre` between two columns and two rows.
    """
    from pairdiff.frames._kernels import mix_planes  # compiled code: loaded when the first picture is converted

    sampling = signal.chroma_sampling.value
    first, second, third = _three_planes(planes, sampling)
    scale, offset = _code_line(signal)
    out = np.empty((*first.shape, 3), np.float32)
    mix_planes(
        first,
        second,
        third,
        scale,
        offset,
        _mix_matrix(signal),
        *_chroma_place(signal),
        out,
    )
    return out


def some_rows_to_rgb(planes: Sequence[NDArray[np.unsignedinteger[Any]]], signal: Signal, *, step: int) -> NDArray[np.float32]:
    """Every `step`th row of `planes_to_rgb`, from the first on, (row, column, 3)."""
    from pairdiff.frames._kernels import mix_some_rows

    first, second, third = _three_planes(planes, signal.chroma_sampling.value)
    out = np.empty((-(-first.shape[0] // step), first.shape[1], 3), np.float32)
    mix_some_rows(first, second, third, *_code_line(signal), _mix_matrix(signal), *_chroma_place(signal), step, out)
    return out


def planes_to_grid(
    planes: Sequence[NDArray[np.unsignedinteger[Any]]],
    signal: Signal,
    *,
    table: NDArray[np.float32],
    table_end: float = 1.0,
    matrix: NDArray[np.float32] | None,
    region: tuple[float, float, float, float],
    rows: int,
    columns: int,
) -> NDArray[np.float32]:
    """Light of a picture, averaged over the cells of a grid in one walk: no picture of its own size is made.

    Parameters
    ----------
    planes, signal
        As for `planes_to_rgb`.
    table
        Light of each component at even steps of its signal from 0 on, float32; linear between two of them, and that of the ends beyond.
    table_end
        Signal of its last entry.
    matrix
        From these to the components that are wanted; None where they are the same.
    region
        Top, bottom, left and right edge of what lies on the grid, pixels, sub-pixel; beyond the picture the edge pixel repeats.
    rows, columns
        Of the grid.

    Returns
    -------
    numpy.ndarray
        (rows, columns, 3), float32.

    Raises
    ------
    InputRefused
        As `planes_to_rgb`.
    """
    from pairdiff.frames._kernels import average_light

    first, second, third = _three_planes(planes, signal.chroma_sampling.value)
    out = np.empty((rows, columns, 3), np.float32)
    top, bottom, left, right = region
    average_light(
        first,
        second,
        third,
        *_code_line(signal),
        _mix_matrix(signal) / np.float32(table_end),
        *_chroma_place(signal),
        table,
        np.float32(table.size - 1),
        np.eye(3, dtype=np.float32) if matrix is None else np.ascontiguousarray(matrix, np.float32),
        matrix is not None,
        np.linspace(top, bottom, rows + 1),
        np.linspace(left, right, columns + 1),
        out,
    )
    return out


@dataclass(slots=True)
class BlockMeans:
    """Means of whole blocks of a luma plane, 2 x 2 or 4 x 4 codes, and where they lie; filled by whoever walks over the plane first."""

    row: int
    column: int
    """Of the first block, pixels."""
    block: int
    every: int
    """One row of blocks in so many is taken, from the first on."""
    means: NDArray[np.unsignedinteger[Any]]
    """(row, column), of the plane's kind; rounded as OpenCV's area resampling does."""
    filled: bool = False

    def place(self) -> NDArray[np.int64]:
        """Row, column, block, every."""
        return np.array([self.row, self.column, self.block, self.every], np.int64)

    def fill(self, luma: NDArray[np.unsignedinteger[Any]]) -> None:
        """Walk over the plane, unless that was done."""
        if not self.filled:
            from pairdiff.frames._kernels import average_blocks

            average_blocks(padded_rows(luma), self.place(), self.means)
            self.filled = True


@dataclass(frozen=True, slots=True)
class CountedLevels:
    """What `count_levels` finds."""

    counts: NDArray[np.int64]
    """Pixels of each step inside the active picture, (step,)."""
    largest: float
    """Largest signal inside."""
    sum_inside: float
    sum_outside: float
    """Of the steps' weights over pixels."""


def count_levels(
    planes: Sequence[NDArray[np.unsignedinteger[Any]]],
    signal: Signal,
    *,
    active: Rectangle,
    weights: NDArray[np.float64],
    steps_per_code: float,
    blocks: BlockMeans | None = None,
) -> CountedLevels:
    """Count the largest of R', G' and B' of each pixel in even steps of the signal, without a picture of the three.

    Parameters
    ----------
    planes, signal
        As for `planes_to_rgb`, whose values are counted; not R, G, B.
    active
        Active picture.
    weights
        (step,) of each step, the first about signal 0. What lies beyond counts at the ends.
    steps_per_code
        How many steps lie between signal 0 and 1.
    blocks
        Filled on the way where that can be done.

    Returns
    -------
    CountedLevels
    """
    from pairdiff.frames._level_kernels import add_up_counts, count_plane_levels, count_short_levels

    first, second, third = _three_planes(planes, signal.chroma_sampling.value)
    steps = len(weights)
    line, place, short = _level_terms(signal, steps, steps_per_code)
    rows = padded_rows(first), padded_rows(second), padded_rows(third)
    inside, outside, counts = np.zeros((4, steps), np.uint32), np.zeros(steps, np.uint32), np.empty(steps, np.int64)
    if short is None or first.shape[1] % 2:
        largest = count_plane_levels(*rows, np.array(first.shape), *line, *place, _box(active), np.float32(steps_per_code), inside, outside)
    else:
        if blocks is None or blocks.filled or blocks.means.dtype != first.dtype:
            wanted = np.zeros(4, np.int64), np.empty((0, 0), first.dtype)
        else:
            wanted = blocks.place(), blocks.means
            blocks.filled = True
        largest = count_short_levels(*rows, np.array(first.shape), *line, *place[2:], _box(active), short, inside, outside, *wanted)
    sum_inside, sum_outside = add_up_counts(inside, outside, weights, counts)
    return CountedLevels(counts, float(largest), sum_inside, sum_outside)


@lru_cache(maxsize=4)
def _level_terms(
    signal: Signal, steps: int, steps_per_code: float
) -> tuple[tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]], tuple[bool, bool, bool, bool], NDArray[np.int16] | None]:
    """Scale, offset and matrix of a release, place of its chroma, what `count_short_levels` needs: the same for all its pictures."""
    short = _short_numbers(signal, steps=steps, steps_per_code=steps_per_code)
    return (*_code_line(signal), _mix_matrix(signal)), _chroma_place(signal), short


def _short_numbers(signal: Signal, *, steps: int, steps_per_code: float) -> NDArray[np.int16] | None:
    """What `count_short_levels` needs to know; None where its integers would not do."""
    bits = 14 - signal.bit_depth.value
    if signal.chroma_sampling.value != "420" or not SHORT_BITS[0] <= signal.bit_depth.value <= SHORT_BITS[1]:
        return None
    scale, offset = _code_line(signal)
    if abs(scale[0] * steps_per_code - 2**bits) > 1e-3:  # a code of luma is no whole number of steps
        return None
    mix = _mix_matrix(signal)
    adds = np.array([mix[0, 2] * scale[2], mix[1, 1] * scale[1], mix[1, 2] * scale[2], mix[2, 1] * scale[1]]) * steps_per_code / 2**bits
    black = round(float(-offset[0] * steps_per_code))
    most = np.iinfo(np.int16).max
    if np.abs(adds).max() * 2**14 > most or 2**14 + np.abs(adds).max() * 2**13 - black > most or steps - 1 > most:
        return None
    return np.array([2**signal.bit_depth.value - 1, bits, black, *np.rint(adds * 2**14)], np.int16)


def count_codes(plane: NDArray[np.unsignedinteger[Any]], *, active: Rectangle, spare: int, shift: int) -> NDArray[np.int64]:
    """Codes, less their lowest `shift` bits, of one place in `spare` of each direction of the active picture: pixels, (code,)."""
    from pairdiff.frames import _kernels

    found = np.zeros((np.iinfo(plane.dtype).max >> shift) + 1, np.int64)
    _kernels.count_codes(padded_rows(plane), _box(active), spare, shift, found)
    return found


def _box(active: Rectangle) -> NDArray[np.int64]:
    return np.array([active.top, active.bottom, active.left, active.right], np.int64)


def padded_rows(plane: NDArray[np.unsignedinteger[Any]]) -> NDArray[np.unsignedinteger[Any]]:
    """A plane as contiguous rows, with what lies between them in memory: compiled loops run many codes at once then.

    Parameters
    ----------
    plane
        (row, column) codes, a view or not.

    Returns
    -------
    numpy.ndarray
        (row, at least as many columns), read-only. Beyond the plane's own columns nothing may be read: there lies padding, or nothing.
    """
    down, across = plane.strides
    if plane.flags.c_contiguous or across != plane.itemsize or down <= 0 or down % plane.itemsize:
        rows = np.ascontiguousarray(plane)
    else:
        rows = np.lib.stride_tricks.as_strided(plane, (plane.shape[0], down // plane.itemsize), writeable=False)
    return rows


def _three_planes(planes: Sequence[NDArray[np.unsignedinteger[Any]]], sampling: str) -> list[NDArray[np.unsignedinteger[Any]]]:
    """Three planes of one type whose sizes fit the sampling; a grey picture stands in for its own chroma, which is then ignored."""
    wanted = 1 if sampling == "grey" else 3
    if len(planes) != wanted:
        raise InputRefused(
            f"A {sampling} picture has {wanted} plane(s), but {len(planes)} were given. Give the planes as the decoder delivers them."
        )
    three = [planes[0]] * 3 if wanted == 1 else list(planes)
    rows, columns = three[0].shape
    expected = (-(-rows // 2) if sampling == "420" else rows, -(-columns // 2) if sampling in ("420", "422") else columns)
    for plane in three[1:]:
        if plane.shape != expected:
            raise InputRefused(
                f"The chroma plane is {plane.shape[1]} x {plane.shape[0]} pixels, but {sampling} beside a luma plane of "
                f"{columns} x {rows} needs {expected[1]} x {expected[0]}. Give the planes as the decoder delivers them."
            )
    kind = np.uint8 if all(plane.dtype == np.uint8 for plane in three) else np.uint16
    return [plane if plane.dtype == kind and plane.dtype.isnative else plane.astype(kind) for plane in three]


def _code_line(signal: Signal) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Scale and offset of signal = scale x code + offset for the three planes."""
    coloured = signal.chroma_sampling.value in ("420", "422", "444")
    scale, offset = np.empty(3), np.empty(3)
    for place in range(3):
        ends = code_to_signal(
            np.array([0.0, 1.0]),
            bit_depth=signal.bit_depth.value,
            code_range=signal.range.value,
            component="chroma" if coloured and place else "luma",
        )
        scale[place], offset[place] = ends[1] - ends[0], ends[0]
    return scale.astype(np.float32), offset.astype(np.float32)


def _chroma_place(signal: Signal) -> tuple[bool, bool, bool, bool]:
    """Whether chroma is halved along columns and along rows, and lies level with the even columns and rows."""
    sampling, siting = signal.chroma_sampling.value, signal.chroma_siting.value
    return sampling in ("420", "422"), sampling == "420", siting != "centre", siting == "top-left"


def _mix_matrix(signal: Signal) -> NDArray[np.float32]:
    """Matrix from the three plane signals to R'G'B'."""
    sampling = signal.chroma_sampling.value
    if sampling == "grey":
        return np.array([[1, 0, 0]] * 3, np.float32)
    if sampling == "rgb":
        return np.eye(3, dtype=np.float32)
    red, blue = LUMA_WEIGHTS[signal.matrix.value]
    green = 1.0 - red - blue
    from_cr, from_cb = 2.0 * (1.0 - red), 2.0 * (1.0 - blue)
    return np.array([[1, 0, from_cr], [1, -from_cb * blue / green, -from_cr * red / green], [1, from_cb, 0]], np.float32)
