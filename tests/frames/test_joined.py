"""Several files as one release give the pictures, times and numbers of the one file that they were cut from."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from pairdiff._errors import InputRefused, SignalUnresolved
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_release, split_parts
from pairdiff.frames.decode import FrameReader
from pairdiff.frames.joined import JoinedReader, open_reader, read_frames_at, read_key_frames, refuse_woven
from tests._clips import HLG_TAGS, encode_clip, moving_planes

LENGTHS = (20, 7, 33)
SHORT_GOP = "keyint=10:min-keyint=10:scenecut=0:qp=0"


@pytest.fixture(scope="module", params=["mkv", "mp4", "ts"])
def cut(request, tmp_path_factory):
    """A film in three files, and the codes of its pictures, the first pixel of each."""
    folder = tmp_path_factory.mktemp("parts")
    planes = moving_planes(sum(LENGTHS))
    paths, start = [], 0
    for number, length in enumerate(LENGTHS):
        paths.append(encode_clip(folder / f"part{number}.{request.param}", planes[start : start + length], params=SHORT_GOP))
        start += length
    return probe_release(
        "+".join(map(str, paths)), side="hdr", settings=Settings(hdr_transfer="pq", hdr_primaries="bt2020", hdr_matrix="bt2020-ncl")
    )


def read(release):
    reader = open_reader(release)
    with reader:
        frames = [replace(frame, planes=tuple(plane.copy() for plane in frame.planes)) for frame in reader]
    return frames, reader


def test_pictures_are_counted_on_and_times_go_on(cut):
    frames, reader = read(cut)
    assert isinstance(reader, JoinedReader)
    assert [frame.index for frame in frames] == list(range(sum(LENGTHS)))
    steps = np.diff([float(frame.time_s) for frame in frames])
    assert steps == pytest.approx(1 / 24, abs=0.0011)  # Matroska keeps milliseconds
    assert [start for start, _ in reader.part_starts] == [0, 20, 27]
    assert reader.damage == []
    for part, (start, _) in zip(cut.parts, reader.part_starts, strict=True):
        with FrameReader(part) as alone:
            for n, frame in enumerate(alone):
                assert np.array_equal(frame.planes[0], frames[start + n].planes[0])


def test_pictures_are_found_again_in_their_part(cut):
    frames, reader = read(cut)
    known = replace(cut, part_starts=tuple(reader.part_starts))
    wanted = [3, 19, 20, 26, 27, 58]
    found = list(read_frames_at(known, indices=wanted, times_s=[frames[n].time_s for n in wanted]))
    assert [(frame.index, frame.time_s) for frame in found] == [(n, frames[n].time_s) for n in wanted]
    assert all(np.array_equal(frame.planes[0], frames[n].planes[0]) for frame, n in zip(found, wanted, strict=True))


def test_key_frames_come_from_every_part(cut):
    assert [frame.index for frame in read_key_frames(cut, most=64)] == list(range(2 + 1 + 4))


def test_a_watch_sees_every_picture_under_its_own_number(cut):
    seen = []
    with open_reader(cut, watch=lambda index, planes: seen.append(index)) as reader:
        list(reader)
    assert seen == list(range(sum(LENGTHS)))


def test_damage_is_told_with_its_place_in_the_whole_and_its_file(tmp_path):
    parts = [encode_clip(tmp_path / f"{n}.mkv", moving_planes(24), params=SHORT_GOP) for n in range(2)]
    whole = parts[1].read_bytes()
    parts[1].write_bytes(whole[: len(whole) * 2 // 3])
    _, reader = read(probe_release("+".join(map(str, parts)), side="hdr", settings=Settings()))
    (fault,) = [one for one in reader.damage if one.kind == "truncated"]
    assert fault.frame > 24
    assert fault.detail.endswith(f"(in {parts[1]})")


def test_parts_coded_in_two_ways_are_refused(tmp_path):
    first = encode_clip(tmp_path / "a.mkv", moving_planes(4))
    for name, kwargs, words in (("b", {"tags": HLG_TAGS}, "transfer pq, .* has hlg"), ("c", {"rate": 25}, "frame rate 24, .* has 25")):
        other = encode_clip(tmp_path / f"{name}.mkv", moving_planes(4), **kwargs)
        with pytest.raises(SignalUnresolved, match=f"do not belong together: .*a.mkv has {words}"):
            probe_release(f"{first}+{other}", side="hdr", settings=Settings())


def test_a_part_that_is_not_there_is_named(tmp_path):
    first = encode_clip(tmp_path / "a.mkv", moving_planes(4))
    with pytest.raises(InputRefused, match=r"gone\.mkv does not exist"):
        probe_release(f"{first}+{tmp_path}/gone.mkv", side="hdr", settings=Settings())


def test_a_plus_sign_in_a_name_is_a_part_of_it(tmp_path):
    names = [tmp_path / name for name in ("a+b.mkv", "c.mkv", "d+e+f.mkv")]
    for name in names:
        name.write_bytes(b"x")
    assert split_parts(str(names[0])) == [str(names[0])]
    assert split_parts("+".join(map(str, names))) == [str(name) for name in names]
    assert split_parts("nothing.mkv") == ["nothing.mkv"]


def test_the_identity_is_that_of_the_parts_in_their_order(tmp_path):
    a, b = (encode_clip(tmp_path / f"{n}.mkv", moving_planes(4 + n)) for n in range(2))
    first, second = (probe_release(f"{x}+{y}", side="hdr", settings=Settings()) for x, y in ((a, b), (b, a)))
    assert first.file_id != second.file_id
    assert first.size_bytes == a.stat().st_size + b.stat().st_size
    assert first.notes[0] == f"2 files are read as one release, in this order: {a}, {b}."


def test_woven_film_in_several_files_is_refused(cut):
    with pytest.raises(InputRefused, match="Join the files into one first"):
        refuse_woven(cut)


def test_a_part_may_be_numbered_from_its_own_start(cut):
    _, reader = read(cut)
    assert reader.part_starts[0] == (0, Fraction(0))
