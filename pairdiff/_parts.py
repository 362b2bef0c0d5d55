"""What a pass over a release has found so far, kept in parts while it goes on, so that a pass that was killed is gone on with.

Each part holds a run of frames and how far the reader had come behind it. Parts follow each other without a gap; one that cannot be read,
or does not follow, ends what is taken. When the pass is over its parts are removed: `_keep` has the whole then.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from pairdiff._keep import keep_folder, remove_left, write_whole
from pairdiff._records import FrameLevels
from pairdiff._tables import Keep, Table, in_memory
from pairdiff.frames.decode import ReaderState
from pairdiff.score.readings import CODES
from pairdiff.score.scan import NO_CODES, FrameScan

LEVEL_NAMES = tuple(FrameLevels.__dataclass_fields__)


@dataclass(frozen=True, slots=True)
class Begun:
    """What an earlier pass has left."""

    frames: Table[FrameScan]
    codes: NDArray[np.int64]
    """Sum of their luma codes, (256,)."""
    reader: ReaderState
    weaves: NDArray[np.int64]
    """What a field watch had found, (frame less 2, 9)."""
    mixes: NDArray[np.float64]
    """(frame less 2, 6)."""


class Parts:
    """Parts of one pass.

    Parameters
    ----------
    key : of the whole pass (`_keep.scan_key`).
    """

    def __init__(self, key: str) -> None:
        self._folder = keep_folder() / "parts" / key
        self._stored, self._frames = 0, 0
        remove_left(self._folder.parent)

    def load(self, *, keep: Keep = in_memory) -> Begun | None:
        """What there is, its frames put where `keep` puts them; None where there is nothing that can be gone on with."""
        frames, codes = Table(FrameScan, keep=keep), np.zeros(CODES, np.int64)
        watched: list[tuple[NDArray[np.int64], NDArray[np.float64]]] = []
        last: dict[str, Any] | None = None
        while (part := _read(self._path(len(watched)), first=len(frames))) is not None:
            for frame in _frames(part):
                frames.append(frame)
            codes += part["codes"]
            watched.append((part["weaves"], part["mixes"]))
            last = part
        if last is None or len(frames) < 2 or int(last["reader"][0]) != len(frames):
            return None
        times = [frame.time_s for frame in frames[-2:]]
        reader = ReaderState(
            len(frames), (times[0], times[1]), int(last["reader"][1]), Fraction(*map(int, last["lasts"])), bool(last["held"])
        )
        self._stored, self._frames = len(watched), len(frames)
        weaves, mixes = (np.concatenate(one) for one in zip(*watched, strict=True))
        return Begun(frames, codes, reader, weaves, mixes)

    def store(
        self,
        frames: Sequence[FrameScan],
        codes: NDArray[np.int64],
        reader: ReaderState,
        found: tuple[NDArray[np.int64], NDArray[np.float64]],
    ) -> None:
        """Keep the frames behind those that are kept; a folder that cannot be written is passed over, since nothing depends on it.

        Parameters
        ----------
        frames : all so far.
        codes : luma codes of those that are not kept yet.
        reader : how far it had come behind the last of them.
        found : by the field watch, (pair, 9) and (frame, 6).
        """
        new, rows = frames[self._frames :], slice(max(self._frames - 2, 0), len(frames) - 2)
        arrays = {
            **pack_frames(new),
            "codes": codes,
            "weaves": found[0][rows],
            "mixes": found[1][rows],
            "reader": np.array([reader.frames_read, reader.uneven], np.int64),
            "lasts": np.array([reader.lasts_s.numerator, reader.lasts_s.denominator], np.int64),
            "held": np.array(reader.held),
        }
        with contextlib.suppress(OSError):
            self.store_arrays(self._stored, arrays)
            self._stored, self._frames = self._stored + 1, len(frames)

    def store_arrays(self, number: int, arrays: dict[str, NDArray[Any]]) -> None:
        """Keep a part as arrays, as `store` makes them."""
        write_whole(self._path(number), lambda file: write_arrays(file, arrays))

    def remove(self) -> None:
        """Remove all parts."""
        shutil.rmtree(self._folder, ignore_errors=True)
        self._stored, self._frames = 0, 0

    def _path(self, number: int) -> Path:
        return self._folder / f"{number:06d}.npz"


def pack_frames(frames: Sequence[FrameScan]) -> dict[str, NDArray[Any]]:
    """What was found of some frames as arrays, a row a frame."""
    return {
        "fingerprints": np.stack([one.fingerprint for one in frames]),
        "edges": np.stack([one.edges for one in frames]),
        "times": np.array([[one.time_s.numerator, one.time_s.denominator] for one in frames], np.int64),
        "levels": np.array([[getattr(one.levels, name) for name in LEVEL_NAMES] for one in frames], np.float64),
    }


def write_arrays(file: BinaryIO, arrays: dict[str, NDArray[Any]]) -> None:
    """Write arrays of a part, or of a stretch."""
    np.savez(file, **arrays)  # type: ignore[arg-type]


def read_arrays(path: Path) -> dict[str, Any] | None:
    """What was written so; None where it is not there whole."""
    try:
        with path.open("rb") as file, np.load(file, allow_pickle=False) as arrays:
            part = {name: arrays[name] for name in arrays.files}
        count = len(part["times"])
        whole = all(len(part[name]) == count for name in ("fingerprints", "edges", "levels"))
        return part if whole and count else None
    except Exception:  # a spoilt archive raises a dozen kinds, depending on which byte is spoilt; none of them may stop a run
        return None


def _read(path: Path, *, first: int) -> dict[str, Any] | None:
    """A part whose first frame has that number."""
    part = read_arrays(path)
    return part if part is not None and int(part["levels"][0, 0]) == first else None


def _frames(part: dict[str, Any]) -> Iterator[FrameScan]:
    for n, ((top, bottom), row) in enumerate(zip(part["times"], part["levels"], strict=True)):
        levels = FrameLevels(int(row[0]), *(float(value) for value in row[1:]))
        yield FrameScan(part["fingerprints"][n], part["edges"][n], Fraction(int(top), int(bottom)), levels, NO_CODES)
