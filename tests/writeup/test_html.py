"""The report is one page that fetches nothing, says what is missing in words, and is drawn again to the byte."""

from __future__ import annotations

import dataclasses
import json
import re
import shutil
from html.parser import HTMLParser
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from pairdiff._errors import InputRefused, OutputRefused
from pairdiff.stills.draw import StillPicture
from pairdiff.writeup import html as page
from pairdiff.writeup.document import write_comparison
from pairdiff.writeup.html import render_report

VOID = {"meta", "link", "img", "br", "hr", "input", "path", "rect", "circle"}


class Page(HTMLParser):
    """Elements, text and nesting of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


def read(folder: Path) -> Page:
    return Page((folder / "report.html").read_text(encoding="utf-8"))


@pytest.fixture(scope="session")
def report(result_folder: Path) -> Page:
    return read(result_folder)


@pytest.fixture
def folder(result_folder: Path, tmp_path: Path) -> Path:
    """A copy that a test may spoil."""
    return Path(shutil.copytree(result_folder, tmp_path / "result"))


# ---------------------------------------------------------------- the page


def test_every_element_is_closed_in_order(report: Page) -> None:
    assert report.open == []


def test_nothing_points_outside_the_page(report: Page, result_folder: Path) -> None:
    for _, attributes in report.elements:
        for name in ("src", "href", "srcset", "action", "data", "xlink:href"):
            assert (attributes.get(name) or "#").startswith(("#", "data:"))
    text = re.sub(r"data:image/png;base64,[\w+/=]+", "", (result_folder / "report.html").read_text(encoding="utf-8"))
    assert "http:" not in text
    assert "https:" not in text
    assert "@import" not in text
    assert not report.all("script")


def test_the_page_is_laid_out_for_every_reader(report: Page) -> None:
    assert report.all("html") == [{"lang": "en"}]
    assert len(report.all("h1")) == 1
    assert len(report.all("main")) == 1
    assert any(meta.get("name") == "viewport" for meta in report.all("meta"))
    assert all((image.get("alt") or "").strip() for image in report.all("img"))
    assert all(head.get("scope") in ("row", "col") for head in report.all("th"))
    assert all(drawing.get("role") == "img" and drawing.get("aria-labelledby") for drawing in report.all("svg"))
    idents = [attributes["id"] for _, attributes in report.elements if "id" in attributes]
    assert len(idents) == len(set(idents))


def test_the_verdict_comes_first_with_its_support_and_intervals(report: Page, example: Any) -> None:
    text = report.text
    assert text.index(example.verdict.words) < text.index(example.verdict.sentence) < text.index("Support 93 %")
    assert text.index("Support 93 %") < text.index("Pictures The moments")
    assert "95 % interval 0.98 to 1.40" in text
    assert "clearly more" in text
    assert all(flip.replace("`", "").replace("cd/m2", "cd/m²")[:30] in text.replace("  ", " ") for flip in example.verdict.flips[1:])


def test_every_picture_of_every_moment_is_shown(report: Page, example_stills: Any) -> None:
    images = report.all("img")
    assert len(images) == len(example_stills)
    assert all((image["src"] or "").startswith("data:image/png;base64,") for image in images)


def test_absent_and_zero_declarations_are_told_apart(report: Page) -> None:
    assert "declared as 0, which means unknown" in report.text


def test_what_was_not_measured_is_said_in_words(examples: ModuleType, tmp_path: Path) -> None:
    write_comparison(examples.make_container_example(), (), tmp_path)
    text = read(tmp_path).text
    for words in (
        "Recovered detail: does not apply",
        "Shadow detail: not measured",
        "Shadows: not measured in this version",
        "Colour outside BT.709: does not apply (black-and-white picture)",
        "Tone relation: cannot tell",
        "Preference loss cannot tell",
        "No still pictures are stored",
        "None of the thresholds, displays and set-ups that were tried changes the label",
    ):
        assert words in text
    assert "None JOD" not in text
    assert "nan" not in text.lower().split()


def test_every_setting_stands_with_value_and_origin(report: Page, document: dict[str, Any]) -> None:
    for name in document["run"]["settings"]:
        assert name in report.text
    assert "BT.2100 reference display" in report.text
    assert "not set" in report.text


def test_words_from_files_and_options_are_escaped(examples: ModuleType, tmp_path: Path) -> None:
    hostile = "<script>alert(1)</script>\"'&<img src=x onerror=alert(1)>"
    example = examples.make_example(title=hostile)
    release = dataclasses.replace(example.hdr.release, path=f"{hostile}.mkv", notes=(f"`{hostile}`",))
    levels = dataclasses.replace(example.hdr.levels, condition=hostile)
    setup = dataclasses.replace(example.setup, name="controls")
    odd = dataclasses.replace(example.setups[0], name=hostile)
    write_comparison(
        dataclasses.replace(
            example,
            hdr=dataclasses.replace(example.hdr, release=release, levels=levels),
            setups=(odd, setup),
            settings={hostile: hostile},
        ),
        (),
        tmp_path,
    )
    found = read(tmp_path)
    assert found.open == []
    assert not found.all("script")
    assert not found.all("img")
    assert hostile in "".join(found.words)


def test_the_words_stay_neutral(report: Page) -> None:
    assert not re.search(r"\b(fake|fraud|cheat)", report.text, flags=re.IGNORECASE)


def test_a_report_drawn_again_is_the_same_to_the_byte(folder: Path) -> None:
    before = (folder / "report.html").read_bytes()
    (folder / "report.html").unlink()
    assert render_report(folder) == folder / "report.html"
    assert (folder / "report.html").read_bytes() == before


def test_a_page_with_large_grainy_pictures_keeps_its_budget(
    examples: ModuleType, example: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(page, "PICTURE_BUDGETS", {"model": 60_000, "bracket": 40_000, "difference": 20_000})
    grain = np.random.default_rng(0).integers(0, 255, (120, 200, 3), dtype=np.uint8)
    names = ["model-hdr", "model-sdr", "bracket-hdr-0", "bracket-sdr-0", "difference"]
    stills = [StillPicture(moment, name, "grain", grain) for moment in example.moments for name in names]
    write_comparison(example, stills, tmp_path)
    images = read(tmp_path).all("img")
    assert len(images) == 20
    assert sum(len(image["src"] or "") for image in images) < 4 / 3 * 120_000 + 40 * len(images)
    assert "the stored picture has 200" in read(tmp_path).text


def test_a_film_of_one_frame_without_rate_or_support_is_drawn(example: Any, tmp_path: Path) -> None:
    def without_rate(side: Any) -> Any:
        signal = dataclasses.replace(side.release.signal, frame_rate=dataclasses.replace(side.release.signal.frame_rate, value=None))
        return dataclasses.replace(side, release=dataclasses.replace(side.release, signal=signal))

    one = dataclasses.replace(
        example,
        hdr=without_rate(example.hdr),
        sdr=without_rate(example.sdr),
        hdr_frames=example.hdr_frames[:1],
        sdr_frames=example.sdr_frames[:1],
        pairs=(),
        verdict=dataclasses.replace(example.verdict, support={}),
    )
    write_comparison(one, (), tmp_path)
    assert read(tmp_path).open == []
    assert "No support was estimated" in read(tmp_path).text


# ---------------------------------------------------------------- refusal


def test_a_folder_without_a_result_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match=r"result\.json cannot be read .*run `pairdiff compare` with --out"):
        render_report(tmp_path)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("{", "is damaged"),
        ("[]", "is not a result of this version"),
        ('{"schema": "pairdiff-result/0"}', "is not a result of this version"),
        ('{"schema": "pairdiff-result/1"}', "does not follow the schema"),
    ],
)
def test_a_result_that_cannot_be_read_is_refused(folder: Path, content: str, words: str) -> None:
    before = (folder / "report.html").read_bytes()
    (folder / "result.json").write_text(content)
    with pytest.raises(InputRefused, match=words):
        render_report(folder)
    assert (folder / "report.html").read_bytes() == before


def test_a_damaged_table_is_refused(folder: Path) -> None:
    (folder / "frames.parquet").write_bytes(b"PAR1 and nothing more")
    with pytest.raises(InputRefused, match=r"frames\.parquet cannot be read"):
        render_report(folder)


def test_a_picture_that_is_gone_is_named(folder: Path) -> None:
    first = min((folder / "stills").glob("*.png"))
    first.unlink()
    with pytest.raises(InputRefused, match=f"{re.escape(first.name)} is missing or no picture"):
        render_report(folder)


def test_an_index_that_names_files_elsewhere_is_refused(folder: Path) -> None:
    index = json.loads((folder / "stills" / "index.json").read_text(encoding="utf-8"))
    index["moments"][0]["pictures"][0]["file"] = "../../secret.png"
    (folder / "stills" / "index.json").write_text(json.dumps(index))
    with pytest.raises(InputRefused, match="is not a PNG of that folder"):
        render_report(folder)


def test_a_folder_in_the_reports_place_is_refused(folder: Path) -> None:
    (folder / "report.html").unlink()
    (folder / "report.html").mkdir()
    with pytest.raises(OutputRefused, match="cannot write to"):
        render_report(folder)


# ---------------------------------------------------------------- a real browser


@pytest.mark.parametrize("width", [1280, 390])
def test_the_page_opens_from_the_disk_in_a_browser(result_folder: Path, width: int) -> None:
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright drives the browser")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Chromium is not installed")
    met: list[str] = []
    with sync_api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--disable-gpu", "--disable-background-networking"])
        context = browser.new_context(viewport={"width": width, "height": 844}, is_mobile=width < 600, offline=True)
        tab = context.new_page()
        tab.on("request", lambda request: None if request.url.startswith(("file:", "data:")) else met.append(request.url))
        tab.on("console", lambda message: met.append(message.text))
        tab.on("pageerror", lambda error: met.append(str(error)))
        tab.goto((result_folder / "report.html").resolve().as_uri())
        wide = tab.evaluate("document.documentElement.scrollWidth")
        broken = tab.evaluate("[...document.images].filter(image => !image.naturalWidth).length")
        shown = tab.evaluate("[...document.querySelectorAll('svg')].filter(drawing => drawing.getClientRects().length).length")
        small = tab.evaluate("Math.min(...[...document.querySelectorAll('svg')].map(s => s.getBoundingClientRect().width).filter(Boolean))")
        browser.close()
    assert met == []
    assert wide <= width
    assert broken == 0
    assert shown == 5
    assert small > 250
