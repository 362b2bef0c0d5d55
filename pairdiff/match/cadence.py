"""Repeated frames: those a capture or a conversion to a higher rate puts in, regular (2:3, one in five, two by two) or not.

Within a passage that moves, a repeat is a frame that differs from the one before by far less than its neighbours do. Single repeats are
left to the matching of frames; here are passages where a good part of the frames repeat. A regular pattern, once its phase is known on
both sides of a slow passage, is carried through it (telecine patterns: SMPTE RP 197). Where there is no pattern, how long runs of repeats
are is learned from where they are plain, and frames that are neither plainly new nor plainly repeats are shared out so that the runs keep
those lengths: the most likely path through a hidden semi-Markov chain (J. D. Ferguson, "Variable duration models for speech", 1980; S.-Z.
Yu, "Hidden semi-Markov models", Artificial Intelligence 174, 2010).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Prints, chosen_of
from pairdiff.match._kernels import best_runs
from pairdiff.match.motion import LEAST_STEP, find_cuts, measure_newness, motion_around, step_distance, stretches

REPEAT_NEWNESS = 0.25
"""Newness below which a frame is a repeat (own)."""
DENSE_SHARE = 0.12
"""Share of repeats from which a passage is taken to be one with repeats (own)."""
DOUBT_SHARE = 0.6
"""Frames that are neither repeats nor new, over repeats, up to which there is a pattern and not merely uneven motion (own)."""
DENSE_FRAMES = 241
"""Frames, ten seconds, over which those shares are taken (own)."""
LEAST_PLAIN = 12
"""Plain frames from which a shot speaks for itself (own)."""
LONGEST_PERIOD = 25
"""Longest regular pattern that is looked for, frames: 24 in 25; among the shorter ones are 2:2, 2:3 and one in five."""
BLOCK_FRAMES = 100
"""Frames in which one pattern must hold (own)."""
SURE_SHARE, CHANCE_SHARE = 0.85, 0.5
"""Share of repeats at a phase of a pattern from which that phase repeats, and up to which it does not: film itself may pause (own)."""
LEAST_OBJECTIONS = 4
"""Plain frames of a shot that a carried pattern calls repeats from which the shot may object (own)."""
LONGEST_RUN = 8
"""Longest run of repeats whose length is learned, frames; a longer one is film that stands still."""
LEAST_LENGTHS = 30
"""Plain runs from which the lengths of runs are believed; fewer leave every frame to itself (own)."""
LEAST_FOLLOWED = 10
"""Plain runs of a length from which it is learned which length follows it: one odd pair makes no rule (own)."""
UNSEEN_LENGTH = 1e-5
"""Chance of a run of a length that was not seen among the plain ones (own)."""
EVIDENCE_HALF_FRAMES = 12
"""Frames to either side that say how far a repeat and a new frame lie from the frame before."""
LOW_PERCENT, HIGH_PERCENT = 25, 85
"""Percentiles of those distances that stand for a repeat and for a new frame; up to half of the frames are new (own)."""
EVIDENCE_NATS = 4.0
"""What one frame's distance can say for or against its being a repeat, natural logarithm of odds (own)."""
LEAST_CONTRAST = 1.5
"""Natural logarithm of the ratio of both distances below which a frame says less in proportion (own)."""


@dataclass(frozen=True, slots=True)
class Cadence:
    """Runs of repeats of one track."""

    first: NDArray[np.int64]
    """First frame of every run; a frame that is not repeated is a run of one."""
    count: NDArray[np.int64]
    """Frames of every run."""
    repeat_share: float
    """Repeats over all frames."""
    period: int | None
    """Length of the regular pattern, frames; None where there is none."""
    known: bool = False
    """The repeats are known for certain, and not found from fingerprints."""

    @property
    def middle(self) -> NDArray[np.int64]:
        """The frame of every run that stands for it: the first where repeats are known, and else the middle one, since a frame of another
        picture that is taken for a repeat lies at an end.
        """
        return self.first if self.known else self.first + self.count // 2


def find_cadence(track: Prints, repeats: NDArray[np.bool_] | None = None) -> Cadence:
    """Find the repeats of a track.

    Parameters
    ----------
    track : fingerprints, (frame, cell).
    repeats : frames known to have no picture of their own, (frame,), where the frames themselves told; None or empty where not.
    """
    from scipy.ndimage import uniform_filter1d  # a library that starts slowly: loaded when it is needed

    if repeats is not None and repeats.size:
        first = np.flatnonzero(np.concatenate([[True], ~repeats[1:]]))
        period = _find_period(repeats, np.arange(len(repeats)))
        return Cadence(first, np.diff(np.append(first, len(track))), float(repeats.mean()), period, known=True)
    repeat, between, moving = _likely_repeats(track)
    share, doubt, moves = (uniform_filter1d(one.astype(float), DENSE_FRAMES, mode="nearest") for one in (repeat, between, moving))
    dense = (share >= DENSE_SHARE * np.maximum(moves, 0.05)) & (doubt <= DOUBT_SHARE * share)
    cuts = _cuts_of_pictures(track, repeat)
    dense &= ~_plain_shots(cuts, repeat, moving & ~between)
    period = _find_period(repeat[moving], np.flatnonzero(moving)) or _find_period(repeat[moving & dense], np.flatnonzero(moving & dense))
    if period is not None:
        repeat = _without_plain_objections(_carry_pattern(repeat, moving, period), repeat, moving & ~between, cuts)
    else:
        repeat = _carry_lengths(repeat & dense, dense, step_distance(track), cuts)
    first = np.flatnonzero(~repeat)
    return Cadence(first, np.diff(np.append(first, len(track))), float(repeat.mean()) if len(track) else 0.0, period)


def single_frames(frames: int) -> Cadence:
    """No repeats."""
    return Cadence(np.arange(frames), np.ones(frames, np.int64), 0.0, None)


def _likely_repeats(track: Prints) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Frames that repeat the one before; frames that neither clearly do nor clearly do not; frames around which enough moves to tell."""
    distance = step_distance(track)
    if len(distance) < 3:
        nothing = np.zeros(len(distance), bool)
        return nothing, nothing, nothing
    moving, new = motion_around(distance) >= LEAST_STEP, measure_newness(track)
    return moving & (new < REPEAT_NEWNESS), moving & (new >= REPEAT_NEWNESS) & (new < 1), moving


def _cuts_of_pictures(track: Prints, repeat: NDArray[np.bool_]) -> NDArray[np.int64]:
    """First frames of new shots, repeats left aside: between them every step of a fast passage would stand out as a cut does."""
    pictures = np.flatnonzero(~repeat)
    return np.asarray(pictures[find_cuts(chosen_of(track, pictures))], np.int64)


def _plain_shots(cuts: NDArray[np.int64], repeat: NDArray[np.bool_], plain: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Frames of shots in which what is plainly new or plainly a repeat is nearly all new: film beside a logo that is animated on twos."""
    out = np.zeros(len(repeat), bool)
    for start, stop in itertools.pairwise([0, *cuts.tolist(), len(repeat)]):
        told = plain[start:stop]
        if told.sum() >= LEAST_PLAIN and repeat[start:stop][told].mean() < DENSE_SHARE:
            out[start:stop] = True
    return out


def _find_period(repeat: NDArray[np.bool_], frames: NDArray[np.int64]) -> int | None:
    """The shortest period in which, block by block, every phase is either always or never a repeat."""
    for period in range(2, LONGEST_PERIOD + 1):
        good = total = 0
        for start in range(0, len(frames), BLOCK_FRAMES):
            phase, values = frames[start : start + BLOCK_FRAMES] % period, repeat[start : start + BLOCK_FRAMES]
            if len(values) < 4 * period:
                continue
            total += 1
            good += _is_pattern(phase, values, period)
        if total and good >= 0.7 * total:
            return period
    return None


def _is_pattern(phase: NDArray[np.int64], values: NDArray[np.bool_], period: int) -> bool:
    shares = _phase_shares(phase, values, period)
    repeats = [share for share in shares if share >= SURE_SHARE]
    return bool(repeats) and all(share >= SURE_SHARE or share <= CHANCE_SHARE for share in shares)


def _phase_shares(phase: NDArray[np.int64], values: NDArray[np.bool_], period: int) -> list[float]:
    """Share of repeats at every phase of a period; a half where a phase is not seen."""
    return [float(values[phase == k].mean()) if (phase == k).any() else 0.5 for k in range(period)]


def _carry_pattern(repeat: NDArray[np.bool_], moving: NDArray[np.bool_], period: int) -> NDArray[np.bool_]:
    """Where blocks to both sides follow one pattern, what lies between them follows it too; so do the ends, if they do not object."""
    out = repeat.copy()
    known: tuple[int, NDArray[np.bool_]] | None = None
    reached = 0
    for start in range(0, len(repeat), BLOCK_FRAMES // 2):
        frames = np.arange(start, min(start + BLOCK_FRAMES, len(repeat)))
        telling = frames[moving[frames]]
        if len(telling) < 4 * period or not _is_pattern(telling % period, repeat[telling], period):
            continue
        pattern = np.array([share >= SURE_SHARE for share in _phase_shares(telling % period, repeat[telling], period)])
        if known is None:
            begin = 0 if _agrees(np.arange(start), pattern, repeat, moving) else start
        else:
            begin = known[0] if np.array_equal(known[1], pattern) else start
        between = np.arange(begin, frames[-1] + 1)
        out[between] = pattern[between % period]
        known, reached = (start, pattern), int(frames[-1]) + 1
    rest = np.arange(reached, len(repeat))
    if known is not None and _agrees(rest, known[1], repeat, moving):
        out[rest] = known[1][rest % period]
    out[:1] = False
    return out


def _without_plain_objections(
    carried: NDArray[np.bool_], repeat: NDArray[np.bool_], plain: NDArray[np.bool_], cuts: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """A carried pattern, but not in shots where what it calls repeats is plainly new: film behind a logo that is animated on twos."""
    out = carried.copy()
    for start, stop in itertools.pairwise([0, *cuts.tolist(), len(repeat)]):
        called = repeat[start:stop][carried[start:stop] & plain[start:stop]]
        if len(called) >= LEAST_OBJECTIONS and called.mean() <= CHANCE_SHARE:
            out[start:stop] = repeat[start:stop]
    return out


def _carry_lengths(
    repeat: NDArray[np.bool_], dense: NDArray[np.bool_], distance: NDArray[np.float32], cuts: NDArray[np.int64]
) -> NDArray[np.bool_]:
    """Where repeats come without pattern, the most likely repeats given how long plain runs are, and which length follows which."""
    says = _repeat_evidence(distance, cuts)
    chance = _run_lengths(repeat, dense & (np.abs(says) >= EVIDENCE_NATS))
    if chance is None:
        return repeat
    out = repeat.copy()
    for start, stop in stretches(dense):
        found = np.zeros(stop - start, np.bool_)
        best_runs(says[start:stop].astype(np.float64), np.log(chance), found)
        out[start:stop] = found
        out[start] = repeat[start]
    return out


def _repeat_evidence(distance: NDArray[np.float32], cuts: NDArray[np.int64]) -> NDArray[np.float32]:
    """How much each frame's distance from the one before says that it repeats it, natural logarithm of odds; negative for a new frame.

    What a repeat and a new frame lie apart is taken from the same shot alone; the frame at a cut is new.
    """
    from scipy.ndimage import percentile_filter  # a library that starts slowly: loaded when it is needed

    says = np.full(len(distance), -EVIDENCE_NATS, np.float32)
    frames = 2 * EVIDENCE_HALF_FRAMES + 1
    for start, stop in itertools.pairwise([0, *cuts.tolist(), len(distance)]):
        inside = slice(start + 1, stop)
        value = np.log(distance[inside] + np.float32(LEAST_STEP))
        if not value.size:
            continue
        low, high = (percentile_filter(value, percent, frames, mode="nearest") for percent in (LOW_PERCENT, HIGH_PERCENT))
        reach = np.maximum((high - low) / 2, LEAST_CONTRAST)
        says[inside] = EVIDENCE_NATS * np.clip(2 * ((high + low) / 2 - value) / reach, -1, 1)
    return says


def _run_lengths(repeat: NDArray[np.bool_], plain: NDArray[np.bool_]) -> NDArray[np.float64] | None:
    """Chance of a run's length, 1 to `LONGEST_RUN` frames, after that of the run before it, (before, after); None where too few are plain.

    From runs all of whose frames and the one behind are plain; lengths that seldom follow a length are shared out as lengths alone are.
    """
    starts = np.flatnonzero(~repeat)
    unsure = np.concatenate([[0], np.cumsum(~plain)])
    lengths = np.diff(starts)
    sure = (unsure[starts[1:] + 1] - unsure[starts[:-1]] == 0) & (lengths <= LONGEST_RUN)
    if sure.sum() < LEAST_LENGTHS:
        return None
    alone = np.bincount(lengths[sure], minlength=LONGEST_RUN + 1)[1:].astype(np.float64)
    alone /= alone.sum()
    both = np.flatnonzero(sure[:-1] & sure[1:])
    count = np.zeros((LONGEST_RUN, LONGEST_RUN))
    np.add.at(count, (lengths[both] - 1, lengths[both + 1] - 1), 1.0)
    seen = count.sum(1, keepdims=True)
    follows = (count + alone) / (seen + 1)
    follows = np.where(seen >= LEAST_FOLLOWED, follows, np.minimum(follows, alone))
    return np.asarray(np.maximum(follows, UNSEEN_LENGTH))


def _agrees(frames: NDArray[np.int64], pattern: NDArray[np.bool_], repeat: NDArray[np.bool_], moving: NDArray[np.bool_]) -> bool:
    """Whether what moves among some frames, few enough to be an end, follows a pattern."""
    telling = frames[moving[frames]]
    return len(frames) <= 2 * BLOCK_FRAMES and (
        not telling.size or float((repeat[telling] == pattern[telling % len(pattern)]).mean()) >= SURE_SHARE
    )
