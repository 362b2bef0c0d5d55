"""The other rendition of a picture, made of its base picture and its gain map.

Source: ISO 21496-1 clause 6 (applying a gain map), with the whole weight: the rendition as it is on a display that has its headroom.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pairdiff._errors import UsageError
from pairdiff._records import FloatArray, GainMap
from pairdiff.light.primaries import conversion_matrix
from pairdiff.light.transfer import pq_to_nits, srgb_to_linear

HDR_WHITE_NITS = 203.0
"""HDR Reference White (ITU-R BT.2408-7 table 1)."""
STRIP_ROWS = 128
"""Rows that are worked on at a time: memory stays that of the result (own)."""


def apply_gain_map(
    base_code: FloatArray,
    coded: FloatArray,
    *,
    numbers: GainMap,
    base_transfer: Literal["srgb", "pq"],
    base_primaries: str,
    primaries: str,
) -> NDArray[np.float32]:
    """The other rendition of a picture.

    Parameters
    ----------
    base_code
        (row, column, 3) R'G'B' of the base picture, 0 to 1.
    coded
        (row, column, 3) the gain map as it is coded, 0 to 1, of the base's size or any other.
    numbers
        How it is applied.
    base_transfer
        Of the base: sRGB, or PQ, of which SDR white is `HDR_WHITE_NITS`.
    base_primaries, primaries
        Of the base, and of the rendition.

    Returns
    -------
    (row, column, 3) linear R, G, B of `primaries`, 1 at SDR white. Nothing is cut: colours outside come out negative.

    Raises
    ------
    UsageError
        For arrays that are no pictures, and primaries that are not known.

    Notes
    -----
    ISO 21496-1 clause 6: log2 gain = least + (most - least) * coded ** (1 / gamma); rendition = (base + base offset) * 2 ** (weight * log2
    gain) - its offset. The weight is 1, and -1 where the base is the one of more headroom (from memory; a library that applies gain maps
    agrees). The map is brought to the base's size by lines between the middles of its pixels. The numbers say in whose primaries the gain
    is applied.
    """
    if base_code.ndim != 3 or coded.ndim != 3 or base_code.shape[-1] != 3 or coded.shape[-1] != 3 or not base_code.size or not coded.size:
        raise UsageError(f"Base and gain map must be (row, column, 3); their shapes are {base_code.shape} and {coded.shape}.")
    inside = base_primaries if numbers.in_base_primaries else primaries
    to_inside, to_out = conversion_matrix(base_primaries, inside).T, conversion_matrix(inside, primaries).T
    weight = 1.0 if numbers.alternate_headroom > numbers.base_headroom else -1.0
    least, span = np.asarray(numbers.least), np.asarray(numbers.most) - np.asarray(numbers.least)
    power = 1 / np.asarray(numbers.gamma)
    rows, columns = base_code.shape[:2]
    out = np.empty((rows, columns, 3), np.float32)
    for start in range(0, rows, STRIP_ROWS):
        strip = slice(start, min(start + STRIP_ROWS, rows))
        stops = weight * (least + span * np.clip(_resample(coded, strip, rows=rows, columns=columns), 0, 1) ** power)
        linear = srgb_to_linear(base_code[strip]) if base_transfer == "srgb" else pq_to_nits(base_code[strip]) / HDR_WHITE_NITS
        light = linear @ to_inside
        out[strip] = ((light + numbers.base_offset) * np.exp2(stops) - numbers.alternate_offset) @ to_out
    return out


def _resample(coded: FloatArray, strip: slice, *, rows: int, columns: int) -> NDArray[np.float64]:
    """Rows of a picture brought to another size, by lines between the middles of its pixels; beyond the outermost they are its edge."""
    if coded.shape[:2] == (rows, columns):
        return np.asarray(coded[strip], np.float64)
    above, below, down = _neighbours(np.arange(strip.start, strip.stop), rows, coded.shape[0])
    left, right, across = _neighbours(np.arange(columns), columns, coded.shape[1])
    down, across = down[:, None, None], across[:, None]
    first, last = min(above.min(), below.min()), max(above.max(), below.max()) + 1
    part = np.asarray(coded[first:last], np.float64)
    wide = part[:, left] * (1 - across) + part[:, right] * across
    return np.asarray(wide[above - first] * (1 - down) + wide[below - first] * down)


def _neighbours(places: NDArray[np.int_], size: int, coded_size: int) -> tuple[NDArray[np.int_], NDArray[np.int_], NDArray[np.float64]]:
    """The pixels of the map on either side of the middle of each pixel, and how far it lies from the first to the second."""
    middle = np.clip((places + 0.5) * coded_size / size - 0.5, 0, coded_size - 1)
    first = np.floor(middle).astype(np.int_)
    return first, np.minimum(first + 1, coded_size - 1), middle - first
