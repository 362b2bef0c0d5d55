"""Re-runs: what is stored does where it can and gives what the films give, both results stay, and what moved is said with its reason."""

from __future__ import annotations

import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import time
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any

import numba
import numpy as np
import pytest

import pairdiff
from pairdiff import _conclude, _measured, _pipeline
from pairdiff._settings import Settings
from pairdiff.shelf import rerun
from pairdiff.shelf.archive import find_archive
from pairdiff.verdict import judge
from pairdiff.writeup import document
from tests.shelf._titles import Titles
from tests.small_clips import SmallPair, make_pair_with_black_and_clips
from tests.whole._survey_films import encode_kinds, loop_kinds, make_scene

ROOT = Path(__file__).resolve().parents[2]
Call = Callable[..., int]
Capture = pytest.CaptureFixture[str]
TITLE = "Harbour \x1b[31m\x07 \u202elights"
SHOWN = "Harbour \ufffd[31m\ufffd lights"
QUICK: dict[str, Any] = {"hdr_stills": "none", "pairs_per_shot": 2, "displays": "lcd-dim", "support_draws": 100, "fit_pixels_per_pair": 300}
ONE_THREAD = {"NUMBA_NUM_THREADS": "1"}
"""Pictures so small are sooner done than threads are woken."""
OTHER: dict[str, Any] = {"headroom_clear_stops": 0.5, "room_lux": 20.0}
"""Another label: highlights of 1.1 stops were near the limit."""


@dataclass
class Kept:
    """A result whose films lie elsewhere now, and which settings were read to get there."""

    folder: Path
    out: Path
    films: SmallPair
    env: dict[str, str]
    measuring: set[str] = field(default_factory=set)
    concluding: set[str] = field(default_factory=set)

    def run(self, *words: object, timeout_s: float = 300) -> subprocess.CompletedProcess[str]:
        """`pairdiff rerun` as it is typed."""
        return subprocess.run(
            [sys.executable, "-m", "pairdiff", "rerun", *map(str, words)],
            env=self.env,
            capture_output=True,
            text=True,
            stdin=subprocess.DEVNULL,
            timeout=timeout_s,
            check=False,
        )


@pytest.fixture(scope="module", autouse=True)
def _one_thread() -> Iterator[None]:
    before = numba.get_num_threads()
    numba.set_num_threads(1)
    yield
    numba.set_num_threads(before)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Kept]:
    folder = tmp_path_factory.mktemp("rerun")
    pair = make_pair_with_black_and_clips(folder)
    clean = {name: value for name, value in os.environ.items() if not name.startswith(("XDG_", "PAIRDIFF_"))}
    env = {**clean, "PAIRDIFF_KEEP_DIR": str(folder / "kept"), "PYTHONPATH": str(ROOT), "COLUMNS": "120", "HOME": str(folder / "home")}
    env |= ONE_THREAD
    (folder / "elsewhere" / "deep").mkdir(parents=True)
    films = SmallPair(*(folder / "elsewhere" / "deep" / one.name for one in pair))
    found = Kept(folder, folder / "out", films, env)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PAIRDIFF_KEEP_DIR", env["PAIRDIFF_KEEP_DIR"])
        _watch_settings(patch, found)
        _pipeline.compare(*pair, settings=Settings(**QUICK), out=found.out, title=TITLE)
    for one, moved in zip(pair, films, strict=True):
        one.rename(moved)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PAIRDIFF_KEEP_DIR", env["PAIRDIFF_KEEP_DIR"])
        yield found


def _watch_settings(patch: pytest.MonkeyPatch, found: Kept) -> None:
    """Note which settings are read before everything is measured, and which to conclude from it.

    Keys name every setting, copies read them all, and the record has all of them: none of that measures anything.
    """
    plain, now = Settings.__getattribute__, [found.measuring]

    def watched(self: Settings, name: str) -> Any:
        if not name.startswith("_"):
            now[0].add(name)
        return plain(self, name)

    def within(function: Any, place: set[str]) -> Any:
        def called(*given: Any, **named: Any) -> Any:
            now[0] = place
            try:
                return function(*given, **named)
            finally:
                now[0] = found.measuring

        return called

    def unread(settings: Settings) -> dict[str, Any]:
        return {one.name: plain(settings, one.name) for one in fields(Settings)}

    def copied(record: Any, **changes: Any) -> Any:
        return Settings(**(unread(record) | changes)) if isinstance(record, Settings) else replace(record, **changes)

    patch.setattr(_pipeline, "conclude", within(_pipeline.conclude, found.concluding))
    patch.setattr(document, "write_comparison", within(document.write_comparison, set()))  # the page knows every default
    patch.setattr(_pipeline, "_key", lambda *given, **named: "a" * 32)
    for module in (_pipeline, _measured, _conclude, judge):
        patch.setattr(module, "asdict", lambda record: unread(record) if isinstance(record, Settings) else asdict(record), raising=False)
        patch.setattr(module, "replace", copied, raising=False)
    patch.setattr(Settings, "__getattribute__", watched)


def copy_of(kept: Kept, tmp_path: Path) -> Path:
    return Path(shutil.copytree(kept.out, tmp_path / "earlier"))


def tree(folder: Path) -> dict[str, bytes]:
    return {str(one.relative_to(folder)): one.read_bytes() for one in sorted(folder.rglob("*")) if one.is_file()}


# ---------------------------------------------------------------- what is stored


def test_nothing_is_measured_with_a_setting_that_needs_no_film(kept: Kept) -> None:
    limits = {one.name for one in fields(Settings) if one.metadata["group"] == "limits"}
    assert sorted(kept.measuring & (_measured.CONCLUDING - limits)) == []
    watches = {"seed", "headroom_area_share", "gamut_margin_jnd", "shadow_jnd", "clip_pile_up", "white_high_nits", "hdr_stills"}
    assert sorted(watches - kept.measuring) == []


def test_a_setting_that_is_read_only_to_conclude_sends_no_re_run_to_the_films(kept: Kept) -> None:
    assert sorted(kept.concluding - kept.measuring - _measured.CONCLUDING) == []
    assert {"headroom_clear_stops", "support_min", "room_lux"} <= kept.concluding
    assert {one.name for one in fields(Settings)} >= _measured.CONCLUDING


def test_stored_measurements_give_what_the_films_give_and_both_results_stay(kept: Kept, tmp_path: Path) -> None:
    """To the last byte of result, tables, stills and report; the films are not where they were."""
    before = tree(kept.out)
    options = [f"--{name.replace('_', '-')}={value}" for name, value in OTHER.items()]
    done = kept.run(kept.out, "--out", tmp_path / "again", *options, "--json")
    assert (done.returncode, done.stderr) == (0, "")
    assert tree(kept.out) == before
    pairdiff.compare(*kept.films, settings=Settings(**QUICK, **OTHER), out=tmp_path / "whole", title=TITLE)
    again, whole = tree(tmp_path / "again"), tree(tmp_path / "whole")
    mine, theirs = (json.loads(one["result.json"]) for one in (again, whole))
    for side in ("hdr", "sdr"):  # where a film lay when it was measured
        assert mine[side].pop("path") != theirs[side].pop("path")
    assert mine == theirs
    assert again["frames.parquet"] == whole["frames.parquet"]
    assert again["card.svg"] == whole["card.svg"]
    stills = {name for name in whole if name.startswith("stills/")}
    assert len(stills) > 10
    assert {name: again[name] for name in stills} == {name: whole[name] for name in stills}
    told = json.loads(done.stdout)
    assert (told["how"], told["state"], told["reasons"]) == ("stored", "done", [])
    figures = {one["figure"]: one for one in told["figures"]}
    assert (figures["label"]["before"], figures["label"]["after"]) == ("undetermined", "wider-range")
    assert figures["label"]["why"] == ["headroom_clear_stops 1 -> 0.5"]  # found by trying each change alone
    assert figures["headroom_stops"]["state"] == "same"
    assert figures["headroom_stops"]["why"] == []
    assert {(one["kind"], one["name"], one["before"], one["after"]) for one in told["changes"]} == {
        ("setting", "headroom_clear_stops", 1.0, 0.5),
        ("setting", "room_lux", 100.0, 20.0),
    }
    assert told["protocol"]["before"] != told["protocol"]["after"]
    assert any("headroom_clear_stops" in one for one in told["protocol"]["differs"])


def test_a_re_run_that_changes_nothing_says_so_and_shows_a_title_as_text(kept: Kept, tmp_path: Path, call: Call, capsys: Capture) -> None:
    assert call("rerun", kept.out, "--out", tmp_path / "again") == 0
    told = capsys.readouterr().out
    assert "Nothing moved: the new result is the earlier one, to the last digit" in told
    assert f"{SHOWN}: from what was measured." in told
    assert "Changed: nothing that is recorded." in told
    assert "Protocol: the same" in told
    assert not set("\x1b\x07\u202e") & set(told)
    assert (tmp_path / "again" / "result.json").read_bytes() == (kept.out / "result.json").read_bytes()


def test_figures_that_moved_say_how_far_and_a_change_that_moves_them_alone(kept: Kept, tmp_path: Path, call: Call, capsys: Capture) -> None:
    """Headroom of the brightest tenth of the film's time and of the brightest nine tenths: two settings, of which one moves it."""
    assert call("rerun", kept.out, "--out", tmp_path / "again", "--headroom-time-share", 0.9, "--room-lux", 10) == 0
    told = capsys.readouterr().out
    lines = [line for line in told.splitlines() if line.startswith("headroom_stops")]
    assert [line.split("   ")[-1].strip() for line in lines] == ["headroom_time_share 0.1 -> 0.9"]
    assert "BEYOND the interval" in lines[0]
    assert "max_cll_nits" in told.split("Not moved: ")[1]
    held = json.loads((tmp_path / "again" / "rerun.json").read_text(encoding="utf-8"))
    (figure,) = [one for one in held["figures"] if one["figure"] == "headroom_stops"]
    assert figure["after"] < figure["before_interval"][0] < figure["before"]


def test_other_libraries_are_a_reason_beside_a_setting(kept: Kept, tmp_path: Path, call: Call, capsys: Capture) -> None:
    """An earlier result whose headroom came out otherwise with another library."""
    earlier = copy_of(kept, tmp_path)
    result = json.loads((earlier / "result.json").read_text(encoding="utf-8"))
    result["run"]["versions"]["numpy"] = "1.0"
    result["headroom"]["stops"] += 0.5
    (earlier / "result.json").write_text(json.dumps(result), encoding="utf-8")
    for options, reasons in (([], []), (["--headroom-time-share", 0.9], ["headroom_time_share 0.1 -> 0.9"])):
        out = tmp_path / f"again-{len(options)}"
        assert call("rerun", earlier, "--out", out, *options) == 0
        held = json.loads((out / "rerun.json").read_text(encoding="utf-8"))
        (figure,) = [one for one in held["figures"] if one["figure"] == "headroom_stops"]
        assert figure["why"] == [f"other libraries (numpy 1.0 -> {np.__version__})", *reasons]
    assert "other libraries (numpy 1.0" in capsys.readouterr().out


# ---------------------------------------------------------------- what it takes


def test_a_dry_run_says_what_each_takes_and_does_nothing(kept: Kept, tmp_path: Path, call: Call, capsys: Capture) -> None:
    def plan(*words: object) -> str:
        assert call("rerun", kept.out, "--dry-run", *words) == 0
        return capsys.readouterr().out

    assert "from what was measured" in plan("--headroom-clear-stops", 0.5)
    gone = plan("--seed", 8)
    assert "the films are needed and are not there" in gone
    assert "films are measured with seed" in gone
    assert "seed 20260 -> 8" in gone
    assert "measured anew from the films" in plan("--seed", 8, "--look-in", kept.folder / "elsewhere")
    assert "measured anew from the films" in plan("--fresh", "--hdr", kept.films.hdr, "--sdr", kept.films.sdr)
    assert "is not the file that was measured: its hash is another one" in plan("--seed", 8, "--hdr", kept.films.sdr)
    found = json.loads(plan("--seed", 8, "--look-in", kept.folder, "--json"))["runs"]
    assert [one["plan"] for one in found] == ["files"]
    assert "nothing" not in [one.name for one in tmp_path.iterdir()]


def test_a_step_of_another_version_needs_the_films_and_rules_of_another_one_do_not(kept: Kept, tmp_path: Path) -> None:
    earlier = copy_of(kept, tmp_path)
    result = json.loads((earlier / "result.json").read_text(encoding="utf-8"))
    stored = _measured.load_measured(earlier / "measured.npz")
    wish = rerun.Wish()
    for step, state in (("verdict", "stored"), ("score", "gone"), ("scan", "gone"), ("match", "gone"), ("survey", "stored")):
        steps = {**stored.head.steps, step: 0}
        _measured.store_again(earlier / "measured.npz", replace(stored, head=replace(stored.head, steps=steps)))
        result["run"]["steps"] = steps
        (earlier / "result.json").write_text(json.dumps(result), encoding="utf-8")
        plan = rerun.make_plan(rerun.read_folder(earlier), wish)
        assert plan.state == state, step
        assert [one["name"] for one in plan.changes] == ([] if step == "survey" else [step])
        if step == "score":
            assert any(f"the step `score` is of version {_measured.STEPS['score']} now, and was of 0" in one for one in plan.reasons)


def test_a_default_that_changed_is_followed_and_a_setting_of_the_users_stays(kept: Kept, tmp_path: Path) -> None:
    earlier = copy_of(kept, tmp_path)
    result = json.loads((earlier / "result.json").read_text(encoding="utf-8"))
    described = result["run"]["settings_described"]
    result["run"]["settings"]["recovered_jnd"] = described["recovered_jnd"]["default"] = 1.5  # an earlier version's default
    result["run"]["settings"]["regraded_jnd"] = 2.0
    result["run"]["settings"]["of_an_earlier_version"] = 3
    (earlier / "result.json").write_text(json.dumps(result), encoding="utf-8")
    source = rerun.read_folder(earlier)
    plan = rerun.make_plan(source, rerun.Wish())
    assert {(one["kind"], one["name"], one["after"]) for one in plan.changes} == {
        ("default", "recovered_jnd", 1.0),
        ("setting", "of_an_earlier_version", None),
    }
    assert plan.settings is not None
    assert (plan.settings.regraded_jnd, plan.settings.recovered_jnd, plan.settings.pairs_per_shot) == (2.0, 1.0, 2)
    back = rerun.make_plan(source, rerun.make_wish({}, taken_back=["--regraded-jnd"], fresh=False, given={}, folders=()))
    assert back.settings is not None
    assert back.settings.regraded_jnd == Settings().regraded_jnd


# ---------------------------------------------------------------- what is refused


def test_what_is_no_result_half_of_one_or_of_a_later_version_is_refused(kept: Kept, tmp_path: Path, call: Call, capsys: Capture) -> None:
    earlier, out = copy_of(kept, tmp_path), tmp_path / "again"

    def refused(*words: object, code: int = 3) -> str:
        assert call("rerun", *words, "--out", out) == code
        assert not out.exists()
        return capsys.readouterr().err

    assert "result.json cannot be read" in refused(tmp_path)
    assert "result.json cannot be read" in refused(kept.films.hdr)
    (earlier / "frames.parquet").write_bytes(b"PAR1" + bytes(50))
    assert "is not there" in refused(earlier)
    (earlier / "frames.parquet").unlink()
    assert "frames.parquet is missing" in refused(earlier)
    shutil.copyfile(kept.out / "frames.parquet", earlier / "frames.parquet")
    whole = (earlier / "measured.npz").read_bytes()
    (earlier / "measured.npz").write_bytes(whole[: len(whole) // 2])
    assert "what was kept of what was measured is damaged" in refused(earlier)
    (earlier / "measured.npz").unlink()
    assert "what was measured was not kept beside the result" in refused(earlier)
    text = (earlier / "result.json").read_text(encoding="utf-8")
    (earlier / "result.json").write_text(text.replace("pairdiff-result/1", "pairdiff-result/9"), encoding="utf-8")
    assert "is not a result of this version" in refused(earlier)
    (earlier / "result.json").write_text(text[:5000], encoding="utf-8")
    assert "is damaged" in refused(earlier)


def test_tables_of_another_film_are_not_taken_for_those_that_were_measured(kept: Kept, tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    earlier = copy_of(kept, tmp_path)
    table = pq.read_table(earlier / "frames.parquet")
    place = table.column_names.index("hdr_max_nits")
    changed = np.nextafter(table.column(place).to_numpy(), 1e9)
    pq.write_table(table.set_column(place, "hdr_max_nits", [changed]), earlier / "frames.parquet")
    with pytest.raises(pairdiff.InputRefused, match=r"^Frames\.parquet does not belong to what was measured\.$"):
        pairdiff.conclude_again(earlier, settings=Settings(**QUICK), title="x")


def test_what_was_measured_of_other_films_is_not_taken_for_the_results_own(kept: Kept, tmp_path: Path) -> None:
    earlier = copy_of(kept, tmp_path)
    document = json.loads((earlier / "result.json").read_text(encoding="utf-8"))
    films = [document[side]["file_id"] for side in ("hdr", "sdr")]
    pairdiff.conclude_again(earlier, settings=Settings(**QUICK), title="x", films=films)
    with pytest.raises(pairdiff.InputRefused, match="of other films than the result"):
        pairdiff.conclude_again(earlier, settings=Settings(**QUICK), title="x", films=films[::-1])


def test_a_result_that_came_into_the_folder_since_is_not_written_over(kept: Kept, tmp_path: Path, call: Call) -> None:
    earlier, out = copy_of(kept, tmp_path), tmp_path / "again"
    assert call("rerun", earlier, "--out", out, "--support-min", "0.5") == 0
    text = (out / "result.json").read_text(encoding="utf-8")
    other = re.sub(r'"file_id": "[^"]+"', '"file_id": "sha256-sampled:1:00"', text)
    assert other != text
    (out / "result.json").write_text(other, encoding="utf-8")
    assert call("rerun", earlier, "--out", out, "--support-min", "0.5") == 5
    assert (out / "result.json").read_text(encoding="utf-8") == other


def test_records_that_no_measurement_makes_send_a_re_run_to_the_films(kept: Kept, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whole files whose numbers do not go together: a pair of which the seconds are missing, no look, no matched frame."""
    import pairdiff._stored as stored

    for fault in (IndexError, ZeroDivisionError, ValueError, KeyError):
        monkeypatch.setattr(stored, "conclude_stored", lambda *_, fault=fault, **__: [][0] if fault is IndexError else _raise(fault))
        with pytest.raises(pairdiff.InputRefused, match="damaged"):
            pairdiff.conclude_again(copy_of(kept, tmp_path / fault.__name__), settings=Settings(**QUICK), title="x")


def test_a_small_file_that_unpacks_to_more_than_any_measurement_is_not_unpacked(kept: Kept, tmp_path: Path) -> None:
    earlier = copy_of(kept, tmp_path)
    with zipfile.ZipFile(earlier / "measured.npz", "w", zipfile.ZIP_DEFLATED) as packed, packed.open("head.npy", "w") as one:
        for _ in range(600):
            one.write(bytes(2**20))
    assert (earlier / "measured.npz").stat().st_size < 2**20
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert pairdiff.check_stored(earlier, settings=Settings(**QUICK)).reasons == ("what was kept of what was measured is damaged",)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100_000, "kilobytes"
    (earlier / "measured.npz").unlink()
    os.mkfifo(earlier / "measured.npz")
    assert pairdiff.check_stored(earlier, settings=Settings(**QUICK)).reasons == ("what was kept of what was measured is damaged",)


def _raise(fault: type[Exception]) -> None:
    raise fault("spoilt")


def test_options_that_do_not_go_together_are_refused(kept: Kept, tmp_path: Path, call: Call, capsys: Capture) -> None:
    for words, told in (
        ((), "Nothing was named to work out again"),
        ((kept.out,), "name a folder with --out"),
        ((kept.out, "--shelf"), "is one result"),
        ((kept.out, "--archive", tmp_path), "found it without --keep"),
        (("--shelf", "--keep"), "--keep, --hdr and --sdr are for the folder of a result"),
        ((kept.out, "--take-back", "regarded-jnd", "--dry-run"), "did you mean 'regraded_jnd'?"),
        ((kept.out, "--take-back", "seed", "--seed", 3, "--dry-run"), "both stated and taken back"),
        ((kept.out, "--look-in", tmp_path / "none", "--dry-run"), "is not a folder"),
        ((kept.out, "--headroom-clear-stops", "-1", "--dry-run"), "expected a number from 0 to 20"),
    ):
        assert call("rerun", *words) == 2, words
        assert told in capsys.readouterr().err


def test_no_result_is_written_over(kept: Kept, tmp_path: Path, call: Call, capsys: Capture) -> None:
    other = copy_of(kept, tmp_path)
    before = tree(other)
    assert call("rerun", kept.out, "--out", other, "--room-lux", 30) == 5
    assert "holds another result, and none is written over" in capsys.readouterr().err
    assert call("rerun", other, "--out", tmp_path / "x" / ".." / "earlier") == 5
    assert "holds the earlier result, which stays as it is" in capsys.readouterr().err
    assert call("rerun", other, "--out", other / "stills" / "again") == 5
    assert "lies within the earlier result" in capsys.readouterr().err
    assert tree(other) == before


# ---------------------------------------------------------------- a shelf


@pytest.fixture
def shelf(kept: Kept, titles: Titles, tmp_path: Path) -> Path:
    """An archive of three runs: one that was measured here, one whose films are gone, one that is damaged."""
    archive = tmp_path / "archive"
    pairdiff.keep(kept.out, archive=archive, edition="4K disc", year=1982, with_report=True)
    pairdiff.keep(titles.write(tmp_path / "gone", 1), archive=archive)
    spoilt = pairdiff.keep(titles.write(tmp_path / "spoilt", 2), archive=archive)
    found = find_archive(archive)
    assert found is not None
    (found.runs / spoilt.run / "result.json.gz").write_bytes(b"no gzip")
    return archive


def test_a_shelf_is_gone_over_and_what_cannot_be_redone_stops_nothing(
    kept: Kept, shelf: Path, tmp_path: Path, call: Call, capsys: Capture
) -> None:
    words = ("--archive", shelf, "--out", tmp_path / "again", "--headroom-clear-stops", 0.5)
    assert call("rerun", *words, "--dry-run") == 0
    dry = capsys.readouterr().out
    assert all(one in dry for one in ("from what was measured", "the films are needed and are not there", "it is damaged"))
    assert not (tmp_path / "again").exists()
    done = kept.run(*words)
    assert done.returncode == 7, done.stderr
    lines = done.stdout.splitlines()
    assert lines[1].startswith(SHOWN)
    assert "undetermined -> wider-range" in lines[1]
    assert "Runs: 1 done, 1 gone, 1 damaged, 1 from stored, 1 labels changed." in done.stdout
    assert "both stay listed" in done.stdout
    assert not set("\x1b\x07\u202e") & set(done.stdout + done.stderr)
    rows = {row["title"]: row for row in pairdiff.open_shelf(shelf).list_runs(where=["label=wider-range", "year=1982"]).rows}
    (new,) = rows.values()
    (old,) = pairdiff.open_shelf(shelf).list_runs(where=["label=undetermined", "year=1982"]).rows
    assert (new["redoes"], new["edition"], new["report"], old["redoes"]) == (old["run"], "4K disc", True, None)
    assert new["protocol"] != old["protocol"]
    # the same once more: nothing is done twice, and what was done is still told
    again = tree(tmp_path / "again")
    assert call("rerun", *words) == 7
    told = capsys.readouterr()
    assert "Runs: 1 done, 1 gone, 1 damaged, 1 up to date, 1 from stored, 1 labels changed." in told.out
    assert "is done" in told.err
    summary = json.loads((tmp_path / "again" / "reruns.json").read_text(encoding="utf-8"))
    assert summary["runs"][0]["figures"][0]["why"] == ["headroom_clear_stops 1 -> 0.5"]
    after = tree(tmp_path / "again")
    assert {name for name in again if again[name] != after[name]} == {"reruns.json"}
    assert len(pairdiff.open_shelf(shelf).list_runs().rows) == 4
    # an experiment does not put itself in the place of the run that it was made from: that stands back where both come to the same
    dry = ("--archive", shelf, "--dry-run", "--where", "year=1982", "--support-min", 0.1)
    assert call("rerun", *dry) == 0
    assert "was redone before" not in capsys.readouterr().out
    assert call("rerun", *dry, "--headroom-clear-stops", 0.5) == 0
    assert "was redone before" in capsys.readouterr().out


@pytest.mark.slow
def test_a_run_taken_away_meanwhile_and_one_kept_meanwhile_disturb_nothing(
    kept: Kept, shelf: Path, titles: Titles, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain, found = rerun.read_archived, find_archive(shelf)
    assert found is not None

    def meddled(archive: Any, row: dict[str, Any]) -> Any:
        if row["year"] is None and (found.runs / row["run"]).is_dir():
            shutil.rmtree(found.runs / row["run"])
            pairdiff.keep(titles.write(tmp_path / f"new-{row['run']}", 5 + len(list(tmp_path.iterdir()))), archive=shelf)
        return plain(archive, row)

    monkeypatch.setattr(rerun, "read_archived", meddled)
    summary = rerun.redo_shelf(shelf, tmp_path / "again", rerun.Wish({"room_lux": 30.0}))
    assert (summary["counts"]["done"], summary["counts"]["damaged"]) == (1, 2)
    assert len(pairdiff.open_shelf(shelf).list_runs().rows) == 4


def test_a_re_run_of_a_folder_is_kept_beside_the_earlier_run(kept: Kept, shelf: Path, tmp_path: Path, call: Call, capsys: Capture) -> None:
    words = ("rerun", kept.out, "--out", tmp_path / "again", "--keep", "--archive", shelf)
    assert call(*words, "--room-lux", 30) == 0
    assert ", which redoes " in capsys.readouterr().out
    rows = pairdiff.open_shelf(shelf).list_runs(where=["year=1982"]).rows
    assert sorted(row["redoes"] is None for row in rows) == [False, True]
    assert call("rerun", kept.out, "--out", tmp_path / "same", "--keep", "--archive", shelf) == 0
    assert "it is the same run as the earlier one" in capsys.readouterr().out
    assert len(pairdiff.open_shelf(shelf).list_runs(where=["year=1982"]).rows) == 2


def test_a_run_whose_report_was_not_kept_is_redone_without_stills(kept: Kept, tmp_path: Path, call: Call) -> None:
    folder, archive = copy_of(kept, tmp_path), tmp_path / "archive"
    pairdiff.keep(folder, archive=archive)
    shutil.rmtree(folder)
    assert call("rerun", "--archive", archive, "--out", tmp_path / "again", "--room-lux", 30) == 0
    (new,) = [one for one in (tmp_path / "again").iterdir() if one.is_dir()]
    assert (new / "report.html").stat().st_size > 100_000
    assert list((new / "stills").iterdir()) == []


def test_of_stills_of_which_some_are_gone_the_others_are_shown(kept: Kept, tmp_path: Path, call: Call) -> None:
    folder = copy_of(kept, tmp_path)
    index = json.loads((folder / "stills" / "index.json").read_text(encoding="utf-8"))
    first, second = index["moments"][:2]
    gone = [next(one for one in first["pictures"] if one["name"] == "difference"), *second["pictures"]]
    for one in gone:
        (folder / "stills" / one["file"]).unlink()
    assert call("rerun", folder, "--out", tmp_path / "again", "--room-lux", 30) == 0
    found = json.loads((tmp_path / "again" / "stills" / "index.json").read_text(encoding="utf-8"))
    assert len(found["moments"]) == len(index["moments"]) - 1
    assert [one["name"] for one in found["moments"][0]["pictures"]] == [
        one["name"] for one in first["pictures"] if one["name"] != "difference"
    ]
    names = {path.name for path in (tmp_path / "again" / "stills").iterdir()} - {"index.json"}
    assert names == {one["file"] for moment in found["moments"] for one in moment["pictures"]}
    page = (tmp_path / "again" / "report.html").read_text(encoding="utf-8")
    assert page.count("<article") == len(found["moments"])
    assert f"{len(gone)} pictures were not among the stills of the earlier result any more" in page


# ---------------------------------------------------------------- from the films


@pytest.mark.slow
def test_moved_films_are_measured_anew_with_kept_passes_and_give_what_a_comparison_gives(kept: Kept, tmp_path: Path) -> None:
    done = kept.run(kept.out, "--out", tmp_path / "again", "--look-in", kept.folder / "elsewhere", "--white-high-nits", 200, "--json")
    assert done.returncode == 0, done.stderr
    assert "measure the HDR release" not in done.stderr  # the pass was kept
    pairdiff.compare(*kept.films, settings=Settings(**QUICK, white_high_nits=200.0), out=tmp_path / "whole", title=TITLE)
    assert tree(tmp_path / "again")["result.json"] == tree(tmp_path / "whole")["result.json"]
    told = json.loads(done.stdout)
    assert (told["how"], told["reasons"]) == ("files", ["films are measured with white_high_nits"])
    moved = next(one for one in told["figures"] if one["state"] != "same")
    assert moved["why"] == ["white_high_nits 300 -> 200", "measured anew (films are measured with white_high_nits)"]


@pytest.mark.slow
def test_a_re_run_that_was_stopped_goes_on(kept: Kept, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    pairdiff.keep(kept.out, archive=archive)
    words = ["--archive", archive, "--out", tmp_path / "again", "--look-in", kept.folder / "elsewhere", "--seed", 9]
    command = [sys.executable, "-m", "pairdiff", "rerun", *map(str, words)]
    with subprocess.Popen(command, env=kept.env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as begun:
        assert begun.stderr is not None
        for line in begun.stderr:
            if "score the pairs" in line:
                begun.send_signal(signal.SIGINT)
                break
        begun.stderr.read()
    assert begun.returncode == 130
    assert len(pairdiff.open_shelf(archive).list_runs().rows) == 1
    done = kept.run(*words)
    assert done.returncode == 0, done.stderr
    assert "Runs: 1 done, 1 from files" in done.stdout
    assert len(pairdiff.open_shelf(archive).list_runs().rows) == 2


@pytest.mark.slow
def test_a_re_run_that_was_killed_leaves_nothing_at_work_and_goes_on(kept: Kept, tmp_path: Path) -> None:
    words = [kept.out, "--out", tmp_path / "again", "--look-in", kept.folder / "elsewhere", "--seed", 10]
    command = [sys.executable, "-m", "pairdiff", "rerun", *map(str, words)]
    with subprocess.Popen(command, env=kept.env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as begun:
        assert begun.stderr is not None
        for line in begun.stderr:
            if "fit the SDR set" in line:
                begun.kill()
                break
    time.sleep(3)
    assert not (tmp_path / "again" / "result.json").exists()
    done = kept.run(*words)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "again" / "report.html").is_file()


@pytest.mark.slow
def test_a_survey_is_concluded_again_as_long_as_it_would_stop_at_the_same_look(kept: Kept, tmp_path: Path) -> None:
    """One that is settled at its first look, and one that takes the second: both ways the films would have given the same."""
    films = loop_kinds(encode_kinds(tmp_path, [make_scene(number) for number in range(8)]), times=27)
    first: dict[str, Any] = {"hdr_stills": "none", "displays": "lcd-dim"}
    second = first | {"support_min": 1.0, "headroom_clear_stops": 2.55, "threshold_spread": 0.3}
    for name, settings in (
        ("first", first),
        ("first-other", first | OTHER),
        ("second", second),
        ("second-other", second | {"regraded_jnd": 3.0}),
    ):
        found = pairdiff.compare(films.hdr, films.sdr, survey=True, out=tmp_path / name, title="S", settings=Settings(**settings))
        assert found.coverage.survey is not None
        assert found.coverage.survey.looks == (1 if name.startswith("first") else 2), name
    for name, settings in (("first", first | OTHER), ("second", second | {"regraded_jnd": 3.0})):
        pairdiff.conclude_again(tmp_path / name, settings=Settings(**settings), title="S", out=tmp_path / f"{name}-again")
        assert tree(tmp_path / f"{name}-again")["result.json"] == tree(tmp_path / f"{name}-other")["result.json"]
    with pytest.raises(pairdiff.InputRefused, match=r"^The survey would go on with another look\.$"):
        pairdiff.conclude_again(tmp_path / "first", settings=Settings(**second), title="S")
    with pytest.raises(pairdiff.InputRefused, match=r"^The survey would have stopped at an earlier look\.$"):
        pairdiff.conclude_again(tmp_path / "second", settings=Settings(**first), title="S")
    # a re-run goes to the films by itself then
    wish = rerun.Wish({name: second[name] for name in ("support_min", "headroom_clear_stops", "threshold_spread")})
    outcome = rerun.redo_folder(tmp_path / "first", tmp_path / "by-films", wish)
    assert (outcome["how"], outcome["reasons"]) == ("files", ["The survey would go on with another look"])
    assert tree(tmp_path / "by-films")["result.json"] == tree(tmp_path / "second")["result.json"]


@pytest.mark.slow
def test_a_film_that_was_scored_in_full_is_concluded_again_in_full(kept: Kept, tmp_path: Path) -> None:
    settings = Settings(**{**QUICK, "displays": "lcd-dim"})
    pairdiff.compare(*kept.films, settings=settings, out=tmp_path / "full", title="Full", full=True)
    pairdiff.compare(*kept.films, settings=replace(settings, recovered_jnd=3.0), out=tmp_path / "whole", title="Full", full=True)
    pairdiff.conclude_again(tmp_path / "full", settings=replace(settings, recovered_jnd=3.0), title="Full", out=tmp_path / "again")
    assert tree(tmp_path / "again")["result.json"] == tree(tmp_path / "whole")["result.json"]
