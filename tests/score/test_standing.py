import numpy as np
import pytest

from pairdiff._settings import Settings
from pairdiff.score.headroom import AREA_FACTORS, level_at_share, measure_highlights, noise_stops, quiet_level
from pairdiff.score.standing import StandingMarks

SETTINGS = Settings()
SIZE = (120, 200)


def film(*, shots=4, pictures=2, mark=None):
    """Levels of pictures that change from shot to shot, some of it bright everywhere once, with a mark on top."""
    rng = np.random.default_rng(1)
    for shot in range(shots):
        ground = rng.uniform(1, 90, SIZE)
        row, column = rng.integers(0, 80, 2)
        ground[row : row + 30, column : column + 60] = 600.0
        for _ in range(pictures):
            level = (ground * rng.uniform(0.97, 1.03)).astype(np.float32)
            if mark is not None:
                level[4:12, 180:194] = mark
            yield shot, level


def masks(pictures, *, white=120.0, settings=SETTINGS):
    marks = StandingMarks()
    for shot, level in pictures:
        marks.add(level, shot=shot)
    return marks.masks(white_nits=white, settings=settings)


def test_a_logo_that_stands_through_the_film_is_found_and_nothing_else():
    found = masks(film(mark=1000.0))[SIZE]
    assert found[4:12, 180:194].all()
    assert found.sum() <= (8 + 4) * (14 + 4)


def test_a_film_without_marks_has_none():
    assert masks(film()) == {}


@pytest.mark.parametrize("mark", [110.0, 20.0])
def test_a_mark_below_sdr_white_is_no_matter(mark):
    assert masks(film(mark=mark)) == {}


def test_two_shots_are_too_few_to_tell_a_mark_from_a_lamp():
    assert masks(film(shots=2, mark=1000.0)) == {}
    assert SIZE in masks(film(shots=3, mark=1000.0))


def test_what_covers_much_of_the_picture_is_no_mark():
    large = [(shot, np.full(SIZE, 800.0, np.float32)) for shot in range(5)]
    assert masks(large) == {}


def test_a_mark_that_changes_its_level_is_no_standing_mark():
    pictures = [(shot, level) for shot, level in film(mark=1000.0)]
    pictures[3][1][4:12, 180:194] = 500.0
    assert masks(pictures) == {}


def test_canvases_of_other_sizes_are_kept_apart():
    other = [(9, np.full((60, 100), 10.0, np.float32))]
    assert set(masks([*film(mark=1000.0), *other])) == {SIZE}


# ------------------------------------------------------------- levels


def test_marks_are_left_out_of_the_level_and_kept_beside_it():
    _, level = next(film(mark=3000.0))
    standing = np.zeros(SIZE, bool)
    standing[2:14, 178:196] = True
    code = np.minimum(level / 600, 1.0)
    found = measure_highlights(level, code, standing=standing, settings=SETTINGS)
    middle = AREA_FACTORS.index(1.0)
    assert found.hdr_nits[middle] == pytest.approx(600, rel=0.05)
    assert found.with_marks_nits == 3000
    assert found.standing_share == pytest.approx(standing.mean())
    assert list(found.hdr_nits) == sorted(found.hdr_nits, reverse=True)


def test_levels_are_those_of_a_median_of_three_by_three():
    from scipy.ndimage import median_filter

    level = np.random.default_rng(3).lognormal(3, 1, SIZE).astype(np.float32)
    assert np.array_equal(quiet_level(level), median_filter(level, 3, mode="nearest"))


def test_glints_count_in_a_clean_pair_and_grain_does_not_in_a_noisy_one():
    code = np.tile(np.linspace(0.3, 0.95, SIZE[1], dtype=np.float32), (SIZE[0], 1))
    level = 100 * code**2.4
    glints = level.copy()
    glints[::8, ::8] = 2000.0
    found = measure_highlights(glints, code, standing=None, settings=SETTINGS)
    assert min(found.hdr_nits) == pytest.approx(2000, rel=0.25)
    grain = 2 ** (0.4 * np.random.default_rng(2).normal(size=SIZE))
    noisy = measure_highlights((level * grain).astype(np.float32), code, standing=None, settings=SETTINGS)
    assert level_at_share((level * grain).astype(np.float32), 0.001) > 150
    assert noisy.hdr_nits[AREA_FACTORS.index(1.0)] < 125
    assert noisy.noise_stops > 0.2


@pytest.mark.parametrize("sigma", [0.02, 0.05, 0.1])
def test_noise_is_read_off_the_pair_and_a_grade_is_not_taken_for_it(sigma):
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(4)
    smooth = gaussian_filter(rng.normal(size=(300, 500)), 25)
    code = (0.75 + 0.2 * smooth / np.abs(smooth).max()).astype(np.float32)
    graded = 100 * code**2.4 * (1 + 4 * code**6)
    assert noise_stops(graded, code) < 0.02
    noisy = graded * 2 ** (sigma * rng.normal(size=code.shape))
    assert noise_stops(noisy, code) == pytest.approx(2.5 * sigma, rel=0.15)


@pytest.mark.parametrize("stops", [1.0, 2.5])
def test_texture_that_a_steep_grade_stretches_is_no_noise(stops):
    from scipy.ndimage import gaussian_filter

    texture = gaussian_filter(np.random.default_rng(5).normal(size=(300, 500)), 2)
    code = (0.8 + 0.15 * texture / np.abs(texture).max()).astype(np.float32)
    graded = 100 * code**2.4 * 2 ** (stops * np.clip((code - 0.7) / 0.3, 0, 1) ** 1.5)
    assert noise_stops(graded, code) < 0.1  # below what a report mentions


def test_a_picture_of_scattered_lamps_has_a_level_and_no_noise():
    code = np.full(SIZE, 0.05, np.float32)
    for row, column in ((0, 0), (0, 1), (1, 0)):
        code[4 + row :: 8, 4 + column :: 8] = 0.9
    code[5::8, 5::8] = 1.0
    assert ((code > 0.6) & (code < 0.97)).sum() > 17**2  # enough that is bright, and nowhere a fifth of a window
    found = measure_highlights(100 * code**2.4 * 4, code, standing=None, settings=SETTINGS)
    assert np.isfinite((*found.hdr_nits, *found.sdr_code, found.noise_stops)).all()
    assert found.hdr_nits[AREA_FACTORS.index(1.0)] == pytest.approx(400, rel=0.1)


@pytest.mark.parametrize("width", [1, 2, 3])
@pytest.mark.parametrize("lamp", [0.6, 1.0])
def test_lamps_of_any_size_are_read_alike_on_both_sides(width, lamp):
    code = np.full(SIZE, 0.1, np.float32)
    for row in range(width):
        for column in range(width):
            code[4 + row :: 12, 4 + column :: 12] = lamp
    found = measure_highlights(150 * code**2.4, code, standing=None, settings=SETTINGS)
    at = AREA_FACTORS.index(1.0)
    assert np.log2(found.hdr_nits[at] / (150 * found.sdr_code[at] ** 2.4)) == pytest.approx(0, abs=0.1)


def test_super_white_of_a_pixel_is_ringing_and_takes_no_headroom():
    code = np.tile(np.linspace(0.3, 1.0, SIZE[1], dtype=np.float32), (SIZE[0], 1))
    code[::7, ::7] = 1.08
    found = measure_highlights(150 * code**2.4, code, standing=None, settings=SETTINGS)
    assert max(found.sdr_code) == pytest.approx(1.0, abs=0.01)


def test_super_white_glints_count_where_a_power_law_is_asked_for():
    code = np.tile(np.linspace(0.02, 0.6, SIZE[1], dtype=np.float32), (SIZE[0], 1))
    for row, column in ((0, 0), (0, 1), (1, 0), (1, 1)):
        code[4 + row :: 9, 4 + column :: 9] = 1.08
    found = measure_highlights(150 * code**2.4, code, standing=None, settings=SETTINGS)
    at = AREA_FACTORS.index(1.0)
    assert found.sdr_with_glints_code[at] == pytest.approx(1.08, abs=0.01)
    assert np.log2(found.hdr_nits[at] / (150 * found.sdr_with_glints_code[at] ** 2.4)) == pytest.approx(0, abs=0.05)
    assert found.sdr_code[at] == pytest.approx(1.0, abs=0.01)


def test_a_dark_picture_says_nothing_about_noise():
    assert noise_stops(np.zeros(SIZE, np.float32), np.zeros(SIZE, np.float32)) == 0


def test_canvas_sizes_are_kept_apart_and_no_more_than_a_few_are_held():
    seen = [(shot, level[: 120 - n]) for n in range(20) for shot, level in film(mark=1000.0)]
    found = masks(seen)
    assert sorted(found) == [(120 - n, 200) for n in reversed(range(8))]
    assert all(mask.shape == size for size, mask in found.items())
