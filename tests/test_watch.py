"""A command that reads films outlives what a file does to the codec library: crashes, hangs, hunger. The faults are made by the tests: the
watched process is told to do them in place of decoding."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

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
