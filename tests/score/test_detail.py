import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pairdiff._settings import Settings
from pairdiff.light.transfer import nits_to_pq, pq_to_nits
from pairdiff.score.detail import (
    CODE_STEP,
    HISTOGRAM_FROM,
    LEVEL_STEP_STOPS,
    clipped_area,
    codes_at_top,
    count_codes,
    film_spread_stops,
    find_top_codes,
    measure_detail,
    pool_detail,
)
from tests.score._pairs import make_pair, make_signal, make_spread

SETTINGS = Settings()
LOOK = {"noise_jnd": 0.5, "pixels_per_degree": 28.3}


def rounded(signal):
    return (np.round(np.asarray(signal) * 219) / 219).astype(np.float32)


def blown_out(top=1.0):
    """A grey picture, part of it clipped at `top`."""
    return rounded(np.minimum(1.5 * top * make_signal(1, rows=180, columns=320, colour=0.0), top))


def tops(*signals):
    return find_top_codes(sum(count_codes(signal) for signal in signals), settings=Settings())


def spread_to(top, *, seed=1):
    """A picture whose histogram falls off smoothly to `top`, no pile-up anywhere."""
    return rounded(top * np.random.default_rng(seed).beta(2, 2.5, (180, 320, 3)))


# ------------------------------------------------------------- the title's top code


@pytest.mark.parametrize("code", [235, 225, 245, 254])
def test_a_title_that_clips_has_its_top_where_it_clips(code):
    top = (code - 16) / 219
    found = tops(blown_out(top))
    assert found == pytest.approx([top] * 3, abs=1.2 * CODE_STEP)


@pytest.mark.parametrize("top", [0.9, 1.0, 1.09])
def test_a_title_that_rolls_off_has_no_top(top):
    assert tops(spread_to(top)) == (None, None, None)


def stacked(counts, *, middle):
    """A grey picture that holds so many pixels of each 8-bit code, the middle code at that signal, over a smooth ground."""
    codes = middle + (np.arange(len(counts)) - len(counts) // 2) * CODE_STEP
    values = np.repeat(codes, counts)
    grey = np.concatenate([values, np.random.default_rng(1).uniform(0.2, middle - 0.1, -values.size % 1000 + 50000)])
    return np.repeat(grey[:, None], 3, 1).reshape(-1, 50, 3).astype(np.float32)


CLIP, SURFACE = (100, 200, 900, 20000, 900, 100, 10), (100, 200, 6000, 8000, 6000, 400, 100)


def test_a_bright_even_surface_is_no_clip_though_it_rises_steeply():
    assert tops(stacked(CLIP, middle=0.98)) == pytest.approx([0.98] * 3, abs=CODE_STEP)
    assert tops(stacked(SURFACE, middle=0.98)) == (None, None, None)


def test_a_ceiling_below_the_lowest_clip_is_no_clip():
    assert tops(stacked(CLIP, middle=SETTINGS.clip_floor_code + 0.01)) != (None, None, None)
    assert tops(stacked(CLIP, middle=SETTINGS.clip_floor_code - 0.02)) == (None, None, None)


def test_super_white_up_to_254_is_not_clipped_at_235():
    signal = spread_to((254 - 16) / 219)
    assert tops(signal) == (None, None, None)
    crowded = signal.copy()
    crowded[:12] = 1.0  # a paper-white area at 235 while other pictures go beyond it
    assert tops(crowded, *(spread_to((254 - 16) / 219, seed=n) for n in range(2, 30))) == (None, None, None)


def test_codec_ringing_about_the_top_does_not_hide_it():
    signal = blown_out()
    ringing = rounded(signal + 1.0 * CODE_STEP * np.random.default_rng(1).normal(size=signal.shape))
    assert tops(ringing) == pytest.approx([1.0] * 3, abs=2 * CODE_STEP)


def test_each_channel_has_its_own_top():
    signal = spread_to(1.0)
    signal[..., 0] = rounded(np.minimum(1.3 * signal[..., 0], 0.95))
    found = tops(signal)
    assert found[0] == pytest.approx(0.95, abs=1.2 * CODE_STEP)
    assert found[1:] == (None, None)


def blurred(signal, codes, *, channel=2, seed=3):
    """A picture, one channel of which coarse chroma has spread by so many codes (standard deviation)."""
    spread = signal.copy()
    spread[..., channel] += codes * CODE_STEP * np.random.default_rng(seed).normal(size=signal.shape[:2])
    return spread


def test_a_channel_that_coarse_chroma_has_blurred_has_its_top_where_the_others_clip():
    alone = np.repeat(blurred(blown_out(0.97), 1.5)[..., 2:], 3, -1)
    assert tops(alone) == (None, None, None)
    assert tops(blurred(blown_out(0.97), 1.5)) == pytest.approx([0.97] * 3, abs=1.2 * CODE_STEP)
    everything = spread_to(1.0, seed=4)
    everything[..., 0] = blown_out()[..., 0]
    assert tops(everything)[0] is not None
    assert tops(everything)[1:] == (None, None)  # no pile-up at all: what one channel clips at says nothing of the others


BLURRED = (30, 30, 30, 30, 3000, 8000, 9000, 11000, 9000, 8000, 3000, 20, 10, 10, 10)
FINE_LEAVES = (2000, 2000, 2000, 2050, 2100, 2200, 2400, 9000, 10000, 12000, 10000, 9000, 3000, 20, 10, 10, 10, 10, 10)
SURFACE_BELOW = (30, 30, 30, 30, 30, 9000, 10000, 9000, 300, 20, 10, 10, 10, 10, 10)
SHOULDER = (3000, 3500, 4000, 4500, 5000, 8000, 9000, 11000, 9000, 8000, 3000, 20, 10, 10, 10)


def test_a_clip_at_nominal_white_that_coding_has_spread_over_five_codes_is_one():
    assert tops(stacked(BLURRED, middle=1.0)) == (1.0, 1.0, 1.0)
    assert tops(stacked(BLURRED, middle=0.97)) == (None, None, None)  # a bright even surface
    assert tops(stacked(FINE_LEAVES, middle=1.0005)) == (1.0, 1.0, 1.0)
    assert tops(stacked(SHOULDER, middle=1.0)) == (None, None, None)  # rolled off up to white
    assert tops(stacked(SURFACE_BELOW, middle=1.0005)) == (None, None, None)  # nothing is spread above white
    assert tops(stacked((*BLURRED[:10], *[3000] * 5), middle=1.0)) == (None, None, None)  # white paper in a title that goes on above it


def test_a_wide_flat_wall_below_the_top_is_not_the_top():
    signal = blown_out()
    signal[100:160] = 0.82
    assert tops(signal) == pytest.approx([1.0] * 3, abs=1.2 * CODE_STEP)


def test_a_wide_flat_wall_in_a_title_that_goes_above_it_is_no_clipping():
    signal = spread_to(1.05)
    signal[100:160] = rounded(0.82)
    assert tops(signal) == (None, None, None)


def test_a_dark_title_and_one_bright_pixel_have_no_top():
    dark = rounded(0.6 * make_signal(1, rows=180, columns=320))
    assert tops(dark) == (None, None, None)
    bright = spread_to(0.9)
    bright[90, 160] = 1.0
    pictures = [spread_to(0.9, seed=n) for n in range(2, 8)]
    assert tops(bright, *pictures) == (None, None, None)


def test_counts_hold_every_pixel_above_the_start():
    signal = np.random.default_rng(2).uniform(0.5, 1.3, (40, 60, 3)).astype(np.float32)
    counts = count_codes(signal)
    assert (counts[:, -1] == 2400).all()
    assert np.array_equal(counts[:, :-1].sum(1), (signal >= HISTOGRAM_FROM).sum((0, 1)))


# ------------------------------------------------------------- the mask


def area_of(signal, top=(1.0, 1.0, 1.0)):
    return clipped_area(codes_at_top(signal, top=top, tolerance_codes=2.0))


def test_the_area_is_what_is_at_the_top_of_each_channel():
    signal = np.full((60, 80, 3), 0.5, np.float32)
    signal[20:40, 30:60] = 1.0
    expected = np.zeros((60, 80, 3), np.uint8)
    expected[20:40, 30:60] = 1
    assert np.array_equal(area_of(signal), expected)
    only_red = area_of(signal, top=(1.0, None, None))
    assert np.array_equal(only_red[..., 0], expected[..., 0])
    assert not only_red[..., 1:].any()


def test_thin_lines_and_single_pixels_are_not_clipped_areas():
    signal = np.full((60, 80, 3), 0.5, np.float32)
    signal[::10, ::10] = 1.0
    signal[30:34] = 1.0
    assert not area_of(signal).any()


def test_a_hole_of_one_pixel_is_closed_and_a_clipped_frame_is_clipped_to_its_edge():
    signal = np.ones((40, 50, 3), np.float32)
    signal[20, 20] = 0.5
    assert area_of(signal).all()


def test_codes_just_below_the_top_are_at_it_and_no_top_is_nowhere():
    signal = np.array([[[1.0, 1.0, 1.0], [1 - 1.9 * CODE_STEP] * 3, [1 - 2.1 * CODE_STEP] * 3]])
    assert codes_at_top(signal, top=(1.0, None, 1.0), tolerance_codes=2.0).tolist() == [
        [[True, False, True], [True, False, True], [False, False, False]]
    ]


# ------------------------------------------------------------- recovered detail


MASK = np.zeros((90, 160, 3), np.uint8)
MASK[20:70, 30:130] = 1
BRIGHT = MASK[..., 0].astype(np.float32)


def measured(hdr, sdr=None, mask=MASK, bright=BRIGHT, at_top=None, **look):
    sdr = np.full((90, 160, 3), 100.0) if sdr is None else sdr
    at_top = np.ones(mask.shape, bool) if at_top is None else at_top
    look = {"sdr_code": np.maximum(sdr / 100, 0) ** (1 / 2.4), **LOOK, **look}
    return measure_detail(hdr, sdr, area=mask, at_top=at_top, bright_stops=bright, **look)


def textured(jnd, *, seed=1, base=400.0):
    """HDR light whose local standard deviation is `jnd` (|dPQ| x 720)."""
    noise = np.random.default_rng(seed).normal(size=(90, 160))
    return np.repeat(pq_to_nits(nits_to_pq(base) + jnd / 720 * noise)[..., None], 3, -1)


@pytest.mark.parametrize("jnd", [2.0, 6.0, 20.0])
def test_planted_structure_is_measured(jnd):
    found = measured(textured(jnd))
    assert found.detail_jnd == pytest.approx(np.sqrt(jnd**2 - 0.82**2), rel=0.1)
    assert found.textured_share > 0.95
    assert found.clipped_share == pytest.approx(50 * 100 / (90 * 160))
    assert found.bright_clipped_share == 1


def test_flat_hdr_recovers_nothing():
    found = measured(np.full((90, 160, 3), 600.0))
    assert (found.detail_jnd, found.textured_share) == (0, 0)
    assert found.detail_stops <= LEVEL_STEP_STOPS


def test_structure_below_the_noise_floor_recovers_nothing():
    assert measured(textured(3.0), noise_jnd=4.0).detail_jnd < 1
    assert measured(textured(0.5)).detail_jnd < 0.3


@pytest.mark.parametrize("seed", range(8))
def test_it_is_never_negative_whatever_the_pictures(seed):
    rng = np.random.default_rng(seed)
    hdr, sdr = rng.normal(100, 200, (90, 160, 3)), rng.uniform(0, 300, (90, 160, 3))
    mask = (gaussian_filter(rng.normal(size=(90, 160, 3)), (4, 4, 0)) > 0.05).astype(np.uint8)
    found = measured(hdr, sdr, mask)
    assert found.detail_jnd >= 0
    assert found.detail_stops is None or found.detail_stops >= 0
    assert 0 <= found.textured_share <= 1
    assert measured(np.full((90, 160, 3), 100.0), textured(9.0)).detail_jnd == 0


def test_detail_that_the_sdr_has_too_is_not_recovered():
    assert measured(textured(6.0), textured(6.0, seed=2, base=100.0)).detail_jnd < 2
    assert measured(textured(6.0), textured(6.0)).detail_jnd == 0


@pytest.mark.parametrize(("zoom", "rows_per_degree"), [(1, 9.4), (3, 28.3)])
@pytest.mark.parametrize(("glow_degrees", "least", "most"), [(0.0, 0.0, 0.02), (0.2, 0.0, 0.02), (6.0, 0.9, 1.0)])
def test_what_ends_at_an_edge_is_told_from_what_falls_off_whatever_the_size(zoom, rows_per_degree, glow_degrees, least, most):
    # a window in a dim wall, cut at SDR white: sharp, with a lens's blur, and the middle of a wide glow
    area = np.kron(MASK, np.ones((zoom, zoom, 1), np.uint8))
    sdr = 45.0 + 55.0 * (
        area[..., 0] if glow_degrees == 0 else gaussian_filter(area[..., 0].astype(np.float64), glow_degrees * rows_per_degree)
    )
    sdr = np.maximum(sdr, 100.0 * area[..., 0]) if glow_degrees < 1 else np.minimum(sdr * 100 / np.quantile(sdr, 0.8), 100.0)
    area = np.repeat((sdr >= 100.0)[..., None], 3, -1).astype(np.uint8)
    light = np.repeat(sdr[..., None], 3, -1)
    bright = area[..., 0].astype(np.float32)
    found = measured(light * 4, light, area, bright, pixels_per_degree=rows_per_degree)
    assert least <= found.gradual_rim_share <= most


def test_a_picture_that_is_clipped_everywhere_has_no_rim():
    assert measured(np.full((90, 160, 3), 600.0), mask=np.ones_like(MASK)).gradual_rim_share is None


@pytest.mark.parametrize(("codes", "least", "most"), [(0.0, -0.1, 0.1), (6.0, 2.2, 3.0)])
def test_a_shoulder_that_ends_in_a_few_codes_is_told_from_a_clip(codes, least, most):
    # a sky, a fifth of a stop from side to side: clipped at one code, or held in six; grain of the copies, and a dark hole that is closed
    rng = np.random.default_rng(3)
    across = np.linspace(0, 1, 160)[None, :, None] + np.zeros((90, 160, 3))
    code = 1 - codes / 219 * (1 - across) + rng.normal(size=(90, 160, 1)) * 1.5 / 219
    code[40:42, 60:62] = 0.7
    hdr = 500 * 2 ** (0.2 * across + 0.02 * rng.normal(size=(90, 160, 1)))
    assert least <= measured(hdr, sdr_code=code).rise_codes <= most
    assert measured(hdr, sdr_code=code, mask=MASK * (np.arange(90) < 24)[:, None, None]).rise_codes is None  # nowhere a window
    one = MASK.copy()
    one[..., 2] = 0
    assert measured(hdr, sdr_code=code, mask=one).rise_codes is None  # nowhere are all channels clipped


def test_grain_that_a_stretch_carried_with_it_is_no_shoulder():
    grain = np.random.default_rng(3).normal(size=(90, 160, 1)) * 1.5
    code, hdr = 1 + grain / 219 + np.zeros((90, 160, 3)), 500 * 2 ** (0.05 * grain) + np.zeros((90, 160, 3))
    assert abs(measured(hdr, sdr_code=code).rise_codes) < 0.6


def test_detail_outside_the_clipped_area_does_not_leak_in():
    hdr = textured(40.0)
    hdr[20:70, 30:130] = 400.0
    assert measured(hdr).detail_jnd == 0


def test_one_channel_is_enough():
    hdr = np.full((90, 160, 3), 400.0)
    hdr[..., 2] = textured(8.0)[..., 2]
    assert measured(hdr).detail_jnd == pytest.approx(8, rel=0.1)
    red_only = MASK.copy()
    red_only[..., 1:] = 0
    assert measured(hdr, mask=red_only).detail_jnd == 0


def test_spread_is_counted_in_stops():
    hdr = np.full((90, 160, 3), 200.0)
    hdr[:, 80:] = 800.0
    assert measured(hdr).detail_stops == pytest.approx(2, abs=LEVEL_STEP_STOPS)


def test_what_a_closed_hole_shows_is_no_clipped_value():
    hdr, at_top = np.full((90, 160, 3), 600.0), np.ones((90, 160, 3), bool)
    hdr[24:70:6, 34:130:6] = 5.0  # dark specks that the SDR does not clip, closed by the mask
    at_top[24:70:6, 34:130:6] = False
    found = measured(hdr, at_top=at_top)
    assert found.detail_jnd == 0
    assert found.detail_stops <= LEVEL_STEP_STOPS
    assert measured(hdr).detail_jnd > 5


def test_shares_are_of_the_whole_clipped_area_and_detail_is_looked_for_within_its_rim():
    rim = MASK.copy()
    rim[21:69, 31:129] = 0
    hdr = np.full((90, 160, 3), 600.0)
    hdr[rim > 0] = 5.0  # what scaling and coding leave at the edge of a clipped area
    found = measured(hdr)
    assert (found.detail_jnd, found.bright_clipped_share) == (0, 1)
    assert found.clipped_share == pytest.approx(50 * 100 / (90 * 160))
    small = np.zeros_like(MASK)
    small[40, 60] = 1  # nothing is left of it inside its rim
    only = measured(hdr, mask=small)
    assert (only.clipped_share, only.detail_jnd) == (pytest.approx(1 / (90 * 160)), None)


@pytest.mark.parametrize(("rows", "flat"), [(30, True), (2, False)])
def test_levels_go_by_what_is_white_in_the_sdr_unless_that_is_little_of_what_is_clipped(rows: int, flat: bool):
    # red is clipped in the whole area; green and blue, clipped in some rows of it, follow one curve elsewhere and so does red with them
    mask = MASK.copy()
    mask[20 + rows : 70, :, 1:] = 0
    hdr = np.full((90, 160, 3), 600.0)
    hdr[20 + rows : 70] *= np.linspace(0.25, 1, 50 - rows)[:, None, None]
    assert (measured(hdr, mask=mask).detail_stops <= LEVEL_STEP_STOPS) is flat


def test_what_is_white_in_the_sdr_and_differs_in_hdr_is_no_one_level():
    mask = MASK.copy()
    mask[50:70, :, 1:] = 0
    hdr = np.full((90, 160, 3), 600.0)
    hdr[20:50] *= np.linspace(1, 4, 30)[:, None, None]
    assert measured(hdr, mask=mask).detail_stops == pytest.approx(1.8, abs=0.2)


def test_colour_that_hdr_shows_where_the_sdr_is_white_is_no_one_level():
    hdr = np.full((90, 160, 3), 600.0) * np.array([0.7, 0.9, 1.4])  # the blue of a sky: a stop from red to blue
    assert measured(hdr).detail_stops == pytest.approx(1.0, abs=LEVEL_STEP_STOPS)
    assert measured(hdr * 0 + 600.0).detail_stops <= LEVEL_STEP_STOPS


def test_the_spread_of_the_film_is_wider_than_that_of_its_pictures_where_light_differs():
    low, high = (measured(np.full((90, 160, 3), level)).level_counts for level in (200.0, 800.0))
    assert film_spread_stops([low, low, None], np.ones(3)) <= LEVEL_STEP_STOPS
    assert film_spread_stops([low, high], np.ones(2)) == pytest.approx(2, abs=2 * LEVEL_STEP_STOPS)
    assert film_spread_stops([low, high], np.array([1.0, 0.0])) <= LEVEL_STEP_STOPS
    assert film_spread_stops([None], np.ones(1)) is None


def test_the_share_of_what_is_bright_goes_by_stops():
    bright = np.zeros((90, 160), np.float32)
    bright[20:70, 30:130], bright[:10] = 2.0, 0.5
    assert measured(np.full((90, 160, 3), 600.0), bright=bright).bright_clipped_share == pytest.approx(10000 / (10000 + 800))


def test_far_from_any_clipping_no_warning_and_nothing():
    found = measured(textured(5.0), mask=np.zeros_like(MASK))
    assert (found.clipped_share, found.bright_clipped_share) == (0, 0)
    assert (found.detail_jnd, found.detail_stops, found.textured_share) == (None, None, None)
    assert measured(textured(5.0), bright=np.zeros_like(BRIGHT)).bright_clipped_share is None


# ------------------------------------------------------------- film figures


CLIPPED = {"clipped_share": 0.05, "bright_clipped_share": 0.9, "detail_jnd": 3.0, "detail_stops": 0.5, "textured_share": 0.8}


def pooled(*pairs, weights=None):
    counts = [make_spread(pair).level_counts for pair in pairs]
    return pool_detail(pairs, counts, weights=np.ones(len(pairs)) if weights is None else np.asarray(weights, float), settings=SETTINGS)


def test_rims_count_by_the_clipped_area_they_lie_round():
    wide = make_pair(**{**CLIPPED, "clipped_share": 0.06}, gradual_rim_share=0.1)
    narrow = make_pair(**{**CLIPPED, "clipped_share": 0.02}, gradual_rim_share=0.5)
    whole = make_pair(**{**CLIPPED, "clipped_share": 0.5}, gradual_rim_share=None)  # clipped all over: there is no rim
    assert pooled(wide, narrow, whole).gradual_rim_share == pytest.approx(0.2)


def test_rises_count_by_the_clipped_area_they_lie_in():
    wide, narrow = (make_pair(**{**CLIPPED, "clipped_share": share}, rise_codes=rise) for share, rise in ((0.06, 0.2), (0.02, 3.0)))
    coloured = make_pair(**{**CLIPPED, "clipped_share": 0.5}, rise_codes=None)
    assert pooled(wide, narrow, coloured).rise_codes == pytest.approx(0.9)


def test_an_sdr_that_clips_nowhere_is_not_applicable():
    found = pooled(make_pair(), make_pair(clipped_share=0.0009, detail_jnd=5.0))
    assert found.status == "not_applicable"
    assert found.clipped_share == pytest.approx(0.00045)
    assert (found.detail_jnd, found.detail_stops, found.textured_share, found.bright_clipped_share) == (None, None, None, None)


def test_pictures_without_clipping_do_not_water_the_detail_down():
    found = pooled(make_pair(**CLIPPED), *[make_pair() for _ in range(9)])
    assert found.status == "measured"
    assert (found.detail_jnd, found.detail_stops, found.textured_share) == pytest.approx((3.0, 0.5, 0.8))
    assert found.clipped_share == pytest.approx(0.005)


def test_the_median_goes_by_time():
    pairs = [make_pair(**{**CLIPPED, "detail_jnd": value}) for value in (1.0, 5.0, 9.0)]
    assert pooled(*pairs).detail_jnd == 5
    assert pooled(*pairs, weights=[1, 1, 5]).detail_jnd == 9
    assert pooled(*pairs[::-1], weights=[5, 1, 1]).detail_jnd == 9
