import re
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest

from pairdiff._records import (
    Colour,
    Difference,
    Estimate,
    FreeFit,
    Headline,
    LitRoom,
    OnItsOwn,
    Recovered,
    ScreenResult,
    Setup,
    SetupUncertainty,
    Shadows,
    SideBySide,
    Tone,
)
from pairdiff._settings import Settings
from pairdiff.light.ictcp import JND_SCALE
from pairdiff.score.headroom import Weighting, pool_headroom
from pairdiff.score.tone import CELLS
from pairdiff.verdict.judge import (
    THRESHOLDS,
    Case,
    flips_by_setup,
    headroom_interval,
    judge,
    label_at,
    label_on_screen,
    support_labels,
    tell_power_law,
    with_left_out_flip,
    with_screen_flips,
    with_setup_flips,
)
from pairdiff.verdict.rules import WORDS
from tests.score._pairs import make_pair, make_spread

SETTINGS = Settings(support_draws=60)
CLIPPED = {"clipped_share": 0.05, "bright_clipped_share": 0.95, "detail_jnd": 0.3, "detail_stops": 0.05, "gradual_rim_share": 0.4}


def setup(name, white=100.0):
    return Setup(name, white, 2.4, False, SetupUncertainty(None, None), None, None)


def make_case(
    *pairs,
    residual=3.0,
    free=30.0,
    free_white=100.0,
    colour="measured",
    matched_s=600.0,
    matched_share=0.9,
    spread=0.0,
    fraction=0.1,
    at_bound=False,
    tone_span=300.0,
    **each,
):
    """A title of ten shots of one picture unless pictures are given; `each` changes every picture."""
    pairs = tuple(pairs) or tuple(make_pair(shot=n, **each) for n in range(10))
    weighting = Weighting(np.ones(len(pairs)), np.array([pair.shot for pair in pairs]), fraction)
    gain, controls = setup("gain"), replace(setup("controls"), at_bound=at_bound)
    draws = np.stack([100 * 2 ** (spread * np.linspace(-1, 1, 21)), np.full(21, 2.4)], 1)
    return Case(
        pairs=pairs,
        spreads=tuple(make_spread(pair) for pair in pairs),
        weighting=weighting,
        gain=gain,
        controls=controls,
        nodes=(np.geomspace(30.0, 330.0, 5), np.linspace(2.0, 2.6, 5)),
        white_gamma_draws=draws,
        gain_draws=100 * 2 ** (spread * np.linspace(-1, 1, 21)),
        free_fit=FreeFit("measured", free_white, 2.4, 0.0, free, 1.0, 0.0, free < SETTINGS.power_law_jnd),
        headroom=pool_headroom(pairs, weighting, gain=gain, controls=controls, settings=SETTINGS),
        recovered=Recovered("measured", 0.05, 0.9, pairs[0].detail_jnd, 0.05, 0.05, 0.0),
        shadows=Shadows("not_applicable", None, 0.0, None, None),
        colour=Colour(colour, 0.0, 0.0, None, 60.0),
        tone=Tone("measured", False, 0.5, (), (), residual, None),
        tone_span_jnd=tone_span,
        matched_s=matched_s,
        matched_share_of_shorter=matched_share,
        names=("gain", "controls"),
    )


SHIFTED = {"controls": 6.0, "gain": 6.0, "free": 6.0}
CASES = {
    "sdr-in-hdr-container": make_case(),
    "different-grade": make_case(tone_shift_jnd=SHIFTED),
    "restrained-hdr": make_case(hdr_p999_nits=150.0),
    "wider-range": make_case(hdr_p999_nits=500.0),
    "stretched-sdr": make_case(hdr_p999_nits=500.0, **CLIPPED),
    "undetermined": make_case(matched_s=0.5),
}


@pytest.mark.parametrize("label", CASES)
def test_a_clear_case_gets_its_label_its_words_and_full_support(label):
    verdict = judge(CASES[label], SETTINGS)
    assert verdict.label == label
    assert verdict.words == WORDS[label]
    assert verdict.support == {label: 1.0}
    assert verdict.sentence.startswith(WORDS[label][0].upper() + WORDS[label][1:])
    assert verdict.sentence.endswith(".")
    assert verdict.tone == ("regraded" if label == "different-grade" else "as the SDR")
    assert len(verdict.reasons) >= 5


@pytest.mark.parametrize("label", CASES)
def test_support_sums_to_one_and_is_sorted(label):
    support = support_labels(replace(CASES[label], white_gamma_draws=np.array([[60.0, 2.2], [250.0, 2.5]])), SETTINGS)
    assert sum(support.values()) == pytest.approx(1)
    assert list(support.values()) == sorted(support.values(), reverse=True)
    assert set(support) <= set(WORDS)


@pytest.mark.parametrize(
    ("stops", "state"), [(0.29, "same"), (0.3, "slightly_more"), (0.99, "slightly_more"), (1.0, "clearly_more"), (-2, "same")]
)
def test_highlights_begin_at_the_thresholds(stops, state):
    assert judge(make_case(hdr_p999_nits=100 * 2**stops * (1 + 1e-9)), SETTINGS).axes["highlights"] == state


@pytest.mark.parametrize(("share", "state"), [(0.0, "same"), (0.0049, "same"), (0.005, "slightly_more"), (0.05, "clearly_more")])
def test_colour_begins_at_the_thresholds(share, state):
    assert judge(make_case(outside_709_share=share * (1 + 1e-9)), SETTINGS).axes["colour"] == state


def test_colour_alone_is_another_grade():
    verdict = judge(make_case(outside_709_share=0.2), SETTINGS)
    assert verdict.label == "different-grade"
    assert "colour alone" in verdict.sentence


def test_a_black_and_white_film_has_no_colour_axis_and_the_sentence_says_so():
    verdict = judge(make_case(colour="not_applicable", outside_709_share=0.9), SETTINGS)
    assert verdict.axes["colour"] == "not_applicable"
    assert verdict.label == "sdr-in-hdr-container"
    assert "colour (does not apply)" in verdict.sentence


def test_where_the_sdr_is_never_at_its_last_codes_shadows_do_not_apply_and_the_sentence_says_so():
    verdict = judge(CASES["wider-range"], SETTINGS)
    assert verdict.axes["shadows"] == "not_applicable"
    assert verdict.sentence.endswith("Counts as no gain: shadows (does not apply).")


@pytest.mark.parametrize(
    ("share", "axis", "label"),
    [(0.01, "same", "sdr-in-hdr-container"), (0.05, "slightly_more", "restrained-hdr"), (0.2, "clearly_more", "wider-range")],
)
def test_shadow_detail_over_enough_of_the_picture_moves_axis_and_label(share: float, axis: str, label: str):
    case = make_case(dark_share=0.3, shadow_gain_jnd=3.0, shadow_gamma_jnd=0.1, shadow_gained_share=share)
    verdict = judge(replace(case, shadows=Shadows("measured", 3.0, 0.3, share, 0.1)), SETTINGS)
    assert verdict.axes["shadows"] == axis
    assert verdict.label == label
    assert verdict.support == {label: 1.0}


def test_a_power_law_has_the_same_highlights_whatever_the_headroom():
    verdict = judge(make_case(hdr_p999_nits=900.0, free=1.0, free_white=900.0), SETTINGS)
    assert verdict.axes["highlights"] == "same"
    assert verdict.label == "sdr-in-hdr-container"
    assert any("power law of the SDR, so highlights count as the same" in reason for reason in verdict.reasons)


def test_glints_above_white_that_the_sdr_has_too_are_explained_by_a_power_law():
    copied = {"hdr_p999_nits": 900.0 * 1.085**2.4, "free": 1.0, "free_white": 850.0, "sdr_p999_with_glints_code": 1.085}
    assert judge(make_case(**copied), SETTINGS).label == "sdr-in-hdr-container"
    assert judge(make_case(**{**copied, "sdr_p999_with_glints_code": 1.0}), SETTINGS).label == "wider-range"


def test_a_power_law_that_leaves_the_highlights_unexplained_is_none():
    verdict = judge(make_case(hdr_p999_nits=900.0, free=1.0, free_white=150.0), SETTINGS)
    assert verdict.axes["highlights"] == "clearly_more"
    assert verdict.label == "wider-range"
    assert any("not a power law of the SDR" in reason for reason in verdict.reasons)


def test_a_power_law_beyond_the_set_is_no_other_grade():
    shifted = {"controls": 9.0, "gain": 9.0, "free": 0.5}
    beyond = {"hdr_p999_nits": 900.0, "free_white": 900.0, "at_bound": True, "tone_shift_jnd": shifted}
    verdict = judge(make_case(free=1.0, **beyond), SETTINGS)
    assert verdict.label == "sdr-in-hdr-container"
    assert verdict.tone == "as the SDR"
    assert "beyond what the SDR set can be turned to" in verdict.sentence
    assert "Without the rule that a power law of the SDR is the SDR picture: HDR that widens the picture." in verdict.flips
    assert any("at the free fit" in reason for reason in verdict.reasons)
    assert judge(make_case(free=1.0, **{**beyond, "tone_shift_jnd": {**shifted, "free": 9.0}}), SETTINGS).label == "different-grade"


@pytest.mark.parametrize(("gamma", "label"), [(2.8, "sdr-in-hdr-container"), (3.1, "undetermined")])
def test_a_power_law_steeper_than_any_set_leaves_open_which_was_made_of_which(gamma: float, label: str):
    case = make_case(
        hdr_p999_nits=900.0, free=1.0, free_white=900.0, at_bound=True, tone_shift_jnd={"controls": 0.5, "gain": 0.5, "free": 0.5}
    )
    verdict = judge(replace(case, free_fit=replace(case.free_fit, gamma=gamma)), SETTINGS)
    assert (verdict.label, verdict.support) == (label, {label: 1.0})
    assert ("the same curve drew up" in verdict.sentence) is (label == "undetermined")
    low = make_case(hdr_p999_nits=100.0, free=1.0, tone_shift_jnd={"controls": 0.5, "gain": 0.5, "free": 0.5})
    assert judge(replace(low, free_fit=replace(low.free_fit, gamma=gamma)), SETTINGS).label == "sdr-in-hdr-container"


def test_detail_where_the_sdr_is_clipped_is_no_power_law():
    power = {"hdr_p999_nits": 900.0, "free": 1.0, "free_white": 900.0, **CLIPPED}
    assert judge(make_case(**power), SETTINGS).label == "sdr-in-hdr-container"
    assert judge(make_case(**{**power, "detail_jnd": 4.0}), SETTINGS).label == "wider-range"


@pytest.mark.parametrize(("detail", "law"), [(0.5, True), (0.9, True), (1.1, False)])
def test_what_encoders_leave_in_clipped_areas_does_not_speak_against_a_power_law(detail: float, law: bool):
    # `recovered_jnd` is 1 JND; a relabelled picture of 618 cd/m2 read 0.5 JND there
    case = make_case(hdr_p999_nits=900.0, free=1.0, free_white=900.0, clipped_share=0.05, detail_jnd=detail, detail_stops=0.1)
    assert (judge(case, replace(SETTINGS, threshold_spread=0.0)).axes["highlights"] == "same") is law


def curve_that_lifts(stops_at_half: float, stops_at_white: float) -> dict[str, tuple[float, ...]]:
    """A title curve from black to SDR white, 100 cd/m2, that leaves dark tones where they are."""
    sdr = np.geomspace(0.1, 100.0, 60)
    lift = np.interp(np.log2(sdr / 100), [-4, -1, 0], [0, stops_at_half, stops_at_white])
    return {"curve_sdr_nits": tuple(sdr), "curve_hdr_nits": tuple(sdr * 2**lift)}


@pytest.mark.parametrize(
    ("half", "shift", "label"),
    [(0.6, 3.6, "different-grade"), (0.0, 3.6, "restrained-hdr"), (0.6, 1.0, "restrained-hdr"), (0.2, 3.6, "restrained-hdr")],
)
def test_what_another_grade_lifts_bright_tones_by_as_well_is_no_headroom(half: float, shift: float, label: str):
    # 0.6 stops above SDR white; a steeper grade lifts what lies at half of SDR white as far, highlights do not
    shifts = dict.fromkeys((*make_case().names, "free"), shift)
    case = make_case(hdr_p999_nits=100 * 2**0.6, tone_shift_jnd=shifts)
    case = replace(case, tone=replace(case.tone, **curve_that_lifts(half, 0.6)))
    verdict = judge(case, replace(SETTINGS, threshold_spread=0.0))
    assert verdict.label == label
    assert any("lifts tones below the highlights by 0.6" in one for one in verdict.reasons) is (label == "different-grade")


@pytest.mark.parametrize(("half", "label"), [(1.4, "stretched-sdr"), (1.6, "different-grade")])
def test_a_stretch_that_begins_low_is_one_if_it_lifts_the_top_most(half: float, label: str):
    # 1.5 stops above SDR white, all of it where the SDR is clipped; a steeper grade lifts what lies below the top more than the top
    shifts = dict.fromkeys((*make_case().names, "free"), 3.6)
    case = make_case(hdr_p999_nits=100 * 2**1.5, tone_shift_jnd=shifts, **CLIPPED)
    case = replace(case, tone=replace(case.tone, **curve_that_lifts(half, 1.5)))
    assert judge(case, replace(SETTINGS, threshold_spread=0.0)).label == label


@pytest.mark.parametrize(("top", "label"), [(1.5, "restrained-hdr"), (0.5, "different-grade"), (0.7, "restrained-hdr")])
def test_bright_tones_that_are_lifted_less_than_the_top_are_the_beginning_of_its_range(top: float, label: str):
    # half of SDR white is lifted by 0.5 stops, the level that counts by 0.75: a range that goes on above, or contrast that ends at the top
    shifts = dict.fromkeys((*make_case().names, "free"), 3.6)
    case = make_case(hdr_p999_nits=100 * 2**0.75, tone_shift_jnd=shifts)
    case = replace(case, tone=replace(case.tone, **curve_that_lifts(0.5, top)))
    assert judge(case, replace(SETTINGS, threshold_spread=0.0)).label == label


@pytest.mark.parametrize(("spread", "label"), [(0.05, "restrained-hdr"), (0.39, "different-grade")])
def test_other_gains_of_the_channels_are_no_highlights_where_the_sdr_is_clipped(spread: float, label: str):
    # 0.35 stops above SDR white, of which the shift of tone and colour explains 0.15 or so; over clipped areas channels with gains of their
    # own end at several levels, which no stretch leaves behind (that no one curve explains the film keeps the stretched label out of this)
    shifts = dict.fromkeys((*make_case().names, "free"), 8.5)
    case = make_case(hdr_p999_nits=100 * 2**0.35, tone_shift_jnd=shifts, residual=30.0, **{**CLIPPED, "detail_stops": spread})
    assert judge(case, replace(SETTINGS, threshold_spread=0.0)).label == label


@pytest.mark.parametrize(("free", "flat_shift", "same"), [(3.5, 2.0, True), (3.5, 2.6, False), (5.1, 2.0, False)])
def test_noise_does_not_make_highlights_of_what_a_set_lacks_in_brightness(free: float, flat_shift: float, same: bool):
    # the HDR at 450 cd/m2 beside a set that ends at 300: what noise leaves of the power law is no headroom; another grade would be
    shifts = {"controls": 6.0, "gain": 6.0, "free": flat_shift}
    case = make_case(hdr_p999_nits=470.0, free=free, free_white=450.0, at_bound=True, tone_shift_jnd=shifts)
    case = replace(
        case,
        controls=replace(case.controls, white_nits=300.0),
        gain=replace(case.gain, white_nits=300.0),
        white_gamma_draws=np.tile([300.0, 2.4], (21, 1)),
        gain_draws=np.full(21, 300.0),
    )
    settings = replace(SETTINGS, threshold_spread=0.0)
    assert (judge(case, settings).label == "sdr-in-hdr-container") is same
    assert judge(replace(case, controls=replace(case.controls, at_bound=False)), settings).label != "sdr-in-hdr-container"


def test_axes_and_label_are_of_the_same_draws():
    # just above the threshold as the figures stand, below it in four draws of five, which take noise off
    verdict = judge(make_case(hdr_p999_nits=100 * 2**0.32, level_noise_stops=0.4), replace(SETTINGS, threshold_spread=0.01))
    assert (verdict.label, verdict.axes["highlights"]) == ("sdr-in-hdr-container", "same")
    assert any("As they stand the figures give" in reason for reason in verdict.reasons)


def test_a_flip_never_names_the_label_itself():
    for gradual in (0.055, 0.06, 0.065):  # on either side of the limit, where draws leave the label open
        verdict = judge(make_case(hdr_p999_nits=400.0, **{**CLIPPED, "gradual_rim_share": gradual}), SETTINGS)
        moved = [flip for flip in verdict.flips if "instead of" in flip]
        assert not any(flip.endswith(f": {verdict.words}.") for flip in moved), moved


def test_the_reason_says_how_much_must_be_clipped_where_highlights_gain_and_only_there():
    def reason(nits: float) -> str:
        return next(one for one in judge(make_case(hdr_p999_nits=nits, **CLIPPED), SETTINGS).reasons if one.startswith("Where the SDR"))

    assert "(5.00% of the picture on average, stretched from 2%)" in reason(400.0)
    assert "Of what lies above SDR white, stops times area, 90% is there (stretched from 50%)." in reason(400.0)
    assert "(5.00% of the picture on average)" in reason(100.0)
    assert "Of what lies above" not in reason(100.0)


def test_a_stretched_picture_is_told_from_evenly_lit_surfaces_and_says_by_what():
    verdict = judge(make_case(hdr_p999_nits=400.0, **CLIPPED), SETTINGS)
    assert verdict.label == "stretched-sdr"
    said = next(reason for reason in verdict.reasons if "flat in any grade" in reason)
    assert "at 40% of the rim" in said
    assert not any("flat in any grade" in reason for reason in judge(make_case(hdr_p999_nits=400.0), SETTINGS).reasons)


@pytest.mark.parametrize(("gradual", "label"), [(0.03, "undetermined"), (0.2, "stretched-sdr"), (None, "stretched-sdr")])
def test_clipped_areas_that_end_at_sharp_edges_can_be_evenly_lit_surfaces(gradual: float | None, label: str):
    verdict = judge(make_case(hdr_p999_nits=400.0, **{**CLIPPED, "gradual_rim_share": gradual}), SETTINGS)
    assert (verdict.label, verdict.support) == (label, {label: 1.0})
    assert ("sharp edges" in verdict.sentence) is (label == "undetermined")
    assert "headroom" in verdict.sentence


@pytest.mark.parametrize(("rise", "label"), [(0.3, "stretched-sdr"), (2.7, "undetermined"), (None, "stretched-sdr")])
def test_what_looks_clipped_and_still_rises_is_a_shoulder(rise: float | None, label: str):
    verdict = judge(make_case(hdr_p999_nits=400.0, **CLIPPED, rise_codes=rise), SETTINGS)
    assert (verdict.label, verdict.support) == (label, {label: 1.0})
    assert ("held in them" in verdict.sentence) is (label == "undetermined")
    assert any(f"rises by {rise} 8-bit codes" in reason for reason in verdict.reasons) is (rise is not None)


@pytest.mark.parametrize(("below", "label"), [(0.05, "undetermined"), (1.2, "stretched-sdr")])
def test_levels_that_leap_at_the_top_of_the_sdr_can_be_light_or_a_mask(below: float, label: str):
    # two stops above SDR white at the top; at nine tenths of it hardly anything, or most of it
    sdr = np.array([1.0, 50.0, 90.0, 99.0, 100.0])
    curve = {"curve_sdr_nits": tuple(sdr), "curve_hdr_nits": tuple(sdr * 2 ** np.array([0, 0, below, below, 2.0]))}
    case = make_case(hdr_p999_nits=400.0, **CLIPPED)
    case = replace(case, tone=replace(case.tone, **curve))
    verdict = judge(case, SETTINGS)
    assert verdict.label == label
    assert ("leaps to that level" in verdict.sentence) is (label == "undetermined")
    detailed = replace(case, pairs=tuple(replace(pair, detail_jnd=20.0) for pair in case.pairs))
    assert judge(detailed, SETTINGS).label == "wider-range"


@pytest.mark.parametrize(("spread", "label"), [(0.3, "stretched-sdr"), (0.5, "wider-range")])
def test_half_a_stop_between_clipped_areas_is_not_flat_however_large_the_headroom(spread: float, label: str):
    case = make_case(hdr_p999_nits=1600.0, **{**CLIPPED, "detail_stops": spread})  # 4 stops, of which 40 % would be 1.6
    assert judge(case, replace(SETTINGS, threshold_spread=0.0)).label == label


def test_what_a_grade_lifts_bright_tones_by_is_told_at_the_set_up_asked_for():
    # at half of white a gamma of 2.0 for 2.4 shows 0.17 stop more, which so much less is lifted by the grade
    case = make_case(hdr_p999_nits=100 * 2**0.6, tone_shift_jnd=dict.fromkeys((*make_case().names, "free"), 3.6))
    case = replace(case, tone=replace(case.tone, **curve_that_lifts(0.42, 0.4)))
    assert label_at(case, setup("controls", 100.0), SETTINGS) == "different-grade"
    assert label_at(case, replace(setup("controls", 100.0), gamma=2.0), SETTINGS) == "restrained-hdr"


def test_noise_that_can_make_the_highlights_leaves_the_label_open():
    level = 100 * 2**0.45
    assert judge(make_case(hdr_p999_nits=level), SETTINGS).label == "restrained-hdr"
    noisy = judge(make_case(hdr_p999_nits=level, level_noise_stops=0.5), SETTINGS)
    assert noisy.label == "undetermined"
    assert set(noisy.support) == {"restrained-hdr", "sdr-in-hdr-container"}
    assert judge(make_case(hdr_p999_nits=1000.0, level_noise_stops=0.5), SETTINGS).label == "wider-range"


def test_the_label_is_the_one_that_leads_in_the_draws_and_the_reason_says_so():
    # 1.02 stops as measured; up to 0.9 stop of it can be noise, so that nearly all draws lie below 1.0
    verdict = judge(make_case(hdr_p999_nits=100 * 2**1.02, level_noise_stops=0.9), replace(SETTINGS, support_min=0.7, threshold_spread=0.0))
    assert verdict.support["restrained-hdr"] >= 0.7
    assert verdict.label == "restrained-hdr"
    assert any(reason.startswith("As they stand the figures give: HDR that widens the picture.") for reason in verdict.reasons)
    assert "slightly" in verdict.sentence
    plain = judge(CASES["restrained-hdr"], SETTINGS)
    assert not any(reason.startswith("As they stand") for reason in plain.reasons)


def test_what_another_grade_moves_everywhere_is_no_headroom():
    # a stop at 100 cd/m2 is (PQ(200) - PQ(100)) x 720 = 51 JND (ST 2084); a shift of 12 JND is 0.23 stop, of 2 JND not another grade
    moved = {"controls": 12.0, "gain": 12.0, "free": 12.0}
    verdict = judge(make_case(hdr_p999_nits=100 * 2**0.4, tone_shift_jnd=moved), replace(SETTINGS, threshold_spread=0.0))
    assert verdict.axes["highlights"] == "same"
    assert verdict.label == "different-grade"
    assert any("Another grade, which lifts tones below the highlights by 0.23 stops" in reason for reason in verdict.reasons)
    more = judge(make_case(hdr_p999_nits=100 * 2**0.6, tone_shift_jnd=moved), SETTINGS)
    assert more.axes["highlights"] == "slightly_more"
    clear = judge(make_case(hdr_p999_nits=100 * 2**1.1, tone_shift_jnd=moved), SETTINGS)
    assert clear.axes["highlights"] == "clearly_more"
    untouched = judge(make_case(hdr_p999_nits=100 * 2**0.4, tone_shift_jnd={"controls": 2.0, "gain": 2.0, "free": 2.0}), SETTINGS)
    assert untouched.axes["highlights"] == "slightly_more"
    assert not any("Another grade, which" in reason for reason in untouched.reasons)


def test_a_peak_ratio_is_not_said_to_be_above_what_the_set_can_show():
    verdict = judge(make_case(hdr_p999_nits=90.0, sdr_p999_code=0.6), SETTINGS)
    assert verdict.axes["highlights"] == "clearly_more"
    assert "stay below its own white" in verdict.sentence
    assert "above what the SDR set can show" not in verdict.sentence
    assert not any("above what the SDR set can show" in reason for reason in verdict.reasons)


def test_what_another_grade_takes_of_the_headroom_is_told():
    case = make_case(hdr_p999_nits=250.0, tone_shift_jnd={**SHIFTED, "controls": 20.0})
    reasons = " ".join(judge(case, SETTINGS).reasons)
    taken = float(re.search(r"can have made (\d\.\d\d) stops of them; (\d\.\d\d) are left, and from 0\.3 they count", reasons)[1])
    left = float(re.search(r"; (\d\.\d\d) are left", reasons)[1])
    assert taken > 0.2
    assert taken + left == pytest.approx(np.log2(2.5), abs=0.02)
    assert "are left" not in " ".join(judge(make_case(hdr_p999_nits=250.0), SETTINGS).reasons)


def test_the_sentence_names_the_white_that_the_headroom_is_over():
    case = make_case(hdr_p999_nits=300.0)
    brighter = replace(case.gain, white_nits=130.0)
    room = pool_headroom(case.pairs, case.weighting, gain=brighter, controls=case.controls, settings=SETTINGS)
    gained = judge(replace(case, gain=brighter, gain_draws=np.full(21, 130.0), headroom=room), SETTINGS).sentence
    assert (
        f"headroom +{np.log2(300 / 130):.2f} stops with a gain alone, which is less and counts, and +{np.log2(3):.2f} stops with "
        "all of the set's controls; tone shift" in gained
    )
    assert "gain alone" not in judge(case, SETTINGS).sentence


def test_a_label_that_hangs_on_the_seed_says_so():
    found = [judge(make_case(hdr_p999_nits=nits, spread=0.3), SETTINGS) for nits in np.linspace(180.0, 290.0, 23)]
    near = [one for one in found if 0.7 < next(iter(one.support.values())) < 0.9]
    assert near
    for one in near:
        share = next(iter(one.support.values()))
        error = 2 * np.sqrt(share * (1 - share) / SETTINGS.support_draws)
        told = [flip for flip in one.flips if flip.startswith("Another seed")]
        assert bool(told) == (abs(share - SETTINGS.support_min) < error)
    assert any(flip.startswith("Another seed") for one in near for flip in one.flips)
    assert not any(flip.startswith("Another seed") for flip in judge(CASES["wider-range"], SETTINGS).flips)


def test_an_open_label_has_its_rule_with_the_doubt_set_aside_and_its_loss():
    case = make_case(hdr_p999_nits=205.0, spread=0.3)
    verdict = judge(case, SETTINGS)
    assert verdict.label == "undetermined"
    assert verdict.reasons[0].startswith("Rule, if the doubt is set aside: ")
    assert "JOD for the SDR side" in verdict.sentence
    assert judge(CASES["wider-range"], SETTINGS).reasons[0].startswith("Rule: ")


def test_the_shots_are_told_beside_the_median_shift_of_tone():
    pairs = [make_pair(shot=n, tone_shift_jnd={"controls": jnd, "gain": jnd, "free": 40.0}) for n, jnd in enumerate((0.5, 0.7, 8.0))]
    reason = next(one for one in judge(make_case(*pairs), SETTINGS).reasons if one.startswith("Tone:"))
    assert "a shift of 0.7 JND at the set-up, the median over matched time (shots: 0.5 to 8.0" in reason


def test_an_sdr_that_hardly_reaches_its_white_is_told_with_what_the_other_measure_gives():
    case = make_case(hdr_p999_nits=150.0, sdr_p999_code=0.86)
    reason = next(one for one in judge(case, SETTINGS).reasons if one.startswith("Highlights:"))
    assert "The SDR itself reaches a signal of 86%" in reason
    assert f"{np.log2(1.5 / 0.86**2.4):+.2f} stops above that" in reason
    for code in (0.93, 1.0):  # by a fifth more light the limit is 0.917
        assert "itself reaches" not in " ".join(judge(make_case(hdr_p999_nits=150.0, sdr_p999_code=code), SETTINGS).reasons)


def test_little_noise_is_told_where_a_threshold_lies_within_it():
    def noise_told(nits: float) -> bool:
        return "Noise of the copies" in " ".join(judge(make_case(hdr_p999_nits=nits, level_noise_stops=0.05), SETTINGS).reasons)

    assert noise_told(100 * 2**1.03)
    assert not noise_told(100 * 2**1.2)


def test_marks_that_stand_still_are_told_and_what_they_would_change_too():
    pairs = [make_pair(shot=n, hdr_p999_with_marks_nits=900.0, standing_share=0.002) for n in range(10)]
    verdict = judge(make_case(*pairs), SETTINGS)
    assert verdict.label == "sdr-in-hdr-container"
    assert any("Marks that stand still" in reason and "0.20%" in reason and "+3.17 stops" in reason for reason in verdict.reasons)
    assert "Left out: bright marks that stand still through the film, 0.20% of the picture." in verdict.sentence
    assert "Counting the marks that stand still through the film as highlights: HDR that widens the picture." in verdict.flips


def test_marks_count_on_both_sides():
    # a lamp that never moves: the SDR, dark without it, reaches its white there
    pairs = [
        make_pair(
            shot=n, hdr_p999_nits=30.0, sdr_p999_code=0.6, hdr_p999_with_marks_nits=300.0, sdr_p999_with_marks_code=1.0, standing_share=0.02
        )
        for n in range(10)
    ]
    case = make_case(*pairs)
    assert case.headroom.uses_peak_ratio
    assert case.headroom.stops_with_marks == pytest.approx(np.log2(3), abs=0.01)
    assert "Counting the marks that stand still through the film as highlights: HDR that widens the picture." in judge(case, SETTINGS).flips
    dim = make_case(*(replace(pair, hdr_p999_with_marks_nits=110.0) for pair in pairs))
    assert not any("Counting the marks" in flip for flip in judge(dim, SETTINGS).flips)


@pytest.mark.parametrize(
    ("white", "left", "reached", "gains"),
    [(300.0, 6.0, 900.0, False), (300.0, 6.0, 1400.0, True), (300.0, 9.0, 900.0, True), (200.0, 6.0, 900.0, True)],
    ids=["brighter-set", "above-that-set", "not-followed", "within-reach"],
)
def test_beyond_the_brightest_set_highlights_are_held_against_the_white_of_the_free_fit(white, left, reached, gains):
    shifts = dict.fromkeys(("controls", "gain", "free"), 9.0)
    case = make_case(hdr_p999_nits=reached, free=left, free_white=900.0, at_bound=True, tone_shift_jnd=shifts)
    case = replace(case, controls=replace(case.controls, white_nits=white), white_gamma_draws=np.tile([white, 2.4], (21, 1)))
    case = replace(case, gain=replace(case.gain, white_nits=white), gain_draws=np.full(21, white))
    verdict = judge(case, replace(SETTINGS, threshold_spread=0.0))
    assert (verdict.axes["highlights"] != "same") is gains
    assert (verdict.label == "different-grade") is not gains


def test_what_is_brief_is_told():
    def told(shots: int) -> bool:
        pairs = [make_pair(shot=n, hdr_p999_nits=400.0 if n < shots else 90.0) for n in range(20)]
        said = " ".join(judge(make_case(*pairs), SETTINGS).reasons)
        return "of matched time highlights reach 0.3 stops or more, +2.00 stops at most" in said

    assert told(1)
    assert not told(0)
    assert not told(10)


def test_what_was_left_out_has_the_last_word_on_marks():
    flips = ("Counting the marks that stand still through the film as highlights: x.", "Another one.")
    verdict = replace(judge(make_case(), SETTINGS), flips=flips)
    everything = Headline("wider-range", None, None, None, None, None, None, None)
    assert with_left_out_flip(verdict, None).flips == flips
    assert with_left_out_flip(verdict, replace(everything, label=verdict.label)).flips == flips[1:]
    said = with_left_out_flip(verdict, everything).flips
    assert said == (
        "Another one.",
        "Counting what was left out (marks, logos, credits, flashes, damage or words): HDR that widens the picture.",
    )


@pytest.mark.parametrize(("left", "found"), [(1.0, True), (4.0, True), (30.0, False)])
def test_the_free_fit_says_what_the_verdict_takes_it_for(left: float, found: bool):
    # beyond the set a copy's noise may leave up to 5 JND
    shifted = {"controls": 9.0, "gain": 9.0, "free": 0.5}
    case = make_case(hdr_p999_nits=900.0, free=left, free_white=900.0, at_bound=True, tone_shift_jnd=shifted)
    assert tell_power_law(case, SETTINGS).power_law is found


def test_everything_measured_leaves_no_sampling_of_shots():
    pairs = [make_pair(shot=n, hdr_p999_nits=1000.0 if n < 2 else 90.0) for n in range(10)]
    sampled, whole = (support_labels(make_case(*pairs, fraction=fraction), SETTINGS) for fraction in (0.1, 1.0))
    assert len(sampled) == 2
    assert whole["wider-range"] > 0.95 > sampled["wider-range"]


def cell_shifts(jnd: Any) -> Any:
    """Signed shifts of intensity at the nodes of a set, alike in every cell."""
    shifts = np.zeros((5, 5, CELLS, 3), np.float16)
    shifts[..., 0] = np.asarray(jnd) / JND_SCALE
    return shifts


@pytest.mark.parametrize(("whole", "drawn", "tone"), [(2.4, 3.5, "regraded"), (2.6, 1.0, "as the SDR")])
def test_where_the_draws_decide_the_tone_is_theirs_too(whole: float, drawn: float, tone: str):
    case = make_case(tone_shift_jnd={"controls": whole, "gain": whole, "free": whole})
    case = replace(case, spreads=tuple(replace(s, cell_shifts=cell_shifts(drawn)) for s in case.spreads))
    verdict = judge(case, SETTINGS)
    assert (verdict.label == "different-grade", verdict.tone) == (tone == "regraded", tone)
    assert any("As they stand the figures give" in reason for reason in verdict.reasons)


def test_the_tone_shift_runs_through_nothing_between_two_gammas_as_well():
    # the draws' gamma, 2.4, lies two thirds of the way from 2.3 to 2.45: there the shift is 0
    case = make_case(tone_shift_jnd={"controls": 0.0, "gain": 0.0, "free": 0.0})
    shifts = cell_shifts(np.array([-9.0, -9.0, -6.0, 3.0, 9.0])[None, :, None])
    case = replace(case, spreads=tuple(replace(s, cell_shifts=shifts) for s in case.spreads))
    assert support_labels(case, SETTINGS) == {"sdr-in-hdr-container": 1.0}


def test_a_threshold_that_is_a_signal_is_varied_in_light():
    # an SDR that reaches 0.9 of signal; the peak ratio over what it shows there is 0.36 stops more than headroom over its white
    verdict = judge(make_case(hdr_p999_nits=100 * 2**0.8, sdr_p999_code=0.9), SETTINGS)
    moved = 0.85 * 1.2 ** (1 / 2.4)  # BT.1886: a fifth more light
    assert f"peak_ratio_below_code at {moved:.3g} instead of 0.85: HDR that widens the picture." in verdict.flips


def test_the_tone_shift_of_a_draw_is_the_one_at_its_set_up():
    case = make_case(spread=1.0)
    shifts = cell_shifts(np.array([-9.0, -3.0, 3.0, 9.0, 15.0])[:, None, None])  # moves with the white of the set, and has a sign
    case = replace(case, spreads=tuple(replace(s, cell_shifts=shifts) for s in case.spreads))
    support = support_labels(case, replace(SETTINGS, threshold_spread=0.0))
    assert 0.1 < support["different-grade"] < 0.9
    assert support["sdr-in-hdr-container"] > 0.1  # between -3 and 3 lies 0, which no mean of the two sizes is


@pytest.mark.parametrize("name", ["headroom_area_share", "gamut_margin_jnd"])
def test_area_and_margin_are_varied_too(name):
    case = make_case()
    grow = {"headroom_area_share": "hdr_nits", "gamut_margin_jnd": "outside_709_share"}[name]
    values = (500.0, 500.0, 100.0, 90.0, 80.0) if grow == "hdr_nits" else (0.2, 0.1, 0.0, 0.0, 0.0)
    case = replace(case, spreads=tuple(replace(s, **{grow: values}) for s in case.spreads))
    assert judge(case, SETTINGS).label in ("sdr-in-hdr-container", "undetermined")
    assert len(support_labels(case, SETTINGS)) > 1
    assert any(flip.startswith(f"{name} at") for flip in judge(case, SETTINGS).flips)


def test_no_number_is_a_negative_nothing():
    verdict = judge(make_case(hdr_p999_nits=100 * 2**-0.001), SETTINGS)
    assert "-0.00" not in verdict.sentence + " ".join(verdict.reasons)


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"tone_shift_jnd": {**SHIFTED, "controls": 20.0}}, r"Shift of tone and colour below 2\.5 JND, instead of 20\.0 JND: "),
        ({}, r"Shift of tone and colour from 2\.5 JND, instead of \d\.\d JND: another grade, not more range"),
        ({}, r"Picture outside BT\.709 from 0\.50%, instead of nothing: another grade, not more range"),
    ],
)
def test_a_figure_that_changes_the_label_by_crossing_its_threshold_is_named(changes, said):
    verdict = judge(make_case(hdr_p999_nits=100.0, **changes), SETTINGS)
    assert any(re.match(said, flip) for flip in verdict.flips), verdict.flips


def test_what_is_crossed_changes_the_label_when_it_is_so():
    """The pictures are made so that the figure lies there, just below and just above its threshold."""
    above, below = (make_case(hdr_p999_nits=100.0, tone_shift_jnd={**SHIFTED, "controls": shift}) for shift in (20.0, 2.4))
    (flip,) = [one for one in judge(above, SETTINGS).flips if one.startswith("Shift of tone")]
    assert flip == f"Shift of tone and colour below 2.5 JND, instead of 20.0 JND: {WORDS['sdr-in-hdr-container']}."
    assert max(judge(below, SETTINGS).support.items(), key=lambda one: one[1])[0] == "sdr-in-hdr-container"


def test_every_label_of_the_support_is_in_the_flips():
    case = make_case(*(make_pair(shot=n, hdr_p999_nits=1000.0 if n < 2 else 90.0) for n in range(10)))
    verdict = judge(case, SETTINGS)
    base = WORDS[max(verdict.support, key=verdict.support.get)]
    assert len(verdict.support) > 1
    assert all(WORDS[label] == base or any(WORDS[label] in flip for flip in verdict.flips) for label in verdict.support)


@pytest.mark.parametrize(
    "changed",
    [
        {"bright_clipped_share": 0.1},
        {"detail_jnd": 9.0},
        {"detail_stops": 2.0},
        {"clipped_share": 0.0001},
        {"clipped_share": 0.01},
    ],
    ids=lambda changed: "{0[0]} {0[1]}".format(*changed.items()),
)
def test_stretched_needs_clipping_there_and_flatness_there(changed):
    assert judge(make_case(hdr_p999_nits=500.0, **{**CLIPPED, **changed}), SETTINGS).label == "wider-range"


def test_a_picture_that_only_grain_keeps_from_stretched_is_told_to_be_so():
    verdict = judge(make_case(hdr_p999_nits=500.0, **{**CLIPPED, "detail_jnd": 3.0}), SETTINGS)
    assert verdict.label == "wider-range"
    assert any("could be grain" in reason for reason in verdict.reasons)
    assert not any("could be grain" in reason for reason in judge(make_case(hdr_p999_nits=500.0), SETTINGS).reasons)


def test_a_flip_out_of_a_stretched_picture_says_what_flat_is():
    """A spread of 0.23 stops is flat at 2.32 stops of headroom, no longer where 40 % of it is less, from 0.57 down: 1.76 stops less."""
    flips = judge(make_case(hdr_p999_nits=500.0, **{**CLIPPED, "detail_stops": 0.2}), SETTINGS).flips
    told = next(flip for flip in flips if "stops less headroom" in flip)
    assert WORDS["restrained-hdr"] in told
    assert "(flat is a spread below 40% of the headroom and 0.4 stops, and the 0." in told
    assert told.endswith(f" are no longer below that): {WORDS['restrained-hdr']}.")
    assert not any("flat is" in flip for flip in judge(make_case(hdr_p999_nits=500.0), SETTINGS).flips)


def test_a_power_law_that_overshoots_the_highlights_is_none():
    verdict = judge(make_case(hdr_p999_nits=900.0, free=1.0, free_white=1800.0), SETTINGS)
    assert verdict.label == "wider-range"


def test_stretched_needs_one_curve():
    assert judge(make_case(hdr_p999_nits=500.0, residual=40.0, **CLIPPED), SETTINGS).label == "wider-range"


@pytest.mark.parametrize("few", [{"matched_s": 0.9}, {"matched_share": 0.19}])
def test_too_little_matched_is_undetermined_whatever_the_scores(few):
    verdict = judge(make_case(hdr_p999_nits=2000.0, **few), SETTINGS)
    assert verdict.label == "undetermined"
    assert "too little of the two releases could be matched" in verdict.sentence


def test_too_little_matched_says_how_much_and_what_it_would_be():
    verdict = judge(make_case(hdr_p999_nits=500.0, matched_share=0.1969), SETTINGS)
    assert verdict.label == "undetermined"
    assert any("19.7% of the shorter release or of what --only names, from 20% (--min-matched-share)" in one for one in verdict.reasons)
    assert f"With no limit to how little may be matched: {WORDS['wider-range']}." in verdict.flips
    enough = judge(CASES["wider-range"], SETTINGS)
    assert not any(one.startswith("Matched:") for one in enough.reasons)
    assert not any("how little may be matched" in flip for flip in enough.flips)


def test_a_case_on_the_threshold_is_undetermined_and_says_between_what():
    verdict = judge(make_case(hdr_p999_nits=100 * 2**1.0 * (1 + 1e-9)), SETTINGS)
    assert verdict.label == "undetermined"
    assert max(verdict.support.values()) < SETTINGS.support_min
    assert WORDS["wider-range"] in verdict.sentence
    assert WORDS["restrained-hdr"] in verdict.sentence
    assert "that the HDR release shows more holds in 100%, how much more is open" in verdict.sentence
    leading = max(verdict.support, key=lambda label: verdict.support[label])
    assert judge(make_case(hdr_p999_nits=100 * 2**1.0 * (1 + 1e-9)), replace(SETTINGS, support_min=0.01)).label == leading


def test_a_support_that_is_printed_as_what_is_needed_is_enough():
    case = make_case(hdr_p999_nits=100 * 2**1.0 * (1 + 1e-9))
    share = max(judge(case, SETTINGS).support.values())
    assert judge(case, replace(SETTINGS, support_min=round(share, 2))).label != "undetermined"
    below = judge(case, replace(SETTINGS, support_min=round(share, 2) + 0.01))
    assert below.label == "undetermined"
    needed = f"no label holds in {round(share, 2) + 0.01:.0%} of the draws"
    assert needed in below.sentence
    assert f"{round(share, 2) + 0.01:.0%}" not in below.sentence.replace(needed, "")


def test_setup_uncertainty_takes_support_away():
    sure = support_labels(make_case(hdr_p999_nits=100 * 2**1.35), replace(SETTINGS, threshold_spread=0.0))
    unsure = support_labels(make_case(hdr_p999_nits=100 * 2**1.35, spread=0.8), replace(SETTINGS, threshold_spread=0.0))
    assert sure == {"wider-range": 1.0}
    assert unsure["wider-range"] < 1


def test_another_threshold_beside_them_changes_no_draw(monkeypatch: pytest.MonkeyPatch):
    case = make_case(hdr_p999_nits=100 * 2**1.05)
    support = support_labels(case, SETTINGS)
    assert len(support) > 1
    for fewer in (THRESHOLDS[:-1], THRESHOLDS[::-1]):  # the last one decides nothing here
        monkeypatch.setattr("pairdiff.verdict.judge.THRESHOLDS", fewer)
        assert support_labels(case, SETTINGS) == support


def test_few_shots_take_support_away():
    pairs = [make_pair(shot=n, hdr_p999_nits=1000.0 if n == 0 else 90.0) for n in range(10)]
    support = support_labels(make_case(*pairs), SETTINGS)
    assert 0.2 < support["sdr-in-hdr-container"] < 0.6
    assert support["wider-range"] == pytest.approx(1 - support["sdr-in-hdr-container"])


def test_a_flash_in_one_of_four_pictures_leaves_a_single_shot_open():
    pairs = [make_pair(shot=0, hdr_p999_nits=1000.0 if n == 0 else 90.0) for n in range(4)]
    support = support_labels(make_case(*pairs), SETTINGS)
    assert 0.1 < support["sdr-in-hdr-container"] < 0.6


def test_pictures_without_tone_are_undetermined():
    verdict = judge(make_case(hdr_p999_nits=900.0, tone_span=5.0), SETTINGS)
    assert verdict.label == "undetermined"
    assert "too little between dark and bright" in verdict.sentence


def test_a_single_shot_is_judged():
    verdict = judge(make_case(make_pair(hdr_p999_nits=500.0)), SETTINGS)
    assert verdict.label == "wider-range"
    assert any("Only one shot was scored" in reason for reason in verdict.reasons)


def test_the_same_case_gets_the_same_verdict_and_the_order_of_pictures_does_not_count():
    pairs = [make_pair(shot=n // 2, hdr_p999_nits=80.0 + 15 * n) for n in range(12)]
    first = judge(make_case(*pairs), SETTINGS)
    assert first == judge(make_case(*pairs), SETTINGS)
    mixed = judge(make_case(*(pairs[n] for n in np.random.default_rng(1).permutation(12))), SETTINGS)
    assert (mixed.label, mixed.axes, mixed.support) == (first.label, first.axes, first.support)


@pytest.mark.parametrize("label", CASES)
def test_flips_name_real_settings_and_real_labels(label):
    verdict = judge(CASES[label], SETTINGS)
    names = {field.name for field in fields(Settings)}
    assert set(THRESHOLDS) <= names
    for flip in verdict.flips:
        if " instead of " in flip and ", instead of " not in flip:
            assert flip.split(" at ")[0] in THRESHOLDS
        if ": " in flip:
            assert flip.rsplit(": ", 1)[1].rstrip(".") in WORDS.values()
            assert flip.rsplit(": ", 1)[1].rstrip(".") != WORDS[label]


def test_a_flip_does_what_it_says():
    case = make_case(hdr_p999_nits=100 * 2**0.9)
    flips = [flip for flip in judge(case, SETTINGS).flips if " instead of " in flip]
    assert flips == ["headroom_clear_stops at 0.8 instead of 1: HDR that widens the picture."]
    assert judge(case, replace(SETTINGS, headroom_clear_stops=0.8, support_min=0.0)).label == "wider-range"


def test_the_distance_to_another_label_is_told_in_stops():
    assert "0.30 stops more headroom: HDR, used sparingly." in judge(make_case(hdr_p999_nits=100.5), SETTINGS).flips
    assert "0.59 stops less headroom: HDR, used sparingly." in judge(make_case(hdr_p999_nits=100 * 2**1.58), SETTINGS).flips


def test_a_setup_alone_may_say_something_else():
    case = make_case(hdr_p999_nits=150.0)
    assert label_at(case, setup("controls", 100.0), SETTINGS) == "restrained-hdr"
    assert label_at(case, setup("gain", 48.0), SETTINGS) == "wider-range"
    assert label_at(case, setup("gain", 200.0), SETTINGS) == "sdr-in-hdr-container"
    setups = [
        replace(setup("gain", 48.0), label="wider-range"),
        replace(setup("controls"), label="restrained-hdr"),
        setup("white-203", 203.0),
    ]
    flips = flips_by_setup(setups)
    assert flips == ("Set-up gain (48 cd/m2, gamma 2.40) alone: HDR that widens the picture.",)
    verdict = judge(case, SETTINGS)
    assert with_setup_flips(verdict, setups).flips == verdict.flips + flips_by_setup(setups)


def test_a_white_that_is_not_fitted_says_why_tones_lie_apart():
    sets = (replace(setup("controls"), label="wider-range"), replace(setup("white-203", 203.0), label="different-grade"))
    assert "(at a white that is not fitted to the pair, tones lie apart by that)" in flips_by_setup(sets)[0]
    assert "not fitted" not in flips_by_setup((sets[0], replace(sets[1], name="gain")))[0]


def test_a_display_that_would_change_the_label_is_among_what_flips_it():
    room = LitRoom(100.0, 0.1, 1.0, 1.0, 300.0, 1.0)
    difference = Difference(SideBySide("measured", 1.0, 2.0), OnItsOwn("measured", *(Estimate(0.0, 0.0, 0.0),) * 7))
    screens = [
        ScreenResult(name, name, peak, 0.0, None, "", "own", 1000.0, True, 150.0, 2.4, 1, difference, 0.5, room, label)
        for name, peak, label in (("lcd-dim", 350.0, "restrained-hdr"), ("lcd-bright", 1000.0, "wider-range"))
    ]
    verdict = judge(CASES["wider-range"], SETTINGS)
    told = with_screen_flips(verdict, [replace(setup("controls"), label="wider-range")], screens).flips[len(verdict.flips) :]
    assert told == ("On the display lcd-dim (350 cd/m2) alone: HDR, used sparingly.",)


def test_a_display_judges_the_levels_that_it_shows():
    found = CASES["wider-range"]
    assert label_on_screen(found, found.controls, lambda nits: nits, SETTINGS) == "wider-range"
    assert label_on_screen(found, found.controls, lambda nits: np.minimum(nits, 150.0), SETTINGS) == "restrained-hdr"
    assert label_on_screen(found, found.controls, lambda nits: np.minimum(nits, 100.0), SETTINGS) == "sdr-in-hdr-container"
    dimmer = replace(found.controls, white_nits=60.0)
    assert label_on_screen(found, dimmer, lambda nits: np.minimum(nits, 150.0), SETTINGS) == "wider-range"


def test_the_interval_of_headroom_holds_the_value_and_widens_as_shots_differ():
    levels = np.linspace(200, 800, 10)
    unlike = make_case(*(make_pair(shot=n, hdr_p999_nits=float(level)) for n, level in enumerate(levels)))
    found = headroom_interval(unlike, SETTINGS)
    assert found.low < found.value
    assert found.high is None  # ten shots do not bound what a tenth of the time reaches
    many = make_case(*(make_pair(shot=n, hdr_p999_nits=200.0 + 600 * (n % 10) / 9) for n in range(300)))
    wide = headroom_interval(many, SETTINGS)
    assert found.low < wide.low < wide.value < wide.high
    alike = headroom_interval(CASES["wider-range"], SETTINGS)
    assert alike.low == pytest.approx(alike.value)
    assert alike.value == pytest.approx(np.log2(5))
    spread = headroom_interval(make_case(hdr_p999_nits=500.0, spread=0.2), SETTINGS)
    assert spread.value - spread.low > 0.1  # the set alone moves it; the lower of two set-ups counts
    lower = replace(make_case(hdr_p999_nits=500.0), gain_draws=np.array([90.0, 130.0]))
    gains = headroom_interval(lower, SETTINGS)
    assert gains.value - gains.low == pytest.approx(np.log2(1.3), abs=0.01)  # the set-up `gain` alone is refitted, and is then the lower
    few = headroom_interval(make_case(*(make_pair(shot=n, hdr_p999_nits=500.0) for n in range(2))), SETTINGS)
    assert (few.low, few.high) == (None, None)
