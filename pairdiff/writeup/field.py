"""A page of many titles: the field they lie in, the distributions of their figures and a table of them, one self-contained file.

Titles of one field were measured alike; which those are is for the caller to say. Drawings have no width of their own: places across are in
per cent of the page's column, so that one drawing does for every screen. The page asks the network for nothing and runs no script but its
own (CSP Level 3, hash of an inline script).
"""

from __future__ import annotations

import base64
import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from pairdiff.verdict.figures import MINUS, NO_VALUE, say_decimals, say_jnd, say_share, say_stops
from pairdiff.verdict.rules import WORDS

TITLE_LETTERS = 160
"""Of a title in the table: a longer one is shown whole where it is asked for (own)."""
BINS = 24
"""Bars of a distribution (own)."""
LEAST_TO_COUNT = 2
"""Titles with a value below which there is no distribution (own)."""
LEAST_FOR_HALF = 5
"""Titles with a value from which their middle half is told (own)."""
EDGE_STEPS = (50.0, 30.0, 70.0)
"""Places across a strip, per cent of it, taken in turn so that neighbours do not hide each other (own)."""


NEAR_PERCENT = 0.6
"""Points nearer to each other than this, per cent of the field, would hide each other (own: half of a symbol on a wide page)."""
BESIDE_PIXELS = 11.0
"""From one of such points to the next (own: a symbol is 11 pixels wide)."""
BESIDE_MOST = {"plot": (7, 5), "left": (1, 5), "foot": (7, 1), "corner": (1, 1)}
"""How many of them stand beside each other, across and down, in each part of the field: strips are narrow. More than
that stand on each other (own)."""
BESIDE_EDGE_PERCENT = 12.0
"""So near to an edge they stand inwards from their place (own)."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure that titles are held against each other by."""

    name: str
    """Key of `Title.figures`."""
    head: str
    """Of a column and of a drawing."""
    meaning: str
    say: Callable[[float | None], str]
    unit: str
    least: tuple[float, float]
    """What an axis of it reaches at least, in its own unit."""
    share: bool = False
    """Said in per cent."""


FIGURES = (
    Figure(
        "headroom_stops", "Headroom", "how far highlights rise above SDR white (gain or controls)", say_stops, "stops", (0.0, 1.0)
    ),
    Figure(
        "notice_probability",
        "Notice probability",
        "how often a viewer is predicted to pick the HDR release; 50 % is a coin toss",
        say_share,
        "",
        (0.5, 1.0),
        True,
    ),
    Figure(
        "notice_1_share",
        "Share of time noticed",
        "share of matched time at a loss of 1 JOD or more, where three viewers of four are predicted to pick the HDR release",
        say_share,
        "",
        (0.0, 1.0),
        True,
    ),
    Figure(
        "outside_709_share", "Colour use", "mean share of the picture outside BT.709, which the SDR release cannot hold", say_share, "",
        (0.0, 0.05), True,
    ),
    Figure(
        "recovered_jnd", "Recovered detail", "HDR detail in the median place where the SDR release is clipped", say_jnd, "JND", (0.0, 2.0)
    ),
)  # fmt: skip
ACROSS, UP = FIGURES[0], FIGURES[4]
"""Axes of the field."""
DISTRIBUTIONS = FIGURES[:4]

SHAPES = {
    "wider-range": ("triangle", '<path d="M0-7.5L7 5.5H-7Z"/>'),
    "restrained-hdr": ("disc", '<circle r="5.6"/>'),
    "different-grade": ("diamond", '<path d="M0-7.6L5.4 0L0 7.6L-5.4 0Z"/>'),
    "stretched-sdr": ("cross", '<path d="M-5-5L5 5M-5 5L5-5"/>'),
    "sdr-in-hdr-container": ("open square", '<rect x="-5" y="-5" width="10" height="10"/>'),
    "undetermined": ("bar", '<path d="M-6.5 0H6.5"/>'),
}
"""Name of each label's shape, and its drawing about the origin, pixels. Shapes alone tell labels apart; colours help."""


@dataclass(frozen=True, slots=True)
class Title:
    """A run of a film as the page shows it; words are shown as the text they are."""

    run: str
    """Letters that are unique in the page."""
    title: str
    edition: str
    region: str
    year: int | None
    label: str
    figures: Mapping[str, float | None]
    """By the names of `FIGURES`."""
    missing: Mapping[str, str]
    """Why a figure has no value, in words, by its name."""
    ratio: bool
    """Whether the peak ratio takes the place of the headroom."""
    address: str | None
    """Of its report, relative to the page or whole; None where there is none."""
    place: str
    """Where the report lies, or why there is none, in words."""


@dataclass(frozen=True, slots=True)
class Field:
    """Titles that were measured alike."""

    words: str
    """How they were measured."""
    differs: Sequence[str]
    """In what that differs from the first field; empty of the first."""
    titles: Sequence[Title]


@dataclass(frozen=True, slots=True)
class Axis:
    """An even axis with round ticks."""

    low: float
    high: float
    ticks: tuple[float, ...]

    def place(self, value: float) -> float:
        """Per cent of the way from the low end to the high one."""
        return 100.0 * (value - self.low) / (self.high - self.low)


def make_axis(values: Sequence[float], *, least: tuple[float, float], ticks: int = 6) -> Axis:
    """An axis that holds all values and ends at round ones.

    Parameters
    ----------
    values : sequence of float
        What is to lie on it; may be empty.
    least : (float, float)
        What it reaches in any case.
    ticks : int
        About how many ticks there are.

    Returns
    -------
    Axis
        Its ends are ticks.
    """
    low, high = min([least[0], *values]), max([least[1], *values])
    rough = (high - low) / ticks
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * base for base in (1, 2, 5, 10) if power * base >= rough * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return Axis(first * step, last * step, tuple(place * step for place in range(first, last + 1)))


def count_bins(values: Sequence[float], axis: Axis, bins: int = BINS) -> list[int]:
    """How many values lie in each of so many even parts of an axis; one at the high end counts in the last."""
    counts = [0] * bins
    for value in values:
        counts[min(int(axis.place(value) / 100 * bins), bins - 1)] += 1
    return counts


def find_quantile(values: Sequence[float], share: float) -> float:
    """The value below which that share of sorted values lies, by a line between the two nearest (Hyndman and Fan 1996, definition 7)."""
    place = share * (len(values) - 1)
    below = math.floor(place)
    above = min(below + 1, len(values) - 1)
    return values[below] + (values[above] - values[below]) * (place - below)


def shorten(text: str, most: int = TITLE_LETTERS) -> str:
    """The beginning of a text that is longer than so many letters."""
    return text if len(text) <= most else text[:most].rstrip() + "\N{HORIZONTAL ELLIPSIS}"


# ---------------------------------------------------------------- drawing


def draw_field(field: Field, *, ident: str) -> str:
    """Draw titles by headroom and recovered detail, each as a link to its report.

    What has no value of the one stands in a strip at the left, what has none of the other in one at the foot; never at 0.

    Parameters
    ----------
    field : Field
        The titles.
    ident : str
        Unique in the page.

    Returns
    -------
    str
        Markup of HTML: the drawing and its strips; `data-run` of a point is its title's.
    """
    axes = {one.name: make_axis(_values(field.titles, one), least=one.least) for one in (ACROSS, UP)}
    across, up = axes[ACROSS.name], axes[UP.name]
    grid = [_line(across.place(tick), None, "axis" if tick == 0 else "grid") for tick in across.ticks]
    grid += [_line(None, 100 - up.place(tick), "axis" if tick == 0 else "grid") for tick in up.ticks]
    words = [_text(across.place(tick), 100, 18, _tick(tick, ACROSS), "mid dim") for tick in across.ticks]
    words += [_text(0, 100 - up.place(tick), 4, _tick(tick, UP), "end dim", dx=-8) for tick in up.ticks]
    placed: dict[tuple[bool, bool], list[tuple[Title, tuple[float, float]]]] = {(a, b): [] for a in (True, False) for b in (True, False)}
    order = sorted(field.titles, key=lambda one: (one.figures[ACROSS.name] is None, one.figures[ACROSS.name] or 0.0, one.run))
    for number, one in enumerate(order):
        x, y = one.figures[ACROSS.name], one.figures[UP.name]
        step = EDGE_STEPS[number % len(EDGE_STEPS)]
        at = (step if x is None else across.place(x), step if y is None else 100 - up.place(y))
        placed[x is not None, y is not None].append((one, at))
    names = {(False, True): "left", (True, True): "plot", (False, False): "corner", (True, False): "foot"}
    strips: dict[tuple[bool, bool], list[str]] = {}
    for part, titles in placed.items():
        moved = _set_beside([at for _, at in titles], most=BESIDE_MOST[names[part]])
        strips[part] = [_point(one, at, beside=beside) for (one, at), beside in zip(titles, moved, strict=True)]
    body = {
        "left": (strips[False, True], f"no {ACROSS.head.lower()}"),
        "plot": (strips[True, True], ""),
        "corner": (strips[False, False], "neither"),
        "foot": (strips[True, False], f"no {UP.head.lower()}"),
    }
    parts = []
    for name, (points, said) in body.items():
        if name != "plot" and not points:
            continue
        inner = "".join([*grid, *words] if name == "plot" else [])
        if name == "foot":
            inner = "".join(_line(across.place(tick), None, "axis" if tick == 0 else "grid") for tick in across.ticks)
        if name == "left":
            inner = "".join(_line(None, 100 - up.place(tick), "axis" if tick == 0 else "grid") for tick in up.ticks)
        title = f'<p class="strip-said">{escape(said)}</p>' if said else ""
        ground = f'<svg class="{name}-ground" aria-hidden="true">{inner}</svg>'
        shown = f'<svg class="points" role="group" aria-label="{escape(said or "titles")}">{"".join(points)}</svg>'
        parts.append(f'<div class="{name}">{title}{ground}{shown}</div>')
    classes = "field" + (" has-left" if strips[False, True] or strips[False, False] else "")
    classes += " has-foot" if strips[True, False] or strips[False, False] else ""
    ends = f'<p class="up-said">{escape(UP.head)}, {UP.unit}</p><p class="across-said">{escape(ACROSS.head)}, {ACROSS.unit}</p>'
    return f'<div class="{classes}" id="{ident}" role="group" aria-label="Field of titles">{ends}{"".join(parts)}</div>'


def draw_distribution(field: Field, figure: Figure) -> str:
    """Draw how a figure is distributed over a field: bars, a tick a title, the median; empty where fewer than two have a value.

    Parameters
    ----------
    field : Field
        The titles.
    figure : Figure
        Which.

    Returns
    -------
    str
        Markup of HTML; `data-low` and `data-high` are the ends of its axis, `.mine` is the line of the title that is pointed at.
    """
    values = sorted(_values(field.titles, figure))
    if len(values) < LEAST_TO_COUNT:
        return ""
    axis = make_axis(values, least=figure.least, ticks=5)
    counts = count_bins(values, axis)
    wide = 100 / BINS
    bars = [
        f'<rect class="bar" x="{wide * place:.2f}%" width="{wide:.2f}%" y="{76 - 70 * count / max(counts):.1f}" '
        f'height="{70 * count / max(counts):.1f}"/>'
        for place, count in enumerate(counts)
        if count
    ]
    rug = [f'<line class="rug" x1="{axis.place(one):.2f}%" x2="{axis.place(one):.2f}%" y1="80" y2="88"/>' for one in values]
    middle = axis.place(find_quantile(values, 0.5))
    body = [
        *bars,
        '<line class="axis" x1="0" x2="100%" y1="76.5" y2="76.5"/>',
        *rug,
        f'<line class="median" x1="{middle:.2f}%" x2="{middle:.2f}%" y1="2" y2="90"/>',
        '<line class="mine" x1="0" x2="0" y1="0" y2="92"/>',
        *(_tick_words(axis, tick, figure) for tick in axis.ticks),
    ]
    label = escape(f"{figure.head}: {say_distribution(field, figure)}")
    return (
        f'<svg class="distribution" role="img" aria-label="{label}" data-low="{axis.low:.10g}" data-high="{axis.high:.10g}">'
        f"{''.join(body)}</svg>"
    )


def say_distribution(field: Field, figure: Figure) -> str:
    """The same in words: how many have a value, the median and the middle half."""
    values = sorted(_values(field.titles, figure))
    without = len(field.titles) - len(values)
    left_out = f"; {without} without a value {'is' if without == 1 else 'are'} not counted" if without else ""
    if not values:
        return f"none of {_count(len(field.titles))} has a value"
    if len(values) < LEAST_TO_COUNT:
        return f"one title has a value, {figure.say(values[0])}: no distribution{left_out}"
    low, middle, high = (figure.say(find_quantile(values, share)) for share in (0.25, 0.5, 0.75))
    if len(values) < LEAST_FOR_HALF:
        return f"median of {_count(len(values))} {middle}; they lie from {figure.say(values[0])} to {figure.say(values[-1])}{left_out}"
    return f"median of {_count(len(values))} {middle}; half of them lie from {low} to {high}{left_out}"


def _count(number: int) -> str:
    return f"{number} title{'' if number == 1 else 's'}"


def _values(titles: Sequence[Title], figure: Figure) -> list[float]:
    return [value for one in titles if (value := one.figures[figure.name]) is not None]


def _tick(value: float, figure: Figure) -> str:
    return f"{100 * value if figure.share else value:.10g}".replace("-", MINUS) + ("%" if figure.share else "")


def _tick_words(axis: Axis, tick: float, figure: Figure) -> str:
    side = "" if tick == axis.ticks[0] else "end" if tick == axis.ticks[-1] else "mid"
    return _text(axis.place(tick), 0, 104, _tick(tick, figure), f"{side} dim".strip())


def _line(x: float | None, y: float | None, classes: str) -> str:
    """A line from top to foot at a place across, or from left to right at a place down, per cent."""
    if x is not None:
        return f'<line class="{classes}" x1="{x:.2f}%" x2="{x:.2f}%" y1="0" y2="100%"/>'
    return f'<line class="{classes}" x1="0" x2="100%" y1="{y:.2f}%" y2="{y:.2f}%"/>'


def _text(x: float, y: float, dy: float, words: str, classes: str, *, dx: float = 0) -> str:
    return f'<text x="{x:.2f}%" y="{y:.2f}%" dx="{dx}" dy="{dy}" class="{classes}">{escape(words)}</text>'


def _set_beside(places: Sequence[tuple[float, float]], *, most: tuple[int, int]) -> list[tuple[float, float]]:
    """How far each point is moved, pixels, so that those of one place, per cent, stand side by side about it: so many across and down."""
    groups: dict[tuple[int, int], list[list[int]]] = {}
    for number, (x, y) in enumerate(places):
        cell = (math.floor(x / NEAR_PERCENT), math.floor(y / NEAR_PERCENT))
        about = [(cell[0] + across, cell[1] + down) for across in (0, -1, 1) for down in (0, -1, 1)]
        known = (group for one in about for group in groups.get(one, []))
        near = (group for group in known if math.dist((x, y), places[group[0]]) < NEAR_PERCENT)
        found = next(near, None)
        if found is None:
            groups.setdefault(cell, []).append([number])
        else:
            found.append(number)
    moved = [(0.0, 0.0)] * len(places)
    for group in (group for listed in groups.values() for group in listed):
        across = min(most[0], len(group))
        down = min(most[1], math.ceil(len(group) / across))
        first = [_begin(place, count) for place, count in zip(places[group[0]], (across, down), strict=True)]
        for number, one in enumerate(group):
            row, column = divmod(number % (across * down), across)
            moved[one] = (BESIDE_PIXELS * (first[0] + column), BESIDE_PIXELS * (first[1] + row))
    return moved


def _begin(place: float, count: int) -> float:
    """Where the first of so many points stands, in steps from their place: about it, or inwards from an edge."""
    if place < BESIDE_EDGE_PERCENT:
        return 0.0
    return float(1 - count) if place > 100 - BESIDE_EDGE_PERCENT else (1 - count) / 2


def _point(one: Title, at: tuple[float, float], *, beside: tuple[float, float]) -> str:
    aside = "" if beside == (0.0, 0.0) else f' transform="translate({beside[0]:g} {beside[1]:g})"'
    mark = f'<use href="#{_mark(one.label)}" x="{at[0]:.2f}%" y="{at[1]:.2f}%"{aside}/>'
    name = escape(say_title(one))
    if one.address is None:
        return f'<g class="point {_mark(one.label)}" data-run="{escape(one.run)}" tabindex="0" role="img" aria-label="{name}">{mark}</g>'
    link = f'href="{escape(one.address)}" aria-label="{name}"'
    return f'<a class="point {_mark(one.label)}" data-run="{escape(one.run)}" {link}>{mark}</a>'


def _mark(label: str) -> str:
    """Name of a label's symbol; one that is not known is drawn as undetermined."""
    return f"is-{label if label in SHAPES else 'undetermined'}"


def say_title(one: Title) -> str:
    """A title and its figures in a line, for whoever does not see the field."""
    figures = ", ".join(f"{figure.head.lower()} {say_figure(one, figure)}" for figure in (ACROSS, UP))
    report = "" if one.address else "; no report"
    return f"{shorten(one.title)}: {WORDS.get(one.label, one.label)}; {figures}{report}"


def say_figure(one: Title, figure: Figure) -> str:
    """A figure of a title in words; why there is none."""
    value = one.figures[figure.name]
    if value is None:
        return one.missing.get(figure.name, NO_VALUE)
    if figure is ACROSS and one.ratio:
        return f"{say_decimals(value, 2, sign=True)} (ratio)"
    return figure.say(value)


# ---------------------------------------------------------------- the page


def render_fields(fields: Sequence[Field], *, place: str, conditions: Sequence[str] = (), notes: Sequence[str] = ()) -> str:
    """Draw the page.

    Parameters
    ----------
    fields : sequence of Field
        The first one is shown first; each has a title at least.
    place : str
        Name of the archive that they are kept in; no path, since the page may be published.
    conditions : sequence of str
        What they were chosen by.
    notes : sequence of str
        What a reader has to know besides.

    Returns
    -------
    str
        HTML; the same titles give the same letters.
    """
    environment = Environment(
        loader=PackageLoader("pairdiff.writeup"), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.globals |= {"say_figure": say_figure, "mark": _mark}
    environment.filters |= {"shorten": shorten}
    assert environment.loader is not None
    script = environment.loader.get_source(environment, "field.js")[0]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return environment.get_template("field.html.j2").render(
        fields=[_view(field, number) for number, field in enumerate(fields, 1)],
        place=place,
        conditions=conditions,
        notes=notes,
        shapes={name: (shape, Markup(drawn)) for name, (shape, drawn) in SHAPES.items()},
        words=WORDS,
        figures=FIGURES,
        regions=sorted({one.region for field in fields for one in field.titles if one.region}),
        years=sorted({one.year for field in fields for one in field.titles if one.year is not None}),
        labels={name: sum(one.label == name for field in fields for one in field.titles) for name in SHAPES},
        whole=_count_titles([one for field in fields for one in field.titles]),
        script=Markup(script),
        script_hash=digest,
    )


def _view(field: Field, number: int) -> dict[str, Any]:
    distributions = [
        {"figure": one, "drawn": Markup(draw_distribution(field, one)), "said": say_distribution(field, one)} for one in DISTRIBUTIONS
    ]
    return {
        "number": number,
        "words": field.words,
        "differs": field.differs,
        "titles": field.titles,
        "counted": _count_titles(field.titles),
        "drawn": Markup(draw_field(field, ident=f"field-{number}-points")),
        "distributions": distributions,
        "ratio": any(one.ratio for one in field.titles),
        "again": len(field.titles) - _different(field.titles),
        "unlinked": sum(one.address is None for one in field.titles),
    }


def _different(titles: Sequence[Title]) -> int:
    """Titles, of which each may have been run several times."""
    return len({(one.title, one.edition, one.region) for one in titles})


def _count_titles(titles: Sequence[Title]) -> str:
    different, runs = _different(titles), len(titles)
    words = _count(different)
    return words if runs == different else f"{words} in {runs} runs"
