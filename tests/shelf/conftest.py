"""Fixtures of the archive: result folders to keep, and an archive of some of them."""

from __future__ import annotations

import shutil
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

import pairdiff
from pairdiff._cli import main
from tests.shelf._titles import Titles

Call = Callable[..., int]


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch) -> Call:
    """The command line in this process."""

    def run(*words: object) -> int:
        monkeypatch.setattr(sys, "argv", ["pairdiff", *map(str, words)])
        return main()

    return run


@pytest.fixture(scope="session")
def titles() -> Titles:
    return Titles()


@pytest.fixture(scope="session")
def folders(titles: Titles, tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Twenty results; tests must not change them."""
    return titles.write_many(tmp_path_factory.mktemp("results"), 20)


@pytest.fixture(scope="session")
def kept(folders: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An archive of them all; tests must not change it."""
    archive = tmp_path_factory.mktemp("kept") / "archive"
    for number, folder in enumerate(folders):
        pairdiff.keep(folder, archive=archive, year=2000 + number, edition="4K disc" if number % 2 else None)
    return archive


@pytest.fixture
def archive(kept: Path, tmp_path: Path) -> Path:
    """A copy of it that may be changed."""
    return Path(shutil.copytree(kept, tmp_path / "archive"))
