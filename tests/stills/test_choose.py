"""Moments are chosen by their rules, whatever the order of the pairs."""

from __future__ import annotations

import dataclasses

import pytest

from pairdiff._records import PairScore
from pairdiff.stills.choose import choose_moments


def pair(frame: int, *, shot: int, loss: float, bright: float) -> PairScore:
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
        sdr_p999_code=1.0,
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
        clipped_share=0.0,
        bright_clipped_share=None,
        detail_jnd=None,
        detail_stops=None,
        textured_share=None,
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
    pair(310, shot=3, loss=0.50, bright=120.0),
    pair(410, shot=4, loss=0.10, bright=90.0),
    pair(510, shot=5, loss=0.90, bright=95.0),
)


def test_each_rule_finds_the_pair_that_was_planted_for_it() -> None:
    moments = choose_moments(PAIRS, seed=1)
    assert [moment.rule for moment in moments] == ["most different", "brightest", "typical", "random"]
    assert [moment.hdr_frame for moment in moments[:3]] == [10, 110, 210]
    assert moments[3].hdr_frame in (310, 410, 510)
    assert moments[0].sdr_frame == 17
    assert moments[0].hdr_picture_type == "?"


def test_reasons_state_the_rule_with_its_figure() -> None:
    reasons = [moment.reason for moment in choose_moments(PAIRS, seed=20260)]
    assert reasons[0] == "largest loss at `controls`: 1.32 JOD"
    assert reasons[1] == "highest 99.9th percentile among the shots not shown yet: 812 cd/m2 where both releases show the film"
    assert reasons[2] == "closest to the median loss: 0.55 JOD, median 0.55 JOD"
    assert reasons[3].startswith("drawn by seed 20260 from the 3 scored pairs left")


def test_no_shot_is_shown_twice_while_another_is_left() -> None:
    for seed in range(20):
        shots = [moment.shot for moment in choose_moments(PAIRS, seed=seed)]
        assert len(set(shots)) == 4


def test_a_single_shot_still_gives_four_different_frames() -> None:
    alone = [dataclasses.replace(item, shot=0) for item in PAIRS]
    frames = [moment.hdr_frame for moment in choose_moments(alone, seed=3)]
    assert len(set(frames)) == 4
    assert frames[:2] == [10, 20]


def test_the_order_of_the_pairs_makes_no_difference() -> None:
    assert choose_moments(PAIRS, seed=5) == choose_moments(PAIRS[::-1], seed=5)


def test_the_seed_alone_moves_the_random_moment() -> None:
    drawn = {choose_moments(PAIRS, seed=seed)[3].hdr_frame for seed in range(40)}
    assert drawn == {310, 410, 510}


def test_equal_figures_go_to_the_earlier_frame() -> None:
    level = [pair(frame, shot=frame, loss=0.4, bright=100.0) for frame in (30, 10, 20)]
    assert [moment.hdr_frame for moment in choose_moments(level, seed=1)] == [10, 20, 30]


@pytest.mark.parametrize("count", [0, 1, 2, 3])
def test_fewer_pairs_give_fewer_moments(count: int) -> None:
    assert len(choose_moments(PAIRS[:count], seed=1)) == count
