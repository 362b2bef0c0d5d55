"""What the acceptance tests share: a folder for what runs keep, the panoramas, the command line."""

from __future__ import annotations

import os
from collections.abc import Iterator
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
