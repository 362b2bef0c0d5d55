"""Kernels over whole pictures against plain numpy and scipy."""

import cv2
import numpy as np
import pytest
from scipy.ndimage import correlate1d, uniform_filter

from pairdiff.score import _picture_kernels as kernels
from pairdiff.score.setup import high_pass
from pairdiff.score.whole import channel_means, lowest_mix, mix, mix_by_matrix, window_moments

RNG = np.random.default_rng(8)
PICTURE = RNG.uniform(-1, 300, (61, 83, 3)).astype(np.float32)
MATRIX = RNG.normal(size=(3, 3))


def test_mixes_are_those_of_numpy():
    exact = PICTURE.astype(np.float64) @ MATRIX.T
    np.testing.assert_allclose(mix_by_matrix(PICTURE, MATRIX), exact, rtol=1e-5, atol=1e-3)
    np.testing.assert_allclose(lowest_mix(PICTURE, MATRIX), exact.min(-1), rtol=1e-5, atol=1e-3)
    np.testing.assert_allclose(mix(PICTURE, MATRIX[1]), exact[..., 1], rtol=1e-5, atol=1e-3)
    np.testing.assert_allclose(channel_means(PICTURE), PICTURE.mean((0, 1), dtype=np.float64), rtol=1e-12)


def plain_moments(a, b, area, width, mode):
    """Moments from means of scipy over the whole picture, in float64."""
    inside = area.astype(np.float64)

    def mean(values):
        return uniform_filter(values * inside, width, mode=mode)

    share = np.maximum(mean(np.ones(area.shape)), 1e-12)
    x, y = (mean(values.astype(np.float64)) / share for values in (a, b))
    xx, xy, yy = (mean(one.astype(np.float64) * other) / share for one, other in ((a, a), (a, b), (b, b)))
    return [one[area] for one in (share, x, y, xx - x * x, xy - x * y, yy - y * y)]


@pytest.mark.parametrize(("mirrored", "mode"), [(True, "mirror"), (False, "constant")])
@pytest.mark.parametrize("width", [3, 15, 17])
@pytest.mark.parametrize("kind", ["all", "scattered", "patch", "corner", "one"])
def test_moments_of_windows_are_those_of_scipy(mirrored, mode, width, kind):
    a, b = PICTURE[..., 0], PICTURE[..., 1] + PICTURE[..., 0]
    area = np.ones(a.shape, bool)
    if kind == "scattered":
        area = RNG.uniform(size=a.shape) < 0.2
    elif kind != "all":
        area[:] = False
        part = {"patch": (slice(20, 40), slice(30, 44)), "corner": (slice(55, 61), slice(0, 9)), "one": (slice(5, 6), slice(80, 81))}[kind]
        area[part] = True
    found = window_moments(a, b, area, width=width, mirrored=mirrored)
    for ours, exact in zip(found, plain_moments(a, b, area, width, mode), strict=True):
        np.testing.assert_allclose(ours, exact, rtol=1e-6, atol=1e-6)


def test_moments_of_nothing_are_empty():
    assert all(one.size == 0 for one in window_moments(PICTURE[..., 0], PICTURE[..., 1], np.zeros((61, 83), bool), width=5, mirrored=True))


@pytest.mark.parametrize("size", [(41, 67), (3, 2), (1, 9), (9, 1)])
@pytest.mark.parametrize("reach", [1, 3, 5])
def test_blur_is_that_of_scipy_with_the_edge_repeated(size, reach):
    picture = RNG.uniform(0, 500, (*size, 3)).astype(np.float32)
    half = np.exp(-np.arange(reach + 1) / 2.0)
    half /= half[0] + 2 * half[1:].sum()
    whole = np.concatenate([half[:0:-1], half])
    out = np.empty_like(picture)
    kernels.blur(picture.reshape(size[0], -1), half.astype(np.float32), 3, out.reshape(size[0], -1))
    exact = correlate1d(correlate1d(picture.astype(np.float64), whole, axis=0, mode="reflect"), whole, axis=1, mode="reflect")
    np.testing.assert_allclose(out, exact, rtol=2e-6)


@pytest.mark.parametrize("pixels", [1, 5, 1024, 5063])
def test_distances_are_counted_and_their_squares_added_up(pixels):
    one, two = (RNG.uniform(0, 0.2, (3, pixels)).astype(np.float32) for _ in range(2))
    two[:, 0] = one[:, 0]
    counts = np.full(500, -1, np.int32)
    total = kernels.count_apart(one, two, np.float32(720), np.float32(0.1), counts)
    apart = np.float32(720) * np.sqrt(np.square(one - two).sum(0, dtype=np.float32))
    assert total == pytest.approx(np.square(apart, dtype=np.float64).sum(), rel=1e-5)
    bins = np.minimum((apart / np.float32(0.1)).astype(np.int64), 499)
    assert counts.sum() == pixels
    # a distance that lies on an edge by the last bit of its root may fall into the bin beside it
    assert np.abs(np.cumsum(counts) - np.cumsum(np.bincount(bins, minlength=500))).max() <= 1
    assert counts[0] >= 1


def test_blocks_add_up_what_lies_inside():
    a, b, fine = (RNG.normal(5, 2, (32, 48)).astype(np.float32) for _ in range(3))
    inside = RNG.uniform(size=a.shape) < 0.6
    inside[:16, :16] = False
    out = np.full((7, 2, 3), np.nan)
    kernels.block_moments(a, b, fine, inside, 16, 100.0, 3.0, out)
    x, y = a.astype(np.float64) - 3, b.astype(np.float64) - 3
    for row in range(2):
        for column in range(3):
            part = (slice(16 * row, 16 * row + 16), slice(16 * column, 16 * column + 16))
            here = inside[part]
            assert out[0, row, column] == here.sum()
            if here.sum() < 100:
                assert np.isnan(out[1:, row, column]).all()
                continue
            p, q, f = x[part][here], y[part][here], fine[part][here].astype(np.float64)
            exact = [p.sum(), q.sum(), (p * p).sum(), (p * q).sum(), (q * q).sum(), (f * f).sum()]
            np.testing.assert_allclose(out[1:, row, column], exact, rtol=1e-9)


@pytest.mark.parametrize("size", [(34, 50), (40, 70)])
def test_the_high_pass_in_blocks_is_that_of_whole_pictures(size):
    a, b = (RNG.uniform(0, 0.5, size).astype(np.float32) for _ in range(2))
    rows, columns = ((length - 2) // 16 for length in size)
    out = np.empty((rows, columns))
    kernels.block_high_pass(a, b, 720.0, 16, out)
    high = np.abs(high_pass((a.astype(np.float64) - b) * 720.0))[: rows * 16, : columns * 16]
    np.testing.assert_allclose(out, high.reshape(rows, 16, columns, 16).mean((1, 3)), rtol=1e-12)


def test_signals_are_counted_as_by_numpy():
    code = RNG.uniform(-0.1, 1.2, (4000, 3)).astype(np.float32)
    counts = np.zeros((3, 20), np.int64)
    kernels.count_signal(code, np.float32(0.75), np.float32(50), counts)
    for channel in range(3):
        above = code[code[:, channel] >= 0.75, channel]
        bins = np.minimum(((above - np.float32(0.75)) * np.float32(50)).astype(int), 19)
        assert np.array_equal(counts[channel], np.bincount(bins, minlength=20))
    dark = np.zeros(30, np.int64)
    kernels.count_dark_signal(code, np.float32(0.2), np.float32(100), dark)
    steps = (code.max(-1) - np.float32(0.2)) * np.float32(100)
    assert np.array_equal(dark, np.bincount(np.maximum(steps[steps < 30], 0).astype(int), minlength=30))


def test_chroma_and_stops_over_white_are_those_of_numpy():
    out = np.empty(5063, np.float32)
    kernels.size_of_chroma(PICTURE.reshape(-1, 3), np.float32(720), out)
    np.testing.assert_allclose(out, 720 * np.hypot(PICTURE[..., 1], PICTURE[..., 2]).reshape(-1), rtol=1e-6)
    level, film = PICTURE[..., 0].reshape(-1), RNG.uniform(size=5063) < 0.7
    kernels.stops_over(level, np.float32(150), film, out)
    np.testing.assert_allclose(out, np.where(film, np.log2(np.maximum(level / 150, 1)), 0), atol=1e-6)
    assert (out > 0).any()


def test_kernels_give_the_same_to_the_last_bit_wherever_their_arrays_lie():
    kept = []
    for shift in range(12):
        room = np.empty(PICTURE.size + 16, np.float32)
        picture = room[shift : shift + PICTURE.size].reshape(PICTURE.shape)
        picture[:] = PICTURE
        blurred = np.empty_like(picture)
        kernels.blur(picture.reshape(61, -1), np.array([0.8, 0.09, 0.01], np.float32), 3, blurred.reshape(61, -1))
        counts = np.empty(4000, np.int32)
        total = kernels.count_apart(picture.reshape(3, -1), blurred.reshape(3, -1), np.float32(1), np.float32(0.1), counts)
        moments = window_moments(picture[..., 0], blurred[..., 0], picture[..., 1] > 100, width=9, mirrored=True)
        kept.append((room, blurred, total, counts, moments))
    for _, blurred, total, counts, moments in kept[1:]:
        assert np.array_equal(blurred, kept[0][1])
        assert total == kept[0][2]
        assert np.array_equal(counts, kept[0][3])
        assert all(np.array_equal(one, other) for one, other in zip(moments, kept[0][4], strict=True))


def test_windows_of_cv2_have_the_same_edge_as_ours():
    """The measures went by `cv2.blur` before; its default edge is the mirrored one."""
    whole = np.ones((61, 83), bool)
    found = window_moments(PICTURE[..., 0], PICTURE[..., 1], whole, width=7, mirrored=True)
    np.testing.assert_allclose(found.mean_a.reshape(61, 83), cv2.blur(PICTURE[..., 0].astype(np.float64), (7, 7)), rtol=1e-9)
