import cv2
import numpy as np
import pytest
from scipy.ndimage import median_filter, sobel
from skimage import data

from pairdiff.score.places import find_flat, find_places, measure_slope, medians_at, windows_at
from tests.score._pairs import make_signal


def test_places_are_window_medians_of_scipy():
    signal = make_signal(1)
    places = find_places(signal[..., ::-1], signal)
    exact = median_filter(signal, (5, 5, 1), mode="nearest")
    assert (places.sdr_code == exact).all()
    assert (places.hdr_itp == exact[..., ::-1]).all()


@pytest.mark.parametrize("name", ["grass", "gravel", "brick"])
def test_a_curve_carries_places_over_as_they_are_in_texture(name):
    """Law: a monotone curve and the choice of places can be done in either order; means of a textured window are off by 2 % and more."""
    picture = np.repeat(getattr(data, name)()[..., None], 3, 2).astype(np.float32) / 255
    curved = find_places(picture**2.4, picture)
    assert curved.hdr_itp == pytest.approx(curved.sdr_code**2.4, abs=1e-6)


@pytest.mark.parametrize("shape", [(16, 16), (90, 160), (33, 200)])
def test_half_of_the_places_are_flat(shape):
    places = find_places(make_signal(2, rows=shape[0], columns=shape[1]), make_signal(2, rows=shape[0], columns=shape[1]))
    assert places.flat.shape == shape
    assert places.flat.mean() == pytest.approx(0.5, abs=0.01)


def test_edges_and_texture_are_not_flat():
    signal = np.full((100, 160, 3), 0.4, np.float32)
    signal[:, 80:] = 0.7
    places = find_places(signal, signal)
    assert not places.flat[20:80, 78:82].any()
    assert places.flat[20:80, 10:60].all()


def test_what_is_left_out_does_not_make_the_rest_steep():
    # two thirds of the picture even, which is flatter than anything else; of the rest half is flat
    code = np.repeat(np.tile(np.cumsum(np.linspace(0, 0.01, 64)), (40, 1))[..., None], 3, -1).astype(np.float32)
    code[14:] = 1.0
    even = np.zeros((40, 64), bool)
    even[10:] = True  # with the rows that the windows reach
    found = find_places(code, code, left_out=even)
    assert not found.flat[even].any()
    assert found.flat[~even].mean() == pytest.approx(0.5, abs=0.05)
    assert find_places(code, code).flat[~even].mean() < 0.1
    assert find_places(code, code, left_out=np.ones_like(even)).flat.any()


def test_slopes_are_the_same_to_the_last_bit_wherever_their_arrays_come_to_lie():
    patches = np.kron(np.random.default_rng(0).uniform(0.1, 0.75, (15, 27)), np.ones((24, 24)))
    level = cv2.blur(patches.astype(np.float32)[:360, :640], (3, 3))
    found = [measure_slope(level) for _ in range(20)]  # all are kept, so that each lies elsewhere
    assert all(np.array_equal(one, found[0]) for one in found)
    np.testing.assert_allclose(found[0], np.hypot(sobel(level, 1), sobel(level, 0)), atol=1e-5)


def test_medians_at_single_places_are_those_of_the_whole_picture():
    signal = make_signal(3, rows=40, columns=61)
    whole = find_places(signal, signal)
    places = np.concatenate([[0, 60, 39 * 61, 40 * 61 - 1, 61], np.random.default_rng(2).integers(0, 40 * 61, 200)])
    assert np.array_equal(medians_at(signal, places), whole.sdr_code.reshape(-1, 3)[places])
    assert np.array_equal(medians_at(signal[..., 1], places), whole.sdr_code[..., 1].reshape(-1)[places])
    assert np.array_equal(find_flat(signal), whole.flat)


def test_windows_are_mirrored_as_those_of_cv2():
    signal = make_signal(4, rows=30, columns=41)
    places = np.arange(30 * 41)
    means = windows_at(signal, places, width=3, mirrored=True).mean(1, dtype=np.float64).reshape(signal.shape)
    np.testing.assert_allclose(means, cv2.blur(signal.astype(np.float64), (3, 3)), rtol=1e-12)
