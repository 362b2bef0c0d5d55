"""Scopes of the report as inline SVG: a density, its axes, and lines over it. Figures are read off by pointing (`report.js`)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from markupsafe import escape

from pairdiff._records import Side
from pairdiff.light.transfer import nits_to_pq
from pairdiff.stills.scopes import MOST_U, MOST_V, triangle
from pairdiff.writeup.charts import LIGHT_TICKS, REFERENCE_WHITE_NITS, set_text

WIDE, HIGH = 520, 300
"""Of a drawing, pixels (own)."""
LEFT, TOP, FLOOR = 46, 10, 26
"""Room for the words of the axes, pixels (own)."""
GAMUTS = (("bt709", "BT.709", ""), ("p3-d65", "P3", "5 3"), ("bt2020", "BT.2020", "1 3"))
"""Primaries, words, and how their triangle is dashed."""


def draw_waveform(url: str, figures: Mapping[str, Any], *, side: Side, ident: str) -> str:
    """A waveform and, right of it, the histogram of the whole picture.

    Parameters
    ----------
    url : str
        The density as an address of data.
    figures : mapping
        `histogram`: share of the picture in even steps of the PQ scale.
    side, ident : str
        Whose picture it is, and an identifier that is unique in the page.
    """
    right, histogram_left, floor = WIDE - 112, WIDE - 100, HIGH - FLOOR
    body = [_density(url, LEFT, TOP, right - LEFT, floor - TOP, side)]
    for nits in (*LIGHT_TICKS, REFERENCE_WHITE_NITS):
        y = _light_y(nits, floor)
        strong = nits == REFERENCE_WHITE_NITS
        body.append(f'<path class="{"line reference" if strong else "grid"}" d="M{LEFT} {y:.1f}H{WIDE - 4}"/>')
        body.append(set_text(LEFT - 6 if not strong else WIDE - 4, y + 4, f"{nits:g}", "end dim halo"))
    shares = np.sqrt(np.asarray(figures.get("histogram", ()), float))
    if len(shares) and shares.max() > 0:
        heights = floor - (np.arange(len(shares) + 1) / len(shares)) * (floor - TOP)
        widths = shares / shares.max() * (WIDE - 8 - histogram_left)
        steps = "".join(f"V{heights[n]:.1f}H{histogram_left + width:.1f}V{heights[n + 1]:.1f}" for n, width in enumerate(widths))
        body.append(f'<path class="bars {side}" d="M{histogram_left} {floor}{steps}H{histogram_left}Z"/>')
    body.append(set_text((LEFT + right) / 2, HIGH - 8, "left to right in the picture", "mid dim"))
    body.append(set_text(histogram_left, HIGH - 8, "share (root)", "dim"))
    return _svg(body, ident, f"Waveform of the {side.upper()} picture", f"light {TOP} {floor}")


def draw_chromaticity(url: str, figures: Mapping[str, Any], *, side: Side, ident: str) -> str:
    """A chromaticity diagram with three triangles; arguments as `draw_waveform`."""
    floor, wide = HIGH - FLOOR, (HIGH - FLOOR - TOP) * MOST_U / MOST_V
    body = [_density(url, LEFT, TOP, wide, floor - TOP, side)]

    def at(u: float, v: float) -> tuple[float, float]:
        return LEFT + wide * u / MOST_U, floor - (floor - TOP) * v / MOST_V

    for value in (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6):
        body.append(set_text(LEFT - 6, at(0, value)[1] + 4, f"{value:g}", "end dim"))
        body.append(set_text(at(value, 0)[0], floor + 15, f"{value:g}", "mid dim"))
    for number, (name, words, dashes) in enumerate(GAMUTS):
        corners = "L".join("{:.1f} {:.1f}".format(*at(u, v)) for u, v in triangle(name))
        body.append(f'<path class="gamut" stroke-dasharray="{dashes}" d="M{corners}Z"/>')
        y = TOP + 20 + 20 * number
        body.append(f'<path class="gamut" stroke-dasharray="{dashes}" d="M{LEFT + wide + 16:.1f} {y}h26"/>')
        body.append(set_text(LEFT + wide + 48, y + 4, words, ""))
    body.append(set_text(LEFT + wide + 4, floor + 15, "u'", "dim"))
    body.append(set_text(LEFT + 6, TOP + 14, "v'", "dim halo"))
    return _svg(body, ident, f"Chromaticity of the {side.upper()} picture", f"colour {LEFT} {wide:.1f} {TOP} {floor} {MOST_U} {MOST_V}")


def draw_tone(url: str, figures: Mapping[str, Any], *, ident: str) -> str:
    """HDR over SDR level of each pixel, with the spread of the HDR level; arguments as `draw_waveform`."""
    floor = HIGH - FLOOR
    size = floor - TOP
    body = [_density(url, LEFT, TOP, size, size, "both"), f'<path class="line even" d="M{LEFT} {floor}L{LEFT + size} {TOP}"/>']

    def x(nits: float) -> float:
        return LEFT + size * float(nits_to_pq(nits))

    for nits in LIGHT_TICKS:
        body.append(set_text(LEFT - 6, _light_y(nits, floor) + 4, f"{nits:g}", "end dim"))
        body.append(set_text(x(nits), floor + 15, f"{nits:g}", "mid dim"))
    rows = figures.get("spread", ())
    for column, classes in ((1, "line spread"), (2, "line tone"), (3, "line spread")):
        points = "L".join(f"{x(row[0]):.1f} {_light_y(row[column], floor):.1f}" for row in rows)
        if len(rows) > 1:
            body.append(f'<path class="{classes}" d="M{points}"/>')
    body.append(set_text(LEFT + size + 14, TOP + 16, "HDR up, SDR across,", ""))
    body.append(set_text(LEFT + size + 14, TOP + 34, "cd/m² on the PQ scale", "dim"))
    return _svg(body, ident, "Tone relation of the pictures, pixel by pixel", f"tone {LEFT} {size} {TOP} {floor}")


def _light_y(nits: float, floor: float) -> float:
    return floor - (floor - TOP) * float(nits_to_pq(nits))


def _density(url: str, x: float, y: float, wide: float, high: float, kind: str) -> str:
    """A density in the colour of its side, on the ground of the page (`report.css` blends the three)."""
    place = f'x="{x}" y="{y}" width="{wide:.1f}" height="{high:.1f}"'
    image = f'<image href="{escape(url)}" {place} preserveAspectRatio="none"/>'
    return f'<g class="scope"><rect class="scope-ground" {place}/><g class="density">{image}<rect class="tint {kind}" {place}/></g></g>'


def _svg(body: Sequence[str], ident: str, title: str, scale: str) -> str:
    return (
        f'<svg viewBox="0 0 {WIDE} {HIGH}" width="{WIDE}" height="{HIGH}" role="img" aria-labelledby="{ident}-t" data-scale="{scale}">'
        f'<title id="{ident}-t">{escape(title)}</title>{"".join(body)}</svg>'
    )
