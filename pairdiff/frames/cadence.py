"""What kind of frames a release holds: whole pictures, film woven into fields (undone), or video of two moments a frame (refused).

Flags in the stream are not believed: film is often flagged as interlaced and woven frames as progressive. Only pictures are looked at:
first in a few windows behind key frames, so that a long film is not measured in vain, then, frame by frame, in the pass that measures.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from pairdiff._errors import InputRefused
from pairdiff._records import FieldOrder, Release
from pairdiff.clip.container import SIDES, open_release
from pairdiff.frames.blends import MOST_MIXED_SHARE, Blends, compare_mix, find_blends
from pairdiff.frames.decode import decode_pictures, planes_of_picture, video_stream
from pairdiff.frames.fields import (
    LEAST_MOVING,
    MOST_COMBED_SHARE,
    classify_pairs,
    compare_weaves,
    find_combed,
    find_field_order,
    sample_rows,
)
from pairdiff.frames.pulldown import chosen_alike, find_order, trace_pictures

WINDOWS, WINDOW_FRAMES = 16, 10
"""Windows of a film that are looked at, and frames of each (own)."""
LEAST_WINDOWS = 6
"""Windows from which they are believed; with fewer key frames the pass itself must tell (own)."""
LEAST_DURATION_S = 600
"""Shorter releases are not looked at beforehand: the windows would cost more than one in a hundred of the pass (own)."""
NOTE_ONE_FIELD = (
    "interlaced video: each frame shows two moments, in even and odd rows. The top field of each is measured, a whole picture of half the "
    "lines; nothing is interpolated. Levels are of those fields, and detail across rows is half."
)


@dataclass(frozen=True, slots=True)
class FramesFound:
    """What kind of frames a pass found. Arrays over frames."""

    order: FieldOrder | None
    """Which field comes first where the fields of neighbouring frames make whole pictures; None: frames are taken as they are."""
    joins: str
    """As in `Release.field_joins`; empty without an order."""
    settled: bool
    """Whether frames put together one by one come out the same, so that the film need not be read again."""
    combed: NDArray[np.bool_]
    """Frames that show two moments and stay so."""
    moving: NDArray[np.bool_]
    """Frames around which enough moves to tell."""
    blends: Blends
    repeats: NDArray[np.bool_]
    """Frames without a picture of their own: repeats in woven film, mixes in order; empty where that is not known."""


class _Rows:
    """Rows of numbers that come one by one, in an array that grows: as arrays of their own they would take three times as much."""

    def __init__(self, first: NDArray[Any]) -> None:
        self._rows, self._count = first, len(first)

    def append(self, row: NDArray[Any]) -> None:
        if self._count == len(self._rows):
            more = np.empty((max(self._count // 2, 1024), *self._rows.shape[1:]), self._rows.dtype)
            self._rows = np.concatenate([self._rows, more])
        self._rows[self._count] = row
        self._count += 1

    def so_far(self) -> NDArray[Any]:
        """All rows, (row, ...); what comes later does not change them."""
        return self._rows[: self._count]


class FieldWatch:
    """Compares each frame with those beside it, in one pass; hand `add` to `FrameReader` as `watch`.

    `code_step` is one 8-bit code in the codes of the planes.
    """

    def __init__(self, *, code_step: float = 1.0) -> None:
        self._code_step = code_step
        self.begin()

    def begin(self) -> None:
        """Forget all frames."""
        self._rows: list[NDArray[np.unsignedinteger[Any]]] = []
        self._weaves, self._mixes = _Rows(np.zeros((0, 9), np.int64)), _Rows(np.zeros((0, 6)))

    def go_on(self, weaves: NDArray[np.int64], mixes: NDArray[np.float64], *, frames: int) -> None:
        """Take what an earlier watch had found of the first frames; those that follow the last two but two are added anew.

        `weaves` (pair, 9) and `mixes` (frame, 6) are those of `state`, `frames` how many had been added then.
        """
        self._rows = []
        self._weaves, self._mixes = _Rows(weaves[: frames - 2]), _Rows(mixes[: frames - 2])

    def state(self) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """What was found of each pair and each frame so far, (pair, 9) and (frame, 6)."""
        return self.weaves(), self._mixes.so_far()

    def add(self, index: int, planes: tuple[NDArray[np.unsignedinteger[Any]], ...]) -> None:
        """Take the next frame."""
        del index
        self._rows = [*self._rows[-2:], sample_rows(planes[0])]
        if len(self._rows) > 1:
            self._weaves.append(compare_weaves(*self._rows[-2:]))
        if len(self._rows) > 2:
            self._mixes.append(compare_mix(*self._rows, code_step=self._code_step))

    def weaves(self) -> NDArray[np.int64]:
        """What `compare_weaves` said of all pairs, (pair, 9)."""
        return self._weaves.so_far()

    def found(self) -> FramesFound:
        """What the frames taken so far are, as one film."""
        weaves = self.weaves()
        order = find_order(weaves)
        if order is None:
            combed, moving = find_combed(weaves, None)
            blends = self.blends()
            return FramesFound(None, "", True, combed, moving, blends, blends.ordered if blends.period else combed[:0])
        pulldown = trace_pictures(weaves, order)
        combed, moving = find_combed(weaves, order, pulldown.broken)
        settled, none = chosen_alike(pulldown.joins, weaves, order), np.zeros(len(combed), bool)
        blends = Blends(none, none, None, 0.0)  # of rejoined frames the stored ones say nothing
        return FramesFound(order, pulldown.joins, settled, combed, moving, blends, pulldown.repeats)

    def blends(self) -> Blends:
        """Frames that are mixes of their neighbours."""
        mixes = self._mixes.so_far()
        if len(mixes):
            return find_blends(mixes)
        none = np.zeros(len(self.weaves()) + 1, bool)
        return Blends(none, none, None, 0.0)


def look_at_fields(release: Release) -> Release:
    """The release with its field order, found in windows spread over it; unchanged where it is short or has too few key frames.

    Interlaced video is what `take_one_field` makes of it.
    """
    if release.duration_s is None or release.duration_s < LEAST_DURATION_S:
        return release
    windows = _read_windows(release)
    if len(windows) < LEAST_WINDOWS:
        return release
    order = find_field_order(np.concatenate(list(windows.values())))
    told = [find_combed(weaves, order) for weaves in windows.values()]
    if is_interlaced(*(np.concatenate(parts) for parts in zip(*told, strict=True))):
        return take_one_field(release)
    return replace(release, field_order=order)


def is_interlaced(combed: NDArray[np.bool_], moving: NDArray[np.bool_]) -> bool:
    """Whether a good part of a release shows two moments in each frame, whose fields make no whole pictures with any others.

    Parameters
    ----------
    combed, moving : what `find_combed` said, over frames.
    """
    count, among = int(combed.sum()), int((moving | combed).sum())
    return among >= LEAST_MOVING and count >= MOST_COMBED_SHARE * among


def take_one_field(release: Release) -> Release:
    """Interlaced video read as the top field of each frame: whole pictures of one moment and half the lines, and nothing made up between.

    Raises
    ------
    InputRefused : a release of several files, whose parts are not looked at one by one.
    """
    if release.parts:
        raise InputRefused(
            f"The {SIDES[release.side]} release {release.path} is interlaced video, in several files; its fields are taken apart within "
            "one file alone. Join the files into one first, without coding them again."
        )
    signal = release.signal
    rows, aspect = signal.height, signal.sample_aspect
    field = replace(
        signal,
        height=replace(rows, value=-(-rows.value // 2)),
        sample_aspect=replace(aspect, value=aspect.value / 2),
    )
    return replace(release, one_field=True, field_order=None, field_joins="", signal=field)


def check_blends(release: Release, found: FramesFound) -> None:
    """Refuse a release of which all over many frames are mixes, in no order by which they could be left out.

    Raises
    ------
    InputRefused.
    """
    share, count = found.blends.share, int(found.blends.mixed.sum())
    if share < MOST_MIXED_SHARE:
        return
    raise InputRefused(
        f"The {SIDES[release.side]} release {release.path} was converted to another frame rate by blending: at least {count} of its "
        f"{len(found.combed)} frames are mixes of their neighbours ({share:.0%} of those in which enough moves to tell, all over the "
        "film), in no order by which they could be left out. Mixed pictures cannot be taken apart, and no frame of the other release "
        "belongs to them. Give a release at the film's own frame rate."
    )


def note_fields(found: FramesFound) -> tuple[str, ...]:
    """What was undone and what was left, in words for the report."""
    notes, frames = [], len(found.combed)
    combed, mixed = int(found.combed.sum()), int(found.blends.mixed.sum())
    if found.order is not None:
        rejoined = frames - found.joins.count("o")
        notes.append(
            f"film woven into fields ({found.order} field first): {rejoined} of {frames} frames ({rejoined / frames:.0%}) were put "
            "together from the fields of two frames, without interpolation; repeats stay and are paired once."
        )
    if combed:
        notes.append(
            f"{combed} of {frames} frames ({combed / frames:.1%}) show two moments at once (video, or an edit between two fields): "
            "they are not matched and not scored."
        )
    if mixed and found.blends.period is not None:
        notes.append(
            f"{mixed} of {frames} frames ({mixed / frames:.1%}) are mixes of their neighbours, as a conversion of the frame rate by "
            f"blending makes them, one in {found.blends.period}: they are left out, not matched and not scored; the pictures between them "
            "are whole."
        )
    elif mixed:
        notes.append(
            f"at least {mixed} of {frames} frames ({mixed / frames:.1%}) are mixes of their neighbours, as a conversion of the frame rate "
            "by blending makes them; that cannot be undone: they are not matched and not scored."
        )
    return tuple(notes)


def _read_windows(release: Release) -> dict[Fraction, NDArray[np.int64]]:
    """Pairs of frames behind key frames spread over the release, by the time of the first.

    The first half of the windows is spread over the whole release, as all are: where it is plain from these, the others are not read.
    """
    found: dict[Fraction, NDArray[np.int64]] = {}
    with ExitStack() as stack:
        container = stack.enter_context(open_release(release))
        stream = video_stream(container, release, threads=0)
        for number in (*range(0, WINDOWS, 2), *range(1, WINDOWS, 2)):
            if number == 1 and _is_plain(list(found.values())):
                break
            time_s = release.start_s + (release.duration_s or 0) * Fraction(2 * number + 1, 2 * WINDOWS)
            try:
                container.seek(int(time_s / release.time_base), stream=stream)
            except av.error.FFmpegError:
                continue
            rows: list[NDArray[np.unsignedinteger[Any]]] = []
            first: Fraction | None = None
            pictures = decode_pictures(container, stream, on_fault=lambda kind, detail: None)
            for picture in itertools.islice(pictures, WINDOW_FRAMES):
                if picture.pts is None:
                    break
                first = picture.pts * release.time_base - release.start_s if first is None else first
                if first in found:
                    break
                rows.append(sample_rows(planes_of_picture(picture)[0]))
            if first is not None and first not in found:
                found[first] = weaves_of(rows)
    return found


def weaves_of(rows: Sequence[NDArray[np.unsignedinteger[Any]]]) -> NDArray[np.int64]:
    """What `compare_weaves` says of each pair of frames in a row, (pair, 9); `rows` is what `sample_rows` takes of each."""
    weaves = [compare_weaves(before, after) for before, after in itertools.pairwise(rows)]
    return np.stack(weaves) if weaves else np.zeros((0, 9), np.int64)


def _is_plain(windows: Sequence[NDArray[np.int64]]) -> bool:
    """Whether enough moves in some windows, and no pair of frames in any of them looks as fields do."""
    if len(windows) < LEAST_WINDOWS:
        return False
    seen = classify_pairs(np.concatenate(windows))
    fields = seen.apart.any() or seen.exchanged.any() or seen.interlaced.any() or seen.earlier_combed.any()
    return not fields and int(seen.moving.sum()) >= 2 * LEAST_MOVING
