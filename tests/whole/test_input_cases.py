"""What files users have: containers, codecs, depths, samplings, tags and faults, each made here, each with the outcome it must have.

A case that can be measured says bit depth, sampling, frames and range; one that cannot, the words of its refusal. VC-1 is missing: no
encoder writes it. Fields: `MADE` are files of an encoder, `FAULTY` files with something wrong.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
import pytest

import pairdiff
from pairdiff._errors import PairdiffError
from pairdiff.writeup.hdr_image import usual_priority
from tests._clips import (
    HLG_TAGS,
    NO_TAGS,
    PQ_TAGS,
    SDR_TAGS,
    add_boxes_to_sample_entry,
    encode_clip,
    moving_planes,
    spoil_packets,
)

FRAMES, ROWS, COLUMNS = 12, 96, 160
FULL_SDR_TAGS = (1, 1, 1, 2)
STATED_SDR = {"sdr_transfer": "bt1886", "sdr_primaries": "bt709", "sdr_matrix": "bt709", "sdr_range": "narrow"}
STATED_HDR = {"hdr_transfer": "pq", "hdr_primaries": "bt2020", "hdr_matrix": "bt2020-ncl", "hdr_range": "narrow"}
SDR_RGB = {"sdr_transfer": "bt1886", "sdr_primaries": "bt709", "sdr_range": "full"}
HDR_RGB = {"hdr_transfer": "pq", "hdr_primaries": "bt2020", "hdr_range": "full"}


@dataclass(frozen=True)
class Made:
    """A file of an encoder that is measured."""

    codec: str
    pix_fmt: str
    ending: str
    depth: int
    sampling: str
    tags: tuple[int, int, int, int] = SDR_TAGS
    stated: dict[str, Any] = field(default_factory=dict)
    options: dict[str, str] = field(default_factory=dict)
    rows: int = ROWS
    columns: int = COLUMNS
    interlaced: bool = False

    @property
    def name(self) -> str:
        odd = "" if (self.rows, self.columns) == (ROWS, COLUMNS) else f" {self.columns}x{self.rows}"
        option = "".join(f" {key}={value}" for key, value in self.options.items() if key in ("profile", "crf", "qp"))
        return f"{self.codec} {self.pix_fmt} {self.ending}{option}{odd} tags {'-'.join(map(str, self.tags))}"


def hevc(pix_fmt: str, ending: str, depth: int, sampling: str, tags: tuple[int, int, int, int] = PQ_TAGS, **more: Any) -> Made:
    return Made("libx265", pix_fmt, ending, depth, sampling, tags, **more)


MADE = [
    *(hevc("yuv420p10le", ending, 10, "420") for ending in ("mkv", "mp4", "mov", "ts", "nut")),
    hevc("yuv420p12le", "mkv", 12, "420"),
    hevc("yuv422p10le", "mkv", 10, "422"),
    hevc("yuv422p12le", "mp4", 12, "422"),
    hevc("yuv444p10le", "mkv", 10, "444"),
    hevc("yuv444p12le", "mkv", 12, "444"),
    hevc("yuv420p", "mkv", 8, "420"),
    hevc("gbrp10le", "mkv", 10, "rgb", (9, 16, 0, 2)),
    hevc("gbrp12le", "mkv", 12, "rgb", (9, 16, 0, 2)),
    hevc("gray10le", "mkv", 10, "grey"),
    hevc("yuv420p10le", "mkv", 10, "420", HLG_TAGS),
    hevc("yuv420p10le", "mp4", 10, "420", HLG_TAGS),
    hevc("yuv420p10le", "mkv", 10, "420", (9, 16, 9, 2)),
    hevc("yuv420p10le", "mkv", 10, "420", (12, 16, 9, 1)),
    hevc("yuv420p10le", "mkv", 10, "420", NO_TAGS, stated=STATED_HDR),
    hevc("yuv420p10le", "mkv", 10, "420", rows=98, columns=162),
    *(Made("libx264", "yuv420p", ending, 8, "420") for ending in ("mkv", "mp4", "mov", "ts", "mxf", "avi", "nut", "flv")),
    Made("libx264", "yuv420p", "mkv", 8, "420", FULL_SDR_TAGS),
    Made("libx264", "yuv420p", "mkv", 8, "420", NO_TAGS, STATED_SDR),
    Made("libx264", "yuv420p", "mkv", 8, "420", (1, 6, 6, 1)),
    Made("libx264", "yuv422p", "mkv", 8, "422"),
    Made("libx264", "yuv444p", "mkv", 8, "444"),
    Made("libx264", "yuv420p10le", "mkv", 10, "420"),
    Made("libx264", "yuv422p10le", "mp4", 10, "422"),
    Made("libx264", "yuv444p10le", "mkv", 10, "444"),
    Made("libx264", "gray", "mkv", 8, "420"),
    Made("libx264rgb", "rgb24", "mkv", 8, "rgb", (1, 1, 0, 2), options={"qp": "0"}),
    *(Made("libsvtav1", "yuv420p10le", ending, 10, "420", PQ_TAGS) for ending in ("mkv", "mp4", "webm", "ivf", "obu")),
    Made("libsvtav1", "yuv420p", "mkv", 8, "420"),
    *(Made("prores_ks", "yuv422p10le", ending, 10, "422", PQ_TAGS, options={"profile": "3"}) for ending in ("mov", "mkv", "mxf")),
    Made("prores_ks", "yuv444p10le", "mov", 12, "444", PQ_TAGS, options={"profile": "4"}),
    Made("prores_ks", "yuv422p10le", "mov", 10, "422", SDR_TAGS, options={"profile": "2"}),
    Made("dnxhd", "yuv422p", "mov", 8, "422", SDR_TAGS, STATED_SDR, {"profile": "dnxhr_hq"}, 270, 480),
    Made("dnxhd", "yuv422p", "mxf", 8, "422", SDR_TAGS, STATED_SDR, {"profile": "dnxhr_sq"}, 270, 480),
    Made("dnxhd", "yuv422p10le", "mov", 10, "422", PQ_TAGS, STATED_HDR, {"profile": "dnxhr_hqx"}, 270, 480),
    Made("dnxhd", "yuv444p10le", "mov", 10, "444", PQ_TAGS, STATED_HDR, {"profile": "dnxhr_444"}, 270, 480),
    *(Made("ffv1", form, "mkv", depth, "420", PQ_TAGS) for form, depth in (("yuv420p10le", 10), ("yuv420p12le", 12), ("yuv420p16le", 16))),
    Made("ffv1", "yuv422p10le", "mkv", 10, "422", PQ_TAGS),
    Made("ffv1", "yuv444p16le", "mkv", 16, "444", PQ_TAGS),
    Made("ffv1", "yuv420p", "avi", 8, "420", SDR_TAGS, STATED_SDR),
    Made("ffv1", "yuv420p10le", "nut", 10, "420", PQ_TAGS, STATED_HDR),
    Made("ffv1", "gbrp10le", "mkv", 10, "rgb", PQ_TAGS, HDR_RGB),
    Made("ffv1", "gbrp16le", "mkv", 16, "rgb", PQ_TAGS, HDR_RGB),
    Made("ffv1", "gray16le", "mkv", 16, "grey", PQ_TAGS),
    *(Made("mpeg2video", "yuv420p", ending, 8, "420", SDR_TAGS, STATED_SDR) for ending in ("mpg", "ts", "vob", "mkv", "mxf")),
    Made("mpeg2video", "yuv422p", "mkv", 8, "422", SDR_TAGS, STATED_SDR),
    Made("mpeg4", "yuv420p", "avi", 8, "420", NO_TAGS, STATED_SDR),
    *(Made("libvpx-vp9", "yuv420p", ending, 8, "420") for ending in ("webm", "mkv")),
    Made("libvpx", "yuv420p", "webm", 8, "420", NO_TAGS, STATED_SDR),
    Made("mjpeg", "yuvj420p", "avi", 8, "420", NO_TAGS, STATED_SDR | {"sdr_range": "full", "sdr_matrix": "bt601"}),
    Made("jpeg2000", "yuv422p10le", "mxf", 10, "422", PQ_TAGS, STATED_HDR),
    Made("rawvideo", "yuv420p", "avi", 8, "420", NO_TAGS, STATED_SDR),
    Made("v210", "yuv422p10le", "mov", 10, "422", PQ_TAGS, STATED_HDR),
    Made("png", "rgb24", "mov", 8, "rgb", SDR_TAGS, SDR_RGB),
]


def write(case: Made, path: Path) -> Path:
    """Encode a scrolling ramp with PyAV; its light rises from black to near white."""
    with usual_priority(), av.open(str(path), "w") as out:
        base = {"preset": "ultrafast", "x265-params": "log-level=error"} if case.codec == "libx265" else {}
        base |= {"preset": "12", "svtav1-params": "keyint=12"} if case.codec == "libsvtav1" else {}
        base |= {"strict": "experimental"} if case.codec in ("ffv1", "jpeg2000") else {}
        stream = out.add_stream(case.codec, rate=24, options=base | case.options)
        stream.width, stream.height, stream.pix_fmt = case.columns, case.rows, case.pix_fmt
        coder = stream.codec_context
        coder.color_primaries, coder.color_trc, coder.colorspace, coder.color_range = case.tags
        for number in range(FRAMES):
            frame = make_frame(case, number)
            frame.pts, frame.time_base = number, Fraction(1, 24)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def make_frame(case: Made, number: int) -> av.VideoFrame:
    frame = av.VideoFrame(case.columns, case.rows, case.pix_fmt)
    most = 2**case.depth - 1
    for place, plane in enumerate(frame.planes):
        kind = np.uint16 if case.depth > 8 else np.uint8
        stored = np.frombuffer(plane, kind).reshape(plane.height, -1)
        ramp = 0.1 + 0.8 * ((np.arange(stored.shape[1]) + 3 * number) % stored.shape[1]) / stored.shape[1]
        chroma = place and case.sampling in ("420", "422", "444")
        stored[:] = most // 2 if chroma else np.round(most * ramp * np.linspace(0.7, 1, plane.height)[:, None])
    return frame


@pytest.mark.parametrize("case", MADE, ids=[case.name for case in MADE])
def test_a_file_of_that_kind_is_measured(case: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    path = write(case, tmp_path / f"film.{case.ending}")
    found = pairdiff.measure(path, settings=pairdiff.Settings(**case.stated))
    signal = found.result.release.signal
    assert (signal.bit_depth.value, signal.chroma_sampling.value) == (case.depth, case.sampling)
    assert (signal.width.value, signal.height.value) == (case.columns, case.rows)
    assert found.result.frames == FRAMES
    assert found.result.damage == ()
    assert found.result.levels.max_cll_nits is not None
    assert found.result.levels.max_cll_nits > 50


# ------------------------------------------------------------- what is wrong with a file

Make = Callable[[Path], Path]


def clip(path: Path, **more: Any) -> Path:
    return encode_clip(path, moving_planes(FRAMES * 2), **more)


def h264(path: Path, **more: Any) -> Path:
    """Damage in HEVC is often told by no decoder; that in H.264 is."""
    return encode_clip(path, moving_planes(FRAMES * 2, bits=8), codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS, **more)


def cut_short(folder: Path, ending: str, share: float) -> Path:
    path = clip(folder / f"film.{ending}")
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * share)])
    return path


def flipped(folder: Path) -> Path:
    path = h264(folder / "film.mkv", params="keyint=6")
    data = bytearray(path.read_bytes())
    for place in np.random.default_rng(2).integers(len(data) // 3, len(data), 40):
        data[place] ^= 1 << int(place) % 8
    path.write_bytes(bytes(data))
    return path


def tagged_twice(folder: Path) -> Path:
    """MP4 whose container says BT.709 and whose bitstream says PQ."""
    path = clip(folder / "film.mp4")
    box = b"\0\0\0\x13colrnclx\0\x01\0\x01\0\x01\0"
    data = path.read_bytes()
    if b"colrnclx" in data:
        place = data.index(b"colrnclx") + 8
        path.write_bytes(data[:place] + b"\0\x01\0\x01\0\x01" + data[place + 6 :])
        return path
    return add_boxes_to_sample_entry(path, box)


def resized(folder: Path) -> Path:
    parts = [
        encode_clip(folder / f"{rows}.h264", moving_planes(8, bits=8, rows=rows), codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS)
        for rows in (108, 96)
    ]
    path = folder / "film.h264"
    path.write_bytes(b"".join(part.read_bytes() for part in parts))
    return path


def sound(folder: Path) -> Path:
    path = folder / "film.mkv"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("pcm_s16le", rate=48000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 4800), np.int16), format="s16", layout="mono")
        frame.sample_rate = 48000
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def palette(folder: Path) -> Path:
    case = Made("gif", "rgb8", "gif", 8, "rgb")
    path = folder / "film.gif"
    with av.open(str(path), "w") as out:
        stream = out.add_stream(case.codec, rate=24)
        stream.width, stream.height, stream.pix_fmt = COLUMNS, ROWS, "rgb8"
        for number in range(4):
            frame = av.VideoFrame.from_ndarray(np.full((ROWS, COLUMNS, 3), 40 * number, np.uint8), format="rgb24").reformat(format="rgb8")
            frame.pts = number
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def numbered(folder: Path, names: tuple[str, ...]) -> Path:
    pictures = folder / "film"
    pictures.mkdir()
    for number, name in enumerate(names):
        (pictures / name).write_bytes(
            cv2.imencode("." + name.rpartition(".")[2], np.full((64, 64, 3), 60 + 9 * number, np.uint8))[1].tobytes()
        )
    return pictures


def written(folder: Path, name: str, data: bytes) -> Path:
    path = folder / name
    path.write_bytes(data)
    return path


def appended(folder: Path, name: str, tail: bytes) -> Path:
    path = clip(folder / name)
    with path.open("ab") as file:
        file.write(tail)
    return path


def renamed(folder: Path) -> Path:
    return Path(shutil.move(clip(folder / "film.mkv"), folder / "film.txt"))


REFUSED: list[tuple[str, Make, dict[str, Any], list[str]]] = [
    ("nothing there", lambda f: f / "gone.mkv", {}, ["does not exist", "Check the path"]),
    ("zero bytes", lambda f: written(f, "film.mkv", b""), {}, ["is empty (0 bytes)", "again"]),
    (
        "noise",
        lambda f: written(f, "film.mkv", np.random.default_rng(1).bytes(60_000)),
        {},
        ["is not video that can be read", "Give a video file"],
    ),
    ("text", lambda f: written(f, "film.txt", b"a list of shops\n" * 99), {}, ["is a text file"]),
    ("playlist", lambda f: written(f, "film.m3u8", b"#EXTM3U\n#EXTINF:1,\nother.ts\n"), {}, ["names other files (HLS playlist)"]),
    ("sound alone", sound, {}, ["has no video stream", "audio"]),
    ("mp4 without its index", lambda f: cut_short(f, "mp4", 0.6), {}, ["`moov` box is missing", "Copy or download the file again"]),
    ("mkv cut within its head", lambda f: cut_short(f, "mkv", 0.02), {}, ["film.mkv"]),
    (
        "no tags at all",
        lambda f: clip(f / "film.mkv", tags=NO_TAGS),
        {},
        ["Neither the container nor the bitstream states", "--hdr-transfer pq"],
    ),
    ("gamma 2.8 tags", lambda f: clip(f / "film.mkv", tags=(9, 5, 9, 1)), {}, ["gamma 2.8 (BT.470 BG)", "cannot be measured"]),
    ("linear tags", lambda f: clip(f / "film.mkv", tags=(9, 8, 9, 1)), {}, ["linear", "--hdr-transfer"]),
    ("constant luminance", lambda f: clip(f / "film.mkv", tags=(9, 16, 10, 1)), {}, ["BT.2020 constant luminance"]),
    ("ICtCp", lambda f: clip(f / "film.mkv", tags=(9, 16, 14, 1)), {}, ["ICtCp", "--hdr-matrix"]),
    ("R'G'B' tags on Y'CbCr", lambda f: clip(f / "film.mkv", tags=(9, 16, 0, 1)), {}, ["the tags say R'G'B'"]),
    ("container against bitstream", tagged_twice, {}, ["but the bitstream says"]),
    ("a stream that is not there", lambda f: clip(f / "film.mkv"), {"hdr_stream": 3}, ["--hdr-stream 3 does not exist", "1 video stream"]),
    ("a rate of a film with times", lambda f: clip(f / "film.mkv"), {"hdr_frame_rate": "25"}, ["Leave the option out"]),
    (
        "a word for a transfer",
        lambda f: clip(f / "film.mkv"),
        {"hdr_transfer": "gamma"},
        ["hdr_transfer", "expected one of pq, hlg, bt1886"],
    ),
    ("pictures beyond the limit", lambda f: clip(f / "film.mkv"), {"picture_limit_megapixels": 0.01}, ["--picture-limit-megapixels"]),
    ("a folder without pictures", lambda f: f, {}, ["is a folder without pictures"]),
    ("numbered pictures with a gap", lambda f: numbered(f, ("a1.png", "a3.png")), {}, ["lacks pictures: 2"]),
    ("two films in a folder", lambda f: numbered(f, ("a1.png", "b1.png")), {}, ["more than one film of pictures"]),
    ("pictures without a signal", lambda f: numbered(f, ("a1.png", "a2.png")), {}, ["Neither the container nor the bitstream states"]),
    ("a part that is not there", lambda f: Path(f"{clip(f / 'a.mkv')}+{f / 'b.mkv'}"), {}, ["b.mkv does not exist"]),
    ("parts of two codings", lambda f: Path(f"{clip(f / 'a.mkv')}+{clip(f / 'b.mkv', tags=HLG_TAGS)}"), {}, ["do not belong together"]),
]


@pytest.mark.parametrize(("make", "stated", "words"), [case[1:] for case in REFUSED], ids=[case[0] for case in REFUSED])
def test_a_file_that_cannot_be_measured_is_refused_in_words(
    make: Make, stated: dict[str, Any], words: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path.parent / f"{tmp_path.name}-kept"))
    path = make(tmp_path)
    with pytest.raises(PairdiffError) as refusal:
        pairdiff.measure(path, settings=pairdiff.Settings(**stated))
    said = str(refusal.value)
    assert [word for word in words if word not in said] == [], said
    assert said.endswith((".", ")"))


SURVIVED: list[tuple[str, Make, dict[str, Any], str | None]] = [
    ("ts cut off", lambda f: cut_short(f, "ts", 0.6), {}, None),
    ("mkv cut off", lambda f: cut_short(f, "mkv", 0.6), {}, "truncated"),
    ("bits flipped", flipped, {}, "corrupt picture"),
    ("packets spoilt", lambda f: spoil_packets(h264(f / "whole.mkv"), f / "film.mkv", range(9, 12)), {}, "corrupt picture"),
    ("no time stamps, HEVC", lambda f: clip(f / "film.hevc"), {}, "missing time stamp"),
    ("no time stamps, H.264", lambda f: h264(f / "film.h264"), {}, "missing time stamp"),
    ("another size in the middle", resized, {}, "corrupt picture"),
    ("garbage behind the end", lambda f: appended(f, "film.mkv", np.random.default_rng(3).bytes(9000)), {}, None),
    ("an ending that lies", renamed, {}, None),
    ("a varying rate", lambda f: clip(f / "film.mkv", stamps=[n * n * 3 + 40 * n for n in range(FRAMES * 2)]), {}, None),
    ("8-bit PQ", lambda f: encode_clip(f / "film.mkv", moving_planes(FRAMES, bits=8), pix_fmt="yuv420p"), {}, None),
    ("one picture", lambda f: encode_clip(f / "film.mkv", moving_planes(1)), {}, None),
    ("a palette", palette, SDR_RGB, None),
    ("numbered pictures", lambda f: numbered(f, ("a1.png", "a2.png", "a3.png")), SDR_RGB, None),
    ("one TIFF picture", lambda f: numbered(f, ("1.tif",)) / "1.tif", SDR_RGB, None),
    ("numbered TIFF pictures", lambda f: numbered(f, ("1.tif", "2.tif")), SDR_RGB, None),
    ("two files as one", lambda f: Path(f"{clip(f / 'a.mkv')}+{clip(f / 'b.mkv')}"), {}, None),
    ("a path with odd signs", lambda f: clip(f / "fi%03d lm #1 [x] \u00e9\u4e2d.mkv"), {}, None),
]


@pytest.mark.parametrize(("make", "stated", "fault"), [case[1:] for case in SURVIVED], ids=[case[0] for case in SURVIVED])
def test_a_file_with_a_fault_is_measured_around_it_and_the_fault_is_listed(
    make: Make, stated: dict[str, Any], fault: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    found = pairdiff.measure(make(tmp_path), settings=pairdiff.Settings(**stated))
    assert found.result.frames >= 1
    kinds = {one.kind for one in found.result.damage}
    assert fault is None or fault in kinds, kinds


def test_numbered_tiff_pictures_are_not_said_to_have_faults(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A strict decoder minds every one of them."""
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    found = pairdiff.measure(numbered(tmp_path, ("1.tif", "2.tif")), settings=pairdiff.Settings(**SDR_RGB))
    assert not found.result.release.in_order
    assert "faults" not in " ".join(found.result.release.notes)


def test_a_single_tiff_is_no_damaged_stream(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A strict decoder minds every TIFF; that is how they are written."""
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    found = pairdiff.measure(numbered(tmp_path, ("1.tif",)) / "1.tif", settings=pairdiff.Settings(**SDR_RGB))
    assert found.result.damage == ()
    assert not [note for note in found.result.release.notes if "faults" in note]


def test_there_are_eighty_cases() -> None:
    assert len(MADE) + len(REFUSED) + len(SURVIVED) >= 80
