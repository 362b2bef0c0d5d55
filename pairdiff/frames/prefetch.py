"""Decode a few frames ahead in a thread, so that the decoder works while pictures are measured."""

from __future__ import annotations

import os
import queue
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

T = TypeVar("T")
R = TypeVar("R")
DEPTH_FRAMES = 4
"""Items that are read ahead (own)."""


def count_cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def read_ahead(frames: Iterable[T], *, depth: int = DEPTH_FRAMES) -> Generator[T]:
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


def map_ahead(function: Callable[[T], R], items: Iterable[T], *, workers: int, spare: int = 1) -> Generator[R]:
    """The function of each item, in their order, several at a time; an error is raised where its item would have come.

    Parameters
    ----------
    function : called in threads; it has to let go of the interpreter to gain anything.
    items : run through in the calling thread, as far ahead as there are workers and spare ones.
    workers : threads; with one the function is called in the calling thread.
    spare : items that wait for a worker; none where they are large and come quickly.

    Yields
    ------
    The results.
    """
    if workers <= 1:
        yield from map(function, items)
        return
    waiting: deque[Future[R]] = deque()
    with ThreadPoolExecutor(workers, thread_name_prefix="measure") as pool:
        try:
            for item in items:
                waiting.append(pool.submit(function, item))
                if len(waiting) >= workers + spare:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for one in waiting:
                one.cancel()
