"""Scopes of a moment: where its light and its colours lie, as densities, and figures that the report draws as lines.

Both sides are drawn on the same scales. Densities are grey pictures without axes: the lighter, the more of the picture lies there; the
report lays axes over them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray
from pairdiff.light.primaries import PRIMARIES_XY, rgb_to_xyz_matrix
from pairdiff.light.transfer import nits_to_pq, pq_to_nits
from pairdiff.stills.light_map import luminance_nits

WAVE_COLUMNS, WAVE_LEVELS = 480, 320
"""Columns and levels of a waveform; levels are even on the whole PQ scale, the highest row is 10 000 cd/m2 (own)."""
HISTOGRAM_BINS = 96
"""Bins of a histogram, even on the PQ scale (own)."""
COLOUR_COLUMNS, COLOUR_ROWS = 260, 240
"""Cells of the chromaticity diagram (own)."""
MOST_U, MOST_V = 0.65, 0.60
"""Ends of its axes, CIE 1976 u' and v'."""
LEAST_COLOUR_NITS = 1.0
"""Luminance from which a pixel has a place in it, cd/m2 (own: below, codes are too coarse to tell a colour)."""
TONE_CELLS = 256
"""Cells of the tone relation on either axis (own)."""
TONE_STEPS = 128
"""Steps of SDR level, even on the PQ scale, for which the spread of the HDR level is told (own)."""
LEAST_TONE_SHARE = 0.0005
"""Share of the picture that such a step must hold (own)."""
SPREAD_PERCENT = (5, 50, 95)
"""Percentiles of the HDR level that are told of each (own)."""
DENSITY = 2000.0
"""Greys go by log(1 + DENSITY x share of the fullest place), so that what is rare is still seen (own)."""
LEAST_GREY = 48
"""Grey of a place that holds anything at all (own)."""

CAPTIONS = {
    "waveform": "Waveform: level of the largest of R, G and B over the columns of the picture, cd/m2 on the PQ scale; the stronger, the "
    "more of a column lies there. Beside it the same as a histogram of the whole picture.",
    "chromaticity": f"Chromaticity, CIE 1976 u' and v', of all pixels from {LEAST_COLOUR_NITS:g} cd/m2 up; the stronger, the more of the "
    "picture lies there. Triangles: BT.709, P3 and BT.2020.",
    "tone": "HDR over SDR level of each pixel, largest of R, G and B, both in cd/m2 on the PQ scale; lines: median and 5th to 95th "
    "percentile of the HDR level. One narrow line is one curve for the whole picture; width is what no curve explains, coding and "
    "resampling included.",
}
"""By the first word of a picture's name."""


def draw_waveform(rgb_nits: FloatArray) -> NDArray[np.uint8]:
    """Level of the largest of R, G and B over the columns of a picture.

    Parameters
    ----------
    rgb_nits : float array, (row, column, 3)
        Linear BT.2020, cd/m2.

    Returns
    -------
    uint8 array, (WAVE_LEVELS, WAVE_COLUMNS)
        Grey by how much of a column has the level; 10 000 cd/m2 at the top.
    """
    level = _bins(_largest(rgb_nits), WAVE_LEVELS)
    columns = np.arange(level.shape[1]) * WAVE_COLUMNS // level.shape[1]
    counts = np.bincount((columns * WAVE_LEVELS + level).ravel(), minlength=WAVE_COLUMNS * WAVE_LEVELS).reshape(WAVE_COLUMNS, WAVE_LEVELS)
    if level.shape[1] < WAVE_COLUMNS:  # a narrow picture: each column fills what it spans
        counts = counts[np.unique(columns)][np.searchsorted(np.unique(columns), np.arange(WAVE_COLUMNS), side="right") - 1]
    share = counts / np.maximum(counts.sum(1, keepdims=True), 1)
    return _grey(share.T[::-1])


def histogram(rgb_nits: FloatArray) -> list[float]:
    """Share of the picture in each of `HISTOGRAM_BINS` even steps of the PQ scale, by the largest of R, G and B."""
    counts = np.bincount(_bins(_largest(rgb_nits), HISTOGRAM_BINS).ravel(), minlength=HISTOGRAM_BINS)
    return [round(float(share), 6) for share in counts / counts.sum()]


def chromaticity(rgb_nits: FloatArray) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """CIE 1976 u' and v' of the pixels of at least `LEAST_COLOUR_NITS`, (pixel,) both."""
    light = np.maximum(np.asarray(rgb_nits, np.float64), 0.0).reshape(-1, 3)
    xyz = light[luminance_nits(light) >= LEAST_COLOUR_NITS] @ rgb_to_xyz_matrix("bt2020").T
    below = xyz @ (1.0, 15.0, 3.0)
    return 4.0 * xyz[:, 0] / below, 9.0 * xyz[:, 1] / below


def draw_chromaticity(rgb_nits: FloatArray) -> NDArray[np.uint8]:
    """Density of a picture's colours, (COLOUR_ROWS, COLOUR_COLUMNS), v' of `MOST_V` at the top."""
    u, v = chromaticity(rgb_nits)
    counts = np.histogram2d(v, u, bins=(COLOUR_ROWS, COLOUR_COLUMNS), range=((0.0, MOST_V), (0.0, MOST_U)))[0]
    return _grey(counts[::-1] / max(counts.sum(), 1.0))


def triangle(name: str) -> list[tuple[float, float]]:
    """Corners of a gamut in u' and v'."""
    return [(4 * x / (-2 * x + 12 * y + 3), 9 * y / (-2 * x + 12 * y + 3)) for x, y in PRIMARIES_XY[name]]


def draw_tone(sdr_nits: FloatArray, hdr_nits: FloatArray) -> NDArray[np.uint8]:
    """Density of HDR over SDR level, pixel by pixel, (TONE_CELLS, TONE_CELLS); both on the PQ scale, 10 000 cd/m2 at the top and right."""
    across, up = _bins(_largest(sdr_nits), TONE_CELLS).ravel(), _bins(_largest(hdr_nits), TONE_CELLS).ravel()
    counts = np.bincount(up * TONE_CELLS + across, minlength=TONE_CELLS**2).reshape(TONE_CELLS, TONE_CELLS)
    return _grey(counts[::-1] / counts.sum())


def tone_spread(sdr_nits: FloatArray, hdr_nits: FloatArray) -> list[list[float]]:
    """SDR level and the 5th, 50th and 95th percentile of the HDR level there, cd/m2; for steps that hold enough of the picture."""
    across, up = _bins(_largest(sdr_nits), TONE_STEPS).ravel(), _largest(hdr_nits).ravel()
    rows = []
    for step in range(TONE_STEPS):
        there = up[across == step]
        if there.size >= LEAST_TONE_SHARE * up.size:
            middle = float(pq_to_nits((step + 0.5) / TONE_STEPS))
            rows.append([float(f"{value:.4g}") for value in (middle, *np.percentile(there, SPREAD_PERCENT))])
    return rows


def figures_of(hdr_nits: FloatArray, sdr_nits: FloatArray) -> dict[str, dict[str, Any]]:
    """Figures that go with the densities, by the name of the picture."""
    return {
        "waveform-hdr": {"histogram": histogram(hdr_nits)},
        "waveform-sdr": {"histogram": histogram(sdr_nits)},
        "tone": {"spread": tone_spread(sdr_nits, hdr_nits)},
    }


def _largest(rgb_nits: FloatArray) -> NDArray[np.float64]:
    return np.asarray(np.maximum(np.asarray(rgb_nits, np.float64).max(axis=-1), 0.0))


def _bins(nits: NDArray[np.float64], bins: int) -> NDArray[np.int64]:
    return np.minimum((np.asarray(nits_to_pq(nits)) * bins).astype(np.int64), bins - 1)


def _grey(share: NDArray[np.float64]) -> NDArray[np.uint8]:
    part = np.log1p(DENSITY * share / max(float(share.max()), 1e-12)) / np.log1p(DENSITY)
    return np.where(share > 0, np.rint(LEAST_GREY + (255 - LEAST_GREY) * part), 0).astype(np.uint8)
