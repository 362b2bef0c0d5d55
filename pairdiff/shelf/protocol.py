"""What makes the figures of two runs comparable: their protocol.

| part | why |
|---|---|
| version of pairdiff, schema of the result | another version may measure otherwise |
| mode: `full`, `sampled`, `survey` | they look at different shares of a film, and bound it differently |
| settings, but for `NO_FIGURES` | they scale the figures or decide the label |
| size of the screen that pairs were scored at | the notice prediction grows with it |
| whether an option states how a signal is read | such a run rests on the user's word where others rest on the file's |
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from typing import Any

NO_FIGURES = frozenset(
    {
        # another draw of the same sampling: the intervals speak of it
        "seed",
        # which pictures of a file, and which belong together: of the film, and not of the method
        "hdr_stream",
        "sdr_stream",
        "hdr_frame_rate",
        "sdr_frame_rate",
        "anchor",
        "min_score",
        # how a signal is read stands as one part of its own
        "hdr_transfer",
        "hdr_primaries",
        "hdr_matrix",
        "hdr_range",
        "hdr_siting",
        "hdr_linear_nits",
        "sdr_transfer",
        "sdr_primaries",
        "sdr_matrix",
        "sdr_range",
        "sdr_siting",
        # the set-up `bench` and the home displays stand beside the verdict and never make it
        "sdr_white",
        "sdr_gamma",
        "displays",
        "own_displays",
        "room_lux",
        "screen_pairs",
        # pictures for a screen, and what a run may take of the machine
        "hdr_stills",
        "decoder",
        "decode_limit_s",
        "memory_limit_gib",
        "picture_limit_megapixels",
    }
)
"""Settings that change no figure a run is ranked by and no label."""
SIGNAL_FACTS = ("transfer", "primaries", "matrix", "range", "chroma_siting")
"""Facts of a signal that scale what is measured."""
SCREEN_LINES = (480, 540, 576, 720, 1080, 1440, 2160, 4320)
"""Heights of screens that a canvas is counted to, lines (own: common sizes of video)."""
SCREEN_PIXELS_PER_DEGREE = 56.55
"""Of a screen of 2160 lines, where the settings do not say (geometry: 1.5 picture heights)."""
ID_LETTERS = 8
"""Of a protocol's hash (own: a shelf has a handful of protocols)."""
MODE_WORDS = {"full": "every pair scored", "sampled": "read whole, pairs sampled", "survey": "survey"}

Facts = dict[str, Any]


def protocol_of(result: Mapping[str, Any]) -> Facts:
    """The protocol of a result.

    Parameters
    ----------
    result : mapping
        As in `result.json`.

    Returns
    -------
    dict
        `version`, `schema`, `mode`, `signal` (`files` or `options`), `screen_lines` (None where nothing was scored) and `settings`.
    """
    run = result["run"]
    settings = {name: value for name, value in run["settings"].items() if name not in NO_FIGURES}
    return {
        "version": run["versions"].get("pairdiff", "unknown"),
        "schema": result["schema"],
        "mode": run["coverage"]["mode"],
        "signal": "options" if _is_stated(result) else "files",
        "screen_lines": _screen_lines(result),
        "settings": settings,
    }


def _is_stated(result: Mapping[str, Any]) -> bool:
    facts = [result[side]["signal"].get(name) or {} for side in ("hdr", "sdr") for name in SIGNAL_FACTS]
    return any(fact.get("source") == "option" for fact in facts) or result["run"]["settings"].get("hdr_linear_nits") is not None


def _screen_lines(result: Mapping[str, Any]) -> int | None:
    """Height of the screen that the canvas belongs to, as the nearest common one: a crop of a few lines is no other size."""
    passages = result["alignment"]["geometry"]
    if not passages:
        return None
    end = result["hdr"]["frames"]
    longest = max(passages, key=lambda one: (one.get("hdr_stop") or end) - (one.get("hdr_start") or 0))
    whole = result["run"]["settings"].get("pixels_per_degree_2160") or SCREEN_PIXELS_PER_DEGREE
    lines = 2160 * longest["pixels_per_degree"] / whole
    return None if lines <= 0 else min(SCREEN_LINES, key=lambda one: abs(math.log(one / lines)))


def protocol_id(facts: Facts) -> str:
    """Letters that stand for a protocol: the same facts give the same ones."""
    text = json.dumps(facts, sort_keys=True, ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()[:ID_LETTERS]


def say_mode(mode: str) -> str:
    """A mode in words."""
    return MODE_WORDS.get(mode, mode)


def say_protocol(facts: Facts) -> str:
    """A protocol in a line, but for its settings."""
    signal = "signals as the files state them" if facts["signal"] == "files" else "signals stated by options"
    lines = f"scored at {facts['screen_lines']} lines" if facts["screen_lines"] else "nothing scored"
    return f"pairdiff {facts['version']}, {say_mode(facts['mode'])}, {lines}, {signal}"


def say_differences(facts: Facts, reference: Facts) -> list[str]:
    """Why two protocols are not one.

    Parameters
    ----------
    facts, reference : dict
        As `protocol_of` gives them.

    Returns
    -------
    list of str
        A reason each, of the first against the second; empty where they are the same.
    """
    found = []
    if facts["version"] != reference["version"]:
        found.append(f"pairdiff {facts['version']}, not {reference['version']}")
    if facts["schema"] != reference["schema"]:
        found.append(f"results of {facts['schema']}, not {reference['schema']}")
    if facts["mode"] != reference["mode"]:
        found.append(f"{say_mode(facts['mode'])}, not {say_mode(reference['mode'])}")
    if facts["signal"] != reference["signal"]:
        found.append(say_protocol(facts).rsplit(", ", 1)[1])
    if facts["screen_lines"] != reference["screen_lines"]:
        sizes = [f"{one['screen_lines']} lines" if one["screen_lines"] else "nothing" for one in (facts, reference)]
        found.append(f"scored at {sizes[0]}, not {sizes[1]}")
    names = dict.fromkeys([*reference["settings"], *facts["settings"]])
    pairs = [(name, facts["settings"].get(name), reference["settings"].get(name)) for name in names]
    return found + [f"{name} {_say(mine)} against {_say(theirs)}" for name, mine, theirs in pairs if mine != theirs]


def _say(value: Any) -> str:
    return "not stated" if value is None else f"{value:g}" if isinstance(value, float) else str(value)
