"""A film of 170 000 pairs, every one scored, fits into memory: what a pair leaves there while pairs come, and what it costs at the end."""

from __future__ import annotations

import gc
import tracemalloc
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pairdiff import _tables
from pairdiff._block_file import BlockFile
from pairdiff._settings import Settings
from pairdiff._tables import Table
from pairdiff.match.active import BarLevel
from pairdiff.score import title, tone
from pairdiff.score.headroom import Weighting
from pairdiff.score.pair import PairMeasures
from pairdiff.score.scan import FrameScan, scan_frames
from pairdiff.score.title import ScoreCollector, pool_title
from pairdiff.verdict.judge import judge, make_case
from tests.score._many_pairs import RATE, make_pairs, score_three
from tests.score.test_scan import BOX, frame, signal

FEW, MANY, BLOCK = 100, 300, 50
MOST_HELD_BYTES, MOST_LEFT_BYTES, MOST_VERDICT_BYTES, MOST_FRAME_BYTES, MOST_FILED_BYTES = 300, 1000, 2000, 1600, 100
"""Of each pair while pairs come, as its part of the film's figures, and at the peak of the verdict; of each frame of a pass, in memory
and where it is put into a file. Of a film of 170 000 pairs that is 49, 162, 324, 259 and 16 MiB."""
SETTINGS = Settings(support_draws=5)
MEASURES, FITS = score_three(SETTINGS)


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (_tables, title, tone):
        monkeypatch.setattr(module, "BLOCK_ROWS", BLOCK)


@pytest.fixture
def traced() -> Iterator[None]:
    tracemalloc.start()
    yield
    tracemalloc.stop()


def held() -> int:
    """Bytes that are in use."""
    gc.collect()
    return tracemalloc.get_traced_memory()[0]


def growth(collector: ScoreCollector) -> float:
    """Bytes that each pair behind the first few adds."""
    before = 0
    for n, one in enumerate(make_pairs(MANY, MEASURES), 1):
        collector.add(one, seconds=1 / RATE)
        before = held() if n == FEW else before
    return (held() - before) / (MANY - FEW)


class Hoarder(ScoreCollector):
    """One that holds on to a single object of each pair."""

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        self.held: list[object] = []

    def add(self, measure: PairMeasures, *, seconds: float) -> None:
        super().add(measure, seconds=seconds)
        self.held.append(measure.score)


@pytest.mark.usefixtures("traced")
def test_a_scored_pair_leaves_next_to_nothing_in_memory(tmp_path: Path) -> None:
    with BlockFile(tmp_path) as blocks:
        assert growth(ScoreCollector(keep=blocks.keep)) < MOST_HELD_BYTES


@pytest.mark.usefixtures("traced")
def test_one_object_kept_of_each_pair_is_too_much(tmp_path: Path) -> None:
    with BlockFile(tmp_path) as blocks:
        assert growth(Hoarder(keep=blocks.keep)) > MOST_HELD_BYTES


def conclude(count: int, folder: Path) -> tuple[int, int]:
    """What the figures of so many pairs leave in memory, and what the verdict on them takes at its peak, bytes."""
    with BlockFile(folder) as blocks:
        scored = ScoreCollector(keep=blocks.keep)
        for one in make_pairs(count, MEASURES):
            scored.add(one, seconds=1 / RATE)
        weighting = Weighting(np.full(count, 1 / RATE), np.arange(count) // 100, 1.0)
        tracemalloc.start()
        score = pool_title(scored, weighting, fits=FITS, settings=SETTINGS)
        left = held()
        tracemalloc.reset_peak()
        judge(make_case(score, weighting, FITS, matched_s=count / RATE, matched_share=1.0), SETTINGS)
        peak = tracemalloc.get_traced_memory()[1] - left
        tracemalloc.stop()
    return left, peak


def test_figures_and_verdict_take_little_of_each_pair(tmp_path: Path) -> None:
    conclude(3, tmp_path)  # what is worked out once for all films
    few, many = (conclude(count, tmp_path) for count in (FEW, MANY))
    left, peak = ((more - less) / (MANY - FEW) for less, more in zip(few, many, strict=True))
    assert 500 < left < MOST_LEFT_BYTES  # 71 figures of eight bytes
    assert peak < MOST_VERDICT_BYTES


def test_the_figures_do_not_depend_on_where_rows_lie(tmp_path: Path) -> None:
    weighting = Weighting(np.full(FEW, 1 / RATE), np.arange(FEW) // 50, 0.5)
    found = []
    with BlockFile(tmp_path) as blocks:
        for keep in (blocks.keep, _tables.in_memory):
            scored = ScoreCollector(keep=keep)
            for one in make_pairs(FEW, MEASURES):
                scored.add(one, seconds=1 / RATE)
            score = pool_title(scored, weighting, fits=FITS, settings=SETTINGS)
            verdict = judge(make_case(score, weighting, FITS, matched_s=60.0, matched_share=1.0), SETTINGS)
            found.append((score.headroom, score.difference, score.recovered, score.colour, score.tone, score.origin_signs, verdict))
    assert found[0] == found[1]


@pytest.mark.usefixtures("traced")
@pytest.mark.parametrize(("where", "least", "most"), [("memory", 1152, MOST_FRAME_BYTES), ("file", 0, MOST_FILED_BYTES)])
def test_a_frame_of_a_pass_takes_little_more_than_its_fingerprint(where: str, least: int, most: int, tmp_path: Path) -> None:
    """Which has 576 cells of two bytes; and hardly anything where a frame is put into a file."""
    one, seen = frame(0), dict[int, int]()

    def frames() -> Iterator[Any]:
        for n in range(MANY):
            yield type(one)(n, Fraction(n, RATE), one.planes, False, "P")

    def progress(done: int) -> None:
        if done in (FEW, MANY):
            seen[done] = held()

    with BlockFile(tmp_path) as blocks:
        before = Table(FrameScan, keep=blocks.keep if where == "file" else _tables.in_memory)
        level = BarLevel(64.0, 68.0)
        scan_frames(frames(), signal(), active=BOX, bar_level=level, hlg_peak_nits=1000.0, progress=progress, before=before)
    assert least < (seen[MANY] - seen[FEW]) / (MANY - FEW) < most
