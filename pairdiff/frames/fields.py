"""Fields of neighbouring frames: whether a frame is woven of two moments, and which fields make a whole picture.

A frame woven of two moments is combed where something moves: rows lie outside the rows above and below them. Combing alone says little
(fine lines and grain comb too), so it is only ever compared: a frame as it is against the two ways to exchange a field with its
neighbour, on the same rows. Progressive film, however fine, treats both exchanges alike: each puts in rows that are one frame off. Fields
do not: one exchange joins fields that follow each other, the other fields that lie three apart. That asymmetry, and not combing, tells
(the fields of film at 2:3: SMPTE RP 197; of 24 in 25: EBU practice, 12 frames in 25 fields).

Why not a filter of libavfilter: `fieldmatch` takes 8 bits only (a graph turns 10 bits into 8 without a word), and its choice depends on
where reading began. Here the choice for a frame is a function of that frame and its two neighbours, in integers: a whole pass and a jump
into the middle give the same picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FieldOrder

Planes = Sequence[NDArray[np.unsignedinteger[Any]]]
Match = Literal["own", "before", "after"]
JOIN_LETTERS: dict[str, Match] = {"o": "own", "b": "before", "a": "after"}

MOST_STRIPS, STRIP_ROWS = 10, 18
"""Strips of a picture that are looked at, and rows of each: rows in a row, so that printed lines cannot fall in step with them (own)."""
MOST_COLUMNS = 1920
"""Columns of a strip: of wider pictures the left and the right end in turn. No broadcast in fields is wider (ITU-R BT.709-6, BT.2020-2)."""
HALF = 0.5
"""Share of the whole spread of combing by which exchanges must differ from each other, or both from the frame as it is (own)."""
COMBED_SHARE, WOVEN_SHARE = 0.35, 0.15
"""How far combing lies above the better exchange, as a share of the way to the worse one: from the first on the frame is combed and the
exchange is not; up to the second both are of two moments. Between them nothing is said (own; measured on encodes up to CRF 30)."""
SURE_SIGMA = 10.0
"""Standard errors by which exchanges must differ from each other for a pair to tell anything (own)."""
MATCH_SHARE = 0.02
"""Share of the spread by which an exchange must be better than the frame as it is for that to be taken: where both are whole, both serve
(own)."""
LEAST_FIELDS_SHARE, LEAST_JOINED_SHARE, LEAST_JOINED = 0.08, 0.1, 3
"""From which a film is rejoined: share of moving pairs of frames whose exchanges differ, share of these that are combed and join, and
their number (own; film at 2:3 joins in 0.19 to 0.5 of them, video in 0 to 0.05, at CRF 20 to 30)."""
LEAST_FILM_SHARE = 0.4
"""Pairs that join, over pairs that show two moments each, from which a film is rejoined (own; video up to 0.23, film 0.5 and more)."""
MOST_COMBED_SHARE = 0.25
"""Share of frames in which something moves that may be combed for good before a release is refused (own)."""
LEAST_MOVING = 12
"""Frames in which something moves before anything is said about a film (own)."""
WOVEN_FRAMES, WOVEN_FRAMES_REJOINED = 3, 16
"""Pairs in a row woven of two moments that make a passage of video: in progressive film, and in film with rejoined fields, in which
slow motion under strong compression looks so for a frame or two (own)."""
ORPHAN_RATIO = 2.0
"""How much more combed than the frames on both sides a single frame must be, however it is joined, to count as two moments (own)."""
ALONE_FRAMES, PAIR_FRAMES = 12, 2
"""Frames around such a frame without another one but right beside it: what recurs is a pattern in the picture and no edit (own)."""


@dataclass(frozen=True, slots=True)
class PairClasses:
    """What pairs of frames show, arrays over pairs."""

    moving: NDArray[np.bool_]
    """Something moves, and it says something about fields."""
    apart: NDArray[np.int8]
    """1 where both ways to exchange fields differ and the later frame's top field suits the earlier frame, -1 its bottom field; else 0."""
    exchanged: NDArray[np.int8]
    """1 where the later frame is combed and joins with the earlier one, its top field the later; -1 its bottom field; else 0."""
    interlaced: NDArray[np.int8]
    """1 or -1 where both frames are woven of two moments each, by which field comes first; else 0."""
    earlier_combed: NDArray[np.int8]
    """1 or -1 where the earlier frame is combed and joins with the later one; else 0."""


def sample_rows(plane: NDArray[np.unsignedinteger[Any]]) -> NDArray[np.unsignedinteger[Any]]:
    """Rows of a luma plane in strips, (strip, row, column), a contiguous copy; every strip begins with an even row.

    A low picture is one strip, without its last row where their number is odd; a high one gives `MOST_STRIPS` spread over it.
    """
    rows, columns = plane.shape[0] // 2 * 2, min(plane.shape[1], MOST_COLUMNS)
    if rows <= MOST_STRIPS * STRIP_ROWS:
        return np.ascontiguousarray(plane[None, :rows])
    firsts = np.linspace(0, rows - STRIP_ROWS, MOST_STRIPS).astype(int) // 2 * 2
    lefts = 0, plane.shape[1] - columns
    return np.stack([plane[first : first + STRIP_ROWS, lefts[n % 2] :][:, :columns] for n, first in enumerate(firsts.tolist())])


def compare_weaves(before: NDArray[np.unsignedinteger[Any]], after: NDArray[np.unsignedinteger[Any]]) -> NDArray[np.int64]:
    """Combing of two frames in a row and of their exchanges.

    Parameters
    ----------
    before, after : what `sample_rows` gave of two successive frames.

    Returns
    -------
    Nine sums over pixels, code values: combing of the earlier frame, of the later one, of the later one's top field with the earlier
    one's bottom field, of the earlier one's top with the later one's bottom; squared differences of first and third, first and fourth,
    second and third, second and fourth, third and fourth.
    """
    from pairdiff.frames._kernels import add_short_weaves, add_weaves  # compiled code: loaded when it is needed

    out = np.zeros(9, np.int64)
    if before.shape == after.shape and before.shape[1] > 3:
        kind, add = (np.uint8, add_short_weaves) if before.dtype == np.uint8 else (np.uint16, add_weaves)
        add(before.astype(kind, copy=False), after.astype(kind, copy=False), out)
    return out


def classify_pairs(weaves: NDArray[np.int64]) -> PairClasses:
    """Say what pairs of frames show; `weaves` is (pair, 9) as `compare_weaves` gives them."""
    earlier, later, top, bottom = weaves[:, :4].astype(np.float64).T
    spread = np.maximum.reduce([later, top, bottom]) - np.minimum.reduce([later, top, bottom])
    error = SURE_SIGMA * np.sqrt(np.maximum(weaves[:, 4:].astype(np.float64), 1.0)).T
    moving = (top - later >= np.maximum(HALF * spread, error[2])) & (bottom - later >= np.maximum(HALF * spread, error[3]))
    sides, exchanged, interlaced, earlier_combed = (np.zeros(len(weaves), np.int8) for _ in range(4))
    for sign, near, far in ((1, top, bottom), (-1, bottom, top)):
        way = far - near
        apart = (way >= HALF * spread) & (way >= error[4]) & (spread > 0)
        share_later, share_earlier = ((one - near) / np.maximum(way, 1.0) for one in (later, earlier))
        exchanged[apart & (share_later >= COMBED_SHARE)] = sign
        earlier_combed[apart & (share_earlier >= COMBED_SHARE)] = sign
        interlaced[apart & (np.maximum(share_later, share_earlier) <= WOVEN_SHARE)] = sign
        sides[apart] = sign
    return PairClasses(moving | (sides != 0), sides, exchanged, interlaced, earlier_combed)


def find_field_order(weaves: NDArray[np.int64]) -> FieldOrder | None:
    """Which field comes first in a film whose frames must be rejoined; None for a film whose frames are to be taken as they are.

    As combing alone tells it; where coding hid that, `pulldown.find_order` asks for the pattern.
    """
    seen = classify_pairs(weaves)
    sign = find_first_field(seen)
    if sign is None:
        return None
    apart, joined, video = (int((values == sign).sum()) for values in (seen.apart, seen.exchanged, seen.interlaced))
    if joined < max(LEAST_JOINED_SHARE * apart, LEAST_JOINED, LEAST_FILM_SHARE * video):
        return None
    return "top" if sign == 1 else "bottom"


def find_first_field(seen: PairClasses) -> int | None:
    """1 for the top field, -1 for the bottom field: the one that comes first in frames of fields; None where there are too few of them."""
    moving = int(seen.moving.sum())
    top, bottom = (int((seen.apart == sign).sum()) for sign in (1, -1))
    if moving < LEAST_MOVING or max(top, bottom) < max(LEAST_FIELDS_SHARE * moving, 4 * min(top, bottom)):
        return None
    return 1 if top > bottom else -1


def find_combed(
    weaves: NDArray[np.int64], order: FieldOrder | None, broken: NDArray[np.bool_] | None = None
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Frames that show two moments and stay so, and frames around which enough moves to tell.

    Parameters
    ----------
    weaves : (pair, 9): pair n holds the frames n and n + 1.
    order : what `find_field_order` said, and so how the frames were rejoined.
    broken : frames at which the fields do not go on as they should, (frame,): only beside them a single rejoined frame is left over; None
        where that is not known.

    Returns
    -------
    Two arrays over frames.
    """
    frames = len(weaves) + 1
    combed, moving = np.zeros(frames, bool), np.zeros(frames, bool)
    if frames == 1:
        return combed, moving
    seen = classify_pairs(weaves)
    moving[1:], moving[:-1] = seen.moving, moving[:-1] | seen.moving
    least = WOVEN_FRAMES if order is None else WOVEN_FRAMES_REJOINED
    two = seen.interlaced if order is not None else np.where(seen.exchanged != 0, seen.exchanged, seen.interlaced)
    video = _long_runs(two == 1, least) | _long_runs(two == -1, least)
    combed[1:] |= video
    combed[:-1] |= video
    own = np.concatenate([weaves[:1, 0], weaves[:, 1]]).astype(np.float64)
    if order is None:
        sign = find_first_field(seen)
        if sign is not None and (seen.apart == sign).sum() >= MOST_COMBED_SHARE * seen.moving.sum():
            # fields all over the film that make no pictures: video, though coding hid which frames are combed
            combed[1:] |= seen.apart == sign
            combed[:-1] |= seen.apart == sign
        single = np.zeros(frames, bool)
        single[1:] |= seen.exchanged != 0
        single[:-1] |= seen.earlier_combed != 0
        return combed | _alone(single & _stands_out(own)), moving
    near = weaves[:, 2 if order == "top" else 3].astype(np.float64)
    over = _stands_out(np.minimum(own, np.minimum(np.append(near, np.inf), np.insert(near, 0, np.inf))))
    if broken is not None:
        over &= np.convolve(broken, np.ones(2 * PAIR_FRAMES + 1), "same") > 0
    return combed | _alone(over), moving


def _stands_out(combing: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Frames far more combed than the nearest frames on both sides, the better of two on each."""
    padded = np.pad(combing, 2, mode="reflect") if len(combing) > 2 else np.pad(combing, 2, mode="edge")
    sides = np.minimum(padded[:-4], padded[1:-3]), np.minimum(padded[3:-1], padded[4:])
    return np.asarray(combing > ORPHAN_RATIO * np.maximum(*sides))


def _alone(which: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Only those frames that have none of their kind around them, but right beside."""
    count = which.astype(np.int64)
    around, beside = (np.convolve(count, np.ones(2 * frames + 1, np.int64))[frames:-frames] for frames in (ALONE_FRAMES, PAIR_FRAMES))
    return np.asarray(which & (around == beside))


def _long_runs(which: NDArray[np.bool_], least: int) -> NDArray[np.bool_]:
    """Only those runs of true that are at least so long."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], which.astype(np.int8), [0]])))
    out = np.zeros(len(which), bool)
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        out[start:stop] = stop - start >= least
    return out


def choose_match(before: NDArray[np.int64] | None, after: NDArray[np.int64] | None, *, order: FieldOrder) -> Match:
    """With which neighbour a frame exchanges a field, so that both its fields show one moment.

    Parameters
    ----------
    before, after : what `compare_weaves` says of the frame and the one before, and of the frame and the one after; None at the ends.
    order : which field comes first.

    Returns
    -------
    `own` for the frame as it is, `before` for its first field with the second of the frame before, `after` for its second field with
    the first of the frame after. Where both neighbours serve, the one before: so no picture of a film is lost.
    """
    near, far = (2, 3) if order == "top" else (3, 2)
    gains: dict[Match, float] = {}
    if before is not None and _is_better(before, own=1, near=near, far=far):
        gains["before"] = float(before[1] - before[near])
    if after is not None and _is_better(after, own=0, near=near, far=far):
        gains["after"] = float(after[0] - after[near])
    if not gains:
        return "own"
    return "after" if gains.get("before", 0.0) < HALF * gains.get("after", 0.0) else "before"


def _is_better(weaves: NDArray[np.int64], *, own: int, near: int, far: int) -> bool:
    """No test of significance: where nothing moves, either choice gives the same picture."""
    gain = int(weaves[own] - weaves[near])
    spread = int(max(weaves[own], weaves[near], weaves[far]) - min(weaves[own], weaves[near], weaves[far]))
    return gain > 0 and float(weaves[far] - weaves[near]) >= HALF * gain and gain >= MATCH_SHARE * spread


def join_fields(top: Planes, bottom: Planes) -> tuple[NDArray[np.unsignedinteger[Any]], ...]:
    """Even rows of one picture and odd rows of another, plane by plane, as new read-only planes."""
    joined = []
    for upper, lower in zip(top, bottom, strict=True):
        plane = np.array(upper)
        plane[1::2] = lower[1::2]
        plane.flags.writeable = False
        joined.append(plane)
    return tuple(joined)
