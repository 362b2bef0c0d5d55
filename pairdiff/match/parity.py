"""Which pictures of a release that shows twice as many a second belong to those of the other: the odd ones or the even ones.

A picture that is missing in the faster release, or a cut of an odd number of them, turns one into the other for all that follows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pairdiff.match.timeline import EditMap

PARITY_FRAMES, PARITY_MARGIN = 25, 0.05
"""Frames of the faster release over which odd and even ones are held against each other, and by how much one must agree better (own)."""
DOUBLE_RATE_SLACK = 0.05
"""How far the ratio of two frame rates may lie from two to be taken for it: film at PAL's speed is 4 % off (own)."""


@dataclass(frozen=True, slots=True)
class Parities:
    """Frames of the faster release, (frame,)."""

    repeats: NDArray[np.bool_]
    """Those without a partner of their own: the other ones of each two."""
    unsure: NDArray[np.bool_]
    """Those about a turn from odd to even: where exactly it is is not told, and they are never paired."""


def is_double(ratio: float) -> bool:
    """Whether one of two frame rates, whose ratio this is, is twice the other."""
    return abs(max(ratio, 1 / ratio) / 2 - 1) <= DOUBLE_RATE_SLACK


def leave_out(frames: int, *, odd: bool) -> NDArray[np.bool_]:
    """The odd or the even ones of so many frames, (frame,)."""
    return np.asarray(np.arange(frames) % 2 == odd)


def choose_parities(odd_out: EditMap, even_out: EditMap, *, frames: int, fast_is_hdr: bool) -> Parities | None:
    """Take the odd or the even frames passage by passage, as they agree better with the other release.

    Parameters
    ----------
    odd_out, even_out : the films matched with the odd and with the even frames of the faster release left out.
    frames : frames of the faster release.
    fast_is_hdr : whether that is the HDR release.

    Returns
    -------
    Parities; None where one parity holds throughout.
    """
    from scipy.ndimage import binary_dilation, binary_opening, uniform_filter1d  # a library that starts slowly: loaded when it is needed

    window = PARITY_FRAMES if fast_is_hdr else PARITY_FRAMES // 2 + 1  # maps are over HDR frames: as long in time
    first, second = (uniform_filter1d(_agreement(one), window, mode="nearest") for one in (odd_out, even_out))
    passage = np.ones(window, bool)
    evens, odds = (binary_opening(better, passage) for better in (first > second + PARITY_MARGIN, second > first + PARITY_MARGIN))
    if not evens.any() or not odds.any():
        return None
    takes_odd = odds[_nearest(np.flatnonzero(evens | odds), len(odds))]
    if not fast_is_hdr:
        held = np.flatnonzero(odd_out.path >= 0)
        takes_odd = takes_odd[held[np.searchsorted(odd_out.path[held], np.arange(frames)).clip(0, len(held) - 1)]]
    turns = np.diff(takes_odd, prepend=takes_odd[:1])
    out = np.where(takes_odd, leave_out(frames, odd=False), leave_out(frames, odd=True))
    return Parities(out, binary_dilation(turns, np.ones(2 * PARITY_FRAMES + 1, bool)))


def _agreement(edit_map: EditMap) -> NDArray[np.float64]:
    return np.where(edit_map.state == 1, np.nan_to_num(edit_map.similarity, nan=0.0), 0.0).astype(np.float64)


def _nearest(told: NDArray[np.intp], frames: int) -> NDArray[np.intp]:
    """For each of so many frames the nearest of those that tell, ascending."""
    numbers = np.arange(frames)
    after = np.searchsorted(told, numbers).clip(0, len(told) - 1)
    before = (after - 1).clip(0)
    return np.asarray(np.where(np.abs(told[after] - numbers) <= np.abs(told[before] - numbers), told[after], told[before]))
