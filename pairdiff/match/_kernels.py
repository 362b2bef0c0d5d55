"""Area-average resampling and the loops of matching: arrays in, array out, no checks."""

import numpy as np
from numba import njit, types
from numpy.typing import NDArray

from pairdiff.frames._kind_kernels import by_kind


@njit(cache=True, nogil=True, error_model="numpy")
def average_rows(picture: NDArray[np.float32], edges: NDArray[np.float64], out: NDArray[np.float32]) -> None:
    """out[i] = mean of picture over rows edges[i] to edges[i + 1] (sub-pixel), picture (row, n)."""
    for i in range(out.shape[0]):
        start, stop = edges[i], edges[i + 1]
        first, last = int(np.floor(start)), int(np.ceil(stop))
        out[i, :] = 0
        for row in range(first, last):
            weight = np.float32((min(stop, row + 1.0) - max(start, float(row))) / (stop - start))
            source = min(max(row, 0), picture.shape[0] - 1)
            for n in range(picture.shape[1]):
                out[i, n] += weight * picture[source, n]


@njit(cache=True, nogil=True, error_model="numpy")
def average_columns(picture: NDArray[np.float32], edges: NDArray[np.float64], out: NDArray[np.float32]) -> None:
    """out[:, j] = mean of picture over columns edges[j] to edges[j + 1] (sub-pixel), picture (row, column, channel)."""
    for row in range(picture.shape[0]):
        for j in range(out.shape[1]):
            start, stop = edges[j], edges[j + 1]
            first, last = int(np.floor(start)), int(np.ceil(stop))
            for channel in range(picture.shape[2]):
                total = np.float32(0)
                for column in range(first, last):
                    weight = np.float32((min(stop, column + 1.0) - max(start, float(column))) / (stop - start))
                    total += weight * picture[row, min(max(column, 0), picture.shape[1] - 1), channel]
                out[row, j, channel] = total


_LUMA = [types.Array(kind, 2, "C", readonly=True) for kind in (types.uint8, types.uint16)]
_PLAIN = types.float32[:, ::1]
CELL_SIGNATURES = [types.void(luma, types.uint32[:, ::1], types.float32[::1], _PLAIN, _PLAIN) for luma in _LUMA]


@by_kind(CELL_SIGNATURES, fastmath={"contract", "reassoc"})
def average_cells(luma, counts, share, plain, equalised):  # type: ignore[no-untyped-def]
    """Area means over the cells of a grid: of codes, and of the share of codes that are darker, equal ones by half.

    `counts` (4, code) comes as zeros, and leaves as the picture's histogram in four parts; `share` (code,) is room for the second.
    """
    rows, columns = luma.shape
    grid_rows, grid_columns = plain.shape
    for row in range(rows):
        line = luma[row]
        for four in range(columns // 4):  # four counts, so that a flat picture does not wait for one place of memory
            for k in range(4):
                counts[k, line[4 * four + k]] += 1
        for column in range(columns // 4 * 4, columns):
            counts[0, line[column]] += 1
    darker = 0
    for code in range(counts.shape[1]):
        equal = np.int64(counts[0, code]) + counts[1, code] + counts[2, code] + counts[3, code]
        share[code] = np.float32((darker + 0.5 * equal) / (rows * columns))
        darker += equal
    codes = np.empty(columns, np.float32)
    shares = np.empty(columns, np.float32)
    for down in range(grid_rows):
        top, bottom = down * rows / grid_rows, (down + 1) * rows / grid_rows
        codes[:] = 0
        shares[:] = 0
        for row in range(int(np.floor(top)), min(int(np.ceil(bottom)), rows)):
            weight = np.float32(min(bottom, row + 1.0) - max(top, float(row)))
            for column in range(columns):
                shares[column] += weight * share[luma[row, column]]
            for column in range(columns):
                codes[column] += weight * np.float32(luma[row, column])
        for across in range(grid_columns):
            left, right = across * columns / grid_columns, (across + 1) * columns / grid_columns
            code_sum, share_sum = np.float32(0), np.float32(0)
            for column in range(int(np.floor(left)), min(int(np.ceil(right)), columns)):
                weight = np.float32(min(right, column + 1.0) - max(left, float(column)))
                code_sum += weight * codes[column]
                share_sum += weight * shares[column]
            area = np.float32((bottom - top) * (right - left))
            plain[down, across] = code_sum / area
            equalised[down, across] = share_sum / area


STRIP_SIGNATURES = [types.void(luma, *(types.int64,) * 2, types.int64[::1], *(types.int64,) * 2, _PLAIN) for luma in _LUMA]


@by_kind(STRIP_SIGNATURES)
def sum_rows(luma, low, high, edges, left, right, out):  # type: ignore[no-untyped-def]
    """Sums of rows low to high in strips of the width: out (row, strip); columns left to right alone count, `edges` are from left on."""
    for row in range(low, high):
        line = luma[row, left:right]
        for strip in range(edges.size - 1):
            total = 0
            for column in range(edges[strip], edges[strip + 1]):
                total += line[column]
            out[row - low, strip] = total


@by_kind(STRIP_SIGNATURES)
def sum_columns(luma, low, high, edges, top, bottom, out):  # type: ignore[no-untyped-def]
    """Sums of columns low to high in strips of the height: out (column, strip); rows top to bottom alone count, `edges` are from top on."""
    total = np.empty(high - low, np.int64)
    for strip in range(edges.size - 1):
        total[:] = 0
        for row in range(top + edges[strip], min(top + edges[strip + 1], bottom)):
            line = luma[row, low:high]
            for column in range(high - low):
                total[column] += line[column]
        for column in range(high - low):
            out[column, strip] = total[column]


# Sums may be taken in any order: the compiler adds many at once then.
@njit(cache=True, nogil=True, fastmath={"nnan", "nsz", "contract", "reassoc"})
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
