"""The scripts of examples/ run as a user would run them."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.small_clips import SmallPair


def run_example(root: Path, name: str, *words: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(root / "examples" / name), *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, timeout=300, env={**os.environ, "PYTHONPATH": str(root)})


def test_every_example_has_a_test(project_root: Path) -> None:
    tested = Path(__file__).read_text(encoding="utf-8")
    names = [path.name for path in (project_root / "examples").glob("*.py")]
    assert names
    assert all(f'"{name}"' in tested for name in names)


def test_two_files_are_compared_and_the_verdict_is_printed(project_root: Path, small_pair: SmallPair, tmp_path: Path) -> None:
    done = run_example(project_root, "compare_two_files.py", small_pair.hdr, small_pair.sdr, tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert "SDR picture in an HDR container" in done.stdout
    assert "because: " in done.stdout
    assert (tmp_path / "out" / "report.html").exists()


def test_a_refusal_reaches_the_caller_of_the_example(project_root: Path, small_pair: SmallPair, tmp_path: Path) -> None:
    done = run_example(project_root, "compare_two_files.py", tmp_path / "nowhere.mkv", small_pair.sdr, tmp_path / "out")
    assert done.returncode == 3
    assert "nowhere.mkv" in done.stderr


def test_pictures_in_memory_get_the_labels_they_were_made_for(project_root: Path) -> None:
    done = run_example(project_root, "compare_pictures.py")
    assert done.returncode == 0, done.stderr
    assert "graded for HDR: HDR that widens the picture" in done.stdout
    assert "SDR at 150 cd/m2: SDR picture in an HDR container" in done.stdout
    assert "white 150 cd/m2, gamma 2.40" in done.stdout


def test_titles_are_ranked_and_one_without_a_value_comes_last(project_root: Path, tmp_path: Path) -> None:
    made = {"a": (None, "undetermined"), "b": (0.4, "restrained-hdr"), "c": (2.1, "wider-range"), "d": (-0.2, "different-grade")}
    for name, (stops, label) in made.items():
        (tmp_path / name).mkdir()
        result = {"title": f"Film {name}", "headroom": {"stops": stops}, "verdict": {"label": label}}
        (tmp_path / name / "result.json").write_text(json.dumps(result))
    done = run_example(project_root, "rank_titles.py", tmp_path)
    assert done.returncode == 0, done.stderr
    assert [line.split()[-1] for line in done.stdout.splitlines()] == ["c", "b", "d", "a"]
    assert "no value" in done.stdout.splitlines()[-1]


def test_a_folder_that_is_not_there_or_holds_no_results_is_told(project_root: Path, tmp_path: Path) -> None:
    for folder, words in ((tmp_path / "nowhere", "is not a folder"), (tmp_path, "holds no */result.json")):
        done = run_example(project_root, "rank_titles.py", folder)
        assert done.returncode == 2
        assert done.stdout == ""
        assert str(folder) in done.stderr
        assert words in done.stderr


@pytest.mark.parametrize("name", ["rank_titles.py", "compare_two_files.py"])
def test_a_script_without_arguments_says_how_it_is_used(project_root: Path, name: str) -> None:
    done = run_example(project_root, name)
    assert done.returncode == 2
    assert f"python {name}" in done.stderr
