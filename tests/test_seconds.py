"""Seconds by time stamps, and frames of more than one moment, where the stages are joined."""

from __future__ import annotations

from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pairdiff import _pipeline as p
from pairdiff._records import Alignment, Segment
from pairdiff._settings import Settings

VARIABLE = np.array([0.0, 0.1, 0.2, 0.8, 0.9, 1.0, 1.1, 1.2, 1.3, 1.4])


def alignment(times_s: Any, shots: tuple[tuple[int, int], ...], partners: Any = None) -> Alignment:
    frames = len(times_s)
    return Alignment(
        matched_share=1.0,
        offset_frames=0,
        score=1.0,
        runner_up=0.0,
        segments=(),
        geometry=(),
        shots=shots,
        notes=(),
        partners=np.arange(frames) if partners is None else partners,
        hdr_times_s=np.asarray(times_s),
        sdr_times_s=np.asarray(times_s),
    )


@pytest.mark.parametrize("full", [True, False])
def test_a_frame_that_stands_long_weighs_as_long_as_it_stands(full: bool) -> None:
    picks = p._pick_pairs(alignment(VARIABLE, ((0, 5), (5, 10))), settings=Settings(), full=full)
    assert sum(picks.seconds) == pytest.approx(1.5)
    assert picks.matched_s == pytest.approx(1.5)
    of_shot = [sum(s for s, shot in zip(picks.seconds, picks.shots, strict=True) if shot == n) for n in (0, 1)]
    assert of_shot == pytest.approx([1.0, 0.5])
    if full:
        assert picks.seconds == pytest.approx((0.1, 0.1, 0.6, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1))


def test_frames_of_one_length_weigh_alike_within_a_shot() -> None:
    picks = p._pick_pairs(alignment(np.arange(60) / 24, ((0, 48), (48, 60))), settings=Settings(), full=False)
    assert picks.seconds == pytest.approx([0.5] * 4 + [0.125] * 4)


def test_a_shot_without_one_pair_is_passed_over() -> None:
    partners = np.where(np.arange(60) < 30, -1, np.arange(60))
    picks = p._pick_pairs(alignment(np.arange(60) / 24, ((0, 30), (30, 60)), partners), settings=Settings(), full=False)
    assert set(picks.shots) == {1}


def test_speed_is_read_off_time_stamps_where_frames_differ_in_length() -> None:
    even = np.arange(10) / 10
    stated = Segment("matched", 0, 5, 0, 5, 3.0, 1.0)
    alone = Segment("hdr_only", 5, 10, None, None, None, None)
    first, second = p._timed((stated, alone), even, VARIABLE)
    assert first.speed == pytest.approx(2.0)  # 1.0 s of SDR for 0.5 s of HDR
    assert second == alone
    assert p._timed((stated,), even, even)[0].speed == 3.0


@pytest.mark.parametrize(("stated", "expected"), [(24, 24.0), (1000, 10.0), (None, 10.0), (Fraction(1001, 100), 10.01)])
def test_an_odd_mean_rate_gives_way_to_the_time_stamps(stated: Any, expected: float) -> None:
    step = Fraction(1, 24) if stated == 24 else Fraction(1, 10)
    scanned: Any = SimpleNamespace(
        track=SimpleNamespace(times_s=tuple(n * step for n in range(50))),
        release=SimpleNamespace(signal=SimpleNamespace(frame_rate=SimpleNamespace(value=stated))),
    )
    assert p._rate(scanned) == pytest.approx(expected)


def test_frames_of_two_moments_are_never_paired_and_long_passages_of_them_are_undetermined() -> None:
    from pairdiff.match.timeline import find_edit_map
    from tests.match._drift import HDR_TRACK

    found = find_edit_map(HDR_TRACK[:100], HDR_TRACK[3:100])
    assert found.partners[40] == 37
    hdr, sdr = np.zeros(100, bool), np.zeros(97, bool)
    hdr[40], sdr[50], hdr[70:80] = True, True, True
    aside = p._set_aside(found, hdr=hdr, sdr=sdr)
    assert [int(aside.partners[n]) for n in (39, 40, 41, 53)] == [36, -1, 38, -1]
    assert (aside.state[[40, 53]] == found.state[[40, 53]]).all()
    assert (aside.state[70:80] == 0).all()
    assert (aside.partners[70:80] == -1).all()
    assert p._set_aside(found, hdr=np.zeros(0, bool), sdr=np.zeros(0, bool)) is found
