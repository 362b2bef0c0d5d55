"""How the report and the terminal say states and figures: the one place where digits, signs and units are decided.

| what | how |
|---|---|
| light | three significant digits, cd/m2; what a file declares is said as declared |
| stops | sign and two decimals |
| shares | per cent, never 0 % for what is above 0 |
| visible differences | JND with one decimal; preference loss: JOD with two |
| gamma | two decimals |

A value that does not exist is said in words, never shown as 0; a value that rounds to 0 carries no sign. Keys of the result, such as
`slightly_more`, are said in words; only the list of settings shows them as they are typed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import fields
from fractions import Fraction
from functools import cache

from pairdiff._settings import Settings

STATE_WORDS = {
    "same": "the same",
    "slightly_more": "slightly more",
    "clearly_more": "clearly more",
    "cannot_tell": "cannot tell",
    "not_applicable": "does not apply",
    "not_measured": "not measured",
    "seen": "seen",
    "not_seen": "not seen",
    "absent": "not declared",
    "zero": "declared as 0, which means unknown",
}
DECLARED_WORDS = {
    "absent": "not declared",
    "zero": "declared as 0, which means unknown",
    "agrees": "agrees with what was measured",
    "within": "the picture stays within it",
    "above_measured": "above what the picture reaches",
    "far_above_measured": "more than twice what the picture reaches",
    "exceeded_by_pixels": "exceeded, but by less than 0.01 % of a picture: a few pixels or the overshoot of the codec",
    "exceeded": "exceeded by the picture",
    "cannot_tell": "cannot be held against levels that depend on the display",
}
"""What a declared level is worth, by `DeclaredCheck.state`."""
SETUP_WORDS = {
    "white-100": "white 100",
    "white-203": "white 203",
    "gamma-2.2": "gamma 2.2",
    "gamma-2.4": "gamma 2.4",
    "gain": "gain",
    "controls": "controls",
    "bench": "bench (your set)",
}
SETUP_NOTES = {
    "white-100": "mastering white of 100 cd/m², gamma 2.4",
    "white-203": "HDR reference white, gamma 2.4",
    "gamma-2.2": "the set's gamma for a lit room, its white fitted to the whole title",
    "gamma-2.4": "the set's gamma for a dark room (BT.1886), its white fitted to the whole title",
    "gain": "one white for the whole title, fitted on mid-tones, gamma 2.4",
    "controls": "one white and one gamma for the whole title, as a viewer sets a television once; the verdict rests on this",
    "bench": "the set stated with the options",
}
RULE_WORDS = {
    "most different": "Most different",
    "brightest": "Brightest",
    "typical": "Typical",
    "random": "Random",
    "asked for": "Asked for",
}
SEGMENT_WORDS = {"matched": "matched", "hdr_only": "HDR only", "sdr_only": "SDR only", "undetermined": "undetermined"}
BAND_WORDS = {
    "under_1_nits": "below 1 cd/m²",
    "1_to_10_nits": "1 to 10 cd/m²",
    "10_to_100_nits": "10 to 100 cd/m²",
    "100_to_300_nits": "100 to 300 cd/m²",
    "over_300_nits": "above 300 cd/m²",
}
SIGNAL_WORDS = {
    "pq": "PQ",
    "hlg": "HLG",
    "bt1886": "BT.1886",
    "bt709": "BT.709",
    "p3-d65": "P3, white D65",
    "bt2020": "BT.2020",
    "bt2020-ncl": "BT.2020, non-constant luminance",
    "bt601": "BT.601",
    "rgb": "R'G'B'",
    "420": "4:2:0",
    "422": "4:2:2",
    "444": "4:4:4",
}
SETTING_WORDS = {
    "headroom_slight_stops": "headroom from which highlights are slightly more",
    "headroom_clear_stops": "headroom from which highlights are clearly more",
    "headroom_area_share": "share of the picture that must reach the level",
    "headroom_time_share": "share of matched time that must reach the level",
    "power_law_jnd": "what the free fit may leave for a power law",
    "regraded_jnd": "tone shift from which the tone counts as regraded",
    "peak_ratio_below_code": "SDR signal below which the peak ratio takes the place of headroom",
    "gamut_margin_jnd": "margin beyond the edge of BT.709",
    "clipped_share": "share of the picture clipped from which recovered detail applies",
    "colour_slight_share": "share outside BT.709 from which colour is slightly more",
    "colour_clear_share": "share outside BT.709 from which colour is clearly more",
    "recovered_jnd": "detail below which clipped areas count as flat",
    "recovered_spread": "spread of level below which clipped areas count as flat",
    "stretched_clip_share": "share of what lies above SDR white that must be clipped for a stretched picture",
    "stretched_area_share": "share of the picture that must be clipped for a stretched picture",
    "stretched_residual_jnd": "residual up to which one curve explains the picture",
    "support_min": "support that a label needs",
}
"""Settings that prose speaks of, in words; any other is said by its name without underscores and unit."""
NO_VALUE = "no value"
FEW_SHOTS = 3
"""Shots below which resampling them says little about other scenes (own)."""
NBSP = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"
LEAST_NITS = 0.0001
"""Light below this is not said in figures, cd/m2 (own: the black of the best mastering displays)."""


def say_state(state: str) -> str:
    """Say a state or a status in words.

    Parameters
    ----------
    state : str
        `same`, `not_measured`, ...

    Returns
    -------
    str
        Words; an unknown state is returned with spaces.
    """
    return (STATE_WORDS | BAND_WORDS).get(state, state.replace("_", " "))


def say_prose(text: str) -> str:
    """Say a sentence that names keys of the result or of the settings.

    Parameters
    ----------
    text : str
        A sentence; keys stand in it as they are, or between backticks.

    Returns
    -------
    str
        The same with words in their place, true minus signs and a blank before %. Option names such as `--hdr-range` and everything
        else between backticks are kept.
    """
    words = _KEYS.sub(lambda found: found["word"] or _key_words().get(found["key"], found[0]), text)
    signed = _MINUS.sub(MINUS, _ZERO.sub("", words))
    return re.sub(r"(?<=\d) ?%", f"{NBSP}%", signed)


@cache
def _key_words() -> dict[str, str]:
    settings = {one.name: re.sub(r"_(nits|jnd|share|stops|code|s)$", "", one.name).replace("_", " ") for one in fields(Settings)}
    return settings | SETTING_WORDS | STATE_WORDS | SEGMENT_WORDS | BAND_WORDS


_KEYS = re.compile(
    r"(?P<tick>`?)(?<![\w./-])(?P<key>[a-z0-9]+(?:_[a-z0-9]+)+)(?![\w/.-]*[\w/])(?P=tick)|`(?P<word>same|regraded|stretched|undetermined)`"
)
"""Words joined by underscores that are no part of a path, a file name or an option; and states of one word that stand as code."""


_MINUS = re.compile(r"(?<![\w./`-])-(?=\d)")
_ZERO = re.compile(r"(?<![\w./`-])[-+](?=0\.0+(?![\d.]))")
"""A minus sign before a figure; a sign before a figure of which nothing but 0 is left."""


def say_plain(text: str) -> str:
    """Say the same for a terminal, whose output is searched and piped.

    Parameters
    ----------
    text : str
        Words made here.

    Returns
    -------
    str
        Ordinary blanks, hyphens for minus signs, `cd/m2`.
    """
    return text.replace(NBSP, " ").replace(MINUS, "-").replace("cd/m²", "cd/m2")


def say_number(value: float | None) -> str:
    """Say a number without a unit with about three figures.

    Parameters
    ----------
    value : float or None
        The number.

    Returns
    -------
    str
        `no value` for None.
    """
    if value is None:
        return NO_VALUE
    return say_decimals(value, 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2)


def say_decimals(value: float, decimals: int, *, sign: bool = False) -> str:
    """Say a plain number with so many decimals: with a true minus sign, and without any sign where nothing but 0 is left.

    Parameters
    ----------
    value : float
        Any unit.
    decimals : int
        After the point.
    sign : bool
        Whether more than 0 has a plus sign.

    Returns
    -------
    str
        Without a unit.
    """
    text = f"{value:{'+' if sign else ''}.{decimals}f}"
    if not text.strip("+-0."):
        return text.lstrip("+-")
    return text.replace("-", MINUS)


def say_nits(value: float | None) -> str:
    """Say a measured light level.

    Parameters
    ----------
    value : float or None
        cd/m2.

    Returns
    -------
    str
        Three significant digits and the unit; `no value` for None.
    """
    if value is None:
        return NO_VALUE
    if 0 < value < LEAST_NITS:
        return f"below {LEAST_NITS:g}{NBSP}cd/m²"
    return f"{_say_significant(value)}{NBSP}cd/m²"


def _say_significant(value: float) -> str:
    """Three significant digits, at most four decimals; 0 as 0."""
    if value == 0:
        return "0"
    decimals = 2 - math.floor(math.log10(abs(float(f"{value:.2e}"))))
    return say_decimals(round(value, decimals), min(max(decimals, 0), 4))


def say_declared_check(state: str, *, looks_stamped: bool) -> str:
    """What a declared level is worth beside the measured one, in words."""
    words = DECLARED_WORDS[state]
    return f"{words}; looks stamped: a round figure, far from what this picture holds" if looks_stamped else words


def say_declared_nits(value: float | None) -> str:
    """Say a light level that a file declares: every digit it states.

    Parameters
    ----------
    value : float or None
        cd/m2.

    Returns
    -------
    str
        With its unit; `no value` for None.
    """
    return NO_VALUE if value is None else f"{value:.10g}{NBSP}cd/m²"


def say_stops(value: float | None) -> str:
    """Say a ratio of light in stops.

    Parameters
    ----------
    value : float or None
        Stops.

    Returns
    -------
    str
        With its sign and unit; `no value` for None.
    """
    return NO_VALUE if value is None else f"{say_decimals(value, 2, sign=True)}{NBSP}stops"


def caution_few_shots(shots: int) -> list[str]:
    """What support cannot know where few scenes were seen.

    Parameters
    ----------
    shots : int
        Shots that were matched.

    Returns
    -------
    list of str
        One sentence, or none where there were enough.
    """
    if shots >= FEW_SHOTS:
        return []
    if shots == 1:
        return ["only one shot was matched, so support reflects thresholds and set-up only; it says nothing about other scenes."]
    return [f"only {shots} shots were matched, so support hardly knows how other scenes would differ."]


def say_highlights(value: float | None, *, uses_peak_ratio: bool) -> str:
    """Say the highlight figure of a film: stops over SDR white, or the peak ratio where the SDR stays below its white."""
    return f"{say_stops(value)} over what the SDR reaches in that picture (peak ratio)" if uses_peak_ratio else say_headroom(value)


def say_headroom(value: float | None) -> str:
    """Say stops over SDR white.

    Parameters
    ----------
    value : float or None
        Stops.

    Returns
    -------
    str
        So many stops above SDR white, or below it where the value is negative.
    """
    if value is not None and round(value, 2) < 0:
        return f"{say_decimals(-value, 2)}{NBSP}stops below SDR white"
    return f"{say_stops(value)} above SDR white"


def say_jnd(value: float | None) -> str:
    """Say a visible difference.

    Parameters
    ----------
    value : float or None
        Just noticeable differences.

    Returns
    -------
    str
        One decimal and the unit; `no value` for None.
    """
    return NO_VALUE if value is None else f"{say_decimals(value, 1)}{NBSP}JND"


def say_jod(value: float | None) -> str:
    """Say a preference loss.

    Parameters
    ----------
    value : float or None
        JOD.

    Returns
    -------
    str
        Two decimals and the unit; `no value` for None.
    """
    return NO_VALUE if value is None else f"{say_decimals(value, 2)}{NBSP}JOD"


def say_deviation(value: float | None, say: Callable[[float | None], str] = say_number) -> str:
    """Say one standard deviation of a set-up's figure.

    Parameters
    ----------
    value : float or None
        In the unit of the figure.
    say : callable
        How the figure is said.

    Returns
    -------
    str
        With a sign of its own; below 0.01 it is not said in figures; empty for None.
    """
    if value is None:
        return ""
    return "± less than 0.01" if 0 <= value < 0.005 else f"± {say(value)}"


def say_gamma(value: float | None) -> str:
    """Say a gamma.

    Parameters
    ----------
    value : float or None
        Exponent of the display.

    Returns
    -------
    str
        Two decimals; `no value` for None.
    """
    return NO_VALUE if value is None else say_decimals(value, 2)


def say_fact(value: object) -> str:
    """Say a value of the signal description.

    Parameters
    ----------
    value : object
        A word such as `bt2020-ncl`, a number, a fraction as text, or None.

    Returns
    -------
    str
        Words; `not stated` for None.
    """
    if value is None:
        return "not stated"
    if isinstance(value, Fraction) or re.fullmatch(r"\d+/\d+", str(value)):
        ratio = Fraction(str(value))
        return str(ratio) if ratio.denominator == 1 else f"{float(ratio):.3f} ({ratio})"
    return SIGNAL_WORDS.get(str(value), str(value))


def say_share(value: float | None) -> str:
    """Say a share as per cent; a share above zero is never said as 0 %.

    Parameters
    ----------
    value : float or None
        0 to 1; above 1 where more is left than there was.

    Returns
    -------
    str
        `no value` for None.
    """
    if value is None:
        return NO_VALUE
    percent = 100.0 * value
    if 0 < percent < 0.01:
        return f"less than 0.01{NBSP}%"
    if percent > 99.95 and value < 1:
        return f"more than 99.9{NBSP}%"
    decimals = 2 if 0 < percent < 1 else 1 if 0 < percent < 10 or 99 < percent < 100 else 0
    return f"{100 if 99.95 <= percent < 100.5 else f'{percent:.{decimals}f}'}{NBSP}%"


def say_interval(low: float | None, high: float | None, say: Callable[[float | None], str] = say_number, *, full: bool = False) -> str:
    """Say the ends of a 95 % interval.

    Parameters
    ----------
    low, high : float or None
        The ends.
    say : callable
        How one end is said.
    full : bool
        Every frame was measured, so that there is nothing to estimate.

    Returns
    -------
    str
        Starts with a blank; says so when no interval was estimated.
    """
    if full:
        return " (every frame measured: no sampling error)"
    if low is None or high is None:
        return " (no interval estimated)"
    first, last = say(low), say(high)
    number, _, unit = first.rpartition(NBSP)
    if number and unit == last.rpartition(NBSP)[2]:  # the unit once is enough
        first = number
    return f" (95{NBSP}% interval {first} to {last})"


def say_estimate(estimate: Mapping[str, float | None], say: Callable[[float | None], str] = say_number, *, full: bool = False) -> str:
    """Say a value with its interval.

    Parameters
    ----------
    estimate : mapping
        `value`, `low`, `high`.
    say : callable
        How a value is said.
    full : bool
        As in `say_interval`.

    Returns
    -------
    str
        `no value` where there is none.
    """
    if estimate["value"] is None:
        return NO_VALUE
    return say(estimate["value"]) + say_interval(estimate["low"], estimate["high"], say, full=full)


def say_time(seconds: float | None) -> str:
    """Say film time.

    Parameters
    ----------
    seconds : float or None
        Film time, seconds.

    Returns
    -------
    str
        `h:mm:ss.mmm`, as `pairdiff stills --at` takes it; `no value` for None.
    """
    if seconds is None:
        return NO_VALUE
    minutes, milliseconds = divmod(round(seconds * 1000), 60000)
    return f"{minutes // 60}:{minutes % 60:02d}:{milliseconds // 1000:02d}.{milliseconds % 1000:03d}"


def say_bytes(size: int) -> str:
    """Say a file size.

    Parameters
    ----------
    size : int
        Bytes.

    Returns
    -------
    str
        Bytes with thin spaces between the thousands.
    """
    return f"{size:,} bytes".replace(",", NBSP)


def say_exposure(stops: int) -> str:
    """Say an exposure of the bracket.

    Parameters
    ----------
    stops : int
        Exposure.

    Returns
    -------
    str
        `0 stops`, `-1 stop` with a true minus sign.
    """
    return f"{stops} stop{'' if abs(stops) == 1 else 's'}".replace("-", MINUS)
