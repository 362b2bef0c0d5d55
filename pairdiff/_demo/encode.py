"""From painted light to coded pictures: grade by table, letterbox, sited 4:2:0, H.264 or HEVC with the tags a release carries."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from pairdiff._demo import grade
from pairdiff._demo._kernels import grade_direct, grade_through_709, shrink_by_two_thirds, site_chroma
from pairdiff._demo.paint import Picture

FRAME_RATE = Fraction(24, 1)
KR_KB = {"bt709": (0.2126, 0.0722), "bt2020-ncl": (0.2627, 0.0593)}

MAX_LIGHT_LEVELS: dict[str, tuple[int, int]] = {
    "container": (180, 105),
    "restrained": (223, 95),
    "wider": (1000, 154),
    "stretched": (800, 371),
    "regraded": (106, 64),
}
"""MaxCLL and MaxFALL that each HDR release declares, cd/m2: light as intended, before it is coded."""

Plane = NDArray[np.unsignedinteger[Any]]


class Coder:
    """One release being written: graded pictures in, one file out under its final name once it is whole."""

    def __init__(self, path: Path, *, pair: str | None) -> None:
        self.path, self.pair = path, pair
        self._part = path.with_name(f".{path.stem}.part{path.suffix}")
        self._shape = (720, 1280) if pair is None else (1080, 1920)
        self._active = (536, 1280) if pair is None else (804, 1920)
        self._top = (self._shape[0] - self._active[0]) // 2
        self._bits = 8 if pair is None else 10
        self._tables: dict[str, tuple[Any, ...]] = {}
        self._signal = [np.empty(self._active, np.float32) for _ in range(2)]
        self._planes = self._black_planes()
        self._number = 0
        self._file: Any = av.open(str(self._part), "w", format="mp4" if path.suffix == ".mp4" else "matroska")
        self._stream = _add_stream(self._file, pair=pair, shape=self._shape)

    def _black_planes(self) -> tuple[Plane, Plane, Plane]:
        rows, columns = self._shape
        step = 2 ** (self._bits - 8)
        kind = np.uint8 if self._bits == 8 else np.uint16
        half = (rows // 2, columns // 2)
        return np.full((rows, columns), 16 * step, kind), np.full(half, 128 * step, kind), np.full(half, 128 * step, kind)

    def write(self, scene: Picture, *, shot: str) -> None:
        """Grade one painted picture and code it."""
        self.fill_planes(scene, shot=shot)
        rows, columns = self._shape
        frame = av.VideoFrame(columns, rows, "yuv420p" if self._bits == 8 else "yuv420p10le")
        for target, source in zip(frame.planes, self._planes, strict=True):
            memory: Any = target  # a plane is a buffer, though its type does not say so
            view = np.frombuffer(memory, source.dtype).reshape(target.height, target.line_size // source.itemsize)
            view[:, : target.width] = source
        frame.pts, frame.time_base = self._number, 1 / FRAME_RATE
        self._number += 1
        self._file.mux(self._stream.encode(frame))

    def fill_planes(self, scene: Picture, *, shot: str) -> tuple[Plane, Plane, Plane]:
        """Grade one painted picture into the code values of the release: Y', Cb, Cr, whole coded picture."""
        if self.pair is None:
            scene = shrink(scene)
        step = float(2 ** (self._bits - 8))
        top, rows = self._top, self._active[0]
        luma = self._planes[0][top : top + rows]
        steps = np.array([16 * step, 219 * step, 2**self._bits - 1], np.float32)
        weights = np.array(KR_KB["bt709" if self.pair is None else "bt2020-ncl"], np.float32)
        if shot not in self._tables:
            self._tables[shot] = make_tables(self.pair, shot=shot)
        kernel: Any = grade_direct if self.pair == "wider" else grade_through_709
        kernel(scene, *self._tables[shot], weights, luma, *self._signal, steps)
        for signal, plane in zip(self._signal, self._planes[1:], strict=True):
            half = plane[top // 2 : (top + rows) // 2]
            site_chroma(signal, half, self.pair is not None, np.float32(128 * step), np.float32(224 * step), np.float32(2**self._bits - 1))
        return self._planes

    def finish(self) -> None:
        """Flush the encoder, close the file and give it its final name."""
        self._file.mux(self._stream.encode(None))
        self._file.close()
        os.replace(self._part, self.path)

    def abandon(self) -> None:
        """Close and remove what was written so far; does nothing after `finish`."""
        if self._part.exists():
            self._file.close()
            self._part.unlink(missing_ok=True)


@contextmanager
def open_coders(releases: Iterable[tuple[Path, str | None]]) -> Iterator[list[Coder]]:
    """Coders for (path, pair) releases, pair None for the SDR one; files appear only if everything went well."""
    coders: list[Coder] = []
    try:
        for path, pair in releases:
            coders.append(Coder(path, pair=pair))
        yield coders
        for coder in coders:
            coder.finish()
    finally:
        for coder in coders:
            coder.abandon()


def shrink(scene: Picture) -> Picture:
    """The painted picture at the size of the SDR release: area average in scene light."""
    small = np.empty((scene.shape[0] * 2 // 3, scene.shape[1] * 2 // 3, 3), np.float32)
    shrink_by_two_thirds(scene, small)
    return small


def make_tables(pair: str | None, *, shot: str) -> tuple[Any, ...]:
    """Arguments of the grading kernel between the picture and the luma weights, for one release and shot."""
    last, scale = grade.TABLE_SIZE - 1, np.float32
    if pair == "wider":
        table = grade.tabulate(
            lambda x: grade.light_to_pq(grade.WIDER_WHITE_NITS * grade.shoulder_wider(grade.apply_look(x))), top=grade.SCENE_TOP
        )
        return table, scale(last / grade.SCENE_TOP**0.25)
    look = grade.tabulate(grade.apply_look, top=grade.SCENE_TOP)
    signal: Callable[[Any], Any]
    if pair is None:
        curves: Sequence[Callable[[Any], Any]] = (grade.shoulder_sdr,) * 3
        signal, out_of, top = grade.light_to_sdr, np.eye(3), 1.0
    else:
        curves = grade.channel_curves(pair, shot=shot)
        signal, out_of, top = grade.light_to_pq, np.array(grade.mix_matrix(pair, shot=shot), np.float64), grade.NITS_TOP
    end = grade.tabulate(signal, top=top)
    rows = [grade.tabulate(curve, top=grade.LIGHT_TOP) for curve in curves]
    scales = np.array([last / t**0.25 for t in (grade.SCENE_TOP, grade.LIGHT_TOP, top)], np.float32)
    into, weights = grade.BT2020_TO_BT709.astype(np.float32), grade.BT709_LUMINANCE.astype(np.float32)
    return look, *rows, end, into, weights, out_of.astype(np.float32), scales


def _add_stream(file: Any, *, pair: str | None, shape: tuple[int, int]) -> Any:
    if pair is None:
        options = {"preset": "veryfast", "crf": "16", "x264-params": "keyint=48:log-level=error:chromaloc=0"}
        stream = file.add_stream("libx264", rate=FRAME_RATE, options=options)
        tags, stream.pix_fmt = (1, 1, 1, 1), "yuv420p"
    else:
        cll, fall = MAX_LIGHT_LEVELS[pair]
        display = "G(13250,34500)B(7500,3000)R(34000,16000)WP(15635,16450)L(10000000,50)"
        fixed = "log-level=none:hdr10=1:repeat-headers=1:chromaloc=2:keyint=48:pools=2:frame-threads=2:rc-lookahead=8:bframes=2"
        fixed += ":cbqpoffs=-4:crqpoffs=-4"
        params = f"{fixed}:master-display={display}:max-cll={cll},{fall}"
        stream = file.add_stream("libx265", rate=FRAME_RATE, options={"preset": "ultrafast", "crf": "5", "x265-params": params})
        tags, stream.pix_fmt = (9, 16, 9, 1), "yuv420p10le"
    stream.height, stream.width = shape
    context = stream.codec_context
    context.color_primaries, context.color_trc, context.colorspace, context.color_range = tags
    return stream
