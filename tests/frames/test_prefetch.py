import threading
from itertools import islice

import pytest

from pairdiff.frames.prefetch import map_ahead, read_ahead


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


@pytest.mark.parametrize("workers", [1, 3])
def test_results_come_in_the_order_of_their_items(workers):
    gate = threading.Event()

    def slow(number):
        if workers > 1 and number == 0:
            assert gate.wait(10)  # the second item is done before the first
        gate.set()
        return number * number

    assert list(map_ahead(slow, range(20), workers=workers)) == [number * number for number in range(20)]


@pytest.mark.parametrize(("given", "most"), [({}, 4), ({"spare": 0}, 3), ({"spare": 2}, 5)])
def test_no_more_items_are_taken_than_there_are_workers_and_spare_ones(given, most):
    taken = []

    def items():
        for number in range(50):
            taken.append(number)
            yield number

    results = map_ahead(lambda number: number, items(), workers=3, **given)
    assert next(results) == 0
    assert len(taken) == most
    results.close()
    assert len(taken) == most


@pytest.mark.parametrize("workers", [1, 3])
def test_an_error_is_raised_where_its_result_would_have_come(workers):
    results = map_ahead(lambda number: 6 // (2 - number), range(9), workers=workers)
    assert [next(results), next(results)] == [3, 6]
    with pytest.raises(ZeroDivisionError):
        next(results)
