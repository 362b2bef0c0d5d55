"""The archive on disk: one folder a run, written whole or not at all, and an index that can always be made again.

    ARCHIVE/
        schema-1/RUN/       a kept run; RUN is a hash of what was measured
            result.json.gz  result.json, whole
            frames.parquet  as `compare` wrote it, byte for byte
            shots.parquet   a row a shot
            run.json        the columns of the run that the result gives (`columns.py`)
            words.json      title, edition, region, year, notes; when it was kept, where the result folder lay, which run it redoes
            measured.npz    what was measured, where the result folder held it: from it a run is concluded again without the films
            report/         report.html, card.svg and stills, where they were asked for
        index.duckdb        the runs in one table: made from the folders, and made again when it is missing, older or damaged
        archive.lock        held by whoever writes

A run is made in a hidden folder and moved into place in one step, so that no reader meets half of one and a killed writer leaves nothing
but that hidden folder, which a later one removes. `words.json` is replaced in one step too. So the folders are the truth, and writers need
the lock only for the index, for words, and for rewriting an archive of an older schema.

The lock is one of the system's own (`fcntl.flock`), which is let go when its holder ends, however it ends. Where the system has none
(Windows), nothing keeps two writers apart: runs are still whole, of two that change one run's words at once the later one wins, and the
index is made again where two wrote it. On network drives the lock holds as far as the drive supports it.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import os
import re
import secrets
import shutil
import time
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pairdiff._errors import InputRefused, OutputRefused
from pairdiff.shelf.columns import MEASURED, WORDS

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

ARCHIVE_SCHEMA = 1
"""Raise it whenever the layout or a column changes, and add to `REWRITES` how a run of the schema before becomes one of this."""
REWRITES: dict[int, Callable[[Path, Path], None]] = {}
"""Schema -> writes a run of the next one: takes the run's folder and the new one, which is there and empty. Schema 1 is the first. What a
run may have beside its parts (`measured.npz`, `report/`) is to be taken along."""
INDEX, LOCK = "index.duckdb", "archive.lock"
RESULT, FRAMES, SHOTS, ROW, WORDS_FILE, REPORT = "result.json.gz", "frames.parquet", "shots.parquet", "run.json", "words.json", "report"
PARTS = (RESULT, FRAMES, SHOTS, ROW, WORDS_FILE)
"""Files that every kept run has."""
RUN_LETTERS = 32
WAIT_S = 60.0
"""Longest that a writer waits for another, seconds (own: one run takes a fraction of a second)."""
LOOK_EVERY_S = 0.01
LEFT_S = 3600.0
"""Age at which what a killed writer left is removed, seconds (own)."""
DAMAGE = (
    ValueError,
    KeyError,
    TypeError,
    AttributeError,
    EOFError,
    RecursionError,
    FileNotFoundError,
    NotADirectoryError,
    gzip.BadGzipFile,
    zlib.error,
)
"""What reading a damaged run ends in."""
_RUN = re.compile(rf"[0-9a-f]{{{RUN_LETTERS}}}")
_SCHEMA = re.compile(r"schema-(\d{1,9})")


def default_folder() -> Path:
    """Where the archive lies unless another place is named: the platform's folder for a user's data."""
    import platformdirs

    return Path(platformdirs.user_data_dir("pairdiff", appauthor=False)) / "archive"


@dataclass(frozen=True, slots=True)
class Archive:
    """An archive of this version's schema."""

    folder: Path
    notes: tuple[str, ...] = ()
    """What was done to it when it was opened, in words."""

    @property
    def runs(self) -> Path:
        """Folder of the runs."""
        return self.folder / f"schema-{ARCHIVE_SCHEMA}"

    def list_runs(self) -> list[str]:
        """Every kept run. Links and folders of other names are none."""
        try:
            with os.scandir(self.runs) as found:
                return sorted(one.name for one in found if _RUN.fullmatch(one.name) and one.is_dir(follow_symlinks=False))
        except FileNotFoundError:
            return []

    def stamp_of(self, run: str) -> str:
        """Changes whenever the run's words do; empty where the run is gone."""
        try:
            state = os.stat(self.runs / run / WORDS_FILE)
        except OSError:
            return ""
        return f"{state.st_mtime_ns}-{state.st_ino}-{state.st_size}"

    def read_run(self, run: str) -> dict[str, Any]:
        """Every column of a run.

        Raises
        ------
        ValueError, OSError
            The run is damaged.
        """
        row, words = (_read_object(self.runs / run / name) for name in (ROW, WORDS_FILE))
        missing = [one.name for one in MEASURED if one.name not in row] + [one.name for one in WORDS if one.name not in words]
        if missing:
            raise ValueError(f"{missing[0]} is missing")
        return {**row, **words, "run": run, "report": (self.runs / run / REPORT).is_dir()}

    @contextlib.contextmanager
    def locked(self) -> Iterator[None]:
        """Keep other writers out.

        Raises
        ------
        OutputRefused
            The archive cannot be written, or another writer does not come to an end.
        """
        with refuse_archive(self.folder):
            handle = os.open(self.folder / LOCK, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o666)
        try:
            self._wait_for(handle)
            newest = _schema_of(self.folder)
            if newest is not None and newest > ARCHIVE_SCHEMA:  # rewritten since it was opened
                _at_schema(self.folder, newest)
            yield
        finally:
            os.close(handle)  # lets the lock go

    def _wait_for(self, handle: int) -> None:
        if fcntl is None:
            return
        end_s = time.monotonic() + WAIT_S
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return
            except BlockingIOError:
                if time.monotonic() > end_s:
                    raise OutputRefused(
                        f"The archive {self.folder} has been written by another process for {WAIT_S:.0f} s. End that process, or try again."
                    ) from None
                time.sleep(LOOK_EVERY_S)
            except OSError:  # a drive that knows no locks
                return

    def make_part(self) -> Path:
        """An empty hidden folder beside the runs, for one that is to be moved into place."""
        part = new_name(self.runs, ".part-")
        part.mkdir()
        return part

    def remove_left(self) -> None:
        """Remove what killed writers left long ago."""
        with contextlib.suppress(OSError):
            for one in self.runs.glob(".part-*"):
                if time.time() - one.stat().st_mtime > LEFT_S:
                    shutil.rmtree(one, ignore_errors=True)


# ---------------------------------------------------------------- opening


def find_archive(path: str | os.PathLike[str] | None) -> Archive | None:
    """An archive that is there; one of an older schema is rewritten first, and what it was is left beside it.

    Parameters
    ----------
    path : path or None
        The archive's folder; the platform's place where None.

    Returns
    -------
    Archive or None
        None where there is none yet at the platform's place.

    Raises
    ------
    InputRefused
        It is of a newer schema, or there is none at the stated place.
    OutputRefused
        It is of an older schema and cannot be rewritten.
    """
    folder = default_folder() if path is None else Path(path)
    found = _schema_of(folder)
    if found is None and path is not None:
        raise InputRefused(f"{folder} holds no archive. Check the path given with --archive; `pairdiff keep DIR --archive PATH` makes one.")
    return None if found is None else _at_schema(folder, found)


def make_archive(path: str | os.PathLike[str] | None) -> Archive:
    """The same, made where there is none.

    Parameters
    ----------
    path : path or None
        As for `find_archive`.

    Returns
    -------
    Archive
        Of this version's schema.

    Raises
    ------
    InputRefused
        It is of a newer schema.
    OutputRefused
        It cannot be made or rewritten, or something else lies in its place.
    """
    folder = default_folder() if path is None else Path(path)
    with refuse_archive(folder):
        folder.mkdir(parents=True, exist_ok=True)
        found = _schema_of(folder)
        if found is not None:
            return _at_schema(folder, found)
        foreign = sorted(one.name for one in folder.iterdir() if one.name not in (LOCK, INDEX) and not _SCHEMA.fullmatch(one.name))
        if foreign:
            raise OutputRefused(
                f"{folder} holds something that is no archive ({foreign[0]}). Name an empty or a new folder with --archive."
            )
        (folder / f"schema-{ARCHIVE_SCHEMA}").mkdir(exist_ok=True)
    return Archive(folder)


def _at_schema(folder: Path, found: int) -> Archive:
    if found > ARCHIVE_SCHEMA:
        raise InputRefused(
            f"The archive {folder} is of schema {found}, and this version of pairdiff knows schemas up to {ARCHIVE_SCHEMA}. "
            "Bring pairdiff up to date, or name another archive with --archive."
        )
    return Archive(folder) if found == ARCHIVE_SCHEMA else _rewrite(Archive(folder), found)


def _schema_of(folder: Path) -> int | None:
    """The newest schema that lies there; None where there is no archive."""
    try:
        names = [_SCHEMA.fullmatch(one.name) for one in folder.iterdir() if one.is_dir()]
    except FileNotFoundError:
        return None
    except OSError as error:
        raise InputRefused(f"The archive {folder} cannot be read ({error.strerror}). Name another place with --archive.") from None
    return max((int(one[1]) for one in names if one), default=None)


def _rewrite(archive: Archive, old: int) -> Archive:
    """Make an archive of this schema beside the old one, which stays as it is; its name is given in one step, when all of it is there."""
    folder = archive.folder
    missing = [step for step in range(old, ARCHIVE_SCHEMA) if step not in REWRITES]
    if missing:
        raise InputRefused(
            f"The archive {folder} is of schema {old}, and this version of pairdiff cannot read schema {missing[0]} any more. "
            "Open it once with an earlier version, or keep its runs again from their result folders."
        )
    with archive.locked(), refuse_archive(folder):
        if archive.runs.is_dir():  # another process was sooner
            return archive
        for left in folder.glob(".schema-*"):
            shutil.rmtree(left, ignore_errors=True)
        source, spoilt = folder / f"schema-{old}", []
        for step in range(old, ARCHIVE_SCHEMA):
            target = new_name(folder, f".schema-{step + 1}-")
            target.mkdir()
            spoilt += _rewrite_runs(source, target, REWRITES[step])
            source = target
        os.replace(source, archive.runs)
        sync(folder)
        for left in folder.glob(".schema-*"):
            shutil.rmtree(left, ignore_errors=True)
    kept = folder / f"schema-{old}"
    note = f"The archive {folder} was of schema {old} and was rewritten as schema {ARCHIVE_SCHEMA}. {kept} is the backup: all that it held."
    left_out = f"{len(spoilt)} damaged run(s) are in the backup alone: {', '.join(spoilt)}."
    return Archive(folder, (note, left_out) if spoilt else (note,))


def _rewrite_runs(source: Path, target: Path, rewrite: Callable[[Path, Path], None]) -> list[str]:
    """Rewrite every run; the names of those that are damaged, which are left out."""
    spoilt = []
    for run in sorted(one for one in source.iterdir() if _RUN.fullmatch(one.name) and one.is_dir() and not one.is_symlink()):
        new = target / run.name
        new.mkdir()
        try:
            rewrite(run, new)
        except DAMAGE:
            shutil.rmtree(new)
            spoilt.append(run.name)
            continue
        sync_all(new)
    sync(target)
    return spoilt


# ---------------------------------------------------------------- files


def write_object(path: Path, held: Mapping[str, Any], *, readable: bool = False) -> None:
    """Write a small JSON file in one step; `readable` for people, in lines and with their letters as they are."""
    part = new_name(path.parent, ".part-")
    try:
        with part.open("x", encoding="utf-8") as file:
            json.dump(held, file, indent=2 if readable else None, ensure_ascii=not readable, allow_nan=False)
            file.write("\n" if readable else "")
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


def new_name(folder: Path, prefix: str) -> Path:
    """A name in a folder that nothing has."""
    return folder / f"{prefix}{os.getpid()}-{secrets.token_hex(6)}"


def _read_object(path: Path) -> dict[str, Any]:
    found = json.loads(path.read_text(encoding="utf-8"))
    if not isinstance(found, dict):
        raise ValueError(f"{path.name} holds no object")
    return found


def sync_all(folder: Path) -> None:
    """`sync` a folder and all that it holds."""
    for one in (*folder.rglob("*"), folder):
        sync(one)


def sync(path: Path) -> None:
    """Have the system write a file or a folder to the disk, so that a name never stands for less than its content after a power cut."""
    if path.is_dir() and os.name != "posix":  # folders cannot be opened elsewhere
        return
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def refuse_archive(folder: Path) -> Iterator[None]:
    """Turn what the system says about the archive's place into `OutputRefused`."""
    try:
        yield
    except OSError as refused:
        reason = refused.strerror or str(refused)
        raise OutputRefused(f"The archive {folder} cannot be written: {reason}. Name another place with --archive.") from refused
