"""Things in the files that are not the film's picture, and where the highest level of the HDR release comes from.

Logos before a film, credits behind it, a flash of one frame, damaged frames, a few bright pixels, marks and subtitles laid over the
picture: none of them says what the film shows, and each of them can set MaxCLL. They are found here from what a scan keeps of every frame,
and where a frame must be seen, from that one frame. What is doubtful is named and stays in the scores.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pairdiff._records import (
    Alignment,
    Contaminant,
    Damage,
    FloatArray,
    FrameLevels,
    LevelKind,
    PeakMoment,
    PeakPassage,
    Rectangle,
    SegmentKind,
    Side,
    Signal,
    Treatment,
)
from pairdiff._settings import Settings
from pairdiff._tables import column
from pairdiff.match.motion import join_stretches, stretches
from pairdiff.score.headroom import quiet_level
from pairdiff.score.levels import SPECK_PIXELS

PEAK_RATIO = 0.7071
"""A level within half a stop of the peak counts as the peak's own, in a picture and in time (own)."""
MOST_PASSAGES = 8
"""Passages at the peak's level that are listed, the brightest first (own)."""
JOINED_FRAMES = 6
"""Frames below that level that do not end a passage: a codec makes levels waver (own)."""
USUAL_SHARE = 0.95
"""Share of a film's frames that do not exceed what counts as its usual highest level (own)."""
END_BLACK_NITS = 1.0
"""A frame whose 99.9th percentile is no higher than this is black between a logo and the film, cd/m2 (own)."""
END_LONGEST_S = (180.0, 900.0)
"""Longest that logos before a film and credits behind it take, seconds (common practice, no source)."""
ON_BLACK_SHARE = 0.8
"""Share of the frames of a logo or of credits that are black for more than half of the picture (own)."""
LIT_NITS, DARK_NITS = 5.0, 0.1
"""A picture whose highest percentiles, or whose median, stay below this in both releases is too dark to tell damage by, cd/m2 (own)."""
HARMLESS_FAULTS = ("truncated", "missing time stamp", "missing pictures")
"""Faults of a stream that spoil no picture that is there."""
FRAME_KINDS = ("unmatched", "logo_or_credits", "flash", "damaged_frame")
"""Contaminants that take whole frames of the HDR release, in the order in which a frame is named after them."""
SCORE_KINDS = (*FRAME_KINDS, "damaged_partner")
"""Those that take no part in the scores: an HDR frame whose partner is damaged is sound, and its levels count."""

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class FrameTable:
    """Figures of every HDR frame as columns, with those of its partner."""

    max_nits: FloatArray
    wide_nits: FloatArray
    average_nits: FloatArray
    p999_nits: FloatArray
    p50_nits: FloatArray
    time_s: FloatArray
    length_s: FloatArray
    """How long each frame is shown."""
    passage: tuple[SegmentKind | None, ...]
    """What the edit map calls each frame."""
    partner: NDArray[np.int64]
    """SDR frame, -1 for none."""
    sdr_average_nits: FloatArray
    """(SDR frame,), at the display that SDR levels are stated at; the next two too."""
    sdr_p99_nits: FloatArray
    sdr_p50_nits: FloatArray


def make_table(hdr: Sequence[FrameLevels], sdr: Sequence[FrameLevels], alignment: Alignment) -> FrameTable:
    """The levels of every frame as columns.

    Parameters
    ----------
    hdr, sdr : levels of every frame of both releases, in order.
    alignment : their edit map.

    Returns
    -------
    FrameTable.
    """
    passage: list[SegmentKind | None] = [None] * len(hdr)
    for one in alignment.segments:
        if one.hdr_start is not None and one.hdr_stop is not None:
            passage[one.hdr_start : one.hdr_stop] = [one.kind] * (one.hdr_stop - one.hdr_start)
    times = column(hdr, "time_s")
    steps = np.diff(times)
    usual = float(np.median(steps)) if steps.size else 1 / 24

    return FrameTable(
        max_nits=column(hdr, "max_nits"),
        wide_nits=column(hdr, "wide_nits"),
        average_nits=column(hdr, "average_nits"),
        p999_nits=column(hdr, "p999_nits"),
        p50_nits=column(hdr, "p50_nits"),
        time_s=times,
        length_s=np.append(steps, usual)[: len(times)],
        passage=tuple(passage),
        partner=np.asarray(alignment.partners) if len(alignment.partners) else np.full(len(hdr), -1, np.int64),
        sdr_average_nits=column(sdr, "average_nits"),
        sdr_p99_nits=column(sdr, "p99_nits"),
        sdr_p50_nits=column(sdr, "p50_nits"),
    )


# ---------------------------------------------------------------- whole frames


def find_frames(
    table: FrameTable,
    *,
    hdr_damage: Sequence[Damage],
    sdr_damage: Sequence[Damage],
    settings: Settings,
    otherwise: Mapping[Side, BoolArray] | None = None,
) -> dict[str, BoolArray]:
    """Frames of the HDR release that are no picture of the film, by kind.

    Parameters
    ----------
    table : figures of every frame.
    hdr_damage, sdr_damage : faults met while decoding.
    settings : thresholds.
    otherwise : of `find_spoilt`; None where that was not looked for.

    Returns
    -------
    A mask, (HDR frame,), for each of `SCORE_KINDS`; a frame may be in several.
    """
    unmatched = np.array([one == "hdr_only" for one in table.passage], bool)
    damaged = np.zeros(len(table.time_s), bool)
    damaged[[one.frame for one in hdr_damage if one.kind not in HARMLESS_FAULTS and 0 <= one.frame < damaged.size]] = True
    spoilt = [one.frame for one in sdr_damage if one.kind not in HARMLESS_FAULTS]
    spoilt_partner = np.isin(table.partner, spoilt) & (table.partner >= 0)
    ends = find_ends(table, settings=settings)
    flash = find_flashes(table, settings=settings) & ~ends
    if otherwise is not None:
        damaged |= otherwise["hdr"] & ~ends & ~flash
        spoilt_partner |= otherwise["sdr"] & ~ends & ~flash
    return {
        "unmatched": unmatched & ~spoilt_partner,  # there the SDR release lost the film's frames
        "logo_or_credits": ends,
        "flash": flash,
        "damaged_frame": damaged,
        "damaged_partner": spoilt_partner & ~damaged,
    }


def find_ends(table: FrameTable, *, settings: Settings) -> BoolArray:
    """Logos before a film and credits behind it that reach higher than the film usually does.

    Such a passage begins or ends the release, black frames part it from the film, in most of its frames more than half of the picture
    is black, and a level that more than a speck reaches lies, by the stated ratio, above what 95 % of the film's frames reach. Anything
    less certain stays.

    Parameters
    ----------
    table : figures of every frame.
    settings : `ends_share`, `ends_above_ratio`.

    Returns
    -------
    (HDR frame,) True where such a passage lies, its black frames included.
    """
    count = len(table.time_s)
    total_s = float(table.length_s.sum())
    from_start = np.cumsum(table.length_s)
    from_end = total_s - from_start + table.length_s
    head, tail = (
        at <= min(settings.ends_share * total_s, longest) for at, longest in zip((from_start, from_end), END_LONGEST_S, strict=True)
    )
    middle = ~(head | tail)
    found = np.zeros(count, bool)
    if not middle.any():
        return found
    level = settings.ends_above_ratio * float(np.quantile(table.wide_nits[middle], USUAL_SHARE, method="inverted_cdf"))
    black = table.p999_nits <= END_BLACK_NITS
    start, stop = 0, count
    for low, high in stretches(black):
        if head[high - 1] and low > start and _is_graphic(table, start, low, level=level):
            found[:high] = True
            start = high
    for low, high in reversed(stretches(black)):
        if tail[low] and high < stop and _is_graphic(table, high, stop, level=level):
            found[low:] = True
            stop = low
    return found


def _is_graphic(table: FrameTable, start: int, stop: int, *, level: float) -> bool:
    lit = table.p999_nits[start:stop] > END_BLACK_NITS
    on_black = table.p50_nits[start:stop][lit] <= END_BLACK_NITS
    return bool(lit.any()) and float(table.wide_nits[start:stop].max()) >= level and float(on_black.mean()) >= ON_BLACK_SHARE


def find_cards(table: FrameTable, *, length_s: float, settings: Settings) -> BoolArray:
    """Pictures of a sample that are plainly logos or credits: near an end of the film, mostly black, and brighter than the film goes.

    The black frames that part such a passage from the film are hardly ever in a sample; what `find_ends` asks else is asked here.

    Parameters
    ----------
    table : figures of the sampled pictures, in order.
    length_s : of the release.
    settings : `ends_share`, `ends_above_ratio`.

    Returns
    -------
    (picture,).
    """
    near = [min(settings.ends_share * length_s, longest) for longest in END_LONGEST_S]
    at_end = (table.time_s < near[0]) | (table.time_s > length_s - near[1])
    if at_end.all():
        return np.zeros(len(table.time_s), bool)
    level = settings.ends_above_ratio * float(np.quantile(table.wide_nits[~at_end], USUAL_SHARE, method="inverted_cdf"))
    return np.asarray(at_end & (table.p50_nits <= END_BLACK_NITS) & (table.wide_nits >= level))


def find_flashes(table: FrameTable, *, settings: Settings) -> BoolArray:
    """Frames of the HDR release that flash and whose partners do not.

    The average of so few frames is at least `flash_ratio` times that of the frames on both sides, and the SDR frames at that place are
    as those beside them: lightning or a muzzle flash would show in both releases.

    Parameters
    ----------
    table : figures of every frame.
    settings : `flash_frames`, `flash_ratio`, `flash_trace_share`.

    Returns
    -------
    (HDR frame,).
    """
    average, found = table.average_nits, np.zeros(len(table.time_s), bool)
    for length in range(1, min(settings.flash_frames, len(average) - 2) + 1):
        least = np.lib.stride_tricks.sliding_window_view(average, length)[1:-1].min(axis=1)
        beside = np.maximum(average[: -length - 1], average[length + 1 :])
        for before in np.flatnonzero(least >= settings.flash_ratio * np.maximum(beside, END_BLACK_NITS)).tolist():
            if not _leaves_trace(table, before + 1, before + 1 + length, share=settings.flash_trace_share):
                found[before + 1 : before + 1 + length] = True
    return found


def find_lit(table: FrameTable, path: NDArray[np.int64]) -> BoolArray:
    """Where either release shows more than letters or lamps on black, (HDR frame,); `path` is the SDR frame of each, -1 without one."""

    def either(hdr: FloatArray, sdr: FloatArray) -> FloatArray:
        return np.maximum(hdr, np.where(path >= 0, sdr[np.maximum(path, 0)], 0.0))

    lit = either(table.p999_nits, table.sdr_p99_nits) >= LIT_NITS
    return np.asarray(lit & (either(table.p50_nits, table.sdr_p50_nits) >= DARK_NITS))


def _leaves_trace(table: FrameTable, start: int, stop: int, *, share: float) -> bool:
    """Whether the SDR frames of a stretch differ from both that stand beside it; also where that cannot be told."""
    before, behind = int(table.partner[start - 1]), int(table.partner[stop])
    if min(before, behind) < 0 or behind - before < 2:
        return True
    for levels in (table.sdr_average_nits, table.sdr_p99_nits, table.sdr_p50_nits):
        ends, inside = (levels[before], levels[behind]), levels[before + 1 : behind]
        slack = share * max(table.sdr_average_nits[before], table.sdr_average_nits[behind], 1e-3)
        if inside.max() > max(ends) + slack or inside.min() < min(ends) - slack:
            return True
    return False


# ---------------------------------------------------------------- the peak


@dataclass(frozen=True, slots=True)
class PeakPlace:
    """Where the brightest pixel of one picture lies."""

    row: int
    column: int
    area_pixels: int
    area_share: float
    place: str


def locate_peak(level_nits: FloatArray, *, active: Rectangle) -> PeakPlace:
    """The brightest pixel of a picture and how large the light around it is.

    Parameters
    ----------
    level_nits : (row, column) largest of R, G, B, cd/m2, at native size, the whole coded picture.
    active : active picture; nothing outside counts.

    Returns
    -------
    PeakPlace; the area is that of the pixels that join it and reach `PEAK_RATIO` of its level.
    """
    seen = level_nits[active.top : active.bottom, active.left : active.right]
    row, column = (int(n) for n in np.unravel_index(int(np.argmax(seen)), seen.shape))
    _, labels = cv2.connectedComponents((seen >= PEAK_RATIO * seen[row, column]).astype(np.uint8), connectivity=8)
    area = int((labels == labels[row, column]).sum())
    down = ("upper", "", "lower")[min(3 * row // seen.shape[0], 2)]
    across = ("left", "", "right")[min(3 * column // seen.shape[1], 2)]
    words = " ".join(word for word in (down, across) if word) or "centre"
    return PeakPlace(row + active.top, column + active.left, area, area / seen.size, words)


def find_peak(table: FrameTable, *, out: BoolArray | None = None) -> int:
    """Number of the frame that sets MaxCLL, the first where several tie; frames of `out`, (HDR frame,), do not count unless all are."""
    level = table.max_nits if out is None or out.all() else np.where(out, -np.inf, table.max_nits)
    return int(np.argmax(level))


def level_causes(table: FrameTable, frame: int, *, area_pixels: int | None) -> tuple[str, ...]:
    """Whether the highest level of a frame is that of a speck, and whether it lasts that frame alone.

    Parameters
    ----------
    table : figures of every frame.
    frame : HDR frame.
    area_pixels : of `locate_peak`. An overshoot of a codec on a larger light is no speck: that light alone must lie below `PEAK_RATIO`.

    Returns
    -------
    `single_frame`, `speck`, both or none.
    """
    small = area_pixels is not None and area_pixels <= SPECK_PIXELS and table.wide_nits[frame] < PEAK_RATIO * table.max_nits[frame]
    start, stop = _stretch_of(table, frame)
    alone = stop - start == 1 and len(table.max_nits) > 1  # of a single picture nothing can be said to last
    return (*(("single_frame",) if alone else ()), *(("speck",) if small else ()))


def _stretch_of(table: FrameTable, frame: int) -> tuple[int, int]:
    """The stretch around a frame that keeps its highest level within `PEAK_RATIO`, short gaps closed."""
    stretches = _stretches(table, table.max_nits >= PEAK_RATIO * table.max_nits[frame])
    return next((low, high) for low, high in stretches if low <= frame < high)


def describe_peak(
    table: FrameTable,
    found: Mapping[str, BoolArray],
    place: PeakPlace | None,
    *,
    laid_over: Sequence[str] = (),
    film_frame: int | None = None,
) -> PeakMoment:
    """What the highest level of the HDR release belongs to.

    Parameters
    ----------
    table : figures of every frame.
    found : of `find_frames`.
    place : where it lies in its picture; None where that was not looked at.
    laid_over : `standing_mark` or `subtitle` where such a thing lies at that place.
    film_frame : the frame of the highest level that is left; None where that is not the level of one frame.

    Returns
    -------
    PeakMoment.
    """
    frame = find_peak(table)
    reached = table.max_nits >= PEAK_RATIO * table.max_nits[frame]
    start, stop = _stretch_of(table, frame)
    own = level_causes(table, frame, area_pixels=None if place is None else place.area_pixels)
    held = (*_kinds_at(found, frame), *laid_over)
    causes = (*held, *(one for one in own if not held or one != "speck"))  # an overshoot in a logo: the logo is the cause
    film = table.max_nits[~foreign_frames(found) & ~found["unmatched"]]
    matched = np.flatnonzero(table.partner >= 0)
    first, last = (int(matched[0]), int(matched[-1])) if matched.size else (0, len(table.time_s) - 1)
    return PeakMoment(
        "measured",
        float(table.max_nits[frame]),
        frame,
        float(table.time_s[frame]),
        None if place is None else place.row,
        None if place is None else place.column,
        None if place is None else place.place,
        None if place is None else place.area_pixels,
        None if place is None else place.area_share,
        stop - start,
        float(table.length_s[start:stop].sum()),
        int(reached.sum()),
        table.passage[frame],
        "before" if frame < first else "behind" if frame > last else "within",
        causes,
        float(np.quantile(film, USUAL_SHARE, method="inverted_cdf")) if film.size else None,
        _passages(table, found, reached),
        film_frame,
        None if film_frame is None else float(table.time_s[film_frame]),
    )


def _kinds_at(found: Mapping[str, BoolArray], frame: int) -> tuple[str, ...]:
    return tuple(kind for kind in FRAME_KINDS if found[kind][frame])


def _stretches(table: FrameTable, reached: BoolArray) -> list[tuple[int, int]]:
    """Runs of frames, short gaps closed; none goes over the edge of a passage of the edit map."""
    return join_stretches(reached, gap=JOINED_FRAMES, together=lambda first, second: table.passage[first] == table.passage[second])


def _passages(table: FrameTable, found: Mapping[str, BoolArray], reached: BoolArray) -> tuple[PeakPassage, ...]:
    """Stretches at the peak's level, the brightest first."""
    made = []
    brightest = sorted(_stretches(table, reached), key=lambda one: -table.max_nits[one[0] : one[1]].max())
    for low, high in brightest[:MOST_PASSAGES]:
        frame = low + int(np.argmax(table.max_nits[low:high]))
        end_s = float(table.time_s[high - 1] + table.length_s[high - 1])
        causes = (*_kinds_at(found, frame), *level_causes(table, frame, area_pixels=None))
        nits = float(table.max_nits[frame])
        made.append(PeakPassage(low, high, float(table.time_s[low]), end_s, nits, table.passage[frame], causes))
    return tuple(made)


# ---------------------------------------------------------------- with and without


def left_out_frames(found: Mapping[str, BoolArray]) -> BoolArray:
    """Frames that are left out of the scores, (HDR frame,); frames without a partner take no part anyway."""
    return foreign_frames(found) | found["damaged_partner"]


def foreign_frames(found: Mapping[str, BoolArray]) -> BoolArray:
    """Matched frames of the HDR release that are not the film's picture, (HDR frame,): their levels are none of the film's."""
    return np.asarray(np.logical_or.reduce([found[kind] for kind in FRAME_KINDS if kind != "unmatched"]), bool)


def levels_without(table: FrameTable, out: BoolArray, *, without_specks: bool = False) -> tuple[float, float] | None:
    """MaxCLL and MaxFALL of the HDR release without some of its frames, cd/m2; None where none is left.

    Parameters
    ----------
    table : figures of every frame.
    out : (HDR frame,) those that do not count.
    without_specks : take of each frame the level that more than a speck reaches.
    """
    level = table.wide_nits if without_specks else table.max_nits
    return None if out.all() else (float(level[~out].max()), float(table.average_nits[~out].max()))


def lasting_levels(table: FrameTable) -> FrameTable:
    """The table with what lasts one frame alone taken away: each level no higher than in one of the frames beside it."""

    def calm(values: FloatArray) -> FloatArray:
        beside = np.maximum(np.append(-np.inf, values[:-1]), np.append(values[1:], -np.inf))
        return np.minimum(values, beside) if len(values) > 1 else values

    return replace(table, max_nits=calm(table.max_nits), wide_nits=calm(table.wide_nits), average_nits=calm(table.average_nits))


def span_of(table: FrameTable, mask: BoolArray) -> tuple[float, float]:
    """HDR film time of the first frame of a mask, and of the end of its last one."""
    frames = np.flatnonzero(mask)
    return float(table.time_s[frames[0]]), float(table.time_s[frames[-1]] + table.length_s[frames[-1]])


@dataclass(frozen=True, slots=True)
class LaidOver:
    """What was laid over one scored picture, and its levels without that."""

    hdr_frame: int
    marks_share: float
    """Share of the picture that standing marks cover."""
    words_share: float
    """Share that words cover, on either side."""
    film_max_nits: float
    """Highest level of the rest after a median over 3 x 3 pixels of the canvas."""
    film_average_nits: float
    """Mean level of the rest."""


def see_laid_over(level_nits: FloatArray, *, marks: BoolArray | None, words: BoolArray | None, frame: int) -> LaidOver:
    """Levels of an HDR picture outside what is laid over it.

    Parameters
    ----------
    level_nits : (row, column) largest of R, G, B, cd/m2.
    marks, words : (row, column), where something stands; None without any.
    frame : HDR frame.

    Returns
    -------
    LaidOver.
    """
    nothing = np.zeros(level_nits.shape, bool)
    marks, words = (nothing if mask is None else mask for mask in (marks, words))
    film = ~(marks | words)
    rest = quiet_level(level_nits)[film] if film.any() else np.zeros(1, np.float32)
    mean = float(level_nits[film].mean(dtype=np.float64)) if film.any() else 0.0
    return LaidOver(frame, float(marks.mean()), float(words.mean()), float(rest.max()), mean)


def list_contaminants(
    table: FrameTable,
    found: Mapping[str, BoolArray],
    laid_over: Sequence[LaidOver],
    peak: PeakMoment,
    *,
    word_nits: float | None,
    kept: bool,
) -> tuple[Contaminant, ...]:
    """Everything that was found, a record for each kind.

    Parameters
    ----------
    table : figures of every frame.
    found : of `find_frames`.
    laid_over : of every scored picture.
    peak : of `describe_peak`; a speck or a single frame is named where it is the peak's cause.
    word_nits : level of words laid over the HDR picture; None where there are none, or only in the SDR release.
    kept : nothing was left out, since too much of the film would have been.

    Returns
    -------
    In the order in which the report lists them.
    """
    listed = []
    nothing = np.zeros(len(table.time_s), bool)
    for kind in SCORE_KINDS:
        if found[kind].any():
            paired = (found[kind] & (table.partner >= 0)).any()
            treatment: Treatment = "takes_no_part" if not paired else "named_only" if kept else "left_out"
            listed.append(
                _frames_record(kind, table, found[kind], treatment, levels_without(table, found[kind] if kind in FRAME_KINDS else nothing))
            )
    for kind, name in (("standing_mark", "marks_share"), ("subtitle", "words_share")):
        covered = [one for one in laid_over if getattr(one, name) > 0]
        if covered:
            listed.append(_laid_over_record(kind, table, laid_over, covered, name, peak, word_nits=word_nits))
    return (*listed, *_small_causes(table, peak))


def list_in_sample(
    table: FrameTable,
    found: Mapping[str, BoolArray],
    laid_over: Sequence[tuple[int, LaidOver]],
    *,
    word_nits: float | None,
    kept: bool,
) -> tuple[Contaminant, ...]:
    """What was found in a sample of pictures; none of it says what the highest level of the release would be without it.

    Parameters
    ----------
    table : figures of the sampled pictures.
    found : of those pictures, by kind; `find_cards` fills one.
    laid_over : row of the table and what was laid over each scored picture.
    word_nits : level of words laid over the HDR picture; None where there are none.
    kept : nothing was left out, since too much of the film would have been.
    """
    listed = []
    for kind in SCORE_KINDS:
        if found[kind].any():
            listed.append(_frames_record(kind, table, found[kind], "named_only" if kept else "left_out", None))
    for kind, name in (("standing_mark", "marks_share"), ("subtitle", "words_share")):
        covered = [(row, getattr(one, name)) for row, one in laid_over if getattr(one, name) > 0]
        if covered:
            mask = np.zeros(len(table.time_s), bool)
            mask[[row for row, _ in covered]] = True
            record = _frames_record(kind, table, mask, "masked", None)
            level = word_nits if kind == "subtitle" else record.level_nits
            share = float(np.mean([covers for _, covers in covered]))
            listed.append(replace(record, pictures=len(covered), area_share=share, level_nits=level))
    return tuple(listed)


def _small_causes(table: FrameTable, peak: PeakMoment) -> tuple[Contaminant, ...]:
    """A single frame or a speck where nothing else explains the peak."""
    if peak.frame is None or not set(peak.causes) <= {"single_frame", "speck"}:
        return ()
    nothing = np.zeros(len(table.time_s), bool)
    listed = []
    if "single_frame" in peak.causes:
        single = nothing.copy()
        single[peak.frame] = True
        record = _frames_record("single_frame", table, single, "named_only", levels_without(lasting_levels(table), nothing))
        listed.append(replace(record, max_cll_kind="lasting"))
    if "speck" in peak.causes:
        specks = PEAK_RATIO * table.max_nits > table.wide_nits
        record = _frames_record("speck", table, specks, "named_only", levels_without(table, nothing, without_specks=True))
        listed.append(replace(record, max_cll_kind="without_specks"))
    return tuple(listed)


def _frames_record(kind: str, table: FrameTable, mask: BoolArray, treatment: Treatment, without: tuple[float, float] | None) -> Contaminant:
    first_s, last_s = span_of(table, mask) if mask.any() else (None, None)
    return Contaminant(
        kind=kind,
        treatment=treatment,
        frames=int(mask.sum()),
        pictures=None,
        area_share=None,
        first_s=first_s,
        last_s=last_s,
        level_nits=float(table.max_nits[mask].max()) if mask.any() else None,
        max_cll_without_nits=None if without is None else without[0],
        max_fall_without_nits=None if without is None else without[1],
    )


def _laid_over_record(
    kind: str,
    table: FrameTable,
    laid_over: Sequence[LaidOver],
    covered: Sequence[LaidOver],
    name: str,
    peak: PeakMoment,
    *,
    word_nits: float | None,
) -> Contaminant:
    frames = [one.hdr_frame for one in covered]
    mask = np.zeros(len(table.time_s), bool)
    mask[frames] = True
    sets_peak = kind in peak.causes
    record = _frames_record(kind, table, mask, "masked", None)
    return replace(
        record,
        pictures=len(frames),
        area_share=float(np.mean([getattr(one, name) for one in covered])),
        level_nits=word_nits if kind == "subtitle" else record.level_nits,
        max_cll_without_nits=max(one.film_max_nits for one in laid_over) if sets_peak else float(table.max_nits.max()),
        max_fall_without_nits=max(one.film_average_nits for one in laid_over) if sets_peak else float(table.average_nits.max()),
        max_cll_kind="scored_pictures" if sets_peak else "as_defined",
    )


def find_bars(table: FrameTable, active: Rectangle, signal: Signal) -> Contaminant | None:
    """Bars beside the HDR picture, None where there are none: no level of a release counts them.

    Parameters
    ----------
    table : figures of every frame.
    active : the picture without them.
    signal : size of the coded picture.
    """
    share = 1 - (active.bottom - active.top) * (active.right - active.left) / (signal.height.value * signal.width.value)
    if share <= 0:
        return None
    everywhere = np.ones(len(table.time_s), bool)
    levels = float(table.max_nits.max()), float(table.average_nits.max())
    return replace(_frames_record("bars", table, everywhere, "takes_no_part", levels), area_share=share, level_nits=None)


def level_kinds(causes: Sequence[str], *, laid_over: bool) -> tuple[LevelKind, ...]:
    """What kind of figure `film_levels` makes from the same causes; none where every pixel of the frames that are left counts."""
    if laid_over and set(causes) & {"standing_mark", "subtitle"}:
        return ("scored_pictures",)
    specks: tuple[LevelKind, ...] = ("without_specks",) if "speck" in causes else ()
    return (*specks, "lasting") if "single_frame" in causes else specks


def film_levels(
    table: FrameTable, found: Mapping[str, BoolArray], laid_over: Sequence[LaidOver], *, causes: Sequence[str], kept: bool
) -> tuple[float, float]:
    """MaxCLL and MaxFALL of the HDR release without everything that was found, cd/m2.

    Parameters
    ----------
    table : figures of every frame.
    found : of `find_frames`.
    laid_over : of every scored picture.
    causes : what the highest level of the frames that are left belongs to. Where that is a speck, the level counts that more than a
        speck reaches; where it lasts one frame, levels that last two; where it is laid over the picture, those of scored pictures.
    kept : nothing was left out of the scores; then only frames without a partner do not count.
    """
    out = found["unmatched"] if kept else found["unmatched"] | foreign_frames(found)
    kept_table = lasting_levels(table) if "single_frame" in causes else table
    levels = levels_without(kept_table, out, without_specks="speck" in causes) or (
        float(table.max_nits.max()),
        float(table.average_nits.max()),
    )
    if laid_over and set(causes) & {"standing_mark", "subtitle"}:
        return max(one.film_max_nits for one in laid_over), min(levels[1], max(one.film_average_nits for one in laid_over))
    return levels
