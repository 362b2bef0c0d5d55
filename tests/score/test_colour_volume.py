import colour
import numpy as np
import pytest

from pairdiff import compare_pictures
from pairdiff._settings import Settings
from pairdiff.score.colour import BAND_NAMES
from pairdiff.score.colour_volume import CELL_JND, measure_beyond, pool_beyond, set_volume_jnd3
from pairdiff.verdict import pictures
from tests.score._highlights import PIXELS_PER_DEGREE, add_grain, clip_grade, pair_of, scene, shoulder_grade
from tests.score._pairs import TO_2020, make_signal, relabel

SETTINGS = Settings(support_draws=20, fit_pixels_per_pair=1000)
ROWS, COLUMNS, WHITE = 120, 160, 150.0
MODERATE = BAND_NAMES.index("100_to_300_nits")
MARGIN, SATURATED_JND = SETTINGS.gamut_margin_jnd, SETTINGS.saturated_jnd
BOX = (slice(20, 60), slice(30, 110))
BOX_SHARE = 40 * 80 / (ROWS * COLUMNS)
GROWN_SHARE = 46 * 86 / (ROWS * COLUMNS)
"""The patch with the three pixels round it that the average over six reaches."""
NEON = {"red": (1.0, 0.05, 0.05), "magenta": (1.0, 0.1, 0.9), "orange": (1.0, 0.35, 0.02)}


def sdr_picture(seed=0, *, colour_strength=0.6):
    return make_signal(seed, rows=ROWS, columns=COLUMNS, colour=colour_strength)


def at_luminance(rgb_709, nits):
    """Linear BT.2020 light of a BT.709 colour at that luminance."""
    rgb = np.asarray(rgb_709, np.float64)
    return rgb / (rgb @ np.array([0.2126, 0.7152, 0.0722])) * nits @ TO_2020.T


def with_patch(nits, rgb_2020):
    changed = nits.copy()
    changed[BOX] = rgb_2020
    return changed


def measured(hdr, sdr, *, top=WHITE, margin=MARGIN):
    return measure_beyond(hdr, sdr, white_nits=WHITE, top_nits=top, margin_jnd=margin, saturated_jnd=SATURATED_JND)


@pytest.mark.parametrize("name", NEON)
def test_saturated_neon_at_200_nits_is_found_with_its_area(name):
    shown = relabel(sdr_picture(), white_nits=WHITE)
    found = measured(with_patch(shown, at_luminance(NEON[name], 200.0)), shown)
    assert found.saturated_by_level[MODERATE] == pytest.approx(BOX_SHARE, rel=0.1)  # own tolerance: the averaged rim
    assert found.saturated_by_level[-1] < 0.05 * BOX_SHARE
    assert 0.95 * BOX_SHARE < found.beyond_share < GROWN_SHARE
    assert found.beyond_cells.size >= 1


def test_the_same_neon_at_what_the_set_can_show_is_not_beyond_it():
    shown = relabel(sdr_picture(), white_nits=WHITE)
    found = measured(with_patch(shown, at_luminance(NEON["red"], 30.0)), shown)  # the red of this set ends at 0.2126 x 150 = 32 cd/m2
    assert (found.beyond_share, sum(found.saturated_by_level), found.beyond_cells.size) == (0, 0, 0)


def test_bright_neutral_light_is_beyond_the_set_and_not_saturated():
    shown = relabel(sdr_picture(), white_nits=WHITE)
    found = measured(with_patch(shown, [280.0, 280.0, 280.0]), shown)
    assert found.beyond_share == pytest.approx(BOX_SHARE, rel=0.15)
    assert sum(found.saturated_by_level) < 0.02 * BOX_SHARE


def test_a_relabelled_sdr_reaches_its_own_volume_and_nothing_beyond():
    shown = relabel(sdr_picture(), white_nits=WHITE)
    found = measured(shown, shown)
    assert (found.beyond_share, sum(found.saturated_by_level), found.beyond_cells.size) == (0, 0, 0)
    assert np.array_equal(found.hdr_cells, found.sdr_cells)
    assert found.hdr_cells.size > 20


def test_what_the_sdr_shows_above_its_white_is_not_beyond_it():
    shown = relabel(sdr_picture(), white_nits=WHITE)
    above = with_patch(shown, [1.2 * WHITE] * 3)
    assert measured(above, above).beyond_share > 0.1
    assert measured(above, above, top=1.22 * WHITE).beyond_share == 0


@pytest.mark.parametrize("seed", range(3))
def test_grain_and_chroma_noise_give_nothing(seed):
    shown = relabel(sdr_picture(seed, colour_strength=0.9), white_nits=WHITE)
    rng = np.random.default_rng(seed)
    grain = 1 + 0.05 * rng.normal(size=(ROWS, COLUMNS, 1))
    chroma = 1 + 0.05 * rng.normal(size=(ROWS // 2, COLUMNS // 2, 3)).repeat(2, 0).repeat(2, 1)
    found = measured(shown * grain * chroma, shown)
    assert found.beyond_share < 1e-3
    assert sum(found.saturated_by_level) < 1e-3
    assert found.beyond_cells.size == 0


def test_a_wider_margin_never_counts_more():
    rng = np.random.default_rng(4)
    nits = (rng.uniform(0, 1, (ROWS // 6, COLUMNS // 8, 3)) ** 2 * 500).repeat(6, 0).repeat(8, 1)
    shares = [measured(nits, nits, margin=margin).beyond_share for margin in (0.0, 4.0, 16.0, 64.0)]
    assert shares == sorted(shares, reverse=True)
    assert shares[0] > shares[-1]


def test_the_volume_of_a_set_is_that_of_the_solid_colour_science_spans():
    """The solid's volume by the determinant of finite differences; cells that are touched count whole, so ours is larger by about half a
    cell over the whole surface."""
    steps = np.linspace(0, 1, 41) ** 2.4 * 100
    grid = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), -1)
    spaces = colour.RGB_COLOURSPACES
    itp = colour.RGB_to_ICtCp(grid @ colour.matrix_RGB_to_RGB(spaces["ITU-R BT.709"], spaces["ITU-R BT.2020"], None).T) * [720, 360, 720]
    edges = [np.diff(itp, axis=axis)[tuple(slice(40) for _ in range(3))] for axis in range(3)]
    volume = np.abs(np.linalg.det(np.stack(edges, -1))).sum()
    assert volume < set_volume_jnd3(100.0) < 1.6 * volume


def test_a_brighter_set_shows_more_and_gains_what_an_octave_is_worth():
    volumes = [set_volume_jnd3(white) for white in (50.0, 100.0, 200.0, 300.0)]
    assert volumes == sorted(volumes)
    assert volumes[-1] < 3 * volumes[0]


def test_volume_does_not_grow_with_the_number_of_like_pictures_and_adds_up_where_they_differ():
    one = measured(*[relabel(sdr_picture(0), white_nits=WHITE)] * 2)
    two = measured(*[relabel(sdr_picture(1, colour_strength=1.0), white_nits=WHITE)] * 2)
    look = {"white_nits": WHITE, "coloured": True, "settings": SETTINGS}
    single = pool_beyond([one], weights=np.ones(1), **look)
    assert pool_beyond([one, one], weights=np.ones(2), **look) == single
    both = pool_beyond([one, two], weights=np.ones(2), **look)
    assert both.hdr_volume_jnd3 > single.hdr_volume_jnd3
    assert both.hdr_volume_jnd3 == np.union1d(one.hdr_cells, two.hdr_cells).size * CELL_JND**3


def test_area_and_time_go_by_matched_time():
    shown = relabel(sdr_picture(), white_nits=WHITE)
    plain, neon = measured(shown, shown), measured(with_patch(shown, at_luminance(NEON["red"], 200.0)), shown)
    found = pool_beyond([plain, neon], weights=np.array([3.0, 1.0]), white_nits=WHITE, coloured=True, settings=SETTINGS)
    assert found.saturated_100_to_300_time_share == 0.25
    assert found.saturated_100_to_300_share == pytest.approx(BOX_SHARE / 4, rel=0.1)
    assert found.saturated_by_level["100_to_300_nits"] == found.saturated_100_to_300_share
    assert sum(found.saturated_by_level.values()) == pytest.approx(found.saturated_share)


def test_a_black_and_white_film_is_not_applicable():
    grey = sdr_picture(colour_strength=0.0)
    found = pool_beyond([measured(*[relabel(grey)] * 2)], weights=np.ones(1), white_nits=WHITE, coloured=False, settings=SETTINGS)
    assert found.status == "not_applicable"
    assert (found.beyond_share, found.saturated_share, found.hdr_volume_jnd3, found.set_volume_jnd3) == (None, None, None, None)


def test_what_counts_as_saturated_lies_between_skin_and_neon():
    """Chroma by colour-science, whose Ct is twice the T of BT.2124."""

    def chroma(rgb, nits):
        ictcp = colour.RGB_to_ICtCp(at_luminance(rgb, nits))
        return 720 * np.hypot(ictcp[1] / 2, ictcp[2])

    assert chroma((0.45, 0.25, 0.17), 300.0) < SATURATED_JND  # linear light of fair skin
    assert all(chroma(rgb, 100.0) > 1.5 * SATURATED_JND for rgb in NEON.values())


# ------------------------------------------------------------- through the front door


@pytest.fixture
def few_pixels(monkeypatch):
    monkeypatch.setattr(pictures, "FIT_PIXELS_AT_LEAST", 4000)


def compared(lights, codes):
    return compare_pictures(*pair_of(lights, codes), settings=SETTINGS, pixels_per_degree=PIXELS_PER_DEGREE).colour


def muted(light, share=0.15):
    grey = light @ np.array([0.2126, 0.7152, 0.0722])
    return (1 - share) * grey[..., None] + share * light


@pytest.mark.usefixtures("few_pixels")
def test_neon_of_a_film_is_found_and_a_muted_film_has_none():
    lights = [scene(number, area_share=0.02) for number in range(4)]
    neon = [light.copy() for light in lights]
    rgb = np.array(NEON["red"])
    for light in neon:
        light[130:160, 200:280] = rgb / (rgb @ [0.2126, 0.7152, 0.0722]) * 200.0
    found = compared(neon, [clip_grade(light) for light in neon]).beyond_set
    assert found.status == "measured"
    assert found.saturated_100_to_300_share == pytest.approx(30 * 80 / (180 * 320), rel=0.1)
    assert found.saturated_100_to_300_time_share == 1
    assert found.hdr_volume_jnd3 > found.sdr_volume_jnd3
    assert 0 < found.beyond_volume_jnd3 < found.hdr_volume_jnd3
    assert found.sdr_volume_jnd3 < found.set_volume_jnd3
    quiet = [muted(light) for light in lights]
    found = compared(quiet, [shoulder_grade(light) for light in quiet]).beyond_set
    assert found.saturated_share in (0, None)
    assert found.saturated_100_to_300_share in (0, None)


@pytest.mark.usefixtures("few_pixels")
def test_grain_on_an_sdr_picture_in_a_container_reaches_no_colour_beyond_the_set():
    codes = [make_signal(number, rows=180, columns=320, colour=0.6).astype(np.float64) for number in range(3)]
    found = compared([add_grain(WHITE * code**2.4, jnd=8.0, seed=n) for n, code in enumerate(codes)], codes).beyond_set
    assert found.saturated_share < 1e-3
    assert found.saturated_100_to_300_time_share == 0
