import itertools

import numpy as np
import pytest

from pairdiff.match._kernels import best_runs
from pairdiff.match.cadence import find_cadence
from pairdiff.match.motion import step_distance
from pairdiff.match.path import Piece, residual_evidence
from pairdiff.match.timeline import find_edit_map, make_side
from tests.match._drift import FILM, HDR_TRACK, make_drift, to_hdr, to_sdr, track


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


def test_film_beside_a_logo_on_twos_keeps_its_frames():
    logo = np.repeat(make_drift(60, (), seed=77), 2, axis=0)
    found = find_cadence(np.concatenate([track(to_hdr(logo)), HDR_TRACK]))
    assert (found.count[found.first >= 125] == 1).all()


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
