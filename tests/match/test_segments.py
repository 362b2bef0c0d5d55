import numpy as np
import pytest

from pairdiff.match.segments import build_segments, find_shots
from tests.match._drift import CUTS, HDR_TRACK


def covered(segments, side, frames):
    seen = np.zeros(frames, int)
    for segment in segments:
        start, stop = getattr(segment, f"{side}_start"), getattr(segment, f"{side}_stop")
        if start is not None:
            assert 0 <= start < stop <= frames
            seen[start:stop] += 1
    return seen


def random_map(seed):
    """States and a path that rises: repeats, drops, edits and frames without partner at random."""
    rng = np.random.default_rng(seed)
    hdr = int(rng.integers(1, 80))
    steps = rng.choice([0, 1, 1, 1, 1, 1, 2, 5, 9], hdr)
    path = np.cumsum(steps) - steps[0] + int(rng.integers(0, 9))
    state = np.repeat(rng.integers(-1, 2, hdr), rng.integers(1, 9, hdr))[:hdr].astype(np.int8)
    path[state < 0] = -1
    stop = np.where(state >= 0, path + 1, -1)
    sdr = int(max(stop.max(), 0)) + int(rng.integers(0, 9))
    similarity = np.where(state >= 0, rng.uniform(-1, 1, hdr), np.nan).astype(np.float32)
    return state, path, stop, similarity, sdr


@pytest.mark.parametrize("seed", range(60))
def test_segments_cover_every_frame_of_both_releases_once(seed):
    state, path, stop, similarity, sdr = random_map(seed)
    segments = build_segments(state, path, stop, similarity, sdr_frames=sdr, speed=1.0)
    assert (covered(segments, "hdr", len(state)) == 1).all()
    assert (covered(segments, "sdr", sdr) == 1).all()
    for side in ("hdr", "sdr"):
        starts = [getattr(one, f"{side}_start") for one in segments if getattr(one, f"{side}_start") is not None]
        assert starts == sorted(starts)
    for one in segments:
        if one.kind in ("hdr_only", "sdr_only"):
            assert (one.speed, one.confidence) == (None, None)
        elif one.kind == "matched":
            assert 0 <= one.confidence <= 1
            assert (state[one.hdr_start : one.hdr_stop] == 1).all()


def test_a_constant_offset_is_one_segment_with_both_frame_numbers_and_the_speed_of_the_rates():
    state = np.repeat([-1, 1], [20, 130]).astype(np.int8)
    path = np.where(state > 0, np.arange(150) - 20, -1)
    similarity = np.where(state > 0, 0.9, np.nan).astype(np.float32)
    segments = build_segments(state, path, np.where(path < 0, -1, path + 1), similarity, sdr_frames=160, speed=0.96)
    facts = [(s.kind, s.hdr_start, s.hdr_stop, s.sdr_start, s.sdr_stop, s.speed) for s in segments]
    assert facts == [
        ("hdr_only", 0, 20, None, None, None),
        ("matched", 20, 150, 0, 130, 0.96),
        ("sdr_only", None, None, 130, 160, None),
    ]


def test_repeats_in_one_release_show_in_the_speed():
    path = np.arange(500) // 5 * 2
    state = np.ones(500, np.int8)
    (one,) = build_segments(state, path, path + 2, np.ones(500, np.float32), sdr_frames=200, speed=2.5)
    assert (one.hdr_start, one.hdr_stop, one.sdr_start, one.sdr_stop) == (0, 500, 0, 200)
    assert one.speed == pytest.approx(1.0, rel=5e-3)


def test_a_drift_of_one_frame_in_three_hundred_shows_in_the_speed():
    path = np.arange(1500) + np.arange(1500) // 300
    (one,) = build_segments(np.ones(1500, np.int8), path, path + 1, np.ones(1500, np.float32), sdr_frames=1504, speed=1.0)
    assert one.speed == pytest.approx(301 / 300, abs=7e-4)
    slow = build_segments(np.ones(1500, np.int8), path, path + 1, np.ones(1500, np.float32), sdr_frames=1504, speed=24 / 25)
    assert slow[0].speed == pytest.approx(24 / 25 * 301 / 300, abs=7e-4)


def test_confidence_is_the_mean_similarity_of_the_partners():
    path, similarity = np.arange(100), np.where(np.arange(100) < 50, 0.9, 0.5).astype(np.float32)
    (one,) = build_segments(np.ones(100, np.int8), path, path + 1, similarity, sdr_frames=100, speed=1.0)
    assert one.confidence == pytest.approx(0.7, abs=1e-6)


def test_an_insertion_in_the_sdr_release_parts_two_matched_segments():
    path = np.concatenate([np.arange(50), np.arange(120, 170)])
    segments = build_segments(np.ones(100, np.int8), path, path + 1, np.ones(100, np.float32), sdr_frames=170, speed=1.0)
    assert [(s.kind, s.sdr_start, s.sdr_stop) for s in segments] == [("matched", 0, 50), ("sdr_only", 50, 120), ("matched", 120, 170)]


def test_shots_are_the_matched_time_between_cuts():
    state = np.ones(len(HDR_TRACK), np.int8)
    assert find_shots(HDR_TRACK, state, np.arange(len(state))) == ((0, 40), (40, 95), (95, 150), (150, 200))


def test_the_few_frames_between_an_end_of_the_release_and_a_cut_are_a_shot_those_beside_an_edit_are_none():
    state = np.ones(len(HDR_TRACK), np.int8)
    assert find_shots(HDR_TRACK[37:60], state[37:60], np.arange(23)) == ((0, 3), (3, 23))  # a cut at 40
    assert find_shots(HDR_TRACK[20:43], state[20:43], np.arange(23)) == ((0, 20), (20, 23))
    state[:37], state[60:] = 0, 0
    assert find_shots(HDR_TRACK, state, np.arange(len(state))) == ((40, 60),)


def test_an_edit_ends_a_shot():
    path = np.arange(len(HDR_TRACK))
    path[60:] += 50
    assert find_shots(HDR_TRACK, np.ones(len(path), np.int8), path) == ((0, 40), (40, 60), (60, 95), (95, 150), (150, 200))


@pytest.mark.parametrize("seed", range(8))
def test_shots_never_overlap_and_hold_matched_frames_only(seed):
    rng = np.random.default_rng(seed)
    state = np.repeat(rng.integers(-1, 2, 40), rng.integers(1, 20, 40)).astype(np.int8)[:200]
    state = np.pad(state, (0, 200 - len(state)), constant_values=1)
    shots = find_shots(HDR_TRACK, state, np.arange(200))
    seen = [frame for start, stop in shots for frame in range(start, stop)]
    assert len(seen) == len(set(seen))
    assert (state[seen] == 1).all()
    assert all(not start < cut < stop for start, stop in shots for cut in CUTS)


def test_what_was_not_looked_at_is_undetermined_on_both_sides():
    state, path = np.zeros(30, np.int8), np.full(30, -1)
    state[10:20], path[10:20] = 1, np.arange(12, 22)
    stop = np.where(path >= 0, path + 1, -1)
    found = build_segments(state, path, stop, np.where(path >= 0, 1.0, np.nan), sdr_frames=40, speed=1.0)
    assert {one.kind for one in found} == {"matched", "undetermined"}
    assert [(one.sdr_start, one.sdr_stop) for one in found if one.hdr_start is None] == [(0, 12), (22, 40)]
