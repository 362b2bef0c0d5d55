"""Conditions on runs, as a user writes them: `headroom>1.5`, `label=wider-range`, `title~harbour`.

They are no SQL. A name is looked up in `columns.py`, the value goes to the index as a parameter, and nothing else of what was written does.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from pairdiff._errors import UsageError
from pairdiff.shelf.columns import COLUMNS, MOST_WHOLE, Column, find_column, list_names
from pairdiff.verdict.rules import WORDS as LABEL_WORDS

_CONDITION = re.compile(r"\s*([A-Za-z0-9_-]+)\s*(>=|<=|!=|=|<|>|~)(.*)", re.DOTALL)
_SQL = {"=": "=", "!=": "!=", "<": "<", "<=": "<=", ">": ">", ">=": ">="}
_FLAGS = {"yes": True, "no": False, "true": True, "false": False}


@dataclass(frozen=True, slots=True)
class Condition:
    """One comparison; a run without a value meets none."""

    column: Column
    sign: str
    value: Any


def read_conditions(stated: Sequence[str]) -> list[Condition]:
    """Read conditions, all of which are to hold.

    Parameters
    ----------
    stated : sequence of str
        NAME, one of = != < <= > >= ~ (contains, whatever the case), VALUE. Shares may be written in per cent.

    Returns
    -------
    list of Condition
        In the order given.

    Raises
    ------
    UsageError
        A name that does not exist, a sign that does not fit the column, a value of another kind.
    """
    return [_read(one) for one in stated]


def _read(text: str) -> Condition:
    found = _CONDITION.fullmatch(text)
    if found is None:
        raise UsageError(
            f"--where: found {_short(text)}, expected NAME, one of = != < <= > >= ~, VALUE, such as headroom>1.5 or title~harbour."
        )
    column = column_named(found[1], option="--where")
    sign, word = found[2], found[3].strip()
    if sign == "~" and column.kind != "text":
        raise UsageError(f"--where: ~ looks for words in a text, and {column.name} is none. Use = != < <= > >=.")
    return Condition(column, sign, _read_value(column, sign, word))


def column_named(name: str, *, option: str) -> Column:
    """A column by a name that a user wrote.

    Raises
    ------
    UsageError
        There is none of that name; the nearest one is suggested.
    """
    column = find_column(name)
    if column is None:
        near = get_close_matches(name.lower(), list_names(), n=1, cutoff=0.5)
        hint = f"did you mean {near[0]!r}?" if near else f"there are {', '.join(list_names())}."
        raise UsageError(f"{option}: {_short(name)} is no column of a run: {hint}")
    return column


def _read_value(column: Column, sign: str, word: str) -> Any:
    if column.kind == "flag":
        if word.lower() not in _FLAGS or sign not in ("=", "!="):
            raise UsageError(f"--where: {column.name} is yes or no, found {_short(sign + word)}. Write {column.name}=yes.")
        return _FLAGS[word.lower()]
    if column.kind in ("number", "whole"):
        return _read_number(column, word)
    if column.name == "label" and sign in ("=", "!=") and word not in LABEL_WORDS:
        raise UsageError(f"--where: {_short(word)} is no label; there are {', '.join(LABEL_WORDS)}.")
    return word.encode("utf-8", "backslashreplace").decode("utf-8")


def _read_number(column: Column, word: str) -> float:
    percent = word.endswith("%") and column.name.endswith(("_share", "_probability", "support"))
    try:
        value = float(word.rstrip("%") if percent else word) / (100 if percent else 1)
    except ValueError:
        value = math.nan
    if not abs(value) < MOST_WHOLE:
        raise UsageError(f"--where: {column.name} is a number, found {_short(word)}. Write it plainly, such as {column.name}>=1.5.")
    return value


def _short(text: str) -> str:
    return repr(text if len(text) <= 60 else f"{text[:60]}...")


def to_sql(conditions: Sequence[Condition]) -> tuple[str, list[Any]]:
    """Conditions as an expression whose names are those of columns and whose values are parameters.

    Parameters
    ----------
    conditions : sequence of Condition
        All of them are to hold.

    Returns
    -------
    tuple of str and list
        The expression, and its parameters in order.
    """
    parts, values = ["true"], []
    for one in conditions:
        assert one.column.name in COLUMNS
        name = f'"{one.column.name}"'
        if one.sign == "~":
            parts.append(f"contains(nfc_normalize(lower({name})), nfc_normalize(lower(?)))")
        else:
            parts.append(f"{name} {_SQL[one.sign]} ?")
        values.append(one.value)
    return " AND ".join(parts), values
