"""The picture of every field, through coding that hides the combing. The pulldowns are libavfilter's `telecine` (FFmpeg through PyAV)."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff.frames._kernels import best_lengths
from pairdiff.frames.fields import find_combed
from pairdiff.frames.pulldown import Pulldown, chosen_alike, trace_pictures
from tests.frames.test_fields import PULLDOWNS, luma_of, weaves_of
from tests.match._films import squeeze
from tests.whole._cadence import Stored, drop_frames, pull_down

Floats = NDArray[np.floating[Any]]
PLACES = {"o": (0, 0), "b": (0, -1), "a": (1, 0)}


def shown(stored: Stored, order: str, found: Pulldown) -> list[tuple[int, int]]:
    """The pictures of both fields that each frame is put together of."""
    early, late = (stored.top, stored.bottom) if order == "top" else (stored.bottom, stored.top)
    return [(early[n + PLACES[letter][0]], late[n + PLACES[letter][1]]) for n, letter in enumerate(found.joins)]


LONG = {"2:3, slow shots": (pull_down(range(5, 200), "23"), "top")}


@pytest.mark.parametrize(
    ("name", "crf"), [*((name, None) for name in PULLDOWNS), ("2:3 top first", 30), ("2:3 bottom first", 26), ("2:3, slow shots", 28)]
)
def test_fields_make_whole_pictures_and_repeats_are_known(name: str, crf: int | None) -> None:
    stored, order = (PULLDOWNS | LONG)[name]
    pictures = luma_of(stored)
    weaves = weaves_of(pictures if crf is None else squeeze(pictures, crf=crf))
    found = trace_pictures(weaves, order)  # type: ignore[arg-type]
    both = shown(stored, order, found)
    assert all(first == second for first, second in both)
    wanted = [False, *(later == earlier for earlier, later in itertools.pairwise(first for first, _ in both))]
    assert found.repeats.tolist() == wanted
    assert chosen_alike(found.joins, weaves, order) is (crf is None)  # type: ignore[arg-type]


def test_an_edit_without_regard_to_fields_costs_one_frame_at_most() -> None:
    stored = drop_frames(pull_down(range(6, 106), "23"), range(51, 83))
    weaves = weaves_of(luma_of(stored))
    found = trace_pictures(weaves, "top")
    both = shown(stored, "top", found)
    assert sum(first != second for first, second in both) <= 1
    assert np.flatnonzero(found.broken).tolist() == [51]


def test_a_frame_that_stands_out_far_from_any_edit_is_kept() -> None:
    stored, _ = PULLDOWNS["2:3 top first"]
    weaves = weaves_of(luma_of(stored))
    weaves[30, 1:4] *= 9  # frame 31 alone: a pattern in the picture, or a lot of detail
    weaves[31, [0, 2, 3]] *= 9
    assert find_combed(weaves, "top")[0].any()
    assert not find_combed(weaves, "top", np.zeros(len(weaves) + 1, bool))[0].any()


def plain_value(start: tuple[int, int], fields: Sequence[bool], says: Floats, woven: Floats, log_chance: Floats) -> float:
    """Evidence and log chances of one way to tell which fields show the picture of the field before, without edits.

    `start` is the length of a picture before (less two) and the fields that the last one has had by the end of the first frame.
    """
    before, count = start
    value = float(woven[0]) if count == 1 else 0.0
    for place, goes_on in enumerate(fields):
        pair = place // 2
        value += (says[pair] / 2 if goes_on else -says[pair] / 2) if place % 2 == 0 else 0.0 if goes_on else woven[pair + 1]
        if goes_on:
            count += 1
        elif count >= 2:
            value += log_chance[before, count - 2]
            before, count = count - 2, 1
        else:
            return -np.inf
        if count > 3:
            return -np.inf
    return float(value + (log_chance[before, 1] if count == 3 else 0.0))


@pytest.mark.parametrize("seed", range(6))
def test_the_lengths_are_the_best_of_all_lengths(seed: int) -> None:
    rng = np.random.default_rng(seed)
    says, woven, log_chance = 2 * rng.normal(size=4), rng.uniform(0, 2, 5), np.log(rng.dirichlet(np.ones(2), 2))
    out = np.zeros((5, 3), bool)
    found = best_lengths(says, woven, log_chance, 1e9, out)
    starts = list(itertools.product((0, 1), (1, 2, 3)))
    ways = {
        (start, fields): plain_value(start, fields, says, woven, log_chance)
        for start in starts
        for fields in itertools.product((False, True), repeat=8)
    }
    assert found == pytest.approx(max(ways.values()))
    told = tuple(out[1:, :2].reshape(-1).tolist())
    assert max(ways[start, told] for start in starts if (start[1] > 1) == out[0, 1]) == pytest.approx(found)


@pytest.mark.parametrize("seed", range(4))
def test_a_pattern_holds_where_single_pairs_say_otherwise(seed: int) -> None:
    goes_on = np.tile([False, True, True, True, False], 24)  # 2:3, of the pairs 0-1 to 4-5
    says = np.where(goes_on, 2.0, -2.0) + np.random.default_rng(seed).normal(0, 1.5, goes_on.size)
    assert ((says > 0) != goes_on).sum() >= 5
    out = np.zeros((goes_on.size + 1, 3), bool)
    best_lengths(says, np.zeros(goes_on.size + 1), np.log([[0.03, 0.97], [0.97, 0.03]]), 6.0, out)
    assert (out[1:, 0] == goes_on)[10:-10].all()
    assert not out[:, 2].any()
