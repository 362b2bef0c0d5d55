"""The edit map for people and for editors: a small drawing in text, tables (CSV) of passages and frames, an OpenTimelineIO timeline.

The timeline lies on film time: both releases side by side, a gap where one of them has nothing. OpenTimelineIO (Academy Software
Foundation) keeps a clip's own frame rate; where both sides of a matched passage do not last equally long, the shorter is padded by a gap.
"""

from __future__ import annotations

import csv
import io
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from pairdiff._errors import OutputRefused
from pairdiff._records import Alignment, FloatArray, Segment
from pairdiff.writeup.document import write_whole
from pairdiff.writeup.phrases import say_time
from pairdiff.writeup.spans import end_s, span_s

MARKS = {"matched": "█", "undetermined": "▒", "hdr_only": "·", "sdr_only": "·"}
"""How frames are drawn: matched, undetermined, without partner."""
BAR_COLUMNS = 72
COLUMNS = (
    *("kind", "hdr_start", "hdr_stop", "sdr_start", "sdr_stop"),
    *("hdr_start_s", "hdr_stop_s", "sdr_start_s", "sdr_stop_s", "speed", "confidence"),
)
NOMINAL_RATES = tuple(Fraction(n * 1000, 1001) for n in (24, 30, 48, 60, 120)) + tuple(Fraction(n) for n in (24, 25, 30, 48, 50, 60, 120))
"""Usual frame rates: time stamps are rounded, so that a rate read off them is nearly one of these."""


def draw_edit_map(alignment: Alignment, *, columns: int = BAR_COLUMNS) -> str:
    """Two bars, one a release, on one scale of time.

    Parameters
    ----------
    alignment : with the times of its frames.
    columns : characters that the longer release takes.

    Returns
    -------
    Lines of text without a newline at the end; empty where the alignment holds no times.
    """
    sides = {"hdr": alignment.hdr_times_s, "sdr": alignment.sdr_times_s}
    if not all(len(times) for times in sides.values()):
        return ""
    longest = max(end_s(times) for times in sides.values())
    bars = [f"  {side.upper()}  {_draw_bar(alignment.segments, side, times, longest, columns)}" for side, times in sides.items()]
    legend = f"  {MARKS['matched']} matched   {MARKS['undetermined']} undetermined   {MARKS['hdr_only']} no partner"
    return "\n".join([*bars, f"       0{say_time(longest):>{max(columns - 1, 1)}}", legend])


def _draw_bar(segments: tuple[Segment, ...], side: str, times_s: FloatArray, longest_s: float, columns: int) -> str:
    marks = np.full(max(round(columns * end_s(times_s) / max(longest_s, 1e-9)), 1), " ")
    middle = (np.arange(len(marks)) + 0.5) / len(marks) * len(times_s)
    for one in sorted(segments, key=lambda one: one.kind != "matched"):  # what is not matched is drawn last, so that it is seen
        start, stop = getattr(one, f"{side}_start"), getattr(one, f"{side}_stop")
        if start is not None:
            marks[(middle >= start) & (middle < stop)] = MARKS[one.kind]
            marks[min(int(start * len(marks) / len(times_s)), len(marks) - 1)] = MARKS[one.kind]
    return "".join(marks)


def edit_map_to_csv(alignment: Alignment) -> str:
    """The segments as comma-separated values: frame numbers (stop exclusive), times in seconds, speed, confidence; empty for none."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(COLUMNS)
    for one in alignment.segments:
        times = [*span_s(one, "hdr", alignment.hdr_times_s), *span_s(one, "sdr", alignment.sdr_times_s)]
        shown = ["" if value is None else f"{value:.6f}" for value in (*times, one.speed, one.confidence)]
        frames = ["" if value is None else value for value in (one.hdr_start, one.hdr_stop, one.sdr_start, one.sdr_stop)]
        writer.writerow([one.kind, *frames, *shown])
    return text.getvalue()


def partners_to_csv(alignment: Alignment) -> str:
    """Every matched frame with its partner as comma-separated values: frame numbers and times in seconds as the files state them."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(("hdr_frame", "sdr_frame", "hdr_time_s", "sdr_time_s"))
    for hdr in np.flatnonzero(alignment.partners >= 0).tolist():
        sdr = int(alignment.partners[hdr])
        writer.writerow((hdr, sdr, f"{alignment.hdr_times_s[hdr]:.6f}", f"{alignment.sdr_times_s[sdr]:.6f}"))
    return text.getvalue()


def build_timeline(alignment: Alignment, *, hdr: Path, sdr: Path) -> Any:
    """The edit map as an OpenTimelineIO timeline: two video tracks, a clip or gap of each segment.

    Parameters
    ----------
    alignment : with the times of its frames.
    hdr, sdr : the releases that the clips refer to.

    Returns
    -------
    opentimelineio.schema.Timeline.
    """
    import opentimelineio as otio

    rates = {"hdr": _rate(alignment.hdr_times_s), "sdr": _rate(alignment.sdr_times_s)}
    paths, frames = {"hdr": hdr, "sdr": sdr}, {"hdr": len(alignment.hdr_times_s), "sdr": len(alignment.sdr_times_s)}
    tracks = {side: otio.schema.Track(name=side.upper(), kind=otio.schema.TrackKind.Video) for side in ("hdr", "sdr")}
    lasted = dict.fromkeys(tracks, 0.0)
    for number, one in enumerate(alignment.segments):
        for side, track in tracks.items():
            start, stop = getattr(one, f"{side}_start"), getattr(one, f"{side}_stop")
            if start is not None:
                span = otio.opentime.TimeRange(
                    otio.opentime.RationalTime(start, rates[side]), otio.opentime.RationalTime(stop - start, rates[side])
                )
                whole = otio.opentime.TimeRange(
                    otio.opentime.RationalTime(0, rates[side]), otio.opentime.RationalTime(frames[side], rates[side])
                )
                media = otio.schema.ExternalReference(target_url=paths[side].resolve().as_uri(), available_range=whole)
                facts = {"kind": one.kind, "speed": one.speed, "confidence": one.confidence}
                name = f"{number + 1} {one.kind.replace('_', ' ')}"
                track.append(otio.schema.Clip(name=name, media_reference=media, source_range=span, metadata={"pairdiff": facts}))
                lasted[side] += (stop - start) / rates[side]
        _pad(tracks, lasted, rates)
    timeline = otio.schema.Timeline(name=f"{hdr.stem} and {sdr.stem}")
    timeline.tracks.extend(tracks.values())
    return timeline


def _pad(tracks: dict[str, Any], lasted: dict[str, float], rates: dict[str, float]) -> None:
    """Bring the shorter track up to the longer one by a gap of whole frames."""
    import opentimelineio as otio

    for side, track in tracks.items():
        missing = round((max(lasted.values()) - lasted[side]) * rates[side])
        if missing > 0:
            track.append(otio.schema.Gap(duration=otio.opentime.RationalTime(missing, rates[side])))
            lasted[side] += missing / rates[side]


def _rate(times_s: FloatArray) -> float:
    """Frames per second; a usual rate where the time stamps come within a ten-thousandth of it, 24 for a single frame, which has none."""
    if len(times_s) < 2 or times_s[-1] <= times_s[0]:
        return 24.0
    measured = (len(times_s) - 1) / float(times_s[-1] - times_s[0])
    slack = max(1e-4, 0.002 / float(times_s[-1] - times_s[0]))
    near = min(NOMINAL_RATES, key=lambda rate: abs(float(rate) / measured - 1))
    return float(near) if abs(float(near) / measured - 1) <= slack else measured


def write_edit_map(alignment: Alignment, out: Path, *, hdr: Path, sdr: Path) -> tuple[Path, Path, Path]:
    """Write `edit_map.csv`, `edit_map.otio` and `partners.csv` into a folder.

    Parameters
    ----------
    alignment : with the times of its frames.
    out : folder; made if need be.
    hdr, sdr : the releases.

    Returns
    -------
    Paths of the table of passages, of the timeline and of the table of frames.

    Raises
    ------
    OutputRefused : the folder cannot be written.
    """
    import opentimelineio as otio

    table, timeline, frames = (out / name for name in ("edit_map.csv", "edit_map.otio", "partners.csv"))
    built = build_timeline(alignment, hdr=hdr, sdr=sdr)
    texts = {
        table: edit_map_to_csv(alignment),
        timeline: otio.adapters.write_to_string(built, "otio_json"),
        frames: partners_to_csv(alignment),
    }
    try:
        out.mkdir(parents=True, exist_ok=True)
        for path, text in texts.items():
            write_whole(path, partial(Path.write_text, data=text, encoding="utf-8"))
    except OSError as error:
        raise OutputRefused(f"The edit map cannot be written to {out}: {error}. Choose another folder with --out.") from error
    return table, timeline, frames
