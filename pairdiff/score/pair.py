"""Everything measured on one matched pair of pictures on the common canvas."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, PairScore
from pairdiff._settings import Settings
from pairdiff.light.picture import code_level, nits_to_itp, sdr_code_to_nits
from pairdiff.light.primaries import conversion_matrix
from pairdiff.score._picture_kernels import stops_over
from pairdiff.score.colour import LUMINANCE, PictureColour, measure_colour
from pairdiff.score.colour_volume import PictureBeyond, measure_beyond
from pairdiff.score.contrast import measure_contrast
from pairdiff.score.detail import PictureDetail, clipped_area, codes_at_top, measure_detail
from pairdiff.score.difference import BlurredLight, SeenDifference, compare_seen, see
from pairdiff.score.headroom import ABOVE_MARGIN_STOPS, AREA_FACTORS, REFERENCE_WHITE_NITS, HighlightLevels, measure_highlights
from pairdiff.score.origin import GreyCodes, PictureOrigin, measure_origin
from pairdiff.score.setup import SetupFits, lift_signal
from pairdiff.score.shadows import SHADOW_FACTORS, PictureShadows, measure_dark_detail
from pairdiff.score.subtitles import fill_in
from pairdiff.score.tone import TONE_PIXELS, TonePlaces, ToneSample, cell_shifts, sample_places, sample_tone_of_light, tone_shifts_jnd
from pairdiff.score.whole import channel_means, mix_by_matrix

RESAMPLE_GAMMA = 2.4
"""SDR pictures are resampled in linear light at this gamma and handed on as signal."""
TopCodes = tuple[float | None, float | None, float | None]


@dataclass(frozen=True, slots=True)
class PairPictures:
    """A matched pair on the canvas."""

    hdr_nits: FloatArray
    """(row, column, 3) linear BT.2020, cd/m2."""
    sdr_code: FloatArray
    """(row, column, 3) BT.709 R'G'B' signal, super-white kept."""
    pixels_per_degree: float
    hdr_greys: GreyCodes | None = None
    """Greys of the HDR picture at its own size; None where they were not counted."""

    def blurred(self) -> BlurredLight:
        """Light of both sides after the eye's optics."""
        return BlurredLight(self.hdr_nits, self.sdr_code, pixels_per_degree=self.pixels_per_degree)


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
class PairSpread:
    """Figures of a pair at varied thresholds and set-ups, for the draws behind the verdict's support."""

    hdr_nits: tuple[float, ...]
    """Level at each of `AREA_FACTORS` x the area share."""
    sdr_code: tuple[float, ...]
    sdr_with_glints_code: tuple[float, ...]
    outside_709_share: tuple[float, ...]
    """At each of `MARGIN_FACTORS` x the margin."""
    shadow_gained_share: tuple[float, ...]
    """At each of `SHADOW_FACTORS` x the limit."""
    cell_shifts: NDArray[np.float16]
    """Of `tone.cell_shifts` at the set-ups of `SetupFits.nodes`, (whites, gammas, cells, 3); half precision errs by 0.01 JND at 10 JND."""
    level_counts: NDArray[np.int32] | None
    """HDR levels in SDR-clipped areas, as in `PictureDetail`."""


@dataclass(frozen=True, slots=True)
class PairMeasures:
    """A pair's score and what pooling needs beside it."""

    score: PairScore
    counts: dict[str, NDArray[np.int32]]
    """Histogram of dE_ITP by set-up name."""
    tone: ToneSample
    """`sample_tone` at `controls`."""
    colour: PictureColour
    beyond: PictureBeyond
    spread: PairSpread
    origin: PictureOrigin


def without_places(pictures: PairPictures, mask: NDArray[np.bool_]) -> PairPictures:
    """A pair with some places, (row, column), filled from the picture around them, on both sides alike, in light."""
    light = fill_in(np.maximum(pictures.sdr_code, 0) ** np.float32(RESAMPLE_GAMMA), mask) ** np.float32(1 / RESAMPLE_GAMMA)
    sdr = np.where(mask[..., None], light, pictures.sdr_code)
    return replace(pictures, hdr_nits=fill_in(pictures.hdr_nits, mask), sdr_code=sdr)


def score_pair(
    pictures: PairPictures,
    place: PairPlace,
    *,
    fits: SetupFits,
    top: TopCodes,
    noise_jnd: float,
    settings: Settings,
    standing: NDArray[np.bool_] | None = None,
    darkest: float | None = None,
    tone_pixels: int = TONE_PIXELS,
    blurred: BlurredLight | None = None,
) -> PairMeasures:
    """Measure one matched pair at every set-up.

    Parameters
    ----------
    pictures : both sides on the canvas.
    place : where the pair stands.
    fits : the set-ups, `controls` among them, and the free fit.
    top : the SDR title's top code per channel, None where it does not clip.
    noise_jnd : noise of the pair, |dI| x 720.
    settings : thresholds, seed, smoothing.
    standing : (row, column), where a mark stands still over the film, which is filled from around it for all but the figure that counts
        it; None without one.
    darkest : the SDR title's darkest level, signal; None where it never comes near black.
    tone_pixels : pixels kept for the title curve.
    blurred : light of the pair after the eye's optics, where it is at hand; it is not used where a mark stands still.

    Returns
    -------
    PairMeasures; `curve_distance_jnd` is filled once the title curve is known (0 until then).
    """
    level = code_level(pictures.hdr_nits)
    highlights = measure_highlights(level, code_level(pictures.sdr_code), standing=standing, settings=settings)
    if standing is not None:
        pictures, blurred = without_places(pictures, standing), None
        level = code_level(pictures.hdr_nits)
    ppd, light = pictures.pixels_per_degree, pictures.blurred() if blurred is None else blurred
    seen = _see_setups(light, fits, pixels_per_degree=ppd)
    hdr_itp = nits_to_itp(pictures.hdr_nits)
    at_top = codes_at_top(pictures.sdr_code, top=top, tolerance_codes=settings.clip_tolerance_codes)
    rng = np.random.default_rng((settings.seed, place.hdr_frame))
    clipped = np.asarray(at_top[..., 0] | at_top[..., 1] | at_top[..., 2], np.bool_)
    places = sample_places(hdr_itp, pictures.sdr_code, clipped=clipped, rng=np.random.default_rng((settings.seed, place.hdr_frame)))
    colour = measure_colour(pictures.hdr_nits, hdr_itp, margin_jnd=settings.gamut_margin_jnd)
    origin = measure_origin(
        pictures.hdr_nits, hdr_itp, highlights=highlights, top=top, margin_jnd=settings.gamut_margin_jnd, greys=pictures.hdr_greys
    )
    del hdr_itp, light  # what follows takes the most memory
    controls = fits.named("controls")
    controls_nits = sdr_code_to_nits(pictures.sdr_code, white_nits=controls.white_nits, gamma=controls.gamma)
    tone = sample_tone_of_light(pictures.hdr_nits, controls_nits, at_top=at_top, rng=rng, count=tone_pixels)
    film = np.ones(level.shape, bool) if standing is None else ~standing
    bright_stops = np.empty(level.shape, np.float32)
    stops_over(level.reshape(-1), np.float32(controls.white_nits), film.reshape(-1), bright_stops.reshape(-1))
    detail = _detail(pictures, controls_nits, at_top=at_top, bright_stops=bright_stops, noise_jnd=noise_jnd)
    contrast = measure_contrast(
        pictures.hdr_nits,
        controls_nits,
        white_nits=controls.white_nits,
        above_stops=settings.highlight_above_stops,
        film=film,
        pixels_per_degree=ppd,
    )
    shadows = measure_dark_detail(
        pictures.hdr_nits, pictures.sdr_code, darkest=darkest, controls=controls, pixels_per_degree=ppd, settings=settings
    )
    score = PairScore(
        hdr_frame=place.hdr_frame,
        sdr_frame=place.sdr_frame,
        hdr_time_s=place.hdr_time_s,
        sdr_time_s=place.sdr_time_s,
        shot=place.shot,
        similarity=place.similarity,
        hdr_p999_nits=highlights.hdr_nits[AREA_FACTORS.index(1.0)],
        sdr_p999_code=highlights.sdr_code[AREA_FACTORS.index(1.0)],
        sdr_p999_with_glints_code=highlights.sdr_with_glints_code[AREA_FACTORS.index(1.0)],
        hdr_p999_with_marks_nits=highlights.with_marks_nits,
        sdr_p999_with_marks_code=highlights.with_marks_code,
        standing_share=highlights.standing_share,
        level_noise_stops=highlights.noise_stops,
        hdr_mean_nits=_mean_luminance(pictures.hdr_nits),
        sdr_mean_nits=_mean_luminance(controls_nits),
        stops_above_white=float(bright_stops.mean(dtype=np.float64)),
        area_above_white_share=float((bright_stops > ABOVE_MARGIN_STOPS).mean()),
        area_above_203_share=float(((level > REFERENCE_WHITE_NITS) & film).mean()),
        rms_jnd={name: found.rms_jnd for name, found in seen.items()},
        preference_loss={name: found.loss.jod for name, found in seen.items()},
        tone_part={name: found.loss.tone_jod for name, found in seen.items()},
        colour_part={name: found.loss.colour_jod for name, found in seen.items()},
        tone_shift_jnd=_tone_shifts(places, fits),
        clipped_share=detail.clipped_share,
        bright_clipped_share=detail.bright_clipped_share,
        detail_jnd=detail.detail_jnd,
        detail_stops=detail.detail_stops,
        textured_share=detail.textured_share,
        dark_share=shadows.dark_share,
        shadow_gain_jnd=shadows.gain_jnd,
        shadow_gamma_jnd=shadows.gamma_jnd,
        shadow_gained_share=shadows.gained_by_limit[SHADOW_FACTORS.index(1.0)],
        outside_709_share=colour.outside_709_share,
        outside_p3_share=colour.outside_p3_share,
        chroma_p99_jnd=colour.chroma_p99_jnd,
        curve_distance_jnd=0.0,
        highlight_share=contrast.area_share,
        contrast_hdr_jnd=contrast.hdr_jnd,
        contrast_sdr_jnd=contrast.sdr_jnd,
        contrast_gain_jnd=contrast.gain_jnd,
        contrast_hdr_stops=contrast.hdr_stops,
        contrast_sdr_stops=contrast.sdr_stops,
        contrast_gained_share=contrast.gained_share,
        gradual_rim_share=detail.gradual_rim_share,
        rise_codes=detail.rise_codes,
    )
    beyond = measure_beyond(
        pictures.hdr_nits,
        controls_nits,
        white_nits=controls.white_nits,
        top_nits=controls.white_nits * max(score.sdr_p999_code, 1.0) ** controls.gamma,
        margin_jnd=settings.gamut_margin_jnd,
        saturated_jnd=settings.saturated_jnd,
    )
    counts = {name: found.counts for name, found in seen.items()}
    return PairMeasures(score, counts, tone, colour, beyond, _spread(highlights, colour, detail, shadows, places, fits), origin)


def _see_setups(light: BlurredLight, fits: SetupFits, *, pixels_per_degree: float) -> dict[str, SeenDifference]:
    """Both visibilities at every set-up; the HDR side is the same in all of them."""
    hdr = see(light.hdr(), pixels_per_degree=pixels_per_degree)
    found: dict[str, SeenDifference] = {}
    sdr, kept = None, fits.named("controls").gamma
    for setup in sorted(fits.setups, key=lambda one: one.gamma):
        light.keep(setup.gamma, kept)
        sdr = see(light.sdr(setup.gamma), gain=setup.white_nits, pixels_per_degree=pixels_per_degree, reuse=sdr)
        found[setup.name] = compare_seen(hdr, sdr)
    light.keep(kept)
    return {setup.name: found[setup.name] for setup in fits.setups}


def _tone_shifts(places: TonePlaces, fits: SetupFits) -> dict[str, float]:
    names = [setup.name for setup in fits.setups]
    whites, gammas = [setup.white_nits for setup in fits.setups], [setup.gamma for setup in fits.setups]
    shifts = dict(zip(names, map(float, tone_shifts_jnd(places, whites_nits=whites, gammas=gammas)), strict=True))
    free = fits.free
    if free.white_nits is not None and free.gamma is not None:
        lifted = replace(places, sdr_code=lift_signal(places.sdr_code, free.lift or 0.0).astype(np.float32))
        shifts["free"] = float(tone_shifts_jnd(lifted, whites_nits=[free.white_nits], gammas=[free.gamma])[0])
    return shifts


def _spread(
    highlights: HighlightLevels,
    colour: PictureColour,
    detail: PictureDetail,
    shadows: PictureShadows,
    places: TonePlaces,
    fits: SetupFits,
) -> PairSpread:
    whites, gammas = fits.nodes
    every_white, every_gamma = (grid.reshape(-1) for grid in np.meshgrid(whites, gammas, indexing="ij"))
    shifts = cell_shifts(places, whites_nits=every_white, gammas=every_gamma)
    return PairSpread(
        highlights.hdr_nits,
        highlights.sdr_code,
        highlights.sdr_with_glints_code,
        colour.outside_709_by_margin,
        shadows.gained_by_limit,
        shifts.reshape(whites.size, gammas.size, *shifts.shape[1:]).astype(np.float16),
        detail.level_counts,
    )


def _mean_luminance(nits: FloatArray) -> float:
    return float(channel_means(nits) @ np.asarray(LUMINANCE))


def _detail(
    pictures: PairPictures,
    sdr_nits: FloatArray,
    *,
    at_top: NDArray[np.bool_],
    bright_stops: NDArray[np.float32],
    noise_jnd: float,
) -> PictureDetail:
    to_709, area = conversion_matrix("bt2020", "bt709"), clipped_area(at_top)
    if area.any():
        light = [mix_by_matrix(side, to_709) for side in (pictures.hdr_nits, sdr_nits)]
    else:
        light = [pictures.hdr_nits, sdr_nits]  # nothing of it is looked at
    return measure_detail(
        *light,
        sdr_code=pictures.sdr_code,
        area=area,
        at_top=at_top,
        bright_stops=bright_stops,
        noise_jnd=noise_jnd,
        pixels_per_degree=pictures.pixels_per_degree,
    )
