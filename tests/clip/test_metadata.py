"""Static and dynamic metadata: absent, zero and present; container and bitstream."""

from __future__ import annotations

import pytest

from pairdiff._settings import Settings
from pairdiff.clip.metadata import NOTHING, StaticMetadata, bare_parameter_sets, find_dynamic, join_static
from pairdiff.clip.probe import probe_release
from tests._clips import (
    MASTERING,
    add_boxes_to_sample_entry,
    container_metadata,
    encode_clip,
    moving_planes,
    remux_packets,
    rewrite_packets,
)

P3_XY = ((0.68, 0.32), (0.265, 0.69), (0.15, 0.06), (0.3127, 0.329))


def declared_of(path):
    return probe_release(path, side="hdr", settings=Settings()).declared


def test_values_of_the_bitstream_come_back_in_nits(hdr10):
    declared = declared_of(hdr10)
    assert (declared.max_cll_state, declared.max_cll_nits) == ("present", 1000.0)
    assert (declared.max_fall_state, declared.max_fall_nits) == ("present", 400.0)
    assert declared.light_level_source == "bitstream"
    mastering = declared.mastering
    assert (mastering.red_xy, mastering.green_xy, mastering.blue_xy, mastering.white_xy) == P3_XY
    assert (mastering.max_nits, mastering.min_nits, mastering.source) == (1000.0, 0.005, "bitstream")


def test_absent_is_told_apart_from_zero(tmp_path):
    without = declared_of(encode_clip(tmp_path / "without.mkv", moving_planes(3)))
    assert (without.max_cll_state, without.max_cll_nits, without.light_level_source) == ("absent", None, None)
    assert without.mastering is None
    zero = declared_of(encode_clip(tmp_path / "zero.mkv", moving_planes(3), params="hdr10=1:max-cll=0,120"))
    assert (zero.max_cll_state, zero.max_cll_nits) == ("zero", None)
    assert (zero.max_fall_state, zero.max_fall_nits) == ("present", 120.0)


def test_the_container_alone_is_named(tmp_path):
    path = encode_clip(tmp_path / "boxes.mp4", moving_planes(3))
    declared = declared_of(add_boxes_to_sample_entry(path, container_metadata(max_nits=4000, max_cll=3000, max_fall=0)))
    assert (declared.max_cll_nits, declared.max_fall_state, declared.light_level_source) == (3000.0, "zero", "container")
    assert (declared.mastering.max_nits, declared.mastering.source) == (4000.0, "container")


def test_the_container_is_read_where_its_first_packet_makes_no_picture(tmp_path):
    whole = encode_clip(tmp_path / "whole.mp4", moving_planes(24), params="keyint=8:min-keyint=8")
    delimiter = bytearray(b"\0\0\0\3\x46\1\x50")  # ends a picture, and nothing else (H.265 7.3.2.5)
    path = rewrite_packets(whole, tmp_path / "empty.mp4", lambda number, body: delimiter if number == 0 else body)
    declared = declared_of(add_boxes_to_sample_entry(path, container_metadata(max_nits=4000, max_cll=3000, max_fall=0)))
    assert (declared.max_cll_nits, declared.light_level_source) == (3000.0, "container")


def test_two_places_that_agree_are_both_named(tmp_path):
    path = encode_clip(tmp_path / "both.mp4", moving_planes(3), params=f"hdr10=1:max-cll=1000,400:{MASTERING}")
    declared = declared_of(add_boxes_to_sample_entry(path, container_metadata(max_nits=1000, max_cll=1000, max_fall=400)))
    assert declared.light_level_source == "container and bitstream"
    assert declared.mastering.source == "container and bitstream"


def test_two_places_that_differ_are_noted(tmp_path):
    path = encode_clip(tmp_path / "differ.mp4", moving_planes(3), params=f"hdr10=1:max-cll=1000,400:{MASTERING}")
    add_boxes_to_sample_entry(path, container_metadata(max_nits=4000, max_cll=3000, max_fall=0))
    release = probe_release(path, side="hdr", settings=Settings())
    assert release.declared.max_cll_nits == 1000.0
    assert any("light level differs: (3000, 0) in the container, (1000, 400) in the bitstream" in note for note in release.notes)


def test_a_second_layer_inside_the_stream_is_said_in_words(tmp_path):
    plain = encode_clip(tmp_path / "plain.mp4", moving_planes(3))
    layered = remux_packets(plain, tmp_path / "layered.mp4", appended=bytes([63 << 1, 1]) + bytes(40))
    assert declared_of(plain).dynamic == ()
    release = probe_release(layered, side="hdr", settings=Settings())
    assert release.declared.dynamic == ("second layer inside the stream (enhancement units), not decoded: base layer only",)
    assert any("found, not applied" in note for note in release.notes)


@pytest.mark.parametrize(
    ("kinds", "units", "layers", "words"),
    [
        (["DYNAMIC_HDR_PLUS"], set(), 0, "HDR10+"),
        (["DOVI_RPU_BUFFER", "DOVI_METADATA"], {(62, 0)}, 0, "RPU"),
        ([], {(1, 0), (1, 1)}, 0, "layer number above 0"),
        ([], set(), 1, "1 further video stream"),
    ],
)
def test_each_dynamic_kind_is_named_once(kinds, units, layers, words):
    (found,) = find_dynamic(kinds, unit_types=units, other_layers=layers)
    assert words in found


def test_static_side_data_is_not_dynamic():
    assert find_dynamic(["MASTERING_DISPLAY_METADATA", "UNKNOWN_31"], unit_types={(1, 0), (39, 0)}, other_layers=0) == ()


def test_a_part_of_the_mastering_metadata_may_be_missing():
    declared, notes = join_static(NOTHING, StaticMetadata(None, (1000.0, 0.005), None), dynamic=())
    assert declared.mastering.red_xy is None
    assert declared.mastering.max_nits == 1000.0
    assert notes == ()


def test_sei_units_are_taken_out_of_an_hvcc_record():
    def array(kind: int, body: bytes) -> bytes:
        return bytes([kind]) + (1).to_bytes(2, "big") + len(body).to_bytes(2, "big") + body

    record = bytes([1]) + bytes(21) + bytes([2]) + array(33, b"SPS") + array(39, b"SEI")
    assert bare_parameter_sets(record) == b"\0\0\0\1SPS"
    assert bare_parameter_sets(b"\0\0\0\1SPS") == b"\0\0\0\1SPS"
