"""The rule table: which conditions give which label, and why. Data, read top to bottom; the first rule whose conditions hold decides."""

from __future__ import annotations

from dataclasses import dataclass

WORDS = {
    "sdr-in-hdr-container": "SDR picture in an HDR container",
    "different-grade": "another grade, not more range",
    "stretched-sdr": "SDR stretched brighter",
    "restrained-hdr": "HDR, used sparingly",
    "wider-range": "HDR that widens the picture",
    "undetermined": "cannot tell",
}


@dataclass(frozen=True, slots=True)
class Rule:
    """One line of the table."""

    label: str
    holds: tuple[str, ...]
    """Conditions that must hold; names of `Conditions` fields."""
    reason: str
    reason_by_ratio: str = ""
    """Said in place of `reason` where the SDR stays below its white and the peak ratio decides."""


RULES = (
    Rule(
        "undetermined",
        ("too_little_matched",),
        "too little of the two releases could be matched to judge them",
    ),
    Rule(
        "undetermined",
        ("too_little_tone",),
        "the pictures hold too little between dark and bright to fit a set to",
    ),
    Rule(
        "undetermined",
        ("highlights_gain", "clipped_there", "flat_there", "one_curve", "ends_sharply"),
        "levels lie above SDR white where the SDR is clipped, the HDR is flat there and one curve explains the rest, but what is clipped "
        "ends at sharp edges: evenly lit surfaces in a wider picture look the same as an SDR picture stretched brighter",
    ),
    Rule(
        "undetermined",
        ("highlights_gain", "clipped_there", "flat_there", "one_curve", "leaps"),
        "levels lie above SDR white where the SDR is clipped and the HDR is flat there, but it leaps to that level at the very top of the "
        "SDR: evenly lit surfaces in a wider picture look the same as a brightness laid on what the SDR clips",
    ),
    Rule(
        "undetermined",
        ("highlights_gain", "clipped_there", "flat_there", "one_curve", "still_rises"),
        "levels lie above SDR white where the SDR looks clipped and the HDR is nearly flat, but the SDR is not clipped there: it follows "
        "the HDR in a few codes, and a wider picture that was held in them looks the same as those codes stretched brighter",
    ),
    Rule(
        "stretched-sdr",
        ("highlights_gain", "clipped_there", "flat_there", "one_curve"),
        "levels lie above SDR white, but where they do the SDR is clipped and the HDR is flat, and one curve explains the rest",
    ),
    Rule(
        "wider-range",
        ("highlights_clear",),
        "highlights are clearly above what the SDR set can show",
        "highlights are clearly above those of the SDR release in the same pictures, which stay below its own white",
    ),
    Rule(
        "wider-range",
        ("shadows_clear",),
        "shadows clearly hold more than the SDR release",
    ),
    Rule(
        "restrained-hdr",
        ("highlights_gain",),
        "highlights are above what the SDR set can show, but only slightly",
        "highlights are slightly above those of the SDR release in the same pictures, which stay below its own white",
    ),
    Rule(
        "restrained-hdr",
        ("shadows_gain",),
        "shadows hold slightly more than the SDR release",
    ),
    Rule(
        "undetermined",
        ("power_law", "steep_law"),
        "levels lie above SDR white and one power law turns the SDR release into the HDR one, but a steeper one than any set is turned to: "
        "a wider picture that one curve held down for the SDR looks the same as an SDR picture that the same curve drew up",
    ),
    Rule(
        "different-grade",
        ("regraded",),
        "tones differ by more than a set explains, and highlights stay within what the SDR set can show, or too little above it to count",
    ),
    Rule(
        "different-grade",
        ("colour_gain",),
        "colour alone goes further than the SDR release",
    ),
    Rule(
        "sdr-in-hdr-container",
        ("power_law", "beyond_set"),
        "one power law turns the SDR release into the HDR one, highlights included: the SDR picture at a brightness or contrast beyond "
        "what the SDR set can be turned to",
    ),
    Rule(
        "sdr-in-hdr-container",
        (),
        "no axis gains and the tone is that of the SDR release once the SDR set is adjusted",
    ),
)


@dataclass(frozen=True, slots=True)
class Conditions:
    """What the rules ask about; each is a plain yes or no."""

    too_little_matched: bool
    too_little_tone: bool
    highlights_gain: bool
    highlights_clear: bool
    shadows_gain: bool
    shadows_clear: bool
    colour_gain: bool
    regraded: bool
    clipped_there: bool
    flat_there: bool
    one_curve: bool
    ends_sharply: bool
    leaps: bool
    still_rises: bool
    power_law: bool
    steep_law: bool
    beyond_set: bool


def decide(conditions: Conditions) -> Rule:
    """The first rule of the table whose conditions all hold."""
    return next(rule for rule in RULES if all(getattr(conditions, name) for name in rule.holds))
