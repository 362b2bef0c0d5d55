"""Time and memory of matching on long synthetic fingerprint tracks with ten edits: printed, never asserted.

PYTHONPATH=. .venv-tests/bin/python tests/bench/match_scale.py [FRAMES ...]

Shots of 1 to 6 s: a smooth pattern on the grid that changes by a random walk. Three kinds of edit by turns: 20 s put in on one side, 21 s
put in on the other, 3 s shown again. The SDR track carries noise. Each length runs in a process of its own, so that its peak is its own.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import time

import cv2
import numpy as np

from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS
from pairdiff.match.timeline import find_edit_map

NOISE = 0.003


def make_track(frames: int, seed: int) -> np.ndarray:
    """Fingerprints of a film that does not exist, (frame, cell), half precision."""
    rng = np.random.default_rng(seed)

    def patterns(count: int) -> np.ndarray:
        coarse = rng.normal(size=(count, 6, 8)).astype(np.float32)
        return np.stack([cv2.resize(one, (GRID_COLUMNS, GRID_ROWS), interpolation=cv2.INTER_CUBIC).ravel() for one in coarse])

    out = np.empty((frames, GRID_ROWS * GRID_COLUMNS), np.float16)
    done = 0
    while done < frames:
        length = min(int(rng.integers(24, 150)), frames - done)
        walk = np.cumsum(0.15 * rng.normal(size=(length, 4)), 0).astype(np.float32)
        shot = patterns(1) + np.sin(walk) @ patterns(4)
        shot -= shot.mean(1, keepdims=True)
        out[done : done + length] = shot / np.linalg.norm(shot, axis=1, keepdims=True)
        done += length
    return out


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


def measure(frames: int) -> None:
    """Print one line of the table."""
    find_edit_map(make_track(300, 1), make_track(300, 1))  # compiles
    film = np.concatenate([make_track(frames, 0), make_track(1000, 9)])
    hdr, sdr = edit_lists(frames)
    first, second = film[hdr], film[sdr]
    del film
    rng = np.random.default_rng(2)
    for start in range(0, frames, 4096):
        second[start : start + 4096] += (NOISE * rng.normal(size=second[start : start + 4096].shape)).astype(np.float16)
    begun = time.perf_counter()
    found = find_edit_map(first, second)
    seconds = time.perf_counter() - begun
    paired = found.partners >= 0
    wrong = int((sdr[found.partners[paired]] != hdr[paired]).sum())
    missed = int((~paired & np.isin(hdr, sdr)).sum())
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"| {frames} | {seconds:.1f} | {peak:.0f} | {wrong} | {missed} |", flush=True)


def main(lengths: list[str]) -> None:
    if len(lengths) == 1:
        measure(int(lengths[0]))
        return
    print("| frames | s | peak MiB, both tracks included | wrong | missed |\n|---|---|---|---|---|", flush=True)
    for length in lengths or ["43200", "86400", "172800", "345600"]:
        subprocess.run([sys.executable, __file__, length], check=True)


if __name__ == "__main__":
    main(sys.argv[1:])
