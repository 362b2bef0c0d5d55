from dataclasses import replace

import colour
import numpy as np
import pytest

from pairdiff._settings import Settings
from pairdiff.light.picture import nits_to_itp, sdr_code_to_nits
from pairdiff.score import _setup_kernels
from pairdiff.score.pooling import ShotDraws
from pairdiff.score.setup import (
    FitSample,
    _fit_fitted_part,
    fit_controls,
    fit_free,
    fit_gain,
    fit_setups,
    flat_noise_jnd,
    leave_out_top,
    lift_signal,
    sample_pixels,
)
from tests.score._pairs import make_signal, relabel

SETTINGS = Settings(support_draws=60)


def intensity(nits):
    return colour.RGB_to_ICtCp(nits)[..., 0]


def make_sample(hdr_of, *, pictures=4, top=1.0, noise=0.0, shots=None):
    """Pixels of a few pictures whose HDR light is `hdr_of(signal)`; intensities by colour-science."""
    signals = np.stack([make_signal(seed, top=top)[::7, ::7].reshape(-1, 3) for seed in range(pictures)]).astype(np.float64)
    values = intensity(hdr_of(signals)) + noise / 720 * np.random.default_rng(1).normal(size=signals.shape[:2])
    owner = np.repeat(np.arange(pictures), signals.shape[1])
    return FitSample(values.reshape(-1), signals.reshape(-1, 3), owner, np.arange(pictures) if shots is None else np.array(shots), noise)


def container(white, gamma):
    return lambda signal: relabel(signal, white_nits=white, gamma=gamma)


@pytest.mark.parametrize("white", [48.0, 73.0, 100.0, 203.0, 300.0])
@pytest.mark.parametrize("gamma", [2.0, 2.27, 2.6])
def test_a_relabelled_sdr_is_fitted_back(white, gamma):
    found_white, found_gamma, at_bound = fit_controls(make_sample(container(white, gamma)), SETTINGS)
    assert found_white == pytest.approx(white, rel=0.01)
    assert found_gamma == pytest.approx(gamma, abs=0.03)
    assert at_bound == (white in (48.0, 300.0) or gamma in (2.0, 2.6))


@pytest.mark.parametrize(("white", "gamma"), [(290.0, 2.05), (295.0, 2.1), (290.0, 2.3), (50.0, 2.55)])
def test_a_set_near_the_corner_of_its_reach_is_found_and_not_taken_for_its_edge(white, gamma):
    def coded(signal):
        light = relabel(np.round(signal * 219) / 219, white_nits=white, gamma=gamma)
        return colour.models.eotf_ST2084(np.round(colour.models.eotf_inverse_ST2084(light) * 876) / 876)

    found_white, found_gamma, at_bound = fit_controls(make_sample(coded), SETTINGS)
    assert found_white == pytest.approx(white, rel=0.01)
    assert found_gamma == pytest.approx(gamma, abs=0.01)
    assert not at_bound


@pytest.mark.parametrize(("white", "gamma"), [(30.0, 2.4), (1000.0, 2.4), (150.0, 2.9), (150.0, 1.7)])
def test_beyond_its_reach_the_set_is_the_best_point_of_its_edge(white, gamma):
    sample = make_sample(container(white, gamma))
    found = fit_controls(sample, SETTINGS)
    assert found[2]

    def left(white, gamma):
        light = sdr_code_to_nits(sample.sdr_code[None].astype(np.float32), white_nits=white, gamma=gamma)
        return float(np.abs(sample.hdr_intensity - intensity(light[0].astype(np.float64))).mean())

    edges = [(w, g) for w in np.geomspace(48, 300, 25) for g in np.linspace(2, 2.6, 13)]
    assert left(*found[:2]) <= min(left(*point) for point in edges) + 1e-5


def test_refitted_sets_are_bound_as_the_fit_is():
    sample = make_sample(container(200.0, 3.0))
    fits = fit_setups(sample, SETTINGS)
    controls = fits.named("controls")
    assert controls.gamma == pytest.approx(SETTINGS.gamma_high)
    assert fits.draws[:, 1].max() <= SETTINGS.gamma_high
    assert np.median(fits.draws[:, 0]) == pytest.approx(controls.white_nits, rel=0.02)


def test_noise_and_rounding_do_not_move_the_fit():
    def rounded(signal):
        return relabel(np.round(signal * 219) / 219, white_nits=140.0, gamma=2.3)

    white, gamma, _ = fit_controls(make_sample(rounded, noise=3.0), SETTINGS)
    assert white == pytest.approx(140, rel=0.01)
    assert gamma == pytest.approx(2.3, abs=0.03)


def test_a_tenth_of_highlights_that_no_set_follows_moves_white_by_little():
    def with_highlights(signal):
        nits = relabel(signal, white_nits=120.0)
        return np.where(signal.max(-1, keepdims=True) > np.quantile(signal.max(-1), 0.9), nits * 4, nits)

    white, gamma, _ = fit_controls(make_sample(with_highlights), SETTINGS)
    assert white == pytest.approx(120, rel=0.03)
    assert gamma == pytest.approx(2.4, abs=0.05)


@pytest.mark.parametrize("factor", [0.6, 1.5, 2.0])
def test_hdr_light_scaled_scales_the_white(factor):
    sample = make_sample(container(100.0, 2.3))
    scaled = make_sample(lambda signal: factor * relabel(signal, white_nits=100.0, gamma=2.3))
    first, second = fit_controls(sample, SETTINGS), fit_controls(scaled, SETTINGS)
    assert second[0] / first[0] == pytest.approx(factor, rel=0.01)
    assert second[1] == pytest.approx(first[1], abs=0.02)
    assert fit_gain(scaled, SETTINGS)[0] / fit_gain(sample, SETTINGS)[0] == pytest.approx(factor, rel=0.01)


@pytest.mark.parametrize(("white", "gamma"), [(20.0, 2.4), (900.0, 2.4), (100.0, 1.6), (100.0, 3.2)])
def test_out_of_reach_stops_at_the_bound_and_says_so(white, gamma):
    found_white, found_gamma, at_bound = fit_controls(make_sample(container(white, gamma)), SETTINGS)
    assert at_bound
    assert 48 * (1 - 1e-9) <= found_white <= 300 * (1 + 1e-9)
    assert 2.0 <= found_gamma <= 2.6


def test_the_reach_of_the_set_is_the_one_in_the_settings():
    reach = Settings(white_low_nits=80.0, white_high_nits=90.0, gamma_low=2.2, gamma_high=2.2001)
    white, gamma, at_bound = fit_controls(make_sample(container(200.0, 2.4)), reach)
    assert white == pytest.approx(90, rel=1e-3)
    assert gamma == pytest.approx(2.2, abs=1e-3)
    assert at_bound


@pytest.mark.parametrize("white", [60.0, 100.0, 250.0])
def test_gain_finds_the_white_at_gamma_two_point_four(white):
    found, at_bound = fit_gain(make_sample(container(white, 2.4)), SETTINGS)
    assert found == pytest.approx(white, rel=0.005)
    assert not at_bound


def test_gain_looks_at_midtones_alone():
    def stretched(signal):
        return relabel(signal, white_nits=120.0) * np.where(signal.max(-1, keepdims=True) > 0.86, 6.0, 1.0)

    assert fit_gain(make_sample(stretched), SETTINGS)[0] == pytest.approx(120, rel=0.01)


@pytest.mark.parametrize(("white", "gamma"), [(20.0, 3.3), (900.0, 1.7), (100.0, 2.4), (4000.0, 1.2), (40.0, 0.9)])
def test_the_free_fit_knows_a_power_law_beyond_any_set(white, gamma):
    found = fit_free(make_sample(container(white, gamma)), SETTINGS)
    assert found.power_law
    assert found.p95_jnd < 0.5
    assert found.white_nits == pytest.approx(white, rel=0.02)
    assert found.gamma == pytest.approx(gamma, abs=0.03)


CURVES = {
    "inverse OETF of BT.709": lambda v: np.where(v < 0.081, v / 4.5, ((v + 0.099) / 1.099) ** (1 / 0.45)),  # BT.709-6 item 1.2
    "sRGB": lambda v: colour.models.eotf_sRGB(v),
    "BT.1886 with black": lambda v: colour.models.eotf_BT1886(v, L_B=0.1, L_W=100) / 100,
}


@pytest.mark.parametrize("name", CURVES)
@pytest.mark.parametrize("white", [203.0, 600.0])
def test_other_standard_curves_of_sdr_are_known_by_a_lift(name, white):
    sample = make_sample(lambda signal: relabel(CURVES[name](signal), white_nits=white, gamma=1.0))
    found = fit_free(sample, SETTINGS)
    assert found.power_law
    assert found.lift > 0.02 or name != "inverse OETF of BT.709"
    assert found.white_nits == pytest.approx(white, rel=0.06)


@pytest.mark.parametrize("raised", [0.04, 0.05])
def test_an_sdr_whose_black_is_raised_is_a_power_law_with_a_lift_below_0(raised):
    def lowered(signal):
        return relabel(np.maximum((signal - raised) / (1 - raised), 0), white_nits=1000.0, gamma=2.6)

    found = fit_free(make_sample(lowered), SETTINGS)
    assert found.power_law
    assert found.lift == pytest.approx(-raised, abs=0.01)
    assert found.white_nits == pytest.approx(1000, rel=0.03)
    assert found.gamma == pytest.approx(2.6, abs=0.05)


def test_a_lifted_signal_is_never_below_0():
    assert np.array_equal(lift_signal(np.array([-0.01, 0.02, 0.05, 1.0]), -0.05), [0, 0, 0, 1])


def test_a_shoulder_is_not_explained_by_a_lift():
    bent = make_sample(lambda s: relabel(s, white_nits=100.0) * (1 + 2 * s.max(-1, keepdims=True) ** 6))
    found = fit_free(bent, SETTINGS)
    assert not found.power_law
    assert found.lift == 0


def test_noise_without_a_sign_cancels_in_the_free_fit():
    noisy = fit_free(make_sample(container(100.0, 2.4), noise=6.0), SETTINGS)
    assert noisy.noise_jnd == 6.0
    assert noisy.power_law
    assert noisy.p95_jnd < 1.5
    bent = make_sample(lambda s: relabel(s, white_nits=100.0) * (1 + 3 * s.max(-1, keepdims=True) ** 8), noise=1.0)
    assert not fit_free(bent, SETTINGS).power_law


def test_the_kernel_agrees_with_colour_science():
    code = np.random.default_rng(2).uniform(0.001, 1.09, (500, 3))
    to_lm = np.asarray([[1688, 2146, 262], [683, 2951, 462]]) / 4096 @ (relabel(np.eye(3), white_nits=1.0, gamma=1.0).T)
    ours = _setup_kernels.sdr_intensity(np.log(code), np.ascontiguousarray(to_lm), float(np.log(137.0)), 2.31)
    assert ours == pytest.approx(intensity(relabel(code, white_nits=137.0, gamma=2.31)), abs=2e-6)


def test_every_setup_is_there_once():
    names = [setup.name for setup in fit_setups(make_sample(container(100.0, 2.4)), SETTINGS).setups]
    assert names == ["white-100", "white-203", "gamma-2.2", "gamma-2.4", "gain", "controls"]
    bench = fit_setups(make_sample(container(100.0, 2.4)), Settings(sdr_white=120.0, sdr_gamma=2.2))
    assert (bench.named("bench").white_nits, bench.named("bench").gamma) == (120.0, 2.2)
    assert bench.named("white-203").white_nits == 203


@pytest.mark.parametrize(("gamma", "wrong"), [(2.2, 2.4), (2.4, 2.2)])
def test_the_white_is_fitted_at_each_fixed_gamma(gamma, wrong):
    fits = fit_setups(make_sample(container(130.0, gamma)), SETTINGS)
    same, other = (fits.named(f"gamma-{one}") for one in (gamma, wrong))
    assert (same.white_nits, same.gamma, other.gamma) == (pytest.approx(130, rel=0.01), gamma, wrong)
    # a higher gamma darkens what lies below white, so its white must be higher to leave the least
    assert (other.white_nits - 130) * (other.gamma - gamma) > 5 * 0.2


def test_a_white_beyond_the_set_is_told_at_a_fixed_gamma():
    beyond, within = (fit_setups(make_sample(container(white, 2.2)), SETTINGS) for white in (1000.0, 130.0))
    assert beyond.named("gamma-2.2").at_bound
    assert beyond.named("gamma-2.2").white_nits == pytest.approx(SETTINGS.white_high_nits, rel=0.01)
    assert not within.named("gamma-2.2").at_bound


def test_uncertainty_grows_with_the_spread_of_shots():
    def make(spread):
        whites = 120 * 2 ** (spread * np.linspace(-1, 1, 8))
        return make_sample(lambda s: relabel(s, white_nits=1.0) * whites[:, None, None], pictures=8)

    found = [fit_setups(make(spread), SETTINGS).named("controls").uncertainty for spread in (0.0, 0.1, 0.3)]
    assert found[0].white_nits < 0.5
    assert found[0].white_nits < found[1].white_nits < found[2].white_nits
    assert found[2].white_nits > 3


def test_draws_stay_in_reach_and_about_the_fit():
    whites = 120 * 2 ** (0.2 * np.linspace(-1, 1, 8))
    sample = make_sample(lambda s: relabel(s, white_nits=1.0) * whites[:, None, None], pictures=8)
    fits = fit_setups(sample, SETTINGS)
    controls = fits.named("controls")
    assert fits.draws.shape == (60, 2)
    assert ((fits.draws[:, 0] >= 48) & (fits.draws[:, 0] <= 300)).all()
    assert np.median(fits.draws[:, 0]) == pytest.approx(controls.white_nits, rel=0.05)
    assert np.array_equal(fits.draws, fit_setups(sample, SETTINGS).draws)


def test_a_single_shot_claims_no_uncertainty():
    found = fit_setups(make_sample(container(100.0, 2.4), shots=[0, 0, 0, 0]), SETTINGS)
    assert found.named("controls").uncertainty.white_nits is None
    assert found.named("controls").uncertainty.gamma is None
    assert np.unique(found.draws, axis=0).shape == (1, 2)


def test_what_lies_near_the_top_is_left_out_of_the_set():
    def with_highlights(signal):
        nits = relabel(signal, white_nits=120.0)
        return np.where(signal.max(-1, keepdims=True) > 0.97, nits * 6, nits)

    sample = make_sample(with_highlights, top=1.0)
    level = sample.sdr_code.max(-1)
    assert leave_out_top(sample).sdr_code.max() <= 0.851 * np.quantile(level, 0.999)
    controls = fit_setups(sample, SETTINGS).named("controls")
    assert controls.white_nits == pytest.approx(120, rel=0.002)
    assert controls.gamma == pytest.approx(2.4, abs=0.005)


def test_gain_sees_its_midtones_and_not_a_part_of_them():
    def bent(signal):
        return relabel(signal, white_nits=120.0) * (1 + 3 * signal.max(-1, keepdims=True) ** 2)

    sample = make_sample(bent, top=1.0)
    wanted = fit_gain(sample, SETTINGS)[0]
    assert fit_gain(leave_out_top(sample), SETTINGS)[0] < 0.99 * wanted  # 0.85 of 0.85 of the top
    fits = fit_setups(sample, SETTINGS)
    assert fits.named("gain").white_nits == pytest.approx(wanted)
    assert np.median(fits.gain_draws) == pytest.approx(wanted, rel=0.005)


def test_a_title_that_is_nearly_all_top_is_fitted_on_all_of_it():
    sample = make_sample(container(120.0, 2.4))
    bright = replace(sample, sdr_code=np.where(np.arange(sample.sdr_code.shape[0])[:, None] % 25 == 0, sample.sdr_code, 1.0))
    assert leave_out_top(bright) is bright


def test_a_title_with_little_below_the_top_is_fitted_on_that_little():
    rng = np.random.default_rng(5)
    codes = np.concatenate([rng.uniform(0.1, 0.85, 1000), rng.uniform(0.88, 1.0, 9000)])  # snow, rolled off
    signal = np.repeat(codes[:, None], 3, 1)
    nits = relabel(signal, white_nits=120.0) * np.where(signal > 0.87, 1.8, 1)
    snow = FitSample(intensity(nits), signal, np.zeros(codes.size, int), np.zeros(1, int), 0.0)
    assert fit_setups(snow, SETTINGS).named("controls").white_nits == pytest.approx(120, rel=0.01)


def test_where_one_law_follows_every_tone_those_near_the_top_speak_too():
    # high key, what lies below 0.85 is nearly all dark; or the top is drawn up, and does not count
    rng = np.random.default_rng(5)
    codes = np.concatenate([rng.uniform(0.03, 0.2, 4000), rng.uniform(0.2, 0.87, 400), rng.uniform(0.87, 1.0, 6000)])
    signal = np.repeat(codes[:, None], 3, 1)
    light = relabel(signal, white_nits=150.0)
    for lifted, fitted in ((1.0, codes.size), (2.0, int((codes < 0.85).sum()))):
        nits = np.where(signal > 0.87, light * lifted, light)
        sample = FitSample(intensity(nits), signal, np.zeros(codes.size, int), np.zeros(1, int), 0.0)
        assert _fit_fitted_part(sample)[0].hdr_intensity.size == pytest.approx(fitted, rel=0.01)
        assert fit_setups(sample, SETTINGS).named("controls").white_nits == pytest.approx(150, rel=0.01)


def test_where_what_lies_below_holds_too_little_tone_the_next_share_of_the_top_is_taken():
    codes = np.concatenate([np.linspace(0.8, 0.82, 600), np.linspace(0.3, 0.94, 4000), np.ones(9000)])
    narrow = np.concatenate([np.linspace(0.8, 0.82, 600), np.linspace(0.86, 0.94, 4000), np.ones(9000)])
    for level, top in ((codes, 0.85), (narrow, 1.0)):
        signal = np.repeat(level[:, None], 3, 1)
        sample = FitSample(intensity(relabel(signal, white_nits=120.0)), signal, np.zeros(level.size, int), np.zeros(1, int), 0.0)
        assert leave_out_top(sample).sdr_code.max() == pytest.approx(top, abs=0.001)


def test_draws_are_those_of_the_pooling_number_by_number():
    whites = np.array([100.0, 110.0, 121.0, 133.0])
    sample = make_sample(lambda s: relabel(s, white_nits=1.0) * whites[:, None, None])
    fits, draws = fit_setups(sample, SETTINGS), ShotDraws(np.arange(4), seed=SETTINGS.seed)
    times = np.stack([draws.times(n) for n in range(60)])
    low, high = (fits.draws[times[:, shots].sum(1) >= 3, 0] for shots in ([0, 1], [2, 3]))
    assert low.size > 3 < high.size
    assert low.max() < high.min()


def test_nodes_span_the_draws():
    whites = 120 * 2 ** (0.2 * np.linspace(-1, 1, 8))
    fits = fit_setups(make_sample(lambda s: relabel(s, white_nits=1.0) * whites[:, None, None], pictures=8), SETTINGS)
    for values, draws in zip(fits.nodes, fits.draws.T, strict=True):
        assert (np.diff(values) > 0).all()
        assert values[0] <= draws.min() + 1e-9
        assert values[-1] >= draws.max() - 1e-9


def test_grain_does_not_bend_the_set():
    rng = np.random.default_rng(8)
    samples = []
    for seed in range(4):
        signal = make_signal(seed, rows=180, columns=320, mean=0.5)
        grainy = [(signal + 0.05 * rng.normal(size=signal.shape)).astype(np.float32) for _ in range(2)]
        itp = nits_to_itp(sdr_code_to_nits(grainy[0], white_nits=160.0, gamma=2.3))
        samples.append(sample_pixels(itp, grainy[1], count=1500, rng=rng))
    values, codes = (np.concatenate([sample[side] for sample in samples]) for side in (0, 1))
    found = fit_setups(FitSample(values, codes, np.repeat(np.arange(4), 1500), np.arange(4), 1.0), SETTINGS).named("controls")
    assert found.white_nits == pytest.approx(160, rel=0.03)
    assert found.gamma == pytest.approx(2.3, abs=0.06)


def test_sampled_places_belong_together_and_none_comes_twice():
    signal = make_signal(3)
    itp = nits_to_itp(sdr_code_to_nits(signal, white_nits=100.0, gamma=2.4))
    values, code = sample_pixels(itp, signal, count=500, rng=np.random.default_rng(1))
    assert values.shape == (500,)
    assert code.shape == (500, 3)
    assert values.dtype == code.dtype == np.float64
    assert intensity(relabel(code, white_nits=100.0)) == pytest.approx(values, abs=4e-3)  # medians of three channels, colour noise
    ramp = np.repeat(np.linspace(0.1, 0.9, 90 * 160, dtype=np.float32).reshape(90, 160)[..., None], 3, 2)  # no two places are alike
    assert len(np.unique(sample_pixels(ramp, ramp, count=500, rng=np.random.default_rng(1))[0])) >= 499
    half, _ = sample_pixels(itp, signal, count=10**6, rng=np.random.default_rng(1))
    assert half.size == pytest.approx(signal[..., 0].size / 2, abs=2)


def test_places_come_from_the_flatter_half():
    signal = make_signal(3)
    signal[:, :80] = 0.1 + 0.8 * (np.indices((90, 80)).sum(0) // 8 % 2)[..., None]
    marked = np.zeros((90, 160, 3), np.float32)
    marked[:, :72] = 1.0
    values, _ = sample_pixels(marked, signal, count=1000, rng=np.random.default_rng(1))
    assert values.mean() < 0.15  # the noisy part is nearly half the picture


@pytest.mark.parametrize("sigma", [0.0, 1.0, 5.0])
def test_planted_noise_is_measured(sigma):
    itp = nits_to_itp(relabel(make_signal(1, rows=180, columns=320)).astype(np.float32))
    other = itp.copy()
    other[..., 0] += sigma / 720 * np.random.default_rng(2).normal(size=itp.shape[:2])
    assert flat_noise_jnd(itp, other) == pytest.approx(sigma, rel=0.12, abs=0.01)


def test_detail_in_half_the_picture_is_not_taken_for_noise():
    itp = nits_to_itp(relabel(make_signal(1, rows=180, columns=320)).astype(np.float32))
    other = itp.copy()
    other[:, :160, 0] += 40 / 720 * np.random.default_rng(2).normal(size=(180, 160))
    assert flat_noise_jnd(itp, other) < 0.5


@pytest.mark.parametrize("shape", [(16, 16), (3, 3), (2, 9), (40, 17)])
def test_noise_of_small_pictures_is_finite(shape):
    picture = np.random.default_rng(1).uniform(0.2, 0.4, (*shape, 3)).astype(np.float32)
    assert 0 <= flat_noise_jnd(picture, picture[::-1].copy()) < 1000
