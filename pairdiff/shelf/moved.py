"""What moved between two results of one pair, each figure held against the interval of the earlier one; and what changed before it."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Any

from pairdiff.shelf.columns import COLUMNS, make_row, say_value
from pairdiff.shelf.listing import cut_text, pad_columns, show_text
from pairdiff.verdict.figures import NO_VALUE, say_plain

Document = Mapping[str, Any]

HEAD_FIGURES = (
    "label",
    "support",
    "highlights_axis",
    "shadows_axis",
    "colour_axis",
    "tone",
    "headroom_stops",
    "area_share",
    "time_share",
    "notice_probability",
    "preference_loss_jod",
    "notice_1_share",
    "side_by_side_jnd",
    "recovered_jnd",
    "recovered_share",
    "recovered_stops",
    "shadow_share",
    "outside_709_share",
    "outside_p3_share",
    "saturated_share",
    "max_cll_nits",
    "max_fall_nits",
    "p999_nits",
    "white_nits",
    "gamma",
    "matched_share",
    "scored_pairs",
)
"""Columns of a run that are held against each other, in this order."""
_OWN = ("difference", "on_its_own")
INTERVALS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "headroom_stops": (("headroom", "stops_low"), ("headroom", "stops_high")),
    "area_share": (("headroom", "area_share_low"), ("headroom", "area_share_high")),
    "time_share": (("headroom", "time_share_low"), ("headroom", "time_share_high")),
    "notice_probability": ((*_OWN, "notice_probability", "low"), (*_OWN, "notice_probability", "high")),
    "preference_loss_jod": ((*_OWN, "preference_loss", "low"), (*_OWN, "preference_loss", "high")),
    "notice_1_share": ((*_OWN, "share_1", "low"), (*_OWN, "share_1", "high")),
}
"""Where the ends of the interval of a figure stand in `result.json`."""
STATES = {
    "same": "",
    "not shown": "in digits that are not shown",
    "within": "within the interval",
    "beyond": "BEYOND the interval",
    "other": "another one",
    "no interval": "moved; it has no interval",
}
"""How far a figure moved, and the same in words."""
KINDS = {"setting": "", "default": "default of ", "step": "step ", "version": "", "library": ""}
"""What a change is of, and how it is said."""
CELL_LETTERS = 60


# ---------------------------------------------------------------- what changed before it


def list_changes(
    before: Document,
    *,
    settings: Mapping[str, Any],
    steps: Mapping[str, int],
    versions: Mapping[str, str],
    stated: Collection[str] = (),
) -> list[dict[str, Any]]:
    """What is other now than it was for a result.

    Parameters
    ----------
    before : mapping
        The earlier result.
    settings, steps, versions : mapping
        Those of now; only steps and versions that are named are held against the earlier ones.
    stated : collection of str
        Settings that were asked for by name.

    Returns
    -------
    list of dict
        `kind` (`setting`; `default`, where the earlier result had the default of its version; `step`; `version`, of pairdiff; `library`),
        `name`, `before`, `after`; None for what is not recorded or does not exist.
    """
    run = before["run"]
    described, absent = run["settings_described"], object()
    found = []
    for name in dict.fromkeys([*run["settings"], *settings]):
        was, now = run["settings"].get(name, absent), settings.get(name, absent)
        if was is absent or now is absent or not _same(was, now):
            had_default = was is absent or (name in described and _same(was, described[name]["default"]))
            kind = "default" if had_default and name not in stated else "setting"
            found.append(_change(kind, name, None if was is absent else was, None if now is absent else now))
    earlier = run.get("steps", {})
    found += [_change("step", name, earlier.get(name), now) for name, now in steps.items() if earlier.get(name) != now]
    for name, now in versions.items():
        was = run["versions"].get(name)
        if was != now:
            found.append(_change("version" if name == "pairdiff" else "library", name, was, now))
    return found


def _change(kind: str, name: str, before: Any, after: Any) -> dict[str, Any]:
    return {"kind": kind, "name": name, "before": before, "after": after}


def say_change(change: Mapping[str, Any]) -> str:
    """A change in a few words."""
    values = [_say_setting(change[one], change["kind"]) for one in ("before", "after")]
    return f"{KINDS[change['kind']]}{show_text(str(change['name']))} {values[0]} -> {values[1]}"


def _say_setting(value: Any, kind: str) -> str:
    if value is None:
        return "not recorded" if kind == "step" else "not stated"
    return f"{value:g}" if isinstance(value, float) else cut_text(show_text(str(value)), CELL_LETTERS)


# ---------------------------------------------------------------- what moved


def compare_results(before: Document, after: Document) -> list[dict[str, Any]]:
    """The head figures of two results beside each other.

    Parameters
    ----------
    before, after : mapping
        As in `result.json`.

    Returns
    -------
    list of dict
        A figure each: `figure`, `meaning`, `before`, `after`, `before_interval` and `after_interval` as `[low, high]` (None: no such end),
        and `state`: `same`; `not shown`, where it differs in digits that no table shows; `within` or `beyond` the interval of the earlier
        one; `no interval`; `other`, of words.
    """
    rows = make_row(before), make_row(after)
    return [_compare_figure(name, rows[0][name], rows[1][name], before, after) for name in HEAD_FIGURES]


def _compare_figure(name: str, was: Any, now: Any, before: Document, after: Document) -> dict[str, Any]:
    intervals = [_interval_of(name, one) for one in (before, after)]
    return {
        "figure": name,
        "meaning": COLUMNS[name].meaning,
        "before": was,
        "after": now,
        "before_interval": intervals[0],
        "after_interval": intervals[1],
        "state": _state_of(name, was, now, intervals[0]),
    }


def _interval_of(name: str, result: Document) -> list[float | None] | None:
    if name not in INTERVALS:
        return None
    ends = []
    for keys in INTERVALS[name]:
        value: Any = result
        for key in keys:
            value = value.get(key) if isinstance(value, Mapping) else None
        ends.append(value)
    return None if ends == [None, None] else [None if one is None else float(one) for one in ends]


def _state_of(name: str, was: Any, now: Any, interval: Sequence[float | None] | None) -> str:
    if _same(was, now):
        return "same"
    if COLUMNS[name].kind == "text" or was is None or now is None:
        return "other"
    if say_value(COLUMNS[name], was) == say_value(COLUMNS[name], now):
        return "not shown"
    if interval is None:
        return "no interval"
    low, high = interval
    return "beyond" if (low is not None and now < low) or (high is not None and now > high) else "within"


def list_elsewhere(before: Document, after: Document) -> list[str]:
    """Parts of two results, but for the record of the run, that differ; names as in `result.json`."""
    found = []
    for name in dict.fromkeys([*before, *after]):
        was, now = before.get(name), after.get(name)
        if name == "run" or _same(was, now):
            continue
        if isinstance(was, Mapping) and isinstance(now, Mapping):
            found += [f"{name}.{one}" for one in dict.fromkeys([*was, *now]) if not _same(was.get(one), now.get(one)) and one != "path"]
        else:
            found.append(name)
    return found


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, float | int) and isinstance(other, float | int) and not isinstance(one, bool) and not isinstance(other, bool):
        return one == other or (math.isnan(one) and math.isnan(other))
    return type(one) is type(other) and bool(one == other)


def moved_of(figures: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Those that moved."""
    return [one for one in figures if one["state"] != "same"]


def figures_in_words(figures: Sequence[Mapping[str, Any]]) -> list[str]:
    """A table of what moved, a line a figure with its reason, then the names of what did not."""
    moved = moved_of(figures)
    lines = []
    if moved:
        rows = [["figure", "before", "after", "how far", "why"]]
        for one in moved:
            values = [_say_with_interval(one, side) for side in ("before", "after")]
            rows.append([one["figure"], *values, STATES[one["state"]], "; ".join(one.get("why", []))])
        lines += pad_columns(rows)
    rest = [one["figure"] for one in figures if one["state"] == "same"]
    if rest:
        lines.append(f"Not moved: {', '.join(rest) if moved else 'all figures'}.")
    return lines


def _say_with_interval(figure: Mapping[str, Any], side: str) -> str:
    column, value, interval = COLUMNS[figure["figure"]], figure[side], figure[f"{side}_interval"]
    if value is None:
        return NO_VALUE
    shown = show_text(say_plain(say_value(column, value)))
    if interval is None:
        return shown
    low, high = ("open" if end is None else show_text(say_plain(say_value(column, end))) for end in interval)
    return f"{shown} ({low} to {high})"
