"""A batch on a cluster of real workers: what it finds is what one machine finds, and what is lost on the way is done all the same."""

from __future__ import annotations

import fcntl
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import psutil
import pytest

import pairdiff
from pairdiff.shelf import batch, cluster
from pairdiff.shelf.manifest import read_manifest
from tests.shelf._dask import Dask, dask, wait_for
from tests.small_clips import SmallPair, make_longer_pair

pytestmark = pytest.mark.skipif(os.name != "posix", reason="locks and signals are POSIX")
ROOT = Path(__file__).resolve().parents[2]
OF_THE_RUN = {"log.txt", "outcome.json"}
"""Files that say when and in what steps a pair was worked on."""


def environment(folder: Path) -> dict[str, str]:
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("XDG_", "PAIRDIFF_", "DASK_"))}
    return {**kept, "PAIRDIFF_KEEP_DIR": str(folder / "kept"), "PYTHONPATH": os.pathsep.join([str(folder), str(ROOT)]), "COLUMNS": "120"}


def start(env: dict[str, str], folder: Path, *words: object, told: Path | None = None) -> subprocess.Popen[str]:
    """A batch as a person starts it, in a folder; what it tells goes to a file where one is named."""
    command = [sys.executable, "-m", "pairdiff", "batch", *map(str, words)]
    how: dict[str, Any] = {"env": env, "cwd": folder, "text": True, "stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE}
    if told is None:
        return subprocess.Popen(command, stderr=subprocess.PIPE, **how)
    with told.open("w") as file:
        return subprocess.Popen(command, stderr=file, **how)


def run(env: dict[str, str], folder: Path, *words: object) -> subprocess.CompletedProcess[str]:
    started = start(env, folder, *words)
    shown, said = started.communicate(timeout=2400)
    return subprocess.CompletedProcess(started.args, started.returncode, shown, said)


def write_manifest(folder: Path, pairs: dict[str, tuple[str, str]], *, defaults: str = "", words: dict[str, str] | None = None) -> Path:
    lines = ["[defaults]", "hdr_stills = 'none'", defaults]
    for title, (hdr, sdr) in pairs.items():
        lines += ["[[pair]]", f"title = '{title}'", f"hdr = '{hdr}'", f"sdr = '{sdr}'", (words or {}).get(title, "")]
    path = folder / "shelf.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    return path


def assert_same_results(here: Path, there: Path) -> None:
    """Every file of every pair, but for what says when it was made."""
    summaries = [json.loads((one / "summary.json").read_text(encoding="utf-8")) for one in (here, there)]
    assert plain(summaries[0]) == plain(summaries[1])
    compared = 0
    for path in sorted(here.rglob("*")):
        if path.is_file() and path.parent != here and path.name not in OF_THE_RUN:
            assert path.read_bytes() == (there / path.relative_to(here)).read_bytes(), path
            compared += 1
    done = sum(one["state"] == "done" for one in summaries[0]["pairs"])
    assert compared >= 5 * done > 0


def plain(summary: dict[str, Any]) -> dict[str, Any]:
    return {**summary, "pairs": [{name: value for name, value in one.items() if name != "times"} for one in summary["pairs"]]}


# ---------------------------------------------------------------- refused before anything is run


@pytest.mark.parametrize(
    ("address", "code", "words"),
    [("tcp://127.0.0.1:9", 8, "no scheduler answers there"), ("nowhere://x", 2, "no address of a scheduler")],
)
def test_a_scheduler_that_is_not_there_is_told_within_seconds(
    tmp_path: Path, small_pair: SmallPair, address: str, code: int, words: str
) -> None:
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    manifest = write_manifest(tmp_path, {"One": (str(small_pair.hdr), str(small_pair.sdr))})
    begun_s = time.monotonic()
    done = run(environment(tmp_path), tmp_path, manifest, "--out", "out", "--dask", address)
    assert done.returncode == code, done.stderr
    assert words in done.stderr
    assert f"--dask {address}" in done.stderr
    assert "Traceback" not in done.stderr
    assert time.monotonic() - begun_s < 20
    assert not (tmp_path / "out" / "summary.json").exists()


def test_without_dask_the_command_that_installs_it_is_named(tmp_path: Path, small_pair: SmallPair) -> None:
    manifest = write_manifest(tmp_path, {"One": (str(small_pair.hdr), str(small_pair.sdr))})
    for name in ("dask", "distributed"):
        (tmp_path / f"{name}.py").write_text(f"raise ModuleNotFoundError(\"No module named '{name}'\", name='{name}')")
    done = run(environment(tmp_path), tmp_path, manifest, "--out", "out", "--dask", "tcp://127.0.0.1:9")
    assert done.returncode == 1
    assert "pip install 'pairdiff[cluster]'" in done.stderr


def pretend_version(folder: Path, version: str) -> dict[str, str]:
    """What a worker's environment needs for pairdiff to be of another version there: its metadata are found first."""
    place = folder / f"pairdiff-{version}.dist-info"
    place.mkdir()
    (place / "METADATA").write_text(f"Metadata-Version: 2.1\nName: pairdiff\nVersion: {version}\n")
    return {"PYTHONPATH": os.pathsep.join([str(folder), str(ROOT)])}


# ---------------------------------------------------------------- two workers


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory, small_pair: SmallPair) -> Path:
    """A folder with films."""
    folder = tmp_path_factory.mktemp("cluster")
    shutil.copyfile(small_pair.hdr, folder / "hdr.mkv")
    shutil.copyfile(small_pair.sdr, folder / "sdr.mkv")
    return folder


@pytest.fixture
def two(tmp_path: Path, shelf: Path) -> Iterator[Dask]:
    """Two workers, which stand in two folders."""
    with dask(tmp_path, environment(tmp_path), workers=0) as found:
        (tmp_path / "elsewhere").mkdir()
        found.add_worker("near", cwd=shelf)
        found.add_worker("far", cwd=tmp_path / "elsewhere")
        found.wait_for_workers(2)
        yield found


def test_two_workers_find_what_one_machine_finds(shelf: Path, two: Dask, tmp_path: Path) -> None:
    """Films that one worker alone sees, that none sees, that are refused; then a folder and a worker that do not fit."""
    cwd = "/proc/self/cwd"  # leads elsewhere for each process, as a path does whose folder is not shared
    pairs = {"Near": (f"{cwd}/hdr.mkv", "sdr.mkv"), "Swapped": ("sdr.mkv", "hdr.mkv")}
    manifest = write_manifest(shelf, pairs, defaults="keep = true\narchive = 'archive'", words={"Near": "year = 1982"})
    alone = start(environment(tmp_path / "alone"), shelf, manifest, "--out", tmp_path / "one")
    there = run(environment(tmp_path), shelf, manifest, "--out", tmp_path / "two", "--dask", two.address)
    _, told = alone.communicate(timeout=300)
    assert (alone.returncode, there.returncode) == (7, 7), told + there.stderr
    assert_same_results(tmp_path / "one", tmp_path / "two")
    assert "pairdiff: pair 1 of 2: Near, on near" in there.stderr
    assert "pairdiff: 1/2 measure the HDR release [near]" in there.stderr
    assert "pairdiff: workers: 2 on 1 machine" in there.stderr
    assert list((tmp_path / "two").glob(".cluster*")) == []
    (kept,) = pairdiff.open_shelf(shelf / "archive").list_runs().rows  # both handed on the same run
    assert (kept["title"], kept["year"], kept["label"]) == ("Near", 1982, "sdr-in-hdr-container")

    (shelf / "only-here").mkdir()
    shutil.copyfile(shelf / "hdr.mkv", shelf / "only-here" / "own.mkv")
    write_manifest(shelf, {"Unseen": (f"{cwd}/own.mkv", "sdr.mkv")})
    unseen = run(environment(tmp_path), shelf / "only-here", manifest, "--out", tmp_path / "two", "--dask", two.address)
    assert unseen.returncode == 7
    assert "Unseen: exit code 3: No worker can begin with it: give paths that every worker reaches." in unseen.stdout
    for name in ("near", "far"):
        assert f"{name}: The HDR release {cwd}/own.mkv does not exist." in unseen.stdout

    hidden = run(environment(tmp_path), shelf, manifest, "--out", f"{cwd}/only-here/out", "--only", "Unseen", "--dask", two.address)
    assert (hidden.returncode, "own.mkv does not exist" in hidden.stderr) == (2, True)
    write_manifest(shelf, pairs)
    hidden = run(environment(tmp_path), shelf, manifest, "--out", f"{cwd}/out", "--dask", two.address)
    assert hidden.returncode == 8
    assert f"far: it does not see {cwd}/out as this machine does" in hidden.stderr
    assert "near:" not in hidden.stderr

    (tmp_path / "other").mkdir()
    two.add_worker("other", env=pretend_version(tmp_path / "other", "9.9"))
    (tmp_path / "bare").mkdir()
    (tmp_path / "bare" / "pairdiff.py").write_text("raise ModuleNotFoundError(\"No module named 'pairdiff'\", name='pairdiff')")
    two.add_worker("bare", cwd=tmp_path / "bare", env={"PYTHONPATH": str(tmp_path / "bare")})
    two.wait_for_workers(4)
    refused = run(environment(tmp_path), shelf, manifest, "--out", tmp_path / "three", "--dask", two.address)
    assert refused.returncode == 8
    assert f"other: pairdiff 9.9 (here {pairdiff.__version__}): install the same on every machine." in refused.stderr
    assert re.search(r"bare: it cannot run this pairdiff \(.*No module named .*pairdiff.*\): install the same", refused.stderr)
    assert not (tmp_path / "three" / "summary.json").exists()


# ---------------------------------------------------------------- one comparison a folder


def test_a_folder_is_held_until_the_last_process_of_a_comparison_has_ended(tmp_path: Path) -> None:
    """As when a worker is lost: whoever asked is gone, and what it had started has not noticed yet."""
    code = "import sys, time; print('ready', file=sys.stderr, flush=True); time.sleep(60)"
    ask = (
        "import sys\nfrom pathlib import Path\nfrom pairdiff.shelf import batch\n"
        "file = open(sys.argv[1], 'a')\nassert batch.take_lock(file)\n"
        "say, place = lambda line: print(line, flush=True), batch.Place(held=file.fileno())\n"
        "batch.run_command([sys.executable, '-c', sys.argv[2]], log=Path(sys.argv[3]), say=say, stop=batch.Stop(), place=place)"
    )
    words = [sys.executable, "-c", ask, str(tmp_path / "lock"), code, str(tmp_path / "log")]
    asker = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment(tmp_path))
    assert asker.stdout is not None
    asker.stdout.readline()
    (below,) = psutil.Process(asker.pid).children()
    try:
        asker.kill()
        asker.communicate(timeout=60)
        with open(tmp_path / "lock", "a") as file:
            assert not batch.take_lock(file)
            below.kill()
            wait_for(lambda: batch.take_lock(file), what="the lock")
    finally:
        below.kill()


def test_the_process_that_decodes_holds_the_folder_too(tmp_path: Path, small_pair: SmallPair) -> None:
    with open(tmp_path / "lock", "a") as file:
        env = environment(tmp_path) | {"PAIRDIFF_HELD_FILE": str(file.fileno())}
        command = [sys.executable, "-m", "pairdiff", "measure", str(small_pair.hdr)]
        started = subprocess.Popen(
            command, env=env, pass_fds=(file.fileno(),), stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
    try:
        watched = psutil.Process(started.pid)
        wait_for(watched.children, what="the process that decodes")
        assert str(tmp_path / "lock") in {one.path for child in watched.children() for one in child.open_files()}
    finally:
        started.kill()
        started.wait(60)


def test_a_worker_waits_for_a_folder_and_says_so_in_the_end(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "LOCK_S", 0.5)
    (tmp_path / cluster.LOCKS).mkdir()
    with open(tmp_path / cluster.LOCKS / "film", "a") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        held = cluster._held(tmp_path, "film", stop=batch.Stop())
        with pytest.raises(pairdiff.OutputRefused, match=r"Another comparison is at work in .*film and has not ended"):
            held.__enter__()


# ---------------------------------------------------------------- whole batches


@pytest.fixture
def twelve(tmp_path: Path, shelf: Path) -> Path:
    """Twelve pairs."""
    return write_manifest(
        tmp_path,
        {f"Film {n}": (str(shelf / "hdr.mkv"), str(shelf / "sdr.mkv")) for n in range(12)},
        words={f"Film {n}": f"seed = {n}" for n in range(12)},
    )


def lines(path: Path) -> list[str]:
    return path.read_text().splitlines() if path.exists() else []


@pytest.mark.slow
def test_twelve_pairs_on_two_workers_of_which_one_is_lost(twelve: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    begun_s = time.monotonic()
    alone = run(environment(tmp_path / "alone"), tmp_path, twelve, "--out", "one")
    alone_s = time.monotonic() - begun_s
    assert alone.returncode == 0, alone.stderr
    with dask(tmp_path, environment(tmp_path), workers=2) as found:
        begun_s = time.monotonic()
        whole = run(environment(tmp_path), tmp_path, twelve, "--out", "two", "--dask", found.address)
        whole_s = time.monotonic() - begun_s
        assert whole.returncode == 0, whole.stderr
    assert_same_results(tmp_path / "one", tmp_path / "two")
    with dask(tmp_path, environment(tmp_path / "again"), workers=2) as found:
        begun_s = time.monotonic()
        started = start(environment(tmp_path), tmp_path, twelve, "--out", "three", "--dask", found.address, told=tmp_path / "told")
        wait_for(lambda: any("fit the SDR set [w1]" in one for one in lines(tmp_path / "told")), what="work", limit_s=900)
        below = found.lose("w1")
        assert below
        assert psutil.wait_procs(below, timeout=60)[1] == []
        started.communicate(timeout=1800)
        lost_s = time.monotonic() - begun_s
    assert started.returncode == 0, lines(tmp_path / "told")
    assert any("the worker w1 is lost" in one for one in lines(tmp_path / "told"))
    assert_same_results(tmp_path / "one", tmp_path / "three")
    with capsys.disabled():
        print(
            f"\n12 pairs: one process {alone_s:.0f} s; two workers {whole_s:.0f} s ({whole_s / alone_s:.2f} x); two of which one is lost "
            f"{lost_s:.0f} s ({lost_s / alone_s:.2f} x); all on the same {os.cpu_count()} cores"
        )


@pytest.mark.slow
@pytest.mark.parametrize("how", ["interrupted", "interrupted twice", "killed"])
def test_nothing_is_left_at_work_when_the_one_who_asked_is_gone(how: str, twelve: Path, tmp_path: Path) -> None:
    with dask(tmp_path, environment(tmp_path), workers=2) as found:
        started = start(environment(tmp_path), tmp_path, twelve, "--out", "out", "--dask", found.address, told=tmp_path / "told")
        wait_for(lambda: sum("match the frames" in one for one in lines(tmp_path / "told")) == 2, what="work", limit_s=900)
        below = [one for nanny in found.workers.values() for worker in nanny.children() for one in worker.children(recursive=True)]
        compared = [one for one in below if "compare" in one.cmdline()]
        assert len(compared) == 4
        started.send_signal(signal.SIGKILL if how == "killed" else signal.SIGINT)
        if how == "interrupted twice":
            time.sleep(0.2)
            started.send_signal(signal.SIGINT)
        shown, _ = started.communicate(timeout=120)
        assert psutil.wait_procs(compared, timeout=5 if how == "interrupted" else 60)[1] == []
        if how == "killed":
            return
        told = "\n".join(lines(tmp_path / "told"))
        assert started.returncode == 130, told
        assert "Traceback" not in told
        assert "2 interrupted, 10 not begun" in shown
        assert "Interrupted: the same command goes on where the batch was stopped." in told
        done = run(environment(tmp_path), tmp_path, twelve, "--out", "out", "--only", "Film 0", "--dask", found.address)
        assert done.returncode == 0, done.stderr
        assert "measure the HDR release" not in done.stderr  # kept by the call that was stopped


POISON = """
import os, signal, sys
if any(one.endswith("poison.mkv") for one in sys.orig_argv) and not os.environ.get("PAIRDIFF_BEAT_FILE"):
    os.kill(os.getppid(), signal.SIGKILL)
"""


@pytest.mark.slow
def test_a_pair_that_ends_every_worker_is_listed_and_the_rest_is_done(shelf: Path, tmp_path: Path) -> None:
    """As where a machine runs out of memory; workers are started again by what looks after them."""
    (tmp_path / "sitecustomize.py").write_text(POISON)
    shutil.copyfile(shelf / "hdr.mkv", tmp_path / "poison.mkv")
    sdr = str(shelf / "sdr.mkv")
    manifest = write_manifest(tmp_path, {"Poison": (str(tmp_path / "poison.mkv"), sdr), "Well": (str(shelf / "hdr.mkv"), sdr)})
    with dask(tmp_path, environment(tmp_path), workers=2) as found:
        done = run(environment(tmp_path), tmp_path, manifest, "--out", "out", "--dask", found.address)
    assert done.returncode == 7, done.stderr
    poison, well = json.loads((tmp_path / "out" / "summary.json").read_text())["pairs"]
    assert (poison["state"], poison["exit_code"], well["state"]) == ("failed", 137, "done")
    assert "4 workers were lost one after the other while they worked on this pair" in poison["message"]
    assert json.loads((tmp_path / "out" / poison["folder"] / "outcome.json").read_text()) == poison


@pytest.mark.slow
def test_a_worker_of_another_version_that_comes_later_is_passed_over(shelf: Path, twelve: Path, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    with dask(tmp_path, environment(tmp_path), workers=1) as found:
        words = [word for n in range(4) for word in ("--only", f"Film {n}")]
        started = start(environment(tmp_path), tmp_path, twelve, "--out", "out", *words, "--dask", found.address, told=tmp_path / "told")
        wait_for(lambda: any("match the frames" in one for one in lines(tmp_path / "told")), what="work", limit_s=900)
        found.add_worker("other", env=pretend_version(tmp_path / "other", "9.9"))
        found.wait_for_workers(2)
        started.communicate(timeout=600)
    assert started.returncode == 0, lines(tmp_path / "told")
    assert not any("on other" in one for one in lines(tmp_path / "told"))


@pytest.mark.slow
def test_a_scheduler_that_is_lost_ends_the_batch_with_what_is_done(twelve: Path, tmp_path: Path) -> None:
    with dask(tmp_path, environment(tmp_path), workers=1) as found:
        started = start(environment(tmp_path), tmp_path, twelve, "--out", "out", "--dask", found.address, told=tmp_path / "told")
        wait_for(lambda: any("pair 2 of 12: Film 1" in one for one in lines(tmp_path / "told")), what="work", limit_s=900)
        found.lose_scheduler()
        started.communicate(timeout=300)
    told = "\n".join(lines(tmp_path / "told"))
    assert started.returncode == 8, told
    assert "The cluster is lost" in told
    assert "pairs that are not done: 11" in told
    assert "Traceback" not in told
    assert [one["state"] for one in json.loads((tmp_path / "out" / "summary.json").read_text())["pairs"]].count("done") == 1


SHORT_STRETCHES = """
from pairdiff import _stretches
from pairdiff.score import scan
_stretches.LENGTH_S, _stretches.CODES_FIRST, scan.CODES_FIRST = 1.0, 24, 24
"""


@pytest.mark.slow
def test_passes_are_read_in_stretches_by_several_workers_and_found_the_same(tmp_path: Path) -> None:
    """Films of five seconds, in stretches of one."""
    (tmp_path / "sitecustomize.py").write_text(SHORT_STRETCHES)
    films = make_longer_pair(tmp_path, shots=6)
    manifest = write_manifest(tmp_path, {"Long": (str(films.hdr), str(films.sdr))}, defaults="survey = false")
    alone = run(environment(tmp_path) | {"PAIRDIFF_KEEP_DIR": str(tmp_path / "alone")}, tmp_path, manifest, "--out", "one")
    assert alone.returncode == 0, alone.stderr
    with dask(tmp_path, environment(tmp_path), workers=2) as found:
        there = run(environment(tmp_path), tmp_path, manifest, "--out", "two", "--dask", found.address)
    assert there.returncode == 0, there.stderr
    assert_same_results(tmp_path / "one", tmp_path / "two")
    for side in ("HDR", "SDR"):
        for number in range(1, 5):
            assert f"pairdiff: 1/1 measure the {side} release, stretch {number} of 5 [w" in there.stderr
        assert f"1/1 take up 120 frames of the {side} release that were read in stretches" in there.stderr
    assert {"[w1]", "[w2]"} <= {line.split()[-1] for line in there.stderr.splitlines() if ", stretch " in line}
    assert list((tmp_path / "two" / ".stretches").iterdir()) == []


class _NoCluster:
    """A client whose tasks never come to anything."""

    status = "running"

    def cancel(self, *_: object, **__: object) -> None:
        """Nothing is there."""

    def run(self, *_: object, **__: object) -> dict[str, object]:
        return {}


def test_what_was_stopped_takes_no_outcome_of_other_files_for_its_own(tmp_path: Path) -> None:
    """The pair was begun in stretches; the outcome in its folder is `done`, of films that lay there before."""
    for name in ("a.mkv", "b.mkv"):
        (tmp_path / name).write_bytes(name.encode() * 100)
    (tmp_path / "list.toml").write_text('[[pair]]\ntitle = "Harbour lights"\nhdr = "a.mkv"\nsdr = "b.mkv"\n', encoding="utf-8")
    (pair,), out = read_manifest(tmp_path / "list.toml").pairs, tmp_path / "out"
    (out / pair.folder).mkdir(parents=True)
    earlier = replace(batch.outcome_of(pair, "done"), exit_code=0, files={"hdr": "earlier", "sdr": "earlier"})
    batch.write_object(out / pair.folder / "outcome.json", asdict(earlier))
    assert batch.read_outcome(pair, out) is not None
    work = cluster._Work(_NoCluster(), out, fresh=False, say=lambda line: None, stop=batch.Stop(), count=1)  # type: ignore[arg-type]
    given = cluster._Given(1, pair, None)
    given.begun_s, work._given["task"] = 0.0, given
    ((_, left),) = work._left()
    assert (left.state, left.message) == ("interrupted", batch.STOPPED)
