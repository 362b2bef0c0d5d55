"""The hostile cases: two releases of one film, or of two, with the true partner of every frame."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import cv2
import numpy as np

from tests.match._films import (
    COLUMNS,
    DISSOLVE,
    HDR,
    LIT,
    LOGO,
    MADE,
    MIRRORED,
    OTHER,
    PAINTED,
    ROLL,
    ROWS,
    SDR,
    ZOOM,
    Case,
    Grade,
    LitGrade,
    lit_pictures,
    painted_pictures,
)

BLACK = -1
Numbers = tuple[int, ...]


def film(start: int = 0, stop: int = 1200) -> Numbers:
    """Pictures of the film."""
    return tuple(range(start, stop))


def logo(frames: int, *, start: int = 0) -> Numbers:
    """Pictures of logos and credits."""
    return tuple(range(LOGO + start, LOGO + start + frames))


def other(frames: int, *, start: int = 0) -> Numbers:
    """Pictures of another film."""
    return tuple(range(OTHER + start, OTHER + start + frames))


def without(numbers: Numbers, start: int, frames: int) -> Numbers:
    """A passage taken out."""
    return tuple(n for n in numbers if not start <= n < start + frames)


def put_in(numbers: Numbers, at: int, passage: Numbers) -> Numbers:
    """A passage put in before a picture."""
    place = numbers.index(at)
    return (*numbers[:place], *passage, *numbers[place:])


def pull_down(numbers: Iterable[int], *, irregular: bool = False, seed: int = 0) -> Numbers:
    """24 to 60 pictures a second by repeats: two and three by turns, or at random."""
    rng = np.random.default_rng(seed)
    return tuple(n for place, n in enumerate(numbers) for _ in range(int(rng.integers(2, 4)) if irregular else 2 + place % 2))


def repeat_every(numbers: Iterable[int], every: int) -> Numbers:
    """One picture in `every` shown twice."""
    return tuple(n for place, n in enumerate(numbers) for _ in range(2 if place % every == every - 1 else 1))


def drop_every(numbers: Iterable[int], every: int) -> Numbers:
    """One picture in `every` left out."""
    return tuple(n for place, n in enumerate(numbers) if place % every != every - 1)


def _edits() -> Iterator[Case]:
    yield Case("same frames", film(), film())
    for offset in (1, 37, 240):
        yield Case(f"offset {offset}", film(0, 1000), film(offset))
    yield Case("logos 3 s against 11 s", (*logo(72), *film()), (*reversed(logo(264)), *film()))
    yield Case("logos and credits", (*logo(72), *film(), *logo(60, start=170)), (*reversed(logo(120)), *film(), *logo(120, start=200)))
    yield Case("20 s inserted in HDR", put_in(film(), 500, other(480)), film())
    yield Case("20 s inserted in SDR", film(), put_in(film(), 500, other(480)))
    yield Case("3 s removed from SDR", film(), without(film(), 333, 72))
    yield Case("3 s removed from HDR", without(film(), 333, 72), film())
    yield Case("3 s removed inside a slow shot", film(), without(film(), 640, 72))
    yield Case("insertion and removal", put_in(film(), 500, other(240)), without(film(), 800, 72))
    yield Case("a passage replaced", (*film(0, 500), *other(60), *film(560)), film())
    yield Case(
        "a passage replaced by a longer one", (*film(0, 500), *other(60), *film(560)), (*film(0, 500), *other(200, start=300), *film(560))
    )
    first = put_in(without(without(film(), 150, 40), 610, 55), 900, other(100))
    second = put_in(without(film(), 420, 72), 760, other(144, start=300))
    yield Case("two cuts with five differences", first, second)


def _rates() -> Iterator[Case]:
    part = film(0, 600)
    yield Case("24 against 25 frames a second", film(0, 1000), film(30), sdr_rate=25.0)
    yield Case("23.976 against 24", film(0, 1000), film(30), sdr_rate=23.976)
    yield Case("drift: one frame in 1000 left out", film(), drop_every(film(20), 500))
    yield Case("drift: one frame in 300 shown twice", film(), repeat_every(film(20), 300))
    yield Case("25 from 24 by repeats", film(), repeat_every(film(20), 24), sdr_rate=25.0)
    yield Case("30 from 24 by repeats", film(0, 900), repeat_every(film(20, 900), 4), sdr_rate=29.97)
    yield Case("59.94 regular, SDR", part, pull_down(part[13:]), sdr_rate=59.94)
    yield Case("59.94 regular, HDR", pull_down(part), part[13:], hdr_rate=59.94)
    yield Case("59.94 regular, both, other phase", pull_down(part), pull_down(part[13:]), hdr_rate=59.94, sdr_rate=59.94)
    yield Case("59.94 irregular, SDR", part, pull_down(part[13:], irregular=True), sdr_rate=59.94)
    yield Case("59.94 irregular, HDR, CRF 30", pull_down(part, irregular=True), part[13:], hdr_rate=59.94, crf=30)
    yield Case("animation on twos", tuple(n // 2 * 2 for n in part), tuple(n // 2 * 2 for n in part[14:]))
    yield Case("single frames dropped", film(), tuple(n for n in film(13) if n not in (100, 101, 300, 444, 700, 701, 702, 900)))


def _looks() -> Iterator[Case]:
    hdr, sdr = film(0, 900), film(37, 960)
    looks = {
        "half size": Grade(size=0.5),
        "two thirds of the size": Grade(size=2 / 3),
        "crop 2 %": Grade(crop=0.02),
        "crop 10 %": Grade(crop=0.1),
        "shift 3.5 px": Grade(shift=(3.5, -3.5)),
        "4:3 of 16:9": Grade(window=(0.0, 1.0, 0.125, 0.875)),
        "gamma 0.8": Grade(gamma=0.8),
        "gamma 1.25": Grade(gamma=1.25),
        "contrast": Grade(contrast=0.9),
        "grain 8 %": Grade(grain=0.08),
    }
    for name, look in looks.items():
        yield Case(name, hdr, sdr, HDR, look)
    yield Case("HDR cropped by 10 %", hdr, sdr, Grade(hdr=True, crop=0.1), SDR)
    yield Case("open matte SDR", hdr, sdr, Grade(hdr=True, window=(0.127, 0.873, 0.0, 1.0)), SDR)
    yield Case("stretched by 4", hdr, sdr, Grade(hdr=True, stretch=4.0), SDR)
    yield Case("CRF 30", hdr, sdr, HDR, SDR, crf=30)
    yield Case("variable ratio HDR", hdr, sdr, _variable, Grade(window=(0.127, 0.873, 0.0, 1.0)))


def _variable(signal, place):  # type: ignore[no-untyped-def]
    """Letterboxed, but for two passages that fill the height."""
    return Grade(hdr=True, bars=0.0 if 200 <= place < 420 or 600 <= place < 700 else 0.254)(signal, place)


def _mixtures() -> Iterator[Case]:
    hdr = put_in(without(film(), 333, 72), 900, other(200))
    yield Case("edits, grain, crop 2 %", hdr, without(film(20), 700, 100), HDR, Grade(grain=0.08, crop=0.02))
    yield Case("edits, half size, gamma, CRF 30", hdr, without(film(20), 700, 100), HDR, Grade(size=0.5, gamma=1.25), crf=30)
    yield Case("edits, 59.94, contrast", pull_down(hdr[:700]), film(20, 700), HDR, Grade(contrast=0.9), hdr_rate=59.94)
    yield Case(
        "edits, open matte, drift", film(), drop_every(without(film(15), 500, 72), 250), Grade(hdr=True, window=(0.127, 0.873, 0, 1)), SDR
    )


def _doubtful() -> Iterator[Case]:
    head, tail = film(0, 400), film(430, 800)
    yield Case("a loop of 12 frames", (*head, *film(400, 412) * 12, *tail), (*head[20:], *film(400, 412) * 12, *tail))
    yield Case("a loop shown less often", (*head, *film(400, 412) * 12, *tail), (*head[20:], *film(400, 412) * 9, *tail))
    yield Case("a loop of 48 frames", (*head, *film(210, 258) * 4, *tail), (*head[20:], *film(210, 258) * 4, *tail))
    yield Case("a shot used twice", (*head, *film(160, 230), *film(400, 800)), (*head[20:], *film(160, 230), *film(400, 800)))
    yield Case("a shot used twice in HDR only", (*head, *film(160, 230), *film(400, 800)), film(20, 800))
    yield Case("another order of two scenes", film(), (*film(0, 300), *film(600, 900), *film(300, 600), *film(900)))
    yield Case("stands still", (*head, *(400,) * 100, *tail), (*head[20:], *(400,) * 140, *tail))
    yield Case(
        "stands still, grain",
        (*head, *(400,) * 100, *tail),
        (*head[20:], *(400,) * 140, *tail),
        Grade(hdr=True, grain=0.04, seed=4),
        Grade(grain=0.08),
    )
    yield Case("black", (*head, *(BLACK,) * 60, *tail), (*head[20:], *(BLACK,) * 90, *tail))


def subtitled(signal, place):  # type: ignore[no-untyped-def]
    """A line of words burnt in, another every two seconds, in the first half of the film."""
    words = np.zeros(signal.shape, np.uint8)
    if place < 500 and place % 48 < 40:
        cv2.putText(words, f"AND THEN {place // 48 * 37 % 91} LAMPS", (120, ROWS - 30), cv2.FONT_HERSHEY_SIMPLEX, 0.7, 255, 2)
    return SDR(np.maximum(signal, words / np.float32(255)), place)


def bugged(signal, place):  # type: ignore[no-untyped-def]
    """A channel's mark that travels along the top."""
    mark = np.zeros(signal.shape, np.uint8)
    cv2.circle(mark, (40 + place % (COLUMNS - 80), 30), 14, 230, -1)
    return SDR(np.maximum(signal, mark / np.float32(255)), place)


def _more() -> Iterator[Case]:
    hdr, sdr = film(0, 900), film(37, 960)
    painted = tuple(range(PAINTED, PAINTED + painted_pictures()))
    yield Case("black-and-white SDR", hdr, sdr, red=True, film=3)
    yield Case("container, white 203", hdr, sdr, Grade(hdr=True, white_nits=203.0), SDR)
    yield Case("demo film, stretched", painted, (*logo(30), *painted[7:]), Grade(hdr=True, stretch=3.0), Grade(size=0.5))
    yield Case("29.97 both, other phase", repeat_every(film(0, 600), 4), repeat_every(film(13, 600), 4), hdr_rate=29.97, sdr_rate=29.97)
    yield Case("48 against 24", tuple(n for n in film(0, 500) for _ in range(2)), film(21, 520), hdr_rate=48.0)
    branches = film(0, 1000)
    for at, frames in ((100, 48), (250, 192), (400, 60), (520, 96), (700, 150), (860, 72)):
        branches = put_in(branches, at, other(frames, start=at // 2))
    yield Case("six branches in HDR", branches, film(10, 1000))
    yield Case("CRF 30, grain, half size", hdr, sdr, HDR, Grade(grain=0.05, size=0.5, seed=11), crf=30)
    yield Case("subtitles in SDR, half of the film", hdr, sdr, HDR, subtitled)
    yield Case("a moving mark in SDR", hdr, sdr, HDR, bugged)
    logos = (*logo(72), *film(0, 900), *logo(60, start=170)), (*reversed(logo(200)), *film(0, 900), *logo(110, start=200))
    yield Case("logos and credits, 25 against 24", *logos, sdr_rate=25.0)
    edited = put_in(without(film(0, 1000), 210, 90), 640, other(130, start=90))
    cut = without(film(15, 1000), 480, 60)
    yield Case("edits, grain, crop 4 %, film 7", edited, cut, HDR, Grade(grain=0.06, crop=0.04, seed=5), film=7)
    yield Case("edits, 59.94, gamma, film 8", pull_down(edited[:560]), film(20, 700), HDR, Grade(gamma=1.2), hdr_rate=59.94, film=8)
    yield Case("edits, drift, half size, film 9", edited, drop_every(cut, 300), HDR, Grade(size=0.5), film=9)
    yield Case("edits, a mark, 25 against 24", edited, cut, HDR, bugged, sdr_rate=25.0)


def _lit() -> Iterator[Case]:
    """The ladder's scenes under a camera that turns: every picture has a grade of its own on each side. None without the panoramas."""
    lit = tuple(range(LIT, LIT + lit_pictures()))
    if not lit:
        return
    yield Case("real light, peak 1000", (*logo(30), *lit), (*reversed(logo(90)), *lit[11:]), LitGrade(1000.0), LitGrade())
    yield Case("real light, peak 4000, half size, CRF 24", lit, lit[7:], LitGrade(4000.0), LitGrade(look=Grade(size=0.5)), crf=24)
    longer, shorter = put_in(lit, LIT + 200, other(72)), without(lit, LIT + 280, 60)
    yield Case("real light, peak 400, edits, grain", longer, shorter, LitGrade(400.0), LitGrade(look=Grade(grain=0.04, crop=0.02)))
    yield Case("real light, 59.94, peak 1000", pull_down(lit), lit[5:], LitGrade(1000.0), LitGrade(), hdr_rate=59.94)


def _made(kind: int, frames: int) -> Numbers:
    return tuple(range(MADE + 1000 * kind, MADE + 1000 * kind + frames))


def faded(look: Grade, start: int, stop: int, *, length: int):  # type: ignore[no-untyped-def]
    """A look that fades to black before `start` and out of it from `stop` on, over `length` frames."""

    def show(signal, place):  # type: ignore[no-untyped-def]
        light = min(max((start - place) / length, (place - stop + 1) / length, 0.0), 1.0)
        return look(signal * np.float32(light), place)

    return show


def _more_doubtful() -> Iterator[Case]:
    head, tail = film(0, 400), film(430, 800)
    both = (*head, *(BLACK,) * 20, *tail), (*head[20:], *(BLACK,) * 30, *tail)
    yield Case("a fade, longer in SDR", *both, faded(HDR, 400, 420, length=24), faded(SDR, 380, 410, length=48))
    still = (*head, *(400,) * 90, *tail), (*head[20:], *(400,) * 120, *tail)
    yield Case("a fade of a still, longer in SDR", *still, faded(HDR, 445, 446, length=24), faded(SDR, 440, 441, length=40))
    mixed = _made(DISSOLVE, 48)
    yield Case("a dissolve", (*film(0, 360), *mixed, *film(648, 900)), (*film(30, 360), *mixed, *film(648, 900)))
    yield Case("strobe of two pictures", (*head, *(400, 700) * 40, *tail), (*head[20:], *(400, 700) * 55, *tail))
    card = logo(1, start=60)
    yield Case("a title card under grain", (*head, *card * 90, *tail), (*head[20:], *card * 110, *tail), HDR, Grade(grain=0.06, seed=3))
    yield Case("a slow zoom on a still", (*head, *_made(ZOOM, 120), *tail), (*head[20:], *_made(ZOOM, 120), *tail))
    yield Case("a freeze of a second", (*head, *(399,) * 24, *tail), (*head[20:], *(399,) * 36, *tail))
    roll = tuple(_made(ROLL, 15)[n % 15] for n in range(240))
    yield Case("credits that repeat", (*head, *roll[:150], *tail), (*head[20:], *roll[:195], *tail))
    yield Case("a loop of 24 frames, other counts", (*head, *film(160, 184) * 5, *tail), (*head[20:], *film(160, 184) * 8, *tail))
    mirrored = tuple(MADE + 1000 * MIRRORED + n for n in range(500, 600))
    yield Case("a mirrored passage", film(), (*film(20, 500), *mirrored, *film(600)))
    yield Case("black-and-white SDR that stands still", *still, HDR, Grade(gamma=1.2), red=True)


def telling_cases() -> tuple[Case, ...]:
    """Cases in which what moves must get exactly its partner."""
    return (*_edits(), *_rates(), *_looks(), *_mixtures(), *_more(), *_lit())


def doubtful_cases() -> tuple[Case, ...]:
    """Cases with passages that must come out undetermined, and never matched to a wrong time."""
    return (*_doubtful(), *_more_doubtful())


DOUBTFUL: dict[str, tuple[int, int]] = {
    "a loop of 12 frames": (430, 524),
    "a loop shown less often": (440, 524),
    "a loop of 48 frames": (420, 570),
    "stands still": (413, 488),
    "stands still, grain": (413, 488),
    "black": (402, 458),
    "a fade, longer in SDR": (402, 418),
    "a fade of a still, longer in SDR": (412, 478),
    "strobe of two pictures": (418, 462),
    "a title card under grain": (412, 478),
    "a freeze of a second": (411, 413),
    "credits that repeat": (430, 526),
    "a loop of 24 frames, other counts": (424, 496),
    "a mirrored passage": (502, 598),
    "black-and-white SDR that stands still": (412, 478),
}
"""HDR frames of which none may be matched."""

NOT_YET: dict[str, str] = {}
"""Telling cases that miss the aim, and why."""

DOUBTFUL_NOT_YET: dict[str, str] = {}
"""Doubtful cases that miss the aim, and why."""
