"""The difference of two pictures at a set-up: dE_ITP (BT.2124) with both sets in view, after the eye's own blur."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Difference, FloatArray, OnItsOwn, PairScore, SideBySide
from pairdiff.light.picture import itp_difference, nits_to_itp
from pairdiff.score.headroom import Weighting
from pairdiff.score.notice import notice_probability
from pairdiff.score.pooling import estimate_mean, estimate_share

OPTICS_DEGREES = 0.573 / 60
"""Line-spread of the eye at a 3.5 mm pupil, standard deviation: hypot(0.5, 0.08 x 3.5) arc minutes (Barten 1999, equation 3.8)."""
HISTOGRAM_STEP_JND = 0.1
HISTOGRAM_BINS = 2000
"""Step and length of the histogram of dE_ITP that a film's percentiles are read from (own)."""


def blur_optics(nits: FloatArray, *, pixels_per_degree: float) -> FloatArray:
    """The eye's optical blur of linear light, (row, column, 3); the identity where a pixel is more than three times as wide."""
    sigma = OPTICS_DEGREES * pixels_per_degree
    if sigma < 1 / 3:
        return nits
    return np.asarray(cv2.GaussianBlur(np.ascontiguousarray(nits, np.float32), (0, 0), sigma, borderType=cv2.BORDER_REPLICATE), np.float32)


def difference_map(hdr_nits: FloatArray, sdr_nits: FloatArray, *, pixels_per_degree: float) -> FloatArray:
    """dE_ITP of two linear BT.2020 pictures in cd/m2, (row, column), blurred by the eye's optics first."""
    hdr = nits_to_itp(blur_optics(hdr_nits, pixels_per_degree=pixels_per_degree))
    return itp_difference(hdr, nits_to_itp(blur_optics(sdr_nits, pixels_per_degree=pixels_per_degree)))


def count_difference(difference_jnd: FloatArray) -> NDArray[np.int32]:
    """Histogram of a difference map in steps of `HISTOGRAM_STEP_JND`; the last bin takes what is larger."""
    bins = np.minimum((difference_jnd / np.float32(HISTOGRAM_STEP_JND)).astype(np.int32), HISTOGRAM_BINS - 1)
    return np.bincount(bins.reshape(-1), minlength=HISTOGRAM_BINS).astype(np.int32)


def quantile_from_counts(counts: NDArray[np.float64], share: float) -> float:
    """Quantile of pooled differences, dE_ITP."""
    reached = np.cumsum(counts) / counts.sum()
    place = int(np.searchsorted(reached, share))
    return 0.0 if place == 0 else (place + 0.5) * HISTOGRAM_STEP_JND


def pool_difference(
    pairs: Sequence[PairScore], weighting: Weighting, *, setup_name: str, counts: NDArray[np.float64]
) -> Difference:
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
    means = [
        estimate_mean(values, weights=weights, shots=shots, sampled_fraction=fraction, lowest=lowest, highest=highest)
        for values, lowest, highest in ((loss, 0.0, math.inf), (notice_probability(loss), 0.5, 1.0))
    ]
    shares = [estimate_share(loss >= least, weights=weights, shots=shots, sampled_fraction=fraction) for least in (0.25, 0.5, 1.0)]
    return Difference(
        SideBySide("measured", float(np.sqrt(square)), quantile_from_counts(counts, 0.95)),
        OnItsOwn("measured", means[0], means[1], shares[0], shares[1], shares[2]),
    )
