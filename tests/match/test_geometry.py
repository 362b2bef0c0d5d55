import cv2
import numpy as np
import pytest
from scipy.integrate import quad
from skimage import color, data
from skimage.transform import downscale_local_mean, resize

from pairdiff._records import Rectangle
from pairdiff.light.transfer import nits_to_pq
from pairdiff.match import _kernels
from pairdiff.match.geometry import (
    LumaPair,
    build_geometry,
    geometry_from_map,
    guess_geometry,
    map_from_geometry,
    refine_geometry,
    resample_area,
)
from pairdiff.match.grid import GridMap, maps_apart

RNG = np.random.default_rng(3)
EYE = {"max_columns": 1920, "pixels_per_degree_2160": 56.55}


# ------------------------------------------------------------- area average


@pytest.mark.parametrize("factors", [(2, 2), (3, 4), (6, 1)])
def test_whole_factors_are_the_block_means_of_scikit_image(factors):
    picture = RNG.uniform(0, 1000, (36, 48, 3)).astype(np.float32)
    rows, columns = 36 // factors[0], 48 // factors[1]
    ours = resample_area(picture, region=(0, 36, 0, 48), rows=rows, columns=columns)
    assert ours == pytest.approx(downscale_local_mean(picture.astype(np.float64), (*factors, 1)), rel=1e-5)


def test_broken_factors_are_the_integral_over_each_cell():
    line = RNG.uniform(0, 1, 23)
    edges = np.linspace(2.3, 20.9, 8)
    ours = resample_area(np.tile(line, (4, 1)), region=(0, 4, 2.3, 20.9), rows=4, columns=7)

    def at(x):
        return line[int(x)]

    for n in range(7):
        breaks = [x for x in range(23) if edges[n] < x < edges[n + 1]]
        exact = quad(at, edges[n], edges[n + 1], points=breaks)[0] / (edges[n + 1] - edges[n])
        assert ours[:, n] == pytest.approx(exact, rel=1e-5)


def test_light_is_kept():
    picture = RNG.uniform(0, 10000, (31, 47)).astype(np.float32)
    for rows, columns in ((7, 11), (31, 20), (1, 1)):
        ours = resample_area(picture, region=(0, 31, 0, 47), rows=rows, columns=columns)
        assert ours.mean(dtype=np.float64) == pytest.approx(picture.mean(dtype=np.float64), rel=1e-5)


def test_a_region_of_its_own_size_is_the_picture_itself():
    picture = RNG.uniform(0, 1, (20, 30, 3)).astype(np.float32)
    assert np.array_equal(resample_area(picture, region=(3, 13, 5, 25), rows=10, columns=20), picture[3:13, 5:25])


@pytest.mark.parametrize("region", [(2.0, 12.0, 0.0, 10.0), (-3.0, 7.0, 0.0, 10.0), (0.0, 10.0, 4.0, 14.0), (0.0, 10.0, -1.0, 9.0)])
def test_beyond_the_picture_the_edge_repeats(region):
    picture = RNG.uniform(0, 1, (10, 10)).astype(np.float32)
    rows = np.clip(np.arange(int(region[0]), int(region[1])), 0, 9)
    columns = np.clip(np.arange(int(region[2]), int(region[3])), 0, 9)
    ours = resample_area(picture, region=region, rows=10, columns=10)
    assert ours == pytest.approx(picture[np.ix_(rows, columns)], rel=1e-6)


def test_a_flat_picture_stays_flat_and_types_and_shapes_hold():
    ours = resample_area(np.full((10, 10, 3), 7.5), region=(0.4, 9.1, 0.2, 8.8), rows=4, columns=5)
    assert ours.shape == (4, 5, 3)
    assert ours.dtype == np.float32
    assert ours == pytest.approx(7.5, rel=1e-6)


def averaging_matrix(edges, size):
    """Plain numpy: each row holds the share of a cell that lies in each pixel."""
    pixel = np.arange(size)
    low, high = edges[:-1, None], edges[1:, None]
    return np.clip(np.minimum(high, pixel + 1) - np.maximum(low, pixel), 0, None) / (high - low)


def test_kernels_agree_with_plain_numpy():
    picture = RNG.uniform(0, 1, (17, 19, 3)).astype(np.float32)
    edges = np.linspace(1.3, 15.8, 6)
    out = np.empty((5, 19 * 3), np.float32)
    _kernels.average_rows(picture.reshape(17, -1), edges, out)
    assert out == pytest.approx(averaging_matrix(edges, 17) @ picture.reshape(17, -1), abs=1e-5)
    wide = np.empty((17, 5, 3), np.float32)
    _kernels.average_columns(picture, edges, wide)
    assert wide == pytest.approx(np.einsum("jk,rkc->rjc", averaging_matrix(edges, 19), picture), abs=1e-5)


# ------------------------------------------------------------- the first guess


def test_a_2160_line_and_a_1080_line_release_meet_edge_to_edge():
    made = guess_geometry(Rectangle(280, 1880, 0, 3840), Rectangle(140, 940, 0, 1920), **EYE)
    assert (made.scale_rows, made.scale_columns, made.shift_rows, made.shift_columns) == (2, 2, 0, 0)
    assert made.hdr_common == (280, 1880, 0, 3840)
    assert made.sdr_common == (140, 940, 0, 1920)
    assert (made.canvas_rows, made.canvas_columns) == (800, 1920)
    assert made.pixels_per_degree == pytest.approx(56.55 / 2)


def test_an_open_matte_meets_at_equal_width_and_common_middle():
    made = guess_geometry(Rectangle(140, 940, 0, 1920), Rectangle(0, 1080, 0, 1920), **EYE)
    assert made.scale_rows == made.scale_columns == 1
    assert made.sdr_common == (140, 940, 0, 1920)
    assert made.hdr_common == (140, 940, 0, 1920)


def test_the_canvas_is_the_smaller_of_the_two():
    made = guess_geometry(Rectangle(0, 540, 0, 960), Rectangle(0, 1080, 0, 1920), **EYE)
    assert (made.canvas_rows, made.canvas_columns) == (540, 960)
    made = guess_geometry(Rectangle(0, 2160, 0, 3840), Rectangle(0, 2160, 0, 3840), **EYE)
    assert (made.canvas_rows, made.canvas_columns) == (1080, 1920)


def test_visual_degrees_follow_the_screen_and_not_the_bars():
    full = guess_geometry(Rectangle(0, 1080, 0, 1920), Rectangle(0, 1080, 0, 1920), **EYE)
    wide = guess_geometry(Rectangle(140, 940, 0, 1920), Rectangle(140, 940, 0, 1920), **EYE)
    pillars = guess_geometry(Rectangle(0, 1080, 240, 1680), Rectangle(0, 1080, 240, 1680), **EYE)
    assert full.pixels_per_degree == wide.pixels_per_degree == pillars.pixels_per_degree == pytest.approx(28.275)


@pytest.mark.parametrize("seed", range(10))
def test_common_edges_obey_scale_and_shift(seed):
    rng = np.random.default_rng(seed)
    hdr, sdr = Rectangle(20, 500, 30, 900), Rectangle(10, 260, 12, 470)
    scale, shift = tuple(rng.uniform(1.8, 2.1, 2)), tuple(rng.uniform(-8, 8, 2))
    made = build_geometry(hdr, sdr, scale=scale, shift=shift, max_columns=1920, pixels_per_degree_2160=56.55, residual_pixels=None)
    for axis in (0, 1):
        ours, theirs = made.hdr_common[2 * axis : 2 * axis + 2], made.sdr_common[2 * axis : 2 * axis + 2]
        assert ours == pytest.approx([shift[axis] + scale[axis] * edge for edge in theirs], abs=1e-9)
    assert made.sdr_common[0] >= sdr.top
    assert made.hdr_common[3] <= hdr.right + 0.003
    assert made.canvas_columns <= sdr.right - sdr.left


# ------------------------------------------------------------- refinement: a planted fault is found again


def texture(name="brick", rows=540, columns=960):
    """A textured picture of skimage.data, signal 0 to 1, mirrored to the size asked for."""
    picture = getattr(data, name)()
    grey = picture / 255.0 if picture.ndim == 2 else color.rgb2gray(picture)
    small = resize(grey, (rows // 2, columns // 2), anti_aliasing=True)
    return np.pad(small, ((0, rows - rows // 2), (0, columns - columns // 2)), mode="symmetric").astype(np.float32)


def planted(picture, *, scale=1.0, shift=(0.0, 0.0), noise=0.0, seed=0):
    """An HDR luma with hdr = shift + scale x sdr (pixel edges), made by OpenCV, in another grade; and the SDR luma."""
    rows, columns = picture.shape
    offset = [s + 0.5 * scale - 0.5 for s in shift]
    warp = np.array([[scale, 0, offset[1]], [0, scale, offset[0]]])
    moved = cv2.warpAffine(picture, warp, (columns, rows), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101)
    rng = np.random.default_rng(seed)
    hdr = 64 + 876 * nits_to_pq(180 * moved.clip(0, 1) ** 2.2) + noise * 4 * rng.normal(size=picture.shape)
    sdr = 16 + 219 * picture + noise * rng.normal(size=picture.shape)
    return LumaPair(hdr.astype(np.float32), sdr.astype(np.float32))


def refined(pairs):
    rows, columns = pairs[0].sdr.shape
    whole = Rectangle(0, rows, 0, columns)
    return refine_geometry(guess_geometry(whole, whole, **EYE), pairs, **EYE)


def worst_pixels(found, *, scale, shift, size):
    """Largest error of the found map at the corners, in pixels of a canvas 1920 wide."""
    rows, columns = size
    row = max(abs(found.shift_rows + found.scale_rows * r - shift[0] - scale * r) for r in (0, rows))
    column = max(abs(found.shift_columns + found.scale_columns * c - shift[1] - scale * c) for c in (0, columns))
    return max(row, column) * 1920 / columns


@pytest.mark.parametrize(
    ("scale", "shift"),
    [(1.0, (0.0, 0.0)), (1.0, (1.5, -2.25)), (1.0, (-4.0, 3.0)), (1.006, (-1.0, 0.5)), (0.994, (2.0, 1.0))],
)
def test_a_planted_scale_and_shift_are_found_within_a_quarter_pixel(scale, shift):
    pairs = [planted(texture(name), scale=scale, shift=shift, noise=1.0) for name in ("brick", "gravel", "coffee")]
    found = refined(pairs)
    assert worst_pixels(found, scale=scale, shift=shift, size=(540, 960)) < 0.25
    assert found.residual_pixels < 0.25


def test_registered_releases_keep_the_guess_and_say_the_residual():
    found = refined([planted(texture("gravel"))])
    assert (found.scale_rows, found.scale_columns, found.shift_rows, found.shift_columns) == (1, 1, 0, 0)
    assert found.residual_pixels < 0.1
    assert (found.canvas_rows, found.canvas_columns) == (540, 960)


def test_one_pair_that_shows_something_else_does_not_move_the_median():
    good = [planted(texture(name), shift=(1.0, -1.0)) for name in ("brick", "gravel")]
    bad = LumaPair(planted(texture("coffee")).hdr, planted(texture("grass")).sdr)
    found = refined([*good, bad])
    assert worst_pixels(found, scale=1.0, shift=(1.0, -1.0), size=(540, 960)) < 0.25


def test_flat_pictures_leave_the_guess_unmeasured():
    flat = np.full((180, 320), 100, np.float32)
    found = refined([LumaPair(flat, flat)])
    assert found.residual_pixels is None
    assert found.shift_rows == 0


def test_a_misfit_beyond_reach_is_not_used():
    found = refined([planted(texture("brick"), shift=(40.0, 0.0))])
    assert found.residual_pixels is None
    assert found.shift_rows == 0


# ------------------------------------------------------------- crops: the map of the grids says where to begin


@pytest.mark.parametrize(
    ("window", "map_error"),
    [((0.0, 1.0, 0.125, 0.875), 0.008), ((0.05, 0.95, 0.05, 0.95), -0.008), ((0.13, 0.87, 0.0, 1.0), 0.004)],
    ids=["4:3 of 16:9", "10 %", "matte"],
)
def test_a_cropped_release_is_registered_within_a_quarter_pixel_at_1920(window, map_error):
    rows, columns = 540, 960
    pairs = []
    for name in ("brick", "coffee"):
        whole = planted(texture(name), noise=1.0)
        top, bottom, left, right = (round(edge * side) for edge, side in zip(window, (rows, rows, columns, columns), strict=True))
        pairs.append(LumaPair(whole.hdr, np.ascontiguousarray(whole.sdr[top:bottom, left:right])))
    hdr, sdr = Rectangle(0, rows, 0, columns), Rectangle(0, bottom - top, 0, right - left)
    grid_map = GridMap((bottom - top) / rows, (right - left) / columns, top / rows + map_error, left / columns + map_error)
    found = refine_geometry(geometry_from_map(hdr, sdr, grid_map=grid_map, **EYE), pairs, **EYE)
    size = (bottom - top, right - left)
    assert worst_pixels(found, scale=1.0, shift=(top, left), size=size) < 0.25
    assert found.residual_pixels < 0.25


def test_a_map_that_agrees_with_the_edges_leaves_them_exact():
    hdr, sdr = Rectangle(280, 1880, 0, 3840), Rectangle(140, 940, 0, 1920)
    made = geometry_from_map(hdr, sdr, grid_map=GridMap(1.004, 0.998, -0.002, 0.001), **EYE)
    assert made == guess_geometry(hdr, sdr, **EYE)


def test_the_map_of_the_grids_and_the_geometry_lead_to_each_other():
    hdr, sdr = Rectangle(21, 501, 8, 952), Rectangle(11, 251, 4, 476)
    known = GridMap(0.93, 0.91, 0.02, 0.06)
    there = geometry_from_map(hdr, sdr, grid_map=known, **EYE)
    back = map_from_geometry(there, hdr_grid=hdr, sdr_grid=sdr)
    assert maps_apart(back, known) < 1e-9
    for end in (11, 251):  # by hand: a place in the SDR picture, in the HDR one by pixels and by shares
        by_pixels = there.shift_rows + there.scale_rows * end
        assert by_pixels == pytest.approx(21 + 480 * (known.shift_rows + known.scale_rows * (end - 11) / 240))


@pytest.mark.parametrize(
    ("hdr_rows", "sdr_rows", "aspects", "canvas"),
    [
        (2160, 540, (1.0, 0.5), (1080, 1920)),  # interlaced SDR beside whole pictures
        (540, 540, (0.5, 0.5), (1080, 1920)),  # both
        (540, 1080, (0.5, 1.0), (1080, 1920)),  # interlaced HDR
        (2160, 1080, (1.0, 1.0), (1080, 1920)),
    ],
)
def test_the_canvas_of_fields_keeps_their_columns(hdr_rows, sdr_rows, aspects, canvas):
    """Lines of a field lie twice as far apart as columns; a canvas of square pixels as coarse as they would lose small lights."""
    hdr, sdr = Rectangle(0, hdr_rows, 0, 3840 if hdr_rows == 2160 else 1920), Rectangle(0, sdr_rows, 0, 1920)
    scale = hdr.bottom / sdr.bottom, hdr.right / sdr.right
    limits = {"max_columns": 1920, "pixels_per_degree_2160": 56.55, "residual_pixels": None}
    made = build_geometry(hdr, sdr, scale=scale, shift=(0.0, 0.0), pixel_aspects=aspects, **limits)
    assert (made.canvas_rows, made.canvas_columns) == canvas
