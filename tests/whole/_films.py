"""Short films as real files: pictures in light or signal, turned into code values by arithmetic of this file, encoded by real encoders."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests._clips import PQ_TAGS, SDR_TAGS, Planes, encode_clip

Floats = NDArray[np.floating[Any]]
BT709, BT2020 = (0.2126, 0.0722), (0.2627, 0.0593)
"""Luma weights Kr, Kb of BT.709-6 and BT.2020-2."""

QUALITY = {"preset": "fast", "crf": "18"}


def light_to_pq(nits: Floats) -> Floats:
    """PQ signal of absolute light in cd/m2 (SMPTE ST 2084)."""
    share = np.clip(nits / 10_000, 0, 1) ** (2610 / 16384)
    return np.asarray(((3424 / 4096 + 2413 / 128 * share) / (1 + 2392 / 128 * share)) ** (2523 / 32))


def planes_of_signal(rgb: Floats, *, weights: tuple[float, float], bits: int, siting: str) -> tuple[NDArray[np.uint16], ...]:
    """R'G'B' signal as narrow-range 4:2:0 code values; chroma sited `left` or `top-left`, averaged over its neighbours (1 2 1)."""
    kr, kb = weights
    red, green, blue = np.moveaxis(np.asarray(rgb, np.float64), -1, 0)
    luma = kr * red + (1 - kr - kb) * green + kb * blue
    step = 2 ** (bits - 8)
    planes = [16 + 219 * luma]
    for colour, share in ((blue, kb), (red, kr)):
        wide = np.pad((colour - luma) / (2 - 2 * share), 1, mode="edge")
        across = (wide[:, :-2] + 2 * wide[:, 1:-1] + wide[:, 2:]) / 4
        if siting == "top-left":
            small = ((across[:-2] + 2 * across[1:-1] + across[2:]) / 4)[::2, ::2]
        else:
            small = (across[1:-1:2, ::2] + across[2::2, ::2]) / 2
        planes.append(128 + 224 * small)
    kind = np.uint16 if bits > 8 else np.uint8
    return tuple(np.clip(np.rint(plane * step), step, 255 * step - 1).astype(kind) for plane in planes)


def hdr_planes(nits: Floats) -> tuple[NDArray[np.uint16], ...]:
    """BT.2020 light in cd/m2 as 10-bit PQ code values."""
    return planes_of_signal(light_to_pq(nits), weights=BT2020, bits=10, siting="top-left")


def sdr_planes(signal: Floats) -> tuple[NDArray[np.uint16], ...]:
    """BT.709 R'G'B' signal as 8-bit code values."""
    return planes_of_signal(signal, weights=BT709, bits=8, siting="left")


def pan(planes: Planes, *, count: int, step: int = 12) -> Iterator[Planes]:
    """A picture whose ends meet, turned by `step` luma columns a frame; `step` is even, so that chroma turns by whole samples."""
    for number in range(count):
        yield [np.roll(plane, -number * step * plane.shape[1] // planes[0].shape[1], axis=1) for plane in planes]


def encode_hdr(
    path: Path, pictures: Iterable[Planes], *, options: Mapping[str, str] = QUALITY, rate: Fraction | int = 24, params: str = ""
) -> Path:
    """HEVC 10-bit PQ at a constant rate factor of 18."""
    return encode_clip(path, pictures, codec="libx265", pix_fmt="yuv420p10le", tags=PQ_TAGS, options=options, rate=rate, params=params)


def encode_sdr(
    path: Path, pictures: Iterable[Planes], *, options: Mapping[str, str] = QUALITY, rate: Fraction | int = 24, params: str = ""
) -> Path:
    """H.264 8-bit BT.709 at a constant rate factor of 18."""
    return encode_clip(path, pictures, codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS, options=options, rate=rate, params=params)
