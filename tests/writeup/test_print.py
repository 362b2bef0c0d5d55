"""The report on paper: nothing is cut off, nothing that only a pointer could show is left folded, and no control stands there idle."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

PAPER_COLUMNS = 698
"""Of A4 (210 mm at 96 pixels an inch, CSS Values 4, 6.1) less the page's own margins of 13 mm on either side."""


@pytest.fixture(scope="module")
def printed(browser: Any, result_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    pdf = tmp_path_factory.mktemp("paper") / "report.pdf"
    page = browser.new_context(offline=True, color_scheme="dark").new_page()
    page.goto((result_folder / "report.html").resolve().as_uri())
    page.get_by_role("button", name="One at a time", exact=True).first.click()
    page.pdf(path=str(pdf), format="A4", prefer_css_page_size=True)
    unfolded = page.evaluate("document.querySelectorAll('details[open].scopes').length")
    page.context.close()
    assert unfolded == 0  # afterwards the page is as it was
    return Path(pdf)


@pytest.fixture(scope="module")
def words(printed: Path) -> str:
    tool = shutil.which("pdftotext")
    if tool is None:
        pytest.skip("pdftotext (poppler) is not installed")
    text = subprocess.run([tool, "-layout", str(printed), "-"], capture_output=True, check=True, text=True).stdout
    return re.sub(r"\s+", " ", text)


@pytest.fixture
def paper(browser: Any, result_folder: Path) -> Iterator[Any]:
    page = browser.new_context(offline=True, viewport={"width": PAPER_COLUMNS, "height": 1000}).new_page()
    page.goto((result_folder / "report.html").resolve().as_uri())
    page.emulate_media(media="print")
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
    yield page
    page.context.close()


def test_nothing_is_wider_than_the_paper_or_cut_off_inside_a_box(paper: Any) -> None:
    assert paper.evaluate("document.documentElement.scrollWidth") <= PAPER_COLUMNS
    cut = paper.evaluate(
        """() => [...document.querySelectorAll('main *')].filter(one => !(one instanceof SVGElement) && one.getClientRects().length)
          .filter(one => getComputedStyle(one).overflow !== 'visible' && one.className !== 'frame')
          .filter(one => one.scrollHeight > one.clientHeight + 1 || one.scrollWidth > one.clientWidth + 1)
          .map(one => one.outerHTML.slice(0, 90))"""
    )
    assert cut == []
    beyond = paper.evaluate(
        """wide => [...document.querySelectorAll('main *')].filter(one => one.getClientRects().length)
          .filter(one => one.getBoundingClientRect().right > wide + 1)
          .map(one => one.outerHTML.slice(0, 90))""",
        PAPER_COLUMNS,
    )
    assert beyond == []


def test_tables_are_tables_and_charts_are_those_that_fit_the_paper(paper: Any) -> None:
    assert paper.locator(".roomy thead").first.bounding_box()["height"] > 8
    assert [one.get_attribute("class") for one in paper.locator(".film-levels .chart").all() if one.is_visible()] == ["chart middle"]
    assert paper.locator(".film-levels .middle svg").bounding_box()["width"] > 0.75 * PAPER_COLUMNS


def test_no_control_is_printed(paper: Any, words: str) -> None:
    shown = [one for one in paper.locator("button, input, nav").all() if one.is_visible()]
    assert shown == []
    for said in ("Next shot", "Enlarge", "Side by side Divided", "Save it as PNG", "Place in the film", "Skip to the verdict"):
        assert said not in words


def test_what_is_folded_on_the_screen_is_printed_and_the_long_lists_say_where_they_are(words: str, printed: Path) -> None:
    assert words.count("left to right in the picture") >= 8  # the scopes of every moment, both releases
    assert "a set named self-emissive" in words
    assert "settings; origin own is this project's choice (on the page, and in result.json)" in words
    assert "The label says what the pictures of these two files hold" in words  # the last line of the short form, which scrolls on a screen
    assert re.search(r"1 / (\d+)", words)
    assert int(re.search(r"1 / (\d+)", words)[1]) <= 30
