"""The file that joins the stages which look at pictures: clip -> frames -> light -> match -> score -> stills; `_conclude.py` goes on.

A comparison runs in passes, each streaming: find the active pictures; scan each release once (fingerprints, light levels); match;
fit the set-ups on sampled pairs; score those pairs; judge; draw the chosen moments. Scans are kept on disk, and every pass that takes long
in parts as it goes on, so that an interrupted run goes on from there.
"""

from __future__ import annotations

import bisect
import contextlib
import hashlib
import itertools
import os
import re
import zlib
from collections.abc import Callable, Generator, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, fields, replace
from fractions import Fraction
from functools import partial
from pathlib import Path
from time import monotonic
from typing import Any, BinaryIO, TypeVar

import numpy as np
from numpy.typing import NDArray

from pairdiff import _keep
from pairdiff._block_file import BlockFile, in_files
from pairdiff._checks import check_output
from pairdiff._conclude import conclude, is_settled, levels_of_some, list_versions, result_of, settings_for, why_stop, with_objections
from pairdiff._errors import InputRefused, PairdiffError, SignalUnresolved, UnrelatedFilms, UsageError
from pairdiff._measured import Asked, Film, Measured, PairScores, Picks, Seen, SeenPeak, store_measured
from pairdiff._memory import give_back
from pairdiff._pair_parts import FitKept, Looked, PairParts, go_on, pair_key
from pairdiff._parts import Begun, Parts
from pairdiff._ready import KernelsReady
from pairdiff._records import (
    SIDES,
    Alignment,
    Comparison,
    Fact,
    FloatArray,
    Frame,
    Geometry,
    Measurement,
    Moment,
    PictureSpan,
    PixelPlace,
    Rectangle,
    Release,
    ReleaseResult,
    Segment,
    Setup,
    Side,
    Signal,
    SignalCheck,
    SurveyCoverage,
)
from pairdiff._settings import Settings
from pairdiff._stretches import find_starts_s, make_stretch, stretch_path, write_stretch
from pairdiff._survey import (
    LOOK_CONFIDENCE,
    LOOKS,
    USUAL_FROM_S,
    NotSurveyable,
    Sampled,
    Surveyor,
    sample_levels,
    why_read_whole,
)
from pairdiff._tables import Keep, Table, column, in_memory
from pairdiff.clip.container import SIDES as SIDE_WORDS
from pairdiff.clip.gain_map import gain_map_state
from pairdiff.clip.handed_on import Named, encode_film, frame_from_codes, pq_tags, read_pictures
from pairdiff.clip.linear import (
    AVIF_GAIN_MAP,
    GAIN_MAPS,
    PQ_POINT,
    PRIMARIES_POINTS,
    encode_png,
    linear_kind,
    read_linear,
    without_odd_numbers,
)
from pairdiff.clip.probe import (
    NOTE_RATE,
    check_pair,
    check_stated_size,
    identify_file,
    identify_files,
    is_of_pictures,
    is_single_picture,
    probe_alone,
    probe_release,
    rate_of_pictures,
)
from pairdiff.clip.renditions import RenditionParts, read_parts
from pairdiff.clip.sequence import HANDED_ON, PictureSequence, find_sequence
from pairdiff.frames.cadence import NOTE_ONE_FIELD, FieldWatch, check_blends, is_interlaced, look_at_fields, note_fields, take_one_field
from pairdiff.frames.decode import CannotReadOn, FaultMet, PictureReader, planes_of_picture
from pairdiff.frames.hardware import choose_decoder
from pairdiff.frames.joined import open_reader, read_frames_at, read_key_frames, refuse_woven
from pairdiff.frames.planes import planes_to_grid, planes_to_rgb, some_rows_to_rgb
from pairdiff.frames.prefetch import count_cores, map_ahead, read_ahead
from pairdiff.frames.siting import SitingWatch, say_siting
from pairdiff.frames.spool import Spool
from pairdiff.frames.windows import even_rate
from pairdiff.light.display import read_displays
from pairdiff.light.gain_map import HDR_WHITE_NITS, apply_gain_map
from pairdiff.light.picture import (
    POWER_END,
    code_level,
    hdr_code_to_nits,
    linear_to_bt709_code,
    p3_to_bt709_code,
    power_decoding,
    pq_decoding,
    sdr_code_to_nits,
)
from pairdiff.light.primaries import conversion_matrix, primaries_by_hues
from pairdiff.light.transfer import nits_to_pq, srgb_to_linear
from pairdiff.match.active import BarLevel
from pairdiff.match.anchors import PIN_FRAMES
from pairdiff.match.geometry import (
    LumaPair,
    geometry_from_map,
    is_stretched,
    map_from_geometry,
    resample_area,
    shrink_luma,
)
from pairdiff.match.grid import GridMap, maps_apart
from pairdiff.match.motion import find_cuts
from pairdiff.match.parity import choose_parities, is_double, leave_out
from pairdiff.match.passages import Probe, area_passages, mask_bars, register_passages, usual_place
from pairdiff.match.seams import settle_seams
from pairdiff.match.segments import build_segments, find_shots
from pairdiff.match.single import LEAST_SIMILARITY, pair_pictures
from pairdiff.match.survey import expected_offset
from pairdiff.match.timeline import (
    MAP_AGAIN_SHARE,
    EditMap,
    belongs_together,
    better_map,
    find_edit_map,
    find_turn,
    may_be_turned,
    usual_offset,
)
from pairdiff.match.witness import ask_pictures
from pairdiff.score.contaminants import (
    HARMLESS_FAULTS,
    SCORE_KINDS,
    FrameTable,
    find_cards,
    find_frames,
    find_lit,
    foreign_frames,
    left_out_frames,
    locate_peak,
    make_table,
    see_laid_over,
)
from pairdiff.score.difference import BlurredLight, difference_map
from pairdiff.score.origin import LEAST_GREY_BITS, count_greys, grey_step
from pairdiff.score.pair import RESAMPLE_GAMMA, PairMeasures, PairPictures, PairPlace, score_pair, without_places
from pairdiff.score.readings import CODES, check_readings, read_range
from pairdiff.score.scan import (
    FrameScan,
    Track,
    find_active,
    grey_light,
    levels_condition,
    luma_plane,
    pool_levels,
    scan_frames,
    track_spans,
)
from pairdiff.score.screens import Screen, choose_pairs, list_screens, source_peak_nits
from pairdiff.score.second_opinion import ask_second_opinion
from pairdiff.score.setup import SetupFits, fit_setups
from pairdiff.score.spoilt import Pairing, find_spoilt
from pairdiff.score.subtitles import LOOKED_AT_PAIRS, WAIT_S, WordFinder, WordLevel, halfway_frame, mask_words
from pairdiff.score.title import FitCollector, FitLook, look_at_pair
from pairdiff.score.tone import TONE_PIXELS
from pairdiff.stills.draw import StillPicture, draw_curved, draw_stills, shrink_pair
from pairdiff.stills.one_curve import MOST_MOMENTS, PairOfMoment
from pairdiff.stills.side_by_side import HDR_KINDS, HdrKind, SideBySide, join_sides
from pairdiff.verdict.readings import caution_readings, is_answered, say_contradiction, say_range
from pairdiff.writeup.phrases import say_stamps, say_time
from pairdiff.writeup.spans import end_s

Progress = Callable[[str, int, int | None], None]
T = TypeVar("T")
Still = TypeVar("Still", StillPicture, SideBySide)

READING_SHARE = 0.6
"""Share of the time a survey may take that is over when no further windows are read: the rest is for scoring and stills (own)."""
NEXT_LOOK_SHARE = 1.5
"""Time that a further look is taken to need, as a share of that of the last one: all pairs are scored again (own)."""
PART_S = 20.0
"""What a pass has found is kept about so often, seconds (own)."""
SEEN_STEP_ROWS = 4
"""Of so many rows of a picture one tells whether it is read as before (own)."""
PAIRS_AT_ONCE = 2
"""Pairs that are brought on the canvas and measured at a time, on as many cores (own: each needs up to 0.4 GiB)."""
CORES_A_WORKER = 4
"""Cores to a thread that measures frames; the others decode (own: decoding takes about ten times as long)."""
ACTIVE_KEY_FRAMES, ACTIVE_FEWEST, ACTIVE_KEY_EVERY_S = 48, 12, 10.0
"""Key frames that the active picture is found on: at most, at least, one in so many seconds (own; one costs as much as two others)."""
NOTE_WIDER_PASSAGES = (
    "passages that none of the key frames looked at beforehand lies in have a larger picture area: the release was measured again with all "
    "of it."
)
ACTIVE_LEAST_KEY_FRAMES = 5
"""With fewer key frames than this the whole release is read, every `ACTIVE_STEP_FRAMES`th frame."""
ACTIVE_STEP_FRAMES = 12
MOST_FIT_PIXELS, MOST_TONE_PIXELS = 360_000, 144_000
"""Pixels of a whole title that the set-up fit and the tone curve hold, however many pairs there are: memory stays bounded."""
OUTSIDE = "outside the matched passages: the two sides may not show the same moment"
NOTE_IN_ORDER = (
    "The decoder met faults in this stream. Its pictures were decoded one after another, since what it makes of a fault is another thing "
    "each time where it decodes several at once."
)
NOTE_PICTURES = (
    "Two single pictures were compared: they say what one moment shows, and nothing of the film's other shots, of its time or of its light "
    "levels. That they are the same moment was told by what they show."
)
PQ_END = "10 000 cd/m2, where PQ ends"
"""What of linear light is kept (SMPTE ST 2084), in words."""
DOUBTED = "Caution: the levels do not fit the way the releases are read"
"""What every caption says then."""
PRIMARIES_FROM = {
    "option": "",
    "container": " (stated by the file)",
    "base picture": " (those of its base picture)",
    "hues": " (told by the hues of its base picture)",
}
"""Where the primaries of linear light come from, in words."""
HANDED_ON_PQ = Fact("pq", "linear light, handed on as PQ", False)
SAME_RATE = 1e-4
FEW_GAPS_SHARE = 0.05
"""Share of long frames up to which they are gaps in an even stream (own)."""
RATE_SLACK = 0.005
"""How far a stated frame rate may lie from that of the time stamps before these are believed (own)."""
LEAST_FRAMES = 8
"""Shortest release whose frames can be matched by what moves (own)."""
LEAST_ASIDE_FRAMES = 5
"""Frames of more than one moment in a row from which they make a passage of their own (own)."""
SAME_MIXES = 0.05
"""Difference of the shares of mixed frames up to which both releases hold the same ones (own)."""
VARIABLE_RATIO = 1.5
"""Longest over shortest frame from which a release has a variable rate (own; 2:3 by repeats has none, its frames are equally long)."""


@dataclass(frozen=True, slots=True)
class _Pass:
    """One release probed and scanned."""

    release: Release
    track: Track
    spans: tuple[PictureSpan, ...]
    """Passages of one picture area."""
    thinned: bool = False
    """Whether every second frame has no partner because the other release shows half as many pictures a second."""
    read: Callable[[Sequence[int]], Iterator[Frame]] | None = None
    """Gives pictures by number where a survey has some at hand; else they are found by the times of the track."""


def _frames_at(scanned: _Pass, numbers: Sequence[int]) -> Iterator[Frame]:
    """Pictures of a release by number, ascending."""
    if scanned.read is not None:
        return scanned.read(numbers)
    times = scanned.track.times_s
    return read_frames_at(scanned.release, indices=numbers, times_s=[times[n] for n in numbers])


_Marks = dict[tuple[int, int], NDArray[np.bool_]]
"""Where marks stand still, (row, column), by the size of the canvas."""


@dataclass(frozen=True, slots=True)
class _Work:
    """What was measured, and what pictures are drawn from."""

    matching: _Matching
    looks: tuple[Measured, ...]
    """One; of a survey all of its looks."""
    peaks: _PeakLook
    settings: Settings


@dataclass(frozen=True, slots=True)
class _Matching:
    """Two releases matched."""

    hdr: _Pass
    sdr: _Pass
    alignment: Alignment
    edit_map: EditMap

    @property
    def similarity(self) -> NDArray[np.float32]:
        """Similarity of every HDR frame with its partner, NaN without one."""
        return self.edit_map.similarity

    def geometry_at(self, hdr_frame: int) -> Geometry:
        """The geometry that holds for an HDR frame."""
        starts = [one.hdr_start for one in self.alignment.geometry]
        return self.alignment.geometry[max(bisect.bisect_right(starts, hdr_frame) - 1, 0)]


def compare(
    hdr: str | os.PathLike[str],
    sdr: str | os.PathLike[str],
    *,
    settings: Settings | None = None,
    out: str | os.PathLike[str] | None = None,
    title: str | None = None,
    full: bool = False,
    survey: bool | None = None,
    budget_s: float | None = None,
    fresh: bool = False,
    hash_whole: bool = False,
    progress: Progress | None = None,
) -> Comparison:
    """Compare two releases of one film and say how distinguishable they are.

    Parameters
    ----------
    hdr, sdr : paths of the two releases.
    settings : thresholds, overrides, the set's reach; defaults where None.
    out : folder for `result.json`, `report.html`, `frames.parquet` and `stills/`; nothing is written where None.
    title : of the film; the HDR file's name where None.
    full : score every matched pair instead of a sample of each shot.
    survey : read key frames and short windows alone, until the label is settled; False reads both releases whole; None does so only
        where one of them is shorter than five minutes. A pair that cannot be surveyed is read whole, and a note says why.
    budget_s : a survey takes no further look at the films when it would take longer than this, seconds.
    fresh : measure anew even what an earlier run kept.
    hash_whole : identify files by all their bytes.
    progress : called as (stage in words, done, total or None).

    Returns
    -------
    Comparison.

    Raises
    ------
    InputRefused, SignalUnresolved, DecodeFailed : a release that cannot be measured.
    UnrelatedFilms : the two do not belong together.
    OutputRefused : `out` cannot be written.
    """
    settings, tell = settings or Settings(), progress or _silent
    check_words(settings=settings)  # what cannot be read is refused before the films are decoded
    if out is not None:
        check_output(Path(out))
    parts = PairParts(fresh=fresh, every_s=PART_S)
    with contextlib.ExitStack() as stack, BlockFile(_keep.keep_folder()) as blocks:  # what a survey has open is read again for the stills
        tell("read what the releases say", 0, None)
        pair = _probe_pair(hdr, sdr, settings=settings, fresh=fresh, hash_whole=hash_whole, tell=tell)
        work, reason = None, None
        if not full and survey is not False:
            try:
                _check_surveyable(*pair, asked=bool(survey))
                work = _survey(*pair, settings=settings, budget_s=budget_s, stack=stack, tell=tell)
            except (NotSurveyable, UnrelatedFilms) as found:
                if survey and isinstance(found, UnrelatedFilms):
                    raise
                stack.close()
                reason = str(found).rstrip(".") or None
                if reason is not None:
                    tell(f"the pair is read whole: {reason}", 0, None)
        if work is None:
            work = _read_whole(*pair, settings=settings, full=full, fresh=fresh, parts=parts, keep=blocks.keep, tell=tell)
        measured = work.looks[-1]
        placed = all(os.path.isabs(part) for one in pair for part in str(one.path).split("+"))
        asked = Asked(full, survey, budget_s, hash_whole, reason, "" if placed else os.getcwd())
        comparison = conclude(measured, title=title, asked=asked, settings=work.settings)
        if out is None:
            parts.remove()
            return with_objections(comparison)
        from pairdiff.writeup.document import write_comparison

        give_back()
        stills, joined = _draw(
            work.matching,
            comparison.moments,
            comparison.setup,
            peak_nits=_film_peak_nits(work.matching, measured.film),
            doubted=bool(measured.signal_check.cautions),
            settings=work.settings,
            tell=tell,
        )
        comparison = with_objections(replace(comparison, moments=tuple(dict.fromkeys(still.moment for still in stills))))
        store = partial(
            store_measured,
            looks=work.looks,
            peaks=work.peaks.seen,
            moments=comparison.moments,
            asked=asked,
            settings=work.settings,
            versions=comparison.versions,
        )
        give_back()
        tell("write", 0, 1)

        def forget() -> None:
            stills.clear()
            joined.clear()

        write_comparison(comparison, stills, Path(out), joined=joined, kinds=_hdr_kinds(work.settings), store=store, forget=forget)
        parts.remove()  # not before: a disk that is full costs no second scoring
        tell("write", 1, 1)
        return comparison


def check_words(*, settings: Settings) -> None:
    """Refuse settings that are lists in words (displays, anchors, a passage) and cannot be read.

    Raises
    ------
    UsageError : one that cannot.
    """
    read_displays(settings.displays, settings.own_displays)
    read_anchors(settings.anchor)
    read_span(settings.only)


def _read_whole(
    hdr: Release, sdr: Release, *, settings: Settings, full: bool, fresh: bool, parts: PairParts, keep: Keep, tell: Progress
) -> _Work:
    """Both releases read from their first picture to their last, matched, and scored on pairs drawn from every shot, or on all."""
    matching = _match_releases(hdr, sdr, settings=settings, fresh=fresh, tell=tell)
    settings = settings_for(len(matching.hdr.track.times_s), settings)
    film = _look_at_film(matching, settings=settings, full=full)
    matching = _without_prints(matching)
    give_back()
    fits, collector = _fit(matching, film.picks, settings=settings, tell=tell, parts=parts)
    give_back()
    signal_check = _check_signal(matching, collector, settings)
    words = _find_words(matching, film.picks, settings=settings, tell=tell)
    give_back()
    scores, marks = _score(matching, film, fits, collector, words, settings=settings, tell=tell, parts=parts, keep=keep)
    give_back()
    peaks = _PeakLook(matching, marks, words, settings)
    measured = _gather(matching, film, fits, scores, words, signal_check, peaks, settings=settings)
    return _Work(matching, (measured,), peaks, settings)


def _gather(
    matching: _Matching,
    film: Film,
    fits: SetupFits,
    scores: PairScores,
    words: _Words,
    signal_check: SignalCheck,
    peaks: _PeakLook,
    *,
    settings: Settings,
    survey: SurveyCoverage | None = None,
) -> Measured:
    """Everything that a conclusion is drawn from."""
    return Measured(
        hdr=_seen_of(matching.hdr),
        sdr=_seen_of(matching.sdr),
        alignment=matching.alignment,
        shorter_frames=_shorter_frames(matching, settings),
        film=film,
        fits=fits,
        scores=scores,
        word_nits=None if words.hdr is None else words.hdr.level,
        signal_check=signal_check,
        see_peak=peaks,
        survey=survey,
    )


def _shorter_frames(matching: _Matching, settings: Settings) -> int:
    """Frames of the shorter release, or of the passage that was asked for."""
    shorter = min(len(matching.hdr.track.times_s), len(matching.sdr.track.times_s))
    only = read_span(settings.only)
    if only is not None:
        first, last = (_frame_at(matching.hdr, time) for time in only)
        shorter = min(shorter, max(last - first, 1))  # the last one is not asked for
    return shorter


def _seen_of(scanned: _Pass) -> Seen:
    track = scanned.track
    return Seen(scanned.release, track.active, len(track.times_s), track.levels, track.damage, scanned.read is not None)


def _without_prints(matching: _Matching) -> _Matching:
    """Two matched releases without what only matching looks at: of a film that is 400 MB."""

    def thin(scanned: _Pass) -> _Pass:
        track = scanned.track
        return replace(scanned, track=replace(track, fingerprints=track.fingerprints[:0].copy(), edges=track.edges[:0].copy()))

    return replace(matching, hdr=thin(matching.hdr), sdr=thin(matching.sdr))


def measure(
    release: str | os.PathLike[str],
    *,
    settings: Settings | None = None,
    full: bool = False,
    survey: bool | None = None,
    fresh: bool = False,
    hash_whole: bool = False,
    progress: Progress | None = None,
) -> Measurement:
    """Light levels of one release alone, HDR or SDR.

    Parameters
    ----------
    release : path.
    settings, fresh, hash_whole, progress : as for `compare`; the `hdr_` or the `sdr_` options apply, as the file turns out to be.
    full : every frame is measured, with or without it.
    survey : measure some key frames alone: how bright the release usually is, and not how bright it gets.

    Returns
    -------
    Measurement.
    """
    del full
    settings, tell = settings or Settings(), progress or _silent
    found = _probe(release, side=None, settings=settings, hash_whole=hash_whole, fresh=fresh, tell=tell)
    if survey:
        try:
            return _measure_some(found, settings=settings, tell=tell)
        except NotSurveyable as reason:
            found = replace(found, notes=(*found.notes, f"read whole and not surveyed: {reason}."))
    done = _scan(found, settings=settings, fresh=fresh, tell=tell)
    peak = _locate_brightest(done, settings=settings)
    looks = read_range(done.track.codes, code_range=done.release.signal.range.value)
    if looks is not None:
        caution = say_range(done.release.side, looks)
        done = replace(done, release=replace(done.release, notes=(*done.release.notes, caution)))
    return Measurement(result_of(_seen_of(done), settings), done.track.active, done.track.levels, list_versions(), asdict(settings), peak)


def _measure_some(release: Release, *, settings: Settings, tell: Progress) -> Measurement:
    """Levels of key frames of one release.

    Raises
    ------
    NotSurveyable : it has to be read whole.
    """
    reason = why_read_whole(release)
    if reason is not None:
        raise NotSurveyable(reason)
    release = choose_decoder(release, wanted=settings.decoder)
    found = sample_levels(release, settings=settings, tell=tell)
    looks = read_range(found.codes, code_range=release.signal.range.value)
    notes = [] if found.note is None else [found.note]
    notes += [] if looks is None else [say_range(release.side, looks)]
    notes.append(
        f"a survey of {len(found.levels)} key frames drawn at random from equal parts of the film: MaxCLL and MaxFALL are those of a whole "
        "release and not among what they tell (--full)."
    )
    levels = levels_of_some(pool_levels(found.levels, condition=levels_condition(release.signal, hlg_peak_nits=settings.hlg_peak_nits)))
    result = ReleaseResult(replace(release, notes=(*release.notes, *notes)), levels, found.decoded, ())
    return Measurement(result, found.active, found.levels, list_versions(), asdict(settings), None)


def _locate_brightest(scanned: _Pass, *, settings: Settings) -> PixelPlace:
    """The brightest pixel of a release, found again in the frame that holds it."""
    levels, times = scanned.track.levels, scanned.track.times_s
    frame = int(column(levels, "max_nits").argmax())
    shown = next(_frames_at(scanned, [frame]))
    code = planes_to_rgb(shown.planes, scanned.release.signal)
    sdr = scanned.release.signal.transfer.value == "bt1886"
    # of an SDR picture its largest signal: any display keeps the order
    light = np.clip(code, 0, None) if sdr else _hdr_light(code, scanned.release.signal, settings)
    where = locate_peak(code_level(light), active=scanned.track.active)
    extent = where.place, where.area_pixels, where.area_share
    return PixelPlace(levels[frame].max_nits, frame, float(times[frame]), where.row, where.column, *extent)


def align(
    hdr: str | os.PathLike[str],
    sdr: str | os.PathLike[str],
    *,
    settings: Settings | None = None,
    fresh: bool = False,
    progress: Progress | None = None,
) -> Alignment:
    """Which frames and which region of two releases belong together; arguments and errors as for `compare`."""
    return _match(hdr, sdr, settings=settings or Settings(), fresh=fresh, hash_whole=False, tell=progress or _silent).alignment


def stills(
    hdr: str | os.PathLike[str],
    sdr: str | os.PathLike[str],
    *,
    at: Sequence[str],
    out: str | os.PathLike[str],
    settings: Settings | None = None,
    progress: Progress | None = None,
) -> tuple[Moment, ...]:
    """Draw both sides at chosen times of the HDR film into `out`.

    Parameters
    ----------
    hdr, sdr : paths of the two releases.
    at : times `h:mm:ss.mmm` (or `mm:ss`, or seconds) or frames `f123`, HDR film time.
    out : folder for the pictures.
    settings, progress : as for `compare`.

    Returns
    -------
    The moments drawn; one outside the matched passages has the shot -1, and its reason and captions say so.

    Raises
    ------
    UsageError : a time that cannot be read or has no matched frame; and the errors of `compare`.
    """
    from pairdiff.writeup.document import write_stills

    settings, tell = settings or Settings(), progress or _silent
    if not at:
        raise UsageError("No time was given. Name at least one with --at, as h:mm:ss.mmm or f123.")
    asked = [(text, read_time(text)) for text in at]
    check_output(Path(out))
    matching = _match(hdr, sdr, settings=settings, fresh=False, hash_whole=False, tell=tell, at=[time for _, time in asked])
    moments = tuple(sorted((_asked_moment(matching, text, time) for text, time in asked), key=lambda moment: moment.hdr_frame))
    film = _look_at_film(matching, settings=settings, full=False)
    fits, collector = _fit(matching, film.picks, settings=settings, tell=tell)
    cautions = _check_signal(matching, collector, settings).cautions
    for caution in cautions:
        tell(f"caution: {caution}", 0, None)
    peak = _film_peak_nits(matching, film)
    setup = fits.named("controls")
    pictures, joined = _draw(matching, moments, setup, peak_nits=peak, doubted=bool(cautions), settings=settings, tell=tell)
    write_stills(_warned(pictures), Path(out), joined=_warned(joined), kinds=_hdr_kinds(settings))
    return moments


def report(directory: str | os.PathLike[str]) -> Path:
    """Draw `report.html` again from the results stored in a folder; no video is needed."""
    from pairdiff.writeup.html import render_report

    return render_report(Path(directory))


# ---------------------------------------------------------------- probe, scan, match


def _silent(stage: str, done: int, total: int | None) -> None:
    """Progress that nobody asked for."""


def _probe(
    path: str | os.PathLike[str], *, side: Side | None, settings: Settings, hash_whole: bool, fresh: bool, tell: Progress
) -> Release:
    """What a release says; as the HDR or the SDR one, or, without a side, as what its transfer says."""
    name = os.fspath(path)
    pictures = find_sequence(name, name=f"The {'' if side is None else f'{SIDE_WORDS[side]} '}release {name}")
    if pictures is not None and pictures.ending in HANDED_ON:
        return _probe_pictures(name, pictures, side=side, settings=settings, hash_whole=hash_whole, fresh=fresh, tell=tell)
    kind = None if side == "sdr" else linear_kind(name)
    if kind == "exr" or (kind is not None and side is not None):
        return _probe_linear(name, kind, settings=settings, hash_whole=hash_whole)
    if side == "sdr" and gain_map_state(name) == "base is hdr":
        return _probe_sdr_rendition(name, settings=settings, hash_whole=hash_whole)
    return _probe_plain(name, side=side, settings=settings, hash_whole=hash_whole)


def _probe_plain(path: str | os.PathLike[str], *, side: Side | None, settings: Settings, hash_whole: bool = False) -> Release:
    if side is None:
        return probe_alone(path, settings=settings, hash_whole=hash_whole)
    found = probe_release(path, side=side, settings=settings, hash_whole=hash_whole)
    wide = side == "sdr" and found.signal.transfer.value == "bt1886" and found.signal.primaries.value == "p3-d65"
    return _bring_to_bt709(found, settings) if wide and is_single_picture(found) else found


def _bring_to_bt709(release: Release, settings: Settings) -> Release:
    """A single SDR picture of Display P3 as one of BT.709, handed on: SDR releases are measured as BT.709."""
    with open_reader(release) as reader:
        picture = next(reader)
    code = np.clip(planes_to_rgb(picture.planes, release.signal), 0, 1)
    brought, outside = p3_to_bt709_code(code)
    found = _hand_on_sdr(brought, f"bt709 {identify_file(release.path, whole=True)} {release.signal}", settings)
    note = (
        f"the picture has Display P3 primaries ({release.signal.primaries.source}); it is measured as BT.709, and {outside:.1%} of its "
        "pixels have colours outside, which are cut at the edge."
    )
    primaries = Fact("bt709", f"Display P3 ({release.signal.primaries.source}), brought to BT.709", False)
    signal = replace(found.signal, transfer=release.signal.transfer, primaries=primaries)
    return replace(release, opened=found.path, signal=signal, stream_index=found.stream_index, notes=(note, *release.notes))


def _hand_on_sdr(code: NDArray[np.float32], key: str, settings: Settings) -> Release:
    """An SDR picture of BT.709, 0 to 1, as a 16-bit picture that lies beside what is kept."""
    name = hashlib.sha256(key.encode()).hexdigest()[:32]
    opened = _keep.store_picture(f"{name}.png", encode_png(np.round(code * 65535).astype(np.uint16), points=(1, 1)))
    none = {f"sdr_{field}": None for field in ("transfer", "primaries", "range", "matrix", "siting", "stream")}
    return probe_release(opened, side="sdr", settings=replace(settings, **none))  # type: ignore[arg-type]


def _probe_sdr_rendition(path: str, *, settings: Settings, hash_whole: bool) -> Release:
    """The SDR rendition of an AVIF picture whose base is the HDR one, handed on."""
    parts = read_parts(path, side="sdr", settings=settings)
    code, outside = linear_to_bt709_code(_make_rendition(parts), source=parts.primaries)
    found = _hand_on_sdr(code, f"sdr rendition {identify_file(path, whole=True)} {parts.base.signal} {parts.primaries}", settings)
    note = (
        f"the SDR rendition of a picture whose base is HDR ({AVIF_GAIN_MAP}), {parts.primaries}; it is measured as 16-bit BT.709, and "
        f"{outside:.1%} of its pixels have light or colours outside, which are cut at the edge."
    )
    signal = replace(found.signal, transfer=Fact("bt1886", "gain map", False), primaries=Fact("bt709", "gain map", False))
    found = replace(found, path=path, opened=found.path, container=AVIF_GAIN_MAP, signal=signal, notes=(note, *found.notes))
    return replace(found, file_id=identify_file(path, whole=hash_whole), size_bytes=os.path.getsize(path))


def _make_rendition(parts: RenditionParts) -> NDArray[np.float32]:
    """Light of the other rendition of a picture, 1 at SDR white, of its own primaries."""
    base, coded = (np.clip(planes_to_rgb(planes_of_picture(one.picture), one.signal), 0, 1) for one in (parts.base, parts.coded))
    return apply_gain_map(
        base,
        coded,
        numbers=parts.numbers,
        base_transfer=parts.base_transfer,
        base_primaries=parts.base_primaries,
        primaries=parts.primaries,
    )


def _probe_pictures(
    path: str, pictures: PictureSequence, *, side: Side | None, settings: Settings, hash_whole: bool, fresh: bool, tell: Progress
) -> Release:
    """Numbered OpenEXR or AVIF pictures, handed on as a lossless film that lies beside what is kept."""
    called: Side = side or ("sdr" if settings.sdr_frame_rate is not None else "hdr")
    paths, rate = list(pictures.paths()), rate_of_pictures(settings, called)
    plain = replace(settings, hdr_frame_rate=None, sdr_frame_rate=None)
    linear, tags, primaries = "", None, None
    frames = read_pictures(paths, side=called, settings=settings)
    if pictures.ending == "exr":
        side = side or "hdr"
        unit_nits, primaries = _state_linear(path, "exr", settings)
        tags, linear = pq_tags(primaries), f" of linear light, {primaries}, 1.0 taken as {unit_nits:g} cd/m2, measured to {PQ_END},"
        frames = _read_linear_frames(paths, unit_nits, settings)
        plain = replace(plain, hdr_transfer=None, hdr_primaries=None, hdr_range=None, hdr_matrix=None)

    def write(file: BinaryIO) -> None:
        encode_film(file, _tell_each(frames, tell, len(paths)), rate=rate.value, tags=tags, side=called)

    name = hashlib.sha256(f"{_keep.SCAN_VERSION} {identify_files(paths, whole=True)} {rate.value} {linear}".encode()).hexdigest()[:32]
    opened = _keep.store_film(f"{name}.mkv", write, fresh=fresh)
    try:
        found = _probe_plain(opened, side=side, settings=plain)
    except PairdiffError as error:
        raise type(error)(str(error).replace(str(opened), path)) from error
    signal = replace(found.signal, frame_rate=Fact(rate.value, rate.source, rate.assumed))
    if primaries is not None:
        signal = replace(signal, transfer=HANDED_ON_PQ, primaries=Fact(primaries, "option", False))
    note = f"{len(paths)} numbered pictures ({pictures.ending}){linear} are read as one lossless film."
    notes = (note, *([NOTE_RATE] if rate.assumed else []), *found.notes)
    file_id, size = identify_files(paths, whole=hash_whole), sum(os.path.getsize(one) for one in paths)
    kind = f"numbered pictures ({pictures.ending})"
    return replace(found, path=path, opened=str(opened), container=kind, signal=signal, notes=notes, file_id=file_id, size_bytes=size)


def _read_linear_frames(paths: Sequence[str], unit_nits: float, settings: Settings) -> Iterator[Named]:
    for one in paths:
        yield one, frame_from_codes(_linear_codes(one, "exr", unit_nits, settings))


def _tell_each(items: Iterator[T], tell: Progress, total: int) -> Iterator[T]:
    for done, item in enumerate(items):
        tell("hand on the pictures", done, total)
        yield item
    tell("hand on the pictures", total, total)


def _linear_codes(path: str, kind: str, unit_nits: float, settings: Settings) -> NDArray[np.uint16]:
    """PQ codes of 16 bits, full range, of a picture of linear light."""
    check_stated_size(path, path=path, side="hdr", settings=settings)
    return _encode_light(read_linear(path, kind=kind, side="hdr", most_megapixels=settings.picture_limit_megapixels), unit_nits)


def _encode_light(light: NDArray[np.float32], unit_nits: float) -> NDArray[np.uint16]:
    return np.round(nits_to_pq(np.minimum(light, 10_000 / unit_nits) * unit_nits) * 65535).astype(np.uint16)


def _probe_linear(path: str, kind: str, *, settings: Settings, hash_whole: bool) -> Release:
    """A picture of linear light, handed on as a 16-bit PQ picture that lies beside what is kept (its light is kept to 0.02 %)."""
    parts = read_parts(path, side="hdr", settings=settings) if kind == AVIF_GAIN_MAP else None
    unit_nits, primaries = _state_linear(path, kind, settings if parts is None else replace(settings, hdr_primaries=parts.primaries))
    how = "" if parts is None else f" {parts.base.signal} {parts.base_primaries}"
    name = hashlib.sha256(f"{identify_file(path, whole=True)} {unit_nits} {primaries}{how}".encode()).hexdigest()[:32]
    if parts is None:
        codes = _linear_codes(path, kind, unit_nits, settings)
    else:
        codes = _encode_light(without_odd_numbers(_make_rendition(parts)), unit_nits)
    opened = _keep.store_picture(f"{name}.png", encode_png(codes, points=(PRIMARIES_POINTS[primaries], PQ_POINT)))
    plain = replace(settings, hdr_transfer=None, hdr_primaries=None, hdr_range=None, hdr_matrix=None)
    found = probe_release(opened, side="hdr", settings=plain)
    assumed = "" if settings.hdr_linear_nits is not None else " (assumed: ITU-R BT.2408 HDR Reference White)"
    source = "hues" if parts is None else parts.source
    source = "option" if settings.hdr_primaries is not None else source
    by_base = PRIMARIES_FROM[source]
    note = (
        f"a picture of linear light ({kind}), {primaries}{by_base}, 1.0 taken as {unit_nits:g} cd/m2{assumed}; it is measured as 16-bit "
        f"PQ, to {PQ_END}."
    )
    told = source in ("option", "container")
    signal = replace(found.signal, transfer=HANDED_ON_PQ, primaries=Fact(primaries, source if told else "assumed", not told))
    found = replace(found, path=path, opened=str(opened), container=kind, signal=signal, notes=(note, *found.notes))
    return replace(found, file_id=identify_file(path, whole=hash_whole), size_bytes=os.path.getsize(path))


def _state_linear(path: str, kind: str, settings: Settings) -> tuple[float, str]:
    """What the number 1 is in cd/m2, and the primaries, of linear light.

    Raises
    ------
    SignalUnresolved : not stated.
    """
    unit_nits, primaries = settings.hdr_linear_nits, settings.hdr_primaries
    if kind in GAIN_MAPS and unit_nits is None:
        unit_nits = HDR_WHITE_NITS
    if kind == "gain map" and primaries is None:
        primaries = _tell_primaries(path, settings)
    if unit_nits is None or primaries is None:
        lacking = [name for name, value in (("--hdr-linear-nits 100", unit_nits), ("--hdr-primaries bt2020", primaries)) if value is None]
        raise SignalUnresolved(
            f"The HDR release {path} is a picture of linear light ({kind}): its numbers say neither what light 1.0 is nor, for sure, what "
            f"colours its primaries are. State how it was made, such as {' '.join(lacking)}."
        )
    return unit_nits, primaries


def _tell_primaries(path: str, settings: Settings) -> str | None:
    """Primaries of the HDR rendition of a gain map, by the hues that it shares with its base picture; None where these do not tell.

    The libraries that apply gain maps say nothing of them: some hand numbers on in the base picture's, some in BT.709's.
    """
    stated = Settings(sdr_transfer="bt1886", sdr_range="full", sdr_primaries=settings.sdr_primaries)
    try:
        base = probe_release(path, side="sdr", settings=stated)
        with open_reader(base) as reader:
            shown = srgb_to_linear(np.clip(planes_to_rgb(next(reader).planes, base.signal), 0, 1))
    except SignalUnresolved:
        return None  # the base picture does not say its own
    light = read_linear(path, kind="gain map", side="hdr", most_megapixels=settings.picture_limit_megapixels)
    if light.shape != shown.shape:
        return None
    return primaries_by_hues(light, shown, other_primaries=base.signal.primaries.value)


def _scan(release: Release, *, settings: Settings, fresh: bool, tell: Progress) -> _Pass:
    release = choose_decoder(release, wanted=settings.decoder)
    key = _keep.scan_key(release, hlg_peak_nits=settings.hlg_peak_nits)
    kept = None if fresh else _keep.load_track(key)
    if kept is not None:
        return _with_found(release, kept)
    release = release if release.parts else look_at_fields(release)
    try:
        track = _scan_frames(release, key=key, fresh=fresh, settings=settings, tell=tell)
    except FaultMet:
        track = _scan_frames(replace(release, in_order=True), key=key, fresh=fresh, settings=settings, tell=tell)
        track = replace(track, in_order=True, notes=(*track.notes, NOTE_IN_ORDER))
    give_back()
    _keep.store_track(key, track)
    return _with_found(release, track)


def _scan_frames(release: Release, *, key: str, fresh: bool, settings: Settings, tell: Progress) -> Track:
    """Everything that is measured of every picture of a release.

    Raises
    ------
    FaultMet : where the stream is damaged, unless the release is read in order.
    """
    name = release.side.upper()
    total = _expected_frames(release)
    siting, kernels = SitingWatch(release.signal), KernelsReady(release.signal, hlg_peak_nits=settings.hlg_peak_nits)
    active, bar_level = _find_active(release, lambda frames: siting.watch(kernels.watch(frames)), forget=siting.forget, tell=tell)
    kernels.wait(tell=tell)
    watch = FieldWatch(code_step=2.0 ** (release.signal.bit_depth.value - 8))
    damaged = ", which is damaged, picture by picture" if release.in_order else ""
    stage = f"measure the {name} release{', one field of each frame' if release.one_field else ''}{damaged}"
    read = partial(_read_track, bar_level=bar_level, key=key, fresh=fresh, settings=settings)
    track = read(release, active=active, watch=watch, tell=lambda done: tell(stage, done, total))
    whole = _whole_area(track, release.signal)
    notes = [] if whole == active else [NOTE_WIDER_PASSAGES]
    if release.one_field:  # fields of one parity are whole pictures; what the watch says of their rows would be of fine detail
        if whole != active:
            again = f"{stage}, again with all of its picture"
            track = read(release, active=whole, watch=None, tell=lambda done: tell(again, done, total))
        return replace(track, one_field=True, notes=(*track.notes, *notes, NOTE_ONE_FIELD))
    found = watch.found()
    check_blends(release, found)
    if is_interlaced(found.combed, found.moving):
        return _scan_frames(take_one_field(release), key=key, fresh=fresh, settings=settings, tell=tell)
    if release.parts and (found.order is not None or not found.settled):
        refuse_woven(release)
    rejoined = found.order != release.field_order or not found.settled  # what windows and single frames could not tell, the whole film did
    if rejoined or whole != active:
        release = replace(release, field_order=found.order, field_joins=found.joins) if rejoined else release
        again = f"measure the {name} release again, {'its fields rejoined' if rejoined else 'all of its picture'}"
        track = read(release, active=whole, watch=None, tell=lambda done: tell(again, done, total))
    woven = found.order is not None  # chroma of fields lies elsewhere in each of them
    siting_note = None if woven else say_siting(siting.found(), release.signal, side=release.side)
    return replace(
        track,
        field_order=found.order,
        field_joins=found.joins,
        repeats=found.repeats,
        set_aside=found.combed | found.blends.mixed,
        notes=(*track.notes, *notes, *note_fields(found), *([siting_note] if siting_note else [])),
    )


def _whole_area(track: Track, signal: Signal) -> Rectangle:
    """The picture area of a pass, and what passages that no key frame had shown have beyond it."""
    active, edges = track.active, track.edges
    least, most = edges[:, ::2].min((0, 2)), edges[:, 1::2].max((0, 2))
    if least[0] >= active.top and most[0] <= active.bottom and least[1] >= active.left and most[1] <= active.right:
        return active  # nothing shines beyond it, and the passages need not be sought
    areas = [active, *(span.area for span in track_spans(track, signal))]
    return Rectangle(
        min(one.top for one in areas), max(one.bottom for one in areas), min(one.left for one in areas), max(one.right for one in areas)
    )


def _read_track(
    release: Release,
    *,
    active: Rectangle,
    bar_level: BarLevel,
    watch: FieldWatch | None,
    key: str,
    fresh: bool,
    settings: Settings,
    tell: Callable[[int], None],
) -> Track:
    """Fingerprints and levels of every picture; a pass that was begun before is gone on with where that leads to the same."""
    parts = Parts(key) if _is_plain(release) and watch is not None else None
    with BlockFile(_keep.keep_folder()) as blocks:
        read_on = partial(_read_on, release, active, bar_level, watch=watch, parts=parts, keep=blocks.keep, settings=settings, tell=tell)
        begun = None if parts is None or fresh else parts.load(keep=blocks.keep)
        if begun is not None and watch is not None:
            watch.go_on(begun.weaves, begun.mixes, frames=len(begun.frames))
            with contextlib.suppress(CannotReadOn):
                return read_on(begun=begun)
            watch.begin()
        if parts is not None:
            parts.remove()
        return read_on(begun=None)


def _is_plain(release: Release) -> bool:
    """Whether a pass over a release can be gone on with, and read in stretches: one file, pictures as they are stored, at its own times."""
    return _is_strict(release) and not (release.parts or release.one_field or release.field_order or release.stamps_of_coding)


def _is_strict(release: Release) -> bool:
    """Whether the first fault ends a pass, which is then made again in order; pictures in files of their own have no order to keep."""
    return not release.in_order and not is_of_pictures(release)


def _read_on(
    release: Release,
    active: Rectangle,
    bar_level: BarLevel,
    *,
    watch: FieldWatch | None,
    parts: Parts | None,
    begun: Begun | None,
    keep: Keep,
    settings: Settings,
    tell: Callable[[int], None],
) -> Track:
    """The pictures behind those of a pass that was begun, or all of them; what is found of each is put where `keep` puts it.

    Raises
    ------
    CannotReadOn : where the place at which that pass was left is not found again.
    """
    add, start = None if watch is None else watch.add, None if begun is None else begun.reader
    with (
        open_reader(release, watch=add, strict=_is_strict(release), start=start) as reader,
        contextlib.closing(read_ahead(reader)) as frames,  # its thread has to end before what it reads is closed
    ):
        codes = np.zeros(CODES, np.int64) if begun is None else begun.codes
        scan = scan_frames(
            frames,
            release.signal,
            active=active,
            bar_level=bar_level,
            hlg_peak_nits=settings.hlg_peak_nits,
            progress=tell,
            workers=max(count_cores() // CORES_A_WORKER, 1),
            before=Table(FrameScan, keep=keep) if begun is None else begun.frames,
            codes_before=codes,
            keep=None if parts is None or watch is None else _Keeper(parts, reader, watch, codes=codes),
            empty=in_files(_keep.keep_folder()),
            keep_rows=BlockFile(_keep.keep_folder()).keep,
        )
        track = Track(
            active,
            scan.fingerprints,
            scan.edges,
            scan.times_s,
            scan.levels,
            tuple(reader.damage),
            notes=tuple(reader.changes),
            part_starts=tuple(reader.part_starts),
            codes=scan.codes,
        )
    if parts is not None:
        parts.remove()
    return track


class _Keeper:
    """Stores parts of a pass from time to time, as long as its reader can say how far it has come."""

    def __init__(self, parts: Parts, reader: PictureReader, watch: FieldWatch, *, codes: NDArray[np.int64]) -> None:
        self._parts, self._reader, self._watch = parts, reader, watch
        self._kept_codes = codes
        self._due_s = monotonic() + PART_S

    def __call__(self, frames: Sequence[FrameScan], codes: NDArray[np.int64]) -> None:
        state = self._reader.state_before(len(frames)) if monotonic() >= self._due_s else None
        if state is None:
            return
        self._parts.store(frames, codes - self._kept_codes, state, self._watch.state())
        self._kept_codes, self._due_s = codes.copy(), monotonic() + PART_S


def plan_stretches(
    hdr: str | os.PathLike[str],
    sdr: str | os.PathLike[str],
    *,
    settings: Settings | None = None,
    full: bool = False,
    survey: bool | None = None,
    hash_whole: bool = False,
    progress: Progress | None = None,
) -> list[dict[str, Any]]:
    """In what stretches the releases of a pair can be read by themselves, for `compare` to take up; arguments and errors as for it.

    Returns
    -------
    A plan for each release that is long enough and that a comparison reads whole, plain data: `side`, `key` (of the pass), `active` and
    `bars` of the whole release, `starts_s` of each stretch as fractions in words. None for a pair that is surveyed.
    """
    settings, tell = settings or Settings(), progress or _silent
    tell("look where the releases can be read in stretches", 0, None)
    pair = _probe_pair(hdr, sdr, settings=settings, fresh=False, hash_whole=hash_whole, tell=tell)
    if not full and survey is not False:
        with contextlib.suppress(NotSurveyable):
            _check_surveyable(*pair, asked=bool(survey))
            return []
    return [plan for one in pair if (plan := _plan_stretches(one, settings=settings, tell=tell)) is not None]


def _plan_stretches(release: Release, *, settings: Settings, tell: Progress) -> dict[str, Any] | None:
    release = choose_decoder(release, wanted=settings.decoder)
    key = _keep.scan_key(release, hlg_peak_nits=settings.hlg_peak_nits)
    starts_s = find_starts_s(release) if _is_plain(release) else ()
    if len(starts_s) < 2 or _keep.load_track(key) is not None or not _is_plain(look_at_fields(release)):
        return None
    active, bars = _find_active(release, lambda frames: frames, forget=lambda: None, tell=tell)
    return {
        "side": release.side,
        "key": key,
        "active": [active.top, active.bottom, active.left, active.right],
        "bars": [bars.code, bars.least_code],
        "starts_s": [str(one) for one in starts_s],
    }


def read_stretch(
    path: str | os.PathLike[str],
    *,
    plan: Mapping[str, Any],
    number: int,
    into: str | os.PathLike[str],
    settings: Settings | None = None,
    hash_whole: bool = False,
    progress: Progress | None = None,
) -> bool:
    """Read one stretch of a release, unless it is there.

    Parameters
    ----------
    path : of the release.
    plan : as `plan_stretches` gives it, of this release.
    number : of the stretch, from 0.
    into : folder for stretches.
    settings, hash_whole, progress : as for `compare`.

    Returns
    -------
    Whether it is there; where not, a comparison reads the release from there on by itself.

    Raises
    ------
    InputRefused : a release that is not the one that was planned with.
    """
    settings, tell, starts_s = settings or Settings(), progress or _silent, [Fraction(one) for one in plan["starts_s"]]
    target = stretch_path(Path(into), plan["key"], number)
    if target.exists():
        return True
    release = _probe(path, side=plan["side"], settings=settings, hash_whole=hash_whole, fresh=False, tell=_silent)
    release = choose_decoder(release, wanted=settings.decoder)
    if _keep.scan_key(release, hlg_peak_nits=settings.hlg_peak_nits) != plan["key"]:
        raise InputRefused(
            f"{path} is not the film that the stretches were planned with: it was changed, or is another one on this machine."
        )
    stage = f"measure the {release.side.upper()} release, stretch {number + 1} of {len(starts_s)}"
    try:
        arrays = make_stretch(
            release,
            starts_s=starts_s,
            number=number,
            active=Rectangle(*plan["active"]),
            bar_level=BarLevel(*plan["bars"]),
            hlg_peak_nits=settings.hlg_peak_nits,
            workers=max(count_cores() // CORES_A_WORKER, 1),
            progress=lambda done: tell(stage, done, None),
        )
    except (CannotReadOn, FaultMet) as found:
        tell(f"the stretch is left to the comparison: {found}", 0, None)
        return False
    write_stretch(target, arrays)
    return True


def _with_found(release: Release, track: Track) -> _Pass:
    """A release with what its pass found out about its frames."""
    if track.one_field and not release.one_field:
        release = take_one_field(release)
    found = replace(
        release,
        field_order=track.field_order,
        field_joins=track.field_joins,
        in_order=track.in_order,
        part_starts=track.part_starts,
        notes=(*release.notes, *track.notes),
    )
    return _Pass(found, track, track_spans(track, release.signal))


def _expected_frames(release: Release) -> int | None:
    rate = release.signal.frame_rate.value
    return None if rate is None or release.duration_s is None else max(round(release.duration_s * rate), 1)


def _find_active(
    release: Release, watch: Callable[[Iterator[Frame]], Iterator[Frame]], *, forget: Callable[[], None], tell: Progress
) -> tuple[Rectangle, BarLevel]:
    """Picture area and level of the bars; `watch` lets the same pictures pass, and `forget` is called where others are taken."""
    tell(f"find the picture area of the {release.side.upper()} release", 0, None)
    key_frames, most = 0, ACTIVE_KEY_FRAMES
    if release.duration_s is not None:
        most = min(max(round(float(release.duration_s) / ACTIVE_KEY_EVERY_S), ACTIVE_FEWEST), ACTIVE_KEY_FRAMES)

    def count() -> Iterator[Frame]:
        nonlocal key_frames
        for frame in read_key_frames(release, most=most):
            key_frames += 1
            yield frame

    frames = watch(count())
    for first in frames:
        found = find_active(itertools.chain([first], frames), release.signal)
        if key_frames >= ACTIVE_LEAST_KEY_FRAMES:
            return found
    forget()
    with open_reader(release) as reader:
        return find_active(watch(frame for frame in reader if frame.index % ACTIVE_STEP_FRAMES == 0), release.signal)


def _match(
    hdr: str | os.PathLike[str],
    sdr: str | os.PathLike[str],
    *,
    settings: Settings,
    fresh: bool,
    hash_whole: bool,
    tell: Progress,
    at: Sequence[int | Fraction] = (),
) -> _Matching:
    """Match two releases; `at` are moments of the HDR release that are asked for, and refused at once where it ends before them."""
    read_anchors(settings.anchor)  # what cannot be read is refused before the films are opened
    read_span(settings.only)
    tell("read what the releases say", 0, None)
    pair = _probe_pair(hdr, sdr, settings=settings, fresh=fresh, hash_whole=hash_whole, tell=tell)
    return _match_releases(*pair, settings=settings, fresh=fresh, tell=tell, at=at)


def _probe_pair(
    hdr: str | os.PathLike[str],
    sdr: str | os.PathLike[str],
    *,
    settings: Settings,
    fresh: bool,
    hash_whole: bool,
    tell: Progress,
) -> tuple[Release, Release]:
    """What both releases say, as a pair that can be compared."""
    hdr_release = _probe(hdr, side="hdr", settings=settings, hash_whole=hash_whole, fresh=fresh, tell=tell)
    sdr_release = _probe(sdr, side="sdr", settings=settings, hash_whole=hash_whole, fresh=fresh, tell=tell)
    check_pair(hdr_release, sdr_release)
    _check_sdr_primaries(sdr_release)
    return hdr_release, sdr_release


def _match_releases(
    hdr: Release, sdr: Release, *, settings: Settings, fresh: bool, tell: Progress, at: Sequence[int | Fraction] = ()
) -> _Matching:
    """Match two releases that are read whole; `at` as for `_match`."""
    anchors, only = read_anchors(settings.anchor), read_span(settings.only)
    first = _scan(hdr, settings=settings, fresh=fresh, tell=tell)
    second = _scan(sdr, settings=settings, fresh=fresh, tell=tell)
    for hdr_time, sdr_time in anchors:
        check_within(first.track.times_s, hdr_time, option="--anchor", side="HDR")
        check_within(second.track.times_s, sdr_time, option="--anchor", side="SDR")
    if only is not None:
        check_within(first.track.times_s, only[0], option="--only", side="HDR")
    for time in at:
        check_within(first.track.times_s, time, option="--at", side="HDR")
    _check_frames(first, second)
    first, second = _keep_common(first, second)
    give_back()
    tell("match the frames", 0, None)
    empty = in_files(_keep.keep_folder())
    prints = mask_bars(
        (first.track.fingerprints, second.track.fingerprints),
        (first.track.active, second.track.active),
        (first.spans, second.spans),
        limits=_geometry_limits(first.release, second.release, settings),
        empty=empty,
    )

    lumas = _Lumas(first, second)

    def match_at(first: _Pass, second: _Pass, pins: Sequence[tuple[int, int]], grid_map: GridMap | None) -> EditMap:
        found = find_edit_map(
            prints[0],
            prints[1],
            hdr_aspect=_shown_aspect(first),
            sdr_aspect=_shown_aspect(second),
            pins=pins,
            only=None if only is None else (_frame_at(first, only[0]), _frame_at(first, only[1])),
            grid_map=grid_map,
            hdr_repeats=first.track.repeats,
            sdr_repeats=second.track.repeats,
            empty=empty,
        )
        return _set_aside(found, hdr=first.track.set_aside, sdr=second.track.set_aside)

    def settle(pins: Sequence[tuple[int, int]], first: _Pass = first, second: _Pass = second) -> _Matching:
        edit_map = match_at(first, second, pins, None)
        belongs = belongs_together(edit_map, min_score=settings.min_score)
        if not belongs and (thin := _thinned(first, second)):
            tries = [(match_at(*passes, pins, None), *passes) for passes in thin]
            if any(belongs_together(one[0], min_score=settings.min_score) for one in tries):
                edit_map, first, second = max(tries, key=lambda one: one[0].score)
                belongs = True
                mixed = _with_parities([one[0] for one in tries], first, second)
                if mixed is not None:
                    first, second = mixed
                    edit_map = match_at(first, second, pins, None)

        def match_frames(grid_map: GridMap | None) -> EditMap:
            return match_at(first, second, pins, grid_map)

        if not belongs or may_be_turned(edit_map):
            weight = edit_map.weight if belongs else 0.0
            turned = find_turn(prints[0], prints[1], min_score=settings.min_score, weight=weight, empty=empty)
            if turned is not None:
                raise InputRefused(_turned(first, second, turned))
        if not belongs:
            raise UnrelatedFilms(_unrelated(first, second, edit_map, settings))
        matching = _register(first, second, edit_map, lumas, settings=settings, tell=tell)
        matching = _match_again(matching, match_frames, lumas, settings=settings, tell=tell)
        if matching.edit_map.mixed:  # what is off in place looks off in time: only now, on registered pictures, it counts
            raise InputRefused(_between(first, second, matching.edit_map))
        return _ask(matching, lumas, settings=settings, tell=tell)

    if len(first.track.times_s) == 1:
        return _match_pictures(first, second, lumas, settings=settings, tell=tell)
    pins = [(_frame_at(first, hdr_time), _frame_at(second, sdr_time)) for hdr_time, sdr_time in anchors]
    done = settle(pins)
    refuted = [pin for pin in pins if not _bears_out(done.edit_map, pin)]
    if refuted:
        tell("match the frames without anchors that the pictures do not bear out", 0, None)
        done = settle([pin for pin in pins if pin not in refuted])
    notes = (*done.alignment.notes, *_anchor_notes(refuted, first.track.times_s, second.track.times_s))
    if settings.only:
        notes = (*notes, f"Only {settings.only} of the HDR release was looked at; what lies outside is undetermined for no other reason.")
    return replace(done, alignment=replace(done.alignment, notes=notes))


def _thinned(hdr: _Pass, sdr: _Pass) -> list[tuple[_Pass, _Pass]]:
    """Both passes with every second frame of the one that runs twice as fast left out, the odd ones and the even ones; none otherwise."""
    ratio = _rates(hdr, sdr)
    fast, slow = (hdr, sdr) if ratio > 1 else (sdr, hdr)
    if not is_double(ratio) or fast.track.repeats.size or slow.track.repeats.size:
        return []
    note = f"the {fast.release.side.upper()} release shows twice as many pictures a second: every second one was matched."
    told = replace(fast, track=replace(fast.track, notes=(*fast.track.notes, note)), thinned=True)
    frames = len(fast.track.times_s)
    thin = [replace(told, track=replace(told.track, repeats=leave_out(frames, odd=odd))) for odd in (True, False)]
    return [(one, sdr) if fast is hdr else (hdr, one) for one in thin]


def _with_parities(maps: Sequence[EditMap], hdr: _Pass, sdr: _Pass) -> tuple[_Pass, _Pass] | None:
    """Both passes with odd or even frames left out passage by passage; None where one parity holds throughout."""
    fast = hdr if hdr.thinned else sdr
    frames = len(fast.track.times_s)
    found = choose_parities(*maps, frames=frames, fast_is_hdr=fast is hdr)
    if found is None:
        return None
    aside = found.unsure | fast.track.set_aside if fast.track.set_aside.size else found.unsure
    thin = replace(fast, track=replace(fast.track, repeats=found.repeats, set_aside=aside))
    return (thin, sdr) if fast is hdr else (hdr, thin)


def _match_pictures(first: _Pass, second: _Pass, lumas: _Lumas, *, settings: Settings, tell: Progress) -> _Matching:
    """Match two single pictures by what they show."""
    prints = first.track.fingerprints[0], second.track.fingerprints[0]
    edit_map = pair_pictures(*prints, hdr_aspect=_shown_aspect(first), sdr_aspect=_shown_aspect(second))
    if edit_map.state[0] != 1:
        raise UnrelatedFilms(
            f"The two pictures do not seem to show the same: {first.release.path} and {second.release.path}. Their similarity, where they "
            f"agree best, is {edit_map.score:.2f}; from {LEAST_SIMILARITY:g} they count as one. Give the same moment in both releases."
        )
    done = _register(first, second, edit_map, lumas, settings=settings, tell=tell)
    return replace(done, alignment=replace(done.alignment, notes=(NOTE_PICTURES, *done.alignment.notes)))


def _check_frames(*sides: _Pass) -> None:
    """Refuse a still picture beside a film, and clips of so few frames that nothing can be matched; two still pictures are a pair."""
    if all(len(one.track.times_s) == 1 for one in sides):
        return
    for one in sides:
        frames = len(one.track.times_s)
        if frames < LEAST_FRAMES:
            raise InputRefused(
                f"{one.release.path} ({one.release.side.upper()} release) holds {frames} {'frame' if frames == 1 else 'frames'}: that is "
                f"{'a still picture' if frames == 1 else 'too short a clip'}, and frames are matched by what moves. Give a video of at "
                f"least {LEAST_FRAMES} frames, or a single picture on either side."
            )


def _keep_common(hdr: _Pass, sdr: _Pass) -> tuple[_Pass, _Pass]:
    """Mixes that both releases hold in the same number are the film's own, as of a shot slowed down, and stay among its pictures."""
    tracks = hdr.track, sdr.track
    shares = [float(one.repeats.mean()) if one.field_order is None and one.repeats.size else 0.0 for one in tracks]
    if min(shares) == 0 or max(shares) - min(shares) > SAME_MIXES:
        return hdr, sdr
    kept = [replace(one, repeats=one.repeats[:0], set_aside=one.set_aside & ~one.repeats) for one in tracks]
    return replace(hdr, track=kept[0]), replace(sdr, track=kept[1])


def _bears_out(edit_map: EditMap, pin: tuple[int, int]) -> bool:
    """Whether a map has a place near a pair that the user named; where nothing tells, that is enough."""
    hdr, sdr = pin
    return int(edit_map.path[hdr]) >= 0 and abs(int(edit_map.path[hdr]) - sdr) <= PIN_FRAMES


def _anchor_notes(refuted: Sequence[tuple[int, int]], hdr_times_s: Sequence[Fraction], sdr_times_s: Sequence[Fraction]) -> list[str]:
    """Anchors that the pictures do not bear out: they were left out, and the user must know."""
    named = [f"{say_time(float(hdr_times_s[hdr]))}={say_time(float(sdr_times_s[sdr]))}" for hdr, sdr in refuted]
    return [
        f"The anchor {one} is not borne out by the pictures: nothing near that pair could be matched. It was left out; check the two times."
        for one in named
    ]


def _match_again(
    matching: _Matching, match_frames: Callable[[GridMap | None], EditMap], lumas: _Lumas, *, settings: Settings, tell: Progress
) -> _Matching:
    """Matched on the registered pictures, where these lie elsewhere than the fingerprints said."""
    first, second, edit_map = matching.hdr, matching.sdr, matching.edit_map
    known = map_from_geometry(usual_place(matching.alignment.geometry), hdr_grid=first.track.active, sdr_grid=second.track.active)
    if maps_apart(edit_map.maps[0][2], known) <= MAP_AGAIN_SHARE:
        return matching
    # a picture that is a little off in place looks, where the camera travels, like one a little off in time
    tell("match the frames again, on the registered pictures", 0, None)
    again = better_map(edit_map, match_frames(known))
    return matching if again is edit_map else _register(first, second, again, lumas, settings=settings, tell=tell)


def _ask(matching: _Matching, lumas: _Lumas, *, settings: Settings, tell: Progress) -> _Matching:
    """Frames that fingerprints hardly tell settled by their pictures; registered again where any changed."""
    tell("look at frames that are hard to tell apart", 0, None)
    first, second, places = matching.hdr, matching.sdr, matching.alignment.geometry
    limits = _geometry_limits(first.release, second.release, settings)
    settled = ask_pictures(matching.edit_map, find_cuts(first.track.fingerprints), places, read=lumas.read, limits=limits)
    settled = settle_seams(settled, places, read=lumas.read, limits=limits)
    if settled is matching.edit_map:
        return matching
    settled = _set_aside(settled, hdr=first.track.set_aside, sdr=second.track.set_aside)
    return _register(first, second, settled, lumas, settings=settings, tell=tell)


class _Lumas:
    """Luma of pairs of frames as registration wants it; what is read to be kept is not read again while the films are matched."""

    def __init__(self, hdr: _Pass, sdr: _Pass) -> None:
        self._sides = hdr, sdr
        self._kept: tuple[dict[int, tuple[FloatArray, int]], ...] = ({}, {})

    def read(self, frames: Sequence[tuple[int, int]], *, keep: bool = False) -> list[LumaPair]:
        """Luma of pairs of an HDR and an SDR frame, in their order."""
        found = []
        for side, (scanned, kept) in enumerate(zip(self._sides, self._kept, strict=True)):
            wanted = sorted({pair[side] for pair in frames} - kept.keys())
            read = _frames_at(scanned, wanted) if wanted else iter(())
            new = {n: shrink_luma(luma_plane(frame, scanned.release.signal)) for n, frame in zip(wanted, read, strict=True)}
            found.append(kept | new)
            if keep:
                kept.update(new)
        both = [(found[0][first], found[1][second]) for first, second in frames]
        return [LumaPair(mine[0], theirs[0], mine[1], theirs[1]) for mine, theirs in both]


def _set_aside(edit_map: EditMap, *, hdr: NDArray[np.bool_], sdr: NDArray[np.bool_]) -> EditMap:
    """Frames that show more than one moment, and partners of such frames, are never paired; passages of them are undetermined."""
    from scipy.ndimage import binary_opening  # a library that starts slowly: loaded when it is needed

    out = hdr.copy() if hdr.size else np.zeros(len(edit_map.path), bool)
    if sdr.size:
        out |= (edit_map.path >= 0) & sdr[np.maximum(edit_map.path, 0)]
    if not out.any():
        return edit_map
    long = binary_opening(out, np.ones(LEAST_ASIDE_FRAMES, bool))
    state = np.where(long & (edit_map.state == 1), np.int8(0), edit_map.state).astype(np.int8)
    return replace(edit_map, state=state, partners=np.where(out, -1, edit_map.partners))


def _shown_aspect(scanned: _Pass) -> float:
    """Width over height of the active picture as shown, its pixels' own aspect counted in."""
    active = scanned.track.active
    return float(scanned.release.signal.sample_aspect.value) * (active.right - active.left) / (active.bottom - active.top)


def _check_sdr_primaries(release: Release) -> None:
    if release.signal.primaries.value != "bt709":
        raise InputRefused(
            f"The SDR release {release.path} has {release.signal.primaries.value} primaries; this version shows SDR on a BT.709 set. "
            "If the tag is wrong, say so with --sdr-primaries bt709."
        )


def _between(hdr: _Pass, sdr: _Pass, edit_map: EditMap) -> str:
    rates = [one.release.signal.frame_rate.value for one in (hdr, sdr)]
    stated = ", ".join(f"{side} {float(rate):.3f}" for side, rate in zip(("HDR", "SDR"), rates, strict=True) if rate)
    return (
        f"{hdr.release.path} and {sdr.release.path} do not show the same moments: {edit_map.between} of {edit_map.telling} HDR frames that "
        f"tell their place in time ({edit_map.between / edit_map.telling:.0%}) lie between two frames of the SDR release. One of the two "
        "was converted to another frame rate by mixing neighbouring pictures, or by making up pictures between them. That cannot be "
        f"undone, and such frames have no exact partner. Frames a second: {stated or 'not stated'}. Give that release at the film's own "
        "rate."
    )


def _unrelated(hdr: _Pass, sdr: _Pass, edit_map: EditMap, settings: Settings) -> str:
    matched, score = int((edit_map.state == 1).sum()), edit_map.score
    if not matched:
        why = "No frame of one could be matched to a frame of the other."
    elif score < settings.min_score:
        why = f"The score of what was matched, {score:.2f}, is below the {settings.min_score:g} that is needed (--min-score)."
    else:
        why = "What agrees is too little of what was looked for: chance finds as much in two films."
    for one in (hdr, sdr):
        if one.release.one_field:
            why += f" The {one.release.side.upper()} release is interlaced video, of which the top field of each frame was looked at."
    return (
        f"The two releases do not seem to belong together: {hdr.release.path} and {sdr.release.path}. {why} Best candidate: an offset of "
        f"{edit_map.candidate_frames:+d} frames with a score of {score:.2f} (second-best places {edit_map.runner_up:.2f}), in {matched} "
        "matched frames. Check that both files are the same film; --anchor names a moment that belongs together, and --only a passage that "
        "both show."
    )


def _turned(hdr: _Pass, sdr: _Pass, turned: str) -> str:
    return (
        f"The SDR picture is that of the HDR release {turned}: {hdr.release.path} and {sdr.release.path}. Pictures are compared as "
        "they are stored and never turned: turn one of the files back (most editors and encoders can) and compare again."
    )


def _rates(hdr: _Pass, sdr: _Pass) -> float:
    """HDR frame rate over SDR frame rate: SDR film seconds for an HDR film second, frame for frame."""
    return _rate(hdr) / _rate(sdr)


def _rate(scanned: _Pass) -> float:
    """Frames per second: as the file states it, unless its time stamps say otherwise (containers state odd means of a variable rate).

    Gaps in an even stream, where pictures are missing, say nothing of its rate.
    """
    times, stated = np.array([float(time) for time in scanned.track.times_s]), scanned.release.signal.frame_rate.value
    steps = np.diff(times)
    if not len(steps):
        return float(stated or 24)
    even = steps[steps <= VARIABLE_RATIO * np.median(steps)]
    whole = even if len(even) >= (1 - FEW_GAPS_SHARE) * len(steps) else steps
    measured = 1 / float(whole.mean())
    return float(stated) if stated is not None and abs(float(stated) / measured - 1) <= RATE_SLACK else measured


def _frame_seconds(times_s: FloatArray) -> FloatArray:
    """How long each frame is shown, by the time stamps; the last one as long as the usual frame."""
    steps = np.diff(times_s)
    return np.append(steps, np.median(steps)) if len(steps) else np.full(len(times_s), 1 / 24)


def _varies(times_s: FloatArray) -> bool:
    """Whether frames are shown for different times, beyond the rounding of time stamps."""
    steps = np.diff(times_s)
    return bool(len(steps) and steps.max() > VARIABLE_RATIO * steps.min())


def _timed(segments: tuple[Segment, ...], hdr_times_s: FloatArray, sdr_times_s: FloatArray) -> tuple[Segment, ...]:
    """Segments with their speed read off the time stamps, where the frames of a side are not all equally long."""
    if not (_varies(hdr_times_s) or _varies(sdr_times_s)):
        return segments
    ends = [np.append(times, times[-1] + _frame_seconds(times)[-1]) for times in (hdr_times_s, sdr_times_s)]
    out = []
    for one in segments:
        if one.speed is not None and one.hdr_start is not None and one.sdr_start is not None:
            hdr_s, sdr_s = ends[0][one.hdr_stop] - ends[0][one.hdr_start], ends[1][one.sdr_stop] - ends[1][one.sdr_start]
            one = replace(one, speed=float(sdr_s / hdr_s))
        out.append(one)
    return tuple(out)


def _register(
    hdr: _Pass,
    sdr: _Pass,
    edit_map: EditMap,
    lumas: _Lumas,
    *,
    settings: Settings,
    tell: Progress,
    shots: tuple[tuple[int, int], ...] | None = None,
) -> _Matching:
    """Matched releases with their geometry; shots are found in the fingerprints of the HDR release where none are given."""
    speed = _rates(hdr, sdr)
    hdr_times, sdr_times = (np.array([float(time) for time in one.track.times_s]) for one in (hdr, sdr))
    state, path = edit_map.state, edit_map.path
    segments = build_segments(state, path, edit_map.path_stop, edit_map.similarity, sdr_frames=len(sdr.track.times_s), speed=speed)
    shots = find_shots(hdr.track.fingerprints, state, path) if shots is None else shots
    passages = area_passages(path, hdr.spans, sdr.spans)
    limits = _geometry_limits(hdr.release, sdr.release, settings)
    usual = max(passages, key=lambda one: one.stop - one.start)
    guess = geometry_from_map(
        usual.hdr_area,
        usual.sdr_area,
        grid_map=edit_map.maps[0][2],
        hdr_grid=hdr.track.active,
        sdr_grid=sdr.track.active,
        **limits,
    )
    alignment = Alignment(
        matched_share=float((state == 1).mean()) if len(state) else 0.0,
        offset_frames=usual_offset(edit_map),
        score=edit_map.score,
        runner_up=edit_map.runner_up,
        segments=_timed(segments, hdr_times, sdr_times),
        geometry=(replace(guess, hdr_start=0, hdr_stop=len(path)),),
        shots=shots,
        notes=(
            *_matching_notes(edit_map, speed, thinned=hdr.thinned or sdr.thinned),
            *_elsewhere_notes(edit_map, hdr_times, sdr_times),
            *(f"{p.release.side.upper()}: {note}" for p in (hdr, sdr) for note in p.track.notes),
        ),
        partners=edit_map.partners,
        hdr_times_s=hdr_times,
        sdr_times_s=sdr_times,
    )
    matching = _Matching(hdr, sdr, alignment, edit_map)
    if not shots:
        return matching
    tell("register the pictures", 0, None)

    def read(places: Sequence[tuple[int, int]]) -> list[Probe]:
        pairs = lumas.read([(frame, int(path[frame])) for frame, _ in places], keep=True)
        return [Probe(frame, shot, pair) for (frame, shot), pair in zip(places, pairs, strict=True)]

    title, geometry = register_passages(passages, shots, edit_map.partners, guess, read=read, limits=limits)
    notes = (*alignment.notes, *place_notes(title, limits["pixel_aspects"]))
    return replace(matching, alignment=replace(alignment, geometry=geometry, notes=notes))


def _geometry_limits(hdr: Release, sdr: Release, settings: Settings) -> dict[str, Any]:
    """What every geometry of a pair is built with."""
    return {
        "max_columns": settings.canvas_max_columns,
        "pixels_per_degree_2160": settings.pixels_per_degree_2160,
        "pixel_aspects": (float(hdr.signal.sample_aspect.value), float(sdr.signal.sample_aspect.value)),
    }


def _matching_notes(edit_map: EditMap, speed: float, *, thinned: bool) -> list[str]:
    notes: list[str] = []
    if thinned:
        return notes
    if abs(speed - 1) >= SAME_RATE:
        notes.append(f"The releases run at different rates: SDR takes {1 / speed:.4f} of the HDR's frames per second.")
    for side, cadence in (("HDR", edit_map.hdr_cadence), ("SDR", edit_map.sdr_cadence)):
        if cadence.repeat_share > 0:
            pattern = "in no regular pattern" if cadence.period is None else f"in a pattern of {cadence.period} frames"
            notes.append(f"The {side} release repeats {cadence.repeat_share:.0%} of its frames, {pattern}; one of each run is paired.")
    return notes


def place_notes(title: Geometry, pixel_aspects: tuple[float, float]) -> list[str]:
    """What a reader must know of where the pictures lie, before any figure that compares them point by point is believed."""
    if title.residual_pixels is None:
        return [
            "The pictures could not be laid over each other: where they lie is a guess from their edges, and `side by side`, `on its own`, "
            "recovered detail and the difference maps can be those of two misplaced pictures. See the picture areas and the pixel aspects."
        ]
    if is_stretched(title, pixel_aspects=pixel_aspects):
        return [
            "The shapes of the two pictures differ: by the pixel aspects in the files one release is stretched, "
            f"{title.scale_columns:.4f} across against {title.scale_rows:.4f} down; they were compared edge to edge."
        ]
    return []


def _elsewhere_notes(edit_map: EditMap, hdr_times_s: FloatArray, sdr_times_s: FloatArray) -> list[str]:
    """Passages without partner that the SDR release shows out of order: they are not scored, and a reader should know where they are."""
    notes = []
    for one in edit_map.elsewhere:
        hdr = f"{say_time(_time_at(hdr_times_s, one.hdr_start))} to {say_time(_time_at(hdr_times_s, one.hdr_stop))}"
        sdr = f"{say_time(_time_at(sdr_times_s, one.sdr_start))} to {say_time(_time_at(sdr_times_s, one.sdr_stop))}"
        notes.append(f"The HDR release's {hdr} has no partner in the order of the film; the SDR release shows it at {sdr}.")
    return notes


def _time_at(times_s: FloatArray, frame: int) -> float:
    """Time of a frame; the end of the last one where there is none."""
    return float(times_s[frame]) if frame < len(times_s) else end_s(times_s)


def _paired_frame(alignment: Alignment, frame: int, start: int, stop: int) -> int:
    """The frame of a stretch nearest to one asked for that has a partner of its own; -1 where none has."""
    paired = start + np.flatnonzero(alignment.partners[start:stop] >= 0)
    return int(paired[np.abs(paired - frame).argmin()]) if paired.size else -1


# ---------------------------------------------------------------- pairs on the canvas


def _pick_pairs(alignment: Alignment, *, settings: Settings, full: bool) -> Picks:
    """Frames of every shot: one drawn by the seed from each of equal parts of it; every matched frame with `full`."""
    rng = np.random.default_rng(settings.seed)
    shots = list(enumerate(alignment.shots))
    matched = sum(stop - start for _, (start, stop) in shots)
    length_s = _frame_seconds(alignment.hdr_times_s)
    matched_s = sum(float(length_s[start:stop].sum()) for _, (start, stop) in shots)
    if not shots:
        raise UnrelatedFilms(
            f"The two releases agree at an offset of {alignment.offset_frames:+d} frames (score {alignment.score:.2f}), but no moving "
            "passage of them could be matched. Nothing can be scored on pictures that stand still."
        )
    per_shot = max(min(settings.pairs_per_shot, settings.max_pairs // len(shots)), 1)
    if not full and len(shots) > settings.max_pairs:
        keep = np.linspace(0, len(shots) - 1, settings.max_pairs).round().astype(int)
        shots = [shots[n] for n in keep]
    frames: list[tuple[int, int, float]] = []
    uneven = _varies(alignment.hdr_times_s)
    shown_s = sum(float(length_s[start:stop].sum()) for _, (start, stop) in shots)
    for number, (start, stop) in shots:
        count = stop - start if full else min(per_shot, stop - start)
        edges = np.linspace(start, stop, count + 1)
        drawn = [
            int(rng.integers(int(np.ceil(low)), max(int(np.ceil(high)), int(np.ceil(low)) + 1))) for low, high in itertools.pairwise(edges)
        ]
        picks = sorted({_paired_frame(alignment, frame, start, stop) for frame in drawn} - {-1})
        if not picks:
            continue
        own_s = length_s[start:stop]
        weights = _stand_for(picks, own_s, start) if uneven else [float(own_s.sum()) / len(picks)] * len(picks)
        frames += [(frame, number, weight * matched_s / shown_s) for frame, weight in zip(picks, weights, strict=True)]
    numbers, owners, seconds = zip(*frames, strict=True)
    return Picks(numbers, owners, seconds, matched, matched_s)


def _stand_for(picks: Sequence[int], length_s: FloatArray, start: int) -> list[float]:
    """Seconds that each pick of a shot stands for: those of the frames nearest to it."""
    places = np.array(picks) - start
    edges = [0, *((places[1:] + places[:-1] + 1) // 2).tolist(), len(length_s)]
    return [float(length_s[low:high].sum()) for low, high in itertools.pairwise(edges)]


def _read_pairs(matching: _Matching, hdr_frames: Sequence[int]) -> Generator[tuple[Frame, Frame]]:
    sdr_frames = [int(matching.edit_map.path[frame]) for frame in hdr_frames]
    return read_ahead(zip(_frames_at(matching.hdr, hdr_frames), _frames_at(matching.sdr, sdr_frames), strict=True), depth=1)


def _read_other_pairs(matching: _Matching, hdr_frames: Sequence[int], *, begun: int, seen: int | None) -> Iterator[tuple[Frame, Frame]]:
    """Pairs behind the first `begun`. Reading begins at the last of these, which must look as it did when it was `seen`.

    Where it does not (after a jump into a stream that renews its pictures row by row), and in a damaged stream, whose pictures depend on
    where a decoder began, all that lies before is read again.
    """
    if begun >= len(hdr_frames):
        return
    if begun and not (matching.hdr.release.in_order or matching.sdr.release.in_order):
        pairs = _read_pairs(matching, hdr_frames[begun - 1 :])
        if _seen(*next(pairs)) == seen:
            yield from pairs
            return
        pairs.close()
    yield from itertools.islice(_read_pairs(matching, hdr_frames), begun, None)


def _seen(hdr: Frame, sdr: Frame) -> int:
    """A number by which a pair of pictures is known again, of some of their rows."""
    found = 0
    for plane in (*hdr.planes, *sdr.planes):
        found = zlib.crc32(np.ascontiguousarray(plane[::SEEN_STEP_ROWS]).data, found)
    return found


def _each_pair(
    function: Callable[[Frame, Frame], T], matching: _Matching, hdr_frames: Sequence[int], *, begun: int = 0, seen: int | None = None
) -> Iterator[T]:
    """The function of each pair, in their order, several at a time; kernels that spread over cores themselves have no place in it.

    The first `begun` pairs are done already, the last of them with pictures known by `seen`.
    """
    pairs = _read_other_pairs(matching, hdr_frames, begun=begun, seen=seen)
    return map_ahead(lambda pair: function(*pair), pairs, workers=min(count_cores(), PAIRS_AT_ONCE), spare=0)


def _key(kind: type, matching: _Matching, *given: object, settings: Settings) -> str:
    """Key of what is found of matched pairs: both releases, what belongs together and where it lies, every setting, and what is given."""
    alignment, edit_map = matching.alignment, matching.edit_map
    places = alignment.geometry, edit_map.path, edit_map.similarity, alignment.hdr_times_s, alignment.sdr_times_s
    releases = matching.hdr.release, matching.sdr.release
    return pair_key(kind, releases, list_versions(), settings, places, given, hlg_peak_nits=settings.hlg_peak_nits)


def _hdr_light(code: FloatArray, signal: Signal, settings: Settings) -> FloatArray:
    """Linear BT.2020 light of an HDR picture's R'G'B' signal, cd/m2."""
    return hdr_code_to_nits(code, transfer=signal.transfer.value, primaries=signal.primaries.value, hlg_peak_nits=settings.hlg_peak_nits)


def _to_canvas(matching: _Matching, hdr: Frame, sdr: Frame, *, settings: Settings, greys: bool = False) -> PairPictures:
    """A pair on the canvas; with `greys` those of the HDR picture are counted first, at its own size, where its codes are PQ's."""
    geometry = matching.geometry_at(hdr.index)
    signal = matching.hdr.release.signal
    counted = None
    if greys and signal.transfer.value == "pq" and signal.bit_depth.value >= LEAST_GREY_BITS:
        counted = count_greys(some_rows_to_rgb(hdr.planes, signal, step=grey_step(hdr.planes[0].shape[0])))
    return PairPictures(
        _hdr_on_canvas(hdr, signal, geometry, settings),
        _sdr_on_canvas(sdr, matching.sdr.release.signal, geometry),
        geometry.pixels_per_degree,
        counted,
    )


def _hdr_on_canvas(hdr: Frame, signal: Signal, geometry: Geometry, settings: Settings) -> FloatArray:
    """HDR light on the canvas, linear BT.2020; in one walk where each component can be decoded by itself."""
    size = {"rows": geometry.canvas_rows, "columns": geometry.canvas_columns}
    if signal.transfer.value != "pq":
        return resample_area(_hdr_light(some_rows_to_rgb(hdr.planes, signal, step=1), signal, settings), region=geometry.hdr_common, **size)
    same = signal.primaries.value == "bt2020"
    matrix = None if same else conversion_matrix(signal.primaries.value, "bt2020").astype(np.float32)
    return planes_to_grid(hdr.planes, signal, table=pq_decoding(), matrix=matrix, region=geometry.hdr_common, **size)


def _sdr_on_canvas(sdr: Frame, signal: Signal, geometry: Geometry) -> FloatArray:
    """SDR signal on the canvas; where it must be resampled, in linear light at `RESAMPLE_GAMMA`, in one walk."""
    top, bottom, left, right = geometry.sdr_common
    size = {"rows": geometry.canvas_rows, "columns": geometry.canvas_columns}
    whole = all(edge.is_integer() for edge in geometry.sdr_common)
    if whole and (bottom - top, right - left) == (geometry.canvas_rows, geometry.canvas_columns):
        return resample_area(some_rows_to_rgb(sdr.planes, signal, step=1), region=geometry.sdr_common, **size)
    table = power_decoding(RESAMPLE_GAMMA)
    light = planes_to_grid(sdr.planes, signal, table=table, table_end=POWER_END, matrix=None, region=geometry.sdr_common, **size)
    return light ** np.float32(1 / RESAMPLE_GAMMA)


def _fit(
    matching: _Matching, picks: Picks, *, settings: Settings, tell: Progress, parts: PairParts | None = None
) -> tuple[SetupFits, FitCollector]:
    count = min(settings.fit_pixels_per_pair, max(MOST_FIT_PIXELS // len(picks.hdr_frames), 1))
    collector = FitCollector(replace(settings, fit_pixels_per_pair=count))
    kept = None if parts is None else parts.of_fit(_key(FitKept, matching, picks, count, settings=settings))
    begun, seen, total = 0, None, len(picks.hdr_frames)
    for found in () if kept is None else kept.load():
        begun, seen = collector.go_on(found.state), found.seen
        tell("fit the SDR set", begun, total)

    def look(hdr: Frame, sdr: Frame) -> tuple[FitLook, int]:
        return look_at_pair(_to_canvas(matching, hdr, sdr, settings=settings)), _seen(hdr, sdr)

    for done, (one, now_seen) in enumerate(_each_pair(look, matching, picks.hdr_frames, begun=begun, seen=seen), begun + 1):
        collector.take(one, shot=picks.shots[done - 1])
        if kept is not None and (kept.due or (done == total and kept.waited_s >= PART_S)):
            kept.store_whole(FitKept(collector.state(), now_seen))
        tell("fit the SDR set", done, total)
    return fit_setups(collector.sample(), settings), collector


def _check_signal(matching: _Matching, collector: FitCollector, settings: Settings) -> SignalCheck:
    """Hold the levels of the pair against the way it is read.

    Raises
    ------
    SignalUnresolved : where they speak against it for sure, and no option states it.
    """
    hdr, sdr = matching.hdr, matching.sdr
    signs = [read_range(one.track.codes, code_range=one.release.signal.range.value) for one in (hdr, sdr)]
    signals = hdr.release.signal, sdr.release.signal
    check = check_readings(collector.sample(), *signals, signs=signs, hlg_peak_nits=settings.hlg_peak_nits)
    if check.state == "contradicted" and not is_answered(check, hdr.release, sdr.release):
        raise SignalUnresolved(say_contradiction(check, hdr.release, sdr.release))
    return replace(check, cautions=tuple(caution_readings(check)))


def _score(
    matching: _Matching,
    film: Film,
    fits: SetupFits,
    collector: FitCollector,
    words: _Words,
    *,
    settings: Settings,
    tell: Progress,
    parts: PairParts | None = None,
    keep: Keep = in_memory,
) -> tuple[PairScores, _Marks]:
    """Score the pairs; also where marks stand still."""
    picks = film.picks
    shown = {picks.hdr_frames[n] for n in choose_pairs(picks.shots, most=settings.screen_pairs)}
    displays = _screens(matching, film, fits, settings)
    marks = collector.marks.masks(white_nits=fits.named("controls").white_nits, settings=settings)
    tone_pixels = min(TONE_PIXELS, max(MOST_TONE_PIXELS // len(picks.hdr_frames), 1))
    measure = _measurer(matching, fits, collector, tone_pixels=tone_pixels)
    laid = bool(marks) or words.seen
    scores = PairScores(film, displays, shown=sorted(shown), has_all=laid or film.every is not picks, keep=keep)
    clean = picks.weights()
    every = clean if film.every is picks else film.every.weights()
    frames = sorted(clean.keys() | every.keys())

    def look(hdr: Frame, sdr: Frame) -> Looked:
        pictures = _to_canvas(matching, hdr, sdr, settings=settings, greys=True)
        standing, mask = marks.get(pictures.sdr_code.shape[:2]), words.mask(matching, hdr, sdr, settings=settings)
        own, on_screens, over = None, None, None
        if hdr.index in clean:
            cleaned = pictures if mask is None else without_places(pictures, mask)
            blurred = cleaned.blurred() if hdr.index in shown else None
            own = measure(cleaned, hdr, sdr, shot=clean[hdr.index][0], standing=standing, settings=settings, blurred=blurred)
            if hdr.index in shown:
                if standing is not None:
                    cleaned = without_places(cleaned, standing)
                    blurred = cleaned.blurred()
                on_screens = scores.screens.measure(cleaned, hdr_frame=hdr.index, blurred=blurred)
            if laid:
                over = see_laid_over(code_level(pictures.hdr_nits), marks=standing, words=mask, frame=hdr.index)
        whole = None
        if scores.with_all is not None and hdr.index in every and (own is None or mask is not None or standing is not None):
            whole = measure(pictures, hdr, sdr, shot=every[hdr.index][0], standing=None, settings=settings)
        return Looked(hdr.index, (hdr.picture_type, sdr.picture_type), own, whole, on_screens, over, _seen(hdr, sdr))

    def look_on(begun: int, last: Looked | None) -> Iterator[Looked]:
        return _each_pair(look, matching, frames, begun=begun, seen=None if last is None else last.seen)

    kept = None
    if parts is not None:
        title = fits, collector.top_codes(), collector.darkest_code(), collector.noise_jnd(), tone_pixels, scores.with_all is None
        kept = parts.of_pairs(_key(Looked, matching, picks, film.every, shown, displays, title, marks, words, settings=settings))
    give_back()
    for found in go_on(kept, look_on, tell=lambda done: tell("score the pairs", done, len(frames))):
        scores.take(found)
    return scores, marks


def _measurer(matching: _Matching, fits: SetupFits, collector: FitCollector, *, tone_pixels: int) -> Callable[..., PairMeasures]:
    """`score_pair` with all that is the same for every pair of a title."""
    top, darkest, noise_jnd = collector.top_codes(), collector.darkest_code(), collector.noise_jnd()

    def measure(
        pictures: PairPictures,
        hdr: Frame,
        sdr: Frame,
        *,
        shot: int,
        standing: NDArray[np.bool_] | None,
        settings: Settings,
        blurred: BlurredLight | None = None,
    ) -> PairMeasures:
        times = float(hdr.time_s), float(sdr.time_s)
        place = PairPlace(hdr.index, sdr.index, *times, shot, float(matching.similarity[hdr.index]))
        return score_pair(
            pictures,
            place,
            fits=fits,
            top=top,
            darkest=darkest,
            noise_jnd=noise_jnd,
            settings=settings,
            standing=standing,
            tone_pixels=tone_pixels,
            blurred=blurred,
        )

    return measure


# ---------------------------------------------------------------- what is not the film's picture


def _look_at_film(matching: _Matching, *, settings: Settings, full: bool) -> Film:
    """Find frames that are not the film's picture, and pick pairs without them."""
    alignment = matching.alignment
    table = make_table(matching.hdr.track.levels, matching.sdr.track.levels, alignment)
    faults = {"hdr_damage": matching.hdr.track.damage, "sdr_damage": matching.sdr.track.damage}
    found = find_frames(table, **faults, otherwise=_find_spoilt(matching, table), settings=settings)
    every = _pick_pairs(alignment, settings=settings, full=full)
    out = left_out_frames(found) & (alignment.partners >= 0)
    kept = out.sum() > settings.left_out_most_share * every.matched_frames
    if kept or not out.any():
        return Film(table, found, bool(kept), every, every)
    film = replace(alignment, partners=np.where(out, -1, alignment.partners))
    return Film(table, found, False, _pick_pairs(film, settings=settings, full=full), every)


def _find_spoilt(matching: _Matching, table: FrameTable) -> dict[Side, NDArray[np.bool_]]:
    """HDR frames in whose place one release shows something else in the middle of a shot, by the release that does."""
    path, matched = matching.edit_map.path, matching.alignment.partners >= 0
    hdr, sdr = matching.hdr.track, matching.sdr.track
    pairing = Pairing(matching.similarity, path, matched, find_lit(table, path), hdr.fingerprints, sdr.fingerprints)
    in_hdr, in_sdr = ([one.frame for one in track.damage if one.kind not in HARMLESS_FAULTS] for track in (hdr, sdr))
    return find_spoilt(pairing, hdr_faults=in_hdr, sdr_faults=np.flatnonzero(np.isin(path, in_sdr)).tolist())


@dataclass(frozen=True, slots=True)
class _Words:
    """Words that are laid over the pictures of either release."""

    hdr: WordLevel | None
    sdr: WordLevel | None

    @property
    def seen(self) -> bool:
        """Whether either release has any."""
        return self.hdr is not None or self.sdr is not None

    def mask(self, matching: _Matching, hdr: Frame, sdr: Frame, *, settings: Settings) -> NDArray[np.bool_] | None:
        """Where words stand in a pair, on the canvas; None where there are none."""
        geometry, found = matching.geometry_at(hdr.index), []
        for scanned, frame, known, region in (
            (matching.hdr, hdr, self.hdr, geometry.hdr_common),
            (matching.sdr, sdr, self.sdr, geometry.sdr_common),
        ):
            if known is not None:
                found.append(mask_words(_grey_on_canvas(scanned, frame, geometry, region, settings=settings), known))
        masks = [one for one in found if one is not None]
        return np.logical_or.reduce(masks) if masks else None


def _grey_on_canvas(
    scanned: _Pass, frame: Frame, geometry: Geometry, region: tuple[float, float, float, float], *, settings: Settings
) -> FloatArray:
    light = grey_light(frame, scanned.release.signal, hlg_peak_nits=settings.hlg_peak_nits)
    return resample_area(light, region=region, rows=geometry.canvas_rows, columns=geometry.canvas_columns)


def _find_words(matching: _Matching, picks: Picks, *, settings: Settings, tell: Progress) -> _Words:
    """Look for words in some of the picked frames of both releases, with frames shortly before and behind them."""
    places = np.unique(np.linspace(0, len(picks.hdr_frames) - 1, min(LOOKED_AT_PAIRS, len(picks.hdr_frames))).round().astype(int))
    found: list[WordLevel | None] = []
    for side, scanned in zip(SIDES, (matching.hdr, matching.sdr), strict=True):
        wait, last = max(round(WAIT_S * _rate(scanned)), 1), len(scanned.track.times_s) - 1
        wanted = []
        for n in places:
            frame = picks.hdr_frames[n] if side == "hdr" else int(matching.edit_map.path[picks.hdr_frames[n]])
            geometry = matching.geometry_at(picks.hdr_frames[n])
            beside = sorted({max(frame - wait, 0), min(frame + wait, last)} - {frame})
            if not beside:  # a single picture: nothing moves, so nothing can be told to stand still
                continue
            wanted.append((frame, picks.shots[n], beside, geometry, geometry.hdr_common if side == "hdr" else geometry.sdr_common))
        finder = WordFinder()
        needed = {m for frame, _, beside, *_ in wanted for n in (frame, *beside) for m in (n, halfway_frame(frame, n))}
        frames = _Kept(scanned, sorted(needed))
        for done, (frame, shot, beside, geometry, region) in enumerate(wanted):
            read = frames.upto(min(frame, *beside), max(frame, *beside))
            halfway = [halfway_frame(frame, n) for n in beside]
            light, *made = (
                partial(_grey_on_canvas, scanned, read[n], geometry, region, settings=settings) for n in (frame, *beside, *halfway)
            )
            neighbours = made[: len(beside)]
            finder.add(light(), (other() for other in neighbours), frame=frame, shot=shot, between=made[len(beside) :])
            tell(f"look for words over the {side.upper()} picture", done + 1, len(wanted))
            read, made = {}, []
        frames.close()
        give_back()
        found.append(finder.result())
    return _Words(found[0], found[1])


class _Kept:
    """Frames of a release in ascending order, each kept as long as it may be asked for again."""

    def __init__(self, scanned: _Pass, frames: Sequence[int]) -> None:
        self._read = read_ahead(_frames_at(scanned, frames), depth=1)
        self._held: dict[int, Frame] = {}

    def close(self) -> None:
        """Let go of the frames and of the decoder."""
        self._held = {}
        self._read.close()

    def upto(self, first: int, last: int) -> dict[int, Frame]:
        """Frames from the first to the last one asked for; what lies before them is let go."""
        self._held = {n: frame for n, frame in self._held.items() if n >= first}
        while max(self._held, default=-1) < last:
            frame = next(self._read)
            planes = tuple(plane.copy() for plane in frame.planes)
            self._held[frame.index] = replace(frame, planes=planes)
        return self._held


class _PeakLook:
    """Looks where an HDR frame is brightest, and what is laid over the picture there; what was seen is not looked at again."""

    def __init__(self, matching: _Matching, marks: _Marks, words: _Words, settings: Settings) -> None:
        self._matching, self._marks, self._words, self._settings = matching, marks, words, settings
        self._seen: dict[int, SeenPeak] = {}

    @property
    def seen(self) -> tuple[SeenPeak, ...]:
        """Everything that was seen."""
        return tuple(self._seen.values())

    def __call__(self, frame: int) -> SeenPeak:
        """What is seen there."""
        if frame not in self._seen:
            self._seen[frame] = self._look(frame)
        return self._seen[frame]

    def _look(self, frame: int) -> SeenPeak:
        scanned, geometry, settings = self._matching.hdr, self._matching.geometry_at(frame), self._settings
        signal, words = scanned.release.signal, self._words.hdr
        shown = next(_frames_at(scanned, [frame]))
        nits = _hdr_light(planes_to_rgb(shown.planes, signal), signal, settings)
        place = locate_peak(code_level(nits), active=scanned.track.active)
        top, bottom, left, right = geometry.hdr_common
        row = int((place.row + 0.5 - top) / (bottom - top) * geometry.canvas_rows)
        column = int((place.column + 0.5 - left) / (right - left) * geometry.canvas_columns)
        masks = {"standing_mark": self._marks.get((geometry.canvas_rows, geometry.canvas_columns))}
        if words is not None:
            masks["subtitle"] = mask_words(_grey_on_canvas(scanned, shown, geometry, geometry.hdr_common, settings=settings), words)
        inside = 0 <= row < geometry.canvas_rows and 0 <= column < geometry.canvas_columns
        over = tuple(name for name, mask in masks.items() if inside and mask is not None and mask[row, column])
        return SeenPeak(frame, place, over)


def _film_peak_nits(matching: _Matching, film: Film) -> float:
    """Highest 99.99th percentile of the matched frames that are the film's picture, cd/m2; of all frames where there are none."""
    own = matching.alignment.partners >= 0
    levels = matching.hdr.track.levels
    own, nits = own[column(levels, "frame")], column(levels, "p9999_nits")
    if not film.kept:
        own = own & ~foreign_frames(film.found)
    return float(nits[own].max() if own.any() else nits.max())


def _screens(matching: _Matching, film: Film, fits: SetupFits, settings: Settings) -> tuple[Screen, ...]:
    """Home displays, and what the HDR release is rolled off from on them."""
    release, measured_nits = matching.hdr.release, _film_peak_nits(matching, film)
    peak = source_peak_nits(release.declared, measured_nits)
    return list_screens(
        settings,
        transfer=release.signal.transfer.value,
        source_peak_nits=peak,
        controls=fits.named("controls"),
        measured_nits=max(measured_nits, 1.0),
    )


# ---------------------------------------------------------------- survey


def _check_surveyable(*pair: Release, asked: bool) -> None:
    """Refuse a survey where it was not asked for and reading whole is quick, or where it cannot be done.

    Raises
    ------
    NotSurveyable : with a reason where a reader should know it.
    """
    if not asked and any(one.duration_s is None or one.duration_s < USUAL_FROM_S for one in pair):
        raise NotSurveyable("")
    for one in pair:
        reason = why_read_whole(one)
        if reason is not None:
            raise NotSurveyable(f"the {one.side.upper()} release cannot be surveyed, {reason}")


def _survey(
    hdr: Release, sdr: Release, *, settings: Settings, budget_s: float | None, stack: contextlib.ExitStack, tell: Progress
) -> _Work:
    """Windows of both releases read, placed and scored, look after look, until the label is settled.

    Parameters
    ----------
    hdr, sdr : what the releases say.
    settings, budget_s, tell : as for `compare`.
    stack : closes what stays open, from which pictures are read again.

    Raises
    ------
    NotSurveyable : the pair has to be read whole.
    UnrelatedFilms : no place is found at which the two belong together.
    """
    began_s = monotonic()
    if settings.only is not None:
        raise NotSurveyable("a passage is asked for (--only)")
    hdr, sdr = (choose_decoder(one, wanted=settings.decoder) for one in (hdr, sdr))
    spool = stack.enter_context(Spool(_keep.keep_folder()))
    surveyor = stack.enter_context(Surveyor(hdr, sdr, settings=settings, spool=spool, tell=tell))
    surveyor.deadline_s = None if budget_s is None else began_s + budget_s * READING_SHARE
    surveyor.prepare()
    pins = _pins(hdr, sdr, settings)
    surveyor.locate(pins)
    probes = list(_spool_all(surveyor.probes(), spool))
    matching = _register_survey(surveyor, probes, settings=settings, tell=tell)
    matching = _with_anchor_notes(matching, surveyor, pins)
    surveyor.geometry, surveyor.limits = usual_place(matching.alignment.geometry), _geometry_limits(hdr, sdr, settings)
    surveyor.check_pictures()
    collector = FitCollector(replace(settings, fit_pixels_per_pair=min(settings.fit_pixels_per_pair, MOST_FIT_PIXELS // LOOKS[-1])))
    samples: dict[int, Sampled] = {}
    looks: list[Measured] = []
    for look, (first, last) in enumerate(itertools.pairwise((0, *LOOKS)), 1):
        look_began_s = monotonic()
        stage = f"survey the films, look {look} of at most {len(LOOKS)}"
        tell(stage, 0, last - first)
        for done, one in enumerate(read_ahead(surveyor.windows(first, last), depth=1), 1):
            if one is not None and one.hdr.index in samples:
                known = samples[one.hdr.index]
                samples[one.hdr.index] = replace(known, times=known.times + 1)
            elif one is not None:
                _spool_pair(one, spool)
                collector.add(_to_canvas(matching, one.hdr, one.sdr, settings=settings), shot=one.key)
                samples[one.hdr.index] = replace(one, hdr=_without_planes(one.hdr), sdr=_without_planes(one.sdr))
            tell(stage, done, last - first)
        surveyor.check_windows()
        surveyor.check_pictures()
        surveyor.close_gaps()
        surveyor.rest()
        give_back()
        matching = _grown(matching, surveyor, samples)
        if not matching.alignment.shots:
            raise UnrelatedFilms(_nothing_found(surveyor))
        measured, peaks = _score_survey(matching, surveyor, samples, collector, look=look, settings=settings, tell=tell)
        now_s = monotonic()
        spent = budget_s is not None and now_s - began_s + NEXT_LOOK_SHARE * (now_s - look_began_s) > budget_s
        stopped = why_stop(
            settled=is_settled(measured, settings),
            read_all=surveyor.drawn >= last,
            last_look=last == LOOKS[-1],
            spent=spent,
            decoded=surveyor.decoded,
        )
        if stopped is not None:
            assert measured.survey is not None
            ended = replace(measured, survey=replace(measured.survey, stopped=stopped))
            return _Work(matching, (*looks, ended), peaks, settings)
        looks.append(measured)
    raise AssertionError("the last look ends a survey")


def _pins(hdr: Release, sdr: Release, settings: Settings) -> list[tuple[int, int]]:
    """Anchors of the user as frame numbers of even pictures."""
    rates = [even_rate(one) for one in (hdr, sdr)]
    both = read_anchors(settings.anchor)
    return [tuple(time if isinstance(time, int) else round(time * rate) for time, rate in zip(pair, rates, strict=True)) for pair in both]  # type: ignore[misc]


def _with_anchor_notes(matching: _Matching, surveyor: Surveyor, pins: Sequence[tuple[int, int]]) -> _Matching:
    """Anchors that the windows do not bear out, said as where both releases are read whole.

    Raises
    ------
    UsageError : an anchor behind the end of a release.
    """
    times = matching.hdr.track.times_s, matching.sdr.track.times_s
    for pin in pins:
        for frame, side_times, side in zip(pin, times, ("HDR", "SDR"), strict=True):
            check_within(side_times, frame, option="--anchor", side=side)
    offsets = [expected_offset(surveyor.found, hdr) for hdr, _ in pins]
    refuted = [pin for pin, offset in zip(pins, offsets, strict=True) if offset is None or abs(offset - (pin[1] - pin[0])) > PIN_FRAMES]
    notes = (*matching.alignment.notes, *_anchor_notes(refuted, *times))
    return replace(matching, alignment=replace(matching.alignment, notes=notes))


def _without_planes(frame: Frame) -> Frame:
    return replace(frame, planes=())


def _spool_pair(one: Sampled, spool: Spool) -> None:
    spool.put("hdr", one.hdr)
    spool.put("sdr", one.sdr)


def _spool_all(found: Iterator[Sampled], spool: Spool) -> Iterator[Sampled]:
    for one in found:
        _spool_pair(one, spool)
        yield replace(one, hdr=_without_planes(one.hdr), sdr=_without_planes(one.sdr))


def _survey_passes(surveyor: Surveyor, samples: Sequence[Sampled]) -> tuple[_Pass, _Pass]:
    """Both releases as a survey knows them: levels of the pictures that were scored, and even times."""
    passes = []
    for place, (name, side) in enumerate(surveyor.sides.items()):
        rate = even_rate(side.release)
        none = np.zeros((0, 0))
        track = Track(
            active=side.active,
            fingerprints=none.astype(np.float16),
            edges=none.astype(np.uint16),
            times_s=tuple(n / rate for n in range(side.frames)),
            levels=tuple(sorted({one.levels[place].frame: one.levels[place] for one in samples}.values(), key=lambda one: one.frame)),
            damage=(),
            notes=side.notes,
            codes=side.codes,
        )
        release = replace(side.release, notes=(*side.release.notes, *side.notes))
        spans = (PictureSpan(0, side.frames, side.active),)
        passes.append(_Pass(release, track, spans, read=partial(surveyor.read, name)))
    return passes[0], passes[1]


def _register_survey(surveyor: Surveyor, probes: Sequence[Sampled], *, settings: Settings, tell: Progress) -> _Matching:
    """Where the pictures lie on each other, by the windows that laid the films on each other."""
    first, second = _survey_passes(surveyor, probes)
    shots = tuple((one.hdr.index, one.hdr.index + 1) for one in probes)
    lumas = _Lumas(first, second)
    matching = _register(first, second, surveyor.edit_map(), lumas, settings=settings, tell=tell, shots=shots)
    place = usual_place(matching.alignment.geometry)
    return replace(matching, alignment=replace(matching.alignment, geometry=(replace(place, hdr_start=0, hdr_stop=None),)))


def _grown(matching: _Matching, surveyor: Surveyor, samples: Mapping[int, Sampled]) -> _Matching:
    """The match with all that is known by now."""
    edit_map = surveyor.edit_map()
    kept = [samples[frame] for frame in sorted(samples) if edit_map.path[frame] == samples[frame].sdr.index]
    first, second = _survey_passes(surveyor, kept)
    segments = build_segments(
        edit_map.state,
        edit_map.path,
        edit_map.path_stop,
        edit_map.similarity,
        sdr_frames=len(second.track.times_s),
        speed=_rates(first, second),
    )
    alignment = replace(
        matching.alignment,
        matched_share=float((edit_map.state == 1).mean()),
        offset_frames=usual_offset(edit_map),
        score=edit_map.score,
        runner_up=edit_map.runner_up,
        segments=segments,
        shots=tuple((one.hdr.index, one.hdr.index + 1) for one in kept),
        partners=edit_map.partners,
    )
    return _Matching(first, second, alignment, edit_map)


def _score_survey(
    matching: _Matching,
    surveyor: Surveyor,
    samples: Mapping[int, Sampled],
    collector: FitCollector,
    *,
    look: int,
    settings: Settings,
    tell: Progress,
) -> tuple[Measured, _PeakLook]:
    """One look: the set-ups fitted on all windows so far, and every pair scored at them."""
    film = _survey_film(matching, samples, settings=settings)
    fits, collector = _survey_fit(matching, film, samples, collector, settings=settings, tell=tell)
    signal_check = _check_signal(matching, collector, settings)
    words = _Words(surveyor.words("hdr"), surveyor.words("sdr"))

    def tell_look(stage: str, done: int, total: int | None) -> None:
        tell(f"{stage}, look {look}", done, total)

    scores, marks = _score(matching, film, fits, collector, words, settings=settings, tell=tell_look)
    survey = SurveyCoverage(
        looks=look,
        most_looks=len(LOOKS),
        stopped="settled",
        windows=surveyor.drawn,
        windows_found=sum(samples[start].times for start, _ in matching.alignment.shots),
        decoded_frames=surveyor.decoded,
        confidence=LOOK_CONFIDENCE,
        undetermined_share=1 - matching.alignment.matched_share,
    )
    peaks = _PeakLook(matching, marks, words, settings)
    return _gather(matching, film, fits, scores, words, signal_check, peaks, settings=settings, survey=survey), peaks


def _survey_fit(
    matching: _Matching, film: Film, samples: Mapping[int, Sampled], collector: FitCollector, *, settings: Settings, tell: Progress
) -> tuple[SetupFits, FitCollector]:
    """Set-ups fitted on the pictures that take part, as where both releases are read whole.

    Words on black fit no set, and over them no mark stands still: where windows are left out, the others are looked at once more.
    """
    if samples.keys() == set(film.picks.hdr_frames):
        return fit_setups(collector.sample(), settings), collector
    return _fit(matching, film.picks, settings=settings, tell=tell)


def _survey_film(matching: _Matching, samples: Mapping[int, Sampled], *, settings: Settings) -> Film:
    """Pairs of the windows, each draw standing for the same time; what is plainly logos or credits takes no part.

    Pictures behind one key frame count as of one shot: they are no independent draws.
    """
    frames = [start for start, _ in matching.alignment.shots]
    hdr, sdr = matching.hdr.track, matching.sdr.track
    rows = {level.frame: row for row, level in enumerate(sdr.levels)}
    own = replace(matching.alignment, segments=(), partners=np.array([rows[int(matching.edit_map.path[frame])] for frame in frames]))
    table = make_table(hdr.levels, sdr.levels, own)
    found = {kind: np.zeros(len(frames), bool) for kind in SCORE_KINDS}
    found["logo_or_credits"] = find_cards(table, length_s=len(hdr.times_s) / _rate(matching.hdr), settings=settings)
    matched = int((matching.edit_map.state == 1).sum())
    matched_s = matched / _rate(matching.hdr)

    drawn = sum(samples[frame].times for frame in frames)

    def pick(kept: Sequence[int]) -> Picks:
        share = sum(samples[frame].times for frame in kept) / drawn
        keys = sorted({samples[frame].key for frame in kept})
        shots = tuple(keys.index(samples[frame].key) for frame in kept)
        seconds = tuple(matched_s * samples[frame].times / drawn for frame in kept)
        return Picks(tuple(kept), shots, seconds, round(matched * share), matched_s * share)

    every = pick(frames)
    clean = [frame for frame, out in zip(frames, found["logo_or_credits"], strict=True) if not out]
    too_many = len(clean) < (1 - settings.left_out_most_share) * len(frames)
    if too_many or len(clean) == len(frames):
        return Film(table, found, too_many, every, every)
    return Film(table, found, False, pick(clean), every)


def _nothing_found(surveyor: Surveyor) -> str:
    hdr, sdr = (one.release.path for one in surveyor.sides.values())
    return (
        f"The survey finds none of {surveyor.drawn} windows of {hdr} in {sdr}. Check that both files are the same film; --anchor names a "
        "moment that belongs together, --no-survey looks for each passage in the whole film."
    )


# ---------------------------------------------------------------- stills


def _draw(
    matching: _Matching,
    moments: Sequence[Moment],
    setup: Setup,
    *,
    peak_nits: float,
    doubted: bool,
    settings: Settings,
    tell: Progress,
) -> tuple[list[StillPicture], list[SideBySide]]:
    """Every picture of the moments, and both sides of each for an HDR screen.

    Where the way the releases are read is doubted, every caption says so, as it does of options.
    """
    ordered = sorted({moment.hdr_frame for moment in moments})
    by_frame = {frame: [m for m in moments if m.hdr_frame == frame] for frame in ordered}
    drawn: dict[int, list[StillPicture]] = {}
    joined: dict[int, list[SideBySide]] = {}
    stamps = [stamp for one in (matching.hdr.release, matching.sdr.release) for stamp in _stamps(one)]
    if doubted:
        stamps.append(DOUBTED)
    small: list[PairOfMoment] = []
    for done, (hdr, sdr) in enumerate(_read_pairs(matching, ordered)):
        pictures = _to_canvas(matching, hdr, sdr, settings=settings)
        sdr_nits = sdr_code_to_nits(pictures.sdr_code, white_nits=setup.white_nits, gamma=setup.gamma)
        jnd = difference_map(pictures.hdr_nits, sdr_nits, pixels_per_degree=pictures.pixels_per_degree)
        published = ask_second_opinion(pictures.hdr_nits, sdr_nits, pixels_per_degree=pictures.pixels_per_degree)
        for moment in by_frame[hdr.index]:
            typed = replace(moment, hdr_picture_type=hdr.picture_type, sdr_picture_type=sdr.picture_type, published_loss=published)
            drawn.setdefault(hdr.index, []).extend(
                draw_stills(
                    typed,
                    hdr_nits=pictures.hdr_nits,
                    sdr_nits=sdr_nits,
                    difference_jnd=jnd,
                    white_nits=setup.white_nits,
                    peak_nits=peak_nits,
                    margin_jnd=settings.gamut_margin_jnd,
                    stamps=stamps,
                )
            )
            if len(moments) <= MOST_MOMENTS:
                small.append(shrink_pair(typed, hdr_nits=pictures.hdr_nits, sdr_nits=sdr_nits))
            if _hdr_kinds(settings):
                joined.setdefault(hdr.index, []).append(
                    join_sides(
                        typed,
                        hdr_nits=pictures.hdr_nits,
                        sdr_nits=sdr_nits,
                        white_nits=setup.white_nits,
                        mastering=matching.hdr.release.declared.mastering,
                        stamps=stamps,
                    )
                )
        tell("draw the stills", done + 1, len(ordered))
    for still in draw_curved(small, white_nits=setup.white_nits, stamps=stamps):
        drawn[still.moment.hdr_frame].append(still)
    return (
        [still for moment in moments for still in drawn[moment.hdr_frame] if still.moment.rule == moment.rule],
        [still for moment in moments for still in joined.get(moment.hdr_frame, []) if still.moment.rule == moment.rule],
    )


def _hdr_kinds(settings: Settings) -> tuple[HdrKind, ...]:
    """Forms that HDR stills are written in."""
    return tuple(kind for kind in HDR_KINDS if settings.hdr_stills in ("both", kind))


def _warned(stills: Sequence[Still]) -> list[Still]:
    """Stills whose captions say so where the moment lies outside what was matched."""
    return [replace(one, caption=f"{one.caption} Asked for {OUTSIDE}.") if one.moment.shot < 0 else one for one in stills]


def _stamps(release: Release) -> list[str]:
    facts = ((fact.name, getattr(release.signal, fact.name)) for fact in fields(release.signal))
    return say_stamps(release.side, ((name, fact.value, fact.source) for name, fact in facts), release.declared.dynamic)


_TIME = re.compile(r"(?:(?:(\d+):)?(\d{1,2}):)?(\d+(?:\.\d+)?)")


def read_time(text: str) -> int | Fraction:
    """A frame number from `f123`, or seconds from `h:mm:ss.mmm`, `mm:ss` or `ss`.

    Raises
    ------
    UsageError : any other text.
    """
    if re.fullmatch(r"f\d+", text):
        return int(text[1:])
    found = _TIME.fullmatch(text)
    beyond = found is not None and any(part is not None and float(part) >= 60 for part in found.groups()[1:] if found[2] is not None)
    if found is None or beyond:
        raise UsageError(
            f"The time {text!r} cannot be read. Give HDR film time as h:mm:ss.mmm, for example 0:12:03.500, or a frame as f123."
        )
    hours, minutes, seconds = found.groups()
    return int(hours or 0) * 3600 + int(minutes or 0) * 60 + Fraction(seconds)


def read_anchors(text: str | None) -> tuple[tuple[int | Fraction, int | Fraction], ...]:
    """Pairs of an HDR and an SDR time from `HDR_TIME=SDR_TIME,...`; none from None.

    Raises
    ------
    UsageError : any other text.
    """
    pairs = []
    for part in (text or "").split(",") if text else ():
        sides = part.strip().split("=")
        if len(sides) != 2:
            raise UsageError(f"--anchor: found {part.strip()!r}, expected HDR_TIME=SDR_TIME, for example 0:01:00=0:00:52.")
        pairs.append((read_time(sides[0].strip()), read_time(sides[1].strip())))
    return tuple(pairs)


def read_span(text: str | None) -> tuple[int | Fraction, int | Fraction] | None:
    """Start and end of a passage from `START-END`; None from None.

    Raises
    ------
    UsageError : any other text, or an end that is not after the start.
    """
    if text is None:
        return None
    sides = text.split("-")
    if len(sides) != 2:
        raise UsageError(f"--only: found {text!r}, expected START-END, for example 0:10:00-0:20:00.")
    start, end = read_time(sides[0].strip()), read_time(sides[1].strip())
    if type(start) is type(end) and end <= start:
        raise UsageError(f"--only: found {text!r}, whose end is not after its start; expected START-END, for example 0:10:00-0:20:00.")
    return start, end


def check_within(times_s: Sequence[Fraction], time: int | Fraction, *, option: str, side: str) -> None:
    """Refuse a moment that lies after the end of a release.

    Raises
    ------
    UsageError : more than a tenth of a second after the last frame.
    """
    last = len(times_s) - 1
    if time > (last if isinstance(time, int) else times_s[-1] + Fraction(1, 10)):
        told = f"f{time}" if isinstance(time, int) else say_time(float(time))
        raise UsageError(
            f"{option}: {told} lies after the end of the {side} release: its last frame is f{last} at {say_time(float(times_s[-1]))}. "
            "Give a moment within the release."
        )


def _frame_at(scanned: _Pass, time: int | Fraction) -> int:
    """Number of the frame nearest to a time, or of the last one where the release ends before."""
    times = scanned.track.times_s
    return min(time, len(times) - 1) if isinstance(time, int) else min(range(len(times)), key=lambda n: abs(times[n] - time))


def _asked_moment(matching: _Matching, text: str, time: int | Fraction) -> Moment:
    times = matching.hdr.track.times_s
    frame = _frame_at(matching.hdr, time)
    partner = int(matching.edit_map.path[frame])
    if partner < 0:
        held = np.flatnonzero(matching.edit_map.partners >= 0)
        near = int(held[np.abs(held - frame).argmin()])
        raise UsageError(
            f"--at {text}: the SDR release has no partner for HDR frame f{frame} at {say_time(float(times[frame]))}. The nearest matched "
            f"one is f{near} at {say_time(float(times[near]))}; pairdiff align shows all that is matched."
        )
    shot = next((n for n, (start, stop) in enumerate(matching.alignment.shots) if start <= frame < stop), -1)
    reason = f"asked for: {text}" + ("" if shot >= 0 else f"; {OUTSIDE}")
    return Moment("asked for", reason, frame, partner, float(times[frame]), float(matching.sdr.track.times_s[partner]), "?", "?", shot)


def setting_names() -> tuple[str, ...]:
    """Names of all settings, in order."""
    return tuple(field.name for field in fields(Settings))
