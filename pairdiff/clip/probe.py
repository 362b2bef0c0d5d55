"""What a release says it is: streams, timing, colours, metadata, each fact with its source. Nothing is judged or measured here."""

from __future__ import annotations

import hashlib
import itertools
import os
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial
from typing import cast

import av
from av.bitstream import BitStreamFilterContext
from av.container import InputContainer
from av.packet import Packet
from av.video.codeccontext import VideoCodecContext
from av.video.format import VideoFormat
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from pairdiff._beat import decoding
from pairdiff._errors import DecodeFailed, InputRefused, PairdiffError, SignalUnresolved, UsageError
from pairdiff._records import Declared, Fact, Release, Side, Signal
from pairdiff._settings import Settings
from pairdiff.clip.container import (
    ASSUMED_RATE,
    ATTACHED_PICTURE,
    SIDES,
    check_path,
    choose_stream,
    open_container,
    stated_duration_s,
    video_stream_at,
)
from pairdiff.clip.dovi import find_dovi_record
from pairdiff.clip.gain_map import TONE_MAP, base_item_number, gain_map_state
from pairdiff.clip.heif_items import BRAND_BYTES, is_heif
from pairdiff.clip.icc import primaries_of_profile
from pairdiff.clip.linear import GAIN_MAPS
from pairdiff.clip.metadata import (
    DYNAMIC_WORDS,
    NOTHING,
    PACKETS_LOOKED_AT,
    PNG_CODECS,
    UNFILTERED,
    StaticMetadata,
    find_dynamic,
    join_static,
    list_side_data,
    list_unit_types,
    read_container_static,
    read_png_static,
    read_static,
    tags_of_picture,
)
from pairdiff.clip.picture_size import stated_size
from pairdiff.clip.png_chunks import read_profile
from pairdiff.clip.sequence import find_sequence
from pairdiff.clip.signalling import (
    SITING_NAMES,
    TRANSFER_NAMES,
    TRANSFER_WORDS,
    PixelLayout,
    Tags,
    resolve_colours,
    resolve_siting,
    tags_from_points,
)

SILENT = Tags(None, None, None, None)
BLOCKS, BLOCK_BYTES = 64, 65536
PICTURE_BLOCKS, PICTURE_BLOCK_BYTES = 32, 4096
"""Blocks of a numbered picture, and their size: a letterboxed one begins with much that every picture has."""
TRACED = ("hevc", "h264", "av1", "libdav1d", "vp9", "mpeg2video")
STILL_CODECS = ("mjpeg", "mjpegb", "webp")
CODEC_NAMES = {"libdav1d": "av1"}  # a decoder library instead of the codec
STAMPS_OF_CODING = ("avi", "mxf", "mxf_opatom")
"""Containers that may count pictures in the order of coding alone: their stamps say nothing of when one is shown."""
NTSC_RATES = {"23.98": 24, "23.976": 24, "29.97": 30, "47.952": 48, "47.95": 48, "59.94": 60, "119.88": 120}
"""Rates as they are called, and whole ones that they are 1000/1001 of (SMPTE ST 12-1, ITU-R BT.2020-2 table 2)."""
MOST_RATE = 1000
"""Highest rate that is believed, pictures a second (own)."""
BARE_STREAMS = ("hevc", "h264", "m4v", "mpegvideo", "obu", "vvc")  # no container, no time stamps: FFmpeg's 25 pictures a second
NOTE_GAIN_MAP = "the picture holds a gain map (ISO 21496-1), which is not applied: what is measured is its base picture."
NOTE_BASE = "the picture holds a gain map (ISO 21496-1): what is measured here is its base picture."
NOTE_RATE = "the frame rate is assumed: the file does not state it."
HEIF_HEAD_BYTES = 1 << 16
"""Head of a HEIF or AVIF picture in which its items are listed."""
FIRST_PICTURES, FIRST_PICTURES_COUNTED = 4, 64
"""Pictures that are looked at; more where the container may count them in the order of coding, which shows at the first B-frames alone."""
LIBRARY_PIXELS = 2**28
"""FFmpeg's own limit (`av_image_check_size`): so many pixels and it decodes nothing, whatever our limit says."""
MOST_EMPTY_PACKETS = 512
JOINED_FIELDS = (
    *("transfer", "primaries", "matrix", "range", "bit_depth", "chroma_sampling", "chroma_siting"),
    *("width", "height", "frame_rate"),
)
"""What the parts of one release have in common."""
SIDE_OPTIONS = ("transfer", "primaries", "matrix", "range", "siting", "stream", "frame_rate")
"""Settings that each side has, after `hdr_` or `sdr_`."""


@dataclass(frozen=True, slots=True)
class _Look:
    """What the first pictures show."""

    width: int
    height: int
    layout: PixelLayout
    start_s: Fraction
    interlaced: bool
    kinds: frozenset[str]
    unit_types: frozenset[tuple[int, int]]
    profile: bytes
    """Embedded colour profile of the first picture; empty where it has none."""
    backwards: bool
    """Whether the time stamps of the pictures, in the order in which they are shown, run backwards."""


@dataclass(frozen=True, slots=True)
class _Said:
    """What a file says of itself, before a side and its options are thought of."""

    look: _Look
    container: str
    codec: str
    """FFmpeg's name of the decoder."""
    stream_index: int
    time_base: Fraction
    sample_aspect: Fact[Fraction]
    frame_rate: Fact[Fraction | None]
    duration_s: Fraction | None
    stated_rate: Fraction | None
    tags: Tags
    """Of the container."""
    bitstream: Tags
    headers: Mapping[str, int]
    alternative: str | None
    """Note on a transfer for older sets, which is not taken."""
    dynamic: tuple[str, ...]
    declared: Declared
    level_notes: tuple[str, ...]
    file_id: str
    size_bytes: int
    changed_ns: int


def probe_release(path: str | os.PathLike[str], *, side: Side, settings: Settings, hash_whole: bool = False) -> Release:
    """Everything one file says about itself, before a picture is measured.

    Parameters
    ----------
    path
        Video file in any container and codec that the FFmpeg of PyAV reads.
    side
        `hdr` or `sdr`: which options apply, and the words of messages. Whether the file suits that role is for `check_pair`.
    settings
        `<side>_transfer` and the like win over the tags and are noted; `<side>_stream` chooses among several video streams.
    hash_whole
        Identify the file by all its bytes instead of sampled blocks.

    Returns
    -------
    Release
        Each `Fact` names its source: container, bitstream, both, an option, the pixel format, a standard's default.

    Raises
    ------
    InputRefused
        The file is missing, a folder, empty, unreadable, not video, or has pixels that cannot be measured.
    SignalUnresolved
        The colour description is absent or contradicts itself; the message names the options.
    DecodeFailed
        No picture can be decoded.

    Notes
    -----
    The container's tags are read with every decoder shut out, the bitstream's by a fresh decoder that sees packets only, so that
    "silent" and "agrees" are told apart.
    """
    return _probe_parts(path, side=side, settings=settings, hash_whole=hash_whole, seen={})


def _probe_parts(
    path: str | os.PathLike[str], *, side: Side, settings: Settings, hash_whole: bool, seen: dict[tuple[str, object], _Said]
) -> Release:
    """`probe_release`; what files were `seen` to say is not read from them again."""
    names = split_parts(os.fspath(path))
    if len(names) > 1:
        parts = [_probe_parts(name, side=side, settings=settings, hash_whole=hash_whole, seen=seen) for name in names]
        return join_parts(os.fspath(path), parts)
    name, rate = os.fspath(path), _stated_rate(settings, side)
    key = name, (rate, getattr(settings, f"{side}_stream"))
    if key not in seen:
        seen[key] = _read_file(name, rate, side=side, settings=settings, hash_whole=hash_whole)
    return _make_release(name, seen[key], side=side, settings=settings)


def _read_file(name: str, rate: Fraction | None, *, side: Side, settings: Settings, hash_whole: bool) -> _Said:
    """What a file says of itself; of the options only those that choose how it is opened count."""
    check_path(name, side=side)
    sequence = find_sequence(name, name=f"The {SIDES[side]} release {name}")
    check_stated_size(name if sequence is None else next(sequence.paths()), path=name, side=side, settings=settings)
    with open_container(name, side=side, rate=rate) as container:
        if rate is not None and container.format.name not in (*BARE_STREAMS, "image2"):
            raise UsageError(
                f"--{side}-frame-rate is for numbered pictures and bare streams; {name} states the times of its pictures itself. Leave the "
                "option out."
            )
        wanted = getattr(settings, f"{side}_stream")
        base = base_item_number(name) if sequence is None else None
        stream = choose_stream(container, path=name, side=side, wanted=stream_of_item(container, base) if wanted is None else wanted)
        _check_size(stream.codec_context.width, stream.codec_context.height, path=name, side=side, settings=settings)
        look = _look_at_pictures(container, stream, path=name, side=side)
        _check_size(look.width, look.height, path=name, side=side, settings=settings)
        layers = 0 if base is not None else _further_streams(container, stream)
        facts = _stream_facts(container, stream, rate)
        index, codec, form = stream.index, stream.codec_context.codec.name, container.format.name
        time_base = stream.time_base or Fraction(1, 1000)
    _refuse_without_base(name, side=side)
    headers = _trace_headers(name, side=side, index=index)
    bitstream, static = _read_bitstream(name, side=side, index=index)
    bitstream, alternative = _correct_from_headers(bitstream, headers)
    tags = _read_container_tags(name, side=side, index=index)
    if bitstream.primaries is None and tags.primaries is None:
        tags = replace(tags, primaries=primaries_of_profile(look.profile))
    if alternative and tags.transfer is not None and TRANSFER_NAMES.get(tags.transfer) == "bt1886":
        tags = Tags(None, tags.primaries, tags.matrix, tags.range)
    dynamic = find_dynamic(look.kinds, unit_types=set(look.unit_types), other_layers=layers)
    declared, level_notes = join_static(read_container_static(name, side=side, stream_index=index), static, dynamic=dynamic)
    paths = [name] if sequence is None else list(sequence.paths())
    return _Said(
        look=look,
        container=form,
        codec=codec,
        stream_index=index,
        time_base=time_base,
        sample_aspect=facts[0],
        frame_rate=facts[1],
        duration_s=facts[2],
        stated_rate=rate,
        tags=tags,
        bitstream=bitstream,
        headers=headers,
        alternative=alternative,
        dynamic=tuple(dynamic),
        declared=declared,
        level_notes=tuple(level_notes),
        file_id=identify_file(name, whole=hash_whole) if sequence is None else identify_files(paths, whole=hash_whole),
        size_bytes=sum(os.path.getsize(one) for one in paths),
        changed_ns=max((os.stat(one).st_mtime_ns for one in paths), default=0) if sequence is not None else 0,
    )


def _make_release(name: str, said: _Said, *, side: Side, settings: Settings) -> Release:
    """What a file says, read as one side's release with that side's options."""
    look, dynamic = said.look, said.dynamic
    rpu = DYNAMIC_WORDS["DOVI_RPU_BUFFER"]
    hint = (
        f"The file carries {rpu}: some profiles have no HDR10 base layer, and their colours cannot be measured." if rpu in dynamic else ""
    )
    colours = resolve_colours(said.tags, said.bitstream, side=side, path=name, layout=look.layout, settings=settings, hint=hint)
    siting, siting_note = resolve_siting(
        _stated_siting(said.headers),
        side=side,
        sampling=look.layout.sampling,
        primaries=colours.primaries.value,
        still_codec=said.codec in STILL_CODECS,
        settings=settings,
    )
    counted = look.backwards and said.container.split(",")[0] in STAMPS_OF_CODING
    notes = (
        *colours.notes,
        *([siting_note] if siting_note else []),
        *([said.alternative] if said.alternative else []),
        *([f"{', '.join(dynamic)}: found, not applied."] if dynamic else []),
        *said.level_notes,
        *note_gain_map(name, said.container),
        *note_grain(said.headers),
        *([NOTE_RATE] if said.frame_rate.assumed else []),
        *(["the container counts pictures in the order of coding: their times follow from the frame rate."] if counted else []),
        *(["the stream flags its pictures as interlaced; whether they are is judged by the pictures."] if look.interlaced else []),
    )
    return Release(
        path=name,
        side=side,
        file_id=said.file_id,
        stated_rate=said.stated_rate,
        changed_ns=said.changed_ns,
        stamps_of_coding=counted,
        size_bytes=said.size_bytes,
        container=said.container,
        codec=CODEC_NAMES.get(said.codec, said.codec),
        stream_index=said.stream_index,
        time_base=said.time_base,
        start_s=look.start_s,
        duration_s=said.duration_s,
        signal=Signal(
            transfer=colours.transfer,
            primaries=colours.primaries,
            matrix=colours.matrix,
            range=colours.range,
            bit_depth=Fact(look.layout.bit_depth, "pixel format", False),
            chroma_sampling=Fact(look.layout.sampling, "pixel format", False),
            chroma_siting=siting,
            width=Fact(look.width, "bitstream", False),
            height=Fact(look.height, "bitstream", False),
            sample_aspect=said.sample_aspect,
            frame_rate=said.frame_rate,
        ),
        declared=said.declared,
        notes=notes,
    )


def probe_alone(path: str | os.PathLike[str], *, settings: Settings, hash_whole: bool = False) -> Release:
    """The same of a file that may be HDR or SDR: its transfer decides the side.

    Parameters
    ----------
    path
        As for `probe_release`.
    settings
        Options of the side that the file turns out to be; where only the other side's are stated, those.
    hash_whole
        As for `probe_release`.

    Returns
    -------
    Release
        With the side that its transfer says; notes name the options of that side.

    Raises
    ------
    InputRefused, SignalUnresolved, DecodeFailed
        As `probe_release`; the message speaks of the release, and where the colours cannot be settled names the options of either kind.
    """
    seen: dict[tuple[str, object], _Said] = {}
    probe = partial(_probe_parts, path, hash_whole=hash_whole, seen=seen)
    first: Side = "sdr" if _is_stated(settings, "sdr") and not _is_stated(settings, "hdr") else "hdr"
    try:
        release = probe(side=first, settings=settings)
        side: Side = "sdr" if release.signal.transfer.value == "bt1886" else "hdr"
        if side == first:
            return release
        if _is_stated(settings, side):
            return probe(side=side, settings=settings)
        release = probe(side=side, settings=_hand_over(settings, source=first, target=side))
        if not _is_stated(settings, first):
            return release
        return replace(release, notes=tuple(note.replace(f"--{side}-", f"--{first}-") for note in release.notes))
    except SignalUnresolved as error:
        other: Side = "hdr" if first == "sdr" else "sdr"
        usual = "" if _is_stated(settings, first) else _usual_of(path, other, settings)
        raise SignalUnresolved(_of_one_release(str(error)) + usual) from error
    except PairdiffError as error:
        raise type(error)(_of_one_release(str(error))) from error


def split_parts(path: str, *, folder: str = "") -> list[str]:
    """The files of `A+B`, in order; the path alone where it is one. A plus sign inside a name is a part of it where such a file exists, in
    the folder that the names are relative to.
    """
    words = path.split("+")
    if len(words) == 1 or os.path.lexists(os.path.join(folder, path)):
        return [path]
    parts, start = [], 0
    while start < len(words):
        ends = range(len(words), start, -1)
        end = next((end for end in ends if os.path.lexists(os.path.join(folder, "+".join(words[start:end])))), start + 1)
        parts.append("+".join(words[start:end]))
        start = end
    return parts


def place_release(path: str, *, folder: str | os.PathLike[str]) -> str:
    """A release whose names are relative to a folder, as a path that holds from anywhere.

    Parameters
    ----------
    path
        As for `probe_release`; each part of `A+B` is relative to the folder, or absolute.
    folder
        What it is relative to.
    """
    base = os.path.abspath(folder)
    return "+".join(os.path.join(base, part) for part in split_parts(path, folder=base))


def check_release(path: str, *, side: Side) -> None:
    """Refuse a release that is not there, without opening it as a film.

    Parameters
    ----------
    path
        As for `probe_release`.
    side
        How messages call it.

    Raises
    ------
    InputRefused
        As for `check_path`, for any of its files.
    """
    for part in split_parts(path):
        check_path(part, side=side)


def identify_release(path: str, *, side: Side, hash_whole: bool = False) -> str:
    """The `file_id` that a release has in a result, told without opening it as a film.

    Parameters
    ----------
    path, hash_whole
        As for `probe_release`.
    side
        How messages call it.

    Returns
    -------
    str
        Kind of hash, size in bytes, digest.

    Raises
    ------
    InputRefused
        As for `check_release`, and where a file cannot be read.
    """
    check_release(path, side=side)
    try:
        found = [_identify_part(part, side=side, hash_whole=hash_whole) for part in split_parts(path)]
    except OSError as error:
        raise InputRefused(
            f"The {SIDES[side]} release {path} cannot be read: {error.strerror}. Copy it to a disk that can be read."
        ) from error
    return found[0] if len(found) == 1 else _join_ids(found)


def _identify_part(path: str, *, side: Side, hash_whole: bool) -> str:
    pictures = find_sequence(path, name=f"The {SIDES[side]} release {path}")
    return identify_file(path, whole=hash_whole) if pictures is None else identify_files(list(pictures.paths()), whole=hash_whole)


def _join_ids(ids: Sequence[str]) -> str:
    """The id of several files read as one release: the kind of the first, the size of all, a digest of all ids."""
    digest = hashlib.sha256(" ".join(ids).encode()).hexdigest()
    return f"{ids[0].partition(':')[0]}:{sum(int(one.split(':')[1]) for one in ids)}:{digest}"


def join_parts(path: str, parts: Sequence[Release]) -> Release:
    """Several files as one release.

    Parameters
    ----------
    path
        As it was given.
    parts
        Each file as `probe_release` returned it, in order.

    Raises
    ------
    SignalUnresolved
        Where a part is coded otherwise than the first.
    """
    first = parts[0]
    for part in parts[1:]:
        for name in JOINED_FIELDS:
            mine, theirs = getattr(first.signal, name).value, getattr(part.signal, name).value
            if mine != theirs:
                raise SignalUnresolved(
                    f"The parts of the {SIDES[first.side]} release do not belong together: {first.path} has {name.replace('_', ' ')} "
                    f"{mine}, {part.path} has {theirs}. Give files of one coding, in the order of the film."
                )
    lengths = [part.duration_s for part in parts if part.duration_s is not None]
    return replace(
        first,
        path=path,
        file_id=_join_ids([part.file_id for part in parts]),
        size_bytes=sum(part.size_bytes for part in parts),
        duration_s=sum(lengths, Fraction(0)) if len(lengths) == len(parts) else None,
        notes=(f"{len(parts)} files are read as one release, in this order: {', '.join(part.path for part in parts)}.", *first.notes),
        parts=tuple(parts),
    )


def _is_stated(settings: Settings, side: Side) -> bool:
    return any(getattr(settings, f"{side}_{field}") is not None for field in SIDE_OPTIONS)


def _hand_over(settings: Settings, *, source: Side, target: Side) -> Settings:
    return replace(settings, **{f"{target}_{field}": getattr(settings, f"{source}_{field}") for field in SIDE_OPTIONS})


def _of_one_release(message: str) -> str:
    return re.sub(r"\b([Tt]he) (?:HDR|SDR) release\b", r"\1 release", message, count=1)


def _usual_of(path: str | os.PathLike[str], side: Side, settings: Settings) -> str:
    """The last advice of a refusal for the other side, without what stands before it."""
    try:
        probe_release(path, side=side, settings=settings)
    except SignalUnresolved as error:
        _, found, advice = str(error).partition(f"for a usual {side.upper()} release add ")
        return f" For a usual {side.upper()} release add {advice}" if found else ""
    return ""


def layout_of_format(form: VideoFormat, *, path: str, side: str) -> PixelLayout:
    """Bit depth and chroma sampling of a pixel format.

    Raises
    ------
    InputRefused
        Palette, floating point, Bayer, hardware and other formats that hold no plain code values.
    """
    name, parts = form.name, form.components
    bits = {part.bits for part in parts[: 1 if name.startswith(("gray", "ya")) else 3]}
    plain = re.match(r"yuv|nv(12|16|20|21|24|42)|p[024]1[0-6]|gbr|gray|ya|rgb|bgr|argb|abgr|0rgb|0bgr", name)
    float_or_odd = re.search(r"f(16|32)?(le|be)?$|^yuvj?(411|410|440)", name)
    if not plain or float_or_odd or form.has_palette or len(bits) != 1 or not 8 <= min(bits) <= 16:
        raise InputRefused(
            f"The {SIDES[side]} release {path} has pixels of the format {name}, which cannot be measured. "
            "Give a release with 8 to 16 bits in Y'CbCr 4:2:0, 4:2:2 or 4:4:4, R'G'B' or grey."
        )
    if len(parts) < 3:
        return PixelLayout(min(bits), "grey")
    if form.is_rgb:
        return PixelLayout(min(bits), "rgb")
    across, down = form.chroma_width(64), form.chroma_height(64)
    return PixelLayout(min(bits), "444" if across == 64 else "422" if down == 64 else "420")


def identify_file(path: str, *, whole: bool) -> str:
    """Size and SHA-256 of a file, over 64 blocks of 64 KiB spread from the first byte to the last, or over all of it."""
    size = os.path.getsize(path)
    digest = hashlib.sha256()
    with open(path, "rb") as file:
        if whole:
            while block := file.read(1 << 20):
                digest.update(block)
            return f"sha256:{size}:{digest.hexdigest()}"
        last = max(size - BLOCK_BYTES, 0)
        for place in sorted({last * i // (BLOCKS - 1) for i in range(BLOCKS)}):
            file.seek(place)
            digest.update(file.read(BLOCK_BYTES))
    return f"sha256-sampled:{size}:{digest.hexdigest()}"


def identify_files(paths: Sequence[str], *, whole: bool) -> str:
    """The same of many files in their order: their sizes, and blocks spread from first to last byte of 64 of them, or all of all."""
    sizes = [os.path.getsize(path) for path in paths]
    digest = hashlib.sha256(",".join(map(str, sizes)).encode())
    last = len(paths) - 1
    for place in range(len(paths)) if whole else sorted({last * i // (BLOCKS - 1) for i in range(BLOCKS)}):
        with open(paths[place], "rb") as file:
            if whole:
                while block := file.read(1 << 20):
                    digest.update(block)
                continue
            end = max(sizes[place] - PICTURE_BLOCK_BYTES, 0)
            for start in sorted({end * i // (PICTURE_BLOCKS - 1) for i in range(PICTURE_BLOCKS)}):
                file.seek(start)
                digest.update(file.read(PICTURE_BLOCK_BYTES))
    return f"sha256{'' if whole else '-sampled'}:{sum(sizes)}:{digest.hexdigest()}"


def check_pair(hdr: Release, sdr: Release) -> None:
    """Refuse two releases that cannot be an HDR and an SDR release, in that order.

    Raises
    ------
    InputRefused
        The same file twice, sides swapped, SDR given as HDR, HDR given as SDR, or an SDR release that is not BT.709.
    """
    if NOTE_GAIN_MAP in hdr.notes and hdr.signal.transfer.value == "bt1886":
        raise InputRefused(
            f"The HDR release {hdr.path} is SDR, and its gain map is not applied: that is done for JPEG and AVIF pictures, and "
            "this is neither. Give its HDR rendition as a picture of its own, such as AVIF or 16-bit PNG."
        )
    renditions = hdr.container in GAIN_MAPS or sdr.container in GAIN_MAPS  # the same picture without its gain map is the other one
    if not renditions and os.path.realpath(hdr.path) == os.path.realpath(sdr.path):
        raise InputRefused(f"Both releases are the same file: {hdr.path}. Give the HDR file first and the SDR file second.")
    if not renditions and hdr.file_id == sdr.file_id:
        raise InputRefused(
            f"{hdr.path} and {sdr.path} are the same file twice: their contents are identical ({hdr.file_id}). "
            "Give the HDR file first and the SDR file second."
        )
    words = TRANSFER_WORDS
    first, second = hdr.signal.transfer, sdr.signal.transfer
    found = f"Found: {hdr.path} is {words[first.value]} ({first.source}), {sdr.path} is {words[second.value]} ({second.source})."
    if first.value == "bt1886" and second.value != "bt1886":
        raise InputRefused(
            f"The HDR release is tagged {words[first.value]} and the SDR release is {words[second.value]}: "
            f"the two sides look swapped. {found} Give the HDR file first."
        )
    if first.value == "bt1886":
        raise InputRefused(
            f"The HDR release is tagged {words[first.value]}: it is not HDR. {found} "
            "Give a PQ or HLG release first, or, if the tag is wrong, add --hdr-transfer pq (or hlg)."
        )
    if second.value != "bt1886":
        raise InputRefused(
            f"The SDR release is {words[second.value]}: it is HDR, not SDR. {found} "
            "Give the SDR release second, or, if the tag is wrong, add --sdr-transfer bt1886."
        )
    if sdr.signal.primaries.value != "bt709":
        raise InputRefused(
            f"The SDR release {sdr.path} has {sdr.signal.primaries.value} primaries ({sdr.signal.primaries.source}); "
            "an SDR release is measured as BT.709. Give a BT.709 release, or, if the tag is wrong, add --sdr-primaries bt709."
        )


def check_stated_size(picture: str, *, path: str, side: Side, settings: Settings) -> None:
    """Refuse a picture whose file states a size beyond the limit, before anything decodes it.

    Raises
    ------
    InputRefused
        See `picture_limit_megapixels`; what the decoder library itself does not take is refused whatever the limit.
    """
    size = stated_size(picture)
    if size is None:
        return
    if size[0] * size[1] < LIBRARY_PIXELS:
        _check_size(*size, path=path, side=side, settings=settings)
    else:
        raise InputRefused(
            f"The {SIDES[side]} release {path} has pictures of {size[0]} x {size[1]}; the decoder library takes none of more than "
            f"{LIBRARY_PIXELS / 1e6:.0f} million pixels. Give smaller pictures, or a part of them."
        )


def _check_size(width: int, height: int, *, path: str, side: Side, settings: Settings) -> None:
    """Refuse pictures larger than the limit, before memory is spent on them."""
    megapixels = width * height / 1e6
    told = float(f"{megapixels:.3g}")
    if megapixels > settings.picture_limit_megapixels:
        raise InputRefused(
            f"The {SIDES[side]} release {path} has pictures of {width} x {height}, {told:g} million pixels; the limit is "
            f"{settings.picture_limit_megapixels:g} (--picture-limit-megapixels). Raise it if they are meant to be so large."
        )


def _look_at_pictures(container: InputContainer, stream: VideoStream, *, path: str, side: str) -> _Look:
    """Decode the first few pictures."""
    frames: list[VideoFrame] = []
    kinds: set[str] = set()
    units: set[tuple[int, int]] = set()
    codec = stream.codec_context
    codec.options = UNFILTERED
    form = codec.format
    head = b""
    counts = container.format.name.split(",")[0] in STAMPS_OF_CODING
    wanted = FIRST_PICTURES_COUNTED if counts else FIRST_PICTURES
    for count, packet in enumerate(_packets(container, stream)):
        head = head or (bytes(packet) if codec.name in PNG_CODECS and packet.size else b"")
        if codec.name == "hevc" and count < PACKETS_LOOKED_AT and packet.size:
            units |= list_unit_types(bytes(packet), codec=codec)
        try:
            with decoding(path):
                frames += codec.decode(packet)
        except av.error.FFmpegError:
            continue
        for frame in frames[-2:]:
            kinds |= {kind for kind, _ in list_side_data(frame, codec=codec.name)}
        if len(frames) >= wanted or (not frames and count > MOST_EMPTY_PACKETS):
            break
    if not frames:
        if form is not None:
            layout_of_format(form, path=path, side=side)
        raise DecodeFailed(
            f"No picture of the {SIDES[side]} release {path} can be decoded (codec {codec.name}). "
            "The file may be damaged, encrypted or cut off: copy it again."
        )
    first = frames[0]
    base = first.time_base or stream.time_base or Fraction(1, 1000)
    return _Look(
        width=first.width,
        height=first.height,
        layout=layout_of_format(first.format, path=path, side=side),
        start_s=Fraction(0) if first.pts is None else Fraction(first.pts) * base,
        interlaced=any(frame.interlaced_frame for frame in frames),
        kinds=frozenset(kinds),
        unit_types=frozenset(units),
        profile=_profile_of(first, head, codec=codec.name),
        backwards=any(b.pts is not None and a.pts is not None and b.pts < a.pts for a, b in itertools.pairwise(frames)),
    )


def _refuse_without_base(path: str, *, side: Side) -> None:
    """Refuse a picture whose codes are neither HDR10 nor HLG nor SDR: they would be measured as false colours."""
    found = find_dovi_record(path)
    if found is not None and not found.has_base:
        raise InputRefused(
            f"The {SIDES[side]} release {path} is Dolby Vision profile {found.profile} without a compatible base layer: its codes are "
            "neither HDR10 nor HLG nor SDR, and colours made of them would be false; no option settles it. Give a release whose base layer "
            "is one of these (profiles 7 and 8 have one)."
        )


def _profile_of(picture: VideoFrame, packet: bytes, *, codec: str) -> bytes:
    """Embedded colour profile of a picture; empty where it has none."""
    if codec in PNG_CODECS:
        return read_profile(packet)
    return next((data for kind, data in list_side_data(picture, codec=codec) if kind == "ICC_PROFILE"), b"")


def _packets(container: InputContainer, stream: VideoStream) -> Iterator[Packet[VideoStream]]:
    """Packets up to the first fault of the file."""
    try:
        yield from container.demux(stream)
    except av.error.FFmpegError:
        return


def _further_streams(container: InputContainer, stream: VideoStream) -> int:
    """Video streams of the same codec beside the chosen one, attached pictures aside."""
    return sum(
        other.index != stream.index
        and not int(other.disposition) & ATTACHED_PICTURE
        and other.codec_context is not None
        and other.codec_context.name == stream.codec_context.name
        for other in container.streams.video
    )


def _stream_facts(
    container: InputContainer, stream: VideoStream, stated: Fraction | None
) -> tuple[Fact[Fraction], Fact[Fraction | None], Fraction | None]:
    """Sample aspect, frame rate, duration."""
    aspect = stream.sample_aspect_ratio or stream.codec_context.sample_aspect_ratio
    bare = container.format.name in (*BARE_STREAMS, "image2") or container.format.name.endswith("_pipe")  # these are single pictures
    rate = stream.average_rate or stream.guessed_rate or stream.base_rate
    return (
        Fact(Fraction(aspect), "container and bitstream", False) if aspect else Fact(Fraction(1), "assumed", True),
        _rate_fact(Fraction(rate) if rate else None, stated, assumed=bare),
        stated_duration_s(container, stream)[0],
    )


def _rate_fact(rate: Fraction | None, stated: Fraction | None, *, assumed: bool) -> Fact[Fraction | None]:
    if stated is not None:
        return Fact(stated, "option", False)
    return Fact(rate, "assumed" if assumed or rate is None else "container", assumed or rate is None)


def note_grain(headers: Mapping[str, int]) -> tuple[str, ...]:
    """Grain that a stream describes for the player to add, in words; empty where it describes none.

    Parameters
    ----------
    headers
        Header fields of the first packet, by the names of the standards (AV1 5.5.1, 6.8.20; ITU-T H.264 and H.265, film grain
        characteristics message).
    """
    if headers.get("film_grain_params_present"):
        return (
            "the stream describes film grain (AV1) and the decoder adds it, as players do: the grain is measured as a part of the picture, "
            "and bright specks of it count in MaxCLL.",
        )
    if headers.get("film_grain_characteristics_cancel_flag") == 0:
        return (
            "the stream describes film grain (ITU-T H.274) for players to add; whether the decoder added it to what is measured is not "
            "known here.",
        )
    return ()


def stream_of_item(container: InputContainer, number: int | None) -> int | None:
    """Place among the video streams of the one that is an item of a HEIF or AVIF picture; None where there is none."""
    if number is None:
        return None
    return next((place for place, stream in enumerate(container.streams.video) if stream.id == number), None)


def is_of_pictures(release: Release) -> bool:
    """Whether a release is read from files of one picture each."""
    return release.container.endswith("_pipe") or release.container == "image2"


def is_single_picture(release: Release) -> bool:
    """Whether a release is one picture in a file of its own."""
    if release.container.startswith("mov"):
        with open(release.path, "rb") as file:
            return is_heif(file.read(BRAND_BYTES))
    return is_of_pictures(release) and find_sequence(release.path, name=release.path) is None


def holds_gain_map(path: str, form: str) -> bool:
    """Whether a HEIF or AVIF picture has an item that derives another rendition of it (`tmap`, ISO/IEC 23008-12)."""
    if not form.startswith("mov") or not os.path.isfile(path):
        return False
    with open(path, "rb") as file:
        head = file.read(HEIF_HEAD_BYTES)
    return is_heif(head) and TONE_MAP in head


def note_gain_map(path: str, form: str) -> tuple[str, ...]:
    """That a HEIF or AVIF picture has another rendition; nothing for any other file."""
    if not holds_gain_map(path, form):
        return ()
    return (NOTE_BASE if gain_map_state(path) in ("base is sdr", "base is hdr") else NOTE_GAIN_MAP,)


def rate_of_pictures(settings: Settings, side: Side) -> Fact[Fraction]:
    """Pictures a second of numbered pictures: what is stated, or cinema's, assumed.

    Raises
    ------
    UsageError
        What is stated cannot be read.
    """
    stated = _stated_rate(settings, side)
    return Fact(Fraction(ASSUMED_RATE), "assumed", True) if stated is None else Fact(stated, "option", False)


def _stated_rate(settings: Settings, side: Side) -> Fraction | None:
    """Pictures a second that the user states."""
    text: str | None = getattr(settings, f"{side}_frame_rate")
    if text is None:
        return None
    try:
        rate = Fraction(NTSC_RATES[text] * 1000, 1001) if text in NTSC_RATES else Fraction(text)
    except (ValueError, ZeroDivisionError):
        rate = Fraction(0)
    if not 0 < rate <= MOST_RATE:
        raise UsageError(f"--{side}-frame-rate cannot be `{text}`. Give pictures a second, such as 24, 23.976, 25 or 24000/1001.")
    return rate


def _read_container_tags(path: str, *, side: str, index: int) -> Tags:
    """Tags that the container itself stores: with no decoder allowed, nothing can be filled in from the bitstream."""
    try:
        with open_container(path, side=side, options={"codec_whitelist": "none"}) as container:
            codec = video_stream_at(container, index).codec_context
            return tags_from_points(
                transfer=codec.color_trc, primaries=codec.color_primaries, matrix=codec.colorspace, code_range=codec.color_range
            )
    except InputRefused:  # a container that cannot even be listed without a decoder stores no tags of its own
        return SILENT


def _read_bitstream(path: str, *, side: str, index: int) -> tuple[Tags, StaticMetadata]:
    """Tags and static metadata of the bitstream alone: a fresh decoder sees packets and parameter sets, nothing of the container."""
    with open_container(path, side=side) as container:
        stream = video_stream_at(container, index)
        known = stream.codec_context
        packets = _packets(container, stream)
        first = list(itertools.islice(packets, 1))
        # told that nothing follows, a decoder hands out at once what it holds back to put in order; most files need no more
        for sent in ([*first, None], itertools.chain(first, packets)):
            decoder = cast("VideoCodecContext", av.CodecContext.create(known.codec.name, "r"))
            if known.extradata:
                decoder.extradata = known.extradata
            decoder.width, decoder.height, decoder.options = known.width, known.height, UNFILTERED
            data = b""
            for packet in sent:
                data = bytes(packet) if packet is not None and known.name in PNG_CODECS else data
                try:
                    with decoding(path):
                        frames = decoder.decode(packet)
                except (av.error.FFmpegError, ValueError):
                    continue
                for frame in frames:
                    static = read_png_static(data) if known.name in PNG_CODECS else read_static(frame, codec=known.name)
                    return tags_of_picture(frame), static
    return SILENT, NOTHING


def _trace_headers(path: str, *, side: str, index: int) -> dict[str, int]:
    """Header fields of the first packet, last value of each; empty for codecs whose headers cannot be traced."""
    with open_container(path, side=side) as container:
        stream = video_stream_at(container, index)
        if stream.codec_context.name not in TRACED:
            return {}
        level = av.logging.get_level()
        av.logging.set_level(av.logging.INFO)
        try:
            with av.logging.Capture(local=False) as log:
                trace = BitStreamFilterContext("trace_headers", stream)
                packet = next(iter(container.demux(stream)), None)
                if packet is not None and packet.size:
                    trace.filter(packet)
        except av.error.FFmpegError:
            return {}
        finally:
            av.logging.set_level(level)
    lines = (re.match(r"\d+\s+(\S+)\s.*=\s*(-?\d+)\s*$", message.strip()) for _, _, message in log)
    return {line[1]: int(line[2]) for line in lines if line}


def _correct_from_headers(tags: Tags, headers: Mapping[str, int]) -> tuple[Tags, str | None]:
    """Take back a range that the decoder filled in by itself, and note HLG told by an alternative transfer message."""
    code_range = tags.range
    if headers.get("video_signal_type_present_flag") == 0 or headers.get("vui_parameters_present_flag") == 0:
        code_range = None
    note = None
    if headers.get("preferred_transfer_characteristics") == 18 and headers.get("transfer_characteristics") in (1, 14, 15):
        note = "the bitstream states a BT.709-like transfer for older sets and HLG as the preferred one: HLG is taken."
        return Tags(18, tags.primaries, tags.matrix, code_range), note
    return Tags(tags.transfer, tags.primaries, tags.matrix, code_range), note


def _stated_siting(headers: Mapping[str, int]) -> Fact[str] | None:
    """Chroma siting of the bitstream; a type that has no name here comes out as its number."""
    if headers.get("chroma_loc_info_present_flag"):
        point = headers.get("chroma_sample_loc_type_top_field", 0)
        name = SITING_NAMES.get(point, f"type {point}")
    else:
        name = {1: "left", 2: "top-left"}.get(headers.get("chroma_sample_position", 0), "")  # AV1
    return Fact(name, "bitstream", False) if name else None
