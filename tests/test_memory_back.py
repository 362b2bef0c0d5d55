"""Memory handed back between the stages of a run."""

from __future__ import annotations

import gc
import weakref
from collections.abc import Iterator

import pytest

from pairdiff import _memory


class _Reader:
    """Refers to itself, as a reader with its decoder does."""

    def __init__(self) -> None:
        self.me = self


@pytest.fixture
def left_alone() -> Iterator[None]:
    gc.disable()
    yield
    gc.enable()


@pytest.mark.usefixtures("left_alone")
def test_what_refers_to_itself_is_let_go_in_a_process_that_holds_much(monkeypatch: pytest.MonkeyPatch) -> None:
    reader = weakref.ref(_Reader())
    monkeypatch.setattr(_memory, "LEAST_BYTES", 2**60)
    _memory.give_back()
    assert reader() is not None
    monkeypatch.setattr(_memory, "LEAST_BYTES", 2**20)
    _memory.give_back()
    assert reader() is None


@pytest.mark.usefixtures("left_alone")
def test_where_the_system_does_not_tell_what_is_held_it_is_let_go(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise FileNotFoundError

    reader = weakref.ref(_Reader())
    monkeypatch.setattr("builtins.open", refuse)
    _memory.give_back()
    assert reader() is None
