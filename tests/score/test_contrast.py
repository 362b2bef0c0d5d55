import numpy as np
import pytest

from pairdiff._settings import Settings
from pairdiff.light.transfer import nits_to_pq, pq_to_nits
from pairdiff.score.contrast import measure_contrast, pool_contrast
from tests.score._pairs import make_pair

ROWS, COLUMNS, WHITE = 120, 160, 100.0
BOX = (slice(30, 90), slice(40, 120))
FILM = np.ones((ROWS, COLUMNS), bool)
HELD = {
    "highlight_share": 0.02,
    "contrast_hdr_jnd": 9.0,
    "contrast_sdr_jnd": 2.0,
    "contrast_gain_jnd": 8.5,
    "contrast_hdr_stops": 0.17,
    "contrast_sdr_stops": 0.03,
    "contrast_gained_share": 0.9,
}


def waves(level_nits, jnd):
    """A dark picture with a box of grey waves whose standard deviation is `jnd`, |dPQ| x 720."""
    row, column = np.mgrid[0:ROWS, 0:COLUMNS]
    pattern = jnd * (np.sin(column * 0.7) + np.sin(row * 0.7))
    nits = np.full((ROWS, COLUMNS, 3), 5.0)
    nits[BOX] = pq_to_nits(nits_to_pq(level_nits) + pattern[BOX] / 720)[..., None]
    return nits


def measured(hdr, sdr, *, film=FILM, white=WHITE):
    return measure_contrast(
        hdr.astype(np.float32), sdr.astype(np.float32), white_nits=white, above_stops=0.15, film=film, pixels_per_degree=28.3
    )


@pytest.mark.parametrize(("hdr_jnd", "sdr_jnd"), [(10.0, 0.0), (10.0, 6.0), (25.0, 5.0)])
def test_planted_contrast_of_both_sides_is_measured(hdr_jnd, sdr_jnd):
    found = measured(waves(400.0, hdr_jnd), waves(95.0, sdr_jnd))
    assert found.area_share == pytest.approx(60 * 80 / (ROWS * COLUMNS), rel=0.15)
    assert found.hdr_jnd == pytest.approx(hdr_jnd, rel=0.1)
    assert found.sdr_jnd == pytest.approx(sdr_jnd, rel=0.15)
    assert found.gain_jnd == pytest.approx(np.sqrt(hdr_jnd**2 - sdr_jnd**2), rel=0.15)
    assert found.gained_share > 0.9
    stop = 720 * float(nits_to_pq(400 * 2**0.5) - nits_to_pq(400 / 2**0.5))
    assert found.hdr_stops == pytest.approx(found.hdr_jnd / stop, rel=0.03)


def test_an_sdr_with_more_contrast_gains_the_hdr_nothing():
    found = measured(waves(400.0, 4.0), waves(95.0, 12.0))
    assert (found.gain_jnd, found.gained_share) == (0, 0)
    assert found.sdr_jnd > found.hdr_jnd


def test_nothing_above_white_has_no_contrast_and_marks_that_stand_still_are_left_out():
    assert measured(waves(95.0, 0.5), waves(95.0, 0.5)).hdr_jnd is None
    film = FILM.copy()
    film[BOX] = False
    assert (measured(waves(400.0, 10.0), waves(95.0, 0.0), film=film).hdr_jnd) is None


def test_a_flat_lamp_with_a_soft_edge_has_no_contrast():
    light = np.full((ROWS, COLUMNS, 3), 5.0)
    row, column = np.mgrid[0:ROWS, 0:COLUMNS]
    distance = np.hypot(row - 60, column - 80)
    light[:] = (5 + 595 * np.clip((32 - distance) / 2, 0, 1))[..., None]  # an edge of two pixels
    found = measured(light, np.minimum(light, WHITE))
    assert found.hdr_jnd == 0


def pooled(*pairs, weights=None):
    return pool_contrast(pairs, weights=np.ones(len(pairs)) if weights is None else np.asarray(weights, float), settings=Settings())


def test_pictures_without_highlights_do_not_water_the_contrast_down():
    found = pooled(make_pair(**HELD), *[make_pair() for _ in range(9)])
    assert found.status == "measured"
    assert (found.hdr_jnd, found.sdr_jnd, found.gain_jnd, found.gained_share) == pytest.approx((9.0, 2.0, 8.5, 0.9))
    assert found.area_share == pytest.approx(0.002)


def test_a_film_without_highlights_is_not_applicable():
    found = pooled(make_pair(), make_pair(**{**HELD, "highlight_share": 0.0009}))
    assert (found.status, found.hdr_jnd, found.sdr_jnd, found.gain_jnd, found.gained_share) == ("not_applicable", None, None, None, None)


def test_the_median_goes_by_area_and_time():
    pairs = [make_pair(**{**HELD, "contrast_gain_jnd": value}) for value in (1.0, 5.0, 9.0)]
    assert pooled(*pairs).gain_jnd == 5
    assert pooled(*pairs, weights=[1, 1, 5]).gain_jnd == 9
