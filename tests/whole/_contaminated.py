"""Releases with things in them that are not the film's picture, planted by construction: logos, bright pixels, flashes, subtitles.

The film itself is always the same: its HDR release is the SDR picture on a set of 100 cd/m2 and gamma 2.4 (BT.1886), relabelled.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

import pairdiff
from pairdiff import Comparison
from pairdiff._demo.grade import BT709_TO_BT2020
from tests.whole._films import Floats, encode_hdr, encode_sdr, hdr_planes, sdr_planes

ROWS, COLUMNS = 180, 320
SHOTS, SHOT_FRAMES = 8, 20
FRAMES = SHOTS * SHOT_FRAMES
RATE = 24
WHITE_NITS = 100.0
BLACK_FRAMES = 4
QUICK = pairdiff.Settings(screen_pairs=1, support_draws=200)

Edit = Callable[[int, Floats], Floats]
"""Frame number of the film and its light in cd/m2 (or SDR signal) to what the release shows instead."""


class Head(NamedTuple):
    """Pictures in front of the film, or behind it."""

    hdr_nits: Sequence[Floats]
    sdr_signal: Sequence[Floats]


@cache
def film() -> tuple[Floats, ...]:
    """SDR signal of every frame: coloured clouds that drift, another field in every shot, its lights at SDR white."""
    return tuple(picture for shot in range(SHOTS) for picture in _drift(shot))


def _drift(seed: int) -> Iterator[Floats]:
    noise = np.random.default_rng(seed).normal(size=(ROWS + 20, COLUMNS + 50, 3))
    field = gaussian_filter(noise, (9, 9, 0)) + 0.25 * gaussian_filter(noise, (2.5, 2.5, 0))
    field += 1.5 * gaussian_filter(noise.mean(-1), 12)[..., None]
    field = 0.45 + 0.24 * field / field.std()
    for frame in range(SHOT_FRAMES):
        yield np.clip(field[frame // 2 : frame // 2 + ROWS, 2 * frame : 2 * frame + COLUMNS], 0.02, 1.0)


def as_light(signal: Floats, *, white_nits: float = WHITE_NITS) -> Floats:
    """BT.2020 light, cd/m2, of an SDR picture on a set of gamma 2.4."""
    return np.asarray(white_nits * np.maximum(signal, 0) ** 2.4 @ BT709_TO_BT2020.T)


def logo(*, frames: int = 14) -> list[Floats]:
    """A bright ring and a word-like row of bars that grow on black, signal 0 to 1, with black behind."""
    y, x = np.mgrid[0:ROWS, 0:COLUMNS].astype(np.float64)
    made = []
    for number in range(frames):
        radius = np.hypot(x - COLUMNS / 2, y - ROWS / 2.4)
        ring = np.abs(radius - 20 - 2.0 * number) < 7
        bars = (np.abs(y - 0.8 * ROWS) < 9) & (x % 22 < 12) & (np.abs(x - COLUMNS / 2) < 40 + 5 * number)
        made.append(np.repeat((ring | bars)[..., None].astype(np.float64), 3, axis=2))
    return made + [np.zeros((ROWS, COLUMNS, 3))] * BLACK_FRAMES


def encode_pair(
    folder: Path,
    *,
    head: Head | None = None,
    tail: Head | None = None,
    hdr_edit: Edit | None = None,
    sdr_edit: Edit | None = None,
    name: str = "pair",
) -> tuple[Path, Path]:
    """Both releases as files."""
    hdr, sdr = folder / f"{name}-hdr.mkv", folder / f"{name}-sdr.mp4"
    before, behind = head or Head((), ()), tail or Head((), ())

    def lights() -> Iterator[Floats]:
        yield from before.hdr_nits
        for number, signal in enumerate(film()):
            light = as_light(signal)
            yield light if hdr_edit is None else hdr_edit(number, light)
        yield from behind.hdr_nits

    def signals() -> Iterator[Floats]:
        yield from before.sdr_signal
        for number, signal in enumerate(film()):
            yield signal if sdr_edit is None else sdr_edit(number, signal)
        yield from behind.sdr_signal

    encode_hdr(hdr, (hdr_planes(one) for one in lights()))
    encode_sdr(sdr, (sdr_planes(one) for one in signals()))
    return hdr, sdr


TEXTS = (
    "We sailed at dawn",
    "Nobody saw the light",
    "Come back on Sunday",
    "The orchard is made",
    "Leave the gate open",
    "Who else was there?",
    "Only the gardener",
    "of glass, he said",
)


def letters(text: str, *, row: int = 160, size: float = 0.55) -> Floats:
    """How much of each pixel a line of text covers, (row, column, 1), drawn by another library's font; by default at the foot."""
    mask = np.zeros((ROWS, COLUMNS), np.uint8)
    (width, _), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 2)
    cv2.putText(mask, text, ((COLUMNS - width) // 2, row), cv2.FONT_HERSHEY_SIMPLEX, size, 255, 2, cv2.LINE_AA)
    return (mask / 255.0)[..., None]


def subtitles(level: float | Floats, *, rows: Sequence[int] = (160,), box: float | None = None) -> Edit:
    """A text of one line or more over every third stretch of two thirds of a second, each another one; a third of the film in all.

    `level` is light or signal, grey or of three channels; `box` darkens the picture behind by this factor.
    """

    def edit(frame: int, picture: Floats) -> Floats:
        number = frame // 16
        if number % 3 != 1:
            return picture
        mask = np.maximum.reduce([letters(TEXTS[(number + n) % len(TEXTS)], row=row) for n, row in enumerate(rows)])
        if box is not None:
            down, across = np.nonzero(mask[..., 0])
            picture = picture.copy()
            picture[down.min() - 6 : down.max() + 7, across.min() - 6 : across.max() + 7] *= box
        return picture * (1 - mask) + level * mask

    return edit


def letterboxed(edit: Edit) -> Edit:
    """The picture between black bars of 24 rows, and the edit on top."""

    def within(frame: int, picture: Floats) -> Floats:
        picture = picture.copy()
        picture[:24] = picture[-24:] = 0
        return edit(frame, picture)

    return within


def unchanged(frame: int, picture: Floats) -> Floats:
    """The film as it is."""
    del frame
    return picture


def crawl(level: float) -> Edit:
    """A line that runs from right to left at the foot of the picture, through the whole film."""
    strip = np.zeros((ROWS, COLUMNS + 4 * FRAMES), np.uint8)
    cv2.putText(strip, "  ".join(TEXTS), (10, 168), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 255, 2, cv2.LINE_AA)

    def edit(frame: int, picture: Floats) -> Floats:
        mask = (strip[:, 4 * frame : 4 * frame + COLUMNS] / 255.0)[..., None]
        return picture * (1 - mask) + level * mask

    return edit


def signs(level: float, *, kind: str) -> Edit:
    """Lettering or a row of lit windows in every second shot, which moves with the picture: part of the scene."""
    windows = np.zeros((ROWS, COLUMNS, 1))
    for column in range(60, 260, 14):
        windows[148:158, column + 30 : column + 36] = 1

    def edit(frame: int, picture: Floats) -> Floats:
        shot, place = divmod(frame, SHOT_FRAMES)
        if shot % 2 == 0:
            return picture
        text = "OPEN LATE" if kind == "one sign" else TEXTS[(shot // 2) % len(TEXTS)]
        mask = windows if kind == "windows" else letters(text, row=150, size=0.8)
        mask = np.roll(mask, -2 * place, axis=1)
        return picture * (1 - mask) + level * mask

    return edit


NAMES = ("Grip", "Baker", "Sound", "Orchard keeper", "Glass", "Second unit", "Painter", "Colour", "Loader", "Gardener", "Ropes", "Lamps")


def rolling_credits(*, frames: int = 48, step: int, size: float) -> list[Floats]:
    """Lines of white text that rise on black by `step` rows a frame, signal 0 to 1, black before them."""
    strip = np.zeros((ROWS + step * frames + 20, COLUMNS), np.uint8)
    for number, row in enumerate(range(ROWS // 2, strip.shape[0] - 10, 22)):
        text = f"{NAMES[number % len(NAMES)]} {chr(65 + number)}."
        (width, _), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 1)
        cv2.putText(strip, text, ((COLUMNS - width) // 2, row), cv2.FONT_HERSHEY_SIMPLEX, size, 255, 1, cv2.LINE_AA)
    shown = [np.repeat((strip[step * n : step * n + ROWS] / 255.0)[..., None], 3, axis=2) for n in range(frames)]
    return [np.zeros((ROWS, COLUMNS, 3))] * BLACK_FRAMES + shown


def pixel(frame: int, *, moves: bool) -> tuple[int, int]:
    """Row and column of one bright pixel."""
    return ((7 * frame) % 170 + 5, (13 * frame) % 300 + 10) if moves else (60, 90)


def compare_pair(folder: Path, *, out: Path | None = None, settings: pairdiff.Settings | None = None, **planted: Any) -> Comparison:
    """Compare a planted pair; one home display and fewer draws, which nothing here is about."""
    hdr, sdr = encode_pair(folder, **planted)
    return pairdiff.compare(hdr, sdr, out=out, title="The Glass Orchard", settings=settings or QUICK)
