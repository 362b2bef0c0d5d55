"""One pass over a release: fingerprints for matching, picture edges, light levels, times. It keeps about 1.3 kilobytes a frame, 1.15 of
them fingerprints, which need not lie in memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._film_array import Empty, FilmTimes, Prints, in_memory
from pairdiff._records import Damage, FieldOrder, Frame, FrameLevels, Levels, PictureSpan, Rectangle, Signal
from pairdiff._tables import Keep, Table, column
from pairdiff._tables import in_memory as rows_in_memory
from pairdiff.frames.decode import REPEATED, CannotReadOn
from pairdiff.frames.planes import BlockMeans, planes_to_rgb
from pairdiff.frames.prefetch import map_ahead
from pairdiff.frames.quantisation import LUMA_WEIGHTS
from pairdiff.light.picture import hdr_code_to_nits
from pairdiff.match.active import ActiveFinder, BarLevel, find_spans, measure_edges
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS, make_fingerprint, plan_blocks
from pairdiff.match.motion import find_cuts
from pairdiff.score.levels import (
    LevelScale,
    bt1886_level_scale,
    level_histogram,
    levels_from_histogram,
    light_histogram,
    pq_level_scale,
    release_light_levels,
)
from pairdiff.score.plane_levels import make_plane_scale, plane_histogram
from pairdiff.score.readings import CODES, count_luma

SDR_LEVELS_WHITE_NITS, SDR_LEVELS_GAMMA = 100.0, 2.4
"""Display at which an SDR release's levels are stated (BT.1886, BT.2035 white)."""

CODES_FIRST, CODES_EVERY = 96, 8
"""Pictures whose luma codes are counted: the first ones, then one in some (own): what they tell of is the range of the whole film."""


@dataclass(frozen=True, slots=True)
class Track:
    """What one pass over a release leaves."""

    active: Rectangle
    """Union over the film, as key frames show it; fingerprints and levels are of this part."""
    fingerprints: Prints
    """(frame, cell)."""
    edges: NDArray[np.uint16]
    """Where the light begins and ends in strips of each frame, (frame, 4, strip), as of `measure_edges`."""
    times_s: Sequence[Fraction]
    levels: Sequence[FrameLevels]
    damage: tuple[Damage, ...]
    field_order: FieldOrder | None = None
    """As in `Release`: how the pictures that were measured had been put together."""
    set_aside: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    """Frames that show more than one moment and are never matched, (frame,); empty where there are none."""
    notes: tuple[str, ...] = ()
    """What the pass found out about the release's frames, in words."""
    field_joins: str = ""
    """As in `Release`."""
    repeats: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))
    """Frames without a picture of their own, (frame,): repeats in woven film, mixes of two pictures; empty where that is not known."""
    in_order: bool = False
    """As in `Release`."""
    part_starts: tuple[tuple[int, Fraction], ...] = ()
    """As in `Release`."""
    one_field: bool = False
    """As in `Release`."""
    codes: NDArray[np.int64] = field(default_factory=lambda: np.zeros(CODES, np.int64))
    """Luma codes of the active picture, of some pictures of the whole release, thinned, in steps of an 8-bit code, (256,)."""


def luma_plane(frame: Frame, signal: Signal) -> NDArray[np.unsignedinteger[Any]]:
    """Luma of a frame as code values, (row, column); for R, G, B planes their weighted mean."""
    if signal.chroma_sampling.value != "rgb" or len(frame.planes) < 3:
        return frame.planes[0]
    red, blue = LUMA_WEIGHTS["bt2020-ncl" if signal.primaries.value == "bt2020" else "bt709"]
    weights = (red, 1 - red - blue, blue)
    luma: NDArray[np.unsignedinteger[Any]] = np.einsum("c,crk->rk", weights, np.stack(frame.planes[:3])).astype(frame.planes[0].dtype)
    return luma


def grey_light(frame: Frame, signal: Signal, *, hlg_peak_nits: float) -> NDArray[np.float32]:
    """Light of the equal grey of each pixel's luma, (row, column), cd/m2; SDR at the display that its levels are stated at."""
    depth = signal.bit_depth.value
    step, codes = 2.0 ** (depth - 8), np.arange(2**depth, dtype=np.float32)
    code = (codes - 16 * step) / (219 * step) if signal.range.value == "narrow" else codes / (2**depth - 1)
    if signal.transfer.value == "bt1886":
        table = SDR_LEVELS_WHITE_NITS * np.maximum(code, 0) ** SDR_LEVELS_GAMMA
    else:
        grey = np.repeat(code[:, None, None], 3, axis=2)
        table = hdr_code_to_nits(grey, transfer=signal.transfer.value, primaries=signal.primaries.value, hlg_peak_nits=hlg_peak_nits)[
            :, 0, 1
        ]
    light: NDArray[np.float32] = np.asarray(table, np.float32)[luma_plane(frame, signal)]
    return light


def find_active(frames: Iterable[Frame], signal: Signal) -> tuple[Rectangle, BarLevel]:
    """Active picture as the union over some frames of a release, and the level of its bars."""
    depth = signal.bit_depth.value
    step = 2.0 ** (depth - 8)
    finder = ActiveFinder(black_code=16 * step if signal.range.value == "narrow" else 0.0, code_step=step)
    for frame in frames:
        finder.add(luma_plane(frame, signal))
    return finder.rectangle(), finder.bar_level()


@dataclass(frozen=True, slots=True)
class Scan:
    """What `scan_frames` finds, a value a frame."""

    fingerprints: Prints
    edges: NDArray[np.uint16]
    times_s: Sequence[Fraction]
    levels: Table[FrameLevels]
    codes: NDArray[np.int64]
    """As in `Track`, (256,)."""


@dataclass(frozen=True, slots=True)
class FrameScan:
    """What is found of one frame."""

    fingerprint: NDArray[np.float16]
    edges: NDArray[np.uint16]
    time_s: Fraction
    levels: FrameLevels
    codes: NDArray[np.int64]
    """Luma codes; where frames are kept only their sum is, and these are none."""


NO_CODES = np.zeros(0, np.int64)


def scan_frames(
    frames: Iterable[Frame],
    signal: Signal,
    *,
    active: Rectangle,
    bar_level: BarLevel,
    hlg_peak_nits: float,
    progress: Callable[[int], None],
    workers: int = 1,
    before: Table[FrameScan] | None = None,
    codes_before: NDArray[np.int64] | None = None,
    keep: Callable[[Sequence[FrameScan], NDArray[np.int64]], None] | None = None,
    empty: Empty = in_memory,
    keep_rows: Keep = rows_in_memory,
) -> Scan:
    """Fingerprint and measure every frame.

    Parameters
    ----------
    frames : decoded pictures in order.
    signal : how to read them.
    active : active picture.
    bar_level : level of the bars.
    hlg_peak_nits : display peak for HLG.
    progress : called with the number of frames done.
    workers : frames that are measured at a time.
    before : what an earlier pass has found, which the rest is added to; unless it is empty, the frames begin with the last two of them.
    codes_before : the sum of their luma codes.
    keep : called after each frame with what was found so far and the sum of its luma codes.
    empty : makes the array that the fingerprints are put into.
    keep_rows : where light levels are put.

    Raises
    ------
    CannotReadOn : where the first two frames are others than the last two of `before`.

    Returns
    -------
    Scan: fingerprints (frame, cell), picture edges (frame, 4, strip), times, light levels, luma codes.
    """
    measure = frame_measurer(signal, active=active, bar_level=bar_level, hlg_peak_nits=hlg_peak_nits, counted=is_counted)
    found = Table(FrameScan) if before is None else before
    codes = np.zeros(CODES, np.int64) if codes_before is None else codes_before.copy()
    for number, one in enumerate(map_ahead(measure, frames, workers=workers), len(found) - REPEATED if found else 0):
        if number < len(found):  # measured again: what was kept must be what this reader finds
            if not is_same(one, found[number]):
                raise CannotReadOn(f"frame {number} is another than the one that was kept")
            continue
        codes += one.codes
        found.append(replace(one, codes=NO_CODES))
        progress(len(found))
        if keep is not None:
            keep(found, codes)
    times = found.column("time_s")
    times_s = FilmTimes(np.stack([times["over"], times["under"]], axis=-1)) if len(found) else ()
    levels = found.within("levels", FrameLevels, keep=keep_rows)
    return Scan(_prints_of(found, empty=empty), found.column("edges"), times_s, levels, codes)


def is_counted(index: int) -> bool:
    """Whether luma codes of a frame are counted."""
    return index < CODES_FIRST or index % CODES_EVERY == 0


def frame_measurer(
    signal: Signal, *, active: Rectangle, bar_level: BarLevel, hlg_peak_nits: float, counted: Callable[[int], bool]
) -> Callable[[Frame], FrameScan]:
    """What measures one frame, whatever lies before it; arguments as for `scan_frames`, `counted` says of which the luma codes are."""
    levels = _Levels(signal, hlg_peak_nits=hlg_peak_nits)
    step = 2.0 ** (signal.bit_depth.value - 8)

    def measure(frame: Frame) -> FrameScan:
        luma = luma_plane(frame, signal)
        blocks = plan_blocks(luma, active=active)
        light = levels.of(frame, active=active, blocks=blocks)
        none = np.zeros(CODES, np.int64)
        return FrameScan(
            make_fingerprint(luma, active=active, code_step=step, blocks=blocks),
            measure_edges(luma, active=active, level=bar_level),
            frame.time_s,
            light,
            count_luma(luma, active=active, bit_depth=signal.bit_depth.value) if counted(frame.index) else none,
        )

    return measure


def _prints_of(found: Table[FrameScan], *, empty: Empty) -> Prints:
    """Fingerprints of all frames, (frame, cell)."""
    prints, start = empty((len(found), GRID_ROWS * GRID_COLUMNS), np.float16), 0
    for rows in found.blocks():
        prints[start : start + len(rows)] = rows["fingerprint"]
        start += len(rows)
    return prints


def is_same(first: FrameScan, second: FrameScan) -> bool:
    """Whether two readings of a frame agree in all but the luma codes."""
    same = np.array_equal(first.fingerprint, second.fingerprint) and np.array_equal(first.edges, second.edges)
    return same and (first.time_s, first.levels) == (second.time_s, second.levels)


def track_spans(track: Track, signal: Signal) -> tuple[PictureSpan, ...]:
    """Passages of a release in which its picture fills one area."""
    cuts = [int(cut) for cut in find_cuts(track.fingerprints)]
    return find_spans(track.edges, active=track.active, rows=signal.height.value, columns=signal.width.value, cuts=cuts)


def measure_levels(frame: Frame, signal: Signal, *, active: Rectangle, hlg_peak_nits: float) -> FrameLevels:
    """Light levels of one frame at native size, chroma upsampled bilinearly at its siting."""
    return _Levels(signal, hlg_peak_nits=hlg_peak_nits).of(frame, active=active)


class _Levels:
    """Measures light levels of frames of one signal."""

    def __init__(self, signal: Signal, *, hlg_peak_nits: float) -> None:
        self._signal, self._hlg_peak_nits = signal, hlg_peak_nits
        self._scale = _signal_scale(signal.transfer.value, signal.primaries.value)
        whole = self._scale is not None and signal.chroma_sampling.value != "rgb"
        self._planes = make_plane_scale(signal, self._scale.code_to_nits) if whole and self._scale is not None else None

    def of(self, frame: Frame, *, active: Rectangle, blocks: BlockMeans | None = None) -> FrameLevels:
        """On raw planes where components decode one by one; else on R'G'B' signal, or on light where that must be made first.

        `blocks` of the luma plane are filled where one walk does both.
        """
        box = {"top": active.top, "bottom": active.bottom, "left": active.left, "right": active.right}
        if self._planes is not None:
            counted = plane_histogram(frame.planes, self._signal, active=active, scale=self._planes, blocks=blocks)
            nits = self._planes.step_nits
        elif self._scale is not None:
            counted, nits = level_histogram(planes_to_rgb(frame.planes, self._signal), **box, scale=self._scale), self._scale.bin_nits
        else:
            transfer, primaries = self._signal.transfer.value, self._signal.primaries.value
            code = planes_to_rgb(frame.planes, self._signal)
            light = hdr_code_to_nits(code, transfer=transfer, primaries=primaries, hlg_peak_nits=self._hlg_peak_nits)
            counted, nits = light_histogram(light, **box), pq_level_scale().bin_nits
        return levels_from_histogram(counted, bin_nits=nits, frame=frame.index, time_s=float(frame.time_s))


def _signal_scale(transfer: str, primaries: str) -> LevelScale | None:
    """Scale for signals whose components decode one by one; None where light must be made first."""
    if transfer == "bt1886":
        return bt1886_level_scale(SDR_LEVELS_WHITE_NITS, SDR_LEVELS_GAMMA)
    return pq_level_scale() if transfer == "pq" and primaries == "bt2020" else None


def levels_condition(signal: Signal, *, hlg_peak_nits: float) -> str:
    """Under what condition levels of that signal are stated, in words."""
    shown = {
        "pq": "absolute",
        "hlg": f"at a {hlg_peak_nits:g} cd/m2 display",
        "bt1886": f"at white {SDR_LEVELS_WHITE_NITS:g} cd/m2, gamma {SDR_LEVELS_GAMMA:g}, components of its own primaries",
    }[signal.transfer.value]
    return f"{shown}; chroma upsampled bilinearly"


def pool_levels(levels: Sequence[FrameLevels], *, condition: str) -> Levels:
    """Light levels of a release from those of its frames."""
    brightest, fullest = release_light_levels(levels)

    def most(name: str) -> float:
        return float(column(levels, name).max())

    def mean(name: str) -> float:
        return float(np.mean(column(levels, name)))

    return Levels(
        status="measured",
        max_cll_nits=brightest.max_nits,
        max_cll_time_s=brightest.time_s,
        max_fall_nits=fullest.average_nits,
        max_fall_time_s=fullest.time_s,
        max_fall_whole_nits=most("average_whole_nits"),
        p9999_nits=most("p9999_nits"),
        p999_nits=most("p999_nits"),
        p99_nits=most("p99_nits"),
        p50_nits=float(np.median(column(levels, "p50_nits"))),
        area_100_share=mean("area_100_share"),
        area_203_share=mean("area_203_share"),
        area_1000_share=mean("area_1000_share"),
        frames=len(levels),
        condition=condition,
    )
