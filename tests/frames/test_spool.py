"""Pictures that are kept come back as they were, and nothing stays behind."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from pairdiff._nameless_file import NamelessFile
from pairdiff._records import Frame
from pairdiff.frames.spool import Spool


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


def test_nothing_stays_behind_even_of_a_run_that_is_killed(tmp_path: Path) -> None:
    """kill -9, which leaves nobody to clear up."""
    words = f"""
import sys, time
import numpy as np
from fractions import Fraction
from pathlib import Path
from pairdiff._records import Frame
from pairdiff.frames.spool import Spool
spool = Spool(Path({str(tmp_path)!r}))
print(spool.put("hdr", Frame(1, Fraction(0), (np.ones((200, 300), np.uint16),), True, "I")), flush=True)
time.sleep(60)
"""
    with subprocess.Popen([sys.executable, "-c", words], stdout=subprocess.PIPE, text=True) as run:
        assert run.stdout is not None
        assert run.stdout.readline() == "True\n"
        run.kill()
    assert list(tmp_path.iterdir()) == []


def test_pictures_put_and_taken_by_several_threads_stay_apart(tmp_path: Path) -> None:
    with Spool(tmp_path) as spool, ThreadPoolExecutor(4) as pool:

        def put_and_get(number: int) -> bool:
            spool.put("hdr", picture(number))
            found = spool.get("hdr", number)
            return found is not None and all(map(np.array_equal, found.planes, picture(number).planes))

        assert all(pool.map(put_and_get, range(200)))


def test_without_a_folder_nothing_is_kept_and_nothing_fails(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with Spool(tmp_path / "file" / "kept") as spool:
        assert not spool.put("hdr", picture(1))
        assert spool.get("hdr", 1) is None


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="/dev/full is Linux's")
def test_a_full_disk_keeps_nothing_of_a_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tempfile, "TemporaryFile", lambda **named: open("/dev/full", "r+b", buffering=0))  # noqa: SIM115
    with Spool(tmp_path) as spool:
        assert not spool.put("hdr", picture(1))
        assert spool.get("hdr", 1) is None


def test_a_file_that_was_cut_is_as_good_as_none(tmp_path: Path) -> None:
    with Spool(tmp_path) as spool:
        spool.put("hdr", picture(1))
        spool.put("hdr", picture(2))
        assert spool._file is not None
        spool._file._file.truncate(2000)
        first = spool.get("hdr", 1)
        assert first is not None
        assert np.array_equal(first.planes[0], picture(1).planes[0])
        assert spool.get("hdr", 2) is None


def test_of_a_picture_that_a_full_disk_does_not_take_nothing_stays(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Spool(tmp_path) as spool:
        assert spool.put("hdr", picture(1))
        assert spool._file is not None
        file, plain = spool._file._file, NamelessFile._put

        def put(self: NamelessFile, plane: np.ndarray) -> None:
            plain(self, plane[: len(plane) // 2])
            raise OSError(28, "No space left on device")

        monkeypatch.setattr(NamelessFile, "_put", put)
        before = os.fstat(file.fileno()).st_size
        assert not spool.put("hdr", picture(2))
        assert os.fstat(file.fileno()).st_size == before
        assert spool.get("hdr", 2) is None
        assert spool.get("hdr", 1) is not None
