import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pairdiff.score.pair_noise import BLOCK_PIXELS, bright_area, bright_noise_jnd

ROWS, COLUMNS = 128, 192
ALL = np.ones((ROWS, COLUMNS), bool)


def smooth(seed=1):
    """A field of mean 300 and standard deviation 40, bends about 12 pixels wide."""
    field = gaussian_filter(np.random.default_rng(seed).normal(size=(ROWS, COLUMNS)), 12)
    return (300 + 40 * field / field.std()).astype(np.float32)


def noise(jnd, *, seed=2, sigma_pixels=0.0):
    field = gaussian_filter(np.random.default_rng(seed).normal(size=(ROWS, COLUMNS)), sigma_pixels)
    return (jnd * field / field.std()).astype(np.float32)


@pytest.mark.parametrize("jnd", [2.0, 6.0, 20.0])
@pytest.mark.parametrize("sigma_pixels", [0.0, 0.7, 1.0])
def test_noise_of_one_copy_is_found_grain_of_a_few_pixels_too(jnd, sigma_pixels):
    picture = smooth()
    found = bright_noise_jnd(picture + noise(jnd, sigma_pixels=sigma_pixels), picture, area=ALL)
    assert found == pytest.approx(jnd, rel=0.15)


def test_noise_of_both_copies_counts_together_and_shared_grain_counts_once():
    picture, one, two = smooth(), noise(6.0), noise(6.0, seed=3)
    assert 6.0 < bright_noise_jnd(picture + one, picture + two, area=ALL) < 6.0 * 2**0.5 * 1.1
    assert bright_noise_jnd(picture + one, picture + one, area=ALL) == pytest.approx(6, rel=0.15)


def test_another_contrast_is_no_noise():
    picture = smooth()
    assert bright_noise_jnd(2.5 * picture - 200, picture, area=ALL) < 0.02 * 100  # of a contrast of 100 JND (own threshold)


@pytest.mark.parametrize("even_share", [0.3, 0.6])
def test_the_texture_of_a_busy_picture_is_no_noise_where_a_few_blocks_are_even(even_share):
    rows, columns, side = 18 * BLOCK_PIXELS, 24 * BLOCK_PIXELS, 3 * BLOCK_PIXELS
    rng = np.random.default_rng(5)
    even = np.kron(rng.uniform(size=(6, 8)) < even_share, np.ones((side, side))) > 0  # squares of three blocks, of which the middle counts
    fine = gaussian_filter(rng.normal(size=(rows, columns)), 0.7)
    picture = (300 + np.where(even, 0, 20 * fine / fine.std())).astype(np.float32)
    small = (1.5 * rng.normal(size=(rows, columns))).astype(np.float32)
    found = bright_noise_jnd(picture + small, picture + small, area=np.ones((rows, columns), bool))
    assert found == pytest.approx(1.5, rel=0.25)


def test_what_lies_outside_the_area_does_not_count():
    picture, area = smooth(), ALL.copy()
    area[:, 96:] = False
    noisy = picture.copy()
    noisy[:, 96:] += noise(30.0)[:, 96:]
    assert bright_noise_jnd(noisy, picture, area=area) < 0.7


def test_without_a_bright_block_there_is_no_noise_to_read():
    picture = smooth()
    assert bright_noise_jnd(picture + noise(6.0), picture, area=~ALL) == 0
    small = slice(0, BLOCK_PIXELS - 1)
    assert bright_noise_jnd(picture[small, small], picture[small, small], area=ALL[small, small]) == 0


def test_bright_is_between_the_dark_and_the_highest():
    assert bright_area(np.array([[1.0, 20.0, 80.0, 95.0, 100.0]], np.float32)).tolist() == [[False, True, True, False, False]]
