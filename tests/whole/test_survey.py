"""Surveys of real films, small pictures looped to some length: what they find, what they say they cannot, and when they give way."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import pairdiff
from pairdiff import _survey
from pairdiff._records import Comparison
from tests._clips import repeat_clip
from tests.whole._films import encode_sdr, sdr_planes
from tests.whole._survey_films import QUICK, SCENE, Kinds, encode_kinds, join_clips, loop_kinds, make_scene, to_signal, turned, why_whole

SCENES = 8
TIMES = 27
"""SCENES x SCENE x TIMES frames are 216 s."""


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> Kinds:
    return encode_kinds(tmp_path_factory.mktemp("survey"), [make_scene(number) for number in range(SCENES)])


@pytest.fixture(scope="module")
def films(clips: Kinds) -> Kinds:
    return loop_kinds(clips, times=TIMES)


@pytest.fixture(autouse=True)
def _kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))


def surveyed(hdr: Path, sdr: Path, **how: Any) -> Comparison:
    found = pairdiff.compare(hdr, sdr, survey=True, **how)
    assert found.coverage.mode == "survey"
    assert found.coverage.survey is not None
    assert found.coverage.survey.decoded_frames <= _survey.MOST_DECODED + 60
    return found


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["hdr", "container"])
def test_a_survey_gives_the_label_of_the_whole_film_and_its_intervals_hold_its_figures(
    kind: str, clips: Kinds, films: Kinds, tmp_path: Path
) -> None:
    whole = pairdiff.compare(getattr(clips, kind), clips.sdr)
    found = surveyed(getattr(films, kind), films.sdr, out=tmp_path / "out")
    check_what_is_not_known(found, tmp_path)
    assert found.verdict.label == whole.verdict.label == {"hdr": "wider-range", "container": "sdr-in-hdr-container"}[kind]
    assert found.coverage.survey is not None
    assert found.coverage.survey.stopped == "settled"
    assert found.coverage.survey.looks == 1
    time = found.headroom.time_share
    assert time.low is not None
    assert time.high is not None
    assert whole.headroom.time_share.value is not None
    assert time.low <= whole.headroom.time_share.value <= time.high
    stops = found.headroom.stops_interval
    assert stops.low is not None
    assert whole.headroom.stops is not None
    assert stops.low - 0.05 <= whole.headroom.stops <= (np.inf if stops.high is None else stops.high + 0.05)
    loss = found.difference.on_its_own.preference_loss
    assert loss.low is not None
    assert loss.high is not None
    assert loss.low <= (whole.difference.on_its_own.preference_loss.value or 0) <= loss.high


def check_what_is_not_known(found: Comparison, tmp_path: Path) -> None:
    for side in (found.hdr, found.sdr):
        assert side.levels.max_cll_nits is None
        assert side.levels.max_fall_nits is None
        assert "drawn by a survey" in side.levels.condition
    assert found.hdr_peak is None
    assert any("MaxCLL, MaxFALL" in note for note in found.coverage.notes)
    assert any("windows of a third of a second" in note for note in found.coverage.notes)
    written = json.loads((tmp_path / "out" / "result.json").read_text())
    assert written["run"]["coverage"]["mode"] == "survey"
    assert written["run"]["coverage"]["survey"]["decoded_frames"] > 0
    assert written["hdr"]["levels"]["max_cll_nits"] is None


@pytest.mark.slow
def test_pairs_are_partners_to_the_frame_and_spread_over_the_film(films: Kinds, clips: Kinds, tmp_path: Path) -> None:
    late = repeat_clip(clips.sdr, tmp_path / "late.mkv", times=TIMES, skip=2 * SCENE)
    found = surveyed(films.hdr, late)
    assert {pair.sdr_frame - pair.hdr_frame for pair in found.pairs} == {-2 * SCENE}
    assert found.alignment.offset_frames == -2 * SCENE
    whole = found.coverage.hdr_frames
    parts = {pair.hdr_frame * 16 // whole for pair in found.pairs}
    assert len(parts) == 16
    assert all(1 - pair.similarity < 0.1 for pair in found.pairs)


@pytest.mark.slow
def test_a_film_whose_other_release_lacks_a_passage_is_matched_on_both_sides_of_it(films: Kinds, clips: Kinds, tmp_path: Path) -> None:
    """The SDR release lacks one scene in the middle; no frame of it is taken for matched further than two seconds from the cut."""
    first = repeat_clip(clips.sdr, tmp_path / "first.mkv", times=13)
    second = repeat_clip(clips.sdr, tmp_path / "second.mkv", times=TIMES - 13, skip=SCENE)
    joined = join_clips(first, second, tmp_path / "short.mkv")
    found = surveyed(films.hdr, joined)
    cut = 13 * SCENES * SCENE
    matched = [one for one in found.alignment.segments if one.kind == "matched"]
    assert len(matched) == 2
    before, behind = matched
    assert before.hdr_stop is not None
    assert behind.hdr_start is not None
    assert cut - 96 <= before.hdr_stop <= cut
    assert cut + SCENE <= behind.hdr_start <= cut + SCENE + 96
    assert {pair.sdr_frame - pair.hdr_frame for pair in found.pairs} == {0, -SCENE}


@pytest.mark.slow
def test_a_survey_is_the_same_each_time(films: Kinds) -> None:
    first, second = (surveyed(films.hdr, films.sdr) for _ in range(2))
    assert first.pairs == second.pairs
    assert first.verdict == second.verdict


@pytest.mark.slow
def test_another_seed_draws_other_moments(films: Kinds) -> None:
    settings = [pairdiff.Settings(seed=seed) for seed in (1, 2)]
    first, second = (surveyed(films.hdr, films.sdr, settings=one) for one in settings)
    assert {pair.hdr_frame for pair in first.pairs} != {pair.hdr_frame for pair in second.pairs}


@pytest.mark.slow
def test_a_budget_ends_a_survey_and_is_said(films: Kinds, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pairdiff._pipeline.is_settled", lambda *given: False)
    found = surveyed(films.hdr, films.sdr, budget_s=0.5)
    assert found.coverage.survey is not None
    assert found.coverage.survey.stopped == "budget"
    assert found.coverage.survey.windows == _survey.LEAST_DRAWN
    assert any("--budget" in note for note in found.coverage.notes)


@pytest.mark.slow
def test_all_looks_are_taken_where_the_label_is_not_settled(films: Kinds, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pairdiff._pipeline.is_settled", lambda *given: False)
    found = surveyed(films.hdr, films.sdr)
    assert found.coverage.survey is not None
    assert (found.coverage.survey.looks, found.coverage.survey.stopped) == (len(_survey.LOOKS), "last_look")
    assert found.coverage.survey.windows == _survey.LOOKS[-1]


def test_a_short_film_is_read_whole(clips: Kinds) -> None:
    assert "the HDR release cannot be surveyed, it is shorter than" in why_whole(clips.hdr, clips.sdr)


@pytest.mark.slow
def test_why_a_film_was_read_whole_is_said_with_the_result(clips: Kinds) -> None:
    asked = pairdiff.compare(clips.hdr, clips.sdr, survey=True)
    assert asked.coverage.mode == "sampled"
    assert asked.coverage.survey is None
    assert any("not surveyed: the HDR release cannot be surveyed, it is shorter than" in note for note in asked.coverage.notes)


def test_a_film_of_less_than_five_minutes_is_read_whole_unless_asked(films: Kinds) -> None:
    stages: list[str] = []

    def stop(stage: str, done: int, total: int | None) -> None:
        stages.append(stage)
        if stage.startswith(("measure the HDR", "survey the films")):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        pairdiff.compare(films.hdr, films.sdr, progress=stop)
    assert stages[-1].startswith("measure the HDR")


def test_a_passage_that_is_asked_for_is_read_whole(films: Kinds) -> None:
    assert "--only" in why_whole(films.hdr, films.sdr, survey=True, settings=pairdiff.Settings(only="0:00:01-0:00:09"))


def test_other_films_are_refused_by_a_survey(films: Kinds, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    other = encode_kinds(tmp_path / "other", [make_scene(100 + number) for number in range(SCENES)])
    with pytest.raises(pairdiff.UnrelatedFilms, match="The survey finds no place at which the two releases belong together"):
        pairdiff.compare(films.hdr, repeat_clip(other.sdr, tmp_path / "other.mkv", times=TIMES), survey=True)


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([sys.executable, "-m", "pairdiff", *words], capture_output=True, text=True, timeout=600, check=False)


def test_the_command_line_surveys_and_writes_a_report(films: Kinds, tmp_path: Path) -> None:
    done = run("compare", str(films.container), str(films.sdr), "--out", str(tmp_path / "out"), "--survey", "--budget", "5m")
    assert done.returncode == 0, done.stderr
    assert "survey the films, look 1 of at most 2" in done.stderr
    assert "SDR picture in an HDR container" in done.stdout
    assert "A survey:" in done.stdout
    report = (tmp_path / "out" / "report.html").read_text()
    assert "drawn at random from equal parts of the film" in report
    assert "98.75" in report


@pytest.mark.parametrize("budget", ["0", "soon", "-5m", "5h"])
def test_a_budget_that_is_no_length_of_time_is_refused(budget: str, films: Kinds, tmp_path: Path) -> None:
    done = run("compare", str(films.hdr), str(films.sdr), "--out", str(tmp_path / "out"), f"--budget={budget}")
    assert done.returncode == 2
    assert "expected a length of time above zero, such as 90s or 5m" in done.stderr
    assert not (tmp_path / "out").exists()


def test_full_and_survey_exclude_each_other(films: Kinds, tmp_path: Path) -> None:
    done = run("compare", str(films.hdr), str(films.sdr), "--out", str(tmp_path / "out"), "--full", "--survey")
    assert done.returncode == 2
    assert "--full and --survey exclude each other" in done.stderr


def test_a_film_that_is_cut_off_is_read_whole_and_says_so(films: Kinds, tmp_path: Path) -> None:
    cut = tmp_path / "cut.mkv"
    cut.write_bytes(films.hdr.read_bytes()[: films.hdr.stat().st_size // 3])
    assert "the file may be cut off" in why_whole(cut, films.sdr)


def test_key_frames_far_apart_leave_too_much_unseen(films: Kinds, tmp_path: Path) -> None:
    planes = [planes for number in range(7) for planes in turned(sdr_planes(to_signal(make_scene(number))))]
    clip = encode_sdr(tmp_path / "rare7.mkv", planes, options=QUICK, params="keyint=168:min-keyint=168:scenecut=0")
    assert "7.0 s apart on average" in why_whole(films.hdr, repeat_clip(clip, tmp_path / "rare.mkv", times=30))


def test_other_films_are_read_whole_where_no_survey_was_asked_for(films: Kinds, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pairdiff._pipeline.USUAL_FROM_S", 150)
    (tmp_path / "other").mkdir()
    other = encode_kinds(tmp_path / "other", [make_scene(100 + number) for number in range(SCENES)])
    why = why_whole(films.hdr, repeat_clip(other.sdr, tmp_path / "other.mkv", times=TIMES), survey=None)
    assert "finds no place at which the two releases belong together" in why


@pytest.mark.slow
def test_an_anchor_that_the_windows_do_not_bear_out_is_said(films: Kinds) -> None:
    found = surveyed(films.hdr, films.sdr, settings=pairdiff.Settings(anchor="0:01:00=0:01:20"))
    assert any("is not borne out by the pictures" in note for note in found.alignment.notes)
    assert {pair.sdr_frame - pair.hdr_frame for pair in found.pairs} == {0}
