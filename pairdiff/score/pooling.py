"""From pictures to a film: weighted quantiles, and intervals that know how few shots were seen."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta

from pairdiff._records import Estimate

CONFIDENCE = 0.95


def weighted_quantile(values: NDArray[np.float64], share: float, *, weights: NDArray[np.float64]) -> float:
    """Smallest value with at least that share of the weight at or below it."""
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order]) / weights.sum()
    return float(values[order][min(int(np.searchsorted(reached, share - 1e-12)), values.size - 1)])


def level_reached(values: NDArray[np.float64], share: float, *, weights: NDArray[np.float64]) -> float:
    """Largest value that at least that share of the weight reaches or exceeds."""
    return -weighted_quantile(-values, share, weights=weights)


def estimate_share(
    reached: NDArray[np.bool_], *, weights: NDArray[np.float64], shots: NDArray[np.int64], sampled_fraction: float
) -> Estimate:
    """A share of matched time with its Clopper-Pearson interval.

    The number of trials is the effective number of shots, (sum t)^2 / sum t^2 over shot durations t, enlarged by the finite-population
    correction 1 / (1 - sampled fraction); everything seen leaves no sampling error. C. J. Clopper and E. S. Pearson, Biometrika 26, 1934;
    L. Kish, Survey Sampling, 1965 (effective size).

    Parameters
    ----------
    reached : per picture, whether it counts.
    weights : matched time each picture stands for.
    shots : shot of each picture.
    sampled_fraction : scored over matched pictures.

    Returns
    -------
    Estimate, 95 %.
    """
    counted = np.asarray(reached, bool)[weights > 0]
    share = 1.0 if counted.all() else float(np.average(reached, weights=weights))
    if sampled_fraction >= 1:
        return Estimate(share, share, share)
    durations = np.array([weights[shots == shot].sum() for shot in np.unique(shots)])
    trials = float(durations.sum() ** 2 / (durations**2).sum()) / (1 - sampled_fraction)
    tail, hits = (1 - CONFIDENCE) / 2, share * trials
    low = 0.0 if share == 0 else float(beta.ppf(tail, hits, trials - hits + 1))
    high = 1.0 if share == 1 else float(beta.ppf(1 - tail, hits + 1, trials - hits))
    return Estimate(share, low, high)


def estimate_mean(
    values: NDArray[np.float64],
    *,
    weights: NDArray[np.float64],
    shots: NDArray[np.int64],
    sampled_fraction: float,
    seed: int,
    draws: int = 400,
) -> Estimate:
    """A mean over matched time with the 95 % interval of resampled shots; None at the ends for a single shot."""
    mean = float(np.average(values, weights=weights))
    if sampled_fraction >= 1:
        return Estimate(mean, mean, mean)
    names = np.unique(shots)
    if names.size < 2:
        return Estimate(mean, None, None)
    means = [float(np.average(values[picks], weights=weights[picks])) for picks in map(shot_picker(shots, seed=seed), range(draws))]
    low, high = np.quantile(means, ((1 - CONFIDENCE) / 2, (1 + CONFIDENCE) / 2))
    return Estimate(mean, float(low), float(high))


def shot_picker(shots: NDArray[np.int64], *, seed: int) -> Callable[[int], NDArray[np.int64]]:
    """A function that gives, for a draw's number, the picture numbers of as many shots drawn with replacement."""
    members = [np.flatnonzero(shots == shot) for shot in np.unique(shots)]

    def pick(draw: int) -> NDArray[np.int64]:
        rng = np.random.default_rng((seed, draw))
        return np.concatenate([members[n] for n in rng.integers(len(members), size=len(members))])

    return pick
