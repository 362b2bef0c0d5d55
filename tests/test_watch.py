"""A command that reads films outlives what a file does to the codec library: crashes, hangs, hunger. The faults are made by the tests: the
watched process is told to do them in place of decoding."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Protocol

import psutil
import pytest

from pairdiff import _beat, _watch
from tests._clips import encode_clip, moving_planes

FAULTS = {
    "crash": "os.kill(os.getpid(), signal.SIGSEGV)",
    "abort": "os.abort()",
    "hang": "time.sleep(60)",
    "hunger": "time.sleep(60 if (held := bytearray(700 * 2**20)) else 0)",
}
HOOK = """
import os, signal, sys, time
if os.environ.get("PAIRDIFF_BEAT_FILE"):
    from pairdiff import _beat
    plain = _beat._Writer.begin
    def begin(self, what):
        plain(self, what)
        if "near" in what:
            {fault}
    _beat._Writer.begin = begin
"""


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return encode_clip(tmp_path_factory.mktemp("watch") / "film.mkv", moving_planes(24))


def run(clip: Path, folder: Path, *words: str, fault: str | None = None) -> subprocess.CompletedProcess[str]:
    """`measure` as a user runs it; a fault is put into the watched process through Python's own start-up hook."""
    if fault:
        (folder / "sitecustomize.py").write_text(HOOK.format(fault=FAULTS[fault]), encoding="utf-8")
    root = Path(_watch.__file__).parents[1]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(folder), str(root)]), "PAIRDIFF_KEEP_DIR": str(folder / "kept")}
    command = [sys.executable, "-m", "pairdiff", "measure", str(clip), *words]
    return subprocess.run(command, env=env, capture_output=True, text=True, stdin=subprocess.DEVNULL, timeout=120, check=False)


@pytest.mark.skipif(os.name != "posix", reason="signals are POSIX")
@pytest.mark.parametrize(("fault", "name"), [("crash", "signal 11, SIGSEGV"), ("abort", "signal 6, SIGABRT")])
def test_a_crash_of_the_codec_library_ends_as_a_message(clip: Path, tmp_path: Path, fault: str, name: str) -> None:
    done = run(clip, tmp_path, fault=fault)
    assert done.returncode == 3
    assert f"The process that decodes ended without a word ({name}) while it worked on" in done.stderr
    assert "film.mkv near " in done.stderr
    assert "What was finished and kept is used again next time" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_decoder_that_hangs_is_given_up_after_the_limit(clip: Path, tmp_path: Path) -> None:
    start = time.monotonic()
    done = run(clip, tmp_path, "--decode-limit-s", "2", fault="hang")
    assert done.returncode == 3
    assert time.monotonic() - start < 40
    assert "film.mkv near " in done.stderr
    assert "without an end; the limit is 2 s (--decode-limit-s)" in done.stderr


def test_a_run_that_takes_more_memory_than_the_limit_is_given_up(clip: Path, tmp_path: Path) -> None:
    done = run(clip, tmp_path, "--memory-limit-gib", "0.6", fault="hunger")
    assert done.returncode == 3
    assert "of memory; the limit is 0.6 GiB (--memory-limit-gib)" in done.stderr


def test_what_goes_well_is_not_touched(clip: Path, tmp_path: Path) -> None:
    done = run(clip, tmp_path)
    assert (done.returncode, "MaxCLL" in done.stdout) == (0, True)
    assert "pairdiff-" not in "".join(entry.name for entry in tmp_path.iterdir())


def test_pictures_beyond_the_limit_are_refused_before_they_are_measured(clip: Path, tmp_path: Path) -> None:
    done = run(clip, tmp_path, "--picture-limit-megapixels", "0.01")
    assert done.returncode == 3
    assert "has pictures of 192 x 108, 0.0207 million pixels; the limit is 0.01 (--picture-limit-megapixels)" in done.stderr


@pytest.mark.skipif(os.name != "posix", reason="signals are POSIX")
def test_the_watched_process_ends_with_the_one_that_watches(clip: Path, tmp_path: Path) -> None:
    (tmp_path / "sitecustomize.py").write_text(HOOK.format(fault="open(os.environ['MARK'], 'w').write(str(os.getpid())); time.sleep(60)"))
    root, mark = Path(_watch.__file__).parents[1], tmp_path / "mark"
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), str(root)]), "MARK": str(mark), "PAIRDIFF_KEEP_DIR": str(tmp_path)}
    outer = subprocess.Popen([sys.executable, "-m", "pairdiff", "measure", str(clip)], env=env, stderr=subprocess.DEVNULL)
    while not (mark.exists() and mark.read_text()):
        assert outer.poll() is None
        time.sleep(0.05)
    inner = int(mark.read_text())
    outer.send_signal(signal.SIGKILL)
    outer.wait()
    for _ in range(100):
        try:
            os.kill(inner, 0)
        except ProcessLookupError:
            return
        time.sleep(0.1)
    os.kill(inner, signal.SIGKILL)
    pytest.fail("the watched process lives on")


@pytest.mark.skipif(os.name != "posix", reason="signals are POSIX")
def test_both_processes_end_with_the_standard_input_where_that_is_asked_for(clip: Path, tmp_path: Path) -> None:
    """What runs many comparisons may be killed; its end of the pipe closes then."""
    (tmp_path / "sitecustomize.py").write_text(HOOK.format(fault="open(os.environ['MARK'], 'w').write(str(os.getpid())); time.sleep(60)"))
    root, mark = Path(_watch.__file__).parents[1], tmp_path / "mark"
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), str(root)]), "MARK": str(mark), "PAIRDIFF_KEEP_DIR": str(tmp_path)}
    command = [sys.executable, "-m", "pairdiff", "measure", str(clip)]
    outer = subprocess.Popen(command, env={**env, _watch.END_VARIABLE: "1"}, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL)
    while not (mark.exists() and mark.read_text()):
        assert outer.poll() is None
        time.sleep(0.05)
    inner = psutil.Process(int(mark.read_text()))
    assert outer.stdin is not None
    outer.stdin.close()
    try:
        assert outer.wait(timeout=15) == 130
        inner.wait(timeout=15)
    finally:
        outer.kill()
        with contextlib.suppress(psutil.NoSuchProcess):
            inner.kill()


def test_the_beat_says_what_is_decoded_and_since_when(tmp_path: Path) -> None:
    path = tmp_path / "beat"
    path.write_bytes(bytes(_beat.SIZE_BYTES))
    writer = _beat._Writer(str(path))
    writer.set_limits(20.0, 1e9)
    assert _beat.read_beat(path) == _beat.Beat(20.0, 1e9, ())
    before = time.monotonic()
    writer.begin("a film \N{EM DASH} " + "x" * 5000)
    ((since, what),) = _beat.read_beat(path).busy
    assert before <= since <= time.monotonic()
    assert what.startswith("a film \N{EM DASH} xxx")
    writer.end()
    assert _beat.read_beat(path).busy == ()
    assert _beat.read_beat(tmp_path / "none") == _beat.Beat(0.0, 0.0, ())


# ------------------------------------------------------------- the watching process alone, with a stand-in for the one that is watched

GIB = 2.0**30
DRIVER = """
import signal, sys
from pairdiff import _watch
{first}
sys.executable, sys.argv = {stand_in!r}, ["pairdiff", "measure", "film.mkv"]
sys.exit(_watch.main())
"""
STAND_IN = """#!{python}
import os, pathlib, signal, sys, time
from pairdiff import _beat, _watch
here = pathlib.Path(__file__).parent
signal.alarm(60)  # whatever becomes of the test
_watch._end_with_the_watcher(pathlib.Path(os.environ[_beat.FILE_VARIABLE]))
{body}
"""
READY = "(here / 'part').write_text(str(os.getpid())); (here / 'part').rename(here / 'ready')"
WAIT = "\nwhile not (here / 'go').exists(): time.sleep(0.02)"
POSIX = pytest.mark.skipif(os.name != "posix", reason="signals and scripts are POSIX")


class Start(Protocol):
    def __call__(self, body: str, *, first: str = "") -> subprocess.Popen[str]: ...


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    """Starts the watching process and returns once the stand-in is ready; its working folder lies in `tmp`."""
    begun: list[subprocess.Popen[str]] = []

    def begin(body: str, *, first: str = "") -> subprocess.Popen[str]:
        (tmp_path / "tmp").mkdir()
        stand_in = tmp_path / "stand-in"
        stand_in.write_text(STAND_IN.format(python=sys.executable, body=body), encoding="utf-8")
        stand_in.chmod(0o755)
        env = {**os.environ, "PYTHONPATH": str(Path(_watch.__file__).parents[1]), "TMPDIR": str(tmp_path / "tmp")}
        command = [sys.executable, "-c", DRIVER.format(first=first, stand_in=str(stand_in))]
        nothing = subprocess.DEVNULL
        begun.append(subprocess.Popen(command, env=env, stdin=nothing, stdout=nothing, stderr=subprocess.PIPE, text=True))
        until(lambda: (tmp_path / "ready").exists() or begun[-1].poll() is not None)
        return begun[-1]

    yield begin
    for outer in begun:
        outer.kill()
        outer.wait()
        assert outer.stderr is not None
        outer.stderr.close()


def until(true: Callable[[], bool], *, limit_s: float = 20) -> None:
    end = time.monotonic() + limit_s
    while not true():
        assert time.monotonic() < end
        time.sleep(0.02)


def is_gone(pid: int) -> bool:
    """Also where nobody has asked yet for the exit code of a process that has ended."""
    try:
        return psutil.Process(pid).status() == psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return True


def finish(outer: subprocess.Popen[str], folder: Path) -> tuple[int, str]:
    """Exit code and words of the watching process; what it worked in and whom it watched is gone."""
    _, said = outer.communicate(timeout=20)
    assert list((folder / "tmp").iterdir()) == []
    until(lambda: is_gone(int((folder / "ready").read_text())))
    return outer.returncode, said


@POSIX
@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_is_handed_on_and_the_exit_code_is_that_of_the_watched_process(tmp_path: Path, start: Start, name: str) -> None:
    body = f"signal.signal(signal.{name}, lambda number, frame: os._exit(100 + number)); {READY}{WAIT}"
    outer = start(body)
    assert [entry.name[:9] for entry in (tmp_path / "tmp").iterdir()] == ["pairdiff-"]
    inner, number = int((tmp_path / "ready").read_text()), getattr(signal, name)
    assert os.getpgid(inner) != os.getpgid(outer.pid)  # what a terminal sends comes to one of them alone
    outer.send_signal(number)
    assert finish(outer, tmp_path) == (100 + number, "")


@POSIX
def test_a_watched_process_that_a_signal_ends_was_interrupted_and_did_not_crash(tmp_path: Path, start: Start) -> None:
    outer = start(READY + WAIT)
    outer.send_signal(signal.SIGTERM)
    assert finish(outer, tmp_path) == (130, "")


@POSIX
def test_the_second_interrupt_ends_a_watched_process_that_does_not_heed_the_first(tmp_path: Path, start: Start) -> None:
    body = f"signal.signal(signal.SIGINT, lambda number, frame: (here / 'heard').touch()); {READY}{WAIT}"
    outer = start(body)
    outer.send_signal(signal.SIGINT)
    until((tmp_path / "heard").exists)
    assert outer.poll() is None
    outer.send_signal(signal.SIGINT)
    assert finish(outer, tmp_path) == (130, "")


@POSIX
def test_a_signal_that_was_to_be_ignored_is(tmp_path: Path, start: Start) -> None:
    """As `nohup` starts a command."""
    outer = start(READY + WAIT, first="signal.signal(signal.SIGHUP, signal.SIG_IGN)")
    for _ in range(2):
        outer.send_signal(signal.SIGHUP)
        time.sleep(0.1)
    (tmp_path / "go").touch()
    assert finish(outer, tmp_path) == (0, "")


@POSIX
def test_a_watched_process_that_is_overdue_is_ended_with_the_reason_and_what_is_kept(tmp_path: Path, start: Start) -> None:
    body = f"_beat.announce_limits(limit_s=0.1, memory_limit_bytes=0); _beat._find_writer().begin('quay.mkv near 3.0 s'); {READY}{WAIT}"
    code, said = finish(start(body), tmp_path)
    assert code == 3
    assert said.startswith("pairdiff: The decoder has worked on quay.mkv near 3.0 s for ")
    assert said.endswith("copy it again. What was finished and kept is used again next time (--fresh ignores it).\n")


@POSIX
def test_when_the_watching_process_is_killed_its_working_folder_is_cleared_away_all_the_same(tmp_path: Path, start: Start) -> None:
    outer = start(READY + WAIT)
    outer.kill()
    outer.wait()
    until(lambda: not list((tmp_path / "tmp").iterdir()))
    until(lambda: is_gone(int((tmp_path / "ready").read_text())))


@pytest.mark.parametrize("words", [[], ["--help"], ["report", "out"], ["measure", "--help"], ["measure", "a.mkv", "-h"]])
def test_what_reads_no_film_is_not_watched(words: list[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pairdiff._cli.main", lambda: 42)
    monkeypatch.setattr(_watch, "_watch", lambda words, beat: pytest.fail("it was watched"))
    monkeypatch.setattr(sys, "argv", ["pairdiff", *words])
    assert _watch.main() == 42


@pytest.mark.parametrize(
    ("name", "stated", "given"),
    [
        ("MALLOC_ARENA_MAX", None, "2"),
        ("MALLOC_ARENA_MAX", "8", "8"),
        ("OMP_WAIT_POLICY", None, "PASSIVE"),
        ("OMP_WAIT_POLICY", "ACTIVE", "ACTIVE"),
    ],
)
def test_what_reads_films_is_sparing_of_memory_and_cores_unless_something_else_is_stated(
    name: str, stated: str | None, given: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """The variables are glibc's (malloc(3), mallopt(3): M_ARENA_MAX) and OpenMP's (OpenMP 5.2, 21.7)."""
    found: list[str] = []

    def start(command: list[str], *, env: dict[str, str], **how: object) -> None:
        found.append(env[name])
        raise KeyboardInterrupt

    monkeypatch.delenv(name, raising=False)
    if stated is not None:
        monkeypatch.setenv(name, stated)
    monkeypatch.setattr(subprocess, "Popen", start)
    with pytest.raises(KeyboardInterrupt):
        _watch._watch(["measure", "a.mkv"], tmp_path / "beat")
    assert found == [given]


@pytest.mark.parametrize("command", ["compare", "measure", "align", "stills"])
def test_what_reads_films_is_watched_unless_that_is_not_wanted(command: str, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[tuple[list[str], int]] = []

    def watch(words: list[str], beat: Path) -> int:
        seen.append((words, beat.stat().st_size))
        return 7

    monkeypatch.setattr("pairdiff._cli.main", lambda: 42)
    monkeypatch.setattr(_watch, "_watch", watch)
    monkeypatch.setattr(sys, "argv", ["pairdiff", command, "a.mkv"])
    assert _watch.main() == 7
    assert seen == [([command, "a.mkv"], _beat.SIZE_BYTES)]
    monkeypatch.setenv(_watch.UNWATCHED_VARIABLE, "1")
    assert _watch.main() == 42


def beat(*busy: tuple[float, str], limit_s: float = 0.0, memory_gib: float = 0.0) -> _beat.Beat:
    return _beat.Beat(limit_s, memory_gib * GIB, busy)


@pytest.mark.parametrize(
    ("what", "reason"),
    [
        (beat((10.0, "a"), limit_s=90.0), None),
        (beat((9.0, "a"), limit_s=90.0), "The decoder has worked on a for 91 s without an end; the limit is 90 s (--decode-limit-s)."),
        (beat((50.0, "a"), (9.0, "b"), limit_s=90.0), "The decoder has worked on b for 91 s"),
        (beat((0.0, "a")), None),
        (beat(limit_s=90.0, memory_gib=4.0), None),
        (beat(memory_gib=2.5), "The work takes 3.0 GiB of memory; the limit is 2.5 GiB (--memory-limit-gib)."),
        (beat((99.0, "a near 2.0 s"), limit_s=90.0, memory_gib=2.5), "The work on a near 2.0 s takes 3.0 GiB of memory; the limit"),
    ],
)
def test_the_reason_to_end_a_process_names_the_work_the_figure_the_limit_and_its_option(
    what: _beat.Beat, reason: str | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(_watch, "_memory_bytes", lambda pid: int(3 * GIB))
    monkeypatch.setattr(time, "monotonic", lambda: 100.0)
    found = _watch._overdue(what, 1)
    assert (found or "").startswith(reason or "")
    assert (found is None) == (reason is None)
    assert found is None or found.endswith(("The file is most likely damaged: copy it again.", "or the file is damaged."))


def test_memory_is_that_of_the_process_and_nothing_where_it_is_gone() -> None:
    assert 2**20 < _watch._memory_bytes(os.getpid()) < 2**40
    done = subprocess.Popen([sys.executable, "-c", ""])
    done.wait()
    assert _watch._memory_bytes(done.pid) == 0


SEGV, KILL, INT = -11, -9, -2


@pytest.mark.parametrize(
    ("code", "asked", "exit_code", "words"),
    [
        (0, [], 0, None),
        (3, [], 3, None),
        (3, [2], 3, None),
        (255, [], 255, None),
        (INT, [], 130, None),
        (SEGV, [15], 130, None),
        (SEGV, [], 3, "ended without a word (signal 11, SIGSEGV) while it worked on quay.mkv. "),
        (KILL, [], 3, "(signal 9, SIGKILL) while it worked on quay.mkv. "),
        (-200, [], 3, "(code -200) while"),
        (0xC0000005, [], 3, "(code 0xc0000005) while"),
    ],
)
def test_an_end_without_a_word_is_told_and_any_other_is_the_exit_code(
    code: int, asked: list[int], exit_code: int, words: str | None, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _watch._end(code, beat((0.0, "quay.mkv")), asked) == exit_code
    said = capsys.readouterr().err
    assert (said == "") if words is None else (words in said)
    assert words is None or said.endswith("What was finished and kept is used again next time (--fresh ignores it).\n")


def test_an_end_while_nothing_was_decoded_names_no_file(capsys: pytest.CaptureFixture[str]) -> None:
    assert _watch._end(KILL, beat(), []) == 3
    assert "(signal 9, SIGKILL). A damaged or hostile file can do that" in capsys.readouterr().err


def test_every_thread_that_decodes_has_a_place_of_its_own_until_it_is_done(
    tmp_path: Path, start: Start, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "beat"
    path.write_bytes(bytes(_beat.SIZE_BYTES))
    monkeypatch.setenv(_beat.FILE_VARIABLE, str(path))
    monkeypatch.setattr(_beat, "_writer", None)
    _beat.announce_limits(limit_s=30.0, memory_limit_bytes=GIB)
    seen: list[_beat.Beat] = []

    def other() -> None:
        with _beat.decoding("the second"):
            seen.append(_beat.read_beat(path))

    def first() -> None:
        with _beat.decoding("the first"):
            thread = threading.Thread(target=other)
            thread.start()
            thread.join()
            seen.append(_beat.read_beat(path))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        first()
    seen.append(_beat.read_beat(path))
    assert [[what for _, what in one.busy] for one in seen] == [["the first", "the second"], ["the first"], []]
    assert {(one.limit_s, one.memory_limit_bytes) for one in seen} == {(30.0, GIB)}


def test_where_nobody_watches_nothing_is_written(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(_beat.FILE_VARIABLE, raising=False)
    monkeypatch.setattr(_beat, "_writer", None)
    _beat.announce_limits(limit_s=30.0, memory_limit_bytes=GIB)
    with _beat.decoding("a film"):
        assert _beat._writer is None
