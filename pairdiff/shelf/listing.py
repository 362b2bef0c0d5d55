"""Lists of runs: grouped by how they were measured, ranked inside a group alone, as tables, JSON and CSV.

A figure of one protocol says nothing against one of another (`protocol.py`), so a ranking has a table for each protocol, the one with most
runs first, and says of every other in what it differs.
"""

from __future__ import annotations

import csv
import io
import json
import unicodedata
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from pairdiff.shelf.columns import COLUMNS, SHORT, Column, say_value
from pairdiff.shelf.protocol import Facts, say_differences, say_protocol
from pairdiff.verdict.figures import NO_VALUE, say_decimals, say_plain

LIST_SCHEMA = "pairdiff-shelf/1"
RUN_SHOWN = 8
"""Letters of a run's number that are shown (own: a shelf of ten thousand runs has two that share them once in a hundred shelves)."""
TITLE_SHOWN = 48
"""Columns of a title in a table that goes to no terminal; lists in JSON and CSV have it whole (own)."""
WORDS_SHOWN = 100
"""Columns of a cell where runs stand beside each other (own)."""
SHOWN = ("headroom_stops", "notice_probability", "notice_1_share", "recovered_jnd", "outside_709_share")
"""Figures of every table."""
HEADS = {
    "headroom_stops": "headroom",
    "notice_probability": "notice",
    "notice_1_share": "at 1 JOD",
    "recovered_jnd": "recovered",
    "outside_709_share": "beyond 709",
}
GIVES_WAY = ("edition", "year", "at 1 JOD", "protocol", "beyond 709", "recovered", "label", "notice", "headroom")
"""Columns that a narrow terminal does without, the first one first."""
LEAST_TITLE = 16
"""Letters that a title keeps before a column gives way (own)."""
KEEP_FORMATTING = "\u200c\u200d"
"""Joiners, without which some scripts are spelt wrongly."""
_STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r")

NO_RANK = "-"
TAKEN_ALONG = tuple(one for one in COLUMNS if one != "protocol_facts")
"""Columns in JSON and CSV; the facts of a protocol stand once in the former."""

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Group:
    """Runs that were measured alike."""

    protocol: str
    facts: Facts
    differs: tuple[str, ...]
    """Why it is not ranked with the first group; empty of the first."""
    runs: tuple[Row, ...]
    """In their order; every column of each, and `rank` where they are ranked (None without a value)."""


@dataclass(frozen=True, slots=True)
class Listing:
    """What was found."""

    groups: tuple[Group, ...]
    sort: Column | None
    """What it is ranked by; None where it is a list."""
    reverse: bool
    found: int
    """Runs that meet the conditions; more than are listed where a limit was given."""
    spoilt: tuple[str, ...]
    """Runs that cannot be read."""

    @property
    def rows(self) -> list[Row]:
        """Every run that is listed."""
        return [row for group in self.groups for row in group.runs]


def facts_of(rows: Sequence[Row]) -> dict[str, Facts]:
    """Protocol of each of the letters that stand for one in rows."""
    return {row["protocol"]: json.loads(row["protocol_facts"]) for row in rows}


def group_rows(rows: Sequence[Row], facts: Mapping[str, Facts], *, sort: Column | None, limit: int | None) -> tuple[Group, ...]:
    """Group rows that are in order by protocol, and rank each group where they are in the order of a figure.

    Parameters
    ----------
    rows : sequence of dict
        Every column of each run.
    facts : mapping
        Protocol by its letters.
    sort : Column or None
        What they are in the order of.
    limit : int or None
        Most rows of a group.

    Returns
    -------
    tuple of Group
        The one with most runs first; of as many the one kept last.
    """
    own: dict[str, list[Row]] = {}
    for row in rows:
        own.setdefault(row["protocol"], []).append(row)
    order = sorted(own, key=lambda one: (-len(own[one]), -max(_when(row) for row in own[one]), one))
    if sort is not None and sort.is_figure:
        own = {name: _ranked(group, sort) for name, group in own.items()}
    return tuple(
        Group(name, facts[name], () if place == 0 else tuple(say_differences(facts[name], facts[order[0]])), tuple(own[name][:limit]))
        for place, name in enumerate(order)
    )


def _when(row: Row) -> int:
    return int("".join(one for one in row["kept_utc"][:19] if one.isdigit()) or 0)


def _ranked(rows: Sequence[Row], sort: Column) -> list[Row]:
    """Rows with their rank; equal values share one, and what has no value has none."""
    ranked: list[Row] = []
    for place, row in enumerate(rows, 1):
        value = row[sort.name]
        same = ranked and ranked[-1][sort.name] == value
        ranked.append(row | {"rank": None if value is None else ranked[-1]["rank"] if same else place})
    return ranked


# ---------------------------------------------------------------- as a table


@dataclass(frozen=True, slots=True)
class WordTable:
    """A table in words."""

    caption: str
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int]
    """Columns that stand to the right."""
    flexible: int | None
    """The column that gives way where room is short."""
    ranked_by: str | None = None
    """The head of the column that rows are ranked by."""


def tables_of(listing: Listing) -> list[WordTable]:
    """A listing as tables in words.

    Parameters
    ----------
    listing : Listing
        What was found.

    Returns
    -------
    list of WordTable
        One of a list, one a protocol of a ranking.
    """
    if listing.sort is None and listing.groups:
        return [_table(listing.rows, listing, caption=_list_caption(listing))]
    return [_table(group.runs, listing, caption=_group_caption(group, listing, place)) for place, group in enumerate(listing.groups)]


def _list_caption(listing: Listing) -> str:
    if len(listing.groups) == 1:
        return say_protocol(listing.groups[0].facts)
    legend = [f"{group.protocol}: {say_protocol(group.facts)}{_why(group)}" for group in listing.groups]
    return "\n".join(["Protocols; figures of one say nothing against those of another", *legend])


def _why(group: Group) -> str:
    return f" ({'; '.join(group.differs)})" if group.differs else ""


def _group_caption(group: Group, listing: Listing, place: int) -> str:
    assert listing.sort is not None
    name = next((short for short, whole in SHORT.items() if whole == listing.sort.name), listing.sort.name)
    by = f"By {name}{', the least first' if listing.reverse and listing.sort.is_figure else ''}: {say_protocol(group.facts)}"
    return by if place == 0 else f"Apart, since measured otherwise: {'; '.join(group.differs)}"


def _table(rows: Sequence[Row], listing: Listing, *, caption: str) -> WordTable:
    ranked = listing.sort is not None and listing.sort.is_figure
    figures = list(SHOWN)
    if listing.sort is not None and listing.sort.is_figure and listing.sort.name not in SHOWN:
        figures.append(listing.sort.name)
    apart = listing.sort is None and len(listing.groups) > 1
    heads = ["#"] * ranked + ["run", "title", "year", "edition", "label", *(HEADS.get(one, one) for one in figures)] + ["protocol"] * apart
    cells = [
        (
            *([NO_RANK if row["rank"] is None else str(row["rank"])] if ranked else []),
            row["run"][:RUN_SHOWN],
            show_text(row["title"]),
            "" if row["year"] is None else str(row["year"]),
            cut_text(show_text(", ".join(one for one in (row["edition"], row["region"]) if one)), TITLE_SHOWN),
            row["label"],
            *(_cell(name, row) for name in figures),
            *([row["protocol"]] if apart else []),
        )
        for row in rows
    ]
    first = heads.index("label") + 1
    numbers = frozenset({*range(first, first + len(figures)), *([0] if ranked else [])})
    ranked_by = HEADS.get(listing.sort.name, listing.sort.name) if ranked and listing.sort is not None else None
    return WordTable(caption, tuple(heads), tuple(cells), numbers, heads.index("title"), ranked_by)


def _cell(name: str, row: Row) -> str:
    value = row[name]
    if value is None:
        return NO_VALUE
    if name == "headroom_stops" and row["uses_peak_ratio"]:
        return f"{say_plain(say_decimals(value, 2, sign=True))} (ratio)"
    return say_plain(say_value(COLUMNS[name], value))


def fit_table(table: WordTable, columns: int) -> WordTable:
    """A table for a terminal of so many columns.

    Parameters
    ----------
    table : WordTable
        The table.
    columns : int
        Letters that a line has.

    Returns
    -------
    WordTable
        Without columns that there is no room for beside the first letters of a title; the caption names them.
    """
    if table.flexible is None:
        return table
    heads = list(table.heads)
    widths = {head: max(map(text_width, (head, *(row[place] for row in table.rows)))) for place, head in enumerate(heads)}
    title = heads[table.flexible]
    needed = widths | {title: min(widths[title], LEAST_TITLE)}
    left_out: list[str] = []
    for head in (one for one in GIVES_WAY if one in heads and one != table.ranked_by):
        if _line_width(needed) <= columns:
            break
        left_out.append(head)
        del needed[head]
    room = max(columns - _line_width(needed) + needed[title], LEAST_TITLE)
    kept = [place for place, head in enumerate(heads) if head not in left_out]
    rows = tuple(tuple(cut_text(row[place], room) if place == table.flexible else row[place] for place in kept) for row in table.rows)
    said = f"\nNo room here for {', '.join(left_out)}; --csv and --json have them" if left_out else ""
    numbers = frozenset(kept.index(place) for place in table.numbers if place in kept)
    shown = tuple(heads[place] for place in kept)
    return WordTable(table.caption + said, shown, rows, numbers, kept.index(table.flexible), table.ranked_by)


def _line_width(widths: Mapping[str, int]) -> int:
    return sum(widths.values()) + 2 * (len(widths) - 1)


def show_text(text: str | None) -> str:
    """Words of a user on one line of a terminal: nothing in them moves the cursor, changes a colour or turns the line around."""
    shown = "".join(
        " " if one.isspace() else one if _is_shown(one) else "" if unicodedata.category(one) == "Cf" else "\ufffd" for one in text or ""
    )
    return " ".join(shown.split())


def _is_shown(letter: str) -> bool:
    return letter.isprintable() or letter in KEEP_FORMATTING


def plain_table(table: WordTable) -> str:
    """A table for what is no terminal: columns padded to their widest cell, long words cut.

    Parameters
    ----------
    table : WordTable
        The table.

    Returns
    -------
    str
        Lines of text, without a newline at the end.
    """
    most = WORDS_SHOWN if table.flexible is None else TITLE_SHOWN
    rows = [table.heads, *(tuple(cut_text(cell, most) for cell in row) for row in table.rows)]
    return "\n".join([table.caption, *pad_columns(rows, numbers=table.numbers)])


def pad_columns(rows: Sequence[Sequence[str]], *, numbers: Collection[int] = ()) -> list[str]:
    """Rows of cells as lines, each column as wide as its widest cell; those of `numbers` stand to the right."""
    widths = [max(map(text_width, column)) for column in zip(*rows, strict=True)]
    lines = (
        "  ".join(_pad(cell, width, place in numbers) for place, (cell, width) in enumerate(zip(row, widths, strict=True))) for row in rows
    )
    return [line.rstrip() for line in lines]


def _pad(text: str, width: int, to_the_right: bool) -> str:
    blanks = " " * (width - text_width(text))
    return blanks + text if to_the_right else text + blanks


def text_width(text: str) -> int:
    """Columns of a terminal that a text takes (Unicode Standard Annex 11: wide letters take two; marks over a letter none)."""
    return sum(0 if unicodedata.combining(one) else 2 if unicodedata.east_asian_width(one) in "WF" else 1 for one in text)


def cut_text(text: str, most: int) -> str:
    """A text that takes so many columns at most."""
    if text_width(text) <= most:
        return text
    shown = text[: most - 3]
    while text_width(shown) > most - 3:
        shown = shown[:-1]
    return f"{shown}..."


# ---------------------------------------------------------------- beside each other


def compare_rows(rows: Sequence[Row], facts: Mapping[str, Facts]) -> WordTable:
    """Runs beside each other, a figure a row.

    Parameters
    ----------
    rows : sequence of dict
        The runs.
    facts : mapping
        Protocol by its letters.

    Returns
    -------
    WordTable
        Its caption says whether their figures may be held against each other, and why not.
    """
    reference = facts[rows[0]["protocol"]]
    reasons = [
        f"{row['run'][:RUN_SHOWN]}: {'; '.join(say_differences(facts[row['protocol']], reference))}"
        for row in rows[1:]
        if row["protocol"] != rows[0]["protocol"]
    ]
    caption = f"Measured alike: {say_protocol(reference)}"
    if reasons:
        caption = "\n".join(
            [f"Not measured alike, so that figures say nothing against each other. First run: {say_protocol(reference)}", *reasons]
        )
    names = [one for one in TAKEN_ALONG if one not in ("run", "hdr_path", "sdr_path", "changed_utc", "report")]
    cells = [(name, *(show_text(say_plain(say_value(COLUMNS[name], row[name]))) for row in rows)) for name in names]
    return WordTable(caption, ("", *(row["run"][:RUN_SHOWN] for row in rows)), tuple(cells), frozenset(), None)


# ---------------------------------------------------------------- to take along


def listing_to_document(listing: Listing) -> dict[str, Any]:
    """A listing as plain data.

    Parameters
    ----------
    listing : Listing
        What was found.

    Returns
    -------
    dict
        `schema`, `sort`, `found`, and `protocols`: each with `protocol`, its facts, `differs` from the first one and `runs`.
    """
    return {
        "schema": LIST_SCHEMA,
        "sort": None if listing.sort is None else listing.sort.name,
        "found": listing.found,
        "protocols": [
            {"protocol": one.protocol, **one.facts, "differs": list(one.differs), "runs": [_taken(row) for row in one.runs]}
            for one in listing.groups
        ],
        "spoilt": list(listing.spoilt),
    }


def _taken(row: Row) -> Row:
    return {name: value for name, value in row.items() if name != "protocol_facts"}


def rows_to_document(rows: Sequence[Row], facts: Mapping[str, Facts]) -> dict[str, Any]:
    """Runs beside each other as plain data; `differs` says why a run is not measured as the first one is."""
    first = facts[rows[0]["protocol"]]
    return {"schema": LIST_SCHEMA, "runs": [_taken(row) | {"differs": say_differences(facts[row["protocol"]], first)} for row in rows]}


def rows_to_csv(rows: Sequence[Row]) -> str:
    """Runs as CSV (RFC 4180): a heading line, `rank` first; empty where there is no value.

    A text that a spreadsheet would take for a formula has an apostrophe before it.
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, ["rank", *TAKEN_ALONG], lineterminator="\r\n", extrasaction="ignore")
    writer.writeheader()
    writer.writerows({name: _guard(value) for name, value in row.items()} for row in rows)
    return out.getvalue()


def _guard(value: Any) -> Any:
    return f"'{value}" if isinstance(value, str) and value.startswith(_STARTS_A_FORMULA) else value
