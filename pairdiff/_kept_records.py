"""Frozen records as plain arrays and back, by their type hints; and a name for what a result depends on.

A list of records becomes a tree of numbers and words (JSON, which keeps every float to its last bit, the odd ones too) and the bytes of
all arrays, joined by their kind: the first byte of every value, then the second one, which packs better. Nothing of it can run: the reader
makes records of the kind it is asked for and of no other.
"""

from __future__ import annotations

import hashlib
import json
import types
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import fields, is_dataclass
from fractions import Fraction
from functools import cache
from typing import Any, Literal, TypeVar, Union, cast, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T")

Arrays = dict[str, NDArray[Any]]
TREE, POOL = "tree", "of "
"""Names of the arrays: the tree, and the joined values of each kind, such as `of <f4`."""
NUMBERS = (bool, int, float, str)
Pool = dict[str, list[bytes]]


def records_to_arrays(records: Sequence[T], kind: type[T]) -> Arrays:
    """Records as arrays that `numpy.savez` can keep without pickling.

    Parameters
    ----------
    records : all of one kind.
    kind : a frozen dataclass of numbers, fractions, words, None, tuples, mappings with words for keys, arrays of numbers, and of such
        dataclasses, which may be generic.

    Returns
    -------
    By name.

    Raises
    ------
    TypeError : for what is none of these.
    """
    pool: Pool = {}
    tree = json.dumps([_pack(one, kind, pool) for one in records], separators=(",", ":"))
    arrays: Arrays = {f"{POOL}{name}": _split(b"".join(values), np.dtype(name)) for name, values in pool.items()}
    return {TREE: np.frombuffer(tree.encode(), np.uint8), **arrays}


def records_from_arrays(arrays: Mapping[str, NDArray[Any]], kind: type[T]) -> list[T]:
    """The records that `records_to_arrays` was given; every number of the same kind and the same to its last bit.

    Raises
    ------
    TypeError, ValueError, KeyError : for arrays that hold no such records.
    """
    kinds = {name: np.dtype(name.removeprefix(POOL)) for name in arrays if name.startswith(POOL)}
    pool = _Drawn({kind.str: _join(arrays[name], kind) for name, kind in kinds.items()})
    tree = json.loads(arrays[TREE].tobytes())
    if not isinstance(tree, list):
        raise TypeError("no list of records")
    return [cast("T", _unpack(one, kind, pool)) for one in tree]


def _split(joined: bytes, kind: np.dtype[Any]) -> NDArray[np.uint8]:
    """Bytes of values, (place in the value, value)."""
    return np.ascontiguousarray(np.frombuffer(joined, np.uint8).reshape(-1, kind.itemsize).T)


def _join(split: NDArray[Any], kind: np.dtype[Any]) -> NDArray[Any]:
    """The values of which these are the bytes."""
    if split.dtype != np.uint8 or split.ndim != 2 or kind.hasobject:
        raise ValueError(f"no bytes of {kind}")
    return np.frombuffer(np.ascontiguousarray(split.T).tobytes(), kind)


class _Drawn:
    """The joined arrays, drawn from in the order in which they were joined."""

    def __init__(self, joined: Mapping[str, NDArray[Any]]) -> None:
        self._joined, self._places = joined, dict.fromkeys(joined, 0)

    def draw(self, name: str, shape: Sequence[int]) -> NDArray[Any]:
        """The next array of that kind, writable as a new one is."""
        size = int(np.prod(shape, dtype=np.int64))
        if not size:
            return np.zeros(shape, np.dtype(name))
        place = self._places[name]
        values = self._joined[name][place : place + size]
        self._places[name] = place + size
        return values.reshape(tuple(shape)).copy()


def _pack(value: Any, hint: Any, pool: Pool) -> Any:
    if isinstance(value, np.ndarray | np.generic):
        if value.dtype.hasobject:
            raise TypeError(f"an array of objects cannot be kept: {value!r}")
        values = np.ascontiguousarray(value)
        pool.setdefault(value.dtype.str, []).append(values.tobytes())
        return {"array": [value.dtype.str, isinstance(value, np.generic), *value.shape]}
    if value is None or (isinstance(value, NUMBERS) and type(value) in NUMBERS):
        return value
    if type(value) is Fraction:
        return {"fraction": [value.numerator, value.denominator]}
    hint = _told(hint)
    if _is_record(hint) and type(value) is (get_origin(hint) or hint):
        return [_pack(getattr(value, name), inner, pool) for name, inner in _hints(hint)]
    if isinstance(value, tuple) and type(value) is tuple:
        return [_pack(one, inner, pool) for one, inner in zip(value, _of_tuple(hint, len(value)), strict=True)]
    if isinstance(value, dict) and all(type(name) is str for name in value):
        inner = _of_mapping(hint)
        return {name: _pack(one, inner, pool) for name, one in value.items()}
    raise TypeError(f"{type(value).__name__} cannot be kept as {hint}: {value!r}")


def _unpack(node: Any, hint: Any, pool: _Drawn) -> Any:
    hint = _told(hint, absent=node is None)
    if hint is None:
        return None
    origin = get_origin(hint)
    if isinstance(node, dict) and (origin is np.ndarray or hint in NUMBERS):
        name, single, *shape = node["array"]
        found = pool.draw(name, shape)
        return found[()] if single else found
    if hint is Fraction:
        over, under = node["fraction"]
        return Fraction(over, under)
    if _is_record(hint):
        named = _hints(hint)
        return (get_origin(hint) or hint)(*(_unpack(one, inner, pool) for one, (_, inner) in zip(node, named, strict=True)))
    if origin is tuple and isinstance(node, list):
        return tuple(_unpack(one, inner, pool) for one, inner in zip(node, _of_tuple(hint, len(node)), strict=True))
    if origin is not None and issubclass(origin, Mapping) and isinstance(node, dict):
        inner = _of_mapping(hint)
        return {name: _unpack(one, inner, pool) for name, one in node.items()}
    if type(node) is hint or (hint is float and type(node) is int):
        return node
    raise TypeError(f"{node!r} where {hint} is wanted")


def _told(hint: Any, *, absent: bool = False) -> Any:
    """The kind that a hint leaves of a value: None of what is absent and may be; the plain kind of one of several words."""
    if get_origin(hint) in (Union, types.UnionType):
        kinds = [one for one in get_args(hint) if one is not types.NoneType]
        if len(kinds) < len(get_args(hint)) and absent:
            return None
        if len(kinds) != 1:
            raise TypeError(f"{hint} may be several things")
        hint = kinds[0]
    while (meant := getattr(get_origin(hint) or hint, "__value__", None)) is not None:  # numpy's NDArray is such a name from Python 3.12 on
        hint = meant
    return type(get_args(hint)[0]) if get_origin(hint) is Literal else hint


def _of_tuple(hint: Any, length: int) -> Sequence[Any]:
    inner = get_args(hint)
    if get_origin(hint) is not tuple:
        raise TypeError(f"a tuple where {hint} is wanted")
    return inner[:1] * length if inner[1:] == (Ellipsis,) else inner


def _of_mapping(hint: Any) -> Any:
    origin = get_origin(hint)
    if origin is None or not issubclass(origin, Mapping) or get_args(hint)[0] is not str:
        raise TypeError(f"a mapping where {hint} is wanted")
    return get_args(hint)[1]


def _is_record(hint: Any) -> bool:
    """Whether values of that kind are dataclasses, plain ones or generic ones of a stated kind."""
    kind = get_origin(hint) or hint
    return isinstance(kind, type) and is_dataclass(kind)


@cache
def _hints(kind: Any) -> tuple[tuple[str, Any], ...]:
    """Fields of a dataclass with what they hold; of a generic one what it is stated to hold stands in the place of the letter."""
    plain = get_origin(kind) or kind
    found, stated = get_type_hints(plain), dict(zip(getattr(plain, "__parameters__", ()), get_args(kind), strict=False))
    return tuple((one.name, stated.get(found[one.name], found[one.name])) for one in fields(plain))


def form_of(kind: type, *, names_only: bool = False) -> str:
    """Names and kinds of everything that a record holds, in words: two forms that differ cannot be read as each other.

    With `names_only` the kinds are left out, whose words are other ones in other versions of Python: for what is kept for years.
    """
    seen: dict[Any, str] = {}

    def look(hint: Any) -> None:
        for one in get_args(hint):
            look(one)
        if _is_record(hint) and hint not in seen:
            called = (get_origin(hint) or hint).__name__ if names_only or isinstance(hint, type) else str(hint)
            held = [name if names_only else f"{name} {inner}" for name, inner in _hints(hint)]
            seen[hint] = f"{called}: {', '.join(held)}"
            for _, inner in _hints(hint):
                look(inner)

    look(kind)
    return "\n".join(seen.values())


def name_of(*values: object) -> str:
    """A name for some values, 32 letters: others have another one, as have the same numbers of another kind.

    Parameters
    ----------
    values : numbers, words, None, fractions, arrays, dataclasses, and sequences, sets and mappings of such, however deep.

    Raises
    ------
    TypeError : for anything else, whose value cannot be told for sure.
    """
    told = hashlib.sha256()
    for one in _tell(values):
        told.update(f"{len(one)}:".encode() + one)
    return told.hexdigest()[:32]


def _tell(value: object) -> Iterator[bytes]:
    """A value piece by piece, each kind in a way of its own; how many follow stands before what follows."""
    if value is None or (isinstance(value, bool | int | str | Fraction) and type(value) in (bool, int, str, Fraction)):
        yield f"{type(value).__name__} {value}".encode()
    elif type(value) is float:
        yield f"float {value.hex()}".encode()
    elif isinstance(value, np.ndarray | np.generic) and not value.dtype.hasobject:
        yield f"{type(value).__name__} {value.dtype.str} {value.shape}".encode()
        yield np.ascontiguousarray(value).tobytes()
    elif is_dataclass(value) and not isinstance(value, type):
        yield f"{type(value).__qualname__} {len(fields(value))}".encode()
        for one in fields(value):
            yield one.name.encode()
            yield from _tell(getattr(value, one.name))
    elif isinstance(value, Mapping | Set):
        pairs = sorted(name_of(*one) for one in value.items()) if isinstance(value, Mapping) else sorted(name_of(one) for one in value)
        yield f"{'mapping' if isinstance(value, Mapping) else 'set'} {len(pairs)}".encode()
        yield from (one.encode() for one in pairs)
    elif isinstance(value, list | tuple):
        yield f"sequence {len(value)}".encode()
        for one in value:
            yield from _tell(one)
    else:
        raise TypeError(f"{type(value).__name__} has no name of its own: {value!r}")
