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
EXR_END = b""
"""Key of the place where the head of an OpenEXR file ends."""
EXR_BLOCK_LINES = {bytes([n]): lines for n, lines in enumerate((1, 1, 1, 16, 32, 16, 32, 32, 32, 256))}
"""Lines of a block by compression: none, RLE, ZIPS, ZIP, PIZ, PXR24, B44, B44A, DWAA, DWAB (OpenEXR file layout)."""
EXR_OTHER_FLAGS = 0x200 | 0x800 | 0x1000
"""Flags of tiled, deep and multi-part files."""
JPEG_FRAMES = {*range(0xC0, 0xD0)} - {0xC4, 0xC8, 0xCC}
"""Markers that begin a frame and state its size (ITU-T T.81 table B.1)."""
MOST_MARKERS = 10_000
"""Segments of a JPEG, or attributes of an OpenEXR file, that are looked through (own)."""


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
    """From `dataWindow` and `displayWindow`, boxes of first and last column and row: the larger of both in either direction."""
    attributes = read_exr_attributes(head)
    boxes = [_box(attributes[name]) for name in (b"dataWindow", b"displayWindow") if len(attributes.get(name, b"")) == 16]
    sizes = [(right - left + 1, bottom - top + 1) for left, top, right, bottom in boxes]
    return _believed(max(one[0] for one in sizes), max(one[1] for one in sizes)) if sizes else None


def _box(body: bytes) -> tuple[int, int, int, int]:
    left, top, right, bottom = struct.unpack("<4i", body)
    return left, top, right, bottom


def read_exr_attributes(head: bytes) -> dict[bytes, bytes]:
    """Name and body of the attributes of an OpenEXR file's first part; what is cut off is left out."""
    found: dict[bytes, bytes] = {}
    place = 8
    while place < len(head) and head[place] and len(found) < MOST_MARKERS:
        name, _, rest = head[place : place + 512].partition(b"\0")
        kind, _, rest = rest.partition(b"\0")
        start = place + len(name) + len(kind) + 2
        size = int.from_bytes(head[start : start + 4], "little")
        if start + 4 + size > len(head):
            return found
        found[name] = head[start + 4 : start + 4 + size]
        place = start + 4 + size
    found[EXR_END] = place.to_bytes(8, "little")
    return found


def find_exr_fault(path: str) -> str | None:
    """What of an OpenEXR picture is missing or does not lie where it is read, in words; None where nothing is.

    FFmpeg leaves out blocks that it cannot read without a word, and puts the data window where its numbers say, whatever the display
    window is. Tiled, deep and multi-part files are not looked at but for their windows.
    """
    with open(path, "rb") as file:
        data = file.read()
    attributes = read_exr_attributes(data)
    windows = [attributes.get(name, b"") for name in (b"dataWindow", b"displayWindow")]
    if EXR_END not in attributes or any(len(one) != 16 for one in windows):
        return "its head is cut off"
    window, display = (_box(one) for one in windows)
    if display[:2] != (0, 0):
        return f"its display window begins at {display[0]}, {display[1]} in place of 0, 0"
    lines = EXR_BLOCK_LINES.get(attributes.get(b"compression", b"")[:1])
    if lines is None or int.from_bytes(data[4:8], "little") & EXR_OTHER_FLAGS:
        return None
    start, count = int.from_bytes(attributes[EXR_END], "little") + 1, -(-(window[3] - window[1] + 1) // lines)
    table = data[start : start + 8 * count]
    if len(table) < 8 * count:
        return "its table of blocks is cut off"
    missing = sum(not _is_whole(data, offset) for (offset,) in struct.iter_unpack("<Q", table))
    return f"{missing} of its {count} blocks of lines are missing or cut off" if missing else None


def _is_whole(data: bytes, offset: int) -> bool:
    size = int.from_bytes(data[offset + 4 : offset + 8], "little") if offset else 0
    return offset > 0 and offset + 8 + size <= len(data)


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
