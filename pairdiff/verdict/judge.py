"""Scores and their uncertainty become axes, a label, a sentence, and what would change them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import AxisState, Colour, FreeFit, Headroom, PairScore, Recovered, Setup, Shadows, Tone, Verdict
from pairdiff._settings import Settings
from pairdiff.score.headroom import Weighting, headroom_stops, peak_ratio_stops
from pairdiff.score.pooling import level_reached, shot_picker, weighted_quantile
from pairdiff.score.setup import SetupFits
from pairdiff.score.title import TitleScore
from pairdiff.verdict.rules import WORDS, Conditions, Rule, decide

THRESHOLDS = (
    "headroom_slight_stops",
    "headroom_clear_stops",
    "power_law_jnd",
    "regraded_jnd",
    "colour_slight_share",
    "colour_clear_share",
    "recovered_jnd",
    "recovered_spread",
    "stretched_clip_share",
    "stretched_residual_jnd",
)
"""Settings that are varied in the draws behind `support` and in the list of what would flip the label."""


@dataclass(frozen=True, slots=True)
class Case:
    """Everything the verdict rests on."""

    pairs: Sequence[PairScore]
    weighting: Weighting
    gain: Setup
    controls: Setup
    white_gamma_draws: NDArray[np.float64]
    """`controls` refitted on resampled shots, (draws, 2)."""
    free_fit: FreeFit
    headroom: Headroom
    recovered: Recovered
    shadows: Shadows
    colour: Colour
    tone: Tone
    matched_s: float
    matched_share_of_shorter: float
    names: tuple[str, ...]
    """Set-ups the pairs were scored at."""


@dataclass(frozen=True, slots=True)
class _Figures:
    """The few numbers a draw is judged by."""

    stops: float
    blurred_jnd: float
    outside_709_share: float
    bright_clipped_share: float | None
    detail_jnd: float | None
    detail_stops: float | None


@dataclass(frozen=True, slots=True)
class _Columns:
    """Pair scores as columns, so that a draw is arithmetic."""

    level: NDArray[np.float64]
    code: NDArray[np.float64]
    blurred: dict[str, NDArray[np.float64]]
    outside: NDArray[np.float64]
    clipped: NDArray[np.float64]
    bright_clipped: NDArray[np.float64]
    bright_area: NDArray[np.float64]
    detail: NDArray[np.float64]
    detail_stops: NDArray[np.float64]


def _columns(case: Case, settings: Settings) -> _Columns:
    pairs = case.pairs
    applies = np.array([pair.clipped_share >= settings.clipped_share for pair in pairs])

    def column(values: Sequence[float | None]) -> NDArray[np.float64]:
        return np.array([np.nan if value is None else value for value in values], np.float64)

    def where_clipped(values: Sequence[float | None]) -> NDArray[np.float64]:
        return np.where(applies, column(values), np.nan)

    return _Columns(
        column([p.hdr_p999_nits for p in pairs]),
        column([p.sdr_p999_code for p in pairs]),
        {name: column([p.blurred_jnd[name] for p in pairs]) for name in case.names},
        column([p.outside_709_share for p in pairs]),
        column([p.clipped_share for p in pairs]),
        column([p.bright_clipped_share for p in pairs]),
        column([p.area_above_white_share for p in pairs]),
        where_clipped([p.detail_jnd for p in pairs]),
        where_clipped([p.detail_stops for p in pairs]),
    )


def _figures(
    columns: _Columns,
    weights: NDArray[np.float64],
    picks: NDArray[np.int64] | slice,
    *,
    setup: Setup,
    gain: Setup | None,
    uses_ratio: bool,
    settings: Settings,
) -> _Figures:
    weights = weights[picks]
    level, code = columns.level[picks], columns.code[picks]
    if uses_ratio:
        stops = peak_ratio_stops(level, code, setup=setup)
    else:
        stops = np.minimum.reduce([headroom_stops(level, code, setup=s) for s in (setup, gain) if s is not None])
    return _Figures(
        level_reached(stops, settings.headroom_time_share, weights=weights),
        weighted_quantile(columns.blurred[setup.name][picks], 0.5, weights=weights),
        float(np.average(columns.outside[picks], weights=weights)),
        _mean(columns.bright_clipped[picks], weights * columns.bright_area[picks]),
        _median(columns.detail[picks], weights * columns.clipped[picks]),
        _median(columns.detail_stops[picks], weights * columns.clipped[picks]),
    )


def _mean(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float | None:
    known = ~np.isnan(values) & (weights > 0)
    return float(np.average(values[known], weights=weights[known])) if known.any() else None


def _median(values: NDArray[np.float64], weights: NDArray[np.float64]) -> float | None:
    known = ~np.isnan(values) & (weights > 0)
    return weighted_quantile(values[known], 0.5, weights=weights[known]) if known.any() else None


def _grade(value: float, slight: float, clear: float) -> AxisState:
    return "clearly_more" if value >= clear else "slightly_more" if value >= slight else "same"


def _axes(figures: _Figures, case: Case, settings: Settings) -> dict[str, AxisState]:
    power_law = case.free_fit.p95_jnd is not None and case.free_fit.p95_jnd < settings.power_law_jnd
    highlights = "same" if power_law else _grade(figures.stops, settings.headroom_slight_stops, settings.headroom_clear_stops)
    colour: AxisState = "not_applicable"
    if case.colour.status == "measured":
        colour = _grade(figures.outside_709_share, settings.colour_slight_share, settings.colour_clear_share)
    return {"highlights": highlights, "shadows": "cannot_tell", "colour": colour}


def _conditions(figures: _Figures, axes: Mapping[str, AxisState], case: Case, settings: Settings) -> Conditions:
    gains = ("slightly_more", "clearly_more")
    flat = figures.detail_jnd is not None and figures.detail_jnd < settings.recovered_jnd
    narrow = figures.detail_stops is not None and figures.detail_stops < settings.recovered_spread * figures.stops
    residual = case.tone.residual_p95_jnd
    return Conditions(
        too_little_matched=case.matched_s < settings.min_matched_s or case.matched_share_of_shorter < settings.min_matched_share,
        highlights_gain=axes["highlights"] in gains,
        highlights_clear=axes["highlights"] == "clearly_more",
        shadows_gain=axes["shadows"] in gains,
        shadows_clear=axes["shadows"] == "clearly_more",
        colour_gain=axes["colour"] in gains,
        regraded=figures.blurred_jnd >= settings.regraded_jnd,
        clipped_there=figures.bright_clipped_share is not None and figures.bright_clipped_share >= settings.stretched_clip_share,
        flat_there=flat and narrow,
        one_curve=residual is not None and residual <= settings.stretched_residual_jnd,
    )


def _rule(figures: _Figures, case: Case, settings: Settings) -> tuple[Rule, dict[str, AxisState]]:
    axes = _axes(figures, case, settings)
    return decide(_conditions(figures, axes, case, settings)), axes


def label_at(case: Case, setup: Setup, settings: Settings) -> str:
    """The label if the case rested on one set-up alone, without its uncertainty."""
    figures = _figures(
        _columns(case, settings),
        case.weighting.seconds,
        slice(None),
        setup=setup,
        gain=None,
        uses_ratio=case.headroom.uses_peak_ratio,
        settings=settings,
    )
    return _rule(figures, case, settings)[0].label


def _vary(settings: Settings, name: str, factor: float) -> Settings:
    return replace(settings, **{name: getattr(settings, name) * factor})


def support_labels(case: Case, settings: Settings) -> dict[str, float]:
    """Share of draws that give each label: resampled shots, set-up uncertainty, thresholds varied together by up to the stated share.

    Parameters
    ----------
    case : what was measured.
    settings : thresholds, spread, number of draws, seed.

    Returns
    -------
    Label to share, largest first; displays are not varied in this version (reference only).
    """
    columns, pick = _columns(case, settings), shot_picker(case.weighting.shots, seed=settings.seed)
    rng = np.random.default_rng(settings.seed + 1)
    found: Counter[str] = Counter()
    for draw in range(settings.support_draws):
        factors = rng.uniform(1 - settings.threshold_spread, 1 + settings.threshold_spread, len(THRESHOLDS))
        trial = replace(settings, **{name: getattr(settings, name) * f for name, f in zip(THRESHOLDS, factors, strict=True)})
        white, gamma = case.white_gamma_draws[rng.integers(len(case.white_gamma_draws))]
        setup = replace(case.controls, white_nits=float(white), gamma=float(gamma))
        figures = _figures(
            columns,
            case.weighting.seconds,
            pick(draw),
            setup=setup,
            gain=case.gain,
            uses_ratio=case.headroom.uses_peak_ratio,
            settings=trial,
        )
        found[_rule(figures, case, trial)[0].label] += 1
    return {label: count / settings.support_draws for label, count in found.most_common()}


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
    figures = _figures(
        _columns(case, settings),
        case.weighting.seconds,
        slice(None),
        setup=case.controls,
        gain=case.gain,
        uses_ratio=case.headroom.uses_peak_ratio,
        settings=settings,
    )
    rule, axes = _rule(figures, case, settings)
    support = support_labels(case, settings)
    leading = next(iter(support))
    certain = support.get(rule.label, 0.0) >= settings.support_min
    label = rule.label if certain else "undetermined"
    tone = "regraded" if figures.blurred_jnd >= settings.regraded_jnd else "as the SDR"
    return Verdict(
        label=label,
        words=WORDS[label],
        sentence=_sentence(label, rule, leading, axes, figures, case, support, settings),
        axes=axes,
        tone=tone,
        reasons=_reasons(rule, figures, case, settings),
        flips=_flips(rule.label, figures, case, settings),
        support=support,
    )


def _sentence(
    label: str,
    rule: Rule,
    leading: str,
    axes: Mapping[str, AxisState],
    figures: _Figures,
    case: Case,
    support: Mapping[str, float],
    settings: Settings,
) -> str:
    shown = f"with the SDR set at {case.controls.white_nits:.0f} cd/m2 white and gamma {case.controls.gamma:.2f}"
    silent = [f"{axis} ({state.replace('_', ' ')})" for axis, state in axes.items() if state in ("cannot_tell", "not_applicable")]
    tail = f" Counted as no gain: {', '.join(silent)}." if silent else ""
    if label == "undetermined" and rule.label != "undetermined":
        shares = ", ".join(f"{WORDS[name]} {share:.0%}" for name, share in support.items())
        return f"Cannot tell: {shown}, no label holds in {settings.support_min:.0%} of the draws ({shares}).{tail}"
    if label == "undetermined":
        return f"Cannot tell: {rule.reason}.{tail}"
    loss = float(np.average([p.preference_loss["controls"] for p in case.pairs], weights=case.weighting.seconds))
    told = f"a model fitted to a published metric predicts a mean preference loss of {loss:.2f} JOD for the SDR side"
    return f"{_capital(WORDS[label])}: {shown}, {rule.reason} ({_headline(figures, case)}); {told}.{tail}"


def _capital(words: str) -> str:
    return words[0].upper() + words[1:]


def _headline(figures: _Figures, case: Case) -> str:
    measure = "peak ratio" if case.headroom.uses_peak_ratio else "headroom, the lower of gain and controls,"
    outside = f"{figures.outside_709_share:.2%} of the picture outside BT.709"
    return f"{measure} {figures.stops:+.2f} stops, tone difference {figures.blurred_jnd:.1f} JND, {outside}"


def _reasons(rule: Rule, figures: _Figures, case: Case, settings: Settings) -> tuple[str, ...]:
    return (
        f"Rule: {rule.reason}.",
        _highlights_reason(figures, case, settings),
        *_free_fit_reason(case.free_fit, settings),
        _recovered_reason(case.recovered, settings),
        f"Tone: blurred pictures differ by {figures.blurred_jnd:.2f} JND (median); `regraded` from {settings.regraded_jnd:g}. "
        f"One curve leaves {case.tone.residual_p95_jnd:.1f} JND (95th percentile).",
        _colour_reason(figures, case.colour, settings),
        "Shadows: not measured in this version; counted as no gain.",
    )


def _highlights_reason(figures: _Figures, case: Case, settings: Settings) -> str:
    kind = "peak ratio (the SDR highlights stay well below its white)" if case.headroom.uses_peak_ratio else "highlight headroom"
    return (
        f"Highlights: {kind} {figures.stops:+.2f} stops in {settings.headroom_time_share:.0%} of matched time; `slightly_more` from "
        f"{settings.headroom_slight_stops:g}, `clearly_more` from {settings.headroom_clear_stops:g}."
    )


def _free_fit_reason(free: FreeFit, settings: Settings) -> tuple[str, ...]:
    if free.p95_jnd is None:
        return ()
    outcome = "the HDR is a power law of the SDR, so highlights count as the same" if free.power_law else "not shown to be a power law"
    fit = f"Free fit: white {free.white_nits:.0f} cd/m2, gamma {free.gamma:.2f} leaves {free.p95_jnd:.1f} JND (95th percentile)"
    return (f"{fit}: {outcome} (limit {settings.power_law_jnd:g}).",)


def _recovered_reason(recovered: Recovered, settings: Settings) -> str:
    if recovered.status != "measured" or recovered.detail_jnd is None:
        return "Recovered detail: not applicable, the SDR is clipped nowhere for long enough."
    stops = "" if recovered.detail_stops is None else f" over {recovered.detail_stops:.2f} stops"
    return (
        f"Where the SDR is clipped ({recovered.clipped_share:.2%} of the picture), HDR detail is {recovered.detail_jnd:.1f} JND{stops}; "
        f"flat means below {settings.recovered_jnd:g} JND and below {settings.recovered_spread:.0%} of the headroom."
    )


def _colour_reason(figures: _Figures, colour: Colour, settings: Settings) -> str:
    if colour.status != "measured":
        return "Colour: not applicable, the picture is black-and-white."
    return (
        f"Colour: {figures.outside_709_share:.2%} of the picture outside BT.709 by more than {settings.gamut_margin_jnd:g} JND; "
        f"`slightly_more` from {settings.colour_slight_share:.1%}."
    )


def _flips(label: str, figures: _Figures, case: Case, settings: Settings) -> tuple[str, ...]:
    flips = []
    for name in THRESHOLDS:
        for factor in (1 - settings.threshold_spread, 1 + settings.threshold_spread):
            other = _rule(figures, case, _vary(settings, name, factor))[0].label
            if other != label:
                flips.append(f"{name} at {getattr(settings, name) * factor:.3g} instead of {getattr(settings, name):g}: {WORDS[other]}.")
    flips += [flip for flip in (_value_flip(label, figures, case, settings),) if flip]
    flips.append("Shadow detail, once measured, could add a gain that is counted as none here.")
    return tuple(flips)


def _value_flip(label: str, figures: _Figures, case: Case, settings: Settings) -> str:
    """How far the headroom is from the nearest value at which the label changes."""
    for shift in np.round(np.arange(0.05, 3.01, 0.05), 2):
        for sign in (-1, 1):
            moved = replace(figures, stops=figures.stops + sign * float(shift))
            other = _rule(moved, case, settings)[0].label
            if other != label:
                return f"{shift:.2f} stops {'more' if sign > 0 else 'less'} headroom: {WORDS[other]}."
    return ""


def flips_by_setup(label: str, setups: Sequence[Setup]) -> tuple[str, ...]:
    """Set-ups at which the label, judged by them alone, would be another."""
    return tuple(
        f"Set-up {s.name} ({s.white_nits:.0f} cd/m2, gamma {s.gamma:.2f}) alone: {WORDS[s.label]}."
        for s in setups
        if s.label is not None and s.label != label
    )


def make_case(score: TitleScore, weighting: Weighting, fits: SetupFits, *, matched_s: float, matched_share: float) -> Case:
    """What the verdict rests on, from pooled scores."""
    return Case(
        pairs=score.pairs,
        weighting=weighting,
        gain=score.setup("gain"),
        controls=score.setup("controls"),
        white_gamma_draws=fits.draws,
        free_fit=fits.free,
        headroom=score.headroom,
        recovered=score.recovered,
        shadows=score.shadows,
        colour=score.colour,
        tone=score.tone,
        matched_s=matched_s,
        matched_share_of_shorter=matched_share,
        names=tuple(s.name for s in score.setups),
    )


def with_setup_flips(verdict: Verdict, setups: Sequence[Setup]) -> Verdict:
    """The verdict with the set-ups at which it would be another added to `flips`."""
    return replace(verdict, flips=verdict.flips + flips_by_setup(verdict.label, setups))
