"""Integer codes and the signal they stand for; R'G'B' and Y'CbCr.

Sources: BT.2100-2 Table 9 and H.264 (08/2021) E.2.1 equations E-10 to E-19 (quantisation), BT.709-6 item 3, BT.2020-2 Table 4,
BT.601-7 item 2.5 (luma weights), H.265 (08/2021) E.3.1 (chroma siting).
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pairdiff._errors import SignalUnresolved, UsageError

LUMA_WEIGHTS: dict[str, tuple[float, float]] = {
    "bt709": (0.2126, 0.0722),
    "bt2020-ncl": (0.2627, 0.0593),
    "bt601": (0.299, 0.114),
}
"""Kr and Kb of each matrix; Kg is what is left of 1."""

SITINGS: tuple[str, ...] = ("left", "centre", "top-left")
"""Chroma sample location types 0, 1 and 2 of H.264 and H.265."""


def signal_to_code(signal: ArrayLike, *, bit_depth: int, code_range: str, component: str) -> NDArray[np.int64]:
    """Quantise a signal to integer codes, rounding half up.

    The result is held inside 0 to 2^n - 1, as the equations themselves do (`Clip1`); nothing else is clipped, so super-white
    and sub-black survive.

    Parameters
    ----------
    signal : array_like
        Any shape. Luma and R', G', B': 0 to 1; chroma: -0.5 to 0.5.
    bit_depth : int
        Bits of a code, 8 to 16.
    code_range : {"narrow", "full"}
        Narrow leaves foot- and headroom (10 bits: 64 to 940).
    component : {"luma", "chroma"}
        R', G' and B' count as luma.

    Returns
    -------
    NDArray[np.int64]
        Same shape.

    Raises
    ------
    UsageError
        For a bit depth, range or component that does not exist.

    Notes
    -----
    Source: BT.2100-2 Table 9; H.264 (08/2021) E-10 to E-19.
    """
    scale, offset = _scale_and_offset(bit_depth, code_range, component)
    codes = np.floor(np.asarray(signal, dtype=np.float64) * scale + offset + 0.5)
    return np.asarray(np.clip(codes, 0, 2**bit_depth - 1), dtype=np.int64)


def code_to_signal(code: ArrayLike, *, bit_depth: int, code_range: str, component: str) -> NDArray[np.float64]:
    """Turn integer codes into the signal they stand for.

    Parameters
    ----------
    code : array_like
        Integer codes, any shape.
    bit_depth : int
        Bits of a code, 8 to 16.
    code_range : {"narrow", "full"}
        How the codes use their range.
    component : {"luma", "chroma"}
        R', G' and B' count as luma.

    Returns
    -------
    NDArray[np.float64]
        Same shape, unclipped: narrow 10-bit code 1019 gives 1.0902.

    Raises
    ------
    UsageError
        For a bit depth, range or component that does not exist.

    Notes
    -----
    Source: BT.2100-2 Table 9; H.264 (08/2021) E-10 to E-19.
    """
    scale, offset = _scale_and_offset(bit_depth, code_range, component)
    return np.asarray((np.asarray(code, dtype=np.float64) - offset) / scale, dtype=np.float64)


def narrow_code_limits(bit_depth: int) -> tuple[int, int]:
    """Lowest and highest code that a narrow-range picture may carry; the codes beyond are kept for timing references.

    Parameters
    ----------
    bit_depth : int
        Bits of a code, 8 to 16.

    Returns
    -------
    tuple[int, int]
        10 bits: 4 and 1019; 12 bits: 16 and 4079.

    Raises
    ------
    UsageError
        For a bit depth outside 8 to 16.

    Notes
    -----
    Source: BT.2100-2 Table 9; the values are those of the ramps in BT.2111-2.
    """
    _check_bit_depth(bit_depth)
    step = 2 ** (bit_depth - 8)
    return step, 255 * step - 1


def rgb_to_ycbcr(rgb: ArrayLike, *, matrix: str) -> NDArray[np.float64]:
    """Turn R'G'B' into Y'CbCr, non-constant luminance.

    Parameters
    ----------
    rgb : array_like
        (..., 3), signal 0 to 1.
    matrix : {"bt709", "bt2020-ncl", "bt601", "rgb"}
        `rgb` returns its input.

    Returns
    -------
    NDArray[np.float64]
        (..., 3): Y' 0 to 1, Cb and Cr -0.5 to 0.5.

    Raises
    ------
    UsageError
        For a matrix that is not known, or a last axis that is not 3 long.

    Notes
    -----
    Source: BT.709-6 item 3; BT.2020-2 Table 4; BT.601-7 item 2.5; H.264 (08/2021) Table E-5.
    """
    values = _triplets(rgb)
    if matrix == "rgb":
        return values
    kr, kb = _luma_weights(matrix)
    red, green, blue = values[..., 0], values[..., 1], values[..., 2]
    luma = kr * red + (1 - kr - kb) * green + kb * blue
    return np.stack([luma, (blue - luma) / (2 * (1 - kb)), (red - luma) / (2 * (1 - kr))], axis=-1)


def ycbcr_to_rgb(ycbcr: ArrayLike, *, matrix: str) -> NDArray[np.float64]:
    """Turn Y'CbCr into R'G'B', non-constant luminance; the inverse of `rgb_to_ycbcr`.

    Parameters
    ----------
    ycbcr : array_like
        (..., 3): Y' 0 to 1, Cb and Cr -0.5 to 0.5.
    matrix : {"bt709", "bt2020-ncl", "bt601", "rgb"}
        `rgb` returns its input.

    Returns
    -------
    NDArray[np.float64]
        (..., 3), unclipped.

    Raises
    ------
    UsageError
        For a matrix that is not known, or a last axis that is not 3 long.

    Notes
    -----
    Source: as `rgb_to_ycbcr`.
    """
    values = _triplets(ycbcr)
    if matrix == "rgb":
        return values
    kr, kb = _luma_weights(matrix)
    luma = values[..., 0]
    red = luma + 2 * (1 - kr) * values[..., 2]
    blue = luma + 2 * (1 - kb) * values[..., 1]
    green = (luma - kr * red - kb * blue) / (1 - kr - kb)
    return np.stack([red, green, blue], axis=-1)


def chroma_siting_from_h273(value: int | None) -> str:
    """Name the chroma siting that a chroma sample location type stands for.

    Parameters
    ----------
    value : int or None
        `chroma_sample_loc_type` of the bitstream; None where it is absent, which means 0 by the standard.

    Returns
    -------
    str
        `left`, `centre` or `top-left`.

    Raises
    ------
    SignalUnresolved
        For a type that cannot be read here (3 to 5 and beyond).

    Notes
    -----
    Source: H.264 (08/2021) E.2.1; H.265 (08/2021) E.3.1; H.273 names the same types.
    """
    number = 0 if value is None else value
    if not 0 <= number < len(SITINGS):
        raise SignalUnresolved(
            f"Chroma sample location type {number} cannot be read: only 0 (left), 1 (centre) and 2 (top-left) can. "
            "Say how the chroma lies with --hdr-siting or --sdr-siting."
        )
    return SITINGS[number]


def chroma_siting_to_h273(siting: str) -> int:
    """Give the chroma sample location type of a named siting; the inverse of `chroma_siting_from_h273`.

    Parameters
    ----------
    siting : {"left", "centre", "top-left"}
        Name of the siting.

    Returns
    -------
    int
        0, 1 or 2.

    Raises
    ------
    UsageError
        For another name.
    """
    if siting not in SITINGS:
        raise UsageError(f"Chroma siting {siting!r} is not known; use one of {', '.join(SITINGS)}.")
    return SITINGS.index(siting)


def standard_chroma_siting(matrix: str) -> str:
    """Where 4:2:0 chroma lies by the standard that owns a matrix; what a file means when it follows that standard.

    This differs from what an absent flag means (`chroma_siting_from_h273(None)`): half a luma line for BT.2020.

    Parameters
    ----------
    matrix : {"bt709", "bt2020-ncl", "bt601"}
        Matrix of the stream.

    Returns
    -------
    str
        `top-left` for BT.2020 and BT.2100, `left` for BT.709 and BT.601.

    Raises
    ------
    UsageError
        For a matrix that is not known.

    Notes
    -----
    Source: H.265 (08/2021) VUI semantics (type 2 for BT.2020 and BT.2100); BT.709 and BT.601 in 4:2:0: type 0, H.264 E.2.1.
    """
    _luma_weights(matrix)
    return "top-left" if matrix == "bt2020-ncl" else "left"


def _scale_and_offset(bit_depth: int, code_range: str, component: str) -> tuple[float, float]:
    """Codes per unit of signal, and the code of signal 0."""
    _check_bit_depth(bit_depth)
    if component not in ("luma", "chroma"):
        raise UsageError(f"Component {component!r} is not known; use luma (also for R', G', B') or chroma.")
    luma = component == "luma"
    if code_range == "narrow":
        step = 2.0 ** (bit_depth - 8)
        return (219.0 * step, 16.0 * step) if luma else (224.0 * step, 128.0 * step)
    if code_range == "full":
        return 2.0**bit_depth - 1.0, 0.0 if luma else 2.0 ** (bit_depth - 1)
    raise UsageError(f"Code range {code_range!r} is not known; use narrow or full.")


def _check_bit_depth(bit_depth: int) -> None:
    if not 8 <= bit_depth <= 16:
        raise UsageError(f"Bit depth {bit_depth} is outside 8 to 16; give the depth of one code value.")


def _luma_weights(matrix: str) -> tuple[float, float]:
    if matrix not in LUMA_WEIGHTS:
        raise UsageError(f"Matrix {matrix!r} is not known; use one of {', '.join(LUMA_WEIGHTS)}.")
    return LUMA_WEIGHTS[matrix]


def _triplets(values: ArrayLike) -> NDArray[np.float64]:
    array: NDArray[Any] = np.asarray(values, dtype=np.float64)
    if array.ndim == 0 or array.shape[-1] != 3:
        raise UsageError(f"The last axis must hold three components; the array has shape {array.shape}.")
    return array
