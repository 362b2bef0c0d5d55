"""Everything measured on one matched pair of pictures on the common canvas."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, PairScore, Setup
from pairdiff._settings import Settings
from pairdiff.light.picture import code_level, itp_difference, nits_to_itp, nits_to_pq_picture, sdr_code_to_nits
from pairdiff.light.primaries import conversion_matrix
from pairdiff.score.colour import LUMINANCE, PictureColour, measure_colour
from pairdiff.score.detail import PictureDetail, clipped_mask, codes_at_top, measure_detail
from pairdiff.score.difference import blur_optics, count_difference
from pairdiff.score.headroom import REFERENCE_WHITE_NITS, level_at_share
from pairdiff.score.notice import preference_loss
from pairdiff.score.tone import TONE_PIXELS, ToneSample, blur_pair, blurred_difference_jnd, sample_tone

TopCodes = tuple[float | None, float | None, float | None]


@dataclass(frozen=True, slots=True)
class PairPictures:
    """A matched pair on the canvas."""

    hdr_nits: FloatArray
    """(row, column, 3) linear BT.2020, cd/m2."""
    sdr_code: FloatArray
    """(row, column, 3) BT.709 R'G'B' signal, super-white kept."""
    pixels_per_degree: float


@dataclass(frozen=True, slots=True)
class PairPlace:
    """Where a pair stands in both films."""

    hdr_frame: int
    sdr_frame: int
    hdr_time_s: float
    sdr_time_s: float
    shot: int
    similarity: float


@dataclass(frozen=True, slots=True)
class PairMeasures:
    """A pair's score and what pooling needs beside it."""

    score: PairScore
    counts: dict[str, NDArray[np.int32]]
    """Histogram of dE_ITP by set-up name."""
    tone: ToneSample
    """`sample_tone` at `controls`."""
    colour: PictureColour


def score_pair(
    pictures: PairPictures,
    place: PairPlace,
    *,
    setups: Sequence[Setup],
    top: TopCodes,
    noise_jnd: float,
    settings: Settings,
    tone_pixels: int = TONE_PIXELS,
) -> PairMeasures:
    """Measure one matched pair at every set-up.

    Parameters
    ----------
    pictures : both sides on the canvas.
    place : where the pair stands.
    setups : `controls` among them.
    top : the SDR title's top code per channel, None where it does not clip.
    noise_jnd : noise of the pair, |dI| x 720.
    settings : thresholds, seed, blur.
    tone_pixels : pixels kept for the title curve.

    Returns
    -------
    PairMeasures; `curve_distance_jnd` is filled once the title curve is known (0 until then).
    """
    ppd = pictures.pixels_per_degree
    hdr_itp = nits_to_itp(pictures.hdr_nits)
    hdr_seen = nits_to_itp(blur_optics(pictures.hdr_nits, pixels_per_degree=ppd))
    mask = clipped_mask(pictures.sdr_code, top=top, tolerance_codes=settings.clip_tolerance_codes)
    rng = np.random.default_rng((settings.seed, place.hdr_frame))
    rms, loss, blurred, counts = {}, {}, {}, {}
    for setup in setups:
        sdr_nits = sdr_code_to_nits(pictures.sdr_code, white_nits=setup.white_nits, gamma=setup.gamma)
        sdr_seen = nits_to_itp(blur_optics(sdr_nits, pixels_per_degree=ppd))
        map_jnd = itp_difference(hdr_seen, sdr_seen)
        rms[setup.name] = float(np.sqrt(np.mean(np.square(map_jnd), dtype=np.float64)))
        counts[setup.name] = count_difference(map_jnd)
        sdr_itp = nits_to_itp(sdr_nits)
        loss[setup.name] = preference_loss(hdr_itp, sdr_itp, pixels_per_degree=ppd, noise_jnd=noise_jnd)
        both = blur_pair(pictures.hdr_nits, sdr_nits, sigma_degrees=settings.blur_degrees, pixels_per_degree=ppd)
        blurred[setup.name] = blurred_difference_jnd(both)
        if setup.name == "controls":
            controls, controls_nits = setup, sdr_nits
            at_top = codes_at_top(pictures.sdr_code, top=top, tolerance_codes=settings.clip_tolerance_codes)
            tone = _tone(pictures, hdr_itp, sdr_itp, sdr_nits, at_top=at_top, rng=rng, count=tone_pixels)
    level = code_level(pictures.hdr_nits)
    bright = level > controls.white_nits
    detail = _detail(pictures, controls_nits, mask=mask, bright=bright, noise_jnd=noise_jnd)
    colour = measure_colour(pictures.hdr_nits, hdr_itp, margin_jnd=settings.gamut_margin_jnd)
    score = PairScore(
        hdr_frame=place.hdr_frame,
        sdr_frame=place.sdr_frame,
        hdr_time_s=place.hdr_time_s,
        sdr_time_s=place.sdr_time_s,
        shot=place.shot,
        similarity=place.similarity,
        hdr_p999_nits=level_at_share(level, settings.headroom_area_share),
        sdr_p999_code=level_at_share(code_level(pictures.sdr_code), settings.headroom_area_share),
        hdr_mean_nits=_mean_luminance(pictures.hdr_nits),
        sdr_mean_nits=_mean_luminance(controls_nits),
        area_above_white_share=float(bright.mean()),
        area_above_203_share=float((level > REFERENCE_WHITE_NITS).mean()),
        rms_jnd=rms,
        preference_loss=loss,
        blurred_jnd=blurred,
        clipped_share=detail.clipped_share,
        bright_clipped_share=detail.bright_clipped_share,
        detail_jnd=detail.detail_jnd,
        detail_stops=detail.detail_stops,
        textured_share=detail.textured_share,
        outside_709_share=colour.outside_709_share,
        outside_p3_share=colour.outside_p3_share,
        chroma_p99_jnd=colour.chroma_p99_jnd,
        curve_distance_jnd=0.0,
    )
    return PairMeasures(score, counts, tone, colour)


def _mean_luminance(nits: FloatArray) -> float:
    return float(nits.reshape(-1, 3).mean(0, dtype=np.float64) @ np.asarray(LUMINANCE))


def _detail(
    pictures: PairPictures, sdr_nits: FloatArray, *, mask: NDArray[np.uint8], bright: NDArray[np.bool_], noise_jnd: float
) -> PictureDetail:
    to_709 = conversion_matrix("bt2020", "bt709").T.astype(np.float32)
    return measure_detail(
        pictures.hdr_nits @ to_709,
        sdr_nits @ to_709,
        mask=mask,
        bright=bright,
        noise_jnd=noise_jnd,
        pixels_per_degree=pictures.pixels_per_degree,
    )


def _tone(
    pictures: PairPictures,
    hdr_itp: FloatArray,
    sdr_itp: FloatArray,
    sdr_nits: FloatArray,
    *,
    at_top: NDArray[np.bool_],
    rng: np.random.Generator,
    count: int,
) -> ToneSample:
    to_709 = conversion_matrix("bt2020", "bt709").T.astype(np.float32)
    hdr, sdr = (nits_to_pq_picture(np.maximum(nits @ to_709, 0)) for nits in (pictures.hdr_nits, sdr_nits))
    return sample_tone(hdr_itp, sdr_itp, hdr_channels=hdr, sdr_channels=sdr, at_top=at_top, rng=rng, count=count)
