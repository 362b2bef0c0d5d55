"""A fingerprint per frame that survives another grade: ranks of a coarse luma grid.

Ranks do not change under any monotone tone curve, so a PQ grade and a BT.1886 grade of one frame have nearly the same fingerprint
(rank transform: R. Zabih and J. Woodfill, "Non-parametric Local Transforms for Computing Visual Correspondence", ECCV 1994).
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.stats import rankdata

from pairdiff._records import Rectangle

GRID_ROWS, GRID_COLUMNS = 18, 32
"""Cells of the grid: fine enough for motion of a 60th of the width, coarse enough for grain."""


def make_fingerprint(luma: NDArray[np.unsignedinteger[Any]], *, active: Rectangle) -> NDArray[np.float16]:
    """Fingerprint of one luma plane.

    Parameters
    ----------
    luma : (row, column) code values, any depth.
    active : active picture; what lies outside is ignored.

    Returns
    -------
    (GRID_ROWS x GRID_COLUMNS,) ranks, zero mean, unit length; all zero where the picture is flat.
    """
    inside = np.ascontiguousarray(luma[active.top : active.bottom, active.left : active.right])
    cells = cv2.resize(inside, (GRID_COLUMNS * 4, GRID_ROWS * 4), interpolation=cv2.INTER_AREA).astype(np.float32)
    grid = cells.reshape(GRID_ROWS, 4, GRID_COLUMNS, 4).mean((1, 3)).reshape(-1)
    if float(grid.max() - grid.min()) < 0.004 * np.iinfo(luma.dtype).max / (1 if luma.dtype == np.uint8 else 64):
        return np.zeros(grid.size, np.float16)
    rank = rankdata(grid)  # equal cells share a rank, so that two pictures are not alike for their black or clipped areas alone
    rank -= rank.mean()
    fingerprint: NDArray[np.float16] = (rank / np.linalg.norm(rank)).astype(np.float16)
    return fingerprint
