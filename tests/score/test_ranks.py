"""Order statistics against those of numpy, to the last bit."""

import numpy as np
import pytest

from pairdiff.score.ranks import FEW, median_of, quantile_of, values_at_ranks

RNG = np.random.default_rng(5)
SIZES = (1, 2, 5, 1000, FEW + 1, 130_001)


def arrays(size):
    normal = RNG.normal(size=size).astype(np.float32)
    yield normal
    yield np.abs(normal).round(1)  # many alike
    yield normal**3 * np.float32(1e-20)
    yield np.where(normal > 0, np.float32(0.0), np.float32(-0.0))
    yield np.full(size, 7.25, np.float32)


@pytest.mark.parametrize("size", SIZES)
def test_values_are_those_of_the_sorted_array_in_the_order_asked_for(size):
    ranks = [size - 1, 0, size // 2, size // 3, size - 1]
    for values in arrays(size):
        assert np.array_equal(values_at_ranks(values, ranks), np.sort(values)[ranks])


@pytest.mark.parametrize("size", SIZES)
def test_median_and_quantiles_are_those_of_numpy(size):
    for values in arrays(size):
        assert median_of(values) == np.median(values)
        for share in (0.0, 0.05, 0.5, 0.9, 0.95, 0.99, 1.0):
            assert quantile_of(values, share) == pytest.approx(float(np.quantile(values.astype(np.float64), share)), rel=1e-6, abs=1e-30)


def test_what_is_not_a_number_comes_last_and_a_picture_may_have_any_shape():
    values = RNG.normal(size=(200, 301)).astype(np.float32)
    values[3, 4], values[5, 6], values[7, 8] = np.nan, np.inf, -np.inf
    found = values_at_ranks(values[:, ::-1], [0, 1, values.size - 2, values.size - 1])
    assert found[0] == -np.inf
    assert found[1] == np.sort(values, axis=None)[1]
    assert found[2] == np.inf
    assert np.isnan(found[3])
