"""What stands along the film under the light levels: headroom, area above SDR white, notice probability, by shot and by frame.

Shots are those of the table to take along (`short_form.py`). In a survey, which reads windows, each window stands for itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff.score.headroom import ABOVE_MARGIN_STOPS
from pairdiff.score.notice import notice_probability
from pairdiff.verdict.figures import NBSP, say_decimals, say_share, say_stops
from pairdiff.writeup.charts import Lane, LevelPanel, Span, bin_places, tabulate_levels
from pairdiff.writeup.document import Document
from pairdiff.writeup.short_form import say_white

Frames = Mapping[str, NDArray[np.float64]]
SURVEY_GAP_S = 1.0
"""Frames of a survey further apart than this are of two windows, seconds (own: a window has a third of one)."""
LEAST_NITS = 1e-4
"""Light below this is taken for this much, so that black has a headroom, cd/m2 (as `short_form.py` has it)."""
MOST_BELOW_STOPS = 3.0
"""How far below SDR white the lane of headroom reaches at most (own)."""
AREA_TICKS = (0.0, 0.001, 0.01, 0.05, 0.2, 0.5, 1.0)
"""Shares that the lane of areas may have at its axis (own)."""
AREA_GAP = 0.24
"""Least distance of two ticks of that lane, of its height (own: the height of a line of text)."""


@dataclass(frozen=True, slots=True)
class _Figure:
    """A figure of shots: its name in their table, its words, and how a value is said."""

    name: str
    words: str
    say: Callable[[float | None], str]


FIGURES = (
    _Figure("headroom_stops", "headroom", say_stops),
    _Figure("area_above_white_share", "above SDR white", say_share),
    _Figure("notice_probability", "notice probability", say_share),
)


def is_survey(result: Document) -> bool:
    """Whether only windows of the film were read."""
    return bool(result["run"]["coverage"]["mode"] == "survey")


def shot_word(result: Document) -> str:
    """What a row of the table of shots is."""
    return "window" if is_survey(result) else "shot"


def make_lanes(result: Document, panels: Sequence[LevelPanel], frames: Frames, shots: Sequence[Document]) -> list[Lane]:
    """Lanes of those figures that the result holds.

    Parameters
    ----------
    result : dict
        As in `result.json`.
    panels : sequence of LevelPanel
        Levels of the HDR release and, where there are any, of the SDR release at controls.
    frames : mapping of (frame,) arrays
        `frame`, `time` (seconds), `area` (of a scored pair above SDR white, share), `area_203` (share) and `loss` (JOD); NaN where there
        is no value.
    shots : sequence of dict
        Rows of `short_form.shot_rows`.

    Returns
    -------
    list of Lane
        None at all where no frame was measured.
    """
    if not panels:
        return []
    word, times_s = shot_word(result), panels[0].times_s
    settings = result["run"]["settings"]
    limits = (("slight", "slightly"), ("clear", "clearly")) if say_white(result) == "" else ()  # they are for the figure of the verdict
    marks = [(settings.get(f"headroom_{name}_stops"), words) for name, words in limits]
    found = [
        Lane(
            "Headroom over SDR white, stops",
            f"steps: {word}s; line: frames",
            "hdr",
            _stops_ticks(values := _of_shots(result, frames, shots, "headroom_stops"), each := frame_headroom_stops(panels)),
            values,
            times_s,
            each,
            marks=tuple((float(stops), f"{words} {stops:g}") for stops, words in marks if stops is not None),
        ),
        Lane(
            "Picture above SDR white",
            f"by {ABOVE_MARGIN_STOPS:g} stops or more; steps: {word}s; ticks: scored pairs",
            "hdr",
            _area_ticks(values := _of_shots(result, frames, shots, "area_above_white_share"), frames["area"]),
            values,
            times_s,
            frames["area"],
            ticked=True,
            root=True,
        ),
        Lane(
            "Notice probability",
            f"steps: {word}s; ticks: scored pairs",
            "both",
            tuple((share, _say_tick(share)) for share in (0.5, 0.75, 1.0)),
            _of_shots(result, frames, shots, "notice_probability"),
            times_s,
            np.asarray(notice_probability(frames["loss"]), np.float64),
            ticked=True,
            marks=((0.5, "coin toss"),),
        ),
    ]
    return [lane for lane in found if np.isfinite(lane.shots).all(axis=1).any() or np.isfinite(lane.frames).any()]


def tabulate_film(
    result: Document, panels: Sequence[LevelPanel], frames: Frames, shots: Sequence[Document], *, spans: Sequence[Span]
) -> Document:
    """What is read off the page at a place of the time axis; parameters as of `make_lanes` and `draw_timeline`.

    Returns
    -------
    dict
        As of `tabulate_levels`, its words with their unit, and: `sdr_times_s`, where the SDR release shows the same, None where it does
        not; `frames`, names and words at each place; `shots`, with `words`, `ends` (seconds), `pairs`, and `rows` of name and words.
    """
    found = tabulate_levels(panels)
    for panel in found["panels"]:
        panel["words"] += ", cd/m²"
    times = panels[0].times_s
    each = (
        ("headroom", frame_headroom_stops(panels), say_stops),
        ("above 203 cd/m²", frames["area_203"], say_share),
    )
    rows: list[list[Any]] = [
        [words, [_say_known(value, say) for value in bin_places(times, values, highest=True)]]
        for words, values, say in each
        if np.isfinite(values).any()
    ]
    ends = _shot_ends(result, frames, shots)
    return found | {
        "sdr_times_s": [_partner_s(time_s, spans) for time_s in found["times_s"]],
        "frames": rows,
        "shots": {
            "words": shot_word(result).capitalize(),
            "ends": [[round(start, 3), round(stop, 3)] for start, stop in ends],
            "pairs": [row["pairs"] for row in shots],
            "rows": [[figure.words, [figure.say(row[figure.name]) for row in shots]] for figure in FIGURES],
        },
    }


def missing_lanes(lanes: Sequence[Lane]) -> str:
    """Names of the lanes that a result does not hold, in one phrase; empty where it holds all."""
    held = {lane.words for lane in lanes}
    names = ("Headroom over SDR white, stops", "Picture above SDR white", "Notice probability")
    return ", ".join(name.partition(",")[0] for name in names if name not in held)


def frame_headroom_stops(panels: Sequence[LevelPanel]) -> NDArray[np.float64]:
    """Of each frame: HDR 99.9th percentile over SDR white, or over what the SDR shows above it; NaN where there is no SDR frame."""
    hdr = panels[0].levels["p999"]
    if len(panels) < 2 or panels[1].white_nits is None:
        return np.full(len(hdr), np.nan)
    shown = np.maximum(panels[1].levels["p999"], panels[1].white_nits)
    return np.asarray(np.log2(np.maximum(hdr, LEAST_NITS) / shown), np.float64)


def _of_shots(result: Document, frames: Frames, shots: Sequence[Document], name: str) -> NDArray[np.float64]:
    values = [np.nan if row[name] is None else row[name] for row in shots]
    return np.column_stack([_shot_ends(result, frames, shots), values]) if shots else np.empty((0, 3))


def _shot_ends(result: Document, frames: Frames, shots: Sequence[Document]) -> NDArray[np.float64]:
    """Start and stop of shots, seconds of HDR film time: of the whole shot where the result says so, else of its scored pairs."""
    scored = np.array([(row["first_time_s"], row["last_time_s"]) for row in shots], np.float64).reshape(-1, 2)
    whole = result["alignment"].get("shots") or []
    numbers = np.array([row["shot"] for row in shots], np.int64) - 1  # a survey numbers its windows by where it read, not by what it kept
    known = np.isfinite(frames["frame"])
    if is_survey(result) or not len(numbers) or not known.any() or numbers.max() >= len(whole):
        return scored
    ends = np.array([(whole[number]["hdr_start"], whole[number]["hdr_stop"]) for number in numbers], np.float64)
    at, times_s = frames["frame"][known], frames["time"][known]
    step_s = (times_s[-1] - times_s[0]) / max(at[-1] - at[0], 1.0)
    start_s = np.interp(ends[:, 0], at, times_s)
    stop_s = np.interp(ends[:, 1], at, times_s) + np.maximum(ends[:, 1] - at[-1], 0.0) * step_s
    return np.column_stack([np.minimum(start_s, scored[:, 0]), np.maximum(stop_s, scored[:, 1])])


def _partner_s(time_s: float, spans: Sequence[Span]) -> float | None:
    """Where the SDR release shows what the HDR release does at a time, by the edit map."""
    for span in spans:
        if span.kind == "matched" and span.hdr and span.sdr and span.hdr[0] <= time_s < span.hdr[1]:
            share = (time_s - span.hdr[0]) / (span.hdr[1] - span.hdr[0])
            return round(span.sdr[0] + share * (span.sdr[1] - span.sdr[0]), 3)
    return None


def _say_known(value: float, say: Callable[[float | None], str]) -> str:
    return say(float(value)) if np.isfinite(value) else "none"


def _stops_ticks(shots: NDArray[np.float64], frames: NDArray[np.float64]) -> tuple[tuple[float, str], ...]:
    """Whole stops around all shots and what frames reach upwards; frames that lie deeper stand at the foot."""
    values = np.r_[shots[:, 2], 0.0]
    low = max(np.floor(np.nanmin(values)), -MOST_BELOW_STOPS)
    high = max(np.ceil(np.nanmax(np.r_[values, frames]) - 0.01), low + 1.0, 1.0)
    step = max(1.0, np.ceil((high - low) / 4))
    high = low + step * np.ceil((high - low) / step)
    return tuple((float(value), say_decimals(float(value), 0, sign=True)) for value in np.arange(low, high + 0.5, step))


def _say_tick(share: float) -> str:
    return f"{100 * share:g}{NBSP}%"


def _area_ticks(shots: NDArray[np.float64], frames: NDArray[np.float64]) -> tuple[tuple[float, str], ...]:
    most = np.nanmax(np.r_[shots[:, 2], frames, 0.0])
    top = next(tick for tick in (*AREA_TICKS[2:], 1.0) if most <= tick or tick == 1.0)
    ticks = [top]
    for tick in reversed([one for one in AREA_TICKS if one < top]):
        if np.sqrt(ticks[-1] / top) - np.sqrt(tick / top) >= AREA_GAP and (tick == 0 or np.sqrt(tick / top) >= AREA_GAP):
            ticks.append(tick)
    return tuple((tick, _say_tick(tick)) for tick in reversed(ticks))
