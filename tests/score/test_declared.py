"""Declared against measured light levels; the cases are the trade's (common practice, no source), limits our own."""

import re

import pytest

from pairdiff._records import Declared, Levels, Mastering
from pairdiff.score.declared import AGREES_RATIO, FAR_RATIO, agrees_with, check_declared
from pairdiff.writeup.phrases import DECLARED_WORDS, say_declared_check


def make_declared(cll: float | None, fall: float | None, peak: float | None = None) -> Declared:
    def state(value: float | None) -> str:
        return "absent" if value is None else "present" if value else "zero"

    mastering = (
        None if peak is None else Mastering(**{**dict.fromkeys(Mastering.__dataclass_fields__), "max_nits": peak, "min_nits": 0.0001})
    )
    return Declared(state(cll), cll or None, state(fall), fall or None, "container", mastering, ())


def make_levels(cll: float, fall: float, p9999: float | None = None) -> Levels:
    fields: dict = dict.fromkeys(Levels.__dataclass_fields__)
    fields |= {
        "status": "measured",
        "max_cll_nits": cll,
        "max_fall_nits": fall,
        "p9999_nits": p9999 or cll,
        "frames": 24,
        "condition": "absolute",
    }
    return Levels(**fields)


def states(declared: Declared, levels: Levels, *, absolute: bool = True) -> list[str]:
    return [check.state for check in check_declared(declared, levels, absolute=absolute)]


@pytest.mark.parametrize(
    ("said", "found", "robust", "state"),
    [
        (None, 500, 500, "absent"),
        (0.0, 500, 500, "zero"),
        (500, 500, 500, "agrees"),
        (500, 500 * AGREES_RATIO * 1.01, 500 * AGREES_RATIO * 1.01, "exceeded"),
        (500, 3000, 480, "exceeded_by_pixels"),
        (500, 400, 400, "above_measured"),
        (1000, 1000 / FAR_RATIO, 300, "far_above_measured"),
    ],
)
def test_max_cll_is_held_against_the_picture(said: float | None, found: float, robust: float, state: str):
    assert states(make_declared(said, None), make_levels(found, 100, robust))[0] == state


def test_max_fall_has_no_pixels_that_excuse_it():
    assert states(make_declared(1000, 100), make_levels(900, 180))[1] == "exceeded"


def test_the_mastering_peak_is_a_bound_and_no_promise():
    assert states(make_declared(None, None, 4000), make_levels(300, 80))[2] == "within"
    assert states(make_declared(None, None, 400), make_levels(900, 80))[2] == "exceeded"
    assert states(make_declared(None, None), make_levels(900, 80))[2] == "absent"


def test_levels_of_hlg_cannot_be_held_against_a_declaration():
    assert states(make_declared(1000, 400, 1000), make_levels(300, 80), absolute=False) == ["cannot_tell"] * 3
    assert states(make_declared(None, 0.0), make_levels(300, 80), absolute=False)[:2] == ["absent", "zero"]


@pytest.mark.parametrize(
    ("cll", "fall", "measured", "stamped"),
    [
        (1000, 400, (180, 60), True),
        (4000, 1000, (520, 90), True),
        (1000, 173, (310, 70), True),
        (1000, 400, (980, 390), False),
        (812, 173, (180, 60), False),
        (612, 133, (600, 130), False),
    ],
)
def test_round_figures_far_from_the_picture_look_stamped(cll: float, fall: float, measured: tuple[float, float], stamped: bool):
    checks = check_declared(make_declared(cll, fall, 1000), make_levels(*measured), absolute=True)
    assert [check.looks_stamped for check in checks] == [stamped, stamped, False]


def test_every_state_has_words_and_none_judges_people():
    for state in DECLARED_WORDS:
        said = say_declared_check(state, looks_stamped=True)
        assert said.startswith(DECLARED_WORDS[state])
        assert said.endswith("far from what this picture holds")
        assert not re.search("lie|false|cheat|wrong", said)


def test_two_levels_agree_either_way_and_an_unknown_one_with_none():
    assert agrees_with(1000, 1000 * AGREES_RATIO * 0.999)
    assert agrees_with(1000 * AGREES_RATIO * 0.999, 1000)
    assert not agrees_with(1000, 1000 * AGREES_RATIO * 1.001)
    assert not agrees_with(None, 1000)
    assert not agrees_with(0.0, 0.0)
