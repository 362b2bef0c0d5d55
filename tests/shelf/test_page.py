"""The shelf as a page: what lies where in its field, which report a point opens, and how it reads and works in Chromium."""

from __future__ import annotations

import base64
import hashlib
import itertools
import math
import random
import re
import shutil
import time
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urljoin, urlsplit

import numpy as np
import pytest
from coloraide import Color

import pairdiff
from pairdiff._errors import InputRefused, OutputRefused, UsageError
from pairdiff.shelf.archive import Archive
from pairdiff.shelf.page import find_report, make_address
from pairdiff.writeup.field import (
    ACROSS,
    FIGURES,
    SHAPES,
    UP,
    Field,
    Title,
    _set_beside,
    count_bins,
    draw_distribution,
    draw_field,
    find_quantile,
    make_axis,
    render_fields,
    say_distribution,
)
from tests.shelf._titles import Titles
from tests.writeup.test_hostile_words import FIND_TURNED

Call = Callable[..., int]
CSS = Path(pairdiff.__file__).parent / "writeup/templates"
HOSTILE = (
    "<script>window.ran = 1</script>",
    "'\"><img src=x onerror='window.ran = 2'>",
    '"><svg onload="window.ran = 3">',
    "</title></style></script></table><b>bold</b>",
    "{{ 7 * 7 }} ${window.ran = 4} javascript:window.ran=5 &amp;&lt;\\`",
    "\N{RIGHT-TO-LEFT OVERRIDE}olleh\N{RIGHT-TO-LEFT ISOLATE} \N{ARABIC LETTER ALEF}\N{HEBREW LETTER SHIN}",
    "x" * 4000,
    "long word " * 400,
    "\N{COMBINING DOUBLE TILDE}" * 40,
)


def make_title(number: int, **changes: Any) -> Title:
    """An invented title, other in every figure from that of another number."""
    draw = random.Random(number)
    figures = {
        "headroom_stops": draw.uniform(-0.3, 3.6),
        "notice_probability": draw.uniform(0.5, 0.99),
        "notice_1_share": draw.uniform(0, 0.9),
        "outside_709_share": draw.uniform(0, 0.2),
        "recovered_jnd": draw.uniform(0, 20),
    }
    stated: dict[str, Any] = {
        "run": f"{number:032x}",
        "title": f"Film {number}",
        "edition": "4K disc" if number % 2 else "",
        "region": ("", "DE", "JP")[number % 3],
        "year": None if number % 10 == 9 else 1990 + number % 30,
        "label": list(SHAPES)[number % len(SHAPES)],
        "figures": figures | changes.pop("figures", {}),
        "missing": {},
        "ratio": False,
        "address": f"reports/{number}.html",
        "place": "result folder",
    }
    return Title(**stated | changes)


def make_field(count: int, *, first: int = 0, **changes: Any) -> Field:
    return Field("pairdiff 1, survey", (), [make_title(number, **changes) for number in range(first, first + count)])


class Elements(HTMLParser):
    """Every element of a page with its attributes, in order, and the words of some."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, {name: value or "" for name, value in attrs}))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    def of(self, tag: str, word: str = "") -> list[dict[str, str]]:
        return [held for name, held in self.found if name == tag and word in [*held.get("class", "").split(), ""]]


def places(drawn: str) -> dict[str, tuple[str, float, float]]:
    """Part of the field and place of each point, per cent."""
    found, part, run = {}, "", ""
    for tag, held in Elements(drawn).found:
        if tag == "div" and held.get("class") in ("left", "plot", "foot", "corner"):
            part = held["class"]
        run = held.get("data-run", run)
        if tag == "use":
            found[run] = (part, float(held["x"].rstrip("%")), float(held["y"].rstrip("%")))
    return found


# ---------------------------------------------------------------- drawing


@pytest.mark.parametrize("seed", range(20))
def test_an_axis_holds_all_values_and_ends_at_round_ticks(seed: int) -> None:
    draw = random.Random(seed)
    values = [draw.uniform(-3, 3) * 10 ** draw.uniform(-3, 4) for _ in range(draw.randrange(8))]
    axis = make_axis(values, least=(0.0, 1.0))
    assert axis.low <= min([0.0, *values])
    assert axis.high >= max([1.0, *values])
    assert (axis.low, axis.high) == pytest.approx((axis.ticks[0], axis.ticks[-1]))
    steps = np.diff(axis.ticks)
    assert steps == pytest.approx(steps[0])
    mantissa = steps[0] / 10 ** math.floor(math.log10(steps[0]) + 1e-9)
    assert min(abs(mantissa - round_one) for round_one in (1, 2, 5)) < 1e-6
    assert 3 <= len(axis.ticks) <= 10


def test_bins_and_quantiles_are_those_of_numpy() -> None:
    """numpy.histogram, and numpy.quantile by its default, which is definition 7 of Hyndman and Fan, Am. Stat. 50 (1996)."""
    values = sorted(np.random.default_rng(5).uniform(-1, 3.9, 101).tolist())
    axis = make_axis(values, least=(0.0, 1.0))
    assert count_bins([*values, axis.high], axis, 16) == np.histogram([*values, axis.high], 16, (axis.low, axis.high))[0].tolist()
    for share in (0.0, 0.1, 0.25, 0.5, 0.77, 1.0):
        assert find_quantile(values, share) == pytest.approx(np.quantile(values, share))


def test_a_point_lies_at_its_figures_on_the_ticks_that_are_drawn() -> None:
    field = make_field(30)
    drawn = draw_field(field, ident="f")
    ticks = re.findall(r'<text x="([\d.]+)%" y="([\d.]+)%"[^>]*class="(mid|end) dim">([^<]+)</text>', drawn)
    number = {
        side: [(float(x if side == "mid" else y), float(word.replace("\N{MINUS SIGN}", "-"))) for x, y, s, word in ticks if s == side]
        for side in ("mid", "end")
    }
    (right, across), (height, up) = (np.polyfit(*zip(*number[side], strict=True), 1) for side in ("mid", "end"))
    for one in field.titles:
        part, x, y = places(drawn)[one.run]
        assert part == "plot"
        assert right * x + across == pytest.approx(one.figures[ACROSS.name], abs=0.01)
        assert height * y + up == pytest.approx(one.figures[UP.name], abs=0.01)


@pytest.mark.parametrize(
    ("none", "part"),
    [(("headroom_stops",), "left"), (("recovered_jnd",), "foot"), (("headroom_stops", "recovered_jnd"), "corner")],
)
def test_what_has_no_value_stands_at_the_edge_with_a_word_and_never_at_0(none: tuple[str, ...], part: str) -> None:
    without = make_title(1, figures=dict.fromkeys(none), missing=dict.fromkeys(none, "does not apply"))
    field = Field("words", (), [make_title(2), without])
    drawn = draw_field(field, ident="f")
    lies, *at = places(drawn)[without.run]
    assert lies == part
    assert all(20 <= at[UP.name == name] <= 80 for name in none)  # well inside its strip
    assert {"left": "no headroom", "foot": "no recovered detail", "corner": "neither"}[part] in Elements(drawn).words
    assert "does not apply" in next(held for _, held in Elements(drawn).found if held.get("data-run") == without.run)["aria-label"]
    if none[0] == "headroom_stops":
        assert say_distribution(field, ACROSS).endswith("no distribution; 1 without a value is not counted")
        assert draw_distribution(field, ACROSS) == ""


def aside(drawn: str) -> dict[str, tuple[float, float]]:
    """How far each point is moved from its place, pixels."""
    moves = re.findall(r'data-run="(\w+)"[^>]*><use [^>]*?(?: transform="translate\((\S+) (\S+)\)")?/>', drawn)
    return {run: (float(x or 0), float(y or 0)) for run, x, y in moves}


def test_points_of_one_place_stand_side_by_side_and_the_others_where_they_are() -> None:
    """Ten films with the same figures, as containers have them, one almost there and one apart."""
    same = {"headroom_stops": 0.0, "recovered_jnd": 0.0}
    there = [make_title(number, figures=same) for number in range(10)]
    near = make_title(10, figures={**same, "headroom_stops": 0.001})
    alone = make_title(11, figures={"headroom_stops": 2.0, "recovered_jnd": 9.0})
    moved = aside(draw_field(Field("words", (), [*there, near, alone]), ident="f"))
    assert len(moved) == 12
    assert moved.pop(alone.run) == (0.0, 0.0)
    assert all(math.dist(one, other) >= 11 for one, other in itertools.combinations(moved.values(), 2))  # a symbol is as wide
    assert all(x >= 0 >= y for x, y in moved.values())  # at the corner of the field: inwards
    field = make_field(2)
    assert set(aside(draw_field(field, ident="f")).values()) == {(0.0, 0.0)}


def test_points_across_the_border_of_two_cells_are_near_too() -> None:
    places_ = [(0.599, 1.2), (0.601, 1.2), (50.0, 1.2), (50.0, 1.2 + 0.61)]
    first, second, *apart = _set_beside(places_, most=(7, 5))
    assert first != second
    assert apart == [(0.0, 0.0)] * 2


@pytest.mark.parametrize(("most", "size"), [((7, 5), (66, 44)), ((1, 5), (0, 44)), ((7, 1), (66, 0)), ((1, 1), (0, 0))])
def test_however_many_share_a_place_they_stay_in_their_part_of_the_field(most: tuple[int, int], size: tuple[int, int]) -> None:
    moved = np.array(_set_beside([(50.0, 50.0)] * 300, most=most))
    assert np.ptp(moved, axis=0).tolist() == list(size)
    assert moved.mean(axis=0) == pytest.approx([0, 0], abs=1)
    for corner, inwards in (((0.0, 0.0), (1, 1)), ((100.0, 100.0), (-1, -1))):
        assert (np.array(_set_beside([corner] * 300, most=most)) * inwards >= 0).all()


def test_every_label_has_a_shape_of_its_own() -> None:
    assert len({shape for shape, _ in SHAPES.values()}) == len({drawn for _, drawn in SHAPES.values()}) == 6
    field = make_field(6)
    for one in field.titles:
        (use,) = re.findall(rf'data-run="{one.run}"[^>]*><use href="#([^"]+)"', draw_field(field, ident="f"))
        assert use == f"is-{one.label}"


def colours(scheme: str) -> dict[str, str]:
    sheets = "".join((CSS / name).read_text(encoding="utf-8").split("@media print")[0] for name in ("report.css", "field.css"))
    blocks = re.findall(r"(@media screen and \(prefers-color-scheme: dark\) \{\s*)?:root \{(.*?)\}", sheets, flags=re.DOTALL)
    own = "".join(body for dark, body in blocks if bool(dark) == (scheme == "dark"))
    return dict(re.findall(r"--([\w-]+): (#\w+);", own))


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_marks_stand_out_from_the_ground_and_colours_from_each_other_for_colour_blind_readers(scheme: str) -> None:
    """WCAG 2.2, 1.4.11: 3 to 1 against what is beside it. Colour vision as Machado, Oliveira and Fernandes 2009 model it; 5 of CIEDE2000
    is own: shapes tell labels apart, colours need only not contradict them."""
    found = colours(scheme)
    marks = [Color(found[name]) for name in ("wider", "sparing", "grade", "stretched", "container", "open")]
    for ground in ("ground", "panel"):
        assert all(mark.contrast(Color(found[ground]), method="wcag21") >= 3 for mark in marks)
    for kind in ("protan", "deutan", "tritan"):
        seen = [mark.filter(kind, 1, method="machado") for mark in marks]
        assert min(a.delta_e(b, method="2000") for n, a in enumerate(seen) for b in seen[:n]) > 5, kind


# ---------------------------------------------------------------- the page of an archive


@pytest.fixture
def shelf_of(titles: Titles, tmp_path: Path) -> Callable[..., Path]:
    """An archive of results with other changes each; `results/N` is where each lay."""

    def make(*changes: dict[str, Any], **words: Any) -> Path:
        for number, one in enumerate(changes):
            folder = titles.write(tmp_path / "results" / str(number), number, **one)
            pairdiff.keep(folder, archive=tmp_path / "archive", **words)
        return tmp_path / "archive"

    return make


def rows_of(page: Path) -> list[dict[str, str]]:
    return [held for held in Elements(page.read_text(encoding="utf-8")).of("tr") if "data-run" in held]


def test_the_page_holds_every_run_with_its_figures_and_asks_nothing_of_the_network(kept: Path, tmp_path: Path) -> None:
    shelf = pairdiff.open_shelf(kept)
    page = shelf.report(tmp_path / "new" / "shelf.html")
    text = page.read_text(encoding="utf-8")
    runs = {row["run"]: row for row in shelf.list_runs().rows}
    assert {held["data-run"] for held in rows_of(page)} == set(runs)
    for held in rows_of(page):
        for figure in FIGURES:
            stated, value = held[f"data-{figure.name.replace('_', '-')}"], runs[held["data-run"]][figure.name]
            assert (None if stated == "" else float(stated)) == value
    elements = Elements(text)
    assert not [
        held for tag, held in elements.found if tag in ("link", "img", "iframe", "object") and not held.get("href", "").startswith("data:")
    ]
    assert not re.findall(r"https?://(?!www\.w3\.org/2000/svg)|@import|url\(", text)
    (script,) = re.findall(r"<script>(.*?)</script>", text, flags=re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    (policy,) = [held["content"] for held in elements.of("meta") if held.get("http-equiv") == "Content-Security-Policy"]
    assert policy == f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"
    assert shelf.report(tmp_path / "new" / "shelf.html").read_text(encoding="utf-8") == text


def test_a_run_without_recovered_detail_says_why(kept: Path, tmp_path: Path) -> None:
    text = pairdiff.open_shelf(kept).report(tmp_path / "shelf.html").read_text(encoding="utf-8")
    assert 'data-c="Recovered detail">does not apply</td>' in text  # as result.json of every seventh title has it


def test_runs_that_were_measured_otherwise_have_a_field_of_their_own_and_it_is_said_why(
    shelf_of: Callable[..., Path], tmp_path: Path
) -> None:
    archive = shelf_of({"run__coverage__mode": "full"}, {}, {})
    text = pairdiff.open_shelf(archive).report(tmp_path / "shelf.html").read_text(encoding="utf-8")
    first, second = re.split(r'<div class="protocol" id="field-\d+"', text)[1:]
    assert [part.count("<tr data-run") for part in (first, second)] == [2, 1]
    assert "apart, since measured otherwise: <bdi>every pair scored, not read whole, pairs sampled" in text
    runs = {held["data-run"] for held in Elements(second).of("a", "point") + Elements(second).of("g", "point")}
    assert len(runs) == 1
    assert runs.isdisjoint(re.findall(r'data-run="(\w+)"', first))


def resolve(page: Path, address: str) -> Path:
    """Where a browser goes from a page: RFC 3986, 5.2, as urllib has it."""
    return Path(unquote(urlsplit(urljoin(page.resolve().as_uri(), address)).path))


def test_a_point_opens_the_kept_copy_else_the_result_folder_else_says_that_there_is_none(titles: Titles, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    names = ("kept, gone", "lies", "none", "javascript:alert(1) #1?%41 \N{GREEK SMALL LETTER ALPHA}")
    for number, name in enumerate(names):
        folder = titles.write(tmp_path / name, number)
        if name != "none":
            (folder / "report.html").write_text(name, encoding="utf-8")
        pairdiff.keep(folder, archive=archive, with_report=number == 0, title=f"t{number}")
    shutil.rmtree(tmp_path / names[0])
    page = pairdiff.open_shelf(archive).report(tmp_path / "shelf.html")
    elements = Elements(page.read_text(encoding="utf-8"))
    runs = {row["title"]: row["run"] for row in pairdiff.open_shelf(archive).list_runs().rows}
    links = {held["data-run"]: held["href"] for held in elements.of("a", "point")}
    assert set(links) == {runs["t0"], runs["t1"], runs["t3"]}
    for number in (0, 1, 3):
        address = links[runs[f"t{number}"]]
        assert resolve(page, address).read_text(encoding="utf-8") == names[number]
        assert not urlsplit(address).scheme  # it may move with its folders
    assert archive in resolve(page, links[runs["t0"]]).parents
    assert any(re.match(r"None in the archive .*, and none in .*none, where the result lay", word) for word in elements.words)
    assert [held["data-run"] for held in elements.of("g", "point")] == [runs["t2"]]


def test_a_report_that_shares_the_root_alone_with_the_page_has_a_whole_address() -> None:
    assert make_address(Path("/films/a b/report.html"), beside=Path("/pages")) == "file:///films/a%20b/report.html"
    assert make_address(Path("/films/a b/report.html"), beside=Path("/films/pages")) == "../a%20b/report.html"


@pytest.mark.parametrize("folder", ["/films/" + "a" * 5000, "/films/\0", "", None])
def test_a_result_folder_that_cannot_be_looked_at_is_none(tmp_path: Path, folder: str | None) -> None:
    address, place = find_report(Archive(tmp_path), {"run": "0" * 32, "folder": folder}, beside=tmp_path)
    assert address is None
    assert place.startswith("None in the archive")


def test_runs_of_one_title_are_said_to_count_each() -> None:
    assert "another run" not in render_fields([make_field(4)], place="p")
    titles = [make_title(number, title="One", edition="", region="") for number in range(3)]
    page = render_fields([Field("w", (), titles)], place="p")
    assert "2 of them are another run of a title that is there already" in page
    assert "<h1>A shelf of 1 title in 3 runs</h1>" in page
    assert "Each figure over all 3 runs of this way" in page
    assert "<h1>A shelf of 4 titles</h1>" in render_fields([make_field(4)], place="p")


def test_conditions_choose_and_are_said(kept: Path, tmp_path: Path) -> None:
    page = pairdiff.open_shelf(kept).report(tmp_path / "shelf.html", where=["year>=2010", "headroom>1"])
    found = {row["run"] for row in pairdiff.open_shelf(kept).list_runs(where=["year>=2010", "headroom>1"]).rows}
    assert 0 < len(found) < 20
    assert {held["data-run"] for held in rows_of(page)} == found
    assert "headroom&gt;1" in page.read_text(encoding="utf-8")


def test_refusals_say_what_to_do(kept: Path, tmp_path: Path) -> None:
    shelf = pairdiff.open_shelf(kept)
    with pytest.raises(UsageError, match=r"--out: found '.*film\.mkv', expected a file whose name ends in \.html"):
        shelf.report(tmp_path / "film.mkv")
    with pytest.raises(InputRefused, match="No page is written: no run meets the conditions"):
        shelf.report(tmp_path / "shelf.html", where=["year>2100"])
    (tmp_path / "folder.html").mkdir()
    with pytest.raises(OutputRefused, match=r"Cannot write to .*folder\.html"):
        shelf.report(tmp_path / "folder.html")
    (tmp_path / "empty" / "schema-1").mkdir(parents=True)
    with pytest.raises(InputRefused, match="nothing is kept yet; `pairdiff keep DIR`"):
        pairdiff.open_shelf(tmp_path / "empty").report(tmp_path / "shelf.html")
    assert not (tmp_path / "shelf.html").exists()


def test_the_word_behind_shelf_writes_the_page_and_the_list_goes_on_working(
    call: Call, kept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert call("shelf", "report", "--archive", kept, "--where", "headroom>1") == 0
    assert capsys.readouterr().out == "Page: shelf.html\n"
    assert (tmp_path / "shelf.html").is_file()
    assert call("shelf", "--archive", kept, "--sort", "headroom", "--limit", 3) == 0
    assert capsys.readouterr().out.startswith("By headroom: ")
    assert call("shelf", "--archive", kept, "report") == 2
    assert "--archive stands before `report`, and belongs to the list" in capsys.readouterr().err
    assert call("shelf", "no-such-word") == 2
    assert call("shelf", "report", "--archive", kept, "--out", "page.txt") == 2
    assert call("shelf", "report", "--archive", kept, "--out", "page.html", "--where", "nothing") == 2


def test_hostile_words_make_no_element_and_no_attribute() -> None:
    plain = Elements(render_fields([make_field(len(HOSTILE))], place="p"))
    field = Field("w", (), [make_title(n, title=words, edition=words, address=None, place=words) for n, words in enumerate(HOSTILE)])
    page = render_fields([field], place=HOSTILE[0], conditions=[HOSTILE[1]], notes=[HOSTILE[2]])
    elements = Elements(page)
    assert {tag for tag, _ in elements.found} <= {tag for tag, _ in plain.found} | {"details", "summary", "b", "code"}
    assert {name for _, held in elements.found for name in held} <= {name for _, held in plain.found for name in held} | {
        "role",
        "tabindex",
    }
    said = "".join(elements.words)
    assert all(words in said for words in HOSTILE)


# ---------------------------------------------------------------- in Chromium


def write_page(folder: Path, fields: list[Field], **words: Any) -> Path:
    page = folder / "shelf.html"
    page.write_text(render_fields(fields, place="the archive", **words), encoding="utf-8")
    return page


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Titles of two protocols, some without figures, some with words that try to be something else."""
    folder = tmp_path_factory.mktemp("page")
    titles = list(make_field(40).titles)
    titles += [make_title(50 + n, title=words, region=words[:60]) for n, words in enumerate(HOSTILE)]
    titles += [
        make_title(70, figures={"headroom_stops": None}),
        make_title(71, figures={"recovered_jnd": None}, address=None, place="/" + "a" * 300),
    ]
    (folder / "reports").mkdir()
    (folder / "reports" / "7.html").write_text("<title>report of 7</title>", encoding="utf-8")
    apart = Field("pairdiff 1, every pair scored", ("every pair scored, not survey",), make_field(3, first=80).titles)
    return write_page(folder, [Field("pairdiff 1, survey", (), titles), apart])


def open_page(browser: Any, file: Path, met: list[str], *, width: int = 1280, **how: Any) -> Any:
    page = browser.new_context(offline=True, viewport={"width": width, "height": 900}, **how).new_page()
    page.on("console", lambda message: met.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: met.append(f"error: {error}"))
    page.on("request", lambda request: met.append(request.url) if not request.url.startswith(("file:", "data:")) else None)
    page.goto(file.resolve().as_uri())
    return page


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (768, "dark"), (390, "light")])
def test_it_is_read_on_every_screen_without_a_serious_fault(browser: Any, page_file: Path, width: int, scheme: str) -> None:
    """axe-core (MPL 2.0) judges; hostile titles run nothing and stay inside the page."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-core judges the pages")
    met: list[str] = []
    page = open_page(browser, page_file, met, width=width, color_scheme=scheme)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.evaluate("window.ran") is None
    assert met == []
    page.click(f".protocol:not([hidden]) tr[data-run='{make_title(55).run}'] .choose")  # one that turns its line round
    assert page.evaluate(FIND_TURNED) == []
    names = page.locator(".protocol >> nth=0 >> .titles .name").all_text_contents()
    assert {words for words in HOSTILE if len(words) <= 160} <= set(names)
    serious = [one for one in axe.Axe().run(page).response["violations"] if one["impact"] in ("serious", "critical")]
    assert not serious, [(one["id"], one["nodes"][0]["html"][:300], one["nodes"][0].get("failureSummary")) for one in serious]
    page.context.close()


def shown(page: Any) -> list[str]:
    return page.evaluate(
        "[...document.querySelectorAll('.protocol:not([hidden]) tbody tr:not([hidden]) .name')].map(one => one.textContent)"
    )


def test_titles_are_found_filtered_and_sorted_without_a_reload(browser: Any, page_file: Path) -> None:
    met: list[str] = []
    page = open_page(browser, page_file, met)
    page.fill("#search", "FILM 3")
    assert set(shown(page)) == {"Film 3", *(f"Film {n}" for n in range(30, 40))}
    assert page.inner_text("#count").startswith("11 of 51 titles shown")
    page.fill("#year-from", "2000")
    assert set(shown(page)) == {f"Film {n}" for n in (3, *range(30, 39)) if 1990 + n % 30 >= 2000}
    page.click("text=Show all")
    page.locator("#count", has_text="51 of 51 titles shown").wait_for()
    page.uncheck("input[value=wider-range]")
    assert "Film 0" not in shown(page)
    assert "Film 1" in shown(page)
    page.click("text=Show all")
    page.select_option("#region", "JP")
    assert set(shown(page)) == {f"Film {n}" for n in range(40) if n % 3 == 2} | {"Film 71"}
    head = page.locator(".protocol >> nth=0 >> thead th[data-key=recovered_jnd]")
    head.locator("button").focus()
    page.keyboard.press("Enter")
    values = page.evaluate(
        "[...document.querySelectorAll('.protocol:not([hidden]) tbody tr:not([hidden])')].map(one => one.dataset.recoveredJnd)"
    )
    numbers = [float(one) for one in values if one]
    assert numbers == sorted(numbers, reverse=True)
    assert values[-1] == ""  # without a value: last
    assert head.get_attribute("aria-sort") == "descending"
    page.keyboard.press("Enter")
    assert head.get_attribute("aria-sort") == "ascending"
    assert page.locator(".protocol:not([hidden])").count() == 1
    page.select_option("#protocol", "2")
    page.click("text=Show all")
    page.locator("#count", has_text="3 of 3 titles shown").wait_for()
    assert set(shown(page)) == {"Film 80", "Film 81", "Film 82"}
    assert met == []
    page.context.close()


def test_the_place_of_a_title_is_marked_and_its_point_opens_the_report(browser: Any, page_file: Path) -> None:
    met: list[str] = []
    page = open_page(browser, page_file, met)
    one = make_title(7)
    field = [make_title(n) for n in range(40)] + [make_title(50 + n) for n in range(len(HOSTILE))] + [make_title(70), make_title(71)]
    values = {name: [title.figures[name] for title in field] for name in one.figures}
    values["headroom_stops"].pop(-2)
    say = {figure.name: figure.say for figure in FIGURES}
    mine = {name: say[name](one.figures[name]) for name in values}  # what is said alike is neither less nor more
    less = {name: sum(value < one.figures[name] and say[name](value) != mine[name] for value in own) for name, own in values.items()}
    more = {name: sum(value > one.figures[name] and say[name](value) != mine[name] for value in own) for name, own in values.items()}
    assert any(less[name] + more[name] < len(own) - 1 for name, own in values.items())
    page.click(f"tr[data-run='{one.run}'] .choose")
    for name in ("headroom_stops", "notice_probability", "notice_1_share", "outside_709_share"):
        said = page.inner_text(f".protocol:not([hidden]) figure[data-figure={name}] .mine-said")
        among = len(values[name])
        assert said.endswith(f": {less[name]} of {among} have less, {more[name]} more")
        assert page.locator(f".protocol:not([hidden]) figure[data-figure={name}] svg.marked").count() == 1
    assert "Film 7" in page.inner_text(".protocol:not([hidden]) .said-of")
    # another one is pointed at for a while
    page.hover(f".protocol:not([hidden]) .point[data-run='{make_title(12).run}']")
    assert "Film 12" in page.inner_text(".protocol:not([hidden]) .said-of")
    page.mouse.move(2, 2)
    assert "Film 7" in page.inner_text(".protocol:not([hidden]) .said-of")
    # the field is one stop of the keyboard, and arrows go through it in the order of headroom
    stops = page.locator(".protocol:not([hidden]) .point[tabindex='0']")
    assert stops.count() == 1
    stops.focus()
    page.keyboard.press("End")
    page.keyboard.press("ArrowLeft")
    across = sorted((title for title in field if title.run != make_title(70).run), key=lambda title: title.figures["headroom_stops"])
    assert page.evaluate("document.activeElement.dataset.run") == across[-2].run
    page.keyboard.press("Escape")
    assert page.locator("[aria-pressed=true]").count() == 0
    row = page.locator(f"tr[data-run='{one.run}'] td[data-c='Label']")
    row.click()
    assert page.locator("[aria-pressed=true]").count() == 1
    assert "Film 7" in page.inner_text(".protocol:not([hidden]) .said-of")
    row.click()
    assert page.locator("[aria-pressed=true]").count() == 0
    page.locator(f".point[data-run='{one.run}']").focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/reports/7.html")
    assert page.title() == "report of 7"
    assert met == []
    page.context.close()


def test_three_hundred_titles_are_readable_within_three_seconds(browser: Any, tmp_path: Path) -> None:
    begun_s = time.perf_counter()
    file = write_page(tmp_path, [make_field(300)])
    assert time.perf_counter() - begun_s < 3
    assert file.stat().st_size < 1_500_000
    page = browser.new_context(offline=True, viewport={"width": 1280, "height": 900}).new_page()
    begun_s = time.perf_counter()
    page.goto(file.as_uri())
    page.locator("#count", has_text="300 of 300 titles shown.").wait_for()
    page.screenshot()
    taken_s = time.perf_counter() - begun_s
    assert taken_s < 3, f"{taken_s:.2f} s"
    begun_s = time.perf_counter()
    page.fill("#search", "film 29")
    assert len(shown(page)) == 11
    assert time.perf_counter() - begun_s < 1
    page.context.close()


def test_on_paper_the_controls_are_gone_and_all_titles_are_there(browser: Any, page_file: Path, tmp_path: Path) -> None:
    page = open_page(browser, page_file, [])
    page.emulate_media(media="print")
    for hidden in ("#filters", "#protocol", ".sorter", ".said-of"):
        assert not page.locator(hidden).first.is_visible()
    assert page.locator(".key").is_visible()
    assert page.locator(".protocol:not([hidden]) .titles tbody tr").first.is_visible()
    page.set_viewport_size({"width": 720, "height": 900})  # A4 less its margins
    assert page.evaluate("document.documentElement.scrollWidth") <= 720
    page.context.close()


def test_without_a_script_all_fields_and_titles_are_there(browser: Any, page_file: Path) -> None:
    page = open_page(browser, page_file, [], java_script_enabled=False)
    assert page.locator(".titles tbody tr").count() == 54
    assert page.locator(".protocol").nth(1).is_visible()
    assert not page.locator("#filters").is_visible()
    assert page.locator(".key").is_visible()
    page.context.close()
