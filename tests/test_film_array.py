"""Arrays of a film's length: what is read of one that lies in a file is what numpy gives of the same rows in memory."""

from __future__ import annotations

import bisect
import errno
import os
import tracemalloc
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff import _block_file, _film_array
from pairdiff._block_file import BlockFile, in_files
from pairdiff._errors import OutputRefused
from pairdiff._film_array import FilmArray, FilmTimes, chosen_of, part_of
from pairdiff._nameless_file import NamelessFile

ROWS, CELLS = 60, 5
WHOLE = np.random.default_rng(4).normal(size=(ROWS, CELLS)).astype(np.float16)


@pytest.fixture(autouse=True)
def small_arrays_in_files(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_block_file, "LEAST_FILE_BYTES", 0)


def put(folder: Path, whole: NDArray[Any] = WHOLE, *, block: int = 7) -> FilmArray:
    made = in_files(folder)(whole.shape, whole.dtype)
    assert isinstance(made, FilmArray)
    for start in range(0, len(whole), block):
        made[start : start + block] = whole[start : start + block]
    return made


PLACES: list[Any] = [
    slice(None),
    slice(3, 9),
    slice(50, 90),
    slice(-4, None),
    slice(9, 3),
    slice(2, 40, 3),
    slice(None, None, -1),
    0,
    -1,
    59,
    np.arange(10, 20),
    np.array([3, 3, 4, 5, 5]),
    np.array([1, 50, 2, 51, 3]),
    np.array([-1, 0, -60]),
    np.array([0, 8, 17, 26]),  # no further apart than what is read in one go, and further
    np.zeros(0, np.int64),
    np.arange(ROWS) % 4 == 1,
    np.zeros(ROWS, bool),
    [5, 6, 30],
]


@pytest.mark.parametrize("place", PLACES, ids=str)
def test_rows_are_those_that_numpy_gives(place: Any, tmp_path: Path) -> None:
    found = put(tmp_path)[place]
    assert type(found) is np.ndarray
    assert (found.dtype, found.shape) == (WHOLE.dtype, WHOLE[place].shape)
    assert np.array_equal(found, WHOLE[place])


@pytest.mark.parametrize("place", PLACES, ids=str)
@pytest.mark.parametrize(
    "picked", [np.arange(ROWS)[::-1], np.arange(ROWS), np.arange(0, 3 * ROWS, 3) % ROWS], ids=["back", "all", "thirds"]
)
def test_rows_of_chosen_rows_are_those_that_numpy_gives(place: Any, picked: NDArray[np.int64], tmp_path: Path) -> None:
    assert np.array_equal(put(tmp_path).chosen(picked)[place], WHOLE[picked][place])


def test_parts_of_parts_are_those_that_numpy_gives(tmp_path: Path) -> None:
    whole, even = put(tmp_path), np.arange(40) % 2 == 0
    part = part_of(whole, 10, 50)
    assert isinstance(part, FilmArray)
    assert (len(part), part.shape) == (40, (40, CELLS))
    assert np.array_equal(part[5:8], WHOLE[15:18])
    assert np.array_equal(part_of(chosen_of(part, even), 3, 30)[:], WHOLE[10:50][even][3:30])
    assert np.array_equal(chosen_of(chosen_of(part, even), np.array([4, 1]))[:], WHOLE[10:50][even][[4, 1]])
    assert np.array_equal(np.asarray(part), WHOLE[10:50])
    assert np.asarray(part, np.float32).dtype == np.float32


def test_what_is_read_is_ones_own(tmp_path: Path) -> None:
    whole = put(tmp_path)
    whole[2:4][:] = 9
    assert np.array_equal(whole[:], WHOLE)


@pytest.mark.parametrize("place", [60, -61, np.array([0, 60]), np.array([-61])], ids=str)
def test_rows_that_are_not_there_are_refused(place: Any, tmp_path: Path) -> None:
    with pytest.raises(IndexError):
        put(tmp_path)[place]


def test_flags_of_another_length_are_refused(tmp_path: Path) -> None:
    with pytest.raises(IndexError, match=r"\(59,\) flags for an array of 60 rows"):
        put(tmp_path)[np.ones(59, bool)]


def test_rows_are_written_over_in_place(tmp_path: Path) -> None:
    whole, expected = put(tmp_path), WHOLE.copy()
    whole[10:14] = np.arange(4.0)[:, None]  # of another kind, and broadcast, as numpy does
    expected[10:14] = np.arange(4.0)[:, None]
    part_of(whole, 20, 30)[0:2] = np.ones((2, CELLS))  # type: ignore[index]
    expected[20:22] = 1
    assert np.array_equal(whole[:], expected)
    with pytest.raises(TypeError, match="a stretch at a time"):
        whole.chosen(np.array([1, 5]))[0:2] = np.ones((2, CELLS))


def test_rows_close_together_are_read_in_one_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[tuple[int, int]] = []
    plain = _block_file._RowFile.read
    monkeypatch.setattr(_block_file._RowFile, "read", lambda self, start, stop: read.append((start, stop)) or plain(self, start, stop))
    put(tmp_path)[np.array([0, 2, 4, 30, 31, 3])]
    assert read == [(0, 5), (30, 32), (3, 4)]
    assert _film_array.NEAR_ROWS < 26


# ---------------------------------------------------------------- files


def test_the_file_has_no_name_and_is_gone_with_its_array(tmp_path: Path) -> None:
    whole = put(tmp_path / "kept")
    part: Any = whole.part(3, 5)
    file: Any = whole._store._file._file  # type: ignore[attr-defined]
    assert list((tmp_path / "kept").iterdir()) == []
    del whole
    assert np.array_equal(part[:], WHOLE[3:5])
    assert not file.closed
    del part
    assert file.closed


def test_small_arrays_stay_in_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_block_file, "LEAST_FILE_BYTES", WHOLE.nbytes)
    assert type(in_files(tmp_path)(WHOLE.shape, WHOLE.dtype)) is FilmArray
    assert type(in_files(tmp_path)((ROWS - 1, CELLS), WHOLE.dtype)) is np.ndarray


def test_where_no_file_can_be_made_arrays_stay_in_memory(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in its place")
    assert type(in_files(tmp_path / "file")(WHOLE.shape, WHOLE.dtype)) is np.ndarray


@pytest.mark.parametrize("writes", [0, 1, 4])
def test_an_array_that_a_full_disk_does_not_take_goes_on_in_memory(writes: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    left, plain = [writes], NamelessFile._put

    def write(file: NamelessFile, rows: NDArray[Any]) -> None:
        if not left[0]:
            plain(file, rows[: len(rows) // 2])
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        left[0] -= 1
        plain(file, rows)

    monkeypatch.setattr(NamelessFile, "_put", write)
    whole = put(tmp_path)
    assert np.array_equal(whole[:], WHOLE)
    whole[3:5][:] = 0
    assert np.array_equal(whole[np.array([4, 3])], WHOLE[[4, 3]])


def test_an_array_whose_file_was_cut_short_says_so(tmp_path: Path) -> None:
    whole = put(tmp_path)
    whole._store._file._file.truncate(ROWS * CELLS)  # type: ignore[attr-defined]  # half of its bytes
    assert np.array_equal(whole[:30], WHOLE[:30])
    with pytest.raises(OutputRefused, match=rf"without a name in {tmp_path} is cut short: 20 bytes of 40 are left.*PAIRDIFF_KEEP_DIR"):
        whole[28:32]


def test_a_block_whose_file_was_cut_short_says_so(tmp_path: Path) -> None:
    with BlockFile(tmp_path) as blocks:
        first, second = blocks.keep(np.arange(10.0)), blocks.keep(np.arange(20.0))
        assert blocks._file is not None
        blocks._file._file.truncate(200)
        assert np.array_equal(first(), np.arange(10.0))
        with pytest.raises(OutputRefused, match=rf"in {tmp_path} is cut short: 120 bytes of 160 are left.*Run again"):
            second()


@pytest.fixture
def traced() -> Iterator[None]:
    tracemalloc.start()
    yield
    tracemalloc.stop()


@pytest.mark.usefixtures("traced")
def test_an_array_takes_no_memory_but_for_what_is_read(tmp_path: Path) -> None:
    row = np.ones((100, 1000), np.float16)
    whole = in_files(tmp_path)((10_000, 1000), np.float16)
    for start in range(0, 10_000, 100):
        whole[start : start + 100] = row
        assert whole[start : start + 100].all()
    assert tracemalloc.get_traced_memory()[1] < 2_000_000  # of 20 000 000


def test_threads_that_read_and_write_at_once_read_their_own_rows(tmp_path: Path) -> None:
    found, numbers = put(tmp_path), np.random.default_rng(1).integers(0, ROWS - 8, 3000).tolist()
    table = np.dtype([("number", np.int64), ("cells", np.float64, (500,))])
    with BlockFile(tmp_path) as blocks, ThreadPoolExecutor(4) as pool:

        def keep(number: int) -> tuple[int, Any]:
            rows = np.zeros(2, table)
            rows["number"] = number
            assert np.array_equal(found[number : number + 8], WHOLE[number : number + 8])
            return number, blocks.keep(rows)

        for number, read in pool.map(keep, numbers):
            assert read()["number"].tolist() == [number] * 2


# ---------------------------------------------------------------- times

TIMES_S = tuple(Fraction(n * 1001, 24000) for n in range(9000))
PARTS = np.array([(n * 1001, 24000) for n in range(9000)])


@pytest.mark.parametrize("place", [0, -1, 4097, slice(4090, 4100), slice(None, None, -3), slice(8990, None), slice(5, 5)])
def test_times_are_read_as_a_tuple_of_fractions_is(place: Any) -> None:
    read = FilmTimes(PARTS)[place]
    assert read == TIMES_S[place] if isinstance(place, int) else tuple(read) == TIMES_S[place]


def test_times_are_a_sequence_that_takes_no_memory_but_for_what_is_read() -> None:
    times = FilmTimes(PARTS)
    assert len(times) == len(TIMES_S)
    assert times == TIMES_S
    assert times != TIMES_S[:-1]
    assert times != (*TIMES_S[:-1], Fraction(1))
    assert bisect.bisect_left(times, Fraction(7 * 1001, 24000)) == 7
    tracemalloc.start()
    assert max(times) == TIMES_S[-1]
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 1_200_000  # of 4096 at once


def test_a_place_behind_the_end_is_refused() -> None:
    with pytest.raises(IndexError):
        FilmTimes(PARTS)[len(TIMES_S)]
