"""Protocols: what makes the figures of two runs comparable."""

from __future__ import annotations

import dataclasses
from typing import Any

import pytest

from pairdiff._settings import Settings
from pairdiff._settings_file import setting_kinds
from pairdiff.shelf.protocol import NO_FIGURES, SIGNAL_FACTS, protocol_id, protocol_of, say_differences, say_protocol
from pairdiff.writeup.document import RESULT_SCHEMA
from tests.shelf._titles import Titles


def other_value(name: str) -> Any:
    default = getattr(Settings(), name)
    return {str: "other", int: 12345, float: 0.123456}[setting_kinds()[name]] if default is None else default * 2 if default else 1


def test_every_setting_is_known_and_each_is_in_or_out() -> None:
    assert {one.name for one in dataclasses.fields(Settings)} >= NO_FIGURES


@pytest.mark.parametrize("name", [one.name for one in dataclasses.fields(Settings)])
def test_a_setting_that_changes_figures_makes_another_protocol_and_no_other_does(titles: Titles, name: str) -> None:
    plain, other = protocol_of(titles.document(1)), protocol_of(titles.document(1, **{f"run__settings__{name}": other_value(name)}))
    if name == "hdr_linear_nits":  # states how a signal is read
        assert (plain["signal"], other["signal"]) == ("files", "options")
    else:
        assert (protocol_id(plain) == protocol_id(other)) is (name in NO_FIGURES)


def test_groups_that_change_no_figure_are_out_as_a_whole_and_verdict_is_in() -> None:
    groups: dict[str, set[str]] = {}
    for one in dataclasses.fields(Settings):
        groups.setdefault(one.metadata["group"], set()).add(one.name)
    assert groups["limits"] | groups["stills"] | groups["displays"] <= NO_FIGURES
    assert not (groups["verdict"] | groups["contaminants"] | groups["canvas"]) & NO_FIGURES


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"run__versions__pairdiff": "0.2.0"}, "pairdiff 0.2.0, not 0.1.0"),
        ({"run__coverage__mode": "survey"}, "survey, not read whole, pairs sampled"),
        ({"run__settings__headroom_clear_stops": 1.3}, "headroom_clear_stops 1.3 against 1"),
        ({"run__settings__only": "0:10:00-0:20:00"}, "only 0:10:00-0:20:00 against not stated"),
        ({"hdr__signal__range__source": "option"}, "signals stated by options"),
        ({"alignment__geometry": []}, "scored at nothing, not 1080 lines"),
    ],
)
def test_what_parts_two_protocols_is_said(titles: Titles, changes: dict[str, Any], words: str) -> None:
    plain, other = protocol_of(titles.document(1)), protocol_of(titles.document(1, **changes))
    assert protocol_id(plain) != protocol_id(other)
    assert say_differences(other, plain) == [words]
    assert say_differences(plain, plain) == []


@pytest.mark.parametrize("side", ["hdr", "sdr"])
@pytest.mark.parametrize("fact", SIGNAL_FACTS)
def test_a_signal_that_an_option_states_parts_a_run_from_those_whose_files_state_it(titles: Titles, side: str, fact: str) -> None:
    assert protocol_of(titles.document(1))["signal"] == "files"
    assert protocol_of(titles.document(1, **{f"{side}__signal__{fact}__source": "option"}))["signal"] == "options"


@pytest.mark.parametrize(
    ("lines", "expected"), [(1080, 1080), (1072, 1080), (1040, 1080), (576, 576), (574, 576), (480, 480), (720, 720), (2160, 2160)]
)
def test_a_canvas_is_counted_to_the_nearest_size_of_a_screen(titles: Titles, lines: int, expected: int) -> None:
    """56.55 pixels a degree are those of 2160 lines at 1.5 picture heights: 2160 x 2 x 1.5 x tan(0.5 degree)."""
    document = titles.document(1)
    document["alignment"]["geometry"][0]["pixels_per_degree"] = 56.55 * lines / 2160
    assert protocol_of(document)["screen_lines"] == expected


def test_films_of_other_names_and_figures_share_a_protocol(titles: Titles) -> None:
    assert len({protocol_id(protocol_of(titles.document(number))) for number in range(20)}) == 1
    facts = protocol_of(titles.document(1))
    assert facts["schema"] == RESULT_SCHEMA
    assert say_protocol(facts) == "pairdiff 0.1.0, read whole, pairs sampled, scored at 1080 lines, signals as the files state them"
