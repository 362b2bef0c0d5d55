"""Area-average resampling: arrays in, array out, no checks."""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray


@njit(cache=True, nogil=True, parallel=True)
def average_rows(picture: NDArray[np.float32], edges: NDArray[np.float64], out: NDArray[np.float32]) -> None:
    """out[i] = mean of picture over rows edges[i] to edges[i + 1] (sub-pixel), picture (row, n)."""
    for i in prange(out.shape[0]):
        start, stop = edges[i], edges[i + 1]
        first, last = int(np.floor(start)), int(np.ceil(stop))
        out[i, :] = 0
        for row in range(first, last):
            weight = np.float32((min(stop, row + 1.0) - max(start, float(row))) / (stop - start))
            source = min(max(row, 0), picture.shape[0] - 1)
            for n in range(picture.shape[1]):
                out[i, n] += weight * picture[source, n]


@njit(cache=True, nogil=True, parallel=True)
def average_columns(picture: NDArray[np.float32], edges: NDArray[np.float64], out: NDArray[np.float32]) -> None:
    """out[:, j] = mean of picture over columns edges[j] to edges[j + 1] (sub-pixel), picture (row, column, channel)."""
    for row in prange(picture.shape[0]):
        for j in range(out.shape[1]):
            start, stop = edges[j], edges[j + 1]
            first, last = int(np.floor(start)), int(np.ceil(stop))
            for channel in range(picture.shape[2]):
                total = np.float32(0)
                for column in range(first, last):
                    weight = np.float32((min(stop, column + 1.0) - max(start, float(column))) / (stop - start))
                    total += weight * picture[row, min(max(column, 0), picture.shape[1] - 1), channel]
                out[row, j, channel] = total


@njit(cache=True, nogil=True)
def count_below(cells: NDArray[np.float32], reach: float, out: NDArray[np.float32]) -> None:
    """out[i] = sum over k of clip((cells[i] - cells[k]) / reach, -1, 1): a rank in which cells nearer than `reach` are nearly equal."""
    for i in range(cells.size):
        total = np.float32(0)
        for k in range(cells.size):
            step = (cells[i] - cells[k]) / np.float32(reach)
            total += min(max(step, np.float32(-1)), np.float32(1))
        out[i] = total


@njit(cache=True, nogil=True)
def keep_best(product: NDArray[np.float32], start: int, near: int, found: NDArray[np.int64], value: NDArray[np.float32]) -> None:
    """Take a block of scores (window, place) into the running list of best places, no two of them nearer than `near`."""
    for row in range(product.shape[0]):
        worst = value[row].argmin()
        for place in range(product.shape[1]):
            score = product[row, place]
            if score <= value[row, worst]:
                continue
            slot = worst
            for k in range(found.shape[1]):
                if found[row, k] >= 0 and abs(found[row, k] - start - place) < near:
                    slot = k
                    break
            if score > value[row, slot]:
                found[row, slot] = start + place
                value[row, slot] = score
                worst = value[row].argmin()


@njit(cache=True, nogil=True)
def _freshness(place: int, other: int, own_new: NDArray[np.float32], other_new: NDArray[np.float32]) -> np.float32:
    """How new a frame is, given that its partner `other` on the path so far may pause as well."""
    own = own_new[place] if 0 <= place < own_new.size else np.float32(1)
    there = other_new[other] if 0 <= other < other_new.size else np.float32(1)
    return max(own, np.float32(1) - min(there / np.float32(0.4), np.float32(1)))


@njit(cache=True, nogil=True)
def best_path(
    gain: NDArray[np.float32],
    centre: NDArray[np.int64],
    start: int,
    hdr_new: NDArray[np.float32],
    sdr_new: NDArray[np.float32],
    step_cost: float,
    out: NDArray[np.int64],
) -> None:
    """Path of offsets with the largest sum of gains (Viterbi); out[i] = SDR frame minus HDR frame of HDR frame start + i.

    `gain` (frame, lag) is for offsets `centre[i]` - band to + band. Leaving out n SDR frames, or n HDR frames, costs `step_cost` once and,
    for each of them, `step_cost` times how new that frame is (`hdr_new`, `sdr_new`: 0 for a repeat of the frame before, 1 else); where
    the other side pauses too, it is no repeat.
    """
    frames, lags = gain.shape
    band = lags // 2
    total = gain[0].copy()
    back = np.zeros((frames, lags), np.int16)
    for i in range(1, frames):
        new = np.full(lags, np.float32(-1e9))
        for k in range(lags):
            offset = centre[i] + k - band
            for change in range(-3, 4):
                old = k - change + centre[i] - centre[i - 1]
                if old < 0 or old >= lags:
                    continue
                cost = np.float32(0)
                newest = np.float32(0)
                for n in range(abs(change)):
                    place = start + i + offset - 1 - n if change > 0 else start + i + n
                    fresh = (
                        _freshness(place, place - offset + change, sdr_new, hdr_new)
                        if change > 0
                        else _freshness(place, place + offset - change, hdr_new, sdr_new)
                    )
                    newest = max(newest, fresh)
                    cost += np.float32(step_cost) * fresh
                cost += np.float32(step_cost) * newest
                value = total[old] - cost
                if change != 0:
                    value -= np.float32(0.2 * step_cost)
                if value > new[k]:
                    new[k] = value
                    back[i, k] = old
        total = new + gain[i]
    lag = total.argmax()
    for i in range(frames - 1, -1, -1):
        out[i] = centre[i] + lag - band
        lag = back[i, lag]


@njit(cache=True, nogil=True)
def best_runs(says: NDArray[np.float64], log_chance: NDArray[np.float64], out: NDArray[np.bool_]) -> None:
    """Repeats with the largest sum of evidence and of log chances of run lengths; out[i] is whether frame i repeats the one before.

    `says` (frame,) is for a repeat where positive; `log_chance` (length before - 1, length - 1) of runs of one frame and more. The first
    and the last run may be cut off and cost nothing, nor does the run behind the first. The first frame begins a run.
    """
    frames, longest = says.size, log_chance.shape[0]
    total = np.full((frames + 1, longest), -1e18)  # of runs up to a frame, by the length of the last
    length_before = np.zeros((frames + 1, longest), np.int64)
    for stop in range(1, frames + 1):
        inner = 0.0
        for length in range(1, min(longest, stop) + 1):
            start = stop - length
            if length > 1:
                inner += says[start + 1]
            if start == 0:
                total[stop, length - 1] = inner
                continue
            for before in range(min(longest, start)):
                value = total[start, before] - says[start] + inner
                if stop < frames and start > before + 1:
                    value += log_chance[before, length - 1]
                if value > total[stop, length - 1]:
                    total[stop, length - 1] = value
                    length_before[stop, length - 1] = before
    stop, last = frames, total[frames].argmax()
    while stop > 0:
        start = stop - last - 1
        for i in range(start, stop):
            out[i] = i > start
        stop, last = start, length_before[stop, last]


@njit(cache=True, nogil=True)
def align_pairs(reward: NDArray[np.float64], column: NDArray[np.int64], margin: NDArray[np.float64]) -> None:
    """The pairing in order with the largest sum of rewards, and by how much it beats the best one without each of its pairs.

    column[i] : partner of row i, -1 without; margin[i] : how much is lost where row i has another partner or none (or, without a partner,
    where it has any).
    """
    rows, columns = reward.shape
    head = np.zeros((rows + 1, columns + 1))
    tail = np.zeros((rows + 1, columns + 1))
    for i in range(rows):
        for j in range(columns):
            head[i + 1, j + 1] = max(head[i, j] + reward[i, j], head[i, j + 1], head[i + 1, j])
    for i in range(rows - 1, -1, -1):
        for j in range(columns - 1, -1, -1):
            tail[i, j] = max(tail[i + 1, j + 1] + reward[i, j], tail[i + 1, j], tail[i, j + 1])
    for i in range(rows):
        alone = -np.inf
        for j in range(columns + 1):
            alone = max(alone, head[i, j] + tail[i + 1, j])
        best, second, place = -np.inf, -np.inf, -1
        for j in range(columns):
            value = head[i, j] + reward[i, j] + tail[i + 1, j + 1]
            if value > best:
                best, second, place = value, best, j
            elif value > second:
                second = value
        if best > alone:
            column[i], margin[i] = place, best - max(second, alone)
        else:
            column[i], margin[i] = -1, alone - best
