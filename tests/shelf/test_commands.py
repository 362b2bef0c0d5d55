"""`keep`, `shelf` and `compare --keep` on the command line: what is printed where, and with which exit code."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from rich.cells import cell_len

import pairdiff
from pairdiff._errors import InputRefused, OutputRefused
from tests.shelf._titles import Titles
from tests.small_clips import SmallPair

Run = Callable[..., subprocess.CompletedProcess[str]]
Call = Callable[..., int]
LONG = "x" * 4000


def test_a_run_is_kept_corrected_listed_and_ranked(run_pairdiff: Run, titles: Titles, tmp_path: Path) -> None:
    """In processes of their own, in the user's data folder, as the README has it."""
    for number in (1, 2, 3):
        done = run_pairdiff("keep", titles.write(tmp_path / str(number), number), "--edition", "4K disc", "--year", 2010 + number)
        assert (done.returncode, done.stderr) == (0, "")
        assert " kept. Archive: " in done.stdout
    done = run_pairdiff("keep", tmp_path / "2", "--title", "Corrected", "--notes", "second master")
    assert "was kept before; changed now: notes, title" in done.stdout or "changed now: title, notes" in done.stdout
    listed = run_pairdiff("shelf")
    assert (listed.returncode, listed.stderr) == (0, "")
    assert len(listed.stdout.splitlines()) == 5
    ranked = json.loads(run_pairdiff("shelf", "--sort", "notice", "--json").stdout)
    values = [row["notice_probability"] for row in ranked["protocols"][0]["runs"]]
    assert values == sorted(values, reverse=True)
    (row,) = csv.DictReader(io.StringIO(run_pairdiff("shelf", "--where", "title~correct", "--csv").stdout))
    assert (row["title"], row["notes"], row["year"], row["edition"]) == ("Corrected", "second master", "2012", "4K disc")
    beside = run_pairdiff("shelf", *(word for one in ranked["protocols"][0]["runs"] for word in ("--compare", one["run"][:8])))
    assert beside.stdout.startswith("Measured alike: ")


@pytest.mark.slow
def test_a_real_comparison_is_kept_with_its_report(run_pairdiff: Run, small_pair: SmallPair, tmp_path: Path) -> None:
    """From video files to the shelf; measured again it is the same run, in full it is another one beside it."""
    words = ("compare", small_pair.hdr, small_pair.sdr, "--title", "Small", "--keep", "--archive", tmp_path / "archive")
    first = run_pairdiff(*words, "--out", tmp_path / "a", "--with-report", "--json")
    assert first.returncode == 0, first.stderr
    result = json.loads(first.stdout)
    assert "(Small) kept. Archive: " in first.stderr
    again = run_pairdiff(*words, "--out", tmp_path / "b", "--edition", "4K disc")
    assert "(Small) was kept before; changed now: edition, folder." in again.stderr
    full = run_pairdiff(*words, "--out", tmp_path / "c", "--full")
    assert "(Small) kept. Archive: " in full.stderr
    listing = pairdiff.open_shelf(tmp_path / "archive").list_runs(sort="notice")
    assert [len(group.runs) for group in listing.groups] == [1, 1]
    (row,) = (row for row in listing.rows if row["mode"] == "sampled")
    assert row["headroom_stops"] == result["headroom"]["stops"]
    assert (row["edition"], row["report"]) == ("4K disc", True)
    assert row["folder"] == str(tmp_path / "b")


def test_help_comes_at_once(run_pairdiff: Run) -> None:
    for command in ("keep", "shelf"):
        begun_s = time.perf_counter()
        done = run_pairdiff(command, "--help")
        assert time.perf_counter() - begun_s < 20  # a hang; how long it takes is the bench's business
        assert done.returncode == 0
        assert "--archive" in done.stdout


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["shelf", "--json", "--csv"], "--json and --csv exclude each other"),
        (["shelf", "--where", "hedroom>1"], "did you mean 'headroom'"),
        (["shelf", "--sort", "nothing-such"], "--sort: 'nothing-such' is no column of a run"),
        (["shelf", "--limit", "0"], "--limit: found 0, expected 1 or more"),
        (["shelf", "--compare", "ab", "--sort", "headroom"], "--compare names its runs"),
        (["shelf", "--compare", "zz"], "'zz': no run has a number that begins so"),
        (["keep"], "Missing argument 'DIR'"),
        (["compare", "a", "b", "--out", "o", "--edition", "4K"], "--edition says something of a run that is kept: found it without --keep"),
        (["compare", "a", "b", "--out", "o", "--with-report"], "--with-report says something of a run that is kept"),
        (["compare", "a", "b", "--out", "o", "--keep", "--year", "3"], "--year: found 3, expected a year from 1870 to 2200"),
    ],
)
def test_bad_usage_is_told_with_exit_code_2(
    call: Call, archive: Path, capsys: pytest.CaptureFixture[str], words: list[str], message: str
) -> None:
    stated = words if words[0] == "compare" and "--keep" not in words else [*words, "--archive", str(archive)]
    assert call(*stated) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert message in shown.err


def test_refusals_have_the_exit_codes_of_the_list(
    call: Call, capsys: pytest.CaptureFixture[str], archive: Path, tmp_path: Path, folders: list[Path]
) -> None:
    assert call("keep", tmp_path, "--archive", archive) == 3
    assert "result.json cannot be read" in capsys.readouterr().err
    assert call("shelf", "--archive", tmp_path / "nowhere") == 3
    assert "holds no archive" in capsys.readouterr().err
    (tmp_path / "file").write_text("x")
    assert call("keep", folders[0], "--archive", tmp_path / "file") == 5
    assert "cannot be written" in capsys.readouterr().err
    (archive / "schema-9").mkdir()
    assert call("shelf", "--archive", archive) == 3
    assert "is of schema 9" in capsys.readouterr().err


def test_an_empty_shelf_says_so_and_is_no_failure(
    run_pairdiff: Run, tmp_path: Path, call: Call, capsys: pytest.CaptureFixture[str], archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pairdiff.shelf.archive.default_folder", lambda: tmp_path / "own")
    monkeypatch.setattr("pairdiff.shelf.notebook.default_folder", lambda: tmp_path / "own")
    assert call("shelf", "--json") == 0
    shown = capsys.readouterr()
    assert json.loads(shown.out)["protocols"] == []
    assert "Nothing is kept yet" in shown.err
    assert call("shelf", "--archive", archive, "--where", "year=1900") == 0
    assert "No run meets the conditions" in capsys.readouterr().err


def plant_compare(monkeypatch: pytest.MonkeyPatch, folder: Path) -> list[str]:
    """A front door whose `compare` leaves a result folder at once; what was called."""
    called: list[str] = []

    def compare(hdr: Path, sdr: Path, *, out: Path, **options: Any) -> Any:
        called.append("compare")
        shutil.copytree(folder, out)
        return SimpleNamespace()

    monkeypatch.setitem(vars(pairdiff), "compare", compare)
    monkeypatch.setattr("pairdiff.writeup.words.comparison_in_words", lambda comparison, *, out: "the result in words")
    monkeypatch.setattr("pairdiff.writeup.document.comparison_to_document", lambda comparison: {"the": "result"})
    return called


@pytest.mark.parametrize("as_json", [False, True])
def test_compare_keeps_its_run_where_asked_to(
    call: Call, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], folders: list[Path], tmp_path: Path, as_json: bool
) -> None:
    plant_compare(monkeypatch, folders[2])
    words = ["--keep", "--archive", tmp_path / "archive", "--edition", "4K disc", "--region", "DE", "--year", "2020", "--notes", "n"]
    assert call("compare", "a", "b", "--out", tmp_path / "out", *words, *(["--json"] if as_json else [])) == 0
    shown = capsys.readouterr()
    assert " kept. Archive: " in shown.err
    assert (json.loads(shown.out) == {"the": "result"}) if as_json else (shown.out == "the result in words\n")
    (row,) = pairdiff.open_shelf(tmp_path / "archive").list_runs().rows
    assert [row[name] for name in ("edition", "region", "year", "notes")] == ["4K disc", "DE", 2020, "n"]
    assert row["folder"] == str(tmp_path / "out")


def test_compare_keeps_nothing_unless_asked_to(call: Call, monkeypatch: pytest.MonkeyPatch, folders: list[Path], tmp_path: Path) -> None:
    plant_compare(monkeypatch, folders[2])
    monkeypatch.setattr("pairdiff.shelf.archive.default_folder", lambda: tmp_path / "own")
    assert call("compare", "a", "b", "--out", tmp_path / "out") == 0
    assert not (tmp_path / "own").exists()


def test_an_archive_that_cannot_be_kept_in_is_refused_before_the_films_are_read(
    call: Call, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], folders: list[Path], archive: Path, tmp_path: Path
) -> None:
    called = plant_compare(monkeypatch, folders[2])
    (archive / "schema-9").mkdir()
    assert call("compare", "a", "b", "--out", tmp_path / "out", "--keep", "--archive", archive) == 3
    assert "is of schema 9" in capsys.readouterr().err
    assert called == []


def test_a_result_that_could_not_be_kept_is_written_all_the_same_and_it_is_said_so(
    call: Call, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], folders: list[Path], tmp_path: Path
) -> None:
    plant_compare(monkeypatch, folders[2])
    shutil.copytree(folders[3], tmp_path / "out")
    plain = pairdiff.compare

    def compare(*given: Any, **named: Any) -> Any:
        shutil.rmtree(tmp_path / "out")  # an earlier result gives way to this one
        return plain(*given, **named)

    def keep(*given: Any, **named: Any) -> Any:
        raise OutputRefused("The archive cannot be written: No space left on device.")

    monkeypatch.setitem(vars(pairdiff), "compare", compare)
    monkeypatch.setitem(vars(pairdiff), "keep", keep)
    assert call("compare", "a", "b", "--out", tmp_path / "out", "--keep", "--archive", tmp_path / "archive") == 5
    shown = capsys.readouterr()
    assert shown.out == "the result in words\n"
    assert f"No space left on device. The result is written; `pairdiff keep {tmp_path / 'out'}` tries again" in shown.err
    assert "still holds the result of an earlier run" not in shown.err


def test_damaged_runs_are_named_and_the_others_listed(call: Call, capsys: pytest.CaptureFixture[str], archive: Path) -> None:
    run = sorted((archive / "schema-1").iterdir())[0]
    (run / "words.json").write_text("{")
    assert call("shelf", "--archive", archive, "--csv") == 0
    shown = capsys.readouterr()
    assert len(shown.out.splitlines()) == 20
    assert f"Warning: {run} cannot be read" in shown.err


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no terminals to be had here")
@pytest.mark.parametrize("columns", [80, 160])
def test_a_terminal_gets_lines_of_its_own_width_and_no_commands_from_a_title(titles: Titles, tmp_path: Path, columns: int) -> None:
    """A real terminal (pseudo-terminal of the system)."""
    for number, title in enumerate((LONG, "\x1b[2J\x1b]0;owned\x07A", "[red]B[/red] :smile:", "\u202eC", "東京" * 60)):
        pairdiff.keep(titles.write(tmp_path / str(number), number), archive=tmp_path / "archive", title=title, edition=title)
    ours, theirs = os.openpty()
    env = {**os.environ, "COLUMNS": str(columns), "TERM": "xterm", "PYTHONPATH": str(Path(pairdiff.__file__).parents[1])}
    command = [sys.executable, "-m", "pairdiff", "shelf", "--sort", "headroom", "--archive", str(tmp_path / "archive")]
    with subprocess.Popen(command, stdout=theirs, stderr=subprocess.PIPE, stdin=subprocess.DEVNULL, env=env) as done:
        os.close(theirs)
        shown = b""
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # the other end is closed (Linux)
                break
            if not part:
                break
            shown += part
        assert done.wait(60) == 0
    os.close(ours)
    text = shown.decode()
    assert "\x1b[2J" not in text
    assert "\x1b]0" not in text
    assert "\u202e" not in text
    assert "[red]B[/red] :sm" in text
    lines = [re.sub(r"\x1b\[[0-9;]*m", "", line) for line in text.replace("\r", "").split("\n")]
    assert max(map(cell_len, lines)) <= columns
    assert sum("stops" in line for line in lines) == 5
    assert lines[0].startswith("By headroom: ")


def test_the_front_door_passes_refusals_on(tmp_path: Path) -> None:
    with pytest.raises(InputRefused):
        pairdiff.keep(tmp_path)
