"""Fast float32 forms for whole pictures; they agree with the exact functions beside them.

Largest errors against the exact float64 functions, each tested: PQ and BT.1886 decoding 1e-5 of the light above 0.001 cd/m2;
PQ signal 2e-6; dE_ITP 0.01. Not a number counts as black.
"""

from __future__ import annotations

from functools import cache, lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pairdiff._errors import UsageError
from pairdiff._records import FloatArray
from pairdiff.light import _kernels
from pairdiff.light.display import Display, apply_eetf
from pairdiff.light.ictcp import JND_SCALE, LMS_TO_ICTCP_PQ, RGB_TO_LMS
from pairdiff.light.primaries import conversion_matrix
from pairdiff.light.transfer import (
    HLG_A,
    HLG_B,
    HLG_C,
    LUMINANCE_WEIGHTS,
    PQ_PEAK_NITS,
    bt1886_to_nits,
    hlg_system_gamma,
    linear_to_srgb,
    nits_to_pq,
    pq_to_nits,
    srgb_to_linear,
)

Picture = NDArray[np.float32]
PQ_POINTS_PER_CODE = 65536
"""Table steps over PQ signal 0 to 1."""
POWER_POINTS, POWER_END = 65536, 2.5
"""Table steps of `power_decoding`, and the signal of the last: mixed from the widest codes, blue comes to 2.1."""
SRGB_STEP = 1 / (255 * 12.92)
"""Light of one 8-bit sRGB code next to black."""


class OctaveTable(NamedTuple):
    """A function sampled evenly within each octave of its input; see `_kernels.py`."""

    table: Picture
    low: np.float32
    high: np.float32
    first_bits: int
    shift: int


def hdr_code_to_nits(code: FloatArray, *, transfer: str, primaries: str, hlg_peak_nits: float) -> Picture:
    """Decode an HDR picture to light.

    Parameters
    ----------
    code : FloatArray
        (row, column, 3), or more leading axes: R'G'B' signal, unclipped.
    transfer : {"pq", "hlg"}
        PQ holds codes above 1 at 10 000 cd/m2; HLG keeps super-white and shows it at the display's own peak. Below 0 counts as 0.
    primaries : {"bt709", "p3-d65", "bt2020"}
        Of the code; for HLG they are changed before the OOTF.
    hlg_peak_nits : float
        Peak of the display an HLG picture is shown on, cd/m2; black is 0.

    Returns
    -------
    Picture
        Linear BT.2020, cd/m2, float32, same shape.

    Raises
    ------
    UsageError
        For a transfer that is no HDR transfer, primaries that are not known, or an array that is no picture.

    Notes
    -----
    Source: ST 2084:2014; BT.2100-2 Tables 4 and 5.
    """
    flat, shape = _flat(code)
    out = np.empty_like(flat)
    matrix = conversion_matrix(primaries, "bt2020")
    if transfer == "pq":
        mix = primaries != "bt2020"
        _kernels.decode_even(flat, pq_decoding(), np.float32(PQ_POINTS_PER_CODE), matrix.astype(np.float32), mix, out)
    elif transfer == "hlg":
        constants = np.array([HLG_A, HLG_B, HLG_C, *LUMINANCE_WEIGHTS])
        _kernels.decode_hlg(flat, constants, np.ascontiguousarray(matrix), float(hlg_peak_nits), hlg_system_gamma(hlg_peak_nits) - 1.0, out)
    else:
        raise UsageError(f"Transfer {transfer!r} is no HDR transfer; use pq or hlg (--hdr-transfer).")
    return out.reshape(shape)


def sdr_code_to_nits(code: FloatArray, *, white_nits: float, gamma: float) -> Picture:
    """Decode an SDR picture to light on a display with black 0.

    Parameters
    ----------
    code : FloatArray
        (row, column, 3), or more leading axes: BT.709 R'G'B' signal. Below 0 counts as 0; super-white is kept up to signal 4.
    white_nits : float
        Light of signal 1, cd/m2.
    gamma : float
        Exponent, 2.4 by BT.1886.

    Returns
    -------
    Picture
        Linear BT.2020, cd/m2, float32, same shape.

    Raises
    ------
    UsageError
        For a white or gamma that is not above 0, or an array that is no picture.

    Notes
    -----
    Source: BT.1886-0 Annex 1; BT.2087-0.
    """
    flat, shape = _flat(code)
    matrix = white_nits * conversion_matrix("bt709", "bt2020")
    bt1886_to_nits(1.0, white_nits=white_nits, gamma=gamma)  # refuses what cannot be
    out = np.empty_like(flat)
    _kernels.decode_octaves(flat, *_power_table(float(gamma)), matrix.astype(np.float32), True, out)
    return out.reshape(shape)


def p3_to_bt709_code(code: FloatArray) -> tuple[Picture, float]:
    """An SDR picture of Display P3 with the primaries of BT.709, sRGB-coded as it was.

    Parameters
    ----------
    code : FloatArray
        (row, column, 3) R'G'B' of P3-D65, 0 to 1.

    Returns
    -------
    tuple[Picture, float]
        The picture, colours outside BT.709 cut at its edge; and the share of pixels that had any by more than one 8-bit code.

    Notes
    -----
    Source: SMPTE EG 432-1 (P3-D65), IEC 61966-2-1 (sRGB transfer, which Display P3 has). White and greys stay as they are.
    """
    return linear_to_bt709_code(srgb_to_linear(code), source="p3-d65")


def linear_to_bt709_code(linear: FloatArray, *, source: str) -> tuple[Picture, float]:
    """Light as an SDR picture of BT.709, sRGB-coded.

    Parameters
    ----------
    linear : FloatArray
        (row, column, 3) linear light, 1 at SDR white.
    source : {"bt709", "p3-d65", "bt2020"}
        Its primaries.

    Returns
    -------
    tuple[Picture, float]
        The picture, colours outside BT.709 and light above white cut at its edge; and the share of pixels that had any by more than one
        8-bit code.

    Notes
    -----
    Source: BT.2407-0 section 2, IEC 61966-2-1.
    """
    linear = linear @ conversion_matrix(source, "bt709").T
    outside = (linear < -SRGB_STEP) | (linear > 1 + SRGB_STEP)
    return linear_to_srgb(np.clip(linear, 0, 1)).astype(np.float32), float(outside.any(-1).mean())


def nits_to_pq_picture(nits: FloatArray) -> Picture:
    """Encode light as PQ signal.

    Parameters
    ----------
    nits : FloatArray
        cd/m2, any shape.

    Returns
    -------
    Picture
        Signal, float32, same shape, within 2e-6 of `nits_to_pq`.

    Notes
    -----
    Source: ST 2084:2014.
    """
    flat = np.ascontiguousarray(nits, dtype=np.float32).reshape(-1)
    out = np.empty_like(flat)
    _kernels.encode_octaves(flat, *pq_encoding(), out)
    return out.reshape(np.shape(nits))


def nits_to_itp(rgb_nits: FloatArray) -> Picture:
    """Turn light into I, T, P: the coordinates in which dE_ITP is a plain distance times 720.

    Parameters
    ----------
    rgb_nits : FloatArray
        (row, column, 3), or more leading axes: linear BT.2020, cd/m2.

    Returns
    -------
    Picture
        Same shape: I, T = Ct / 2, P = Cp.

    Raises
    ------
    UsageError
        For an array that is no picture.

    Notes
    -----
    Source: BT.2100-2 Table 7; BT.2124-0 Annex 1.
    """
    flat, shape = _flat(rgb_nits)
    out = np.empty_like(flat)
    _kernels.nits_to_itp(flat, RGB_TO_LMS.astype(np.float32), _ITP_MATRIX, *pq_encoding(), out)
    return out.reshape(shape)


def nits_to_itp_planes(rgb_nits: FloatArray, *, gain: float = 1.0, veil_nits: float = 0.0, out: Picture | None = None) -> Picture:
    """Turn light into planes of I, T and P, for measures that look at them one by one.

    Parameters
    ----------
    rgb_nits : FloatArray
        (row, column, 3) linear BT.2020, cd/m2.
    gain : float
        What the light is multiplied by first: a white of one picture serves for all others of the same gamma.
    veil_nits : float
        Neutral light that is added then, cd/m2.
    out : Picture, optional
        Where to write; memory that was just asked for costs as much as the measure itself.

    Returns
    -------
    Picture
        (3, row, column), float32: the values of `nits_to_itp`.

    Raises
    ------
    UsageError
        For an array that is no picture.

    Notes
    -----
    Source: BT.2100-2 Table 7; BT.2124-0 Annex 1.
    """
    flat, shape = _flat(rgb_nits)
    planes = np.empty((3, *shape[:-1]), np.float32) if out is None else out
    matrix, flat_planes = RGB_TO_LMS.astype(np.float32), planes.reshape(3, -1)
    _kernels.nits_to_itp_planes(flat, np.float32(gain), np.float32(veil_nits), matrix, _ITP_MATRIX, *_pq_steps(), flat_planes)
    return planes


def nits_to_intensity(rgb_nits: FloatArray) -> Picture:
    """Turn light into I of I, T, P alone.

    Parameters
    ----------
    rgb_nits : FloatArray
        (row, column, 3), or more leading axes: linear BT.2020, cd/m2.

    Returns
    -------
    Picture
        (row, column), float32: the first component of `nits_to_itp`.

    Raises
    ------
    UsageError
        For an array that is no picture.

    Notes
    -----
    Source: BT.2100-2 Table 7.
    """
    flat, shape = _flat(rgb_nits)
    out = np.empty(flat.shape[0], np.float32)
    _kernels.nits_to_intensity(flat, RGB_TO_LMS.astype(np.float32), *pq_encoding(), out)
    return out.reshape(shape[:-1])


def mix_to_pq_jnd(rgb_nits: FloatArray, weights: ArrayLike) -> Picture:
    """PQ signal x 720 of one weighted sum of R, G and B: a component in other primaries, or luminance.

    Parameters
    ----------
    rgb_nits : FloatArray
        (row, column, 3), or more leading axes: linear BT.2020, cd/m2.
    weights : array_like
        Three weights.

    Returns
    -------
    Picture
        (row, column), float32, within 0.002 of `nits_to_pq` x 720; sums below 0 count as 0.

    Raises
    ------
    UsageError
        For an array that is no picture.

    Notes
    -----
    Source: ST 2084:2014; 720 from BT.2124-0 Annex 1.
    """
    flat, shape = _flat(rgb_nits)
    out = np.empty(flat.shape[0], np.float32)
    _kernels.encode_mix(flat, np.asarray(weights, np.float32), np.float32(JND_SCALE), *pq_encoding(), out)
    return out.reshape(shape[:-1])


def itp_difference(first: FloatArray, second: FloatArray) -> Picture:
    """dE_ITP of two pictures in I, T, P.

    Parameters
    ----------
    first, second : FloatArray
        (row, column, 3), or more leading axes, as `nits_to_itp` gives them; same shape.

    Returns
    -------
    Picture
        (row, column), float32.

    Raises
    ------
    UsageError
        For pictures of different shape.

    Notes
    -----
    Source: BT.2124-0 Annex 1.
    """
    one, two, shape = _flat_pair(first, second)
    out = np.empty(one.shape[0], dtype=np.float32)
    _kernels.itp_difference(one, two, np.float32(JND_SCALE), out)
    return out.reshape(shape[:-1])


def light_difference(first: FloatArray, second: FloatArray) -> Picture:
    """dE_ITP of two pictures in light, exact: for maps that are shown; `itp_difference` is the fast form for sums over pictures.

    Parameters
    ----------
    first, second : FloatArray
        (row, column, 3), or more leading axes: linear BT.2020, cd/m2; same shape.

    Returns
    -------
    Picture
        (row, column), float32, within 1e-4 of the exact value.

    Raises
    ------
    UsageError
        For pictures of different shape.

    Notes
    -----
    Source: BT.2124-0 Annex 1; BT.2100-2 Table 7.
    """
    one, two, shape = _flat_pair(first, second)
    out = np.empty(one.shape[0], dtype=np.float32)
    _kernels.light_difference(one, two, RGB_TO_LMS, _ITP_MATRIX_EXACT, JND_SCALE, out)
    return out.reshape(shape[:-1])


def code_level(code: FloatArray) -> Picture:
    """Largest of the three components of each pixel: signal or light, in the unit it came in.

    Parameters
    ----------
    code : FloatArray
        (row, column, 3), or more leading axes.

    Returns
    -------
    Picture
        (row, column), float32.

    Raises
    ------
    UsageError
        For an array that is no picture.
    """
    flat, shape = _flat(code)
    out = np.empty(flat.shape[0], dtype=np.float32)
    _kernels.largest_component(flat, out)
    return out.reshape(shape[:-1])


def show_hdr_picture(rgb_nits: FloatArray, *, display: Display, source_peak_nits: float) -> Picture:
    """Show PQ light on a display, fast; the float32 form of `display.show_hdr`.

    Parameters
    ----------
    rgb_nits : FloatArray
        (row, column, 3), or more leading axes: linear BT.2020, cd/m2.
    display : Display
        Where it is shown; its peak counts here, its black comes with `add_veil`.
    source_peak_nits : float
        Peak of the content, cd/m2.

    Returns
    -------
    Picture
        cd/m2, float32, same shape; the input itself is copied where the display reaches the source peak.

    Raises
    ------
    UsageError
        For an array that is no picture or a peak that cannot be.

    Notes
    -----
    Source: BT.2408-8 Annex 5 on max(R, G, B) with zero black.
    """
    flat, shape = _flat(rgb_nits)
    if source_peak_nits <= display.peak_nits:
        return flat.reshape(shape).copy()
    out = np.empty_like(flat)
    gains = _roll_off(float(source_peak_nits), float(display.peak_nits))
    _kernels.scale_by_largest(flat, *gains, np.float32(display.peak_nits), out)
    return out.reshape(shape)


def hlg_to_peak(rgb_nits: FloatArray, *, from_nits: float, to_nits: float) -> Picture:
    """Show HLG light that was decoded for one display on another: the scene's light through that display's own OOTF.

    Parameters
    ----------
    rgb_nits : FloatArray
        (row, column, 3), or more leading axes: linear BT.2020 as shown at a peak of `from_nits`, cd/m2.
    from_nits, to_nits : float
        Peaks of both displays, cd/m2.

    Returns
    -------
    Picture
        cd/m2, float32, same shape.

    Raises
    ------
    UsageError
        For an array that is no picture or a peak that cannot be.

    Notes
    -----
    Source: BT.2100-2 Table 5: display light = peak x Ys^(gamma - 1) x scene light, gamma by the peak; so Ys = (Y / peak)^(1 / gamma).
    """
    flat, shape = _flat(rgb_nits)
    first, second = hlg_system_gamma(from_nits), hlg_system_gamma(to_nits)
    scene = np.maximum(flat @ np.asarray(LUMINANCE_WEIGHTS, np.float32) / np.float32(from_nits), np.float32(1e-9)) ** np.float32(1 / first)
    gain = np.float32(to_nits / from_nits) * scene ** np.float32(second - first)
    return np.asarray((flat * gain[:, None]).reshape(shape), np.float32)


_ITP_MATRIX_EXACT = LMS_TO_ICTCP_PQ * np.array([[1.0], [0.5], [1.0]])
_ITP_MATRIX = _ITP_MATRIX_EXACT.astype(np.float32)


@lru_cache(maxsize=1)
def pq_encoding() -> OctaveTable:
    """Table of cd/m2 to PQ signal, 256 points an octave from 2^-48 cd/m2 (below it the signal is within 1e-6 of black's).

    Returns
    -------
    OctaveTable
        For the kernels.
    """
    points = octave_points(-48, 14, 15)
    values = nits_to_pq(points)
    # The step across 10 000 cd/m2 must not bend, so its far point runs on in a straight line; from 10 000 on the last entry counts.
    beyond = int(np.searchsorted(points, PQ_PEAK_NITS))
    values[beyond] = 1 + (1 - values[beyond - 1]) * (points[beyond] - PQ_PEAK_NITS) / (PQ_PEAK_NITS - points[beyond - 1])
    values[0] = nits_to_pq(0.0)
    return _octave_table(points, values, shift=15)._replace(high=np.float32(PQ_PEAK_NITS))


@lru_cache(maxsize=1)
def _pq_steps() -> OctaveTable:
    """`pq_encoding` with each entry beside what the next one is above it, (entry, 2); the last stands alone."""
    found = pq_encoding()
    return found._replace(table=np.stack([found.table, np.append(np.diff(found.table), np.float32(0))], 1))


def octave_points(first: int, last: int, shift: int) -> NDArray[np.float64]:
    """Inputs at which an octave table holds its values, from 2^first to 2^last.

    Parameters
    ----------
    first, last : int
        Exponents of 2.
    shift : int
        Low bits of the float32 that interpolation takes; 15 leaves 256 points an octave.

    Returns
    -------
    NDArray[np.float64]
        Rising.
    """
    start, stop = (int(np.float32(2.0**k).view(np.int32)) for k in (first, last))
    return np.arange(start, stop + 1, 1 << shift, dtype=np.int32).view(np.float32).astype(np.float64)


def _octave_table(points: NDArray[np.float64], values: NDArray[np.float64], *, shift: int) -> OctaveTable:
    first, last = np.float32(points[0]), np.float32(points[-1])
    return OctaveTable(values.astype(np.float32), first, last, int(first.view(np.int32)), shift)


@lru_cache(maxsize=1)
def pq_decoding() -> Picture:
    """Table of PQ signal to cd/m2, `PQ_POINTS_PER_CODE` steps from signal 0 to 1.

    Returns
    -------
    Picture
        float32, for the kernels.
    """
    return pq_to_nits(np.arange(PQ_POINTS_PER_CODE + 1) / PQ_POINTS_PER_CODE).astype(np.float32)


@cache
def power_decoding(gamma: float) -> Picture:
    """Table of signal ** gamma at even steps from 0 to `POWER_END`, float32, for the kernels."""
    return ((np.arange(POWER_POINTS + 1) * (POWER_END / POWER_POINTS)) ** gamma).astype(np.float32)


@lru_cache(maxsize=64)
def _power_table(gamma: float) -> OctaveTable:
    """Table of signal ** gamma, 1024 points an octave from 2^-16 to 4; the first entry is 0, so that black stays black."""
    points = octave_points(-16, 2, 13)
    values = points**gamma
    values[0] = 0.0
    return _octave_table(points, values, shift=13)


@lru_cache(maxsize=32)
def _roll_off(source_peak_nits: float, target_peak_nits: float) -> OctaveTable:
    """Gain by the largest component, 1024 points an octave from 2^-10 to 2^14 cd/m2."""
    points = octave_points(-10, 14, 13)
    grey = np.repeat(points[:, None], 3, axis=1)
    shown = apply_eetf(grey, source_peak_nits=source_peak_nits, target_peak_nits=target_peak_nits)[:, 0]
    table = _octave_table(points, shown / points, shift=13)
    return table._replace(high=np.float32(source_peak_nits))


def _flat_pair(first: FloatArray, second: FloatArray) -> tuple[Picture, Picture, tuple[int, ...]]:
    one, shape = _flat(first)
    two, other = _flat(second)
    if shape != other:
        raise UsageError(f"The two pictures must have one shape; they have {shape} and {other}.")
    return one, two, shape


def _flat(picture: FloatArray) -> tuple[Picture, tuple[int, ...]]:
    array = np.ascontiguousarray(picture, dtype=np.float32)
    if array.ndim < 2 or array.shape[-1] != 3:
        raise UsageError(f"A picture is (row, column, 3); the array has shape {array.shape}.")
    return array.reshape(-1, 3), array.shape
