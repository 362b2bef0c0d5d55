"""What cannot be compared is refused: clear words on standard error, the right exit code, nothing on standard output, no result.json.

Exit codes (they are part of the interface): 2 bad usage, 3 input refused, 4 unrelated films, 5 output cannot be written, 130 interrupted.
"""

from __future__ import annotations

import json
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from tests._clips import NO_TAGS, SDR_TAGS, encode_clip, moving_planes
from tests.small_clips import SmallPair
from tests.whole.conftest import Started

Run = Callable[..., subprocess.CompletedProcess[str]]
Start = Callable[..., Started]


@pytest.fixture(scope="module")
def odd_files(tmp_path_factory: pytest.TempPathFactory, small_pair: SmallPair) -> dict[str, Path]:
    """Files that make trouble, by what is wrong with them; and the two good ones, `hdr` and `sdr`."""
    folder = tmp_path_factory.mktemp("odd")
    names = {name: folder / name for name in ("missing.mkv", "empty.mkv", "text.mkv", "copy.mkv", "folder")}
    names["empty.mkv"].write_bytes(b"")
    names["text.mkv"].write_text("This is a shopping list, not a film.\n" * 50, encoding="utf-8")
    names["copy.mkv"].write_bytes(small_pair.hdr.read_bytes())
    names["folder"].mkdir()
    other = encode_clip(folder / "other.mkv", moving_planes(60, bits=8), codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS)
    untagged = encode_clip(folder / "untagged.mkv", moving_planes(12), tags=NO_TAGS)
    one = encode_clip(folder / "one.mkv", moving_planes(1, bits=8), codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS)
    return {**names, "one.mkv": one, "other.mkv": other, "untagged.mkv": untagged, "hdr": small_pair.hdr, "sdr": small_pair.sdr}


CASES = [
    pytest.param("sdr", "hdr", 3, ["swapped", "Give the HDR file first"], id="swapped sides"),
    pytest.param("hdr", "hdr", 3, ["same file"], id="one file given twice"),
    pytest.param("hdr", "copy.mkv", 3, ["same file twice", "identical"], id="a copy of the file"),
    pytest.param("other.mkv", "sdr", 3, ["HDR release", "BT.1886", "not HDR", "--hdr-transfer"], id="SDR given as HDR"),
    pytest.param("untagged.mkv", "sdr", 3, ["untagged.mkv", "--hdr-transfer"], id="an untagged HDR file"),
    pytest.param("hdr", "untagged.mkv", 3, ["untagged.mkv", "--sdr-transfer"], id="an untagged SDR file"),
    pytest.param("missing.mkv", "sdr", 3, ["missing.mkv", "HDR release"], id="a missing HDR file"),
    pytest.param("hdr", "missing.mkv", 3, ["missing.mkv", "SDR release"], id="a missing SDR file"),
    pytest.param("text.mkv", "sdr", 3, ["text.mkv", "video"], id="a text file"),
    pytest.param("empty.mkv", "sdr", 3, ["empty.mkv", "empty"], id="an empty file"),
    pytest.param("folder", "sdr", 3, ["folder"], id="a folder"),
    pytest.param("hdr", "other.mkv", 4, ["do not seem to belong together", "No frame of one could be matched"], id="unrelated films"),
    pytest.param("hdr", "one.mkv", 3, ["holds 1 frame: that is a still picture", "at least 8 frames"], id="a still picture"),
]


@pytest.mark.parametrize(("hdr", "sdr", "code", "words"), CASES)
def test_what_cannot_be_compared_is_refused_with_clear_words(
    odd_files: dict[str, Path], hdr: str, sdr: str, code: int, words: list[str], run_pairdiff: Run, tmp_path: Path
) -> None:
    done = run_pairdiff("compare", odd_files[hdr], odd_files[sdr], "--out", tmp_path / "out", "--json")
    assert done.returncode == code, done.stderr
    assert done.stdout == ""
    assert [word for word in words if word not in done.stderr] == [], done.stderr
    assert "Traceback" not in done.stderr
    assert not list(tmp_path.rglob("*.json"))
    assert not list(tmp_path.rglob("report.html"))


@pytest.mark.slow
def test_a_refusal_says_that_an_earlier_result_stays(odd_files: dict[str, Path], run_pairdiff: Run, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run_pairdiff("compare", odd_files["hdr"], odd_files["sdr"], "--out", out).returncode == 0
    kept = (out / "result.json").read_bytes()
    done = run_pairdiff("compare", odd_files["hdr"], odd_files["other.mkv"], "--out", out)
    assert done.returncode == 4
    assert f"{out} still holds the result of an earlier run, not of this one." in done.stderr
    assert (out / "result.json").read_bytes() == kept


def test_an_untagged_file_is_measured_once_the_named_options_are_given(odd_files: dict[str, Path], run_pairdiff: Run) -> None:
    named = ("--hdr-transfer", "pq", "--hdr-primaries", "bt2020", "--hdr-matrix", "bt2020-ncl", "--hdr-range", "narrow")
    done = run_pairdiff("measure", odd_files["untagged.mkv"], *named, "--json")
    assert done.returncode == 0, done.stderr
    transfer = json.loads(done.stdout)["signal"]["transfer"]
    assert transfer["value"] == "pq"
    assert "option" in transfer["source"]


# ---------------------------------------------------------------- a file cut off in the middle


@pytest.mark.parametrize("side", ["hdr", pytest.param("sdr", marks=pytest.mark.slow)])
def test_a_file_cut_off_in_the_middle_is_measured_up_to_the_cut_and_the_report_says_so(
    small_pair: SmallPair, side: str, run_pairdiff: Run, tmp_path: Path
) -> None:
    whole = getattr(small_pair, side).read_bytes()
    cut = tmp_path / f"cut-{side}.mkv"
    cut.write_bytes(whole[: len(whole) * 7 // 10])
    pair = small_pair._replace(**{side: cut})
    done = run_pairdiff("compare", pair.hdr, pair.sdr, "--out", tmp_path / "out", "--json")
    assert done.returncode == 0, done.stderr
    result = json.loads(done.stdout)
    assert result == json.loads((tmp_path / "out/result.json").read_text(encoding="utf-8"))
    assert 20 < result["run"]["coverage"][f"{side}_frames"] < 60
    assert result["alignment"]["offset_frames"] == 0
    assert result["verdict"]["label"] in ("sdr-in-hdr-container", "undetermined")
    notes = [note for note in result["run"]["coverage"]["notes"] if side.upper() in note and "truncated" in note]
    assert notes, result["run"]["coverage"]["notes"]
    report = (tmp_path / "out/report.html").read_text(encoding="utf-8")
    assert "cut off" in report or "truncated" in report


# ---------------------------------------------------------------- output, options, interruption


@pytest.mark.parametrize("place", ["a file in the way", "a file as a parent", "a file system nobody can write"])
def test_an_output_that_cannot_be_written_ends_with_5_before_any_work(
    small_pair: SmallPair, place: str, run_pairdiff: Run, tmp_path: Path
) -> None:
    (tmp_path / "taken").write_text("mine", encoding="utf-8")
    out = {"a file in the way": tmp_path / "taken", "a file as a parent": tmp_path / "taken/out"}.get(place, Path("/proc/pairdiff"))
    done = run_pairdiff("compare", *small_pair, "--out", out, "--json")
    assert done.returncode == 5, done.stderr
    assert done.stdout == ""
    assert str(out) in done.stderr
    assert "--out" in done.stderr
    assert "measure the" not in done.stderr
    assert (tmp_path / "taken").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--nonsense"], "--nonsense"),
        (["--hdr-range", "wide"], "narrow"),
        (["--min-score", "high"], "--min-score"),
        (["--full", "--survey"], "--survey"),
        (["--sdr-gamma", "-1"], "sdr"),
    ],
)
def test_a_bad_option_ends_with_2_and_names_it(
    small_pair: SmallPair, words: list[str], said: str, run_pairdiff: Run, tmp_path: Path
) -> None:
    done = run_pairdiff("compare", *small_pair, "--out", tmp_path / "out", "--json", *words)
    assert done.returncode == 2, done.stderr
    assert done.stdout == ""
    assert said in done.stderr
    assert not (tmp_path / "out").exists()


def test_an_interrupted_run_ends_with_130_and_leaves_no_result(small_pair: SmallPair, start_pairdiff: Start, tmp_path: Path) -> None:
    run = start_pairdiff("compare", *small_pair, "--out", tmp_path / "out", "--json", "--full")
    run.wait_for("fit the SDR set")
    run.process.send_signal(signal.SIGINT)
    code, out, said = run.finish()
    assert code == 130, said
    assert out == ""
    assert "Interrupted" in said
    assert "Traceback" not in said
    assert not list(tmp_path.rglob("result.json"))
    assert not list(tmp_path.rglob("report.html"))
