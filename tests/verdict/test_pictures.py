import numpy as np
import pytest

from pairdiff._errors import UsageError
from pairdiff._settings import Settings
from pairdiff.verdict import pictures
from pairdiff.verdict.pictures import compare_pictures
from tests.score._pairs import make_signal, relabel

SETTINGS = Settings(support_draws=60, fit_pixels_per_pair=1000)
LOOK = {"settings": SETTINGS, "pixels_per_degree": 28.3}
SIGNALS = np.stack([make_signal(seed) for seed in range(4)])


@pytest.fixture(autouse=True)
def few_pixels(monkeypatch):
    """The fit sees fewer pixels than in use: what is tested does not hang on their number, and the time does."""
    monkeypatch.setattr(pictures, "FIT_PIXELS_AT_LEAST", 4000)


def lift(factor, *, above=0.6):
    """Highlights of a relabelled SDR raised smoothly by up to `factor`; the mid-tones stay."""

    def raised(signals, white=100.0):
        share = ((signals.max(-1, keepdims=True) - above) / (1 - above)).clip(0, 1)
        return relabel(signals, white_nits=white) * (1 + (factor - 1) * share)

    return raised


def main_figures(result):
    return result.setup.white_nits, result.setup.gamma, result.headroom.stops, result.tone.shift_median_jnd, result.verdict.label


@pytest.mark.parametrize(("white", "gamma"), [(48.0, 2.0), (100.0, 2.4), (180.0, 2.2), (300.0, 2.6), (203.0, 2.0)])
def test_a_relabelled_sdr_is_an_sdr_picture_in_an_hdr_container(white, gamma):
    found = compare_pictures(relabel(SIGNALS, white_nits=white, gamma=gamma), SIGNALS, **LOOK)
    assert found.setup.white_nits == pytest.approx(white, rel=0.01)
    assert found.setup.gamma == pytest.approx(gamma, abs=0.03)
    assert found.free_fit.power_law
    assert found.verdict.label == "sdr-in-hdr-container"
    assert found.verdict.axes["highlights"] == "same"
    assert found.difference.side_by_side.rms < 0.5
    assert found.difference.on_its_own.preference_loss < 0.05
    assert found.recovered.status == "not_applicable"


def test_identical_light_does_not_differ():
    found = compare_pictures(relabel(SIGNALS), SIGNALS, **LOOK)
    assert found.difference.side_by_side.rms == pytest.approx(0, abs=0.1)
    assert found.difference.side_by_side.p95 <= 0.2
    assert found.difference.on_its_own.notice_probability == pytest.approx(0.5, abs=0.01)
    assert found.viewer.light_ratio == pytest.approx(1, abs=0.01)


@pytest.mark.parametrize("factor", [1.5, 2.0])
def test_hdr_light_scaled_scales_the_white_and_nothing_else(factor):
    first = compare_pictures(relabel(SIGNALS, white_nits=120.0), SIGNALS, **LOOK)
    second = compare_pictures(factor * relabel(SIGNALS, white_nits=120.0), SIGNALS, **LOOK)
    assert second.setup.white_nits / first.setup.white_nits == pytest.approx(factor, rel=0.01)
    assert second.headroom.stops == pytest.approx(first.headroom.stops, abs=0.03)
    assert second.verdict.label == first.verdict.label


def test_doubled_highlights_are_one_stop_more_headroom():
    def with_highlights(factor):
        nits = relabel(SIGNALS, white_nits=100.0)
        for n, picture in enumerate(nits):  # not at one place: that would be a mark laid over the film
            picture[20:30, 20 * n + 10 : 20 * n + 30] = 250.0 * factor
        return compare_pictures(nits, SIGNALS, **LOOK)

    first, second = with_highlights(1.0), with_highlights(2.0)
    assert second.headroom.stops - first.headroom.stops == pytest.approx(1, abs=0.02)
    assert second.headroom.peak_ratio_stops - first.headroom.peak_ratio_stops == pytest.approx(1, abs=0.02)
    assert second.headroom.area_share == first.headroom.area_share
    assert second.free_fit.p95_jnd < 1  # all but the highlights
    assert not second.free_fit.power_law


def test_raised_highlights_widen_the_picture():
    found = compare_pictures(lift(8.0)(SIGNALS), SIGNALS, **LOOK)
    assert found.verdict.label == "wider-range"
    assert found.verdict.axes["highlights"] == "clearly_more"
    assert found.headroom.stops > 1


def test_slightly_raised_highlights_are_used_sparingly():
    labels = {factor: compare_pictures(lift(factor)(SIGNALS), SIGNALS, **LOOK) for factor in (1.0, 1.6, 2.0, 8.0)}
    stops = [found.headroom.stops for found in labels.values()]
    assert stops == sorted(stops)
    assert {found.verdict.axes["highlights"] for found in labels.values()} == {"same", "slightly_more", "clearly_more"}


def test_a_power_law_beyond_the_set_has_the_same_highlights():
    found = compare_pictures(relabel(SIGNALS, white_nits=320.0, gamma=3.4), SIGNALS, **LOOK)
    assert found.free_fit.power_law
    assert found.setup.at_bound
    assert found.verdict.axes["highlights"] == "same"


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("make", [lift(1.0), lift(8.0)], ids=["container", "wider"])
def test_one_bright_pixel_moves_no_label(seed, make):
    nits = make(SIGNALS[:2])
    before = compare_pictures(nits, SIGNALS[:2], **LOOK)
    rng = np.random.default_rng(seed)
    for picture in nits:
        picture[rng.integers(90), rng.integers(160)] = 10000.0
    after = compare_pictures(nits, SIGNALS[:2], **LOOK)
    assert after.verdict.label == before.verdict.label
    assert after.verdict.axes == before.verdict.axes
    assert after.headroom.stops == pytest.approx(before.headroom.stops, abs=0.1)


def test_another_hue_is_another_grade():
    nits = relabel(SIGNALS) * np.array([1.25, 1.0, 0.75])
    found = compare_pictures(nits, SIGNALS, **LOOK)
    assert found.tone.regraded
    assert found.verdict.label == "different-grade"


def test_a_black_and_white_picture_has_no_colour_axis():
    grey = np.stack([make_signal(seed, colour=0.0) for seed in range(2)])
    found = compare_pictures(relabel(grey), grey, **LOOK)
    assert found.colour.status == "not_applicable"
    assert found.verdict.axes["colour"] == "not_applicable"


def test_colours_beyond_bt709_are_seen():
    nits = relabel(SIGNALS)
    nits[:, 30:60, 40:90] = (1.0, 40.0, 1.0)
    found = compare_pictures(nits, SIGNALS, **LOOK)
    assert found.colour.outside_709_share == pytest.approx(30 * 50 / (90 * 160), rel=0.06)  # window means at its edge
    assert found.verdict.axes["colour"] == "clearly_more"


def clipped_stack():
    """Grey pictures, each clipped in a good part of its area; unclipped and as 8-bit codes."""
    wide = np.stack([make_signal(seed, top=1.5, colour=0.0) for seed in range(3)])
    return wide, (np.round(np.minimum(wide, 1.0) * 219) / 219).astype(np.float32)


def test_structure_where_the_sdr_is_clipped_is_recovered():
    wide, sdr = clipped_stack()
    grain = 2 ** np.random.default_rng(1).normal(0, 0.4, (*wide.shape[:3], 1))
    hdr = relabel(sdr, white_nits=100.0) * np.where(wide.max(-1, keepdims=True) > 1, 5 * grain, 1)
    found = compare_pictures(hdr, sdr, **LOOK)
    assert found.recovered.status == "measured"
    assert found.recovered.detail_jnd > 5
    assert found.verdict.label == "wider-range"


def test_flat_brightness_where_the_sdr_is_clipped_is_a_stretched_sdr():
    _, sdr = clipped_stack()
    light = relabel(sdr, white_nits=100.0)
    level = light.max(-1, keepdims=True) / 100
    found = compare_pictures(light * (1 + 5 * np.clip((level - 0.4) / 0.6, 0, 1) ** 2), sdr, **LOOK)
    assert found.recovered.detail_jnd == pytest.approx(0, abs=0.3)
    assert found.recovered.bright_clipped_share > 0.5
    assert found.verdict.label == "stretched-sdr"


def test_a_mask_that_lifts_what_the_sdr_clips_to_one_level_could_be_evenly_lit_surfaces():
    _, sdr = clipped_stack()
    found = compare_pictures(relabel(sdr, white_nits=100.0) * np.where(sdr.max(-1, keepdims=True) >= 1, 6.0, 1.0), sdr, **LOOK)
    assert found.recovered.detail_jnd == pytest.approx(0, abs=0.3)
    assert (found.verdict.label, found.verdict.support) == ("undetermined", {"undetermined": 1.0})
    assert "evenly lit surfaces" in found.verdict.sentence


@pytest.mark.parametrize(("hdr", "sdr"), [(0.0, 0.0), (200.0, 0.7), (5000.0, 0.1)])
def test_even_pictures_say_nothing(hdr, sdr):
    found = compare_pictures(np.full((64, 64, 3), hdr), np.full((64, 64, 3), sdr))
    assert found.verdict.label == "undetermined"


def test_a_scene_against_black_says_nothing():
    assert compare_pictures(relabel(SIGNALS), np.zeros_like(SIGNALS), **LOOK).verdict.label == "undetermined"


def test_a_logo_in_a_stack_is_left_out_as_in_a_file():
    nits = relabel(SIGNALS)
    nits[:, 4:10, 140:150] = 900.0
    found = compare_pictures(nits, SIGNALS, **LOOK)
    assert found.headroom.standing_share > 0
    assert found.verdict.label == "sdr-in-hdr-container"
    plain = compare_pictures(relabel(SIGNALS), SIGNALS, **LOOK)
    for one in (found, plain):
        assert one.difference.on_its_own.preference_loss < 0.1
    assert found.difference.side_by_side.rms < 0.01  # JND; the same light on both sides


def test_super_white_is_no_clipping():
    signal = (SIGNALS * (238 / 219)).astype(np.float32)
    found = compare_pictures(relabel(signal), signal, **LOOK)
    assert found.recovered.status == "not_applicable"
    assert found.verdict.label == "sdr-in-hdr-container"


# ------------------------------------------------------------- stacks and shapes


def test_a_stack_is_fitted_jointly_and_each_picture_is_given_at_that_setup():
    whites = np.array([90.0, 100, 110, 120])
    nits = np.stack([relabel(signal, white_nits=white) for signal, white in zip(SIGNALS, whites, strict=True)])
    found = compare_pictures(nits, SIGNALS, **LOOK)
    assert len(found.pictures) == 4
    assert all(one.setup.white_nits == found.setup.white_nits for one in found.pictures)
    assert 90 < found.setup.white_nits < 120
    squares = [one.difference.side_by_side.rms**2 for one in found.pictures]
    assert found.difference.side_by_side.rms == pytest.approx(np.sqrt(np.mean(squares)))
    losses = [one.difference.on_its_own.preference_loss for one in found.pictures]
    assert found.difference.on_its_own.preference_loss == pytest.approx(np.mean(losses))
    alone = compare_pictures(nits[3], SIGNALS[3], **LOOK)
    assert alone.setup.white_nits == pytest.approx(120, rel=0.01)
    assert alone.pictures == ()


def test_a_stack_of_one_is_the_single_picture():
    nits = lift(4.0)(SIGNALS[:1])
    single, stack = compare_pictures(nits[0], SIGNALS[0], **LOOK), compare_pictures(nits, SIGNALS[:1], **LOOK)
    assert main_figures(single) == main_figures(stack)
    assert len(stack.pictures) == 1


def test_the_order_of_a_stack_hardly_counts():
    nits = lift(4.0, above=0.85)(SIGNALS)
    first, second = compare_pictures(nits, SIGNALS, **LOOK), compare_pictures(nits[::-1], SIGNALS[::-1], **LOOK)
    assert second.setup.white_nits == pytest.approx(first.setup.white_nits, rel=0.01)
    assert second.headroom.stops == pytest.approx(first.headroom.stops, abs=0.02)
    assert second.verdict.label == first.verdict.label


def test_the_input_is_left_as_it_was_and_precision_does_not_matter():
    nits, signal = lift(4.0)(SIGNALS[0]), SIGNALS[0].astype(np.float64)
    kept = nits.copy(), signal.copy()
    first = compare_pictures(nits, signal, **LOOK)
    assert np.array_equal(nits, kept[0])
    assert np.array_equal(signal, kept[1])
    second = compare_pictures(nits.astype(np.float32), signal.astype(np.float32), **LOOK)
    assert main_figures(first) == main_figures(second)


def test_a_black_pair_and_a_flat_pair_are_judged_without_failing():
    for level in (0.0, 0.4):
        signal = np.full((20, 30, 3), level, np.float32)
        found = compare_pictures(relabel(signal), signal, **LOOK)
        assert found.verdict.label == "undetermined"


def test_a_real_set_of_the_reader_is_one_more_setup():
    found = compare_pictures(relabel(SIGNALS[0]), SIGNALS[0], settings=Settings(support_draws=20, sdr_white=120.0, sdr_gamma=2.2))
    assert [one.name for one in found.setups] == ["white-100", "white-203", "gamma-2.2", "gamma-2.4", "gain", "controls", "bench"]
    assert all(one.label is not None and one.difference is not None for one in found.setups)


def test_each_setup_has_its_headroom_over_its_own_white():
    found = compare_pictures(lift(4.0)(SIGNALS[0]), SIGNALS[0], **LOOK)
    named = {one.name: one for one in found.setups}
    assert named["gain"].headroom_stops == found.headroom.stops_gain
    assert named["controls"].headroom_stops == found.headroom.stops_controls
    assert named["white-100"].headroom_stops - named["white-203"].headroom_stops == pytest.approx(np.log2(2.03))
    at = [named[name] for name in ("gamma-2.2", "gamma-2.4")]
    assert at[0].headroom_stops - at[1].headroom_stops == pytest.approx(np.log2(at[1].white_nits / at[0].white_nits))


def test_a_relabelled_sdr_is_one_at_the_gamma_it_was_made_with():
    found = compare_pictures(relabel(SIGNALS[0], white_nits=120.0, gamma=2.2), SIGNALS[0], **LOOK)
    same, other = (next(one for one in found.setups if one.name == name) for name in ("gamma-2.2", "gamma-2.4"))
    assert same.label == "sdr-in-hdr-container"
    assert same.difference.on_its_own.preference_loss.value < 0.01
    assert other.difference.on_its_own.preference_loss.value > 0.05


# ------------------------------------------------------------- refusals

GOOD_HDR, GOOD_SDR = np.full((20, 30, 3), 50.0), np.full((20, 30, 3), 0.5)


@pytest.mark.parametrize(
    ("hdr", "sdr", "words"),
    [
        (GOOD_HDR, GOOD_SDR[:19], r"of one shape; got \(20, 30, 3\) and \(19, 30, 3\)"),
        (GOOD_HDR[..., 0], GOOD_SDR[..., 0], r"must both be \(row, column, 3\)"),
        (GOOD_HDR[..., :2], GOOD_SDR[..., :2], r"must both be \(row, column, 3\)"),
        (GOOD_HDR[:8], GOOD_SDR[:8], "8 rows and 30 columns is too small to judge; give at least 16 x 16"),
        (GOOD_HDR[None][:0], GOOD_SDR[None][:0], "too small to judge"),
        (GOOD_HDR.astype(np.uint16), GOOD_SDR, "hdr_nits is uint16; give floats"),
        (GOOD_HDR, (GOOD_SDR * 255).astype(np.uint8), "sdr_signal is uint8; give floats"),
        (np.where(GOOD_HDR > 0, np.nan, 0), GOOD_SDR, "hdr_nits holds values that are not finite"),
        (GOOD_HDR, np.where(GOOD_SDR > 0, np.inf, 0), "sdr_signal holds values that are not finite"),
        (-GOOD_HDR, GOOD_SDR, "linear BT.2020 light is 0 to 10000"),
        (GOOD_HDR * 1000, GOOD_SDR, "linear BT.2020 light is 0 to 10000"),
        (GOOD_HDR, GOOD_SDR * 255, "a BT.709 signal is 0 to 1"),
        (GOOD_HDR, -GOOD_SDR, "a BT.709 signal is 0 to 1"),
    ],
)
def test_what_is_no_pair_of_pictures_is_refused(hdr, sdr, words):
    with pytest.raises(UsageError, match=words):
        compare_pictures(hdr, sdr, **LOOK)


@pytest.mark.parametrize("value", [0.0, -5.0, float("nan")])
def test_an_impossible_pixel_density_is_refused(value):
    with pytest.raises(UsageError, match="pixels_per_degree must be above 0"):
        compare_pictures(GOOD_HDR, GOOD_SDR, pixels_per_degree=value)
