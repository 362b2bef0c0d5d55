"""Pictures that are kept come back as they were, and nothing stays behind."""

from __future__ import annotations

import os
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from pairdiff._records import Frame
from pairdiff.frames.spool import FOLDER, Spool


def picture(number: int) -> Frame:
    rng = np.random.default_rng(number)
    planes = (rng.integers(0, 1024, (20, 30)).astype(np.uint16), rng.integers(0, 256, (10, 15)).astype(np.uint8))
    return Frame(number, Fraction(number, 24), planes, number % 2 == 0, "P")


def test_a_picture_comes_back_as_it_was(tmp_path: Path) -> None:
    with Spool(tmp_path / "kept") as spool:
        assert spool.put("hdr", picture(3))
        assert spool.put("sdr", picture(4))
        for name, number in (("hdr", 3), ("sdr", 4)):
            found = spool.get(name, number)
            assert found is not None
            assert (found.index, found.time_s, found.key_frame, found.picture_type) == (number, Fraction(number, 24), number % 2 == 0, "P")
            for mine, theirs in zip(found.planes, picture(number).planes, strict=True):
                assert mine.dtype == theirs.dtype
                np.testing.assert_array_equal(mine, theirs)
                assert not mine.flags.writeable
        assert spool.get("sdr", 3) is None


def test_a_strided_plane_is_kept_as_it_looks(tmp_path: Path) -> None:
    wide = np.arange(200, dtype=np.uint16).reshape(10, 20)
    with Spool(tmp_path) as spool:
        spool.put("hdr", Frame(0, Fraction(0), (wide[:, 1::2],), True, "I"))
        found = spool.get("hdr", 0)
        assert found is not None
        np.testing.assert_array_equal(found.planes[0], wide[:, 1::2])


def test_nothing_stays_behind(tmp_path: Path) -> None:
    with Spool(tmp_path) as spool:
        spool.put("hdr", picture(1))
        assert list(tmp_path.rglob("hdr-1"))
    assert list((tmp_path / FOLDER).iterdir()) == []


def test_without_a_folder_nothing_is_kept_and_nothing_fails(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with Spool(tmp_path / "file" / "kept") as spool:
        assert not spool.put("hdr", picture(1))
        assert spool.get("hdr", 1) is None


def test_a_full_disk_keeps_nothing_of_a_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Spool(tmp_path) as spool:

        def no_room(*given: object, **named: object) -> None:
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(Path, "open", no_room)
        assert not spool.put("hdr", picture(1))
        monkeypatch.undo()
        assert spool.get("hdr", 1) is None


def test_a_file_that_was_cut_is_as_good_as_none(tmp_path: Path) -> None:
    with Spool(tmp_path) as spool:
        spool.put("hdr", picture(1))
        (path,) = tmp_path.rglob("hdr-1")
        path.write_bytes(path.read_bytes()[:100])
        assert spool.get("hdr", 1) is None


def test_what_a_killed_run_has_left_is_cleared_up_later_and_nothing_else(tmp_path: Path) -> None:
    old, new, other = (tmp_path / FOLDER / name for name in ("run-old", "run-new", "run-thesis"))
    for folder in (old, new, other):
        folder.mkdir(parents=True)
        (folder / "hdr-1").write_bytes(b"0")
    (other / "results.csv").write_text("mine")
    for folder in (old, other):
        os.utime(folder, (0, 0))
    with Spool(tmp_path):
        assert not old.exists()
        assert new.exists()
        assert other.exists()
