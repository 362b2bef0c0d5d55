"""Transfer functions: PQ, HLG, BT.1886 and sRGB, exact in float64. Any shape; the fast float32 forms are in `picture.py`.

PQ is absolute and ends at 10 000 cd/m2; HLG and BT.1886 keep what lies above white.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pairdiff._errors import UsageError

PQ_PEAK_NITS = 10000.0
"""Light of PQ signal 1, cd/m2 (ST 2084:2014; BT.2100-2 Table 4)."""
PQ_M1, PQ_M2 = 2610 / 16384, 2523 / 4096 * 128
"""Exponents of PQ (ST 2084:2014; BT.2100-2 Table 4). Where H.264 Table E-4 is printed with 653/4096 for m1, the decimal beside it is the
right value."""
PQ_C1, PQ_C2, PQ_C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
"""Constants of PQ (ST 2084:2014; BT.2100-2 Table 4)."""

HLG_A, HLG_B, HLG_C = 0.17883277, 0.28466892, 0.55991073
"""Constants of HLG (BT.2100-2 Table 5, as printed)."""
LUMINANCE_WEIGHTS = (0.2627, 0.6780, 0.0593)
"""Luminance of linear BT.2020 R, G, B (BT.2100-2 Table 5, OOTF)."""

SRGB_BREAK, SRGB_LINEAR_BREAK = 0.04045, 0.0031308
"""Signal and light where sRGB turns from a line into a power (IEC 61966-2-1)."""


def pq_to_nits(code: ArrayLike) -> NDArray[np.float64]:
    """Decode PQ: signal to cd/m2.

    Parameters
    ----------
    code : array_like
        Signal, any shape. Above 1 counts as 1 (10 000 cd/m2), below 0 as 0: the function is defined on 0 to 1 only.

    Returns
    -------
    NDArray[np.float64]
        Light, cd/m2.

    Notes
    -----
    Source: ST 2084:2014; BT.2100-2 Table 4, reference EOTF.
    """
    root = np.clip(np.asarray(code, dtype=np.float64), 0.0, 1.0) ** (1 / PQ_M2)
    return np.asarray(PQ_PEAK_NITS * (np.maximum(root - PQ_C1, 0.0) / (PQ_C2 - PQ_C3 * root)) ** (1 / PQ_M1))


def nits_to_pq(nits: ArrayLike) -> NDArray[np.float64]:
    """Encode PQ: cd/m2 to signal.

    Parameters
    ----------
    nits : array_like
        Light, cd/m2, any shape. Above 10 000 counts as 10 000, below 0 as 0.

    Returns
    -------
    NDArray[np.float64]
        Signal; black is 7.3e-7, not 0.

    Notes
    -----
    Source: ST 2084:2014; BT.2100-2 Table 4, inverse EOTF.
    """
    power = (np.clip(np.asarray(nits, dtype=np.float64), 0.0, PQ_PEAK_NITS) / PQ_PEAK_NITS) ** PQ_M1
    return np.asarray(((PQ_C1 + PQ_C2 * power) / (1 + PQ_C3 * power)) ** PQ_M2)


def hlg_oetf(scene: ArrayLike) -> NDArray[np.float64]:
    """Encode HLG: scene light to signal, each component by itself.

    Parameters
    ----------
    scene : array_like
        Scene light, 0 to 1 and above; below 0 counts as 0.

    Returns
    -------
    NDArray[np.float64]
        Signal.

    Notes
    -----
    Source: BT.2100-2 Table 5, reference OETF.
    """
    light = np.maximum(np.asarray(scene, dtype=np.float64), 0.0)
    upper = HLG_A * np.log(np.maximum(12 * light, 1.0) - HLG_B) + HLG_C
    return np.asarray(np.where(light <= 1 / 12, np.sqrt(3 * light), upper))


def hlg_inverse_oetf(code: ArrayLike) -> NDArray[np.float64]:
    """Decode HLG to scene light; the inverse of `hlg_oetf`.

    Parameters
    ----------
    code : array_like
        Signal; super-white is kept, below 0 counts as 0.

    Returns
    -------
    NDArray[np.float64]
        Scene light, 1 at signal 1.

    Notes
    -----
    Source: BT.2100-2 Table 5, inverse OETF.
    """
    signal = np.maximum(np.asarray(code, dtype=np.float64), 0.0)
    upper = (np.exp((np.maximum(signal, 0.5) - HLG_C) / HLG_A) + HLG_B) / 12
    return np.asarray(np.where(signal <= 0.5, signal**2 / 3, upper))


def hlg_system_gamma(peak_nits: float, *, extended: bool = False) -> float:
    """Overall system gamma of HLG on a display of a given peak.

    Parameters
    ----------
    peak_nits : float
        Nominal peak of the display, cd/m2.
    extended : bool
        Use the extended form everywhere. It is used by itself outside 400 to 2000 cd/m2; at 400 the two differ by 0.011.

    Returns
    -------
    float
        1.2 at 1000 cd/m2.

    Raises
    ------
    UsageError
        For a peak that is not above 0.

    Notes
    -----
    Source: BT.2100-2 Table 5 note 5f: 1.2 + 0.42 log10(Lw / 1000) for 400 to 2000 cd/m2; extended: 1.2 x 1.111^log2(Lw / 1000).
    """
    _check_positive("peak_nits", peak_nits)
    if extended or not 400 <= peak_nits <= 2000:
        return float(1.2 * 1.111 ** math.log2(peak_nits / 1000))
    return 1.2 + 0.42 * math.log10(peak_nits / 1000)


def hlg_black_lift(peak_nits: float, black_nits: float) -> float:
    """Signal lift (beta) that puts HLG black at the display's black.

    Parameters
    ----------
    peak_nits, black_nits : float
        Of the display, cd/m2.

    Returns
    -------
    float
        beta, signal.

    Raises
    ------
    UsageError
        For a peak that is not above black, or a black below 0.

    Notes
    -----
    Source: BT.2100-2 Table 5: beta = sqrt(3 (Lb / Lw)^(1 / gamma)).
    """
    _check_black(peak_nits, black_nits)
    return math.sqrt(3 * (black_nits / peak_nits) ** (1 / hlg_system_gamma(peak_nits)))


def hlg_to_nits(code: ArrayLike, *, peak_nits: float = 1000.0, black_nits: float = 0.0) -> NDArray[np.float64]:
    """Decode HLG to display light. The system gamma acts on luminance, not on each component.

    Parameters
    ----------
    code : array_like
        (..., 3) BT.2020 R'G'B' signal; super-white is kept.
    peak_nits, black_nits : float
        Of the display, cd/m2.

    Returns
    -------
    NDArray[np.float64]
        (..., 3) linear BT.2020, cd/m2.

    Raises
    ------
    UsageError
        For a last axis that is not 3 long, or a display that cannot be.

    Notes
    -----
    Source: BT.2100-2 Table 5, reference EOTF and OOTF.
    """
    lift = hlg_black_lift(peak_nits, black_nits)
    scene = hlg_inverse_oetf(np.maximum((1 - lift) * _triplets(code) + lift, 0.0))
    return hlg_ootf(scene, peak_nits=peak_nits)


def hlg_ootf(scene: ArrayLike, *, peak_nits: float = 1000.0) -> NDArray[np.float64]:
    """Turn HLG scene light into display light.

    Parameters
    ----------
    scene : array_like
        (..., 3) linear BT.2020 scene light, 0 to 1 and above.
    peak_nits : float
        Peak of the display, cd/m2.

    Returns
    -------
    NDArray[np.float64]
        (..., 3) cd/m2.

    Raises
    ------
    UsageError
        For a last axis that is not 3 long, or a peak that is not above 0.

    Notes
    -----
    Source: BT.2100-2 Table 5: F_D = Lw Y_S^(gamma - 1) E.
    """
    light = _triplets(scene)
    luminance = np.maximum(light @ np.asarray(LUMINANCE_WEIGHTS), 0.0)
    return np.asarray(peak_nits * light * _power_or_zero(luminance, hlg_system_gamma(peak_nits) - 1)[..., None])


def nits_to_hlg(rgb_nits: ArrayLike, *, peak_nits: float = 1000.0, black_nits: float = 0.0) -> NDArray[np.float64]:
    """Encode display light as HLG; the inverse of `hlg_to_nits`.

    Parameters
    ----------
    rgb_nits : array_like
        (..., 3) linear BT.2020, cd/m2.
    peak_nits, black_nits : float
        Of the display, cd/m2.

    Returns
    -------
    NDArray[np.float64]
        (..., 3) signal, unclipped above.

    Raises
    ------
    UsageError
        For a last axis that is not 3 long, or a display that cannot be.

    Notes
    -----
    Source: BT.2100-2 Table 5, inverse OOTF and OETF.
    """
    lift = hlg_black_lift(peak_nits, black_nits)
    light = _triplets(rgb_nits) / peak_nits
    gamma = hlg_system_gamma(peak_nits)
    luminance = np.maximum(light @ np.asarray(LUMINANCE_WEIGHTS), 0.0)
    scene = light * _power_or_zero(luminance, (1 - gamma) / gamma)[..., None]
    return np.asarray((hlg_oetf(scene) - lift) / (1 - lift))


def bt1886_to_nits(code: ArrayLike, *, white_nits: float = 100.0, gamma: float = 2.4, black_nits: float = 0.0) -> NDArray[np.float64]:
    """Decode SDR by BT.1886: signal to cd/m2.

    Parameters
    ----------
    code : array_like
        Signal, any shape; super-white is kept, below black counts as black.
    white_nits, black_nits : float
        Of the display, cd/m2.
    gamma : float
        2.4 by the standard.

    Returns
    -------
    NDArray[np.float64]
        Light, cd/m2.

    Raises
    ------
    UsageError
        For a white that is not above black, a black below 0, or a gamma that is not above 0.

    Notes
    -----
    Source: BT.1886-0 Annex 1: L = a max(V + b, 0)^gamma.
    """
    gain, offset = _bt1886_gain_and_offset(white_nits, gamma, black_nits)
    return np.asarray(gain * np.maximum(np.asarray(code, dtype=np.float64) + offset, 0.0) ** gamma)


def nits_to_bt1886(nits: ArrayLike, *, white_nits: float = 100.0, gamma: float = 2.4, black_nits: float = 0.0) -> NDArray[np.float64]:
    """Encode light as an SDR signal; the inverse of `bt1886_to_nits`.

    Parameters
    ----------
    nits : array_like
        Light, cd/m2, any shape; below 0 counts as 0.
    white_nits, black_nits : float
        Of the display, cd/m2.
    gamma : float
        2.4 by the standard.

    Returns
    -------
    NDArray[np.float64]
        Signal.

    Raises
    ------
    UsageError
        As `bt1886_to_nits`.

    Notes
    -----
    Source: BT.1886-0 Annex 1.
    """
    gain, offset = _bt1886_gain_and_offset(white_nits, gamma, black_nits)
    return np.asarray((np.maximum(np.asarray(nits, dtype=np.float64), 0.0) / gain) ** (1 / gamma) - offset)


def srgb_to_linear(code: ArrayLike) -> NDArray[np.float64]:
    """Decode sRGB to relative light, white 1.

    Parameters
    ----------
    code : array_like
        Signal, any shape; the linear part runs on below 0.

    Returns
    -------
    NDArray[np.float64]
        Relative light.

    Notes
    -----
    Source: IEC 61966-2-1.
    """
    signal = np.asarray(code, dtype=np.float64)
    upper = ((np.maximum(signal, 0.0) + 0.055) / 1.055) ** 2.4
    return np.asarray(np.where(signal <= SRGB_BREAK, signal / 12.92, upper))


def linear_to_srgb(linear: ArrayLike) -> NDArray[np.float64]:
    """Encode relative light as sRGB; the inverse of `srgb_to_linear`.

    Parameters
    ----------
    linear : array_like
        Relative light, white 1; the linear part runs on below 0.

    Returns
    -------
    NDArray[np.float64]
        Signal.

    Notes
    -----
    Source: IEC 61966-2-1.
    """
    light = np.asarray(linear, dtype=np.float64)
    upper = 1.055 * np.maximum(light, 0.0) ** (1 / 2.4) - 0.055
    return np.asarray(np.where(light <= SRGB_LINEAR_BREAK, light * 12.92, upper))


def _bt1886_gain_and_offset(white_nits: float, gamma: float, black_nits: float) -> tuple[float, float]:
    """`a` and `b` of BT.1886-0 Annex 1."""
    _check_positive("gamma", gamma)
    _check_black(white_nits, black_nits)
    if black_nits == 0:
        return white_nits, 0.0  # the same, without the rounding of a root and its power
    white, black = white_nits ** (1 / gamma), black_nits ** (1 / gamma)
    return (white - black) ** gamma, black / (white - black)


def _power_or_zero(base: NDArray[np.float64], exponent: float) -> NDArray[np.float64]:
    """`base ** exponent`, and 0 where the base is 0 whatever the exponent."""
    lit = base > 0
    return np.asarray(np.where(lit, np.where(lit, base, 1.0) ** exponent, 0.0))


def _check_positive(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0):
        raise UsageError(f"{name} must be a number above 0; got {value}.")


def _check_black(peak_nits: float, black_nits: float) -> None:
    _check_positive("peak", peak_nits)
    if not 0 <= black_nits < peak_nits:
        raise UsageError(f"The display's black must be 0 or more and below its peak of {peak_nits} cd/m2; got {black_nits}.")


def _triplets(values: ArrayLike) -> NDArray[np.float64]:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim == 0 or array.shape[-1] != 3:
        raise UsageError(f"The last axis must hold R, G and B; the array has shape {array.shape}.")
    return array
