"""Decode a few frames ahead in a thread, so that the decoder works while pictures are measured."""

from __future__ import annotations

import queue
import threading
from collections.abc import Iterable, Iterator
from typing import TypeVar

T = TypeVar("T")
DEPTH_FRAMES = 4
"""Items that are read ahead (own)."""


def read_ahead(frames: Iterable[T], *, depth: int = DEPTH_FRAMES) -> Iterator[T]:
    """The same items in the same order, made by another thread; an error there is raised here.

    Parameters
    ----------
    frames : iterable that is run through in the thread, once.
    depth : items that may wait; memory is bounded by it.

    Yields
    ------
    The items.

    Raises
    ------
    ValueError : for a depth below 1, which a queue would take as boundless.
    """
    if depth < 1:
        raise ValueError(f"depth must be at least 1; got {depth}")
    waiting: queue.Queue[tuple[bool, T | BaseException | None]] = queue.Queue(maxsize=depth)
    stopped = threading.Event()

    def offer(item: tuple[bool, T | BaseException | None]) -> None:
        while not stopped.is_set():
            try:
                waiting.put(item, timeout=0.1)
                return
            except queue.Full:
                continue

    def run() -> None:
        try:
            for frame in frames:
                offer((False, frame))
                if stopped.is_set():
                    return
            offer((True, None))
        except BaseException as error:  # handed over to the reader, whatever it is
            offer((True, error))

    worker = threading.Thread(target=run, name="read-ahead", daemon=True)
    worker.start()
    try:
        while True:
            last, item = waiting.get()
            if last:
                if isinstance(item, BaseException):
                    raise item
                return
            yield item  # type: ignore[misc]
    finally:
        stopped.set()
        worker.join()
