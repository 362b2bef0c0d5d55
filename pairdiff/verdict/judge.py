"""Scores and their uncertainty become axes, a label, a sentence, and what would change them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import (
    AxisState,
    Colour,
    Estimate,
    FloatArray,
    FreeFit,
    Headline,
    Headroom,
    OriginSign,
    PairScore,
    Recovered,
    ScreenResult,
    Setup,
    Shadows,
    Tone,
    Verdict,
)
from pairdiff._settings import Settings
from pairdiff._tables import Table, column
from pairdiff.light.transfer import nits_to_pq
from pairdiff.score.colour import MARGIN_FACTORS
from pairdiff.score.detail import LEVEL_BINS, LEVEL_ROWS, spread_stops
from pairdiff.score.headroom import AREA_FACTORS, LEAST_NITS, Weighting, peak_ratio_stops, stops_used
from pairdiff.score.origin import count_signs
from pairdiff.score.pair import PairSpread
from pairdiff.score.pooling import LEAST_SHOTS, ShotDraws, level_interval, level_reached, weighted_quantile
from pairdiff.score.setup import GAIN_GAMMA, JND_PER_INTENSITY, SetupFits, lift_signal
from pairdiff.score.shadows import SHADOW_FACTORS
from pairdiff.score.title import TitleScore
from pairdiff.score.tone import shift_of_shots_jnd, shift_sizes_jnd
from pairdiff.verdict.figures import is_less
from pairdiff.verdict.rules import WORDS, Conditions, Rule, decide

THRESHOLDS = (
    "headroom_slight_stops",
    "headroom_clear_stops",
    "headroom_area_share",
    "headroom_time_share",
    "peak_ratio_below_code",
    "power_law_jnd",
    "regraded_jnd",
    "gamut_margin_jnd",
    "colour_slight_share",
    "colour_clear_share",
    "shadow_jnd",
    "shadow_slight_share",
    "shadow_clear_share",
    "clipped_share",
    "recovered_jnd",
    "recovered_spread",
    "recovered_spread_stops",
    "stretched_clip_share",
    "stretched_area_share",
    "stretched_gradual_share",
    "stretched_leap_share",
    "stretched_rise_codes",
    "stretched_residual_jnd",
)
"""Settings that are varied in the draws behind `support` and in the list of what would flip the label."""

SHOWS_MORE = ("restrained-hdr", "wider-range")
"""Labels that say that the HDR release shows more."""
TOLD_NOISE_STOPS = 0.1
"""Noise below this is not worth a sentence (own)."""
UPPER_TONES = (0.35, 0.5, 0.65)
"""Levels of the SDR below its highlights, as a share of its white or of the highest level it reaches, at which another grade is asked
how far it lifts bright tones (own)."""
BEYOND_SET_RATIO = 1.1
"""White of the free fit over that of a set at its bound, from which the HDR counts as brighter than the set goes (own)."""
BEYOND_SET_FOLLOWED = 2.0
"""What a brighter set may leave, in units of `regraded_jnd` above the limit of a power law, and its white still be what highlights are held
against (own: BT.709 values taken for BT.2020 leave 2.4 JND, a copy in strong compression 2.5)."""
BEYOND_SET_LEFT = 2.0
"""What a power law may leave there, in units of `regraded_jnd` (own: coarse grain of 10 % on the HDR alone leaves 4.3 JND)."""
BRIGHTEST_SHARE = 0.98
"""Share of the reach of a set's white from which it stands at its brightest (own)."""
LEAP_FROM = 0.9
"""SDR light, as a share of its white, up to which a curve that stretches the SDR has gained most of what it gains (own)."""
SEED_FLIP = "Another seed"
"""How the flip by other draws begins."""
MARKS_FLIP = "Counting the marks that stand still through the film as highlights"
"""How the flip by standing marks begins."""
SEED_ERRORS = 2.0
"""Standard errors of a share of draws within which another seed may give another label (own)."""
FLIP_STEP_STOPS, FLIP_REACH_STOPS = 0.01, 3.0
"""Steps in which headroom is moved until the label flips, and how far at most (own)."""
CROSSED_SHARE = 1e-6
"""By so much of it a figure is put below its threshold (own)."""
DRAWS_AT_ONCE = 25
"""Draws that are made together (own): those of a film of 170 000 pairs take 70 MB."""


_Outcome = tuple[Rule, tuple[tuple[str, AxisState], ...]]
"""The rule that decides, and the axes it was asked with."""


@dataclass(frozen=True, slots=True)
class Case:
    """Everything the verdict rests on."""

    pairs: Sequence[PairScore]
    spreads: Sequence[PairSpread]
    weighting: Weighting
    gain: Setup
    controls: Setup
    nodes: tuple[NDArray[np.float64], NDArray[np.float64]]
    """Whites and gammas of `PairSpread.cell_shifts`."""
    white_gamma_draws: NDArray[np.float64]
    """`controls` refitted on resampled shots, draw for draw those of `ShotDraws`, (draws, 2)."""
    gain_draws: NDArray[np.float64]
    """White of `gain` on the same draws, cd/m2."""
    free_fit: FreeFit
    headroom: Headroom
    recovered: Recovered
    shadows: Shadows
    colour: Colour
    tone: Tone
    tone_span_jnd: float
    """Least range of tone of the two sides, |dI| x 720."""
    matched_s: float
    matched_share_of_shorter: float
    names: tuple[str, ...]
    """Set-ups the pairs were scored at."""
    origin_signs: tuple[OriginSign, ...] = ()
    """Counted in the reasons; no rule asks for them."""


@dataclass(frozen=True, slots=True)
class _Figures:
    """The few numbers a draw is judged by."""

    stops: float
    uses_ratio: bool
    sdr_code: float
    """Signal that the SDR reaches in the area and time that the highlights are read in."""
    free_stops: float
    """Peak ratio at the free fit."""
    shift_jnd: float
    free_shift_jnd: float
    upper_stops: float
    """How far the film's tone curve lies above the SDR set at `UPPER_TONES`, the median; below it less than 0."""
    outside_709_share: float
    shadow_share: float
    """Share of picture that gains shadow detail, the level reached in a tenth of matched time."""
    clipped_share: float
    bright_clipped_share: float | None
    detail_jnd: float | None
    film_stops: float | None
    gradual_rim_share: float | None
    rise_codes: float | None


@dataclass(frozen=True, slots=True)
class _Columns:
    """Pair scores as columns, so that a draw is arithmetic."""

    settings: Settings
    """Those the pairs were scored with."""
    level: NDArray[np.float64]
    """(pairs, area factors), log2 of cd/m2."""
    code: NDArray[np.float64]
    code_with_glints: NDArray[np.float64]
    marks_stops: NDArray[np.float64]
    """What standing marks would add to the level."""
    marks_code: NDArray[np.float64]
    """What they would add to the SDR signal."""
    noise_stops: NDArray[np.float64]
    shift: dict[str, NDArray[np.float64]]
    outside: NDArray[np.float64]
    """(pairs, margin factors)."""
    shadows: NDArray[np.float64]
    """(pairs, shadow factors)."""
    clipped: NDArray[np.float64]
    bright_clipped: NDArray[np.float64]
    bright_stops: NDArray[np.float64]
    detail: NDArray[np.float64]
    gradual_rim: NDArray[np.float64]
    rise_codes: NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class _Draw:
    """What a set of figures is taken from."""

    weights: NDArray[np.float64]
    setup: Setup
    gain: Setup | None
    shift_jnd: NDArray[np.float64]
    """Tone shift of each pair at `setup`."""
    noise_share: float = 0.0
    """How much of what noise can lift is taken off the levels."""
    with_marks: bool = False
    film_counts: NDArray[np.float64] | None = None
    """`_film_counts` of it; None where they are still to be made."""


def _columns(case: Case, settings: Settings) -> _Columns:
    pairs, spreads = case.pairs, case.spreads

    def log_level(values: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.log2(np.maximum(values, LEAST_NITS))

    return _Columns(
        settings,
        log_level(column(spreads, "hdr_nits")),
        column(spreads, "sdr_code"),
        column(spreads, "sdr_with_glints_code"),
        log_level(column(pairs, "hdr_p999_with_marks_nits")) - log_level(column(pairs, "hdr_p999_nits")),
        column(pairs, "sdr_p999_with_marks_code") - column(pairs, "sdr_p999_code"),
        column(pairs, "level_noise_stops"),
        {name: column(pairs, "tone_shift_jnd", name) for name in (*case.names, "free")},
        column(spreads, "outside_709_share"),
        column(spreads, "shadow_gained_share"),
        column(pairs, "clipped_share"),
        column(pairs, "bright_clipped_share"),
        column(pairs, "stops_above_white"),
        column(pairs, "detail_jnd"),
        column(pairs, "gradual_rim_share"),
        column(pairs, "rise_codes"),
    )


def _parts(spreads: Sequence[PairSpread]) -> Iterator[tuple[slice, Sequence[PairSpread]]]:
    """The pairs some at a time, with the places they have: what is kept of all of them at varied set-ups fills gigabytes."""
    start = 0
    for part in spreads.parts() if isinstance(spreads, Table) else [spreads]:
        yield slice(start, start + len(part)), part
        start += len(part)


def _film_counts(spreads: Sequence[PairSpread], weights: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """HDR levels in clipped areas of all pairs together, (ways of weighting them, channels, bins)."""
    found = np.zeros((len(weights), LEVEL_ROWS, LEVEL_BINS))
    for places, part in _parts(spreads):
        if any(weight[places].any() for weight in weights):
            counts = _level_counts(part).astype(np.float64)
            for total, weight in zip(found, weights, strict=True):
                total += np.tensordot(weight[places], counts, 1)
    return found


def _level_counts(spreads: Sequence[PairSpread]) -> NDArray[np.int32]:
    """HDR levels in clipped areas of each pair, (pairs, channels, bins); 0 where there are no such areas."""
    if isinstance(spreads, Table):
        return spreads.column("level_counts")
    nothing = np.zeros((LEVEL_ROWS, LEVEL_BINS), np.int32)
    return np.stack([nothing if one.level_counts is None else one.level_counts for one in spreads])


def _shifts_jnd(case: Case, setups: Sequence[Setup]) -> NDArray[np.float64]:
    """Tone shift of each pair at set-ups between the nodes, (set-ups, pairs)."""
    found = np.empty((len(setups), len(case.pairs)))
    for places, part in _parts(case.spreads):
        at_nodes = column(part, "cell_shifts").astype(np.float32)
        for shift, setup in zip(found, setups, strict=True):
            at_white = _between(at_nodes, np.log(case.nodes[0]), float(np.log(setup.white_nits)))
            shift[places] = shift_sizes_jnd(_between(at_white, case.nodes[1], setup.gamma))
    return found


def _between(table: NDArray[np.floating], factors: Sequence[float] | NDArray[np.float64], factor: float) -> NDArray[np.float64]:
    """Values of a table along its second axis, tabulated at some factors, at another one between them."""
    at = float(np.interp(factor, factors, np.arange(len(factors))))
    low = min(int(at), len(factors) - 2)
    return np.asarray(table[:, low] * (1 - (at - low)) + table[:, low + 1] * (at - low))


def _figures(columns: _Columns, case: Case, draw: _Draw, settings: Settings) -> _Figures:
    """The figures of one draw; `settings` may differ from those the pairs were scored with in the thresholds that are varied."""
    weights, scored = draw.weights, columns.settings
    level, code, with_glints = _levels(columns, draw, settings)
    stops, uses_ratio = _stops_used(level, code, draw, settings)
    at_free = peak_ratio_stops(level, lift_signal(with_glints, case.free_fit.lift or 0.0), setup=_free_setup(case))
    applies = _clipped_area(columns, weights, settings)
    counts = _film_counts(case.spreads, [weights * (applies > 0)])[0] if draw.film_counts is None else draw.film_counts
    return _Figures(
        stops=level_reached(stops, settings.headroom_time_share, weights=weights),
        uses_ratio=uses_ratio,
        sdr_code=level_reached(code, settings.headroom_time_share, weights=weights),
        free_stops=level_reached(at_free, settings.headroom_time_share, weights=weights),
        shift_jnd=weighted_quantile(draw.shift_jnd, 0.5, weights=weights),
        free_shift_jnd=weighted_quantile(columns.shift["free"], 0.5, weights=weights),
        upper_stops=_upper_stops(case, draw.setup),
        outside_709_share=float(
            np.average(_between(columns.outside, MARGIN_FACTORS, settings.gamut_margin_jnd / scored.gamut_margin_jnd), weights=weights)
        ),
        shadow_share=level_reached(
            _between(columns.shadows, SHADOW_FACTORS, settings.shadow_jnd / scored.shadow_jnd),
            settings.headroom_time_share,
            weights=weights,
        ),
        clipped_share=float(np.average(columns.clipped, weights=weights)),
        bright_clipped_share=_mean(columns.bright_clipped, weights * columns.bright_stops),
        detail_jnd=_median(columns.detail, applies),
        film_stops=spread_stops(counts / max(weights.max(), 1e-12)),
        gradual_rim_share=_mean(columns.gradual_rim, applies),
        rise_codes=_mean(columns.rise_codes, applies),
    )


def _clipped_area(columns: _Columns, weights: NDArray[np.float64], settings: Settings) -> NDArray[np.float64]:
    """Time times clipped share of each picture; 0 where too little of it is clipped."""
    return weights * columns.clipped * (columns.clipped >= settings.clipped_share)


def _levels(columns: _Columns, draw: _Draw, settings: Settings) -> tuple[NDArray[np.float64], ...]:
    """HDR level (cd/m2) of each picture at the area share of the settings, SDR signal without and with super-white of a pixel or two."""
    area = settings.headroom_area_share / columns.settings.headroom_area_share
    stops_up = draw.with_marks * columns.marks_stops - draw.noise_share * columns.noise_stops
    marks = draw.with_marks * columns.marks_code
    codes = (_between(table, AREA_FACTORS, area) + marks for table in (columns.code, columns.code_with_glints))
    return 2 ** (_between(columns.level, AREA_FACTORS, area) + stops_up), *codes


def _curve_stops(case: Case) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """SDR and HDR side of the film's tone curve, log2 of cd/m2."""
    sdr, hdr = (np.log2(np.maximum(nits, LEAST_NITS)) for nits in (case.tone.curve_sdr_nits, case.tone.curve_hdr_nits))
    return sdr, hdr


def _upper_stops(case: Case, setup: Setup) -> float:
    """HDR over SDR at the tones below the highlights, stops; 0 without a curve.

    Another contrast lifts bright tones more than the highest; what it lifts less is the beginning of a range that goes on above, and is
    taken off by as much as the highest gain more.
    """
    sdr, hdr = _curve_stops(case)
    if sdr.size < 2:
        return 0.0
    white = np.log2(case.controls.white_nits)
    level = min(white, sdr[-1]) + np.log2(UPPER_TONES)

    def lift(tones: NDArray[np.float64]) -> NDArray[np.float64]:
        shown = np.log2(setup.white_nits) + (tones - white) * setup.gamma / case.controls.gamma
        return np.asarray(np.interp(tones, sdr, hdr) - shown)

    upper, highest = float(np.median(lift(level))), float(lift(sdr[-1:])[0])
    return upper - max(highest - upper, 0.0)


def _leap_share(case: Case) -> float | None:
    """Share of what the film's curve gains above SDR white that it gains from `LEAP_FROM` of it to the SDR's top; None without a gain."""
    sdr, hdr = _curve_stops(case)
    if sdr.size < 2:
        return None
    top = min(float(np.log2(case.controls.white_nits)), float(sdr[-1]))
    below, reached = np.interp([top + np.log2(LEAP_FROM), top], sdr, hdr)
    return float((reached - below) / (reached - top)) if reached > top else None


def _stops_used(level: NDArray[np.float64], code: NDArray[np.float64], draw: _Draw, settings: Settings) -> tuple[NDArray[np.float64], bool]:
    """Headroom of each picture, or its peak ratio where the SDR stays below its white, and which of the two."""
    setups = [setup for setup in (draw.setup, draw.gain) if setup is not None]
    return stops_used(level, code, setups=setups, weights=draw.weights, settings=settings)


def _free_setup(case: Case) -> Setup:
    free = case.free_fit
    white, gamma = free.white_nits or case.controls.white_nits, free.gamma or case.controls.gamma
    return replace(case.controls, name="free", white_nits=white, gamma=gamma)


def _whole(case: Case, columns: _Columns, setup: Setup, *, gain: Setup | None, with_marks: bool = False) -> _Draw:
    """Everything that was scored, nothing varied."""
    return _Draw(case.weighting.seconds, setup, gain, columns.shift[setup.name], with_marks=with_marks)


def _mean(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float | None:
    known = ~np.isnan(values) & (weights > 0)
    return float(np.average(values[known], weights=weights[known])) if known.any() else None


def _median(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float | None:
    known = ~np.isnan(values) & (weights > 0)
    return weighted_quantile(values[known], 0.5, weights=weights[known]) if known.any() else None


def _grade(value: float, slight: float, clear: float) -> AxisState:
    return "clearly_more" if value >= clear else "slightly_more" if value >= slight else "same"


def _is_power_law(figures: _Figures, case: Case, settings: Settings) -> bool:
    """Whether the free fit explains the picture and its highlights, and the HDR shows nothing where the SDR is clipped."""
    left, detail = case.free_fit.p95_jnd, figures.detail_jnd
    explained = (
        left is not None
        and left < _power_law_limit_jnd(figures, case, settings)
        and abs(figures.free_stops) < settings.headroom_slight_stops
    )
    return explained and (detail is None or detail < settings.recovered_jnd)


def _power_law_limit_jnd(figures: _Figures, case: Case, settings: Settings) -> float:
    """What a power law may leave.

    Where the HDR is brighter than any set goes, the limit is `BEYOND_SET_LEFT` times that of another grade, if flat places show none at the
    free fit: the noise of one release alone lifts what is left, and what a set lacks in brightness must not be taken for highlights on that
    account.
    """
    settled = _is_beyond_set(case) and figures.free_shift_jnd < settings.regraded_jnd
    return max(settings.power_law_jnd, BEYOND_SET_LEFT * settings.regraded_jnd) if settled else settings.power_law_jnd


def _is_beyond_set(case: Case) -> bool:
    """Whether the free fit is brighter than the set at its bound."""
    white = case.free_fit.white_nits
    return case.controls.at_bound and white is not None and white > BEYOND_SET_RATIO * case.controls.white_nits


def _tone_shift_jnd(figures: _Figures, case: Case, settings: Settings) -> float:
    """Shift of tone at the set-up, or at the free fit where that explains the picture: a power law is no other grade."""
    at_free = _is_power_law(figures, case, settings)
    return min(figures.shift_jnd, figures.free_shift_jnd) if at_free else figures.shift_jnd


def _regrade_stops(figures: _Figures, case: Case, settings: Settings) -> float:
    """What another grade moves tones below the highlights by, stops: so much of the headroom is that grade's and no range of highlights.

    The shift of all tones, told at SDR white, or how far bright tones are lifted, whichever is more.
    """
    shift = _tone_shift_jnd(figures, case, settings)
    if shift < settings.regraded_jnd:
        return 0.0
    one, two = nits_to_pq(np.array([1.0, 2.0]) * case.controls.white_nits)
    return max(float(shift / (JND_PER_INTENSITY * (two - one))), figures.upper_stops)


def _is_above(figures: _Figures, case: Case, settings: Settings) -> bool:
    """Whether highlights lie above SDR white by more than another grade lifts what lies below them.

    Where the SDR is clipped up there and the HDR is flat they need not do so by the threshold once more: a steeper grade lifts the top
    least of all, a stretch most.
    """
    if _is_brighter_set(figures, case, settings):
        return False
    left = figures.stops - _regrade_stops(figures, case, settings)
    return figures.stops >= settings.headroom_slight_stops and left >= _least_left(figures, settings)


def _is_brighter_set(figures: _Figures, case: Case, settings: Settings) -> bool:
    """Whether the HDR is the SDR, or another grade of it, on a set brighter than any that there is: highlights lie above the brightest set
    with all the rest, and not above the white that the free fit gives.
    """
    left = case.free_fit.p95_jnd
    brightest = _is_beyond_set(case) and case.controls.white_nits >= BRIGHTEST_SHARE * settings.white_high_nits
    if left is None or not brightest:
        return False
    followed = left < _power_law_limit_jnd(figures, case, settings) + BEYOND_SET_FOLLOWED * settings.regraded_jnd
    return followed and abs(figures.free_stops) < settings.headroom_slight_stops


def _least_left(figures: _Figures, settings: Settings) -> float:
    """Stops that must be left above what another grade can have made."""
    return 0.0 if _clipped_there(figures, settings) and _flat_there(figures, settings) else settings.headroom_slight_stops


def _axes(figures: _Figures, case: Case, settings: Settings) -> dict[str, AxisState]:
    highlights: AxisState = "same"
    if _is_above(figures, case, settings) and not _is_power_law(figures, case, settings):
        highlights = _grade(figures.stops, settings.headroom_slight_stops, settings.headroom_clear_stops)
    colour: AxisState = "not_applicable"
    if case.colour.status == "measured":
        colour = _grade(figures.outside_709_share, settings.colour_slight_share, settings.colour_clear_share)
    shadows: AxisState = "not_applicable"
    if case.shadows.status == "measured":
        shadows = _grade(figures.shadow_share, settings.shadow_slight_share, settings.shadow_clear_share)
    return {"highlights": highlights, "shadows": shadows, "colour": colour}


def _conditions(figures: _Figures, axes: Mapping[str, AxisState], case: Case, settings: Settings) -> Conditions:
    gains = ("slightly_more", "clearly_more")
    residual, gradual, leap = case.tone.residual_p95_jnd, figures.gradual_rim_share, _leap_share(case)
    return Conditions(
        too_little_matched=case.matched_s < settings.min_matched_s or case.matched_share_of_shorter < settings.min_matched_share,
        too_little_tone=case.tone_span_jnd < settings.min_tone_jnd,
        highlights_gain=axes["highlights"] in gains,
        highlights_clear=axes["highlights"] == "clearly_more",
        shadows_gain=axes["shadows"] in gains,
        shadows_clear=axes["shadows"] == "clearly_more",
        colour_gain=axes["colour"] in gains,
        regraded=_tone_shift_jnd(figures, case, settings) >= settings.regraded_jnd,
        clipped_there=_clipped_there(figures, settings),
        flat_there=_flat_there(figures, settings),
        one_curve=residual is not None and residual <= settings.stretched_residual_jnd,
        ends_sharply=gradual is not None and gradual < settings.stretched_gradual_share,
        still_rises=figures.rise_codes is not None and figures.rise_codes >= settings.stretched_rise_codes,
        leaps=leap is not None and leap >= settings.stretched_leap_share,
        power_law=_is_power_law(figures, case, settings),
        steep_law=(case.free_fit.gamma or 0.0) > settings.power_law_gamma_most and figures.stops >= settings.headroom_slight_stops,
        beyond_set=case.controls.at_bound,
    )


def _flat_there(figures: _Figures, settings: Settings) -> bool:
    """Whether the HDR shows neither detail nor more than one level where the SDR is clipped."""
    flat = figures.detail_jnd is not None and figures.detail_jnd < settings.recovered_jnd
    return flat and figures.film_stops is not None and figures.film_stops < _flat_stops(figures.stops, settings)


def _flat_stops(stops: float, settings: Settings) -> float:
    """Spread of level below which HDR is flat where the SDR is clipped, at a headroom."""
    return min(settings.recovered_spread * stops, settings.recovered_spread_stops)


def _clipped_there(figures: _Figures, settings: Settings) -> bool:
    """Whether what lies above SDR white lies where the SDR is clipped, over more of the picture than lamps take."""
    bright = figures.bright_clipped_share
    return bright is not None and bright >= settings.stretched_clip_share and figures.clipped_share >= settings.stretched_area_share


def _rule(figures: _Figures, case: Case, settings: Settings) -> tuple[Rule, dict[str, AxisState]]:
    axes = _axes(figures, case, settings)
    return decide(_conditions(figures, axes, case, settings)), axes


def label_at(case: Case, setup: Setup, settings: Settings) -> str:
    """The label if the case rested on one set-up alone, without its uncertainty."""
    columns = _columns(case, settings)
    return _rule(_figures(columns, case, _whole(case, columns, setup, gain=None), settings), case, settings)[0].label


def label_on_screen(case: Case, setup: Setup, show_levels: Callable[[FloatArray], FloatArray], settings: Settings) -> str:
    """The label if the case rested on one display: levels as it shows them, SDR as the set shows it there.

    Parameters
    ----------
    case : what was measured.
    setup : the SDR set on that display, under the name `controls`.
    show_levels : HDR levels on the reference to levels on the display, cd/m2.
    settings : thresholds.

    Returns
    -------
    Label. Tone and colour are those of the reference: a roll-off acts above them.
    """
    columns = _columns(case, settings)
    columns = replace(columns, level=np.log2(np.maximum(show_levels(2**columns.level), LEAST_NITS)))
    return _rule(_figures(columns, case, _whole(case, columns, setup, gain=None), settings), case, settings)[0].label


def _vary(settings: Settings, factors: Mapping[str, float]) -> Settings:
    """Settings with some thresholds moved; one that is a signal is moved by as much light (BT.1886)."""
    moves = {name: factor ** (1 / GAIN_GAMMA) if name.endswith("_code") else factor for name, factor in factors.items()}
    return replace(settings, **{name: getattr(settings, name) * move for name, move in moves.items()})


def support_labels(case: Case, settings: Settings) -> dict[str, float]:
    """Share of draws that give each label.

    A draw is a choice of shots with replacement, the set-up refitted on those very shots, thresholds varied together by up to the stated
    share, and a share of what noise can lift taken off the levels. Where every matched frame was scored the shots stay as they are, and
    only set-up, thresholds and noise vary.

    Parameters
    ----------
    case : what was measured.
    settings : thresholds, spread, number of draws, seed.

    Returns
    -------
    Label to share, largest first; displays are not varied in this version (reference only).
    """
    return _share_of_labels(_drawn_rules(case, settings))


def _drawn_rules(case: Case, settings: Settings) -> Counter[_Outcome]:
    """How often each rule decides, with which axes, in the draws of `support_labels`."""
    columns, shots = _columns(case, settings), ShotDraws(case.weighting.shots, seed=settings.seed)
    shares = {name: _stream(name, settings) for name in (*THRESHOLDS, "noise")}
    found: Counter[_Outcome] = Counter()
    for first in range(0, settings.support_draws, DRAWS_AT_ONCE):
        numbers = range(first, min(first + DRAWS_AT_ONCE, settings.support_draws))
        trials = [
            _vary(settings, {name: 1 + settings.threshold_spread * (2 * float(shares[name][number]) - 1) for name in THRESHOLDS})
            for number in numbers
        ]
        for trial, draw in zip(trials, _draws(case, columns, shots, numbers, trials, noise_shares=shares["noise"]), strict=True):
            rule, axes = _rule(_figures(columns, case, draw, trial), case, trial)
            found[rule, tuple(axes.items())] += 1
    return found


def _stream(name: str, settings: Settings) -> NDArray[np.float64]:
    """A number from 0 to 1 for each draw, by the name of what it varies: another threshold beside it changes nothing."""
    return np.random.default_rng((settings.seed + 1, *name.encode())).uniform(size=settings.support_draws)


def _share_of_labels(drawn: Counter[_Outcome]) -> dict[str, float]:
    """Share of draws of each label, largest first."""
    labels: Counter[str] = Counter()
    for (rule, _), count in drawn.items():
        labels[rule.label] += count
    return {label: count / drawn.total() for label, count in labels.most_common()}


def _is_enough(share: float, settings: Settings) -> bool:
    """Whether a share of draws is what a label needs, as it is printed: in whole percent."""
    return round(share, 2) >= settings.support_min


def _deciding(plain: _Outcome, drawn: Counter[_Outcome], settings: Settings) -> _Outcome:
    """Rule and axes of the label that enough draws give, where that is another than the figures alone give; else those of the figures."""
    label, share = next(iter(_share_of_labels(drawn).items()))
    if label == plain[0].label or not _is_enough(share, settings):
        return plain
    return max((one for one in drawn if one[0].label == label), key=lambda one: drawn[one])


def headroom_interval(case: Case, settings: Settings) -> Estimate:
    """Headroom with the ends of its interval: what other shots, and the set refitted on drawn ones, could make of it.

    The two are independent causes and are joined as the root of the sum of their squares, downwards and upwards; thresholds are as they
    are.

    Parameters
    ----------
    case : what was measured.
    settings : thresholds, number of draws, seed.

    Returns
    -------
    Estimate, stops; without ends for fewer than three shots, which say too little of how others would differ, and without an upper end
    where the shots are too few to bound what a tenth of other time would reach.
    """
    value, weighting = case.headroom.stops, case.weighting
    if value is None or np.unique(weighting.shots).size < LEAST_SHOTS:
        return Estimate(value, None, None)
    columns, share = _columns(case, settings), settings.headroom_time_share
    level, code, _ = _levels(columns, _whole(case, columns, case.controls, gain=case.gain), settings)

    def stops_at(controls: Setup, gain: Setup) -> NDArray[np.float64]:
        return _stops_used(level, code, _Draw(weighting.seconds, controls, gain, np.zeros(0)), settings)[0]

    low, high = level_interval(
        stops_at(case.controls, case.gain),
        share,
        weights=weighting.seconds,
        shots=weighting.shots,
        sampled_fraction=weighting.sampled_fraction,
        confidence=weighting.confidence,
    )
    found = [level_reached(stops_at(*_drawn_setups(case, n)), share, weights=weighting.seconds) for n in range(settings.support_draws)]
    least, most = np.quantile(found, ((1 - weighting.confidence) / 2, (1 + weighting.confidence) / 2))
    down = float(np.hypot(max(value - low, 0), max(value - least, 0)))
    up = None if high is None else float(np.hypot(max(high - value, 0), max(most - value, 0)))
    return Estimate(value, value - down, None if up is None else value + up)


def _drawn_setups(case: Case, number: int) -> tuple[Setup, Setup]:
    """`controls` and `gain` as one draw of shots fits them."""
    white, gamma = (float(value) for value in case.white_gamma_draws[number % len(case.white_gamma_draws)])
    gain = float(case.gain_draws[number % len(case.gain_draws)])
    return replace(case.controls, white_nits=white, gamma=gamma), replace(case.gain, white_nits=gain)


def _draws(
    case: Case,
    columns: _Columns,
    shots: ShotDraws,
    numbers: Sequence[int],
    trials: Sequence[Settings],
    *,
    noise_shares: NDArray[np.float64],
) -> list[_Draw]:
    """Draws of those numbers; several together, since all pairs are gone through for them."""
    weights = [case.weighting.seconds] * len(numbers)
    if case.weighting.sampled_fraction < 1:
        weights = [case.weighting.seconds * shots.picture_times(number) for number in numbers]
    setups = [_drawn_setups(case, number) for number in numbers]
    shifts = _shifts_jnd(case, [controls for controls, _ in setups])
    applies = [weight * (_clipped_area(columns, weight, trial) > 0) for weight, trial in zip(weights, trials, strict=True)]
    counts = _film_counts(case.spreads, applies)
    return [
        _Draw(weights[n], *setups[n], shifts[n], noise_share=float(noise_shares[number]), film_counts=counts[n])
        for n, number in enumerate(numbers)
    ]


def judge(case: Case, settings: Settings) -> Verdict:
    """Label, sentence, axes, reasons, what would flip it, support.

    Parameters
    ----------
    case : what was measured.
    settings : thresholds.

    Returns
    -------
    Verdict; `undetermined` where too little is matched or the leading label's support is below `support_min`.
    """
    columns = _columns(case, settings)
    figures = _figures(columns, case, _whole(case, columns, case.controls, gain=case.gain), settings)
    plain, plain_axes = _rule(figures, case, settings)
    drawn = _drawn_rules(case, settings)
    support, (rule, decided) = _share_of_labels(drawn), _deciding((plain, tuple(plain_axes.items())), drawn, settings)
    axes = dict(decided)
    certain = _is_enough(support.get(rule.label, 0.0), settings)
    label = rule.label if certain else "undetermined"
    shifted = _tone_shift_jnd(figures, case, settings) >= settings.regraded_jnd
    regraded = shifted if rule == plain else "regraded" in rule.holds or (shifted and rule.label != "sdr-in-hdr-container")
    return Verdict(
        label=label,
        words=WORDS[label],
        sentence=_sentence(label, rule, axes, figures, case, support, settings),
        axes=axes,
        tone="regraded" if regraded else "as the SDR",
        reasons=(
            _rule_reason(rule, figures, certain=certain),
            *_matched_reason(rule, case, settings),
            *_reasons(rule, plain, support, figures, case, settings),
        ),
        flips=_flips(label, plain.label, figures, case, columns, support, settings),
        support=support,
    )


def _sentence(
    label: str,
    rule: Rule,
    axes: Mapping[str, AxisState],
    figures: _Figures,
    case: Case,
    support: Mapping[str, float],
    settings: Settings,
) -> str:
    shown = f"with the SDR set at {case.controls.white_nits:.0f} cd/m2 white and gamma {case.controls.gamma:.2f}"
    loss = float(np.average(column(case.pairs, "preference_loss", "controls"), weights=case.weighting.seconds))
    told = f"a model fitted to a published metric predicts a mean preference loss of {loss:.2f} JOD for the SDR side"
    open_words = {"cannot_tell": "cannot tell", "not_applicable": "does not apply"}
    silent = [f"{axis} ({open_words[state]})" for axis, state in axes.items() if state in open_words]
    tail = f" Counts as no gain: {', '.join(silent)}." if silent else ""
    if label == "undetermined" and rule.label != "undetermined":
        shares = ", ".join(f'"{WORDS[name]}" {share:.0%}' for name, share in support.items())
        more = sum(support.get(name, 0.0) for name in SHOWS_MORE)
        how = f"; that the HDR release shows more holds in {more:.0%}, how much more is open" if _is_enough(more, settings) else ""
        return f"Cannot tell: {shown}, no label holds in {settings.support_min:.0%} of the draws ({shares}){how}; {told}.{tail}"
    if label == "undetermined":
        figure = f" ({_headline(figures, case, settings)})" if "highlights_gain" in rule.holds else ""
        return f"Cannot tell: {rule.reason}{figure}.{tail}"
    marks = case.headroom.standing_share or 0.0
    if marks > 0 and case.headroom.stops_with_marks != case.headroom.stops:
        tail = f" Left out: bright marks that stand still through the film, {_share(marks)} of the picture.{tail}"
    if label == "stretched-sdr":
        told += ", which counts brightness that can be seen but holds little that the SDR release has not"
    return f"{_capital(WORDS[label])}: {shown}, {_say_rule(rule, figures)} ({_headline(figures, case, settings)}); {told}.{tail}"


def _say_rule(rule: Rule, figures: _Figures) -> str:
    return rule.reason_by_ratio if figures.uses_ratio and rule.reason_by_ratio else rule.reason


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


def _headline(figures: _Figures, case: Case, settings: Settings) -> str:
    measure = f"peak ratio {_stops(figures.stops)}" if figures.uses_ratio else f"headroom {_say_headroom(figures, case)}"
    outside = f"{_share(figures.outside_709_share)} of the picture outside BT.709"
    return f"{measure}; tone shift {_tone_shift_jnd(figures, case, settings):.1f} JND; {outside}"


def _say_headroom(figures: _Figures, case: Case) -> str:
    """The headroom that counts, and where a gain alone leaves less, that of the set the sentence names."""
    counted, at_gain, at_controls = _stops(figures.stops), case.headroom.stops_gain, case.headroom.stops_controls
    if at_controls is None or not is_less(at_gain, at_controls):
        return counted
    return f"{counted} with a gain alone, which is less and counts, and {_stops(at_controls)} with all of the set's controls"


def _share(value: float) -> str:
    """A share as it is printed elsewhere: nothing, less than can be told, or percent."""
    return "nothing" if value == 0 else "less than 0.01%" if value < 1e-4 else f"{value:.2%}" if value < 0.1 else f"{value:.0%}"


def _stops(value: float) -> str:
    """Stops with their sign; what rounds to nothing has none."""
    return f"{value:+.2f} stops" if round(value, 2) else "0.00 stops"


def _reasons(rule: Rule, plain: Rule, support: Mapping[str, float], figures: _Figures, case: Case, settings: Settings) -> tuple[str, ...]:
    return (
        *_draws_reason(rule, plain, support),
        _highlights_reason(figures, case, settings),
        *_doubt_reasons(case, settings),
        *_free_fit_reason(figures, case, settings),
        _recovered_reason(figures, case.recovered, settings),
        *_nearly_stretched_reason(rule, figures, case, settings),
        *_even_reason(figures, case, settings),
        _tone_reason(figures, case, settings),
        _colour_reason(figures, case.colour, settings),
        _shadow_reason(figures, case.shadows, settings),
        *((count_signs(case.origin_signs),) if case.origin_signs else ()),
    )


def _rule_reason(rule: Rule, figures: _Figures, *, certain: bool) -> str:
    return f"Rule{'' if certain else ', if the doubt is set aside'}: {_say_rule(rule, figures)}."


def _matched_reason(rule: Rule, case: Case, settings: Settings) -> tuple[str, ...]:
    if "too_little_matched" not in rule.holds:
        return ()
    return (
        f"Matched: {case.matched_s:.1f} s, from {settings.min_matched_s:g} s they count (--min-matched-s), and "
        f"{case.matched_share_of_shorter:.1%} of the shorter release or of what --only names, from {settings.min_matched_share:.0%} "
        "(--min-matched-share). These two limits are not moved in the draws.",
    )


def _matched_flip(base: str, figures: _Figures, case: Case, settings: Settings) -> str:
    """What the label would be if enough were matched."""
    enough = replace(case, matched_s=np.inf, matched_share_of_shorter=1.0)
    other = _rule(figures, enough, settings)[0].label
    return "" if other == base else f"With no limit to how little may be matched: {WORDS[other]}."


def _draws_reason(rule: Rule, plain: Rule, support: Mapping[str, float]) -> tuple[str, ...]:
    """Why the label is not the one that the figures alone give."""
    if rule.label == plain.label:
        return ()
    return (
        f"As they stand the figures give: {WORDS[plain.label]}. The label is the one of {support[rule.label]:.0%} of the draws, which vary "
        "shots, set-up and thresholds and take off what noise can have lifted.",
    )


def _highlights_reason(figures: _Figures, case: Case, settings: Settings) -> str:
    kind = "peak ratio (the SDR highlights stay well below its white)" if figures.uses_ratio else "highlight headroom"
    shifted = _regrade_stops(figures, case, settings)
    graded = figures.stops >= settings.headroom_slight_stops and not _is_above(figures, case, settings)
    part = ""
    if graded:
        part = f" Another grade, which lifts tones below the highlights by {shifted:.2f} stops, can be why: counted as the same."
    elif shifted > 0 and figures.stops >= settings.headroom_slight_stops:
        part = (
            f" Another grade, which lifts tones below the highlights, can have made {shifted:.2f} stops of them; "
            f"{figures.stops - shifted:.2f} are left, and from {_least_left(figures, settings):g} they count."
        )
    return (
        f"Highlights: {kind} of {_stops(figures.stops)} or more over {settings.headroom_area_share:.1%} of the picture in "
        f"{settings.headroom_time_share:.0%} of matched time; slightly more from {settings.headroom_slight_stops:g}, clearly more from "
        f"{_limit_stops(settings.headroom_clear_stops)}.{part}{_switch_words(figures, case, settings)}"
    )


def _switch_words(figures: _Figures, case: Case, settings: Settings) -> str:
    """That the SDR hardly reaches its own white, where that is near the signal at which the other measure counts."""
    reached, limit, other = figures.sdr_code, settings.peak_ratio_below_code, case.headroom.peak_ratio_stops
    near = min(_vary(settings, {"peak_ratio_below_code": 1 + settings.threshold_spread}).peak_ratio_below_code, 1.0)
    if figures.uses_ratio or reached >= near or other is None:
        return ""
    return (
        f" The SDR itself reaches a signal of {reached:.0%} in as much of picture and time; below {limit:.0%} the level it reaches would "
        f"count in place of its white, and the highlights lie {_stops(other)} above that."
    )


def _limit_stops(value: float) -> str:
    return f"{value:g} stop{'' if value == 1 else 's'}"


def crosses_without_noise(room: Headroom, limits_stops: Sequence[float]) -> bool:
    """Whether the highlights would be on the other side of a limit without what noise can have lifted."""
    stops, noise = room.stops or 0.0, room.noise_stops or 0.0
    return any(stops >= limit > stops - noise for limit in limits_stops)


def _doubt_reasons(case: Case, settings: Settings) -> tuple[str, ...]:
    """What weakens the highlight figure, where there is any."""
    said = []
    marks, noise = case.headroom.standing_share or 0.0, case.headroom.noise_stops or 0.0
    if marks > 0:
        said.append(
            f"Marks that stand still above SDR white through the whole film cover {_share(marks)} of the picture and are left out of the "
            f"highlight figures; with them the headroom would be {_stops(case.headroom.stops_with_marks or 0.0)}."
        )
    limits = settings.headroom_slight_stops, settings.headroom_clear_stops
    if noise >= TOLD_NOISE_STOPS or crosses_without_noise(case.headroom, limits):
        said.append(
            f"Noise of the copies can have lifted the highlights by up to {noise:.2f} stops on average; the support takes it off, the "
            "interval does not."
        )
    brief, highest = case.headroom.time_share.value or 0.0, case.headroom.highest_shot_stops or 0.0
    if highest >= settings.headroom_slight_stops and 0 < brief < settings.headroom_time_share:
        said.append(
            f"In {_share(brief)} of matched time highlights reach {settings.headroom_slight_stops:g} stops or more, {_stops(highest)} at "
            f"most; what counts is what is reached in {settings.headroom_time_share:.0%} of it."
        )
    if np.unique(case.weighting.shots).size == 1:
        said.append("Only one shot was scored: the support says nothing of how other scenes would differ.")
    return tuple(said)


def _free_fit_reason(figures: _Figures, case: Case, settings: Settings) -> tuple[str, ...]:
    free = case.free_fit
    if free.p95_jnd is None:
        return ()
    found = _is_power_law(figures, case, settings)
    outcome = "the HDR is a power law of the SDR, so highlights count as the same" if found else "not a power law of the SDR"
    highlights = f"{_stops(figures.free_stops)} of highlights (limit {settings.headroom_slight_stops:g})"
    lift = f" of a signal {'lifted' if free.lift > 0 else 'lowered'} by {abs(free.lift):.3f}" if free.lift else ""
    return (
        f"Free fit: white {free.white_nits:.0f} cd/m2 and gamma {free.gamma:.2f}{lift} leave {free.p95_jnd:.1f} JND (limit "
        f"{_power_law_limit_jnd(figures, case, settings):g}) and {highlights}: {outcome}.",
    )


def _nearly_stretched_reason(rule: Rule, figures: _Figures, case: Case, settings: Settings) -> tuple[str, ...]:
    """A sign that is reported where detail alone speaks against a stretched SDR picture: grain laid on afterwards looks like detail."""
    if rule.label not in ("wider-range", "restrained-hdr") or figures.detail_jnd is None:
        return ()
    smoothed = replace(figures, detail_jnd=0.0)
    if _rule(smoothed, case, settings)[0].label != "stretched-sdr":
        return ()
    return (
        "Beside this: where the HDR is brighter the SDR is clipped and the HDR keeps nearly one level; only its "
        f"{figures.detail_jnd:.1f} JND of detail there, which could be grain, speaks against an SDR picture stretched brighter.",
    )


def _tone_reason(figures: _Figures, case: Case, settings: Settings) -> str:
    shift, one_curve = _tone_shift_jnd(figures, case, settings), case.tone.residual_p95_jnd
    at = "the free fit" if shift < figures.shift_jnd else "the set-up"
    shots = shift_of_shots_jnd(case.pairs, "free" if shift < figures.shift_jnd else case.controls.name)
    return (
        f"Tone: at flat places the pictures differ by a shift of {shift:.1f} JND at {at}, the median over matched time (shots: "
        f"{min(shots):.1f} to {max(shots):.1f}, what the SDR clips left out); another grade from {settings.regraded_jnd:g}. "
        f"One curve for the film leaves {one_curve:.1f} JND (95th percentile); it explains the picture up to "
        f"{settings.stretched_residual_jnd:g}."
    )


def _recovered_reason(figures: _Figures, recovered: Recovered, settings: Settings) -> str:
    if recovered.status != "measured" or recovered.detail_jnd is None:
        return "Recovered detail: not applicable, the SDR is clipped nowhere over enough of the picture."
    stops = "" if recovered.film_stops is None else f" and its level spreads over {recovered.film_stops:.2f} stops"
    textured = "" if recovered.textured_share is None else f" (1 JND or more over {_share(recovered.textured_share)} of it)"
    bright, least = recovered.bright_clipped_share, settings.stretched_clip_share
    above = bright is not None and figures.stops >= settings.headroom_slight_stops
    there = f" Of what lies above SDR white, stops times area, {bright:.0%} is there (stretched from {least:.0%})." if above else ""
    clipped = f"{_share(recovered.clipped_share or 0.0)} of the picture on average"
    if above:
        clipped += f", stretched from {settings.stretched_area_share:.0%}"
    return (
        f"Where the SDR is clipped ({clipped}) HDR detail is {recovered.detail_jnd:.1f} JND in the median place{textured}{stops}; "
        f"flat means below {settings.recovered_jnd:g} JND and below {settings.recovered_spread:.0%} of the headroom, "
        f"{settings.recovered_spread_stops:g} stops at most.{there}"
    )


def _even_reason(figures: _Figures, case: Case, settings: Settings) -> tuple[str, ...]:
    """What a stretch is told from: surfaces that are evenly lit, which are flat in any grade."""
    found = _conditions(figures, _axes(figures, case, settings), case, settings)
    if not (found.clipped_there and found.flat_there and found.highlights_gain):
        return ()
    gradual, leap, rise = figures.gradual_rim_share, _leap_share(case), figures.rise_codes
    said = ["Evenly lit surfaces that the SDR clips are flat in any grade, end at edges, and leap above what lies beside them."]
    if gradual is not None:
        least = settings.stretched_gradual_share
        said.append(f"Here the SDR falls off gradually at {gradual:.0%} of the rim of what it clips (stretched from {least:.0%}).")
    if leap is not None:
        said.append(
            f"Of what the HDR gains above SDR white it gains {leap:.0%} from {LEAP_FROM:.0%} of that white on (stretched below "
            f"{settings.stretched_leap_share:.0%})."
        )
    if rise is not None:
        said.append(
            f"Inside what looks clipped the SDR rises by {max(rise, 0.0):.1f} 8-bit codes with the HDR (stretched below "
            f"{settings.stretched_rise_codes:g}: what is clipped does not rise)."
        )
    said.append(
        "A grade of a source that was clipped in the camera, with an SDR drawn from it by one curve, looks the same as a stretch too."
    )
    return (" ".join((*said, "See in the stills what is clipped; the label says what the picture holds, not how it was made.")),)


def _colour_reason(figures: _Figures, colour: Colour, settings: Settings) -> str:
    if colour.status != "measured":
        return "Colour: not applicable, the picture is black-and-white."
    return (
        f"Colour: {_share(figures.outside_709_share)} of the picture outside BT.709 by more than {settings.gamut_margin_jnd:g} JND; "
        f"slightly more from {settings.colour_slight_share:.1%}, clearly more from {settings.colour_clear_share:.0%}."
    )


def _shadow_reason(figures: _Figures, shadows: Shadows, settings: Settings) -> str:
    if shadows.status != "measured" or shadows.gain_jnd is None or shadows.gamma_jnd is None:
        return (
            f"Shadows: not applicable, the SDR lies within {settings.shadow_codes:g} codes of its darkest over too little of the picture "
            f"({_share(shadows.dark_share or 0.0)}; from {settings.shadow_area_share:.0%}) to have lost anything there."
        )
    return (
        f"Shadows: where the SDR lies within {settings.shadow_codes:g} codes of its darkest ({_share(shadows.dark_share or 0.0)} of the "
        f"picture) HDR detail is {shadows.gain_jnd:.1f} JND more at the SDR gamma that leaves the least (the choice of gamma moves it by "
        f"{shadows.gamma_jnd:.1f}); at least {settings.shadow_jnd:g} JND, in {settings.headroom_time_share:.0%} of matched time, over "
        f"{_share(figures.shadow_share)} of the picture; slightly more from {settings.shadow_slight_share:.0%}, "
        f"clearly more from {settings.shadow_clear_share:.0%}."
    )


def _flips(
    label: str, base: str, figures: _Figures, case: Case, columns: _Columns, support: Mapping[str, float], settings: Settings
) -> tuple[str, ...]:
    """What would change the label; `base` is the label before its support was asked for."""
    flips = [] if label == base else [f"With the doubt set aside, as the figures stand: {WORDS[base]}."]
    whole = _whole(case, columns, case.controls, gain=case.gain)
    for name in THRESHOLDS:
        for factor in (1 - settings.threshold_spread, 1 + settings.threshold_spread):
            trial = _vary(settings, {name: factor})
            other = _rule(_figures(columns, case, whole, trial), case, trial)[0].label
            if other not in (base, label):
                flips.append(f"{name} at {getattr(trial, name):.3g} instead of {getattr(settings, name):g}: {WORDS[other]}.")
    flips += [*_value_flips(base, figures, case, settings), *_crossing_flips(base, figures, case, settings)]
    flips += _seed_flip(label, support, settings)
    more = [
        _matched_flip(base, figures, case, settings),
        _marks_flip(base, case, columns, settings),
        _power_law_flip(base, figures, case, settings),
        _reach_flip(base, case, settings),
    ]
    flips += [flip for flip in more if flip]
    named = " ".join(flips)
    others = [(WORDS[other], share) for other, share in support.items() if other != base]
    flips += [f"In {_share(share)} of the draws: {words}." for words, share in others if words not in named]
    return tuple(flips)


def _seed_flip(label: str, support: Mapping[str, float], settings: Settings) -> list[str]:
    """That other draws can make or unmake the label, where its support is within what their number leaves open."""
    leading, share = next(iter(support.items()))
    error = float(np.sqrt(share * (1 - share) / settings.support_draws))
    if abs(share - settings.support_min) >= SEED_ERRORS * error or label not in (leading, "undetermined"):
        return []
    other = "undetermined" if label == leading else leading
    return [
        f"{SEED_FLIP}: {settings.support_draws} draws tell {share:.1%} give or take {SEED_ERRORS * error:.1%}, and "
        f"{settings.support_min:.0%} are needed, in whole percent: {WORDS[other]}."
    ]


def _value_flips(base: str, figures: _Figures, case: Case, settings: Settings) -> list[str]:
    """How far the headroom is, up and down, from the value at which the label changes."""
    found = []
    for sign, word in ((1, "more"), (-1, "less")):
        for step in np.arange(1, FLIP_REACH_STOPS / FLIP_STEP_STOPS + 1) * FLIP_STEP_STOPS:
            moved = replace(figures, stops=figures.stops + sign * float(step))
            other = _rule(moved, case, settings)[0].label
            if other != base:
                found.append(f"{step:.2f} stops {word} headroom{_flat_in_words((base, other), moved, settings)}: {WORDS[other]}.")
                break
    return found


def _crossing_flips(base: str, figures: _Figures, case: Case, settings: Settings) -> list[str]:
    """Which other figure changes the label by crossing its threshold alone."""
    crossings: list[tuple[str, float, Callable[[float], str], str]] = [
        ("shift_jnd", settings.regraded_jnd, _jnd, "Shift of tone and colour"),
        ("detail_jnd", settings.recovered_jnd, _jnd, "HDR detail where the SDR is clipped"),
        ("film_stops", _flat_stops(figures.stops, settings), lambda value: f"{value:.2f} stops", "Spread of the HDR level there"),
        ("outside_709_share", settings.colour_slight_share, _share, "Picture outside BT.709"),
        ("outside_709_share", settings.colour_clear_share, _share, "Picture outside BT.709"),
        ("shadow_share", settings.shadow_slight_share, _share, "Picture with detail gained in the shadows"),
        ("shadow_share", settings.shadow_clear_share, _share, "Picture with detail gained in the shadows"),
    ]
    found: dict[tuple[str, str], str] = {}
    for name, limit, say, words in crossings:
        value = getattr(figures, name)
        if value is None or limit <= 0:
            continue
        from_below = value < limit
        changed: dict[str, Any] = {name: limit if from_below else limit * (1 - CROSSED_SHARE)}
        moved = replace(figures, **changed)
        other = _rule(moved, case, settings)[0].label
        if other != base:
            found.setdefault(
                (name, other), f"{words} {'from' if from_below else 'below'} {say(limit)}, instead of {say(value)}: {WORDS[other]}."
            )
    return list(found.values())


def _jnd(value: float) -> str:
    return f"{value:.1f} JND"


def _flat_in_words(labels: tuple[str, str], figures: _Figures, settings: Settings) -> str:
    """Why another headroom makes or unmakes a stretched picture while highlights still gain: flat is a share of the headroom."""
    if "stretched-sdr" not in labels or figures.film_stops is None or figures.stops < settings.headroom_slight_stops:
        return ""
    flat = figures.film_stops < _flat_stops(figures.stops, settings)
    return (
        f" (flat is a spread below {settings.recovered_spread:.0%} of the headroom and {settings.recovered_spread_stops:g} stops, and the "
        f"{figures.film_stops:.2f} stops where the SDR is clipped are {'then' if flat else 'no longer'} below that)"
    )


def _marks_flip(base: str, case: Case, columns: _Columns, settings: Settings) -> str:
    whole = _whole(case, columns, case.controls, gain=case.gain, with_marks=True)
    other = _rule(_figures(columns, case, whole, settings), case, settings)[0].label
    return "" if other == base else f"{MARKS_FLIP}: {WORDS[other]}."


def _power_law_flip(base: str, figures: _Figures, case: Case, settings: Settings) -> str:
    """What the label would be if a power law of the SDR did not count as the SDR picture."""
    if not _is_power_law(figures, case, settings):
        return ""
    other = _rule(figures, replace(case, free_fit=replace(case.free_fit, p95_jnd=None)), settings)[0].label
    return "" if other == base else f"Without the rule that a power law of the SDR is the SDR picture: {WORDS[other]}."


def _reach_flip(base: str, case: Case, settings: Settings) -> str:
    """What a set without bounds would make of a case whose set is at its bound."""
    if not case.controls.at_bound:
        return ""
    free = _free_setup(case)
    other = label_at(case, free, settings)
    shown = f"a set that could be turned to {free.white_nits:.0f} cd/m2 and gamma {free.gamma:.2f}"
    return "" if other == base else f"With {shown}: {WORDS[other]}."


def flips_by_setup(setups: Sequence[Setup]) -> tuple[str, ...]:
    """Set-ups at which the label, judged by them alone, would be another than at `controls` alone."""
    controls = next((s.label for s in setups if s.name == "controls"), None)
    return tuple(
        f"Set-up {s.name} ({s.white_nits:.0f} cd/m2, gamma {s.gamma:.2f}) alone: {WORDS[s.label]}{_unfitted(s)}."
        for s in setups
        if s.label is not None and s.label != controls
    )


def _unfitted(setup: Setup) -> str:
    """Why another grade at a white that was not fitted says little of the grade."""
    fixed = setup.name.startswith("white-") and setup.label == "different-grade"
    return " (at a white that is not fitted to the pair, tones lie apart by that)" if fixed else ""


def tell_power_law(case: Case, settings: Settings) -> FreeFit:
    """The free fit with whether the verdict takes it for a power law."""
    if case.free_fit.p95_jnd is None:
        return case.free_fit
    columns = _columns(case, settings)
    figures = _figures(columns, case, _whole(case, columns, case.controls, gain=case.gain), settings)
    return replace(case.free_fit, power_law=_is_power_law(figures, case, settings))


def with_left_out_flip(verdict: Verdict, everything: Headline | None) -> Verdict:
    """The verdict with what it would be if nothing were left out added to `flips`."""
    if everything is None:
        return verdict
    flips = [flip for flip in verdict.flips if not flip.startswith(MARKS_FLIP)]  # everything was judged again, these figures alone
    if everything.label != verdict.label:
        flips.append(f"Counting what was left out (marks, logos, credits, flashes, damage or words): {WORDS[everything.label]}.")
    return replace(verdict, flips=tuple(flips))


def make_case(score: TitleScore, weighting: Weighting, fits: SetupFits, *, matched_s: float, matched_share: float) -> Case:
    """What the verdict rests on, from pooled scores."""
    return Case(
        pairs=score.pairs,
        spreads=score.spreads,
        weighting=weighting,
        gain=score.setup("gain"),
        controls=score.setup("controls"),
        nodes=fits.nodes,
        white_gamma_draws=fits.draws,
        gain_draws=fits.gain_draws,
        free_fit=score.free,
        headroom=score.headroom,
        recovered=score.recovered,
        shadows=score.shadows,
        colour=score.colour,
        tone=score.tone,
        tone_span_jnd=fits.tone_span_jnd,
        matched_s=matched_s,
        matched_share_of_shorter=matched_share,
        names=tuple(s.name for s in score.setups),
        origin_signs=score.origin_signs,
    )


def with_screen_flips(verdict: Verdict, setups: Sequence[Setup], screens: Sequence[ScreenResult]) -> Verdict:
    """The verdict with the displays on which it would be another than at `controls` alone added to `flips`."""
    controls = next((s.label for s in setups if s.name == "controls"), None)
    found = tuple(
        f"On the display {one.name} ({one.peak_nits:.0f} cd/m2) alone: {WORDS[one.label]}."
        for one in screens
        if one.label is not None and one.label != controls
    )
    return replace(verdict, flips=verdict.flips + found)


def with_setup_flips(verdict: Verdict, setups: Sequence[Setup]) -> Verdict:
    """The verdict with the set-ups at which it would be another added to `flips`."""
    return replace(verdict, flips=verdict.flips + flips_by_setup(setups))
