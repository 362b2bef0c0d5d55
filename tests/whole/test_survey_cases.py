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
    encode,
    film,
    interlaced,
    laid_over,
    pulled_down,
    resized,
    roll_credits,
    trimmed,
    unchanged,
)
from tests.whole._survey_films import CLOSED, COLUMNS, ROWS, join_clips

pytestmark = pytest.mark.slow

SCENES, TIMES = range(16), 20
"""Of one second each: 320 s."""
LABELS = {"hdr": "wider-range", "container": "sdr-in-hdr-container"}


@pytest.fixture(autouse=True)
def _kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))


def surveyed(hdr: Path, sdr: Path) -> Comparison:
    """A survey whose pairs are partners to the frame."""
    found = pairdiff.compare(hdr, sdr, survey=True)
    assert found.coverage.mode == "survey", found.coverage.notes
    assert {pair.sdr_frame - pair.hdr_frame for pair in found.pairs} == {0}
    return found


def why_whole(hdr: Path, sdr: Path) -> str:
    """Why a pair is read whole, as the progress says it."""
    stages: list[str] = []

    def stop(stage: str, done: int, total: int | None) -> None:
        stages.append(stage)
        if stage.startswith("measure the HDR"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        pairdiff.compare(hdr, sdr, survey=True, progress=stop)
    return next(stage for stage in stages if stage.startswith("the pair is read whole"))


def check_as_whole(found: Comparison, whole: Comparison) -> None:
    """One label, and intervals of the survey that hold what is found in the whole film."""
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
    assert loss.low is not None
    assert loss.high is not None
    assert value is not None
    assert loss.low <= value <= loss.high


class Case(NamedTuple):
    """How the releases differ from plain ones."""

    hdr: Edit = unchanged
    sdr: Edit = unchanged
    sdr_params: str = CLOSED


def clip(folder: Path, kind: str, edit: Edit, **how: Any) -> Path:
    return encode(folder / f"{kind}.mkv", film(SCENES, kind, edit), is_hdr=kind != "sdr", **how)


def looped(path: Path, *, ending: str = ".mkv", times: int = TIMES) -> Path:
    return repeat_clip(path, path.with_name(f"long-{path.stem}{ending}"), times=times)


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
    "a mark in the SDR": Case(unchanged, laid_over(lambda scene: "CH7", code=0.8, row=0.15, column=0.78)),
    "a mark in the HDR": Case(laid_over(lambda scene: "CH7", code=0.55, row=0.15, column=0.78), unchanged),
}


@pytest.mark.parametrize("kind", LABELS)
@pytest.mark.parametrize("case", CASES)
def test_films_of_another_shape_and_with_something_over_them_are_surveyed_as_read_whole(case: str, kind: str, tmp_path: Path) -> None:
    hdr, sdr = clip(tmp_path, kind, CASES[case].hdr), clip(tmp_path, "sdr", CASES[case].sdr, params=CASES[case].sdr_params)
    whole = pairdiff.compare(hdr, sdr, survey=False)
    assert whole.verdict.label == LABELS[kind]
    check_as_whole(surveyed(looped(hdr), looped(sdr)), whole)


def some(scene: int) -> bool:
    return scene % 3 != 0


CHANGING = {
    "bars in two scenes of three, of both": (Case(bars(rows=28, scenes=some), bars(rows=28, scenes=some)), "show bars where others show"),
    "bars in some scenes of the HDR, none in the SDR": (Case(bars(rows=28, scenes=some)), "the picture area of the HDR release changes"),
    "some scenes of the HDR cropped": (
        Case(resized(rows=216, columns=384, crop=0.06, scenes=lambda scene: not some(scene))),
        "windows lie elsewhere in the picture than the others",
    ),
}


@pytest.mark.parametrize("case", CHANGING)
def test_a_picture_area_or_a_place_that_changes_is_left_to_a_reading_of_the_whole(case: str, tmp_path: Path) -> None:
    how, reason = CHANGING[case]
    hdr, sdr = clip(tmp_path, "hdr", how.hdr), clip(tmp_path, "sdr", how.sdr)
    assert reason in why_whole(looped(hdr), looped(sdr))


OPEN = "keyint=48:min-keyint=24:scenecut=0:open-gop=1:bframes=4:b-adapt=0"


@pytest.mark.parametrize("kind", LABELS)
@pytest.mark.parametrize("ending", [".mkv", ".m2ts", ".mp4"])
@pytest.mark.parametrize("groups", ["open", "closed"])
def test_open_groups_and_other_containers_are_surveyed_as_read_whole(kind: str, ending: str, groups: str, tmp_path: Path) -> None:
    params = OPEN if groups == "open" else CLOSED
    hdr, sdr = clip(tmp_path, kind, unchanged, params=params), clip(tmp_path, "sdr", unchanged, params=params)
    whole = pairdiff.compare(hdr, sdr, survey=False)
    assert whole.verdict.label == LABELS[kind]
    check_as_whole(surveyed(looped(hdr, ending=ending), looped(sdr, ending=ending)), whole)


KEY_A_SECOND = "keyint=30:min-keyint=30:scenecut=0:open-gop=0"


@pytest.mark.parametrize("flag", ["", ":tff=1"])
def test_film_in_fields_of_sixty_a_second_is_read_whole(flag: str, tmp_path: Path) -> None:
    hdr = clip(tmp_path, "hdr", unchanged, rate=Fraction(24000, 1001))
    pictures = pulled_down(film(SCENES, "sdr"))
    sdr = encode(tmp_path / "sdr.mkv", pictures, is_hdr=False, rate=Fraction(30000, 1001), params=KEY_A_SECOND + flag)
    assert "run at rates that differ by a factor of 1.25" in why_whole(looped(hdr), looped(sdr))


@pytest.mark.parametrize("flag", ["", ":tff=1"])
def test_an_interlaced_release_is_read_whole(flag: str, tmp_path: Path) -> None:
    hdr = clip(tmp_path, "hdr", unchanged)
    sdr = encode(tmp_path / "sdr.mkv", interlaced(film(SCENES, "sdr")), is_hdr=False, params=CLOSED + flag)
    assert "the SDR release shows two moments in many of its frames" in why_whole(looped(hdr), looped(sdr))


def blacks(kind: str, frames: int) -> Iterator[Planes]:
    picture = np.zeros((ROWS, COLUMNS, 3), np.float32)
    return itertools.repeat(sdr_planes(picture) if kind == "sdr" else hdr_planes(picture), frames)


def with_ends(folder: Path, kind: str, *, times: int, head: Iterator[Planes] | None, tail: Iterator[Planes] | None) -> Path:
    """The scenes over and over between a head and a tail."""
    parts = [looped(clip(folder, kind, unchanged), times=times)]
    for name, end in (("head", head), ("tail", tail)):
        if end is not None:
            made = encode(folder / f"{name}-{kind}.mkv", end, is_hdr=kind != "sdr")
            parts = [made, *parts] if name == "head" else [*parts, made]
    for number in range(len(parts) - 1):
        parts[number + 1] = join_clips(parts[number], parts[number + 1], folder / f"joined{times}-{number}-{kind}.mkv")
    return parts[-1]


@pytest.mark.parametrize("kind", LABELS)
def test_long_credits_leave_the_label_as_it_is_without_them(kind: str, tmp_path: Path) -> None:
    """38 s of 326 s, which is 12 %; the film without them is read whole."""
    hdr, sdr = (
        with_ends(tmp_path, one, times=18, head=None, tail=chain(blacks(one, 48), roll_credits(one, frames=36 * 24)))
        for one in (kind, "sdr")
    )
    whole = pairdiff.compare(tmp_path / f"{kind}.mkv", tmp_path / "sdr.mkv", survey=False)
    found = surveyed(hdr, sdr)
    assert found.verdict.label == whole.verdict.label == LABELS[kind]
