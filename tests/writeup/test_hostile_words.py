"""Titles, file names and metadata that try to be something else are shown as the text they are, in Chromium, on screens of three widths."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from pairdiff._records import Damage
from pairdiff.writeup.bundle import make_bundle
from pairdiff.writeup.document import write_comparison

RUNS = (
    "<script>window.ran = 1; alert(1)</script>",
    "<img src=x onerror='window.ran = 2'>",
    '"><svg onload="window.ran = 3">',
    "</title></style></script></pre><b>bold</b>",
    "{{ 7 * 7 }} {% raw %} ${window.ran = 4} javascript:window.ran=5",
    "'\"`&amp;&lt;\\",
    "\N{RIGHT-TO-LEFT OVERRIDE}olleh\N{RIGHT-TO-LEFT ISOLATE} \N{ARABIC LETTER ALEF}\N{HEBREW LETTER SHIN}\N{ZERO WIDTH SPACE}",
    "`code` and `<i>more</i>` cd/m2 controls \N{COMBINING ACUTE ACCENT}\N{COMBINING DOUBLE TILDE}",
)
HOSTILE = " ".join(RUNS) + " " + "x" * 2000 + " " + "word " * 300
HOSTILE += "y" * max(4000 - len(HOSTILE), 0)
PLANTED = "img[src='x'], svg[onload], title b, h1 *, pre *, a[href^='javascript']"
"""What would be there if any of it were read as mark-up."""


@pytest.fixture(scope="module")
def pages(examples: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    example = examples.make_example(title=HOSTILE)
    name = "/films/" + "a" * 3000 + HOSTILE[:900] + ".mkv"
    release = dataclasses.replace(example.hdr.release, path=name, notes=(HOSTILE,), codec="<b>codec</b>")
    declared = dataclasses.replace(release.declared, dynamic=(RUNS[0],))
    damage = (Damage("<b>fault</b>", 7, HOSTILE[:600]),)
    settings = dict(example.settings) | {"anchor": [HOSTILE[:600]]}
    hostile = dataclasses.replace(
        example,
        hdr=dataclasses.replace(example.hdr, release=dataclasses.replace(release, declared=declared), damage=damage),
        alignment=dataclasses.replace(example.alignment, notes=(HOSTILE,)),
        coverage=dataclasses.replace(example.coverage, notes=(HOSTILE,)),
        versions=dict(example.versions) | {"<b>library</b>": "<b>1.0</b>"},
        settings=settings,
    )
    out = tmp_path_factory.mktemp("hostile") / "result"
    write_comparison(hostile, examples.make_stills(hostile), out)
    bundle = make_bundle(out, out.with_name("bundle"), credit=HOSTILE, widths=(100,))
    return {"report": out / "report.html", "bundle": bundle}


def plain(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip()


@pytest.mark.parametrize("width", [1280, 768, 390])
@pytest.mark.parametrize("name", ["report", "bundle"])
def test_hostile_words_are_shown_as_text_and_nothing_runs(browser: Any, pages: dict[str, Path], name: str, width: int) -> None:
    met: list[str] = []
    context = browser.new_context(offline=True, viewport={"width": width, "height": 900})
    page = context.new_page()
    page.on("console", lambda message: met.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: met.append(f"error: {error}"))
    page.on("dialog", lambda dialog: (met.append("dialog"), dialog.dismiss()))
    page.on("request", lambda request: met.append(request.url) if not request.url.startswith(("file:", "data:")) else None)
    page.goto(pages[name].resolve().as_uri())
    assert page.locator(".label").bounding_box()["y"] < 900  # the verdict is in sight below any title
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true })")
    page.wait_for_timeout(100)
    assert met == []
    assert page.evaluate("window.ran") is None
    assert page.locator(PLANTED).count() == 0
    assert plain(page.locator("h1").text_content()) == plain(HOSTILE[:160]) + "\N{HORIZONTAL ELLIPSIS}"
    assert plain(page.locator("header details p").text_content()) == plain(HOSTILE)
    assert plain(page.title()).startswith(plain(RUNS[0]))
    if name == "report":
        cells = [plain(text) for text in page.locator("td").all_text_contents()]
        assert any("a" * 3000 + RUNS[0] in text for text in cells)
        said = plain(page.locator("main").text_content())
        for words in (*RUNS[:5], "<b>codec</b>", "<b>fault</b>", "<b>library</b> <b>1.0</b>"):
            assert plain(words) in said
    else:
        assert plain(page.locator(".credit").first.text_content()) == plain(HOSTILE)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    context.close()


FIND_TURNED = """() => {
  const found = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT), range = document.createRange()
  for (let node = walk.nextNode(); node; node = walk.nextNode()) {
    if (/script|style|pre/i.test(node.parentElement.tagName) || node.textContent.includes("\\u202e")) continue
    for (const word of node.textContent.matchAll(/[a-z]{2,}/gi)) {
      const at = n => { range.setStart(node, n); range.setEnd(node, n + 1); return range.getBoundingClientRect() }
      const first = at(word.index), last = at(word.index + word[0].length - 1)
      if (first.width && first.top === last.top && first.left > last.left) found.push(word[0])
    }
  }
  return found
}"""


@pytest.mark.parametrize("name", ["report", "bundle"])
def test_words_that_turn_the_line_round_turn_nothing_but_themselves(browser: Any, pages: dict[str, Path], name: str) -> None:
    """Unicode Standard Annex 9: an override holds to the end of its paragraph or isolate. What stands beside it still runs to the right."""
    page = browser.new_context(offline=True, viewport={"width": 1280, "height": 900}).new_page()
    page.goto(pages[name].resolve().as_uri())
    assert page.evaluate(FIND_TURNED) == []
    page.evaluate("document.querySelector('main').insertAdjacentHTML('beforeend', '<p><b>\u202e</b><i>planted</i></p>')")
    assert page.evaluate(FIND_TURNED) == ["planted"]
    page.context.close()
