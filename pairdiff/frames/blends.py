"""Frames that are mixes of their neighbours, as a conversion of the frame rate by blending makes them.

Fine detail along rows is looked at where it moves far enough to be new from frame to frame. A picture of its own is explained badly by
any mix of its neighbours (its own detail is in neither); a blend of both is explained but for rounding and coding. Only frames whose two
neighbours are, in effect, the pictures that were mixed can be told so (one blend between two pictures: one frame in five, every second
one), and of those only the ones in fast enough motion. Such blends come in a regular order, which tells the others; without them the film
has its own pictures again. Where nearly every frame is a blend of changing shares (24 to 25 or 30 in proportion), slow motion looks alike:
only the other release tells (`match.position`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

LEAST_CODES = 12.0
"""Change of fine detail from the frame before to the frame after, 8-bit codes, from which a place counts (own)."""
LEAST_PLACES = 500
"""Places that must move for a frame to tell anything (own)."""
MOST_REST = 0.05
"""What a mix may leave of the change to the nearer neighbour, in squares (own; film leaves 0.1 and more in 19 frames of 20)."""
LEAST_NEW, LEAST_NEARER = 0.5, 0.2
"""Least change to the farther and to the nearer neighbour, as shares of the detail there: repeats and slower motion tell nothing, and a
quick encoder makes its own frames between two others by mixing them where little moves (own; at 0.3 and 0.15 such frames were taken)."""
LEAST_MIX = 0.15
"""Least share of either neighbour in a mix (own)."""
LEAST_SHARE, LEAST_MIXED = 0.06, 6
"""Share of frames that tell, and their number, from which a conversion is believed: dissolves and slow motion make a few (own)."""
OWN_REST = 0.3
"""What a mix leaves of a picture that is plainly its own (own)."""
LONGEST_ORDER = 25
"""Longest regular order that is looked for, frames: one blend in so many (own)."""
IN_ORDER, MISSED, OUT_OF_ORDER = 3.3, 1.6, 3.3
"""What a frame that tells weighs for an order, natural logarithm of odds: a mix where one should be (0.8 against 0.03), a picture there
(0.2 against 0.97), a mix elsewhere (own)."""
PHASE_COST, LEAST_ORDER, LEAST_ORDERED = 9.0, 12.0, 4
"""What an edit that shifts the order costs, what an order must gain over none, in that weight, and the mixes it must hold (own)."""
MOST_OUT = 0.2
"""Mixes elsewhere, as a share of those in order, from which it is no order (own)."""
MOST_MIXED_SHARE = 0.1
"""Share of mixes in no order, in at least half of a film, from which a release is refused (own; film: none)."""
BLOCK_FRAMES, LEAST_TOLD = 120, 8
"""Frames, and frames among them that tell, of which a share of mixes is taken (own)."""


@dataclass(frozen=True, slots=True)
class Blends:
    """Mixes of two pictures among the frames of a film. Arrays over frames."""

    mixed: NDArray[np.bool_]
    """Frames that are mixes of their neighbours; none where they are too few to be a conversion."""
    ordered: NDArray[np.bool_]
    """Those that come at a regular distance, each alone between two pictures: without them the film has its own pictures again."""
    period: int | None
    """That distance, frames; None where there is none."""
    share: float
    """Share of mixes out of that order among the frames that tell, as in the half of the film that has fewer."""


def compare_mix(
    before: NDArray[np.unsignedinteger[Any]],
    frame: NDArray[np.unsignedinteger[Any]],
    after: NDArray[np.unsignedinteger[Any]],
    *,
    code_step: float,
) -> NDArray[np.float64]:
    """Products of fine detail of three successive frames, as `fields.sample_rows` gives them.

    Returns
    -------
    Six sums over the places that move, squared codes: with d = before - after and e = frame - after: d d, e d, e e; then squares of
    frame - before, of before and after together, and the number of places.
    """
    from pairdiff.frames._kernels import add_mix  # compiled code: loaded when it is needed

    out = np.zeros(6)
    if before.shape == frame.shape == after.shape and frame.shape[2] > 2:
        kind = np.uint8 if frame.dtype == np.uint8 else np.uint16
        first, second, third = (one.astype(kind, copy=False) for one in (before, frame, after))
        add_mix(first, second, third, np.float32(LEAST_CODES * code_step), out)
    return out


def find_blends(mixes: NDArray[np.float64]) -> Blends:
    """Frames that are mixes of their neighbours, and the order in which they come.

    Parameters
    ----------
    mixes : (frame, 6): what `compare_mix` said of every frame but the first and the last.
    """
    tells, mixed, own = _judge(mixes)
    pattern, period = _find_pattern(mixed, own)
    left, rest = mixed & ~pattern, tells & ~pattern
    if left.sum() < max(LEAST_SHARE * rest.sum(), LEAST_MIXED):
        left[:] = False
    ordered = np.pad(pattern, 1)
    if period is not None and len(pattern) > period:  # the first and the last frame have one neighbour alone: there the order tells
        ordered[0], ordered[-1] = ordered[period], ordered[-1 - period]
    return Blends(ordered | np.pad(left, 1), ordered, period, _share_everywhere(rest, left))


def _judge(mixes: NDArray[np.float64]) -> tuple[NDArray[np.bool_], NDArray[np.bool_], NDArray[np.bool_]]:
    """Frames that tell; those of them that are mixes; and those that are plainly pictures of their own."""
    dd, ed, ee, other, energy, places = mixes.T
    share = ed / np.maximum(dd, 1.0)
    nearer = np.minimum(ee, other)
    rest = ee - share * ed
    tells = (places >= LEAST_PLACES) & (np.maximum(ee, other) >= LEAST_NEW * energy / 2) & (nearer >= LEAST_NEARER * energy / 2)
    mixed = tells & (rest <= MOST_REST * nearer) & (np.abs(share - 0.5) <= 0.5 - LEAST_MIX)
    return tells, mixed, tells & (rest >= OWN_REST * nearer)


def _find_pattern(mixed: NDArray[np.bool_], own: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], int | None]:
    """Frames of the regular order that explains the mixes best, those among them that do not tell included; and its length."""
    from pairdiff.frames._kernels import best_phases  # compiled code: loaded when it is needed

    inside = np.where(mixed, IN_ORDER, np.where(own, -MISSED, 0.0))
    outside = np.where(mixed, -OUT_OF_ORDER, 0.0)
    best, found, length = LEAST_ORDER, np.zeros(len(mixed), np.bool_), None
    for period in range(2, LONGEST_ORDER + 1) if mixed.sum() >= LEAST_ORDERED else ():
        out = np.zeros(len(mixed), np.bool_)
        value = best_phases(inside, outside, period, PHASE_COST, out)
        if value > best and (mixed & ~out).sum() <= MOST_OUT * (mixed & out).sum():
            best, found, length = value, out, period
    return found, length


def _share_everywhere(tells: NDArray[np.bool_], mixed: NDArray[np.bool_]) -> float:
    """Share of mixes among frames that tell, in the half of the film that has fewer of them: a shot or two of blends are no conversion."""
    starts = range(0, len(tells), BLOCK_FRAMES)
    counts = [(int(tells[n : n + BLOCK_FRAMES].sum()), int(mixed[n : n + BLOCK_FRAMES].sum())) for n in starts]
    shares = [count / told for told, count in counts if told >= LEAST_TOLD]
    return float(np.median(shares)) if shares else 0.0
