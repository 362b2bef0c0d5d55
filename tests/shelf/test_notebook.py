"""A shelf in Python: tables of Arrow and pandas, and what a notebook shows of it."""

from __future__ import annotations

import importlib.util
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

import pairdiff
from pairdiff._errors import InputRefused, PairdiffError, UsageError
from pairdiff.shelf import notebook
from pairdiff.shelf.archive import FRAMES, Archive
from tests.shelf._titles import Titles


class Tags(HTMLParser):
    """Every tag and every text of a page, as a browser would part them."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.texts: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


def test_runs_are_a_table_of_arrow_with_null_where_there_is_no_value(kept: Path) -> None:
    table = pairdiff.open_shelf(kept).runs()
    assert isinstance(table, pa.Table)
    assert table.num_rows == 20
    assert table.column("recovered_jnd").null_count == 3
    chosen = pairdiff.open_shelf(kept).runs(where=["headroom>1", "year<2010"])
    expected = table.filter((pc.field("headroom_stops") > 1) & (pc.field("year") < 2010))
    assert chosen.equals(expected)
    assert 0 < chosen.num_rows < 10


def test_an_empty_choice_is_a_table_of_the_same_columns(kept: Path) -> None:
    shelf = pairdiff.open_shelf(kept)
    assert shelf.runs(where=["year=1900"]).schema == shelf.runs().schema
    assert shelf.shots(where=["year=1900"]).num_rows == 0
    assert shelf.frames(where=["year=1900"]).num_rows == 0


def test_shots_and_frames_carry_the_run_they_are_of(kept: Path) -> None:
    shelf = pairdiff.open_shelf(kept)
    shots = shelf.shots()
    assert set(shots.column("run").unique().to_pylist()) == set(Archive(kept).list_runs())
    (run,) = shelf.runs(where=["year=2004"]).column("run").to_pylist()
    frames = shelf.frames(where=["year=2004"])
    held = pq.read_table(Archive(kept).runs / run / FRAMES)
    assert frames.drop_columns(["run", "title"]).equals(held)
    assert frames.column("run").unique().to_pylist() == [run]
    some = shelf.frames(where=["year=2004"], columns=["hdr_frame", "hdr_max_nits"])
    assert some.column_names == ["run", "title", "hdr_frame", "hdr_max_nits"]


def test_frames_of_runs_with_other_columns_stand_in_one_table(titles: Titles, tmp_path: Path) -> None:
    pairdiff.keep(titles.write(tmp_path / "a", 1), archive=tmp_path / "archive")
    folder = titles.write(tmp_path / "b", 2)
    table = pq.read_table(folder / "frames.parquet")
    pq.write_table(table.append_column("rms_bench_jnd", pa.array([1.5] * len(table))), folder / "frames.parquet")
    pairdiff.keep(folder, archive=tmp_path / "archive")
    shelf = pairdiff.open_shelf(tmp_path / "archive")
    both = shelf.frames(columns=["hdr_frame", "rms_bench_jnd"])
    assert both.num_rows == 2 * len(table)
    assert both.column("rms_bench_jnd").null_count == len(table)
    with pytest.raises(UsageError, match=r"'no_such' is no column of frames\.parquet of any of these runs"):
        shelf.frames(columns=["hdr_frame", "no_such"])


def test_pandas_has_the_same_tables(kept: Path) -> None:
    pytest.importorskip("pandas", reason="pandas is not installed")
    shelf = pairdiff.open_shelf(kept)
    frame = shelf.pandas.runs(where=["headroom>1"])
    assert frame["headroom_stops"].tolist() == shelf.runs(where=["headroom>1"]).column("headroom_stops").to_pylist()
    assert shelf.pandas.shots()["shot"].max() == 24
    assert list(shelf.pandas.frames(where=["year=2001"], columns=["hdr_frame"]).columns) == ["run", "title", "hdr_frame"]


def test_without_pandas_it_is_said_what_to_do(kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(notebook, "find_spec", lambda name: None if name == "pandas" else importlib.util.find_spec(name))
    with pytest.raises(PairdiffError, match=r"pandas is not installed. Install it \(pip install pandas\)"):
        pairdiff.open_shelf(kept).pandas  # noqa: B018


def test_what_others_keep_meanwhile_is_seen(titles: Titles, tmp_path: Path) -> None:
    pairdiff.keep(titles.write(tmp_path / "a", 1), archive=tmp_path / "archive")
    shelf = pairdiff.open_shelf(tmp_path / "archive")
    assert shelf.runs().num_rows == 1
    pairdiff.keep(titles.write(tmp_path / "b", 2), archive=tmp_path / "archive")
    assert shelf.runs().num_rows == 2


def test_a_notebook_shows_titles_as_text_whatever_they_hold(titles: Titles, tmp_path: Path) -> None:
    """Python's own reader of HTML."""
    title = '<script>alert(1)</script><img src=x onerror="alert(1)">&amp;'
    pairdiff.keep(titles.write(tmp_path / "a", 1), archive=tmp_path / "archive", title=title, edition="</table><b>")
    page = Tags(pairdiff.open_shelf(tmp_path / "archive")._repr_html_())
    assert set(page.tags) == {"p", "table", "caption", "thead", "tbody", "tr", "th", "td", "bdi"}
    assert title in page.texts
    assert "1 of 1 runs kept in" in "".join(page.texts)


def test_an_empty_shelf_shows_that_it_is_empty(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("pairdiff.shelf.archive.default_folder", lambda: tmp_path / "own")
    shelf = pairdiff.open_shelf()
    assert "0 of 0 runs" in shelf._repr_html_()
    assert shelf.runs().num_rows == shelf.shots().num_rows == shelf.frames().num_rows == 0


def test_a_run_whose_files_are_damaged_is_named(archive: Path) -> None:
    place = Archive(archive)
    run = place.list_runs()[0]
    (place.runs / run / FRAMES).write_bytes(b"PAR1")
    with pytest.raises(InputRefused, match=rf"{run}/frames\.parquet cannot be read"):
        pairdiff.open_shelf(archive).frames()
    (place.runs / run / "result.json.gz").write_bytes(b"\x1f\x8b\x08\x00")
    with pytest.raises(InputRefused, match=r"result\.json\.gz cannot be read"):
        pairdiff.open_shelf(archive).result(run)
