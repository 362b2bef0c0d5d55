"""Tone: how SDR intensity maps to HDR intensity, and whether the film was graded again.

One monotone curve for the title (isotonic regression of scipy), the residual about it and its spread from shot to shot; `regraded` when
the two pictures, blurred so far that neither grain nor detail nor small highlights remain, still differ at the best set-up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import isotonic_regression

from pairdiff._records import FloatArray, Tone
from pairdiff._settings import Settings
from pairdiff.light.picture import itp_difference, nits_to_itp
from pairdiff.light.transfer import pq_to_nits
from pairdiff.score.pooling import weighted_quantile

CURVE_POINTS = 33
"""Points of the curve that are kept for the report."""
TONE_PIXELS = 600
"""Blurred pixels of each picture that the title curve sees (own)."""


@dataclass(frozen=True, slots=True)
class BlurredPair:
    """Both pictures without grain and detail, as I, T, P, at a lower size."""

    hdr_itp: FloatArray
    sdr_itp: FloatArray
    clipped: NDArray[np.bool_]
    """Where the SDR is clipped, the same size."""


@dataclass(frozen=True, slots=True)
class TitleCurve:
    """Monotone curve from SDR to HDR intensity."""

    sdr_intensity: NDArray[np.float64]
    hdr_intensity: NDArray[np.float64]

    def at(self, intensity: FloatArray) -> NDArray[np.float64]:
        """HDR intensity for an SDR intensity."""
        return np.asarray(np.interp(intensity, self.sdr_intensity, self.hdr_intensity))


def blur_light(nits: FloatArray, *, sigma_degrees: float, pixels_per_degree: float) -> FloatArray:
    """Blur linear light, (row, column, 3); the result has one pixel for every half sigma, by area average."""
    sigma = sigma_degrees * pixels_per_degree
    step = max(int(sigma / 2), 1)
    rows, columns = max(nits.shape[0] // step, 1), max(nits.shape[1] // step, 1)
    small = cv2.resize(np.ascontiguousarray(nits, np.float32), (columns, rows), interpolation=cv2.INTER_AREA) if step > 1 else nits
    return np.asarray(cv2.GaussianBlur(small, (0, 0), sigma / step, borderType=cv2.BORDER_REPLICATE), np.float32)


def blur_pair(
    hdr_nits: FloatArray, sdr_nits: FloatArray, *, clipped: NDArray[np.bool_], sigma_degrees: float, pixels_per_degree: float
) -> BlurredPair:
    """Both pictures blurred in linear light and turned into I, T, P."""
    hdr = blur_light(hdr_nits, sigma_degrees=sigma_degrees, pixels_per_degree=pixels_per_degree)
    sdr = blur_light(sdr_nits, sigma_degrees=sigma_degrees, pixels_per_degree=pixels_per_degree)
    mask = cv2.resize(clipped.astype(np.float32), (hdr.shape[1], hdr.shape[0]), interpolation=cv2.INTER_AREA) > 0.02
    return BlurredPair(nits_to_itp(hdr), nits_to_itp(sdr), mask)


def blurred_difference_jnd(pair: BlurredPair) -> float:
    """Median dE_ITP of the blurred pictures."""
    return float(np.median(itp_difference(pair.hdr_itp, pair.sdr_itp)))


def sample_tone(pair: BlurredPair, *, rng: np.random.Generator) -> NDArray[np.float32]:
    """Blurred pixels for the title curve: SDR I, HDR I, 1 where clipped; (n, 3)."""
    count = pair.clipped.size
    picks = rng.choice(count, size=min(TONE_PIXELS, count), replace=False)
    columns = (pair.sdr_itp[..., 0], pair.hdr_itp[..., 0], pair.clipped)
    return np.stack([column.reshape(-1)[picks].astype(np.float32) for column in columns], -1)


def fit_title_curve(samples: NDArray[np.float32]) -> TitleCurve:
    """Monotone least-squares curve through blurred pixels, (n, 3) as `sample_tone` gives them."""
    order = np.argsort(samples[:, 0], kind="stable")
    sdr = samples[order, 0].astype(np.float64)
    hdr = isotonic_regression(samples[order, 1].astype(np.float64)).x
    knots = np.unique(np.linspace(0, sdr.size - 1, 512).astype(int))
    return TitleCurve(sdr[knots], hdr[knots])


def curve_distance_jnd(samples: NDArray[np.float32], curve: TitleCurve) -> float:
    """Median signed distance of one picture's pixels from the title curve, |dI| x 720."""
    return float(np.median(samples[:, 1] - curve.at(samples[:, 0])) * 720)


def pool_tone(
    samples: Sequence[NDArray[np.float32]],
    curve: TitleCurve,
    *,
    shots: NDArray[np.int64],
    blurred_jnd: NDArray[np.float64],
    weights: NDArray[np.float64],
    settings: Settings,
) -> Tone:
    """Film figures of tone; the residual leaves out what the SDR clips."""
    joined = np.concatenate(samples)
    clear = joined[joined[:, 2] == 0] if (joined[:, 2] == 0).any() else joined
    residual = float(np.quantile(np.abs(clear[:, 1] - curve.at(clear[:, 0])), 0.95) * 720)
    distances = np.array([curve_distance_jnd(sample, curve) for sample in samples])
    per_shot = np.array([distances[shots == shot].mean() for shot in np.unique(shots)])
    median = weighted_quantile(blurred_jnd, 0.5, weights=weights)
    grid = np.linspace(curve.sdr_intensity[0], curve.sdr_intensity[-1], CURVE_POINTS)
    return Tone(
        "measured",
        median >= settings.regraded_jnd,
        median,
        tuple(map(float, pq_to_nits(grid))),
        tuple(map(float, pq_to_nits(curve.at(grid)))),
        residual,
        float(per_shot.std()) if per_shot.size > 1 else None,
    )
