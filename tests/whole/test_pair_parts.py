"""A comparison that was stopped while its pairs were scored is gone on with, and writes what one that was not stopped writes."""

from __future__ import annotations

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
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import pairdiff
from pairdiff import _pair_parts, _pipeline
from pairdiff._errors import OutputRefused
from pairdiff._kept_records import records_from_arrays, records_to_arrays
from pairdiff._pair_parts import Looked
from pairdiff._settings import Settings
from pairdiff.frames.decode import Frame
from pairdiff.score.subtitles import WordLevel
from tests._clips import spoil_packets
from tests.small_clips import SmallPair, make_pair_with_a_mark, make_pair_with_other_heads, make_small_pair
from tests.test_kept_records import same

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


def scanned(make: Callable[[Path], SmallPair], folder: Path) -> Films:
    pair = make(folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PAIRDIFF_KEEP_DIR", str(folder / "kept"))
        pairdiff.align(*pair)
    return Films(pair, folder / "kept")


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Films:
    return scanned(make_small_pair, tmp_path_factory.mktemp("plain"))


def damaged_pair(folder: Path) -> SmallPair:
    pair = make_small_pair(folder)
    return pair._replace(hdr=spoil_packets(pair.hdr, folder / "hurt.mkv", range(28, 31)))


@pytest.fixture(scope="module", params=["plain", "heads", "mark", "damaged"])
def films(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Films:
    made = {"plain": make_small_pair, "heads": make_pair_with_other_heads, "mark": make_pair_with_a_mark, "damaged": damaged_pair}
    return scanned(made[request.param], tmp_path_factory.mktemp(request.param))


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    return tmp_path / "kept" / "pairs"


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
    def begun(self) -> int:
        """Pairs that were scored before; a run that goes on tells first from where."""
        first = self.told[SCORE]
        return first[0] if first[1:2] == [first[0] + 1] and first[0] > 1 else first[0] - 1 if len(first) > 1 else first[0]

    @property
    def result(self) -> str:
        """`result.json`, as text, without what it says of the run."""
        found = json.loads((self.out / "result.json").read_text(encoding="utf-8"))
        found.pop("run")
        return json.dumps(found)


def files(kept: Path) -> list[Path]:
    return sorted(kept.rglob("*.npz"))


@pytest.mark.parametrize("full", [False, True], ids=["sample", "full"])
def test_a_stopped_comparison_is_gone_on_with_and_writes_the_same(films: Films, full: bool, tmp_path: Path, kept: Path) -> None:
    pair = films.to(tmp_path)
    stops = [(FIT, 5), (SCORE, 3), (SCORE, 8)] if not full else [(FIT, 30), (SCORE, 41)]
    for stop in stops:
        Run(pair, tmp_path / "out", stop=stop, full=full)
        assert files(kept)
    last = Run(pair, tmp_path / "out", full=full)
    assert last.told[SCORE][0] == stops[-1][1]
    assert last.told[FIT] == [last.told[SCORE][-1]] or len(last.told[FIT]) == 1
    assert files(kept) == []
    once = Run(pair, tmp_path / "once", full=full, fresh=True)
    assert once.told[SCORE][0] == once.told[FIT][0] == 1
    assert last.result == once.result
    assert (last.out / "frames.parquet").read_bytes() == (once.out / "frames.parquet").read_bytes()


def test_reading_begins_at_the_first_pair_that_is_not_kept(
    plain: Films, tmp_path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pair, asked = plain.to(tmp_path), []
    usual = _pipeline._frames_at

    def watch(scanned: Any, numbers: Sequence[int]) -> Iterator[Frame]:
        asked.append(list(numbers))
        return usual(scanned, numbers)

    Run(pair, tmp_path / "out", stop=(SCORE, 30), full=True)
    monkeypatch.setattr(_pipeline, "_frames_at", watch)
    last = Run(pair, tmp_path / "out", full=True)
    pairs = last.told[SCORE][-1]
    assert [len(one) for one in asked].count(pairs - 30) == 2  # of both releases
    assert pairs not in [len(one) for one in asked]  # neither fit nor scoring reads the film again
    assert all(one[0] >= 30 for one in asked if len(one) == pairs - 30)


def test_a_fresh_comparison_takes_nothing_that_is_kept(plain: Films, tmp_path: Path, kept: Path) -> None:
    pair = plain.to(tmp_path)
    Run(pair, tmp_path / "out", stop=(SCORE, 6))
    fresh = Run(pair, tmp_path / "out", stop=(SCORE, 2), fresh=True)
    assert fresh.told[FIT][0] == fresh.told[SCORE][0] == 1


CHANGED = {
    "seed": {"seed": 20261},
    "screen_pairs": {"screen_pairs": 2},
    "headroom_slight_stops": {"headroom_slight_stops": math.nextafter(0.3, 1)},
    "displays": {"displays": "self-emissive"},
    "gamut_margin_jnd": {"gamut_margin_jnd": 4.5},
    "max_pairs": {"max_pairs": 9},
    "canvas_max_columns": {"canvas_max_columns": 240},
    "white_high_nits": {"white_high_nits": 299.0},
}


@pytest.mark.parametrize("name", CHANGED)
def test_with_another_setting_nothing_is_taken_and_the_first_may_go_on(name: str, plain: Films, tmp_path: Path, kept: Path) -> None:
    pair = plain.to(tmp_path)
    Run(pair, tmp_path / "out", stop=(SCORE, 6))
    other = Run(pair, tmp_path / "out", stop=(SCORE, 2), settings=replace(FEW, **CHANGED[name]))  # type: ignore[arg-type]
    assert other.told[FIT][0] == other.told[SCORE][0] == 1
    first = Run(pair, tmp_path / "out", stop=(SCORE, 7))
    assert first.told[SCORE][0] == 6


def moved_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = _pipeline.fit_setups

    def fit(*given: Any) -> Any:
        fits = usual(*given)
        setups = [replace(one, white_nits=math.nextafter(one.white_nits, 1e9)) if one.name == "controls" else one for one in fits.setups]
        return replace(fits, setups=tuple(setups))

    monkeypatch.setattr(_pipeline, "fit_setups", fit)


def moved_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = _pipeline.fit_setups

    def fit(*given: Any) -> Any:
        fits = usual(*given)
        draws = fits.draws.copy()
        draws[-1, 1] = math.nextafter(draws[-1, 1], 9)
        return replace(fits, draws=draws)

    monkeypatch.setattr(_pipeline, "fit_setups", fit)


def moved(name: str, change: Callable[[Any], Any]) -> Callable[[pytest.MonkeyPatch], None]:
    def patch(monkeypatch: pytest.MonkeyPatch) -> None:
        usual = getattr(_pipeline.FitCollector, name)
        monkeypatch.setattr(_pipeline.FitCollector, name, lambda collector: change(usual(collector)))

    return patch


def words_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_pipeline, "_find_words", lambda *given, **how: _pipeline._Words(WordLevel(9000.0, 3, True, False), None))


def mark_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    mask = np.zeros((180, 320), bool)
    mask[4:8, 4:8] = True
    monkeypatch.setattr("pairdiff.score.standing.StandingMarks.masks", lambda marks, **how: {mask.shape: mask})


def brighter_film(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = _pipeline._film_peak_nits
    monkeypatch.setattr(_pipeline, "_film_peak_nits", lambda *given: usual(*given) + 1000.0)


def moved_places(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = _pipeline._match_releases

    def match(*given: Any, **how: Any) -> Any:
        found = usual(*given, **how)
        places = [replace(one, pixels_per_degree=math.nextafter(one.pixels_per_degree, 99)) for one in found.alignment.geometry]
        return replace(found, alignment=replace(found.alignment, geometry=tuple(places)))

    monkeypatch.setattr(_pipeline, "_match_releases", match)


def moved_similarity(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = _pipeline._match_releases

    def match(*given: Any, **how: Any) -> Any:
        found = usual(*given, **how)
        return replace(found, edit_map=replace(found.edit_map, similarity=found.edit_map.similarity * np.float32(0.999)))

    monkeypatch.setattr(_pipeline, "_match_releases", match)


def later_version(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_pair_parts, "SCORE_VERSION", _pair_parts.SCORE_VERSION + 1)


def other_library(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = _pipeline._versions
    monkeypatch.setattr(_pipeline, "_versions", lambda: {**usual(), "numpy": "0.1"})


MOVED: dict[str, Callable[[pytest.MonkeyPatch], None]] = {
    "fit": moved_fit,
    "draws": moved_draws,
    "noise": moved("noise_jnd", lambda noise: math.nextafter(noise, 9)),
    "darkest": moved("darkest_code", lambda darkest: 0.125),
    "top": moved("top_codes", lambda top: (0.99, None, None)),
    "words": words_seen,
    "mark": mark_seen,
    "displays": brighter_film,
    "places": moved_places,
    "similarity": moved_similarity,
    "version": later_version,
    "library": other_library,
}


@pytest.mark.parametrize("name", MOVED)
def test_where_anything_else_that_a_pair_depends_on_has_changed_nothing_is_taken(
    name: str, plain: Films, tmp_path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pair = plain.to(tmp_path)
    Run(pair, tmp_path / "out", stop=(SCORE, 6))
    with monkeypatch.context() as patch:
        MOVED[name](patch)
        other = Run(pair, tmp_path / "out", stop=(SCORE, 2))
        assert other.told[SCORE][0] == 1
    assert Run(pair, tmp_path / "out", stop=(SCORE, 7)).told[SCORE][0] == 6


@pytest.mark.parametrize("how", ["cut", "missing", "of another comparison"])
def test_a_part_in_the_middle_that_is_spoilt_is_made_again(how: str, plain: Films, tmp_path: Path, kept: Path) -> None:
    pair = plain.to(tmp_path)
    Run(pair, tmp_path / "out", stop=(SCORE, 9))
    (folder,) = {path.parent for path in files(kept) if path.name == "000001.npz"}
    middle = folder / "000004.npz"
    if how == "cut":
        middle.write_bytes(middle.read_bytes()[:300])
    elif how == "missing":
        middle.unlink()
    else:
        Run(pair, tmp_path / "other", stop=(SCORE, 9), settings=replace(FEW, seed=1))
        (other,) = {path.parent for path in files(kept) if path.name == "000001.npz"} - {folder}
        middle.write_bytes((other / middle.name).read_bytes())
    last = Run(pair, tmp_path / "out")
    assert last.told[SCORE][0] == 4
    assert last.result == Run(pair, tmp_path / "once", fresh=True).result


def test_a_spoilt_part_of_the_fit_is_made_again(plain: Films, tmp_path: Path, kept: Path) -> None:
    pair = plain.to(tmp_path)
    Run(pair, tmp_path / "out", stop=(FIT, 9))
    (only,) = files(kept)
    only.write_bytes(only.read_bytes()[:-300])
    last = Run(pair, tmp_path / "out")
    assert last.told[FIT][0] == 1
    assert last.result == Run(pair, tmp_path / "once", fresh=True).result


def test_results_that_could_not_be_written_cost_no_second_scoring(
    plain: Films, tmp_path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pair = plain.to(tmp_path)

    def full(*given: object) -> None:
        raise OutputRefused("No space left on device.")

    with monkeypatch.context() as patch:
        patch.setattr("pairdiff.writeup.document.write_comparison", full)
        with pytest.raises(OutputRefused):
            Run(pair, tmp_path / "out")
    last = Run(pair, tmp_path / "out")
    assert last.told[SCORE] == [12]
    assert files(kept) == []
    assert last.result == Run(pair, tmp_path / "once", fresh=True).result


def test_a_folder_that_cannot_be_written_changes_nothing(plain: Films, tmp_path: Path, kept: Path) -> None:
    pair = plain.to(tmp_path)
    kept.write_text("a file where the folder should be", encoding="utf-8")
    first = Run(pair, tmp_path / "out")
    kept.unlink()
    assert first.result == Run(pair, tmp_path / "once", fresh=True).result


def test_a_short_comparison_keeps_nothing(plain: Films, tmp_path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(_pipeline, "PART_S", 600.0)
    pair = plain.to(tmp_path)
    Run(pair, tmp_path / "out", stop=(SCORE, 11))
    assert files(kept) == []


def test_what_was_found_of_real_pairs_comes_back_to_the_last_bit(
    films: Films, tmp_path: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    found: list[Looked] = []

    def see(records: Sequence[Looked], kind: type[Looked]) -> Any:
        arrays = records_to_arrays(records, kind)
        if kind is Looked:
            found.extend(records)
            assert all(map(same, records, records_from_arrays(arrays, kind)))
        return arrays

    monkeypatch.setattr(_pair_parts, "records_to_arrays", see)
    Run(films.to(tmp_path), tmp_path / "out")
    assert len(found) >= 12
    if films.pair.hdr.name == "hdr-mark.mkv":
        assert all(one.laid_over is not None and one.whole is not None for one in found)


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
def test_a_comparison_killed_at_random_moments_of_its_scoring_ends_as_one_that_was_not(plain: Films, tmp_path: Path) -> None:
    whole, often = tmp_path / "whole", tmp_path / "often"
    finish(begin(plain.pair, whole))
    chance, seen, ended = random.Random(11), [0], 0
    for _ in range(KILLS):
        process, wanted = begin(plain.pair, often), seen[-1] + chance.randint(1, 8)
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
    finish(begin(plain.pair, often))
    assert text_of(often) == text_of(whole)
    assert not any((often / "kept" / "pairs").rglob("*.npz"))
    print(f"parts of the scoring after each kill: {seen[1:]}")
