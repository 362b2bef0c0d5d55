"""Pictures with exact times, found again by time, and damage that is recorded."""

from __future__ import annotations

import gc
import subprocess
from dataclasses import replace
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest
from av.video.frame import PictureType

from pairdiff._errors import DecodeFailed, SignalUnresolved
from pairdiff._records import Fact
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_release
from pairdiff.frames.decode import FaultMet, FrameReader, planes_of_picture, read_frames_at, read_key_frames
from tests._clips import HLG_TAGS, MASTERING, NO_TAGS, PQ_TAGS, SDR_TAGS, encode_clip, moving_planes, rewrite_packets, spoil_packets

COUNT = 48
TAGGED = replace(Settings(), hdr_transfer="pq", hdr_primaries="bt2020", hdr_matrix="bt2020-ncl")
LONG_GOP = "keyint=40:min-keyint=40:scenecut=0:bframes=3"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("decode")


@pytest.fixture(scope="module")
def clips(folder):
    """HEVC 10-bit and H.264 8-bit with B-frames and two groups of pictures, in three containers."""
    made = {}
    for ending in ("mkv", "mp4", "ts"):
        made["hevc", ending] = encode_clip(folder / f"hevc.{ending}", moving_planes(COUNT), params=LONG_GOP)
        made["h264", ending] = encode_clip(
            folder / f"h264.{ending}",
            moving_planes(COUNT, bits=8),
            codec="libx264",
            pix_fmt="yuv420p",
            tags=SDR_TAGS,
            params=LONG_GOP,
            options={"preset": "fast"},
        )
    return made


KINDS = [(codec, ending) for codec in ("hevc", "h264") for ending in ("mkv", "mp4", "ts")]


def probe(path):
    return probe_release(path, side="hdr", settings=TAGGED)


def read_all(path):
    """Every picture with copies of its planes, and the reader after the end."""
    with FrameReader(probe(path)) as reader:
        frames = [replace(frame, planes=tuple(plane.copy() for plane in frame.planes)) for frame in reader]
    return frames, reader


@pytest.mark.parametrize(("codec", "ending"), KINDS)
def test_every_picture_comes_once_in_order_with_its_time(clips, codec, ending):
    frames, reader = read_all(clips[codec, ending])
    assert [frame.index for frame in frames] == list(range(COUNT))
    base = 1000 if ending == "mkv" else 12288 if ending == "mp4" else 90000
    expected = [Fraction(round(Fraction(number, 24) * base), base) for number in range(COUNT)]
    assert [frame.time_s for frame in frames] == expected
    assert (reader.frames_read, reader.last_time_s, reader.damage) == (COUNT, expected[-1], [])
    assert frames[0].key_frame
    assert {frame.picture_type for frame in frames} == {"I", "P", "B"}


@pytest.mark.parametrize(("codec", "ending", "pix_fmt", "kind"), [("hevc", "mkv", "yuv420p10le", "<u2"), ("h264", "mp4", "yuv420p", "u1")])
def test_pixels_equal_those_of_the_ffmpeg_program(clips, ffmpeg, codec, ending, pix_fmt, kind):
    path = clips[codec, ending]
    command = [ffmpeg, "-v", "error", "-i", str(path), "-fps_mode", "passthrough", "-f", "rawvideo", "-pix_fmt", pix_fmt, "-"]
    raw = np.frombuffer(subprocess.run(command, capture_output=True, check=True).stdout, kind)
    frames, _ = read_all(path)
    ours = np.concatenate([plane.ravel() for frame in frames for plane in frame.planes])
    np.testing.assert_array_equal(ours, raw)


@pytest.mark.parametrize(("codec", "ending"), KINDS)
def test_chosen_pictures_are_those_of_a_straight_reading(clips, codec, ending):
    frames, _ = read_all(clips[codec, ending])
    release = probe(clips[codec, ending])
    for chosen in ([0, 1, 47], [39, 40, 41], [45], [3, 30, 44, 46], list(range(COUNT))):
        found = list(read_frames_at(release, indices=chosen, times_s=[frames[i].time_s for i in chosen]))
        assert [frame.index for frame in found] == chosen
        for frame in found:
            assert frame.time_s == frames[frame.index].time_s
            for plane, other in zip(frame.planes, frames[frame.index].planes, strict=True):
                np.testing.assert_array_equal(plane, other)


def test_no_decoder_and_no_picture_stays_behind_what_was_read(clips):
    """They hold hundreds of megabytes: they go with what was read, and do not wait for Python's collection of cycles."""
    frames, _ = read_all(clips["hevc", "mkv"])
    release = probe(clips["hevc", "mkv"])

    def held():
        return sum(isinstance(one, av.VideoCodecContext | av.VideoFrame) for one in gc.get_objects())

    gc.collect()
    before = held()
    gc.disable()
    try:
        for chosen in ([0, 1, 47], [45]):
            list(read_frames_at(release, indices=chosen, times_s=[frames[i].time_s for i in chosen]))
        broken_off = read_frames_at(release, indices=[3, 30], times_s=[frames[i].time_s for i in (3, 30)])
        next(broken_off)
        broken_off.close()
        del broken_off
        list(read_key_frames(release, most=2))
        read_all(clips["hevc", "mkv"])
        assert held() == before
    finally:
        gc.enable()


def test_a_time_that_no_picture_has_is_refused(clips):
    with pytest.raises(DecodeFailed, match=r"Picture f7 at 0\.300 s .* cannot be found again"):
        list(read_frames_at(probe(clips["hevc", "mkv"]), indices=[7], times_s=[Fraction(3, 10)]))


def test_lists_that_do_not_fit_are_refused(clips):
    release = probe(clips["hevc", "mkv"])
    with pytest.raises(ValueError, match="2 indices, but 1 times"):
        list(read_frames_at(release, indices=[1, 2], times_s=[Fraction(0)]))
    with pytest.raises(ValueError, match="do not ascend"):
        list(read_frames_at(release, indices=[1, 2], times_s=[Fraction(1), Fraction(0)]))


def test_no_pictures_asked_for_gives_none(clips):
    assert list(read_frames_at(probe(clips["hevc", "mkv"]), indices=[], times_s=[])) == []


def test_planes_are_read_only_views(clips):
    with FrameReader(probe(clips["hevc", "mkv"])) as reader:
        frame = next(reader)
        assert [plane.shape for plane in frame.planes] == [(108, 192), (54, 96), (54, 96)]
        assert all(plane.base is not None for plane in frame.planes)
        with pytest.raises(ValueError, match="read-only"):
            frame.planes[0][0, 0] = 1


def test_a_variable_frame_rate_keeps_its_own_times(folder):
    stamps = [0, 40, 81, 200, 205, 400, 433]
    path = encode_clip(folder / "vfr.mkv", moving_planes(len(stamps)), stamps=stamps)
    frames, _ = read_all(path)
    assert [frame.time_s for frame in frames] == [Fraction(stamp, 1000) for stamp in stamps]


@pytest.mark.parametrize("rate", [Fraction(24000, 1001), Fraction(60000, 1001)])
def test_rates_over_1001_keep_exact_times_where_the_container_can(folder, rate):
    frames, _ = read_all(encode_clip(folder / "ntsc.mp4", moving_planes(12), rate=rate))
    assert [frame.time_s for frame in frames] == [number / rate for number in range(12)]


def test_a_file_cut_off_in_the_middle_is_read_up_to_the_cut(clips, folder):
    data = clips["hevc", "mkv"].read_bytes()
    cut = folder / "cut.mkv"
    cut.write_bytes(data[: len(data) // 2])
    frames, reader = read_all(cut)
    assert 5 < len(frames) < COUNT
    assert [damage.kind for damage in reader.damage] == ["truncated"]
    assert reader.damage[0].frame == len(frames)
    assert "the container states 2.000 s" in reader.damage[0].detail
    whole, _ = read_all(clips["hevc", "mkv"])
    for frame, other in zip(frames[:5], whole, strict=False):
        np.testing.assert_array_equal(frame.planes[0], other.planes[0])


def test_a_hole_in_the_middle_is_recorded_and_passed_over(clips, folder):
    data = bytearray(clips["hevc", "mp4"].read_bytes())
    start, stop = len(data) // 4, len(data) // 2
    data[start:stop] = bytes(stop - start)
    hole = folder / "hole.mp4"
    hole.write_bytes(data)
    frames, reader = read_all(hole)
    assert 0 < len(frames) < COUNT
    faults = [damage.detail for damage in reader.damage if damage.kind == "decode error"]
    assert any("gave up on a packet" in fault for fault in faults)
    assert any("no picture until" in fault for fault in faults)
    assert frames[-1].time_s == Fraction(COUNT - 1, 24)


@pytest.fixture(scope="module")
def spoilt(clips, folder):
    return probe(spoil_packets(clips["h264", "mkv"], folder / "spoilt.mkv", range(20, 24)))


def test_a_strict_reader_stops_at_the_first_fault(clips, spoilt):
    with FrameReader(spoilt, strict=True) as reader, pytest.raises(FaultMet):
        for _ in reader:
            pass
    assert 0 < reader.frames_read < 24
    for kind in KINDS:
        with FrameReader(probe(clips[kind]), strict=True) as reader:
            assert sum(1 for _ in reader) == COUNT


def test_a_strict_reader_passes_over_what_lies_before_the_first_picture(clips, monkeypatch):
    from pairdiff.frames import decode

    def late(container, stream, *, on_fault, **told):
        on_fault("decode error", "the stream begins between key frames")
        yield from real(container, stream, on_fault=on_fault, **told)

    real = decode.decode_pictures
    monkeypatch.setattr(decode, "decode_pictures", late)
    with FrameReader(probe(clips["h264", "mkv"]), strict=True) as reader:
        assert sum(1 for _ in reader) == COUNT
    assert [(fault.kind, fault.frame) for fault in reader.damage] == [("decode error", 0)]


def test_read_in_order_a_spoilt_release_is_the_same_each_time_and_its_faults_are_told(spoilt):
    films = []
    for _ in range(6):  # decoded several at a time it was three films in five readings
        with FrameReader(replace(spoilt, in_order=True)) as reader:
            films.append(np.stack([frame.planes[0].copy() for frame in reader]))
        told = [fault for fault in reader.damage if fault.kind == "decode error"]
        assert len(told) == 1  # four packets in a row are one place
        assert 14 <= told[0].frame < 26
        assert "not as they should be" in told[0].detail
    assert all(np.array_equal(film, films[0]) for film in films)


def test_read_in_order_no_picture_s_side_data_is_looked_at(clips, monkeypatch):
    """When a picture is given back decides, in a damaged stream, what its pictures become."""
    from pairdiff.frames import decode

    looked_at = []
    real = decode.read_static
    monkeypatch.setattr(decode, "read_static", lambda picture, codec: (looked_at.append(picture.pts), real(picture, codec=codec))[1])
    release = probe(clips["hevc", "mkv"])
    for in_order, looks in ((True, 0), (False, 2)):
        looked_at.clear()
        with FrameReader(replace(release, in_order=in_order)) as reader:
            assert sum(1 for _ in reader) == COUNT
        assert len(looked_at) == looks


def test_what_a_decoder_minds_all_over_a_stream_is_its_habit_and_no_damage(clips, monkeypatch):
    from pairdiff.frames import decode

    def minding(container, stream, *, on_told, **told):
        for picture in real(container, stream, **told):
            on_told("packets are not as they should be")
            yield picture

    real = decode.decode_pictures
    monkeypatch.setattr(decode, "decode_pictures", minding)
    for count, faults in ((0, 2), (24, 0)):
        monkeypatch.setattr(decode, "FEW_TOLD", 8 - count // 3)
        frames, reader = read_all(clips["hevc", "mkv"])
        assert len(frames) == COUNT
        assert len(reader.damage) == faults


def test_pictures_that_the_decoder_marks_corrupt_are_left_out(clips, monkeypatch):
    seen = []

    class Marked:
        def __init__(self, picture):
            self.picture = picture

        def __getattr__(self, name):
            if name == "is_corrupt":
                return len(seen) == 4
            return getattr(self.picture, name)

    from pairdiff.frames import decode

    real = decode.decode_pictures

    def mark(container, stream, **told):
        for picture in real(container, stream, **told):
            seen.append(picture.pts)
            yield Marked(picture)

    monkeypatch.setattr(decode, "decode_pictures", mark)
    static = decode.read_static
    monkeypatch.setattr(decode, "read_static", lambda picture, codec: static(picture.picture, codec=codec))
    frames, reader = read_all(clips["hevc", "mkv"])
    assert len(frames) == COUNT - 1
    assert [(damage.kind, damage.frame) for damage in reader.damage] == [("corrupt picture", 3)]
    assert "left out" in reader.damage[0].detail


def test_missing_time_stamps_follow_from_the_frame_rate(clips, folder):
    bare = folder / "bare.hevc"
    with av.open(str(clips["hevc", "ts"])) as source:
        bare.write_bytes(b"".join(bytes(packet) for packet in source.demux(video=0)))
    release = probe(bare)
    assert release.signal.frame_rate.assumed
    frames, reader = read_all(bare)
    step = 1 / release.signal.frame_rate.value
    assert [frame.time_s for frame in frames] == [number * step for number in range(COUNT)]
    assert [damage.kind for damage in reader.damage] == ["missing time stamp"]
    chosen = [5, 42]
    found = list(read_frames_at(release, indices=chosen, times_s=[frames[i].time_s for i in chosen]))
    for frame in found:
        np.testing.assert_array_equal(frame.planes[0], frames[frame.index].planes[0])


def test_where_a_container_counts_in_the_order_of_coding_times_are_even_and_pictures_are_found_again(folder):
    """AVI has no time stamps: with B-frames its numbers are those of coding."""
    how = {"codec": "libx264", "pix_fmt": "yuv420p", "tags": SDR_TAGS, "params": LONG_GOP, "options": {"preset": "fast", "crf": "4"}}
    path = encode_clip(folder / "film.avi", moving_planes(COUNT, bits=8), **how)
    stated = Settings(sdr_transfer="bt1886", sdr_primaries="bt709", sdr_matrix="bt709", sdr_range="narrow")
    release = probe_release(path, side="sdr", settings=stated)
    assert release.stamps_of_coding
    with FrameReader(release) as reader:
        frames = [replace(frame, planes=tuple(plane.copy() for plane in frame.planes)) for frame in reader]
    assert "B" in {frame.picture_type for frame in frames}
    assert [frame.time_s for frame in frames] == [Fraction(number, 24) for number in range(COUNT)]
    assert reader.damage == []
    for frame, planes in zip(frames, moving_planes(COUNT, bits=8), strict=True):
        assert np.abs(frame.planes[0].astype(int) - planes[0]).mean() < 5  # of another picture: 21
    for chosen in ([0, 2, 3], [5], [1, 41, 42, 47]):
        found = list(read_frames_at(release, indices=chosen, times_s=[frames[i].time_s for i in chosen]))
        assert [frame.index for frame in found] == chosen
        for frame in found:
            np.testing.assert_array_equal(frame.planes[0], frames[frame.index].planes[0])


def test_b_frames_that_begin_late_are_seen_all_the_same(folder):
    """The first four pictures of such an AVI say nothing of the order that its numbers count in."""
    stated = Settings(sdr_transfer="bt1886", sdr_primaries="bt709", sdr_matrix="bt709", sdr_range="narrow")
    path = folder / "late.avi"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=24, options={"preset": "fast", "x264-params": "keyint=250:bframes=3:b-adapt=0"})
        stream.width, stream.height, stream.pix_fmt = 192, 108, "yuv420p"
        for number, planes in enumerate(moving_planes(38, bits=8)):
            frame = av.VideoFrame(192, 108, "yuv420p")
            for plane, codes in zip(frame.planes, planes, strict=True):
                np.frombuffer(plane, np.uint8).reshape(plane.height, -1)[:, : codes.shape[1]] = codes
            frame.pts, frame.time_base = number, Fraction(1, 24)
            if number < 9:
                frame.pict_type = PictureType.P if number else PictureType.I
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    release = probe_release(path, side="sdr", settings=stated)
    with FrameReader(release) as reader:
        frames = list(reader)
    types = [frame.picture_type for frame in frames]
    assert "B" not in types[:8]
    assert "B" in types
    assert release.stamps_of_coding
    assert [frame.time_s for frame in frames] == [Fraction(number, 24) for number in range(38)]
    assert reader.damage == []


def test_a_stream_without_one_picture_fails_in_clear_words(clips, folder):
    path = folder / "blank.mp4"
    path.write_bytes(clips["hevc", "mp4"].read_bytes())
    release = probe(path)
    data = bytearray(path.read_bytes())
    data[48 : data.rfind(b"moov") - 4] = bytes(data.rfind(b"moov") - 52)
    path.write_bytes(data)
    with pytest.raises(DecodeFailed, match=r"No picture of the HDR release .* can be decoded"):
        read_all_of(release)
    with pytest.raises(DecodeFailed, match=r"No picture of the HDR release .* can be decoded"):
        probe(path)


def read_all_of(release):
    with FrameReader(release) as reader:
        return list(reader)


def test_the_container_is_closed_when_reading_stops_early(clips):
    with FrameReader(probe(clips["hevc", "mkv"])) as reader:
        next(reader)
    reader.close()
    with pytest.raises(StopIteration):
        next(reader)


FORMATS = ["nv12", "p010le", "rgb24", "bgr24", "rgba", "rgb48le", "rgb48be", "gbrp10le", "gray10le", "gray", "yuva420p", "yuv422p12le"]


@pytest.mark.parametrize("name", FORMATS)
def test_every_storage_gives_the_same_code_values(name):
    """A picture stored in another layout of the same sampling and depth: the planes must be those of the plain planar layout."""
    plain = {
        "nv12": "yuv420p",
        "p010le": "yuv420p10le",
        "rgb24": "gbrp",
        "bgr24": "gbrp",
        "rgba": "gbrp",
        "rgb48le": "gbrp16le",
        "rgb48be": "gbrp16le",
        "yuva420p": "yuv420p",
    }.get(name, name)
    picture = av.VideoFrame(50, 22, plain)
    wide = picture.format.components[0].bits > 8
    top = 2 ** picture.format.components[0].bits
    rng = np.random.default_rng(1)
    for plane in picture.planes:
        stored = np.frombuffer(plane, np.uint16 if wide else np.uint8)
        stored[:] = rng.integers(0, top, stored.size)
    expected = planes_of_picture(picture)
    found = planes_of_picture(picture.reformat(format=name) if name != plain else picture)
    assert len(found) == (1 if name.startswith("gray") else 3)
    for plane, other in zip(found, expected, strict=True):
        assert plane.dtype == (np.uint16 if wide else np.uint8)
        assert not plane.flags.writeable
        np.testing.assert_array_equal(plane, other)


def test_gbr_planes_come_out_as_red_green_blue():
    picture = av.VideoFrame(16, 8, "gbrp")
    for plane, value in zip(picture.planes, (2, 3, 1), strict=True):
        np.frombuffer(plane, np.uint8)[:] = value
    assert [int(plane[0, 0]) for plane in planes_of_picture(picture)] == [1, 2, 3]


# ------------------------------------------------------------- what changes in the middle of a stream


def join_streams(path, *parts):
    """Elementary streams one behind the other, as an editor that copies them makes it."""
    path.write_bytes(b"".join(part.read_bytes() for part in parts))
    return path


def encode_h264(path, tags):
    return encode_clip(path, moving_planes(12, bits=8), codec="libx264", pix_fmt="yuv420p", tags=tags)


@pytest.mark.parametrize(
    ("later", "words"),
    [
        ((9, 16, 9, 1), ["changes its transfer at 0.480 s", "from bt1886 (code point 1) to pq (code point 16)", "--sdr-transfer bt1886"]),
        ((1, 1, 1, 2), ["changes its range at 0.480 s", "from narrow to full", "--sdr-range narrow"]),
    ],
)
def test_tags_that_change_in_the_middle_are_refused_with_the_place_and_the_option(folder, later, words):
    path = join_streams(folder / "joined.h264", encode_h264(folder / "a.h264", SDR_TAGS), encode_h264(folder / "b.h264", later))
    release = probe_release(path, side="sdr", settings=Settings())
    with FrameReader(release) as reader, pytest.raises(SignalUnresolved) as refusal:
        list(reader)
    assert [word for word in words if word not in str(refusal.value)] == [], refusal.value
    stated = probe_release(
        path, side="sdr", settings=Settings(sdr_transfer="bt1886", sdr_primaries="bt709", sdr_matrix="bt709", sdr_range="narrow")
    )
    with FrameReader(stated) as reader:
        assert len(list(reader)) == 24


def test_a_stream_that_falls_silent_about_its_tags_goes_on(folder):
    path = join_streams(folder / "silent.h264", encode_h264(folder / "c.h264", SDR_TAGS), encode_h264(folder / "d.h264", (2, 2, 2, 1)))
    with FrameReader(probe_release(path, side="sdr", settings=Settings())) as reader:
        assert len(list(reader)) == 24
    assert reader.changes == []


def encode_hevc(path, tags):
    """A stream whose decoder says nothing where the stream does; that of H.264 goes on with the last that was said."""
    return encode_clip(path, moving_planes(6), tags=tags)


def test_an_hevc_stream_that_falls_silent_about_its_tags_goes_on(folder):
    path = join_streams(folder / "silent.hevc", encode_hevc(folder / "e.hevc", PQ_TAGS), encode_hevc(folder / "f.hevc", NO_TAGS))
    with FrameReader(probe_release(path, side="hdr", settings=Settings())) as reader:
        assert len(list(reader)) == 12
    assert reader.changes == []


def test_what_was_said_before_a_silence_still_holds_behind_it(folder):
    parts = [encode_hevc(folder / f"{number}.hevc", tags) for number, tags in enumerate((PQ_TAGS, NO_TAGS, HLG_TAGS))]
    release = probe_release(join_streams(folder / "again.hevc", *parts), side="hdr", settings=Settings())
    with FrameReader(release) as reader, pytest.raises(SignalUnresolved, match=r"transfer at 0\.400 s from pq .* to hlg"):
        list(reader)


def test_a_stream_that_speaks_of_its_tags_late_goes_on(folder):
    """Its container says them from the beginning."""
    groups = "keyint=6:min-keyint=6:open-gop=0:bframes=0:repeat-headers=1"
    silent = encode_clip(folder / "g.mkv", moving_planes(12), params=f"{groups}:colorprim=2:transfer=2:colormatrix=2")
    with av.open(str(encode_clip(folder / "h.mkv", moving_planes(12), params=groups))) as source:
        spoken = [bytearray(bytes(packet)) for packet in source.demux(video=0) if packet.size]
    path = rewrite_packets(silent, folder / "late.mkv", lambda number, body: body if number < 6 else spoken[number])
    release = probe_release(path, side="hdr", settings=Settings())
    assert release.signal.transfer == Fact("pq", "container", False)
    with FrameReader(release) as reader:
        assert len(list(reader)) == 12
    assert reader.changes == []


def test_a_stream_that_speaks_late_and_otherwise_than_its_container_is_refused(folder):
    groups = "keyint=6:min-keyint=6:open-gop=0:bframes=0:repeat-headers=1"
    silent = encode_clip(folder / "i.mkv", moving_planes(12), params=f"{groups}:colorprim=2:transfer=2:colormatrix=2")
    with av.open(str(encode_clip(folder / "k.mkv", moving_planes(12), params=groups, tags=HLG_TAGS))) as source:
        spoken = [bytearray(bytes(packet)) for packet in source.demux(video=0) if packet.size]
    path = rewrite_packets(silent, folder / "otherwise.mkv", lambda number, body: body if number < 6 else spoken[number])
    release = probe_release(path, side="hdr", settings=Settings())
    with FrameReader(release) as reader, pytest.raises(SignalUnresolved, match=r"changes its transfer at 0\.250 s from pq to hlg"):
        list(reader)


def test_declared_levels_that_change_in_the_middle_are_told_once(folder):
    parts = [
        encode_clip(
            folder / f"{level}.hevc", moving_planes(12), tags=PQ_TAGS, params=f"{MASTERING}:max-cll={level},200:hdr10=1:repeat-headers=1"
        )
        for level in (600, 900)
    ]
    with FrameReader(probe(join_streams(folder / "levels.hevc", *parts))) as reader:
        assert len(list(reader)) == 24
    (change,) = reader.changes
    assert "changes at 0.480 s" in change
    assert "MaxCLL 600, MaxFALL 200 cd/m2" in change
    assert "becomes MaxCLL 900, MaxFALL 200 cd/m2" in change


def test_pictures_of_another_depth_are_left_out_and_told(tmp_path):
    """Their codes would be read on another scale: a 16-bit picture as one of 8 bits is white all over."""
    for number, bits in enumerate((8, 8, 16, 8)):
        codes = np.full((64, 64, 3), 100 if bits == 8 else 25700, np.uint8 if bits == 8 else np.uint16)
        (tmp_path / f"a{number}.png").write_bytes(cv2.imencode(".png", codes)[1].tobytes())
    stated = Settings(sdr_transfer="bt1886", sdr_primaries="bt709", sdr_range="full")
    release = probe_release(tmp_path / "a%d.png", side="sdr", settings=stated)
    with FrameReader(release) as reader:
        assert [int(frame.planes[0].max()) for frame in reader] == [100, 100, 100]
        assert "change to another size or pixel format (64 x 64, rgb48be)" in reader.damage[0].detail


def test_a_reader_that_reads_on_knows_how_even_the_pictures_before_were(tmp_path):
    """A long gap among pictures of a varying rate is no damage, though the pictures behind the start alone are even."""
    steps = [42, 42, 42, 10] * 6 + [42] * 8 + [900] + [42] * 7
    stamps = [sum(steps[:n]) for n in range(len(steps) + 1)]
    clip = encode_clip(tmp_path / "varies.mkv", moving_planes(len(stamps)), codec="ffv1", stamps=stamps)
    release = probe_release(clip, side="hdr", settings=Settings())
    with FrameReader(release) as reader:
        whole = [(frame.index, frame.time_s) for frame in reader]
        state = reader.state_before(26)
    assert state is not None
    assert state.uneven >= 5
    with FrameReader(release, start=state) as again:
        assert [(frame.index, frame.time_s) for frame in again] == whole[24:]
    assert again.damage == reader.damage == []
    with FrameReader(release, start=replace(state, uneven=0)) as forgetful:
        list(forgetful)
    assert [one.kind for one in forgetful.damage] == ["decode error"]
