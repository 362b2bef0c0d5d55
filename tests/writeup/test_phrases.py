"""Figures are said with their unit, and a value that does not exist is never said as 0."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from pairdiff.writeup import phrases
from pairdiff.writeup.words import comparison_in_words


@pytest.mark.parametrize(
    ("say", "value", "words"),
    [
        (phrases.say_number, 1234.5, "1234"),
        (phrases.say_number, 12.34, "12.3"),
        (phrases.say_number, -0.5, "−0.50"),
        (phrases.say_number, -0.001, "0.00"),
        (phrases.say_nits, 934.0, "934 cd/m²"),
        (phrases.say_nits, 1234.5, "1230 cd/m²"),
        (phrases.say_nits, 9.996, "10.0 cd/m²"),
        (phrases.say_nits, 40.23, "40.2 cd/m²"),
        (phrases.say_nits, 0.0999, "0.0999 cd/m²"),
        (phrases.say_nits, 0.0001, "0.0001 cd/m²"),
        (phrases.say_nits, 0.00002, "below 0.0001 cd/m²"),
        (phrases.say_nits, 0.0, "0 cd/m²"),
        (phrases.say_declared_nits, 1234.5, "1234.5 cd/m²"),
        (phrases.say_declared_nits, 0.0001, "0.0001 cd/m²"),
        (phrases.say_jnd, 12.34, "12.3 JND"),
        (phrases.say_jnd, -0.04, "0.0 JND"),
        (phrases.say_jod, 1.234, "1.23 JOD"),
        (phrases.say_jod, -0.001, "0.00 JOD"),
        (phrases.say_gamma, 2.4, "2.40"),
        (phrases.say_deviation, 0.004, "± less than 0.01"),
        (phrases.say_deviation, 18.3, "± 18.3"),
        (phrases.say_fact, "bt2020-ncl", "BT.2020, non-constant luminance"),
        (phrases.say_fact, "24/1", "24"),
        (phrases.say_fact, "24000/1001", "23.976 (24000/1001)"),
        (phrases.say_fact, 10, "10"),
        (phrases.say_fact, None, "not stated"),
        (phrases.say_stops, -0.004, "0.00 stops"),
        (phrases.say_stops, -0.25, "−0.25 stops"),
        (phrases.say_stops, 1.0, "+1.00 stops"),
        (phrases.say_share, 0.0, "0 %"),
        (phrases.say_share, 0.00001, "less than 0.01 %"),
        (phrases.say_share, 0.005, "0.50 %"),
        (phrases.say_share, 0.34, "34 %"),
        (phrases.say_share, 0.9999, "more than 99.9 %"),
        (phrases.say_share, 1.0, "100 %"),
        (phrases.say_time, 3661.0005, "1:01:01.000"),
        (phrases.say_time, 59.9996, "0:01:00.000"),
        (phrases.say_exposure, -1, "−1 stop"),
        (phrases.say_exposure, 0, "0 stops"),
        (phrases.say_bytes, 4812331007, "4 812 331 007 bytes"),
        (phrases.say_state, "not_measured", "not measured"),
        (phrases.say_state, "a_new_state", "a new state"),
        (phrases.say_state, "under_1_nits", "below 1 cd/m²"),
        (phrases.say_prose, "`slightly_more` from 0.3, clearly_more from 1", "slightly more from 0.3, clearly more from 1"),
        (phrases.say_prose, "max_pairs was lowered", "max pairs was lowered"),
        (phrases.say_prose, "`left` in film_old.mkv, /a/not_measured/b.mkv", "`left` in film_old.mkv, /a/not_measured/b.mkv"),
        (phrases.say_prose, "chroma_sample_loc_3", "chroma_sample_loc_3"),
        (phrases.say_prose, "headroom -0.14 stops, 6.89% outside", "headroom −0.14 stops, 6.89 % outside"),
        (phrases.say_prose, "headroom -0.00 stops, +0.00, +0.05", "headroom 0.00 stops, 0.00, +0.05"),
        (phrases.say_prose, "white-203, 2020-11-25, film-1.mkv, --at -1", "white-203, 2020-11-25, film-1.mkv, --at −1"),
        (phrases.say_plain, "−0.25\N{NO-BREAK SPACE}cd/m²", "-0.25 cd/m2"),
    ],
)
def test_is_said_as(say: Callable[[Any], str], value: Any, words: str) -> None:
    assert say(value).replace("\N{NO-BREAK SPACE}", " ") == words


@pytest.mark.parametrize(
    "say",
    [
        phrases.say_number,
        phrases.say_nits,
        phrases.say_declared_nits,
        phrases.say_stops,
        phrases.say_jnd,
        phrases.say_jod,
        phrases.say_gamma,
        phrases.say_share,
        phrases.say_time,
    ],
)
def test_nothing_is_said_as_no_value(say: Callable[[Any], str]) -> None:
    assert say(None) == "no value"


def test_no_sampling_error_takes_the_place_of_an_interval() -> None:
    estimate = {"value": 0.34, "low": None, "high": None}
    said = phrases.say_estimate(estimate, phrases.say_share, full=True)
    assert said.replace("\N{NO-BREAK SPACE}", " ") == "34 % (every frame measured: no sampling error)"


def test_an_estimate_is_said_with_its_interval() -> None:
    said = phrases.say_estimate({"value": 0.34, "low": 0.22, "high": 0.48}, phrases.say_share)
    assert said.replace("\N{NO-BREAK SPACE}", " ") == "34 % (95 % interval 22 to 48 %)"
    assert phrases.say_estimate({"value": 1.0, "low": None, "high": None}) == "1.00 (no interval estimated)"
    assert phrases.say_estimate({"value": None, "low": None, "high": None}) == "no value"


def test_more_than_the_whole_is_not_said_as_the_whole() -> None:
    assert phrases.say_share(1.122).replace("\N{NO-BREAK SPACE}", " ") == "112 %"
    assert phrases.say_share(1.0).replace("\N{NO-BREAK SPACE}", " ") == "100 %"


def test_the_terminal_says_that_no_label_holds_and_names_the_gamut_axis(example: Any, tmp_path: Path) -> None:
    verdict = dataclasses.replace(example.verdict, label="undetermined", support={"stretched-sdr": 0.58, "restrained-hdr": 0.42})
    text = " ".join(comparison_in_words(dataclasses.replace(example, verdict=verdict), out=tmp_path).split())
    assert "support no label holds in enough draws; the most that one has is 58 %" in text
    assert "colour gamut" in text


def test_the_terminal_says_what_the_highlights_hold_and_what_the_set_cannot_show(example: Any, tmp_path: Path) -> None:
    text = " ".join(comparison_in_words(example, out=tmp_path).split())
    assert "14.2 JND in the median place above SDR white, SDR 3.3 JND; 1 JND or more is gained over" in text
    assert "saturated colour over 1.1 % of the picture, at 100 to 300 cd/m2 over 0.77 %" in text
