"""The size that a picture's file states, against pictures that other libraries wrote."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from pairdiff.clip.picture_size import find_exr_fault, stated_size

COLUMNS, ROWS = 70, 38


def write(path: Path) -> Path:
    """A picture by OpenCV, or by FFmpeg where that does not know the kind."""
    picture = np.full((ROWS, COLUMNS, 3), 90, np.uint8)
    if path.suffix not in (".dpx", ".exr"):
        cv2.imwrite(str(path), picture)
        return path
    with av.open(str(path), "w", format="image2") as out:
        stream = out.add_stream(path.suffix[1:], rate=24)
        stream.width, stream.height, stream.pix_fmt = COLUMNS, ROWS, "rgb48be" if path.suffix == ".dpx" else "gbrpf32le"
        frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(format="rgb48be")
        if path.suffix == ".exr":
            frame = av.VideoFrame.from_ndarray(picture.astype(np.float32), format="gbrpf32le")
        frame.pts, frame.time_base = 0, Fraction(1, 24)
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


@pytest.mark.parametrize("ending", ["png", "jpg", "dpx", "exr"])
def test_the_size_is_that_of_the_picture(ending: str, tmp_path: Path) -> None:
    assert stated_size(str(write(tmp_path / f"a.{ending}"))) == (COLUMNS, ROWS)


def test_a_window_that_does_not_begin_at_zero_and_other_segments_before_the_frame(tmp_path: Path) -> None:
    exr = write(tmp_path / "a.exr")
    data = bytearray(exr.read_bytes())
    place = data.index(b"dataWindow\0box2i\0\x10\0\0\0") + 21
    data[place : place + 16] = struct.pack("<4i", -10, 20, 89, 119)
    exr.write_bytes(data)
    assert stated_size(str(exr)) == (100, 100)
    jpeg = write(tmp_path / "a.jpg")
    plain = jpeg.read_bytes()
    jpeg.write_bytes(plain[:2] + b"\xff\xff\xff\xe9" + (60000).to_bytes(2, "big") + b"\xff\xc0" * 29999 + plain[2:])
    assert stated_size(str(jpeg)) == (COLUMNS, ROWS)


@pytest.mark.parametrize("ending", ["png", "jpg", "dpx", "exr"])
def test_a_file_that_is_cut_off_in_its_head_states_nothing(ending: str, tmp_path: Path) -> None:
    path = write(tmp_path / f"a.{ending}")
    path.write_bytes(path.read_bytes()[:20])
    assert stated_size(str(path)) is None


def test_other_files_state_nothing(tmp_path: Path) -> None:
    path = tmp_path / "a.png"
    path.write_bytes(b"a list of shops\n" * 9)
    assert stated_size(str(path)) is None


def test_the_larger_of_both_windows_of_an_exr_counts(tmp_path: Path) -> None:
    path = write(tmp_path / "a.exr")
    data = bytearray(path.read_bytes())
    place = data.index(b"displayWindow\0box2i\0\x10\0\0\0") + 24
    data[place : place + 16] = struct.pack("<4i", 0, 0, 15999, 15999)
    path.write_bytes(data)
    assert stated_size(str(path)) == (16000, 16000)


def test_an_exr_that_is_cut_off_or_lies_elsewhere_is_told(tmp_path: Path) -> None:
    path = write(tmp_path / "a.exr")
    data = path.read_bytes()
    assert find_exr_fault(str(path)) is None
    path.write_bytes(data[: len(data) * 6 // 10])
    assert "blocks of lines are missing or cut off" in str(find_exr_fault(str(path)))
    path.write_bytes(data[:400])
    assert "cut off" in str(find_exr_fault(str(path)))
    moved = bytearray(data)
    place = moved.index(b"displayWindow\0box2i\0\x10\0\0\0") + 24
    moved[place : place + 8] = struct.pack("<2i", 20, 10)
    path.write_bytes(moved)
    assert find_exr_fault(str(path)) == "its display window begins at 20, 10 in place of 0, 0"
