from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from pairdiff import _block_file, _tables
from pairdiff._block_file import BlockFile, in_files
from pairdiff._film_array import FilmArray
from pairdiff._records import Fact, Frame, Rectangle, Signal
from pairdiff._tables import Table
from pairdiff.frames.decode import CannotReadOn
from pairdiff.frames.planes import planes_to_rgb
from pairdiff.light.transfer import bt1886_to_nits, pq_to_nits
from pairdiff.match.active import BarLevel
from pairdiff.score.levels import frame_light_levels
from pairdiff.score.scan import FrameScan, find_active, levels_condition, luma_plane, measure_levels, pool_levels, scan_frames

RNG = np.random.default_rng(1)
BOX = Rectangle(8, 40, 0, 64)


def signal(transfer="pq", primaries="bt2020", *, depth=10, sampling="444", code_range="narrow"):
    matrix = "rgb" if sampling == "rgb" else "bt2020-ncl" if primaries == "bt2020" else "bt709"
    stated = (transfer, primaries, matrix, code_range, depth, sampling, "left", 64, 48, Fraction(1), Fraction(24))
    return Signal(*(Fact(value, "container", False) for value in stated))


def frame(index, *, depth=10, top=8, bottom=40):
    """Coloured noise in a letterbox, narrow range."""
    step, kind = 2 ** (depth - 8), np.uint16 if depth > 8 else np.uint8
    luma = np.full((48, 64), 16 * step, kind)
    luma[top:bottom] = RNG.integers(60 * step, 180 * step, (bottom - top, 64))
    chroma = [np.full((48, 64), 128 * step, kind) for _ in range(2)]
    for plane in chroma:
        plane[top:bottom] = RNG.integers(120 * step, 136 * step, (bottom - top, 64))
    return Frame(index, Fraction(index, 24), (luma, *chroma), index == 0, "I")


def assert_same(found, exact):
    assert (found.frame, found.time_s) == (exact.frame, exact.time_s)
    assert found.max_nits == pytest.approx(exact.max_nits, rel=1e-5)
    assert found.average_nits == pytest.approx(exact.average_nits, rel=1e-4)
    assert found.average_whole_nits == pytest.approx(exact.average_whole_nits, rel=1e-4)
    assert found.p50_nits == pytest.approx(exact.p50_nits, rel=5e-3)


def test_pq_levels_are_those_of_the_decoded_picture():
    one = frame(3)
    light = pq_to_nits(planes_to_rgb(one.planes, signal()).clip(0, 1))
    found = measure_levels(one, signal(), active=BOX, hlg_peak_nits=1000.0)
    assert_same(found, frame_light_levels(light, active=BOX, frame=3, time_s=3 / 24))
    assert found.average_nits == pytest.approx(found.average_whole_nits * 48 / 32, rel=1e-4)


def test_sdr_levels_are_those_at_a_white_of_100():
    one, said = frame(0, depth=8), signal("bt1886", "bt709", depth=8)
    light = bt1886_to_nits(planes_to_rgb(one.planes, said), white_nits=100.0, gamma=2.4)
    assert_same(measure_levels(one, said, active=BOX, hlg_peak_nits=1000.0), frame_light_levels(light, active=BOX))


def test_hlg_levels_grow_with_the_peak_of_the_display():
    one, said = frame(0), signal("hlg")
    low, high = (measure_levels(one, said, active=BOX, hlg_peak_nits=peak) for peak in (600.0, 2000.0))
    assert high.max_nits > 1.5 * low.max_nits


@pytest.mark.parametrize("depth", [8, 10])
def test_the_active_picture_is_found_at_any_depth(depth):
    frames = [frame(n, depth=depth) for n in range(3)]
    area, level = find_active(frames, signal(depth=depth))
    assert area == BOX
    assert level.code == 16 * 2 ** (depth - 8)


def test_a_scan_keeps_every_frame_in_order():
    seen = []
    frames = (frame(n) for n in range(6))
    found = scan_frames(frames, signal(), active=BOX, bar_level=BarLevel(64.0, 68.0), hlg_peak_nits=1000.0, progress=seen.append)
    assert found.fingerprints.shape[0] == len(found.times_s) == len(found.levels) == 6
    assert found.fingerprints.dtype == np.float16
    assert found.times_s == tuple(Fraction(n, 24) for n in range(6))
    assert [level.frame for level in found.levels] == list(range(6))
    assert found.edges.shape == (6, 4, 8)
    assert (found.edges[:, 0] == 8).all()
    assert (found.edges[:, 1] == 40).all()
    assert seen == [1, 2, 3, 4, 5, 6]


def scanned(frames, **more):
    return scan_frames(
        frames, signal(), active=BOX, bar_level=BarLevel(64.0, 68.0), hlg_peak_nits=1000.0, progress=lambda done: None, **more
    )


def assert_same_scan(first, second):
    assert all(np.array_equal(getattr(first, name), getattr(second, name)) for name in ("fingerprints", "edges", "codes"))
    assert (first.times_s, first.levels) == (second.times_s, second.levels)


def test_several_workers_find_what_one_does():
    frames = [frame(n) for n in range(9)]
    assert_same_scan(scanned(frames, workers=3), scanned(frames))


def test_a_scan_whose_frames_lie_in_files_finds_what_one_in_memory_does(tmp_path, monkeypatch):
    monkeypatch.setattr(_block_file, "LEAST_FILE_BYTES", 0)
    monkeypatch.setattr(_tables, "BLOCK_ROWS", 4)
    frames = [frame(n) for n in range(9)]
    with BlockFile(tmp_path) as blocks:
        found = scanned(frames, before=Table(FrameScan, keep=blocks.keep), empty=in_files(tmp_path))
    assert isinstance(found.fingerprints, FilmArray)
    assert_same_scan(found, scanned(frames))  # the file of the frames is gone, that of the fingerprints is not


def test_a_scan_goes_on_behind_frames_that_were_scanned_and_counts_their_luma_codes():
    frames, kept = [frame(n) for n in range(9)], []

    def keep(found, codes):
        if len(found) == 5:
            kept.extend([found[:], codes.copy()])

    def begun():
        return {"before": Table(FrameScan, kept[0]), "codes_before": kept[1]}

    scanned(frames, keep=keep)
    assert_same_scan(scanned(frames[3:], **begun()), scanned(frames))
    with pytest.raises(CannotReadOn, match="frame 3 is another than the one that was kept"):
        scanned(frames[2:], **begun())


def test_luma_codes_are_counted_of_the_first_pictures_and_then_of_every_eighth():
    """Each picture has one code of its own; of 32 x 64 pixels one in four of each direction is counted."""
    flat = [frame(0)] * 107
    shades = [replace(one, index=n, planes=(np.full((48, 64), 4 * n, np.uint16), *one.planes[1:])) for n, one in enumerate(flat)]
    counted = np.flatnonzero(scanned(shades).codes)
    assert counted.tolist() == [*range(96), 96, 104]
    assert set(scanned(shades).codes[counted]) == {8 * 16}


def test_luma_of_rgb_planes_is_their_weighted_mean():
    planes = tuple(RNG.integers(64, 900, (48, 64)).astype(np.uint16) for _ in range(3))
    rgb = Frame(0, Fraction(0), planes, True, "I")
    luma = luma_plane(rgb, signal(sampling="rgb"))
    exact = 0.2627 * planes[0].astype(float) + 0.6780 * planes[1] + 0.0593 * planes[2]
    assert luma.dtype == np.uint16
    assert np.abs(luma - exact).max() <= 1
    assert luma_plane(frame(0), signal()).max() > 64


def test_film_levels_are_the_largest_of_its_frames_with_their_time():
    levels = [measure_levels(frame(n), signal(), active=BOX, hlg_peak_nits=1000.0) for n in range(5)]
    found = pool_levels(levels, condition="absolute")
    brightest = max(levels, key=lambda level: level.max_nits)
    assert (found.max_cll_nits, found.max_cll_time_s) == (brightest.max_nits, brightest.time_s)
    assert found.max_fall_nits == max(level.average_nits for level in levels)
    assert found.p999_nits == max(level.p999_nits for level in levels)
    assert found.area_100_share == pytest.approx(np.mean([level.area_100_share for level in levels]))
    assert found.frames == 5


def test_levels_say_under_what_condition_they_hold():
    assert levels_condition(signal(), hlg_peak_nits=1000.0).startswith("absolute; chroma")
    assert "600 cd/m2 display" in levels_condition(signal("hlg"), hlg_peak_nits=600.0)
    assert "white 100 cd/m2, gamma 2.4" in levels_condition(signal("bt1886", "bt709"), hlg_peak_nits=1000.0)
