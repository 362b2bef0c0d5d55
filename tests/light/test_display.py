import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline

from pairdiff._errors import UsageError
from pairdiff.light.display import PRESETS, SPACES, add_veil, apply_eetf, eetf, eetf_code, eetf_knee, show_hdr, veil_nits
from pairdiff.light.transfer import nits_to_pq, pq_to_nits

PAIRS = [(4000.0, 1000.0), (4000.0, 600.0), (1000.0, 600.0), (10000.0, 350.0), (4000.0, 100.0)]
NITS = np.concatenate([[0.0], np.geomspace(0.001, 10000, 500)])


@pytest.mark.parametrize(("source", "target"), PAIRS)
def test_curve_is_the_hermite_spline_of_scipy(source, target):
    """scipy CubicHermiteSpline through the knee (slope 1) and the peak (slope 0), in signal normalised to the source."""
    low, high, top = nits_to_pq([0, source, target])
    peak = (top - low) / (high - low)
    knee = 1.5 * peak - 0.5
    spline = CubicHermiteSpline([knee, 1], [knee, peak], [1, 0])
    normal = np.linspace(knee, 1, 300)
    found = (eetf_code(normal * (high - low) + low, source_peak_nits=source, target_peak_nits=target) - low) / (high - low)
    assert found == pytest.approx(spline(normal), abs=1e-12)


@pytest.mark.parametrize(("source", "target"), PAIRS)
def test_light_below_the_knee_is_untouched_and_the_peak_lands_on_the_peak(source, target):
    knee = eetf_knee(source_peak_nits=source, target_peak_nits=target).knee_nits
    below = NITS[(knee > NITS) & (NITS > 0)]
    assert eetf(below, source_peak_nits=source, target_peak_nits=target) == pytest.approx(below, rel=1e-9)
    assert eetf([0, source], source_peak_nits=source, target_peak_nits=target) == pytest.approx([0, target])


@pytest.mark.parametrize(("source", "target"), PAIRS)
def test_curve_never_falls_and_never_brightens(source, target):
    shown = eetf(NITS, source_peak_nits=source, target_peak_nits=target)
    assert np.all(np.diff(shown) > -1e-9)
    assert np.all(shown <= NITS * (1 + 1e-9))
    assert shown.max() == pytest.approx(target)


def test_target_as_bright_as_the_source_changes_nothing():
    for target in (1000.0, 4000.0):
        shown = eetf(NITS, source_peak_nits=1000.0, target_peak_nits=target)
        assert shown == pytest.approx(NITS, rel=1e-9)


def test_target_black_lifts_black_and_leaves_white():
    shown = eetf([0, 4000], source_peak_nits=4000, target_peak_nits=1000, target_black_nits=0.05)
    assert shown == pytest.approx([0.05, 1000.33], abs=0.005)


def test_largest_component_keeps_the_ratio_of_the_others():
    rgb = np.random.default_rng(6).uniform(0.1, 4000, (100, 3))
    shown = apply_eetf(rgb, source_peak_nits=4000, target_peak_nits=600)
    assert shown / shown.max(axis=1, keepdims=True) == pytest.approx(rgb / rgb.max(axis=1, keepdims=True))
    assert shown.max() <= 600 * (1 + 1e-12)


@pytest.mark.parametrize("space", SPACES)
def test_every_space_treats_grey_as_the_curve_does(space):
    nits = np.geomspace(1, 4000, 30)
    shown = apply_eetf(np.repeat(nits[:, None], 3, axis=1), source_peak_nits=4000, target_peak_nits=1000, space=space)
    expected = eetf(nits, source_peak_nits=4000, target_peak_nits=1000)
    assert shown == pytest.approx(np.repeat(expected[:, None], 3, axis=1), rel=1e-6)


@pytest.mark.parametrize("space", ["max-rgb", "rgb"])
def test_two_spaces_stay_below_the_target_peak(space):
    shown = apply_eetf([[2000, 500, 100], [4000, 0, 0]], source_peak_nits=4000, target_peak_nits=1000, space=space)
    assert shown.max() <= 1000 * (1 + 1e-9)


@pytest.mark.parametrize("space", SPACES)
def test_black_stays_black_without_target_black(space):
    shown = apply_eetf(np.zeros((2, 2, 3)), source_peak_nits=4000, target_peak_nits=1000, space=space)
    assert shown == pytest.approx(0, abs=1e-9)


def test_presets_are_reference_and_three_home_sets_with_reasons():
    assert set(PRESETS) >= {"reference", "self-emissive", "lcd-bright", "lcd-dim"}
    for name, display in PRESETS.items():
        assert display.name == name
        assert 0 <= display.black_nits < display.peak_nits <= 10000
        assert display.full_field_nits is None or display.full_field_nits <= display.peak_nits
        assert len(display.reasoning) > 60
        assert display.origin


def test_reference_shows_every_release_as_it_is():
    rgb = np.random.default_rng(7).uniform(0, 10000, (5, 5, 3))
    shown = show_hdr(rgb, display=PRESETS["reference"], source_peak_nits=10000)
    assert np.array_equal(shown, rgb)
    assert shown is not rgb


def test_home_set_rolls_off_only_what_is_brighter_than_it():
    rgb = np.full((1, 1, 3), 900.0)
    set_ = PRESETS["self-emissive"]
    assert np.array_equal(show_hdr(rgb, display=set_, source_peak_nits=set_.peak_nits), rgb)
    assert show_hdr(rgb, display=set_, source_peak_nits=1000)[0, 0, 0] < set_.peak_nits
    assert show_hdr(rgb, display=set_, source_peak_nits=1000) == pytest.approx(
        apply_eetf(rgb, source_peak_nits=1000, target_peak_nits=set_.peak_nits, space="max-rgb")
    )


@pytest.mark.parametrize("display", PRESETS.values(), ids=PRESETS)
def test_veil_is_neutral_and_the_same_everywhere(display):
    rgb = np.random.default_rng(8).uniform(0, 500, (4, 5, 3))
    added = add_veil(rgb, display=display, ambient_lux=50) - rgb
    assert added == pytest.approx(np.full_like(added, veil_nits(display, 50)))


def test_veil_is_black_plus_reflected_room_light():
    """A diffuse reflector of reflectance r under E lux has r E / pi cd/m2."""
    display = PRESETS["lcd-dim"]
    assert veil_nits(display, 0) == display.black_nits
    assert veil_nits(display, 100) == pytest.approx(0.1 + 0.02 * 100 / 3.14159265, rel=1e-6)


def test_veil_keeps_float32():
    assert add_veil(np.zeros((2, 2, 3), np.float32), display=PRESETS["lcd-dim"], ambient_lux=5).dtype == np.float32
    assert show_hdr(np.zeros((2, 2, 3), np.float32), display=PRESETS["lcd-dim"], source_peak_nits=1000).dtype == np.float64
    assert eetf(np.zeros((2, 4)), source_peak_nits=1000, target_peak_nits=400).shape == (2, 4)


def test_code_form_is_the_light_form():
    code = np.linspace(0, 1, 50)
    found = eetf_code(code, source_peak_nits=4000, target_peak_nits=600)
    assert pq_to_nits(found) == pytest.approx(eetf(pq_to_nits(code), source_peak_nits=4000, target_peak_nits=600), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("ends", "words"),
    [
        ({"source_peak_nits": 0, "target_peak_nits": 100}, "The source must go from a black"),
        ({"source_peak_nits": 12000, "target_peak_nits": 100}, "peak of at most 10 000 cd/m2; got 0.0 to 12000"),
        ({"source_peak_nits": 1000, "target_peak_nits": 100, "target_black_nits": 100}, "The target must go from a black"),
        ({"source_peak_nits": 1000, "target_peak_nits": float("nan")}, "The target must go from a black"),
        ({"source_peak_nits": 10000, "target_peak_nits": 5}, "too low for a source peak of 10000 cd/m2.*Give a brighter display"),
    ],
)
def test_ends_that_cannot_be_are_refused(ends, words):
    with pytest.raises(UsageError, match=words):
        eetf(1.0, **ends)


def test_unknown_space_wrong_axis_and_negative_room_light_are_refused():
    with pytest.raises(UsageError, match="Application space 'lab' is not known; use one of max-rgb"):
        apply_eetf([1, 1, 1], source_peak_nits=1000, target_peak_nits=600, space="lab")
    with pytest.raises(UsageError, match=r"the array has shape \(2,\)"):
        apply_eetf([1, 1], source_peak_nits=1000, target_peak_nits=600)
    with pytest.raises(UsageError, match="Room light must be 0 lux or more; got -1"):
        add_veil(np.zeros((1, 1, 3)), display=PRESETS["reference"], ambient_lux=-1)
