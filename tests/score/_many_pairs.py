"""Scored pairs by the thousand: three pictures are scored, and each pair is one of them with other figures, all of its objects its own."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from typing import Any

import cv2
import numpy as np

from pairdiff._settings import Settings
from pairdiff.light.picture import nits_to_pq_picture
from pairdiff.score.origin import count_greys
from pairdiff.score.pair import PairMeasures, PairPictures, PairPlace, score_pair
from pairdiff.score.setup import SetupFits, fit_setups
from pairdiff.score.title import FitCollector
from tests.score._pairs import make_signal, relabel

RATE, SHOT_FRAMES = 24, 100


def score_three(settings: Settings, *, rows: int = 90, columns: int = 160) -> tuple[list[PairMeasures], SetupFits]:
    """Three pairs whose SDR is clipped and whose HDR goes on above, scored as pairs of a film of which each gives a pixel to the curve."""
    stack = []
    for seed in range(3):
        signal = np.minimum(cv2.resize(make_signal(seed, top=1.1), (columns, rows), interpolation=cv2.INTER_CUBIC), 1)
        nits = (relabel(signal) * np.where(signal.max(-1, keepdims=True) >= 1, 3.0, 1.0)).astype(np.float32)
        stack.append(PairPictures(nits, signal.astype(np.float32), 56.55 * rows / 2160, count_greys(nits_to_pq_picture(nits))))
    collector = FitCollector(settings)
    for n, one in enumerate(stack):
        collector.add(one, shot=n)
    fits, given = fit_setups(collector.sample(), settings), {"top": collector.top_codes(), "darkest": collector.darkest_code()}
    places = [PairPlace(n, n, n / RATE, n / RATE, n, 1.0) for n in range(3)]
    measures = [
        score_pair(one, place, fits=fits, noise_jnd=0.5, settings=settings, tone_pixels=1, **given)
        for one, place in zip(stack, places, strict=True)
    ]
    assert all(one.spread.level_counts is not None and one.beyond.beyond_cells.size for one in measures)
    return measures, fits


def make_pairs(count: int, measures: list[PairMeasures]) -> Iterator[PairMeasures]:
    """Pairs of a film, frame after frame."""
    rng = np.random.default_rng(0)
    for n in range(count):
        one = _renew(measures[n % len(measures)], float(rng.uniform(0.9, 1.1)))
        score = replace(one.score, hdr_frame=n, sdr_frame=n, hdr_time_s=n / RATE, sdr_time_s=n / RATE, shot=n // SHOT_FRAMES)
        yield replace(one, score=score)


def _renew(value: Any, factor: float) -> Any:
    """The same with its numbers times a factor and its arrays copied."""
    if is_dataclass(value):
        return type(value)(*(_renew(getattr(value, one.name), factor) for one in fields(value)))  # type: ignore[operator]
    if isinstance(value, dict):
        return {name: _renew(one, factor) for name, one in value.items()}
    if isinstance(value, tuple):
        return tuple(_renew(one, factor) for one in value)
    if isinstance(value, np.ndarray):
        return value.copy()
    return value * factor if isinstance(value, float) else value
