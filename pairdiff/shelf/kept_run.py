"""Keeping a run: from a result folder into the archive, once, and its words as often as they are corrected."""

from __future__ import annotations

import contextlib
import gzip
import hashlib
import json
import math
import os
import re
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import numpy as np

from pairdiff._errors import InputRefused, OutputRefused, UsageError
from pairdiff.shelf.archive import (
    DAMAGE,
    FRAMES,
    REPORT,
    RESULT,
    ROW,
    RUN_LETTERS,
    SHOTS,
    WORDS_FILE,
    Archive,
    make_archive,
    new_name,
    refuse_archive,
    sync,
    sync_all,
    write_object,
)
from pairdiff.shelf.batch import OUTCOME, OUTCOME_SCHEMA, read_json
from pairdiff.shelf.columns import WORDS, make_row
from pairdiff.shelf.index import bring_up_to_date
from pairdiff.writeup.document import CARD, MEASURED, RESULT_SCHEMA, Document, validate_document
from pairdiff.writeup.short_form import SHOT_COLUMNS, SHOT_TABLE, shot_rows

FIRST_YEAR, LAST_YEAR = 1870, 2200
"""Years that a film may have (own: they catch slips of the pen)."""
RERUN, RERUN_SCHEMA = "rerun.json", "pairdiff-rerun/1"
"""What a re-run writes beside a result."""
REPORT_FILES = ("report.html", CARD)
STILL_ENDINGS = (".png", ".avif", ".json")
ADVICE = "Give the folder that `pairdiff compare --out` wrote, or compare the releases again."
LIST_TYPES = {"shot": "int64", "pairs": "int64"}
"""Types of the columns of `shots.parquet` that are not double."""


@dataclass(frozen=True, slots=True)
class KeptRun:
    """What became of a run that was to be kept."""

    run: str
    """Its number in the archive, a hash of what was measured."""
    title: str
    archive: Path
    state: Literal["kept", "changed", "as it was"]
    """`changed`: it was kept before, and its words, its place or its report are other ones now."""
    changed: tuple[str, ...]
    """What is other than before."""
    notes: tuple[str, ...]
    """What was done to the archive when it was opened."""


def keep(
    directory: str | os.PathLike[str],
    *,
    archive: str | os.PathLike[str] | None = None,
    title: str | None = None,
    edition: str | None = None,
    region: str | None = None,
    year: int | None = None,
    notes: str | None = None,
    with_report: bool = False,
    redoes: str | None = None,
) -> KeptRun:
    """Keep a run in the archive; one that is there already is kept once, and words that are stated take the place of earlier ones.

    The first time a run is kept, words that are not stated are those that a batch or a re-run wrote down beside it.

    Parameters
    ----------
    directory : path
        Folder that `compare` wrote.
    archive : path or None
        The archive's folder, made if need be; the platform's place for a user's data where None.
    title, edition, region, notes : str or None
        Words; None leaves them as they are (the title: as the result has it), an empty one takes them away.
    year : int or None
        Year of the film or of the release; 0 takes it away.
    with_report : bool
        Whether report, card and stills are copied too.
    redoes : str or None
        Number of the run that this one was made from, by a re-run.

    Returns
    -------
    KeptRun
        What became of it.

    Raises
    ------
    UsageError
        A year that cannot be.
    InputRefused
        The folder holds no result, or the archive is of a newer schema.
    OutputRefused
        The archive cannot be written.
    """
    folder = Path(directory)
    stated = _check_words({"title": title, "edition": edition, "region": region, "year": year, "notes": notes})
    result, text = read_result(folder)
    if with_report and not (folder / REPORT_FILES[0]).is_file():
        raise InputRefused(f"{folder} holds no report.html to copy. Draw it with `pairdiff report {folder}`, or leave out --with-report.")
    run, place = number_of(result), make_archive(archive)
    if not (place.runs / run).is_dir():
        stated = _words_beside(folder, run, result) | stated
    if redoes is not None and redoes != run:
        stated["redoes"] = redoes
    place.remove_left()
    with refuse_archive(place.folder):
        part = None if (place.runs / run).is_dir() else _fill(place, folder, result=result, text=text)
        try:
            with place.locked():
                kept = _put(place, run, part, folder=folder, result=result, stated=stated, with_report=with_report)
                bring_up_to_date(place)
        finally:
            if part is not None:
                shutil.rmtree(part, ignore_errors=True)
    return kept


def check_keeping(*, archive: str | os.PathLike[str] | None = None, year: int | None = None) -> None:
    """Refuse what `keep` would refuse of its options and of the archive, before there is a result; the archive is made if need be.

    Parameters
    ----------
    archive, year
        As for `keep`.

    Raises
    ------
    UsageError, InputRefused, OutputRefused
        As of `keep`.
    """
    _check_words({"year": year})
    place = make_archive(archive)
    with place.locked(), refuse_archive(place.folder):
        place.make_part().rmdir()


# ---------------------------------------------------------------- reading the result folder


def read_result(folder: Path) -> tuple[Document, bytes]:
    """The result of a folder, checked, and the same as it is written.

    Raises
    ------
    InputRefused
        There is none, it is damaged, or it is of another version.
    """
    path = folder / "result.json"
    try:
        text = path.read_bytes()
    except OSError as missing:
        raise InputRefused(f"{path} cannot be read ({missing.strerror}). {ADVICE}") from missing
    return check_result(text, path), text


def check_result(text: bytes, path: Path) -> Document:
    """A result as it was written, read and checked; `path` is where it lies, for messages.

    Raises
    ------
    InputRefused
        As for `read_result`.
    """
    try:
        result = json.loads(text, parse_constant=_refuse_constant, parse_float=_read_float)
    except (ValueError, RecursionError) as broken:
        raise InputRefused(f"{path} is damaged ({broken}). {ADVICE}") from broken
    if not isinstance(result, dict) or result.get("schema") != RESULT_SCHEMA:
        raise InputRefused(f"{path} is not a result of this version ({RESULT_SCHEMA} is needed). {ADVICE}")
    try:
        validate_document(result)
    except ValueError as wrong:
        raise InputRefused(f"{path}: {wrong}. {ADVICE}") from wrong
    return dict(result)


def _refuse_constant(word: str) -> None:
    raise ValueError(f"{word[:20]} is no number that a result may hold")


def _read_float(word: str) -> float:
    value = float(word)
    if not math.isfinite(value):
        _refuse_constant(word)
    return value


def number_of(result: Document) -> str:
    """Number of a run: a hash of what was measured, whatever it is called and wherever the files lay."""
    measured = {name: value for name, value in result.items() if name != "title"}
    measured |= {side: {name: value for name, value in result[side].items() if name != "path"} for side in ("hdr", "sdr")}
    text = json.dumps(measured, sort_keys=True, ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()[:RUN_LETTERS]


def _check_words(stated: Mapping[str, Any]) -> dict[str, Any]:
    """Words that were stated; an empty one is None."""
    year = stated.get("year")
    if year and not FIRST_YEAR <= year <= LAST_YEAR:
        raise UsageError(f"--year: found {year}, expected a year from {FIRST_YEAR} to {LAST_YEAR}.")
    given = {name: value for name, value in stated.items() if value is not None}
    return {name: (_clean(value) if isinstance(value, str) else value) or None for name, value in given.items()}


def _words_beside(folder: Path, run: str, result: Document) -> dict[str, Any]:
    """What a batch or a re-run wrote down beside its result; nothing of what is of another result, or is not what they write."""
    outcome, rerun = read_json(folder / OUTCOME), read_json(folder / RERUN)
    files = {side: result[side]["file_id"] for side in ("hdr", "sdr")}
    found: dict[str, Any] = {}
    if outcome.get("schema") == OUTCOME_SCHEMA and outcome.get("files") == files and isinstance(outcome.get("words"), dict):
        words, year = outcome["words"], outcome["words"].get("year")
        texts = {name: words[name] for name in ("edition", "region", "notes") if isinstance(words.get(name), str)}
        found = texts | ({"year": year} if type(year) is int and FIRST_YEAR <= year <= LAST_YEAR else {})
    source = rerun.get("source") if rerun.get("schema") == RERUN_SCHEMA and rerun.get("run") == run else None
    redone = source.get("run") if isinstance(source, dict) else None
    if isinstance(redone, str) and redone != run and re.fullmatch(f"[0-9a-f]{{{RUN_LETTERS}}}", redone):
        found["redoes"] = redone
    return {name: value for name, value in _check_words(found).items() if value is not None}


def _clean(text: str) -> str:
    """Text that every part of the archive can hold: bytes of a command line that are no text are written out."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8").strip()


def _make_shots(frames: Path, result: Document) -> Any:
    """The table of shots; without rows where the frames of an earlier version lack what it is made of."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    rows: list[Document] = []
    if set(SHOT_TABLE) <= set(pq.read_schema(frames).names):
        table = pq.read_table(frames, columns=list(SHOT_TABLE))
        columns = {name: table.column(name).to_numpy().astype(np.float64) for name in SHOT_TABLE}
        rows = shot_rows(columns, white_nits=result["setup"]["white_nits"], gamma=result["setup"]["gamma"])
    names = ("shot", "first_time_s", "last_time_s", "pairs", *(one[0] for one in SHOT_COLUMNS))
    schema = pa.schema([(name, LIST_TYPES.get(name, "float64")) for name in names])
    return pa.Table.from_pylist(rows, schema=schema)


# ---------------------------------------------------------------- writing the run


def _fill(place: Archive, folder: Path, *, result: Document, text: bytes) -> Path:
    """Everything of a new run but its words, in a hidden folder."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    part = place.make_part()
    try:
        try:
            shutil.copyfile(folder / "frames.parquet", part / FRAMES)
            shots = _make_shots(part / FRAMES, result)
        except (FileNotFoundError, IsADirectoryError, PermissionError, pa.ArrowException) as broken:
            raise InputRefused(f"{folder / 'frames.parquet'} cannot be read ({broken}). {ADVICE}") from broken
        pq.write_table(shots, part / SHOTS, compression="zstd")
        with contextlib.suppress(FileNotFoundError):  # results of before it was written lack it
            shutil.copyfile(folder / MEASURED, part / MEASURED)
        with gzip.GzipFile(part / RESULT, "wb", mtime=0) as file:
            file.write(text)
        write_object(part / ROW, make_row(result))
        if (folder / "result.json").read_bytes() != text:
            raise InputRefused(f"{folder} was written anew while it was being kept. Keep it again.")
        sync_all(part)
    except BaseException:
        shutil.rmtree(part, ignore_errors=True)
        raise
    return part


def _put(
    place: Archive, run: str, part: Path | None, *, folder: Path, result: Document, stated: Mapping[str, Any], with_report: bool
) -> KeptRun:
    """Move a new run into place, or bring one that is there up to date; the lock is held."""
    final, now = place.runs / run, datetime.now(UTC).isoformat(timespec="seconds")
    before = _read_words(place, run) if final.is_dir() else None
    first = {one.name: None for one in WORDS} | {"title": _clean(result["title"]) or None, "kept_utc": now}
    words: dict[str, Any] = {**(before or first), **stated, "folder": _clean(str(folder.resolve()))}
    words["title"] = words["title"] or first["title"]
    changed = [name for name, value in words.items() if before is not None and before.get(name) != value]
    if before is None or changed:
        words["changed_utc"] = now
    if part is not None and not final.is_dir():
        _copy_report(folder, part, with_report=with_report)
        write_object(part / WORDS_FILE, words)
        sync_all(part)
        os.replace(part, final)
        sync(place.runs)
    elif final.is_dir():
        if changed or before is None:
            write_object(final / WORDS_FILE, words)
        if with_report and not (final / REPORT).is_dir():
            _copy_report(folder, final, with_report=True)
            write_object(final / WORDS_FILE, words)  # the index looks at its stamp
            changed.append("report")
    else:
        raise OutputRefused(f"{final} was taken away while it was written. Keep the run again.")
    state: Literal["kept", "changed", "as it was"] = "kept" if before is None else "changed" if changed else "as it was"
    return KeptRun(run, words["title"] or "", place.folder, state, tuple(changed), place.notes)


def _read_words(place: Archive, run: str) -> dict[str, Any] | None:
    """Words of a run that is there; None where they are damaged, and are written anew."""
    try:
        held = json.loads((place.runs / run / WORDS_FILE).read_text(encoding="utf-8"))
        return {**{one.name: None for one in WORDS}, **held}
    except DAMAGE:
        return None


def _copy_report(folder: Path, target: Path, *, with_report: bool) -> None:
    """Copy report, card and stills, in one step; links are not followed."""
    if not with_report:
        return
    part = new_name(target, ".part-")
    try:
        (part / "stills").mkdir(parents=True)
        for name in REPORT_FILES:
            if (folder / name).is_file():
                shutil.copyfile(folder / name, part / name)
        with contextlib.suppress(FileNotFoundError):
            for one in (folder / "stills").iterdir():
                if one.suffix in STILL_ENDINGS and one.is_file() and not one.is_symlink():
                    shutil.copyfile(one, part / "stills" / one.name)
        sync_all(part)
        os.replace(part, target / REPORT)
    finally:
        shutil.rmtree(part, ignore_errors=True)
