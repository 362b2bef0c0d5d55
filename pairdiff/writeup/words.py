"""Results in words, for a terminal: what a reader wants to see without opening the report."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from pairdiff._records import (
    SIDES,
    Alignment,
    BeyondSet,
    Comparison,
    Contaminants,
    Declared,
    FileCheck,
    Geometry,
    HighlightContrast,
    Levels,
    Measurement,
    Moment,
    PeakMoment,
    PixelPlace,
    Recovered,
    Segment,
    Setup,
    Verdict,
)
from pairdiff.light.transfer import nits_to_bt1886
from pairdiff.score.scan import SDR_LEVELS_GAMMA, SDR_LEVELS_WHITE_NITS
from pairdiff.verdict.rules import WORDS
from pairdiff.writeup.contaminants import say_in_short
from pairdiff.writeup.lead import say_lead
from pairdiff.writeup.phrases import (
    AXIS_WORDS,
    NBSP,
    NO_VALUE,
    SEGMENT_WORDS,
    caution_few_shots,
    say_declared_nits,
    say_fact,
    say_gamma,
    say_highlights,
    say_jnd,
    say_jod,
    say_nits,
    say_objections,
    say_plain,
    say_prose,
    say_share,
    say_spread,
    say_state,
    say_stops,
    say_stops_interval,
    say_time,
)
from pairdiff.writeup.spans import span_s

FRAME_FOR_FRAME = 0.06
"""How far the lengths of frames may differ for one to belong to one (own; PAL's speed is 4 % off)."""


def comparison_in_words(comparison: Comparison, *, out: Path) -> str:
    """Say the verdict, its axes and the figures it rests on.

    Parameters
    ----------
    comparison
        The result.
    out
        Folder that holds the report.

    Returns
    -------
    str
        Lines of text, without a newline at the end.
    """
    verdict, own = comparison.verdict, comparison.difference.on_its_own
    axes = {AXIS_WORDS[name]: say_state(state) for name, state in verdict.axes.items()} | {"tone": verdict.tone}
    numbers = {
        "highlight headroom": say_highlights(comparison.headroom.stops, uses_peak_ratio=bool(comparison.headroom.uses_peak_ratio))
        + say_stops_interval(comparison.headroom.stops_interval.low, comparison.headroom.stops_interval.high)
        + f"; {say_share(comparison.headroom.time_share.value)} of matched time reaches the threshold",
        "recovered detail": _recovered_in_words(comparison.recovered),
        "highlight contrast": _contrast_in_words(comparison.headroom.contrast),
        "best SDR set-up": f"white {say_nits(comparison.setup.white_nits)}, gamma {say_gamma(comparison.setup.gamma)}",
        **{f"at SDR gamma {one.gamma:.1f}": _setup_in_words(one) for one in comparison.setups if one.name.startswith("gamma-")},
        **{f"on your own set, gamma {say_gamma(one.gamma)}": _setup_in_words(one) for one in comparison.setups if one.name == "bench"},
        "side by side": f"{say_jnd(comparison.difference.side_by_side.rms)} (dE_ITP, root mean square)",
        "on its own": f"preference loss {say_jod(own.preference_loss.value)}, of which colour {say_jod(own.colour_part.value)} "
        "(a model fitted to a published metric)",
        "notice probability": f"{say_share(own.notice_probability.value)}: how often a viewer shown both blind, one after the other, is "
        f"predicted to pick the HDR release; 50{NBSP}% is a coin toss",
        "outside BT.709": _of(say_share(comparison.colour.outside_709_share), "of the picture"),
        "beyond the SDR set": _beyond_in_words(comparison.colour.beyond_set),
        "matched": f"{say_share(comparison.alignment.matched_share)} of the HDR frames{_offset_in_words(comparison.alignment)}",
        "support": _support_in_words(verdict),
    }
    if comparison.objections:
        numbers["objections"] = f"{say_objections([one.state for one in comparison.objections])}; the report has the sheet"
    head = f"{comparison.title}: {verdict.words}"
    lead = say_lead(verdict.label, verdict.axes, verdict.sentence)
    lines = [head, "", *([lead, ""] if lead else []), say_prose(verdict.sentence), "", *_table(axes), "", *_table(numbers)]
    notes = [f"Note: {note}" for note in say_in_short(*(_as_mapping(one) for one in (comparison.hdr_peak, comparison.contaminants)))]
    check = comparison.signal_check
    notes += [f"Caution: {note}" for note in (check.cautions if check else ())]
    notes += [f"Note: {say_prose(note)}" for note in (*comparison.coverage.notes, *comparison.alignment.notes)]
    if verdict.support:
        notes += [f"Caution: {note}" for note in caution_few_shots(comparison.coverage.shots)]
    return say_plain("\n".join([*lines, *([""] if notes else []), *notes])) + f"\n\nReport: {out / 'report.html'}"


def _offset_in_words(alignment: Alignment) -> str:
    """How many frames further on partners lie in the SDR release; nothing where frames are not matched one by one (PAL's speed is)."""
    steps = [float(np.median(np.diff(times))) for times in (alignment.hdr_times_s, alignment.sdr_times_s) if len(times) > 1]
    if len(steps) == 2 and abs(steps[0] / steps[1] - 1) > FRAME_FOR_FRAME:
        return ""
    return f", offset {alignment.offset_frames:+d} frames"


def _support_in_words(verdict: Verdict) -> str:
    share = verdict.support.get(verdict.label)
    if share is None and verdict.support:
        return f"no label holds in enough draws; the most that one has is {say_share(max(verdict.support.values()))}"
    return _of(say_share(share), "of draws give this label")


def _say_status(record: HighlightContrast | BeyondSet | None) -> str:
    return say_state("not_measured" if record is None else record.status)


def _recovered_in_words(found: Recovered) -> str:
    if found.status != "measured":
        return say_state(found.status)
    return (
        f"{say_jnd(found.detail_jnd)} in the median place where the SDR is clipped, 1 JND or more over {say_share(found.textured_share)} "
        f"of it; the level there {say_spread(found.film_stops)}"
    )


def _contrast_in_words(contrast: HighlightContrast | None) -> str:
    if contrast is None or contrast.status != "measured":
        return _say_status(contrast)
    return (
        f"{say_jnd(contrast.hdr_jnd)} in the median place above SDR white, SDR {say_jnd(contrast.sdr_jnd)}; 1 JND or more is "
        f"gained over {say_share(contrast.gained_share)} of it"
    )


def _beyond_in_words(beyond: BeyondSet | None) -> str:
    if beyond is None or beyond.status != "measured":
        return _say_status(beyond)
    return (
        f"saturated colour over {say_share(beyond.saturated_share)} of the picture, at 100 to 300 cd/m² over "
        f"{say_share(beyond.saturated_100_to_300_share)}"
    )


def _as_mapping(record: PeakMoment | Contaminants | None) -> Mapping[str, Any] | None:
    return None if record is None else dataclasses.asdict(record)


def _setup_in_words(setup: Setup) -> str:
    """What is left at a set-up and what it would be called on it alone."""
    loss = NO_VALUE if setup.difference is None else say_jod(setup.difference.on_its_own.preference_loss.value)
    figures = f"white {say_nits(setup.white_nits)}, headroom {say_stops(setup.headroom_stops)}, preference loss {loss}"
    return figures if setup.label is None else f"{figures}; on this alone: {WORDS[setup.label]}"


def _of(words: str, what: str) -> str:
    """What a share is of; nothing where there is no share."""
    return words if words == NO_VALUE else f"{words} {what}"


def measurement_in_words(measurement: Measurement) -> str:
    """Say what one release states about itself and what was measured.

    Parameters
    ----------
    measurement
        The result.

    Returns
    -------
    str
        Lines of text, without a newline at the end.
    """
    release, levels = measurement.result.release, measurement.result.levels
    signal = release.signal
    facts = {
        name: f"{say_fact(fact.value)} ({'assumed' if fact.assumed else fact.source})"
        for name, fact in (
            ("transfer", signal.transfer),
            ("primaries", signal.primaries),
            ("matrix", signal.matrix),
            ("range", signal.range),
            ("bit depth", signal.bit_depth),
            ("width", signal.width),
            ("height", signal.height),
            ("frame rate", signal.frame_rate),
        )
    }
    notes = [f"Note: {note}" for note in release.notes]
    notes += [f"Damage: {one.kind} before frame {one.frame}: {one.detail}" for one in measurement.result.damage]
    kind = "SDR" if signal.transfer.value == "bt1886" else "HDR"
    head = f"{release.path}: {kind}, {measurement.result.frames} pictures decoded, {levels.frames} measured"
    sections = [head, "Signal", *_table(facts), "Declared", *_table(_declared_in_words(release.declared)), *_measured(levels, kind=kind)]
    sections += [] if measurement.peak is None else [_peak_in_words(measurement.peak)]
    return say_plain("\n".join([*sections, *notes]))


def _declared_in_words(declared: Declared) -> dict[str, str]:
    states = {"MaxCLL": (declared.max_cll_state, declared.max_cll_nits), "MaxFALL": (declared.max_fall_state, declared.max_fall_nits)}
    return {name: say_declared_nits(nits) if state == "present" else say_state(state) for name, (state, nits) in states.items()}


def _measured(levels: Levels, *, kind: str) -> list[str]:
    """Levels with the condition they hold under. SDR has no light of its own: beside each level stands its signal."""
    rows = {
        "brightest pixel (MaxCLL)": _level_at(levels.max_cll_nits, levels.max_cll_time_s),
        "highest frame average (MaxFALL)": _level_at(levels.max_fall_nits, levels.max_fall_time_s),
        "highest 99.99th percentile": say_nits(levels.p9999_nits),
        "highest 99.9th percentile": say_nits(levels.p999_nits),
        "median": say_nits(levels.p50_nits),
        "picture above 100 cd/m2": say_share(levels.area_100_share),
        "picture above 203 cd/m2": say_share(levels.area_203_share),
    }
    if kind == "HDR":
        return [f"Measured, {levels.condition}", *_table(rows)]
    rows = {name.partition(" (")[0]: words for name, words in rows.items()}  # MaxCLL and MaxFALL are notions of HDR
    signals = {
        "brightest pixel": levels.max_cll_nits,
        "highest 99.99th percentile": levels.p9999_nits,
        "highest 99.9th percentile": levels.p999_nits,
        "median": levels.p50_nits,
    }
    rows |= {name: f"{rows[name]}, signal {_say_signal(nits)}" for name, nits in signals.items() if nits is not None}
    unit = "SDR has no light of its own, the set decides; a signal of 100 % is the white of any set, more is super-white"
    return [f"Measured, {levels.condition}", f"  ({unit})", *_table(rows)]


def _peak_in_words(peak: PixelPlace) -> str:
    where = "at the centre" if peak.place == "centre" else f"in the {peak.place} part"
    return (
        f"The brightest pixel: frame {peak.frame} at {say_time(peak.time_s)}, row {peak.row}, column {peak.column}, {where}; the connected "
        f"patch around it within half a stop has {peak.area_pixels} pixel{'' if peak.area_pixels == 1 else 's'} "
        f"({say_share(peak.area_share)} of the picture)"
    )


def _say_signal(nits: float) -> str:
    code = float(nits_to_bt1886(nits, white_nits=SDR_LEVELS_WHITE_NITS, gamma=SDR_LEVELS_GAMMA))
    return f"{100 * code:.1f}{NBSP}%"


def alignment_in_words(alignment: Alignment) -> str:
    """Say which frames belong together.

    Parameters
    ----------
    alignment
        The result.

    Returns
    -------
    str
        Lines of text, without a newline at the end.
    """
    offset = _offset_in_words(alignment).replace(", ", "; ")
    head = f"{say_share(alignment.matched_share)} of the HDR frames matched{offset}{' (SDR number minus HDR number)' if offset else ''}"
    score = f"Correlation of what moves {alignment.score:.3f}; second-best places {alignment.runner_up:.3f} (median)"
    notes = [f"Note: {say_prose(note)}" for note in alignment.notes]
    rows = [row for one in alignment.segments for row in _segment_rows(one, alignment)]
    return say_plain("\n".join([head, score, *rows, *_pictures_in_words(alignment.geometry), *notes]))


def _segment_rows(segment: Segment, alignment: Alignment) -> list[str]:
    """A row for each side that has a part in a segment: time and frames; what holds for both stands in the first."""
    known = {"speed": segment.speed, "confidence": segment.confidence}
    both = "".join(f"  {name} {value:.4g}" for name, value in known.items() if value is not None)
    rows: list[str] = []
    for side, times_s in zip(SIDES, (alignment.hdr_times_s, alignment.sdr_times_s), strict=True):
        start, stop = (segment.hdr_start, segment.hdr_stop) if side == "hdr" else (segment.sdr_start, segment.sdr_stop)
        if start is not None and stop is not None:
            first, last = span_s(segment, side, times_s)
            times = "" if first is None else f"{say_time(first)} to {say_time(last)}, "
            kind = "" if rows else SEGMENT_WORDS[segment.kind]
            rows.append(f"  {kind:<14}{side.upper()} {times}frames {start} to {stop - 1}{'' if rows else both}")
    return rows


def checks_in_words(checks: Sequence[FileCheck]) -> str:
    """What became of the files of a bundle: those that are not as they were written, and a count of each state."""
    rows = [f"  {one.state:13} {one.file}: {one.detail}" for one in checks if one.state != "as written"]
    states = dict.fromkeys(one.state for one in checks)
    counts = ", ".join(f"{sum(one.state == state for one in checks)} {state}" for state in states)
    return "\n".join([f"Files looked at: {len(checks)}", *rows, f"  {counts}"])


def _pictures_in_words(geometry: Sequence[Geometry]) -> list[str]:
    """Where the picture area changes, what share of each side has no counterpart, how the two are scaled."""
    if not geometry:
        return []
    head = "Picture area" if len(geometry) == 1 else f"Picture area, {len(geometry)} passages"
    columns = f"  {'HDR frames':<20}{'HDR picture':<14}{'SDR picture':<14}{'left out: HDR, SDR':<22}scale across, down; off by"
    return [head, columns, *(f"  {_picture_in_words(one)}" for one in geometry)]


def _picture_in_words(one: Geometry) -> str:
    frames = "all" if one.hdr_stop is None else f"{one.hdr_start} to {one.hdr_stop - 1}"
    hdr, sdr = (f"{area.right - area.left} x {area.bottom - area.top}" for area in (one.hdr_active, one.sdr_active))
    lost = f"{say_share(1 - one.common_share_hdr)}, {say_share(1 - one.common_share_sdr)}"
    off = "not measured" if one.residual_pixels is None else f"{one.residual_pixels:.2f} pixels"
    own = "; a place of its own" if one.registered else ""
    return f"{frames:<20}{hdr:<14}{sdr:<14}{lost:<22}{one.scale_columns:.4f}, {one.scale_rows:.4f}; {off}{own}"


def _level_at(nits: float | None, time_s: float | None) -> str:
    return say_nits(nits) + ("" if time_s is None else f" at {say_time(time_s)}")


def _table(rows: Mapping[str, str]) -> list[str]:
    width = max(map(len, rows))
    return [f"  {name:<{width}}  {text}" for name, text in rows.items()]


def moment_in_words(moment: Moment) -> str:
    """Frame and film time of a moment on both sides."""
    return f"HDR frame {moment.hdr_frame} ({say_time(moment.hdr_time_s)})   SDR frame {moment.sdr_frame} ({say_time(moment.sdr_time_s)})"
