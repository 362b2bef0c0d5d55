"""Memory does not grow with the length of the film."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests._clips import Planes
from tests.whole._films import Floats, encode_hdr, encode_sdr, hdr_planes, pan, sdr_planes

ROWS, COLUMNS, RATE = 1080, 1920, 24
SHOT_FRAMES = 80
MOST_GROWTH = 0.10
CHEAP = {"preset": "ultrafast", "crf": "26"}
PEAK_OF_ITSELF = """
import re, sys
from pairdiff._cli import main
sys.argv[0] = "pairdiff"
code = main()
print(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1], file=sys.stderr)
sys.exit(code)
"""
"""Runs the command line, then says the largest resident size that this very process had, in kilobytes. (What a parent is told of its
children counts the parent's own size at the moment of the start.)"""


def shots(count: int) -> Iterator[Floats]:
    """Soft coloured pictures, signal 0.05 to 0.95, whose left and right edges meet."""
    for number in range(count):
        noise = np.random.default_rng(number).normal(size=(ROWS // 4, COLUMNS // 4, 3))
        field = sum(weight * sigma * gaussian_filter(noise, (sigma, sigma, 0), mode="wrap") for sigma, weight in ((24, 1.0), (4, 0.3)))
        large = np.repeat(np.repeat(0.5 + 0.2 * field / np.std(field), 4, axis=0), 4, axis=1)
        yield np.clip(gaussian_filter(large, (2, 2, 0), mode="wrap"), 0.05, 0.95)


def films(folder: Path, seconds: int) -> tuple[Path, Path]:
    """A pair of releases: the HDR one is the SDR one at 150 cd/m2, its primaries stretched to BT.2020."""
    count = seconds * RATE // SHOT_FRAMES

    def as_hdr() -> Iterator[Planes]:
        for signal in shots(count):
            yield from pan(hdr_planes(150 * signal**2.4), count=SHOT_FRAMES)

    def as_sdr() -> Iterator[Planes]:
        for signal in shots(count):
            yield from pan(sdr_planes(signal), count=SHOT_FRAMES)

    name = folder / f"{seconds}s"
    return (
        encode_hdr(name.with_suffix(".mkv"), as_hdr(), options=CHEAP, rate=RATE),
        encode_sdr(name.with_suffix(".mp4"), as_sdr(), options=CHEAP, rate=RATE),
    )


def peak_kilobytes(pair: tuple[Path, Path], *, out: Path, root: Path) -> int:
    env = {**os.environ, "PYTHONPATH": str(root), "PAIRDIFF_KEEP_DIR": str(out.with_name("kept"))}
    command = [sys.executable, "-c", PEAK_OF_ITSELF, "compare", *map(str, pair), "--out", str(out), "--fresh"]
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=False, timeout=3000)
    assert done.returncode == 0, done.stderr
    return int(done.stderr.split()[-1])


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="reads the peak memory from Linux's /proc")
def test_comparing_a_minute_takes_no_more_memory_than_comparing_ten_seconds(tmp_path: Path, project_root: Path) -> None:
    pairs = {seconds: films(tmp_path, seconds) for seconds in (10, 60)}
    short, long = (  # the lesser of two: how threads share out memory differs by 7 % from run to run
        min(peak_kilobytes(pair, out=tmp_path / f"out-{seconds}-{number}", root=project_root) for number in range(2))
        for seconds, pair in pairs.items()
    )
    assert long < (1 + MOST_GROWTH) * short, f"10 s: {short / 1024:.0f} MiB, 60 s: {long / 1024:.0f} MiB"
