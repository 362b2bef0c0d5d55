import dataclasses

import numpy as np
import pytest

from pairdiff._errors import UsageError
from pairdiff._records import Rectangle
from pairdiff.light.transfer import bt1886_to_nits, hlg_to_nits, pq_to_nits
from pairdiff.score import levels

RNG = np.random.default_rng(11)
CODE = np.clip(RNG.normal(0.45, 0.18, (108, 192, 3)), -0.05, 1.15).astype(np.float32)
BOX = Rectangle(top=13, bottom=95, left=4, right=190)
EDGES = dataclasses.asdict(BOX)
SCALES = {
    "pq": (levels.pq_level_scale(), pq_to_nits),
    "sdr": (levels.bt1886_level_scale(100.0, 2.4), lambda x: bt1886_to_nits(x, white_nits=100.0, gamma=2.4)),
    "sdr-203": (levels.bt1886_level_scale(203.0, 2.2), lambda x: bt1886_to_nits(x, white_nits=203.0, gamma=2.2)),
}


def counted(code, scale, box=BOX):
    edges = dataclasses.asdict(box)
    return levels.levels_from_histogram(levels.level_histogram(code, scale=scale, **edges), bin_nits=scale.bin_nits, frame=7, time_s=0.5)


def counted_light(nits, box=BOX):
    edges = dataclasses.asdict(box)
    scale = levels.pq_level_scale()
    return levels.levels_from_histogram(levels.light_histogram(nits, **edges), bin_nits=scale.bin_nits, frame=7, time_s=0.5)


def assert_same_levels(found, exact, *, percentile=2e-3, share=2e-3):
    assert found.max_nits == pytest.approx(exact.max_nits, rel=1e-6)
    assert found.average_nits == pytest.approx(exact.average_nits, rel=1e-5)
    assert found.average_whole_nits == pytest.approx(exact.average_whole_nits, rel=1e-5)
    for name in ("p9999_nits", "p999_nits", "p99_nits", "p50_nits", "wide_nits"):
        assert getattr(found, name) == pytest.approx(getattr(exact, name), rel=percentile), name
    for name in ("area_100_share", "area_203_share", "area_1000_share"):
        assert getattr(found, name) == pytest.approx(getattr(exact, name), abs=share), name


@pytest.mark.parametrize("name", SCALES)
def test_counting_signal_agrees_with_plain_numpy(name):
    scale, decode = SCALES[name]
    exact = levels.frame_light_levels(decode(CODE), active=BOX, frame=7, time_s=0.5)
    assert_same_levels(counted(CODE, scale), exact)


def test_counting_light_agrees_with_plain_numpy():
    nits = pq_to_nits(CODE).astype(np.float32)
    assert_same_levels(counted_light(nits), levels.frame_light_levels(nits, active=BOX))


def test_counting_hlg_light_agrees_with_plain_numpy():
    nits = hlg_to_nits(CODE, peak_nits=1000.0).astype(np.float32)
    assert_same_levels(counted_light(nits), levels.frame_light_levels(nits, active=BOX))


def test_every_level_falls_into_the_nearest_bin():
    """Plain numpy twin of both kernels."""
    scale = levels.pq_level_scale()
    level = CODE[BOX.top : BOX.bottom, BOX.left : BOX.right].max(axis=-1).astype(np.float64)
    bins = np.clip(np.floor(level * levels.BINS_PER_CODE + 0.5), 0, levels.BINS - 1).astype(int)
    found = levels.level_histogram(CODE, scale=scale, **EDGES)
    expected = np.bincount(bins.ravel(), minlength=levels.BINS)
    assert np.array_equal(found.counts, expected)
    light = levels.light_histogram(pq_to_nits(CODE).astype(np.float32), **EDGES)
    assert light.counts.sum() == found.counts.sum()
    held = np.bincount(np.minimum(bins, levels.BINS_PER_CODE).ravel(), minlength=levels.BINS)  # light ends at 10 000 cd/m2
    assert np.abs(np.cumsum(light.counts) - np.cumsum(held)).max() <= 3  # float32 light at a bin's edge may fall to either side


def test_ten_bit_codes_keep_apart():
    codes = (np.arange(4, 1020) - 64) / 876
    picture = np.repeat(codes[None, 60:, None], 3, axis=2).astype(np.float32)
    found = levels.level_histogram(picture, top=0, bottom=1, left=0, right=picture.shape[1], scale=levels.pq_level_scale())
    assert found.counts.max() == 1


def test_flat_white_is_not_above_itself():
    for white, scale in ((100.0, levels.bt1886_level_scale(100.0, 2.4)), (203.0, levels.bt1886_level_scale(203.0, 2.4))):
        found = counted(np.ones((16, 16, 3), np.float32), scale, Rectangle(0, 16, 0, 16))
        assert (found.max_nits, found.p50_nits) == (white, white)
        assert (found.area_203_share, found.area_1000_share) == (0, 0)
        assert found.area_100_share == (1 if white > 100 else 0)


def test_one_bright_pixel_moves_the_largest_level_and_no_percentile():
    nits = np.full((200, 200, 3), 100, np.float32)
    nits[50, 60] = (20, 4000, 10)
    for found in (levels.frame_light_levels(nits, active=None), counted_light(nits, Rectangle(0, 200, 0, 200))):
        assert found.max_nits == 4000
        assert found.p9999_nits == pytest.approx(100, rel=2e-3)
        assert found.average_nits == pytest.approx(100 + 3900 / 40000)


def test_percentile_moves_once_enough_pixels_do():
    """3840 x 2160 has 829.44 pixels above its 99.99th percentile: 830 reach it, 829 do not."""
    assert levels.pixels_above_percentile(3840 * 2160, 99.99) == pytest.approx(829.44)
    for bright, expected in ((829, 100.0), (830, 4000.0)):
        flat = np.full(3840 * 2160, 100.0, np.float32)
        flat[:bright] = 4000
        picture = np.broadcast_to(flat.reshape(2160, 3840, 1), (2160, 3840, 3))
        found = counted_light(picture, Rectangle(0, 2160, 0, 3840))
        assert found.p9999_nits == pytest.approx(expected, rel=2e-3)
        assert found.max_nits == 4000


def test_letterbox_counts_only_in_the_average_of_the_whole():
    code = np.zeros((100, 40, 3), np.float32)
    code[10:90] = 1.0
    found = counted(code, levels.bt1886_level_scale(100.0, 2.4), Rectangle(10, 90, 0, 40))
    assert found.average_nits == pytest.approx(100)
    assert found.average_whole_nits == pytest.approx(80)
    assert found.p50_nits == pytest.approx(100)


def test_saturated_colour_counts_at_its_largest_component():
    """H.264 D.2.31 note 2: (0, 0, 1000) has level 1000."""
    assert levels.pixel_levels([[0, 0, 1000], [-3, -2, -1]]).tolist() == [1000, 0]


def test_pq_above_one_counts_as_ten_thousand():
    found = counted(np.full((8, 8, 3), 1.09, np.float32), levels.pq_level_scale(), Rectangle(0, 8, 0, 8))
    assert (found.max_nits, found.average_nits, found.p50_nits) == (10000, 10000, 10000)


def test_light_beyond_ten_thousand_is_kept_in_the_largest_level():
    found = counted_light(np.full((8, 8, 3), 15000, np.float32), Rectangle(0, 8, 0, 8))
    assert found.max_nits == 15000
    assert found.average_nits == pytest.approx(15000)


def test_black_and_not_a_number_count_as_black():
    dark = np.zeros((8, 8, 3), np.float32)
    dark[0, 0] = -0.1
    dark[1, 1] = np.nan
    for found in (counted_light(dark, Rectangle(0, 8, 0, 8)), counted(dark, levels.pq_level_scale(), Rectangle(0, 8, 0, 8))):
        assert (found.max_nits, found.average_nits, found.p50_nits, found.area_100_share) == (0, 0, 0, 0)


def test_percentiles_are_in_order_and_below_the_largest_level():
    for scale, _ in SCALES.values():
        found = counted(CODE, scale)
        assert found.p50_nits <= found.p99_nits <= found.p999_nits <= found.p9999_nits <= found.max_nits


def test_frame_and_time_are_passed_through():
    found = counted(CODE, levels.pq_level_scale())
    assert (found.frame, found.time_s) == (7, 0.5)


def test_release_takes_the_brightest_pixel_and_the_brightest_average_each_from_its_frame():
    first = levels.frame_light_levels(np.array([[[900.0] * 3, [0.0] * 3]]), active=None, frame=1)
    second = levels.frame_light_levels(np.full((1, 2, 3), 500.0), active=None, frame=2)
    peak, average = levels.release_light_levels([first, second])
    assert (peak.frame, average.frame) == (1, 2)


def test_views_and_other_types_are_counted_alike():
    scale = levels.pq_level_scale()
    wide = np.repeat(CODE.astype(np.float64), 2, axis=1)[:, ::2]
    one, two = (levels.level_histogram(picture, scale=scale, **EDGES) for picture in (wide, CODE))
    assert np.array_equal(one.counts, two.counts)
    assert one.sum_nits == two.sum_nits


@pytest.mark.parametrize("box", [(0, 0, 0, 5), (3, 2, 0, 5), (0, 999, 0, 5), (0, 5, 7, 7), (-1, 5, 0, 5)])
def test_active_picture_outside_the_picture_is_refused(box):
    top, bottom, left, right = box
    words = "is empty or not inside the picture of 108 rows and 192 columns"
    with pytest.raises(UsageError, match=words):
        levels.level_histogram(CODE, top=top, bottom=bottom, left=left, right=right, scale=levels.pq_level_scale())
    with pytest.raises(UsageError, match=words):
        levels.light_histogram(CODE, top=top, bottom=bottom, left=left, right=right)
    with pytest.raises(UsageError, match=words):
        levels.frame_light_levels(CODE, active=Rectangle(*box))


def test_other_refusals_say_what_was_found():
    with pytest.raises(UsageError, match=r"A picture is \(row, column, 3\); the array has shape \(4, 4\)"):
        levels.light_histogram(np.zeros((4, 4)), top=0, bottom=1, left=0, right=1)
    with pytest.raises(UsageError, match=r"the array has shape \(2, 4, 4, 3\)"):
        levels.frame_light_levels(np.zeros((2, 4, 4, 3)), active=None)
    with pytest.raises(UsageError, match=r"the array has shape \(2,\)"):
        levels.pixel_levels([1, 2])
    with pytest.raises(UsageError, match="8192 bin centres is needed"):
        levels.levels_from_histogram(levels.light_histogram(CODE, **EDGES), bin_nits=np.zeros(5), frame=0, time_s=0.0)
    with pytest.raises(UsageError, match="at least one measured frame"):
        levels.release_light_levels([])
    with pytest.raises(UsageError, match="between 0 and 100; got 101"):
        levels.pixels_above_percentile(10, 101)


@pytest.mark.parametrize(("pixels", "counts"), [(1, False), (levels.SPECK_PIXELS, False), (levels.SPECK_PIXELS + 1, True)])
def test_a_speck_does_not_move_the_level_that_more_than_a_speck_reaches(pixels, counts):
    nits = np.full((108, 192, 3), 100.0, np.float32)
    nits.reshape(-1, 3)[5000 : 5000 + pixels] = 4000.0
    for found in (levels.frame_light_levels(nits, active=None), counted_light(nits, Rectangle(0, 108, 0, 192))):
        assert found.max_nits == pytest.approx(4000.0, rel=1e-6)
        assert found.wide_nits == pytest.approx(4000.0 if counts else 100.0, rel=2e-3)
