"""Time and memory of a film read whole, but for its pictures, on long synthetic fingerprint tracks with ten edits: printed, never asserted.

    python -m tests.bench.match_scale [FRAMES ...]

Shots of 1 to 6 s: a smooth pattern on the grid that changes by a random walk. Three kinds of edit by turns: 20 s put in on one side, 21 s
put in on the other, 3 s shown again. The SDR track carries noise. What a pass finds of each frame goes the way that it goes in a run: into
tables, from there into tracks, which are kept and loaded again; these are matched, and what is drawn from the map before any pair is
scored is drawn. Fingerprints and tables lie in files, as in a run, and so do the made-up films. Each length runs in a process of its own.

Printed of each step: seconds, MiB of resident memory at most, and what is resident behind it. What decoding and measuring hold comes on
top in the passes, and what scoring holds on top of what is resident at the end.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np

from pairdiff import _keep
from pairdiff._block_file import BlockFile, in_files
from pairdiff._film_array import FilmArray, Prints
from pairdiff._memory import give_back
from pairdiff._records import Alignment, FrameLevels, PictureSpan, Rectangle
from pairdiff._settings import Settings
from pairdiff._tables import Table
from pairdiff.match.active import BarLevel
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS
from pairdiff.match.passages import area_passages
from pairdiff.match.seams import find_seams
from pairdiff.match.segments import build_segments, find_shots
from pairdiff.match.timeline import EditMap, find_edit_map, single_path
from pairdiff.match.witness import doubtful_runs
from pairdiff.score.contaminants import find_frames, find_lit, make_table
from pairdiff.score.scan import NO_CODES, FrameScan, Track, scan_frames, track_spans
from pairdiff.score.spoilt import Pairing, find_spoilt
from tests.score.test_scan import signal

NOISE, RATE = 0.003, 24
WHOLE, BLOCK = Rectangle(0, 48, 0, 64), 4096


@contextmanager
def step(name: str) -> Iterator[None]:
    """Prints what is done within."""
    Path("/proc/self/clear_refs").write_text("5")  # sets the peak to what is resident now (Linux)
    begun = time.perf_counter()
    yield
    seconds, peak = time.perf_counter() - begun, resident("VmHWM")
    give_back()
    print(f"| {name} | {seconds:.1f} | {peak:.0f} | {resident('VmRSS'):.0f} |", flush=True)


def resident(which: str) -> float:
    found = re.search(rf"{which}:\s+(\d+)", Path("/proc/self/status").read_text())
    assert found is not None
    return int(found[1]) / 1024


def fill_track(out: Prints, seed: int) -> None:
    """Fingerprints of a film that does not exist, (frame, cell), half precision."""
    rng = np.random.default_rng(seed)

    def patterns(count: int) -> np.ndarray:
        coarse = rng.normal(size=(count, 6, 8)).astype(np.float32)
        return np.stack([cv2.resize(one, (GRID_COLUMNS, GRID_ROWS), interpolation=cv2.INTER_CUBIC).ravel() for one in coarse])

    done = 0
    while done < len(out):
        length = min(int(rng.integers(24, 150)), len(out) - done)
        walk = np.cumsum(0.15 * rng.normal(size=(length, 4)), 0).astype(np.float32)
        shot = patterns(1) + np.sin(walk) @ patterns(4)
        shot -= shot.mean(1, keepdims=True)
        out[done : done + length] = (shot / np.linalg.norm(shot, axis=1, keepdims=True)).astype(np.float16)
        done += length


def edit_lists(frames: int) -> tuple[np.ndarray, np.ndarray]:
    """Picture numbers of both sides: below `frames` the film, from there on something else."""
    hdr: list[np.ndarray] = []
    sdr: list[np.ndarray] = []
    last = 0
    for number, edit in enumerate(np.linspace(0, frames, 12).astype(int)[1:-1]):
        hdr.append(np.arange(last, edit))
        sdr.append(np.arange(last, edit))
        if number % 3 == 0:
            hdr.append(np.arange(frames, frames + 480))
        elif number % 3 == 1:
            sdr.append(np.arange(frames + 500, frames + 1000))
        else:
            hdr.append(np.arange(edit, edit + 72))
        last = edit + (72 if number % 3 == 2 else 0)
    for side in (hdr, sdr):
        side.append(np.arange(last, frames))
    return np.concatenate(hdr)[:frames], np.concatenate(sdr)[:frames]


def tell_frames(film: FilmArray, numbers: np.ndarray, found: Table[FrameScan], *, noise: float) -> None:
    """What a pass over a release would find of its frames, put into a table one by one."""
    rng, edges = np.random.default_rng(2), np.zeros((4, 8), np.uint16)
    edges[1], edges[3] = WHOLE.bottom, WHOLE.right
    for start in range(0, len(numbers), BLOCK):
        prints = film[numbers[start : start + BLOCK]]
        if noise:
            prints += (noise * rng.normal(size=prints.shape)).astype(np.float16)
        for n, one in enumerate(prints, start):
            levels = FrameLevels(n, n / RATE, *(float(value) for value in np.linspace(100, 1, 11) + n / 1e6))
            found.append(FrameScan(one, edges, Fraction(n, RATE), levels, NO_CODES))


def scan(film: FilmArray, numbers: np.ndarray, folder: Path, *, noise: float) -> Track:
    """The pass over one release, but for its pictures."""
    with BlockFile(folder) as blocks:
        found = Table(FrameScan, keep=blocks.keep)
        tell_frames(film, numbers, found, noise=noise)
        told = {"active": WHOLE, "bar_level": BarLevel(64.0, 68.0), "hlg_peak_nits": 1000.0, "progress": lambda done: None}
        done = scan_frames((), signal(), **told, before=found, empty=in_files(folder))
    return Track(WHOLE, done.fingerprints, done.edges, done.times_s, done.levels, (), codes=done.codes)


def draw_from(edit_map: EditMap, hdr: Track, sdr: Track, spans: list[tuple[PictureSpan, ...]]) -> tuple[object, ...]:
    """What a comparison draws from the map before it reads pictures again, and what stays of it."""
    path, similarity = edit_map.path, edit_map.similarity
    segments = build_segments(edit_map.state, path, edit_map.path_stop, similarity, sdr_frames=len(sdr.times_s), speed=1.0)
    shots, single = find_shots(hdr.fingerprints, edit_map.state, path), single_path(edit_map)
    runs, seams = doubtful_runs(single, np.array([start for start, _ in shots])), find_seams(single)
    times = [np.array([float(one) for one in track.times_s]) for track in (hdr, sdr)]
    alignment = Alignment(1.0, 0, 1.0, 0.0, segments, (), shots, (), edit_map.partners, *times)
    table = make_table(hdr.levels, sdr.levels, alignment)
    pairing = Pairing(similarity, path, edit_map.partners >= 0, find_lit(table, path), hdr.fingerprints, sdr.fingerprints)
    frames = find_frames(table, hdr_damage=(), sdr_damage=(), otherwise=find_spoilt(pairing), settings=Settings())
    return alignment, area_passages(path, *spans), runs, seams, table, frames


def measure(frames: int) -> None:
    """Print the table of one length."""
    print(f"\n{frames} frames\n\n| step | s | MiB at most | behind it |\n|---|---|---|---|", flush=True)
    with tempfile.TemporaryDirectory() as name:
        os.environ[_keep.FOLDER_VARIABLE], folder = name, Path(name)
        with step("compile"):
            small = np.empty((300, GRID_ROWS * GRID_COLUMNS), np.float16)
            fill_track(small, 1)
            find_edit_map(small, small)
        film = in_files(folder)((frames + 1000, GRID_ROWS * GRID_COLUMNS), np.float16)
        assert isinstance(film, FilmArray)
        with step("make a film up"):
            fill_track(film.part(0, frames), 0)
            fill_track(film.part(frames, frames + 1000), 9)
        hdr_numbers, sdr_numbers = edit_lists(frames)
        with step("pass over the HDR release"):
            hdr = scan(film, hdr_numbers, folder, noise=0.0)
        with step("pass over the SDR release"):
            sdr = scan(film, sdr_numbers, folder, noise=NOISE)
        with step("keep a track and load it"):
            _keep.store_track("hdr", hdr)
            kept = _keep.load_track("hdr")
            assert kept is not None
            assert kept.times_s == hdr.times_s
            hdr = kept
            del kept
        with step("picture areas"):
            spans = [track_spans(one, signal()) for one in (hdr, sdr)]
        with step("match"):
            found = find_edit_map(hdr.fingerprints, sdr.fingerprints, empty=in_files(folder))
        with step("segments, shots, seams, frames left out"):
            drawn = draw_from(found, hdr, sdr, spans)
        with step("fingerprints and edges let go"):
            hdr, sdr = (replace(one, fingerprints=one.fingerprints[:0], edges=one.edges[:0].copy()) for one in (hdr, sdr))
        paired = found.partners >= 0
        wrong = int((sdr_numbers[found.partners[paired]] != hdr_numbers[paired]).sum())
        missed = int((~paired & np.isin(hdr_numbers, sdr_numbers)).sum())
        print(f"\nwrong {wrong}, missed {missed}; {len(drawn)} figures drawn", flush=True)


def main(lengths: list[str]) -> None:
    if len(lengths) == 1:
        measure(int(lengths[0]))
        return
    for length in lengths or ["43200", "86400", "172800", "345600"]:
        subprocess.run([sys.executable, "-m", "tests.bench.match_scale", length], check=True)


if __name__ == "__main__":
    main(sys.argv[1:])
