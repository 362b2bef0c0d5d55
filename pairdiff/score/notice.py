"""`on_its_own`: what an eye adapted to each picture could tell apart. First form of the model.

dE_ITP in spatial bands (Laplacian pyramid: Burt and Adelson, "The Laplacian Pyramid as a Compact Image Code", IEEE Trans. Comm. 31(4),
1983), weighted by contrast sensitivity at the local light (sensitivity.py), the slowest differences left out as adapted to, masked by
what both pictures share in the band (threshold elevation of S. Daly, "The Visible Differences Predictor", in Digital Images and Human
Vision, 1993), pooled with power 4 over the picture, the bands and the three channels, and turned into a preference loss by a saturating
curve. The curve's three constants are fitted to the scores of a published full-reference metric (tests/bench/fit_notice.py); everything
else is from the literature. It predicts a model's score, not a viewing test.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pairdiff._records import FloatArray
from pairdiff.light.transfer import pq_to_nits
from pairdiff.score.sensitivity import BLUE_YELLOW, RED_GREEN, chromatic_sensitivity, relative_sensitivity

JND_PER_UNIT = 720.0
"""dE_ITP of one unit of I, T or P (BT.2124)."""
BAND_PEAK = 0.33
"""Frequency at which a pyramid band of the 5-tap binomial kernel passes most, cycles per pixel of that level."""
SLOWEST_CYCLES = 0.4
"""Bands below this many cycles per degree are adapted away (own)."""
POOLING_POWER = 4.0
MASK_SLOPE, MASK_BEND = 0.7, 4.0
"""Slope and bend of threshold elevation (Daly 1993: slope 0.65 to 1, bend 2 to 4)."""
MASK_K1, MASK_K2 = 6.0 ** (-7 / 3), 6.0 ** (10 / 3)
LOSS_MOST_JOD, LOSS_SCALE_JND, LOSS_POWER = 2.6, 12.0, 1.0
"""Curve loss = most x (1 - exp(-(d / scale)^power)); fitted, see tests/bench/fit_notice.py."""
PROBIT_PER_JOD = 0.6745
"""1 JOD: three viewers in four (scaling of paired comparisons, Thurstone case V)."""


def preference_loss(hdr_itp: FloatArray, sdr_itp: FloatArray, *, pixels_per_degree: float) -> float:
    """Preference loss of the SDR picture against the HDR picture, JOD.

    Parameters
    ----------
    hdr_itp, sdr_itp : (row, column, 3) I, T, P at one set-up.
    pixels_per_degree : of the picture.

    Returns
    -------
    Loss, 0 for identical pictures, below `LOSS_MOST_JOD`.
    """
    return loss_from_visible(visible_difference(hdr_itp, sdr_itp, pixels_per_degree=pixels_per_degree))


def loss_from_visible(visible_jnd: float) -> float:
    """The fitted saturating curve from pooled visible difference to JOD."""
    return float(LOSS_MOST_JOD * -np.expm1(-((max(visible_jnd, 0.0) / LOSS_SCALE_JND) ** LOSS_POWER)))


def notice_probability(loss_jod: FloatArray | float) -> NDArray[np.float64]:
    """Phi(0.6745 x loss): chance that a viewer prefers the HDR picture in a blind two-way test, 0.5 being no preference."""
    return np.asarray(ndtr(PROBIT_PER_JOD * np.asarray(loss_jod, np.float64)))


def visible_difference(hdr_itp: FloatArray, sdr_itp: FloatArray, *, pixels_per_degree: float) -> float:
    """Pooled visible difference in JND: bands, sensitivity, masking, power 4."""
    hdr = np.ascontiguousarray(hdr_itp, np.float32) * np.float32(JND_PER_UNIT)
    sdr = np.ascontiguousarray(sdr_itp, np.float32) * np.float32(JND_PER_UNIT)
    total, level = 0.0, 0
    while min(hdr.shape[:2]) >= 4:
        cycles = pixels_per_degree * BAND_PEAK / 2**level
        if cycles < SLOWEST_CYCLES:
            break
        hdr_low, sdr_low = cv2.pyrDown(hdr), cv2.pyrDown(sdr)
        size = (hdr.shape[1], hdr.shape[0])
        hdr_slow, sdr_slow = cv2.pyrUp(hdr_low, dstsize=size), cv2.pyrUp(sdr_low, dstsize=size)
        weights = _band_weights(cycles, 0.5 * (hdr_slow[..., 0] + sdr_slow[..., 0]) / JND_PER_UNIT)
        total += _band_energy(hdr - hdr_slow, sdr - sdr_slow, weights)
        hdr, sdr, level = hdr_low, sdr_low, level + 1
    return float(total ** (1 / POOLING_POWER))


def _band_energy(hdr_band: FloatArray, sdr_band: FloatArray, weights: FloatArray) -> float:
    seen = np.abs(hdr_band - sdr_band) * weights
    shared = np.maximum(cv2.blur(np.minimum(np.abs(hdr_band), np.abs(sdr_band)) * weights, (3, 3)), 0)
    elevation = (1 + (MASK_K1 * (MASK_K2 * shared) ** MASK_SLOPE) ** MASK_BEND) ** (1 / MASK_BEND)
    return float(np.mean((seen / elevation) ** POOLING_POWER, dtype=np.float64) * seen.shape[-1])


def _band_weights(cycles: float, intensity: FloatArray) -> FloatArray:
    """Sensitivity weights (row, column, 3) at the local light."""
    codes = np.linspace(0.0, 1.0, 65)
    table = relative_sensitivity(cycles, nits=np.maximum(pq_to_nits(codes), 1e-3))
    weights = np.empty((*intensity.shape, 3), np.float32)
    weights[..., 0] = np.interp(intensity, codes, table)
    weights[..., 1] = chromatic_sensitivity(cycles, BLUE_YELLOW)
    weights[..., 2] = chromatic_sensitivity(cycles, RED_GREEN)
    return weights
