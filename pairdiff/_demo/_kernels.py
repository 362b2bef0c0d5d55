"""Compiled loops of the demo: layers over a picture, grades by table, chroma brought to its site.

Tables are evenly spaced in the fourth root of their input (see `grade.tabulate`); a plain twin of each grade is in grade.py.
"""

# mypy: disable-error-code="no-untyped-def,no-untyped-call,untyped-decorator"

from __future__ import annotations

import numpy as np
from numba import njit, prange


@njit(cache=True, nogil=True, parallel=True, fastmath=True)
def lay_over(picture, layer):
    """Lay a layer (row, column, 4) over a picture (row, column, 3), in place."""
    for r in prange(picture.shape[0]):
        for c in range(picture.shape[1]):
            keep = np.float32(1.0) - layer[r, c, 3]
            for k in range(3):
                picture[r, c, k] = picture[r, c, k] * keep + layer[r, c, k]


@njit(cache=True, nogil=True, inline="always", fastmath=True)
def _look_up(table, value, scale):
    """Linear interpolation in a table spaced in the fourth root."""
    place = np.sqrt(np.sqrt(max(value, np.float32(0.0)))) * scale
    last = np.float32(table.shape[0] - 1.001)
    place = min(place, last)
    low = np.uint64(np.int32(place))  # unsigned: no look at negative indices
    part = place - np.float32(np.int32(place))
    return table[low] + part * (table[low + np.uint64(1)] - table[low])


@njit(cache=True, nogil=True, parallel=True, fastmath=True)
def grade_through_709(scene, look, curve_r, curve_g, curve_b, last, into, weights, out_of, scales, kr_kb, luma, cb, cr, steps):
    """Scene -> look -> BT.709, drawn to its edge -> a curve for each channel -> matrix -> signal table -> Y', Cb, Cr.

    `scales` index the three tables; `steps` are (luma offset, luma range, top code); luma is written as code, chroma as signal.
    """
    # every constant in a register: the compiler cannot know that the planes do not overlap the matrices
    kr, kb, offset, reach, top = kr_kb[0], kr_kb[1], steps[0], steps[1], steps[2]
    kg, per_cb, per_cr = np.float32(1.0) - kr - kb, np.float32(0.5) / (np.float32(1.0) - kb), np.float32(0.5) / (np.float32(1.0) - kr)
    a00, a01, a02, a10, a11, a12, a20, a21, a22 = (
        into[0, 0], into[0, 1], into[0, 2], into[1, 0], into[1, 1], into[1, 2], into[2, 0], into[2, 1], into[2, 2]
    )  # fmt: skip
    b00, b01, b02, b10, b11, b12, b20, b21, b22 = (
        out_of[0, 0], out_of[0, 1], out_of[0, 2], out_of[1, 0], out_of[1, 1], out_of[1, 2], out_of[2, 0], out_of[2, 1], out_of[2, 2]
    )  # fmt: skip
    w0, w1, w2, s0, s1, s2 = weights[0], weights[1], weights[2], scales[0], scales[1], scales[2]
    columns = scene.shape[1]
    for r in prange(scene.shape[0]):
        row = np.empty((6, columns), np.float32)  # three short loops a row: each stays in vector registers
        for c in range(columns):
            row[0, c] = _look_up(look, scene[r, c, 0], s0)
            row[1, c] = _look_up(look, scene[r, c, 1], s0)
            row[2, c] = _look_up(look, scene[r, c, 2], s0)
        for c in range(columns):
            red, green, blue = row[0, c], row[1, c], row[2, c]
            x = a00 * red + a01 * green + a02 * blue
            y = a10 * red + a11 * green + a12 * blue
            z = a20 * red + a21 * green + a22 * blue
            grey = w0 * x + w1 * y + w2 * z
            keep = grey / max(grey - min(x, y, z, np.float32(0.0)), np.float32(1e-12))  # 1 where nothing is outside
            row[3, c] = _look_up(curve_r, grey + (x - grey) * keep, s1)
            row[4, c] = _look_up(curve_g, grey + (y - grey) * keep, s1)
            row[5, c] = _look_up(curve_b, grey + (z - grey) * keep, s1)
        for c in range(columns):
            x, y, z = row[3, c], row[4, c], row[5, c]
            red = _look_up(last, b00 * x + b01 * y + b02 * z, s2)
            green = _look_up(last, b10 * x + b11 * y + b12 * z, s2)
            blue = _look_up(last, b20 * x + b21 * y + b22 * z, s2)
            level = kr * red + kg * green + kb * blue
            luma[r, c] = min(max(np.floor(offset + reach * level + np.float32(0.5)), np.float32(0.0)), top)
            cb[r, c] = (blue - level) * per_cb
            cr[r, c] = (red - level) * per_cr


@njit(cache=True, nogil=True, parallel=True, fastmath=True)
def grade_direct(scene, table, scale, kr_kb, luma, cb, cr, steps):
    """Scene -> one table for look, curve and signal, in the scene's own primaries -> Y', Cb, Cr."""
    kr, kb = kr_kb[0], kr_kb[1]
    for r in prange(scene.shape[0]):
        for c in range(scene.shape[1]):
            red = _look_up(table, scene[r, c, 0], scale)
            green = _look_up(table, scene[r, c, 1], scale)
            blue = _look_up(table, scene[r, c, 2], scale)
            level = kr * red + (np.float32(1.0) - kr - kb) * green + kb * blue
            luma[r, c] = min(max(np.floor(steps[0] + steps[1] * level + np.float32(0.5)), np.float32(0.0)), steps[2])
            cb[r, c] = (blue - level) / (np.float32(2.0) * (np.float32(1.0) - kb))
            cr[r, c] = (red - level) / (np.float32(2.0) * (np.float32(1.0) - kr))


@njit(cache=True, nogil=True, parallel=True, fastmath=True)
def shrink_by_two_thirds(picture, small):
    """Area average of every 3 x 3 pixels into 2 x 2 pixels, all channels."""
    a, b, d = np.float32(4 / 9), np.float32(2 / 9), np.float32(1 / 9)
    for r in prange(small.shape[0] // 2):
        for c in range(small.shape[1] // 2):
            for k in range(picture.shape[2]):
                p, q, s = picture[3 * r, 3 * c, k], picture[3 * r, 3 * c + 1, k], picture[3 * r, 3 * c + 2, k]
                t, u, v = picture[3 * r + 1, 3 * c, k], picture[3 * r + 1, 3 * c + 1, k], picture[3 * r + 1, 3 * c + 2, k]
                w, x, y = picture[3 * r + 2, 3 * c, k], picture[3 * r + 2, 3 * c + 1, k], picture[3 * r + 2, 3 * c + 2, k]
                small[2 * r, 2 * c, k] = a * p + b * (q + t) + d * u
                small[2 * r, 2 * c + 1, k] = a * s + b * (q + v) + d * u
                small[2 * r + 1, 2 * c, k] = a * w + b * (t + x) + d * u
                small[2 * r + 1, 2 * c + 1, k] = a * y + b * (v + x) + d * u


@njit(cache=True, nogil=True, parallel=True, fastmath=True)
def site_chroma(full, half, top_left, offset, reach, top):
    """Chroma signal (row, column) to 4:2:0 codes: 1-2-1 along rows; down columns 1-2-1 (top-left) or 1-1 (left). Edges replicate."""
    rows, columns = full.shape
    for r in prange(half.shape[0]):
        a, b, d = max(2 * r - 1, 0), 2 * r, min(2 * r + 1, rows - 1)
        wa, wb, wd = np.float32(0.25), np.float32(0.5), np.float32(0.25)
        if not top_left:
            wa, wb, wd = np.float32(0.0), np.float32(0.5), np.float32(0.5)
        for c in range(half.shape[1]):
            e, f, g = max(2 * c - 1, 0), 2 * c, min(2 * c + 1, columns - 1)
            left = wa * full[a, e] + wb * full[b, e] + wd * full[d, e]
            centre = wa * full[a, f] + wb * full[b, f] + wd * full[d, f]
            right = wa * full[a, g] + wb * full[b, g] + wd * full[d, g]
            value = np.float32(0.25) * left + np.float32(0.5) * centre + np.float32(0.25) * right
            half[r, c] = min(max(np.floor(offset + reach * value + np.float32(0.5)), np.float32(0.0)), top)
