"""A title's scores: first what the set-up fit sees, then every pair at the fitted set-ups, then the pooled figures."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import (
    Colour,
    Difference,
    FreeFit,
    Headroom,
    OriginSign,
    PairScore,
    Recovered,
    Setup,
    SetupUncertainty,
    Shadows,
    Tone,
    Viewer,
)
from pairdiff._settings import Settings
from pairdiff._tables import BLOCK_ROWS, Keep, Table, column, in_memory
from pairdiff.light.picture import code_level, nits_to_intensity, sdr_code_to_nits
from pairdiff.score.colour import PictureColour, pool_colour
from pairdiff.score.colour_volume import PictureBeyond, ReachedCells, pool_beyond
from pairdiff.score.contrast import pool_contrast
from pairdiff.score.detail import HISTOGRAM_BINS, LEVEL_BINS, LEVEL_ROWS, count_codes, find_top_codes, pool_detail
from pairdiff.score.difference import pool_difference
from pairdiff.score.headroom import Weighting, film_headroom_stops, peak_ratio_stops, pool_headroom
from pairdiff.score.origin import GREY_CODES, FilmOrigin, PictureOrigin, pool_origin
from pairdiff.score.pair import PairMeasures, PairPictures, PairSpread, TopCodes
from pairdiff.score.pooling import level_reached
from pairdiff.score.setup import FitSample, FlatPlaces, SetupFits, find_flat_places, flat_intensity_noise_jnd, lift_signal
from pairdiff.score.shadows import DARK_BINS, count_dark, find_darkest_code, pool_shadows
from pairdiff.score.standing import SeenLevels, StandingMarks
from pairdiff.score.tone import ToneSamples, curve_distance_jnd, fit_title_curve, pool_tone

NO_CELLS = np.zeros(0, np.int32)
NOISE_WHITE_NITS, NOISE_GAMMA = 150.0, 2.4
"""Set-up at which noise is estimated before the fit is known: in dE_ITP noise hardly depends on it."""


@dataclass(frozen=True, slots=True)
class FitLook:
    """What the set-up fit and the clipping test need of one pair on the canvas."""

    places: FlatPlaces
    noise_jnd: float
    counts: NDArray[np.int64]
    """Of `count_codes`."""
    dark: NDArray[np.int64]
    """Of `count_dark`."""
    level_nits: NDArray[np.float32]
    """Of `code_level`, the HDR picture's."""


def look_at_pair(pictures: PairPictures) -> FitLook:
    """Measure what `FitCollector` takes of one pair; pairs may be looked at several at a time."""
    hdr = nits_to_intensity(pictures.hdr_nits)
    sdr = nits_to_intensity(sdr_code_to_nits(pictures.sdr_code, white_nits=NOISE_WHITE_NITS, gamma=NOISE_GAMMA))
    return FitLook(
        find_flat_places(hdr, pictures.sdr_code),
        flat_intensity_noise_jnd(hdr, sdr),
        count_codes(pictures.sdr_code),
        count_dark(pictures.sdr_code),
        code_level(pictures.hdr_nits),
    )


@dataclass(frozen=True, slots=True)
class FitState:
    """What a `FitCollector` has gathered, to go on from."""

    generator: str
    """State of the random draws, as JSON."""
    intensity: NDArray[np.float64]
    """HDR I of all places drawn, (n,)."""
    code: NDArray[np.float64]
    """SDR signal there, (n, 3)."""
    places: NDArray[np.int64]
    """How many of them are of each pair, (pair,)."""
    shots: NDArray[np.int64]
    noise_jnd: NDArray[np.float64]
    counts: NDArray[np.int64]
    """Of `count_codes`, added up."""
    dark: NDArray[np.int64]
    marks: tuple[SeenLevels, ...]


class FitCollector:
    """Gathers, picture by picture, what the set-up fit and the clipping test need; memory grows by the sampled pixels only."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._rng = np.random.default_rng(settings.seed)
        self._intensity: list[NDArray[np.float64]] = []
        self._code: list[NDArray[np.float64]] = []
        """Of one pair or of several, joined."""
        self._places: list[int] = []
        """How many are of each pair."""
        self._shots: list[int] = []
        self._noise: list[float] = []
        self._counts = np.zeros((3, HISTOGRAM_BINS + 1), np.int64)
        self._dark = np.zeros(DARK_BINS + 1, np.int64)
        self.marks = StandingMarks()

    def add(self, pictures: PairPictures, *, shot: int) -> None:
        """See one matched pair on the canvas."""
        self.take(look_at_pair(pictures), shot=shot)

    def take(self, look: FitLook, *, shot: int) -> None:
        """Keep what the fit needs of a pair that was looked at; places are drawn in the order in which pairs are taken."""
        intensity, code = look.places.draw(count=self._settings.fit_pixels_per_pair, rng=self._rng)
        self._intensity.append(intensity)
        self._code.append(code)
        if len(self._code) == BLOCK_ROWS:
            self._intensity, self._code = [np.concatenate(self._intensity)], [np.concatenate(self._code)]
        self._places.append(len(code))
        self._shots.append(shot)
        self._noise.append(look.noise_jnd)
        self._counts += look.counts
        self._dark += look.dark
        self.marks.add(look.level_nits, shot=shot)

    def state(self) -> FitState:
        """All that was gathered so far."""
        return FitState(
            json.dumps(self._rng.bit_generator.state),
            np.concatenate([np.zeros(0), *self._intensity]),
            np.concatenate([np.zeros((0, 3)), *self._code]),
            np.array(self._places, np.int64),
            np.array(self._shots, np.int64),
            np.array(self._noise, np.float64),
            self._counts.copy(),
            self._dark.copy(),
            self.marks.state(),
        )

    def go_on(self, state: FitState) -> int:
        """Take what an earlier run has gathered in the place of all that was gathered so far; how many pairs that is."""
        self._rng.bit_generator.state = json.loads(state.generator)
        self._intensity, self._code, self._places = [state.intensity], [state.code], state.places.tolist()
        self._shots, self._noise = state.shots.tolist(), state.noise_jnd.tolist()
        self._counts, self._dark = state.counts.copy(), state.dark.copy()
        self.marks.go_on(state.marks)
        return len(self._places)

    def sample(self) -> FitSample:
        """What the fit sees."""
        picture = np.repeat(np.arange(len(self._places)), self._places)
        return FitSample(
            np.concatenate(self._intensity),
            np.concatenate(self._code),
            picture,
            np.array(self._shots, np.int64),
            self.noise_jnd(),
        )

    def noise_jnd(self) -> float:
        """Noise of the pairs, |dI| x 720, median."""
        return float(np.median(self._noise))

    def top_codes(self) -> TopCodes:
        """The SDR title's top code per channel; None where nothing piles up."""
        return find_top_codes(self._counts, settings=self._settings)

    def darkest_code(self) -> float | None:
        """The SDR title's darkest level, signal; None where it never comes near black."""
        return find_darkest_code(self._dark)


class ScoreCollector:
    """Gathers scored pairs: what only its sum is asked of is added up at once, the rest stands in rows, of which whole blocks are put away.

    Parameters
    ----------
    keep : where these are put.
    """

    def __init__(self, *, keep: Keep = in_memory) -> None:
        self.scores = Table(PairScore, keep=keep)
        self.spreads = Table(PairSpread, keep=keep)
        """Without clipped areas a pair has level counts of 0."""
        self.tones = ToneSamples()
        self.colours = Table(PictureColour, keep=keep)
        self.beyonds = Table(PictureBeyond, keep=keep)
        """Without their cells."""
        self.reached = ReachedCells()
        self.origins = Table(PictureOrigin, keep=keep)
        """Of the greys their noise alone."""
        self.counts: dict[str, NDArray[np.float64]] = {}
        self.greys: tuple[NDArray[np.float64], NDArray[np.float64]] | None = None
        """Greys of the shots of even and of odd number, (GREY_CODES,) each; None as long as none were counted."""

    def add(self, measure: PairMeasures, *, seconds: float) -> None:
        """Take a scored pair that stands for some matched time."""
        for name, counts in measure.counts.items():
            self.counts[name] = self.counts.get(name, np.zeros(counts.size)) + counts * (seconds / counts.sum())
        spread, beyond = measure.spread, measure.beyond
        levels = np.zeros((LEVEL_ROWS, LEVEL_BINS), np.int32) if spread.level_counts is None else spread.level_counts
        self.scores.append(measure.score)
        self.spreads.append(replace(spread, level_counts=levels))
        self.tones.append(measure.tone)
        self.colours.append(measure.colour)
        self.beyonds.append(replace(beyond, hdr_cells=NO_CELLS, sdr_cells=NO_CELLS, beyond_cells=NO_CELLS))
        self.reached.add(beyond)
        self.origins.append(self._take_greys(measure))

    def _take_greys(self, measure: PairMeasures) -> PictureOrigin:
        """Add up a pair's greys; only their noise is kept with the pair."""
        greys = measure.origin.greys
        if greys is None:
            return measure.origin
        if self.greys is None:
            self.greys = (np.zeros(GREY_CODES), np.zeros(GREY_CODES))
        self.greys[measure.score.shot % 2][:] += greys.counts
        return replace(measure.origin, greys=replace(greys, counts=np.zeros(0)))


def collect_scores(measures: Iterable[PairMeasures], *, seconds: Iterable[float]) -> ScoreCollector:
    """A collector that holds pairs scored already, each standing for some matched time."""
    scored = ScoreCollector()
    for measure, stands_for in zip(measures, seconds, strict=True):
        scored.add(measure, seconds=stands_for)
    return scored


@dataclass(frozen=True, slots=True)
class TitleScore:
    """Pooled figures of a title."""

    pairs: Sequence[PairScore]
    spreads: Sequence[PairSpread]
    setups: tuple[Setup, ...]
    free: FreeFit
    difference: Difference
    headroom: Headroom
    recovered: Recovered
    shadows: Shadows
    colour: Colour
    tone: Tone
    origin_signs: tuple[OriginSign, ...]
    viewer: Viewer

    def setup(self, name: str) -> Setup:
        """The set-up of that name."""
        return next(setup for setup in self.setups if setup.name == name)


def pool_title(scored: ScoreCollector, weighting: Weighting, *, fits: SetupFits, settings: Settings) -> TitleScore:
    """Pool scored pairs into the title's figures.

    Parameters
    ----------
    scored : scored pairs.
    weighting : what each stands for.
    fits : the set-ups the pairs were scored at.
    settings : thresholds and seed.

    Returns
    -------
    TitleScore; set-up labels still None.
    """
    tones, weights = scored.tones, weighting.seconds
    curve = fit_title_curve(tones)
    pairs = scored.scores.with_column("curve_distance_jnd", np.array([curve_distance_jnd(tone, curve) for tone in tones]))
    shift = column(pairs, "tone_shift_jnd", "controls")
    tone = pool_tone(tones, curve, shots=weighting.shots, shift_jnd=shift, weights=weights, settings=settings)
    setups = tuple(_pool_setup(scored, pairs, weighting, s, settings) for s in fits.setups)
    controls = next(s for s in setups if s.name == "controls")
    assert controls.difference is not None
    recovered = pool_detail(pairs, (spread.level_counts for spread in scored.spreads), weights=weights, settings=settings)
    colour = pool_colour(scored.colours, weights=weights, settings=settings)
    coloured = colour.status == "measured"
    beyond = pool_beyond(
        scored.beyonds,
        weights=weights,
        white_nits=controls.white_nits,
        coloured=coloured,
        settings=settings,
        reached=scored.reached,
    )
    origin = FilmOrigin(scored.origins, pairs, tones, weighting, controls, recovered, colour, tone, scored.greys)
    headroom = pool_headroom(pairs, weighting, gain=fits.named("gain"), controls=controls, settings=settings)
    return TitleScore(
        pairs=pairs,
        spreads=scored.spreads,
        setups=setups,
        free=_finish_free_fit(fits.free, pairs, weights, settings),
        difference=controls.difference,
        headroom=replace(headroom, contrast=pool_contrast(pairs, weights=weights, settings=settings)),
        recovered=recovered,
        shadows=pool_shadows(pairs, weights=weights, settings=settings),
        colour=replace(colour, beyond_set=beyond),
        tone=tone,
        origin_signs=pool_origin(origin, settings),
        viewer=_viewer(pairs, weights, controls, settings),
    )


def _finish_free_fit(free: FreeFit, pairs: Sequence[PairScore], weights: NDArray[np.float64], settings: Settings) -> FreeFit:
    """The free fit with what it leaves of the highlights; whether it is a power law the verdict tells, which has more to ask."""
    if free.white_nits is None or free.gamma is None:
        return free
    level, code = (column(pairs, name) for name in ("hdr_p999_nits", "sdr_p999_with_glints_code"))
    at_free = Setup("free", free.white_nits, free.gamma, False, SetupUncertainty(None, None), None, None)
    code = lift_signal(code, free.lift or 0.0)
    stops = level_reached(peak_ratio_stops(level, code, setup=at_free), settings.headroom_time_share, weights=weights)
    return replace(free, peak_ratio_stops=stops)


def _pool_setup(scored: ScoreCollector, pairs: Sequence[PairScore], weighting: Weighting, setup: Setup, settings: Settings) -> Setup:
    difference = pool_difference(pairs, weighting, setup_name=setup.name, counts=scored.counts[setup.name])
    return replace(setup, difference=difference, headroom_stops=film_headroom_stops(pairs, weighting, setup=setup, settings=settings))


def _viewer(pairs: Sequence[PairScore], weights: NDArray[np.float64], controls: Setup, settings: Settings) -> Viewer:
    hdr, sdr = (float(np.average(column(pairs, name), weights=weights)) for name in ("hdr_mean_nits", "sdr_mean_nits"))
    reserve = float(np.log2(settings.white_high_nits / controls.white_nits))
    return Viewer("measured", reserve, hdr / sdr if sdr > 0 else None)
