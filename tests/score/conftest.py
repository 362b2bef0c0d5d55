import pytest


@pytest.fixture(autouse=True)
def small_pictures(one_thread: None) -> None:
    """Every picture of this folder's tests is small."""


@pytest.fixture(scope="session")
def ladder_pair(real_light):
    """HDR light and SDR signal of one pair of the ladder, by set, scene and rung."""
    from tests.bench.ladder import ladder

    def find(*wanted):
        return next((hdr, signal) for *names, hdr, signal in ladder(real_light[0].parent) if tuple(names) == wanted)

    return find
