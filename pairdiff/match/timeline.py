"""The edit map: which frame of one release belongs to which frame of the other, and which frames have no partner.

Anchored and banded, so that the work grows nearly as the film's length and never as its square in earnest: sparse windows of what moves
are found anywhere in the other film (`anchors`), those that follow each other in both films are chained into runs of one offset
(`chains`), and only inside a run, in a narrow band, are frames paired one by one (`path`). The scheme is that of whole-genome alignment:
anchor, chain, extend (A. L. Delcher et al., "Alignment of whole genomes", Nucleic Acids Research 27(11), 1999). Where two runs meet, the
edit is put where the similarities of both say it is; where nothing moves, or several places explain a passage, it is left undetermined.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Empty, Prints, chosen_of, in_memory, part_of
from pairdiff._records import FloatArray
from pairdiff.match.anchors import PIN_FRAMES, PIN_WEIGHT, Anchors, Places, find_anchors, with_pins
from pairdiff.match.cadence import Cadence, find_cadence, single_frames
from pairdiff.match.chains import Run, chain_anchors, join_runs
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS
from pairdiff.match.grid import GridMap, fit_map, likely_maps, mask_film, mask_track, resample_film, resample_track
from pairdiff.match.motion import (
    BLOCK_FRAMES,
    HIGH_PASS_FRAMES,
    flat_frames,
    make_signatures,
    measure_newness,
    signature_lengths,
    stretches,
)
from pairdiff.match.path import (
    BAND_FRAMES,
    SHORT_FRAMES,
    Path,
    Piece,
    Side,
    follow_run,
    lag_margins,
    residual_evidence,
    telling_frames,
    trace_path,
)
from pairdiff.match.position import measure_positions

WINDOW_FRAMES, GAP_WINDOW_FRAMES = 32, 16
"""Lengths of the windows that are looked for in the whole film, and in the gaps between runs (own)."""
EVERY_FRAMES, EVERY_FRAMES_LONG, LONG_FILM_FRAMES = 12, 24, 20_000
"""From one window to the next; and in films longer than `LONG_FILM_FRAMES` (own)."""
MOST_WINDOWS = 5400
"""Windows looked for in the longest films: 172 800 frames are still covered without a gap, and the search stays linear (own)."""
GAP_EVERY_FRAMES = 6
"""From one window to the next in the gaps between runs (own)."""
PROBES = 48
"""Windows by which the map of the grids is chosen."""
LEAST_PROBES = 3
"""Windows that must be found before another map than the likeliest is believed (own)."""
FIT_WINDOWS = 16
"""Windows by which the map of the grids is fitted (own)."""
GOOD_PROBE = 0.6
"""Mean correlation of the probes above which no other map is tried (own)."""
LEVEL_FRAMES = 24
"""Frames from which the level of similarity inside and outside a run is taken."""
SURE_FRAMES = 8
"""Frames of a window's far end that are surely inside its run."""
SEEN_NEWNESS, SEEN_WEIGHT = 0.25, 4.0
"""Newness below which a frame is seen to be a repeat, and what that weighs: the evidence of two frames (own)."""
GOES_ON_NEWNESS = 0.6
"""Newness of the other release's frame from which it is no pause of the film itself (own)."""
UNSURE_EVIDENCE = 0.2
"""A place of a repeat or a drop that has no more than this evidence against it might be the place as well (own)."""
LOOSE_FRAMES = 4
"""Frames beside a change of offset inside a run that may belong to either side of it."""
REPLACED_DROP = 0.2
"""How far below its run's similarity a passage must lie to be another picture (own)."""
REPLACED_AGREEMENT, CHANCE_AGREEMENT = 0.15, 0.6
"""Correlation of signatures from which it is the same picture nevertheless; plus chance, by the root of its frames (own)."""
LEAST_WEIGHT, LEAST_WEIGHT_SHARE = 2.0, 0.25
"""Sum of correlations of found windows from which films belong together; for short films, per window looked for (own)."""
TURN_WEIGHT_SHARE, TURN_GAIN = 0.35, 2.0
"""Weight per window looked for below which a turned picture is tried as well (a symmetric quarter of a film has 0.3, grain and
edits 0.39 and more), and how many times the weight it must carry (own)."""
LEAST_REPEAT_SHARE = 0.08
"""Share of repeats, and difference of both sides' shares, from which repeats are undone (own)."""
CAPTURE_SHARE = 0.15
"""Share of repeats on both sides from which they are undone although they are as many: their phases may differ (own)."""
AVERAGED_FRAMES, MOST_AVERAGED = 12, 240
"""Frames of a passage from which its mean picture tells more than its single ones, and how many are taken at most (own)."""
LEAST_ELSEWHERE = 2
"""Neighbouring windows at one offset from which a passage without partner is found elsewhere (own)."""
MAP_AGAIN_SHARE = 0.0015
"""Where registered pictures put a corner further from the map of the grids than this share of the width or height, frames are matched
again under theirs (own: a fast pan moves as far from frame to frame).
"""
LEAST_AGAIN = 0.97
"""Agreement over matched frames, as a share of the first map's, from which a map on registered pictures takes its place (own)."""
LEAST_ALIKE_FRAMES, MOST_ALIKE_FRAMES = 8, 1024
"""Shortest passage in a gap of both sides that is held against the other side, and places there that it is held against (own)."""
ALIKE_SIMILARITY = 0.85
"""Similarity of fingerprints from which such a passage may be the same picture (own: of one shot 0.9 and more, 8 % grain 0.8)."""
FAINT_MARGIN = 0.1
"""A matched frame whose lag beats its neighbours by less than this, in the long window, is told but faintly (own)."""
DOUBT_BETWEEN_SHARE = 0.05
"""Share of frames between two of the other release from which those that are clearly off their partner's are undetermined (own)."""
LEAST_RUN_FRAMES = 5
"""Shortest passage that gets a state of its own."""
MOST_LEFT_OUT = 3
"""Most HDR frames in a row that a path leaves out inside a passage."""


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """A passage of the HDR release and the one of the SDR release that shows it; frame numbers, stop exclusive."""

    hdr_start: int
    hdr_stop: int
    sdr_start: int
    sdr_stop: int


@dataclass(frozen=True, slots=True)
class EditMap:
    """What matching found, arrays over HDR frames."""

    path: NDArray[np.int64]
    """SDR frame that a frame belongs to or, undetermined, would belong to; -1 where it has none. Repeats belong to what they repeat."""
    path_stop: NDArray[np.int64]
    """First SDR frame behind that one and its repeats; -1 where it has none."""
    partners: NDArray[np.int64]
    """SDR frame of each matched frame, for scoring; -1 where it is not matched, and for repeats that the SDR release has not."""
    state: NDArray[np.int8]
    """1 matched, 0 undetermined, -1 without partner."""
    faint: NDArray[np.bool_]
    """Frames of which the fingerprints show the same picture as on the path and no other place, but hardly tell its very frame: those that
    are undetermined for nothing else, and matched ones whose neighbours agree nearly as well."""
    ambiguous: NDArray[np.bool_]
    """Frames of which the SDR release has the like in other places as well, as of a loop."""
    similarity: NDArray[np.float32]
    """Similarity of the fingerprints on the path, -1 to 1; NaN without one."""
    score: float
    """Correlation of what moves in matched frames, -1 to 1; of the best window where nothing is matched."""
    runner_up: float
    """Median over windows of the correlation at the second best place."""
    weight: float
    """Sum of the correlations of the windows that carry the map."""
    windows: int
    """Windows looked for."""
    candidate_frames: int
    """Offset of the best window, SDR frame number minus HDR frame number."""
    maps: tuple[tuple[int, int, GridMap], ...]
    """HDR frames (start, stop) and the map of the grids there."""
    elsewhere: tuple[Elsewhere, ...]
    """Passages without partner that the SDR release shows out of order: earlier or later than the map, which never goes back, allows."""
    hdr_cadence: Cadence
    sdr_cadence: Cadence
    """Runs of repeats that were undone."""
    telling: int = 0
    """HDR frames that tell their place in time."""
    between: int = 0
    """Those of them that lie between two frames of the other release."""
    mixed: bool = False
    """Whether they are many, and come in the rhythm of a conversion by mixing."""


def find_edit_map(
    hdr_track: Prints,
    sdr_track: Prints,
    *,
    hdr_aspect: float = 1.0,
    sdr_aspect: float = 1.0,
    pins: Sequence[tuple[int, int]] = (),
    only: tuple[int, int] | None = None,
    grid_map: GridMap | None = None,
    hdr_repeats: NDArray[np.bool_] | None = None,
    sdr_repeats: NDArray[np.bool_] | None = None,
    empty: Empty = in_memory,
) -> EditMap:
    """Match two fingerprint tracks.

    Parameters
    ----------
    hdr_track, sdr_track : fingerprints, (frame, cell).
    hdr_aspect, sdr_aspect : width over height of the active pictures as shown; only their ratio counts.
    pins : HDR and SDR frames that are known to belong together, to about a second; what contradicts them is not believed.
    only : first and last (exclusive) HDR frame to match; the others are undetermined.
    grid_map : where one grid lies in the other, if registered pictures tell it; found from the fingerprints where None.
    hdr_repeats, sdr_repeats : frames known to have no picture of their own, (frame,); found from the fingerprints where None or empty.
    empty : makes the arrays of a film's length that fingerprints and signatures are put into.

    Returns
    -------
    EditMap; nothing matched where the films do not belong together.
    """
    if only is not None:
        start, stop = only[0], max(only[1], only[0] + 1)
        inner = find_edit_map(
            part_of(hdr_track, start, stop),
            sdr_track,
            hdr_aspect=hdr_aspect,
            sdr_aspect=sdr_aspect,
            pins=[(hdr - start, sdr) for hdr, sdr in pins if start <= hdr < stop],
            grid_map=grid_map,
            hdr_repeats=None if hdr_repeats is None else hdr_repeats[start:stop],
            sdr_repeats=sdr_repeats,
            empty=empty,
        )
        return _moved_into(inner, start, len(hdr_track))
    tracks = hdr_track, sdr_track
    cadences = find_cadence(hdr_track, hdr_repeats), find_cadence(sdr_track, sdr_repeats)
    hdr_runs, sdr_runs = (one if _counts(one, cadences) else single_frames(len(track)) for one, track in zip(cadences, tracks, strict=True))
    run_pins = [
        (int(np.searchsorted(hdr_runs.first, hdr, "right")) - 1, int(np.searchsorted(sdr_runs.first, sdr, "right")) - 1)
        for hdr, sdr in pins
    ]
    single_tracks = _first_of_runs(hdr_track, hdr_runs), _first_of_runs(sdr_track, sdr_runs)
    used = grid_map if grid_map is not None else find_grid_map(*single_tracks, likely_maps(hdr_aspect, sdr_aspect), empty=empty)
    single = _match_single(*single_tracks, used, run_pins, empty=empty)
    return _with_repeats(single, hdr_runs, sdr_runs)


def _first_of_runs(track: Prints, runs: Cadence) -> Prints:
    """A track without its repeats; the very track where it has none, since a copy of a film's takes 200 MB."""
    return track if len(runs.first) == len(track) else chosen_of(track, runs.first)


def _counts(cadence: Cadence, both: tuple[Cadence, Cadence]) -> bool:
    """Whether a side's repeats are to be undone: they are many, and not simply those of the other side."""
    if cadence.known:
        return True
    shares = [one.repeat_share for one in both]
    return cadence.repeat_share >= LEAST_REPEAT_SHARE and (abs(shares[0] - shares[1]) > LEAST_REPEAT_SHARE or min(shares) >= CAPTURE_SHARE)


def _with_repeats(single: EditMap, hdr: Cadence, sdr: Cadence) -> EditMap:
    """A map of runs of repeats as a map of frames: runs of one length pair in order, else the middle frame of each."""
    run = np.repeat(np.arange(len(hdr.first)), hdr.count)
    spread = replace(
        single,
        faint=single.faint[run],
        ambiguous=single.ambiguous[run],
        similarity=single.similarity[run],
        maps=tuple((int(hdr.first[start]), _frame_after(hdr, stop - 1), one) for start, stop, one in single.maps if stop > start),
        elsewhere=tuple(
            Elsewhere(
                int(hdr.first[one.hdr_start]),
                _frame_after(hdr, one.hdr_stop - 1),
                int(sdr.first[one.sdr_start]),
                _frame_after(sdr, one.sdr_stop - 1),
            )
            for one in single.elsewhere
        ),
        hdr_cadence=hdr,
        sdr_cadence=sdr,
    )
    path, stop, partners = _spread_path(single.path, single.state, hdr, sdr)
    return replace(spread, path=path, path_stop=stop, partners=partners, state=single.state[run])


def _spread_path(
    path: NDArray[np.int64], state: NDArray[np.int8], hdr: Cadence, sdr: Cadence
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Path of frames, its stop and partners, from the path and state of runs of repeats."""
    run = np.repeat(np.arange(len(hdr.first)), hdr.count)
    place = np.arange(len(run)) - hdr.first[run]
    known = path[run] >= 0
    partner = np.where(known, path[run], 0)
    first, count = (values[partner] if len(values) else np.zeros(len(run), np.int64) for values in (sdr.first, sdr.count))
    equal = known & (hdr.count[run] == count)
    frames = np.where(known, first + np.where(equal, place, 0), -1)
    inner = equal & (place < count - 1)
    stop = np.where(known, np.where(inner, frames + 1, first + count), -1)
    stands, stands_for = hdr.middle[run] == np.arange(len(run)), sdr.middle[partner] if len(sdr.first) else frames
    return frames, stop, np.where((state[run] == 1) & (equal | stands), np.where(equal, frames, stands_for), -1)


@dataclass(frozen=True, slots=True)
class SinglePath:
    """An edit map in single frames: what repeats counts once. Arrays over single HDR frames of the passage that was matched."""

    path: NDArray[np.int64]
    """Single SDR frame, -1 without."""
    state: NDArray[np.int8]
    faint: NDArray[np.bool_]
    ambiguous: NDArray[np.bool_]
    hdr_frame: NDArray[np.int64]
    """HDR frame that stands for each single one."""
    sdr_frame: NDArray[np.int64]
    """SDR frame that stands for each single one, of the whole release."""


def single_path(edit_map: EditMap) -> SinglePath:
    """An edit map with each run of repeats as one frame."""
    first, runs = edit_map.hdr_cadence.first + edit_map.maps[0][0], edit_map.sdr_cadence.first
    path = edit_map.path[first]
    single = np.where(path >= 0, np.searchsorted(runs, path, "right") - 1, -1)
    frames = edit_map.hdr_cadence.middle + edit_map.maps[0][0], edit_map.sdr_cadence.middle
    return SinglePath(single, edit_map.state[first], edit_map.faint[first], edit_map.ambiguous[first], *frames)


def with_single_path(edit_map: EditMap, path: NDArray[np.int64], state: NDArray[np.int8]) -> EditMap:
    """An edit map with another path and state, in single frames as of `single_path`.

    Similarities and the score stay those of the path that the fingerprints found.
    """
    hdr, start = edit_map.hdr_cadence, edit_map.maps[0][0]

    def put_in(whole: NDArray[Any], part: NDArray[Any]) -> NDArray[Any]:
        return np.concatenate([whole[:start], part, whole[start + len(part) :]])

    frames, stop, partners = _spread_path(path, state, hdr, edit_map.sdr_cadence)
    return replace(
        edit_map,
        path=put_in(edit_map.path, frames),
        path_stop=put_in(edit_map.path_stop, stop),
        partners=put_in(edit_map.partners, partners),
        state=put_in(edit_map.state, np.repeat(state, hdr.count)),
    )


def _frame_after(cadence: Cadence, run: int) -> int:
    return int(cadence.first[run] + cadence.count[run])


def _moved_into(inner: EditMap, start: int, frames: int) -> EditMap:
    """A map of a passage as a map of the whole HDR release, whose other frames are undetermined."""
    before, after = start, frames - start - len(inner.path)

    def widen(values: NDArray[Any], outside: float) -> NDArray[Any]:
        return np.pad(values, (before, after), constant_values=outside)

    return replace(
        inner,
        path=widen(inner.path, -1),
        path_stop=widen(inner.path_stop, -1),
        partners=widen(inner.partners, -1),
        state=widen(inner.state, 0),
        faint=widen(inner.faint, False),
        ambiguous=widen(inner.ambiguous, False),
        similarity=widen(inner.similarity, np.nan),
        maps=tuple((first + start, last + start, one) for first, last, one in inner.maps),
        elsewhere=tuple(replace(one, hdr_start=one.hdr_start + start, hdr_stop=one.hdr_stop + start) for one in inner.elsewhere),
    )


def _match_single(hdr_track: Prints, sdr_track: Prints, grid_map: GridMap, pins: Sequence[tuple[int, int]], *, empty: Empty) -> EditMap:
    """Match two tracks without repeats."""
    hdr = make_side(resample_film(hdr_track, grid_map, empty=empty), empty=empty)
    sdr = make_side(mask_film(sdr_track, grid_map, empty=empty), empty=empty)
    anchors = with_pins(_search(hdr, sdr), hdr.signatures, sdr.signatures, pins)
    runs = _fill_gaps(join_runs(chain_anchors(anchors)), hdr, sdr)
    pairs = _pair_frames(runs, hdr, sdr, pins)
    state, faint = _judge_frames(pairs, hdr, sdr)
    ambiguous = _ambiguous_frames(len(state), anchors)
    state = _drop_islands(np.where((state == 1) & ambiguous, np.int8(0), state).astype(np.int8), _left_out(pairs.partner))
    places = measure_positions(pairs.partner, hdr, sdr)
    if places.between >= DOUBT_BETWEEN_SHARE * places.telling:  # a single such frame may as well be a true one in an odd place
        state = np.where((state == 1) & places.off, np.int8(0), state).astype(np.int8)
    path, state = _pair_flat(pairs.partner, state, hdr, sdr)
    path, state = _doubt_alike(path, state, hdr, sdr)
    best = int(anchors.correlation.argmax()) if len(anchors.hdr) else -1
    matched = bool((state == 1).any())
    return EditMap(
        path=path,
        path_stop=np.where(path >= 0, path + 1, -1),
        partners=np.where(state == 1, path, -1),
        state=state,
        faint=faint & ~ambiguous,
        ambiguous=ambiguous,
        similarity=pairs.alike,
        score=_score(state, path, pairs.agreement, hdr, sdr) if matched else _best_score(anchors, best),
        runner_up=float(np.median(anchors.rival)) if best >= 0 else 0.0,
        weight=float(sum(run.weight for run in runs)),
        windows=len(anchors.hdr),
        candidate_frames=int(anchors.sdr[best] - anchors.hdr[best]) if best >= 0 else 0,
        maps=((0, len(hdr_track), grid_map),),
        elsewhere=_find_elsewhere(anchors, path < 0, hdr, sdr),
        hdr_cadence=single_frames(len(hdr_track)),
        sdr_cadence=single_frames(len(sdr_track)),
        telling=places.telling,
        between=places.between,
        mixed=places.mixed,
    )


def _gap_beside(path: NDArray[np.int64], start: int, stop: int, sdr_frames: int) -> tuple[int, int]:
    """SDR frames (stop exclusive) that lie between the partners before and behind some HDR frames without one."""
    before, after = path[:start][path[:start] >= 0], path[stop:][path[stop:] >= 0]
    return int(before.max()) + 1 if before.size else 0, int(after.min()) if after.size else sdr_frames


def _pair_flat(path: NDArray[np.int64], state: NDArray[np.int8], hdr: Side, sdr: Side) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """Black against black of another length: undetermined on both sides, in proportion, and not without partner."""
    path, state = path.copy(), state.copy()
    flat = flat_frames(sdr.fingerprints)
    for start, stop in stretches((state < 0) & flat_frames(hdr.fingerprints)):
        low, high = _gap_beside(path, start, stop, len(flat))
        inside = stretches(flat[low:high]) if high > low else []
        if inside:
            first, last = max(inside, key=lambda one: one[1] - one[0])
            path[start:stop] = low + np.rint(np.linspace(first, last - 1, stop - start)).astype(np.int64)
            state[start:stop] = 0
    return path, state


def _doubt_alike(path: NDArray[np.int64], state: NDArray[np.int8], hdr: Side, sdr: Side) -> tuple[NDArray[np.int64], NDArray[np.int8]]:
    """What neither side's map holds but looks alike on both is undetermined: to say that one release alone has it would be wrong.

    A slow shot behind an edit moves too little to be found, and stands in a gap of both sides.
    """
    path, state = path.copy(), state.copy()
    for start, stop in stretches(state < 0):
        low, high = _gap_beside(path, start, stop, len(sdr.fingerprints))
        if stop - start < LEAST_ALIKE_FRAMES or high - low < LEAST_ALIKE_FRAMES:
            continue
        places = np.arange(low, high, max((high - low) // MOST_ALIKE_FRAMES, 1))
        theirs = sdr.fingerprints[places].astype(np.float32)
        most = np.concatenate([similarity.max(1) for _, similarity in _similarities(hdr.fingerprints, theirs, start, stop)])
        found = [(first, last) for first, last in stretches(most >= ALIKE_SIMILARITY) if last - first >= LEAST_ALIKE_FRAMES]
        seen = _most_alike(found, hdr.fingerprints, theirs, start, stop)
        taken: list[tuple[int, int, int]] = []  # HDR frame, SDR frames
        for first, last in sorted(found, key=lambda one: -float(most[one[0] : one[1]].mean())):
            after = max((one[2] for one in taken if one[0] < first), default=low)
            before = min((one[1] for one in taken if one[0] > first), default=high)
            shown = np.where((places >= after) & (places < before), seen[first], -1.0)
            if inside := stretches(shown >= ALIKE_SIMILARITY):
                begin, end = max(inside, key=lambda one: float((shown[one[0] : one[1]] - ALIKE_SIMILARITY).sum()))
                ends = int(places[begin]), int(places[end - 1])
                path[start + first : start + last] = np.rint(np.linspace(*ends, last - first)).astype(np.int64)
                state[start + first : start + last] = 0
                taken.append((first, ends[0], ends[1] + 1))
    return path, state


def _similarities(prints: Prints, theirs: NDArray[np.float32], start: int, stop: int) -> Iterator[tuple[int, NDArray[np.float32]]]:
    """Similarity of frames `start` to `stop` with some others, (frame, other), a block at a time; and which of them a block begins with."""
    for first in range(start, stop, BLOCK_FRAMES):
        yield first - start, prints[first : min(first + BLOCK_FRAMES, stop)].astype(np.float32) @ theirs.T


def _most_alike(
    found: Sequence[tuple[int, int]], prints: Prints, theirs: NDArray[np.float32], start: int, stop: int
) -> dict[int, NDArray[np.float32]]:
    """How alike the most alike frame of each passage within `start` to `stop` is to each of some others, by the passage's first frame."""
    seen = {first: np.full(len(theirs), -np.inf, np.float32) for first, _ in found}
    for begin, similarity in _similarities(prints, theirs, start, stop) if found else ():
        for first, last in found:
            inside = similarity[max(first - begin, 0) : max(last - begin, 0)]
            if inside.size:
                seen[first] = np.maximum(seen[first], inside.max(0))
    return seen


def _drop_islands(state: NDArray[np.int8], left_out: NDArray[np.bool_]) -> NDArray[np.int8]:
    """Matched passages too short to hold anything are undetermined; frames left out inside one do not part it."""
    out = state.copy()
    for start, stop in stretches((state == 1) | left_out):
        if stop - start < LEAST_RUN_FRAMES:
            out[start:stop] = np.minimum(state[start:stop], 0)
    return out


def _left_out(path: NDArray[np.int64]) -> NDArray[np.bool_]:
    """A few HDR frames without partner between two whose partners follow each other: repeats, or frames that the SDR release dropped."""
    out = np.zeros(len(path), bool)
    for start, stop in stretches(path < 0):
        inside = start > 0 and stop < len(path) and stop - start <= MOST_LEFT_OUT
        out[start:stop] = inside and path[stop] - path[start - 1] == 1
    return out


def make_side(track: Prints, *, empty: Empty = in_memory) -> Side:
    """Fingerprints and signatures of a track on the common grid."""
    signatures = make_signatures(track, empty=empty)[0]
    return Side(track, signatures, measure_newness(track), signature_lengths(signatures))


def _window_frames(*lengths: int) -> int:
    return max(min(WINDOW_FRAMES, min(lengths) // 2), 4)


def _search(hdr: Side, sdr: Side) -> Anchors:
    """Windows of the whole HDR film in the whole SDR film."""
    frames = _window_frames(len(hdr.signatures), len(sdr.signatures))
    length = len(hdr.signatures)
    every = EVERY_FRAMES if length < LONG_FILM_FRAMES else max(EVERY_FRAMES_LONG, length // MOST_WINDOWS)
    starts = np.arange(0, len(hdr.signatures) - frames + 1, every)
    return find_anchors(hdr.signatures, Places(sdr.signatures, frames=frames), starts=starts)


def better_map(first: EditMap, second: EditMap) -> EditMap:
    """The second edit map, unless less of what moves agrees under it."""
    found = [one.score * int((one.partners >= 0).sum()) for one in (first, second)]
    return second if found[1] >= LEAST_AGAIN * found[0] else first


def _best_score(anchors: Anchors, best: int) -> float:
    """Correlation of the best window, less what a pin adds to its own; 0 without one."""
    score = float(anchors.correlation[best]) if best >= 0 else 0.0
    return score - PIN_WEIGHT if score >= PIN_WEIGHT else score


def belongs_together(edit_map: EditMap, *, min_score: float) -> bool:
    """Whether two films belong together: what moves agrees, in enough windows that chance does not explain it."""
    enough = min(LEAST_WEIGHT, LEAST_WEIGHT_SHARE * edit_map.windows)
    return bool((edit_map.state == 1).any()) and edit_map.score >= min_score and edit_map.weight >= enough


def may_be_turned(edit_map: EditMap) -> bool:
    """Whether so little of what was looked for carries a map that a turned picture might carry more: a symmetric shot, say."""
    return edit_map.weight < TURN_WEIGHT_SHARE * edit_map.windows


def find_turn(hdr_track: Prints, sdr_track: Prints, *, min_score: float, weight: float = 0.0, empty: Empty = in_memory) -> str | None:
    """Whether two films belong together once one picture is turned.

    Parameters
    ----------
    hdr_track, sdr_track : fingerprints, (frame, cell).
    min_score : as for `belongs_together`.
    weight : that of the map as stored, which a turned one must beat clearly.
    empty : as for `find_edit_map`.

    Returns
    -------
    `mirrored left to right`, `turned by 180 degrees` or `mirrored top to bottom`, whichever carries most; None if none does.
    """
    cells = np.arange(GRID_ROWS * GRID_COLUMNS).reshape(GRID_ROWS, GRID_COLUMNS)
    turns = {
        "mirrored left to right": cells[:, ::-1],
        "turned by 180 degrees": cells[::-1, ::-1],
        "mirrored top to bottom": cells[::-1],
    }
    maps = {words: find_edit_map(hdr_track, _turned(sdr_track, one.reshape(-1), empty=empty), empty=empty) for words, one in turns.items()}
    words = max(maps, key=lambda one: maps[one].weight)
    found = maps[words]
    return words if belongs_together(found, min_score=min_score) and found.weight >= TURN_GAIN * weight else None


def _turned(track: Prints, cells: NDArray[np.int64], *, empty: Empty) -> Prints:
    """Fingerprints with their cells in another order."""
    out = empty(track.shape, track.dtype)
    for start in range(0, len(track), BLOCK_FRAMES):
        out[start : start + BLOCK_FRAMES] = track[start : start + BLOCK_FRAMES][:, cells]
    return out


def usual_offset(edit_map: EditMap) -> int:
    """The commonest SDR frame number minus HDR frame number of matched frames; 0 where none is matched."""
    paired = np.flatnonzero(edit_map.partners >= 0)
    if not paired.size:
        return 0
    values, counts = np.unique(edit_map.partners[paired] - paired, return_counts=True)
    return int(values[counts.argmax()])


# ---------------------------------------------------------------- where one grid lies in the other


def find_grid_map(hdr_track: Prints, sdr_track: Prints, maps: Sequence[GridMap], *, empty: Empty = in_memory) -> GridMap:
    """The map of the HDR grid onto the SDR grid under which most is found again, refined; the first of `maps` where nothing is.

    Parameters
    ----------
    hdr_track, sdr_track : fingerprints, (frame, cell).
    maps : to be tried, the likeliest first.
    empty : as for `find_edit_map`.
    """
    frames = _window_frames(len(hdr_track), len(sdr_track))
    places = Places(make_signatures(sdr_track, empty=empty)[0], frames=frames)
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
    telling = np.flatnonzero(found.telling) if found is not None else np.zeros(0, int)
    if found is None or len(telling) < LEAST_PROBES:
        return maps[0]
    chosen = telling[np.argsort(-found.correlation[telling])][:FIT_WINDOWS]
    windows = _FitWindows(hdr_track, sdr_track, starts[chosen], found.sdr[chosen], frames)
    return fit_map(best, windows.score)[0]


def _probe(track: Prints, starts: NDArray[np.int64], places: Places, grid_map: GridMap) -> Anchors:
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

    def __init__(self, hdr: Prints, sdr: Prints, starts: NDArray[np.int64], places: NDArray[np.int64], frames: int) -> None:
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


def _cut_out(track: Prints, start: int, frames: int) -> NDArray[np.float32]:
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
    part = part_of(hdr.signatures, *hdr_span)
    places = Places(part_of(sdr.signatures, *sdr_span), frames=frames)
    found = find_anchors(part, places, starts=np.arange(0, len(part) - frames + 1, GAP_EVERY_FRAMES))
    return [Run(run.hdr + hdr_span[0], run.sdr + sdr_span[0], run.weight, frames) for run in chain_anchors(found) if len(run.hdr) > 1]


@dataclass(frozen=True, slots=True)
class _Reach:
    """A run's path over all the frames that might be its own, and those that surely are."""

    path: Path
    unsure: NDArray[np.bool_]
    """Frames of the path whose partner might be another."""
    sure_start: int
    sure_stop: int


@dataclass(frozen=True, slots=True)
class _Pairs:
    """The runs put together, arrays over HDR frames."""

    partner: NDArray[np.int64]
    """SDR frame, -1 without."""
    alike: NDArray[np.float32]
    """Similarity, NaN without partner."""
    agreement: NDArray[np.float32]
    """As in `Path`, (frame, lag); 0 without partner."""
    strength: NDArray[np.float32]
    unsure: NDArray[np.bool_]
    """Whether the partner might be another."""


def _pair_frames(runs: tuple[Run, ...], hdr: Side, sdr: Side, pins: Sequence[tuple[int, int]]) -> _Pairs:
    """The partner of every HDR frame along the runs."""
    total = len(hdr.signatures)
    pairs = _Pairs(
        np.full(total, -1, np.int64),
        np.full(total, np.nan, np.float32),
        np.zeros((total, 2 * BAND_FRAMES + 1), np.float32),
        np.zeros(total, np.float32),
        np.zeros(total, bool),
    )
    sure = [_sure_frames(run, pins) for run in runs]
    reaches = []
    for number, run in enumerate(runs):
        before = sure[number - 1][1] - LEVEL_FRAMES if number else 0
        after = sure[number + 1][0] + LEVEL_FRAMES if number + 1 < len(runs) else total
        start, stop = max(min(before, sure[number][0]), 0), min(max(after, sure[number][1]), total)
        reaches.append(_Reach(*_follow(run, hdr, sdr, start=start, stop=stop), *sure[number]))
    edges = _find_edges(reaches)
    for reach, (start, stop) in zip(reaches, edges, strict=True):
        part = slice(start - reach.path.start, stop - reach.path.start)
        pairs.partner[start:stop] = reach.path.partner[part]
        pairs.alike[start:stop] = reach.path.alike[part]
        pairs.agreement[start:stop] = reach.path.agreement[part]
        pairs.strength[start:stop] = reach.path.strength[part]
        pairs.unsure[start:stop] = reach.unsure[part]
    return pairs


def _sure_frames(run: Run, pins: Sequence[tuple[int, int]]) -> tuple[int, int]:
    """Frames that are surely a run's own: a window at its end may lie inside it with a third of its length only; pins are sure."""
    start, stop = run.hdr_start + run.frames - SURE_FRAMES, run.hdr_stop - run.frames + SURE_FRAMES
    if start >= stop:
        start = (start + stop) // 2
        stop = start + 1
    for pin_hdr, pin_sdr in pins:
        inside = run.hdr_start <= pin_hdr < run.hdr_stop and run.sdr_start <= pin_sdr + PIN_FRAMES and pin_sdr - PIN_FRAMES < run.sdr_stop
        nearest = int(np.abs(run.hdr - pin_hdr).argmin())
        if inside and abs(int(run.sdr[nearest] - run.hdr[nearest]) - (pin_sdr - pin_hdr)) <= PIN_FRAMES:
            start, stop = min(start, pin_hdr), max(stop, pin_hdr + 1)
    return start, stop


def _follow(run: Run, hdr: Side, sdr: Side, *, start: int, stop: int) -> tuple[Path, NDArray[np.bool_]]:
    """The path of a run over HDR frames `start` to `stop`, its repeats and drops put where they are.

    Returns
    -------
    The path, and the frames of it whose partner hangs on a repeat or a drop that might as well lie elsewhere, (frame,).
    """
    pieces = follow_run(run, hdr, sdr, start=start, stop=stop)
    changes = [_place_change(first, second, hdr, sdr) for first, second in itertools.pairwise(pieces)]
    offset = np.empty(stop - start, np.int64)
    left_out, unsure = np.zeros((2, stop - start), bool)
    for piece, begin in zip(pieces, [start, *(one.begin for one in changes)], strict=True):
        offset[begin - start :] = piece.offset
    for one in changes:
        left_out[one.end - start : one.begin - start] = True
        unsure[one.low - start : one.high - start] = True
    return trace_path(hdr, sdr, start=start, offset=offset, left_out=left_out), unsure


@dataclass(frozen=True, slots=True)
class _Change:
    """A few frames that repeat or drop, HDR frames."""

    end: int
    """First frame behind the passage before."""
    begin: int
    """First frame of the passage after; frames between have no partner."""
    low: int
    """Frames `low` to `high` might belong to either passage."""
    high: int


def _place_change(first: Piece, second: Piece, hdr: Side, sdr: Side) -> _Change:
    """Where a few frames repeat or drop: where the pictures, measured by how far true partners are apart, and a seen repeat put it."""
    change = second.offset - first.offset
    left_out = max(-change, 0)
    low = max(first.stop - LOOSE_FRAMES - left_out, first.start + 1)
    high = max(min(second.start + LOOSE_FRAMES, second.stop - 1 - left_out), low)
    ends = np.arange(low, high + 1)
    mine, theirs = residual_evidence(first, second, hdr, sdr, low=low, high=high, left_out=left_out)
    value = np.concatenate([[0.0], np.cumsum(mine)]) + np.concatenate([np.cumsum(theirs[::-1])[::-1], [0.0]])
    value += np.where([_is_seen(end, first.offset, change, hdr, sdr) for end in ends.tolist()], SEEN_WEIGHT, 0.0)
    end = int(ends[value.argmax()])
    begin = min(end + left_out, second.stop - 1)
    likely = ends[value >= value.max() - UNSURE_EVIDENCE]
    if likely[-1] - likely[0] <= abs(change):  # a repeat and what it repeats are one picture: no doubt about anything
        return _Change(end, begin, end, end)
    return _Change(end, begin, int(likely[0]), min(int(likely[-1]) + left_out, second.stop - 1))


def _is_seen(end: int, offset: int, change: int, hdr: Side, sdr: Side) -> bool:
    """Whether the frames left out from an HDR frame on are seen to be repeats, while the other release goes on."""
    here, there = _newest(hdr.newness, end, abs(change)), _newest(sdr.newness, end + offset, abs(change))
    own, other = (here, there) if change < 0 else (there, here)
    return own < SEEN_NEWNESS and other >= GOES_ON_NEWNESS


def _newest(newness: NDArray[np.float32], start: int, count: int) -> float:
    part = newness[max(start, 0) : max(start, 0) + count]
    return float(part.max()) if part.size else 1.0


def _find_edges(reaches: Sequence[_Reach]) -> list[tuple[int, int]]:
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
    inside = path.alike[max(high - LEVEL_FRAMES, 0) : high] if side > 0 else path.alike[low : low + LEVEL_FRAMES]
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
    mine, theirs = (slice(low - one.path.start, high - one.path.start) for one in (first, second))
    gain_first = _evidence(first.path.alike[mine], _near(first, low, -1), _near(first, high, 1))
    gain_second = _evidence(second.path.alike[theirs], _near(second, high, 1), _near(second, low, -1))
    head = np.concatenate([[0.0], np.cumsum(gain_first)])  # the first keeps n frames of the gap
    tail = np.concatenate([np.cumsum(gain_second[::-1])[::-1], [0.0]])  # the second begins at frame n of the gap
    reached = np.maximum.accumulate(first.path.partner[mine.start - 1 : mine.stop])  # SDR frame reached by the first's n frames
    begins = second.path.partner[theirs.start : theirs.stop + 1]
    begins = np.where(begins < 0, np.iinfo(np.int64).max, begins)[: len(tail)]
    room = np.minimum(np.searchsorted(reached, begins, side="left") - 1, np.arange(len(begins)))
    best_keep = np.maximum.accumulate(head)
    value = np.where(room >= 0, best_keep[np.maximum(room, 0)] + tail[: len(begins)], -np.inf)
    if not np.isfinite(value).any():
        return low, high
    begin = int(value.argmax())
    return low + int(head[: room[begin] + 1].argmax()), low + begin


def _near(reach: _Reach, frame: int, side: int) -> NDArray[np.float32]:
    """Similarities on a run's path just before (-1) or from (1) a frame on."""
    place = frame - reach.path.start
    return reach.path.alike[max(place - LEVEL_FRAMES, 0) : place] if side < 0 else reach.path.alike[place : place + LEVEL_FRAMES]


def _find_elsewhere(anchors: Anchors, alone: NDArray[np.bool_], hdr: Side, sdr: Side) -> tuple[Elsewhere, ...]:
    """Passages without partner of which windows are found in the SDR release all the same: scenes in another order, shots used again."""
    found = []
    for start, stop in stretches(alone):
        within = (anchors.hdr >= start - SURE_FRAMES) & (anchors.hdr + anchors.frames <= stop + SURE_FRAMES)
        inside = np.flatnonzero(anchors.telling & within)
        offset = anchors.sdr[inside] - anchors.hdr[inside]
        for part in np.split(inside, np.flatnonzero(np.diff(offset) != 0) + 1):
            if len(part) >= LEAST_ELSEWHERE:
                found.append(_reach_elsewhere(anchors, part, (start, stop), hdr, sdr))
    return tuple(found)


def _reach_elsewhere(anchors: Anchors, part: NDArray[np.int64], span: tuple[int, int], hdr: Side, sdr: Side) -> Elsewhere:
    """How far windows of one offset reach inside a stretch without partner."""
    shift = int(anchors.sdr[part[0]] - anchors.hdr[part[0]])
    start, stop = max(span[0], -shift), min(span[1], len(sdr.fingerprints) - shift)
    low = int(np.clip(anchors.hdr[part[0]] + SURE_FRAMES, start, stop))
    high = int(np.clip(anchors.hdr[part[-1]] + anchors.frames - SURE_FRAMES, low, stop))
    alike = trace_path(hdr, sdr, start=start, offset=np.full(stop - start, shift, np.int64)).alike
    inner = alike[low - start : high - start]
    before = _best_prefix(_evidence(alike[: low - start][::-1], inner, None))
    after = _best_prefix(_evidence(alike[high - start :], inner, None))
    return Elsewhere(low - before, high + after, low - before + shift, high + after + shift)


# ---------------------------------------------------------------- what a frame's state is


def _judge_frames(pairs: _Pairs, hdr: Side, sdr: Side) -> tuple[NDArray[np.int8], NDArray[np.bool_]]:
    """State of every HDR frame: 1 matched, 0 undetermined, -1 without partner; and whether its frame is told but faintly."""
    path = pairs.partner
    state = np.full(len(path), -1, np.int8)
    known = path >= 0
    flat = np.zeros(len(path), bool)
    flat[known] = flat_frames(hdr.fingerprints)[known] & flat_frames(sdr.fingerprints)[path[known]]
    alike, on_average = _same_picture(pairs, hdr, sdr)
    state[known & (alike | on_average | flat)] = 0
    faint = np.zeros(len(path), bool)
    left_out = _left_out(path)
    for start, stop in stretches((state >= 0) | left_out):
        offset = path[start:stop] - np.arange(start, stop)
        telling = telling_frames(pairs.agreement[start:stop], pairs.strength[start:stop], near_edit=_near_edit(offset))
        state[start:stop][telling & ~(flat | on_average | pairs.unsure | left_out)[start:stop]] = 1
        faint[start:stop] = ~telling | on_average[start:stop] | (lag_margins(pairs.agreement[start:stop]) < FAINT_MARGIN)
    return state, faint & (state >= 0) & ~(flat | pairs.unsure)


def _near_edit(offset: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Frames of a stretch so near to its ends, or to a change of offset, that the change may really lie beyond them."""
    from scipy.ndimage import maximum_filter1d  # a library that starts slowly: loaded when it is needed

    edges = np.ones(len(offset) + 1, bool)
    edges[1:-1] = np.diff(offset) != 0
    beside = edges[:-1] | edges[1:]
    return np.asarray(maximum_filter1d(beside.astype(np.int8), 2 * SHORT_FRAMES + 1, mode="constant") == 1)


def _same_picture(pairs: _Pairs, hdr: Side, sdr: Side) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Frames whose partner shows the same picture: passages replaced in one release stand out by a lower similarity.

    Returns
    -------
    Those frames, and frames of passages that do stand out but are the same picture on average, as a title card under grain: which frame
    of it belongs to which is not told by that.
    """
    from scipy.ndimage import median_filter  # a library that starts slowly: loaded when it is needed

    known = pairs.partner >= 0
    alike, on_average = known.copy(), np.zeros(len(known), bool)
    for start, stop in stretches(known):
        values = pairs.alike[start:stop]
        level = float(np.median(values))
        low, lowered = (
            median_filter((values < level - drop).astype(np.int8), LEAST_RUN_FRAMES, mode="nearest") == 1
            for drop in (REPLACED_DROP, REPLACED_DROP / 2)
        )
        around = stretches(lowered)
        for first, last in stretches(low):
            wide = next((one for one in around if one[0] <= first and last <= one[1]), (first, last))
            shaded = float(np.median(values[first:last])) > float(np.median(values[slice(*wide)])) - REPLACED_DROP / 2
            begin, end = wide if shaded else (first, last)  # a whole shot lowered by grain, not a passage that stands out
            inner = slice(start + begin + LOOSE_FRAMES, max(start + end - LOOSE_FRAMES, start + begin + LOOSE_FRAMES + 1))
            least = REPLACED_AGREEMENT + CHANCE_AGREEMENT / np.sqrt(inner.stop - inner.start)
            moves_alike = float(pairs.agreement[inner, BAND_FRAMES].sum()) >= least * max(float(pairs.strength[inner].sum()), 1e-3)
            if moves_alike:
                low[first:last] = False
            elif _mean_similarity(pairs.partner, hdr, sdr, start + first, start + last) >= level - REPLACED_DROP:
                low[first:last], on_average[start + first : start + last] = False, True
        for first, last in stretches(low):
            middle = (level + float(np.median(values[first:last]))) / 2
            near = slice(max(first - 3, 0), last + 3)
            low[near] = values[near] < middle
        alike[start:stop] &= ~low
    return alike, on_average


def _mean_similarity(partner: NDArray[np.int64], hdr: Side, sdr: Side, start: int, stop: int) -> float:
    """Similarity of the mean fingerprints of HDR frames `start` to `stop` and of their partners: grain averages out, pictures do not."""
    if stop - start < AVERAGED_FRAMES:
        return -1.0
    frames = slice(start, start + min(stop - start, MOST_AVERAGED))
    first, second = hdr.fingerprints[frames].astype(np.float32).mean(0), sdr.fingerprints[partner[frames]].astype(np.float32).mean(0)
    return float(first @ second / max(float(np.linalg.norm(first) * np.linalg.norm(second)), 1e-9))


def _ambiguous_frames(frames: int, anchors: Anchors) -> NDArray[np.bool_]:
    """Frames of which windows over them have another place that is nearly as good.

    A window with one place alone, but that a frame lies at the end of, may owe it to its other end.
    """
    doubtful, trusted = np.zeros(frames, bool), np.zeros(frames, bool)
    for start, ambiguous in zip(anchors.hdr, anchors.ambiguous, strict=True):
        stop, end = start + anchors.frames, anchors.frames // 4
        if ambiguous:
            doubtful[start:stop] = True
        else:
            trusted[start + end : stop - end] = True
    return doubtful & ~trusted


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
