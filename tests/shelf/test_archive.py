"""The archive on disk: schemas, migration, many writers, killed writers, an index that can always be made again."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import duckdb
import pyarrow.parquet as pq
import pytest

import pairdiff
from pairdiff._errors import InputRefused, OutputRefused
from pairdiff.shelf import archive as archives
from pairdiff.shelf.archive import FRAMES, INDEX, LOCK, PARTS, RESULT, ROW, SHOTS, WORDS_FILE, Archive, make_archive
from tests.shelf._titles import Titles

ROOT = Path(__file__).resolve().parents[2]
KEEP_ALL = """
import sys
from pathlib import Path
import pairdiff
for folder in sorted(Path(sys.argv[1]).iterdir())[int(sys.argv[3]) :: int(sys.argv[4])]:
    print(pairdiff.keep(folder, archive=sys.argv[2], notes=folder.name).run, flush=True)
"""


def start_keeping(results: Path, archive: Path, *, first: int = 0, every: int = 1) -> subprocess.Popen[str]:
    """A process that keeps every so manieth result and prints its number when that is done."""
    command = [sys.executable, "-c", KEEP_ALL, str(results), str(archive), str(first), str(every)]
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env)


def titles_of(archive: Path) -> list[str]:
    return [row["title"] for row in pairdiff.open_shelf(archive).list_runs().rows]


def check_whole(archive: Path) -> set[str]:
    """Every run that is listed can be read to the last byte, and every folder is listed; their numbers."""
    shelf = pairdiff.open_shelf(archive)
    listing = shelf.list_runs()
    assert listing.spoilt == ()
    assert {row["run"] for row in listing.rows} == set(Archive(archive).list_runs())
    for row in listing.rows:
        place = Archive(archive).runs / row["run"]
        assert shelf.result(row["run"])["headroom"]["stops"] == row["headroom_stops"]
        assert pq.read_table(place / FRAMES).num_rows > 0
        assert pq.read_table(place / SHOTS).num_rows > 0
    return {row["run"] for row in listing.rows}


# ---------------------------------------------------------------- schemas


def test_an_archive_of_a_newer_schema_is_refused_by_readers_and_writers(archive: Path, folders: list[Path]) -> None:
    (archive / "schema-7").mkdir()
    for call in (lambda: pairdiff.open_shelf(archive), lambda: pairdiff.keep(folders[0], archive=archive)):
        with pytest.raises(
            InputRefused, match=r"is of schema 7, and this version of pairdiff knows schemas up to 1\. Bring pairdiff up to date"
        ):
            call()


def test_a_shelf_that_was_opened_before_others_rewrote_it_is_refused_too(archive: Path) -> None:
    shelf = pairdiff.open_shelf(archive)
    (archive / "schema-2").mkdir()
    with pytest.raises(InputRefused, match="is of schema 2"):
        shelf.list_runs()


def test_no_archive_at_a_stated_place_is_refused_and_at_the_own_place_is_an_empty_shelf(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(InputRefused, match=r"holds no archive\. Check the path given with --archive"):
        pairdiff.open_shelf(tmp_path / "nowhere")
    monkeypatch.setattr(archives, "default_folder", lambda: tmp_path / "own")
    assert pairdiff.open_shelf().list_runs().rows == []
    assert not (tmp_path / "own").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="the XDG Base Directory Specification 0.8 is of Linux")
def test_the_own_place_is_the_users_data_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert archives.default_folder() == tmp_path / "pairdiff" / "archive"


def make_schema_0(archive: Path) -> None:
    """An archive as one might have been before shots had their notice probability and runs an edition and a year."""
    place = Archive(archive)
    for run in place.list_runs():
        folder = place.runs / run
        pq.write_table(pq.read_table(folder / SHOTS).drop_columns(["notice_probability"]), folder / SHOTS)
        words, row = json.loads((folder / WORDS_FILE).read_text()), json.loads((folder / ROW).read_text())
        words["name"] = words.pop("title")
        for gone in ("edition", "year"):
            del words[gone]
        del row["notice_1_share"]
        (folder / WORDS_FILE).write_text(json.dumps(words))
        (folder / ROW).write_text(json.dumps(row))
    place.runs.rename(archive / "schema-0")


def from_0(old: Path, new: Path) -> None:
    """Its rewriting: what is missing is worked out again from the frames and the result that were kept whole."""
    from pairdiff.shelf.columns import make_row
    from pairdiff.shelf.kept_run import _make_shots

    result = json.loads(__import__("gzip").decompress((old / RESULT).read_bytes()))
    for name in (RESULT, FRAMES):
        shutil.copyfile(old / name, new / name)
    pq.write_table(_make_shots(new / FRAMES, result), new / SHOTS)
    words = json.loads((old / WORDS_FILE).read_text())
    words["title"] = words.pop("name")
    archives.write_object(new / WORDS_FILE, {**words, "edition": None, "year": None})
    archives.write_object(new / ROW, make_row(result))


def tree_of(folder: Path) -> dict[str, bytes]:
    return {one.relative_to(folder).as_posix(): one.read_bytes() for one in folder.rglob("*") if one.is_file()}


def test_an_archive_of_an_older_schema_is_rewritten_and_what_it_was_stays_beside_it(
    archive: Path, kept: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    make_schema_0(archive)
    before = tree_of(archive / "schema-0")
    monkeypatch.setitem(archives.REWRITES, 0, from_0)
    shelf = pairdiff.open_shelf(archive)
    assert f"was of schema 0 and was rewritten as schema 1. {archive / 'schema-0'} is the backup" in shelf.notes[0]
    assert tree_of(archive / "schema-0") == before
    assert titles_of(archive) == titles_of(kept)
    mine, theirs = (pairdiff.open_shelf(one).shots().sort_by([("run", "ascending"), ("shot", "ascending")]) for one in (archive, kept))
    assert mine.equals(theirs)
    assert {row["notice_1_share"] for row in shelf.list_runs().rows} == {
        row["notice_1_share"] for row in pairdiff.open_shelf(kept).list_runs().rows
    }
    assert pairdiff.open_shelf(archive).notes == ()
    assert len(check_whole(archive)) == 20


def test_a_damaged_run_does_not_stop_the_rewriting_and_is_named(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_schema_0(archive)
    spoilt = sorted(one.name for one in (archive / "schema-0").iterdir())[3]
    (archive / "schema-0" / spoilt / RESULT).write_bytes(b"\x1f\x8bno gzip")
    monkeypatch.setitem(archives.REWRITES, 0, from_0)
    shelf = pairdiff.open_shelf(archive)
    assert shelf.notes[1] == f"1 damaged run(s) are in the backup alone: {spoilt}."
    assert len(shelf.list_runs().rows) == 19


def test_a_rewriting_that_is_broken_off_leaves_the_old_archive_and_is_begun_anew(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_schema_0(archive)
    before, done = tree_of(archive / "schema-0"), []

    def break_off(error: BaseException) -> Callable[[Path, Path], None]:
        def rewrite(old: Path, new: Path) -> None:
            from_0(old, new)
            done.append(old)
            if len(done) % 5 == 0:
                raise error

        return rewrite

    monkeypatch.setitem(archives.REWRITES, 0, break_off(KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        pairdiff.open_shelf(archive)
    monkeypatch.setitem(archives.REWRITES, 0, break_off(OSError(28, "No space left on device")))
    with pytest.raises(OutputRefused, match="cannot be written: No space left on device"):
        pairdiff.open_shelf(archive)
    assert not Archive(archive).runs.exists()
    assert tree_of(archive / "schema-0") == before
    monkeypatch.setitem(archives.REWRITES, 0, from_0)
    assert len(pairdiff.open_shelf(archive).list_runs().rows) == 20
    assert not list(archive.glob(".schema-*"))


def test_two_that_open_an_older_archive_at_once_rewrite_it_once(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_schema_0(archive)
    monkeypatch.setitem(archives.REWRITES, 0, from_0)
    with ThreadPoolExecutor(4) as pool:
        shelves = list(pool.map(pairdiff.open_shelf, [archive] * 4))
        found = list(pool.map(lambda shelf: len(shelf.list_runs().rows), shelves))
    assert found == [20] * 4
    assert sum(bool(shelf.notes) for shelf in shelves) == 1
    assert sorted(one.name for one in archive.glob("*schema-*")) == ["schema-0", "schema-1"]


def test_schemas_are_rewritten_step_by_step(archive: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_schema_0(archive)
    monkeypatch.setitem(archives.REWRITES, 0, from_0)
    monkeypatch.setitem(archives.REWRITES, 1, lambda old, new: shutil.copytree(old, new, dirs_exist_ok=True))
    monkeypatch.setattr(archives, "ARCHIVE_SCHEMA", 2)
    assert len(pairdiff.open_shelf(archive).list_runs().rows) == 20
    assert sorted(one.name for one in archive.glob("*schema-*")) == ["schema-0", "schema-2"]


def test_a_schema_that_nothing_can_read_any_more_is_told(archive: Path) -> None:
    make_schema_0(archive)
    with pytest.raises(InputRefused, match="is of schema 0, and this version of pairdiff cannot read schema 0 any more"):
        pairdiff.open_shelf(archive)


# ---------------------------------------------------------------- many writers


def keep_at_once(titles: Titles, tmp_path: Path, *, writers: int, runs: int) -> None:
    titles.write_many(tmp_path / "results", writers * runs)
    begun = [start_keeping(tmp_path / "results", tmp_path / "archive", first=place, every=writers) for place in range(writers)]
    said = [one.communicate(timeout=900) for one in begun]
    assert [one.returncode for one in begun] == [0] * writers, said
    done = {run for out, _ in said for run in out.split()}
    assert len(done) == writers * runs
    assert check_whole(tmp_path / "archive") == done
    notes = {row["notes"] for row in pairdiff.open_shelf(tmp_path / "archive").list_runs().rows}
    assert notes == {f"film-{number:04d}" for number in range(writers * runs)}
    asked = duckdb.connect(str(tmp_path / "archive" / INDEX), read_only=True).execute("SELECT count(*) FROM runs").fetchall()
    assert asked == [(writers * runs,)]


def test_four_writers_at_once_lose_nothing(titles: Titles, tmp_path: Path) -> None:
    keep_at_once(titles, tmp_path, writers=4, runs=4)


@pytest.mark.slow
def test_four_writers_of_fifty_runs_each_lose_nothing(titles: Titles, tmp_path: Path) -> None:
    keep_at_once(titles, tmp_path, writers=4, runs=50)


def test_one_run_that_two_keep_at_once_is_kept_once(titles: Titles, tmp_path: Path) -> None:
    titles.write_many(tmp_path / "results", 6)
    begun = [start_keeping(tmp_path / "results", tmp_path / "archive") for _ in range(2)]
    said = [one.communicate(timeout=300) for one in begun]
    assert [one.returncode for one in begun] == [0, 0], said
    assert said[0][0] == said[1][0]
    assert len(check_whole(tmp_path / "archive")) == 6


def test_who_waits_too_long_for_another_writer_is_told(archive: Path, folders: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(archives, "WAIT_S", 0.2)
    holder = (
        "import fcntl, sys, time\nfile = open(sys.argv[1])\nfcntl.flock(file, fcntl.LOCK_EX)\nprint('held', flush=True)\ntime.sleep(600)"
    )
    with subprocess.Popen([sys.executable, "-c", holder, str(archive / LOCK)], stdout=subprocess.PIPE, text=True) as other:
        try:
            assert other.stdout is not None
            assert other.stdout.readline() == "held\n"
            with pytest.raises(OutputRefused, match=r"has been written by another process for 0 s. End that process, or try again"):
                pairdiff.keep(folders[0], archive=archive)
            assert len(titles_of(archive)) == 20  # readers look at the folders themselves
        finally:
            other.kill()
    assert pairdiff.keep(folders[0], archive=archive).state == "as it was"  # the lock went with its holder


# ---------------------------------------------------------------- killed writers


def kill_at_random(titles: Titles, tmp_path: Path, *, kills: int, seed: int) -> None:
    """Kill a writer at random moments; what it said it kept is there, everything that is there is whole, and it can go on."""
    titles.write_many(tmp_path / "results", 12)
    chance = random.Random(seed)
    archive = tmp_path / "archive"
    make_archive(archive)
    caught = 0
    for number in range(kills):
        if number % 4 == 0:  # from the start again, so that runs are made and not only found
            shutil.rmtree(archive)
            make_archive(archive)
        writer = start_keeping(tmp_path / "results", archive)
        assert writer.stdout is not None
        done = [writer.stdout.readline().strip()]
        time.sleep(chance.uniform(0, 0.8))
        writer.send_signal(signal.SIGKILL)
        done += writer.communicate(timeout=60)[0].split()
        caught += writer.returncode == -signal.SIGKILL
        assert set(done) - {""} <= check_whole(archive)
    assert caught > kills / 2
    last = start_keeping(tmp_path / "results", archive)
    assert len(last.communicate(timeout=300)[0].split()) == 12
    assert len(check_whole(archive)) == 12


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_a_writer_that_is_killed_leaves_the_archive_whole(titles: Titles, tmp_path: Path) -> None:
    kill_at_random(titles, tmp_path, kills=4, seed=3)


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="no such signal here")
def test_a_writer_that_is_killed_forty_times_leaves_the_archive_whole(titles: Titles, tmp_path: Path) -> None:
    kill_at_random(titles, tmp_path, kills=40, seed=11)


END_AT_EACH_STEP = """
import os, sys
import duckdb, pyarrow.parquet, jsonschema
import pairdiff
from pairdiff.shelf import archive, kept_run, index

def work(step):
    left = [step]
    def watch(event, args):
        writes = event == "open" and isinstance(args[2], int) and args[2] & (os.O_WRONLY | os.O_RDWR)
        if writes or event in ("os.mkdir", "os.rename", "os.remove", "os.rmdir"):
            left[0] -= 1
            if left[0] < 0:
                os._exit(9)
    first, second, place = sys.argv[1], sys.argv[2], f"{sys.argv[3]}-{step}"
    pairdiff.keep(first, archive=place, notes="first")
    sys.addaudithook(watch)
    pairdiff.keep(second, archive=place, notes="second")
    pairdiff.keep(first, archive=place, notes="changed")
    os._exit(0)

for step in range(200):
    child = os.fork()
    if child == 0:
        work(step)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    print(code, flush=True)
    if code != 9:
        break
"""


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork here")
def test_a_writer_that_ends_before_any_of_its_steps_leaves_the_archive_whole(folders: list[Path], tmp_path: Path) -> None:
    """Ended in turn before every call of Python's that changes the disk (PEP 578), with nothing cleared away, as `kill -9` ends it."""
    command = [sys.executable, "-W", "ignore", "-c", END_AT_EACH_STEP, *map(str, (folders[0], folders[1], tmp_path / "archive"))]
    ended = subprocess.run(command, env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, timeout=600)
    codes = [int(one) for one in ended.stdout.split()]
    assert codes == [9] * (len(codes) - 1) + [0], ended.stderr
    assert len(codes) > 12
    found = []
    for step in range(len(codes)):
        runs = check_whole(tmp_path / f"archive-{step}")
        notes = {row["notes"] for row in pairdiff.open_shelf(tmp_path / f"archive-{step}").list_runs().rows}
        assert notes in ({"first"}, {"first", "second"}, {"changed", "second"})
        found.append(len(runs))
    assert found == sorted(found)
    assert set(found) == {1, 2}


def test_what_killed_writers_left_goes_after_a_while_and_never_at_once(archive: Path, folders: list[Path]) -> None:
    place = Archive(archive)
    old, young = place.make_part(), place.make_part()
    (old / FRAMES).write_bytes(b"half")
    os.utime(old, (time.time() - 2 * archives.LEFT_S,) * 2)
    pairdiff.keep(folders[0], archive=archive)
    assert not old.exists()
    assert young.exists()
    assert len(check_whole(archive)) == 20


# ---------------------------------------------------------------- the index


def break_nothing(archive: Path) -> None:
    """An index that is right."""


def remove_index(archive: Path) -> None:
    (archive / INDEX).unlink()


def fill_with_noise(archive: Path) -> None:
    (archive / INDEX).write_bytes(random.Random(1).randbytes(100_000))


def cut_short(archive: Path) -> None:
    data = (archive / INDEX).read_bytes()
    (archive / INDEX).write_bytes(data[: len(data) // 2])


def spoil_blocks(archive: Path) -> None:
    data = bytearray((archive / INDEX).read_bytes())
    for place in range(3 * 4096, len(data), 997):
        data[place] ^= 0x55
    (archive / INDEX).write_bytes(bytes(data))


def leave_other_columns(archive: Path) -> None:
    with duckdb.connect(str(archive / INDEX)) as index:
        index.execute("ALTER TABLE runs DROP COLUMN label")
        index.execute("UPDATE about SET shape = 'as it was once'")


def lose_rows(archive: Path) -> None:
    with duckdb.connect(str(archive / INDEX)) as index:
        index.execute("DELETE FROM runs WHERE year < 2010")
        index.execute("INSERT INTO runs SELECT * REPLACE ('f' || run[2:] AS run) FROM runs LIMIT 2")


def put_a_folder_in_its_place(archive: Path) -> None:
    (archive / INDEX).unlink()
    (archive / INDEX).mkdir()


def forbid_the_lock(archive: Path) -> None:
    """As on a disc that can only be read: the lock cannot be opened for writing."""
    (archive / LOCK).unlink()
    (archive / LOCK).mkdir()


@pytest.mark.parametrize(
    "break_it",
    [
        break_nothing,
        remove_index,
        fill_with_noise,
        cut_short,
        spoil_blocks,
        leave_other_columns,
        lose_rows,
        put_a_folder_in_its_place,
        forbid_the_lock,
    ],
)
def test_whatever_became_of_the_index_the_answers_are_the_same(archive: Path, kept: Path, break_it: Callable[[Path], None]) -> None:
    break_it(archive)
    for options in ({}, {"sort": "headroom"}, {"where": ["year>=2005", "label=wider-range"], "sort": "notice"}):
        mine, theirs = (pairdiff.open_shelf(one).list_runs(**options) for one in (archive, kept))
        assert mine == theirs
        assert mine.rows


def test_a_byte_of_the_index_that_went_wrong_changes_no_answer(archive: Path) -> None:
    """On an index of several blocks, of which some hold columns that nothing but an answer reads."""
    place, chance = Archive(archive), random.Random(5)
    model = place.runs / place.list_runs()[0]
    words = json.loads((model / WORDS_FILE).read_text())
    for number in range(150):
        new = place.runs / f"{number:032x}"
        shutil.copytree(model, new, copy_function=os.link)
        archives.write_object(new / WORDS_FILE, words | {"notes": "".join(chance.choices("abcdefghijklmnop", k=6000))})
    expected = pairdiff.open_shelf(archive).list_runs(sort="headroom")
    good = (archive / INDEX).read_bytes()
    assert len(expected.rows) == 170
    assert len(good) > 4 * 262144  # bytes of a block of DuckDB
    for at in range(3 * 4096 + 1000, len(good), 131072):
        (archive / INDEX).write_bytes(good[:at] + bytes([good[at] ^ 0x20]) + good[at + 1 :])
        assert pairdiff.open_shelf(archive).list_runs(sort="headroom") == expected


def test_an_index_that_another_program_holds_open_stops_nobody(archive: Path, titles: Titles, tmp_path: Path) -> None:
    holder = "import duckdb, sys, time\ncon = duckdb.connect(sys.argv[1])\nprint('held', flush=True)\ntime.sleep(600)"
    with subprocess.Popen([sys.executable, "-c", holder, str(archive / INDEX)], stdout=subprocess.PIPE, text=True) as other:
        try:
            assert other.stdout is not None
            assert other.stdout.readline() == "held\n"
            pairdiff.keep(titles.write(tmp_path / "new", 99), archive=archive)
            assert len(titles_of(archive)) == 21
        finally:
            other.kill()
    assert len(titles_of(archive)) == 21


def test_a_run_whose_folder_is_taken_away_is_gone_and_a_damaged_one_is_named(archive: Path) -> None:
    place = Archive(archive)
    first, second, third, fourth = place.list_runs()[:4]
    shutil.rmtree(place.runs / first)
    (place.runs / second / WORDS_FILE).write_text("[]")
    (place.runs / third / ROW).write_text("{}")
    (place.runs / third / WORDS_FILE).touch()
    words = json.loads((place.runs / fourth / WORDS_FILE).read_text())
    (place.runs / fourth / WORDS_FILE).write_text(json.dumps(words | {"year": "'; DROP TABLE runs"}))
    (archive / INDEX).unlink()
    listing = pairdiff.open_shelf(archive).list_runs()
    assert len(listing.rows) == 16
    assert len(listing.spoilt) == 3
    for run, words_said in ((second, "words.json holds no object"), (third, "label is missing"), (fourth, "is no whole")):
        assert any(run in one and words_said in one for one in listing.spoilt)


def test_folders_that_are_no_runs_and_links_are_passed_over(archive: Path, tmp_path: Path) -> None:
    place = Archive(archive)
    shutil.copytree(place.runs / place.list_runs()[0], tmp_path / "elsewhere")
    os.symlink(tmp_path / "elsewhere", place.runs / ("0" * 32))
    (place.runs / "notes").mkdir()
    (place.runs / ("a" * 32)).write_text("a file")
    assert len(check_whole(archive)) == 20


def test_every_part_of_a_run_is_there(archive: Path) -> None:
    place = Archive(archive)
    assert all(set(PARTS) <= {one.name for one in (place.runs / run).iterdir()} for run in place.list_runs())


def test_an_index_can_open_no_other_file(archive: Path, tmp_path: Path) -> None:
    from pairdiff.shelf.index import open_index

    (tmp_path / "secret.csv").write_text("a\n1\n")
    with open_index(Archive(archive)) as index:
        for query in (
            f"SELECT * FROM read_csv('{tmp_path / 'secret.csv'}')",
            f"ATTACH '{tmp_path / 'other.duckdb'}'",
            "SET enable_external_access=true",
        ):
            with pytest.raises(duckdb.Error):
                index.connection.execute(query)


def test_results_of_a_shelf_are_of_the_kind_the_schema_says(kept: Path) -> None:
    shelf: Any = pairdiff.open_shelf(kept)
    types = {field.name: str(field.type) for field in shelf.runs().schema}
    assert types["headroom_stops"] == "double"
    assert types["year"] == "int64"
    assert types["uses_peak_ratio"] == "bool"
    assert types["title"] == "string"
