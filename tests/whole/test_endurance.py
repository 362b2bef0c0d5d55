"""Long work survives what befalls it: kills at any moment, disks that are full, folders that cannot be written."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests._clips import PQ_TAGS, SDR_TAGS, Planes, encode_clip
from tests.whole._films import light_to_pq

OFTEN = """
import os
if os.environ.get("PAIRDIFF_BEAT_FILE"):
    from pairdiff import _pipeline
    _pipeline.PART_S = 0.05
"""
KILLS = 10


def film(*, bits: int) -> Iterator[Planes]:
    """Ten shots of noise that moves, 20 frames each: an SDR signal of 8 bits, or its light on a set of 203 cd/m2 as PQ of 10."""
    kind = np.uint16 if bits > 8 else np.uint8
    for shot in range(10):
        noise = np.random.default_rng(shot).uniform(0.1, 0.75, (15, 60))
        wide = np.kron(noise, np.ones((24, 24)))
        for number in range(20):
            cut = wide[:, 6 * number : 6 * number + 640]
            level = cut if bits == 8 else light_to_pq(203 * cut**2.4)
            luma = (16 + 219 * level) * 2 ** (bits - 8)
            chroma = np.full((180, 320), 2 ** (bits - 1))
            yield [plane.astype(kind) for plane in (luma, chroma, chroma)]


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("pair")
    hdr = encode_clip(folder / "hdr.mkv", film(bits=10), tags=PQ_TAGS, params="keyint=24:crf=14")
    sdr = encode_clip(folder / "sdr.mkv", film(bits=8), codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS, params="keyint=24:crf=14")
    return hdr, sdr


def begin(pair: tuple[Path, Path], folder: Path, out: Path) -> subprocess.Popen[str]:
    (folder / "sitecustomize.py").write_text(OFTEN, encoding="utf-8")
    root = Path(__file__).resolve().parents[2]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(folder), str(root)]), "PAIRDIFF_KEEP_DIR": str(folder / "kept")}
    command = [sys.executable, "-m", "pairdiff", "compare", *map(str, pair), "--out", str(out), "--title", "Harbour Lights"]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, env=env, stdin=subprocess.DEVNULL, stdout=pipe, stderr=pipe, text=True)


def finish(process: subprocess.Popen[str]) -> tuple[int, str]:
    _, said = process.communicate(timeout=600)
    return process.returncode, said


def read(out: Path) -> dict[str, Any]:
    result: dict[str, Any] = json.loads((out / "result.json").read_text(encoding="utf-8"))
    result.pop("run")
    return result


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kills are POSIX")
def test_a_run_killed_at_ten_random_moments_ends_as_one_that_was_not(pair: tuple[Path, Path], tmp_path: Path) -> None:
    whole, often = tmp_path / "whole", tmp_path / "often"
    whole.mkdir()
    often.mkdir()
    start = time.monotonic()
    code, said = finish(begin(pair, whole, whole / "out"))
    assert code == 0, said
    lasts_s = time.monotonic() - start
    chance, parts_seen = random.Random(7), 0
    for _ in range(KILLS):
        process = begin(pair, often, often / "out")
        time.sleep(chance.uniform(0.05, 0.95) * lasts_s)
        process.send_signal(signal.SIGKILL)
        finish(process)
        parts_seen += any((often / "kept" / "parts").rglob("*.npz"))
        if (often / "out" / "result.json").exists():  # whole, or not there at all
            assert read(often / "out") == read(whole / "out")
    code, said = finish(begin(pair, often, often / "out"))
    assert code == 0, said
    assert read(often / "out") == read(whole / "out")
    assert not any(path.name.endswith(".part") for path in (often / "out").rglob("*"))
    print(f"{KILLS} kills within {lasts_s:.1f} s each; parts of a pass lay there after {parts_seen} of them")


@pytest.fixture
def mounted(tmp_path: Path) -> Iterator[Path]:
    """A file system of four megabytes."""
    room = tmp_path / "room"
    room.mkdir()
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4m", "tmpfs", str(room)], capture_output=True, text=True, check=False)
    if done.returncode:
        pytest.skip(f"no file system of a given size can be made here: {done.stderr.strip()}")
    yield room
    subprocess.run(["umount", "-l", str(room)], check=False)


@pytest.mark.slow
def test_a_full_disk_is_said_and_nothing_half_written_is_left(pair: tuple[Path, Path], tmp_path: Path, mounted: Path) -> None:
    (mounted / "filler").write_bytes(bytes(int(3.6 * 2**20)))
    code, said = finish(begin(pair, tmp_path, mounted / "out"))
    assert code == 5, said
    assert "Cannot write to" in said
    assert "No space left on device. Name another folder with --out." in said
    assert "Traceback" not in said
    assert not (mounted / "out" / "result.json").exists()
    left = [path.name for path in (mounted / "out").rglob("*") if path.is_file()] if (mounted / "out").exists() else []
    assert left == []
    (mounted / "filler").unlink()


@pytest.mark.slow
def test_a_folder_on_a_file_system_that_cannot_be_written_is_refused_before_the_work(
    pair: tuple[Path, Path], tmp_path: Path, mounted: Path
) -> None:
    subprocess.run(["mount", "-o", "remount,ro", str(mounted)], check=True)
    start = time.monotonic()
    code, said = finish(begin(pair, tmp_path, mounted / "out"))
    assert code == 5, said
    assert "Read-only file system" in said
    assert "measure the HDR release" not in said
    assert time.monotonic() - start < 20
