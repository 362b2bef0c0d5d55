"""Brushes of the invented film: colours, noise, soft shapes and layers, all in scene-linear BT.2020 float32.

A layer is an array (row, column, 4): light already multiplied by coverage, and coverage. Light with no coverage is a glow.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._demo.grade import BT709_TO_BT2020, P3_TO_BT2020

Picture = NDArray[np.float32]
Point = tuple[float, float]

ROWS, COLUMNS = 804, 1920
"""Size of the active picture at which the film is painted."""


def pick(red: float, green: float, blue: float) -> Picture:
    """Scene-linear BT.2020 colour from BT.709 components."""
    return np.asarray(BT709_TO_BT2020 @ np.array([red, green, blue]), dtype=np.float32)


def pick_p3(red: float, green: float, blue: float) -> Picture:
    """Scene-linear BT.2020 colour from P3-D65 components; may lie outside BT.709."""
    return np.asarray(np.maximum(P3_TO_BT2020 @ np.array([red, green, blue]), 0.0), dtype=np.float32)


def make_noise(rows: int, columns: int, *, cell: float, octaves: int, seed: int, stretch: float = 1.0, gain: float = 0.55) -> Picture:
    """Value noise in octaves: mean about 0, standard deviation about 1, shape (rows, columns).

    `cell` is the size of the coarsest grain in pixels, down a column; along a row it is `stretch` times that.
    """
    rng = np.random.default_rng(seed)
    total = np.zeros((rows, columns), np.float32)
    weight, power = 1.0, 0.0
    for octave in range(octaves):
        high, wide = max(cell / 2**octave, 1.0), max(cell * stretch / 2**octave, 1.0)
        grid_rows, grid_columns = int(np.ceil(rows / high)) + 2, int(np.ceil(columns / wide)) + 2
        grid = rng.standard_normal((grid_rows, grid_columns), dtype=np.float32)
        size = (int(np.ceil(grid_columns * wide)), int(np.ceil(grid_rows * high)))
        total += np.float32(weight) * cv2.resize(grid, size, interpolation=cv2.INTER_CUBIC)[:rows, :columns]
        power += weight**2
        weight *= gain
    return total * np.float32(1.6 / np.sqrt(power))


def fill_mask(rows: int, columns: int, shapes: Sequence[Sequence[Point]], *, soft: float = 0.7) -> Picture:
    """Coverage (rows, columns) of polygons given as (column, row) points; edges softened by `soft` pixels."""
    mask = np.zeros((rows, columns), np.uint8)
    for points in shapes:
        cv2.fillPoly(mask, [np.round(np.array(points) * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return soften(mask, soft)


def draw_lines(rows: int, columns: int, lines: Sequence[Sequence[Point]], *, thickness: int, soft: float = 0.7) -> Picture:
    """Coverage (rows, columns) of open lines given as (column, row) points."""
    mask = np.zeros((rows, columns), np.uint8)
    for points in lines:
        cv2.polylines(mask, [np.round(np.array(points) * 16).astype(np.int32)], False, 255, thickness, cv2.LINE_AA, 4)
    return soften(mask, soft)


def write_mask(rows: int, columns: int, text: str, *, at: Point, scale: float, thickness: int, font: int, soft: float = 0.7) -> Picture:
    """Coverage (rows, columns) of a line of text, centred on `at`."""
    (wide, high), _ = cv2.getTextSize(text, font, scale, thickness)
    mask = np.zeros((rows, columns), np.uint8)
    cv2.putText(mask, text, (int(at[0] - wide / 2), int(at[1] + high / 2)), font, scale, (255,), thickness, cv2.LINE_AA)
    return soften(mask, soft)


def soften(mask: NDArray[np.uint8], soft: float) -> Picture:
    """8-bit coverage as float 0 to 1, blurred by `soft` pixels."""
    cover = mask.astype(np.float32) / np.float32(255.0)
    return np.asarray(cv2.GaussianBlur(cover, (0, 0), soft), dtype=np.float32) if soft > 0 else cover


def circle(at: Point, radius: float, *, squash: float = 1.0, corners: int = 40) -> list[Point]:
    """Points of a circle (or of an ellipse, `squash` times as high as wide)."""
    turn = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    return [(at[0] + radius * float(np.cos(a)), at[1] + radius * squash * float(np.sin(a))) for a in turn]


def make_layer(rows: int, columns: int) -> Picture:
    """An empty layer (rows, columns, 4)."""
    return np.zeros((rows, columns, 4), np.float32)


def put_shape(layer: Picture, cover: Picture, colour: NDArray[Any]) -> None:
    """Lay a shape over what the layer holds; `colour` is (3,) or (row, column, 3)."""
    keep = (1 - cover)[..., None]
    layer *= keep
    layer[..., :3] += cover[..., None] * colour
    layer[..., 3] += cover


def _find_box(layer: Picture, shapes: Sequence[Sequence[Point]], *, margin: float) -> tuple[int, int, int, int]:
    """Rows and columns of a layer that shapes touch: top, bottom, left, right."""
    points = np.array([point for shape in shapes for point in shape])
    low, high = np.floor(points.min(axis=0) - margin), np.ceil(points.max(axis=0) + margin) + 1
    left, right = int(np.clip(low[0], 0, layer.shape[1])), int(np.clip(high[0], 0, layer.shape[1]))
    top, bottom = int(np.clip(low[1], 0, layer.shape[0])), int(np.clip(high[1], 0, layer.shape[0]))
    return top, bottom, left, right


def _put(layer: Picture, shapes: Sequence[Sequence[Point]], colour: NDArray[Any], *, soft: float, thickness: int | None) -> None:
    top, bottom, left, right = _find_box(layer, shapes, margin=4 * soft + 2 + (thickness or 0))
    if top >= bottom or left >= right:
        return
    moved = [[(c - left, r - top) for c, r in shape] for shape in shapes]
    rows, columns = bottom - top, right - left
    if thickness is None:
        cover = fill_mask(rows, columns, moved, soft=soft)
    else:
        cover = draw_lines(rows, columns, moved, thickness=thickness, soft=soft)
    whole = np.broadcast_to(colour, (*layer.shape[:2], 3))
    put_shape(layer[top:bottom, left:right], cover, whole[top:bottom, left:right])


def put_polygons(layer: Picture, shapes: Sequence[Sequence[Point]], colour: NDArray[Any], *, soft: float = 0.7) -> None:
    """Lay polygons over what the layer holds; `colour` is (3,) or spreads to (row, column, 3) of the whole layer."""
    _put(layer, shapes, colour, soft=soft, thickness=None)


def put_lines(layer: Picture, lines: Sequence[Sequence[Point]], colour: NDArray[Any], *, thickness: int, soft: float = 0.7) -> None:
    """Lay open lines over what the layer holds; `colour` as in `put_polygons`."""
    _put(layer, lines, colour, soft=soft, thickness=thickness)


def trim(layer: Picture) -> tuple[Picture, int]:
    """The layer without the empty rows above its content, and the row at which it starts."""
    top = int(np.argmax(layer.any(axis=(1, 2))))
    return np.ascontiguousarray(layer[top:]), top


def put_glow(layer: Picture, at: Point, *, colour: NDArray[Any], radius: float, reach: float) -> None:
    """Add a round glow that falls off as 1 / (1 + (r / radius)^2)^1.5 and ends at `reach` pixels."""
    column, row = at
    top, bottom = max(int(row - reach), 0), min(int(row + reach) + 1, layer.shape[0])
    left, right = max(int(column - reach), 0), min(int(column + reach) + 1, layer.shape[1])
    if top >= bottom or left >= right:
        return
    layer[top:bottom, left:right, :3] += glow_patch(at, (top, bottom, left, right), radius=radius, reach=reach)[..., None] * colour


def glow_patch(at: Point, box: tuple[int, int, int, int], *, radius: float, reach: float) -> Picture:
    """The fall-off of a glow within a box (top, bottom, left, right)."""
    rows = np.arange(box[0], box[1], dtype=np.float32)[:, None] - np.float32(at[1])
    columns = np.arange(box[2], box[3], dtype=np.float32)[None, :] - np.float32(at[0])
    square = rows**2 + columns**2
    fall = (1 + square / np.float32(radius**2)) ** np.float32(-1.5)
    return np.asarray(fall * np.clip(1 - square / np.float32(reach**2), 0, 1), dtype=np.float32)


def fade_rows(rows: int, *stops: tuple[float, NDArray[Any]]) -> Picture:
    """Vertical gradient (rows, 3) through (position 0 to 1, colour) stops."""
    where = np.linspace(0, 1, rows)
    places = [place for place, _ in stops]
    return np.stack([np.interp(where, places, [float(c[k]) for _, c in stops]) for k in range(3)], axis=1).astype(np.float32)
