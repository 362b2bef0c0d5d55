import colour
import numpy as np
import pytest
from scipy.ndimage import uniform_filter

from pairdiff._settings import Settings
from pairdiff.light.picture import nits_to_itp
from pairdiff.score.colour import (
    LEVEL_BANDS_NITS,
    LUMINANCE,
    MARGIN_FACTORS,
    PictureColour,
    distance_outside_jnd,
    measure_colour,
    pool_colour,
)
from tests.score._pairs import make_signal, relabel

SETTINGS = Settings()
SPACES = {"bt709": "ITU-R BT.709", "p3-d65": "P3-D65", "bt2020": "ITU-R BT.2020"}


def picture_of(rgb, source):
    """Linear BT.2020 light of colours given in another space, by colour-science."""
    matrix = colour.matrix_RGB_to_RGB(colour.RGB_COLOURSPACES[SPACES[source]], colour.RGB_COLOURSPACES["ITU-R BT.2020"], None)
    return np.asarray(rgb, np.float64) @ matrix.T


def outside(nits, gamut, margin=4.0):
    nits = np.asarray(nits, np.float32)
    return distance_outside_jnd(nits, gamut=gamut) > margin


@pytest.mark.parametrize("gamut", ["bt709", "p3-d65"])
def test_colours_inside_a_gamut_up_to_its_edge_are_inside(gamut):
    rng = np.random.default_rng(1)
    rgb = rng.uniform(0, 400, (40, 60, 3)) * (rng.random((40, 60, 3)) > 0.3)
    assert not outside(picture_of(rgb, gamut), gamut).any()


def test_a_p3_primary_is_outside_bt709_and_inside_p3():
    nits = picture_of(np.eye(3)[None] * 100, "p3-d65")
    assert outside(nits, "bt709").tolist() == [[True, True, False]]  # both spaces have the same blue
    assert not outside(nits, "p3-d65").any()


@pytest.mark.parametrize("gamut", ["bt709", "p3-d65"])
def test_the_mask_is_what_colour_science_gives(gamut):
    rng = np.random.default_rng(2)
    nits = rng.uniform(0, 1, (30, 40, 3)) ** 3 * 300
    spaces = colour.RGB_COLOURSPACES
    inner = nits @ colour.matrix_RGB_to_RGB(spaces["ITU-R BT.2020"], spaces[SPACES[gamut]], None).T
    moved = picture_of(np.maximum(inner, 0), gamut)
    jnd = colour.difference.delta_E_ITP(colour.RGB_to_ICtCp(nits), colour.RGB_to_ICtCp(moved))
    clear = np.abs(jnd - 4) > 0.05
    assert np.array_equal(outside(nits, gamut)[clear], (jnd > 4)[clear])
    assert (jnd > 4).any()
    assert not (jnd > 4).all()


def test_a_wider_margin_never_counts_more():
    nits = np.random.default_rng(3).uniform(0, 300, (30, 40, 3)) ** 1.5 / 20
    shares = [outside(nits, "bt709", margin).mean() for margin in (0.0, 2.0, 4.0, 8.0, 30.0)]
    assert shares == sorted(shares, reverse=True)


def test_what_is_outside_p3_is_outside_bt709():
    nits = np.random.default_rng(4).uniform(0, 1, (30, 40, 3)) ** 4 * 300
    assert (outside(nits, "bt709") | ~outside(nits, "p3-d65")).all()


def test_bands_share_out_what_is_outside():
    nits = np.random.default_rng(5).uniform(0, 1, (60, 80, 3)).astype(np.float32) ** 9 * 9000
    found = measure_colour(nits, nits_to_itp(nits), margin_jnd=4.0)
    assert sum(found.outside_709_by_level) == pytest.approx(found.outside_709_share)
    nits = uniform_filter(nits, (5, 5, 0), mode="mirror")  # light is averaged over 5 x 5 pixels first
    mask = outside(nits, "bt709")
    luminance = nits @ np.asarray(LUMINANCE)
    for n, share in enumerate(found.outside_709_by_level):
        band = (luminance >= LEVEL_BANDS_NITS[n]) & (luminance < LEVEL_BANDS_NITS[n + 1])
        assert share == pytest.approx((band & mask).mean(), abs=3e-4)


def test_chroma_errors_of_single_pixels_are_no_colour_use():
    nits = picture_of(np.broadcast_to([80.0, 8.0, 2.0], (60, 80, 3)), "bt709")
    errors = np.random.default_rng(3).normal(0, 3, nits.shape)
    noisy = np.maximum(nits + errors, 0).astype(np.float32)
    assert outside(noisy, "bt709").mean() > 0.02
    assert measure_colour(noisy, nits_to_itp(noisy), margin_jnd=4.0).outside_709_share < 0.001
    wide = picture_of(np.broadcast_to([80.0, 4.0, 0.0], (60, 80, 3)), "p3-d65").astype(np.float32)
    assert measure_colour(wide, nits_to_itp(wide), margin_jnd=4.0).outside_709_share == 1


def test_the_share_is_kept_at_varied_margins():
    nits = np.random.default_rng(3).uniform(0, 300, (60, 80, 3)) ** 2 / 600
    nits = nits.repeat(6, 0).repeat(6, 1).astype(np.float32)
    found = measure_colour(nits, nits_to_itp(nits), margin_jnd=4.0).outside_709_by_margin
    each = [measure_colour(nits, nits_to_itp(nits), margin_jnd=4.0 * f).outside_709_share for f in MARGIN_FACTORS]
    assert found == pytest.approx(each)
    assert found[0] > found[-1]


def test_luminance_weights_are_those_of_bt2020():
    assert pytest.approx(colour.RGB_COLOURSPACES["ITU-R BT.2020"].matrix_RGB_to_XYZ[1], abs=1e-4) == LUMINANCE


def test_a_relabelled_sdr_is_never_outside():
    for seed in range(4):
        nits = relabel(make_signal(seed, colour=0.8), white_nits=203.0).astype(np.float32)
        assert measure_colour(nits, nits_to_itp(nits), margin_jnd=4.0).outside_709_share == 0


def pooled(*pictures, weights=None):
    return pool_colour(pictures, weights=np.ones(len(pictures)) if weights is None else np.asarray(weights, float), settings=SETTINGS)


def test_a_black_and_white_film_is_not_applicable():
    grey = np.repeat(np.random.default_rng(6).uniform(0, 500, (40, 60, 1)), 3, -1).astype(np.float32)
    found = pooled(measure_colour(grey, nits_to_itp(grey), margin_jnd=4.0))
    assert found.status == "not_applicable"
    assert (found.outside_709_share, found.outside_p3_share, found.outside_709_by_level) == (None, None, None)
    assert found.chroma_p99_jnd < 0.5


def test_one_coloured_picture_makes_the_film_coloured():
    grey, red = PictureColour(0.0, 0.0, (0.0,) * 5, 0.1, (0.0,) * 5), PictureColour(0.2, 0.1, (0.0, 0.0, 0.2, 0.0, 0.0), 90.0, (0.2,) * 5)
    found = pooled(grey, red, weights=[3, 1])
    assert found.status == "measured"
    assert (found.outside_709_share, found.outside_p3_share) == pytest.approx((0.05, 0.025))
    assert found.outside_709_by_level["10_to_100_nits"] == pytest.approx(0.05)
