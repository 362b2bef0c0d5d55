"""Results in words, for a terminal: what a reader wants to see without opening the report."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from pairdiff._records import Alignment, Comparison, Levels, Measurement


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
    axes = {name: state.replace("_", " ") for name, state in verdict.axes.items()} | {"tone": verdict.tone}
    support = verdict.support.get(verdict.label)
    numbers = {
        "highlight headroom": _figure(comparison.headroom.stops, " stops above SDR white")
        + f" ({_figure(comparison.headroom.time_share.value, ' %', digits=0, factor=100)} of matched time)",
        "best SDR set-up": f"white {comparison.setup.white_nits:.0f} cd/m2, gamma {comparison.setup.gamma:.2f}",
        "side by side": _figure(comparison.difference.side_by_side.rms, " dE_ITP (rms)", digits=1),
        "on its own": _figure(own.preference_loss.value, " JOD preference loss")
        + f", notice probability {_figure(own.notice_probability.value)} (0.5 is guessing; a model fitted to a published metric)",
        "outside BT.709": _figure(comparison.colour.outside_709_share, " % of the picture", factor=100),
        "matched": _figure(comparison.alignment.matched_share, " % of the HDR frames", digits=1, factor=100)
        + f", offset {comparison.alignment.offset_frames:+d} frames",
        "support": _figure(support, " % of draws give this label", digits=0, factor=100),
    }
    lines = [f"{comparison.title}: {verdict.words}", "", verdict.sentence, "", *_table(axes), "", *_table(numbers)]
    notes = [f"Note: {note}" for note in comparison.coverage.notes]
    return "\n".join([*lines, *([""] if notes else []), *notes, "", f"Report: {out / 'report.html'}"])


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
    signal, declared = release.signal, release.declared
    facts = {
        name: f"{fact.value} ({'assumed' if fact.assumed else fact.source})"
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
    says = {
        "MaxCLL": _figure(declared.max_cll_nits, " cd/m2", digits=0) if declared.max_cll_state == "present" else declared.max_cll_state,
        "MaxFALL": _figure(declared.max_fall_nits, " cd/m2", digits=0) if declared.max_fall_state == "present" else declared.max_fall_state,
    }
    notes = [f"Note: {note}" for note in release.notes]
    notes += [f"Damage: {one.kind} before frame {one.frame}: {one.detail}" for one in measurement.result.damage]
    head = f"{release.path}: {measurement.result.frames} pictures decoded, {levels.frames} measured"
    sections = [head, "Signal", *_table(facts), "Declared", *_table(says), "Measured", *_table(_levels_in_words(levels)), *notes]
    return "\n".join(sections)


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
    rows = [
        f"  {one.kind.replace('_', ' '):<14}{_frames(one.hdr_start, one.hdr_stop):<20}{_frames(one.sdr_start, one.sdr_stop)}"
        for one in alignment.segments
    ]
    offset = f"offset {alignment.offset_frames:+d} frames (SDR number minus HDR number)"
    head = f"{alignment.matched_share:.1%} of the HDR frames matched; {offset}"
    score = f"Correlation of what moves {alignment.score:.3f}; next best elsewhere {alignment.runner_up:.3f}"
    notes = [f"Note: {note}" for note in alignment.notes]
    return "\n".join([head, score, f"  {'kind':<14}{'HDR frames':<20}SDR frames", *rows, *notes])


def _levels_in_words(levels: Levels) -> dict[str, str]:
    return {
        "MaxCLL": _figure_at(levels.max_cll_nits, levels.max_cll_time_s),
        "MaxFALL": _figure_at(levels.max_fall_nits, levels.max_fall_time_s),
        "99.99th percentile": _figure(levels.p9999_nits, " cd/m2", digits=1),
        "99.9th percentile": _figure(levels.p999_nits, " cd/m2", digits=1),
        "median": _figure(levels.p50_nits, " cd/m2"),
        "area above 100 cd/m2": _figure(levels.area_100_share, " %", factor=100),
        "area above 203 cd/m2": _figure(levels.area_203_share, " %", factor=100),
        "condition": levels.condition,
    }


def _figure(value: float | None, unit: str = "", *, digits: int = 2, factor: float = 1.0) -> str:
    return "no value" if value is None else f"{value * factor:.{digits}f}{unit}"


def _figure_at(nits: float | None, time_s: float | None) -> str:
    return _figure(nits, " cd/m2", digits=1) + ("" if time_s is None else f" at {time_s:.3f} s")


def _frames(start: int | None, stop: int | None) -> str:
    return "-" if start is None or stop is None else f"{start} to {stop - 1}"


def _table(rows: Mapping[str, str]) -> list[str]:
    width = max(map(len, rows))
    return [f"  {name:<{width}}  {text}" for name, text in rows.items()]
