"""What lies beside edits, told by pictures: a camera over gravel, a planted partner for every frame, and maps that are wrong about it."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from pairdiff.match._kernels import align_pairs
from pairdiff.match.cadence import Cadence
from pairdiff.match.seams import BESIDE_FRAMES, MOST_PICTURES, WITHIN_FRAMES, find_seams, judge_table, settle_seams
from pairdiff.match.timeline import single_path
from tests.match._cases import DOUBTFUL, doubtful_cases, telling_cases
from tests.match._films import judge_partners
from tests.match._held_out import draw_case
from tests.match._placing import EYE, place_case
from tests.match.test_witness import PLACE, Films, edit_map, pan


def settled(films, found, *, geometries=(PLACE,)):
    return settle_seams(found, geometries, read=films.read, limits=EYE)


def pairings(rows, columns):
    """Every pairing in order of rows and columns, as lists of pairs."""
    for count in range(min(rows, columns) + 1):
        for mine, theirs in itertools.product(itertools.combinations(range(rows), count), itertools.combinations(range(columns), count)):
            yield list(zip(mine, theirs, strict=True))


def test_the_best_pairing_and_its_margins_are_those_of_trying_every_one():
    """Against enumeration: every pairing in order of 4 by 5 frames, its sum, and the best one without each of its pairs."""
    rng = np.random.default_rng(3)
    for _ in range(20):
        reward = rng.normal(size=(4, 5))
        totals = {tuple(one): sum(reward[i, j] for i, j in one) for one in pairings(4, 5)}
        best = max(totals, key=totals.get)
        column, margin = np.empty(4, np.int64), np.empty(4)
        align_pairs(reward, column, margin)
        partner = dict(best)
        assert column.tolist() == [partner.get(row, -1) for row in range(4)]
        for row in range(4):
            others = [total for one, total in totals.items() if dict(one).get(row, -1) != partner.get(row, -1)]
            assert margin[row] == pytest.approx(totals[best] - max(others))


def test_a_dropped_frame_that_was_put_a_few_frames_off_is_put_where_it_is():
    numbers = np.delete(np.arange(44), 20)
    films = Films(pan(range(44)), pan(numbers))
    path = np.where(np.arange(44) < 24, np.arange(44), np.arange(44) - 1)  # the drop is taken to lie at 24
    path[24] = -1
    found = edit_map(path, state=np.where(path < 0, -1, 1), sdr_frames=43)
    assert (numbers[found.partners[21:24]] != np.arange(21, 24)).all()
    told = settled(films, found)
    assert told.partners.tolist() == [*range(20), -1, *range(20, 43)]
    assert told.state[20] == -1 or told.state[20] == 0


def test_a_drop_that_the_map_has_not_seen_in_a_matched_passage_is_no_seam():
    path = np.arange(40)
    assert find_seams(single_path(edit_map(path, state=1, sdr_frames=40))) == ()


def test_a_passage_too_short_for_fingerprints_between_two_edits_gets_its_partners():
    """Ten frames that both releases hold, between passages that one alone holds: the map knows nothing of them."""
    hdr = [*range(12), *range(100, 108), *range(50, 60), *range(16, 28)]
    sdr = [*range(12), *range(50, 60), *range(200, 205), *range(16, 28)]
    films = Films(pan(hdr, travel=3 / 4), pan(sdr, travel=3 / 4))
    path = np.array([*range(12), *[-1] * 18, *range(27, 39)])
    told = settled(films, edit_map(path, state=np.where(path < 0, -1, 1), sdr_frames=len(sdr)))
    assert told.partners.tolist() == [*range(12), *[-1] * 8, *range(12, 22), *range(27, 39)]


def test_frames_of_one_release_alone_are_not_matched_to_the_neighbours_of_their_neighbours():
    """Beside the edit each release goes on alone along the same pan: what it shows there looks nearly like the other's last frame."""
    hdr, sdr = [*range(20), *range(21, 40, 2), *range(40, 60)], [*range(20), *range(20, 40, 2), *range(40, 60)]
    films = Films(pan(hdr, travel=0.8), pan(sdr, travel=0.8))
    path = np.array([*range(20), *[-1] * 10, *range(30, 50)])
    found = edit_map(path, state=np.where(path < 0, -1, 1), sdr_frames=len(sdr))
    assert settled(films, found) is found


def test_frames_matched_beyond_an_edge_are_taken_back():
    hdr, sdr = [*range(20), *range(62, 72), *range(30, 50)], [*range(20), *range(85, 95), *range(30, 50)]
    films = Films(pan(hdr), pan(sdr))
    path = np.arange(50)
    state = np.where((path >= 24) & (path < 30), -1, 1)  # four frames of the passage that was replaced are taken for matched
    told = settled(films, edit_map(np.where(state < 0, -1, path), state=state, sdr_frames=50))
    assert (told.state[20:24] == 0).all()
    assert told.partners.tolist() == [*range(20), *[-1] * 10, *range(30, 50)]


def test_a_still_beside_an_edit_tells_nothing():
    films = Films(pan([*range(12), *[12] * 20, *range(13, 25)]), pan([*range(12), *[12] * 28, *range(13, 25)]))
    path = np.array([*range(12), *np.linspace(12, 39, 20).astype(int), *range(40, 52)])
    state = np.array([*[1] * 12, *[0] * 20, *[1] * 12])
    told = settled(films, edit_map(path, state=state, sdr_frames=52))
    assert (told.partners[13:31] == -1).all()
    assert (told.partners[:12] == np.arange(12)).all()


def test_a_still_under_grain_of_one_length_on_both_sides_tells_nothing():
    """Both ends of the still are known and its frames are as many: that none was dropped on either side is no knowledge all the same."""
    numbers = [*range(12), *[12] * 20, *range(13, 25)]
    films = Films(pan(numbers, grain=0.04, seed=1), pan(numbers, grain=0.04, seed=2))
    path = np.arange(44)
    told = settled(films, edit_map(path, state=np.where((path >= 12) & (path < 32), 0, 1), sdr_frames=44))
    assert (told.partners[14:30] == -1).all()
    assert (told.partners[:12] == np.arange(12)).all()


def test_grain_costs_frames_but_matches_none_wrong():
    numbers = np.delete(np.arange(44), [20, 21])
    films = Films(pan(range(44), grain=0.08, seed=1), pan(numbers))
    path = np.where(np.arange(44) < 25, np.arange(44), np.arange(44) - 2)
    path[25:27] = -1
    told = settled(films, edit_map(path, state=np.where(path < 0, -1, 1), sdr_frames=42))
    matched = np.flatnonzero(told.partners >= 0)
    assert (numbers[told.partners[matched]] == matched).all()
    assert len(matched) >= 40


def test_repeats_count_as_one_frame_and_their_middle_is_read():
    hdr = Cadence(np.arange(0, 120, 3), np.full(40, 3), 2 / 3, None)
    numbers = np.delete(np.arange(40), 20)
    films = Films(pan(np.repeat(np.arange(40), 3)), pan(numbers))
    path = np.where(np.arange(40) < 23, np.arange(40), np.arange(40) - 1)
    path[23] = -1
    told = settled(films, edit_map(path, state=np.where(path < 0, -1, 1), hdr=hdr, sdr_frames=39))
    middle = np.arange(1, 120, 3)
    assert told.partners[middle].tolist() == [*range(20), -1, *range(20, 39)]
    assert (told.partners >= 0).sum() == 39
    assert {one % 3 for one in films.asked} == {1}


def test_nothing_is_read_where_nothing_was_registered_or_there_is_no_seam():
    films = Films(pan(range(40)), pan(range(40)))
    broken = edit_map(np.where(np.arange(40) < 20, np.arange(40), np.arange(40) - 1), state=1, sdr_frames=39)
    assert settled(films, broken, geometries=(replace(PLACE, residual_pixels=None),)) is broken
    whole = edit_map(np.arange(40), state=1, sdr_frames=40)
    assert settled(films, whole) is whole
    assert not films.asked


def test_seams_stay_within_what_may_be_read():
    """A film whose every other second is cut: the shortest seams come first, and all together keep to the budget."""
    path = np.concatenate([np.arange(24) + 48 * n for n in range(200)])
    seams = find_seams(single_path(edit_map(path, state=1, sdr_frames=48 * 200)))
    sizes = [len(one.hdr) + len(one.sdr) for one in seams]
    assert 0 < sum(sizes) <= MOST_PICTURES
    assert sizes == sorted(sizes)
    assert max(sizes) <= 4 * (BESIDE_FRAMES + WITHIN_FRAMES)


def test_a_lone_pair_that_does_not_beat_its_neighbours_is_not_believed():
    """Both lack the other's frame: what is left looks like a neighbour, and row and column say so."""
    apart = np.abs(np.subtract.outer([0, 1, 2, 3, 4.0, 6, 7, 8, 9, 10], [0, 1, 2, 3, 5.0, 6, 7, 8, 9, 10]))
    judged = judge_table(0.98 - 0.02 * apart, level=0.98, noise=0.001)
    assert judged.partner.tolist() == [0, 1, 2, 3, -1, 5, 6, 7, 8, 9]


MENDED = (
    "logos and credits",
    "25 from 24 by repeats",
    "59.94 irregular, SDR",
    "59.94 irregular, HDR, CRF 30",
    "edits, grain, crop 2 %",
    "edits, grain, crop 4 %, film 7",
    "edits, drift, half size, film 9",
    "six branches in HDR",
)
"""Cases that fingerprints alone miss."""


@pytest.mark.slow
@pytest.mark.parametrize("name", MENDED)
def test_what_fingerprints_miss_beside_edits_is_told_by_pictures(name):
    case = next(one for one in telling_cases() if one.name == name)
    told = judge_partners(case, place_case(case)[1].partners)
    assert told.exact_share >= 0.995
    assert told.wrong == told.stray == 0


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 3, 6, 8])
def test_drawn_mixtures_are_matched_beside_edits(seed):
    case = draw_case(seed)
    told = judge_partners(case, place_case(case)[1].partners)
    assert told.exact_share >= 0.995
    assert told.wrong == told.stray == 0


@pytest.mark.slow
@pytest.mark.parametrize("name", [name for name in DOUBTFUL if "loop" in name])
def test_a_loop_stays_undetermined_once_pictures_are_asked(name):
    case = next(one for one in doubtful_cases() if one.name == name)
    start, stop = DOUBTFUL[name]
    assert (place_case(case)[1].partners[start:stop] == -1).all()
