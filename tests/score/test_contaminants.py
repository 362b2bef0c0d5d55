"""Frames that are no picture of the film, and what the peak belongs to: planted in tables of levels and in single pictures."""

import dataclasses

import numpy as np
import pytest

from pairdiff._records import Alignment, Damage, FrameLevels, Rectangle, Segment
from pairdiff._settings import Settings
from pairdiff.score import contaminants as c
from pairdiff.score.levels import SPECK_PIXELS

SETTINGS = Settings()
FRAMES = 200
RATE = 24


def level(frame, nits=100.0, *, average=20.0, median=8.0, wide=None):
    wide = nits if wide is None else wide
    return FrameLevels(frame, frame / RATE, nits, average, average, nits, nits, 0.9 * nits, median, 0.0, 0.0, 0.0, wide)


def film(**planted):
    """Levels of an HDR film at 100 cd/m2, some of its frames replaced: frame number or (start, stop) to the arguments of `level`."""
    frames = [level(n) for n in range(FRAMES)]
    for (start, stop), given in planted.get("at", {}).items():
        frames[start:stop] = [level(n, **given) for n in range(start, stop)]
    return frames


def table(hdr, *, sdr=None, kinds=((0, FRAMES, "matched"),)):
    """A table of figures; every HDR frame of a matched passage has the SDR frame of the same number."""
    segments = tuple(
        Segment(kind, low, high, *((low, high) if kind != "hdr_only" else (None, None)), 1.0, 1.0) for low, high, kind in kinds
    )
    partners = np.full(FRAMES, -1)
    for low, high, kind in kinds:
        if kind == "matched":
            partners[low:high] = np.arange(low, high)
    alignment = Alignment(1.0, 0, 0.9, 0.1, segments, (), (), (), partners)
    return c.make_table(hdr, film() if sdr is None else sdr, alignment)


def found(frames, *, hdr_damage=(), sdr_damage=(), settings=SETTINGS, otherwise=None, **given):
    faults = {"hdr_damage": hdr_damage, "sdr_damage": sdr_damage}
    made = c.find_frames(table(frames, **given), **faults, settings=settings, otherwise=otherwise)
    return {kind: np.flatnonzero(mask).tolist() for kind, mask in made.items() if mask.any()}


LOGO = {"nits": 1000.0, "median": 0.01}
BLACK = {"nits": 0.1, "average": 0.01, "median": 0.01}


def test_a_film_without_anything_has_nothing_left_out():
    assert found(film()) == {}


def test_a_bright_logo_on_black_parted_by_black_frames_is_left_out_with_them():
    assert found(film(at={(0, 16): LOGO, (16, 20): BLACK})) == {"logo_or_credits": list(range(20))}


def test_bright_credits_behind_the_film_are_left_out():
    assert found(film(at={(180, 184): BLACK, (184, 200): LOGO})) == {"logo_or_credits": list(range(180, 200))}


@pytest.mark.parametrize(
    "planted",
    [
        {(0, 20): LOGO},  # a cut, and no black between
        {(0, 16): {"nits": 1000.0}, (16, 20): BLACK},  # not on black: it may be a scene
        {(0, 16): {"nits": 120.0, "median": 0.01}, (16, 20): BLACK},  # no brighter than the film
        {(0, 46): LOGO, (46, 50): BLACK},  # a quarter of the release
        {(90, 94): BLACK, (94, 110): LOGO, (110, 114): BLACK},  # in the middle
    ],
)
def test_what_may_be_the_film_stays(planted):
    assert found(film(at=planted)) == {}


def test_a_film_with_one_brief_scene_as_bright_as_its_logo_still_has_a_logo():
    assert "logo_or_credits" in found(film(at={(0, 16): LOGO, (16, 20): BLACK, (100, 104): {"nits": 1000.0}}))


def test_a_flash_that_the_sdr_release_does_not_show_is_left_out():
    assert found(film(at={(67, 68): {"nits": 2000.0, "average": 1500.0}})) == {"flash": [67]}


def test_lightning_in_both_releases_stays():
    hdr = film(at={(67, 68): {"nits": 2000.0, "average": 1500.0}})
    assert found(hdr, sdr=film(at={(67, 68): {"average": 60.0}})) == {}
    assert found(hdr, sdr=film(at={(67, 68): {"median": 12.0}})) == {}


def test_light_that_lasts_longer_than_a_flash_stays():
    assert found(film(at={(67, 70): {"nits": 2000.0, "average": 1500.0}})) == {}
    assert found(film(at={(67, 69): {"nits": 2000.0, "average": 1500.0}})) == {"flash": [67, 68]}


def test_damaged_frames_of_either_release_are_left_out_and_a_cut_off_end_is_not():
    faults = (Damage("corrupt picture", 30, "x"), Damage("truncated", 199, "y"))
    assert found(film(), hdr_damage=faults) == {"damaged_frame": [30]}
    assert found(film(), sdr_damage=faults) == {"damaged_partner": [30]}
    made = table(film())
    kinds = c.find_frames(made, hdr_damage=(), sdr_damage=faults, settings=SETTINGS)
    assert np.flatnonzero(c.left_out_frames(kinds)).tolist() == [30]
    assert not c.foreign_frames(kinds).any()  # its levels are the film's: only the SDR release is damaged


def peak_of(frames, *, place=None, laid_over=(), **given):
    made = table(frames, **given)
    return c.describe_peak(made, c.find_frames(made, hdr_damage=(), sdr_damage=(), settings=SETTINGS), place, laid_over=laid_over)


def spot(pixels):
    return c.PeakPlace(10, 20, pixels, pixels / 57600, "centre")


def test_the_peak_in_a_passage_that_only_the_hdr_release_has_is_named_so():
    peak = peak_of(film(at={(0, 20): {"nits": 1000.0}}), place=spot(900), kinds=((0, 20, "hdr_only"), (20, FRAMES, "matched")))
    assert (peak.nits, peak.frame, peak.position, peak.causes) == (1000.0, 0, "before", ("unmatched",))
    assert (peak.lasts_frames, peak.frames_reaching, peak.usual_nits) == (20, 20, 100.0)
    assert peak.lasts_s == pytest.approx(20 / RATE)


def test_a_peak_of_the_films_own_picture_has_no_cause():
    peak = peak_of(film(at={(50, 70): {"nits": 900.0}}), place=spot(900))
    assert (peak.causes, peak.position, peak.passages[0].start, peak.passages[0].stop) == ((), "within", 50, 70)


def test_a_speck_is_one_only_where_the_light_around_it_is_lower():
    alone = film(at={(0, FRAMES): {"nits": 10000.0, "wide": 100.0}})
    assert peak_of(alone, place=spot(1)).causes == ("speck",)
    assert peak_of(alone, place=spot(SPECK_PIXELS + 1)).causes == ()
    overshoot = film(at={(50, 70): {"nits": 1600.0, "wide": 1250.0}})  # a codec's overshoot on a large light
    assert peak_of(overshoot, place=spot(1)).causes == ()


def test_a_level_of_one_frame_is_named_and_one_that_wavers_is_not():
    assert peak_of(film(at={(60, 61): {"nits": 1000.0}}), place=spot(900)).causes == ("single_frame",)
    wavers = {(n, n + 1): {"nits": 1000.0} for n in range(60, 90, 3)}
    assert peak_of(film(at=wavers), place=spot(900)).causes == ()


def test_what_is_laid_over_the_peak_is_named_first():
    assert peak_of(film(at={(60, 61): {"nits": 1000.0}}), place=spot(900), laid_over=("subtitle",)).causes == ("subtitle", "single_frame")


def test_stretches_at_the_peaks_level_are_listed_the_brightest_first():
    peak = peak_of(film(at={(20, 30): {"nits": 330.0}, (100, 104): {"nits": 340.0}}))
    assert [(one.start, one.stop, one.nits) for one in peak.passages] == [(100, 104, 340.0), (20, 30, 330.0)]


def test_no_stretch_goes_over_the_edge_of_a_passage_and_a_gap_of_a_few_frames_parts_none():
    bright = film(at={(44, 50): {"nits": 330.0}, (50, 60): {"nits": 340.0}, (63, 70): {"nits": 335.0}})
    bright[48:52] = [level(n) for n in range(48, 52)]  # lower on both sides of the edge
    peak = peak_of(bright, kinds=((0, 50, "matched"), (50, FRAMES, "hdr_only")))
    assert [(one.start, one.stop) for one in peak.passages] == [(52, 70), (44, 48)]


def masks(hdr=(), sdr=()):
    made = {"hdr": np.zeros(FRAMES, bool), "sdr": np.zeros(FRAMES, bool)}
    made["hdr"][list(hdr)], made["sdr"][list(sdr)] = True, True
    return made


def test_where_the_sdr_release_lost_the_films_frames_the_hdr_ones_are_not_foreign():
    lost = ((0, 30, "matched"), (30, 34, "hdr_only"), (34, FRAMES, "matched"))
    assert found(film(), kinds=lost) == {"unmatched": [30, 31, 32, 33]}
    assert found(film(), kinds=lost, otherwise=masks(sdr=range(30, 34))) == {"damaged_partner": [30, 31, 32, 33]}


def test_a_flash_or_a_logo_that_only_one_release_shows_is_not_damage_as_well():
    flash = film(at={(60, 61): {"nits": 1000.0, "average": 300.0}})
    assert found(flash, otherwise=masks(hdr=[60, 90])) == {"flash": [60], "damaged_frame": [90]}
    logo = film(at={(0, 16): LOGO, (16, 20): BLACK})
    assert found(logo, otherwise=masks(sdr=[5])) == {"logo_or_credits": list(range(20))}


def test_the_place_of_the_peak_is_that_of_its_pixel_and_its_area_that_of_what_joins_it():
    picture = np.full((180, 320), 50.0)
    picture[140:144, 300:305] = 1000.0
    picture[20:24, 10:15] = 990.0  # as bright, but elsewhere
    picture[0, 0] = 5000.0  # in the bars
    place = c.locate_peak(picture, active=Rectangle(10, 170, 0, 320))
    assert (place.row, place.column, place.area_pixels, place.place) == (140, 300, 20, "lower right")
    assert place.area_share == pytest.approx(20 / (160 * 320))


def test_levels_without_are_those_of_the_frames_that_are_left():
    made = table(film(at={(0, 20): {"nits": 1000.0, "average": 300.0, "wide": 900.0}}))
    out = np.arange(FRAMES) < 20
    assert c.levels_without(made, out) == (100.0, 20.0)
    assert c.levels_without(made, ~out, without_specks=True) == (900.0, 300.0)
    assert c.levels_without(made, np.ones(FRAMES, bool)) is None


def test_lasting_levels_take_a_single_frame_away_and_leave_two():
    one = c.lasting_levels(table(film(at={(60, 61): {"nits": 1000.0}})))
    two = c.lasting_levels(table(film(at={(60, 62): {"nits": 1000.0}})))
    assert (one.max_nits.max(), two.max_nits.max()) == (100.0, 1000.0)


def test_every_kind_is_listed_with_what_the_release_has_without_it():
    made = table(film(at={(0, 16): LOGO, (16, 20): BLACK, (67, 68): {"nits": 2000.0, "average": 1500.0}}))
    kinds = c.find_frames(made, hdr_damage=(), sdr_damage=(), settings=SETTINGS)
    peak = c.describe_peak(made, kinds, spot(900))
    listed = {one.kind: one for one in c.list_contaminants(made, kinds, (), peak, word_nits=None, kept=False)}
    assert set(listed) == {"logo_or_credits", "flash"}
    assert (listed["flash"].frames, listed["flash"].max_cll_without_nits, listed["flash"].treatment) == (1, 1000.0, "left_out")
    assert listed["logo_or_credits"].max_cll_without_nits == 2000.0
    assert c.film_levels(made, kinds, (), causes=(), kept=False) == (100.0, 20.0)
    kept = c.list_contaminants(made, kinds, (), peak, word_nits=None, kept=True)
    assert {one.treatment for one in kept} == {"named_only"}


def test_levels_beside_what_is_laid_over_are_those_of_the_rest():
    picture, marks = np.full((60, 80), 90.0, np.float32), np.zeros((60, 80), bool)
    picture[:5, :5], marks[:6, :6] = 800.0, True
    seen = c.see_laid_over(picture, marks=marks, words=None, frame=3)
    assert (seen.film_max_nits, seen.film_average_nits, seen.words_share) == (90.0, 90.0, 0.0)
    assert seen.marks_share == pytest.approx(36 / 4800)
    assert dataclasses.replace(seen, marks_share=0.0) != seen


def test_bars_are_what_the_active_picture_leaves_of_the_coded_one(example_signal):
    assert c.find_bars(table(film()), Rectangle(0, 180, 0, 320), example_signal) is None
    bars = c.find_bars(table(film()), Rectangle(20, 160, 0, 320), example_signal)
    assert bars is not None
    assert bars.area_share == pytest.approx(40 / 180)


@pytest.fixture
def example_signal():
    """Only its size is looked at."""
    from types import SimpleNamespace

    return SimpleNamespace(width=SimpleNamespace(value=320), height=SimpleNamespace(value=180))
