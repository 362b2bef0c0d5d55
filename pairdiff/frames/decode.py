"""Pictures of a release in display order, with exact times, as raw planes. Damage is recorded, not raised.

Where the release says so (`Release.field_order`), pictures are put together from the fields of neighbouring frames (`fields`). There are
as many as the file holds, with its times: a film of 24 pictures a second in 29.97 frames keeps one repeat in five.
"""

from __future__ import annotations

import itertools
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Generator, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cache
from types import TracebackType
from typing import Any, TypeVar, cast

import av
import numpy as np
from av.container import InputContainer
from av.packet import Packet
from av.stream import Stream
from av.video.codeccontext import VideoCodecContext
from av.video.format import VideoFormat
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

from pairdiff._beat import decoding
from pairdiff._errors import DecodeFailed, InputRefused, SignalUnresolved
from pairdiff._records import Damage, FieldOrder, Frame, Release
from pairdiff.clip.container import SIDES, open_release, stated_duration_s, video_stream_at
from pairdiff.clip.metadata import NOTHING, StaticMetadata, read_static, tags_of_picture
from pairdiff.clip.probe import layout_of_format
from pairdiff.clip.signalling import FIELDS, NAMES, PixelLayout, Tags, name_point
from pairdiff.frames.fields import JOIN_LETTERS, Match, choose_match, compare_weaves, join_fields, sample_rows

Plane = NDArray[np.unsignedinteger[Any]]
NEW = Fraction(-1)
"""In place of the time of a picture that was not read before."""
REPEATED = 2
"""Pictures that are read again where a reader goes on (own): what follows is compared with so many before it."""
SEEK_BACK_S = (0, 1, 2, 4, 8, 16, 32)
"""How far before a picture a key frame is sought, seconds; where none is found so, reading begins at the beginning (own)."""
STATES = 256
"""Pictures back for which a reader can say how far it had come (own)."""
T = TypeVar("T")

MOST_DAMAGE = 1000
"""Faults of a release that are listed (own)."""
MOST_FAULTS_IN_A_ROW = 256
"""Faults without a picture between them after which the rest of a file is given up (own)."""
FORWARD_PICTURES = 24
"""A gap up to so many pictures is decoded through; seeking costs about as much (own)."""
LEAST_UNEVEN, UNEVEN_SHARE = 4, 0.05
"""Pictures that come early or late, and their share, from which a frame rate varies and a long gap is no damage (own)."""
FEW_GAPS, FEW_GAPS_SHARE = 4, 0.005
"""Short gaps, and share of pictures out of step, up to which they are pictures that the decoder dropped, and not a varying rate (own)."""
FEW_TOLD, FEW_TOLD_SHARE = 8, 0.02
"""Places, and share of the pictures, up to which what a decoder that checks everything minds is damage, and no habit of a stream (own)."""
TOLD_APART_FRAMES = 24
"""What it minds within so many pictures of the last is one place (own)."""
MOST_CHANGES = 8
"""Changes of the declared metadata that are listed (own)."""
PICTURE_TYPES = {1: "I", 2: "P", 3: "B"}
PACKED_ORDERS = {"rgb": (0, 1, 2), "bgr": (2, 1, 0), "argb": (1, 2, 3), "abgr": (3, 2, 1), "0rgb": (1, 2, 3), "0bgr": (3, 2, 1)}


class FaultMet(Exception):
    """A strict reader has met a fault."""


@dataclass(frozen=True, slots=True)
class ReaderState:
    """How far a reader has come, enough for another one to read on; of a stream without faults or changes so far."""

    frames_read: int
    """Two or more."""
    last_times_s: tuple[Fraction, Fraction]
    """Times of the last two pictures, seconds since the first one."""
    uneven: int
    lasts_s: Fraction
    held: bool


class CannotReadOn(Exception):
    """A reader that was to read on does not find the pictures where another one has left off."""


class PictureReader(ABC):
    """Iterate over pictures in display order, in one pass; use it in a `with` statement: what is open is closed at its end.

    Attributes
    ----------
    damage : list of Damage
        Faults met so far. A fault in the middle is skipped, one at the end ends the pictures.
    changes : list of str
        What the stream declares otherwise from some picture on, in words.
    frames_read : int
        Pictures delivered so far.
    last_time_s : fractions.Fraction or None
        Time of the last picture delivered, seconds since the first picture.
    part_starts : list of (int, fractions.Fraction)
        Of several files read as one: number and time (seconds) of the first picture of each that was begun. Empty for one file.
    """

    def __init__(self, release: Release) -> None:
        self._release = release
        self._step_s = 1 / (release.signal.frame_rate.value or Fraction(24))
        self.damage: list[Damage] = []
        self.changes: list[str] = []
        self.frames_read = 0
        self.last_time_s: Fraction | None = None
        self.part_starts: list[tuple[int, Fraction]] = []
        self._states: dict[int, ReaderState] = {}
        self._pictures = self._read()

    def __enter__(self) -> PictureReader:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def __iter__(self) -> Iterator[Frame]:
        return self

    def __next__(self) -> Frame:
        return next(self._pictures)

    def close(self) -> None:
        """Close what is open; a second call does nothing."""
        self._pictures.close()

    def state_before(self, index: int) -> ReaderState | None:
        """How far the reader had come before it delivered that picture; None where it cannot be told, or not be read on from there."""
        return self._states.get(index)

    @abstractmethod
    def _read(self) -> Generator[Frame]:
        """Every picture in order."""


class FrameReader(PictureReader):
    """The pictures of a release of one file, in constant memory; at most 1000 faults are listed.

    Parameters
    ----------
    release
        What `probe_release` returned.
    threads
        Decoder threads; 0 lets the decoder choose.
    watch
        Called as (index, planes) with every frame as it is stored, before fields are rejoined.
    strict
        Stop at the first fault that the decoder meets behind the first picture.
    start
        Where another reader has come to: the last two pictures before it are delivered once more, and then those that follow.

    Raises
    ------
    CannotReadOn
        Where the pictures before `start` are not found again.
    DecodeFailed
        When the stream ends and not one picture could be decoded.
    SignalUnresolved
        When the colour tags change in the middle, unless an option states what changes.
    FaultMet
        Where `strict`, and the decoder meets a fault that several pictures at a time would make something else of each time.
    """

    def __init__(
        self,
        release: Release,
        *,
        threads: int = 0,
        watch: Callable[[int, tuple[Plane, ...]], None] | None = None,
        strict: bool = False,
        start: ReaderState | None = None,
    ) -> None:
        self._watch = watch
        self._strict = strict
        self._start = start
        self._uneven, self._lasts_s, self._held = 0, Fraction(0), False
        self._gaps: list[Damage] = []
        self._told: list[Damage] = []
        self._dropped = 0
        self._before_s: Fraction | None = None
        self._key_met = False
        self._tags: Tags | None = None
        self._static: StaticMetadata | None = None
        self._stack = ExitStack()
        self._container = self._stack.enter_context(open_release(release))
        self._stream = video_stream(self._container, release, threads=threads, strict=strict)
        super().__init__(release)
        if start is not None:
            self._go_to(start)

    def close(self) -> None:
        """Close the container; a second call does nothing."""
        super().close()
        self._stack.close()

    def _go_to(self, start: ReaderState) -> None:
        """Take up the first picture's description, then stand at a key frame before the last two pictures that were read."""
        with ExitStack() as stack:
            container = stack.enter_context(open_release(self._release))
            stream = video_stream(container, self._release, threads=1)
            first = next(decode_pictures(container, stream, on_fault=self._meet), None)
            if first is not None:
                self._check_tags(first, Fraction(0))
            stamp = _find_seek(container, stream, self._release, start.last_times_s[0])
            if stamp is not None:
                self._container.seek(stamp, stream=self._stream)
        self.frames_read, self._uneven, self._lasts_s, self._held = start.frames_read - REPEATED, start.uneven, start.lasts_s, start.held

    def _keep_state(self) -> None:
        """Note the state after a picture, where all has gone well up to it."""
        if self.damage or self._gaps or self._told or self.changes or self._dropped or self._before_s is None or self.last_time_s is None:
            return
        times = self._before_s, self.last_time_s
        self._states[self.frames_read] = ReaderState(self.frames_read, times, self._uneven, self._lasts_s, self._held)
        self._states.pop(self.frames_read - STATES, None)

    def _read(self) -> Generator[Frame]:
        order = self._release.field_order
        for before, frame, after in _with_neighbours(self._stored(), wanted=order is not None):
            yield frame if order is None else _rejoin(before, frame, after, order=order, joins=self._release.field_joins)
        if self._start is not None and self.frames_read < self._start.frames_read:
            raise CannotReadOn(f"{self._release.path} ends too early")
        if not self.frames_read and self._strict and self.damage:
            raise FaultMet("every picture")  # what a strict decoder gives up on another may well show
        if not self.frames_read:
            raise DecodeFailed(
                f"No picture of the {SIDES[self._release.side]} release {self._release.path} can be decoded. "
                "The file may be damaged, encrypted or cut off: copy it again."
            )
        self._tell_faults()
        self._tell_gaps()
        self._check_length()

    def _stored(self) -> Iterator[Frame]:
        """Frames as the file stores them, numbered and timed."""
        checker = make_checker(self._stream) if self._release.in_order else None
        for picture in decode_pictures(
            self._container, self._stream, on_fault=self._meet, checker=checker, on_told=self._tell, only=self._is_from_key
        ):
            if picture.is_corrupt:
                self._meet("corrupt picture", f"the decoder marks the picture at {self._place(picture)} as corrupt; it is left out")
                self._dropped += not self._is_before_start()
                continue
            if not has_form(picture, self._release):
                form = f"{picture.width} x {picture.height}, {picture.format.name}"
                detail = f"the pictures change to another size or pixel format ({form}); such pictures are left out"
                self._record("corrupt picture", detail)
                self._dropped += 1
                continue
            known = self._find_again(picture)
            if known is None:
                continue
            time_s = known if known >= 0 else self._time(picture)
            self._check_tags(picture, time_s)
            frame = frame_from_picture(picture, self._release, index=self.frames_read, time_s=time_s)
            if self._watch is not None:
                self._watch(frame.index, frame.planes)
            self.frames_read += 1
            self._before_s, self.last_time_s = self.last_time_s, time_s
            self._keep_state()
            yield frame

    def _is_from_key(self, packet: Packet[Any]) -> bool:
        """Whether a packet lies behind a key frame: a seek may lead between two, and a decoder of several threads never gets over that."""
        self._key_met = self._key_met or self._start is None or packet.is_keyframe
        return self._key_met

    def _is_before_start(self) -> bool:
        """Whether the pictures that were read last before have not been reached."""
        return self._start is not None and self.frames_read == self._start.frames_read - REPEATED

    def _find_again(self, picture: VideoFrame) -> Fraction | None:
        """Time of a picture that was read before, below 0 for one that is new; None for those before the last two that were read."""
        start = self._start
        if start is None or self.frames_read >= start.frames_read:
            return NEW
        stamped, wanted = stamp_s(picture, self._release), start.last_times_s[self.frames_read - start.frames_read + REPEATED]
        if stamped is not None and stamped < wanted and self._is_before_start():
            return None
        if stamped != wanted:
            raise CannotReadOn(f"no picture at {float(wanted):.3f} s of {self._release.path}")
        return wanted

    def _time(self, picture: VideoFrame) -> Fraction:
        """Exact time since the first picture; derived from the frame rate, and recorded, where the file gives none or runs backwards."""
        following = Fraction(0) if self.last_time_s is None else self.last_time_s + self._step_s
        if self._release.stamps_of_coding:
            return following
        stamped = stamp_s(picture, self._release)
        if stamped is None:
            self._record("missing time stamp", "pictures without a time stamp: their times follow from the frame rate")
            return following
        if self.last_time_s is not None and stamped <= self.last_time_s:
            self._record("missing time stamp", "time stamps run backwards: those pictures' times follow from the frame rate")
            return following
        missing, self._dropped = round((stamped - following) / self._step_s) - self._dropped, 0
        if self._is_gap(stamped - following, picture):
            self._record("decode error", f"no picture until {float(stamped):.3f} s: the file is damaged there, or its frame rate varies")
        elif missing > 0 and not self._held:
            said = f"{missing} picture{'s are' if missing > 1 else ' is'} missing before {float(stamped):.3f} s"
            self._gaps.append(Damage("missing pictures", self.frames_read, said))
        return stamped

    def _check_tags(self, picture: VideoFrame, time_s: Fraction) -> None:
        """Refuse another colour description than the first picture's; note other metadata at key frames. What falls silent still holds.

        When a picture is given back decides what a decoder makes of damage: where that counts (`Release.in_order`), metadata is not
        looked at.
        """
        tags = tags_of_picture(picture)
        looked_at = not self._release.in_order and (picture.key_frame or self._tags is None)
        static = read_static(picture, codec=self._stream.codec_context.name) if looked_at else NOTHING
        if self._tags is None:
            self._tags, self._static = tags, static
            return
        if tags != self._tags:
            for name, first, now in ((name, getattr(self._tags, name), getattr(tags, name)) for name in FIELDS):
                fact = getattr(self._release.signal, name)
                if now is None or now == first or fact.source == "option":
                    continue
                if first is not None:
                    raise SignalUnresolved(_say_change(self._release, name, name_point(name, first), now, time_s))
                if fact.value not in (NAMES[name].get(now), "rgb"):  # silent at first: what it is read as
                    raise SignalUnresolved(_say_change(self._release, name, fact.value, now, time_s))
        if static not in (NOTHING, self._static) and len(self.changes) < MOST_CHANGES:
            self.changes.append(
                f"what the file declares changes at {float(time_s):.3f} s: {_say_static(self._static)} becomes {_say_static(static)}."
            )
            self._static = static

    def _is_gap(self, late_s: Fraction, picture: VideoFrame) -> bool:
        """Whether pictures are missing: a hold that the file states as a long picture is none, nor one among many of a variable rate."""
        self._uneven += abs(late_s) > self._step_s / 2
        lasts_s, self._lasts_s = self._lasts_s, (picture.duration or 0) * (picture.time_base or self._release.time_base)
        stated = late_s + self._step_s <= lasts_s + self._step_s / 2
        self._held = stated
        varies = self._uneven >= max(LEAST_UNEVEN, UNEVEN_SHARE * self.frames_read)
        return late_s > max(5 * self._step_s, Fraction(1, 5)) and not stated and not varies

    def _tell_gaps(self) -> None:
        """Short gaps in an otherwise even stream are pictures that the decoder dropped; many, or in an uneven one, are its rate."""
        if max(self._uneven, len(self._gaps)) <= max(FEW_GAPS, FEW_GAPS_SHARE * self.frames_read):
            self.damage = sorted([*self.damage, *self._gaps], key=lambda one: one.frame)[:MOST_DAMAGE]

    def _tell_faults(self) -> None:
        """What a decoder that checks everything minds in a few packets is damage; in many it is how the stream is written."""
        if len(self._told) <= max(FEW_TOLD, FEW_TOLD_SHARE * self.frames_read):
            known = {one.frame for one in self.damage}
            self.damage = sorted([*self.damage, *(one for one in self._told if one.frame not in known)], key=lambda one: one.frame)

    def _place(self, picture: VideoFrame) -> str:
        stamped = stamp_s(picture, self._release)
        return "an unknown time" if stamped is None else f"{float(stamped):.3f} s"

    def _meet(self, kind: str, detail: str) -> None:
        """A fault of the stream; at its beginning alone it is one that starts between key frames."""
        if self._start is not None and self.frames_read < self._start.frames_read:
            if self._is_before_start():
                return  # pictures that lean on those before a key frame at which reading began; none of them is taken
            raise CannotReadOn(detail)
        if self._strict and self.frames_read:
            raise FaultMet(detail)
        self._record(kind, detail)

    def _tell(self, detail: str) -> None:
        """Something that a decoder that checks everything minds."""
        new = not self._told or self.frames_read > self._told[-1].frame + TOLD_APART_FRAMES
        if self.frames_read and new and len(self._told) < MOST_DAMAGE:
            self._told.append(Damage("decode error", self.frames_read, detail))

    def _record(self, kind: str, detail: str) -> None:
        """Add a fault, once where the same one goes on."""
        if len(self.damage) < MOST_DAMAGE and not (self.damage and (self.damage[-1].kind, self.damage[-1].detail) == (kind, detail)):
            self.damage.append(Damage(kind, self.frames_read, detail))

    def _check_length(self) -> None:
        """Compare the last picture with the length that the container states."""
        stated, of_stream = stated_duration_s(self._container, self._stream)
        if stated is None or self.last_time_s is None:
            return
        if self._release.container.startswith("matroska"):  # stored as the end time, not the length
            stated -= max(self._release.start_s, Fraction(0))
        reached = self.last_time_s + self._step_s
        slack = Fraction(1, 10) if of_stream else Fraction(1)  # sound may go on a little longer than the pictures
        if stated - reached > max(slack, 3 * self._step_s):
            detail = f"the container states {float(stated):.3f} s, but the pictures end at {float(reached):.3f} s: the file is cut off"
            self._record("truncated", detail)


def _say_change(release: Release, name: str, first: str, now: int, time_s: Fraction) -> str:
    """The refusal of a stream that changes how it is to be read."""
    side, value = release.side, getattr(release.signal, name).value
    return (
        f"The {SIDES[side]} release {release.path} changes its {name} at {float(time_s):.3f} s from {first} to "
        f"{name_point(name, now)}: its pictures cannot be read in one way. Cut the file there and give the parts one by one, or, if only "
        f"the tags change and the picture does not, state it: --{side}-{name} {value}."
    )


def _say_static(static: StaticMetadata | None) -> str:
    """Declared levels in short."""
    if static is None or static == NOTHING:
        return "nothing"
    level = static.light_level
    parts = [f"MaxCLL {level[0]}, MaxFALL {level[1]} cd/m2"] if level else []
    if static.luminance_nits and static.luminance_nits[0] is not None:
        parts.append(f"mastering peak {static.luminance_nits[0]:g} cd/m2")
    return ", ".join(parts) or "mastering primaries alone"


def _with_neighbours(frames: Iterator[T], *, wanted: bool) -> Iterator[tuple[T | None, T, T | None]]:
    """Each item with the one before and the one after; None at the ends, and everywhere, without reading ahead, where not `wanted`."""
    if not wanted:
        yield from ((None, frame, None) for frame in frames)
        return
    before: T | None = None
    frame = next(frames, None)
    while frame is not None:
        after = next(frames, None)
        yield before, frame, after
        before, frame = frame, after


def _rejoin(before: Frame | None, frame: Frame, after: Frame | None, *, order: FieldOrder, joins: str) -> Frame:
    """A frame whose two fields show one moment, out of three frames in a row: as the whole film told, else as these three do."""
    match = JOIN_LETTERS[joins[frame.index]] if frame.index < len(joins) else _choose(before, frame, after, order)
    if match == "before" and before is not None:
        first, second = frame, before
    elif match == "after" and after is not None:
        first, second = after, frame
    else:
        return frame
    top, bottom = (first, second) if order == "top" else (second, first)
    return replace(frame, planes=join_fields(top.planes, bottom.planes))


def _choose(before: Frame | None, frame: Frame, after: Frame | None, order: FieldOrder) -> Match:
    earlier, own, later = (None if one is None else sample_rows(one.planes[0]) for one in (before, frame, after))
    assert own is not None
    return choose_match(
        None if earlier is None else compare_weaves(earlier, own), None if later is None else compare_weaves(own, later), order=order
    )


def video_stream(container: InputContainer, release: Release, *, threads: int, strict: bool = False) -> VideoStream:
    """The release's video stream, its decoder set to use threads, and where `strict` to tell of every fault and give up on the picture."""
    stream = video_stream_at(container, release.stream_index)
    stream.thread_type = "SLICE" if release.in_order else "AUTO"
    stream.codec_context.thread_count = threads
    if strict:
        stream.codec_context.options = {"err_detect": "explode"}
    return stream


def make_checker(stream: VideoStream) -> VideoCodecContext:
    """A second decoder for a stream, which gives up on everything that is not as it should be; its pictures are not looked at."""
    checker = cast("VideoCodecContext", av.CodecContext.create(stream.codec_context.codec.name, "r"))
    checker.extradata = stream.codec_context.extradata
    checker.thread_type, checker.options = "SLICE", {"err_detect": "explode"}
    return checker


def decode_pictures(
    container: InputContainer,
    stream: VideoStream,
    *,
    on_fault: Callable[[str, str], None],
    checker: VideoCodecContext | None = None,
    on_told: Callable[[str], None] = lambda detail: None,
    only: Callable[[Packet[Any]], bool] = lambda packet: True,
) -> Iterator[VideoFrame]:
    """Decode from where the container stands; faults go to `on_fault(kind, detail)`, what a checker minds to `on_told`.

    Packets that `only` does not take are passed over.
    """
    packets = container.demux(stream)
    faults = 0
    while faults < MOST_FAULTS_IN_A_ROW:
        try:
            with decoding(container.name):
                packet = next(packets, None)
        except av.error.FFmpegError as error:
            on_fault("decode error", f"the container cannot be read on: {error.strerror}")
            packets = container.demux(stream)
            faults += 1
            continue
        if packet is None:
            return
        if packet.size and not only(packet):
            continue
        where = _say_packet(container, packet)
        if checker is not None and packet.size:
            try:
                with decoding(where):
                    checker.decode(packet)
            except av.error.FFmpegError as error:
                on_told(f"packets are not as they should be ({error.strerror}); the decoder goes on in them all the same")
        try:
            with decoding(where):
                pictures = stream.codec_context.decode(packet)
        except av.error.EOFError:
            return
        except av.error.FFmpegError as error:
            on_fault("decode error", f"the decoder gave up on a packet: {error.strerror}")
            faults += 1
            continue
        faults = 0
        yield from pictures


def _say_packet(container: InputContainer, packet: Packet[Any]) -> str:
    """The file, and where in it, for the message if decoding never comes back."""
    if packet.pts is None or packet.time_base is None:
        return container.name
    return f"{container.name} near {float(packet.pts * packet.time_base):.1f} s"


def stamp_s(picture: VideoFrame, release: Release) -> Fraction | None:
    """Exact time of a decoded picture since the first one, seconds; None without a time stamp."""
    if picture.pts is None:
        return None
    return picture.pts * (picture.time_base or release.time_base) - release.start_s


def has_form(picture: VideoFrame, release: Release) -> bool:
    """Whether a decoded picture has the size, the bit depth and the sampling of those of the release, in which its codes are read."""
    signal = release.signal
    rows = -(-picture.height // 2) if release.one_field else picture.height
    wanted = PixelLayout(signal.bit_depth.value, signal.chroma_sampling.value)
    return (picture.width, rows) == (signal.width.value, signal.height.value) and _layout_named(picture.format.name) == wanted


@cache
def _layout_named(name: str) -> PixelLayout | None:
    """Layout of a pixel format; None where it cannot be measured."""
    try:
        return layout_of_format(VideoFormat(name), path="", side="hdr")
    except InputRefused:
        return None


def frame_from_picture(picture: VideoFrame, release: Release, *, index: int, time_s: Fraction) -> Frame:
    """Wrap a decoded picture, or its top field; its planes are views wherever the memory already holds plain code values.

    In a damaged stream a decoder leaves in place what the memory it takes for a picture held before. That is the same each time only where
    pictures are given back in the same order, and not when a reader happens to be done with them: there they are copied.
    """
    planes = planes_of_picture(picture)
    if release.one_field:
        planes = tuple(_read_only(plane[::2], 0) for plane in planes)
    return Frame(
        index=index,
        time_s=time_s,
        planes=tuple(_read_only(plane.copy(), 0) for plane in planes) if release.in_order else planes,
        key_frame=bool(picture.key_frame),
        picture_type=PICTURE_TYPES.get(int(picture.pict_type), "?"),
    )


def planes_of_picture(picture: VideoFrame) -> tuple[Plane, ...]:
    """Y, Cb, Cr, or R, G, B, or Y: read-only (row, column) arrays of native uint8 or uint16 code values.

    Planar formats give views without a copy. Formats that shift their values up (P010), mix them (NV12, RGB24) or store them in the
    other byte order are split with a copy where a view will not do. Alpha is left out.
    """
    form = picture.format
    name, bits = form.name, form.components[0].bits
    grids = [_grid(picture, plane, wide=bits > 8) for plane in range(len(picture.planes))]
    width = picture.width
    if name.startswith(("yuv", "gray")):
        chosen = [grids[0][:, :width], *(grid[:, : form.chroma_width(width)] for grid in grids[1:3])]
        chosen = chosen[: 1 if name.startswith("gray") else 3]
    elif name.startswith("gbr"):
        chosen = [grids[place][:, :width] for place in (2, 0, 1)]
    elif name.startswith("ya"):
        chosen = [grids[0][:, : 2 * width : 2]]
    elif name.startswith(("nv", "p0", "p2", "p4")):
        first = 1 if name in ("nv21", "nv42") else 0
        across = 2 * form.chroma_width(width)
        chosen = [grids[0][:, :width], grids[1][:, first:across:2], grids[1][:, 1 - first : across : 2]]
    else:
        places = next(places for order, places in PACKED_ORDERS.items() if name.startswith(order))
        step = 4 if "0" in name[:4] else len(form.components)
        chosen = [grids[0][:, place : step * width : step] for place in places]
    shift = _shift(name, bits)
    return tuple(_read_only(plane if plane.dtype.isnative else plane.astype(np.uint16), shift) for plane in chosen)


def _grid(picture: VideoFrame, number: int, *, wide: bool) -> Plane:
    """All samples of one stored plane, padding included."""
    plane = picture.planes[number]
    kind: Any = (">u2" if picture.format.is_big_endian else "<u2") if wide else np.uint8
    samples: Plane = np.frombuffer(cast("memoryview[int]", plane), kind)
    return samples[: plane.height * (plane.line_size // samples.itemsize)].reshape(plane.height, -1)


def _shift(name: str, bits: int) -> int:
    """Bits that P0xx, P2xx and P4xx formats leave free below the value."""
    return 16 - bits if re.match(r"p[024]1[0-6]", name) else 0


def _read_only(plane: Plane, shift: int) -> Plane:
    """Writing into a decoder's picture would spoil the pictures that refer to it."""
    view: Plane = np.right_shift(plane, np.uint16(shift)) if shift else plane
    view.flags.writeable = False
    return view


def read_frames_at(release: Release, *, indices: Sequence[int], times_s: Sequence[Fraction]) -> Iterator[Frame]:
    """Chosen pictures of a release, found again by their exact times.

    Decodes forward over small gaps and seeks to an earlier key frame over large ones. A stream that cannot be sought, or whose
    time stamps are missing, is read from its beginning.

    Parameters
    ----------
    release
        What `probe_release` returned.
    indices
        Number of each picture, ascending; handed back as `Frame.index`.
    times_s
        Time of each picture as `FrameReader` gave it, ascending, same length.

    Yields
    ------
    Frame
        One for each index, in order.

    Raises
    ------
    ValueError
        If the two lists differ in length or do not ascend.
    DecodeFailed
        If no picture carries the time asked for.
    """
    if len(indices) != len(times_s):
        raise ValueError(f"{len(indices)} indices, but {len(times_s)} times; give one time for each index.")
    if any(later <= earlier for earlier, later in itertools.pairwise(times_s)):
        raise ValueError("The times do not ascend; sort the pictures by time first.")
    done = 0
    if release.stamps_of_coding:
        yield from _read_by_order(release, indices=indices, times_s=times_s)
        return
    with ExitStack() as stack:
        finder = _Finder(release, stack)
        stack.callback(finder.let_go)
        for index, time_s in zip(indices, times_s, strict=True):
            frame = finder.find(time_s, index=index)
            if frame is None:
                break
            yield frame
            done += 1
    if done < len(indices):
        yield from _read_by_order(release, indices=indices[done:], times_s=times_s[done:])


def _read_by_order(release: Release, *, indices: Sequence[int], times_s: Sequence[Fraction]) -> Iterator[Frame]:
    """The slow, certain way: read from the beginning and compare the times that `FrameReader` gives."""
    wanted = dict(zip(times_s, indices, strict=True))
    with FrameReader(release) as reader:
        for frame in reader:
            if frame.time_s in wanted:
                yield replace(frame, index=wanted.pop(frame.time_s))
                if not wanted:
                    return
    time_s, index = next(iter(wanted.items()))
    raise DecodeFailed(
        f"Picture f{index} at {float(time_s):.3f} s of {release.path} cannot be found again by its time stamp. "
        "The file may have changed since it was read: compare it afresh (--fresh)."
    )


class _Finder:
    """Goes to pictures by time stamp, forward only, with a second handle that scouts for key frames without decoding."""

    def __init__(self, release: Release, stack: ExitStack) -> None:
        self._release, self._stack = release, stack
        self._container = stack.enter_context(open_release(release))
        self._stream = video_stream(self._container, release, threads=0)
        self._scout = stack.enter_context(open_release(release))
        self._pictures = self._decode()
        self._reached: Fraction | None = None
        self._step_s = 1 / (release.signal.frame_rate.value or Fraction(24))
        self._lead_s = 2 * self._step_s if release.field_order is not None else Fraction(0)

    def let_go(self) -> None:
        """Drop what refers back to this: with it the decoder and its pictures, 300 MB at 2160p, would stay until the next collection."""
        self._pictures = iter(())

    def find(self, time_s: Fraction, *, index: int) -> Frame | None:
        """The picture at exactly that time, or None where this way does not lead to it."""
        gap = time_s - (self._reached if self._reached is not None else Fraction(0))
        if gap > FORWARD_PICTURES * self._step_s:
            self._jump(time_s - self._lead_s)
        found = self._forward(time_s, index)
        if found is None and self._reached is not None and self._reached >= time_s:
            # the seek landed late: from the beginning, once
            self._seek(None)
            found = self._forward(time_s, index)
        return found

    def _decode(self) -> Iterator[tuple[VideoFrame | None, VideoFrame, VideoFrame | None]]:
        pictures = decode_pictures(self._container, self._stream, on_fault=lambda kind, detail: None)
        return _with_neighbours(filter(self._is_sound, pictures), wanted=self._release.field_order is not None)

    def _is_sound(self, picture: VideoFrame) -> bool:
        return not picture.is_corrupt and picture.pts is not None and has_form(picture, self._release)

    def _forward(self, time_s: Fraction, index: int) -> Frame | None:
        order = self._release.field_order
        for before, picture, after in self._pictures:
            stamped = stamp_s(picture, self._release)
            assert stamped is not None
            self._reached = stamped
            if stamped > time_s or (stamped == time_s and order is not None and before is None and time_s > 0):
                return None  # too far, or without the neighbour that its fields may need
            if stamped == time_s:
                frame = frame_from_picture(picture, self._release, index=index, time_s=time_s)
                if order is None:
                    return frame
                sides = [
                    None if one is None else frame_from_picture(one, self._release, index=index, time_s=time_s) for one in (before, after)
                ]
                return _rejoin(sides[0], frame, sides[1], order=order, joins=self._release.field_joins)
        return None

    def _jump(self, time_s: Fraction) -> None:
        """Seek where a key frame lies between here and there; otherwise stay and decode on."""
        base = self._release.time_base
        target = int((time_s + self._release.start_s) / base)
        here = int(((self._reached or Fraction(0)) + self._release.start_s) / base)
        back = 0
        while target - back > here:
            key = _key_after_seek(self._scout, self._scout.streams[self._release.stream_index], target - back)
            if key is None or key <= here:
                return
            if key <= target:
                self._seek(target - back)
                return
            back = back * 2 or max(int(1 / base), 1)

    def _seek(self, stamp: int | None) -> None:
        if stamp is None:  # opened anew: not every container can be sought
            self._container.close()  # what is left open keeps hundreds of megabytes
            self._container = self._stack.enter_context(open_release(self._release))
            self._stream = video_stream(self._container, self._release, threads=0)
        else:
            self._container.seek(stamp, stream=self._stream)
        self._pictures = self._decode()


def _key_after_seek(container: InputContainer, stream: Stream, stamp: int) -> int | None:
    """Time stamp of the first key frame that a seek leads to."""
    try:
        container.seek(stamp, stream=stream)
        for packet in container.demux(stream):
            if packet.is_keyframe and packet.pts is not None:
                return packet.pts
    except av.error.FFmpegError:
        return None
    return None


def find_key_times_s(release: Release, moments_s: Sequence[Fraction]) -> list[Fraction]:
    """Times of the key frames that a seek to each moment leads to, seconds since the first picture; none for one that leads nowhere."""
    found = []
    with ExitStack() as stack:
        container = stack.enter_context(open_release(release))
        stream = video_stream(container, release, threads=1)
        for moment_s in moments_s:
            key = _key_after_seek(container, stream, _stamp_at(release, moment_s))
            if key is not None:
                found.append(key * release.time_base - release.start_s)
    return found


def state_at_key(release: Release, *, time_s: Fraction) -> ReaderState:
    """What a reader needs to begin at a key frame, its pictures numbered from there on: it delivers that one and the next once more.

    Raises
    ------
    CannotReadOn : where no two pictures are found there.
    """
    found: list[Fraction] = []
    with ExitStack() as stack:
        container = stack.enter_context(open_release(release))
        stream = video_stream(container, release, threads=1)
        stamp = _find_seek(container, stream, release, time_s)
        if stamp is not None:
            container.seek(stamp, stream=stream)
        for picture in decode_pictures(container, stream, on_fault=lambda kind, detail: None):
            at_s = stamp_s(picture, release)
            if at_s is not None and at_s >= time_s:
                found.append(at_s)
            if len(found) == REPEATED:
                break
    if len(found) < REPEATED or found[0] != time_s:
        raise CannotReadOn(f"no picture at {float(time_s):.3f} s of {release.path}")
    return ReaderState(REPEATED, (found[0], found[1]), 0, Fraction(0), False)


def _find_seek(container: InputContainer, stream: Stream, release: Release, time_s: Fraction) -> int | None:
    """Time stamp that a seek has to be made to so that it leads to a key frame at that time or before; None where there is none."""
    target, second = _stamp_at(release, time_s), int(1 / release.time_base)
    for back_s in SEEK_BACK_S:
        key = _key_after_seek(container, stream, target - back_s * second)
        if key is not None and key <= target:
            return target - back_s * second
    return None


def _stamp_at(release: Release, time_s: Fraction) -> int:
    return int((time_s + release.start_s) / release.time_base)


def read_key_frames(release: Release, *, most: int) -> Iterator[Frame]:
    """Key frames only, spread over the release; decoding skips everything between them.

    Parameters
    ----------
    release
        What `probe_release` returned.
    most
        Key frames delivered at most, evenly thinned from all there are.

    Yields
    ------
    Frame
        `index` counts key frames, not pictures.
    """
    rate = release.signal.frame_rate.value
    if release.container == "image2" and rate is not None and release.duration_s is not None:  # all are key frames: only some are opened
        last = max(round(release.duration_s * rate) - 1, 0)
        chosen = sorted({round(n * last / max(most - 1, 1)) for n in range(most)})
        for index, frame in enumerate(read_frames_at(release, indices=chosen, times_s=[n / rate for n in chosen])):
            yield replace(frame, index=index)
        return
    with open_release(release) as container:
        listed = container.demux(video_stream_at(container, release.stream_index))
        stamps = sorted(packet.pts for packet in _until_fault(listed) if packet.is_keyframe and packet.pts is not None)
    wanted = {stamps[round(n * (len(stamps) - 1) / max(most - 1, 1))] for n in range(most)} if len(stamps) > most else set(stamps)
    with open_release(release) as container:
        stream = video_stream(container, release, threads=0)
        stream.codec_context.skip_frame = "NONKEY"
        index = 0
        # those between are not even handed to the decoder: it works on several key frames at a time then
        for picture in decode_pictures(
            container, stream, on_fault=lambda kind, detail: None, only=lambda packet: packet.is_keyframe and packet.pts in wanted
        ):
            if picture.pts in wanted and not picture.is_corrupt and has_form(picture, release):
                yield frame_from_picture(picture, release, index=index, time_s=stamp_s(picture, release) or Fraction(0))
                index += 1


def _until_fault(packets: Iterator[T]) -> Iterator[T]:
    """Packets up to the first fault of the container."""
    try:
        yield from packets
    except av.error.FFmpegError:
        return


def decoder_version() -> str:
    """Version of the codec library that decodes, as `libavcodec 62.11.100`."""
    return "libavcodec " + ".".join(str(part) for part in av.library_versions["libavcodec"])
