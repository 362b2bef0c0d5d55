"""A film as numbered pictures: a folder of them, or a pattern such as `shot.%05d.png`."""

from __future__ import annotations

import itertools
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from pairdiff._errors import InputRefused

ENDINGS = ("png", "tif", "tiff", "dpx", "jpg", "jpeg", "jp2", "j2k", "bmp", "webp", "exr", "avif")
"""Endings of pictures that are taken for a film; what else lies in a folder is left alone."""
HANDED_ON = ("exr", "avif")
"""Endings of those that are handed on as a film of their own (`handed_on`)."""
GAPS_NAMED = 3
"""Gaps, or films of one folder, that a refusal names."""


@dataclass(frozen=True, slots=True)
class PictureSequence:
    """Pictures numbered without a gap."""

    folder: str
    head: str
    """What stands before the number in the names."""
    digits: int
    """Width of the number, filled with zeros; 0 where it is not filled."""
    tail: str
    """What stands behind it, the ending included."""
    first: int
    count: int

    @property
    def pattern(self) -> str:
        """The name as FFmpeg's image sequence reader wants it."""
        number = f"%0{self.digits}d" if self.digits else "%d"
        return os.path.join(self.folder, self.head).replace("%", "%%") + number + self.tail.replace("%", "%%")

    @property
    def ending(self) -> str:
        """Of the names, in small letters."""
        return self.tail.rpartition(".")[2].lower()

    def paths(self) -> Iterator[str]:
        """Every picture, in order."""
        for number in range(self.first, self.first + self.count):
            yield os.path.join(self.folder, f"{self.head}{number:0{max(self.digits, 1)}d}{self.tail}")


def find_sequence(path: str, *, name: str) -> PictureSequence | None:
    """The pictures that a folder or a pattern stands for; None for a single file.

    Parameters
    ----------
    path
        A folder, a name with `%d` or `%05d` in it, or anything else.
    name
        How messages call the release.

    Raises
    ------
    InputRefused
        A folder without pictures, with more than one film of them, or a number that is missing.
    """
    if os.path.isdir(path):
        return _from_folder(Path(path), name=name)
    folder, last = os.path.split(path)
    place = re.search(r"%(?:0(\d+))?d", last)
    if place is None or os.path.lexists(path):
        return None
    head, tail = last[: place.start()], last[place.end() :]
    width = int(place[1] or 0)
    digits = rf"\d{{{width}}}\d*" if width else r"\d+"
    found = _list_names(Path(folder or "."), name=name)
    wanted = re.compile(rf"{re.escape(head)}({digits}){re.escape(tail)}")
    numbers = [match[1] for match in map(wanted.fullmatch, found) if match]
    if not numbers:
        raise InputRefused(
            f"{name} stands for no picture: nothing in {folder or '.'} is called {last}. Check the path and the number of digits."
        )
    return _without_gap(folder or ".", head, width, tail, numbers, name=name)


def _from_folder(folder: Path, *, name: str) -> PictureSequence:
    names = [one for one in _list_names(folder, name=name) if one.rpartition(".")[2].lower() in ENDINGS]
    if not names:
        raise InputRefused(
            f"{name} is a folder without pictures in it that could be a film ({', '.join(ENDINGS)}). Give a video file, or the folder that "
            "holds the pictures."
        )
    films: dict[tuple[str, str], list[str]] = {}
    for one in names:
        parts = re.fullmatch(r"(.*?)(\d+)(\.[^.]+)", one)
        if parts is None:
            raise InputRefused(
                f"{name} is a folder of pictures, and {one} in it has no number. Give a folder that holds one film, numbered."
            )
        films.setdefault((parts[1], parts[3]), []).append(parts[2])
    if len(films) > 1:
        some = ", ".join(f"{head}*{tail}" for head, tail in list(films)[:GAPS_NAMED])
        raise InputRefused(
            f"{name} is a folder that holds more than one film of pictures ({some}). Give one of them, such as {folder / _hint(films)}."
        )
    (head, tail), numbers = next(iter(films.items()))
    widths = {len(one) for one in numbers}
    filled = any(len(one) > 1 and one.startswith("0") for one in numbers) or len(widths) == 1
    width = min(widths) if filled else 0
    return _without_gap(str(folder), head, width, tail, numbers, name=name)


def _hint(films: dict[tuple[str, str], list[str]]) -> str:
    (head, tail), numbers = next(iter(films.items()))
    return f"{head}%0{len(numbers[0])}d{tail}"


def _list_names(folder: Path, *, name: str) -> list[str]:
    try:
        return sorted(entry.name for entry in os.scandir(folder) if entry.is_file())
    except OSError as error:
        raise InputRefused(f"{name} cannot be listed: {error.strerror}. Check the path, and that this user may read the folder.") from error


def _without_gap(folder: str, head: str, width: int, tail: str, written: Sequence[str], *, name: str) -> PictureSequence:
    """The pictures of these numbers, as they are written in the names; refused where one is missing, or written in another way."""
    wide, numbers = max(width, 1), sorted(map(int, written))
    odd = sorted(one for one in written if one != f"{int(one):0{wide}d}")
    if odd:
        raise InputRefused(
            f"{name} has numbers written in two ways: {head}{odd[0]}{tail} beside names with {wide} digit{'s' if wide > 1 else ''} and "
            "more. Give all of them one width."
        )
    gaps = [(low + 1, high) for low, high in itertools.pairwise(numbers) if high > low + 1]
    if gaps:
        named = [f"{low:0{wide}d}" + (f" to {high - 1:0{wide}d}" if high > low + 1 else "") for low, high in gaps[:GAPS_NAMED]]
        more = " and others" if len(gaps) > GAPS_NAMED else ""
        raise InputRefused(
            f"{name} lacks pictures: {', '.join(named)}{more}. Time is counted by pictures, so none may be missing: copy them again, or "
            "give the parts one by one."
        )
    return PictureSequence(folder, head, width, tail, numbers[0], len(numbers))
