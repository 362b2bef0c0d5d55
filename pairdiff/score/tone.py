"""Tone: how SDR intensity maps to HDR intensity, and whether the film was graded again.

One monotone curve for the title (isotonic regression of scipy), the residual about it and its spread from shot to shot. `regraded` when
the two pictures still differ at the best set-up by a shift of tone or colour that has a direction: at flat places of the pictures (see
`places.py`) the difference of I, T and P is averaged (median, with its sign) over parts of the picture and of its tone scale before its
size is taken. Grain and the errors of two encoders have no direction and do not add up to another grade; detail and small highlights
are not at flat places.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import FloatArray, PairScore, Tone
from pairdiff._settings import Settings
from pairdiff._tables import BLOCK_ROWS, column
from pairdiff.light.ictcp import JND_SCALE
from pairdiff.light.picture import nits_to_intensity, nits_to_itp, nits_to_pq_picture, sdr_code_to_nits
from pairdiff.light.primaries import conversion_matrix
from pairdiff.light.transfer import pq_to_nits
from pairdiff.score.places import find_flat, measure_slope, medians_at, windows_at
from pairdiff.score.pooling import weighted_quantile
from pairdiff.score.ranks import median_of

CURVE_POINTS = 129
"""Points of the curve that are kept for the report and for the verdict: enough to tell nine tenths of white from white (own)."""
BT709_LUMA = (0.2126, 0.7152, 0.0722)
"""Luma weights of R', G', B' (BT.709-6 item 3.2)."""
TONE_PIXELS = 600
"""Pixels of each picture that the title curve sees (own)."""


RESIDUAL_BINS = 10
"""Tone bins of each picture in which what the title curve leaves is averaged (own)."""
CELL_ROWS, CELL_COLUMNS, CELL_TONES = 2, 3, 4
"""Parts of the picture, and of the tone scale in each, over which the difference is averaged (own)."""
CELLS = CELL_ROWS * CELL_COLUMNS * CELL_TONES
"""Most cells that a picture has."""
PART_PLACES = 500
"""Places drawn from each part of the picture (own)."""


@dataclass(frozen=True, slots=True)
class TonePlaces:
    """Flat places of a pair, cell by cell of the picture and its tone scale."""

    hdr_itp: NDArray[np.float32]
    """I, T, P, (n, 3)."""
    sdr_code: NDArray[np.float32]
    """R'G'B' signal, (n, 3)."""
    cells: tuple[NDArray[np.int64], ...]
    """Numbers of the places in each cell."""


@dataclass(frozen=True, slots=True)
class ToneSample:
    """Pixels of one picture for the tone relation, PQ signal."""

    intensity: NDArray[np.float32]
    """SDR and HDR I, (n, 2)."""
    sdr_channels: NDArray[np.float32]
    """BT.709 components, (n, 3)."""
    hdr_channels: NDArray[np.float32]
    at_top: NDArray[np.bool_]
    """Where the SDR channel is at the title's top code, (n, 3)."""


class ToneSamples(Sequence[ToneSample]):
    """The samples of a title, joined: those of a long film hold a pixel each, and arrays of their own take twenty times as much."""

    def __init__(self) -> None:
        self._joined: list[tuple[ToneSample, NDArray[np.int64]]] = []
        """Of `BLOCK_ROWS` samples each, with where each of them begins, and the end."""
        self._loose: list[ToneSample] = []

    def append(self, sample: ToneSample) -> None:
        """Add the sample of a further picture."""
        self._loose.append(sample)
        if len(self._loose) == BLOCK_ROWS:
            edges = np.append(0, np.cumsum([len(one.intensity) for one in self._loose]))
            self._joined.append((_join_samples(self._loose), edges))
            self._loose = []

    def __len__(self) -> int:
        return BLOCK_ROWS * len(self._joined) + len(self._loose)

    def __getitem__(self, place: Any) -> Any:
        if isinstance(place, slice):
            return [self[n] for n in range(len(self))[place]]
        block, number = divmod(range(len(self))[place], BLOCK_ROWS)
        if block == len(self._joined):
            return self._loose[number]
        joined, edges = self._joined[block]
        own = slice(edges[number], edges[number + 1])
        return ToneSample(joined.intensity[own], joined.sdr_channels[own], joined.hdr_channels[own], joined.at_top[own])


def _join_samples(samples: Sequence[ToneSample]) -> ToneSample:
    return ToneSample(
        np.concatenate([one.intensity for one in samples]),
        np.concatenate([one.sdr_channels for one in samples]),
        np.concatenate([one.hdr_channels for one in samples]),
        np.concatenate([one.at_top for one in samples]),
    )


@dataclass(frozen=True, slots=True)
class TitleCurve:
    """Monotone curve from SDR to HDR intensity."""

    sdr_intensity: NDArray[np.float64]
    hdr_intensity: NDArray[np.float64]

    def at(self, intensity: FloatArray) -> NDArray[np.float64]:
        """HDR intensity for an SDR intensity."""
        return np.asarray(np.interp(intensity, self.sdr_intensity, self.hdr_intensity))


def sample_places(
    hdr_itp: FloatArray, sdr_code: FloatArray, *, clipped: NDArray[np.bool_] | None = None, rng: np.random.Generator
) -> TonePlaces:
    """Draw flat places of a pair from every part of the picture and sort them into cells.

    What the SDR clips says nothing of its tone: it is left out, unless there is nothing else.

    Parameters
    ----------
    hdr_itp : (row, column, 3) I, T, P of the HDR picture.
    sdr_code : (row, column, 3) SDR R'G'B' signal.
    clipped : (row, column), where the SDR is clipped; None where it is nowhere.
    rng : random generator, seeded by the caller.

    Returns
    -------
    TonePlaces.
    """
    from scipy.stats import rankdata  # a library that starts slowly: loaded when it is needed

    places = find_flat(sdr_code, left_out=clipped)
    down, across = (
        np.append(0, np.cumsum([len(part) for part in np.array_split(np.arange(length), parts)]))
        for length, parts in zip(places.shape, (CELL_ROWS, CELL_COLUMNS), strict=True)
    )
    hdr, sdr, cells, taken = [], [], [], 0
    for (top, bottom), (left, right) in itertools.product(itertools.pairwise(down), itertools.pairwise(across)):
        row, column = np.nonzero(places[top:bottom, left:right])
        if row.size == 0:
            continue
        flat = (row + top) * places.shape[1] + column + left
        chosen = rng.choice(flat, size=min(PART_PLACES, flat.size), replace=False)
        itp, code = medians_at(hdr_itp, chosen), medians_at(sdr_code, chosen)
        luma = code @ np.asarray(BT709_LUMA, np.float32)
        # by both sides' ranks: sorted by one alone, what its noise lowers would gather in the darkest cell and look like a shift
        order = np.argsort(rankdata(luma) + rankdata(itp[:, 0]), kind="stable")
        cells += [taken + cell for cell in np.array_split(order, min(CELL_TONES, order.size))]
        hdr.append(itp)
        sdr.append(code)
        taken += chosen.size
    return TonePlaces(np.concatenate(hdr), np.concatenate(sdr), tuple(cells))


def tone_shifts_jnd(
    places: TonePlaces, *, whites_nits: Sequence[float] | NDArray[np.float64], gammas: Sequence[float] | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Shift of tone and colour between the two pictures at several set-ups.

    Parameters
    ----------
    places : flat places of a pair.
    whites_nits, gammas : white (cd/m2) and gamma of each set-up.

    Returns
    -------
    dE_ITP for each set-up: median over the cells of the size of their median shift.
    """
    return shift_sizes_jnd(cell_shifts(places, whites_nits=whites_nits, gammas=gammas))


def cell_shifts(
    places: TonePlaces, *, whites_nits: Sequence[float] | NDArray[np.float64], gammas: Sequence[float] | NDArray[np.float64]
) -> NDArray[np.float32]:
    """Shift of each cell with its sign, (set-ups, CELLS, 3) of I, T, P; NaN for cells that a picture lacks.

    It runs smoothly from set-up to set-up, so that it can be interpolated; its size has a sharp minimum and cannot.
    """
    light = {gamma: sdr_code_to_nits(places.sdr_code[None], white_nits=1.0, gamma=gamma)[0] for gamma in map(float, set(gammas))}
    shown = np.stack([np.float32(white) * light[float(gamma)] for white, gamma in zip(whites_nits, gammas, strict=True)])
    shift = places.hdr_itp - nits_to_itp(shown)
    found = np.full((len(shown), CELLS, 3), np.nan, np.float32)
    for number, cell in enumerate(places.cells):
        found[:, number] = np.median(shift[:, cell], axis=1)
    return found


def shift_of_shots_jnd(pairs: Sequence[PairScore], setup: str) -> list[float]:
    """Median shift of tone of each shot at a set-up, over its scored pictures, JND; in the order in which the shots first come.

    Parameters
    ----------
    pairs : scored pictures.
    setup : name of the set-up.
    """
    shots: dict[int, list[float]] = {}
    for shot, shift in zip(column(pairs, "shot").tolist(), column(pairs, "tone_shift_jnd", setup).tolist(), strict=True):
        shots.setdefault(shot, []).append(shift)
    return [median(shifts) for shifts in shots.values()]


def shift_sizes_jnd(shifts: FloatArray) -> NDArray[np.float64]:
    """Median over the cells of the size of `cell_shifts`, (..., CELLS, 3), dE_ITP."""
    return np.asarray(np.nanmedian(np.linalg.norm(shifts.astype(np.float64), axis=-1), axis=-1) * JND_SCALE, np.float64)


def sample_tone(
    hdr_itp: FloatArray,
    sdr_itp: FloatArray,
    *,
    hdr_channels: FloatArray,
    sdr_channels: FloatArray,
    at_top: NDArray[np.bool_],
    rng: np.random.Generator,
    count: int = TONE_PIXELS,
) -> ToneSample:
    """Pixels for the title curve, from the flatter half of the SDR picture, where neither sharpness nor registration matters.

    Parameters
    ----------
    hdr_itp, sdr_itp : (row, column, 3) I, T, P at one set-up, not blurred.
    hdr_channels, sdr_channels : (row, column, 3) BT.709 components as PQ signal at the same set-up.
    at_top : (row, column, 3), where the SDR channel is at the title's top code.
    rng : random generator, seeded by the caller.
    count : pixels to draw.

    Returns
    -------
    ToneSample; every value is the mean of 3 x 3 pixels, against grain.
    """
    picks = pick_pixels(sdr_itp[..., 0], rng=rng, count=count)
    intensity = np.stack([_means_at(itp[..., 0], picks) for itp in (sdr_itp, hdr_itp)], 1)
    return ToneSample(intensity, _means_at(sdr_channels, picks), _means_at(hdr_channels, picks), _means_at(at_top, picks) > 0)


def sample_tone_of_light(
    hdr_nits: FloatArray, sdr_nits: FloatArray, *, at_top: NDArray[np.bool_], rng: np.random.Generator, count: int = TONE_PIXELS
) -> ToneSample:
    """`sample_tone` of two pictures in light, (row, column, 3) linear BT.2020 in cd/m2: only what is drawn is turned into signals."""
    picks = pick_pixels(nits_to_intensity(sdr_nits), rng=rng, count=count)
    to_709 = conversion_matrix("bt2020", "bt709").T.astype(np.float32)
    light = [_windows(nits, picks) for nits in (sdr_nits, hdr_nits)]
    intensity = np.stack([_window_means(nits_to_intensity(one)) for one in light], 1)
    sdr, hdr = (_window_means(nits_to_pq_picture(np.maximum(one @ to_709, 0))) for one in light)
    return ToneSample(intensity, sdr, hdr, _means_at(at_top, picks) > 0)


def pick_pixels(sdr_intensity: FloatArray, *, rng: np.random.Generator, count: int) -> NDArray[np.int64]:
    """Numbers of pixels drawn from the flatter half of a picture of I, (row, column)."""
    steep = measure_slope(cv2.blur(np.ascontiguousarray(sdr_intensity, np.float32), (3, 3)))
    flat = np.flatnonzero(steep <= median_of(steep))
    return np.asarray(rng.choice(flat, size=min(count, flat.size), replace=False), np.int64)


def _windows(picture: FloatArray | NDArray[np.bool_], places: NDArray[np.int64]) -> NDArray[np.float32]:
    return windows_at(picture, places, width=3, mirrored=True)


def _window_means(windows: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(windows.mean(1, dtype=np.float64), np.float32)


def _means_at(picture: FloatArray | NDArray[np.bool_], places: NDArray[np.int64]) -> NDArray[np.float32]:
    return _window_means(_windows(picture, places))


def fit_title_curve(samples: Sequence[ToneSample]) -> TitleCurve:
    """Monotone least-squares curve of the title from SDR to HDR intensity."""
    joined = np.concatenate([sample.intensity for sample in samples])
    return fit_curve(joined[:, 0], joined[:, 1])


def fit_curve(sdr: FloatArray, hdr: FloatArray) -> TitleCurve:
    """Monotone least-squares curve through points (isotonic regression), thinned to 512 knots."""
    from scipy.optimize import isotonic_regression  # a library that starts slowly: loaded when it is needed

    order = np.argsort(sdr, kind="stable")
    rising = isotonic_regression(hdr[order].astype(np.float64)).x
    knots = np.unique(np.linspace(0, order.size - 1, 512).astype(int))
    return TitleCurve(sdr[order].astype(np.float64)[knots], rising[knots])


def curve_distance_jnd(sample: ToneSample, curve: TitleCurve) -> float:
    """Median signed distance of one picture's pixels from the title curve, |dI| x 720."""
    return float(np.median(sample.intensity[:, 1] - curve.at(sample.intensity[:, 0])) * 720)


def one_curve_residual_jnd(samples: Sequence[ToneSample]) -> float:
    """What the best single monotone curve of the film leaves, PQ signal x 720: 95th percentile over tone bins of each picture.

    A fixed curve may work on the intensity, on the largest component or on each channel alike; the one that explains the film best
    counts. What the SDR clips is left out, since no curve can tell values apart there. In each bin the median is taken with its sign, so
    that the errors of two encoders cancel and what a grade does in one picture and not in another stays.
    """
    return min(_residual_jnd([relate(sample) for sample in samples]) for relate in (_relate_intensity, _relate_largest, _relate_channels))


_Related = tuple[FloatArray, FloatArray]
"""Values of the SDR side, and those of the HDR side that belong to them."""


def _relate_intensity(sample: ToneSample) -> _Related:
    kept = ~sample.at_top.any(1)
    return sample.intensity[kept, 0], sample.intensity[kept, 1]


def _relate_largest(sample: ToneSample) -> _Related:
    kept = ~sample.at_top.any(1)
    return sample.sdr_channels[kept].max(1), sample.hdr_channels[kept].max(1)


def _relate_channels(sample: ToneSample) -> _Related:
    return sample.sdr_channels[~sample.at_top], sample.hdr_channels[~sample.at_top]


def _residual_jnd(pictures: Sequence[_Related]) -> float:
    sdr, hdr = (np.concatenate([picture[side] for picture in pictures]) for side in (0, 1))
    if sdr.size < 2:
        return 0.0
    curve = fit_curve(sdr, hdr)
    medians = []
    for x, y in pictures:
        left = y - curve.at(x)
        bins = np.array_split(np.argsort(x, kind="stable"), max(min(RESIDUAL_BINS, x.size), 1))
        medians += [abs(float(np.median(left[part]))) for part in bins if part.size]
    return float(np.quantile(medians, 0.95)) * 720


def pool_tone(
    samples: Sequence[ToneSample],
    curve: TitleCurve,
    *,
    shots: NDArray[np.int64],
    shift_jnd: NDArray[np.float64],
    weights: NDArray[np.float64],
    settings: Settings,
) -> Tone:
    """Film figures of tone."""
    distances = np.array([curve_distance_jnd(sample, curve) for sample in samples])
    per_shot = np.array([distances[shots == shot].mean() for shot in np.unique(shots)])
    median = weighted_quantile(shift_jnd, 0.5, weights=weights)
    grid = np.linspace(curve.sdr_intensity[0], curve.sdr_intensity[-1], CURVE_POINTS)
    return Tone(
        "measured",
        median >= settings.regraded_jnd,
        median,
        tuple(map(float, pq_to_nits(grid))),
        tuple(map(float, pq_to_nits(curve.at(grid)))),
        one_curve_residual_jnd(samples),
        float(per_shot.std()) if per_shot.size > 1 else None,
    )
