"""Decoded pictures kept on disk for the length of a run, so that the few that are looked at several times are decoded once."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, replace
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._errors import OutputRefused
from pairdiff._nameless_file import NamelessFile
from pairdiff._records import Frame


@dataclass(frozen=True, slots=True)
class _Kept:
    """Where the planes of a picture lie in the file, and what the file does not say of it."""

    places: tuple[int, ...]
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
        self._file: NamelessFile | None = None
        with contextlib.suppress(OSError):
            self._file = NamelessFile(folder)

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
        try:
            places = tuple([self._file.append(plane) for plane in frame.planes])
        except OSError:
            return False
        nothing: tuple[NDArray[np.unsignedinteger[Any]], ...] = ()
        shapes = tuple((plane.shape, plane.dtype) for plane in frame.planes)
        self._kept[name, frame.index] = _Kept(places, replace(frame, planes=nothing), shapes)
        return True

    def get(self, name: str, number: int) -> Frame | None:
        """A picture that was kept; None for any other, and where the file does not hold all of it any more."""
        kept = self._kept.get((name, number))
        if kept is None or self._file is None:
            return None
        try:
            planes = [self._file.read(place, *shape) for place, shape in zip(kept.places, kept.shapes, strict=True)]
        except (OSError, OutputRefused):
            return None
        for plane in planes:
            plane.flags.writeable = False
        return replace(kept.frame, planes=tuple(planes))
