"""A pass over a long release in stretches, each read by itself, on whatever machine; put together they are what one pass would have kept.

A stretch begins at a key frame and ends behind the first two pictures of the next one, which that one reads as well: what is found of a
frame depends on that frame and its two neighbours alone. It goes on for some pictures more, and the next one must have found the same of
them; where a decoder that begins at a key frame makes something else of the film, the stretches end there. What a pass adds up as it goes
is added up afterwards: numbers of frames, pictures that come early or late, luma codes of every eighth picture (counted for each of the
eight places where the first could have been). A stretch with a fault, a gap or a change in it is none. Put together, stretches are the
parts of a pass that was stopped (`_parts`): the next pass takes them up, reads the last two pictures again and goes on from there, or from
where the first stretch is lacking.
"""

from __future__ import annotations

import contextlib
import hashlib
import itertools
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._keep import keep_folder, write_whole
from pairdiff._parts import Parts, pack_frames, read_arrays, write_arrays
from pairdiff._records import Rectangle, Release
from pairdiff.frames.cadence import FieldWatch
from pairdiff.frames.decode import LEAST_UNEVEN, REPEATED, CannotReadOn, find_key_times_s, state_at_key
from pairdiff.frames.joined import open_reader
from pairdiff.frames.prefetch import map_ahead, read_ahead
from pairdiff.match.active import BarLevel
from pairdiff.score.readings import CODES
from pairdiff.score.scan import CODES_EVERY, CODES_FIRST, FrameScan, frame_measurer, is_counted

LENGTH_S = 300.0
"""How long a stretch is, seconds (own): long enough that what it takes to begin does not count, short enough for many machines."""
OVERLAP = 24
"""Pictures that two stretches have both read, and must have found the same of (own)."""


def find_starts_s(release: Release) -> tuple[Fraction, ...]:
    """Times of the key frames at which stretches begin, seconds since the first picture; 0 alone for what is too short for two."""
    length_s, whole_s = Fraction(LENGTH_S), release.duration_s or Fraction(0)
    moments = [n * length_s for n in range(1, int(whole_s / length_s))]
    starts = [Fraction(0)]
    for time_s in find_key_times_s(release, moments):
        if time_s >= starts[-1] + length_s / 2:
            starts.append(time_s)
    return tuple(starts)


def make_stretch(
    release: Release,
    *,
    starts_s: Sequence[Fraction],
    number: int,
    active: Rectangle,
    bar_level: BarLevel,
    hlg_peak_nits: float,
    workers: int,
    progress: Callable[[int], None],
) -> dict[str, NDArray[Any]]:
    """What a pass finds of one stretch, its frames numbered from its key frame on.

    Parameters
    ----------
    release : of one file, plain (`_pipeline` says what that is).
    starts_s : as `find_starts_s` gives them.
    number : of the stretch, from 0.
    active, bar_level : picture area and bars of the whole release.
    hlg_peak_nits : display peak for HLG.
    workers : frames that are measured at a time.
    progress : called with the number of frames done.

    Returns
    -------
    Arrays for `write_stretch`.

    Raises
    ------
    CannotReadOn : where the stretch has anything in it that one pass might take otherwise.
    FaultMet : where the stream is damaged.
    """
    next_s = starts_s[number + 1] if number + 1 < len(starts_s) else None
    first, start = (REPEATED, state_at_key(release, time_s=starts_s[number])) if number else (0, None)
    watch = FieldWatch(code_step=2.0 ** (release.signal.bit_depth.value - 8))
    counted = is_counted if number == 0 else lambda index: True
    measure = frame_measurer(release.signal, active=active, bar_level=bar_level, hlg_peak_nits=hlg_peak_nits, counted=counted)
    found: list[FrameScan] = []
    stop: int | None = None
    with (
        open_reader(release, watch=watch.add, strict=True, start=start) as reader,
        contextlib.closing(read_ahead(reader)) as frames,  # its thread has to end before what it reads is closed
        contextlib.closing(map_ahead(measure, frames, workers=workers)) as measured,
    ):
        for one in measured:
            if stop is None and next_s is not None and one.time_s >= next_s:
                stop = len(found) + REPEATED
                if one.time_s != next_s:
                    raise CannotReadOn(f"no picture at {float(next_s):.3f} s of {release.path}")
            found.append(one)
            progress(len(found))
            if stop is not None and len(found) == stop - REPEATED + OVERLAP:
                break
        last = stop if stop is not None else len(found)
        state = reader.state_before(last)
    if (stop is None) != (next_s is None) or not first < last <= len(found) or state is None or state.uneven >= LEAST_UNEVEN:
        raise CannotReadOn(f"stretch {number + 1} of {release.path} is damaged, uneven or cut short")
    codes = np.zeros((CODES_EVERY, CODES), np.int64)
    for index in range(first, last):
        codes[index % CODES_EVERY] += found[index].codes
    weaves, mixes = watch.state()
    rows = last - REPEATED
    return {
        **pack_frames(found[first:last]),
        "codes": codes,
        "weaves": weaves[:rows],
        "mixes": mixes[:rows],
        "uneven": np.array(state.uneven),
        "lasts": np.array([state.lasts_s.numerator, state.lasts_s.denominator], np.int64),
        "held": np.array(state.held),
        "opening": np.array([_digest(one) for one in found[:OVERLAP]]),
        "closing": np.array([_digest(one) for one in found[last - REPEATED :]] if next_s is not None else [], np.dtype("U32")),
    }


def _digest(frame: FrameScan) -> str:
    """All that was found of a frame but its number and its luma codes."""
    found = hashlib.sha256(frame.fingerprint.tobytes() + frame.edges.tobytes())
    levels = (getattr(frame.levels, name) for name in frame.levels.__dataclass_fields__ if name != "frame")
    found.update(repr((frame.time_s, *map(float, levels))).encode())
    return found.hexdigest()[:32]


def stretch_path(folder: Path, key: str, number: int) -> Path:
    """Where a stretch of a pass lies."""
    return folder / key / f"{number:06d}.npz"


def write_stretch(path: Path, arrays: dict[str, NDArray[Any]]) -> None:
    """Write a stretch whole, or not at all."""
    write_whole(path, lambda file: write_arrays(file, arrays))


def join_stretches(folder: Path, *, key: str, count: int) -> int:
    """Put stretches among what is kept on this machine, as parts of a pass, as far as each follows the one before.

    Parameters
    ----------
    folder : that `stretch_path` knows.
    key : of the whole pass.
    count : stretches that there should be.

    Returns
    -------
    Frames that the next pass need not read.
    """
    if (keep_folder() / f"{key}.npz").exists():
        return 0
    parts = Parts(key)
    parts.remove()
    frames, uneven, closing = 0, 0, np.array([], np.dtype("U32"))
    for number in range(count):
        arrays = read_arrays(stretch_path(folder, key, number))
        if arrays is None or (number and not _follows(arrays["opening"], closing)):
            break
        shift = frames - REPEATED if number else 0  # number of the frame that is its first
        if number and frames < CODES_FIRST:
            break  # luma codes of each of those are counted
        arrays["levels"][:, 0] += shift
        codes = arrays["codes"].sum(axis=0) if number == 0 else arrays["codes"][-shift % CODES_EVERY]
        frames, uneven, closing = frames + len(arrays["times"]), uneven + int(arrays["uneven"]), arrays["closing"]
        given = {name: arrays[name] for name in ("fingerprints", "edges", "times", "levels", "weaves", "mixes", "lasts", "held")}
        parts.store_arrays(number, {**given, "codes": codes, "reader": np.array([frames, uneven], np.int64)})
    return frames


def _follows(opening: NDArray[np.str_], closing: NDArray[np.str_]) -> bool:
    """Whether a stretch has found of its first pictures what the one before had found of them."""
    both = list(itertools.takewhile(lambda pair: pair[0] == pair[1], zip(opening.tolist(), closing.tolist(), strict=False)))
    return len(both) == min(len(opening), len(closing)) >= REPEATED
