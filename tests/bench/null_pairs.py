"""Null pairs: the same light on both sides, spoiled by what releases differ in for no reason of range. The loss must stay near nothing.

Each picture is graded three times: `null` (the SDR light relabelled), `weak` (a true but restrained HDR: highlights up to 1.4 to 2 times
SDR white) and, on the SDR side, once. Both sides then go through one case: quantisation, real x264 and x265 encodes, grain on one side,
another size, a shift of a quarter of a pixel. Beside each null loss stands the loss of the weak pair in the same case against its clean
one: an allowance for noise that hides small true gains would show there.

Pictures: frames of the demo film (painted, pairdiff/_demo) and photographs of scikit-image (skimage.data; astronaut, coffee, motorcycle,
chelsea, grass). Grain of 8 % is Gaussian noise of 8 % of the light, alike in the three channels, from pixel to pixel (`grain`) or with a
radius of a pixel (`soft grain`).

    PYTHONPATH=. python tests/bench/null_pairs.py [PICTURE ...]

Limits (own): null loss at most 0.15 JOD and probability at most 0.54 in every case; the weak loss within 25 % of the clean one.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

import pairdiff
from pairdiff._demo import grade
from pairdiff._demo.shots import SHOTS
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_release
from pairdiff.frames.decode import FrameReader
from pairdiff.frames.planes import planes_to_rgb
from pairdiff.light.display import PRESETS, add_veil
from pairdiff.light.picture import hdr_code_to_nits, sdr_code_to_nits, show_hdr_picture
from pairdiff.match.geometry import resample_area
from pairdiff.score.difference import difference_map
from tests.whole._films import encode_hdr, encode_sdr, hdr_planes, pan, sdr_planes

F32 = NDArray[np.float32]
FRAMES, SCORED = 5, 3
"""Pictures encoded, and the one that is scored: neither the first nor a key frame."""
MOST_LOSS_JOD, MOST_PROBABILITY, WEAK_BAND = 0.15, 0.54, 0.25
SEED = 7
PHOTOGRAPHS = ("astronaut", "coffee", "motorcycle", "chelsea", "grass")
FULL_WHITE_NITS = 203.0
WEAK_PEAK_NITS = 280.0
SCALE_1080 = 28.27


@dataclass(frozen=True)
class Source:
    """One picture in its grades."""

    name: str
    sdr_signal: F32
    """BT.709 R'G'B' signal before quantisation, (row, column, 3)."""
    hdr_nits: Mapping[str, F32]
    """`null` and `weak`, linear BT.2020, cd/m2."""


@dataclass(frozen=True)
class Case:
    """What happens to both sides."""

    name: str
    hdr: Callable[[F32], F32] = field(default=lambda nits: nits)
    """On HDR light before coding."""
    sdr: Callable[[F32], F32] = field(default=lambda signal: signal)
    """On SDR signal before coding."""
    hdr_crf: int | None = None
    sdr_crf: int | None = None
    """None: quantised to codes, not encoded."""


def to_2020(signal: F32, *, white: float, gamma: float = 2.4) -> F32:
    return np.asarray(white * np.maximum(signal, 0).astype(np.float64) ** gamma @ grade.BT709_TO_BT2020.T, np.float32)


def demo_sources() -> Iterator[Source]:
    """The middle of each shot of the demo film, cut to 960 x 640 about its centre."""
    for name, build in SHOTS.items():
        scene = build()(24)
        top, left = (scene.shape[0] - 640) // 2, (scene.shape[1] - 960) // 2
        scene = scene[top : top + 640, left : left + 960]
        sides = {
            kind: np.asarray(grade.grade_hdr(scene, pair, shot=name), np.float32)
            for kind, pair in (("null", "container"), ("weak", "restrained"))
        }
        yield Source(name, np.asarray(grade.grade_sdr(scene), np.float32), {kind: np.maximum(nits, 0) for kind, nits in sides.items()})


def photograph(name: str) -> F32:
    from skimage import data

    picture = data.stereo_motorcycle()[0] if name == "motorcycle" else getattr(data, name)()
    picture = np.stack([picture] * 3, -1) if picture.ndim == 2 else picture[..., :3]
    rows, columns = picture.shape[0] // 4 * 4, picture.shape[1] // 4 * 4
    return np.asarray(picture[:rows, :columns] / 255, np.float32)


def photograph_sources() -> Iterator[Source]:
    """Photographs as SDR; the weak HDR lifts what lies above half of white, up to `WEAK_PEAK_NITS`."""
    for name in PHOTOGRAPHS:
        signal = photograph(name)
        light = to_2020(signal, white=FULL_WHITE_NITS)
        level = light.max(-1, keepdims=True) / FULL_WHITE_NITS
        lift = 1 + (WEAK_PEAK_NITS / FULL_WHITE_NITS - 1) * np.clip((level - 0.4) / 0.6, 0, 1) ** 2
        yield Source(name, signal, {"null": light, "weak": np.asarray(light * lift, np.float32)})


def sources() -> Iterator[Source]:
    yield from demo_sources()
    yield from photograph_sources()


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


def enlarge(light: F32, factor: float) -> F32:
    """Cubic, in linear light."""
    big = cv2.resize(light, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC)
    return np.maximum(big, 0)


def shrink_signal(signal: F32, method: int) -> F32:
    """To half the size, on signal as a broadcaster's scaler does."""
    return np.asarray(np.clip(cv2.resize(signal, None, fx=0.5, fy=0.5, interpolation=method), 0, 1), np.float32)


def shift_quarter(light: F32) -> F32:
    """A quarter of a pixel right and down, cubic."""
    move = np.array([[1, 0, 0.25], [0, 1, 0.25]], np.float32)
    return np.maximum(cv2.warpAffine(light, move, light.shape[1::-1], flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE), 0)


CASES = (
    Case("clean"),
    *(Case(f"crf {crf} both", hdr_crf=crf, sdr_crf=crf) for crf in (14, 18, 23, 28)),
    Case("crf 14 against 28", hdr_crf=14, sdr_crf=28),
    Case("crf 28 against 14", hdr_crf=28, sdr_crf=14),
    Case("grain HDR", hdr=grain),
    Case("grain SDR", sdr=grain_signal),
    Case("soft grain HDR", hdr=lambda nits: grain(nits, radius=0.8)),
    Case("soft grain SDR, crf 18", sdr=lambda signal: grain_signal(signal, radius=0.8), hdr_crf=18, sdr_crf=18),
    Case("grain HDR, crf 18", hdr=grain, hdr_crf=18, sdr_crf=18),
    Case("shift", hdr=shift_quarter),
    Case("shift, crf 18", hdr=shift_quarter, hdr_crf=18, sdr_crf=18),
    Case("half size, cubic", sdr=lambda signal: shrink_signal(signal, cv2.INTER_CUBIC), hdr_crf=18, sdr_crf=18),
    Case("half size, area", sdr=lambda signal: shrink_signal(signal, cv2.INTER_AREA), hdr_crf=18, sdr_crf=18),
    Case("half size, Lanczos", sdr=lambda signal: shrink_signal(signal, cv2.INTER_LANCZOS4), hdr_crf=18, sdr_crf=18),
    Case("2160 against 720", hdr=lambda nits: enlarge(nits, 3.0), hdr_crf=18, sdr_crf=18),
)
"""`2160 against 720`: the HDR release is three times as large in each direction, with no detail of its own."""


def code_pair(source: Source, kind: str, case: Case, folder: Path) -> tuple[F32, F32]:
    """Both sides after the case, (light, signal), each at its own size."""
    nits, signal = case.hdr(source.hdr_nits[kind]), case.sdr(source.sdr_signal)
    settings = Settings()
    out = []
    step = 2 * nits.shape[1] // signal.shape[1]  # both move by the same share of the picture
    for side, pictures, crf in (("hdr", hdr_planes(nits), case.hdr_crf), ("sdr", sdr_planes(signal), case.sdr_crf)):
        if crf is None:
            out.append(quantise(nits) if side == "hdr" else np.asarray(np.round(signal * 219) / 219, np.float32))
            continue
        path = folder / f"{side}.mkv"
        (encode_hdr if side == "hdr" else encode_sdr)(
            path, pan(pictures, count=FRAMES, step=step if side == "hdr" else 2), options={"preset": "fast", "crf": str(crf)}
        )
        release = probe_release(path, side=side, settings=settings)
        with FrameReader(release, threads=1) as reader:
            frame = next(frame for frame in reader if frame.index == SCORED)
        rgb = planes_to_rgb(frame.planes, release.signal)
        if side == "hdr":
            rgb = hdr_code_to_nits(rgb, transfer="pq", primaries="bt2020", hlg_peak_nits=1000.0)
        out.append(rgb)
    return out[0], out[1]


def quantise(nits: F32) -> F32:
    """10-bit narrow PQ and back."""
    code = np.round(np.asarray(grade.light_to_pq(nits), np.float32) * 876) / 876
    return hdr_code_to_nits(code, transfer="pq", primaries="bt2020", hlg_peak_nits=1000.0)


def on_canvas(hdr_nits: F32, sdr_signal: F32) -> tuple[F32, F32]:
    """At the smaller size, HDR light by area average."""
    rows, columns = sdr_signal.shape[:2]
    return resample_area(hdr_nits, region=(0, hdr_nits.shape[0], 0, hdr_nits.shape[1]), rows=rows, columns=columns), sdr_signal


def pictures(source: Source, kind: str, case: Case) -> tuple[F32, F32, float]:
    """HDR light, SDR signal on the canvas, and its pixels per degree: a full picture has 1080 lines here, or half of them."""
    with tempfile.TemporaryDirectory() as folder:
        hdr, sdr = on_canvas(*code_pair(source, kind, case, Path(folder)))
    return hdr, sdr, SCALE_1080 * sdr.shape[0] / source.sdr_signal.shape[0]


def score(source: Source, kind: str, case: Case) -> Any:
    hdr, sdr, scale = pictures(source, kind, case)
    return pairdiff.compare_pictures(hdr, sdr, pixels_per_degree=scale)


def preset_difference_jnd(source: Source, setup: Any) -> float:
    """Largest 99.9th percentile of dE_ITP of the null pair before coding, over displays and dark or lit rooms, at a set-up."""
    found = []
    sdr_light = sdr_code_to_nits(source.sdr_signal, white_nits=setup.white_nits, gamma=setup.gamma)
    hdr_light = source.hdr_nits["null"]
    for display in PRESETS.values():
        shown = show_hdr_picture(hdr_light, display=display, source_peak_nits=float(hdr_light.max()))
        for ambient_lux in (0.0, 50.0):
            hdr, sdr = (add_veil(light, display=display, ambient_lux=ambient_lux) for light in (shown, sdr_light))
            found.append(float(np.quantile(difference_map(hdr, sdr, pixels_per_degree=SCALE_1080), 0.999)))
    return max(found)


def print_case(case: Case, chosen: list[Source], clean: dict[str, float]) -> None:
    """One line a picture and case; `!` where a limit is broken."""
    for source in chosen:
        null, weak = (score(source, kind, case) for kind in ("null", "weak"))
        own, gain = null.difference.on_its_own, weak.difference.on_its_own.preference_loss
        clean.setdefault(source.name, gain)
        ratio = gain / clean[source.name]
        high = "!" if own.preference_loss > MOST_LOSS_JOD or own.notice_probability > MOST_PROBABILITY else " "
        off = "!" if abs(ratio - 1) > WEAK_BAND else " "
        print(
            f"{case.name:24} {source.name:11} null {own.preference_loss:.3f} JOD{high} (colour {own.colour_part:.3f}), "
            f"P {float(own.notice_probability):.3f}; weak {gain:.3f} JOD, {ratio:.2f} of clean{off}",
            flush=True,
        )
        if case.name == "clean":
            worst = preset_difference_jnd(source, null.setup)
            print(f"{'':36} before coding, 99.9th percentile of dE_ITP on the worst display: {worst:.2f}")


def main(names: list[str]) -> None:
    chosen = [source for source in sources() if not names or source.name in names]
    if names and not chosen:
        sys.exit(__doc__)
    clean: dict[str, float] = {}
    for case in CASES:
        print_case(case, chosen, clean)


if __name__ == "__main__":
    main(sys.argv[1:])
