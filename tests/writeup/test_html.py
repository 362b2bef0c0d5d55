"""The report is one page that fetches nothing, says what is missing in words, and is drawn again to the byte."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
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
from pairdiff._records import Fact, SignalCheck
from pairdiff.stills.draw import StillPicture
from pairdiff.stills.side_by_side import join_sides
from pairdiff.verdict.objections import list_objections
from pairdiff.writeup import html as page
from pairdiff.writeup.document import write_comparison
from pairdiff.writeup.html import render_report
from pairdiff.writeup.phrases import say_exposure, say_nits

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
        if not {"style", "script"} & set(self.open):
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


def test_nothing_points_outside_the_page_but_links_to_the_result_beside_it(report: Page, result_folder: Path) -> None:
    beside = []
    for _, attributes in report.elements:
        for name in ("src", "href", "srcset", "action", "data", "xlink:href"):
            if not (attributes.get(name) or "#").startswith(("#", "data:")):
                beside.append((name, attributes[name], "download" in attributes))
    assert beside == [("href", "card.svg", False), ("href", "frames.parquet", True), ("href", "result.json", True)]
    text = re.sub(r"data:image/png;base64,[\w+/=]+", "", (result_folder / "report.html").read_text(encoding="utf-8"))
    assert "http:" not in text
    assert "https:" not in text
    assert "@import" not in text
    assert [attributes.get("type") for attributes in report.all("script")] == ["application/json", None]


def test_no_script_but_the_page_s_own_may_run(result_folder: Path) -> None:
    """CSP Level 3, 2.3.1: the hash is that of what stands between the tags."""
    text = (result_folder / "report.html").read_text(encoding="utf-8")
    script = re.search(r"<script>(.*)</script>", text, flags=re.DOTALL)
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', text)
    assert script is not None
    assert policy is not None
    digest = base64.b64encode(hashlib.sha256(script[1].encode()).digest()).decode()
    assert policy[1] == f"default-src 'none'; img-src data:; style-src 'unsafe-inline'; script-src 'sha256-{digest}'"


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
    opening = text.index("The HDR release shows what the SDR release does not: brighter highlights and colours outside BT.709.")
    assert text.index(example.verdict.words) < opening < text.index("Support 93 %") < text.index("Larger, with its maps")
    assert text.index("Larger, with its maps") < text.index(example.verdict.sentence) < text.index("Pictures The moments")
    assert "95 % interval 0.98 to 1.40 JOD" in text
    assert "clearly more" in text
    assert all(flip.replace("`", "").replace("cd/m2", "cd/m²")[:30] in text.replace("  ", " ") for flip in example.verdict.flips[1:])


def test_the_sentence_does_not_say_the_label_again(example: Any, tmp_path: Path) -> None:
    sentence = "Another grade: with the SDR set at 100 cd/m2, tones differ."
    for label, classes in (("different-grade", "support figured"), ("undetermined", "sentence")):
        verdict = dataclasses.replace(example.verdict, label=label, words="another grade", sentence=sentence)
        write_comparison(dataclasses.replace(example, verdict=verdict), (), tmp_path)
        text = (tmp_path / "report.html").read_text(encoding="utf-8")
        assert f'<p class="{classes}">With the SDR set at' in text


def test_the_head_shows_what_lies_above_sdr_white_and_says_from_where_an_axis_counts(report: Page) -> None:
    """The example's headroom is 1.87 stops: darkened by 2, its highlights come into sight."""
    text = report.text
    assert "HDR, \N{MINUS SIGN}2 stops SDR, \N{MINUS SIGN}2 stops" in text
    assert "it is shown here since, of the moments below, it has most above SDR white" in text
    assert "Look at the brightest areas: there the HDR release goes on above SDR white." in text
    assert "Slightly more from +0.30 stops, clearly from +1.00 stops, over 0.10 %" in text
    links = [one["href"] for one in report.all("a") if one.get("href")]
    assert {"#reasons", "#objections", "#limits"} <= set(links[14:20]), "beside the verdict, and not only in the contents"


def test_what_hangs_on_the_set_up_and_on_few_shots_stands_beside_the_verdict(report: Page, example: Any) -> None:
    """Of the example's five other set-ups one alone gives another label, and two came out alike: they count once, as in the objections."""
    assert sum(one.label == example.verdict.label for one in example.setups if one.name != "controls") == 4
    assert "judged alone, 3 of 4 set-ups that differ from the fitted one give it too" in report.text
    assert re.search(r"Outside BT\.709: 1\.6 % of the picture; 0\.50 % or more in \d+ of 24 shots\.", report.text)


def test_the_part_of_a_picture_above_sdr_white_is_read_off_its_bracket() -> None:
    """A third at SDR white, a third a quarter stop above it, a third at twice SDR white; drawn by IEC 61966-2-1 at -1 stop."""
    linear = np.repeat([0.5, 0.5 * 2**0.25, 1.0], 20)
    code = np.rint(255 * np.where(linear > 0.0031308, 1.055 * linear ** (1 / 2.4) - 0.055, 12.92 * linear)).astype(np.uint8)
    pixels = np.broadcast_to(code[None, :, None], (10, 60, 3)).copy()
    picture = page._Inlined("bracket-hdr--1", "", pixels, 60, b"")
    assert page._share_above_white([], [picture]) == pytest.approx(2 / 3)
    drawn = [{"name": "outlines", "figures": {"above_white_share": 0.25}}]
    assert page._share_above_white(drawn, [picture]) == 0.25  # as the outlines say
    assert page._share_above_white([], []) == 0.0


def test_the_picture_through_the_curve_stands_beside_the_hdr_one_of_its_exposure(report: Page, example_stills: Any) -> None:
    curved = [still for still in example_stills if still.name.startswith("curved")]
    assert len(curved) == len({still.moment for still in example_stills})
    assert report.text.count("What a tone curve of the SDR release would give at best") == 1
    for still in curved:
        figures = still.figures
        words = f"lies {figures['curved_jnd']:.1f} JND away, the SDR picture as the set shows it {figures['as_set_jnd']:.1f} JND"
        assert words in report.text
        assert f"SDR through one curve {say_exposure(int(still.name.removeprefix('curved-')))}" in " ".join(report.text.split())
    assert "Below, second, the SDR picture through one curve" not in report.text  # the label does not rest on it


def test_a_label_that_a_curve_explains_opens_with_the_picture_through_it(example: Any, example_stills: Any, tmp_path: Path) -> None:
    stretched = dataclasses.replace(example, verdict=dataclasses.replace(example.verdict, label="stretched-sdr"))
    write_comparison(stretched, example_stills, tmp_path)
    shown = read(tmp_path)
    assert "Below, second, the SDR picture through one curve" in shown.text
    alternatives = [image["alt"] or "" for image in shown.all("img")][:6]
    assert "SDR through one curve" in alternatives[5]
    assert "moment, HDR, " in alternatives[4]
    index = json.loads((tmp_path / "stills" / "index.json").read_text(encoding="utf-8"))
    for moment in index["moments"]:
        moment["pictures"] = [one for one in moment["pictures"] if not one["name"].startswith("curved")]
    (tmp_path / "stills" / "index.json").write_text(json.dumps(index), encoding="utf-8")
    render_report(tmp_path)
    assert "through one" not in read(tmp_path).text.split("Over the film")[0].split("Pictures", 1)[1]  # of an earlier version


def test_where_colour_gains_the_moment_that_has_most_of_it_is_at_the_head_too(example: Any, example_stills: Any, tmp_path: Path) -> None:
    write_comparison(example, example_stills, tmp_path)  # its colour gains, and none of its pictures has any
    path = tmp_path / "stills" / "index.json"
    index = json.loads(path.read_text(encoding="utf-8"))
    assert "the one with most colour outside" not in read(tmp_path).text
    last = next(one for one in index["moments"][-1]["pictures"] if one["name"] == "outlines")
    last["figures"]["outside_709_share"] = 0.36
    path.write_text(json.dumps(index), encoding="utf-8")
    render_report(tmp_path)
    shown, number = read(tmp_path), len(index["moments"])
    said = " ".join(shown.text.replace("\N{NO-BREAK SPACE}", " ").split())
    found = re.search(r"Below, of the moments shown, the one with most colour outside BT\.709,? ?moment (\d+) ?: 36 %", said)
    assert found is not None, said[said.find("Below, of the moments") :][:200]
    assert int(found[1]) == number
    alternatives = [image["alt"] or "" for image in shown.all("img")]
    assert alternatives[4].startswith(f"Moment {number}, HDR")
    assert "a broken line around colours outside BT.709" in alternatives[5]


def test_exposures_that_are_no_numbers_are_passed_over() -> None:
    names = ["bracket-hdr-0", "bracket-sdr-0", "bracket-hdr-x", "bracket-sdr-x", "curved-x", "curved--1", "bracket-hdr--1"]
    assert page._stops_shown(names) == [0]
    assert page._find_curved(names) == ("curved--1", -1)
    assert page._find_curved(["curved--1", "bracket-hdr-0"]) is None


def test_a_label_that_highlights_did_not_give_opens_with_the_typical_moment_alone(
    example: Any, example_stills: Any, tmp_path: Path
) -> None:
    axes = dict.fromkeys(example.verdict.axes, "same")
    verdict = dataclasses.replace(example.verdict, label="sdr-in-hdr-container", axes=axes)
    write_comparison(dataclasses.replace(example, verdict=verdict), example_stills, tmp_path)
    text = Page((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert "Adjust an SDR set once for the whole film, and it shows what the HDR release shows." in text
    assert "Nearest to the median: a moment chosen by rule" in text
    assert "darkened alike" not in text


def test_every_picture_of_every_moment_is_shown(report: Page, example_stills: Any) -> None:
    addresses = [image["src"] for image in report.all("img")] + [image["href"] for image in report.all("image")]
    assert addresses.count("#") == 2  # of the card, which takes them from the page
    addresses = [address for address in addresses if address != "#"]
    moments = len({still.moment for still in example_stills})
    assert len(addresses) == len(example_stills) + 4 + moments  # two pairs at the head, and the HDR picture beside each through the curve
    assert all((address or "").startswith("data:image/png;base64,") for address in addresses)


def test_the_first_moment_is_open_and_what_holds_for_all_is_said_once(result_folder: Path, report: Page) -> None:
    index = json.loads((result_folder / "stills" / "index.json").read_text(encoding="utf-8"))
    folds = [attributes for tag, attributes in report.elements if tag == "details" and attributes.get("class") == "proofs"]
    assert len(folds) == len(index["moments"]) > 1
    assert ["open" in attributes for attributes in folds] == [number == 0 for number in range(len(folds))]
    for name in ("model-hdr", "difference"):
        captions = {picture["caption"] for moment in index["moments"] for picture in moment["pictures"] if picture["name"] == name}
        for caption in captions:
            assert report.text.count(caption.replace("`", "").replace("cd/m2", "cd/m²")) == 1


def test_absent_and_zero_declarations_are_told_apart(report: Page) -> None:
    assert "declared as 0, which means unknown" in report.text


def test_what_was_not_measured_is_said_in_words(examples: ModuleType, tmp_path: Path) -> None:
    write_comparison(examples.make_container_example(), (), tmp_path)
    text = read(tmp_path).text
    for words in (
        "Recovered detail: does not apply",
        "Highlight contrast: does not apply: too little of the picture lies 0.15 stops or more above SDR white",
        "Shadow detail: does not apply: the SDR release lies at its last codes over too little of the picture",
        "Shadows: does not apply to these pictures",
        "Colour outside BT.709: does not apply (black-and-white picture)",
        "Tone relation: cannot tell",
        "Preference loss cannot tell",
        "No still pictures are stored",
        "None of the thresholds, displays and set-ups that were tried changes the label",
    ):
        assert words in text
    assert "None JOD" not in text
    assert "nan" not in text.lower().split()


def test_what_the_highlights_hold_and_what_the_set_cannot_show_is_said(report: Page) -> None:
    text = report.text
    where = "0.15 stops or more above SDR white (0.98 % of the picture, its rims left out) "
    assert where + "local contrast is 14.2 JND (0.27 stops) in the HDR and 3.3 JND (0.06 stops)" in text
    assert "Highlight contrast gained 13.1 JND" in text
    assert "(a gain map, a power window) has no one level where the SDR is clipped, and reads as HDR" in text
    assert "The label says what the pictures hold, not how they were made or what was meant." in text
    assert "the level there spreads over 2.10 stops from place to place (a curve of the SDR gives one level)" in text
    assert "Spread of level there 2.10 stops" in text
    assert "cannot show: 0.77 % of the picture, in 19 % of matched time" in text
    assert "Colour volume: 2.34 million JND³ in the HDR, 1.87 million JND³ in the SDR" in text
    assert "Saturated colour beyond the set 1.1 % by level: below 1 cd/m²: 0 %" in text


def test_results_of_an_earlier_version_are_drawn_without_them(example: Any, tmp_path: Path) -> None:
    plain = dataclasses.replace(example.headroom, contrast=None), dataclasses.replace(example.colour, beyond_set=None)
    text = rewritten(example, tmp_path, headroom=plain[0], colour=plain[1])
    assert "Highlight contrast" not in text
    assert "Colour volume" not in text


def test_every_setting_stands_with_value_and_origin(report: Page, document: dict[str, Any]) -> None:
    for name in document["run"]["settings"]:
        assert name in report.text
    assert "BT.2100 reference display" in report.text
    assert "not set" in report.text


def rewritten(example: Any, folder: Path, **changes: Any) -> str:
    """Text of the report of the example with some of its records changed."""
    write_comparison(dataclasses.replace(example, **changes), (), folder)
    return read(folder).text.replace("\N{NO-BREAK SPACE}", " ")


def test_a_report_without_a_label_says_what_the_draws_came_to(example: Any, tmp_path: Path) -> None:
    verdict = dataclasses.replace(example.verdict, label="undetermined", support={"stretched-sdr": 0.58, "restrained-hdr": 0.42})
    assert "clearly more, as the figures stand" in rewritten(example, tmp_path, verdict=verdict)
    assert "No label holds in 80 % of the draws; the most that one has is 58 %." in rewritten(example, tmp_path, verdict=verdict)


def test_readers_meet_no_keys_of_the_result(report: Page, document: dict[str, Any], example: Any, tmp_path: Path) -> None:
    colour = dataclasses.replace(example.colour, outside_709_by_level={"under_1_nits": 0.02, "over_300_nits": 0.1})
    flips = ("headroom_slight_stops at 0.36 instead of 0.3: another grade.", "Tone: `regraded` from 2.5; `slightly_more` from 0.3.")
    verdict = dataclasses.replace(example.verdict, flips=flips)
    text = rewritten(example, tmp_path, colour=colour, verdict=verdict)
    assert "below 1 cd/m²: 2.0 %; above 300 cd/m²: 10 %" in text
    assert "headroom from which highlights are slightly more at 0.36 instead of 0.3" in text
    assert "Tone: regraded from 2.5; slightly more from 0.3" in text
    files = {"result.json", "frames.parquet"}
    keys = {word for word in re.findall(r"[A-Za-z0-9./]*[a-z0-9]_[a-z0-9_./]+", text.lower()) if word not in files}
    constants = document["run"]["constants"]
    listed = {word.lower() for one in constants for word in (one["name"], *one["module"].split("/_"), *one["meaning"].split())}
    listed = {word.strip("`.,;:()") for word in listed}
    keys = {word.strip("._,") for word in keys}
    assert keys - set(document["run"]["settings"]) - listed - {"sha256", "dE_ITP".lower()} == set()


def test_each_sign_stands_with_its_figure_its_limit_and_what_was_found(report: Page) -> None:
    text = report.text.replace("\N{NO-BREAK SPACE}", " ")
    for words in (
        "level ceiling not seen 2.0 % from 90 % Of 32 pictures of 9 shots",
        "the 140 cd/m² the SDR set shows there.",
        "shared clipping seen 81 % from 70 % In 12 pictures",
        "code comb cannot tell no value up to 30 % A comb would be hidden.",
        "one fixed curve not seen 7.9 JND up to 6.0 JND One curve",
    ):
        assert words in text


def test_signs_of_a_result_that_has_no_limits_are_still_drawn(folder: Path) -> None:
    document = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    for sign in document["origin_signs"]:
        for key in ("unit", "limit", "seen_when", "found", "pictures", "shots"):
            del sign[key]
    (folder / "result.json").write_text(json.dumps(document), encoding="utf-8")
    render_report(folder)
    assert "level ceiling not seen" in read(folder).text


def test_signs_are_one_sentence_until_one_is_measured(report: Page, example: Any, tmp_path: Path) -> None:
    assert "a clip can be baked into the master" in report.text
    none = tuple(dataclasses.replace(sign, status="not_measured", value=None) for sign in example.origin_signs)
    text = rewritten(example, tmp_path / "none", origin_signs=none)
    assert "Not measured yet: level ceiling, shared clipping, code comb, colour stops at the BT.709 edge, one fixed curve." in text
    assert "a clip can be baked into the master" not in text
    one = (*none[:4], example.origin_signs[4])
    assert "a clip can be baked into the master" in rewritten(example, tmp_path / "one", origin_signs=one)


@pytest.mark.parametrize(
    ("shots", "words"),
    [
        (1, "only one shot was matched, so support reflects thresholds and set-up only"),
        (2, "only 2 shots were matched, so support hardly knows how other scenes would differ"),
    ],
)
def test_few_shots_are_warned_about_at_support(report: Page, example: Any, tmp_path: Path, shots: int, words: str) -> None:
    text = rewritten(example, tmp_path, coverage=dataclasses.replace(example.coverage, shots=shots))
    assert text.index("How firm the label is") < text.index(words) < text.index("Pictures", 1000)
    assert "Caution:" not in report.text


def test_a_full_run_has_no_sampling_error_and_says_so(report: Page, example: Any, tmp_path: Path) -> None:
    room = dataclasses.replace(example.headroom, time_share=dataclasses.replace(example.headroom.time_share, low=None, high=None))
    full = dataclasses.replace(example, coverage=dataclasses.replace(example.coverage, mode="full"), headroom=room)
    text = rewritten(full, tmp_path, objections=list_objections(full))
    assert text.count("every frame measured: no sampling error") >= 8
    assert "interval" not in text.partition("Constants of the method")[0].replace("± ", "")
    assert "every frame measured" not in report.text


def test_a_stretched_picture_is_explained_in_one_sentence(report: Page, example: Any, tmp_path: Path) -> None:
    words = "they hold little that the SDR release has not"
    assert words in rewritten(example, tmp_path, verdict=dataclasses.replace(example.verdict, label="stretched-sdr"))
    assert words not in report.text


def test_every_objection_stands_with_answer_state_and_what_would_change_it(report: Page, example: Any) -> None:
    """Reached from the contents; by side; in the words of the result, keys said in words."""
    text = report.text
    sheet = text[text.index("Objections, and what this run answers") : text.index("Method Matched frames")]
    assert {"href": "#objections"} in report.all("a")
    assert sheet.index("In defence of the release") < sheet.index("In doubt of the release") < sheet.index("From either side")
    states = {"answered": "answered", "partly": "answered in part", "cannot_answer": "not by this run"}
    counts = [f"{sum(one.state == state for one in example.objections)} {words}" for state, words in states.items()]
    assert f"figures of this run: {', '.join(counts)}." in sheet
    for one in example.objections:
        row = sheet[sheet.index(one.objection) :]
        assert row[len(one.objection) :].lstrip().startswith(states[one.state]), one.name
        assert one.changes.replace("`", "").replace("cd/m2", "cd/m²")[:20] in re.sub(
            r"(pairdiff \w+ --\w+) ", r"\1 ", row.replace("−", "-")
        )
    assert "White 143 ± 4.10 cd/m² and gamma 2.31 ± 0.02 were fitted" in sheet
    assert "(headroom from which highlights are clearly more)" in sheet
    assert len([tag for tag, attributes in report.elements if (attributes.get("id") or "").startswith("objection-")]) == len(
        example.objections
    )


def test_a_side_without_objections_and_a_result_without_a_sheet_are_drawn(example: Any, folder: Path, tmp_path: Path) -> None:
    one = tuple(item for item in example.objections if item.raised_by == "doubts")
    text = rewritten(example, tmp_path / "one", objections=one)
    assert "In doubt of the release" in text
    assert "In defence of the release" not in text
    document = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    del document["objections"]
    (folder / "result.json").write_text(json.dumps(document))
    render_report(folder)
    assert "Objections" not in read(folder).text


def test_a_result_of_an_earlier_version_is_drawn_with_what_it_holds(folder: Path) -> None:
    document = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    del document["declared_checks"]
    document["shadows"] = {"status": "not_measured", "gain_jnd": None}
    (folder / "result.json").write_text(json.dumps(document))
    render_report(folder)
    text = read(folder).text
    assert "declared as 0, which means unknown" in text
    assert "the picture stays within it" not in text
    assert "Shadow detail: not measured" in text


def test_a_set_up_says_where_a_power_law_and_not_its_headroom_decides(report: Page, example: Any, tmp_path: Path) -> None:
    words = "not by this headroom: one power law explains the picture"
    assert words not in report.text
    law = dataclasses.replace(example.free_fit, power_law=True)
    low = tuple(dataclasses.replace(one, headroom_stops=0.1 if one.name == "white-203" else one.headroom_stops) for one in example.setups)
    assert rewritten(example, tmp_path, free_fit=law, setups=low).count(words) == len(low) - 1


def test_support_says_what_it_draws_from(report: Page, example: Any, tmp_path: Path) -> None:
    words = "it draws from the shots that were scored"
    assert words in report.text
    assert words not in rewritten(example, tmp_path, coverage=dataclasses.replace(example.coverage, mode="full"))


def test_a_figure_and_its_unit_stay_on_one_line() -> None:
    said = page._mark_code("It leaves 1.2 JND, +0.3 stops, 1 stop, 4 JOD and 5 cd/m2 of 7 stopsigns.")
    assert said.split(" ") == [
        "It",
        "leaves",
        "1.2\xa0JND,",
        "+0.3\xa0stops,",
        "1\xa0stop,",
        "4\xa0JOD",
        "and",
        "5\xa0cd/m²",
        "of",
        "7",
        "stopsigns.",
    ]


def test_the_two_way_test_is_said_so_that_it_can_be_repeated(report: Page, example: Any) -> None:
    share = f"{100 * example.difference.on_its_own.notice_probability.value:.0f} %"
    sentence = f"is predicted to pick the HDR release {share} of the time, on average over matched time. 50 % is a coin toss"
    assert sentence in report.text.replace("\N{NO-BREAK SPACE}", " ")
    assert "it says how visible the difference is, and not whether it is for the better" in report.text


def test_the_label_starts_with_a_capital(example: Any, tmp_path: Path) -> None:
    words = "another grade, not more range"
    write_comparison(dataclasses.replace(example, verdict=dataclasses.replace(example.verdict, words=words)), (), tmp_path)
    assert '<p class="label">Another grade, not more range</p>' in (tmp_path / "report.html").read_text(encoding="utf-8")


def written(example: Any, folder: Path, **changes: Any) -> str:
    """The page itself, of the example with some of its records changed."""
    write_comparison(dataclasses.replace(example, **changes), (), folder)
    return re.sub(r"\s+", " ", (folder / "report.html").read_text(encoding="utf-8"))


def test_cautions_on_the_way_a_pair_is_read_stand_right_below_the_label_and_its_sentence(
    example: Any, result_folder: Path, tmp_path: Path
) -> None:
    cautions = ("The levels do not fit; give `--sdr-range full`.", "The codes look like those of <another> range.")
    check = SignalCheck("measured", None, (), "doubtful", (), cautions)
    text = written(example, tmp_path, signal_check=check)
    below = text[text.index('<p class="label">') :]
    assert re.match(
        r'<p class="label">[^<]+</p> <p class="sentence">[^<]+</p> '
        r'<p class="measure warning"><b>Caution:</b> The levels do not fit; give <code>--sdr-range full</code>\.</p> '
        r'<p class="measure warning"><b>Caution:</b> The codes look like those of &lt;another&gt; range\.</p> <p class="support">',
        below,
    ), below[:900]
    plain = (result_folder / "report.html").read_text(encoding="utf-8")
    assert re.search(r'<p class="label">[^<]+</p>\s+<p class="sentence">[^<]+</p>\s+<p class="support">', plain)


def test_a_result_that_was_stored_without_such_a_check_is_still_drawn(folder: Path) -> None:
    document = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    del document["signal_check"]
    (folder / "result.json").write_text(json.dumps(document), encoding="utf-8")
    assert "Caution:" not in render_report(folder).read_text(encoding="utf-8")


def test_what_was_taken_from_options_or_not_applied_is_stamped_at_the_head(example: Any, tmp_path: Path) -> None:
    def stated(side: Any, dynamic: tuple[str, ...], **values: Any) -> Any:
        signal = side.release.signal
        facts = {name: Fact(value, "option", False) for name, value in values.items()}
        declared = dataclasses.replace(side.release.declared, dynamic=dynamic)
        return dataclasses.replace(
            side, release=dataclasses.replace(side.release, signal=dataclasses.replace(signal, **facts), declared=declared)
        )

    hdr = stated(example.hdr, ("one kind", "another"), transfer="pq", chroma_siting="top-left")
    sdr = stated(example.sdr, (), range="full")
    text = written(example, tmp_path / "stated", hdr=hdr, sdr=sdr)
    stamp = (
        '<p class="stamp"><b>Read by option, or in part:</b> HDR transfer taken as PQ, as the user states; '
        "HDR chroma siting taken as top-left, as the user states; HDR holds what was not applied (one kind; another); "
        "SDR range taken as full, as the user states.</p>"
    )
    assert f"<h1>{example.title}</h1> {stamp} <nav " in text
    plain = written(example, tmp_path / "plain", hdr=stated(example.hdr, ()))
    assert f"<h1>{example.title}</h1> <nav " in plain
    assert 'class="stamp"' not in plain


def test_light_levels_say_that_logos_and_credits_count(report: Page) -> None:
    assert "logos and credits included" in report.text[report.text.index("Light levels, declared and measured") :]


def test_a_setting_that_only_the_user_states_has_no_origin_until_then(example: Any, tmp_path: Path) -> None:
    def row(settings: dict[str, Any], folder: Path) -> str:
        write_comparison(dataclasses.replace(example, settings=settings), (), folder)
        found = re.search(r"<code>sdr_white</code></th>(.*?)</tr>", (folder / "report.html").read_text(encoding="utf-8"))
        assert found is not None
        return found[1]

    assert row({"sdr_white": None}, tmp_path / "unset").count("not set") == 2
    stated = row({"sdr_white": 160.0, "sdr_gamma": 2.2}, tmp_path / "set")
    assert "stated by the user" in stated
    assert "not set" not in stated


def test_the_scale_of_the_difference_map_starts_with_what_nobody_sees(report: Page) -> None:
    assert re.search(r"40 and more 20 10 5 below 1: nothing visible", report.text)


def test_sdr_levels_are_shown_at_the_fitted_set_up() -> None:
    """A signal of 0.5 is 18.9 cd/m2 at white 100, gamma 2.4 and 200 x 0.5^2.2 = 43.5 cd/m2 at white 200, gamma 2.2 (BT.1886)."""
    shown = page._sdr_at(np.array([100 * 0.5**2.4, 100.0, np.nan]), white_nits=200.0, gamma=2.2)
    np.testing.assert_allclose(shown, [200 * 0.5**2.2, 200.0, np.nan], rtol=1e-9)


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
    assert found.all("script") == [{"type": "application/json", "id": "levels-data"}, {}]
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
    assert len(images) == 5 * len(example.moments) + 2
    own = images[2:]  # the first two stand at the head, small
    assert sum(len(image["src"] or "") for image in own) < 4 / 3 * 120_000 + 40 * len(own)
    assert "the stored picture has 200" in read(tmp_path).text


def test_pictures_make_room_for_the_tables_of_a_long_film(example: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    grain = np.random.default_rng(0).integers(0, 255, (240, 400, 3), dtype=np.uint8)
    stills = [StillPicture(moment, name, "grain", grain) for moment in example.moments for name in ("model-hdr", "model-sdr")]
    write_comparison(example, stills, tmp_path)
    whole = (tmp_path / "report.html").stat().st_size
    monkeypatch.setattr(page, "MOST_PAGE_BYTES", whole - 400_000)
    smaller = render_report(tmp_path).stat().st_size
    assert 0.3 * whole < smaller <= whole - 400_000
    assert "the stored picture has 400" in read(tmp_path).text


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
    with pytest.raises(InputRefused, match=r"result\.json cannot be read .*Run `pairdiff compare` with --out"):
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


@pytest.fixture
def hdr_folder(example: Any, example_stills: Any, tmp_path: Path) -> Path:
    """A result whose first moment has HDR pictures."""
    light = np.geomspace(0.01, 900, 24 * 40 * 3).reshape(24, 40, 3).astype(np.float32)
    still = join_sides(example.moments[0], hdr_nits=light, sdr_nits=np.minimum(light, 100), white_nits=100.0)
    write_comparison(example, example_stills, tmp_path, joined=[still])
    return tmp_path


def test_hdr_pictures_are_linked_with_a_caution_and_never_shown(hdr_folder: Path) -> None:
    page = read(hdr_folder)
    links = [link["href"] for link in page.all("a") if (link.get("href") or "").startswith("stills/")]
    assert [Path(link or "").suffix for link in links] == [".png", ".avif"]
    assert all((hdr_folder / str(link)).is_file() for link in links)
    assert all(str(image["src"]).startswith("data:image/png") for image in page.all("img"))
    words = page.text.replace("\N{NO-BREAK SPACE}", " ")
    assert words.count("Both at their true levels, for an HDR screen") == 1
    assert "Bright: needs an HDR screen and a browser that shows HDR" in words
    assert "The pictures above are safe." in words
    assert f"Open the AVIF ({(hdr_folder / str(links[1])).stat().st_size:,} bytes)".replace(",", " ") in words
    assert "HDR release left, SDR release right at controls (SDR white 100 cd/m²)" in words


def test_an_hdr_picture_that_was_not_written_is_told(hdr_folder: Path) -> None:
    path = hdr_folder / "stills" / "index.json"
    index = json.loads(path.read_text(encoding="utf-8"))
    files = index["moments"][0]["hdr_pictures"][0]["files"]
    for one in files:
        one |= {"file": None, "note": "The light is off by 3.0 %."}
    path.write_text(json.dumps(index))
    render_report(hdr_folder)
    words = read(hdr_folder).text
    assert "There is no PNG: The light is off by 3.0 %. There is no AVIF: The light is off by 3.0 %." in words
    assert "Bright:" not in words


@pytest.mark.parametrize("name", ["../../secret.png", "page.html", 7])
def test_an_index_that_links_elsewhere_is_refused(hdr_folder: Path, name: Any) -> None:
    path = hdr_folder / "stills" / "index.json"
    index = json.loads(path.read_text(encoding="utf-8"))
    index["moments"][0]["hdr_pictures"][0]["files"][0]["file"] = name
    path.write_text(json.dumps(index))
    with pytest.raises(InputRefused, match="which is no HDR picture of that folder"):
        render_report(hdr_folder)


def test_an_index_that_names_files_elsewhere_is_refused(folder: Path) -> None:
    index = json.loads((folder / "stills" / "index.json").read_text(encoding="utf-8"))
    index["moments"][0]["pictures"][0]["file"] = "../../secret.png"
    (folder / "stills" / "index.json").write_text(json.dumps(index))
    with pytest.raises(InputRefused, match="is not a PNG of that folder"):
        render_report(folder)


def test_a_folder_in_the_reports_place_is_refused(folder: Path) -> None:
    (folder / "report.html").unlink()
    (folder / "report.html").mkdir()
    with pytest.raises(OutputRefused, match="Cannot write to"):
        render_report(folder)


# ---------------------------------------------------------------- a real browser

COVERED_WORDS = """[...document.querySelectorAll('svg')].flatMap(drawing => {
  const words = [...drawing.querySelectorAll('text')].map(text => [text.textContent, text.getBoundingClientRect()])
  const frame = drawing.getBoundingClientRect()
  const across = (a, b) => Math.min(a.right, b.right) - Math.max(a.left, b.left)
  const down = (a, b) => Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top)
  const out = words.filter(([, box]) => box.width && (box.left < frame.left - 1 || box.right > frame.right + 1)).map(([text]) => text)
  const meet = ([, box], n) => words.slice(n + 1).filter(([, other]) => across(box, other) > 1 && down(box, other) > 3)
  return out.concat(words.flatMap((one, n) => meet(one, n).map(([next]) => one[0] + ' | ' + next)))
})"""
"""Words of charts that cover each other (by more than the blank above and below letters) or leave their drawing."""


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
        shown = tab.evaluate("[...document.querySelectorAll('.chart svg')].filter(drawing => drawing.getClientRects().length).length")
        small = tab.evaluate("Math.min(...[...document.querySelectorAll('svg')].map(s => s.getBoundingClientRect().width).filter(Boolean))")
        covered = tab.evaluate(COVERED_WORDS)
        cut = tab.evaluate("[...document.querySelectorAll('.scroll')].filter(box => box.scrollWidth > box.clientWidth + 1).length")
        browser.close()
    assert covered == []
    assert cut == 0
    assert met == []
    assert wide <= width
    assert broken == 0
    assert shown == 5
    assert small > 250


def test_picture_areas_that_change_are_told_with_what_is_left_out(example: Any, tmp_path: Path) -> None:
    whole = dataclasses.replace(example.alignment.geometry[0], hdr_start=0, hdr_stop=480)
    wide = dataclasses.replace(whole, hdr_start=480, hdr_stop=2736, common_share_hdr=0.75, residual_pixels=None, registered=True)
    text = rewritten(example, tmp_path, alignment=dataclasses.replace(example.alignment, geometry=(whole, wide)))
    assert "2 passages" in text
    assert "480 to 2735" in text
    assert "its own" in text
    row = text[text.index("480 to 2735") :][:120]
    assert "25 %" in row
    assert "not measured" in row


def test_a_result_without_shares_of_the_picture_area_is_still_drawn(folder: Path) -> None:
    path = folder / "result.json"
    document = json.loads(path.read_text(encoding="utf-8"))
    newer = ("hdr_start", "hdr_stop", "common_share_hdr", "common_share_sdr", "lost_share_hdr", "lost_share_sdr", "registered")
    for name in newer:
        del document["alignment"]["geometry"][0][name]
    path.write_text(json.dumps(document), encoding="utf-8")
    assert "Active picture: HDR 3840" in render_report(folder).read_text(encoding="utf-8")


def test_the_setups_at_a_fixed_gamma_stand_among_the_others(report: Page) -> None:
    rows = report.text.split("Label on this alone")[1]
    assert re.search(
        r"gamma 2\.2 the set's gamma for a lit room, its white fitted to the whole title 131.cd/m² 2\.20 \+2\.08.stops 18\.0.JND "
        r"1\.27.JOD 83.% of time at 0\.5 or more HDR, used sparingly gamma 2\.4 the set's gamma for a dark room \(BT\.1886\)",
        rows,
    ), rows[:600]


def test_words_on_home_displays_are_those_of_what_was_done(example: Any, tmp_path: Path) -> None:
    rolled = rewritten(example, tmp_path / "pq")
    assert "Roll-off: BT.2408 Annex 5" in rolled
    assert "system gamma" not in rolled
    as_coded = rewritten(example, tmp_path / "low", screens=tuple(dataclasses.replace(one, rolls_off=False) for one in example.screens))
    assert "None of these displays rolls off" in as_coded
    assert "Roll-off: BT.2408" not in as_coded
    signal = example.hdr.release.signal
    hlg = dataclasses.replace(signal, transfer=dataclasses.replace(signal.transfer, value="hlg"))
    release = dataclasses.replace(example.hdr, release=dataclasses.replace(example.hdr.release, signal=hlg))
    told = rewritten(example, tmp_path / "hlg", hdr=release)
    assert "by the system gamma of BT.2100" in told
    assert "its own system gamma" in told
    assert "Roll-off: BT.2408" not in told


def test_what_an_option_states_stands_at_the_foot_of_every_printed_page(example: Any, tmp_path: Path) -> None:
    signal = dataclasses.replace(example.hdr.release.signal, range=Fact("full", "option", False))
    release = dataclasses.replace(example.hdr.release, signal=signal)
    stated = dataclasses.replace(example, hdr=dataclasses.replace(example.hdr, release=release))
    write_comparison(stated, [], tmp_path / "stated")
    text = (tmp_path / "stated/report.html").read_text(encoding="utf-8")
    assert '@bottom-left { content: "Read by option, or in part: HDR range taken as full, as the user states' in text
    write_comparison(example, [], tmp_path / "plain")
    plain = (tmp_path / "plain/report.html").read_text(encoding="utf-8")
    assert ("@bottom-left" in plain) == ("Read by option, or in part:" in plain)


def test_words_in_a_style_sheet_cannot_leave_it() -> None:
    """CSS Syntax Level 3, 4.3.7: a backslash, up to six hexadecimal digits and a space are one character."""
    escaped = page._as_css_string('</style>"\\}\n\u202e')
    assert not set(escaped) & set('<>"}\n\u202e')
    back = re.sub(r"\\([0-9a-f]{6}) ", lambda found: chr(int(found[1], 16)), escaped)
    assert back == '</style>"\\}\n\u202e'


@pytest.mark.parametrize(
    ("at_set", "said"),
    [
        (0.0, r"over SDR white, and over what the SDR shows above it, in highlights"),
        (0.2, r"with a gain alone, white at \d+ cd/m², in highlights"),
    ],
)
def test_the_figure_of_headroom_says_over_which_white_it_is(folder: Path, at_set: float, said: str) -> None:
    """Where the set that the sentence names has another one, as the sentence does."""
    result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
    result["headroom"].update(stops=0.0, stops_controls=at_set, uses_peak_ratio=False)
    (folder / "result.json").write_text(json.dumps(result), encoding="utf-8")
    assert re.search(said, render_report(folder).read_text(encoding="utf-8"))


def test_levels_of_the_sdr_release_stand_at_the_fitted_set_too(result_folder: Path, document: dict[str, Any]) -> None:
    """BT.1886 with a black of 0: a level is white times the signal to the power of gamma."""
    text = (result_folder / "report.html").read_text(encoding="utf-8")
    levels, setup = document["sdr"]["levels"], document["setup"]
    for name, nits in (("Brightest pixel (MaxCLL)", levels["max_cll_nits"]), ("Highest 99.9th percentile", levels["p999_nits"])):
        at_set = setup["white_nits"] * (nits / 100.0) ** (setup["gamma"] / 2.4)
        (row,) = [line for line in text.splitlines() if f'<th scope="row">{name}</th>' in line]
        assert f'<td data-c="SDR at controls">{say_nits(at_set)}</td>' in row
