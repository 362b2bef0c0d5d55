"""`on_its_own`: what an eye adapted to each picture could tell apart. First form of the model.

1. I, T and P of both pictures are split into octave bands (Laplacian pyramid: P. J. Burt and E. H. Adelson, "The Laplacian Pyramid as a
   Compact Image Code", IEEE Trans. Comm. 31(4), 1983). Colour begins two octaves below luminance: films carry it at half the lines.
2. In each band the *local contrast* of each picture is the root mean square over 3 x 3 pixels. Comparing local contrasts instead of
   pixels is what seeing one picture after the other allows: the phase of grain, of coding residue and of an edge drawn with another
   filter is not compared (energy model: E. H. Adelson and J. R. Bergen, JOSA A 2(2), 1985).
3. The difference of the two is weighted by contrast sensitivity at the local light (sensitivity.py), less what the pair's noise
   explains, and masked by the larger of the two contrasts (threshold elevation: S. Daly, "The Visible Differences Predictor", in Digital
   Images and Human Vision, 1993), so that large differences run into saturation.
4. It is pooled with power 4 over picture, bands and channels (probability summation: J. G. Robson and N. Graham, Vision Research 21(3),
   1981). What is slower than the slowest band is adapted away where it is brightness, and counts with a small weight where it is colour.
5. A saturating curve turns it into a preference loss.

Four constants are fitted to the scores of a published full-reference metric (tests/bench/fit_notice.py); the rest is from the literature
or marked own. It predicts a model's score; it is no viewing test.
"""

from __future__ import annotations

from dataclasses import dataclass
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

Planes = list[NDArray[np.float32]]

JND_PER_UNIT = 720.0
"""dE_ITP of one unit of I, T or P (BT.2124)."""
BAND_PEAK = 0.33
"""Frequency at which a pyramid band of the 5-tap binomial kernel passes most, cycles per pixel of that level."""
SLOWEST_CYCLES = 0.25
"""Slowest band, cycles per degree at least; what is slower stays as the slow rest (own)."""
LEAST_LINES = 4
"""A level with fewer lines or columns is not split further."""
FIRST_CHROMATIC_LEVEL = 2
"""Finest level whose colour is compared: 4:2:0 carries none at level 0, and its filters take up to half of it at level 1 (own)."""
BAND_NOISE = (0.944, 0.48, 0.29, 0.20, 0.14, 0.10, 0.07)
"""Noise in each band for a noise of 1 from pixel to pixel: that of coded pictures, which is slower than a white one (0.944, 0.231, 0.101,
0.049 ...; own: medians of the difference of two encodings of the demo's container pair, 0.49, 0.30, 0.19, 0.14 of the finest band)."""
NOISE_DEVIATIONS = 2.0
"""Noise of the pair that local contrast cannot exceed by chance, standard deviations (own)."""
CODING_DEVIATIONS, CODING_MOST_JND = 3.0, 1.2
"""Allowance for what coding leaves beside its noise in flat areas, at edges and in texture, standard deviations of that noise but at most
so many JND in the finest band, so that heavy grain does not hide differences (own; the demo's container pair: 0.41 JND in the flattest
quarter of the picture, 1.3 in the middle)."""
MASK_K1, MASK_K2 = 6.0 ** (-7 / 3), 6.0 ** (10 / 3)
MASK_SLOPE, MASK_BEND = 0.75, 4.0
"""Slope and bend of threshold elevation (1 + (k1 (k2 m)^slope)^bend)^(1/bend) (Daly 1993: slope 0.65 to 1, bend 2 to 4).

With pooling power 4 these two make (d / elevation)^4 = d^4 / (1 + `MASKING` m^3), which needs no power function.
"""
MASKING = MASK_K1**MASK_BEND * MASK_K2 ** (MASK_SLOPE * MASK_BEND)
POOLING_POWER = 4.0
BLUE_YELLOW_SHARE = 0.2
"""Weight of T beside P (own: the fit is as good from 0 to 0.2 and worse above; at 0 a blue-yellow difference would be invisible)."""
TABLE_POINTS = 257
"""Points of the table of sensitivity over I from 0 to 1."""
PROBIT_PER_JOD = 0.6745
"""1 JOD: three viewers in four (scaling of paired comparisons, Thurstone case V)."""


@dataclass(frozen=True, slots=True)
class NoticeConstants:
    """The constants that are fitted (tests/bench/fit_notice.py prints them), and the power that is not."""

    chromatic: float = 0.661
    """Weight of P (red-green) beside I; T (blue-yellow) has `BLUE_YELLOW_SHARE` of it."""
    slow_chromatic: float = 0.0727
    """Weight of the slow rest of T and P beside that of their bands; that of I is 0: adapted away."""
    scale_jnd: float = 0.673
    """Visible difference at which the loss is 63 % of its most."""
    most_jod: float = 4.17
    """Loss that no difference exceeds."""
    power: float = 2.5
    """Of the curve (own: 2 to 2.5 fit alike; the larger keeps differences below threshold small)."""


FITTED = NoticeConstants()


def preference_loss(hdr_itp: FloatArray, sdr_itp: FloatArray, *, pixels_per_degree: float, noise_jnd: float = 0.0) -> float:
    """Preference loss of the SDR picture against the HDR picture, JOD.

    Parameters
    ----------
    hdr_itp, sdr_itp : (row, column, 3) I, T, P at one set-up.
    pixels_per_degree : of the picture.
    noise_jnd : standard deviation of what differs from pixel to pixel in flat areas, |dI| x 720 (`setup.flat_noise_jnd`): coding noise,
        grain, dithered quantisation. A difference that it explains counts as none. Banding, quantisation without dither, is a
        difference and counts.

    Returns
    -------
    Loss, 0 for identical pictures, below `FITTED.most_jod`.

    Raises
    ------
    UsageError : pictures of different or wrong shape, a scale or noise that cannot be.
    """
    return loss_from_visible(visible_difference(hdr_itp, sdr_itp, pixels_per_degree=pixels_per_degree, noise_jnd=noise_jnd))


def loss_from_visible(visible_jnd: float, *, constants: NoticeConstants = FITTED) -> float:
    """The saturating curve from pooled visible difference (JND) to JOD: most x (1 - exp(-(d / scale)^power))."""
    ratio = max(visible_jnd, 0.0) / constants.scale_jnd
    return float(constants.most_jod * -np.expm1(-(ratio**constants.power)))


def notice_probability(loss_jod: FloatArray | float) -> NDArray[np.float64]:
    """Phi(0.6745 x loss): chance that a viewer prefers the HDR picture in a blind two-way test, 0.5 being no preference."""
    return np.asarray(ndtr(PROBIT_PER_JOD * np.asarray(loss_jod, np.float64)))


def visible_difference(
    hdr_itp: FloatArray, sdr_itp: FloatArray, *, pixels_per_degree: float, noise_jnd: float = 0.0, constants: NoticeConstants = FITTED
) -> float:
    """Pooled visible difference in JND.

    Parameters
    ----------
    hdr_itp, sdr_itp, pixels_per_degree, noise_jnd : as for `preference_loss`, and the same errors.
    constants : weights of colour.

    Returns
    -------
    Visible difference, 0 for identical pictures.
    """
    achromatic, chromatic, slow = energy_parts(
        hdr_itp, sdr_itp, pixels_per_degree=pixels_per_degree, noise_jnd=noise_jnd, constants=constants
    )
    weight = constants.chromatic * constants.slow_chromatic
    return float((achromatic + chromatic + weight**POOLING_POWER * slow) ** (1 / POOLING_POWER))


def energy_parts(
    hdr_itp: FloatArray, sdr_itp: FloatArray, *, pixels_per_degree: float, noise_jnd: float, constants: NoticeConstants
) -> tuple[float, float, float]:
    """Mean (visible difference)^4 of the bands of I, of the bands of T and P, and of the slow rest of T and P without its weight."""
    _check(hdr_itp, sdr_itp, pixels_per_degree=pixels_per_degree, noise_jnd=noise_jnd)
    hdr, sdr = _planes(hdr_itp), _planes(sdr_itp)
    parts = np.zeros(2)
    for level, cycles in enumerate(band_cycles(hdr_itp.shape[:2], pixels_per_degree=pixels_per_degree)):
        hdr_low, sdr_low = _halve(hdr), _halve(sdr)
        channels = 1 if level < FIRST_CHROMATIC_LEVEL else 3
        parts += _band_energy(
            (hdr, hdr_low),
            (sdr, sdr_low),
            level=level,
            cycles=cycles,
            channels=channels,
            noise_jnd=noise_jnd,
            gain=constants.chromatic,
        )
        hdr, sdr = hdr_low, sdr_low
    rest = [JND_PER_UNIT * (first.astype(np.float64) - second) for first, second in zip(hdr[1:], sdr[1:], strict=True)]
    slow = [float(np.mean(plane**POOLING_POWER)) for plane in rest]
    return float(parts[0]), float(parts[1]), BLUE_YELLOW_SHARE**POOLING_POWER * slow[0] + slow[1]


def band_cycles(shape: tuple[int, ...], *, pixels_per_degree: float) -> tuple[float, ...]:
    """Centre frequencies (cycles per degree) of the bands into which a picture of (rows, columns) is split, fine to slow."""
    found: list[float] = []
    lines = min(shape)
    while lines >= LEAST_LINES and pixels_per_degree * BAND_PEAK / 2 ** len(found) >= SLOWEST_CYCLES:
        found.append(pixels_per_degree * BAND_PEAK / 2 ** len(found))
        lines = (lines + 1) // 2
    return tuple(found)


def band_noise_jnd(noise_jnd: float, *, level: int, chromatic: bool) -> float:
    """Difference of local contrast (JND) that a pair's noise explains in one band; colour, at half the lines, is a band slower."""
    allowance = NOISE_DEVIATIONS * noise_jnd + min(CODING_DEVIATIONS * noise_jnd, CODING_MOST_JND)
    place = max(level - 1, 0) if chromatic else level
    share = BAND_NOISE[place] if place < len(BAND_NOISE) else BAND_NOISE[-1] / 2 ** (place - len(BAND_NOISE) + 1)
    return allowance * share


def _planes(itp: FloatArray) -> Planes:
    return [np.ascontiguousarray(itp[..., channel], np.float32) for channel in range(3)]


def _halve(planes: Planes) -> Planes:
    return [np.asarray(cv2.pyrDown(plane), np.float32) for plane in planes]


def _double(plane: NDArray[np.float32], like: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(cv2.pyrUp(plane, dstsize=like.shape[::-1]), np.float32)


def _check(hdr_itp: FloatArray, sdr_itp: FloatArray, *, pixels_per_degree: float, noise_jnd: float) -> None:
    if hdr_itp.shape != sdr_itp.shape or hdr_itp.ndim != 3 or hdr_itp.shape[-1] != 3 or 0 in hdr_itp.shape:
        raise UsageError(
            f"Both pictures must be (row, column, 3) of one size; they are {hdr_itp.shape} and {sdr_itp.shape}. Bring them to one canvas."
        )
    if not (np.isfinite(pixels_per_degree) and pixels_per_degree > 0 and np.isfinite(noise_jnd) and noise_jnd >= 0):
        raise UsageError(
            f"pixels_per_degree must be above 0 and noise_jnd at least 0; they are {pixels_per_degree} and {noise_jnd}. "
            "Give the scale of the picture as shown."
        )


def _band_energy(
    hdr: tuple[Planes, Planes],
    sdr: tuple[Planes, Planes],
    *,
    level: int,
    cycles: float,
    channels: int,
    noise_jnd: float,
    gain: float,
) -> NDArray[np.float64]:
    """Mean (seen difference)^4 over one band of I, and of T and P together; each side is (planes, planes of the next level)."""
    rows, columns = hdr[0][0].shape
    energy, found = np.empty(rows), np.zeros(2)
    hdr_light, sdr_light = (_double(low[0], high[0]) for high, low in (hdr, sdr))
    for channel in range(channels):
        first, second = (hdr_light, sdr_light) if channel == 0 else (_double(low[channel], high[channel]) for high, low in (hdr, sdr))
        noise = band_noise_jnd(noise_jnd, level=level, chromatic=channel > 0) / JND_PER_UNIT
        table = _achromatic(cycles) if channel == 0 else _chromatic(cycles, channel, gain)
        kernels.sum_band(
            hdr[0][channel], first, sdr[0][channel], second, hdr_light, sdr_light, table, np.float32(noise**2), np.float32(MASKING), energy
        )
        found[min(channel, 1)] += energy.sum() / (rows * columns)
    return found


@lru_cache(maxsize=64)
def _achromatic(cycles: float) -> NDArray[np.float32]:
    """JND of one unit of I, weighted by sensitivity, at even steps of I from 0 to 1."""
    nits = np.maximum(pq_to_nits(np.linspace(0.0, 1.0, TABLE_POINTS)), 1e-3)
    return (JND_PER_UNIT * relative_sensitivity(cycles, nits=nits)).astype(np.float32)


def _chromatic(cycles: float, channel: int, gain: float) -> NDArray[np.float32]:
    """The same for T (1) and P (2), alike at every light."""
    terms, share = ((BLUE_YELLOW, BLUE_YELLOW_SHARE), (RED_GREEN, 1.0))[channel - 1]
    weight = gain * share * JND_PER_UNIT * float(chromatic_sensitivity(cycles, terms))
    return np.full(2, weight, np.float32)
