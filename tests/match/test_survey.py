"""Windows planted at known offsets are asked back; what cannot be told is left open."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pairdiff._records import Rectangle
from pairdiff.match.active import BarLevel, Edges, measure_edges
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS
from pairdiff.match.grid import GridMap, centred_map, likely_maps, resample_track
from pairdiff.match.segments import build_segments
from pairdiff.match.survey import (
    Found,
    Place,
    Prints,
    chance_similarity,
    choose_map,
    expected_offset,
    find_place,
    is_of_another_map,
    known_offsets,
    map_of_windows,
    open_gaps,
    pictures_with_bars,
)

WHOLE = GridMap()


def film(frames: int, *, seed: int = 1, still: bool = False) -> np.ndarray:
    """Fingerprints of a picture that scrolls by a third of a cell a frame: zero mean, unit length."""
    rng = np.random.default_rng(seed)
    wide = rng.normal(size=(GRID_ROWS, GRID_COLUMNS + frames))
    wide = np.apply_along_axis(lambda row: np.convolve(row, np.ones(4) / 4, "same"), 1, wide)
    out = []
    for number in range(frames):
        at = 0.0 if still else number / 3
        low, part = int(at), at - int(at)
        cells = (1 - part) * wide[:, low : low + GRID_COLUMNS] + part * wide[:, low + 1 : low + 1 + GRID_COLUMNS]
        cells = cells - cells.mean()
        out.append((cells / np.linalg.norm(cells)).reshape(-1))
    return np.array(out, np.float16)


def prints(values: np.ndarray, first: int, last: int) -> Prints:
    return Prints(np.arange(first, last + 1), values[first : last + 1])


@pytest.mark.parametrize("offset", [-7, 0, 5])
def test_a_planted_offset_is_found(offset: int) -> None:
    values = film(120)
    sdr = Prints(np.arange(40 + offset, 70 + offset), values[40:70])
    assert find_place(prints(values, 50, 56), sdr, grid_map=WHOLE, expected=None).offset == offset
    assert find_place(prints(values, 50, 56), sdr, grid_map=WHOLE, expected=offset + 2).offset == offset


def test_a_picture_that_stands_still_stays_at_the_expected_place() -> None:
    values = film(60, still=True)
    place = find_place(prints(values, 20, 24), prints(values, 10, 40), grid_map=WHOLE, expected=3)
    assert place.offset == 3
    assert place.similarity > 0.95  # the cells of one side are interpolated


def test_another_shot_is_not_found() -> None:
    place = find_place(prints(film(60), 20, 24), prints(film(60, seed=2), 10, 40), grid_map=WHOLE, expected=0)
    assert place.offset is None
    assert place.similarity < 0.5


def test_a_window_half_outside_the_other_frames_is_not_asked_there() -> None:
    values = film(60)
    assert find_place(prints(values, 20, 26), prints(values, 23, 30), grid_map=WHOLE, expected=0).offset != 0


def test_black_is_told_from_what_is_not_found() -> None:
    black = Prints(np.arange(3), np.zeros((3, GRID_ROWS * GRID_COLUMNS), np.float16))
    assert find_place(black, prints(film(20), 0, 10), grid_map=WHOLE, expected=0).still
    none = Prints(np.arange(0), np.zeros((0, GRID_ROWS * GRID_COLUMNS), np.float16))
    assert not find_place(none, prints(film(20), 0, 10), grid_map=WHOLE, expected=0).still


def test_the_map_of_the_grids_is_chosen_among_the_likely_ones() -> None:
    values = film(60)
    pairs = [(prints(values, first, first + 4), prints(values, first - 5, first + 9)) for first in (10, 25, 40)]
    assert choose_map(pairs, likely_maps(1.0, 1.0)) == WHOLE


def test_the_nearest_window_says_where_to_look() -> None:
    found = [Found(10, Place(2, 0.9)), Found(50, Place(None, 0.2)), Found(100, Place(7, 0.9)), Found(130, Place(2, 0.9))]
    assert expected_offset(found, 60) == 7
    assert expected_offset(found, 5) == 2
    assert known_offsets(found, 90) == (7, 2)
    assert expected_offset([], 5) is None


def test_between_windows_at_one_offset_the_film_runs_on_and_elsewhere_it_is_open() -> None:
    found = [
        Found(10, Place(2, 0.9)),
        Found(40, Place(2, 0.95)),
        Found(70, Place(5, 0.9)),
        Found(90, Place(5, 0.9)),
        Found(95, Place(None, 0.1)),
    ]
    made = map_of_windows(found, hdr_frames=120, sdr_frames=120, grid_map=WHOLE, runner_up=0.1)
    assert made.state.tolist() == [0] * 10 + [1] * 31 + [0] * 29 + [1] * 21 + [0] * 29
    assert (made.partners[10:41] == np.arange(12, 43)).all()
    assert (made.partners[70:91] == np.arange(75, 96)).all()
    assert np.flatnonzero(np.isfinite(made.similarity)).tolist() == [10, 40, 70, 90]
    segments = build_segments(made.state, made.path, made.path_stop, made.similarity, sdr_frames=120, speed=1.0)
    assert [(one.hdr_start, one.hdr_stop, one.sdr_start, one.sdr_stop) for one in segments if one.kind == "matched"] == [
        (10, 41, 12, 43),
        (70, 91, 75, 96),
    ]
    assert all(one.kind in ("matched", "undetermined") for one in segments)


def test_a_window_that_would_lead_back_in_time_is_left_open() -> None:
    found = [Found(10, Place(50, 0.9)), Found(40, Place(0, 0.9))]
    made = map_of_windows(found, hdr_frames=60, sdr_frames=120, grid_map=WHOLE, runner_up=0.1)
    assert made.partners[10] == 60
    assert made.partners[40] == -1
    assert made.state[40] == 0


def test_partners_behind_the_end_of_the_other_release_are_none() -> None:
    made = map_of_windows([Found(5, Place(0, 1.0)), Found(50, Place(0, 1.0))], hdr_frames=60, sdr_frames=30, grid_map=WHOLE, runner_up=0)
    assert made.partners.max() == 29
    assert (made.state[30:] == 0).all()


def test_gaps_between_different_offsets_are_listed() -> None:
    found = [Found(0, Place(0, 1.0)), Found(100, Place(0, 1.0)), Found(300, Place(4, 1.0)), Found(310, Place(9, 1.0))]
    assert open_gaps(found, longest=48) == [(100, 300)]
    assert open_gaps([*found, Found(200, Place(None, 0.1))], longest=48) == [(100, 200), (200, 300)]
    assert open_gaps([*found, Found(200, Place(None, -1.0, still=True))], longest=48) == [(100, 300)]


def test_windows_of_other_moments_tell_what_chance_finds() -> None:
    far = [
        (prints(film(400, seed=s), 300 * s % 390, 300 * s % 390 + 3), prints(film(400, seed=s), 300 * s % 390, 300 * s % 390 + 3))
        for s in (1,)
    ]
    assert chance_similarity(far, grid_map=WHOLE) == 0
    values = [film(700, seed=s) for s in range(3)]
    apart = [(prints(v, 300 * n, 300 * n + 3), prints(v, 300 * n, 300 * n + 3)) for n, v in enumerate(values)]
    assert abs(chance_similarity(apart, grid_map=WHOLE)) < 0.3


def test_a_window_that_is_not_found_parts_those_beside_it() -> None:
    found = [
        Found(10, Place(0, 0.9)),
        Found(30, Place(None, 0.3)),
        Found(50, Place(0, 0.9)),
        Found(60, Place(None, -1.0, still=True)),
        Found(70, Place(0, 0.9)),
    ]
    made = map_of_windows(found, hdr_frames=80, sdr_frames=80, grid_map=WHOLE, runner_up=0.0)
    assert made.state[10] == 1
    assert (made.state[11:50] == 0).all()
    assert (made.state[50:71] == 1).all()  # black tells nothing, and parts nothing


def test_a_place_at_which_the_other_release_lacks_a_frame_is_still_the_place() -> None:
    values = film(60)
    numbers = np.array([n for n in range(10, 40) if n != 21])
    place = find_place(prints(values, 20, 22), Prints(numbers, values[numbers]), grid_map=WHOLE, expected=0)
    assert place.offset == 0
    numbers = np.array([n for n in range(10, 40) if n not in (20, 21)])
    assert find_place(prints(values, 20, 22), Prints(numbers, values[numbers]), grid_map=WHOLE, expected=0).offset != 0


def test_what_grain_makes_of_a_still_picture_moves_no_place() -> None:
    values = film(60, still=True).astype(np.float32)
    grain = np.random.default_rng(7).normal(0, 0.002, values.shape)
    noisy = (values + grain) / np.linalg.norm(values + grain, axis=1, keepdims=True)
    asked = prints(film(60, still=True), 20, 22), prints(noisy.astype(np.float16), 10, 40)
    assert len({find_place(*asked, grid_map=WHOLE, expected=offset).offset for offset in (-4, 0, 3)}) == 3
    assert find_place(*asked, grid_map=WHOLE, expected=None).offset is not None


def test_without_neighbours_a_window_must_be_more_alike() -> None:
    values, other = film(60).astype(np.float32), film(60, seed=9).astype(np.float32)
    other -= (other * values).sum(1, keepdims=True) * values
    mixed = 0.8 * values + 0.6 * other / np.linalg.norm(other, axis=1, keepdims=True)
    asked = prints(film(60), 20, 24), prints(mixed.astype(np.float16), 14, 30)
    assert find_place(*asked, grid_map=WHOLE, expected=0).offset == 0
    assert find_place(*asked, grid_map=WHOLE, expected=None).offset is None


TALL, WIDE = 108, 192


def edges_of(bars: int, *, seed: int, left: int = 0, lower: int | None = None) -> Edges:
    """Picture edges of noise between bars of so many rows, as they are measured."""
    luma = np.full((TALL, WIDE), 16, np.uint8)
    inside = luma[bars : TALL - (bars if lower is None else lower), left : WIDE - left]
    inside[:] = np.random.default_rng(seed).integers(60, 200, inside.shape)
    return measure_edges(luma, active=Rectangle(0, TALL, 0, WIDE), level=BarLevel(16.0, 17.0))


def with_bars(edges: list[Edges], common: tuple[float, float, float, float] = (0, TALL, 0, WIDE)) -> int:
    return pictures_with_bars(edges, active=Rectangle(0, TALL, 0, WIDE), rows=TALL, columns=WIDE, common=common)


def test_pictures_with_bars_where_others_show_picture_are_counted() -> None:
    assert with_bars([edges_of(14 if number % 3 else 0, seed=number) for number in range(12)]) == 8
    assert with_bars([edges_of(0, seed=number, left=24 * (number == 3 or number == 7)) for number in range(12)]) == 2


def test_bars_outside_what_is_compared_and_one_that_stands_alone_are_none() -> None:
    mixed = [edges_of(14 if number % 3 else 0, seed=number) for number in range(12)]
    assert with_bars(mixed, (14.4, TALL - 14.4, 0.2, WIDE)) == 0
    assert with_bars([edges_of(0, seed=number) for number in range(12)]) == 0
    assert with_bars([edges_of(14 if number == 5 else 0, seed=number) for number in range(12)]) == 0
    assert with_bars([]) == 0


def test_cards_and_dark_pictures_that_end_each_in_another_line_show_no_bars() -> None:
    some = [edges_of(10 + 4 * number, seed=number) for number in range(5)]  # blocks of words, each of another height
    night = [edges_of(20 + number, seed=number, lower=0) for number in range(2)]  # a dark sky over a lit street
    assert with_bars([*some, *night, *(edges_of(0, seed=number) for number in range(12))]) == 0


def clouds(frames: int, *, seed: int = 3) -> np.ndarray:
    """Fingerprints of clouds about two cells wide that drift: zero mean, unit length."""
    wide = cv2.GaussianBlur(np.random.default_rng(seed).normal(size=(GRID_ROWS, GRID_COLUMNS + frames)), (0, 0), 1.3)
    cells = np.stack([wide[:, n : n + GRID_COLUMNS] for n in range(frames)]).reshape(frames, -1)
    cells -= cells.mean(1, keepdims=True)
    return np.asarray(cells / np.linalg.norm(cells, axis=1, keepdims=True), np.float16)


@pytest.mark.parametrize(
    ("shown", "elsewhere"),
    [
        (centred_map(0.88, 0.88), True),
        (centred_map(1.12, 1.12), True),
        (GridMap(0.9, 0.9, 0.02, 0.07), True),
        (WHOLE, False),
        (centred_map(0.995, 0.995), False),
    ],
)
@pytest.mark.parametrize("grain", [0.0, 0.012])
def test_a_window_of_another_part_of_the_picture_is_told_from_one_that_is_only_less_alike(
    shown: GridMap, elsewhere: bool, grain: float
) -> None:
    values = clouds(16)
    theirs = resample_track(values, shown).astype(np.float32)
    theirs += np.random.default_rng(1).normal(0, grain, theirs.shape).astype(np.float32)
    theirs /= np.linalg.norm(theirs, axis=1, keepdims=True)
    windows = prints(values, 6, 8), prints(theirs.astype(np.float16), 3, 11)
    assert is_of_another_map(*windows, grid_map=WHOLE, maps=likely_maps(1.0, 1.0)) is elsewhere


def test_a_window_that_is_less_alike_everywhere_lies_where_the_film_does() -> None:
    """Half of what it shows is another picture: the best map is then an accident, and gains little."""
    for seed in range(10, 16):
        values, other = clouds(16).astype(np.float32), clouds(16, seed=seed).astype(np.float32)
        mixed = (values + other) / np.linalg.norm(values + other, axis=1, keepdims=True)
        windows = prints(values.astype(np.float16), 6, 8), prints(mixed.astype(np.float16), 3, 11)
        assert not is_of_another_map(*windows, grid_map=WHOLE, maps=likely_maps(1.0, 1.0))
