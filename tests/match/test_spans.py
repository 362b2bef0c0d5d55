"""Picture areas from passage to passage: bars are planted, and captions, darkness and noise that look like a change and are none."""

import numpy as np
import pytest

from pairdiff._records import PictureSpan, Rectangle
from pairdiff.match import active
from pairdiff.match.active import STRIPS, ActiveFinder, BarLevel, _strip_edges, find_spans, measure_edges
from pairdiff.match.passages import area_passages, mask_bars
from tests.match._films import HDR, Grade
from tests.match._shapes import Shape

ROWS, COLUMNS = 180, 320
WHOLE, WIDE = Rectangle(0, ROWS, 0, COLUMNS), Rectangle(23, 157, 0, COLUMNS)
PILLARS = Rectangle(0, ROWS, 40, 280)
EYE = {"max_columns": 1920, "pixels_per_degree_2160": 56.55}


def plane(box, *, seed=0, high=200, low=60):
    out = np.full((ROWS, COLUMNS), 16, np.uint8)
    size = (box.bottom - box.top, box.right - box.left)
    out[box.top : box.bottom, box.left : box.right] = np.random.default_rng(seed).integers(low, high, size)
    return out


def black():
    return np.full((ROWS, COLUMNS), 16, np.uint8)


def spans_of(planes, *, cuts=(), every=4):
    finder = ActiveFinder(black_code=16.0, code_step=1.0)
    for one in planes[::every]:
        finder.add(one)
    active, level = finder.rectangle(), finder.bar_level()
    edges = np.stack([measure_edges(one, active=active, level=level) for one in planes])
    return find_spans(edges, active=active, rows=ROWS, columns=COLUMNS, cuts=cuts)


def film(*parts):
    return [plane(box, seed=n) for n, box in enumerate(box for box, count in parts for _ in range(count))]


def test_a_change_of_area_is_found_to_the_frame():
    found = spans_of(film((WIDE, 20), (WHOLE, 15), (WIDE, 20)))
    assert found == (PictureSpan(0, 20, WIDE), PictureSpan(20, 35, WHOLE), PictureSpan(35, 55, WIDE))


def test_pillars_come_and_go_like_letterbox():
    found = spans_of(film((WHOLE, 20), (PILLARS, 20), (WIDE, 20)))
    assert found == (PictureSpan(0, 20, WHOLE), PictureSpan(20, 40, PILLARS), PictureSpan(40, 60, WIDE))


@pytest.mark.parametrize("area", [WHOLE, WIDE, PILLARS])
def test_a_film_of_one_area_has_one_span(area):
    assert spans_of(film((area, 40))) == (PictureSpan(0, 40, area),)


@pytest.mark.parametrize("block", [1, 7, 55])
def test_areas_do_not_depend_on_how_many_frames_are_looked_at_at_once(block, monkeypatch):
    planes = film((WIDE, 20), (WHOLE, 15), (PILLARS, 20))
    planes[18:22] = [black()] * 4
    at_once = spans_of(planes, cuts=[20])
    monkeypatch.setattr(active, "BLOCK_FRAMES", block)
    assert spans_of(planes, cuts=[20]) == at_once
    assert [one.area for one in at_once] == [WIDE, WHOLE, PILLARS]


def test_dark_frames_take_the_area_of_their_neighbours():
    planes = film((WIDE, 20), (WHOLE, 20))
    planes[8:12] = [black()] * 4
    planes[18:22] = [black()] * 4
    found = spans_of(planes, cuts=[20])
    assert found == (PictureSpan(0, 20, WIDE), PictureSpan(20, 40, WHOLE))


@pytest.mark.parametrize(("areas", "change"), [((WIDE, WHOLE), 24), ((WHOLE, WIDE), 16)])
def test_dark_shots_between_two_areas_go_to_the_smaller_one(areas, change):
    """Nothing is lost by it: they show nothing outside."""
    planes = film((areas[0], 16), (areas[1], 24))
    planes[15:26] = [black()] * 11
    assert spans_of(planes, cuts=[16, 20, 24]) == (PictureSpan(0, change, areas[0]), PictureSpan(change, 40, areas[1]))


def test_a_film_too_dark_to_tell_keeps_the_union():
    planes = [black() for _ in range(30)]
    for n, one in enumerate(planes):
        one[60:120, (7 * n) % 200 : (7 * n) % 200 + 60] = 70
    planes[12] = plane(WIDE)
    assert spans_of(planes) == (PictureSpan(0, 30, WIDE),)


def test_a_fade_does_not_move_the_edges():
    planes = film((WIDE, 12))
    for level in np.linspace(1, 0, 12):
        planes.append((16 + level * (plane(WIDE, seed=40) - 16.0)).round().astype(np.uint8))
    planes += film((WIDE, 12))
    assert spans_of(planes) == (PictureSpan(0, len(planes), WIDE),)


def test_a_night_sky_is_no_bar():
    """The upper half is black in every frame of the shot, above a ragged skyline; nothing below is bar."""
    planes = film((WHOLE, 15))
    for n in range(25):
        one = plane(WHOLE, seed=100 + n)
        for strip in range(STRIPS):
            one[: 50 + 7 * (strip * 5 % 8), strip * 40 : strip * 40 + 40] = 16
        planes.append(one)
    planes += film((WHOLE, 15))
    assert spans_of(planes) == (PictureSpan(0, 55, WHOLE),)


def test_a_black_table_edge_is_no_bar():
    """A straight black edge on one side alone, in one shot, is part of the picture."""
    planes = film((WHOLE, 15), (Rectangle(0, 140, 0, COLUMNS), 20), (WHOLE, 15))
    assert spans_of(planes) == (PictureSpan(0, 50, WHOLE),)


@pytest.mark.parametrize("width", [100, 200, 260])
def test_a_caption_in_the_bar_flips_nothing(width):
    planes = film((WIDE, 60))
    for n in range(10, 40):
        planes[n][160:172, 160 - width // 2 : 160 + width // 2 : 3] = 200
    assert spans_of(planes, every=3) == (PictureSpan(0, 60, WIDE),)


def test_a_caption_does_not_widen_the_union():
    finder = ActiveFinder(black_code=16.0, code_step=1.0)
    for one in film((WIDE, 20)):
        one[160:172, 60:260:3] = 200
        finder.add(one)
    assert finder.rectangle() == WIDE


def test_a_logo_in_the_corner_of_a_bar_flips_nothing():
    planes = film((WIDE, 40))
    for one in planes:
        one[4:16, 290:310] = 180
    assert spans_of(planes) == (PictureSpan(0, 40, WIDE),)


def test_raised_and_noisy_bars_are_bars():
    rng = np.random.default_rng(1)
    planes = film((WIDE, 30))
    for one in planes:
        bars = np.ones(one.shape, bool)
        bars[23:157] = False
        one[bars] = np.rint(20 + 2 * rng.normal(size=bars.sum())).astype(np.uint8)
    assert spans_of(planes) == (PictureSpan(0, 30, WIDE),)


def test_bars_of_real_pictures_in_ten_bits_are_found_frame_by_frame():
    part = (34, 236, 0, 480)
    look = Shape(HDR, bars=((0, 20, part), (40, 60, part)))
    rng = np.random.default_rng(5)
    pictures = [rng.uniform(0.1, 0.9, (270, 480)).astype(np.float32) for _ in range(60)]
    planes = [look(one, n) for n, one in enumerate(pictures)]
    finder = ActiveFinder(black_code=64.0, code_step=4.0)
    for one in planes[::5]:
        finder.add(one)
    edges = np.stack([measure_edges(one, active=finder.rectangle(), level=finder.bar_level()) for one in planes])
    found = find_spans(edges, active=finder.rectangle(), rows=270, columns=480, cuts=())
    wide, whole = Rectangle(34, 236, 0, 480), Rectangle(0, 270, 0, 480)
    assert found == (PictureSpan(0, 20, wide), PictureSpan(20, 40, whole), PictureSpan(40, 60, wide))


def test_edges_have_a_place_for_every_strip():
    finder = ActiveFinder(black_code=16.0, code_step=1.0)
    finder.add(plane(WIDE))
    edges = measure_edges(plane(WIDE), active=WIDE, level=finder.bar_level())
    assert edges.shape == (4, STRIPS)
    assert edges.dtype == np.uint16
    assert (edges[0] == 23).all()
    assert (edges[1] == 157).all()
    nothing = measure_edges(black(), active=WIDE, level=finder.bar_level())
    assert (nothing[[0, 2]] == [[ROWS], [COLUMNS]]).all()
    assert (nothing[[1, 3]] == 0).all()


# ------------------------------------------------------------- both sides together


def test_passages_follow_the_areas_of_both_sides_through_the_edit_map():
    path = np.array([-1, -1, 10, 11, 12, 13, -1, 14, 15, 16])
    hdr = (PictureSpan(0, 5, WIDE), PictureSpan(5, 10, WHOLE))
    sdr = (PictureSpan(0, 15, PILLARS), PictureSpan(15, 30, WHOLE))
    found = [(one.start, one.stop, one.hdr_area, one.sdr_area) for one in area_passages(path, hdr, sdr)]
    assert found == [(0, 5, WIDE, PILLARS), (5, 8, WHOLE, PILLARS), (8, 10, WHOLE, WHOLE)]


@pytest.mark.parametrize("varies", ["hdr", "sdr"])
def test_fingerprints_are_masked_alike_on_both_sides(varies):
    rng = np.random.default_rng(2)
    track = rng.normal(size=(20, 576)).astype(np.float16)
    one, other = (PictureSpan(0, 20, WHOLE),), (PictureSpan(0, 20, Rectangle(0, 180, 0, 320)),)
    assert mask_bars((track, track), (WHOLE, WHOLE), (one, other), limits=EYE)[0] is track
    changing = (PictureSpan(0, 10, Rectangle(40, 140, 0, 320)), PictureSpan(10, 20, WHOLE))
    spans = (changing, one) if varies == "hdr" else (one, changing)
    hdr, sdr = mask_bars((track, track), (WHOLE, WHOLE), spans, limits=EYE)
    assert np.array_equal(hdr, sdr)
    lit = hdr.reshape(20, 18, 32).any((0, 2))
    assert lit.tolist() == [40 <= (row + 0.5) * 10 < 140 for row in range(18)]
    assert np.linalg.norm(hdr.astype(np.float32), axis=1) == pytest.approx(1, abs=1e-3)


def test_a_grade_of_a_shape_is_that_of_the_film():
    assert Shape(Grade(gamma=2.0))(np.full((270, 480), 0.5, np.float32), 0)[100, 100] == round(16 + 219 * 0.25)


@pytest.mark.parametrize("kind", ["picture", "bars", "pillars", "captions", "night", "half", "black", "ringing", "thin", "ramp"])
@pytest.mark.parametrize("size", [(180, 320), (540, 960), (130, 129)])
def test_edges_read_from_the_outside_are_those_of_the_whole_picture(kind, size, monkeypatch):
    rows, columns = size
    random = np.random.default_rng(rows)
    luma = random.integers(40, 200, size).astype(np.uint8)
    bar, side = rows // 6, columns // 5
    if kind == "bars":
        luma[:bar], luma[rows - bar :] = 16, 16
    elif kind == "pillars":
        luma[:, :side], luma[:, columns - side :] = 16, 16
    elif kind == "captions":
        luma[:bar], luma[rows - bar :] = 16, 16
        luma[rows - bar // 2 : rows - bar // 3, columns // 3 : columns // 2] = 180
    elif kind == "night":
        luma[: rows // 2] = 16
        luma[:, : columns // 3] = 16
    elif kind == "half":  # the first lines hold picture in some strips alone
        luma[:bar, : columns // 2], luma[rows // 2 :, :side] = 16, 16
    elif kind == "black":
        luma[:] = 16
    elif kind == "ringing":
        luma[:bar] = 16
        luma[bar - 3 : bar] = 19
        luma[: rows // 3, : columns // 2] = 17
    elif kind == "ramp":  # so steep that the edge moves inwards line by line, beyond the lines that are read first
        rise = np.clip(1.25 ** (np.arange(rows) - 24.0), 0, 200)[:, None]
        luma = np.broadcast_to(16 + rise, size).astype(np.uint8)
    elif kind == "thin":
        luma[:] = 16
        luma[rows // 2] = 180
    active = Rectangle(rows // 9, rows - rows // 8, columns // 7, columns - columns // 10)
    level = BarLevel(16.0, 17.0)
    found = measure_edges(luma, active=active, level=level)
    monkeypatch.setattr("pairdiff.match.active._outer_edges", lambda read, size, level: _strip_edges(read(0, size), level))
    assert np.array_equal(found, measure_edges(luma, active=active, level=level))
