"""Places in time between frames: planted mixes and wrong partners are told, true partners are not, under another grade and noise."""

import numpy as np
import pytest
from scipy.ndimage import shift

from pairdiff.match.position import MOST_BETWEEN_SHARE, measure_positions
from pairdiff.match.timeline import find_edit_map, make_side
from tests.match._drift import FILM, HDR_TRACK, to_sdr, track
from tests.match._films import Grade, to_pq
from tests.whole._cadence import film

PATH = np.arange(len(FILM))


def sdr_track(film, **look):
    return track(to_sdr(film, **look))


def mix(film, *, frames, pictures):
    times = np.arange((len(film) - 1) * frames // pictures) * pictures / frames
    first = times.astype(int)
    share = (times - first)[:, None, None]
    return (1 - share) * film[first] + share * film[first + 1]


@pytest.mark.parametrize("look", [{}, {"gamma": 1.3}, {"gamma": 0.8, "noise": 0.02}, {"noise": 0.05}])
def test_true_partners_lie_nowhere_else(look):
    found = measure_positions(PATH, make_side(HDR_TRACK), make_side(sdr_track(FILM, **look)))
    assert not found.off.any()
    assert found.between <= 0.02 * found.telling
    assert found.telling >= (0 if look.get("noise") == 0.05 else 120)


def test_a_place_that_is_off_by_as_much_all_along_is_not_taken_for_time():
    moved = np.roll(FILM, 1, axis=2)  # a third of a cell, while the film travels as far from frame to frame
    found = measure_positions(PATH, make_side(HDR_TRACK), make_side(sdr_track(moved)))
    assert found.telling >= 100
    assert found.off.mean() <= 0.02
    assert found.between <= 0.05 * found.telling


def test_a_crop_of_photographs_is_not_taken_for_time():
    """Bringing one side on the grid of the other softens it, here more and there less: both are softened before they are compared."""
    pictures = [one.astype(np.float32) / 255 for one in film()[60:260]]
    look = Grade(crop=0.04, gamma=1.25)
    found = find_edit_map(
        track(np.stack([to_pq(one) for one in pictures])), track(np.stack([look(one, n) for n, one in enumerate(pictures)]))
    )
    assert found.telling >= 30
    assert found.between <= 0.05 * found.telling
    assert (found.partners >= 0).sum() >= 199


@pytest.mark.parametrize("wrong", [slice(60, 63), slice(120, 121)])
def test_partners_that_are_one_frame_off_are_told(wrong):
    path = PATH.copy()
    path[wrong] += 1
    found = measure_positions(path, make_side(HDR_TRACK), make_side(sdr_track(FILM, gamma=1.3)))
    assert np.flatnonzero(found.off).tolist() == list(range(wrong.start, wrong.stop))


@pytest.mark.parametrize(("frames", "pictures", "side"), [(25, 24, "sdr"), (5, 4, "hdr"), (24, 25, "sdr")])
def test_a_conversion_by_mixing_lies_between(frames, pictures, side):
    mixed, whole = mix(FILM, frames=frames, pictures=pictures), FILM
    tracks = (sdr_track(mixed), sdr_track(whole, gamma=1.3)) if side == "hdr" else (sdr_track(whole), sdr_track(mixed, gamma=1.3))
    assert find_edit_map(*tracks).mixed


@pytest.mark.parametrize("deviation_pixels", [0.3, 0.6, 1.0])
def test_a_picture_that_weaves_in_its_gate_is_off_but_was_not_mixed(deviation_pixels):
    rng = np.random.default_rng(8)
    woven = np.stack([shift(one, rng.normal(0, deviation_pixels, 2), order=1, mode="nearest") for one in FILM])
    found = measure_positions(PATH, make_side(sdr_track(FILM)), make_side(sdr_track(woven, gamma=1.3)))
    assert found.between >= MOST_BETWEEN_SHARE * found.telling > 0  # without a look at the rhythm this would be a conversion
    assert not found.mixed


@pytest.mark.parametrize("keep", [PATH, np.delete(PATH, [50, 51, 110, 150]), np.repeat(PATH, 1 + (PATH % 24 == 23))])
def test_dropped_and_repeated_frames_lie_nowhere_else(keep):
    found = find_edit_map(HDR_TRACK, sdr_track(FILM[keep], gamma=1.3, noise=0.01))
    assert not found.mixed
    assert found.between <= 0.02 * found.telling


def test_nothing_is_said_where_nothing_moves_or_nothing_has_a_partner():
    still = make_side(np.repeat(HDR_TRACK[:1], 60, axis=0))
    assert measure_positions(np.arange(60), still, still).telling == 0
    assert measure_positions(np.full(len(FILM), -1), make_side(HDR_TRACK), still).telling == 0
