"""Where short windows of one release lie in the other, and the edit map that such windows make.

A survey decodes a few pictures here and there. The fingerprints of a window are laid on those of the other release about the place where
the windows beside it lie. Where no motion tells the very frame, the place at which the neighbours lie is kept: a picture that stands still
is the same at each. Between two windows at one offset the film is taken to run on; between two at different offsets, and where a window
is not found again, the map is undetermined.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Rectangle
from pairdiff.match.active import EDGE_PIXELS, LEAST_SPAN_FRAMES, Edges, find_spans
from pairdiff.match.cadence import single_frames
from pairdiff.match.grid import GridMap, fit_map, maps_apart, mask_track, resample_track
from pairdiff.match.timeline import EditMap

LEAST_SIMILARITY = 0.75
"""Mean similarity of the fingerprints of a window from which it is found again (own: of one shot in two grades 0.9 and more, with 8 %
grain 0.8; of other shots 0.3)."""
LEAST_ALONE = 0.85
"""The same where no other window says where to look (own)."""
FAINT_GAIN = 0.004
"""What another place must gain over the expected one to be believed (own: half of what one frame of a slow pan makes)."""
MOST_MISSING = 1
"""Frames of a window that the other release may lack at an offset that is asked (own)."""
OTHER_MOMENT_FRAMES = 240
"""Windows further apart than this show other moments: how alike they are is what chance finds (own)."""

OTHER_MAP_SHARE, OTHER_MAP_LACK = 0.02, 0.5
"""A window shows another part of the picture where it agrees best with a map that puts a corner so far off, share of the picture, and
lacks there no more than this share of what it lacks of full agreement at the film's map (own)."""
LEAST_BARS_SHARE = 0.01
"""Bars within what is compared count from this share of its height or width on: smaller ones hardly change what is found (own)."""


@dataclass(frozen=True, slots=True)
class Prints:
    """Fingerprints of some frames of one release."""

    numbers: NDArray[np.int64]
    """Frame numbers, ascending, (frame,)."""
    values: NDArray[np.float16]
    """(frame, cell)."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a window lies in the other release."""

    offset: int | None
    """SDR frame number less HDR frame number; None where it is not found."""
    similarity: float
    """Mean similarity there, or of the best place; -1 where nothing could be compared."""
    still: bool = False
    """Whether the window shows nothing that could be told from black or grey."""


@dataclass(frozen=True, slots=True)
class Found:
    """A window that was looked for."""

    hdr_frame: int
    """Its picture that is scored, or would be."""
    place: Place


def find_place(hdr: Prints, sdr: Prints, *, grid_map: GridMap, expected: int | None) -> Place:
    """The offset at which a window of the HDR release agrees best with some SDR frames.

    Only offsets are asked at which all frames of the window that show something have a frame beside them, but for one that may be missing.

    Parameters
    ----------
    hdr, sdr : fingerprints.
    grid_map : where one grid lies in the other.
    expected : the offset of the windows beside it, which is kept unless another one is clearly better; None where none is known.

    Returns
    -------
    Place.
    """
    mine = resample_track(hdr.values, grid_map).astype(np.float32)
    theirs = mask_track(sdr.values, grid_map).astype(np.float32)
    shows = np.abs(mine).max(axis=1) > 0 if len(mine) else np.zeros(0, bool)
    if not shows.any() or not len(theirs):
        return Place(None, -1.0, still=bool(len(mine)) and not shows.any())
    mine, numbers = mine[shows], hdr.numbers[shows]
    likeness = mine @ theirs.T
    column = {int(number): place for place, number in enumerate(sdr.numbers)}
    found: dict[int, float] = {}
    for offset in range(int(sdr.numbers[0] - numbers[0]), int(sdr.numbers[-1] - numbers[-1]) + 1):
        pairs = [(row, column[int(number) + offset]) for row, number in enumerate(numbers) if int(number) + offset in column]
        if len(pairs) >= max(len(numbers) - MOST_MISSING, 1):
            rows, columns = np.array(pairs).T
            found[offset] = float(likeness[rows, columns].mean())
    if not found:
        return Place(None, -1.0)
    best = max(found, key=lambda offset: found[offset])
    least = LEAST_ALONE if expected is None else LEAST_SIMILARITY
    if found[best] < least:
        return Place(None, found[best])
    if expected in found and found[best] - found[expected] < FAINT_GAIN:
        best = expected
    return Place(best, found[best])


def choose_map(windows: Sequence[tuple[Prints, Prints]], maps: Sequence[GridMap]) -> GridMap:
    """Where one grid lies in the other, by windows and the SDR frames about them: the likeliest of some maps, fitted.

    Parameters
    ----------
    windows : HDR window and SDR frames of each.
    maps : likely ones.
    """

    def agreement(grid_map: GridMap) -> float:
        return sum(find_place(hdr, sdr, grid_map=grid_map, expected=None).similarity for hdr, sdr in windows)

    return fit_map(max(maps, key=agreement), agreement)[0]


def expected_offset(found: Sequence[Found], hdr_frame: int) -> int | None:
    """Offset of the nearest window that was found; None where there is none."""
    known = [one for one in found if one.place.offset is not None]
    return min(known, key=lambda one: abs(one.hdr_frame - hdr_frame)).place.offset if known else None


def known_offsets(found: Sequence[Found], hdr_frame: int) -> tuple[int, ...]:
    """Offsets at which windows were found, those of the nearest ones first."""
    known = sorted((one for one in found if one.place.offset is not None), key=lambda one: abs(one.hdr_frame - hdr_frame))
    return tuple(dict.fromkeys(one.place.offset for one in known if one.place.offset is not None))


def open_gaps(found: Sequence[Found], *, longest: int) -> list[tuple[int, int]]:
    """Pairs of HDR frames next to each other whose windows lie at different offsets, further apart than `longest` frames.

    A window that is not found lies at none: so both ends of a passage that one release lacks are told.
    """
    known = sorted((one for one in found if not one.place.still), key=lambda one: one.hdr_frame)
    return [
        (first.hdr_frame, second.hdr_frame)
        for first, second in itertools.pairwise(known)
        if first.place.offset != second.place.offset and second.hdr_frame - first.hdr_frame > longest
    ]


def map_of_windows(found: Sequence[Found], *, hdr_frames: int, sdr_frames: int, grid_map: GridMap, runner_up: float) -> EditMap:
    """The edit map that windows make.

    Parameters
    ----------
    found : windows that were looked for, in any order.
    hdr_frames, sdr_frames : of the releases.
    grid_map : where one grid lies in the other.
    runner_up : similarity of windows of other moments, median.

    Returns
    -------
    EditMap: matched between neighbouring windows at one offset, undetermined elsewhere and about windows that are not found; `similarity`
    is known where windows are.
    """
    path, similarity = np.full(hdr_frames, -1, np.int64), np.full(hdr_frames, np.nan, np.float32)
    known = _sorted(found)
    lost = np.array([one.hdr_frame for one in found if one.place.offset is None and not one.place.still])
    for first, second in itertools.pairwise([*known[:1], *known]):
        between = ((lost > first.hdr_frame) & (lost < second.hdr_frame)).any()
        if first.place.offset == second.place.offset and first.place.offset is not None and not between:
            frames = np.arange(first.hdr_frame, min(second.hdr_frame + 1, hdr_frames))
            path[frames] = frames + first.place.offset
    for one in known:
        if one.hdr_frame < hdr_frames and one.place.offset is not None:
            path[one.hdr_frame] = one.hdr_frame + one.place.offset
            similarity[one.hdr_frame] = one.place.similarity
    path[(path < 0) | (path >= sdr_frames)] = -1
    path = _never_back(path)
    matched = path >= 0
    scores = [one.place.similarity for one in known]
    offsets = [one.place.offset for one in known if one.place.offset is not None]
    return EditMap(
        path=path,
        path_stop=np.where(matched, path + 1, -1),
        partners=path.copy(),
        state=np.where(matched, np.int8(1), np.int8(0)).astype(np.int8),
        faint=np.zeros(hdr_frames, bool),
        ambiguous=np.zeros(hdr_frames, bool),
        similarity=similarity,
        score=float(np.mean(scores)) if scores else 0.0,
        runner_up=runner_up,
        weight=float(np.sum(scores)),
        windows=len(found),
        candidate_frames=int(np.median(offsets)) if offsets else 0,
        maps=((0, hdr_frames, grid_map),),
        elsewhere=(),
        hdr_cadence=single_frames(hdr_frames),
        sdr_cadence=single_frames(sdr_frames),
    )


def chance_similarity(windows: Sequence[tuple[Prints, Prints]], *, grid_map: GridMap) -> float:
    """How alike windows are to SDR frames of other moments, median; 0 where there are none."""
    firsts = [(int(hdr.numbers[0]), resample_track(hdr.values[:1], grid_map).astype(np.float32)) for hdr, _ in windows if len(hdr.numbers)]
    others = [
        (int(hdr.numbers[0]), mask_track(sdr.values[:1], grid_map).astype(np.float32))
        for hdr, sdr in windows
        if len(sdr.numbers) and len(hdr.numbers)
    ]
    found = [
        float((mine @ theirs.T)[0, 0])
        for (at, mine), (there, theirs) in itertools.product(firsts, others)
        if abs(at - there) > OTHER_MOMENT_FRAMES
    ]
    return float(np.median(found)) if found else 0.0


def is_of_another_map(hdr: Prints, sdr: Prints, *, grid_map: GridMap, maps: Sequence[GridMap]) -> bool:
    """Whether a window agrees so much better under a map of its own that it shows another part of the picture, or another scale.

    Parameters
    ----------
    hdr, sdr : fingerprints of a window and of the SDR frames about its place.
    grid_map : where most windows of the film lie.
    maps : others to begin from.
    """
    own = choose_map([(hdr, sdr)], [grid_map, *maps])
    lacks = [1 - find_place(hdr, sdr, grid_map=one, expected=None).similarity for one in (grid_map, own)]
    return maps_apart(grid_map, own) >= OTHER_MAP_SHARE and lacks[1] <= OTHER_MAP_LACK * lacks[0]


def pictures_with_bars(
    edges: Sequence[Edges], *, active: Rectangle, rows: int, columns: int, common: tuple[float, float, float, float]
) -> int:
    """How many pictures show bars within the part of the picture that is compared, the same ones as another of them.

    A picture proves bars as it does in a film that is read whole: by straight edges about the middle, or ones that come back. A card or a
    dark scene that happens to end in a line has no second one like it.

    Parameters
    ----------
    edges : picture edges of each, (4, STRIPS), as of `measure_edges`.
    active : active picture of the release.
    rows, columns : size of the whole picture.
    common : top, bottom, left, right edge of what is compared, pixels.
    """
    if not len(edges):
        return 0
    # each picture stands for a passage just long enough to be believed
    held = np.repeat(np.stack(list(edges)), LEAST_SPAN_FRAMES, axis=0)
    spans = find_spans(held, active=active, rows=rows, columns=columns, cuts=range(0, len(held), LEAST_SPAN_FRAMES))
    found: list[Rectangle] = []
    for number in range(len(edges)):
        frame = number * LEAST_SPAN_FRAMES
        alone = held[frame : frame + LEAST_SPAN_FRAMES]
        own = find_spans(alone, active=active, rows=rows, columns=columns, cuts=())[0].area
        together = next(span.area for span in spans if span.start <= frame < span.stop)
        if _has_bars(own, common) and _are_near(own, together, rows=rows, columns=columns):
            found.append(own)
    return sum(any(one is not other and _are_near(one, other, rows=rows, columns=columns) for other in found) for one in found)


def _has_bars(area: Rectangle, common: tuple[float, float, float, float]) -> bool:
    top, bottom, left, right = common
    down, across = max(area.top - top, bottom - area.bottom), max(area.left - left, right - area.right)
    least = [max(LEAST_BARS_SHARE * length, EDGE_PIXELS) for length in (bottom - top, right - left)]
    return down > least[0] or across > least[1]


def _are_near(first: Rectangle, second: Rectangle, *, rows: int, columns: int) -> bool:
    down, across = (max(LEAST_BARS_SHARE * size, EDGE_PIXELS) for size in (rows, columns))
    apart = max(abs(first.top - second.top), abs(first.bottom - second.bottom)) <= down
    return apart and max(abs(first.left - second.left), abs(first.right - second.right)) <= across


def _sorted(found: Sequence[Found]) -> list[Found]:
    return sorted((one for one in found if one.place.offset is not None), key=lambda one: one.hdr_frame)


def _never_back(path: NDArray[np.int64]) -> NDArray[np.int64]:
    """Matched frames whose partner lies before that of an earlier one belong to no order of the film: they are left open."""
    highest = np.maximum.accumulate(path)
    return np.where((path >= 0) & (path < highest), -1, path)
