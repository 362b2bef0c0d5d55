import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, gaussian_filter1d
from scipy.signal import correlate

from pairdiff._records import Rectangle
from pairdiff.light.transfer import nits_to_pq
from pairdiff.match.fingerprint import make_fingerprint
from pairdiff.match.timeline import (
    HIGH_PASS_FRAMES,
    build_segments,
    find_cuts,
    find_offset,
    find_shots,
    frame_similarity,
    high_pass,
    matched_frames,
    motion_energy,
)

CUTS = (40, 95, 150)


def make_film(frames=200, cuts=CUTS, seed=1, rows=54, columns=96):
    """Luma signal 0 to 1 of smooth shapes that drift, another field after every cut."""
    pictures = []
    bounds = [0, *cuts, frames]
    for shot in range(len(bounds) - 1):
        length = bounds[shot + 1] - bounds[shot]
        field = gaussian_filter(np.random.default_rng((seed, shot)).normal(size=(rows + length, columns + length)), 4)
        field = (0.5 + 0.2 * field / field.std()).clip(0, 1)
        pictures += [field[n : n + rows, n : n + columns] for n in range(length)]
    return np.stack(pictures)


def to_sdr(film, *, gamma=1.0, noise=0.0, seed=7):
    moved = film**gamma + noise * np.random.default_rng(seed).normal(size=film.shape)
    return np.rint(16 + 219 * moved.clip(0, 1)).astype(np.uint8)


def to_hdr(film, *, white_nits=150.0):
    return np.rint(64 + 876 * nits_to_pq(white_nits * film**2.4)).astype(np.uint16)


def track(pictures, active=None):
    box = active or Rectangle(0, pictures.shape[1], 0, pictures.shape[2])
    return np.stack([make_fingerprint(picture, active=box) for picture in pictures])


FILM = make_film()
HDR_TRACK = track(to_hdr(FILM))


def tracks_at(offset):
    """HDR and SDR tracks of one film; SDR frame number minus HDR frame number is `offset`; 160 frames each at most."""
    hdr, sdr = FILM[max(offset, 0) :][:160], FILM[max(-offset, 0) :][:160]
    return track(to_hdr(hdr)), track(to_sdr(sdr, gamma=1.2, noise=0.01))


@pytest.mark.parametrize("offset", [0, 1, 7, -7, 38, -38])
def test_a_planted_offset_is_found_through_another_grade(offset):
    found = find_offset(*tracks_at(offset))
    assert found.frames == offset
    assert found.score > 0.7
    assert found.runner_up < found.score - 0.2


def test_the_sign_turns_when_the_sides_change_places():
    hdr, sdr = tracks_at(11)
    assert find_offset(sdr, hdr).frames == -11


@pytest.mark.parametrize(("name", "sdr"), [("gamma", {"gamma": 0.6}), ("noise", {"noise": 0.06}), ("both", {"gamma": 1.6, "noise": 0.04})])
def test_offset_survives(name, sdr):
    assert find_offset(HDR_TRACK[20:], track(to_sdr(FILM, **sdr))).frames == 20


def test_offset_survives_a_crop_of_a_tenth_of_the_width():
    assert find_offset(HDR_TRACK[9:], track(to_sdr(FILM[:, 2:-2, 4:-5]))).frames == 9


def test_offset_survives_bars_on_one_side():
    sdr = np.full((len(FILM), 74, 96), 16, np.uint8)
    sdr[:, 10:64] = to_sdr(FILM)
    assert find_offset(HDR_TRACK[13:], track(sdr, Rectangle(10, 64, 0, 96))).frames == 13


def test_films_that_do_not_belong_together_score_low():
    other = track(to_sdr(make_film(seed=99)))
    assert find_offset(HDR_TRACK, other).score < 0.3


def test_the_score_is_the_normalised_correlation_at_that_offset():
    hdr, sdr = tracks_at(7)
    first, second = (high_pass(one).astype(np.float64) for one in (hdr, sdr))
    whole = sum(correlate(second[:, c], first[:, c]) for c in range(first.shape[1]))
    at = 7 + len(first) - 1
    a, b = first[: len(second) - 7], second[7 : 7 + len(first)]
    assert find_offset(hdr, sdr).score == pytest.approx(whole[at] / np.sqrt((a**2).sum() * (b**2).sum()), rel=1e-6)


def test_a_score_never_passes_one_where_an_overlap_stands_still():
    # a long black tail: at offsets where motion meets only black, dividing by next to nothing must not win
    black = np.zeros((600, HDR_TRACK.shape[1]), np.float16)
    hdr = np.concatenate([HDR_TRACK, black])
    sdr = np.concatenate([track(to_sdr(FILM, noise=0.02))[5:], black])
    found = find_offset(hdr, sdr)
    assert found.frames == -5
    assert found.runner_up < found.score <= 1 + 1e-6


def test_nothing_moves_scores_nothing():
    still = np.repeat(HDR_TRACK[:1], 50, axis=0)
    assert find_offset(still, still).score == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize(("hdr", "sdr"), [(1, 1), (1, 30), (30, 1), (2, 3)])
def test_very_short_releases_are_taken(hdr, sdr):
    found = find_offset(HDR_TRACK[:hdr], HDR_TRACK[:sdr])
    assert -1 <= found.score <= 1 + 1e-6


def test_motion_energy_is_the_sum_of_squares_of_the_high_passed_track():
    assert motion_energy(HDR_TRACK) == pytest.approx((high_pass(HDR_TRACK).astype(np.float64) ** 2).sum(1), rel=1e-5)


def test_high_pass_removes_what_stands_still_and_keeps_a_flash():
    flat = np.ones((30, 3), np.float32)
    assert np.abs(high_pass(flat)).max() < 1e-6
    flat[15] += 1
    assert high_pass(flat)[15] == pytest.approx(1 - 1 / HIGH_PASS_FRAMES, rel=1e-5)


@pytest.mark.parametrize("offset", [0, 12, -12, 190, -190, 250, -250])
def test_similarity_is_known_exactly_where_both_have_a_frame(offset):
    known = ~np.isnan(frame_similarity(HDR_TRACK, HDR_TRACK, offset))
    partner = np.arange(len(HDR_TRACK)) + offset
    assert np.array_equal(known, (partner >= 0) & (partner < len(HDR_TRACK)))


# ------------------------------------------------------------- cuts and shots


def test_planted_cuts_are_found_to_the_frame():
    assert tuple(find_cuts(HDR_TRACK)) == CUTS
    assert tuple(find_cuts(track(to_sdr(FILM, noise=0.03)))) == CUTS


def test_a_dissolve_is_no_cut():
    weight = np.clip((np.arange(100) - 40) / 20, 0, 1)[:, None, None]
    mixed = make_film(100, (), seed=5) * (1 - weight) + make_film(100, (), seed=6) * weight
    assert find_cuts(track(to_sdr(mixed))).size == 0


def test_a_cut_into_black_and_out_of_it_is_found_and_black_itself_holds_none():
    film = FILM[:100].copy()
    film[30:70] = 0
    assert tuple(find_cuts(track(to_sdr(film)))) == (30, 70, 95)


def test_shots_are_the_matched_time_between_cuts():
    state = np.ones(len(HDR_TRACK), np.int8)
    assert find_shots(HDR_TRACK, state) == ((0, 40), (40, 95), (95, 150), (150, 200))


def test_a_film_of_one_shot_is_one_shot():
    one = track(to_hdr(make_film(60, ())))
    assert find_shots(one, np.ones(60, np.int8)) == ((0, 60),)


@pytest.mark.parametrize("seed", range(8))
def test_shots_never_overlap_and_hold_matched_frames_only(seed):
    rng = np.random.default_rng(seed)
    state = np.repeat(rng.integers(-1, 2, 40), rng.integers(1, 20, 40)).astype(np.int8)[:200]
    state = np.pad(state, (0, 200 - len(state)), constant_values=1)
    shots = find_shots(HDR_TRACK, state)
    seen = [frame for start, stop in shots for frame in range(start, stop)]
    assert len(seen) == len(set(seen))
    assert (state[seen] == 1).all()
    assert all(not start < cut < stop for start, stop in shots for cut in CUTS)


# ------------------------------------------------------------- matched frames and segments


def test_heads_and_tails_have_no_partner():
    hdr, sdr = HDR_TRACK[:150], track(to_sdr(FILM[20:180]))
    state, similarity = matched_frames(hdr, sdr, -20)
    assert (state[:20] == -1).all()
    assert (state[20:] == 1).all()
    assert np.nanmin(similarity) > 0.9


def test_a_passage_of_another_film_in_the_middle_is_not_matched():
    sdr = FILM.copy()
    sdr[60:85] = make_film(25, (), seed=50)
    state, _ = matched_frames(HDR_TRACK, track(to_sdr(sdr)), 0)
    assert np.array_equal(np.flatnonzero(state == -1), np.arange(60, 85))


def test_a_passage_that_stands_still_is_undetermined():
    film = FILM.copy()
    film[100:150] = film[100]
    state, _ = matched_frames(track(to_hdr(film)), track(to_sdr(film)), 0)
    assert (state[110:140] == 0).all()
    assert (state[:90] == 1).all()


def test_black_on_both_sides_is_undetermined_and_not_unmatched():
    film = FILM.copy()
    film[100:150] = 0
    state, similarity = matched_frames(track(to_hdr(film)), track(to_sdr(film)), 0)
    assert (state[100:150] == 0).all()
    assert (state[:100] == 1).all()
    assert (state[150:] == 1).all()
    segments = build_segments(state, similarity, offset_frames=0, sdr_frames=200, speed=1.0)
    assert [segment.kind for segment in segments] == ["matched", "undetermined", "matched"]


def test_black_against_a_picture_has_no_partner():
    film = FILM.copy()
    film[100:150] = 0
    state, _ = matched_frames(HDR_TRACK, track(to_sdr(film)), 0)
    assert (state[100:150] == -1).all()


def test_a_release_without_any_overlap_has_no_matched_frame():
    state, similarity = matched_frames(HDR_TRACK, HDR_TRACK, 500)
    assert (state == -1).all()
    assert np.isnan(similarity).all()


def covered(segments, side, frames):
    seen = np.zeros(frames, int)
    for segment in segments:
        start, stop = getattr(segment, f"{side}_start"), getattr(segment, f"{side}_stop")
        if start is not None:
            assert 0 <= start < stop <= frames
            seen[start:stop] += 1
    return seen


@pytest.mark.parametrize("seed", range(60))
def test_segments_cover_every_frame_of_both_releases_once(seed):
    rng = np.random.default_rng(seed)
    hdr, sdr = (int(n) for n in rng.integers(1, 60, 2))
    offset = int(rng.integers(-70, 70))
    state = rng.integers(-1, 2, hdr).astype(np.int8)
    partner = np.arange(hdr) + offset
    alone = (partner < 0) | (partner >= sdr)
    state[alone] = -1
    similarity = np.where(alone, np.nan, rng.uniform(-1, 1, hdr)).astype(np.float32)
    segments = build_segments(state, similarity, offset_frames=offset, sdr_frames=sdr, speed=1.0)
    assert (covered(segments, "hdr", hdr) == 1).all()
    assert (covered(segments, "sdr", sdr) == 1).all()
    for segment in segments:
        if segment.kind in ("matched", "undetermined"):
            assert segment.sdr_start - segment.hdr_start == segment.sdr_stop - segment.hdr_stop == offset
            assert 0 <= segment.confidence <= 1
        else:
            assert segment.confidence is None
            assert segment.speed is None
    starts = [segment.hdr_start for segment in segments if segment.hdr_start is not None]
    assert starts == sorted(starts)


def test_the_matched_segment_of_a_shifted_release_says_both_frame_numbers():
    hdr, sdr = HDR_TRACK[:150], track(to_sdr(FILM[20:180]))
    state, similarity = matched_frames(hdr, sdr, -20)
    segments = build_segments(state, similarity, offset_frames=-20, sdr_frames=160, speed=0.96)
    facts = [(s.kind, s.hdr_start, s.hdr_stop, s.sdr_start, s.sdr_stop, s.speed) for s in segments]
    assert facts == [
        ("hdr_only", 0, 20, None, None, None),
        ("matched", 20, 150, 0, 130, 0.96),
        ("sdr_only", None, None, 130, 160, None),
    ]


def test_a_slow_pan_is_motion():
    smooth = gaussian_filter1d(np.random.default_rng(3).normal(size=(54, 400)), 12, axis=1)
    smooth = (0.5 + 0.2 * smooth / smooth.std()).clip(0, 1)
    film = np.stack([smooth[:, n : n + 96] for n in range(60)])
    state, _ = matched_frames(track(to_hdr(film)), track(to_sdr(film)), 0)
    assert (state == 1).mean() > 0.9
