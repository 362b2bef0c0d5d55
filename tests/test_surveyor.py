"""Films laid on each other by a few windows: late beginnings, edits, fields, and when a survey gives way. No picture comes twice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest

from pairdiff._errors import UnrelatedFilms
from pairdiff._records import Rectangle, Release
from pairdiff._settings import Settings
from pairdiff._survey import GAP_S, NotSurveyable, Surveyor
from pairdiff.clip.probe import probe_release
from pairdiff.frames.spool import Spool
from pairdiff.match.geometry import Placed, stretch_geometry
from pairdiff.match.survey import Found, Place, open_gaps
from tests._clips import SDR_TAGS, Planes, encode_clip

ROWS, COLUMNS, SCENE, SCENES = 144, 256, 24, 260
HOW = {"options": {"crf": "16"}, "params": f"keyint={SCENE}:min-keyint={SCENE}:scenecut=0:open-gop=0"}


def scene(number: int) -> np.ndarray:
    """A picture that no other scene has, 0 to 1, three times as wide as it is shown."""
    rng = np.random.default_rng(number)
    return np.asarray(cv2.resize(rng.random((9, 48)).astype(np.float32), (3 * COLUMNS, ROWS), interpolation=cv2.INTER_CUBIC)).clip(0, 1)


def pictures(scenes: Sequence[int]) -> Iterator[np.ndarray]:
    for number in scenes:
        wide = scene(number)
        yield from (wide[:, 4 * n : 4 * n + COLUMNS] for n in range(SCENE))


def planes(picture: np.ndarray, *, bits: int) -> Planes:
    kind, step = (np.uint16, 4) if bits > 8 else (np.uint8, 1)
    grey = np.full((ROWS // 2, COLUMNS // 2), 128 * step, kind)
    return [(step * (30 + 180 * picture)).astype(kind), grey, grey]


def sdr_clip(path: Path, shown: Iterator[np.ndarray]) -> Release:
    clip = encode_clip(path, (planes(one, bits=8) for one in shown), codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS, **HOW)
    return probe_release(clip, side="sdr", settings=Settings())


@pytest.fixture(scope="module")
def hdr(tmp_path_factory: pytest.TempPathFactory) -> Release:
    clip = encode_clip(tmp_path_factory.mktemp("films") / "hdr.mkv", (planes(one, bits=10) for one in pictures(range(SCENES))), **HOW)
    return probe_release(clip, side="hdr", settings=Settings())


@pytest.fixture(scope="module")
def sdr(tmp_path_factory: pytest.TempPathFactory) -> Release:
    return sdr_clip(tmp_path_factory.mktemp("films") / "sdr.mkv", pictures(range(SCENES)))


def laid(hdr: Release, sdr: Release, folder: Path, *, pins: Sequence[tuple[int, int]] = (), close: bool = False) -> list[Found]:
    with Spool(folder) as spool, Surveyor(hdr, sdr, settings=Settings(), spool=spool, tell=lambda *told: None) as surveyor:
        surveyor.prepare()
        surveyor.locate(pins)
        if close:
            surveyor.close_gaps()
        return surveyor.found


def offsets(found: Sequence[Found]) -> set[int | None]:
    return {one.place.offset for one in found}


def test_films_that_begin_together_are_laid_on_each_other(hdr: Release, sdr: Release, tmp_path: Path) -> None:
    assert offsets(laid(hdr, sdr, tmp_path)) == {0}


@pytest.mark.parametrize("late_scenes", [pytest.param(-40, marks=pytest.mark.slow), 40])
def test_a_release_that_begins_earlier_or_later_is_found_by_its_key_frames(late_scenes: int, hdr: Release, tmp_path: Path) -> None:
    scenes = range(SCENES, SCENES + late_scenes) if late_scenes > 0 else ()
    late = sdr_clip(tmp_path / "late.mkv", pictures([*scenes, *range(max(-late_scenes, 0), SCENES), *range(500, 540)]))
    assert late_scenes * SCENE in offsets(laid(hdr, late, tmp_path))


def test_an_anchor_leads_further_than_is_searched(hdr: Release, tmp_path: Path) -> None:
    late = sdr_clip(tmp_path / "late.mkv", pictures([*range(600, 710), *range(SCENES), *range(720, 740)]))
    with pytest.raises(UnrelatedFilms, match="up to 90 s about it"):
        laid(hdr, late, tmp_path)
    assert offsets(laid(hdr, late, tmp_path, pins=[(SCENE * 100, SCENE * 210)])) == {110 * SCENE}


def test_an_edit_is_narrowed_down_to_two_seconds(hdr: Release, tmp_path: Path) -> None:
    short = sdr_clip(tmp_path / "short.mkv", pictures([*range(113), *range(120, SCENES)]))
    longest = round(GAP_S * 24)
    assert open_gaps(laid(hdr, short, tmp_path), longest=longest)
    found = laid(hdr, short, tmp_path, close=True)
    assert offsets(found) - {None} == {0, -7 * SCENE}
    known = sorted((one for one in found if one.place.offset is not None), key=lambda one: one.hdr_frame)
    before = max(one.hdr_frame for one in known if one.place.offset == 0)
    behind = min(one.hdr_frame for one in known if one.place.offset == -7 * SCENE)
    assert 113 * SCENE - longest <= before < 113 * SCENE
    assert 120 * SCENE <= behind <= 120 * SCENE + longest


def test_pictures_of_two_moments_are_left_to_a_reading_of_the_whole(hdr: Release, tmp_path: Path) -> None:
    def woven() -> Iterator[np.ndarray]:
        before: np.ndarray | None = None
        for picture in pictures(range(SCENES)):
            mixed = picture.copy()
            if before is not None:
                mixed[1::2] = before[1::2]
            before = picture
            yield mixed

    with pytest.raises(NotSurveyable, match="the SDR release shows two moments in many of its frames"):
        laid(hdr, sdr_clip(tmp_path / "woven.mkv", woven()), tmp_path)


def test_few_windows_found_and_missing_pictures_give_way(hdr: Release, sdr: Release, tmp_path: Path) -> None:
    with Spool(tmp_path) as spool, Surveyor(hdr, sdr, settings=Settings(), spool=spool, tell=lambda *told: None) as surveyor:
        surveyor.drawn = 20
        surveyor.found = [Found(n, Place(0 if n < 10 else None, 0.9)) for n in range(20)]
        surveyor.check_windows()
        surveyor.found.append(Found(30, Place(None, 0.2)))
        with pytest.raises(NotSurveyable, match="only 10 of 21 windows are found"):
            surveyor.check_windows()
        surveyor.found = [Found(0, Place(0, 0.9))]
        surveyor._uneven = 3
        with pytest.raises(NotSurveyable, match="pictures are missing in many windows"):
            surveyor.check_windows()


def test_other_bars_and_other_places_in_the_picture_give_way(hdr: Release, sdr: Release, tmp_path: Path) -> None:
    area = Rectangle(0, ROWS, 0, COLUMNS)
    place = stretch_geometry(area, area, limits={"max_columns": 1920, "pixels_per_degree_2160": 60.0})
    here, far = (Placed(np.full(4, off), correlation=0.98, at_rest=0.5) for off in (0.0, 3.0))
    full, barred = (np.repeat([[edge], [ROWS - edge], [0], [COLUMNS]], 8, axis=1).astype(np.uint16) for edge in (0, 20))
    with Spool(tmp_path) as spool, Surveyor(hdr, sdr, settings=Settings(), spool=spool, tell=lambda *told: None) as surveyor:
        surveyor.check_pictures()  # nothing is known yet
        surveyor.geometry = place
        surveyor.sides["hdr"].active = surveyor.sides["sdr"].active = area
        surveyor.sides["sdr"].edges = {number: full if number % 10 else barred for number in range(30)}
        with pytest.raises(NotSurveyable, match=r"picture area of the SDR release changes: 3 of 30 pictures .* show bars where others"):
            surveyor.check_pictures()
        surveyor.sides["sdr"].edges = {number: full if number else barred for number in range(30)}
        surveyor._placed = {number: here if number else far for number in range(30)}
        surveyor._placed[31] = None
        surveyor.check_pictures()  # one of each is no film of two places
        surveyor._elsewhere = {31}
        with pytest.raises(NotSurveyable, match="2 of 31 windows lie elsewhere in the picture than the others"):
            surveyor.check_pictures()


def test_rates_further_apart_than_pals_give_way(hdr: Release, sdr: Release, tmp_path: Path) -> None:
    fast = replace(sdr, signal=replace(sdr.signal, frame_rate=replace(sdr.signal.frame_rate, value=Fraction(30))))
    with Spool(tmp_path) as spool, pytest.raises(NotSurveyable, match=r"differ by a factor of 1\.250"):
        Surveyor(hdr, fast, settings=Settings(), spool=spool, tell=lambda *told: None)
