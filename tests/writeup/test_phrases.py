"""Figures are said with their unit, and a value that does not exist is never said as 0."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from pairdiff.writeup import phrases


@pytest.mark.parametrize(
    ("say", "value", "words"),
    [
        (phrases.say_number, 1234.5, "1234"),
        (phrases.say_number, 12.34, "12.3"),
        (phrases.say_number, -0.5, "−0.50"),
        (phrases.say_nits, 934.0, "934 cd/m²"),
        (phrases.say_nits, 0.0001, "0.0001 cd/m²"),
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
    ],
)
def test_is_said_as(say: Callable[[Any], str], value: Any, words: str) -> None:
    assert say(value).replace("\N{NO-BREAK SPACE}", " ") == words


@pytest.mark.parametrize("say", [phrases.say_number, phrases.say_nits, phrases.say_stops, phrases.say_share, phrases.say_time])
def test_nothing_is_said_as_no_value(say: Callable[[Any], str]) -> None:
    assert say(None) == "no value"


def test_an_estimate_is_said_with_its_interval() -> None:
    said = phrases.say_estimate({"value": 0.34, "low": 0.22, "high": 0.48}, phrases.say_share)
    assert said.replace("\N{NO-BREAK SPACE}", " ") == "34 % (95 % interval 22 % to 48 %)"
    assert phrases.say_estimate({"value": 1.0, "low": None, "high": None}) == "1.00 (no interval estimated)"
    assert phrases.say_estimate({"value": None, "low": None, "high": None}) == "no value"
