import numpy as np
import pytest

from pairdiff._records import Rectangle
from pairdiff.match.active import ActiveFinder

ROWS, COLUMNS = 180, 320


def luma(box, *, low=60, high=200, black=16, kind=np.uint8, seed=0):
    plane = np.full((ROWS, COLUMNS), black, kind)
    size = (box.bottom - box.top, box.right - box.left)
    plane[box.top : box.bottom, box.left : box.right] = np.random.default_rng(seed).integers(low, high, size)
    return plane


def found(*planes, black=16.0, step=1.0):
    finder = ActiveFinder(black_code=black, code_step=step)
    for plane in planes:
        finder.add(plane)
    return finder.rectangle()


@pytest.mark.parametrize(
    "box",
    [
        Rectangle(0, ROWS, 0, COLUMNS),
        Rectangle(23, 157, 0, COLUMNS),
        Rectangle(0, ROWS, 40, 280),
        Rectangle(20, 150, 31, 300),
    ],
    ids=["none", "letterbox", "pillarbox", "both, off centre"],
)
def test_planted_bars_are_found_to_the_pixel(box):
    assert found(luma(box)) == box


def test_bars_of_ten_bit_codes_are_found():
    box = Rectangle(23, 157, 0, COLUMNS)
    assert found(luma(box, low=240, high=800, black=64, kind=np.uint16), black=64.0, step=4.0) == box


def test_dark_frames_take_nothing_away_from_the_union():
    box = Rectangle(23, 157, 0, COLUMNS)
    black = np.full((ROWS, COLUMNS), 16, np.uint8)
    half = black.copy()
    half[100:157] = 90
    assert found(black, half, luma(box), black) == box


def test_frames_lit_in_different_places_are_joined():
    upper, lower = luma(Rectangle(23, 90, 0, COLUMNS)), luma(Rectangle(80, 157, 0, COLUMNS))
    assert found(upper, lower) == found(lower, upper) == Rectangle(23, 157, 0, COLUMNS)


def test_a_wholly_dark_film_keeps_its_whole_picture():
    assert found(np.full((ROWS, COLUMNS), 16, np.uint8)) == Rectangle(0, ROWS, 0, COLUMNS)


def test_noise_of_one_code_in_the_bars_is_no_picture():
    plane = luma(Rectangle(23, 157, 0, COLUMNS)).astype(int)
    plane[:23] += np.random.default_rng(3).integers(-1, 2, (23, COLUMNS))
    assert found(plane.astype(np.uint8)) == Rectangle(23, 157, 0, COLUMNS)


def test_ringing_beside_the_picture_belongs_to_the_bar():
    plane = luma(Rectangle(23, 157, 0, COLUMNS))
    plane[21:23] = 20
    plane[157:159] = 20
    assert found(plane) == Rectangle(23, 157, 0, COLUMNS)


def test_a_small_title_alone_is_a_failed_detection():
    assert found(luma(Rectangle(85, 95, 150, 170))) == Rectangle(0, ROWS, 0, COLUMNS)


def test_an_empty_finder_is_refused():
    with pytest.raises(ValueError, match="no frame was added"):
        ActiveFinder(black_code=16.0, code_step=1.0).rectangle()
