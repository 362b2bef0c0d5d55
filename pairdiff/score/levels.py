"""Light levels of one picture at native size (CTA-861.3-A; H.264 D.2.31): level = max of linear R, G, B.

Three forms that agree. `frame_light_levels` is plain float64. `plane_levels` counts on raw planes. The streaming form here counts levels
in bins, so that a whole film can be held and nothing is sorted: `level_histogram` (signal) or `light_histogram` (linear light, for HLG
and for primaries other than BT.2020), then `levels_from_histogram`. Of its figures the largest level is exact, the means are sums of linear
light (relative error below 1e-5: the light is read from a table of 65 536 steps over signal 0 to 1), and percentiles and areas are those of
levels moved to the nearest bin centre: at most 7.7e-5 of signal, less than half a 12-bit code, 0.2 % of the light above 1 cd/m2 in PQ.

A percentile is the lowest level that at least that share of the pixels does not exceed. Not a number counts as black.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pairdiff._errors import UsageError
from pairdiff._records import FloatArray, FrameLevels, Rectangle
from pairdiff._tables import column
from pairdiff.light.transfer import bt1886_to_nits, nits_to_pq, pq_to_nits
from pairdiff.score import _kernels

BINS = 8192
"""Bins of the histogram of levels (own)."""
BINS_PER_CODE = 6553
"""Bin k is centred on signal k / 6553, so that black and white lie on a centre; the last centre is 1.25."""
POINTS_PER_CODE = 65536
"""Points of the light table from signal 0 to 1 (own)."""
TABLE_END_CODE = 2
"""The light table runs to signal 2; more cannot be coded, and counts as that in the means."""
PERCENTILES = (99.99, 99.9, 99.0, 50.0)
"""Percentiles of a frame's levels, % (own)."""
AREA_NITS = (100.0, 203.0, 1000.0)
"""Levels over which area is counted: SDR mastering white (BT.2035), HDR Reference White (BT.2408), and one that only highlights reach."""
SPECK_PIXELS = 16
"""So many pixels or fewer are a speck: a defect, a codec's overshoot, a glint too small to be seen as light (own)."""
_CHUNKS = 8
_SHIFT = 16

CodeToNits = Callable[[NDArray[np.float64]], NDArray[np.float64]]


@dataclass(frozen=True, slots=True)
class LevelScale:
    """What the signal of a release means in light; one for a whole release."""

    code_to_nits: CodeToNits
    """Monotone, signal to cd/m2."""
    bin_nits: NDArray[np.float64]
    """(8192,) light at the centre of each bin, cd/m2."""
    table_nits: NDArray[np.float64]
    """Light at even steps of signal 0 to 2, cd/m2."""


@dataclass(frozen=True, slots=True)
class LevelCounts:
    """Levels of one picture, counted."""

    counts: NDArray[np.int64]
    """(bin,) pixels of the active picture: 8192 bins, or the steps of `plane_levels`."""
    max_nits: float
    """Largest level of the active picture, cd/m2, exact."""
    sum_nits: float
    """Sum of levels over the active picture, cd/m2."""
    sum_whole_nits: float
    """Sum of levels over the whole coded picture, cd/m2."""
    pixels_whole: int


def pixel_levels(rgb_nits: ArrayLike) -> NDArray[np.float64]:
    """Light level of each pixel: the largest of its linear components.

    Parameters
    ----------
    rgb_nits : array_like
        (..., 3) linear BT.2020, cd/m2; components below 0 never count.

    Returns
    -------
    NDArray[np.float64]
        (...) cd/m2, 0 or more.

    Raises
    ------
    UsageError
        For a last axis that is not 3 long.

    Notes
    -----
    Source: CTA-861.3-A Annex; H.264 (08/2021) D.2.31.
    """
    array = np.asarray(rgb_nits, dtype=np.float64)
    if array.ndim == 0 or array.shape[-1] != 3:
        raise UsageError(f"The last axis must hold R, G and B; the array has shape {array.shape}.")
    return np.asarray(np.maximum(array.max(axis=-1), 0.0))


def frame_light_levels(rgb_nits: ArrayLike, *, active: Rectangle | None, frame: int = 0, time_s: float = 0.0) -> FrameLevels:
    """Light levels of one picture, plainly in float64.

    Parameters
    ----------
    rgb_nits : array_like
        (row, column, 3) linear BT.2020, cd/m2, the whole coded picture.
    active : Rectangle or None
        Active picture, letterbox excluded; None takes the whole.
    frame : int
        Number of the picture, copied into the result.
    time_s : float
        Its time, seconds, copied into the result.

    Returns
    -------
    FrameLevels
        Levels in cd/m2, shares of the active picture.

    Raises
    ------
    UsageError
        For an array that is no picture, or an active picture that is empty or not inside it.

    Notes
    -----
    Source: CTA-861.3-A Annex; H.264 (08/2021) D.2.31 note 3 (average over the relevant region only).
    """
    levels = pixel_levels(rgb_nits)
    if levels.ndim != 2:
        raise UsageError(f"A picture is (row, column, 3); the array has shape {np.shape(rgb_nits)}.")
    box = active or Rectangle(top=0, bottom=levels.shape[0], left=0, right=levels.shape[1])
    _check_box(box.top, box.bottom, box.left, box.right, levels.shape)
    seen = levels[box.top : box.bottom, box.left : box.right]
    p9999, p999, p99, p50 = (float(v) for v in np.percentile(seen, PERCENTILES, method="inverted_cdf"))
    area_100, area_203, area_1000 = (float((seen > limit).mean()) for limit in AREA_NITS)
    return FrameLevels(
        frame=frame,
        time_s=time_s,
        max_nits=float(seen.max()),
        average_nits=float(seen.mean()),
        average_whole_nits=float(levels.mean()),
        p9999_nits=p9999,
        p999_nits=p999,
        p99_nits=p99,
        p50_nits=p50,
        area_100_share=area_100,
        area_203_share=area_203,
        area_1000_share=area_1000,
        wide_nits=float(np.sort(seen, axis=None)[-min(SPECK_PIXELS + 1, seen.size)]),
    )


def pixels_above_percentile(pixels: int, percentile: float) -> float:
    """How many pixels may lie above a percentile: fewer than this never move it.

    Parameters
    ----------
    pixels : int
        Pixels of the active picture.
    percentile : float
        0 to 100.

    Returns
    -------
    float
        Pixels, not rounded.

    Raises
    ------
    UsageError
        For a percentile outside 0 to 100.
    """
    if not 0 <= percentile <= 100:
        raise UsageError(f"A percentile lies between 0 and 100; got {percentile}.")
    return pixels * (100 - percentile) / 100


def release_light_levels(frames: Sequence[FrameLevels]) -> tuple[FrameLevels, FrameLevels]:
    """The frames that set MaxCLL and MaxFALL: largest pixel level, and largest frame average over the active picture.

    Parameters
    ----------
    frames : sequence of FrameLevels
        Every measured frame.

    Returns
    -------
    tuple[FrameLevels, FrameLevels]
        The frame of MaxCLL (`max_nits`) and the frame of MaxFALL (`average_nits`); the first one where several tie.

    Raises
    ------
    UsageError
        When there is no frame.

    Notes
    -----
    Source: CTA-861.3-A Annex; H.264 (08/2021) D.2.31.
    """
    if not frames:
        raise UsageError("Light levels of a release need at least one measured frame; there is none.")
    return frames[int(column(frames, "max_nits").argmax())], frames[int(column(frames, "average_nits").argmax())]


def bin_centres() -> NDArray[np.float64]:
    """Signal at the centre of each bin.

    Returns
    -------
    NDArray[np.float64]
        (8192,) 0 to 1.25.
    """
    return np.arange(BINS) / BINS_PER_CODE


def make_level_scale(code_to_nits: CodeToNits) -> LevelScale:
    """Prepare the counting of signal levels.

    Parameters
    ----------
    code_to_nits : callable
        Monotone, signal to cd/m2, the same for R', G' and B'. HLG is not such a function (its gamma acts on luminance), nor is a release
        whose primaries are not BT.2020: use `light_histogram`.

    Returns
    -------
    LevelScale
        Keep it for the whole release.
    """
    points = np.arange(TABLE_END_CODE * POINTS_PER_CODE + 1) / POINTS_PER_CODE
    return LevelScale(code_to_nits=code_to_nits, bin_nits=code_to_nits(bin_centres()), table_nits=code_to_nits(points))


@lru_cache(maxsize=1)
def pq_level_scale() -> LevelScale:
    """Scale of PQ signal, and of the bins that `light_histogram` fills.

    Returns
    -------
    LevelScale
        Up to 10 000 cd/m2.
    """
    return make_level_scale(pq_to_nits)


@lru_cache(maxsize=32)
def bt1886_level_scale(white_nits: float, gamma: float) -> LevelScale:
    """Scale of SDR signal on a display with black 0.

    Parameters
    ----------
    white_nits : float
        Light of signal 1, cd/m2.
    gamma : float
        Exponent.

    Returns
    -------
    LevelScale
        Super-white kept.

    Raises
    ------
    UsageError
        For a white or gamma that is not above 0.
    """
    return make_level_scale(lambda code: bt1886_to_nits(code, white_nits=white_nits, gamma=gamma))


def level_histogram(code_rgb: FloatArray, *, top: int, bottom: int, left: int, right: int, scale: LevelScale) -> LevelCounts:
    """Count the levels of a picture that is still signal.

    Parameters
    ----------
    code_rgb : FloatArray
        (row, column, 3) float32 R'G'B' signal, the whole coded picture.
    top, bottom, left, right : int
        Active picture, stop exclusive.
    scale : LevelScale
        What the signal means.

    Returns
    -------
    LevelCounts
        See the module's head for its accuracy.

    Raises
    ------
    UsageError
        For an array that is no picture, or an active picture that is empty or not inside it.

    Notes
    -----
    Source: CTA-861.3-A Annex. The largest component is found before decoding, which is the same: decoding is monotone.
    """
    code, box = _picture_and_box(code_rgb, top, bottom, left, right)
    counts, largest, inside, whole = _work_arrays(code.shape[0])
    _kernels.count_code_levels(code, box, scale.table_nits, float(POINTS_PER_CODE), float(BINS_PER_CODE), counts, largest, inside, whole)
    highest = np.asarray(max(float(largest.max()), 0.0))
    return LevelCounts(
        counts=counts.sum(axis=0),
        max_nits=float(scale.code_to_nits(highest)),
        sum_nits=float(inside.sum()),
        sum_whole_nits=float(whole.sum()),
        pixels_whole=code.shape[0] * code.shape[1],
    )


def light_histogram(rgb_nits: FloatArray, *, top: int, bottom: int, left: int, right: int) -> LevelCounts:
    """Count the levels of a picture that is already light, in bins of PQ signal: read them with `pq_level_scale()`.

    Parameters
    ----------
    rgb_nits : FloatArray
        (row, column, 3) float32 linear BT.2020, cd/m2, the whole coded picture.
    top, bottom, left, right : int
        Active picture, stop exclusive.

    Returns
    -------
    LevelCounts
        See the module's head for its accuracy; the means are plain sums here.

    Raises
    ------
    UsageError
        For an array that is no picture, or an active picture that is empty or not inside it.

    Notes
    -----
    Source: CTA-861.3-A Annex.
    """
    nits, box = _picture_and_box(rgb_nits, top, bottom, left, right)
    counts, largest, inside, whole = _work_arrays(nits.shape[0])
    _kernels.count_light_levels(nits, box, *_light_edges(), _SHIFT, counts, largest, inside, whole)
    return LevelCounts(
        counts=counts.sum(axis=0),
        max_nits=max(float(largest.max()), 0.0),
        sum_nits=float(inside.sum()),
        sum_whole_nits=float(whole.sum()),
        pixels_whole=nits.shape[0] * nits.shape[1],
    )


def levels_from_histogram(counted: LevelCounts, *, bin_nits: NDArray[np.float64], frame: int, time_s: float) -> FrameLevels:
    """Turn counted levels into the light levels of a picture.

    Parameters
    ----------
    counted : LevelCounts
        Of `level_histogram` or `light_histogram`.
    bin_nits : NDArray[np.float64]
        (bin,) light at the centre of each bin, cd/m2, rising: `LevelScale.bin_nits`, `PlaneScale.step_nits`.
    frame : int
        Number of the picture.
    time_s : float
        Its time, seconds.

    Returns
    -------
    FrameLevels
        Percentiles never exceed the largest level.

    Raises
    ------
    UsageError
        For another number of bins.
    """
    if bin_nits.shape != counted.counts.shape:
        raise UsageError(f"The light of {len(counted.counts)} bin centres is needed; got an array of shape {bin_nits.shape}.")
    total = int(counted.counts.sum())
    # The lowest bin at which the running count reaches the share; the small allowance keeps whole numbers whole.
    running = np.cumsum(counted.counts)
    places = np.searchsorted(running, np.asarray(PERCENTILES) / 100 * total - 1e-6)
    wide = int(np.searchsorted(running, max(total - SPECK_PIXELS, 1)))
    p9999, p999, p99, p50 = (min(float(bin_nits[k]), counted.max_nits) for k in places)
    area_100, area_203, area_1000 = (_share_above(running, bin_nits, limit, counted.max_nits) for limit in AREA_NITS)
    return FrameLevels(
        frame=frame,
        time_s=time_s,
        max_nits=counted.max_nits,
        average_nits=min(counted.sum_nits / total, counted.max_nits),  # of a flat picture rounding would make more of it
        average_whole_nits=counted.sum_whole_nits / counted.pixels_whole,
        p9999_nits=p9999,
        p999_nits=p999,
        p99_nits=p99,
        p50_nits=p50,
        area_100_share=area_100,
        area_203_share=area_203,
        area_1000_share=area_1000,
        wide_nits=min(float(bin_nits[wide]), counted.max_nits),
    )


def _share_above(running: NDArray[np.int64], bin_nits: NDArray[np.float64], limit_nits: float, max_nits: float) -> float:
    """Share of pixels in bins above a limit; none where the largest level itself is not above it. A centre on the limit is not above."""
    if max_nits <= limit_nits:
        return 0.0
    first = int(np.searchsorted(bin_nits, limit_nits * (1 + 1e-9), side="right"))
    total = int(running[-1])
    return (total - (int(running[first - 1]) if first else 0)) / total


@lru_cache(maxsize=1)
def _light_edges() -> tuple[NDArray[np.float32], NDArray[np.int64], int]:
    """Upper edge of each bin but the last in cd/m2, and where to begin looking for a level by the high bits of its float32."""
    edges = pq_to_nits((np.arange(BINS - 1) + 0.5) / BINS_PER_CODE).astype(np.float32)
    edges[int(np.searchsorted(bin_centres(), float(nits_to_pq(1e4)))) :] = np.float32(np.inf)
    first = int(edges[0].view(np.int32)) >> _SHIFT
    last = int(np.float32(10000.0).view(np.int32)) >> _SHIFT
    lower = (np.arange(first, last + 2, dtype=np.int32) << _SHIFT).astype(np.int32).view(np.float32)
    starts = np.searchsorted(edges, lower, side="right").astype(np.int64)
    return edges, starts, first << _SHIFT


def _picture_and_box(picture: FloatArray, top: int, bottom: int, left: int, right: int) -> tuple[NDArray[np.float32], NDArray[np.int64]]:
    array = np.ascontiguousarray(picture, dtype=np.float32)
    if array.ndim != 3 or array.shape[-1] != 3:
        raise UsageError(f"A picture is (row, column, 3); the array has shape {array.shape}.")
    _check_box(top, bottom, left, right, array.shape[:2])
    return array, np.array([top, bottom, left, right], dtype=np.int64)


def _check_box(top: int, bottom: int, left: int, right: int, shape: tuple[int, ...]) -> None:
    if not (0 <= top < bottom <= shape[0] and 0 <= left < right <= shape[1]):
        raise UsageError(
            f"The active picture (rows {top} to {bottom}, columns {left} to {right}) is empty or not inside the picture of "
            f"{shape[0]} rows and {shape[1]} columns."
        )


def _work_arrays(rows: int) -> tuple[NDArray[np.int64], NDArray[np.float32], NDArray[np.float64], NDArray[np.float64]]:
    return np.zeros((_CHUNKS, BINS), np.int64), np.empty(rows, np.float32), np.empty(rows), np.empty(rows)
