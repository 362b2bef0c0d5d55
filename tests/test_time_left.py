"""Time left of a stage, against planted paces of which the end is known. The bound of 20 % is the product's own demand, no source."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from pairdiff._time_left import MOST_MARKS, TimeLeft, say_left

TOTAL = 2400


def run(pace_s: Callable[[int], float], *, first: int = 1, total: int = TOTAL) -> dict[int, tuple[float | None, float]]:
    """What is told after each step, and what was true; `pace_s` says how long the step after so many takes."""
    times = {first: 100.0}
    for done in range(first, total):
        times[done + 1] = times[done] + pace_s(done)
    told, left = {}, TimeLeft()
    for done, now_s in times.items():
        left.add(done, now_s=now_s)
        told[done] = (left.left_s(total), times[total] - now_s)
    return told


def error(told: dict[int, tuple[float | None, float]], done: int) -> float:
    said, true = told[done]
    assert said is not None
    return said / true - 1


def test_a_steady_pace_is_told_exactly() -> None:
    told = run(lambda done: 0.25)
    assert all(error(told, done) == pytest.approx(0) for done in range(TOTAL // 10, TOTAL))
    assert told[TOTAL][0] == 0


def test_groups_of_pictures_of_unequal_work_are_within_a_fifth() -> None:
    # a key frame takes 18 times as long as the others, and a group has 24
    told = run(lambda done: 1.8 if done % 24 == 0 else 0.1, total=480)
    assert max(abs(error(told, done)) for done in range(48 + 1, 432)) < 0.2


@pytest.mark.parametrize("total", [10, 20, 480, 2400])
def test_a_tenth_of_the_work_is_enough_to_tell(total: int) -> None:
    told = run(lambda done: 0.25, total=total)
    assert all(told[done][0] is not None for done in range(max(-(-total // 10), 2), total))


def test_a_slow_start_is_forgotten_by_a_tenth() -> None:
    # five times as slow for the first twentieth: the pace of the whole would say 2.9 times as long
    told = run(lambda done: 1.25 if done < TOTAL // 20 else 0.25)
    assert all(abs(error(told, done)) < 0.2 for done in range(TOTAL // 10, TOTAL))


@pytest.mark.parametrize("later_s", [0.125, 0.5])
def test_a_pace_that_changes_at_half_is_told_anew(later_s: float) -> None:
    told = run(lambda done: 0.25 if done < TOTAL // 2 else later_s)
    assert error(told, TOTAL // 4) == pytest.approx(0.75 / (0.25 + 0.5 * later_s / 0.25) - 1, abs=0.01)  # nobody can know yet
    assert all(abs(error(told, done)) < 0.2 for done in range(TOTAL * 3 // 4, TOTAL))


def test_pictures_done_before_a_pass_was_gone_on_with_took_no_time() -> None:
    first = TOTAL * 4 // 10
    told = run(lambda done: 0.25, first=first)
    assert told[first][0] is None
    tenth = first + (TOTAL - first) // 10
    assert all(error(told, done) == pytest.approx(0) for done in range(tenth, TOTAL))
    assert told[tenth][0] == pytest.approx((TOTAL - tenth) * 0.25)


def test_a_stage_that_begins_anew_forgets_what_was() -> None:
    left = TimeLeft()
    for done in range(1, 1001):
        left.add(done, now_s=done * 0.01)
    for done in range(1, 301):
        left.add(done, now_s=1000 + done * 2.0)
    assert left.left_s(TOTAL) == pytest.approx((TOTAL - 300) * 2.0)


def test_nothing_is_told_of_an_unknown_total_or_of_too_few_steps() -> None:
    left = TimeLeft()
    assert left.left_s(100) is None
    left.add(1, now_s=0.0)
    left.add(2, now_s=1.0)
    assert left.left_s(None) is None
    assert left.left_s(100) is None
    assert left.left_s(4) == pytest.approx(2.0)


def test_a_pause_counts_although_no_step_was_done_in_it() -> None:
    left = TimeLeft()
    for done in range(1, 102):
        left.add(done, now_s=float(done))
    before = left.left_s(TOTAL)
    left.add(101, now_s=301.0)
    after = left.left_s(TOTAL)
    assert before is not None
    assert after is not None
    assert after > 3 * before


def test_memory_stays_small_in_a_long_film_and_the_pace_right() -> None:
    left, total = TimeLeft(), 170_000
    for done in range(1, 150_001):
        left.add(done, now_s=done * 0.2)
    assert len(left._done) <= MOST_MARKS + 1
    assert left.left_s(total) == pytest.approx((total - 150_000) * 0.2)


@pytest.mark.parametrize(
    ("left_s", "words"),
    [
        (None, ""),
        (0.0, "about 5 s left"),
        (33.0, "about 35 s left"),
        (54.9, "about 55 s left"),
        (58.0, "about 1 min left"),
        (89.0, "about 1 min left"),
        (60 * 59.4, "about 59 min left"),
        (60 * 59.6, "about 1 h 00 min left"),
        (60 * 126, "about 2 h 05 min left"),
    ],
)
def test_time_left_in_words(left_s: float | None, words: str) -> None:
    assert say_left(left_s) == words
