"""Clips that several tests of this folder probe."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests._clips import MASTERING, SDR_TAGS, encode_clip, moving_planes


@pytest.fixture(scope="session")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("clips")


@pytest.fixture(scope="session")
def hdr10(folder: Path) -> Path:
    """PQ, BT.2020, mastering metadata and light levels in the bitstream, chroma stated top-left."""
    return encode_clip(folder / "hdr10.mkv", moving_planes(6), params=f"hdr10=1:repeat-headers=1:chromaloc=2:max-cll=1000,400:{MASTERING}")


@pytest.fixture(scope="session")
def sdr(folder: Path) -> Path:
    return encode_clip(folder / "sdr.mp4", moving_planes(6, bits=8), codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS)
