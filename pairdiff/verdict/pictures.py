"""The main job for pictures already in memory: the same set-ups, scores and verdict as for files, without matching or decoding."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pairdiff._errors import UsageError
from pairdiff._records import PairScore, PictureComparison, PictureDifference, PictureOnItsOwn, PictureSideBySide
from pairdiff._settings import Settings
from pairdiff.light.picture import nits_to_pq_picture
from pairdiff.score.difference import quantile_from_counts
from pairdiff.score.headroom import Weighting
from pairdiff.score.notice import notice_probability
from pairdiff.score.origin import count_greys
from pairdiff.score.pair import PairMeasures, PairPictures, PairPlace, score_pair
from pairdiff.score.setup import SetupFits, fit_setups
from pairdiff.score.title import FitCollector, collect_scores, pool_title
from pairdiff.verdict.judge import headroom_interval, judge, label_at, make_case, tell_power_law, with_setup_flips

FIT_PIXELS_AT_LEAST = 60000
"""Pixels the fit sees in all, when there are few pictures: a still is fitted on as much as a short film."""


def compare_pictures(
    hdr_nits: ArrayLike, sdr_signal: ArrayLike, *, settings: Settings | None = None, pixels_per_degree: float = 56.55
) -> PictureComparison:
    """Compare HDR with SDR pictures that are already in memory and registered pixel to pixel.

    Parameters
    ----------
    hdr_nits : (row, column, 3) linear BT.2020, cd/m2; or a stack of pictures of one title, (picture, row, column, 3).
    sdr_signal : the SDR picture(s), BT.709 R'G'B' signal 0 to 1 (super-white above 1), same shape.
    settings : thresholds and the set's reach; defaults where None.
    pixels_per_degree : of the pictures.

    Returns
    -------
    PictureComparison. For a stack the set-up is fitted jointly, the figures are the title's, and `pictures` holds each picture at it.

    Raises
    ------
    UsageError : shapes that differ or are no picture, values that are not finite, negative light, a signal far outside 0 to 1.
    """
    settings = settings or Settings()
    hdr, sdr = _check(hdr_nits, sdr_signal, pixels_per_degree)
    single = hdr.ndim == 3
    sides = zip(hdr[None] if single else hdr, sdr[None] if single else sdr, strict=True)
    stack = [PairPictures(h, s, pixels_per_degree, count_greys(nits_to_pq_picture(h))) for h, s in sides]
    count = max(settings.fit_pixels_per_pair, FIT_PIXELS_AT_LEAST // len(stack))
    collector = FitCollector(replace(settings, fit_pixels_per_pair=count))
    for n, pictures in enumerate(stack):
        collector.add(pictures, shot=n)
    sample, top = collector.sample(), collector.top_codes()
    fits = fit_setups(sample, settings)
    marks = collector.marks.masks(white_nits=fits.named("controls").white_nits, settings=settings)
    measures = [
        score_pair(
            p,
            PairPlace(n, n, float(n), float(n), n, 1.0),
            fits=fits,
            top=top,
            darkest=collector.darkest_code(),
            noise_jnd=sample.noise_jnd,
            settings=settings,
            standing=marks.get((p.sdr_code.shape[0], p.sdr_code.shape[1])),
        )
        for n, p in enumerate(stack)
    ]
    parts = () if single else tuple(_compare_measured([m], fits, settings, ()) for m in measures)
    return _compare_measured(measures, fits, settings, parts)


def _check(hdr_nits: ArrayLike, sdr_signal: ArrayLike, pixels_per_degree: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    hdr, sdr = np.asarray(hdr_nits), np.asarray(sdr_signal)
    if hdr.shape != sdr.shape or hdr.ndim not in (3, 4) or hdr.shape[-1:] != (3,):
        raise UsageError(
            f"The pictures must both be (row, column, 3) or (picture, row, column, 3) of one shape; got {hdr.shape} and {sdr.shape}."
        )
    if min(hdr.shape[-3:-1]) < 16 or hdr.shape[0] == 0:
        raise UsageError(
            f"A picture of {hdr.shape[-3]} rows and {hdr.shape[-2]} columns is too small to judge; give at least 16 x 16 pixels."
        )
    for name, values in (("hdr_nits", hdr), ("sdr_signal", sdr)):
        if not np.issubdtype(values.dtype, np.floating):
            raise UsageError(f"{name} is {values.dtype}; give floats: HDR as cd/m2, SDR as signal 0 to 1.")
        if not np.isfinite(values).all():
            raise UsageError(f"{name} holds values that are not finite (NaN or infinity); mend them first.")
    if hdr.min() < 0 or hdr.max() > 10000.5:
        raise UsageError(f"hdr_nits runs from {hdr.min():.4g} to {hdr.max():.4g}; linear BT.2020 light is 0 to 10000 cd/m2.")
    if sdr.min() < -0.1 or sdr.max() > 1.25:
        raise UsageError(f"sdr_signal runs from {sdr.min():.4g} to {sdr.max():.4g}; a BT.709 signal is 0 to 1 (to 1.09 with super-white).")
    if not pixels_per_degree > 0:
        raise UsageError(f"pixels_per_degree must be above 0; got {pixels_per_degree}.")
    return np.ascontiguousarray(hdr, np.float32), np.ascontiguousarray(sdr, np.float32)


def _compare_measured(
    measures: Sequence[PairMeasures], fits: SetupFits, settings: Settings, parts: tuple[PictureComparison, ...]
) -> PictureComparison:
    weighting = Weighting(np.ones(len(measures)), np.array([m.score.shot for m in measures]), 1.0)
    scored = collect_scores(measures, seconds=weighting.seconds)
    score = pool_title(scored, weighting, fits=fits, settings=settings)
    case = make_case(score, weighting, fits, matched_s=np.inf, matched_share=1.0)
    setups = tuple(replace(s, label=label_at(case, s, settings)) for s in score.setups)
    verdict = judge(case, settings)
    return PictureComparison(
        setup=next(s for s in setups if s.name == "controls"),
        setups=setups,
        free_fit=tell_power_law(case, settings),
        difference=_picture_difference(score.pairs, scored.counts["controls"]),
        headroom=replace(score.headroom, stops_interval=headroom_interval(case, settings)),
        recovered=score.recovered,
        shadows=score.shadows,
        colour=score.colour,
        tone=score.tone,
        origin_signs=score.origin_signs,
        viewer=score.viewer,
        verdict=with_setup_flips(verdict, setups),
        pictures=parts,
    )


def _picture_difference(pairs: Sequence[PairScore], counts: NDArray[np.float64]) -> PictureDifference:
    rms = float(np.sqrt(np.mean([pair.rms_jnd["controls"] ** 2 for pair in pairs])))
    loss, tone, colour = (
        np.array([part["controls"] for part in parts])
        for parts in zip(*((pair.preference_loss, pair.tone_part, pair.colour_part) for pair in pairs), strict=True)
    )
    return PictureDifference(
        PictureSideBySide(rms, quantile_from_counts(counts, 0.95)),
        PictureOnItsOwn(float(loss.mean()), float(notice_probability(loss).mean()), float(tone.mean()), float(colour.mean())),
    )
