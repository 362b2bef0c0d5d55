"""An AVIF picture with a gain map, put together box by box: no library at hand writes one from Python.

Boxes as ISO/IEC 14496-12 and ISO/IEC 23008-12 print them, the `tmap` item as AV1 Image File Format 1.2, its numbers as ISO 21496-1 annex C.
The AV1 pictures are libavif's (imagecodecs).
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

ITEMS = {"base": 1, "map": 2, "tmap": 3}
Channel = tuple[float, float, float, float, float]
"""Least and most gain, gamma, offset of the base and of the other rendition."""
PLAIN: tuple[Channel, ...] = ((0.0, 2.0, 1.0, 1 / 64, 1 / 64),)
DENOMINATOR = 4096


def box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(body), kind) + body


def full(kind: bytes, body: bytes, *, version: int = 0, flags: int = 0) -> bytes:
    return box(kind, bytes([version]) + flags.to_bytes(3, "big") + body)


def nclx(primaries: int, transfer: int, matrix: int, *, whole: bool = True) -> bytes:
    return box(b"colr", b"nclx" + struct.pack(">3HB", primaries, transfer, matrix, whole << 7))


def ispe(columns: int, rows: int) -> bytes:
    return full(b"ispe", struct.pack(">II", columns, rows))


def pixi(channels: int, bits: int) -> bytes:
    return full(b"pixi", bytes([channels, *[bits] * channels]))


def numbers(channels: Sequence[Channel] = PLAIN, *, headrooms: tuple[float, float] = (0.0, 2.0), in_base: bool = True) -> bytes:
    def ratio(value: float) -> bytes:
        return struct.pack(">iI", round(value * DENOMINATOR), DENOMINATOR)

    flags = (0x80 if len(channels) == 3 else 0) | (0x40 if in_base else 0)
    body = b"".join(map(ratio, headrooms)) + b"".join(ratio(value) for channel in channels for value in channel)
    return struct.pack(">BHHB", 0, 0, 0, flags) + body


def encode_av1(codes: NDArray[Any], **how: Any) -> tuple[bytes, bytes]:
    """The record of the codec (`av1C`, as a box) and the coded picture."""
    import imagecodecs

    file = imagecodecs.avif_encode(codes, level=100, **how)
    found = []
    for kind in (b"av1C", b"mdat"):
        start = file.index(kind) - 4
        found.append(file[start : start + int.from_bytes(file[start : start + 4], "big")])
    return found[0], found[1][8:]


@dataclass
class Parts:
    """What a file is put together of; every part may be spoilt before."""

    data: dict[str, bytes]
    properties: dict[str, list[bytes]]
    kinds: dict[str, bytes] = field(default_factory=lambda: {"base": b"av01", "map": b"av01", "tmap": b"tmap"})
    made_of: tuple[str, ...] = ("base", "map")
    order: tuple[str, ...] = ("base", "map", "tmap")
    brand: bytes = b"avif"
    essential: tuple[bytes, ...] = (b"av1C", b"irot", b"imir", b"clap")
    place_version: int = 0
    in_head: tuple[str, ...] = ()
    """Items whose data lie in the `meta` box."""
    pieces: int = 1
    wide: bool = False
    """Numbers of items of 32 bits, and of properties of 15; places counted from a base, each piece with an index."""
    protected: tuple[str, ...] = ()
    numbered: Mapping[str, int] = field(default_factory=lambda: ITEMS)

    def file(self) -> bytes:
        start = len(self._head()) + len(self._meta(0)) + 8
        return self._head() + self._meta(start) + box(b"mdat", b"".join(self.data[name] for name in self._outside()))

    def _head(self) -> bytes:
        return box(b"ftyp", self.brand + b"\0\0\0\0" + b"avifmif1miaftmap")

    def _outside(self) -> list[str]:
        return [name for name in self.order if name not in self.in_head]

    def _number(self, name: str) -> bytes:
        return self.numbered[name].to_bytes(4 if self.wide else 2, "big")

    def _meta(self, start: int) -> bytes:
        handler = full(b"hdlr", b"\0\0\0\0pict" + bytes(13))
        primary = full(b"pitm", self._number("base"), version=int(self.wide))
        held = box(b"idat", b"".join(self.data[name] for name in self.in_head)) if self.in_head else b""
        group = box(b"grpl", full(b"altr", struct.pack(">4I", 10, 2, self.numbered["tmap"], self.numbered["base"])))
        parts = (handler, primary, self._places(start), self._infos(), self._references(), self._properties(), group, held)
        return full(b"meta", b"".join(parts))

    def _infos(self) -> bytes:
        body = struct.pack(">H", len(self.order))
        for name in self.order:
            lock = struct.pack(">H", int(name in self.protected))
            body += full(b"infe", self._number(name) + lock + self.kinds[name] + b"\0", version=3 if self.wide else 2, flags=name == "map")
        return full(b"iinf", body)

    def _references(self) -> bytes:
        entry = self._number("tmap") + struct.pack(">H", len(self.made_of)) + b"".join(map(self._number, self.made_of))
        return full(b"iref", box(b"dimg", entry), version=int(self.wide))

    def _places(self, start: int) -> bytes:
        version = 2 if self.wide else self.place_version
        body = (b"\x44\x44" if self.wide else b"\x44\0") + len(self.order).to_bytes(4 if version == 2 else 2, "big")
        inside = 0
        for name in self.order:
            place = inside if name in self.in_head else start
            body += self.numbered[name].to_bytes(4 if version == 2 else 2, "big")
            body += struct.pack(">H", int(name in self.in_head)) if version else b""
            first, index = (place, bytes(4)) if self.wide else (0, b"")
            body += struct.pack(">HIH", 0, first, self.pieces) if self.wide else struct.pack(">HH", 0, self.pieces)
            size, done = len(self.data[name]), 0
            for piece in range(self.pieces):
                length = size - done if piece == self.pieces - 1 else size // self.pieces
                body += index + struct.pack(">II", place - first + done, length)
                done += length
            if name in self.in_head:
                inside += size
            else:
                start += size
        return full(b"iloc", body, version=version)

    def _properties(self) -> bytes:
        listed = [one for name in self.order for one in self.properties[name]]
        body, place = struct.pack(">I", len(self.order)), 0
        for name in self.order:
            body += self._number(name) + bytes([len(self.properties[name])])
            for one in self.properties[name]:
                place += 1
                mark = one[4:8] in self.essential
                body += struct.pack(">H", place | mark << 15) if self.wide else bytes([place | mark << 7])
        owners = full(b"ipma", body, version=int(self.wide), flags=int(self.wide))
        return box(b"iprp", box(b"ipco", b"".join(listed)) + owners)


def make_parts(
    base: NDArray[Any],
    coded: NDArray[Any],
    payload: bytes,
    *,
    points: tuple[int, int, int] = (1, 13, 1),
    other: tuple[int, int, int] | None = (1, 16, 0),
    base_how: Mapping[str, Any] | None = None,
    map_how: Mapping[str, Any] | None = None,
) -> Parts:
    """Of (row, column, 3) codes of the base, and (row, column) or (row, column, 3) codes of the map."""
    primaries, transfer, matrix = points
    how = {"pixelformat": "444", "primaries": primaries, "transfer": transfer, "matrix": matrix, **(base_how or {})}
    record, picture = encode_av1(base, **how)
    grey = coded.ndim == 2
    map_record, map_picture = encode_av1(coded, **{"pixelformat": "400" if grey else "444", "matrix": 2 if grey else 0, **(map_how or {})})
    size, map_size = ispe(base.shape[1], base.shape[0]), ispe(coded.shape[1], coded.shape[0])
    return Parts(
        {"base": picture, "map": map_picture, "tmap": payload},
        {
            "base": [size, record, nclx(*points), pixi(3, 8 if base.dtype == np.uint8 else 10)],
            "map": [map_size, map_record, nclx(2, 2, 2 if grey else 0), pixi(1 if grey else 3, 8)],
            "tmap": [size, *([] if other is None else [nclx(*other)]), pixi(3, 10)],
        },
    )


def smooth(rows: int, columns: int, *, top: int) -> NDArray[Any]:
    """R'G'B' codes of a smooth picture of colours, none of them far outside any primaries."""
    down, across = np.mgrid[0:rows, 0:columns].astype(np.float64)
    wave = [0.62 + 0.3 * np.sin(across / columns * 3 + down / rows * 2 + turn) for turn in (0.0, 0.35, 0.7)]
    return np.round(np.stack(wave, -1) * top).astype(np.uint8 if top < 256 else np.uint16)
