"""What a reader takes along: the short form as a CommonMark parser (markdown-it-py) reads it, tables as csv and Arrow read them."""

from __future__ import annotations

import base64
import copy
import csv
import io
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.csv as arrow_csv
import pyarrow.parquet as pq
import pytest
from markdown_it import MarkdownIt

from pairdiff.writeup.short_form import SHOT_TABLE, escape_markdown, rows_to_csv, rows_to_json, say_in_markdown, say_white, shot_rows

HOSTILE = (
    "<script>alert(1)</script>",
    "# not a heading *nor stress* _nor this_ `nor code`",
    "[a link](javascript:alert(1)) ![a picture](x)",
    "a | b & c &lt; d ~~e~~ \\ f",
    "quotes \" and ' and a line\nand another\r\nand \u2028 one more",
    "right to left \u202e olleh \u2066",
    "x" * 4000,
)


def read(text: str) -> tuple[str, str]:
    """HTML that the parser makes, raw HTML allowed, and the plain text of its first heading."""
    parser = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
    heading = next(token for token in parser.parse(text) if token.type == "inline")
    kinds = {child.type for child in heading.children or []}
    assert kinds <= {"text", "text_special"}
    return parser.render(text), "".join(child.content for child in heading.children or [])


@pytest.mark.parametrize("title", HOSTILE, ids=range(len(HOSTILE)))
def test_whatever_a_title_holds_shows_as_text(document: dict[str, Any], title: str) -> None:
    page, heading = read(say_in_markdown({**document, "title": title}))
    shown = " ".join("".join(one if one.isprintable() or one.isspace() else "\N{REPLACEMENT CHARACTER}" for one in title).split())
    assert heading == f"{shown}: HDR and SDR release compared"
    assert page.count("<h2>") == 1
    assert not re.search(r"<(script|img|a|em|code|table|s|h1)\b", page)


def test_text_of_the_result_is_escaped_as_well(document: dict[str, Any]) -> None:
    given = copy.deepcopy(document)
    given["verdict"]["sentence"] = given["verdict"]["flips"][0] = "<b onclick=x>*stress*</b>"
    given["hdr"]["file_id"] = "<i>:<u>"
    page, _ = read(say_in_markdown(given))
    assert page.count("<strong>") == 1
    assert not re.search(r"<(b|i|u|em)\b", page)


def test_the_short_form_says_verdict_interval_set_and_files(document: dict[str, Any]) -> None:
    said = say_in_markdown(document)
    page, _ = read(said)
    for words in ("Highlight headroom: +1.87 stops", "Preference loss: 1.18 JOD", "95 % interval", "50 % is a coin toss", "gamma 2.31"):
        assert words in said, words
    assert "<strong>HDR that widens the picture.</strong>" in page
    given = copy.deepcopy(document)
    given["verdict"]["sentence"] = "HDR that widens the picture: by two stops."
    assert "\n**HDR that widens the picture.** The HDR release shows what" in say_in_markdown(given)
    assert "\n\nBy two stops.\n\n" in say_in_markdown(given)
    assert page.count("<li>") >= 7
    assert "\N{NO-BREAK SPACE}" not in said
    assert len(said) < 2500


def test_a_result_without_figures_still_says_its_label(document: dict[str, Any]) -> None:
    given = copy.deepcopy(document)
    given["headroom"]["status"] = given["difference"]["on_its_own"]["status"] = "not_measured"
    given["verdict"] |= {"flips": [], "support": {}, "sentence": "Nothing can be said."}
    said = say_in_markdown(given)
    assert "**HDR that widens the picture.** The HDR release shows" in said
    assert "\n\nNothing can be said.\n\n" in said
    assert "Preference loss" not in said
    assert "What would change it" not in said


def test_escaping_leaves_plain_words_alone() -> None:
    assert escape_markdown("The Salt Ferry (1974), 100 % of 2:39; +1.2 - 3.4 = x") == "The Salt Ferry (1974), 100 % of 2:39; +1.2 - 3.4 = x"


def table(rows: int = 6) -> dict[str, Any]:
    found = {name: np.linspace(0.1, 0.6, rows) for name in SHOT_TABLE}
    return found | {
        "pair_shot": np.array([1, 0, 0, np.nan, 1, 2.0]),
        "hdr_time_s": np.array([5.0, 0.5, 1.5, 2.0, 4.0, 9.0]),
        "pair_hdr_p999_nits": np.array([400.0, 100.0, 200.0, 9e9, 800.0, np.nan]),
        "pair_sdr_p999_code": np.array([1.0, 0.9, 1.0, 1.0, 1.1, 1.0]),
        "rms_controls_jnd": np.array([3.0, 1.0, 7.0, 1e9, 4.0, 2.0]),
    }


def test_pairs_are_pooled_by_shot_and_frames_of_none_left_out() -> None:
    """By hand."""
    rows = shot_rows(table(), white_nits=100.0, gamma=2.0)
    assert [(row["shot"], row["first_time_s"], row["last_time_s"], row["pairs"]) for row in rows] == [
        (1, 0.5, 1.5, 2),
        (2, 4, 5, 2),
        (3, 9, 9, 1),
    ]
    assert [row["hdr_p999_nits"] for row in rows] == [200.0, 800.0, None]
    assert rows[0]["headroom_stops"] == 1.0
    assert rows[1]["headroom_stops"] == round(np.log2(800 / 121), 2)
    assert rows[2]["headroom_stops"] is None
    assert rows[0]["side_by_side_rms_jnd"] == 5.0


def test_rows_come_back_from_csv_and_json_as_they_were() -> None:
    rows = shot_rows(table(), white_nits=100.0, gamma=2.0)
    text = rows_to_csv(rows)
    assert text.count("\r\n") == 4
    assert [row["shot"] for row in csv.DictReader(io.StringIO(text))] == ["1", "2", "3"]
    arrow = arrow_csv.read_csv(io.BytesIO(text.encode())).to_pylist()
    assert json.loads(rows_to_json(rows)) == arrow == rows
    assert rows_to_csv([]) == ""


def test_the_page_carries_both_tables_and_names_what_lies_beside_it(result_folder: Path) -> None:
    page = (result_folder / "report.html").read_text(encoding="utf-8")
    links = dict(re.findall(r'<a href="data:[a-z/]+;charset=utf-8;base64,([^"]+)" download="([^"]+)"', page))
    found = {name: base64.b64decode(data).decode() for data, name in links.items()}
    stored = pq.read_table(result_folder / "frames.parquet", columns=["pair_shot"]).column(0).drop_null()
    assert set(found) == {"shots.csv", "shots.json"}
    assert len(json.loads(found["shots.json"])) == len(stored.unique()) == found["shots.csv"].count("\r\n") - 1
    for name in ("frames.parquet", "result.json"):
        assert f'<a href="{name}" download>' in page
        assert (result_folder / name).is_file()


def test_a_headroom_over_another_white_than_that_of_the_set_says_which(document: dict[str, Any]) -> None:
    """As the verdict's sentence does: the least of the set-ups decides."""
    changed = copy.deepcopy(document)
    changed["headroom"].update(stops=-0.2, stops_controls=0.0, uses_peak_ratio=False)
    white = next(one["white_nits"] for one in changed["setups"] if one["name"] == "gain")
    assert say_white(changed) == f" with a gain alone, white at {white:.0f} cd/m²"
    assert f"with a gain alone, white at {white:.0f} cd/m²" in say_in_markdown(changed)
    changed["headroom"].update(uses_peak_ratio=True)
    assert say_white(changed) == " (as peak ratio)"
    changed["headroom"].update(stops=0.001, stops_controls=0.0, uses_peak_ratio=False)
    assert say_white(changed) == ""
