"""Arrays with a row for each frame of a film, which need not lie in memory: fingerprints of four hours take 400 MB a side.

What is read of one is an ordinary array of the rows that were asked for. Who makes one says where it lies (`Empty`): in memory, as
`numpy.empty` does, or in a file (`_block_file.in_files`).
"""

from __future__ import annotations

import itertools
import operator
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from typing import Any, Protocol, TypeAlias

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray

NEAR_ROWS = 8
"""Rows that are asked for no further apart than this are read in one go (own)."""
TIMES_AT_ONCE = 4096
"""Times that are made numbers of in one go (own)."""


class Store(Protocol):
    """Where the rows of one array lie."""

    def read(self, start: int, stop: int) -> NDArray[Any]:
        """Rows `start` to `stop`, an array of their own."""

    def write(self, start: int, rows: NDArray[Any]) -> None:
        """Put rows in their place, from row `start` on."""


class FilmArray:
    """An array whose rows lie in a store, (row, ...); indexing along the first axis reads, and gives a new array.

    Parameters
    ----------
    store : of the rows.
    shape, kind : of the whole.
    numbers : which rows of the store these are; all of them where None.
    """

    def __init__(self, store: Store, shape: tuple[int, ...], kind: np.dtype[Any], numbers: range | NDArray[np.int64] | None = None) -> None:
        self._store, self._numbers = store, range(shape[0]) if numbers is None else numbers
        self.shape, self.dtype = (len(self._numbers), *shape[1:]), kind

    def __len__(self) -> int:
        return self.shape[0]

    def __getitem__(self, place: Any) -> NDArray[Any]:
        if isinstance(place, slice):
            return self._read(self._numbers[place])
        if np.ndim(place) == 0:
            return np.asarray(self._read([self._numbers[place]])[0])
        return self._read(self._chosen(place))

    def __setitem__(self, place: slice, rows: NDArray[Any]) -> None:
        numbers = self._numbers[place]
        if not isinstance(numbers, range) or numbers.step != 1:
            raise TypeError("rows are put into a film's array a stretch at a time")
        self._store.write(numbers.start, np.ascontiguousarray(np.broadcast_to(rows, (len(numbers), *self.shape[1:])), self.dtype))

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> NDArray[Any]:
        """All of it, in memory."""
        whole = self[:]
        return whole if dtype is None else whole.astype(dtype, copy=False)

    def part(self, start: int, stop: int) -> FilmArray:
        """Rows `start` to `stop`, not read yet."""
        return FilmArray(self._store, self.shape, self.dtype, self._numbers[start:stop])

    def chosen(self, place: Any) -> FilmArray:
        """Rows by their numbers or by flags, not read yet."""
        return FilmArray(self._store, self.shape, self.dtype, self._chosen(place))

    def _chosen(self, place: Any) -> NDArray[np.int64]:
        asked = np.asarray(place)
        if asked.dtype == bool and asked.shape != (len(self),):
            raise IndexError(f"{asked.shape} flags for an array of {len(self)} rows")
        rows = np.flatnonzero(asked) if asked.dtype == bool else asked.astype(np.int64)
        if rows.size and not -len(self) <= rows.min() <= rows.max() < len(self):
            raise IndexError(f"rows {rows.min()} to {rows.max()} of an array of {len(self)}")
        rows = np.where(rows < 0, rows + len(self), rows)
        numbers = self._numbers
        return numbers.start + numbers.step * rows if isinstance(numbers, range) else numbers[rows]

    def _read(self, numbers: Any) -> NDArray[Any]:
        """Rows of the store; what lies close together is read together."""
        if isinstance(numbers, range) and numbers.step == 1:
            return self._store.read(numbers.start, max(numbers.stop, numbers.start))
        rows = np.asarray(numbers, np.int64)
        out = np.empty((len(rows), *self.shape[1:]), self.dtype)
        step = np.diff(rows)
        edges = [0, *(np.flatnonzero((step < 0) | (step > NEAR_ROWS)) + 1).tolist(), len(rows)]
        for low, high in itertools.pairwise(edges):
            if high > low:
                first = int(rows[low])
                out[low:high] = self._store.read(first, int(rows[high - 1]) + 1)[rows[low:high] - first]
        return out


Prints: TypeAlias = FloatArray | FilmArray
"""Fingerprints or signatures of a film, (frame, cell)."""
Empty = Callable[[tuple[int, ...], Any], Prints]
"""Makes an array of a shape and a kind, to be filled a stretch at a time."""


def in_memory(shape: tuple[int, ...], kind: Any) -> Prints:
    """The `Empty` of arrays that stay in memory."""
    return np.empty(shape, kind)


def part_of(prints: Prints, start: int, stop: int) -> Prints:
    """Frames `start` to `stop`, neither read nor copied."""
    return prints.part(start, stop) if isinstance(prints, FilmArray) else prints[start:stop]


def chosen_of(prints: Prints, place: NDArray[Any]) -> Prints:
    """Frames by their numbers or by flags; not read where they do not lie in memory."""
    return prints.chosen(place) if isinstance(prints, FilmArray) else prints[place]


class FilmTimes(Sequence[Fraction]):
    """Times of the frames of a film, seconds, read as a tuple of fractions would be: as objects those of four hours take 40 MB.

    Parameters
    ----------
    parts : numerator and denominator of each, (frame, 2), int64.
    """

    def __init__(self, parts: NDArray[np.int64]) -> None:
        self.parts = parts

    def __len__(self) -> int:
        return len(self.parts)

    def __getitem__(self, place: Any) -> Any:
        return FilmTimes(self.parts[place]) if isinstance(place, slice) else Fraction(*self.parts[place].tolist())

    def __iter__(self) -> Iterator[Fraction]:
        for start in range(0, len(self.parts), TIMES_AT_ONCE):
            yield from (Fraction(*one) for one in self.parts[start : start + TIMES_AT_ONCE].tolist())

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and len(self) == len(other) and all(map(operator.eq, self, other))

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"<times of {len(self)} frames>"
