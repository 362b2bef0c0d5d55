"""`on_its_own`: what an eye adapted to each picture could tell apart, in one sentence: the contrasts of the two pictures are compared
band by band, each in units of what the eye can just see there, less the noise of the pair, and what stands out is turned into a loss.

1. Light is blurred by the eye's optics (difference.blur_optics) before it comes here as I, T, P: in these, times 720, a step of 1 is just
   noticeable at the frequency the eye sees best (ITU-R BT.2124).
2. I, T and P are split into octave bands (Laplacian pyramid: P. J. Burt and E. H. Adelson, IEEE Trans. Comm. 31(4), 1983). The finest
   band of the pixel grid is left to codecs and scalers; colour begins one band below: films carry it at half the lines.
3. Each band is weighted by contrast sensitivity at the local light (sensitivity.py: Barten for I, the fits of FLIP for T and P), relative
   to its highest, less the optics, which step 1 has taken.
4. The difference of the two bands is a power over 3 x 3 pixels: in the slower bands of the difference itself, in the finest ones that of
   the local contrasts (energy model: E. H. Adelson and J. R. Bergen, JOSA A 2(2), 1985), since a shift by a part of a pixel, another
   filter or a codec moves what is finest without changing how it looks.
5. Noise that differs between the releases (grain, coding, quantisation) is what a band of one picture does not share with the same band
   of the other: the power that a line through the origin leaves in small blocks. It is measured where there is contrast to spoil, in the
   darker and in the brighter half of that. For brightness the calmer half counts: noise is everywhere, range shows in one of them; from
   band to band its power falls as that of white noise does. For colour the noisier half counts, but no more than brightness has in its
   finest band: codecs and grain spoil both, and a pair whose brightness is clean has clean colour. The noise's power is taken off that of
   every difference, band by band.
6. Differences are masked by the larger local contrast (threshold elevation: S. Daly, "The Visible Differences Predictor", in Digital
   Images and Human Vision, 1993) and pooled with power 4 over picture, bands and channels (J. G. Robson and N. Graham, Vision Research
   21(3), 1981).
7. What is slower than the slowest band is adapted away where it is brightness; where it is colour its root mean square counts.
8. A saturating curve turns the response into a preference loss in JOD, and that into the chance in a blind two-way test.

All constants stand in eye.py with their origin; two are fitted to the scores of a published full-reference metric
(tests/bench/fit_notice.py). It predicts a model's score; it is no viewing test.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._errors import UsageError
from pairdiff._records import FloatArray
from pairdiff.light.transfer import pq_to_nits
from pairdiff.score import _notice_kernels as kernels
from pairdiff.score.eye import EYE, EyeModel
from pairdiff.score.ranks import median_of, quantile_of
from pairdiff.score.sensitivity import BLUE_YELLOW, RED_GREEN, chromatic_sensitivity, optics_transfer, relative_sensitivity

Planes = list[NDArray[np.float32]]

BAND_PEAK = 0.33
"""Frequency at which a pyramid band of the 5-tap binomial kernel passes most, cycles per pixel of that level."""
LEAST_LINES = 4
"""A level with fewer lines or columns is not split further."""
LEAST_BLOCKS = 24
"""Blocks with contrast from which the noise of a band is measured; a band with fewer has what its finer one allows."""
TABLE_POINTS = 257
"""Points of the table of sensitivity over I from 0 to 1."""


@dataclass(frozen=True, slots=True)
class PreferenceLoss:
    """Loss of the SDR picture against the HDR picture, JOD."""

    jod: float
    """0 for identical pictures, below `EYE.most_jod`."""
    tone_jod: float
    """What brightness and contrast have in it."""
    colour_jod: float
    """What colour has in it; the two add up to the loss."""


@dataclass(frozen=True, slots=True)
class Energies:
    """What is left to pool: means over the picture, summed over bands."""

    tone: float
    """Of (visible difference)^4 in the bands of I, JND^4."""
    colour: float
    """The same of T and P together."""
    slow_jnd: float
    """Root mean square of the slow difference of P, and of T with its share, JND."""


def predict_loss(hdr_seen: FloatArray, sdr_seen: FloatArray, *, pixels_per_degree: float, eye: EyeModel = EYE) -> PreferenceLoss:
    """Preference loss of the SDR picture against the HDR picture, whole and in its parts.

    Parameters
    ----------
    hdr_seen, sdr_seen : (row, column, 3) I, T, P at one set-up, of light blurred by `blur_optics`.
    pixels_per_degree : of the picture.
    eye : constants.

    Returns
    -------
    PreferenceLoss. Each part is the mean of what it costs alone and what it adds to the other (L. S. Shapley, "A value for n-person
    games", 1953), so that the parts add up.

    Raises
    ------
    UsageError : pictures of different or wrong shape, a scale that cannot be.
    """
    energies = measure_energies(hdr_seen, sdr_seen, pixels_per_degree=pixels_per_degree, eye=eye)
    return split_loss(energies, eye=eye)


def split_loss(energies: Energies, *, eye: EyeModel = EYE) -> PreferenceLoss:
    """Loss of pooled energies, whole and in its parts."""
    both, tone, colour = (
        loss_from_response(pool_response(part, eye=eye), eye=eye)
        for part in (energies, Energies(energies.tone, 0.0, 0.0), Energies(0.0, energies.colour, energies.slow_jnd))
    )
    tone_part = 0.5 * (tone + both - colour)
    return PreferenceLoss(both, tone_part, both - tone_part)


def pool_response(energies: Energies, *, eye: EyeModel = EYE) -> float:
    """Response of the eye: 1 leaves 63 % of the most."""
    bands = ((energies.tone + energies.colour) ** (1 / eye.pooling_power) / eye.scale_jnd) ** eye.power
    slow = eye.slow_chromatic_per_jnd * energies.slow_jnd
    return float((bands**eye.pooling_power + slow**eye.pooling_power) ** (1 / eye.pooling_power))


def loss_from_response(response: float, *, eye: EyeModel = EYE) -> float:
    """The saturating curve from response to JOD: most x (1 - exp(-response))."""
    return float(eye.most_jod * -np.expm1(-max(response, 0.0)))


def notice_probability(loss_jod: FloatArray | float) -> NDArray[np.float64]:
    """Phi(0.6745 x loss): chance that a viewer prefers the HDR picture in a blind two-way test, 0.5 being no preference."""
    from scipy.special import ndtr  # a library that starts slowly: loaded when it is needed

    return np.asarray(ndtr(EYE.probit_per_jod * np.asarray(loss_jod, np.float64)))


def measure_energies(hdr_seen: FloatArray, sdr_seen: FloatArray, *, pixels_per_degree: float, eye: EyeModel = EYE) -> Energies:
    """Visible differences of two pictures, pooled over picture and bands; parameters and errors as for `predict_loss`."""
    _check(hdr_seen, sdr_seen, pixels_per_degree=pixels_per_degree)
    hdr, sdr = (split_bands(_planes(seen), pixels_per_degree=pixels_per_degree, eye=eye) for seen in (hdr_seen, sdr_seen))
    return compare_bands(hdr, sdr, eye=eye)


@dataclass(frozen=True, slots=True)
class Level:
    """One level of a picture's pyramid."""

    planes: Planes
    """I, T, P."""
    slow: Planes
    """What the next level holds of those channels that are compared here, on this level's grid: I, or all three."""


@dataclass(frozen=True, slots=True)
class Bands:
    """A picture split into its bands; one picture may be compared with many."""

    cycles: tuple[float, ...]
    """Centre frequency of each, cycles per degree."""
    levels: tuple[Level, ...]
    """Fine to slow, one for each band."""
    rest: Planes
    """What is slower than the slowest band."""


def split_bands(
    planes: Sequence[NDArray[np.float32]], *, pixels_per_degree: float, eye: EyeModel = EYE, reuse: Bands | None = None
) -> Bands:
    """Split a picture into the bands that `compare_bands` looks at.

    Parameters
    ----------
    planes : I, T and P, (row, column) float32 each, of light blurred by `blur_optics`.
    pixels_per_degree : of the picture.
    eye : constants.
    reuse : bands of another picture of this size that are no longer needed: their memory is written over.

    Returns
    -------
    Bands.
    """
    cycles = band_cycles(planes[0].shape, pixels_per_degree=pixels_per_degree, eye=eye)
    levels, here = [], list(planes)
    for level in range(len(cycles)):
        old = None if reuse is None else (reuse.levels[level + 1].planes if level + 1 < len(cycles) else reuse.rest)
        low = _halve(here, old)
        compared = 1 if level < eye.first_chromatic_level else 3
        slow = [None] * compared if reuse is None else reuse.levels[level].slow
        levels.append(Level(here, [_double(low[n], here[n], slow[n]) for n in range(compared)]))
        here = low
    return Bands(cycles, tuple(levels), here)


def compare_bands(hdr: Bands, sdr: Bands, *, eye: EyeModel = EYE) -> Energies:
    """Visible differences of two pictures of one size that were split by `split_bands`, pooled over picture and bands."""
    parts, noise = np.zeros(2), NoiseFloor(eye)
    for level, cycles in enumerate(hdr.cycles):
        parts += _band_energy(hdr.levels[level], sdr.levels[level], level=level, cycles=cycles, noise=noise, eye=eye)
    rest = [float(np.mean(np.square(one.astype(np.float64) - other))) for one, other in zip(hdr.rest[1:], sdr.rest[1:], strict=True)]
    blue, red = (max(power - eye.noise_factor * calm, 0.0) for power, calm in zip(rest, noise.calm[1:], strict=True))
    slow = eye.jnd_per_unit * float(np.sqrt(eye.blue_yellow_share**2 * blue + red))
    return Energies(float(parts[0]), float(parts[1]), slow)


@dataclass(frozen=True, slots=True)
class BlockPowers:
    """Mean powers of a band of both pictures in small blocks, (row, column)."""

    noise: NDArray[np.float32]
    """What the two do not share."""
    contrast: NDArray[np.float32]
    """The larger of the two."""


class NoiseFloor:
    """Noise power of a pair, followed from the finest band to the slowest."""

    def __init__(self, eye: EyeModel) -> None:
        self.calm = [0.0, 0.0, 0.0]
        """Of I, T and P in the last band, in the calmer half of the picture."""
        self._eye = eye
        self._finest: float | None = None
        self._colour = [0.0, 0.0, 0.0]

    def follow(self, blocks: BlockPowers, light: NDArray[np.float32], *, level: int, channel: int) -> float:
        """Noise power of the next band of a channel, brightness before colour.

        Brightness: of the calmer half, and no more than the finer band allows. Colour: of the noisier half, and no more than brightness
        has in the finest band that tells of noise.
        """
        halves = self._measure_halves(blocks, light, share=self._eye.noise_quantile if channel == 0 else self._eye.chromatic_noise_quantile)
        if channel == 0:
            self.calm[0] = self._follow_brightness(halves, level=level)
            return self.calm[0]
        if halves:
            most = self._finest or 0.0
            self.calm[channel], self._colour[channel] = min(*halves, most), min(max(halves), most)
        return self._colour[channel]

    def _follow_brightness(self, halves: list[float], *, level: int) -> float:
        if self._finest is None:
            self._finest = min(halves) if halves else None
            return self._finest or 0.0
        fall = self._eye.noise_fall if level >= self._eye.noise_falls_from else 1.0
        return min(*halves, fall * self.calm[0]) if halves else fall * self.calm[0]

    def _measure_halves(self, blocks: BlockPowers, light: NDArray[np.float32], *, share: float) -> list[float]:
        """Noise that a share of the blocks with contrast does not exceed, in the darker and in the brighter half of them.

        Empty if they are too few. Where a picture is even, a codec has nothing to take away: a clear sky says nothing about a rough field.
        """
        telling = blocks.contrast >= (self._eye.noise_contrast_jnd / self._eye.jnd_per_unit) ** 2
        if telling.sum() < LEAST_BLOCKS:
            return []
        noise, intensity = blocks.noise[telling], light[telling]
        bright = intensity > median_of(intensity)
        return [quantile_of(part, share) for part in (noise[~bright], noise[bright]) if part.size]


def band_cycles(shape: tuple[int, ...], *, pixels_per_degree: float, eye: EyeModel = EYE) -> tuple[float, ...]:
    """Centre frequencies (cycles per degree) of the bands into which a picture of (rows, columns) is split, fine to slow."""
    found: list[float] = []
    lines = min(shape)
    while lines >= LEAST_LINES and pixels_per_degree * BAND_PEAK / 2 ** len(found) >= eye.slowest_cycles:
        found.append(pixels_per_degree * BAND_PEAK / 2 ** len(found))
        lines = (lines + 1) // 2
    return tuple(found)


def _planes(itp: FloatArray) -> Planes:
    return [np.ascontiguousarray(itp[..., channel], np.float32) for channel in range(3)]


def _halve(planes: Planes, into: Planes | None) -> Planes:
    return [np.asarray(cv2.pyrDown(plane, dst=None if into is None else into[n]), np.float32) for n, plane in enumerate(planes)]


def _double(plane: NDArray[np.float32], like: NDArray[np.float32], into: NDArray[np.float32] | None) -> NDArray[np.float32]:
    return np.asarray(cv2.pyrUp(plane, dst=into, dstsize=like.shape[::-1]), np.float32)


def _check(hdr_seen: FloatArray, sdr_seen: FloatArray, *, pixels_per_degree: float) -> None:
    if hdr_seen.shape != sdr_seen.shape or hdr_seen.ndim != 3 or hdr_seen.shape[-1] != 3 or 0 in hdr_seen.shape:
        raise UsageError(
            f"Both pictures must be (row, column, 3) of one size; they are {hdr_seen.shape} and {sdr_seen.shape}. Bring them to one canvas."
        )
    if not (np.isfinite(pixels_per_degree) and pixels_per_degree > 0):
        raise UsageError(f"pixels_per_degree must be above 0; it is {pixels_per_degree}. Give the scale of the picture as shown.")


def _band_energy(hdr: Level, sdr: Level, *, level: int, cycles: float, noise: NoiseFloor, eye: EyeModel) -> NDArray[np.float64]:
    """Mean (seen difference)^4 over one band of I, and of T and P together."""
    rows, columns = hdr.planes[0].shape
    energy, found = np.empty(rows), np.zeros(2)
    hdr_light, sdr_light = hdr.slow[0], sdr.slow[0]
    block_light = _block_light(hdr_light) + _block_light(sdr_light)
    for channel, (first, second) in enumerate(zip(hdr.slow, sdr.slow, strict=True)):
        bands = (hdr.planes[channel], first, sdr.planes[channel], second)
        blocks = BlockPowers(np.empty_like(block_light), np.empty_like(block_light))
        kernels.block_noise(*bands, blocks.noise, blocks.contrast)
        floor = np.float32(eye.noise_factor * noise.follow(blocks, block_light, level=level, channel=channel))
        if level < eye.first_level:
            continue
        table = _achromatic(cycles, eye) if channel == 0 else _chromatic(cycles, channel, eye)
        coherent = level >= eye.coherent_level
        kernels.sum_band(*bands, hdr_light, sdr_light, table, floor, np.float32(_masking(eye)), coherent, energy)
        found[min(channel, 1)] += energy.sum() / (rows * columns)
    return found


def _block_light(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """I in the middle of each block of noise."""
    rows, columns = (size // kernels.BLOCK for size in light.shape)
    half = kernels.BLOCK // 2
    return np.ascontiguousarray(light[half :: kernels.BLOCK, half :: kernels.BLOCK][:rows, :columns])


def _masking(eye: EyeModel) -> float:
    """Constant of masking: (d / (1 + (k1 (k2 m)^slope)^bend)^(1/bend))^4 is d^4 / (1 + it x m^3) at a slope of 0.75 and a bend of 4."""
    return float(eye.masking_k1**eye.masking_bend * eye.masking_k2 ** (eye.masking_slope * eye.masking_bend))


@lru_cache(maxsize=64)
def _achromatic(cycles: float, eye: EyeModel) -> NDArray[np.float32]:
    """JND of one unit of I, weighted by sensitivity without the optics, at even steps of I from 0 to 1."""
    nits = np.maximum(pq_to_nits(np.linspace(0.0, 1.0, TABLE_POINTS)), 1e-3)
    relative = relative_sensitivity(cycles, nits=nits, field_degrees=eye.field_degrees)
    return (eye.jnd_per_unit * relative / optics_transfer(cycles, sigma_degrees=eye.optics_degrees)).astype(np.float32)


@lru_cache(maxsize=64)
def _chromatic(cycles: float, channel: int, eye: EyeModel) -> NDArray[np.float32]:
    """The same for T (1) and P (2), alike at every light."""
    terms, share = ((BLUE_YELLOW, eye.blue_yellow_share), (RED_GREEN, 1.0))[channel - 1]
    relative = float(chromatic_sensitivity(cycles, terms) / optics_transfer(cycles, sigma_degrees=eye.optics_degrees))
    return np.full(2, eye.chromatic * share * eye.jnd_per_unit * relative, np.float32)
