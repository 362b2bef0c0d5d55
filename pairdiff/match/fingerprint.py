"""A fingerprint per frame that survives another grade: soft ranks of a coarse grid of the equalised luma.

The luma is first equalised by its own histogram, which no monotone tone curve changes, and only then averaged over cells: an average of
code values would move the edges of bright things by the curve, as if the film were half a frame away. Cells are then ranked (rank
transform: R. Zabih and J. Woodfill, "Non-parametric Local Transforms for Computing Visual Correspondence", ECCV 1994), so that strong and
faint contrasts count alike; in a flat area plain ranks are noise, so cells that are nearly equal count as equal, by degrees.
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
REACH_SHARE = 0.02
"""Cells this far apart in share of darker pixels are told apart in full; nearer ones by degrees (own)."""
EQUALISED_COLUMNS = 960
"""Wider pictures are averaged down to about this width before they are equalised: one picture costs a few milliseconds."""


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
    inside = _shrink(np.ascontiguousarray(luma[active.top : active.bottom, active.left : active.right]))
    if float(np.ptp(_average_cells(inside.astype(np.float32)))) < FLAT_CODES * code_step:
        return np.zeros(GRID_ROWS * GRID_COLUMNS, np.float16)
    rank = np.empty(GRID_ROWS * GRID_COLUMNS, np.float32)
    count_below(_average_cells(_equalise(inside)).reshape(-1), REACH_SHARE, rank)
    rank -= rank.mean()
    fingerprint: NDArray[np.float16] = (rank / np.linalg.norm(rank)).astype(np.float16)
    return fingerprint


def _shrink(luma: NDArray[np.unsignedinteger[Any]]) -> NDArray[np.unsignedinteger[Any]]:
    """Average of whole blocks of pixels, so that about `EQUALISED_COLUMNS` are left; a small picture grows to hold the grid."""
    block = max(round(luma.shape[1] / EQUALISED_COLUMNS), 1)
    size = max(luma.shape[1] // block, 4 * GRID_COLUMNS), max(luma.shape[0] // block, 4 * GRID_ROWS)
    return luma if size == luma.shape[::-1] else np.asarray(cv2.resize(luma, size, interpolation=cv2.INTER_AREA))


def _equalise(luma: NDArray[np.unsignedinteger[Any]]) -> NDArray[np.float32]:
    """Share of darker pixels, for each pixel; equal ones count by half."""
    count = np.bincount(luma.reshape(-1))
    share = ((np.cumsum(count) - count / 2) / luma.size).astype(np.float32)
    return np.asarray(share[luma])


def _average_cells(picture: NDArray[np.float32]) -> NDArray[np.float32]:
    fine = cv2.resize(picture, (GRID_COLUMNS * 4, GRID_ROWS * 4), interpolation=cv2.INTER_AREA)
    return np.asarray(fine.reshape(GRID_ROWS, 4, GRID_COLUMNS, 4).mean((1, 3)))
