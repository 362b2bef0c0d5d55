"""Highlight headroom: how far the HDR picture goes above the white of the SDR set, for how much of the picture and of the time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, Headroom, PairScore, Setup
from pairdiff._settings import Settings
from pairdiff.score.pooling import estimate_share, level_reached, weighted_quantile

REFERENCE_WHITE_NITS = 203.0
"""HDR Reference White, BT.2408 table 1."""
LEAST_NITS = 1e-3
"""Levels below this are taken as this before the logarithm."""


@dataclass(frozen=True, slots=True)
class Weighting:
    """What each scored picture stands for."""

    seconds: NDArray[np.float64]
    """Matched time, seconds."""
    shots: NDArray[np.int64]
    sampled_fraction: float
    """Scored over matched pictures; 1 leaves no sampling error."""


def level_at_share(level_nits: FloatArray, share: float) -> float:
    """Largest level that at least a share of the pixels, and never fewer than two of them, reaches or exceeds."""
    flat = level_nits.reshape(-1)
    least = max(int(np.ceil(flat.size * share - 1e-9)), 2)  # one bright pixel must not count, however small the picture
    position = max(flat.size - least, 0)
    return float(np.partition(flat, position)[position])


def stops_above(nits: NDArray[np.float64], white_nits: float) -> NDArray[np.float64]:
    """log2 of levels over a white."""
    return np.asarray(np.log2(np.maximum(nits, LEAST_NITS) / white_nits))


def headroom_stops(hdr_nits: NDArray[np.float64], sdr_code: NDArray[np.float64], *, setup: Setup) -> NDArray[np.float64]:
    """log2 of HDR level over SDR white at a set-up, or over what the SDR shows above its white in that picture (super-white)."""
    return stops_above(hdr_nits, setup.white_nits) - setup.gamma * np.log2(np.maximum(sdr_code, 1.0))


def peak_ratio_stops(hdr_nits: NDArray[np.float64], sdr_code: NDArray[np.float64], *, setup: Setup) -> NDArray[np.float64]:
    """log2 of HDR level over what the SDR reaches in the same picture at a set-up."""
    reached = setup.white_nits * np.maximum(sdr_code, 0) ** setup.gamma
    return np.asarray(np.log2(np.maximum(hdr_nits, LEAST_NITS) / np.maximum(reached, LEAST_NITS)))


def reaches_sdr_white(sdr_code: NDArray[np.float64], *, weights: NDArray[np.float64], settings: Settings) -> bool:
    """Whether the SDR's 99.9th percentile signal reaches the stated limit in the stated share of matched time."""
    return level_reached(sdr_code, settings.headroom_time_share, weights=weights) >= settings.peak_ratio_below_code


def pool_headroom(pairs: Sequence[PairScore], weighting: Weighting, *, gain: Setup, controls: Setup, settings: Settings) -> Headroom:
    """Film figures of highlight headroom.

    Parameters
    ----------
    pairs : scored pictures.
    weighting : what each stands for.
    gain, controls : the two set-ups; the lower value counts.
    settings : thresholds.

    Returns
    -------
    Headroom; film value = level reached in `headroom_time_share` of matched time.
    """
    level = np.array([pair.hdr_p999_nits for pair in pairs])
    code = np.array([pair.sdr_p999_code for pair in pairs])
    weights, share = weighting.seconds, settings.headroom_time_share
    at_gain, at_controls = (headroom_stops(level, code, setup=s) for s in (gain, controls))
    ratio = peak_ratio_stops(level, code, setup=controls)
    uses_ratio = not reaches_sdr_white(code, weights=weights, settings=settings)
    used = ratio if uses_ratio else np.minimum(at_gain, at_controls)
    per_shot = [used[weighting.shots == shot].max() for shot in np.unique(weighting.shots)]
    return Headroom(
        "measured",
        level_reached(used, share, weights=weights),
        level_reached(at_gain, share, weights=weights),
        level_reached(at_controls, share, weights=weights),
        level_reached(stops_above(level, REFERENCE_WHITE_NITS), share, weights=weights),
        weighted_quantile(used, 0.5, weights=weights),
        float(max(per_shot)),
        level_reached(ratio, share, weights=weights),
        uses_ratio,
        float(np.average([pair.area_above_white_share for pair in pairs], weights=weights)),
        estimate_share(
            used >= settings.headroom_slight_stops, weights=weights, shots=weighting.shots, sampled_fraction=weighting.sampled_fraction
        ),
    )
