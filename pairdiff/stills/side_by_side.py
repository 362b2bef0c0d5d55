"""Both sides of a moment in one picture, at their true levels: what is written as an HDR still.

HDR release left, SDR release at the `controls` set-up right, a narrow black gap between: BT.2020 in PQ, cd/m2 as on the canvas. Nothing is
rolled off, and nothing is drawn into the picture; labels are set beside it by the report. The same light gives the same code on both sides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import SIDES, FloatArray, Mastering, Moment
from pairdiff.light.transfer import PQ_PEAK_NITS, nits_to_pq
from pairdiff.score.levels import frame_light_levels
from pairdiff.stills.draw import average_area

HdrKind = Literal["png", "avif"]
HDR_KINDS: tuple[HdrKind, ...] = ("png", "avif")
"""Forms that such a picture is written in."""

MOST_COLUMNS = 1920
"""Widest picture of the two together, pixels (own: both sides fill an ordinary screen, and 16 bits of it stay below 8 MB)."""

GAP_COLUMNS = 8
"""Black columns between the sides (own: seen as a line)."""

CODE16 = 65535
"""Full range of the codes (PNG third edition 13.13: samples of 16 bits, 0 is black and 65535 the most)."""

SAID_BELOW_NITS = -0.0001
"""Components below this are said to be clipped, cd/m2 (own: the unit in which light is stated to a screen; rounding stays above it)."""


@dataclass(frozen=True, slots=True)
class SideBySide:
    """Both sides of a moment in one picture, ready to be written as HDR."""

    moment: Moment
    name: str
    """`hdr-side-by-side`."""
    caption: str
    """What it shows, in words."""
    code16: NDArray[np.uint16]
    """PQ, BT.2020, full range, (row, column, 3)."""
    max_cll_nits: float
    """MaxCLL of this picture, cd/m2."""
    max_fall_nits: float
    """MaxFALL of this picture, the gap included, cd/m2."""
    mastering: Mastering | None
    """The mastering display that the HDR release declares."""


def join_sides(
    moment: Moment,
    *,
    hdr_nits: FloatArray,
    sdr_nits: FloatArray,
    white_nits: float,
    mastering: Mastering | None = None,
    max_columns: int = MOST_COLUMNS,
    stamps: Sequence[str] = (),
) -> SideBySide:
    """Put both sides of a moment into one HDR picture.

    Parameters
    ----------
    moment : Moment
        The pair that is shown.
    hdr_nits, sdr_nits : float array, (row, column, 3)
        Canvas pictures of both sides at `controls`, linear BT.2020, cd/m2. Components below 0 and above 10 000 cd/m2, which PQ cannot say,
        are clipped, and the caption says so.
    white_nits : float
        SDR white at `controls`, cd/m2; for the caption.
    mastering : Mastering, optional
        What the HDR release declares; handed on as it is.
    max_columns : int
        Widest picture of the two together, pixels; wider sides are area-averaged in linear light.
    stamps : of str
        What a reader must know of how the releases were read; it goes into the caption.

    Returns
    -------
    SideBySide
        Twice the columns of a side, and the gap.

    Raises
    ------
    ValueError
        Pictures of unequal size, values that are not finite, white not above zero, a width that leaves no picture.

    Notes
    -----
    Encoding: ST 2084:2014. Light levels: CTA-861.3-A, of this one picture.
    """
    _check(hdr_nits, sdr_nits, white_nits=white_nits, max_columns=max_columns)
    side_columns = (max_columns - GAP_COLUMNS) // 2
    shown = {side: average_area(nits, max_columns=side_columns) for side, nits in zip(SIDES, (hdr_nits, sdr_nits), strict=True)}
    clipped = " ".join(words for side, nits in shown.items() for words in _say_clipped(side, nits))
    hdr, sdr = (np.clip(nits, 0.0, PQ_PEAK_NITS) for nits in shown.values())
    light = np.concatenate([hdr, np.zeros((hdr.shape[0], GAP_COLUMNS, 3), dtype=np.float32), sdr], axis=1)
    code16 = np.rint(nits_to_pq(light) * CODE16).astype(np.uint16)
    levels = frame_light_levels(light, active=None)
    caption = _say(white_nits=white_nits, columns=hdr.shape[1], max_cll_nits=levels.max_nits, max_fall_nits=levels.average_nits)
    told = " ".join((caption, clipped, *(f"{stamp}." for stamp in stamps)))
    return SideBySide(moment, "hdr-side-by-side", " ".join(told.split()), code16, levels.max_nits, levels.average_nits, mastering)


def _say(*, white_nits: float, columns: int, max_cll_nits: float, max_fall_nits: float) -> str:
    return (
        f"HDR release left, SDR release right at controls (SDR white {white_nits:.0f} cd/m2), both at their true levels in BT.2020 PQ and "
        f"{columns} pixels wide. Of this picture: MaxCLL {max_cll_nits:.4g} cd/m2, MaxFALL {max_fall_nits:.4g} cd/m2."
    )


def _say_clipped(side: str, nits: NDArray[np.float32]) -> list[str]:
    above, below = (float(np.any(outside, axis=-1).mean()) for outside in (nits > PQ_PEAK_NITS, nits < SAID_BELOW_NITS))
    told = [(above, "above 10 000 cd/m2 are clipped to it"), (below, "with a component below 0 are clipped there")]
    return [f"{100 * share:.2g} % of the {side.upper()} pixels {words}." for share, words in told if share > 0]


def _check(hdr_nits: FloatArray, sdr_nits: FloatArray, *, white_nits: float, max_columns: int) -> None:
    if hdr_nits.ndim != 3 or hdr_nits.shape[2] != 3 or hdr_nits.shape != sdr_nits.shape:
        raise ValueError(f"pictures of one canvas are needed, (row, column, 3) twice; got hdr {hdr_nits.shape}, sdr {sdr_nits.shape}")
    for name, values in (("hdr_nits", hdr_nits), ("sdr_nits", sdr_nits)):
        if not np.isfinite(values).all():
            raise ValueError(f"{name} holds values that are not finite; mend the picture before it is shown")
    if not (np.isfinite(white_nits) and white_nits > 0):
        raise ValueError(f"white_nits must be above zero; got {white_nits}")
    if max_columns < GAP_COLUMNS + 2:
        raise ValueError(f"max_columns must leave a column for each side of the gap, {GAP_COLUMNS + 2} or more; got {max_columns}")
