"""Decoded pictures kept on disk for the length of a run, so that the few that are looked at several times are decoded once."""

from __future__ import annotations

import contextlib
import re
import shutil
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Frame

FOLDER, PREFIX = "pictures-of-runs", "run-"
"""Where pictures lie, within the folder given, and how the folder of each run begins."""
LEFT_BEHIND_S = 3600
"""A folder of pictures that was not written to for so long is one that a killed run has left, seconds (own)."""


@dataclass(frozen=True, slots=True)
class _Kept:
    """Where a picture lies, and what the file does not say of it."""

    path: Path
    frame: Frame
    """With planes of no pixels."""
    shapes: tuple[tuple[tuple[int, ...], np.dtype[Any]], ...]


class Spool:
    """Pictures by name and number; use it in a `with` statement: the files are gone at its end.

    Parameters
    ----------
    folder
        Where they may lie; made where it is missing. A disk that is full or not writable is passed over: those pictures are not kept.
    """

    def __init__(self, folder: Path) -> None:
        self._kept: dict[tuple[str, int], _Kept] = {}
        self._room: tempfile.TemporaryDirectory[str] | None = None
        try:
            folder = folder / FOLDER
            folder.mkdir(parents=True, exist_ok=True)
            _clear_up(folder)
            self._room = tempfile.TemporaryDirectory(prefix=PREFIX, dir=folder, ignore_cleanup_errors=True)
        except OSError:
            self._room = None

    def __enter__(self) -> Spool:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self._room is not None:
            self._room.cleanup()
        self._room, self._kept = None, {}

    def put(self, name: str, frame: Frame) -> bool:
        """Keep a picture; False where there is no room for it."""
        if self._room is None:
            return False
        path = Path(self._room.name) / f"{name}-{frame.index}"
        try:
            with path.open("wb") as file:
                for plane in frame.planes:
                    np.ascontiguousarray(plane).tofile(file)
        except OSError:
            path.unlink(missing_ok=True)
            return False
        nothing: tuple[NDArray[np.unsignedinteger[Any]], ...] = ()
        shapes = tuple((plane.shape, plane.dtype) for plane in frame.planes)
        self._kept[name, frame.index] = _Kept(path, replace(frame, planes=nothing), shapes)
        return True

    def get(self, name: str, number: int) -> Frame | None:
        """A picture that was kept; None for any other, and where its file is not whole any more."""
        kept = self._kept.get((name, number))
        if kept is None:
            return None
        planes = []
        try:
            with kept.path.open("rb") as file:
                for shape, kind in kept.shapes:
                    plane = np.fromfile(file, kind, int(np.prod(shape))).reshape(shape)
                    plane.flags.writeable = False
                    planes.append(plane)
        except (OSError, ValueError):
            return None
        return replace(kept.frame, planes=tuple(planes))


def _clear_up(folder: Path) -> None:
    """Remove what runs that were killed have left behind."""
    for left in folder.glob(f"{PREFIX}*"):
        with contextlib.suppress(OSError):
            old = left.is_dir() and time.time() - left.stat().st_mtime > LEFT_BEHIND_S
            if old and all(re.fullmatch(r"(hdr|sdr)-\d+", one.name) for one in left.iterdir()):  # nothing but what a run puts there
                shutil.rmtree(left, ignore_errors=True)
