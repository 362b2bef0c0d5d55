"""Where between two frames of one release a frame of the other lies in time: what tells a conversion that mixed or made up its frames.

True partners differ by the grade, which stays as long as the shot does, and by noise. A frame that was mixed of two pictures, or
interpolated between them, differs from its partner also along the way that the pictures go, now this way and now that: what remains of
the difference once its running mean is off is laid on the change of fingerprints from frame to frame (least squares), in frames.

A picture that shakes in its gate, or captions that come and go, look off in time as well, now and then. What was mixed in proportion is off
in a rhythm that goes through the whole film: the places, as angles of a turn a frame, agree at the rate of the conversion and nowhere else
(the resultant length of directional statistics: K. V. Mardia, P. E. Jupp, "Directional Statistics", 2000).
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Prints
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS
from pairdiff.match.motion import LEAST_STEP, find_cuts
from pairdiff.match.path import Side

USUAL_FRAMES = 25
"""Frames, one second, over which the usual difference of partners is taken."""
LEAST_SHOT_FRAMES, EDGE_FRAMES = 20, 6
"""Shorter shots tell nothing, nor do so many frames at both ends of a shot (own)."""
SOFT_CELLS = 1.0
"""Standard deviation of the average that both sides are softened by, cells (own)."""
ALIKE_CELLS = 8.0
"""Cells of a softened fingerprint that err together (own)."""
LEAST_SURE = 0.1
"""Standard error in frames up to which a frame tells its place (own)."""
BETWEEN_FRAMES, BETWEEN_SIGMA = 0.2, 4.0
"""From how far off, frames and standard errors, a frame lies between two (own: of 98 in 100 true partners less than 0.1)."""
OFF_FRAMES, OFF_SIGMA = 0.5, 6.0
"""From how far off a frame is not its partner's (own)."""
LEAST_TELLING = 24
"""Frames that must tell their place before anything is said about a release (own)."""
MOST_BETWEEN_SHARE = 0.15
"""Share of frames between two of the other release from which one may have been converted by mixing (own; true partners 0 to 0.02, in
a weaving gate or under captions up to 0.25)."""
SLOWEST_RATE, RATES = 0.02, 250
"""Slowest conversion that is looked for, frames gained or lost a frame, and how many rates up to a half are tried each way: 24 in 25 is
0.04 (own)."""
LEAST_RHYTHM, CHANCE_RHYTHM = 0.4, 1.2
"""Agreement, 0 to 1, from which there is a rhythm, and by how much it must beat what the best of all rates reaches by chance (own)."""
LEAST_RHYTHM_FRAMES = 6
"""Frames of a shot that must tell their place for their rhythm to count (own)."""


@dataclass(frozen=True, slots=True)
class Positions:
    """Places in time. Arrays over HDR frames."""

    off: NDArray[np.bool_]
    """Frames that lie clearly off their partner's."""
    telling: int
    """Frames that tell their place."""
    between: int
    """Frames among them that lie between two of the other release."""
    mixed: bool
    """Whether they are many, and come in the rhythm of a conversion."""


def measure_positions(path: NDArray[np.int64], hdr: Side, sdr: Side) -> Positions:
    """Where the partners on a path lie in time.

    Parameters
    ----------
    path : SDR frame of each HDR frame, -1 for none.
    hdr, sdr : both releases, on the common grid, without repeats.
    """
    off = np.zeros(len(path), bool)
    telling = between = 0
    told: list[tuple[NDArray[np.int64], NDArray[np.float32]]] = []
    for start, stop in itertools.pairwise([0, *find_cuts(hdr.fingerprints).tolist(), len(path)]):
        frames = start + 1 + np.flatnonzero(path[start + 1 : stop - 1] >= 0)  # of the first and the last the way is not known
        if len(frames) < LEAST_SHOT_FRAMES:
            continue
        place, error = _place(frames, path[frames], hdr.fingerprints, sdr.fingerprints)
        sure = error <= LEAST_SURE
        sure[:EDGE_FRAMES] = sure[-EDGE_FRAMES:] = False  # there the usual difference is known from one side alone
        telling += int(sure.sum())
        between += int((sure & (np.abs(place) > np.maximum(BETWEEN_FRAMES, BETWEEN_SIGMA * error))).sum())
        off[frames] = sure & (np.abs(place) > np.maximum(OFF_FRAMES, OFF_SIGMA * error))
        if sure.sum() >= LEAST_RHYTHM_FRAMES:
            told.append((frames[sure], place[sure]))
    many = telling >= LEAST_TELLING and between >= MOST_BETWEEN_SHARE * telling
    return Positions(off, telling, between, many and _has_rhythm(told))


def _has_rhythm(told: list[tuple[NDArray[np.int64], NDArray[np.float32]]]) -> bool:
    """Whether places agree at one rate of conversion, and better than they do at rest; each shot may begin anywhere in the rhythm."""
    frames = sum(len(one) for one, _ in told)
    if not frames:
        return False
    rates = np.linspace(-0.5, 0.5, 2 * RATES + 1)
    agree = np.array([sum(abs(np.exp(2j * np.pi * (place - rate * number)).sum()) for number, place in told) for rate in rates]) / frames
    best, chance = float(agree[np.abs(rates) >= SLOWEST_RATE].max()), float(np.sqrt(np.log(len(rates)) / frames))
    return best > max(float(agree[RATES]), LEAST_RHYTHM, CHANCE_RHYTHM * chance)


def _place(
    frames: NDArray[np.int64], partners: NDArray[np.int64], hdr: Prints, sdr: Prints
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Frames by which partners lie behind, and the standard error of that; infinite where nothing moves."""
    from scipy.signal import savgol_filter  # a library that starts slowly: loaded when it is needed

    way = _soften(hdr[frames + 1].astype(np.float32) - hdr[frames - 1]) / 2
    rest = _soften(sdr[partners].astype(np.float32) - hdr[frames])
    rest = _without_shift(rest, _soften(hdr[frames].astype(np.float32)))
    rest -= savgol_filter(rest, min(USUAL_FRAMES, (len(rest) - 1) // 2 * 2 + 1), 1, axis=0)  # running mean; lines at a shot's ends
    length = np.einsum("ij,ij->i", way, way)
    moves, length = length >= LEAST_STEP, np.maximum(length, LEAST_STEP)
    place = np.einsum("ij,ij->i", rest, way) / length
    left = np.maximum(np.einsum("ij,ij->i", rest, rest) - place**2 * length, 0)
    return place, np.where(moves, np.sqrt(ALIKE_CELLS * left / rest.shape[1] / length), np.float32(np.inf))


def _soften(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Cells averaged with those about them: bringing one side on the grid of the other softens it, here more and there less."""
    from scipy.ndimage import gaussian_filter  # a library that starts slowly: loaded when it is needed

    grid = values.reshape(-1, GRID_ROWS, GRID_COLUMNS)
    return np.asarray(gaussian_filter(grid, (0, SOFT_CELLS, SOFT_CELLS), mode="nearest").reshape(values.shape))


def _without_shift(rest: NDArray[np.float32], shown: NDArray[np.float32]) -> NDArray[np.float32]:
    """What a shift and a scale that stay the same over a shot leave of a difference: off in place looks like off in time."""
    grid = shown.reshape(-1, GRID_ROWS, GRID_COLUMNS)
    down, across = (np.asarray(np.gradient(grid, axis=axis)) for axis in (1, 2))
    row, column = np.linspace(-1, 1, GRID_ROWS, dtype=np.float32)[:, None], np.linspace(-1, 1, GRID_COLUMNS, dtype=np.float32)
    ways = np.stack([one.reshape(-1) for one in (down, across, down * row, across * column)], axis=1)
    share = np.linalg.lstsq(ways.T @ ways, ways.T @ rest.reshape(-1), rcond=None)[0]
    return np.asarray(rest - (ways @ share).reshape(rest.shape), np.float32)
