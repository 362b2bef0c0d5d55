"""Files of a few kilobytes or megabytes that ask for gigabytes, or for ever: refused within the limits on memory and time, in words."""

from __future__ import annotations

import struct
import subprocess
import sys
import time
import zlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests._clips import SDR_TAGS, encode_clip, moving_planes

Run = Callable[..., subprocess.CompletedProcess[str]]
STATED = ("--hdr-transfer", "pq", "--hdr-primaries", "bt2020", "--hdr-range", "full", "--hdr-linear-nits", "100")
STREAMS = 10_000
LIMIT_S = 30
"""What a refusal may take, the start of Python included."""
PEAK = """
import os, resource, subprocess, sys
done = subprocess.run([sys.executable, "-m", "pairdiff", *sys.argv[1:]], capture_output=True, text=True, stdin=subprocess.DEVNULL)
print(done.returncode, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024, done.stderr.replace("\\n", " "))
"""


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def zeros(count: int) -> bytes:
    """A zlib stream of so many zeros, of repeated blocks; the sum at its end is left out."""
    block = 1 << 20
    packer = zlib.compressobj(9)
    parts = packer.compress(bytes(block)) + packer.flush(zlib.Z_FULL_FLUSH)
    again = packer.compress(bytes(block)) + packer.flush(zlib.Z_FULL_FLUSH)
    return parts + again * (count // block)


def write_png(path: Path, size: tuple[int, int], data: bytes, *more: bytes) -> Path:
    head = chunk(b"IHDR", struct.pack(">2I5B", *size, 16, 2, 0, 0, 0)) + chunk(b"cICP", bytes([9, 16, 0, 1]))
    path.write_bytes(b"\x89PNG\r\n\x1a\n" + head + b"".join(more) + chunk(b"IDAT", data) + chunk(b"IEND", b""))
    return path


def write_exr(path: Path, columns: int, rows: int) -> Path:
    """The head of an OpenEXR picture and no line of it (OpenEXR file layout)."""
    box = struct.pack("<4i", 0, 0, columns - 1, rows - 1)
    channels = b"".join(name + b"\0" + struct.pack("<2i2i", 1, 0, 1, 1) for name in (b"B", b"G", b"R")) + b"\0"
    attributes = (
        (b"channels", b"chlist", channels),
        (b"compression", b"compression", b"\3"),
        (b"dataWindow", b"box2i", box),
        (b"displayWindow", b"box2i", box),
        (b"lineOrder", b"lineOrder", b"\0"),
        (b"pixelAspectRatio", b"float", struct.pack("<f", 1)),
        (b"screenWindowCenter", b"v2f", struct.pack("<2f", 0, 0)),
        (b"screenWindowWidth", b"float", struct.pack("<f", 1)),
    )
    head = b"".join(name + b"\0" + kind + b"\0" + struct.pack("<i", len(body)) + body for name, kind, body in attributes)
    path.write_bytes(b"\x76\x2f\x31\x01\2\0\0\0" + head + b"\0" + bytes(4096))
    return path


def write_streams(path: Path, count: int) -> Path:
    """An MP4 file whose index holds one track so many times."""
    encode_clip(path, moving_planes(6, bits=8), codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS)
    data = path.read_bytes()
    place = data.rfind(b"moov") - 4
    index = data[place : place + int.from_bytes(data[place : place + 4], "big")]
    start = index.find(b"trak") - 4
    track = bytearray(index[start : start + int.from_bytes(index[start : start + 4], "big")])
    number = track.find(b"tkhd") + 16
    tracks = []
    for one in range(count):
        track[number : number + 4] = struct.pack(">I", one + 1)
        tracks.append(bytes(track))
    body = index[8:start] + b"".join(tracks) + index[start + len(track) :]
    path.write_bytes(data[:place] + struct.pack(">I", 8 + len(body)) + b"moov" + body + data[place + len(index) :])
    return path


REFUSED: dict[str, tuple[Callable[[Path], Path], tuple[str, ...], int, str]] = {
    "a PNG of 16384 x 16384": (
        lambda f: write_png(f / "a.png", (16384, 16384), zeros(16384 * (16384 * 6 + 1))),
        (),
        400,
        "has pictures of 16384 x 16384; the decoder library takes none of more than 268 million pixels",
    ),
    "a PNG of 12000 x 12000": (
        lambda f: write_png(f / "a.png", (12000, 12000), zeros(12000 * (12000 * 6 + 1))),
        (),
        400,
        "has pictures of 12000 x 12000, 144 million pixels; the limit is 80 (--picture-limit-megapixels)",
    ),
    "a PNG that goes on for 200 GB": (
        lambda f: write_png(f / "a.png", (640, 360), zeros(200 << 30)),
        ("--decode-limit-s", "3"),
        1200,
        "without an end; the limit is 3 s (--decode-limit-s)",
    ),
    "a PNG whose colour profile is 4 GB": (
        lambda f: write_png(f / "a.png", (64, 64), zlib.compress(bytes(64 * 385)), chunk(b"iCCP", b"x\0\0" + zeros(4 << 30))),
        ("--memory-limit-gib", "1"),
        1800,
        "of memory; the limit is 1 GiB (--memory-limit-gib)",
    ),
    "an EXR of 30000 x 30000": (
        lambda f: write_exr(f / "a.exr", 30000, 30000),
        (),
        400,
        "has pictures of 30000 x 30000; the decoder library takes none of more than 268 million pixels",
    ),
    "a film of 10 000 streams": (lambda f: write_streams(f / "a.mp4", STREAMS), (), 400, "its head asks for more than 1000 streams"),
}


@pytest.mark.skipif(sys.platform == "win32", reason="peak memory of another process is read from POSIX")
@pytest.mark.parametrize(("make", "words", "most_mib", "said"), list(REFUSED.values()), ids=list(REFUSED))
def test_a_bomb_is_refused_within_the_limits(
    make: Callable[[Path], Path], words: tuple[str, ...], most_mib: int, said: str, tmp_path: Path, project_root: Path
) -> None:
    path = make(tmp_path)
    assert path.stat().st_size < 300 << 20
    start = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", PEAK, "measure", str(path), *STATED, *words],
        capture_output=True,
        text=True,
        cwd=project_root,
        timeout=120,
        check=True,
    )
    code, mib, told = done.stdout.split(" ", 2)
    assert time.monotonic() - start < LIMIT_S
    assert code == "3", told
    assert int(mib) < most_mib
    assert said in told
    assert "Traceback" not in told


@pytest.mark.slow
def test_a_file_of_many_streams_within_the_limit_is_measured(run_pairdiff: Run, tmp_path: Path) -> None:
    done = run_pairdiff("measure", write_streams(tmp_path / "a.mp4", 60), "--json")
    assert done.returncode == 0, done.stderr
    assert "59 further video stream(s)" in done.stdout


@pytest.mark.slow
def test_a_bomb_behind_the_first_of_numbered_pictures_is_held_by_the_same_limits(run_pairdiff: Run, tmp_path: Path) -> None:
    folder = tmp_path / "film"
    folder.mkdir()
    plain = np.zeros((360, 1 + 640 * 6), np.uint8).tobytes()
    for number in range(3):
        write_png(folder / f"a{number}.png", (640, 360), zlib.compress(plain))
    write_png(folder / "a3.png", (640, 360), zeros(200 << 30))
    done = run_pairdiff("measure", folder, *STATED[:6], "--decode-limit-s", "3")
    assert done.returncode == 3
    assert "without an end; the limit is 3 s" in done.stderr
