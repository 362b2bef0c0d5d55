"""Several files as one release, in the order given: their pictures counted on, their times one behind the other."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Generator, Iterator, Sequence
from dataclasses import replace
from fractions import Fraction

from pairdiff._errors import InputRefused
from pairdiff._records import Frame, Release
from pairdiff.clip.container import SIDES
from pairdiff.frames import decode
from pairdiff.frames.decode import FrameReader, PictureReader, Plane, ReaderState

Watch = Callable[[int, tuple[Plane, ...]], None]


class JoinedReader(PictureReader):
    """The pictures of a release of several files. A part lasts to the end of its last picture; arguments as for `FrameReader`."""

    def __init__(self, release: Release, *, threads: int = 0, watch: Watch | None = None, strict: bool = False) -> None:
        self._threads, self._watch, self._strict = threads, watch, strict
        super().__init__(release)

    def _read(self) -> Generator[Frame]:
        for part in self._release.parts:
            base, start_s = self.frames_read, Fraction(0) if self.last_time_s is None else self.last_time_s + self._step_s
            self.part_starts.append((base, start_s))
            part = replace(part, in_order=self._release.in_order)
            watch = None if self._watch is None else _counting_on(self._watch, base)
            with FrameReader(part, threads=self._threads, watch=watch, strict=self._strict) as reader:
                for frame in reader:
                    self.frames_read, self.last_time_s = base + frame.index + 1, start_s + frame.time_s
                    yield replace(frame, index=base + frame.index, time_s=start_s + frame.time_s)
                self.damage += [replace(one, frame=base + one.frame, detail=f"{one.detail} (in {part.path})") for one in reader.damage]
                self.changes += [f"in {part.path}: {change}" for change in reader.changes]


def _counting_on(watch: Watch, base: int) -> Watch:
    return lambda index, planes: watch(base + index, planes)


def open_reader(
    release: Release, *, threads: int = 0, watch: Watch | None = None, strict: bool = False, start: ReaderState | None = None
) -> PictureReader:
    """The reader that fits a release; arguments and errors as for `FrameReader`. Several files are read from their beginning."""
    if release.parts:
        return JoinedReader(release, threads=threads, watch=watch, strict=strict)
    return FrameReader(release, threads=threads, watch=watch, strict=strict, start=start)


def read_frames_at(release: Release, *, indices: Sequence[int], times_s: Sequence[Fraction]) -> Iterator[Frame]:
    """Pictures at given times of a release of one file or of several, as `decode.read_frames_at` delivers them.

    Parameters
    ----------
    release
        What `probe_release` returned; of several files with `part_starts`, which reading it whole tells.
    indices, times_s
        Ascending, of the whole release.
    """
    if not release.parts:
        yield from decode.read_frames_at(release, indices=indices, times_s=times_s)
        return
    ends = [*(frame for frame, _ in release.part_starts[1:]), None]
    for part, (first, start_s), end in zip(release.parts, release.part_starts, ends, strict=True):
        own = [(n, time) for n, time in zip(indices, times_s, strict=True) if n >= first and (end is None or n < end)]
        if own:
            part = replace(part, in_order=release.in_order)
            found = decode.read_frames_at(part, indices=[n - first for n, _ in own], times_s=[time - start_s for _, time in own])
            yield from (replace(frame, index=frame.index + first, time_s=frame.time_s + start_s) for frame in found)


def read_key_frames(release: Release, *, most: int) -> Iterator[Frame]:
    """Key frames of a release of one file or of several, spread over it, as `decode.read_key_frames` delivers them."""
    parts = release.parts or (release,)
    found = itertools.chain.from_iterable(decode.read_key_frames(part, most=max(most // len(parts), 1)) for part in parts)
    for index, frame in enumerate(found):
        yield replace(frame, index=index)


def refuse_woven(release: Release) -> None:
    """Refuse several files whose frames hold two moments each: their fields would have to be rejoined across the files' ends.

    Raises
    ------
    InputRefused
        For such a release.
    """
    raise InputRefused(
        f"The {SIDES[release.side]} release {release.path} is film woven into fields, in several files; that is undone within one file "
        "alone. Join the files into one first, without coding them again."
    )
