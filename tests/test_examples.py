"""The scripts of examples/ run as a user would run them."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest
from scipy.stats import binomtest

import pairdiff
from tests.shelf._titles import Titles
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


def test_a_figure_is_drawn_from_a_shelf(project_root: Path, tmp_path: Path) -> None:
    """Read by Python's own parser of XML: a bar a title with a headroom, the longest first, and titles as text."""
    titles = Titles()
    hostile = '<script>alert("x")</script> & \x1b[31m\u202e]]>'
    for number in range(6):
        folder = titles.write(tmp_path / str(number), number, **({"run__coverage__mode": "survey"} if number == 5 else {}))
        pairdiff.keep(folder, archive=tmp_path / "archive", title=hostile if number == 2 else None)
    done = run_example(project_root, "shelf_figure.py", tmp_path / "figure.svg", tmp_path / "archive")
    assert done.returncode == 0, done.stderr
    assert "5 titles drawn in" in done.stdout
    assert "0 without a headroom and 1 measured otherwise are left out" in done.stdout
    svg = "{http://www.w3.org/2000/svg}"
    drawing = ElementTree.parse(tmp_path / "figure.svg").getroot()
    bars = [one for one in drawing.iter(f"{svg}rect") if one.find(f"{svg}title") is not None]
    stops = sorted((titles.document(number)["headroom"]["stops"] for number in range(5)), reverse=True)
    widths = [float(bar.attrib["width"]) for bar in bars]
    assert np.allclose(np.array(widths) / widths[0], np.abs(stops) / stops[0], atol=0.01)
    assert not list(drawing.iter(f"{svg}script"))
    assert any("<script>" in (one.text or "") for one in drawing.iter(f"{svg}text"))
    empty = run_example(project_root, "shelf_figure.py", tmp_path / "no.svg", tmp_path / "nowhere")
    assert empty.returncode != 0
    assert "holds no archive" in empty.stderr


@pytest.mark.parametrize("name", ["rank_titles.py", "compare_two_files.py", "shelf_figure.py"])
def test_a_script_without_arguments_says_how_it_is_used(project_root: Path, name: str) -> None:
    done = run_example(project_root, name)
    assert done.returncode == 2
    assert f"python {name}" in done.stderr


def test_a_blind_page_counts_what_was_picked(project_root: Path, tmp_path: Path) -> None:
    """In Chromium, by someone who sees the HDR side every time and by someone who always takes the first picture. Interval: scipy."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright drives the browser")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Chromium is not installed")
    folder = make_result(tmp_path / "result")
    done = run_example(project_root, "blind_page.py", folder, tmp_path / "page.html", "--trials", 8, "--seed", 5)
    assert done.returncode == 0, done.stderr
    met: list[str] = []
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--disable-gpu"])
        for knows in (True, False):
            page = browser.new_context(offline=True).new_page()
            page.on("console", lambda message: met.append(message.text))
            page.on("pageerror", lambda error: met.append(str(error)))
            page.goto((tmp_path / "page.html").resolve().as_uri())
            assert page.locator("#result").is_hidden()
            assert page.locator("#stage").is_hidden()
            trials = json.loads(page.locator("#data").text_content() or "")["trials"]
            page.keyboard.press("Enter")
            for _, hdr_first in trials:
                page.keyboard.press("f")  # before both were seen: no answer
                shown = page.locator("#stage img").get_attribute("src")
                page.keyboard.press("2")  # at once: too fast
                assert page.locator("#stage img").get_attribute("src") == shown
                page.wait_for_timeout(360)
                page.keyboard.press("2")
                assert page.locator("#stage img").get_attribute("src") != shown
                page.keyboard.press("f" if hdr_first or not knows else "j")
            hits = 8 if knows else sum(first for _, first in trials)
            ends = binomtest(hits, 8).proportion_ci(method="wilson")
            said = page.locator("#count").inner_text()
            assert f"{hits} of 8 trials: {100 * hits / 8:.0f} %" in said
            assert f"interval {100 * ends.low:.0f} % to {100 * ends.high:.0f} %" in said
            assert "predicts 89 %" in page.locator("#prediction").inner_text()
            with page.expect_download() as waiting:
                page.keyboard.press("Enter")
            waiting.value.save_as(tmp_path / "answers.json")
            kept = json.loads((tmp_path / "answers.json").read_text())
            assert (kept["hits"], kept["trials"], kept["seed"], len(kept["answers"])) == (hits, 8, 5, 8)
        browser.close()
    assert met == []
    assert sum(first for _, first in trials) == 4
    assert run_example(project_root, "blind_page.py", tmp_path, tmp_path / "no.html").returncode == 3


def make_result(folder: Path) -> Path:
    """What the blind page needs of a result: two moments of plain colour, and a title that would end a script."""
    (folder / "stills").mkdir(parents=True)
    moments = []
    for number, codes in enumerate(((200, 120), (90, 60)), 1):
        pictures = []
        for side, code in zip(("hdr", "sdr"), codes, strict=True):
            name = f"{number}-model-{side}.png"
            cv2.imwrite(str(folder / "stills" / name), np.full((36, 64, 3), code, np.uint8))
            pictures.append({"name": f"model-{side}", "file": name})
        moments.append({"rule": "random", "hdr_frame": number, "pictures": pictures})
    (folder / "stills" / "index.json").write_text(json.dumps({"moments": moments}))
    own = {"status": "measured", "notice_probability": {"value": 0.89}}
    (folder / "result.json").write_text(json.dumps({"title": "</script><script>x", "difference": {"on_its_own": own}}))
    return folder
