"""Rows put into files without a name, so that neither what is found of each pair of a film nor its fingerprints fill the memory."""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
import weakref
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._errors import OutputRefused
from pairdiff._film_array import Empty, FilmArray, Prints
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
        self._folder, self._lock = folder, threading.Lock()
        self._file: IO[bytes] | None = None
        with contextlib.suppress(OSError):
            self._file = _open_nameless(folder)

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
        file, folder, kind, count, size = self._file, self._folder, rows.dtype, len(rows), rows.nbytes
        lock = self._lock
        try:
            with lock:
                place = file.seek(0, os.SEEK_END)
                written = file.write(np.ascontiguousarray(rows).tobytes())
        except OSError:
            return lambda: rows
        if written != size:
            return lambda: rows

        def read() -> Rows:
            with lock:
                file.seek(place)
                data = file.read(size)
            if len(data) != size:
                raise _cut_short(folder, len(data), size)
            return np.frombuffer(data, kind, count)

        return read


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
        self._folder, self._shape, self._kind = folder, shape, kind
        self._row_bytes = int(np.prod(shape[1:])) * kind.itemsize
        self._file = _open_nameless(folder)
        weakref.finalize(self, self._file.close)
        self._file.truncate(shape[0] * self._row_bytes)
        self._held: NDArray[Any] | None = None
        self._lock = threading.RLock()

    def read(self, start: int, stop: int) -> NDArray[Any]:
        if self._held is not None:
            return self._held[start:stop].copy()
        out = np.empty((stop - start, *self._shape[1:]), self._kind)
        data, done = out.reshape(-1).view(np.uint8).data, 0
        with self._lock:
            self._file.seek(start * self._row_bytes)
            while done < len(data):
                more = self._file.readinto(data[done:])  # type: ignore[attr-defined]
                if not more:
                    raise _cut_short(self._folder, done, len(data))
                done += more
        return out

    def write(self, start: int, rows: NDArray[Any]) -> None:
        with self._lock:
            if self._held is None:
                try:
                    self._put(start, rows)
                except OSError:
                    self._held = self.read(0, self._shape[0])
            if self._held is not None:
                self._held[start : start + len(rows)] = rows

    def _put(self, start: int, rows: NDArray[Any]) -> None:
        self._file.seek(start * self._row_bytes)
        data = np.ascontiguousarray(rows).reshape(-1).view(np.uint8).data
        while len(data):
            data = data[self._file.write(data) :]


def _open_nameless(folder: Path) -> IO[bytes]:
    folder.mkdir(parents=True, exist_ok=True)
    return tempfile.TemporaryFile(dir=folder, buffering=0)


def _cut_short(folder: Path, found: int, wanted: int) -> OutputRefused:
    return OutputRefused(
        f"What this run has put into a file without a name in {folder} is cut short: {found} bytes of {wanted} are left. Something changed "
        "that disk while the run went on. Run again; name another folder with PAIRDIFF_KEEP_DIR if it happens again."
    )
