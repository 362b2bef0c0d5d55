from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import median_filter

from pairdiff._records import FreeFit
from pairdiff._settings import Settings
from pairdiff.score.detail import LEVEL_STEP_STOPS
from pairdiff.score.headroom import Weighting
from pairdiff.score.pair import PairPictures, PairPlace, score_pair
from pairdiff.score.setup import fit_setups
from pairdiff.score.title import FitCollector, _finish_free_fit, collect_scores, pool_title
from tests.score._pairs import make_pair, make_signal, relabel

SETTINGS = Settings(fit_pixels_per_pair=600, support_draws=20)
NO_TOP = (None, None, None)


def pictures(seed=0, *, white=150.0, gamma=2.4, lift=None, **look):
    signal = make_signal(seed, **look)
    nits = relabel(signal, white_nits=white, gamma=gamma)
    return PairPictures((nits if lift is None else lift(nits, signal)).astype(np.float32), signal, 28.3)


def collected(stack):
    collector = FitCollector(SETTINGS)
    for n, one in enumerate(stack):
        collector.add(one, shot=n // 2)
    sample = collector.sample()
    return fit_setups(sample, SETTINGS), collector.top_codes(), sample


def scored(stack, fits, top=NO_TOP, numbers=None):
    numbers = range(len(stack)) if numbers is None else numbers
    return [
        score_pair(one, PairPlace(n, n, n / 24, n / 24, n // 2, 1.0), fits=fits, top=top, noise_jnd=0.5, settings=SETTINGS)
        for n, one in zip(numbers, stack, strict=True)
    ]


STACK = [pictures(n) for n in range(6)]
FITS, TOP, SAMPLE = collected(STACK)


def test_a_relabelled_sdr_leaves_no_difference():
    for measure in scored(STACK, FITS):
        score = measure.score
        assert score.rms_jnd["controls"] < 0.5
        assert score.tone_shift_jnd["controls"] < 0.5
        assert score.preference_loss["controls"] < 0.05
        assert score.hdr_mean_nits == pytest.approx(score.sdr_mean_nits, rel=0.02)
        assert score.outside_709_share == 0


def test_identical_light_gives_nothing_but_zeroes():
    exact = replace(FITS.named("controls"), white_nits=150.0, gamma=2.4)
    measure = scored(STACK[:1], replace(FITS, setups=(exact,)))[0]
    assert measure.score.rms_jnd["controls"] < 0.02
    assert measure.score.preference_loss["controls"] < 0.005


def test_every_setup_is_scored_and_counts_hold_every_pixel():
    measure = scored(STACK[:1], FITS)[0]
    names = {setup.name for setup in FITS.setups}
    assert set(measure.counts) == set(measure.score.rms_jnd) == set(measure.score.preference_loss) == names
    assert set(measure.score.tone_shift_jnd) == names | {"free"}
    assert all(counts.sum() == 90 * 160 for counts in measure.counts.values())
    assert measure.score.rms_jnd["white-203"] > measure.score.rms_jnd["controls"]


def test_mean_light_and_areas_are_those_of_plain_numpy():
    one = pictures(1, white=400.0)
    score = scored([one], FITS)[0].score
    level = one.hdr_nits.max(-1)
    assert score.area_above_203_share == pytest.approx((level > 203).mean())
    assert score.area_above_white_share == pytest.approx((level > FITS.named("controls").white_nits * 2**0.1).mean())
    assert score.hdr_mean_nits == pytest.approx((one.hdr_nits.astype(float) @ [0.2627, 0.6780, 0.0593]).mean(), rel=1e-3)
    assert score.hdr_p999_nits == pytest.approx(np.quantile(median_filter(level, 3), 0.999), rel=0.01)


def test_the_fit_of_a_relabelled_stack_is_the_truth():
    assert FITS.named("controls").white_nits == pytest.approx(150, rel=0.01)
    assert FITS.named("controls").gamma == pytest.approx(2.4, abs=0.03)
    assert FITS.free.power_law
    assert SAMPLE.hdr_intensity.size == 6 * 600
    assert np.array_equal(SAMPLE.shot, [0, 0, 1, 1, 2, 2])


def test_pooled_figures_do_not_know_the_order_of_pictures():
    def lift(nits, signal):
        return nits * np.where(signal.max(-1, keepdims=True) > 0.8, 3.0, 1.0)

    stack = [pictures(n, white=80.0 + 20 * n, lift=lift) for n in range(6)]
    measures = scored(stack, FITS)
    seconds, shots = np.array([1.0, 2, 3, 1, 2, 0.5]), np.array([0, 0, 1, 1, 2, 2])
    mixed = np.array([4, 2, 0, 5, 1, 3])
    first = pool_title(collect_scores(measures, seconds=seconds), Weighting(seconds, shots, 0.3), fits=FITS, settings=SETTINGS)
    second = pool_title(
        collect_scores([measures[n] for n in mixed], seconds=seconds[mixed]),
        Weighting(seconds[mixed], shots[mixed], 0.3),
        fits=FITS,
        settings=SETTINGS,
    )
    assert second.headroom.stops == first.headroom.stops
    assert second.headroom.area_share == pytest.approx(first.headroom.area_share)
    assert second.difference.side_by_side.rms == pytest.approx(first.difference.side_by_side.rms)
    assert second.difference.side_by_side.p95 == first.difference.side_by_side.p95
    assert second.difference.on_its_own.preference_loss.high == pytest.approx(first.difference.on_its_own.preference_loss.high)
    assert second.tone.residual_p95_jnd == pytest.approx(first.tone.residual_p95_jnd, abs=0.05)
    assert second.tone.shift_median_jnd == first.tone.shift_median_jnd
    assert second.viewer.light_ratio == pytest.approx(first.viewer.light_ratio)
    assert second.pairs[0].curve_distance_jnd == pytest.approx(first.pairs[4].curve_distance_jnd, abs=0.05)


def test_reserve_and_light_ratio_of_the_viewer():
    found = pool_title(
        collect_scores(scored(STACK, FITS), seconds=np.ones(6)), Weighting(np.ones(6), np.arange(6), 1.0), fits=FITS, settings=SETTINGS
    ).viewer
    assert found.sdr_reserve_stops == pytest.approx(1, abs=0.02)
    assert found.light_ratio == pytest.approx(1, abs=0.02)


def test_a_black_stack_has_no_light_ratio_and_does_not_fail():
    black = [PairPictures(np.zeros((32, 32, 3), np.float32), np.zeros((32, 32, 3), np.float32), 28.3)] * 2
    fits, top, _ = collected(black)
    found = pool_title(
        collect_scores(scored(black, fits, top), seconds=np.ones(2)), Weighting(np.ones(2), np.arange(2), 1.0), fits=fits, settings=SETTINGS
    )
    assert found.viewer.light_ratio is None
    assert found.colour.status == "not_applicable"
    assert found.recovered.status == "not_applicable"


def test_what_the_free_fit_leaves_of_highlights_counts_the_glints_of_the_sdr():
    pairs = [make_pair(hdr_p999_nits=600 * 1.085**2.6, sdr_p999_with_glints_code=1.085)]
    free = FreeFit("measured", 600.0, 2.6, 0.0, 0.3, 0.0, None, True)
    assert _finish_free_fit(free, pairs, np.ones(1), SETTINGS).peak_ratio_stops == pytest.approx(0, abs=1e-9)


def test_recovered_detail_needs_sdr_clipping_and_hdr_structure():
    def flat(nits, signal):
        return np.where(signal.max(-1, keepdims=True) >= 1.0, 4.0 * nits.max(), nits)

    def structured(nits, signal):
        grain = 2 ** np.random.default_rng(1).normal(0, 0.5, (*nits.shape[:2], 1))
        return np.where(signal.max(-1, keepdims=True) >= 1.0, nits * 2 * grain, nits)

    results = []
    for lift in (flat, structured):
        stack = [pictures(n, lift=lift, colour=0.0, top=1.35) for n in range(3)]
        stack = [replace(one, sdr_code=np.round(np.minimum(one.sdr_code, 1.0) * 219).astype(np.float32) / np.float32(219)) for one in stack]
        fits, top, _ = collected(stack)
        assert top == pytest.approx([1.0] * 3, abs=0.01)
        results.append(
            pool_title(
                collect_scores(scored(stack, fits, top), seconds=np.ones(3)),
                Weighting(np.ones(3), np.arange(3), 1.0),
                fits=fits,
                settings=SETTINGS,
            ).recovered
        )
    assert results[0].detail_jnd == pytest.approx(0, abs=0.5)
    assert results[0].detail_stops <= LEVEL_STEP_STOPS
    assert results[1].detail_jnd > 10
    assert results[1].detail_stops > 1


def test_the_shift_of_tone_is_told_where_the_sdr_is_not_clipped():
    def with_sky(one):  # 45 % of the picture, flat, two stops over what the SDR holds: nine tenths of the flatter half
        sky = slice(round(one.sdr_code.shape[1] * 0.55), None)
        code, nits = one.sdr_code.astype(np.float32), one.hdr_nits.copy()
        code[:, sky], nits[:, sky] = 1.0, 600.0
        return replace(one, sdr_code=code, hdr_nits=nits)

    stack = [with_sky(pictures(n, colour=0.0)) for n in range(3)]
    fits, top, _ = collected(stack)
    found = scored(stack, fits, top)
    assert all(one.score.clipped_share > 0.4 for one in found)
    assert all(one.score.rise_codes == pytest.approx(0, abs=0.01) for one in found)
    assert all(one.score.tone_shift_jnd["controls"] < 1 for one in found)
    assert all(one.score.tone_shift_jnd["controls"] > 10 for one in scored(stack, fits, NO_TOP))
