import threading
from itertools import islice

import pytest

from pairdiff.frames.prefetch import read_ahead


def workers():
    return [thread for thread in threading.enumerate() if thread.name == "read-ahead"]


@pytest.mark.parametrize("depth", [1, 4, 50])
def test_the_same_items_come_in_the_same_order(depth):
    assert list(read_ahead(range(40), depth=depth)) == list(range(40))
    assert list(read_ahead([], depth=depth)) == []
    assert list(read_ahead([None, None])) == [None, None]
    assert not workers()


def test_items_are_made_in_another_thread():
    assert threading.get_ident() not in list(read_ahead(threading.get_ident() for _ in range(3)))


def test_an_error_comes_after_the_items_before_it():
    def frames():
        yield 1
        yield 2
        raise OSError("the disc is scratched")

    ahead = read_ahead(frames())
    assert [next(ahead), next(ahead)] == [1, 2]
    with pytest.raises(OSError, match="scratched"):
        next(ahead)
    assert not workers()


def test_an_exception_as_an_item_is_an_item():
    error = ValueError("kept")
    assert list(read_ahead([error])) == [error]


def test_no_more_than_the_depth_is_made_ahead():
    made = []

    def frames():
        for n in range(100):
            made.append(n)
            yield n

    ahead = read_ahead(frames(), depth=3)
    for _ in range(10):
        next(ahead)
    assert len(made) <= 10 + 3 + 1
    ahead.close()
    assert len(made) <= 10 + 3 + 2
    assert not workers()


def test_a_reader_that_stops_early_ends_the_thread():
    assert list(islice(read_ahead(iter(int, 1), depth=2), 5)) == [0] * 5
    ahead = read_ahead(iter(int, 1), depth=2)
    next(ahead)
    ahead.close()
    assert not workers()


@pytest.mark.parametrize("depth", [0, -1])
def test_a_depth_without_bound_is_refused(depth):
    with pytest.raises(ValueError, match="depth must be at least 1"):
        next(read_ahead([1], depth=depth))
