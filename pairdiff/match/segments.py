"""The edit map in words of segments, and the shots inside what is matched."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Prints
from pairdiff._records import Segment, SegmentKind
from pairdiff.match.motion import LEAST_SHOT_FRAMES, find_cuts

MOST_SKIPPED_FRAMES = 3
"""SDR frames without partner that a segment may hold; more make an edit of their own (own)."""


def build_segments(
    state: NDArray[np.int8],
    path: NDArray[np.int64],
    path_stop: NDArray[np.int64],
    similarity: NDArray[np.float32],
    *,
    sdr_frames: int,
    speed: float,
) -> tuple[Segment, ...]:
    """Segments that cover every frame of both releases once, in order.

    Parameters
    ----------
    state : of each HDR frame: 1 matched, 0 undetermined, -1 without partner.
    path : SDR frame that each HDR frame would belong to, -1 for none; never falls where the state is not -1.
    path_stop : first SDR frame behind that one and its repeats, -1 for none.
    similarity : on the path; NaN without one.
    sdr_frames : of the SDR release.
    speed : SDR film seconds for an HDR film second, frame for frame.

    Returns
    -------
    Segments; `speed` is that of the frame rates where neither side repeats or drops frames, else what the frames inside say.
    `confidence` is the mean similarity of the fingerprints of partners, 0 to 1: how alike the pictures are once any tone curve is
    discounted, and no probability. It falls with grain and compression, with a crop that is not fully undone and with pictures that are
    not the same; frames one beside the true ones lower it by little in a slow shot.
    """
    segments: list[Segment] = []
    reached = 0
    # what was not looked at on one side may belong to anything that is left on the other
    left_over: SegmentKind = "undetermined" if ((state == 0) & (path < 0)).any() else "sdr_only"
    for start, stop in _pieces(state, path):
        if state[start] < 0:
            segments.append(Segment("hdr_only", start, stop, None, None, None, None))
            continue
        low, high = max(int(path[start]), reached), int(path_stop[stop - 1])
        if high > low > reached:
            segments.append(Segment(left_over, None, None, reached, low, None, None))
        reached = max(reached, high)
        kind: SegmentKind = "matched" if state[start] == 1 else "undetermined"
        known = similarity[start:stop][np.isfinite(similarity[start:stop])]
        confidence = float(np.clip(known.mean(dtype=np.float64), 0, 1)) if known.size else 0.0
        if high <= low:  # nothing but further repeats of a frame that the segment before ends with
            segments.append(Segment("undetermined", start, stop, None, None, None, confidence))
            continue
        slope = 1.0 if high - low == stop - start else (high - low - 1) / max(stop - start - 1, 1)
        segments.append(Segment(kind, start, stop, low, high, speed * slope if slope > 0 else None, confidence))
    if reached < sdr_frames:
        segments.append(Segment(left_over, None, None, reached, sdr_frames, None, None))
    return tuple(segments)


def _pieces(state: NDArray[np.int8], path: NDArray[np.int64]) -> list[tuple[int, int]]:
    """HDR frames of one state whose partners follow each other."""
    jump = np.diff(path)
    broken = (np.diff(state) != 0) | ((state[1:] >= 0) & ((jump < 0) | (jump > 1 + MOST_SKIPPED_FRAMES)))
    edges = [0, *(np.flatnonzero(broken) + 1).tolist(), len(state)]
    return [(start, stop) for start, stop in itertools.pairwise(edges) if stop > start]


def find_shots(hdr_track: Prints, state: NDArray[np.int8], path: NDArray[np.int64]) -> tuple[tuple[int, int], ...]:
    """Shots inside matched pieces, HDR frame numbers, stop exclusive.

    What is shorter than a few frames stands beside an edit, where a partner is least sure, and is left out; but the few frames between an
    end of the release and a cut are a shot.
    """
    ends = {0, len(state)}
    edges = set(find_cuts(hdr_track).tolist()) | ends
    for start, stop in _pieces(state, path):
        edges |= {start, stop}
    return tuple(
        (start, stop)
        for start, stop in itertools.pairwise(sorted(edges))
        if state[start] == 1 and (stop - start >= LEAST_SHOT_FRAMES or ends & {start, stop})
    )
