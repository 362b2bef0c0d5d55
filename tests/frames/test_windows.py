"""Windows hold the very pictures that a whole pass delivers, in every container and codec, and decode little else."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pairdiff._records import Frame, Release
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_release
from pairdiff.frames.decode import FrameReader
from pairdiff.frames.windows import WindowReader, keep_planes, read_spread_keys
from tests._clips import SDR_TAGS, encode_clip, moving_planes

FRAMES = 120
H264: dict[str, Any] = {"codec": "libx264", "pix_fmt": "yuv420p", "tags": SDR_TAGS}
FORMS: dict[str, tuple[str, dict[str, Any]]] = {
    "hevc": ("mkv", {"params": "keyint=24:bframes=4"}),
    "hevc-mp4": ("mp4", {"params": "keyint=24:bframes=4"}),
    "hevc-open": ("mp4", {"params": "keyint=24:open-gop=1:bframes=4"}),
    "hevc-ts": ("ts", {"params": "keyint=24:bframes=3"}),
    "h264": ("mkv", {**H264, "params": "keyint=24:bframes=3"}),
    "h264-ts": ("ts", {**H264, "params": "keyint=20:bframes=3"}),
    "h264-no-pyramid": ("mp4", {**H264, "params": "keyint=48:bframes=5:b-pyramid=none"}),
    "mpeg2": ("ts", {"codec": "mpeg2video", "pix_fmt": "yuv420p", "tags": SDR_TAGS, "options": {"g": "15", "bf": "2", "b": "2M"}}),
    "one-key": ("mkv", {**H264, "params": "keyint=500"}),
    "ffv1": ("mkv", {"codec": "ffv1", "pix_fmt": "yuv420p", "tags": SDR_TAGS}),
    "film-rate": ("mkv", {**H264, "params": "keyint=24", "rate": "24000/1001"}),
}


def made(form: str, folder: Path) -> Release:
    ending, how = FORMS[form]
    sdr = how.get("pix_fmt") == "yuv420p"
    clip = encode_clip(folder / f"{form}.{ending}", moving_planes(FRAMES, bits=8 if sdr else 10), **how)
    return probe_release(clip, side="sdr" if sdr else "hdr", settings=Settings())


def whole(release: Release) -> list[Frame]:
    with FrameReader(release) as reader:
        return [keep_planes(frame) for frame in reader]


def same(one: Frame, other: Frame) -> bool:
    planes = all(np.array_equal(mine, theirs) for mine, theirs in zip(one.planes, other.planes, strict=True))
    return planes and (one.index, one.time_s, one.key_frame) == (other.index, other.time_s, other.key_frame)


@pytest.mark.parametrize("form", FORMS)
def test_a_window_holds_the_pictures_of_a_whole_pass(form: str, tmp_path: Path) -> None:
    release = made(form, tmp_path)
    pictures = whole(release)
    assert len(pictures) == FRAMES
    rng = np.random.default_rng(3)
    with WindowReader(release) as reader:
        for first in [0, FRAMES - 5, *rng.integers(0, FRAMES - 12, 14).tolist()]:
            last = min(first + int(rng.integers(0, 12)), FRAMES - 1)
            found = reader.read(first, last)
            assert [frame.index for frame in found] == list(range(first, last + 1))
            assert all(same(frame, pictures[frame.index]) for frame in found)


@pytest.mark.parametrize("form", ["hevc", "hevc-open", "h264", "h264-ts", "mpeg2"])
def test_the_key_frame_before_a_picture_is_found_without_decoding(form: str, tmp_path: Path) -> None:
    release = made(form, tmp_path)
    keys = [frame.index for frame in whole(release) if frame.key_frame]
    assert len(keys) > 4
    with WindowReader(release) as reader:
        for number in range(0, FRAMES, 7):
            assert reader.key_before(number) == max(key for key in keys if key <= number)
        assert reader.decoded == 0


def test_key_frames_alone_are_decoded_where_they_are_asked_for(tmp_path: Path) -> None:
    release = made("hevc", tmp_path)
    with WindowReader(release) as reader:
        found = list(read_spread_keys(reader, [0, 10, 30, 50, 51, 119]))
        assert [frame.index for frame in found] == [0, 24, 48, 96]
        assert reader.decoded == 4


def test_pictures_that_no_other_one_refers_to_are_passed_over_before_a_window(tmp_path: Path) -> None:
    release = made("h264-no-pyramid", tmp_path)
    with WindowReader(release) as reader:
        found = reader.read(44, 45)
        assert [frame.index for frame in found] == [44, 45]
        assert reader.decoded < 20  # of 46 from the key frame on, five in six are such


def test_a_window_behind_the_end_is_empty_and_one_across_it_is_cut(tmp_path: Path) -> None:
    release = made("h264", tmp_path)
    with WindowReader(release) as reader:
        assert [frame.index for frame in reader.read(FRAMES - 3, FRAMES + 20)] == [FRAMES - 3, FRAMES - 2, FRAMES - 1]
        assert reader.read(FRAMES + 50, FRAMES + 60) == []


def test_a_closed_reader_may_be_closed_again(tmp_path: Path) -> None:
    reader = WindowReader(made("h264", tmp_path))
    reader.close()
    reader.close()
