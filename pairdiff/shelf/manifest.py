"""A manifest: the pairs of a batch, read and checked whole before anything is run.

    [defaults]            options and settings that hold for all pairs
    [[pair]]              title, hdr, sdr; edition, region, year, notes; options and settings of its own, which win

Names are those of the command's options and of the settings file; paths are relative to the manifest. All faults are told at once.
"""

from __future__ import annotations

import hashlib
import re
import tomllib
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal

import pairdiff
from pairdiff._checks import read_length_s
from pairdiff._errors import PairdiffError, UsageError
from pairdiff._settings_file import list_faults, setting_kinds, settings_from_file

OPTIONS: dict[str, type] = {"full": bool, "survey": bool, "budget": str, "hash": bool}
"""Options of `compare` that an entry may state."""
WORDS: dict[str, type] = {"edition": str, "region": str, "year": int, "notes": str}
"""What the archive knows a title by, beside the title."""
KEEPING: dict[str, type] = {"keep": bool, "archive": str}
RELEASES: dict[str, type] = {"title": str, "hdr": str, "sdr": str}
"""What every pair states, and `[defaults]` never."""
OF_THE_CALL = {"fresh": "give `pairdiff batch --fresh`", "out": "give `pairdiff batch --out`", "json": "give `pairdiff batch --json`"}
"""Options that hold for a call and not for a title, and what to do instead."""
IN_WORDS = ("displays", "own_displays", "anchor", "only")
"""Settings whose words are read only by a comparison."""
MOST_LETTERS = {"title": 10_000, "notes": 20_000, "edition": 1000, "region": 1000}
"""Most that words may have, so that they can be handed to a process (own; Linux takes 128 KiB an argument)."""
YEARS = (1870, 2200)
FOLDER_LETTERS, FOLDER_BYTES = 60, 120
"""Most of a title that the name of its folder shows, with room for what file systems take (255 bytes)."""
_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?!")|\'\'\'.*?\'\'\'(?!\')|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'|#[^\n]*|[\[\]{}]|\n', flags=re.DOTALL
)
"""What decides where a statement of TOML 1.0 ends: strings, comments, brackets, line ends."""


@dataclass(frozen=True, slots=True)
class Pair:
    """One film of a manifest: all that the work on it needs, plain data throughout (`dataclasses.asdict` gives JSON)."""

    title: str
    folder: str
    """Name of the folder for its result, made from the title alone."""
    hdr: str
    """As the manifest states it."""
    sdr: str
    hdr_path: str
    """The same from anywhere on this machine."""
    sdr_path: str
    settings: dict[str, Any] = field(default_factory=dict)
    """Those stated."""
    options: dict[str, Any] = field(default_factory=dict)
    """`full`, `survey`, `budget`, `hash`, where stated."""
    words: dict[str, Any] = field(default_factory=dict)
    """`edition`, `region`, `year`, `notes`, where stated."""
    keep: bool = False
    """Whether its run is kept in an archive."""
    archive: str | None = None
    """The archive's path; None for the usual one."""


@dataclass(frozen=True, slots=True)
class Manifest:
    """A manifest without faults."""

    path: str
    pairs: tuple[Pair, ...]

    def choose(self, titles: tuple[str, ...]) -> tuple[Pair, ...]:
        """The pairs of these titles, in the manifest's order; all where none is named.

        Raises
        ------
        UsageError : a title that the manifest has not.
        """
        known = {pair.title: pair for pair in self.pairs}
        wanted = {normal_title(title) for title in titles}
        for title in sorted(wanted - set(known)):
            near = get_close_matches(title, known, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]!r}?" if near else f"it has {len(known)} titles, written as in the manifest."
            raise UsageError(f"--only: {self.path} has no pair titled {title!r}: {hint}")
        return tuple(pair for pair in self.pairs if not titles or pair.title in wanted)


def read_manifest(path: Path | str, *, only: tuple[str, ...] = ()) -> Manifest:
    """Read and check a manifest.

    Parameters
    ----------
    path
        A TOML file.
    only
        Titles whose files have to be there; all where none is named. Everything else is checked of every pair.

    Returns
    -------
    Manifest

    Raises
    ------
    UsageError
        When the file cannot be read or is not TOML, or with all faults that were found in it, each with its line where one is known.
    """
    path = Path(path)
    text = _read_text(path)
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"The manifest {path} is not TOML ({error}): see the example in the README.") from None
    reader = _Reader(path.absolute().parent, _find_lines(text), only=frozenset(map(normal_title, only)))
    pairs = reader.read(document)
    if reader.faults:
        count = f"{len(reader.faults)} faults" if len(reader.faults) > 1 else "a fault"
        listed = "\n".join(f"  {one}" for one in reader.faults)
        raise UsageError(f"The manifest {path} has {count}; nothing was run:\n{listed}")
    return Manifest(str(path), tuple(pairs))


def name_folder(title: str) -> str:
    """A folder name for a title: safe on every file system, the same wherever the title stands, different for different titles.

    Letters, digits and their marks stay, in small letters; all else becomes hyphens. Eight digits of a hash of the whole title follow, so
    that no two titles share a name, also where capitals do not count, and none is a name that a system keeps for itself.
    """
    title = normal_title(title)
    kept = "".join(letter if unicodedata.category(letter)[0] in "LNM" else "-" for letter in title.lower())
    short = re.sub("-+", "-", kept).strip("-")[:FOLDER_LETTERS]
    short = short.encode()[:FOLDER_BYTES].decode(errors="ignore").strip("-")
    return f"{short or 'film'}-{hashlib.sha256(title.encode()).hexdigest()[:8]}"


def normal_title(text: str) -> str:
    """One spelling of what looks the same (Unicode NFC), without blanks around it."""
    return unicodedata.normalize("NFC", text).strip()


def _read_text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise UsageError(f"The manifest {path} does not exist: check the path.") from None
    except OSError as error:
        raise UsageError(f"The manifest {path} cannot be read ({error.strerror}): give a readable text file.") from None
    except UnicodeDecodeError:
        raise UsageError(f"The manifest {path} is not text in UTF-8: write it as TOML, see the example in the README.") from None


# ---------------------------------------------------------------- where things stand

Place = tuple[str, int, str]
"""Table, its number where there are several, key; an empty key is the table itself."""


def _find_lines(text: str) -> dict[Place, int]:
    """Line of every table and key of a document that is known to be TOML."""
    lines: dict[Place, int] = {}
    table, number, pairs = "", 0, 0
    for line, statement in _statements(text):
        header = re.match(r"(\[\[?)\s*(\"[^\"]*\"|'[^']*'|[^\]]*?)\s*\]", statement)
        if header:
            table = header[2].strip("\"'")
            pairs += header[1] == "[[" and table == "pair"
            number = pairs if table == "pair" else 0
        key = "" if header else (re.match(r"\"[^\"]*\"|'[^']*'|[^\s=.]*", statement) or [""])[0].strip("\"'")
        lines.setdefault((table, number, key), line)
    return lines


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Line and text of every statement; strings, comments and brackets may hold line ends."""
    line = begun = 1
    start = seen = depth = 0
    for token in _TOKEN.finditer(f"{text}\n"):
        line += text.count("\n", seen, token.end())
        seen = token.end()
        depth += (token[0] in ("[", "{")) - (token[0] in ("]", "}"))
        if token[0] == "\n" and not depth:
            statement = text[start : token.start()].strip()
            if statement and not statement.startswith("#"):
                yield begun, statement
            start, begun = token.end(), line


# ---------------------------------------------------------------- what may stand there


class _Reader:
    """Reads a document and gathers what is wrong with it."""

    def __init__(self, folder: Path, lines: Mapping[Place, int], *, only: frozenset[str]) -> None:
        self.faults: list[str] = []
        self._spoilt: set[Place] = set()  # tables with a setting that cannot be used: what goes together with it is not known
        self._folder, self._lines, self._only = folder, lines, only

    def read(self, document: Mapping[str, Any]) -> list[Pair]:
        """The pairs; what is wrong is in `faults` then."""
        for name in document:
            if name not in ("defaults", "pair"):
                words = f"{name!r} is no part of a manifest: it has [defaults] and [[pair]] alone."
                self._add("the manifest", self._lines.get(("", 0, name)) or self._lines.get((name, 0, "")), words)
        defaults, entries = document.get("defaults", {}), document.get("pair", [])
        if not isinstance(defaults, dict):
            self._add("defaults", self._lines.get(("", 0, "defaults")), "found a single value, expected a table [defaults].")
            defaults = {}
        if not isinstance(entries, list) or not entries or not all(isinstance(one, dict) for one in entries):
            self._add(
                "pair", self._lines.get(("", 0, "pair")), "no film is listed: write a table [[pair]] with title, hdr and sdr for each."
            )
            entries = []
        common = self._read_table(defaults, ("defaults", 0, ""), where="[defaults]")
        pairs = [self._read_pair(entry, number, common) for number, entry in enumerate(entries, 1)]
        self._refuse_twice([(number, pair) for number, pair in enumerate(pairs, 1) if pair is not None])
        return [pair for pair in pairs if pair is not None]

    def _add(self, where: str, line: int | None, words: str) -> None:
        told = f"{f'line {line}, ' if line else ''}{where}: {words}"
        if told not in self.faults:
            self.faults.append(told)

    def _line(self, place: Place, key: str = "") -> int | None:
        table, number, _ = place
        return self._lines.get((table, number, key)) or self._lines.get(place)

    def _read_table(self, table: Mapping[str, Any], place: Place, *, where: str) -> dict[str, Any]:
        """What can be used of a table's values, `settings` read from its file; the rest is told."""
        of_pair = place[0] == "pair"
        kinds = {**(RELEASES if of_pair else {}), **WORDS, **OPTIONS, **KEEPING, "settings": str}
        usable = self._read_settings_file(table, place, where=where)
        for name, value in table.items():
            words = None
            if name in kinds:
                words = _wrong(name, value, kinds[name])
            elif name in setting_kinds():
                words = next(iter(list_faults({name: value}, place="manifest")), None)
                self._spoilt |= {place} if words else set()
            else:
                words = _unknown(name, (*kinds, *setting_kinds()), of_pair=of_pair)
            if words is not None:
                self._add(where, self._line(place, name), words)
            elif name != "settings":
                usable[name] = value
        return usable

    def _read_settings_file(self, table: Mapping[str, Any], place: Place, *, where: str) -> dict[str, Any]:
        named = table.get("settings")
        if not isinstance(named, str) or not named:
            return {}
        try:
            return settings_from_file(self._folder / named)
        except UsageError as error:
            self._add(where, self._line(place, "settings"), str(error))
            self._spoilt.add(place)
            return {}

    def _read_pair(self, entry: Mapping[str, Any], number: int, common: Mapping[str, Any]) -> Pair | None:
        place: Place = ("pair", number, "")
        title = entry.get("title")
        where = f"pair {number} ({_short(title)})" if isinstance(title, str) and title else f"pair {number}"
        own = self._read_table(entry, place, where=where)
        for name in RELEASES:
            if name not in entry:
                self._add(where, self._line(place), f"{name} is missing: every pair states title, hdr and sdr.")
        stated = {**common, **own}
        self._check_together(stated, own, place, where=where)
        if any(name not in own for name in RELEASES):
            return None
        title = normal_title(own["title"])
        paths = {side: pairdiff.place_release(own[side], folder=self._folder) for side in ("hdr", "sdr")}
        if not self._only or title in self._only:
            self._check_files(paths, place, where=where)
        archive = stated.get("archive")
        return Pair(
            title=title,
            folder=name_folder(title),
            hdr=own["hdr"],
            sdr=own["sdr"],
            hdr_path=paths["hdr"],
            sdr_path=paths["sdr"],
            settings={name: stated[name] for name in setting_kinds() if name in stated},
            options={name: stated[name] for name in OPTIONS if name in stated},
            words={name: stated[name] for name in WORDS if name in stated},
            keep=stated.get("keep", False),
            archive=None if archive is None else str(self._folder / archive),
        )

    def _check_files(self, paths: Mapping[str, str], place: Place, *, where: str) -> None:
        sides: tuple[Literal["hdr", "sdr"], ...] = ("hdr", "sdr")
        for side in sides:
            try:
                pairdiff.check_release(paths[side], side=side)
            except PairdiffError as error:
                self._add(where, self._line(place, side), str(error))

    def _check_together(self, stated: Mapping[str, Any], own: Mapping[str, Any], place: Place, *, where: str) -> None:
        """What each value alone does not show: options and settings that exclude each other, words that only a comparison reads."""
        if stated.get("full") and stated.get("survey"):
            words = "full and survey exclude each other: write `survey = false` beside `full = true`, or leave one out."
            self._add(where, self._line(place, "full" if "full" in own else "survey"), words)
        if {("defaults", 0, ""), place} & self._spoilt:
            return
        settings = {name: stated[name] for name in setting_kinds() if name in stated}
        if not set(settings) & set(own):  # those of all pairs, told once
            place, where = ("defaults", 0, ""), "[defaults]"
        found = list_faults(settings, place="manifest", together=True)
        if not found and set(IN_WORDS) & set(settings):
            try:
                pairdiff.check_words(settings=pairdiff.make_settings(None, settings))
            except UsageError as error:
                found = [str(error)]
        for words in found:
            self._add(where, self._line(place), words)

    def _refuse_twice(self, pairs: list[tuple[int, Pair]]) -> None:
        first: dict[str, int] = {}
        for number, pair in pairs:
            before = first.setdefault(pair.folder, number)
            if before != number:
                words = f"the title is that of pair {before} as well, and both would be written to {pair.folder}. Add the edition."
                self._add(f"pair {number} ({_short(pair.title)})", self._line(("pair", number, ""), "title"), words)


def _wrong(name: str, value: Any, kind: type) -> str | None:
    """What is wrong with a value that is no setting; None where it can be used."""
    if type(value) is not kind or not isinstance(value, (str, int)):
        noun = {str: "words in quotes", bool: "true or false", int: "a whole number"}[kind]
        return f"{name}: found {value!r}, expected {noun}."
    if isinstance(value, int) and kind is int:
        return None if YEARS[0] <= value <= YEARS[1] else f"{name}: found {value}, expected a year from {YEARS[0]} to {YEARS[1]}."
    if isinstance(value, int):
        return None
    if name == "budget":
        try:
            read_length_s(value)
        except UsageError as error:
            return str(error)
    return _wrong_words(name, value)


def _wrong_words(name: str, value: str) -> str | None:
    if name in (*RELEASES, "settings", "archive") and not normal_title(value):
        return f"{name} is empty: write it, or leave the pair out."
    if len(value) > MOST_LETTERS.get(name, 4096):
        return f"{name} has {len(value)} letters, more than the {MOST_LETTERS.get(name, 4096)} that it may have: shorten it."
    several = "\n\t" if name == "notes" else ""
    odd = next((letter for letter in value if unicodedata.category(letter) == "Cc" and letter not in several), None)
    return None if odd is None else f"{name} holds the control character U+{ord(odd):04X}: take it out."


def _unknown(name: str, known: tuple[str, ...], *, of_pair: bool) -> str:
    if name in OF_THE_CALL:
        return f"{name!r} holds for a call and not for a title: {OF_THE_CALL[name]}."
    if not of_pair and name in RELEASES:
        return f"{name!r} is stated by each [[pair]], not for all."
    near = get_close_matches(name.replace("-", "_").lower(), known, n=1, cutoff=0.5)
    hint = f"did you mean {near[0]!r}?" if near else "`pairdiff compare --help` lists every option and setting."
    return f"{_short(name)} is no option, setting or word of a pair: {hint}"


def _short(text: str, letters: int = 60) -> str:
    """A text for a message, in quotes, its marks and control characters as numbers."""
    shown = "".join(
        one if unicodedata.category(one) not in ("Cc", "Cf") else f"\\u{ord(one):04x}" for one in normal_title(text)[: letters + 1]
    )
    return f"'{shown[:letters]}...'" if len(shown) > letters else f"'{shown}'"
