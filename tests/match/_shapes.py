"""Pairs of releases whose picture areas differ, with the true place of every frame of one in the other.

A release shows a box of the film in a part of its raster, bars around it; box and bars may change from passage to passage. Boxes are in
pixels of the film (480 x 270, a stand-in for 1920 x 1080), top, bottom, left, right. Nothing here calls the package under test.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import affine_transform

from tests.match._cases import film
from tests.match._films import COLUMNS, HDR, ROWS, SDR, Case, Grade, Picture, to_pq, to_sdr

Box = tuple[float, float, float, float]
Part = tuple[int, int, int, int]
WHOLE: Box = (0.0, ROWS, 0.0, COLUMNS)
WIDE = (34, 236, 0, 480)
"""The part of a 16:9 raster that a 2.39:1 picture fills, rows even."""


@dataclass(frozen=True)
class Shape:
    """How a release shows the film: a look that a `Case` can hold."""

    grade: Grade = SDR
    """Tone and grain alone; its crop, shift, size and window stay at rest."""
    raster: tuple[int, int] = (ROWS, COLUMNS)
    box: Box = WHOLE
    inside: Part | None = None
    """Part of the raster that the box fills; the whole raster by default."""
    boxes: tuple[tuple[int, int, Box], ...] = ()
    """Frames (start, stop) that show another box in the same part."""
    bars: tuple[tuple[int, int, Part], ...] = ()
    """Frames in which only this part of the raster is left, black around it."""
    captions: tuple[tuple[int, int], ...] = ()
    """Frames with a caption in the bar below."""
    bar_noise: float = 0.0
    """Standard deviation of noise in the bars, 8-bit codes."""
    pixel_aspect: Fraction = field(default=Fraction(1))

    def shown_box(self, place: int) -> Box:
        """Box of the film in a frame."""
        return next((box for start, stop, box in self.boxes if start <= place < stop), self.box)

    def part(self) -> Part:
        """Part of the raster that the box fills."""
        return self.inside or (0, self.raster[0], 0, self.raster[1])

    def lit(self, place: int) -> Part:
        """Part of the raster with picture in a frame."""
        inside = self.part()
        for start, stop, part in self.bars:
            if start <= place < stop:
                return max(inside[0], part[0]), min(inside[1], part[1]), max(inside[2], part[2]), min(inside[3], part[3])
        return inside

    def scale(self, place: int) -> tuple[tuple[float, float], tuple[float, float]]:
        """Film pixels per raster pixel, and the film place of the raster's first edge: (row, column) each."""
        box, inside = self.shown_box(place), self.part()
        rows, columns = (box[1] - box[0]) / (inside[1] - inside[0]), (box[3] - box[2]) / (inside[3] - inside[2])
        return (rows, columns), (box[0] - rows * inside[0], box[2] - columns * inside[2])

    def __call__(self, signal: Picture, place: int) -> NDArray[Any]:
        """Code values of one picture."""
        (sy, sx), (top, left) = self.scale(place)
        warp = np.array([[sx, 0, left + 0.5 * sx - 0.5], [0, sy, top + 0.5 * sy - 0.5]])
        shown = signal
        if not np.allclose(warp, [[1, 0, 0], [0, 1, 0]]):
            soft = cv2.GaussianBlur(signal, (0, 0), sigmaX=0.4 * max(sx, 0.01), sigmaY=0.4 * max(sy, 0.01)) if max(sx, sy) > 1.2 else signal
            # a spline, which puts a ramp where it belongs: OpenCV's cubic (A = -0.75) moves it by up to 0.05 pixels
            shown = affine_transform(soft, (sy, sx), (warp[1, 2], warp[0, 2]), output_shape=self.raster, order=3, mode="mirror")
        toned = self._tone(shown, place)
        top_, bottom, left_, right = self.lit(place)
        held = np.zeros(self.raster, bool)
        held[top_:bottom, left_:right] = True
        toned = np.where(held, toned, np.float32(0))
        for start, stop in self.captions:
            if start <= place < stop:
                self._write(toned, bottom, place // 30)
        codes = to_pq(toned, white_nits=self.grade.white_nits) if self.grade.hdr else to_sdr(toned)
        return self._noisy(codes, held, place)

    def _tone(self, shown: Picture, place: int) -> Picture:
        """The grade's tone and grain, as `Grade` makes them."""
        toned = self.grade._tone(shown)
        if self.grade.grain:
            rng = np.random.default_rng((self.grade.seed, place))
            noise = cv2.GaussianBlur(rng.normal(size=toned.shape).astype(np.float32), (0, 0), 0.6)
            toned = toned + np.float32(self.grade.grain / 2) * noise / noise.std()
        return np.asarray(toned, np.float32)

    def _write(self, picture: Picture, bottom: int, number: int) -> None:
        words = ("THE LAMP IS OUT", "WHO CARRIED THE OIL TO THE QUAY LAST NIGHT", "NOBODY", "AND YET IT BURNED")[number % 4]
        size = 0.5
        (wide, _), _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, size, 1)
        place = ((picture.shape[1] - wide) // 2, min(bottom + 20, picture.shape[0] - 4))
        drawn = np.zeros(picture.shape, np.uint8)
        cv2.putText(drawn, words, place, cv2.FONT_HERSHEY_SIMPLEX, size, 200, 1, cv2.LINE_AA)
        np.maximum(picture, drawn / np.float32(255), out=picture)

    def _noisy(self, codes: NDArray[Any], held: NDArray[np.bool_], place: int) -> NDArray[Any]:
        if not self.bar_noise:
            return codes
        step = 4 if codes.dtype == np.uint16 else 1
        noise = np.rint(np.random.default_rng((9, place)).normal(0, self.bar_noise * step, codes.shape))
        return np.where(held, codes, (codes.astype(int) + noise.astype(int)).clip(step, 254 * step)).astype(codes.dtype)


def to_shape(look: Any) -> Shape:
    """A plain `Grade` as a shape: where it shows which part of the film."""
    if isinstance(look, Shape):
        return look
    if not isinstance(look, Grade):  # letterboxed HDR of the film's own size (`tests/match/_cases.py`, variable ratio HDR)
        edge = round(ROWS * 0.254 / 2)
        wide = (edge, ROWS - edge, 0, COLUMNS)
        return Shape(HDR, bars=((0, 200, wide), (420, 600, wide), (700, 10**9, wide)))
    top, bottom, left, right = (e * side for e, side in zip(look.window, (ROWS, ROWS, COLUMNS, COLUMNS), strict=True))
    cut, unit = look.crop / 2, COLUMNS / 1920
    box = (top + cut * ROWS, bottom - cut * ROWS, left + cut * COLUMNS, right - cut * COLUMNS)
    moved = tuple(edge + unit * look.shift[1 if place < 2 else 0] for place, edge in enumerate(box))
    return Shape(look, raster=(round((bottom - top) * look.size), round((right - left) * look.size)), box=moved)  # type: ignore[arg-type]


def exact(case: Case) -> Case:
    """A case whose looks are drawn by a spline: `Grade` draws with a kernel that moves the picture by up to 0.16 pixels at 1920."""
    return replace(case, hdr_look=to_shape(case.hdr_look), sdr_look=to_shape(case.sdr_look))


@dataclass(frozen=True)
class Truth:
    """Where a frame of the SDR release lies in its partner: hdr = shift + scale x sdr, (row, column), pixel edges."""

    scale: tuple[float, float]
    shift: tuple[float, float]
    sdr_common: Box
    """What both show, SDR pixels."""

    def worst_pixels(self, *, scale: tuple[float, float], shift: tuple[float, float], hdr_columns: float) -> float:
        """Farthest that another map puts a corner of the common picture, pixels of an HDR picture 1920 wide."""
        edges = self.sdr_common
        apart = [
            abs(shift[axis] - self.shift[axis] + edge * (scale[axis] - self.scale[axis]))
            for axis in (0, 1)
            for edge in edges[2 * axis : 2 * axis + 2]
        ]
        return max(apart) * 1920 / hdr_columns


def true_place(hdr: Shape, sdr: Shape, *, hdr_frame: int, sdr_frame: int) -> Truth:
    """Truth of one pair."""
    (hdr_scale, hdr_shift), (sdr_scale, sdr_shift) = hdr.scale(hdr_frame), sdr.scale(sdr_frame)
    scale = tuple(s / h for s, h in zip(sdr_scale, hdr_scale, strict=True))
    shift = tuple((s - h) / unit for s, h, unit in zip(sdr_shift, hdr_shift, hdr_scale, strict=True))
    first, second = hdr.lit(hdr_frame), sdr.lit(sdr_frame)
    common: list[float] = []
    for axis in (0, 1):
        low, high = ((edge - shift[axis]) / scale[axis] for edge in first[2 * axis : 2 * axis + 2])
        common += [max(low, second[2 * axis]), min(high, second[2 * axis + 1])]
    return Truth(scale, shift, tuple(common))  # type: ignore[arg-type]


# ---------------------------------------------------------------- cases

_OPEN = ((0, 200, WIDE), (420, 600, WIDE), (700, 10**9, WIDE))
"""Wide but for two passages."""
_OPEN_SDR = tuple((max(start - 37, 0), stop - 37 if stop < 10**9 else stop, part) for start, stop, part in _OPEN)
"""The same pictures 37 frames earlier."""
_SHIFTED = (1.5, ROWS + 1.5, -2.0, COLUMNS - 2.0)


def _zoomed(share: float) -> Box:
    return share / 2 * ROWS, ROWS - share / 2 * ROWS, share / 2 * COLUMNS, COLUMNS - share / 2 * COLUMNS


def shape_cases() -> Iterator[Case]:
    """Cases of geometry."""
    hdr, sdr = film(0, 900), film(37, 960)
    wide, plain, bright = Shape(inside=WIDE, box=WIDE), Shape(), Shape(HDR)
    yield Case("variable ratio SDR, HDR cropped", hdr, sdr, Shape(HDR, raster=(202, 480), box=WIDE), Shape(bars=_OPEN_SDR))
    yield Case("variable ratio SDR, HDR open", hdr, sdr, bright, Shape(bars=_OPEN_SDR))
    yield Case("variable ratio HDR, SDR open", hdr, sdr, Shape(HDR, bars=_OPEN), plain)
    yield Case("variable ratio HDR, SDR bars", hdr, sdr, Shape(HDR, bars=_OPEN), wide)
    yield Case("variable ratio both", hdr, sdr, Shape(HDR, bars=_OPEN), Shape(bars=_OPEN_SDR))
    yield Case(
        "variable ratio both, 30 frames apart", hdr, sdr, Shape(HDR, bars=_OPEN), Shape(bars=tuple((a, b + 30, c) for a, b, c in _OPEN_SDR))
    )
    yield Case("pillarbox 4:3 in 16:9", hdr, sdr, bright, Shape(inside=(0, 270, 60, 420), box=(0, 270, 60, 420)))
    yield Case(
        "pillarbox in HDR, half size 4:3",
        hdr,
        sdr,
        Shape(HDR, inside=(0, 270, 60, 420), box=(0, 270, 60, 420)),
        Shape(raster=(135, 180), box=(0, 270, 60, 420)),
    )
    yield Case("anamorphic 64:45", hdr, sdr, bright, Shape(raster=(240, 300), pixel_aspect=Fraction(64, 45)))
    yield Case("anamorphic 16:15, 4:3", hdr, sdr, bright, Shape(raster=(240, 300), box=(0, 270, 60, 420), pixel_aspect=Fraction(16, 15)))
    yield Case(
        "anamorphic 64:45, letterbox",
        hdr,
        sdr,
        Shape(HDR, raster=(202, 480), box=WIDE),
        Shape(raster=(240, 300), inside=(30, 210, 0, 300), box=(33.75, 236.25, 0, 480), pixel_aspect=Fraction(64, 45)),
    )
    yield Case("3:2 scale, crop 3 %", hdr, sdr, bright, Shape(raster=(180, 320), box=_zoomed(0.03)))
    yield Case(
        "shift 3.5 px, crop 4 %",
        hdr,
        sdr,
        bright,
        Shape(box=tuple(e + m for e, m in zip(_zoomed(0.04), (-0.875, -0.875, 0.875, 0.875), strict=True))),
    )  # type: ignore[arg-type]
    yield Case(
        "dark film with bars",
        hdr,
        sdr,
        Shape(Grade(hdr=True, gamma=3.0), inside=WIDE, box=WIDE),
        Shape(Grade(gamma=3.0), raster=(202, 480), box=WIDE),
    )
    yield Case(
        "letterbox, caption in the bar",
        hdr,
        sdr,
        Shape(HDR, inside=WIDE, box=WIDE),
        Shape(inside=WIDE, box=WIDE, captions=((60, 150), (200, 330), (400, 640))),
    )
    yield Case(
        "letterbox, noise in the bars", hdr, sdr, Shape(HDR, inside=WIDE, box=WIDE, bar_noise=2.0), Shape(raster=(202, 480), box=WIDE)
    )
    yield Case("crop 10 %, CRF 30", hdr, sdr, HDR, Grade(crop=0.1), crf=30)
    yield Case("crop 10 %, off the middle, gamma, CRF 32", hdr, sdr, HDR, Shape(Grade(gamma=1.25), box=(10.3, 253.3, 20.6, 452.6)), crf=32)
    yield Case("variable ratio SDR, CRF 30", hdr, sdr, bright, Shape(bars=_OPEN_SDR), crf=30)
    yield Case("a passage shifted by 8 px", hdr, sdr, bright, Shape(boxes=((263, 463, _SHIFTED),)))
    yield Case("a passage zoomed by 2 %", hdr, sdr, bright, Shape(boxes=((263, 463, _zoomed(0.02)),)))
    yield Case(
        "a passage shifted by 3 px, CRF 30",
        hdr,
        sdr,
        bright,
        Shape(boxes=((263, 463, (0.75, ROWS + 0.75, -0.75, COLUMNS - 0.75)),)),
        crf=30,
    )
    yield Case(
        "pan and scan, cut by cut",
        hdr,
        sdr,
        bright,
        Shape(raster=(270, 360), box=(0, 270, 60, 420), boxes=((263, 463, (0, 270, 20, 380)), (463, 663, (0, 270, 95, 455)))),
    )
