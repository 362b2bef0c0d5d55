"""What several test files need from outside the project; each skips with its reason where the machine has it not."""

from __future__ import annotations

import gc
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.small_clips import SmallPair, make_small_pair

ROOT = Path(__file__).resolve().parents[1]
os.environ.setdefault("OMP_WAIT_POLICY", "PASSIVE")  # as the command line has it, before the first kernel runs


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Slow tests may take an hour each before they are taken to hang."""
    for item in items:
        if item.get_closest_marker("slow"):
            item.add_marker(pytest.mark.timeout(3600))


def pytest_collection_finish() -> None:
    """What was collected stays to the end: looking through it whenever memory is handed back would take longer than many a test."""
    gc.collect()
    gc.freeze()


@pytest.fixture(autouse=True)
def _no_real_time_priority() -> Iterator[None]:
    """A test that leaves its process at real-time priority (see `usual_priority`) would hold up every one behind it."""
    yield
    if hasattr(os, "sched_getscheduler") and os.sched_getscheduler(0) != os.SCHED_OTHER:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))
        pytest.fail("the test left its process at real-time priority: an encoder was not run within `usual_priority`")


@pytest.fixture(scope="session")
def project_root() -> Path:
    return ROOT


@pytest.fixture
def one_thread() -> Iterator[None]:
    """For pictures so small that waking threads takes longer than the work."""
    import numba

    before = numba.get_num_threads()
    numba.set_num_threads(1)
    yield
    numba.set_num_threads(before)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Chromium, without a network."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright drives the browser")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("Chromium is not installed")
    with sync_api.sync_playwright() as driver:
        found = driver.chromium.launch(executable_path=chromium, args=["--disable-gpu", "--disable-background-networking"])
        yield found
        found.close()


@pytest.fixture(scope="session")
def real_light() -> list[Path]:
    """Eight scene-linear panoramas (BT.709 primaries, float EXR, CC0), fetched by tests/run."""
    found = sorted((ROOT / ".cache/blender-data/usr/share/blender/datafiles/studiolights/world").glob("*.exr"))
    if not found:
        pytest.skip("the panoramas of Debian's blender-data are not here: run bash tests/run as root")
    return found


@pytest.fixture(scope="session")
def ffmpeg() -> str:
    found = shutil.which("ffmpeg")
    if found is None:
        pytest.skip("ffmpeg, the second decoder, is not installed")
    return found


@pytest.fixture(scope="session")
def chromium() -> str:
    found = shutil.which("chromium")
    if found is None:
        pytest.skip("chromium is not installed")
    return found


@pytest.fixture(scope="session")
def run_pairdiff(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., subprocess.CompletedProcess[str]]:
    """The command line in a process of its own, as a user starts it, with an empty HOME."""
    home = tmp_path_factory.mktemp("home")
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("XDG_", "PAIRDIFF_", "FORCE_COLOR"))}
    env = {**kept, "HOME": str(home), "PYTHONPATH": str(ROOT), "COLUMNS": "120"}

    def run(*words: object, timeout_s: float = 300) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "pairdiff", *map(str, words)]
        return subprocess.run(command, capture_output=True, text=True, env=env, timeout=timeout_s, cwd=home, stdin=subprocess.DEVNULL)

    return run


@pytest.fixture(scope="session")
def small_pair(tmp_path_factory: pytest.TempPathFactory) -> SmallPair:
    return make_small_pair(tmp_path_factory.mktemp("small"))
