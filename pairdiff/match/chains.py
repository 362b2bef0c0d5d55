"""Chains: anchors that follow each other in both films, and the runs of one offset that they are made of.

The chain with the greatest weight is a heaviest increasing subsequence (M. L. Fredman, "On computing the length of longest increasing
subsequences", Discrete Mathematics 11, 1975; weighted, with a bounded look back, as co-linear chaining of genome anchors: M. I.
Abouelhoda and E. Ohlebusch, "Chaining algorithms for multiple genome comparison", Journal of Discrete Algorithms 3, 2005).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pairdiff.match.anchors import Anchors

LOOK_BACK = 256
"""Anchors before one that may be the one before it in a chain."""
CHANGE_COST = 0.5
"""Weight that a change of offset costs: a lone chance anchor is not worth two changes (own)."""
SAME_OFFSET_FRAMES = 3
"""Offsets of neighbouring anchors that differ by no more belong to one run: repeats and drops, not an edit (own)."""
LEAST_RUN_WEIGHT = 0.45
"""Least sum of correlations of a run (own)."""


@dataclass(frozen=True, slots=True)
class Run:
    """A passage of one offset, but for repeats and drops: the windows that carry it."""

    hdr: NDArray[np.int64]
    """First frames of its windows."""
    sdr: NDArray[np.int64]
    weight: float
    frames: int
    """Length of a window."""

    @property
    def hdr_start(self) -> int:
        """First frame that a window of the run covers."""
        return int(self.hdr[0])

    @property
    def hdr_stop(self) -> int:
        """First frame behind its last window."""
        return int(self.hdr[-1]) + self.frames

    @property
    def sdr_start(self) -> int:
        """First SDR frame that a window covers."""
        return int(self.sdr[0])

    @property
    def sdr_stop(self) -> int:
        """First SDR frame behind the last window."""
        return int(self.sdr[-1]) + self.frames


def chain_anchors(anchors: Anchors) -> tuple[Run, ...]:
    """The heaviest chain of telling anchors as runs, in order."""
    chosen = np.flatnonzero(anchors.telling)
    if not chosen.size:
        return ()
    order = _heaviest(anchors.hdr[chosen], anchors.sdr[chosen], anchors.correlation[chosen].astype(np.float64))
    hdr, sdr, weight = anchors.hdr[chosen][order], anchors.sdr[chosen][order], anchors.correlation[chosen][order]
    edges = np.flatnonzero(np.abs(np.diff(sdr - hdr)) > SAME_OFFSET_FRAMES) + 1
    runs = [Run(hdr[part], sdr[part], float(weight[part].sum()), anchors.frames) for part in np.split(np.arange(len(hdr)), edges)]
    return tuple(run for run in runs if run.weight >= LEAST_RUN_WEIGHT)


def _heaviest(hdr: NDArray[np.int64], sdr: NDArray[np.int64], weight: NDArray[np.float64]) -> NDArray[np.int64]:
    """Places of the anchors of the heaviest chain; anchors come in the order of the HDR film."""
    total, before = weight.copy(), np.full(len(hdr), -1, np.int64)
    for k in range(1, len(hdr)):
        first = max(0, k - LOOK_BACK)
        follows = (sdr[first:k] < sdr[k]) & (hdr[first:k] < hdr[k])
        if not follows.any():
            continue
        change = np.abs((sdr[k] - hdr[k]) - (sdr[first:k] - hdr[first:k])) > SAME_OFFSET_FRAMES
        value = np.where(follows, total[first:k] - CHANGE_COST * change, -np.inf)
        best = int(value.argmax())
        if value[best] > 0:
            total[k] += value[best]
            before[k] = first + best
    chain = [int(total.argmax())]
    while before[chain[-1]] >= 0:
        chain.append(int(before[chain[-1]]))
    return np.array(chain[::-1], np.int64)


def join_runs(runs: tuple[Run, ...]) -> tuple[Run, ...]:
    """Runs in order, neighbours of one offset joined."""
    joined: list[Run] = []
    for run in sorted(runs, key=lambda one: one.hdr_start):
        last = joined[-1] if joined else None
        if last is not None and last.frames == run.frames and abs(_shift(run, 0) - _shift(last, -1)) <= SAME_OFFSET_FRAMES:
            joined[-1] = Run(np.append(last.hdr, run.hdr), np.append(last.sdr, run.sdr), last.weight + run.weight, run.frames)
        else:
            joined.append(run)
    return tuple(joined)


def _shift(run: Run, place: int) -> int:
    return int(run.sdr[place] - run.hdr[place])
