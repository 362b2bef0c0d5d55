"""From pictures to a film: weighted quantiles, and intervals that know how few shots were seen."""

from __future__ import annotations

import math
from bisect import bisect_left

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Estimate

CONFIDENCE = 0.95
"""Share of intervals that hold the truth (common practice, no source)."""
LEAST_SHOTS = 3
"""Fewer shots than this give a mean no interval (own)."""


def weighted_quantile(values: NDArray[np.float64], share: float, *, weights: NDArray[np.float64]) -> float:
    """Smallest value with at least that share of the weight at or below it."""
    order = np.argsort(values, kind="stable")
    reached = np.cumsum(weights[order]) / weights.sum()
    return float(values[order][min(int(np.searchsorted(reached, share - 1e-12)), values.size - 1)])


def level_reached(values: NDArray[np.float64], share: float, *, weights: NDArray[np.float64]) -> float:
    """Largest value that at least that share of the weight reaches or exceeds."""
    return -weighted_quantile(-values, share, weights=weights)


def estimate_share(
    reached: NDArray[np.bool_],
    *,
    weights: NDArray[np.float64],
    shots: NDArray[np.int64],
    sampled_fraction: float,
    confidence: float = CONFIDENCE,
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
    confidence : of the interval.

    Returns
    -------
    Estimate.
    """
    from scipy.stats import beta  # a library that starts slowly: loaded when it is needed

    counted = np.asarray(reached, bool)[weights > 0]
    share = 1.0 if counted.all() else float(np.average(reached, weights=weights))
    if sampled_fraction >= 1:
        return Estimate(share, share, share)
    durations = np.array([weights[shots == shot].sum() for shot in np.unique(shots)])
    trials = float(durations.sum() ** 2 / (durations**2).sum()) / (1 - sampled_fraction)
    tail, hits = (1 - confidence) / 2, share * trials
    low = 0.0 if share == 0 else float(beta.ppf(tail, hits, trials - hits + 1))
    high = 1.0 if share == 1 else float(beta.ppf(1 - tail, hits + 1, trials - hits))
    return Estimate(share, low, high)


def level_interval(
    values: NDArray[np.float64],
    share: float,
    *,
    weights: NDArray[np.float64],
    shots: NDArray[np.int64],
    sampled_fraction: float,
    confidence: float = CONFIDENCE,
) -> tuple[float, float | None]:
    """Ends of the interval of `level_reached`: the levels whose share of time, by `estimate_share`, can be the stated one.

    The test of a quantile turned round (W. J. Conover, Practical Nonparametric Statistics, 3rd edition 1999, section 3.2), so that it
    always holds the estimate. From few shots nothing bounds a rare level from above.

    Parameters
    ----------
    values : per picture.
    share : of matched time that reaches the level.
    weights, shots, sampled_fraction, confidence : as in `estimate_share`.

    Returns
    -------
    Lower and upper end, the latter None where the shots are too few for one.
    """
    if sampled_fraction >= 1:
        value = level_reached(values, share, weights=weights)
        return value, value

    def of_time(reached: NDArray[np.bool_]) -> Estimate:
        return estimate_share(reached, weights=weights, shots=shots, sampled_fraction=sampled_fraction, confidence=confidence)

    levels = np.unique(values[weights > 0])
    # both bounds fall where the level rises, so that halving finds where they pass the share
    reached = bisect_left(levels, True, key=lambda level: (of_time(values >= level).low or 0.0) < share)
    above = bisect_left(levels, True, key=lambda level: (of_time(values > level).high or 0.0) < share)
    return float(levels[max(reached - 1, 0)]), float(levels[above]) if above < levels.size else None


def estimate_mean(
    values: NDArray[np.float64],
    *,
    weights: NDArray[np.float64],
    shots: NDArray[np.int64],
    sampled_fraction: float,
    confidence: float = CONFIDENCE,
    lowest: float = 0.0,
    highest: float = math.inf,
) -> Estimate:
    """A mean over matched time with its interval: Student's t over shots.

    The mean is a ratio of totals over shots, its variance that of a cluster sample (W. G. Cochran, Sampling Techniques, 3rd edition 1977,
    section 9A.2), with the finite-population correction 1 - sampled fraction and (effective number of shots - 1) degrees of freedom.

    Parameters
    ----------
    values : per picture.
    weights : matched time each picture stands for.
    shots : shot of each picture.
    sampled_fraction : scored over matched pictures; everything seen leaves no sampling error.
    confidence : of the interval.
    lowest, highest : range that a mean can have; the interval is cut there.

    Returns
    -------
    Estimate; None at both ends with fewer than `LEAST_SHOTS` shots, or where one of them fills so much of the film that fewer than two
    count: such say too little of how others would differ.
    """
    from scipy.stats import t as student_t  # a library that starts slowly: loaded when it is needed

    mean = float(np.average(values, weights=weights))
    if sampled_fraction >= 1:
        return Estimate(mean, mean, mean)
    names, index = np.unique(shots, return_inverse=True)
    if names.size < LEAST_SHOTS:
        return Estimate(mean, None, None)
    time = np.bincount(index, weights=weights)
    excess = np.bincount(index, weights=weights * (values - mean))
    variance = names.size / (names.size - 1) * float((excess**2).sum()) / float(time.sum()) ** 2 * (1 - sampled_fraction)
    freedom = float(time.sum() ** 2 / (time**2).sum()) - 1
    if freedom < 1:
        return Estimate(mean, None, None)
    half = float(student_t.ppf((1 + confidence) / 2, freedom)) * math.sqrt(variance)
    return Estimate(mean, max(mean - half, lowest), min(mean + half, highest))


class ShotDraws:
    """Shots drawn with replacement, and their pictures again: how often each counts. The same number gives the same draw everywhere."""

    def __init__(self, shots: NDArray[np.int64], *, seed: int) -> None:
        names, self.index = np.unique(shots, return_inverse=True)
        self.shots = int(names.size)
        """Number of different shots; `index` numbers each picture's shot among them."""
        self._seed = seed

    def times(self, draw: int) -> NDArray[np.int64]:
        """How often each shot was drawn, (shots,)."""
        picks = np.random.default_rng((self._seed, draw)).integers(self.shots, size=self.shots)
        return np.bincount(picks, minlength=self.shots)

    def picture_times(self, draw: int) -> NDArray[np.int64]:
        """How often each picture counts, (pictures,): within a drawn shot as many of its pictures, with replacement, as it has.

        A flash that one of four sampled pictures shows is in some draws and not in others, even in a film of one shot.
        """
        rng, times = np.random.default_rng((self._seed, draw, 1)), self.times(draw)
        counts = np.zeros(self.index.size, np.int64)
        for shot, drawn in enumerate(times):
            members = np.flatnonzero(self.index == shot)
            counts[members] = np.bincount(rng.integers(members.size, size=members.size * int(drawn)), minlength=members.size)
        return counts
