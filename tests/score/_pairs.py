"""Pictures and scores that several test files of this folder and of tests/verdict build on."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from pairdiff._records import PairScore
from pairdiff.light.ictcp import JND_SCALE
from pairdiff.score.detail import LEVEL_BINS, LEVEL_ROWS, LEVEL_STEP_STOPS
from pairdiff.score.headroom import AREA_FACTORS
from pairdiff.score.pair import PairSpread
from pairdiff.score.shadows import SHADOW_FACTORS
from pairdiff.score.tone import CELLS

TO_2020 = np.array([[0.6274039, 0.3292830, 0.0433131], [0.0690973, 0.9195404, 0.0113623], [0.0163914, 0.0880133, 0.8955953]])
"""BT.2087-0 clause 4.2, here with the seven digits of the matrix computed from the primaries."""
PLAIN = PairScore(
    hdr_frame=0,
    sdr_frame=0,
    hdr_time_s=0.0,
    sdr_time_s=0.0,
    shot=0,
    similarity=1.0,
    hdr_p999_nits=100.0,
    sdr_p999_code=1.0,
    sdr_p999_with_glints_code=1.0,
    sdr_p999_with_marks_code=1.0,
    hdr_p999_with_marks_nits=100.0,
    standing_share=0.0,
    level_noise_stops=0.0,
    hdr_mean_nits=20.0,
    sdr_mean_nits=20.0,
    stops_above_white=0.01,
    area_above_white_share=0.01,
    area_above_203_share=0.0,
    rms_jnd={"controls": 1.0, "gain": 1.0},
    preference_loss={"controls": 0.1, "gain": 0.1},
    tone_part={"controls": 0.08, "gain": 0.08},
    colour_part={"controls": 0.02, "gain": 0.02},
    tone_shift_jnd={"controls": 0.5, "gain": 0.5, "free": 0.5},
    clipped_share=0.0,
    bright_clipped_share=0.0,
    detail_jnd=None,
    detail_stops=None,
    textured_share=None,
    dark_share=0.0,
    shadow_gain_jnd=None,
    shadow_gamma_jnd=None,
    shadow_gained_share=0.0,
    outside_709_share=0.0,
    outside_p3_share=0.0,
    chroma_p99_jnd=60.0,
    curve_distance_jnd=0.0,
)


def make_pair(**changed: Any) -> PairScore:
    """A pair; the levels with standing marks and with glints are those without unless they are given."""
    changed.setdefault("hdr_p999_with_marks_nits", changed.get("hdr_p999_nits", PLAIN.hdr_p999_nits))
    for name in ("sdr_p999_with_glints_code", "sdr_p999_with_marks_code"):
        changed.setdefault(name, changed.get("sdr_p999_code", PLAIN.sdr_p999_code))
    return replace(PLAIN, **changed)


def make_spread(pair: PairScore, *, nodes: int = 5) -> PairSpread:
    """What a pair gives at varied thresholds if nothing about it depended on them."""
    counts = None
    if pair.detail_stops is not None:
        counts = np.zeros((LEVEL_ROWS, LEVEL_BINS), np.int32)
        low = round(8 / LEVEL_STEP_STOPS)  # from 256 cd/m2 up
        counts[0, low : low + max(round(pair.detail_stops / 0.9 / LEVEL_STEP_STOPS), 1)] = 1000
    shift = np.zeros((nodes, nodes, CELLS, 3), np.float16)
    shift[..., 0] = pair.tone_shift_jnd["controls"] / JND_SCALE
    factors, shadows = len(AREA_FACTORS), (pair.shadow_gained_share,) * len(SHADOW_FACTORS)
    outside = (pair.outside_709_share,) * factors
    levels = ((level,) * factors for level in (pair.hdr_p999_nits, pair.sdr_p999_code, pair.sdr_p999_with_glints_code))
    return PairSpread(*levels, outside, shadows, shift, counts)


def make_signal(
    seed: int = 0, *, rows: int = 90, columns: int = 160, top: float = 1.0, colour: float = 0.25, mean: float = 0.45
) -> NDArray[np.float32]:
    """A smooth SDR picture, R'G'B' signal 0.02 to `top`, from dark to its top in every picture."""
    rng = np.random.default_rng(seed)
    grey = gaussian_filter(rng.normal(size=(rows, columns)), 5)
    grey = grey / np.abs(grey).max()
    parts = gaussian_filter(rng.normal(size=(rows, columns, 3)), (6, 6, 0))
    parts = colour * parts / np.abs(parts).max()
    signal = mean + 0.55 * (grey[..., None] + parts)
    low, high = signal.min(), signal.max()
    return (0.02 + (top - 0.02) * (signal - low) / (high - low)).astype(np.float32)


def relabel(signal: NDArray[Any], *, white_nits: float = 150.0, gamma: float = 2.4) -> NDArray[np.float64]:
    """The same picture as light of an SDR set, linear BT.2020, cd/m2."""
    return np.asarray(white_nits * np.maximum(signal.astype(np.float64), 0) ** gamma @ TO_2020.T)
