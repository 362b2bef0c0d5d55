"""The gain map of an AVIF picture: which items it is made of, and the numbers by which it is applied.

Sources: AV1 Image File Format 1.2, section on tone map derived image items (`tmap`, made of a base picture and a gain map, in this order);
ISO 21496-1 annex C (the numbers, which are the bytes of that item behind one of version).
"""

from __future__ import annotations

import os
import struct
from dataclasses import dataclass
from typing import Literal

from pairdiff._errors import InputRefused
from pairdiff._records import GainMap
from pairdiff.clip.container import SIDES
from pairdiff.clip.heif_items import Item, ItemFault, Items, read_item, read_items

TONE_MAP, AV1 = b"tmap", b"av01"
HEAD_BYTES = 1 << 16
"""Head of a picture in which the mark is looked for where its items cannot be read (own)."""
NUMBERS_VERSION, KNOWN_VERSION = 0, 0
"""Of the item, and of the numbers (the least that who reads them must know)."""
MULTICHANNEL, IN_BASE = 0x80, 0x40
"""Bits of the byte of flags."""
HDR_POINTS = (16, 18)
"""PQ and HLG, ITU-T H.273."""
MOST_STOPS = 32.0
"""Gains beyond are no light that any display or signal has; PQ spans less (own)."""
AGAIN = "Save the picture again, or give its HDR rendition as a picture of its own."
State = Literal["base is sdr", "base is hdr", "not applied", "broken"]


@dataclass(frozen=True, slots=True)
class GainMapItems:
    """The items that a gain map is made of."""

    items: Items
    derived: Item
    """The `tmap` item: the other rendition."""
    base: Item
    coded: Item
    """The gain map."""
    numbers: GainMap


def gain_map_state(path: str) -> State | None:
    """What kind of gain map a HEIF or AVIF picture holds; None where it holds none.

    Returns
    -------
    `base is sdr` and `base is hdr` of AVIF by the headroom of the two renditions; `not applied` where the items are of another codec
    than AV1 (HEIC); `broken` for what `find_gain_map` refuses, unless the base is PQ or HLG by its colours and needs no gain map.
    """
    if not os.path.isfile(path):
        return None
    try:
        found = _find(path)
    except ItemFault:
        with open(path, "rb") as file:
            return "broken" if TONE_MAP in file.read(HEAD_BYTES) else None
    if found is None:
        return None
    items, derived = found
    kinds = {_coding(items, number) for number in derived.made_of}
    if kinds and AV1 not in kinds and None not in kinds:
        return "not applied"
    try:
        numbers = _gather(path, items, derived).numbers
    except ItemFault:
        return "base is hdr" if derived.made_of and _states_hdr(items.listed.get(derived.made_of[0])) else "broken"
    return "base is hdr" if numbers.base_headroom > numbers.alternate_headroom else "base is sdr"


def base_item_number(path: str) -> int | None:
    """Number of the item that is the base picture of a gain map; None where there is no gain map, or it cannot be read."""
    if not os.path.isfile(path):
        return None
    try:
        found = _find(path)
    except ItemFault:
        return None
    return found[1].made_of[0] if found is not None and found[1].made_of else None


def find_gain_map(path: str, *, side: str) -> GainMapItems:
    """The gain map of an AVIF picture.

    Parameters
    ----------
    path
        A file that holds one (`gain_map_state`).
    side
        For messages.

    Raises
    ------
    InputRefused
        Where its items or its numbers are damaged, contradict themselves, or are of a kind that is not read.
    """
    try:
        found = _find(path)
        if found is None:
            raise ItemFault("list of items names none")
        return _gather(path, *found)
    except ItemFault as fault:
        raise InputRefused(f"The gain map of the {SIDES[side]} release {path} cannot be applied: its {fault}. {AGAIN}") from fault


def parse_gain_map(data: bytes) -> GainMap:
    """The numbers of a gain map from the bytes of its `tmap` item.

    Parameters
    ----------
    data
        A byte of version; two versions of 16 bits (least that a reader must know, and that of the writer); a byte of flags; headroom of
        both renditions; then of one or three channels five numbers, each a numerator and a denominator of 32 bits.

    Raises
    ------
    ItemFault
        For another version, numbers that are cut off, more of them than there are, or what no gain map can have.

    Notes
    -----
    Source: AV1 Image File Format 1.2 (`ToneMapImage`); ISO 21496-1 annex C.2.
    """
    if len(data) < 6:
        raise ItemFault("numbers are cut off")
    version, least, writer, flags = struct.unpack(">BHHB", data[:6])
    if version != NUMBERS_VERSION or least > KNOWN_VERSION:
        raise ItemFault(f"numbers are of a version that is not known (item {version}, numbers {least})")
    channels = 3 if flags & MULTICHANNEL else 1
    size = 6 + 16 + 40 * channels
    if len(data) < size:
        raise ItemFault(f"numbers are cut off ({len(data)} bytes in place of {size})")
    if len(data) > size and writer <= KNOWN_VERSION:
        raise ItemFault(f"numbers are too many ({len(data)} bytes in place of {size})")
    headrooms = [_ratio(data, 6 + 8 * n, signed=False, what="headroom") for n in range(2)]
    columns = list(zip(*(_channel(data, 22 + 40 * n) for n in range(channels)), strict=True))
    least_gain, most_gain, gamma, base_offset, alternate_offset = (tuple(one) * (3 // channels) for one in columns)
    if headrooms[0] == headrooms[1]:
        raise ItemFault(f"two renditions have the same headroom ({headrooms[0]:g} stops), so that it says nothing")
    if max(headrooms) > MOST_STOPS or max(map(abs, (*least_gain, *most_gain))) > MOST_STOPS:
        raise ItemFault(f"gains or headroom go beyond {MOST_STOPS:g} stops, which is no light")
    if any(low > high for low, high in zip(least_gain, most_gain, strict=True)):
        raise ItemFault("least gain is above its most")
    if min(gamma) <= 0:
        raise ItemFault("gamma is 0")
    return GainMap(
        base_headroom=headrooms[0],
        alternate_headroom=headrooms[1],
        least=_three(least_gain),
        most=_three(most_gain),
        gamma=_three(gamma),
        base_offset=_three(base_offset),
        alternate_offset=_three(alternate_offset),
        in_base_primaries=bool(flags & IN_BASE),
    )


def _three(values: tuple[float, ...]) -> tuple[float, float, float]:
    red, green, blue = values
    return red, green, blue


def _channel(data: bytes, place: int) -> tuple[float, ...]:
    """Least and most gain, gamma, offset of the base and of the other rendition; gamma alone has no sign."""
    return tuple(_ratio(data, place + 8 * n, signed=n != 2, what="numbers") for n in range(5))


def _ratio(data: bytes, place: int, *, signed: bool, what: str) -> float:
    top, bottom = struct.unpack(">iI" if signed else ">II", data[place : place + 8])
    if bottom == 0:
        raise ItemFault(f"{what} are divided by 0")
    return float(top / bottom)


def _find(path: str) -> tuple[Items, Item] | None:
    """The items of a picture and the first that is another rendition of it."""
    items = read_items(path)
    if items is None:
        return None
    return next(((items, item) for item in items.listed.values() if item.kind == TONE_MAP), None)


def _coding(items: Items, number: int) -> bytes | None:
    """Codec of an item, through what it is made of; None where it is not listed."""
    item = items.listed.get(number)
    if item is not None and item.made_of and item.kind != TONE_MAP:  # a grid of tiles
        item = items.listed.get(item.made_of[0])
    return None if item is None else item.kind


def _states_hdr(item: Item | None) -> bool:
    """Whether an item is PQ or HLG by its colours (`colr`)."""
    colours = () if item is None else (one.body for one in item.properties if one.kind == b"colr" and one.body[:4] == b"nclx")
    return any(int.from_bytes(body[6:8], "big") in HDR_POINTS for body in colours)


def _gather(path: str, items: Items, derived: Item) -> GainMapItems:
    if len(derived.made_of) != 2:
        raise ItemFault(f"rendition is made of {len(derived.made_of)} pictures in place of a base and a gain map")
    base, coded = (items.listed.get(number) for number in derived.made_of)
    if base is None or coded is None or base is coded:
        raise ItemFault("base or gain map is not listed in the file, or both are the same")
    for what, item in (("base", base), ("gain map", coded)):
        if item.kind != AV1:
            kind = ascii(item.kind.decode("latin-1"))
            raise ItemFault(f"{what} is coded as {kind}, and only one AV1 picture in one piece ('av01') is read")
    if any(item.protected for item in (derived, base, coded)):
        raise ItemFault("pictures are encrypted")
    return GainMapItems(items, derived, base, coded, parse_gain_map(read_item(path, items, derived)))
