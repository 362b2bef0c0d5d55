"""What moves in a fingerprint track, and where it is cut.

Tracks are high-passed in time, so that what moves decides and what stands still does not vote; the high-passed fingerprint of a frame is
its signature. Frames of one level have none, and count for others as the nearest frame that has one: a picture does not move for coming
out of black or going into it. The running mean that is taken off ends at cuts neither more nor less than elsewhere: a cut is itself a
strong signature.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Empty, Prints, in_memory
from pairdiff._records import FloatArray

HIGH_PASS_FRAMES = 9
"""Length of the running mean that is taken off."""
STILL_ENERGY = 2e-5
"""High-passed energy of a fingerprint below which nothing moves (own)."""
CUT_DISTANCE = 0.15
"""Distance of successive fingerprints from which a cut is looked for (own)."""
CUT_RATIO = 4.0
"""How far a cut must stand out above its neighbours (own)."""
LEAST_SHOT_FRAMES = 5
"""Shortest shot, frames (own)."""
AROUND_FRAMES, AROUND_PERCENT = 9, 80
"""Frames to either side whose distances say how much moves there, and the percentile taken of them."""
LEAST_STEP = 1e-6
"""Distance of successive fingerprints from which a repeat can be told from a new frame; half-precision rounding makes 1e-7 (own)."""
MOST_STEP = 0.03
"""Most that one step says about how much moves: beside cuts in quick succession frames of a shot would look like repeats (own)."""
SAME_SHARE, OTHER_SHARE = 0.1, 0.4
"""Shares of what moves around a frame: at the first a repeat is sure, at the second a new frame is (own)."""
BLOCK_FRAMES = 4096
"""Frames worked on at once: what is held beside the tracks does not grow with the film."""


def high_pass(track: FloatArray) -> NDArray[np.float32]:
    """A fingerprint track, (frame, cell) or one cell of it, less its running mean over time."""
    from scipy.ndimage import uniform_filter1d  # a library that starts slowly: loaded when it is needed

    values = track.astype(np.float32)
    return values - uniform_filter1d(values, HIGH_PASS_FRAMES, axis=0, mode="nearest")


def make_signatures(track: Prints, *, empty: Empty = in_memory) -> tuple[Prints, NDArray[np.float32]]:
    """Signature of every frame and how much moves in it.

    Parameters
    ----------
    track : fingerprints, (frame, cell).
    empty : makes the array that the signatures are put into.

    Returns
    -------
    High-passed fingerprints, each divided by its own length or by that of a typical frame, whichever is longer, so that lengths lie
    between 0 (nothing moves) and 1, (frame, cell); squared length before that division, (frame,).
    """
    signature = empty(track.shape, np.float16)
    energy = np.empty(len(track), np.float32)
    margin = HIGH_PASS_FRAMES
    flat = flat_frames(track)
    seen = _nearest_other(flat)
    for start in range(0, len(track), BLOCK_FRAMES):
        first, stop = max(start - margin, 0), min(start + BLOCK_FRAMES, len(track))
        passed = high_pass(track[seen[first : min(stop + margin, len(track))]])[start - first : stop - first]
        passed[flat[start:stop]] = 0
        energy[start:stop] = np.einsum("ij,ij->i", passed, passed)
        signature[start:stop] = passed
    if not len(track):
        return signature, energy
    floor = max(0.3 * float(np.median(energy)), STILL_ENERGY)
    for start in range(0, len(track), BLOCK_FRAMES):
        part = slice(start, start + BLOCK_FRAMES)
        signature[part] = signature[part].astype(np.float32) / np.sqrt(np.maximum(energy[part], floor))[:, None]
    return signature, energy


def _nearest_other(flat: NDArray[np.bool_]) -> NDArray[np.int64]:
    """The nearest frame that is not flat, for every frame; the frame itself where none is."""
    frames = np.arange(len(flat))
    others = np.flatnonzero(~flat)
    if not others.size:
        return frames
    behind = np.clip(np.searchsorted(others, frames), 0, len(others) - 1)
    before = np.maximum(behind - 1, 0)
    nearer = np.where(np.abs(others[behind] - frames) < np.abs(frames - others[before]), behind, before)
    return np.where(flat, others[nearer], frames)


def signature_lengths(signature: Prints) -> NDArray[np.float32]:
    """Length of every signature, (frame, cell) to (frame,)."""
    out = np.empty(len(signature), np.float32)
    for start in range(0, len(signature), BLOCK_FRAMES):
        out[start : start + BLOCK_FRAMES] = np.linalg.norm(signature[start : start + BLOCK_FRAMES].astype(np.float32), axis=1)
    return out


def motion_energy(track: Prints) -> NDArray[np.float64]:
    """How much moves in each frame of a track, (frame, cell): squared high-passed fingerprint, summed over cells."""
    return make_signatures(track)[1].astype(np.float64)


def step_distance(track: Prints) -> NDArray[np.float32]:
    """Distance of each fingerprint from the one before, 1 minus their product; 0 for the first, and for two flat frames in a row."""
    out = np.zeros(len(track), np.float32)
    for start in range(1, len(track), BLOCK_FRAMES):
        values = track[start - 1 : start + BLOCK_FRAMES].astype(np.float32)
        step = values[1:] - values[:-1]
        out[start : start + len(step)] = np.einsum("ij,ij->i", step, step) / 2
    flat = flat_frames(track)
    out[1:][flat[1:] ^ flat[:-1]] = 1.0
    return out


def measure_newness(track: Prints) -> NDArray[np.float32]:
    """How far each frame is from being a repeat of the one before, 0 to 1.

    0 where it differs by less than `SAME_SHARE` of what moves around it, 1 from `OTHER_SHARE` on, and where nothing moves.
    """
    distance = step_distance(track)
    if len(distance) < 3:
        return np.ones(len(distance), np.float32)
    around = motion_around(distance)
    share = distance / np.maximum(around, 1e-9)
    new = np.clip((share - SAME_SHARE) / (OTHER_SHARE - SAME_SHARE), 0, 1)
    new[around < LEAST_STEP] = 1
    new[0] = 1
    return np.asarray(new, np.float32)


def motion_around(distance: NDArray[np.float32]) -> NDArray[np.float32]:
    """How much moves around each frame: the lesser of what moves before and after it, so that a fast shot does not hide a slow one."""
    from scipy.ndimage import percentile_filter  # a library that starts slowly: loaded when it is needed

    half = AROUND_FRAMES // 2
    known = np.minimum(np.concatenate([distance[1:2], distance[1:]]), MOST_STEP)  # the first frame has no distance of its own
    sides = [percentile_filter(known, AROUND_PERCENT, AROUND_FRAMES, mode="mirror", origin=origin) for origin in (half, -half)]
    return np.asarray(np.minimum(*sides))


def flat_frames(track: Prints) -> NDArray[np.bool_]:
    """Frames without a fingerprint: nothing but one level."""
    out = np.empty(len(track), np.bool_)
    for start in range(0, len(track), BLOCK_FRAMES):
        out[start : start + BLOCK_FRAMES] = ~track[start : start + BLOCK_FRAMES].any(axis=1)
    return out


def find_cuts(track: Prints) -> NDArray[np.int64]:
    """First frames of new shots: where successive fingerprints differ by far more than their neighbours do."""
    from scipy.ndimage import median_filter  # a library that starts slowly: loaded when it is needed

    distance = step_distance(track)
    around = median_filter(distance, 13, mode="nearest")
    candidates = np.flatnonzero((distance > CUT_DISTANCE) & (distance > CUT_RATIO * np.maximum(around, 0.01)))
    cuts: list[int] = []
    for frame in candidates:
        if not cuts or frame - cuts[-1] >= LEAST_SHOT_FRAMES:
            cuts.append(int(frame))
        elif distance[frame] > distance[cuts[-1]]:
            cuts[-1] = int(frame)
    return np.array(cuts, np.int64)


def stretches(which: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Runs of true in a row of flags, (start, stop exclusive)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], which.astype(np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def join_stretches(
    which: NDArray[np.bool_], *, gap: int, together: Callable[[int, int], bool] = lambda first, second: True
) -> list[tuple[int, int]]:
    """`stretches`, those joined that lie no more than `gap` frames apart and whose first frames belong together."""
    joined: list[tuple[int, int]] = []
    for low, high in stretches(which):
        if joined and low - joined[-1][1] <= gap and together(joined[-1][0], low):
            low = joined.pop()[0]
        joined.append((low, high))
    return joined
