"""Light as OpenEXR writes it and a gain map says it comes out as it is, and odd numbers as light; what cannot be read is refused."""

from __future__ import annotations

import os
import struct
import sys
import zlib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff import _pipeline
from pairdiff._errors import InputRefused
from pairdiff._settings import Settings
from pairdiff.clip.linear import HEAD_BYTES, PQ_POINT, PRIMARIES_POINTS, encode_png, linear_kind, read_linear
from pairdiff.clip.probe import probe_release
from pairdiff.frames.decode import FrameReader
from pairdiff.frames.planes import planes_to_rgb

Floats = NDArray[np.floating[Any]]
ROWS, COLUMNS = 22, 50
"""No multiple of what decoders round lines up to."""


def light() -> NDArray[np.float32]:
    """Any light between 0 and 4, another in every channel."""
    return np.random.default_rng(7).uniform(0, 4, (ROWS, COLUMNS, 3)).astype(np.float32)


def write_exr(path: Path, **channels: Floats) -> str:
    """By the format's own library."""
    openexr = pytest.importorskip("OpenEXR")
    head = {"compression": openexr.ZIP_COMPRESSION, "type": openexr.scanlineimage}
    openexr.File(head, {name: np.ascontiguousarray(values) for name, values in channels.items()}).write(str(path))
    return str(path)


def read(path: str) -> NDArray[np.float32]:
    return read_linear(path, kind="exr", side="hdr", most_megapixels=80)


@pytest.mark.parametrize("alpha", [False, True])
@pytest.mark.parametrize("kind", [np.float16, np.float32])
def test_light_comes_out_as_it_was_written(tmp_path: Path, kind: Any, alpha: bool) -> None:
    written = light().astype(kind)
    other = np.full((ROWS, COLUMNS, 1), 0.5, kind)
    channels = {"RGBA": np.concatenate([written, other], -1)} if alpha else {"RGB": written}
    found = read(write_exr(tmp_path / "scene.exr", **channels))
    assert found.dtype == np.float32
    np.testing.assert_array_equal(found, written)


@pytest.mark.parametrize("kind", [np.float16, np.float32])
def test_what_is_no_light_is_none_and_what_is_endless_is_the_most_there_is(tmp_path: Path, kind: Any) -> None:
    written = light().astype(kind)
    written[0, 0] = (np.nan, 1.5, -np.nan)
    written[0, 1] = (np.inf, 2.5, -np.inf)
    written[0, 2] = (-1, -0.0, 3.5)
    found = read(write_exr(tmp_path / "odd.exr", RGB=written))
    most = np.finfo(np.float32).max
    np.testing.assert_array_equal(found[0, :3], np.array([(0, 1.5, 0), (most, 2.5, 0), (0, 0, 3.5)], np.float32))
    np.testing.assert_array_equal(found[1:], written[1:])


@pytest.mark.parametrize("channel", ["Y", "RGB"])
def test_other_channels_than_light_in_three_colours_are_refused_with_what_was_found(tmp_path: Path, channel: str) -> None:
    values = light()[..., 0] if channel == "Y" else (1000 * light()).astype(np.uint32)
    path = write_exr(tmp_path / "other.exr", **{channel: values})
    found = {"Y": "grayf32le", "RGB": "rgb48le"}[channel]
    with pytest.raises(InputRefused, match=rf"The HDR release .*other\.exr is an OpenEXR .* \(found: {found}\)\. Save it with three"):
        read(path)


@pytest.mark.parametrize("size", [10, 200])
def test_a_picture_that_is_cut_within_its_head_is_refused(tmp_path: Path, size: int) -> None:
    path = write_exr(tmp_path / "cut.exr", RGB=light())
    os.truncate(path, size)
    assert linear_kind(path) == "exr"
    with pytest.raises(
        InputRefused, match=r"cut\.exr of the HDR release cannot be read as it should be: its (head|table of blocks) is cut off"
    ):
        read(path)


def test_a_picture_of_the_largest_size_is_read_and_a_larger_one_refused_in_its_words(tmp_path: Path) -> None:
    path = write_exr(tmp_path / "scene.exr", RGB=light())
    assert read_linear(path, kind="exr", side="hdr", most_megapixels=0.0011).shape == (ROWS, COLUMNS, 3)
    with pytest.raises(InputRefused, match=r"The HDR release .* is a picture of 50 x 22; the limit is 0\.00109 million"):
        read_linear(path, kind="exr", side="hdr", most_megapixels=0.00109)


MARKS = (b"urn:iso:std:iso:ts:21496:-1", b"http://ns.adobe.com/hdr-gain-map/1.0/")


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"\x76\x2f\x31\x01 and more", "exr"),
        *((b"\xff\xd8 head " + mark, "gain map") for mark in MARKS),
        (b"\xff\xd8" + bytes(HEAD_BYTES - len(MARKS[0]) // 2) + MARKS[0], "gain map"),  # across the end of the head
        (b"\xff\xd8" + bytes(3 * HEAD_BYTES) + MARKS[1], "gain map"),
        (b"\xff\xd8 a plain photograph", None),
        (b"\x89PNG " + MARKS[0], None),
        (b" \x76\x2f\x31\x01", None),
        (b"", None),
    ],
    ids=["exr", "iso", "older", "mark across the head's end", "mark far behind", "plain jpeg", "png", "no start", "empty"],
)
def test_pictures_of_light_are_told_by_what_they_hold(tmp_path: Path, data: bytes, kind: str | None) -> None:
    path = tmp_path / "picture.exr"
    path.write_bytes(data)
    assert linear_kind(str(path)) == kind
    assert linear_kind(str(tmp_path)) is None
    assert linear_kind(str(tmp_path / "nowhere.exr")) is None


# ------------------------------------------------------------- both renditions of a photograph


def test_the_hdr_rendition_is_the_light_and_the_base_picture_what_an_sdr_display_shows_of_it(tmp_path: Path) -> None:
    imagecodecs = pytest.importorskip("imagecodecs")
    linear = np.repeat(np.linspace(0.05, 4, 640)[None, :, None], 64, 0).repeat(3, 2)
    path = tmp_path / "photo.jpg"
    path.write_bytes(imagecodecs.ultrahdr_encode(np.concatenate([linear, np.ones((64, 640, 1))], -1).astype(np.float16)))
    assert linear_kind(str(path)) == "gain map"
    hdr = read_linear(str(path), kind="gain map", side="hdr", most_megapixels=80)
    assert (hdr.shape, hdr.dtype) == ((64, 640, 3), np.float32)
    np.testing.assert_allclose(hdr, linear, rtol=0.06)
    stated = Settings(sdr_transfer="bt1886", sdr_primaries="bt709", sdr_matrix="bt601", sdr_range="full")
    release = _pipeline._probe(path, side="sdr", settings=stated, hash_whole=False, fresh=False, tell=_pipeline._silent)
    with FrameReader(release) as reader:
        base = planes_to_rgb(next(reader).planes, release.signal)
    assert base.shape == hdr.shape
    assert base.max() <= 1
    line = cv2.blur(base.mean(-1), (31, 1))[32]
    assert (np.diff(line[40:-40:20]) > 0).all()  # the same picture
    gained = (hdr.mean(-1) / base.mean(-1) ** 2.2)[32]
    assert gained[-40:].mean() > 2.5 * gained[40:80].mean()  # and not the same light
    with pytest.raises(InputRefused, match=r"is a picture of 640 x 64; the limit is 0\.04 million"):
        read_linear(str(path), kind="gain map", side="hdr", most_megapixels=0.04)


def test_without_the_library_that_applies_gain_maps_the_way_to_get_it_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "imagecodecs", None)
    with pytest.raises(InputRefused, match=r"which is not installed: pip install 'pairdiff\[stills\]'\."):
        read_linear(str(tmp_path / "photo.jpg"), kind="gain map", side="hdr", most_megapixels=80)


# ------------------------------------------------------------- how light is handed on


def chunks(png: bytes) -> list[tuple[bytes, bytes]]:
    """Name and body of every chunk, each sound (PNG third edition, 5.3)."""
    found, place = [], 8
    while place < len(png):
        (length,) = struct.unpack_from(">I", png, place)
        name, body = png[place + 4 : place + 8], png[place + 8 : place + 8 + length]
        assert struct.unpack_from(">I", png, place + 8 + length) == (zlib.crc32(name + body),)
        found.append((name, body))
        place += 12 + length
    return found


@pytest.mark.parametrize(("primaries", "point"), [("bt709", 1), ("bt2020", 9), ("p3-d65", 12)])
def test_codes_are_handed_on_whole_and_say_what_they_are(tmp_path: Path, primaries: str, point: int) -> None:
    codes = np.random.default_rng(9).integers(0, 2**16, (ROWS, COLUMNS, 3), np.uint16)
    png = encode_png(codes, points=(PRIMARIES_POINTS[primaries], PQ_POINT))
    listed = chunks(png)
    assert dict(listed)[b"cICP"] == bytes([point, 16, 0, 1])
    assert [name for name, _ in listed][:2] == [b"IHDR", b"cICP"]  # before the picture
    path = tmp_path / "codes.png"
    path.write_bytes(png)
    release = probe_release(path, side="hdr", settings=Settings())
    signal = release.signal
    found = (signal.transfer.value, signal.primaries.value, signal.range.value, signal.bit_depth.value, signal.chroma_sampling.value)
    assert found == ("pq", primaries, "full", 16, "rgb")
    with FrameReader(release) as reader:
        np.testing.assert_array_equal(np.stack(next(reader).planes, -1), codes)


def test_a_picture_that_the_encoder_cannot_take_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cv2, "imencode", lambda *words: (False, np.zeros(0, np.uint8)))
    with pytest.raises(InputRefused, match="A picture of 50 x 22 cannot be handed on as PNG"):
        encode_png(np.zeros((ROWS, COLUMNS, 3), np.uint16), points=(1, PQ_POINT))
