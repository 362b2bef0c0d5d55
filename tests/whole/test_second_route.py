"""Decoded light against a second route that shares nothing with the package: Debian's ffmpeg decodes, its zscale filter makes linear light.

Both upsample chroma bilinearly, at the siting the package reports (HEVC with BT.2020: top-left; H.264: left). zscale (zimg) shows BT.709
through BT.1886 and HLG through the OOTF of a 1000 cd/m2 display, on luminance only with `agamma=0` (its default is an approximation).
1.0 in its linear output is `npl` cd/m2, and SDR white for SDR.
"""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from pairdiff import Settings
from pairdiff.clip.probe import probe_release
from pairdiff.frames.decode import FrameReader
from pairdiff.frames.planes import planes_to_rgb
from pairdiff.light.picture import hdr_code_to_nits, sdr_code_to_nits
from tests._clips import HLG_TAGS, PQ_TAGS, SDR_TAGS, encode_clip
from tests.whole._films import BT709, BT2020, QUALITY, Floats, planes_of_signal

ROWS, COLUMNS, FRAMES, LOOKED_AT = 270, 480, 8, (0, 7)
SDR_WHITE_NITS, SDR_GAMMA = 100.0, 2.4
MEDIAN_ERROR, TAIL_ERROR = 1e-4, 1e-3
"""Median and 99.9th percentile of the relative error. One in a thousand of light is a third of a 10-bit PQ code near black."""
DARK_SHARE = 1e-4
"""Light below this share of the brightest pixel is left out: there a relative error divides by almost nothing."""


@dataclass(frozen=True)
class Route:
    """One kind of signal: how to encode it, and how ffmpeg is told to read it."""

    codec: str
    pix_fmt: str
    tags: tuple[int, int, int, int]
    weights: tuple[float, float]
    bits: int
    siting: str
    reading: str


ROUTES = {
    "pq": Route("libx265", "yuv420p10le", PQ_TAGS, BT2020, 10, "top-left", "tin=smpte2084:min=2020_ncl:pin=2020:cin=topleft:npl=10000"),
    "hlg": Route(
        "libx265", "yuv420p10le", HLG_TAGS, BT2020, 10, "top-left", "tin=arib-std-b67:min=2020_ncl:pin=2020:cin=topleft:npl=1000:agamma=0"
    ),
    "sdr": Route("libx264", "yuv420p", SDR_TAGS, BT709, 8, "left", "tin=709:min=709:pin=709:cin=left:npl=100"),
}
SCALE_NITS = {"pq": 10_000.0, "hlg": 1000.0, "sdr": SDR_WHITE_NITS}


def signals() -> Iterator[Floats]:
    """Coloured shapes of several sizes that drift, from dark to bright, R'G'B' signal inside 0.03 to 0.97."""
    noise = np.random.default_rng(11).normal(size=(ROWS + 20, COLUMNS + 40, 3))
    field = sum(weight * gaussian_filter(noise, (sigma, sigma, 0)) * sigma for sigma, weight in ((20, 1.0), (6, 0.5), (2, 0.1)))
    field = 0.45 + 0.2 * field / np.std(field)
    for frame in range(FRAMES):
        yield np.clip(field[frame : frame + ROWS, 2 * frame : 2 * frame + COLUMNS], 0.03, 0.97)


def light_by_zscale(path: Path, route: Route, ffmpeg: str) -> Floats:
    """Linear BT.2020 light of the frames looked at, (frame, row, column, 3)."""
    chosen = "+".join(rf"eq(n\,{number})" for number in LOOKED_AT)
    chain = f"select={chosen},zscale={route.reading}:rin=tv:f=bilinear:t=linear:p=2020:m=gbr:r=pc,format=gbrpf32le"
    # -vsync passthrough: Debian 12's ffmpeg 5.1 and its successors both know it
    command = [ffmpeg, "-v", "error", "-i", str(path), "-vf", chain, "-vsync", "passthrough", "-f", "rawvideo", "-"]
    done = subprocess.run(command, capture_output=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr.decode()
    planes = np.frombuffer(done.stdout, "<f4").reshape(len(LOOKED_AT), 3, ROWS, COLUMNS)
    return np.moveaxis(planes[:, [2, 0, 1]], 1, -1).astype(np.float64)


def light_by_pairdiff(path: Path, kind: str) -> Floats:
    release = probe_release(path, side="sdr" if kind == "sdr" else "hdr", settings=Settings())
    pictures = []
    with FrameReader(release) as reader:
        for frame in reader:
            if frame.index not in LOOKED_AT:
                continue
            code = planes_to_rgb(frame.planes, release.signal)
            if kind == "sdr":
                pictures.append(sdr_code_to_nits(code, white_nits=SDR_WHITE_NITS, gamma=SDR_GAMMA))
            else:
                pictures.append(hdr_code_to_nits(code, transfer=kind, primaries="bt2020", hlg_peak_nits=1000.0))
    return np.stack(pictures).astype(np.float64)


@pytest.mark.parametrize("kind", ROUTES)
def test_decoded_light_agrees_with_ffmpeg_and_zscale(kind: str, tmp_path: Path, ffmpeg: str) -> None:
    route = ROUTES[kind]
    planes = (planes_of_signal(one, weights=route.weights, bits=route.bits, siting=route.siting) for one in signals())
    path = encode_clip(
        tmp_path / f"{kind}.mkv", planes, codec=route.codec, pix_fmt=route.pix_fmt, tags=route.tags, options=QUALITY, params="keyint=4"
    )
    ours = light_by_pairdiff(path, kind)
    theirs = light_by_zscale(path, route, ffmpeg) * SCALE_NITS[kind]
    lit = theirs > DARK_SHARE * theirs.max()
    error = np.abs(ours[lit] - theirs[lit]) / theirs[lit]
    assert lit.mean() > 0.9
    assert np.median(error) < MEDIAN_ERROR, f"median relative error {np.median(error):.5f}"
    assert np.percentile(error, 99.9) < TAIL_ERROR, f"99.9th percentile of relative error {np.percentile(error, 99.9):.5f}"
