"""Films for surveys that are shaped otherwise: bars, other sizes and areas, words laid over, credits. Edits are made on code values."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np

from tests._clips import PQ_TAGS, SDR_TAGS, Planes, encode_clip
from tests.whole._films import hdr_planes, sdr_planes
from tests.whole._survey_films import CLOSED, QUICK, TO_2020, make_scene, to_signal, turned

Edit = Callable[[int, int, Planes], Planes]
"""Number of a scene, of a frame in it, and the code values, to those that the release shows."""


def unchanged(scene: int, frame: int, planes: Planes) -> Planes:
    """The picture as it is."""
    del scene, frame
    return planes


def black_of(planes: Planes) -> tuple[int, int]:
    """Luma and chroma of black in narrow range (ITU-R BT.2100-2, table 9; BT.709-6, 4.6)."""
    step = 4 if planes[0].dtype == np.uint16 else 1
    return 16 * step, 128 * step


def bars(*, rows: int = 0, columns: int = 0, scenes: Callable[[int], bool] = lambda scene: True) -> Edit:
    """Black bars of so many luma rows above and below, and columns at the sides."""

    def edit(scene: int, frame: int, planes: Planes) -> Planes:
        del frame
        if not scenes(scene):
            return planes
        made = []
        for plane, black in zip(planes, (black_of(planes)[0], *[black_of(planes)[1]] * 2), strict=True):
            part = plane.shape[0] / planes[0].shape[0]
            down, across = round(rows * part), round(columns * part)
            framed = np.full_like(plane, black)
            inside = slice(down, plane.shape[0] - down), slice(across, plane.shape[1] - across)
            framed[inside] = plane[inside]
            made.append(framed)
        return made

    return edit


def trimmed(*, rows: int = 0, columns: int = 0) -> Edit:
    """The picture without so many luma rows above and below, and columns at the sides."""

    def edit(scene: int, frame: int, planes: Planes) -> Planes:
        del scene, frame
        made = []
        for plane in planes:
            part = plane.shape[0] / planes[0].shape[0]
            down, across = round(rows * part), round(columns * part)
            made.append(plane[down : plane.shape[0] - down, across : plane.shape[1] - across])
        return made

    return edit


def resized(*, rows: int, columns: int, crop: float = 0.0, scenes: Callable[[int], bool] = lambda scene: True) -> Edit:
    """The picture less a share at each edge, at another size (an even number of rows and columns)."""

    def edit(scene: int, frame: int, planes: Planes) -> Planes:
        del frame
        if not scenes(scene):
            return planes
        made = []
        for number, plane in enumerate(planes):
            down, across = (round(crop * size) for size in plane.shape)
            inside = np.ascontiguousarray(plane[down : plane.shape[0] - down, across : plane.shape[1] - across]).astype(np.float32)
            size = (columns, rows) if number == 0 else (columns // 2, rows // 2)
            small = size[0] <= inside.shape[1] and size[1] <= inside.shape[0]
            scaled = cv2.resize(inside, size, interpolation=cv2.INTER_AREA if small else cv2.INTER_CUBIC)
            made.append(np.clip(np.rint(scaled), 0, np.iinfo(plane.dtype).max).astype(plane.dtype))
        return made

    return edit


def laid_over(text: Callable[[int], str | None], *, code: float, row: float = 0.9, column: float | None = None, size: float = 0.7) -> Edit:
    """Words over the picture, of a luma of 0 to 1 of its range, by a library's font; in the middle unless a column is named."""

    def edit(scene: int, frame: int, planes: Planes) -> Planes:
        del frame
        words = text(scene)
        if words is None:
            return planes
        rows, columns = planes[0].shape
        mask = np.zeros((rows, columns), np.uint8)
        (width, _), _ = cv2.getTextSize(words, cv2.FONT_HERSHEY_SIMPLEX, size, 2)
        left = (columns - width) // 2 if column is None else round(column * columns)
        cv2.putText(mask, words, (left, round(row * rows)), cv2.FONT_HERSHEY_SIMPLEX, size, 255, 2, cv2.LINE_AA)
        cover = mask / 255.0
        small = cv2.resize(cover, (columns // 2, rows // 2), interpolation=cv2.INTER_AREA)
        black, grey = black_of(planes)
        level = black + code * black / 16 * 219
        made = [planes[0] * (1 - cover) + level * cover, *(plane * (1 - small) + grey * small for plane in planes[1:])]
        return [np.rint(one).astype(plane.dtype) for one, plane in zip(made, planes, strict=True)]

    return edit


def one_after_other(*edits: Edit) -> Edit:
    """Edits in a row."""

    def edit(scene: int, frame: int, planes: Planes) -> Planes:
        for one in edits:
            planes = one(scene, frame, planes)
        return planes

    return edit


def film(scenes: Sequence[int], kind: str, edit: Edit = unchanged) -> Iterator[Planes]:
    """Code values of scenes, each of one second: `hdr` in wider range, `container` an SDR picture in an HDR container, or `sdr`."""
    for scene in scenes:
        light = make_scene(scene)
        signal = to_signal(light)
        planes = {
            "hdr": lambda light=light: hdr_planes(light @ TO_2020.T),
            "container": lambda signal=signal: hdr_planes(180 * signal**2.4 @ TO_2020.T),
            "sdr": lambda signal=signal: sdr_planes(signal),
        }[kind]()
        for frame, picture in enumerate(turned(planes)):
            yield edit(scene, frame, picture)


def encode(path: Path, pictures: Iterator[Planes], *, is_hdr: bool, params: str = CLOSED, **how: Any) -> Path:
    """HEVC of 10 bits, or H.264 of 8."""
    how = {"options": QUICK, "params": params, **how}
    if is_hdr:
        return encode_clip(path, pictures, codec="libx265", pix_fmt="yuv420p10le", tags=PQ_TAGS, **how)
    return encode_clip(path, pictures, codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS, **how)


def roll_credits(kind: str, *, frames: int, nits: float = 300, step: int = 2, rows: int = 216, columns: int = 384) -> Iterator[Planes]:
    """Light words on black that roll by some rows a frame; of `nits` in wider range, SDR white otherwise."""
    strip = np.zeros((2 * rows + step * frames, columns), np.uint8)
    for number, row in enumerate(range(rows, strip.shape[0], 18)):
        words = f"{chr(65 + number % 26)}{number % 7}rwell  {number * 37 % 1000}"
        cv2.putText(strip, words, (60 + number * 29 % 120, row), cv2.FONT_HERSHEY_SIMPLEX, 0.5, 255, 1, cv2.LINE_AA)
    for number in range(frames):
        cover = (strip[step * number : step * number + rows] / 255.0)[..., None].repeat(3, axis=-1)
        if kind == "sdr":
            yield sdr_planes(cover)
        else:
            yield hdr_planes((nits if kind == "hdr" else 180) * cover**2.4)


def logo(kind: str, *, frames: int, row: int, rows: int = 216, columns: int = 384) -> Iterator[Planes]:
    """A ring that grows over a row of bars on black; 600 cd/m2 in wider range, SDR white otherwise."""
    y, x = np.mgrid[0:rows, 0:columns]
    for number in range(frames):
        ring = np.abs(np.hypot(x - columns / 2, y - row) - 20 - 0.15 * number) < 7
        letters = (np.abs(y - 0.83 * rows) < 9) & (x % 22 < 12) & (np.abs(x - columns / 2) < 40 + 0.2 * number)
        cover = np.repeat((ring | letters)[..., None].astype(np.float32), 3, axis=-1)
        yield sdr_planes(cover) if kind == "sdr" else hdr_planes((600 if kind == "hdr" else 180) * cover)


def chain_clips(clips: Sequence[Path], target: Path) -> Path:
    """Clips of one encoder's settings and rate as one film, however their pictures are reordered."""
    read, late = [], 0
    for path in clips:
        with av.open(str(path)) as given:
            stream = given.streams.video[0]
            rate, base = Fraction(stream.average_rate or 24), Fraction(stream.time_base or 1)
            packets = [(bytes(one), round((one.pts or 0) * base * rate), one.is_keyframe) for one in given.demux(stream) if one.size]
        first = min(shown for _, shown, _ in packets)
        late = max(late, *(place - (shown - first) for place, (_, shown, _) in enumerate(packets)))
        read.append([(data, shown - first, key) for data, shown, key in packets])
    with av.open(str(clips[0])) as given, av.open(str(target), "w") as out:
        copy, begun = out.add_stream_from_template(given.streams.video[0]), 0
        for packets in read:
            for place, (data, shown, key) in enumerate(packets):
                packet = av.Packet(data)
                packet.stream, packet.time_base, packet.is_keyframe = copy, 1 / rate, key
                packet.pts, packet.dts = begun + shown + late, begun + place
                out.mux(packet)
            begun += len(packets)
    return target


def woven(first: Planes, second: Planes) -> Planes:
    """The upper field of one picture and the lower one of another as one frame."""
    made = [plane.copy() for plane in first]
    for plane, other in zip(made, second, strict=True):
        plane[1::2] = other[1::2]
    return made


def pulled_down(pictures: Iterator[Planes]) -> Iterator[Planes]:
    """Four pictures in ten fields, as film is put on video of 59.94 fields a second (common practice: 2:3)."""
    while len(four := list(itertools.islice(pictures, 4))) == 4:
        yield from (woven(four[upper], four[lower]) for upper, lower in ((0, 0), (1, 1), (1, 2), (2, 3), (3, 3)))


def interlaced(pictures: Iterator[Planes]) -> Iterator[Planes]:
    """Each frame's lower field half a frame later than its upper one: by two of the four columns that the picture turns."""
    for picture in pictures:
        yield woven(picture, [np.roll(plane, 2 * plane.shape[1] // picture[0].shape[1], axis=1) for plane in picture])
