"""Null pairs: the same light on both sides, spoiled by what releases differ in for no reason of range. The loss must stay near nothing.

Each picture is graded three times: `null` (the SDR light relabelled), `weak` (a true but restrained HDR: highlights up to 1.4 to 2 times
SDR white) and, on the SDR side, once. Both sides then go through one case: quantisation, real x264 and x265 encodes, grain on one side,
another size, a shift of a quarter of a pixel. Encoded cases are short pans of `FRAMES` pictures, every one of which is scored at the set-up
fitted to all, as `compare` does. Beside each null loss stands the loss of the weak pair in the same case against its clean one: an
allowance for noise that hides small true gains would show there.

Pictures: shots of the demo film (painted, pairdiff/_demo), cut to 960 x 636, and photographs of scikit-image (skimage.data; astronaut,
coffee, motorcycle, chelsea, grass). Grain of 8 % is Gaussian noise of 8 % of the light, alike in the three channels, from pixel to pixel
(`grain`) or with a radius of a pixel (`soft grain`).

    PYTHONPATH=. python tests/bench/null_pairs.py [PICTURE ...]

Printed: a line per picture and case, then two tables: cases, and displays with the null pair before coding (whole demo shots).
Limits (own): null loss at most 0.15 JOD and probability at most 0.54 in every frame of every case; dE_ITP below 0.5 on every display before
coding. The weak loss should stay near the clean one.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numba
import numpy as np
from numpy.typing import NDArray

from pairdiff._demo import grade
from pairdiff._demo.shots import SHOTS
from pairdiff._records import Setup, SetupUncertainty
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_release
from pairdiff.frames.decode import FrameReader
from pairdiff.frames.planes import planes_to_rgb
from pairdiff.light.display import PRESETS, add_veil
from pairdiff.light.picture import hdr_code_to_nits, nits_to_itp, sdr_code_to_nits
from pairdiff.match.geometry import resample_area
from pairdiff.score.difference import blur_optics, difference_map
from pairdiff.score.notice import PreferenceLoss, notice_probability, predict_loss
from pairdiff.score.pair import PairPictures
from pairdiff.score.screens import list_screens, source_peak_nits
from pairdiff.score.setup import fit_controls, leave_out_top
from pairdiff.score.title import FitCollector
from pairdiff.verdict.pictures import FIT_PIXELS_AT_LEAST
from tests.whole._films import encode_hdr, encode_sdr, hdr_planes, pan, sdr_planes

F32 = NDArray[np.float32]
FRAMES = 5
MOST_LOSS_JOD, MOST_PROBABILITY, MOST_DISPLAY_JND = 0.15, 0.54, 0.5
LEAST_WEAK_JOD = 0.1
"""A weak pair that loses less when clean has nothing to keep."""
SEED = 7
PHOTOGRAPHS = ("astronaut", "coffee", "motorcycle", "chelsea", "grass")
FULL_WHITE_NITS = 203.0
WEAK_PEAK_NITS = 280.0
SCALE_1080 = 28.27
LIT_ROOM_LUX = 50.0


@dataclass(frozen=True)
class Source:
    """One picture in its grades."""

    name: str
    sdr_signal: F32
    """BT.709 R'G'B' signal before quantisation, (row, column, 3)."""
    hdr_nits: Mapping[str, F32]
    """`null` and `weak`, linear BT.2020, cd/m2."""
    planted: tuple[float, float]
    """White (cd/m2) and gamma of the set that shows the light of `null`."""


@dataclass(frozen=True)
class Case:
    """What happens to both sides."""

    name: str
    hdr: Callable[[F32], F32] | None = None
    """On HDR light before coding."""
    sdr: Callable[[F32], F32] | None = None
    """On SDR signal before coding."""
    hdr_crf: int | None = None
    sdr_crf: int | None = None
    """None: quantised to codes, not encoded."""
    lines: int | None = None
    """Lines of a whole picture on the canvas; None: 1080, or less in proportion where the SDR picture is made smaller."""


@dataclass(frozen=True)
class Score:
    """One picture in one case."""

    null: tuple[PreferenceLoss, ...]
    """Of every frame."""
    weak_jod: float
    """Mean of the frames."""

    @property
    def worst(self) -> PreferenceLoss:
        return max(self.null, key=lambda one: one.jod)


def to_2020(signal: F32, *, white: float, gamma: float = 2.4) -> F32:
    return np.asarray(white * np.maximum(signal, 0).astype(np.float64) ** gamma @ grade.BT709_TO_BT2020.T, np.float32)


def demo_source(name: str, *, whole: bool = False) -> Source:
    """The middle of a shot of the demo film, cut to 960 x 636 about its centre unless `whole`."""
    scene = SHOTS[name]()(24)
    if not whole:
        top, left = (scene.shape[0] - 636) // 2, (scene.shape[1] - 960) // 2
        scene = scene[top : top + 636, left : left + 960]
    grades = (("null", "container"), ("weak", "restrained"))
    planted = (grade.CONTAINER_WHITE_NITS, grade.CONTAINER_GAMMA)
    sides = {kind: np.maximum(np.asarray(grade.grade_hdr(scene, pair, shot=name), np.float32), 0) for kind, pair in grades}
    return Source(name, np.asarray(grade.grade_sdr(scene), np.float32), sides, planted)


def photograph(name: str) -> F32:
    from skimage import data

    picture = data.stereo_motorcycle()[0] if name == "motorcycle" else getattr(data, name)()
    picture = np.stack([picture] * 3, -1) if picture.ndim == 2 else picture[..., :3]
    rows, columns = (size // 12 * 12 for size in picture.shape[:2])  # even at a half and at a third of the size
    return np.asarray(picture[:rows, :columns] / 255, np.float32)


def photograph_source(name: str) -> Source:
    """A photograph as SDR; the weak HDR lifts what lies above half of white, up to `WEAK_PEAK_NITS`."""
    signal = photograph(name)
    light = to_2020(signal, white=FULL_WHITE_NITS)
    level = light.max(-1, keepdims=True) / FULL_WHITE_NITS
    lift = 1 + (WEAK_PEAK_NITS / FULL_WHITE_NITS - 1) * np.clip((level - 0.4) / 0.6, 0, 1) ** 2
    return Source(name, signal, {"null": light, "weak": np.asarray(light * lift, np.float32)}, (FULL_WHITE_NITS, 2.4))


def sources(names: list[str]) -> Iterator[Source]:
    for name in (*SHOTS, *PHOTOGRAPHS):
        if not names or name in names:
            yield demo_source(name) if name in SHOTS else photograph_source(name)


def grain(light: F32, *, radius: float = 0.0, seed: int = SEED) -> F32:
    """Noise of 8 % of the light."""
    noise = np.random.default_rng(seed).standard_normal(light.shape[:2]).astype(np.float32)
    if radius:
        noise = cv2.GaussianBlur(noise, (0, 0), radius)
        noise /= noise.std()
    return np.asarray(light * np.maximum(1 + np.float32(0.08) * noise, 0)[..., None], np.float32)


def grain_signal(signal: F32, *, radius: float = 0.0) -> F32:
    return np.asarray(
        np.clip(grain(np.maximum(signal, 0) ** np.float32(2.4), radius=radius, seed=SEED + 1) ** np.float32(1 / 2.4), 0, 1), np.float32
    )


def soft_grain(light: F32) -> F32:
    return grain(light, radius=0.8)


def soft_grain_signal(signal: F32) -> F32:
    return grain_signal(signal, radius=0.8)


def enlarge(light: F32) -> F32:
    """Three times as large in each direction, cubic, in linear light."""
    return np.maximum(cv2.resize(light, None, fx=3.0, fy=3.0, interpolation=cv2.INTER_CUBIC), 0)


def shrink_signal(method: int, *, share: float = 0.5) -> Callable[[F32], F32]:
    """To a share of the size, on signal as a broadcaster's scaler does."""

    def shrink(signal: F32) -> F32:
        rows, columns = (round(size * share) for size in signal.shape[:2])
        return np.asarray(np.clip(cv2.resize(signal, (columns, rows), interpolation=method), 0, 1), np.float32)

    return shrink


def shift_quarter(light: F32) -> F32:
    """A quarter of a pixel right and down, cubic."""
    move = np.array([[1, 0, 0.25], [0, 1, 0.25]], np.float32)
    return np.maximum(cv2.warpAffine(light, move, light.shape[1::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), 0)


CASES = (
    Case("clean"),
    *(Case(f"crf {crf} both", hdr_crf=crf, sdr_crf=crf) for crf in (14, 18, 23, 28)),
    *(Case(f"crf {one} against {other}", hdr_crf=one, sdr_crf=other) for one, other in ((14, 28), (28, 14))),
    Case("grain HDR", hdr=grain),
    Case("grain SDR", sdr=grain_signal),
    Case("soft grain HDR", hdr=soft_grain),
    Case("soft grain SDR, crf 18", sdr=soft_grain_signal, hdr_crf=18, sdr_crf=18),
    Case("grain HDR, crf 18", hdr=grain, hdr_crf=18, sdr_crf=18),
    Case("shift", hdr=shift_quarter),
    Case("shift, crf 18", hdr=shift_quarter, hdr_crf=18, sdr_crf=18),
    Case("half size, cubic", sdr=shrink_signal(cv2.INTER_CUBIC), hdr_crf=18, sdr_crf=18),
    Case("half size, area", sdr=shrink_signal(cv2.INTER_AREA), hdr_crf=18, sdr_crf=18),
    Case("2160 against 720", hdr=enlarge, hdr_crf=18, sdr_crf=18, lines=720),
    Case("2160 against 720, own detail", sdr=shrink_signal(cv2.INTER_AREA, share=1 / 3), hdr_crf=18, sdr_crf=18, lines=720),
)
"""`2160 against 720`: the HDR release is three times as large in each direction, enlarged, or with the detail that the SDR one has lost."""


class Releases:
    """The releases of one picture: each is made once, whatever number of cases uses it."""

    def __init__(self, source: Source, folder: Path) -> None:
        self._source, self._folder = source, folder
        self._made: dict[tuple[object, ...], list[F32]] = {}

    def hdr(self, kind: str, case: Case) -> list[F32]:
        """Light of its frames, (row, column, 3) cd/m2."""
        nits = self._source.hdr_nits[kind] if case.hdr is None else case.hdr(self._source.hdr_nits[kind])
        step = 2 * nits.shape[1] // self.sdr(case)[0].shape[1]  # both sides move by the same share of the picture
        key = ("hdr", kind, case.hdr, case.hdr_crf, step)
        if key not in self._made:
            self._made[key] = [quantise(nits)] if case.hdr_crf is None else self._encode("hdr", nits, crf=case.hdr_crf, step=step)
        return self._made[key]

    def sdr(self, case: Case) -> list[F32]:
        """Signal of its frames."""
        key = ("sdr", case.sdr, case.sdr_crf)
        if key not in self._made:
            signal = self._source.sdr_signal if case.sdr is None else case.sdr(self._source.sdr_signal)
            coded = np.asarray(np.round(signal * 219) / 219, np.float32)
            self._made[key] = [coded] if case.sdr_crf is None else self._encode("sdr", signal, crf=case.sdr_crf, step=2)
        return self._made[key]

    def _encode(self, side: str, picture: F32, *, crf: int, step: int) -> list[F32]:
        path, options = self._folder / f"{side}.mkv", {"preset": "fast", "crf": str(crf)}
        encode, planes_of = (encode_hdr, hdr_planes) if side == "hdr" else (encode_sdr, sdr_planes)
        encode(path, pan(planes_of(picture), count=FRAMES, step=step), options=options)
        release = probe_release(path, side=side, settings=Settings())
        with FrameReader(release, threads=1) as reader:
            coded = [planes_to_rgb(frame.planes, release.signal) for frame in reader]
        return coded if side == "sdr" else [pq_light(one) for one in coded]


def pq_light(code: F32) -> F32:
    return hdr_code_to_nits(code, transfer="pq", primaries="bt2020", hlg_peak_nits=1000.0)


def quantise(nits: F32) -> F32:
    """10-bit narrow PQ and back."""
    return pq_light(np.round(np.asarray(grade.light_to_pq(nits), np.float32) * 876) / 876)


def on_canvas(hdr_nits: F32, sdr_signal: F32, *, pixels_per_degree: float) -> PairPictures:
    """At the smaller size, HDR light by area average."""
    rows, columns = sdr_signal.shape[:2]
    light = resample_area(hdr_nits, region=(0, hdr_nits.shape[0], 0, hdr_nits.shape[1]), rows=rows, columns=columns)
    return PairPictures(light, sdr_signal, pixels_per_degree)


def fit_title(pairs: list[PairPictures]) -> tuple[float, float]:
    """White and gamma of `controls`, fitted to all frames."""
    settings = replace(Settings(), fit_pixels_per_pair=max(Settings().fit_pixels_per_pair, FIT_PIXELS_AT_LEAST // len(pairs)))
    collector = FitCollector(settings)
    for number, pictures in enumerate(pairs):
        collector.add(pictures, shot=number)
    return fit_controls(leave_out_top(collector.sample()), settings)[:2]


def score_title(pairs: list[PairPictures]) -> tuple[PreferenceLoss, ...]:
    """Loss of every frame at the set-up of all."""
    white, gamma = fit_title(pairs)
    found = []
    for one in pairs:
        sides = one.hdr_nits, sdr_code_to_nits(one.sdr_code, white_nits=white, gamma=gamma)
        seen = [nits_to_itp(blur_optics(side, pixels_per_degree=one.pixels_per_degree)) for side in sides]
        found.append(predict_loss(*seen, pixels_per_degree=one.pixels_per_degree))
    return tuple(found)


def score_case(source: Source, releases: Releases, case: Case) -> Score:
    sdr = releases.sdr(case)
    share = case.lines / 1080 if case.lines else sdr[0].shape[0] / source.sdr_signal.shape[0]
    losses = {}
    for kind in ("null", "weak"):
        hdr = releases.hdr(kind, case)
        count = max(len(hdr), len(sdr))
        pairs = [on_canvas(hdr[n % len(hdr)], sdr[n % len(sdr)], pixels_per_degree=SCALE_1080 * share) for n in range(count)]
        losses[kind] = score_title(pairs)
    return Score(losses["null"], float(np.mean([one.jod for one in losses["weak"]])))


class Displays:
    """Largest differences of null pairs before coding, by display and room."""

    def __init__(self) -> None:
        self.worst: dict[tuple[str, float], dict[str, tuple[float, str]]] = {}
        """99.9th percentile of dE_ITP and the picture, at the planted and at the fitted set-up."""

    def add(self, source: Source) -> None:
        hdr, signal = source.hdr_nits["null"], source.sdr_signal
        peak = source_peak_nits(None, float(np.quantile(hdr.max(-1), 0.9999)))
        settings = replace(Settings(), displays=",".join(PRESETS))
        for name, (white, gamma) in (("planted", source.planted), ("fitted", fit_title([PairPictures(hdr, signal, SCALE_1080)]))):
            setup = Setup("controls", white, gamma, False, SetupUncertainty(None, None), None, None)
            for screen in list_screens(settings, transfer="pq", source_peak_nits=peak, controls=setup):
                sides = screen.show(hdr), sdr_code_to_nits(signal, white_nits=screen.setup.white_nits, gamma=screen.setup.gamma)
                for lux in (0.0, LIT_ROOM_LUX):
                    shown = [add_veil(side, display=screen.display, ambient_lux=lux) for side in sides]
                    jnd = float(np.quantile(difference_map(shown[0], shown[1], pixels_per_degree=SCALE_1080), 0.999))
                    found = self.worst.setdefault((screen.display.name, lux), {})
                    found[name] = max(found.get(name, (0.0, "")), (jnd, source.name))

    def print(self) -> None:
        print("\ndE_ITP, 99.9th percentile\n\n| display | room, lux | at the planted set-up | at the fitted set-up |\n|---|---|---|---|")
        for (display, lux), found in self.worst.items():
            told = [f"{jnd:.3f} ({picture}){' !' * (jnd >= MOST_DISPLAY_JND)}" for jnd, picture in (found["planted"], found["fitted"])]
            print(f"| {display} | {lux:.0f} | {told[0]} | {told[1]} |")


def print_line(case: Case, name: str, found: Score, *, clean_jod: float) -> None:
    """One line; `!` where a limit is broken."""
    worst, probability = found.worst, float(notice_probability(found.worst.jod))
    high = "!" if worst.jod > MOST_LOSS_JOD or probability > MOST_PROBABILITY else " "
    print(
        f"{case.name:28} {name:11} null {worst.jod:.3f} JOD{high} (colour {worst.colour_jod:.3f}), P {probability:.3f}; "
        f"weak {found.weak_jod:.3f} JOD, {found.weak_jod / clean_jod:.2f} of clean",
        flush=True,
    )


def print_table(found: Mapping[tuple[str, str], Score]) -> None:
    """A row per case over all pictures and frames."""
    names = list(dict.fromkeys(name for _, name in found))
    print("\n| case | frames | null, JOD | next picture | probability | weak keeps |\n|---|---|---|---|---|---|")
    for case in CASES:
        rows = {name: found[case.name, name] for name in names}
        order = sorted(rows, key=lambda name: -rows[name].worst.jod)
        losses = [f"{rows[name].worst.jod:.3f} ({name})" for name in order[:2]]
        clean = {name: found["clean", name].weak_jod for name in names}
        kept = [rows[name].weak_jod / clean[name] for name in names if clean[name] >= LEAST_WEAK_JOD]
        reach = f"{min(kept):.2f} to {max(kept):.2f}" if kept else "none to keep"
        frames = sum(len(one.null) for one in rows.values())
        probability = float(notice_probability(rows[order[0]].worst.jod))
        print(f"| {case.name} | {frames} | {losses[0]} | {losses[1] if losses[1:] else ''} | {probability:.3f} | {reach} |")


def main(names: list[str]) -> None:
    if set(names) - {*SHOTS, *PHOTOGRAPHS}:
        sys.exit(__doc__)
    cv2.setNumThreads(1)
    numba.set_num_threads(1)  # pictures this small gain nothing by more, and other work on the machine shows
    found: dict[tuple[str, str], Score] = {}
    displays = Displays()
    for source in sources(names):
        displays.add(demo_source(source.name, whole=True) if source.name in SHOTS else source)
        with tempfile.TemporaryDirectory() as folder:
            releases = Releases(source, Path(folder))
            for case in CASES:
                found[case.name, source.name] = score_case(source, releases, case)
                print_line(case, source.name, found[case.name, source.name], clean_jod=found["clean", source.name].weak_jod)
    print_table(found)
    displays.print()


if __name__ == "__main__":
    main(sys.argv[1:])
