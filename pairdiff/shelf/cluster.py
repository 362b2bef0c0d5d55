"""A batch on a cluster: pairs as tasks on a Dask scheduler that is there already.

Files are found by the paths that this machine knows them by: films and results lie where every worker sees them under the same path. A
worker is looked at before it is given work: its Python, pairdiff and libraries must be those of this machine, and it must see the folder of
the results. What a worker cannot begin, since a film is not there or it joined with something else installed, goes to another one, to each
at most once. Dask gives the pairs of a lost worker to others.

A long pair that is read whole is more than one task: its passes are read in stretches, which lie in a folder beside the results until the
comparison takes them up. A stretch that cannot be read costs nothing but time: the comparison reads on from there by itself.

No two comparisons work in one folder: a lock is held by every process of a comparison (`Place.held`), so that a pair whose worker was lost
begins elsewhere when the last of them has ended. A task ends its processes when it is asked to (`_end_tasks`) and when nobody waits for it
any more. The archive is this machine's: results are handed on to it from here, one at a time.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import importlib.metadata
import json
import logging
import os
import platform
import queue
import secrets
import shutil
import signal
import socket
import threading
import time
import warnings
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any, Literal, TextIO

import pairdiff
from pairdiff._errors import ClusterRefused, InputRefused, OutputRefused, PairdiffError, UsageError
from pairdiff.shelf.archive import write_object
from pairdiff.shelf.batch import (
    FAULT,
    LOG,
    OUTCOME,
    STAYS,
    STOPPED,
    Outcome,
    Place,
    Say,
    Stop,
    find_done,
    is_there,
    keep_pair,
    numbered,
    outcome_of,
    read_outcome,
    run_command,
    run_pair,
    say_end,
    say_number,
    show_title,
    stretch_words,
    take_lock,
)
from pairdiff.shelf.manifest import Pair

LIBRARIES = ("numpy", "scipy", "opencv-python-headless", "scikit-image", "av", "numba", "llvmlite", "pyarrow")
"""Libraries whose version decides what is computed or how it is written."""
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS", "MALLOC_TRIM_THRESHOLD_")
"""Variables that Dask sets for its workers, or that are set there by habit: comparisons have what they have on this machine."""
LOCKS, STRETCHES = ".locks", ".stretches"
"""Folders, in that of the results, of a lock for each pair, and of stretches that were read."""
PLAN = "plan.json"
"""Written by the command `stretch`."""
CONNECT_S, FIRST_WORKER_S = 4.0, 10.0
"""How long a scheduler, and a first worker, is waited for (own)."""
LOOK_EVERY_S, STEP_S = 2.0, 0.25
"""How often workers are looked at, and how long each wait for something that happens lasts (own)."""
GONE_S = 120.0
"""How long a batch goes on without any worker, or without its scheduler (own)."""
LOCK_S = 60.0
"""How long a worker waits for another one's processes to end (own)."""
END_S = 30.0
"""How long tasks that were asked to end may take before their processes are ended at once (own)."""


# ---------------------------------------------------------------- on a worker


_at_work: dict[tuple[str, str], Stop] = {}
"""Of this worker's tasks, by batch and task: what asks them to end."""


def describe_machine() -> dict[str, Any]:
    """What decides the figures here: versions by name, and what only may."""
    found = {"python": ".".join(platform.python_version_tuple()[:2]), "pairdiff": pairdiff.__version__, "its code": _hash_code()}
    for name in LIBRARIES:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "none"
    return {"versions": found, "processor": _name_processor(), "host": socket.gethostname()}


def _hash_code() -> str:
    """Ten digits for all files of the package, since versions stay the same while it is worked on."""
    folder, found = Path(pairdiff.__file__).parent, hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.is_file() and "__pycache__" not in path.parts:
            found.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    return found.hexdigest()[:10]


def _name_processor() -> str:
    with contextlib.suppress(OSError):
        for line in Path("/proc/cpuinfo").read_text(encoding="utf-8", errors="replace").splitlines():
            if line.startswith("model name"):
                return line.partition(":")[2].strip()
    return platform.processor() or platform.machine()


def look_around(probe: str, words: str) -> dict[str, Any]:
    """What a worker is, and whether it sees a file of this batch with those words in it and can write beside it."""
    path = Path(probe)
    try:
        sees = path.read_text(encoding="utf-8") == words
        answer = path.with_name(f"{path.name}-{secrets.token_hex(4)}")
        answer.write_text(words, encoding="utf-8")
        answer.unlink()
        fault = None if sees else "it holds other words there"
    except OSError as error:
        fault = error.strerror or str(error)
    return {**describe_machine(), "fault": fault}


def work_on(task: Mapping[str, Any]) -> dict[str, Any]:
    """One step of a pair on a worker: plain data in and out.

    Parameters
    ----------
    task
        `step` (`plan`, `stretch` or `pair`), `entry` (a `Pair`), `out`, `fresh`, `batch` (its token), `number`, `versions` (what a worker
        must have), `variables` (of the environment, None for one that is not set), `plan` (of stretches that were read), and `stretch`
        (side and number of one).

    Returns
    -------
    dict
        `worker` (its address), and `outcome` (of `run_pair`), `plan` (of stretches) or `read`; or `unfit`: why it cannot begin with this
        pair, and `exit_code`.
    """
    from distributed import get_worker

    worker = get_worker()
    address, key = worker.address, str(worker.get_current_task())
    tell = partial(_tell, worker, task["batch"], number=task["number"])
    unfit = _find_unfit(task)
    if unfit is not None:
        return {"worker": address, "unfit": str(unfit), "exit_code": unfit.exit_code}
    stop, ended = Stop(), threading.Event()
    _at_work[task["batch"], key] = stop
    try:
        watch = partial(_stop_unwanted, worker, key, stop=stop, ended=ended)
        threading.Thread(target=watch, name="pairdiff-wanted", daemon=True).start()
        if task["step"] != "pair":
            return {"worker": address, **_work_on_stretches(task, say=tell, stop=stop)}
        tell(None)
        return {"worker": address, "outcome": _compare(task, say=tell, stop=stop)}
    finally:
        ended.set()
        del _at_work[task["batch"], key]


def _compare(task: Mapping[str, Any], *, say: Say, stop: Stop) -> dict[str, Any]:
    """The outcome of a pair, whose stretches are taken up."""
    out, entry = Path(task["out"]), task["entry"]
    try:
        with _held(out, entry["folder"], stop=stop) as held:
            for plan in task["plan"]:
                with contextlib.suppress(OSError):  # nothing depends on it
                    count = len(plan["starts_s"])
                    frames = pairdiff.join_stretches(out / STRETCHES / entry["folder"], key=plan["key"], count=count)
                    say(f"take up {frames} frames of the {plan['side'].upper()} release that were read in stretches")
            place = Place(task["variables"], None if held is None else held.fileno())
            return run_pair(entry, out, fresh=task["fresh"], say=say, stop=stop, place=place, keeping=False)
    except PairdiffError as error:
        return asdict(replace(outcome_of(Pair(**entry), "failed"), exit_code=error.exit_code, message=str(error)))


def _work_on_stretches(task: Mapping[str, Any], *, say: Say, stop: Stop) -> dict[str, Any]:
    """Plan the stretches of a pair, unless it is done, or read one of them."""
    pair, out = Pair(**task["entry"]), Path(task["out"])
    folder, place = out / STRETCHES / pair.folder, Place(task["variables"])
    try:
        if task["step"] == "stretch":
            words = stretch_words(pair, folder, stretch=task["stretch"])
            return {"read": run_command(words, log=folder / LOG, say=say, stop=stop, place=place)[0] == 0}
        if find_done(pair, out) is not None:
            return {"plan": []}
        folder.mkdir(parents=True, exist_ok=True)
        code, _ = run_command(stretch_words(pair, folder), log=folder / LOG, say=say, stop=stop, place=place)
        return {"plan": json.loads((folder / PLAN).read_text(encoding="utf-8"))["releases"] if code == 0 else []}
    except (PairdiffError, OSError, ValueError):
        return {"plan": [], "read": False}  # the comparison says what is wrong


def _tell(worker: Any, batch: str, line: str | None, *, number: int) -> None:
    """Send a line of a pair to whoever waits for it; None says that it was begun."""
    worker.log_event(topic_of(batch), {"number": number, "worker": worker.address, "line": line})


def topic_of(batch: str) -> str:
    """Under which a batch's lines go."""
    return f"pairdiff-{batch}"


def _find_unfit(task: Mapping[str, Any]) -> PairdiffError | None:
    """Why this worker cannot do the same as the machine that asks."""
    differs = _say_other_versions(describe_machine()["versions"], task["versions"])
    if differs:
        return ClusterRefused(differs)
    entry = task["entry"]
    sides: tuple[tuple[Literal["hdr", "sdr"], str], ...] = (("hdr", entry["hdr_path"]), ("sdr", entry["sdr_path"]))
    try:
        for side, path in sides:
            pairdiff.check_release(path, side=side)
        if not Path(task["out"]).is_dir():
            return OutputRefused(f"The folder {task['out']} is not there.")
    except PairdiffError as error:
        return error
    return None


def _say_other_versions(theirs: Mapping[str, str], ours: Mapping[str, str]) -> str:
    """What differs, in words; empty where nothing does."""
    differ = [f"{name} {theirs.get(name, 'none')} (here {ours[name]})" for name in ours if theirs.get(name) != ours[name]]
    return ", ".join(differ)


@contextlib.contextmanager
def _held(out: Path, folder: str, *, stop: Stop) -> Iterator[TextIO | None]:
    """Hold a pair's folder against other workers; None where no lock can be made.

    Raises
    ------
    OutputRefused : another comparison is at work there and does not end.
    """
    (out / LOCKS).mkdir(exist_ok=True)
    with open(out / LOCKS / folder, "a", encoding="utf-8") as file:
        until_s = time.monotonic() + LOCK_S
        while not take_lock(file):
            if time.monotonic() > until_s:
                raise OutputRefused(f"Another comparison is at work in {out / folder} and has not ended: end it, or wait for it.")
            if stop.asked:
                break
            time.sleep(STEP_S)
        yield file if os.name == "posix" else None


def _stop_unwanted(worker: Any, key: str, *, stop: Stop, ended: threading.Event) -> None:
    """End a task's processes when nobody waits for it any more, or its worker closes; at once where they do not end when asked."""
    while not ended.wait(1.0):
        if not _is_wanted(worker, key):
            stop(signal.SIGINT, None)
            if not ended.wait(END_S):
                _press(stop)
            return


def _is_wanted(worker: Any, key: str) -> bool:
    task = worker.state.tasks.get(key)
    return worker.status.name == "running" and task is not None and task.state not in ("cancelled", "resumed", "released", "forgotten")


def _press(stop: Stop) -> None:
    """Ask once more, which ends processes at once."""
    with contextlib.suppress(KeyboardInterrupt):  # what it raises where there is no process
        stop(signal.SIGINT, None)


async def _end_tasks(batch: str, *, at_once: bool) -> int:
    """End what a worker does for a batch, and wait until that has ended; the number of tasks that have not."""

    def left() -> list[Stop]:
        return [stop for (whose, _), stop in _at_work.items() if whose == batch]

    for stop in left():
        if not stop.asked:
            stop(signal.SIGINT, None)
        if at_once:
            _press(stop)
    until_s = time.monotonic() + END_S
    while left() and time.monotonic() < until_s:
        await asyncio.sleep(STEP_S)
    for stop in left():
        _press(stop)
    return len(left())


# ---------------------------------------------------------------- here


@dataclass(slots=True)
class _Given:
    """A pair that is on the cluster."""

    number: int
    pair: Pair
    before: Outcome | None
    begun_s: float | None = None
    """By the monotonic clock; None until a worker has begun."""
    on: str = ""
    """The worker that began with it last."""
    refused: dict[str, tuple[str, int]] = field(default_factory=dict)
    """Workers that cannot do it, by address: what they said, and the exit code that goes with it."""
    asked: tuple[str, ...] = ()
    """Workers that it was given to alone; any where empty."""
    plan: list[dict[str, Any]] | None = None
    """Stretches that it is read in; None until that is known."""
    stretches: int = 0
    """How many of them are on the cluster."""


def work_on_cluster(
    chosen: Sequence[Pair], out: Path, *, address: str, fresh: bool, say: Say, stop: Stop
) -> Iterator[tuple[Pair, Outcome]]:
    """Work on pairs on the workers of a scheduler; as `batch.work_here` does one after the other.

    Parameters
    ----------
    chosen, out, fresh, say, stop
        As for `batch.work_here`.
    address
        Of the scheduler: `tcp://HOST:PORT`.

    Yields
    ------
    Each pair and what became of it, in the order in which they end.

    Raises
    ------
    UsageError : an address that cannot be one.
    ClusterRefused : no scheduler answers, no worker is there or is left, or a worker would not find the same.
    """
    with _connect(address) as client:
        work = _Work(client, out, fresh=fresh, say=say, stop=stop, count=len(chosen))
        work.check_workers()
        yield from work.run(chosen)


@contextlib.contextmanager
def _connect(address: str) -> Iterator[Any]:
    from distributed import Client
    from distributed.comm import get_address_host_port

    said = f"--dask {address}"
    try:
        get_address_host_port(address, strict=True)
    except (ValueError, TypeError, RuntimeError) as error:
        raise UsageError(f"{said}: no address of a scheduler ({error}). Write it as tcp://HOST:PORT.") from None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of versions that differ: they are looked at below
            client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (TimeoutError, OSError) as error:
        raise ClusterRefused(
            f"{said}: no scheduler answers there ({str(error) or type(error).__name__}). Start one (`dask scheduler`), or give the address "
            "that it printed."
        ) from None
    with _quiet():
        try:
            yield client
        finally:
            with contextlib.suppress(Exception):  # what is done is done, whatever becomes of the connection
                client.close(timeout=CONNECT_S)


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Without Dask's own lines, traces among them: what they say is said here."""
    named = {name: one for name, one in logging.root.manager.loggerDict.items() if name.startswith(("distributed", "tornado"))}
    before = [(one, one.level) for one in named.values() if isinstance(one, logging.Logger)]
    for logger, _ in before:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        yield
    finally:
        for logger, level in before:
            logger.setLevel(level)


class _Work:
    """The pairs of one call on one cluster."""

    def __init__(self, client: Any, out: Path, *, fresh: bool, say: Say, stop: Stop, count: int) -> None:
        self._client, self._out, self._fresh, self._say, self._stop, self._count = client, out, fresh, say, stop, count
        self._batch = secrets.token_hex(6)
        self._versions: dict[str, str] = describe_machine()["versions"]
        self._happened: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        self._given: dict[Any, _Given] = {}
        self._steps: dict[Any, str] = {}
        self._ended = 0
        self._workers: dict[str, str] = {}
        self._looked_s = self._seen_s = time.monotonic()

    # ------------------------------------------------------------ before work is given out

    def check_workers(self) -> None:
        """Look at every worker, and refuse a cluster of which one would not find the same.

        Raises
        ------
        ClusterRefused.
        """
        try:
            self._client.wait_for_workers(1, timeout=FIRST_WORKER_S)
        except TimeoutError:
            raise ClusterRefused(
                "The scheduler has no worker: start some (`dask worker ADDRESS --nthreads 1`), and give the same command again."
            ) from None
        probe = self._out / f".cluster-{self._batch}"
        probe.write_text(self._batch, encoding="utf-8")
        try:
            found = self._client.run(look_around, str(probe), self._batch, on_error="return")
        finally:
            probe.unlink()
        self._workers = self._names(list(found))
        faults = [f"  {self._workers[one]}: {fault}" for one, answer in found.items() if (fault := self._find_fault(answer))]
        if faults:
            raise ClusterRefused("\n".join(["These workers would not find the same; nothing was run:", *faults]))
        ours = _name_processor()
        for one, answer in found.items():
            if answer["processor"] != ours:
                self._say(
                    f"Note: {self._workers[one]} has another processor ({answer['processor']}, here {ours}): the last digits of a figure "
                    "may differ from what this machine would find."
                )
        hosts = len({answer["host"] for answer in found.values()})
        self._say(f"workers: {len(found)} on {hosts} machine{'s' if hosts > 1 else ''}")

    def _find_fault(self, answer: Any) -> str:
        if isinstance(answer, BaseException):
            return f"it cannot run this pairdiff ({answer}): install the same version there, as `pip install 'pairdiff[cluster]'`."
        differs = _say_other_versions(answer["versions"], self._versions)
        if differs:
            return f"{differs}: install the same on every machine."
        if answer["fault"]:
            return (
                f"it does not see {self._out} as this machine does, on {answer['host']} ({answer['fault']}): name a folder with --out "
                "that every worker reaches under the same path, and can write to."
            )
        return ""

    def _names(self, addresses: Sequence[str]) -> dict[str, str]:
        """Names of workers, by address."""
        known = self._client.scheduler_info(n_workers=-1)["workers"]
        return {one: str(known[one]["name"]) if one in known else one for one in addresses}

    def _name(self, address: str) -> str:
        """A worker in words: its name, which is its address where it was given none."""
        if address not in self._workers:
            self._workers |= self._names([address])
        return self._workers[address]

    # ------------------------------------------------------------ work

    def run(self, chosen: Sequence[Pair]) -> Iterator[tuple[Pair, Outcome]]:
        """Give the pairs out, and each one's outcome when it is there."""
        self._client.subscribe_topic(topic_of(self._batch), lambda event: self._happened.put(("line", event[1])))
        try:
            for number, pair in enumerate(chosen, 1):
                self._give(_Given(number, pair, read_outcome(pair, self._out)))
            while (self._given or not self._happened.empty()) and not self._stop.asked:
                yield from self._take_next()
                self._look_at_workers()
            if self._stop.asked:
                yield from self._end()
        except KeyboardInterrupt:
            self._end_tasks(at_once=True)
            yield from self._left()
        except _connection_faults() as error:
            raise self._lost(str(error)) from None
        finally:
            with contextlib.suppress(Exception):
                self._client.cancel(list(self._given), force=True)

    def _give(self, given: _Given) -> None:
        """Put a pair on the cluster, for workers that have not refused it: first what may be read in stretches."""
        read_whole = given.pair.options.get("full") or given.pair.options.get("survey") is False
        if read_whole and not self._fresh and given.plan is None and not given.refused:
            self._submit(given, step="plan")
            return
        self._submit(given, step="pair")

    def _give_stretches(self, given: _Given) -> None:
        """Put all stretches of a pair on the cluster; the pair itself where there are none."""
        wanted = [(plan["side"], number) for plan in given.plan or () for number in range(len(plan["starts_s"]))]
        given.stretches = len(wanted)
        for stretch in wanted:
            self._submit(given, step="stretch", stretch=stretch)
        if not wanted:
            self._submit(given, step="pair")

    def _submit(self, given: _Given, *, step: str, stretch: tuple[str, int] | None = None) -> None:
        task = {
            "step": step,
            "plan": given.plan or [],
            "stretch": stretch,
            "entry": asdict(given.pair),
            "out": str(self._out),
            "fresh": self._fresh,
            "batch": self._batch,
            "number": given.number,
            "versions": self._versions,
            "variables": {name: os.environ.get(name) for name in THREADS},
        }
        given.asked = tuple(one for one in self._workers if one not in given.refused) if given.refused else ()
        only = {"workers": list(given.asked)} if given.asked else {}
        key = f"pairdiff-{self._batch}-{given.number}-{step}-{secrets.token_hex(4)}"
        future = self._client.submit(work_on, task, key=key, pure=False, retries=0, priority=-given.number, **only)
        self._given[future] = given
        self._steps[future] = step
        future.add_done_callback(lambda ended: self._happened.put(("ended", ended)))

    def _take_next(self) -> Iterator[tuple[Pair, Outcome]]:
        """Something that happened: a line of a pair, or its end."""
        try:
            kind, what = self._happened.get(timeout=STEP_S)
        except queue.Empty:
            return
        if kind == "line":
            self._tell(what)
            return
        given, outcome = what if kind == "failed" else self._take(what)
        if given is None or outcome is None:
            return
        if outcome.state in ("done", "failed"):
            shutil.rmtree(self._out / STRETCHES / given.pair.folder, ignore_errors=True)
        outcome = self._keep(given, outcome)
        took_s = time.monotonic() - (given.begun_s or time.monotonic())
        where = f", on {given.on}" if given.on else ""
        self._say(f"{say_number(given.number, self._count)}{say_end(outcome, before=given.before, took_s=took_s)}{where}")
        self._ended += 1
        yield given.pair, outcome

    def _take(self, future: Any) -> tuple[_Given | None, Outcome | None]:
        """A pair whose task ended, and its outcome; neither where it was given up, no outcome where it was given out once more."""
        given, step = self._given.pop(future, None), self._steps.pop(future, "")
        if given is None:
            return None, None
        if step == "stretch":  # whatever became of it: the comparison reads what is lacking
            given.stretches -= 1
            if not given.stretches:
                self._submit(given, step="pair")
            return given, None
        if step == "plan" and future.status == "finished" and "plan" in (found := future.result()):
            given.plan = found["plan"]
            self._give_stretches(given)
            return given, None
        if step == "plan" and future.status == "error":
            given.plan = []
            self._give(given)
            return given, None
        return given, self._read(future, given)

    def _tell(self, event: Mapping[str, Any]) -> None:
        """A line that came from a worker; one of a pair that is over is left out."""
        given = next((one for one in self._given.values() if one.number == event["number"]), None)
        if given is None:
            return
        given.begun_s = given.begun_s or time.monotonic()
        if event["line"] is None:
            given.on = self._name(event["worker"])
            self._say(f"{say_number(given.number, self._count)}{show_title(given.pair.title)}, on {given.on}")
        else:
            named = f"{event['line'].removeprefix('pairdiff: ')} [{self._name(event['worker'])}]"
            numbered(self._say, given.number, self._count)(named)

    def _read(self, future: Any, given: _Given) -> Outcome | None:
        """What a task ended with; None where the pair was given out once more."""
        if future.status in ("cancelled", "lost"):
            if self._client.status != "running":
                raise self._lost("the connection was closed")
            return self._write(given, state="interrupted", message="It was taken off the scheduler. The same command tries it again.")
        if future.status == "error":
            return self._read_error(future.exception(), given)
        found = future.result()
        if "outcome" in found:
            given.on = self._name(found["worker"])
            return Outcome(**found["outcome"])
        given.refused[found["worker"]] = (f"{self._name(found['worker'])}: {found['unfit']}", found["exit_code"])
        return self._give_elsewhere(given)

    def _read_error(self, error: BaseException, given: _Given) -> Outcome | None:
        from distributed.scheduler import KilledWorker

        if isinstance(error, KilledWorker):
            words = (
                f"{error.allowed_failures + 1} workers were lost one after the other while they worked on this pair, the last of them "
                f"{given.on or 'unknown'}. Look at their logs; a machine that is short of memory ends them. Compare this pair alone."
            )
            return self._write(given, state="failed", exit_code=128 + signal.SIGKILL, message=words)
        unfit = self._cannot_load()
        if set(unfit) - set(given.refused):  # workers that came later, without this pairdiff
            given.refused |= unfit
            return self._give_elsewhere(given)
        words = f"A fault on the cluster: {type(error).__name__}: {error}. Compare this pair alone with --debug and report the trace."
        return self._write(given, state="failed", exit_code=FAULT, message=words)

    def _cannot_load(self) -> dict[str, tuple[str, int]]:
        """Workers that cannot load this pairdiff, as `_Given.refused` holds them."""
        found = self._client.run(describe_machine, on_error="return")
        names = self._names(list(found))
        return {
            one: (f"{names[one]}: it cannot run this pairdiff ({answer})", ClusterRefused.exit_code)
            for one, answer in found.items()
            if isinstance(answer, BaseException)
        }

    def _give_elsewhere(self, given: _Given) -> Outcome | None:
        """Give a pair to the workers that have not refused it; its outcome where there are none."""
        self._workers = self._names(self._present())
        if any(one not in given.refused for one in self._workers):
            self._give(given)
            return None
        said = [words for words, _ in given.refused.values()]
        code = next(iter(given.refused.values()))[1]
        words = " ".join(["No worker can begin with it: give paths that every worker reaches.", *said])
        return self._write(given, state="failed", exit_code=code, message=words)

    def _write(self, given: _Given, *, state: str, message: str, exit_code: int | None = None) -> Outcome:
        """An outcome that no worker could write down."""
        outcome = replace(outcome_of(given.pair, state), exit_code=exit_code, message=message)
        if is_there(given.pair, self._out):
            return replace(outcome, message=f"{message} {STAYS}")
        with contextlib.suppress(OSError):
            (self._out / given.pair.folder).mkdir(exist_ok=True)
            write_object(self._out / given.pair.folder / OUTCOME, asdict(outcome), readable=True)
        return outcome

    def _keep(self, given: _Given, outcome: Outcome) -> Outcome:
        """Hand a result on to the archive of this machine, where that is asked for."""
        try:
            return keep_pair(given.pair, outcome, self._out, say=numbered(self._say, given.number, self._count), stop=self._stop)
        except OSError as error:
            words = f"{self._out / given.pair.folder} cannot be written ({error.strerror or error}): free some space."
            return replace(outcome, state="failed", exit_code=OutputRefused.exit_code, message=words)

    # ------------------------------------------------------------ workers that come and go

    def _present(self) -> list[str]:
        return list(self._client.nthreads())

    def _look_at_workers(self) -> None:
        """Say who was lost, and give pairs that waited for those alone to others.

        Raises
        ------
        ClusterRefused : where no worker has been there for long.
        """
        now_s = time.monotonic()
        if now_s - self._looked_s < LOOK_EVERY_S:
            return
        self._looked_s = now_s
        present = self._present()
        for one in [one for one in self._workers if one not in present]:
            self._say(f"the worker {self._workers.pop(one)} is lost; what it was at goes to others")
        self._workers |= self._names([one for one in present if one not in self._workers])
        for future, given in list(self._given.items()):
            if given.asked and not set(given.asked) & set(present):
                del self._given[future]
                self._client.cancel([future], force=True)
                outcome = self._give_elsewhere(given)
                if outcome is not None:
                    self._happened.put(("failed", (given, outcome)))
        if present:
            self._seen_s = now_s
        elif now_s - self._seen_s > GONE_S:
            raise self._lost(f"no worker has been there for {GONE_S:.0f} s")

    def _lost(self, why: str) -> ClusterRefused:
        left = self._count - self._ended
        return ClusterRefused(
            f"The cluster is lost ({why}); pairs that are not done: {left}. What is done is in {self._out}; the same command goes on with "
            "the rest."
        )

    # ------------------------------------------------------------ the end

    def _end(self) -> Iterator[tuple[Pair, Outcome]]:
        """Take everything off the cluster, and wait until what was at work has ended."""
        self._say("stopping what is at work; pressed again, it is ended at once")
        self._client.cancel(list(self._given), force=True)
        self._end_tasks(at_once=False)
        yield from self._left()

    def _end_tasks(self, *, at_once: bool) -> None:
        with contextlib.suppress(*_connection_faults()):
            self._client.run(_end_tasks, self._batch, at_once=at_once, on_error="ignore")

    def _left(self) -> Iterator[tuple[Pair, Outcome]]:
        """Outcomes of pairs that were begun and not taken yet."""
        for given in {one.number: one for one in self._given.values()}.values():
            if given.begun_s is not None:
                found = read_outcome(given.pair, self._out)
                if found is not None and found.state == "done":  # of this call, or of other files that lay there before it
                    found = self._find_done(given.pair)
                yield given.pair, found or replace(outcome_of(given.pair, "interrupted"), message=STOPPED)

    def _find_done(self, pair: Pair) -> Outcome | None:
        try:
            return find_done(pair, self._out)
        except InputRefused:
            return None


def _connection_faults() -> tuple[type[BaseException], ...]:
    """What calls to a scheduler that is gone end with."""
    from distributed.comm.core import CommClosedError

    return (CommClosedError, TimeoutError, ConnectionError, asyncio.CancelledError)
