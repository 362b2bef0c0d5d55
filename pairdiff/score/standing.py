"""Marks that stand still over the picture from shot to shot: a burnt-in logo or caption is no highlight of the film.

Cuts change everything that was filmed. What stays above SDR white at one place, at one level, through several shots was laid over the
picture afterwards. Such places are left out of the highlight figures, and the figures with them are kept beside.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray
from pairdiff._settings import Settings
from pairdiff.score.headroom import quiet_level

LEAST_SHOTS = 3
"""Shots through which a mark must stand still (own)."""
MOST_SIZES = 8
"""Canvas sizes that are looked after at once, the first ones met: memory stays bounded where the geometry changes often (own)."""
GROWN_PIXELS = 5
"""Width of the square by which a mark grows, for its soft edge (own)."""


@dataclass(frozen=True, slots=True)
class SeenLevels:
    """What was seen of the pictures of one canvas size."""

    lowest_nits: NDArray[np.float32]
    """(row, column)."""
    highest_nits: NDArray[np.float32]
    shots: tuple[int, ...]
    """Numbers of the shots, ascending."""


class StandingMarks:
    """Lowest and highest level of every place of the canvas, gathered picture by picture; each canvas size by itself."""

    def __init__(self) -> None:
        self._lowest: dict[tuple[int, int], NDArray[np.float32]] = {}
        self._highest: dict[tuple[int, int], NDArray[np.float32]] = {}
        self._shots: dict[tuple[int, int], set[int]] = {}

    def add(self, hdr_level_nits: FloatArray, *, shot: int) -> None:
        """See the level, (row, column), cd/m2, of one HDR picture on the canvas."""
        level = quiet_level(hdr_level_nits)
        size = (level.shape[0], level.shape[1])
        if size not in self._lowest and len(self._lowest) >= MOST_SIZES:
            return
        if size in self._lowest:
            np.minimum(self._lowest[size], level, out=self._lowest[size])
            np.maximum(self._highest[size], level, out=self._highest[size])
        else:
            self._lowest[size], self._highest[size], self._shots[size] = level.copy(), level.copy(), set()
        self._shots[size].add(shot)

    def state(self) -> tuple[SeenLevels, ...]:
        """All that was seen so far, in the order in which the sizes were met."""
        return tuple(
            SeenLevels(lowest.copy(), self._highest[size].copy(), tuple(sorted(self._shots[size]))) for size, lowest in self._lowest.items()
        )

    def go_on(self, state: Sequence[SeenLevels]) -> None:
        """Take what an earlier run has seen in the place of all that was seen so far."""
        self._lowest, self._highest, self._shots = {}, {}, {}
        for one in state:
            size = (one.lowest_nits.shape[0], one.lowest_nits.shape[1])
            self._lowest[size], self._highest[size], self._shots[size] = one.lowest_nits.copy(), one.highest_nits.copy(), set(one.shots)

    def masks(self, *, white_nits: float, settings: Settings) -> dict[tuple[int, int], NDArray[np.bool_]]:
        """Where a mark stands, by canvas size; sizes without one are left out.

        Parameters
        ----------
        white_nits : SDR white at `controls`, cd/m2.
        settings : how steady a mark is, and how much of a picture it covers at most.

        Returns
        -------
        (row, column) masks.
        """
        found = {}
        for size, lowest in self._lowest.items():
            still = (lowest >= white_nits) & (self._highest[size] <= settings.mark_steady_ratio * lowest)
            if len(self._shots[size]) >= LEAST_SHOTS and 0 < still.mean() <= settings.mark_most_share:
                found[size] = cv2.dilate(still.astype(np.uint8), np.ones((GROWN_PIXELS, GROWN_PIXELS), np.uint8)) > 0
        return found
