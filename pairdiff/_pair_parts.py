"""What scoring the pairs of two releases has found so far, kept in parts while it goes on, so that a run that was killed is gone on with.

As `_parts` does for a pass over one release. Each part holds what was found of a run of pairs; parts follow each other without a gap, and
one that cannot be read, is of another comparison or does not follow ends what is taken. What the set-up fit has gathered is one record of
bounded size, written as a whole each time. When the results are written all of it is removed.
"""

from __future__ import annotations

import contextlib
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Generic, TypeVar

import numpy as np

from pairdiff._keep import keep_folder, remove_left, scan_key, write_whole
from pairdiff._kept_records import form_of, name_of, records_from_arrays, records_to_arrays
from pairdiff._records import Release
from pairdiff.score.contaminants import LaidOver
from pairdiff.score.pair import PairMeasures
from pairdiff.score.screens import ShownPair
from pairdiff.score.title import FitState

T = TypeVar("T")

SCORE_VERSION = 3
"""Raise it whenever what is measured of a pair, or what the fit sees or makes of it, changes: re-runs go by it too."""
FIT_PART = 6
"""What the fit has gathered is kept so many times less often (own: up to 30 MB are written each time, and a pair takes a quarter of what
scoring it does)."""
MOST_WAITING = 2000
"""Records that wait for a folder that cannot be written, as of a disk that is full for a while; beyond, none are kept (own: 150 MB)."""


@dataclass(frozen=True, slots=True)
class Looked:
    """What scoring one pair leaves."""

    frame: int
    """Of the HDR release."""
    types: tuple[str, str]
    own: PairMeasures | None
    """The film's picture; None where the pair is no part of it."""
    whole: PairMeasures | None
    """Everything counted; None where that is the same."""
    on_screens: ShownPair | None
    laid_over: LaidOver | None
    seen: int
    """By which the pair's pictures are known again."""


@dataclass(frozen=True, slots=True)
class FitKept:
    """What the fit has gathered."""

    state: FitState
    seen: int
    """By which the pictures of the last pair are known again."""


def pair_key(kind: type, releases: Sequence[Release], *given: object, hlg_peak_nits: float) -> str:
    """Key of what is found of the pairs of two releases.

    Parameters
    ----------
    kind : of the record that is kept.
    releases : both, as their passes left them; where they lie does not matter.
    given : everything else that the result depends on (see `name_of`).
    hlg_peak_nits : as for `_keep.scan_key`.
    """
    scans = [scan_key(one, hlg_peak_nits=hlg_peak_nits) for one in releases]
    return name_of(SCORE_VERSION, form_of(kind), scans, [_without_place(one) for one in releases], given)


def _without_place(release: Release) -> Release:
    """A release without its paths, and without notes, in which they are named."""
    opened = Path(release.opened or "").name
    return replace(release, path="", opened=opened, notes=(), parts=tuple(_without_place(one) for one in release.parts))


class PairParts:
    """Where one comparison keeps what it finds of its pairs.

    Parameters
    ----------
    fresh : whether what lies there is not used.
    every_s : about how often it is kept, seconds.
    """

    def __init__(self, *, fresh: bool, every_s: float) -> None:
        self.fresh, self.every_s = fresh, every_s
        self._used: list[Parts[Looked] | Parts[FitKept]] = []

    def of_pairs(self, key: str) -> Parts[Looked]:
        """Parts of the scoring of that key."""
        parts = Parts(key, Looked, fresh=self.fresh, every_s=self.every_s)
        self._used.append(parts)
        return parts

    def of_fit(self, key: str) -> Parts[FitKept]:
        """What the fit has gathered, under that key; as it is written as a whole, that is done less often."""
        parts = Parts(key, FitKept, fresh=self.fresh, every_s=FIT_PART * self.every_s)
        self._used.append(parts)
        return parts

    def remove(self) -> None:
        """Remove everything that was kept."""
        for parts in self._used:
            parts.remove()


class Parts(Generic[T]):
    """Parts of one piece of work, records of one kind.

    Parameters
    ----------
    key : of the work (`pair_key`).
    kind : of the records.
    fresh : what lies there is removed first.
    every_s : a part is kept about so often, seconds.
    """

    def __init__(self, key: str, kind: type[T], *, fresh: bool = False, every_s: float) -> None:
        self._folder, self._key, self._kind = keep_folder() / "pairs" / key, key, kind
        self._stored, self._records = 0, 0
        self._every_s, self._since_s = every_s, time.monotonic()
        remove_left(self._folder.parent)
        if fresh:
            self.remove()

    @property
    def waited_s(self) -> float:
        """Seconds since anything was kept, or since the work began."""
        return time.monotonic() - self._since_s

    @property
    def due(self) -> bool:
        """Whether it is time to keep what was found."""
        return self.waited_s >= self._every_s

    @property
    def any(self) -> bool:
        """Whether any part is kept."""
        return self._stored > 0

    def load(self) -> Iterator[T]:
        """Records that are kept, part by part; those of one part are in memory at a time."""
        self._stored, self._records = 0, 0
        while (found := self._read(self._stored, first=self._records)) is not None:
            self._stored, self._records = self._stored + 1, self._records + len(found)
            yield from found
        self._since_s = time.monotonic()

    def store(self, records: Sequence[T]) -> bool:
        """Keep records behind those that are kept; whether that was done: a folder that cannot be written is no fault of the work."""
        written = self._write(self._stored, records, first=self._records)
        if written:
            self._stored, self._records = self._stored + 1, self._records + len(records)
        return written

    def store_whole(self, record: T) -> None:
        """Keep a record in the place of all that is kept, where the folder can be written."""
        if self._write(0, [record], first=0):
            self._stored, self._records = 1, 1

    def remove(self) -> None:
        """Remove all parts."""
        shutil.rmtree(self._folder, ignore_errors=True)
        self._stored, self._records = 0, 0

    def _path(self, number: int) -> Path:
        return self._folder / f"{number:06d}.npz"

    def _write(self, number: int, records: Sequence[T], *, first: int) -> bool:
        arrays = {**records_to_arrays(records, self._kind), "first": np.array(first), "key": np.array(self._key)}
        written = False
        with contextlib.suppress(OSError):
            write_whole(self._path(number), lambda file: np.savez_compressed(file, **arrays))  # type: ignore[arg-type]
            written = True
        self._since_s = time.monotonic()
        return written

    def _read(self, number: int, *, first: int) -> list[T] | None:
        """Records of a part whose first has that number."""
        try:
            with self._path(number).open("rb") as file, np.load(file, allow_pickle=False) as arrays:
                part = {name: arrays[name] for name in arrays.files}
            if (str(part["key"]), int(part["first"])) != (self._key, first):
                return None
            return records_from_arrays(part, self._kind) or None
        except Exception:  # a spoilt archive raises a dozen kinds, depending on which byte is spoilt; none of them may stop a run
            return None


def go_on(parts: Parts[T] | None, make: Callable[[int, T | None], Iterator[T]], *, tell: Callable[[int], None]) -> Iterator[T]:
    """The records that are kept, then those that are made behind them, which are kept from time to time.

    Parameters
    ----------
    parts : where they are kept; None where they are not.
    make : makes the records behind the first so many, of which it is given the last one.
    tell : called with how many are done: first where it goes on from, which took no time of this run, then after each that was made.

    Yields
    ------
    All records, in order.
    """
    done, last = 0, None
    for last in () if parts is None else parts.load():
        yield last
        done += 1
    if done:
        tell(done)
    new: list[T] = []
    for record in make(done, last):
        if parts is not None:
            new.append(record)
            if parts.due:
                kept = parts.store(new)
                parts = parts if kept or len(new) < MOST_WAITING else None
                new = [] if kept or parts is None else new
        yield record
        done += 1
        tell(done)
    if parts is not None and new and parts.any:
        parts.store(new)
