"""The partner of every frame of a run: the best path through the lags about its offset, and how far the run reaches.

The path is found by dynamic programming over lags (A. J. Viterbi, IEEE Transactions on Information Theory 13(2), 1967), in a band about
the run's offset, so that its cost grows with the length of the run alone (H. Sakoe and S. Chiba, "Dynamic programming algorithm
optimization for spoken word recognition", IEEE TASSP 26(1), 1978). A change of lag is a repeated or a dropped frame and costs as much as
several frames' agreement.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Prints, part_of
from pairdiff.match._kernels import best_path
from pairdiff.match.chains import Run
from pairdiff.match.motion import BLOCK_FRAMES, CUT_DISTANCE, find_cuts

BAND_FRAMES = 6
"""Lags to either side of the run's offset that are looked at."""
STEP_COST = 6.0
"""What leaving out a frame that is no repeat costs, and what any change of offset costs, in the evidence of frames: more than a slow shot
that is out of place by a part of a pixel, and so seems out of time, can say for going off and coming back (own)."""
EVIDENCE, MOST_EVIDENCE = 0.5, 2.0
"""Evidence against a lag, for a distance beyond the best lag's that is as large as the noise; and the most that one frame gives (own)."""
CUT_EVIDENCE = 8.0
"""The most that a frame beside a cut gives: a shot out of place may seem out of time all through, and a cut of both releases not (own)."""
LEAST_DIFFERENCE = 2e-5
"""Least squared distance of fingerprints that is taken for noise, once what differs for long is taken off (own)."""
LEAST_BESIDE = 3
"""Fewer frames than this say nothing about what always differs (own)."""
BESIDE_FRAMES = 8
"""Frames beside a change of offset that say by what true partners differ for long: the grade, what lies in one picture only (own)."""
NOISE_FRAMES = 49
"""Frames whose median says how far true partners lie apart: a clean slow pan tells its lag, a grainy one must add up."""
LEAST_NOISE = 0.02
"""Least squared distance of signatures that is taken for noise: half-precision rounding and resampling (own)."""
SHORT_FRAMES, LONG_FRAMES = 25, 97
"""Windows in which the path's lag must be the best one: the short one says whether anything moves, the long one which lag it is."""
HERE_FRAMES = 9
"""Frames among which something must move for a frame to count as moving itself."""
LEAST_AGREEMENT = 0.25
"""Correlation of signatures in the short window from which a frame counts as moving and matched (own)."""
CHANCE_AGREEMENT = 0.15
"""The same where the long window is clear about the lag: what the short one must exceed is chance (own)."""
CHANCE_MARGIN = 0.05
"""By how much another lag must beat the path's in the short window, as a correlation, for it to be no chance (own)."""
LEAST_STRENGTH = 0.0005
"""Strength of the signatures in the short window below which nothing moves (own)."""
LAG_MARGIN, NEXT_MARGIN = 0.1, 0.02
"""By how much the path's lag must beat lags two and more away, and those next to it, in the long window (own)."""


@dataclass(frozen=True, slots=True)
class Path:
    """A run, frame by frame, over a stretch of the HDR release. Arrays over frames `start` to `start + len`."""

    start: int
    partner: NDArray[np.int64]
    """SDR frame; -1 where the path leaves the SDR release."""
    alike: NDArray[np.float32]
    """Similarity of the fingerprints, -1 to 1; NaN without partner."""
    agreement: NDArray[np.float32]
    """Product of the signatures at lags -BAND_FRAMES to BAND_FRAMES about the path, (frame, lag); 0 outside the SDR release."""
    strength: NDArray[np.float32]
    """Product of the lengths of the signatures on the path: what the agreement would be if nothing but motion were in them."""


@dataclass(frozen=True, slots=True)
class Side:
    """What matching needs of one release on the common grid."""

    fingerprints: Prints
    signatures: Prints
    newness: NDArray[np.float32]
    """0 for a frame that repeats the one before, 1 for a new one, by degrees."""
    length: NDArray[np.float32]
    """Length of each signature, 0 to 1."""


@dataclass(frozen=True, slots=True)
class Piece:
    """HDR frames `start` to `stop` at one offset (SDR frame minus HDR frame)."""

    start: int
    stop: int
    offset: int


def follow_run(run: Run, hdr: Side, sdr: Side, *, start: int, stop: int) -> tuple[Piece, ...]:
    """The best path of a run over HDR frames `start` to `stop`, as pieces of one offset."""
    centre = _offsets(run, start, stop)
    offset = np.empty(len(centre), np.int64)
    gain = _weigh_lags(_agreement(hdr, sdr, start, centre), hdr, sdr, start, centre)
    best_path(gain, centre, start, hdr.newness, sdr.newness, STEP_COST, offset)
    edges = [0, *(np.flatnonzero(np.diff(offset)) + 1).tolist(), len(offset)]
    return tuple(Piece(start + low, start + high, int(offset[low])) for low, high in itertools.pairwise(edges))


def _weigh_lags(agreement: NDArray[np.float32], hdr: Side, sdr: Side, start: int, centre: NDArray[np.int64]) -> NDArray[np.float32]:
    """Evidence for every lag, (frame, lag), 0 for the best one: distances of signatures in units of what true partners are apart."""
    from scipy.ndimage import median_filter  # a library that starts slowly: loaded when it is needed

    frames = np.arange(start, start + len(centre))
    places = (frames + centre)[:, None] + np.arange(-BAND_FRAMES, BAND_FRAMES + 1)
    inside = (places >= 0) & (places < len(sdr.signatures))
    length = np.where(inside, sdr.length[np.clip(places, 0, max(len(sdr.length) - 1, 0))], np.float32(1))
    distance = hdr.length[frames][:, None] ** 2 + length**2 - 2 * agreement
    best = distance.min(1)
    noise = np.maximum(median_filter(best, NOISE_FRAMES, mode="nearest"), LEAST_NOISE)
    most = np.full(len(centre), MOST_EVIDENCE)
    cuts = find_cuts(part_of(hdr.fingerprints, start, start + len(centre)))
    most[cuts] = most[cuts - 1] = CUT_EVIDENCE
    return np.asarray(-np.minimum(EVIDENCE * (distance - best[:, None]) / noise[:, None], most[:, None]), np.float32)


def trace_path(hdr: Side, sdr: Side, *, start: int, offset: NDArray[np.int64], left_out: NDArray[np.bool_] | None = None) -> Path:
    """HDR frames from `start` on and their partners at an offset each; frames `left_out` have none."""
    partner = np.arange(start, start + len(offset)) + offset
    partner[(partner < 0) | (partner >= len(sdr.fingerprints))] = -1
    if left_out is not None:
        partner[left_out] = -1
    alike, strength = _similarity(hdr.fingerprints, sdr.fingerprints, start, partner), _strength(hdr, sdr, start, partner)
    return Path(start, partner, alike, _agreement(hdr, sdr, start, offset), strength)


def residual_evidence(
    first: Piece, second: Piece, hdr: Side, sdr: Side, *, low: int, high: int, left_out: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Evidence that HDR frames belong to the first of two pieces, and to the second: distances in units of what true partners are apart.

    Parameters
    ----------
    first, second : neighbouring pieces of a path.
    hdr, sdr : both releases.
    low, high : HDR frames between which the first may end.
    left_out : HDR frames between the two that have no partner.

    Returns
    -------
    Of frames `low` to `high` at the first's offset, and of those `left_out` later at the second's; 0 or less, -`MOST_EVIDENCE` where the
    SDR release has no such frame.
    """
    begin, end = _shot_about(hdr, max(first.start, low - BESIDE_FRAMES), low, high + left_out, second.stop)
    earlier = _usual_difference(hdr, sdr, begin, low, first.offset)
    later = _usual_difference(hdr, sdr, high + left_out, end, second.offset)
    apart = []
    for start, offset in ((low, first.offset), (low + left_out, second.offset)):
        frames = np.arange(start, start + high - low)
        share = np.clip((frames - (begin + low) / 2) / ((high + left_out + end - begin - low) / 2), 0, 1)
        rest = _differences(hdr, sdr, start, start + high - low, offset) - _between(earlier, later, share)
        apart.append(np.nan_to_num(np.square(rest).sum(1, dtype=np.float64), nan=np.inf))
    nearer = np.minimum(apart[0][left_out:], apart[1][: len(apart[1]) - left_out])  # of one frame by the two offsets, one of them true
    noise = max(float(np.median(nearer)) if nearer.size else 0.0, LEAST_DIFFERENCE)
    evidence = [-np.minimum(EVIDENCE * one / noise, MOST_EVIDENCE) if np.isfinite(noise) else np.zeros(len(one)) for one in apart]
    return evidence[0], evidence[1]


def _shot_about(hdr: Side, begin: int, low: int, high: int, stop: int) -> tuple[int, int]:
    """Frames from `begin` on and up to `BESIDE_FRAMES` behind `high`, less those that a cut parts from what lies between."""
    end = min(stop, high + BESIDE_FRAMES)
    shown = hdr.fingerprints[begin:end].astype(np.float32)
    cuts = begin + 1 + np.flatnonzero(np.square(np.diff(shown, axis=0)).sum(1) / 2 > CUT_DISTANCE)
    earlier, later = cuts[cuts <= low], cuts[cuts >= high]
    return int(earlier.max(initial=begin)), int(later.min(initial=end))


def _usual_difference(hdr: Side, sdr: Side, start: int, stop: int, offset: int) -> NDArray[np.float32] | None:
    """Median difference of true partners, (cell,); None where too few are known."""
    known = _differences(hdr, sdr, start, stop, offset)
    known = known[np.isfinite(known).all(1)]
    return np.asarray(np.median(known, axis=0), np.float32) if len(known) >= LEAST_BESIDE else None


def _between(earlier: NDArray[np.float32] | None, later: NDArray[np.float32] | None, share: NDArray[np.float64]) -> NDArray[np.float32]:
    """From one usual difference to another, (frame, cell), as the camera moves on; the one that is known where the other is not."""
    if earlier is None and later is None:
        return np.zeros((len(share), 1), np.float32)
    first, last = (np.asarray(one if one is not None else other, np.float32) for one, other in ((earlier, later), (later, earlier)))
    return np.asarray(first + share[:, None] * (last - first), np.float32)


def _differences(hdr: Side, sdr: Side, start: int, stop: int, offset: int) -> NDArray[np.float32]:
    """HDR fingerprints less those of their partners at an offset, (frame, cell); NaN without a partner."""
    partner = np.arange(start, stop) + offset
    inside = (partner >= 0) & (partner < len(sdr.fingerprints))
    out = np.full((max(stop - start, 0), hdr.fingerprints.shape[1]), np.nan, np.float32)
    out[inside] = hdr.fingerprints[start:stop][inside].astype(np.float32) - sdr.fingerprints[partner[inside]]
    return out


def _similarity(hdr: Prints, sdr: Prints, start: int, partner: NDArray[np.int64]) -> NDArray[np.float32]:
    """Product of each frame and its partner; NaN without one."""
    alike = np.full(len(partner), np.nan, np.float32)
    known = np.flatnonzero(partner >= 0)
    for first in range(0, known.size, BLOCK_FRAMES):
        part = known[first : first + BLOCK_FRAMES]
        pair = hdr[start + part].astype(np.float32), sdr[partner[part]].astype(np.float32)
        alike[part] = np.einsum("ij,ij->i", *pair)
    return alike


def _strength(hdr: Side, sdr: Side, start: int, partner: NDArray[np.int64]) -> NDArray[np.float32]:
    """Product of the lengths of the signatures of each frame and its partner; 0 without one."""
    return np.where(partner >= 0, hdr.length[start : start + len(partner)] * sdr.length[np.maximum(partner, 0)], np.float32(0))


def _offsets(run: Run, start: int, stop: int) -> NDArray[np.int64]:
    """Offset of the run at every frame: that of the nearest window, running median of three."""
    offset = run.sdr - run.hdr
    if len(offset) >= 3:
        middle = np.median(np.stack([offset[:-2], offset[1:-1], offset[2:]]), axis=0).astype(np.int64)
        offset = np.concatenate([middle[:1], middle, middle[-1:]])
    place = run.hdr + run.frames // 2
    nearest = np.searchsorted((place[1:] + place[:-1]) / 2, np.arange(start, stop))
    return np.asarray(offset[nearest])


def _agreement(hdr: Side, sdr: Side, start: int, offset: NDArray[np.int64]) -> NDArray[np.float32]:
    """Product of signatures at every lag about an offset, (frame, lag)."""
    out = np.zeros((len(offset), 2 * BAND_FRAMES + 1), np.float32)
    for first in range(0, len(offset), BLOCK_FRAMES):
        part = offset[first : first + BLOCK_FRAMES]
        frames = np.arange(start + first, start + first + len(part))
        mine = hdr.signatures[frames].astype(np.float32)
        low, high = int((frames + part).min()) - BAND_FRAMES, int((frames + part).max()) + BAND_FRAMES + 1
        low, high = max(low, 0), min(high, len(sdr.signatures))
        if high <= low:
            continue
        theirs = sdr.signatures[low:high].astype(np.float32)
        for lag in range(-BAND_FRAMES, BAND_FRAMES + 1):
            place = frames + part + lag - low
            inside = np.flatnonzero((place >= 0) & (place < high - low))
            out[first + inside, lag + BAND_FRAMES] = np.einsum("ij,ij->i", mine[inside], theirs[place[inside]])
    return out


def telling_frames(agreement: NDArray[np.float32], strength: NDArray[np.float32], *, near_edit: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Frames of one matched stretch where something moves and only the path's lag explains it.

    Parameters
    ----------
    agreement, strength : of the stretch alone, as in `Path`.
    near_edit : frames beside an edit, (frame,): there the long window may not overrule a short one that says otherwise.
    """
    lags = np.abs(np.arange(-BAND_FRAMES, BAND_FRAMES + 1))
    clear, moving, contradicted = np.zeros((3, len(agreement)), bool)
    for frames in (SHORT_FRAMES, LONG_FRAMES):
        mean = _window_means(agreement, frames)
        own = mean[:, BAND_FRAMES]
        far, near = mean[:, lags >= 2].max(1), mean[:, lags == 1].max(1)
        clear |= (own - far >= LAG_MARGIN * own) & (own - near >= NEXT_MARGIN * own)
        if frames == SHORT_FRAMES:
            there = _window_means(strength[:, None], frames)[:, 0]
            best = np.maximum(far, near)
            contradicted = near_edit & (best > (1 + LAG_MARGIN) * own) & (best > own + CHANCE_MARGIN * there)
            moving = (own >= LEAST_AGREEMENT * there) & (there >= LEAST_STRENGTH)
            faint = (own >= CHANCE_AGREEMENT * there) & (there >= LEAST_STRENGTH)
        else:
            there = _window_means(strength[:, None], frames)[:, 0]
            moving |= faint & (own - far >= LAG_MARGIN * own) & (own - near >= NEXT_MARGIN * own) & (own >= LEAST_AGREEMENT * there)
    moving &= _window_means(strength[:, None], HERE_FRAMES)[:, 0] >= LEAST_STRENGTH
    return np.asarray(moving & clear & ~contradicted)


def lag_margins(agreement: NDArray[np.float32]) -> NDArray[np.float32]:
    """By how much the path's lag beats those next to it in the long window, as a share of its own agreement; 0 where it does not agree.

    Parameters
    ----------
    agreement : of one stretch alone, as in `Path`.
    """
    mean = _window_means(agreement, LONG_FRAMES)
    own = mean[:, BAND_FRAMES]
    near = np.maximum(mean[:, BAND_FRAMES - 1], mean[:, BAND_FRAMES + 1])
    return np.where(own > 0, np.clip((own - near) / np.maximum(own, 1e-9), 0, 1), np.float32(0))


def _window_means(values: NDArray[np.float32], frames: int) -> NDArray[np.float32]:
    """Running mean over frames; at the ends over what there is."""
    from scipy.ndimage import uniform_filter1d  # a library that starts slowly: loaded when it is needed

    padded = uniform_filter1d(values.astype(np.float64), frames, axis=0, mode="constant")
    there = uniform_filter1d(np.ones(len(values)), frames, mode="constant")
    return np.asarray(padded / there[:, None], np.float32)
