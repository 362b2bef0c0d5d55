"""What is being decoded right now, told to the process that watches this one (`_watch`); nothing where nobody watches.

A codec library that crashes takes its process with it, and one that hangs holds it. So the command line works in a process of its own, and
writes into a small shared file what it decodes and since when. Bytes of the file: two limits (seconds for one picture, bytes of memory),
then a place for each thread that decodes: since when (`time.monotonic`, 0 for not now), and what, as text.
"""

from __future__ import annotations

import mmap
import os
import struct
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

FILE_VARIABLE = "PAIRDIFF_BEAT_FILE"
"""Environment variable with the path of the shared file."""
PLACES, PLACE_BYTES = 16, 1024
_HEAD = struct.Struct("<dd")
_SINCE = struct.Struct("<d")
SIZE_BYTES = _HEAD.size + PLACES * PLACE_BYTES


@dataclass(frozen=True, slots=True)
class Beat:
    """What the watching process reads."""

    limit_s: float
    """Longest that one step of a decoder may take, seconds; 0 before it is known."""
    memory_limit_bytes: float
    """0 before it is known."""
    busy: tuple[tuple[float, str], ...]
    """Since when each thread that decodes has been at it (`time.monotonic`), and at what."""


class _Writer:
    """The shared file of this process, opened once."""

    def __init__(self, path: str) -> None:
        with open(path, "r+b") as file:
            self._bytes = mmap.mmap(file.fileno(), SIZE_BYTES)
        self._own = threading.local()
        self._next, self._lock = 0, threading.Lock()

    def set_limits(self, limit_s: float, memory_limit_bytes: float) -> None:
        _HEAD.pack_into(self._bytes, 0, limit_s, memory_limit_bytes)

    def begin(self, what: str) -> None:
        start = self._start()
        text = what.encode("utf-8", "replace")[: PLACE_BYTES - _SINCE.size - 1]
        self._bytes[start + _SINCE.size : start + _SINCE.size + len(text) + 1] = text + b"\0"
        _SINCE.pack_into(self._bytes, start, time.monotonic())

    def end(self) -> None:
        _SINCE.pack_into(self._bytes, self._start(), 0.0)

    def _start(self) -> int:
        """Where the place of this thread begins."""
        start: int | None = getattr(self._own, "start", None)
        if start is None:
            with self._lock:
                start = _HEAD.size + (self._next % PLACES) * PLACE_BYTES
                self._next += 1
            self._own.start = start
        return start


_writer: _Writer | None = None


def _find_writer() -> _Writer | None:
    global _writer
    path = os.environ.get(FILE_VARIABLE)
    if _writer is None and path:
        _writer = _Writer(path)
    return _writer


def announce_limits(*, limit_s: float, memory_limit_bytes: float) -> None:
    """Tell the watching process what one step of a decoder, and this process, may take."""
    writer = _find_writer()
    if writer is not None:
        writer.set_limits(limit_s, memory_limit_bytes)


@contextmanager
def decoding(what: str) -> Iterator[None]:
    """Around one step of a decoder or of a container: what it works on, for the message if it never comes back."""
    writer = _find_writer()
    if writer is None:
        yield
        return
    writer.begin(what)
    try:
        yield
    finally:
        writer.end()


def read_beat(path: Path) -> Beat:
    """What the watched process is doing; nothing where the file cannot be read."""
    try:
        data = path.read_bytes()
    except OSError:
        data = b""
    if len(data) < SIZE_BYTES:
        return Beat(0.0, 0.0, ())
    limit_s, memory = _HEAD.unpack_from(data, 0)
    busy = []
    for place in range(PLACES):
        start = _HEAD.size + place * PLACE_BYTES
        (since,) = _SINCE.unpack_from(data, start)
        if since:
            text = data[start + _SINCE.size : start + PLACE_BYTES].split(b"\0", 1)[0]
            busy.append((since, text.decode("utf-8", "replace")))
    return Beat(limit_s, memory, tuple(sorted(busy)))
