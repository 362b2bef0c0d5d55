"""Light levels of one picture counted on its raw planes, in one walk: no picture of R, G and B is ever made.

The largest of R', G' and B' decodes to the largest of R, G and B wherever the three decode alike, so that signals can be counted. Steps of
the count are a whole number to a code (up to 14 bits): greys lie in the middle of one, and only what chroma adds is moved, by at most half
a step (3.6e-5 of the signal, 0.1 % of the light above 1 cd/m2 in PQ). The largest level is exact; means are sums over the count, whose
error is below 2e-5 even of noise in all colours (`tests/score/test_plane_levels.py`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Rectangle, Signal
from pairdiff.frames.planes import BlockMeans, count_levels
from pairdiff.score.levels import LevelCounts

FINE_BITS = 14
"""Steps of the count are as fine as codes of so many bits (own)."""
END_CODE = 2
"""Largest signal that is counted apart: no codes make more of it than that, and what does counts as that in the means."""


@dataclass(frozen=True, slots=True)
class PlaneScale:
    """What the codes of a release mean; one for a whole release."""

    steps_per_code: float
    """Steps of the count from signal 0 to 1."""
    step_nits: NDArray[np.float64]
    """(step,) light of each step, cd/m2, rising."""
    code_to_nits: Callable[[NDArray[np.float64]], NDArray[np.float64]]


def make_plane_scale(signal: Signal, code_to_nits: Callable[[NDArray[np.float64]], NDArray[np.float64]]) -> PlaneScale:
    """Prepare the counting of a release's planes.

    Parameters
    ----------
    signal : its range and bit depth.
    code_to_nits : monotone, signal to cd/m2, the same for R', G' and B'.

    Returns
    -------
    PlaneScale
    """
    depth = signal.bit_depth.value
    codes = 219 * 2.0 ** (depth - 8) if signal.range.value == "narrow" else 2.0**depth - 1  # H.273 8.3: black to white
    per_code = codes * 2.0 ** (FINE_BITS - depth)
    return PlaneScale(per_code, code_to_nits(np.arange(int(END_CODE * per_code) + 1) / per_code), code_to_nits)


def plane_histogram(
    planes: Sequence[NDArray[np.unsignedinteger[Any]]],
    signal: Signal,
    *,
    active: Rectangle,
    scale: PlaneScale,
    blocks: BlockMeans | None = None,
) -> LevelCounts:
    """Count the levels of a picture of Y, Cb and Cr, or of Y alone.

    Parameters
    ----------
    planes : code values as decoded.
    signal : how they are to be read; not R'G'B'.
    active : active picture.
    scale : of `make_plane_scale`.
    blocks : means of luma that are filled in the same walk where that can be done.

    Returns
    -------
    LevelCounts, read with `scale.step_nits`.

    Notes
    -----
    Source: CTA-861.3-A Annex. Chroma is upsampled as by `frames.planes.planes_to_rgb`.
    """
    found = count_levels(planes, signal, active=active, weights=scale.step_nits, steps_per_code=scale.steps_per_code, blocks=blocks)
    return LevelCounts(
        counts=found.counts,
        max_nits=float(scale.code_to_nits(np.asarray(max(found.largest, 0.0)))),
        sum_nits=found.sum_inside,
        sum_whole_nits=found.sum_inside + found.sum_outside,
        pixels_whole=planes[0].size,
    )
