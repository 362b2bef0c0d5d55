"""Logo and end cards. The two releases carry different ones of different length: that plants the offset between them."""

from __future__ import annotations

import cv2
import numpy as np

from pairdiff._demo.paint import COLUMNS, ROWS, Picture, Point, draw_lines, fade_rows, fill_mask, make_noise, pick, soften, write_mask
from pairdiff._demo.shots import Draw

STUDIO = "TIDEWHEEL PICTURES"
TITLE = "THE LAMPLIGHTER OF ORRIN QUAY"
CREDITS = (
    "Mattis Orre   .....   the lamplighter",
    "Ilse Varn   .....   the pilot's daughter",
    "Written by  Teodora Kelling",
    "Photographed by  Brand Oskerry",
    "Made in Sarn and on Orrin Moor",
)


def wheel(turn: float, *, at: Point, radius: float, paddles: int) -> Picture:
    """Coverage of the studio's paddle wheel, turned by `turn` radians."""
    lines: list[list[Point]] = []
    for n in range(paddles):
        a = turn + 2 * np.pi * n / paddles
        c, s = float(np.cos(a)), float(np.sin(a))
        lines.append([at, (at[0] + radius * c, at[1] + radius * s)])
        edge = (at[0] + radius * c, at[1] + radius * s)
        lines.append([(edge[0] - 22 * s, edge[1] + 22 * c), (edge[0] + 22 * s, edge[1] - 22 * c)])
    for share in (0.92, 0.4):
        rim = [
            (at[0] + share * radius * float(np.cos(a)), at[1] + share * radius * float(np.sin(a))) for a in np.linspace(0, 2 * np.pi, 73)
        ]
        lines.append(rim)
    return draw_lines(ROWS, COLUMNS, lines, thickness=6)


def build_hdr_logo() -> Draw:
    """Logo of the HDR release: the wheel turns above dark water, the name fades in below."""
    ground = fade_rows(ROWS, (0, pick(0.012, 0.020, 0.032)), (0.6, pick(0.03, 0.05, 0.07)), (1, pick(0.006, 0.010, 0.014)))[:, None]
    cloud = make_noise(ROWS, COLUMNS + 300, cell=160, stretch=2, octaves=5, seed=91)
    name = write_mask(ROWS, COLUMNS, STUDIO, at=(COLUMNS / 2, 640), scale=2.2, thickness=4, font=cv2.FONT_HERSHEY_TRIPLEX)[..., None]

    def draw(frame: int) -> Picture:
        picture = ground * np.clip(1 + 0.35 * cloud[:, 4 * frame :][:, :COLUMNS], 0.2, 2)[..., None]
        shape = wheel(0.045 * frame, at=(COLUMNS / 2, 330), radius=190, paddles=12)[..., None]
        picture = picture * (1 - shape) + shape * pick(0.42, 0.34, 0.20)
        lit = name * np.float32(min(frame / 20, 1.0))
        return np.asarray(picture * (1 - lit) + lit * pick(0.55, 0.52, 0.45), dtype=np.float32)

    return draw


def build_sdr_logo() -> Draw:
    """Logo of the SDR release: another year's version, name first, a light that sweeps over it."""
    ground = fade_rows(ROWS, (0, pick(0.05, 0.014, 0.010)), (1, pick(0.012, 0.006, 0.006)))[:, None]
    name = write_mask(ROWS, COLUMNS, STUDIO, at=(COLUMNS / 2, 420), scale=3.0, thickness=6, font=cv2.FONT_HERSHEY_DUPLEX)[..., None]
    place = np.arange(COLUMNS, dtype=np.float32)[None, :, None]
    bars = fill_mask(
        ROWS, COLUMNS, [[(260, 520), (1660, 520), (1660, 526), (260, 526)], [(260, 310), (1660, 310), (1660, 316), (260, 316)]]
    )

    def draw(frame: int) -> Picture:
        sweep = np.exp(-(((place - 34 * frame) / 190) ** 2))
        picture = ground * (1 + 1.6 * sweep)
        lit = name * (0.22 + 0.7 * sweep)
        picture = picture * (1 - name) + lit * pick(0.75, 0.70, 0.62)
        small = wheel(-0.08 * frame, at=(200 + 4.0 * frame, 170), radius=90, paddles=7)[..., None]
        picture = picture * (1 - small) + small * pick(0.20, 0.10, 0.06)
        return np.asarray(picture * (1 - bars[..., None]) + bars[..., None] * pick(0.35, 0.28, 0.2), dtype=np.float32)

    return draw


def _build_end(lines: tuple[str, ...], *, font: int, speed: int, start: int, seed: int) -> Draw:
    high = start + 110 * len(lines) + ROWS
    roll = np.zeros((high, COLUMNS), np.uint8)
    for n, line in enumerate(lines):
        scale = 2.0 if n == 0 else 1.3
        (wide, _), _ = cv2.getTextSize(line, font, scale, 3)
        cv2.putText(roll, line, ((COLUMNS - wide) // 2, start + 110 * n), font, scale, (255,), 3, cv2.LINE_AA)
    text = soften(roll, 0.7)[..., None]
    smoke = make_noise(ROWS, COLUMNS + 400, cell=200, stretch=2, octaves=5, seed=seed)

    def draw(frame: int) -> Picture:
        ground = np.clip(0.016 + 0.007 * smoke[:, 5 * frame :][:, :COLUMNS], 0.002, 1)[..., None] * pick(0.7, 0.85, 1.0)
        part = text[speed * frame :][:ROWS]
        return np.asarray(ground * (1 - part) + part * pick(0.50, 0.48, 0.44), dtype=np.float32)

    return draw


def build_hdr_end() -> Draw:
    """End card of the HDR release: the title and the credits, rolling."""
    return _build_end((TITLE, *CREDITS), font=cv2.FONT_HERSHEY_TRIPLEX, speed=6, start=330, seed=92)


def build_sdr_end() -> Draw:
    """End card of the SDR release: another order, another speed."""
    return _build_end((*CREDITS[::-1], TITLE, STUDIO), font=cv2.FONT_HERSHEY_DUPLEX, speed=4, start=180, seed=93)
