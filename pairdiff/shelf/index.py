"""The index: every run of an archive in one DuckDB table, made from the folders and never trusted further than they go.

It is brought up to date under the archive's lock before it is read. Where it is missing, of another schema or damaged it is made again;
where it cannot be written (an archive that is only to be read, a full disk) the same table is made in memory. Values reach it as
parameters alone; names of columns come from `columns.py`. It can open no file but its own, whatever it is asked.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import duckdb

from pairdiff._errors import OutputRefused
from pairdiff.shelf.archive import DAMAGE, INDEX, Archive
from pairdiff.shelf.columns import COLUMNS

TYPES = {"text": "VARCHAR", "number": "DOUBLE", "whole": "BIGINT", "flag": "BOOLEAN"}
TABLE = ", ".join(f'"{one.name}" {TYPES[one.kind]}' for one in COLUMNS.values()) + ', "stamp" VARCHAR'
"""Columns of the table of runs; `stamp` changes with a run's words. An index that states other columns is made anew."""
GUARDS: dict[str, str | bool | int | float | list[str]] = {
    "enable_external_access": False,
    "autoinstall_known_extensions": False,
    "autoload_known_extensions": False,
    "threads": 2,
    "memory_limit": "512MB",
}
"""No other file, no network, little of the machine (own: a shelf has thousands of rows, not millions)."""

Connection = duckdb.DuckDBPyConnection


@dataclass(frozen=True, slots=True)
class OpenIndex:
    """An index that says what the folders say."""

    connection: Connection
    spoilt: tuple[str, ...]
    """Runs that cannot be read, with the reason."""


def bring_up_to_date(archive: Archive) -> None:
    """Bring the index up to date while the lock is held; where that fails it is left to whoever reads next, since nothing depends on it."""
    with contextlib.suppress(duckdb.Error, OSError), _on_disk(archive):
        pass


@contextlib.contextmanager
def open_index(archive: Archive | None) -> Iterator[OpenIndex]:
    """The index of an archive, up to date; of no archive one without rows.

    Parameters
    ----------
    archive : Archive or None
        The archive.

    Yields
    ------
    OpenIndex
        Its connection may be asked, under the archive's lock.
    """
    with contextlib.ExitStack() as stack:
        yield _enter(stack, archive)


def _enter(stack: contextlib.ExitStack, archive: Archive | None) -> OpenIndex:
    if archive is not None:
        try:
            stack.enter_context(archive.locked())
            return stack.enter_context(_on_disk(archive))
        except (OutputRefused, duckdb.Error, OSError):
            pass
    return stack.enter_context(_in_memory(archive))


@contextlib.contextmanager
def _on_disk(archive: Archive) -> Iterator[OpenIndex]:
    try:
        connection, spoilt = _open(archive)
    except duckdb.Error:  # damaged, of another version of DuckDB, or of another schema
        for name in (INDEX, f"{INDEX}.wal"):
            (archive.folder / name).unlink(missing_ok=True)
        connection, spoilt = _open(archive)
    try:
        yield OpenIndex(connection, spoilt)
    finally:
        connection.close()


def _open(archive: Archive) -> tuple[Connection, tuple[str, ...]]:
    connection = duckdb.connect(str(archive.folder / INDEX), config=GUARDS)
    try:
        spoilt = _refresh(connection, archive)
        connection.execute("SELECT bit_xor(hash(runs)) FROM runs").fetchall()  # reads every block, so that damage is met here
    except BaseException:
        connection.close()
        raise
    return connection, spoilt


@contextlib.contextmanager
def _in_memory(archive: Archive | None) -> Iterator[OpenIndex]:
    connection = duckdb.connect(":memory:", config=GUARDS)
    try:
        yield OpenIndex(connection, _refresh(connection, archive))
    finally:
        connection.close()


def _refresh(connection: Connection, archive: Archive | None) -> tuple[str, ...]:
    """Bring the table in step with the folders; runs that cannot be read are left out and named."""
    connection.begin()
    connection.execute("CREATE TABLE IF NOT EXISTS about (shape VARCHAR)")
    held = connection.execute("SELECT shape FROM about").fetchall()
    if held != [(TABLE,)]:
        connection.execute("DROP TABLE IF EXISTS runs")
        connection.execute(f"CREATE TABLE runs ({TABLE})")
        connection.execute("DELETE FROM about")
        connection.execute("INSERT INTO about VALUES (?)", [TABLE])
    known = dict(connection.execute('SELECT "run", "stamp" FROM runs').fetchall())
    there = {} if archive is None else {run: archive.stamp_of(run) for run in archive.list_runs()}
    gone = [run for run, stamp in known.items() if there.get(run) != stamp]
    rows, spoilt = _read_rows(archive, {run: stamp for run, stamp in there.items() if known.get(run) != stamp})
    if gone:
        connection.executemany('DELETE FROM runs WHERE "run" = ?', [[run] for run in gone])
    if rows:
        connection.executemany(f"INSERT INTO runs VALUES ({', '.join('?' * (len(COLUMNS) + 1))})", rows)
    connection.commit()
    return spoilt


def _read_rows(archive: Archive | None, stamps: dict[str, str]) -> tuple[list[list[Any]], tuple[str, ...]]:
    rows: list[list[Any]] = []
    spoilt = []
    for run, stamp in stamps.items():
        assert archive is not None
        try:
            row = archive.read_run(run)
            rows.append([_as_kind(row.get(one.name), one.kind) for one in COLUMNS.values()] + [stamp])
        except (*DAMAGE, OSError) as broken:
            spoilt.append(f"{archive.runs / run} cannot be read ({broken})")
    return rows, tuple(spoilt)


def _as_kind(value: Any, kind: str) -> Any:
    """A value that the column takes; `ValueError` for one that a hand has put into the file."""
    kinds: dict[str, tuple[type, ...]] = {"text": (str,), "number": (int, float), "whole": (int,), "flag": (bool,)}
    if value is None or (isinstance(value, kinds[kind]) and (kind == "flag" or not isinstance(value, bool))):
        if isinstance(value, int) and abs(value) >= 2**63:
            raise ValueError(f"{value} is no number of a film")
        return value.encode("utf-8", "backslashreplace").decode("utf-8") if isinstance(value, str) else value
    raise ValueError(f"{value!r:.40} is no {kind}")
