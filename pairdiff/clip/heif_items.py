"""Items of a HEIF or AVIF picture: what the `meta` box of the file lists, read by its own careful reader.

Every count, size and place that a file states is held against what the file holds; what does not fit is a fault in words.
Sources: ISO/IEC 14496-12 (8.11: `meta`, `iloc`, `iinf`, `iref`, `idat`), ISO/IEC 23008-12 (9.3: `ipco`, `ipma`; 6.5: properties).
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

HEIF_BRANDS = (b"avif", b"heic", b"heix", b"mif1", b"mif2", b"tmap")
"""Brands of single pictures (ISO/IEC 23008-12 10; AV1 Image File Format 8), the first of which a `ftyp` box holds."""
BRAND_BYTES = 12
"""Beginning of a file that says its brand."""
MOST_BOXES, MOST_META_BYTES, MOST_ITEM_BYTES = 1000, 1 << 24, 1 << 28
"""Boxes beside one another, and bytes of a `meta` box and of an item, that are read (own)."""
MOST_EXTENTS = 1000
"""Pieces that an item may lie in (own)."""
NUMBER_BYTES = (0, 4, 8)
"""Sizes that `iloc` may state for its numbers (ISO/IEC 14496-12 8.11.3)."""


class ItemFault(Exception):
    """What is wrong with the items of a file: words that go on after "its"."""


@dataclass(frozen=True, slots=True)
class Property:
    """A property of an item."""

    kind: bytes
    body: bytes
    essential: bool
    """Whether who does not know it must leave the item alone."""


@dataclass(frozen=True, slots=True)
class Item:
    """One item of a file."""

    number: int
    kind: bytes
    """`av01`, `hvc1`, `grid`, `tmap` and so on."""
    protected: bool
    properties: tuple[Property, ...]
    method: int
    """Where its bytes lie: 0 in the file, 1 in the `meta` box (`idat`); others are not read."""
    elsewhere: bool
    """Whether its bytes lie in another file."""
    extents: tuple[tuple[int, int], ...]
    """Start and length of each piece; length 0 is up to the end."""
    made_of: tuple[int, ...]
    """Items that it is derived from, in order (`dimg`)."""


@dataclass(frozen=True, slots=True)
class Items:
    """What a file lists."""

    listed: dict[int, Item]
    data: bytes
    """Bytes of items that lie in the `meta` box."""


class _Cursor:
    """Numbers and bytes of a box, one after another."""

    def __init__(self, data: bytes, what: str) -> None:
        self._data, self._what, self._place = data, what, 0

    def take(self, count: int) -> bytes:
        if count > len(self._data) - self._place:
            raise ItemFault(f"{self._what} is cut off")
        self._place += count
        return self._data[self._place - count : self._place]

    def number(self, count: int) -> int:
        return int.from_bytes(self.take(count), "big")

    def rest(self) -> bytes:
        return self._data[self._place :]


def is_heif(head: bytes) -> bool:
    """Whether a file that begins so is a HEIF or AVIF picture, by the brand of its `ftyp` box."""
    return head[4:8] == b"ftyp" and head[8:12] in HEIF_BRANDS


def read_items(path: str) -> Items | None:
    """The items of a picture; None for a file that is no HEIF or AVIF picture, or lists none.

    Parameters
    ----------
    path
        A file that can be read.

    Raises
    ------
    ItemFault
        Where its lists are cut off, contradict themselves, or pass the limits above.
    """
    with open(path, "rb") as file:
        if not is_heif(file.read(BRAND_BYTES)):
            return None
        meta = _find_meta(file, os.path.getsize(path))
    return None if meta is None else _read_meta(meta)


def read_item(path: str, items: Items, item: Item) -> bytes:
    """The bytes of an item.

    Raises
    ------
    ItemFault
        Where they do not lie in the file, or there are too many.
    """
    name = f"item {item.number}"
    if item.elsewhere or item.method not in (0, 1):
        raise ItemFault(f"{name} does not lie in the file itself (construction method {item.method})")
    if not item.extents:
        raise ItemFault(f"{name} has no place in the file")
    size = len(items.data) if item.method else os.path.getsize(path)
    lengths = [length or max(size - start, 0) for start, length in item.extents]
    if any(start + length > size for (start, _), length in zip(item.extents, lengths, strict=True)):
        raise ItemFault(f"{name} lies behind the end of the {'data in its head' if item.method else 'file'}")
    if sum(lengths) > MOST_ITEM_BYTES:
        raise ItemFault(f"{name} is of {sum(lengths)} bytes, more than the limit of {MOST_ITEM_BYTES}")
    if item.method:
        return b"".join(items.data[start : start + length] for (start, _), length in zip(item.extents, lengths, strict=True))
    pieces = []
    with open(path, "rb") as file:
        for (start, _), length in zip(item.extents, lengths, strict=True):
            file.seek(start)
            pieces.append(file.read(length))
    return b"".join(pieces)


def _find_meta(file: BinaryIO, size: int) -> bytes | None:
    """Body of the first `meta` box at the top of a file."""
    place = 0
    for _ in range(MOST_BOXES):
        file.seek(place)
        head = file.read(16)
        if len(head) < 8:
            return None
        length, start = int.from_bytes(head[:4], "big"), 8
        if length == 1:
            length, start = int.from_bytes(head[8:], "big"), 16
        length = length or size - place
        if length < start:
            return None
        if head[4:8] == b"meta":
            if length > min(size - place, MOST_META_BYTES):
                raise ItemFault("list of items (`meta`) is cut off, or too long")
            file.seek(place + start)
            return file.read(length - start)
        place += length
        if place >= size:  # whatever a box says of its size
            return None
    return None


def split_boxes(data: bytes, what: str) -> Iterator[tuple[bytes, bytes]]:
    """Name and body of the boxes beside one another (ISO/IEC 14496-12 4.2).

    Raises
    ------
    ItemFault : where `what` is cut off, or holds more boxes than any file should.
    """
    place = 0
    for _ in range(MOST_BOXES):
        if place == len(data):
            return
        cursor = _Cursor(data[place : place + 16], what)
        length, kind, start = cursor.number(4), cursor.take(4), 8
        if length == 1:
            length, start = cursor.number(8), 16
        length = length or len(data) - place
        if not start <= length <= len(data) - place:
            raise ItemFault(f"{what} is cut off")
        yield kind, data[place + start : place + length]
        place += length
    raise ItemFault(f"{what} holds more than {MOST_BOXES} boxes")


def _read_meta(meta: bytes) -> Items:
    what = "list of items (`meta`)"
    cursor, boxes = _Cursor(meta, what), dict[bytes, bytes]()
    _version(cursor)
    for kind, body in split_boxes(cursor.rest(), what):
        boxes.setdefault(kind, body)
    kinds = _read_infos(boxes.get(b"iinf", b""))
    places = _read_places(boxes.get(b"iloc", b""))
    sources = _read_references(boxes.get(b"iref", b""))
    properties = _read_properties(boxes.get(b"iprp", b""))
    listed = {}
    for number, (kind, protected) in kinds.items():
        method, elsewhere, extents = places.get(number, (0, False, ()))
        listed[number] = Item(
            number, kind, protected, properties.get(number, ()), method, elsewhere, extents, made_of=sources.get(number, ())
        )
    return Items(listed, boxes.get(b"idat", b""))


def _version(cursor: _Cursor) -> tuple[int, int]:
    """Version and flags of a full box."""
    return cursor.number(1), cursor.number(3)


def _read_infos(body: bytes) -> dict[int, tuple[bytes, bool]]:
    """Kind of each item, and whether it is protected (`infe` of versions 2 and 3; older ones name no kind)."""
    if not body:
        return {}
    what = "names of items (`iinf`)"
    cursor = _Cursor(body, what)
    version, _ = _version(cursor)
    cursor.number(4 if version else 2)
    found: dict[int, tuple[bytes, bool]] = {}
    for kind, info in split_boxes(cursor.rest(), what):
        if kind != b"infe" or info[:1] not in (b"\2", b"\3"):
            continue
        entry = _Cursor(info, what)
        version, _ = _version(entry)
        number = entry.number(4 if version == 3 else 2)
        protected = entry.number(2) != 0
        if number in found:
            raise ItemFault(f"{what} name item {number} twice")
        found[number] = entry.take(4), protected
    return found


def _read_places(body: bytes) -> dict[int, tuple[int, bool, tuple[tuple[int, int], ...]]]:
    """Construction method, whether it lies in another file, and pieces of each item (`iloc`)."""
    if not body:
        return {}
    what = "places of items (`iloc`)"
    cursor = _Cursor(body, what)
    version, _ = _version(cursor)
    if version > 2:
        raise ItemFault(f"{what} are of version {version}, which is not known")
    sizes = cursor.number(2)
    offset, length, base, index = (sizes >> shift & 15 for shift in (12, 8, 4, 0))
    index = index if version else 0
    if any(one not in NUMBER_BYTES for one in (offset, length, base, index)):
        raise ItemFault(f"{what} are of numbers of {offset}, {length}, {base} and {index} bytes")
    wide = 4 if version == 2 else 2
    found: dict[int, tuple[int, bool, tuple[tuple[int, int], ...]]] = {}
    for _ in range(cursor.number(wide)):  # each takes bytes: their end ends this
        number = cursor.number(wide)
        method = cursor.number(2) & 15 if version else 0
        elsewhere = cursor.number(2) != 0
        start = cursor.number(base)
        count = cursor.number(2)
        if count > MOST_EXTENTS:
            raise ItemFault(f"{what} cut item {number} into {count} pieces, more than the limit of {MOST_EXTENTS}")
        extents = []
        for _ in range(count):
            cursor.take(index)
            begin = start + cursor.number(offset)
            extents.append((begin, cursor.number(length)))
        if number in found:
            raise ItemFault(f"{what} name item {number} twice")
        found[number] = method, elsewhere, tuple(extents)
    return found


def _read_references(body: bytes) -> dict[int, tuple[int, ...]]:
    """Items that each item is derived from (`iref`, `dimg`)."""
    if not body:
        return {}
    what = "references of items (`iref`)"
    cursor = _Cursor(body, what)
    version, _ = _version(cursor)
    wide = 4 if version else 2
    found: dict[int, tuple[int, ...]] = {}
    for kind, one in split_boxes(cursor.rest(), what):
        entry = _Cursor(one, what)
        if kind == b"dimg":
            number = entry.number(wide)
            found.setdefault(number, tuple(entry.number(wide) for _ in range(entry.number(2))))
    return found


def _read_properties(body: bytes) -> dict[int, tuple[Property, ...]]:
    """Properties of each item (`ipco` lists them, `ipma` says whose they are)."""
    if not body:
        return {}
    what = "properties of items (`iprp`)"
    boxes = list(split_boxes(body, what))
    listed = [one for kind, part in boxes if kind == b"ipco" for one in split_boxes(part, what)]
    found: dict[int, tuple[Property, ...]] = {}
    for kind, part in boxes:
        if kind != b"ipma":
            continue
        cursor = _Cursor(part, what)
        version, flags = _version(cursor)
        size = 2 if flags & 1 else 1
        for _ in range(cursor.number(4)):  # each takes bytes: their end ends this
            number = cursor.number(4 if version else 2)
            marks = [cursor.number(size) for _ in range(cursor.number(1))]
            top = 1 << 8 * size - 1  # says whether it is essential; the rest is its place in the list, from 1, and 0 none
            found.setdefault(number, tuple(_property(listed, mark & top - 1, mark & top, what) for mark in marks if mark & top - 1))
    return found


def _property(listed: list[tuple[bytes, bytes]], place: int, essential: int, what: str) -> Property:
    if place > len(listed):
        raise ItemFault(f"{what} name number {place} of {len(listed)}")
    kind, body = listed[place - 1]
    return Property(kind, body, essential != 0)
