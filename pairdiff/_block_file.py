"""Blocks of rows put into a file without a name, so that what is found of each pair of a film does not fill the memory."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import IO

import numpy as np

from pairdiff._tables import Rows


class BlockFile:
    """A place for blocks of rows; use it in a `with` statement: they are gone at its end, and also where the run is killed.

    Parameters
    ----------
    folder : in which the file lies; made where it is missing. Where it cannot be written, as on a disk that is full, blocks stay in memory.
    """

    def __init__(self, folder: Path) -> None:
        self._file: IO[bytes] | None = None
        with contextlib.suppress(OSError):
            folder.mkdir(parents=True, exist_ok=True)
            self._file = tempfile.TemporaryFile(dir=folder, buffering=0)  # noqa: SIM115 - open until the end of the run

    def __enter__(self) -> BlockFile:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self._file is not None:
            self._file.close()

    def keep(self, rows: Rows) -> Callable[[], Rows]:
        """Put a block away; what is returned reads it."""
        if self._file is None:
            return lambda: rows
        file, kind, count, size = self._file, rows.dtype, len(rows), rows.nbytes
        try:
            place = file.seek(0, os.SEEK_END)
            if file.write(np.ascontiguousarray(rows).tobytes()) != size:
                return lambda: rows
        except OSError:
            return lambda: rows

        def read() -> Rows:
            file.seek(place)
            return np.frombuffer(file.read(size), kind, count)

        return read
