"""A scheduler and workers as a user starts them: each a process of its own, ended with all that it started."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

import psutil
import pytest


class Dask:
    """A scheduler and what is known of its workers."""

    def __init__(self, folder: Path, env: Mapping[str, str]) -> None:
        self.folder, self._env = folder, {**env, "DASK_DISTRIBUTED__ADMIN__LOW_LEVEL_LOG_LENGTH": "100"}
        self._started: list[subprocess.Popen[bytes]] = []
        self.workers: dict[str, psutil.Process] = {}
        told = folder / "scheduler.json"
        told.unlink(missing_ok=True)  # of another one, that is gone
        self._start("scheduler", "--port", "0", "--host", "127.0.0.1", "--no-dashboard", "--scheduler-file", str(told))
        wait_for(lambda: told.exists() and told.read_text(), what="a scheduler")
        self.address: str = json.loads(told.read_text())["address"]

    def _start(self, *words: str, cwd: Path | None = None, env: Mapping[str, str] | None = None) -> subprocess.Popen[bytes]:
        log = (self.folder / f"{len(self._started)}.log").open("wb")
        command = [sys.executable, "-m", "dask", *words]
        started = subprocess.Popen(command, env={**self._env, **(env or {})}, cwd=cwd, stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        log.close()
        self._started.append(started)
        return started

    def add_worker(
        self, name: str, *, cwd: Path | None = None, env: Mapping[str, str] | None = None, options: tuple[str, ...] = ()
    ) -> None:
        """One worker of one thread, with the process that looks after it and starts it again."""
        words = ("worker", self.address, "--nthreads", "1", "--name", name, "--no-dashboard", "--local-directory", str(self.folder))
        self.workers[name] = psutil.Process(self._start(*words, *options, cwd=cwd, env=env).pid)

    def wait_for_workers(self, count: int) -> None:
        from distributed import Client

        with Client(self.address, timeout=30, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=60)

    def lose(self, name: str) -> list[psutil.Process]:
        """End a worker and what looks after it, as when its machine is gone; processes that it had started."""
        nanny = self.workers.pop(name)
        workers = nanny.children()
        below = [one for worker in workers for one in worker.children(recursive=True)]
        for one in (nanny, *workers):
            one.kill()
        return below

    def lose_scheduler(self) -> None:
        """End the scheduler without a word."""
        self._started[0].kill()

    def close(self) -> None:
        found = [one for started in self._started for one in _with_children(started.pid)]
        for one in found:
            with suppress(psutil.NoSuchProcess):
                one.kill()
        for started in self._started:
            started.wait(20)


def _with_children(number: int) -> list[psutil.Process]:
    try:
        process = psutil.Process(number)
        return [process, *process.children(recursive=True)]
    except psutil.NoSuchProcess:
        return []


@contextmanager
def dask(folder: Path, env: Mapping[str, str], *, workers: int) -> Iterator[Dask]:
    """A scheduler with so many workers of one thread, called `w1` and on."""
    pytest.importorskip("distributed", reason="the extra `cluster` is not installed")
    found = Dask(folder, env)
    try:
        for number in range(workers):
            found.add_worker(f"w{number + 1}")
        if workers:
            found.wait_for_workers(workers)
        yield found
    finally:
        found.close()


def wait_for(is_so: Callable[[], object], *, what: str, limit_s: float = 60) -> None:
    """Wait until something is so."""
    until_s = time.monotonic() + limit_s
    while not is_so():
        if time.monotonic() > until_s:
            pytest.fail(f"waited {limit_s:.0f} s for {what}")
        time.sleep(0.05)
