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
from pairdiff.frames.planes import BlockMeans
from pairdiff.match._kernels import average_cells, count_below

GRID_ROWS, GRID_COLUMNS = 18, 32
"""Cells of the grid: fine enough for motion of a 60th of the width, coarse enough for grain."""
FLAT_CODES = 1.0
"""Range of the cells, in 8-bit codes, below which a frame is flat."""
REACH_SHARE = 0.02
"""Cells this far apart in share of darker pixels are told apart in full; nearer ones by degrees (own)."""
EQUALISED_COLUMNS = 960
"""Wider pictures are averaged down to about this width before they are equalised: one picture costs a few milliseconds."""
BLOCK_ROWS_EVERY = 3
"""Of wider pictures one row of blocks in so many is taken: a cell still holds ten of them (own; half of that told as much)."""


def plan_blocks(luma: NDArray[np.unsignedinteger[Any]], *, active: Rectangle) -> BlockMeans | None:
    """Means of blocks that a fingerprint is made of, not filled yet; None where the picture is no whole number of such blocks."""
    block, size, every = _small_size(active)
    if block not in (2, 4) or (size[0] * block, size[1] * block) != (active.right - active.left, active.bottom - active.top):
        return None
    return BlockMeans(active.top, active.left, block, every, np.empty((-(-size[1] // every), size[0]), luma.dtype))


def make_fingerprint(
    luma: NDArray[np.unsignedinteger[Any]], *, active: Rectangle, code_step: float, blocks: BlockMeans | None = None
) -> NDArray[np.float16]:
    """Fingerprint of one luma plane.

    Parameters
    ----------
    luma : (row, column) code values, any depth.
    active : active picture; what lies outside is ignored.
    code_step : codes that make one 8-bit code (4 for 10-bit).
    blocks : of `plan_blocks`, where they are at hand, filled or not.

    Returns
    -------
    (GRID_ROWS x GRID_COLUMNS,) soft ranks, zero mean, unit length; all zero where the picture is flat.
    """
    inside = _shrink(luma, active, blocks)
    shape = GRID_ROWS, GRID_COLUMNS
    codes = int(inside.max()) + 1
    counts, share = np.zeros((4, codes), np.uint32), np.empty(codes, np.float32)
    plain, equalised = np.empty(shape, np.float32), np.empty(shape, np.float32)
    average_cells(inside, counts, share, plain, equalised)
    if float(np.ptp(plain)) < FLAT_CODES * code_step:
        return np.zeros(GRID_ROWS * GRID_COLUMNS, np.float16)
    rank = np.empty(GRID_ROWS * GRID_COLUMNS, np.float32)
    count_below(equalised.reshape(-1), REACH_SHARE, rank)
    rank -= rank.mean()
    fingerprint: NDArray[np.float16] = (rank / np.linalg.norm(rank)).astype(np.float16)
    return fingerprint


def _shrink(
    luma: NDArray[np.unsignedinteger[Any]], active: Rectangle, blocks: BlockMeans | None = None
) -> NDArray[np.unsignedinteger[Any]]:
    """Average of whole blocks of pixels, so that about `EQUALISED_COLUMNS` are left; a small picture grows to hold the grid.

    Of a large picture one row of blocks in `BLOCK_ROWS_EVERY`.
    """
    blocks = plan_blocks(luma, active=active) if blocks is None else blocks
    if blocks is not None:
        blocks.fill(luma)
        return blocks.means
    _, size, every = _small_size(active)
    inside = np.ascontiguousarray(luma[active.top : active.bottom, active.left : active.right])
    return inside if size == inside.shape[::-1] else np.ascontiguousarray(cv2.resize(inside, size, interpolation=cv2.INTER_AREA)[::every])


def _small_size(active: Rectangle) -> tuple[int, tuple[int, int], int]:
    """Pixels of a block, columns and rows of blocks, and in how many rows of blocks one is taken."""
    rows, columns = active.bottom - active.top, active.right - active.left
    block = max(round(columns / EQUALISED_COLUMNS), 1)
    size = max(columns // block, 4 * GRID_COLUMNS), max(rows // block, 4 * GRID_ROWS)
    return block, size, BLOCK_ROWS_EVERY if block > 1 and size[1] >= 4 * GRID_ROWS * BLOCK_ROWS_EVERY else 1
