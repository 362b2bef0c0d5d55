import itertools

import numpy as np
import pytest

from pairdiff.match._kernels import best_path, keep_best
from pairdiff.match.motion import find_cuts
from pairdiff.match.path import BAND_FRAMES, CUT_EVIDENCE, MOST_EVIDENCE, _agreement, _weigh_lags, telling_frames
from pairdiff.match.timeline import make_side
from tests.match._drift import FILM, HDR_TRACK, to_sdr, track


def plain_cost(offsets, hdr_new, sdr_new, step_cost):
    """Cost of a path of offsets, in plain Python (start 0): what is left out, how new it is, and whether the other side pauses too."""

    def fresh(place, other, own, there):
        mine = own[place] if 0 <= place < len(own) else 1.0
        pause = there[other] if 0 <= other < len(there) else 1.0
        return max(mine, 1.0 - min(pause / 0.4, 1.0))

    total = 0.0
    for i in range(1, len(offsets)):
        change = offsets[i] - offsets[i - 1]
        if change > 0:
            left = [fresh(p := i + offsets[i] - 1 - n, p - offsets[i - 1], sdr_new, hdr_new) for n in range(change)]
        else:
            left = [fresh(i + n, i + n + offsets[i - 1], hdr_new, sdr_new) for n in range(-change)]
        if left:
            total += step_cost * (sum(left) + max(left) + 0.2)
    return total


@pytest.mark.parametrize("seed", range(6))
def test_the_path_is_the_best_of_all_paths(seed):
    rng = np.random.default_rng(seed)
    frames, lags, band = 6, 3, 1
    gain = rng.uniform(-1, 1, (frames, lags)).astype(np.float32)
    hdr_new, sdr_new = (rng.choice([0.0, 0.3, 1.0], frames + 2).astype(np.float32) for _ in range(2))
    centre = np.zeros(frames, np.int64)
    out = np.empty(frames, np.int64)
    best_path(gain, centre, 0, hdr_new, sdr_new, 0.4, out)

    def value(offsets):
        return sum(gain[i, offset + band] for i, offset in enumerate(offsets)) - plain_cost(offsets, hdr_new, sdr_new, 0.4)

    best = max(value(offsets) for offsets in itertools.product((-1, 0, 1), repeat=frames))
    assert value(out.tolist()) == pytest.approx(best, abs=1e-4)


def test_a_moving_centre_changes_nothing_but_the_band():
    gain = np.full((8, 5), -1.0, np.float32)
    centre = np.array([3, 3, 4, 4, 3, 3, 2, 2])
    gain[np.arange(8), 3 - centre + 2] = 1.0  # the same offset of 3 all along
    out = np.empty(8, np.int64)
    best_path(gain, centre, 0, np.ones(20, np.float32), np.ones(20, np.float32), 2.0, out)
    assert (out == 3).all()


def test_the_best_places_are_those_of_a_plain_search():
    rng = np.random.default_rng(3)
    product = rng.normal(size=(5, 400)).astype(np.float32)
    found, value = np.full((5, 4), -1, np.int64), np.full((5, 4), -9.0, np.float32)
    for start in (0, 150, 300):
        keep_best(np.ascontiguousarray(product[:, start : start + 150]), start, 4, found, value)
    for row in range(5):
        assert found[row, value[row].argmax()] == product[row].argmax()
        assert value[row] == pytest.approx(product[row, found[row]])
        places = sorted(found[row].tolist())
        assert all(b - a >= 4 for a, b in itertools.pairwise(places))


def made_agreement(frames, lag_values):
    out = np.zeros((frames, 2 * BAND_FRAMES + 1), np.float32)
    for lag, value in lag_values.items():
        out[:, BAND_FRAMES + lag] = value
    return out


@pytest.mark.parametrize(
    ("lags", "told"),
    [
        ({0: 0.9, 1: 0.6, -1: 0.6}, True),
        ({0: 0.9, 4: 0.9}, False),
        ({0: 0.1, 1: 0.05}, False),
        ({0: 0.9, 1: 0.9, -1: 0.89}, False),
        ({0: 0.4}, True),
    ],
    ids=["moves", "loop of four frames", "noise", "still to the next frame", "faint but alone"],
)
def test_a_frame_tells_only_where_its_lag_alone_explains_what_moves(lags, told):
    frames = telling_frames(made_agreement(60, lags), np.ones(60, np.float32), near_edit=np.zeros(60, bool))
    assert (frames == told).all()


def test_nothing_moves_nothing_is_told():
    assert not telling_frames(made_agreement(60, {0: 1e-5}), np.full(60, 1e-5, np.float32), near_edit=np.zeros(60, bool)).any()


def test_beside_an_edit_a_short_window_is_not_overruled_by_a_long_one():
    agreement = made_agreement(120, {0: 0.9})
    agreement[:15] = 0
    agreement[:15, BAND_FRAMES + 1] = 0.9
    agreement[:15, BAND_FRAMES] = 0.3
    edit = np.arange(120) < 25
    told = [telling_frames(agreement, np.ones(120, np.float32), near_edit=near) for near in (edit, np.zeros(120, bool))]
    assert not told[0][:3].any()
    assert told[1][:3].all()
    assert told[0][40:].all()


def test_frames_beside_a_cut_say_more_against_a_lag_than_others_can():
    """A shot out of place seems out of time in every frame, by a little; a cut says where it begins."""
    hdr, sdr = make_side(HDR_TRACK), make_side(track(to_sdr(FILM, noise=0.01)))
    cuts = find_cuts(HDR_TRACK)
    centre = np.zeros(len(FILM), np.int64)
    least = _weigh_lags(_agreement(hdr, sdr, 0, centre), hdr, sdr, 0, centre).min(axis=1)
    beside = np.union1d(cuts, cuts - 1)
    assert len(cuts) >= 2
    assert least[beside] == pytest.approx(np.full(len(beside), -CUT_EVIDENCE))
    assert np.delete(least, beside).min() == pytest.approx(-MOST_EVIDENCE)
