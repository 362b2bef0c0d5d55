"""Words laid over the picture: burnt-in subtitles and titles, found by what they are and masked only where the whole film bears it out.

Letters are thin and bright, stand in lines in the lower or upper part of the picture, keep still for a second or a few while the picture
around them moves, and have one level each time. A lamp or a window has some of this and not all of it: it moves with the picture, or the
picture around it stands still with it, or it is at the same place whenever it is seen. So words are first looked for in sampled frames
with frames shortly before and behind them; only where that found different words at one level, on one line, in several shots are letters at
that level masked in scored pictures. The lettering of a sign, which moves slowly through one shot, is part of the scene.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray

BAND_SHARE = 0.4
"""Words are looked for in this share of the picture's height at its foot and at its head (own)."""
STROKE_SHARE = 0.028
"""Widest stroke of a letter, share of the picture's height (own; common subtitles have 0.004 to 0.012)."""
STROKE_CONTRAST = 1.6
"""A stroke's light over that of the picture it lies on, at least (own)."""
LETTER_SHARES = (0.012, 0.11)
"""Least and largest height of a letter, share of the picture's height (own; common subtitles have 0.03 to 0.06)."""
LEAST_LETTER_PIXELS = (3, 6)
"""Least and largest height of a letter where those shares come to less, pixels (own)."""
WORD_HEIGHTS, GAP_HEIGHTS = 12.0, 3.0
"""Widest piece of a word in largest letters, and widest gap between pieces of one line, in letter heights (own)."""
CORE_SHARE, CORE_PIXELS = 0.85, 5
"""The middle of a stroke reaches this share of the highest light of the window around it, so wide (own)."""
LEAST_LETTERS = 4
"""Letters, or pieces of words, that a line has at least (own)."""
LINE_SLOPE_SHARE = 0.6
"""How far, in letter heights, the middles of letters of one line lie apart (own)."""
LEVEL_RATIO = 1.15
"""Levels within this ratio are one (own): codecs blur strokes of a pixel or two."""
NEAR_RATIO = 1.6
"""Soft edges of strokes lie within this ratio of their level; what does not is the picture behind (own)."""
LEAST_LEVEL_SHARE = 0.5
"""Words are at least so bright, as a share of the 99th percentile of their picture's light (own)."""
BRIGHT_SHARE = 0.98
"""Share of the strokes of a part that the brightest ones are told by (own)."""
STILL_RATIO = 1.2
"""A stroke whose light changes by less than this from frame to frame stands still (own)."""
STILL_SHARE = 0.55
"""Share of a line's strokes that must stand still (own; coded letters have 0.6 and more, moving pictures 0.3 and less)."""
MOVED_RATIO, MOVED_SHARE = 1.06, 0.25
"""The picture around words moves where this share of it changes by this ratio of its light (own)."""
LEAST_TEXTS = 3
"""Different words that are needed before any is masked, and shots that they come from (own): a sign in the scene is in one or two."""
BASELINE_SHARE = 0.02
"""How far the feet of the lowest lines of words lie apart, share of the picture's height: subtitles of a film stand on one line (own)."""
SAME_PLACES_SHARE = 0.6
"""Two sets of strokes that share more of their places than this are the same thing seen twice (own)."""
MOST_SHARE = 0.06
"""Largest share of a picture that strokes of words cover; more is something else (own)."""
ALWAYS_SHARE = 0.9
"""Where words are seen in more of the looked-at frames than this, they are no subtitles (own)."""
GROWN_SHARE = 0.016
"""By how much a mask grows beyond the strokes, share of the picture's height: soft edges, ringing, shared chroma (own)."""
LEAST_NITS = 0.05
"""Light is taken as this at least where ratios are formed, cd/m2 (own)."""
FILL_PIXELS, FILL_SHARE = 9, 0.05
"""Smallest window from which a masked pixel is filled, and the least share of unmasked pixels in it; else it is doubled (own)."""
WAIT_S = 0.33
"""Time between the frame looked at and those before and behind: a subtitle of 0.7 s covers one of the two (own)."""
HALFWAY_SHARE = 0.6
"""Where between them the frame lies that words must stand still in too, as a share of that time (own; no simple fraction)."""
LOOKED_AT_PAIRS = 96
"""Frames in which words are looked for, at most, spread over the film (own)."""

BoolArray = NDArray[np.bool_]


def halfway_frame(frame: int, other: int) -> int:
    """The frame between two in which words must stand still as well."""
    return frame + round(HALFWAY_SHARE * (other - frame))


@dataclass(frozen=True, slots=True)
class Words:
    """Words seen in one frame."""

    frame: int
    shot: int
    level: float
    """Median light of their strokes, cd/m2 of the equal grey."""
    strokes: BoolArray
    """(row, column)."""


@dataclass(frozen=True, slots=True)
class WordLevel:
    """What the whole film says of words laid over its picture."""

    level: float
    """Light of their strokes, cd/m2 of the equal grey."""
    texts: int
    """Different words it was seen in."""
    low: bool
    """Whether they stand at the picture's foot; the next at its head."""
    high: bool


class WordFinder:
    """Looks for words in frames of one release with frames shortly before and behind them; keeps the few that were found."""

    def __init__(self) -> None:
        self._found: list[Words] = []
        self._looked = 0

    def add(
        self,
        light: FloatArray,
        neighbours: Iterable[FloatArray],
        *,
        frame: int,
        shot: int,
        between: Sequence[Callable[[], FloatArray]] = (),
    ) -> None:
        """See a frame and its neighbours, each (row, column) cd/m2 of the equal grey of its luma, active picture.

        The neighbours are only taken where the frame has lines that could be words. `between` makes, for each of them, a frame that lies
        between the two: a row of windows that has moved on by one window looks still there and back, and not halfway.
        """
        self._looked += 1
        strokes = find_strokes(light)
        lines = [*_lines(strokes), *_lines(_bright_part(light, strokes))]
        best = None
        for other, halfway in zip(neighbours, between or itertools.repeat(None)) if lines else ():  # noqa: B905 (repeat has no end)
            kept = _still_lines(light, other, lines, between=halfway)
            if kept is not None and (best is None or kept.sum() > best.sum()):
                best = kept
        if best is None:
            return
        level = float(np.median(light[_cores(light, best)]))
        if level >= LEAST_LEVEL_SHARE * float(np.quantile(light, 0.99)):
            self._found.append(Words(frame, shot, level, best & (light >= level / NEAR_RATIO)))

    def result(self) -> WordLevel | None:
        """The level of words, where different ones were seen in several shots at one level; None where that is not so."""
        best: list[Words] = []
        for one in self._found:
            level = [w for w in self._found if 1 / LEVEL_RATIO <= w.level / one.level <= LEVEL_RATIO]
            same = [w for w in level if abs(_baseline_share(w.strokes) - _baseline_share(one.strokes)) <= BASELINE_SHARE]
            different = _different(same)
            if len({w.shot for w in different}) > len({w.shot for w in best}):
                best = different
                alike = level
        if len({one.shot for one in best}) < LEAST_TEXTS or len(alike) > ALWAYS_SHARE * self._looked:
            return None
        low = [bool(one.strokes[one.strokes.shape[0] // 2 :].any()) for one in best]
        high = [bool(one.strokes[: one.strokes.shape[0] // 2].any()) for one in best]
        return WordLevel(float(np.median([one.level for one in best])), len(best), any(low), any(high))


def find_strokes(light: FloatArray) -> BoolArray:
    """Thin bright strokes in the lower and upper part of a picture.

    Parameters
    ----------
    light : (row, column), cd/m2 of the equal grey.

    Returns
    -------
    (row, column) True on pixels that a light no wider than a stroke stands out on.
    """
    rows = light.shape[0]
    width = max(int(rows * STROKE_SHARE), 2) + 1
    level = np.maximum(np.ascontiguousarray(light, np.float32), np.float32(LEAST_NITS))
    opened = cv2.morphologyEx(level, cv2.MORPH_OPEN, cv2.getStructuringElement(cv2.MORPH_RECT, (width, width)))
    found = level >= STROKE_CONTRAST * opened
    found[int(rows * BAND_SHARE) : rows - int(rows * BAND_SHARE)] = False
    return np.asarray(found)


def mask_words(light: FloatArray, known: WordLevel) -> BoolArray | None:
    """Where letters at a known level stand in one picture.

    Parameters
    ----------
    light : (row, column), cd/m2 of the equal grey.
    known : what the whole film says.

    Returns
    -------
    (row, column), grown over soft edges; None where there are none.
    """
    strokes = find_strokes(light) & (light >= known.level / NEAR_RATIO) & (light <= known.level * NEAR_RATIO)
    half = light.shape[0] // 2
    strokes[:half] &= known.high
    strokes[half:] &= known.low
    found = np.zeros(light.shape, bool)
    for line in _lines(strokes):
        cores = _cores(light, line)
        if cores.any() and 1 / LEVEL_RATIO <= float(np.median(light[cores])) / known.level <= LEVEL_RATIO:
            found |= _whole_line(strokes, line)
    if not 0 < found.mean() <= MOST_SHARE:
        return None
    size = 2 * max(round(light.shape[0] * GROWN_SHARE), 2) + 1
    return np.asarray(cv2.dilate(found.astype(np.uint8), np.ones((size, size), np.uint8)) > 0)


def _bright_part(light: FloatArray, strokes: BoolArray) -> BoolArray:
    """The brightest strokes of the lower and of the upper part: letters that touch darker strokes of the picture come free."""
    part, half = np.zeros_like(strokes), light.shape[0] // 2
    for band in (slice(0, half), slice(half, None)):
        if strokes[band].any():
            part[band] = strokes[band] & (light[band] >= np.quantile(light[band][strokes[band]], BRIGHT_SHARE) / NEAR_RATIO)
    return part


def _whole_line(strokes: BoolArray, line: BoolArray) -> BoolArray:
    """All strokes in the rows of a line: short words, points and commas too."""
    rows = np.flatnonzero(line.any(axis=1))
    spare = (rows[-1] - rows[0] + 1) // 3
    whole = np.zeros_like(strokes)
    band = slice(max(rows[0] - spare, 0), rows[-1] + spare + 1)
    whole[band] = strokes[band]
    return whole


def _cores(light: FloatArray, strokes: BoolArray) -> BoolArray:
    """Pixels in the middle of strokes, where their level can be read."""
    level = np.where(strokes, light, 0).astype(np.float32)
    return np.asarray(strokes & (level >= CORE_SHARE * cv2.dilate(level, np.ones((CORE_PIXELS,) * 2, np.uint8))))


def _lines(strokes: BoolArray) -> list[BoolArray]:
    """Strokes that stand side by side as letters of a line do."""
    rows = strokes.shape[0]
    low, high = (max(share * rows, least) for share, least in zip(LETTER_SHARES, LEAST_LETTER_PIXELS, strict=True))
    count, labels, measured, middles = cv2.connectedComponentsWithStats(strokes.astype(np.uint8), connectivity=8)
    stats = np.asarray(measured, np.int32)
    heights, widths = stats[:, cv2.CC_STAT_HEIGHT], stats[:, cv2.CC_STAT_WIDTH]
    letters = [n for n in range(1, count) if low <= heights[n] <= high and widths[n] <= WORD_HEIGHTS * high]
    lines = []
    left = sorted(letters, key=lambda n: -heights[n])
    while left:
        tallest = left[0]
        reach = LINE_SLOPE_SHARE * heights[tallest]
        row = [n for n in left if abs(middles[n][1] - middles[tallest][1]) <= reach]
        row = _side_by_side(row, stats, gap=GAP_HEIGHTS * heights[tallest], seed=tallest)
        left = [n for n in left if n not in row]
        if len(row) >= LEAST_LETTERS:
            lines.append(np.isin(labels, row))
    return lines


def _side_by_side(row: Sequence[int], stats: NDArray[np.int32], *, gap: float, seed: int) -> list[int]:
    """Those of a row that follow each other without a wide gap, the seed among them."""
    ordered = sorted(row, key=lambda n: stats[n, cv2.CC_STAT_LEFT])
    groups: list[list[int]] = []
    end = -np.inf
    for n in ordered:
        left = stats[n, cv2.CC_STAT_LEFT]
        if not groups or left - end > gap:
            groups.append([])
        groups[-1].append(n)
        end = max(end, left + stats[n, cv2.CC_STAT_WIDTH])
    return next(group for group in groups if seed in group)


def _still_lines(
    light: FloatArray, other: FloatArray, lines: Sequence[BoolArray], *, between: Callable[[], FloatArray] | None = None
) -> BoolArray | None:
    """Lines that stand still between two frames, and in one between them, while the picture around them moves; None without any."""
    change, halfway = _change(light, other), None
    found = np.zeros(light.shape, bool)
    size = 4 * max(round(light.shape[0] * STROKE_SHARE), 2) + 1
    for line in lines:
        around = _box(line, spare=size)
        strokes, moved = line[around], change[around]
        cores = _cores(light[around], strokes)
        if not _stands_still(moved, cores):
            continue
        near = cv2.dilate(strokes.astype(np.uint8), np.ones((size, size), np.uint8)) > 0
        ring = near & ~(cv2.dilate(strokes.astype(np.uint8), np.ones((CORE_PIXELS,) * 2, np.uint8)) > 0)
        if not ring.any() or float((moved[ring] >= MOVED_RATIO).mean()) < MOVED_SHARE:
            continue
        if between is not None and halfway is None:
            halfway = _change(light, between())
        if halfway is None or _stands_still(halfway[around], cores):
            found |= line
    return found if 0 < found.mean() <= MOST_SHARE else None


def _change(light: FloatArray, other: FloatArray) -> FloatArray:
    """Ratio of the higher to the lower light of every pixel."""
    change = np.maximum(light, LEAST_NITS) / np.maximum(other, LEAST_NITS)
    return np.asarray(np.maximum(change, 1 / change))


def _stands_still(change: FloatArray, cores: BoolArray) -> bool:
    return bool(cores.any()) and float((change[cores] <= STILL_RATIO).mean()) >= STILL_SHARE


def _box(mask: BoolArray, *, spare: int) -> tuple[slice, slice]:
    """Rows and columns that hold a mask and so many pixels around it."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    return slice(max(rows[0] - spare, 0), rows[-1] + spare + 1), slice(max(columns[0] - spare, 0), columns[-1] + spare + 1)


def _different(words: Sequence[Words]) -> list[Words]:
    """One of each: words whose strokes do not lie where those of another one do."""
    kept: list[Words] = []
    for one in words:
        if all(_shared(one.strokes, other.strokes) <= SAME_PLACES_SHARE for other in kept):
            kept.append(one)
    return kept


def _baseline_share(strokes: BoolArray) -> float:
    """Foot of the lowest line, as a share of the picture's height."""
    return float(np.flatnonzero(strokes.any(axis=1))[-1] / strokes.shape[0])


def _shared(first: BoolArray, second: BoolArray) -> float:
    if first.shape != second.shape:
        return 0.0
    return float((first & second).sum() / max((first | second).sum(), 1))


def fill_in(picture: FloatArray, mask: BoolArray) -> NDArray[np.float32]:
    """A picture with the places of a mask filled from the picture around them.

    Parameters
    ----------
    picture : (row, column, channel).
    mask : (row, column).

    Returns
    -------
    The picture; each masked pixel is the mean of unmasked ones in the smallest of a few windows that holds enough of them.
    """
    filled = np.array(picture, np.float32)
    left, free = mask.copy(), (~mask).astype(np.float32)
    held = picture.astype(np.float32) * free[..., None]
    size = FILL_PIXELS
    while left.any() and size < 4 * max(mask.shape):
        weight = cv2.blur(free, (size, size), borderType=cv2.BORDER_CONSTANT)
        mean = cv2.blur(held, (size, size), borderType=cv2.BORDER_CONSTANT)
        known = left & (weight > FILL_SHARE)
        filled[known] = mean[known] / weight[known][:, None]
        left &= ~known
        size = 2 * size + 1
    return np.asarray(np.maximum(filled, np.float32(picture.min())), np.float32)
