"""Declared light levels against the measured ones: what a label on the box says, held against the picture. It never moves a verdict.

CTA-861.3 and SMPTE ST 2086 values are stated by whoever made the file; 0 means unknown, and many files carry one set of figures stamped on
everything (common practice, no source). A single pixel or the overshoot of a codec can carry MaxCLL above what was declared, so that the
99.99th percentile is asked as well.
"""

from __future__ import annotations

from pairdiff._records import Declared, DeclaredCheck, DeclaredName, DeclaredState, Levels, Presence

AGREES_RATIO = 1.1
"""Measured over declared, either way, up to which the two agree (own; a lossy copy moves MaxCLL by some per cent)."""
FAR_RATIO = 2.0
"""Declared over measured from which the declaration says nothing about this picture (own)."""
ROUND_NITS = 100.0
"""Declared levels that are all multiples of this look stamped where they are also far from the measured ones (own)."""
STANDARD_PEAKS_NITS = (1000.0, 2000.0, 4000.0, 10000.0)
"""Peaks of mastering displays; a MaxCLL equal to one of them is a round number first (common practice, no source)."""


def check_declared(declared: Declared, levels: Levels, *, absolute: bool) -> tuple[DeclaredCheck, ...]:
    """Hold the declared MaxCLL, MaxFALL and mastering peak of a release against what was measured.

    Parameters
    ----------
    declared : what the file says.
    levels : what its pictures hold.
    absolute : whether the levels are absolute (PQ); those of HLG depend on the display and cannot be held against a declaration.

    Returns
    -------
    Three checks, always in this order.
    """
    mastering = None if declared.mastering is None else declared.mastering.max_nits
    rows: tuple[tuple[DeclaredName, Presence, float | None, float | None], ...] = (
        ("max_cll", declared.max_cll_state, declared.max_cll_nits, levels.max_cll_nits),
        ("max_fall", declared.max_fall_state, declared.max_fall_nits, levels.max_fall_nits),
        ("mastering_peak", "absent" if mastering is None else "present", mastering, levels.max_cll_nits),
    )
    stamped = _looks_stamped(declared, levels) if absolute else False
    return tuple(
        DeclaredCheck(
            name,
            _judge(presence, said, found, robust_nits=levels.p9999_nits if name != "max_fall" else found, absolute=absolute, name=name),
            said,
            found,
            stamped and presence == "present" and name != "mastering_peak",
        )
        for name, presence, said, found in rows
    )


def agrees_with(said_nits: float | None, found_nits: float | None) -> bool:
    """Whether a declared level and a measured one agree, either way, by `AGREES_RATIO`; unknown ones do not."""
    if not said_nits or not found_nits:
        return False
    return max(said_nits / found_nits, found_nits / said_nits) <= AGREES_RATIO


def _judge(
    presence: str, said_nits: float | None, found_nits: float | None, *, robust_nits: float | None, absolute: bool, name: str
) -> DeclaredState:
    if presence == "absent":
        return "absent"
    if presence == "zero":
        return "zero"
    if not absolute or said_nits is None or found_nits is None or robust_nits is None or found_nits <= 0:
        return "cannot_tell"
    if found_nits > AGREES_RATIO * said_nits:
        return "exceeded" if robust_nits > AGREES_RATIO * said_nits else "exceeded_by_pixels"
    if name == "mastering_peak":
        return "within"
    if found_nits * AGREES_RATIO >= said_nits:
        return "agrees"
    return "far_above_measured" if said_nits >= FAR_RATIO * found_nits else "above_measured"


def _looks_stamped(declared: Declared, levels: Levels) -> bool:
    """Whether MaxCLL and MaxFALL look like figures that were not measured on this picture: round, and far from what it holds."""
    said = (declared.max_cll_nits, declared.max_fall_nits)
    found = (levels.max_cll_nits, levels.max_fall_nits)
    if any(value is None or value <= 0 for value in (*said, *found)):
        return False
    ratios = [max(s / f, f / s) for s, f in zip(said, found, strict=True) if s and f]
    even = all(value is not None and value % ROUND_NITS == 0 for value in said) or declared.max_cll_nits in STANDARD_PEAKS_NITS
    return even and max(ratios) >= FAR_RATIO
