import numpy as np
import pytest

from pairdiff._errors import SignalUnresolved, UsageError
from pairdiff.frames.quantisation import (
    LUMA_WEIGHTS,
    chroma_siting_from_h273,
    chroma_siting_to_h273,
    code_to_signal,
    narrow_code_limits,
    rgb_to_ycbcr,
    signal_to_code,
    standard_chroma_siting,
    ycbcr_to_rgb,
)


def test_narrow_eight_bit_white_is_235():
    """BT.709-6 item 4: black 16, white 235."""
    assert signal_to_code([0, 1], bit_depth=8, code_range="narrow", component="luma").tolist() == [16, 235]


def test_super_white_survives_the_narrow_range():
    assert code_to_signal(254, bit_depth=8, code_range="narrow", component="luma") == pytest.approx(238 / 219)
    assert signal_to_code(238 / 219, bit_depth=8, code_range="narrow", component="luma") == 254


def test_full_range_chroma_is_held_inside_its_bits():
    """H.264 E-17: Clip1 keeps +0.5 from becoming 1024."""
    assert signal_to_code(0.5, bit_depth=10, code_range="full", component="chroma") == 1023


@pytest.mark.parametrize("component", ["luma", "chroma"])
@pytest.mark.parametrize("code_range", ["narrow", "full"])
@pytest.mark.parametrize("bit_depth", [8, 10, 12, 16])
def test_every_code_comes_back(bit_depth, code_range, component):
    codes = np.arange(0, 2**bit_depth, max(1, 2**bit_depth // 1024))
    form = {"bit_depth": bit_depth, "code_range": code_range, "component": component}
    assert np.array_equal(signal_to_code(code_to_signal(codes, **form), **form), codes)


@pytest.mark.parametrize("matrix", [*LUMA_WEIGHTS, "rgb"])
def test_ycbcr_comes_back_as_rgb(matrix):
    rgb = np.random.default_rng(1).uniform(-0.1, 1.1, (4, 5, 3))
    assert ycbcr_to_rgb(rgb_to_ycbcr(rgb, matrix=matrix), matrix=matrix) == pytest.approx(rgb, abs=1e-14)


@pytest.mark.parametrize("matrix", LUMA_WEIGHTS)
def test_grey_has_no_chroma_and_primaries_reach_half(matrix):
    assert rgb_to_ycbcr([0.3, 0.3, 0.3], matrix=matrix) == pytest.approx([0.3, 0, 0], abs=1e-15)
    assert rgb_to_ycbcr([0, 0, 1], matrix=matrix)[1] == pytest.approx(0.5)
    assert rgb_to_ycbcr([1, 0, 0], matrix=matrix)[2] == pytest.approx(0.5)


def test_inverse_green_weights_are_those_of_bt2020():
    """H.264 Table E-5 row 9 with KR 0.2627, KB 0.0593: G' = Y' - 0.164553 Cb - 0.571353 Cr."""
    assert ycbcr_to_rgb([[0, 1, 0], [0, 0, 1]], matrix="bt2020-ncl")[:, 1] == pytest.approx([-0.164553, -0.571353], abs=5e-7)


def test_results_keep_the_shape():
    assert signal_to_code(np.zeros((2, 3, 4)), bit_depth=10, code_range="narrow", component="luma").shape == (2, 3, 4)
    assert signal_to_code(0.5, bit_depth=10, code_range="narrow", component="luma").dtype == np.int64
    assert rgb_to_ycbcr(np.zeros((2, 7, 3), np.float32), matrix="bt709").dtype == np.float64


@pytest.mark.parametrize(("bits", "limits"), [(8, (1, 254)), (10, (4, 1019)), (12, (16, 4079))])
def test_codes_for_timing_are_outside_the_limits(bits, limits):
    """BT.2100-2 Table 9: 10 bits 4 to 1019, 12 bits 16 to 4079; BT.709-6: 8 bits 1 to 254."""
    assert narrow_code_limits(bits) == limits


def test_absent_siting_is_left_but_bt2020_means_top_left():
    assert chroma_siting_from_h273(None) == "left"
    assert standard_chroma_siting("bt2020-ncl") == "top-left"
    assert standard_chroma_siting("bt709") == "left"


@pytest.mark.parametrize("number", [0, 1, 2])
def test_siting_numbers_come_back(number):
    assert chroma_siting_to_h273(chroma_siting_from_h273(number)) == number


@pytest.mark.parametrize("number", [-1, 3, 4, 5, 6])
def test_siting_that_cannot_be_read_names_the_option(number):
    with pytest.raises(SignalUnresolved, match=rf"type {number} cannot be read.*--hdr-siting"):
        chroma_siting_from_h273(number)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"bit_depth": 7}, "Bit depth 7 is outside 8 to 16"),
        ({"bit_depth": 17}, "Bit depth 17 is outside 8 to 16"),
        ({"code_range": "wide"}, "Code range 'wide' is not known; use narrow or full"),
        ({"component": "green"}, "Component 'green' is not known"),
    ],
)
def test_quantisation_that_does_not_exist_is_refused(change, words):
    form = {"bit_depth": 10, "code_range": "narrow", "component": "luma"} | change
    with pytest.raises(UsageError, match=words):
        signal_to_code(0.5, **form)
    with pytest.raises(UsageError, match=words):
        code_to_signal(64, **form)


@pytest.mark.parametrize("convert", [rgb_to_ycbcr, ycbcr_to_rgb])
def test_unknown_matrix_and_wrong_axis_are_refused(convert):
    with pytest.raises(UsageError, match="Matrix 'ycgco' is not known; use one of bt709"):
        convert([0, 0, 0], matrix="ycgco")
    with pytest.raises(UsageError, match=r"last axis must hold three components; the array has shape \(4,\)"):
        convert([0, 0, 0, 0], matrix="bt709")


def test_unknown_siting_name_and_matrix_are_refused():
    with pytest.raises(UsageError, match="Chroma siting 'top' is not known"):
        chroma_siting_to_h273("top")
    with pytest.raises(UsageError, match="Matrix 'x' is not known"):
        standard_chroma_siting("x")
    with pytest.raises(UsageError, match="Bit depth 6"):
        narrow_code_limits(6)
