"""Geometry from passage to passage: picture areas that change, and passages that lie elsewhere or are scaled otherwise than the rest.

Picture areas come from the spans of both releases. Scale and shift are those of the whole title wherever its pairs do not contradict
them; a passage gets its own only where pairs that follow each other agree on another place. So a passage with few or dark pairs keeps the
title's, and noise makes no passages.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Empty, Prints, in_memory
from pairdiff._records import Geometry, PictureSpan, Rectangle
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS
from pairdiff.match.geometry import (
    LumaPair,
    Placed,
    build_geometry,
    canvas_lines,
    combine_placed,
    edges_apart,
    guess_geometry,
    in_steps,
    move_geometry,
    normalise_contrast,
    place_pair,
    refine_geometry,
    resample_area,
    stretch_geometry,
)
from pairdiff.match.motion import BLOCK_FRAMES

REGISTERED_PAIRS, PAIRS_PER_SHOT = 48, 4
"""Most pairs registered at a time, and most of one shot (own)."""
TITLE_PAIRS = 16
"""Pairs from which the title's scale and shift are found (own)."""
LEAST_COMMON_SHARE = 0.2
"""Two picture areas that share less than this of their width or height are not put together (own)."""
OTHER_PIXELS, OTHER_CANVAS_PIXELS, OTHER_DEVIATIONS = 1.0, 0.35, 4.0
"""A pair lies elsewhere where an edge is off by more than each of these: pixels at 1920 wide, canvas pixels, robust standard deviations of
all pairs, which count up to the first two (own; one shot's pairs are off together by up to 0.15 canvas pixels)."""
LEAST_GAIN = 0.4
"""What a pair must gain there, as a share of what its correlation lacks of 1: film behind a red filter, or seen through a lens whose
colours differ in size, gains up to 0.31 by a place that is not its own (own)."""
SAME_SHARE = 1.0
"""Pairs that lie elsewhere belong to one passage where their edges agree to this share of that distance (own)."""
LEAST_PROBES = 2
"""Pairs in a row that must agree on another place (own)."""
LEAST_CELLS_SHARE = 0.3
"""Share of the fingerprint that must be common to all picture areas for the rest to be left out of matching (own)."""
INNER_FRAMES = 12
"""Shorter spans do not narrow what is compared in matching (own)."""
SEARCH_COLUMNS = 240
"""Width of the HDR picture in which a pair that does not register is looked for."""
SEARCH_SIGMA = 6.0
"""Width of the detail that it is looked for by, pixels at that width (own)."""
FOUND_CORRELATION = 0.5
"""Correlation from which it is found there (own)."""


@dataclass(frozen=True, slots=True)
class AreaPassage:
    """HDR frames (stop exclusive) with one picture area on each side."""

    start: int
    stop: int
    hdr_area: Rectangle
    sdr_area: Rectangle


@dataclass(frozen=True, slots=True)
class Probe:
    """A matched pair that is registered."""

    frame: int
    """HDR frame."""
    shot: int
    pair: LumaPair


def mask_bars(
    tracks: tuple[Prints, Prints],
    actives: tuple[Rectangle, Rectangle],
    spans: tuple[Sequence[PictureSpan], Sequence[PictureSpan]],
    *,
    limits: Mapping[str, Any],
    empty: Empty = in_memory,
) -> tuple[Prints, Prints]:
    """Fingerprints of what both releases show all the time: other cells zero, the rest zero mean and unit length again.

    A picture that fills more than the other one would otherwise look like another picture there.

    Parameters
    ----------
    tracks : HDR and SDR fingerprints, (frame, cell) each.
    actives : the parts of the pictures that the fingerprints were made of.
    spans : passages of one picture area.
    limits : keywords of `build_geometry`.
    empty : makes the arrays that they are put into.

    Returns
    -------
    HDR and SDR fingerprints; as they came where no area changes, or where too little is common to all.
    """
    inner = tuple(_inner_area(own, active) for own, active in zip(spans, actives, strict=True))
    if inner == actives:
        return tracks
    guess = guess_geometry(*actives, **limits)
    common = _with_areas(guess, *inner, limits=limits)
    if common is None:
        return tracks
    boxes = common.hdr_common, common.sdr_common
    masks = [_cells_of(active, box) for active, box in zip(actives, boxes, strict=True)]
    if min(mask.mean() for mask in masks) < LEAST_CELLS_SHARE:
        return tracks
    return _masked(tracks[0], masks[0], empty=empty), _masked(tracks[1], masks[1], empty=empty)


def _inner_area(spans: Sequence[PictureSpan], active: Rectangle) -> Rectangle:
    """What all spans of some length have in common, within the active picture."""
    areas = [span.area for span in spans if span.stop - span.start >= INNER_FRAMES] or [span.area for span in spans]
    return Rectangle(
        max(active.top, *(area.top for area in areas)),
        min(active.bottom, *(area.bottom for area in areas)),
        max(active.left, *(area.left for area in areas)),
        min(active.right, *(area.right for area in areas)),
    )


def _cells_of(active: Rectangle, box: tuple[float, float, float, float]) -> NDArray[np.bool_]:
    rows = _cells_inside(active.top, active.bottom, box[0], box[1], GRID_ROWS)
    columns = _cells_inside(active.left, active.right, box[2], box[3], GRID_COLUMNS)
    return np.asarray(rows[:, None] & columns[None, :]).reshape(-1)


def _masked(track: Prints, cells: NDArray[np.bool_], *, empty: Empty) -> Prints:
    if cells.all():
        return track
    out = empty(track.shape, track.dtype)
    for start in range(0, len(track), BLOCK_FRAMES):
        values = track[start : start + BLOCK_FRAMES].astype(np.float32)
        values = np.where(cells, values - values[:, cells].mean(1, keepdims=True), 0)
        length = np.linalg.norm(values, axis=1, keepdims=True)
        out[start : start + BLOCK_FRAMES] = np.where(length > 1e-3, values / np.maximum(length, 1e-3), 0)
    return out


def _cells_inside(low: float, high: float, first: float, last: float, cells: int) -> NDArray[np.bool_]:
    middle = low + (np.arange(cells) + 0.5) * (high - low) / cells
    return np.asarray((middle > first) & (middle < last))


def area_passages(path: NDArray[np.int64], hdr_spans: Sequence[PictureSpan], sdr_spans: Sequence[PictureSpan]) -> tuple[AreaPassage, ...]:
    """Passages with one picture area on each side, over all HDR frames; frames without partner go with those before them.

    Parameters
    ----------
    path : SDR frame of each HDR frame, -1 for none.
    hdr_spans, sdr_spans : passages of one picture area, in order.
    """
    frames = np.arange(len(path))
    hdr_of = np.searchsorted([span.start for span in hdr_spans], frames, "right") - 1
    known = path >= 0
    sdr_of = np.searchsorted([span.start for span in sdr_spans], np.where(known, path, 0), "right") - 1
    last = np.maximum.accumulate(np.where(known, frames, -1))
    first_known = int(known.argmax()) if known.any() else 0
    sdr_of = sdr_of[np.where(last >= 0, last, first_known)]
    found: list[AreaPassage] = []
    areas = [(hdr_spans[h].area, sdr_spans[s].area) for h, s in zip(hdr_of.tolist(), sdr_of.tolist(), strict=True)]
    start = 0
    for pair, group in itertools.groupby(areas):
        stop = start + sum(1 for _ in group)
        found.append(AreaPassage(start, stop, *pair))
        start = stop
    return tuple(found)


def spread_probes(shots: Sequence[tuple[int, int]], partners: NDArray[np.int64], chosen: Sequence[int]) -> list[tuple[int, int]]:
    """Which pairs to register: (HDR frame, shot), some of each chosen shot, or one each of some of them, spread evenly.

    Parameters
    ----------
    shots : HDR frames (start, stop) of matched shots.
    partners : SDR frame of each HDR frame, -1 for none.
    chosen : numbers of shots.
    """
    if not len(chosen):
        return []
    some = [chosen[n] for n in np.unique(np.linspace(0, len(chosen) - 1, min(len(chosen), REGISTERED_PAIRS)).round().astype(int))]
    each = max(min(REGISTERED_PAIRS // len(some), PAIRS_PER_SHOT), 1)
    found: set[tuple[int, int]] = set()
    for shot in some:
        start, stop = shots[shot]
        paired = start + np.flatnonzero(partners[start:stop] >= 0)
        if paired.size:
            wanted = [start + (stop - start) * (2 * k + 1) / (2 * each) for k in range(each)]
            found |= {(int(paired[np.abs(paired - frame).argmin()]), shot) for frame in wanted}
    return sorted(found)


def register_passages(
    passages: Sequence[AreaPassage],
    shots: Sequence[tuple[int, int]],
    partners: NDArray[np.int64],
    guess: Geometry,
    *,
    read: Callable[[Sequence[tuple[int, int]]], Sequence[Probe]],
    limits: Mapping[str, Any],
) -> tuple[Geometry, tuple[Geometry, ...]]:
    """Scale and shift of the title, and the geometry of every passage, from pairs that are read as they are needed.

    Parameters
    ----------
    passages : of one picture area on each side, covering all HDR frames in order.
    shots : HDR frames (start, stop) of matched shots.
    partners : SDR frame of each HDR frame, -1 for none.
    guess : scale and shift to begin with.
    read : gives the pairs at places (HDR frame, shot), in their order; asked once, and again where pairs do not fit the title.
    limits : keywords of `build_geometry`: canvas, eye, pixel aspects.

    Returns
    -------
    Geometry of the title, and those of the passages in order, together over all HDR frames.
    """
    probes = list(read(spread_probes(shots, partners, range(len(shots)))))
    title = fit_title(passages, probes, guess, limits=limits)
    placed = place_probes(title, passages, probes, limits=limits)
    known = {probe.frame for probe in probes}
    suspects = suspect_shots(title, len(shots), probes, placed)
    wanted = [place for place in spread_probes(shots, partners, suspects) if place[0] not in known]
    more = list(read(wanted)) if wanted else []
    both = [*zip(probes, placed, strict=True), *zip(more, place_probes(title, passages, more, limits=limits), strict=True)]
    both.sort(key=lambda one: one[0].frame)
    return title, fit_passages(title, passages, shots, [one for one, _ in both], [one for _, one in both], limits=limits)


def fit_title(passages: Sequence[AreaPassage], probes: Sequence[Probe], guess: Geometry, *, limits: Mapping[str, Any]) -> Geometry:
    """Scale and shift of the whole title, on the picture areas of most of its frames.

    Where no pair registers at the shapes that the releases tell, edge to edge is tried.

    Parameters
    ----------
    passages : of one picture area on each side, covering all HDR frames in order.
    probes : matched pairs in order; those in the commonest areas count, or all where there are none.
    guess : scale and shift to begin with.
    limits : keywords of `build_geometry`: canvas, eye, pixel aspects.
    """
    frames: dict[tuple[Rectangle, Rectangle], int] = {}
    for one in passages:
        frames[one.hdr_area, one.sdr_area] = frames.get((one.hdr_area, one.sdr_area), 0) + one.stop - one.start
    areas = max(frames, key=lambda pair: frames[pair])
    start = _with_areas(guess, *areas, limits=limits) or guess
    own = [probe.pair for probe in probes if _areas_at(passages, probe.frame) == areas] or [probe.pair for probe in probes]
    some = np.unique(np.linspace(0, max(len(own) - 1, 0), min(len(own), TITLE_PAIRS)).round().astype(int))
    pairs = [own[n] for n in some]
    found = refine_geometry(start, pairs, **limits)
    if found.residual_pixels is not None:
        return found
    # a copy that lost its pixel aspect shows the whole picture in another shape
    stretched = refine_geometry(stretch_geometry(*areas, limits=limits), pairs, **limits)
    return found if stretched.residual_pixels is None else stretched


def place_probes(
    title: Geometry, passages: Sequence[AreaPassage], probes: Sequence[Probe], *, limits: Mapping[str, Any]
) -> list[Placed | None]:
    """Where each pair puts the edges of the title's common picture, canvas pixels of the title; None where it does not register."""
    found: list[Placed | None] = []
    for probe in probes:
        areas = _areas_at(passages, probe.frame)
        here = _with_areas(title, *areas, limits=limits)
        placed = None if here is None else place_pair(here, probe.pair, search=True)
        if here is not None and placed is None:
            here, placed = _search_pair(here, probe.pair, limits=limits)
        if here is None or placed is None:
            found.append(None)
            continue
        moved = move_geometry(here, placed.edges, limits=limits)
        found.append(Placed(edges_apart(title, moved), placed.correlation, placed.at_rest))
    return found


def suspect_shots(title: Geometry, shots: int, probes: Sequence[Probe], placed: Sequence[Placed | None]) -> tuple[int, ...]:
    """Shots whose pairs do not fit the title's geometry, and those around them of which no pair is known: more pairs of them decide.

    Parameters
    ----------
    title : geometry of the title.
    shots : how many there are.
    probes, placed : pairs, and where they lie.
    """
    other = lie_elsewhere(title, placed)
    wrong = {probe.shot for probe, off in zip(probes, other, strict=True) if off}
    known = sorted({probe.shot for probe in probes})
    suspects = set(wrong)
    for shot in wrong:
        before, after = [one for one in known if one < shot], [one for one in known if one > shot]
        suspects |= set(range((before[-1] + 1) if before else 0, after[0] if after else shots))
    return tuple(sorted(suspects))


def fit_passages(
    title: Geometry,
    passages: Sequence[AreaPassage],
    shots: Sequence[tuple[int, int]],
    probes: Sequence[Probe],
    placed: Sequence[Placed | None],
    *,
    limits: Mapping[str, Any],
) -> tuple[Geometry, ...]:
    """Geometry of every passage.

    Parameters
    ----------
    title : geometry of the title.
    passages : of one picture area on each side, covering all HDR frames in order.
    shots : HDR frames (start, stop) of matched shots.
    probes, placed : matched pairs in order, several a shot where there is doubt, and where they lie.
    limits : keywords of `build_geometry`: canvas, eye, pixel aspects.

    Returns
    -------
    Geometries in order, together over all HDR frames.
    """
    groups = _other_places(title, shots, probes, placed, limits=limits)
    return tuple(_fit_piece(piece, title, probes, placed, limits=limits) for piece in _pieces(passages, groups))


def usual_place(geometries: Sequence[Geometry]) -> Geometry:
    """A geometry whose scale and shift hold for most frames.

    Parameters
    ----------
    geometries : of all passages, in order.
    """
    frames: dict[tuple[float, float, float, float], int] = {}
    for one in geometries:
        frames[_place_of(one)] = frames.get(_place_of(one), 0) + (one.hdr_stop or 1) - one.hdr_start
    return max(geometries, key=lambda one: frames[_place_of(one)])


def usual_places(geometries: Sequence[Geometry], hdr_frame: int, *, limits: Mapping[str, Any]) -> tuple[Geometry, ...]:
    """Where the pictures of an HDR frame may lie: at the title's usual place, and at its passage's own where it has one.

    Parameters
    ----------
    geometries : of all passages, in order.
    hdr_frame
    limits : keywords of `build_geometry`: canvas, eye, pixel aspects.
    """
    here = next((one for one in reversed(geometries) if one.hdr_start <= hdr_frame), geometries[0])
    usual = _with_areas(usual_place(geometries), here.hdr_active, here.sdr_active, limits=limits)
    if usual is None or _place_of(usual) == _place_of(here):
        return (here,)
    return usual, here


def _place_of(one: Geometry) -> tuple[float, float, float, float]:
    return one.scale_rows, one.scale_columns, one.shift_rows, one.shift_columns


def _areas_at(passages: Sequence[AreaPassage], frame: int) -> tuple[Rectangle, Rectangle]:
    one = next(passage for passage in passages if passage.start <= frame < passage.stop)
    return one.hdr_area, one.sdr_area


def _with_areas(geometry: Geometry, hdr_area: Rectangle, sdr_area: Rectangle, *, limits: Mapping[str, Any]) -> Geometry | None:
    """The same scale and shift with other picture areas; None where these have too little in common."""
    for axis, (low, high) in enumerate((("top", "bottom"), ("left", "right"))):
        scale, shift = ((geometry.scale_rows, geometry.shift_rows), (geometry.scale_columns, geometry.shift_columns))[axis]
        first, last = ((getattr(hdr_area, end) - shift) / scale for end in (low, high))
        mine = getattr(sdr_area, low), getattr(sdr_area, high)
        common = min(last, mine[1]) - max(first, mine[0])
        if common < LEAST_COMMON_SHARE * max(last - first, mine[1] - mine[0]):
            return None
    return build_geometry(
        hdr_area,
        sdr_area,
        scale=(geometry.scale_rows, geometry.scale_columns),
        shift=(geometry.shift_rows, geometry.shift_columns),
        residual_pixels=geometry.residual_pixels,
        **limits,
    )


# ---------------------------------------------------------------- pairs that lie elsewhere


def _search_pair(geometry: Geometry, pair: LumaPair, *, limits: Mapping[str, Any]) -> tuple[Geometry, Placed | None]:
    """Look for the middle of the SDR picture anywhere in the HDR picture, at the scale of a geometry, and register it there."""
    area, sdr = geometry.hdr_active, geometry.sdr_active
    unit = SEARCH_COLUMNS / (area.right - area.left)
    size = {"rows": max(round((area.bottom - area.top) * unit), 8), "columns": SEARCH_COLUMNS}
    edges = (area.top, area.bottom, area.left, area.right)
    field = normalise_contrast(resample_area(pair.hdr, region=in_steps(edges, pair.hdr_step), **size), sigma=SEARCH_SIGMA)
    rows, columns = ((sdr.bottom - sdr.top) * geometry.scale_rows * unit, (sdr.right - sdr.left) * geometry.scale_columns * unit)
    inner = [0.15, 0.85, 0.15, 0.85]
    for axis, (length, room) in enumerate(((rows, field.shape[0]), (columns, field.shape[1]))):
        half = min(0.35, 0.4 * room / length)  # the part looked for is smaller than the field, so that it can be moved about
        inner[2 * axis : 2 * axis + 2] = 0.5 - half, 0.5 + half
    ends = ("top", "bottom"), ("left", "right")
    part = [
        getattr(sdr, ends[axis][0]) + share * (getattr(sdr, ends[axis][1]) - getattr(sdr, ends[axis][0]))
        for axis in (0, 1)
        for share in inner[2 * axis : 2 * axis + 2]
    ]
    wanted = max(round(rows * (inner[1] - inner[0])), 4), max(round(columns * (inner[3] - inner[2])), 4)
    if wanted[0] > field.shape[0] or wanted[1] > field.shape[1]:
        return geometry, None
    shown = resample_area(pair.sdr, region=in_steps(part, pair.sdr_step), rows=wanted[0], columns=wanted[1])
    template = normalise_contrast(shown, sigma=SEARCH_SIGMA)
    scores = cv2.matchTemplate(field, template, cv2.TM_CCOEFF_NORMED)
    row, column = np.unravel_index(int(scores.argmax()), scores.shape)
    if float(scores[row, column]) < FOUND_CORRELATION:
        return geometry, None
    shift = (
        area.top + row / unit - geometry.scale_rows * part[0],
        area.left + column / unit - geometry.scale_columns * part[2],
    )
    moved = replace(geometry, shift_rows=float(shift[0]), shift_columns=float(shift[1]))
    there = _with_areas(moved, area, sdr, limits=limits)
    return (geometry, None) if there is None else (there, place_pair(there, pair, search=True))


def lie_elsewhere(title: Geometry, placed: Sequence[Placed | None], *, times: float = 1.0) -> list[bool]:
    """Whether each pair contradicts the title's geometry, by so many times the least distance of another place."""
    known = np.stack([one.edges for one in placed if one is not None]) if any(placed) else np.zeros((0, 4))
    spread = 1.4826 * np.median(np.abs(known), axis=0) if len(known) else np.zeros(4)
    least = times * _least_apart(title)
    reach = np.maximum(least, OTHER_DEVIATIONS * np.minimum(spread, least))
    return [one is not None and bool((np.abs(one.edges) > reach).any()) and one.gain >= LEAST_GAIN for one in placed]


def _least_apart(title: Geometry) -> float:
    """Least distance of another place, canvas pixels."""
    return max(OTHER_PIXELS * canvas_lines(title), OTHER_CANVAS_PIXELS)


def _other_places(
    title: Geometry,
    shots: Sequence[tuple[int, int]],
    probes: Sequence[Probe],
    placed: Sequence[Placed | None],
    *,
    limits: Mapping[str, Any],
) -> list[tuple[int, int, Geometry]]:
    """Passages (HDR frames, stop exclusive) with a scale and shift of their own, whole shots."""
    other = lie_elsewhere(title, placed)
    same = SAME_SHARE * _least_apart(title)
    groups: list[list[int]] = []
    for number, (one, off) in enumerate(zip(placed, other, strict=True)):
        if one is None:
            continue
        held = groups[-1] if groups and groups[-1] else None
        if off and held and np.abs(one.edges - np.median([_edges(placed[k]) for k in held], axis=0)).max() <= same:
            held.append(number)
        else:
            groups.append([number] if off else [])
    found = []
    for group in groups:
        if len(group) < LEAST_PROBES:
            continue
        middle, _ = combine_placed([one for one in (placed[k] for k in group) if one is not None])
        first, last = (shots[probes[group[end]].shot] for end in (0, -1))
        found.append((first[0], last[1], move_geometry(title, middle, limits=limits)))
    return [one for k, one in enumerate(found) if k == 0 or one[0] >= found[k - 1][1]]


def _edges(placed: Placed | None) -> NDArray[np.float64]:
    assert placed is not None
    return placed.edges


@dataclass(frozen=True, slots=True)
class _Piece:
    """Frames with one picture area on each side and one place, the title's where None."""

    passage: AreaPassage
    place: Geometry | None


def _pieces(passages: Sequence[AreaPassage], groups: Sequence[tuple[int, int, Geometry]]) -> list[_Piece]:
    """Passages of areas cut where the place changes."""
    pieces: list[_Piece] = []
    edges = {edge for start, stop, _ in groups for edge in (start, stop)}
    for passage in passages:
        cuts = [passage.start, *sorted(edge for edge in edges if passage.start < edge < passage.stop), passage.stop]
        for start, stop in itertools.pairwise(cuts):
            place = next((one for first, last, one in groups if first <= start < last), None)
            pieces.append(_Piece(replace(passage, start=start, stop=stop), place))
    return pieces


def _fit_piece(
    piece: _Piece, title: Geometry, probes: Sequence[Probe], placed: Sequence[Placed | None], *, limits: Mapping[str, Any]
) -> Geometry:
    passage = piece.passage
    own = [(probe.pair, one) for probe, one in zip(probes, placed, strict=True) if passage.start <= probe.frame < passage.stop]
    start = _with_areas(piece.place or title, passage.hdr_area, passage.sdr_area, limits=limits) or title
    if piece.place is not None:
        found = refine_geometry(start, [pair for pair, _ in own], **limits)
        return replace(found, hdr_start=passage.start, hdr_stop=passage.stop, registered=True)
    off = [float(np.abs(one.edges).mean()) for _, one in own if one is not None]
    return replace(start, residual_pixels=float(np.median(off)) if off else None, hdr_start=passage.start, hdr_stop=passage.stop)
