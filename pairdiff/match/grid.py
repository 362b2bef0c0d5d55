"""Where the grid of one side's fingerprints lies in that of the other: crops, open mattes, shifts, before any picture is registered.

A travelling camera makes a shift in place look like a shift in time, so the grids are registered before frames are matched.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Empty, Prints, in_memory
from pairdiff._records import FloatArray
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS
from pairdiff.match.motion import BLOCK_FRAMES

SUB_SAMPLES = 4
"""Points along each side of a cell that its value is averaged from."""
LEAST_COMMON_SHARE = 0.3
"""A map that leaves less of the SDR grid than this in common is not considered (own)."""
ZOOMS = (1.0, 0.95, 0.9, 0.85, 1.05, 1.11, 1.18)
"""Crops tried on one side or the other, as the HDR share of width and height that the SDR picture spans (own)."""
FIT_REACH = 0.06
"""How far the fit may move a corner, share of the width or height (own)."""
FIT_STEPS = (0.02, 0.01, 0.005, 0.0025)
"""Steps of the fit, shares of the width or height; finer ones follow slow pans, which look alike a frame and a step away (own)."""
FIT_GAIN = 1e-4
"""Correlation that a step of the fit must gain (own)."""


@dataclass(frozen=True, slots=True)
class GridMap:
    """Place in the HDR active picture of a place in the SDR one: hdr = shift + scale x sdr, both 0 to 1 along rows and columns."""

    scale_rows: float = 1.0
    scale_columns: float = 1.0
    shift_rows: float = 0.0
    shift_columns: float = 0.0


def likely_maps(hdr_aspect: float, sdr_aspect: float) -> tuple[GridMap, ...]:
    """Maps to try: edge to edge; where the shapes differ, equal width or equal height about a common middle; each with crops.

    Parameters
    ----------
    hdr_aspect, sdr_aspect : width over height of the active pictures as shown.
    """
    ratio = hdr_aspect / sdr_aspect
    shapes = [(1.0, 1.0)]
    if abs(ratio - 1) > 0.015:
        shapes = [(ratio, 1.0), (1.0, 1 / ratio), (1.0, 1.0)]
    return tuple(centred_map(rows * zoom, columns * zoom) for zoom in ZOOMS for rows, columns in shapes)


def centred_map(scale_rows: float, scale_columns: float) -> GridMap:
    """Map about a common middle."""
    return GridMap(scale_rows, scale_columns, (1 - scale_rows) / 2, (1 - scale_columns) / 2)


def is_whole(grid_map: GridMap) -> bool:
    """Whether a map is edge to edge."""
    return grid_map == GridMap()


def common_cells(grid_map: GridMap) -> NDArray[np.bool_]:
    """Cells of the SDR grid whose middle lies inside the HDR picture, (cell,)."""
    rows = _inside(grid_map.scale_rows, grid_map.shift_rows, GRID_ROWS)
    columns = _inside(grid_map.scale_columns, grid_map.shift_columns, GRID_COLUMNS)
    return np.asarray(rows[:, None] & columns[None, :]).reshape(-1)


def _inside(scale: float, shift: float, cells: int) -> NDArray[np.bool_]:
    place = shift + scale * (np.arange(cells) + 0.5) / cells
    return np.asarray((place > 0) & (place < 1))


def resample_track(track: FloatArray, grid_map: GridMap) -> NDArray[np.float16]:
    """HDR fingerprints on the SDR grid: zero outside the common cells, zero mean and unit length inside."""
    return np.asarray(resample_film(track, grid_map, empty=in_memory))


def resample_film(track: Prints, grid_map: GridMap, *, empty: Empty) -> Prints:
    """`resample_track` of a whole film, put into an array that `empty` makes."""
    rows = _weights(grid_map.scale_rows, grid_map.shift_rows, GRID_ROWS)
    columns = _weights(grid_map.scale_columns, grid_map.shift_columns, GRID_COLUMNS)
    out = empty(track.shape, np.float16)
    for start in range(0, len(track), BLOCK_FRAMES):
        part = track[start : start + BLOCK_FRAMES].astype(np.float32).reshape(-1, GRID_ROWS, GRID_COLUMNS)
        moved = np.matmul(np.matmul(rows, part), columns.T)
        out[start : start + len(part)] = _renormalise(moved.reshape(len(part), -1), common_cells(grid_map))
    return out


def mask_track(track: FloatArray, grid_map: GridMap) -> NDArray[np.float16]:
    """SDR fingerprints of the common cells alone, zero mean and unit length."""
    return np.asarray(mask_film(track, grid_map, empty=in_memory))


def mask_film(track: Prints, grid_map: GridMap, *, empty: Empty) -> Prints:
    """`mask_track` of a whole film, put into an array that `empty` makes; the very array where all cells are common."""
    cells = common_cells(grid_map)
    if cells.all():
        return track if track.dtype == np.float16 else track[:].astype(np.float16)
    out = empty(track.shape, np.float16)
    for start in range(0, len(track), BLOCK_FRAMES):
        out[start : start + BLOCK_FRAMES] = _renormalise(track[start : start + BLOCK_FRAMES].astype(np.float32), cells)
    return out


def _renormalise(values: NDArray[np.float32], cells: NDArray[np.bool_]) -> NDArray[np.float32]:
    values = np.where(cells, values - values[:, cells].mean(1, keepdims=True), np.float32(0))
    length = np.linalg.norm(values, axis=1, keepdims=True)
    return np.asarray(np.where(length > 1e-3, values / np.maximum(length, 1e-3), 0), np.float32)


def _weights(scale: float, shift: float, cells: int) -> NDArray[np.float32]:
    """Share of each HDR cell in each SDR cell: the mean of linear interpolations at `SUB_SAMPLES` points."""
    points = (np.arange(cells * SUB_SAMPLES) + 0.5) / SUB_SAMPLES
    place = np.clip((shift + scale * points / cells) * cells - 0.5, 0, cells - 1)
    low = np.minimum(np.floor(place).astype(int), cells - 2)
    weights = np.zeros((cells * SUB_SAMPLES, cells), np.float32)
    part = (place - low).astype(np.float32)
    weights[np.arange(len(place)), low] = 1 - part
    weights[np.arange(len(place)), low + 1] += part
    return np.asarray(weights.reshape(cells, SUB_SAMPLES, cells).mean(1))


def fit_map(first: GridMap, score: Callable[[GridMap], float]) -> tuple[GridMap, float]:
    """Improve a map step by step: one scale for both axes, both shifts, then each scale by itself.

    Parameters
    ----------
    first : where to begin.
    score : how well a map makes the grids agree; more is better.

    Returns
    -------
    The best map and its score.
    """
    best, value = first, score(first)
    for step in FIT_STEPS:
        moved = True
        while moved:
            moved = False
            for candidate in _neighbours(best, step):
                if common_cells(candidate).mean() < LEAST_COMMON_SHARE or maps_apart(first, candidate) > FIT_REACH:
                    continue
                found = score(candidate)
                if found > value + FIT_GAIN:
                    best, value, moved = candidate, found, True
    return best, value


def maps_apart(first: GridMap, second: GridMap) -> float:
    """Farthest that two maps put a corner of the picture apart, share of its width or height."""
    rows = [abs(first.shift_rows - second.shift_rows + edge * (first.scale_rows - second.scale_rows)) for edge in (0, 1)]
    columns = [abs(first.shift_columns - second.shift_columns + edge * (first.scale_columns - second.scale_columns)) for edge in (0, 1)]
    return max(*rows, *columns)


def _neighbours(grid_map: GridMap, step: float) -> Sequence[GridMap]:
    near = []
    for sign in (step, -step):
        near.append(replace(grid_map, shift_columns=grid_map.shift_columns + sign))
        near.append(replace(grid_map, shift_rows=grid_map.shift_rows + sign))
        near.append(_zoomed(grid_map, 1 + sign, 1 + sign))
        near.append(_zoomed(grid_map, 1 + sign, 1))
        near.append(_zoomed(grid_map, 1, 1 + sign))
    return near


def _zoomed(grid_map: GridMap, rows: float, columns: float) -> GridMap:
    """Scale changed about the middle of the SDR picture."""
    scale_rows, scale_columns = grid_map.scale_rows * rows, grid_map.scale_columns * columns
    return GridMap(
        scale_rows,
        scale_columns,
        grid_map.shift_rows + (grid_map.scale_rows - scale_rows) / 2,
        grid_map.shift_columns + (grid_map.scale_columns - scale_columns) / 2,
    )
