"""The exact functions against two other libraries on 10 000 random values: colour-science 0.4.7 and coloraide 8.13.1 when written."""

import warnings

import numpy as np
import pytest

from pairdiff.light import ictcp, primaries, transfer

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # colour-science warns on import about optional parts that are absent
    colour = pytest.importorskip("colour", reason="colour-science is a test dependency")
coloraide = pytest.importorskip("coloraide", reason="coloraide is a test dependency")

RNG = np.random.default_rng(10)
SIGNAL = RNG.uniform(0, 1, 10_000)
NITS = 10 ** RNG.uniform(-3, 4, 10_000)
RGB_NITS, OTHER_RGB_NITS = 10 ** RNG.uniform(-2, 3.5, (2, 10_000, 3))
NAMES = {"bt709": "ITU-R BT.709", "p3-d65": "P3-D65", "bt2020": "ITU-R BT.2020"}


def test_pq_is_that_of_colour_science():
    assert transfer.pq_to_nits(SIGNAL) == pytest.approx(colour.models.eotf_ST2084(SIGNAL), rel=1e-9, abs=1e-12)
    assert transfer.nits_to_pq(NITS) == pytest.approx(colour.models.eotf_inverse_ST2084(NITS), abs=1e-12)


@pytest.mark.filterwarnings("ignore:invalid value encountered in log")  # colour-science takes the log before choosing the branch
def test_hlg_is_that_of_colour_science():
    assert transfer.hlg_oetf(SIGNAL) == pytest.approx(colour.models.oetf_BT2100_HLG(SIGNAL), abs=1e-8)
    assert transfer.hlg_inverse_oetf(SIGNAL) == pytest.approx(colour.models.oetf_inverse_BT2100_HLG(SIGNAL), abs=1e-8)
    rgb = RNG.uniform(0, 1, (10_000, 3))
    for black in (0.0, 0.05):
        theirs = colour.models.eotf_BT2100_HLG(rgb, L_B=black, L_W=1000)
        assert transfer.hlg_to_nits(rgb, peak_nits=1000, black_nits=black) == pytest.approx(theirs, rel=1e-5, abs=1e-6)


def test_bt1886_is_that_of_colour_science():
    for black in (0.0, 0.1):
        theirs = colour.models.eotf_BT1886(SIGNAL, L_B=black, L_W=100)
        assert transfer.bt1886_to_nits(SIGNAL, black_nits=black) == pytest.approx(theirs, rel=1e-9, abs=1e-12)


def test_srgb_is_that_of_colour_science():
    assert transfer.srgb_to_linear(SIGNAL) == pytest.approx(colour.models.eotf_sRGB(SIGNAL), abs=1e-9)
    assert transfer.linear_to_srgb(SIGNAL) == pytest.approx(colour.models.eotf_inverse_sRGB(SIGNAL), abs=1e-6)


@pytest.mark.parametrize("source", NAMES)
@pytest.mark.parametrize("target", NAMES)
def test_primaries_are_those_of_colour_science(source, target):
    theirs = [colour.RGB_COLOURSPACES[NAMES[name]] for name in (source, target)]
    one, two = (colour.RGB_Colourspace(space.name, space.primaries, space.whitepoint) for space in theirs)
    for space in (one, two):
        space.use_derived_transformation_matrices(True)
    expected = RGB_NITS @ (two.matrix_XYZ_to_RGB @ one.matrix_RGB_to_XYZ).T
    assert primaries.convert_primaries(RGB_NITS, source=source, target=target) == pytest.approx(expected, rel=1e-9, abs=1e-8)


def test_ictcp_and_its_difference_are_those_of_colour_science():
    first, second = RGB_NITS, OTHER_RGB_NITS
    ours = [ictcp.nits_to_ictcp(v) for v in (first, second)]
    theirs = [colour.RGB_to_ICtCp(v) for v in (first, second)]
    assert ours[0] == pytest.approx(theirs[0], abs=1e-10)
    assert ictcp.delta_e_itp(*ours) == pytest.approx(colour.difference.delta_E_ITP(*theirs), rel=1e-8)


def test_ictcp_difference_and_pq_are_those_of_coloraide():
    """coloraide's `rec2020-linear` is relative to a white of 203 cd/m2 when it makes ICtCp."""
    from coloraide.everything import ColorAll

    rgb = RNG.uniform(0.01, 1, (10_000, 3))
    ours = ictcp.nits_to_ictcp(rgb * 203)
    colors = [ColorAll("rec2020-linear", list(v)) for v in rgb]
    theirs = np.array([c.convert("ictcp").coords() for c in colors])
    assert ours == pytest.approx(theirs, abs=2e-6)
    differences = np.array([a.delta_e(b, method="itp") for a, b in zip(colors, [*colors[1:], colors[0]], strict=True)])
    assert ictcp.delta_e_itp(ours, np.roll(ours, -1, axis=0)) == pytest.approx(differences, abs=2e-3)
    coded = np.array([c.convert("rec2100-pq").coords() for c in colors])
    assert transfer.nits_to_pq(rgb * 203) == pytest.approx(coded, abs=2e-6)


def test_primaries_and_srgb_are_those_of_coloraide():
    from coloraide.everything import ColorAll

    rgb = RNG.uniform(0, 1, (10_000, 3))
    theirs = np.array([ColorAll("srgb", list(v)).convert("rec2020-linear").coords() for v in rgb])
    ours = primaries.convert_primaries(transfer.srgb_to_linear(rgb), source="bt709", target="bt2020")
    assert ours == pytest.approx(theirs, abs=2e-7)
