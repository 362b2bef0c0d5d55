"""Films as numbered pictures: found by folder or pattern, with every picture there."""

from __future__ import annotations

import os
from fractions import Fraction

import cv2
import numpy as np
import pytest

from pairdiff import _keep
from pairdiff._errors import InputRefused, UsageError
from pairdiff._settings import Settings
from pairdiff.clip.probe import identify_files, identify_release, probe_release
from pairdiff.clip.sequence import find_sequence
from pairdiff.frames.decode import FrameReader, read_frames_at, read_key_frames
from tests._clips import encode_clip, moving_planes

STATED = Settings(hdr_transfer="pq", hdr_primaries="bt2020", hdr_range="full")


def write_pictures(folder, names, *, start=0):
    """16-bit PNG pictures whose grey tells their number."""
    folder.mkdir(exist_ok=True)
    for number, name in enumerate(names, start):
        picture = np.full((36, 64, 3), 2000 + 700 * number, np.uint16)
        (folder / name).write_bytes(cv2.imencode("." + name.rpartition(".")[2], picture)[1].tobytes())
    return folder


def find(path):
    return find_sequence(str(path), name="The HDR release x")


def grey(frame):
    return int(frame.planes[0][0, 0])


@pytest.mark.parametrize("path", ["film", "film/shot.%04d.png"])
def test_a_folder_and_a_pattern_are_the_same_film(tmp_path, path):
    names = [f"shot.{number:04d}.png" for number in range(95, 105)]
    folder = write_pictures(tmp_path / "film", names)
    (folder / "notes.txt").write_text("not a picture")
    found = find(tmp_path / path)
    assert (found.head, found.digits, found.tail, found.first, found.count) == ("shot.", 4, ".png", 95, 10)
    assert list(found.paths()) == [str(folder / name) for name in names]


def test_numbers_without_zeros_are_in_their_own_order(tmp_path):
    names = [f"{number}.png" for number in range(8, 12)]
    found = find(write_pictures(tmp_path / "film", names))
    assert [path.rpartition("/")[2] for path in found.paths()] == names


def test_a_percent_sign_in_the_path_is_no_pattern(tmp_path):
    folder = write_pictures(tmp_path / "100% dark %d", ["a%1.png", "a%2.png", "a%3.png"])
    release = probe_release(folder, side="hdr", settings=STATED)
    with FrameReader(release) as reader:
        assert [grey(frame) for frame in reader] == [2000, 2700, 3400]


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (["a1.png", "a2.png", "a4.png", "a8.png"], r"lacks pictures: 3, 5 to 7\. Time is counted"),
        (["a01.png", "a02.png", "b01.png"], r"more than one film of pictures \(a\*\.png, b\*\.png\).*a%02d\.png"),
        (["a1.png", "a2.tif"], r"more than one film of pictures \(a\*\.png, a\*\.tif\)"),
        (["cover.png"], "cover.png in it has no number"),
        (["0.png", "00.png"], "numbers written in two ways: 00.png beside names with 1 digit"),
        (["a1.png", "a02.png"], "numbers written in two ways: a02.png"),
        ([], "is a folder without pictures"),
    ],
)
def test_a_folder_that_is_no_film_is_refused(tmp_path, names, words):
    with pytest.raises(InputRefused, match=words):
        find(write_pictures(tmp_path / "film", names))


def test_a_gap_of_a_thousand_million_numbers_is_refused_at_once(tmp_path):
    with pytest.raises(InputRefused, match="lacks pictures: 2 to 999999999"):
        find(write_pictures(tmp_path / "film", ["1.png", "1000000000.png"]))


def test_a_pattern_that_nothing_fits_is_refused(tmp_path):
    write_pictures(tmp_path / "film", ["a1.png"])
    with pytest.raises(InputRefused, match=r"stands for no picture: nothing in .* is called a%03d\.png"):
        find(tmp_path / "film" / "a%03d.png")


def test_an_empty_picture_is_refused_by_name(tmp_path):
    folder = write_pictures(tmp_path / "film", ["a1.png", "a2.png"])
    (folder / "a2.png").write_bytes(b"")
    with pytest.raises(InputRefused, match=r"holds an empty picture, .*a2\.png"):
        probe_release(folder, side="hdr", settings=STATED)


def test_a_file_is_no_sequence(tmp_path):
    assert find(encode_clip(tmp_path / "film.mkv", moving_planes(2))) is None
    assert find(tmp_path / "nothing") is None


def test_pictures_are_read_in_order_by_time_and_thinned(tmp_path):
    folder = write_pictures(tmp_path / "film", [f"{number:03d}.png" for number in range(40, 100)])
    release = probe_release(folder, side="hdr", settings=STATED)
    signal = release.signal
    assert (release.container, signal.frame_rate.value, signal.frame_rate.assumed) == ("image2", 24, True)
    assert (signal.matrix.value, signal.bit_depth.value, signal.chroma_sampling.value) == ("rgb", 16, "rgb")
    with FrameReader(release) as reader:
        frames = [(frame.index, frame.time_s, grey(frame)) for frame in reader]
    assert frames == [(n, Fraction(n, 24), 2000 + 700 * n) for n in range(60)]
    assert reader.damage == []
    found = read_frames_at(release, indices=[3, 50, 51], times_s=[Fraction(n, 24) for n in (3, 50, 51)])
    assert [grey(frame) for frame in found] == [2000 + 700 * n for n in (3, 50, 51)]
    assert [grey(frame) for frame in read_key_frames(release, most=3)] == [2000, 2000 + 700 * 30, 2000 + 700 * 59]


@pytest.mark.parametrize(("text", "rate"), [("25", 25), ("23.976", Fraction(24000, 1001)), ("24000/1001", Fraction(24000, 1001))])
def test_the_rate_of_pictures_is_stated_by_option(tmp_path, text, rate):
    folder = write_pictures(tmp_path / "film", [f"{number}.png" for number in range(5)])
    release = probe_release(folder, side="hdr", settings=Settings(**{**STATED_NAMES, "hdr_frame_rate": text}))
    assert (release.signal.frame_rate.value, release.signal.frame_rate.source) == (rate, "option")
    with FrameReader(release) as reader:
        assert [frame.time_s for frame in reader] == [n / Fraction(rate) for n in range(5)]


STATED_NAMES = {"hdr_transfer": "pq", "hdr_primaries": "bt2020", "hdr_range": "full"}


def test_a_rate_that_cannot_be_or_is_not_asked_for_is_refused(tmp_path):
    for text in ("fast", "0", "1/0", "-24", "1e9"):
        with pytest.raises(UsageError, match="--hdr-frame-rate cannot be"):
            probe_release(tmp_path, side="hdr", settings=Settings(hdr_frame_rate=text))
    clip = encode_clip(tmp_path / "film.mkv", moving_planes(4))
    with pytest.raises(UsageError, match="states the times of its pictures itself"):
        probe_release(clip, side="hdr", settings=Settings(hdr_frame_rate="24"))


def test_the_identity_of_pictures_changes_with_any_that_is_looked_at_and_with_their_order(tmp_path):
    folder = write_pictures(tmp_path / "film", [f"{number}.png" for number in range(5)])
    paths = [str(folder / f"{number}.png") for number in range(5)]
    first = identify_files(paths, whole=False)
    assert identify_files(paths, whole=False) == first
    assert identify_files(paths[::-1], whole=False) != first
    assert identify_files(paths, whole=True).startswith("sha256:")
    write_pictures(folder, ["3.png"], start=9)
    assert identify_files(paths, whole=False) != first


def test_pictures_whose_beginnings_and_sizes_are_the_same_are_told_apart(tmp_path):
    """A letterboxed film, graded again: uncompressed pictures begin with the same black bar."""
    paths = [tmp_path / f"{number}.dpx" for number in range(70)]
    for path in paths:
        path.write_bytes(bytes(300_000))
    first = identify_files([str(path) for path in paths], whole=False)
    for path in paths:
        path.write_bytes(bytes(150_000) + b"x" * 150_000)
    assert identify_files([str(path) for path in paths], whole=False) != first


def test_pictures_written_again_are_measured_again(tmp_path):
    for number in range(3):
        (tmp_path / f"a{number}.png").write_bytes(cv2.imencode(".png", np.full((64, 64, 3), 90, np.uint8))[1].tobytes())
    stated = Settings(sdr_transfer="bt1886", sdr_primaries="bt709", sdr_range="full")
    before = probe_release(tmp_path, side="sdr", settings=stated)
    os.utime(tmp_path / "a1.png", ns=(10**18 * 2, 10**18 * 2))
    after = probe_release(tmp_path, side="sdr", settings=stated)
    assert before.file_id == after.file_id
    assert _keep.scan_key(before, hlg_peak_nits=1000) != _keep.scan_key(after, hlg_peak_nits=1000)


@pytest.mark.parametrize("path", ["film", "film/a%02d.png"])
def test_numbered_pictures_are_identified_as_in_their_result(tmp_path, path):
    write_pictures(tmp_path / "film", [f"a{number:02d}.png" for number in range(3)])
    read = probe_release(str(tmp_path / path), side="hdr", settings=STATED)
    assert identify_release(str(tmp_path / path), side="hdr") == read.file_id
