"""Base picture and gain map of an AVIF picture, decoded, and how their codes are to be read; `light.gain_map` makes the rendition."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, cast

import av
from av.packet import Packet
from av.video.codeccontext import VideoCodecContext
from av.video.frame import VideoFrame

from pairdiff._beat import decoding
from pairdiff._errors import InputRefused, SignalUnresolved
from pairdiff._records import Fact, GainMap, Side, Signal
from pairdiff._settings import Settings
from pairdiff.clip.container import SIDES
from pairdiff.clip.gain_map import AGAIN, GainMapItems, find_gain_map
from pairdiff.clip.heif_items import Item, ItemFault, read_item
from pairdiff.clip.icc import primaries_of_profile
from pairdiff.clip.metadata import tags_of_picture
from pairdiff.clip.probe import layout_of_format
from pairdiff.clip.signalling import (
    MATRIX_NAMES,
    PRIMARIES_NAMES,
    Tags,
    name_point,
    resolve_siting,
    tags_from_points,
)

PQ_POINT = 16
"""Transfer, ITU-T H.273."""
SILENT = Tags(None, None, None, None)
SRGB_POINTS = (1, 6, 13, 14, 15)
"""Transfers (ITU-T H.273) of a base picture that are shown by the sRGB curve: sRGB, and those of SDR video."""
MIAF_TAGS = Tags(13, 1, 6, 2)
"""What is meant where neither the file nor the bitstream says anything: sRGB, BT.709, BT.601, full (ISO/IEC 23000-22 7.3.6.4,
from memory)."""
TURNED = {b"irot": "turned", b"imir": "mirrored", b"clap": "cut"}
KNOWN = (b"av1C", b"ispe", b"pixi", b"colr", b"pasp", b"clli", b"mdcv", b"cclv", b"amve", b"auxC", b"rloc", *TURNED)
"""Properties that may be essential."""
SITINGS = {1: "left", 2: "top-left"}
"""`chroma_sample_position` of the record of a codec (AV1 6.4.2)."""
FULL_RANGE = 0x80


@dataclass(frozen=True, slots=True)
class CodedPicture:
    """A decoded picture, and how its codes are to be read."""

    picture: VideoFrame
    signal: Signal


@dataclass(frozen=True, slots=True)
class RenditionParts:
    """What the other rendition of a picture is made of."""

    base: CodedPicture
    coded: CodedPicture
    """The gain map; its codes are the map, with no transfer."""
    numbers: GainMap
    base_transfer: Literal["srgb", "pq"]
    base_primaries: str
    primaries: str
    """Of the other rendition."""
    source: str
    """Where these are stated: `option`, `container`, or `base picture`."""


def read_parts(path: str, *, side: Side, settings: Settings) -> RenditionParts:
    """Decode both pictures of a gain map.

    Parameters
    ----------
    path
        An AVIF picture with a gain map.
    side
        Which side the other rendition is.
    settings
        The primaries that are stated for that side are taken for the other rendition's; primaries, matrix, range and siting that are
        stated for the other side for the base's; and the limit on size.

    Raises
    ------
    InputRefused
        Where the file cannot be read, or is turned, or larger than the limit.
    SignalUnresolved
        Where the base has a transfer, matrix or primaries that are not known here.
    """
    items = find_gain_map(path, side=side)
    try:
        for what, item in (("base", items.base), ("gain map", items.coded), ("rendition", items.derived)):
            _check_properties(item, what)
        size = _size_of(items.base)
        if _size_of(items.derived, size) != size:
            raise ItemFault(f"rendition is of another size ({_say(_size_of(items.derived, size))}) than its base ({_say(size)})")
        base = _decode(path, items, items.base, "base", side=side, settings=settings)
        coded = _decode(path, items, items.coded, "gain map", side=side, settings=settings)
    except ItemFault as fault:
        raise InputRefused(f"The gain map of the {SIDES[side]} release {path} cannot be applied: its {fault}. {AGAIN}") from fault
    tags, coded_tags = _tags_of(items.base, base), _tags_of(items.coded, coded)
    other: Side = "sdr" if side == "hdr" else "hdr"
    wanted = SRGB_POINTS if other == "sdr" else (PQ_POINT,)
    if tags.transfer not in wanted:
        raise SignalUnresolved(
            f"The base picture of {path} has the transfer {name_point('transfer', tags.transfer or 2)}, from which its {SIDES[side]} "
            f"rendition is not made here. {AGAIN}"
        )
    base_primaries = getattr(settings, f"{other}_primaries") or _primaries(tags.primaries, path, "base picture", other)
    stated, option = _colour_of(items.derived).primaries, getattr(settings, f"{side}_primaries")
    told = option or (None if stated is None else _primaries(stated, path, f"{SIDES[side]} rendition", side))
    return RenditionParts(
        CodedPicture(base, _signal(items.base, base, tags, path=path, side=other, primaries=base_primaries, settings=settings)),
        CodedPicture(coded, _signal(items.coded, coded, coded_tags, path=path, side=other, primaries=base_primaries, settings=Settings())),
        items.numbers,
        "srgb" if other == "sdr" else "pq",
        base_primaries,
        told or base_primaries,
        "option" if option else "container" if told else "base picture",
    )


def _check_properties(item: Item, what: str) -> None:
    """Refuse what would show the picture otherwise than its codes lie."""
    for one in item.properties:
        if one.kind in TURNED and not (one.kind == b"irot" and one.body[:1] and one.body[0] & 3 == 0):
            raise ItemFault(f"{what} is {TURNED[one.kind]} by its file ({one.kind.decode()}), which is not done here")
        if one.essential and one.kind not in KNOWN:
            raise ItemFault(f"{what} has a property that it cannot be read without ({one.kind.decode('latin-1')!a})")


def _first(item: Item, kind: bytes, least: int) -> bytes | None:
    return next((one.body for one in item.properties if one.kind == kind and len(one.body) >= least), None)


def _size_of(item: Item, default: tuple[int, int] | None = None) -> tuple[int, int]:
    """Columns and rows that the file states (`ispe`)."""
    body = _first(item, b"ispe", 12)
    if body is None:
        if default is None:
            raise ItemFault(f"item {item.number} states no size (ispe)")
        return default
    return int.from_bytes(body[4:8], "big"), int.from_bytes(body[8:12], "big")


def _say(size: tuple[int, int]) -> str:
    return f"{size[0]} x {size[1]}"


def _decode(path: str, items: GainMapItems, item: Item, what: str, *, side: str, settings: Settings) -> VideoFrame:
    """The one picture of an AV1 item, of the size that the file states."""
    size = _size_of(item)
    if size[0] * size[1] > settings.picture_limit_megapixels * 1e6:
        raise InputRefused(
            f"The {SIDES[side]} release {path} has a {what} of {_say(size)}; the limit is {settings.picture_limit_megapixels:g} million "
            "pixels (--picture-limit-megapixels)."
        )
    record = _first(item, b"av1C", 4)
    if record is None:
        raise ItemFault(f"{what} does not say how it is coded (av1C)")
    data = read_item(path, items.items, item)
    decoder = cast("VideoCodecContext", av.CodecContext.create("libdav1d", "r"))
    decoder.extradata = record
    decoder.thread_count = 1  # with more, the decoder was seen to wait for ever on a spoilt picture
    decoder.options = {"max_pixels": str(max(size[0] * size[1], 1))}  # before memory is spent on more than is stated
    try:
        with decoding(path):
            picture = next(iter([*decoder.decode(Packet(data)), *decoder.decode(None)]), None)
    except (av.error.FFmpegError, ValueError):
        picture = None
    if picture is None:
        raise ItemFault(f"{what} cannot be decoded")
    if (picture.width, picture.height) != size:
        raise ItemFault(f"{what} is of {_say((picture.width, picture.height))}, where the file states {_say(size)}")
    return picture


def _colour_of(item: Item) -> Tags:
    """What the file says of an item's colours (`colr`): code points, or the primaries of a profile."""
    points, profile = SILENT, None
    for one in item.properties:
        if one.kind == b"colr" and one.body[:4] == b"nclx" and len(one.body) >= 11 and points == SILENT:
            primaries, transfer, matrix = (int.from_bytes(one.body[place : place + 2], "big") for place in (4, 6, 8))
            full = 2 if one.body[10] & FULL_RANGE else 1
            points = tags_from_points(transfer=transfer, primaries=primaries, matrix=matrix, code_range=full)
        elif one.kind == b"colr" and one.body[:4] in (b"prof", b"rICC"):
            profile = primaries_of_profile(one.body[4:])
    return points if points.primaries is not None else Tags(points.transfer, profile, points.matrix, points.range)


def _tags_of(item: Item, picture: VideoFrame) -> Tags:
    """The file before the bitstream (AV1 Image File Format 2.2), and what is meant where both are silent."""
    places = (_colour_of(item), tags_of_picture(picture), MIAF_TAGS)
    transfer, primaries, matrix, code_range = (
        next(value for place in places if (value := getattr(place, field)) is not None)
        for field in ("transfer", "primaries", "matrix", "range")
    )
    return Tags(transfer, primaries, matrix, code_range)


def _primaries(point: int | None, path: str, what: str, side: Side) -> str:
    name = PRIMARIES_NAMES.get(point or 0)
    if name is None:
        raise SignalUnresolved(
            f"The {what} of {path} has the primaries {name_point('primaries', point or 2)}, which are not measured here. "
            f"If the file is wrong, state them with --{side}-primaries."
        )
    return name


def _signal(item: Item, picture: VideoFrame, tags: Tags, *, path: str, side: Side, primaries: str, settings: Settings) -> Signal:
    """How the codes of an item are to be read."""
    layout = layout_of_format(picture.format, path=path, side=side)
    option = getattr(settings, f"{side}_matrix")
    matrix = "rgb" if layout.sampling == "rgb" else option or MATRIX_NAMES.get(tags.matrix if tags.matrix is not None else 2)
    if layout.sampling == "grey":
        matrix = "bt709"  # takes no part
    if matrix is None or (matrix == "rgb") != (layout.sampling == "rgb"):
        raise SignalUnresolved(
            f"A picture of {path} is coded by the matrix {name_point('matrix', tags.matrix if tags.matrix is not None else 2)}, which is "
            f"not read here for {layout.sampling}. {AGAIN}"
        )
    record: bytes = _first(item, b"av1C", 4) or bytes(4)
    position = SITINGS.get(record[2] & 3)
    siting, _ = resolve_siting(
        Fact(position, "bitstream", False) if position else None,
        side=side,
        sampling=layout.sampling,
        primaries=primaries,
        still_codec=False,
        settings=settings,
    )
    name = getattr(settings, f"{side}_range") or ("full" if tags.range == 2 else "narrow")
    source = "container and bitstream"
    return Signal(
        transfer=Fact("bt1886" if side == "sdr" else "pq", source, False),
        primaries=Fact(primaries, source, False),
        matrix=Fact(matrix, source, False),
        range=Fact(name, source, False),
        bit_depth=Fact(layout.bit_depth, "pixel format", False),
        chroma_sampling=Fact(layout.sampling, "pixel format", False),
        chroma_siting=siting,
        width=Fact(picture.width, "bitstream", False),
        height=Fact(picture.height, "bitstream", False),
        sample_aspect=Fact(Fraction(1), "assumed", True),
        frame_rate=Fact(None, "assumed", True),
    )
