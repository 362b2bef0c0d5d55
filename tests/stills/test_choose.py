"""Moments are chosen by their rules, whatever the order of the pairs."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import pytest

from pairdiff._records import Moment, PairScore, Setup, SetupUncertainty
from pairdiff.stills.choose import choose_moments

CONTROLS = Setup("controls", 200.0, 2.4, False, SetupUncertainty(None, None), None, None)


def pair(frame: int, *, shot: int, loss: float, bright: float, code: float = 1.0, clipped: float = 0.0) -> PairScore:
    return PairScore(
        hdr_frame=frame,
        sdr_frame=frame + 7,
        hdr_time_s=frame / 24,
        sdr_time_s=(frame + 7) / 24,
        shot=shot,
        similarity=0.9,
        hdr_p999_nits=bright,
        hdr_p999_with_marks_nits=100.0,
        standing_share=0.0,
        level_noise_stops=0.0,
        stops_above_white=0.0,
        sdr_p999_code=code,
        sdr_p999_with_glints_code=1.0,
        sdr_p999_with_marks_code=1.0,
        hdr_mean_nits=10.0,
        sdr_mean_nits=9.0,
        area_above_white_share=0.0,
        area_above_203_share=0.0,
        rms_jnd={"controls": 3.0},
        preference_loss={"controls": loss, "white-100": 100.0 - loss},
        tone_part={"controls": loss, "white-100": 100.0 - loss},
        colour_part={"controls": 0.0, "white-100": 0.0},
        tone_shift_jnd={"controls": 1.0},
        clipped_share=clipped,
        bright_clipped_share=None,
        detail_jnd=None,
        detail_stops=None,
        textured_share=0.5 if clipped else None,
        dark_share=0.0,
        shadow_gain_jnd=None,
        shadow_gamma_jnd=None,
        shadow_gained_share=0.0,
        outside_709_share=0.0,
        outside_p3_share=0.0,
        chroma_p99_jnd=30.0,
        curve_distance_jnd=0.0,
    )


PAIRS = (
    pair(10, shot=0, loss=1.32, bright=300.0),
    pair(20, shot=0, loss=1.10, bright=990.0),
    pair(110, shot=1, loss=0.20, bright=812.0),
    pair(210, shot=2, loss=0.55, bright=100.0),
    pair(310, shot=3, loss=0.51, bright=120.0),
    pair(410, shot=4, loss=0.10, bright=90.0, clipped=0.06),
    pair(510, shot=5, loss=0.90, bright=95.0, clipped=0.02),
    pair(610, shot=6, loss=0.95, bright=900.0, code=1.08),
    pair(710, shot=7, loss=0.30, bright=91.0),
    pair(810, shot=8, loss=0.35, bright=92.0),
)
RULES = ["most different", "largest headroom", "most recovered detail", "typical", "random", "random", "random"]


def choose(pairs: Sequence[PairScore] = PAIRS, *, seed: int = 1) -> tuple[Moment, ...]:
    return choose_moments(pairs, controls=CONTROLS, seed=seed)


def test_each_rule_finds_the_pair_that_was_planted_for_it() -> None:
    """White 200, gamma 2.4: 812 over 200 cd/m2 are 2.02 stops; 900 over 200 x 1.08^2.4 = 240.6 (BT.1886) are 1.90."""
    moments = choose()
    assert [moment.rule for moment in moments] == RULES
    assert [moment.hdr_frame for moment in moments[:4]] == [10, 110, 410, 210]
    assert {moment.hdr_frame for moment in moments[4:]} <= {310, 510, 610, 710, 810}
    assert moments[0].sdr_frame == 17
    assert moments[0].hdr_picture_type == "?"


def test_reasons_state_the_rule_with_its_figure() -> None:
    reasons = [moment.reason for moment in choose(seed=20260)]
    assert reasons[0] == "largest loss at `controls`: 1.32 JOD"
    assert reasons[1] == (
        "largest headroom at `controls` among the shots that no earlier choice shows: +2.02 stops, 812 over 200 cd/m2 where both releases "
        "show the film"
    )
    assert reasons[2] == "largest area where the SDR is clipped and the HDR shows detail: 3.0 % of the picture"
    assert reasons[3] == "closest to the median loss: 0.55 JOD, median 0.53 JOD"
    assert reasons[4:] == [f"drawn by seed 20260 from the {left} scored pairs left" for left in (5, 4, 3)]


def test_what_the_sdr_shows_above_white_is_no_headroom() -> None:
    """An SDR that reaches code 1.08 on 200 cd/m2 shows 240.6 cd/m2 there."""
    pairs = [pair(1, shot=0, loss=1.0, bright=100.0), pair(2, shot=1, loss=0.1, bright=900.0, code=1.08)]
    pairs.append(pair(3, shot=2, loss=0.5, bright=90.0))
    assert "+1.90 stops, 900 over 241 cd/m2" in choose(pairs)[1].reason


def test_no_shot_is_ever_shown_twice() -> None:
    for seed in range(20):
        shots = [moment.shot for moment in choose(seed=seed)]
        assert len(set(shots)) == len(shots) == 7
    alone = [dataclasses.replace(item, shot=0) for item in PAIRS]
    assert [moment.rule for moment in choose(alone)] == ["typical"]


def test_the_typical_pair_is_chosen_before_the_others_and_shown_behind_them() -> None:
    """Of two shots, the one that holds both the median loss and the largest: it stands for the film."""
    pairs = [pair(10, shot=0, loss=0.9, bright=100.0), pair(20, shot=0, loss=0.5, bright=95.0), pair(110, shot=1, loss=0.2, bright=90.0)]
    assert [(moment.rule, moment.hdr_frame) for moment in choose(pairs)] == [("most different", 110), ("typical", 20)]
    assert "among the shots that no earlier choice shows" in choose(pairs)[0].reason


def test_without_detail_in_clipped_areas_no_moment_claims_it() -> None:
    none = [dataclasses.replace(item, textured_share=None) for item in PAIRS]
    little = [dataclasses.replace(item, textured_share=0.05 * (item.textured_share or 0.0)) for item in PAIRS]
    for pairs in (none, little):
        assert [moment.rule for moment in choose(pairs)] == [rule for rule in RULES if rule != "most recovered detail"]


def test_the_order_of_the_pairs_makes_no_difference() -> None:
    assert choose(seed=5) == choose(PAIRS[::-1], seed=5)


def test_the_seed_alone_moves_the_random_moments() -> None:
    drawn = [choose(seed=seed) for seed in range(40)]
    assert len({moments[:4] for moments in drawn}) == 1
    assert {moments[4].hdr_frame for moments in drawn} == {310, 510, 610, 710, 810}


def test_figures_that_are_printed_alike_go_to_the_earlier_frame() -> None:
    level = [pair(frame, shot=frame, loss=0.4 + 1e-4 * frame, bright=100.0 - 1e-3 * frame) for frame in (30, 10, 20)]
    assert [moment.hdr_frame for moment in choose(level)] == [20, 30, 10]  # the typical one is chosen first


@pytest.mark.parametrize("count", [0, 1, 3, 4])
def test_fewer_shots_give_fewer_moments(count: int) -> None:
    shots = [PAIRS[0], *PAIRS[2:]][:count]
    assert len(choose(shots)) == count
