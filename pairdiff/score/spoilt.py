"""Frames that one release shows otherwise in the middle of a shot, as a damaged stream does until its next key frame.

Decoders put what they like in place of damaged slices, and most say nothing of it: only a comparison with the other release tells. In such
a place the fingerprints of partners, alike before and behind, fall apart from one frame to the next while at least one release goes on
without a cut. A passage that was replaced on purpose begins with a cut in both. Words or a mark that appear in one release alone change
fingerprints a little and leave the frame its partner: they are no damage, unless a decoder met a fault there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Prints
from pairdiff._records import Side
from pairdiff.match.motion import join_stretches

BESIDE_FRAMES = 12
"""Matched frames on either side from which the usual unlikeness of partners is taken (own)."""
UNLIKE_RATIO, UNLIKE_LEAST = 1.5, 0.004
"""Unlikeness of partners, 1 less their similarity, over the usual one, and above it, from which a frame may be spoilt (own)."""
SEED_RATIO, SEED_LEAST = 4.0, 0.04
"""The same for a frame without a partner, which a stretch of spoilt frames must hold unless a decoder met a fault there (own)."""
GOES_ON_SIMILARITY = 0.7
"""Similarity of a frame to the one before from which a shot goes on (own)."""
JOINED_FRAMES = 3
"""Sound frames between spoilt ones that do not part them (own)."""
LONGEST_FRAMES = 300
"""Longest stretch: key frames lie no further apart in films on disc and in streams (common practice, no source)."""
FAULT_REACH_FRAMES = 48
"""A fault that a decoder met counts for a stretch so many frames away: decoders run ahead and are late to tell (own)."""

BoolArray = NDArray[np.bool_]
FloatArray = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Pairing:
    """What matching leaves of every HDR frame."""

    similarity: FloatArray
    """(HDR frame,) of the fingerprints of partners, NaN without one."""
    path: NDArray[np.int64]
    """(HDR frame,) SDR frame that it belongs to or, undetermined, would belong to; -1 without one."""
    matched: BoolArray
    """(HDR frame,)."""
    lit: BoolArray
    """(HDR frame,) whether either release shows light there: the fingerprints of a faded picture say little."""
    hdr_prints: Prints
    """(HDR frame, cell) fingerprints of unit length."""
    sdr_prints: Prints
    """(SDR frame, cell)."""


def find_spoilt(pairing: Pairing, *, hdr_faults: Sequence[int] = (), sdr_faults: Sequence[int] = ()) -> dict[Side, BoolArray]:
    """Frames in whose place one release shows something else in the middle of a shot.

    Parameters
    ----------
    pairing : partners of the HDR frames and how alike they are.
    hdr_faults, sdr_faults : HDR frames at which the decoder of either release met a fault.

    Returns
    -------
    (HDR frame,) for the release whose picture breaks there: the one in which faults were met, else the one that runs on less smoothly.
    """
    unlike = 1 - np.asarray(pairing.similarity, np.float64)
    found: dict[Side, BoolArray] = {"hdr": np.zeros(len(unlike), bool), "sdr": np.zeros(len(unlike), bool)}
    usual = _usual_unlikeness(unlike, pairing.matched)
    doubtful = ~pairing.matched | (unlike > np.maximum(UNLIKE_RATIO * usual, usual + UNLIKE_LEAST))
    for start, stop in join_stretches(doubtful, gap=JOINED_FRAMES):
        if start < 1 or stop >= len(unlike) or stop - start > LONGEST_FRAMES:
            continue
        hdr_runs_on, sdr_runs_on, goes_on = _how_it_runs(pairing, start, stop)
        inside = slice(start, stop)
        seeds = unlike[inside] >= np.maximum(SEED_RATIO * usual, usual + SEED_LEAST)[inside]
        if int(pairing.path[stop] - pairing.path[start - 1]) > stop - start:  # the other release has frames there; else one only has more
            seeds |= np.isnan(unlike[inside])
        hdr_near, sdr_near = (_is_near(faults, start, stop) for faults in (hdr_faults, sdr_faults))
        seen = (seeds & ~pairing.matched[inside] & pairing.lit[inside]).any() or ((hdr_near or sdr_near) and pairing.lit[inside].any())
        if seen and goes_on:
            side: Side = ("hdr" if hdr_near else "sdr") if hdr_near != sdr_near else ("hdr" if hdr_runs_on <= sdr_runs_on else "sdr")
            found[side][inside] = True
    return found


def _is_near(faults: Sequence[int], start: int, stop: int) -> bool:
    return any(start - FAULT_REACH_FRAMES <= fault < stop + FAULT_REACH_FRAMES for fault in faults)


def _usual_unlikeness(unlike: FloatArray, matched: BoolArray) -> FloatArray:
    """Median over matched frames before a frame and behind it, whichever is higher; infinite without any."""
    places = np.flatnonzero(matched)
    usual = np.full(len(unlike), np.inf)
    if not places.size:
        return usual
    values = unlike[places]
    padded = np.pad(values, BESIDE_FRAMES, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * BESIDE_FRAMES + 1), axis=1)
    return np.asarray(np.interp(np.arange(len(unlike)), places, middle))


def _how_it_runs(pairing: Pairing, start: int, stop: int) -> tuple[float, float, bool]:
    """Least similarity of a frame to the one before it, in either release, through a stretch; and whether one runs into or out of it."""
    before, behind = int(pairing.path[start - 1]), int(pairing.path[stop])
    hdr = _steps(pairing.hdr_prints, start - 1, stop)
    sdr = _steps(pairing.sdr_prints, before, behind) if 0 <= before < behind else np.zeros(0)
    ends = [float(edge) for steps in (hdr, sdr) if steps.size for edge in (steps[0], steps[-1])]
    return float(hdr.min()), float(sdr.min()) if sdr.size else 1.0, max(ends) >= GOES_ON_SIMILARITY


def _steps(prints: Prints, first: int, last: int) -> FloatArray:
    held = prints[first : last + 1].astype(np.float32)
    return np.asarray(np.einsum("ij,ij->i", held[:-1], held[1:]))
