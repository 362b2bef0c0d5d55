import itertools
from dataclasses import fields

import pytest

from pairdiff.verdict.rules import RULES, WORDS, Conditions, decide

NAMES = [field.name for field in fields(Conditions)]
NO = dict.fromkeys(NAMES, False)


def label(*true):
    return decide(Conditions(**{**NO, **dict.fromkeys(true, True)})).label


def test_every_rule_can_be_reached():
    reached = [decide(Conditions(**{**NO, **dict.fromkeys(rule.holds, True)})) for rule in RULES]
    assert [id(rule) for rule in reached] == [id(rule) for rule in RULES]


def test_every_combination_is_decided_by_the_first_rule_that_holds():
    for values in itertools.product((False, True), repeat=len(NAMES)):
        state = dict(zip(NAMES, values, strict=True))
        expected = next(n for n, rule in enumerate(RULES) if all(state[name] for name in rule.holds))
        assert decide(Conditions(**state)) is RULES[expected]


def test_conditions_and_labels_exist():
    assert {name for rule in RULES for name in rule.holds} <= set(NAMES)
    assert {name for name in NAMES} == {name for rule in RULES for name in rule.holds}
    assert {rule.label for rule in RULES} == set(WORDS)
    assert all(rule.reason and not rule.reason.endswith(".") for rule in RULES)


def test_the_words_stay_neutral():
    text = " ".join([*WORDS.values(), *(rule.reason for rule in RULES)]).lower()
    for loaded in ("fake", "fraud", "lie ", "cheat", "real hdr", "true hdr", "scam", "honest"):
        assert loaded not in text.replace("levels lie above", "")


@pytest.mark.parametrize(
    ("conditions", "expected"),
    [
        ((), "sdr-in-hdr-container"),
        (("regraded",), "different-grade"),
        (("colour_gain",), "different-grade"),
        (("highlights_gain",), "restrained-hdr"),
        (("highlights_gain", "regraded", "colour_gain"), "restrained-hdr"),
        (("highlights_gain", "highlights_clear"), "wider-range"),
        (("highlights_gain", "highlights_clear", "regraded"), "wider-range"),
        (("shadows_gain",), "restrained-hdr"),
        (("shadows_gain", "shadows_clear"), "wider-range"),
        (("highlights_gain", "highlights_clear", "clipped_there", "flat_there", "one_curve"), "stretched-sdr"),
        (("highlights_gain", "highlights_clear", "clipped_there", "flat_there"), "wider-range"),
        (("highlights_gain", "highlights_clear", "clipped_there", "one_curve"), "wider-range"),
        (("highlights_gain", "highlights_clear", "flat_there", "one_curve"), "wider-range"),
        (("clipped_there", "flat_there", "one_curve"), "sdr-in-hdr-container"),
        (tuple(NAMES), "undetermined"),
        (("too_little_matched",), "undetermined"),
    ],
)
def test_the_order_of_the_table(conditions, expected):
    assert label(*conditions) == expected
