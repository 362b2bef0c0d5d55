"""The grades of the invented film and the transfer functions they need.

Everything here is written apart from the measuring part of the package, so that nothing is compared with itself. Functions are exact
(float64, any shape); `tabulate` turns them into the tables that the kernels look up.

    scene light (BT.2020) --look--> display light, 1 = SDR white --+--> SDR:  BT.709, shoulder, clip, BT.1886
                                                                   +--> HDR:  one grade for each pair --> cd/m2 --> PQ
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

PAIRS: tuple[str, ...] = ("container", "restrained", "wider", "stretched", "regraded")
"""HDR releases that the demo can make."""

CONTAINER_WHITE_NITS, CONTAINER_GAMMA = 180.0, 2.3
"""The set-up that is planted in `container`: an SDR set at this white and gamma shows the very same light."""

RESTRAINED_WHITE_NITS = 140.0
WIDER_WHITE_NITS = 150.0
STRETCHED_WHITE_NITS = 160.0
REGRADED_WHITE_NITS = 150.0
SDR_GAMMA = 2.4
WIDER_PEAK_NITS = 1000.0
STRETCHED_PEAK_NITS = 800.0

XY = {
    "bt709": ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060)),
    "p3-d65": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
    "bt2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
}
"""Chromaticities of BT.709-6, SMPTE EG 432-1 (with D65) and BT.2020-2."""
D65 = (0.3127, 0.3290)


def _to_xyz(name: str) -> Floats:
    """RGB to XYZ for a set of primaries with D65 white."""
    columns = np.array([(x / y, 1.0, (1 - x - y) / y) for x, y in XY[name]]).T
    white = np.array([D65[0] / D65[1], 1.0, (1 - D65[0] - D65[1]) / D65[1]])
    return np.asarray(columns * np.linalg.solve(columns, white))


BT709_TO_BT2020 = np.linalg.solve(_to_xyz("bt2020"), _to_xyz("bt709"))
BT2020_TO_BT709 = np.linalg.inv(BT709_TO_BT2020)
P3_TO_BT2020 = np.linalg.solve(_to_xyz("bt2020"), _to_xyz("p3-d65"))
BT709_LUMINANCE = _to_xyz("bt709")[1]


def light_to_pq(nits: Floats) -> Floats:
    """Signal 0-1 of absolute light in cd/m2: inverse EOTF of SMPTE ST 2084, in the standard's exact fractions."""
    m1, m2 = 2610 / 16384, 2523 / 4096 * 128
    c1, c2, c3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
    power = (np.clip(nits, 0, 10000) / 10000.0) ** m1
    return np.asarray(((c1 + c2 * power) / (1 + c3 * power)) ** m2)


def light_to_sdr(light: Floats) -> Floats:
    """Signal 0-1 of display light relative to white: inverse of BT.1886 with black 0."""
    return np.asarray(np.clip(light, 0, None) ** (1 / SDR_GAMMA))


def apply_look(scene: Floats) -> Floats:
    """The colourist's contrast, common to all grades: scene light to display light in units of SDR white, no ceiling."""
    return np.asarray(0.19 * (np.maximum(scene, 0) / 0.18) ** 1.12)


def shoulder_sdr(light: Floats) -> Floats:
    """SDR: as it is up to 0.7, a short shoulder up to 1.3, clipped at 1 from there on."""
    t = np.clip((light - 0.7) / 0.6, 0, 1)
    return np.asarray(np.where(light <= 0.7, light, 0.7 + 0.3 * (2.0 * t - 1.6 * t**2 + 0.6 * t**3)))


def shoulder_restrained(light: Floats) -> Floats:
    """Restrained HDR: as it is up to 0.7, then slowly towards 1.6 x SDR white."""
    over = np.maximum(light - 0.7, 0)
    return np.asarray(np.minimum(light, 0.7) + over / (1 + over / 0.9))


def shoulder_wider(light: Floats) -> Floats:
    """Wider HDR: as it is up to 1.2, then slowly towards the peak of the mastering display."""
    over = np.maximum(light - 1.2, 0)
    rolled = np.minimum(light, 1.2) + over / (1 + over / 5.8)
    return np.asarray(np.minimum(rolled, WIDER_PEAK_NITS / WIDER_WHITE_NITS))


def expand(light: Floats) -> Floats:
    """Stretched: one fixed curve, as it is up to 0.5 (signal 0.75), from there on ever steeper up to the peak."""
    top = STRETCHED_PEAK_NITS / STRETCHED_WHITE_NITS
    return np.asarray(light + (top - 1) * np.clip((light - 0.5) / 0.5, 0, None) ** 5)


def soften_top(light: Floats) -> Floats:
    """Regraded: as it is up to 0.5, at a lower slope from there on, so that whites stay below SDR white."""
    return np.asarray(light - 0.35 * np.maximum(light - 0.5, 0))


@dataclass(frozen=True, slots=True)
class Regrade:
    """The other colourist's settings for one shot."""

    power: tuple[float, float, float]
    """Exponent on each BT.709 channel; above 1 darkens the mid-tones."""
    gain: tuple[float, float, float]
    """Gain of each channel, 1 at most, so that nothing rises above SDR white."""
    saturation: float
    """1 keeps the colours, 0 is grey."""


REGRADES: dict[str, Regrade] = {
    "quay": Regrade((0.86, 0.91, 0.98), (0.80, 0.76, 0.66), 1.0),
    "sun": Regrade((0.94, 0.96, 0.89), (0.76, 0.77, 0.82), 0.8),
    "signs": Regrade((0.90, 0.82, 0.80), (0.72, 0.76, 0.80), 0.8),
    "cabin": Regrade((0.84, 0.88, 0.96), (0.82, 0.77, 0.66), 1.0),
    "moor": Regrade((0.93, 0.88, 0.82), (0.76, 0.79, 0.83), 0.85),
    "card": Regrade((0.95, 1.0, 1.05), (0.80, 0.76, 0.68), 1.0),
}


def map_to_bt709(light: Floats) -> Floats:
    """BT.2020 light in BT.709 components, what lies outside drawn towards grey of equal luminance until it lies on the edge."""
    inside = light @ BT2020_TO_BT709.T
    grey = (inside @ BT709_LUMINANCE)[..., None]
    low = np.minimum(inside.min(axis=-1, keepdims=True), 0)
    keep = np.where(low < 0, grey / np.maximum(grey - low, 1e-12), 1.0)
    return np.asarray(np.maximum(grey + (inside - grey) * keep, 0))


def channel_curves(pair: str, *, shot: str) -> tuple[Callable[[Floats], Floats], ...]:
    """Curves of the three channels of a grade made in BT.709: display light before the SDR shoulder to cd/m2."""
    if pair == "container":
        return (lambda v: CONTAINER_WHITE_NITS * light_to_sdr(shoulder_sdr(v)) ** CONTAINER_GAMMA,) * 3
    if pair == "restrained":
        return (lambda v: RESTRAINED_WHITE_NITS * shoulder_restrained(v),) * 3
    if pair == "stretched":
        return (lambda v: STRETCHED_WHITE_NITS * expand(shoulder_sdr(v)),) * 3
    regrade = REGRADES[shot]
    return tuple(
        lambda v, p=power, g=gain: REGRADED_WHITE_NITS * soften_top(g * shoulder_sdr(v) ** p)
        for power, gain in zip(regrade.power, regrade.gain, strict=True)
    )


def mix_matrix(pair: str, *, shot: str) -> Floats:
    """BT.709 to BT.2020, with the other colourist's saturation where there is one."""
    amount = REGRADES[shot].saturation if pair == "regraded" else 1.0
    grey = np.broadcast_to(BT709_LUMINANCE, (3, 3))
    return np.asarray(BT709_TO_BT2020 @ (amount * np.eye(3) + (1 - amount) * grey))


def grade_sdr(scene: Floats) -> Floats:
    """SDR release before it is quantised: BT.709 signal 0-1.

    Parameters
    ----------
    scene : array (..., 3)
        Scene-linear BT.2020 light.
    """
    return light_to_sdr(shoulder_sdr(map_to_bt709(apply_look(scene))))


def grade_hdr(scene: Floats, pair: str, *, shot: str) -> Floats:
    """HDR release before it is quantised: BT.2020 light in cd/m2.

    Parameters
    ----------
    scene : array (..., 3)
        Scene-linear BT.2020 light.
    pair : str
        One of `PAIRS`.
    shot : str
        Name of the shot (`regraded` differs from shot to shot).
    """
    look = apply_look(scene)
    if pair == "wider":
        return np.asarray(WIDER_WHITE_NITS * shoulder_wider(look))
    inside = map_to_bt709(look)
    curves = channel_curves(pair, shot=shot)
    graded = np.stack([curve(inside[..., k]) for k, curve in enumerate(curves)], axis=-1)
    return np.asarray(graded @ mix_matrix(pair, shot=shot).T)


TABLE_SIZE = 4096
SCENE_TOP = 160.0
LIGHT_TOP = 400.0
NITS_TOP = 10000.0


def tabulate(curve: Callable[[Floats], Floats], *, top: float) -> NDArray[np.float32]:
    """Table of a curve over 0 to `top`, evenly spaced in the fourth root of the input."""
    return np.asarray(curve(top * np.linspace(0, 1, TABLE_SIZE) ** 4), dtype=np.float32)
