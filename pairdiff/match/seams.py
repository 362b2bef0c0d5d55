"""Pictures where one matched passage meets the next: how far each reaches, and which frames between them belong together.

Fingerprints need a dozen frames to tell a place. Beside an edit, a dropped frame or a replaced passage there are fewer, so there every HDR
frame is laid on every SDR frame, and the pairing in order that the pictures speak for most is looked for: alignment of two sequences (S.
B. Needleman and C. D. Wunsch, Journal of Molecular Biology 48(3), 1970). A frame is believed where every other pairing of it is clearly
worse (the two best through each cell: M. Vingron and P. Argos, Protein Engineering 3(7), 1990), at every place that registration leaves
open, and where its partner also beats those next to it, which other frames may hold: a frame that has no partner looks like the
neighbour of one.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Geometry
from pairdiff.match._kernels import align_pairs
from pairdiff.match.geometry import LumaPair
from pairdiff.match.passages import usual_places
from pairdiff.match.timeline import EditMap, SinglePath, single_path, with_single_path
from pairdiff.match.witness import PLACES_BESIDE, SAME_PLACE, Laid, Reader, reach_around

BESIDE_FRAMES = 8
"""Matched frames to either side of a seam that are looked at as well (own)."""
WITHIN_FRAMES = 24
"""Frames between two passages that are looked at from either side; what lies deeper between is left as it is (own)."""
MOST_PICTURES = 2000
"""Most pictures of a title that are read for this, those of the shortest seams first (own: a hundredth of a second each)."""
USUAL_PAIRS = 6
"""Matched pairs that say how alike true partners of the title are (own)."""
LEAST_OF_USUAL = 0.7
"""Share of that from which a passage between seams may be the same picture (own)."""
LEAST_PASSAGE_FRAMES = 8
"""Shortest passage deep between two matched ones that is looked at (own)."""
MOST_STEP = 4
"""SDR frames from one HDR frame to the next up to which such a passage goes on (own)."""
UNKNOWN_NOISE = 0.003
"""What `NOISE` is where no matched frames stand beside (own)."""
LEAST_SURE_FRAMES = 3
"""Matched frames beside a seam from which what true partners are apart is known (own)."""
NOISE = 0.001
"""Least correlation by which noise alone may favour a frame over the next; more where matched frames beside differ by more (own)."""
ALLOWED_SHARE = 0.25
"""How much less alike, as a share of how alike matched frames beside are, a pair may be and still be one picture (own)."""
LEAST_OF_OTHER_SIDE = 0.25
"""Share of how alike matched frames on one side of a seam are that those on the other must have to be believed (own)."""
LEAST_PEAK_SHARE = 0.2
"""How much a passage must beat the frame to one side of its partners, as a share of what it does to the other (own)."""
SURE = 3.0
"""Evidence, in units of the noise, by which a frame's partner must beat every other (own)."""
ABOUT_FRAMES = 4
"""Frames to either side among which partners must beat those next to them by that much: what stands still tells nothing (own)."""
SURE_HERE = 1.0
"""The same by which the last frame of a passage must, on its own, beat the partners next to it (own)."""


@dataclass(frozen=True, slots=True)
class Seam:
    """Where two matched passages meet: frames of both releases in single frames, those far from both ends left out."""

    hdr: NDArray[np.int64]
    sdr: NDArray[np.int64]


def settle_seams(edit_map: EditMap, geometries: Sequence[Geometry], *, read: Reader, limits: Mapping[str, Any]) -> EditMap:
    """Settle by pictures which frames belong together where matched passages meet.

    Parameters
    ----------
    edit_map : what is known.
    geometries : registered, of all passages in order.
    read : gives the luma of pairs of frames.
    limits : keywords of `build_geometry`: canvas, eye, pixel aspects.

    Returns
    -------
    Edit map: frames whose pictures clearly agree are matched, those that were matched otherwise are undetermined. The map that came in
    where nothing is changed.
    """
    if all(one.residual_pixels is None for one in geometries):  # nothing was registered: how far the pictures are off is not known
        return edit_map
    single = single_path(edit_map)
    path, state = single.path.copy(), single.state.copy()
    looking = _Looking(single, geometries, read, limits)
    for seam in find_seams(single):
        told, contradicted = looking.settle(seam)
        paired = (told >= 0) & ~single.ambiguous[seam.hdr]  # only a part of a loop is looked at here
        path[seam.hdr[paired]], state[seam.hdr[paired]] = told[paired], 1
        state[seam.hdr[contradicted & ~paired]] = 0
    if (path == single.path).all() and (state == single.state).all():
        return edit_map
    return with_single_path(edit_map, *_in_order(path, state, single))


def find_seams(single: SinglePath) -> tuple[Seam, ...]:
    """Seams to be looked at, those with the fewest frames first.

    Parameters
    ----------
    single : an edit map in single frames.
    """
    matched = np.flatnonzero(single.state == 1)
    if not matched.size:
        return ()
    frames, total = len(single.path), len(single.sdr_frame)
    found = []
    ends = [(-1, -1), *zip(matched.tolist(), single.path[matched].tolist(), strict=True), (frames, total)]
    for (before, from_sdr), (after, to_sdr) in itertools.pairwise(ends):
        here, there = after - before - 1, to_sdr - from_sdr - 1
        if min(here, there) < 0 or not max(here, there):
            continue
        if here == there > 2 * WITHIN_FRAMES and (single.state[before + 1 : after] == 0).all():  # one passage in which nothing tells
            continue
        found.append(Seam(_frames_about(before, after, frames), _frames_about(from_sdr, to_sdr, total)))
        found += _passages_between(single, (before, after), (from_sdr, to_sdr))
    in_order = sorted(_joined(found), key=lambda one: len(one.hdr) + len(one.sdr))
    pictures = np.cumsum([len(one.hdr) + len(one.sdr) for one in in_order])
    return tuple(in_order[: int(np.searchsorted(pictures, MOST_PICTURES, "right"))])


def _passages_between(single: SinglePath, hdr: tuple[int, int], sdr: tuple[int, int]) -> list[Seam]:
    """Passages deep between two matched ones that are somewhere in the other release, as far as fingerprints tell."""
    inner = np.arange(hdr[0] + 1 + WITHIN_FRAMES, hdr[1] - WITHIN_FRAMES)
    found = []
    step, known = np.diff(single.path[inner]), single.path[inner] >= 0
    for part in np.split(inner, np.flatnonzero((step < 0) | (step > MOST_STEP) | (known[1:] != known[:-1])) + 1):
        if len(part) < LEAST_PASSAGE_FRAMES or single.path[part[0]] < 0:
            continue
        low, high = int(single.path[part].min()) - BESIDE_FRAMES, int(single.path[part].max()) + BESIDE_FRAMES
        mine = np.arange(max(part[0] - BESIDE_FRAMES, hdr[0] + 1), min(part[-1] + 1 + BESIDE_FRAMES, hdr[1]))
        theirs = np.arange(max(low, sdr[0] + 1), min(high + 1, sdr[1]))
        if max(len(mine), len(theirs)) <= 2 * (BESIDE_FRAMES + WITHIN_FRAMES) and len(theirs):
            found.append(Seam(mine, theirs))
    return found


def _frames_about(before: int, after: int, frames: int) -> NDArray[np.int64]:
    """Frames beside and between two matched ones."""
    head = np.arange(max(before + 1 - BESIDE_FRAMES, 0), min(before + 1 + WITHIN_FRAMES, after))
    tail = np.arange(max(after - WITHIN_FRAMES, before + 1), min(after + BESIDE_FRAMES, frames))
    return np.unique(np.concatenate([head, tail]))


def _joined(seams: Sequence[Seam]) -> list[Seam]:
    """Seams that have frames in common as one, while they are not too long."""
    out: list[Seam] = []
    most = 2 * (BESIDE_FRAMES + WITHIN_FRAMES)
    for seam in seams:
        if out and out[-1].hdr[-1] >= seam.hdr[0]:
            both = Seam(np.union1d(out[-1].hdr, seam.hdr), np.union1d(out[-1].sdr, seam.sdr))
            if max(len(both.hdr), len(both.sdr)) <= most:
                out[-1] = both
                continue
        out.append(seam)
    return out


# ---------------------------------------------------------------- looking


class _Looking:
    """The pictures of a title, read seam by seam."""

    def __init__(self, single: SinglePath, geometries: Sequence[Geometry], read: Reader, limits: Mapping[str, Any]) -> None:
        self._single, self._geometries, self._read, self._limits = single, geometries, read, limits
        self._usual: float | None = None

    def settle(self, seam: Seam) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Partner of each HDR frame of a seam (single SDR frame; -1 where it is not told), and those whose partner is surely another.

        Places at which matched frames are clearly less alike than at the best one are not where the pictures lie.
        """
        sure = self._matched_within(seam)
        pictures = self._lay(seam, sure)
        places = range(len(PLACES_BESIDE))
        if len(sure) < LEAST_SURE_FRAMES:
            tables = [pictures.correlate(place) for place in places]
            best = float(np.median(tables[0].max(1)[self._single.path[seam.hdr] >= 0]))  # those beside may be anything
            if best < LEAST_OF_USUAL * self._usual_level():
                return np.full(len(seam.hdr), -1), np.zeros(len(seam.hdr), bool)
            answers = [judge_table(table, level=best, noise=UNKNOWN_NOISE) for table in tables]
        else:
            alike = np.stack([pictures.correlate_pairs(sure, place) for place in places])
            peaks = np.median(alike, axis=1)
            near = np.flatnonzero(peaks >= peaks.max() - SURE * _noise(alike[peaks.argmax()])).tolist()
            answers = [judge_table(pictures.correlate(place), level=_level(alike[place]), noise=_noise(alike[place])) for place in near]
        partner = np.where(np.all([one.partner == answers[0].partner for one in answers], axis=0), answers[0].partner, -1)
        elsewhere = np.zeros(len(seam.hdr), bool)
        for row, column in sure:
            elsewhere[row] = all(one.sure[row] and one.paired[row] != column for one in answers)
        return np.where(partner >= 0, seam.sdr[partner], -1), elsewhere

    def _matched_within(self, seam: Seam) -> list[tuple[int, int]]:
        """Row and column of matched pairs of a seam."""
        path, state = self._single.path[seam.hdr], self._single.state[seam.hdr]
        column = np.searchsorted(seam.sdr, path)
        within = (state == 1) & (column < len(seam.sdr))
        within[within] = seam.sdr[column[within]] == path[within]
        return [(int(row), int(column[row])) for row in np.flatnonzero(within)]

    def _usual_level(self) -> float:
        """How alike true partners of the title are."""
        if self._usual is None:
            matched = np.flatnonzero(self._single.state == 1)
            some = matched[np.linspace(0, len(matched) - 1, USUAL_PAIRS).round().astype(int)]
            pairs = list(self._read([self._frames(hdr, sdr) for hdr, sdr in zip(some, self._single.path[some], strict=True)]))
            places = [self._places(int(frame))[0] for frame in some]
            self._usual = float(np.median([Laid([one], [one], place).correlate(0)[0, 0] for one, place in zip(pairs, places, strict=True)]))
        return self._usual

    def _frames(self, hdr: int, sdr: int) -> tuple[int, int]:
        return int(self._single.hdr_frame[hdr]), int(self._single.sdr_frame[sdr])

    def _places(self, hdr: int) -> tuple[Geometry, ...]:
        return usual_places(self._geometries, int(self._single.hdr_frame[hdr]), limits=self._limits)

    def _lay(self, seam: Seam, sure: Sequence[tuple[int, int]]) -> _Pictures:
        """Every HDR on every SDR picture of a seam.

        Where the pictures lie as a rule, or where registration found them here, if the matched ones are more alike there.
        """
        rows, columns = len(seam.hdr), len(seam.sdr)
        at = [(seam.hdr[min(n, rows - 1)], seam.sdr[min(n, columns - 1)]) for n in range(max(rows, columns))]
        pairs = list(self._read([self._frames(hdr, sdr) for hdr, sdr in at]))
        places = [self._places(int(frame)) for frame in seam.hdr]
        usual = _Pictures(pairs, columns, [one[0] for one in places])
        if not sure or all(len(one) == 1 for one in places):
            return usual
        own = _Pictures(pairs, columns, [one[-1] for one in places])
        peaks = [float(np.median(one.correlate_pairs(sure, 0))) for one in (usual, own)]
        return own if peaks[1] > peaks[0] + SAME_PLACE else usual


class _Pictures:
    """The HDR pictures of the first pairs, each at its own geometry, on the SDR pictures of the first `columns`."""

    def __init__(self, pairs: Sequence[LumaPair], columns: int, geometries: Sequence[Geometry]) -> None:
        self._parts: list[tuple[range, Laid]] = []
        for geometry, group in itertools.groupby(range(len(geometries)), key=lambda n: geometries[n]):
            rows = list(group)
            self._parts.append((range(rows[0], rows[-1] + 1), Laid([pairs[n] for n in rows], pairs[:columns], geometry)))

    def correlate(self, place: int) -> NDArray[np.float64]:
        """As `Laid.correlate`."""
        return np.concatenate([part.correlate(place) for _, part in self._parts])

    def correlate_pairs(self, pairs: Sequence[tuple[int, int]], place: int) -> NDArray[np.float64]:
        """As `Laid.correlate_pairs`; pairs in the order of their rows."""
        found = [
            part.correlate_pairs([(row - rows.start, column) for row, column in pairs if row in rows], place) for rows, part in self._parts
        ]
        return np.concatenate(found)


# ---------------------------------------------------------------- judging


def _level(alike: NDArray[np.float64]) -> float:
    """How alike matched frames about a seam are, on the side where they are less so: it may be another shot, or be matched wrong."""
    half = len(alike) // 2
    levels = [float(np.median(part)) for part in (alike[: half + 1], alike[half:])]
    return max(min(levels), LEAST_OF_OTHER_SIDE * max(levels))


def _noise(alike: NDArray[np.float64]) -> float:
    """By how much matched frames differ in that from one to the next."""
    step = np.diff(alike)
    return max(NOISE, 1.4826 * float(np.median(np.abs(step - np.median(step)))) / float(np.sqrt(2)))


@dataclass(frozen=True, slots=True)
class Judgement:
    """What one table says, arrays over its rows."""

    paired: NDArray[np.int64]
    """Column in the best pairing; -1 without."""
    sure: NDArray[np.bool_]
    """Whether every other pairing of the row is clearly worse."""
    partner: NDArray[np.int64]
    """Column of rows that are believed; -1 for others."""


def judge_table(table: NDArray[np.float64], *, level: float, noise: float) -> Judgement:
    """Which frames of a seam belong together.

    Parameters
    ----------
    table : correlation of every HDR with every SDR frame, (row, column).
    level : how alike true partners are.
    noise : by how much that differs for nothing.
    """
    least = level - ALLOWED_SHARE * max(level, 0.0)
    paired, margin = np.empty(len(table), np.int64), np.empty(len(table))
    align_pairs((table - least) / noise, paired, margin)
    sure = margin >= SURE
    partner = np.where(sure, paired, -1)
    for start, stop in _passages(partner):
        partner[start:stop][_between_frames(table, partner, start, stop, noise)] = -1
    return Judgement(paired, sure, _trim_ends(partner, _local_gain(table, paired) / noise))


def _between_frames(table: NDArray[np.float64], partner: NDArray[np.int64], start: int, stop: int, noise: float) -> NDArray[np.bool_]:
    """Rows of a passage whose true moment lies between two frames, and the whole passage where that is so altogether.

    Such a pair beats the frame to one side of its partner hardly, and lacks more than that of how alike its passage is; or the whole
    passage beats the frames to one side of its partners alone.
    """
    out, inner = np.zeros(stop - start, bool), np.arange(start + 1, stop - 1)
    alike = table[inner, partner[inner]]
    beside = np.stack([alike - table[inner, partner[inner] + step] for step in (-1, 1)])
    if len(inner):
        nearer, further = np.sort(beside, axis=0)
        out[1:-1] = (np.median(alike) - alike > np.maximum(nearer, SURE * noise)) & (nearer < further / 2)
    near, far = sorted(beside.sum(axis=1).tolist())
    return np.asarray(out | (near < LEAST_PEAK_SHARE * far))


def _passages(partner: NDArray[np.int64]) -> list[tuple[int, int]]:
    """Runs of rows whose partners follow each other, (start, stop)."""
    broken = np.flatnonzero(np.diff(partner, prepend=-9, append=-9) != 1)
    return [(start, stop) for start, stop in itertools.pairwise(broken.tolist()) if partner[start] >= 0]


def _local_gain(table: NDArray[np.float64], paired: NDArray[np.int64]) -> NDArray[np.float64]:
    """By how much each pair beats those one off in row or column."""
    rows, columns = table.shape
    out = np.full(rows, -np.inf)
    for row in np.flatnonzero(paired >= 0):
        column = int(paired[row])
        beside = [(row, column - 1), (row, column + 1), (row - 1, column), (row + 1, column)]
        out[row] = table[row, column] - max(table[a, b] for a, b in beside if 0 <= a < rows and 0 <= b < columns)
    return out


def _trim_ends(partner: NDArray[np.int64], local: NDArray[np.float64]) -> NDArray[np.int64]:
    """Partners less those at the ends of passages that do not stand out on their own, those about which nothing does, and lone ones."""
    out = partner.copy()
    for start, stop in _passages(partner):
        while start < stop and local[start] < SURE_HERE:
            out[start] = -1
            start += 1
        while stop > start and local[stop - 1] < SURE_HERE:
            stop -= 1
            out[stop] = -1
        if stop > start:
            evidence = np.clip(local[start:stop], -SURE, SURE)
            about = np.convolve(evidence, np.ones(2 * ABOUT_FRAMES + 1), mode="full")[ABOUT_FRAMES : ABOUT_FRAMES + stop - start]
            out[start:stop][about < SURE] = -1
    for start, stop in _passages(out):
        if stop - start == 1:  # where one release ends and the other begins at the next frame of a shot, these two look alike
            out[start] = -1
    return out


def _in_order(path: NDArray[np.int64], state: NDArray[np.int8], single: SinglePath) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """Path and state once seams are settled: what no longer has room between its matched neighbours has no place of its own."""
    matched = state == 1
    low, high = reach_around(path, matched)
    high = np.minimum(high, len(single.sdr_frame))
    crowded = (path >= 0) & ((path <= low) | (path >= high))
    state = np.where(crowded & matched, np.int8(0), state).astype(np.int8)
    placed = np.clip(path, np.minimum(low + 1, high), np.maximum(high - 1, low))
    return np.where(crowded, np.where(placed >= 0, placed, -1), path), state
