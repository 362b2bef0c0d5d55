"""MaxCLL and MaxFALL of real files against arithmetic that shares nothing with the package.

Debian's ffmpeg writes the code values of every plane as they are (no conversion: the pixel format is the file's own), and the few lines
below turn them into light in float64: BT.2100-2 Table 9 (quantisation), Table 6 (BT.2020 NCL matrix), Table 4 (PQ EOTF), Table 5 (HLG
inverse OETF and OOTF, display of 1000 cd/m2, black 0), chroma sited as ITU-T H.265 figure E.1 and upsampled bilinearly. MaxCLL and MaxFALL
by CTA-861.3-A Annex: the largest max(R, G, B), and the largest mean of it over a frame's active picture.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from tests._clips import HLG_TAGS, PQ_TAGS, Planes, encode_clip
from tests.whole._films import Floats

KR, KB = 0.2627, 0.0593
"""BT.2100-2 Table 6."""
LUMINANCE = (0.2627, 0.6780, 0.0593)
"""BT.2100-2 Table 5, note on the OOTF's Y_S."""
CHROMA_PLACE = {"left": (0.5, 0.0), "top-left": (0.0, 0.0)}
"""Row and column of the first chroma sample on the luma grid."""
SITING_NUMBER = {"left": 0, "top-left": 2}
"""`chroma_sample_loc_type` of H.265 figure E.1."""
SHARE = 1e-3
"""How far a level may be off: 0.1 % (own threshold). Chroma half a row away moves MaxCLL of these pictures by more."""


@dataclass(frozen=True)
class Case:
    """One file: transfer, size, range and siting; rows of black above and below."""

    transfer: str
    rows: int
    columns: int
    bar_rows: int
    full_range: bool = False
    siting: str = "top-left"
    frames: int = 3


CASES = {
    "pq-2160": Case("pq", 2160, 3840, 140),
    "hlg-2160": Case("hlg", 2160, 3840, 140),
    "pq-left": Case("pq", 360, 640, 0, siting="left"),
    "pq-full-range": Case("pq", 360, 640, 0, full_range=True),
    "hlg-left-full-range": Case("hlg", 360, 640, 24, full_range=True, siting="left"),
}


def painted(case: Case) -> Floats:
    """R'G'B' signal of one picture whose ends meet: texture with saturated colours, a dark half, small saturated lights."""
    draw = np.random.default_rng(29)
    high = case.rows - 2 * case.bar_rows
    noise = draw.standard_normal((high, case.columns, 3), np.float32)
    field = sum(sigma * gaussian_filter(noise, (sigma, sigma, 0), mode="wrap", truncate=3) for sigma in (1, 3, 8))
    signal = 0.34 + 0.11 * field / field.std()
    signal[:, : case.columns // 2] *= 0.4
    across, down = np.meshgrid(np.arange(case.columns), np.arange(high))
    for number, colour in enumerate(((0.93, 0.3, 0.1), (0.2, 0.85, 0.3), (0.15, 0.2, 0.9), (0.88, 0.85, 0.8))):
        for _ in range(5):
            row, column, radius = draw.integers(0, high), draw.integers(0, case.columns), draw.integers(2, 9)
            light = (down - row) ** 2 + (across - column) ** 2 <= radius**2
            signal[light] = np.asarray(colour) + 0.004 * number * draw.standard_normal((int(light.sum()), 1))
    bars = ((case.bar_rows, case.bar_rows), (0, 0), (0, 0))
    return np.pad(np.clip(signal, 0, 1), bars).astype(np.float64)


def coded(case: Case) -> Iterator[Planes]:
    """10-bit 4:2:0 codes of a few frames: the picture turns and dims a little, so that one frame holds both levels."""
    signal = painted(case)
    luma = signal @ np.asarray((KR, 1 - KR - KB, KB))
    chroma = [(signal[..., place] - luma)[::2, ::2] / (2 - 2 * share) for place, share in ((2, KB), (0, KR))]
    for number in range(case.frames):
        planes = [np.roll(plane, -8 * number * plane.shape[1] // case.columns, axis=1) * (1 - 0.01 * number) for plane in (luma, *chroma)]
        scales = ((1023, 0), (1023, 512), (1023, 512)) if case.full_range else ((876, 64), (896, 512), (896, 512))
        yield [
            np.clip(np.rint(scale * plane + zero), 4, 1019).astype(np.uint16) for plane, (scale, zero) in zip(planes, scales, strict=True)
        ]


def encoded(case: Case, path: Path) -> Path:
    tags = (*(PQ_TAGS if case.transfer == "pq" else HLG_TAGS)[:3], 2 if case.full_range else 1)
    params = f"chromaloc={SITING_NUMBER[case.siting]}:range={'full' if case.full_range else 'limited'}:keyint=2"
    return encode_clip(path, coded(case), tags=tags, params=params, options={"crf": "12"})


def upsampled(plane: Floats, siting: str, shape: tuple[int, int]) -> Floats:
    """Chroma on the luma grid: linear between the two nearest samples along each axis, the last sample repeated outside."""
    for axis, first in enumerate(CHROMA_PLACE[siting]):
        place = np.clip((np.arange(shape[axis]) - first) / 2, 0, plane.shape[axis] - 1)
        lower = np.minimum(place.astype(int), plane.shape[axis] - 2)
        share = (place - lower).reshape((-1, 1) if axis == 0 else (1, -1))
        plane = plane.take(lower, axis) * (1 - share) + plane.take(lower + 1, axis) * share
    return plane


def pixel_levels(codes: tuple[Floats, Floats, Floats], case: Case, *, siting: str) -> Floats:
    """max(R, G, B) of every pixel of a frame, cd/m2, (row, column)."""
    luma = codes[0] / 1023 if case.full_range else (codes[0] - 64) / 876
    cb, cr = ((upsampled(plane, siting, luma.shape) - 512) / (1023 if case.full_range else 896) for plane in codes[1:])
    red, blue = luma + 2 * (1 - KR) * cr, luma + 2 * (1 - KB) * cb
    signal = np.stack([red, (luma - KR * red - KB * blue) / (1 - KR - KB), blue])
    if case.transfer == "pq":
        root = np.clip(signal.max(axis=0), 0, 1) ** (1 / 78.84375)
        return np.asarray(10_000 * (np.maximum(root - 0.8359375, 0) / (18.8515625 - 18.6875 * root)) ** (1 / 0.1593017578125))
    a = 0.17883277
    b, c = 1 - 4 * a, 0.5 - a * np.log(4 * a)
    signal = np.maximum(signal, 0)
    scene = np.where(signal <= 0.5, signal**2 / 3, (np.exp((np.maximum(signal, 0.5) - c) / a) + b) / 12)
    return np.asarray(1000 * scene.max(axis=0) * np.tensordot(LUMINANCE, scene, 1) ** 0.2)


def levels_by_hand(path: Path, case: Case, ffmpeg: str, *, siting: str) -> tuple[float, float, float]:
    """MaxCLL, MaxFALL over the active picture and over the whole frame, cd/m2, of the planes ffmpeg decodes."""
    raw = path.with_suffix(".yuv")
    command = [ffmpeg, "-v", "error", "-i", str(path), "-f", "rawvideo", "-pix_fmt", "yuv420p10le", str(raw)]
    done = subprocess.run(command, capture_output=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr.decode()
    size = case.rows * case.columns
    frames = np.fromfile(raw, "<u2").reshape(case.frames, size * 3 // 2)
    raw.unlink()
    largest, active, whole = [], [], []
    for frame in frames:
        luma, cb, cr = np.split(frame.astype(np.float64), [size, size * 5 // 4])
        small = (case.rows // 2, case.columns // 2)
        levels = pixel_levels((luma.reshape(case.rows, -1), cb.reshape(small), cr.reshape(small)), case, siting=siting)
        picture = levels[case.bar_rows : case.rows - case.bar_rows]
        largest.append(picture.max())
        active.append(picture.mean())
        whole.append(levels.mean())
    return max(largest), max(active), max(whole)


@pytest.mark.parametrize("name", [pytest.param(name, marks=pytest.mark.slow) if name.endswith("-2160") else name for name in CASES])
def test_max_cll_and_max_fall_are_those_of_arithmetic_by_hand(
    name: str, tmp_path: Path, ffmpeg: str, run_pairdiff: Callable[..., subprocess.CompletedProcess[str]]
) -> None:
    case = CASES[name]
    path = encoded(case, tmp_path / f"{name}.mkv")
    done = run_pairdiff("measure", path, "--json")
    assert done.returncode == 0, done.stderr
    measured = json.loads(done.stdout)["levels"]
    max_cll, max_fall, max_fall_whole = levels_by_hand(path, case, ffmpeg, siting=case.siting)
    assert measured["max_cll_nits"] == pytest.approx(max_cll, rel=SHARE)
    assert measured["max_fall_nits"] == pytest.approx(max_fall, rel=SHARE)
    assert measured["max_fall_whole_nits"] == pytest.approx(max_fall_whole, rel=SHARE)
    if not case.bar_rows:  # the picture tells sitings apart: read at the other one, it would not agree
        other = "left" if case.siting == "top-left" else "top-left"
        assert levels_by_hand(path, case, ffmpeg, siting=other)[0] != pytest.approx(max_cll, rel=2 * SHARE)
