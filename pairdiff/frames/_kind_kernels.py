"""Kernels with one form for each kind of code, 8 and 16 bits: each is compiled, or loaded, when the first picture of its kind comes.

A release has pictures of one kind, and most kernels are for some releases only: what is compiled for nothing is waited for on a fresh
installation.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numba import njit
from numba.np.numpy_support import as_dtype


class KindKernel:
    """One kernel; its first argument is an array, and the kind of its values decides which form works."""

    def __init__(self, function: Callable[..., Any], signatures: Sequence[Any], options: dict[str, Any]) -> None:
        self.__doc__, self.py_func = function.__doc__, function
        self._signatures = {as_dtype(one.args[0].dtype): one for one in signatures}
        self._options = options
        self._forms: dict[np.dtype[Any], Callable[..., Any]] = {}
        self._lock = threading.Lock()

    def __call__(self, *arguments: Any) -> Any:
        form = self._forms.get(arguments[0].dtype)
        return (self._make(arguments[0].dtype) if form is None else form)(*arguments)

    def _make(self, kind: np.dtype[Any]) -> Callable[..., Any]:
        with self._lock:  # threads that measure need it at the same time
            if kind not in self._forms:
                self._forms[kind] = njit([self._signatures[kind]], cache=True, nogil=True, **self._options)(self.py_func)
            return self._forms[kind]


def by_kind(signatures: Sequence[Any], **options: Any) -> Callable[[Callable[..., Any]], KindKernel]:
    """Decorator: one form for each signature, told apart by the values of the first argument.

    Parameters
    ----------
    signatures
        numba's; the first argument of each is an array, of another kind in each.
    options
        For `njit`, beside `cache` and `nogil`.
    """
    return lambda function: KindKernel(function, signatures, options)
