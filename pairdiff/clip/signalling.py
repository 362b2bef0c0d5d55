"""Colour tags: code points of ITU-T H.273, the two places that state them, and one answer with its source.

No precedence between container and bitstream is agreed in the trade, so a contradiction is refused, never settled here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pairdiff._errors import SignalUnresolved, UsageError
from pairdiff._records import Fact
from pairdiff._settings import MATRICES, PRIMARIES, RANGES, SITINGS, TRANSFERS, Settings

# ITU-T H.273 (= H.264 tables E-3, E-4, E-5) code points that can be measured
TRANSFER_NAMES = {1: "bt1886", 6: "bt1886", 14: "bt1886", 15: "bt1886", 16: "pq", 18: "hlg"}
PRIMARIES_NAMES = {1: "bt709", 9: "bt2020", 12: "p3-d65"}
MATRIX_NAMES = {0: "rgb", 1: "bt709", 5: "bt601", 6: "bt601", 9: "bt2020-ncl"}
TRANSFER_WORDS = {"pq": "PQ", "hlg": "HLG", "bt1886": "BT.1886 (SDR)"}
"""How messages call them."""
RANGE_NAMES = {1: "narrow", 2: "full"}  # FFmpeg's numbers, not H.273's
SITING_NAMES = {0: "left", 1: "centre", 2: "top-left"}

UNSPECIFIED = (0, 2, 3)  # reserved, unspecified, reserved
FIELDS = ("transfer", "primaries", "matrix", "range")
NAMES: Mapping[str, Mapping[int, str]] = {
    "transfer": TRANSFER_NAMES,
    "primaries": PRIMARIES_NAMES,
    "matrix": MATRIX_NAMES,
    "range": RANGE_NAMES,
}
CHOICES = {"transfer": TRANSFERS, "primaries": PRIMARIES, "matrix": MATRICES, "range": RANGES, "siting": SITINGS}

# what a release of that side usually is: shown as an example in messages, never applied
USUAL = {
    "hdr": {"transfer": "pq", "primaries": "bt2020", "matrix": "bt2020-ncl", "range": "narrow", "siting": "top-left"},
    "sdr": {"transfer": "bt1886", "primaries": "bt709", "matrix": "bt709", "range": "narrow", "siting": "left"},
}

# ITU-T H.273 names of code points that are refused, for the message
REFUSED_NAMES = {
    "transfer": {
        4: "gamma 2.2 (BT.470 M)",
        5: "gamma 2.8 (BT.470 BG)",
        7: "SMPTE 240M",
        8: "linear",
        9: "logarithmic",
        10: "logarithmic",
        11: "xvYCC",
        12: "BT.1361",
        13: "sRGB",
        17: "ST 428-1",
    },
    "primaries": {
        4: "BT.470 M",
        5: "BT.601 625 lines",
        6: "BT.601 525 lines",
        7: "SMPTE 240M",
        8: "film",
        10: "ST 428-1 XYZ",
        11: "P3 with the theatre white",
        22: "EBU 3213",
    },
    "matrix": {
        4: "FCC",
        7: "SMPTE 240M",
        8: "YCgCo",
        10: "BT.2020 constant luminance",
        11: "ST 2085",
        13: "derived, constant luminance",
        14: "ICtCp",
    },
    "range": {},
}


@dataclass(frozen=True, slots=True)
class Tags:
    """Colour tags of one place, H.273 numbers; None where the place is silent."""

    transfer: int | None
    primaries: int | None
    matrix: int | None
    range: int | None
    """1 narrow, 2 full."""


@dataclass(frozen=True, slots=True)
class PixelLayout:
    """What the pixel format says by itself."""

    bit_depth: int
    sampling: str
    """`420`, `422`, `444`, `rgb` or `grey`."""


@dataclass(frozen=True, slots=True)
class Colours:
    """The resolved colour description."""

    transfer: Fact[str]
    primaries: Fact[str]
    matrix: Fact[str]
    range: Fact[str]
    notes: tuple[str, ...]


def tags_from_points(*, transfer: int, primaries: int, matrix: int, code_range: int) -> Tags:
    """Turn FFmpeg's numbers into `Tags`: unspecified and reserved become None. Matrix 0 is a value (R'G'B')."""
    return Tags(
        transfer=None if transfer in UNSPECIFIED else transfer,
        primaries=None if primaries in UNSPECIFIED else primaries,
        matrix=None if matrix in (2, 3) else matrix,
        range=code_range if code_range in RANGE_NAMES else None,
    )


def name_point(field: str, point: int) -> str:
    """A code point in words, for messages and notes."""
    known = NAMES[field].get(point)
    if field == "range" and known:
        return known
    words = known or REFUSED_NAMES[field].get(point)
    return f"{words} (code point {point})" if words else f"code point {point}"


def option_of(settings: Settings, *, side: str, field: str) -> str | None:
    """What the user states about a field of one side.

    Raises
    ------
    UsageError
        If the value is none of the choices.
    """
    value: str | None = getattr(settings, f"{side}_{field}")
    if value is not None and value not in CHOICES[field]:
        raise UsageError(f"--{side}-{field} cannot be `{value}`. Give one of: {', '.join(CHOICES[field])}.")
    return value


def resolve_colours(
    container: Tags, bitstream: Tags, *, side: str, path: str, layout: PixelLayout, settings: Settings, hint: str = ""
) -> Colours:
    """One colour description out of two, each field with its source.

    Parameters
    ----------
    container, bitstream
        Tags of the two places.
    side, path
        For the messages and the names of the options.
    layout
        What the pixel format says: an R'G'B' picture has no matrix, a grey one needs none.
    settings
        Options of that side win over every tag and are noted.
    hint
        A sentence added to a refusal: what else was found that explains it.

    Raises
    ------
    SignalUnresolved
        If a field is absent, contradicts itself or has a value that cannot be measured; all of them in one message.
    """
    facts: dict[str, Fact[str]] = {}
    notes: list[str] = []
    wrong: list[str] = []
    absent: list[str] = []
    for field in FIELDS:
        stated = option_of(settings, side=side, field=field)
        points = (getattr(container, field), getattr(bitstream, field))
        if stated is not None:
            facts[field] = Fact(stated, "option", False)
            notes.append(f"{field} taken as {stated} from --{side}-{field}; the file says {_found(field, *points)}.")
            continue
        fixed = _fixed_by_format(field, points, layout)
        found = fixed or _agreed(field, *points)
        if isinstance(found, Fact):
            facts[field] = found
            if found.assumed:
                notes.append(f"{field} assumed {found.value} ({found.source}): the file does not state it.")
        elif found is None:
            absent.append(field)
        else:
            wrong.append(f"{field}: {found}")
    if wrong or absent:
        raise SignalUnresolved(_message(absent, wrong, side=side, path=path, found=facts, hint=hint))
    return Colours(facts["transfer"], facts["primaries"], facts["matrix"], facts["range"], tuple(notes))


def _fixed_by_format(field: str, points: tuple[int | None, int | None], layout: PixelLayout) -> Fact[str] | str | None:
    """What the pixel format decides before any tag is asked."""
    if field == "matrix" and layout.sampling == "rgb":
        return Fact("rgb", "pixel format", False)
    if field == "matrix" and layout.sampling == "grey":
        return Fact("bt709", "pixel format", False)  # no chroma: any Y'CbCr matrix gives R = G = B = Y
    if field == "matrix" and 0 in points:
        return "the tags say R'G'B' (code point 0), but the pixels are Y'CbCr"
    if field == "range" and points == (None, None):
        if layout.sampling == "rgb":
            return Fact("full", "assumed", True)
        return Fact("narrow", "standard: H.264/H.265 E.2.1 default", True)
    return None


def _agreed(field: str, container: int | None, bitstream: int | None) -> Fact[str] | str | None:
    """A fact, or the fault in words, or None where both places are silent."""
    names = NAMES[field]
    stated = [(point, place) for point, place in ((container, "container"), (bitstream, "bitstream")) if point is not None]
    if not stated:
        return None
    if len({names.get(point, str(point)) for point, _ in stated}) > 1:
        return " but ".join(f"the {place} says {name_point(field, point)}" for point, place in stated)
    point, source = stated[0][0], " and ".join(place for _, place in stated)
    if point not in names:
        return f"{name_point(field, point)}, stated by the {source}, cannot be measured as it stands"
    return Fact(names[point], source, False)


def _found(field: str, container: int | None, bitstream: int | None) -> str:
    places = ((container, "container"), (bitstream, "bitstream"))
    parts = [f"{name_point(field, point)} in the {place}" for point, place in places if point is not None]
    return " and ".join(parts) or "nothing"


def _message(absent: list[str], wrong: list[str], *, side: str, path: str, found: Mapping[str, Fact[str]], hint: str) -> str:
    parts = [f"The colours of the {side.upper()} release {path} cannot be settled."]
    if absent:
        parts.append(f"Neither the container nor the bitstream states: {', '.join(absent)}.")
    if wrong:
        parts.append("Found " + "; ".join(wrong) + ".")
    settled = [f"{field} {fact.value} ({fact.source})" for field, fact in found.items() if field != "range"]
    if settled:
        parts.append("Settled: " + ", ".join(settled) + ".")
    if hint:
        parts.append(hint)
    asked = [field for field in FIELDS if field in absent or any(fault.startswith(f"{field}:") for fault in wrong)]
    example = " ".join(f"--{side}-{field} {USUAL[side][field]}" for field in asked)
    parts.append(f"If you know how the release was made, state it; for a usual {side.upper()} release add {example}.")
    return " ".join(parts)


def resolve_siting(
    stated: Fact[str] | None, *, side: str, sampling: str, primaries: str, still_codec: bool, settings: Settings
) -> tuple[Fact[str], str | None]:
    """Where the chroma samples lie, and a note where that is assumed or overridden.

    Parameters
    ----------
    stated
        What the bitstream says, or None.
    side
        For the option.
    sampling
        Only `420` and `422` have a siting.
    primaries
        Resolved primaries: BT.2020 pictures are assumed `top-left`, others `left`.
    still_codec
        True for JPEG pictures, whose file format centres the samples.
    settings
        The option of that side wins.

    Raises
    ------
    SignalUnresolved
        If the bitstream states a siting other than left, top-left or centre, and no option is given.
    """
    option = option_of(settings, side=side, field="siting")
    if sampling not in ("420", "422"):
        return Fact("left", "pixel format", False), None
    if option is not None:
        said = f"{stated.value} in the {stated.source}" if stated else "nothing"
        return Fact(option, "option", False), f"chroma siting taken as {option} from --{side}-siting; the file says {said}."
    if stated is not None:
        if stated.value not in SITINGS:
            raise SignalUnresolved(
                f"The chroma samples of the {side.upper()} release lie at a place that cannot be read: "
                f"chroma_sample_loc_{stated.value} in the {stated.source}. "
                f"State the nearest one: --{side}-siting left, top-left or centre."
            )
        return stated, None
    if still_codec:
        fact = Fact("centre", "standard: JFIF 1.02", True)
    elif sampling == "422":
        fact = Fact("left", "standard: 4:2:2 is co-sited with even columns (BT.709, BT.2020)", True)
    elif primaries == "bt2020":
        fact = Fact("top-left", "standard: BT.2100 / UHD practice", True)
    else:
        fact = Fact("left", "standard: H.264/H.265 E.2.1 default", True)
    return fact, f"chroma siting assumed {fact.value} ({fact.source}): the file does not state it; --{side}-siting changes it."
