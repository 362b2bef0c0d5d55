"""Charts of the report as inline SVG: text stays text, colours come from the page's style sheet, nothing is fetched.

Each function gives a string for one width in pixels; the report holds drawings of several widths and shows the one that fits.
Light is drawn on the PQ scale (SMPTE ST 2084), where equal distances look about equally different.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import escape
from numpy.typing import NDArray

from pairdiff._records import FloatArray, Side
from pairdiff.light.transfer import nits_to_pq
from pairdiff.writeup.phrases import SEGMENT_WORDS, say_decimals, say_share

LIGHT_TICKS = (0.0, 1.0, 10.0, 100.0, 1000.0, 10000.0)
LIGHT_TOPS = (100.0, 250.0, 400.0, 600.0, 1000.0, 2000.0, 4000.0, 10000.0)
TIME_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
REFERENCE_WHITE_NITS = 203.0
"""HDR reference white (ITU-R BT.2408), cd/m2."""
DARKER_ROOM = 90
"""Width of the words at the right end of the tone curve, pixels (own)."""
PQ_PIXELS = 300.0
"""Height of a panel for the whole PQ range of 0 to 10 000 cd/m2, pixels (own)."""
LABEL_GAP = 14.0
"""Distance between labels at line ends, pixels (own: the height of a line of text)."""
LEVEL_WORDS = {
    "p50": ("median", "median"),
    "p99": ("99 %", "99th percentile"),
    "p999": ("99.9 %", "99.9th percentile"),
    "average": ("average", "frame average"),
    "max": ("peak", "brightest pixel"),
}
"""Labels of the levels of a frame, short and long."""
PLACES = 900
"""Places over the film at which levels can be read off the page (own: about one a pixel of the wide drawing)."""
LETTER = 7.4
"""Width that is set aside for one letter of 12 px text, pixels (own)."""
LANE_PIXELS = 62.0
"""Height of a lane, pixels (own)."""
LEAST_STEP = 3.0
"""Width below which neighbouring shots are drawn as one, pixels (own)."""


@dataclass(frozen=True, slots=True)
class Span:
    """A segment of the edit map in seconds (or frames, where no rate is known)."""

    kind: str
    hdr: tuple[float, float] | None
    sdr: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class LevelPanel:
    """Light levels of one release over the film."""

    words: str
    """Heading of the panel."""
    side: Side
    times_s: FloatArray
    """HDR film time, (frame,), ascending, seconds."""
    levels: Mapping[str, FloatArray]
    """`p50`, `p99`, `p999`, `max` and, where it is known, `average`, (frame,), cd/m2; NaN where there is no value. Where there are more
    frames than pixels, `max` and the two upper percentiles keep the highest of each pixel's frames, the others their mean."""
    white_nits: float | None = None
    """White of the set that they hold on, cd/m2; None where light is absolute."""


@dataclass(frozen=True, slots=True)
class Lane:
    """A figure over the film, by shot and by frame, drawn below the levels on their time axis."""

    words: str
    """Heading, with the unit."""
    key: str
    """What is drawn how, in words."""
    classes: str
    """Of the style sheet: `hdr`, or `both` where the figure is of both releases alike."""
    ticks: tuple[tuple[float, str], ...]
    """Values and words of the axis, ascending; the first stands at the foot, the last at the top."""
    shots: FloatArray
    """(shot, 3): start and stop, seconds of HDR film time, and value; NaN where there is no value."""
    times_s: FloatArray
    """Of the frames, ascending, seconds."""
    frames: FloatArray
    """Value of each frame, (frame,); NaN where there is none."""
    ticked: bool = False
    """Frames are ticks and not a line: few have a value."""
    root: bool = False
    """The axis is even in the square root, so that small shares are seen."""
    marks: tuple[tuple[float, str], ...] = ()
    """Values with a line of their own, and its words."""


def draw_timeline(
    panels: Sequence[LevelPanel],
    *,
    white_nits: float,
    width: int,
    ident: str,
    summary: str,
    moments: Sequence[tuple[float, str]] = (),
    lanes: Sequence[Lane] = (),
    spans: Sequence[Span] = (),
    gap_s: float | None = None,
) -> str:
    """Draw light levels over the film, one panel a release, all on one PQ scale and one time axis; below them the edit map and lanes.

    Parameters
    ----------
    panels : sequence of LevelPanel
        Drawn from the top; equal heights above a panel's foot are equal light in all of them.
    white_nits : float
        SDR white at `controls`, cd/m2; a labelled line, as is HDR reference white.
    width : int
        Width of the drawing, pixels.
    ident, summary : str
        Identifier that is unique in the page, and what a reader who does not see the chart is told.
    moments : sequence of (seconds, words)
        Moments of which there are pictures, in their order: a line through all panels with its number, and words where it is pointed at.
    lanes : sequence of Lane
        Further figures, each with an axis of its own.
    spans : sequence of Span
        Segments of the edit map, seconds: a strip that says where the HDR release has a partner; none, and there is no strip.
    gap_s : float, optional
        Frames further apart than this are not joined; where none is given, all are.

    Returns
    -------
    str
        An `svg` element; `data-time` of it are the ends of the time axis, seconds and pixels.
    """
    wide = width > 600
    left, right = 46, width - (152 if wide else 90)
    times = [panel.times_s[[0, -1]] for panel in panels]
    times += [np.array(span.hdr) for span in spans if span.hdr is not None]  # the axis is the film's, whatever part of it was read
    start = float(min(ends[0] for ends in times))
    stop = max(float(max(ends[1] for ends in times)), start + 1e-3)
    body: list[str] = []
    y = 0.0
    for panel in panels:
        ceiling = _light_top(max(white_nits, REFERENCE_WHITE_NITS, *(float(np.nanmax(v, initial=1.0)) for v in panel.levels.values())))
        top = y + 34
        floor = top + PQ_PIXELS * float(nits_to_pq(ceiling))
        body.append(set_text(0, y + 16, panel.words, f"strong {panel.side}"))
        body += _light_axis(left=left, right=right, top=top, floor=floor, ceiling=ceiling)
        body += _time_axis(start, stop, left=left, right=right, top=top, floor=floor)
        body += _draw_levels(
            panel, start=start, stop=stop, left=left, right=right, floor=floor, white_nits=white_nits, wide=wide, gap_s=gap_s
        )
        y = floor + 30
    axis = _TimeAxis(start, stop, left, right)
    if spans:
        strip, y = _draw_strip(spans, axis, y=y, width=width, ident=ident)
        body += strip
    for number, lane in enumerate(lanes, 1):
        drawn, y = _draw_lane(lane, axis, y=y, wide=wide, gap_s=gap_s, last=number == len(lanes))
        body += drawn
    for number, (time_s, words) in enumerate(moments, 1):
        x = left + (right - left) * (min(max(time_s, start), stop) - start) / (stop - start)
        body.append(f'<g class="moment"><title>{escape(words)}</title><path d="M{x:.1f} 34V{y - 30:.1f}"/></g>')
        body.append(set_text(x, 31, str(number), "mid"))
    body = [one for one in body if not one.startswith("<text")] + [one for one in body if one.startswith("<text")]  # no line runs over them
    ends = f"{start:.3f} {stop:.3f} {left} {right}"
    title = "Light levels over the film"
    return _svg(body, width=width, height=math.ceil(y), ident=ident, title=title, summary=summary, more=f' data-time="{ends}"')


def tabulate_levels(panels: Sequence[LevelPanel]) -> dict[str, Any]:
    """Levels to be read off the page, at no more than `PLACES` places.

    Parameters
    ----------
    panels : sequence of LevelPanel
        As drawn by `draw_timeline`; all of one film, and so of the same times.

    Returns
    -------
    dict
        `times_s` and, for each panel, `words` and `rows` of name and levels (cd/m2, four digits; None where there is no value), all of
        one length. Where frames are closer than places, as in the drawing: the highest of the upper levels, the mean of the others.
    """
    times = panels[0].times_s

    def at_places(values: FloatArray, *, highest: bool) -> FloatArray:
        return bin_places(times, values, highest=highest)

    found = [
        {
            "words": panel.words,
            "rows": [
                [LEVEL_WORDS[name][1], [_digits(value) for value in at_places(panel.levels[name], highest=name in ("p99", "p999", "max"))]]
                for name in LEVEL_WORDS
                if name in panel.levels
            ],
        }
        for panel in panels
    ]
    return {"times_s": [round(float(one), 3) for one in at_places(times, highest=False)], "panels": found}


def bin_places(times_s: FloatArray, values: FloatArray, *, highest: bool) -> FloatArray:
    """Frames -> values at no more than `PLACES` places: the highest or the mean of each place's frames."""
    start, stop = float(times_s[0]), max(float(times_s[-1]), float(times_s[0]) + 1e-3)
    return _bin_by_pixel(times_s, values, start=start, stop=stop, pixels=PLACES, highest=highest)[1]


def _digits(nits: float) -> float | None:
    return float(f"{nits:.4g}") if np.isfinite(nits) else None


@dataclass(frozen=True, slots=True)
class _TimeAxis:
    """Ends of a time axis, seconds and pixels."""

    start: float
    stop: float
    left: float
    right: float

    def x(self, time_s: float) -> float:
        """Pixels of a time; one outside the axis stands at its end."""
        return self.left + (self.right - self.left) * (min(max(time_s, self.start), self.stop) - self.start) / (self.stop - self.start)


def _draw_strip(spans: Sequence[Span], axis: _TimeAxis, *, y: float, width: int, ident: str) -> tuple[list[str], float]:
    """The edit map along HDR film time, with its legend; what only the SDR release has is a mark where it is put in."""
    kinds = [kind for kind in SEGMENT_WORDS if any(span.kind == kind for span in spans)]
    legend, below = _edit_legend(kinds, left=axis.left, right=width, ident=ident, top=round(y) + 28)
    top = below - 4
    body = [_hatch(ident), set_text(0, y + 16, "Edit map", "strong"), *legend]
    marks, at = [], axis.start
    for span in spans:
        if span.hdr:
            body.append(_bar(axis.x(span.hdr[0]), axis.x(span.hdr[1]), (top, top + 14), kind=span.kind, side="hdr", ident=ident))
            at = span.hdr[1]
        elif span.sdr:
            words, x = f"{SEGMENT_WORDS[span.kind]}: {span.sdr[1] - span.sdr[0]:.1f} s of the SDR release lie here", axis.x(at)
            mark = f"M{x - 5:.1f} {top - 8}h10l-4 8v14h-2v-14Z"
            marks.append(f'<g class="insert"><title>{escape(words)}</title><path class="{span.kind} sdr" d="{mark}"/></g>')
    return [*body, *marks], top + 24.0


def _draw_lane(lane: Lane, axis: _TimeAxis, *, y: float, wide: bool, gap_s: float | None, last: bool) -> tuple[list[str], float]:
    """Axis, shots as steps, frames as a line or as ticks; and where the next lane may begin."""
    top, floor = y + 30, y + 30 + LANE_PIXELS
    low, high = lane.ticks[0][0], lane.ticks[-1][0]

    def height(values: Any) -> Any:
        share = (np.clip(np.asarray(values, np.float64), low, high) - low) / (high - low)
        return floor - LANE_PIXELS * (np.sqrt(share) if lane.root else share)

    frames = _draw_frames(lane, axis, height=height, gap_s=gap_s)
    body = [set_text(0, y + 18, lane.words, f"strong {lane.classes}")]
    if wide:
        body.append(set_text(8.8 * len(lane.words) + 18, y + 18, lane.key if frames else lane.key.partition(";")[0], "dim"))
    for value, words in lane.ticks:
        body.append(f'<path class="grid" d="M{axis.left} {height(value):.1f}H{axis.right}"/>')
        body.append(set_text(axis.left - 6, float(height(value)) + 4, words, "end dim"))
    ticks = _time_axis(axis.start, axis.stop, left=axis.left, right=axis.right, top=top, floor=floor)
    body += ticks if last else [one for one in ticks if one.startswith("<path")]
    steps = _merge_steps(lane.shots, axis)
    parts = (
        ("under", "".join(f"M{a:.1f} {floor:.1f}V{height(low):.1f}H{b:.1f}V{floor:.1f}Z" for a, b, low, _, _ in steps)),
        ("range", "".join(f"M{a:.1f} {height(up):.1f}H{b:.1f}V{height(low):.1f}H{a:.1f}Z" for a, b, low, _, up in steps if up > low)),
        ("step", "".join(f"M{a:.1f} {height(mean) - 1.2:.1f}H{b:.1f}v2.4H{a:.1f}Z" for a, b, _, mean, _ in steps)),
    )
    body += [f'<path class="{part} {lane.classes}" d="{drawn}"/>' for part, drawn in parts if drawn]
    body += frames
    for value, _ in lane.marks:
        body.append(f'<path class="line mark" d="M{axis.left} {height(value):.1f}H{axis.right}"/>')
    labels = [(float(height(value)), words, "dim") for value, words in lane.marks]
    return [*body, *_end_labels(labels, right=axis.right, floor=floor)], floor + (30 if last else 10)


def _draw_frames(lane: Lane, axis: _TimeAxis, *, height: Callable[[Any], Any], gap_s: float | None) -> list[str]:
    """A line, or ticks; none where they would stand too close to be told apart, or where no frame has a value."""
    columns, known = axis.right - axis.left, np.isfinite(lane.frames)
    if not known.any() or (lane.ticked and known.sum() > columns / 2):
        return []
    if lane.ticked:
        places = zip(lane.times_s[known], lane.frames[known], strict=True)
        dashes = "".join(f"M{axis.x(float(at)) - 1.5:.1f} {height(value):.1f}h3" for at, value in places)
        return [f'<path class="peak {lane.classes}" d="{dashes}"/>']
    xs, values = _bin_by_pixel(lane.times_s, lane.frames, start=axis.start, stop=axis.stop, pixels=columns, highest=True)
    xs, values = _break_gaps(xs, values, gap_s, pixels_per_s=columns / (axis.stop - axis.start))
    return [_path(np.column_stack([axis.left + xs, height(values)]), f"line frames {lane.classes}")]


def _merge_steps(shots: FloatArray, axis: _TimeAxis) -> list[tuple[float, float, float, float, float]]:
    """Left, right, lowest, mean and highest of shots in order; those narrower than `LEAST_STEP` go with the ones behind them."""
    groups: list[tuple[float, float, list[float]]] = []
    for start, stop, value in shots[np.isfinite(shots).all(axis=1)]:
        left, right = axis.x(start), axis.x(stop)
        if groups and groups[-1][1] - groups[-1][0] < LEAST_STEP and left - groups[-1][1] < 1:
            before = groups.pop()
            groups.append((before[0], max(right, before[1]), [*before[2], float(value)]))
        else:
            groups.append((left, right, [float(value)]))
    wider = [max(LEAST_STEP - (right - left), 0.0) / 2 for left, right, _ in groups]
    return [
        (left - more, right + more, min(values), math.fsum(values) / len(values), max(values))
        for (left, right, values), more in zip(groups, wider, strict=True)
    ]


def _break_gaps(xs: FloatArray, values: FloatArray, gap_s: float | None, *, pixels_per_s: float) -> tuple[FloatArray, FloatArray]:
    """Values with one that is no number wherever two neighbours lie further apart than `gap_s`."""
    if gap_s is None:
        return xs, values
    gaps = np.flatnonzero(np.diff(xs) > max(gap_s * pixels_per_s, 1.5)) + 1
    return np.insert(xs, gaps, xs[gaps]), np.insert(values, gaps, np.nan)


def _draw_levels(
    panel: LevelPanel,
    *,
    start: float,
    stop: float,
    left: float,
    right: float,
    floor: float,
    white_nits: float,
    wide: bool,
    gap_s: float | None,
) -> list[str]:
    """Bands, lines, ticks of one panel, and their labels right of the plot."""

    def points(name: str, *, highest: bool, columns: float = right - left) -> FloatArray:
        xs, nits = _bin_by_pixel(panel.times_s, panel.levels[name], start=start, stop=stop, pixels=columns, highest=highest)
        xs, nits = _break_gaps(xs, nits, gap_s, pixels_per_s=columns / (stop - start))
        height = floor - PQ_PIXELS * nits_to_pq(np.fmax(nits, 0.0))
        return np.column_stack([left + xs * (right - left) / columns, np.where(np.isfinite(nits), height, np.nan)])

    lines = {name: points(name, highest=name in ("p99", "p999")) for name in ("p50", "p99", "p999", "average") if name in panel.levels}
    peaks = points("max", highest=True, columns=max((right - left) // 7, 1))
    body = [_band(lines["p99"], lines["p999"], f"band outer {panel.side}"), _band(lines["p50"], lines["p99"], f"band inner {panel.side}")]
    for nits, words in ((REFERENCE_WHITE_NITS, "reference"), (white_nits, "white")):
        body.append(f'<path class="line {words}" d="M{left} {floor - PQ_PIXELS * float(nits_to_pq(nits)):.1f}H{right}"/>')
    body += [_path(lines[name], f"line {name} {panel.side}") for name in ("p999", "average") if name in lines]
    body.append(f'<path class="peak {panel.side}" d="{"".join(f"M{x - 1.5:.1f} {y:.1f}h3" for x, y in peaks if np.isfinite(y))}"/>')
    labels: list[tuple[float | None, str, str]] = [
        (_last_height(found), LEVEL_WORDS[name][wide], panel.side) for name, found in (lines | {"max": peaks}).items()
    ]
    same_white = abs(float(nits_to_pq(white_nits)) - float(nits_to_pq(REFERENCE_WHITE_NITS))) * PQ_PIXELS < 1
    heights = {nits: floor - PQ_PIXELS * float(nits_to_pq(nits)) for nits in (white_nits, REFERENCE_WHITE_NITS)}
    labels.append((heights[white_nits], f"{'SDR white' if wide else 'white'} {white_nits:.0f}", "white"))
    labels += [] if same_white else [(heights[REFERENCE_WHITE_NITS], f"{REFERENCE_WHITE_NITS:.0f}{' cd/m²' if wide else ''}", "dim")]
    return [*body, *_end_labels(labels, right=right, floor=floor)]


def _band(lower: FloatArray, upper: FloatArray, classes: str) -> str:
    """The area between two lines of the same columns; broken where either has no value."""
    known = _known(lower) & _known(upper)
    parts = []
    for run in _runs(known):
        if run.stop - run.start == 1:  # one column is still a column wide
            (x, low), (_, high) = lower[run.start], upper[run.start]
            corners = [(x - 1, high), (x + 1, high), (x + 1, low), (x - 1, low)]
        else:
            corners = [*upper[run], *lower[run][::-1]]
        parts.append(f"M{'L'.join(f'{x:.1f} {y:.1f}' for x, y in corners)}Z")
    return f'<path class="{classes}" d="{"".join(parts)}"/>' if parts else ""


def _known(points: FloatArray) -> NDArray[np.bool_]:
    """Rows that hold numbers only."""
    return np.asarray(np.isfinite(points).all(axis=1))


def _runs(known: NDArray[np.bool_]) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.r_[False, known, False].astype(np.int8)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _last_height(points: FloatArray) -> float | None:
    known = points[_known(points)]
    return float(known[-1, 1]) if len(known) else None


def _end_labels(labels: Sequence[tuple[float | None, str, str]], *, right: float, floor: float) -> list[str]:
    """Words beside the ends of lines, moved apart where they would cover each other, each joined to its line."""
    ordered = sorted((height, words, kind) for height, words, kind in labels if height is not None)
    places = _spread([height for height, _, _ in ordered], gap=LABEL_GAP, lowest=floor)
    body = []
    for (height, words, kind), place in zip(ordered, places, strict=True):
        body.append(f'<path class="leader" d="M{right + 2:.1f} {height:.1f}L{right + 12:.1f} {place:.1f}"/>')
        body.append(set_text(right + 15, place + 4, words, f"end-label {kind}"))
    return body


def _spread(heights: Sequence[float], *, gap: float, lowest: float) -> list[float]:
    """Heights in ascending order (downwards on the page), at least `gap` apart, the last no lower than `lowest`."""
    places = list(heights)
    for number in range(1, len(places)):
        places[number] = max(places[number], places[number - 1] + gap)
    limit = lowest
    for number in reversed(range(len(places))):
        places[number] = min(places[number], limit)
        limit = places[number] - gap
    return places


def draw_edit_map(spans: Sequence[Span], *, unit: str, width: int, ident: str, summary: str) -> str:
    """Draw both releases as bars, joined where they are matched.

    Parameters
    ----------
    spans : sequence of Span
        Segments of the edit map.
    unit : str
        `s` or `frames`: what the spans are counted in.
    width : int
        Width of the drawing, pixels.
    ident, summary : str
        As in `draw_timeline`.

    Returns
    -------
    str
        An `svg` element.
    """
    left, right = 44, width - 26
    kinds = [kind for kind in SEGMENT_WORDS if any(span.kind == kind for span in spans)]
    legend, top = _edit_legend(kinds, left=left, right=right, ident=ident)
    rows = {"hdr": (top, top + 24), "sdr": (top + 72, top + 96)}
    ends = [end for span in spans for side in (span.hdr, span.sdr) if side for end in side]
    first, last = min([0.0, *ends]), max([1e-3, *ends])

    def x(value: float) -> float:
        return left + (right - left) * (value - first) / (last - first)

    body = [_hatch(ident), *legend, *_ticks(first, last, unit=unit, left=left, right=right, top=top, floor=top + 104)]
    for span in spans:
        if span.kind == "matched" and span.hdr and span.sdr:
            upper, lower = rows["hdr"][1], rows["sdr"][0]
            corners = ((span.hdr[0], upper), (span.hdr[1], upper), (span.sdr[1], lower), (span.sdr[0], lower))
            body.append(f'<path class="join" d="M{"L".join(f"{x(at):.1f} {y}" for at, y in corners)}Z"/>')
    for span in spans:
        for name, side in (("hdr", span.hdr), ("sdr", span.sdr)):
            if side:
                body.append(_bar(x(side[0]), x(side[1]), rows[name], kind=span.kind, side=name, ident=ident))
    for name, (upper, lower) in rows.items():
        body.append(set_text(left - 8, (upper + lower) / 2 + 4, name.upper(), f"end {name}"))
    return _svg(body, width=width, height=top + 132, ident=ident, title="Edit map", summary=summary)


def draw_tone_curve(
    sdr_nits: Sequence[float], hdr_nits: Sequence[float], *, white_nits: float, width: int, ident: str, summary: str
) -> str:
    """Draw the title's tone curve, SDR light across, HDR light up, both on the PQ scale.

    Parameters
    ----------
    sdr_nits, hdr_nits : sequence of float
        The curve, cd/m2 of the equal grey.
    white_nits : float
        SDR white at `controls`, cd/m2.
    width : int
        Width of the drawing, pixels.
    ident, summary : str
        As in `draw_timeline`.

    Returns
    -------
    str
        An `svg` element.
    """
    size = min(width, 460)
    left, right, top, floor = 50, size - 26, 18, size - 44
    ceiling = _light_top(max(white_nits, *sdr_nits, *hdr_nits))
    body = _light_axis(left=left, right=right, top=top, floor=floor, ceiling=ceiling)

    def x(nits: Any) -> Any:
        return left + (right - left) * nits_to_pq(np.asarray(nits, dtype=np.float64)) / float(nits_to_pq(ceiling))

    for tick in _light_ticks(ceiling):
        body.append(f'<path class="grid" d="M{float(x(tick)):.1f} {top}V{floor}"/>')
        body.append(set_text(float(x(tick)), floor + 16, f"{tick:g}", "mid dim"))
    body.append(f'<path class="line even" d="M{left} {floor}L{right} {top}"/>')
    white_x = float(x(white_nits))
    body.append(f'<path class="line white" d="M{white_x:.1f} {top}V{floor}"/>')
    body.append(_path(np.column_stack([x(sdr_nits), _light_y(hdr_nits, top=top, floor=floor, ceiling=ceiling)]), "line tone"))
    body.append(set_text(white_x - 5, floor - 8, f"SDR white {white_nits:.0f}", "end sdr halo"))
    body.append(set_text(left + 8, top + 14, "HDR brighter", "dim halo"))
    beside = white_x - 5 if white_x > right - DARKER_ROOM else right - 6  # the line at SDR white runs through no word
    body.append(set_text(beside, floor - 26, "HDR darker", "end dim halo"))
    body.append(set_text((left + right) / 2, floor + 34, "SDR at controls, cd/m²", "mid"))
    return _svg(body, width=size, height=size, ident=ident, title="Tone curve from SDR to HDR", summary=summary)


def draw_support(shares: Sequence[tuple[str, float]], *, least: float | None, width: int, ident: str, summary: str) -> str:
    """Draw the support of each label as bars.

    Parameters
    ----------
    shares : sequence of (str, float)
        Label in words and its share of draws, 0 to 1, in the order of the drawing.
    least : float or None
        Share that the leading label must reach; drawn as a line.
    width : int
        Width of the drawing, pixels.
    ident, summary : str
        As in `draw_timeline`.

    Returns
    -------
    str
        An `svg` element.
    """
    wide = width > 600
    left, right, step = (250 if wide else 0), width - 60, 30 if wide else 46
    top, height = 22, 22 + step * len(shares) + 6
    body = []
    for row, (words, share) in enumerate(shares):
        y = top + row * step + (0 if wide else 18)
        body.append(set_text(0, y + (14 if wide else -5), words, ""))
        body.append(f'<rect class="track" x="{left}" y="{y}" width="{right - left}" height="18"/>')
        body.append(f'<rect class="fill" x="{left}" y="{y}" width="{(right - left) * share:.1f}" height="18"/>')
        body.append(set_text(right + 8, y + 14, say_share(share), "num"))
    if least is not None:
        x = left + (right - left) * least
        body.append(f'<path class="line mark" d="M{x:.1f} {top - 4}V{height - 4}"/>')
        body.append(set_text(x, 12, f"needed: {say_share(least)}", "mid dim"))
    return _svg(body, width=width, height=height, ident=ident, title="Support of each label", summary=summary)


def draw_headroom(
    rows: Sequence[tuple[str, float]], *, slight_stops: float | None, clear_stops: float | None, width: int, ident: str, summary: str
) -> str:
    """Draw highlight headroom against the set-ups of the SDR set.

    Parameters
    ----------
    rows : sequence of (str, float)
        Set-up in words and headroom above its white, stops.
    slight_stops, clear_stops : float or None
        Thresholds, drawn as lines.
    width : int
        Width of the drawing, pixels.
    ident, summary : str
        As in `draw_timeline`.

    Returns
    -------
    str
        An `svg` element.
    """
    wide = width > 600
    left, right, step, top = (190 if wide else 14), width - 60, 30 if wide else 44, 50
    floor = top + step * len(rows)
    values = [0.0, *(value for _, value in rows), *(value for value in (slight_stops, clear_stops) if value is not None)]
    low, high = float(np.floor(min(values) - 0.01)) if min(values) < 0 else 0.0, float(np.ceil(max(values) + 0.25))

    def x(stops: float) -> float:
        return left + (right - left) * (stops - low) / (high - low)

    body = [f'<path class="axis" d="M{left} {floor}H{right}"/>', f'<path class="axis" d="M{x(0):.1f} {top - 4}V{floor}"/>']
    step_stops = 1 if high - low <= 8 else 2
    for tick in np.arange(low, high + 0.5, step_stops):
        body.append(set_text(x(float(tick)), floor + 16, f"{tick:g}".replace("-", "\N{MINUS SIGN}"), "mid dim"))
    body += _threshold(slight_stops, "slightly", x=x, top=4, floor=floor)
    body += _threshold(clear_stops, "clearly", x=x, top=20, floor=floor)
    for row, (words, stops) in enumerate(rows):
        y = top + row * step + step - 15
        body.append(set_text(0, y + 4 if wide else y - 14, words, "halo"))
        body.append(f'<path class="stem" d="M{x(0):.1f} {y}H{x(stops):.1f}"/><circle class="dot" cx="{x(stops):.1f}" cy="{y}" r="5"/>')
        value = say_decimals(stops, 2, sign=True)
        body.append(set_text(max(x(stops), x(0)) + 11, y + 4, value, "num halo"))
    body.append(set_text(right, floor + 34, "stops above the set's white", "end"))
    return _svg(body, width=width, height=floor + 42, ident=ident, title="Headroom against set-ups", summary=summary)


# ---------------------------------------------------------------- parts


def _svg(body: Sequence[str], *, width: int, height: int, ident: str, title: str, summary: str, more: str = "") -> str:
    return (
        f'<svg viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" aria-labelledby="{ident}-t {ident}-d"{more}>'
        f'<title id="{ident}-t">{escape(title)}</title><desc id="{ident}-d">{escape(summary)}</desc>{"".join(body)}</svg>'
    )


def set_text(x: float, y: float, words: str, classes: str) -> str:
    """Words at a place of a drawing, pixels; they are escaped."""
    return f'<text x="{x:.1f}" y="{y:.1f}" class="{classes}">{escape(words)}</text>'


def _path(points: FloatArray, classes: str) -> str:
    """A line through points; a single one becomes a short dash. Points that are not numbers break the line."""
    parts = []
    for run in _runs(_known(points)):
        (x, y), found = points[run.start], points[run]
        parts.append(f"M{x - 3:.1f} {y:.1f}h6" if len(found) == 1 else f"M{'L'.join(f'{x:.1f} {y:.1f}' for x, y in found)}")
    return f'<path class="{classes}" d="{"".join(parts)}"/>' if parts else ""


def _light_top(nits: float) -> float:
    return next((top for top in LIGHT_TOPS if nits <= top), LIGHT_TOPS[-1])


def _light_ticks(ceiling: float) -> list[float]:
    """Decades, and the ceiling where it stands clear of them."""
    ticks = [tick for tick in LIGHT_TICKS if tick <= ceiling]
    clear = float(nits_to_pq(ceiling)) - float(nits_to_pq(ticks[-1])) > 0.04
    return [*ticks, ceiling] if clear else ticks


def _light_y(nits: Any, *, top: float, floor: float, ceiling: float) -> Any:
    code = nits_to_pq(np.minimum(np.asarray(nits, dtype=np.float64), ceiling))
    return floor - (floor - top) * code / float(nits_to_pq(ceiling))


def _light_axis(*, left: float, right: float, top: float, floor: float, ceiling: float) -> list[str]:
    body = []
    for tick in _light_ticks(ceiling):
        y = float(_light_y(tick, top=top, floor=floor, ceiling=ceiling))
        body.append(f'<path class="grid" d="M{left} {y:.1f}H{right}"/>')
        body.append(set_text(left - 6, y + 4, f"{tick:g}", "end dim"))
    return body


def _time_axis(start: float, stop: float, *, left: float, right: float, top: float, floor: float) -> list[str]:
    return _ticks(start, stop, unit="s", left=left, right=right, top=top, floor=floor)


def _ticks(first: float, last: float, *, unit: str, left: float, right: float, top: float, floor: float) -> list[str]:
    """Ticks at round times (or frame numbers), as many as the width carries."""
    room = max(2, int((right - left) / 80))
    steps = TIME_STEPS_S if unit == "s" else tuple(base * 10**power for power in range(7) for base in (1, 2, 5))

    def places(step: float) -> FloatArray:
        return np.arange(np.ceil(first / step - 1e-6) * step, last + step * 1e-6, step)

    step = next((item for item in steps if (last - first) / item <= room), steps[-1] * max(1, round((last - first) / steps[-1] / room)))
    finer = [item for item in steps if item < step]
    if finer and len(places(step)) < 2:  # one alone says no scale
        step = finer[-1]
    body = []
    for value in places(step):
        x = left + (right - left) * (float(value) - first) / (last - first)
        body.append(f'<path class="grid" d="M{x:.1f} {top}V{floor}"/>')
        body.append(set_text(x, floor + 16, _clock(float(value), step) if unit == "s" else f"{value:.0f}", "mid dim"))
    return body


def _clock(seconds: float, step: float) -> str:
    if step < 1:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def _bin_by_pixel(
    times_s: FloatArray, values: FloatArray, *, start: float, stop: float, pixels: float, highest: bool
) -> tuple[FloatArray, FloatArray]:
    """Frames -> at most one value for each pixel column: the highest or the mean of its frames; NaN where none of them has one."""
    x = (np.asarray(times_s, dtype=np.float64) - start) / (stop - start) * pixels
    y = np.asarray(values, dtype=np.float64)
    if len(x) <= pixels:
        return x, y
    column = np.minimum(x.astype(np.int64), int(pixels) - 1)
    edges = np.flatnonzero(np.r_[True, np.diff(column) > 0])
    if highest:
        return column[edges] + 0.5, np.fmax.reduceat(y, edges)
    known = np.isfinite(y)
    counts = np.add.reduceat(known.astype(np.float64), edges)
    totals = np.add.reduceat(np.where(known, y, 0.0), edges)
    return column[edges] + 0.5, np.where(counts > 0, totals / np.fmax(counts, 1.0), np.nan)


def _hatch(ident: str) -> str:
    return (
        f'<defs><pattern id="{ident}-h" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<rect class="hatch-ground" width="6" height="6"/><rect class="hatch" width="2" height="6"/></pattern></defs>'
    )


def _bar(left: float, right: float, rows: tuple[int, int], *, kind: str, side: str, ident: str) -> str:
    paint = f'fill="url(#{ident}-h)"' if kind == "undetermined" else f'class="{kind} {side}"'
    return f'<rect {paint} x="{left:.1f}" y="{rows[0]}" width="{max(right - left, 0.7):.1f}" height="{rows[1] - rows[0]}"/>'


def _edit_legend(kinds: Sequence[str], *, left: float, right: float, ident: str, top: int = 6) -> tuple[list[str], int]:
    """Samples of bars with their words, in as many rows as they need; and the row below which the bars may start."""
    body, x, y = [], left, top
    for kind in kinds:
        need = 19 + LETTER * len(SEGMENT_WORDS[kind])
        if x > left and x + need > right:
            x, y = left, y + 20
        body.append(_bar(x, x + 14, (y, y + 12), kind=kind, side="both", ident=ident))
        body.append(set_text(x + 19, y + 10, SEGMENT_WORDS[kind], ""))
        x += need + 12
    return body, y + 28


def _threshold(stops: float | None, words: str, *, x: Any, top: float, floor: float) -> list[str]:
    """A line with its words right of its upper end; lines of unequal height keep theirs apart."""
    if stops is None:
        return []
    at = float(x(stops))
    return [f'<path class="line mark" d="M{at:.1f} {top}V{floor}"/>', set_text(at + 5, top + 10, f"{words} {stops:g}", "dim")]
