"""Where the chroma samples of a release lie, told by its pictures: a siting that is read wrongly moves colours against their edges."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Frame, Signal

FIRST, EVERY, LAST = 16, 12, 64
"""Pictures that are looked at (own): the first few, for a short clip, then one in some, up to this many."""
MOST_ROWS, MOST_COLUMNS = 1080, 1920
"""Middle of a picture that is looked at, luma samples (own)."""
WINDOW = 8
"""Side of a window, chroma samples (own)."""
WINDOWS_A_TILE = 60
"""Windows of the most colour contrast that a tile gives (own)."""
TILES = 4
"""Tiles along either side of a picture; each gives one reading (own)."""
LEAST_WINDOWS = 8
"""Windows that a reading needs (own)."""
LEAST_READINGS = 20
"""Readings that an answer needs (own)."""
LEAST_CONTRAST_CODE8 = 2.0
"""Standard deviation of chroma in a window, codes of 8 bits, from which its edges stand out of coding (own)."""
LEAST_EXPLAINED = 0.9
"""Share of a window's chroma variance that luma has to explain (own): only then do the two show the same edge."""
READ_OTHERWISE = 0.35
"""Shift from which another siting is meant, luma samples: sitings are half a luma sample apart (own)."""
HOW_FAR = 0.3
"""Bound of the interval of the shift that has to lie beyond, and how near to a siting it has to be to bear its name (own)."""
AGREE = 0.25
"""How far the two chroma planes may lie apart, luma samples (own)."""
NEAR = 0.3
"""How near to a siting a place has to be to bear its name, luma samples (own)."""
OTHER_PLACE = "none of these"
PLACES = {(0.0, 0.5): "left", (0.5, 0.5): "centre", (0.0, 0.0): "top-left"}
"""Place of the first chroma sample right of and below the first luma sample, luma samples (H.264 figure E-1)."""
FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class ChromaShift:
    """How far chroma lies from where it is read, luma samples; positive is right, or down."""

    across: float
    down: float
    """0 where the sampling has no other place (4:2:2)."""
    low: tuple[float, float]
    high: tuple[float, float]
    """Intervals of both, 95 %."""
    readings: int


@dataclass(slots=True)
class SitingWatch:
    """Looks at pictures as they come; `found` says where their chroma lies."""

    signal: Signal
    _readings: dict[int, list[FloatArray]] = field(default_factory=lambda: {1: [], 2: []})
    _frames: int = 0
    """Pictures that came."""

    def forget(self) -> None:
        """Begin anew."""
        self._readings, self._frames = {1: [], 2: []}, 0

    def watch(self, frames: Iterable[Frame]) -> Iterator[Frame]:
        """The same pictures, looked at as they pass."""
        for frame in frames:
            self.add(frame)
            yield frame

    def add(self, frame: Frame) -> None:
        """Take the readings of one picture; pictures without subsampled chroma, and those beyond the first few, are let pass."""
        sampling = self.signal.chroma_sampling.value
        if sampling not in ("420", "422") or len(frame.planes) < 3:
            return
        self._frames += 1
        number = self._frames - 1
        if number >= LAST or (number >= FIRST and number % EVERY != FIRST % EVERY):
            return
        step = 2.0 ** (self.signal.bit_depth.value - 8)
        luma, *both = _middle(frame.planes, sampling)
        basis = _luma_basis(luma, sampling=sampling, siting=self.signal.chroma_siting.value)
        for number, chroma in enumerate(both, 1):
            self._readings[number] += _read_tiles(chroma.astype(np.float32) / np.float32(step), basis / np.float32(step))

    def found(self) -> ChromaShift | None:
        """The shift that both chroma planes show; None where there are too few edges of colour, or the two planes do not agree."""
        planes = [np.array(readings) for readings in self._readings.values() if len(readings) >= LEAST_READINGS]
        if not planes:
            return None
        medians = [np.median(readings, 0) for readings in planes]
        if np.abs(medians[0] - medians[-1]).max() > AGREE:
            return None  # film whose dyes or lens shift its colours against each other
        readings = np.concatenate(planes)
        low, high = _median_interval(readings)
        middle = np.median(readings, 0)
        vertical = self.signal.chroma_sampling.value == "420"
        return ChromaShift(
            float(middle[0]),
            float(middle[1]) if vertical else 0.0,
            (float(low[0]), float(low[1]) if vertical else 0.0),
            (float(high[0]), float(high[1]) if vertical else 0.0),
            len(readings),
        )


def siting_by_shift(shift: ChromaShift, signal: Signal) -> str | None:
    """The siting that the pictures show where it is another than the one they are read with.

    Parameters
    ----------
    shift
        As found with the siting of `signal`.
    signal
        How the pictures are read.

    Returns
    -------
    Name of a siting, `OTHER_PLACE` for a shift that no siting explains, or None where the pictures bear out the one read.
    """
    across, down = next(place for place, name in PLACES.items() if name == signal.chroma_siting.value)
    if not any(map(_is_off, (shift.across, shift.down), shift.low, shift.high)):
        return None
    shown = (across + shift.across, down + shift.down)
    place = min(PLACES, key=lambda place: max(abs(place[0] - shown[0]), abs(place[1] - shown[1])))
    near = max(abs(place[0] - shown[0]), abs(place[1] - shown[1])) <= NEAR
    return PLACES[place] if near and PLACES[place] != signal.chroma_siting.value else OTHER_PLACE


def say_siting(shift: ChromaShift | None, signal: Signal, *, side: str) -> str | None:
    """The note where pictures show their chroma at another place than it is read; None where they do not."""
    shown = None if shift is None else siting_by_shift(shift, signal)
    if shift is None or shown is None:
        return None
    moved = [
        f"{abs(value):.1f} luma samples further {words[value > 0]} (95 %: {min(abs(low), abs(high)):.1f} to {max(abs(low), abs(high)):.1f})"
        for value, low, high, words in zip(
            (shift.across, shift.down), shift.low, shift.high, (("left", "right"), ("up", "down")), strict=True
        )
        if _is_off(value, low, high)
    ]
    advice = (
        "No siting explains that: its colours were moved when it was made."
        if shown == OTHER_PLACE
        else f"The siting {shown} explains that; if the release was made so, say --{side}-siting {shown}."
    )
    return (
        f"Chroma is read as {signal.chroma_siting.value} ({signal.chroma_siting.source}), but by the edges in its pictures it lies "
        f"{' and '.join(moved)}. {advice} A lens or the dyes of a film can move colours as well."
    )


def _is_off(value: float, low: float, high: float) -> bool:
    return abs(value) >= READ_OTHERWISE and (low > HOW_FAR or high < -HOW_FAR)


def _middle(planes: Sequence[NDArray[np.unsignedinteger[Any]]], sampling: str) -> list[NDArray[np.unsignedinteger[Any]]]:
    """The middle of large pictures, which tells enough."""
    down = 2 if sampling == "420" else 1
    rows, columns = planes[1].shape
    top, left = max(rows - MOST_ROWS // down, 0) // 2, max(columns - MOST_COLUMNS // 2, 0) // 2
    parts = slice(top, rows - top), slice(left, columns - left)
    luma = planes[0][down * parts[0].start : down * parts[0].stop, 2 * parts[1].start : 2 * parts[1].stop]
    return [luma, *(plane[parts] for plane in planes[1:3])]


def _luma_basis(luma: NDArray[np.unsignedinteger[Any]], *, sampling: str, siting: str) -> NDArray[np.float32]:
    """Smoothed luma at the places of the chroma samples, its slopes across and down, and its curvature, (4, row, column)."""
    between_columns, between_rows = siting == "centre", siting in ("left", "centre") and sampling == "420"
    values = luma.astype(np.float32)
    smooth = cv2.sepFilter2D(values, -1, _taps(between_columns), _taps(between_rows), borderType=cv2.BORDER_REPLICATE)
    slope = np.array([-0.5, 0.0, 0.5], np.float32)
    one = np.array([0.0, 1.0, 0.0], np.float32)
    across = cv2.sepFilter2D(smooth, -1, slope, one, borderType=cv2.BORDER_REPLICATE)
    down = cv2.sepFilter2D(smooth, -1, one, slope, borderType=cv2.BORDER_REPLICATE)
    rows = 2 if sampling == "420" else 1
    curved = cv2.Laplacian(smooth, -1, borderType=cv2.BORDER_REPLICATE)
    return np.stack([plane[::rows, ::2] for plane in (smooth, across, down, curved)])


def _taps(between: bool) -> NDArray[np.float32]:
    """A smoothing filter about a sample, or about the middle between it and the next one."""
    return np.array([0, 0.125, 0.375, 0.375, 0.125] if between else [0, 0.25, 0.5, 0.25, 0], np.float32)


def _read_tiles(chroma: NDArray[np.float32], basis: NDArray[np.float32]) -> list[FloatArray]:
    """Shifts (across, down) of the tiles of a picture that have enough edges of colour."""
    rows, columns = min(chroma.shape[0], basis.shape[1]) // WINDOW, min(chroma.shape[1], basis.shape[2]) // WINDOW
    if rows < 3 or columns < 3:
        return []
    windows = _windows(chroma[None], rows, columns)[..., 0]
    contrast = windows.std(2)
    contrast[[0, -1]] = contrast[:, [0, -1]] = 0  # the edge of a picture is no edge of it
    found = []
    for top, bottom in _tiles(rows):
        for left, right in _tiles(columns):
            part = contrast[top:bottom, left:right]
            order = np.argsort(part, axis=None)[::-1][:WINDOWS_A_TILE]
            picked = np.unravel_index(order[part.ravel()[order] >= LEAST_CONTRAST_CODE8], part.shape)
            if len(picked[0]) < LEAST_WINDOWS:
                continue
            where = (picked[0] + top, picked[1] + left)
            reading = _fit(windows[where], _gather(basis, where))
            if reading is not None:
                found.append(reading)
    return found


def _tiles(count: int) -> list[tuple[int, int]]:
    ends = np.linspace(0, count, TILES + 1).astype(int)
    return list(zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True))


def _windows(planes: NDArray[np.float32], rows: int, columns: int) -> NDArray[np.float32]:
    """(window row, window column, sample, plane)."""
    cut = planes[:, : rows * WINDOW, : columns * WINDOW].reshape(len(planes), rows, WINDOW, columns, WINDOW)
    return cut.transpose(1, 3, 2, 4, 0).reshape(rows, columns, WINDOW * WINDOW, len(planes))


def _gather(planes: NDArray[np.float32], where: tuple[NDArray[np.intp], NDArray[np.intp]]) -> NDArray[np.float32]:
    """(window, sample, plane) of chosen windows."""
    steps = np.arange(WINDOW)
    rows = where[0][:, None, None] * WINDOW + steps[None, :, None]
    columns = where[1][:, None, None] * WINDOW + steps[None, None, :]
    return planes[:, rows, columns].reshape(len(planes), len(where[0]), -1).transpose(1, 2, 0)


def _fit(chroma: NDArray[np.float32], basis: NDArray[np.float32]) -> FloatArray | None:
    """Weighted median of the shifts that windows show: chroma = a + b (luma moved by the shift), to the first order."""
    values = chroma.astype(np.float64) - chroma.mean(1, keepdims=True)
    terms = basis.astype(np.float64) - basis.mean(1, keepdims=True)
    square = terms.transpose(0, 2, 1) @ terms + 1e-6 * np.eye(terms.shape[2])
    slopes = np.linalg.solve(square, (terms.transpose(0, 2, 1) @ values[..., None]))[..., 0]
    left = ((values - (terms @ slopes[..., None])[..., 0]) ** 2).sum(1)
    explained = 1 - left / np.maximum((values**2).sum(1), 1e-9)
    gain = slopes[:, 0]
    good = (explained >= LEAST_EXPLAINED) & (np.abs(gain) > 1e-3)
    if good.sum() < LEAST_WINDOWS:
        return None
    shifts = slopes[good, 1:3] / gain[good, None]
    weights = gain[good, None] ** 2 * (terms[good][..., 1:3] ** 2).sum(1) / np.maximum(left[good], 1.0)[:, None]
    return np.array([_weighted_median(shifts[:, axis], weights[:, axis]) for axis in range(2)])


def _weighted_median(values: FloatArray, weights: FloatArray) -> float:
    order = np.argsort(values)
    heap = np.cumsum(weights[order])
    return float(values[order][min(int(np.searchsorted(heap, heap[-1] / 2)), len(values) - 1)])


def _median_interval(readings: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Interval of the median of each column by order statistics, about 95 %."""
    ordered = np.sort(readings, 0)
    reach = 0.98 * len(readings) ** 0.5
    low, high = int(np.floor(len(readings) / 2 - reach)), int(np.ceil(len(readings) / 2 + reach))
    return ordered[max(low, 0)], ordered[min(high, len(readings) - 1)]
