import colour
import numpy as np
import pytest

from pairdiff._settings import Settings
from pairdiff.light.picture import nits_to_itp
from pairdiff.light.primaries import conversion_matrix
from pairdiff.light.transfer import nits_to_pq
from pairdiff.score.tone import (
    PART_PLACES,
    ToneSample,
    curve_distance_jnd,
    fit_curve,
    fit_title_curve,
    one_curve_residual_jnd,
    pool_tone,
    sample_places,
    sample_tone,
    sample_tone_of_light,
    shift_of_shots_jnd,
    tone_shifts_jnd,
)
from tests.score._pairs import make_pair, make_signal, relabel

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


# ------------------------------------------------------------- shift at flat places


def shift(hdr_nits, signal, *, white=150.0, gamma=2.4):
    places = sample_places(nits_to_itp(np.asarray(hdr_nits, np.float32)), signal, rng=np.random.default_rng(1))
    return float(tone_shifts_jnd(places, whites_nits=[white], gammas=[gamma])[0])


@pytest.mark.parametrize("shape", [(16, 16), (17, 90), (300, 500)])
def test_cells_share_out_every_place_once(shape):
    signal = make_signal(1, rows=shape[0], columns=shape[1])
    places = sample_places(nits_to_itp(relabel(signal).astype(np.float32)), signal, rng=np.random.default_rng(1))
    assert np.array_equal(np.sort(np.concatenate(places.cells)), np.arange(len(places.sdr_code)))
    assert len(places.hdr_itp) == len(places.sdr_code) <= 6 * PART_PLACES
    assert np.isfinite(shift(relabel(signal), signal))


def test_the_shift_of_a_shot_is_the_median_of_its_pictures_at_that_set_up():
    planted = [(7, 1.0), (7, 9.0), (7, 2.0), (3, 5.0)]
    pairs = [make_pair(shot=shot, tone_shift_jnd={"controls": jnd, "free": 0.5}) for shot, jnd in planted]
    assert shift_of_shots_jnd(pairs, "controls") == [2.0, 5.0]
    assert shift_of_shots_jnd(pairs, "free") == [0.5, 0.5]


def test_many_sets_at_once_are_each_of_them():
    signal = make_signal(2)
    places = sample_places(nits_to_itp(relabel(signal).astype(np.float32)), signal, rng=np.random.default_rng(1))
    whites, gammas = [100.0, 150.0, 150.0, 203.0], [2.4, 2.4, 2.2, 2.4]
    each = [float(tone_shifts_jnd(places, whites_nits=[w], gammas=[g])[0]) for w, g in zip(whites, gammas, strict=True)]
    assert tone_shifts_jnd(places, whites_nits=whites, gammas=gammas) == pytest.approx(each, abs=1e-3)
    assert np.argmin(each) == 1


def test_a_shift_of_one_tone_is_what_colour_science_says():
    signal = np.full((60, 100, 3), 0.6, np.float32)
    matrix = colour.matrix_RGB_to_RGB(colour.RGB_COLOURSPACES["ITU-R BT.709"], colour.RGB_COLOURSPACES["ITU-R BT.2020"], None)
    plain = 150 * np.full(3, 0.6) ** 2.4 @ matrix.T
    warm = plain * np.array([1.1, 1.0, 0.9])
    expected = colour.difference.delta_E_ITP(colour.RGB_to_ICtCp(warm), colour.RGB_to_ICtCp(plain))
    assert shift(np.broadcast_to(warm, (60, 100, 3)), signal) == pytest.approx(expected, rel=0.01)


def test_grain_and_coding_errors_have_no_direction_and_a_regrade_has():
    signal = make_signal(1, rows=180, columns=320)
    light, rng = relabel(signal), np.random.default_rng(5)
    assert shift(light, signal) < 0.3
    grain = relabel(signal + 0.08 * rng.normal(size=signal.shape[:2])[..., None])
    assert shift(grain, signal) < 2.0
    blocks = np.kron(rng.normal(0, 2 / 219, (23, 40, 3)), np.ones((8, 8, 1)))[:180, :320]
    assert shift(relabel(signal + blocks), signal) < 1.5
    assert shift(light * 1.3, signal) > SETTINGS.regraded_jnd
    assert shift(relabel(signal, gamma=2.7), signal) > SETTINGS.regraded_jnd


def test_grain_of_its_own_on_either_side_makes_no_slope():
    signal, rng = make_signal(1, rows=180, columns=320), np.random.default_rng(5)
    one, other = (signal + 0.08 * rng.normal(size=signal.shape[:2])[..., None] for _ in range(2))
    assert shift(relabel(one), np.maximum(other, 0).astype(np.float32)) < 2.0


@pytest.mark.parametrize("seed", range(4))
def test_noise_of_one_side_alone_does_not_sort_the_tones(seed):
    # so little contrast that noise decides the order: sorted by either side alone the outer tones come out shifted by 4
    signal, rng = 0.4 + 0.05 * make_signal(1, rows=180, columns=320), np.random.default_rng(seed)
    one, other = (signal + 0.08 * rng.normal(size=signal.shape[:2])[..., None] for _ in range(2))
    assert shift(relabel(one), other.astype(np.float32)) < 2.7


def test_a_picture_that_is_shifted_by_two_pixels_is_no_other_grade():
    signal = make_signal(1, rows=180, columns=320)
    assert shift(relabel(np.roll(signal, 1, axis=(0, 1))), signal) < SETTINGS.regraded_jnd


def test_a_regrade_of_opposite_signs_left_and_right_does_not_cancel():
    signal = make_signal(1, rows=180, columns=320)
    light = relabel(signal)
    light[:, :160] *= 1.25
    light[:, 160:] /= 1.25
    assert shift(light, signal) > SETTINGS.regraded_jnd


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


def test_a_sample_of_light_is_that_of_its_signals():
    signal = make_signal(5)
    hdr, sdr = (relabel(signal, white_nits=white).astype(np.float32) for white in (300.0, 150.0))
    to_709 = conversion_matrix("bt2020", "bt709").T
    channels = [nits_to_pq(np.maximum(side @ to_709, 0)).astype(np.float32) for side in (hdr, sdr)]
    at_top = signal > 0.8
    found = sample_tone_of_light(hdr, sdr, at_top=at_top, rng=np.random.default_rng(3), count=200)
    whole = sample_tone(
        nits_to_itp(hdr),
        nits_to_itp(sdr),
        hdr_channels=channels[0],
        sdr_channels=channels[1],
        at_top=at_top,
        rng=np.random.default_rng(3),
        count=200,
    )
    np.testing.assert_allclose(found.intensity, whole.intensity, atol=1e-6)
    np.testing.assert_allclose(found.hdr_channels, whole.hdr_channels, atol=5e-6)
    np.testing.assert_allclose(found.sdr_channels, whole.sdr_channels, atol=5e-6)
    assert np.array_equal(found.at_top, whole.at_top)


def test_one_curve_leaves_nothing_of_a_curve_on_intensity_channels_or_the_largest():
    rng = np.random.default_rng(6)
    x = rng.uniform(0.1, 0.6, 2000).astype(np.float32)
    scrambled = rng.uniform(0.1, 0.6, (2000, 3)).astype(np.float32)
    assert one_curve_residual_jnd([sample(x, x**2, channels=(scrambled, scrambled[::-1]))]) < 0.5
    channels = rng.uniform(0.1, 0.6, (2000, 3)).astype(np.float32)
    assert one_curve_residual_jnd([sample(x, x[::-1], channels=(channels, channels**2))]) < 0.5
    assert one_curve_residual_jnd([sample(x, x[::-1], channels=(scrambled, scrambled[::-1]))]) > 5


def test_noise_about_one_curve_cancels_and_another_curve_in_one_picture_does_not():
    rng = np.random.default_rng(6)
    x = [rng.uniform(0.1, 0.6, 2000).astype(np.float32) for _ in range(4)]
    noisy = [sample(one, one**2 + 10 / 720 * rng.normal(size=2000)) for one in x]
    assert one_curve_residual_jnd(noisy) < 3
    assert one_curve_residual_jnd([*noisy[:3], sample(x[3], x[3] ** 2 + 15 / 720)]) > 8


def test_what_the_sdr_clips_is_left_out_of_the_residual():
    rng = np.random.default_rng(7)
    x = rng.uniform(0.1, 0.5, 1000)
    y = x.copy()
    top = np.zeros((1000, 3), bool)
    top[:400] = True
    x[:400], y[:400] = 0.5, rng.uniform(0.5, 0.9, 400)
    assert one_curve_residual_jnd([sample(x, y, at_top=top)]) < 0.5
    assert one_curve_residual_jnd([sample(x, y)]) > 10
    assert one_curve_residual_jnd([sample(x, y, at_top=np.ones((1000, 3), bool))]) == 0


def pooled(samples, *, shift, shots, weights=None):
    weights = np.ones(len(samples)) if weights is None else np.asarray(weights, float)
    curve = fit_title_curve(samples)
    return pool_tone(samples, curve, shots=np.asarray(shots), shift_jnd=np.asarray(shift, float), weights=weights, settings=SETTINGS)


def test_film_figures_of_tone():
    x = np.linspace(0.1, 0.6, 800)
    shifted = [sample(x, x + shift) for shift in (-0.01, -0.01, 0.01, 0.01)]
    found = pooled(shifted, shift=[1, 2, 3, 9], shots=[0, 0, 1, 1])
    assert found.shift_median_jnd == 2
    assert not found.regraded
    assert found.shot_spread_jnd == pytest.approx(7.2, rel=0.05)
    assert len(found.curve_sdr_nits) == len(found.curve_hdr_nits)
    assert list(found.curve_hdr_nits) == sorted(found.curve_hdr_nits)
    assert pooled(shifted, shift=[1, 2, 3, 9], shots=[0, 0, 1, 1], weights=[1, 1, 1, 9]).regraded
    assert curve_distance_jnd(shifted[3], fit_title_curve(shifted)) == pytest.approx(7.2, rel=0.1)


def test_a_single_shot_has_no_spread_between_shots():
    x = np.linspace(0.1, 0.6, 800)
    assert pooled([sample(x, x)] * 2, shift=[0, 0], shots=[4, 4]).shot_spread_jnd is None


def test_regraded_begins_at_the_threshold():
    x = np.linspace(0.1, 0.6, 800)
    assert pooled([sample(x, x)], shift=[SETTINGS.regraded_jnd], shots=[0]).regraded
    assert not pooled([sample(x, x)], shift=[SETTINGS.regraded_jnd - 1e-6], shots=[0]).regraded


def test_what_the_sdr_clips_is_no_shift_of_tone():
    signal = np.repeat(np.tile(np.linspace(0.05, 1.4, 160, dtype=np.float32), (90, 1))[..., None], 3, -1)
    light = relabel(signal, white_nits=100.0)  # the HDR goes on where the SDR is cut
    cut = np.minimum(signal, np.float32(1))
    clipped = np.asarray(cut[..., 0] >= 1)
    assert clipped.mean() > 0.25

    def shift(left_out):
        places = sample_places(nits_to_itp(light.astype(np.float32)), cut, clipped=left_out, rng=np.random.default_rng(1))
        return float(tone_shifts_jnd(places, whites_nits=[100.0], gammas=[2.4])[0])

    assert shift(clipped) < 0.1
    assert np.isfinite(shift(np.ones_like(clipped)))  # where there is nothing else it is taken after all
