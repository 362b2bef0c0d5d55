"""Active picture: the rows and columns that are not letterbox or pillarbox, as a union over many frames."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Rectangle

ROW_CODES = 1.0
"""A row (or column) whose mean never rises more than this above black, in 8-bit codes, is a bar."""
EDGE_SHARE = 0.25
"""An edge row must also reach this share of what lies eight rows further in: codec ringing in the bar does not."""
LEAST_SHARE = 0.2
"""An active picture smaller than this share of the width or height is a failed detection: the whole picture is taken."""


class ActiveFinder:
    """Collects row and column means over frames; the rectangle is their union.

    Parameters
    ----------
    black_code : luma code of black.
    code_step : codes that make one 8-bit code (4 for 10-bit).
    """

    def __init__(self, *, black_code: float, code_step: float) -> None:
        self._black, self._step = black_code, code_step
        self._rows: NDArray[np.float64] | None = None
        self._columns: NDArray[np.float64] | None = None

    def add(self, luma: NDArray[np.unsignedinteger[Any]]) -> None:
        """See one luma plane, (row, column) code values."""
        rows = luma.mean(1, dtype=np.float64) - self._black
        columns = luma.mean(0, dtype=np.float64) - self._black
        self._rows = rows if self._rows is None else np.maximum(self._rows, rows)
        self._columns = columns if self._columns is None else np.maximum(self._columns, columns)

    def rectangle(self) -> Rectangle:
        """The active picture; the whole picture where nothing brighter than bars was seen."""
        if self._rows is None or self._columns is None:
            raise ValueError("no frame was added")
        top, bottom = self._span(self._rows)
        left, right = self._span(self._columns)
        return Rectangle(top, bottom, left, right)

    def _span(self, profile: NDArray[np.float64]) -> tuple[int, int]:
        lit = np.flatnonzero(profile > ROW_CODES * self._step)
        if lit.size == 0:
            return 0, profile.size
        first = _inward(profile, int(lit[0]))
        last = profile.size - _inward(profile[::-1], profile.size - 1 - int(lit[-1]))
        return (first, last) if last - first >= LEAST_SHARE * profile.size else (0, profile.size)


def _inward(profile: NDArray[np.float64], first: int) -> int:
    """Move an edge inwards past rows that hold only the ringing of the picture behind them."""
    if first == 0:
        return 0
    while first + 8 < profile.size and profile[first] < EDGE_SHARE * profile[first + 8]:
        first += 1
    return first
