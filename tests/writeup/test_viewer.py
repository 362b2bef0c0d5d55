"""The report's pictures looked at in Chromium: side by side, divided, one at a time, enlarged; by hand and by key, and never too fast."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import colour
import cv2
import numpy as np
import pyarrow.parquet as pq
import pytest

LEAST_CHANGE_S = 1 / 3
"""WCAG 2.2, 2.3.1: no more than three flashes in a second; here not even three changes."""
COUNT_CHANGES = """() => {
  const pair = document.querySelector('.pair'), times = []
  let before = pair.dataset.shown + pair.dataset.way
  new MutationObserver(() => {
    const now = pair.dataset.shown + pair.dataset.way
    if (now !== before) { times.push(performance.now()); before = now }
  }).observe(pair, { attributes: true })
  window.changes = times
}"""


@pytest.fixture
def tab(browser: Any, result_folder: Path, request: pytest.FixtureRequest) -> Iterator[Any]:
    """The page, with what the console said; `indirect` gives options of the context."""
    met: list[str] = []
    context = browser.new_context(offline=True, **getattr(request, "param", {"viewport": {"width": 1280, "height": 900}}))
    page = context.new_page()
    page.on("console", lambda message: met.append(message.text))
    page.on("pageerror", lambda error: met.append(str(error)))
    page.goto((result_folder / "report.html").resolve().as_uri())
    yield page
    context.close()
    assert met == []


def press(tab: Any, name: str) -> None:
    tab.locator(".viewer").first.get_by_role("button", name=name, exact=True).click()


def press_space(tab: Any, *, seconds: float) -> list[float]:
    """Space pressed as fast as it goes, one picture at a time; when something changed, milliseconds."""
    press(tab, "One at a time")
    tab.evaluate(COUNT_CHANGES)
    tab.locator(".pair").first.focus()
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        tab.keyboard.press(" ")
    found: list[float] = tab.evaluate("changes")
    return found


def box(tab: Any, side: str) -> dict[str, float]:
    found: dict[str, float] = tab.locator(f".of-{side} .frame").first.bounding_box()
    return found


def test_pictures_stand_side_by_side_until_something_else_is_chosen(tab: Any) -> None:
    first, second = box(tab, "hdr"), box(tab, "sdr")
    assert first["x"] + first["width"] <= second["x"]
    assert first["y"] == second["y"]
    assert first["width"] == pytest.approx(second["width"], abs=1)


def test_divided_pictures_lie_on_each_other_and_the_line_says_where_one_ends(tab: Any) -> None:
    press(tab, "Divided")
    assert box(tab, "hdr") == box(tab, "sdr")
    slider = tab.locator(".viewer input").first
    slider.focus()
    for _ in range(20):
        tab.keyboard.press("ArrowRight")
    tab.wait_for_timeout(600)
    clip = tab.locator(".of-hdr .frame").first.evaluate("frame => getComputedStyle(frame).clipPath")
    assert clip == "inset(0px 30% 0px 0px)"
    place = box(tab, "sdr")
    tab.mouse.click(place["x"] + place["width"] * 0.25, place["y"] + 20)
    tab.wait_for_timeout(600)
    assert abs(float(slider.input_value()) - 25) <= 1


def test_one_at_a_time_shows_the_other_by_button_and_by_space(tab: Any) -> None:
    press(tab, "One at a time")
    assert tab.locator(".of-hdr").first.is_visible()
    assert not tab.locator(".of-sdr img").first.is_visible()
    tab.wait_for_timeout(400)
    press(tab, "Show SDR")
    assert tab.locator(".of-sdr img").first.is_visible()
    assert not tab.locator(".of-hdr img").first.is_visible()
    assert tab.locator(".said").first.inner_text() == "SDR is shown"
    tab.wait_for_timeout(400)
    tab.locator(".pair").first.focus()
    tab.keyboard.press(" ")
    assert tab.locator(".of-hdr img").first.is_visible()
    assert not tab.locator(".of-sdr img").first.is_visible()


def test_it_never_changes_three_times_a_second_however_fast_keys_are_pressed(tab: Any) -> None:
    times = press_space(tab, seconds=2.5)
    assert len(times) >= 4
    assert min(second - first for first, second in pairwise(times)) >= 1000 * LEAST_CHANGE_S
    assert len(times) <= 8


def test_ways_of_showing_change_no_faster(tab: Any) -> None:
    tab.evaluate(COUNT_CHANGES)
    tab.evaluate(
        """() => new Promise(done => { const [both, divided, single] = document.querySelectorAll('.viewer .ways button'); let n = 0
        const timer = setInterval(() => { [both, single][n++ % 2].click(); if (n > 200) { clearInterval(timer); done() } }, 5) })"""
    )
    times = tab.evaluate("changes")
    assert times
    assert all(second - first >= 1000 * LEAST_CHANGE_S for first, second in pairwise(times))


def test_the_line_cannot_be_jerked_to_and_fro(tab: Any) -> None:
    press(tab, "Divided")
    moved = tab.evaluate(
        """() => new Promise(done => { const pair = document.querySelector('.pair'), slider = document.querySelector('.viewer input')
        const start = performance.now(); let far = 0, before = 0.5, n = 0
        const timer = setInterval(() => { slider.value = n++ % 2 ? 0 : 100; slider.oninput()
          const line = parseFloat(pair.style.getPropertyValue('--line')) / 100; far += Math.abs(line - before); before = line
          if (performance.now() - start > 2000) { clearInterval(timer); done(far / ((performance.now() - start) / 1000)) } }, 20) })"""
    )
    assert moved <= 3.0  # widths of the picture a second


@pytest.mark.parametrize("tab", [{"reduced_motion": "reduce"}], indirect=True)
def test_who_wants_less_motion_gets_less(tab: Any) -> None:
    assert 1 <= len(press_space(tab, seconds=2.5)) <= 3


def test_nothing_changes_by_itself(tab: Any) -> None:
    press(tab, "One at a time")
    tab.evaluate(COUNT_CHANGES)
    tab.wait_for_timeout(1500)
    assert tab.evaluate("changes") == []
    assert tab.evaluate("document.getAnimations().length") == 0


def test_both_pictures_are_enlarged_and_moved_together(tab: Any) -> None:
    press(tab, "Enlarge")
    press(tab, "Enlarge")
    tab.locator(".pair").first.focus()
    for _ in range(30):
        tab.keyboard.press("ArrowRight")
    styles = tab.eval_on_selector_all(".frame img", "images => images.slice(0, 2).map(image => image.style.transform)")
    assert styles[0] == styles[1] == "translate(-100%, -50%) scale(2)"  # the right half, and no further
    place = box(tab, "hdr")
    tab.mouse.move(place["x"] + 10, place["y"] + 50)
    tab.mouse.down()
    tab.mouse.move(place["x"] + 10 + place["width"] / 2, place["y"] + 50)
    tab.mouse.up()
    styles = tab.eval_on_selector_all(".frame img", "images => images.slice(0, 2).map(image => image.style.transform)")
    assert styles[0] == styles[1]
    assert styles[0].startswith("translate(-50%,")
    tab.keyboard.press("0")
    assert tab.eval_on_selector_all(".frame img", "images => images.slice(0, 2).map(image => image.style.transform)") == ["", ""]


@pytest.mark.parametrize("tab", [{"viewport": {"width": 390, "height": 844}}], indirect=True)
@pytest.mark.parametrize("way", ["Side by side", "Divided", "One at a time"])
def test_a_telephone_shows_every_way_within_its_width(tab: Any, way: str) -> None:
    if way != "Side by side":
        press(tab, way)
    press(tab, "Enlarge")
    assert tab.evaluate("document.documentElement.scrollWidth") <= 390


@pytest.mark.parametrize("tab", [{"java_script_enabled": False}], indirect=True)
def test_without_scripts_the_pictures_stand_side_by_side(tab: Any) -> None:
    assert tab.locator(".viewer").count() == 0
    assert box(tab, "hdr")["x"] < box(tab, "sdr")["x"]


def test_on_paper_both_pictures_stand_side_by_side_whole(tab: Any) -> None:
    press(tab, "Divided")
    press(tab, "Enlarge")
    tab.emulate_media(media="print")
    first, second = box(tab, "hdr"), box(tab, "sdr")
    assert first["x"] + first["width"] <= second["x"]
    assert tab.locator(".of-hdr img").first.evaluate("image => getComputedStyle(image).transform") == "none"
    assert tab.locator(".of-hdr .frame").first.evaluate("frame => getComputedStyle(frame).clipPath") == "none"
    assert not tab.locator(".viewer").first.is_visible()


@pytest.mark.parametrize("tab", [{"viewport": {"width": 1280, "height": 900}}, {"viewport": {"width": 390, "height": 844}}], indirect=True)
def test_a_place_on_the_time_axis_opens_the_moment_next_to_it(tab: Any) -> None:
    charts = tab.locator("svg[data-time]")
    chart = next(one for one in charts.all() if one.is_visible())
    start, stop, left, right = map(float, chart.get_attribute("data-time").split())
    links = [(float(link.get_attribute("data-at")), link.get_attribute("href")) for link in tab.locator(".moments a").all()]
    assert len(links) > 2
    chart.scroll_into_view_if_needed()
    place = chart.bounding_box()
    wide = float(chart.get_attribute("viewBox").split()[2])
    for time_s, target in links[:3]:
        tab.evaluate("window.scrollTo(0, 0)")
        chart.scroll_into_view_if_needed()
        across = (left + (right - left) * (time_s - start) / (stop - start)) / wide
        chart.click(position={"x": place["width"] * across, "y": 60})
        assert tab.evaluate("'#' + document.activeElement.id") == target
        assert -1 <= tab.locator(target).bounding_box()["y"] < 200


def test_the_list_of_moments_leads_there_as_well(tab: Any) -> None:
    link = tab.locator(".moments a").nth(1)
    link.click()
    assert -1 <= tab.locator(link.get_attribute("href")).bounding_box()["y"] < 200


def test_a_table_is_downloaded_with_the_network_off(tab: Any, tmp_path: Path) -> None:
    with tab.expect_download() as waiting:
        tab.get_by_role("link", name="shots.csv").click()
    waiting.value.save_as(tmp_path / "shots.csv")
    assert waiting.value.suggested_filename == "shots.csv"
    assert (tmp_path / "shots.csv").read_text().startswith("shot,first_time_s,last_time_s,pairs,")


def test_levels_are_read_off_the_time_axis_by_pointer_and_by_key(tab: Any, result_folder: Path) -> None:
    """Against the table of frames."""
    table = pq.read_table(result_folder / "frames.parquet", columns=["hdr_time_s", "hdr_max_nits"])
    times_s, peaks_nits = (table.column(name).to_numpy() for name in ("hdr_time_s", "hdr_max_nits"))
    chart = tab.locator(".film-levels .wide svg")
    chart.scroll_into_view_if_needed()
    box = chart.bounding_box()
    start, stop, left, right = map(float, chart.get_attribute("data-time").split())
    wide = float(chart.get_attribute("width"))
    asked_s = start + 0.6 * (stop - start)
    tab.mouse.move(box["x"] + box["width"] * (left + 0.6 * (right - left)) / wide, box["y"] + 60)
    said = tab.locator(".readout").inner_text()
    shown_s = tab.evaluate("JSON.parse(document.getElementById('levels-data').textContent).times_s[document.getElementById('place').value]")
    assert abs(shown_s - asked_s) < (stop - start) / 300
    near_nits = peaks_nits[np.abs(times_s - shown_s) < (stop - start) / 800]
    peak = float(re.search(r"brightest pixel ([\d.]+)", said)[1])
    assert near_nits.min() * 0.999 <= peak <= near_nits.max() * 1.001
    assert "Film time" in said
    assert "SDR at controls" in said
    tab.locator("#place").focus()
    tab.keyboard.press("ArrowRight")
    assert tab.locator(".readout").inner_text() != said
    line = tab.locator(".film-levels .wide svg .place").get_attribute("d")
    tab.keyboard.press("End")
    assert tab.locator(".film-levels .wide svg .place").get_attribute("d") != line


@pytest.mark.parametrize("tab", [{"viewport": {"width": 1280, "height": 900}}, {"viewport": {"width": 390, "height": 844}}], indirect=True)
def test_shots_are_gone_through_one_by_one_and_say_their_figures(tab: Any) -> None:
    rows = tab.evaluate("JSON.parse(document.getElementById('levels-data').textContent).shots")
    assert len(rows["ends"]) == 24
    for number in (1, 2, 3):
        said = tab.locator(".readout").inner_text()
        assert f"Shot {number} of 24" in said
        for words, values in rows["rows"]:
            assert f"{words} {values[number - 1]}" in said
        tab.get_by_role("button", name="Next shot").click()
    tab.get_by_role("button", name="Previous shot").click()
    assert "Shot 3 of 24" in tab.locator(".readout").inner_text()
    chart = next(one for one in tab.locator("svg[data-time]").all() if one.is_visible())
    start, stop, left, right = map(float, chart.get_attribute("data-time").split())
    middle = left + (right - left) * (sum(rows["ends"][2]) / 2 - start) / (stop - start)
    assert float(re.match(r"M([\d.]+) ", chart.locator(".place").get_attribute("d"))[1]) == pytest.approx(middle, abs=0.01)
    assert tab.evaluate("document.documentElement.scrollWidth") <= tab.viewport_size["width"]


@pytest.mark.parametrize(
    "tab", [{"viewport": {"width": 1280, "height": 900}, "color_scheme": scheme} for scheme in ("dark", "light")], indirect=True
)
def test_text_stands_out_from_its_ground_in_light_and_in_dark(tab: Any) -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1, of every element that holds text of its own."""
    rows = tab.evaluate(
        """() => {
          const parse = text => text.match(/[\\d.]+/g).map(Number)
          const ground = element => {
            for (let one = element; one; one = one.parentElement) {
              const colour = parse(getComputedStyle(one).backgroundColor)
              if (colour.length < 4 || colour[3] > 0.99) return colour.slice(0, 3)
            }
            return [255, 255, 255]
          }
          const own = element => [...element.childNodes].some(node => node.nodeType === 3 && node.textContent.trim())
          return [...document.querySelectorAll("body *:not(script):not(style)")].filter(one => own(one) && one.getClientRects().length)
            .map(one => [one.tagName + "." + one.className, parse(getComputedStyle(one)[one instanceof SVGElement ? "fill" : "color"]),
              ground(one), one.disabled === true])
        }"""
    )

    def luminance(colour: list[float]) -> float:
        linear = [value / 255 / 12.92 if value <= 10 else ((value / 255 + 0.055) / 1.055) ** 2.4 for value in colour[:3]]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    assert len(rows) > 200
    for name, text, ground, disabled in rows:
        high, low = sorted((luminance(text), luminance(ground)), reverse=True)
        assert disabled or (high + 0.05) / (low + 0.05) >= 4.5, (name, text, ground)


def test_a_place_in_a_scope_is_told_in_its_units(tab: Any) -> None:
    """PQ by colour-science."""
    tab.locator(".scopes summary").first.click()
    scopes = tab.locator(".scopes").first
    charts = scopes.locator("svg")
    for number, kind in enumerate(("light", "light", "colour", "colour", "tone")):
        chart = charts.nth(number)
        chart.scroll_into_view_if_needed()
        box, scale = chart.bounding_box(), chart.get_attribute("data-scale").split()
        top, floor = map(float, {"light": scale[1:3], "colour": scale[3:5], "tone": scale[3:5]}[kind])
        high = float(chart.get_attribute("height"))
        tab.mouse.move(box["x"] + 0.3 * box["width"], box["y"] + box["height"] * (floor - 0.6 * (floor - top)) / high)
        said = chart.locator(".scope-said").text_content()
        if kind == "colour":
            assert abs(float(re.search(r"v' ([\d.]+)", said)[1]) - 0.36) < 0.01
        else:
            nits = float(re.search(r"([\d.]+) cd/m²$", said)[1])
            assert nits == pytest.approx(float(colour.models.eotf_ST2084(0.6)), rel=0.06)


@pytest.mark.parametrize(("columns", "rows"), [(1280, 900), (390, 1300)])
def test_verdict_and_proof_are_seen_before_anything_is_scrolled(browser: Any, result_folder: Path, columns: int, rows: int) -> None:
    """On a telephone within a page and a half; the label is the largest of all words."""
    tab = browser.new_context(offline=True, viewport={"width": columns, "height": rows}).new_page()
    tab.goto((result_folder / "report.html").resolve().as_uri())
    places = [tab.locator(one).first.bounding_box() for one in (".label", ".sentence", ".proof img", ".figures dd")]
    tops = [place["y"] for place in places]
    assert tops == sorted(tops)
    assert tops[0] + places[0]["height"] < 480
    assert tops[2] + places[2]["height"] < rows
    sizes = tab.eval_on_selector_all(
        "h1, h2, h3, p, dd", "all => all.map(one => [parseFloat(getComputedStyle(one).fontSize), one.className])"
    )
    tab.context.close()
    assert max(sizes)[1] == "label"


@pytest.mark.parametrize("tab", [{"color_scheme": "dark"}, {"color_scheme": "light"}], indirect=True)
def test_scopes_have_the_colour_of_their_side_and_no_box_of_another_ground(tab: Any) -> None:
    """As they are drawn on the screen: where nothing lies the page shows, and what lies there has the hue of the side."""
    tab.locator(".scopes summary").first.click()
    for number, reddish in ((0, True), (1, False)):
        chart = tab.locator(".scopes").first.locator("svg").nth(number)
        chart.scroll_into_view_if_needed()
        data = np.frombuffer(chart.screenshot(), np.uint8)
        shown = cv2.imdecode(data, cv2.IMREAD_COLOR).astype(int)
        scale = shown.shape[1] / float(chart.get_attribute("width"))
        top, floor, left, right = (round(place * scale) for place in (12, 272, 48, 406))
        inside = shown[top:floor, left:right].reshape(-1, 3)
        assert (np.abs(inside - 0x1C).max(axis=1) <= 2).mean() > 0.1  # the ground of the room, and nothing darker
        assert not (inside.max(axis=1) < 0x1C - 3).any()
        blue, _, red = inside[inside.max(axis=1) > 150].mean(axis=0)
        assert bool(red > blue + 30) is reddish
        assert bool(blue > red + 30) is not reddish


@pytest.mark.parametrize(
    ("tab", "kind"),
    [({"viewport": {"width": wide, "height": 900}}, kind) for wide, kind in ((1280, "wide"), (768, "middle"), (390, "narrow"))],
    indirect=["tab"],
)
def test_each_screen_shows_one_drawing_of_each_chart_that_fills_it(tab: Any, kind: str) -> None:
    shown = [one for one in tab.locator(".film-levels .chart").all() if one.is_visible()]
    assert [one.get_attribute("class") for one in shown] == [f"chart {kind}"]
    assert shown[0].locator("svg").bounding_box()["width"] > 0.85 * tab.viewport_size["width"] - 40
