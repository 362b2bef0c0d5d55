"""Single pictures: two grades of one belong together, whatever their crop; pictures of other things, or of the same place moved, do not."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from skimage import color, data
from skimage.transform import resize

from pairdiff._records import Rectangle
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS, make_fingerprint
from pairdiff.match.single import pair_pictures
from tests.match._films import to_pq, to_sdr

ROWS, COLUMNS = 180, 320
NAMES = ("coffee", "astronaut", "chelsea", "rocket")


def picture(name):
    """A photograph as a signal, 0 to 1."""
    return resize(color.rgb2gray(getattr(data, name)()), (ROWS, COLUMNS), anti_aliasing=True).astype(np.float32)


def printed(luma, step):
    return make_fingerprint(luma, active=Rectangle(0, luma.shape[0], 0, luma.shape[1]), code_step=step)


def pair(hdr, sdr):
    """Both as signals of an SDR picture: the HDR one becomes PQ."""
    prints = printed(to_pq(hdr), 4), printed(to_sdr(sdr), 1)
    return pair_pictures(*prints, hdr_aspect=hdr.shape[1] / hdr.shape[0], sdr_aspect=sdr.shape[1] / sdr.shape[0])


def regraded(signal):
    return np.clip(1.1 * signal**1.5, 0, 1)


CROPS = {
    "whole": np.s_[:, :],
    "the middle": np.s_[10:-10, 18:-18],
    "off the middle": np.s_[2:-10, 4:-16],
    "wide": np.s_[22:-22, :],
    "narrow": np.s_[:, 40:-40],
}


@pytest.mark.parametrize("crop", CROPS)
@pytest.mark.parametrize("name", NAMES)
def test_two_grades_of_one_picture_are_matched_whatever_the_crop(name, crop):
    found = pair(picture(name), regraded(picture(name)[CROPS[crop]]))
    assert found.score > 0.92
    assert found.state.tolist() == [1]
    assert [part.tolist() for part in (found.path, found.path_stop, found.partners)] == [[0], [1], [0]]
    assert found.similarity[0] == pytest.approx(found.score)
    ((start, stop, grid_map),) = found.maps
    rows, columns = (range(size)[part] for size, part in zip((ROWS, COLUMNS), CROPS[crop], strict=True))
    assert (start, stop) == (0, 1)
    assert (grid_map.scale_rows, grid_map.shift_rows) == pytest.approx((len(rows) / ROWS, rows.start / ROWS), abs=0.02)
    assert (grid_map.scale_columns, grid_map.shift_columns) == pytest.approx((len(columns) / COLUMNS, columns.start / COLUMNS), abs=0.02)


def test_a_crop_on_the_hdr_side_is_found_as_well():
    found = pair(picture("coffee")[22:-22], regraded(picture("coffee")))
    assert found.state.tolist() == [1]
    assert found.maps[0][2].scale_rows == pytest.approx(ROWS / (ROWS - 44), abs=0.02)


@pytest.mark.parametrize("other", NAMES[1:])
def test_pictures_of_other_things_are_not_matched(other):
    for first, second in ((NAMES[0], other), (other, NAMES[0])):
        found = pair(picture(first), regraded(picture(second)))
        assert found.score < 0.6
        assert (found.state.tolist(), found.path.tolist(), found.partners.tolist()) == ([-1], [-1], [-1])
        assert np.isnan(found.similarity[0])


@pytest.mark.parametrize("name", NAMES)
def test_another_view_of_the_same_place_is_not_matched(name):
    """Beyond what a crop or a shift of the release explains."""
    shown = picture(name)
    found = pair(shown[:-30, :-60], regraded(shown[30:, 60:]))
    assert found.state.tolist() == [-1]


def noise_alike(share):
    """Two fingerprints of that similarity, which hardly any shift or crop brings nearer: a smooth picture, and it with noise."""
    first, other = np.random.default_rng(8).normal(size=(2, GRID_ROWS, GRID_COLUMNS))
    first, other = gaussian_filter(first, 3).ravel(), other.ravel()
    first = (first - first.mean()) / np.linalg.norm(first - first.mean())
    other = other - other.mean() - (other @ first) * first
    second = share * first + np.sqrt(1 - share**2) * other / np.linalg.norm(other)
    return first.astype(np.float16), second.astype(np.float16)


@pytest.mark.parametrize(("share", "state"), [(0.80, -1), (0.84, -1), (0.86, 1), (0.92, 1)])
def test_pictures_belong_together_from_a_similarity_between_those_of_other_views_and_of_other_grades(share, state):
    found = pair_pictures(*noise_alike(share), hdr_aspect=16 / 9, sdr_aspect=16 / 9)
    assert found.score == pytest.approx(share, abs=0.005)
    assert found.state.tolist() == [state]


def test_a_picture_without_detail_belongs_to_none():
    flat = printed(np.full((ROWS, COLUMNS), 90, np.uint8), 1)
    found = pair_pictures(printed(to_pq(picture("coffee")), 4), flat, hdr_aspect=16 / 9, sdr_aspect=16 / 9)
    assert (found.score, found.state.tolist(), found.weight) == (0.0, [-1], 0.0)
