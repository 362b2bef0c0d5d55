"""Set-ups: how the SDR release is shown beside the HDR one, and the fit of the set that leaves the least.

The fit minimises the mean |dI| (ICtCp intensity, BT.2100) over sampled places of matched pictures. Each place is the median of a small
window of the flatter half of the picture, so that neither grain nor sharpness nor a misregistration bends it (a fit to single noisy
pixels has its gamma pulled down: regression dilution); what lies near the title's top code is left out, since an SDR release clips or
rolls off there what the HDR release may show, and no set can follow that. The mean of absolute differences takes care of the rest.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, FreeFit, Setup, SetupUncertainty
from pairdiff._settings import Settings
from pairdiff.light.ictcp import RGB_TO_LMS
from pairdiff.light.primaries import conversion_matrix
from pairdiff.light.transfer import nits_to_bt1886, pq_to_nits
from pairdiff.score._picture_kernels import block_high_pass
from pairdiff.score._setup_kernels import sdr_intensity
from pairdiff.score.places import find_flat, medians_at
from pairdiff.score.pooling import ShotDraws

DARKEST_CODE = 1e-3
"""SDR signals below this are taken as this in the fit: light below 1e-6 of white, far under any set's black."""
JND_PER_INTENSITY = 720.0
"""dE_ITP of one unit of I (BT.2124)."""
TOP_SHARE = 0.85
"""Signals above this share of the title's top are left out of every fit: there an SDR grade clips or rolls off (own)."""
TOP_SHARES = (TOP_SHARE, 0.9, 0.95)
"""The same where too little lies below one of them: the next is taken, and at last everything (own)."""
MIDTONE_CODES = (0.15, TOP_SHARE)
"""SDR signals, as a share of the title's top code, between which `gain` is fitted: above black crush, below any shoulder (own)."""
Point = tuple[float, float] | NDArray[np.float64]
"""Natural log of a white (cd/m2), and a gamma."""
FIXED_GAMMAS = (2.2, 2.4)
"""Gammas that the SDR set may be fixed to: 2.4 in a dark room (ITU-R BT.1886), 2.2 in a lit one (common practice, no source)."""
STARTS = 3
"""Grid points that the fit sets out from; the best end counts (own)."""
START_PIXELS = 20000
"""Pixels that the fit sees until it knows its valley (own)."""
FREE_BOUNDS = ((1.0, 10000.0), (0.5, 6.0))
"""Whites (cd/m2) and gammas that the free fit may reach (own)."""
ONE_LAW_JND = 1.0
"""What a fit to all tones may leave, |dI| x 720, 95th percentile over tone bins, and still be taken for the law of all (own)."""
LEAST_BELOW_TOP, LEAST_SPAN_JND = 0.05, 60.0
"""Least share of the places that must lie below, and least range of intensity that those must cover (own)."""
LIFT_BOUNDS, LIFT_STARTS = (-0.06, 0.15), (-0.03, 0.03, 0.1)
"""Lifts that the free fit tries: a set's raised black up to the 0.099 of BT.709's curve, and an SDR whose own black is raised (own)."""
NOISE_BLOCK_PIXELS = 16
"""Side of the blocks of which the quarter with the least noise counts (own)."""
NODES, LEAST_NODE_SPAN = 5, 1e-3
"""Whites and gammas at which the tone shift of each pair is tabulated, between the lowest and the highest draw (own)."""
RESIDUAL_QUANTILE = 0.95
"""Quantile over tone bins of what the free fit leaves (own)."""
TONE_ENDS = (0.05, 0.95)
"""Between which shares of the places the range of tone is taken (own)."""
GREY_WHITE_NITS = 100.0
"""White at which a colour's equal grey is taken; it hardly matters (own)."""
GAIN_GAMMA = 2.4
"""Gamma of the set-up `gain` (ITU-R BT.1886)."""
LEAST_MIDTONES = 0.02
"""If less than this share of the places lies in the mid-tones, `gain` is fitted to all (own)."""
EDGE_SHARE = 0.005
"""A set-up this near the end of the set's reach, as a share of the reach, is at its bound (own)."""
DRAW_REACH, DRAW_POINTS = 0.25, 15
"""How far the refits on drawn shots may go from the fit, in log white and in gamma, and grid points across (own)."""
POWER_LAW_BINS = 10
"""Tone bins of each picture in which the free fit's residual is averaged (own)."""


@dataclass(frozen=True, slots=True)
class FitSample:
    """Places that the fit sees."""

    hdr_intensity: NDArray[np.float64]
    """ICtCp I of the HDR picture there, (n,)."""
    sdr_code: NDArray[np.float64]
    """SDR R'G'B' signal of the same places, (n, 3)."""
    picture: NDArray[np.int64]
    """Number of the picture each place comes from, (n,)."""
    shot: NDArray[np.int64]
    """Shot of each picture, (pictures,)."""
    noise_jnd: float
    """Standard deviation of what differs between the releases from pixel to pixel in their flattest areas, |dI| x 720."""


@dataclass(frozen=True, slots=True)
class SetupFits:
    """All set-ups of a title and the diagnostic."""

    setups: tuple[Setup, ...]
    free: FreeFit
    tone_span_jnd: float
    """Range of intensity (5th to 95th percentile, x 720) that both sides of the sample have at least: little, and no set can be fitted."""
    draws: NDArray[np.float64]
    """White (cd/m2) and gamma of `controls` refitted on resampled shots, draw for draw those of `ShotDraws`, (draws, 2)."""
    gain_draws: NDArray[np.float64]
    """White of `gain` on the same draws, cd/m2, (draws,)."""

    @property
    def nodes(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Whites (cd/m2) and gammas that span the draws, for tables from which a draw is interpolated."""
        spans = [(float(values.min()), float(values.max())) for values in (np.log(self.draws[:, 0]), self.draws[:, 1])]
        logs, gammas = (np.linspace(low, max(high, low + LEAST_NODE_SPAN), NODES) for low, high in spans)
        return np.exp(logs), gammas

    def named(self, name: str) -> Setup:
        """The set-up of that name."""
        return next(setup for setup in self.setups if setup.name == name)


def _to_lm() -> NDArray[np.float64]:
    return np.ascontiguousarray((np.asarray(RGB_TO_LMS) @ conversion_matrix("bt709", "bt2020"))[:2])


def _log_code(code: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.ascontiguousarray(np.log(np.maximum(code, DARKEST_CODE)))


def _residuals(sample: FitSample) -> Callable[[float, float], NDArray[np.float64]]:
    log_code, to_lm = _log_code(sample.sdr_code), _to_lm()
    return lambda white, gamma: np.abs(sample.hdr_intensity - sdr_intensity(log_code, to_lm, float(np.log(white)), gamma))


def sample_pixels(
    hdr_itp: FloatArray, sdr_code: FloatArray, *, count: int, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Draw places (see `find_places`) of one matched picture for the fit.

    Parameters
    ----------
    hdr_itp : (row, column, 3) I, T, P of the HDR picture.
    sdr_code : (row, column, 3) SDR R'G'B' signal.
    count : places to draw (fewer when the picture is smaller).
    rng : random generator, seeded by the caller.

    Returns
    -------
    Intensity (n,) and signal (n, 3), float64.
    """
    return find_flat_places(hdr_itp[..., 0], sdr_code).draw(count=count, rng=rng)


@dataclass(frozen=True, slots=True)
class FlatPlaces:
    """The flatter half of a matched picture."""

    hdr_intensity: FloatArray
    """I, (row, column)."""
    sdr_code: FloatArray
    """R'G'B' signal, (row, column, 3)."""
    places: NDArray[np.int64]
    """Numbers of the flat places, row by row."""

    def draw(self, *, count: int, rng: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Medians round some of them, drawn; as `sample_pixels`."""
        picks = rng.choice(self.places, size=min(count, self.places.size), replace=False)
        return medians_at(self.hdr_intensity, picks).astype(np.float64), medians_at(self.sdr_code, picks).astype(np.float64)


def find_flat_places(hdr_intensity: FloatArray, sdr_code: FloatArray) -> FlatPlaces:
    """The flatter half of a matched picture, from I, (row, column), and the SDR signal, (row, column, 3)."""
    return FlatPlaces(hdr_intensity, sdr_code, np.flatnonzero(find_flat(sdr_code)))


def leave_out_top(sample: FitSample) -> FitSample:
    """The sample without what lies near the title's top code, as far as enough is left."""
    level = sample.sdr_code.max(-1)
    top = float(np.quantile(level, 0.999))
    for share in TOP_SHARES:
        keep = level <= share * top
        if keep.mean() >= LEAST_BELOW_TOP and _span_jnd(sample.hdr_intensity[keep]) >= LEAST_SPAN_JND:
            return part_of(sample, keep)
    return sample


def _fit_fitted_part(sample: FitSample) -> tuple[FitSample, tuple[float, float]]:
    """The part of the sample that every set is fitted to, and white and gamma of the free fit to it.

    All of it where one law follows every tone: nothing rolls off there, and the tones near the top may be most of what is not dark.
    """
    below = leave_out_top(sample)
    if below is not sample:
        free = _fit_white_gamma(sample, FREE_BOUNDS)
        if _residual_jnd(sample, *free) < ONE_LAW_JND:
            return sample, free
    return below, _fit_white_gamma(below, FREE_BOUNDS)


def fit_power_law(sample: FitSample, *, places: int) -> tuple[float, float, float]:
    """White (cd/m2) and gamma that leave the least without the set's bounds, below the title's top, and what they leave.

    Parameters
    ----------
    sample : places of matched pictures.
    places : of them that the fit sees, at most; evenly thinned.

    Returns
    -------
    White, gamma, and the 95th percentile over tone bins of |dI| x 720.
    """
    part = _thin(leave_out_top(sample), places)
    white, gamma = _fit_white_gamma(part, FREE_BOUNDS)
    return white, gamma, _residual_jnd(part, white, gamma)


def grey_signal(code: FloatArray) -> NDArray[np.float64]:
    """SDR signal of the grey that has the same intensity, at gamma 2.4; (n, 3) to (n,)."""
    intensity = sdr_intensity(_log_code(np.asarray(code, np.float64)), _to_lm(), float(np.log(GREY_WHITE_NITS)), GAIN_GAMMA)
    return np.asarray(nits_to_bt1886(pq_to_nits(np.clip(intensity, 0, 1)), white_nits=GREY_WHITE_NITS, gamma=GAIN_GAMMA))


def _span_jnd(intensity: NDArray[np.float64]) -> float:
    low, high = np.quantile(intensity, TONE_ENDS)
    return float(high - low) * JND_PER_INTENSITY


def part_of(sample: FitSample, keep: NDArray[np.bool_] | slice) -> FitSample:
    """Some places of a sample."""
    return FitSample(sample.hdr_intensity[keep], sample.sdr_code[keep], sample.picture[keep], sample.shot, sample.noise_jnd)


def fit_controls(sample: FitSample, settings: Settings, *, free: tuple[float, float] | None = None) -> tuple[float, float, bool]:
    """White (cd/m2), gamma and `at_bound` of the set that leaves the least mean |dI|, within the set's reach.

    The search runs without bounds first (`free`, where it was done already): along the bent valley of white against gamma a search that
    meets a bound ends there although the valley goes on inside.
    """
    bounds = ((settings.white_low_nits, settings.white_high_nits), (settings.gamma_low, settings.gamma_high))
    white, gamma = free if free is not None else _fit_white_gamma(sample, FREE_BOUNDS)
    if not all(low <= value <= high for value, (low, high) in zip((white, gamma), bounds, strict=True)):
        white, gamma = _fit_at_edges(sample, bounds)
    return white, gamma, _at_edge(white, bounds[0], log=True) or _at_edge(gamma, bounds[1], log=False)


def _fit_at_edges(sample: FitSample, bounds: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """The best point within the set's reach where the best of all lies outside: on an edge, or where a search from inside ends."""
    residual = _residuals(sample)

    def loss(log_white: float, gamma: float) -> float:
        return float(residual(float(np.exp(log_white)), gamma).mean())

    logs = (float(np.log(bounds[0][0])), float(np.log(bounds[0][1])))
    white, gamma = _fit_white_gamma(sample, bounds)
    found = [(float(np.log(white)), gamma)]
    found += [(log_white, _least(partial(loss, log_white), bounds[1])) for log_white in logs]
    found += [(_least(partial(_turned, loss, gamma), logs), gamma) for gamma in bounds[1]]
    log_white, gamma = min(found, key=lambda point: loss(*point))
    return float(np.exp(log_white)), gamma


def _turned(loss: Callable[[float, float], float], second: float, first: float) -> float:
    return loss(first, second)


def _least(loss: Callable[[float], float], bounds: tuple[float, float]) -> float:
    from scipy.optimize import minimize_scalar  # a library that starts slowly: loaded when it is needed

    return float(minimize_scalar(loss, bounds=bounds, method="bounded", options={"xatol": 1e-4}).x)


def _at_edge(value: float, bounds: tuple[float, float], *, log: bool) -> bool:
    low, high, value = (np.log(bounds[0]), np.log(bounds[1]), np.log(value)) if log else (*bounds, value)
    return bool(min(value - low, high - value) < EDGE_SHARE * (high - low))


def _fit_white_gamma(sample: FitSample, bounds: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Least mean |dI|: from the best points of a grid on a few pixels, then on all of them from the best end."""
    logs = np.linspace(np.log(bounds[0][0]), np.log(bounds[0][1]), 9)
    gammas = np.linspace(*bounds[1], 7)
    box = [(float(logs[0]), float(logs[-1])), bounds[1]]
    few = _mean_residual(_thin(sample, START_PIXELS))
    grid = sorted(itertools.product(logs, gammas), key=few)
    # The valley of white against gamma is long and bends: a single search may end on its side, at a bound.
    best = min((_descend(few, start, box) for start in grid[:STARTS]), key=few)
    log_white, gamma = _descend(_mean_residual(sample), best, box)
    return float(np.exp(log_white)), gamma


def _thin(sample: FitSample, count: int) -> FitSample:
    return part_of(sample, slice(None, None, max(sample.hdr_intensity.size // count, 1)))


def _mean_residual(sample: FitSample) -> Callable[[Point], float]:
    residual = _residuals(sample)
    return lambda point: float(residual(float(np.exp(point[0])), float(point[1])).mean())


def _descend(loss: Callable[[Point], float], start: Point, box: Sequence[tuple[float, float]]) -> tuple[float, float]:
    end = _search(loss, (float(start[0]), float(start[1])), box)
    return float(end[0]), float(end[1])


def _search(loss: Callable[[Point], float], start: Sequence[float], box: Sequence[tuple[float, float]]) -> NDArray[np.float64]:
    from scipy.optimize import minimize  # a library that starts slowly: loaded when it is needed

    first = np.array(start, np.float64)
    found = minimize(loss, first, method="Nelder-Mead", bounds=box, options={"xatol": 1e-4, "fatol": 1e-8, "maxiter": 150 * first.size})
    return np.asarray(found.x, np.float64)


def keep_midtones(sample: FitSample) -> FitSample:
    """The unclipped mid-tones that `gain` is fitted to, or all where there are too few."""
    top = float(np.quantile(sample.sdr_code.max(-1), 0.999))
    level = sample.sdr_code.max(-1) / max(top, 1e-6)
    keep = (level > MIDTONE_CODES[0]) & (level < MIDTONE_CODES[1])
    return part_of(sample, keep) if keep.mean() >= LEAST_MIDTONES else sample


def fit_gain(sample: FitSample, settings: Settings) -> tuple[float, bool]:
    """White (cd/m2) at gamma 2.4 from unclipped mid-tones alone, and `at_bound`."""
    return fit_white(keep_midtones(sample), settings, gamma=GAIN_GAMMA)


def fit_white(sample: FitSample, settings: Settings, *, gamma: float) -> tuple[float, bool]:
    """White (cd/m2) that leaves the least mean |dI| at a fixed gamma, within the set's reach, and `at_bound`."""
    residual, bounds = _residuals(sample), (settings.white_low_nits, settings.white_high_nits)
    log_white = _least(lambda log: float(residual(float(np.exp(log)), gamma).mean()), (float(np.log(bounds[0])), float(np.log(bounds[1]))))
    white = float(np.exp(log_white))
    return white, _at_edge(white, bounds, log=True)


def _refit_draws(sample: FitSample, white: float, gamma: float, *, settings: Settings) -> NDArray[np.float64]:
    """Refit on resampled shots, draw for draw those of `ShotDraws`: the loss of each shot is tabulated on a grid about the fit."""
    logs = _grid_about(np.log(white), (np.log(settings.white_low_nits), np.log(settings.white_high_nits)))
    gammas = _grid_about(gamma, (settings.gamma_low, settings.gamma_high))
    surfaces = _draw_surfaces(sample, logs, gammas, settings=settings)
    out = np.array([_grid_minimum(surface, logs, gammas) for surface in surfaces])
    out[:, 0] = np.exp(out[:, 0])
    return out


def _refit_gain_draws(sample: FitSample, white: float, *, settings: Settings) -> NDArray[np.float64]:
    """White of `gain` refitted on the same draws, cd/m2."""
    logs = _grid_about(np.log(white), (np.log(settings.white_low_nits), np.log(settings.white_high_nits)))
    surfaces = _draw_surfaces(keep_midtones(sample), logs, np.array([GAIN_GAMMA]), settings=settings)
    return np.exp([_line_minimum(surface[:, 0], logs) for surface in surfaces])


def _line_minimum(line: NDArray[np.float64], at: NDArray[np.float64]) -> float:
    """Minimum of a tabulated line, refined by a parabola."""
    least = int(np.argmin(line))
    return float(at[least] + _vertex(line, least) * (at[1] - at[0]))


def _draw_surfaces(
    sample: FitSample, logs: NDArray[np.float64], gammas: NDArray[np.float64], *, settings: Settings
) -> Iterator[NDArray[np.float64]]:
    """Mean |dI| on a grid of log white and gamma, for each draw of shots."""
    residual, draws = _residuals(sample), ShotDraws(sample.shot, seed=settings.seed)
    shot = draws.index[sample.picture]
    size = np.bincount(shot, minlength=draws.shots).clip(1)
    pictures = np.bincount(draws.index, minlength=draws.shots)
    table = np.empty((logs.size, gammas.size, draws.shots))
    for i, log_white in enumerate(logs):
        for j, trial in enumerate(gammas):
            table[i, j] = np.bincount(shot, weights=residual(float(np.exp(log_white)), float(trial)), minlength=draws.shots) / size
    for n in range(settings.support_draws):
        weight = draws.times(n) * pictures
        yield table @ weight / weight.sum()


def _grid_about(middle: float, bounds: tuple[float, float]) -> NDArray[np.float64]:
    """Values about the fit and within the set's reach: a draw is bound by the set as the fit is."""
    return np.linspace(max(middle - DRAW_REACH, bounds[0]), min(middle + DRAW_REACH, bounds[1]), DRAW_POINTS)


def _grid_minimum(surface: NDArray[np.float64], logs: NDArray[np.float64], gammas: NDArray[np.float64]) -> tuple[float, float]:
    """Minimum of a tabulated surface, refined by a parabola along each axis."""
    i, j = np.unravel_index(np.argmin(surface), surface.shape)
    return (
        float(logs[i] + _vertex(surface[:, j], int(i)) * (logs[1] - logs[0])),
        float(gammas[j] + _vertex(surface[i], int(j)) * (gammas[1] - gammas[0])),
    )


def _vertex(values: NDArray[np.float64], at: int) -> float:
    if at in (0, values.size - 1):
        return 0.0
    left, middle, right = values[at - 1 : at + 2]
    bend = left - 2 * middle + right
    return float(0.5 * (left - right) / bend) if bend > 0 else 0.0


def fit_free(sample: FitSample, settings: Settings, *, free: tuple[float, float] | None = None) -> FreeFit:
    """White, gamma and lift without the set's bounds, and what they leave: nearly nothing where HDR is a power law of SDR.

    The residual is the 95th percentile over tone bins of each picture of its median, so that noise, which has no sign, cancels; what
    is left of it is subtracted in power. A lift is tried where white and gamma alone leave too much. `peak_ratio_stops` and `power_law`
    are filled once the pictures are scored.
    """
    white, gamma = free if free is not None else _fit_white_gamma(sample, FREE_BOUNDS)
    left, lift = _residual_jnd(sample, white, gamma), 0.0
    if left >= settings.power_law_jnd:
        lifted = _fit_lift(_thin(sample, START_PIXELS), white, gamma)
        with_lift = _residual_jnd(lift_codes(sample, lifted[2]), lifted[0], lifted[1])
        if with_lift < settings.power_law_jnd:
            (white, gamma, lift), left = lifted, with_lift
    return FreeFit("measured", white, gamma, lift, left, sample.noise_jnd, None, left < settings.power_law_jnd)


def lift_codes(sample: FitSample, lift: float) -> FitSample:
    """The sample with its signal lifted: (signal + lift) / (1 + lift)."""
    return replace(sample, sdr_code=lift_signal(sample.sdr_code, lift))


def lift_signal(signal: FloatArray, lift: float) -> NDArray[np.float64]:
    """(signal + lift) / (1 + lift): the signal of a set whose black is not 0 (ITU-R BT.1886 annex 1, L = a max(V + b, 0) ^ gamma)."""
    return np.asarray(np.maximum(np.asarray(signal, np.float64) + lift, 0) / (1 + lift))


def _fit_lift(sample: FitSample, white: float, gamma: float) -> tuple[float, float, float]:
    """White, gamma and lift that leave the least mean |dI|, from the best fit without a lift."""
    to_lm = _to_lm()

    def loss(point: Point) -> float:
        code = _log_code(lift_signal(sample.sdr_code, float(np.asarray(point)[2])))
        return float(np.abs(sample.hdr_intensity - sdr_intensity(code, to_lm, float(point[0]), float(point[1]))).mean())

    box = [(float(np.log(FREE_BOUNDS[0][0])), float(np.log(FREE_BOUNDS[0][1]))), FREE_BOUNDS[1], LIFT_BOUNDS]
    ends = [_search(loss, (float(np.log(white)), gamma, lift), box) for lift in LIFT_STARTS]
    log_white, found_gamma, lift = map(float, ends[int(np.argmin([loss(end) for end in ends]))])
    return float(np.exp(log_white)), found_gamma, lift


def _residual_jnd(sample: FitSample, white: float, gamma: float) -> float:
    """What a fit leaves in tone bins, 95th percentile, noise subtracted in power, x 720."""
    bins, errors = _bin_residuals(sample, white, gamma)
    return float(np.sqrt(max(float(np.quantile(np.abs(bins), RESIDUAL_QUANTILE)) ** 2 - float(np.mean((1.96 * errors) ** 2)), 0.0)))


def _bin_residuals(sample: FitSample, white: float, gamma: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Median of I - fit in tone bins of each picture and its standard error (of a median: 1.2533 sigma / sqrt n), x 720."""
    fitted = sdr_intensity(_log_code(sample.sdr_code), _to_lm(), float(np.log(white)), gamma)
    left = (sample.hdr_intensity - fitted) * JND_PER_INTENSITY
    medians, errors = [], []
    for picture in np.unique(sample.picture):
        places = np.flatnonzero(sample.picture == picture)
        tone = sample.hdr_intensity[places] + fitted[places]  # of both sides, so that the noise of one does not sort itself into a slope
        for part in np.array_split(places[np.argsort(tone, kind="stable")], min(POWER_LAW_BINS, places.size)):
            median = float(np.median(left[part]))
            medians.append(median)
            errors.append(1.2533 * 1.4826 * float(np.median(np.abs(left[part] - median))) / np.sqrt(part.size))
    return np.array(medians), np.array(errors)


def fit_setups(sample: FitSample, settings: Settings) -> SetupFits:
    """Every set-up of a title, `controls` with its uncertainty, and the free fit.

    Parameters
    ----------
    sample : pixels of matched pictures.
    settings : the set's reach, the reader's own set, the seed, the number of draws.

    Returns
    -------
    SetupFits, `difference` and `label` of each set-up still None.
    """
    nothing = SetupUncertainty(None, None)
    gain, gain_bound = fit_gain(sample, settings)
    gain_refits = _refit_gain_draws(sample, gain, settings=settings)
    sample, free = _fit_fitted_part(sample)
    white, gamma, bound = fit_controls(sample, settings, free=free)
    refits = _refit_draws(sample, white, gamma, settings=settings)
    several = np.unique(sample.shot).size > 1  # one shot says nothing of how others would differ
    spread = SetupUncertainty(float(refits[:, 0].std()), float(refits[:, 1].std())) if several else nothing
    setups = [
        Setup("white-100", 100.0, 2.4, False, nothing, None, None),
        Setup("white-203", 203.0, 2.4, False, nothing, None, None),
        *(_fit_fixed(sample, settings, gamma=gamma) for gamma in FIXED_GAMMAS),
        Setup("gain", gain, 2.4, gain_bound, nothing, None, None),
        Setup("controls", white, gamma, bound, spread, None, None),
    ]
    if settings.sdr_white is not None and settings.sdr_gamma is not None:
        setups.append(Setup("bench", settings.sdr_white, settings.sdr_gamma, False, nothing, None, None))
    return SetupFits(tuple(setups), fit_free(sample, settings, free=free), tone_span_jnd(sample), refits, gain_refits)


def _fit_fixed(sample: FitSample, settings: Settings, *, gamma: float) -> Setup:
    white, bound = fit_white(sample, settings, gamma=gamma)
    return Setup(f"gamma-{gamma}", white, gamma, bound, SetupUncertainty(None, None), None, None)


def tone_span_jnd(sample: FitSample) -> float:
    """5th to 95th percentile of intensity of the side that has the smaller range, the SDR at white 100 and gamma 2.4, x 720."""
    sdr = sdr_intensity(_log_code(sample.sdr_code), _to_lm(), float(np.log(100.0)), 2.4)
    return min(_span_jnd(side) for side in (sample.hdr_intensity, sdr))


def high_pass(d: NDArray[np.float64]) -> NDArray[np.float64]:
    """Immerkaer's high-pass of a picture, without its outermost rows and columns; of white noise it gives 6 standard deviations."""
    return (
        d[:-2, :-2]
        - 2 * d[:-2, 1:-1]
        + d[:-2, 2:]
        - 2 * (d[1:-1, :-2] - 2 * d[1:-1, 1:-1] + d[1:-1, 2:])
        + d[2:, :-2]
        - 2 * d[2:, 1:-1]
        + d[2:, 2:]
    )


def flat_noise_jnd(hdr_itp: FloatArray, sdr_itp: FloatArray) -> float:
    """Standard deviation of the difference in I from pixel to pixel where both pictures are flattest, x 720.

    The difference of the two intensities is high-passed by the kernel (1 -2 1; -2 4 -2; 1 -2 1) of Immerkaer (Fast noise variance
    estimation, CVIU 64(2), 1996), and the estimate taken over the quarter of the blocks with the least of it.

    Parameters
    ----------
    hdr_itp, sdr_itp : (row, column, 3) I, T, P of the two pictures at one set-up.

    Returns
    -------
    Noise, |dI| x 720, one standard deviation.
    """
    return flat_intensity_noise_jnd(hdr_itp[..., 0], sdr_itp[..., 0])


def flat_intensity_noise_jnd(hdr_intensity: FloatArray, sdr_intensity: FloatArray) -> float:
    """`flat_noise_jnd` from I, (row, column), alone."""
    hdr, sdr = (np.ascontiguousarray(side, np.float32) for side in (hdr_intensity, sdr_intensity))
    size = tuple(max(length - 2, 0) // NOISE_BLOCK_PIXELS for length in hdr.shape)
    if 0 in size:
        high = high_pass((hdr.astype(np.float64) - sdr) * JND_PER_INTENSITY)
        return float(np.abs(high).mean() * np.sqrt(np.pi / 2) / 6) if high.size else 0.0
    blocks = np.empty(size)
    block_high_pass(hdr, sdr, JND_PER_INTENSITY, NOISE_BLOCK_PIXELS, blocks)
    return float(np.quantile(blocks, 0.25) * np.sqrt(np.pi / 2) / 6)
