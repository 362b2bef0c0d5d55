"""What was measured of a pair, from which everything else is concluded; kept beside the result, so that it can be concluded again.

`_pipeline.py` reads the films and makes a `Measured`; `_conclude.py` makes a comparison of it and looks at no picture. `measured.npz` holds
it as plain arrays, exact to the last bit: whatever is concluded from the file is what is concluded from the films. Levels of frames are not
in it, but in `frames.parquet`, which is known again by them.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._keep import SCAN_VERSION
from pairdiff._kept_records import form_of, name_of, records_from_arrays, records_to_arrays
from pairdiff._pair_parts import SCORE_VERSION, Looked
from pairdiff._records import Alignment, Damage, FrameLevels, Moment, Rectangle, Release, SignalCheck, SurveyCoverage
from pairdiff._settings import Settings
from pairdiff._tables import Keep, Table, column, in_memory
from pairdiff.score.contaminants import FrameTable, LaidOver, PeakPlace, make_table
from pairdiff.score.screens import Screen, ScreenCollector
from pairdiff.score.setup import SetupFits
from pairdiff.score.title import ScoreCollector

MEASURED = "measured.npz"
"""Name of the file beside `result.json`."""
MATCH_VERSION = 1
"""Raise it whenever which frames belong together, or where the pictures lie on each other, changes."""
SURVEY_VERSION = 1
"""Raise it whenever which windows a survey reads, or when it stops, changes."""
VERDICT_VERSION = 2
"""Raise it whenever anything changes that is concluded from what was measured: pooling, rules, words."""
STEPS = {
    "scan": SCAN_VERSION,
    "match": MATCH_VERSION,
    "score": SCORE_VERSION,
    "survey": SURVEY_VERSION,
    "verdict": VERDICT_VERSION,
}
"""Version of each step. All but the last one look at pictures."""
CONCLUDING_STEPS = ("verdict",)
"""Steps that need none."""
CONCLUDING = frozenset(
    {
        "min_matched_s",
        "min_tone_jnd",
        "min_matched_share",
        "headroom_slight_stops",
        "headroom_clear_stops",
        "headroom_time_share",
        "peak_ratio_below_code",
        "power_law_gamma_most",
        "regraded_jnd",
        "colour_slight_share",
        "colour_clear_share",
        "monochrome_jnd",
        "clipped_share",
        "recovered_jnd",
        "recovered_spread",
        "recovered_spread_stops",
        "stretched_clip_share",
        "stretched_area_share",
        "stretched_gradual_share",
        "stretched_leap_share",
        "stretched_rise_codes",
        "stretched_residual_jnd",
        "shadow_slight_share",
        "shadow_clear_share",
        "support_min",
        "threshold_spread",
        "room_lux",
        # what a run may take of the machine changes nothing of what it finds
        "decode_limit_s",
        "memory_limit_gib",
        "picture_limit_megapixels",
    }
)
"""Settings that nothing is measured with: another value of theirs needs no picture (`tests/test_measured.py` holds them to it)."""
MOST_STORED_PAIRS = 2000
"""Pairs up to which what was found of them is kept beside the result (own: 10 KB each; samples have 240 at most)."""


@dataclass(frozen=True, slots=True)
class Picks:
    """Which pairs are scored, and what each stands for."""

    hdr_frames: tuple[int, ...]
    shots: tuple[int, ...]
    seconds: tuple[float, ...]
    """Of HDR film time, by the time stamps."""
    matched_frames: int
    matched_s: float

    def weights(self) -> dict[int, tuple[int, float]]:
        """Shot and seconds of each picked HDR frame."""
        return {frame: (shot, seconds) for frame, shot, seconds in zip(self.hdr_frames, self.shots, self.seconds, strict=True)}


@dataclass(frozen=True, slots=True)
class Film:
    """Which frames are the film's picture, and which pairs are scored."""

    table: FrameTable
    found: dict[str, NDArray[np.bool_]]
    kept: bool
    """Frames were found that are none, but so many that leaving them out would be a guess: they were kept."""
    picks: Picks
    """Pairs of the film alone."""
    every: Picks
    """Pairs as they would be picked if everything counted; the same object where nothing is left out."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What a conclusion rests on of one release."""

    release: Release
    active: Rectangle
    frames: int
    levels: Sequence[FrameLevels]
    damage: tuple[Damage, ...]
    of_some: bool
    """Whether the levels are those of a few pictures, drawn by a survey."""


@dataclass(frozen=True, slots=True)
class SeenPeak:
    """What was seen where an HDR frame is brightest."""

    frame: int
    place: PeakPlace
    laid_over: tuple[str, ...]


class PairScores:
    """What scoring the pairs leaves, gathered pair by pair, in the order of frames.

    Parameters
    ----------
    film : which pairs there are.
    screens : home displays.
    shown : HDR frames of the pairs that are shown on them.
    has_all : whether something was left out or masked, so that what counts everything is another figure.
    keep : where whole blocks of rows are put.
    """

    def __init__(self, film: Film, screens: tuple[Screen, ...], *, shown: Sequence[int], has_all: bool, keep: Keep = in_memory) -> None:
        self.displays, self.shown = screens, tuple(sorted(shown))
        self.scored = ScoreCollector(keep=keep)
        """The film's picture, without what was found not to be part of it; the verdict rests on it."""
        self.with_all = ScoreCollector(keep=keep) if has_all else None
        """Everything counted; None where nothing was left out or masked."""
        self.screens = ScreenCollector(screens, wanted=self.shown)
        self.types: dict[int, tuple[str, str]] = {}
        """Picture types of each pair."""
        self.laid_over: Table[LaidOver] = Table(LaidOver)
        """Of every scored picture of the film; empty where nothing is laid over any."""
        self._clean = film.picks.weights()
        self._every = self._clean if film.every is film.picks else film.every.weights()
        few = len(self._clean.keys() | self._every.keys()) <= MOST_STORED_PAIRS
        self.looked: list[Looked] | None = [] if few else None
        """What was taken, to be kept; None where there is too much of it."""
        self._known: dict[tuple[str, str], tuple[str, str]] = {}

    def take(self, found: Looked) -> None:
        """Gather what was found of a pair."""
        whole = found.own if found.whole is None else found.whole
        if found.own is not None:
            self.scored.add(found.own, seconds=self._clean[found.frame][1])
            self.screens.take(found.on_screens, hdr_frame=found.frame)
            self.types[found.frame] = self._known.setdefault(found.types, found.types)
        if found.laid_over is not None:
            self.laid_over.append(found.laid_over)
        if self.with_all is not None and whole is not None and found.frame in self._every:
            self.with_all.add(whole, seconds=self._every[found.frame][1])
        if self.looked is not None:
            self.looked.append(found)


@dataclass(frozen=True, slots=True)
class Measured:
    """Everything that a conclusion is drawn from."""

    hdr: Seen
    sdr: Seen
    alignment: Alignment
    shorter_frames: int
    """Frames of the shorter release, or of the passage that was asked for."""
    film: Film
    fits: SetupFits
    scores: PairScores
    word_nits: float | None
    """Level of words over the HDR picture; None without any."""
    signal_check: SignalCheck
    see_peak: Callable[[int], SeenPeak]
    """Says what is seen where an HDR frame is brightest."""
    survey: SurveyCoverage | None = None
    """How far a survey came; None where the releases were read whole."""


@dataclass(frozen=True, slots=True)
class Asked:
    """How a comparison was asked for, beside its settings."""

    full: bool
    survey: bool | None
    budget_s: float | None
    hash_whole: bool
    not_surveyed: str | None = None
    """Why it was read whole where a survey was tried."""
    folder: str = ""
    """What the paths of the releases were relative to; empty where none was, so that the same films give the same bytes anywhere."""


# ---------------------------------------------------------------- as it is kept


@dataclass(frozen=True, slots=True)
class _Side:
    release: Release
    active: Rectangle
    frames: int
    levels: str
    """A name for the levels of its frames, which stand in `frames.parquet`."""
    damage: tuple[Damage, ...]


@dataclass(frozen=True, slots=True)
class Look:
    """A `Measured` without the levels of frames."""

    hdr: _Side
    sdr: _Side
    alignment: Alignment
    shorter_frames: int
    table: FrameTable | None
    """None where it is that of all frames."""
    found: Mapping[str, NDArray[np.bool_]]
    kept: bool
    picks: Picks
    every: Picks | None
    """None where they are the same."""
    fits: SetupFits
    screens: tuple[Screen, ...]
    shown: tuple[int, ...]
    has_all: bool
    looked: tuple[Looked, ...]
    word_nits: float | None
    signal_check: SignalCheck
    peaks: tuple[SeenPeak, ...]
    survey: SurveyCoverage | None


@dataclass(frozen=True, slots=True)
class _Whole:
    """What `measured.npz` holds."""

    looks: tuple[Look, ...]
    """One; of a survey all of its looks, the last one that of the result."""
    moments: tuple[Moment, ...]
    """As they were drawn."""


@dataclass(frozen=True, slots=True)
class Head:
    """How it was measured, which is read without the rest."""

    asked: Asked
    settings: Mapping[str, Any]
    """Those it was measured with."""
    versions: Mapping[str, str]
    """What ran when it was measured."""
    steps: Mapping[str, int]
    survey: bool
    """Whether the films were surveyed."""


@dataclass(frozen=True, slots=True)
class Stored:
    """What `measured.npz` holds."""

    head: Head
    moments: tuple[Moment, ...]
    looks: tuple[Look, ...] = field(repr=False)


FORM = form_of(_Whole, names_only=True)
"""What the records hold: a file of other records cannot be read."""


MOST_UNPACKED_BYTES = 2**29
"""Of everything in `measured.npz` (own: 2000 pairs take about 20 MB packed); more would fill the memory."""
DAMAGED = "what was kept of what was measured is damaged"


class NotReadable(Exception):
    """A file that holds nothing that can be concluded from."""


def store_measured(
    path: Path,
    looks: Sequence[Measured],
    *,
    peaks: Sequence[SeenPeak],
    moments: tuple[Moment, ...],
    asked: Asked,
    settings: Settings,
    versions: Mapping[str, str],
) -> bool:
    """Keep what was measured.

    Parameters
    ----------
    path : the file; whoever calls moves it into place.
    looks : of a survey all of its looks.
    peaks : everything that was seen of the HDR release's brightest frames.
    moments : as they were drawn.
    asked, settings, versions : how it was measured.

    Returns
    -------
    False where there are too many pairs, and nothing was written.
    """
    if any(one.scores.looked is None for one in looks):
        return False
    kept = tuple(_look_of(one, peaks if one is looks[-1] else ()) for one in looks)
    head = Head(asked, asdict(settings), versions, STEPS, looks[-1].survey is not None)
    store_again(path, Stored(head, moments, kept))
    return True


def store_again(path: Path, stored: Stored) -> None:
    """Keep what was read, as it was: what is concluded again was not measured again."""
    arrays = records_to_arrays([_Whole(stored.looks, stored.moments)], _Whole)
    told = {"form": FORM, "head": json.dumps(asdict(stored.head))}
    words = {name: np.frombuffer(text.encode("utf-8", "backslashreplace"), np.uint8) for name, text in told.items()}
    with path.open("wb") as file:
        np.savez_compressed(file, **words, **arrays)  # type: ignore[arg-type]


def _look_of(one: Measured, peaks: Sequence[SeenPeak]) -> Look:
    scores = one.scores
    return Look(
        hdr=_side_of(one.hdr),
        sdr=_side_of(one.sdr),
        alignment=one.alignment,
        shorter_frames=one.shorter_frames,
        table=None if one.survey is None else one.film.table,
        found=one.film.found,
        kept=one.film.kept,
        picks=one.film.picks,
        every=None if one.film.every is one.film.picks else one.film.every,
        fits=one.fits,
        screens=scores.displays,
        shown=scores.shown,
        has_all=scores.with_all is not None,
        looked=tuple(scores.looked or ()),
        word_nits=one.word_nits,
        signal_check=one.signal_check,
        peaks=tuple(peaks),
        survey=one.survey,
    )


def _side_of(seen: Seen) -> _Side:
    return _Side(seen.release, seen.active, seen.frames, name_levels(seen.levels), seen.damage)


def name_levels(levels: Sequence[FrameLevels]) -> str:
    """A name for the levels of frames: others have another one."""
    return name_of([column(levels, one.name).astype(np.float64) for one in fields(FrameLevels)])


def load_measured(path: Path) -> Stored:
    """What was measured, read again.

    Parameters
    ----------
    path : of `measured.npz`.

    Returns
    -------
    Stored.

    Raises
    ------
    NotReadable : there is no such file, it is damaged, or another version wrote other records.
    """
    held = _read(path)
    head = _head_of(held.pop("head"))
    try:
        (whole,) = records_from_arrays(held, _Whole)
    except Exception as broken:  # as `_read`
        raise NotReadable(DAMAGED) from broken
    return Stored(head, whole.moments, whole.looks)


def load_head(path: Path) -> Head:
    """How it was measured; the rest is not read. Refusals as of `load_measured`."""
    return _head_of(_read(path, only=("head",))["head"])


def _read(path: Path, *, only: Sequence[str] = ()) -> dict[str, NDArray[Any]]:
    try:
        if path.exists() and not path.is_file():
            raise NotReadable(DAMAGED)
        with path.open("rb") as file, zipfile.ZipFile(file) as listed:
            if sum(one.file_size for one in listed.infolist()) > MOST_UNPACKED_BYTES:
                raise NotReadable(DAMAGED)
        with path.open("rb") as file, np.load(file, allow_pickle=False) as arrays:
            if arrays["form"].tobytes().decode() != FORM:
                raise NotReadable("another version kept other things of what it measured")
            held = {name: arrays[name] for name in only or arrays.files}
        held.pop("form", None)
        return held
    except FileNotFoundError:
        raise NotReadable("what was measured was not kept beside the result") from None
    except NotReadable:
        raise
    except Exception as broken:  # a spoilt archive raises a dozen kinds, depending on which byte is spoilt
        raise NotReadable(DAMAGED) from broken


def _head_of(text: NDArray[Any]) -> Head:
    try:
        told = json.loads(text.tobytes())
        head = Head(Asked(**told.pop("asked")), **told)
        dict(head.settings), dict(head.versions), dict(head.steps)
        asked = head.asked
        if not isinstance(asked.folder, str) or not isinstance(asked.budget_s, int | float | None):
            raise TypeError("not as it was written")
    except Exception as broken:  # whatever stands there
        raise NotReadable(DAMAGED) from broken
    return head


def restore(look: Look, levels: tuple[Sequence[FrameLevels], Sequence[FrameLevels]]) -> Measured:
    """What was measured, as it was.

    Parameters
    ----------
    look : one of `Stored.looks`.
    levels : of the frames of both releases; empty ones will do for a survey's looks but the last.

    Raises
    ------
    NotReadable : the levels are not those that belong to it.
    """
    sides = []
    for side, own in zip((look.hdr, look.sdr), levels, strict=True):
        if len(own) and name_levels(own) != side.levels:
            raise NotReadable("frames.parquet does not belong to what was measured")
        sides.append(Seen(side.release, side.active, side.frames, own, side.damage, look.survey is not None))
    every = look.picks if look.every is None else look.every
    table = make_table(*levels, look.alignment) if look.table is None else look.table
    film = Film(table, dict(look.found), look.kept, look.picks, every)
    scores = PairScores(film, look.screens, shown=look.shown, has_all=look.has_all)
    for found in look.looked:
        scores.take(found)
    peaks = {one.frame: one for one in look.peaks}

    def see_peak(frame: int) -> SeenPeak:
        if frame not in peaks:
            raise NotReadable("the brightest picture is another one now, and was not looked at")
        return peaks[frame]

    return Measured(
        hdr=sides[0],
        sdr=sides[1],
        alignment=look.alignment,
        shorter_frames=look.shorter_frames,
        film=film,
        fits=look.fits,
        scores=scores,
        word_nits=look.word_nits,
        signal_check=look.signal_check,
        see_peak=see_peak,
        survey=look.survey,
    )
