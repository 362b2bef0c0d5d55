"""Every standard objection is answered from the figures of the run it is about, or with the words that it has none.

Truth is planted: each case puts a figure of its own into a comparison made by hand, or takes one away. Which states are due is this
project's own rule (`verdict/objections.py`).
"""

from __future__ import annotations

import math
import re
from dataclasses import fields, is_dataclass, replace
from typing import Any

import pytest

from pairdiff._records import Comparison, Fact, Objection, OriginSign, Shadows
from pairdiff.verdict.answers_method import FIT_ERROR_JOD
from pairdiff.verdict.figures import say_interval, say_share
from pairdiff.verdict.judge import THRESHOLDS
from pairdiff.verdict.objections import SUBJECTS, list_objections
from tests.writeup._example import make_container_example, make_example

EXAMPLE = make_example()
MEASURED_SHADOWS = Shadows("measured", 4.4, 0.08, 0.03, 0.3)
NAMES = [subject.name for subject in SUBJECTS]


def put(record: Any, path: str, value: Any) -> Any:
    """A record with one of its parts, at any depth, replaced; `*` is every item of a tuple."""
    name, _, rest = path.partition(".")
    if isinstance(record, tuple):
        return tuple(put(one, rest, value) if name in ("*", str(n)) else one for n, one in enumerate(record))
    if not rest:
        return record | {name: value} if isinstance(record, dict) else replace(record, **{name: value})
    if isinstance(record, dict):
        return record | {name: put(record[name], rest, value)}
    return replace(record, **{name: put(getattr(record, name), rest, value)})


def ask(name: str, comparison: Comparison = EXAMPLE, **changes: Any) -> Objection:
    """One objection to a comparison; in `changes` two underscores stand for a dot."""
    for path, value in changes.items():
        comparison = put(comparison, path.replace("__", "."), value)
    return next(one for one in list_objections(comparison) if one.name == name)


def bench(**changes: Any) -> tuple[Any, ...]:
    return (*EXAMPLE.setups, replace(EXAMPLE.setups[2], name="bench", **changes))


# ---------------------------------------------------------------- the sheet


def test_every_objection_stands_once_in_the_same_order() -> None:
    assert [one.name for one in list_objections(EXAMPLE)] == NAMES
    assert [one.name for one in list_objections(make_container_example())] == NAMES
    assert len(set(NAMES)) == len(NAMES)


def test_the_subjects_that_both_sides_raise_are_there() -> None:
    """What a defender and a doubter of a release say; common practice, no source."""
    expected = "intent metadata average_brightness gamut shadows sampling display setup own_set matching noise peaks_high peaks_low"
    assert {*expected.split(), "one_curve", "stretched", "layers", "model", "thresholds"} <= set(NAMES)
    assert {one.raised_by for one in list_objections(EXAMPLE)} == {"defends", "doubts", "both"}


FIGURES: dict[str, list[tuple[str, Any, str]]] = {
    "intent": [("headroom.stops", 1.23, "+1.23 stops"), ("origin_signs.0.state", "seen", "of 5 signs of SDR origin 2 seen and 2 open")],
    "another_grade": [
        ("tone.shift_median_jnd", 7.7, "7.7 JND"),
        ("tone.residual_p95_jnd", 8.8, "8.8 JND"),
        ("tone.shot_spread_jnd", 6.6, "6.6"),
    ],
    "average_brightness": [("viewer.light_ratio", 1.77, "1.77 times"), ("headroom.stops", 1.23, "+1.23 stops")],
    "peaks_high": [
        ("hdr.levels.max_cll_nits", 1234.0, "1230 cd/m2"),
        ("headroom.stops", 1.23, "+1.23 stops"),
        ("settings.headroom_time_share", 0.2, "20 % of matched time"),
        ("settings.headroom_clear_stops", 1.7, "clearly more from 1.7 stops"),
    ],
    "peaks_low": [
        ("hdr.levels.area_1000_share", 0.012, "1.2 %"),
        ("headroom.stops", 0.77, "+0.77 stops"),
        ("headroom.time_share.value", 0.27, "27 %"),
    ],
    "gamut": [
        ("colour.outside_709_share", 0.27, "27 % of the picture"),
        ("colour.outside_p3_share", 0.13, "13 % outside P3"),
        ("colour.beyond_set.saturated_100_to_300_share", 0.031, "at 100 to 300 cd/m2 3.1 %, in"),
        ("colour.beyond_set.saturated_100_to_300_time_share", 0.23, "in 23 % of matched time"),
        ("colour.beyond_set.beyond_volume_jnd3", 456000.0, "0.456 million JND³ of the 2.34 million"),
        ("settings.gamut_margin_jnd", 5.0, "more than 5 JND"),
        ("verdict.axes.colour", "clearly_more", "colour clearly more ("),
    ],
    "shadows": [
        ("setup.uncertainty.gamma", 0.1, f"{0.1 * math.log2(20):.2f} stops there"),
        ("shadows.dark_share", 0.0087, "0.87 % of the picture"),
        ("shadows", MEASURED_SHADOWS, "4.4 JND of detail more"),
        ("shadows", MEASURED_SHADOWS, "moves it by 0.3 JND"),
        ("shadows", MEASURED_SHADOWS, "over 3.0 % of the picture"),
    ],
    "one_curve": [
        ("tone.residual_p95_jnd", 7.1, "7.1 JND"),
        ("free_fit.p95_jnd", 3.3, "3.3 JND"),
        ("free_fit.peak_ratio_stops", 0.9, "+0.90 stops"),
    ],
    "layers": [("hdr.release.declared.dynamic", ("a second layer of tests",), "a second layer of tests")],
    "stretched": [
        ("recovered.bright_clipped_share", 0.83, "83 %"),
        ("recovered.detail_jnd", 3.1, "3.1 JND"),
        ("recovered.film_stops", 0.44, "0.44 stops"),
    ],
    "noise": [
        ("free_fit.noise_jnd", 2.2, "2.2 JND"),
        ("difference.side_by_side.rms", 9.9, "9.9 JND"),
        ("headroom.noise_stops", 0.21, "0.21 stops"),
    ],
    "metadata": [
        ("hdr.release.declared.max_cll_nits", 467.0, f"declared 467 cd/m2, measured 934 cd/m2 (+{math.log2(934 / 467):.2f} stops)"),
        ("hdr.levels.max_fall_nits", 77.7, "77.7 cd/m2"),
        ("hdr.levels.p9999_nits", 555.0, "555 cd/m2"),
        ("hdr.release.declared.mastering.max_nits", 4000.0, "mastering peak 4000 cd/m2"),
    ],
    "setup": [
        ("setup.white_nits", 166.0, "White 166 ± 4.10 cd/m2"),
        ("setup.uncertainty.white_nits", 9.5, "± 9.5"),
        ("setup.gamma", 2.22, "gamma 2.22"),
        ("setups.1.label", "different-grade", 'white-203 (203 cd/m2): "another grade, not more range"'),
    ],
    "own_set": [("setups.2.white_nits", 88.0, "88.0 cd/m2"), ("setups", bench(white_nits=77.0, headroom_stops=0.66), "+0.66 stops")],
    "display": [
        ("screens.0.headroom_stops", 0.11, "+0.11 stops"),
        ("screens.1.peak_nits", 321.0, "321 cd/m2"),
        ("screens.0.pairs", 7, "7 pairs"),
        ("screens.0.label", "different-grade", '"another grade, not more range"'),
    ],
    "sampling": [
        ("coverage.scored_pairs", 33, "33 of 2760"),
        ("coverage.shots", 13, "13 shots"),
        ("headroom.time_share.low", 0.19, "19 to 48 %"),
    ],
    "one_scene": [("headroom.median_stops", 0.31, "+0.31 stops"), ("headroom.highest_shot_stops", 4.2, "+4.20 stops")],
    "matching": [
        ("alignment.matched_share", 0.66, "66 % of the HDR frames"),
        ("alignment.score", 0.81, "0.81"),
        ("alignment.runner_up", 0.42, "0.42"),
        ("alignment.segments.1.confidence", 0.71, "0.71"),
        ("alignment.segments.4.hdr_start", 2800, " 80 HDR frames were refused"),
        ("alignment.geometry.0.residual_pixels", 0.37, "0.37 pixels"),
    ],
    "reading": [("hdr.release.signal.range", Fact("full", "assumed", True), "2 had to be assumed: HDR range full and SDR")],
    "thresholds": [
        ("verdict.support", {"wider-range": 0.87, "restrained-hdr": 0.13}, "87 % give this label"),
        ("settings.support_draws", 123, "123 draws"),
        (
            "verdict.flips",
            ("regraded_jnd at 3: x.", "`recovered_jnd` at 1: y."),
            f"2 of {len(THRESHOLDS)} change the label (regraded_jnd and recovered_jnd)",
        ),
    ],
    "model": [
        ("difference.on_its_own.preference_loss.value", 0.77, "0.77 JOD"),
        ("difference.on_its_own.notice_probability.value", 0.61, "61 %"),
        ("moments.0.published_loss", 0.93, "0.93 JOD to 0.93 JOD on 1 still"),
    ],
    "stills": [("settings.seed", 4711, "seed 4711"), ("moments.0.loss", 5.55, "5.55 JOD")],
    "other_copy": [("hdr.frames", 1111, "1111 pictures"), ("sdr.damage", (), "0 faults")],
}
"""A figure planted in the comparison, and how the answer must say it; the arithmetic beside it where it is not the figure itself."""


@pytest.mark.parametrize("name", NAMES)
def test_every_answer_has_figures_to_plant(name: str) -> None:
    assert FIGURES[name]


@pytest.mark.parametrize(("name", "path", "value", "words"), [(name, *case) for name, cases in FIGURES.items() for case in cases])
def test_an_answer_says_the_figure_of_this_run(name: str, path: str, value: Any, words: str) -> None:
    before, after = ask(name), ask(name, put(EXAMPLE, path, value))
    assert words in after.answer
    assert words not in before.answer


GONE: dict[str, dict[str, Any]] = {
    "another_grade": {"tone__status": "not_measured"},
    "average_brightness": {"viewer__light_ratio": None, "headroom__status": "not_measured"},
    "peaks_high": {"headroom__status": "not_measured", "hdr__levels__max_cll_nits": None},
    "peaks_low": {"headroom__status": "cannot_tell"},
    "gamut": {"colour__status": "not_measured"},
    "shadows": {"shadows__status": "not_measured", "shadows__gain_jnd": 4.4},
    "one_curve": {"tone__residual_p95_jnd": None, "free_fit__p95_jnd": None},
    "layers": {"hdr__release__declared__dynamic": ("dynamic metadata",)},
    "stretched": {"recovered__status": "cannot_tell"},
    "noise": {"free_fit__noise_jnd": None, "headroom__noise_stops": None},
    "metadata": {"hdr__levels__status": "not_measured"},
    "setup": {"setup__label": None},
    "own_set": {"setups": EXAMPLE.setups[:2]},
    "display": {"screens": ()},
    "sampling": {"coverage__scored_pairs": 0},
    "one_scene": {"headroom__status": "not_measured"},
    "matching": {"alignment__segments": ()},
    "thresholds": {"verdict__support": {}},
    "model": {"difference__on_its_own__status": "not_measured"},
    "stills": {"moments": ()},
}


@pytest.mark.parametrize("name", GONE)
def test_an_answer_without_its_figure_says_that_it_has_none(name: str) -> None:
    found = ask(name, **GONE[name])
    assert found.state == "cannot_answer"
    assert found.answer
    assert "None" not in found.answer
    assert "no value" not in found.answer


@pytest.mark.parametrize(
    ("name", "state", "changes"),
    [
        ("intent", "cannot_answer", {}),
        ("other_copy", "cannot_answer", {}),
        ("another_grade", "answered", {}),
        ("average_brightness", "partly", {"viewer__light_ratio": None}),
        ("average_brightness", "answered", {}),
        ("peaks_high", "partly", {"headroom__status": "not_measured"}),
        ("gamut", "answered", {"colour__status": "not_applicable"}),
        ("shadows", "answered", {}),
        ("shadows", "answered", {"shadows": MEASURED_SHADOWS}),
        ("shadows", "partly", {"shadows": replace(MEASURED_SHADOWS, gamma_jnd=2.1)}),  # as much as counts as detail
        ("one_curve", "answered", {}),
        ("one_curve", "partly", {"verdict__axes__highlights": "same"}),
        ("one_curve", "partly", {"verdict__label": "stretched-sdr"}),
        ("one_curve", "answered", {"verdict__axes__highlights": "same", "tone__residual_p95_jnd": 6.1}),  # no one curve explains it
        ("one_curve", "partly", {"recovered__film_stops": 0.3}),  # highlights, but one level where the SDR is clipped
        ("one_curve", "partly", {"recovered__status": "not_applicable"}),
        ("layers", "answered", {"hdr__release__declared__dynamic": ()}),
        ("stretched", "partly", {"recovered__status": "not_applicable"}),
        ("stretched", "answered", {"free_fit__power_law": True, "free_fit__gamma": 2.4}),
        ("stretched", "partly", {"free_fit__power_law": True, "free_fit__gamma": 3.1}),
        ("stretched", "answered", {"free_fit__power_law": True, "free_fit__gamma": 3.1, "headroom__stops": 0.1}),
        ("noise", "answered", {}),
        ("noise", "partly", {"headroom__stops": 1.04}),  # 0.06 stops of noise lift it over the threshold of 1
        ("noise", "partly", {"headroom__noise_stops": None}),
        ("metadata", "partly", {}),
        ("metadata", "answered", {"hdr__release__declared__max_fall_nits": 140.0, "hdr__release__declared__max_fall_state": "present"}),
        ("setup", "partly", {}),
        ("setup", "answered", {"setups__2__label": "wider-range"}),
        ("setup", "partly", {"setups__2__label": "wider-range", "setup__at_bound": True}),
        ("setup", "partly", {"setups__2__label": "wider-range", "verdict__label": "undetermined"}),
        ("own_set", "partly", {}),
        ("own_set", "answered", {"setups": bench()}),
        ("display", "partly", {}),
        ("display", "answered", {"screens__1__label": "wider-range"}),
        ("sampling", "answered", {}),
        ("sampling", "answered", {"coverage__mode": "full"}),
        ("sampling", "partly", {"coverage__shots": 2}),
        ("sampling", "partly", {"headroom__time_share__low": 0.02}),  # the interval holds the 10 % that the axis asks for
        ("matching", "partly", {"alignment__geometry__0__residual_pixels": None}),
        ("matching", "partly", {"alignment__matched_share": 0.19}),
        ("reading", "partly", {}),
        ("reading", "answered", {"sdr__release__signal__chroma_siting": Fact("left", "option", False)}),
        ("thresholds", "partly", {}),
        ("thresholds", "answered", {"verdict__flips": ()}),
        ("thresholds", "partly", {"verdict__flips": (), "verdict__label": "undetermined", "verdict__support": {"wider-range": 0.6}}),
        ("model", "partly", {}),
        ("stills", "partly", {}),
    ],
)  # fmt: skip
def test_how_far_an_answer_goes(name: str, state: str, changes: dict[str, Any]) -> None:
    assert ask(name, **changes).state == state


def test_one_curve_is_answered_by_what_no_curve_makes_and_by_nothing_less() -> None:
    assert "holds more than one level" in ask("one_curve", recovered__film_stops=0.9).answer
    for changes in ({"recovered__film_stops": 0.3}, {"recovered__status": "not_applicable"}):
        found = ask("one_curve", **changes)
        assert "more than one level" not in found.answer
        assert "taken away by one or drawn up by the other" in found.answer


def test_a_flat_level_where_the_sdr_is_clipped_stays_open_where_the_label_does() -> None:
    # a small spread, most of what is bright clipped, no detail: evenly lit surfaces and a stretch look the same
    flat = {"recovered__film_stops": 0.2, "recovered__bright_clipped_share": 0.9, "recovered__detail_jnd": 0.1}
    found = ask("stretched", **flat, verdict__label="undetermined", verdict__support={"undetermined": 1.0})
    assert (found.state, "evenly lit surfaces look the same" in found.answer) == ("partly", True)
    assert ask("stretched", **flat, verdict__label="stretched-sdr").state == "answered"


def test_shadows_are_said_in_figures_as_soon_as_they_are_measured() -> None:
    found = ask("shadows", shadows=MEASURED_SHADOWS, verdict__axes__shadows="clearly_more")
    assert "shadows clearly more (slightly more from 2.0 %, clearly more from 10 %)" in found.answer
    assert "not measured" not in found.answer
    assert "shadows the same (" in ask("shadows", shadows=MEASURED_SHADOWS, verdict__axes__shadows="same").answer


def test_what_gamma_leaves_in_the_shadows_is_the_arithmetic_of_a_power() -> None:
    """At 5 % signal: 0.05^2.2 over 0.05^2.4 is 1.82, 0.86 stops (BT.1886 with a black of 0)."""
    assert f"{math.log2(0.05**2.2 / 0.05**2.4):.2f} stops" in ask("shadows").answer
    assert "0.86 stops" in ask("shadows").answer


def test_the_white_that_takes_the_highlights_is_where_headroom_meets_the_threshold() -> None:
    """Headroom 1.95 stops at 143 cd/m2: 0.3 are left at 143 x 2^1.65 = 449 cd/m2, beyond the 300 of the set; 0.8 at 202, within."""
    assert "449 cd/m2 leaves less than 0.3 stops of highlights; it is beyond the set's reach (300 cd/m2)" in ask("setup").changes
    assert "makes all the rest 1.65 stops brighter" in ask("setup").changes
    assert "202 cd/m2 leaves less than 0.3 stops of highlights; it is within" in ask("setup", headroom__stops_controls=0.8).changes
    assert "No white" in ask("setup", free_fit__power_law=True).changes


def test_a_full_run_says_how_much_of_what_was_matched_it_scored() -> None:
    found = ask("sampling", coverage__mode="full", coverage__scored_pairs=2758, coverage__matched_frames=2760)
    assert "2758 of 2760 matched frames" in found.answer
    assert "no sampling error" in found.answer
    assert "interval" not in found.answer


def test_an_interval_that_reaches_the_share_the_axis_asks_for_is_named() -> None:
    found = ask("sampling", headroom__time_share=replace(EXAMPLE.headroom.time_share, value=0.0, low=0.0, high=0.492))
    assert say_interval(0.0, 0.492, say_share).replace("\N{NO-BREAK SPACE}", " ") in found.answer
    assert "holds the 10 % that the highlights axis asks for" in found.answer
    assert "highlights axis asks for" not in ask("sampling").answer


def test_a_peak_ratio_is_not_called_headroom_over_white() -> None:
    assert "against what the SDR release shows there" in ask("peaks_high", headroom__uses_peak_ratio=True).answer
    room = dict(headroom__stops=0.7, headroom__stops_gain=0.7, headroom__stops_controls=0.9)
    assert "0.70 stops of headroom with a gain alone (+0.90 stops with" in ask("peaks_high", **room).answer.replace(
        "\N{NO-BREAK SPACE}", " "
    )
    assert "a gain alone" not in ask("peaks_high", **{**room, "headroom__stops_gain": 0.9}).answer


def test_a_stretched_picture_and_a_power_law_are_named_where_peaks_are_high() -> None:
    assert "the HDR is flat" in ask("peaks_high", verdict__label="stretched-sdr").answer
    assert "peaks included" in ask("peaks_high", free_fit__power_law=True).answer
    assert "so it is here" in ask("stretched", verdict__label="stretched-sdr").answer
    assert "not so here" in ask("stretched").answer
    open_ = ask("stretched", verdict__label="undetermined", verdict__support={"stretched-sdr": 0.58, "restrained-hdr": 0.42})
    assert "it is one in 58 % of the draws, so that this stays open" in open_.answer
    assert open_.state == "partly"
    assert ask("stretched", verdict__label="undetermined", verdict__support={"restrained-hdr": 0.6}).state == "answered"


@pytest.mark.parametrize(("name", "figure"), [("stretched", "clipped_share"), ("gamut", "outside_709_share")])
def test_in_how_many_shots_a_figure_is_seen_is_said(name: str, figure: str) -> None:
    pairs = [replace(EXAMPLE.pairs[0], shot=n // 2, clipped_share=0.0, outside_709_share=0.0) for n in range(8)]
    pairs[3] = replace(pairs[3], **{figure: 0.2})
    words = {"stretched": "the SDR is clipped in", "gamut": "that is seen in"}[name]
    assert f"{words} 1 of 4 shots" in ask(name, pairs=tuple(pairs)).answer
    assert f"{words} 0 of 4 shots" in ask(name, pairs=tuple(replace(one, **{figure: 0.0}) for one in pairs)).answer


def test_shots_in_which_what_is_bright_is_clipped_are_counted_apart_from_those_that_clip() -> None:
    pairs = [replace(EXAMPLE.pairs[0], shot=n, clipped_share=0.1, bright_clipped_share=share) for n, share in enumerate((0.2, 0.6, 0.4))]
    assert "the SDR is clipped in 3 of 3 shots, and in 1 so much of what" in ask("stretched", pairs=tuple(pairs)).answer


def test_shots_whose_tone_is_shifted_are_told_beside_the_median_of_the_film() -> None:
    shifts = (0.4, 0.6, 9.5)
    pairs = [replace(EXAMPLE.pairs[0], shot=n, tone_shift_jnd={"controls": jnd}) for n, jnd in enumerate(shifts)]
    assert "shots: 0.4 JND to 9.5 JND, 1 of 3 above it" in ask("another_grade", pairs=tuple(pairs)).answer
    assert "shots:" not in ask("another_grade", pairs=tuple(pairs[:1])).answer


def test_what_the_rule_for_a_stretch_has_nothing_to_be_asked_of_is_said() -> None:
    assert "where too little lies far enough above SDR white" in ask("stretched", verdict__axes__highlights="same").answer
    assert "too little lies" not in ask("stretched").answer


def test_several_levels_without_detail_can_come_of_a_curve_that_differs_from_place_to_place() -> None:
    levels = {"recovered__status": "measured", "recovered__film_stops": 1.4, "tone__residual_p95_jnd": 3.0}
    plain = ask("one_curve", **levels, recovered__detail_jnd=0.2)
    assert "which no one curve makes of it" in plain.answer
    assert "a gain map, a power window" in plain.changes
    assert plain.state == "partly"
    assert ask("one_curve", **levels, recovered__detail_jnd=3.0).state == "answered"


def test_set_ups_that_came_out_alike_are_counted_once() -> None:
    one, two = (replace(EXAMPLE.setups[2], name=name, label="wider-range") for name in ("controls", "gain"))
    assert "and every other set-up came out as it did" in ask("setup", setups=(two, one)).answer
    apart = replace(two, white_nits=two.white_nits * 1.05)
    assert "1 of 1 set-up that differs from it give" in ask("setup", setups=(apart, one)).answer


def test_a_display_that_must_dim_the_brightest_frame_is_named() -> None:
    screens = tuple(replace(one, full_field_nits=150.0, label=EXAMPLE.setup.label) for one in EXAMPLE.screens)
    bright = ask("display", screens=screens, hdr__levels__max_fall_nits=277.0)
    assert "The brightest frame averages 277 cd/m2, more than the full field of" in bright.answer
    assert bright.state == "partly"
    dim = ask("display", screens=screens, hdr__levels__max_fall_nits=149.0)
    assert dim.state == "answered"
    assert "averages" not in dim.answer


def test_displays_do_not_answer_what_the_draws_leave_open() -> None:
    screens = tuple(replace(one, full_field_nits=None, label=EXAMPLE.setup.label) for one in EXAMPLE.screens)
    open_ = ask("display", screens=screens, verdict__label="undetermined")
    assert open_.state == "partly"
    assert "with the doubt set aside" in open_.answer
    assert "which label fits is open" in ask("intent", verdict__label="undetermined").answer


def test_the_distance_to_a_threshold_says_where_it_is_not_the_whole_of_it() -> None:
    plain = {"headroom__stops": 0.48, "free_fit__power_law": False}
    assert "0.18 stops less headroom would reach" in ask("peaks_low", **plain).changes
    assert "sooner" not in ask("peaks_low", **plain).changes
    assert "so that the label changes sooner" in ask("peaks_low", **plain, verdict__tone="regraded").changes
    assert "changes nothing while one power law" in ask("peaks_low", free_fit__power_law=True).changes


def test_the_model_is_said_to_miss_its_metric_by_what_the_bench_found() -> None:
    assert f"which it misses by {FIT_ERROR_JOD:.2f} JOD on average on scenes it was not fitted to" in ask("model").answer.replace(
        "\xa0", " "
    )


def test_limits_are_not_answered_where_another_seed_can_give_another_label() -> None:
    firm = {"verdict__flips": (), "verdict__label": "wider-range", "verdict__support": {"wider-range": 0.81}}
    assert ask("thresholds", **firm).state == "answered"
    assert ask("thresholds", **(firm | {"verdict__flips": ("Another seed: x.",)})).state == "partly"


def test_what_lies_outside_an_asked_passage_is_not_said_to_be_refused() -> None:
    segments = (replace(EXAMPLE.alignment.segments[1], kind="undetermined", hdr_start=0, hdr_stop=204), EXAMPLE.alignment.segments[1])
    settings = EXAMPLE.settings | {"only": "5-7"}
    asked = ask("matching", alignment__segments=segments, settings=settings, alignment__matched_share=0.1)
    assert "204 HDR frames lie outside what --only names or were refused as in doubt" in asked.answer
    assert asked.state == "answered"
    assert "204 HDR frames were refused" in ask("matching", alignment__segments=segments).answer


def test_declarations_of_zero_and_none_are_told_apart() -> None:
    assert "MaxFALL declared as 0, which means unknown, measured 161 cd/m2" in ask("metadata").answer
    gone = ask("metadata", hdr__release__declared__max_fall_state="absent", hdr__release__declared__mastering=None)
    assert "MaxFALL not declared" in gone.answer
    assert "mastering peak not declared" in gone.answer


def test_declarations_that_look_stamped_are_named_and_those_of_a_display_are_answered_in_part() -> None:
    assert "far from what the picture holds: MaxCLL." in ask("metadata", declared_checks__0__looks_stamped=True).answer
    assert "far from" not in ask("metadata").answer
    full = {"hdr__release__declared__max_fall_nits": 140.0, "hdr__release__declared__max_fall_state": "present"}
    held = "hold at a 1000 cd/m2 display only"
    hlg = ask("metadata", declared_checks__0__state="cannot_tell", hdr__levels__condition="at a 1000 cd/m2 display; chroma x", **full)
    assert hlg.state == "partly"
    assert held in hlg.answer
    assert ask("metadata", **full).state == "answered"
    assert held not in ask("metadata", **full).answer


def test_only_signs_that_were_measured_are_counted() -> None:
    none = tuple(OriginSign(sign.name, "not_measured", "cannot_tell", None, sign.innocent) for sign in EXAMPLE.origin_signs)
    assert "signs of SDR origin not measured" in ask("intent", origin_signs=none).answer


def test_a_label_that_every_display_gives_is_said_once() -> None:
    label = '"HDR that widens the picture"'
    found = ask("display", screens__1__label="wider-range").answer
    assert found.count(label) == 1
    assert "+1.70 stops) and lcd-dim (350 cd/m2, highlights +0.80 stops) give" in found
    assert "self-emissive (800 cd/m2, highlights +1.70 stops) gives" in ask("display").answer


def test_an_uncertainty_is_never_said_as_nothing() -> None:
    assert "± less than 0.01" in ask("setup", setup__uncertainty__gamma=0.001).answer
    assert "sure to less than 0.01 stops" in ask("shadows", setup__uncertainty__gamma=0.001).answer


def test_a_stated_tag_is_named_as_stated() -> None:
    found = ask("reading", sdr__release__signal__range=Fact("full", "option", False))
    assert "Stated with options: SDR range full." in found.answer


def hollow(record: Any) -> Any:
    """A record whose every figure that may be missing is missing, and whose status is `cannot_tell`."""
    if not is_dataclass(record):
        return record
    held = {one.name: getattr(record, one.name) for one in fields(record)}
    held = {name: hollow(value) if is_dataclass(value) else None if isinstance(value, float) else value for name, value in held.items()}
    return replace(record, **(held | ({"status": "cannot_tell"} if "status" in held else {})))  # type: ignore[type-var]


def test_a_run_that_measured_next_to_nothing_is_answered_in_words() -> None:
    parts = ("free_fit", "headroom", "recovered", "shadows", "colour", "tone", "viewer", "difference")
    empty = replace(EXAMPLE, **{name: hollow(getattr(EXAMPLE, name)) for name in parts})
    found = {one.name: one for one in list_objections(empty)}
    for name in ("another_grade", "average_brightness", "peaks_low", "gamut", "shadows", "one_curve", "stretched", "noise", "model"):
        assert found[name].state == "cannot_answer", name
    assert not any(re.search(r"\bNone\b|\bnan\b|no value", one.answer) for one in found.values())


# ---------------------------------------------------------------- the words

CASES = [
    EXAMPLE,
    make_container_example(),
    replace(EXAMPLE, verdict=replace(EXAMPLE.verdict, label="stretched-sdr")),
    replace(EXAMPLE, setups=bench(), coverage=replace(EXAMPLE.coverage, mode="full")),
    replace(EXAMPLE, headroom=replace(EXAMPLE.headroom, status="cannot_tell", time_share=EXAMPLE.headroom.area_interval)),
    replace(EXAMPLE, headroom=replace(EXAMPLE.headroom, time_share=replace(EXAMPLE.headroom.time_share, low=0.0))),
    replace(EXAMPLE, shadows=MEASURED_SHADOWS),
]
SENTENCES = [text for case in CASES for one in list_objections(case) for text in (one.objection, one.answer, one.changes)]


def test_no_answer_speaks_of_persons_or_judges_them() -> None:
    """Own list: makers, owners, motives, and words that judge."""
    persons = r"\b(colou?rists?|directors?|studios?|makers?|people|persons?|fans?|reviewers?|he|she|who|you|your|we|our|I|honest\w*)\b"
    judging = r"\b(fake\w*|fraud\w*|cheat\w*|scam|dishonest\w*|terrible|amazing|huge|obvious\w*)\b"
    for sentence in SENTENCES:
        assert not re.search(f"{persons}|{judging}", sentence, flags=re.IGNORECASE), sentence


def test_an_objection_is_one_sentence_and_an_answer_three_at_most() -> None:
    for case in CASES:
        for one in list_objections(case):
            ends = r"[.!?](?= [A-Z]|$)"
            assert len(re.findall(ends, one.objection)) == 1, one.objection
            assert 1 <= len(re.findall(ends, one.answer)) <= 3, one.answer
            assert one.answer.endswith(".")
            assert one.changes.endswith(".")


def test_answers_are_plain_text() -> None:
    """As the other sentences of a result, which is searched and piped: ordinary blanks, hyphens, cd/m2."""
    for sentence in SENTENCES:
        assert not set(sentence) & {"\N{NO-BREAK SPACE}", "\N{MINUS SIGN}", "²"}, sentence
        assert "  " not in sentence, sentence


def test_a_declared_maxcll_that_fits_only_the_level_without_a_logo_is_explained_and_not_excused() -> None:
    """The example measures 934 cd/m2 with the logo in front of the film, and 806 without."""
    words = "The declared MaxCLL does not fit the measured one, which counts every pixel as defined (CTA-861.3), but the 806 cd/m2"
    measured = {"hdr__levels__max_cll_nits": 934.0, "contaminants__without_them__max_cll_nits": 806.0}
    assert words in ask("metadata", hdr__release__declared__max_cll_nits=800.0, **measured).answer
    for declared in (930.0, 1500.0, 400.0):  # fits the measured one; fits neither
        assert "does not fit" not in ask("metadata", hdr__release__declared__max_cll_nits=declared, **measured).answer
