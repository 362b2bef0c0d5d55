"""Tiny clips for tests that need files: encoded with PyAV, their light computed here from the standards, not by the package."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import NamedTuple

import av
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from tests import _clips


class SmallPair(NamedTuple):
    """A tiny pair of releases: the HDR one is the SDR picture at 150 cd/m2 and gamma 2.4 in a PQ, BT.2020 container."""

    hdr: Path
    sdr: Path


def make_small_pair(folder: Path) -> SmallPair:
    pair = SmallPair(folder / "hdr.mkv", folder / "sdr.mkv")
    encode_clip(pair.sdr, sdr_codes(), hdr=False)
    encode_clip(pair.hdr, (_ycbcr_codes(_as_pq(one), kr=0.2627, kb=0.0593, bits=10) for one in _moving_pictures()), hdr=True)
    return pair


def make_longer_pair(folder: Path, *, shots: int) -> SmallPair:
    """A pair of so many shots of 20 frames, with a key frame every second in both releases."""
    hdr, sdr = (list(itertools.chain.from_iterable(_drift(shot, frames=20) for shot in range(shots))) for _ in range(2))
    light = (_ycbcr_codes(_as_pq(one), kr=0.2627, kb=0.0593, bits=10) for one in hdr)
    codes = (_ycbcr_codes(one, kr=0.2126, kb=0.0722, bits=8) for one in sdr)
    pair = SmallPair(folder / "hdr-longer.mkv", folder / "sdr-longer.mkv")
    _clips.encode_clip(pair.hdr, light, pix_fmt="yuv444p10le", params="keyint=24:crf=6")
    how = {"codec": "libx264", "pix_fmt": "yuv444p", "tags": _clips.SDR_TAGS, "params": "keyint=24"}
    _clips.encode_clip(pair.sdr, codes, options={"crf": "6"}, **how)  # type: ignore[arg-type]
    return pair


def make_pair_with_other_heads(folder: Path) -> SmallPair:
    """The same pair with 24 frames in front that differ from one release to the other."""
    pair = SmallPair(folder / "hdr-head.mkv", folder / "sdr-head.mkv")
    heads = [list(_drift(seed, frames=24)) for seed in (90, 91)]
    hdr = (_ycbcr_codes(_as_pq(one), kr=0.2627, kb=0.0593, bits=10) for one in (*heads[0], *_moving_pictures()))
    encode_clip(pair.hdr, hdr, hdr=True)
    encode_clip(pair.sdr, (_ycbcr_codes(one, kr=0.2126, kb=0.0722, bits=8) for one in (*heads[1], *_moving_pictures())), hdr=False)
    return pair


def make_pair_with_a_still_head(folder: Path) -> SmallPair:
    """The same pair with 24 frames of one still picture in front of both: nothing tells which belongs to which."""
    pair = SmallPair(folder / "hdr-still.mkv", folder / "sdr-still.mkv")
    still = [next(_drift(90, frames=1))] * 24
    hdr = (_ycbcr_codes(_as_pq(one), kr=0.2627, kb=0.0593, bits=10) for one in (*still, *_moving_pictures()))
    encode_clip(pair.hdr, hdr, hdr=True)
    encode_clip(pair.sdr, (_ycbcr_codes(one, kr=0.2126, kb=0.0722, bits=8) for one in (*still, *_moving_pictures())), hdr=False)
    return pair


def make_pair_with_a_mark(folder: Path) -> SmallPair:
    """The same pair with a small mark that stands still at its foot, white in the SDR release and four times as bright in the other."""
    pair = SmallPair(folder / "hdr-mark.mkv", folder / "sdr-mark.mkv")

    def marked(level: float, picture: NDArray[np.float64]) -> NDArray[np.float64]:
        picture = picture.copy()
        picture[150:162, 280:300] = level
        return picture

    bright = (600 / 10_000) ** (2610 / 16384)
    pq = float(((3424 / 4096 + 2413 / 128 * bright) / (1 + 2392 / 128 * bright)) ** (2523 / 32))
    hdr = (_ycbcr_codes(marked(pq, _as_pq(one)), kr=0.2627, kb=0.0593, bits=10) for one in _moving_pictures())
    encode_clip(pair.hdr, hdr, hdr=True)
    encode_clip(pair.sdr, (_ycbcr_codes(marked(1.0, one), kr=0.2126, kb=0.0722, bits=8) for one in _moving_pictures()), hdr=False)
    return pair


def make_pair_with_black_and_clips(folder: Path) -> SmallPair:
    """The same pair with its tones stretched, so that the SDR release is black and clipped where the HDR one goes on, and with the mark."""
    pair = SmallPair(folder / "hdr-range.mkv", folder / "sdr-range.mkv")

    def stretched() -> Iterator[NDArray[np.float64]]:
        for one in _moving_pictures():
            picture = np.clip(1.9 * one - 0.45, 0.012, None)
            picture[150:162, 280:300] = 1.0
            picture[:70, :120] *= 0.029 / picture[:70, :120].max()
            yield picture

    hdr = (_ycbcr_codes(_as_pq(np.where(one < 0.03, 4 * one, one)), kr=0.2627, kb=0.0593, bits=10) for one in stretched())
    encode_clip(pair.hdr, hdr, hdr=True)
    sdr = (_ycbcr_codes(np.where(one < 0.03, 0, np.minimum(one, 1.0)), kr=0.2126, kb=0.0722, bits=8) for one in stretched())
    encode_clip(pair.sdr, sdr, hdr=False)
    return pair


def sdr_codes() -> Iterator[tuple[NDArray[np.uint16], ...]]:
    return (_ycbcr_codes(one, kr=0.2126, kb=0.0722, bits=8) for one in _moving_pictures())


def encode_clip(path: Path, pictures: Iterator[tuple[NDArray[np.uint16], ...]], *, hdr: bool, tagged: bool = True) -> None:
    """Encode 4:4:4 code values, 24 frames a second; `tagged` writes the colour description into the file."""
    pixel_format, codec = ("yuv444p10le", "libx265") if hdr else ("yuv444p", "libx264")
    quiet = {"x265-params": "log-level=error:keyint=24:crf=6"} if hdr else {"crf": "6"}
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=24, options={"preset": "ultrafast", **quiet})
        for number, planes in enumerate(pictures):
            if number == 0:
                stream.height, stream.width = planes[0].shape
                stream.pix_fmt = pixel_format
                if tagged:
                    k = stream.codec_context
                    k.color_primaries, k.color_trc, k.colorspace, k.color_range = (9, 16, 9, 1) if hdr else (1, 1, 1, 1)
            frame = av.VideoFrame(planes[0].shape[1], planes[0].shape[0], pixel_format)
            frame.pts, frame.time_base = number, Fraction(1, 24)
            for plane, codes in zip(frame.planes, planes, strict=True):
                kind = np.uint16 if hdr else np.uint8
                rows = np.frombuffer(plane, kind).reshape(plane.height, -1)
                rows[:, : plane.width] = codes
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


def _moving_pictures() -> Iterator[NDArray[np.float64]]:
    """Three shots of 20 frames, smooth coloured shapes that drift: R'G'B' signal 0 to 1, 180 rows, 320 columns."""
    for shot in range(3):
        yield from _drift(shot, frames=20)


def _drift(seed: int, *, frames: int) -> Iterator[NDArray[np.float64]]:
    noise = np.random.default_rng(seed).normal(size=(240, 420, 3))
    field = gaussian_filter(noise, (12, 12, 0)) + 0.25 * gaussian_filter(noise, (2.5, 2.5, 0))
    field = 0.5 + 0.22 * field / field.std()
    for frame in range(frames):
        yield np.clip(field[frame : frame + 180, 2 * frame : 2 * frame + 320], 0.02, 0.98)


def _as_pq(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    """BT.709 signal through BT.1886 at 150 cd/m2, to BT.2020 primaries (BT.2087), to PQ (ST 2084)."""
    matrix = np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]])
    share = (150 * signal**2.4 @ matrix.T / 10_000) ** (2610 / 16384)
    return np.asarray(((3424 / 4096 + 2413 / 128 * share) / (1 + 2392 / 128 * share)) ** (2523 / 32))


def _ycbcr_codes(rgb: NDArray[np.float64], *, kr: float, kb: float, bits: int) -> tuple[NDArray[np.uint16], ...]:
    red, green, blue = np.moveaxis(rgb, -1, 0)
    luma = kr * red + (1 - kr - kb) * green + kb * blue
    step = 2 ** (bits - 8)
    planes = (219 * luma + 16, 224 * (blue - luma) / (2 - 2 * kb) + 128, 224 * (red - luma) / (2 - 2 * kr) + 128)
    return tuple(np.rint(plane * step).astype(np.uint16) for plane in planes)
