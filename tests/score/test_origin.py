"""Signs of SDR origin: films whose origin is planted, and each sign asked for."""

from dataclasses import replace

import colour
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pairdiff import compare_pictures
from pairdiff._records import Colour, Recovered, Setup, SetupUncertainty, Tone
from pairdiff._settings import Settings
from pairdiff.light.picture import nits_to_pq_picture
from pairdiff.light.primaries import convert_primaries
from pairdiff.light.transfer import nits_to_pq, pq_to_nits
from pairdiff.score.colour import distance_outside_jnd
from pairdiff.score.headroom import Weighting
from pairdiff.score.origin import (
    GREY_CODES,
    INNOCENT,
    FilmOrigin,
    GreyCodes,
    PictureOrigin,
    comb_filled,
    count_greys,
    count_signs,
    distance_from_edge_jnd,
    edge_shares,
    pool_origin,
)
from pairdiff.score.tone import ToneSample
from tests.score._pairs import TO_2020, make_pair, relabel

SETTINGS = Settings(support_draws=20)
CEILING, CLIPPING, COMB, EDGE, CURVE = INNOCENT
HUES = np.array([[1.0, 0.35, 0.0], [0.0, 0.5, 1.0], [0.9, 0.0, 0.3]])
ROWS, COLUMNS = 120, 200


def paint(number, *, top=1.3, saturation=1.0):
    """One scene, R'G'B' before any clip: smooth grey forms up to `top`, and forms of a pure hue (a channel at 0 at full saturation)."""
    rng = np.random.default_rng(number)
    form = gaussian_filter(rng.normal(size=(ROWS, COLUMNS)), 14)
    grey = (0.03 + (top - 0.03) * ((form - form.min()) / np.ptp(form)) ** (0.8 + 0.2 * (number % 4)))[..., None]
    other = gaussian_filter(rng.normal(size=(ROWS, COLUMNS)), 10)
    amount = saturation * np.clip((other / other.std() - 0.8) * 2, 0, 1)[..., None]
    return grey * (1 - amount + amount * HUES[number % 3])


def to_8_bits(signal):
    return np.round(np.clip(signal, 0, 1) * 219) / 219


def to_10_bits(nits):
    return pq_to_nits(np.round(nits_to_pq(np.clip(nits, 0, 10000)) * 876) / 876)


def contained(scenes, *, white_nits=180.0, gamma=2.3):
    """An SDR release and the same pictures in an HDR container."""
    sdr = to_8_bits(scenes)
    return to_10_bits(np.maximum(relabel(sdr, white_nits=white_nits, gamma=gamma), 0)), sdr


def graded(scenes, *, space="bt2020", trims=None):
    """An HDR release that keeps what the scene holds, and an SDR release clipped in light and gamut; each shot of it trimmed by a gain."""
    light = np.maximum(scenes, 0) ** 2.4
    gains = np.ones(len(scenes)) if trims is None else np.array(trims)
    inside = convert_primaries(light, source=space, target="bt709") * gains[:, None, None, None]
    hdr = convert_primaries(150.0 * light, source=space, target="bt2020")
    return to_10_bits(np.maximum(hdr, 0)), to_8_bits(np.clip(inside, 0, 1) ** (1 / 2.4))


def signs(hdr, sdr, settings=SETTINGS):
    found = compare_pictures(hdr, sdr, settings=settings, pixels_per_degree=28.3)
    return {one.name: one for one in found.origin_signs}


def states(found):
    return {name: one.state for name, one in found.items()}


MANY = range(5)


def scenes(numbers=MANY, *, rising=0.0, **look):
    """A stack of scenes, each of its own top where they rise."""
    return np.stack([paint(n, **({"top": 1.2 + rising * n} if rising else {}), **look) for n in numbers])


CONTAINED = contained(scenes())
FOUND_CONTAINED = signs(*CONTAINED)
FOUND_GRADED = signs(*graded(scenes(rising=0.2), trims=(1.0, 0.8, 1.25, 0.9, 1.1)))


# ---------------------------------------------------------------- planted truth


def test_an_sdr_release_in_a_container_shows_all_five_signs():
    assert states(FOUND_CONTAINED) == dict.fromkeys(INNOCENT, "seen")
    assert FOUND_CONTAINED[CEILING].value == 1
    assert FOUND_CONTAINED[CLIPPING].value > 0.95
    assert FOUND_CONTAINED[COMB].value < 0.15
    assert FOUND_CONTAINED[EDGE].value == 0
    assert FOUND_CONTAINED[CURVE].value < 0.5


def test_a_grade_with_its_own_light_and_colour_shows_none():
    assert states(FOUND_GRADED) == dict.fromkeys(INNOCENT, "not_seen")
    assert FOUND_GRADED[COMB].value == pytest.approx(1, abs=0.15)


def test_every_sign_says_figure_limit_unit_and_what_was_found():
    for found in (FOUND_CONTAINED, FOUND_GRADED):
        assert tuple(found) == tuple(INNOCENT)
        for one in found.values():
            inside = one.value >= one.limit if one.seen_when == "at_least" else one.value <= one.limit
            assert one.status == "measured"
            assert inside == (one.state == "seen")
            assert one.unit == ("JND" if one.name == CURVE else "share")
            assert one.innocent == INNOCENT[one.name]
            assert one.pictures == one.shots == 5
            assert "5 pictures of 5 shots" in one.found


def test_muted_colours_inside_bt709_are_no_sign():
    found = signs(*contained(scenes(saturation=0.6)))
    assert found[EDGE].state == "cannot_tell"
    assert found[EDGE].value is None
    assert found[CEILING].state == found[CURVE].state == "seen"


def test_black_and_white_says_nothing_of_the_colour_edge():
    found = signs(*contained(scenes(saturation=0.0)))[EDGE]
    assert found.state == found.status == "cannot_tell"
    assert found.found == "the film is black-and-white"


def test_grain_of_8_percent_hides_the_comb_and_not_the_ceiling():
    hdr, sdr = CONTAINED
    grain = np.exp(np.random.default_rng(3).normal(0, 0.08, (*hdr.shape[:3], 1)))
    found = signs(to_10_bits(hdr * grain), sdr)
    assert found[COMB].state == "cannot_tell"
    assert "a comb would be hidden" in found[COMB].found
    assert found[CLIPPING].state == "cannot_tell"
    assert "looks like texture" in found[CLIPPING].found
    assert found[CEILING].state == found[CURVE].state == "seen"


def test_one_shot_says_nothing():
    hdr, sdr = CONTAINED
    assert states(signs(hdr[0], sdr[0])) == dict.fromkeys(INNOCENT, "cannot_tell")


def test_the_same_picture_over_and_over_is_no_proof_of_one_curve():
    hdr, sdr = CONTAINED
    again = [1] * 4
    assert signs(hdr[again], sdr[again])[CURVE].state == "cannot_tell"


# ---------------------------------------------------------------- one sign at a time, on figures that are given

CONTROLS = Setup("controls", 100.0, 2.4, False, SetupUncertainty(None, None), None, None)
PICTURE = PictureOrigin(100.0, 1.0, 1.0, 0.02, 0.01, 0.02, 0.0, np.zeros((4, 6), np.float32), None)


def pooled(pictures, *, pairs=None, spread=0.1, residual=1.0, shift=0.5, shots=None, greys=None, tones=None):
    """The five signs of a film of given pictures, each a second and a shot of its own unless shots are given."""
    count = len(pictures)
    weighting = Weighting(np.ones(count), np.arange(count) if shots is None else np.array(shots), 1.0)
    scale = np.linspace(0.1, 0.5, 50, dtype=np.float32)
    samples = [
        ToneSample(np.stack([one, one], 1), *(np.zeros((50, 3), np.float32),) * 2, np.zeros((50, 3), bool))
        for one in tones or [scale] * count
    ]
    film = FilmOrigin(
        pictures,
        pairs or [make_pair()] * count,
        samples,
        weighting,
        CONTROLS,
        Recovered("measured", 0.01, 0.5, 0.0, 0.1, spread, 0.0),
        Colour("measured", 0.0, 0.0, None, 60.0),
        Tone("measured", False, 0.5, (), (), residual, shift),
        greys,
    )
    return {one.name: one for one in pool_origin(film, SETTINGS)}


def tops(*nits, code=1.0, noise=0.02):
    return [replace(PICTURE, hdr_top_nits=one, sdr_top_code=code, level_noise_stops=noise) for one in nits]


@pytest.mark.parametrize(
    ("nits", "state"),
    [
        ([100, 102, 98, 101], "seen"),
        ([100, 160, 250, 400], "not_seen"),
        ([500, 500, 500, 500], "not_seen"),  # a ceiling, but none at SDR white
        ([60, 70, 55, 80], "not_seen"),
        ([100] * 3, "seen"),
    ],
)
def test_a_ceiling_is_one_level_and_that_level_is_sdr_white(nits, state):
    assert pooled(tops(*nits))[CEILING].state == state


def test_a_ceiling_cannot_be_told_where_the_sdr_reaches_its_top_in_two_shots():
    found = pooled([*tops(100, 100), *tops(20, 30, 25, 40, code=0.6)])[CEILING]
    assert found.state == "cannot_tell"
    assert (found.pictures, found.shots) == (2, 2)
    assert pooled(tops(100, 100, 100, 100), shots=[0, 0, 1, 1])[CEILING].state == "cannot_tell"


def test_hdr_above_white_counts_against_the_ceiling_even_where_the_sdr_stays_low():
    assert pooled([*tops(*[100] * 5), *tops(300, 300, code=0.9)])[CEILING].state == "not_seen"


def test_ringing_of_one_shot_does_not_move_the_top_of_the_film():
    ringing = tops(100, 100, code=1.04)
    found = pooled([*tops(*[100] * 6), *ringing])[CEILING]
    assert found.state == "seen"
    assert found.pictures == 8


def test_an_sdr_clipped_in_super_white_has_its_ceiling_there():
    nits = 100 * 1.09**2.4
    superwhite = [replace(one, sdr_clip_code=1.09) for one in tops(*[nits] * 4, code=1.09)]
    assert pooled(superwhite)[CEILING].state == "seen"
    assert pooled([replace(one, hdr_top_nits=100.0) for one in superwhite])[CEILING].state == "not_seen"


def test_the_top_of_an_sdr_that_clips_nowhere_is_what_it_reaches():
    rolled = [replace(one, sdr_clip_code=None) for one in tops(*[100 * 0.9**2.4] * 4, code=0.9)]
    assert pooled(rolled)[CEILING].state == "seen"


def test_no_state_rests_on_one_picture():
    one_above = pooled(tops(*[100] * 8, 400))[CEILING]
    assert one_above.value == pytest.approx(8 / 9)
    assert one_above.state == "cannot_tell"
    assert "one single picture" in one_above.found
    wide = replace(PICTURE, edge_share=0.02, beyond_share=0.2)
    assert pooled([*[PICTURE] * 8, wide])[EDGE].state == "cannot_tell"
    textured = make_pair(clipped_share=0.4, textured_share=1.0, detail_jnd=9.0)
    flat = make_pair(clipped_share=0.02, textured_share=0.0, detail_jnd=0.0)
    assert pooled([PICTURE] * 9, pairs=[*[flat] * 8, textured])[CLIPPING].state == "cannot_tell"


def test_noise_that_explains_a_higher_top_leaves_the_ceiling_open_and_light_does_not():
    assert pooled(tops(*[105] * 4, noise=0.2))[CEILING].state == "seen"
    assert pooled(tops(*[150] * 4, noise=0.7))[CEILING].state == "cannot_tell"
    assert pooled(tops(*[300] * 4, noise=0.7))[CEILING].state == "not_seen"


def test_clipping_is_shared_where_the_hdr_is_flat_and_of_one_level():
    flat = [make_pair(clipped_share=0.02, textured_share=0.05, detail_jnd=0.0)] * 4
    textured = [make_pair(clipped_share=0.02, textured_share=0.6, detail_jnd=4.0)] * 4
    pictures = [PICTURE] * 4
    assert pooled(pictures, pairs=flat)[CLIPPING].state == "seen"
    assert pooled(pictures, pairs=flat, spread=1.5)[CLIPPING].state == "not_seen"
    assert pooled(pictures, pairs=textured)[CLIPPING].state == "not_seen"
    grainy = [replace(PICTURE, level_noise_stops=0.15)] * 4
    assert pooled(grainy, pairs=textured)[CLIPPING].state == "cannot_tell"
    assert pooled(grainy, pairs=textured, spread=1.5)[CLIPPING].state == "not_seen"


def test_an_sdr_that_clips_nowhere_says_nothing_of_shared_clipping():
    found = pooled([PICTURE] * 4)[CLIPPING]
    assert found.state == "cannot_tell"
    assert "nowhere" in found.found


def test_colours_that_thin_out_before_the_edge_are_not_stopped_by_it():
    thin = replace(PICTURE, edge_inner_share=0.2, edge_share=0.01)
    stopped = replace(PICTURE, edge_inner_share=0.02, edge_share=0.01)
    beyond = replace(PICTURE, edge_inner_share=0.02, edge_share=0.01, beyond_share=0.005)
    assert pooled([thin] * 4)[EDGE].state == "cannot_tell"
    assert pooled([stopped] * 4)[EDGE].state == "seen"
    assert pooled([beyond] * 4)[EDGE].state == "not_seen"
    assert pooled([stopped] * 2 + [replace(PICTURE, edge_share=0.0)] * 2)[EDGE].state == "cannot_tell"


def test_one_curve_needs_three_shots_of_different_content_that_have_tones_in_common():
    varied = [replace(PICTURE, parts_jnd=np.full((4, 6), 30.0 * n, np.float32)) for n in range(4)]
    assert pooled(varied)[CURVE].state == "seen"
    assert pooled(varied, residual=9.0)[CURVE].state == "not_seen"
    assert pooled(varied, shift=9.0)[CURVE].state == "not_seen"
    assert pooled([PICTURE] * 4)[CURVE].state == "cannot_tell"
    assert pooled(varied, shots=[0, 0, 1, 1])[CURVE].state == "cannot_tell"
    apart = [np.linspace(0.1 + 0.1 * n, 0.19 + 0.1 * n, 50, dtype=np.float32) for n in range(4)]
    assert "too few tones in common" in pooled(varied, tones=apart)[CURVE].found


def test_hdr_without_pq_codes_has_no_comb_to_be_seen():
    assert pooled([PICTURE] * 4)[COMB].state == "cannot_tell"


def test_the_count_of_signs_names_those_that_were_seen_and_says_that_none_decides():
    told = count_signs(tuple(FOUND_CONTAINED.values())[:3] + tuple(FOUND_GRADED.values())[3:])
    assert told.startswith("Of 5 signs of SDR origin 3 seen (level ceiling, shared clipping, code comb), 2 not seen, 0 cannot be told")
    assert "never decide" in told


# ---------------------------------------------------------------- what one picture gives


def comb_halves(*, white=100.0, gamma=2.4, quantised=True, seed=0):
    """Greys of two halves of a film: all tones alike, 8-bit steps or none, on 10-bit codes."""
    rng = np.random.default_rng(seed)
    halves = []
    for _ in range(2):
        code = rng.uniform(0.05, 0.98, 60_000)
        code = np.round(code * 219) / 219 if quantised else code
        halves.append(np.bincount(np.round(876 * nits_to_pq(white * code**gamma)).astype(int), minlength=GREY_CODES).astype(float))
    return tuple(halves)


def test_a_comb_is_found_at_a_setup_that_is_a_little_off():
    assert comb_filled(comb_halves(white=102.0, gamma=2.42), controls=CONTROLS) < 0.2


def test_an_even_histogram_has_no_comb_wherever_it_is_looked_for():
    for seed in range(3):
        assert comb_filled(comb_halves(quantised=False, seed=seed), controls=CONTROLS) == pytest.approx(1, abs=0.1)


def test_steps_of_another_signal_are_no_comb_of_this_one():
    rng = np.random.default_rng(1)
    code = np.round(rng.uniform(0.05, 0.98, 60_000) * 300) / 300  # steps a quarter finer than those of 8 bits
    half = np.bincount(np.round(876 * nits_to_pq(100 * code**2.4)).astype(int), minlength=GREY_CODES).astype(float)
    assert comb_filled((half, half), controls=CONTROLS) > 0.3


def test_cards_of_a_few_greys_are_no_comb():
    half = np.zeros(GREY_CODES)
    half[[200, 240, 280, 320, 360, 400]] = 20_000.0
    assert comb_filled((half, half), controls=CONTROLS) is None


def test_greys_are_counted_by_code_and_colours_and_edges_are_not():
    code = np.full((60, 80, 3), 300 / 876)
    code[:, 40:] = 400 / 876
    code[30:, :, 0] += 5 / 876
    counts = count_greys(code.astype(np.float32)).counts
    assert counts.sum() == 30 * 80 - 30 * 2  # upper half, less the two columns at the step
    assert set(np.flatnonzero(counts)) == {300, 400}


def test_noise_of_greys_is_that_which_was_put_in():
    noise = np.random.default_rng(0).normal(0, 2.0, (200, 300, 1))
    found = count_greys(((400 + noise) / 876 * np.ones(3)).astype(np.float32))
    assert found.noise_codes == pytest.approx(2.0, rel=0.05)


def test_a_picture_without_greys_has_no_noise_to_state():
    found = count_greys(np.zeros((40, 40, 3), np.float32))
    assert isinstance(found, GreyCodes)
    assert found.noise_codes is None
    assert found.counts.sum() == 0


def test_the_way_to_the_edge_is_what_colour_science_gives():
    rgb = np.array([[1.0, 0.05, 0.02], [0.3, 0.9, 0.1], [0.2, 0.02, 0.7]]) * 100
    grey = rgb @ np.array([0.2126390, 0.7151687, 0.0721923])  # BT.709 luminance, second row of its matrix to XYZ
    edge = grey[:, None] + (rgb - grey[:, None]) * (grey / (grey - rgb.min(1)))[:, None]
    assert np.abs(edge.min(1)).max() < 1e-9
    wanted = colour.difference.delta_E_ITP(colour.RGB_to_ICtCp(rgb @ TO_2020.T), colour.RGB_to_ICtCp(np.maximum(edge, 0) @ TO_2020.T))
    assert -distance_from_edge_jnd((rgb @ TO_2020.T).astype(np.float32)) == pytest.approx(wanted, rel=0.01)


def test_colours_outside_lie_as_far_as_colour_use_says_and_greys_have_no_edge():
    outside = np.array([[100.0, 0.0, 0.0], [5.0, 60.0, 1.0]], np.float32)
    assert distance_from_edge_jnd(outside) == pytest.approx(distance_outside_jnd(outside[None], gamut="bt709")[0], rel=1e-3)
    grey = (np.array([[50.0, 50.0, 60.0], [80.0, 80.0, 80.0]]) @ TO_2020.T).astype(np.float32)
    assert (distance_from_edge_jnd(grey) == -np.inf).all()


def test_shares_at_the_edge_are_those_that_were_painted():
    rgb = np.full((100, 100, 3), 50.0)
    rgb[:20] = [80.0, 20.0, 0.0]  # at the edge
    nits = rgb @ TO_2020.T
    nits[20:30] = [80.0, 5.0, 0.0]  # beyond it
    nits[90:] = 1e-3
    inner, edge, beyond = edge_shares(nits.astype(np.float32), margin_jnd=4.0)
    assert (edge, beyond, inner) == pytest.approx((0.2, 0.1, 0.0))


def test_real_signal_and_compare_pictures_count_the_same_greys():
    hdr = CONTAINED[0][0].astype(np.float32)
    assert count_greys(nits_to_pq_picture(hdr)).counts.sum() > 1000
