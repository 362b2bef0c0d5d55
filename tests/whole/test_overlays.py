"""Credits and words over the picture of many kinds, and lettering of the scene that must stay: planted on the pair of `_contaminated`."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

import pairdiff
from pairdiff._demo.grade import BT709_TO_BT2020
from pairdiff.writeup.phrases import say_plain
from pairdiff.writeup.words import measurement_in_words
from tests.whole import _contaminated as planted
from tests.whole._films import Floats
from tests.whole.test_contaminants import assert_film_alone, parts, said

pytestmark = pytest.mark.slow

YELLOW, CYAN, WHITE = np.array((1.0, 1.0, 0.0)), np.array((0.0, 1.0, 1.0)), np.ones(3)
LONG_ENDS = dataclasses.replace(planted.QUICK, ends_share=0.3)
"""Credits take 2 of 9 seconds here; of a film they take a twentieth."""


@pytest.mark.parametrize(("step", "size"), [(2, 0.45), (1, 0.8)], ids=["two rows a frame", "one row a frame, larger"])
def test_credits_behind_the_film_that_are_brighter_in_the_hdr_release_are_left_out(step: int, size: float, tmp_path: Path) -> None:
    rolls = planted.rolling_credits(step=step, size=size)
    tail = planted.Head([800.0 * one for one in rolls], rolls)
    result = planted.compare_pair(tmp_path, tail=tail, settings=LONG_ENDS)
    peak, contaminants, found = parts(result)
    assert_film_alone(result)
    assert peak.causes == ("logo_or_credits",)
    assert (found["logo_or_credits"].treatment, found["logo_or_credits"].frames) == ("left_out", len(rolls))
    assert contaminants.with_them is not None
    assert contaminants.with_them.label != "sdr-in-hdr-container"  # that is what leaving them out is for
    assert "damaged_frame" not in found


def test_credits_at_the_level_of_the_film_move_nothing(tmp_path: Path) -> None:
    rolls = planted.rolling_credits(step=2, size=0.45)
    result = planted.compare_pair(tmp_path, tail=planted.Head([100.0 * one for one in rolls], rolls))
    assert result.verdict.label == "sdr-in-hdr-container"
    assert result.headroom.stops == pytest.approx(0, abs=0.1)


def test_credits_that_only_the_hdr_release_has_take_no_part(tmp_path: Path) -> None:
    rolls = planted.rolling_credits(step=2, size=0.45)
    black = rolls[: planted.BLACK_FRAMES]
    result = planted.compare_pair(tmp_path, tail=planted.Head([800.0 * one for one in rolls], black))
    peak, _, found = parts(result)
    assert_film_alone(result)
    assert "unmatched" in peak.causes
    assert peak.position == "behind"
    assert found["unmatched"].frames == len(rolls) - planted.BLACK_FRAMES


@pytest.mark.parametrize(
    ("colour", "rows", "box"),
    [(YELLOW, (160,), None), (CYAN, (160,), None), (WHITE, (160,), 0.02), (WHITE, (138, 164), None), (WHITE, (30,), None)],
    ids=["yellow", "cyan", "on a dark box", "two lines", "at the head"],
)
def test_subtitles_of_other_looks_are_masked(colour: np.ndarray, rows: tuple[int, ...], box: float | None, tmp_path: Path) -> None:
    hdr = planted.subtitles(500.0 * colour @ BT709_TO_BT2020.T, rows=rows, box=box)
    sdr = planted.subtitles(0.9 * colour, rows=rows, box=None if box is None else box ** (1 / 2.4))
    result = planted.compare_pair(tmp_path, hdr_edit=hdr, sdr_edit=sdr)
    peak, contaminants, found = parts(result)
    assert_film_alone(result)
    assert "subtitle" in peak.causes
    assert found["subtitle"].pictures == sum((pair.hdr_frame // 16) % 3 == 1 for pair in result.pairs)
    assert contaminants.with_them is not None
    assert contaminants.with_them.label != "sdr-in-hdr-container"
    assert result.headroom.stops == pytest.approx(0, abs=0.1)


@pytest.mark.parametrize("both", [False, True], ids=["only in the HDR release", "in both"])
def test_subtitles_in_the_bar_of_a_letterbox_lie_outside_the_picture(both: bool, tmp_path: Path) -> None:
    hdr = planted.letterboxed(planted.subtitles(500.0, rows=(173,)))
    sdr = planted.letterboxed(planted.subtitles(0.9, rows=(173,)) if both else planted.unchanged)
    result = planted.compare_pair(tmp_path, hdr_edit=hdr, sdr_edit=sdr)
    _, _, found = parts(result)
    assert_film_alone(result)
    assert set(found) == {"bars"}
    assert result.hdr.levels.max_cll_nits is not None
    assert result.hdr.levels.max_cll_nits < 150


def test_a_line_that_crawls_is_not_told_and_the_words_do_not_claim_it_for_the_film(tmp_path: Path) -> None:
    """A limit, and README says so: through the whole film such a line reads as highlights."""
    result = planted.compare_pair(tmp_path, hdr_edit=planted.crawl(500.0), sdr_edit=planted.crawl(0.9))
    _, _, found = parts(result)
    assert "subtitle" not in found
    assert "lies in the film's picture" not in said(result)


@pytest.mark.parametrize("kind", ["one sign", "other signs", "windows"])
def test_a_film_whose_signs_carry_its_highlights_keeps_them(kind: str, tmp_path: Path) -> None:
    hdr, sdr = planted.signs(800.0, kind=kind), planted.signs(0.98, kind=kind)
    result = planted.compare_pair(tmp_path, hdr_edit=hdr, sdr_edit=sdr)
    _, contaminants, found = parts(result)
    assert result.verdict.label == "wider-range"
    assert "subtitle" not in found
    assert contaminants.with_them is not None
    assert contaminants.without_them is not None
    assert contaminants.with_them.headroom_stops == contaminants.without_them.headroom_stops
    assert result.headroom.stops is not None
    assert result.headroom.stops > 2


def test_a_release_measured_alone_says_where_its_brightest_pixel_is(tmp_path: Path) -> None:
    """A square of 12 by 12 pixels in one frame, planted; a codec overshoots at its edges: its level is bounded from below."""

    def edit(frame: int, light: Floats) -> Floats:
        light = light.copy()
        if frame == 67:
            light[60:72, 90:102] = 4000.0
        return light

    hdr, _ = planted.encode_pair(tmp_path, hdr_edit=edit)
    measured = pairdiff.measure(hdr)
    assert measured.peak is not None
    assert measured.peak.nits == measured.result.levels.max_cll_nits
    assert measured.peak.nits > 3500
    assert (measured.peak.frame, measured.peak.time_s) == (67, pytest.approx(67 / planted.RATE, abs=0.01))
    assert 60 <= measured.peak.row < 72
    assert 90 <= measured.peak.column < 102
    assert 1 <= measured.peak.area_pixels <= 180
    text = say_plain(measurement_in_words(measured))
    assert "The brightest pixel: frame 67 at 0:00:02.79" in text
    assert "the connected patch around it within half a stop has" in text
