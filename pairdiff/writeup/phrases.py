"""How the report and the terminal say states and keys in words. How figures are said stands in `pairdiff/verdict/figures.py`, which the
sentences of the verdict use as well; its functions are handed on from here.

Keys of the result, such as `slightly_more`, are said in words; only the list of settings shows them as they are typed.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields
from fractions import Fraction
from functools import cache

from pairdiff._records import SurveyCoverage
from pairdiff._settings import Settings
from pairdiff.verdict.figures import MINUS as MINUS
from pairdiff.verdict.figures import NBSP as NBSP
from pairdiff.verdict.figures import NO_VALUE as NO_VALUE
from pairdiff.verdict.figures import say_decimals as say_decimals
from pairdiff.verdict.figures import say_declared_nits as say_declared_nits
from pairdiff.verdict.figures import say_deviation as say_deviation
from pairdiff.verdict.figures import say_gamma as say_gamma
from pairdiff.verdict.figures import say_interval as say_interval
from pairdiff.verdict.figures import say_jnd as say_jnd
from pairdiff.verdict.figures import say_jod as say_jod
from pairdiff.verdict.figures import say_nits as say_nits
from pairdiff.verdict.figures import say_number as say_number
from pairdiff.verdict.figures import say_plain as say_plain
from pairdiff.verdict.figures import say_share as say_share
from pairdiff.verdict.figures import say_stops as say_stops
from pairdiff.verdict.figures import say_time as say_time
from pairdiff.verdict.figures import say_volume as say_volume

STOP_WORDS = {
    "settled": "other windows would hardly change the label",
    "last_look": "it was the last one",
    "budget": "the time it was given (--budget) was spent",
    "decoded": "as many pictures were decoded as a survey may",
}
"""Why a survey stopped, by `SurveyCoverage.stopped`."""
STATE_WORDS = {
    "same": "no more",
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
    "exceeded_by_pixels": "exceeded by its brightest pixels; the 99.99th percentile stays within a tenth of it",
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
    "largest headroom": "Largest headroom",
    "most recovered detail": "Most detail where the SDR clips",
    "brightest": "Brightest",
    "typical": "Nearest to the median",
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
    "power_law_gamma_most": "gamma above which a power law is steeper than any set",
    "regraded_jnd": "tone shift from which the tone counts as regraded",
    "peak_ratio_below_code": "SDR signal below which the peak ratio takes the place of headroom",
    "gamut_margin_jnd": "margin beyond the edge of BT.709",
    "clipped_share": "share of the picture clipped from which recovered detail applies",
    "colour_slight_share": "share outside BT.709 from which colour is slightly more",
    "colour_clear_share": "share outside BT.709 from which colour is clearly more",
    "recovered_jnd": "detail below which clipped areas count as flat",
    "recovered_spread": "spread of level below which clipped areas count as flat",
    "recovered_spread_stops": "the same in stops",
    "stretched_clip_share": "share of what lies above SDR white that must be clipped for a stretched picture",
    "stretched_area_share": "share of the picture that must be clipped for a stretched picture",
    "stretched_gradual_share": "share of the rims of clipped areas that must fall off gradually for a stretched picture",
    "stretched_leap_share": "leap at the SDR's top up to which a curve stretches",
    "stretched_rise_codes": "rise of the SDR's signal inside what looks clipped up to which a picture can be stretched",
    "stretched_residual_jnd": "residual up to which one curve explains the picture",
    "support_min": "support that a label needs",
}
"""Settings that prose speaks of, in words; any other is said by its name without underscores and unit."""
ANSWER_WORDS = {"answered": "answered", "partly": "answered in part", "cannot_answer": "not by this run"}
SIDE_WORDS = {"defends": "In defence of the release", "doubts": "In doubt of the release", "both": "From either side"}
"""How the objection sheet names the sides of the argument and how far an answer goes."""
FEW_SHOTS = 3
"""Shots below which resampling them says little about other scenes (own)."""


AXIS_WORDS = {"highlights": "highlights", "shadows": "shadows", "colour": "colour gamut", "tone": "tone"}
"""The axes of the verdict as they are shown: the colour axis is about how far colours go, and not about how they differ."""


def say_survey(survey: SurveyCoverage) -> list[str]:
    """What a survey read, why it stopped, what its intervals mean, and what it cannot say.

    Parameters
    ----------
    survey : how far it came.
    """
    confidence = f"{100 * survey.confidence:g} %"
    share = say_share(survey.windows_found / max(survey.windows, 1))
    notes = [
        f"A survey: {survey.windows} windows of a third of a second, drawn at random from equal parts of the film, of which "
        f"{survey.windows_found} ({share}) were found in the SDR release; {survey.decoded_frames} pictures were decoded. It stopped after "
        f"look {survey.looks} of at most {survey.most_looks}, since {STOP_WORDS[survey.stopped]}. Intervals are at {confidence} for each "
        "look, so that those printed hold in 95 of 100 however early it stopped.",
        "A window begins at a key frame and ends a third of a second behind it; what lies further from any key frame was not seen.",
        f"Between windows at one offset the film is taken to run on. {say_share(survey.undetermined_share)} of the HDR release, at its "
        "ends and where windows do not agree, is undetermined. Frame numbers are those of even pictures at the stated rate.",
        "MaxCLL, MaxFALL and the highest percentiles of the whole release are not measured by a survey: `--no-survey` and `--full` read "
        "every frame.",
    ]
    return notes


def say_stops_interval(low: float | None, high: float | None) -> str:
    """The ends of the headroom's interval, where there are any."""
    if low is None:
        return ""
    if high is None:
        return f" (95{NBSP}% interval: from {say_stops(low)} up; the shots are too few for an upper end)"
    return say_interval(low, high, say_stops)


def say_spread(film_stops: float | None) -> str:
    """How far the level spreads where the SDR is clipped; follows `the level there`."""
    if film_stops is None:
        return "is known over too little to tell its spread"
    return f"spreads over {say_decimals(film_stops, 2)} stops from place to place (a curve of the SDR gives one level)"


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


def say_declared_check(state: str, *, looks_stamped: bool) -> str:
    """What a declared level is worth beside the measured one, in words."""
    words = DECLARED_WORDS[state]
    return f"{words}; looks stamped: a round figure, far from what this picture holds" if looks_stamped else words


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
    return f"{say_stops(value)} over {'what the SDR reaches in that picture (peak ratio)' if uses_peak_ratio else 'SDR white'}"


def say_objections(states: Sequence[str]) -> str:
    """Say how far the objection sheet could be answered.

    Parameters
    ----------
    states : sequence of str
        `state` of each objection.

    Returns
    -------
    str
        How many of each state; empty for none.
    """
    counts = {words: states.count(state) for state, words in ANSWER_WORDS.items()}
    return ", ".join(f"{number} {words}" for words, number in counts.items() if number)


def say_stamps(side: str, facts: Iterable[tuple[str, object, str]], dynamic: Sequence[str]) -> list[str]:
    """What a reader must know of a release before any figure or picture.

    Parameters
    ----------
    side : str
        `hdr` or `sdr`.
    facts : of (str, object, str)
        Name, value and source of each fact of its signal.
    dynamic : of str
        What the release holds and what was not applied, in words.

    Returns
    -------
    list of str
        What was taken from an option in place of the file, and what was not applied; empty where there is neither.
    """
    stated = [(name.replace("_", " "), value) for name, value, source in facts if source == "option"]
    stamps = [f"{side.upper()} {name} taken as {say_fact(value)}, as the user states" for name, value in stated]
    return stamps + ([f"{side.upper()} holds what was not applied ({'; '.join(dynamic)})"] if dynamic else [])


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
