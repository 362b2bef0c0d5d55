"""Films for surveys: small pictures of places with lamps, one scene a second, as one pass through all scenes and looped to some length."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import av
import cv2
import numpy as np
import pytest

import pairdiff
from tests._clips import Planes, repeat_clip
from tests.whole._films import encode_hdr, encode_sdr, hdr_planes, sdr_planes

ROWS, COLUMNS, SCENE = 216, 384, 24
CLOSED = f"keyint={SCENE}:min-keyint={SCENE}:scenecut=0:open-gop=0"
QUICK = {"preset": "ultrafast", "crf": "10"}
TO_2020 = np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]], np.float32)
"""BT.709 to BT.2020 light (ITU-R BT.2087-0, table 1)."""


class Kinds(NamedTuple):
    """A film in wider range, as an SDR picture in an HDR container, and its SDR release."""

    hdr: Path
    container: Path
    sdr: Path


def make_scene(number: int, *, lamps_nits: float = 900) -> np.ndarray:
    """Light of a place with lamps, BT.709 primaries, cd/m2; 100 is diffuse white."""
    rng = np.random.default_rng(number)
    light = cv2.GaussianBlur(rng.random((ROWS, COLUMNS, 3)).astype(np.float32), (0, 0), 9)
    light = 90 * (light - light.min()) / np.ptp(light) + 2 * rng.random((ROWS, COLUMNS, 1)).astype(np.float32)
    lamps = np.zeros((ROWS, COLUMNS), np.float32)
    for _ in range(9):
        cv2.circle(lamps, (int(rng.integers(30, COLUMNS - 30)), int(rng.integers(30, ROWS - 30))), int(rng.integers(5, 12)), 1.0, -1)
    return np.asarray(light + lamps_nits * cv2.GaussianBlur(lamps, (0, 0), 3)[..., None], np.float32)


def to_signal(light: np.ndarray) -> np.ndarray:
    """The SDR release's signal of that light, clipped at its white."""
    return np.asarray(np.clip(light / 100, 0, 1) ** (1 / 2.4))


def turned(planes: Planes, *, count: int = SCENE) -> Iterator[Planes]:
    """A scene whose picture turns by four luma columns a frame."""
    for number in range(count):
        yield [np.roll(plane, number * 4 * plane.shape[1] // planes[0].shape[1], axis=1) for plane in planes]


def encode_kinds(folder: Path, scenes: list[np.ndarray]) -> Kinds:
    """One pass through the scenes, each of the three ways, in closed groups of one second."""

    def film(planes: Iterator[Planes]) -> Iterator[Planes]:
        return (picture for one in planes for picture in turned(one))

    signals = [to_signal(light) for light in scenes]
    container = film(hdr_planes(180 * signal**2.4 @ TO_2020.T) for signal in signals)
    return Kinds(
        encode_hdr(folder / "hdr.mkv", film(hdr_planes(light @ TO_2020.T) for light in scenes), options=QUICK, params=CLOSED),
        encode_hdr(folder / "container.mkv", container, options=QUICK, params=CLOSED),
        encode_sdr(folder / "sdr.mkv", film(sdr_planes(signal) for signal in signals), options=QUICK, params=CLOSED),
    )


def loop_kinds(kinds: Kinds, *, times: int) -> Kinds:
    """The same films looped."""
    return Kinds(*(repeat_clip(one, one.with_name(f"long-{one.name}"), times=times) for one in kinds))


def join_clips(first: Path, second: Path, target: Path) -> Path:
    """Two clips of one encoder's settings as one."""
    with av.open(str(target), "w") as out:
        stream, base = None, 0
        for path in (first, second):
            with av.open(str(path)) as given:
                source = given.streams.video[0]
                stream = stream or out.add_stream_from_template(source)
                last, start = 0, None
                for packet in given.demux(source):
                    if not packet.size:
                        continue
                    assert packet.dts is not None
                    assert packet.pts is not None
                    assert source.time_base is not None
                    start = packet.dts if start is None else start
                    copy = av.Packet(bytes(packet))
                    copy.stream, copy.time_base, copy.is_keyframe = stream, source.time_base, packet.is_keyframe
                    copy.dts, copy.pts = packet.dts - start + base, packet.pts - start + base
                    last = copy.dts
                    out.mux(copy)
                base = last + round(1 / 24 / source.time_base)
    return target


def why_whole(hdr: Path, sdr: Path, *, survey: bool | None = True, settings: pairdiff.Settings | None = None) -> str:
    """Why a pair is read whole, as the progress says it."""
    stages: list[str] = []

    def stop(stage: str, done: int, total: int | None) -> None:
        stages.append(stage)
        if stage.startswith("measure the HDR"):
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        pairdiff.compare(hdr, sdr, survey=survey, settings=settings, progress=stop)
    return next(stage for stage in stages if stage.startswith("the pair is read whole"))
