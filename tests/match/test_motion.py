import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pairdiff.match.motion import (
    HIGH_PASS_FRAMES,
    find_cuts,
    flat_frames,
    high_pass,
    make_signatures,
    measure_newness,
    motion_energy,
    step_distance,
)
from tests.match._drift import CUTS, FILM, HDR_TRACK, make_drift, to_sdr, track


def test_motion_energy_is_the_sum_of_squares_of_the_high_passed_track():
    # signatures are kept in half precision, energies are not
    assert motion_energy(HDR_TRACK) == pytest.approx((high_pass(HDR_TRACK).astype(np.float64) ** 2).sum(1), rel=1e-4)


def test_high_pass_removes_what_stands_still_and_keeps_a_flash():
    flat = np.ones((30, 3), np.float32)
    assert np.abs(high_pass(flat)).max() < 1e-6
    flat[15] += 1
    assert high_pass(flat)[15] == pytest.approx(1 - 1 / HIGH_PASS_FRAMES, rel=1e-5)


def test_a_signature_is_never_longer_than_one_and_points_where_the_film_moves():
    signature, energy = make_signatures(HDR_TRACK)
    length = np.linalg.norm(signature.astype(np.float64), axis=1)
    assert length.max() < 1.001
    passed = high_pass(HDR_TRACK)
    along = np.einsum("ij,ij->i", passed, signature.astype(np.float32)) / np.sqrt(energy) / length
    assert along.min() > 0.999


def test_blocks_do_not_show(monkeypatch):
    whole = make_signatures(HDR_TRACK)[0], step_distance(HDR_TRACK)
    monkeypatch.setattr("pairdiff.match.motion.BLOCK_FRAMES", 37)
    assert np.allclose(make_signatures(HDR_TRACK)[0].astype(float), whole[0].astype(float), atol=1e-3)
    assert step_distance(HDR_TRACK) == pytest.approx(whole[1], abs=1e-6)


def test_what_stands_still_has_no_signature():
    still = np.repeat(HDR_TRACK[:1], 50, axis=0)
    assert np.abs(make_signatures(still)[0]).max() < 1e-2


def test_a_still_moves_neither_into_black_nor_out_of_it_and_a_film_beside_black_does():
    faded = np.repeat(HDR_TRACK[:1], 60, axis=0)
    faded[25:33] = 0
    assert motion_energy(faded).max() < 1e-6
    film = HDR_TRACK.copy()
    film[60:64] = 0
    energy = motion_energy(film)
    assert (energy[60:64] == 0).all()
    assert energy[[59, 64]].min() > 0.1 * np.median(energy)


@pytest.mark.parametrize("length", [1, 2, 3])
def test_very_short_tracks_are_taken(length):
    assert make_signatures(HDR_TRACK[:length])[0].shape == HDR_TRACK[:length].shape
    assert (measure_newness(HDR_TRACK[:length]) == 1).all()


def test_repeats_are_not_new_and_film_is():
    numbers = np.repeat(np.arange(60), [2 + n % 2 for n in range(60)])
    new = measure_newness(HDR_TRACK[numbers])
    repeats = np.insert(numbers[1:] == numbers[:-1], 0, False)
    assert new[repeats].max() < 0.05
    assert new[~repeats].min() > 0.9
    assert measure_newness(HDR_TRACK).min() > 0.5


def test_planted_cuts_are_found_to_the_frame():
    assert tuple(find_cuts(HDR_TRACK)) == CUTS
    assert tuple(find_cuts(track(to_sdr(FILM, noise=0.03)))) == CUTS


def test_a_dissolve_is_no_cut():
    weight = np.clip((np.arange(100) - 40) / 20, 0, 1)[:, None, None]
    mixed = make_drift(100, (), seed=5) * (1 - weight) + make_drift(100, (), seed=6) * weight
    assert find_cuts(track(to_sdr(mixed))).size == 0


def test_a_cut_into_black_and_out_of_it_is_found_and_black_itself_holds_none():
    film = FILM[:100].copy()
    film[30:70] = 0
    assert tuple(find_cuts(track(to_sdr(film)))) == (30, 70, 95)
    assert np.array_equal(np.flatnonzero(flat_frames(track(to_sdr(film)))), np.arange(30, 70))


def test_a_field_of_drifting_shapes_moves_everywhere():
    assert (np.linalg.norm(make_signatures(track(to_sdr(gaussian_filter(FILM, (0, 1, 1)))))[0].astype(float), axis=1) > 0.2).all()
