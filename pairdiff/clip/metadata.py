"""Static and dynamic HDR metadata of a video stream: what is there, where, and whether a value is absent, zero or present."""

from __future__ import annotations

import itertools
import struct
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar, cast

import av
from av.bitstream import BitStreamFilterContext
from av.sidedata.sidedata import SideDataContainer
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame

from pairdiff._records import Declared, Mastering, Presence
from pairdiff.clip.container import open_container, video_stream_at
from pairdiff.clip.png_chunks import read_light_level, read_mastering
from pairdiff.clip.signalling import Tags, tags_from_points

# what `filter_units` takes out so that only the container's metadata is left: SEI units, metadata OBUs
METADATA_UNITS = {"hevc": "39-40", "h264": "6", "av1": "5", "libdav1d": "5"}
HEVC_SEI = (39, 40)
HEVC_RPU, HEVC_ENHANCEMENT = 62, 63
PACKETS_LOOKED_AT = 16
MASTERING_BYTES, LIGHT_LEVEL_BYTES = 88, 8
"""Size of the structures that the decoder hands over."""

DYNAMIC_WORDS = {
    "DYNAMIC_HDR_PLUS": "HDR10+ dynamic metadata (ST 2094-40)",
    "DOVI_RPU_BUFFER": "Dolby Vision metadata (RPU)",
    "DOVI_METADATA": "Dolby Vision metadata (RPU)",
    "DYNAMIC_HDR_VIVID": "HDR Vivid dynamic metadata",
}


@dataclass(frozen=True, slots=True)
class StaticMetadata:
    """Static HDR metadata of one place."""

    primaries_xy: tuple[tuple[float, float], ...] | None
    """Red, green, blue, white."""
    luminance_nits: tuple[float | None, float | None] | None
    """Most and least luminance of the mastering display, cd/m2."""
    light_level: tuple[int, int] | None
    """MaxCLL and MaxFALL, cd/m2; 0 means unknown."""


T = TypeVar("T")
NOTHING = StaticMetadata(None, None, None)


PNG_CODECS = ("png", "apng")
UNFILTERED = {"skip_loop_filter": "all"}
"""Option of a decoder of whose pictures nothing but what is said beside them is looked at: smoothing them is left out."""


def list_side_data(frame: VideoFrame, *, codec: str) -> list[tuple[str, bytes]]:
    """Kind and bytes of every piece of side data of a picture, duplicates included.

    Those of a PNG are never touched (`png_chunks` says why).
    """
    if codec in PNG_CODECS:
        return []
    # one of its own: the picture keeps the one it is asked for, which keeps the picture until Python clears up, 25 MB a key frame at 2160p
    own = SideDataContainer(frame)  # type: ignore[call-arg]
    return [(data.type.name, bytes(data)) for data in cast("Sequence[Any]", own)]


def tags_of_picture(picture: VideoFrame) -> Tags:
    """Colour tags of a decoded picture."""
    return tags_from_points(
        transfer=picture.color_trc, primaries=picture.color_primaries, matrix=picture.colorspace, code_range=picture.color_range
    )


def read_png_static(data: bytes) -> StaticMetadata:
    """The same of a PNG, by its chunks."""
    mastering = read_mastering(data)
    primaries, luminance = (None, None) if mastering is None else mastering
    return StaticMetadata(primaries, luminance, read_light_level(data))


def read_static(frame: VideoFrame, *, codec: str) -> StaticMetadata:
    """Mastering display (ST 2086) and light levels (CTA-861.3) of a picture.

    The binding hands over FFmpeg's structures: ten rationals (R, G, B, W as x and y, least and most luminance) and two flags; two
    unsigned integers.
    """
    primaries, luminance, light_level = None, None, None
    for kind, data in list_side_data(frame, codec=codec):
        if kind == "MASTERING_DISPLAY_METADATA" and len(data) >= MASTERING_BYTES:
            numbers = struct.unpack("<22i", data[:MASTERING_BYTES])
            parts = [numbers[i] / numbers[i + 1] if numbers[i + 1] else None for i in range(0, 20, 2)]
            xy = [part for part in parts[:8] if part is not None]
            if numbers[20] and len(xy) == 8:
                primaries = tuple((xy[i], xy[i + 1]) for i in range(0, 8, 2))
            if numbers[21]:
                luminance = (parts[9], parts[8])
        elif kind == "CONTENT_LIGHT_LEVEL" and len(data) >= LIGHT_LEVEL_BYTES:
            first, second = struct.unpack("<2I", data[:LIGHT_LEVEL_BYTES])
            light_level = (first, second)
    return StaticMetadata(primaries, luminance, light_level)


def read_container_static(path: str, *, side: str, stream_index: int) -> StaticMetadata:
    """Static metadata that the container alone states: the first picture is decoded with every metadata unit taken out of the bitstream."""
    found = _read_stripped(path, side=side, stream_index=stream_index, alone=True)
    if found is None:  # the first packet alone makes no picture
        found = _read_stripped(path, side=side, stream_index=stream_index, alone=False)
    return found or NOTHING


def _read_stripped(path: str, *, side: str, stream_index: int, alone: bool) -> StaticMetadata | None:
    """Of the first picture, made of the first packet alone or of as many as the decoder wants; None where there is none."""
    with open_container(path, side=side) as container:
        stream = video_stream_at(container, stream_index)
        decoder = stream.codec_context
        decoder.options = UNFILTERED
        units = METADATA_UNITS.get(decoder.name)
        strip = BitStreamFilterContext(f"filter_units=remove_types={units}", stream) if units else None
        if decoder.name == "hevc" and decoder.extradata:
            decoder.extradata = bare_parameter_sets(bytes(decoder.extradata))
        packets = container.demux(stream)
        try:
            for packet in itertools.islice(packets, 1) if alone else packets:
                for piece in strip.filter(packet) if strip else [packet]:
                    for frame in decoder.decode(piece):
                        return read_static(frame, codec=decoder.name)
            for frame in decoder.decode(None) if alone else ():
                return read_static(frame, codec=decoder.name)
        except av.error.FFmpegError:
            return None
    return None


def bare_parameter_sets(extradata: bytes) -> bytes:
    """HEVC parameter sets as a byte stream, without the SEI units that an `hvcC` record may hold (ISO/IEC 14496-15, 8.3.3)."""
    if len(extradata) < 23 or extradata[0] != 1:
        return extradata
    out, place = b"", 23
    for _ in range(extradata[22]):
        if place + 3 > len(extradata):  # cut short
            break
        unit_type = extradata[place] & 0x3F
        count = int.from_bytes(extradata[place + 1 : place + 3], "big")
        place += 3
        for _ in range(count):
            length = int.from_bytes(extradata[place : place + 2], "big")
            if unit_type not in HEVC_SEI:
                out += b"\0\0\0\1" + extradata[place + 2 : place + 2 + length]
            place += 2 + length
            if place >= len(extradata):
                break
    return out


def list_unit_types(packet: bytes, *, codec: VideoCodecContext) -> set[tuple[int, int]]:
    """(unit type, layer) of every HEVC unit in a packet, length-prefixed or byte stream."""
    found: set[tuple[int, int]] = set()
    extradata = bytes(codec.extradata or b"")
    if len(extradata) > 22 and extradata[0] == 1:
        size, place = (extradata[21] & 3) + 1, 0
        while place + size + 2 <= len(packet):
            length = int.from_bytes(packet[place : place + size], "big")
            found.add(_unit_head(packet, place + size))
            place += size + length
        return found
    place = packet.find(b"\0\0\1")
    while place >= 0 and place + 5 <= len(packet):
        found.add(_unit_head(packet, place + 3))
        place = packet.find(b"\0\0\1", place + 3)
    return found


def _unit_head(packet: bytes, place: int) -> tuple[int, int]:
    return (packet[place] >> 1) & 0x3F, ((packet[place] & 1) << 5) | (packet[place + 1] >> 3)


def find_dynamic(kinds: Iterable[str], *, unit_types: set[tuple[int, int]], other_layers: int) -> tuple[str, ...]:
    """Dynamic metadata and second layers in words; none is applied.

    Parameters
    ----------
    kinds
        Names of the side data of the first pictures.
    unit_types
        HEVC (unit type, layer) pairs of the first packets; empty for other codecs.
    other_layers
        Number of further video streams that look like a layer of this one.
    """
    words = [DYNAMIC_WORDS[kind] for kind in sorted(set(kinds)) if kind in DYNAMIC_WORDS]
    types = {unit_type for unit_type, _ in unit_types}
    if HEVC_RPU in types:
        words.append(DYNAMIC_WORDS["DOVI_RPU_BUFFER"])
    if HEVC_ENHANCEMENT in types:
        words.append("second layer inside the stream (enhancement units), not decoded: base layer only")
    if any(layer > 0 for unit_type, layer in unit_types if unit_type < HEVC_RPU):
        words.append("second layer inside the stream (layer number above 0), not decoded: base layer only")
    if other_layers:
        words.append(f"{other_layers} further video stream(s) in the file, possibly a second layer, not decoded: base layer only")
    return tuple(dict.fromkeys(words))


def join_static(container: StaticMetadata, bitstream: StaticMetadata, *, dynamic: tuple[str, ...]) -> tuple[Declared, tuple[str, ...]]:
    """What the release declares, and a note wherever its two places differ (then the bitstream's values are given)."""
    notes: list[str] = []
    level, level_source = _choose("light level", container.light_level, bitstream.light_level, notes)
    xy, xy_source = _choose("mastering primaries", container.primaries_xy, bitstream.primaries_xy, notes)
    nits, nits_source = _choose("mastering luminance", container.luminance_nits, bitstream.luminance_nits, notes)
    mastering = None
    if xy or nits:
        red, green, blue, white = xy or (None, None, None, None)
        most, least = nits or (None, None)
        mastering = Mastering(red, green, blue, white, most, least, nits_source or xy_source or "")
    cll_state, cll = _presence(level[0] if level else None)
    fall_state, fall = _presence(level[1] if level else None)
    return Declared(cll_state, cll, fall_state, fall, level_source, mastering, dynamic), tuple(notes)


def _presence(value: int | None) -> tuple[Presence, float | None]:
    if value is None:
        return "absent", None
    return ("present", float(value)) if value else ("zero", None)


def _choose(what: str, container: T | None, bitstream: T | None, notes: list[str]) -> tuple[T | None, str | None]:
    if container is None or bitstream is None:
        source = "bitstream" if container is None else "container"
        found = bitstream if container is None else container
        return found, source if found is not None else None
    if container == bitstream:
        return bitstream, "container and bitstream"
    notes.append(f"declared {what} differs: {container} in the container, {bitstream} in the bitstream; the bitstream's is given.")
    return bitstream, "bitstream"
