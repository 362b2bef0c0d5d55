import numpy as np
import pytest
from scipy.ndimage import uniform_filter

from pairdiff.score.places import find_places
from tests.score._pairs import make_signal


def test_places_are_window_means_of_scipy():
    signal = make_signal(1)
    places = find_places(signal[..., ::-1], signal)
    exact = uniform_filter(signal.astype(np.float64), (5, 5, 0), mode="mirror")
    assert np.abs(places.sdr_code - exact).max() < 1e-5
    assert np.abs(places.hdr_itp - exact[..., ::-1]).max() < 1e-5


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
