import numpy as np
import pytest

from pairdiff._errors import UsageError
from pairdiff.light.transfer import (
    bt1886_to_nits,
    hlg_black_lift,
    hlg_inverse_oetf,
    hlg_oetf,
    hlg_ootf,
    hlg_system_gamma,
    hlg_to_nits,
    linear_to_srgb,
    nits_to_bt1886,
    nits_to_hlg,
    nits_to_pq,
    pq_to_nits,
    srgb_to_linear,
)

SIGNAL = np.linspace(0, 1, 1001)


def test_pq_is_held_at_both_ends():
    assert pq_to_nits([-0.1, 0, 1, 1.0902, 1.5]).tolist() == [0, 0, 10000, 10000, 10000]
    assert nits_to_pq([-5, 0]).tolist() == [nits_to_pq(0)] * 2
    assert nits_to_pq([10000, 20000]).tolist() == [1, 1]


def test_pq_comes_back():
    assert nits_to_pq(pq_to_nits(SIGNAL[1:])) == pytest.approx(SIGNAL[1:], abs=1e-12)


def test_pq_rises_everywhere():
    assert np.all(np.diff(pq_to_nits(SIGNAL)) > 0)


def test_hlg_oetf_comes_back_and_keeps_super_white():
    assert hlg_oetf(hlg_inverse_oetf(np.linspace(0, 1.09, 500))) == pytest.approx(np.linspace(0, 1.09, 500), abs=1e-7)
    assert hlg_inverse_oetf(1.09) > 1.6


def test_hlg_below_black_counts_as_black():
    assert hlg_inverse_oetf(-0.05) == 0
    assert hlg_oetf(-0.05) == 0


@pytest.mark.parametrize("peak_nits", [200.0, 334.0, 400.0, 1000.0, 2000.0, 4000.0])
@pytest.mark.parametrize("black_nits", [0.0, 0.05])
def test_hlg_comes_back_on_any_display(peak_nits, black_nits):
    rgb = np.random.default_rng(2).uniform(0.02, 1.05, (200, 3))
    shown = hlg_to_nits(rgb, peak_nits=peak_nits, black_nits=black_nits)
    assert nits_to_hlg(shown, peak_nits=peak_nits, black_nits=black_nits) == pytest.approx(rgb, abs=1e-6)


def test_hlg_gamma_acts_on_luminance_not_on_components():
    """A gamma on each component would show every full primary at the peak."""
    assert hlg_to_nits(np.eye(3)).max(axis=1) == pytest.approx([765.406, 925.222, 568.344], abs=1e-3)


def test_hlg_white_is_the_peak_of_its_display_and_super_white_lies_above():
    assert hlg_to_nits([1, 1, 1], peak_nits=600) == pytest.approx([600] * 3, rel=1e-6)
    assert hlg_to_nits([1.09] * 3, peak_nits=600)[0] > 900


def test_hlg_black_is_black_where_gamma_is_below_one():
    assert hlg_system_gamma(100) < 1
    assert hlg_to_nits([[0, 0, 0], [0, 0.5, 0]], peak_nits=100)[0].tolist() == [0, 0, 0]


def test_hlg_gamma_uses_note_5f_inside_400_to_2000_and_the_extended_form_outside():
    assert hlg_system_gamma(400) == pytest.approx(1.0329, abs=5e-5)
    assert hlg_system_gamma(399) == hlg_system_gamma(399, extended=True)
    assert hlg_system_gamma(4000) == pytest.approx(1.4812, abs=5e-5)
    assert hlg_system_gamma(400, extended=True) - hlg_system_gamma(400) == pytest.approx(0.011, abs=5e-4)


def test_hlg_black_lift_puts_black_on_the_display_black():
    assert hlg_to_nits([0, 0, 0], peak_nits=1000, black_nits=0.05) == pytest.approx([0.05] * 3)
    assert hlg_black_lift(1000, 0) == 0


def test_ootf_scales_light_by_luminance_to_gamma_less_one():
    assert hlg_ootf([0.5, 0.5, 0.5]) == pytest.approx([1000 * 0.5**1.2] * 3)


def test_sdr_super_white_is_brighter_than_white():
    assert bt1886_to_nits(238 / 219) == pytest.approx(122.1009, abs=1e-4)
    assert bt1886_to_nits(-0.05) == 0


@pytest.mark.parametrize("black_nits", [0.0, 0.1])
def test_bt1886_comes_back_and_meets_its_ends(black_nits):
    form = {"white_nits": 180.0, "gamma": 2.2, "black_nits": black_nits}
    assert nits_to_bt1886(bt1886_to_nits(SIGNAL, **form), **form) == pytest.approx(SIGNAL, abs=1e-12)
    assert bt1886_to_nits([0, 1], **form) == pytest.approx([black_nits, 180])


def test_srgb_comes_back_and_runs_straight_below_black():
    signal = np.linspace(-0.1, 1.2, 300)
    assert linear_to_srgb(srgb_to_linear(signal)) == pytest.approx(signal, abs=1e-6)
    assert srgb_to_linear(-0.1) == pytest.approx(-0.1 / 12.92)


@pytest.mark.parametrize("function", [pq_to_nits, nits_to_pq, hlg_oetf, hlg_inverse_oetf, bt1886_to_nits, srgb_to_linear, linear_to_srgb])
def test_any_shape_goes_in_and_float64_comes_out(function):
    picture = np.full((2, 3, 4, 3), 0.4, np.float32)
    assert function(picture).shape == picture.shape
    assert function(picture).dtype == np.float64
    assert function(0.4).shape == ()


@pytest.mark.parametrize("function", [hlg_to_nits, nits_to_hlg, hlg_ootf])
def test_hlg_needs_three_components(function):
    with pytest.raises(UsageError, match=r"last axis must hold R, G and B; the array has shape \(2,\)"):
        function([0.1, 0.2])
    assert function(np.zeros((4, 5, 3))).shape == (4, 5, 3)


@pytest.mark.parametrize("peak", [0.0, -1.0, float("nan"), float("inf")])
def test_displays_without_peak_are_refused(peak):
    with pytest.raises(UsageError, match="must be a number above 0"):
        hlg_system_gamma(peak)
    with pytest.raises(UsageError, match="must be a number above 0"):
        bt1886_to_nits(0.5, white_nits=peak)


def test_displays_with_impossible_black_or_gamma_are_refused():
    with pytest.raises(UsageError, match="below its peak of 100 cd/m2; got 100"):
        bt1886_to_nits(0.5, white_nits=100, black_nits=100)
    with pytest.raises(UsageError, match=r"must be 0 or more .* got -1"):
        hlg_to_nits([0, 0, 0], black_nits=-1)
    with pytest.raises(UsageError, match="gamma must be a number above 0; got 0"):
        nits_to_bt1886(5, gamma=0)
