"""Chunks of a PNG: written by FFmpeg or by hand after PNG third edition, read here; and the picture read without harm."""

from __future__ import annotations

import struct
import subprocess
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest

from pairdiff.clip.png_chunks import MOST_PROFILE_BYTES, read_light_level, read_mastering, read_profile


def chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))


def with_chunks(*chunks: bytes) -> bytes:
    png = cv2.imencode(".png", np.full((64, 64, 3), 20000, np.uint16))[1].tobytes()
    return png[:33] + b"".join(chunks) + png[33:]


MDCV = struct.pack(">8H2I", 34000, 16000, 13250, 34500, 7500, 3000, 15635, 16450, 10_000_000, 50)


def test_light_levels_and_mastering_display_are_read() -> None:
    data = with_chunks(chunk(b"cICP", bytes([9, 16, 0, 1])), chunk(b"mDCV", MDCV), chunk(b"cLLI", struct.pack(">2I", 9_870_000, 2_030_000)))
    assert read_light_level(data) == (987, 203)
    primaries, luminance = read_mastering(data) or ((), ())
    assert primaries == ((0.68, 0.32), (0.265, 0.69), (0.15, 0.06), (0.3127, 0.329))
    assert luminance == (1000, 0.005)


def test_what_is_not_there_or_of_another_length_is_none() -> None:
    assert (read_light_level(with_chunks()), read_mastering(with_chunks()), read_profile(with_chunks())) == (None, None, b"")
    odd = with_chunks(chunk(b"mDCV", MDCV[:-1]), chunk(b"cLLI", b"abc"))
    assert (read_light_level(odd), read_mastering(odd)) == (None, None)
    assert read_light_level(b"no picture") is None


def test_a_profile_is_unpacked_and_one_too_long_is_not() -> None:
    assert read_profile(with_chunks(chunk(b"iCCP", b"name\0\0" + zlib.compress(b"a profile")))) == b"a profile"
    assert read_profile(with_chunks(chunk(b"iCCP", b"name\0\0" + zlib.compress(bytes(MOST_PROFILE_BYTES + 1))))) == b""
    assert read_profile(with_chunks(chunk(b"iCCP", b"name\0\0no stream"))) == b""


@pytest.mark.parametrize("count", [1, 3])
def test_pictures_with_a_profile_are_measured_and_the_process_lives(count: int, tmp_path: Path, project_root: Path) -> None:
    images = pytest.importorskip("PIL.ImageCms")
    profile = zlib.compress(images.ImageCmsProfile(images.createProfile("sRGB")).tobytes())
    for number in range(count):
        (tmp_path / f"a{number}.png").write_bytes(with_chunks(chunk(b"iCCP", b"a name\0\0" + profile)))
    command = [sys.executable, "-m", "pairdiff", "measure", str(tmp_path / ("a%d.png" if count > 1 else "a0.png"))]
    done = subprocess.run([*command, "--sdr-transfer", "bt1886"], capture_output=True, text=True, cwd=project_root, check=False)
    assert done.returncode == 0, done.stderr
    assert "primaries   BT.709 (container)" in done.stdout
