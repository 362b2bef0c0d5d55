"""Geometry from passage to passage: another place is planted in some shots and asked for back; where none is planted, none is found.

A trimmed form; with real matching and codecs: tests/bench/match_geometry.py, and the slow tests below.
"""

from dataclasses import replace
from fractions import Fraction
from functools import cache

import numpy as np
import pytest

from pairdiff._records import Rectangle
from pairdiff.match.geometry import Placed, geometry_from_map, guess_geometry, make_luma_pair
from pairdiff.match.grid import GridMap
from pairdiff.match.passages import AreaPassage, Probe, lie_elsewhere, place_probes, spread_probes, suspect_shots, usual_place
from tests.match._films import HDR, Grade
from tests.match._placing import EYE, fit_probes, judge_placing, place_case
from tests.match._shapes import WIDE, Shape, shape_cases, true_place
from tests.match.test_geometry import texture

SHOTS = tuple((10 * n, 10 * n + 10) for n in range(8))
WHOLE = Rectangle(0, 270, 0, 480)
WHOLE_MAP, CROSS_MAP = GridMap(), GridMap(1.0, 0.75, 0.0, 0.125)
RNG = np.random.default_rng(7)
NAMES = ("brick", "gravel", "coffee", "astronaut")


wide_texture = cache(texture)


def film_picture(frame):
    """A picture of shot `frame // 10`, panned."""
    shot = frame // 10
    tall = wide_texture(NAMES[shot % len(NAMES)], rows=540, columns=960)
    row, column = 17 * shot % 200, (29 * shot + 6 * (frame % 10)) % 400
    return np.ascontiguousarray(tall[row : row + 270, column : column + 480])


def make_probes(hdr, sdr, frames):
    return [Probe(n, n // 10, make_luma_pair(hdr(film_picture(n), n), sdr(film_picture(n), n))) for n in frames]


def fitted(hdr, sdr, *, passages=None, per_shot=2, grid_map=WHOLE_MAP):
    aspects = float(hdr.pixel_aspect), float(sdr.pixel_aspect)
    limits = EYE | {"pixel_aspects": aspects}
    areas = [Rectangle(*look.part()) for look in (hdr, sdr)]
    passages = passages or (AreaPassage(0, 80, *areas),)
    usual = max(passages, key=lambda one: one.stop - one.start)
    guess = geometry_from_map(usual.hdr_area, usual.sdr_area, grid_map=grid_map, **limits)
    frames = [start + 2 + 5 * k for start, _ in SHOTS for k in range(per_shot)]
    return fit_probes(passages, SHOTS, make_probes(hdr, sdr, frames), guess, limits=limits)


def worst(found, hdr, sdr, frame):
    one = next(g for g in found if g.hdr_start <= frame < g.hdr_stop)
    truth = true_place(hdr, sdr, hdr_frame=frame, sdr_frame=frame)
    return truth.worst_pixels(
        scale=(one.scale_rows, one.scale_columns), shift=(one.shift_rows, one.shift_columns), hdr_columns=hdr.raster[1]
    )


@pytest.mark.parametrize(
    "box",
    [(0.75, 270.75, -0.75, 479.25), (2.7, 267.3, 4.8, 475.2), (1.5, 271.5, -2, 478)],
    ids=["shifted by 3 pixels at 1920", "zoomed by 2 %", "shifted by 8 and 6"],
)
def test_a_passage_that_lies_elsewhere_gets_a_place_of_its_own(box):
    hdr, sdr = Shape(HDR), Shape(boxes=((30, 60, box),))
    found = fitted(hdr, sdr)
    assert [(one.hdr_start, one.hdr_stop, one.registered) for one in found] == [(0, 30, False), (30, 60, True), (60, 80, False)]
    assert max(worst(found, hdr, sdr, frame) for frame in range(80)) < 0.25
    assert (found[0].scale_rows, found[0].shift_rows, found[0].shift_columns) == (1, 0, 0)


def test_pan_and_scan_is_followed_from_cut_to_cut():
    hdr = Shape(HDR)
    sdr = Shape(raster=(270, 360), box=(0, 270, 60, 420), boxes=((30, 40, (0, 270, 20, 380)), (40, 50, (0, 270, 95, 455))))
    found = fitted(hdr, sdr, grid_map=CROSS_MAP)
    assert [one.hdr_start for one in found] == [0, 30, 40, 50]
    assert max(worst(found, hdr, sdr, frame) for frame in range(80)) < 0.25


def test_noise_makes_no_passages():
    found = fitted(Shape(Grade(hdr=True, grain=0.03)), Shape(Grade(gamma=1.2, grain=0.06, seed=3)))
    assert [(one.hdr_start, one.hdr_stop, one.registered) for one in found] == [(0, 80, False)]
    assert (found[0].scale_rows, found[0].scale_columns, found[0].shift_rows, found[0].shift_columns) == (1, 1, 0, 0)


def test_dark_pairs_and_lone_ones_keep_the_titles_place():
    hdr = Shape(HDR)
    sdr = Shape(boxes=((40, 50, (3, 273, 0, 480)),))
    alone = fitted(hdr, sdr, per_shot=1)
    assert [one.registered for one in alone] == [False]
    dark = make_probes(hdr, Shape(), [n for start, _ in SHOTS for n in (start + 2, start + 7)])
    black = make_luma_pair(np.full((270, 480), 64, np.uint16), np.full((270, 480), 16, np.uint8))
    dark = [Probe(one.frame, one.shot, black if 3 <= one.shot < 6 else one.pair) for one in dark]
    passages = (AreaPassage(0, 30, WHOLE, WHOLE), AreaPassage(30, 60, WHOLE, Rectangle(34, 236, 0, 480)), AreaPassage(60, 80, WHOLE, WHOLE))
    found = fit_probes(passages, SHOTS, dark, guess_geometry(WHOLE, WHOLE, **EYE), limits=EYE)
    assert found[1].residual_pixels is None
    assert (found[1].scale_rows, found[1].shift_rows) == (1, 0)
    assert found[1].sdr_common == (34, 236, 0, 480)


def test_each_pair_of_areas_has_its_common_picture_and_what_is_lost():
    hdr, sdr = Shape(HDR), Shape(bars=((30, 60, WIDE),))
    wide = Rectangle(*WIDE)
    found = fitted(
        hdr, sdr, passages=(AreaPassage(0, 30, WHOLE, WHOLE), AreaPassage(30, 60, WHOLE, wide), AreaPassage(60, 80, WHOLE, WHOLE))
    )
    assert [one.sdr_common for one in found] == [(0, 270, 0, 480), (34, 236, 0, 480), (0, 270, 0, 480)]
    assert (found[1].canvas_rows, found[1].canvas_columns) == (202, 480)
    assert found[1].common_share_hdr == pytest.approx(202 / 270)
    assert found[1].common_share_sdr == 1
    assert max(one.residual_pixels for one in found) < 0.1


@pytest.mark.parametrize(
    ("raster", "box", "aspect"),
    [((240, 300), (0, 270, 0, 480), Fraction(64, 45)), ((240, 300), (0, 270, 60, 420), Fraction(16, 15))],
    ids=["16:9", "4:3"],
)
def test_pixels_that_are_not_square_are_shown_square_on_the_canvas(raster, box, aspect):
    """Rec. 601 rasters: 720 x 576 shows 16:9 at 64:45 and 4:3 at 16:15, whole raster (common practice, no source)."""
    hdr, sdr = Shape(HDR), Shape(raster=raster, box=box, pixel_aspect=aspect)
    found = fitted(hdr, sdr, grid_map=WHOLE_MAP if box[2] == 0 else CROSS_MAP)
    assert worst(found, hdr, sdr, 5) < 0.25
    shown = (box[3] - box[2]) / (box[1] - box[0])
    assert found[0].canvas_columns / found[0].canvas_rows == pytest.approx(shown, rel=0.005)
    assert found[0].canvas_columns <= 480


def test_shots_that_do_not_fit_ask_for_more_pairs():
    hdr, sdr = Shape(HDR), Shape(boxes=((20, 40, (1.5, 271.5, -2, 478)),))
    probes = make_probes(hdr, sdr, [5, 25, 45, 65])
    passages = (AreaPassage(0, 80, WHOLE, WHOLE),)
    title = guess_geometry(WHOLE, WHOLE, **EYE)
    placed = place_probes(title, passages, probes, limits=EYE)
    assert suspect_shots(title, 8, probes, placed) == (1, 2, 3)
    assert suspect_shots(title, 8, probes, [placed[0]] * 4) == ()


def test_pairs_are_spread_over_shots_and_have_partners():
    partners = np.where(np.arange(80) % 10 < 8, np.arange(80), -1)
    places = spread_probes(SHOTS, partners, range(8))
    assert {shot for _, shot in places} == set(range(8))
    assert all(partners[frame] >= 0 and frame // 10 == shot for frame, shot in places)
    assert len(spread_probes(tuple((5 * n, 5 * n + 5) for n in range(500)), np.arange(2500), range(500))) == 48
    assert spread_probes(SHOTS, partners, ()) == []


def test_a_wide_pair_is_averaged_down_and_keeps_its_edges():
    hdr = RNG.integers(64, 900, (80, 3840)).astype(np.uint16)
    pair = make_luma_pair(hdr, hdr[:, :1920].astype(np.uint8))
    assert (pair.hdr_step, pair.sdr_step) == (6, 3)
    assert pair.hdr == pytest.approx(hdr[:78].reshape(13, 6, 640, 6).mean((1, 3)), rel=1e-5)


@pytest.mark.slow
@pytest.mark.parametrize("case", list(shape_cases()), ids=lambda case: case.name)
def test_every_case_is_placed_within_a_quarter_pixel_at_1920_and_no_bar_is_picture(case):
    geometries, found, _, _ = place_case(case)
    told = judge_placing(case, geometries, found.partners)
    assert told.worst_pixels < 0.25
    assert told.bar_share < 0.01
    assert told.lost_share < 0.02


@pytest.mark.parametrize(("at_rest", "elsewhere"), [(0.7, True), (0.84, False)])
def test_a_pair_lies_elsewhere_only_where_it_gains_something_by_that(at_rest, elsewhere):
    """Own threshold; 0.88 against 0.84 is what a photograph behind a red filter gains by a place that is not its own."""
    title = geometry_from_map(WHOLE, WHOLE, grid_map=WHOLE_MAP, **EYE)
    rest = [Placed(np.zeros(4), 0.88, 0.88)] * 6
    off = Placed(np.array([0.0, 0.0, 0.1, -0.5]), 0.88, at_rest)
    assert lie_elsewhere(title, [*rest, off]) == [False] * 6 + [elsewhere]


def test_the_usual_place_is_the_one_of_most_frames():
    there = guess_geometry(WHOLE, WHOLE, **EYE)
    away = replace(there, shift_rows=4.0)
    spans = ((away, 0, 60), (there, 60, 100), (there, 100, 130))
    parts = [replace(one, hdr_start=start, hdr_stop=stop) for one, start, stop in spans]
    assert usual_place(parts).shift_rows == there.shift_rows
    assert usual_place(parts[:2]).shift_rows == 4.0
