"""Several files as one release give the pictures, times and numbers of the one file that they were cut from."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from pairdiff._errors import InputRefused, SignalUnresolved
from pairdiff._settings import Settings
from pairdiff.clip.probe import identify_release, join_parts, place_release, probe_release, split_parts
from pairdiff.frames import decode, joined
from pairdiff.frames.decode import FaultMet, FrameReader
from pairdiff.frames.joined import JoinedReader, open_reader, read_frames_at, read_key_frames, refuse_woven
from tests._clips import HLG_TAGS, MASTERING, SDR_TAGS, encode_clip, moving_planes, spoil_packets

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


ONE_CONTAINER = pytest.mark.parametrize("cut", ["mkv"], indirect=True)


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


@ONE_CONTAINER
@pytest.mark.parametrize("most", [2, 3])
def test_a_few_key_frames_come_one_from_every_part(cut, most):
    assert [(frame.index, frame.key_frame) for frame in read_key_frames(cut, most=most)] == [(0, True), (1, True), (2, True)]


@ONE_CONTAINER
def test_only_parts_that_hold_a_picture_asked_for_are_opened(cut, monkeypatch):
    frames, reader = read(cut)
    known = replace(cut, part_starts=tuple(reader.part_starts))
    opened = []
    real = decode.read_frames_at
    monkeypatch.setattr(decode, "read_frames_at", lambda part, **told: (opened.append(part.path), real(part, **told))[1])
    assert [frame.index for frame in read_frames_at(known, indices=[22, 25], times_s=[frames[n].time_s for n in (22, 25)])] == [22, 25]
    assert opened == [cut.parts[1].path]


@ONE_CONTAINER
def test_one_file_is_read_as_one_file(cut):
    part = cut.parts[1]
    with open_reader(part) as reader:
        assert isinstance(reader, FrameReader)
        frames = [(frame.time_s, frame.planes[0].copy()) for frame in reader]
    assert len(frames) == LENGTHS[1]
    (found,) = read_frames_at(part, indices=[4], times_s=[frames[4][0]])
    assert (found.index, found.time_s) == (4, frames[4][0])
    assert np.array_equal(found.planes[0], frames[4][1])
    assert [frame.index for frame in read_key_frames(cut.parts[2], most=64)] == [0, 1, 2, 3]


@ONE_CONTAINER
def test_every_part_is_decoded_as_was_asked(cut, monkeypatch):
    asked = []

    class Asked(FrameReader):
        def __init__(self, release, **told):
            asked.append((release.path, release.in_order, told["threads"], told["strict"]))
            super().__init__(release, **told)

    monkeypatch.setattr(joined, "FrameReader", Asked)
    for in_order, threads, strict in ((False, 0, False), (True, 1, False), (False, 2, True)):
        asked.clear()
        with open_reader(replace(cut, in_order=in_order), threads=threads, strict=strict) as reader:
            assert sum(1 for _ in reader) == sum(LENGTHS)
        assert asked == [(part.path, in_order, threads, strict) for part in cut.parts]


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


@pytest.fixture(scope="module")
def spoilt(tmp_path_factory):
    """H.264 in two files, with spoilt packets in the second."""
    folder, params = tmp_path_factory.mktemp("spoilt"), "keyint=40:min-keyint=40:scenecut=0:bframes=3"
    look = {"codec": "libx264", "pix_fmt": "yuv420p", "tags": SDR_TAGS, "params": params, "options": {"preset": "fast"}}
    sound = encode_clip(folder / "sound.mkv", moving_planes(48, bits=8), **look)
    broken = spoil_packets(sound, folder / "broken.mkv", range(20, 24))
    return probe_release(f"{sound}+{broken}", side="sdr", settings=Settings())


def test_a_strict_reader_of_several_files_stops_at_a_fault_in_any_of_them(spoilt):
    with open_reader(spoilt, strict=True) as reader, pytest.raises(FaultMet):
        list(reader)
    assert 48 < reader.frames_read < 48 + 24


def test_read_in_order_a_fault_has_its_place_in_the_whole_and_its_pictures_are_found_again(spoilt):
    in_order = replace(spoilt, in_order=True)
    frames, reader = read(in_order)
    (told,) = [fault for fault in reader.damage if "not as they should be" in fault.detail]
    assert 48 + 14 <= told.frame < 48 + 26
    wanted = [3, 48 + 12, 48 + 22, 48 + 30]
    known = replace(in_order, part_starts=tuple(reader.part_starts))
    found = list(read_frames_at(known, indices=wanted, times_s=[frames[n].time_s for n in wanted]))
    for frame in found:
        assert np.array_equal(frame.planes[0], frames[frame.index].planes[0])
        assert frame.planes[0].flags.owndata  # copied: no reader keeps a decoder's memory


def test_what_a_part_declares_anew_is_told_with_its_file(tmp_path):
    levels = [
        encode_clip(tmp_path / f"{level}.hevc", moving_planes(6), params=f"{MASTERING}:max-cll={level},200:hdr10=1:repeat-headers=1")
        for level in (600, 900)
    ]
    both = tmp_path / "both.hevc"
    both.write_bytes(b"".join(part.read_bytes() for part in levels))
    _, reader = read(probe_release(f"{levels[0]}+{both}", side="hdr", settings=Settings()))
    (change,) = reader.changes
    assert change.startswith(f"in {both}: what the file declares changes at 0.240 s: MaxCLL 600")


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    return probe_release(encode_clip(tmp_path_factory.mktemp("alone") / "a.mkv", moving_planes(6)), side="hdr", settings=Settings())


OTHERWISE = {
    "transfer": "hlg",
    "primaries": "p3-d65",
    "matrix": "bt709",
    "range": "full",
    "bit_depth": 12,
    "chroma_sampling": "444",
    "chroma_siting": "centre",
    "width": 200,
    "height": 100,
    "frame_rate": Fraction(25),
}


@pytest.mark.parametrize("name", OTHERWISE)
def test_parts_that_differ_in_anything_that_pictures_are_read_by_are_refused(alone, name):
    fact = replace(getattr(alone.signal, name), value=OTHERWISE[name])
    other = replace(alone, path="b.mkv", signal=replace(alone.signal, **{name: fact}))
    words = rf"a\.mkv has {name.replace('_', ' ')} .*, b\.mkv has {OTHERWISE[name]}\. Give files of one coding"
    with pytest.raises(SignalUnresolved, match=words):
        join_parts("a.mkv+b.mkv", [alone, alone, other])
    assert len(join_parts("a.mkv+a.mkv", [alone, alone]).parts) == 2


def test_the_length_of_several_files_is_their_sum_where_all_state_theirs(alone):
    other = replace(alone, duration_s=Fraction(3, 2))
    assert join_parts("a+b", [alone, other]).duration_s == Fraction(1, 4) + Fraction(3, 2)
    assert join_parts("a+b", [alone, replace(other, duration_s=None)]).duration_s is None


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
    assert first.file_id.startswith(f"sha256-sampled:{first.size_bytes}:")
    assert first.size_bytes == a.stat().st_size + b.stat().st_size
    assert first.notes[0] == f"2 files are read as one release, in this order: {a}, {b}."


@pytest.mark.parametrize("whole", [False, True])
def test_a_release_is_identified_as_in_its_result_without_being_opened(tmp_path, whole):
    a, b = (encode_clip(tmp_path / f"{n}.mkv", moving_planes(4 + n)) for n in range(2))
    for path in (f"{a}", f"{a}+{b}"):
        read = probe_release(path, side="hdr", settings=Settings(), hash_whole=whole)
        assert identify_release(path, side="hdr", hash_whole=whole) == read.file_id
    with pytest.raises(InputRefused, match=r"^The SDR release .*gone\.mkv does not exist"):
        identify_release(f"{a}+{tmp_path}/gone.mkv", side="sdr")


def test_a_release_is_placed_relative_to_a_folder_part_by_part(tmp_path, monkeypatch):
    for name in ("a+b.mkv", "c.mkv"):
        (tmp_path / name).write_bytes(b"x")
    monkeypatch.chdir("/")
    assert place_release("a+b.mkv+c.mkv", folder=tmp_path) == f"{tmp_path}/a+b.mkv+{tmp_path}/c.mkv"
    assert place_release("/x/y.mkv", folder=tmp_path) == "/x/y.mkv"


def test_woven_film_in_several_files_is_refused(cut):
    with pytest.raises(InputRefused, match=r"^The HDR release .*part0.*part2.* is film woven into fields.*Join the files into one first"):
        refuse_woven(cut)


def test_a_part_may_be_numbered_from_its_own_start(cut):
    _, reader = read(cut)
    assert reader.part_starts[0] == (0, Fraction(0))
