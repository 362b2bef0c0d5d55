"""Checks of places and arguments that more than one stage needs."""

from __future__ import annotations

import tempfile
from pathlib import Path

from pairdiff._errors import OutputRefused


def check_output(out: Path) -> None:
    """Refuse an output folder that cannot be written, before any work is done and without making it.

    Raises
    ------
    OutputRefused : a file in its place, or a folder (its own, or the nearest that exists) that takes no files.
    """
    place = out
    while not place.exists() and place != place.parent:
        place = place.parent
    if not place.is_dir():
        raise OutputRefused(f"cannot write to {out}: {place} is a file, not a folder; name another folder with --out")
    try:
        with tempfile.TemporaryFile(dir=place):
            pass
    except OSError as refused:
        reason = refused.strerror or str(refused)
        raise OutputRefused(f"cannot write to {out}: {reason}; name another folder with --out") from refused
