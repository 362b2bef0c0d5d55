"""Which region belongs to which: common picture, scale, shift, and the canvas both sides are resampled to.

The active pictures give a first guess; enhanced correlation (G. D. Evangelidis and E. Z. Psarakis, "Parametric Image Alignment Using
Enhanced Correlation Coefficient Maximization", IEEE TPAMI 30(10), 2008; OpenCV), started from a cross-correlation (scikit-image), refines
it to sub-pixel on contrast-normalised luma. Each pair says how far the edges of the common picture are off, in that pair; these four
numbers, and not the coefficients of a map (of which a shift hangs on its scale), are averaged over pairs. Of the places that agree with
what was measured the simplest is taken: edge to edge, then one scale for both axes. So pictures that need no resampling are not
resampled for a hundredth of a pixel.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, Geometry, Rectangle
from pairdiff.match._kernels import average_columns, average_rows
from pairdiff.match.grid import GridMap

FIELD_ASPECT = 0.6
"""Width over height of a pixel below which it is one of a field, and lines lie twice as far apart as columns (own; stored pictures have
0.89 and more)."""
SQUARE = (1.0, 1.0)
"""Width over height of the pixels of both sides where these are square."""
ASPECT_TOLERANCE = 0.015
"""Active pictures whose aspect ratios differ by less than this show the same picture, edge to edge (own)."""
MAP_TRUST_SHARE = 0.012
"""Distance, as a share of width or height, up to which the map of the grids does not contradict the edges of the pictures (own)."""
ROUNDS = 3
"""Most rounds of registration; each begins where the last one ended."""
SETTLED_PIXELS = 0.01
"""Correction on the canvas below which no further round is needed (own)."""
MOST_PIXELS = 12.0
"""A correction larger than this is a failed fit and is not used (own)."""
MOST_SKEW = 0.004
"""Skew or rotation, in rows per column, beyond which a fit has failed: two releases are scaled and shifted, not turned (own)."""
LEAST_CORRELATION = 0.2
"""Correlation of contrast-normalised luma below which a pair is not registered (own)."""
DETAIL_SIGMA, LEAST_CONTRAST_SHARE = 4.0, 0.05
"""Width of the detail that pictures are registered by, pixels; contrast, as a share of the whole picture's, from which it is raised in full
(own)."""
REGISTER_COLUMNS = 640
"""Widest canvas, and about the widest picture, for registration: a hundredth of its pixels is seen, wider ones only cost time."""
EYE_COLUMNS = 1920
"""Width at which distances are stated, pixels."""
SIMPLE_PIXELS, SIMPLE_CANVAS_PIXELS, SIMPLE_ERRORS, MOST_SIMPLE_PIXELS = 0.12, 0.04, 2.0, 0.5
"""A simpler place is taken within the first, in pixels at `EYE_COLUMNS`, within the second, in canvas pixels, which is how well a pair is
placed at best, or within so many standard errors up to the last, at `EYE_COLUMNS` (own)."""
OUTLIER_DEVIATIONS = 3.0
"""Pairs further than this from the densest half, in robust standard deviations, do not count (own)."""
LEAST_SPREAD = 0.02
"""Spread of pairs, canvas pixels, below which the densest half is a chance (own)."""


@dataclass(frozen=True, slots=True)
class LumaPair:
    """Luma planes of a matched pair, (row, column) float32 code values, each averaged over blocks of `step` by `step` pixels."""

    hdr: FloatArray
    sdr: FloatArray
    hdr_step: int = 1
    sdr_step: int = 1


def make_luma_pair(hdr: NDArray[np.unsignedinteger[Any]], sdr: NDArray[np.unsignedinteger[Any]]) -> LumaPair:
    """A pair for registration, wide pictures averaged down by whole factors: memory stays small, edges stay where they are."""
    (first, hdr_step), (second, sdr_step) = shrink_luma(hdr), shrink_luma(sdr)
    return LumaPair(first, second, hdr_step, sdr_step)


def shrink_luma(luma: NDArray[np.unsignedinteger[Any]]) -> tuple[NDArray[np.float32], int]:
    """Luma of one picture averaged over blocks, and the side of a block in pixels."""
    step = max(luma.shape[1] // REGISTER_COLUMNS, 1)
    if step == 1:
        return luma.astype(np.float32), 1
    rows, columns = (size // step for size in luma.shape)
    whole = np.ascontiguousarray(luma[: rows * step, : columns * step])
    return np.asarray(cv2.resize(whole.astype(np.float32), (columns, rows), interpolation=cv2.INTER_AREA)), step


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


def guess_geometry(
    hdr_active: Rectangle,
    sdr_active: Rectangle,
    *,
    max_columns: int,
    pixels_per_degree_2160: float,
    pixel_aspects: tuple[float, float] = SQUARE,
) -> Geometry:
    """Geometry from the active pictures alone: edge to edge where their shapes agree, else equal width about a common centre."""
    hdr_size = (hdr_active.bottom - hdr_active.top, hdr_active.right - hdr_active.left)
    sdr_size = (sdr_active.bottom - sdr_active.top, sdr_active.right - sdr_active.left)
    scale_columns = hdr_size[1] / sdr_size[1]
    scale_rows = hdr_size[0] / sdr_size[0]
    upright = pixel_aspects[0] / pixel_aspects[1]  # scale of rows over that of columns, where a circle stays one
    if abs(scale_rows / scale_columns / upright - 1) > ASPECT_TOLERANCE:
        scale_rows = scale_columns * upright
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
        pixel_aspects=pixel_aspects,
        residual_pixels=None,
    )


def stretch_geometry(hdr_active: Rectangle, sdr_active: Rectangle, *, limits: Mapping[str, Any]) -> Geometry:
    """Geometry edge to edge, whatever the shapes of the active pictures."""
    scale_rows = (hdr_active.bottom - hdr_active.top) / (sdr_active.bottom - sdr_active.top)
    scale_columns = (hdr_active.right - hdr_active.left) / (sdr_active.right - sdr_active.left)
    shift = (hdr_active.top - scale_rows * sdr_active.top, hdr_active.left - scale_columns * sdr_active.left)
    return build_geometry(hdr_active, sdr_active, scale=(scale_rows, scale_columns), shift=shift, residual_pixels=None, **limits)


def is_stretched(geometry: Geometry, *, pixel_aspects: tuple[float, float]) -> bool:
    """Whether a circle of one release is none in the other, by the pixel aspects that the releases tell."""
    upright = pixel_aspects[0] / pixel_aspects[1]
    return abs(geometry.scale_rows / geometry.scale_columns / upright - 1) > ASPECT_TOLERANCE


def geometry_from_map(
    hdr_active: Rectangle,
    sdr_active: Rectangle,
    *,
    grid_map: GridMap,
    max_columns: int,
    pixels_per_degree_2160: float,
    pixel_aspects: tuple[float, float] = SQUARE,
    hdr_grid: Rectangle | None = None,
    sdr_grid: Rectangle | None = None,
) -> Geometry:
    """Geometry from the active pictures and the place of one's grid of fingerprints in the other's.

    The edges of the active pictures are exact where they are the picture's own, the map is right for any crop but coarse: a guess from
    the edges is taken where the map does not contradict it. `hdr_grid`, `sdr_grid` are the parts that the fingerprints were made of,
    where these are not the active pictures; `pixel_aspects` the width of a pixel over its height, HDR and SDR.
    """
    limits = {"max_columns": max_columns, "pixels_per_degree_2160": pixels_per_degree_2160, "pixel_aspects": pixel_aspects}
    guess = guess_geometry(hdr_active, sdr_active, **limits)  # type: ignore[arg-type]
    first, second = hdr_grid or hdr_active, sdr_grid or sdr_active
    hdr_size = (first.bottom - first.top, first.right - first.left)
    sdr_size = (second.bottom - second.top, second.right - second.left)
    scale = grid_map.scale_rows * hdr_size[0] / sdr_size[0], grid_map.scale_columns * hdr_size[1] / sdr_size[1]
    shift = (
        first.top + grid_map.shift_rows * hdr_size[0] - scale[0] * second.top,
        first.left + grid_map.shift_columns * hdr_size[1] - scale[1] * second.left,
    )
    mapped = build_geometry(hdr_active, sdr_active, scale=scale, shift=shift, residual_pixels=None, **limits)  # type: ignore[arg-type]
    return guess if _corners_apart(guess, mapped, sdr_active) <= MAP_TRUST_SHARE else mapped


def map_from_geometry(geometry: Geometry, *, hdr_grid: Rectangle, sdr_grid: Rectangle) -> GridMap:
    """Place of one's grid of fingerprints in the other's, from registered pictures; the way back of `geometry_from_map`.

    Parameters
    ----------
    geometry : scale and shift.
    hdr_grid, sdr_grid : the parts of the pictures that the fingerprints were made of.
    """
    hdr_size = (hdr_grid.bottom - hdr_grid.top, hdr_grid.right - hdr_grid.left)
    sdr_size = (sdr_grid.bottom - sdr_grid.top, sdr_grid.right - sdr_grid.left)
    return GridMap(
        geometry.scale_rows * sdr_size[0] / hdr_size[0],
        geometry.scale_columns * sdr_size[1] / hdr_size[1],
        (geometry.shift_rows + geometry.scale_rows * sdr_grid.top - hdr_grid.top) / hdr_size[0],
        (geometry.shift_columns + geometry.scale_columns * sdr_grid.left - hdr_grid.left) / hdr_size[1],
    )


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
    pixel_aspects: tuple[float, float] = SQUARE,
) -> Geometry:
    """Common picture and canvas for hdr = shift + scale x sdr (rows, columns); the pixels of the canvas are square."""
    top, bottom = _common(hdr_active.top, hdr_active.bottom, sdr_active.top, sdr_active.bottom, scale[0], shift[0])
    left, right = _common(hdr_active.left, hdr_active.right, sdr_active.left, sdr_active.right, scale[1], shift[1])
    hdr_common = (shift[0] + scale[0] * top, shift[0] + scale[0] * bottom, shift[1] + scale[1] * left, shift[1] + scale[1] * right)
    # side of a canvas pixel in heights of an SDR pixel: no finer than either side's pixels in either direction, but for the lines of
    # fields: small lights would be lost across them
    wide = pixel_aspects[1]
    lines = () if min(pixel_aspects) < FIELD_ASPECT else (1.0, 1.0 / scale[0]) if wide != 1 else (1.0,)
    pitch = max(wide, wide / scale[1], wide * (right - left) / max_columns, *lines)
    rows, columns = max(round((bottom - top) / pitch), 1), max(round((right - left) * wide / pitch), 1)
    shown_lines = _picture_lines(sdr_active, wide) / pitch
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
        pixels_per_degree=pixels_per_degree_2160 * shown_lines / 2160,
        residual_pixels=residual_pixels,
        common_share_hdr=_share(hdr_common, hdr_active),
        common_share_sdr=_share((top, bottom, left, right), sdr_active),
    )


def _share(common: tuple[float, float, float, float], active: Rectangle) -> float:
    """Share of an active picture that the common one fills."""
    area = (common[1] - common[0]) * (common[3] - common[2])
    return min(area / ((active.bottom - active.top) * (active.right - active.left)), 1.0)


def _common(hdr_low: int, hdr_high: int, sdr_low: int, sdr_high: int, scale: float, shift: float) -> tuple[float, float]:
    """Overlap of both active spans, in SDR pixels; edges within a thousandth of a pixel of a whole one are that one."""
    low, high = max(sdr_low, (hdr_low - shift) / scale), min(sdr_high, (hdr_high - shift) / scale)
    return _snap(low), _snap(high)


def _snap(edge: float) -> float:
    return float(round(edge)) if abs(edge - round(edge)) < 1e-3 else float(edge)


def _picture_lines(sdr_active: Rectangle, wide: float) -> float:
    """Lines of the 16:9 screen the canvas belongs to: a 16:9 screen is 9/16 as high as wide, whatever bars the picture has."""
    width = (sdr_active.right - sdr_active.left) * wide
    height = sdr_active.bottom - sdr_active.top
    return max(width * 9 / 16, height)


def canvas_lines(geometry: Geometry) -> float:
    """Canvas pixels in a pixel at `EYE_COLUMNS` wide."""
    return geometry.canvas_columns / EYE_COLUMNS


@dataclass(frozen=True, slots=True)
class Placed:
    """How far the edges of the common picture are off in one pair: top, bottom, left, right, canvas pixels of a geometry."""

    edges: NDArray[np.float64]
    correlation: float
    at_rest: float
    """Correlation where the geometry puts the pair."""

    @property
    def gain(self) -> float:
        """What the pair gains by lying elsewhere, as a share of what its correlation lacks of 1."""
        return (self.correlation - self.at_rest) / max(1 - self.correlation, 1e-6)

    @property
    def weight(self) -> float:
        """Inverse variance, but for a factor (as of a registration of two noisy pictures)."""
        square = min(self.correlation**2, 0.98)
        return square / (1 - square)


def refine_geometry(
    guess: Geometry,
    pairs: Sequence[LumaPair],
    *,
    max_columns: int,
    pixels_per_degree_2160: float,
    pixel_aspects: tuple[float, float] = SQUARE,
) -> Geometry:
    """Correct a guess by registering matched pairs on the canvas.

    Parameters
    ----------
    guess : where to begin.
    pairs : luma of matched pairs, spread over the film.
    max_columns, pixels_per_degree_2160 : as in the settings.
    pixel_aspects : width of a pixel over its height, HDR and SDR.

    Returns
    -------
    Geometry with its residual; the guess with residual None where no pair could be registered.
    """
    limits = {"max_columns": max_columns, "pixels_per_degree_2160": pixels_per_degree_2160, "pixel_aspects": pixel_aspects}
    best, residual = guess, None
    error = np.zeros(4)
    for turn in range(ROUNDS):
        placed = [found for found in (place_pair(best, pair, search=turn == 0) for pair in pairs) if found is not None]
        if not placed:
            break
        middle, error = combine_placed(placed)
        residual = float(np.median([np.abs(one.edges - middle).mean() for one in placed]))
        best = move_geometry(best, middle, limits=limits)
        if np.abs(middle).max() < SETTLED_PIXELS:
            break
    if residual is None:
        return replace(guess, residual_pixels=None)
    # a guess from a coarse map is no simpler than any other place: only the edges of the pictures are
    edges = guess_geometry(guess.hdr_active, guess.sdr_active, **limits)  # type: ignore[arg-type]
    simple = _simplest(best, edges, error, limits=limits)
    left_over = np.abs(edges_apart(best, simple)).mean()
    return replace(simple, residual_pixels=float(np.hypot(residual, left_over)))


def move_geometry(geometry: Geometry, edges: NDArray[np.float64], *, limits: Mapping[str, Any]) -> Geometry:
    """Geometry whose common picture has its top, bottom, left and right edge so many canvas pixels further on the HDR side."""
    per_row, per_column = _hdr_per_canvas(geometry)
    scale, shift = [], []
    for axis, per in ((0, per_row), (1, per_column)):
        low, high = geometry.sdr_common[2 * axis : 2 * axis + 2]
        first, last = (geometry.hdr_common[2 * axis + end] + per * edges[2 * axis + end] for end in (0, 1))
        scale.append((last - first) / (high - low))
        shift.append(first - scale[-1] * low)
    return build_geometry(
        geometry.hdr_active,
        geometry.sdr_active,
        scale=(scale[0], scale[1]),
        shift=(shift[0], shift[1]),
        residual_pixels=geometry.residual_pixels,
        **limits,
    )


def edges_apart(first: Geometry, second: Geometry) -> NDArray[np.float64]:
    """How far a second geometry puts the edges of a first one's common picture: top, bottom, left, right, canvas pixels of the first."""
    per = _hdr_per_canvas(first)
    scales, shifts = (second.scale_rows, second.scale_columns), (second.shift_rows, second.shift_columns)
    return np.array(
        [
            (shifts[axis] + scales[axis] * first.sdr_common[2 * axis + end] - first.hdr_common[2 * axis + end]) / per[axis]
            for axis in (0, 1)
            for end in (0, 1)
        ]
    )


def combine_placed(placed: Sequence[Placed]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Weighted mean of the edges over pairs without outliers, (4,), and its standard error."""
    edges, weight = np.stack([one.edges for one in placed]), np.array([one.weight for one in placed])
    # the densest half, all edges together: pairs of another passage, up to almost half of them, do not pull the middle
    apart = np.abs(edges[:, None] - edges[None]).max(2)
    half = len(placed) // 2
    nearest = int(np.sort(apart, 1)[:, half].argmin())
    core = edges[np.argsort(apart[nearest])[: half + 1]]
    middle = np.median(core, axis=0)
    spread = 2 * 1.4826 * np.median(np.abs(core - middle), axis=0)
    near = np.all(np.abs(edges - middle) <= OUTLIER_DEVIATIONS * np.maximum(spread, LEAST_SPREAD), axis=1)
    counts = near.reshape(-1, 1) * np.repeat(weight[:, None], 4, axis=1)
    total = np.maximum(counts.sum(0), 1e-12)
    mean = (counts * edges).sum(0) / total
    mean = np.where(counts.sum(0) > 0, mean, middle)
    few = max(len(placed) - 1, 1)
    variance = (counts * np.square(edges - mean)).sum(0) / total
    effective = np.maximum(np.square(counts.sum(0)) / np.maximum(np.square(counts).sum(0), 1e-12), 1)
    return mean, np.sqrt(variance / np.minimum(effective, few) if few > 1 else variance)


def _simplest(measured: Geometry, guess: Geometry, error: NDArray[np.float64], *, limits: Mapping[str, Any]) -> Geometry:
    """The simplest place that agrees with what was measured: the guess, axis by axis; then one scale for both axes."""
    unit = canvas_lines(measured)
    least = max(SIMPLE_PIXELS * unit, SIMPLE_CANVAS_PIXELS)
    reach = np.clip(SIMPLE_ERRORS * error, least, max(MOST_SIMPLE_PIXELS * unit, least))
    places = [(measured.scale_rows, measured.shift_rows), (measured.scale_columns, measured.shift_columns)]
    guesses = [(guess.scale_rows, guess.shift_rows), (guess.scale_columns, guess.shift_columns)]
    fits = [_agrees(measured, axis, guesses[axis], reach) for axis in (0, 1)]
    places = [guesses[axis] if fits[axis] else places[axis] for axis in (0, 1)]
    aspects = limits["pixel_aspects"]
    upright = aspects[0] / aspects[1]
    if not all(fits):
        top, bottom, left, right = measured.sdr_common
        lengths = (bottom - top, upright * (right - left))
        weights = [length**2 for length in lengths]
        if any(fits):  # an axis that fits the guess sets the scale of the other
            weights = [float(fit) for fit in fits]
        columns = (weights[0] * places[0][0] / upright + weights[1] * places[1][0]) / sum(weights)
        joint = [columns * upright, columns]
        likely = [places[axis] if fits[axis] else _one_scale(measured, axis, joint[axis], reach) for axis in (0, 1)]
        found = [place for place in likely if place is not None]
        places = found if len(found) == 2 else places
    return build_geometry(
        measured.hdr_active,
        measured.sdr_active,
        scale=(places[0][0], places[1][0]),
        shift=(places[0][1], places[1][1]),
        residual_pixels=measured.residual_pixels,
        **limits,
    )


def _one_scale(measured: Geometry, axis: int, scale: float, reach: NDArray[np.float64]) -> tuple[float, float] | None:
    """Place of an axis at a given scale: an edge or the middle of one picture on that of the other, else where it was measured."""
    ends = ("top", "bottom") if axis == 0 else ("left", "right")
    hdr, sdr = ([getattr(active, end) for end in ends] for active in (measured.hdr_active, measured.sdr_active))
    middle = sum(measured.sdr_common[2 * axis : 2 * axis + 2]) / 2
    at = (measured.shift_rows + measured.scale_rows * middle, measured.shift_columns + measured.scale_columns * middle)[axis]
    measured_shift = at - scale * middle
    if not _agrees(measured, axis, (scale, measured_shift), 1.5 * reach):
        return None
    shifts = [hdr[0] - scale * sdr[0], hdr[1] - scale * sdr[1], (sum(hdr) - scale * sum(sdr)) / 2]
    near = float(reach[2 * axis : 2 * axis + 2].mean()) * _hdr_per_canvas(measured)[axis]
    return scale, next((shift for shift in shifts if abs(shift - measured_shift) <= near), measured_shift)


def _agrees(measured: Geometry, axis: int, place: tuple[float, float], reach: NDArray[np.float64]) -> bool:
    """Whether a scale and shift of one axis put its edges where they were measured."""
    per = _hdr_per_canvas(measured)[axis]
    low, high = 2 * axis, 2 * axis + 1
    apart = [(place[1] + place[0] * measured.sdr_common[end] - measured.hdr_common[end]) / per for end in (low, high)]
    return bool((np.abs(apart) <= reach[low : high + 1]).all())


def _hdr_per_canvas(geometry: Geometry) -> tuple[float, float]:
    top, bottom, left, right = geometry.hdr_common
    return (bottom - top) / geometry.canvas_rows, (right - left) / geometry.canvas_columns


def place_pair(geometry: Geometry, pair: LumaPair, *, search: bool) -> Placed | None:
    """Register one pair on the canvas of a geometry.

    Parameters
    ----------
    geometry : where the pair should fit.
    pair : luma.
    search : whether to look for whole pixels of shift first.

    Returns
    -------
    Placed; None without convergence, or where the fit is turned, too far off, or does not correlate.
    """
    rows, columns, narrower = register_size(geometry)
    hdr = normalise_region(pair.hdr, region=geometry.hdr_common, step=pair.hdr_step, rows=rows, columns=columns)
    sdr = normalise_region(pair.sdr, region=geometry.sdr_common, step=pair.sdr_step, rows=rows, columns=columns)
    start = np.eye(2, 3, dtype=np.float32)
    if search:
        start[:, 2] = _coarse_shift(hdr, sdr)
    try:
        criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-5)
        correlation, warp = cv2.findTransformECC(sdr, hdr, start, cv2.MOTION_AFFINE, criteria)
    except cv2.error:
        return None
    found = np.asarray(warp, np.float64)
    found[:, 2] += 0.5 - 0.5 * found[:, :2].sum(1)  # pixel centres to pixel edges
    down, across = found[1, 2], found[0, 2]
    edges = np.array([down, down + (found[1, 1] - 1) * rows, across, across + (found[0, 0] - 1) * columns])
    turned = max(abs(found[0, 1]), abs(found[1, 0])) > MOST_SKEW
    if turned or np.abs(edges).max() > MOST_PIXELS or correlation < LEAST_CORRELATION:
        return None
    at_rest = cv2.matchTemplate(hdr, sdr, cv2.TM_CCOEFF_NORMED)[0, 0]
    return Placed(edges / narrower, float(correlation), float(at_rest))


def in_steps(region: Sequence[float], step: int) -> tuple[float, float, float, float]:
    """A region, (top, bottom, left, right) edges in pixels, in blocks of `step` pixels."""
    top, bottom, left, right = region
    return top / step, bottom / step, left / step, right / step


def _coarse_shift(hdr: NDArray[np.float32], sdr: NDArray[np.float32]) -> NDArray[np.float32]:
    """Shift of the HDR canvas against the SDR canvas, whole pixels (column, row), by cross-correlation: enough for the fine fit to lock."""
    from skimage.registration import phase_cross_correlation

    shift, _, _ = phase_cross_correlation(hdr, sdr, normalization=None)  # type: ignore[no-untyped-call]
    return np.asarray(shift[::-1], np.float32)


def register_size(geometry: Geometry) -> tuple[int, int, float]:
    """Rows and columns of the canvas on which pictures are registered, and its width over that of the geometry's canvas."""
    narrower = min(1.0, REGISTER_COLUMNS / geometry.canvas_columns)
    return max(round(geometry.canvas_rows * narrower), 1), max(round(geometry.canvas_columns * narrower), 1), narrower


def normalise_region(
    luma: FloatArray, *, region: tuple[float, float, float, float], step: int, rows: int, columns: int
) -> NDArray[np.float32]:
    """Contrast-normalised luma of a region on a grid.

    Parameters
    ----------
    luma : averaged over blocks of `step` by `step` pixels.
    region : top, bottom, left, right edge, pixels before that average.
    rows, columns : of the grid.
    """
    return normalise_contrast(resample_area(luma, region=in_steps(region, step), rows=rows, columns=columns))


def normalise_contrast(luma: FloatArray, *, sigma: float = DETAIL_SIGMA) -> NDArray[np.float32]:
    """Luma less its local mean over its local contrast, so that two grades of one picture look alike; `sigma` in pixels."""
    flat = luma.astype(np.float32)
    detail = flat - cv2.GaussianBlur(flat, (0, 0), sigma)
    energy = cv2.GaussianBlur(detail * detail, (0, 0), 2 * sigma)
    floor = LEAST_CONTRAST_SHARE * float(np.sqrt(energy.mean())) + 1e-6
    return (detail / (np.sqrt(energy) + floor)).astype(np.float32)
