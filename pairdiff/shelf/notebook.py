"""A shelf of films in Python: tables of runs, shots and frames for a notebook, and the lists that the command line prints."""

from __future__ import annotations

import gzip
import html
import json
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from pairdiff._errors import InputRefused, PairdiffError, UsageError
from pairdiff.shelf.archive import DAMAGE, FRAMES, RESULT, SHOTS, Archive, default_folder, find_archive
from pairdiff.shelf.columns import COLUMNS
from pairdiff.shelf.conditions import Condition, column_named, read_conditions, to_sql
from pairdiff.shelf.index import open_index
from pairdiff.shelf.listing import RUN_SHOWN, Listing, Row, WordTable, compare_rows, facts_of, group_rows, tables_of

ARROW_TYPES = {"text": "string", "number": "float64", "whole": "int64", "flag": "bool"}
SHOWN_RUNS = 50
"""Most runs of each protocol that a notebook shows when a shelf is its last word (own)."""


def open_shelf(path: str | os.PathLike[str] | None = None) -> Shelf:
    """Open the archive of runs.

    Parameters
    ----------
    path : path or None
        The archive's folder; the platform's place for a user's data where None.

    Returns
    -------
    Shelf
        Without runs where nothing was kept yet.

    Raises
    ------
    InputRefused
        There is no archive at the stated place, or it is of a newer schema.
    OutputRefused
        It is of an older schema and cannot be rewritten.
    """
    archive = find_archive(path)
    return Shelf(archive, default_folder() if archive is None else archive.folder)


@dataclass(frozen=True, slots=True)
class Shelf:
    """An archive of runs, read anew at every call: what others keep meanwhile is seen."""

    archive: Archive | None
    folder: Path
    """Where it lies, or would."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What was done to the archive when it was opened, in words."""
        return () if self.archive is None else self.archive.notes

    @property
    def pandas(self) -> PandasShelf:
        """The same tables as pandas data frames.

        Raises
        ------
        PairdiffError
            pandas is not installed.
        """
        if find_spec("pandas") is None:
            raise PairdiffError("pandas is not installed. Install it (pip install pandas), or use the tables of Arrow as they are.")
        return PandasShelf(self)

    def runs(self, *, where: Sequence[str] = ()) -> Any:
        """The runs as a table.

        Parameters
        ----------
        where : sequence of str
            Conditions, as `--where` takes them: `headroom>1.5`, `label=wider-range`, `title~harbour`; all are to hold.

        Returns
        -------
        pyarrow.Table
            A row a run, in the order of titles; the columns of `pairdiff/shelf/columns.py`, null where there is no value.

        Raises
        ------
        UsageError
            A condition that cannot be read.
        """
        import pyarrow as pa

        schema = pa.schema([(one.name, ARROW_TYPES[one.kind]) for one in COLUMNS.values()])
        return pa.Table.from_pylist(self._read(read_conditions(where))[0], schema=schema)

    def shots(self, *, where: Sequence[str] = ()) -> Any:
        """The shots of runs as a table.

        Parameters
        ----------
        where : sequence of str
            Conditions on runs, as for `runs`.

        Returns
        -------
        pyarrow.Table
            `run` and `title`, then a row a shot as in the report's table of shots: times, pairs, and figures with their units.
        """
        return self._stacked(SHOTS, where, None)

    def frames(self, *, where: Sequence[str] = (), columns: Sequence[str] | None = None) -> Any:
        """The frames of runs as a table; a film read whole has two hundred thousand, so name runs and columns.

        Parameters
        ----------
        where : sequence of str
            Conditions on runs, as for `runs`.
        columns : sequence of str or None
            Columns of `frames.parquet`; every one where None. One that no run has is refused.

        Returns
        -------
        pyarrow.Table
            `run` and `title`, then a row a frame.

        Raises
        ------
        UsageError
            A column that no run has.
        """
        return self._stacked(FRAMES, where, columns)

    def result(self, run: str) -> dict[str, Any]:
        """What `result.json` of a run held, whole.

        Parameters
        ----------
        run : str
            The run's number, or the first letters of it.

        Raises
        ------
        UsageError
            No run, or more than one, has a number that begins so.
        InputRefused
            The run is damaged.
        """
        (row,) = self._named([run])
        found: dict[str, Any] = self._opened(row["run"], RESULT, lambda path: json.loads(gzip.decompress(path.read_bytes())))
        return found

    def list_runs(self, *, where: Sequence[str] = (), sort: str | None = None, reverse: bool = False, limit: int | None = None) -> Listing:
        """Runs as `pairdiff shelf` lists them: in the order of titles, or ranked by a figure, each protocol for itself.

        Parameters
        ----------
        where : sequence of str
            Conditions, as for `runs`.
        sort : str or None
            Name of a column; figures have the largest first, and what has no value last.
        reverse : bool
            The other way round.
        limit : int or None
            Most runs of a list, or of each protocol of a ranking.

        Returns
        -------
        Listing
            Groups of runs that were measured alike.

        Raises
        ------
        UsageError
            A condition or a name that cannot be read.
        """
        if limit is not None and limit < 1:
            raise UsageError(f"--limit: found {limit}, expected 1 or more.")
        column = None if sort is None else column_named(sort, option="--sort")
        conditions = read_conditions(where)
        title = 'lower("title") ASC NULLS LAST, "kept_utc", "run"'
        order = title
        if column is not None:
            name = f'lower("{column.name}")' if column.kind == "text" else f'"{column.name}"'
            order = f"{name} {'DESC' if column.is_figure != reverse else 'ASC'} NULLS LAST, {title}"
        elif reverse:
            order = title.replace("ASC", "DESC")
        rows, spoilt = self._read(conditions, order=order)
        grouped = group_rows(rows[:limit] if column is None else rows, facts_of(rows), sort=column, limit=limit)
        return Listing(grouped, column, reverse, len(rows), spoilt)

    def report(self, out: str | os.PathLike[str], *, where: Sequence[str] = ()) -> Path:
        """Write the shelf as one self-contained page: a field of titles, distributions, a table; each protocol for itself.

        Parameters
        ----------
        out : path
            The page, a file whose name ends in .html.
        where : sequence of str
            Conditions, as for `runs`.

        Returns
        -------
        Path
            The page.

        Raises
        ------
        UsageError
            A condition that cannot be read, or a name that is no page's.
        InputRefused
            There is no run to show.
        OutputRefused
            The page cannot be written.
        """
        from pairdiff.shelf.page import write_page

        return write_page(self.archive, self.list_runs(where=where), out, where=where)

    def compare_runs(self, runs: Sequence[str]) -> WordTable:
        """Runs beside each other, a figure a row.

        Parameters
        ----------
        runs : sequence of str
            Numbers of two runs or more, or the first letters of each.

        Raises
        ------
        UsageError
            Fewer than two, or a number that no run, or more than one, begins with.
        """
        rows = self.find_runs(runs)
        return compare_rows(rows, facts_of(rows))

    def find_runs(self, runs: Sequence[str]) -> list[Row]:
        """Every column of the runs that are to stand beside each other; refusals as of `compare_runs`."""
        rows = self._named(runs)
        if len({row["run"] for row in rows}) < 2:
            raise UsageError("--compare: found one run, expected two or more. Name each: --compare RUN --compare RUN.")
        return rows

    def _named(self, runs: Sequence[str]) -> list[Row]:
        rows = self._read([])[0]
        return [_find(rows, run) for run in runs]

    def _read(
        self, conditions: Sequence[Condition], *, order: str = 'lower("title") NULLS LAST, "kept_utc", "run"'
    ) -> tuple[list[Row], tuple[str, ...]]:
        """Rows that meet conditions; the order is made of columns' names alone."""
        names = ", ".join(f'"{name}"' for name in COLUMNS)
        expression, values = to_sql(conditions)
        with open_index(self.archive) as index:
            found = index.connection.execute(f"SELECT {names} FROM runs WHERE {expression} ORDER BY {order}", values).fetchall()
            return [dict(zip(COLUMNS, row, strict=True)) for row in found], index.spoilt

    def _stacked(self, file: str, where: Sequence[str], columns: Sequence[str] | None) -> Any:
        import pyarrow as pa

        tables = [self._table(row, file, columns) for row in self._read(read_conditions(where))[0]]
        head = pa.schema([("run", "string"), ("title", "string")])
        whole = pa.concat_tables([head.empty_table(), *tables], promote_options="permissive")
        missing = [name for name in columns or () if name not in whole.column_names]
        if missing and tables:
            raise UsageError(f"columns: {missing[0]!r:.60} is no column of frames.parquet of any of these runs.")
        return whole

    def _table(self, row: Row, file: str, columns: Sequence[str] | None) -> Any:
        import pyarrow as pa
        import pyarrow.parquet as pq

        def read(path: Path) -> Any:
            held = pq.read_schema(path).names
            return pq.read_table(path, columns=held if columns is None else [name for name in columns if name in held])

        table = self._opened(row["run"], file, read)
        own = [pa.array([row[name]] * len(table), pa.string()) for name in ("run", "title")]
        return pa.Table.from_arrays([*own, *table.columns], names=["run", "title", *table.column_names])

    def _opened(self, run: str, file: str, read: Callable[[Path], Any]) -> Any:
        assert self.archive is not None
        path = self.archive.runs / run / file
        try:
            return read(path)
        except (*DAMAGE, OSError) as broken:
            raise InputRefused(
                f"{path} cannot be read ({broken}). Keep the run again from its result folder, with this one taken away."
            ) from broken

    def _repr_html_(self) -> str:
        listing = self.list_runs(limit=SHOWN_RUNS)
        where = f"<p>{len(listing.rows)} of {listing.found} runs kept in {html.escape(str(self.folder))}</p>"
        return where + "".join(_to_html(table) for table in tables_of(listing))


@dataclass(frozen=True, slots=True)
class PandasShelf:
    """The tables of a shelf as pandas data frames; parameters as those of `Shelf`."""

    shelf: Shelf

    def runs(self, *, where: Sequence[str] = ()) -> Any:
        """A row a run."""
        return self.shelf.runs(where=where).to_pandas()

    def shots(self, *, where: Sequence[str] = ()) -> Any:
        """A row a shot."""
        return self.shelf.shots(where=where).to_pandas()

    def frames(self, *, where: Sequence[str] = (), columns: Sequence[str] | None = None) -> Any:
        """A row a frame."""
        return self.shelf.frames(where=where, columns=columns).to_pandas()


def _find(rows: Sequence[Row], run: str) -> Row:
    stated = run.strip().lower()
    found = [row for row in rows if stated and row["run"].startswith(stated)]
    if len(found) != 1:
        what = "no run has a number that begins so" if not found else f"{len(found)} runs have numbers that begin so"
        raise UsageError(f"{run[:40]!r}: {what}. `pairdiff shelf` lists the numbers; {RUN_SHOWN} letters and more will do.")
    return found[0]


def _to_html(table: WordTable) -> str:
    heads = "".join(f'<th scope="col">{html.escape(one)}</th>' for one in table.heads)
    right = [' style="text-align: right"' if place in table.numbers else "" for place in range(len(table.heads))]
    rows = "".join(
        "<tr>" + "".join(f"<td{style}><bdi>{html.escape(cell)}</bdi></td>" for style, cell in zip(right, row, strict=True)) + "</tr>"
        for row in table.rows
    )
    caption = "<br>".join(html.escape(line) for line in table.caption.splitlines())
    return f"<table><caption>{caption}</caption><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table>"
