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
"""Pixels of each picture that the title curve sees (own)."""


@dataclass(frozen=True, slots=True)
class BlurredPair:
    """Both pictures without grain and detail, as I, T, P, at a lower size."""

    hdr_itp: FloatArray
    sdr_itp: FloatArray


@dataclass(frozen=True, slots=True)
class ToneSample:
    """Pixels of one picture for the tone relation, PQ signal."""

    intensity: NDArray[np.float32]
    """SDR and HDR I, (n, 2)."""
    sdr_channels: NDArray[np.float32]
    """BT.709 components, (n, 3)."""
    hdr_channels: NDArray[np.float32]
    at_top: NDArray[np.bool_]
    """Where the SDR channel is at the title's top code, (n, 3)."""


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


def blur_pair(hdr_nits: FloatArray, sdr_nits: FloatArray, *, sigma_degrees: float, pixels_per_degree: float) -> BlurredPair:
    """Both pictures blurred in linear light and turned into I, T, P."""
    hdr = blur_light(hdr_nits, sigma_degrees=sigma_degrees, pixels_per_degree=pixels_per_degree)
    sdr = blur_light(sdr_nits, sigma_degrees=sigma_degrees, pixels_per_degree=pixels_per_degree)
    return BlurredPair(nits_to_itp(hdr), nits_to_itp(sdr))


def blurred_difference_jnd(pair: BlurredPair) -> float:
    """Median dE_ITP of the blurred pictures."""
    return float(np.median(itp_difference(pair.hdr_itp, pair.sdr_itp)))


def sample_tone(
    hdr_itp: FloatArray,
    sdr_itp: FloatArray,
    *,
    hdr_channels: FloatArray,
    sdr_channels: FloatArray,
    at_top: NDArray[np.bool_],
    rng: np.random.Generator,
    count: int = TONE_PIXELS,
) -> ToneSample:
    """Pixels for the title curve, from the flatter half of the SDR picture, where neither sharpness nor registration matters.

    Parameters
    ----------
    hdr_itp, sdr_itp : (row, column, 3) I, T, P at one set-up, not blurred.
    hdr_channels, sdr_channels : (row, column, 3) BT.709 components as PQ signal at the same set-up.
    at_top : (row, column, 3), where the SDR channel is at the title's top code.
    rng : random generator, seeded by the caller.
    count : pixels to draw.

    Returns
    -------
    ToneSample; every value is the mean of 3 x 3 pixels, against grain.
    """
    slope = cv2.blur(np.ascontiguousarray(sdr_itp[..., 0]), (3, 3))
    steep = cv2.magnitude(cv2.Sobel(slope, cv2.CV_32F, 1, 0), cv2.Sobel(slope, cv2.CV_32F, 0, 1)).reshape(-1)
    flat = np.flatnonzero(steep <= np.median(steep))
    picks = rng.choice(flat, size=min(count, flat.size), replace=False)

    def pick(values: FloatArray) -> NDArray[np.float32]:
        mean = cv2.blur(np.ascontiguousarray(values, np.float32), (3, 3))
        return np.asarray(mean.reshape(steep.size, -1)[picks], np.float32)

    intensity = np.concatenate([pick(sdr_itp[..., 0]), pick(hdr_itp[..., 0])], 1)
    return ToneSample(intensity, pick(sdr_channels), pick(hdr_channels), pick(at_top.astype(np.float32)) > 0)


def fit_title_curve(samples: Sequence[ToneSample]) -> TitleCurve:
    """Monotone least-squares curve of the title from SDR to HDR intensity."""
    joined = np.concatenate([sample.intensity for sample in samples])
    return fit_curve(joined[:, 0], joined[:, 1])


def fit_curve(sdr: FloatArray, hdr: FloatArray) -> TitleCurve:
    """Monotone least-squares curve through points (isotonic regression), thinned to 512 knots."""
    order = np.argsort(sdr, kind="stable")
    rising = isotonic_regression(hdr[order].astype(np.float64)).x
    knots = np.unique(np.linspace(0, order.size - 1, 512).astype(int))
    return TitleCurve(sdr[order].astype(np.float64)[knots], rising[knots])


def curve_distance_jnd(sample: ToneSample, curve: TitleCurve) -> float:
    """Median signed distance of one picture's pixels from the title curve, |dI| x 720."""
    return float(np.median(sample.intensity[:, 1] - curve.at(sample.intensity[:, 0])) * 720)


def one_curve_residual_jnd(samples: Sequence[ToneSample]) -> float:
    """What the best single monotone curve of the film leaves, 95th percentile, PQ signal x 720.

    A fixed curve may work on the intensity, on the largest component or on each channel alike; the one that explains the film best
    counts. What the SDR clips is left out, since no curve can tell values apart there.
    """
    intensity = np.concatenate([sample.intensity for sample in samples])
    sdr, hdr = (np.concatenate([getattr(sample, name) for sample in samples]) for name in ("sdr_channels", "hdr_channels"))
    at_top = np.concatenate([sample.at_top for sample in samples])
    clear = ~at_top.any(1)
    relations = [
        (intensity[clear, 0], intensity[clear, 1]),
        (sdr[clear].max(1), hdr[clear].max(1)),
        (sdr[~at_top], hdr[~at_top]),
    ]
    return min(_residual_jnd(*relation) for relation in relations)


def _residual_jnd(sdr: FloatArray, hdr: FloatArray) -> float:
    if sdr.size < 2:
        return 0.0
    return float(np.quantile(np.abs(hdr - fit_curve(sdr, hdr).at(sdr)), 0.95) * 720)


def pool_tone(
    samples: Sequence[ToneSample],
    curve: TitleCurve,
    *,
    shots: NDArray[np.int64],
    blurred_jnd: NDArray[np.float64],
    weights: NDArray[np.float64],
    settings: Settings,
) -> Tone:
    """Film figures of tone."""
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
        one_curve_residual_jnd(samples),
        float(per_shot.std()) if per_shot.size > 1 else None,
    )
