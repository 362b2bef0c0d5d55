"""Where the films of an earlier result are now: where it says, or in folders to look in. A file is known by its hash and nothing else."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import pairdiff
from pairdiff._errors import InputRefused

SIDES: tuple[Literal["hdr", "sdr"], Literal["hdr", "sdr"]] = ("hdr", "sdr")
WHOLE = "sha256:"
"""How the id of a release begins that was told by all bytes of its files."""
MOST_PLACES = 200
"""Places of one name that are looked at, in folders to look in (own: a name like `video.mkv` may lie in every folder of a shelf)."""


@dataclass(frozen=True, slots=True)
class Sought:
    """What became of the search for one release."""

    path: str | None
    """Where it lies; None where it was not found."""
    state: Literal["found", "gone", "other files"]
    """`other files`: something lies there whose hash is another one."""
    words: str
    """The same in a sentence, where it was not found."""


class Seeker:
    """Looks for releases; folders are listed once, however many releases are looked for.

    Parameters
    ----------
    folders : to look in, with all that they hold; links are not followed.
    """

    def __init__(self, folders: Sequence[Path] = ()) -> None:
        self._folders = tuple(folders)
        self._names: dict[str, list[str]] | None = None

    def find(self, result: Mapping[str, Any], side: Literal["hdr", "sdr"], *, folder: str = "", given: str | None = None) -> Sought:
        """Find a release of a result.

        Parameters
        ----------
        result : as in `result.json`.
        side : which one.
        folder : what its path was relative to; empty where that is not known.
        given : where the user says that it lies; no other place is looked at then.
        """
        path, file_id = str(result[side]["path"]).replace("\0", ""), result[side]["file_id"]
        other: str | None = None
        for place in [given] if given is not None else self._places(path, folder):
            try:
                found = pairdiff.identify_release(place, side=side, hash_whole=file_id.startswith(WHOLE))
            except (InputRefused, OSError, ValueError):
                continue
            if found == file_id:
                return Sought(place, "found", "")
            other = other or place
        name = {"hdr": "HDR", "sdr": "SDR"}[side]
        if other is not None:
            return Sought(None, "other files", f"The {name} release {other} is not the file that was measured: its hash is another one.")
        return Sought(None, "gone", f"The {name} release {given or path} is not there.")

    def _places(self, path: str, folder: str) -> Iterator[str]:
        """Where a release may lie, the likeliest first."""
        if folder:
            yield pairdiff.place_release(path, folder=folder)
        yield os.path.abspath(path) if "+" not in path else pairdiff.place_release(path, folder=os.getcwd())
        for names in dict.fromkeys(((path,), tuple(path.split("+")))):
            last = [os.path.basename(name.rstrip("/\\")) for name in names]
            for place in self._named(last[0])[:MOST_PLACES]:
                yield "+".join(os.path.join(place, name) for name in last)

    def _named(self, name: str) -> list[str]:
        """Folders that hold something of that name; of a pattern of numbered pictures something that begins as it does."""
        if self._names is None:
            self._names = {}
            for folder in self._folders:
                for place, folders, files in os.walk(folder):
                    for one in (*folders, *files):
                        self._names.setdefault(one, []).append(place)
        if "%" not in name or name in self._names:
            return self._names.get(name, [])
        head = name.partition("%")[0]
        return list(dict.fromkeys(place for one, places in self._names.items() if one.startswith(head) for place in places))
