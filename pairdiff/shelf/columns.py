"""The columns of a run in the archive: name, kind, where each stands in `result.json`, and how it is said.

The one list: the index, the conditions of `--where`, `--sort`, the tables of a notebook and the listing are made from it. A value that does
not exist is None, never 0. Raise `ARCHIVE_SCHEMA` (`archive.py`) and add a rewriting whenever a column comes, goes or changes its meaning;
one of `KEPT` that runs may lack without harm, such as `redoes`, needs none: the index is made anew by itself.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from pairdiff._errors import InputRefused
from pairdiff.shelf.protocol import protocol_id, protocol_of, say_mode
from pairdiff.verdict.figures import NO_VALUE, say_decimals, say_jnd, say_jod, say_nits, say_share, say_stops

Document = Mapping[str, Any]
Kind = Literal["text", "number", "whole", "flag"]

MOST_WHOLE = 2**53
"""Whole numbers from here on are no counts of anything in a film, and would not come back from JSON as they were (IEEE 754 double)."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a run."""

    name: str
    kind: Kind
    meaning: str
    source: tuple[str, ...] | Callable[[Document], Any] | None
    """Keys of `result.json`, or what works it out; None for what is no part of the result."""
    say: Callable[[Any], str] = str
    is_figure: bool = False
    """Whether runs are ranked by it, the largest first."""


def _figure(name: str, say: Callable[[float | None], str], meaning: str, *source: str) -> Column:
    return Column(name, "number", meaning, source, say, True)


def _support(result: Document) -> float | None:
    verdict = result["verdict"]
    found: float | None = verdict["support"].get(verdict["label"])
    return found


def _own_settings(result: Document) -> str | None:
    run = result["run"]
    own = {name: value for name, value in run["settings"].items() if value != run["settings_described"].get(name, {}).get("default")}
    return json.dumps(own, sort_keys=True) if own else None


def _beyond(key: str) -> Callable[[Document], Any]:
    return lambda result: (result["colour"].get("beyond_set") or {}).get(key)


WORDS = (
    Column("title", "text", "title of the film", None),
    Column("edition", "text", "edition, such as `4K disc`", None),
    Column("region", "text", "region or country of the releases", None),
    Column("year", "whole", "year of the film or of the release", None),
    Column("notes", "text", "notes of yours", None),
)
"""What the user says of a run, and may correct."""
MEASURED = (
    Column("label", "text", "label of the verdict", ("verdict", "label")),
    Column("support", "number", "share of draws that give the label", _support, say_share, True),
    Column("highlights_axis", "text", "axis of the verdict", ("verdict", "axes", "highlights")),
    Column("shadows_axis", "text", "axis of the verdict", ("verdict", "axes", "shadows")),
    Column("colour_axis", "text", "axis of the verdict", ("verdict", "axes", "colour")),
    Column("tone", "text", "`regraded`, `as the SDR` or `cannot tell`", ("verdict", "tone")),
    _figure("headroom_stops", say_stops, "highlight headroom, stops", "headroom", "stops"),
    Column("headroom_low_stops", "number", "lower end of its 95 % interval", ("headroom", "stops_low"), say_stops),
    Column("headroom_high_stops", "number", "upper end", ("headroom", "stops_high"), say_stops),
    Column("uses_peak_ratio", "flag", "whether the peak ratio takes its place", ("headroom", "uses_peak_ratio")),
    _figure("area_share", say_share, "mean share of the picture 0.1 stops or more above SDR white", "headroom", "area_share"),
    _figure("time_share", say_share, "share of matched time that reaches the headroom threshold", "headroom", "time_share"),
    _figure(
        "notice_probability",
        say_share,
        "how often a viewer is predicted to pick the HDR release; 0.5 is a coin toss",
        "difference",
        "on_its_own",
        "notice_probability",
        "value",
    ),
    Column("notice_low_probability", "number", "lower end", ("difference", "on_its_own", "notice_probability", "low"), say_share),
    Column("notice_high_probability", "number", "upper end", ("difference", "on_its_own", "notice_probability", "high"), say_share),
    _figure("preference_loss_jod", say_jod, "what the SDR picture loses, JOD", "difference", "on_its_own", "preference_loss", "value"),
    _figure("notice_025_share", say_share, "share of matched time at a loss of 0.25 JOD", "difference", "on_its_own", "share_025", "value"),
    _figure("notice_05_share", say_share, "share of matched time at a loss of 0.5 JOD", "difference", "on_its_own", "share_05", "value"),
    _figure(
        "notice_1_share",
        say_share,
        "share of matched time at a loss of 1 JOD, where three viewers of four are predicted to pick the HDR release",
        "difference",
        "on_its_own",
        "share_1",
        "value",
    ),
    _figure("side_by_side_jnd", say_jnd, "difference with both sets in view, root mean square", "difference", "side_by_side", "rms"),
    _figure("recovered_jnd", say_jnd, "HDR detail in the median place where the SDR is clipped", "recovered", "detail_jnd"),
    _figure("recovered_share", say_share, "share of the clipped area with such detail", "recovered", "textured_share"),
    _figure("recovered_stops", say_stops, "spread of HDR level over all clipped areas", "recovered", "film_stops"),
    _figure("shadow_share", say_share, "share of the picture with shadow detail that the SDR lacks", "shadows", "gained_share"),
    _figure("outside_709_share", say_share, "mean share of the picture outside BT.709", "colour", "outside_709_share"),
    _figure("outside_p3_share", say_share, "mean share of the picture outside P3", "colour", "outside_p3_share"),
    Column(
        "saturated_share",
        "number",
        "share of the picture with saturated colour that the SDR set cannot show",
        _beyond("saturated_share"),
        say_share,
        True,
    ),
    _figure("max_cll_nits", say_nits, "measured MaxCLL of the HDR release", "hdr", "levels", "max_cll_nits"),
    _figure("max_fall_nits", say_nits, "measured MaxFALL of the HDR release", "hdr", "levels", "max_fall_nits"),
    _figure("p999_nits", say_nits, "highest 99.9th percentile of the HDR release", "hdr", "levels", "p999_nits"),
    Column("white_nits", "number", "white of the SDR set at `controls`", ("setup", "white_nits"), say_nits),
    Column("gamma", "number", "its gamma", ("setup", "gamma"), lambda value: say_decimals(value, 2)),
    Column("matched_share", "number", "share of the HDR frames that were matched", ("alignment", "matched_share"), say_share),
    Column("transfer", "text", "transfer of the HDR release: `pq` or `hlg`", ("hdr", "signal", "transfer", "value")),
    Column("duration_s", "number", "length of the HDR release, seconds", ("hdr", "duration_s"), lambda value: say_decimals(value, 1)),
    Column("scored_pairs", "whole", "pairs that were scored", ("run", "coverage", "scored_pairs")),
    Column("shots", "whole", "shots that they come from; of a survey its windows", ("run", "coverage", "shots")),
    Column("mode", "text", "`full`, `sampled` or `survey`", ("run", "coverage", "mode"), say_mode),
    Column("settings", "text", "settings that are not the defaults, as JSON; None where all are", _own_settings),
    Column("version", "text", "version of pairdiff", ("run", "versions", "pairdiff")),
    Column("hdr_file_id", "text", "hash of the HDR file", ("hdr", "file_id")),
    Column("sdr_file_id", "text", "hash of the SDR file", ("sdr", "file_id")),
    Column("hdr_path", "text", "where the HDR file lay", ("hdr", "path")),
    Column("sdr_path", "text", "where the SDR file lay", ("sdr", "path")),
    Column("protocol", "text", "how it was measured; runs of one are ranked against each other", lambda one: protocol_id(protocol_of(one))),
    Column("protocol_facts", "text", "the same in full, as JSON", lambda one: json.dumps(protocol_of(one), sort_keys=True)),
)
"""What the result says."""
KEPT = (
    Column("run", "text", "number of the run in the archive, made from what was measured", None),
    Column("kept_utc", "text", "when it was kept first", None),
    Column("changed_utc", "text", "when its words were last stated", None),
    Column("folder", "text", "where the result folder lay when it was kept", None),
    Column("report", "flag", "whether report and stills were copied", None),
    Column("redoes", "text", "number of the run that this one was made from, by a re-run", None),
)
"""What the archive says."""
COLUMNS = {one.name: one for one in (KEPT[0], *WORDS, *MEASURED, *KEPT[1:])}
"""Every column of a run by name, in order."""
SHORT = {
    "headroom": "headroom_stops",
    "notice": "notice_probability",
    "notice-share": "notice_1_share",
    "loss": "preference_loss_jod",
    "recovered": "recovered_jnd",
    "recovered-share": "recovered_share",
    "shadows": "shadow_share",
    "colour": "outside_709_share",
    "saturated": "saturated_share",
    "area": "area_share",
    "time": "time_share",
    "kept": "kept_utc",
}
"""Short names of columns, for `--where` and `--sort`."""


def find_column(name: str) -> Column | None:
    """A column by its name, or by a short one; hyphens are as good as underscores. None where there is none of that name."""
    stated = name.strip().lower()
    return COLUMNS.get(SHORT.get(stated.replace("_", "-"), stated.replace("-", "_")))


def list_names() -> list[str]:
    """Every name that a column goes by, short ones first."""
    return [*SHORT, *(name for name in COLUMNS if name not in SHORT.values())]


def say_value(column: Column, value: Any) -> str:
    """A value in words; a flag as yes or no."""
    if value is None:
        return NO_VALUE
    return ("yes" if value else "no") if column.kind == "flag" else column.say(value)


def make_row(result: Document) -> dict[str, Any]:
    """What a result says of itself, column by column.

    Parameters
    ----------
    result : mapping
        As in `result.json`.

    Returns
    -------
    dict
        `MEASURED` by name; None where there is no value.

    Raises
    ------
    InputRefused
        A number that no film can have.
    """
    return {one.name: _fit(one, _read(result, one)) for one in MEASURED}


def _read(result: Document, column: Column) -> Any:
    if callable(column.source):
        return column.source(result)
    value: Any = result
    for key in column.source or ():
        value = None if value is None else value.get(key)
    return value


def _fit(column: Column, value: Any) -> Any:
    """A value of the column's kind."""
    if value is None:
        return None
    if column.kind in ("number", "whole") and abs(value) >= MOST_WHOLE:
        raise InputRefused(f"{column.name} of the result is {str(value)[:12]}, which no film has. Compare the releases again.")
    kinds: dict[Kind, Callable[[Any], Any]] = {"text": str, "number": float, "whole": int, "flag": bool}
    return kinds[column.kind](value)
