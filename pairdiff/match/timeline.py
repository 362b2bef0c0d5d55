"""The edit map: which frame of one release belongs to which frame of the other, and which frames have no partner.

Anchored and banded, so that the work grows nearly as the film's length and never as its square in earnest: sparse windows of what moves
are found anywhere in the other film (`anchors`), those that follow each other in both films are chained into runs of one offset
(`chains`), and only inside a run, in a narrow band, are frames paired one by one (`path`). The scheme is that of whole-genome alignment:
anchor, chain, extend (A. L. Delcher et al., "Alignment of whole genomes", Nucleic Acids Research 27(11), 1999). Where two runs meet, the
edit is put where the similarities of both say it is; where nothing moves, or several places explain a passage, it is left undetermined.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from pairdiff._records import FloatArray
from pairdiff.match.anchors import Anchors, Places, find_anchors, list_places
from pairdiff.match.chains import Run, chain_anchors, join_runs
from pairdiff.match.grid import GridMap, fit_map, likely_maps, mask_track, resample_track
from pairdiff.match.motion import HIGH_PASS_FRAMES, flat_frames, make_signatures
from pairdiff.match.path import BAND_FRAMES, Path, Side, follow_run, telling_frames

WINDOW_FRAMES, GAP_WINDOW_FRAMES = 32, 16
"""Lengths of the windows that are looked for in the whole film, and in the gaps between runs (own)."""
EVERY_FRAMES, EVERY_FRAMES_LONG, LONG_FILM_FRAMES = 12, 24, 20_000
"""From one window to the next; and in films longer than `LONG_FILM_FRAMES` (own)."""
GAP_EVERY_FRAMES = 6
PROBES = 48
"""Windows by which the map of the grids is chosen."""
FIT_WINDOWS = 16
GOOD_PROBE = 0.6
"""Mean correlation of the probes above which no other map is tried (own)."""
LEVEL_FRAMES = 24
"""Frames from which the level of similarity inside and outside a run is taken."""
SURE_FRAMES = 8
"""Frames of a window's far end that are surely inside its run."""
REPLACED_DROP = 0.2
"""How far below its run's similarity a passage must lie to be another picture (own)."""
REPLACED_AGREEMENT = 0.35
"""Agreement of signatures from which such a passage is the same picture nevertheless (own)."""
LEAST_RUN_FRAMES = 5
"""Shortest passage that gets a state of its own."""


@dataclass(frozen=True, slots=True)
class EditMap:
    """What matching found, arrays over HDR frames."""

    path: NDArray[np.int64]
    """SDR frame that a frame would belong to; -1 where it has none."""
    state: NDArray[np.int8]
    """1 matched, 0 undetermined, -1 without partner."""
    similarity: NDArray[np.float32]
    """Similarity of the fingerprints on the path, -1 to 1; NaN without one."""
    score: float
    """Correlation of what moves in matched frames, -1 to 1; of the best window where nothing is matched."""
    runner_up: float
    """Median over windows of the correlation at the second best place."""
    candidate_frames: int
    """Offset of the best window, SDR frame number minus HDR frame number."""
    maps: tuple[tuple[int, int, GridMap], ...]
    """HDR frames (start, stop) and the map of the grids there."""


def find_edit_map(hdr_track: FloatArray, sdr_track: FloatArray, *, hdr_aspect: float = 1.0, sdr_aspect: float = 1.0) -> EditMap:
    """Match two fingerprint tracks.

    Parameters
    ----------
    hdr_track, sdr_track : fingerprints, (frame, cell).
    hdr_aspect, sdr_aspect : width over height of the active pictures as shown; only their ratio counts.

    Returns
    -------
    EditMap; nothing matched where the films do not belong together.
    """
    grid_map = find_grid_map(hdr_track, sdr_track, likely_maps(hdr_aspect, sdr_aspect))
    hdr, sdr = make_side(resample_track(hdr_track, grid_map)), make_side(mask_track(sdr_track, grid_map))
    anchors = _search(hdr, sdr)
    runs = _fill_gaps(join_runs(chain_anchors(anchors)), hdr, sdr)
    path, similarity, agreement = _pair_frames(runs, hdr, sdr)
    state = _judge_frames(path, similarity, agreement, hdr, sdr)
    state = _doubt_ambiguous(state, anchors)
    best = int(anchors.correlation.argmax()) if len(anchors.hdr) else -1
    return EditMap(
        path=path,
        state=state,
        similarity=similarity,
        score=_score(state, path, agreement, hdr, sdr) if (state == 1).any() else float(anchors.correlation[best]) if best >= 0 else 0.0,
        runner_up=float(np.median(anchors.rival)) if best >= 0 else 0.0,
        candidate_frames=int(anchors.sdr[best] - anchors.hdr[best]) if best >= 0 else 0,
        maps=((0, len(hdr_track), grid_map),),
    )


def make_side(track: NDArray[np.float16]) -> Side:
    """Fingerprints and signatures of a track on the common grid."""
    return Side(track, make_signatures(track)[0])


def _window_frames(*lengths: int) -> int:
    return max(min(WINDOW_FRAMES, min(lengths) // 2), 4)


def _search(hdr: Side, sdr: Side) -> Anchors:
    """Windows of the whole HDR film in the whole SDR film."""
    frames = _window_frames(len(hdr.signatures), len(sdr.signatures))
    every = EVERY_FRAMES if len(hdr.signatures) < LONG_FILM_FRAMES else EVERY_FRAMES_LONG
    starts = np.arange(0, len(hdr.signatures) - frames + 1, every)
    return find_anchors(hdr.signatures, list_places(sdr.signatures, frames=frames), starts=starts)


# ---------------------------------------------------------------- where one grid lies in the other


def find_grid_map(hdr_track: FloatArray, sdr_track: FloatArray, maps: Sequence[GridMap]) -> GridMap:
    """The map of the HDR grid onto the SDR grid under which most is found again, refined; the first of `maps` where nothing is.

    Parameters
    ----------
    hdr_track, sdr_track : fingerprints, (frame, cell).
    maps : to be tried, the likeliest first.
    """
    frames = _window_frames(len(hdr_track), len(sdr_track))
    places = list_places(make_signatures(sdr_track)[0], frames=frames)
    last = len(hdr_track) - frames
    starts = np.unique(np.linspace(0, max(last, 0), PROBES).astype(int)) if last >= 0 else np.zeros(0, int)
    best, value, found = maps[0], 0.0, None
    for candidate in maps:
        probes = _probe(hdr_track, starts, places, candidate)
        total = float(probes.correlation[probes.telling].sum())
        if total > value:
            best, value, found = candidate, total, probes
        if value >= GOOD_PROBE * len(starts):
            break
    if found is None:
        return best
    telling = np.flatnonzero(found.telling)
    chosen = telling[np.argsort(-found.correlation[telling])][:FIT_WINDOWS]
    windows = _FitWindows(hdr_track, sdr_track, starts[chosen], found.sdr[chosen], frames)
    return fit_map(best, windows.score)[0]


def _probe(track: FloatArray, starts: NDArray[np.int64], places: Places, grid_map: GridMap) -> Anchors:
    """Look for some windows of the HDR film under a map of the grids; only the windows are resampled."""
    frames, margin = places.frames, HIGH_PASS_FRAMES
    pieces, inner = [], []
    count = 0
    for start in starts:
        first, stop = max(int(start) - margin, 0), min(int(start) + frames + margin, len(track))
        pieces.append(track[first:stop])
        inner.append(count + int(start) - first)
        count += stop - first
    if not pieces:
        return find_anchors(np.zeros((0, track.shape[1]), np.float16), places, starts=starts)
    signatures = make_signatures(resample_track(np.concatenate(pieces), grid_map))[0]
    return find_anchors(signatures, places, starts=np.array(inner, np.int64))


class _FitWindows:
    """Windows found in both films, by which a map of the grids is judged: what moves must agree, at whatever lag it does best."""

    LAGS = 3

    def __init__(self, hdr: FloatArray, sdr: FloatArray, starts: NDArray[np.int64], places: NDArray[np.int64], frames: int) -> None:
        margin = HIGH_PASS_FRAMES // 2
        self._inner = slice(margin, margin + frames)
        self._hdr = np.stack([_cut_out(hdr, int(n) - margin, frames + 2 * margin) for n in starts])
        wide = frames + 2 * margin + 2 * self.LAGS
        self._sdr = np.stack([_cut_out(sdr, int(n) - margin - self.LAGS, wide) for n in places])

    def score(self, grid_map: GridMap) -> float:
        count, length, cells = self._hdr.shape
        hdr = resample_track(self._hdr.reshape(-1, cells), grid_map).reshape(count, length, cells)
        sdr = mask_track(self._sdr.reshape(-1, cells), grid_map).reshape(count, -1, cells)
        mine = _moving_part(hdr)[:, self._inner]
        theirs = _moving_part(sdr)
        frames = mine.shape[1]
        lags = [
            _correlation(mine, theirs[:, self._inner.start + lag : self._inner.start + lag + frames]) for lag in range(2 * self.LAGS + 1)
        ]
        return float(np.max(np.stack(lags), axis=0).mean())


def _cut_out(track: FloatArray, start: int, frames: int) -> NDArray[np.float32]:
    """Frames of a track; at its ends the first or last one repeats."""
    return np.asarray(track[np.clip(np.arange(start, start + frames), 0, len(track) - 1)], np.float32)


def _moving_part(tracks: FloatArray) -> NDArray[np.float32]:
    """High-passed tracks (window, frame, cell), strong frames held down so that a cut does not decide alone."""
    from scipy.ndimage import uniform_filter1d

    values = tracks.astype(np.float32)
    passed = values - uniform_filter1d(values, HIGH_PASS_FRAMES, axis=1, mode="nearest")
    length = np.linalg.norm(passed, axis=2, keepdims=True)
    return np.asarray(passed / (length + np.median(length, axis=1, keepdims=True) + 1e-6), np.float32)


def _correlation(first: NDArray[np.float32], second: NDArray[np.float32]) -> NDArray[np.float64]:
    product = np.einsum("wij,wij->w", first, second, dtype=np.float64)
    length = np.sqrt(np.einsum("wij,wij->w", first, first) * np.einsum("wij,wij->w", second, second))
    return np.asarray(product / np.maximum(length, 1e-6))


# ---------------------------------------------------------------- runs, and the gaps between them


def _fill_gaps(runs: tuple[Run, ...], hdr: Side, sdr: Side) -> tuple[Run, ...]:
    """Look between the runs with shorter windows."""
    if not runs:
        return runs
    added: list[Run] = []
    ends = [(0, 0), *((run.hdr_stop, run.sdr_stop) for run in runs)]
    starts = [*((run.hdr_start, run.sdr_start) for run in runs), (len(hdr.signatures), len(sdr.signatures))]
    for (hdr_start, sdr_start), (hdr_stop, sdr_stop) in zip(ends, starts, strict=True):
        added += _search_gap(hdr, sdr, (hdr_start, hdr_stop), (sdr_start, sdr_stop))
    return join_runs((*runs, *added))


def _search_gap(hdr: Side, sdr: Side, hdr_span: tuple[int, int], sdr_span: tuple[int, int]) -> list[Run]:
    frames = GAP_WINDOW_FRAMES
    if min(hdr_span[1] - hdr_span[0], sdr_span[1] - sdr_span[0]) < frames + SURE_FRAMES:
        return []
    part = hdr.signatures[slice(*hdr_span)]
    places = list_places(sdr.signatures[slice(*sdr_span)], frames=frames)
    found = find_anchors(part, places, starts=np.arange(0, len(part) - frames + 1, GAP_EVERY_FRAMES))
    return [Run(run.hdr + hdr_span[0], run.sdr + sdr_span[0], run.weight, frames) for run in chain_anchors(found) if len(run.hdr) > 1]


@dataclass(frozen=True, slots=True)
class _Reach:
    """A run's path over all the frames that might be its own, and those that surely are."""

    path: Path
    sure_start: int
    sure_stop: int


def _pair_frames(runs: tuple[Run, ...], hdr: Side, sdr: Side) -> tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.float32]]:
    """Partner, similarity and agreement (frame, lag) of every HDR frame along the runs; -1, NaN and 0 without."""
    total = len(hdr.signatures)
    partner = np.full(total, -1, np.int64)
    similarity = np.full(total, np.nan, np.float32)
    agreement = np.zeros((total, 2 * BAND_FRAMES + 1), np.float32)
    sure = [_sure_frames(run) for run in runs]
    reaches = []
    for number, run in enumerate(runs):
        before = sure[number - 1][1] - LEVEL_FRAMES if number else 0
        after = sure[number + 1][0] + LEVEL_FRAMES if number + 1 < len(runs) else total
        span = max(min(before, sure[number][0]), 0), min(max(after, sure[number][1]), total)
        reaches.append(_Reach(follow_run(run, hdr, sdr, start=span[0], stop=span[1], sure=sure[number]), *sure[number]))
    edges = _find_edges(reaches, total)
    for reach, (start, stop) in zip(reaches, edges, strict=True):
        part = slice(start - reach.path.start, stop - reach.path.start)
        partner[start:stop] = reach.path.partner[part]
        similarity[start:stop] = reach.path.alike[part]
        agreement[start:stop] = reach.path.agreement[part]
    return partner, similarity, agreement


def _sure_frames(run: Run) -> tuple[int, int]:
    """Frames that are surely a run's own: a window at its end may lie inside it with a third of its length only."""
    start, stop = run.hdr_start + run.frames - SURE_FRAMES, run.hdr_stop - run.frames + SURE_FRAMES
    return (start, stop) if start < stop else ((start + stop) // 2, (start + stop) // 2 + 1)


def _find_edges(reaches: Sequence[_Reach], total: int) -> list[tuple[int, int]]:
    """First and last (exclusive) HDR frame of every run."""
    starts, stops = [], []
    for number, reach in enumerate(reaches):
        if number == 0:
            starts.append(_outer_edge(reach, -1))
        if number + 1 < len(reaches):
            stop, start = _meeting(reach, reaches[number + 1])
            stops.append(stop)
            starts.append(start)
        else:
            stops.append(_outer_edge(reach, 1))
    return list(zip(starts, stops, strict=True))


def _outer_edge(reach: _Reach, side: int) -> int:
    """How far the first run reaches towards the head (-1), the last towards the tail (1)."""
    path = reach.path
    low, high = reach.sure_start - path.start, reach.sure_stop - path.start
    inside = path.alike[high - LEVEL_FRAMES if side > 0 and high > LEVEL_FRAMES else 0 : high][:] if side > 0 else path.alike[low : low + LEVEL_FRAMES]
    outside = path.alike[high:] if side > 0 else path.alike[:low][::-1]
    gain = _evidence(outside, inside, None)
    reach_frames = _best_prefix(gain)
    return reach.sure_stop + reach_frames if side > 0 else reach.sure_start - reach_frames


def _best_prefix(gain: NDArray[np.float64]) -> int:
    """Length of the prefix with the largest sum; 0 where none is positive."""
    total = np.concatenate([[0.0], np.cumsum(gain)])
    return int(total.argmax())


def _evidence(values: FloatArray, inside: FloatArray, outside: FloatArray | None) -> NDArray[np.float64]:
    """How much each similarity speaks for belonging to the run, -1 to 1, given the levels inside and (where known) outside it."""
    level = float(np.nanmedian(inside)) if np.isfinite(inside).any() else 1.0
    spread = 1.4826 * float(np.nanmedian(np.abs(inside - level))) if np.isfinite(inside).any() else 0.0
    if outside is not None and np.isfinite(outside).any():
        drop = max(level - float(np.nanmedian(outside)), 2 * max(4 * spread, 0.01))
    else:
        drop = 2 * max(6 * spread, 0.12)
    return np.nan_to_num(np.clip((values.astype(np.float64) - level + drop / 2) / (drop / 2), -1, 1), nan=-1.0)


def _meeting(first: _Reach, second: _Reach) -> tuple[int, int]:
    """Where one run ends and the next begins, HDR frames: the pair of edges that the similarities of both speak for most."""
    low, high = min(first.sure_stop, second.sure_start), max(first.sure_stop, second.sure_start)
    mine = first.path, slice(low - first.path.start, high - first.path.start)
    theirs = second.path, slice(low - second.path.start, high - second.path.start)
    gain_first = _evidence(mine[0].alike[mine[1]], _near(first, low, -1), _near(first, high, 1))
    gain_second = _evidence(theirs[0].alike[theirs[1]], _near(second, high, 1), _near(second, low, -1))
    head = np.concatenate([[0.0], np.cumsum(gain_first)])  # first run keeps n frames of the gap
    tail = np.concatenate([np.cumsum(gain_second[::-1])[::-1], [0.0]])  # second run begins at frame n of the gap
    last_sdr = np.concatenate([first.path.partner[low - 1 - first.path.start : low - first.path.start], mine[0].partner[mine[1]]])
    first_sdr = np.concatenate([theirs[0].partner[theirs[1]], second.path.partner[high - second.path.start : high + 1 - second.path.start]])
    best, edges = -np.inf, (low, high)
    for begin in range(high - low + 1):
        room = np.flatnonzero((last_sdr[: begin + 1] < first_sdr[begin]) & (last_sdr[: begin + 1] >= 0)) if begin < len(first_sdr) else []
        if not len(room):
            continue
        keep = int(room[head[room].argmax()])
        if head[keep] + tail[begin] > best:
            best, edges = head[keep] + tail[begin], (low + keep, low + begin)
    return edges


def _near(reach: _Reach, frame: int, side: int) -> NDArray[np.float32]:
    """Similarities on a run's path just before (-1) or from (1) a frame on."""
    place = frame - reach.path.start
    return reach.path.alike[max(place - LEVEL_FRAMES, 0) : place] if side < 0 else reach.path.alike[place : place + LEVEL_FRAMES]


# ---------------------------------------------------------------- what a frame's state is


def _judge_frames(
    path: NDArray[np.int64], similarity: NDArray[np.float32], agreement: NDArray[np.float32], hdr: Side, sdr: Side
) -> NDArray[np.int8]:
    """State of every HDR frame: 1 matched, 0 undetermined, -1 without partner."""
    state = np.full(len(path), -1, np.int8)
    known = path >= 0
    flat = np.zeros(len(path), bool)
    flat[known] = flat_frames(hdr.fingerprints[known]) & flat_frames(sdr.fingerprints[path[known]])
    state[known & (_same_picture(similarity, agreement, known) | flat)] = 0
    for start, stop in _stretches(state >= 0):
        telling = telling_frames(agreement[start:stop]) & ~flat[start:stop]
        state[start:stop][telling] = 1
    return state


def _same_picture(similarity: NDArray[np.float32], agreement: NDArray[np.float32], known: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Frames whose partner shows the same picture: passages replaced in one release stand out by a lower similarity."""
    alike = known.copy()
    for start, stop in _stretches(known):
        values = similarity[start:stop]
        level = float(np.median(values))
        low = median_filter((values < level - REPLACED_DROP).astype(np.int8), LEAST_RUN_FRAMES, mode="nearest") == 1
        for first, last in _stretches(low):
            inner = agreement[start + first + 4 : max(start + last - 4, start + first + 5), BAND_FRAMES]
            if inner.size and float(inner.mean()) >= REPLACED_AGREEMENT:
                low[first:last] = False
        for first, last in _stretches(low):
            middle = (level + float(np.median(values[first:last]))) / 2
            near = slice(max(first - 3, 0), last + 3)
            low[near] = values[near] < middle
        alike[start:stop] &= ~low
    return alike


def _stretches(which: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of true, (start, stop)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], which.astype(np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _doubt_ambiguous(state: NDArray[np.int8], anchors: Anchors) -> NDArray[np.int8]:
    """Matched frames become undetermined where every window over them has another place that is nearly as good."""
    doubtful, trusted = np.zeros(len(state), bool), np.zeros(len(state), bool)
    for start, ambiguous in zip(anchors.hdr, anchors.ambiguous, strict=True):
        (doubtful if ambiguous else trusted)[start : start + anchors.frames] = True
    return np.where((state == 1) & doubtful & ~trusted, np.int8(0), state).astype(np.int8)


def _score(state: NDArray[np.int8], path: NDArray[np.int64], agreement: NDArray[np.float32], hdr: Side, sdr: Side) -> float:
    """Normalised correlation of the signatures of matched frames."""
    matched = np.flatnonzero(state == 1)
    product = float(agreement[matched, BAND_FRAMES].sum(dtype=np.float64))
    lengths = [0.0, 0.0]
    for start in range(0, len(matched), 4096):
        part = matched[start : start + 4096]
        for side, values in enumerate((hdr.signatures[part], sdr.signatures[path[part]])):
            lengths[side] += float(np.square(values.astype(np.float32)).sum(dtype=np.float64))
    return product / max(float(np.sqrt(lengths[0] * lengths[1])), 1e-9)
