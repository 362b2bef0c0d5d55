"""Shadow detail against planted truth: what an SDR grade crushes and an HDR grade keeps; levels and limits are our own."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from pairdiff import Settings, compare_pictures
from pairdiff._records import Setup, SetupUncertainty, Shadows
from pairdiff.score.shadows import (
    SHADOW_FACTORS,
    STRAY_LIGHT_SHARE,
    PictureShadows,
    count_dark,
    find_darkest_code,
    measure_dark_detail,
    pool_shadows,
)
from tests.score._pairs import make_pair, make_signal, relabel

SETTINGS = Settings()
CONTROLS = Setup("controls", 150.0, 2.4, False, SetupUncertainty(1.0, 0.01), None, None)
DARK = np.s_[45:, :80]
"""A quarter of the picture."""
PPD = 28.0


def make_dark(seed: int = 0, *, middle: float = 0.06, swing: float = 0.03) -> NDArray[np.float32]:
    """A signal whose lower left quarter is dark and textured, a few pixels coarse."""
    signal = make_signal(seed, mean=0.5)
    texture = gaussian_filter(np.random.default_rng(seed + 50).normal(size=signal.shape[:2]), 3)
    dark = middle + swing * texture / texture.std()
    signal[DARK] = np.clip(dark, 0, 0.2)[DARK][..., None]
    return signal


def crush(signal: NDArray[np.float32], below: float = 0.2) -> NDArray[np.float32]:
    """What an SDR release keeps if it cuts the dark quarter to black, in 8-bit codes."""
    cut = signal.copy()
    cut[DARK] = 0
    cut[signal < below / 20] = 0
    return np.asarray(np.round(cut * 219) / 219, np.float32)


def measure(hdr_nits: NDArray[np.float32], sdr: NDArray[np.float32], settings: Settings = SETTINGS) -> PictureShadows:
    darkest = find_darkest_code(count_dark(sdr))
    return measure_dark_detail(hdr_nits, sdr, darkest=darkest, controls=CONTROLS, pixels_per_degree=PPD, settings=settings)


def at_limit(found: PictureShadows) -> float:
    return found.gained_by_limit[SHADOW_FACTORS.index(1.0)]


def test_texture_that_the_sdr_crushes_is_found():
    signal = make_dark()
    found = measure(relabel(signal, white_nits=150), crush(signal))
    assert found.dark_share == pytest.approx(0.25, abs=0.06)
    assert found.gain_jnd is not None
    assert found.gain_jnd > 2
    assert 0.1 < at_limit(found) <= found.dark_share


def test_a_relabelled_picture_gains_nothing_however_dark_it_is():
    sdr = crush(make_dark())
    assert at_limit(measure(relabel(sdr, white_nits=150), sdr)) == 0


def test_an_even_lift_of_black_is_no_detail():
    sdr = crush(make_dark())
    assert measure(relabel(sdr, white_nits=150) + np.float32(0.2), sdr).gain_jnd == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize("coarse_pixels", [0.0, 1.0])
def test_grain_alone_is_no_detail(coarse_pixels: float):
    sdr = crush(make_dark())
    grain = gaussian_filter(np.random.default_rng(9).normal(size=sdr.shape[:2]), coarse_pixels)
    grainy = np.clip(sdr + (4 / 219 * grain / grain.std())[..., None], 0, 1).astype(np.float32)
    assert at_limit(measure(relabel(grainy, white_nits=150), sdr)) == 0


def faint(seed: int = 5) -> NDArray[np.float32]:
    """A night of next to no light, in the SDR's lowest three codes: no stray light hides what a set's gamma does to them."""
    texture = gaussian_filter(np.random.default_rng(seed).normal(size=(90, 160)), 3)
    codes = np.clip(np.round(1 + texture / texture.std()), 0, 2) / 219
    return np.repeat(codes[..., None], 3, axis=2).astype(np.float32)


def test_what_another_gamma_of_the_set_shows_as_well_is_no_gain():
    sdr = faint()
    found = measure(relabel(sdr, white_nits=150, gamma=SETTINGS.gamma_low), sdr)
    assert found.gain_jnd == 0
    assert found.gamma_jnd is not None
    assert found.gamma_jnd > 1


def test_a_gain_no_larger_than_what_gamma_moves_it_by_is_no_claim():
    sdr = faint()
    found = measure(relabel(sdr, white_nits=150, gamma=1.98), sdr)
    assert found.gain_jnd == 0
    assert at_limit(found) == 0
    assert at_limit(measure(relabel(sdr, white_nits=150, gamma=1.4), sdr)) > 0.1


def test_pixel_noise_of_the_hdr_release_is_taken_off():
    sdr = crush(make_dark())
    sdr[:, 80:] = 0.05  # no bright half whose stray light hides it
    light = relabel(sdr, white_nits=150)
    noisy = light + 0.4 * np.abs(np.random.default_rng(6).normal(size=(90, 160, 1)))
    assert at_limit(measure(noisy, sdr)) == 0  # 0.2 of the picture where nothing is taken off


def test_the_rim_of_a_dark_part_where_a_soft_copy_lets_light_in_is_left_out():
    sdr = crush(make_dark())
    soft = gaussian_filter(relabel(sdr, white_nits=150), (1.2, 1.2, 0))
    assert at_limit(measure(soft, sdr)) < 0.01


def test_the_gain_grows_with_the_texture_and_the_light_beside_it_hides_it():
    gains, beside = [], []
    for swing in (0.01, 0.02, 0.04):
        signal = make_dark(swing=swing)
        gains.append(measure(relabel(signal, white_nits=150), crush(signal)).gain_jnd)
    signal = make_dark()
    for times in (1, 4, 16):
        light = relabel(signal, white_nits=150)
        light[:, 80:] *= times
        beside.append(measure(light, crush(signal)).gain_jnd)
    assert gains == sorted(gains)
    assert beside == sorted(beside, reverse=True)
    assert beside[0] > 1.5 * beside[2]


def test_stray_light_is_the_glare_formula_summed_over_the_field():
    # L_veil = 10 E / theta^2, E = L cos(theta) dOmega: Stiles and Holladay, CIE 146:2002 (from memory), 5 to 30 degrees
    theta = np.linspace(5, 30, 20000)
    ring = 2 * np.pi * np.sin(np.radians(theta)) * np.cos(np.radians(theta)) * np.radians(theta[1] - theta[0])
    assert (10 / theta**2 * ring).sum() == pytest.approx(STRAY_LIGHT_SHARE, abs=0.005)


def test_a_picture_that_is_never_dark_and_one_with_lifted_black():
    assert find_darkest_code(count_dark(np.full((90, 160, 3), 0.3, np.float32))) is None
    signal = crush(make_dark())
    assert find_darkest_code(count_dark(signal)) == pytest.approx(0, abs=0.003)
    lifted = 0.03 + 0.97 * signal
    assert find_darkest_code(count_dark(lifted)) == pytest.approx(0.03, abs=0.003)
    light = relabel(make_dark(), white_nits=150)
    assert at_limit(measure(light, np.asarray(lifted, np.float32))) > 0.1


def test_specks_are_no_dark_part_and_darkest_counts_add_up():
    signal = make_signal(3, mean=0.6)
    specks = np.random.default_rng(1).random(signal.shape[:2]) < 0.02
    signal[specks] = 0
    assert measure(relabel(signal, white_nits=150), signal).dark_share == 0
    counts = count_dark(signal)
    assert counts[-1] == signal.shape[0] * signal.shape[1]
    assert counts[:-1].sum() <= counts[-1]


def pool(dark: list[float], gained: list[float]) -> Shadows:
    pairs = [
        make_pair(dark_share=d, shadow_gain_jnd=3.0 if d else None, shadow_gamma_jnd=0.1 if d else None, shadow_gained_share=g)
        for d, g in zip(dark, gained, strict=True)
    ]
    return pool_shadows(pairs, weights=np.ones(len(pairs)), settings=SETTINGS)


def test_a_film_without_dark_parts_is_not_applicable_never_zero():
    assert pool([0.0] * 20, [0.0] * 20).status == "not_applicable"
    assert pool([0.0] * 20, [0.0] * 20).gain_jnd is None
    assert pool([0.0] * 19 + [0.3], [0.0] * 19 + [0.2]).status == "not_applicable"  # one picture in twenty is under a tenth


def test_a_tenth_of_the_time_is_enough_to_be_told():
    found = pool([0.0] * 16 + [0.3] * 4, [0.0] * 16 + [0.05, 0.2, 0.2, 0.2])
    assert found.status == "measured"
    assert found.gained_share == pytest.approx(0.2)
    assert found.gain_jnd == pytest.approx(3.0)
    assert found.dark_share == pytest.approx(0.06)


def test_crushed_shadows_move_axis_and_label_and_are_named():
    stack = [make_dark(seed) for seed in range(4)]
    hdr = np.stack([relabel(one, white_nits=150) for one in stack])
    sdr = np.stack([crush(one) for one in stack])
    found = compare_pictures(hdr, sdr, pixels_per_degree=PPD)
    assert found.verdict.axes["shadows"] == "clearly_more"
    assert found.verdict.label == "wider-range"
    assert any(reason.startswith("Shadows: where the SDR lies within 2 codes") for reason in found.verdict.reasons)
    same = compare_pictures(np.stack([relabel(one, white_nits=150) for one in sdr]), sdr, pixels_per_degree=PPD)
    assert same.verdict.axes["shadows"] == "same"
    assert same.verdict.label == "sdr-in-hdr-container"
