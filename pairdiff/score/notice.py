"""`on_its_own`: what an eye adapted to each picture could tell apart. First form of the model.

dE_ITP in spatial bands (Laplacian pyramid: P. J. Burt and E. H. Adelson, "The Laplacian Pyramid as a Compact Image Code", IEEE Trans.
Comm. 31(4), 1983), weighted by contrast sensitivity at the local light (sensitivity.py), masked by the contrast of the two pictures in
the same band, channel and neighbourhood (threshold elevation of S. Daly, "The Visible Differences Predictor", in Digital Images and
Human Vision, 1993), pooled with power 4 over picture, bands and channels (probability summation: J. G. Robson and N. Graham,
"Probability summation and regional variation in contrast sensitivity across the visual field", Vision Research 21(3), 1981), and turned
into a preference loss by a saturating curve. What is slower than the slowest band is adapted away where it is brightness, and counts
with a small weight where it is colour. Three constants are fitted to the scores of a published full-reference metric
(tests/bench/fit_notice.py); everything else is from the literature or marked own. It predicts a model's score, not a viewing test.

The mask is the *larger* of the two contrasts, so that a difference also masks itself: a fine edge that one release draws steeper than
the other stays near threshold, as residue of coding and resampling does to the eye, and large differences run into saturation.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pairdiff._errors import UsageError
from pairdiff._records import FloatArray
from pairdiff.light.transfer import pq_to_nits
from pairdiff.score import _notice_kernels as kernels
from pairdiff.score.sensitivity import BLUE_YELLOW, RED_GREEN, chromatic_sensitivity, relative_sensitivity

JND_PER_UNIT = 720.0
"""dE_ITP of one unit of I, T or P (BT.2124)."""
BAND_PEAK = 0.33
"""Frequency at which a pyramid band of the 5-tap binomial kernel passes most, cycles per pixel of that level."""
SLOWEST_CYCLES = 0.25
"""Slowest band, cycles per degree at least; what is slower stays as the slow rest (own)."""
LEAST_LINES = 4
"""A level with fewer lines or columns is not split further."""
BAND_NOISE = (0.9438, 0.2306, 0.1008, 0.0491, 0.0244, 0.0124, 0.0060)
"""Share of a white noise's standard deviation that each band holds (computed from the kernel; tests/score/test_notice.py draws it)."""
NOISE_DEVIATIONS = 3.0
"""A difference within this many standard deviations of the pair's noise in its band counts as noise (own)."""
MASK_WINDOW = 5
"""Side of the neighbourhood over which contrast masks, pixels of the band's level (own: about one and a half cycles of the band)."""
MASK_K1, MASK_K2 = 6.0 ** (-7 / 3), 6.0 ** (10 / 3)
MASK_SLOPE, MASK_BEND = 0.75, 4.0
"""Slope and bend of threshold elevation (1 + (k1 (k2 m)^slope)^bend)^(1/bend) (Daly 1993: slope 0.65 to 1, bend 2 to 4).

With pooling power 4 these two make (d / elevation)^4 = d^4 / (1 + `MASKING` m^3), which needs no power function.
"""
MASKING = MASK_K1**MASK_BEND * MASK_K2 ** (MASK_SLOPE * MASK_BEND)
POOLING_POWER = 4.0
CHROMATIC_GAIN = 0.31
"""Weight of T and P beside I (fitted)."""
SLOW_CHROMATIC_GAIN = 0.092
"""Weight of the slow rest of T and P beside that of their bands (fitted); that of I is 0: adapted away."""
LOSS_SCALE_JND = 1.44
"""Visible difference at which the loss is 63 % of its most (fitted)."""
LOSS_MOST_JOD, LOSS_POWER = 6.0, 2.0
"""Curve loss = most x (1 - exp(-(d / scale)^power)) (own: a little above the largest loss of the ladder, 5.4; a parabola at its foot)."""
PROBIT_PER_JOD = 0.6745
"""1 JOD: three viewers in four (scaling of paired comparisons, Thurstone case V)."""
TABLE_POINTS = 257
"""Points of the table of sensitivity over I from 0 to 1."""


def preference_loss(hdr_itp: FloatArray, sdr_itp: FloatArray, *, pixels_per_degree: float, noise_jnd: float = 0.0) -> float:
    """Preference loss of the SDR picture against the HDR picture, JOD.

    Parameters
    ----------
    hdr_itp, sdr_itp : (row, column, 3) I, T, P at one set-up.
    pixels_per_degree : of the picture.
    noise_jnd : standard deviation of what differs from pixel to pixel in flat areas, |dI| x 720 (`setup.flat_noise_jnd`): coding noise,
        grain, dithered quantisation. Differences within `NOISE_DEVIATIONS` of it in their band count as none.

    Returns
    -------
    Loss, 0 for identical pictures, below `LOSS_MOST_JOD`.

    Raises
    ------
    UsageError : pictures of different or wrong shape, a scale or noise that cannot be.
    """
    return loss_from_visible(visible_difference(hdr_itp, sdr_itp, pixels_per_degree=pixels_per_degree, noise_jnd=noise_jnd))


def loss_from_visible(visible_jnd: float) -> float:
    """The saturating curve from pooled visible difference to JOD."""
    return float(LOSS_MOST_JOD * -np.expm1(-((max(visible_jnd, 0.0) / LOSS_SCALE_JND) ** LOSS_POWER)))


def notice_probability(loss_jod: FloatArray | float) -> NDArray[np.float64]:
    """Phi(0.6745 x loss): chance that a viewer prefers the HDR picture in a blind two-way test, 0.5 being no preference."""
    return np.asarray(ndtr(PROBIT_PER_JOD * np.asarray(loss_jod, np.float64)))


def visible_difference(
    hdr_itp: FloatArray,
    sdr_itp: FloatArray,
    *,
    pixels_per_degree: float,
    noise_jnd: float = 0.0,
    chromatic_gain: float = CHROMATIC_GAIN,
    slow_chromatic_gain: float = SLOW_CHROMATIC_GAIN,
) -> float:
    """Pooled visible difference in JND: bands, sensitivity, masking, power 4.

    Parameters
    ----------
    hdr_itp, sdr_itp, pixels_per_degree, noise_jnd : as for `preference_loss`, and the same errors.
    chromatic_gain, slow_chromatic_gain : weights of colour, for the fit.

    Returns
    -------
    Visible difference, 0 for identical pictures.
    """
    hdr, sdr = _to_jnd(hdr_itp, sdr_itp)
    if not (np.isfinite(pixels_per_degree) and pixels_per_degree > 0 and np.isfinite(noise_jnd) and noise_jnd >= 0):
        raise UsageError(
            f"pixels_per_degree must be above 0 and noise_jnd at least 0; they are {pixels_per_degree} and {noise_jnd}. "
            "Give the scale of the picture as shown."
        )
    energy = 0.0
    for level, cycles in enumerate(band_cycles(hdr.shape[:2], pixels_per_degree=pixels_per_degree)):
        hdr_low, sdr_low = cv2.pyrDown(hdr), cv2.pyrDown(sdr)
        chromatic = chromatic_gain * np.array([chromatic_sensitivity(cycles, BLUE_YELLOW), chromatic_sensitivity(cycles, RED_GREEN)])
        energy += _band_energy(
            (hdr, hdr_low), (sdr, sdr_low), noise_jnd=noise_jnd * _band_noise(level), cycles=cycles, chromatic=chromatic.astype(np.float32)
        )
        hdr, sdr = hdr_low, sdr_low
    slow = chromatic_gain * slow_chromatic_gain * (hdr[..., 1:].astype(np.float64) - sdr[..., 1:])
    energy += float(np.mean(slow**POOLING_POWER) * slow.shape[-1])
    return float(energy ** (1 / POOLING_POWER))


def band_cycles(shape: tuple[int, ...], *, pixels_per_degree: float) -> tuple[float, ...]:
    """Centre frequencies (cycles per degree) of the bands into which a picture of (rows, columns) is split, fine to slow."""
    found: list[float] = []
    lines = min(shape)
    while lines >= LEAST_LINES and pixels_per_degree * BAND_PEAK / 2 ** len(found) >= SLOWEST_CYCLES:
        found.append(pixels_per_degree * BAND_PEAK / 2 ** len(found))
        lines = (lines + 1) // 2
    return tuple(found)


def _to_jnd(hdr_itp: FloatArray, sdr_itp: FloatArray) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    if hdr_itp.shape != sdr_itp.shape or hdr_itp.ndim != 3 or hdr_itp.shape[-1] != 3 or 0 in hdr_itp.shape:
        raise UsageError(
            f"Both pictures must be (row, column, 3) of one size; they are {hdr_itp.shape} and {sdr_itp.shape}. Bring them to one canvas."
        )
    scale = np.float32(JND_PER_UNIT)
    return np.ascontiguousarray(hdr_itp, np.float32) * scale, np.ascontiguousarray(sdr_itp, np.float32) * scale


def _band_noise(level: int) -> float:
    return BAND_NOISE[level] if level < len(BAND_NOISE) else BAND_NOISE[-1] / 2 ** (level - len(BAND_NOISE) + 1)


def _band_energy(
    hdr: tuple[FloatArray, FloatArray],
    sdr: tuple[FloatArray, FloatArray],
    *,
    noise_jnd: float,
    cycles: float,
    chromatic: NDArray[np.float32],
) -> float:
    """Mean of (seen difference)^4 over the band, summed over the channels; each side is (level, next level)."""
    size = (hdr[0].shape[1], hdr[0].shape[0])
    hdr_slow, sdr_slow = cv2.pyrUp(hdr[1], dstsize=size), cv2.pyrUp(sdr[1], dstsize=size)
    power, contrast = np.empty_like(hdr_slow), np.empty_like(hdr_slow)
    kernels.split_band(hdr[0], hdr_slow, sdr[0], sdr_slow, np.float32((NOISE_DEVIATIONS * noise_jnd) ** 2), power, contrast)
    contrast = cv2.blur(contrast, (MASK_WINDOW, MASK_WINDOW))
    energy = np.empty(size[1])
    points = np.float32((TABLE_POINTS - 1) / JND_PER_UNIT)
    kernels.sum_band(power, contrast, hdr_slow, sdr_slow, _achromatic(cycles), points, chromatic, np.float32(MASKING), energy)
    return float(energy.sum() / (size[0] * size[1]))


@lru_cache(maxsize=64)
def _achromatic(cycles: float) -> NDArray[np.float32]:
    """Sensitivity at even steps of I from 0 to 1."""
    nits = np.maximum(pq_to_nits(np.linspace(0.0, 1.0, TABLE_POINTS)), 1e-3)
    return relative_sensitivity(cycles, nits=nits).astype(np.float32)
