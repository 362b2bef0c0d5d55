"""What an answer to an objection is made of, and the few words that several answers share."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from pairdiff._records import AnswerState, Comparison
from pairdiff._settings import Settings
from pairdiff.verdict.figures import is_less, say_decimals, say_stops
from pairdiff.verdict.rules import WORDS

AXIS_WORDS = {
    "same": "the same",
    "slightly_more": "slightly more",
    "clearly_more": "clearly more",
    "cannot_tell": "cannot tell",
    "not_applicable": "not applicable",
}
STATUS_WORDS = {
    "measured": "has no value",
    "not_measured": "was not measured",
    "cannot_tell": "cannot be told from these files",
    "not_applicable": "does not apply",
}


@dataclass(frozen=True, slots=True)
class Answer:
    """What this run has to say to one objection."""

    state: AnswerState
    words: str
    changes: str
    """What would change the answer."""


def setting(comparison: Comparison, name: str) -> Any:
    """A setting as it was used; its default where the result does not hold it."""
    return comparison.settings[name] if name in comparison.settings else next(one.default for one in fields(Settings) if one.name == name)


def has_headroom(comparison: Comparison) -> bool:
    """Whether there is a figure of highlight headroom."""
    return comparison.headroom.status == "measured" and comparison.headroom.stops is not None


def headroom_limits(comparison: Comparison) -> tuple[float, float]:
    """Stops from which highlights are slightly and clearly more."""
    return float(setting(comparison, "headroom_slight_stops")), float(setting(comparison, "headroom_clear_stops"))


def say_limits(comparison: Comparison) -> str:
    """The same two in words."""
    slight, clear = headroom_limits(comparison)
    return f"slightly more from {slight:g}, clearly more from {_stops(clear)}"


def say_distance(comparison: Comparison) -> str:
    """How far headroom is from the nearer of the two."""
    stops = comparison.headroom.stops or 0.0
    nearest = min(headroom_limits(comparison), key=lambda limit: abs(stops - limit))
    away = f"{say_decimals(abs(nearest - stops), 2)} stops {'less' if stops >= nearest else 'more'} headroom"
    if comparison.free_fit.power_law:
        return "Another headroom changes nothing while one power law explains the pair."
    sooner = ""
    if comparison.verdict.tone == "regraded" and stops >= nearest:
        sooner = "; a part of it counts as the other grade's, so that the label changes sooner"
    return (
        f"{away} would reach the nearest threshold of the highlights axis ({_stops(nearest)}){sooner}; what would change the label is "
        "listed apart."
    )


def _stops(value: float) -> str:
    return f"{value:g} stop{'' if value == 1 else 's'}"


def say_room(comparison: Comparison) -> str:
    """Headroom that counts, with what it is against, or with which set where another has more."""
    room = comparison.headroom
    if room.uses_peak_ratio:
        return f"{say_stops(room.stops)} against what the SDR release shows there"
    if not is_less(room.stops_gain, room.stops_controls):
        return f"{say_stops(room.stops)} of headroom"
    return f"{say_stops(room.stops)} of headroom with a gain alone ({say_stops(room.stops_controls)} with the set's controls)"


def say_least(value: float) -> str:
    """An uncertainty of two decimals, never said as nothing."""
    return "less than 0.01" if value < 0.005 else say_decimals(value, 2)


def capital(words: str) -> str:
    """Words as the start of a sentence."""
    return words[:1].upper() + words[1:]


def quote(label: str | None) -> str:
    """A label in words, some of which hold commas."""
    return f'"{WORDS[label or "undetermined"]}"'


def say_axis(axes: Mapping[str, str], name: str) -> str:
    """An axis with its state."""
    return f"{name} {AXIS_WORDS[axes[name]]}" if name in axes else f"{name} not judged"


def join(words: Sequence[str]) -> str:
    """Words as a list of a sentence."""
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else "".join(words)


def count(number: int, what: str, several: str = "") -> str:
    """So many of a thing; its plural where that is more than an s."""
    return f"{number} {what if number == 1 else several or what + 's'}"
