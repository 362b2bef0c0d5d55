import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.stats import spearmanr
from skimage import color, data
from skimage.transform import resize

from pairdiff._records import Rectangle
from pairdiff.light.transfer import nits_to_pq
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS, make_fingerprint

WHOLE = Rectangle(0, 180, 0, 320)


def codes(name="coffee"):
    picture = resize(color.rgb2gray(getattr(data, name)()), (180, 320), anti_aliasing=True)
    return np.rint(16 + 219 * picture).astype(np.uint8)


def alike(first, second):
    return float(first.astype(np.float64) @ second.astype(np.float64))


def to_pq10(luma):
    light = 203 * ((luma.astype(np.float64) - 16) / 219).clip(0) ** 2.4
    return np.rint(64 + 876 * nits_to_pq(light)).astype(np.uint16)


def test_it_is_the_rank_correlation_of_cell_means():
    first, second = codes("coffee"), codes("astronaut")
    cells = [p.reshape(GRID_ROWS, 10, GRID_COLUMNS, 10).mean((1, 3)).ravel() for p in (first, second)]
    ours = alike(make_fingerprint(first, active=WHOLE), make_fingerprint(second, active=WHOLE))
    assert ours == pytest.approx(spearmanr(*cells).statistic, abs=0.02)


def test_zero_mean_and_unit_length():
    made = make_fingerprint(codes(), active=WHOLE).astype(np.float64)
    assert made.shape == (GRID_ROWS * GRID_COLUMNS,)
    assert made.mean() == pytest.approx(0, abs=1e-5)
    assert np.linalg.norm(made) == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize("gamma", [0.6, 1.0, 1.7])
def test_another_tone_curve_leaves_it(gamma):
    luma = codes()
    curved = np.rint(16 + 219 * ((luma - 16.0) / 219).clip(0, 1) ** gamma).astype(np.uint8)
    assert alike(make_fingerprint(luma, active=WHOLE), make_fingerprint(curved, active=WHOLE)) > 0.98


def test_a_pq_grade_of_the_same_frame_is_alike_and_another_frame_is_not():
    luma = codes()
    same, other = to_pq10(luma), to_pq10(codes("chelsea"))
    assert alike(make_fingerprint(luma, active=WHOLE), make_fingerprint(same, active=WHOLE)) > 0.97
    assert alike(make_fingerprint(luma, active=WHOLE), make_fingerprint(other, active=WHOLE)) < 0.5


def test_what_lies_outside_the_active_picture_does_not_count():
    luma = codes()
    framed = np.full((220, 400), 16, np.uint8)
    framed[20:200, 40:360] = luma
    assert np.array_equal(make_fingerprint(framed, active=Rectangle(20, 200, 40, 360)), make_fingerprint(luma, active=WHOLE))


@pytest.mark.parametrize(("kind", "level"), [(np.uint8, 16), (np.uint16, 64)])
def test_a_flat_frame_has_no_fingerprint(kind, level):
    plane = np.full((180, 320), level, kind)
    plane[::7, ::5] += 1
    assert not make_fingerprint(plane, active=WHOLE).any()


def test_two_titles_on_black_are_not_alike_for_their_black():
    first, second = np.full((2, 180, 320), 16, np.uint8)
    first[20:50, 30:120], second[120:150, 200:290] = 220, 220
    assert alike(make_fingerprint(first, active=WHOLE), make_fingerprint(second, active=WHOLE)) < 0.2
    assert alike(make_fingerprint(first, active=WHOLE), make_fingerprint(first, active=WHOLE)) == pytest.approx(1, abs=2e-3)


def test_a_wide_clipped_sky_keeps_frames_alike():
    texture = gaussian_filter(np.random.default_rng(4).normal(size=(180, 320)), 9)
    ramp = np.linspace(1.5, 0.0, 180)[:, None] + 3 * texture
    hdr = np.rint(64 + 500 * ramp.clip(0, 1.6)).astype(np.uint16)
    sdr = np.rint(16 + 219 * ramp.clip(0, 0.9) / 0.9).astype(np.uint8)
    assert alike(make_fingerprint(hdr, active=WHOLE), make_fingerprint(sdr, active=WHOLE)) > 0.9
