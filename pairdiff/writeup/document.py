"""`result.json` and `frames.parquet`: the result as plain data, and how it reaches the disk.

Documents hold only what JSON holds. A value that does not exist is null, never 0; NaN and infinity never appear. Fractions are strings
(`"24000/1001"`), times are seconds. The shape is fixed by `result.schema.json` beside this file: the whole document, and under `$defs` the
`alignment` and the `measurement` that the command line prints.
"""

from __future__ import annotations

import contextlib
import dataclasses
import glob
import itertools
import json
import math
import os
import shutil
import tempfile
import time
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from fractions import Fraction
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Generic, Literal, TypeVar

import numpy as np

from pairdiff._errors import OutputRefused
from pairdiff._memory import give_back
from pairdiff._records import (
    Alignment,
    Comparison,
    FrameLevels,
    Geometry,
    Headroom,
    Measurement,
    Moment,
    PairScore,
    ReleaseResult,
    Segment,
)
from pairdiff._settings import Settings
from pairdiff._tables import Table, column
from pairdiff.stills.draw import DIFFERENCE_LEGEND, StillPicture
from pairdiff.stills.light_map import LIGHT_LEGEND
from pairdiff.stills.side_by_side import HDR_KINDS, HdrKind, SideBySide
from pairdiff.writeup.constants import list_constants
from pairdiff.writeup.spans import span_s

T = TypeVar("T")
Document = dict[str, Any]
DocumentKind = Literal["result", "measurement", "alignment"]

RESULT_SCHEMA = "pairdiff-result/1"
MEASUREMENT_SCHEMA = "pairdiff-measurement/1"
STILLS_SCHEMA = "pairdiff-stills/1"
CARD = "card.svg"
"""Name of the card to share, beside the report."""
MEASURED = "measured.npz"
"""Name of what was measured, from which all else can be concluded again."""
GONE = "it was not among the stills of the earlier result any more."
LEFT_S = 3600.0
"""Age at which a half-written file of a run that was killed is removed, seconds (own)."""


# ---------------------------------------------------------------- records -> documents


def comparison_to_document(comparison: Comparison) -> Document:
    """Turn a comparison into what `result.json` holds.

    Parameters
    ----------
    comparison : Comparison
        The whole result.

    Returns
    -------
    dict
        Plain data that follows `result.schema.json`. Per-frame and per-pair figures are not in it; they are in `frames.parquet`.
    """
    whole = {
        "schema": RESULT_SCHEMA,
        "title": comparison.title,
        "hdr": _side(comparison.hdr),
        "sdr": _side(comparison.sdr),
        "alignment": _alignment(comparison.alignment),
        "setups": comparison.setups,
        "setup": comparison.setup,
        "free_fit": comparison.free_fit,
        "screens": comparison.screens,
        "difference": comparison.difference,
        "hdr_peak": comparison.hdr_peak,
        "contaminants": comparison.contaminants,
        "signal_check": comparison.signal_check,
        "headroom": _headroom(comparison.headroom),
        "recovered": comparison.recovered,
        "shadows": comparison.shadows,
        "colour": comparison.colour,
        "tone": comparison.tone,
        "declared_checks": comparison.declared_checks,
        "origin_signs": comparison.origin_signs,
        "viewer": comparison.viewer,
        "verdict": comparison.verdict,
        "moments": comparison.moments,
        "objections": comparison.objections,
        "run": _run(comparison.versions, comparison.settings) | _steps(comparison) | {"coverage": comparison.coverage},
    }
    document: Document = _plain(whole)
    return document


def measurement_to_document(measurement: Measurement) -> Document:
    """Turn the measurement of one release into plain data.

    Parameters
    ----------
    measurement : Measurement
        One release alone.

    Returns
    -------
    dict
        `$defs/measurement` of `result.schema.json`: the keys of a side of `result.json`, with `schema`, `side`, `active`, `peak` and `run`.
    """
    head = {"schema": MEASUREMENT_SCHEMA, "side": measurement.result.release.side}
    tail = {"active": measurement.active, "peak": measurement.peak, "run": _run(measurement.versions, measurement.settings)}
    document: Document = _plain(head | _side(measurement.result) | tail)
    return document


def alignment_to_document(alignment: Alignment) -> Document:
    """Turn an edit map into plain data: the `alignment` object of `result.json`.

    Parameters
    ----------
    alignment : Alignment
        The edit map.

    Returns
    -------
    dict
        `$defs/alignment` of `result.schema.json`.
    """
    document: Document = _plain(_alignment(alignment))
    return document


def validate_document(document: Mapping[str, Any], *, kind: DocumentKind = "result") -> None:
    """Check a document against the schema.

    Parameters
    ----------
    document : mapping
        What one of the functions above returned, or what a file held.
    kind : {"result", "measurement", "alignment"}
        Which of the three it is.

    Raises
    ------
    ValueError
        The document does not follow the schema; the message names the place.
    RuntimeError
        The `jsonschema` package is not installed.
    """
    try:
        import jsonschema
    except ImportError as missing:
        raise RuntimeError("checking a result needs the package `jsonschema`, which is not installed; install it") from missing
    schema = _schema() if kind == "result" else {"$ref": f"#/$defs/{kind}", "$defs": _schema()["$defs"]}
    error = jsonschema.exceptions.best_match(jsonschema.Draft202012Validator(schema).iter_errors(document))
    if error is not None:
        raise ValueError(f"the {kind} does not follow the schema at {error.json_path}: {error.message[:300]}")


@cache
def _schema() -> Document:
    schema: Document = json.loads(files("pairdiff.writeup").joinpath("result.schema.json").read_text(encoding="utf-8"))
    return schema


def _side(result: ReleaseResult) -> Document:
    release = result.release
    return {
        "path": release.path,
        "file_id": release.file_id,
        "size_bytes": release.size_bytes,
        "container": release.container,
        "codec": release.codec,
        "stream_index": release.stream_index,
        "start_s": float(release.start_s),
        "duration_s": None if release.duration_s is None else float(release.duration_s),
        "signal": release.signal,
        "declared": release.declared,
        "levels": result.levels,
        "frames": result.frames,
        "damage": result.damage,
        "notes": release.notes,
    }


def _alignment(alignment: Alignment) -> Document:
    shots = [{"hdr_start": start, "hdr_stop": stop} for start, stop in alignment.shots]
    held = {name: value for name, value in _fields(alignment).items() if name not in ("partners", "hdr_times_s", "sdr_times_s")}
    segments = [_segment(one, alignment) for one in alignment.segments]
    return held | {"segments": segments, "geometry": [_geometry(item) for item in alignment.geometry], "shots": shots}


def _segment(segment: Segment, alignment: Alignment) -> Document:
    """Frame numbers as they are, and the film time of both sides, for readers without the files."""
    hdr, sdr = span_s(segment, "hdr", alignment.hdr_times_s), span_s(segment, "sdr", alignment.sdr_times_s)
    times = dict(zip(("hdr_start_s", "hdr_stop_s", "sdr_start_s", "sdr_stop_s"), (*hdr, *sdr), strict=True))
    return _fields(segment) | times


def _geometry(geometry: Geometry) -> Document:
    edges = ("top", "bottom", "left", "right")
    return _fields(geometry) | {
        "hdr_common": dict(zip(edges, geometry.hdr_common, strict=True)),
        "sdr_common": dict(zip(edges, geometry.sdr_common, strict=True)),
        "lost_share_hdr": 1 - geometry.common_share_hdr,
        "lost_share_sdr": 1 - geometry.common_share_sdr,
    }


def _headroom(headroom: Headroom) -> Document:
    """Plain numbers; the ends of their intervals stand beside them."""
    held = {name: value for name, value in _fields(headroom).items() if name not in ("area_interval", "stops_interval")}
    for name, one in (("time_share", headroom.time_share), ("area_share", headroom.area_interval), ("stops", headroom.stops_interval)):
        held |= {f"{name}_low": one.low, f"{name}_high": one.high}
    return held | {"time_share": headroom.time_share.value}


def _run(versions: Mapping[str, str], settings: Mapping[str, Any]) -> Document:
    return {
        "versions": versions,
        "settings": settings,
        "settings_described": _describe_settings(settings),
        "constants": list_constants(),
    }


def _steps(comparison: Comparison) -> Document:
    """Versions of the steps, and what ran when it was measured where that was something else."""
    earlier = comparison.measured_versions
    return {"steps": comparison.steps} | ({} if earlier is None else {"measured_versions": earlier})


def _describe_settings(settings: Mapping[str, Any]) -> Document:
    """Group, help text, default and its origin of every setting that was used, so that the report needs nothing but the result."""
    known = {item.name: item for item in dataclasses.fields(Settings)}
    return {
        name: {
            "group": known[name].metadata["group"],
            "help": known[name].metadata["help"],
            "origin": known[name].metadata["origin"],
            "default": known[name].default,
        }
        for name in settings
        if name in known
    }


def _fields(record: Any) -> Document:
    return {item.name: getattr(record, item.name) for item in dataclasses.fields(record)}


def _plain(value: Any) -> Any:
    """Records, mappings, tuples, fractions and numpy scalars -> what JSON holds."""
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, str):
        return value.encode("utf-8", "backslashreplace").decode("utf-8")
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, Fraction):
        return f"{value.numerator}/{value.denominator}"
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, Sequence | np.ndarray):
        return [_plain(item) for item in value]
    if dataclasses.is_dataclass(value):
        return {name: _plain(item) for name, item in _fields(value).items()}
    if isinstance(value, os.PathLike):
        return _plain(os.fspath(value))
    raise TypeError(f"a result cannot hold a {type(value).__name__}; use numbers, words, mappings and sequences")


# ---------------------------------------------------------------- frames.parquet


TABLE_ROWS = 2048
"""Rows of `frames.parquet` that are made and written together (own)."""
LEVEL_COLUMNS = tuple(item.name for item in dataclasses.fields(FrameLevels) if item.name not in ("frame", "time_s"))
LOSS_FIELDS = ("preference_loss", "tone_part", "colour_part")
PAIR_COLUMNS = tuple(
    item.name
    for item in dataclasses.fields(PairScore)
    if item.name not in ("hdr_frame", "sdr_frame", "hdr_time_s", "sdr_time_s", "rms_jnd", "tone_shift_jnd", *LOSS_FIELDS)
)


def build_frame_table(comparison: Comparison) -> Any:
    """Build the table of `frames.parquet`: a row per HDR frame that was measured or scored, then one per SDR frame without a partner.

    Parameters
    ----------
    comparison : Comparison
        The whole result.

    Returns
    -------
    pyarrow.Table
        Columns, units in the names; null where there is no value:

        - `hdr_frame`, `hdr_time_s`, `sdr_frame`, `sdr_time_s`: the pair; a side is null where the edit map gives none. Where a pair
          was not scored, its SDR frame is read off the edit map in proportion.
        - `hdr_*_nits`, `hdr_*_share` and the same of `sdr`: levels as in `FrameLevels` (native size, under the condition that `result.json`
          prints).
        - `scored`, then `pair_*` as in `PairScore` (canvas, at `controls`), then `rms_<set-up>_jnd`, `tone_shift_<set-up>_jnd` and
          `preference_loss_<set-up>_jod` with its parts `tone_part_<set-up>_jod` and `colour_part_<set-up>_jod` for each set-up, its
          hyphen as an underscore.
    """
    import pyarrow as pa

    return pa.concat_tables(_frame_tables(comparison))


def _frame_tables(comparison: Comparison) -> Iterator[Any]:
    """The table of `build_frame_table` some rows at a time: as objects those of a film take gigabytes."""
    import pyarrow as pa

    setups = dict.fromkeys(name for pair in comparison.pairs for name in _setup_figures(pair))
    names = (*_base_columns(), *setups)
    rows = _frame_rows(comparison)
    part = list(itertools.islice(rows, TABLE_ROWS))
    while True:
        columns = {name: [row.get(name) for row in part] for name in names}
        yield pa.table({name: pa.array(values, type=_column_type(name)) for name, values in columns.items()})
        part = list(itertools.islice(rows, TABLE_ROWS))
        if not part:
            return


def _frame_rows(comparison: Comparison) -> Iterator[Document]:
    hdr, sdr = _Numbered(comparison.hdr_frames, "frame"), _Numbered(comparison.sdr_frames, "frame")
    pairs = _Numbered(comparison.pairs, "hdr_frame")
    partners = _partners(comparison.alignment)
    partners |= zip(pairs.frames, column(comparison.pairs, "sdr_frame").tolist(), strict=True)
    for frame in sorted({*hdr.frames, *pairs.frames}):
        yield _frame_row(frame, hdr=hdr.get(frame), sdr=sdr, pair=pairs.get(frame), partner=partners.get(frame))
    for frame in sorted({*sdr.frames} - set(partners.values())):
        yield _frame_row(None, hdr=None, sdr=sdr, pair=None, partner=frame)


class _Numbered(Generic[T]):
    """Records by the frame that they are of."""

    def __init__(self, records: Sequence[T], name: str) -> None:
        self._records = records
        self.frames: dict[int, int] = {frame: place for place, frame in enumerate(column(records, name).astype(int).tolist())}
        """Frames, with the places of their records."""

    def get(self, frame: int | None) -> T | None:
        """The record of a frame; None where there is none."""
        place = None if frame is None else self.frames.get(frame)
        return None if place is None else self._records[place]


def _base_columns() -> tuple[str, ...]:
    levels = [f"{side}_{name}" for side in ("hdr", "sdr") for name in LEVEL_COLUMNS]
    return ("hdr_frame", "hdr_time_s", "sdr_frame", "sdr_time_s", *levels, "scored", *(f"pair_{name}" for name in PAIR_COLUMNS))


def _column_type(name: str) -> Any:
    import pyarrow as pa

    if name in ("hdr_frame", "sdr_frame", "pair_shot"):
        return pa.int64()
    return pa.bool_() if name == "scored" else pa.float64()


def _frame_row(
    frame: int | None, *, hdr: FrameLevels | None, sdr: _Numbered[FrameLevels], pair: PairScore | None, partner: int | None
) -> Document:
    levels = sdr.get(partner)
    row: Document = {"hdr_frame": frame, "sdr_frame": partner, "scored": pair is not None}
    row["hdr_time_s"] = hdr.time_s if hdr else pair.hdr_time_s if pair else None
    row["sdr_time_s"] = levels.time_s if levels else pair.sdr_time_s if pair else None
    for side, measured in (("hdr", hdr), ("sdr", levels)):
        row |= {f"{side}_{name}": getattr(measured, name) for name in LEVEL_COLUMNS if measured}
    if pair:
        row |= {f"pair_{name}": getattr(pair, name) for name in PAIR_COLUMNS} | _setup_figures(pair)
    return {name: _plain(value) for name, value in row.items()}


def _setup_figures(pair: PairScore) -> dict[str, float]:
    """Figures of a pair at each set-up."""
    found = {f"rms_{_word(setup)}_jnd": value for setup, value in pair.rms_jnd.items()}
    found |= {f"tone_shift_{_word(setup)}_jnd": value for setup, value in pair.tone_shift_jnd.items()}
    for name in LOSS_FIELDS:
        found |= {f"{name}_{_word(setup)}_jod": value for setup, value in getattr(pair, name).items()}
    return found


def _word(setup: str) -> str:
    """Set-up name as part of a column name: `gamma-2.2` -> `gamma_2_2`."""
    return setup.replace("-", "_").replace(".", "_")


def read_levels(path: Path) -> tuple[Sequence[FrameLevels], Sequence[FrameLevels]]:
    """Levels of the frames of both releases, out of `frames.parquet`.

    Parameters
    ----------
    path : Path
        The table.

    Returns
    -------
    tuple
        Of the HDR and of the SDR release, in the order of frames; equal to what the table was made of.

    Raises
    ------
    ValueError, OSError
        The table cannot be read, or is of a version that lacks some of them.
    """
    import pyarrow.parquet as pq

    found = []
    for side in ("hdr", "sdr"):
        names = [f"{side}_frame", f"{side}_time_s", *(f"{side}_{name}" for name in LEVEL_COLUMNS)]
        table = pq.read_table(path, columns=names)
        if table.column_names != names:
            raise ValueError(f"{path.name} lacks levels of frames")
        columns = [table.column(name).to_numpy() for name in names]
        rows = np.column_stack(columns).astype(np.float64)
        rows = rows[~np.isnan(rows[:, names.index(f"{side}_max_nits")])]
        _, first = np.unique(rows[:, 0], return_index=True)
        found.append(Table(FrameLevels, (FrameLevels(int(row[0]), *row[1:]) for row in rows[first].tolist())))
    return found[0], found[1]


def _partners(alignment: Alignment) -> dict[int, int]:
    """SDR frame of every matched HDR frame; where the map of frames is not at hand, in proportion within its segment."""
    if len(alignment.partners):
        return {frame: int(partner) for frame, partner in enumerate(alignment.partners) if partner >= 0}
    partners: dict[int, int] = {}
    for item in alignment.segments:
        if item.kind != "matched" or item.hdr_start is None or item.hdr_stop is None or item.sdr_start is None or item.sdr_stop is None:
            continue
        count, sdr_count = item.hdr_stop - item.hdr_start, item.sdr_stop - item.sdr_start
        partners |= {item.hdr_start + step: item.sdr_start + step * sdr_count // count for step in range(count)}
    return partners


# ---------------------------------------------------------------- the disk


def write_comparison(
    comparison: Comparison,
    stills: Sequence[StillPicture],
    out: Path,
    *,
    joined: Sequence[SideBySide] = (),
    kinds: Sequence[HdrKind] = HDR_KINDS,
    store: Callable[[Path], object] | None = None,
    forget: Callable[[], object] = lambda: None,
) -> None:
    """Write the result folder: `stills/`, `frames.parquet`, `measured.npz`, `result.json`, then `card.svg` and `report.html`.

    Everything is made in a hidden folder inside `out` first and moved into place when all of it is complete. An earlier result is taken
    away only then, its report and `result.json` first: at no time does the folder look whole with parts of two results.

    Parameters
    ----------
    comparison : Comparison
        The whole result.
    stills : sequence of StillPicture
        Pictures of its moments.
    out : Path
        The folder; made if need be. Other files in it are left alone.
    joined, kinds
        As for `write_stills`.
    store : callable
        Writes what was measured to the path it is given, or nothing; None where that is not at hand.
    forget : callable
        Called when the pictures are written: they take as much memory as what is left to do.

    Raises
    ------
    OutputRefused
        The folder cannot be made or written.
    """

    def write(folder: Path) -> None:
        write_stills(stills, folder, joined=joined, kinds=kinds)
        forget()

    _write_result(comparison, out, write, store)


def write_again(comparison: Comparison, stills: Path | None, out: Path, *, store: Callable[[Path], object]) -> None:
    """Write the result folder of a comparison that was concluded again; its stills are those of the earlier one.

    Parameters
    ----------
    comparison : Comparison
        The whole result.
    stills : Path or None
        The folder with the earlier one's stills; where there is none the report has none, and where files are missing it has the others.
    out, store
        As for `write_comparison`.

    Raises
    ------
    OutputRefused
        The folder cannot be made or written.
    """

    def copy(target: Path) -> None:
        target.mkdir()
        listed = set() if stills is None else _listed_pictures(stills)
        held = {name for name in listed if stills is not None and (stills / name).is_file()}
        if stills is None or not held:
            return
        for name in ("index.json", *sorted(held)):
            shutil.copyfile(stills / name, target / name)
        if held != listed:
            index = _with_pictures(json.loads((stills / "index.json").read_text(encoding="utf-8")), held)
            write_whole(
                target / "index.json", lambda path: path.write_text(json.dumps(index, indent=2, ensure_ascii=False) + "\n", "utf-8")
            )

    _write_result(comparison, out, copy, store)


def _write_result(
    comparison: Comparison, out: Path, write_pictures: Callable[[Path], object], store: Callable[[Path], object] | None
) -> None:
    from pairdiff.writeup.html import render_report

    out = Path(out)
    with refuse_output(out):
        _make_folder(out)
        _check_places(out)
        work = Path(tempfile.mkdtemp(prefix=".writing-", dir=out))
        try:
            write_pictures(work / "stills")
            give_back()
            write_whole(work / "frames.parquet", lambda path: _write_table(comparison, path))
            if store is not None:
                store(work / MEASURED)
            text = json.dumps(comparison_to_document(comparison), indent=2, ensure_ascii=False, allow_nan=False)
            write_whole(work / "result.json", lambda path: path.write_text(text + "\n", encoding="utf-8"))
            give_back()
            render_report(work)
            _move_into_place(work, out)
        finally:
            shutil.rmtree(work, ignore_errors=True)


def write_stills(
    stills: Sequence[StillPicture], directory: Path, *, joined: Sequence[SideBySide] = (), kinds: Sequence[HdrKind] = HDR_KINDS
) -> tuple[Path, ...]:
    """Write pictures as PNG, HDR pictures, and `index.json` that lists moments, pictures, captions and the legend of the difference map.

    Parameters
    ----------
    stills : sequence of StillPicture
        Pictures; those of one moment share it.
    directory : Path
        The folder; made if need be. Pictures that an earlier index lists are removed once the new ones are there.
    joined : sequence of SideBySide
        HDR pictures of the same moments. One that does not come back as it was when it is decoded again is not left there; the index says
        why.
    kinds : sequence of {"png", "avif"}
        Forms they are written in.

    Returns
    -------
    tuple of Path
        The pictures, in the order given, then the HDR pictures.

    Raises
    ------
    OutputRefused
        The folder cannot be made or written.
    """
    directory = Path(directory)
    with refuse_output(directory):
        _make_folder(directory)
        old = _listed_pictures(directory)
        moments = list(dict.fromkeys([*(still.moment for still in stills), *(still.moment for still in joined)]))
        names = [_picture_file(moments.index(still.moment), still) for still in stills]
        for name, still in zip(names, stills, strict=True):
            _write_picture(directory / name, still)
        written = [_write_hdr(moments.index(still.moment), still, directory=directory, kinds=kinds) for still in joined]
        hdr = [(still.moment, document) for still, document in zip(joined, written, strict=True)]
        index = _stills_index(moments, stills=stills, names=names, hdr=hdr)
        names += [one["file"] for document in written for one in document["files"] if one["file"] is not None]
        text = json.dumps(_plain(index), indent=2, ensure_ascii=False, allow_nan=False)
        write_whole(directory / "index.json", lambda path: path.write_text(text + "\n", encoding="utf-8"))
        for name in old - set(names):
            (directory / name).unlink(missing_ok=True)
    return tuple(directory / name for name in names)


def write_whole(path: Path, write: Callable[[Path], object]) -> None:
    """Write a file under a temporary name beside it, then give it its name in one step.

    Parameters
    ----------
    path : Path
        The file.
    write : callable
        Writes the whole content to the path it is given.
    """
    part = path.with_name(f".{path.name}.part-{os.getpid()}")
    with contextlib.suppress(OSError):
        for left in path.parent.glob(f".{glob.escape(path.name)}.part-*"):
            if time.time() - left.stat().st_mtime > LEFT_S:
                left.unlink()
    try:
        write(part)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)


@contextlib.contextmanager
def refuse_output(out: Path) -> Iterator[None]:
    """Turn what the system says about an output place into `OutputRefused`.

    Parameters
    ----------
    out : Path
        The place, named in the message.

    Raises
    ------
    OutputRefused
        The system refused a folder or a file.
    """
    try:
        yield
    except OSError as refused:
        reason = refused.strerror or str(refused)
        raise OutputRefused(f"Cannot write to {out}: {reason}. Name another folder with --out.") from refused


def _make_folder(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise OutputRefused(f"Cannot write to {folder}: a file of that name is in its place. Name another folder with --out.")
    folder.mkdir(parents=True, exist_ok=True)


def _check_places(out: Path) -> None:
    """Refuse before the work is done, and before anything old is taken away."""
    for name in ("report.html", "result.json", "frames.parquet", CARD, MEASURED):
        if (out / name).is_dir():
            raise OutputRefused(f"Cannot write {out / name}: a folder of that name is in its place. Name another folder with --out.")
    if (out / "stills").exists() and not (out / "stills").is_dir():
        raise OutputRefused(f"Cannot write to {out / 'stills'}: a file of that name is in its place. Name another folder with --out.")


def _write_table(comparison: Comparison, path: Path) -> None:
    import pyarrow.parquet as pq

    tables = _frame_tables(comparison)
    first = next(tables)
    with pq.ParquetWriter(path, first.schema, compression="zstd") as file:
        for table in itertools.chain([first], tables):
            file.write_table(table)


def _write_picture(path: Path, still: StillPicture) -> None:
    import cv2

    grey = (still.rgb8 == still.rgb8[..., :1]).all()  # a third of the bytes
    done, data = cv2.imencode(".png", np.ascontiguousarray(still.rgb8[..., 0] if grey else still.rgb8[..., ::-1]))
    if not done:
        raise OutputRefused(f"Cannot write {path}: the picture could not be encoded as PNG, its size is {still.rgb8.shape}")
    write_whole(path, lambda part: part.write_bytes(data.tobytes()))


def _picture_file(number: int, still: StillPicture) -> str:
    return f"{number + 1:02d}-f{still.moment.hdr_frame}-{still.name}.png"


def _write_hdr(number: int, still: SideBySide, *, directory: Path, kinds: Sequence[HdrKind]) -> Document:
    """Write an HDR picture in each form; a form that does not hold is left out and said."""
    from pairdiff.writeup.hdr_image import usable_mastering

    told = {name: getattr(still, name) for name in ("name", "caption", "max_cll_nits", "max_fall_nits")}
    told |= {"rows": still.code16.shape[0], "columns": still.code16.shape[1], "mastering": usable_mastering(still.mastering) is not None}
    stem = f"{number + 1:02d}-f{still.moment.hdr_frame}-{still.name}"
    return told | {"files": [_write_hdr_file(directory / f"{stem}.{kind}", still, kind) for kind in kinds]}


def _write_hdr_file(path: Path, still: SideBySide, kind: HdrKind) -> Document:
    from pairdiff.writeup.hdr_image import check_hdr, encode_hdr

    errors: list[float] = []

    def write(part: Path) -> None:
        part.write_bytes(encode_hdr(still, kind))
        errors.append(check_hdr(part, still))

    try:
        write_whole(path, write)
    except OutputRefused as refused:
        path.unlink(missing_ok=True)  # of an earlier run
        return {"kind": kind, "file": None, "bytes": None, "light_error_share": None, "note": str(refused)}
    return {"kind": kind, "file": path.name, "bytes": path.stat().st_size, "light_error_share": errors[0], "note": None}


def _stills_index(
    moments: Sequence[Moment], *, stills: Sequence[StillPicture], names: Sequence[str], hdr: Sequence[tuple[Moment, Document]]
) -> Document:
    def pictures(moment: Moment) -> list[Document]:
        own = [(still, name) for still, name in zip(stills, names, strict=True) if still.moment == moment]
        return [
            {"name": still.name, "file": name, "caption": still.caption, "rows": still.rgb8.shape[0], "columns": still.rgb8.shape[1]}
            | ({"figures": still.figures} if still.figures else {})
            for still, name in own
        ]

    return {
        "schema": STILLS_SCHEMA,
        "legend": [{"jnd": jnd, "rgb8": colour} for jnd, colour in DIFFERENCE_LEGEND],
        "light_legend": [{"nits": nits, "rgb8": colour} for nits, colour in LIGHT_LEGEND],
        "moments": [
            _fields(moment) | {"pictures": pictures(moment), "hdr_pictures": [one for own, one in hdr if own == moment]}
            for moment in moments
        ],
    }


def _listed_pictures(directory: Path) -> set[str]:
    """File names in an earlier index; only plain names of pictures in this very folder."""
    try:
        index = json.loads((directory / "index.json").read_text(encoding="utf-8"))
        listed = [picture["file"] for moment in index["moments"] for picture in moment["pictures"]]
        held = [picture for moment in index["moments"] for picture in moment.get("hdr_pictures", [])]
        listed += [one["file"] for picture in held for one in picture["files"]]
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return set()
    return {name for name in listed if isinstance(name, str) and name.endswith((".png", ".avif")) and Path(name).name == name}


def _with_pictures(index: Document, held: Collection[str]) -> Document:
    """An index of those files alone: a moment of which none is left goes, what is missing is counted."""
    moments = []
    for moment in index["moments"]:
        files = [
            {**picture, "files": [one if one["file"] in held else {**one, "file": None, "note": GONE} for one in picture["files"]]}
            for picture in moment.get("hdr_pictures", [])
        ]
        pictures = [picture for picture in moment["pictures"] if picture["file"] in held]
        if pictures or any(one["file"] for picture in files for one in picture["files"]):
            moments.append({**moment, "pictures": pictures, **({"hdr_pictures": files} if "hdr_pictures" in moment else {})})
    named = [one["file"] for moment in index["moments"] for one in moment["pictures"]]
    return {**index, "moments": moments, "gone": sum(name not in held for name in named)}


def _move_into_place(work: Path, out: Path) -> None:
    stills = out / "stills"
    _make_folder(stills)
    for name in ("report.html", CARD, "result.json", MEASURED, "frames.parquet"):
        (out / name).unlink(missing_ok=True)
    old = _listed_pictures(stills)
    new = [path.name for path in (work / "stills").iterdir()]
    (stills / "index.json").unlink(missing_ok=True)
    for name in sorted(new):
        os.replace(work / "stills" / name, stills / name)
    for name in old - set(new):
        (stills / name).unlink(missing_ok=True)
    for name in ("frames.parquet", MEASURED, "result.json", CARD, "report.html"):
        if name != MEASURED or (work / name).is_file():
            os.replace(work / name, out / name)
