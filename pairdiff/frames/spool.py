"""Decoded pictures kept on disk for the length of a run, so that the few that are looked at several times are decoded once."""

from __future__ import annotations

import contextlib
import os
import tempfile
import threading
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Frame


@dataclass(frozen=True, slots=True)
class _Kept:
    """Where a picture lies in the file, and what the file does not say of it."""

    start: int
    frame: Frame
    """With planes of no pixels."""
    shapes: tuple[tuple[tuple[int, ...], np.dtype[Any]], ...]


class Spool:
    """Pictures by name and number; use it in a `with` statement.

    They lie in a file without a name, which is gone at its end, and also where the run is killed.

    Parameters
    ----------
    folder
        Where it may lie; made where it is missing. A disk that is full or not writable is passed over: those pictures are not kept.
    """

    def __init__(self, folder: Path) -> None:
        self._kept: dict[tuple[str, int], _Kept] = {}
        self._lock = threading.Lock()  # one thread decodes, another looks
        self._file: IO[bytes] | None = None
        with contextlib.suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            self._file = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115 - open until the end of the run

    def __enter__(self) -> Spool:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self._file is not None:
            self._file.close()
        self._file, self._kept = None, {}

    def put(self, name: str, frame: Frame) -> bool:
        """Keep a picture; False where there is no room for it."""
        if self._file is None:
            return False
        with self._lock:
            start = self._file.seek(0, os.SEEK_END)
            try:
                for plane in frame.planes:
                    _write(self._file, plane)
            except OSError:
                with contextlib.suppress(OSError):
                    self._file.truncate(start)
                return False
        nothing: tuple[NDArray[np.unsignedinteger[Any]], ...] = ()
        self._kept[name, frame.index] = _Kept(start, replace(frame, planes=nothing), tuple((one.shape, one.dtype) for one in frame.planes))
        return True

    def get(self, name: str, number: int) -> Frame | None:
        """A picture that was kept; None for any other, and where the file does not hold all of it any more."""
        kept = self._kept.get((name, number))
        if kept is None or self._file is None:
            return None
        with self._lock:
            try:
                self._file.seek(kept.start)
                planes = [_read(self._file, shape, kind) for shape, kind in kept.shapes]
            except OSError:
                return None
        return replace(kept.frame, planes=tuple(planes))


def _write(file: IO[bytes], plane: NDArray[Any]) -> None:
    data = np.ascontiguousarray(plane).reshape(-1).view(np.uint8).data
    while len(data):
        data = data[file.write(data) :]


def _read(file: IO[bytes], shape: tuple[int, ...], kind: np.dtype[Any]) -> NDArray[Any]:
    """Raises OSError where the file ends before."""
    plane = np.empty(shape, kind)
    data, done = plane.reshape(-1).view(np.uint8).data, 0
    while done < len(data):
        more = file.readinto(data[done:])  # type: ignore[attr-defined]
        if not more:
            raise OSError("the file is cut short")
        done += more
    plane.flags.writeable = False
    return plane
