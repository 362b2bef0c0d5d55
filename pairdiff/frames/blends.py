"""Frames that are mixes of their neighbours, as a conversion of the frame rate by blending makes them.

Fine detail along rows is looked at where it moves far enough to be new from frame to frame. A picture of its own is explained badly by
any mix of its neighbours (its own detail is in neither); a blend of both is explained but for rounding and coding. Only frames whose two
neighbours are, in effect, the pictures that were mixed can be told so (one blend between two pictures: one frame in five, every second
one), and of those only the ones in fast enough motion: the count is a lower bound. Where nearly every frame is a blend of changing shares
(24 to 25 or 30 in proportion), slow motion looks alike, and nothing is said.
"""

from __future__ import annotations

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


def find_mixed(mixes: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Frames that are mixes of their neighbours.

    Parameters
    ----------
    mixes : (frame, 6): what `compare_mix` said of every frame but the first and the last.

    Returns
    -------
    (frame,), the first and the last included; all false where they are too few to be a conversion.
    """
    dd, ed, ee, other, energy, places = mixes.T
    share = ed / np.maximum(dd, 1.0)
    nearer = np.minimum(ee, other)
    rest = ee - share * ed
    tells = (places >= LEAST_PLACES) & (np.maximum(ee, other) >= LEAST_NEW * energy / 2)
    mixed = tells & (rest <= MOST_REST * nearer) & (nearer >= LEAST_NEARER * energy / 2) & (np.abs(share - 0.5) <= 0.5 - LEAST_MIX)
    if mixed.sum() < max(LEAST_SHARE * tells.sum(), LEAST_MIXED):
        mixed[:] = False
    return np.pad(mixed, 1)
