"""Which picture each field of a woven film shows, and so which fields make whole pictures and which frames repeat one.

One frame and its neighbours tell that only where coding left combing in it. Over a film more is known: a picture lasts two fields or
three, in an order that goes on for long (2:3, 2:2, eleven times two and then three: SMPTE RP 197, EBU practice), and whether the first
field of a frame shows the picture of the last one before is told by the asymmetry of the two exchanges (`fields`). The most likely
lengths of pictures are found by dynamic programming (A. J. Viterbi, IEEE Transactions on Information Theory 13(2), 1967), and which
length follows which is learned from them.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FieldOrder
from pairdiff.frames.fields import JOIN_LETTERS, choose_match, classify_pairs, find_field_order, find_first_field

Pattern = tuple[tuple[float, float], tuple[float, float]]

GOES_ON_SHARE = 0.1
"""Difference of both exchanges, as a share of all that combing differs by, from which a picture goes on into the next frame (own)."""
EVIDENCE = 20.0
"""Evidence, natural logarithm of odds, for each unit of that share beyond or short of it (own)."""
SIGMA_FOR, MOST_FOR = 2.5, 4.0
"""Standard errors of what combing differs by for one unit of evidence that a picture goes on into the next frame, and the most that one
pair of frames gives: where nothing moves nothing is said (own)."""
SIGMA_AGAINST, MOST_AGAINST = 50.0, 8.0
"""The same against it: where coding hid the combing, exchanges are alike and differ little, up to CRF 30 by less than 100 (own)."""
WOVEN_EVIDENCE, BREAK_COST = 8.0, 6.0
"""What a combed frame weighs in that evidence, and what an edit without regard to fields costs (own)."""
LEAST_CHANCE = 0.03
"""Least chance of a length after another (own)."""
PATTERNS = (((0.03, 0.97), (0.97, 0.03)), ((0.97, 0.03), (0.97, 0.03)), ((0.5, 0.5), (0.5, 0.5)))
"""Chances of two and of three fields after two and after three that are begun with: 2:3, 2:2, none (own)."""
PATTERN_GAIN = 3.0
"""By how much 2:3 must fit better than 2:2, in that evidence, where combing alone does not tell film from video (own; video: far worse)."""
ROUNDS = 3
"""Times that lengths are found and learned from."""


@dataclass(frozen=True, slots=True)
class Pulldown:
    """What the fields of a film show. Arrays over frames."""

    joins: str
    """A letter a frame: `o` for the frame as it is, `b` for its first field with the second of the frame before, `a` for its second field
    with the first of the frame after."""
    repeats: NDArray[np.bool_]
    """Frames that, joined so, show the picture of the frame before."""
    broken: NDArray[np.bool_]
    """Frames at which the fields do not go on as they should: an edit."""


def find_order(weaves: NDArray[np.int64]) -> FieldOrder | None:
    """Which field comes first in a film whose frames must be rejoined: as combing tells it, or else a pattern of two and three fields.

    In video every field is a moment of its own, and the pattern fits far worse than none does.
    """
    known, sign = find_field_order(weaves), find_first_field(classify_pairs(weaves))
    if known is not None or sign is None:
        return known
    order: FieldOrder = "top" if sign == 1 else "bottom"
    values = [_fit(weaves, order, pattern)[0] for pattern in PATTERNS[:2]]
    return order if values[0] - values[1] >= PATTERN_GAIN else None


def trace_pictures(weaves: NDArray[np.int64], order: FieldOrder) -> Pulldown:
    """Find the picture of every field.

    Parameters
    ----------
    weaves : (pair, 9), as `compare_weaves` gives them.
    order : which field comes first.
    """
    return _join(max((_fit(weaves, order, pattern) for pattern in PATTERNS), key=lambda fit: fit[0])[1])


def _fit(weaves: NDArray[np.int64], order: FieldOrder, pattern: Pattern) -> tuple[float, NDArray[np.bool_]]:
    """The most likely lengths of pictures, begun with some chances: how well they fit, and which fields go on with the one before."""
    from pairdiff.frames._kernels import best_lengths  # compiled code: loaded when it is needed

    says, woven = _evidence(weaves, order), _woven(weaves, order)
    fields = np.zeros((len(weaves) + 1, 3), np.bool_)
    value, chance = -np.inf, np.array(pattern)
    for _ in range(ROUNDS):
        value = max(value, best_lengths(says, woven, np.log(chance), BREAK_COST, fields))
        chance = _learn(fields)
    return value, fields


def chosen_alike(joins: str, weaves: NDArray[np.int64], order: FieldOrder) -> bool:
    """Whether single frames, without the rest of the film, are put together so as well, wherever anything moves."""
    pairs = [None, *weaves, None]
    moving = classify_pairs(weaves).moving
    moves = np.append(moving, False) | np.insert(moving, 0, False)
    alone = [choose_match(before, after, order=order) for before, after in itertools.pairwise(pairs)]
    return not any(JOIN_LETTERS[letter] != one for letter, one, moved in zip(joins, alone, moves.tolist(), strict=True) if moved)


def _evidence(weaves: NDArray[np.int64], order: FieldOrder) -> NDArray[np.float64]:
    """How much each pair of frames says that the later one's first field shows what the earlier one's second does, log odds."""
    values = weaves.astype(np.float64)
    near, far = (2, 3) if order == "top" else (3, 2)
    spread = values[:, :4].max(1) - values[:, :4].min(1)
    share = (values[:, far] - values[:, near]) / np.maximum(spread, 1.0)
    sure = spread / np.sqrt(np.maximum(values[:, 8], 1.0))
    most, least = np.minimum(sure / SIGMA_FOR, MOST_FOR), -np.minimum(sure / SIGMA_AGAINST, MOST_AGAINST)
    return np.asarray(np.clip(EVIDENCE * (share - GOES_ON_SHARE) * np.where(share < GOES_ON_SHARE, MOST_AGAINST / 2, 1), least, most))


def _woven(weaves: NDArray[np.int64], order: FieldOrder) -> NDArray[np.float64]:
    """How much each frame says that its fields show two pictures: coding may hide combing, but does not make any."""
    seen, sign = classify_pairs(weaves), 1 if order == "top" else -1
    combed = np.append(False, seen.exchanged == sign) | np.append(seen.earlier_combed == sign, False)
    return np.where(combed, WOVEN_EVIDENCE, 0.0)


def _learn(fields: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Chance of two and of three fields after two and after three, (before, after)."""
    begins = np.flatnonzero(~np.concatenate([[False], fields[1:, :2].reshape(-1)]))
    length = np.clip(np.diff(begins), 2, 3) - 2
    count = np.zeros((2, 2))
    np.add.at(count, (length[:-1], length[1:]), 1.0)
    chance = (count + 0.5) / (count + 0.5).sum(1, keepdims=True)
    return np.asarray(np.clip(chance, LEAST_CHANCE, 1 - LEAST_CHANCE))


def _join(fields: NDArray[np.bool_]) -> Pulldown:
    """Fields that go on with the one before, (frame, (first, second, is a break)), as choices for every frame."""
    first_goes_on, second_goes_on, broken = fields.T
    picture = np.cumsum(~fields[:, :2].reshape(-1)).reshape(-1, 2)  # that each field shows
    after = np.append(first_goes_on[1:], False)
    joins = np.where(second_goes_on, "o", np.where(first_goes_on, "b", np.where(after, "a", "o")))
    shown = np.where(joins == "a", picture[:, 1], picture[:, 0])
    return Pulldown("".join(joins.tolist()), np.diff(shown, prepend=-1) == 0, broken)
