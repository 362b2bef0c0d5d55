"""The kernels of a pass, compiled on a fresh installation or else loaded, in a thread while key frames are decoded.

Compiling takes seconds, and once for all: the results are kept on disk. Whoever waits for it is told so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import wait as wait_for
from dataclasses import replace

from pairdiff._records import Frame, Rectangle, Signal
from pairdiff.frames.cadence import FieldWatch
from pairdiff.frames.planes import planes_to_rgb
from pairdiff.light.picture import code_level, hdr_code_to_nits
from pairdiff.match.active import BarLevel
from pairdiff.score.scan import scan_frames

STRIP_ROWS = 144
"""Rows of a picture that are measured to have everything ready (own)."""
SOON_S = 0.5
"""Waiting that is not worth a word, seconds (own): loading takes less, compiling more."""
COMPILING = "compile the kernels, once"


class KernelsReady:
    """Starts with the first picture that passes; `wait` ends when a pass can begin without a pause."""

    def __init__(self, signal: Signal, *, hlg_peak_nits: float) -> None:
        self._signal, self._hlg_peak_nits = signal, hlg_peak_nits
        self._pool = ThreadPoolExecutor(1, thread_name_prefix="kernels")
        self._work: Future[None] | None = None

    def watch(self, frames: Iterable[Frame]) -> Iterator[Frame]:
        """The same pictures; the first is the one of which some rows are measured."""
        for frame in frames:
            if self._work is None:
                self._work = self._pool.submit(_measure_strip, frame, self._signal, hlg_peak_nits=self._hlg_peak_nits)
                self._pool.shutdown(wait=False)
            yield frame

    def wait(self, *, tell: Callable[[str, int, int | None], None]) -> None:
        """Until the kernels are ready; `tell` is called (stage, done, total) where that takes long."""
        if self._work is None:
            return
        done, _ = wait_for([self._work], timeout=SOON_S)
        if not done:
            tell(COMPILING, 0, None)
        self._work.result()


def _measure_strip(frame: Frame, signal: Signal, *, hlg_peak_nits: float) -> None:
    """All that a pass does to a picture, done to a part of this one; what is found is of no use."""
    strip = _cut_strip(frame)
    rows, columns = strip.planes[0].shape
    whole = Rectangle(0, rows, 0, columns)
    watch = FieldWatch()
    for number in range(3):  # the watch compares three
        watch.add(number, strip.planes)
    scan_frames([strip], signal, active=whole, bar_level=BarLevel(0.0, 1.0), hlg_peak_nits=hlg_peak_nits, progress=lambda done: None)
    code = planes_to_rgb(strip.planes, signal)
    transfer = signal.transfer.value
    if transfer != "bt1886":
        code = hdr_code_to_nits(code, transfer=transfer, primaries=signal.primaries.value, hlg_peak_nits=hlg_peak_nits)
    code_level(code)


def _cut_strip(frame: Frame) -> Frame:
    """The first rows of a picture; of a low one all."""
    rows = frame.planes[0].shape[0]
    most = min(rows, STRIP_ROWS)
    return replace(frame, planes=tuple(plane[: -(-most // -(-rows // plane.shape[0]))] for plane in frame.planes))
