"""Files broken at random: none may hang, end in a trace, or take the parent down. What is drawn depends on the seed alone.

Each mutated file is measured by a worker process through the front door, as a caller's program would; a worker that dies is a crash of the
codec library, which the command line turns into a message (tests/test_watch.py), and is counted.
"""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from tests._clips import PQ_TAGS, SDR_TAGS, encode_clip, moving_planes

HANG_S = 30.0
SEED = 20261
WORKER = """
import json, sys, traceback
import pairdiff
from pairdiff._errors import PairdiffError
stated = pairdiff.Settings(**json.loads(sys.argv[1]))
print("ready", flush=True)
for line in sys.stdin:
    try:
        pairdiff.measure(line.rstrip("\\n"), settings=stated, fresh=True)
        said = "measured"
    except PairdiffError as error:
        said = "refused " + str(error)[:300].replace("\\n", " ")
    except BaseException:
        said = "trace " + traceback.format_exc()[-1500:].replace("\\n", " | ")
    print(said, flush=True)
"""
STATED = {"hdr_transfer": "pq", "hdr_primaries": "bt2020", "hdr_matrix": "bt2020-ncl", "hdr_range": "narrow"}


@dataclass
class Tally:
    measured: int = 0
    refused: int = 0
    crashed: int = 0
    faults: list[str] = field(default_factory=list)


def make_seeds(folder: Path) -> list[Path]:
    """Eight small films in eight containers."""
    small = {"rows": 72, "columns": 96}
    ten, eight = moving_planes(8, **small), moving_planes(8, bits=8, **small)
    seeds = [encode_clip(folder / f"hevc.{ending}", ten, tags=PQ_TAGS) for ending in ("mkv", "mp4")]
    for ending in ("ts", "mov", "mxf"):
        seeds.append(encode_clip(folder / f"h264.{ending}", eight, codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS))
    seeds.append(encode_clip(folder / "av1.mkv", ten, codec="libsvtav1", tags=PQ_TAGS, options={"preset": "12"}))
    seeds.append(
        encode_clip(folder / "vp9.webm", eight, codec="libvpx-vp9", pix_fmt="yuv420p", tags=SDR_TAGS, options={"deadline": "realtime"})
    )
    seeds.append(encode_clip(folder / "mpeg2.mpg", eight, codec="mpeg2video", pix_fmt="yuv420p", tags=SDR_TAGS))
    return seeds


def mutate(data: bytes, other: bytes, rng: np.random.Generator) -> bytes:
    """One random fault: flipped bits, a cut, a spliced head, blocks overwritten, moved or repeated, a number made huge."""
    out, size = bytearray(data), len(data)
    kind = int(rng.integers(8))
    start, length = int(rng.integers(size)), int(rng.integers(1, max(size // 8, 2)))
    if kind == 0:
        for place in rng.integers(size, size=int(rng.integers(1, 200))):
            out[place] ^= 1 << int(rng.integers(8))
    elif kind == 1:
        del out[start:]
    elif kind == 2:
        out[: min(length, 4096)] = other[: min(length, 4096)]
    elif kind == 3:
        out[start : start + length] = rng.bytes(len(out[start : start + length]))
    elif kind == 4:
        out[start : start + length] = bytes(len(out[start : start + length]))
    elif kind == 5:
        out[start:start] = out[start : start + length]
    elif kind == 6:
        del out[start : start + length]
    else:
        head = int(rng.integers(min(size, 2048)))
        out[head : head + 4] = bytes([255, 255, 255, int(rng.integers(256))])
    return bytes(out)


class Worker:
    """A process that measures the files it is told; a new one takes the place of one that died or hung."""

    def __init__(self, folder: Path) -> None:
        self._env = {**os.environ, "PAIRDIFF_KEEP_DIR": str(folder / "kept"), "OMP_NUM_THREADS": "1"}
        self._start()

    def _start(self) -> None:
        command = [sys.executable, "-c", WORKER, json.dumps(STATED)]
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=self._env
        )
        assert self._read(120.0) == "ready"

    def measure(self, path: Path) -> str:
        assert self._process.stdin is not None
        self._process.stdin.write(f"{path}\n")
        self._process.stdin.flush()
        said = self._read(HANG_S)
        if said is None:
            hung = self._process.poll() is None
            self.close()
            self._start()
            return "hung" if hung else "crashed"
        return said

    def _read(self, limit_s: float) -> str | None:
        assert self._process.stdout is not None
        ready, _, _ = select.select([self._process.stdout], [], [], limit_s)
        line = self._process.stdout.readline() if ready else ""
        return line.rstrip("\n") or None

    def close(self) -> None:
        self._process.kill()
        self._process.communicate()


def run(folder: Path, count: int, seed: int) -> Tally:
    seeds = [path.read_bytes() for path in make_seeds(folder)]
    names = [path.name for path in make_seeds(folder)]
    tally, worker, rng = Tally(), Worker(folder), np.random.default_rng(seed)
    try:
        for number in range(count):
            which = number % len(seeds)
            path = folder / f"broken-{names[which]}"
            path.write_bytes(mutate(seeds[which], seeds[int(rng.integers(len(seeds)))], rng))
            start = time.monotonic()
            said = worker.measure(path)
            tally.measured += said == "measured"
            tally.refused += said.startswith("refused")
            tally.crashed += said == "crashed"
            if said.startswith(("trace", "hung")) or time.monotonic() - start > HANG_S:
                kept = folder / f"fault-{number}-{names[which]}"
                kept.write_bytes(path.read_bytes())
                tally.faults.append(f"{kept}: {said}")
    finally:
        worker.close()
    return tally


@pytest.mark.skipif(os.name != "posix", reason="select on pipes is POSIX")
def test_files_broken_at_random_are_measured_or_refused(tmp_path: Path) -> None:
    tally = run(tmp_path, 160, SEED)
    assert tally.faults == []
    assert tally.crashed == 0
    assert tally.measured > 20
    assert tally.refused > 20
    assert {path.name for path in tmp_path.iterdir() if ".part" in path.name} == set()


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="select on pipes is POSIX")
def test_five_thousand_files_broken_at_random(tmp_path: Path) -> None:
    tally = run(tmp_path, 5000, SEED + 1)
    print(f"measured {tally.measured}, refused {tally.refused}, crashes of the codec library {tally.crashed}")
    assert tally.faults == []
