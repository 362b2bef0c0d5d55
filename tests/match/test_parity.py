"""Odd and even pictures of a release of twice the rate, passage by passage."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pairdiff.match.parity import PARITY_FRAMES, choose_parities, is_double, leave_out

FRAMES, TURN = 240, 121


def map_of(paired: Any, similarity: Any, path: Any = None) -> Any:
    """What is looked at of an edit map: state, similarity and path of every HDR frame."""
    paired, similarity = np.asarray(paired), np.asarray(similarity, np.float32)
    state = np.where(paired, 1, -1).astype(np.int8)
    return SimpleNamespace(state=state, similarity=np.where(paired, similarity, np.nan), path=path)


def maps_of_hdr(turn: int) -> tuple[Any, Any]:
    """The HDR release is the faster one: even frames belong up to the turn, odd ones from there on."""
    numbers = np.arange(FRAMES)
    right, wrong = 0.95, 0.6
    evens = np.where(numbers < turn, right, wrong)
    return map_of(numbers % 2 == 0, evens), map_of(numbers % 2 == 1, right + wrong - evens)


def test_before_and_behind_a_turn_the_better_parity_is_taken_and_about_it_nothing() -> None:
    found = choose_parities(*maps_of_hdr(TURN), frames=FRAMES, fast_is_hdr=True)
    assert found is not None
    numbers = np.arange(FRAMES)
    sure = ~found.unsure
    assert np.array_equal(found.repeats[sure], np.where(numbers < TURN, numbers % 2 == 1, numbers % 2 == 0)[sure])
    assert found.unsure[TURN - PARITY_FRAMES // 2 : TURN + PARITY_FRAMES // 2].all()
    assert found.unsure.sum() <= 2 * PARITY_FRAMES + 1


def test_of_a_faster_sdr_release_frames_are_told_by_the_path() -> None:
    ahead, slow = 40, np.arange(FRAMES // 2)  # the SDR release begins with 40 frames that the HDR one has not
    right, wrong = 0.95, 0.6
    evens = np.where(slow < TURN // 2, right, wrong)
    odd_out, even_out = (map_of(np.ones(len(slow), bool), one, path=2 * slow + ahead) for one in (evens, right + wrong - evens))
    found = choose_parities(odd_out, even_out, frames=FRAMES + ahead, fast_is_hdr=False)
    assert found is not None
    numbers = np.arange(FRAMES + ahead)
    sure = ~found.unsure
    assert np.array_equal(found.repeats[sure], np.where(numbers < TURN + ahead, numbers % 2 == 1, numbers % 2 == 0)[sure])
    assert 0 < found.unsure.sum() <= 2 * PARITY_FRAMES + 1


@pytest.mark.parametrize("turn", [0, FRAMES, FRAMES - 8])
def test_one_parity_throughout_and_a_few_frames_of_the_other_change_nothing(turn: int) -> None:
    assert choose_parities(*maps_of_hdr(turn), frames=FRAMES, fast_is_hdr=True) is None


def test_double_rates_and_what_is_left_out() -> None:
    assert [is_double(ratio) for ratio in (2.0, 0.5, 50 / 24, 60000 / 1001 / 29.97, 2.5, 1.0, 25 / 24)] == [True] * 4 + [False] * 3
    assert leave_out(5, odd=True).tolist() == [False, True, False, True, False]
    assert leave_out(5, odd=False).tolist() == [True, False, True, False, True]
