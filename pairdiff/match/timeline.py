"""Which frame belongs to which: one constant offset, heads and tails without partner. First form.

The offset is where the normalised cross-correlation of two fingerprint tracks is highest, computed by FFT (near linear in length:
J. P. Lewis, "Fast Normalized Cross-Correlation", Vision Interface, 1995). Tracks are high-passed in time first, so that what moves
decides and what stands still does not vote.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft
from scipy.ndimage import median_filter, uniform_filter1d

from pairdiff._records import FloatArray, Segment, SegmentKind

HIGH_PASS_FRAMES = 9
"""Length of the running mean that is taken off before correlation."""
LEAST_OVERLAP = 0.25
"""Least overlap of a candidate offset, as a share of the shorter release."""
LEAST_ENERGY = 0.01
"""An overlap in which less of the motion lies than this share of all motion is scored as if it held that much (own)."""
NEAR_FRAMES = 3
"""Offsets this near to the best one are not a rival."""
MATCH_SIMILARITY = 0.6
"""Least similarity of ranks for a frame to be matched; two grades of one frame reach 0.9 and more (own)."""
MATCH_DROP = 0.25
"""A frame this far below the film's median similarity is not matched (own)."""
STILL_ENERGY = 2e-4
"""High-passed energy of a fingerprint below which nothing moves: such frames are undetermined (own)."""
CUT_DISTANCE = 0.15
"""Distance of successive fingerprints from which a cut is looked for (own)."""
CUT_RATIO = 4.0
"""How far a cut must stand out above its neighbours."""
LEAST_RUN_FRAMES = 5
_OTHER_SIDE: dict[SegmentKind, SegmentKind] = {"sdr_only": "hdr_only", "hdr_only": "sdr_only"}


@dataclass(frozen=True, slots=True)
class Offset:
    """Best constant offset of two tracks."""

    frames: int
    """SDR frame number minus HDR frame number."""
    score: float
    """Normalised correlation of what moves, -1 to 1."""
    runner_up: float
    """Highest score at any other offset."""


def high_pass(track: FloatArray) -> NDArray[np.float32]:
    """A fingerprint track, (frame, cell) or one cell of it, less its running mean over time."""
    values = track.astype(np.float32)
    return values - uniform_filter1d(values, HIGH_PASS_FRAMES, axis=0, mode="nearest")


def find_offset(hdr_track: FloatArray, sdr_track: FloatArray) -> Offset:
    """The constant offset at which two tracks agree best.

    Parameters
    ----------
    hdr_track, sdr_track : fingerprints, (frame, cell).

    Returns
    -------
    Offset; score 0 where nothing moves in either track.
    """
    total = len(hdr_track) + len(sdr_track) - 1
    size = next_fast_len(total, real=True)
    product = np.zeros(size // 2 + 1, np.complex128)
    for cell in range(hdr_track.shape[1]):  # cell by cell: what is held grows by the track, not by copies of it
        hdr, sdr = (high_pass(track[:, cell]).astype(np.float64) for track in (hdr_track, sdr_track))
        product += np.conj(rfft(hdr, size)) * rfft(sdr, size)
    correlation = np.roll(irfft(product, size), len(hdr_track) - 1)[:total]
    offsets = np.arange(total) - (len(hdr_track) - 1)
    energy, whole = _overlap_energy(motion_energy(hdr_track), motion_energy(sdr_track), offsets)
    scores = correlation / np.maximum(energy, max(LEAST_ENERGY * whole, 1e-9))
    overlap = np.minimum(len(hdr_track), len(sdr_track) - offsets) - np.maximum(0, -offsets)
    scores[overlap < LEAST_OVERLAP * min(len(hdr_track), len(sdr_track))] = -1
    best = int(np.argmax(scores))
    rivals = np.abs(offsets - offsets[best]) > NEAR_FRAMES
    return Offset(int(offsets[best]), float(scores[best]), float(scores[rivals].max()) if rivals.any() else -1.0)


def motion_energy(track: FloatArray) -> NDArray[np.float64]:
    """How much moves in each frame of a track, (frame, cell): squared high-passed fingerprint, summed over cells."""
    energy = np.zeros(len(track))
    for cell in range(track.shape[1]):
        energy += high_pass(track[:, cell]).astype(np.float64) ** 2
    return energy


def _overlap_energy(hdr: NDArray[np.float64], sdr: NDArray[np.float64], offsets: NDArray[np.int64]) -> tuple[NDArray[np.float64], float]:
    """Geometric mean of both tracks' motion energies where they overlap, per offset; and of the whole tracks."""
    hdr_sum, sdr_sum = (np.concatenate([[0.0], np.cumsum(energy)]) for energy in (hdr, sdr))
    start = np.maximum(0, -offsets)
    stop = np.minimum(len(hdr), len(sdr) - offsets)
    energy = (hdr_sum[stop] - hdr_sum[start]) * (sdr_sum[stop + offsets] - sdr_sum[start + offsets])
    return np.sqrt(np.maximum(energy, 0)), float(np.sqrt(hdr_sum[-1] * sdr_sum[-1]))


def frame_similarity(hdr_track: FloatArray, sdr_track: FloatArray, offset_frames: int) -> NDArray[np.float32]:
    """Rank correlation of each HDR frame with its partner at an offset; NaN where there is none."""
    out = np.full(len(hdr_track), np.nan, np.float32)
    frames = np.arange(max(0, -offset_frames), min(len(hdr_track), len(sdr_track) - offset_frames))
    if frames.size:
        out[frames] = np.einsum("ij,ij->i", hdr_track[frames].astype(np.float32), sdr_track[frames + offset_frames].astype(np.float32))
    return out


def find_cuts(track: FloatArray) -> NDArray[np.int64]:
    """First frames of new shots: where successive fingerprints differ by far more than their neighbours do."""
    values = track.astype(np.float32)
    distance = np.concatenate([[0.0], 1 - np.einsum("ij,ij->i", values[1:], values[:-1])])
    flat = _flat_frames(track)
    distance[1:][flat[1:] & flat[:-1]] = 0  # black after black: no cut, though their fingerprints have no direction
    around = median_filter(distance, 13, mode="nearest")
    candidates = np.flatnonzero((distance > CUT_DISTANCE) & (distance > CUT_RATIO * np.maximum(around, 0.01)))
    cuts: list[int] = []
    for frame in candidates:
        if not cuts or frame - cuts[-1] >= LEAST_RUN_FRAMES:
            cuts.append(int(frame))
        elif distance[frame] > distance[cuts[-1]]:
            cuts[-1] = int(frame)
    return np.array(cuts, np.int64)


def matched_frames(
    hdr_track: FloatArray,
    sdr_track: FloatArray,
    offset_frames: int,
) -> tuple[NDArray[np.int8], NDArray[np.float32]]:
    """State of each HDR frame at an offset (1 matched, 0 still and so undetermined, -1 no partner) and its similarity."""
    similarity = frame_similarity(hdr_track, sdr_track, offset_frames)
    known = ~np.isnan(similarity)
    empty = _both_flat(hdr_track, sdr_track, offset_frames)
    telling = similarity[known & ~empty]
    limit = max(MATCH_SIMILARITY, float(np.median(telling)) - MATCH_DROP) if telling.size else 1.0
    alike = np.zeros(len(similarity), np.int8)
    alike[known] = (similarity[known] >= limit) | empty[known]
    alike = median_filter(alike, LEAST_RUN_FRAMES, mode="nearest") & known
    moving = (uniform_filter1d(motion_energy(hdr_track), HIGH_PASS_FRAMES, mode="nearest") >= STILL_ENERGY) & ~empty
    return np.where(alike == 1, moving.astype(np.int8), np.int8(-1)).astype(np.int8), similarity


def _flat_frames(track: FloatArray) -> NDArray[np.bool_]:
    """Frames without a fingerprint: nothing but one level."""
    return np.asarray(~track.any(axis=1))


def _both_flat(hdr_track: FloatArray, sdr_track: FloatArray, offset_frames: int) -> NDArray[np.bool_]:
    """HDR frames that are flat and whose partner at an offset is flat too: nothing tells them apart, nor together."""
    out = np.zeros(len(hdr_track), bool)
    frames = np.arange(max(0, -offset_frames), min(len(hdr_track), len(sdr_track) - offset_frames))
    out[frames] = _flat_frames(hdr_track[frames]) & _flat_frames(sdr_track[frames + offset_frames])
    return out


def build_segments(
    state: NDArray[np.int8], similarity: NDArray[np.float32], *, offset_frames: int, sdr_frames: int, speed: float
) -> tuple[Segment, ...]:
    """Runs of frame states as an edit map that covers every frame of both releases."""
    segments: list[Segment] = []
    edges = np.flatnonzero(np.diff(state)) + 1
    for start, stop in zip([0, *edges], [*edges, len(state)], strict=True):
        start, stop = int(start), int(stop)
        low, high = (min(max(frame + offset_frames, 0), sdr_frames) for frame in (start, stop))
        if state[start] == -1:
            segments.append(Segment("hdr_only", start, stop, None, None, None, None))
            if high > low:
                segments.append(Segment("sdr_only", None, None, low, high, None, None))
        else:
            kind: SegmentKind = "matched" if state[start] == 1 else "undetermined"
            confidence = float(np.clip(np.nanmean(similarity[start:stop], dtype=np.float64), 0, 1))
            segments.append(Segment(kind, start, stop, low, high, speed, confidence))
    return _with_sdr_ends(segments, len(state), offset_frames, sdr_frames)


def _with_sdr_ends(segments: list[Segment], hdr_frames: int, offset_frames: int, sdr_frames: int) -> tuple[Segment, ...]:
    """Add SDR frames that lie before or after the HDR release."""
    if offset_frames > 0:
        segments.insert(0, Segment("sdr_only", None, None, 0, min(offset_frames, sdr_frames), None, None))
    tail = max(hdr_frames + offset_frames, 0)
    if tail < sdr_frames:
        segments.append(Segment("sdr_only", None, None, tail, sdr_frames, None, None))
    return _merge_neighbours(segments)


def _merge_neighbours(segments: list[Segment]) -> tuple[Segment, ...]:
    """Join runs of frames without partner that follow each other on the same side."""
    merged: list[Segment] = []
    for segment in segments:
        last = next((n for n in range(len(merged) - 1, -1, -1) if merged[n].kind != _OTHER_SIDE.get(segment.kind)), None)
        if last is not None and merged[last].kind == segment.kind == "sdr_only" and merged[last].sdr_stop == segment.sdr_start:
            merged[last] = replace(merged[last], sdr_stop=segment.sdr_stop)
        elif last is not None and merged[last].kind == segment.kind == "hdr_only" and merged[last].hdr_stop == segment.hdr_start:
            merged[last] = replace(merged[last], hdr_stop=segment.hdr_stop)
        else:
            merged.append(segment)
    return tuple(merged)


def find_shots(hdr_track: FloatArray, state: NDArray[np.int8]) -> tuple[tuple[int, int], ...]:
    """Shots inside matched runs, HDR frame numbers, stop exclusive; runs shorter than a few frames are left out."""
    cuts = find_cuts(hdr_track)
    edges = np.unique(np.concatenate([[0, len(state)], np.flatnonzero(np.diff(state)) + 1, cuts]))
    return tuple(
        (int(start), int(stop)) for start, stop in itertools.pairwise(edges) if state[start] == 1 and stop - start >= LEAST_RUN_FRAMES
    )
