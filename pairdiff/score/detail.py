"""Recovered detail: what the HDR release shows where the SDR release is clipped.

A channel counts as clipped where it lies in a run, several pixels wide, at the title's own highest code; that code is found from the
pile-up in the title's histogram, so that super-white and a top below 100 % are both read for what they are. A well-rolled-off SDR
piles up nowhere: recovered detail is then not applicable, never zero.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, PairScore, Recovered
from pairdiff._settings import Settings
from pairdiff.light.transfer import nits_to_pq
from pairdiff.score.pooling import weighted_quantile

CODE_STEP = 1 / 219
"""One 8-bit narrow-range code, as signal."""
HISTOGRAM_BINS = 320
"""Quarter-code bins counted up from `HISTOGRAM_FROM` (to a signal of 1.115)."""
HISTOGRAM_FROM = 0.75
"""Only signals above this are counted: no title clips below it (own)."""
CONCENTRATION = 0.5
"""Least share of a clip's three codes that its middle one holds (own; clips 0.7 to 0.9, even bright surfaces under 0.4)."""
OVERSHOOT_SHARE = 0.25
"""Most that may lie above the top code, as a share of the pile-up: ringing and chroma of the codec (own)."""
FAR_CODES, FAR_SHARE = 10, 0.05
"""Most that may lie further above the top code than this many 8-bit codes: ringing stays near, picture content does not (own)."""
LEAST_SHARE = 1e-5
"""Least share of the title's pixels at the top code."""
CODE10_JND = 0.82
"""One 10-bit PQ code on grey, dE_ITP."""
WINDOW_DEGREES = 0.5


@dataclass(frozen=True, slots=True)
class PictureDetail:
    """Clipping and recovered detail of one picture; None where the SDR is not clipped."""

    clipped_share: float
    bright_clipped_share: float | None
    detail_jnd: float | None
    detail_stops: float | None
    textured_share: float | None


def count_codes(sdr_code: FloatArray) -> NDArray[np.int64]:
    """Counts of each channel in quarter-code bins from `HISTOGRAM_FROM` up; the last column counts all pixels, (3, bins + 1)."""
    counts = np.zeros((3, HISTOGRAM_BINS + 1), np.int64)
    for channel in range(3):
        bins = ((sdr_code[..., channel] - HISTOGRAM_FROM) * (4 / CODE_STEP)).astype(np.int32)
        inside = bins[(bins >= 0) & (sdr_code[..., channel] >= HISTOGRAM_FROM)]
        counts[channel, :HISTOGRAM_BINS] = np.bincount(np.minimum(inside, HISTOGRAM_BINS - 1), minlength=HISTOGRAM_BINS)
        counts[channel, HISTOGRAM_BINS] = sdr_code[..., channel].size
    return counts


def find_top_codes(counts: NDArray[np.int64], *, settings: Settings) -> tuple[float | None, float | None, float | None]:
    """The title's top code of each channel (signal), or None where nothing piles up.

    Parameters
    ----------
    counts : sums of `count_codes` over the title.
    settings : what counts as a pile-up, and the lowest signal a title clips at.

    Returns
    -------
    Signal of the pile-up per channel.
    """
    tops = [_find_top(channel[:-1].astype(np.float64), int(channel[-1]), settings) for channel in counts]
    return tops[0], tops[1], tops[2]


def _find_top(counts: NDArray[np.float64], pixels: int, settings: Settings) -> float | None:
    """The fullest three codes whose middle stands far above the codes below and that have little above them; their mean.

    The middle code is compared with those two and three codes below it. A clip is one code that the codec spreads a little; a bright even
    surface under a shoulder is a hill many codes wide, and is none.
    """
    up_to = np.concatenate([[0.0], np.cumsum(counts)])
    bins = counts.size
    first = np.arange(16, bins - 11)  # windows of three codes, with room below them
    wide, total = up_to[first + 12] - up_to[first], up_to[-1]
    middle = up_to[first + 8] - up_to[first + 4]
    below = (up_to[first] - up_to[first - 8]) / 2
    above, far = (total - up_to[np.minimum(first + 12 + gap, bins)] for gap in (6, 4 * FAR_CODES))
    stands = (wide >= max(LEAST_SHARE * pixels, 1)) & (middle >= settings.clip_pile_up * below) & (middle >= CONCENTRATION * wide)
    stands &= (above <= OVERSHOOT_SHARE * wide) & (far <= FAR_SHARE * wide)
    stands &= (first + 6) / 4 * CODE_STEP + HISTOGRAM_FROM >= settings.clip_floor_code
    if not stands.any():
        return None
    start = int(first[np.argmax(np.where(stands, wide, -1))])
    mean = float(np.average(np.arange(start, start + 12), weights=counts[start : start + 12]))
    return HISTOGRAM_FROM + mean * CODE_STEP / 4


def codes_at_top(
    sdr_code: FloatArray, *, top: tuple[float | None, float | None, float | None], tolerance_codes: float
) -> NDArray[np.bool_]:
    """Where each channel is at the title's top code, (row, column, 3); nowhere for a channel that has none."""
    return np.stack(
        [sdr_code[..., n] >= (np.inf if level is None else level - tolerance_codes * CODE_STEP) for n, level in enumerate(top)], -1
    )


def clipped_mask(
    sdr_code: FloatArray, *, top: tuple[float | None, float | None, float | None], tolerance_codes: float
) -> NDArray[np.uint8]:
    """Where each channel is clipped, (row, column, 3), 1 or 0.

    At the top code, holes of a pixel closed, runs under five pixels dropped, one pixel eroded.
    """
    mask = np.zeros(sdr_code.shape, np.uint8)
    at_top = codes_at_top(sdr_code, top=top, tolerance_codes=tolerance_codes).astype(np.uint8)
    for channel, level in enumerate(top):
        if level is not None:
            closed = cv2.morphologyEx(np.ascontiguousarray(at_top[..., channel]), cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8))
            opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))
            mask[..., channel] = cv2.erode(opened, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE)
    return mask


def measure_detail(
    hdr_709_nits: FloatArray,
    sdr_709_nits: FloatArray,
    *,
    mask: NDArray[np.uint8],
    bright: NDArray[np.bool_],
    noise_jnd: float,
    pixels_per_degree: float,
) -> PictureDetail:
    """Recovered detail of one picture.

    Parameters
    ----------
    hdr_709_nits, sdr_709_nits : (row, column, 3) linear BT.709, cd/m2 (HDR may be negative outside the gamut); SDR at `controls`.
    mask : `clipped_mask` of the SDR.
    bright : (row, column), HDR level above SDR white.
    noise_jnd : noise of the pair, |dI| x 720.
    pixels_per_degree : of the picture.

    Returns
    -------
    PictureDetail.
    """
    anywhere = mask.max(-1).astype(bool)
    share = float(anywhere.mean())
    overlap = float((anywhere & bright).sum() / bright.sum()) if bright.any() else None
    if not anywhere.any():
        return PictureDetail(share, overlap, None, None, None)
    gain = _window_gain(hdr_709_nits, sdr_709_nits, mask=mask, noise_jnd=noise_jnd, pixels_per_degree=pixels_per_degree)
    values = gain[anywhere]
    return PictureDetail(share, overlap, float(np.median(values)), _spread_stops(hdr_709_nits, mask), float((values >= 1.0).mean()))


def _window_gain(
    hdr: FloatArray, sdr: FloatArray, *, mask: NDArray[np.uint8], noise_jnd: float, pixels_per_degree: float
) -> NDArray[np.float64]:
    """HDR minus SDR contrast (standard deviation in a window, in power), channel by channel; the largest channel counts."""
    width = max(round(WINDOW_DEGREES * pixels_per_degree) | 1, 3)
    floor = max(noise_jnd, CODE10_JND) ** 2
    best = np.zeros(mask.shape[:2])
    for channel in range(3):
        inside = mask[..., channel].astype(np.float64)
        if not inside.any():
            continue
        weight: FloatArray = np.asarray(cv2.blur(inside, (width, width)), np.float64)
        gained = _window_variance(hdr[..., channel], inside, weight, width) - _window_variance(sdr[..., channel], inside, weight, width)
        best = np.maximum(best, np.where((inside > 0) & (weight > 0.2), np.sqrt(np.maximum(gained - floor, 0)), 0))
    return best


def _window_variance(nits: FloatArray, inside: FloatArray, weight: FloatArray, width: int) -> NDArray[np.float64]:
    value = nits_to_pq(np.maximum(nits, 0)) * 720.0
    middle = float(value[inside > 0].mean())
    offset = (value - middle) * inside
    share = np.maximum(weight, 1e-6)
    mean = cv2.blur(offset, (width, width)) / share
    square = cv2.blur(offset * offset, (width, width)) / share
    return np.asarray(np.maximum(square - mean * mean, 0), np.float64)


def _spread_stops(hdr_nits: FloatArray, mask: NDArray[np.uint8]) -> float | None:
    """5th to 95th percentile of HDR channel levels inside their clipped area, stops.

    The channel with the widest spread counts, of those with at least 64 clipped pixels.
    """
    spreads = []
    for channel in range(3):
        values = hdr_nits[..., channel][mask[..., channel] > 0]
        if values.size >= 64:
            low, high = np.quantile(np.maximum(values, 1e-3), (0.05, 0.95))
            spreads.append(float(np.log2(high / low)))
    return max(spreads) if spreads else None


def pool_detail(pictures: Sequence[PairScore], *, weights: NDArray[np.float64], settings: Settings) -> Recovered:
    """Film figures of recovered detail, from pictures where the SDR clips at least the stated share.

    Parameters
    ----------
    pictures : scored pairs.
    weights : matched time each stands for.
    settings : the least share.

    Returns
    -------
    Recovered; `not_applicable` where the SDR clips nowhere.
    """
    clipped = np.array([picture.clipped_share for picture in pictures])
    bright = np.array([picture.area_above_white_share for picture in pictures])
    share = float(np.average(clipped, weights=weights))
    where = [n for n, picture in enumerate(pictures) if picture.clipped_share >= settings.clipped_share and picture.detail_jnd is not None]
    if not where:
        return Recovered("not_applicable", share, None, None, None, None)

    def mean(values: Sequence[float | None], area: NDArray[np.float64]) -> float | None:
        known = [(float(values[n] or 0.0), weights[n] * area[n]) for n in where if values[n] is not None and area[n] > 0]
        return float(np.average([v for v, _ in known], weights=[w for _, w in known])) if known else None

    def median(values: Sequence[float | None]) -> float | None:
        known = [(float(values[n] or 0.0), weights[n] * clipped[n]) for n in where if values[n] is not None]
        return weighted_quantile(np.array([v for v, _ in known]), 0.5, weights=np.array([w for _, w in known])) if known else None

    return Recovered(
        "measured",
        share,
        _bright_clipped(pictures, weights * bright),
        median([p.detail_jnd for p in pictures]),
        median([p.detail_stops for p in pictures]),
        mean([p.textured_share for p in pictures], clipped),
    )


def _bright_clipped(pictures: Sequence[PairScore], area: NDArray[np.float64]) -> float | None:
    """Share of all that lies above SDR white in the film, clipping pictures or not, that is SDR-clipped."""
    known = [(p.bright_clipped_share, a) for p, a in zip(pictures, area, strict=True) if p.bright_clipped_share is not None and a > 0]
    return float(np.average([share for share, _ in known], weights=[a for _, a in known])) if known else None
