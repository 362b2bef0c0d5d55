"""A batch on real clips: what fails stops no other, what is done is known again, what was stopped goes on."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, NamedTuple

import psutil
import pytest

import pairdiff
from pairdiff import _cli
from pairdiff.shelf import batch
from pairdiff.shelf.listing import TITLE_SHOWN, pad_columns, text_width
from pairdiff.shelf.manifest import Manifest, Pair, read_manifest
from tests.small_clips import SmallPair

ROOT = Path(__file__).resolve().parents[2]
POSIX = pytest.mark.skipif(os.name != "posix", reason="signals are POSIX")
HOSTILE = '../../\\"CON\\". \\u202Egpj.exe \\u05D0'
TITLES = ("First", "Swapped", "Killed", "Orphan", HOSTILE)
MANIFEST = f"""
[defaults]
seed = 7
hdr_stills = "none"
[[pair]]
title = "First"
hdr = "hdr.mkv"
sdr = "sdr.mkv"
year = 1982
[[pair]]
title = "Swapped"
hdr = "sdr.mkv"
sdr = "hdr.mkv"
[[pair]]
title = "Killed"
hdr = "killed.mkv"
sdr = "sdr.mkv"
[[pair]]
title = "Orphan"
hdr = "orphan.mkv"
sdr = "sdr.mkv"
[[pair]]
title = "{HOSTILE}"
hdr = "hdr.mkv"
sdr = "sdr.mkv"
edition = "\\"quoted\\""
"""
# What a lack of memory does, to the process that decodes and to the one that watches it; through Python's own start-up hook.
HOOK = """
import os, signal
if os.environ.get("PAIRDIFF_BEAT_FILE"):
    from pairdiff import _beat
    plain = _beat._Writer.begin
    def begin(self, what):
        plain(self, what)
        if "killed.mkv near" in what:
            os.kill(os.getpid(), signal.SIGKILL)
        if "orphan.mkv near" in what:
            os.kill(os.getppid(), signal.SIGKILL)
            signal.pause()
    _beat._Writer.begin = begin
"""
STAND_IN = """
import json, pathlib, sys
here = pathlib.Path(__file__).parent
with open(here / "asked.jsonl", "a") as file:
    file.write(json.dumps(sys.argv[1:]) + "\\n")
if (here / "refuse").exists():
    print("pairdiff: The archive is of a later version.", file=sys.stderr)
    sys.exit(5)
"""


class Shelf(NamedTuple):
    """A folder with films, and what a batch over it came to."""

    folder: Path
    env: dict[str, str]
    done: subprocess.CompletedProcess[str]

    @property
    def out(self) -> Path:
        return self.folder / "out"

    @property
    def manifest(self) -> Manifest:
        return read_manifest(self.folder / "shelf.toml")


def environment(folder: Path) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("XDG_", "PAIRDIFF_"))}
    return {**kept, "PAIRDIFF_KEEP_DIR": str(folder / "kept"), "PYTHONPATH": os.pathsep.join([str(folder), str(ROOT)]), "COLUMNS": "120"}


def command(*words: object) -> list[str]:
    return [sys.executable, "-m", "pairdiff", "batch", *map(str, words)]


def run(env: dict[str, str], *words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(command(*words), env=env, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=400, check=False)


def tree(folder: Path) -> dict[str, tuple[int, int]]:
    return {str(path.relative_to(folder)): (path.stat().st_size, path.stat().st_mtime_ns) for path in folder.rglob("*")}


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory, small_pair: SmallPair) -> Shelf:
    """Five pairs, of which one is refused, one is killed, and one loses the process that watches it."""
    folder = tmp_path_factory.mktemp("shelf")
    for name in ("hdr.mkv", "killed.mkv", "orphan.mkv"):
        shutil.copyfile(small_pair.hdr, folder / name)
    shutil.copyfile(small_pair.sdr, folder / "sdr.mkv")
    (folder / "shelf.toml").write_text(MANIFEST, encoding="utf-8")
    (folder / "sitecustomize.py").write_text(HOOK, encoding="utf-8")
    env = environment(folder)
    dry = run(env, folder / "shelf.toml", "--out", folder / "out", "--dry-run")
    assert dry.returncode == 0, dry.stderr
    assert dry.stdout.count("would be measured") == 5
    assert not (folder / "out").exists()
    return Shelf(folder, env, run(env, folder / "shelf.toml", "--out", folder / "out"))


@pytest.fixture
def copied(shelf: Shelf, tmp_path: Path) -> Shelf:
    """The same, to be changed; its films are those of the first."""
    for name in ("hdr.mkv", "killed.mkv", "orphan.mkv", "sdr.mkv", "shelf.toml"):
        shutil.copy2(shelf.folder / name, tmp_path / name)
    shutil.copytree(shelf.out, tmp_path / "out", copy_function=shutil.copy2)
    return Shelf(tmp_path, environment(tmp_path), shelf.done)


# ---------------------------------------------------------------- one failure stops no other


@POSIX
def test_what_fails_is_listed_with_its_message_and_the_rest_is_done(shelf: Shelf) -> None:
    assert shelf.done.returncode == 7, shelf.done.stderr
    summary = json.loads((shelf.out / "summary.json").read_text(encoding="utf-8"))
    assert summary["counts"] == {"done": 2, "failed": 3, "interrupted": 0, "not_begun": 0, "not_kept": 0}
    first, swapped, killed, orphan, hostile = summary["pairs"]
    assert [one["state"] for one in summary["pairs"]] == ["done", "failed", "failed", "failed", "done"]
    assert (swapped["exit_code"], "look swapped" in swapped["message"]) == (3, True)
    assert killed["exit_code"] == 3
    assert "signal 9, SIGKILL" in killed["message"]
    assert "killed.mkv near" in killed["message"]
    assert orphan["exit_code"] == 128 + signal.SIGKILL
    assert "ended from outside (signal 9, SIGKILL)" in orphan["message"]
    assert all(one["figures"]["label"] == "sdr-in-hdr-container" for one in (first, hostile))
    for one in (swapped, killed, orphan):
        assert one["message"] in shelf.done.stdout
        assert f"exit code {one['exit_code']}" in shelf.done.stdout
        assert not (shelf.out / one["folder"] / "result.json").exists()
    assert "Failed: 3, not kept: 0, done: 2." in shelf.done.stderr
    assert "Traceback" not in shelf.done.stderr


def test_each_folder_holds_a_result_as_compare_writes_it(shelf: Shelf) -> None:
    first = shelf.manifest.pairs[0]
    document = json.loads((shelf.out / first.folder / "result.json").read_text(encoding="utf-8"))
    assert document["title"] == "First"
    assert document["run"]["settings"]["seed"] == 7
    outcome = json.loads((shelf.out / first.folder / "outcome.json").read_text(encoding="utf-8"))
    assert outcome["files"] == {side: document[side]["file_id"] for side in ("hdr", "sdr")}
    assert outcome["figures"]["headroom_stops"] == document["headroom"]["stops"]
    assert outcome["words"] == {"year": 1982}


def test_nothing_is_written_outside_the_folder_whatever_a_title_says(shelf: Shelf) -> None:
    names = {path.name for path in shelf.out.iterdir()}
    assert names == {"summary.json", ".batch.lock", *(pair.folder for pair in shelf.manifest.pairs)}
    assert {path.name for path in shelf.folder.iterdir()} >= {"out", "kept", "shelf.toml"}
    assert not [path for path in shelf.folder.parent.iterdir() if "CON" in path.name]


def test_progress_says_which_pair_of_how_many_and_what_it_does(shelf: Shelf) -> None:
    lines = shelf.done.stderr.splitlines()
    assert "pairdiff: pair 1 of 5: First" in lines
    assert "pairdiff: 1/5 measure the HDR release" in lines
    assert any(line.startswith("pairdiff: pair 5 of 5: done: SDR picture in an HDR container, 0:0") for line in lines)
    assert "\N{RIGHT-TO-LEFT OVERRIDE}" not in shelf.done.stdout + shelf.done.stderr


# ---------------------------------------------------------------- what is done is not done again


@POSIX
def test_a_second_call_measures_only_what_failed(copied: Shelf) -> None:
    (copied.folder / "other").mkdir()
    moved = copied.folder / "other" / "renamed.mkv"
    shutil.move(copied.folder / "hdr.mkv", moved)  # another place and time: the same file
    os.utime(moved)
    (copied.folder / "shelf.toml").write_text(MANIFEST.replace('"hdr.mkv"', f'"{moved}"').replace("1982", "1983"), encoding="utf-8")
    before = tree(copied.out)
    done = run(copied.env, copied.folder / "shelf.toml", "--out", copied.out, "--only", "First", "--only", "Swapped")
    assert done.returncode == 7, done.stderr
    assert "1/2 " not in done.stderr
    assert "pairdiff: pair 1 of 2: was there: done: SDR picture in an HDR container" in done.stderr
    assert "pairdiff: 2/2 read what the releases say" in done.stderr
    assert "Pairs of those asked for: 1 done, 1 failed." in done.stdout
    after = tree(copied.out)
    result = f"{copied.manifest.pairs[0].folder}/result.json"
    assert after[result] == before[result]
    summary = json.loads((copied.out / "summary.json").read_text(encoding="utf-8"))
    assert [one["state"] for one in summary["pairs"]] == ["done", "failed", "failed", "failed", "done"]
    assert summary["pairs"][0]["words"] == {"year": 1983}


def test_a_release_that_is_not_at_hand_takes_nothing_from_what_was_found(copied: Shelf) -> None:
    """A drive that went away between the check of the manifest and the pair's turn: the next call finds the pair done."""
    film, away, pair = copied.folder / "hdr.mkv", copied.folder / "away.mkv", copied.manifest.pairs[0]
    shutil.move(film, away)
    before = tree(copied.out / pair.folder)
    outcome = batch.run_pair(asdict(pair), copied.out)
    assert (outcome["state"], outcome["exit_code"]) == ("failed", 3)
    assert outcome["message"].endswith("What an earlier call found stays where it is.")
    assert tree(copied.out / pair.folder) == before
    shutil.move(away, film)
    assert batch.run_pair(asdict(pair), copied.out)["state"] == "done"


def test_what_was_found_of_other_films_is_told_of_none(copied: Shelf) -> None:
    """The manifest names another film for a pair that is done: it is not begun, where it is not asked for as well."""
    (copied.folder / "another.mkv").write_bytes((copied.folder / "hdr.mkv").read_bytes() + b"\0")
    text = MANIFEST.replace('"hdr.mkv"', '"another.mkv"', 1)
    (copied.folder / "shelf.toml").write_text(text, encoding="utf-8")
    done = run(copied.env, copied.folder / "shelf.toml", "--out", copied.out, "--only", "Swapped")
    states = [one["state"] for one in json.loads((copied.out / "summary.json").read_text(encoding="utf-8"))["pairs"]]
    assert states == ["not begun", "failed", "failed", "failed", "done"]
    assert "First" not in done.stdout.split("Pairs of those asked for")[0]
    changed = copied.manifest.pairs[0]
    (copied.folder / "another.mkv").unlink()
    told = batch.run_pair(asdict(changed), copied.out)  # it went away behind the check of the manifest
    assert (told["state"], "does not exist" in told["message"], "stays" in told["message"]) == ("failed", True, False)


def test_a_dry_run_says_what_would_be_done_and_writes_nothing(copied: Shelf) -> None:
    before = tree(copied.folder)
    done = run(copied.env, copied.folder / "shelf.toml", "--out", copied.out, "--dry-run", "--json")
    assert done.returncode == 0
    plans = [one["plan"] for one in json.loads(done.stdout)["pairs"]]
    assert plans == ["is done already", *["failed before; would be tried again"] * 3, "is done already"]
    assert tree(copied.folder) == before


def change_byte(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


CHANGES: dict[str, tuple[bool, Callable[[Shelf, Pair], Pair]]] = {
    "nothing": (True, lambda shelf, pair: pair),
    "a limit": (True, lambda shelf, pair: replace(pair, settings={**pair.settings, "memory_limit_gib": 3.0})),
    "a default written down": (True, lambda shelf, pair: replace(pair, settings={**pair.settings, "max_pairs": 240})),
    "the edition": (True, lambda shelf, pair: replace(pair, words={"edition": "other"})),
    "a setting": (False, lambda shelf, pair: replace(pair, settings={**pair.settings, "max_pairs": 239})),
    "an option": (False, lambda shelf, pair: replace(pair, options={"full": True})),
    "all bytes hashed": (False, lambda shelf, pair: replace(pair, options={"hash": True})),
    "a byte of a film": (False, lambda shelf, pair: change_byte(shelf.folder / "hdr.mkv") or pair),
    "no report": (False, lambda shelf, pair: (shelf.out / pair.folder / "report.html").unlink() or pair),
    "no result": (False, lambda shelf, pair: (shelf.out / pair.folder / "result.json").unlink() or pair),
    "half a result": (False, lambda shelf, pair: os.truncate(shelf.out / pair.folder / "result.json", 5000) or pair),
    "half an outcome": (False, lambda shelf, pair: os.truncate(shelf.out / pair.folder / "outcome.json", 200) or pair),
}


@pytest.mark.parametrize("what", CHANGES)
def test_a_result_is_taken_for_the_same_files_settings_and_version_alone(copied: Shelf, what: str) -> None:
    is_there, change = CHANGES[what]
    pair = change(copied, copied.manifest.pairs[0])
    assert (batch.find_done(pair, copied.out) is not None) is is_there


def test_a_result_of_another_version_is_not_taken(copied: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    pair = copied.manifest.pairs[0]
    assert batch.find_done(pair, copied.out) is not None
    monkeypatch.setitem(vars(pairdiff), "__version__", "99.0")
    assert batch.find_done(pair, copied.out) is None


def test_a_film_that_has_gone_is_a_failure_of_its_pair(copied: Shelf) -> None:
    pair = copied.manifest.pairs[0]
    (copied.folder / "hdr.mkv").unlink()
    found = batch.run_pair(asdict(pair), copied.out)
    assert (found["state"], found["exit_code"]) == ("failed", 3)
    assert "hdr.mkv does not exist" in found["message"]


def test_a_fault_of_our_own_is_a_failure_of_its_pair(copied: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    plain = batch.find_done

    def spoilt(pair: Pair, out: Path) -> Any:
        return 1 // 0 if pair.title == "First" else plain(pair, out)

    monkeypatch.setattr(batch, "find_done", spoilt)
    summary = batch.run_batch(copied.manifest, copied.out, only=("First", copied.manifest.pairs[-1].title))
    assert (summary["counts"]["done"], summary["counts"]["failed"]) == (1, 1)
    assert summary["pairs"][0]["exit_code"] == 1
    assert "ZeroDivisionError" in summary["pairs"][0]["message"]


def test_a_file_in_the_place_of_a_folder_is_a_failure_of_its_pair(copied: Shelf) -> None:
    pair = copied.manifest.pairs[0]
    shutil.rmtree(copied.out / pair.folder)
    (copied.out / pair.folder).write_text("in the way")
    found = batch.run_pair(asdict(pair), copied.out)
    assert (found["state"], found["exit_code"]) == ("failed", 5)
    assert pair.folder in found["message"]


@pytest.mark.slow
def test_a_pair_run_elsewhere_from_json_has_the_same_outcome_but_for_times(
    shelf: Shelf, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", shelf.env["PAIRDIFF_KEEP_DIR"])
    entry = json.loads(json.dumps(asdict(shelf.manifest.pairs[0])))
    with ProcessPoolExecutor(1) as pool:
        found = pool.submit(batch.run_pair, entry, tmp_path).result(timeout=300)
    here = json.loads((shelf.out / entry["folder"] / "outcome.json").read_text(encoding="utf-8"))
    assert {name: value for name, value in found.items() if name != "times"} == {name: here[name] for name in here if name != "times"}
    assert found["times"] != here["times"]


# ---------------------------------------------------------------- the archive


@pytest.fixture
def archive(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A stand-in for `pairdiff keep`, which writes down what it was asked."""
    folder = tmp_path_factory.mktemp("archive")
    (folder / "keep.py").write_text(STAND_IN, encoding="utf-8")
    monkeypatch.setattr(batch, "KEEP", (sys.executable, str(folder / "keep.py")))
    return folder


def asked(archive: Path) -> list[list[str]]:
    path = archive / "asked.jsonl"
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def with_keep(shelf: Shelf, text: str = MANIFEST) -> Manifest:
    (shelf.folder / "shelf.toml").write_text(text.replace("seed = 7", "seed = 7\nkeep = true\narchive = 'archive'"), encoding="utf-8")
    return shelf.manifest


def test_what_is_done_is_handed_on_to_the_archive_once(copied: Shelf, archive: Path) -> None:
    manifest, only = with_keep(copied), ("First",)
    assert [one["plan"] for one in batch.plan_batch(manifest, copied.out, only=only)] == [
        "is done already; would be handed on to the archive"
    ]
    for _ in range(2):
        summary = batch.run_batch(manifest, copied.out, only=only)
        assert batch.exit_code_of(summary) == 0
    folder = copied.out / manifest.pairs[0].folder
    assert asked(archive) == [[f"--archive={copied.folder / 'archive'}", "--year=1982", "--", str(folder)]]
    assert [one["plan"] for one in batch.plan_batch(manifest, copied.out, only=only)] == ["is done already"]
    changed = with_keep(copied, MANIFEST.replace("1982", "1983"))  # words that were put right reach it as well
    batch.run_batch(changed, copied.out, only=only)
    assert asked(archive)[1][1] == "--year=1983"
    taken_back = with_keep(copied, MANIFEST.replace("year = 1982", 'notes = "Seen twice."'))
    batch.run_batch(taken_back, copied.out, only=only)
    assert asked(archive)[2][1:3] == ["--year=0", "--notes=Seen twice."]


def test_what_the_archive_refuses_stays_done_and_is_handed_on_again(copied: Shelf, archive: Path) -> None:
    manifest, only = with_keep(copied), ("First",)
    (archive / "refuse").touch()
    summary = batch.run_batch(manifest, copied.out, only=only)
    assert summary["counts"] == {"done": 1, "failed": 0, "interrupted": 0, "not_begun": 0, "not_kept": 1}
    assert batch.exit_code_of(summary) == 7
    words = batch.summary_in_words(summary, out=copied.out)
    assert "First: not kept, exit code 5: The archive is of a later version." in words
    assert "Swapped: exit code 3" in words
    assert "Swapped: exit code 3" not in batch.summary_in_words(summary, out=copied.out, only=only)
    (archive / "refuse").unlink()
    assert batch.exit_code_of(batch.run_batch(manifest, copied.out, only=only)) == 0
    assert len(asked(archive)) == 2


def test_what_failed_is_not_handed_on(copied: Shelf, archive: Path) -> None:
    batch.run_batch(with_keep(copied), copied.out, only=("Swapped",))
    assert asked(archive) == []


# ---------------------------------------------------------------- stopped and gone on with


@pytest.fixture
def two(tmp_path: Path, small_pair: SmallPair) -> Iterator[tuple[Path, dict[str, str]]]:
    """A manifest of two pairs that nothing is known of; what is left of a test ends with it."""
    pair = f"hdr = '{small_pair.hdr}'\nsdr = '{small_pair.sdr}'\n"
    text = f"[defaults]\nhdr_stills = 'none'\n[[pair]]\ntitle = 'One'\n{pair}[[pair]]\ntitle = 'Two'\n{pair}"
    (tmp_path / "shelf.toml").write_text(text, encoding="utf-8")
    before = set(psutil.Process().children(recursive=True))
    yield tmp_path, environment(tmp_path)
    for one in set(psutil.Process().children(recursive=True)) - before:
        one.kill()


def start_until(env: dict[str, str], folder: Path, line: str) -> tuple[subprocess.Popen[str], list[psutil.Process]]:
    """A batch that has come to a line of its progress, and the processes that it started."""
    started = subprocess.Popen(
        command(folder / "shelf.toml", "--out", folder / "out"), env=env, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert started.stderr is not None
    for told in started.stderr:
        if told.strip() == line:
            return started, psutil.Process(started.pid).children(recursive=True)
    pytest.fail(f"the batch ended before {line!r}")


def wait_gone(processes: list[psutil.Process]) -> list[psutil.Process]:
    return [one for one in psutil.wait_procs(processes, timeout=20)[1] if one.status() != psutil.STATUS_ZOMBIE]


def plans(env: dict[str, str], folder: Path) -> list[str]:
    done = run(env, folder / "shelf.toml", "--out", folder / "out", "--dry-run", "--json")
    return [one["plan"] for one in json.loads(done.stdout)["pairs"]]


@pytest.mark.slow
@POSIX
def test_a_batch_that_was_stopped_goes_on_where_it_was(two: tuple[Path, dict[str, str]]) -> None:
    """First killed without a word, then interrupted as by Ctrl-C, then left to its end."""
    folder, env = two
    killed, workers = start_until(env, folder, "pairdiff: 1/2 match the frames")
    assert len(workers) == 2
    killed.kill()
    killed.communicate(timeout=20)
    assert wait_gone(workers) == []
    assert plans(env, folder) == ["was interrupted; would go on with what was kept", "would be measured"]

    stopped, workers = start_until(env, folder, "pairdiff: 1/2 match the frames")
    stopped.send_signal(signal.SIGINT)
    shown, told = stopped.communicate(timeout=60)
    assert stopped.returncode == 130, told
    assert wait_gone(workers) == []
    assert "Pairs: 0 done, 1 interrupted, 1 not begun." in shown
    assert "pairdiff: Interrupted: the same command goes on where the batch was stopped." in told
    summary = json.loads((folder / "out" / "summary.json").read_text(encoding="utf-8"))
    assert [one["state"] for one in summary["pairs"]] == ["interrupted", "not begun"]

    done = run(env, folder / "shelf.toml", "--out", folder / "out", "--only", "One")
    assert done.returncode == 0, done.stderr
    assert "1/1 score the pairs" in done.stderr
    assert "measure the HDR release" not in done.stderr  # kept by the call that was killed
    assert plans(env, folder) == ["is done already", "would be measured"]


@POSIX
def test_a_second_interrupt_ends_what_does_not_end() -> None:
    """A stand-in that heeds no interrupt, in the place of the command."""
    stop = batch.Stop()
    deaf = "signal.signal(signal.SIGINT, signal.SIG_IGN); print('ready', file=sys.stderr, flush=True); time.sleep(60)"
    code = f"import signal, sys, time; {deaf}"
    begun_s = time.monotonic()

    def say(line: str) -> None:
        for _ in range(2):
            stop(signal.SIGINT, None)

    ended, message = batch.run_command([sys.executable, "-c", code], log=Path(os.devnull), say=say, stop=stop)
    assert ended == 128 + signal.SIGKILL
    assert "SIGKILL" in message
    assert time.monotonic() - begun_s < 30
    assert batch.run_command([sys.executable, "-c", code], log=Path(os.devnull), say=say, stop=stop)[0] == 130


def test_a_second_interrupt_between_two_pairs_ends_the_batch() -> None:
    stop = batch.Stop()
    stop(signal.SIGINT, None)
    with pytest.raises(KeyboardInterrupt):
        stop(signal.SIGINT, None)


@POSIX
def test_pairs_that_an_interrupted_call_did_not_come_to_are_listed_by_what_lies_there(
    copied: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(entry: Any, out: Path, *, stop: batch.Stop, **options: Any) -> dict[str, Any]:
        stop.asked.append(signal.SIGINT)
        return asdict(batch.outcome_of(Pair(**entry), "interrupted"))

    monkeypatch.setattr(batch, "run_pair", interrupted)
    summary = batch.run_batch(copied.manifest, copied.out)
    assert [one["state"] for one in summary["pairs"]] == ["interrupted", "not begun", "not begun", "not begun", "done"]
    assert batch.exit_code_of(summary) == 130
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@POSIX
def test_a_second_batch_in_one_folder_is_refused(copied: Shelf) -> None:
    import fcntl

    with open(copied.out / ".batch.lock", "a") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        done = run(copied.env, copied.folder / "shelf.toml", "--out", copied.out)
    assert done.returncode == 5
    assert "A batch or a re-run is at work in" in done.stderr


# ---------------------------------------------------------------- refusals


def test_faults_of_a_manifest_end_it_before_anything_is_made(shelf: Shelf, tmp_path: Path) -> None:
    (tmp_path / "shelf.toml").write_text(MANIFEST + "sede = 3\n", encoding="utf-8")
    done = run(shelf.env, tmp_path / "shelf.toml", "--out", tmp_path / "out")
    assert done.returncode == 2
    assert done.stdout == ""
    assert done.stderr.count(" does not exist. Check the path") == 10
    assert "did you mean 'seed'?" in done.stderr
    assert [path.name for path in tmp_path.iterdir()] == ["shelf.toml"]


def test_an_unknown_title_is_refused_with_the_nearest(shelf: Shelf) -> None:
    done = run(shelf.env, shelf.folder / "shelf.toml", "--out", shelf.out, "--only", "Frist", "--dry-run")
    assert done.returncode == 2
    assert "no pair titled 'Frist': did you mean 'First'?" in done.stderr


def test_an_output_place_that_is_a_file_is_refused(shelf: Shelf, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("in the way")
    done = run(shelf.env, shelf.folder / "shelf.toml", "--out", tmp_path / "out")
    assert done.returncode == 5
    assert (tmp_path / "out").read_text() == "in the way"


# ---------------------------------------------------------------- words


@pytest.mark.parametrize(
    ("lines", "code", "message"),
    [
        (
            ["pairdiff: match the frames", "pairdiff: Not one film.", "  Give others.", "pairdiff: Note: an earlier result."],
            4,
            "Not one film.\n  Give others.",
        ),
        (["Traceback", "pairdiff: A fault."], 1, "A fault."),
        (["a library's own words"], 1, "a library's own words"),
    ],
)
def test_the_message_is_the_last_block_that_is_no_note(lines: list[str], code: int, message: str) -> None:
    assert batch._message_of(lines, code) == message


def test_a_process_that_said_nothing_is_told_by_its_end() -> None:
    assert "exit code 9 and said nothing" in batch._message_of([], 9)


def test_long_and_wide_titles_are_cut_in_the_table() -> None:
    for title in ("x" * 4000, "\N{CJK UNIFIED IDEOGRAPH-6620}" * 4000):
        assert text_width(batch.show_title(title)) <= TITLE_SHOWN
        assert batch.show_title(title).endswith("...")
    assert batch.show_title("a\N{RIGHT-TO-LEFT OVERRIDE}b") == "ab"
    rows = pad_columns([["\N{CJK UNIFIED IDEOGRAPH-6620}", "x"], ["abc", "y"]])
    assert rows == ["\N{CJK UNIFIED IDEOGRAPH-6620}   x", "abc  y"]


def test_every_option_and_setting_reaches_the_command() -> None:
    """Read back by the command line itself."""
    import typer.main

    options: dict[str, Any] = {"full": False, "survey": True, "budget": "90s", "hash": True}
    pair = Pair("-T", "t", "a", "b", "/a+/b", "/-c", settings={"seed": 3, "anchor": "f1=f2", "room_lux": 5.0}, options=options)
    words = batch.compare_words(pair, Path("/out"), fresh=True)
    assert words[:4] == [sys.executable, "-m", "pairdiff", "compare"]
    compare = typer.main.get_command(_cli.app).commands["compare"]  # type: ignore[attr-defined]
    stated = compare.make_context("compare", words[4:]).params
    assert {name: stated[name] for name in ("seed", "anchor", "room_lux", "survey", "budget", "hash_whole", "fresh", "title")} == {
        "seed": 3,
        "anchor": "f1=f2",
        "room_lux": 5.0,
        "survey": True,
        "budget": "90s",
        "hash_whole": True,
        "fresh": True,
        "title": "-T",
    }
    assert (str(stated["hdr"]), str(stated["sdr"]), stated["full"]) == ("/a+/b", "/-c", False)
