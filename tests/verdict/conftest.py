from collections.abc import Iterator

import numba
import pytest


@pytest.fixture(autouse=True)
def one_thread() -> Iterator[None]:
    """Pictures here are so small that waking threads takes longer than the work."""
    before = numba.get_num_threads()
    numba.set_num_threads(1)
    yield
    numba.set_num_threads(before)
