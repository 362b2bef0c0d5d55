"""The fast forms against their exact float64 twins."""

import colour
import numpy as np
import pytest

from pairdiff._errors import UsageError
from pairdiff.light import picture
from pairdiff.light.display import PRESETS, show_hdr
from pairdiff.light.ictcp import delta_e_itp, nits_to_ictcp
from pairdiff.light.primaries import convert_primaries
from pairdiff.light.transfer import bt1886_to_nits, hlg_inverse_oetf, hlg_ootf, hlg_to_nits, nits_to_pq, pq_to_nits

RNG = np.random.default_rng(9)
CODE = RNG.uniform(-0.05, 1.1, (90, 120, 3)).astype(np.float32)
NITS = (10 ** RNG.uniform(-4, 4, (90, 120, 1)) * RNG.uniform(0, 1, (90, 120, 3))).astype(np.float32)


def largest_relative_error(found, exact, above=1e-3):
    lit = np.abs(exact) > above
    return np.abs(found[lit] / exact[lit] - 1).max()


def test_pq_decoding_agrees_with_the_exact_form():
    code = np.linspace(-0.01, 1.1, 3_000_000, dtype=np.float32).reshape(-1, 1000, 3)
    found = picture.hdr_code_to_nits(code, transfer="pq", primaries="bt2020", hlg_peak_nits=1000.0)
    exact = pq_to_nits(code)
    assert largest_relative_error(found, exact) < 1e-5
    assert np.abs(found - exact)[exact < 1e-3].max() < 1e-7
    assert found.max() == 10000
    assert found.min() == 0


@pytest.mark.parametrize("primaries", ["p3-d65", "bt709"])
def test_pq_in_other_primaries_comes_out_in_bt2020(primaries):
    found = picture.hdr_code_to_nits(CODE, transfer="pq", primaries=primaries, hlg_peak_nits=1000.0)
    exact = convert_primaries(pq_to_nits(CODE), source=primaries, target="bt2020")
    assert np.abs(found - exact).max() < 2e-6 * exact.max()


@pytest.mark.parametrize("peak_nits", [200.0, 600.0, 1000.0, 4000.0])
def test_hlg_decoding_agrees_with_the_exact_form(peak_nits):
    found = picture.hdr_code_to_nits(CODE, transfer="hlg", primaries="bt2020", hlg_peak_nits=peak_nits)
    exact = hlg_to_nits(CODE, peak_nits=peak_nits)
    assert largest_relative_error(found, exact) < 1e-6
    assert found.max() > peak_nits


def test_hlg_in_other_primaries_is_changed_before_the_system_gamma():
    found = picture.hdr_code_to_nits(CODE, transfer="hlg", primaries="p3-d65", hlg_peak_nits=1000.0)
    exact = hlg_ootf(convert_primaries(hlg_inverse_oetf(CODE), source="p3-d65", target="bt2020"), peak_nits=1000.0)
    assert np.abs(found - exact).max() < 1e-6 * exact.max()


@pytest.mark.parametrize("gamma", [2.0, 2.4, 2.6])
def test_sdr_decoding_agrees_with_the_exact_form(gamma):
    found = picture.sdr_code_to_nits(CODE, white_nits=203.0, gamma=gamma)
    exact = convert_primaries(bt1886_to_nits(CODE, white_nits=203.0, gamma=gamma), source="bt709", target="bt2020")
    assert largest_relative_error(found, exact) < 1e-5
    assert np.abs(found - exact).max() < 2e-6 * exact.max()


def test_sdr_below_black_is_black_and_super_white_is_kept():
    code = np.array([[[-0.05] * 3, [0] * 3, [1] * 3, [238 / 219] * 3]], np.float32)
    assert picture.sdr_code_to_nits(code, white_nits=100.0, gamma=2.4)[0, :, 1] == pytest.approx([0, 0, 100, 122.1009], abs=1e-3)


def test_pq_encoding_agrees_from_the_faintest_to_the_brightest():
    nits = np.geomspace(1e-14, 20000, 2_000_000).astype(np.float32)
    assert np.abs(picture.nits_to_pq_picture(nits) - nits_to_pq(nits)).max() < 2e-6
    near_peak = np.linspace(9900, 10100, 10000, dtype=np.float32)
    assert np.abs(picture.nits_to_pq_picture(near_peak) - nits_to_pq(near_peak)).max() < 2e-6


def test_pq_encoding_never_falls():
    nits = np.geomspace(1e-10, 10000, 200_000).astype(np.float32)
    assert np.all(np.diff(picture.nits_to_pq_picture(nits)) >= 0)


def test_what_is_no_light_encodes_as_black():
    odd = np.array([0.0, -0.0, -1.0, np.nan, -np.inf], np.float32)
    assert picture.nits_to_pq_picture(odd).tolist() == [np.float32(nits_to_pq(0.0))] * 5
    assert picture.nits_to_pq_picture(np.array([np.inf], np.float32)).tolist() == [1.0]


def test_itp_agrees_with_the_exact_form():
    exact = nits_to_ictcp(NITS) * [1, 0.5, 1]
    assert np.abs(picture.nits_to_itp(NITS) - exact).max() * 720 < 0.005


def test_grey_has_exactly_no_colour():
    grey = np.repeat(NITS[..., :1], 3, axis=-1)
    found = picture.nits_to_itp(grey)
    assert np.abs(found[..., 1:]).max() * 720 < 0.001


def test_difference_agrees_with_the_exact_form():
    other = NITS * RNG.uniform(0.9, 1.1, NITS.shape).astype(np.float32)
    found = picture.itp_difference(picture.nits_to_itp(NITS), picture.nits_to_itp(other))
    assert np.abs(found - delta_e_itp(nits_to_ictcp(NITS), nits_to_ictcp(other))).max() < 0.01


def test_difference_of_a_picture_with_itself_is_zero():
    itp = picture.nits_to_itp(NITS)
    assert picture.itp_difference(itp, itp).max() == 0


@pytest.mark.parametrize("name", ["self-emissive", "lcd-bright", "lcd-dim"])
def test_roll_off_agrees_with_the_exact_form(name):
    display = PRESETS[name]
    found = picture.show_hdr_picture(NITS, display=display, source_peak_nits=4000.0)
    exact = show_hdr(NITS, display=display, source_peak_nits=4000.0)
    assert largest_relative_error(found, exact) < 1e-5
    assert found.max() == pytest.approx(display.peak_nits, rel=1e-6)


def test_display_bright_enough_gets_a_copy():
    found = picture.show_hdr_picture(NITS, display=PRESETS["lcd-bright"], source_peak_nits=1000.0)
    assert np.array_equal(found, NITS)
    assert not np.shares_memory(found, NITS)


def test_level_is_the_largest_component():
    assert np.array_equal(picture.code_level(CODE), CODE.max(axis=-1))


def test_whole_path_meets_the_published_pair_of_bars():
    """BT.2111 red at 58 % PQ against BT.709 red at 203 cd/m2: only quantisation is left (ST 2084, BT.2087, BT.2124; 0.478)."""
    hdr = np.array([[[127.2081894916, 13.98943319562, 3.275963058465]]])
    sdr = 2.03 * np.array([[[63.04377310514, 6.943182016441, 1.647073699887]]])
    assert picture.itp_difference(picture.nits_to_itp(hdr), picture.nits_to_itp(sdr))[0, 0] == pytest.approx(0.4779, abs=2e-3)


FUNCTIONS = {
    "pq": lambda x: picture.hdr_code_to_nits(x, transfer="pq", primaries="bt2020", hlg_peak_nits=1000.0),
    "hlg": lambda x: picture.hdr_code_to_nits(x, transfer="hlg", primaries="bt2020", hlg_peak_nits=1000.0),
    "sdr": lambda x: picture.sdr_code_to_nits(x, white_nits=100.0, gamma=2.4),
    "itp": picture.nits_to_itp,
    "show": lambda x: picture.show_hdr_picture(x, display=PRESETS["lcd-dim"], source_peak_nits=1000.0),
}


@pytest.mark.parametrize("function", FUNCTIONS.values(), ids=FUNCTIONS)
def test_stacks_give_what_single_pictures_give_in_float32(function):
    stack = np.stack([CODE, CODE[::-1]])
    before = stack.copy()
    found = function(stack)
    assert found.shape == stack.shape
    assert found.dtype == np.float32
    assert np.array_equal(found[1], function(CODE[::-1]))
    assert np.array_equal(function(CODE.astype(np.float64)), function(CODE))
    assert np.array_equal(stack, before)


@pytest.mark.parametrize("function", [*FUNCTIONS.values(), picture.code_level], ids=[*FUNCTIONS, "level"])
def test_what_is_no_picture_is_refused(function):
    with pytest.raises(UsageError, match=r"A picture is \(row, column, 3\); the array has shape \(4, 4\)"):
        function(np.zeros((4, 4), np.float32))


def test_other_refusals_say_what_to_do():
    with pytest.raises(UsageError, match="Transfer 'bt1886' is no HDR transfer; use pq or hlg"):
        picture.hdr_code_to_nits(CODE, transfer="bt1886", primaries="bt2020", hlg_peak_nits=1000.0)
    with pytest.raises(UsageError, match="Primaries 'x' are not known"):
        picture.hdr_code_to_nits(CODE, transfer="pq", primaries="x", hlg_peak_nits=1000.0)
    with pytest.raises(UsageError, match="must be a number above 0; got 0"):
        picture.sdr_code_to_nits(CODE, white_nits=0.0, gamma=2.4)
    with pytest.raises(UsageError, match="must be a number above 0; got -1"):
        picture.sdr_code_to_nits(CODE, white_nits=100.0, gamma=-1.0)
    with pytest.raises(UsageError, match="must have one shape"):
        picture.itp_difference(CODE, CODE[:4])


def test_display_p3_is_brought_to_bt709_as_another_library_brings_it():
    """colour-science: Display P3 (SMPTE EG 432-1, IEC 61966-2-1) to sRGB."""
    code = np.random.default_rng(4).uniform(0.4, 0.6, (40, 50, 3))
    spaces = colour.RGB_COLOURSPACES
    theirs = colour.RGB_to_RGB(code, spaces["Display P3"], spaces["sRGB"], apply_cctf_decoding=True, apply_cctf_encoding=True)
    ours, outside = picture.p3_to_bt709_code(code)
    assert ours == pytest.approx(theirs, abs=2e-4)
    assert outside == 0
    _, outside = picture.p3_to_bt709_code(np.array([[[0.0, 1.0, 0.0], [1.0, 1.0, 1.0], [0.5, 0.5, 0.5], [0.0, 0.0, 0.0]]]))
    assert outside == 0.25


# ---------------------------------------------------------------- parts of pictures for the measures


WIDE = np.concatenate([np.geomspace(1e-16, 2e4, 30_000), [0, -1, np.nan, np.inf, 1e4, 9999.999]]).astype(np.float32)
MIXED = np.stack([WIDE, WIDE[::-1], np.roll(WIDE, 7)], -1)[None]


def test_planes_hold_the_very_values_of_the_picture():
    whole = picture.nits_to_itp(MIXED)
    assert np.array_equal(np.moveaxis(picture.nits_to_itp_planes(MIXED), 0, -1), whole)
    assert np.array_equal(picture.nits_to_intensity(MIXED), whole[..., 0])
    out = np.empty((3, 1, WIDE.size), np.float32)
    assert picture.nits_to_itp_planes(MIXED, out=out) is out
    assert np.array_equal(np.moveaxis(out, 0, -1), whole)


def test_a_gain_and_a_veil_are_those_of_the_light():
    found = picture.nits_to_itp_planes(NITS, gain=1.7, veil_nits=0.05)
    exact = picture.nits_to_itp(NITS * np.float32(1.7) + np.float32(0.05))
    assert np.abs(np.moveaxis(found, 0, -1) - exact).max() * 720 < 0.002


def test_mixes_as_pq_agree_with_the_exact_form():
    weights = (0.2627, 0.6780, 0.0593)
    exact = nits_to_pq(np.maximum(NITS.astype(np.float64) @ weights, 0)) * 720
    assert np.abs(picture.mix_to_pq_jnd(NITS, weights) - exact).max() < 0.002
    below = picture.mix_to_pq_jnd(NITS, (1.0, -20.0, 0.0))
    assert below.min() == pytest.approx(720 * nits_to_pq(0.0), abs=1e-4)


@pytest.mark.parametrize("function", [picture.nits_to_itp_planes, picture.nits_to_intensity])
def test_parts_refuse_what_is_no_picture(function):
    with pytest.raises(UsageError, match=r"A picture is \(row, column, 3\)"):
        function(np.zeros((4, 4)))
