"""What a file says about itself, and the words with which files are refused."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from fractions import Fraction
from types import SimpleNamespace

import av
import cv2
import numpy as np
import pytest
from av.stream import Disposition

from pairdiff._errors import InputRefused, SignalUnresolved, UsageError
from pairdiff._records import Fact
from pairdiff._settings import Settings
from pairdiff.clip import probe as probe_module
from pairdiff.clip.container import choose_stream
from pairdiff.clip.probe import _correct_from_headers, check_pair, identify_file, note_grain, probe_alone, probe_release
from pairdiff.clip.signalling import Tags
from pairdiff.frames.decode import FrameReader
from tests._clips import HLG_TAGS, NO_TAGS, PQ_TAGS, SDR_TAGS, encode_clip, moving_planes, rewrite_packets


def probe(path, *, side="hdr", **settings):
    return probe_release(path, side=side, settings=replace(Settings(), **settings))


def test_an_hdr10_release_says_what_it_is(hdr10):
    release = probe(hdr10)
    both, format_ = "container and bitstream", "pixel format"
    signal = release.signal
    assert [signal.transfer, signal.primaries, signal.matrix, signal.range] == [
        Fact(value, both, False) for value in ("pq", "bt2020", "bt2020-ncl", "narrow")
    ]
    assert (signal.bit_depth, signal.chroma_sampling) == (Fact(10, format_, False), Fact("420", format_, False))
    assert signal.chroma_siting == Fact("top-left", "bitstream", False)
    assert (signal.width.value, signal.height.value, signal.frame_rate.value) == (192, 108, Fraction(24))
    assert (release.codec, release.side, release.stream_index, release.start_s) == ("hevc", "hdr", 0, 0)
    assert release.duration_s == Fraction(1, 4)
    assert release.size_bytes == hdr10.stat().st_size
    assert release.notes == ()


def test_an_sdr_release_says_what_it_is_and_what_is_assumed(sdr):
    release = probe(sdr, side="sdr")
    assert (release.signal.transfer.value, release.signal.primaries.value, release.signal.bit_depth.value) == ("bt1886", "bt709", 8)
    assert release.signal.chroma_siting == Fact("left", "standard: H.264/H.265 E.2.1 default", True)
    assert any("chroma siting assumed left" in note for note in release.notes)


def alone(path, **settings):
    return probe_alone(path, settings=replace(Settings(), **settings))


def test_a_release_alone_is_hdr_or_sdr_by_its_transfer(hdr10, sdr):
    assert alone(hdr10) == probe(hdr10)
    assert alone(sdr) == probe(sdr, side="sdr")
    assert any("--sdr-siting changes it" in note for note in alone(sdr).notes)


def test_a_file_is_read_once_though_its_transfer_decides_its_side(sdr, monkeypatch):
    looks = []
    look = probe_module._look_at_pictures
    monkeypatch.setattr(probe_module, "_look_at_pictures", lambda *given, **named: looks.append(1) or look(*given, **named))
    assert alone(sdr).side == "sdr"
    assert len(looks) == 1
    alone(sdr, sdr_siting="centre", hdr_stream=0)  # another choice of streams for either side: read with both
    assert len(looks) == 3


@pytest.mark.parametrize("codec", ["libx264", "libx265"])
def test_tags_and_metadata_are_found_where_the_first_packet_alone_makes_no_picture(tmp_path, codec):
    # one file whose first packet holds a unit that ends a picture and nothing else (H.264 and H.265, 7.3.2.4 and 7.3.2.5), one cut short
    params = "keyint=8:min-keyint=8:scenecut=0"
    if codec == "libx265":
        params += ":hdr10=1:max-cll=870,130:master-display=G(8500,39850)B(6550,2300)R(35400,14600)WP(15635,16450)L(10000000,1)"
    form, bits = ("yuv420p", 8) if codec == "libx264" else ("yuv420p10le", 10)
    tags = SDR_TAGS if codec == "libx264" else PQ_TAGS
    whole = encode_clip(tmp_path / "whole.mkv", moving_planes(24, bits=bits), codec=codec, pix_fmt=form, tags=tags, params=params)
    delimiter = b"\0\0\0\2\x09\xf0" if codec == "libx264" else b"\0\0\0\3\x46\1\x50"
    empty = rewrite_packets(whole, tmp_path / "empty.mkv", lambda number, body: bytearray(delimiter) if number == 0 else body)
    spoilt = rewrite_packets(whole, tmp_path / "spoilt.mkv", lambda number, body: body[:9] if number == 0 else body)
    known = alone(whole)
    for path in (empty, spoilt):
        found = alone(path)
        assert (found.signal, found.declared) == (known.signal, known.declared)
    assert (known.declared.mastering is not None) == (codec == "libx265")


def test_options_of_either_side_reach_a_release_alone(sdr):
    for name in ("hdr_siting", "sdr_siting"):
        release = alone(sdr, **{name: "centre"})
        assert (release.side, release.signal.chroma_siting) == ("sdr", Fact("centre", "option", False))
        assert any(f"from --{name.replace('_', '-')};" in note for note in release.notes)


def test_a_release_alone_is_refused_as_a_release(tmp_path):
    with pytest.raises(InputRefused, match=r"^The release .*nowhere\.mkv does not exist"):
        alone(tmp_path / "nowhere.mkv")
    path = encode_clip(tmp_path / "untagged.mkv", moving_planes(3), tags=NO_TAGS)
    with pytest.raises(SignalUnresolved, match=r"^The colours of the release .* cannot be settled") as caught:
        alone(path)
    assert "for a usual HDR release add --hdr-transfer pq" in str(caught.value)
    assert str(caught.value).endswith(" For a usual SDR release add --sdr-transfer bt1886 --sdr-primaries bt709 --sdr-matrix bt709.")
    stated = alone(path, sdr_transfer="bt1886", sdr_primaries="bt709", sdr_matrix="bt709")
    assert (stated.side, stated.signal.transfer) == ("sdr", Fact("bt1886", "option", False))


X265_PQ = "colorprim=9:transfer=16:colormatrix=9"
X265_SDR = "colorprim=1:transfer=1:colormatrix=1"


@pytest.mark.parametrize("ending", ["mkv", "mp4", "mov"])
def test_a_silent_container_is_told_apart_from_an_agreeing_one(tmp_path, ending):
    path = encode_clip(tmp_path / f"silent.{ending}", moving_planes(3), tags=NO_TAGS, params=X265_PQ)
    assert probe(path).signal.transfer == Fact("pq", "bitstream", False)


def test_a_codec_without_tags_leaves_the_container_alone(tmp_path):
    path = encode_clip(tmp_path / "lossless.mkv", moving_planes(3), codec="ffv1")
    assert probe(path).signal.transfer == Fact("pq", "container", False)


def test_a_transport_stream_has_tags_of_the_bitstream_only(tmp_path):
    release = probe(encode_clip(tmp_path / "film.ts", moving_planes(3)))
    assert release.signal.primaries == Fact("bt2020", "bitstream", False)
    assert release.start_s > 0


@pytest.mark.parametrize("ending", ["mkv", "mp4", "mov"])
def test_container_against_bitstream_is_refused(tmp_path, ending):
    path = encode_clip(tmp_path / f"conflict.{ending}", moving_planes(3), tags=PQ_TAGS, params=X265_SDR)
    with pytest.raises(SignalUnresolved, match=r"container says pq .* but the bitstream says bt1886 .*--hdr-transfer") as caught:
        probe(path)
    assert "--hdr-primaries" in str(caught.value)
    release = probe(path, hdr_transfer="pq", hdr_primaries="bt2020", hdr_matrix="bt2020-ncl")
    assert release.signal.transfer == Fact("pq", "option", False)
    assert len([note for note in release.notes if "the file says" in note]) == 3


def test_an_untagged_file_is_refused_until_the_options_say_it(tmp_path):
    path = encode_clip(tmp_path / "untagged.mp4", moving_planes(3, bits=8), codec="libx264", pix_fmt="yuv420p", tags=NO_TAGS)
    with pytest.raises(SignalUnresolved, match="add --sdr-transfer bt1886 --sdr-primaries bt709 --sdr-matrix bt709"):
        probe(path, side="sdr")
    release = probe(path, side="sdr", sdr_transfer="bt1886", sdr_primaries="bt709", sdr_matrix="bt709")
    assert release.signal.range == Fact("narrow", "standard: H.264/H.265 E.2.1 default", True)


@pytest.mark.parametrize("ending", ["ts", "mp4"])  # the container, where it has tags, repeats the older transfer
def test_hlg_behind_an_older_transfer_is_hlg(tmp_path, ending):
    path = encode_clip(tmp_path / f"dvb.{ending}", moving_planes(3), tags=(9, 14, 9, 1), params="atc-sei=18")
    release = probe(path)
    assert release.signal.transfer.value == "hlg"
    assert any("preferred" in note for note in release.notes)


def test_a_range_that_only_the_decoder_fills_in_is_not_stated():
    tags = Tags(16, 9, 9, 1)
    assert _correct_from_headers(tags, {"video_signal_type_present_flag": 0})[0].range is None
    assert _correct_from_headers(tags, {"vui_parameters_present_flag": 0})[0].range is None
    assert _correct_from_headers(tags, {"video_signal_type_present_flag": 1})[0] == tags


@pytest.mark.parametrize(("number", "name"), [(0, "left"), (1, "centre"), (2, "top-left")])
def test_the_stated_chroma_siting_is_read(tmp_path, number, name):
    path = encode_clip(tmp_path / "siting.mp4", moving_planes(3), params=f"chromaloc={number}")
    assert probe(path).signal.chroma_siting == Fact(name, "bitstream", False)


@pytest.mark.parametrize(
    ("codec", "pix_fmt", "ending", "bits", "sampling"),
    [
        ("libx265", "yuv422p12le", "mkv", 12, "422"),
        ("libx264", "yuv444p", "mp4", 8, "444"),
        ("prores_ks", "yuv422p10le", "mov", 10, "422"),
        ("libsvtav1", "yuv420p10le", "mkv", 10, "420"),
        ("ffv1", "yuv444p16le", "mkv", 16, "444"),
    ],
)
def test_many_codecs_say_their_depth_and_sampling(tmp_path, codec, pix_fmt, ending, bits, sampling):
    planes = moving_planes(3, bits=bits, sampling=sampling)
    options = {"level": "3"} if codec == "ffv1" else {}
    release = probe(encode_clip(tmp_path / f"film.{ending}", planes, codec=codec, pix_fmt=pix_fmt, options=options))
    assert (release.signal.bit_depth.value, release.signal.chroma_sampling.value) == (bits, sampling)
    assert release.codec in ("hevc", "h264", "prores", "av1", "ffv1")


def test_rgb_and_grey_pictures_are_accepted(tmp_path):
    plane = np.full((108, 192), 300, np.uint16)
    rgb = encode_clip(tmp_path / "rgb.mkv", [[plane] * 3], codec="ffv1", pix_fmt="gbrp10le", tags=(9, 16, 0, 2), options={"level": "3"})
    assert (probe(rgb).signal.matrix, probe(rgb).signal.range.value) == (Fact("rgb", "pixel format", False), "full")
    grey = encode_clip(tmp_path / "grey.mkv", [[plane]], codec="ffv1", pix_fmt="gray10le", options={"level": "3"})
    assert probe(grey).signal.chroma_sampling.value == "grey"


def test_a_photograph_with_side_data_of_an_unknown_kind_is_read(tmp_path):
    from PIL import Image

    picture = Image.fromarray(np.random.default_rng(0).integers(0, 255, (40, 60, 3), np.uint8))
    exif = Image.Exif()
    exif[270] = "an invented place"
    picture.save(tmp_path / "photo.jpg", exif=exif, subsampling="4:2:0")
    release = probe(tmp_path / "photo.jpg", side="sdr", sdr_transfer="bt1886", sdr_primaries="bt709")
    assert (release.signal.matrix.value, release.signal.range.value) == ("bt601", "full")
    assert release.signal.chroma_siting == Fact("centre", "standard: JFIF 1.02", True)


@pytest.mark.parametrize("ending", ["mkv", "mp4"])
def test_a_title_in_an_older_alphabet_is_no_reason_not_to_read_the_film(tmp_path, ending):
    """Tags are meant to be UTF-8; old programs wrote what their machine used."""
    title, path = "An Invented Title", tmp_path / f"film.{ending}"
    with av.open(str(encode_clip(tmp_path / "plain.mkv", moving_planes(3)))) as source, av.open(str(path), "w") as out:
        stream = source.streams.video[0]
        copy = out.add_stream_from_template(stream)
        out.metadata["title"] = copy.metadata["title"] = title
        for packet in source.demux(stream):
            if packet.size:
                packet.stream = copy
                out.mux(packet)
    data = path.read_bytes()
    assert title.encode() in data
    path.write_bytes(data.replace(title.encode(), "\u00c9 l'\u00e9t\u00e9 invent\u00e9".encode("latin-1").ljust(len(title))))
    assert probe(path).signal.transfer.value == "pq"
    with FrameReader(probe(path)) as reader:
        assert len(list(reader)) == 3


def test_interlaced_pictures_are_noted(tmp_path):
    planes = moving_planes(4, bits=8)
    path = encode_clip(
        tmp_path / "fields.mpg", planes, codec="mpeg2video", pix_fmt="yuv420p", tags=SDR_TAGS, options={"flags": "+ildct+ilme"}
    )
    assert any("interlaced" in note for note in probe(path, side="sdr").notes)


def two_videos(path, *, first_is_cover: bool):
    """A small picture before the film: a cover, or another film."""
    with av.open(str(path), "w") as out:
        streams = []
        for size, codec in (((64, 36), "png" if first_is_cover else "libx264"), ((192, 108), "libx264")):
            stream = out.add_stream(codec, rate=24)
            stream.width, stream.height = size
            stream.pix_fmt = "rgb24" if codec == "png" else "yuv420p"
            k = stream.codec_context
            k.color_primaries, k.color_trc, k.colorspace, k.color_range = SDR_TAGS
            streams.append(stream)
        if first_is_cover:
            streams[0].disposition = Disposition.attached_pic
        for stream in streams:
            frame = av.VideoFrame(stream.width, stream.height, stream.pix_fmt)
            for plane in frame.planes:
                np.frombuffer(plane, np.uint8)[:] = 128
            frame.pts, frame.time_base = 0, Fraction(1, 24)
            out.mux(stream.encode(frame))
            out.mux(stream.encode(None))
    return path


def test_a_cover_picture_is_not_the_film(tmp_path):
    release = probe(two_videos(tmp_path / "cover.mp4", first_is_cover=True), side="sdr")
    assert release.signal.width.value == 192
    assert release.declared.dynamic == ()


def test_a_cover_picture_that_comes_first_is_passed_over(tmp_path):
    def stream(disposition: int) -> SimpleNamespace:
        return SimpleNamespace(disposition=disposition, type="video", codec_context=object())

    cover, film = stream(0x400), stream(1)
    container = SimpleNamespace(streams=SimpleNamespace(video=[cover, film]))
    assert choose_stream(container, path="film.mkv", side="hdr", wanted=None) is film
    assert choose_stream(container, path="film.mkv", side="hdr", wanted=0) is cover
    film.codec_context = None
    with pytest.raises(InputRefused, match="a codec that is not known here"):
        choose_stream(container, path="film.mkv", side="hdr", wanted=None)


def test_the_stream_option_chooses_among_video_streams(tmp_path):
    path = two_videos(tmp_path / "two.mkv", first_is_cover=False)
    assert probe(path, side="sdr").signal.width.value == 64
    assert probe(path, side="sdr", sdr_stream=1).signal.width.value == 192
    assert "1 further video stream" in probe(path, side="sdr").declared.dynamic[0]
    with pytest.raises(UsageError, match=r"--sdr-stream 2 does not exist: .* has 2 video stream"):
        probe(path, side="sdr", sdr_stream=2)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(InputRefused, match=r"The HDR release .*none.mkv does not exist"):
        probe(tmp_path / "none.mkv")


def test_a_folder_is_refused(tmp_path):
    with pytest.raises(InputRefused, match="is a folder without pictures"):
        probe(tmp_path)


def test_an_empty_file_is_refused(tmp_path):
    (tmp_path / "empty.mp4").touch()
    with pytest.raises(InputRefused, match=r"is empty \(0 bytes\)"):
        probe(tmp_path / "empty.mp4")


def test_a_broken_link_is_refused(tmp_path):
    (tmp_path / "link.mkv").symlink_to(tmp_path / "gone.mkv")
    with pytest.raises(InputRefused, match="is not a regular file"):
        probe(tmp_path / "link.mkv")


LISTS = {
    "film.m3u8": ("#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXT-X-MEDIA-SEQUENCE:0\n#EXTINF:0.5,\n{other}\n#EXT-X-ENDLIST\n", "HLS playlist"),
    "film.mkv": ("\ufeff#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXTINF:0.5,\n{other}\n#EXT-X-ENDLIST\n", "HLS playlist"),
    "film.txt": ("ffconcat version 1.0\nfile '{other}'\n", "list of files"),
    "film.mpd": ("<?xml version='1.0'?><MPD type='static'><Period><BaseURL>{other}</BaseURL></Period></MPD>", "DASH manifest"),
    "film.sdp": ("v=0\no=- 0 0 IN IP4 127.0.0.1\nm=video 5004 RTP/AVP 96\n", "session description"),
}


@pytest.mark.parametrize("name", LISTS)
def test_a_list_of_other_files_is_never_followed(tmp_path, name):
    """Common practice, no source: what a file names is not what the user named."""
    encode_clip(tmp_path / "other.ts", moving_planes(4))
    text, kind = LISTS[name]
    (tmp_path / name).write_text(text.format(other="other.ts"), encoding="utf-8")
    with pytest.raises(InputRefused, match=rf"is a list that names other files \({kind}\).*give the video files themselves"):
        probe_release(tmp_path / name, side="hdr", settings=Settings())


@pytest.mark.parametrize("ending", ["mkv", "png"])
def test_a_name_with_a_number_in_it_stands_for_that_file_alone(tmp_path, ending):
    (tmp_path / "black.png").write_bytes(cv2.imencode(".png", np.zeros((64, 64, 3), np.uint8))[1].tobytes())
    for number in range(3):
        if ending == "mkv":
            encode_clip(tmp_path / f"shot{number:03d}.mkv", moving_planes(4))
        else:
            (tmp_path / f"shot{number:03d}.png").write_bytes((tmp_path / "black.png").read_bytes())
    odd = (tmp_path / f"shot000.{ending}").rename(tmp_path / f"shot%03d.{ending}")
    stated = Settings(sdr_transfer="bt1886", sdr_primaries="bt709")
    with FrameReader(probe_release(odd, side="sdr" if ending == "png" else "hdr", settings=stated)) as reader:
        assert len(list(reader)) == (1 if ending == "png" else 4)


def test_a_text_file_is_refused(tmp_path):
    (tmp_path / "notes.txt").write_text("not a film\n" * 50)
    with pytest.raises(InputRefused, match="is a text file, not video"):
        probe(tmp_path / "notes.txt")


@pytest.mark.parametrize("name", ["noise.mkv", "noise.mp4", "noise"])
def test_what_is_not_video_is_refused(tmp_path, name):
    (tmp_path / name).write_bytes(np.random.default_rng(0).bytes(50_000))
    with pytest.raises(InputRefused, match="is not video that can be read"):
        probe(tmp_path / name)


def test_sound_alone_is_refused(tmp_path):
    with av.open(str(tmp_path / "sound.wav"), "w") as out:
        stream = out.add_stream("pcm_s16le", rate=48000, layout="mono")
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 4800), np.int16), format="s16", layout="mono")
        frame.sample_rate = 48000
        out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    with pytest.raises(InputRefused, match=r"has no video stream \(found: only audio\)"):
        probe(tmp_path / "sound.wav")


def test_an_mp4_without_its_index_is_refused_in_clear_words(sdr, tmp_path):
    data = sdr.read_bytes()
    (tmp_path / "cut.mp4").write_bytes(data[: data.rfind(b"moov") - 4])
    with pytest.raises(InputRefused, match="no index: its `moov` box is missing"):
        probe(tmp_path / "cut.mp4")


BEYOND_THE_LIMIT = r"has pictures of {size}, {megapixels} million pixels; the limit is {limit} \(--picture-limit-megapixels\)"


def test_a_size_beyond_the_limit_is_refused_before_a_picture_is_decoded(hdr10, monkeypatch):
    def decode(*_: object, **__: object) -> None:
        pytest.fail("a picture was decoded first")

    monkeypatch.setattr(probe_module, "_look_at_pictures", decode)
    with pytest.raises(InputRefused, match=BEYOND_THE_LIMIT.format(size="192 x 108", megapixels="0.0207", limit=r"0\.02")):
        probe(hdr10, picture_limit_megapixels=0.02)


def test_a_size_beyond_the_limit_that_only_the_pictures_tell_is_refused(hdr10, monkeypatch):
    look = probe_module._look_at_pictures

    def larger(*args: object, **named: object) -> object:
        return replace(look(*args, **named), width=20_000, height=10_000)

    monkeypatch.setattr(probe_module, "_look_at_pictures", larger)
    with pytest.raises(InputRefused, match=BEYOND_THE_LIMIT.format(size="20000 x 10000", megapixels="200", limit="199")):
        probe(hdr10, picture_limit_megapixels=199.0)
    assert probe(hdr10, picture_limit_megapixels=200.0).signal.width.value == 20_000


def test_palette_pictures_are_refused(tmp_path):
    from PIL import Image

    Image.new("P", (32, 32)).save(tmp_path / "palette.png")
    with pytest.raises(InputRefused, match="pixels of the format pal8, which cannot be measured"):
        probe(tmp_path / "palette.png")


def test_a_file_without_permission_is_refused(sdr, tmp_path, monkeypatch):
    path = shutil.copy(sdr, tmp_path / "locked.mp4")
    os.chmod(path, 0)
    if os.access(path, os.R_OK):  # the super-user reads anything: let the system say no in its place

        def say_no(*_: object, **__: object) -> None:
            raise PermissionError(13, "Permission denied")

        monkeypatch.setattr("pairdiff.clip.container.open", say_no, raising=False)
    with pytest.raises(InputRefused, match="cannot be read: no permission"):
        probe(path)


def test_the_identity_follows_the_contents_not_the_name(sdr, tmp_path):
    copy = shutil.copy(sdr, tmp_path / "other-name.mp4")
    size = sdr.stat().st_size
    assert identify_file(str(sdr), whole=False) == identify_file(copy, whole=False)
    assert identify_file(copy, whole=False).startswith(f"sha256-sampled:{size}:")
    assert identify_file(copy, whole=True).startswith(f"sha256:{size}:")


@pytest.mark.parametrize("place", [0, 5_000_000, 9_999_999])
def test_a_changed_byte_changes_the_whole_identity(tmp_path, place):
    data = bytearray(10_000_000)
    (tmp_path / "a").write_bytes(data)
    data[place] = 1
    (tmp_path / "b").write_bytes(data)
    assert identify_file(str(tmp_path / "a"), whole=True) != identify_file(str(tmp_path / "b"), whole=True)
    if place != 5_000_000:  # the sampled identity sees the first and the last block for certain
        assert identify_file(str(tmp_path / "a"), whole=False) != identify_file(str(tmp_path / "b"), whole=False)


def test_a_proper_pair_is_accepted(hdr10, sdr):
    check_pair(probe(hdr10), probe(sdr, side="sdr"))


def test_an_hlg_release_is_hdr(tmp_path, sdr):
    check_pair(probe(encode_clip(tmp_path / "hlg.mkv", moving_planes(3), tags=HLG_TAGS)), probe(sdr, side="sdr"))


def test_swapped_sides_are_refused(hdr10, sdr):
    words = r"tagged BT\.1886 \(SDR\) and the SDR release is PQ: the two sides look swapped.*Give the HDR file first"
    with pytest.raises(InputRefused, match=words):
        check_pair(probe(sdr), probe(hdr10, side="sdr"))


def test_one_file_twice_is_refused(hdr10, tmp_path):
    with pytest.raises(InputRefused, match="Both releases are the same file"):
        check_pair(probe(hdr10), probe(hdr10, side="sdr"))
    copy = shutil.copy(hdr10, tmp_path / "copy.mkv")
    with pytest.raises(InputRefused, match="the same file twice: their contents are identical"):
        check_pair(probe(hdr10), probe(copy, side="sdr"))


def test_sdr_given_as_hdr_is_refused(sdr, tmp_path):
    other = encode_clip(tmp_path / "other.mp4", moving_planes(4, bits=8), codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS)
    with pytest.raises(InputRefused, match=r"it is not HDR.*--hdr-transfer pq"):
        check_pair(probe(other), probe(sdr, side="sdr"))


def test_hdr_given_as_sdr_is_refused(hdr10, tmp_path):
    other = encode_clip(tmp_path / "other.mkv", moving_planes(4), tags=HLG_TAGS)
    with pytest.raises(InputRefused, match=r"The SDR release is HLG: it is HDR, not SDR.*--sdr-transfer bt1886"):
        check_pair(probe(hdr10), probe(other, side="sdr"))


def test_an_sdr_release_in_wide_primaries_is_refused(hdr10, tmp_path):
    wide = encode_clip(tmp_path / "wide.mkv", moving_planes(4), tags=(9, 14, 9, 1))
    with pytest.raises(InputRefused, match=r"has bt2020 primaries .*--sdr-primaries bt709"):
        check_pair(probe(hdr10), probe(wide, side="sdr"))


def test_grain_that_the_decoder_adds_is_told_of_and_added(tmp_path):
    options = {"preset": "8", "svtav1-params": "film-grain=30"}
    path = encode_clip(tmp_path / "a.mkv", moving_planes(6, rows=128, columns=256), codec="libsvtav1", options=options)
    release = probe(path)
    assert sum("describes film grain (AV1) and the decoder adds it" in note for note in release.notes) == 1
    with av.open(str(path)) as container:  # FFmpeg's own switch for handing grain on without adding it
        container.streams.video[0].codec_context.options = {"export_side_data": "film_grain"}
        plain = np.frombuffer(next(container.decode(video=0)).planes[0], np.uint16)
    with FrameReader(release) as reader:
        assert np.abs(next(reader).planes[0].astype(int).ravel() - plain).mean() > 1


def test_a_stream_without_grain_says_nothing_of_it(tmp_path):
    path = encode_clip(tmp_path / "a.mkv", moving_planes(6, rows=128, columns=256), codec="libsvtav1", options={"preset": "8"})
    assert not [note for note in probe(path).notes if "grain" in note]


def test_a_grain_message_of_older_codecs_is_told_of():
    assert "ITU-T H.274" in note_grain({"film_grain_characteristics_cancel_flag": 0})[0]
    assert note_grain({"film_grain_characteristics_cancel_flag": 1}) == note_grain({}) == ()
