"""The shots of "The Lamplighter of Orrin Quay", a film that does not exist, painted in scene-linear BT.2020 light.

Each builder paints wide layers once and returns a function that draws one frame: layers slide past each other by whole pixels
(near ones faster), water ripples, figures and ships move. Light 0.18 is a mid grey, 1 a white wall; lamps and sun go far above.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._demo._kernels import lay_over
from pairdiff._demo.paint import (
    COLUMNS,
    ROWS,
    Picture,
    Point,
    circle,
    draw_lines,
    fade_rows,
    fill_mask,
    glow_patch,
    make_layer,
    make_noise,
    pick,
    pick_p3,
    put_glow,
    put_lines,
    put_polygons,
    put_shape,
    trim,
    write_mask,
)

FRAMES_PER_SHOT = 40

Draw = Callable[[int], Picture]

LAMP = pick(1.0, 0.66, 0.34)


def slide(layer: Picture, columns: int) -> Picture:
    """The part of a wide layer that the camera sees after `columns` pixels of travel."""
    return layer[:, columns : columns + COLUMNS]


def walker(frame: int, *, height: float, coat: Picture, lantern: bool) -> tuple[Picture, Point]:
    """Stamp of a walking figure, (row, column, 4), and where its lantern hangs (column, row)."""
    rows, columns = int(height * 1.15), int(height * 0.9)
    mid, foot, h = columns * 0.42, rows - 3.0, height
    swing = float(np.sin(frame * 0.45)) * 0.13 * h
    legs: list[list[Point]] = [
        [(mid - 0.06 * h, foot - 0.45 * h), (mid + 0.05 * h, foot - 0.45 * h), (mid + s + 0.05 * h, foot), (mid + s - 0.04 * h, foot)]
        for s in (swing, -swing)
    ]
    body: list[Point] = [
        (mid - 0.09 * h, foot - 0.80 * h),
        (mid + 0.09 * h, foot - 0.80 * h),
        (mid + 0.15 * h, foot - 0.30 * h),
        (mid - 0.17 * h, foot - 0.28 * h),
    ]
    hat: list[Point] = [
        (mid - 0.12 * h, foot - 0.93 * h),
        (mid - 0.06 * h, foot - 0.94 * h),
        (mid - 0.05 * h, foot - 1.02 * h),
        (mid + 0.06 * h, foot - 1.02 * h),
        (mid + 0.06 * h, foot - 0.94 * h),
        (mid + 0.12 * h, foot - 0.92 * h),
    ]
    hand = (mid + 0.30 * h, foot - 0.48 * h)
    stamp = make_layer(rows, columns)
    put_polygons(stamp, legs, coat * 0.6)
    shade = np.linspace(0.7, 1.5, columns, dtype=np.float32)[None, :, None]
    put_polygons(stamp, [body, hat, circle((mid, foot - 0.88 * h), 0.062 * h)], shade * coat)
    arm = [[(mid + 0.05 * h, foot - 0.74 * h), (mid + 0.18 * h, foot - 0.62 * h), hand]]
    put_lines(stamp, arm, coat, thickness=max(int(h * 0.05), 2))
    lamp = (hand[0], hand[1] + 0.06 * h)
    if lantern:
        put_polygons(stamp, [circle(lamp, 0.035 * h, squash=1.4)], LAMP * 26)
    return stamp, lamp


def stamp_over(picture: Picture, stamp: Picture, *, column: int, row: int) -> None:
    """Lay a small layer over a picture with its top left corner at (column, row), cut at the edges."""
    left, right = max(column, 0), min(column + stamp.shape[1], picture.shape[1])
    top, bottom = max(row, 0), min(row + stamp.shape[0], picture.shape[0])
    if left < right and top < bottom:
        lay_over(picture[top:bottom, left:right], stamp[top - row : bottom - row, left - column : right - column])


def add_glow(picture: Picture, at: Point, *, colour: Picture, radius: float, reach: float) -> None:
    """Add a glow to a picture, cut at the edges."""
    put_glow(picture, at, colour=colour, radius=radius, reach=reach)


# ---------------------------------------------------------------- night on the quay


def paint_houses(layer: Picture, *, base: int, lamps: list[Point], seed: int) -> None:
    """A row of houses standing on row `base`, lit by street lamps."""
    rows, columns = layer.shape[:2]
    rng = np.random.default_rng(seed)
    lit = np.zeros((rows, columns), np.float32)
    for lamp in lamps:
        box = (0, base, max(int(lamp[0]) - 420, 0), min(int(lamp[0]) + 420, columns))
        lit[box[0] : box[1], box[2] : box[3]] += glow_patch(lamp, box, radius=95, reach=420)
    plaster = make_noise(rows, columns, cell=60, octaves=6, seed=seed + 1) * np.float32(0.16)
    courses = ((np.arange(rows) % 11) < 1).astype(np.float32)[:, None] * np.float32(0.22)
    texture = np.clip(1 + plaster - courses, 0.3, 2.0)
    column = -60.0
    while column < columns:
        wide, high = rng.uniform(150, 290), rng.uniform(190, 350)
        top, ridge = base - high, base - high - rng.uniform(30, 90)
        wall = [(column, base), (column, top), (column + wide / 2, ridge), (column + wide, top), (column + wide, base)]
        paint = pick(*(np.array([0.30, 0.24, 0.19]) * rng.uniform(0.6, 1.3) * rng.uniform(0.8, 1.2, 3)))
        light = (0.014 * pick(0.6, 0.8, 1.3) + lit[..., None] * LAMP * 0.85) * texture[..., None] * paint
        left, right = max(int(column) - 4, 0), min(int(column + wide) + 5, columns)
        moved = [(c - left, r) for c, r in wall]
        part = layer[:, left:right]
        put_polygons(part, [moved], light[:, left:right])
        paint_windows(part, wide=wide, top=top, base=base, rng=rng)
        column += wide + rng.uniform(-6, 26)


def paint_windows(part: Picture, *, wide: float, top: float, base: float, rng: np.random.Generator) -> None:
    """Windows of one house, some of them lit."""
    rows = part.shape[0]
    across = max(int(wide // 70), 1)
    for floor in range(int((base - top) // 84)):
        for n in range(across):
            c, r = wide * (n + 0.5) / across + 2, top + 26 + floor * 84
            pane = [(c - 14, r), (c + 14, r), (c + 14, r + 42), (c - 14, r + 42)]
            frame = [(c - 17, r - 3), (c + 17, r - 3), (c + 17, r + 46), (c - 17, r + 46)]
            put_polygons(part, [frame], pick(0.02, 0.018, 0.016))
            warm = rng.uniform(0.35, 1.3) * pick(1.0, 0.56, 0.22) if rng.random() < 0.38 else pick(0.006, 0.009, 0.014)
            fade = (0.6 + 0.5 * np.clip((np.arange(rows) - r) / 42, 0, 1)).astype(np.float32)[:, None, None]
            put_polygons(part, [pane], fade * warm)
            bars = [[(c, r), (c, r + 42)], [(c - 14, r + 17), (c + 14, r + 17)]]
            put_lines(part, bars, pick(0.016, 0.014, 0.012), thickness=3)


def build_quay() -> Draw:
    """Night exterior: lamps along a harbour wall, their reflections, a lamplighter with his lantern."""
    water, base, travel = 560, 520, FRAMES_PER_SHOT
    rng = np.random.default_rng(11)
    far = make_layer(water, COLUMNS + travel)
    sky = fade_rows(water, (0, pick(0.004, 0.007, 0.018)), (0.6, pick(0.010, 0.014, 0.028)), (1, pick(0.045, 0.034, 0.03)))
    clouds = make_noise(water, COLUMNS + travel, cell=220, stretch=2.4, octaves=6, seed=12)
    far[..., :3] = sky[:, None] * np.clip(1 + 0.38 * clouds, 0.25, 3)[..., None]
    for _ in range(150):
        at = (rng.uniform(0, COLUMNS + travel), rng.uniform(0, 300))
        put_glow(far, at, colour=pick(0.9, 0.95, 1.1) * np.float32(rng.uniform(0.05, 0.7)), radius=1.3, reach=5)
    wave = (
        make_noise(1, COLUMNS + travel, cell=1, stretch=300, octaves=1, seed=13)[0] * 26
        + make_noise(1, COLUMNS + travel, cell=1, stretch=60, octaves=1, seed=14)[0] * 7
    )
    hill = [(float(c), float(390 - wave[c])) for c in range(0, COLUMNS + travel, 4)]
    put_polygons(far, [[*hill, (COLUMNS + travel + 4, 560), (0, 560)]], pick(0.006, 0.008, 0.013))
    for _ in range(70):
        at = (rng.uniform(0, COLUMNS + travel), rng.uniform(405, 500))
        put_glow(far, at, colour=LAMP * np.float32(rng.uniform(0.3, 2.5)), radius=1.6, reach=14)
    near_columns = COLUMNS + 3 * travel
    near = make_layer(water, near_columns)
    lamps = [(float(c), 372.0) for c in range(140, near_columns, 390)]
    paint_houses(near, base=base, lamps=[(c, r + 20) for c, r in lamps], seed=20)
    stone = np.clip(1 + 0.3 * make_noise(water, near_columns, cell=26, stretch=2, octaves=4, seed=21), 0.3, 2)
    lit = np.zeros(near_columns, np.float32)
    for c, _ in lamps:
        lit += (1 + ((np.arange(near_columns) - c) / 110) ** 2).astype(np.float32) ** np.float32(-1.2)
    pavement = fill_mask(water, near_columns, [[(0, base), (near_columns, base), (near_columns, water), (0, water)]])
    put_shape(near, pavement, (stone * (0.008 + 0.13 * lit))[..., None] * pick(0.9, 0.62, 0.4))
    for c, r in lamps:
        post: list[list[Point]] = [
            [(c, base + 12), (c, r + 18)],
            [(c - 9, r + 20), (c + 9, r + 20)],
            [(c - 5, base + 10), (c + 5, base + 10)],
        ]
        put_lines(near, post, pick(0.012, 0.011, 0.010), thickness=5)
        head = [(c - 13, r - 16), (c + 13, r - 16), (c + 9, r + 18), (c - 9, r + 18)]
        put_polygons(near, [head], LAMP * 9)
        put_polygons(near, [circle((c, r + 1), 10.5)], LAMP * 48, soft=1.6)
        cap = [(c - 17, r - 15), (c, r - 34), (c + 17, r - 15)]
        put_polygons(near, [cap], pick(0.012, 0.011, 0.010))
        put_glow(near, (c, r), colour=LAMP * np.float32(0.55), radius=26, reach=300)
    edge = make_layer(ROWS, COLUMNS + 8 * travel)
    paint_moorings(edge)
    edge, edge_top = trim(edge)
    ripple = make_noise(ROWS - water, COLUMNS + 6 * travel, cell=9, stretch=7, octaves=4, seed=22)
    swell = make_noise(ROWS - water, COLUMNS + 6 * travel, cell=34, stretch=5, octaves=2, seed=23)
    depth = np.arange(ROWS - water, dtype=np.float32)[:, None]
    column_map, row_map = np.meshgrid(np.arange(COLUMNS, dtype=np.float32), np.arange(ROWS - water, dtype=np.float32))
    column_map, row_map = column_map.astype(np.float32), row_map.astype(np.float32)
    tint = (0.62 - 0.25 * depth / depth.max())[..., None] * pick(0.75, 0.9, 1.0)

    def draw(frame: int) -> Picture:
        picture = np.empty((ROWS, COLUMNS, 3), np.float32)
        above = picture[:water]
        above[:] = slide(far, frame)[..., :3]
        lay_over(above, slide(near, 3 * frame))
        stamp, lamp = walker(frame, height=150, coat=pick(0.050, 0.040, 0.034), lantern=True)
        column, row = 380 + 6 * frame, base + 26 - stamp.shape[0]
        stamp_over(above, stamp, column=column, row=row)
        add_glow(above, (column + lamp[0], row + lamp[1]), colour=LAMP * np.float32(0.8), radius=16, reach=170)
        mirror = cv2.blur(above[water - 1 : 2 * water - ROWS - 1 : -1], (1, 9))
        one, two = ripple[:, 2 * frame :][:, :COLUMNS], swell[:, 6 * FRAMES_PER_SHOT - 5 * frame :][:, :COLUMNS]
        moved = (one + two) * (1 + depth * 0.07)
        picture[water:] = cv2.remap(
            mirror,
            column_map + moved * np.float32(0.55),
            np.clip(row_map + moved * np.float32(1.7), 0, ROWS - water - 1),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        )
        picture[water:] *= tint
        picture[water:] += (0.004 * (1 + 0.4 * np.clip(one, -2, 2)))[..., None] * pick(0.5, 0.8, 1.2)
        lay_over(picture[edge_top:], slide(edge, 8 * frame))
        return picture

    return draw


def paint_moorings(edge: Picture) -> None:
    """Dark things close to the camera: posts, a rope, the bow of a boat."""
    rows = edge.shape[0]
    dark, rim = pick(0.005, 0.005, 0.006), pick(0.05, 0.034, 0.02)
    rng = np.random.default_rng(31)
    places = [float(c) for c in np.cumsum(rng.uniform(330, 520, 6))]
    for c in places:
        post = [(c - 17, 650), (c + 17, 650), (c + 20, rows), (c - 20, rows)]
        put_polygons(edge, [post, circle((c, 650), 19, squash=0.45)], dark, soft=1.6)
        put_lines(edge, [[(c - 13, 655), (c - 16, rows)]], rim, thickness=3, soft=1.6)
    for a, b in pairwise(places):
        sag = [(a + (b - a) * t, 690 + 46 * 4 * t * (1 - t)) for t in np.linspace(0, 1, 24)]
        put_lines(edge, [sag], dark * 1.5, thickness=6, soft=1.6)


# ---------------------------------------------------------------- sun behind a sail


def build_sun() -> Draw:
    """A low sun with thin cloud before it, a sail and a headland that pass it, glitter on the sea."""
    travel, sea, sun = FRAMES_PER_SHOT, 575, (1190.0, 292.0)
    wide = COLUMNS + travel
    sky = fade_rows(
        ROWS, (0, pick(0.16, 0.24, 0.40)), (0.4, pick(0.42, 0.42, 0.42)), (0.72, pick(0.95, 0.70, 0.42)), (1, pick(0.9, 0.6, 0.3))
    )
    picture0 = np.repeat(sky[:, None], wide, axis=1)
    box = (0, ROWS, 0, wide)
    near, broad = glow_patch(sun, box, radius=95, reach=3000), glow_patch(sun, box, radius=330, reach=3000)
    bank = make_noise(ROWS, wide, cell=150, stretch=3.2, octaves=7, seed=41)
    streak = make_noise(ROWS, wide, cell=46, stretch=9, octaves=5, seed=42)
    cover = np.clip(0.5 + 0.42 * bank + 0.2 * streak, 0, 1)
    rim = np.exp(-(((cover - 0.42) / 0.16) ** 2))
    glow = 9.0 * near[..., None] * pick(1, 0.82, 0.55) + 2.3 * broad[..., None] * pick(1, 0.80, 0.52)
    picture0 += glow
    shade = 1 - 0.68 * cover + 0.55 * rim * np.clip(2.6 * broad + 0.25, 0, 1)
    picture0 *= shade[..., None].astype(np.float32)
    disc = fill_mask(ROWS, wide, [circle(sun, 64, corners=120)], soft=1.2)
    rows, columns = np.mgrid[0:ROWS, 0:wide].astype(np.float32)
    limb = np.sqrt(np.clip(1 - ((rows - sun[1]) ** 2 + (columns - sun[0]) ** 2) / 66**2, 0, 1))
    body = (34 + 60 * limb) * np.clip(1 - 0.42 * cover + 0.1 * streak, 0.35, 1.2)
    picture0 = picture0 * (1 - disc[..., None]) + (disc * body)[..., None] * pick(1.0, 0.86, 0.62)
    veil = np.clip(0.84 + 0.14 * make_noise(sea, COLUMNS + 4 * travel, cell=120, stretch=4, octaves=6, seed=43), 0.45, 1.05)
    veil = np.ascontiguousarray(veil[..., None])
    ship = paint_ship()
    cliff = make_layer(ROWS, COLUMNS + 7 * travel)
    paint_cliff(cliff)
    cliff, cliff_top = trim(cliff)
    glint_one = make_noise(ROWS - sea, COLUMNS + 8 * travel, cell=7, stretch=5, octaves=3, seed=44)
    glint_two = make_noise(ROWS - sea, COLUMNS + 8 * travel, cell=12, stretch=6, octaves=3, seed=45)
    depth = np.linspace(0, 1, ROWS - sea, dtype=np.float32)[:, None]
    water = fade_rows(ROWS - sea, (0, pick(0.55, 0.42, 0.28)), (0.3, pick(0.20, 0.19, 0.18)), (1, pick(0.07, 0.085, 0.11)))[:, None]
    spread = (90 + 330 * depth).astype(np.float32)
    place = np.arange(COLUMNS, dtype=np.float32)[None, :]

    def draw(frame: int) -> Picture:
        picture = np.array(slide(picture0, frame))
        picture[:sea] *= slide(veil, 4 * frame)
        one = glint_one[:, 3 * frame :][:, :COLUMNS]
        two = glint_two[:, 8 * FRAMES_PER_SHOT - 4 * frame :][:, :COLUMNS]
        wave = one + two
        path = np.exp(-(((place - (sun[0] - frame)) / spread) ** 2))
        sparkle = np.clip(wave - 0.9 - 0.9 * depth, 0, 2) ** 2 * path * 7 + path * 0.55
        picture[sea:] = water * np.clip(1 + 0.28 * wave, 0.2, 2)[..., None] + sparkle[..., None] * pick(1.0, 0.82, 0.55)
        stamp_over(picture, ship, column=120 + 9 * frame, row=84 + round(5 * float(np.sin(frame * 0.16))))
        lay_over(picture[cliff_top:], slide(cliff, 7 * frame))
        return picture

    return draw


def paint_ship() -> Picture:
    """A two-masted ship under sail against the light."""
    rows, columns = 560, 760
    ship = make_layer(rows, columns)
    dark, cloth = pick(0.022, 0.018, 0.016), pick(0.34, 0.21, 0.11)
    sails: list[list[Point]] = []
    for mast, top, low, half in ((260.0, 40.0, 420.0, 128.0), (500.0, 10.0, 420.0, 150.0)):
        for a, b, wide in ((0.0, 0.34, 0.62), (0.36, 0.66, 0.82), (0.68, 1.0, 1.0)):
            upper, lower = top + (low - top) * a, top + (low - top) * b
            w, v = half * wide, half * (wide + 0.14)
            belly = [
                (mast + v - (v - w) * (1 - t) + 26 * float(np.sin(t * np.pi)), upper + (lower - upper) * t) for t in np.linspace(0, 1, 12)
            ]
            foot = [(mast + v - 2 * v * t, lower - 16 * float(np.sin(t * np.pi))) for t in np.linspace(0, 1, 12)]
            luff = [(mast - v + (v - w) * t + 18 * float(np.sin(t * np.pi)), lower - (lower - upper) * t) for t in np.linspace(0, 1, 12)]
            sails.append([*belly, *foot, *luff])
    jib: list[Point] = [(650, 60), (742, 430), (655, 412)]
    folds = 1 + 0.2 * np.sin(np.linspace(0, 34, columns)) + 0.18 * make_noise(rows, columns, cell=90, octaves=5, seed=46)
    put_polygons(ship, [*sails, jib], np.clip(folds, 0.4, 1.7)[..., None].astype(np.float32) * cloth, soft=1.0)
    lines = [[(260, 10), (260, 490)], [(500, 0), (500, 490)], [(110, 480), (260, 30), (500, 8), (750, 440)], [(640, 470), (756, 428)]]
    put_lines(ship, lines, dark, thickness=4)
    hull: list[Point] = [(96, 466), (120, 478), (400, 488), (660, 462), (690, 456), (640, 530), (600, 548), (170, 548), (120, 520)]
    put_polygons(ship, [hull], dark, soft=1.0)
    return ship


def paint_cliff(cliff: Picture) -> None:
    """A headland with grass that slides past in the foreground."""
    rows, columns = cliff.shape[:2]
    rng = np.random.default_rng(47)
    place = np.arange(0, columns, 6)
    rough = (
        make_noise(1, columns, cell=1, stretch=46, octaves=1, seed=48)[0] * 9
        + make_noise(1, columns, cell=1, stretch=190, octaves=1, seed=49)[0] * 20
    )
    top = 690 - 220 * np.exp(-((place / 430.0) ** 2)) - 250 * np.exp(-(((place - columns) / 300.0) ** 2)) + rough[place]
    ground = [(float(c), float(r)) for c, r in zip(place, top, strict=True)]
    rock = np.clip(1 + 0.45 * make_noise(rows, columns, cell=34, octaves=5, seed=50, gain=0.75), 0.2, 2.5)[..., None]
    put_polygons(cliff, [[*ground, (columns + 8, rows), (0, rows)]], rock * pick(0.030, 0.026, 0.022), soft=1.2)
    blades: list[list[Point]] = []
    for c, r in ground:
        for _ in range(3):
            lean = rng.uniform(-9, 14)
            blades.append([(c + rng.uniform(-4, 4), r + 6), (c + lean * 0.4, r - 10), (c + lean, r - rng.uniform(12, 34))])
    put_lines(cliff, blades, pick(0.035, 0.028, 0.018), thickness=2)


# ---------------------------------------------------------------- signs in a narrow street

SIGNS = (
    # text, column, row, scale, colour (P3-D65), light, framed
    ("TEA", 175, 250, 3.0, (1.0, 0.015, 0.01), 1.9, True),
    ("ORRIN KINO", 700, 165, 2.6, (0.04, 0.25, 1.0), 1.8, False),
    ("EELS", 1180, 300, 3.0, (0.02, 1.0, 0.10), 1.25, True),
    ("PILOT BAR", 1480, 140, 2.2, (1.0, 0.02, 0.42), 1.7, False),
    ("ROPE", 520, 350, 2.0, (1.0, 0.38, 0.01), 1.6, True),
    ("OPEN", 1480, 400, 1.8, (0.01, 0.9, 0.75), 1.3, True),
    ("SARN FERRY", 1850, 290, 2.0, (1.0, 0.03, 0.01), 1.8, True),
    ("DYES", 880, 350, 2.0, (0.55, 0.02, 1.0), 1.7, True),
)


def build_signs() -> Draw:
    """A wet street of saturated signs: some colours lie outside BT.709, some outside P3."""
    travel, floor = FRAMES_PER_SHOT, 570
    wide = COLUMNS + 4 * travel
    tubes = np.zeros((floor, wide, 3), np.float32)
    plates = make_layer(floor, wide)
    for number, (text, column, row, scale, colour, light, framed) in enumerate(SIGNS):
        place = (float(column % wide), float(row))
        cover = write_mask(floor, wide, text, at=place, scale=scale, thickness=4, font=cv2.FONT_HERSHEY_DUPLEX)
        half, high = 21 * scale * len(text) * 0.5 + 34, 15 * scale + 26
        plate = [(place[0] - half, row - high), (place[0] + half, row - high), (place[0] + half, row + high), (place[0] - half, row + high)]
        paint = np.maximum(pick_p3(*colour), 0)
        if number in (2, 5):
            paint = np.array([0.03, 1.0, 0.08], np.float32) if number == 2 else np.array([0.02, 0.85, 0.8], np.float32)
        put_polygons(plates, [plate], paint * (0.30 if framed else 0.02) * light)
        if framed:
            cover = np.maximum(cover, draw_lines(floor, wide, [[*plate, plate[0]]], thickness=6))
        tubes += cover[..., None] * paint * np.float32(light * 1.25)
    small = cv2.resize(tubes + plates[..., :3], (wide // 8, floor // 8), interpolation=cv2.INTER_AREA)
    spill = cv2.resize(
        cv2.GaussianBlur(small, (0, 0), 11) + 0.5 * cv2.GaussianBlur(small, (0, 0), 3), (wide, floor), interpolation=cv2.INTER_LINEAR
    )
    wall = np.clip(1 + 0.42 * make_noise(floor, wide, cell=90, octaves=7, seed=61), 0.2, 2.4)
    bays = 0.65 + 0.35 * (np.abs(np.sin(np.arange(wide) * np.pi / 310)) ** 0.35)
    courses = 1 - 0.35 * ((np.arange(floor) % 16) < 2).astype(np.float32)
    texture = (wall * bays[None, :] * courses[:, None]).astype(np.float32)[..., None]
    street = texture * (0.018 * pick(0.6, 0.8, 1.2) + 1.1 * spill)
    street *= fade_rows(floor, (0, pick(0.35, 0.35, 0.35)), (0.3, pick(1, 1, 1)), (1, pick(1, 1, 1)))[:, None]
    for column in range(90, wide, 310):
        door = fill_mask(floor, wide, [[(column, 400), (column + 96, 400), (column + 96, floor), (column, floor)]])[..., None]
        street = street * (1 - door) + door * (0.02 * pick(1, 0.7, 0.4) + 0.35 * spill)
    lay_over(street, plates)
    street += tubes
    street += 0.5 * cv2.GaussianBlur(tubes, (0, 0), 9)
    crowd = make_layer(ROWS, COLUMNS + 9 * travel)
    paint_crowd(crowd)
    crowd, crowd_top = trim(crowd)
    ripple = make_noise(ROWS - floor, COLUMNS + 4 * travel, cell=16, stretch=3.5, octaves=5, seed=62)
    rain = paint_rain()
    depth = np.arange(ROWS - floor, dtype=np.float32)[:, None]
    column_map, row_map = (m.astype(np.float32) for m in np.meshgrid(np.arange(COLUMNS), np.arange(ROWS - floor)))
    stones = (0.5 - 0.1 * np.clip(ripple, -1, 2))[..., None]

    def draw(frame: int) -> Picture:
        picture = np.empty((ROWS, COLUMNS, 3), np.float32)
        picture[:floor] = slide(street, 4 * frame)
        flicker = 1.0 - 0.5 * (frame % 9 == 4)
        picture[60:225, 1230 - 4 * frame : 1730 - 4 * frame] *= np.float32(flicker)
        mirror = cv2.blur(picture[floor - 1 : 2 * floor - ROWS - 1 : -1], (3, 17))
        moved = slide(ripple, 4 * frame) * (2 + depth * 0.11)
        picture[floor:] = cv2.remap(
            mirror,
            column_map + moved * np.float32(0.4),
            np.clip(row_map + moved, 0, ROWS - floor - 1),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REFLECT,
        )
        picture[floor:] *= slide(stones, 4 * frame)
        lay_over(picture[crowd_top:], slide(crowd, 9 * frame))
        fall = rain[(ROWS * 4 - 53 * frame) % ROWS :][:ROWS]
        picture += (fall * (0.02 + 0.05 * (frame % 3)))[..., None] * pick(0.8, 0.8, 1.0)
        return picture

    return draw


def paint_crowd(crowd: Picture) -> None:
    """Dark figures with umbrellas, close to the camera."""
    rng = np.random.default_rng(64)
    rows, columns = crowd.shape[:2]
    for column in np.cumsum(rng.uniform(240, 520, 7)):
        height = float(rng.uniform(330, 430))
        stamp, _ = walker(int(column), height=height, coat=pick(0.010, 0.010, 0.013), lantern=False)
        row = rows - stamp.shape[0] + 46
        left, right = int(column), min(int(column) + stamp.shape[1], columns)
        if right <= left:
            continue
        part = crowd[row:rows, left:right]
        piece = stamp[: rows - row, : right - left]
        part *= 1 - piece[..., 3:]
        part += piece
        middle, top = float(column) + stamp.shape[1] * 0.5, row + 6.0
        canopy = [(middle - 150 * np.cos(a), top + 30 - 92 * np.sin(a)) for a in np.linspace(0, np.pi, 30)]
        scallop = [(middle + 150 - 300 * t, top + 30 - 12 * abs(np.sin(t * np.pi * 5))) for t in np.linspace(0, 1, 40)]
        put_polygons(crowd, [[*canopy, *scallop]], pick(0.014, 0.012, 0.018), soft=1.4)
        put_lines(crowd, [canopy], pick_p3(0.16, 0.05, 0.11), thickness=3, soft=1.4)
        put_lines(crowd, [[(middle, top), (middle, top + 150)]], pick(0.01, 0.01, 0.012), thickness=5, soft=1.4)


def paint_rain() -> Picture:
    """Streaks of rain, twice as high as the picture so that they can fall."""
    rng = np.random.default_rng(65)
    lines: list[list[Point]] = []
    for _ in range(420):
        c, r, long = rng.uniform(0, COLUMNS), rng.uniform(0, ROWS), rng.uniform(26, 70)
        lines.append([(c, r), (c - long * 0.1, r + long)])
    once = draw_lines(ROWS, COLUMNS, lines, thickness=1, soft=0.8)
    return np.concatenate([once, once])


# ---------------------------------------------------------------- the pilot's cabin


def build_cabin() -> Draw:
    """A dim room with one window: planks, a table, a bottle and a small flame."""
    travel = FRAMES_PER_SHOT
    wide = COLUMNS + 3 * travel
    left, right, top, bottom = 470.0, 900.0, 96.0, 470.0
    outside = make_outside(COLUMNS + travel)
    room = make_layer(ROWS, wide)
    grain = make_noise(ROWS, wide, cell=120, stretch=0.16, octaves=6, seed=71)
    board = (np.arange(wide) // 96).astype(np.int64)
    tone = np.random.default_rng(72).uniform(0.75, 1.25, int(board.max()) + 1)[board]
    gap = 1 - 0.75 * (np.arange(wide) % 96 < 3)
    planks = (np.clip(1 + 0.26 * grain, 0.3, 2) * (tone * gap)[None, :]).astype(np.float32)[..., None] * pick(0.30, 0.19, 0.11)
    box = (0, ROWS, 0, wide)
    soft = glow_patch((690, 290), box, radius=330, reach=2600)
    beam = fill_mask(ROWS, wide, [[(1180, 210), (1560, 330), (1700, 660), (1310, 520)]], soft=9)
    cross = fill_mask(
        ROWS, wide, [[(1372, 262), (1386, 266), (1512, 604), (1496, 600)], [(1240, 352), (1242, 342), (1630, 470), (1634, 482)]], soft=7
    )
    beam = beam * (1 - 0.9 * cross)
    flame_light = glow_patch((1330, 520), box, radius=170, reach=900)
    light = (
        soft[..., None] * pick(0.20, 0.26, 0.34) + beam[..., None] * pick(0.95, 0.92, 0.85) + flame_light[..., None] * pick(0.5, 0.26, 0.09)
    )
    room[..., :3], room[..., 3] = planks * (light + 0.010 * pick(1, 0.9, 0.8)), 1
    frame = [(left - 30, top - 30), (right + 30, top - 30), (right + 30, bottom + 26), (left - 30, bottom + 26)]
    put_polygons(room, [frame], pick(0.05, 0.042, 0.035) * (1 + grain[..., None] * np.float32(0.15)))
    hole = fill_mask(ROWS, wide, [[(left, top), (right, top), (right, bottom), (left, bottom)]])
    bars = [[((left + right) / 2, top), ((left + right) / 2, bottom)], [(left, top + 140), (right, top + 140)]]
    hole *= 1 - draw_lines(ROWS, wide, bars, thickness=15)
    room *= (1 - hole)[..., None]
    put_glow(room, ((left + right) / 2, 280), colour=pick(0.035, 0.04, 0.048), radius=300, reach=900)
    paint_table(room, window=((left + right) / 2))
    chair = make_layer(ROWS, COLUMNS + 7 * travel)
    paint_chair(chair)
    rng = np.random.default_rng(75)
    motes = [
        (rng.uniform(820, 1700), rng.uniform(150, 640), rng.uniform(0.4, 2.4), rng.uniform(0, 6), rng.uniform(0.03, 0.16))
        for _ in range(90)
    ]
    cloth = make_noise(520, 260, cell=30, stretch=0.6, octaves=4, seed=76)

    def draw(frame: int) -> Picture:
        picture = np.array(slide(outside, frame))
        lay_over(picture, slide(room, 3 * frame))
        stamp_over(picture, curtain(frame, cloth), column=int(right) - 116 - 3 * frame, row=int(top) - 26)
        flicker = 1 + 0.22 * float(np.sin(frame * 1.9)) + 0.13 * float(np.sin(frame * 0.73 + 1))
        at = (1330.0 - 3 * frame + 1.5 * float(np.sin(frame * 1.3)), 512.0)
        flame = make_layer(70, 60)
        tip: list[Point] = [(30, 4 + 5 * flicker), (38, 34), (36, 48), (24, 48), (22, 34)]
        put_polygons(flame, [tip], pick(1.0, 0.60, 0.20) * np.float32(11 * flicker), soft=2.0)
        put_polygons(flame, [circle((30, 38), 7, squash=1.5)], pick(1.0, 0.8, 0.45) * np.float32(24 * flicker), soft=2.2)
        stamp_over(picture, flame, column=int(at[0]) - 30, row=int(at[1]) - 44)
        add_glow(picture, at, colour=pick(1.0, 0.55, 0.2) * np.float32(0.30 * flicker), radius=24, reach=260)
        for column, row, speed, phase, strength in motes:
            drift = (column - speed * frame - 3 * frame * 0.8, row + 9 * float(np.sin(phase + frame * 0.11)) - speed * 0.4 * frame)
            add_glow(picture, drift, colour=pick(0.9, 0.9, 0.85) * np.float32(strength), radius=1.8, reach=9)
        lay_over(picture, slide(chair, 7 * frame))
        return picture

    return draw


def make_outside(wide: int) -> Picture:
    """What the cabin's window shows: a bright sky with cloud, a strip of sea."""
    cloud = make_noise(ROWS, wide, cell=130, stretch=1.8, octaves=6, seed=73)
    sky = np.clip(3.4 + 1.7 * cloud, 0.9, 8)[..., None] * pick(0.94, 1.0, 1.08)
    wave = make_noise(ROWS, wide, cell=8, stretch=7, octaves=4, seed=74)
    sea = np.clip(0.8 + 0.28 * wave, 0.2, 2.2)[..., None] * pick(0.8, 1.0, 1.1)
    rows = np.arange(ROWS, dtype=np.float32)[:, None, None]
    mix = np.clip((rows - 372) / 3, 0, 1)
    land = fill_mask(ROWS, wide, [[(430, 374), (520, 350), (610, 342), (700, 356), (760, 374)]])[..., None]
    return np.asarray((sky * (1 - mix) + sea * mix) * (1 - land) + land * pick(0.30, 0.36, 0.40), dtype=np.float32)


def paint_table(room: Picture, *, window: float) -> None:
    """Table with a bottle, books, a mug and an oil lamp; the window shines on its top."""
    rows, columns = room.shape[:2]
    grain = make_noise(rows, columns, cell=14, stretch=16, octaves=5, seed=77)
    place = np.arange(columns, dtype=np.float32)[None, :]
    depth = np.arange(rows, dtype=np.float32)[:, None]
    shine = np.exp(-(((place - window - (depth - 600) * 0.5) / 240) ** 2)) * np.exp(-(((depth - 625) / 60) ** 2))
    glow = np.exp(-(((place - 1330) / 230) ** 2)) * np.exp(-(((depth - 610) / 50) ** 2))
    top = np.clip(1 + 0.3 * grain, 0.2, 2)[..., None] * (
        0.016 * pick(1, 0.7, 0.45) + shine[..., None] * pick(0.30, 0.36, 0.44) + glow[..., None] * pick(0.26, 0.13, 0.045)
    )
    put_polygons(room, [[(260, 588), (1760, 588), (1980, rows), (90, rows)]], top.astype(np.float32), soft=1.0)
    bottle = [(1010, 600), (1010, 452), (1030, 424), (1030, 372), (1056, 372), (1056, 424), (1076, 452), (1076, 600)]
    glass = (0.35 + 1.6 * np.exp(-(((place - 1022) / 5) ** 2)) + 0.7 * np.exp(-(((place - 1050) / 14) ** 2)))[..., None] * pick(
        0.03, 0.085, 0.045
    )
    put_polygons(room, [bottle], np.repeat(glass, rows, axis=0).astype(np.float32))
    for n, (c, colour) in enumerate(((600, (0.16, 0.03, 0.02)), (612, (0.03, 0.06, 0.12)), (592, (0.12, 0.09, 0.03)))):
        spine = [(c, 612 - 30 * n), (c + 200, 612 - 30 * n), (c + 200, 640 - 30 * n), (c, 640 - 30 * n)]
        side = (0.25 + 0.9 * np.exp(-(((place - 690) / 130) ** 2)))[..., None] * pick(*colour)
        put_polygons(room, [spine], np.repeat(side, rows, axis=0).astype(np.float32))
    brass = (0.3 + 1.8 * np.exp(-(((place - 1322) / 6) ** 2)) + 0.5 * np.exp(-(((place - 1300) / 9) ** 2)))[..., None] * pick(
        0.16, 0.10, 0.035
    )
    lamp = [(1290, 606), (1296, 580), (1318, 560), (1318, 520), (1342, 520), (1342, 560), (1364, 580), (1370, 606)]
    put_polygons(room, [lamp], np.repeat(brass, rows, axis=0).astype(np.float32))


def paint_chair(chair: Picture) -> None:
    """Back of a chair and a hanging coat, close to the camera and out of focus."""
    rows = chair.shape[0]
    dark = pick(0.006, 0.006, 0.007)
    c = 1150.0
    rails: list[list[Point]] = [
        [(c, 500), (c + 26, 496), (c + 52, rows), (c + 14, rows)],
        [(c + 330, 496), (c + 356, 500), (c + 350, rows), (c + 312, rows)],
        [(c - 6, 500), (c + 180, 470), (c + 362, 500), (c + 360, 548), (c + 180, 522), (c, 548)],
        *[[(c + x, 530), (c + x + 16, 530), (c + x + 18, rows), (c + x + 2, rows)] for x in (90.0, 170.0, 250.0)],
    ]
    put_polygons(chair, rails, dark, soft=3.0)
    coat: list[Point] = [(1990, 0), (2250, 0), (2290, 300), (2330, rows), (1930, rows), (1960, 300)]
    put_polygons(chair, [coat], dark * 1.3, soft=4.0)


def curtain(frame: int, cloth: Picture) -> Picture:
    """A thin curtain that moves in the draught."""
    rows, columns = cloth.shape[0] - 90, cloth.shape[1]
    layer = make_layer(rows, columns)
    depth = np.linspace(0, 1, rows)[:, None]
    place = np.arange(columns)[None, :]
    sway = 26 * depth**1.5 * np.sin(frame * 0.17 + depth * 2.2)
    fold = 0.5 + 0.5 * np.sin((place - sway) * 0.115 + depth * 0.8 + frame * 0.05)
    cover = np.clip((place - sway - 34) / 5, 0, 1) * np.clip((226 - place) / 6, 0, 1) * np.clip((1 - depth) * 60, 0, 1)
    light = (0.42 + 0.75 * fold) * (1 + 0.05 * cloth[:rows])
    layer[..., :3] = (cover * light)[..., None] * pick(0.60, 0.58, 0.52)
    layer[..., 3] = cover * (0.93 - 0.2 * fold)
    return layer


# ---------------------------------------------------------------- overcast on the moor


def build_moor() -> Draw:
    """A bright overcast day: cloud that is bright but low in contrast, heath, a lighthouse, a red coat."""
    travel, horizon = FRAMES_PER_SHOT, 404
    wide = COLUMNS + travel
    cloud = make_noise(horizon + 40, wide, cell=210, stretch=2.6, octaves=7, seed=81, gain=0.6)
    lift = np.linspace(0.88, 1.30, horizon + 40, dtype=np.float32)[:, None]
    sky = np.zeros((ROWS, wide, 3), np.float32)
    sky[: horizon + 40] = ((0.54 + np.logaddexp(0, 1.5 + 1.35 * cloud) * 0.42) * lift)[..., None] * pick(0.965, 1.0, 1.05)
    far = make_layer(ROWS, COLUMNS + 2 * travel)
    paint_far_hills(far, horizon=horizon)
    far, far_top = trim(far)
    heath = make_layer(ROWS, COLUMNS + 5 * travel)
    paint_heath(heath, horizon=horizon)
    heath, heath_top = trim(heath)
    grass = make_layer(ROWS, COLUMNS + 11 * travel)
    paint_grass(grass)
    grass, grass_top = trim(grass)
    coat = pick(0.52, 0.035, 0.03)

    def draw(frame: int) -> Picture:
        picture = np.array(slide(sky, frame))
        lay_over(picture[far_top:], slide(far, 2 * frame))
        for number in range(7):
            bird(picture, number=number, frame=frame)
        lay_over(picture[heath_top:], slide(heath, 5 * frame))
        stamp, _ = walker(frame, height=196, coat=coat, lantern=False)
        stamp_over(picture, stamp, column=700 + 2 * frame, row=640 - stamp.shape[0] + round(2 * float(np.sin(frame * 0.9))))
        lay_over(picture[grass_top:], slide(grass, 11 * frame))
        return picture

    return draw


def paint_far_hills(far: Picture, *, horizon: int) -> None:
    """Two ranges of hazy hills, a strip of sea, a white lighthouse with a red band."""
    rows, columns = far.shape[:2]
    for n, (base, colour) in enumerate(((0, (0.50, 0.55, 0.60)), (26, (0.27, 0.31, 0.33)))):
        shape = make_noise(1, columns, cell=1, stretch=330 - 120 * n, octaves=1, seed=82 + n)[0] * (24 - 6 * n)
        line = [(float(c), float(horizon - 34 + base - shape[c])) for c in range(0, columns, 4)]
        haze = np.clip(1 + 0.12 * make_noise(rows, columns, cell=40, stretch=2, octaves=4, seed=84 + n), 0.5, 1.5)[..., None]
        put_polygons(far, [[*line, (columns + 4, rows), (0, rows)]], haze * pick(*colour))
    c = 1440.0
    place = np.arange(columns, dtype=np.float32)[None, :, None]
    round_shade = np.clip(0.72 - 0.012 * (place - c), 0.25, 1.0) * pick(0.86, 0.88, 0.90)
    tower = [(c - 26, 470), (c - 17, 190), (c + 17, 190), (c + 26, 470)]
    put_polygons(far, [tower], np.repeat(round_shade, rows, axis=0))
    for upper, lower in ((250.0, 300.0), (360.0, 410.0)):
        u, v = 17 + 9 * (upper - 190) / 280, 17 + 9 * (lower - 190) / 280
        band = [(c - u, upper), (c + u, upper), (c + v, lower), (c - v, lower)]
        put_polygons(far, [band], np.repeat(round_shade, rows, axis=0) * pick(0.75, 0.06, 0.05) * 1.1)
    house = [(c - 15, 190), (c - 15, 156), (c, 138), (c + 15, 156), (c + 15, 190)]
    put_polygons(far, [house, [(c - 24, 186), (c + 24, 186), (c + 24, 194), (c - 24, 194)]], pick(0.05, 0.05, 0.055))
    put_polygons(far, [circle((c, 172), 9)], pick(1.0, 0.9, 0.7) * 9, soft=1.2)


def paint_heath(heath: Picture, *, horizon: int) -> None:
    """Rolling heath in perspective, with a sandy path and a fence."""
    rows, columns = heath.shape[:2]
    depth = (np.arange(rows, dtype=np.float32) - horizon + 30)[:, None]
    near = np.clip(depth, 18, None)
    fine = make_noise(1400, 1400, cell=90, octaves=7, seed=86, gain=0.7)
    column_map = 20000 + (np.arange(columns, dtype=np.float32)[None, :] - columns / 2) * 260 / near
    row_map = np.repeat(90000 / near, columns, axis=1)
    texture = cv2.remap(fine, fold(column_map, 1399), fold(row_map, 1399), cv2.INTER_LINEAR)
    texture = cv2.GaussianBlur(texture, (0, 0), 0.8)
    patch = make_noise(rows, columns, cell=150, stretch=3.5, octaves=5, seed=87)[..., None]
    heather = np.clip(0.5 + 0.5 * patch, 0, 1)
    colour = pick(0.10, 0.12, 0.045) * (1 - heather) + pick(0.17, 0.085, 0.10) * heather
    light = np.clip(1 + 0.38 * texture, 0.25, 2.4)[..., None] * (0.8 + 0.5 * np.exp(-depth / 120))[..., None]
    shape = make_noise(1, columns, cell=1, stretch=420, octaves=1, seed=88)[0] * 16
    line = [(float(c), float(horizon + 36 - shape[c])) for c in range(0, columns, 4)]
    put_polygons(heath, [[*line, (columns + 4, rows), (0, rows)]], (colour * light).astype(np.float32), soft=1.0)
    path = [(1230, 446), (1262, 446), (1180, 520), (1080, 610), (1130, 720), (1340, 806), (700, 806), (830, 700), (960, 610), (1120, 510)]
    sand = np.clip(1 + 0.2 * texture, 0.4, 1.8)[..., None] * pick(0.40, 0.34, 0.25)
    put_polygons(heath, [path], sand.astype(np.float32), soft=5)
    for n, c in enumerate(range(60, columns, 150)):
        top, foot = 470 + 26 * ((n % 3) - 1) * 0.4, 556.0
        put_lines(heath, [[(c, foot), (c + 4, top)]], pick(0.10, 0.085, 0.07), thickness=7)
    wires = [[(float(c), 494 + k * 22 + 5 * np.sin(c / 48)) for c in range(0, columns, 12)] for k in range(2)]
    put_lines(heath, wires, pick(0.12, 0.11, 0.10), thickness=1)


def fold(place: NDArray[np.floating[Any]], length: float) -> Picture:
    """Places folded back and forth into 0 to `length`, so that a texture repeats without a seam."""
    return np.asarray(length - np.abs(np.mod(place, 2 * length) - length), dtype=np.float32)


def paint_grass(grass: Picture) -> None:
    """Blades close to the camera."""
    rows, columns = grass.shape[:2]
    rng = np.random.default_rng(89)
    for shade in (0.5, 0.8, 1.2):
        blades: list[list[Point]] = []
        for _ in range(900):
            c, high, lean = rng.uniform(0, columns), rng.uniform(40, 150), rng.uniform(-30, 50)
            clump = 0.55 + 0.6 * float(np.sin(c / 260) * np.sin(c / 97))
            top = rows - high * max(clump, 0.15)
            blades.append([(c, rows + 4), (c + lean * 0.3, (rows + top) / 2), (c + lean, top)])
        put_lines(grass, blades, pick(0.085, 0.10, 0.035) * np.float32(shade), thickness=4, soft=1.3)


def bird(picture: Picture, *, number: int, frame: int) -> None:
    """One gull, wings beating."""
    column = 260 + 95 * number + 40 * (number % 3) + frame * (5 + number % 2)
    row = 120 + 34 * ((number * 5) % 7) - frame * (number % 3)
    beat = 11 * float(np.sin(frame * 0.55 + number * 1.7))
    lines = [[(4.0, 28 - beat), (20.0, 24 - beat * 0.3), (32.0, 30.0), (44.0, 24 - beat * 0.3), (60.0, 28 - beat)]]
    stamp = make_layer(60, 64)
    put_lines(stamp, lines, pick(0.12, 0.12, 0.13), thickness=3)
    stamp_over(picture, stamp, column=column, row=row)


SHOTS: dict[str, Callable[[], Draw]] = {
    "quay": build_quay,
    "sun": build_sun,
    "signs": build_signs,
    "cabin": build_cabin,
    "moor": build_moor,
}
"""Shots in the order of the film."""
