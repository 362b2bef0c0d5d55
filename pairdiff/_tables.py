"""Many records of one kind as rows of arrays: a film has 170 000 frames and as many pairs, and as objects their figures take gigabytes.

A table is read as a tuple of its records would be: each is made when it is asked for, equal to the one that was put in. What is asked of
all of them is read by `column`, which reads it off any other sequence of records too.
"""

from __future__ import annotations

import bisect
import itertools
import operator
import types
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, is_dataclass, replace
from fractions import Fraction
from functools import partial
from typing import Any, TypeVar, Union, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")

BLOCK_ROWS = 2048
"""Rows that are put away together: more than there are pairs in a comparison of samples (own)."""

Rows = NDArray[Any]
"""Rows of a table, (record,), a named field for each of a record."""
Keep = Callable[[Rows], Callable[[], Rows]]
"""Puts a block of rows away and says how it is had again."""


def in_memory(rows: Rows) -> Callable[[], Rows]:
    """The `Keep` of a table that stays in memory."""
    return lambda: rows


def column(records: Sequence[Any], *names: str) -> NDArray[Any]:
    """One figure of records, (record, ...): NaN for None; of a mapping, or of a record within each, by a further name."""
    if isinstance(records, Table):
        return records.column(*names)
    values: list[Any] = list(records)
    for name in names:
        values = [one[name] if isinstance(one, Mapping) else getattr(one, name) for one in values]
    return np.array([np.nan if one is None else one for one in values])


class Table(Sequence[T]):
    """Records of one kind, in the order in which they were added.

    Parameters
    ----------
    kind : a frozen dataclass of numbers, fractions, tuples of numbers, mappings of words to numbers, arrays, and of such dataclasses; a
        number that may be None is NaN in its column. Names of mappings, lengths and shapes are those of the first record, and anything
        else that is None there is None in all.
    records : to begin with.
    keep : where whole blocks of rows are put.
    """

    def __init__(self, kind: type[T], records: Iterable[T] = (), *, keep: Keep = in_memory) -> None:
        self._kind, self._keep = kind, keep
        self._form: _Form | None = None
        self._blocks: list[Callable[[], Rows]] = []
        self._ends: list[int] = []
        self._last: Rows = np.zeros(0)
        self._filled = 0
        """Rows of the last block that hold a record."""
        for one in records:
            self.append(one)

    def append(self, record: T) -> None:
        """Add a record behind the others."""
        if self._form is None:
            form = _form_of(record, self._kind)
            self._form = replace(form, kind=np.dtype(form.kind))
        if self._filled == len(self._last):
            self._last, self._filled = np.zeros(BLOCK_ROWS, self._form.kind), 0
        self._last[self._filled] = self._form.store(record)
        self._filled += 1
        if self._filled == len(self._last):
            self._add(self._last)
            self._last, self._filled = np.zeros(0), 0

    def __len__(self) -> int:
        return self._before_last() + self._filled

    def __getitem__(self, place: Any) -> Any:
        if isinstance(place, slice):
            found: list[T] = []
            for block, numbers in itertools.groupby(range(len(self))[place], partial(bisect.bisect_right, self._ends)):
                found += self._make(self._rows_of(block)[np.array(list(numbers)) - self._start_of(block)])
            return found
        number = range(len(self))[place]
        block = bisect.bisect_right(self._ends, number)
        row = number - self._start_of(block)
        return self._make(self._rows_of(block)[row : row + 1])[0]

    def __iter__(self) -> Iterator[T]:
        for rows in self.blocks():
            yield from self._make(rows)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Sequence) and len(self) == len(other) and all(map(operator.eq, self, other))

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"<table of {len(self)} {self._kind.__name__}>"

    def __reduce__(self) -> tuple[Any, ...]:
        """To another process, or copied, it goes as its records."""
        return Table, (self._kind, list(self))

    def blocks(self) -> Iterator[Rows]:
        """All rows, a block at a time."""
        for block in self._blocks:
            yield block()
        if self._filled:
            yield self._last[: self._filled]

    def column(self, *names: str) -> NDArray[Any]:
        """One figure of all records, as the function of that name."""
        found = []
        for rows in self.blocks():
            for name in names:
                rows = rows[name]
            found.append(rows.copy())  # a view would hold the whole block
        return np.concatenate(found) if found else np.zeros(0)

    def parts(self) -> Iterator[Table[T]]:
        """The table in pieces, one in memory at a time."""
        for rows in self.blocks():
            yield self._of([rows])

    def with_column(self, name: str, values: NDArray[Any]) -> Table[T]:
        """The table, all of it in memory, with one figure of every record replaced."""
        found, start = [], 0
        for rows in self.blocks():
            changed = rows.copy()
            changed[name] = values[start : start + len(rows)]
            found.append(changed)
            start += len(rows)
        return self._of(found)

    def within(self, name: str, kind: type[Any], *, keep: Keep = in_memory) -> Table[Any]:
        """The records of another kind that these hold under a name, as a table of their own."""
        made = Table(kind, keep=keep)
        if self._form is not None:
            made._form = self._form.parts[name]
            for rows in self.blocks():
                made._add(np.ascontiguousarray(rows[name]))
        return made

    def _of(self, blocks: Iterable[Rows]) -> Table[T]:
        made = Table(self._kind)
        made._form = self._form
        for rows in blocks:
            made._add(rows)
        return made

    def _rows_of(self, block: int) -> Rows:
        return self._blocks[block]() if block < len(self._blocks) else self._last

    def _start_of(self, block: int) -> int:
        return self._ends[block - 1] if block else 0

    def _add(self, rows: Rows) -> None:
        self._ends.append(self._before_last() + len(rows))
        self._blocks.append(self._keep(rows))

    def _before_last(self) -> int:
        return self._ends[-1] if self._ends else 0

    def _make(self, rows: Rows) -> list[T]:
        return [] if self._form is None else [self._form.make(one) for one in rows.tolist()]


@dataclass(frozen=True, slots=True)
class _Form:
    """How values of one place in a record stand in a row."""

    kind: Any
    """As `numpy.dtype` takes it."""
    store: Callable[[Any], Any]
    """A value as a row takes it."""
    make: Callable[[Any], Any]
    """What `ndarray.tolist` makes of a row, as the value."""
    parts: dict[str, _Form] = field(default_factory=dict)
    """Of a record within."""


def _form_of(value: Any, hint: Any) -> _Form:
    """The form of values like this one, which are what the hint says."""
    kinds = [one for one in get_args(hint) if one is not types.NoneType] if get_origin(hint) in (Union, types.UnionType) else [hint]
    if kinds == [float] and hint is not float:
        return _Form(np.float64, lambda one: np.nan if one is None else one, lambda one: None if one != one else one)
    if value is None:
        return _Form([], _store_none, lambda _: None)
    if isinstance(value, bool | int | float | np.number):
        return _Form(np.asarray(hint(value)).dtype, _as_it_is, _as_it_is)
    if isinstance(value, Fraction):
        return _Form([("over", np.int64), ("under", np.int64)], Fraction.as_integer_ratio, lambda one: Fraction(*one))
    if isinstance(value, np.ndarray):
        return _Form((value.dtype, value.shape), _as_it_is, _as_it_is)
    if isinstance(value, tuple):
        return _Form((np.float64, (len(value),)), _as_it_is, lambda one: tuple(one.tolist()))
    if isinstance(value, Mapping):
        names = tuple(value)
        return _Form(
            [(name, np.float64) for name in names],
            lambda one: tuple(one[name] for name in names),
            lambda one: dict(zip(names, one, strict=True)),
        )
    if is_dataclass(value) and not isinstance(value, type):
        return _form_of_record(value)
    raise TypeError(f"a table cannot hold {hint}: {value!r}")


def _form_of_record(record: Any) -> _Form:
    kind, hints = type(record), get_type_hints(type(record))
    parts = {one.name: _form_of(getattr(record, one.name), hints[one.name]) for one in fields(record)}
    stores, makes = tuple((name, part.store) for name, part in parts.items()), tuple(part.make for part in parts.values())
    return _Form(
        [(name, *(part.kind if isinstance(part.kind, tuple) else (part.kind,))) for name, part in parts.items()],
        lambda one: tuple(store(getattr(one, name)) for name, store in stores),
        lambda row: kind(*(make(value) for make, value in zip(makes, row, strict=True))),
        parts,
    )


def _as_it_is(value: Any) -> Any:
    return value


def _store_none(value: Any) -> Any:
    if value is not None:
        raise TypeError(f"a table whose first record has None here holds no {value!r}")
    return ()
