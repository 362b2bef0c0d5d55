"""Contrast sensitivity of the eye, from the published literature.

Luminance: P. G. J. Barten, "Contrast Sensitivity of the Human Eye and Its Effects on Image Quality", SPIE, 1999, chapter 3.
Chromatic: the fits used by P. Andersson et al., "FLIP: A Difference Evaluator for Alternating Images", Proc. ACM CGIT 3(2), 2020, table 1.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pairdiff.score.eye import EYE

FIELD_DEGREES = EYE.field_degrees
"""Size of the picture, visual degrees (own; `eye.EyeModel`)."""
MOST_DEGREES, MOST_CYCLES, INHIBITION_CYCLES = 12.0, 15.0, 7.0
"""Largest size and number of cycles over which the eye integrates, and frequency of lateral inhibition, cycles per degree (P. Barten
1999, equation 3.26)."""
SIGNAL_TO_NOISE, INTEGRATION_S, QUANTUM_EFFICIENCY, NEURAL_NOISE = 3.0, 0.1, 0.03, 3e-8
"""Least signal to noise that is seen, integration time in seconds, quantum efficiency, and neural noise in s deg^2 (P. Barten 1999,
equation 3.26)."""
PHOTONS = 1.2e6
"""Photons per second, square degree and troland (P. Barten 1999, table 3.2)."""
RED_GREEN = ((1.0, 0.0053), (0.0, 1.0))
"""Terms (a, b) of sensitivity a exp(-b f^2), f in cycles per degree (P. Andersson et al. 2020, table 1)."""
BLUE_YELLOW = ((34.1, 0.04), (13.5, 0.025))
"""The same of blue-yellow (P. Andersson et al. 2020, table 1)."""


def barten_sensitivity(
    cycles_per_degree: ArrayLike,
    *,
    sigma_degrees: ArrayLike,
    trolands: ArrayLike,
    field_degrees: float = FIELD_DEGREES,
    most_degrees: float = MOST_DEGREES,
    photons: float = PHOTONS,
) -> NDArray[np.float64]:
    """Contrast sensitivity of Barten's 1999 model, equation 3.26.

    Parameters
    ----------
    cycles_per_degree : spatial frequency, any shape.
    sigma_degrees : standard deviation of the line-spread function of the eye's optics, degrees.
    trolands : retinal illuminance.
    field_degrees : angular size of the object.
    most_degrees : largest size over which the eye integrates.
    photons : photon conversion factor, photons per second, square degree and troland.

    Returns
    -------
    Sensitivity (1 / threshold modulation), broadcast shape.
    """
    u = np.asarray(cycles_per_degree, np.float64)
    optics = optics_transfer(u, sigma_degrees=sigma_degrees)
    size = 1 / field_degrees**2 + 1 / most_degrees**2 + u**2 / MOST_CYCLES**2
    with np.errstate(divide="ignore"):
        inhibition = 1 - np.exp(-((u / INHIBITION_CYCLES) ** 2))
        noise = 1 / (QUANTUM_EFFICIENCY * photons * np.asarray(trolands, np.float64)) + NEURAL_NOISE / inhibition
    return np.asarray(optics / SIGNAL_TO_NOISE / np.sqrt(2 / INTEGRATION_S * size * noise), np.float64)


def pupil_millimetres(nits: ArrayLike, *, field_degrees: float = FIELD_DEGREES) -> NDArray[np.float64]:
    """Pupil diameter at a luminance, mm (Barten 1999, equation 3.9)."""
    return np.asarray(5 - 3 * np.tanh(0.4 * np.log10(np.maximum(nits, 1e-6) * field_degrees**2 / 40.0**2)), np.float64)


def optics_transfer(cycles_per_degree: ArrayLike, *, sigma_degrees: ArrayLike) -> NDArray[np.float64]:
    """Modulation transfer of a Gaussian blur, 1 at frequency zero (Barten 1999, equation 3.6)."""
    u = np.asarray(cycles_per_degree, np.float64)
    return np.asarray(np.exp(-2 * np.pi**2 * np.asarray(sigma_degrees, np.float64) ** 2 * u**2), np.float64)


def relative_sensitivity(cycles_per_degree: float, *, nits: ArrayLike, field_degrees: float = FIELD_DEGREES) -> NDArray[np.float64]:
    """Barten's sensitivity at a luminance over its own highest at that luminance, 0 to 1."""
    nits = np.asarray(nits, np.float64)
    pupil = pupil_millimetres(nits, field_degrees=field_degrees)
    trolands = np.pi * pupil**2 / 4 * nits * (1 - (pupil / 9.7) ** 2 + (pupil / 12.4) ** 4)
    sigma = np.hypot(0.5, 0.08 * pupil) / 60
    every = np.geomspace(0.3, 12, 48)
    peak = barten_sensitivity(every, sigma_degrees=sigma[..., None], trolands=trolands[..., None], field_degrees=field_degrees).max(-1)
    here = barten_sensitivity(cycles_per_degree, sigma_degrees=sigma, trolands=trolands, field_degrees=field_degrees)
    return np.asarray(here / peak, np.float64)


def chromatic_sensitivity(cycles_per_degree: ArrayLike, terms: tuple[tuple[float, float], tuple[float, float]]) -> NDArray[np.float64]:
    """Sensitivity of a chromatic channel relative to frequency zero: sum of a exp(-b f^2) (`RED_GREEN`, `BLUE_YELLOW`)."""
    f = np.asarray(cycles_per_degree, np.float64)
    total = sum(a for a, _ in terms)
    return np.asarray(sum(a * np.exp(-b * f**2) for a, b in terms) / total, np.float64)
