"""A result to take along: a short form in Markdown (CommonMark 0.31) to paste, and a table of shots as CSV (RFC 4180) and JSON."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff.score.notice import notice_probability
from pairdiff.verdict.figures import is_less
from pairdiff.verdict.rules import WORDS
from pairdiff.writeup.document import Document
from pairdiff.writeup.lead import after_label, say_lead
from pairdiff.writeup.phrases import (
    AXIS_WORDS,
    NBSP,
    say_estimate,
    say_gamma,
    say_jod,
    say_nits,
    say_prose,
    say_share,
    say_state,
    say_stops,
    say_stops_interval,
)

HEADROOM = "headroom"
"""Stands for a column that is worked out, and not read."""
SHOT_COLUMNS: tuple[tuple[str, str, Callable[[NDArray[np.float64]], float], int], ...] = (
    ("hdr_p999_nits", "pair_hdr_p999_nits", np.max, 1),
    ("headroom_stops", HEADROOM, np.max, 2),
    ("area_above_white_share", "pair_area_above_white_share", np.mean, 5),
    ("clipped_share", "pair_clipped_share", np.mean, 5),
    ("outside_709_share", "pair_outside_709_share", np.mean, 5),
    ("side_by_side_rms_jnd", "rms_controls_jnd", lambda values: np.sqrt(np.mean(values**2)), 3),
    ("preference_loss_jod", "preference_loss_controls_jod", np.mean, 3),
    ("notice_probability", "preference_loss_controls_jod", lambda values: float(np.mean(notice_probability(values))), 4),
)
"""Figures of a shot: name, column of `frames.parquet`, how its scored pairs are pooled, decimals."""
SHOT_TABLE = tuple(
    dict.fromkeys(("pair_shot", "hdr_time_s", "pair_sdr_p999_code", *(column for _, column, _, _ in SHOT_COLUMNS if column != HEADROOM)))
)
"""Columns of `frames.parquet` that a table of shots is made of."""
SUPPORT = "Support of the label"
HASH_LETTERS = 16
"""Of a file's hash in the short form; `result.json` has it whole (own)."""


def say_in_markdown(result: Document) -> str:
    """The result in a few lines of Markdown, for a review or a forum.

    Parameters
    ----------
    result : dict
        As in `result.json`.

    Returns
    -------
    str
        Ends in a line feed. What came from the user or from a file is escaped: it shows as text, whatever it holds.
    """
    verdict = result["verdict"]
    lines = [f"## {escape_markdown(result['title'])}: HDR and SDR release compared", ""]
    label, lead = _capital(WORDS.get(verdict["label"], verdict["label"])), say_lead(verdict["label"], verdict["axes"], verdict["sentence"])
    lines += [f"**{escape_markdown(label)}.** {lead}".rstrip(), "", escape_markdown(say_prose(after_label(verdict))), ""]
    figures = dict(say_figures(result))
    support = figures.pop(SUPPORT, None)
    lines += [f"- {name}: {words}" for name, words in figures.items()]
    lines += [f"- {_capital(AXIS_WORDS[name])}: {say_state(state)}" for name, state in verdict["axes"].items() if name in AXIS_WORDS]
    setup, coverage = result["setup"], result["run"]["coverage"]
    lines.append(f"- SDR set: white {say_nits(setup['white_nits'])}, gamma {say_gamma(setup['gamma'])} (BT.1886 model)")
    lines += [f"- {SUPPORT}: {support}"] if support else []
    lines.append(
        f"- Matched: {say_share(result['alignment']['matched_share'])} of the HDR release; {coverage['scored_pairs']} pairs scored "
        f"({escape_markdown(coverage['mode'])})"
    )
    lines += ["", *_flips(verdict), *_files(result)]
    lines.append(
        f"pairdiff {escape_markdown(str(result['run']['versions'].get('pairdiff', '')))}. The label says what the pictures of these two "
        "files hold, not how they were made or what was meant."
    )
    return "\n".join(line.replace(NBSP, " ") for line in lines) + "\n"


def say_figures(result: Document) -> list[tuple[str, str]]:
    """What a label is not quoted without: name and words of headroom, loss and probability with their intervals, and of the support."""
    verdict, full = result["verdict"], result["run"]["coverage"]["mode"] == "full"
    own, room = result["difference"]["on_its_own"], result["headroom"]
    found = []
    if room["status"] == "measured":
        ends = say_stops_interval(room.get("stops_low"), room.get("stops_high"))
        found.append(("Highlight headroom", f"{say_stops(room['stops'])}{say_white(result)}{ends}"))
    if own["status"] == "measured":
        found.append(("Preference loss", say_estimate(own["preference_loss"], say_jod, full=full)))
        found.append(("Notice probability", f"{say_estimate(own['notice_probability'], say_share, full=full)}; 50 % is a coin toss"))
    if verdict["support"]:
        found.append((SUPPORT, say_share(verdict["support"].get(verdict["label"], max(verdict["support"].values())))))
    return found


def say_white(result: Document) -> str:
    """With which set the verdict's headroom is, where it is not the one the sentence names; a blank before it."""
    room = result["headroom"]
    if room.get("uses_peak_ratio"):
        return " (as peak ratio)"
    at_set, gain = room.get("stops_controls"), next((one for one in result["setups"] if one["name"] == "gain"), None)
    if gain is None or not is_less(room.get("stops"), at_set):
        return ""
    return f" with a gain alone, white at {gain['white_nits']:.0f} cd/m²"


def _flips(verdict: Document) -> list[str]:
    """The first thing that would change the label."""
    return [f"What would change it: {escape_markdown(say_prose(verdict['flips'][0]))}", ""] if verdict["flips"] else []


def _files(result: Document) -> list[str]:
    rows = []
    for side in ("hdr", "sdr"):
        kind, _, digest = str(result[side]["file_id"]).rpartition(":")
        shown = f"{kind}:{digest[:HASH_LETTERS]}" if kind else digest[:HASH_LETTERS]
        rows.append(f"{side.upper()} file: {escape_markdown(shown)}, {result[side]['size_bytes']} bytes  ")
    return [*rows, ""]


def escape_markdown(text: str) -> str:
    """Text that shows as itself inside a line of Markdown: marks that mean something there behind a backslash (CommonMark 2.4)."""
    flat = " ".join("".join(one if one.isprintable() or one.isspace() else "\N{REPLACEMENT CHARACTER}" for one in text).split())
    return re.sub(r"([\\`*_\[\]<>#!|~&])", r"\\\1", flat)


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def shot_rows(table: Mapping[str, NDArray[np.float64]], *, white_nits: float, gamma: float) -> list[Document]:
    """A row for each shot (of a survey: each window) with scored pairs.

    Parameters
    ----------
    table : mapping of (row,) arrays
        Columns of `frames.parquet`: those of `SHOT_TABLE`; NaN where there is no value.
    white_nits, gamma : float
        The SDR set that headroom is over, cd/m2.

    Returns
    -------
    list of dict
        `shot`, `first_time_s` and `last_time_s` of its scored pairs, `pairs`, `headroom_stops` of the pair that has most, and the figures;
        None where nothing was measured.
    """
    shown = white_nits * np.maximum(table["pair_sdr_p999_code"], 1.0) ** gamma
    table = {**table, HEADROOM: np.log2(np.maximum(table["pair_hdr_p999_nits"], 1e-4) / shown)}
    shots = table["pair_shot"]
    known = np.isfinite(shots)
    rows: list[Document] = []
    for shot in np.unique(shots[known]):
        own = known & (shots == shot)
        times = table["hdr_time_s"][own]
        row: dict[str, Any] = {
            "shot": int(shot) + 1,
            "first_time_s": round(float(np.min(times)), 3),
            "last_time_s": round(float(np.max(times)), 3),
            "pairs": int(own.sum()),
        }
        for name, column, pool, decimals in SHOT_COLUMNS:
            values = table[column][own]
            values = values[np.isfinite(values)]
            row[name] = round(float(pool(values)), decimals) if len(values) else None
        rows.append(row)
    return sorted(rows, key=lambda row: (row["first_time_s"], row["shot"]))


def rows_to_csv(rows: Sequence[Document]) -> str:
    """Rows with a heading line; empty where there is no value, and nothing at all without rows."""
    if not rows:
        return ""
    out = io.StringIO()
    writer = csv.DictWriter(out, list(rows[0]), lineterminator="\r\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def rows_to_json(rows: Sequence[Document]) -> str:
    """The same rows."""
    return json.dumps(list(rows), allow_nan=False)
