import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pairdiff._settings import Settings
from pairdiff.light.picture import nits_to_itp
from pairdiff.light.transfer import nits_to_pq
from pairdiff.score.tone import (
    ToneSample,
    blur_light,
    blur_pair,
    blurred_difference_jnd,
    curve_distance_jnd,
    fit_curve,
    fit_title_curve,
    one_curve_residual_jnd,
    pool_tone,
    sample_tone,
)
from tests.score._pairs import make_signal, relabel

SETTINGS = Settings()


def sample(sdr, hdr, *, channels=None, at_top=None):
    sdr, hdr = np.asarray(sdr, np.float32), np.asarray(hdr, np.float32)
    sdr3, hdr3 = channels or (np.repeat(sdr[:, None], 3, 1), np.repeat(hdr[:, None], 3, 1))
    top = np.zeros(sdr3.shape, bool) if at_top is None else at_top
    return ToneSample(np.stack([sdr, hdr], 1), sdr3, hdr3, top)


# ------------------------------------------------------------- the curve: what isotonic regression must be


@pytest.mark.parametrize("seed", range(6))
def test_the_curve_never_falls(seed):
    rng = np.random.default_rng(seed)
    x = rng.uniform(0, 1, 3000)
    curve = fit_curve(x, np.sin(5 * x) + 0.3 * rng.normal(size=3000))
    assert (np.diff(curve.hdr_intensity) >= 0).all()
    assert (np.diff(curve.sdr_intensity) >= 0).all()
    assert (np.diff(curve.at(np.linspace(-0.2, 1.2, 500))) >= 0).all()


def test_monotone_points_are_left_as_they_are():
    x = np.sort(np.random.default_rng(1).uniform(0, 1, 400))
    assert fit_curve(x, x**2).at(x) == pytest.approx(x**2, abs=1e-12)


def test_fitting_twice_changes_nothing_and_the_mean_is_kept():
    rng = np.random.default_rng(2)
    x = np.sort(rng.uniform(0, 1, 300))
    y = x + 0.2 * rng.normal(size=300)
    once = fit_curve(x, y).at(x)
    assert once.mean() == pytest.approx(y.mean(), abs=1e-9)
    assert fit_curve(x, once).at(x) == pytest.approx(once, abs=1e-9)


def test_no_other_rising_curve_fits_better():
    rng = np.random.default_rng(3)
    x = np.sort(rng.uniform(0, 1, 200))
    y = x**2 + 0.1 * rng.normal(size=200)
    best = ((fit_curve(x, y).at(x) - y) ** 2).sum()
    for _ in range(50):
        other = np.interp(x, np.linspace(0, 1, 8), np.sort(x.mean() + 0.4 * rng.normal(size=8)))
        assert ((other - y) ** 2).sum() >= best
    assert ((np.sort(y) - y) ** 2).sum() >= best
    assert ((x**2 - y) ** 2).sum() >= best


def test_falling_points_become_their_mean():
    x = np.linspace(0, 1, 11)
    assert fit_curve(x, 1 - x).at(x) == pytest.approx(0.5)


def test_the_order_of_points_does_not_count():
    rng = np.random.default_rng(4)
    x = rng.permutation(np.linspace(0, 1, 500))
    y = x + 0.1 * rng.normal(size=500)
    mixed = rng.permutation(500)
    grid = np.linspace(0, 1, 50)
    assert fit_curve(x, y).at(grid) == pytest.approx(fit_curve(x[mixed], y[mixed]).at(grid), abs=1e-12)


# ------------------------------------------------------------- blur


def test_blur_keeps_a_flat_picture_and_the_mean_light():
    flat = np.full((90, 160, 3), 7.5, np.float32)
    assert blur_light(flat, sigma_degrees=0.25, pixels_per_degree=28) == pytest.approx(7.5, rel=1e-5)
    light = relabel(make_signal(1)).astype(np.float32)
    assert blur_light(light, sigma_degrees=0.25, pixels_per_degree=28).mean() == pytest.approx(light.mean(), rel=0.03)


def test_blur_is_the_gaussian_of_scipy_on_a_coarser_grid():
    light = relabel(make_signal(2, rows=120, columns=180)).astype(np.float64)
    ours = blur_light(light.astype(np.float32), sigma_degrees=0.25, pixels_per_degree=32)
    exact = gaussian_filter(light, (8, 8, 0), mode="nearest")
    coarse = exact.reshape(30, 4, 45, 4, 3).mean((1, 3))
    assert ours.shape == coarse.shape
    assert np.abs(ours - coarse)[3:-3, 3:-3].max() < 0.02 * light.max()


@pytest.mark.parametrize("shape", [(16, 16), (17, 90)])
def test_small_pictures_and_wide_blur_work(shape):
    light = np.random.default_rng(1).uniform(0, 100, (*shape, 3)).astype(np.float32)
    assert np.isfinite(blur_light(light, sigma_degrees=0.25, pixels_per_degree=113)).all()


def test_grain_is_blurred_away_and_a_regrade_is_not():
    light = relabel(make_signal(1, rows=180, columns=320)).astype(np.float32)
    grain = (light * (1 + 0.08 * np.random.default_rng(5).normal(size=light.shape))).astype(np.float32)
    look = {"sigma_degrees": 0.25, "pixels_per_degree": 56.55}
    assert blurred_difference_jnd(blur_pair(light, light, **look)) == 0
    assert blurred_difference_jnd(blur_pair(light, grain, **look)) < 1.0
    assert blurred_difference_jnd(blur_pair(light, light * np.float32(1.3), **look)) > SETTINGS.regraded_jnd


# ------------------------------------------------------------- samples and film figures


def test_samples_are_the_flatter_half_and_belong_together():
    signal = make_signal(3)
    signal[:, :80] = np.random.default_rng(1).uniform(0.1, 0.9, (90, 80, 3))
    light = relabel(signal).astype(np.float32)
    itp, pq = nits_to_itp(light), nits_to_pq(light).astype(np.float32)
    at_top = signal > 0.8
    found = sample_tone(itp, itp, hdr_channels=pq, sdr_channels=pq, at_top=at_top, rng=np.random.default_rng(1))
    assert found.intensity.shape == (600, 2)
    assert found.at_top.shape == found.sdr_channels.shape == (600, 3)
    assert np.array_equal(found.intensity[:, 0], found.intensity[:, 1])
    assert np.array_equal(found.sdr_channels, found.hdr_channels)
    assert found.at_top.dtype == bool
    smooth = sample_tone(
        itp[:, 80:], itp[:, 80:], hdr_channels=pq[:, 80:], sdr_channels=pq[:, 80:], at_top=at_top[:, 80:], rng=np.random.default_rng(1)
    )
    assert abs(found.intensity.mean() - smooth.intensity.mean()) < 0.05


def test_one_curve_leaves_nothing_of_a_curve_on_intensity_channels_or_the_largest():
    rng = np.random.default_rng(6)
    x = rng.uniform(0.1, 0.6, 2000).astype(np.float32)
    scrambled = rng.uniform(0.1, 0.6, (2000, 3)).astype(np.float32)
    assert one_curve_residual_jnd([sample(x, x**2, channels=(scrambled, scrambled[::-1]))]) < 0.5
    channels = rng.uniform(0.1, 0.6, (2000, 3)).astype(np.float32)
    assert one_curve_residual_jnd([sample(x, x[::-1], channels=(channels, channels**2))]) < 0.5
    assert one_curve_residual_jnd([sample(x, x[::-1], channels=(scrambled, scrambled[::-1]))]) > 20


def test_what_the_sdr_clips_is_left_out_of_the_residual():
    rng = np.random.default_rng(7)
    x = rng.uniform(0.1, 0.5, 1000)
    y = x.copy()
    top = np.zeros((1000, 3), bool)
    top[:400] = True
    x[:400], y[:400] = 0.5, rng.uniform(0.5, 0.9, 400)
    assert one_curve_residual_jnd([sample(x, y, at_top=top)]) < 0.5
    assert one_curve_residual_jnd([sample(x, y)]) > 20
    assert one_curve_residual_jnd([sample(x, y, at_top=np.ones((1000, 3), bool))]) == 0


def pooled(samples, *, blurred, shots, weights=None):
    weights = np.ones(len(samples)) if weights is None else np.asarray(weights, float)
    curve = fit_title_curve(samples)
    return pool_tone(samples, curve, shots=np.asarray(shots), blurred_jnd=np.asarray(blurred, float), weights=weights, settings=SETTINGS)


def test_film_figures_of_tone():
    x = np.linspace(0.1, 0.6, 800)
    shifted = [sample(x, x + shift) for shift in (-0.01, -0.01, 0.01, 0.01)]
    found = pooled(shifted, blurred=[1, 2, 3, 9], shots=[0, 0, 1, 1])
    assert found.blurred_median_jnd == 2
    assert not found.regraded
    assert found.shot_spread_jnd == pytest.approx(7.2, rel=0.05)
    assert len(found.curve_sdr_nits) == len(found.curve_hdr_nits)
    assert list(found.curve_hdr_nits) == sorted(found.curve_hdr_nits)
    assert pooled(shifted, blurred=[1, 2, 3, 9], shots=[0, 0, 1, 1], weights=[1, 1, 1, 9]).regraded
    assert curve_distance_jnd(shifted[3], fit_title_curve(shifted)) == pytest.approx(7.2, rel=0.1)


def test_a_single_shot_has_no_spread_between_shots():
    x = np.linspace(0.1, 0.6, 800)
    assert pooled([sample(x, x)] * 2, blurred=[0, 0], shots=[4, 4]).shot_spread_jnd is None


def test_regraded_begins_at_the_threshold():
    x = np.linspace(0.1, 0.6, 800)
    assert pooled([sample(x, x)], blurred=[SETTINGS.regraded_jnd], shots=[0]).regraded
    assert not pooled([sample(x, x)], blurred=[SETTINGS.regraded_jnd - 1e-6], shots=[0]).regraded
