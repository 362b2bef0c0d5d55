"""Checks of places and arguments that more than one stage needs."""

from __future__ import annotations

import os
import re
import tempfile
from pathlib import Path

from pairdiff._errors import OutputRefused, UsageError


def check_output(out: Path) -> None:
    """Refuse an output folder that cannot be written, before any work is done and without making it.

    Raises
    ------
    OutputRefused : a file in its place, or a folder (its own, or the nearest that exists) that takes no files.
    """
    try:
        place = _nearest(out)
        if not place.is_dir():
            raise OutputRefused(f"Cannot write to {out}: {place} is not a folder. Name another folder with --out.")
        with tempfile.TemporaryFile(dir=place):
            pass
    except OSError as refused:
        reason = refused.strerror or str(refused)
        raise OutputRefused(f"Cannot write to {out}: {reason}. Name another folder with --out.") from refused


def _nearest(out: Path) -> Path:
    """The place itself, or the nearest above it that exists; a link to nowhere counts as existing."""
    place = out
    while not os.path.lexists(place) and place != place.parent:
        place.exists()  # a name that no file system takes raises here, where lexists says no
        place = place.parent
    return place


def read_length_s(text: str) -> float:
    """Seconds from a length of time such as `90s`, `5m` or `1.5m`.

    Raises
    ------
    UsageError : any other text.
    """
    found = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(s|m|min)?", text.strip())
    if found is None or float(found[1]) <= 0:
        raise UsageError(f"--budget: found {text!r}, expected a length of time above zero, such as 90s or 5m.")
    return float(found[1]) * (60 if (found[2] or "s").startswith("m") else 1)
