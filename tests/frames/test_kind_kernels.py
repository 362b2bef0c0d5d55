"""Kernels with a form for each kind of code: against plain numpy, and what is compiled."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff.frames._kernels import CODE_SIGNATURES, count_codes
from pairdiff.frames._kind_kernels import KindKernel


def fresh() -> KindKernel:
    return KindKernel(count_codes.py_func, CODE_SIGNATURES, {})


def codes_of(kind: Any) -> NDArray[Any]:
    return np.random.default_rng(3).integers(0, 200 if kind is np.uint8 else 1000, (40, 64)).astype(kind)


def count(kernel: KindKernel, codes: NDArray[Any]) -> NDArray[np.int64]:
    out = np.zeros(np.iinfo(codes.dtype).max + 1, np.int64)
    kernel(codes, np.array([0, 40, 0, 64]), 1, 0, out)
    return out


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_each_kind_counts_as_numpy_does_and_makes_its_own_form_alone(kind: Any) -> None:
    kernel, codes = fresh(), codes_of(kind)
    assert not kernel._forms
    np.testing.assert_array_equal(count(kernel, codes), np.bincount(codes.ravel(), minlength=np.iinfo(kind).max + 1))
    assert list(kernel._forms) == [np.dtype(kind)]


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_a_picture_that_may_be_written_needs_no_form_of_its_own(kind: Any) -> None:
    kernel, codes = fresh(), codes_of(kind)
    first = count(kernel, codes)
    codes.flags.writeable = False
    np.testing.assert_array_equal(count(kernel, codes), first)
    (form,) = kernel._forms.values()
    assert len(form.signatures) == 1  # type: ignore[attr-defined]


def test_threads_that_need_a_form_at_once_get_the_same_one() -> None:
    kernel, codes = fresh(), codes_of(np.uint16)
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda number: count(kernel, codes), range(16)))
    assert all(np.array_equal(one, found[0]) for one in found)
    assert len(kernel._forms) == 1


def test_other_kinds_are_refused() -> None:
    with pytest.raises(KeyError, match="float64"):
        fresh()(np.zeros((40, 64)))
