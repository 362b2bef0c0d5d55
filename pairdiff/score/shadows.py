"""Shadow detail: what the HDR release shows where the SDR release lies at its last codes above black.

The mirror of recovered detail. Where the SDR is at most a few codes above the darkest level its title reaches, it can tell next to
nothing apart; there the local contrast of the two pictures is compared, in PQ of luminance. Three things are taken off before anything
is claimed, since the PQ scale counts differences near black that nobody sees beside a lit picture:

- the stray light of the eye: to both pictures the veil is added that the picture itself throws over its dark parts;
- noise: contrast is taken from means of a few pixels, and what is left of the pixel noise is subtracted in power;
- the gamma of the SDR set: its contrast is taken at both ends of the set's reach and at the fitted one, the highest counts, and a gain no
  larger than what the choice of gamma moves it by is no gain.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, PairScore, Setup, Shadows
from pairdiff._settings import Settings
from pairdiff._tables import column
from pairdiff.light.picture import code_level, nits_to_pq_picture, sdr_code_to_nits
from pairdiff.score._picture_kernels import count_dark_signal
from pairdiff.score.colour import LUMINANCE
from pairdiff.score.detail import CODE_STEP, solid_area
from pairdiff.score.pooling import level_reached, weighted_quantile
from pairdiff.score.setup import high_pass
from pairdiff.score.whole import flat_pixels, mix, window_moments

DARKEST_SHARE = 0.001
"""The title's darkest level is the one that this share of its pixels lies at or under (own)."""
DARKEST_CODE = 0.05
"""A title whose darkest level is above this signal has no last codes above black (own)."""
STRAY_LIGHT_SHARE = 0.03
"""Veil in the eye over mean luminance of the picture: 10 E / theta^2 (Stiles and Holladay; CIE 146:2002) summed over light from 5 to 30
degrees aside at 1.5 picture heights (formula from memory, the sum is ours)."""
MEAN_DEGREES, WINDOW_DEGREES = 0.15, 1.0
"""Over what is averaged against noise, and the window of the contrast, visual degrees (own)."""
NOISE_CORRELATION = 4.0
"""Noise of a mean, in power, over that of white noise: grain and codec noise spread over two pixels each way (own)."""
LOOKED_AT_SHARE = 0.5
"""Pictures darker over less than this part of `shadow_area_share` are not looked through (own)."""
SHADOW_FACTORS = (0.5, 0.75, 1.0, 1.25, 1.5)
"""Multiples of `shadow_jnd` at which the share that gains is kept, so that it can be varied afterwards (own)."""
DARK_BINS, DARK_FROM = 64, -0.05
"""Histogram of the darkest SDR levels: half-code bins up from this signal."""


@dataclass(frozen=True, slots=True)
class PictureShadows:
    """Dark parts and shadow detail of one picture; None where the SDR is nowhere at its last codes."""

    dark_share: float
    """Share of the picture where the SDR lies at its last codes."""
    gain_jnd: float | None
    """Median there, |dPQ| x 720."""
    gamma_jnd: float | None
    """By how much the choice of the SDR gamma moves it."""
    gained_by_limit: tuple[float, ...]
    """Share of the picture that gains at least each of `SHADOW_FACTORS` x the limit."""


def count_dark(sdr_code: FloatArray) -> NDArray[np.int64]:
    """Pixels by their largest component in half-code bins from `DARK_FROM` up; the last column counts all, (bins + 1,)."""
    counts, pixels = np.zeros(DARK_BINS, np.int64), flat_pixels(sdr_code)
    count_dark_signal(pixels, np.float32(DARK_FROM), np.float32(2 / CODE_STEP), counts)
    return np.append(counts, len(pixels))


def find_darkest_code(counts: NDArray[np.int64]) -> float | None:
    """The title's darkest level (signal, not below 0); None where it never comes near black.

    Parameters
    ----------
    counts : sum of `count_dark` over the title.

    Returns
    -------
    Signal, 0 to `DARKEST_CODE`.
    """
    reached = np.cumsum(counts[:-1]) >= max(DARKEST_SHARE * counts[-1], 1)
    if not reached.any():
        return None
    level = DARK_FROM + (int(np.argmax(reached)) + 0.5) * CODE_STEP / 2
    return max(level, 0.0) if level <= DARKEST_CODE else None


def measure_dark_detail(
    hdr_nits: FloatArray, sdr_code: FloatArray, *, darkest: float | None, controls: Setup, pixels_per_degree: float, settings: Settings
) -> PictureShadows:
    """Shadow detail of one picture.

    Parameters
    ----------
    hdr_nits : (row, column, 3) linear BT.2020, cd/m2.
    sdr_code : (row, column, 3) BT.709 R'G'B' signal.
    darkest : `find_darkest_code` of the title.
    controls : the fitted set-up.
    pixels_per_degree : of the picture.
    settings : the last codes, the limit, the set's reach in gamma.

    Returns
    -------
    PictureShadows.
    """
    nothing = (0.0,) * len(SHADOW_FACTORS)
    if darkest is None:
        return PictureShadows(0.0, None, None, nothing)
    width = max(round(MEAN_DEGREES * pixels_per_degree) | 1, 3)
    dark = solid_area(code_level(sdr_code) <= darkest + settings.shadow_codes * CODE_STEP, inwards=width // 2 + 1) > 0
    share = float(dark.mean())
    if share < LOOKED_AT_SHARE * settings.shadow_area_share:
        return PictureShadows(share, None, None, nothing)
    window = max(round(WINDOW_DEGREES * pixels_per_degree) | 1, 5)
    looks = _Looks(dark, width=width, window=window)
    hdr = _pq_in_eye(hdr_nits)
    shown = [
        looks.means(_pq_in_eye(sdr_code_to_nits(sdr_code, white_nits=controls.white_nits, gamma=gamma)))
        for gamma in sorted({settings.gamma_low, controls.gamma, settings.gamma_high})
    ]
    hdr_power, powers = looks.powers(looks.means(hdr), shown)
    power = hdr_power - NOISE_CORRELATION * _noise_power(hdr, dark) / width**2
    gains = [np.sqrt(np.maximum(power - one, 0)) for one in powers]
    least, moved = np.min(gains, axis=0), np.ptp(gains, axis=0)
    sure = np.where(least > moved, least, 0)
    gained = tuple(float((sure >= factor * settings.shadow_jnd).sum() / dark.size) for factor in SHADOW_FACTORS)
    return PictureShadows(share, float(np.median(sure)), float(np.median(moved)), gained)


def _pq_in_eye(nits: FloatArray) -> NDArray[np.float32]:
    """Luminance under the eye's stray light, PQ signal x 720."""
    luminance = mix(nits, LUMINANCE)
    veil = np.float32(STRAY_LIGHT_SHARE * luminance.mean(dtype=np.float64))
    return nits_to_pq_picture(np.maximum(luminance, 0) + veil) * np.float32(720)


class _Looks:
    """An area in which means over a few pixels, and what these vary by in a window, are taken from the area alone."""

    def __init__(self, area: NDArray[np.bool_], *, width: int, window: int) -> None:
        rows, columns = np.flatnonzero(area.any(1)), np.flatnonzero(area.any(0))
        self._part = tuple(
            slice(max(int(side[0]) - window, 0), min(int(side[-1]) + 1 + window, length))
            for side, length in zip((rows, columns), area.shape, strict=True)
        )
        self._area = np.ascontiguousarray(area[self._part])
        self._inside = self._area.astype(np.float32)
        self._size, self._window = (width, width), window
        self._share = np.maximum(cv2.blur(self._inside, self._size), 1e-6)

    def means(self, values: NDArray[np.float32]) -> NDArray[np.float32]:
        """Means over a few pixels of a picture as large as the area's."""
        part = values[self._part]
        offset = part - np.float32(part[self._area].mean(dtype=np.float64))
        return np.asarray(cv2.blur(offset * self._inside, self._size) / self._share, np.float32)

    def powers(
        self, first: NDArray[np.float32], others: Sequence[NDArray[np.float32]]
    ) -> tuple[NDArray[np.float64], list[NDArray[np.float64]]]:
        """Variance in a window of one picture's means and of those of others, at the places of the area."""
        found = [window_moments(first, other, self._area, width=self._window, mirrored=True) for other in others]
        return found[0].variance_a, [one.variance_b for one in found]


def _noise_power(values: NDArray[np.float32], inside: NDArray[np.bool_]) -> float:
    """Variance of pixel noise in an area, as `flat_noise_jnd` estimates it (J. Immerkaer, CVIU 64(2), 1996)."""
    high = np.abs(high_pass(values.astype(np.float64)))[inside[1:-1, 1:-1]]
    return float((high.mean() * np.sqrt(np.pi / 2) / 6) ** 2) if high.size else 0.0


def pool_shadows(pictures: Sequence[PairScore], *, weights: NDArray[np.float64], settings: Settings) -> Shadows:
    """Film figures of shadow detail.

    Parameters
    ----------
    pictures : scored pairs.
    weights : matched time each stands for.
    settings : the least dark share and the share of time.

    Returns
    -------
    Shadows; `not_applicable` where the SDR is at its last codes over less than `shadow_area_share` of the picture in nearly all the film.
    """
    dark = column(pictures, "dark_share")
    share = float(np.average(dark, weights=weights))
    if level_reached(dark, settings.headroom_time_share, weights=weights) < settings.shadow_area_share:
        return Shadows("not_applicable", None, share, None, None)
    where = ~np.isnan(column(pictures, "shadow_gain_jnd"))
    area = (weights * dark)[where]

    def median(name: str) -> float:
        return weighted_quantile(column(pictures, name)[where], 0.5, weights=area)

    return Shadows(
        "measured",
        median("shadow_gain_jnd"),
        share,
        level_reached(column(pictures, "shadow_gained_share"), settings.headroom_time_share, weights=weights),
        median("shadow_gamma_jnd"),
    )
