"""Active picture: the rows and columns that are not letterbox or pillarbox, for a whole film and from passage to passage.

A bar ends in a straight line: across the whole width the picture begins in the same row, frame after frame. A caption in the bar lights
the middle of it and leaves its ends black; a night sky is black as far down as it happens to be, and the line it ends in is not
straight. So each frame is looked at in strips, where the light begins and ends in each, and what the strips say together is settled after
the film has been seen. A frame can prove that there is picture; only a straight line that stays proves that there is none.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import PictureSpan, Rectangle
from pairdiff.frames.planes import padded_rows
from pairdiff.match._kernels import sum_columns, sum_rows
from pairdiff.match.motion import BLOCK_FRAMES

STRIPS = 8
"""Strips across the width, and down the height, in which each frame's picture edges are noted."""
ROW_CODES = 1.0
"""A line of a strip whose mean rises no more than this above the level of bars, in 8-bit codes, is black (own)."""
NOISE_DEVIATIONS = 6.0
"""The same in standard deviations of that mean, where there is noise in the bars (own)."""
EDGE_SHARE = 0.25
"""An edge line must also reach this share of what lies eight lines further in: codec ringing in the bar does not."""
FIRST_LINES = 32
"""Lines at an end of a picture that are read to find where its light begins, where the first one does not tell (own)."""
LEAST_SHARE = 0.2
"""An active picture smaller than this share of the width or height is a failed detection: the whole picture is taken."""
BAR_CODES, BAR_STEADY_CODES = 12.0, 1.0
"""Bars may be raised above black by the first; their level varies by less than the second, 8-bit codes (own)."""
EDGE_PIXELS, EDGE_SIZE_SHARE = 2, 0.002
"""Edges this near to each other are one, in pixels or as a share of the height or width, whichever is more (own)."""
MOST_STRIPS_LIT, SOME_STRIPS_LIT = 6, 3
"""Strips with light for a frame's edges to be believed; strips with light beyond both edges at once that prove picture there (own)."""
LEAST_SPAN_FRAMES = 5
"""Frames that must say the same for a passage to have a picture area of its own (own)."""
LEAST_RETURNS = 3
"""Passages in which a picture area off the middle must come back to be believed (own)."""
MIDDLE_SHARE = 0.01
"""Share of the height or width by which an area's middle may lie off the picture's (own)."""

Edges = NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class BarLevel:
    """What counts as black in a release's bars."""

    code: float
    """Mean code of the bars; black where there are none."""
    least_code: float
    """Mean code of a line of a strip from which it holds picture."""


class ActiveFinder:
    """Collects how bright each line of each strip becomes over some frames; the rectangle is the union over them.

    Parameters
    ----------
    black_code : luma code of black.
    code_step : codes that make one 8-bit code (4 for 10-bit).
    """

    def __init__(self, *, black_code: float, code_step: float) -> None:
        self._black, self._step = black_code, code_step
        self._rows: NDArray[np.float32] | None = None
        self._columns: NDArray[np.float32] | None = None
        self._outer: list[tuple[NDArray[np.float32], float]] = []

    def add(self, luma: NDArray[np.unsignedinteger[Any]]) -> None:
        """See one luma plane, (row, column) code values."""
        rows, columns = _row_means(luma), _column_means(luma)
        self._rows = rows if self._rows is None else np.maximum(self._rows, rows)
        self._columns = columns if self._columns is None else np.maximum(self._columns, columns)
        lines = [(rows[[0, -1]], luma[[0, -1]]), (columns[[0, -1]], luma[:, [0, -1]].T)]
        means = np.stack([mean for mean, _ in lines])
        self._outer.append((means, min(float(line.std()) for _, lines_ in lines for line in lines_)))

    def bar_level(self) -> BarLevel:
        """Level of the bars, and from where a line holds picture; black where no outer line stays dark and steady."""
        if self._rows is None or self._columns is None:
            raise ValueError("no frame was added")
        means = np.stack([mean for mean, _ in self._outer])  # (frame, axis, side, strip)
        noise = float(np.median([deviation for _, deviation in self._outer]))
        code, deviation = self._black, 0.0
        for axis in range(2):
            line = means[:, axis]
            steady = float(np.ptp(line)) < BAR_STEADY_CODES * self._step + NOISE_DEVIATIONS * noise / self._root(axis)
            if steady and 0 <= float(line.mean()) - self._black <= BAR_CODES * self._step:
                code, deviation = float(line.mean(dtype=np.float64)), noise / self._root(axis)
                break
        return BarLevel(code, code + max(ROW_CODES * self._step, NOISE_DEVIATIONS * deviation))

    def _root(self, axis: int) -> float:
        """Square root of the pixels of a line of a strip."""
        line = self._columns if axis == 0 else self._rows
        assert line is not None
        return float(np.sqrt(line.shape[0] / STRIPS))

    def rectangle(self) -> Rectangle:
        """The active picture; the whole picture where nothing brighter than bars was seen."""
        level = self.bar_level()
        assert self._rows is not None
        assert self._columns is not None
        return Rectangle(*_union(self._rows, level), *_union(self._columns, level))


def _row_means(luma: NDArray[np.unsignedinteger[Any]]) -> NDArray[np.float32]:
    """Mean of each row in each strip of the width, (row, strip)."""
    edges = _strip_starts(luma.shape[1])
    parts = [cv2.reduce(luma[:, low:high], 1, cv2.REDUCE_SUM, dtype=cv2.CV_32F)[:, 0] for low, high in itertools.pairwise(edges)]
    return np.asarray(np.stack(parts, 1) / np.diff(edges), np.float32)


def _column_means(luma: NDArray[np.unsignedinteger[Any]]) -> NDArray[np.float32]:
    """Mean of each column in each strip of the height, (column, strip)."""
    edges = _strip_starts(luma.shape[0])
    parts = [cv2.reduce(luma[low:high], 0, cv2.REDUCE_SUM, dtype=cv2.CV_32F)[0] for low, high in itertools.pairwise(edges)]
    return np.asarray(np.stack(parts, 1) / np.diff(edges), np.float32)


@cache
def _strip_starts(size: int) -> list[int]:
    return [int(edge) for edge in np.linspace(0, size, STRIPS + 1).round()]


def _union(means: NDArray[np.float32], level: BarLevel) -> tuple[int, int]:
    """First and last (exclusive) line of the picture from the brightest that each line of each strip became."""
    size = means.shape[0]
    low, high = _strip_edges(means, level)
    lit = high > low
    if not lit.any():
        return 0, size
    first = _union_edge(low[lit], _tolerance(size))
    last = size - _union_edge(size - high[lit], _tolerance(size))
    return (first, last) if last - first >= LEAST_SHARE * size else (0, size)


def _union_edge(edges: NDArray[np.int64], tolerance: int) -> int:
    """Where the strips agree that the picture begins; where they do not, the outermost of them."""
    edge, straight = _straight_edge(edges[None], np.ones((1, len(edges)), bool), tolerance)
    return int(edge[0]) if straight[0] else int(edges.min())


def _tolerance(size: int) -> int:
    return max(EDGE_PIXELS, round(EDGE_SIZE_SHARE * size))


def _strip_edges(means: NDArray[np.float32], level: BarLevel) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last (exclusive) line with picture in each strip; the size and 0 where there is none."""
    size = means.shape[0]
    low, high = np.full(means.shape[1], size, np.int64), np.zeros(means.shape[1], np.int64)
    lit = means > level.least_code
    for strip in np.flatnonzero(lit.any(0)):
        first, last = int(lit[:, strip].argmax()), size - 1 - int(lit[::-1, strip].argmax())
        profile = means[:, strip] - level.code
        low[strip], high[strip] = _inward(profile, first), size - _inward(profile[::-1], size - 1 - last)
    return np.where(high > low, low, size), np.where(high > low, high, 0)


def _inward(profile: NDArray[np.floating[Any]], first: int) -> int:
    """Move an edge inwards past lines that hold only the ringing of the picture behind them."""
    if first == 0:
        return 0
    while first + 8 < profile.size and profile[first] < EDGE_SHARE * profile[first + 8]:
        first += 1
    return first


# ---------------------------------------------------------------- one frame: where the light begins in each strip


def measure_edges(luma: NDArray[np.unsignedinteger[Any]], *, active: Rectangle, level: BarLevel) -> Edges:
    """Picture edges of one frame, strip by strip.

    Parameters
    ----------
    luma : (row, column) code values.
    active : active picture of the film: its width and height are what the strips divide; light outside it is noted as well.
    level : of the bars.

    Returns
    -------
    (4, STRIPS) top, bottom (exclusive) of strips of the width, left, right (exclusive) of strips of the height, pixels; a strip without
    light begins at the far end and ends at 0.
    """
    codes = padded_rows(luma)
    across, down = _starts(active.right - active.left), _starts(active.bottom - active.top)

    def read_rows(low: int, high: int) -> NDArray[np.float32]:
        sums = np.empty((high - low, STRIPS), np.float32)
        sum_rows(codes, low, high, across, active.left, active.right, sums)
        return np.asarray(sums / np.diff(across), np.float32)

    def read_columns(low: int, high: int) -> NDArray[np.float32]:
        sums = np.empty((high - low, STRIPS), np.float32)
        sum_columns(codes, low, high, down, active.top, active.bottom, sums)
        return np.asarray(sums / np.diff(down), np.float32)

    rows, columns = _outer_edges(read_rows, luma.shape[0], level), _outer_edges(read_columns, luma.shape[1], level)
    return np.stack([*rows, *columns]).astype(np.uint16)


@cache
def _starts(size: int) -> NDArray[np.int64]:
    return np.array(_strip_starts(size), np.int64)


def _outer_edges(
    read: Callable[[int, int], NDArray[np.float32]], size: int, level: BarLevel
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """As `_strip_edges` of all lines, of which only as many are read from either end as it takes to find the edges."""
    depth = 1  # without bars, the usual case, one line tells
    while 2 * depth < size:
        ends = read(0, depth), read(size - depth, size)[::-1]
        found = [_edges_within(one, level) for one in ends]
        if all(edges is not None for edges in found):
            return found[0], size - found[1]  # type: ignore[return-value,operator]
        depth = max(4 * depth, FIRST_LINES)
    return _strip_edges(read(0, size), level)


def _edges_within(means: NDArray[np.float32], level: BarLevel) -> NDArray[np.int64] | None:
    """First line with picture in each strip, from the outside; None where it takes more lines to tell."""
    lit = means > level.least_code
    if lit[0].all():
        return np.zeros(means.shape[1], np.int64)
    if not lit.any(0).all():
        return None
    edges = np.array([_inward(means[:, strip] - level.code, int(first)) for strip, first in enumerate(lit.argmax(0))], np.int64)
    return edges if int(edges.max(initial=0)) + 8 < len(means) else None


# ---------------------------------------------------------------- the film: spans of one picture area


def find_spans(edges: Edges, *, active: Rectangle, rows: int, columns: int, cuts: Sequence[int]) -> tuple[PictureSpan, ...]:
    """Passages of constant picture area.

    Parameters
    ----------
    edges : picture edges of every frame, (frame, 4, STRIPS), as of `measure_edges`.
    active : active picture of the film: the area of what tells nothing.
    rows, columns : size of the whole picture.
    cuts : first frames of shots, where dark frames leave open when the area changes.

    Returns
    -------
    Spans that cover every frame once, in order; a film whose area never changes for sure has one.
    """
    down = _axis_spans(edges[:, 0], edges[:, 1], whole=(active.top, active.bottom), size=rows, cuts=cuts)
    across = _axis_spans(edges[:, 2], edges[:, 3], whole=(active.left, active.right), size=columns, cuts=cuts)
    spans: list[PictureSpan] = []
    for start, stop in itertools.pairwise(sorted({edge for span in (*down, *across) for edge in span[:2]})):
        top, bottom = next(span[2] for span in down if span[0] <= start < span[1])
        left, right = next(span[2] for span in across if span[0] <= start < span[1])
        spans.append(PictureSpan(start, stop, Rectangle(top, bottom, left, right)))
    return tuple(spans)


_AxisSpan = tuple[int, int, tuple[int, int]]


def _axis_spans(low: Edges, high: Edges, *, whole: tuple[int, int], size: int, cuts: Sequence[int]) -> list[_AxisSpan]:
    """Spans along one axis: (start, stop, (first line, last line exclusive))."""
    frames, tolerance = len(low), _tolerance(size)
    seen = _Seen(low, high, size)
    runs = _sure_runs(seen, whole=whole, size=size, tolerance=tolerance)
    if not runs:
        return [(0, frames, whole)]
    areas = [whole, *(run[2] for run in runs)]
    spans: list[_AxisSpan] = []
    start = 0
    for run, following in itertools.zip_longest(runs, runs[1:]):
        stop = frames if following is None else _change(run, following, seen, cuts, tolerance)
        spans += _with_picture(start, stop, run[2], areas, seen, tolerance)
        start = stop
    return _joined(spans)


class _Seen:
    """What every frame says along one axis."""

    def __init__(self, low: Edges, high: Edges, size: int) -> None:
        frames = len(low)
        self.area, self.sure = np.empty((frames, 2), np.int64), np.empty(frames, np.bool_)
        self._some, self._size = np.empty((2, frames), np.int64), size
        for start in range(0, frames, BLOCK_FRAMES):  # a frame's strips are held against each other, two tables of 64 numbers
            part = slice(start, start + BLOCK_FRAMES)
            self._look(part, low[part].astype(np.int64), high[part].astype(np.int64))

    def _look(self, part: slice, low: NDArray[np.int64], high: NDArray[np.int64]) -> None:
        lit, size, tolerance = high > low, self._size, _tolerance(self._size)
        near, far = np.where(lit, low, size), np.where(lit, size - high, size)
        first, first_straight = _straight_edge(near, lit, tolerance)
        last, last_straight = _straight_edge(far, lit, tolerance)
        self.area[part] = np.stack([first, size - last], 1)
        self.sure[part] = first_straight & last_straight & (lit.sum(1) >= MOST_STRIPS_LIT)
        self._some[:, part] = [np.sort(side, 1)[:, SOME_STRIPS_LIT - 1] for side in (near, far)]

    def beyond(self, area: tuple[int, int], tolerance: int, start: int = 0, stop: int | None = None) -> NDArray[np.bool_]:
        """Frames with picture outside an area for sure: some strips on both sides at once, as no caption has them."""
        ends = area[0] - tolerance, self._size - area[1] - tolerance
        part = slice(start, stop)
        surely = (self._some[0][part] < ends[0]) & (self._some[1][part] < ends[1])
        # a frame whose own edges are straight is not overruled by what stands in its bars
        straight = self.sure[part] & (self.area[part, 0] >= ends[0]) & (self.area[part, 1] <= self._size - ends[1])
        return np.asarray(surely & ~straight)


def _straight_edge(edges: NDArray[np.int64], lit: NDArray[np.bool_], tolerance: int) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Line in which the picture of each frame begins, (frame,), and whether it is straight.

    Straight: three quarters of the lit strips begin there; or the outermost ones on both sides do, and the others begin there or, as a
    caption in the bar makes them, further out.
    """
    frames = np.arange(len(edges))
    count = lit.sum(1)
    known = np.where(lit, edges, np.iinfo(np.int64).max // 2)
    agree = np.abs(known[:, :, None] - known[:, None, :]) <= tolerance
    votes = (agree & lit[:, :, None] & lit[:, None, :]).sum(2)
    modal = known[frames, votes.argmax(1)]
    by_most = (votes.max(1) >= 0.75 * count) & (count > 0)
    first = known[frames, lit.argmax(1)]
    last = known[frames, edges.shape[1] - 1 - lit[:, ::-1].argmax(1)]
    inner = np.maximum(first, last)
    by_ends = (np.abs(first - last) <= tolerance) & (count > 2) & ((known <= inner[:, None] + tolerance) | ~lit).all(1)
    edge = np.where(by_ends, inner, np.where(by_most, modal, known.min(1)))
    return np.where(count > 0, edge, 0), by_most | by_ends


def _sure_runs(seen: _Seen, *, whole: tuple[int, int], size: int, tolerance: int) -> list[_AxisSpan]:
    """Runs of frames whose edges are straight and the same: (first sure frame, last one + 1, area)."""
    labels, areas = _cluster(seen.area, seen.sure, whole, tolerance)
    runs: list[tuple[int, int, int]] = []
    sure = np.flatnonzero(labels >= 0)
    edges = np.flatnonzero(np.diff(labels[sure])) + 1
    for part in np.split(sure, edges):
        if len(part) >= LEAST_SPAN_FRAMES:
            runs.append((int(part[0]), int(part[-1]) + 1, int(labels[part[0]])))
    good = _believed(runs, areas, seen, size=size, tolerance=tolerance)
    return [(start, stop, areas[label]) for start, stop, label in runs if label in good]


def _believed(
    runs: Sequence[tuple[int, int, int]], areas: Sequence[tuple[int, int]], seen: _Seen, *, size: int, tolerance: int
) -> set[int]:
    """Areas that are no accident: those in the middle; others that come back or fill half the film, unless only a caption makes them."""
    labels = {label for _, _, label in runs if areas[label][1] - areas[label][0] >= LEAST_SHARE * size}
    middle = max(tolerance, MIDDLE_SHARE * size)
    good = {label for label in labels if abs(sum(areas[label]) - size) / 2 <= middle}
    for label in labels - good:
        own = [(start, stop) for start, stop, other in runs if other == label]
        usual = sum(stop - start for start, stop in own) >= seen.sure.sum() / 2
        one_sided = any(sum(abs(a - b) <= tolerance for a, b in zip(areas[label], areas[other], strict=True)) == 1 for other in good)
        if (usual or len(own) >= LEAST_RETURNS) and not one_sided:
            good = good | {label}
    return good


def _cluster(
    values: NDArray[np.int64], sure: NDArray[np.bool_], whole: tuple[int, int], tolerance: int
) -> tuple[NDArray[np.int64], list[tuple[int, int]]]:
    """Number of the area that each sure frame shows (-1 for the others), the film's own edges first, and the areas."""
    labels = np.full(len(values), -1, np.int64)
    areas: list[tuple[int, int]] = []
    left = sure.copy()
    centre: tuple[int, int] | None = whole
    while left.any():
        if centre is None:
            pairs, counts = np.unique(values[left], axis=0, return_counts=True)
            if counts.max() < LEAST_SPAN_FRAMES and len(areas) > 0 and len(pairs) > 64:
                break  # nothing but strays is left
            centre = int(pairs[counts.argmax()][0]), int(pairs[counts.argmax()][1])
        near = left & (np.abs(values - np.array(centre)) <= tolerance).all(1)
        labels[near] = len(areas)
        areas.append(centre)
        left &= ~near
        centre = None
    return labels, areas


def _change(run: _AxisSpan, following: _AxisSpan, seen: _Seen, cuts: Sequence[int], tolerance: int) -> int:
    """First frame of the later of two runs: at a cut where dark frames lie between; they go to the smaller area as far as they may."""
    low, high = run[1], following[0]
    if run[2] == following[2] or low == high:
        return low
    places = sorted({cut for cut in cuts if low <= cut <= high} or {low, high})
    wrong = [
        int(seen.beyond(run[2], tolerance, low, place).sum() + seen.beyond(following[2], tolerance, place, high).sum()) for place in places
    ]
    smaller_first = run[2][1] - run[2][0] <= following[2][1] - following[2][0]
    fewest = [place for place, count in zip(places, wrong, strict=True) if count == min(wrong)]
    return max(fewest) if smaller_first else min(fewest)


def _with_picture(
    start: int, stop: int, area: tuple[int, int], areas: Sequence[tuple[int, int]], seen: _Seen, tolerance: int
) -> list[_AxisSpan]:
    """A span of one area, but for passages that show picture beyond it: these have the smallest known area that holds them."""
    beyond = seen.beyond(area, tolerance, start, stop)
    spans: list[_AxisSpan] = []
    edges = [0, *(np.flatnonzero(np.diff(beyond.astype(np.int8))) + 1).tolist(), len(beyond)]
    for first, last in itertools.pairwise(edges):
        kept = area
        if last - first >= LEAST_SPAN_FRAMES and beyond[first]:
            holding = [one for one in areas if not seen.beyond(one, tolerance, start + first, start + last).sum() > (last - first) / 10]
            kept = min(holding, key=lambda one: one[1] - one[0]) if holding else areas[0]
        if last > first:
            spans.append((start + first, start + last, kept))
    return spans


def _joined(spans: Sequence[_AxisSpan]) -> list[_AxisSpan]:
    joined: list[_AxisSpan] = []
    for span in spans:
        if joined and joined[-1][2] == span[2]:
            joined[-1] = (joined[-1][0], span[1], span[2])
        else:
            joined.append(span)
    return joined
