"""Colour volume: which colours the HDR picture reaches that the SDR set, as it is set up, cannot show.

A gamut is a question of hue and purity alone; a set is bounded in light as well: a red lamp at 200 cd/m2 lies inside BT.709 and yet
outside of what a set with a white of 150 cd/m2 can show, whose red ends at 32. The set's volume is every colour whose linear BT.709
components lie between 0 and its white (or what the SDR shows above white in that picture). A place lies beyond the set where clipping its
components to that range moves it by more than the margin, dE_ITP (BT.2124). It is saturated where its own chroma, 720 x sqrt(T^2 + P^2), is
at least `saturated_jnd` of the settings: so bright neutral light, which headroom measures, is told from colour.

Volume is counted in cells of I, T, P x 720 (BT.2100-2 Table 7, T = Ct / 2 as in BT.2124); the unit is a cube of one just noticeable
difference. A cell counts where some picture holds it over `CELL_SHARE`. All volumes are counted in the same cells, and a cell that is
touched counts whole: they compare with each other, and come out larger than an integral would.

Light is averaged over six pixels first, and every second place looked at, or every fourth in a large picture: the colour of a single pixel
is not what was graded.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import BeyondSet, FloatArray
from pairdiff._settings import Settings
from pairdiff._tables import column
from pairdiff.light.picture import itp_difference, nits_to_itp
from pairdiff.light.primaries import conversion_matrix
from pairdiff.score.colour import BAND_NAMES, LEVEL_BANDS_NITS, LUMINANCE

CELL_JND = 12.0
"""Side of a cell (own): several steps of an 8-bit SDR code, which is worth up to 4."""
CELLS = 64
"""Cells along each axis: I from 0, T and P about 0."""
CELL_SHARE = 1e-4
"""Share of a picture that a cell must hold to be reached, and never fewer than two places (own)."""
SET_STEPS = 81
"""Steps of signal along each component at which the set's own volume is sampled (own): less than a cell apart."""
MANY_PLACES = 200_000
"""Places above which only every second along each axis is looked at (own)."""
MODERATE_BAND = "100_to_300_nits"
"""Band of moderate light whose saturated colour is named apart: lamps, neon, sunlit cloth, no glints (own)."""


@dataclass(frozen=True, slots=True)
class PictureBeyond:
    """Colours of one picture against the set."""

    beyond_share: float
    saturated_by_level: tuple[float, ...]
    """Share of the picture with saturated colour beyond the set, by luminance band."""
    hdr_cells: NDArray[np.int32]
    """Numbers of the cells reached."""
    sdr_cells: NDArray[np.int32]
    beyond_cells: NDArray[np.int32]
    """Cells that the HDR reaches beyond the set."""


def measure_beyond(
    hdr_nits: FloatArray, sdr_nits: FloatArray, *, white_nits: float, top_nits: float, margin_jnd: float, saturated_jnd: float
) -> PictureBeyond:
    """Colours of one picture against the set.

    Parameters
    ----------
    hdr_nits, sdr_nits : (row, column, 3) linear BT.2020, cd/m2; SDR at `controls`.
    white_nits : SDR white there.
    top_nits : what the SDR shows in this picture, if it is above white.
    margin_jnd : dE_ITP beyond the edge of the volume from which a place lies outside.
    saturated_jnd : chroma from which a colour counts as saturated, 720 x sqrt(T^2 + P^2).

    Returns
    -------
    PictureBeyond.
    """
    hdr, sdr = (_sample_light(nits) for nits in (hdr_nits, sdr_nits))
    hdr_itp, sdr_itp = nits_to_itp(hdr), nits_to_itp(sdr)
    beyond = _distance_jnd(hdr, hdr_itp, top_nits=max(white_nits, top_nits)) > margin_jnd
    saturated = beyond & (np.hypot(hdr_itp[..., 1], hdr_itp[..., 2]) * 720 >= saturated_jnd)
    luminance = hdr[saturated] @ np.asarray(LUMINANCE, np.float32)
    by_level = np.histogram(luminance, bins=np.asarray(LEVEL_BANDS_NITS))[0] / saturated.size
    cells = _cell_numbers(hdr_itp)
    least = max(CELL_SHARE * cells.size, 2.0)
    return PictureBeyond(
        float(beyond.mean()),
        tuple(map(float, by_level)),
        _reached(cells, least),
        _reached(_cell_numbers(sdr_itp), least),
        _reached(cells[beyond], least),
    )


def _sample_light(nits: FloatArray) -> NDArray[np.float32]:
    """Light averaged over six pixels, at every second or fourth place."""
    picture = np.ascontiguousarray(nits, np.float32)
    half = cv2.resize(picture, (picture.shape[1] // 2, picture.shape[0] // 2), interpolation=cv2.INTER_AREA)
    step = 2 if half.shape[0] * half.shape[1] > MANY_PLACES else 1
    return np.ascontiguousarray(cv2.blur(half, (3, 3))[::step, ::step], np.float32)


def _distance_jnd(hdr: NDArray[np.float32], hdr_itp: NDArray[np.float32], *, top_nits: float) -> NDArray[np.float32]:
    """dE_ITP to the colour whose BT.709 components are clipped to the set; 0 inside."""
    inner = hdr @ conversion_matrix("bt2020", "bt709").T.astype(np.float32)
    red, green, blue = inner[..., 0], inner[..., 1], inner[..., 2]
    outside = np.minimum(np.minimum(red, green), blue) < 0
    outside |= np.maximum(np.maximum(red, green), blue) > top_nits
    distance = np.zeros(outside.shape, np.float32)
    if outside.any():
        clipped = np.clip(inner[outside], 0, top_nits) @ conversion_matrix("bt709", "bt2020").T.astype(np.float32)
        distance[outside] = itp_difference(nits_to_itp(np.maximum(clipped, 0)[None]), hdr_itp[outside][None])[0]
    return distance


def _cell_numbers(itp: NDArray[np.float32]) -> NDArray[np.int32]:
    """Number of the cell each place lies in, same shape without the last axis."""
    steps = np.floor(itp * np.float32(720 / CELL_JND)).astype(np.int32)
    steps += np.array([0, CELLS // 2, CELLS // 2], np.int32)
    steps = np.clip(steps, 0, CELLS - 1)
    return np.asarray((steps[..., 0] * CELLS + steps[..., 1]) * CELLS + steps[..., 2], np.int32)


def _reached(cells: NDArray[np.int32], least: float) -> NDArray[np.int32]:
    return np.flatnonzero(np.bincount(cells.reshape(-1), minlength=CELLS**3) >= least).astype(np.int32)


@lru_cache(maxsize=16)
def set_volume_jnd3(white_nits: float) -> float:
    """Colour volume of an SDR set with BT.709 primaries and black 0.

    Parameters
    ----------
    white_nits : its white.

    Returns
    -------
    Volume in cells, JND^3; gamma does not move it.
    """
    steps = np.linspace(0, 1, SET_STEPS, dtype=np.float32) ** np.float32(2.4) * np.float32(white_nits)
    light = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), -1).reshape(SET_STEPS, -1, 3)
    itp = nits_to_itp(np.maximum(light @ conversion_matrix("bt709", "bt2020").T.astype(np.float32), 0))
    return _reached(_cell_numbers(itp), 1.0).size * CELL_JND**3


class ReachedCells:
    """Cells that the pictures of a film reach together."""

    def __init__(self, pictures: Iterable[PictureBeyond] = ()) -> None:
        self.hdr, self.sdr, self.beyond = (np.zeros(CELLS**3, bool) for _ in range(3))
        for one in pictures:
            self.add(one)

    def add(self, picture: PictureBeyond) -> None:
        """Count the cells of a further picture in."""
        self.hdr[picture.hdr_cells] = True
        self.sdr[picture.sdr_cells] = True
        self.beyond[picture.beyond_cells] = True


def pool_beyond(
    pictures: Sequence[PictureBeyond],
    *,
    weights: NDArray[np.float64],
    white_nits: float,
    coloured: bool,
    settings: Settings,
    reached: ReachedCells | None = None,
) -> BeyondSet:
    """Film figures: shares are means over matched time, volumes are of the colours that any picture reaches.

    Parameters
    ----------
    pictures : of each scored pair.
    weights : matched time each stands for.
    white_nits : SDR white at `controls`.
    coloured : False for a black-and-white film.
    settings : the least share of a picture that counts as time.
    reached : cells that they reach together; None where they are to be counted here.

    Returns
    -------
    BeyondSet; `not_applicable` for a black-and-white film.
    """
    if not coloured:
        return BeyondSet("not_applicable")
    reached = ReachedCells(pictures) if reached is None else reached
    by_level = column(pictures, "saturated_by_level")
    moderate = by_level[:, BAND_NAMES.index(MODERATE_BAND)]

    def mean(values: NDArray[np.float64]) -> float:
        return float(np.average(values, weights=weights))

    def volume(cells: NDArray[np.bool_]) -> float:
        return int(cells.sum()) * CELL_JND**3

    return BeyondSet(
        "measured",
        mean(column(pictures, "beyond_share")),
        mean(by_level.sum(1)),
        {name: mean(by_level[:, k]) for k, name in enumerate(BAND_NAMES)},
        mean(moderate),
        mean((moderate >= settings.headroom_area_share).astype(np.float64)),
        volume(reached.hdr),
        volume(reached.sdr),
        volume(reached.beyond),
        set_volume_jnd3(round(white_nits, 1)),
    )
