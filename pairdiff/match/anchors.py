"""Anchors: short passages of one film found again in the other, anywhere, by what moves in them.

Windows of signatures are matched filters. A random projection (W. B. Johnson and J. Lindenstrauss, "Extensions of Lipschitz mappings
into a Hilbert space", 1984; D. Achlioptas, "Database-friendly random projections", 2003) shortens each window to a few numbers; the
nearest places in the other film are then compared in full. Windows are taken sparsely from one film, every place of the other is looked
at. What has a second place that is nearly as good (loops, reused shots) is no anchor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Prints
from pairdiff.match._kernels import keep_best
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS

POOL_ROWS, POOL_COLUMNS = 3, 4
"""Cells of the fingerprint that are joined for the search, so that a slightly different frame is still found."""
PROJECTED = 96
"""Numbers to which the joined cells are projected for the search (own)."""
CANDIDATES = 6
"""Places compared in full for each window."""
NEAR_FRAMES = 4
"""Places nearer than this to each other are one place."""
LEAST_CORRELATION = 0.3
"""Correlation of what moves from which a window is an anchor (own)."""
RIVAL_SHARE = 0.8
"""A window whose second best place reaches this share of the best one is ambiguous (own)."""
LEAST_MOTION = 0.2
"""A window in which less moves than this share of a typical one is compared as if it held that much (own)."""
REACH_FRAMES = 2
"""Frames about a likely place that are compared in full."""
PIN_FRAMES = 36
"""How far from what the user says the place is looked for."""
PIN_WEIGHT = 1.0
"""What a pin adds to the correlation of its window: as much as a window that agrees wholly (own)."""
BLOCK_WINDOWS, BLOCK_PLACES = 512, 16384
"""Windows and places whose products are held at once: memory does not grow with the film (own)."""


@dataclass(frozen=True, slots=True)
class Anchors:
    """Windows of the HDR release and their best place in the SDR release; arrays of one length."""

    hdr: NDArray[np.int64]
    """First frame of the window."""
    sdr: NDArray[np.int64]
    """First frame of its best place."""
    correlation: NDArray[np.float32]
    """Correlation of what moves there, -1 to 1."""
    rival: NDArray[np.float32]
    """Correlation at the best other place."""
    frames: int
    """Length of the windows."""

    @property
    def ambiguous(self) -> NDArray[np.bool_]:
        """Windows with another place that is nearly as good."""
        return np.asarray((self.correlation >= LEAST_CORRELATION) & (self.rival >= RIVAL_SHARE * self.correlation))

    @property
    def telling(self) -> NDArray[np.bool_]:
        """Windows with one good place."""
        return np.asarray((self.correlation >= LEAST_CORRELATION) & (self.rival < RIVAL_SHARE * self.correlation))


class Places:
    """Every window of the SDR release, to be searched.

    Parameters
    ----------
    signatures : (frame, cell).
    frames : length of a window.
    """

    def __init__(self, signatures: Prints, *, frames: int) -> None:
        self.signatures, self.frames = signatures, frames

    @cached_property
    def projected(self) -> NDArray[np.float32]:
        """Each window as a short vector, made when it is asked for: beside what making those of the HDR release takes it would weigh."""
        return _project(self.signatures, self.frames)


def find_anchors(hdr: Prints, places: Places, *, starts: NDArray[np.int64]) -> Anchors:
    """Find windows of the HDR signatures in the SDR release.

    Parameters
    ----------
    hdr : signatures, (frame, cell).
    places : of the SDR release.
    starts : first frames of the windows; each window must lie inside `hdr`.

    Returns
    -------
    Anchors, one for each window, telling or not.
    """
    frames = places.frames
    best = np.full((len(starts), 2), -1, np.int64)
    score = np.full((len(starts), 2), -1.0, np.float32)
    if len(places.signatures) >= frames and len(starts):
        windows = _project(hdr, frames, starts=starts)
        likely = _nearest_places(windows, places.projected)
        for number, start in enumerate(starts):
            best[number], score[number] = _compare_places(hdr[start : start + frames], places.signatures, likely[number])
    return Anchors(starts, best[:, 0], score[:, 0], score[:, 1], frames)


def pool_cells(signature: NDArray[Any]) -> NDArray[np.float32]:
    """Signatures of joined cells, (frame, joined cell)."""
    shape = (-1, GRID_ROWS // POOL_ROWS, POOL_ROWS, GRID_COLUMNS // POOL_COLUMNS, POOL_COLUMNS)
    out = np.empty((len(signature), GRID_ROWS * GRID_COLUMNS // POOL_ROWS // POOL_COLUMNS), np.float32)
    for start in range(0, len(signature), BLOCK_PLACES):
        part = signature[start : start + BLOCK_PLACES].astype(np.float32)
        out[start : start + len(part)] = part.reshape(shape).mean((2, 4)).reshape(len(part), -1)
    return out


def _project(signatures: Prints, frames: int, *, starts: NDArray[np.int64] | None = None) -> NDArray[np.float32]:
    """Every window of signatures, or those at `starts`, as a short vector of unit length (zero where nothing moves)."""
    windows = max(len(signatures) - frames + 1, 0)
    rng, cells = np.random.default_rng(1), GRID_ROWS * GRID_COLUMNS // POOL_ROWS // POOL_COLUMNS
    signs = rng.integers(0, 2, (frames, cells, PROJECTED)).astype(np.float32) * 2 - 1
    wanted = np.arange(windows) if starts is None else starts
    out, length = np.empty((len(wanted), PROJECTED), np.float32), np.empty(windows, np.float32)
    for first in range(0, windows, BLOCK_PLACES):
        last = min(first + BLOCK_PLACES, windows)
        pooled = pool_cells(signatures[first : last + frames - 1])
        part = np.zeros((last - first, PROJECTED), np.float32)
        for step in range(frames):
            part += pooled[step : step + len(part)] @ signs[step]
        length[first:last] = np.linalg.norm(part, axis=1)
        inside = np.flatnonzero((wanted >= first) & (wanted < last))
        out[inside] = part[wanted[inside] - first]
    usual = float(np.median(length)) if windows else 0.0
    out /= np.maximum(length[wanted], max(0.1 * usual, 1e-9))[:, None]
    return out


def _nearest_places(windows: NDArray[np.float32], places: NDArray[np.float32]) -> NDArray[np.int64]:
    """The places most like each window, (window, CANDIDATES), apart from each other; -1 where there are fewer."""
    found = np.full((len(windows), CANDIDATES), -1, np.int64)
    value = np.full((len(windows), CANDIDATES), -2.0, np.float32)
    for first in range(0, len(windows), BLOCK_WINDOWS):
        rows = slice(first, first + BLOCK_WINDOWS)
        for start in range(0, len(places), BLOCK_PLACES):
            keep_best(windows[rows] @ places[start : start + BLOCK_PLACES].T, start, NEAR_FRAMES, found[rows], value[rows])
    return found


def _compare_places(window: NDArray[Any], sdr: Prints, likely: NDArray[np.int64]) -> tuple[list[int], list[float]]:
    """Best two places of a window among the likely ones and their neighbours, and their correlations."""
    values = window.astype(np.float32).reshape(-1)
    energy, least = float(values @ values), LEAST_MOTION * len(window)
    scores: list[tuple[float, int]] = []
    for place in likely[likely >= 0]:
        first, last = max(int(place) - REACH_FRAMES, 0), min(int(place) + REACH_FRAMES, len(sdr) - len(window))
        part = sdr[first : last + len(window)].astype(np.float32)
        for shift in range(last - first + 1):
            other = part[shift : shift + len(window)].reshape(-1)
            scores.append((float(values @ other) / max(np.sqrt(energy * float(other @ other)), least), first + shift))
    scores.sort(reverse=True)
    best = scores[0] if scores else (-1.0, -1)
    second = next((one for one in scores if abs(one[1] - best[1]) >= NEAR_FRAMES), (-1.0, -1))
    return [best[1], second[1]], [best[0], second[0]]


def with_pins(anchors: Anchors, hdr: Prints, sdr: Prints, pins: Sequence[tuple[int, int]]) -> Anchors:
    """Anchors that agree with what is known, and a window about each pin.

    Parameters
    ----------
    anchors : found windows.
    hdr, sdr : signatures, (frame, cell).
    pins : HDR and SDR frames known to belong together, to within `PIN_FRAMES`.

    Returns
    -------
    Anchors in order; those that lie before a pin in one film and after it in the other are gone.
    """
    frames = anchors.frames
    if not pins or min(len(hdr), len(sdr)) < frames:
        return anchors
    keep = np.ones(len(anchors.hdr), bool)
    added = []
    for pin_hdr, pin_sdr in pins:
        ahead, behind = anchors.hdr - pin_hdr, anchors.sdr - pin_sdr
        keep &= ~(((ahead < -frames) & (behind > PIN_FRAMES)) | ((ahead > 0) & (behind < -frames - PIN_FRAMES)) | (np.abs(ahead) <= frames))
        start = int(np.clip(pin_hdr - frames // 2, 0, len(hdr) - frames))
        guess = int(np.clip(pin_sdr + start - pin_hdr, 0, len(sdr) - frames))
        places = np.arange(max(guess - PIN_FRAMES, 0), min(guess + PIN_FRAMES, len(sdr) - frames) + 1)
        best, score = _compare_places(hdr[start : start + frames], sdr, places)
        added.append((start, best[0], max(score[0], 0.0) + PIN_WEIGHT))
    rows = [*zip(anchors.hdr[keep], anchors.sdr[keep], anchors.correlation[keep], anchors.rival[keep], strict=True)]
    rows = sorted([*rows, *((start, place, weight, 0.0) for start, place, weight in added)], key=lambda row: row[0])
    hdr_start, sdr_start, correlation, rival = (np.array(column) for column in zip(*rows, strict=True))
    return Anchors(hdr_start.astype(np.int64), sdr_start.astype(np.int64), correlation.astype("f4"), rival.astype("f4"), frames)
