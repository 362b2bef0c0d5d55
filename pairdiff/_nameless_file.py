"""A file without a name: it is gone when it is closed, when nothing holds it any more, and also where the run is killed."""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
import weakref
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._errors import OutputRefused


class NamelessFile:
    """Arrays at places of their own in one file; several threads may read and write.

    Parameters
    ----------
    folder : in which it lies; made where it is missing.
    size_bytes : to begin with.

    Raises
    ------
    OSError : where the folder cannot be written.
    """

    def __init__(self, folder: Path, *, size_bytes: int = 0) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder, self._lock = folder, threading.Lock()
        self._file = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115 - open as long as this holds it
        weakref.finalize(self, self._file.close)
        self._file.truncate(size_bytes)

    def close(self) -> None:
        """A second call does nothing."""
        self._file.close()

    def append(self, array: NDArray[Any]) -> int:
        """Put an array behind what there is, and say where; nothing of one that there is no room for stays (OSError)."""
        with self._lock:
            place = self._file.seek(0, os.SEEK_END)
            try:
                self._put(array)
            except OSError:
                with contextlib.suppress(OSError):
                    self._file.truncate(place)
                raise
        return place

    def write(self, place: int, array: NDArray[Any]) -> None:
        """Put an array at a place, bytes; OSError where there is no room."""
        with self._lock:
            self._file.seek(place)
            self._put(array)

    def read(self, place: int, shape: tuple[int, ...], kind: np.dtype[Any]) -> NDArray[Any]:
        """The array at a place, bytes.

        Raises
        ------
        OutputRefused : where the file no longer holds all of it.
        """
        out = np.empty(shape, kind)
        data, done = out.reshape(-1).view(np.uint8).data, 0
        with self._lock:
            self._file.seek(place)
            while done < len(data):
                more = self._file.readinto(data[done:])
                if not more:
                    raise OutputRefused(
                        f"What this run has put into a file without a name in {self._folder} is cut short: {done} bytes of {len(data)} are "
                        "left. Something changed that disk while the run went on. Run again; name another folder with PAIRDIFF_KEEP_DIR "
                        "if it happens again."
                    )
                done += more
        return out

    def _put(self, array: NDArray[Any]) -> None:
        data = np.ascontiguousarray(array).reshape(-1).view(np.uint8).data
        while len(data):
            data = data[self._file.write(data) :]
