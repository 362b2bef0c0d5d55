"""The shelf as a page: what the archive holds of each run, and where its report lies, handed to `writeup/field.py`."""

from __future__ import annotations

import gzip
import json
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pairdiff._errors import InputRefused, UsageError
from pairdiff.shelf.archive import DAMAGE, REPORT, RESULT, Archive
from pairdiff.shelf.listing import Listing, Row, show_text
from pairdiff.shelf.protocol import say_protocol
from pairdiff.writeup.document import refuse_output, write_whole
from pairdiff.writeup.field import FIGURES, Field, Title, render_fields
from pairdiff.writeup.phrases import say_state

PAGE_ENDINGS = (".html", ".htm")
STATED_BY: dict[str, tuple[str, ...]] = {
    "headroom_stops": ("headroom",),
    "recovered_jnd": ("recovered",),
    "outside_709_share": ("colour",),
    "notice_probability": ("difference", "on_its_own"),
    "notice_1_share": ("difference", "on_its_own"),
}
"""Where `result.json` says why a figure has no value."""


def write_page(archive: Archive | None, listing: Listing, out: str | os.PathLike[str], *, where: Sequence[str] = ()) -> Path:
    """Write runs as one self-contained page, each way of measuring as a field of its own.

    Parameters
    ----------
    archive : Archive or None
        Where they are kept.
    listing : Listing
        The runs.
    out : path
        The page, a file whose name ends in .html; one that is there is replaced.
    where : sequence of str
        The conditions that they were chosen by, as written.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    UsageError
        A name that is no page's.
    InputRefused
        There is no run to show.
    OutputRefused
        The page cannot be written.
    """
    path = Path(out)
    if path.suffix.lower() not in PAGE_ENDINGS:
        raise UsageError(f"--out: found {str(out)[:200]!r}, expected a file whose name ends in .html.")
    if archive is None or not listing.groups:
        reason = "no run meets the conditions" if where else "nothing is kept yet; `pairdiff keep DIR` keeps a run"
        raise InputRefused(f"No page is written: {reason}. `pairdiff shelf` lists what there is.")
    with refuse_output(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        fields = [
            Field(say_protocol(group.facts), group.differs, [_title(archive, row, path.parent.resolve()) for row in group.runs])
            for group in listing.groups
        ]
        notes = [f"{one}; it is left out." for one in listing.spoilt]
        page = render_fields(fields, place=archive.folder.name, conditions=where, notes=notes)
        write_whole(path, lambda part: part.write_bytes(page.encode("utf-8", "backslashreplace")))
    return path


def _title(archive: Archive, row: Row, beside: Path) -> Title:
    address, place = find_report(archive, row, beside=beside)
    figures = {one.name: row[one.name] for one in FIGURES}
    missing = [name for name, value in figures.items() if value is None]
    return Title(
        run=row["run"],
        title=row["title"] or "without a title",
        edition=show_text(row["edition"]),
        region=show_text(row["region"]),
        year=row["year"],
        label=row["label"],
        figures=figures,
        missing=_reasons(archive, row["run"], missing) if missing else {},
        ratio=bool(row["uses_peak_ratio"]),
        address=address,
        place=place,
    )


def _reasons(archive: Archive, run: str, missing: Sequence[str]) -> dict[str, str]:
    """Why figures have no value, as the kept result has it; nothing of a result that cannot be read."""
    try:
        result = json.loads(gzip.decompress((archive.runs / run / RESULT).read_bytes()))
        states = {name: _state(result, STATED_BY[name]) for name in missing}
    except (*DAMAGE, OSError):
        return {}
    return {name: say_state(state) for name, state in states.items() if state not in (None, "measured")}


def _state(result: Mapping[str, Any], keys: Sequence[str]) -> str | None:
    part: Any = result
    for key in keys:
        part = part[key]
    state: str | None = part.get("status")
    return state


def find_report(archive: Archive, row: Row, *, beside: Path) -> tuple[str | None, str]:
    """Where the report of a run lies.

    Parameters
    ----------
    archive : Archive
        Where the run is kept.
    row : dict
        Every column of it.
    beside : Path
        Folder of the page, whole.

    Returns
    -------
    (str or None, str)
        Address of the kept copy, else of the report in the result folder where it lay, else None; and the place in words.
    """
    kept = archive.runs / row["run"] / REPORT / "report.html"
    lay = row["folder"]
    if os.path.isfile(kept):  # says no, where Path would raise, of a place that cannot be looked at
        return make_address(kept.resolve(), beside=beside), "kept copy"
    if lay and os.path.isfile(Path(lay, "report.html")):
        return make_address(Path(lay, "report.html").resolve(), beside=beside), "result folder"
    gone = f"in {show_text(lay)}, where the result lay" if lay else "in a result folder"
    return None, f"None in the archive (`pairdiff keep DIR --with-report` puts one there), and none {gone}."


def make_address(target: Path, *, beside: Path) -> str:
    """Address of a file for a page in a folder: relative where both lie below one folder that is not the root, else whole (RFC 8089)."""
    try:
        common = os.path.commonpath([target, beside])
    except ValueError:  # on different drives
        return target.as_uri()
    if Path(common) == Path(target.anchor):
        return target.as_uri()
    return quote(os.fsencode(Path(os.path.relpath(target, beside)).as_posix()))
