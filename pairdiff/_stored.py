"""A comparison concluded again from what its result folder holds, without the films; written to a folder of its own."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from functools import partial
from pathlib import Path
from typing import Any

from pairdiff._checks import check_output
from pairdiff._conclude import conclude_stored
from pairdiff._errors import InputRefused
from pairdiff._measured import CONCLUDING, CONCLUDING_STEPS, STEPS, NotReadable, Stored, load_measured, store_again
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


def stored_folder(directory: Path | str) -> StoredFolder:
    """The files of a result folder."""
    folder = Path(directory)
    return StoredFolder(folder / MEASURED, folder / "frames.parquet", folder / "stills")


def why_measure(stored: Stored, settings: Settings) -> list[str]:
    """Why what was measured does not do for these settings and this version.

    Parameters
    ----------
    stored : what was kept.
    settings : those that are wanted.

    Returns
    -------
    list of str
        A reason each; none where nothing needs a picture.
    """
    now, named = asdict(settings), {one.name for one in fields(Settings)}
    measured_with = [name for name in named | set(stored.settings) if name not in CONCLUDING]
    absent = object()
    changed = sorted(name for name in measured_with if stored.settings.get(name, absent) != now.get(name, absent))
    steps = [
        name
        for name in {**stored.steps, **STEPS}
        if name not in CONCLUDING_STEPS
        and stored.steps.get(name) != STEPS.get(name)
        and (name != SURVEY_STEP or stored.looks[-1].survey is not None)
    ]
    reasons = [f"it is measured with {name}" for name in changed]
    return reasons + [f"the step `{name}` is of version {STEPS.get(name)}, and was of {stored.steps.get(name)}" for name in steps]


def read_stored(where: StoredFolder) -> Stored:
    """What was measured, as it was kept.

    Raises
    ------
    InputRefused : nothing was kept that can be read; the message says why in a few words.
    """
    try:
        return load_measured(where.measured)
    except NotReadable as reason:
        raise InputRefused(_sentence(reason)) from reason


def conclude_again(
    where: StoredFolder | str | os.PathLike[str],
    *,
    settings: Settings,
    title: str,
    out: str | os.PathLike[str] | None = None,
) -> Comparison:
    """Conclude a comparison again from what was measured, by the same functions as `compare` does.

    Parameters
    ----------
    where : a result folder, or where its files lie.
    settings : those that are wanted; they may differ in what nothing is measured with.
    title : of the film.
    out : folder for the result; nothing is written where None.

    Returns
    -------
    Comparison, equal to that of the films but for `versions` and `measured_versions`.

    Raises
    ------
    InputRefused : what was kept does not do, and the films are needed; the message says why.
    OutputRefused : `out` cannot be written.
    """
    place = where if isinstance(where, StoredFolder) else stored_folder(os.fspath(where))
    stored = read_stored(place)
    reasons = why_measure(stored, settings)
    if reasons:
        raise InputRefused(f"What was measured does not do: {'; '.join(reasons)}.")
    if out is not None:
        check_output(Path(out))
    try:
        try:
            levels = read_levels(place.frames)
        except (OSError, ValueError) as broken:
            raise NotReadable(f"frames.parquet cannot be read ({broken})") from broken
        comparison = conclude_stored(stored, levels, title=title, settings=settings)
    except NotReadable as reason:
        raise InputRefused(_sentence(reason)) from reason
    if out is not None:
        stills = place.stills if place.stills is not None else Path(out) / "no stills"
        write_again(comparison, stills, Path(out), store=partial(store_again, stored=stored))
    return comparison


def _sentence(reason: NotReadable) -> str:
    words = str(reason)
    return f"{words[0].upper()}{words[1:]}."


def settings_of(stated: Mapping[str, Any]) -> tuple[dict[str, Any], Sequence[str]]:
    """Settings of a result that this version knows, and the names of those that it does not."""
    named = {one.name for one in fields(Settings)}
    return {name: value for name, value in stated.items() if name in named}, sorted(set(stated) - named)
