"""Records written as plain arrays come back to the last bit, and names tell values apart; IEEE 754 and Python's rules, no other source."""

from __future__ import annotations

import io
import math
import struct
import types
from collections.abc import Mapping
from dataclasses import dataclass, fields, is_dataclass, make_dataclass, replace
from fractions import Fraction
from typing import Any, Literal, TypeVar, get_args, get_origin, get_type_hints

import numpy as np
import pytest
from numpy.typing import NDArray
from typing_extensions import TypeAliasType

from pairdiff._kept_records import form_of, name_of, records_from_arrays, records_to_arrays
from pairdiff._pair_parts import FitKept, Looked
from pairdiff._settings import Settings

ODD_FLOATS = (0.0, -0.0, math.nan, math.inf, -math.inf, 5e-324, 0.1 + 0.2, 1 / 3, 2.0**60 + 1, 1e308, 3.0)


@dataclass(frozen=True, slots=True)
class Inner:
    number: float
    words: Literal["one", "two"]
    maybe: int | None


@dataclass(frozen=True, slots=True)
class Outer:
    """Everything that a record may hold."""

    flag: bool
    count: int
    inner: Inner | None
    pair: tuple[str, float]
    many: tuple[Inner, ...]
    by_name: Mapping[str, float]
    arrays: dict[str, NDArray[np.int32]]
    half: NDArray[np.float16]
    single: NDArray[np.float32] | None
    double: NDArray[np.float64]
    small: NDArray[np.uint8]
    where: NDArray[np.bool_]


Kind = TypeVar("Kind", bound=np.generic)
Named = TypeAliasType("Named", np.ndarray[Any, np.dtype[Kind]], type_params=(Kind,))
"""A name for arrays, as Python 3.12's `type` statement makes it (PEP 695)."""


@dataclass(frozen=True, slots=True)
class ByName:
    values: Named[np.float32]
    maybe: Named[np.int16] | None


@dataclass(frozen=True, slots=True)
class Ends:
    values: NDArray[np.integer[Any]]


def make(hint: Any, rng: np.random.Generator) -> Any:
    """Some value of a kind, odd ones among them."""
    args, origin = get_args(hint), get_origin(hint)
    if origin is types.UnionType or types.NoneType in args:
        kinds = [one for one in args if one is not types.NoneType]
        return None if rng.random() < 0.3 else make(kinds[0], rng)
    if origin is Literal:
        return args[int(rng.integers(len(args)))]
    if origin is np.ndarray or hasattr(origin, "__value__"):
        kind = np.dtype(get_args(args[1])[0] if origin is np.ndarray else args[0])
        shape = tuple(int(n) for n in rng.integers(0, 5, rng.integers(1, 4)))
        raw = rng.integers(0, 2 if kind.kind == "b" else 256, (math.prod(shape), kind.itemsize), np.uint8)
        return raw.reshape(-1).view(kind)[: math.prod(shape)].reshape(shape)
    if origin is tuple:
        return tuple(make(one, rng) for one in (args[:1] * int(rng.integers(0, 4)) if args[1:] == (Ellipsis,) else args))
    if origin is not None and issubclass(origin, Mapping):
        return {f"name {n} é": make(args[1], rng) for n in range(rng.integers(0, 4))}
    if is_dataclass(hint):
        hints = get_type_hints(hint)
        return hint(*(make(hints[one.name], rng) for one in fields(hint)))  # type: ignore[operator]
    if hint is float:
        return ODD_FLOATS[int(rng.integers(len(ODD_FLOATS)))] if rng.random() < 0.5 else float(rng.normal() * 10.0 ** rng.integers(-9, 9))
    return {
        bool: lambda: bool(rng.integers(2)),
        int: lambda: int(rng.integers(-(2**62), 2**62)),
        str: lambda: 'says "é" \n twice',
    }[hint]()


def same(first: Any, second: Any) -> bool:
    """Whether two values are alike in kind and in every bit (of NaN: that both are)."""
    if type(first) is not type(second):
        return False
    if isinstance(first, np.ndarray | np.generic):
        return (first.dtype, first.shape, first.tobytes()) == (second.dtype, second.shape, second.tobytes())
    if is_dataclass(first):
        return all(same(getattr(first, one.name), getattr(second, one.name)) for one in fields(first))
    if isinstance(first, tuple):
        return len(first) == len(second) and all(map(same, first, second))
    if isinstance(first, dict):
        return list(first) == list(second) and all(same(one, second[name]) for name, one in first.items())
    if isinstance(first, float):
        return (math.isnan(first) and math.isnan(second)) or struct.pack("<d", first) == struct.pack("<d", second)
    return bool(first == second)


def through_a_file(records: list[Any], kind: type) -> list[Any]:
    file = io.BytesIO()
    np.savez_compressed(file, **records_to_arrays(records, kind))  # type: ignore[arg-type]
    file.seek(0)
    with np.load(file, allow_pickle=False) as arrays:
        return records_from_arrays({name: arrays[name] for name in arrays.files}, kind)


@pytest.mark.parametrize("kind", [Outer, ByName, Looked, FitKept])
@pytest.mark.parametrize("seed", range(12))
def test_records_of_every_kind_come_back_to_the_last_bit(kind: type, seed: int) -> None:
    rng = np.random.default_rng(seed)
    records = [make(kind, rng) for _ in range(rng.integers(1, 6))]
    back = through_a_file(records, kind)
    assert len(back) == len(records)
    assert all(map(same, records, back))


def test_the_comparison_of_these_tests_sees_what_is_not_the_same() -> None:
    one = Inner(0.0, "one", None)
    assert not same(one, replace(one, number=-0.0))
    assert not same(one, replace(one, number=0))
    assert not same(np.zeros(2, np.float32), np.zeros(2))
    assert not same({"a": 1, "b": 2}, {"b": 2, "a": 1})


def test_a_number_of_numpy_stays_one() -> None:
    """It counts otherwise than Python's own in sums with arrays of less precision (NEP 50)."""
    for value in (np.float32(0.1), np.float64(0.1), np.int16(-3)):
        (back,) = through_a_file([Inner(value, "one", None)], Inner)
        assert same(back.number, value)


def test_whole_numbers_at_both_ends_of_their_kind_come_back() -> None:
    for kind in (np.int8, np.int32, np.int64, np.uint16, np.uint64):
        ends = np.iinfo(kind)
        value = Ends(np.array([ends.max, ends.min, ends.max, 0, 1], kind))
        assert same(*through_a_file([value], Ends), value)


def test_a_mapping_may_hold_any_name() -> None:
    record = replace(
        make(Outer, np.random.default_rng(5)), by_name={"array": 1.0, "": -0.0}, arrays={"array": np.arange(3, dtype=np.int32)}
    )
    assert same(*through_a_file([record], Outer), record)


def test_arrays_that_come_back_can_be_written_and_lean_on_nothing() -> None:
    rng = np.random.default_rng(3)
    (back,) = through_a_file([replace(make(Outer, rng), double=np.arange(6.0))], Outer)
    back.double[:] = 1
    assert back.double.base is None or back.double.base.nbytes == back.double.nbytes


@pytest.mark.parametrize(
    ("value", "words"),
    [
        (Inner(object(), "one", None), "object cannot be kept"),  # type: ignore[arg-type]
        (Inner(np.array([None]), "one", None), "array of objects cannot be kept"),  # type: ignore[arg-type]
        (Inner({1: 2.0}, "one", None), "dict cannot be kept"),  # type: ignore[arg-type]
        (Inner((1.0,), "one", None), "a tuple where .*float.* is wanted"),  # type: ignore[arg-type]
    ],
)
def test_what_cannot_be_kept_is_refused(value: Inner, words: str) -> None:
    with pytest.raises(TypeError, match=words):
        records_to_arrays([value], Inner)


def test_arrays_of_another_form_are_refused() -> None:
    arrays = records_to_arrays([Inner(1.0, "one", None)], Inner)
    for tree in (
        b'[["1.0","one",null]]',
        b"[[1.0,3,null]]",
        b'[[1.0,"one"]]',
        b"[1]",
        b"{}",
        b"[[1.0,null,null]]",
        b'[[{},"one",null]]',
        b"[",
    ):
        with pytest.raises((TypeError, ValueError, KeyError)):
            records_from_arrays({**arrays, "tree": np.frombuffer(tree, np.uint8)}, Inner)
    with pytest.raises((TypeError, ValueError, KeyError)):
        records_from_arrays({}, Inner)


def test_an_array_that_is_shorter_than_it_says_is_refused() -> None:
    record = make(Outer, np.random.default_rng(1))
    arrays = records_to_arrays([replace(record, double=np.arange(9.0))], Outer)
    with pytest.raises(ValueError, match="reshape"):
        records_from_arrays({**arrays, "of <f8": arrays["of <f8"][:, :-1]}, Outer)


DIFFERENT: list[object] = [
    None,
    "None",
    1,
    1.0,
    True,
    "1",
    Fraction(1),
    0.3,
    0.1 + 0.2,
    0.0,
    -0.0,
    (1, 2, 3),
    ((1, 2), 3),
    ((1,), 2, 3),
    (1, (2, 3)),
    ("ab", "c"),
    ("a", "bc"),
    ("a", "bstr c", "d"),
    ("a", "b", "cstr d"),
    {"a": 1},
    {"a": 1.0},
    {("a", 1)},
    np.zeros((2, 3)),
    np.zeros((3, 2)),
    np.zeros((2, 3), np.float32),
    np.zeros((2, 6), np.float32),
    np.zeros((2, 3), np.int32),
    np.float64(0.0),
    Inner(1.0, "one", None),
    Inner(1.0, "two", None),
    Inner(1.0, "one", 0),
    (1.0, "one", None),
    Settings(),
    Settings(seed=1),
    Settings(headroom_slight_stops=math.nextafter(0.3, 1)),
]


def test_values_that_differ_have_names_that_differ() -> None:
    names = [name_of(one) for one in DIFFERENT]
    assert len(set(names)) == len(names)
    assert names == [name_of(one) for one in DIFFERENT]


def test_every_setting_is_in_the_name() -> None:
    usual = Settings()
    for one in fields(Settings):
        old: Any = getattr(usual, one.name)
        new = "other" if old is None or isinstance(old, str) else (not old if isinstance(old, bool) else old + 1)
        assert name_of(usual) != name_of(replace(usual, **{one.name: new})), one.name


def test_the_order_of_a_mapping_or_a_set_is_not_in_the_name_and_that_of_a_sequence_is() -> None:
    assert name_of({"a": 1, "b": 2}) == name_of({"b": 2, "a": 1})
    assert name_of({5, 1, 3}) == name_of({3, 5, 1})
    assert name_of([1, 2]) != name_of([2, 1])
    wide = np.arange(12.0).reshape(3, 4)
    assert name_of(wide[:, ::2]) == name_of(wide[:, ::2].copy())


@pytest.mark.parametrize("value", [object(), lambda: 1, np.array([None]), Inner], ids=["object", "function", "objects", "class"])
def test_what_has_no_name_of_its_own_is_refused(value: object) -> None:
    with pytest.raises(TypeError, match="has no name of its own"):
        name_of((1, value))


def test_a_field_more_or_of_another_kind_or_deeper_is_another_form() -> None:
    forms = [
        form_of(make_dataclass("Plain", held))
        for held in ([("a", float)], [("a", int)], [("a", float), ("b", float)], [("b", float)], [("a", tuple[Ends, ...])], [("a", Ends)])
    ]
    assert len(set(forms)) == len(forms)
    deep = form_of(Looked)
    assert all(name in deep for name in ("PairScore: hdr_frame", "GreyCodes: counts", "PreferenceLoss: jod", "LaidOver: hdr_frame"))
