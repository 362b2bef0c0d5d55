"""Pictures as witnesses: which frame it is, asked of the pictures themselves where fingerprints hardly tell one frame from the next.

A camera that travels over gravel or brick changes a coarse fingerprint by little from frame to frame, and the pictures by much. So a few
frames of such a run are laid on the SDR frames about their partners, at the place that registration found and without aligning each pair
anew, since an alignment would undo the travel. What is a little off in place looks, under a travelling camera, like a little off in time:
an answer counts only where it is the same at every place that registration leaves open. Where neighbouring witnesses say different
things, those between are asked, by halves; where single ones are too faint, all of a run together may tell, held against how far they
differ.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Geometry
from pairdiff.match.geometry import LumaPair, normalise_region, register_size
from pairdiff.match.passages import usual_places
from pairdiff.match.timeline import EditMap, SinglePath, single_path, with_single_path

LAGS = 3
"""SDR frames to either side of the partner that are looked at (own)."""
MOST_RUNS = 24
"""Most runs of a title that are asked about, longest first (own: eight pictures of each witness are read)."""
WITNESSES = 6
"""HDR frames asked in each run (own)."""
MOST_HALVINGS = 16
"""Most further frames asked in a run to find where witnesses begin to say another thing (own)."""
LEAST_RUN_FRAMES = 8
"""Shorter runs are not asked about (own)."""
LEAST_FAINT_FRAMES = 6
"""Faint frames from which a run is asked about (own)."""
UNSURE_SHARE = 0.3
"""Share of undetermined frames from which those of a run that the pictures do not tell are undetermined as well (own)."""
PLACE_PIXELS = 0.2
"""How far registration may be off, pixels of the canvas that pictures are registered on: one shot's pairs are off together by up to 0.15
canvas pixels (own)."""
SURE_GAIN = 0.03
"""Correlation by which a lag must beat every other one for one witness alone to be believed (own: what coding and grain do to one frame
and not to the next stays below a third of it)."""
LEAST_GAIN, SPREADS = 0.002, 3.0
"""The same for the mean of all witnesses of a run; and the standard errors of it (own)."""
TELLING_SHARE = 0.2
"""A witness for whom the lag gains less than this share of what it does for the median one tells nothing (own)."""
SAME_PLACE = 0.01
"""The title's usual place is believed where pictures correlate within this of what they do at their passage's own (own)."""

Reader = Callable[[Sequence[tuple[int, int]]], Sequence[LumaPair]]
"""Luma of pairs of an HDR and an SDR frame."""


@dataclass(frozen=True, slots=True)
class DoubtfulRun:
    """Single HDR frames (stop exclusive) of one shot at one offset, some of which the fingerprints hardly place."""

    start: int
    stop: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What the witnesses of a run say, arrays over its frames."""

    lag: NDArray[np.int64]
    """SDR frames from the partner to the true one; 0 where that is not told."""
    told: NDArray[np.bool_]


def ask_pictures(
    edit_map: EditMap, cuts: NDArray[np.int64], geometries: Sequence[Geometry], *, read: Reader, limits: Mapping[str, Any]
) -> EditMap:
    """Settle by pictures the frames of runs that fingerprints hardly tell.

    Parameters
    ----------
    edit_map : what the fingerprints found.
    cuts : first HDR frames of shots.
    geometries : registered, of all passages in order.
    read : gives the luma of pairs of frames.
    limits : keywords of `build_geometry`: canvas, eye, pixel aspects.

    Returns
    -------
    Edit map: faint frames whose pictures clearly agree are matched, at their place or at the one where they do. Those whose pictures do
    not tell stay as they are, or are undetermined where much of their run is, or where a part of it is moved. The map that came in where
    nothing is changed.
    """
    if all(one.residual_pixels is None for one in geometries):  # nothing was registered: how far the pictures are off is not known
        return edit_map
    single = single_path(edit_map)
    lag, told, doubted = np.zeros(len(single.path), np.int64), *np.zeros((2, len(single.path)), bool)
    for run in doubtful_runs(single, np.searchsorted(single.hdr_frame, cuts)):
        answer = _ask_run(run, single, geometries, read=read, limits=limits)
        frames = slice(run.start, run.stop)
        lag[frames], told[frames] = answer.lag, answer.told
        doubted[frames] = answer.lag.any() or (single.state[frames] == 0).mean() >= UNSURE_SHARE
    path, state = _settle(single, lag, told, doubted)
    if (path == single.path).all() and (state == single.state).all():
        return edit_map
    return with_single_path(edit_map, path, state)


def doubtful_runs(single: SinglePath, cuts: NDArray[np.int64]) -> tuple[DoubtfulRun, ...]:
    """Runs to be asked about, longest first.

    Parameters
    ----------
    single : an edit map in single frames.
    cuts : first single HDR frames of shots.
    """
    frames = len(single.path)
    known = (single.path >= 0) & (single.state >= 0)
    broken = np.ones(frames + 1, bool)
    broken[1:-1] = (np.diff(single.path) != 1) | (known[1:] != known[:-1])
    broken[cuts[cuts < frames]] = True
    found = []
    for start, stop in itertools.pairwise(np.flatnonzero(broken).tolist()):
        if known[start] and stop - start >= LEAST_RUN_FRAMES and single.faint[start:stop].sum() >= LEAST_FAINT_FRAMES:
            found.append(DoubtfulRun(start, stop))
    return tuple(sorted(found, key=lambda run: run.start - run.stop)[:MOST_RUNS])


# ---------------------------------------------------------------- asking


class _Witnesses:
    """Frames of one run and the correlations of each with the SDR frames about its partner, read when asked for."""

    def __init__(self, single: SinglePath, geometries: Sequence[Geometry], read: Reader, limits: Mapping[str, Any]) -> None:
        self._single, self._geometries, self._read, self._limits = single, geometries, read, limits
        self._own_place = False

    def choose_place(self, frames: Sequence[int]) -> list[NDArray[np.float64]]:
        """Ask frames at the title's usual place, or at their passage's own where they agree better there. Tables (place, lag)."""
        shown = self._show(frames)
        tables = [[self._correlate(frame, row, own) for frame, row in zip(frames, shown, strict=True)] for own in (False, True)]
        peaks = [float(np.median([np.nanmax(table[0]) for table in one])) for one in tables]
        self._own_place = peaks[1] > peaks[0] + SAME_PLACE
        return tables[self._own_place]

    def ask(self, frame: int) -> NDArray[np.float64]:
        """Ask one further frame, (place, lag)."""
        return self._correlate(frame, self._show([frame])[0], self._own_place)

    def _show(self, frames: Sequence[int]) -> list[list[LumaPair | None]]:
        """Each HDR frame with the SDR frames about its partner; None where there is none."""
        single = self._single
        partners = single.path[np.array(frames)][:, None] + np.arange(-LAGS, LAGS + 1)
        there = (partners >= 0) & (partners < len(single.sdr_frame))
        wanted = [
            (int(single.hdr_frame[frame]), int(single.sdr_frame[partner]))
            for frame, row, inside in zip(frames, partners, there, strict=True)
            for partner in row[inside]
        ]
        pairs = iter(self._read(wanted))
        return [[next(pairs) if inside else None for inside in row] for row in there]

    def _correlate(self, frame: int, shown: Sequence[LumaPair | None], own: bool) -> NDArray[np.float64]:
        places = usual_places(self._geometries, int(self._single.hdr_frame[frame]), limits=self._limits)
        return correlate_lags(shown, places[-1] if own else places[0])


def _ask_run(run: DoubtfulRun, single: SinglePath, geometries: Sequence[Geometry], *, read: Reader, limits: Mapping[str, Any]) -> Answer:
    """Let the witnesses of a run speak."""
    witnesses = _Witnesses(single, geometries, read, limits)
    asked = np.unique(np.linspace(run.start, run.stop - 1, WITNESSES).round().astype(int)).tolist()
    tables = witnesses.choose_place(asked)
    said = dict(zip(asked, map(sure_lag, tables), strict=True))
    sure = set(said.values()) - {None}
    joint = joint_lag(np.stack(tables, axis=1))
    if joint is not None and sure <= {joint}:
        gain = np.array([_least_gain(table[0], joint + LAGS) for table in tables])
        telling = gain >= TELLING_SHARE * np.median(gain)
        said = {frame: joint if tells else None for frame, tells in zip(asked, telling.tolist(), strict=True)}
    elif sure:
        _ask_between(said, witnesses)
    return _answer(run, said)


def _ask_between(said: dict[int, int | None], witnesses: _Witnesses) -> None:
    """Find by halves where witnesses begin to say another thing, in place."""
    for _ in range(MOST_HALVINGS):
        known = sorted(said)
        gaps = [(low, high) for low, high in itertools.pairwise(known) if said[low] != said[high] and high - low > 1]
        if not gaps:
            return
        low, high = max(gaps, key=lambda gap: gap[1] - gap[0])
        middle = (low + high) // 2
        said[middle] = sure_lag(witnesses.ask(middle))


def _answer(run: DoubtfulRun, said: Mapping[int, int | None]) -> Answer:
    """Frames that a witness speaks for, or that lie between two who say the same."""
    lag, told = np.zeros(run.stop - run.start, np.int64), np.zeros(run.stop - run.start, bool)
    for first, second in itertools.pairwise(sorted(said)):
        if said[first] == said[second]:
            lag[first - run.start : second + 1 - run.start], told[first - run.start : second + 1 - run.start] = (
                said[first] or 0,
                said[first] is not None,
            )
    return Answer(lag, told)


def correlate_lags(shown: Sequence[LumaPair | None], geometry: Geometry) -> NDArray[np.float64]:
    """Correlation of contrast-normalised luma of an HDR frame with SDR frames, (place, lag): as registered, and a little beside it.

    Parameters
    ----------
    shown : the HDR frame with each SDR frame; None where the release has none.
    geometry : scale and shift.

    Returns
    -------
    Correlations, first those at the geometry's own place; NaN for None.
    """
    there = [lag for lag, pair in enumerate(shown) if pair is not None]
    known = [pair for pair in shown if pair is not None]
    out, laid = np.full((len(PLACES_BESIDE), len(shown)), np.nan), Laid(known[:1], known, geometry)
    out[:, there] = [laid.correlate(place)[0] for place in range(len(PLACES_BESIDE))]
    return out


class Laid:
    """HDR pictures to be laid on SDR pictures at a geometry's place and a little beside it, contrast-normalised luma of both."""

    def __init__(self, hdr: Sequence[LumaPair], sdr: Sequence[LumaPair], geometry: Geometry) -> None:
        """Take the HDR picture of some pairs and the SDR picture of others."""
        rows, columns, _ = register_size(geometry)
        size = {"rows": rows, "columns": columns}
        self._hdr = [normalise_region(one.hdr, region=geometry.hdr_common, step=one.hdr_step, **size) for one in hdr]
        self._sdr = np.stack([_inner(normalise_region(one.sdr, region=geometry.sdr_common, step=one.sdr_step, **size)) for one in sdr])

    def correlate(self, place: int) -> NDArray[np.float64]:
        """Correlation of every HDR with every SDR picture, (HDR picture, SDR picture); place 0 is the geometry's own."""
        return (np.stack([self._moved(row, place) for row in range(len(self._hdr))]) @ self._sdr.T).astype(np.float64)

    def correlate_pairs(self, pairs: Sequence[tuple[int, int]], place: int) -> NDArray[np.float64]:
        """The same of some (HDR picture, SDR picture) alone."""
        return np.array([self._moved(row, place) @ self._sdr[column] for row, column in pairs], np.float64)

    def _moved(self, row: int, place: int) -> NDArray[np.float32]:
        return _inner(_shift(self._hdr[row], *PLACES_BESIDE[place]))


PLACES_BESIDE = ((0.0, 0.0), (PLACE_PIXELS, 0.0), (-PLACE_PIXELS, 0.0), (0.0, PLACE_PIXELS), (0.0, -PLACE_PIXELS))
"""Places at which a lag must be the same: rows, columns."""


def _shift(picture: NDArray[np.float32], down: float, across: float) -> NDArray[np.float32]:
    """A picture so many pixels further down and right."""
    warp = np.array([[1, 0, across], [0, 1, down]])
    rows, columns = picture.shape
    return np.asarray(cv2.warpAffine(picture, warp, (columns, rows), flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def _inner(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    """Pixels away from the edges, as one vector of unit length without mean."""
    edge = [min(3, side // 4) for side in picture.shape]
    inner = picture[edge[0] : picture.shape[0] - edge[0], edge[1] : picture.shape[1] - edge[1]].reshape(-1)
    inner = inner - inner.mean(dtype=np.float64).astype(np.float32)
    return np.asarray(inner / max(float(np.sqrt(np.einsum("n,n->", inner, inner))), 1e-9), np.float32)


# ---------------------------------------------------------------- what they say


def sure_lag(table: NDArray[np.float64]) -> int | None:
    """The lag that one witness tells for sure; None where it does not.

    Parameters
    ----------
    table : correlations, (place, lag), lags -LAGS to LAGS; NaN where there is no frame.
    """
    best = set(np.nanargmax(table, axis=1).tolist())
    if len(best) != 1 or best & {0, 2 * LAGS}:  # at the end of what was looked at the true one may lie beyond
        return None
    lag = best.pop()
    return lag - LAGS if min(_least_gain(row, lag) for row in table) >= SURE_GAIN else None


def _least_gain(row: NDArray[np.float64], lag: int) -> float:
    """By how much a lag beats the next best."""
    return float(row[lag] - np.nanmax(np.delete(row, lag)))


def joint_lag(table: NDArray[np.float64]) -> int | None:
    """The lag that witnesses tell together; None where they do not clearly.

    Parameters
    ----------
    table : correlations, (place, witness, lag), lags -LAGS to LAGS; NaN where there is no frame.
    """
    best = {int(np.nanmean(one, axis=0).argmax()) for one in table}
    if len(best) != 1 or best & {0, 2 * LAGS}:
        return None
    lag = best.pop()
    for one in table:
        gain = np.delete(one[:, lag, None] - one, lag, axis=1)
        for values in (column[np.isfinite(column)] for column in gain.T):
            if len(values) < WITNESSES // 2:
                return None
            values = np.minimum(values, np.median(values))  # that the camera travels faster here than there is no doubt about the lag
            if values.mean() < max(LEAST_GAIN, SPREADS * float(values.std(ddof=1)) / np.sqrt(len(values))):
                return None
    return lag - LAGS


# ---------------------------------------------------------------- what follows


def _settle(
    single: SinglePath, lag: NDArray[np.int64], told: NDArray[np.bool_], doubted: NDArray[np.bool_]
) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """Path and state once the witnesses have spoken: what then has no room beside its neighbours is undetermined."""
    path = single.path + lag
    unclear = np.where(doubted, np.int8(0), single.state)
    state = np.where(single.faint, np.where(told, np.int8(1), unclear), single.state).astype(np.int8)
    low, high = reach_around(path, path >= 0)
    crowded = told & ((path <= low) | (path >= high)) & (path >= 0)
    low, high = reach_around(path, (path >= 0) & ~crowded)
    path = np.where(crowded, np.clip(path, np.minimum(low, high), high), path)
    return path, np.where(crowded, np.int8(0), state).astype(np.int8)


def reach_around(path: NDArray[np.int64], counts: NDArray[np.bool_]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Highest SDR frame before each HDR frame and lowest behind it, of those that count; -1 and the largest integer where there is none."""
    most = np.iinfo(np.int64).max
    before = np.maximum.accumulate(np.where(counts, path, -1))
    after = np.minimum.accumulate(np.where(counts, path, most)[::-1])[::-1]
    return np.concatenate([[-1], before[:-1]]), np.concatenate([after[1:], [most]])
