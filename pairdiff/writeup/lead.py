"""What the page opens with: the label in a plain sentence, and the pair of pictures that shows it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pairdiff.stills.draw import MODEL_WHITES
from pairdiff.verdict.rules import RULES
from pairdiff.writeup.document import Document
from pairdiff.writeup.phrases import say_share

GAINS = ("slightly_more", "clearly_more")
GAIN_WORDS = {"highlights": "brighter highlights", "shadows": "more in the shadows", "colour": "colours outside BT.709"}
HIGHLIGHT_LABELS = ("stretched-sdr", "restrained-hdr", "wider-range")
"""Labels that highlights can give: where they did, the pictures have to show them."""
BEYOND_SET = tuple(rule.reason for rule in RULES if "beyond_set" in rule.holds)
"""Reasons for a container whose picture no SDR set can be turned to."""
MODEL_STOPS = math.log2(MODEL_WHITES)
"""How far above SDR white the common display model shows light; beyond, it rolls off."""
NEAR_LEAST, ABOVE_MOST = 0.05, 0.01
"""For the pair that shows that a release ends at SDR white: share of the HDR picture within a stop below it, and above it (own)."""
FAIR_RULES = ("typical", "random")
"""Rules whose moment stands for the film and not for its most; the first that there is goes on the card."""


@dataclass(frozen=True, slots=True)
class Proof:
    """The pair of pictures at the head of the page."""

    number: int
    """Of the moment."""
    stops: int | None
    """Exposure at which the pair is shown a second time; None where the first showing holds everything."""
    look: str
    """Where to look, and what for."""
    why: str
    """What it was chosen for beside the rule of its moment; empty where that is all."""
    curved: bool = False
    """Whether the SDR picture through one curve belongs to it: the label says that a curve does it."""


def say_lead(label: str, axes: Mapping[str, str], sentence: str) -> str:
    """Say a label in one plain sentence, without figures; they follow it.

    Parameters
    ----------
    label : str
        Of the verdict.
    axes : mapping
        State of each axis.
    sentence : str
        The verdict's own, which holds the reason of the rule that decided.

    Returns
    -------
    str
        Empty where nothing can be told: the verdict's own sentence says why.
    """
    gains = _join([GAIN_WORDS[axis] for axis in GAIN_WORDS if axes.get(axis) in GAINS])
    if label == "sdr-in-hdr-container":
        if _is_beyond_set({"label": label, "sentence": sentence}):
            return "One curve turns the SDR picture into the HDR one: the same picture, brighter or steeper than an SDR set is turned to."
        return "Adjust an SDR set once for the whole film, and it shows what the HDR release shows."
    if label == "different-grade":
        if axes.get("colour") in GAINS:  # alone: with highlights or shadows beside it the label is another one
            return f"The HDR release has {GAIN_WORDS['colour']}, and no other gain was found."
        return "The pictures differ in tone or colour by more than a set's controls explain, but not by a range that counts."
    if label == "stretched-sdr":
        return "Where the SDR release is at its white the HDR release is brighter, but shows next to nothing there that the SDR one lacks."
    if label == "restrained-hdr":
        return f"The HDR release goes further than the SDR release, but only a little: {gains}." if gains else ""
    if label == "wider-range":
        return f"The HDR release shows what the SDR release does not: {gains}." if gains else ""
    return ""


def after_label(verdict: Mapping[str, Any]) -> str:
    """The sentence of a verdict without the label that it opens with, where that stands above it."""
    sentence, opening = str(verdict["sentence"]), f"{verdict['words']}: "
    rest = sentence[len(opening) :] if sentence.lower().startswith(opening.lower()) else sentence
    return rest[:1].upper() + rest[1:]


def choose_moment(moments: Sequence[Mapping[str, Any]]) -> int | None:
    """Which of the moments goes on the card: one that stands for the film where there is one; None where none has both pictures.

    Parameters
    ----------
    moments : sequence of mapping
        `rule`, and `pictures` by name or as a list of mappings with `name`.
    """

    def names(moment: Mapping[str, Any]) -> set[str]:
        pictures = moment["pictures"]
        return set(pictures) if isinstance(pictures, Mapping) else {str(one["name"]) for one in pictures}

    whole = [number for number, moment in enumerate(moments) if {"model-hdr", "model-sdr"} <= names(moment)]
    fair = [number for rule in FAIR_RULES for number in whole if moments[number]["rule"] == rule]
    return next(iter([*fair, *whole]), None)


def choose_proof(
    result: Document,
    moments: Sequence[Mapping[str, Any]],
    *,
    stops: Sequence[Sequence[int]],
    above_shares: Sequence[float],
    near_shares: Sequence[float],
) -> Proof | None:
    """Choose the moment at the head of the page by the label.

    Where highlights gave it, the one that has most above SDR white; where the HDR release is what a set can be turned to, the one that
    has most near it; where tones differ, the one that differs most.

    Parameters
    ----------
    result : dict
        As in `result.json`.
    moments : sequence of mapping
        As `choose_moment` takes them.
    stops : sequence of sequences of int
        Exposures of the bracket that each moment has on both sides.
    above_shares : sequence of float
        Share of each moment's HDR picture that lies above SDR white.
    near_shares : sequence of float
        And within a stop below it.

    Returns
    -------
    Proof or None
        None where no moment has a picture of both sides.
    """
    verdict, room = result["verdict"], result["headroom"]
    gained = verdict["label"] in HIGHLIGHT_LABELS and verdict["axes"].get("highlights") in GAINS
    number = choose_moment(moments)
    if number is None:
        return None
    whole = [one for one, moment in enumerate(moments) if choose_moment([moment]) is not None]
    brightest = _ends_at_white(verdict, [one for one in whole if above_shares[one] <= ABOVE_MOST], near_shares)
    if brightest is not None:
        most = f"most near SDR white: {say_share(near_shares[brightest])} of the HDR picture within a stop below it"
        look = "Look at the brightest areas: the HDR release ends where the SDR one does."
        return Proof(
            brightest,
            min((one for one in stops[brightest] if one < -MODEL_STOPS), default=None),
            look,
            f"it is shown here since, of the moments below, it has {most}",
        )
    apart = next((one for one in whole if moments[one]["rule"] == "most different"), None)
    if verdict["label"] == "different-grade" and not any(state in GAINS for state in verdict["axes"].values()) and apart is not None:
        look = "Look at tones and colours that an SDR set can show: they are not the same."
        return Proof(apart, None, look, "it is shown here since the two differ most in it")
    highlights = gained and max(above_shares[one] for one in whole) > 0
    if highlights:
        number = max(whole, key=lambda one: (round(above_shares[one], 3), -one))
    if not highlights or room.get("stops") is None:
        return Proof(number, None, "", "", curved=_is_beyond_set(verdict))
    darker = [one for one in stops[number] if one < -MODEL_STOPS]
    enough = [one for one in darker if -one >= room["stops"]] or darker[-1:]
    shown = max(enough) if enough and room["stops"] > MODEL_STOPS else None
    look = {
        "stretched-sdr": "the HDR release is brighter there; what stands out in it the SDR one has as well for the most part, only fainter",
        "restrained-hdr": "there the HDR release goes on a little above SDR white",
        "wider-range": "there the HDR release goes on above SDR white",
    }[verdict["label"]]
    why = f"it is shown here since, of the moments below, it has most above SDR white: {say_share(above_shares[number])} of the HDR picture"
    return Proof(number, shown, f"Look at the brightest areas: {look}.", why, curved=verdict["label"] == "stretched-sdr")


def share_drawn(entries: Sequence[Mapping[str, Any]], name: str) -> float | None:
    """A share of the HDR picture that the outlines of a moment were drawn with.

    Parameters
    ----------
    entries : sequence of mapping
        The moment's pictures, as the index of stills lists them.
    name : str
        `above_white_share`, `near_white_share` or `outside_709_share`.

    Returns
    -------
    float or None
        None in results that do not hold it.
    """
    share = next((one.get("figures", {}).get(name) for one in entries if one["name"] == "outlines"), None)
    return None if share is None else float(share)


def _ends_at_white(verdict: Mapping[str, Any], numbers: Sequence[int], near_shares: Sequence[float]) -> int | None:
    """Of those moments the one with most near SDR white, where the label is that a set can be turned to the HDR picture."""
    if verdict["label"] != "sdr-in-hdr-container" or _is_beyond_set(verdict) or any(state in GAINS for state in verdict["axes"].values()):
        return None
    chosen = max(numbers, key=lambda one: (round(near_shares[one], 3), -one), default=None)
    return chosen if chosen is not None and near_shares[chosen] >= NEAR_LEAST else None


def _is_beyond_set(verdict: Mapping[str, Any]) -> bool:
    """Whether the label is a container by a curve that no SDR set can be turned to."""
    return verdict["label"] == "sdr-in-hdr-container" and any(reason in str(verdict.get("sentence", "")) for reason in BEYOND_SET)


def _join(words: Sequence[str]) -> str:
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else "".join(words)
