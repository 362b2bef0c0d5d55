"""Whether a cadence moves the verdict: films of real light at the cadences of discs, broadcasts and captures: printed, never asserted.

    PYTHONPATH=. python tests/bench/cadence_labels.py WORLD_DIR [SCENE ...]

WORLD_DIR holds the panoramas that tests/run unpacks (CC0). Each pair is compared as 24 whole pictures a second on both sides, which is the
original, and then once more at every cadence: fields woven by libavfilter's `telecine` (FFmpeg), PAL speed, fields one phase off, repeats
as a capture at 59.94 Hz has them. The label must stay and headroom within `MOST_STOPS` of the original's. Fields are woven in every plane
of finished 4:2:0 pictures, as telecine of film is.
"""

from __future__ import annotations

import sys
import tempfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np

import pairdiff
from tests._clips import Planes
from tests.bench import ladder
from tests.bench.labelled_set import EXPOSURE
from tests.whole._cadence import Stored, interlace, plain, pull_down, shift_fields
from tests.whole._films import Floats, encode_hdr, encode_sdr, hdr_planes, sdr_planes

SIZE, FIELD_DEGREES, SHOT_FRAMES, VIEWS_DEGREES = (320, 180), 75.0, 14, (15.0, 75.0, 135.0, 195.0, 255.0, 315.0)
PICTURES = SHOT_FRAMES * len(VIEWS_DEGREES)
SCENES = ("city", "interior", "night")
QUICK = pairdiff.Settings(screen_pairs=1)
"""Displays at home are not looked at."""
MOST_STOPS = 0.1
"""How far headroom may move from the original's."""
PULLDOWN = Fraction(30000, 1001)
CAPTURED = Fraction(60000, 1001)


@dataclass(frozen=True)
class Cadence:
    """How the two sides of a pair are stored."""

    name: str
    hdr: Stored
    sdr: Stored


def cadences(pictures: int = PICTURES) -> tuple[Cadence, ...]:
    """The original first, then what is held against it."""
    film = range(pictures)
    regular = [n for n in film for _ in range(2 + n % 2)]
    rng = np.random.default_rng(8)
    irregular = [n for n in film for _ in range(int(rng.integers(2, 4)))]
    whole = plain(film)
    flagged = {"params": "tff=1"}
    return (
        Cadence("original, 24 pictures a second", whole, whole),
        Cadence("2:3 fields, SDR, flagged", whole, pull_down(film, "23", rate=PULLDOWN, **flagged)),
        Cadence("2:3 fields, SDR, bottom first", whole, pull_down(film, "23", first="bottom", rate=PULLDOWN)),
        Cadence("2:3 fields, both", pull_down(film, "23", rate=PULLDOWN), pull_down(film, "23", rate=PULLDOWN)),
        Cadence("interlaced flag on whole pictures, SDR", whole, plain(film, **flagged)),
        Cadence("PAL speed, SDR", whole, plain(film, 25)),
        Cadence("PAL speed in fields one phase off, SDR", whole, shift_fields(film, **flagged)),
        Cadence("PAL by 12 + 1 fields, SDR", whole, pull_down(film, "222222222223", rate=Fraction(25), **flagged)),
        Cadence("50 pictures a second against interlaced 25, SDR", plain(film, 50), interlace(film, params="tff=1")),
        Cadence("59.94 pictures a second against 29.97, SDR", plain(film, CAPTURED), plain(film[::2], PULLDOWN)),
        Cadence("interlaced 29.97, both", interlace(film, rate=PULLDOWN), interlace(film, rate=PULLDOWN)),
        Cadence("59.94 Hz capture, SDR", whole, plain(regular, CAPTURED)),
        Cadence("59.94 Hz capture, irregular, SDR", whole, plain(irregular, CAPTURED)),
        Cadence("59.94 Hz capture, HDR", plain(regular, CAPTURED), plain(film)),
        Cadence("59.94 Hz capture, both", plain(regular, CAPTURED), plain(irregular, CAPTURED)),
    )


@dataclass(frozen=True)
class Pair:
    """Finished pictures of both releases."""

    kind: str
    hdr: list[tuple[np.ndarray, ...]]
    sdr: list[tuple[np.ndarray, ...]]


def turn_camera(panorama: Floats) -> list[Floats]:
    """Scene light of every picture: six shots of a camera that turns by a degree a picture, one exposure for all."""
    seen = [ladder.view(panorama, yaw + number, SIZE, FIELD_DEGREES) for yaw in VIEWS_DEGREES for number in range(SHOT_FRAMES)]
    grey = np.exp(np.mean([np.log(one @ np.array([0.2126, 0.7152, 0.0722]) + 1e-3) for one in seen]))
    return [one * (EXPOSURE / grey) for one in seen]


def make_pairs(scene: list[Floats]) -> Iterator[Pair]:
    """An SDR picture relabelled, another grade, and the scene graded for two peaks."""
    signal = [ladder.sdr_grade(one) for one in scene]
    sdr = [sdr_planes(one) for one in signal]
    relit = [ladder.sdr_light(one, 140.0, 2.35) for one in signal]
    yield Pair("relabelled", [hdr_planes(one) for one in relit], sdr)
    yield Pair("other grade", [hdr_planes(one * np.array([1.1, 1.0, 0.86])) for one in relit], sdr)
    for peak in (ladder.WHITE * 2**0.8, 2000.0):
        yield Pair(f"peak {peak:.0f}", [hdr_planes(ladder.hdr_grade(one, peak)) for one in scene], sdr)


def weave(pictures: list[tuple[np.ndarray, ...]], stored: Stored) -> Iterator[Planes]:
    """The frames of a side: even rows of every plane from one picture, odd rows from another."""
    for top, bottom in zip(stored.top, stored.bottom, strict=True):
        planes = [plane.copy() for plane in pictures[top]]
        for plane, other in zip(planes, pictures[bottom], strict=True):
            plane[1::2] = other[1::2]
        yield planes


def compare_at(pair: Pair, cadence: Cadence, folder: Path) -> pairdiff.Comparison:
    """Encode a pair at a cadence and compare it; files that are in the folder are taken as they are."""
    files = []
    for side, stored, encode in (("hdr", cadence.hdr, encode_hdr), ("sdr", cadence.sdr, encode_sdr)):
        name = zlib.crc32(repr((stored.top, stored.bottom, stored.rate, stored.params)).encode())
        files.append(folder / f"{side}-{name}.mkv")
        if not files[-1].is_file():
            encode(files[-1], weave(getattr(pair, side), stored), rate=stored.rate, params=stored.params)
    return pairdiff.compare(*files, settings=QUICK)


def say(name: str, kind: str, cadence: str, found: pairdiff.Comparison, original: pairdiff.Comparison) -> str:
    """A row of the table."""
    stops, first = found.headroom.stops, original.headroom.stops
    moved = None if stops is None or first is None else stops - first
    kept = found.verdict.label == original.verdict.label and moved is not None and abs(moved) <= MOST_STOPS
    shown = "none" if stops is None or moved is None else f"{stops:.2f} ({moved:+.3f})"
    loss = found.difference.on_its_own.preference_loss.value
    share = f"{found.coverage.matched_frames} of {found.coverage.hdr_frames}"
    return f"| {name} | {kind} | {cadence} | {found.verdict.label} | {shown} | {loss:.2f} | {share} | {'yes' if kept else 'NO'} |"


def main(world: str, *only: str) -> None:
    print("| scene | pair | cadence | label | headroom, stops (against the original) | loss, JOD | HDR frames matched | kept |")
    print("|---|---|---|---|---|---|---|---|")
    for name in only or SCENES:
        scene = turn_camera(ladder.read_panorama(Path(world) / f"{name}.exr"))
        for pair in make_pairs(scene):
            original = None
            with tempfile.TemporaryDirectory() as folder:
                for cadence in cadences():
                    found = compare_at(pair, cadence, Path(folder))
                    original = original or found
                    print(say(name, pair.kind, cadence.name, found, original), flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
