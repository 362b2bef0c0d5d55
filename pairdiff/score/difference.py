"""The difference of two pictures at a set-up: dE_ITP (BT.2124) with both sets in view, after the eye's own blur."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Difference, FloatArray, OnItsOwn, PairScore, SideBySide
from pairdiff._tables import column
from pairdiff.light.ictcp import JND_SCALE
from pairdiff.light.picture import light_difference, nits_to_itp_planes, sdr_code_to_nits
from pairdiff.score._picture_kernels import blur, count_apart
from pairdiff.score.eye import EYE
from pairdiff.score.headroom import Weighting
from pairdiff.score.notice import Bands, PreferenceLoss, compare_bands, notice_probability, split_bands, split_loss
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
    if kernel.size == 1:
        return light
    out = np.empty_like(light)
    rows, channels = light.shape[0], light.shape[2] if light.ndim == 3 else 1
    blur(light.reshape(rows, -1), kernel[kernel.size // 2 :], channels, out.reshape(rows, -1))
    return out


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


class BlurredLight:
    """Light of a pair after the eye's optics, made when it is first asked for and kept; the SDR side once for each gamma.

    Parameters
    ----------
    hdr_nits : (row, column, 3) linear BT.2020, cd/m2.
    sdr_code : (row, column, 3) BT.709 R'G'B' signal.
    pixels_per_degree : of both.
    """

    def __init__(self, hdr_nits: FloatArray, sdr_code: FloatArray, *, pixels_per_degree: float) -> None:
        self._hdr_nits, self._sdr_code, self._ppd = hdr_nits, sdr_code, pixels_per_degree
        self._hdr: FloatArray | None = None
        self._sdr: dict[float, FloatArray] = {}

    def hdr(self) -> FloatArray:
        """Blurred HDR light."""
        if self._hdr is None:
            self._hdr = blur_optics(self._hdr_nits, pixels_per_degree=self._ppd)
        return self._hdr

    def sdr(self, gamma: float) -> FloatArray:
        """Blurred SDR light at a white of 1 cd/m2: any other white is a factor."""
        if gamma not in self._sdr:
            self._sdr[gamma] = blur_optics(sdr_code_to_nits(self._sdr_code, white_nits=1.0, gamma=gamma), pixels_per_degree=self._ppd)
        return self._sdr[gamma]

    def keep(self, *gammas: float) -> None:
        """Let go of the SDR light at all other gammas; it is made again where it is asked for."""
        self._sdr = {gamma: light for gamma, light in self._sdr.items() if gamma in gammas}


@dataclass(frozen=True, slots=True)
class Seen:
    """A picture as it is seen, ready to be compared with others of its size."""

    planes: NDArray[np.float32]
    """I, T, P, (3, row, column)."""
    bands: Bands


@dataclass(frozen=True, slots=True)
class SeenDifference:
    """Both visibilities of a pair of pictures."""

    rms_jnd: float
    counts: NDArray[np.int32]
    """Histogram of dE_ITP."""
    loss: PreferenceLoss


def see(
    blurred_nits: FloatArray, *, gain: float = 1.0, veil_nits: float = 0.0, pixels_per_degree: float, reuse: Seen | None = None
) -> Seen:
    """A picture as it is seen.

    Parameters
    ----------
    blurred_nits : (row, column, 3) linear BT.2020, cd/m2, after the eye's optics.
    gain, veil_nits : what the light is multiplied by, and the neutral light that lies over it then.
    pixels_per_degree : of the picture.
    reuse : another picture of this size that is no longer needed: its memory is written over.

    Returns
    -------
    Seen.
    """
    planes = nits_to_itp_planes(blurred_nits, gain=gain, veil_nits=veil_nits, out=None if reuse is None else reuse.planes)
    bands = split_bands(list(planes), pixels_per_degree=pixels_per_degree, reuse=None if reuse is None else reuse.bands)
    return Seen(planes, bands)


def compare_seen(hdr: Seen, sdr: Seen) -> SeenDifference:
    """Difference map, pooled, and preference loss of two pictures."""
    counts = np.zeros(HISTOGRAM_BINS, np.int32)
    one, two = (side.planes.reshape(3, -1) for side in (hdr, sdr))
    total = count_apart(one, two, np.float32(JND_SCALE), np.float32(HISTOGRAM_STEP_JND), counts)
    return SeenDifference(math.sqrt(total / one.shape[1]), counts, split_loss(compare_bands(hdr.bands, sdr.bands)))


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
    weights, shots, fraction, sure = weighting.seconds, weighting.shots, weighting.sampled_fraction, weighting.confidence
    square = np.average([rms**2 for rms in column(pairs, "rms_jnd", setup_name).tolist()], weights=weights)
    loss, tone, colour = (column(pairs, name, setup_name) for name in ("preference_loss", "tone_part", "colour_part"))
    means = [
        estimate_mean(values, weights=weights, shots=shots, sampled_fraction=fraction, confidence=sure, lowest=lowest, highest=highest)
        for values, lowest, highest in (
            (loss, 0.0, EYE.most_jod),
            (notice_probability(loss), 0.5, 1.0),
            (tone, 0.0, EYE.most_jod),
            (colour, 0.0, EYE.most_jod),
        )
    ]
    shares = [
        estimate_share(loss >= least, weights=weights, shots=shots, sampled_fraction=fraction, confidence=sure)
        for least in (0.25, 0.5, 1.0)
    ]
    return Difference(
        SideBySide("measured", float(np.sqrt(square)), quantile_from_counts(counts, 0.95)),
        OnItsOwn("measured", means[0], means[1], shares[0], shares[1], shares[2], means[2], means[3]),
    )
