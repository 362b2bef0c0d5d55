"""Order statistics of whole pictures, exact and faster than sorting: what numpy's `partition`, `median` and `quantile` give."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pairdiff.score._picture_kernels import find_ranks

FEW = 20_000
"""Up to so many values numpy is as fast (own)."""


def values_at_ranks(values: NDArray[np.float32], ranks: Sequence[int]) -> NDArray[np.float32]:
    """Values that would stand at some places of the sorted array.

    Parameters
    ----------
    values : float32, any shape, at least one.
    ranks : places, 0 the lowest value.

    Returns
    -------
    float32, in the order of `ranks`.
    """
    flat, wanted = np.ascontiguousarray(values, np.float32).reshape(-1), np.asarray(ranks, np.int64)
    if flat.size <= FEW:
        return np.asarray(np.partition(flat, np.unique(wanted))[wanted], np.float32)
    order = np.argsort(wanted, kind="stable")
    found, out = np.empty(wanted.size, np.float32), np.empty(wanted.size, np.float32)
    find_ranks(flat, np.ascontiguousarray(wanted[order]), found)
    out[order] = found
    return out


def median_of(values: NDArray[np.float32]) -> np.float32:
    """Median of float32 values, none of which is not a number, as `numpy.median` gives it."""
    middle = values.size // 2
    if values.size % 2:
        return np.float32(values_at_ranks(values, [middle])[0])
    return np.float32(np.mean(values_at_ranks(values, [middle - 1, middle])))


def quantile_of(values: NDArray[np.float32], share: float) -> float:
    """Quantile of float32 values, none of which is not a number, as `numpy.quantile` gives it, linear between the two nearest."""
    place = (values.size - 1) * share
    first = int(np.floor(place))
    low, high = values_at_ranks(values, [first, min(first + 1, values.size - 1)])
    part, step = place - first, float(high - low)
    return float(np.float32(high - step * (1 - part) if part >= 0.5 else low + step * part))
