"""Parts of the scoring of pairs: what is gone on with, what is not believed, and folders that cannot be written."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pairdiff import _pair_parts
from pairdiff._pair_parts import FitKept, Looked, PairParts, Parts, go_on, pair_key
from pairdiff._settings import Settings
from pairdiff.score.title import FitState
from tests.test_keep import make_release


@dataclass(frozen=True, slots=True)
class Found:
    number: int
    values: NDArray[np.float32]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    return tmp_path / "kept" / "pairs"


def parts(key: str = "k", *, every_s: float = 0.0, fresh: bool = False) -> Parts[Found]:
    return Parts(key, Found, fresh=fresh, every_s=every_s)


class Work:
    """Makes ten records, and remembers from where on, and what was told."""

    def __init__(self) -> None:
        self.begun: list[int] = []
        self.told: list[int] = []

    def make(self, begun: int, last: Found | None) -> Iterator[Found]:
        assert (-1 if last is None else last.number) == begun - 1
        self.begun.append(begun)
        return (Found(n, np.full(3, n / 7, np.float32)) for n in range(begun, 10))

    def run(self, where: Parts[Found] | None, *, stop: int | None = None) -> list[int]:
        found = []
        for one in go_on(where, self.make, tell=self.told.append):
            assert np.array_equal(one.values, np.full(3, one.number / 7, np.float32))
            found.append(one.number)
            if len(found) == stop:
                break
        return found


def stopped(at: int, key: str = "k") -> None:
    assert Work().run(parts(key), stop=at) == list(range(at))


def test_work_that_was_stopped_is_gone_on_with_and_told_from_there() -> None:
    stopped(4)
    work = Work()
    assert work.run(parts()) == list(range(10))
    assert work.begun == [4]
    assert work.told == [4, 5, 6, 7, 8, 9, 10]  # the first one says where this run begins (`_time_left`)


def test_work_that_was_never_begun_is_told_from_its_first_step() -> None:
    work = Work()
    assert work.run(parts()) == list(range(10))
    assert (work.begun, work.told) == ([0], list(range(1, 11)))


def test_a_run_without_parts_does_all_of_it(folder: Path) -> None:
    work = Work()
    assert work.run(None) == list(range(10))
    assert work.begun == [0]
    assert not folder.exists()


def test_what_is_done_quickly_is_not_kept(folder: Path) -> None:
    Work().run(parts(every_s=20.0))
    assert list(folder.rglob("*.npz")) == []


def test_what_is_left_when_the_work_ends_is_kept_where_any_was(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = iter(range(1000))
    monkeypatch.setattr(_pair_parts.time, "monotonic", lambda: float(next(clock)))
    Work().run(parts(every_s=7.0))
    work = Work()
    assert work.run(parts(every_s=7.0)) == list(range(10))
    assert work.begun == [10]


def test_a_fresh_run_takes_nothing_and_leaves_nothing_of_what_there_was(folder: Path) -> None:
    stopped(4)
    work = Work()
    assert work.run(parts(fresh=True, every_s=20.0)) == list(range(10))
    assert work.begun == [0]
    assert list(folder.rglob("*.npz")) == []


def test_another_key_begins_anew_and_leaves_the_other_alone() -> None:
    stopped(4)
    work = Work()
    work.run(parts("other"))
    assert work.begun == [0]
    work = Work()
    work.run(parts())
    assert work.begun == [4]


def spoil(path: Path, how: str) -> None:
    data = path.read_bytes()
    if how == "cut":
        path.write_bytes(data[: len(data) // 2])
    elif how == "empty":
        path.write_bytes(b"")
    elif how == "flipped":
        path.write_bytes(bytes(byte ^ (0xFF if n % 97 == 50 else 0) for n, byte in enumerate(data)))
    elif how == "words":
        path.write_text("not an archive", encoding="utf-8")
    elif how == "missing":
        path.unlink()
    elif how == "the one before":
        path.write_bytes((path.parent / "000001.npz").read_bytes())
    elif how == "another comparison":
        stopped(4, "other")
        path.write_bytes((path.parent.parent / "other" / path.name).read_bytes())
    elif how == "pickled":
        np.savez(path, first=np.array(2), key=np.array("k"), tree=np.array([{"a": 1}], object))
    elif how == "no records":
        np.savez(path, first=np.array(2), key=np.array("k"), tree=np.frombuffer(b"[]", np.uint8))


SPOILT = ("cut", "empty", "flipped", "words", "missing", "the one before", "another comparison", "pickled", "no records")


@pytest.mark.parametrize("how", SPOILT)
def test_a_part_that_is_spoilt_or_of_something_else_ends_what_is_taken(how: str, folder: Path) -> None:
    stopped(6)
    spoil(folder / "k" / "000002.npz", how)
    work = Work()
    assert work.run(parts()) == list(range(10))
    assert work.begun == [2]
    again = Work()
    assert again.run(parts()) == list(range(10))
    assert again.begun == [10]


class Runs:
    """Something that makes a folder when it is read with pickling."""

    def __init__(self, made: Path) -> None:
        self._made = str(made)

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return os.mkdir, (self._made,)


def test_nothing_in_a_part_can_run(folder: Path, tmp_path: Path) -> None:
    made = tmp_path / "made"
    (folder / "k").mkdir(parents=True)
    np.savez(folder / "k" / "000000.npz", first=np.array(0), key=np.array("k"), tree=np.array([Runs(made)], object))
    work = Work()
    assert work.run(parts()) == list(range(10))
    assert work.begun == [0]
    assert not made.exists()


def test_parts_of_another_length_behind_a_spoilt_one_are_not_taken(folder: Path) -> None:
    stopped(6)
    spoil(folder / "k" / "000001.npz", "cut")
    where = parts()
    work = Work()
    found = list(where.load())
    where.store([Found(n, np.full(3, n / 7, np.float32)) for n in (1, 2, 3)])  # in the place of one record
    assert [one.number for one in found] == [0]
    assert work.run(parts()) == list(range(10))
    assert work.begun == [4]  # not from the third part, which holds the record of number 2


def test_a_folder_that_cannot_be_written_is_passed_over(folder: Path) -> None:
    folder.parent.mkdir(parents=True)
    folder.write_text("a file where the folder should be", encoding="utf-8")
    assert Work().run(parts()) == list(range(10))


@pytest.mark.parametrize("most", [2000, 3])
def test_a_disk_that_is_full_for_a_while_leaves_no_gap(most: int, monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    monkeypatch.setattr(_pair_parts, "MOST_WAITING", most)
    usual, tries = _pair_parts.write_whole, []

    def full_for_a_while(path: Path, write: object) -> None:
        tries.append(path.name)
        if 3 <= len(tries) <= 5:
            raise OSError(28, "No space left on device")
        usual(path, write)  # type: ignore[arg-type]

    monkeypatch.setattr(_pair_parts, "write_whole", full_for_a_while)
    assert Work().run(parts()) == list(range(10))
    work = Work()
    assert work.run(parts()) == list(range(10))
    assert work.begun == [10 if most == 2000 else 2]  # after too many that wait none are kept


def test_what_nobody_went_on_with_for_a_month_is_removed(folder: Path) -> None:
    stopped(4, "old")
    stopped(4, "new")
    for name, days in (("old", 31), ("new", 29)):
        moment = (folder / name).stat().st_mtime - days * 24 * 3600
        os.utime(folder / name, (moment, moment))
    parts("third")
    assert sorted(path.name for path in folder.iterdir()) == ["new"]


def test_one_record_is_kept_in_the_place_of_the_last_and_all_is_removed_at_the_end(folder: Path) -> None:
    kept = PairParts(fresh=False, every_s=0.0)
    where = kept.of_fit("f")
    for shots in (1, 2, 3):
        where.store_whole(FitKept(fit_state(shots), shots))
    assert [path.name for path in folder.rglob("*.npz")] == ["000000.npz"]
    (back,) = PairParts(fresh=False, every_s=0.0).of_fit("f").load()
    assert back.state.shots.tolist() == [0, 1, 2]
    kept.remove()
    assert list(folder.rglob("*")) == []


def fit_state(shots: int) -> FitState:
    none = np.zeros(0)
    counts = np.zeros((3, 4), np.int64)
    return FitState("{}", none, np.zeros((0, 3)), np.zeros(shots, np.int64), np.arange(shots), none, counts, counts[0], ())


def key(kind: type = Looked, *given: object, **other: object) -> str:
    return pair_key(kind, (make_release(**other), make_release(side="sdr")), Settings(), *given, hlg_peak_nits=1000.0)


@pytest.mark.parametrize(
    "other",
    [
        {"file_id": "sha256-sampled:12:ac"},
        {"stream_index": 1},
        {"transfer": "hlg"},
        {"chroma_siting": "left"},
        {"frame_rate": Fraction(25)},
        {"field_order": "top"},
        {"one_field": True},
        {"in_order": True},
        {"start_s": Fraction(1, 24)},
        {"opened": "kept/another.png"},
        {"parts": (make_release(), make_release(file_id="b"))},
    ],
    ids=lambda other: next(iter(other)),
)
def test_another_release_or_reading_has_another_key(other: dict[str, object]) -> None:
    assert key() != key(**other)


def test_the_key_knows_what_is_given_the_form_and_the_version_and_not_the_place(monkeypatch: pytest.MonkeyPatch) -> None:
    first = key()
    assert first == key(path="elsewhere/b.mkv", notes=("b.mkv: said of it",))
    assert first != key(FitKept)
    assert first != key(Looked, None)
    assert key(Looked, np.zeros(3)) != key(Looked, np.zeros(3, np.float32))
    two = make_release(), make_release(side="sdr")
    assert pair_key(Looked, two, hlg_peak_nits=1000.0) != pair_key(Looked, two[::-1], hlg_peak_nits=1000.0)
    assert pair_key(Looked, two, hlg_peak_nits=1000.0) != pair_key(Looked, two, hlg_peak_nits=600.0)
    moved = (make_release(parts=(make_release(path="x"), replace(make_release(), path="y"))), two[1])
    there = (make_release(parts=(make_release(path="u"), replace(make_release(), path="v"))), two[1])
    assert pair_key(Looked, moved, hlg_peak_nits=1000.0) == pair_key(Looked, there, hlg_peak_nits=1000.0)
    monkeypatch.setattr(_pair_parts, "SCORE_VERSION", _pair_parts.SCORE_VERSION + 1)
    assert first != key()
