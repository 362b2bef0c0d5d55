"""Keeping a run: what the archive holds of it, that it is kept once, that words can be corrected, and what is refused."""

from __future__ import annotations

import gzip
import json
import os
import shutil
from pathlib import Path
from typing import Any

import duckdb
import pytest

import pairdiff
from pairdiff._errors import InputRefused, OutputRefused, UsageError
from pairdiff.shelf import kept_run
from pairdiff.shelf.archive import FRAMES, RESULT, SHOTS, Archive
from tests.shelf._titles import Titles


def rows_of(archive: Path, **options: Any) -> list[dict[str, Any]]:
    return pairdiff.open_shelf(archive).list_runs(**options).rows


def test_nothing_of_a_run_is_lost_when_its_folder_goes(titles: Titles, tmp_path: Path) -> None:
    folder = titles.write(tmp_path / "film", 3)
    text, frames = (folder / "result.json").read_bytes(), (folder / "frames.parquet").read_bytes()
    kept = pairdiff.keep(folder, archive=tmp_path / "archive")
    shutil.rmtree(folder)
    place = Archive(tmp_path / "archive").runs / kept.run
    assert gzip.decompress((place / RESULT).read_bytes()) == text
    assert (place / FRAMES).read_bytes() == frames
    assert pairdiff.open_shelf(tmp_path / "archive").result(kept.run[:8]) == json.loads(text)


def test_the_columns_of_a_run_are_what_its_result_says(folders: list[Path], kept: Path) -> None:
    result = json.loads((folders[5] / "result.json").read_text())
    (row,) = rows_of(kept, where=["year=2005"])
    own = result["difference"]["on_its_own"]
    expected = {
        "title": result["title"],
        "edition": "4K disc",
        "label": result["verdict"]["label"],
        "support": result["verdict"]["support"][result["verdict"]["label"]],
        "headroom_stops": result["headroom"]["stops"],
        "notice_probability": own["notice_probability"]["value"],
        "notice_high_probability": own["notice_probability"]["high"],
        "notice_1_share": own["share_1"]["value"],
        "recovered_jnd": result["recovered"]["detail_jnd"],
        "outside_709_share": result["colour"]["outside_709_share"],
        "saturated_share": result["colour"]["beyond_set"]["saturated_share"],
        "hdr_file_id": result["hdr"]["file_id"],
        "mode": result["run"]["coverage"]["mode"],
        "folder": str(folders[5].resolve()),
        "report": False,
        "uses_peak_ratio": False,
        "transfer": "pq",
    }
    assert {name: row[name] for name in expected} == expected


def test_what_has_no_value_is_none_and_never_zero(kept: Path) -> None:
    (row,) = rows_of(kept, where=["year=2007"])
    assert row["recovered_jnd"] is None
    assert row["recovered_share"] is None


def test_settings_that_are_not_the_defaults_stand_with_the_run(titles: Titles, tmp_path: Path) -> None:
    pairdiff.keep(titles.write(tmp_path / "a", 1), archive=tmp_path / "archive")
    pairdiff.keep(titles.write(tmp_path / "b", 2, run__settings__seed=7, run__settings__sdr_white=160.0), archive=tmp_path / "archive")
    assert [row["settings"] for row in rows_of(tmp_path / "archive", sort="settings")] == ['{"sdr_white": 160.0, "seed": 7}', None]


def test_figures_of_shots_are_those_of_their_frames(kept: Path) -> None:
    """DuckDB, asked in SQL on the frames themselves."""
    run = rows_of(kept)[0]["run"]
    place = Archive(kept).runs / run
    asked = duckdb.execute(
        "SELECT pair_shot::INT + 1 AS shot, count(*), max(pair_hdr_p999_nits), avg(pair_area_above_white_share) "
        "FROM read_parquet(?) WHERE pair_shot IS NOT NULL GROUP BY 1 ORDER BY 1",
        [str(place / FRAMES)],
    ).fetchall()
    held = duckdb.execute(
        "SELECT shot, pairs, hdr_p999_nits, area_above_white_share FROM read_parquet(?) ORDER BY 1", [str(place / SHOTS)]
    ).fetchall()
    assert len(asked) > 10
    assert [row[:2] for row in held] == [row[:2] for row in asked]
    for mine, theirs in zip(held, asked, strict=True):
        assert mine[2] == pytest.approx(theirs[2], abs=0.051)  # one decimal is printed
        assert mine[3] == pytest.approx(theirs[3], abs=5.1e-6)


def test_a_run_that_is_kept_twice_is_kept_once(titles: Titles, tmp_path: Path) -> None:
    first = pairdiff.keep(titles.write(tmp_path / "a", 1), archive=tmp_path / "archive")
    again = pairdiff.keep(tmp_path / "a", archive=tmp_path / "archive")
    elsewhere = titles.write(tmp_path / "b", 1, title="Another name", hdr__path="/elsewhere/hdr.mkv")
    moved = pairdiff.keep(elsewhere, archive=tmp_path / "archive")
    assert (first.state, again.state, moved.state) == ("kept", "as it was", "changed")
    assert first.run == again.run == moved.run
    assert moved.changed == ("folder",)
    (row,) = rows_of(tmp_path / "archive")
    assert row["title"] == first.title != "Another name"
    assert row["folder"] == str(elsewhere.resolve())


def test_a_title_that_is_measured_otherwise_stands_beside_the_earlier_run(titles: Titles, tmp_path: Path) -> None:
    pairdiff.keep(titles.write(tmp_path / "a", 1), archive=tmp_path / "archive")
    pairdiff.keep(titles.write(tmp_path / "b", 1, run__coverage__mode="full"), archive=tmp_path / "archive")
    rows = rows_of(tmp_path / "archive")
    assert len(rows) == 2
    assert len({row["title"] for row in rows}) == 1
    assert len({row["protocol"] for row in rows}) == 2


def test_words_are_corrected_one_by_one_and_an_empty_one_is_taken_away(titles: Titles, tmp_path: Path) -> None:
    folder, archive = titles.write(tmp_path / "a", 1), tmp_path / "archive"
    pairdiff.keep(folder, archive=archive, title="Wrong", edition="4K disc", region="DE", year=1999, notes="old master")
    changed = pairdiff.keep(folder, archive=archive, title="Right", year=2001, notes="")
    assert changed.state == "changed"
    assert set(changed.changed) == {"title", "year", "notes"}
    (row,) = rows_of(archive)
    assert [row[name] for name in ("title", "edition", "region", "year", "notes")] == ["Right", "4K disc", "DE", 2001, None]
    pairdiff.keep(folder, archive=archive, title="", year=0)
    (row,) = rows_of(archive)
    assert row["title"] == titles.document(1)["title"]
    assert row["year"] is None


def test_report_and_stills_are_copied_where_asked_for_and_links_are_not_followed(titles: Titles, tmp_path: Path) -> None:
    folder, archive = titles.write(tmp_path / "a", 1), tmp_path / "archive"
    with pytest.raises(InputRefused, match=r"holds no report\.html to copy.*pairdiff report"):
        pairdiff.keep(folder, archive=archive, with_report=True)
    (folder / "report.html").write_text("<p>page")
    (folder / "stills").mkdir()
    (folder / "stills" / "01-a.png").write_bytes(b"png")
    (folder / "stills" / "private.txt").write_text("no picture")
    secret = tmp_path / "secret.png"
    secret.write_text("secret")
    os.symlink(secret, folder / "stills" / "02-b.png")
    run = pairdiff.keep(folder, archive=archive).run
    kept = pairdiff.keep(folder, archive=archive, with_report=True)
    assert kept.changed == ("report",)
    place = Archive(archive).runs / run / "report"
    assert sorted(one.relative_to(place).as_posix() for one in place.rglob("*") if one.is_file()) == ["report.html", "stills/01-a.png"]
    assert rows_of(archive)[0]["report"] is True
    assert pairdiff.keep(folder, archive=archive, with_report=True).state == "as it was"


@pytest.mark.parametrize(
    ("break_it", "words"),
    [
        (
            lambda folder: (folder / "result.json").unlink(),
            r"result\.json cannot be read \(No such file.*Give the folder that `pairdiff compare --out`",
        ),
        (lambda folder: (folder / "result.json").write_text('{"schema": '), r"result\.json is damaged"),
        (lambda folder: (folder / "result.json").write_bytes(b"\xff\xfe"), r"result\.json is damaged"),
        (lambda folder: (folder / "result.json").write_text("[" * 200_000), r"result\.json is damaged"),
        (lambda folder: (folder / "result.json").write_text('{"schema": "pairdiff-result/9"}'), "not a result of this version"),
        (lambda folder: (folder / "frames.parquet").unlink(), r"frames\.parquet cannot be read"),
        (lambda folder: (folder / "frames.parquet").write_bytes(b"PAR1" + bytes(100)), r"frames\.parquet cannot be read"),
    ],
)
def test_a_folder_that_holds_no_whole_result_is_refused_and_leaves_nothing(
    titles: Titles, tmp_path: Path, break_it: Any, words: str
) -> None:
    folder = titles.write(tmp_path / "a", 1)
    break_it(folder)
    with pytest.raises(InputRefused, match=words):
        pairdiff.keep(folder, archive=tmp_path / "archive")
    assert not (tmp_path / "archive").exists() or list(Archive(tmp_path / "archive").runs.iterdir()) == []


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"headroom__stops": float("nan")}, "NaN is no number that a result may hold"),
        ({"headroom__stops": "high"}, r"does not follow the schema at \$\.headroom\.stops"),
        ({"headroom__stops": 10**400}, "headroom_stops of the result is .*which no film has"),
        ({"free_fit__lift": float("inf")}, "Infinity is no number"),
        ({"run__coverage__scored_pairs": 2**70}, "scored_pairs of the result is 118059162071"),
    ],
)
def test_numbers_that_no_film_has_are_refused(titles: Titles, tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    with pytest.raises(InputRefused, match=words):
        pairdiff.keep(titles.write(tmp_path / "a", 1, **changes), archive=tmp_path / "archive")


def test_a_number_too_large_for_a_computer_is_damage(titles: Titles, tmp_path: Path) -> None:
    folder = titles.write(tmp_path / "a", 1, free_fit__lift=-77.25)
    text = (folder / "result.json").read_text()
    assert "-77.25" in text
    (folder / "result.json").write_text(text.replace("-77.25", "1e400"))
    with pytest.raises(InputRefused, match="1e400 is no number"):
        pairdiff.keep(folder, archive=tmp_path / "archive")


@pytest.mark.parametrize("year", [-1, 1492, 20240])
def test_a_year_that_cannot_be_is_refused(folders: list[Path], tmp_path: Path, year: int) -> None:
    with pytest.raises(UsageError, match=rf"--year: found {year}, expected a year from 1870 to 2200"):
        pairdiff.keep(folders[0], archive=tmp_path / "archive", year=year)


def test_a_result_that_is_written_anew_meanwhile_is_not_kept_half(titles: Titles, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = titles.write(tmp_path / "a", 1)
    plain = kept_run._make_shots

    def make_shots(*given: Any) -> Any:
        (folder / "result.json").write_text(json.dumps(titles.document(2)))
        return plain(*given)

    monkeypatch.setattr(kept_run, "_make_shots", make_shots)
    with pytest.raises(InputRefused, match=r"was written anew while it was being kept\. Keep it again"):
        pairdiff.keep(folder, archive=tmp_path / "archive")
    assert rows_of(tmp_path / "archive") == []


def test_a_place_that_holds_something_else_is_left_alone(folders: list[Path], tmp_path: Path) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "a.jpg").write_bytes(b"x")
    with pytest.raises(OutputRefused, match=r"holds something that is no archive \(a\.jpg\)"):
        pairdiff.keep(folders[0], archive=tmp_path / "photos")
    assert [one.name for one in (tmp_path / "photos").iterdir()] == ["a.jpg"]
    with pytest.raises(OutputRefused, match=r"cannot be written: .*Name another place with --archive"):
        pairdiff.keep(folders[0], archive=tmp_path / "photos" / "a.jpg")


def test_a_disk_without_room_is_told_and_leaves_no_half_run(folders: list[Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(source: Path, target: Path) -> None:
        Path(target).write_bytes(b"half")
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(kept_run.shutil, "copyfile", full)
    with pytest.raises(OutputRefused, match="cannot be written: No space left on device"):
        pairdiff.keep(folders[0], archive=tmp_path / "archive")
    assert list(Archive(tmp_path / "archive").runs.iterdir()) == []


def test_what_cannot_be_kept_is_refused_before_there_is_a_result(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="--year"):
        pairdiff.check_keeping(archive=tmp_path / "archive", year=3)
    (tmp_path / "file").write_text("x")
    with pytest.raises(OutputRefused, match="cannot be written"):
        pairdiff.check_keeping(archive=tmp_path / "file")
    pairdiff.check_keeping(archive=tmp_path / "archive")
    assert list(Archive(tmp_path / "archive").runs.iterdir()) == []


# ---------------------------------------------------------------- words that a batch or a re-run wrote down


def write_beside(folder: Path, *, source: str = "a" * 32, **changed: Any) -> None:
    result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    files = {side: result[side]["file_id"] for side in ("hdr", "sdr")}
    outcome = {"schema": "pairdiff-outcome/1", "files": files, "words": {"edition": "4K disc"}} | changed
    (folder / "outcome.json").write_text(json.dumps(outcome), encoding="utf-8")
    rerun = {"schema": "pairdiff-rerun/1", "run": kept_run.number_of(result), "source": {"run": source, "folder": None}}
    (folder / "rerun.json").write_text(json.dumps(rerun), encoding="utf-8")


def test_a_run_kept_by_hand_has_the_words_that_its_batch_wrote_down_until_they_are_corrected(titles: Titles, tmp_path: Path) -> None:
    folder, archive = titles.write(tmp_path / "film", 3), tmp_path / "archive"
    write_beside(folder, words={"edition": "4K disc", "year": 2031, "notes": "Seen twice."})
    pairdiff.keep(folder, archive=archive, notes="Seen once.")
    (row,) = rows_of(archive)
    assert [row[name] for name in ("edition", "year", "notes", "region", "redoes")] == ["4K disc", 2031, "Seen once.", None, "a" * 32]
    pairdiff.keep(folder, archive=archive, edition="", year=1982)
    pairdiff.keep(folder, archive=archive, with_report=False)
    (row,) = rows_of(archive)
    assert (row["edition"], row["year"]) == (None, 1982)


@pytest.mark.parametrize(
    "changed",
    [
        {"files": {"hdr": "sha256-sampled:1:00", "sdr": "sha256-sampled:1:00"}},
        {"schema": "pairdiff-outcome/9"},
        {"words": ["edition"]},
        {"words": {"edition": 7, "year": "2031", "region": None, "title": ["x"]}},
        {"words": {"year": 99999}},
        {"words": {"year": True}},
    ],
)
def test_words_of_another_result_or_in_another_form_are_not_taken(titles: Titles, tmp_path: Path, changed: dict[str, Any]) -> None:
    folder, archive = titles.write(tmp_path / "film", 3), tmp_path / "archive"
    write_beside(folder, source="../../x", **changed)
    pairdiff.keep(folder, archive=archive)
    (row,) = rows_of(archive)
    assert [row[name] for name in ("edition", "year", "region", "redoes")] == [None] * 4


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes with a name")
@pytest.mark.timeout(60)
def test_a_pipe_in_the_place_of_words_is_not_waited_for(titles: Titles, tmp_path: Path) -> None:
    folder = titles.write(tmp_path / "film", 3)
    for name in ("outcome.json", "rerun.json"):
        os.mkfifo(folder / name)
    assert pairdiff.keep(folder, archive=tmp_path / "archive").state == "kept"
