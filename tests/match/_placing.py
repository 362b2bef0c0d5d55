"""The whole way from planes to geometry, for cases in memory: bars, fingerprints, edit map, passages, registration."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Geometry, PictureSpan, Rectangle
from pairdiff.match.active import ActiveFinder, find_spans, measure_edges
from pairdiff.match.fingerprint import make_fingerprint
from pairdiff.match.geometry import LumaPair, geometry_from_map, make_luma_pair, map_from_geometry
from pairdiff.match.grid import GridMap, maps_apart
from pairdiff.match.motion import find_cuts
from pairdiff.match.passages import AreaPassage, Probe, area_passages, mask_bars, register_passages, usual_place
from pairdiff.match.seams import settle_seams
from pairdiff.match.segments import find_shots
from pairdiff.match.timeline import MAP_AGAIN_SHARE, EditMap, better_map, find_edit_map
from pairdiff.match.witness import ask_pictures
from tests.match._films import Case, show
from tests.match._shapes import Shape, to_shape, true_place

EYE = {"max_columns": 1920, "pixels_per_degree_2160": 56.55}


@dataclass(frozen=True)
class Scanned:
    """One side of a case."""

    planes: list[NDArray[Any]]
    active: Rectangle
    prints: NDArray[np.float16]
    spans: tuple[PictureSpan, ...]


def scan_side(case: Case, side: str) -> Scanned:
    """What a scan leaves of one side."""
    planes = show(case, side)
    step = 4.0 if planes[0].dtype == np.uint16 else 1.0
    finder = ActiveFinder(black_code=16 * step, code_step=step)
    for plane in planes[::12]:
        finder.add(plane)
    active, level = finder.rectangle(), finder.bar_level()
    prints = np.stack([make_fingerprint(plane, active=active, code_step=step) for plane in planes])
    edges = np.stack([measure_edges(plane, active=active, level=level) for plane in planes])
    rows, columns = planes[0].shape
    spans = find_spans(edges, active=active, rows=rows, columns=columns, cuts=[int(cut) for cut in find_cuts(prints)])
    return Scanned(planes, active, prints, spans)


def match_sides(hdr: Scanned, sdr: Scanned, aspects: tuple[float, float], *, grid_map: GridMap | None = None) -> EditMap:
    """Edit map of both sides, bars masked."""
    shown = [
        a * (one.active.right - one.active.left) / (one.active.bottom - one.active.top) for a, one in zip(aspects, (hdr, sdr), strict=True)
    ]
    limits: dict[str, Any] = EYE | {"pixel_aspects": aspects}
    prints = mask_bars((hdr.prints, sdr.prints), (hdr.active, sdr.active), (hdr.spans, sdr.spans), limits=limits)
    return find_edit_map(*prints, hdr_aspect=shown[0], sdr_aspect=shown[1], grid_map=grid_map)


def place_case(case: Case) -> tuple[tuple[Geometry, ...], EditMap, Scanned, Scanned]:
    """Geometry of every passage of a case, and its edit map, once pictures have settled what the fingerprints hardly tell."""
    geometries, found, hdr, sdr = register_case(case)
    settled = settle_case(case, geometries, found, hdr, sdr)
    return (geometries if settled is found else _place(settled, hdr, sdr, pixel_aspects(case))), settled, hdr, sdr


def pixel_aspects(case: Case) -> tuple[float, float]:
    """Width over height of the pixels of both sides."""
    return float(to_shape(case.hdr_look).pixel_aspect), float(to_shape(case.sdr_look).pixel_aspect)


def settle_case(case: Case, geometries: tuple[Geometry, ...], found: EditMap, hdr: Scanned, sdr: Scanned) -> EditMap:
    """Edit map of a case with the runs that fingerprints hardly tell, and what lies beside edits, asked of the pictures."""

    def read(frames: Sequence[tuple[int, int]]) -> list[LumaPair]:
        return [make_luma_pair(hdr.planes[first], sdr.planes[second]) for first, second in frames]

    limits: dict[str, Any] = EYE | {"pixel_aspects": pixel_aspects(case)}
    settled = ask_pictures(found, find_cuts(hdr.prints), geometries, read=read, limits=limits)
    return settle_seams(settled, geometries, read=read, limits=limits)


def register_case(case: Case) -> tuple[tuple[Geometry, ...], EditMap, Scanned, Scanned]:
    """Geometry of every passage of a case, and its edit map as the fingerprints tell it."""
    hdr, sdr = scan_side(case, "hdr"), scan_side(case, "sdr")
    return *register_sides(match_sides(hdr, sdr, pixel_aspects(case)), hdr, sdr, pixel_aspects(case)), hdr, sdr


def register_sides(found: EditMap, hdr: Scanned, sdr: Scanned, aspects: tuple[float, float]) -> tuple[tuple[Geometry, ...], EditMap]:
    """Geometry of every passage, and the edit map: matched again where the registered pictures lie elsewhere."""
    geometries = _place(found, hdr, sdr, aspects)
    known = map_from_geometry(usual_place(geometries), hdr_grid=hdr.active, sdr_grid=sdr.active)
    if (found.partners >= 0).any() and maps_apart(found.maps[0][2], known) > MAP_AGAIN_SHARE:
        again = better_map(found, match_sides(hdr, sdr, aspects, grid_map=known))
        if again is not found:
            found, geometries = again, _place(again, hdr, sdr, aspects)
    return geometries, found


def _place(found: EditMap, hdr: Scanned, sdr: Scanned, aspects: tuple[float, float]) -> tuple[Geometry, ...]:
    shots = find_shots(hdr.prints, found.state, found.path)
    limits: dict[str, Any] = EYE | {"pixel_aspects": aspects}
    passages = area_passages(found.path, hdr.spans, sdr.spans)
    usual = max(passages, key=lambda one: one.stop - one.start)
    guess = geometry_from_map(usual.hdr_area, usual.sdr_area, grid_map=found.maps[0][2], hdr_grid=hdr.active, sdr_grid=sdr.active, **limits)

    def probe(places: Sequence[tuple[int, int]]) -> list[Probe]:
        return [Probe(frame, shot, make_luma_pair(hdr.planes[frame], sdr.planes[found.partners[frame]])) for frame, shot in places]

    return register_passages(passages, shots, found.partners, guess, read=probe, limits=limits)[1]


def fit_probes(
    passages: Sequence[AreaPassage], shots: Sequence[tuple[int, int]], probes: list[Probe], guess: Geometry, *, limits: dict[str, Any]
) -> tuple[Geometry, ...]:
    """Geometry of every passage from pairs at hand, whatever others are asked for."""
    left = [probes]
    partners = np.arange(shots[-1][1])
    return register_passages(passages, shots, partners, guess, read=lambda places: left.pop() if left else [], limits=limits)[1]


@dataclass(frozen=True)
class Placing:
    """How the geometry of a case came out, over matched frames that truly match."""

    worst_pixels: float
    """Worst corner of the common picture, pixels of an HDR picture 1920 wide, 99th percentile over frames."""
    wrong_share: float
    """Share of frames off by more than a quarter pixel."""
    bar_share: float
    """Largest share of the canvas that is bar in a frame (99th percentile over frames)."""
    lost_share: float
    """Largest share of the true common picture that is left out (99th percentile over frames)."""


def judge_placing(case: Case, geometries: tuple[Geometry, ...], partners: NDArray[np.int64]) -> Placing:
    """Hold geometries against the truth of a case."""
    hdr, sdr = to_shape(case.hdr_look), to_shape(case.sdr_look)
    told = []
    for frame in np.flatnonzero(partners >= 0):
        partner = int(partners[frame])
        if case.hdr[frame] == case.sdr[partner]:
            one = next(g for g in geometries if g.hdr_start <= frame < (g.hdr_stop or 10**9))
            told.append(_judge_frame(one, hdr, sdr, int(frame), partner))
    off, bars, lost = np.array(told).T
    return Placing(
        *(float(np.percentile(values, 99)) for values in (off,)),
        float((off > 0.25).mean()),
        *(float(np.percentile(v, 99)) for v in (bars, lost)),
    )


def _judge_frame(one: Geometry, hdr: Shape, sdr: Shape, frame: int, partner: int) -> tuple[float, float, float]:
    truth = true_place(hdr, sdr, hdr_frame=frame, sdr_frame=partner)
    off = truth.worst_pixels(
        scale=(one.scale_rows, one.scale_columns), shift=(one.shift_rows, one.shift_columns), hdr_columns=hdr.raster[1]
    )
    common = truth.sdr_common
    inside = [
        max(min(one.sdr_common[2 * axis + 1], common[2 * axis + 1]) - max(one.sdr_common[2 * axis], common[2 * axis]), 0) for axis in (0, 1)
    ]
    both = inside[0] * inside[1]
    canvas = (one.sdr_common[1] - one.sdr_common[0]) * (one.sdr_common[3] - one.sdr_common[2])
    whole = (common[1] - common[0]) * (common[3] - common[2])
    return off, 1 - both / canvas, 1 - both / whole
