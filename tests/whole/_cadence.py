"""Releases of one film at many cadences, as encoded files, each frame's true picture known; and films that do not belong together.

The pulldown of fields is made by libavfilter's `telecine` (FFmpeg, through PyAV), run over pictures that carry their own number: which
picture each field of each frame shows is read off its output. Nothing here calls the package under test but its command line.
"""

from __future__ import annotations

import csv
import itertools
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from av.filter import Graph
from numpy.typing import NDArray

from tests._clips import PQ_TAGS, SDR_TAGS, Planes, encode_clip
from tests.match._films import make_film, to_pq, to_sdr

ROWS, COLUMNS = 180, 320
SEED = 3
NTSC = Fraction(30000, 1001)
NEVER = -9
"""In place of a picture's number: a frame that belongs to none."""
Numbers = tuple[int, ...]
Floats = NDArray[np.floating[Any]]


@cache
def film(seed: int = SEED, frames: int = 260) -> NDArray[np.uint8]:
    """A film of photographs under a moving camera, (frame, row, column)."""
    return np.stack([cv2.resize(one, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA) for one in make_film(seed, frames)])


@dataclass(frozen=True)
class Stored:
    """One side: which picture each field of each frame shows, and how it is stored."""

    top: Numbers
    bottom: Numbers
    rate: Fraction = Fraction(24)
    stamps: tuple[int, ...] | None = None
    """Milliseconds, for a file whose frames have different durations."""
    one_field: bool = False
    """Whether each frame stands for its top field alone: interlaced video."""
    mixed: tuple[float, ...] = ()
    """Share of the picture `bottom` in a frame that blends it with the picture `top`; fields are not woven then."""
    ending: str = "mkv"
    options: dict[str, str] = field(default_factory=dict)
    params: str = ""
    codec: str = ""

    def picture(self, place: int, seed: int = SEED) -> Floats:
        """Signal of a frame, 0 to 1."""
        first, second = (film(seed)[number].astype(np.float32) / 255 for number in (self.top[place], self.bottom[place]))
        if self.mixed:
            return first + np.float32(self.mixed[place]) * (second - first)
        woven = first.copy()
        woven[1::2] = second[1::2]
        return woven

    def numbers(self, *, first: str = "top") -> Numbers:
        """The picture that each frame shows once put together; `NEVER` for a blend.

        That of its first field; that of its second where the file holds no other field of the first one's picture beside it.
        """
        if self.one_field:
            return self.top
        if self.mixed:
            return tuple(
                a if share == 0 else b if share == 1 else NEVER for a, b, share in zip(self.top, self.bottom, self.mixed, strict=True)
            )
        early, late = (self.top, self.bottom) if first == "top" else (self.bottom, self.top)
        before, after = (NEVER, *late[:-1]), (*early[1:], NEVER)
        return tuple(
            a if a in (b, left) else b if b == right else NEVER for a, b, left, right in zip(early, late, before, after, strict=True)
        )


def plain(numbers: Sequence[int], rate: Fraction | int = 24, **more: Any) -> Stored:
    """Whole pictures at a constant rate."""
    return Stored(tuple(numbers), tuple(numbers), Fraction(rate), **more)


def pull_down(numbers: Sequence[int], pattern: str, *, first: str = "top", rate: Fraction = NTSC, **more: Any) -> Stored:
    """Pictures as fields at a pattern, by libavfilter's `telecine`."""
    graph = Graph()
    node = graph.add("buffer", "video_size=16x4:pix_fmt=gray10le:time_base=1/24:frame_rate=24:colorspace=bt709:range=tv")
    for name, words in (("telecine", f"pattern={pattern}:first_field={first}"), ("buffersink", None)):
        other = graph.add(name, words) if words else graph.add(name)
        node.link_to(other)
        node = other
    graph.configure()
    rows: list[NDArray[np.uint16]] = []
    for place, number in enumerate([*numbers, None]):
        frame = None
        if number is not None:
            frame = av.VideoFrame(16, 4, "gray10le")
            np.frombuffer(frame.planes[0], np.uint16)[:] = number
            frame.pts, frame.time_base = place, Fraction(1, 24)
        graph.push(frame)
        rows += _pull(graph)
    return Stored(tuple(int(one[0]) for one in rows), tuple(int(one[1]) for one in rows), rate, **more)


def _pull(graph: Graph) -> Iterator[NDArray[np.uint16]]:
    while True:
        try:
            plane = graph.pull().planes[0]  # type: ignore[union-attr]
        except (av.error.BlockingIOError, av.error.EOFError):
            return
        yield np.frombuffer(plane, np.uint16).reshape(plane.height, -1)[:, 0].copy()


def shift_fields(numbers: Sequence[int], *, rate: Fraction | int = 25, **more: Any) -> Stored:
    """Fields one phase off: the top field of each frame shows the picture after that of its bottom field."""
    return Stored(tuple(numbers[1:]), tuple(numbers[:-1]), Fraction(rate), **more)


def interlace(numbers: Sequence[int], *, rate: Fraction | int = 25, **more: Any) -> Stored:
    """Video: each frame shows two pictures in a row, and no field comes twice."""
    return Stored(tuple(numbers[::2]), tuple(numbers[1::2]), Fraction(rate), one_field=True, **more)


def add_blends(numbers: Sequence[int], *, every: int) -> Stored:
    """A higher rate by an even mix of two pictures put between them, after every so many."""
    frames = [(n, n, 0.0) if kind == 0 else (n, n + 1, 0.5) for n in numbers[:-1] for kind in range(2 if n % every == every - 1 else 1)]
    top, bottom, mixed = zip(*frames, strict=True)
    return Stored(top, bottom, Fraction(24 * (every + 1), every), mixed=mixed)


def mix_in_proportion(numbers: Sequence[int], *, frames: int, pictures: int, **more: Any) -> Stored:
    """Another rate, so many frames for so many pictures, each frame a mix of the two pictures beside its time."""
    times = [Fraction(n * pictures, frames) for n in range((len(numbers) - 1) * frames // pictures)]
    first = [int(time) for time in times]
    mixed = tuple(float(time - place) for time, place in zip(times, first, strict=True))
    top, bottom = tuple(numbers[place] for place in first), tuple(numbers[place + 1] for place in first)
    return Stored(top, bottom, Fraction(24 * frames, pictures), mixed=mixed, **more)


def join(*parts: Stored, **more: Any) -> Stored:
    """Parts one after the other, at the rate of the first."""
    top, bottom = (tuple(itertools.chain.from_iterable(getattr(one, side) for one in parts)) for side in ("top", "bottom"))
    return Stored(top, bottom, parts[0].rate, **more)


def drop_frames(stored: Stored, places: Sequence[int]) -> Stored:
    """A cut made without regard to fields."""
    keep = [n for n in range(len(stored.top)) if n not in set(places)]
    return Stored(tuple(stored.top[n] for n in keep), tuple(stored.bottom[n] for n in keep), stored.rate)


def write_side(path: Path, stored: Stored, *, hdr: bool, seed: int = SEED, crf: int = 12) -> Path:
    """Encode a side: HEVC 10-bit PQ, or H.264 8-bit BT.709."""
    neutral = np.full((ROWS // 2, COLUMNS // 2), 512 if hdr else 128, np.uint16 if hdr else np.uint8)
    look: Callable[[Any], NDArray[Any]] = to_pq if hdr else to_sdr
    pictures: Iterator[Planes] = ((look(stored.picture(n, seed)), neutral, neutral) for n in range(len(stored.top)))
    return encode_clip(
        path.with_suffix(f".{stored.ending}"),
        pictures,
        codec=stored.codec or ("libx265" if hdr else "libx264"),
        pix_fmt="yuv420p10le" if hdr else "yuv420p",
        rate=stored.rate,
        tags=PQ_TAGS if hdr else SDR_TAGS,
        params=stored.params,
        options=stored.options or {"preset": "ultrafast" if hdr else "fast", "crf": str(crf)},
        stamps=stored.stamps,
    )


@dataclass(frozen=True)
class Case:
    """Two sides, and what each frame truly shows."""

    name: str
    hdr: Stored
    sdr: Stored
    hdr_numbers: Numbers
    sdr_numbers: Numbers
    note: str = ""
    """Words that the notes must hold."""


def _case(name: str, hdr: Stored, sdr: Stored, *, hdr_first: str = "top", sdr_first: str = "top", note: str = "") -> Case:
    return Case(name, hdr, sdr, hdr.numbers(first=hdr_first), sdr.numbers(first=sdr_first), note)


def cases(pictures: int = 200) -> tuple[Case, ...]:
    """Every cadence that must be matched, frame for frame."""
    part = range(pictures)
    regular = [n for n in part for _ in range(2 + n % 2)]
    rng = np.random.default_rng(8)
    irregular = [n for n in part for _ in range(int(rng.integers(2, 4)))]
    held = [n for n in part for _ in range(1 + (n % 7 == 3))]
    woven, fields = "woven into fields", Fraction(60000, 1001)
    steady = tuple(round(1000 * n / 24) for n in range(len(held)))
    stamps = tuple(steady[place] for place, n in enumerate(held) if place == 0 or held[place - 1] != n)
    jitter = tuple(int(t) for t in np.cumsum([0, *rng.integers(17, 84, len(part) - 1)]))
    ntsc = pull_down(part, "23")
    by_chance = [n for n in part for _ in range(1 + int(rng.random() < 1 / 8))]
    even = tuple(round(1000 * n / 24) for n in range(len(by_chance)))
    kept = tuple(even[place] for place, n in enumerate(by_chance) if place == 0 or by_chance[place - 1] != n)
    quick, coarse = {"preset": "veryfast", "crf": "20"}, {"preset": "fast", "crf": "30"}
    interlaced_flag = {"params": "tff=1"}
    return (
        _case("59.94 regular, SDR", plain(part), plain(regular[31:], fields)),
        _case("59.94 regular, HDR", plain(regular, fields), plain(part[13:])),
        _case("59.94 irregular, SDR", plain(part), plain(irregular[31:], fields)),
        _case("59.94 regular, SDR, veryfast", plain(part), plain(regular[31:], fields, options=quick)),
        _case("59.94 irregular, SDR, veryfast", plain(part), plain(irregular[31:], fields, options=quick)),
        _case("59.94 regular, SDR, CRF 30", plain(part), plain(regular[31:], fields, options=coarse)),
        _case("59.94 irregular, SDR, CRF 30", plain(part), plain(irregular[31:], fields, options=coarse)),
        _case("2:3 fields, SDR", plain(part), ntsc, note=woven),
        _case("2:3 fields, SDR, flagged", plain(part), pull_down(part[5:], "23", **interlaced_flag), note=woven),
        _case("2:3 fields, SDR, bottom first", plain(part), pull_down(part[5:], "23", first="bottom"), sdr_first="bottom", note=woven),
        _case("2:3 fields, HDR 10 bit", pull_down(part, "23"), plain(part[13:]), note=woven),
        _case("2:3 fields, both", pull_down(part, "23"), pull_down(part[14:], "23"), note=woven),
        _case("2:3 fields, SDR, CRF 28", plain(part), pull_down(part[5:], "23", options={"preset": "fast", "crf": "28"}), note=woven),
        _case("2:3 fields, both, SDR CRF 30", pull_down(part, "23"), pull_down(part[14:], "23", options=coarse), note=woven),
        _case("2:3 fields, SDR, edited", plain(part), drop_frames(ntsc, range(pictures // 2 + 1, pictures // 2 + 33)), note=woven),
        _case("25i one phase off, SDR", plain(part), shift_fields(part[7:]), sdr_first="bottom", note=woven),
        _case("25i, 12 + 1 pulldown, SDR", plain(part), pull_down(part[7:], "222222222223", rate=Fraction(25)), note=woven),
        _case("progressive flagged interlaced", plain(part), plain(part[7:], params="tff=1")),
        _case("interlaced, SDR", plain(part, 50), interlace(part), note="The top field of each"),
        _case("interlaced, SDR, CRF 30, flagged", plain(part, 50), interlace(part, options=coarse, params="tff=1"), note="The top field"),
        _case("interlaced, HDR", interlace(part), plain(part, 50), note="The top field of each"),
        _case("interlaced at 29.97, both", interlace(part, rate=NTSC), interlace(part[8:], rate=NTSC), note="The top field of each"),
        _case("50 against 25, SDR slow", plain(part, 50), plain(part[::2], 25), note="every second one was matched"),
        _case("59.94 against 29.97, odd ones, HDR slow", plain(part[9::2], NTSC), plain(part, fields), note="every second one was matched"),
        _case("25 against 24", plain(part), plain(part[7:], 25)),
        _case("48 against 24, SDR", plain(part), plain([n for n in part[7:] for _ in range(2)], 48)),
        _case("48 against 24, HDR", plain([n for n in part for _ in range(2)], 48), plain(part[7:])),
        _case("25 by one repeat in 25", plain(part), plain([n for n in part for _ in range(1 + (n % 24 == 23))], 25)),
        _case("one blend in five, SDR", plain(part), add_blends(part, every=4), note="mixes of their neighbours"),
        _case("every second frame a blend, SDR", plain(part), add_blends(part, every=1), note="mixes of their neighbours"),
        _case("single frames dropped", plain(part), plain([n for n in part if n not in (50, 51, 110, 150, 151, 152, 180)])),
        _case("variable rate, SDR mkv", plain(held), plain(part, stamps=stamps)),
        _case("variable rate, SDR mp4", plain(held), plain(part, stamps=stamps, ending="mp4")),
        _case("variable rate, HDR mkv", plain(part, stamps=stamps), plain(held)),
        _case("variable rate at random, SDR", plain(part), plain(part, stamps=jitter)),
        _case("variable rate, repeats by chance, SDR", plain(by_chance), plain(part, stamps=kept)),
        _case("variable rate, repeats by chance, HDR", plain(part, stamps=kept), plain(by_chance)),
        _case("variable rate of 59.94", plain(regular, fields), plain(part, stamps=tuple(round(1001 * n / 24) for n in part))),
    )


def refused_cases(pictures: int = 200) -> tuple[Case, ...]:
    """What cannot be undone; the note is in the refusal."""
    part = range(pictures)
    coarse = {"preset": "fast", "crf": "30"}
    mixed, between = "converted to another frame rate by blending", "lie between two frames of the SDR release"
    return (
        _case("24 to 25 in proportion, SDR", plain(part), mix_in_proportion(part, frames=25, pictures=24), note=between),
        _case("24 to 25 in proportion, HDR", mix_in_proportion(part, frames=25, pictures=24), plain(part), note=between),
        _case("24 to 30 in proportion, SDR", plain(part), mix_in_proportion(part, frames=5, pictures=4), note=between),
        _case("30 to 25 in proportion, SDR", plain(part), mix_in_proportion(part, frames=5, pictures=6), note=between),
        _case("24 to 60 in proportion, SDR", plain(part), mix_in_proportion(part, frames=5, pictures=2), note=mixed),
        _case(
            "24 to 25 in proportion, SDR, CRF 30",
            plain(part),
            mix_in_proportion(part, frames=25, pictures=24, options=coarse),
            note=between,
        ),
        _case("interlaced, of film at another rate", plain(part), interlace(part), note="is interlaced video, of which the top field"),
    )


def case_named(name: str, pictures: int = 200) -> Case:
    """One of `cases`."""
    return next(one for one in (*cases(pictures), *refused_cases(pictures)) if one.name == name)


@dataclass(frozen=True)
class Found:
    """How a case came out, in pictures of the film."""

    should: int
    """Pictures that both sides show and that move."""
    exact: int
    """Those of them that got exactly their partner."""
    wrong: int
    """Matched frames whose partner shows another picture."""


def judge(case: Case, partners: dict[int, int], seed: int = SEED) -> Found:
    """Hold matched frames (HDR frame: SDR frame) against the truth."""
    step = np.array([np.abs(b.astype(int) - a).mean() for a, b in itertools.pairwise(film(seed))])
    moves = np.minimum(np.append(step, 0), np.insert(step, 0, 0)) >= 0.5
    should = {n for n in set(case.hdr_numbers) & set(case.sdr_numbers) if n >= 0 and moves[n]}
    pairs = [(case.hdr_numbers[hdr], case.sdr_numbers[sdr]) for hdr, sdr in partners.items()]
    right = {a for a, b in pairs if a == b and a != NEVER}
    return Found(len(should), len(should & right), sum(a != b or a == NEVER for a, b in pairs))


def read_partners(folder: Path) -> dict[int, int]:
    """`partners.csv` of `pairdiff align --out`."""
    with (folder / "partners.csv").open(encoding="utf-8") as table:
        return {int(row["hdr_frame"]): int(row["sdr_frame"]) for row in csv.DictReader(table)}
