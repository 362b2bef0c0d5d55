"""From what was measured of a pair to what is said of it: pooled figures, verdict, contaminants. No picture is looked at here.

`compare` comes here with what it has measured, and a re-run with what an earlier comparison kept of that: there is no second way.
"""

from __future__ import annotations

import importlib.metadata
import platform
from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np

from pairdiff._measured import STEPS, Asked, Measured, NotReadable, Picks, Seen, Stored, restore
from pairdiff._records import (
    Comparison,
    Contaminants,
    Coverage,
    Difference,
    FrameLevels,
    Headline,
    Headroom,
    Levels,
    Moment,
    PeakMoment,
    ReleaseResult,
    StopReason,
    Verdict,
)
from pairdiff._settings import Settings
from pairdiff._survey import LOOK_CONFIDENCE, LOOKS, MOST_DECODED
from pairdiff.frames.decode import decoder_version
from pairdiff.score.contaminants import (
    describe_peak,
    film_levels,
    find_bars,
    find_peak,
    foreign_frames,
    left_out_frames,
    level_causes,
    level_kinds,
    list_contaminants,
    list_in_sample,
)
from pairdiff.score.declared import check_declared
from pairdiff.score.headroom import Weighting
from pairdiff.score.scan import levels_condition, pool_levels
from pairdiff.score.title import ScoreCollector, TitleScore, pool_title
from pairdiff.stills.choose import choose_moments
from pairdiff.verdict.judge import (
    Case,
    headroom_interval,
    judge,
    label_at,
    label_on_screen,
    make_case,
    support_labels,
    tell_power_law,
    with_left_out_flip,
    with_screen_flips,
    with_setup_flips,
)
from pairdiff.verdict.objections import list_objections
from pairdiff.writeup.phrases import say_survey

NOTE_SURVEY_CONTAMINANTS = (
    "A survey looks for marks and words over its pictures and for cards at the ends of the film. Flashes, damaged frames, passages of one "
    "release alone and where the highest level lies are told by reading both releases whole (--full, --no-survey)."
)
TOO_MUCH_LEFT_OUT = (
    "{share:.0%} of the matched frames look like logos, credits, flashes or damage; over {most:.0%} is not believed, and all were kept."
)


def conclude(measured: Measured, *, title: str | None, asked: Asked, settings: Settings) -> Comparison:
    """Everything that is said of a pair, but for the objection sheet, which is made last (`with_objections`).

    Parameters
    ----------
    measured : what was measured; of a survey at its last look.
    title : of the film; the HDR file's name where None.
    asked : how the comparison was asked for.
    settings : thresholds and rules.

    Returns
    -------
    Comparison.
    """
    score, weighting, case = _make_case(measured, settings)
    setups = tuple(replace(setup, label=label_at(case, setup, settings)) for setup in score.setups)
    on_screens = tuple(
        replace(result, label=label_on_screen(case, screen.setup, screen.show_levels, settings))
        for screen, result in measured.scores.screens.pool(score.pairs, weighting, settings=settings)
    )
    controls = measured.fits.named("controls")
    moments = tuple(_typed(moment, measured.scores.types) for moment in choose_moments(score.pairs, controls=controls, seed=settings.seed))
    release = measured.hdr.release
    hdr, absolute = result_of(measured.hdr, settings), release.signal.transfer.value == "pq"
    comparison = Comparison(
        title=title or Path((*release.parts, release)[0].path).stem,
        hdr=hdr,
        sdr=result_of(measured.sdr, settings),
        alignment=measured.alignment,
        setups=setups,
        setup=next(s for s in setups if s.name == "controls"),
        free_fit=tell_power_law(case, settings),
        screens=on_screens,
        difference=score.difference,
        headroom=replace(score.headroom, stops_interval=headroom_interval(case, settings)),
        recovered=score.recovered,
        shadows=score.shadows,
        colour=score.colour,
        tone=score.tone,
        declared_checks=check_declared(release.declared, hdr.levels, absolute=absolute),
        origin_signs=score.origin_signs,
        viewer=score.viewer,
        verdict=with_screen_flips(with_setup_flips(judge(case, settings), setups), setups, on_screens),
        moments=moments,
        pairs=score.pairs,
        hdr_frames=measured.hdr.levels,
        sdr_frames=measured.sdr.levels,
        coverage=_coverage(measured, asked),
        versions=list_versions(),
        settings=asdict(settings),
        signal_check=measured.signal_check,
        steps=STEPS,
    )
    if measured.survey is not None:
        return replace(comparison, contaminants=_survey_contaminants(measured))
    peak, contaminants = _report_contaminants(measured, comparison, settings=settings)
    verdict = with_left_out_flip(comparison.verdict, contaminants.with_them)
    return replace(comparison, hdr_peak=peak, contaminants=contaminants, verdict=verdict)


def with_objections(comparison: Comparison) -> Comparison:
    """The comparison with the objection sheet, which is made from all the rest."""
    return replace(comparison, objections=list_objections(comparison))


def conclude_stored(
    stored: Stored, levels: tuple[Sequence[FrameLevels], Sequence[FrameLevels]], *, title: str | None, settings: Settings
) -> Comparison:
    """What is concluded now from what was measured and kept, at settings that may differ in what nothing is measured with.

    Parameters
    ----------
    stored : what was kept.
    levels : of the frames of both releases.
    title : of the film.
    settings : those that are wanted.

    Returns
    -------
    Comparison, with its moments as they were drawn and the objection sheet.

    Raises
    ------
    NotReadable : a survey would read on, or would have stopped earlier, or other moments would be shown: the films are needed.
    """
    last = restore(stored.looks[-1], levels)
    settings = settings_for(last.hdr.frames, settings)
    if last.survey is not None:
        last = replace(last, survey=replace(last.survey, stopped=_stop_again(stored, last, settings)))
    found = conclude(last, title=title, asked=stored.head.asked, settings=settings)
    drawn = {(one.rule, one.hdr_frame, one.sdr_frame, one.reason) for one in stored.moments}
    if {(one.rule, one.hdr_frame, one.sdr_frame, one.reason) for one in found.moments} != drawn:
        raise NotReadable("other moments are shown now, and have to be drawn")
    versions = None if dict(stored.head.versions) == dict(found.versions) else stored.head.versions
    return with_objections(replace(found, moments=stored.moments, measured_versions=versions))


def _stop_again(stored: Stored, last: Measured, settings: Settings) -> StopReason:
    """Why the survey stops at its last look, as at these settings."""
    for look in stored.looks[:-1]:
        if is_settled(restore(look, ((), ())), settings):
            raise NotReadable("the survey would have stopped at an earlier look")
    survey = last.survey
    assert survey is not None
    stopped = why_stop(
        settled=is_settled(last, settings),
        read_all=survey.windows >= LOOKS[survey.looks - 1],
        last_look=survey.looks == len(LOOKS),
        spent=survey.stopped == "budget",
        decoded=survey.decoded_frames,
    )
    if stopped is None:
        raise NotReadable("the survey would go on with another look")
    return stopped


def settings_for(hdr_frames: int, settings: Settings) -> Settings:
    """Settings that a pair is judged by: single pictures have no time that could be too short."""
    return replace(settings, min_matched_s=0.0) if hdr_frames == 1 else settings


def why_stop(*, settled: bool, read_all: bool, last_look: bool, spent: bool, decoded: int) -> StopReason | None:
    """Why a survey stops after a look; None where it goes on. A look of which windows are missing settles nothing."""
    if read_all and settled:
        return "settled"
    if read_all and last_look:
        return "last_look"
    if read_all and not spent:
        return None
    return "decoded" if decoded >= MOST_DECODED else "budget"


def is_settled(measured: Measured, settings: Settings) -> bool:
    """Whether other windows would hardly change the label: at this look's confidence, thresholds as they are, and with them varied."""
    _, _, case = _make_case(measured, settings)
    label, share = next(iter(support_labels(case, settings).items()))
    by_windows = support_labels(case, replace(settings, threshold_spread=0.0))
    return share >= settings.support_min and by_windows.get(label, 0.0) >= LOOK_CONFIDENCE


def _weighting(picks: Picks, *, shorter_frames: int) -> tuple[Weighting, float]:
    """What each pair stands for, and the matched share of the shorter release, or of the passage that was asked for."""
    fraction = len(picks.hdr_frames) / picks.matched_frames
    weighting = Weighting(np.array(picks.seconds), np.array(picks.shots), min(fraction, 1.0))
    # repeats on one side are frames without a partner of their own
    return weighting, min(picks.matched_frames / shorter_frames, 1.0)


def _make_case(measured: Measured, settings: Settings) -> tuple[TitleScore, Weighting, Case]:
    picks = measured.film.picks
    weighting, matched_share = _weighting(picks, shorter_frames=measured.shorter_frames)
    if measured.survey is not None:
        weighting = replace(weighting, confidence=measured.survey.confidence)
    score = pool_title(measured.scores.scored, weighting, fits=measured.fits, settings=settings)
    return score, weighting, make_case(score, weighting, measured.fits, matched_s=picks.matched_s, matched_share=matched_share)


def _coverage(measured: Measured, asked: Asked) -> Coverage:
    picks, survey = measured.film.picks, measured.survey
    damage = [(one.release.side.upper(), fault) for one in (measured.hdr, measured.sdr) for fault in one.damage]
    notes = [f"{side}: {fault.kind} before frame {fault.frame}: {fault.detail}" for side, fault in damage]
    notes += [] if asked.not_surveyed is None else [f"Both releases were read whole and not surveyed: {asked.not_surveyed}."]
    notes += [] if survey is None else say_survey(survey)
    return Coverage(
        mode="full" if asked.full else "sampled" if survey is None else "survey",
        hdr_frames=measured.hdr.frames,
        sdr_frames=measured.sdr.frames,
        matched_frames=picks.matched_frames,
        scored_pairs=len(picks.hdr_frames),
        shots=len(set(picks.shots)),
        notes=tuple(notes),
        survey=survey,
    )


def result_of(seen: Seen, settings: Settings) -> ReleaseResult:
    """One side of a comparison."""
    condition = levels_condition(seen.release.signal, hlg_peak_nits=settings.hlg_peak_nits)
    levels = pool_levels(seen.levels, condition=condition)
    if seen.of_some:
        levels = levels_of_some(levels)
    release = replace(seen.release, field_joins="")  # a letter a frame is nothing for a reader
    return ReleaseResult(release, levels, seen.frames, seen.damage)


def levels_of_some(levels: Levels) -> Levels:
    """Levels of a few pictures: the highest of a release are not among what they tell."""
    return replace(
        levels,
        max_cll_nits=None,
        max_cll_time_s=None,
        max_fall_nits=None,
        max_fall_time_s=None,
        max_fall_whole_nits=None,
        p9999_nits=None,
        p999_nits=None,
        p99_nits=None,
        condition=f"{levels.condition}; of {levels.frames} pictures drawn by a survey",
    )


def _typed(moment: Moment, types: Mapping[int, tuple[str, str]]) -> Moment:
    hdr, sdr = types[moment.hdr_frame]
    return replace(moment, hdr_picture_type=hdr, sdr_picture_type=sdr)


def list_versions() -> dict[str, str]:
    """What runs: ours, Python's, and those of the libraries that touch numbers."""
    names = ("pairdiff", "numpy", "scipy", "opencv-python-headless", "scikit-image", "av", "numba")
    found = {"python": platform.python_version()}
    for name in names:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "unknown"
    found["decoder"] = decoder_version()
    return found


# ---------------------------------------------------------------- what is not the film's picture


def _report_contaminants(measured: Measured, comparison: Comparison, *, settings: Settings) -> tuple[PeakMoment, Contaminants]:
    """Where the peak comes from, what was found, and the headline figures with and without it."""
    film, scores = measured.film, measured.scores
    table, found = film.table, film.found
    top = find_peak(table)
    seen = measured.see_peak(top)
    out = found["unmatched"] if film.kept else found["unmatched"] | foreign_frames(found)
    rest = find_peak(table, out=out)
    there = seen if rest == top else measured.see_peak(rest)
    causes = (*level_causes(table, rest, area_pixels=there.place.area_pixels), *there.laid_over)
    peak = describe_peak(table, found, seen.place, laid_over=seen.laid_over, film_frame=None if causes else rest)
    max_cll, max_fall = film_levels(table, found, scores.laid_over, causes=causes, kept=film.kept)
    without = _headline(comparison.verdict, comparison.difference, comparison.headroom, max_cll, max_fall)
    with_them = replace(without, max_cll_nits=comparison.hdr.levels.max_cll_nits, max_fall_nits=comparison.hdr.levels.max_fall_nits)
    if scores.with_all is not None:
        verdict, score = _judge_all(measured, scores.with_all, settings=settings)
        whole = comparison.hdr.levels
        with_them = _headline(verdict, score.difference, score.headroom, whole.max_cll_nits, whole.max_fall_nits)
    listed = list_contaminants(table, found, scores.laid_over, peak, word_nits=measured.word_nits, kept=film.kept)
    bars = find_bars(table, measured.hdr.active, measured.hdr.release.signal)
    listed = listed if bars is None else (*listed, bars)
    looks_so = float((left_out_frames(found) & (table.partner >= 0)).sum() / film.every.matched_frames)
    notes = (TOO_MUCH_LEFT_OUT.format(share=looks_so, most=settings.left_out_most_share),) if film.kept else ()
    kinds = level_kinds(causes, laid_over=bool(scores.laid_over))
    return peak, Contaminants("measured", listed, with_them, without, notes, kinds)


def _judge_all(measured: Measured, scored: ScoreCollector, *, settings: Settings) -> tuple[Verdict, TitleScore]:
    """Verdict and figures if everything counted, at the same set-ups."""
    every = measured.film.every
    weighting, matched_share = _weighting(every, shorter_frames=measured.shorter_frames)
    score = pool_title(scored, weighting, fits=measured.fits, settings=settings)
    case = make_case(score, weighting, measured.fits, matched_s=every.matched_s, matched_share=matched_share)
    return judge(case, settings), score


def _headline(
    verdict: Verdict, difference: Difference, headroom: Headroom, max_cll_nits: float | None, max_fall_nits: float | None
) -> Headline:
    own = difference.on_its_own
    return Headline(
        verdict.label,
        headroom.stops,
        own.preference_loss.value,
        own.notice_probability.value,
        headroom.area_share,
        headroom.time_share.value,
        max_cll_nits,
        max_fall_nits,
    )


def _survey_contaminants(measured: Measured) -> Contaminants:
    """What was left out of the windows' pictures; flashes, damage and where the highest level lies are not looked for."""
    film, frames = measured.film, measured.film.every.hdr_frames
    rows = {frame: row for row, frame in enumerate(frames)}
    listed = list_in_sample(
        film.table,
        film.found,
        [(rows[one.hdr_frame], one) for one in measured.scores.laid_over],
        word_nits=measured.word_nits,
        kept=film.kept,
    )
    return Contaminants("measured" if listed else "not_measured", listed, None, None, (NOTE_SURVEY_CONTAMINANTS,))
