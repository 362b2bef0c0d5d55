import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.stats import rankdata, spearmanr
from skimage import color, data
from skimage.transform import resize

from pairdiff._records import Rectangle
from pairdiff.light.transfer import nits_to_pq
from pairdiff.match._kernels import average_cells, count_below
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS, _shrink, make_fingerprint

WHOLE = Rectangle(0, 180, 0, 320)


def codes(name="coffee"):
    picture = resize(color.rgb2gray(getattr(data, name)()), (180, 320), anti_aliasing=True)
    return np.rint(16 + 219 * picture).astype(np.uint8)


def fingerprint(luma, *, active=WHOLE):
    return make_fingerprint(luma, active=active, code_step=1 if luma.dtype == np.uint8 else 4)


def alike(first, second):
    return float(first.astype(np.float64) @ second.astype(np.float64))


def to_pq10(luma):
    light = 203 * ((luma.astype(np.float64) - 16) / 219).clip(0) ** 2.4
    return np.rint(64 + 876 * nits_to_pq(light)).astype(np.uint16)


def test_it_is_the_rank_correlation_of_cell_means_of_equalised_pictures():
    first, second = codes("coffee"), codes("astronaut")
    equal = [rankdata(p).reshape(p.shape) for p in (first, second)]  # scipy's mean ranks: ties share one
    cells = [p.reshape(GRID_ROWS, 10, GRID_COLUMNS, 10).mean((1, 3)).ravel() for p in equal]
    ours = alike(fingerprint(first), fingerprint(second))
    assert ours == pytest.approx(spearmanr(*cells).statistic, abs=0.02)


def test_zero_mean_and_unit_length():
    made = fingerprint(codes()).astype(np.float64)
    assert made.shape == (GRID_ROWS * GRID_COLUMNS,)
    assert made.mean() == pytest.approx(0, abs=1e-5)
    assert np.linalg.norm(made) == pytest.approx(1, abs=1e-3)


@pytest.mark.parametrize("gamma", [0.6, 1.0, 1.7])
def test_another_tone_curve_leaves_it(gamma):
    luma = codes()
    curved = np.rint(16 + 219 * ((luma - 16.0) / 219).clip(0, 1) ** gamma).astype(np.uint8)
    assert alike(fingerprint(luma), fingerprint(curved)) > 0.98


def test_a_pq_grade_of_the_same_frame_is_alike_and_another_frame_is_not():
    luma = codes()
    same, other = to_pq10(luma), to_pq10(codes("chelsea"))
    assert alike(fingerprint(luma), fingerprint(same)) > 0.97
    assert alike(fingerprint(luma), fingerprint(other)) < 0.5


def test_what_lies_outside_the_active_picture_does_not_count():
    luma = codes()
    framed = np.full((220, 400), 16, np.uint8)
    framed[20:200, 40:360] = luma
    assert np.array_equal(fingerprint(framed, active=Rectangle(20, 200, 40, 360)), fingerprint(luma))


@pytest.mark.parametrize(("kind", "level"), [(np.uint8, 16), (np.uint16, 64)])
def test_a_flat_frame_has_no_fingerprint(kind, level):
    plane = np.full((180, 320), level, kind)
    plane[::7, ::5] += 1
    assert not fingerprint(plane).any()


def test_two_titles_on_black_are_not_alike_for_their_black():
    first, second = np.full((2, 180, 320), 16, np.uint8)
    first[20:50, 30:120], second[120:150, 200:290] = 220, 220
    assert alike(fingerprint(first), fingerprint(second)) < 0.2
    assert alike(fingerprint(first), fingerprint(first)) == pytest.approx(1, abs=2e-3)


def test_a_wide_clipped_sky_keeps_frames_alike():
    texture = gaussian_filter(np.random.default_rng(4).normal(size=(180, 320)), 9)
    ramp = np.linspace(1.5, 0.0, 180)[:, None] + 3 * texture
    hdr = np.rint(64 + 500 * ramp.clip(0, 1.6)).astype(np.uint16)
    sdr = np.rint(16 + 219 * ramp.clip(0, 0.9) / 0.9).astype(np.uint8)
    assert alike(fingerprint(hdr), fingerprint(sdr)) > 0.9


@pytest.mark.parametrize(
    ("kind", "step", "high"), [(np.uint8, 1, 219), (np.uint16, 4, 876), (np.uint16, 16, 3504), (np.uint16, 256, 56064)]
)
def test_a_faint_picture_is_flat_or_not_at_any_depth(kind, step, high):
    ramp = np.linspace(0, 1, 320)[None, :] * np.ones((180, 1))
    faint, seen = (np.rint(16 * step + share * high * ramp).astype(kind) for share in (0.4 / 219, 3 / 219))
    assert not make_fingerprint(faint, active=WHOLE, code_step=step).any()
    assert make_fingerprint(seen, active=WHOLE, code_step=step).any()


def test_a_tone_curve_does_not_move_a_bright_edge_in_time():
    """A bright thing that travels: another curve must not look like the film half a frame later, as averages of codes do."""
    field = gaussian_filter(np.random.default_rng(8).normal(size=(180, 520)), 5)
    wide = np.clip(0.15 + 0.9 * np.maximum(field / field.max(), 0), 0, 1)  # bright things on a dark ground
    film = [wide[:, n : n + 320] for n in range(0, 160, 2)]
    hdr = np.stack([fingerprint(np.rint(64 + 876 * one**0.5).astype(np.uint16)) for one in film]).astype(np.float64)
    sdr = np.stack([fingerprint(np.rint(16 + 219 * one**1.6).astype(np.uint8)) for one in film]).astype(np.float64)
    here, before, after = (np.mean([hdr[n] @ sdr[n + lag] for n in range(5, 75)]) for lag in (0, -1, 1))
    assert here > before
    assert here > after
    assert abs(before - after) < 0.2 * (here - (before + after) / 2)


def test_the_rank_kernel_agrees_with_plain_numpy():
    cells = np.random.default_rng(2).uniform(0, 1, 576).astype(np.float32)
    out = np.empty(576, np.float32)
    count_below(cells, 0.05, out)
    assert out == pytest.approx(np.clip((cells[:, None] - cells[None, :]) / 0.05, -1, 1).sum(1), abs=1e-3)


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize(("rows", "columns"), [(1080, 1920), (2160, 3840), (1606, 3840), (804, 1916), (180, 320)])
def test_large_pictures_are_averaged_down_as_opencv_does(rows, columns, kind):
    luma = np.random.default_rng(rows).integers(0, 256 if kind is np.uint8 else 1024, (rows + 7, columns + 9)).astype(kind)
    inside = np.ascontiguousarray(luma[5 : 5 + rows, 3 : 3 + columns])
    found = _shrink(luma, Rectangle(5, 5 + rows, 3, 3 + columns))
    block = max(round(columns / 960), 1)
    size = max(columns // block, 128), max(rows // block, 72)
    assert np.array_equal(found, cv2.resize(inside, size, interpolation=cv2.INTER_AREA)[:: 3 if block > 1 and size[1] >= 216 else 1])


@pytest.mark.parametrize("shape", [(540, 960), (401, 958), (72, 128)])
def test_cells_are_area_means_of_codes_and_of_shares_of_darker_codes(shape):
    """OpenCV's area resampling, of scipy's mean ranks for the second."""
    luma = np.random.default_rng(2).gamma(2, 60, shape).clip(0, 1023).astype(np.uint16)
    counts, share = np.zeros((4, 1024), np.uint32), np.empty(1024, np.float32)
    plain, equalised = np.empty((GRID_ROWS, GRID_COLUMNS), np.float32), np.empty((GRID_ROWS, GRID_COLUMNS), np.float32)
    average_cells(luma, counts, share, plain, equalised)
    size = GRID_COLUMNS, GRID_ROWS
    np.testing.assert_allclose(plain, cv2.resize(luma.astype(np.float64), size, interpolation=cv2.INTER_AREA), rtol=1e-5)
    ranks = (rankdata(luma).reshape(shape) - 0.5) / luma.size
    np.testing.assert_allclose(equalised, cv2.resize(ranks, size, interpolation=cv2.INTER_AREA), atol=2e-6)
    assert np.array_equal(counts.sum(0), np.bincount(luma.ravel(), minlength=1024))
