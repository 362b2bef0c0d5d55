"""The size that a picture's file states, read without a decoder: a file of a few kilobytes may ask one for gigabytes."""

from __future__ import annotations

import struct
from typing import BinaryIO

PNG_MAGIC, EXR_MAGIC, JPEG_MAGIC = b"\x89PNG\r\n\x1a\n", b"\x76\x2f\x31\x01", b"\xff\xd8"
DPX_MAGIC = {b"SDPX": ">", b"XPDS": "<"}
DPX_SIZE_AT = 772
"""Pixels per line and lines per image element (SMPTE ST 268-1, image information header)."""
EXR_HEAD_BYTES = 1 << 20
"""Head of an OpenEXR file in which its data window is looked for."""
JPEG_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
"""Markers that begin a frame and state its size (ITU-T T.81 table B.1)."""
MOST_MARKERS = 10_000


def stated_size(path: str) -> tuple[int, int] | None:
    """Columns and rows that a PNG, OpenEXR, DPX or JPEG states.

    Parameters
    ----------
    path
        A file that can be read.

    Returns
    -------
    Columns and rows, pixels; None for another kind of file, or where nothing is stated that can be believed.

    Notes
    -----
    PNG third edition 11.2.1 (IHDR); OpenEXR file layout, attribute `dataWindow`; SMPTE ST 268-1; ITU-T T.81 B.2.2.
    """
    with open(path, "rb") as file:
        head = file.read(24)
        if head.startswith(PNG_MAGIC) and head[12:16] == b"IHDR" and len(head) == 24:
            return _believed(*struct.unpack(">2I", head[16:24]))
        if head.startswith(EXR_MAGIC):
            return _exr_size(head + file.read(EXR_HEAD_BYTES))
        if order := DPX_MAGIC.get(head[:4]):
            file.seek(DPX_SIZE_AT)
            size = file.read(8)
            return _believed(*struct.unpack(f"{order}2I", size)) if len(size) == 8 else None
        return _jpeg_size(file) if head.startswith(JPEG_MAGIC) else None


def _believed(columns: int, rows: int) -> tuple[int, int] | None:
    return (columns, rows) if columns > 0 and rows > 0 else None


def _exr_size(head: bytes) -> tuple[int, int] | None:
    """From the attribute `dataWindow`, a box of first and last column and row."""
    mark = b"dataWindow\0box2i\0\x10\0\0\0"
    place = head.find(mark) + len(mark)
    if place < len(mark) or place + 16 > len(head):
        return None
    left, top, right, bottom = struct.unpack("<4i", head[place : place + 16])
    return _believed(right - left + 1, bottom - top + 1)


def _jpeg_size(file: BinaryIO) -> tuple[int, int] | None:
    """From the first frame header behind the other segments."""
    file.seek(2)
    for _ in range(MOST_MARKERS):
        mark = file.read(2)
        if len(mark) < 2 or mark[0] != 0xFF:
            return None
        if mark[1] == 0xFF:  # fill bytes may stand before a marker
            file.seek(-1, 1)
            continue
        length = file.read(2)
        if len(length) < 2:
            return None
        if mark[1] in JPEG_FRAMES:
            frame = file.read(5)
            return _believed(*struct.unpack(">2H", frame[1:])[::-1]) if len(frame) == 5 else None
        file.seek(max(int.from_bytes(length, "big") - 2, 0), 1)
    return None
