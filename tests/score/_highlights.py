"""Scenes with planted highlights, HDR light and the SDR signal that two kinds of grade make of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from pairdiff.light.transfer import nits_to_pq, pq_to_nits
from tests._clips import PQ_TAGS, SDR_TAGS, encode_clip
from tests.score._pairs import TO_2020, make_signal
from tests.whole._films import BT709, BT2020, hdr_planes, sdr_planes

ROWS, COLUMNS, PIXELS_PER_DEGREE = 180, 320, 28.3
WHITE_NITS = 100.0
HIGHLIGHT_NITS = (180.0, 280.0, 440.0, 700.0)
Floats = NDArray[np.floating[Any]]


def ripples(jnd: float, *, period_pixels: float = 12.0) -> Floats:
    """A pattern of mean 0 whose standard deviation is `jnd` (|dPQ| x 720): two crossed sine waves."""
    row, column = np.mgrid[0:ROWS, 0:COLUMNS]
    turn = 2 * np.pi / period_pixels
    return np.asarray(jnd * (np.sin(turn * (column + 0.4 * row)) + np.sin(turn * (row - 0.4 * column))))


def highlight_box(number: int, *, area_share: float) -> NDArray[np.bool_]:
    """Where the highlights of a picture lie: one box whose area is that share of the picture, elsewhere in each picture."""
    side = round(float(np.sqrt(area_share * ROWS * COLUMNS)))
    top, left = 12 + 23 * number, 20 + 61 * number
    box = np.zeros((ROWS, COLUMNS), bool)
    box[top : top + side, left : left + side] = True
    return box


def scene(number: int, *, area_share: float = 0.01, jnd: float = 8.0) -> Floats:
    """Linear BT.709 light, cd/m2: a coloured ground up to 90 cd/m2 and a neutral highlight, 180 to 700 by picture, with such ripples."""
    ground = 90.0 * make_signal(number, rows=ROWS, columns=COLUMNS, top=1.0).astype(np.float64) ** 2.4
    lit = pq_to_nits(nits_to_pq(HIGHLIGHT_NITS[number % 4]) + ripples(jnd) / 720)
    return np.where(highlight_box(number, area_share=area_share)[..., None], lit[..., None], ground)


def clip_grade(light: Floats) -> Floats:
    """SDR signal that is the light up to white and clips there."""
    return np.asarray(np.minimum(light / WHITE_NITS, 1) ** (1 / 2.4))


def shoulder_grade(light: Floats, *, knee: float = 0.65, top: float = 1.05) -> Floats:
    """SDR signal that is the light up to a knee and rolls off above it: it never reaches its top, and clips nowhere."""
    code = (light / WHITE_NITS) ** (1 / 2.4)
    room = top - knee
    over = np.maximum(code - knee, 0)
    return np.asarray(np.where(code > knee, knee + room * over / (over + room), code))


def grain(shape: tuple[int, ...], *, seed: int, sigma_pixels: float = 0.7) -> Floats:
    """Grain of standard deviation 1, a little wider than a pixel, the same in the three channels."""
    noise = np.asarray(gaussian_filter(np.random.default_rng(seed).normal(size=shape[:2]), sigma_pixels))
    return np.asarray(np.repeat((noise / noise.std())[..., None], 3, -1))


def add_grain(light: Floats, *, jnd: float, seed: int) -> Floats:
    """Grain of that strength (|dPQ| x 720) laid on light, before any grade clips it."""
    return np.asarray(pq_to_nits(np.clip(nits_to_pq(light) + jnd / 720 * grain(light.shape, seed=seed), 0, 1)))


def pair_of(lights: list[Floats], codes: list[Floats]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Stacks as `compare_pictures` takes them: linear BT.2020 light, and signal rounded to 8 bits."""
    hdr = np.clip(np.stack(lights) @ TO_2020.T, 0, 10_000)
    return hdr.astype(np.float32), (np.round(np.stack(codes) * 219) / 219).astype(np.float32)


def code_and_decode(lights: list[Floats], codes: list[Floats], folder: Path) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The same pictures out of an HEVC and an H.264 file; the codes are turned back by the arithmetic of this file."""
    options = {"preset": "fast", "crf": "16"}
    hdr_light = [np.clip(light @ TO_2020.T, 0, 10_000) for light in lights]
    hdr = encode_clip(folder / "hdr.mkv", map(hdr_planes, hdr_light), tags=PQ_TAGS, options=options)
    sdr = encode_clip(folder / "sdr.mkv", map(sdr_planes, codes), codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS, options=options)
    return np.clip(pq_to_nits(_signals(hdr, 4, BT2020)), 0, 10_000).astype(np.float32), _signals(sdr, 1, BT709).astype(np.float32)


def _signals(path: Path, step: int, weights: tuple[float, float]) -> Floats:
    """R'G'B' signal of every frame; chroma is repeated, which is enough for neutral highlights."""
    kr, kb = weights
    pictures = []
    with av.open(str(path)) as file:
        for frame in file.decode(video=0):
            rows, columns = frame.height, frame.width
            planes = frame.to_ndarray().astype(np.float64) / step
            luma = (planes[:rows] - 16) / 219
            small = [plane.reshape(rows // 2, columns // 2) for plane in np.split(planes[rows:], 2)]
            cb, cr = ((np.repeat(np.repeat(plane, 2, 0), 2, 1) - 128) / 224 for plane in small)
            red, blue = luma + 2 * (1 - kr) * cr, luma + 2 * (1 - kb) * cb
            pictures.append(np.stack([red, (luma - kr * red - kb * blue) / (1 - kr - kb), blue], -1))
    return np.clip(np.stack(pictures), 0, 1.09)
