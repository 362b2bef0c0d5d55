"""Highlight headroom: how far the HDR picture goes above the white of the SDR set, for how much of the picture and of the time.

Grain and the ringing of a codec lift the brightest thousandth of a picture; how far they can is estimated from the pair. The level is
the one read off the picture with all of that taken off, or the one after a median over 3 x 3 pixels of the canvas, whichever is higher:
glints of a pixel or two count in a clean pair, and grain does not in a noisy one. The SDR level is read in the same way, up to its white:
a lamp of two pixels is as bright there as it is, and super-white of a pixel or two is the ringing of a codec, which takes no headroom. It
is read a second time with such super-white, for the question whether a power law gives the highlights: a copy of the SDR has its glints.
What noise the median leaves is given as `noise_stops`. Marks that stand still over the film are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, Headroom, PairScore, Setup
from pairdiff._settings import Settings
from pairdiff._tables import column
from pairdiff.score.pooling import CONFIDENCE, estimate_mean, estimate_share, level_reached, weighted_quantile
from pairdiff.score.ranks import median_of, values_at_ranks
from pairdiff.score.whole import window_moments

ABOVE_MARGIN_STOPS = 0.1
"""From where on light counts as above SDR white where an area is told or drawn (own): what lies at white is coded and rounded to either
side of it."""
REFERENCE_WHITE_NITS = 203.0
"""HDR Reference White, BT.2408 table 1."""
LEAST_NITS = 1e-3
"""Levels below this are taken as this before the logarithm."""


AREA_FACTORS = (0.5, 0.75, 1.0, 1.25, 1.5)
"""Multiples of `headroom_area_share` at which the levels of a picture are kept, so that the share can be varied afterwards (own)."""
TOP_SHARE = 1e-4
"""Share of the picture that its top level, by which a ceiling is told, is reached in (own)."""
NOISE_RANGE = (0.6, 0.97)
"""SDR levels, as a share of the picture's 99.9th percentile, between which noise is read off the pair (own)."""
NOISE_WINDOW_PIXELS = 17
"""Width of the window whose mean is taken off before noise is read (own)."""
NOISE_WINDOW_FILLED = 0.2
"""Least share of the window that is bright (own)."""
LEAST_SPREAD = 1e-4
"""Variance of log2 of the SDR level in a window below which no line is laid: a hundredth of a stop (own)."""
NOISE_GAMMA = 2.4
"""Gamma by which noise of light is told as noise of the SDR signal (ITU-R BT.1886); it hardly matters which."""
NOISE_DEVIATIONS = 2.5
"""How many standard deviations the brightest thousandth of a noisy even surface lies above it: between 2.3 and 3.1, as it covers ten
pictures in a hundred or all (normal distribution)."""


@dataclass(frozen=True, slots=True)
class HighlightLevels:
    """Levels of one pair that its brightest pixels reach."""

    hdr_nits: tuple[float, ...]
    """At each of `AREA_FACTORS` x `headroom_area_share`."""
    sdr_code: tuple[float, ...]
    sdr_with_glints_code: tuple[float, ...]
    """`sdr_code` with super-white of a pixel or two."""
    with_marks_nits: float
    """HDR level at `headroom_area_share`, standing marks counted."""
    with_marks_code: float
    """`sdr_code` there in the same way."""
    standing_share: float
    """Share of the picture that was left out because it stands still over the film."""
    noise_stops: float
    """Most by which noise can have lifted the HDR level."""
    hdr_top_nits: float
    """Quiet level at `TOP_SHARE`."""
    sdr_top_code: float


@dataclass(frozen=True, slots=True)
class Weighting:
    """What each scored picture stands for."""

    seconds: NDArray[np.float64]
    """Matched time, seconds."""
    shots: NDArray[np.int64]
    sampled_fraction: float
    """Scored over matched pictures; 1 leaves no sampling error."""
    confidence: float = CONFIDENCE
    """Of each interval: more than what is printed where a survey looked several times and could have stopped each time."""


def level_at_share(level_nits: FloatArray, share: float) -> float:
    """Largest level that at least a share of the pixels, and never fewer than two of them, reaches or exceeds."""
    return levels_at_shares(level_nits, (share,))[0]


def levels_at_shares(level_nits: FloatArray, shares: Sequence[float]) -> tuple[float, ...]:
    """`level_at_share` for several shares."""
    least = [max(int(np.ceil(level_nits.size * share - 1e-9)), 2) for share in shares]  # one bright pixel must not count
    return tuple(map(float, values_at_ranks(np.asarray(level_nits, np.float32), [max(level_nits.size - count, 0) for count in least])))


def quiet_level(level: FloatArray) -> NDArray[np.float32]:
    """A level picture, (row, column), after a median over 3 x 3 pixels."""
    return np.asarray(cv2.medianBlur(np.ascontiguousarray(level, np.float32), 3), np.float32)


def measure_highlights(
    hdr_level_nits: FloatArray, sdr_level_code: FloatArray, *, standing: NDArray[np.bool_] | None, settings: Settings
) -> HighlightLevels:
    """Levels that the brightest pixels of one pair reach.

    Parameters
    ----------
    hdr_level_nits : (row, column), max(R, G, B) of the HDR picture, cd/m2.
    sdr_level_code : the same of the SDR signal.
    standing : (row, column), where a mark stands still over the film; None without one.
    settings : the area share.

    Returns
    -------
    HighlightLevels.
    """
    hdr, sdr = quiet_level(hdr_level_nits), quiet_level(sdr_level_code)
    film = np.ones(hdr.shape, bool) if standing is None else ~standing
    shares = [settings.headroom_area_share * factor for factor in AREA_FACTORS]
    kept = 2 ** -noise_stops(hdr_level_nits, sdr_level_code)

    def read(quiet: FloatArray, full: FloatArray, *, less: float) -> tuple[list[float], list[float], float]:
        *still, top = levels_at_shares(quiet, [*shares, TOP_SHARE])
        return still, [less * level for level in levels_at_shares(full, shares)], top

    def higher(still: Sequence[float], full: Sequence[float], *, most: float = np.inf) -> tuple[float, ...]:
        return tuple(max(one, min(other, most)) for one, other in zip(still, full, strict=True))

    less, middle = kept ** (1 / NOISE_GAMMA), AREA_FACTORS.index(1.0)  # noise is told in light

    def own(level: FloatArray) -> FloatArray:
        return level if standing is None else level[film]

    *hdr_read, hdr_top = read(own(hdr), own(hdr_level_nits), less=kept)
    *sdr_read, sdr_top = read(own(sdr), own(sdr_level_code), less=less)
    levels, codes = higher(*hdr_read), higher(*sdr_read, most=1.0)
    marked_nits, marked_code = levels[middle], codes[middle]
    if standing is not None:
        marked_nits = higher(*read(hdr, hdr_level_nits, less=kept)[:2])[middle]
        marked_code = higher(*read(sdr, sdr_level_code, less=less)[:2], most=1.0)[middle]
    return HighlightLevels(
        levels,
        codes,
        higher(*sdr_read),
        marked_nits,
        marked_code,
        float(1 - film.mean()),
        noise_stops(hdr, sdr),
        hdr_top,
        sdr_top,
    )


def noise_stops(hdr_level_nits: FloatArray, sdr_level_code: FloatArray) -> float:
    """How far noise can lift the brightest pixels of a pair, stops.

    Where the SDR is bright and not clipped, the ratio of HDR to SDR light follows the tone curve of the grade, and within a small window a
    line of the SDR level; what it does from pixel to pixel about that line is noise of the HDR copy. Robust deviation (1.4826 x median)
    times `NOISE_DEVIATIONS`.

    Parameters
    ----------
    hdr_level_nits, sdr_level_code : (row, column), quiet levels.

    Returns
    -------
    Stops; 0 where too little of the picture is bright.
    """
    top = level_at_share(sdr_level_code, 1e-3)
    bright = (sdr_level_code > NOISE_RANGE[0] * top) & (sdr_level_code < NOISE_RANGE[1] * top)
    if top <= 0 or bright.sum() < NOISE_WINDOW_PIXELS**2:
        return 0.0
    logs = []
    for level in (hdr_level_nits, sdr_level_code):
        log = np.zeros(bright.shape, np.float32)
        log[bright] = np.log2(np.maximum(np.asarray(level, np.float32)[bright], LEAST_NITS))
        logs.append(log)
    found = window_moments(logs[0], logs[1], bright, width=NOISE_WINDOW_PIXELS, mirrored=True)
    usable = found.weight > NOISE_WINDOW_FILLED
    if usable.sum() < NOISE_WINDOW_PIXELS**2:
        return 0.0
    y, x = (log[bright] - mean for log, mean in zip(logs, (found.mean_a, found.mean_b), strict=True))
    off_line = y - found.covariance / (found.variance_b + LEAST_SPREAD) * x
    return float(NOISE_DEVIATIONS * 1.4826 * median_of(np.abs(off_line[usable]).astype(np.float32)))


def stops_above(nits: NDArray[np.float64], white_nits: float) -> NDArray[np.float64]:
    """log2 of levels over a white."""
    return np.asarray(np.log2(np.maximum(nits, LEAST_NITS) / white_nits))


def headroom_stops(hdr_nits: NDArray[np.float64], sdr_code: NDArray[np.float64], *, setup: Setup) -> NDArray[np.float64]:
    """log2 of HDR level over SDR white at a set-up, or over what the SDR shows above its white in that picture (super-white)."""
    return stops_above(hdr_nits, setup.white_nits) - setup.gamma * np.log2(np.maximum(sdr_code, 1.0))


def peak_ratio_stops(hdr_nits: NDArray[np.float64], sdr_code: NDArray[np.float64], *, setup: Setup) -> NDArray[np.float64]:
    """log2 of HDR level over what the SDR reaches in the same picture at a set-up."""
    reached = setup.white_nits * np.maximum(sdr_code, 0) ** setup.gamma
    return np.asarray(np.log2(np.maximum(hdr_nits, LEAST_NITS) / np.maximum(reached, LEAST_NITS)))


def reaches_sdr_white(sdr_code: NDArray[np.float64], *, weights: NDArray[np.float64], settings: Settings) -> bool:
    """Whether the SDR's 99.9th percentile signal reaches the stated limit in the stated share of matched time."""
    return level_reached(sdr_code, settings.headroom_time_share, weights=weights) >= settings.peak_ratio_below_code


def stops_used(
    hdr_nits: NDArray[np.float64],
    sdr_code: NDArray[np.float64],
    *,
    setups: Sequence[Setup],
    weights: NDArray[np.float64],
    settings: Settings,
) -> tuple[NDArray[np.float64], bool]:
    """Headroom of each picture at the set-up that leaves the least, or its peak ratio at the first where the SDR stays below its white.

    Returns
    -------
    Stops, and whether they are the peak ratio.
    """
    if not reaches_sdr_white(sdr_code, weights=weights, settings=settings):
        return peak_ratio_stops(hdr_nits, sdr_code, setup=setups[0]), True
    return np.minimum.reduce([headroom_stops(hdr_nits, sdr_code, setup=setup) for setup in setups]), False


def film_headroom_stops(pairs: Sequence[PairScore], weighting: Weighting, *, setup: Setup, settings: Settings) -> float:
    """Headroom at one set-up that a film reaches in the stated share of matched time, stops."""
    level, code = (column(pairs, name) for name in ("hdr_p999_nits", "sdr_p999_code"))
    return level_reached(headroom_stops(level, code, setup=setup), settings.headroom_time_share, weights=weighting.seconds)


def pool_headroom(pairs: Sequence[PairScore], weighting: Weighting, *, gain: Setup, controls: Setup, settings: Settings) -> Headroom:
    """Film figures of highlight headroom.

    Parameters
    ----------
    pairs : scored pictures.
    weighting : what each stands for.
    gain, controls : the two set-ups; the lower value counts.
    settings : thresholds.

    Returns
    -------
    Headroom; film value = level reached in `headroom_time_share` of matched time.
    """
    level, code, area = (column(pairs, name) for name in ("hdr_p999_nits", "sdr_p999_code", "area_above_white_share"))
    weights, share = weighting.seconds, settings.headroom_time_share
    at_gain, at_controls = (headroom_stops(level, code, setup=s) for s in (gain, controls))
    ratio = peak_ratio_stops(level, code, setup=controls)
    used, uses_ratio = stops_used(level, code, setups=(controls, gain), weights=weights, settings=settings)
    marked = column(pairs, "hdr_p999_with_marks_nits"), column(pairs, "sdr_p999_with_marks_code")
    with_marks = stops_used(*marked, setups=(controls, gain), weights=weights, settings=settings)[0]
    per_shot = [used[weighting.shots == shot].max() for shot in np.unique(weighting.shots)]
    return Headroom(
        "measured",
        level_reached(used, share, weights=weights),
        level_reached(at_gain, share, weights=weights),
        level_reached(at_controls, share, weights=weights),
        level_reached(stops_above(level, REFERENCE_WHITE_NITS), share, weights=weights),
        weighted_quantile(used, 0.5, weights=weights),
        float(max(per_shot)),
        level_reached(ratio, share, weights=weights),
        uses_ratio,
        level_reached(with_marks, share, weights=weights),
        float(np.average(column(pairs, "standing_share"), weights=weights)),
        float(np.average(column(pairs, "level_noise_stops"), weights=weights)),
        float(np.average(area, weights=weights)),
        estimate_share(
            used >= settings.headroom_slight_stops,
            weights=weights,
            shots=weighting.shots,
            sampled_fraction=weighting.sampled_fraction,
            confidence=weighting.confidence,
        ),
        estimate_mean(
            area,
            weights=weights,
            shots=weighting.shots,
            sampled_fraction=weighting.sampled_fraction,
            confidence=weighting.confidence,
            highest=1.0,
        ),
    )
