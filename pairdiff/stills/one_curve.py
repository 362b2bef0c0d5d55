"""The SDR pictures through one tone curve, fitted to all of the moments that are shown: what a tone curve gives at best.

Beside the HDR picture it lets anyone see whether the HDR release holds more than a curve gives. It is a picture made for that, and none of
either release.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, Moment
from pairdiff.light.picture import itp_difference, light_difference, nits_to_intensity, nits_to_itp
from pairdiff.light.primaries import conversion_matrix
from pairdiff.light.transfer import nits_to_pq, pq_to_nits

Way = Literal["intensity", "largest", "each"]
WAY_WORDS: Mapping[Way, str] = {
    "intensity": "by a gain from the intensity of each pixel",
    "largest": "by a gain from the largest component of each pixel",
    "each": "on each of R, G and B",
}
"""How a curve can be put on a picture: conversions work in any of these ways."""
LEAST_MOMENTS, MOST_MOMENTS = 2, 24
"""Moments that a curve is fitted to: one alone would be explained too easily, and many fill the memory (own)."""
CURVE_BINS = 4096
"""Even steps of the SDR signal on the PQ scale in which pixels are counted: every one is, however small the light (own: four to a code of
10 bits)."""
ROUNDS = 4
"""Steps from a gain of the equal grey to one that gives the colour its intensity (own: the fifth changes no code of 8 bits)."""
WITHIN = 1 + 1e-6
"""Factor within which light counts as equal to white: what a change of primaries rounds (own)."""
HELD_SHARE = 0.999
"""Share of the HDR picture that an exposure has to hold (own: a single light does not darken the whole picture)."""


@dataclass(frozen=True, slots=True)
class PairOfMoment:
    """Both pictures of a moment at `controls`, linear BT.2020, cd/m2, (row, column, 3), small."""

    moment: Moment
    hdr_nits: NDArray[np.float32]
    sdr_nits: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class ToneCurve:
    """A rising curve and how it is put on a picture."""

    way: Way
    sdr_nits: NDArray[np.float64]
    """cd/m2, (point,)."""
    hdr_nits: NDArray[np.float64]


def fit_one_curve(pairs: Sequence[PairOfMoment]) -> ToneCurve | None:
    """Fit one rising curve to all pictures together, in each way, and take the way that comes closest.

    Parameters
    ----------
    pairs : sequence of PairOfMoment
        What is to be explained.

    Returns
    -------
    ToneCurve or None
        None where there are too few or too many moments.

    Notes
    -----
    Isotonic regression (scipy) on means of PQ signals, weighted by their pixels. Closest: root mean square of dE_ITP over the pictures.
    """
    if not LEAST_MOMENTS <= len(pairs) <= MOST_MOMENTS:
        return None
    fitted = [_fit(pairs, way) for way in WAY_WORDS]
    hdr_itp = [nits_to_itp(one.hdr_nits) for one in pairs]

    def left(curve: ToneCurve) -> float:
        curved = (nits_to_itp(apply_curve(one.sdr_nits, curve)) for one in pairs)
        return sum(float(np.mean(np.square(itp_difference(*both), dtype=np.float64))) for both in zip(curved, hdr_itp, strict=True))

    return min(fitted, key=left)


def apply_curve(sdr_nits: FloatArray, curve: ToneCurve) -> NDArray[np.float32]:
    """Put a curve on a picture.

    Parameters
    ----------
    sdr_nits : float array, (row, column, 3)
        Linear BT.2020, cd/m2; negative values count as no light.
    curve : ToneCurve
        `intensity`: every pixel gets the intensity that the curve has for its own, its components scaled alike. `largest`: the largest of
        its BT.709 components gets what the curve has for it, the others are scaled with it. `each`: every BT.709 component by itself.

    Returns
    -------
    float32 array, (row, column, 3)
        Linear BT.2020, cd/m2. Beyond the curve's ends the gains that it has there go on.

    Notes
    -----
    Intensity: I of ICtCp, BT.2100-2 Table 7.
    """
    light = np.maximum(np.asarray(sdr_nits, np.float64), 0.0)
    if curve.way == "intensity":
        aim_nits = _follow(curve, _grey_nits(light))
        for _ in range(ROUNDS):
            light *= _ratio(aim_nits, _grey_nits(light))[..., None]
        return light.astype(np.float32)
    channels = _to_709(light)
    if curve.way == "largest":
        largest = channels.max(axis=-1)
        return np.asarray(light * _ratio(_follow(curve, largest), largest)[..., None], np.float32)
    return _convert(_follow(curve, channels), source="bt709", target="bt2020").astype(np.float32)


def exposure_that_holds(rgb_nits: FloatArray, *, white_nits: float, stops: Sequence[int]) -> tuple[int, float]:
    """The brightest of those exposures at which nearly all of the picture is held, the darkest where none does.

    Parameters
    ----------
    rgb_nits : float array, (row, column, 3)
        Linear BT.2020, cd/m2; drawn in BT.709.
    white_nits : float
        Light that is the brightest at 0 stops, cd/m2.
    stops : sequence of int
        Exposures.

    Returns
    -------
    int, float
        The exposure, and the share of the picture that is clipped at it all the same.
    """
    level = _to_709(np.asarray(rgb_nits, np.float64)).max(axis=-1) / (white_nits * WITHIN)
    needed = math.log2(max(float(np.quantile(level, HELD_SHARE)), 1e-9))
    chosen = max((one for one in stops if -one >= needed), default=min(stops))
    return chosen, float((level > 2.0**-chosen).mean())


def distance_jnd(first_nits: FloatArray, second_nits: FloatArray) -> float:
    """Root mean square of dE_ITP (BT.2124-0 Annex 1) between two pictures, linear BT.2020, cd/m2, (row, column, 3)."""
    return float(np.sqrt(np.mean(np.square(light_difference(first_nits, second_nits), dtype=np.float64))))


def say_curved(stops_words: str, way: Way, *, moments: int, as_set_jnd: float, curved_jnd: float, clipped_share: float) -> str:
    """Caption of the picture."""
    clipped = "" if clipped_share < 5e-4 else f" Clipped in the drawing: {100 * clipped_share:.1f} % of the HDR picture."
    return (
        f"{stops_words}: the SDR picture through one rising curve that was fitted to the {moments} moments shown, all together, and put "
        f"{WAY_WORDS[way]}, the closest of three ways. From the HDR picture it lies {curved_jnd:.1f} JND away, the SDR picture as the set "
        f"shows it {as_set_jnd:.1f} JND: dE_ITP (BT.2124), root mean square over the picture at this size, of all its light, drawn or "
        f"clipped.{clipped} It is made for this comparison and belongs to neither release."
    )


# ---------------------------------------------------------------- the curve


def _fit(pairs: Sequence[PairOfMoment], way: Way) -> ToneCurve:
    from scipy.optimize import isotonic_regression  # a library that starts slowly: loaded when it is needed

    count, sdr, hdr = (np.zeros(CURVE_BINS) for _ in range(3))
    for one in pairs:
        x, y = (_levels(nits, way) for nits in (one.sdr_nits, one.hdr_nits))
        place = np.minimum((x * CURVE_BINS).astype(np.int64), CURVE_BINS - 1)
        count += np.bincount(place, minlength=CURVE_BINS)
        sdr += np.bincount(place, weights=x, minlength=CURVE_BINS)
        hdr += np.bincount(place, weights=y, minlength=CURVE_BINS)
    held = count > 0
    rising = isotonic_regression(hdr[held] / count[held], weights=count[held]).x
    return ToneCurve(way, pq_to_nits(sdr[held] / count[held]), pq_to_nits(rising))


def _levels(nits: NDArray[np.float32], way: Way) -> NDArray[np.float64]:
    """PQ signals of what a curve works on in that way, pixel by pixel."""
    light = np.maximum(nits.reshape(-1, 3).astype(np.float64), 0.0)
    if way == "intensity":
        return nits_to_intensity(light).astype(np.float64)
    channels = _to_709(light)
    return nits_to_pq(channels.max(axis=-1) if way == "largest" else channels.ravel())


def _follow(curve: ToneCurve, nits: NDArray[np.float64]) -> NDArray[np.float64]:
    inside = pq_to_nits(np.interp(nits_to_pq(nits), nits_to_pq(curve.sdr_nits), nits_to_pq(curve.hdr_nits)))
    for end, beyond in ((0, nits < curve.sdr_nits[0]), (-1, nits > curve.sdr_nits[-1])):
        if curve.sdr_nits[end] > 0:
            inside = np.where(beyond, nits * (curve.hdr_nits[end] / curve.sdr_nits[end]), inside)
    return inside


def _to_709(light: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.maximum(_convert(light, source="bt2020", target="bt709"), 0.0)


def _convert(light: NDArray[np.float64], *, source: str, target: str) -> NDArray[np.float64]:
    """`convert_primaries` for pictures, many times as fast."""
    return np.asarray(cv2.transform(light.reshape(-1, 1, 3), conversion_matrix(source, target)), np.float64).reshape(light.shape)


def _grey_nits(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Intensity as the light of the equal grey."""
    return pq_to_nits(nits_to_intensity(light).astype(np.float64))


def _ratio(aim_nits: NDArray[np.float64], got_nits: NDArray[np.float64]) -> NDArray[np.float64]:
    """What black is multiplied by does not matter."""
    lit = got_nits > 0
    return np.where(lit, aim_nits / np.where(lit, got_nits, 1.0), 1.0)
