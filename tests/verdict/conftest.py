import pytest


@pytest.fixture(autouse=True)
def small_pictures(one_thread: None) -> None:
    """Every picture of this folder's tests is small."""
