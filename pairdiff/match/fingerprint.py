"""A fingerprint per frame that survives another grade: soft ranks of a coarse luma grid.

Ranks do not change under any monotone tone curve, so a PQ grade and a BT.1886 grade of one frame have nearly the same fingerprint
(rank transform: R. Zabih and J. Woodfill, "Non-parametric Local Transforms for Computing Visual Correspondence", ECCV 1994). In a flat
area plain ranks are noise: cells that differ by less than a code or two count as equal here, by degrees.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Rectangle
from pairdiff.match._kernels import count_below

GRID_ROWS, GRID_COLUMNS = 18, 32
"""Cells of the grid: fine enough for motion of a 60th of the width, coarse enough for grain."""
FLAT_CODES = 1.0
"""Range of the cells, in 8-bit codes, below which a frame is flat."""
REACH_CODES = 2.0
"""Cells this many 8-bit codes apart are told apart in full; nearer ones by degrees (own)."""


def make_fingerprint(luma: NDArray[np.unsignedinteger[Any]], *, active: Rectangle, code_step: float) -> NDArray[np.float16]:
    """Fingerprint of one luma plane.

    Parameters
    ----------
    luma : (row, column) code values, any depth.
    active : active picture; what lies outside is ignored.
    code_step : codes that make one 8-bit code (4 for 10-bit).

    Returns
    -------
    (GRID_ROWS x GRID_COLUMNS,) soft ranks, zero mean, unit length; all zero where the picture is flat.
    """
    inside = np.ascontiguousarray(luma[active.top : active.bottom, active.left : active.right])
    cells = cv2.resize(inside, (GRID_COLUMNS * 4, GRID_ROWS * 4), interpolation=cv2.INTER_AREA).astype(np.float32)
    grid = cells.reshape(GRID_ROWS, 4, GRID_COLUMNS, 4).mean((1, 3)).reshape(-1) / np.float32(code_step)
    if float(grid.max() - grid.min()) < FLAT_CODES:
        return np.zeros(grid.size, np.float16)
    rank = np.empty(grid.size, np.float32)
    count_below(grid, REACH_CODES, rank)
    rank -= rank.mean()
    fingerprint: NDArray[np.float16] = (rank / np.linalg.norm(rank)).astype(np.float16)
    return fingerprint
