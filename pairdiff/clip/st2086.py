"""Mastering display and light levels in the units of the bitstream: SEI integers to cd/m2 and CIE x, y, and back.

Sources: ST 2086:2018; H.264 (08/2021) D.2.29 and D.2.31 (the same messages as in H.265); CTA-861.3-A. Files keep the primaries in the order
green, blue, red.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from pairdiff._errors import InputRefused
from pairdiff._records import Mastering

CHROMATICITY_UNITS_PER_ONE = 50000
"""Units of 0.00002."""
LUMINANCE_UNITS_PER_NIT = 10000
"""Units of 0.0001 cd/m2."""
LIGHT_LEVEL_UNITS_PER_NIT = 1
"""MaxCLL and MaxFALL, 16 bits."""
VALID_MAX_NITS = (5.0, 10000.0)
VALID_MIN_NITS = (0.0001, 5.0)
"""Ranges of H.264 D.2.29 for the two luminances, cd/m2."""

Pair = tuple[int, int]


@dataclass(frozen=True, slots=True)
class MasteringUnits:
    """The integers of a mastering display message, in its own order."""

    green: Pair
    """x, y in units of 0.00002; so are the next three."""
    blue: Pair
    red: Pair
    white: Pair
    max_luminance: int
    """Units of 0.0001 cd/m2; so is the next."""
    min_luminance: int


def xy_from_units(units: Pair) -> tuple[float, float]:
    """Chromaticity of a pair of integers.

    Parameters
    ----------
    units : tuple[int, int]
        x, y in units of 0.00002.

    Returns
    -------
    tuple[float, float]
        CIE 1931 x, y.

    Raises
    ------
    InputRefused
        For integers outside 0 to 50 000.
    """
    x, y = units
    if not (0 <= x <= CHROMATICITY_UNITS_PER_ONE and 0 <= y <= CHROMATICITY_UNITS_PER_ONE):
        raise InputRefused(f"Mastering chromaticity {x}, {y} is outside 0 to {CHROMATICITY_UNITS_PER_ONE}; the metadata cannot be right.")
    return x / CHROMATICITY_UNITS_PER_ONE, y / CHROMATICITY_UNITS_PER_ONE


def xy_to_units(xy: tuple[float, float]) -> Pair:
    """Integers of a chromaticity; the inverse of `xy_from_units`.

    Parameters
    ----------
    xy : tuple[float, float]
        CIE 1931 x, y, 0 to 1.

    Returns
    -------
    tuple[int, int]
        Units of 0.00002, rounded half up.

    Raises
    ------
    InputRefused
        For a chromaticity outside 0 to 1.
    """
    if not all(math.isfinite(v) and 0 <= v <= 1 for v in xy):
        raise InputRefused(f"Chromaticity {xy[0]}, {xy[1]} is outside 0 to 1; give CIE x and y.")
    return _round(xy[0] * CHROMATICITY_UNITS_PER_ONE), _round(xy[1] * CHROMATICITY_UNITS_PER_ONE)


def nits_from_units(units: int) -> float:
    """Luminance of an integer of the mastering display message.

    Parameters
    ----------
    units : int
        Units of 0.0001 cd/m2.

    Returns
    -------
    float
        cd/m2.

    Raises
    ------
    InputRefused
        For an integer below 0.
    """
    return _not_negative(units) / LUMINANCE_UNITS_PER_NIT


def nits_to_units(nits: float) -> int:
    """Integer of a mastering luminance; the inverse of `nits_from_units`.

    Parameters
    ----------
    nits : float
        cd/m2.

    Returns
    -------
    int
        Units of 0.0001 cd/m2, rounded half up.

    Raises
    ------
    InputRefused
        For a luminance below 0.
    """
    return _round(_not_negative(nits) * LUMINANCE_UNITS_PER_NIT)


def light_level_from_units(units: int) -> float | None:
    """MaxCLL or MaxFALL of an integer of the content light level message.

    Parameters
    ----------
    units : int
        Units of 1 cd/m2.

    Returns
    -------
    float or None
        cd/m2; None for 0, which means unknown and not black.

    Raises
    ------
    InputRefused
        For an integer below 0.

    Notes
    -----
    Source: H.264 (08/2021) D.2.31; CTA-861.3-A.
    """
    return _not_negative(units) / LIGHT_LEVEL_UNITS_PER_NIT if units != 0 else None


def valid_luminance_units(which: Literal["max", "min"]) -> Pair:
    """Range that the standard leaves to a mastering luminance.

    Parameters
    ----------
    which : {"max", "min"}
        Luminance of the display's white or of its black.

    Returns
    -------
    tuple[int, int]
        Lowest and highest integer, units of 0.0001 cd/m2, both inclusive.

    Notes
    -----
    Source: H.264 (08/2021) D.2.29.
    """
    low, high = VALID_MAX_NITS if which == "max" else VALID_MIN_NITS
    return nits_to_units(low), nits_to_units(high)


def luminance_faults(max_luminance: int, min_luminance: int) -> tuple[str, ...]:
    """What is wrong with a pair of mastering luminances, in words; such a file is still measured.

    Parameters
    ----------
    max_luminance, min_luminance : int
        Units of 0.0001 cd/m2.

    Returns
    -------
    tuple[str, ...]
        Empty when both lie in their ranges and white is above black.

    Notes
    -----
    Source: H.264 (08/2021) D.2.29 and its notes.
    """
    faults = []
    for which, value in (("max", max_luminance), ("min", min_luminance)):
        low, high = valid_luminance_units("max" if which == "max" else "min")
        if not low <= value <= high:
            faults.append(
                f"mastering {which}imum luminance {value / LUMINANCE_UNITS_PER_NIT:g} cd/m2 is outside "
                f"{low / LUMINANCE_UNITS_PER_NIT:g} to {high / LUMINANCE_UNITS_PER_NIT:g} cd/m2"
            )
    if max_luminance <= min_luminance:
        faults.append("mastering maximum luminance is not above the minimum")
    return tuple(faults)


def mastering_from_units(units: MasteringUnits, *, source: str) -> Mastering:
    """Read a mastering display message.

    Parameters
    ----------
    units : MasteringUnits
        Its integers.
    source : str
        Place that states them, as `Mastering.source`.

    Returns
    -------
    Mastering
        CIE x, y and cd/m2.

    Raises
    ------
    InputRefused
        For integers that no display can have.

    Notes
    -----
    Source: H.264 (08/2021) D.2.29; ST 2086:2018.
    """
    return Mastering(
        red_xy=xy_from_units(units.red),
        green_xy=xy_from_units(units.green),
        blue_xy=xy_from_units(units.blue),
        white_xy=xy_from_units(units.white),
        max_nits=nits_from_units(units.max_luminance),
        min_nits=nits_from_units(units.min_luminance),
        source=source,
    )


def mastering_to_units(mastering: Mastering) -> MasteringUnits:
    """Write a mastering display message; the inverse of `mastering_from_units`.

    Parameters
    ----------
    mastering : Mastering
        With every part present.

    Returns
    -------
    MasteringUnits
        Its integers.

    Raises
    ------
    InputRefused
        Where a part is missing or no display can have it.

    Notes
    -----
    Source: H.264 (08/2021) D.2.29; ST 2086:2018.
    """
    m = mastering
    if not (m.red_xy and m.green_xy and m.blue_xy and m.white_xy) or m.max_nits is None or m.min_nits is None:
        raise InputRefused("The mastering display is incomplete: a message needs three primaries, white and both luminances. Leave it out.")
    return MasteringUnits(
        green=xy_to_units(m.green_xy),
        blue=xy_to_units(m.blue_xy),
        red=xy_to_units(m.red_xy),
        white=xy_to_units(m.white_xy),
        max_luminance=nits_to_units(m.max_nits),
        min_luminance=nits_to_units(m.min_nits),
    )


def _not_negative(value: float) -> float:
    if not (math.isfinite(value) and value >= 0):
        raise InputRefused(f"A luminance of {value} in the metadata is below 0; the metadata cannot be right.")
    return value


def _round(value: float) -> int:
    return math.floor(value + 0.5)
