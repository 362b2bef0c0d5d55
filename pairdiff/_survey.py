"""A survey of a pair of films: key frames and short windows are read, placed and measured, and nothing is read whole.

Windows are drawn at random, one in each of equal parts of the HDR film, from the key frame before a moment to a third of a second behind
it. Each is laid on a few SDR frames about the place where the windows beside it lie, and counts only where the fingerprints agree. They
are taken in an order in which each look at the film covers it evenly, so that a survey may stop after any look.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from time import monotonic
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pairdiff._errors import DecodeFailed, UnrelatedFilms
from pairdiff._records import SIDES, Frame, FrameLevels, Geometry, Rectangle, Release, Side
from pairdiff._settings import Settings
from pairdiff.clip.probe import is_of_pictures
from pairdiff.frames.cadence import is_interlaced, weaves_of
from pairdiff.frames.fields import find_combed, find_field_order, sample_rows
from pairdiff.frames.siting import SitingWatch, say_siting
from pairdiff.frames.spool import Spool
from pairdiff.frames.windows import WindowReader, even_rate, keep_planes, read_spread_keys
from pairdiff.match.active import BarLevel, Edges, measure_edges
from pairdiff.match.fingerprint import GRID_COLUMNS, GRID_ROWS, make_fingerprint
from pairdiff.match.geometry import Placed, make_luma_pair, map_from_geometry, resample_area
from pairdiff.match.grid import GridMap, likely_maps
from pairdiff.match.passages import AreaPassage, Probe, lie_elsewhere, place_probes
from pairdiff.match.survey import (
    LEAST_ALONE,
    Found,
    Place,
    Prints,
    chance_similarity,
    choose_map,
    expected_offset,
    find_place,
    is_of_another_map,
    known_offsets,
    map_of_windows,
    open_gaps,
    pictures_with_bars,
)
from pairdiff.match.timeline import EditMap
from pairdiff.score.readings import CODES, count_luma
from pairdiff.score.scan import find_active, grey_light, luma_plane, measure_levels
from pairdiff.score.subtitles import WAIT_S, WordFinder, WordLevel, halfway_frame

Progress = Callable[[str, int, int | None], None]

LOOKS = (28, 48)
"""Windows that were read when each look at the film is taken: every look scores all pairs again at set-ups fitted anew (own)."""
WORD_WINDOWS = frozenset(n for n in range(LOOKS[0]) if n % 3 < 2)
"""Windows that are read to their end on both sides, for words laid over the picture (own)."""
LOOK_CONFIDENCE = 0.9875
"""Of the intervals at each look, so that those printed would hold in 95 of 100 with up to four looks, however early a survey stops (C. E.
Bonferroni, 1936)."""
LEAST_DRAWN = 12
"""Windows that are read however little time there is (own)."""
MOST_DECODED = 2500
"""Pictures that a survey decodes (own)."""
LEAST_LENGTH_S, USUAL_FROM_S = 150, 300
"""Shorter films are read whole; and from which length on a survey is what is done unless something else is asked for, seconds (own)."""
MOST_RATIO = 1.05
"""Ratio of the frame rates up to which frames can follow each other one by one: PAL runs 1.0427 times as fast (own)."""
ACTIVE_KEYS = 32
"""Key frames by which the picture area is found (own)."""
MEASURED_KEYS = 160
"""Key frames whose levels a survey of one release measures (own)."""
PROBES, LEAST_PROBES = 8, 2
"""Windows by which the films are first laid on each other, and how many of them must be found again (own)."""
LEAST_FOUND_SHARE = 0.5
"""Share of windows that must be found again; fewer, and the releases are read whole (own)."""
LEAST_FIELD_WINDOWS, LEAST_EVEN_SHARE = 4, 0.9
"""Windows from which fields are told, and share of windows whose pictures follow each other evenly in time (own)."""
LAGS = 3
"""Frames to either side of the expected place that are read (own)."""
TOLD_BY = 3
"""Frames at the end of a window by which its place is told in later looks (own)."""
REACH_S, FAR_S, FAR_STEP_S = 0.5, 90.0, 1.0
"""How far about an expected place is searched; how far with key frames alone; and how far these lie apart, seconds (own)."""
FAR_PLACES, FAR_PROBES = 3, 3
"""Likeliest key frames about which is searched, and windows for which that is done (own)."""
GAP_S, MOST_GAP_WINDOWS = 2.0, 32
"""Passages between windows at different offsets are halved until they are so short, by so many windows at most (own)."""
MOST_KEY_GAP_S, FARTHEST_KEY_S, KEY_MOMENTS = 3.0, 12.0, 64
"""Mean time between key frames up to which windows behind them stand for the film; the longest before a picture; and moments by which that
is told (own)."""
LEAST_ELSEWHERE, LEAST_ELSEWHERE_SHARE, ELSEWHERE_TIMES = 2, 0.05, 2.0
"""Windows that must lie elsewhere in the picture, or show other bars, for a film to have no one place, as a number and as a share of all;
and how much further off than a passage of a film that is read whole, since nothing beside a window bears it out (own)."""
CUT_SHORT_S = 15.0
"""How far before its stated end the last key frame of a release may lie, seconds (own)."""


class NotSurveyable(Exception):
    """A pair that has to be read whole; says why, in words."""


@dataclass(frozen=True, slots=True)
class Sampled:
    """One window that was found again."""

    hdr: Frame
    """The picture that is scored, its planes its own; the next field its partner."""
    sdr: Frame
    levels: tuple[FrameLevels, FrameLevels]
    """Of the HDR and the SDR picture."""
    key: int
    """Key frame of the HDR release at which the window begins: pictures behind one key frame are no independent draws."""
    times: int = 1
    """How often this picture was drawn."""


@dataclass(slots=True)
class _SideState:
    """What is known of one release."""

    release: Release
    reader: WindowReader
    frames: int
    rate: float
    """Pictures a second."""
    wait: int
    """Frames that words are waited for."""
    active: Rectangle = field(default_factory=lambda: Rectangle(0, 0, 0, 0))
    bars: BarLevel = field(default_factory=lambda: BarLevel(0.0, 0.0))
    edges: dict[int, Edges] = field(default_factory=dict)
    """Where the picture ends in each one that was looked at."""
    codes: NDArray[np.int64] = field(default_factory=lambda: np.zeros(CODES, np.int64))
    words: WordFinder = field(default_factory=WordFinder)
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Window:
    """What is told of some frames of one release in a row."""

    prints: Prints
    weaves: NDArray[np.int64]
    """Of each pair of neighbours, (pair, 9), as of `FieldWatch`."""


def why_read_whole(release: Release) -> str | None:
    """Why a release cannot be surveyed, in words; None where it can."""
    rate = release.signal.frame_rate.value
    if release.parts:
        return "it is of several files"
    if is_of_pictures(release):
        return "it is of single pictures"
    if rate is None or release.duration_s is None:
        return "the file does not say how long it is, or at what rate it runs"
    if release.stamps_of_coding:
        return "its time stamps do not tell pictures apart"
    if release.duration_s < LEAST_LENGTH_S:
        return f"it is shorter than {LEAST_LENGTH_S} s, and is as quickly read whole"
    return None


class Surveyor:
    """Reads windows of a pair; use it in a `with` statement.

    Parameters
    ----------
    hdr, sdr : the releases, of which `why_read_whole` says nothing.
    settings : seed, and what the signal and the words are read with.
    spool : where pictures that are looked at again are kept.
    tell : progress.
    """

    def __init__(self, hdr: Release, sdr: Release, *, settings: Settings, spool: Spool, tell: Progress) -> None:
        self._settings, self._spool, self._tell = settings, spool, tell
        self._stack = ExitStack()
        self.sides: dict[Side, _SideState] = {}
        for release in (hdr, sdr):
            rate, length_s = even_rate(release), release.duration_s or Fraction(0)
            reader = self._stack.enter_context(WindowReader(release))
            wait = max(round(WAIT_S * float(rate)), 1)
            self.sides[release.side] = _SideState(release, reader, max(round(length_s * rate), 1), float(rate), wait)
        ratio = float(even_rate(hdr) / even_rate(sdr))
        if not 1 / MOST_RATIO <= ratio <= MOST_RATIO:
            raise NotSurveyable(f"the releases run at rates that differ by a factor of {max(ratio, 1 / ratio):.3f}")
        self.found: list[Found] = []
        self.grid_map = GridMap()
        self.geometry: Geometry | None = None
        self.limits: dict[str, Any] = {}
        """Keywords of `build_geometry`."""
        self._placed: dict[int, Placed | None] = {}
        self._elsewhere: set[int] = set()
        self.drawn = 0
        self._uneven = 0
        self.deadline_s: float | None = None
        """By the monotonic clock: when no further windows are read, though a few always are."""
        self._runner_up = 0.0
        self._gap_windows = 0

    def __enter__(self) -> Surveyor:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._stack.close()

    @property
    def decoded(self) -> int:
        """Pictures decoded so far, of both releases."""
        return sum(side.reader.decoded for side in self.sides.values())

    def read(self, side: Side, numbers: Sequence[int]) -> Iterator[Frame]:
        """Pictures by number, from what is kept where they are."""
        for number in numbers:
            kept = self._spool.get(side, number)
            if kept is not None:
                yield kept
                continue
            found = self.sides[side].reader.read(number, number)
            if not found:
                path = self.sides[side].release.path
                raise DecodeFailed(f"Picture f{number} of {path} cannot be found again by its time. Read the pair whole: --no-survey.")
            yield found[0]

    # ------------------------------------------------------------ before the first look

    def prepare(self) -> None:
        """Find the picture areas, by key frames spread over the films."""
        for name, side in self.sides.items():
            self._tell(f"find the picture area of the {name.upper()} release", 0, None)
            siting = SitingWatch(side.release.signal)
            check_keys(side.reader, frames=side.frames, rate=side.rate, name=name.upper())
            numbers = [round((n + 0.5) / ACTIVE_KEYS * side.frames) for n in range(ACTIVE_KEYS)]
            keys = read_spread_keys(side.reader, numbers)
            first = next(keys, None)
            if first is None:
                raise NotSurveyable(f"no key frame of the {name.upper()} release can be decoded")
            side.active, side.bars = find_active(siting.watch(itertools.chain([first], keys)), side.release.signal)
            note = say_siting(siting.found(), side.release.signal, side=name)
            side.notes = (*side.notes, note) if note else side.notes

    def locate(self, pins: Sequence[tuple[int, int]] = ()) -> None:
        """Lay the films on each other by a few windows, and look whether their pictures are whole and even.

        Parameters
        ----------
        pins : HDR and SDR frames that are known to belong together.

        Raises
        ------
        NotSurveyable : where fields would have to be rejoined, or pictures are not evenly timed.
        UnrelatedFilms : where too few windows are found again.
        """
        self._tell("lay the films on each other", 0, PROBES)
        hdr, sdr = self.sides["hdr"], self.sides["sdr"]
        maps = likely_maps(_shown_aspect(hdr), _shown_aspect(sdr))
        starts = (*(theirs - mine for mine, theirs in pins), 0, sdr.frames - hdr.frames)
        windows: list[tuple[int, Prints, Prints]] = []
        weaves: dict[Side, list[NDArray[np.int64]]] = {"hdr": [], "sdr": []}
        uneven, best, far, known_map = 0, -1.0, 0, False
        # from the middle outwards: logos and credits are seldom the same
        for done, probe in enumerate(sorted(range(PROBES), key=lambda n: abs(2 * n + 1 - PROBES))):
            mine = self._read_window(hdr, round((probe + 0.5) / PROBES * hdr.frames))
            if not len(mine.prints.numbers):
                uneven += 1
                continue
            prints, last = mine.prints, int(mine.prints.numbers[-1])
            near, place = expected_offset(self.found, last), Place(None, -1.0)
            theirs = self._look_through(sdr, [])
            for start in dict.fromkeys((near, *starts) if near is not None else starts):
                reach = LAGS if start == near else round(REACH_S * hdr.rate)
                place, found_map, theirs = self._place_about(prints, start, reach, (self.grid_map,) if known_map else maps)
                if place.offset is not None:
                    break
            if place.offset is None and not place.still and far < FAR_PROBES:
                far += 1
                place, found_map, theirs = self._place_far(prints, near if near is not None else starts[0], maps)
            best = max(best, place.similarity)
            if place.offset is not None:
                self.grid_map, known_map = found_map, True
                windows.append((last, prints, theirs.prints))
            self.found.append(Found(last, place))
            weaves["hdr"].append(mine.weaves)
            weaves["sdr"].append(theirs.weaves)
            uneven += sum(bool((np.diff(one.prints.numbers) != 1).any()) for one in (mine, theirs))
            self._tell("lay the films on each other", done + 1, PROBES)
        if len(windows) < LEAST_PROBES:
            raise UnrelatedFilms(self._unrelated(best))
        for name, told in weaves.items():
            self._check_fields(name, [one for one in told if len(one)])
        if uneven > (1 - LEAST_EVEN_SHARE) * 2 * PROBES:
            raise NotSurveyable("pictures are missing in many windows, or their frame rate is not even")
        self._settle(windows)

    def _settle(self, windows: Sequence[tuple[int, Prints, Prints]]) -> None:
        """The map of the grids fitted, and each window at the offset that most of them share, where it agrees there as well."""
        pairs = [(mine, theirs) for _, mine, theirs in windows]
        self.grid_map = choose_map(pairs, [self.grid_map])
        offsets = {one.place.offset for one in self.found if one.place.offset is not None}
        placed = {
            offset: [find_place(mine, theirs, grid_map=self.grid_map, expected=offset) for mine, theirs in pairs] for offset in offsets
        }
        usual = sorted(offsets, key=lambda offset: -sum(place.offset == offset for place in placed[offset]))
        settled: dict[int, Place] = {}
        for number, (frame, _, _) in enumerate(windows):
            here = [placed[offset][number] for offset in usual if placed[offset][number].offset == offset]
            settled[frame] = here[0] if here else placed[usual[0]][number]
        self.found = [Found(one.hdr_frame, settled.get(one.hdr_frame, one.place)) for one in self.found]
        self._runner_up = chance_similarity(pairs, grid_map=self.grid_map)

    def _check_fields(self, name: Side, weaves: Sequence[NDArray[np.int64]]) -> None:
        if len(weaves) < LEAST_FIELD_WINDOWS:
            return
        order = find_field_order(np.concatenate(list(weaves)))
        told = [find_combed(one, order) for one in weaves]
        combed, moving = (np.concatenate(parts) for parts in zip(*told, strict=True))
        if order is not None or is_interlaced(combed, moving):
            raise NotSurveyable(f"the {name.upper()} release shows two moments in many of its frames")

    def _unrelated(self, best: float) -> str:
        hdr, sdr = (self.sides[name].release.path for name in SIDES)
        return (
            f"The survey finds no place at which the two releases belong together: {hdr} and {sdr}. {PROBES} windows of the HDR release "
            f"were looked for at the same time, {FAR_PROBES} of them up to {FAR_S:.0f} s about it; the best has a similarity of "
            f"{best:.2f}, and from {LEAST_ALONE:g} one counts. Check that both files are the same film; --anchor names a moment that "
            "belongs together, --no-survey looks for each passage in the whole film."
        )

    # ------------------------------------------------------------ placing windows

    def _read_window(self, side: _SideState, number: int) -> _Window:
        """The key frame before a picture and what follows it for a third of a second."""
        key = side.reader.key_before(min(number, side.frames - 1))
        return self._look_through(side, [] if key is None else side.reader.run_through(key, key + side.wait, key=key))

    def _look_through(self, side: _SideState, frames: Iterable[Frame]) -> _Window:
        """What is told of frames in a row, none of which is kept."""
        rows: list[NDArray[np.unsignedinteger[Any]]] = []

        def sampled() -> Iterator[Frame]:
            for frame in frames:
                rows.append(sample_rows(frame.planes[0]))
                yield frame

        return _Window(self._print(side, sampled()), weaves_of(rows))

    def _print(self, side: _SideState, frames: Iterable[Frame]) -> Prints:
        signal = side.release.signal
        make = partial(make_fingerprint, active=side.active, code_step=2.0 ** (signal.bit_depth.value - 8))
        found = [(frame.index, make(luma_plane(frame, signal))) for frame in frames]
        if not found:
            return Prints(np.zeros(0, np.int64), np.zeros((0, GRID_ROWS * GRID_COLUMNS), np.float16))
        return Prints(np.array([number for number, _ in found], np.int64), np.stack([values for _, values in found]))

    def _about(self, mine: Prints, offset: int, reach: int) -> tuple[int, int]:
        """First and last SDR frame within some frames of an offset from a window."""
        last = self.sides["sdr"].frames
        return max(int(mine.numbers[0]) + offset - reach, 0), min(int(mine.numbers[-1]) + offset + reach, last)

    def _place_about(self, mine: Prints, offset: int, reach: int, maps: Sequence[GridMap]) -> tuple[Place, GridMap, _Window]:
        """The best place of a window within some frames of an offset, under the likeliest of some maps."""
        sdr = self.sides["sdr"]
        first, last = self._about(mine, offset, reach)
        theirs = self._look_through(sdr, sdr.reader.run_through(first, last) if last >= first else [])
        expected = offset if any(one.place.offset is not None for one in self.found) else None
        tried = [(find_place(mine, theirs.prints, grid_map=one, expected=expected), one) for one in maps]
        place, grid_map = max(tried, key=lambda one: one[0].similarity)
        return place, grid_map, theirs

    def _place_far(self, mine: Prints, offset: int, maps: Sequence[GridMap]) -> tuple[Place, GridMap, _Window]:
        """A window looked for about an offset with SDR key frames alone, and then about those that are most like it."""
        sdr, step = self.sides["sdr"], round(FAR_STEP_S * self.sides["sdr"].rate)
        middle, reach = int(mine.numbers[0]) + offset, round(FAR_S * sdr.rate)
        low, high = max(middle - reach, 0), min(middle + reach, sdr.frames - 1)
        self._tell("look for the place of a window by key frames", 0, None)
        keys = self._print(sdr, read_spread_keys(sdr.reader, range(low, high + 1, step)) if high >= low else [])
        nothing = Place(None, -1.0), maps[0], self._look_through(sdr, [])
        if not len(keys.numbers):
            return nothing
        one_frame = Prints(mine.numbers[:1], mine.values[:1])
        alike = [
            max(find_place(one_frame, key, grid_map=one, expected=None).similarity for one in maps)
            for key in (Prints(keys.numbers[n : n + 1], keys.values[n : n + 1]) for n in range(len(keys.numbers)))
        ]
        best = nothing
        # of places that look the same the nearest one
        likely = sorted(range(len(alike)), key=lambda n: (-round(alike[n], 1), abs(int(keys.numbers[n]) - middle)))
        for n in likely[:FAR_PLACES]:
            here = self._place_about(mine, int(keys.numbers[n] - mine.numbers[0]), step + LAGS, maps)
            if here[0].similarity > best[0].similarity:
                best = here
            if best[0].offset is not None:
                break
        return best

    def _place(self, mine: Prints) -> tuple[Place, list[Frame]]:
        """The place of a window, by those of the windows beside it; also where the SDR release is black as the window is."""
        sdr, first, best = self.sides["sdr"], int(mine.numbers[0]), Place(None, -1.0)
        for offset in known_offsets(self.found, first)[:3]:
            low, high = self._about(mine, offset, LAGS)
            theirs = sdr.reader.read(low, high) if high >= low else []
            prints = self._print(sdr, theirs)
            place = find_place(mine, prints, grid_map=self.grid_map, expected=offset)
            if place.still:
                flat = bool(theirs) and not prints.values.any()
                return (Place(offset, 0.0, still=True), theirs) if flat else (Place(None, -1.0, still=True), [])
            if place.offset is not None:
                return place, theirs
            best = max(best, place, key=lambda one: one.similarity)
        nearest = expected_offset(self.found, first)
        if nearest is None:
            return best, []
        place, _, _ = self._place_about(mine, nearest, round(REACH_S * sdr.rate), (self.grid_map,))
        if place.offset is None:
            return max(best, place, key=lambda one: one.similarity), []
        return place, sdr.reader.read(*self._about(mine, place.offset, 0))

    # ------------------------------------------------------------ looks

    def probes(self) -> Iterator[Sampled]:
        """The windows by which the films were laid on each other, to register the pictures by; they are read once more."""
        for one in sorted(self.found, key=lambda found: found.hdr_frame):
            offset = one.place.offset
            if offset is None or one.place.still:
                continue
            mine = self.sides["hdr"].reader.read(one.hdr_frame, one.hdr_frame)
            theirs = self.sides["sdr"].reader.read(one.hdr_frame + offset, one.hdr_frame + offset)
            if mine and theirs:
                yield self._sampled(keep_planes(mine[0]), theirs[0], key=one.hdr_frame)

    def windows(self, first: int, last: int) -> Iterator[Sampled | None]:
        """Windows by their number in the order of the survey; None for one that is not found again.

        It ends before the last one where as many pictures were decoded as may be, or the time is over.
        """
        order = survey_order(LOOKS[-1], seed=self._settings.seed)
        for window in range(first, last):
            late = self.deadline_s is not None and monotonic() > self.deadline_s
            if self.drawn >= LEAST_DRAWN and (late or self.decoded >= MOST_DECODED):
                return
            self.drawn += 1
            yield self._read_sampled(int(order[window]), with_words=window in WORD_WINDOWS)

    def _read_sampled(self, part: int, *, with_words: bool) -> Sampled | None:
        hdr = self.sides["hdr"]
        rng = np.random.default_rng((self._settings.seed, part))
        key = self._draw_key(part, rng)
        wanted = int(rng.integers(0, hdr.wait + 1))
        if key is None:
            self.found.append(Found(int((part + 0.5) / LOOKS[-1] * hdr.frames), Place(None, -1.0)))
            return None
        first = key if with_words else key + max(wanted - TOLD_BY + 1, 0)
        last = key + (hdr.wait if with_words else wanted)
        looked_at = _words_at(key, hdr.wait) if with_words else ()
        pick: Frame | None = None
        told: list[Prints] = []
        greys: dict[int, NDArray[np.float32]] = {}
        for frame in hdr.reader.run_through(key, last, key=key):  # one at a time: nine pictures of 2160 lines are 220 MB
            if frame.index >= first:
                told.append(self._print(hdr, [frame]))
            if frame.index in looked_at and self.geometry is not None:
                greys[frame.index] = self._grey(hdr, self.geometry.hdr_common, frame)
            if frame.index == key + wanted:
                pick = keep_planes(frame)
        if pick is None:
            self.found.append(Found(key + wanted, Place(None, -1.0)))
            return None
        place, theirs = self._place(_together(told))
        self._uneven += any(bool((np.diff(one) != 1).any()) for one in (_together(told).numbers, [frame.index for frame in theirs]))
        self.found.append(Found(pick.index, place))
        partner = None if place.offset is None else next((one for one in theirs if one.index == pick.index + place.offset), None)
        if partner is None or place.offset is None:
            return None
        if greys and self.geometry is not None:
            held = {frame.index: frame for frame in theirs}
            there = [number + place.offset for number in looked_at]
            _add_words(hdr.words, greys, looked_at, window=part)
            if set(there) <= held.keys():
                shown = {number: self._grey(self.sides["sdr"], self.geometry.sdr_common, held[number]) for number in there}
                _add_words(self.sides["sdr"].words, shown, there, window=part)
        sampled = self._sampled(pick, partner, key=key)
        if self._placed.get(pick.index) is None and self._is_elsewhere(_together(told), self._print(self.sides["sdr"], theirs)):
            self._elsewhere.add(pick.index)
        return sampled

    def _draw_key(self, part: int, rng: np.random.Generator) -> int | None:
        """The key frame before a moment of a part of the film; None where there is none within its reach."""
        hdr = self.sides["hdr"]
        moment = min(int((part + rng.random()) / LOOKS[-1] * hdr.frames), hdr.frames - 1)
        key = hdr.reader.key_before(moment)
        return None if key is None or moment - key > FARTHEST_KEY_S * hdr.rate else key

    def _sampled(self, mine: Frame, theirs: Frame, *, key: int) -> Sampled:
        levels = []
        for frame, side in ((mine, self.sides["hdr"]), (theirs, self.sides["sdr"])):
            signal = side.release.signal
            side.codes += count_luma(luma_plane(frame, signal), active=side.active, bit_depth=signal.bit_depth.value)
            levels.append(measure_levels(frame, signal, active=side.active, hlg_peak_nits=self._settings.hlg_peak_nits))
            side.edges[frame.index] = measure_edges(luma_plane(frame, signal), active=side.active, level=side.bars)
        self._see_place(mine, theirs)
        return Sampled(mine, keep_planes(theirs), (levels[0], levels[1]), key)

    def _see_place(self, mine: Frame, theirs: Frame) -> None:
        """Note where a pair lies, once it is known where most do."""
        if self.geometry is None:
            return
        lumas = (luma_plane(frame, self.sides[name].release.signal) for name, frame in zip(SIDES, (mine, theirs), strict=True))
        passage = AreaPassage(0, mine.index + 1, self.geometry.hdr_active, self.geometry.sdr_active)
        probe = Probe(mine.index, 0, make_luma_pair(*lumas))
        self._placed[mine.index] = place_probes(self.geometry, [passage], [probe], limits=self.limits)[0]

    def _is_elsewhere(self, mine: Prints, theirs: Prints) -> bool:
        """Whether a window whose pictures do not register is found elsewhere by its fingerprints."""
        hdr, sdr = self.sides["hdr"], self.sides["sdr"]
        if self.geometry is None:
            return False
        known = map_from_geometry(self.geometry, hdr_grid=hdr.active, sdr_grid=sdr.active)
        return is_of_another_map(mine, theirs, grid_map=known, maps=likely_maps(_shown_aspect(hdr), _shown_aspect(sdr)))

    def check_pictures(self) -> None:
        """Give way to reading whole where one place in the picture, and one picture area, do not hold for all windows.

        Raises
        ------
        NotSurveyable.
        """
        if self.geometry is None:
            return
        for name, side in self.sides.items():
            signal = side.release.signal
            common = self.geometry.hdr_common if name == "hdr" else self.geometry.sdr_common
            edges = [side.edges[number] for number in sorted(side.edges)]
            barred = pictures_with_bars(edges, active=side.active, rows=signal.height.value, columns=signal.width.value, common=common)
            if _are_several(barred, len(edges)):
                raise NotSurveyable(
                    f"the picture area of the {name.upper()} release changes: {barred} of {len(edges)} pictures that were looked at show "
                    "bars where others show picture"
                )
        elsewhere = sum(lie_elsewhere(self.geometry, list(self._placed.values()), times=ELSEWHERE_TIMES)) + len(self._elsewhere)
        if _are_several(elsewhere, len(self._placed)):
            raise NotSurveyable(f"{elsewhere} of {len(self._placed)} windows lie elsewhere in the picture than the others")

    def _grey(self, side: _SideState, region: tuple[float, float, float, float], frame: Frame) -> NDArray[np.float32]:
        assert self.geometry is not None
        light = grey_light(frame, side.release.signal, hlg_peak_nits=self._settings.hlg_peak_nits)
        return resample_area(light, region=region, rows=self.geometry.canvas_rows, columns=self.geometry.canvas_columns)

    def check_windows(self) -> None:
        """Give way to reading whole where too few windows were found, or where they lack pictures.

        Raises
        ------
        NotSurveyable.
        """
        found = sum(one.place.offset is not None for one in self.found)
        if found < LEAST_FOUND_SHARE * len(self.found):
            raise NotSurveyable(f"only {found} of {len(self.found)} windows are found in the other release")
        if self._uneven > (1 - LEAST_EVEN_SHARE) * self.drawn:
            raise NotSurveyable("pictures are missing in many windows, or their frame rate is not even")

    def rest(self) -> None:
        """Close the files until something is read again: decoders hold hundreds of megabytes."""
        for side in self.sides.values():
            side.reader.close()

    def words(self, side: Side) -> WordLevel | None:
        """What the windows say of words laid over the pictures of a release."""
        return self.sides[side].words.result()

    def close_gaps(self) -> None:
        """Halve the passages between windows at different offsets, and those beside windows that are not found."""
        hdr = self.sides["hdr"]
        longest = round(GAP_S * hdr.rate)
        given_up: set[tuple[int, int]] = set()
        while self._gap_windows < MOST_GAP_WINDOWS and self.decoded < MOST_DECODED:
            gaps = [gap for gap in open_gaps(self.found, longest=longest) if gap not in given_up]
            if not gaps:
                return
            low, high = max(gaps, key=lambda gap: gap[1] - gap[0])
            self._gap_windows += 1
            key = hdr.reader.key_before((low + high) // 2)
            mine = [] if key is None or key <= low else hdr.reader.read(key, key + TOLD_BY - 1, key=key)
            place = self._place(self._print(hdr, mine))[0] if mine else Place(None, -1.0)
            if not mine or place.still or not low < mine[-1].index < high:
                given_up.add((low, high))
                continue
            self.found.append(Found(mine[-1].index, place))

    def edit_map(self) -> EditMap:
        """The edit map that all windows make so far."""
        hdr_frames, sdr_frames = (self.sides[name].frames for name in SIDES)
        return map_of_windows(self.found, hdr_frames=hdr_frames, sdr_frames=sdr_frames, grid_map=self.grid_map, runner_up=self._runner_up)


def _are_several(count: int, of: int) -> bool:
    return count >= max(LEAST_ELSEWHERE, LEAST_ELSEWHERE_SHARE * of)


def check_keys(reader: WindowReader, *, frames: int, rate: float, name: str) -> None:
    """Ask whether windows behind key frames stand for a release: these lie close together, and up to its stated end.

    Parameters
    ----------
    reader : of the release.
    frames : that it has by its stated length.
    rate : pictures a second.
    name : of the side, for the message.

    Raises
    ------
    NotSurveyable.
    """
    moments = [round((n + 0.5) / KEY_MOMENTS * frames) for n in range(KEY_MOMENTS)]
    keys = [reader.key_before(moment) for moment in moments]
    last = reader.key_before(frames - 1)
    if last is None or None in keys:
        raise NotSurveyable(f"no key frames of the {name} release are found by time")
    if (frames - last) / rate > CUT_SHORT_S:
        raise NotSurveyable(
            f"the {name} release states {frames / rate:.0f} s, and its last key frame lies at {last / rate:.0f} s: the file may be cut off"
        )
    gap_s = 2 * float(np.mean([moment - key for moment, key in zip(moments, keys, strict=True) if key is not None])) / rate
    if gap_s > MOST_KEY_GAP_S:
        raise NotSurveyable(
            f"key frames of the {name} release lie {gap_s:.1f} s apart on average, and windows behind them would leave too much unseen"
        )


@dataclass(frozen=True, slots=True)
class SampledLevels:
    """Levels of some key frames of one release."""

    active: Rectangle
    levels: tuple[FrameLevels, ...]
    codes: NDArray[np.int64]
    decoded: int
    note: str | None
    """What the pictures say of the siting of chroma."""


def sample_levels(release: Release, *, settings: Settings, tell: Progress) -> SampledLevels:
    """Levels of key frames drawn at random, one before a moment in each of equal parts of a release.

    Parameters
    ----------
    release : of which `why_read_whole` says nothing.
    settings : seed, and what the signal is read with.
    tell : progress.

    Raises
    ------
    NotSurveyable : no key frames are found.
    """
    signal, rate = release.signal, even_rate(release)
    frames, name = max(round((release.duration_s or 0) * rate), 1), release.side.upper()
    rng = np.random.default_rng(settings.seed)
    with WindowReader(release) as reader:
        tell(f"find the picture area of the {name} release", 0, None)
        check_keys(reader, frames=frames, rate=float(rate), name=name)
        siting = SitingWatch(signal)
        keys = read_spread_keys(reader, [round((n + 0.5) / ACTIVE_KEYS * frames) for n in range(ACTIVE_KEYS)])
        first = next(keys, None)
        if first is None:
            raise NotSurveyable(f"no key frames of the {name} release are found by time")
        active, _ = find_active(siting.watch(itertools.chain([first], keys)), signal)
        levels: dict[int, FrameLevels] = {}
        codes = np.zeros(CODES, np.int64)
        for part in range(MEASURED_KEYS):
            tell(f"survey the {name} release", part, MEASURED_KEYS)
            key = reader.key_before(min(int((part + rng.random()) / MEASURED_KEYS * frames), frames - 1))
            for frame in [] if key is None or key in levels else reader.read(key, key, key=key):
                levels[frame.index] = measure_levels(frame, signal, active=active, hlg_peak_nits=settings.hlg_peak_nits)
                codes += count_luma(luma_plane(frame, signal), active=active, bit_depth=signal.bit_depth.value)
        tell(f"survey the {name} release", MEASURED_KEYS, MEASURED_KEYS)
        note = say_siting(siting.found(), signal, side=release.side)
        return SampledLevels(active, tuple(levels[key] for key in sorted(levels)), codes, reader.decoded, note)


def survey_order(parts: int, *, seed: int) -> NDArray[np.int64]:
    """An order of the parts of a film whose beginnings cover it evenly: van der Corput's sequence, begun at a random part."""
    bits = max(int(np.ceil(np.log2(parts))), 1)
    reverse = [int(f"{n:0{bits}b}"[::-1], 2) for n in range(2**bits)]
    shift = int(np.random.default_rng(seed).integers(parts))
    spread = [n * parts // 2**bits for n in reverse]
    return (np.array(list(dict.fromkeys(spread)), np.int64) + shift) % parts


def _words_at(start: int, wait: int) -> tuple[int, int, int]:
    """Pictures of a window by which words are told: its last one, its first one, and one between."""
    return start + wait, start, halfway_frame(start + wait, start)


def _add_words(finder: WordFinder, greys: dict[int, NDArray[np.float32]], numbers: Sequence[int], *, window: int) -> None:
    """Look for words over the first of three pictures, which stand still in the other two."""
    if all(number in greys for number in numbers):
        looked_at, beside, between = (greys[number] for number in numbers)
        finder.add(looked_at, [beside], frame=numbers[0], shot=window, between=[lambda: between])


def _together(prints: Sequence[Prints]) -> Prints:
    """Fingerprints of single frames as those of a window."""
    return Prints(np.concatenate([one.numbers for one in prints]), np.concatenate([one.values for one in prints]))


def _shown_aspect(side: _SideState) -> float:
    return float(side.release.signal.sample_aspect.value) * (side.active.right - side.active.left) / (side.active.bottom - side.active.top)
