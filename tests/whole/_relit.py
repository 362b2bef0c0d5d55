"""Releases whose SDR set-up is planted: the SDR picture shown at a white and a gamma, as an HDR release, through real encoders."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path

import cv2
import numpy as np

import pairdiff
from pairdiff import Comparison
from pairdiff._demo import grade
from pairdiff._demo.shots import FRAMES_PER_SHOT, SHOTS
from tests._clips import Planes
from tests.whole._films import Floats, encode_hdr, encode_sdr, hdr_planes, sdr_planes

FRAMES = 8
SIZE = (640, 268)
PEAK_NITS = 1000.0


@cache
def scenes() -> tuple[tuple[str, Floats], ...]:
    """Shot and scene-linear BT.2020 light of every frame of the demo film, painted at a quarter of its size."""
    made = []
    for shot, build in SHOTS.items():
        draw = build()
        for number in range(FRAMES):
            picture = np.ascontiguousarray(draw(number * FRAMES_PER_SHOT // FRAMES), np.float32)
            made.append((shot, cv2.resize(picture, SIZE, interpolation=cv2.INTER_AREA).astype(np.float64)))
    return tuple(made)


@cache
def signals() -> tuple[Floats, ...]:
    """The SDR release as 8-bit signal."""
    return tuple(np.round(grade.grade_sdr(scene) * 219) / 219 for _, scene in scenes())


def relit(signal: Floats, *, white: float = 180.0, gamma: float = 2.3) -> Floats:
    """The light of an SDR picture on a set, BT.2020, cd/m2."""
    return white * np.maximum(signal, 0) ** gamma @ grade.BT709_TO_BT2020.T


def with_highlights(scene: Floats, signal: Floats, light: Floats, *, white: float) -> Floats:
    """Light above the SDR's shoulder follows the scene up to `PEAK_NITS`."""
    scene_level, level = scene.max(-1), signal.max(-1)
    edge = float(np.median(scene_level[np.abs(level - 0.95) < 0.01])) if (np.abs(level - 0.95) < 0.01).any() else float(scene_level.max())
    return np.minimum(light * np.clip(scene_level / edge, 1, PEAK_NITS / white)[..., None], PEAK_NITS)


def compare_relit(folder: Path, *, white: float, gamma: float, highlights: bool = False) -> Comparison:
    """Compare the SDR release with itself shown at a planted set-up; with highlights in every fifth frame if asked for."""

    def pictures() -> Iterator[Planes]:
        for number, ((_, scene), signal) in enumerate(zip(scenes(), signals(), strict=True)):
            light = relit(signal, white=white, gamma=gamma)
            yield hdr_planes(with_highlights(scene, signal, light, white=white) if highlights and number % 5 == 2 else light)

    hdr = encode_hdr(folder / "hdr.mkv", pictures())
    sdr = folder / "sdr.mp4"
    if not sdr.is_file():
        encode_sdr(sdr, (sdr_planes(one) for one in signals()))
    return pairdiff.compare(hdr, sdr, full=True)
