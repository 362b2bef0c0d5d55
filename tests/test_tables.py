"""Tables of records: they read as the tuple of the same records does, whatever block a record lies in and wherever blocks are put."""

from __future__ import annotations

import copy
import errno
import io
import os
import pickle
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff import _nameless_file, _tables
from pairdiff._block_file import BlockFile
from pairdiff._records import PairScore
from pairdiff._tables import Table, column
from tests.score._pairs import PLAIN

BLOCK, COUNT = 16, 57


@dataclass(frozen=True, slots=True)
class Inner:
    place: int
    share: float | None


@dataclass(frozen=True, slots=True)
class Record:
    number: int
    time_s: Fraction
    level: float
    level_or_none: float | None
    by_name: Mapping[str, float]
    several: tuple[float, ...]
    values: NDArray[np.float16]
    inner: Inner
    nothing: NDArray[np.int32] | None


def make_record(n: int) -> Record:
    share = None if n % 3 else n / 7
    by_name, several = {"gamma-2.2": n + 0.1, "controls": -n / 3}, (n / 3, 1e300, 5e-324)
    values = np.array([[n, 0.5], [np.inf, -n]], np.float16)
    return Record(n, Fraction(1001 * n, 24000), 0.1 * n, share, by_name, several, values, Inner(-n, share), None)


def is_same(first: Record, second: Record) -> bool:
    same = np.array_equal(first.values, second.values) and first.values.dtype == second.values.dtype
    return same and replace(first, values=None) == replace(second, values=None)  # type: ignore[arg-type]


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_tables, "BLOCK_ROWS", BLOCK)


@pytest.mark.parametrize("where", ["memory", "file"])
def test_records_come_back_as_they_were(where: str, tmp_path: Path) -> None:
    records = [make_record(n) for n in range(COUNT)]
    with BlockFile(tmp_path) as blocks:
        table = Table(Record, records, keep=blocks.keep if where == "file" else _tables.in_memory)
        assert len(table) == COUNT
        assert all(map(is_same, table, records))
        assert all(is_same(table[n], records[n]) for n in (0, BLOCK - 1, BLOCK, 3 * BLOCK, COUNT - 1, -1, -COUNT))
        assert [one.number for one in table[10:40:7]] == [10, 17, 24, 31, 38]
        assert all(type(one.number) is int and type(one.level) is float and type(one.inner.place) is int for one in table)
        assert [list(one.by_name) for one in table] == [list(one.by_name) for one in records]
        with pytest.raises(IndexError):
            table[COUNT]


def test_records_of_a_stretch_are_had_with_each_block_read_once() -> None:
    read: list[int] = []

    def keep(rows: _tables.Rows) -> Callable[[], _tables.Rows]:
        return lambda: read.append(len(rows)) or rows  # type: ignore[func-returns-value]

    table = Table(Record, map(make_record, range(COUNT)), keep=keep)
    assert [one.number for one in table[5:40]] == list(range(5, 40))
    assert len(read) == 3
    assert [one.number for one in table[::-10]] == list(range(COUNT))[::-10]
    assert table[40:5] == []


def test_a_column_is_that_of_the_records_themselves() -> None:
    records = [make_record(n) for n in range(COUNT)]
    table = Table(Record, records)
    for names in (("number",), ("level",), ("level_or_none",), ("by_name", "gamma-2.2"), ("several",), ("inner", "share"), ("values",)):
        told, plain = table.column(*names), column(records, *names)
        assert np.array_equal(told, plain, equal_nan=True)
        assert (told.dtype, told.flags.c_contiguous) == (plain.dtype, True)
    assert np.isnan(table.column("level_or_none")[1])


def test_parts_hold_every_record_once() -> None:
    table = Table(Record, map(make_record, range(COUNT)))
    parts = [[one.number for one in part] for part in table.parts()]
    assert [len(part) for part in parts] == [BLOCK, BLOCK, BLOCK, COUNT - 3 * BLOCK]
    assert [number for part in parts for number in part] == list(range(COUNT))


def test_a_replaced_column_leaves_the_table_as_it_was(tmp_path: Path) -> None:
    with BlockFile(tmp_path) as blocks:
        table = Table(PairScore, (replace(PLAIN, hdr_frame=n) for n in range(COUNT)), keep=blocks.keep)
        changed = table.with_column("curve_distance_jnd", np.arange(COUNT) / 2)
        assert table == [replace(PLAIN, hdr_frame=n) for n in range(COUNT)]
    assert changed == [replace(PLAIN, hdr_frame=n, curve_distance_jnd=n / 2) for n in range(COUNT)]  # in memory: the file is gone
    assert changed != [PLAIN] * COUNT


def test_a_table_goes_to_another_process_and_is_copied(tmp_path: Path) -> None:
    with BlockFile(tmp_path) as blocks:
        table = Table(PairScore, (replace(PLAIN, hdr_frame=n) for n in range(COUNT)), keep=blocks.keep)
        sent, copied = pickle.loads(pickle.dumps(table)), copy.deepcopy(table)
    assert sent == copied == [replace(PLAIN, hdr_frame=n) for n in range(COUNT)]


def test_records_within_are_a_table_of_their_own() -> None:
    table = Table(Record, map(make_record, range(COUNT))).within("inner", Inner)
    assert table == [make_record(n).inner for n in range(COUNT)]
    assert len(Table(Record).within("inner", Inner)) == 0


def test_records_of_another_form_are_refused() -> None:
    table = Table(Record, [make_record(0)])
    with pytest.raises(TypeError, match="a table whose first record has None here holds no"):
        table.append(replace(make_record(1), nothing=np.zeros(2, np.int32)))
    with pytest.raises(KeyError):
        table.append(replace(make_record(1), by_name={"controls": 1.0}))
    with pytest.raises(ValueError, match="could not broadcast"):
        table.append(replace(make_record(1), several=(1.0, 2.0)))
    assert len(table) == 1


def test_a_table_without_records_is_empty() -> None:
    table = Table(Record)
    assert not table
    assert list(table) == list(table.blocks()) == []
    assert table.column("level").size == 0


class FullDisk(io.BytesIO):
    """A file on a disk with room for so many bytes."""

    def __init__(self, room: int) -> None:
        super().__init__()
        self._room = room

    def write(self, data: bytes) -> int:  # type: ignore[override]
        if not self._room:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        done = super().write(data[: self._room])
        self._room -= done
        return done


@pytest.mark.parametrize("room", [0, 100, 2500])
def test_what_a_full_disk_does_not_take_stays_in_memory(room: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_nameless_file.tempfile, "TemporaryFile", lambda **_: FullDisk(room))
    records = [make_record(n) for n in range(COUNT)]
    with BlockFile(tmp_path) as blocks:
        assert all(map(is_same, Table(Record, records, keep=blocks.keep), records))


def test_a_folder_that_cannot_be_made_keeps_blocks_in_memory(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in its place")
    with BlockFile(tmp_path / "file") as blocks:
        rows = np.arange(5.0)
        assert np.array_equal(blocks.keep(rows)(), rows)


def test_the_file_has_no_name_and_leaves_nothing(tmp_path: Path) -> None:
    with BlockFile(tmp_path / "kept") as blocks:
        given = blocks.keep(np.arange(1000.0))
        assert np.array_equal(given(), np.arange(1000.0))
        assert list((tmp_path / "kept").iterdir()) == []
