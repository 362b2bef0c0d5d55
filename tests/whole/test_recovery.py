"""Planted set-ups come back from encoded clips: the same table as tests/bench/setup_recovery.py, asserted. Limits: own."""

from pathlib import Path

import pytest

from tests.whole._relit import compare_relit

SLOW = pytest.mark.slow


@pytest.mark.parametrize(
    ("white", "gamma"),
    [pytest.param(150.0, 2.3, marks=SLOW), *(pytest.param(white, gamma, marks=SLOW) for white in (50.0, 290.0) for gamma in (2.05, 2.55))],
)
def test_a_planted_set_up_is_found_within_one_percent(tmp_path: Path, white: float, gamma: float) -> None:
    found = compare_relit(tmp_path, white=white, gamma=gamma)
    assert found.setup.white_nits == pytest.approx(white, rel=0.01)
    assert found.setup.gamma == pytest.approx(gamma, abs=0.03)
    assert not found.setup.at_bound
    assert found.verdict.label == "sdr-in-hdr-container"


@SLOW
@pytest.mark.parametrize("white", [30.0, 350.0, 1000.0])
def test_a_picture_beyond_the_reach_of_a_set_is_found_by_the_free_fit(tmp_path: Path, white: float) -> None:
    found = compare_relit(tmp_path, white=white, gamma=2.4)
    assert found.setup.at_bound
    assert found.free_fit.power_law
    assert found.free_fit.white_nits == pytest.approx(white, rel=0.01)
    assert found.verdict.label == "sdr-in-hdr-container"


@SLOW
@pytest.mark.parametrize(("white", "gamma"), [(80.0, 2.2), (250.0, 2.5)])
def test_highlights_in_a_fifth_of_the_frames_do_not_bend_the_set_up(tmp_path: Path, white: float, gamma: float) -> None:
    found = compare_relit(tmp_path, white=white, gamma=gamma, highlights=True)
    assert found.setup.white_nits == pytest.approx(white, rel=0.03)
    assert found.setup.gamma == pytest.approx(gamma, abs=0.05)
    # 40 frames, of which 8 have them and one of these is taken for a flash: whether the label is firm is not asked here
    assert found.verdict.label in ("wider-range", "restrained-hdr", "undetermined")
    assert sum(found.verdict.support.get(label, 0) for label in ("wider-range", "restrained-hdr")) >= 0.7
