"""Mixtures drawn at random, on films that no other case uses: what matching must get right without having been made for it.

Nothing about these cases was looked at while thresholds were chosen but how many come out; another seed makes another set.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.match._cases import Numbers, drop_every, film, logo, other, pull_down, put_in, repeat_every, telling_cases, without
from tests.match._films import LOGO, Case, Grade

FIRST_FILM = 100
"""Seeds of films from here on belong to this file."""
FRAMES = 1000


def draw_case(seed: int) -> Case:
    """A pair of releases drawn by a seed: other ends, edits on both sides, one cadence, one look each, compressed or not."""
    rng = np.random.default_rng((seed, 4711))
    length = FRAMES
    cadence = str(rng.choice(["none", "none", "none", "2:3", "2:3 irregular", "drop", "repeat", "25"]))
    if cadence.startswith("2:3"):
        length = 500
    hdr, sdr = (_edit(film(int(rng.integers(0, 60)), length - int(rng.integers(0, 60))), rng) for _ in range(2))
    if rng.random() < 0.4:
        hdr, sdr = (*logo(int(rng.integers(30, 90))), *hdr), (*reversed(logo(int(rng.integers(60, 200)))), *sdr)
    rates = [24.0, 24.0]
    side, repeated = int(rng.integers(0, 2)), -1
    pair = [hdr, sdr]
    if cadence.startswith("2:3"):
        pair[side] = pull_down(pair[side], irregular="irregular" in cadence, seed=seed)
        rates[side] = 59.94
        repeated = side  # what repeats frames repeats their grain with them
    elif cadence == "drop":
        pair[side] = drop_every(pair[side], int(rng.integers(200, 600)))
    elif cadence == "repeat":
        pair[side] = repeat_every(pair[side], int(rng.choice([4, 24, 300])))
    elif cadence == "25":
        rates[1] = 25.0
    hdr_look, sdr_look = _draw_look(rng, hdr=True), _draw_look(rng, hdr=False)
    looks = [replace(look, grain=0.0) if number == repeated else look for number, look in enumerate((hdr_look, sdr_look))]
    crf = int(rng.integers(18, 31)) if rng.random() < 0.3 else None
    return Case(f"drawn {seed}", pair[0], pair[1], *looks, *rates, crf, None, FIRST_FILM + seed)


def _edit(numbers: Numbers, rng: np.random.Generator) -> Numbers:
    """Up to three passages taken out, put in or replaced."""
    for _ in range(int(rng.integers(0, 4))):
        kind, frames = rng.choice(["out", "in", "replaced"]), int(rng.integers(15, 120))
        inside = [n for n in numbers if n < LOGO]
        at = inside[int(rng.integers(40, len(inside) - 160))]
        if kind == "in":
            numbers = put_in(numbers, at, other(frames, start=int(rng.integers(0, 600))))
        elif kind == "out":
            numbers = without(numbers, at, frames)
        elif all(n in numbers for n in range(at, at + frames)):
            numbers = without(put_in(numbers, at, other(frames, start=int(rng.integers(0, 600)))), at, frames)
    return numbers


def _draw_look(rng: np.random.Generator, *, hdr: bool) -> Grade:
    """A look: each fault on its own coin."""

    def maybe(chance: float, value: float) -> float:
        return value if rng.random() < chance else 0.0

    bars = maybe(0.3, 0.127)
    return Grade(
        hdr=hdr,
        gamma=float(rng.uniform(0.8, 1.25)) if rng.random() < 0.5 else 1.0,
        contrast=maybe(0.3, 0.6),
        stretch=float(rng.uniform(1.5, 4)) if hdr and rng.random() < 0.3 else 1.0,
        grain=maybe(0.3, float(rng.uniform(0.02, 0.08))),
        crop=maybe(0.3, float(rng.uniform(0.01, 0.1))),
        shift=(float(rng.uniform(-4, 4)), float(rng.uniform(-4, 4))) if rng.random() < 0.3 else (0.0, 0.0),
        size=float(rng.choice([0.5, 2 / 3])) if not hdr and rng.random() < 0.4 else 1.0,
        window=(bars, 1 - bars, 0.0, 1.0),
        seed=int(rng.integers(1, 2**31)),
    )


def move_case(case: Case, film_seed: int) -> Case:
    """A case of the list on another film, with other grain."""
    looks = [replace(one, seed=film_seed) if isinstance(one, Grade) and one.grain else one for one in (case.hdr_look, case.sdr_look)]
    return replace(case, name=f"{case.name}, film {film_seed}", film=film_seed, hdr_look=looks[0], sdr_look=looks[1])


HARD = ("grain 8 %", "edits, grain, crop 2 %", "edits, open matte, drift", "59.94 irregular, HDR, CRF 30", "CRF 30", "59.94 regular, SDR")


def held_out_cases(count: int = 24, first: int = 0) -> tuple[Case, ...]:
    """Drawn mixtures, and the cases that are hardest on three other films."""
    moved = [move_case(one, FIRST_FILM + 900 + k) for k in range(3) for one in telling_cases() if one.name in HARD]
    return (*(draw_case(seed) for seed in range(first, first + count)), *moved)
