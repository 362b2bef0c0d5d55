"""A comparison concluded again from what its result folder holds, without the films; written to a folder of its own."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

from pairdiff._checks import check_output
from pairdiff._conclude import conclude_stored
from pairdiff._errors import InputRefused
from pairdiff._measured import CONCLUDING, CONCLUDING_STEPS, DAMAGED, STEPS, Head, Look, NotReadable, load_head, load_measured, store_again
from pairdiff._records import Comparison
from pairdiff._settings import Settings
from pairdiff.writeup.document import MEASURED, read_levels, write_again

SURVEY_STEP = "survey"


@dataclass(frozen=True, slots=True)
class StoredFolder:
    """Where what was kept of a comparison lies."""

    measured: Path
    """`measured.npz`."""
    frames: Path
    """`frames.parquet`."""
    stills: Path | None = None
    """Folder with its stills; None where there are none."""


@dataclass(frozen=True, slots=True)
class StoredState:
    """What was kept of a comparison, held against what is wanted now."""

    reasons: tuple[str, ...]
    """Why it does not do and the films are needed, in words; empty where nothing needs a picture."""
    options: Mapping[str, Any] | None
    """How the comparison was asked for: `full`, `survey`, `budget_s`, `hash`; None where nothing that can be read was kept."""
    folder: str
    """What the paths of the releases were relative to; empty where nothing was kept."""
    steps: Mapping[str, int]
    """Version of each step that measured; empty where nothing was kept."""
    steps_now: Mapping[str, int]
    """Those of this version."""
    may_read_on: bool = False
    """A survey whose label must come out as settled as it was; else it reads on, or stops earlier, and needs the films."""


def stored_folder(directory: Path | str) -> StoredFolder:
    """The files of a result folder."""
    folder = Path(directory)
    return StoredFolder(folder / MEASURED, folder / "frames.parquet", folder / "stills")


def check_stored(where: StoredFolder | str | os.PathLike[str], *, settings: Settings) -> StoredState:
    """Whether what was measured does for these settings and this version, without working anything out.

    Parameters
    ----------
    where : a result folder, or where its files lie.
    settings : those that are wanted.

    Returns
    -------
    StoredState.
    """
    place = where if isinstance(where, StoredFolder) else stored_folder(os.fspath(where))
    try:
        head = load_head(place.measured)
    except NotReadable as reason:
        return StoredState((str(reason),), None, "", {}, STEPS)
    reasons = _why_measure(head, settings)
    if not place.frames.is_file():
        reasons.append("frames.parquet is missing")
    asked = head.asked
    options = {"full": asked.full, "survey": asked.survey, "budget_s": asked.budget_s, "hash": asked.hash_whole}
    return StoredState(tuple(reasons), options, asked.folder, head.steps, STEPS, head.survey)


def _why_measure(head: Head, settings: Settings) -> list[str]:
    """Why what was measured does not do for these settings and this version, a reason each; none where nothing needs a picture."""
    now, absent = asdict(settings), object()
    names = [name for name in dict.fromkeys([*now, *head.settings]) if name not in CONCLUDING]
    changed = [name for name in names if head.settings.get(name, absent) != now.get(name, absent)]
    steps = [
        name
        for name in {**head.steps, **STEPS}
        if name not in CONCLUDING_STEPS and head.steps.get(name) != STEPS.get(name) and (name != SURVEY_STEP or head.survey)
    ]
    reasons = [f"films are measured with {name}" for name in changed]
    return reasons + [f"the step `{name}` is of version {STEPS.get(name)} now, and was of {head.steps.get(name)}" for name in steps]


def conclude_again(
    where: StoredFolder | str | os.PathLike[str],
    *,
    settings: Settings,
    title: str,
    out: str | os.PathLike[str] | None = None,
    films: Sequence[str] | None = None,
) -> Comparison:
    """Conclude a comparison again from what was measured, by the same functions as `compare` does.

    Parameters
    ----------
    where : a result folder, or where its files lie.
    settings : those that are wanted; they may differ in what nothing is measured with.
    title : of the film.
    out : folder for the result; nothing is written where None.
    films : `file_id` of the HDR and of the SDR release that it has to be of; any where None.

    Returns
    -------
    Comparison, equal to that of the films but for `versions` and `measured_versions`.

    Raises
    ------
    InputRefused : what was kept does not do, and the films are needed; the message says why.
    OutputRefused : `out` cannot be written.
    """
    place = where if isinstance(where, StoredFolder) else stored_folder(os.fspath(where))
    if out is not None:
        check_output(Path(out))
    try:
        stored = load_measured(place.measured)
        reasons = _why_measure(stored.head, settings)
        if reasons:
            raise NotReadable("; ".join(reasons))
        if films is not None and any(_films_of(look) != tuple(films) for look in stored.looks):
            raise NotReadable("what was kept of what was measured is of other films than the result")
        try:
            levels = read_levels(place.frames)
        except (OSError, ValueError) as broken:
            raise NotReadable(f"frames.parquet cannot be read ({broken})") from broken
        try:
            comparison = conclude_stored(stored, levels, title=title, settings=settings)
        except (ArithmeticError, AttributeError, LookupError, TypeError, ValueError) as broken:  # records that are no measurement's
            raise NotReadable(DAMAGED) from broken
    except NotReadable as reason:
        raise InputRefused(_sentence(reason)) from reason
    if out is not None:
        write_again(comparison, place.stills, Path(out), store=partial(store_again, stored=stored))
    return comparison


def _films_of(look: Look) -> tuple[str, str]:
    return look.hdr.release.file_id, look.sdr.release.file_id


def _sentence(reason: NotReadable) -> str:
    words = str(reason)
    return f"{words[0].upper()}{words[1:]}."
