"""The command `pairdiff`: what reads films works in a process of its own, watched by this one.

A file can make a codec library crash, hang, or ask for all the memory there is. The watching process then says what was being decoded and
ends with the exit code of a refused input; what the other had finished and kept is used again next time. It passes on interrupts, and the
other ends with it. `PAIRDIFF_UNWATCHED=1` does without (for debuggers).
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from types import FrameType

from pairdiff._beat import FILE_VARIABLE, SIZE_BYTES, Beat, read_beat
from pairdiff._errors import InputRefused

WATCHED = ("compare", "measure", "align", "stills", "stretch")
"""Commands that read films."""
UNWATCHED_VARIABLE = "PAIRDIFF_UNWATCHED"
END_VARIABLE = "PAIRDIFF_END_WITH_INPUT"
"""Set by what runs many comparisons: this process ends when its standard input does, which is when that one is gone."""
HELD_VARIABLE = "PAIRDIFF_HELD_FILE"
"""Set by it as well: number of an open file that every process of this work keeps open, so that a lock on it lasts as long as they do."""
LOOK_EVERY_S = 0.25
"""How often the watched process is looked at (own)."""
SPARING = {"MALLOC_ARENA_MAX": "2", "OMP_WAIT_POLICY": "PASSIVE"}
"""For glibc: pictures come and go in several threads, and a pool for each would hold on to what the others need (own; a tenth less). For
the threads of kernels: between two kernels they sleep and do not spin, which would take the cores from the decoder and from whatever else
runs (OpenMP 5.2, 21.7; own: short kernels took ten times as long beside other work)."""
INTERRUPTED = 130
"""Exit code of what was interrupted (common practice: 128 and the number of the signal)."""
KEPT = "What was finished and kept is used again next time (--fresh ignores it)."


def main() -> int:
    """Run the command line, watched where it reads films.

    Returns
    -------
    int
        The exit code, as listed in `_cli`.
    """
    inner = os.environ.get(FILE_VARIABLE)
    if inner:
        _end_with_the_watcher(Path(inner))
    elif os.environ.get(END_VARIABLE):
        _end_with_the_watcher(None)
    words = sys.argv[1:]
    if inner or os.environ.get(UNWATCHED_VARIABLE) or not words or words[0] not in WATCHED or {"--help", "-h"} & set(words):
        from pairdiff._cli import main as run

        return run()
    with tempfile.TemporaryDirectory(prefix="pairdiff-", ignore_cleanup_errors=True) as folder:
        beat = Path(folder) / "beat"
        beat.write_bytes(bytes(SIZE_BYTES))
        return _watch(words, beat)


def _end_with_the_watcher(beat: Path | None) -> None:
    """End this process when the one that watches it is gone, and clear away what it left: its end of standard input closes then."""
    pipe = sys.stdin.fileno()

    def wait() -> None:
        with contextlib.suppress(OSError):
            while os.read(pipe, 1):
                pass
        if beat is not None:
            with contextlib.suppress(OSError):  # that file and its folder, which is empty then, and nothing else
                beat.unlink()
                beat.parent.rmdir()
        os._exit(INTERRUPTED)

    threading.Thread(target=wait, name="watcher", daemon=True).start()


def _watch(words: list[str], beat: Path) -> int:
    env = {**SPARING, **os.environ, FILE_VARIABLE: str(beat)}
    group = {"process_group": 0} if os.name == "posix" else {}  # a terminal's interrupt comes here alone, and is passed on
    command = [sys.executable, "-m", "pairdiff", *words]
    held = os.environ.get(HELD_VARIABLE)
    passed = (int(held),) if held else ()
    child = subprocess.Popen(command, stdin=subprocess.PIPE, env=env, pass_fds=passed, **group)  # type: ignore[call-overload]
    asked = _pass_on_signals(child)
    try:
        while True:
            with contextlib.suppress(subprocess.TimeoutExpired):
                return _end(child.wait(LOOK_EVERY_S), read_beat(beat), asked)
            reason = _overdue(read_beat(beat), child.pid)
            if reason:
                child.kill()
                child.wait()
                say(f"{reason} {KEPT}")
                return InputRefused.exit_code
    finally:
        if child.poll() is None:
            child.kill()
        child.wait()
        if child.stdin is not None:
            with contextlib.suppress(OSError):
                child.stdin.close()


def _pass_on_signals(child: subprocess.Popen[bytes]) -> list[int]:
    """Hand interrupts on to the watched process; at the second one it is ended. The list fills with what came."""
    asked: list[int] = []

    def pass_on(number: int, frame: FrameType | None) -> None:
        asked.append(number)
        if os.name == "posix" and len(asked) == 1:
            child.send_signal(number)
        elif len(asked) > 1:
            child.kill()

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, pass_on)
    return asked


def _overdue(beat: Beat, pid: int) -> str | None:
    """Why the watched process has to be ended; None as long as all is well."""
    if beat.limit_s:
        for since, what in beat.busy:
            spent_s = time.monotonic() - since
            if spent_s > beat.limit_s:
                return (
                    f"The decoder has worked on {what} for {spent_s:.0f} s without an end; the limit is {beat.limit_s:g} s "
                    "(--decode-limit-s). The file is most likely damaged: copy it again."
                )
    used = _memory_bytes(pid) if beat.memory_limit_bytes else 0
    if used > beat.memory_limit_bytes > 0:
        what = f" on {beat.busy[0][1]}" if beat.busy else ""
        return (
            f"The work{what} takes {used / 2**30:.1f} GiB of memory; the limit is {beat.memory_limit_bytes / 2**30:g} GiB "
            "(--memory-limit-gib). A picture of that file is larger than it should be, or the file is damaged."
        )
    return None


def _memory_bytes(pid: int) -> int:
    """Memory that a process holds now, bytes; 0 where it is gone."""
    import psutil

    try:
        return int(psutil.Process(pid).memory_info().rss)
    except psutil.Error:
        return 0


def _end(code: int, beat: Beat, asked: list[int]) -> int:
    """The exit code to end with, and a message where the process ended without one."""
    if 0 <= code < 256:
        return code
    if asked or code == -signal.SIGINT:
        return INTERRUPTED
    what = f" while it worked on {beat.busy[0][1]}" if beat.busy else ""
    say(
        f"The process that decodes ended without a word ({_name_end(code)}){what}. A damaged or hostile file can do that to a codec "
        f"library; one that the system ended may have been short of memory. Copy the file again, or leave it out. {KEPT}"
    )
    return InputRefused.exit_code


def _name_end(code: int) -> str:
    if code < 0:
        with contextlib.suppress(ValueError):
            return f"signal {-code}, {signal.Signals(-code).name}"
    return f"code {code:#x}" if code > 255 else f"code {code}"


def say(message: str) -> None:
    """Write a message to standard error."""
    if sys.stderr is not None:
        print(f"pairdiff: {message}", file=sys.stderr, flush=True)
