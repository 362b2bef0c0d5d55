"""Rows put into files without a name, so that neither what is found of each pair of a film nor its fingerprints fill the memory."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Empty, FilmArray, Prints
from pairdiff._nameless_file import NamelessFile
from pairdiff._tables import Rows

LEAST_FILE_BYTES = 2**24
"""Smaller arrays stay in memory: fingerprints of ten minutes (own)."""


class BlockFile:
    """A place for blocks of rows; use it in a `with` statement: they are gone at its end, and also where the run is killed.

    Parameters
    ----------
    folder : in which the file lies; made where it is missing. Where it cannot be written, as on a disk that is full, blocks stay in memory.
    """

    def __init__(self, folder: Path) -> None:
        self._file: NamelessFile | None = None
        with contextlib.suppress(OSError):
            self._file = NamelessFile(folder)

    def __enter__(self) -> BlockFile:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self._file is not None:
            self._file.close()

    def keep(self, rows: Rows) -> Callable[[], Rows]:
        """Put a block away; what is returned reads it.

        Raises
        ------
        OutputRefused : by what is returned, where the file no longer holds the block.
        """
        if self._file is None:
            return lambda: rows
        file, shape, kind = self._file, rows.shape, rows.dtype
        try:
            place = file.append(rows)
        except OSError:
            return lambda: rows
        return lambda: file.read(place, shape, kind)


def in_files(folder: Path) -> Empty:
    """Makes arrays that lie in files without a name, each in one of its own, which is gone when nothing holds the array any more.

    Parameters
    ----------
    folder : in which the files lie; made where it is missing. Small arrays, and those that it has no room for, are in memory.
    """

    def make(shape: tuple[int, ...], kind: Any) -> Prints:
        dtype = np.dtype(kind)
        if int(np.prod(shape)) * dtype.itemsize >= LEAST_FILE_BYTES:
            with contextlib.suppress(OSError):
                return FilmArray(_RowFile(folder, shape, dtype), shape, dtype)
        return np.empty(shape, dtype)

    return make


class _RowFile:
    """The rows of one array, read and written in place; in memory from where the disk takes no more."""

    def __init__(self, folder: Path, shape: tuple[int, ...], kind: np.dtype[Any]) -> None:
        self._shape, self._kind = shape, kind
        self._row_bytes = int(np.prod(shape[1:])) * kind.itemsize
        self._file = NamelessFile(folder, size_bytes=shape[0] * self._row_bytes)
        self._held: NDArray[Any] | None = None

    def read(self, start: int, stop: int) -> NDArray[Any]:
        if self._held is not None:
            return self._held[start:stop].copy()
        return self._file.read(start * self._row_bytes, (stop - start, *self._shape[1:]), self._kind)

    def write(self, start: int, rows: NDArray[Any]) -> None:
        if self._held is None:
            try:
                self._file.write(start * self._row_bytes, rows)
            except OSError:
                self._held = self.read(0, self._shape[0])
        if self._held is not None:
            self._held[start : start + len(rows)] = rows
