import itertools

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pairdiff.match._kernels import best_runs
from pairdiff.match.cadence import _cuts_of_pictures, _run_lengths, find_cadence
from pairdiff.match.motion import find_cuts, step_distance
from pairdiff.match.path import Piece, residual_evidence
from pairdiff.match.timeline import find_edit_map, make_side
from tests.match._drift import FILM, HDR_TRACK, make_drift, to_hdr, to_sdr, track
from tests.match._films import squeeze
from tests.match._films import to_sdr as to_codes
from tests.whole._cadence import film


def plain_value(repeats, says, log_chance):
    """Evidence and log chances of one way to tell repeats from new frames; the first two runs and the last cost nothing."""
    starts = [0, *(i for i in range(1, len(repeats)) if not repeats[i]), len(repeats)]
    lengths = [stop - start for start, stop in itertools.pairwise(starts)]
    if max(lengths) > len(log_chance):
        return -np.inf
    chances = sum(log_chance[before - 1, length - 1] for before, length in itertools.pairwise(lengths[1:-1]))
    return sum(says[i] if repeats[i] else -says[i] for i in range(1, len(repeats))) + chances


@pytest.mark.parametrize("seed", range(6))
def test_the_runs_are_the_best_of_all_runs(seed):
    rng = np.random.default_rng(seed)
    says, log_chance = rng.normal(size=9), np.log(rng.dirichlet(np.ones(4), 4))
    found = np.zeros(9, bool)
    best_runs(says, log_chance, found)
    best = max(plain_value((False, *rest), says, log_chance) for rest in itertools.product((False, True), repeat=8))
    assert not found[0]
    assert plain_value(found.tolist(), says, log_chance) == pytest.approx(best)


def test_repeats_in_no_pattern_are_found_where_coding_all_but_hides_them():
    rng = np.random.default_rng(4)
    numbers = np.repeat(np.arange(200), rng.integers(2, 4, 200))
    shown = HDR_TRACK[numbers].astype(np.float32)
    same = np.diff(numbers) == 0
    hidden = np.flatnonzero(same[:-1] & ~same[1:])[5::20] + 1  # repeats, the last of their runs, that look a good deal new
    shown[hidden] += 0.45 * (HDR_TRACK[np.minimum(numbers[hidden] + 1, 199)].astype(np.float32) - shown[hidden])
    spread = np.sqrt(0.05 * np.median(step_distance(HDR_TRACK)) / shown.shape[1])
    found = find_cadence((shown + spread * rng.normal(size=shown.shape)).astype(np.float16))
    assert found.period is None
    missed = set(np.flatnonzero(np.insert(np.diff(numbers) != 0, 0, True)).tolist()) ^ set(found.first.tolist())
    assert len(missed) <= 2


@pytest.mark.parametrize("pictures", [45, 60, 70])
def test_film_beside_a_logo_on_twos_keeps_its_frames(pictures):
    logo = np.repeat(make_drift(pictures, (), seed=77), 2, axis=0)
    found = find_cadence(np.concatenate([track(to_hdr(logo)), HDR_TRACK]))
    assert (found.count[found.first < 2 * pictures - 2] == 2).all()
    assert (found.count[found.first > 2 * pictures] == 1).all()


def test_shots_of_two_to_four_frames_are_no_repeats():
    """Beside cuts in quick succession frames of one shot are alike; they move all the same."""
    shots = [make_drift(4, (), seed=200 + n)[: 2 + n % 3] for n in range(60)]
    found = find_cadence(np.concatenate([HDR_TRACK, track(to_hdr(np.concatenate(shots)))]))
    assert found.count.max() == 1


def test_in_a_fast_passage_of_repeats_a_new_picture_is_no_cut():
    wide = gaussian_filter(np.random.default_rng(6).normal(size=(54, 2500)), 6)
    wide = (0.5 + 0.2 * wide / wide.std()).clip(0, 1)
    fast = track(to_hdr(np.stack([wide[:, 9 * n : 9 * n + 96] for n in range(120)])))
    shown = np.repeat(fast, 2 + np.arange(120) % 2, axis=0)
    repeat = np.append(False, np.diff(np.repeat(np.arange(120), 2 + np.arange(120) % 2)) == 0)
    assert len(find_cuts(shown)) > 20  # repeats make the steps between them stand out
    assert len(_cuts_of_pictures(shown, repeat)) == 0


@pytest.mark.parametrize("drop", [61, 70, 77, 88])
def test_a_dropped_frame_is_put_where_it_was_though_the_grade_differs(drop):
    sdr = track(to_sdr(np.delete(FILM, drop, axis=0), gamma=1.3))
    found = find_edit_map(HDR_TRACK, sdr)
    matched = found.partners >= 0
    assert matched.sum() >= 195
    frames = np.flatnonzero(matched)
    assert (found.partners[matched] == frames - (frames > drop)).all()


def test_evidence_of_a_change_is_in_units_of_what_true_partners_are_apart():
    hdr, sdr = make_side(HDR_TRACK), make_side(track(to_sdr(np.delete(FILM, 70, axis=0), noise=0.02)))
    mine, theirs = residual_evidence(Piece(40, 71, 0), Piece(71, 95, -1), hdr, sdr, low=66, high=76, left_out=1)
    assert mine[:4].mean() > mine[5:].mean() + 0.3  # frames 66 to 69 belong to the first piece, 71 on to the second
    assert theirs[4:].mean() > theirs[:3].mean() + 0.3
    assert max(mine.max(), theirs.max()) <= 0


def test_single_repeats_in_no_order_set_nothing_else_aside():
    numbers = np.repeat(np.arange(200), 1 + (np.random.default_rng(11).random(200) < 1 / 8))
    found = find_edit_map(HDR_TRACK[numbers], track(to_sdr(FILM, gamma=1.3)))
    matched = np.flatnonzero(found.partners >= 0)
    assert (found.partners[matched] == numbers[matched]).all()
    assert set(range(2, 198)) <= set(numbers[matched].tolist())


@pytest.mark.parametrize("every", [7, 8, 13, 22])
def test_one_repeat_in_so_many_is_a_pattern(every):
    numbers = np.repeat(np.arange(200), 1 + (np.arange(200) % (every - 1) == 2))
    found = find_cadence(HDR_TRACK[numbers])
    assert found.period == every
    assert numbers[found.first].tolist() == list(range(200))


def test_repeats_beside_a_cut_are_judged_by_their_own_shot():
    """Photographs under a moving camera, coded so that repeats differ; with the other shot's measure three frames come out otherwise."""
    numbers = np.repeat(np.arange(100), 2 + np.random.default_rng(8).integers(0, 2, 100))
    coded = squeeze([to_codes(film()[90 + n].astype(np.float32) / 255) for n in numbers], crf=30)
    found = find_cadence(track(np.stack(coded)))
    assert found.period is None
    assert numbers[found.first].tolist() == list(range(100))


def test_repeats_that_are_known_are_taken_as_they_are():
    known = np.zeros(200, bool)
    known[4::5] = True
    found = find_cadence(HDR_TRACK, known)
    assert found.known
    assert found.period == 5
    assert found.first.tolist() == np.flatnonzero(~known).tolist()
    sdr = track(to_sdr(FILM[~known]))
    paired = find_edit_map(HDR_TRACK, sdr, hdr_repeats=known).partners
    assert (paired[known] == -1).all()
    assert (paired[~known] == np.arange(160))[paired[~known] >= 0].all()
    assert (paired >= 0).sum() >= 150


def test_which_length_of_run_follows_which_tells_repeats_that_coding_hid():
    numbers = np.repeat(np.arange(200), 2 + (np.arange(200) + np.arange(200) // 11) % 2)  # 2:3, with edits
    shown = HDR_TRACK[numbers].astype(np.float32)
    same = np.diff(numbers) == 0
    last = same[:-1] & ~same[1:]
    hidden = np.flatnonzero(last)[np.random.default_rng(5).random(last.sum()) < 0.04] + 1  # repeats that look more new than not
    shown[hidden] += 0.7 * (HDR_TRACK[np.minimum(numbers[hidden] + 1, 199)].astype(np.float32) - shown[hidden])
    found = find_cadence(shown.astype(np.float16))
    assert found.period is None
    assert found.first.tolist() == np.flatnonzero(np.insert(~same, 0, True)).tolist()


def test_one_odd_pair_of_lengths_makes_no_rule():
    """Among a hundred runs of two and three frames two single ones stand side by side: that another single one follows stays unlikely."""
    lengths = np.r_[np.tile([2, 3, 3, 2], 25), 1, 1, np.tile([2, 3, 3, 2], 25)]
    first = np.concatenate([[0], np.cumsum(lengths)[:-1]])
    repeat = np.ones(int(lengths.sum()), bool)
    repeat[first] = False
    chance = _run_lengths(repeat, np.ones(len(repeat), bool))
    assert chance[0, 0] < 0.02
    assert chance[1, 2] == pytest.approx(0.5, abs=0.05)
