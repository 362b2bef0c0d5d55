"""Charts put what was planted where it belongs, and escape what they are told."""

from __future__ import annotations

import dataclasses
import re
from xml.etree import ElementTree

import numpy as np
import pytest

from pairdiff.light.transfer import nits_to_pq
from pairdiff.writeup.charts import (
    LEAST_STEP,
    PLACES,
    Lane,
    LevelPanel,
    Span,
    draw_edit_map,
    draw_headroom,
    draw_support,
    draw_timeline,
    draw_tone_curve,
    tabulate_levels,
)


def points(svg: str, classes: str) -> np.ndarray:
    found = re.search(rf'<path class="{classes}" d="M([-\d. L]+)"/>', svg)
    assert found is not None
    return np.array([[float(value) for value in point.split()] for point in found[1].split("L")])


def panel(values: np.ndarray, side: str = "hdr") -> LevelPanel:
    levels = {"max": 1.2 * values, "p999": values, "p99": 0.8 * values, "p50": 0.1 * values, "average": 0.2 * values}
    return LevelPanel(f"{side} levels", side, np.arange(len(values)) / 24.0, levels)


def timeline(values: np.ndarray, width: int = 1080) -> str:
    return draw_timeline([panel(values)], white_nits=100.0, width=width, ident="t", summary="what it shows")


def test_light_stands_on_the_pq_scale() -> None:
    drawn = points(timeline(np.array([1.0, 10.0, 100.0, 800.0])), "line p999 hdr")
    heights = (drawn[0, 1] - drawn[:, 1]) / (drawn[0, 1] - drawn[-1, 1])
    code = nits_to_pq(np.array([1.0, 10.0, 100.0, 800.0]))
    np.testing.assert_allclose(heights, (code - code[0]) / (code[-1] - code[0]), atol=1e-3)


def test_a_single_bright_frame_of_a_long_film_is_not_lost() -> None:
    values = np.full(170_000, 50.0)
    values[123_456] = 900.0
    svg = timeline(values)
    drawn = points(svg, "line p999 hdr")
    top = drawn[np.argmin(drawn[:, 1])]
    assert len(drawn) < 1100
    assert abs((top[0] - 46) / (1080 - 152 - 46) - 123_456 / 170_000) < 2e-3
    assert len(svg) < 150_000


def heights_of(svg: str) -> dict[str, float]:
    """Where each label at a line's end stands."""
    root = ElementTree.fromstring(svg)
    return {text.text or "": float(text.attrib["y"]) for text in root.iter("text") if "end-label" in text.get("class", "")}


def test_a_frame_without_a_value_breaks_line_and_band() -> None:
    svg = timeline(np.array([10.0, 10.0, np.nan, 20.0, 20.0]))
    line = re.search(r'<path class="line p999 hdr" d="([^"]+)"', svg)
    bands = re.findall(r'<path class="band \w+ hdr" d="([^"]+)"', svg)
    assert line is not None
    assert line[1].count("M") == 2
    assert [band.count("M") for band in bands] == [2, 2]


def test_the_band_spans_median_and_percentile() -> None:
    found = re.search(r'<path class="band outer hdr" d="M([^Z]+)Z"', timeline(np.array([100.0, 200.0])))
    assert found is not None
    corners = np.array([[float(value) for value in corner.split()] for corner in found[1].split("L")])
    code = nits_to_pq(np.array([100.0, 200.0, 160.0, 80.0]))
    np.testing.assert_allclose(corners[0, 1] - corners[:, 1], 300 * (code - code[0]), atol=0.11)


def test_equal_light_stands_equally_high_in_both_panels() -> None:
    values = np.array([5.0, 50.0])
    svg = draw_timeline([panel(10 * values), panel(values, "sdr")], white_nits=100.0, width=1080, ident="t", summary="")
    feet = [float(y) for y in re.findall(r'y="([\d.]+)" class="end dim">0<', svg)]
    hdr, sdr = points(svg, "line p999 hdr"), points(svg, "line p999 sdr")
    np.testing.assert_allclose(feet[0] - hdr[0, 1], feet[1] - sdr[1, 1], atol=0.11)  # 50 cd/m2 in both


@pytest.mark.parametrize("width", [1080, 350])
def test_labels_at_line_ends_do_not_cover_each_other(width: int) -> None:
    heights = sorted(heights_of(timeline(np.full(50, 0.2), width)).values())
    assert len(heights) == 7
    assert min(np.diff(heights)) >= 13.9


def test_one_label_says_both_whites_where_they_are_the_same() -> None:
    same = draw_timeline([panel(np.full(9, 50.0))], white_nits=203.0, width=1080, ident="t", summary="")
    assert "SDR white 203" in heights_of(same)
    assert "203 cd/m²" not in heights_of(same)


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


def test_a_small_share_of_support_is_not_said_as_nothing() -> None:
    svg = draw_support([("a", 0.995), ("b", 0.005)], least=0.8, width=350, ident="s", summary="")
    said = [(text.text or "").replace("\N{NO-BREAK SPACE}", " ") for text in ElementTree.fromstring(svg).iter("text")]
    assert {"99.5 %", "0.50 %", "needed: 80 %"} <= set(said)


def test_words_are_escaped() -> None:
    svg = draw_support([("<b>&", 1.0)], least=None, width=1080, ident="s", summary='"<script>')
    root = ElementTree.fromstring(svg)
    assert "<b>&" in [text.text for text in root.iter("text")]
    assert "<script>" not in svg


def test_headroom_is_said_as_the_tables_say_it() -> None:
    rows = [("gain", 1.5), ("white 203", -0.14), ("controls", 0.001)]
    svg = draw_headroom(rows, slight_stops=0.3, clear_stops=1.0, width=1080, ident="h", summary="")
    words = [text.text for text in ElementTree.fromstring(svg).iter("text")]
    words += [text.text for text in ElementTree.fromstring(svg).iter("{http://www.w3.org/2000/svg}text")]
    assert {"+1.50", "\N{MINUS SIGN}0.14", "0.00"} <= set(words)
    assert "+0.00" not in words


def test_moments_are_marked_at_their_time_and_their_words_are_escaped() -> None:
    svg = draw_timeline(
        [panel(np.full(9, 50.0))], white_nits=100.0, width=1080, ident="t", summary="", moments=[(0.0, "<b> first"), (1e9, "last")]
    )
    start, stop, left, right = re.search(r'data-time="([\d.]+) ([\d.]+) (\d+) (\d+)"', svg).groups()
    assert float(start) < float(stop)
    places = re.findall(r'<g class="moment"><title>([^<]+)</title><path d="M([\d.]+) ', svg)
    assert places == [("&lt;b&gt; first", f"{float(left):.1f}"), ("last", f"{float(right):.1f}")]


def test_levels_to_be_read_off_keep_the_highest_of_the_upper_ones_and_the_mean_of_the_others() -> None:
    """By hand: two frames at each place, one dark and one bright."""
    frames = 2 * PLACES
    values = np.tile([10.0, 30.0], PLACES)
    panel = LevelPanel("HDR release", "hdr", np.arange(frames) / 24.0, {name: values for name in ("p50", "p99", "p999", "max")})
    found = tabulate_levels([panel])
    rows = dict(found["panels"][0]["rows"])
    assert len(found["times_s"]) == PLACES == len(rows["median"])
    middle = slice(10, -10)
    assert set(rows["brightest pixel"][middle]) == set(rows["99th percentile"][middle]) == {30.0}
    assert np.mean(rows["median"]) == pytest.approx(20.0, abs=0.1)


def lane(shots: np.ndarray, *, root: bool = False) -> Lane:
    times_s = np.arange(9) / 24.0
    ticks = ((0.0, "0"), (1.0, "1"))
    return Lane("A figure", "steps: shots", "hdr", ticks, shots, times_s, np.full(9, np.nan), root=root)


def steps_of(shots: np.ndarray, *, root: bool = False, width: int = 1080) -> tuple[np.ndarray, np.ndarray]:
    """Left, upper edge, right of each step; and left, upper edge, right, lower edge of the bands."""
    film = LevelPanel("HDR", "hdr", np.linspace(0, shots[-1, 1], 500), {name: np.full(500, 50.0) for name in ("p50", "p99", "p999", "max")})
    svg = draw_timeline([film], white_nits=100.0, width=width, ident="t", summary="", lanes=[lane(shots, root=root)])
    step, band = (re.search(rf'class="{part} hdr" d="([^"]+)"', svg) for part in ("step", "range"))
    assert step is not None
    steps = np.array([[float(one) for one in found] for found in re.findall(r"M([\d.]+) ([\d.]+)H([\d.]+)v2.4", step[1])])
    bands = re.findall(r"M([\d.]+) ([\d.]+)H([\d.]+)V([\d.]+)", band[1] if band else "")
    return steps, np.array([[float(one) for one in found] for found in bands])


@pytest.mark.parametrize("root", [False, True])
def test_a_step_is_as_long_as_its_shot_and_as_high_as_its_figure(root: bool) -> None:
    steps, bands = steps_of(np.array([[0.0, 10.0, 0.0], [10.0, 15.0, 0.25], [15.0, 20.0, 1.0]]), root=root)
    np.testing.assert_allclose((steps[:, 2] - steps[:, 0]) / (1080 - 152 - 46), [0.5, 0.25, 0.25], atol=1e-3)
    heights = (steps[0, 1] - steps[:, 1]) / (steps[0, 1] - steps[2, 1])
    np.testing.assert_allclose(heights, [0, 0.5 if root else 0.25, 1], atol=2e-3)
    assert len(bands) == 0


@pytest.mark.parametrize("width", [1080, 350])
def test_two_thousand_shots_are_seen_and_none_of_them_is_lost(width: int) -> None:
    starts = np.arange(2000.0)
    values = np.full(2000, 0.5)
    values[1234] = 1.0
    steps, bands = steps_of(np.column_stack([starts, starts + 1, values]), width=width)
    across = width - (152 if width == 1080 else 90) - 46
    assert across / 5 < len(steps) <= across / LEAST_STEP + 1
    assert (steps[:, 2] - steps[:, 0]).min() > LEAST_STEP - 0.2
    assert len(bands) == 1
    assert bands[0, 3] - bands[0, 1] == pytest.approx(31, abs=0.2)  # half the lane, from the lowest to the highest
    assert bands[0, 0] <= 46 + across * 1234.5 / 2000 <= bands[0, 2]
    lifted = steps[np.argmin(steps[:, 1])]
    assert lifted[0] == bands[0, 0]
    merged = round(2000 * (bands[0, 2] - bands[0, 0]) / across)
    assert steps[0, 1] - lifted[1] == pytest.approx(31 / merged, abs=0.3)


def test_ticks_are_drawn_only_where_they_can_be_told_apart() -> None:
    def drawn(frames: int) -> str:
        times_s = np.arange(frames) / 24.0
        film = LevelPanel("HDR", "hdr", times_s, {name: np.full(frames, 50.0) for name in ("p50", "p99", "p999", "max")})
        shots = np.array([[0.0, times_s[-1], 0.4]])
        found = Lane(
            "A figure", "steps: shots; ticks: pairs", "both", ((0.0, "0"), (1.0, "1")), shots, times_s, np.full(frames, 0.5), ticked=True
        )
        return draw_timeline([film], white_nits=100.0, width=1080, ident="t", summary="", lanes=[found])

    few, many = drawn(100), drawn(5000)
    assert re.search(r'class="peak both" d="([^"]+)"', few)[1].count("M") == 100
    assert 'class="peak both"' not in many
    assert "ticks: pairs" in few
    assert "ticks: pairs" not in many


@pytest.mark.parametrize("width", [1080, 350])
def test_lanes_and_the_edit_map_stay_inside_the_drawing(width: int) -> None:
    spans = [
        Span("sdr_only", None, (0, 3)),
        Span("matched", (0, 5), (3, 8)),
        Span("undetermined", (5, 9), None),
        Span("hdr_only", (9, 20), None),
    ]
    shots = np.array([[0.0, 20.0, 0.4]])
    svg = draw_timeline([panel(np.full(480, 50.0))], white_nits=100.0, width=width, ident="t", summary="", lanes=[lane(shots)], spans=spans)
    root = ElementTree.fromstring(svg)
    across, down = (float(value) for value in root.attrib["viewBox"].split()[2:])
    for text in root.iter("text"):
        assert -0.1 <= float(text.attrib["x"]) <= across
        assert 0 <= float(text.attrib["y"]) <= down
    bars = [one for one in root.iter("rect") if one.get("height") == "14"]
    assert len(bars) == 3
    assert [one.text for one in root.iter("title")][1:] == ["SDR only: 3.0 s of the SDR release lie here"]


def test_the_axis_is_as_long_as_the_film_whatever_part_of_it_was_read() -> None:
    """As of a survey: frames of a window, spans of the whole film."""
    window = dataclasses.replace(panel(np.full(48, 50.0)), times_s=600 + np.arange(48) / 24)
    spans = [Span("undetermined", (0, 590), None), Span("matched", (590, 1200), (0, 610)), Span("sdr_only", None, (610, 5000))]
    for given, ends in (([], (600.0, 600 + 47 / 24)), (spans, (0.0, 1200.0))):
        svg = draw_timeline([window], white_nits=100.0, width=1080, ident="t", summary="", spans=given)
        found = re.search(r'data-time="([\d.]+) ([\d.]+) ', svg)
        assert found is not None
        assert (float(found[1]), float(found[2])) == pytest.approx(ends, abs=1e-3)


@pytest.mark.parametrize("start_s", [0.0, 0.04, 3.7, 11.0])
@pytest.mark.parametrize("length_s", [0.4, 2.1, 10.8, 31.0, 95.0, 700.0, 5400.0, 14400.0])
def test_a_time_axis_has_no_single_label(start_s: float, length_s: float) -> None:
    frames = dataclasses.replace(panel(np.full(48, 50.0)), times_s=np.linspace(start_s, start_s + length_s, 48))
    svg = draw_timeline([frames], white_nits=100.0, width=350, ident="t", summary="")
    words = [one.text or "" for one in ElementTree.fromstring(svg).iter("text")]
    assert 2 <= sum(bool(re.fullmatch(r"[\d.]+ s|(\d+:)?\d+:\d\d", one)) for one in words) <= 8


def test_moments_have_their_numbers_over_the_levels() -> None:
    moments = [(1.0, "first"), (0.5, "second")]
    svg = draw_timeline([panel(np.full(48, 50.0))], white_nits=100.0, width=1080, ident="t", summary="", moments=moments)
    marks = [float(one) for one in re.findall(r'class="moment"><title>[^<]+</title><path d="M([\d.]+) ', svg)]
    own = {one.text: float(one.attrib["x"]) for one in ElementTree.fromstring(svg).iter("text") if float(one.attrib["y"]) == 31}
    assert own == pytest.approx({"1": marks[0], "2": marks[1]}, abs=0.06)
