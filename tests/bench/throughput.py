"""How long the command takes to start, how much slower a pass is than decoding, how much faster the compiled loops are than numpy.

    python -m tests.bench.throughput CLIP [CLIP ...] [--runs 5] [--out throughput.json]

First what every call costs: `--help` and imports, medians of five processes, seconds on the clock and of one core. Then, for each clip,
whole processes in turn: one that decodes with as many threads as the pass has, and `pairdiff measure --full --fresh`. Both
medians, their ratio, and the pass's largest memory. And, on pictures of the first clip, the time of one core that each loop takes, that of
plain numpy for the same, and how many bytes it reads a second, beside what copying memory reaches. The JSON of the last run, if there
is one, is compared with: the columns called `last`.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import Frame, Rectangle, Release
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_alone
from pairdiff.frames.joined import open_reader
from pairdiff.frames.planes import planes_to_rgb
from pairdiff.light.transfer import bt1886_to_nits, pq_to_nits
from pairdiff.match.active import BarLevel, measure_edges
from pairdiff.match.fingerprint import BLOCK_ROWS_EVERY, EQUALISED_COLUMNS, GRID_COLUMNS, GRID_ROWS, make_fingerprint
from pairdiff.score.levels import frame_light_levels, levels_from_histogram
from pairdiff.score.plane_levels import make_plane_scale, plane_histogram
from pairdiff.score.readings import count_luma

ROOT = Path(__file__).resolve().parents[2]
DECODE = """
import sys, av
with av.open(sys.argv[1]) as container:
    stream = container.streams.video[0]
    stream.thread_type, stream.codec_context.thread_count = "AUTO", 0
    print(sum(1 for frame in container.decode(stream)))
"""
PICTURES = 8
STARTS = {
    "pairdiff --help": ("-m", "pairdiff", "--help"),
    "pairdiff measure --help": ("-m", "pairdiff", "measure", "--help"),
    "import pairdiff": ("-c", "import pairdiff"),
    "import pairdiff, measure": ("-c", "import pairdiff; pairdiff.measure"),
}
START_RUNS = 5
LOOK_EVERY_S = 0.3


@dataclass(frozen=True, slots=True)
class Start:
    """What a call costs before it does anything, medians."""

    name: str
    wall_s: float
    core_s: float


@dataclass(frozen=True, slots=True)
class Pass:
    """One clip."""

    clip: str
    frames: int
    decode_s: float
    measure_s: float
    ratio: float
    peak_mib: float


@dataclass(frozen=True, slots=True)
class Loop:
    """One measure of a picture, milliseconds of one core."""

    name: str
    ours_ms: float
    numpy_ms: float
    times: float
    gb_per_s: float


def time_process(words: Sequence[str], env: dict[str, str]) -> tuple[float, str, float]:
    """Seconds, standard output and largest memory (MiB, of the process and its children) of one process."""
    start = time.perf_counter()
    with subprocess.Popen(words, env=env, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        said, peak = "", 0.0
        import psutil

        while process.poll() is None:
            try:
                family = [psutil.Process(process.pid), *psutil.Process(process.pid).children(recursive=True)]
                peak = max(peak, sum(one.memory_info().rss for one in family) / 2**20)
            except psutil.Error:
                pass
            with contextlib.suppress(subprocess.TimeoutExpired):  # looking takes some time of a core as well
                process.wait(LOOK_EVERY_S)
        spent_s = time.perf_counter() - start
        said = process.stdout.read()
    if process.returncode:
        sys.exit(f"{' '.join(map(str, words))} ended with {process.returncode}")
    return spent_s, said, peak


def bench_starts() -> list[Start]:
    """Start times; the first process of each, which may have to compile byte code, is not counted."""
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    found = []
    for name, words in STARTS.items():
        walls, cores = [], []
        for _ in range(START_RUNS + 1):
            before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
            subprocess.run([sys.executable, *words], env=env, stdout=subprocess.DEVNULL, check=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            walls.append(time.perf_counter() - start)
            cores.append(after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)
        found.append(Start(name, statistics.median(walls[1:]), statistics.median(cores[1:])))
    return found


def bench_pass(clip: str, runs: int) -> Pass:
    """Decoding and measuring in turn, so that a machine that slows down slows both."""
    decoded, measured, peaks, frames = [], [], [], 0
    with tempfile.TemporaryDirectory() as kept:
        env = {**os.environ, "PYTHONPATH": str(ROOT), "PAIRDIFF_KEEP_DIR": kept}
        for number in range(runs):
            spent_s, said, _ = time_process([sys.executable, "-c", DECODE, clip], env)
            decoded.append(spent_s)
            frames = int(said)
            spent_s, _, peak = time_process([sys.executable, "-m", "pairdiff", "measure", clip, "--full", "--fresh"], env)
            measured.append(spent_s)
            peaks.append(peak)
            print(f"  {Path(clip).name}: run {number + 1}: decode {decoded[-1]:.1f} s, measure {measured[-1]:.1f} s", file=sys.stderr)
    decode_s, measure_s = statistics.median(decoded), statistics.median(measured)
    return Pass(Path(clip).name, frames, decode_s, measure_s, measure_s / decode_s, max(peaks))


def read_pictures(release: Release) -> list[Frame]:
    """A few pictures, copied out of the decoder."""
    found: list[Frame] = []
    with open_reader(release) as reader:
        for frame in reader:
            found.append(Frame(frame.index, frame.time_s, tuple(plane.copy() for plane in frame.planes), True, "I"))
            if len(found) == PICTURES:
                break
    return found


def core_ms(function: Callable[[Frame], Any], pictures: Sequence[Frame], *, least_s: float = 0.5) -> float:
    """Milliseconds of processor time a picture."""
    function(pictures[0])
    start, done = time.process_time(), 0
    while time.process_time() - start < least_s or done < len(pictures):
        function(pictures[done % len(pictures)])
        done += 1
    return 1e3 * (time.process_time() - start) / done


def numpy_fingerprint(luma: NDArray[Any]) -> NDArray[Any]:
    """What `make_fingerprint` computes, in plain numpy; blocks and cells whole."""
    block = max(luma.shape[1] // EQUALISED_COLUMNS, 1)
    rows, columns = luma.shape[0] // block * block, luma.shape[1] // block * block
    small = luma[:rows, :columns].reshape(rows // block, block, columns // block, block).mean((1, 3)).round().astype(np.int64)
    small = small[:: BLOCK_ROWS_EVERY if block > 1 else 1]
    count = np.bincount(small.ravel())
    share = (np.cumsum(count) - count / 2) / small.size
    equal = share[small]
    high, wide = equal.shape[0] // GRID_ROWS, equal.shape[1] // GRID_COLUMNS
    cells = equal[: high * GRID_ROWS, : wide * GRID_COLUMNS].reshape(GRID_ROWS, high, GRID_COLUMNS, wide).mean((1, 3)).ravel()
    rank = np.clip((cells[:, None] - cells[None, :]) / 0.02, -1, 1).sum(1)
    return (rank - rank.mean()) / np.linalg.norm(rank - rank.mean())


def bench_loops(clip: str) -> tuple[list[Loop], float]:
    """Each loop beside numpy, and the bytes a second that copying memory reads."""
    release = probe_alone(clip, settings=Settings())
    signal, pictures = release.signal, read_pictures(release)
    rows, columns = pictures[0].planes[0].shape
    whole, step = Rectangle(0, rows, 0, columns), 2.0 ** (signal.bit_depth.value - 8)
    pq = signal.transfer.value == "pq"
    scale = make_plane_scale(signal, pq_to_nits if pq else lambda code: bt1886_to_nits(code, white_nits=100.0, gamma=2.4))
    luma_bytes, all_bytes = pictures[0].planes[0].nbytes, sum(plane.nbytes for plane in pictures[0].planes)

    def levels(frame: Frame) -> Any:
        counted = plane_histogram(frame.planes, signal, active=whole, scale=scale)
        return levels_from_histogram(counted, bin_nits=scale.step_nits, frame=0, time_s=0.0)

    def numpy_levels(frame: Frame) -> Any:
        return frame_light_levels(scale.code_to_nits(planes_to_rgb(frame.planes, signal).astype(np.float64)), active=whole)

    pairs: list[tuple[str, Callable[[Frame], Any], Callable[[Frame], Any], int]] = [
        ("light levels", levels, numpy_levels, all_bytes),
        (
            "fingerprint",
            lambda frame: make_fingerprint(frame.planes[0], active=whole, code_step=step),
            lambda frame: numpy_fingerprint(frame.planes[0]),
            luma_bytes,
        ),
        (
            "picture edges",
            lambda frame: measure_edges(frame.planes[0], active=whole, level=BarLevel(16 * step, 17 * step)),
            lambda frame: (
                np.stack([part.mean(1) for part in np.array_split(frame.planes[0], 8, 1)]),
                np.stack([part.mean(0) for part in np.array_split(frame.planes[0], 8, 0)]),
            ),
            luma_bytes // 8,
        ),
        (
            "luma codes",
            lambda frame: count_luma(frame.planes[0], active=whole, bit_depth=signal.bit_depth.value),
            lambda frame: np.bincount(frame.planes[0][::4, ::4].ravel() >> int(np.log2(step)), minlength=256),
            luma_bytes // 4,
        ),
    ]
    found = []
    for name, ours, theirs, read_bytes in pairs:
        ours_ms, numpy_ms = core_ms(ours, pictures), core_ms(theirs, pictures)
        found.append(Loop(name, ours_ms, numpy_ms, numpy_ms / ours_ms, read_bytes / ours_ms / 1e6))
    room = np.empty_like(pictures[0].planes[0])
    copy_ms = core_ms(lambda frame: np.copyto(room, frame.planes[0]), pictures)
    return found, luma_bytes / copy_ms / 1e6


def main() -> None:
    """Run it and print tables."""
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("clips", nargs="+")
    reader.add_argument("--runs", type=int, default=5)
    reader.add_argument("--out", type=Path)
    given = reader.parse_args()
    last = json.loads(given.out.read_text()) if given.out and given.out.exists() else {}
    starts = bench_starts()
    earlier = {one["name"]: one for one in last.get("starts", [])}
    print(f"{'start':26}{'clock, s':>10}{'core, s':>9}{'last':>8}")
    for one in starts:
        last_s = f"{earlier[one.name]['core_s']:.2f}" if one.name in earlier else "-"
        print(f"{one.name:26}{one.wall_s:10.2f}{one.core_s:9.2f}{last_s:>8}")
    loops, copy_gb_per_s = bench_loops(given.clips[0])
    print(f"{'loop':16}{'ours, ms':>10}{'numpy, ms':>11}{'times':>8}{'GB/s':>7}   (copying: {copy_gb_per_s:.1f} GB/s)")
    for loop in loops:
        print(f"{loop.name:16}{loop.ours_ms:10.2f}{loop.numpy_ms:11.1f}{loop.times:8.1f}{loop.gb_per_s:7.1f}")
    passes = [] if given.runs == 0 else [bench_pass(clip, given.runs) for clip in given.clips]
    before = {one["clip"]: one for one in last.get("passes", [])}
    print(f"{'clip':24}{'frames':>8}{'decode, s':>11}{'measure, s':>12}{'ratio':>8}{'last':>8}{'MiB':>8}{'last':>8}")
    for done in passes:
        old = before.get(done.clip)
        was = ("-", "-") if old is None else (f"{old['ratio']:.3f}", f"{old['peak_mib']:.0f}")
        times = f"{done.decode_s:11.1f}{done.measure_s:12.1f}{done.ratio:8.3f}{was[0]:>8}"
        print(f"{done.clip:24}{done.frames:8}{times}{done.peak_mib:8.0f}{was[1]:>8}")
    if given.out:
        part = given.out.with_suffix(".part")
        kept = {name: [asdict(one) for one in table] for name, table in (("starts", starts), ("loops", loops), ("passes", passes))}
        part.write_text(json.dumps(kept, indent=1) + "\n")
        part.replace(given.out)


if __name__ == "__main__":
    main()
