"""Recovered detail: what the HDR release shows where the SDR release is clipped.

A channel counts as clipped where it lies in a run, several pixels wide, at the title's own highest code; that code is found from the
pile-up in the title's histogram, so that super-white and a top below 100 % are both read for what they are. A well-rolled-off SDR
piles up nowhere: recovered detail is then not applicable, never zero.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, PairScore, Recovered
from pairdiff._settings import Settings
from pairdiff._tables import column
from pairdiff.light.picture import code_level, mix_to_pq_jnd
from pairdiff.score._picture_kernels import count_signal
from pairdiff.score.pair_noise import bright_area, bright_noise_jnd
from pairdiff.score.pooling import weighted_quantile
from pairdiff.score.whole import flat_pixels, mix, window_moments

CODE_STEP = 1 / 219
"""One 8-bit narrow-range code, as signal."""
HISTOGRAM_BINS = 320
"""Quarter-code bins counted up from `HISTOGRAM_FROM` (to a signal of 1.115)."""
HISTOGRAM_FROM = 0.75
"""Only signals above this are counted: no title clips below it (own)."""
CODE10_JND = 0.82
"""One 10-bit PQ code on grey, dE_ITP."""
WINDOW_DEGREES = 0.5
"""Size of the windows of local contrast, visual degrees (own)."""
BLURRED_CODES, FAR_CODES = 5, (5, 9)
"""Codes that a clip at nominal white covers where coding of fine detail has spread it, and how far off those lie that it is held against
(own)."""
HOLE_PIXELS, RUN_PIXELS = 3, 5
"""Holes of an area narrower than the first are closed, runs narrower than the second dropped, canvas pixels (own)."""
LEAST_CLIPPED_PIXELS = 64
"""Clipped pixels of a channel from which the spread of its levels is taken (own)."""
SPREAD_ENDS = (0.05, 0.95)
"""Between which shares of the clipped pixels the spread of levels is taken (own)."""
TEXTURED_JND = 1.0
"""Local detail from which a clipped place counts as textured, |dPQ| x 720 (own)."""
WINDOW_FILLED = 0.2
"""Least share of a window of local contrast that is clipped area (own)."""
RIM_DEGREES, GRADUAL_STOPS = 0.3, 0.75
"""How far outside clipped areas the SDR is looked at, visual degrees, and how little below its top it counts there as falling off
gradually (own)."""
NOISE_MARGIN = 2.0
"""Contrast counts above this times the noise of bright places, in power: a window of half a degree holds so few grains that its own
variance is off by a quarter or more, and of coarse grain a part is missed (own)."""
LEVEL_BINS, LEVEL_STEP_STOPS, LEVEL_FROM_STOPS = 112, 0.125, 0.0
"""Histogram of HDR levels in clipped areas: bins of an eighth of a stop from 1 cd/m2 up to 16384."""
LEVEL_ROWS = 4
"""R, G and B where that channel is clipped, then all three together where all are."""
RISE_PIXELS, RISE_PARTS = 9, (0.25, 0.75)
"""Window over which noise is averaged out before the rise of the SDR's signal is read, and the shares of the pixels below and above whose
HDR level it is read between (own)."""
WHITE_CLIP_SHARE = 0.25
"""Share of the clipped area in which all channels are clipped, from which the spread of levels goes by that alone (own)."""


@dataclass(frozen=True, slots=True)
class PictureDetail:
    """Clipping and recovered detail of one picture; None where the SDR is not clipped."""

    clipped_share: float
    bright_clipped_share: float | None
    detail_jnd: float | None
    detail_stops: float | None
    textured_share: float | None
    level_counts: NDArray[np.int32] | None
    """Clipped pixels by HDR level, (LEVEL_ROWS, LEVEL_BINS)."""
    gradual_rim_share: float | None = None
    """Share of the rim round clipped areas at which the SDR is hardly darker; None where there is no rim."""
    rise_codes: float | None = None
    """How far the SDR's signal rises with the HDR level where all channels are clipped, 8-bit codes; None where too little is."""


def count_codes(sdr_code: FloatArray) -> NDArray[np.int64]:
    """Counts of each channel in quarter-code bins from `HISTOGRAM_FROM` up; the last column counts all pixels, (3, bins + 1)."""
    counts, pixels = np.zeros((3, HISTOGRAM_BINS), np.int64), flat_pixels(sdr_code)
    count_signal(pixels, np.float32(HISTOGRAM_FROM), np.float32(4 / CODE_STEP), counts)
    return np.concatenate([counts, np.full((3, 1), len(pixels))], 1)


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
    known = [top for top in tops if top is not None]
    if known and max(known) - min(known) <= settings.clip_tolerance_codes * CODE_STEP:
        shared = float(np.mean(known))
        tops = [_shared_top(row[:-1].astype(np.float64), shared, settings) if t is None else t for t, row in zip(tops, counts, strict=True)]
    return tops[0], tops[1], tops[2]


def _shared_top(counts: NDArray[np.float64], top: float, settings: Settings) -> float | None:
    """The top of the other channels, where this one piles up as well, if blurred, as coarse chroma leaves it."""
    up_to = np.concatenate([[0.0], np.cumsum(counts)])
    middle = round((top - HISTOGRAM_FROM) * 4 / CODE_STEP - 1.5)
    first = np.arange(middle - 12, middle + 13, 4)
    codes = up_to[np.clip(first + 4, 0, counts.size)] - up_to[np.clip(first, 0, counts.size)]
    return top if codes[3] >= settings.clip_pile_up_shared * max(codes[:2].mean(), codes[5:].mean()) else None


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
    above, far = (total - up_to[np.minimum(first + 12 + gap, bins)] for gap in (6, round(4 * settings.clip_far_codes)))
    stands = (wide >= max(settings.clip_least_share * pixels, 1)) & (middle >= settings.clip_pile_up * below)
    stands &= middle >= settings.clip_concentration * wide
    stands &= (above <= settings.clip_overshoot_share * wide) & (far <= settings.clip_far_share * wide)
    stands &= (first + 6) / 4 * CODE_STEP + HISTOGRAM_FROM >= settings.clip_floor_code
    if not stands.any():
        return 1.0 if _is_blurred_clip(up_to, pixels, settings) else None
    start = int(first[np.argmax(np.where(stands, wide, -1))])
    mean = float(np.average(np.arange(start, start + 12), weights=counts[start : start + 12]))
    return HISTOGRAM_FROM + mean * CODE_STEP / 4


def _is_blurred_clip(up_to: NDArray[np.float64], pixels: int, settings: Settings) -> bool:
    """Whether the title clips at nominal white, where it piles up five codes wide; a shoulder that ends there fills the codes below."""
    middle = round((1 - HISTOGRAM_FROM) * 4 / CODE_STEP - 1.5) + 2

    def mean(low: float, high: float) -> float:
        return float(up_to[round(middle + 4 * high)] - up_to[round(middle + 4 * low)]) / (high - low)

    half, (near, far) = BLURRED_CODES / 2, FAR_CODES
    pile, both_sides = mean(-half, half), mean(0.5, half) >= settings.clip_above_share * mean(-half, -0.5)
    enough = pile * BLURRED_CODES >= max(settings.clip_least_share * pixels, 1)
    below, above = mean(0.5 - far, 0.5 - near), mean(near - 0.5, far - 0.5)
    return enough and both_sides and pile >= settings.clip_pile_up_spread * below and above <= settings.clip_far_share * pile


def codes_at_top(
    sdr_code: FloatArray, *, top: tuple[float | None, float | None, float | None], tolerance_codes: float
) -> NDArray[np.bool_]:
    """Where each channel is at the title's top code, (row, column, 3); nowhere for a channel that has none."""
    found = np.zeros(sdr_code.shape, bool)
    for n, level in enumerate(top):
        if level is not None:
            np.greater_equal(sdr_code[..., n], level - tolerance_codes * CODE_STEP, out=found[..., n])
    return found


def clipped_area(at_top: NDArray[np.bool_]) -> NDArray[np.uint8]:
    """Where each channel is clipped, (row, column, 3), 1 or 0: at its top code, holes of a pixel closed, runs under five pixels dropped."""
    return np.stack([solid_area(at_top[..., channel], inwards=0) for channel in range(3)], -1)


def solid_area(area: NDArray[np.bool_] | NDArray[np.uint8], *, inwards: int) -> NDArray[np.uint8]:
    """An area, 1 or 0, with holes of a pixel closed, runs under five pixels dropped and its rim, so many pixels wide, eroded."""
    if not area.any():
        return np.zeros(area.shape, np.uint8)
    closed = cv2.morphologyEx(np.ascontiguousarray(area, np.uint8), cv2.MORPH_CLOSE, np.ones((HOLE_PIXELS,) * 2, np.uint8))
    opened = cv2.morphologyEx(closed, cv2.MORPH_OPEN, np.ones((RUN_PIXELS,) * 2, np.uint8))
    rim = np.ones((2 * inwards + 1,) * 2, np.uint8)
    return np.asarray(cv2.erode(opened, rim, borderType=cv2.BORDER_REPLICATE), np.uint8)


def measure_detail(
    hdr_709_nits: FloatArray,
    sdr_709_nits: FloatArray,
    *,
    sdr_code: FloatArray,
    area: NDArray[np.uint8],
    at_top: NDArray[np.bool_],
    bright_stops: NDArray[np.float32],
    noise_jnd: float,
    pixels_per_degree: float,
) -> PictureDetail:
    """Recovered detail of one picture.

    Parameters
    ----------
    hdr_709_nits, sdr_709_nits : (row, column, 3) linear BT.709, cd/m2 (HDR may be negative outside the gamut); SDR at `controls`.
    sdr_code : (row, column, 3) SDR R'G'B' signal.
    area : `clipped_area` of the SDR. Shares of the picture are of all of it; detail is looked for a pixel inwards of its rim.
    at_top : `codes_at_top` of the SDR: closed holes are clipped area, but what they show is no clipped value.
    bright_stops : (row, column), how far the HDR level lies above SDR white, 0 below it.
    noise_jnd : noise of the pair, |dI| x 720.
    pixels_per_degree : of the picture.

    Returns
    -------
    PictureDetail.
    """
    clipped = (area[..., 0] | area[..., 1] | area[..., 2]).astype(bool)
    share, bright = float(clipped.mean()), float(bright_stops.sum(dtype=np.float64))
    overlap = float(bright_stops[clipped].sum(dtype=np.float64)) / bright if bright > 0 else None
    if not clipped.any():
        return PictureDetail(share, overlap, None, None, None, None)
    gradual = _gradual_rim_share(code_level(sdr_709_nits), clipped, width=max(round(RIM_DEGREES * pixels_per_degree), 2))
    rise = _rise_codes(hdr_709_nits, sdr_code, clipped=area[..., 0] & area[..., 1] & area[..., 2])
    mask = np.asarray(cv2.erode(area, np.ones((3, 3), np.uint8), borderType=cv2.BORDER_REPLICATE), np.uint8)
    anywhere = (mask[..., 0] | mask[..., 1] | mask[..., 2]).astype(bool)
    if not anywhere.any():
        return PictureDetail(share, overlap, None, None, None, None, gradual, rise)
    sure = mask & at_top.view(np.uint8)
    gain = _window_gain(hdr_709_nits, sdr_709_nits, mask=sure, noise_jnd=noise_jnd, pixels_per_degree=pixels_per_degree)
    values = gain[anywhere]
    counts = _count_levels(hdr_709_nits, sure)
    textured = float((values >= TEXTURED_JND).mean())
    return PictureDetail(share, overlap, float(np.median(values)), spread_stops(counts), textured, counts, gradual, rise)


def _gradual_rim_share(sdr_nits: FloatArray, clipped: NDArray[np.bool_], *, width: int) -> float | None:
    """Where the SDR is still bright at some pixels outside clipped areas: what is evenly lit ends at an edge, what is cut goes on below."""
    near, nearer = (cv2.dilate(clipped.astype(np.uint8), np.ones((2 * n + 1,) * 2, np.uint8)).astype(bool) for n in (width, width - 1))
    rim = near & ~nearer
    if not rim.any():
        return None
    least = float(np.median(sdr_nits[clipped])) * 2**-GRADUAL_STOPS
    return float((sdr_nits[rim] >= least).mean())


def _rise_codes(hdr_709_nits: FloatArray, sdr_code: FloatArray, *, clipped: NDArray[np.uint8]) -> float | None:
    """Medians of the SDR's signal where the HDR is brightest less where it is darkest, in whole windows of clipped area, 8-bit codes.

    What is clipped has one code, whatever the HDR shows. A shoulder that ends in a few codes looks clipped and goes on rising.
    """
    window = (RISE_PIXELS, RISE_PIXELS)
    inside = cv2.erode(np.ascontiguousarray(clipped), np.ones(window, np.uint8), borderType=cv2.BORDER_REPLICATE).astype(bool)
    if inside.sum() < LEAST_CLIPPED_PIXELS:
        return None
    hdr, sdr = (cv2.blur(code_level(picture), window)[inside] for picture in (hdr_709_nits, sdr_code))
    low, high = np.quantile(hdr, RISE_PARTS)
    return float(np.median(sdr[hdr >= high]) - np.median(sdr[hdr <= low])) / CODE_STEP if high > low else 0.0


def _window_gain(
    hdr: FloatArray, sdr: FloatArray, *, mask: NDArray[np.uint8], noise_jnd: float, pixels_per_degree: float
) -> NDArray[np.float64]:
    """HDR minus SDR contrast (standard deviation in a window, in power) above noise, channel by channel; the largest channel counts."""
    width = max(round(WINDOW_DEGREES * pixels_per_degree) | 1, 3)
    least = max(noise_jnd, CODE10_JND) ** 2
    best = np.zeros(mask.shape[:2])
    for channel, weights in enumerate(np.eye(3)):
        inside = mask[..., channel] > 0
        if not inside.any():
            continue
        hdr_jnd, sdr_jnd = (mix_to_pq_jnd(nits, weights) for nits in (hdr, sdr))
        usable = bright_area(mix(sdr, weights)) & ~inside
        floor = max(least, NOISE_MARGIN * bright_noise_jnd(hdr_jnd, sdr_jnd, area=usable) ** 2)
        found = window_moments(hdr_jnd, sdr_jnd, inside, width=width, mirrored=True)
        gained = np.sqrt(np.maximum(found.variance_a - found.variance_b - floor, 0))
        best[inside] = np.maximum(best[inside], np.where(found.weight > WINDOW_FILLED, gained, 0))
    return best


def _count_levels(hdr_nits: FloatArray, mask: NDArray[np.uint8]) -> NDArray[np.int32]:
    """HDR levels of each channel inside its clipped area, and of all three where all are clipped, (LEVEL_ROWS, LEVEL_BINS)."""
    red, green, blue = (np.asarray(plane, np.uint8) for plane in cv2.split(mask))
    levels = [hdr_nits[..., channel][plane > 0] for channel, plane in enumerate((red, green, blue))]
    levels.append(hdr_nits[(red & green & blue) > 0].reshape(-1))
    return np.stack([_count_stops(np.log2(np.maximum(nits, 1e-3))) for nits in levels])


def _count_stops(stops: FloatArray) -> NDArray[np.int32]:
    bins = np.clip(((stops - LEVEL_FROM_STOPS) / LEVEL_STEP_STOPS).astype(np.int64), 0, LEVEL_BINS - 1)
    return np.bincount(bins, minlength=LEVEL_BINS).astype(np.int32)


def spread_stops(level_counts: NDArray[np.number]) -> float | None:
    """5th to 95th percentile of HDR levels in clipped areas, stops.

    Where all three channels are clipped the SDR says nothing more of the colour, and a curve of it gives one level, the same in all three:
    an HDR that shows the blue of a sky there has more than one. Where only one channel is clipped, the other two go on, and with them what
    a curve makes of the picture: that counts only where there is little else.

    Parameters
    ----------
    level_counts : (LEVEL_ROWS, LEVEL_BINS), of one picture or summed over a film.

    Returns
    -------
    The spread where all channels are clipped, if that is `WHITE_CLIP_SHARE` of the clipped area; else that of the channel in which it is
    widest, of those with at least `LEAST_CLIPPED_PIXELS` clipped pixels; None where there is none.
    """
    pixels = level_counts.sum(1)
    white = pixels[3] / 3 >= max(LEAST_CLIPPED_PIXELS, WHITE_CLIP_SHARE * pixels[:3].max())
    spreads = [_spread(counts) for counts in (level_counts[3:] if white else level_counts[:3]) if counts.sum() >= LEAST_CLIPPED_PIXELS]
    return max(spreads) if spreads else None


def _spread(counts: NDArray[np.number]) -> float:
    reached = np.concatenate([[0.0], np.cumsum(counts) / counts.sum()])
    low, high = np.interp(SPREAD_ENDS, reached, np.arange(LEVEL_BINS + 1))
    return float(high - low) * LEVEL_STEP_STOPS


def pool_detail(
    pictures: Sequence[PairScore],
    level_counts: Iterable[NDArray[np.int32] | None],
    *,
    weights: NDArray[np.float64],
    settings: Settings,
) -> Recovered:
    """Film figures of recovered detail, from pictures where the SDR clips at least the stated share.

    Parameters
    ----------
    pictures : scored pairs.
    level_counts : of each pair, from `PictureDetail`.
    weights : matched time each stands for.
    settings : the least share.

    Returns
    -------
    Recovered; `not_applicable` where the SDR clips nowhere.
    """
    clipped = column(pictures, "clipped_share")
    bright = column(pictures, "stops_above_white")
    share = float(np.average(clipped, weights=weights))
    where = (clipped >= settings.clipped_share) & ~np.isnan(column(pictures, "detail_jnd"))
    if not where.any():
        return Recovered("not_applicable", share, None, None, None, None, None)

    def mean(name: str) -> float | None:
        values = column(pictures, name)
        known = where & ~np.isnan(values) & (clipped > 0)
        return float(np.average(values[known], weights=weights[known] * clipped[known])) if known.any() else None

    def median(name: str) -> float | None:
        values = column(pictures, name)
        known = where & ~np.isnan(values)
        return weighted_quantile(values[known], 0.5, weights=weights[known] * clipped[known]) if known.any() else None

    return Recovered(
        "measured",
        share,
        _bright_clipped(pictures, weights * bright),
        median("detail_jnd"),
        median("detail_stops"),
        film_spread_stops((counts for counts, here in zip(level_counts, where, strict=True) if here), weights[where]),
        mean("textured_share"),
        mean("gradual_rim_share"),
        mean("rise_codes"),
    )


def film_spread_stops(level_counts: Iterable[NDArray[np.int32] | None], weights: NDArray[np.float64]) -> float | None:
    """`spread_stops` of all clipped areas of a film together, each picture weighted by the time it stands for."""
    total: NDArray[np.float64] | None = None
    for counts, weight in zip(level_counts, weights, strict=True):
        if counts is not None and weight > 0:
            total = counts * weight if total is None else total + counts * weight
    return None if total is None else spread_stops(total / max(weights.max(), 1e-12))


def _bright_clipped(pictures: Sequence[PairScore], area: NDArray[np.float64]) -> float | None:
    """Share of all light stops above SDR white in the film, in clipping pictures or not, that lie in SDR-clipped areas."""
    shares = column(pictures, "bright_clipped_share")
    known = ~np.isnan(shares) & (area > 0)
    return float(np.average(shares[known], weights=area[known])) if known.any() else None
