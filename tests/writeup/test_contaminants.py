"""What is not the film's picture, in words: neutral, whole, and without keys of the result."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from pairdiff._records import Contaminant
from pairdiff.writeup import contaminants as words
from pairdiff.writeup.document import comparison_to_document, validate_document, write_comparison
from pairdiff.writeup.html import render_report
from pairdiff.writeup.phrases import say_plain
from pairdiff.writeup.words import comparison_in_words


def peak_with(example: Any, **changed: Any) -> Mapping[str, Any]:
    return dataclasses.asdict(dataclasses.replace(example.hdr_peak, **changed))


def found_in(example: Any) -> Mapping[str, Any]:
    return dataclasses.asdict(example.contaminants)


def plain(lines: list[str]) -> str:
    return say_plain(" ".join(lines))


def test_the_peak_is_said_with_its_cause_time_place_and_extent(example: Any) -> None:
    text = plain(words.say_peak(peak_with(example), found_in(example)))
    assert "MaxCLL 934 cd/m2 comes from a passage that only the HDR release has, before the film: at 0:00:00.500" in text
    assert "(frame 12), in the upper part of the picture." in text
    assert "stays within half a stop of that level for 0.83 s without a break; 21 frames do in the whole release." in text
    assert "the patch that reaches as much is of 5120 pixels (0.08 % of the picture)." in text
    assert "Without what is not the film's picture MaxCLL is 806 cd/m2, at 0:01:15.075." in text
    assert "MaxCLL as defined (CTA-861.3) is the brightest pixel of all frames, be it a speck, a mark or a letter: 934 cd/m2." in text
    assert "In 95 % of the film's frames no pixel exceeds 790 cd/m2." in text
    assert "0:01:15.075 to 0:01:15.117, 806 cd/m2 (a single frame)" in text


@pytest.mark.parametrize(
    ("causes", "pixels", "expected"),
    [
        ((), 900, "lies in what counts as the film's picture"),
        (("speck",), 1, "comes from one pixel:"),
        (("speck",), 9, "comes from 9 pixels:"),
        (("flash", "single_frame"), 900, "comes from a flash that the SDR release does not show in a single frame:"),
        (("logo_or_credits", "speck"), 4, "comes from 4 pixels in a logo or credits at an end of the release:"),
        (("subtitle",), 40, "comes from words laid over the picture:"),
    ],
)
def test_every_cause_is_a_sentence(example: Any, causes: tuple[str, ...], pixels: int, expected: str) -> None:
    assert expected in plain(words.say_peak(peak_with(example, causes=causes, area_pixels=pixels, position="within"), None))


def test_every_kind_has_words_a_treatment_and_an_innocent_explanation(example: Any) -> None:
    kinds = [*words.KIND_WORDS]
    assert set(words.INNOCENT_WORDS) == set(kinds)
    assert set(words.CAUSE_WORDS) == set(kinds) - {"bars", "speck", "damaged_partner"}
    made = [Contaminant(kind, "masked", 1, 1, 0.01, 0.0, 1.0, 500.0, 400.0, 90.0) for kind in kinds]
    for row in words.contaminant_rows({"found": [dataclasses.asdict(one) for one in made]}):
        assert all(row.values())
        assert "_" not in " ".join(row.values())


def test_the_terminal_says_in_short_what_set_the_peak_and_what_did_not_count(example: Any, tmp_path: Path) -> None:
    text = re.sub(r"\s+", " ", comparison_in_words(example, out=tmp_path))
    assert "Note: MaxCLL 934 cd/m2 comes from" in text
    assert "Not counted in the scores: words laid over the picture (31 scored pictures, 1.2 % of each" in text
    quiet = dataclasses.replace(
        example,
        hdr_peak=dataclasses.replace(example.hdr_peak, causes=()),
        contaminants=dataclasses.replace(example.contaminants, found=()),
    )
    assert "MaxCLL" not in comparison_in_words(quiet, out=tmp_path)


def test_the_report_shows_the_figures_with_and_without(example: Any, tmp_path: Path) -> None:
    write_comparison(example, (), tmp_path)
    text = re.sub(r"\s+", " ", (tmp_path / "report.html").read_text(encoding="utf-8"))
    part = text[text.index("Where the highest level comes from") :]
    assert "What is not the film's picture" in part
    assert part.index("+1.93") < part.index("+1.87")
    for one in words.contaminant_rows(found_in(example)):
        assert one["innocent"].replace("'", "&#39;") in part


def test_a_result_of_an_earlier_version_is_still_valid_and_drawn(example: Any, tmp_path: Path) -> None:
    import json

    write_comparison(example, (), tmp_path)
    document = comparison_to_document(example)
    for key in ("hdr_peak", "contaminants"):
        document.pop(key)
    validate_document(document)
    (tmp_path / "result.json").write_text(json.dumps(document), encoding="utf-8")
    assert "Where the highest level comes from" not in render_report(tmp_path).read_text(encoding="utf-8")


def test_a_word_that_is_no_cause_goes_against_the_schema(example: Any) -> None:
    document = comparison_to_document(example)
    document["hdr_peak"]["causes"] = ["hearsay"]
    with pytest.raises(ValueError, match="hdr_peak"):
        validate_document(document)


def test_each_figure_says_of_which_kind_it_is(example: Any) -> None:
    found = dataclasses.replace(
        example.contaminants,
        found=tuple(dataclasses.replace(one, max_cll_kind="scored_pictures") for one in example.contaminants.found[1:2]),
        max_cll_without_kinds=("without_specks", "lasting"),
    )
    (row,) = words.contaminant_rows(dataclasses.asdict(found))
    assert say_plain(row["max_cll"]) == "934 cd/m2 (of scored pictures, outside what is laid over them)"
    rows = {name: (say_plain(first), say_plain(last)) for name, first, last in words.headline_rows(dataclasses.asdict(found))}
    kinds = "(what more than 16 pixels of a frame reach, and what lasts two frames)"
    assert rows["MaxCLL of the HDR release, no part of the verdict"] == ("934 cd/m2 (as defined)", f"806 cd/m2 {kinds}")
    assert f"{kinds}." in plain(words.say_peak(peak_with(example), dataclasses.asdict(found)))
