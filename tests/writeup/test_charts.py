"""Charts put what was planted where it belongs, and escape what they are told."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from pairdiff.light.transfer import nits_to_pq
from pairdiff.writeup.charts import Span, draw_edit_map, draw_headroom, draw_support, draw_timeline, draw_tone_curve


def points(svg: str, classes: str) -> np.ndarray:
    found = re.search(rf'<path class="{classes}" d="M([-\d. L]+)"/>', svg)
    assert found is not None
    return np.array([[float(value) for value in point.split()] for point in found[1].split("L")])


def timeline(values: np.ndarray, width: int = 1080) -> str:
    lines = {"max": 1.2 * values, "p999": values, "average": 0.1 * values}
    times = np.arange(len(values)) / 24.0
    return draw_timeline(times, lines_nits=lines, white_nits=100.0, width=width, ident="t", summary="what it shows")


def test_light_stands_on_the_pq_scale() -> None:
    drawn = points(timeline(np.array([1.0, 10.0, 100.0, 800.0])), "line p999")
    heights = (drawn[0, 1] - drawn[:, 1]) / (drawn[0, 1] - drawn[-1, 1])
    code = nits_to_pq(np.array([1.0, 10.0, 100.0, 800.0]))
    np.testing.assert_allclose(heights, (code - code[0]) / (code[-1] - code[0]), atol=1e-3)


def test_a_single_bright_frame_of_a_long_film_is_not_lost() -> None:
    values = np.full(170_000, 50.0)
    values[123_456] = 900.0
    svg = timeline(values)
    drawn = points(svg, "line p999")
    top = drawn[np.argmin(drawn[:, 1])]
    assert len(drawn) < 1100
    assert abs((top[0] - 50) / (1080 - 26 - 50) - 123_456 / 170_000) < 2e-3
    assert len(svg) < 90_000


def test_frames_without_a_value_are_left_out() -> None:
    values = np.array([10.0, np.nan, 20.0])
    assert len(points(timeline(values), "line p999")) == 2


@pytest.mark.parametrize("width", [1080, 350])
def test_everything_stays_inside_the_drawing(width: int) -> None:
    drawings = [
        timeline(np.geomspace(0.01, 9000.0, 400), width),
        draw_edit_map([Span("matched", (0, 90), (5, 95)), Span("hdr_only", (90, 95), None)], unit="s", width=width, ident="e", summary=""),
        draw_tone_curve([0.1, 10, 100], [0.1, 12, 400], white_nits=100, width=width, ident="c", summary=""),
        draw_support([("one label", 0.9), ("another", 0.1)], least=0.8, width=width, ident="s", summary=""),
        draw_headroom([("gain", 1.5), ("controls", -0.7)], slight_stops=0.3, clear_stops=1.0, width=width, ident="h", summary=""),
    ]
    for svg in drawings:
        root = ElementTree.fromstring(svg)
        across, down = (float(value) for value in root.attrib["viewBox"].split()[2:])
        for text in root.iter("text"):
            assert -0.1 <= float(text.attrib["x"]) <= across
            assert 0 <= float(text.attrib["y"]) <= down
        for bar in root.iter("rect"):
            assert float(bar.get("x", 0)) + float(bar.attrib["width"]) <= across + 0.1


def test_matched_spans_are_joined_and_the_others_are_not() -> None:
    spans = [
        Span("matched", (0, 50), (10, 60)),
        Span("hdr_only", (50, 60), None),
        Span("sdr_only", None, (0, 10)),
        Span("undetermined", (60, 70), (60, 70)),
    ]
    svg = draw_edit_map(spans, unit="frames", width=1080, ident="e", summary="")
    assert svg.count('class="join"') == 1
    assert svg.count("url(#e-h)") == 3  # both bars and the legend


def test_bars_are_as_long_as_their_shares() -> None:
    root = ElementTree.fromstring(draw_support([("a", 0.75), ("b", 0.25)], least=None, width=1080, ident="s", summary=""))
    tracks = [float(bar.attrib["width"]) for bar in root.iter("rect") if bar.get("class") == "track"]
    fills = [float(bar.attrib["width"]) for bar in root.iter("rect") if bar.get("class") == "fill"]
    np.testing.assert_allclose(np.array(fills) / tracks, [0.75, 0.25], atol=1e-3)


def test_words_are_escaped() -> None:
    svg = draw_support([("<b>&", 1.0)], least=None, width=1080, ident="s", summary='"<script>')
    root = ElementTree.fromstring(svg)
    assert "<b>&" in [text.text for text in root.iter("text")]
    assert "<script>" not in svg
