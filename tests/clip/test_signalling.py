"""Rules that settle a colour description out of two places."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pairdiff._errors import SignalUnresolved, UsageError
from pairdiff._records import Fact
from pairdiff._settings import Settings
from pairdiff.clip.signalling import PixelLayout, Tags, name_point, resolve_colours, resolve_siting, tags_from_points

PQ = Tags(16, 9, 9, 1)
SILENT = Tags(None, None, None, None)
YUV = PixelLayout(10, "420")


def settle(container: Tags, bitstream: Tags, *, side: str = "hdr", layout: PixelLayout = YUV, settings: Settings | None = None):
    return resolve_colours(container, bitstream, side=side, path="film.mkv", layout=layout, settings=settings or Settings())


@pytest.mark.parametrize(
    ("container", "bitstream", "source"),
    [(PQ, PQ, "container and bitstream"), (PQ, SILENT, "container"), (SILENT, PQ, "bitstream")],
)
def test_each_fact_names_the_places_that_state_it(container, bitstream, source):
    colours = settle(container, bitstream)
    assert colours.transfer == Fact("pq", source, False)
    assert colours.primaries == Fact("bt2020", source, False)
    assert colours.matrix == Fact("bt2020-ncl", source, False)
    assert colours.range == Fact("narrow", source, False)
    assert colours.notes == ()


# ITU-T H.273 = H.264 (08/2021) tables E-3 to E-5
@pytest.mark.parametrize("point", [1, 6, 14, 15])
def test_the_bt709_family_of_transfers_is_bt1886(point):
    assert settle(Tags(point, 1, 1, 1), SILENT).transfer.value == "bt1886"


@pytest.mark.parametrize(("point", "name"), [(16, "pq"), (18, "hlg")])
def test_hdr_transfers_have_their_code_points(point, name):
    assert settle(Tags(point, 9, 9, 1), SILENT).transfer.value == name


@pytest.mark.parametrize("point", [5, 6])
def test_both_bt601_matrices_are_one(point):
    assert settle(Tags(1, 1, point, 1), SILENT).matrix.value == "bt601"


@pytest.mark.parametrize(
    ("tags", "words"),
    [
        (Tags(8, 9, 9, 1), r"linear \(code point 8\).*--hdr-transfer"),
        (Tags(13, 9, 9, 1), r"sRGB.*--hdr-transfer"),
        (Tags(4, 9, 9, 1), r"gamma 2\.2.*--hdr-transfer"),
        (Tags(16, 5, 9, 1), r"BT\.601 625.*--hdr-primaries"),
        (Tags(16, 6, 9, 1), r"BT\.601 525.*--hdr-primaries"),
        (Tags(16, 11, 9, 1), r"theatre white.*--hdr-primaries"),
        (Tags(16, 9, 14, 1), r"ICtCp.*--hdr-matrix"),
        (Tags(16, 9, 10, 1), r"constant luminance.*--hdr-matrix"),
        (Tags(16, 9, 0, 1), r"the pixels are Y'CbCr.*--hdr-matrix"),
        (Tags(200, 9, 9, 1), r"code point 200.*--hdr-transfer"),
    ],
)
def test_what_cannot_be_measured_is_refused_with_its_option(tags, words):
    with pytest.raises(SignalUnresolved, match=words):
        settle(tags, SILENT)


def test_an_untagged_release_is_refused_with_all_its_options_in_one_message():
    with pytest.raises(SignalUnresolved, match=r"add --sdr-transfer bt1886 --sdr-primaries bt709 --sdr-matrix bt709\.$") as caught:
        settle(SILENT, SILENT, side="sdr")
    assert "transfer, primaries, matrix" in str(caught.value)
    assert caught.value.exit_code == 3


def test_a_contradiction_names_both_values_and_both_places():
    words = r"the container says pq \(code point 16\) but the bitstream says bt1886 \(code point 1\)"
    with pytest.raises(SignalUnresolved, match=words):
        settle(PQ, Tags(1, 9, 9, 1))


def test_a_contradiction_of_range_is_refused():
    with pytest.raises(SignalUnresolved, match=r"the container says full but the bitstream says narrow.*--hdr-range"):
        settle(Tags(16, 9, 9, 2), PQ)


def test_two_code_points_of_one_meaning_agree():
    assert settle(Tags(1, 1, 5, 1), Tags(6, 1, 6, 1)).matrix == Fact("bt601", "container and bitstream", False)


def test_an_option_wins_over_tags_and_is_noted():
    colours = settle(PQ, PQ, settings=replace(Settings(), hdr_transfer="hlg"))
    assert colours.transfer == Fact("hlg", "option", False)
    assert colours.notes == (
        "transfer taken as hlg from --hdr-transfer; "
        "the file says pq (code point 16) in the container and pq (code point 16) in the bitstream.",
    )


def test_an_option_of_the_other_side_changes_nothing():
    assert settle(PQ, PQ, settings=replace(Settings(), sdr_transfer="bt1886")).transfer.value == "pq"


def test_an_option_settles_a_contradiction():
    assert settle(PQ, Tags(1, 9, 9, 1), settings=replace(Settings(), hdr_transfer="pq")).transfer.value == "pq"


def test_an_absent_range_is_assumed_narrow_and_noted():
    colours = settle(Tags(1, 1, 1, None), Tags(1, 1, 1, None))
    assert colours.range == Fact("narrow", "standard: H.264/H.265 E.2.1 default", True)
    assert "range assumed narrow" in colours.notes[0]


def test_an_rgb_picture_needs_no_matrix_and_is_assumed_full():
    colours = settle(Tags(16, 9, 9, None), SILENT, layout=PixelLayout(10, "rgb"))
    assert colours.matrix == Fact("rgb", "pixel format", False)
    assert colours.range.value == "full"
    assert colours.range.assumed


def test_a_grey_picture_needs_no_matrix():
    assert settle(Tags(1, 1, None, 1), SILENT, layout=PixelLayout(8, "grey")).matrix.source == "pixel format"


def test_an_option_value_that_does_not_exist_is_bad_usage():
    with pytest.raises(UsageError, match=r"--hdr-transfer cannot be `log`. Give one of: pq, hlg, bt1886"):
        settle(PQ, PQ, settings=replace(Settings(), hdr_transfer="log"))


def test_unspecified_and_reserved_points_are_silence():
    assert tags_from_points(transfer=2, primaries=0, matrix=2, code_range=0) == SILENT
    assert tags_from_points(transfer=16, primaries=9, matrix=0, code_range=2) == Tags(16, 9, 0, 2)


def test_code_points_are_named_in_words():
    assert name_point("transfer", 16) == "pq (code point 16)"
    assert name_point("matrix", 14) == "ICtCp (code point 14)"
    assert name_point("primaries", 77) == "code point 77"


def settle_siting(stated=None, *, sampling="420", primaries="bt2020", still=False, option=None):
    settings = replace(Settings(), hdr_siting=option)
    return resolve_siting(stated, side="hdr", sampling=sampling, primaries=primaries, still_codec=still, settings=settings)


@pytest.mark.parametrize(
    ("sampling", "primaries", "still", "expected"),
    [
        ("420", "bt2020", False, "top-left"),
        ("420", "bt709", False, "left"),
        ("422", "bt2020", False, "left"),
        ("420", "bt709", True, "centre"),
    ],
)
def test_an_absent_siting_is_assumed_by_practice_and_noted(sampling, primaries, still, expected):
    fact, note = settle_siting(sampling=sampling, primaries=primaries, still=still)
    assert (fact.value, fact.assumed) == (expected, True)
    assert "--hdr-siting" in note


def test_a_stated_siting_is_taken_even_against_practice():
    stated = Fact("left", "bitstream", False)
    assert settle_siting(stated) == (stated, None)


def test_an_option_for_siting_wins():
    fact, note = settle_siting(Fact("left", "bitstream", False), option="centre")
    assert fact == Fact("centre", "option", False)
    assert "left in the bitstream" in note


def test_full_chroma_has_no_siting():
    assert settle_siting(sampling="444") == (Fact("left", "pixel format", False), None)


def test_a_siting_without_a_name_is_refused():
    with pytest.raises(SignalUnresolved, match=r"chroma_sample_loc_type 3 in the bitstream.*--hdr-siting"):
        settle_siting(Fact("type 3", "bitstream", False))
