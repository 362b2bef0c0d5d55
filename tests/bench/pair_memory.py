"""Memory that the pairs of a film take when every one is scored, and its frames in a pass: what is kept while they come, and what is made
of all of them at the end (figures, verdict, moments, `frames.parquet`).

Three pictures are scored; the pairs are made of them, each with figures and arrays of its own (tests/score/_many_pairs.py). They go through
the very collector, pooling, verdict and writing of `compare --full`. No picture is decoded: what decoding and scoring hold comes on top.

    python -m tests.bench.pair_memory [PAIRS [DRAWS]]

Printed, MiB of resident memory: growth over the second half of the pairs for 10 000 of them, then the peak of each step above what there
was before any pair came. A film has 170 000 pairs; the support is drawn 400 times.
"""

from __future__ import annotations

import re
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from pairdiff._block_file import BlockFile
from pairdiff._memory import give_back
from pairdiff._records import FrameLevels
from pairdiff._settings import Settings
from pairdiff._tables import Table
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS
from pairdiff.score.headroom import Weighting
from pairdiff.score.scan import NO_CODES, FrameScan
from pairdiff.score.title import ScoreCollector, pool_title
from pairdiff.stills.choose import choose_moments
from pairdiff.verdict.judge import judge, label_at, make_case
from pairdiff.writeup.document import _write_table
from tests.score._many_pairs import RATE, SHOT_FRAMES, make_pairs, score_three
from tests.writeup._example import make_example

MIB = 2**20


def held() -> float:
    """Resident memory, MiB."""
    give_back()
    return float(psutil.Process().memory_info().rss / MIB)


@contextmanager
def step(name: str, before: float) -> Iterator[None]:
    """Prints time and peak of what is done within."""
    give_back()
    Path("/proc/self/clear_refs").write_text("5")  # sets the peak to what is resident now (Linux)
    began_s = time.monotonic()
    yield
    found = re.search(r"VmHWM:\s+(\d+)", Path("/proc/self/status").read_text())
    assert found is not None
    print(f"{name:44} {int(found[1]) / 1024 - before:8.1f} at most, {time.monotonic() - began_s:6.1f} s", flush=True)


def growth(count: int, add: Callable[[int], None]) -> float:
    """MiB that 10 000 of the second half of so many take."""
    for n in range(count // 2):
        add(n)
    half = held()
    for n in range(count // 2, count):
        add(n)
    return (held() - half) / (count - count // 2) * 10_000


def make_levels(n: int) -> FrameLevels:
    return FrameLevels(n, n / RATE, *(float(value) for value in np.linspace(100, 1, 11) + n / 1e6))


def measure_frames(count: int) -> Table[FrameLevels]:
    """Print what the frames of a pass take; their levels."""
    found = Table(FrameScan)

    def add(n: int) -> None:
        prints, edges = np.full(GRID_ROWS * GRID_COLUMNS, n % 7, np.float16), np.full((4, 8), n % 9, np.uint16)
        found.append(FrameScan(prints, edges, Fraction(n, RATE), make_levels(n), NO_CODES))

    print(f"{'frames of a pass, for 10 000':44} {growth(count, add):8.1f}", flush=True)
    return found.within("levels", FrameLevels)


def main(count: int = 20_000, draws: int = 400) -> None:
    settings = Settings(support_draws=draws)
    measures, fits = score_three(settings, rows=540, columns=960)
    levels = measure_frames(count)
    with tempfile.TemporaryDirectory() as folder, BlockFile(Path(folder)) as blocks:
        pairs, scored, before = make_pairs(count, measures), ScoreCollector(keep=blocks.keep), held()
        print(f"{'pairs while they are scored, for 10 000':44} {growth(count, lambda _: scored.add(next(pairs), seconds=1 / RATE)):8.1f}")
        weighting = Weighting(np.full(count, 1 / RATE), np.arange(count) // SHOT_FRAMES, 1.0)
        with step("figures of the film", before):
            score = pool_title(scored, weighting, fits=fits, settings=settings)
        with step("labels at each set-up", before):
            case = make_case(score, weighting, fits, matched_s=count / RATE, matched_share=1.0)
            labels = [label_at(case, setup, settings) for setup in score.setups]
        with step(f"verdict of {draws} draws", before):
            verdict = judge(case, settings)
        with step("moments", before):
            moments = choose_moments(score.pairs, controls=score.setup("controls"), seed=0)
        with step("frames.parquet", before):
            comparison: Any = replace(make_example(), pairs=score.pairs, hdr_frames=levels, sdr_frames=levels)
            _write_table(comparison, Path(folder) / "frames.parquet")
        print(f"{'pairs at the end, for 10 000':44} {(held() - before) / count * 10_000:8.1f}")
        print(f"{count} pairs, {len(moments)} moments, label {verdict.label}, at the set-ups {', '.join(labels)}")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
