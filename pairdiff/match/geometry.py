"""Which region belongs to which: common picture, scale, shift, and the canvas both sides are resampled to. First form.

The active pictures give a first guess; enhanced correlation (G. D. Evangelidis and E. Z. Psarakis, "Parametric Image Alignment Using
Enhanced Correlation Coefficient Maximization", IEEE TPAMI 30(10), 2008; OpenCV), started from a cross-correlation (scikit-image), refines
it to sub-pixel on contrast-normalised luma.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, Geometry, Rectangle
from pairdiff.match._kernels import average_columns, average_rows
from pairdiff.match.grid import GridMap

ASPECT_TOLERANCE = 0.015
"""Active pictures whose aspect ratios differ by less than this show the same picture, edge to edge (own)."""
REFINE_PIXELS = 0.1
"""Misregistration on the canvas from which the first guess is corrected (own)."""
MAP_TRUST_SHARE = 0.012
"""Distance, as a share of width or height, up to which the map of the grids does not contradict the edges of the pictures (own)."""
ROUNDS = 4
"""Most rounds of registration; each begins where the last one ended."""
MOST_PIXELS = 12.0
"""A correction larger than this is a failed fit and is not used (own)."""


@dataclass(frozen=True, slots=True)
class LumaPair:
    """Luma planes of a matched pair at native size, (row, column) float32 code values."""

    hdr: FloatArray
    sdr: FloatArray


def resample_area(picture: FloatArray, *, region: tuple[float, float, float, float], rows: int, columns: int) -> NDArray[np.float32]:
    """Area average of a region of a picture onto a grid.

    Parameters
    ----------
    picture : (row, column) or (row, column, channel), linear light where light is meant.
    region : top, bottom, left, right edge, pixels, sub-pixel; beyond the picture the edge pixel repeats.
    rows, columns : of the grid.

    Returns
    -------
    (rows, columns[, channel]) float32.
    """
    top, bottom, left, right = region
    source = np.ascontiguousarray(picture if picture.ndim == 3 else picture[..., None], np.float32)
    whole = all(float(edge).is_integer() for edge in region)
    inside = min(top, left) >= 0 and bottom <= source.shape[0] and right <= source.shape[1]
    if whole and inside and bottom - top == rows and right - left == columns:
        out = source[int(top) : int(bottom), int(left) : int(right)]
    else:
        tall = np.empty((rows, source.shape[1] * source.shape[2]), np.float32)
        average_rows(source.reshape(source.shape[0], -1), np.linspace(top, bottom, rows + 1), tall)
        out = np.empty((rows, columns, source.shape[2]), np.float32)
        average_columns(tall.reshape(rows, source.shape[1], source.shape[2]), np.linspace(left, right, columns + 1), out)
    return np.ascontiguousarray(out if picture.ndim == 3 else out[..., 0])


def guess_geometry(hdr_active: Rectangle, sdr_active: Rectangle, *, max_columns: int, pixels_per_degree_2160: float) -> Geometry:
    """Geometry from the active pictures alone: edge to edge where their shapes agree, else equal width about a common centre."""
    hdr_size = (hdr_active.bottom - hdr_active.top, hdr_active.right - hdr_active.left)
    sdr_size = (sdr_active.bottom - sdr_active.top, sdr_active.right - sdr_active.left)
    scale_columns = hdr_size[1] / sdr_size[1]
    scale_rows = hdr_size[0] / sdr_size[0]
    if abs(scale_rows / scale_columns - 1) > ASPECT_TOLERANCE:
        scale_rows = scale_columns
        hdr_middle, sdr_middle = (hdr_active.top + hdr_active.bottom) / 2, (sdr_active.top + sdr_active.bottom) / 2
        shift_rows = hdr_middle - scale_rows * sdr_middle
    else:
        shift_rows = hdr_active.top - scale_rows * sdr_active.top
    shift_columns = hdr_active.left - scale_columns * sdr_active.left
    return build_geometry(
        hdr_active,
        sdr_active,
        scale=(scale_rows, scale_columns),
        shift=(shift_rows, shift_columns),
        max_columns=max_columns,
        pixels_per_degree_2160=pixels_per_degree_2160,
        residual_pixels=None,
    )


def geometry_from_map(
    hdr_active: Rectangle, sdr_active: Rectangle, *, grid_map: GridMap, max_columns: int, pixels_per_degree_2160: float
) -> Geometry:
    """Geometry from the active pictures and the place of one's grid of fingerprints in the other's.

    The edges of the active pictures are exact where they are the picture's own, the map is right for any crop but coarse: a guess from
    the edges is taken where the map does not contradict it.
    """
    limits = {"max_columns": max_columns, "pixels_per_degree_2160": pixels_per_degree_2160}
    guess = guess_geometry(hdr_active, sdr_active, **limits)  # type: ignore[arg-type]
    hdr_size = (hdr_active.bottom - hdr_active.top, hdr_active.right - hdr_active.left)
    sdr_size = (sdr_active.bottom - sdr_active.top, sdr_active.right - sdr_active.left)
    scale = grid_map.scale_rows * hdr_size[0] / sdr_size[0], grid_map.scale_columns * hdr_size[1] / sdr_size[1]
    shift = (
        hdr_active.top + grid_map.shift_rows * hdr_size[0] - scale[0] * sdr_active.top,
        hdr_active.left + grid_map.shift_columns * hdr_size[1] - scale[1] * sdr_active.left,
    )
    mapped = build_geometry(hdr_active, sdr_active, scale=scale, shift=shift, residual_pixels=None, **limits)  # type: ignore[arg-type]
    return guess if _corners_apart(guess, mapped, sdr_active) <= MAP_TRUST_SHARE else mapped


def _corners_apart(first: Geometry, second: Geometry, sdr_active: Rectangle) -> float:
    """Farthest that two geometries put a corner of the SDR picture apart, as a share of the HDR picture's size."""
    size = (first.hdr_active.bottom - first.hdr_active.top, first.hdr_active.right - first.hdr_active.left)
    apart = [
        abs(first.shift_rows - second.shift_rows + edge * (first.scale_rows - second.scale_rows)) / size[0]
        for edge in (sdr_active.top, sdr_active.bottom)
    ]
    apart += [
        abs(first.shift_columns - second.shift_columns + edge * (first.scale_columns - second.scale_columns)) / size[1]
        for edge in (sdr_active.left, sdr_active.right)
    ]
    return max(apart)


def build_geometry(
    hdr_active: Rectangle,
    sdr_active: Rectangle,
    *,
    scale: tuple[float, float],
    shift: tuple[float, float],
    max_columns: int,
    pixels_per_degree_2160: float,
    residual_pixels: float | None,
) -> Geometry:
    """Common picture and canvas for hdr = shift + scale x sdr (rows, columns)."""
    top, bottom = _common(hdr_active.top, hdr_active.bottom, sdr_active.top, sdr_active.bottom, scale[0], shift[0])
    left, right = _common(hdr_active.left, hdr_active.right, sdr_active.left, sdr_active.right, scale[1], shift[1])
    hdr_common = (shift[0] + scale[0] * top, shift[0] + scale[0] * bottom, shift[1] + scale[1] * left, shift[1] + scale[1] * right)
    shrink = min(1.0, scale[1], max_columns / (right - left))  # canvas pixels per SDR pixel
    rows, columns = max(round((bottom - top) * shrink), 1), max(round((right - left) * shrink), 1)
    lines = _picture_lines(sdr_active, shrink)
    return Geometry(
        hdr_active=hdr_active,
        sdr_active=sdr_active,
        scale_columns=scale[1],
        scale_rows=scale[0],
        shift_columns=shift[1],
        shift_rows=shift[0],
        hdr_common=hdr_common,
        sdr_common=(top, bottom, left, right),
        canvas_rows=rows,
        canvas_columns=columns,
        pixels_per_degree=pixels_per_degree_2160 * lines / 2160,
        residual_pixels=residual_pixels,
    )


def _common(hdr_low: int, hdr_high: int, sdr_low: int, sdr_high: int, scale: float, shift: float) -> tuple[float, float]:
    """Overlap of both active spans, in SDR pixels; edges within a thousandth of a pixel of a whole one are that one."""
    low, high = max(sdr_low, (hdr_low - shift) / scale), min(sdr_high, (hdr_high - shift) / scale)
    return _snap(low), _snap(high)


def _snap(edge: float) -> float:
    return float(round(edge)) if abs(edge - round(edge)) < 1e-3 else float(edge)


def _picture_lines(sdr_active: Rectangle, shrink: float) -> float:
    """Lines of the 16:9 screen the canvas belongs to: a 16:9 screen is 9/16 as high as wide, whatever bars the picture has."""
    width = (sdr_active.right - sdr_active.left) * shrink
    height = (sdr_active.bottom - sdr_active.top) * shrink
    return max(width * 9 / 16, height)


def refine_geometry(guess: Geometry, pairs: Sequence[LumaPair], *, max_columns: int, pixels_per_degree_2160: float) -> Geometry:
    """Correct a guess by registering a few matched pairs on the canvas.

    Parameters
    ----------
    guess : where to begin.
    pairs : luma of matched pairs, spread over the film.
    max_columns, pixels_per_degree_2160 : as in the settings.

    Returns
    -------
    Geometry with its residual; the guess with residual None where no pair could be registered.
    """
    best = guess
    for _ in range(ROUNDS):
        found = _refine_once(best, pairs, max_columns=max_columns, pixels_per_degree_2160=pixels_per_degree_2160)
        settled = found.residual_pixels is None or (found.scale_rows, found.shift_rows) == (best.scale_rows, best.shift_rows)
        if found.residual_pixels is not None:
            best = found
        if settled:
            break
    return best


def _refine_once(first: Geometry, pairs: Sequence[LumaPair], *, max_columns: int, pixels_per_degree_2160: float) -> Geometry:
    """One round: the guess with residual None where nothing registers, itself with a residual where it is right already."""
    corrections = [found for found in (_register(first, pair) for pair in pairs) if found is not None]
    if not corrections:
        return replace(first, residual_pixels=None)
    middle = np.median(np.stack(corrections), axis=0)
    if float(_displacement(middle, first).max()) <= REFINE_PIXELS:
        residual = float(np.median([_displacement(c, first).mean() for c in corrections]))
        return replace(first, residual_pixels=residual)
    left_over = float(np.median([np.abs(_displacement(c, first, middle)).mean() for c in corrections]))
    per_row, per_column = _hdr_per_canvas(first)
    # canvas position p of the SDR picture shows at p' = (1 + a) p + t of the HDR picture: fold that into scale and shift
    scale_rows, scale_columns = first.scale_rows * middle[1, 1], first.scale_columns * middle[0, 0]
    shift_rows = first.hdr_common[0] + per_row * middle[1, 2] - scale_rows * first.sdr_common[0]
    shift_columns = first.hdr_common[2] + per_column * middle[0, 2] - scale_columns * first.sdr_common[2]
    return build_geometry(
        first.hdr_active,
        first.sdr_active,
        scale=(scale_rows, scale_columns),
        shift=(shift_rows, shift_columns),
        max_columns=max_columns,
        pixels_per_degree_2160=pixels_per_degree_2160,
        residual_pixels=left_over,
    )


def _hdr_per_canvas(geometry: Geometry) -> tuple[float, float]:
    top, bottom, left, right = geometry.hdr_common
    return (bottom - top) / geometry.canvas_rows, (right - left) / geometry.canvas_columns


def _register(geometry: Geometry, pair: LumaPair) -> NDArray[np.float64] | None:
    """2 x 3 affine map from SDR to HDR canvas positions (pixel edges), diagonal scale and shift only; None without convergence."""
    size = {"rows": geometry.canvas_rows, "columns": geometry.canvas_columns}
    hdr = _normalise_contrast(resample_area(pair.hdr, region=geometry.hdr_common, **size))
    sdr = _normalise_contrast(resample_area(pair.sdr, region=geometry.sdr_common, **size))
    start = np.eye(2, 3, dtype=np.float32)
    start[:, 2] = _coarse_shift(hdr, sdr)
    try:
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-5)
        _, warp = cv2.findTransformECC(sdr, hdr, start, cv2.MOTION_AFFINE, criteria)
    except cv2.error:
        return None
    found = np.asarray(warp, np.float64)
    found[:, 2] += 0.5 - 0.5 * found[:, :2].sum(1)  # pixel centres to pixel edges
    if np.abs(found[0, 1]) > 0.002 or np.abs(found[1, 0]) > 0.002 or _displacement(found, geometry).max() > MOST_PIXELS:
        return None
    found[0, 1] = found[1, 0] = 0.0
    return found


def _coarse_shift(hdr: NDArray[np.float32], sdr: NDArray[np.float32]) -> NDArray[np.float32]:
    """Shift of the HDR canvas against the SDR canvas, whole pixels (column, row), by cross-correlation: enough for the fine fit to lock."""
    from skimage.registration import phase_cross_correlation

    shift, _, _ = phase_cross_correlation(hdr, sdr, normalization=None)  # type: ignore[no-untyped-call]
    return np.asarray(shift[::-1], np.float32)


def _displacement(warp: NDArray[np.float64], geometry: Geometry, other: NDArray[np.float64] | None = None) -> NDArray[np.float64]:
    """Distance that two maps (the identity by default) move the corners of the canvas apart, canvas pixels."""
    rows, columns = geometry.canvas_rows, geometry.canvas_columns
    corners = np.array([[0, 0, 1], [columns, 0, 1], [0, rows, 1], [columns, rows, 1]], np.float64)
    return np.asarray(np.linalg.norm(corners @ (warp - (np.eye(2, 3) if other is None else other)).T, axis=1))


def _normalise_contrast(luma: FloatArray, sigma: float = 4.0) -> NDArray[np.float32]:
    """Luma less its local mean over its local contrast, so that two grades of one picture look alike."""
    flat = luma.astype(np.float32)
    detail = flat - cv2.GaussianBlur(flat, (0, 0), sigma)
    energy = cv2.GaussianBlur(detail * detail, (0, 0), 2 * sigma)
    floor = 0.05 * float(np.sqrt(energy.mean())) + 1e-6
    return (detail / (np.sqrt(energy) + floor)).astype(np.float32)
