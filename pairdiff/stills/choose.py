"""Which matched pairs are shown: by rules, each stated with the figure that chose the pair, and never by hand."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pairdiff._records import Moment, PairScore, Setup

RANDOM_MOMENTS = 3
"""Moments that are drawn by seed (own): what the other rules pick out is extreme, and says nothing of how usual it is."""

LEAST_RECOVERED_PERCENT = 0.5
"""Share of the picture from which recovered detail is worth showing (own): coding alone leaves a few tenths of a percent."""


@dataclass(frozen=True, slots=True)
class _Shown:
    """What the rules ask of a pair; a film has 170 000 of them."""

    hdr_frame: int
    sdr_frame: int
    hdr_time_s: float
    sdr_time_s: float
    shot: int
    loss: float
    hdr_p999_nits: float
    sdr_p999_code: float
    clipped_share: float
    textured_share: float | None


def _shorten(pair: PairScore) -> _Shown:
    return _Shown(
        pair.hdr_frame,
        pair.sdr_frame,
        pair.hdr_time_s,
        pair.sdr_time_s,
        pair.shot,
        pair.preference_loss["controls"],
        pair.hdr_p999_nits,
        pair.sdr_p999_code,
        pair.clipped_share,
        pair.textured_share,
    )


def choose_moments(pairs: Sequence[PairScore], *, controls: Setup, seed: int) -> tuple[Moment, ...]:
    """Choose the pairs to show: most different, largest headroom, most recovered detail, typical, and some at random.

    No two moments are of one shot: a film of few shots gives fewer. The typical one, which stands for the film, is chosen first, the
    others in the order above. Figures are compared as they are printed, and equal ones go to the earlier frame. The order of `pairs`
    makes no difference.

    Parameters
    ----------
    pairs : sequence of PairScore
        Scored pairs of the whole title; `preference_loss["controls"]` (JOD) must be there.
    controls : Setup
        The set that the verdict rests on: headroom is over what it shows.
    seed : int
        Seed of the random moments; it is printed in the reason.

    Returns
    -------
    tuple of Moment
        At most seven, in the order of the rules; empty without pairs; no moment of recovered detail where there is hardly any. Picture
        types are `?` until the files are read again.

    Notes
    -----
    Rules: own; showing a random sample drawn by a stated seed beside the strongest pairs is common practice, no source.
    """
    ordered = sorted(map(_shorten, pairs), key=lambda pair: pair.hdr_frame)
    if not ordered:
        return ()
    median = round(statistics.median(pair.loss for pair in ordered), 2)
    shots: set[int] = set()
    moments: list[Moment] = []

    def take(rule: str, figure: Callable[[_Shown], float], say: Callable[[_Shown, str], str]) -> None:
        """The pair with the largest figure among the shots not shown yet."""
        candidates = _of_other_shots(ordered, shots)
        if candidates:
            pair = max(candidates, key=figure)
            among = "" if figure(pair) == max(map(figure, ordered)) else " among the shots that no earlier choice shows"
            shots.add(pair.shot)
            moments.append(_moment(pair, rule=rule, reason=say(pair, among)))

    def headroom(pair: _Shown) -> float:
        return round(math.log2(max(pair.hdr_p999_nits, 1e-4) / _shown_nits(pair, controls)), 2) + 0.0  # no minus before nothing

    take(
        "typical",
        lambda pair: -round(abs(_loss(pair) - median), 2),
        lambda pair, _among: f"closest to the median loss: {_loss(pair):.2f} JOD, median {median:.2f} JOD",
    )
    typical = moments.pop()
    take("most different", _loss, lambda pair, among: f"largest loss at `controls`{among}: {_loss(pair):.2f} JOD")
    take(
        "largest headroom",
        headroom,
        lambda pair, among: (
            f"largest headroom at `controls`{among}: {headroom(pair):+.2f} stops, {pair.hdr_p999_nits:.0f} over "
            f"{_shown_nits(pair, controls):.0f} cd/m2 where both releases show the film"
        ),
    )
    if any(_recovered_percent(pair) >= LEAST_RECOVERED_PERCENT for pair in _of_other_shots(ordered, shots)):
        take(
            "most recovered detail",
            _recovered_percent,
            lambda pair, among: (
                f"largest area where the SDR is clipped and the HDR shows detail{among}: {_recovered_percent(pair):.1f} % of the picture"
            ),
        )
    moments.append(typical)
    rng = np.random.default_rng(seed)
    for _ in range(RANDOM_MOMENTS):
        if candidates := _of_other_shots(ordered, shots):
            pair = candidates[int(rng.integers(len(candidates)))]
            shots.add(pair.shot)
            moments.append(_moment(pair, rule="random", reason=f"drawn by seed {seed} from the {len(candidates)} scored pairs left"))
    return tuple(moments)


def _of_other_shots(pairs: Iterable[_Shown], shots: set[int]) -> list[_Shown]:
    return [pair for pair in pairs if pair.shot not in shots]


def _loss(pair: _Shown) -> float:
    """As it is printed, JOD."""
    return round(pair.loss, 2)


def _shown_nits(pair: _Shown, controls: Setup) -> float:
    """SDR white, or what the SDR shows above it."""
    return float(controls.white_nits * max(pair.sdr_p999_code, 1.0) ** controls.gamma)


def _recovered_percent(pair: _Shown) -> float:
    """Share of the picture that the SDR clips and in which the HDR shows what can be seen, %, as it is printed."""
    return round(100 * pair.clipped_share * (pair.textured_share or 0.0), 1)


def _moment(pair: _Shown, *, rule: str, reason: str) -> Moment:
    return Moment(
        rule=rule,
        reason=reason,
        hdr_frame=pair.hdr_frame,
        sdr_frame=pair.sdr_frame,
        hdr_time_s=pair.hdr_time_s,
        sdr_time_s=pair.sdr_time_s,
        hdr_picture_type="?",
        sdr_picture_type="?",
        shot=pair.shot,
        loss=pair.loss,
    )
