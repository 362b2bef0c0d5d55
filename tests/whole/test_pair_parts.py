"""A comparison that was stopped while its pairs were scored is gone on with, and writes what one that was not stopped writes."""

from __future__ import annotations

import contextlib
import json
import math
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

import pairdiff
from pairdiff import _pair_parts, _pipeline
from pairdiff._errors import OutputRefused
from pairdiff._pair_parts import Looked
from pairdiff._settings import Settings
from pairdiff.frames.decode import Frame
from pairdiff.score.subtitles import WordLevel
from tests._clips import spoil_packets
from tests.small_clips import SmallPair, make_pair_with_a_mark, make_pair_with_other_heads, make_small_pair
from tests.test_kept_records import same
from tests.whole.test_parts import made as clip_of

FIT, SCORE = "fit the SDR set", "score the pairs"
FEW = Settings(max_pairs=12)
"""Four pairs of each of three shots."""
OFTEN = """
import os
if os.environ.get("PAIRDIFF_BEAT_FILE"):
    from pairdiff import _pipeline
    _pipeline.PART_S = 0.05
"""
KILLS = 6


class Stopped(Exception):
    """In place of a kill."""


@pytest.fixture(autouse=True)
def _kept_at_once(monkeypatch: pytest.MonkeyPatch, one_thread: None) -> None:
    monkeypatch.setattr(_pipeline, "PART_S", 0.0)


class Films:
    """A pair of releases with what is kept of each, so that a test begins with the fit."""

    def __init__(self, pair: SmallPair, kept: Path) -> None:
        self.pair, self.kept = pair, kept

    def to(self, folder: Path) -> SmallPair:
        shutil.copytree(self.kept, folder / "kept")
        return self.pair


def damaged_pair(folder: Path) -> SmallPair:
    pair = make_small_pair(folder)
    return pair._replace(sdr=spoil_packets(pair.sdr, folder / "hurt.mkv", range(28, 31)))


MADE = {"plain": make_small_pair, "heads": make_pair_with_other_heads, "mark": make_pair_with_a_mark, "damaged": damaged_pair}


@pytest.fixture(scope="module")
def scanned(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Films]:
    made: dict[str, Films] = {}

    def scan(name: str) -> Films:
        if name not in made:
            folder = tmp_path_factory.mktemp(name)
            pair = MADE[name](folder)
            with pytest.MonkeyPatch.context() as patch:
                patch.setenv("PAIRDIFF_KEEP_DIR", str(folder / "kept"))
                pairdiff.align(*pair)
            made[name] = Films(pair, folder / "kept")
        return made[name]

    return scan


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    return tmp_path / "kept" / "pairs"


def files(kept: Path) -> list[Path]:
    return sorted(kept.rglob("*.npz"))


class Run:
    """One comparison, stopped at a step of a stage or not at all, with the steps that were told."""

    def __init__(self, pair: SmallPair, out: Path, *, stop: tuple[str, int] | None = None, **how: Any) -> None:
        self.told: dict[str, list[int]] = {FIT: [], SCORE: []}
        self.out = out

        def watch(stage: str, done: int, total: int | None) -> None:
            self.told.get(stage, []).append(done)
            if stop is not None and stage == stop[0] and done >= stop[1]:
                raise Stopped

        how = {"settings": FEW, "title": "Harbour Lights", **how}
        if stop is None:
            pairdiff.compare(*pair, out=out, progress=watch, **how)
        else:
            with pytest.raises(Stopped):
                pairdiff.compare(*pair, out=out, progress=watch, **how)

    @property
    def result(self) -> str:
        """`result.json`, as text, without what it says of the run."""
        found = json.loads((self.out / "result.json").read_text(encoding="utf-8"))
        found.pop("run")
        return json.dumps(found)


@pytest.mark.slow
@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("name", MADE)
def test_a_stopped_comparison_is_gone_on_with_and_writes_the_same(
    name: str, full: bool, scanned: Callable[[str], Films], tmp_path: Path, kept: Path
) -> None:
    pair = scanned(name).to(tmp_path)
    stops = [(FIT, 30), (SCORE, 17), (SCORE, 41)] if full else [(FIT, 5), (SCORE, 8)]
    for stop in stops:
        Run(pair, tmp_path / "out", stop=stop, full=full)
        assert files(kept)
    last = Run(pair, tmp_path / "out", full=full)
    assert last.told[SCORE][0] == stops[-1][1]
    assert last.told[FIT] == last.told[FIT][-1:]  # all of it was kept
    assert files(kept) == []
    once = Run(pair, tmp_path / "once", full=full, fresh=True)
    assert once.told[SCORE][0] == once.told[FIT][0] == 1
    assert last.result == once.result
    assert (last.out / "frames.parquet").read_bytes() == (once.out / "frames.parquet").read_bytes()


@pytest.mark.slow
def test_results_that_could_not_be_written_cost_no_second_scoring(
    scanned: Callable[[str], Films], tmp_path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pair = scanned("plain").to(tmp_path)

    def full(*given: object, **options: object) -> None:
        raise OutputRefused("No space left on device.")

    with monkeypatch.context() as patch:
        patch.setattr("pairdiff.writeup.document.write_comparison", full)
        with pytest.raises(OutputRefused):
            Run(pair, tmp_path / "out")
    last = Run(pair, tmp_path / "out")
    assert last.told[SCORE] == [12]
    assert files(kept) == []


# ---------------------------------------------------------------- the scoring alone


@dataclass(frozen=True)
class Title:
    """What the scoring of a title is given."""

    matching: Any
    film: Any
    fits: Any
    collector: Any
    words: Any

    def score(self, *, stop: int | None = None, fresh: bool = False, settings: Settings = FEW) -> tuple[list[int], list[Looked]]:
        """Steps that are told, and what was found of every pair."""
        told: list[int] = []
        found: list[Looked] = []

        def watch(stage: str, done: int, total: int | None) -> None:
            assert (stage, total) == (SCORE, len(set(self.film.picks.hdr_frames) | set(self.film.every.hdr_frames)))
            told.append(done)
            if stop is not None and done >= stop:
                raise Stopped

        def see(parts: Any, make: Any, *, tell: Callable[[int], None]) -> Iterator[Looked]:
            for one in _pair_parts.go_on(parts, make, tell=tell):
                found.append(one)
                yield one

        parts = _pair_parts.PairParts(fresh=fresh, every_s=0.0)
        with pytest.MonkeyPatch.context() as patch, contextlib.suppress(Stopped):
            patch.setattr(_pipeline, "go_on", see)
            given = self.matching, self.film, self.fits, self.collector, self.words
            _pipeline._score(*given, settings=settings, tell=watch, parts=parts)
        return told, found

    def moved(self, **fields: Any) -> Title:
        return replace(self, **fields)


@pytest.fixture(scope="module")
def titles(scanned: Callable[[str], Films]) -> Callable[[str], Title]:
    made: dict[str, Title] = {}

    def make(name: str) -> Title:
        if name not in made:
            films = scanned(name)
            with pytest.MonkeyPatch.context() as patch:
                patch.setenv("PAIRDIFF_KEEP_DIR", str(films.kept))
                how: dict[str, Any] = {"settings": FEW, "tell": _pipeline._silent}
                matching = _pipeline._match(*films.pair, fresh=False, hash_whole=False, **how)
                film = _pipeline._look_at_film(matching, settings=FEW, full=False)
                fits, collector = _pipeline._fit(matching, film.picks, **how)
                made[name] = Title(matching, film, fits, collector, _pipeline._find_words(matching, film.picks, **how))
        return made[name]

    return make


@pytest.fixture
def title(titles: Callable[[str], Title], kept: Path) -> Title:
    return titles("plain")


def alike(first: Sequence[Looked], second: Sequence[Looked]) -> bool:
    return len(first) == len(second) and all(map(same, first, second))


@pytest.mark.parametrize("name", ["plain", pytest.param("mark", marks=pytest.mark.slow)])
@pytest.mark.parametrize("stops", [pytest.param((1,), marks=pytest.mark.slow), (2, 5, 6, 11), (12,)], ids=str)
def test_every_pair_comes_back_to_the_last_bit_and_in_order(
    name: str, stops: tuple[int, ...], titles: Callable[[str], Title], kept: Path
) -> None:
    title = titles(name)
    for stop in stops:
        title.score(stop=stop)
    told, found = title.score()
    assert told == list(range(stops[-1], 13))
    told, once = title.score(fresh=True)
    assert told == list(range(1, 13))
    assert alike(found, once)
    assert [one.frame for one in found] == sorted(title.film.picks.hdr_frames)
    if name == "mark":
        assert all(one.laid_over is not None and one.whole is not None and not same(one.whole, one.own) for one in found)


def test_reading_begins_at_the_last_pair_that_is_kept(title: Title, monkeypatch: pytest.MonkeyPatch) -> None:
    asked, usual = [], _pipeline._frames_at

    def watch(scanned: Any, numbers: Sequence[int]) -> Iterator[Frame]:
        asked.append(list(numbers))
        return usual(scanned, numbers)

    frames = list(title.film.picks.hdr_frames)
    title.score(stop=7)
    monkeypatch.setattr(_pipeline, "_frames_at", watch)
    title.score()
    assert asked == [frames[6:], title.matching.edit_map.path[frames[6:]].tolist()]  # the last one that is kept is looked at again
    asked.clear()
    title.score()
    assert asked == []  # all of it is kept now


@pytest.mark.slow
def test_a_damaged_release_is_read_from_its_start_all_the_same(
    titles: Callable[[str], Title], kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a decoder makes of damage depends on where it began."""
    title, asked, usual = titles("damaged"), [], _pipeline._frames_at

    def watch(scanned: Any, numbers: Sequence[int]) -> Iterator[Frame]:
        asked.append(list(numbers))
        return usual(scanned, numbers)

    assert title.matching.sdr.release.in_order
    title.score(stop=7)
    monkeypatch.setattr(_pipeline, "_frames_at", watch)
    told, found = title.score()
    assert told[0] == 7
    assert asked[0] == list(title.film.picks.hdr_frames)
    assert alike(found, title.score(fresh=True)[1])


@pytest.mark.parametrize(("form", "through"), [("hevc-open", False), ("h264-open", False), ("h264-refresh", True)])
def test_pictures_behind_those_that_are_kept_are_those_of_a_run_that_was_not_stopped(
    form: str, through: bool, tmp_path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A decoder that jumps into a stream that renews its pictures row by row shows, for some frames, what it has not got."""
    clip = clip_of(form, tmp_path)
    settings = Settings()
    release = _pipeline._probe(clip, side=None, settings=settings, hash_whole=False, fresh=False, tell=_pipeline._silent)
    scan = _pipeline._scan(release, settings=settings, fresh=False, tell=_pipeline._silent)
    count = len(scan.track.times_s)
    both: Any = SimpleNamespace(hdr=scan, sdr=scan, edit_map=SimpleNamespace(path=np.arange(count)))
    asked, usual = [], _pipeline._frames_at

    def watch(scanned: Any, numbers: Sequence[int]) -> Iterator[Frame]:
        asked.append(numbers[0])
        return usual(scanned, numbers)

    def look(hdr: Frame, sdr: Frame) -> tuple[int, bytes, int]:
        return hdr.index, b"".join(plane.tobytes() for plane in (*hdr.planes, *sdr.planes)), _pipeline._seen(hdr, sdr)

    whole = list(_pipeline._each_pair(look, both, range(count)))
    monkeypatch.setattr(_pipeline, "_frames_at", watch)
    for begun in (3, 59, 64, 71, count - 1):
        rest = list(_pipeline._each_pair(look, both, range(count), begun=begun, seen=whole[begun - 1][2]))
        assert rest == whole[begun:], begun
    assert (0 in asked) == through
    assert list(_pipeline._each_pair(look, both, range(count), begun=count, seen=whole[-1][2])) == []


CHANGED: dict[str, Any] = {
    "seed": 20261,
    "screen_pairs": 2,
    "headroom_slight_stops": math.nextafter(0.3, 1),
    "displays": "self-emissive",
    "gamut_margin_jnd": 4.5,
    "canvas_max_columns": 240,
}


@pytest.mark.parametrize("name", CHANGED)
def test_with_another_setting_nothing_is_taken_and_the_first_may_go_on(name: str, title: Title) -> None:
    title.score(stop=6)
    assert title.score(stop=2, settings=replace(FEW, **{name: CHANGED[name]}))[0] == [1, 2]
    assert title.score(stop=7)[0] == [6, 7]


class Moved:
    """A collector that says one thing otherwise."""

    def __init__(self, collector: Any, **says: Any) -> None:
        self._collector = collector
        for name, value in says.items():
            setattr(self, name, lambda value=value: value)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._collector, name)


class Marked:
    """A mark that stands still."""

    def __init__(self, rows: int = 8) -> None:
        self._rows = rows

    def masks(self, **given: object) -> dict[tuple[int, int], Any]:
        mask = np.zeros((180, 320), bool)
        mask[4 : self._rows, 4:8] = True
        return {mask.shape: mask}


def with_white(title: Title, white_nits: float) -> Any:
    setups = [replace(one, white_nits=white_nits) if one.name == "controls" else one for one in title.fits.setups]
    return replace(title.fits, setups=tuple(setups))


def with_draw(title: Title) -> Any:
    draws = title.fits.draws.copy()
    draws[-1, 1] = math.nextafter(draws[-1, 1], 9)
    return replace(title.fits, draws=draws)


def with_places(title: Title, **change: Any) -> Any:
    alignment = title.matching.alignment
    return replace(title.matching, alignment=replace(alignment, geometry=tuple(replace(one, **change) for one in alignment.geometry)))


def with_map(title: Title, **change: Any) -> Any:
    return replace(title.matching, edit_map=replace(title.matching.edit_map, **change))


def with_release(title: Title, **change: Any) -> Any:
    return replace(title.matching, sdr=replace(title.matching.sdr, release=replace(title.matching.sdr.release, **change)))


def with_picks(title: Title) -> Any:
    picks = replace(title.film.picks, shots=tuple(shot + 1 for shot in title.film.picks.shots))
    return replace(title.film, picks=picks, every=picks)


def with_brighter_frames(title: Title) -> Any:
    track = title.matching.hdr.track
    levels = tuple(replace(one, p9999_nits=one.p9999_nits + 5000) for one in track.levels)
    return replace(title.matching, hdr=replace(title.matching.hdr, track=replace(track, levels=levels)))


MOVED: dict[str, Callable[[Title], Title]] = {
    "fit": lambda title: title.moved(fits=with_white(title, math.nextafter(title.fits.named("controls").white_nits, 1e9))),
    "draws": lambda title: title.moved(fits=with_draw(title)),
    "noise": lambda title: title.moved(collector=Moved(title.collector, noise_jnd=math.nextafter(title.collector.noise_jnd(), 9))),
    "darkest": lambda title: title.moved(collector=Moved(title.collector, darkest_code=0.125)),
    "top": lambda title: title.moved(collector=Moved(title.collector, top_codes=(0.99, None, None))),
    "mark": lambda title: title.moved(collector=_with_marks(title.collector)),
    "words": lambda title: with_words(title, 9000.0),
    "displays": lambda title: title.moved(matching=with_brighter_frames(title)),
    "places": lambda title: title.moved(
        matching=with_places(title, pixels_per_degree=math.nextafter(title.matching.alignment.geometry[0].pixels_per_degree, 99))
    ),
    "path": lambda title: title.moved(matching=with_map(title, path=np.maximum(title.matching.edit_map.path - 1, 0))),
    "similarity": lambda title: title.moved(
        matching=with_map(title, similarity=np.nextafter(title.matching.edit_map.similarity, np.float32(9)))
    ),
    "release": lambda title: title.moved(matching=with_release(title, file_id="another")),
    "shots": lambda title: title.moved(film=with_picks(title)),
}


def _with_marks(collector: Any, rows: int = 8) -> Any:
    moved = Moved(collector)
    moved.marks = Marked(rows)
    return moved


def with_words(title: Title, nits: float) -> Title:
    return title.moved(words=_pipeline._Words(WordLevel(nits, 3, True, False), None))


@pytest.mark.parametrize("what", ["mark", "words"])
def test_another_mark_or_other_words_than_those_there_were_take_nothing(what: str, title: Title) -> None:
    if what == "mark":
        first, other = (title.moved(collector=_with_marks(title.collector, rows)) for rows in (8, 9))
    else:
        first, other = (with_words(title, nits) for nits in (9000.0, math.nextafter(9000.0, 0)))
    first.score(stop=6)
    assert other.score(stop=2)[0] == [1, 2]
    assert first.score(stop=7)[0] == [6, 7]


@pytest.mark.parametrize("name", [one if number < 2 else pytest.param(one, marks=pytest.mark.slow) for number, one in enumerate(MOVED)])
def test_where_anything_else_that_a_pair_depends_on_has_changed_nothing_is_taken(name: str, title: Title) -> None:
    title.score(stop=6)
    assert MOVED[name](title).score(stop=2)[0] == [1, 2]
    assert title.score(stop=7)[0] == [6, 7]


def test_another_version_of_the_scoring_or_of_a_library_takes_nothing(title: Title, monkeypatch: pytest.MonkeyPatch) -> None:
    title.score(stop=6)
    usual = _pipeline.list_versions
    with monkeypatch.context() as patch:
        patch.setattr(_pipeline, "list_versions", lambda: {**usual(), "numpy": "0.1"})
        assert title.score(stop=2)[0] == [1, 2]
    with monkeypatch.context() as patch:
        patch.setattr(_pair_parts, "SCORE_VERSION", _pair_parts.SCORE_VERSION + 1)
        assert title.score(stop=2)[0] == [1, 2]
    assert title.score(stop=7)[0] == [6, 7]


@pytest.mark.parametrize("how", ["cut", *(pytest.param(one, marks=pytest.mark.slow) for one in ("missing", "of another comparison"))])
def test_a_part_in_the_middle_that_is_spoilt_is_made_again(how: str, title: Title, kept: Path) -> None:
    title.score(stop=9)
    middle = files(kept)[4]
    if how == "cut":
        middle.write_bytes(middle.read_bytes()[:300])
    elif how == "missing":
        middle.unlink()
    else:
        title.score(stop=9, settings=replace(FEW, seed=1))
        (other,) = {path.parent for path in files(kept)} - {middle.parent}
        middle.write_bytes((other / middle.name).read_bytes())
    told, found = title.score()
    assert told == list(range(4, 13))
    assert alike(found, title.score(fresh=True)[1])


def test_a_folder_that_cannot_be_written_changes_nothing(title: Title, kept: Path) -> None:
    kept.parent.mkdir()
    kept.write_text("a file where the folder should be", encoding="utf-8")
    first = title.score()
    kept.unlink()
    assert first[0] == list(range(1, 13))
    assert alike(first[1], title.score(fresh=True)[1])


@pytest.mark.parametrize(
    "change",
    [{"seed": 1}, *(pytest.param(one, marks=pytest.mark.slow) for one in ({"fit_pixels_per_pair": 1400}, {"canvas_max_columns": 240}))],
    ids=str,
)
def test_the_fit_goes_on_to_the_last_bit_and_with_another_setting_begins_anew(change: dict[str, Any], title: Title, kept: Path) -> None:
    told: list[int] = []

    def fit(settings: Settings = FEW, *, stop: int = 99, fresh: bool = False) -> Any:
        told.clear()

        def watch(stage: str, done: int, total: int | None) -> None:
            told.append(done)
            if done >= stop:
                raise Stopped

        parts = _pair_parts.PairParts(fresh=fresh, every_s=0.0)
        with contextlib.suppress(Stopped):
            return _pipeline._fit(title.matching, title.film.picks, settings=settings, tell=watch, parts=parts)

    fit(stop=5)
    fit(replace(FEW, **change), stop=2)
    assert told == [1, 2]
    fits, collector = fit()
    assert told == list(range(5, 13))
    whole, once = fit(fresh=True)
    assert told == list(range(1, 13))
    assert same(collector.state(), once.state())
    assert collector.state().places.sum() > 12
    assert np.array_equal(fits.draws, whole.draws)
    fit()
    assert told == [12]
    for one in files(kept):
        one.write_bytes(one.read_bytes()[:-300])
    fit(stop=2)
    assert told == [1, 2]


# ---------------------------------------------------------------- kills


def begin(pair: SmallPair, folder: Path) -> subprocess.Popen[str]:
    folder.mkdir(exist_ok=True)
    (folder / "sitecustomize.py").write_text(OFTEN, encoding="utf-8")
    root = Path(__file__).resolve().parents[2]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join([str(folder), str(root)]), "PAIRDIFF_KEEP_DIR": str(folder / "kept")}
    command = [sys.executable, "-m", "pairdiff", "compare", *map(str, pair), "--full", "--out", str(folder / "out"), "--title", "Title"]
    pipe = subprocess.PIPE
    return subprocess.Popen(command, env=env, stdin=subprocess.DEVNULL, stdout=pipe, stderr=pipe, text=True)


def finish(process: subprocess.Popen[str]) -> None:
    _, said = process.communicate(timeout=600)
    assert process.returncode == 0, said


def text_of(folder: Path) -> str:
    found = json.loads((folder / "out" / "result.json").read_text(encoding="utf-8"))
    found.pop("run")
    return json.dumps(found)


def parts_of_pairs(folder: Path) -> int:
    """Parts of the scoring that lie there; the fit has but one."""
    return len([path for path in (folder / "kept" / "pairs").rglob("*.npz") if path.name != "000000.npz"])


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kills are POSIX")
def test_a_comparison_killed_at_random_moments_of_its_scoring_ends_as_one_that_was_not(
    scanned: Callable[[str], Films], tmp_path: Path
) -> None:
    pair = scanned("plain").pair
    whole, often = tmp_path / "whole", tmp_path / "often"
    finish(begin(pair, whole))
    chance, seen, ended = random.Random(11), [0], 0
    for _ in range(KILLS):
        process, wanted = begin(pair, often), seen[-1] + chance.randint(1, 8)
        while process.poll() is None and parts_of_pairs(often) < wanted:
            time.sleep(0.01)
        time.sleep(chance.uniform(0, 0.3))
        process.send_signal(signal.SIGKILL)
        process.communicate()
        ended += (often / "out" / "result.json").exists()
        seen.append(parts_of_pairs(often))
        if ended:
            break
        assert seen[-1] >= wanted  # more than before: it went on, and did not begin anew
    assert len(seen) > 3
    finish(begin(pair, often))
    assert text_of(often) == text_of(whole)
    assert not any((often / "kept" / "pairs").rglob("*.npz"))
    print(f"parts of the scoring after each kill: {seen[1:]}")
