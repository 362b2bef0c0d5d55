"""Open a container, and say in plain words why it cannot be opened."""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from fractions import Fraction
from functools import cache
from typing import Any, cast

import av
from av.codec.hwaccel import HWAccel
from av.container import InputContainer
from av.sidedata.sidedata import Type
from av.video.stream import VideoStream

from pairdiff._beat import decoding
from pairdiff._errors import InputRefused, UsageError
from pairdiff._records import Release
from pairdiff.clip.sequence import find_sequence

ATTACHED_PICTURE = 0x0400  # AV_DISPOSITION_ATTACHED_PIC
DEPENDENT = 0x080000
"""AV_DISPOSITION_DEPENDENT: a tile of a picture (HEIF, AVIF), or a layer that is nothing without another stream."""
MOST_STREAMS = 1000
"""Streams a file may hold (FFmpeg's own limit as well)."""
TEXT_FORMATS = ("tty", "bin", "xbin", "idf", "adf")
CARD = "cuda"
"""The kind of device whose decoder may be used, as FFmpeg calls it."""
SIDES = {"hdr": "HDR", "sdr": "SDR"}
ASSUMED_RATE = "24"
"""Pictures a second of numbered pictures where nothing is stated: cinema's (common practice, no source)."""
OPENS_OTHERS = (
    *("hls", "concat", "dash", "imf", "webm_dash_manifest", "vobsub"),  # lists of other files and addresses
    *("rtp", "rtsp", "sdp", "sap", "lavfi"),  # the network, and made-up pictures
    *("alsa", "fbdev", "kmsgrab", "video4linux2,v4l2", "x11grab"),  # devices
)
"""Formats that make the library open what a file names, and not the file alone. None of them is ever taken."""
LISTS = {
    b"#EXTM3U": "HLS playlist",
    b"<MPD": "DASH manifest",
    b"ffconcat": "list of files",
    b"<AssetMap": "package list",
    b"v=0": "session description",
}
"""How such lists begin, for the message."""


def _accept_unknown_kind(cls: Any, value: object) -> Any:
    """A stand-in for a side-data kind the binding has no name for; without it a picture with such data cannot be looked at."""
    kind = object.__new__(cls)
    kind._name_ = f"UNKNOWN_{value}"
    kind._value_ = value
    cls._value2member_map_[value] = kind
    return kind


Type._missing_ = classmethod(_accept_unknown_kind)  # type: ignore[assignment]


def check_path(path: str, *, side: str) -> None:
    """Refuse what is neither a readable, non-empty file nor a film of numbered pictures, none of them empty.

    Raises
    ------
    InputRefused
        Missing, a folder without a film of pictures, not a file, empty, or not readable.
    """
    name = f"The {SIDES[side]} release {path}"
    sequence = find_sequence(path, name=name)
    if sequence is None:
        _check_file(path, name=name)
        return
    for picture in sequence.paths():
        if not os.path.getsize(picture):
            raise InputRefused(f"{name} holds an empty picture, {picture} (0 bytes). Copy or export it again.")


def _check_file(path: str, *, name: str) -> None:
    if not os.path.lexists(path):
        raise InputRefused(f"{name} does not exist. Check the path; a release is a video file or a folder of pictures on this machine.")
    if not os.path.isfile(path):
        raise InputRefused(f"{name} is not a regular file (a broken link or a device). Give the video file itself.")
    try:
        with open(path, "rb") as file:
            first = file.read(1)
    except PermissionError as error:
        raise InputRefused(f"{name} cannot be read: no permission. Give this user the right to read the file.") from error
    except OSError as error:
        raise InputRefused(f"{name} cannot be read: {error.strerror}. Copy the file to a disk that can be read.") from error
    if not first:
        raise InputRefused(f"{name} is empty (0 bytes). Copy or download it again.")


@contextmanager
def open_container(
    path: str, *, side: str, rate: Fraction | None = None, options: Mapping[str, str] | None = None, card: HWAccel | None = None
) -> Iterator[InputContainer]:
    """Open a file, or a film of numbered pictures, for reading and close it whatever happens.

    An unclosed container keeps hundreds of megabytes.

    Parameters
    ----------
    path
        Video file, folder of pictures, or pattern.
    side
        For the messages.
    rate
        Pictures a second, for what states none: numbered pictures and bare streams.
    options
        For the container, over this function's own.
    card
        What its video is decoded on, other than the processor.

    Raises
    ------
    InputRefused
        When the file cannot be opened as video, or a card does not decode it; see `check_path` for the rest.
    """
    name = f"The {SIDES[side]} release {path}"
    sequence = find_sequence(path, name=name)
    if sequence is None:
        _check_file(path, name=name)
    # a picture's name with a number in it must not stand for many files, unless it was given for many
    own = {"format_whitelist": _safe_formats(), "protocol_whitelist": "file", "pattern_type": "none", "max_streams": str(MOST_STREAMS)}
    if sequence is not None:
        own |= {"pattern_type": "sequence", "start_number": str(sequence.first), "framerate": ASSUMED_RATE}
    if rate is not None:
        own["framerate"] = str(rate)
    opened, form = (path, None) if sequence is None else (sequence.pattern, "image2")
    try:
        with decoding(f"the head of {path}"):
            container = av.open(
                os.path.abspath(opened), format=form, options=own | dict(options or {}), metadata_errors="replace", hwaccel=card
            )
    except av.error.FFmpegError as error:
        if sequence is not None:
            raise InputRefused(
                f"{name} holds pictures that cannot be read ({error.strerror}). Give PNG, TIFF, DPX, JPEG, OpenEXR or AVIF pictures."
            ) from error
        raise InputRefused(_why_not_open(path, side, error)) from error
    try:
        if container.format.name.split(",")[0] in TEXT_FORMATS:
            raise InputRefused(f"The {SIDES[side]} release {path} is a text file, not video. Give the video file itself.")
        yield container
    finally:
        container.close()


def open_release(release: Release) -> AbstractContextManager[InputContainer]:
    """Open a release that was probed, as it was opened then."""
    card = HWAccel(CARD, allow_software_fallback=False) if release.decoder == CARD and not release.in_order else None
    return open_container(release.opened or release.path, side=release.side, rate=release.stated_rate, card=card)


@cache
def _safe_formats() -> str:
    """Every format that the library reads from one file alone."""
    return ",".join(name for name in sorted(av.formats_available) if name not in OPENS_OTHERS)


def _why_not_open(path: str, side: str, error: av.error.FFmpegError) -> str:
    name = f"The {SIDES[side]} release {path}"
    if kind := _names_others(path):
        return (
            f"{name} is a list that names other files ({kind}), not video. Only what you name is ever opened: give the video files "
            "themselves."
        )
    if _lacks_index(path):
        return (
            f"{name} is an MP4 or MOV file with no index: its `moov` box is missing, most likely because the file is cut off. "
            "No picture can be found without it. Copy or download the file again."
        )
    if error.errno == errno.ENOMEM:
        return (
            f"{name} cannot be opened: its head asks for more than {MOST_STREAMS} streams, or for more memory than there is. It is most "
            "likely damaged, or no film: copy it again, or give the stream that is meant in a file of its own."
        )
    return f"{name} is not video that can be read ({error.strerror}). Give a video file, such as Matroska, MP4, MOV or MPEG-TS."


def _names_others(path: str) -> str | None:
    """What kind of list of other files a text file is; None for anything else."""
    with open(path, "rb") as file:
        head = file.read(1024).lstrip(b"\xef\xbb\xbf \t\r\n")
    found = [kind for start, kind in LISTS.items() if head.startswith(start) or (start.startswith(b"<") and start in head)]
    return found[0] if found else None


def _lacks_index(path: str) -> bool:
    """True for a file that starts as MP4 or MOV and whose top boxes end without a `moov` box."""
    size = os.path.getsize(path)
    place = 0
    names: list[bytes] = []
    with open(path, "rb") as file:
        while place + 8 <= size and len(names) < 1000:
            file.seek(place)
            head = file.read(16)
            length = int.from_bytes(head[:4], "big")
            names.append(head[4:8])
            if length == 1 and len(head) == 16:
                length = int.from_bytes(head[8:16], "big")
            if length < 8:
                break
            place += length
    return bool(names) and names[0] in (b"ftyp", b"mdat", b"wide", b"free", b"skip") and b"moov" not in names


def choose_stream(container: InputContainer, *, path: str, side: str, wanted: int | None) -> VideoStream:
    """The video stream to measure: the one asked for, else the first that is neither an attached picture nor a part of one.

    Raises
    ------
    InputRefused
        When the file has no video stream, or parts of a picture alone.
    UsageError
        When the option names a stream that is not there.
    """
    streams = list(container.streams.video)
    films = [stream for stream in streams if not int(stream.disposition) & ATTACHED_PICTURE]
    if wanted is not None:
        if not 0 <= wanted < len(streams):
            raise UsageError(
                f"--{side}-stream {wanted} does not exist: {path} has {len(streams)} video stream(s), numbered from 0. "
                f"Give a number below {len(streams)}."
            )
        return _known(streams[wanted], path=path, side=side)
    whole = [stream for stream in films if not int(stream.disposition) & DEPENDENT]
    if whole:
        return _known(whole[0], path=path, side=side)
    if films:
        raise InputRefused(
            f"The {SIDES[side]} release {path} holds {len(films)} parts of a picture (such as the tiles of a HEIC or AVIF grid), which "
            "are not put together here. Export the picture in one piece: AVIF, 16-bit PNG or TIFF."
        )
    kinds = sorted({stream.type for stream in container.streams if stream not in streams})
    found = ("only " + ", ".join(kinds)) if kinds else "nothing that can be decoded"
    cover = " beside a cover picture" if streams else ""
    raise InputRefused(
        f"The {SIDES[side]} release {path} has no video stream (found: {found}{cover}). Give a file that holds the film's pictures."
    )


def _known(stream: VideoStream, *, path: str, side: str) -> VideoStream:
    """A stream that a decoder is known for."""
    if cast("object", stream.codec_context) is None:
        raise InputRefused(
            f"The {SIDES[side]} release {path} has a video stream of a codec that is not known here. The file may be damaged: copy it "
            "again, or give it in another codec."
        )
    return stream


def video_stream_at(container: InputContainer, index: int) -> VideoStream:
    """Stream of that index in the container.

    Raises
    ------
    InputRefused
        When it is not there any more, or no video: the file changed since it was probed.
    """
    stream = container.streams[index] if index < len(container.streams) else None
    if not isinstance(stream, VideoStream):
        raise InputRefused(f"{container.name} has no video stream {index}: the file changed while it was read. Run it again.")
    return stream


def stated_duration_s(container: InputContainer, stream: VideoStream) -> tuple[Fraction | None, bool]:
    """Duration in seconds, and whether it is the video stream's own rather than the whole container's."""
    if stream.duration and stream.time_base:
        return stream.duration * stream.time_base, True
    tags = {key.upper(): value for key, value in stream.metadata.items()}
    stated = re.fullmatch(r"(\d+):(\d\d):(\d\d(?:\.\d+)?)", tags.get("DURATION", ""))
    if stated:
        return Fraction(stated[1]) * 3600 + Fraction(stated[2]) * 60 + Fraction(stated[3]), True
    return (Fraction(container.duration, 1_000_000), False) if container.duration else (None, False)
