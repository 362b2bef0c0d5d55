"""Which matched pairs are shown: by four rules, each stated with the figure that chose the pair, and never by hand."""

from __future__ import annotations

import statistics
from collections.abc import Iterable, Sequence

import numpy as np

from pairdiff._records import Moment, PairScore


def choose_moments(pairs: Sequence[PairScore], *, seed: int) -> tuple[Moment, ...]:
    """Choose the pairs to show: most different, brightest, typical, random.

    The rules run in that order. A shot that was used is not used again while another shot is left; a pair is never used twice.
    Equal figures go to the earlier frame. The order of `pairs` makes no difference.

    Parameters
    ----------
    pairs : sequence of PairScore
        Scored pairs of the whole title; `preference_loss["controls"]` (JOD) must be there.
    seed : int
        Seed of the random moment; it is printed in the reason.

    Returns
    -------
    tuple of Moment
        At most four, in the order of the rules; empty without pairs. Picture types are `?` until the files are read again.

    Notes
    -----
    Rules: own; showing a random sample drawn by a stated seed beside the strongest pairs is common practice, no source.
    """
    ordered = sorted(pairs, key=lambda pair: pair.hdr_frame)
    if not ordered:
        return ()
    median = statistics.median(_loss(pair) for pair in ordered)
    chosen: list[PairScore] = []
    moments: list[Moment] = []

    def take(rule: str, reason: str, pair: PairScore) -> None:
        chosen.append(pair)
        moments.append(_moment(pair, rule=rule, reason=reason))

    def left() -> list[PairScore]:
        return _unused(ordered, chosen)

    pair = max(left(), key=_loss)
    take("most different", f"largest loss at `controls`: {_loss(pair):.2f} JOD", pair)
    if candidates := left():
        pair = max(candidates, key=_brightness)
        among = _among(_brightness(pair) < max(map(_brightness, ordered)))
        take(
            "brightest",
            f"highest 99.9th percentile{among}: {pair.hdr_p999_nits:.0f} cd/m2 where both releases show the film",
            pair,
        )
    if candidates := left():
        pair = min(candidates, key=lambda item: abs(_loss(item) - median))
        among = _among(abs(_loss(pair) - median) > min(abs(_loss(item) - median) for item in ordered))
        take("typical", f"closest to the median loss{among}: {_loss(pair):.2f} JOD, median {median:.2f} JOD", pair)
    if candidates := left():
        pair = candidates[int(np.random.default_rng(seed).integers(len(candidates)))]
        take("random", f"drawn by seed {seed} from the {len(candidates)} scored pairs left", pair)
    return tuple(moments)


def _loss(pair: PairScore) -> float:
    return pair.preference_loss["controls"]


def _brightness(pair: PairScore) -> float:
    return pair.hdr_p999_nits


def _among(passed_over: bool) -> str:
    """Words for a rule whose best pair was passed over because its shot is shown already."""
    return " among the shots not shown yet" if passed_over else ""


def _unused(pairs: Iterable[PairScore], chosen: Sequence[PairScore]) -> list[PairScore]:
    """Pairs of shots not shown yet; when there are none, pairs not shown yet."""
    frames = {pair.hdr_frame for pair in chosen}
    shots = {pair.shot for pair in chosen}
    rest = [pair for pair in pairs if pair.hdr_frame not in frames]
    return [pair for pair in rest if pair.shot not in shots] or rest


def _moment(pair: PairScore, *, rule: str, reason: str) -> Moment:
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
        loss=_loss(pair),
    )
