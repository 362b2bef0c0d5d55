from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from pairdiff._records import Rectangle
from pairdiff.match import timeline
from pairdiff.match.segments import build_segments
from pairdiff.match.timeline import (
    belongs_together,
    better_map,
    find_edit_map,
    find_turn,
    may_be_turned,
    single_path,
    usual_offset,
    with_single_path,
)
from tests.match._drift import FILM, HDR_TRACK, make_drift, to_hdr, to_sdr, track


def tracks_at(offset):
    """HDR and SDR tracks of one film; SDR frame number minus HDR frame number is `offset`; 160 frames each at most."""
    hdr, sdr = FILM[max(offset, 0) :][:160], FILM[max(-offset, 0) :][:160]
    return track(to_hdr(hdr)), track(to_sdr(sdr, gamma=1.2, noise=0.01))


@pytest.mark.parametrize("offset", [0, 1, 7, -7, 38, -38])
def test_a_planted_offset_is_found_through_another_grade(offset):
    found = find_edit_map(*tracks_at(offset))
    assert usual_offset(found) == offset
    assert (found.partners[found.partners >= 0] - np.flatnonzero(found.partners >= 0) == offset).all()
    assert found.score > 0.7
    assert found.runner_up < found.score - 0.2


def test_the_sign_turns_when_the_sides_change_places():
    hdr, sdr = tracks_at(11)
    assert usual_offset(find_edit_map(sdr, hdr)) == -11


@pytest.mark.parametrize("sdr", [{"gamma": 0.6}, {"noise": 0.06}, {"gamma": 1.6, "noise": 0.04}], ids=["gamma", "noise", "both"])
def test_offset_survives(sdr):
    assert usual_offset(find_edit_map(HDR_TRACK[20:], track(to_sdr(FILM, **sdr)))) == 20


def test_offset_survives_a_crop_of_a_tenth_of_the_width():
    assert usual_offset(find_edit_map(HDR_TRACK[9:], track(to_sdr(FILM[:, 2:-2, 4:-5])))) == 9


def test_offset_survives_bars_on_one_side():
    sdr = np.full((len(FILM), 74, 96), 16, np.uint8)
    sdr[:, 10:64] = to_sdr(FILM)
    assert usual_offset(find_edit_map(HDR_TRACK[13:], track(sdr, Rectangle(10, 64, 0, 96)))) == 13


def test_films_that_do_not_belong_together_are_told():
    other = find_edit_map(HDR_TRACK, track(to_sdr(make_drift(seed=99))))
    assert not belongs_together(other, min_score=0.45)
    assert belongs_together(find_edit_map(*tracks_at(7)), min_score=0.45)


def nearly_stopping():
    """The drift, but for 60 frames in which the camera travels by one frame's travel alone; HDR and SDR tracks."""
    share = np.linspace(0, 1, 60)[:, None, None]
    film = np.concatenate([FILM[:40], FILM[60] + (FILM[61] - FILM[60]) * share, FILM[100:]])
    return track(to_hdr(film)), track(to_sdr(film))


def test_frames_are_faint_where_fingerprints_hardly_tell_one_from_the_next():
    found = find_edit_map(*nearly_stopping())
    assert found.faint[50:90].all()
    assert (found.state[50:90] == 0).all()
    assert not found.faint[150:].any()
    assert (found.state[155:195] == 1).all()


def test_frames_that_another_place_explains_as_well_are_not_faint(monkeypatch):
    monkeypatch.setattr(timeline, "_ambiguous_frames", lambda frames, anchors: np.arange(frames) < 70)
    found = find_edit_map(*nearly_stopping())
    assert not found.faint[:70].any()
    assert found.faint[70:90].all()


def test_the_path_in_single_frames_goes_there_and_back():
    hdr, sdr = (np.repeat(one, counts, axis=0) for one, counts in ((HDR_TRACK, 2), (track(to_sdr(FILM)), np.tile([2, 3], 100))))
    found = find_edit_map(hdr, sdr)
    single = single_path(found)
    assert (single.path[single.path >= 0] == np.flatnonzero(single.path >= 0)).all()
    back = with_single_path(found, single.path, single.state)
    for name in ("path", "path_stop", "partners", "state"):
        assert (getattr(back, name) == getattr(found, name)).all()
    part = find_edit_map(HDR_TRACK, track(to_sdr(FILM[7:])), only=(60, 160))
    single = single_path(part)
    assert (single.hdr_frame == np.arange(60, 160)).all()
    assert (with_single_path(part, single.path, single.state).path == part.path).all()


def test_nothing_moves_nothing_is_matched():
    still = np.repeat(HDR_TRACK[:1], 50, axis=0)
    found = find_edit_map(still, still)
    assert (found.partners == -1).all()
    assert not belongs_together(found, min_score=0.45)


@pytest.mark.parametrize(("hdr", "sdr"), [(0, 5), (1, 1), (1, 30), (30, 1), (2, 3)])
def test_very_short_releases_are_taken(hdr, sdr):
    found = find_edit_map(HDR_TRACK[:hdr], HDR_TRACK[:sdr])
    assert found.path.shape == (hdr,)
    assert -1 <= found.score <= 1 + 1e-6


def test_heads_and_tails_have_no_partner():
    found = find_edit_map(HDR_TRACK[:150], track(to_sdr(FILM[20:180])))
    assert (found.state[:20] == -1).all()
    assert (found.state[20:] == 1).all()
    assert np.nanmin(found.similarity) > 0.9


def test_a_passage_of_another_film_in_the_middle_is_not_matched():
    sdr = FILM.copy()
    sdr[60:85] = make_drift(25, (), seed=50)
    found = find_edit_map(HDR_TRACK, track(to_sdr(sdr)))
    assert np.array_equal(np.flatnonzero(found.state == -1), np.arange(60, 85))


def test_a_passage_that_stands_still_is_undetermined():
    film = FILM.copy()
    film[100:150] = film[100]
    found = find_edit_map(track(to_hdr(film)), track(to_sdr(film)))
    assert (found.state[114:136] == 0).all()
    assert (found.state[:90] == 1).all()


def test_black_on_both_sides_is_undetermined_and_not_unmatched():
    film = FILM.copy()
    film[100:150] = 0
    found = find_edit_map(track(to_hdr(film)), track(to_sdr(film)))
    assert (found.state[100:150] == 0).all()
    assert (found.state[:100] == 1).all()
    assert (found.state[150:] == 1).all()
    segments = build_segments(found.state, found.path, found.path_stop, found.similarity, sdr_frames=200, speed=1.0)
    assert [segment.kind for segment in segments] == ["matched", "undetermined", "matched"]


def test_black_of_another_length_is_undetermined_on_both_sides():
    black = np.zeros((1, *FILM.shape[1:]))
    hdr, sdr = (np.concatenate([FILM[:100], np.repeat(black, count, 0), FILM[100:]]) for count in (40, 70))
    found = find_edit_map(track(to_hdr(hdr)), track(to_sdr(sdr)))
    assert (found.state[100:140] == 0).all()
    assert (found.partners[100:140] == -1).all()
    segments = build_segments(found.state, found.path, found.path_stop, found.similarity, sdr_frames=270, speed=1.0)
    assert {segment.kind for segment in segments} == {"matched", "undetermined"}
    assert [(one.sdr_start, one.sdr_stop) for one in segments if one.kind == "matched"] == [(0, 100), (170, 270)]


def test_black_against_a_picture_has_no_partner():
    film = FILM.copy()
    film[100:150] = 0
    assert (find_edit_map(HDR_TRACK, track(to_sdr(film))).state[100:150] == -1).all()


def test_a_slow_pan_is_motion():
    smooth = gaussian_filter1d(np.random.default_rng(3).normal(size=(54, 400)), 12, axis=1)
    smooth = (0.5 + 0.2 * smooth / smooth.std()).clip(0, 1)
    film = np.stack([smooth[:, n : n + 96] for n in range(60)])
    assert (find_edit_map(track(to_hdr(film)), track(to_sdr(film))).state == 1).mean() > 0.9


@pytest.mark.parametrize(
    ("turn", "words"),
    [
        ((slice(None), slice(None, None, -1)), "left to right"),
        pytest.param((slice(None, None, -1), slice(None)), "top to bottom", marks=pytest.mark.slow),
    ],
)
def test_a_mirrored_picture_is_told_from_another_film(turn, words):
    turned = track(to_sdr(FILM[:, turn[0], turn[1]]))
    assert not belongs_together(find_edit_map(HDR_TRACK, turned), min_score=0.45)
    assert words in find_turn(HDR_TRACK, turned, min_score=0.45)
    assert find_turn(HDR_TRACK, track(to_sdr(make_drift(seed=99))), min_score=0.45) is None


def test_a_symmetric_shot_does_not_carry_a_mirrored_film():
    half = make_drift(70, (), seed=41)
    film = np.concatenate([FILM[:110], (half + half[:, :, ::-1]) / 2, FILM[110:]])
    hdr, mirrored = track(to_hdr(film)), track(to_sdr(film[:, :, ::-1]))
    found = find_edit_map(hdr, mirrored)
    assert belongs_together(found, min_score=0.45)  # for that one shot
    assert may_be_turned(found)
    assert find_turn(hdr, mirrored, min_score=0.45, weight=found.weight) == "mirrored left to right"
    assert find_turn(hdr, track(to_sdr(film[90:190])), min_score=0.45, weight=found.weight) is None


def test_a_scene_in_another_order_stays_without_partner_and_is_found_elsewhere_to_the_frame():
    sdr = FILM[[*range(40), *range(95, 150), *range(40, 95), *range(150, 200)]]
    found = find_edit_map(HDR_TRACK, track(to_sdr(sdr)))
    (moved,) = found.elsewhere
    assert (moved.hdr_start, moved.hdr_stop, moved.sdr_start, moved.sdr_stop) in ((95, 150, 40, 95), (40, 95, 95, 150))
    assert (found.state[moved.hdr_start : moved.hdr_stop] == -1).all()
    assert (np.diff(found.path[found.path >= 0]) > 0).all()  # the map itself never goes back


def test_a_shot_shown_again_in_one_release_is_found_where_it_was_shown_before():
    hdr = track(to_hdr(FILM[[*range(150), *range(45, 90), *range(150, 200)]]))
    found = find_edit_map(hdr, track(to_sdr(FILM)))
    assert [(one.hdr_start, one.hdr_stop, one.sdr_start, one.sdr_stop) for one in found.elsewhere] == [(150, 195, 45, 90)]
    assert (found.state[150:195] == -1).all()


def test_what_is_found_elsewhere_counts_from_the_start_of_the_film_where_only_a_passage_is_matched():
    hdr = track(to_hdr(FILM[[*range(150), *range(45, 90), *range(150, 200)]]))
    found = find_edit_map(hdr, track(to_sdr(FILM)), only=(20, 245))
    assert [(one.hdr_start, one.hdr_stop, one.sdr_start, one.sdr_stop) for one in found.elsewhere] == [(150, 195, 45, 90)]


def test_a_film_in_order_is_found_nowhere_else():
    assert find_edit_map(*tracks_at(7)).elsewhere == ()


def with_a_slow_end(film, ending, *, other=()):
    """A film, perhaps another passage, and 40 frames of one picture whose noise alone changes."""
    return np.concatenate([film, *other, np.repeat(ending[None], 40, 0)])


def test_a_slow_shot_behind_an_edit_is_undetermined_and_not_called_the_release_s_own():
    ending, another = make_drift(1, (), seed=31)[0], make_drift(1, (), seed=32)[0]
    hdr = track(to_hdr(with_a_slow_end(FILM, ending, other=[make_drift(60, (), seed=33)])))
    found = find_edit_map(hdr, track(to_sdr(with_a_slow_end(FILM, ending), noise=0.004)))
    assert (found.state[:195] == 1).all()
    assert (found.state[205:255] == -1).all()  # the inserted passage
    assert (found.state[262:] == 0).all()
    assert (found.partners[200:] == -1).all()
    assert found.path[262:].min() >= 200
    unlike = find_edit_map(hdr, track(to_sdr(with_a_slow_end(FILM, another), noise=0.004)))
    assert (unlike.state[262:] == -1).all()


def test_a_map_on_registered_pictures_takes_the_place_of_the_first_unless_less_agrees():
    first = find_edit_map(*tracks_at(7))
    half = replace(first, partners=np.where(np.arange(len(first.partners)) % 2, first.partners, -1))
    assert better_map(first, half) is first
    assert better_map(half, first) is first
    assert better_map(first, replace(first, score=0.98 * first.score)) is not first


def test_of_passages_alike_but_in_another_order_the_likelier_one_is_kept():
    """A gap of both releases holds two scenes, in another order on each side: the map never goes back and can hold one of them."""
    rng = np.random.default_rng(4)
    faint, clear, other = (one / np.linalg.norm(one) for one in rng.normal(size=(3, HDR_TRACK.shape[1])))

    def scene(picture, noise):
        frames = picture + noise * rng.normal(size=(20, picture.size)) / np.sqrt(picture.size)
        return frames / np.linalg.norm(frames, axis=1, keepdims=True)

    hdr, sdr = (timeline.make_side(np.concatenate(one).astype(np.float16)) for one in (
        [scene(faint, 0.4), scene(other, 0), scene(clear, 0.05)], [scene(clear, 0.05), scene(faint, 0.4)],
    ))  # fmt: skip
    path, state = timeline._doubt_alike(np.full(60, -1), np.full(60, -1, np.int8), hdr, sdr)
    assert state.tolist() == [-1] * 40 + [0] * 20
    assert path[40:].tolist() == list(range(20))


def test_frames_of_a_loop_are_told_as_having_the_like_elsewhere():
    film, loop = FILM[:160], FILM[60:84]
    hdr, sdr = (np.concatenate([film[:84], *[loop] * times, film[84:]]) for times in (4, 3))
    found = find_edit_map(track(to_hdr(hdr)), track(to_sdr(sdr)))
    assert found.ambiguous[90:150].mean() > 0.8
    assert not found.ambiguous[:40].any()
