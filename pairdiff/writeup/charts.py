"""Charts of the report as inline SVG: text stays text, colours come from the page's style sheet, nothing is fetched.

Each function gives a string for one width in pixels; the report holds a wide and a narrow drawing of each and shows the one that fits.
Light is drawn on the PQ scale (SMPTE ST 2084), where equal distances look about equally different.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import escape

from pairdiff._records import FloatArray
from pairdiff.light.transfer import nits_to_pq

LIGHT_TICKS = (0.0, 0.1, 1.0, 10.0, 100.0, 1000.0, 10000.0)
LIGHT_TOPS = (100.0, 200.0, 400.0, 600.0, 1000.0, 2000.0, 4000.0, 10000.0)
TIME_STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
SEGMENT_WORDS = {"matched": "matched", "hdr_only": "HDR only", "sdr_only": "SDR only", "undetermined": "undetermined"}
LETTER = 7.4
"""Width that is set aside for one letter of 12 px text, pixels (own)."""


@dataclass(frozen=True, slots=True)
class Span:
    """A segment of the edit map in seconds (or frames, where no rate is known)."""

    kind: str
    hdr: tuple[float, float] | None
    sdr: tuple[float, float] | None


def draw_timeline(
    times_s: FloatArray, *, lines_nits: Mapping[str, FloatArray], white_nits: float, width: int, ident: str, summary: str
) -> str:
    """Draw light levels over the film on a PQ axis, with SDR white as a line.

    Parameters
    ----------
    times_s : float array, (frame,)
        HDR film time, ascending, seconds.
    lines_nits : mapping
        `max`, `p999` and `average`, cd/m2 per frame; NaN where there is no value. Where there are more frames than pixels the first
        two keep the highest of each pixel's frames, the average their mean.
    white_nits : float
        SDR white at `controls`, cd/m2.
    width : int
        Width of the drawing, pixels.
    ident, summary : str
        Identifier that is unique in the page, and what a reader who does not see the chart is told.

    Returns
    -------
    str
        An `svg` element.
    """
    words = {
        "line max": "maximum",
        "line p999": "99.9th percentile",
        "line average": "frame average",
        "line white": f"SDR white {white_nits:.0f} cd/m²",
    }
    left, right = 50, width - 26
    legend, top = _legend(list(words.items()), left=left, right=right)
    floor = top + 240
    height = floor + 26
    start, stop = float(times_s[0]), float(max(times_s[-1], times_s[0] + 1e-3))
    ceiling = _light_top(max(white_nits, float(np.nanmax(lines_nits["max"], initial=1.0))))
    body = _light_axis(left=left, right=right, top=top, floor=floor, ceiling=ceiling)
    body += _time_axis(start, stop, left=left, right=right, top=top, floor=floor)
    for name in ("max", "average", "p999"):
        xs, ys = _bin_by_pixel(times_s, lines_nits[name], start=start, stop=stop, pixels=right - left, highest=name != "average")
        points = np.column_stack([left + xs, _light_y(ys, top=top, floor=floor, ceiling=ceiling)])
        body.append(_path(points, f"line {name}"))
    white_y = float(_light_y(white_nits, top=top, floor=floor, ceiling=ceiling))
    body.append(f'<path class="line white" d="M{left} {white_y:.1f}H{right}"/>')
    return _svg(
        [*legend, *body], width=width, height=height, ident=ident, title="Light levels of the HDR release over the film", summary=summary
    )


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
        body.append(_text(left - 8, (upper + lower) / 2 + 4, name.upper(), f"end {name}"))
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
        body.append(_text(float(x(tick)), floor + 16, f"{tick:g}", "mid dim"))
    body.append(f'<path class="line even" d="M{left} {floor}L{right} {top}"/>')
    white_x = float(x(white_nits))
    body.append(f'<path class="line white" d="M{white_x:.1f} {top}V{floor}"/>')
    body.append(_path(np.column_stack([x(sdr_nits), _light_y(hdr_nits, top=top, floor=floor, ceiling=ceiling)]), "line p999"))
    body.append(_text(white_x - 5, floor - 8, f"SDR white {white_nits:.0f}", "end sdr halo"))
    body.append(_text(left + 8, top + 14, "HDR brighter", "dim halo"))
    body.append(_text(right - 6, floor - 26, "HDR darker", "end dim halo"))
    body.append(_text((left + right) / 2, floor + 34, "SDR at controls, cd/m²", "mid"))
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
    left, right, step = (250 if wide else 0), width - 52, 30 if wide else 46
    top, height = 22, 22 + step * len(shares) + 6
    body = []
    for row, (words, share) in enumerate(shares):
        y = top + row * step + (0 if wide else 18)
        body.append(_text(0, y + (14 if wide else -5), words, ""))
        body.append(f'<rect class="track" x="{left}" y="{y}" width="{right - left}" height="18"/>')
        body.append(f'<rect class="fill" x="{left}" y="{y}" width="{(right - left) * share:.1f}" height="18"/>')
        body.append(_text(right + 8, y + 14, f"{100 * share:.0f} %", "num"))
    if least is not None:
        x = left + (right - left) * least
        body.append(f'<path class="line mark" d="M{x:.1f} {top - 4}V{height - 4}"/>')
        body.append(_text(x, 12, f"needed: {100 * least:.0f} %", "mid dim"))
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
    left, right, step, top = (190 if wide else 8), width - 60, 30 if wide else 44, 40
    floor = top + step * len(rows)
    values = [0.0, *(value for _, value in rows), *(value for value in (slight_stops, clear_stops) if value is not None)]
    low, high = float(np.floor(min(values) - 0.01)) if min(values) < 0 else 0.0, float(np.ceil(max(values) + 0.25))

    def x(stops: float) -> float:
        return left + (right - left) * (stops - low) / (high - low)

    body = [f'<path class="axis" d="M{left} {floor}H{right}"/>', f'<path class="axis" d="M{x(0):.1f} {top - 4}V{floor}"/>']
    step_stops = 1 if high - low <= 8 else 2
    for tick in np.arange(low, high + 0.5, step_stops):
        body.append(_text(x(float(tick)), floor + 16, f"{tick:g}".replace("-", "\N{MINUS SIGN}"), "mid dim"))
    body += _threshold(slight_stops, "slightly", x=x, top=22, floor=floor) + _threshold(clear_stops, "clearly", x=x, top=22, floor=floor)
    for row, (words, stops) in enumerate(rows):
        y = top + row * step + step - 15
        body.append(_text(0, y + 4 if wide else y - 14, words, ""))
        body.append(f'<path class="stem" d="M{x(0):.1f} {y}H{x(stops):.1f}"/><circle class="dot" cx="{x(stops):.1f}" cy="{y}" r="5"/>')
        value = f"{stops:+.2f}".replace("-", "\N{MINUS SIGN}")
        body.append(_text(max(x(stops), x(0)) + 11, y + 4, value, "num halo"))
    body.append(_text(right, floor + 34, "stops above the set's white", "end"))
    return _svg(body, width=width, height=floor + 42, ident=ident, title="Headroom against set-ups", summary=summary)


# ---------------------------------------------------------------- parts


def _svg(body: Sequence[str], *, width: int, height: int, ident: str, title: str, summary: str) -> str:
    return (
        f'<svg viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" aria-labelledby="{ident}-t {ident}-d">'
        f'<title id="{ident}-t">{escape(title)}</title><desc id="{ident}-d">{escape(summary)}</desc>{"".join(body)}</svg>'
    )


def _text(x: float, y: float, words: str, classes: str) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" class="{classes}">{escape(words)}</text>'


def _path(points: FloatArray, classes: str) -> str:
    """A line through points; a single one becomes a short dash. Points that are not numbers break the line."""
    known = points[np.isfinite(points).all(axis=1)]
    if len(known) == 0:
        return ""
    if len(known) == 1:
        return f'<path class="{classes}" d="M{known[0, 0] - 3:.1f} {known[0, 1]:.1f}h6"/>'
    return f'<path class="{classes}" d="M{"L".join(f"{x:.1f} {y:.1f}" for x, y in known)}"/>'


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
        body.append(_text(left - 6, y + 4, f"{tick:g}", "end dim"))
    return body


def _time_axis(start: float, stop: float, *, left: float, right: float, top: float, floor: float) -> list[str]:
    return _ticks(start, stop, unit="s", left=left, right=right, top=top, floor=floor)


def _ticks(first: float, last: float, *, unit: str, left: float, right: float, top: float, floor: float) -> list[str]:
    """Ticks at round times (or frame numbers), as many as the width carries."""
    room = max(2, int((right - left) / 80))
    steps = TIME_STEPS_S if unit == "s" else tuple(base * 10**power for power in range(7) for base in (1, 2, 5))
    step = next((item for item in steps if (last - first) / item <= room), steps[-1] * max(1, round((last - first) / steps[-1] / room)))
    body = []
    for value in np.arange(np.ceil(first / step) * step, last + step * 1e-6, step):
        x = left + (right - left) * (float(value) - first) / (last - first)
        body.append(f'<path class="grid" d="M{x:.1f} {top}V{floor}"/>')
        body.append(_text(x, floor + 16, _clock(float(value), step) if unit == "s" else f"{value:.0f}", "mid dim"))
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
    """Frames -> at most one value for each pixel column: the highest or the mean of its frames."""
    known = np.isfinite(values)
    x = (np.asarray(times_s, dtype=np.float64)[known] - start) / (stop - start) * pixels
    y = np.asarray(values, dtype=np.float64)[known]
    if len(x) <= pixels:
        return x, y
    column = np.minimum(x.astype(np.int64), int(pixels) - 1)
    edges = np.flatnonzero(np.r_[True, np.diff(column) > 0])
    counts = np.diff(np.r_[edges, len(column)])
    pooled = np.maximum.reduceat(y, edges) if highest else np.add.reduceat(y, edges) / counts
    return column[edges] + 0.5, pooled


def _legend(items: Sequence[tuple[str, str]], *, left: float, right: float) -> tuple[list[str], int]:
    """Samples of lines with their words, in as many rows as they need; and the row below which the plot may start."""
    body, x, y = [], left, 14
    for classes, words in items:
        need = 25 + LETTER * len(words)
        if x > left and x + need > right:
            x, y = left, y + 19
        body.append(f'<path class="{classes}" d="M{x:.1f} {y - 4}h20"/>')
        body.append(_text(x + 25, y, words, ""))
        x += need + 14
    return body, y + 18


def _hatch(ident: str) -> str:
    return (
        f'<defs><pattern id="{ident}-h" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<rect class="hatch-ground" width="6" height="6"/><rect class="hatch" width="2" height="6"/></pattern></defs>'
    )


def _bar(left: float, right: float, rows: tuple[int, int], *, kind: str, side: str, ident: str) -> str:
    paint = f'fill="url(#{ident}-h)"' if kind == "undetermined" else f'class="{kind} {side}"'
    return f'<rect {paint} x="{left:.1f}" y="{rows[0]}" width="{max(right - left, 0.7):.1f}" height="{rows[1] - rows[0]}"/>'


def _edit_legend(kinds: Sequence[str], *, left: float, right: float, ident: str) -> tuple[list[str], int]:
    """Samples of bars with their words, in as many rows as they need; and the row below which the bars may start."""
    body, x, y = [], left, 6
    for kind in kinds:
        need = 19 + LETTER * len(SEGMENT_WORDS[kind])
        if x > left and x + need > right:
            x, y = left, y + 20
        body.append(_bar(x, x + 14, (y, y + 12), kind=kind, side="both", ident=ident))
        body.append(_text(x + 19, y + 10, SEGMENT_WORDS[kind], ""))
        x += need + 12
    return body, y + 28


def _threshold(stops: float | None, words: str, *, x: Any, top: float, floor: float) -> list[str]:
    if stops is None:
        return []
    at = float(x(stops))
    return [f'<path class="line mark" d="M{at:.1f} {top}V{floor}"/>', _text(at, top - 8, f"{words} {stops:g}", "mid dim")]
