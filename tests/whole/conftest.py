"""What the acceptance tests share: a folder for what runs keep, the panoramas, the command line."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

PANORAMAS = Path(".cache/blender-data/usr/share/blender/datafiles/studiolights/world")


@pytest.fixture(scope="session", autouse=True)
def _kept_apart(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """What runs in this process keep goes to a folder of the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path_factory.mktemp("kept")))
        yield


@pytest.fixture(scope="session")
def world(project_root: Path) -> Path:
    """Folder of the eight scene-linear panoramas of Debian's blender-data (CC0)."""
    folder = Path(os.environ.get("PAIRDIFF_WORLD_DIR", project_root / PANORAMAS))
    if not any(folder.glob("*.exr")):
        pytest.skip(f"the panoramas of Debian's blender-data are not in {folder}: run bash tests/run as root, or set PAIRDIFF_WORLD_DIR")
    return folder


class Started:
    """A command line that runs, with its standard error read line by line."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.said: list[str] = []

    def wait_for(self, words: str) -> None:
        """Read standard error until a line holds the words; fail where it ends before."""
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.said.append(line.rstrip())
            if words in line:
                return
        pytest.fail(f"{words!r} was never said; said: {self.said}")

    def finish(self, *, timeout_s: float = 120) -> tuple[int, str, str]:
        """Exit code, standard output and standard error of the whole run."""
        out, rest = self.process.communicate(timeout=timeout_s)
        return self.process.returncode, out, "\n".join([*self.said, rest])


@pytest.fixture
def start_pairdiff(tmp_path: Path, project_root: Path) -> Iterator[Callable[..., Started]]:
    """Start the command line without waiting for it; what it keeps goes to a folder of this test alone."""
    env = {
        **os.environ,
        "HOME": str(tmp_path),
        "PYTHONPATH": str(project_root),
        "PAIRDIFF_KEEP_DIR": str(tmp_path / "kept"),
        "COLUMNS": "120",
    }
    running: list[subprocess.Popen[str]] = []

    def start(*words: object) -> Started:
        command = [sys.executable, "-m", "pairdiff", *map(str, words)]
        pipe = subprocess.PIPE
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=pipe, stderr=pipe, text=True, env=env, cwd=tmp_path)
        running.append(process)
        return Started(process)

    yield start
    for process in running:
        if process.poll() is None:
            process.kill()
        process.communicate()
