import numpy as np
import pytest
from scipy.stats import binomtest, t

from pairdiff.score.pooling import ShotDraws, estimate_mean, estimate_share, level_interval, level_reached, weighted_quantile


@pytest.mark.parametrize("share", [0.01, 0.1, 0.25, 0.5, 0.9, 1.0])
def test_equal_weights_give_the_inverted_distribution_of_numpy(share):
    values = np.random.default_rng(1).normal(size=101)
    ours = weighted_quantile(values, share, weights=np.full(101, 0.3))
    assert ours == np.quantile(values, share, method="inverted_cdf")


@pytest.mark.parametrize("seed", range(10))
def test_whole_weights_are_repeats(seed):
    rng = np.random.default_rng(seed)
    values, weights = rng.normal(size=30), rng.integers(1, 6, 30)
    share = float(rng.uniform(0.02, 0.98))
    repeated = np.repeat(values, weights)
    assert weighted_quantile(values, share, weights=weights.astype(float)) == np.quantile(repeated, share, method="inverted_cdf")


@pytest.mark.parametrize("seed", range(10))
def test_the_level_reached_is_reached_by_that_share_and_no_higher_value_is(seed):
    rng = np.random.default_rng(seed)
    values, weights, share = rng.integers(0, 9, 40).astype(float), rng.uniform(0.1, 2, 40), float(rng.uniform(0.02, 0.98))
    level = level_reached(values, share, weights=weights)
    assert weights[values >= level].sum() >= share * weights.sum() - 1e-9
    assert weights[values > level].sum() < share * weights.sum()


@pytest.mark.parametrize(("hits", "trials"), [(0, 12), (1, 12), (5, 12), (11, 12), (12, 12), (3, 200)])
def test_one_picture_a_shot_gives_the_exact_binomial_interval(hits, trials):
    reached = np.arange(trials) < hits
    ours = estimate_share(reached, weights=np.ones(trials), shots=np.arange(trials), sampled_fraction=0.0)
    exact = binomtest(hits, trials).proportion_ci(0.95, method="exact")
    assert (ours.low, ours.value, ours.high) == pytest.approx((exact.low, hits / trials, exact.high), abs=1e-9)


def test_pictures_of_one_shot_are_one_trial():
    many = estimate_share(np.repeat([True, False, False], 10), weights=np.ones(30), shots=np.repeat([0, 1, 2], 10), sampled_fraction=0.0)
    few = estimate_share(np.array([True, False, False]), weights=np.ones(3), shots=np.arange(3), sampled_fraction=0.0)
    assert (many.low, many.high) == pytest.approx((few.low, few.high))


def test_the_interval_narrows_with_what_was_seen_and_closes_when_all_was():
    reached, weights, shots = np.arange(20) < 6, np.ones(20), np.arange(20)
    widths = []
    for fraction in (0.0, 0.5, 0.9, 1.0):
        found = estimate_share(reached, weights=weights, shots=shots, sampled_fraction=fraction)
        assert found.low <= found.value <= found.high
        widths.append(found.high - found.low)
    assert widths == sorted(widths, reverse=True)
    assert widths[-1] == 0


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("state", ["none", "all", "some"])
def test_ends_are_finite_and_ordered_for_any_weights(seed, state):
    rng = np.random.default_rng(seed)
    count = int(rng.integers(1, 40))
    reached = {"none": np.zeros(count, bool), "all": np.ones(count, bool), "some": rng.random(count) < 0.5}[state]
    weights = rng.uniform(1e-3, 3, count)
    found = estimate_share(reached, weights=weights, shots=rng.integers(0, 5, count), sampled_fraction=float(rng.uniform(0, 0.99)))
    assert 0 <= found.low <= found.value + 1e-12
    assert found.value <= found.high + 1e-12
    assert found.high <= 1
    if state == "all":
        assert (found.value, found.high) == (1, 1)
    if state == "none":
        assert (found.value, found.low) == (0, 0)


@pytest.mark.parametrize("shots", [3, 10, 40, 200])
def test_the_interval_of_a_level_holds_it_and_covers_as_often_as_it_says(shots):
    rng, covered, above = np.random.default_rng(3), 0, 0
    truth = float(np.sqrt(2) * 0.9061938)  # 90th percentile of a normal law, 1.2816: erfinv(0.8) = 0.9061938 (table value)
    for _ in range(300):
        values = rng.normal(size=shots)
        low, high = level_interval(values, 0.1, weights=np.ones(shots), shots=np.arange(shots), sampled_fraction=0.0)
        value = level_reached(values, 0.1, weights=np.ones(shots))
        assert low <= value
        assert high is None or value <= high
        covered += low <= truth and (high is None or truth <= high)
        above += high is not None
    assert covered >= 0.95 * 300
    assert above == (300 if shots >= 40 else 0)  # 1 - 0.025^(1/n) falls under a tenth at n = 36


def test_the_interval_of_a_level_closes_when_all_was_seen():
    values = np.random.default_rng(4).normal(size=50)
    low, high = level_interval(values, 0.1, weights=np.ones(50), shots=np.arange(50), sampled_fraction=1.0)
    assert low == high == level_reached(values, 0.1, weights=np.ones(50))


def test_a_film_that_one_shot_fills_has_no_interval_of_the_mean():
    values, shots, weights = np.array([1.0, 2.0, 3.0]), np.arange(3), np.array([3600.0, 1.0, 1.0])
    found = estimate_mean(values, weights=weights, shots=shots, sampled_fraction=0.1)
    assert (found.low, found.high) == (None, None)


def test_a_single_shot_has_a_wide_interval_and_no_interval_of_the_mean():
    weights, shots = np.ones(6), np.zeros(6, int)
    share = estimate_share(np.arange(6) < 3, weights=weights, shots=shots, sampled_fraction=0.1)
    assert share.high - share.low > 0.9
    mean = estimate_mean(np.arange(6.0), weights=weights, shots=shots, sampled_fraction=0.1)
    assert (mean.value, mean.low, mean.high) == (2.5, None, None)


def test_everything_seen_leaves_no_sampling_error_of_the_mean():
    mean = estimate_mean(np.arange(6.0), weights=np.arange(6.0), shots=np.arange(6), sampled_fraction=1.0)
    assert mean.value == mean.low == mean.high == pytest.approx(np.average(np.arange(6.0), weights=np.arange(6.0)))


def test_the_interval_of_a_mean_is_as_wide_as_theory_says():
    values = np.random.default_rng(4).normal(10, 2, 400)
    found = estimate_mean(values, weights=np.ones(400), shots=np.arange(400), sampled_fraction=0.0)
    assert found.high - found.low == pytest.approx(2 * t.interval(0.95, 399)[1] * values.std(ddof=1) / 20, rel=1e-9)
    assert found.low < found.value < found.high


def test_the_order_of_pictures_does_not_count():
    rng = np.random.default_rng(6)
    values, weights, shots = rng.normal(size=30), rng.uniform(0.5, 2, 30), rng.integers(0, 6, 30)
    mixed = rng.permutation(30)
    first = estimate_mean(values, weights=weights, shots=shots, sampled_fraction=0.2)
    second = estimate_mean(values[mixed], weights=weights[mixed], shots=shots[mixed], sampled_fraction=0.2)
    assert (first.value, first.low, first.high) == pytest.approx((second.value, second.low, second.high))


@pytest.mark.parametrize("shots", [4, 5, 8, 20])
@pytest.mark.parametrize("skewed", [False, True])
def test_the_interval_of_a_mean_covers_as_often_as_it_says(shots, skewed):
    # simulated films of 400 shots of unequal length, a few of them seen; 95 % are promised, Student's t gives less where few are skewed
    rng = np.random.default_rng(9)
    length = rng.uniform(2, 6, 400)
    truth = rng.lognormal(0, 0.6, 400) if skewed else rng.normal(5, 1, 400)
    mean, hits, rounds = float(np.average(truth, weights=length)), 0, 600
    for _ in range(rounds):
        seen = rng.choice(400, shots, replace=False)
        found = estimate_mean(
            np.repeat(truth[seen], 4), weights=np.repeat(length[seen], 4), shots=np.repeat(seen, 4), sampled_fraction=0.001
        )
        hits += found.low <= mean <= found.high
    assert hits / rounds > (0.87 if skewed else 0.93)


def test_a_mean_has_no_interval_from_two_shots_and_none_outside_its_range():
    two = estimate_mean(np.array([1.0, 3.0]), weights=np.ones(2), shots=np.arange(2), sampled_fraction=0.1)
    assert (two.value, two.low, two.high) == (2.0, None, None)
    three = estimate_mean(np.array([0.0, 0.9, 1.0]), weights=np.ones(3), shots=np.arange(3), sampled_fraction=0.1, highest=1.0)
    assert (three.low, three.high) == (0.0, 1.0)


def test_what_was_seen_narrows_the_interval_of_a_mean():
    values = np.random.default_rng(1).normal(size=10)
    widths = []
    for fraction in (0.0, 0.5, 0.9):
        found = estimate_mean(values, weights=np.ones(10), shots=np.arange(10), sampled_fraction=fraction, lowest=-np.inf)
        widths.append(found.high - found.low)
    assert widths == pytest.approx([widths[0], widths[0] * np.sqrt(0.5), widths[0] * np.sqrt(0.1)])


def test_a_draw_takes_whole_shots_and_repeats_itself():
    shots = np.array([0, 0, 0, 3, 3, 7])
    draws = ShotDraws(shots, seed=5)
    assert np.array_equal(draws.times(4), ShotDraws(shots, seed=5).times(4))
    for number in range(20):
        assert draws.times(number).sum() == draws.shots == 3
        pictures = draws.picture_times(number)
        assert [pictures[:3].sum(), pictures[3:5].sum(), pictures[5]] == (draws.times(number) * [3, 2, 1]).tolist()
        assert np.array_equal(pictures, draws.picture_times(number))
    assert len({tuple(draws.times(n)) for n in range(20)}) > 3
