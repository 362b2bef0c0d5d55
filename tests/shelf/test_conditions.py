"""Conditions as a user writes them: what they mean, and that they can be nothing else than conditions."""

from __future__ import annotations

import operator
import unicodedata
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import pairdiff
from pairdiff._errors import UsageError
from pairdiff.shelf.columns import COLUMNS, SHORT, find_column
from pairdiff.shelf.conditions import read_conditions, to_sql

ATTACKS = (
    "'; DROP TABLE runs; --",
    '" OR 1=1 --',
    "x' UNION SELECT * FROM runs --",
    "'); ATTACH '/etc/passwd' AS p; --",
    "%' OR title LIKE '%",
    "\\'; COPY runs TO 'x.csv'; --",
    "$1",
    "?",
    "{title}",
    "a\x00b",
    "a\nb",
    "\u202egnp.exe",
    "[red]bold[/red]",
    "\x1b[31m\x1b]0;x\x07",
    "<script>alert(1)</script>",
    "=HYPERLINK(1)",
)


def found(archive: Path, *where: str) -> list[str]:
    return [row["title"] for row in pairdiff.open_shelf(archive).list_runs(where=where).rows]


@pytest.mark.parametrize(
    ("condition", "column", "sign", "value"),
    [
        ("headroom>1.5", "headroom_stops", ">", 1.5),
        (" Headroom >= -0.25 ", "headroom_stops", ">=", -0.25),
        ("notice>=80%", "notice_probability", ">=", 0.8),
        ("notice-share<0.5", "notice_1_share", "<", 0.5),
        ("label=wider-range", "label", "=", "wider-range"),
        ("label!=undetermined", "label", "!=", "undetermined"),
        ("year<=2019", "year", "<=", 2019),
        ("title~salt ferry", "title", "~", "salt ferry"),
        ("title=a>b=c", "title", "=", "a>b=c"),
        ("notes=", "notes", "=", ""),
        ("uses-peak-ratio=yes", "uses_peak_ratio", "=", True),
        ("report=no", "report", "=", False),
        ("colour>1e-3", "outside_709_share", ">", 0.001),
    ],
)
def test_a_condition_is_name_sign_value(condition: str, column: str, sign: str, value: Any) -> None:
    (read,) = read_conditions([condition])
    assert (read.column.name, read.sign, read.value) == (column, sign, value)


@pytest.mark.parametrize(
    ("condition", "words"),
    [
        ("headroom", r"--where: found 'headroom', expected NAME, one of = != < <= > >= ~, VALUE"),
        ("", "expected NAME"),
        ("hedroom>1", "'hedroom' is no column of a run: did you mean 'headroom'"),
        ("zzzzqqqq>1", "'zzzzqqqq' is no column of a run: there are headroom, notice"),
        ("headroom>high", "headroom_stops is a number, found 'high'"),
        ("headroom>nan", "headroom_stops is a number"),
        ("headroom<inf", "headroom_stops is a number"),
        ("headroom>50%", "headroom_stops is a number, found '50%'"),
        ("year>2019 OR 1=1", "year is a number, found '2019 OR 1=1'"),
        ("headroom~1", "~ looks for words in a text, and headroom_stops is none"),
        ("label=wide", "'wide' is no label; there are sdr-in-hdr-container"),
        ("report>yes", "report is yes or no, found '>yes'. Write report=yes"),
        ("report=maybe", "report is yes or no"),
        ("headroom>1;DROP TABLE runs", "headroom_stops is a number"),
        ('"title"=x', "expected NAME"),
        ("1=1", "'1' is no column of a run"),
        ("stamp=1", "'stamp' is no column of a run"),
        ("x" * 5000 + "=1", "x{60}.*is no column of a run"),
    ],
)
def test_what_is_no_condition_is_refused(condition: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        read_conditions([condition])


@pytest.mark.parametrize("attack", ATTACKS)
def test_words_of_a_user_are_data_in_every_place(titles: Any, tmp_path: Path, attack: str) -> None:
    archive = tmp_path / "archive"
    pairdiff.keep(titles.write(tmp_path / "plain", 2), archive=archive, title="plain")
    text = attack.strip()
    pairdiff.keep(titles.write(tmp_path / "bad", 1), archive=archive, title=attack, notes=attack, edition=attack, region=attack)
    for name in ("title", "notes", "edition", "region"):
        assert found(archive, f"{name}={attack}") == [text]
        assert found(archive, f"{name}~{attack}") == [text]
        assert found(archive, f"{name}!={attack}") == (["plain"] if name == "title" else [])
    for where in (f"label~{attack}", f"folder={attack}", f"protocol={attack}", f"run={attack}"):
        assert found(archive, where) == []
    rows = pairdiff.open_shelf(archive).list_runs().rows
    assert sorted(row["title"] for row in rows) == sorted([text, "plain"])
    assert {row["notes"] for row in rows} == {text, None}
    assert pairdiff.keep(tmp_path / "bad", archive=archive, title=attack).state == "as it was"


@pytest.mark.parametrize("attack", ATTACKS)
def test_a_name_that_is_no_column_never_reaches_the_index(kept: Path, attack: str) -> None:
    for call in ({"sort": attack}, {"where": [f"{attack}=1"]}):
        with pytest.raises(UsageError):
            pairdiff.open_shelf(kept).list_runs(**call)  # type: ignore[arg-type]
    with pytest.raises(UsageError, match="no run has a number that begins so"):
        pairdiff.open_shelf(kept).result(attack)


def test_names_and_values_never_stand_in_the_expression() -> None:
    expression, values = to_sql(read_conditions(["title='; DROP TABLE runs; --", "year>=2019"]))
    assert expression == 'true AND "title" = ? AND "year" >= ?'
    assert values == ["'; DROP TABLE runs; --", 2019.0]


def test_every_short_name_and_every_column_is_found() -> None:
    assert all(find_column(short) is COLUMNS[name] for short, name in SHORT.items())
    assert all(find_column(name.replace("_", "-").upper()) is one for name, one in COLUMNS.items())
    assert not set(SHORT) & set(COLUMNS)


SIGNS = {"=": operator.eq, "!=": operator.ne, "<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge}


@settings(max_examples=40, deadline=None)
@given(
    name=st.sampled_from(["headroom_stops", "recovered_jnd", "year", "notice_probability", "scored_pairs"]),
    sign=st.sampled_from(sorted(SIGNS)),
    value=st.floats(-10, 3000, allow_nan=False) | st.integers(0, 2030),
)
def test_conditions_on_numbers_hold_as_python_says(kept: Path, name: str, sign: str, value: float) -> None:
    """Python's own comparisons; a run without a value meets none."""
    rows = pairdiff.open_shelf(kept).list_runs().rows
    expected = [row["run"] for row in rows if row[name] is not None and SIGNS[sign](row[name], value)]
    mine = pairdiff.open_shelf(kept).list_runs(where=[f"{name}{sign}{value!r}"]).rows
    assert [row["run"] for row in mine] == expected


@pytest.mark.parametrize(
    ("stored", "asked"), [("Élan", "élan"), ("E\u0301lan", "él"), ("Élan", "e\u0301LAN"), ("ÅNGSTRÖM", "ångström"), ("Жар", "жАР")]
)
def test_words_are_found_whatever_case_and_composition(titles: Any, tmp_path: Path, stored: str, asked: str) -> None:
    """Unicode Standard Annex 15: composed and decomposed letters are the same text."""
    assert unicodedata.normalize("NFC", asked).casefold() in unicodedata.normalize("NFC", stored).casefold()
    pairdiff.keep(titles.write(tmp_path / "a", 1), archive=tmp_path / "archive", title=stored)
    assert found(tmp_path / "archive", f"title~{asked}") == [stored]
    assert found(tmp_path / "archive", "title~zebra") == []


@settings(max_examples=25, deadline=None)
@given(text=st.text(min_size=1, max_size=4000))
def test_any_text_comes_back_as_it_was(titles: Any, folders: list[Path], tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    archive = tmp_path_factory.mktemp("any") / "archive"
    pairdiff.keep(folders[0], archive=archive, notes=text)
    (row,) = pairdiff.open_shelf(archive).list_runs().rows
    assert row["notes"] == (text.strip() or None)


def test_bytes_of_a_command_line_that_are_no_text_are_written_out(folders: list[Path], tmp_path: Path) -> None:
    pairdiff.keep(folders[0], archive=tmp_path / "archive", title="a\udcffb")
    assert found(tmp_path / "archive") == ["a\\udcffb"]
    assert found(tmp_path / "archive", "title=a\udcffb") == ["a\\udcffb"]
