"""Short windows of a release, read by time: from the key frame before them to their last picture and no further.

Where a whole pass decodes every picture, a survey decodes a few hundred. Windows are addressed by picture numbers of an even frame rate;
a picture belongs to the number whose time, from the first picture on, is nearest to its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace
from fractions import Fraction
from types import TracebackType
from typing import Any

import av
import numpy as np
from av.container import InputContainer
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from pairdiff._beat import decoding
from pairdiff._records import Frame, Release
from pairdiff.clip.container import open_release
from pairdiff.frames.decode import SEEK_BACK_S, frame_from_picture, has_form, stamp_s, video_stream
from pairdiff.frames.prefetch import count_cores

SKIPPED_CODECS = ("h264", "mpeg2video")
"""Codecs whose pictures that no other one refers to are marked as such for sure: before a window they need not be decoded."""
MOST_SCOUTED_PACKETS = 2000
"""Packets looked at in search of a key frame (own)."""
MOST_THREADS = 8
"""Decoder threads at most: each holds pictures of its own, and a window has few (own)."""
WITHOUT_INDEX = ("mpegts", "mpeg")
"""Containers that list no key frames: a seek leads somewhere near, and packets are gone through from there."""


def even_rate(release: Release) -> Fraction:
    """Pictures a second of a release that states them.

    Raises
    ------
    ValueError
        For one that does not: by a rate that is guessed no picture is found again.
    """
    rate = release.signal.frame_rate.value
    if rate is None:
        raise ValueError(f"{release.path} states no frame rate; read it whole.")
    return rate


class WindowReader:
    """Reads windows of a release of one file with an even frame rate; use it in a `with` statement.

    Parameters
    ----------
    release
        What `probe_release` returned; it states a frame rate.

    Attributes
    ----------
    decoded : int
        Pictures that the decoder has made so far.
    """

    def __init__(self, release: Release) -> None:
        self._release, self._stack = release, ExitStack()
        self._rate = even_rate(release)
        self._lists_none = release.container in WITHOUT_INDEX
        self._opened: tuple[InputContainer, VideoStream, InputContainer] | None = None
        self.decoded = 0
        self._open()

    def _open(self) -> tuple[InputContainer, VideoStream, InputContainer]:
        """The container that is decoded, its stream, and the container that is scouted."""
        if self._opened is None:
            container = self._stack.enter_context(open_release(self._release))
            stream = video_stream(container, self._release, threads=min(count_cores(), MOST_THREADS))
            self._opened = container, stream, self._stack.enter_context(open_release(self._release))
        return self._opened

    def __enter__(self) -> WindowReader:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the containers, whose decoders hold hundreds of megabytes; what is read afterwards opens them again."""
        self._opened = None
        self._stack.close()

    def key_before(self, number: int) -> int | None:
        """Number of the last key frame at or before a picture, found without decoding; None where none is found."""
        found = self._scouted(number)
        return None if found is None else found[0]

    def _scouted(self, number: int) -> tuple[int, int] | None:
        """The last key frame at or before a picture, and the time stamp by which a seek leads to it or to one before."""
        for back_s in SEEK_BACK_S:
            stamp = self._stamp(number) - int(back_s / self._release.time_base)
            key = self._key_from(stamp, number)
            if key is not None and key <= number:
                return key, stamp
        return None

    def read(self, first: int, last: int, *, key: int | None = None) -> list[Frame]:
        """Pictures of a window; arguments as for `run_through`."""
        return list(self.run_through(first, last, key=key))

    def run_through(self, first: int, last: int, *, key: int | None = None) -> Iterator[Frame]:
        """Pictures from one number to another, both included, as far as the file holds them in order and sound.

        A consumer that lets each go before it takes the next holds few in memory; it runs to the end, or closes the iterator.

        Parameters
        ----------
        first, last
            Numbers, ascending.
        key
            What `key_before` gave for `first`, where that was asked before.

        Yields
        ------
        Frames with their numbers as `index`, ascending; one that is damaged or missing is not among them.
        """
        scouted = self._scouted(first) if key is None or self._lists_none else (key, self._stamp(key))
        if scouted is None:
            return
        reached = first - 1
        for picture in self._decode_from(*scouted, first, last):
            if picture.is_corrupt or not has_form(picture, self._release):
                continue
            time_s = stamp_s(picture, self._release)
            number = None if time_s is None else self._number(time_s)
            if number is None or time_s is None or not reached < number <= last:
                continue
            reached = number
            yield frame_from_picture(picture, self._release, index=number, time_s=time_s)

    def _decode_from(self, key: int, stamp: int, first: int, last: int) -> Iterator[VideoFrame]:
        """Pictures decoded from a key frame on; the decoder is emptied when the last one wanted is in it."""
        stop, begin = self._stamp(last), self._stamp(first)
        container, stream, _ = self._open()
        container.seek(stamp, stream=stream)
        codec = stream.codec_context
        skips = codec.name in SKIPPED_CODECS
        seen: set[int] = set()
        try:
            for packet in container.demux(stream):
                if not packet.size:
                    break
                if not seen and not (packet.is_keyframe and self._number_of(packet) == key):
                    continue
                beyond = packet.pts is not None and packet.pts > stop
                if beyond and packet.dts is not None and packet.dts > stop:
                    break
                number = self._number_of(packet)
                if number is not None and key <= number <= last:
                    seen.add(number)
                if skips:
                    early = packet.pts is not None and packet.pts < begin
                    codec.skip_frame = "NONREF" if early else "DEFAULT"
                yield from self._decode(packet)
                if len(seen) > last - key:  # all that is wanted is in the decoder
                    break
            yield from self._decode(None)
        finally:
            codec.flush_buffers()

    def _decode(self, packet: Packet[Any] | None) -> list[VideoFrame]:
        """Pictures that a packet brings; what the decoder gives up on is left out."""
        try:
            container, stream, _ = self._open()
            with decoding(container.name):
                pictures = list(stream.codec_context.decode(packet))
        except av.error.FFmpegError:
            return []
        self.decoded += len(pictures)
        return pictures

    def _number_of(self, packet: Packet[Any]) -> int | None:
        return None if packet.pts is None else self._number(packet.pts * self._release.time_base - self._release.start_s)

    def _key_from(self, stamp: int, number: int) -> int | None:
        """Number of the first key frame that a seek leads to, or, where nothing lists them, of the last one up to a picture."""
        _, _, scout = self._open()
        stream = scout.streams[self._release.stream_index]
        last: int | None = None
        try:
            scout.seek(stamp, stream=stream)
            for count, packet in enumerate(scout.demux(stream)):
                here = self._number_of(packet) if packet.is_keyframe else None
                if here is not None and (last is None or here <= number):
                    last = here
                if last is not None and (not self._lists_none or last > number or self._is_behind(packet, number)):
                    return last
                if count > MOST_SCOUTED_PACKETS:
                    return None
        except av.error.FFmpegError:
            return last
        return last

    def _is_behind(self, packet: Packet[Any], number: int) -> bool:
        """Whether no picture up to a number follows a packet."""
        return packet.dts is not None and packet.dts > self._stamp(number)

    def _number(self, time_s: Fraction) -> int:
        return round(time_s * self._rate)

    def _stamp(self, number: int) -> int:
        return round((number / self._rate + self._release.start_s) / self._release.time_base)


def keep_planes(frame: Frame) -> Frame:
    """The same frame with planes of its own, which outlive the decoder's."""
    planes = tuple(np.ascontiguousarray(plane) if plane.base is None else plane.copy() for plane in frame.planes)
    for plane in planes:
        plane.flags.writeable = False
    return replace(frame, planes=planes)


def read_spread_keys(reader: WindowReader, numbers: Sequence[int]) -> Iterator[Frame]:
    """The key frames at or before some picture numbers, each once, in order."""
    keys = sorted({key for number in numbers if (key := reader.key_before(number)) is not None})
    for key in keys:
        yield from reader.read(key, key, key=key)
