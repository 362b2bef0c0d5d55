"""Pairs made to be misjudged, through real encoders: an SDR picture stays one at any brightness, under noise and beside a logo.

The pictures are the demo film's, painted at a quarter of its size. Expected labels follow from how each pair was made; nothing here was
seen by another tool.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import pytest

import pairdiff
from pairdiff import Comparison
from pairdiff._demo import grade
from tests._clips import Planes
from tests.whole import _relit
from tests.whole._films import Floats, encode_hdr, encode_sdr, hdr_planes, light_to_pq, sdr_planes
from tests.whole._relit import relit

COARSE = {"preset": "fast", "crf": "30"}
HASTY = {"preset": "ultrafast", "crf": "18"}
FINE = {"preset": "fast", "crf": "18"}


@pytest.fixture(scope="module")
def scenes() -> tuple[tuple[str, Floats], ...]:
    return _relit.scenes()


@pytest.fixture(scope="module")
def signals() -> tuple[Floats, ...]:
    return _relit.signals()


@pytest.fixture
def compared(tmp_path: Path) -> Callable[..., Comparison]:
    def compare(hdr: Iterator[Floats], sdr: Sequence[Floats], *, options: dict[str, str] = FINE) -> Comparison:
        bright: Iterator[Planes] = (hdr_planes(one) for one in hdr)
        plain: Iterator[Planes] = (sdr_planes(one) for one in sdr)
        return pairdiff.compare(
            encode_hdr(tmp_path / "hdr.mkv", bright, options=options), encode_sdr(tmp_path / "sdr.mp4", plain, options=options)
        )

    return compare


def told(result: Comparison) -> str:
    return f"{result.verdict.label} {dict(result.verdict.support)}: {result.verdict.reasons}"


SLOW = pytest.mark.slow


@pytest.mark.parametrize(
    ("white", "gamma"),
    [
        pytest.param(400.0, 2.4, marks=SLOW),
        pytest.param(100.0, 2.75, marks=SLOW),
        pytest.param(40.0, 1.9, marks=SLOW),
        pytest.param(1000.0, 2.4, marks=SLOW),
        pytest.param(20.0, 2.4, marks=SLOW),
    ],
)
def test_sdr_at_a_brightness_no_set_reaches_is_an_sdr_picture_all_the_same(
    signals: tuple[Floats, ...], compared: Callable[..., Comparison], white: float, gamma: float
) -> None:
    result = compared((relit(one, white=white, gamma=gamma) for one in signals), signals)
    assert result.verdict.label == "sdr-in-hdr-container", told(result)
    assert result.free_fit.power_law
    assert result.free_fit.white_nits == pytest.approx(white, rel=0.02)
    assert result.free_fit.gamma == pytest.approx(gamma, abs=0.03)
    assert "power law" in result.verdict.sentence or not result.setup.at_bound


@SLOW
def test_lamps_that_come_and_go_are_no_power_law_although_all_else_is(
    signals: tuple[Floats, ...], compared: Callable[..., Comparison]
) -> None:
    def lit() -> Iterator[Floats]:
        for number, one in enumerate(signals):
            light = relit(one)
            light[20:50, 20 + 97 * number % 500 : 60 + 97 * number % 500] = 1000.0
            yield light

    result = compared(lit(), signals)
    assert result.verdict.label == "wider-range", told(result)
    assert result.free_fit.p95_jnd < pairdiff.Settings().power_law_jnd
    assert not result.free_fit.power_law


@SLOW
def test_a_logo_that_stands_still_is_no_highlight_and_is_told(signals: tuple[Floats, ...], compared: Callable[..., Comparison]) -> None:
    def marked() -> Iterator[Floats]:
        for one in signals:
            light = relit(one)
            light[20:35, 600:623] = 1000.0  # 0.2 % of the picture
            yield light

    result = compared(marked(), signals)
    assert result.verdict.label == "sdr-in-hdr-container", told(result)
    assert result.headroom.standing_share == pytest.approx(0.002, abs=0.001)
    assert result.headroom.stops_with_marks > 2
    assert any("Counting what was left out (marks" in flip for flip in result.verdict.flips)
    assert result.headroom.stops_with_marks == pytest.approx(result.contaminants.with_them.headroom_stops, abs=0.1)


@SLOW
@pytest.mark.parametrize("options", [COARSE, HASTY], ids=["crf30", "ultrafast"])
def test_coarse_copies_of_an_sdr_picture_get_no_other_label(
    signals: tuple[Floats, ...], compared: Callable[..., Comparison], options: dict[str, str]
) -> None:
    result = compared((relit(one) for one in signals), signals, options=options)
    assert result.verdict.label in ("sdr-in-hdr-container", "undetermined"), told(result)
    # coding at CRF 30 alone moves flat places by 2.4 JND, and another grade counts from 2.5: which of the two leads is open,
    # more range never does
    assert sum(result.verdict.support.get(label, 0.0) for label in ("sdr-in-hdr-container", "different-grade")) > 0.99
    assert result.verdict.support["sdr-in-hdr-container"] > 0.4


def grainy(signal: Floats, rng: np.random.Generator, *, sigma: float = 0.08) -> Floats:
    return np.clip(signal + sigma * rng.normal(size=signal.shape[:2])[..., None], 0, 1)


@SLOW
@pytest.mark.parametrize("same", [True, False], ids=["the same grain", "grain of its own"])
def test_grain_of_eight_percent_makes_no_other_label(signals: tuple[Floats, ...], compared: Callable[..., Comparison], same: bool) -> None:
    rng = np.random.default_rng(3)
    sdr = [grainy(one, rng) for one in signals]
    result = compared((relit(one if same else grainy(plain, rng)) for one, plain in zip(sdr, signals, strict=True)), sdr)
    assert result.verdict.label in ("sdr-in-hdr-container", "undetermined"), told(result)
    assert max(result.verdict.support, key=lambda label: result.verdict.support[label]) == "sdr-in-hdr-container"


GRADES = {"restrained": "restrained-hdr", "wider": "wider-range", "stretched": "stretched-sdr", "regraded": "different-grade"}


@SLOW
@pytest.mark.parametrize("pair", GRADES)
def test_coarse_copies_of_other_grades_keep_their_label(
    scenes: tuple[tuple[str, Floats], ...], signals: tuple[Floats, ...], compared: Callable[..., Comparison], pair: str
) -> None:
    hdr = (np.maximum(grade.grade_hdr(scene, pair, shot=shot), 0) for shot, scene in scenes)
    result = compared(hdr, signals, options=COARSE)
    assert result.verdict.label in (GRADES[pair], "undetermined"), told(result)
    # one curve of the coarse stretch leaves 6.1 JND, and explains it up to 6: that leaves open whether it is one
    assert result.verdict.support[GRADES[pair]] > (0.4 if pair == "stretched" else 0.5)


def test_the_signal_of_this_file_is_that_of_the_standard() -> None:
    # ITU-R BT.2100-2 table 4 in the reference data of BT.2408-8 table 1: 203 cd/m2 is a PQ signal of 58 %
    assert light_to_pq(np.array(203.0)) == pytest.approx(0.5807, abs=5e-4)
