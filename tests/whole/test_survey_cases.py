"""Surveys of films of other shapes, with words and marks over them, credits, open groups and other containers: as read whole, or given way.

Each film is one pass through its scenes, looped; that one pass is what is read whole.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from fractions import Fraction
from itertools import chain
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pytest

import pairdiff
from pairdiff._records import Comparison
from tests._clips import Planes, repeat_clip
from tests.whole._films import hdr_planes, sdr_planes
from tests.whole._survey_cases import (
    Edit,
    bars,
    chain_clips,
    encode,
    film,
    interlaced,
    laid_over,
    logo,
    pulled_down,
    resized,
    roll_credits,
    trimmed,
    unchanged,
)
from tests.whole._survey_films import CLOSED, COLUMNS, ROWS, why_whole

pytestmark = pytest.mark.slow

SCENES, TIMES = range(16), 20
"""Of one second each: 320 s."""
CODED_LOSS, CODED_SHARE = 0.005, 0.01
"""By how much, or what share, pictures soon behind a key frame may differ less, since they are coded better (own)."""
LABELS = {"hdr": "wider-range", "container": "sdr-in-hdr-container"}


@pytest.fixture(autouse=True)
def _kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))


def surveyed(hdr: Path, sdr: Path, *, offset: int = 0) -> Comparison:
    """A survey whose pairs are partners to the frame."""
    found = pairdiff.compare(hdr, sdr, survey=True)
    assert found.coverage.mode == "survey", found.coverage.notes
    assert {pair.sdr_frame - pair.hdr_frame for pair in found.pairs} == {offset}
    return found


def check_as_whole(found: Comparison, whole: Comparison) -> None:
    """One label, and intervals of the survey that hold what is found in the whole film.

    A faint mark that is found in some pictures of the whole, and not in the windows, stays in: the loss is then the one with it.
    """
    assert found.verdict.label == whole.verdict.label
    time, share = found.headroom.time_share, whole.headroom.time_share.value
    assert time.low is not None
    assert time.high is not None
    assert share is not None
    assert time.low <= share <= time.high
    stops = found.headroom.stops_interval
    assert stops.low is not None
    assert whole.headroom.stops is not None
    assert stops.low - 0.05 <= whole.headroom.stops <= (np.inf if stops.high is None else stops.high + 0.05)
    loss, value = found.difference.on_its_own.preference_loss, whole.difference.on_its_own.preference_loss.value
    if not found.contaminants.found and whole.contaminants.with_them is not None:
        value = whole.contaminants.with_them.preference_loss
    assert loss.low is not None
    assert loss.high is not None
    assert value is not None
    spare = max(CODED_LOSS, CODED_SHARE * value)
    assert loss.low - spare <= value <= loss.high + spare


class Case(NamedTuple):
    """How the releases differ from plain ones."""

    hdr: Edit = unchanged
    sdr: Edit = unchanged
    sdr_params: str = CLOSED


class Films:
    """Clips and what is found in them read whole, each made once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._clips: dict[tuple[Any, ...], Path] = {}
        self._wholes: dict[tuple[Path, Path], Comparison] = {}

    def clip(self, kind: str, edit: Edit = unchanged, *, params: str = CLOSED, rate: Fraction | int = 24) -> Path:
        key = kind, edit, params, rate
        if key not in self._clips:
            folder = self._folder / str(len(self._clips))
            folder.mkdir()
            self._clips[key] = encode(folder / f"{kind}.mkv", film(SCENES, kind, edit), is_hdr=kind != "sdr", params=params, rate=rate)
        return self._clips[key]

    def whole(self, hdr: Path, sdr: Path) -> Comparison:
        if (hdr, sdr) not in self._wholes:
            self._wholes[hdr, sdr] = pairdiff.compare(hdr, sdr, survey=False)
        return self._wholes[hdr, sdr]


@pytest.fixture(scope="module")
def films(tmp_path_factory: pytest.TempPathFactory) -> Films:
    return Films(tmp_path_factory.mktemp("cases"))


def looped(path: Path, *, ending: str = ".mkv", times: int = TIMES) -> Path:
    """The clip over and over, beside it."""
    made = path.with_name(f"{times}-{path.stem}{ending}")
    return made if made.exists() else repeat_clip(path, made, times=times)


def always(scene: int) -> str:
    del scene
    return "CH7"


def spoken(scene: int) -> str | None:
    """Words over two scenes of five, others in each."""
    words = ("We sailed at dawn", "Nobody saw the light", "Come back on Sunday", "The orchard is made", "Leave the gate open")
    return f"{words[scene * 2 % 5]} {scene}" if scene % 5 < 2 else None


CASES = {
    "letterbox on both": Case(bars(rows=28), bars(rows=28)),
    "letterbox of one, the other trimmed": Case(bars(rows=28), trimmed(rows=28)),
    "smaller SDR": Case(unchanged, resized(rows=108, columns=192)),
    "HDR of 4:3, SDR in pillars": Case(trimmed(columns=48), bars(columns=48)),
    "SDR of wide pixels": Case(unchanged, resized(rows=216, columns=288), f"{CLOSED}:sar=4/3"),
    "SDR cropped": Case(unchanged, resized(rows=216, columns=384, crop=0.03)),
    "HDR opens where the SDR keeps its bars": Case(bars(rows=28, scenes=lambda scene: scene % 3 != 0), bars(rows=28)),
    "words in the SDR": Case(unchanged, laid_over(spoken, code=0.9)),
    "words in the HDR": Case(laid_over(spoken, code=0.62), unchanged),
    "a mark in the SDR": Case(unchanged, laid_over(always, code=0.8, row=0.15, column=0.78)),
    "a mark in the HDR": Case(laid_over(always, code=0.55, row=0.15, column=0.78), unchanged),
}


@pytest.mark.parametrize("kind", LABELS)
@pytest.mark.parametrize("case", CASES)
def test_films_of_another_shape_and_with_something_over_them_are_surveyed_as_read_whole(case: str, kind: str, films: Films) -> None:
    hdr, sdr = films.clip(kind, CASES[case].hdr), films.clip("sdr", CASES[case].sdr, params=CASES[case].sdr_params)
    whole = films.whole(hdr, sdr)
    assert whole.verdict.label == LABELS[kind]
    check_as_whole(surveyed(looped(hdr), looped(sdr)), whole)


def some(scene: int) -> bool:
    return scene % 3 != 0


CHANGING = {
    "bars in two scenes of three, of both": (Case(bars(rows=28, scenes=some), bars(rows=28, scenes=some)), "show bars where others show"),
    "low bars in some scenes of the HDR": (Case(bars(rows=10, scenes=some)), "the picture area of the HDR release changes"),
    "high bars in some scenes of the HDR": (Case(bars(rows=28, scenes=some)), "windows are found in the other release"),
    "some scenes of the HDR cropped": (
        Case(resized(rows=216, columns=384, crop=0.06, scenes=lambda scene: not some(scene))),
        "windows lie elsewhere in the picture than the others",
    ),
}


@pytest.mark.parametrize("case", CHANGING)
def test_a_picture_area_or_a_place_that_changes_is_left_to_a_reading_of_the_whole(case: str, films: Films) -> None:
    how, reason = CHANGING[case]
    hdr, sdr = films.clip("hdr", how.hdr), films.clip("sdr", how.sdr)
    assert reason in why_whole(looped(hdr), looped(sdr))


OPEN = "keyint=30:min-keyint=24:scenecut=0:open-gop=1:bframes=4:b-adapt=0"
"""Groups of which most scenes have a beginning: what lies far behind any is not seen by a survey, which says so."""


@pytest.mark.parametrize("kind", LABELS)
@pytest.mark.parametrize("ending", [".mkv", ".m2ts", ".mp4"])
@pytest.mark.parametrize("groups", ["open", "closed"])
def test_open_groups_and_other_containers_are_surveyed_as_read_whole(kind: str, ending: str, groups: str, films: Films) -> None:
    params = OPEN if groups == "open" else CLOSED
    hdr, sdr = films.clip(kind, params=params), films.clip("sdr", params=params)
    whole = films.whole(hdr, sdr)
    assert whole.verdict.label == LABELS[kind]
    check_as_whole(surveyed(looped(hdr, ending=ending), looped(sdr, ending=ending)), whole)


KEY_A_SECOND = "keyint=30:min-keyint=30:scenecut=0:open-gop=0"


@pytest.mark.parametrize("flag", ["", ":tff=1"])
def test_film_in_fields_of_sixty_a_second_is_read_whole(flag: str, films: Films, tmp_path: Path) -> None:
    hdr = films.clip("hdr", rate=Fraction(24000, 1001))
    pictures = pulled_down(film(SCENES, "sdr"))
    sdr = encode(tmp_path / "sdr.mkv", pictures, is_hdr=False, rate=Fraction(30000, 1001), params=KEY_A_SECOND + flag)
    assert "run at rates that differ by a factor of 1.25" in why_whole(looped(hdr), looped(sdr))


@pytest.mark.parametrize("flag", ["", ":tff=1"])
def test_an_interlaced_release_is_read_whole(flag: str, films: Films, tmp_path: Path) -> None:
    hdr = films.clip("hdr")
    sdr = encode(tmp_path / "sdr.mkv", interlaced(film(SCENES, "sdr")), is_hdr=False, params=CLOSED + flag)
    assert "the SDR release shows two moments in many of its frames" in why_whole(looped(hdr), looped(sdr))


def blacks(kind: str, frames: int) -> Iterator[Planes]:
    picture = np.zeros((ROWS, COLUMNS, 3), np.float32)
    return itertools.repeat(sdr_planes(picture) if kind == "sdr" else hdr_planes(picture), frames)


def with_ends(scenes: Path, kind: str, *, head: Iterator[Planes] | None = None, tail: Iterator[Planes] | None = None, folder: Path) -> Path:
    """The scenes, 288 s of them, between a head and a tail."""
    ends = [
        [] if end is None else [encode(folder / f"{name}-{kind}.mkv", end, is_hdr=kind != "sdr")]
        for name, end in (("head", head), ("tail", tail))
    ]
    return chain_clips([*ends[0], *[scenes] * 18, *ends[1]], folder / f"ended-{kind}.mkv")


def credits_of(kind: str, *, nits: float = 300) -> Iterator[Planes]:
    return chain(blacks(kind, 48), roll_credits(kind, frames=36 * 24, nits=nits))


@pytest.mark.parametrize("kind", LABELS)
def test_long_credits_leave_the_label_as_it_is_without_them(kind: str, films: Films, tmp_path: Path) -> None:
    """38 s of 326 s, which is 12 %; the film without them is read whole."""
    hdr, sdr = (with_ends(films.clip(one), one, tail=credits_of(one), folder=tmp_path) for one in (kind, "sdr"))
    whole = films.whole(films.clip(kind), films.clip("sdr"))
    assert surveyed(hdr, sdr).verdict.label == whole.verdict.label == LABELS[kind]


def test_credits_hide_no_mark_that_stands_over_the_whole_film(films: Films, tmp_path: Path) -> None:
    """A mark of 500 cd/m2 in the HDR release: over words on black, brighter than the film, which are left out, it does not stand."""
    scenes = films.clip("hdr", laid_over(always, code=0.68, row=0.15, column=0.78))
    hdr = with_ends(scenes, "hdr", tail=credits_of("hdr", nits=2500), folder=tmp_path)
    found = surveyed(hdr, with_ends(films.clip("sdr"), "sdr", tail=credits_of("sdr"), folder=tmp_path))
    assert {"logo_or_credits", "standing_mark"} <= {one.kind for one in found.contaminants.found}


@pytest.mark.parametrize("kind", LABELS)
def test_long_logos_of_each_release_are_left_aside(kind: str, films: Films, tmp_path: Path) -> None:
    """25 s in front of the HDR release, other 15 s in front of the SDR release."""
    heads = {
        kind: chain(logo(kind, frames=24 * 24, row=100), blacks(kind, 24)),
        "sdr": chain(logo("sdr", frames=14 * 24, row=130), blacks("sdr", 24)),
    }
    hdr, sdr = (with_ends(films.clip(one), one, head=head, folder=tmp_path) for one, head in heads.items())
    whole = films.whole(films.clip(kind), films.clip("sdr"))
    assert surveyed(hdr, sdr, offset=-10 * 24).verdict.label == whole.verdict.label == LABELS[kind]


def test_pictures_that_are_refreshed_piece_by_piece_are_read_whole(films: Films, tmp_path: Path) -> None:
    """H.264 without a key picture but the first: what the container lists are places from which pictures come whole after a while."""
    params = "keyint=48:scenecut=0:intra-refresh=1:bframes=0"
    sdr = encode(tmp_path / "sdr.mkv", film([*SCENES] * 10, "sdr"), is_hdr=False, params=params)
    assert "no key frame of the SDR release can be decoded" in why_whole(looped(films.clip("hdr"), times=10), sdr)
