"""Lists of runs: ranks, protocols kept apart, tables for terminals of every width, JSON and CSV."""

from __future__ import annotations

import csv
import io
import json
import re
import unicodedata
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rich.cells import cell_len
from scipy.stats import rankdata

import pairdiff
from pairdiff._errors import UsageError
from pairdiff.shelf.columns import COLUMNS, SHORT
from pairdiff.shelf.listing import (
    GIVES_WAY,
    compare_rows,
    facts_of,
    fit_table,
    listing_to_document,
    plain_table,
    rows_to_csv,
    rows_to_document,
    show_text,
    tables_of,
)
from tests.shelf._titles import Titles

LONG = "Ein sehr langer Titel, der nicht endet; " * 100
FIGURES = [one.name for one in COLUMNS.values() if one.is_figure]


@pytest.fixture(scope="module")
def mixed(titles: Titles, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five runs sampled, three of a survey, one by a threshold of its own; tests must not change it."""
    folder = tmp_path_factory.mktemp("mixed")
    for number in range(9):
        changes: dict[str, Any] = {"run__coverage__mode": "survey"} if number in (5, 6, 7) else {}
        changes |= {"run__settings__headroom_clear_stops": 1.3} if number == 8 else {}
        pairdiff.keep(titles.write(folder / str(number), number, **changes), archive=folder / "archive", year=2010 + number)
    return folder / "archive"


@pytest.mark.parametrize("figure", FIGURES)
def test_ranks_are_those_of_scipy(kept: Path, figure: str) -> None:
    rows = pairdiff.open_shelf(kept).list_runs(sort=figure).rows
    values = [row[figure] for row in rows if row[figure] is not None]
    assert [row["rank"] for row in rows if row["rank"] is not None] == rankdata(-np.array(values), method="min").tolist()
    assert [row["rank"] for row in rows[len(values) :]] == [None] * (20 - len(values))
    assert all(row[figure] is None for row in rows[len(values) :])


def test_the_other_way_round_is_the_least_first_and_no_value_still_last(kept: Path) -> None:
    rows = pairdiff.open_shelf(kept).list_runs(sort="recovered", reverse=True).rows
    values = [row["recovered_jnd"] for row in rows]
    assert values[:17] == sorted(values[:17])
    assert values[17:] == [None] * 3


def test_a_list_is_in_the_order_of_titles(kept: Path) -> None:
    listed = [row["title"].lower() for row in pairdiff.open_shelf(kept).list_runs().rows]
    assert listed == sorted(listed)
    turned = [row["title"].lower() for row in pairdiff.open_shelf(kept).list_runs(reverse=True).rows]
    assert turned == sorted(listed, reverse=True)
    years = [row["year"] for row in pairdiff.open_shelf(kept).list_runs(sort="year").rows]
    assert years == list(range(2000, 2020))


def test_runs_of_another_protocol_are_ranked_apart_and_it_is_said_why(mixed: Path) -> None:
    ranking = pairdiff.open_shelf(mixed).list_runs(sort="headroom")
    assert [len(group.runs) for group in ranking.groups] == [5, 3, 1]
    for group in ranking.groups:
        assert len({row["protocol"] for row in group.runs}) == 1
        assert [row["rank"] for row in group.runs] == list(range(1, len(group.runs) + 1))
        stops = [row["headroom_stops"] for row in group.runs]
        assert stops == sorted(stops, reverse=True)
    assert ranking.groups[1].differs == ("survey, not read whole, pairs sampled",)
    assert ranking.groups[2].differs == ("headroom_clear_stops 1.3 against 1",)
    captions = [table.caption for table in tables_of(ranking)]
    assert captions[0].startswith("By headroom: pairdiff 0.1.0, read whole")
    assert captions[1:] == [
        "Apart, since measured otherwise: survey, not read whole, pairs sampled",
        "Apart, since measured otherwise: headroom_clear_stops 1.3 against 1",
    ]


def test_a_plain_list_names_the_protocol_of_every_run(mixed: Path) -> None:
    (table,) = tables_of(pairdiff.open_shelf(mixed).list_runs())
    assert table.heads[-1] == "protocol"
    assert len({row[-1] for row in table.rows}) == 3
    assert all(f"{row[-1]}: pairdiff" in table.caption for row in table.rows)
    assert "figures of one say nothing against those of another" in table.caption


def test_a_limit_is_of_each_protocol_of_a_ranking_and_of_a_list_as_a_whole(mixed: Path) -> None:
    shelf = pairdiff.open_shelf(mixed)
    assert [len(group.runs) for group in shelf.list_runs(sort="headroom", limit=2).groups] == [2, 2, 1]
    listing = shelf.list_runs(limit=4)
    assert (len(listing.rows), listing.found) == (4, 9)
    with pytest.raises(UsageError, match="--limit: found 0, expected 1 or more"):
        shelf.list_runs(limit=0)
    with pytest.raises(UsageError, match="--sort: 'headrom' is no column of a run: did you mean 'headroom'"):
        shelf.list_runs(sort="headrom")


def test_runs_beside_each_other_say_whether_they_may_be_compared(mixed: Path) -> None:
    shelf = pairdiff.open_shelf(mixed)
    runs = {row["year"]: row["run"] for row in shelf.list_runs().rows}
    alike = shelf.compare_runs([runs[2010][:8], runs[2011]])
    assert alike.caption.startswith("Measured alike: pairdiff 0.1.0")
    assert alike.heads == ("", runs[2010][:8], runs[2011][:8])
    shown = {row[0]: row[1:] for row in alike.rows}
    stops = {row["year"]: row["headroom_stops"] for row in shelf.list_runs().rows}
    assert shown["headroom_stops"] == tuple(f"{stops[year]:+.2f} stops" for year in (2010, 2011))
    apart = shelf.compare_runs([runs[2010], runs[2015], runs[2018]])
    assert apart.caption.startswith("Not measured alike, so that figures say nothing against each other")
    assert f"{runs[2015][:8]}: survey, not read whole" in apart.caption
    assert f"{runs[2018][:8]}: headroom_clear_stops 1.3 against 1" in apart.caption
    document = rows_to_document(shelf.find_runs([runs[2010], runs[2015]]), facts_of(shelf.list_runs().rows))
    assert [row["differs"] for row in document["runs"]] == [[], ["survey, not read whole, pairs sampled"]]


@pytest.mark.parametrize(
    ("runs", "words"),
    [(["0000ffff"], "no run has a number that begins so"), (["", ""], "no run has"), ([], "found one run, expected two or more")],
)
def test_runs_that_cannot_be_named_are_refused(mixed: Path, runs: list[str], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        pairdiff.open_shelf(mixed).compare_runs(runs)


def test_the_same_run_twice_is_no_comparison(mixed: Path) -> None:
    shelf = pairdiff.open_shelf(mixed)
    run = shelf.list_runs().rows[0]["run"]
    with pytest.raises(UsageError, match="expected two or more"):
        shelf.compare_runs([run, run[:8]])


# ---------------------------------------------------------------- words of users on a terminal


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("A\nB\tC\r\x85D", "A B C D"),
        ("\x1b[31mred\x1b[0m", "\ufffd[31mred\ufffd[0m"),
        ("abc\u202egpj.exe", "abcgpj.exe"),
        ("\u200fשלום\u200f", "שלום"),
        ("سلام\u200cها", "سلام\u200cها"),
        ("a\x00b", "a\ufffdb"),
        ("[red]x[/red]", "[red]x[/red]"),
        ("  two   blanks ", "two blanks"),
        (None, ""),
    ],
)
def test_nothing_in_a_title_moves_the_cursor_or_turns_the_line(text: str | None, shown: str) -> None:
    assert show_text(text) == shown


def make_rows(archive: Path, titles: Titles, folder: Path) -> None:
    names = (
        LONG,
        "\u202eevil\u202c",
        "[red]x[/red]",
        "\x1b]0;x\x07title",
        "東京物語" * 20,
        "=1+2",
        "-3",
        "שלום",
        "quote \" and ' and ,",
        "x\ny",
    )
    for number, name in enumerate(names):
        pairdiff.keep(titles.write(folder / str(number), number), archive=archive, title=name, edition=name, notes=name)


@pytest.fixture(scope="module")
def hostile(titles: Titles, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Titles that ask for trouble; tests must not change it."""
    folder = tmp_path_factory.mktemp("hostile")
    make_rows(folder / "archive", titles, folder)
    return folder / "archive"


@pytest.mark.parametrize("options", [{}, {"sort": "headroom"}])
def test_a_table_that_goes_to_no_terminal_has_straight_columns_and_plain_letters(hostile: Path, options: dict[str, Any]) -> None:
    """Widths of letters as rich has them."""
    (table,) = tables_of(pairdiff.open_shelf(hostile).list_runs(**options))
    lines = plain_table(table).splitlines()[1:]
    assert len(lines) == 11
    assert max(map(cell_len, lines)) < 250
    assert not any(unicodedata.category(letter) in ("Cc", "Cf") for line in lines for letter in line)
    ends = [cell_len(line[: line.index(word) + len(word)]) for line, word in zip(lines, ["headroom", *["stops"] * 10], strict=True)]
    assert len(set(ends)) == 1


@pytest.mark.parametrize("columns", [40, 60, 80, 100, 120, 160, 200])
@pytest.mark.parametrize("sort", ["headroom", "notice-share", "colour", "recovered"])
def test_a_narrow_terminal_does_without_columns_but_never_without_what_it_is_ranked_by(kept: Path, columns: int, sort: str) -> None:
    (table,) = tables_of(pairdiff.open_shelf(kept).list_runs(sort=sort))
    fitted = fit_table(table, columns)
    assert fitted.ranked_by in fitted.heads
    assert {"#", "run", "title"} <= set(fitted.heads)
    assert all(len(row) == len(fitted.heads) for row in fitted.rows)
    gone = [head for head in table.heads if head not in fitted.heads]
    assert set(gone) <= set(GIVES_WAY)
    assert all(head in fitted.caption.splitlines()[-1] for head in gone)
    assert [head for head in table.heads if head in fitted.heads] == list(fitted.heads)
    assert columns < 160 or fitted == table
    lines = plain_table(fitted).splitlines()[len(fitted.caption.splitlines()) :]
    assert columns < 60 or max(map(cell_len, lines)) <= columns


# ---------------------------------------------------------------- JSON and CSV


def test_json_holds_every_run_as_it_is(hostile: Path) -> None:
    listing = pairdiff.open_shelf(hostile).list_runs(sort="headroom")
    document = json.loads(json.dumps(listing_to_document(listing), allow_nan=False))
    (protocol,) = document["protocols"]
    assert document["sort"] == "headroom_stops"
    assert protocol["differs"] == []
    assert protocol["settings"]["headroom_clear_stops"] == 1.0
    assert {row["title"] for row in protocol["runs"]} >= {LONG.strip(), "\u202eevil\u202c", "=1+2"}
    assert [row["rank"] for row in protocol["runs"]] == list(range(1, 11))


def test_csv_is_read_back_as_it_was_but_for_what_a_spreadsheet_would_run(hostile: Path) -> None:
    """Python's reader of RFC 4180; that spreadsheets run cells that begin with = + - @ is common knowledge, no source."""
    listing = pairdiff.open_shelf(hostile).list_runs(sort="notice")
    text = rows_to_csv(listing.rows)
    read = list(csv.DictReader(io.StringIO(text, newline="")))
    assert len(read) == 10
    for row, cells in zip(listing.rows, read, strict=True):
        title = row["title"]
        assert cells["title"] == (f"'{title}" if title[0] in "=+-@" else title)
        assert float(cells["headroom_stops"]) == row["headroom_stops"]
        assert cells["recovered_jnd"] == ("" if row["recovered_jnd"] is None else str(row["recovered_jnd"]))
    assert {"'=1+2", "'-3"} <= {cells["title"] for cells in read}
    assert text.count("\r\n") == 11


def test_pandas_reads_the_csv(kept: Path) -> None:
    pandas = pytest.importorskip("pandas", reason="pandas is not installed")
    rows = pairdiff.open_shelf(kept).list_runs().rows
    frame = pandas.read_csv(io.StringIO(rows_to_csv(rows)))
    assert frame["headroom_stops"].tolist() == [row["headroom_stops"] for row in rows]
    assert frame["recovered_jnd"].isna().sum() == 3


def test_short_names_stand_for_columns_that_are_there() -> None:
    assert set(SHORT.values()) <= set(COLUMNS)
    assert all(re.fullmatch(r"[a-z0-9_]+", name) for name in COLUMNS)


def test_runs_beside_each_other_need_no_more_than_their_rows(mixed: Path) -> None:
    rows = pairdiff.open_shelf(mixed).list_runs().rows[:2]
    table = compare_rows(rows, facts_of(rows))
    assert {row[0] for row in table.rows} >= {"title", "label", "headroom_stops", "notice_probability", "mode", "hdr_file_id"}
