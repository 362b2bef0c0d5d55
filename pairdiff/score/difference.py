"""The difference of two pictures at a set-up: dE_ITP (BT.2124) with both sets in view, after the eye's own blur."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Difference, FloatArray, OnItsOwn, PairScore, SideBySide
from pairdiff.light.picture import light_difference
from pairdiff.score.eye import EYE
from pairdiff.score.headroom import Weighting
from pairdiff.score.notice import notice_probability
from pairdiff.score.pooling import estimate_mean, estimate_share

OPTICS_DEGREES = EYE.optics_degrees
"""Blur of the eye's optics, standard deviation, visual degrees (Barten 1999; `eye.EyeModel`)."""
LEAST_SPREAD = 1e-4
"""Variance of the blur, square pixels, below which it changes nothing that float32 holds."""
HISTOGRAM_STEP_JND, HISTOGRAM_BINS = 0.1, 2000
"""Step and length of the histogram of dE_ITP that a film's percentiles are read from (own)."""


def blur_optics(nits: FloatArray, *, pixels_per_degree: float) -> FloatArray:
    """The eye's optical blur of linear light, (row, column, 3); the mean of the light stays.

    The kernel is the discrete Gaussian, whose variance is exact however narrow it is (T. Lindeberg, "Scale-Space for Discrete Signals",
    IEEE Trans. PAMI 12(3), 1990): at 28.27 pixels per degree the blur is a quarter of a pixel, where a sampled Gaussian is none.
    """
    kernel = optics_kernel(pixels_per_degree)
    light = np.ascontiguousarray(nits, np.float32)
    return light if kernel.size == 1 else np.asarray(cv2.sepFilter2D(light, -1, kernel, kernel, borderType=cv2.BORDER_REFLECT), np.float32)


@lru_cache(maxsize=16)
def optics_kernel(pixels_per_degree: float) -> NDArray[np.float32]:
    """exp(-t) I_n(t) for a variance of t square pixels, of odd length, sum 1."""
    from scipy.special import ive  # a library that starts slowly: loaded when it is needed

    spread = (OPTICS_DEGREES * pixels_per_degree) ** 2
    if spread < LEAST_SPREAD:
        return np.ones(1, np.float32)
    reach = math.ceil(4 * math.sqrt(spread)) + 1
    kernel = ive(np.abs(np.arange(-reach, reach + 1)), spread)
    return np.asarray(kernel / kernel.sum(), np.float32)


def difference_map(hdr_nits: FloatArray, sdr_nits: FloatArray, *, pixels_per_degree: float) -> FloatArray:
    """dE_ITP of two linear BT.2020 pictures in cd/m2, (row, column), blurred by the eye's optics first."""
    return light_difference(*(blur_optics(side, pixels_per_degree=pixels_per_degree) for side in (hdr_nits, sdr_nits)))


def count_difference(difference_jnd: FloatArray) -> NDArray[np.int32]:
    """Histogram of a difference map in steps of `HISTOGRAM_STEP_JND`; the last bin takes what is larger."""
    bins = np.minimum((difference_jnd / np.float32(HISTOGRAM_STEP_JND)).astype(np.int32), HISTOGRAM_BINS - 1)
    return np.bincount(bins.reshape(-1), minlength=HISTOGRAM_BINS).astype(np.int32)


def quantile_from_counts(counts: NDArray[np.float64], share: float) -> float:
    """Quantile of pooled differences, dE_ITP."""
    reached = np.cumsum(counts) / counts.sum()
    place = int(np.searchsorted(reached, share))
    return 0.0 if place == 0 else (place + 0.5) * HISTOGRAM_STEP_JND


def pool_difference(pairs: Sequence[PairScore], weighting: Weighting, *, setup_name: str, counts: NDArray[np.float64]) -> Difference:
    """Film figures of both visibilities at one set-up.

    Parameters
    ----------
    pairs : scored pictures.
    weighting : what each stands for.
    setup_name : which set-up.
    counts : `count_difference` summed over the pictures, each weighted by the time it stands for.

    Returns
    -------
    Difference.
    """
    weights, shots, fraction = weighting.seconds, weighting.shots, weighting.sampled_fraction
    square = np.average([pair.rms_jnd[setup_name] ** 2 for pair in pairs], weights=weights)
    loss = np.array([pair.preference_loss[setup_name] for pair in pairs])
    tone = np.array([pair.tone_part[setup_name] for pair in pairs])
    colour = np.array([pair.colour_part[setup_name] for pair in pairs])
    means = [
        estimate_mean(values, weights=weights, shots=shots, sampled_fraction=fraction, lowest=lowest, highest=highest)
        for values, lowest, highest in (
            (loss, 0.0, EYE.most_jod),
            (notice_probability(loss), 0.5, 1.0),
            (tone, 0.0, EYE.most_jod),
            (colour, 0.0, EYE.most_jod),
        )
    ]
    shares = [estimate_share(loss >= least, weights=weights, shots=shots, sampled_fraction=fraction) for least in (0.25, 0.5, 1.0)]
    return Difference(
        SideBySide("measured", float(np.sqrt(square)), quantile_from_counts(counts, 0.95)),
        OnItsOwn("measured", means[0], means[1], shares[0], shares[1], shares[2], means[2], means[3]),
    )
