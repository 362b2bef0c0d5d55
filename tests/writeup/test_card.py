"""The card to share: a whole drawing of its own, right in any script, the same to the byte, and a PNG where the reader asks for one."""

from __future__ import annotations

import base64
import copy
import dataclasses
import json
import re
import shutil
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest

from pairdiff.writeup.bundle import make_bundle, verify_bundle
from pairdiff.writeup.card import CAUTION, describe_card, draw_card
from pairdiff.writeup.document import comparison_to_document, write_comparison
from pairdiff.writeup.html import render_report
from pairdiff.writeup.lead import choose_moment

SVG = "{http://www.w3.org/2000/svg}"
TITLES = {
    "latin": "The Salt Ferry " * 40,
    "capitals": "WWW MMM " * 60,
    "arabic": "عبّارة الملح " * 40,
    "hebrew": "מעבורת המלח " * 40,
    "chinese": "盐渡轮" * 80,
    "devanagari": "नमक की नाव " * 40,
    "turned": "\N{RIGHT-TO-LEFT OVERRIDE}Salt Ferry " * 40,
}


def words_of(svg: str) -> list[str]:
    return [one.text or "" for one in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def pixels_of(url: str) -> np.ndarray:
    data = base64.b64decode(url.split(",", 1)[1])
    return np.asarray(cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR))


@pytest.fixture(scope="module")
def card(result_folder: Path) -> str:
    return (result_folder / "card.svg").read_text(encoding="utf-8")


def test_it_says_verdict_figures_labels_and_caution(card: str, document: dict[str, Any]) -> None:
    root = ElementTree.fromstring(card)
    assert (root.attrib["width"], root.attrib["height"]) == ("1200", "630")
    said = " ".join(words_of(card)).replace("\N{NO-BREAK SPACE}", " ")
    chance = f"{100 * document['difference']['on_its_own']['notice_probability']['value']:.0f} %"
    for words in (document["title"], "HDR that widens the picture", "+1.87 stops", "1.18 JOD", chance, "93 %", CAUTION):
        assert words in said
    assert "95 % interval 0.98 to 1.40 JOD" in said
    assert "salt-ferry-hdr.mkv" in said
    assert "salt-ferry-sdr.mkv" in said
    assert "discs/" not in said  # the folders of whoever made it are nobody's business
    described = root.find(f"{SVG}desc")
    assert described is not None
    assert "HDR that widens the picture" in (described.text or "")


def test_it_shows_the_typical_moment_and_not_the_most_different_one(card: str, result_folder: Path) -> None:
    index = json.loads((result_folder / "stills" / "index.json").read_text())
    (number,) = [n for n, moment in enumerate(index["moments"]) if moment["rule"] == "typical"]
    assert number > 0
    assert choose_moment(index["moments"]) == number
    images = [one.attrib["href"] for one in ElementTree.fromstring(card).iter(f"{SVG}image")]
    for side, url in zip(("hdr", "sdr"), images, strict=True):
        (name,) = [one["file"] for one in index["moments"][number]["pictures"] if one["name"] == f"model-{side}"]
        np.testing.assert_array_equal(pixels_of(url), cv2.imread(str(result_folder / "stills" / name)))


def test_without_a_fair_moment_the_first_whole_one_is_taken() -> None:
    half = {"rule": "typical", "pictures": {"model-hdr": {}}}
    whole = {"rule": "most different", "pictures": {"model-hdr": {}, "model-sdr": {}}}
    assert choose_moment([half, whole]) == 1
    assert choose_moment([whole, whole | {"rule": "random"}]) == 1
    assert choose_moment([half]) is None
    assert choose_moment([]) is None


def test_the_same_results_give_the_same_bytes(result_folder: Path, tmp_path: Path) -> None:
    again = Path(shutil.copytree(result_folder, tmp_path / "again"))
    (again / "card.svg").unlink()
    render_report(again)
    assert (again / "card.svg").read_bytes() == (result_folder / "card.svg").read_bytes()


def test_a_result_without_pictures_has_a_card_of_words(document: dict[str, Any]) -> None:
    svg = draw_card(document, None)
    assert not list(ElementTree.fromstring(svg).iter(f"{SVG}image"))
    assert "median" not in svg.lower()


@pytest.mark.parametrize("title", ["<script>alert(1)</script>\"'&", "a\x00b\x1bc\udc80d\uffff", "]]><b>x</b>", " " * 50])
def test_any_title_gives_a_drawing_that_can_be_read(document: dict[str, Any], title: str) -> None:
    svg = draw_card(document | {"title": title}, None)
    root = ElementTree.fromstring(svg.encode("utf-8"))
    assert {one.tag.removeprefix(SVG) for one in root.iter()} <= {"svg", "title", "desc", "style", "rect", "text", "path", "image"}
    wanted = "".join("\N{REPLACEMENT CHARACTER}" if one in "\x00\x1b\udc80\uffff" else one for one in title).strip()
    assert wanted in words_of(svg)


@pytest.mark.parametrize("script", TITLES)
def test_words_of_any_script_stay_on_the_card(browser: Any, document: dict[str, Any], tmp_path: Path, script: str) -> None:
    svg = draw_card(document | {"title": TITLES[script]}, None, credit="")
    (tmp_path / "card.svg").write_text(svg, encoding="utf-8")
    met: list[str] = []
    page = browser.new_context(offline=True, viewport={"width": 1200, "height": 630}).new_page()
    page.on("console", lambda message: met.append(message.text))
    page.goto((tmp_path / "card.svg").resolve().as_uri())
    ends = page.evaluate("[...document.querySelectorAll('text')].map(one => one.getBBox()).map(box => [box.x, box.x + box.width])")
    page.context.close()
    assert met == []
    assert len(ends) > 10
    assert all(left >= -1 and right <= 1200 for left, right in ends), ends
    assert ends[1][1] > 600  # and it is not cut where there was room


def test_the_page_saves_it_as_png_with_the_network_off(browser: Any, result_folder: Path, tmp_path: Path) -> None:
    met: list[str] = []
    page = browser.new_context(offline=True, accept_downloads=True, viewport={"width": 390, "height": 844}).new_page()
    page.on("console", lambda message: met.append(message.text))
    page.on("pageerror", lambda error: met.append(str(error)))
    page.goto((result_folder / "report.html").resolve().as_uri())
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Save it as PNG").click()
    waiting.value.save_as(tmp_path / "card.png")
    page.context.close()
    assert met == []
    saved = cv2.imread(str(tmp_path / "card.png"))
    assert saved.shape == (630, 1200, 3)
    drawn = ElementTree.fromstring((result_folder / "card.svg").read_bytes())
    for image in drawn.iter(f"{SVG}image"):
        x, y, wide, high = (float(image.attrib[name]) for name in ("x", "y", "width", "height"))
        wanted = cv2.resize(pixels_of(image.attrib["href"]), (round(wide), round(high)), interpolation=cv2.INTER_AREA)
        found = saved[round(y) : round(y) + round(high), round(x) : round(x) + round(wide)]
        assert np.abs(cv2.blur(found, (9, 9)).astype(float) - cv2.blur(wanted, (9, 9))).mean() < 3


def test_the_report_leads_to_it_with_its_alternative_text(result_folder: Path, card: str) -> None:
    text = (result_folder / "report.html").read_text(encoding="utf-8")
    assert '<a href="card.svg">' in text
    described = re.search(r"<desc[^>]*>([^<]+)</desc>", card)
    assert described is not None
    assert f"Its alternative text: {described[1]}".replace("\N{NO-BREAK SPACE}", " ") in text.replace("\N{NO-BREAK SPACE}", " ")


def test_a_bundle_has_one_with_its_credit_line_that_is_held_to_its_bytes(result_folder: Path, tmp_path: Path) -> None:
    page = make_bundle(result_folder, tmp_path / "bundle", credit="The Salt Ferry, <someone>, 2026", widths=(100,))
    card = page.with_name("card.svg")
    assert any("The Salt Ferry, <someone>, 2026" in words for words in words_of(card.read_text(encoding="utf-8")))
    assert 'href="card.svg"' in page.read_text(encoding="utf-8")
    assert "card.svg\n  alt: The Salt Ferry, HDR and SDR release compared" in page.with_name("texts.txt").read_text(encoding="utf-8")
    assert "  card.svg\n" in page.with_name("SHA256SUMS").read_text()
    assert {one.file: one.state for one in verify_bundle(page.parent)}["card.svg"] == "as written"
    card.write_bytes(card.read_bytes().replace(b"widens", b"widened"))
    assert {one.file: one.state for one in verify_bundle(page.parent)}["card.svg"] == "changed"


def test_headroom_that_was_not_measured_is_said_in_words(example: Any, tmp_path: Path) -> None:
    missing = dataclasses.replace(example.headroom, status="not_applicable", stops=None)
    result = comparison_to_document(dataclasses.replace(example, headroom=missing))
    assert "does not apply" in words_of(draw_card(result, None))
    write_comparison(dataclasses.replace(example, moments=()), (), tmp_path / "bare")
    assert "does not apply" not in (tmp_path / "bare" / "card.svg").read_text(encoding="utf-8")


def test_nothing_in_a_title_turns_the_figures_behind_it(document: dict[str, Any]) -> None:
    """An override that is left open would (Unicode Annex 9)."""
    turned = {**document, "title": "\N{RIGHT-TO-LEFT OVERRIDE}abc\N{RIGHT-TO-LEFT ISOLATE}"}
    assert describe_card(turned, None) == describe_card({**document, "title": "abc"}, None)
    assert draw_card(turned, None) == draw_card({**document, "title": "abc"}, None)


def test_a_headroom_over_another_white_is_not_given_to_the_set_that_the_sentence_names(document: dict[str, Any]) -> None:
    changed = copy.deepcopy(document)
    changed["headroom"].update(stops=-0.2, stops_controls=0.0, uses_peak_ratio=False)
    white = next(one["white_nits"] for one in changed["setups"] if one["name"] == "gain")
    assert f"with a gain alone, white at {white:.0f} cd/m²" in describe_card(changed, None)
    assert f"with a gain alone, white at {white:.0f} cd/m²" in " ".join(words_of(draw_card(changed, None)))
