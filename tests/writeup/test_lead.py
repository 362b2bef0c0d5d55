"""The page opens with the label in a plain sentence that the axes bear out, and with a pair of pictures that shows it."""

from __future__ import annotations

from typing import Any

import pytest

from pairdiff.verdict.rules import RULES, WORDS
from pairdiff.writeup.lead import choose_proof, say_lead

BOTH = [{"name": "model-hdr"}, {"name": "model-sdr"}]
MOMENTS = [{"rule": rule, "pictures": BOTH} for rule in ("most different", "largest headroom", "typical")]
BRACKET = [[0, -1, -2, -3]] * 3
ABOVE = [0.02, 0.31, 0.3]
NEAR = [0.0, 0.0, 0.0]
SHARES = {"above_shares": ABOVE, "near_shares": NEAR}


def result(label: str, *, stops: float | None = 0.0, **axes: str) -> dict[str, Any]:
    states = {"highlights": "same", "shadows": "same", "colour": "same"} | axes
    return {"verdict": {"label": label, "axes": states}, "headroom": {"stops": stops}}


def lead(label: str, *, sentence: str = "", **axes: str) -> str:
    return say_lead(label, result(label, **axes)["verdict"]["axes"], sentence)


def test_every_label_but_the_open_one_has_a_plain_sentence_without_figures() -> None:
    for label in WORDS:
        said = lead(label, highlights="slightly_more")
        assert bool(said) == (label != "undetermined")
        assert not any(one.isdigit() for one in said.replace("BT.709", ""))


@pytest.mark.parametrize(
    ("axes", "words"),
    [
        ({"highlights": "clearly_more"}, ": brighter highlights."),
        ({"shadows": "clearly_more"}, ": more in the shadows."),
        (
            {"highlights": "clearly_more", "shadows": "slightly_more", "colour": "clearly_more"},
            ": brighter highlights, more in the shadows and colours outside BT.709.",
        ),
    ],
)
def test_only_axes_that_gain_are_named(axes: dict[str, str], words: str) -> None:
    assert lead("wider-range", **axes).endswith(words)


def test_a_grade_whose_colour_alone_goes_further_is_not_said_to_reach_no_further() -> None:
    assert "not by a range that counts" in lead("different-grade")
    assert lead("different-grade", colour="slightly_more").startswith("The HDR release has colours outside BT.709, and no other")


def test_a_container_beyond_what_a_set_can_be_turned_to_is_not_said_to_be_shown_by_one() -> None:
    assert "it shows what the HDR release shows" in lead("sdr-in-hdr-container")
    (rule,) = (one for one in RULES if "beyond_set" in one.holds)
    said = lead(
        "sdr-in-hdr-container", sentence=f"SDR picture in an HDR container: with the SDR set at 300, {rule.reason} (headroom +1.62)."
    )
    assert "than an SDR set is turned to" in said


@pytest.mark.parametrize(("stops", "shown"), [(0.4, None), (1.0, None), (1.2, -2), (2.0, -2), (2.1, -3), (5.0, -3)])
def test_highlights_are_shown_at_the_exposure_that_holds_them(stops: float, shown: int | None) -> None:
    proof = choose_proof(
        result("wider-range", stops=stops, highlights="clearly_more"), MOMENTS, stops=BRACKET, above_shares=ABOVE, near_shares=NEAR
    )
    assert proof is not None
    assert (proof.number, proof.stops) == (1, shown)
    assert "goes on above SDR white" in proof.look
    assert "31 % of the HDR picture" in proof.why.replace("\N{NO-BREAK SPACE}", " ")


def test_where_nothing_shown_lies_above_white_the_typical_moment_stands() -> None:
    wide = result("wider-range", stops=2.0, highlights="clearly_more")
    proof = choose_proof(wide, MOMENTS, stops=BRACKET, **{**SHARES, "above_shares": [0.0] * 3})
    assert proof is not None
    assert (MOMENTS[proof.number]["rule"], proof.stops, proof.why) == ("typical", None, "")


@pytest.mark.parametrize("label", sorted(WORDS))
def test_without_highlights_the_typical_moment_stands_alone(label: str) -> None:
    proof = choose_proof(result(label, shadows="clearly_more"), MOMENTS, stops=BRACKET, **SHARES)
    assert proof is not None
    assert (MOMENTS[proof.number]["rule"], proof.stops, proof.look) == ("typical", None, "")


def test_where_pictures_are_missing_there_is_no_darker_pair_or_no_pair_at_all() -> None:
    wide = result("wider-range", stops=2.0, highlights="clearly_more")
    without = [{"rule": "typical", "pictures": [{"name": "difference"}]}]
    assert choose_proof(wide, without, stops=[[]], above_shares=[0.0], near_shares=[0.0]) is None
    proof = choose_proof(wide, MOMENTS, stops=[[], [0], []], **SHARES)
    assert proof is not None
    assert (proof.number, proof.stops) == (1, None)
    assert choose_proof(wide, MOMENTS[:1], stops=BRACKET[:1], above_shares=ABOVE[:1], near_shares=NEAR[:1]).number == 0  # type: ignore[union-attr]


def contained(**changed: Any) -> Any:
    given = {"stops": BRACKET, "above_shares": [0.0, 0.005, 0.3], "near_shares": [0.1, 0.2, 0.6]}
    return choose_proof(result("sdr-in-hdr-container"), MOMENTS, **{**given, **changed})


def test_a_container_is_shown_where_it_is_brightest_and_at_an_exposure_that_would_show_more() -> None:
    proof = contained()
    assert (proof.number, proof.stops) == (1, -3)
    assert "ends where the SDR one does" in proof.look
    assert "20 % of the HDR picture within a stop below" in proof.why.replace("\N{NO-BREAK SPACE}", " ")
    assert contained(stops=[[0, -1]] * 3).stops is None  # the upper pair shows as much


def test_a_container_that_is_dark_or_goes_further_is_shown_at_the_typical_moment() -> None:
    typical = (2, None, "")
    dark, above = contained(near_shares=[0.04] * 3), contained(above_shares=[0.02] * 3)
    assert (dark.number, dark.stops, dark.look) == (above.number, above.stops, above.look) == typical
    (rule,) = (one for one in RULES if "beyond_set" in one.holds)
    beyond = result("sdr-in-hdr-container")
    beyond["verdict"]["sentence"] = rule.reason
    proof = choose_proof(beyond, MOMENTS, stops=BRACKET, above_shares=[0.0] * 3, near_shares=[0.1, 0.2, 0.6])
    assert proof is not None
    assert (proof.number, proof.stops, proof.look) == typical


def test_another_grade_is_shown_where_it_differs_most() -> None:
    grade = result("different-grade")
    proof = choose_proof(grade, MOMENTS, stops=BRACKET, **SHARES)
    assert proof is not None
    assert (MOMENTS[proof.number]["rule"], proof.stops) == ("most different", None)
    assert "they are not the same" in proof.look
    grade["verdict"]["axes"]["colour"] = "clearly_more"
    assert choose_proof(grade, MOMENTS, stops=BRACKET, **SHARES).look == ""  # type: ignore[union-attr]


@pytest.mark.parametrize(("label", "curved"), [("stretched-sdr", True), ("restrained-hdr", False), ("wider-range", False)])
def test_the_picture_through_the_curve_belongs_to_a_label_that_a_curve_explains(label: str, curved: bool) -> None:
    proof = choose_proof(result(label, stops=2.0, highlights="clearly_more"), MOMENTS, stops=BRACKET, **SHARES)
    assert proof is not None
    assert proof.curved == curved


def test_it_belongs_to_a_container_that_no_set_can_be_turned_to() -> None:
    (rule,) = (one for one in RULES if "beyond_set" in one.holds)
    for sentence, curved in ((rule.reason, True), ("", False)):
        found = result("sdr-in-hdr-container")
        found["verdict"]["sentence"] = sentence
        proof = choose_proof(found, MOMENTS, stops=BRACKET, **SHARES)
        assert proof is not None
        assert proof.curved == curved
