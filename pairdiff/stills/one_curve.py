"""The SDR picture through the one tone curve of the film: what a fixed conversion of the SDR release would show.

Beside the HDR picture it lets anyone see whether the HDR release holds more than such a curve gives. It is a picture made for that, and
none of either release.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray
from pairdiff.light.picture import light_difference, nits_to_intensity
from pairdiff.light.primaries import convert_primaries
from pairdiff.light.transfer import nits_to_pq, pq_to_nits

Way = Literal["intensity", "largest", "each"]
WAY_WORDS: Mapping[Way, str] = {
    "intensity": "by a gain from the intensity of each pixel",
    "largest": "by a gain from the largest component of each pixel",
    "each": "on each of R, G and B",
}
"""How a curve can be put on a picture. Conversions work in any of these ways, and `one_curve_residual_jnd` of `score` asks the same."""
ROUNDS = 4
"""Steps from a gain of the equal grey to one that gives the colour its intensity (own: the fifth changes no code of 8 bits)."""
HELD_SHARE = 0.999
"""Share of the HDR picture that an exposure has to hold (own: a single light does not darken the whole picture)."""


@dataclass(frozen=True, slots=True)
class ToneCurve:
    """The tone curve of the film, as `Tone` keeps it: cd/m2 of equal greys, rising."""

    sdr_nits: tuple[float, ...]
    hdr_nits: tuple[float, ...]


def apply_curve(sdr_nits: FloatArray, curve: ToneCurve, *, way: Way) -> NDArray[np.float32]:
    """Put the curve on a picture.

    Parameters
    ----------
    sdr_nits : float array, (row, column, 3)
        Linear BT.2020, cd/m2; negative values count as no light.
    curve : ToneCurve
        Two points or more.
    way : str
        `intensity`: every pixel gets the intensity that the curve has for its own, its components scaled alike. `largest`: the largest of
        its BT.709 components gets what the curve has for it, the others are scaled with it. `each`: every BT.709 component by itself.

    Returns
    -------
    float32 array, (row, column, 3)
        Linear BT.2020, cd/m2. Above the curve's end its last value holds; below its beginning, the gain it has there.

    Raises
    ------
    ValueError
        A curve of fewer than two points, or of two lengths.

    Notes
    -----
    Intensity: I of ICtCp, BT.2100-2 Table 7.
    """
    if not 2 <= len(curve.sdr_nits) == len(curve.hdr_nits):
        raise ValueError(f"a curve has two points or more, as many on both sides; got {len(curve.sdr_nits)} and {len(curve.hdr_nits)}")
    light = np.maximum(np.asarray(sdr_nits, np.float64), 0.0)
    if way == "intensity":
        aim_nits = _follow(curve, _grey_nits(light))
        for _ in range(ROUNDS):
            light *= _ratio(aim_nits, _grey_nits(light))[..., None]
        return light.astype(np.float32)
    channels = np.maximum(convert_primaries(light, source="bt2020", target="bt709"), 0.0)
    if way == "largest":
        largest = channels.max(axis=-1)
        return np.asarray(light * _ratio(_follow(curve, largest), largest)[..., None], np.float32)
    return np.asarray(convert_primaries(_follow(curve, channels), source="bt709", target="bt2020"), np.float32)


def apply_closest(sdr_nits: FloatArray, hdr_nits: FloatArray, curve: ToneCurve) -> tuple[NDArray[np.float32], Way]:
    """The picture by the way that comes closest to the HDR one, and which that is; arguments as for `apply_curve`."""
    drawn: list[tuple[Way, NDArray[np.float32]]] = [(way, apply_curve(sdr_nits, curve, way=way)) for way in WAY_WORDS]
    way, picture = min(drawn, key=lambda one: distance_jnd(one[1], hdr_nits))
    return picture, way


def _follow(curve: ToneCurve, nits: NDArray[np.float64]) -> NDArray[np.float64]:
    signal = np.interp(nits_to_pq(nits), nits_to_pq(np.array(curve.sdr_nits)), nits_to_pq(np.array(curve.hdr_nits)))
    first_nits = curve.sdr_nits[0]
    if first_nits <= 0:
        return pq_to_nits(signal)
    return np.where(nits < first_nits, nits * (curve.hdr_nits[0] / first_nits), pq_to_nits(signal))


def _grey_nits(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Intensity as the light of the equal grey."""
    return pq_to_nits(nits_to_intensity(light).astype(np.float64))


def _ratio(aim_nits: NDArray[np.float64], got_nits: NDArray[np.float64]) -> NDArray[np.float64]:
    """What black is multiplied by does not matter."""
    lit = got_nits > 0
    return np.where(lit, aim_nits / np.where(lit, got_nits, 1.0), 1.0)


def exposure_that_holds(rgb_nits: FloatArray, *, white_nits: float, stops: tuple[int, ...]) -> int:
    """The brightest of those exposures at which the picture is not clipped; the darkest where it is at all of them.

    Parameters
    ----------
    rgb_nits : float array, (row, column, 3)
        Linear BT.2020, cd/m2.
    white_nits : float
        Light that is the brightest at 0 stops, cd/m2.
    stops : tuple of int
        Exposures.
    """
    level = float(np.quantile(np.asarray(rgb_nits).max(axis=-1), HELD_SHARE))
    needed = math.log2(max(level / white_nits, 1e-9))
    return max((one for one in stops if -one >= needed), default=min(stops))


def distance_jnd(first_nits: FloatArray, second_nits: FloatArray) -> float:
    """Root mean square of dE_ITP (BT.2124-0 Annex 1) between two pictures, linear BT.2020, cd/m2, (row, column, 3)."""
    return float(np.sqrt(np.mean(np.square(light_difference(first_nits, second_nits), dtype=np.float64))))


def say_curved(stops_words: str, way: Way, *, as_set_jnd: float, curved_jnd: float) -> str:
    """Caption of the picture."""
    return (
        f"{stops_words}: the SDR picture with the film's one tone curve put on it (drawn under Over the film), {WAY_WORDS[way]}, the "
        f"closest of three ways; then as in the exposure bracket. From the HDR picture it lies {curved_jnd:.1f} JND away, the SDR picture "
        f"as the set shows it {as_set_jnd:.1f} JND (dE_ITP, BT.2124, root mean square over the picture at this size). It is made for this "
        "comparison and belongs to neither release."
    )
