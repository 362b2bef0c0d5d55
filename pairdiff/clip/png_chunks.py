"""What the chunks of a PNG say of light and colour (PNG third edition: mDCV 11.3.2.7, cLLI 11.3.2.8, iCCP 11.3.2.3).

They are read here and not from the decoded picture, since the binding (PyAV 18.1) frees the name of a PNG's colour profile twice once a
picture's side data has been touched, which ends the process.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

from pairdiff.clip.picture_size import PNG_MAGIC

MOST_CHUNKS = 1000
"""Chunks before the picture that are looked through (own)."""
MOST_PROFILE_BYTES = 1 << 22
"""Largest colour profile that is unpacked (own)."""
XY_UNIT, LUMINANCE_UNIT = 0.00002, 0.0001
"""Of the numbers in mDCV and cLLI; luminance in cd/m2 (PNG third edition 11.3.2.7, 11.3.2.8)."""


def read_light_level(data: bytes) -> tuple[int, int] | None:
    """MaxCLL and MaxFALL of a PNG, whole cd/m2; None where it states none."""
    body = _find(data, b"cLLI")
    if body is None or len(body) != 8:
        return None
    first, second = (round(number * LUMINANCE_UNIT) for number in struct.unpack(">2I", body))
    return first, second


def read_mastering(data: bytes) -> tuple[tuple[tuple[float, float], ...], tuple[float, float]] | None:
    """Chromaticities (x, y) of red, green, blue and white, and most and least luminance in cd/m2; None where it states none."""
    body = _find(data, b"mDCV")
    if body is None or len(body) != 24:
        return None
    numbers = struct.unpack(">8H2I", body)
    places = [round(number * XY_UNIT, 5) for number in numbers[:8]]
    most, least = (round(number * LUMINANCE_UNIT, 4) for number in numbers[8:])
    return tuple((places[i], places[i + 1]) for i in range(0, 8, 2)), (most, least)


def read_profile(data: bytes) -> bytes:
    """The colour profile of a PNG; empty where it holds none, or one that cannot be unpacked or is too long to be one."""
    body = _find(data, b"iCCP")
    if body is None:
        return b""
    _, _, packed = body.partition(b"\0")
    unpacker = zlib.decompressobj()
    try:
        profile = unpacker.decompress(packed[1:], MOST_PROFILE_BYTES)
    except zlib.error:
        return b""
    return b"" if unpacker.unconsumed_tail else profile


def _find(data: bytes, name: bytes) -> bytes | None:
    return next((body for kind, body in _chunks(data) if kind == name), None)


def _chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Name and body of every chunk before the picture's own."""
    place = len(PNG_MAGIC)
    if not data.startswith(PNG_MAGIC):
        return
    for _ in range(MOST_CHUNKS):
        head = data[place : place + 8]
        if len(head) < 8 or head[4:] in (b"IDAT", b"IEND"):
            return
        length = int.from_bytes(head[:4], "big")
        if place + 12 + length > len(data):
            return
        yield head[4:], data[place + 8 : place + 8 + length]
        place += 12 + length
