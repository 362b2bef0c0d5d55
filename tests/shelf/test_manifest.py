"""A manifest: read whole, all its faults told at once with their lines, and a safe folder for any title."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pairdiff._errors import UsageError
from pairdiff.shelf.manifest import Manifest, _find_lines, name_folder, read_manifest

ROOT = Path(__file__).resolve().parents[2]
PAIR = '[[pair]]\ntitle = "{0}"\nhdr = "hdr.mkv"\nsdr = "sdr.mkv"\n'


@pytest.fixture
def films(tmp_path: Path) -> Path:
    """A folder with files in the place of films: a manifest is read without opening them."""
    for name in ("hdr.mkv", "sdr.mkv", "reel1.mkv", "reel2.mkv", "a+b.mkv"):
        (tmp_path / name).write_bytes(b"not empty")
    return tmp_path


def read(folder: Path, text: str, *only: str) -> Manifest:
    (folder / "shelf.toml").write_text(text, encoding="utf-8")
    return read_manifest(folder / "shelf.toml", only=only)


def faults(folder: Path, text: str, *only: str) -> list[str]:
    with pytest.raises(UsageError) as caught:
        read(folder, text, *only)
    first, *rest = str(caught.value).splitlines()
    assert re.search(rf"shelf\.toml has {'a fault' if len(rest) == 1 else f'{len(rest)} faults'}; nothing was run:$", first), first
    return [line.strip() for line in rest]


def test_defaults_hold_for_all_and_a_pair_wins_over_them(films: Path) -> None:
    text = (
        '[defaults]\nseed = 7\nregion = "B"\nfull = true\nkeep = true\narchive = "shelf"\n' + PAIR.format("One") + "seed = 8\nyear = 1982\n"
    )
    one, two = read(films, text + PAIR.format("Two") + 'full = false\nkeep = false\nroom_lux = 5\nedition = "Restored"\n').pairs
    assert (one.settings, one.options, one.words, one.keep) == ({"seed": 8}, {"full": True}, {"region": "B", "year": 1982}, True)
    assert (two.settings, two.options, two.keep) == ({"room_lux": 5, "seed": 7}, {"full": False}, False)
    assert two.words == {"edition": "Restored", "region": "B"}
    assert one.archive == str(films / "shelf")
    assert (one.hdr, one.hdr_path) == ("hdr.mkv", str(films / "hdr.mkv"))


def test_a_settings_file_is_taken_in_and_what_the_manifest_states_wins(films: Path) -> None:
    (films / "room.toml").write_text("sdr_white = 160.0\nsdr_gamma = 2.2\nseed = 1\n")
    (one,) = read(films, '[defaults]\nsettings = "room.toml"\n' + PAIR.format("One") + "seed = 2\n").pairs
    assert one.settings == {"sdr_white": 160.0, "sdr_gamma": 2.2, "seed": 2}


def test_paths_are_relative_to_the_manifest_in_every_part_of_a_joined_release(films: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir("/")
    text = '[[pair]]\ntitle = "T"\nhdr = "reel1.mkv+reel2.mkv"\nsdr = "a+b.mkv"\n'
    (one,) = read(films, text).pairs
    assert one.hdr_path == f"{films}/reel1.mkv+{films}/reel2.mkv"
    assert one.sdr_path == f"{films}/a+b.mkv"


FAULTY = """[defaults]
sede = 3  # 1: [defaults]: did you mean 'seed'?
title = "all"  # 2: [defaults]: 'title' is stated by each [[pair]]
survey = "yes"  # 3: [defaults]: survey: found 'yes', expected true or false

[[pair]]
title = "One"
hdr = "gone.mkv"  # 4: pair 1 ('One'): gone.mkv does not exist
sdr = "sdr.mkv"
year = "1982"  # 5: pair 1 ('One'): year: found '1982', expected a whole number
support_min = 80  # 6: pair 1 ('One'): support_min in the manifest: found 80.0, expected a number from 0 to 1

[[pair]]  # 7: pair 2: sdr is missing
title = ""  # 8: pair 2: title is empty
hdr = 7  # 9: pair 2: hdr: found 7, expected words in quotes

[[pair]]  # 10: pair 3 ('One'): sdr_white is 100 but sdr_gamma is not stated
title = "One"  # 11: pair 3 ('One'): the title is that of pair 1 as well
hdr = "hdr.mkv"
sdr = "also-gone.mkv"  # 12: pair 3 ('One'): also-gone.mkv does not exist
sdr_white = 100.0
fresh = true  # 13: pair 3 ('One'): 'fresh' holds for a call and not for a title: give `pairdiff batch --fresh`
budget = "soon"  # 14: pair 3 ('One'): --budget: found 'soon', expected a length of time

[extra]  # 15: the manifest: 'extra' is no part of a manifest
x = 1
"""


def test_every_fault_is_told_at_once_with_its_line(films: Path) -> None:
    """The comment of each line says what is wrong there."""
    found = faults(films, FAULTY)
    wanted = [(line, one[1], one[2]) for line, text in enumerate(FAULTY.splitlines(), 1) if (one := re.search(r"# \d+: (.*?): (.*)", text))]
    assert len(found) == len(wanted) == 15, "\n".join(found)
    for line, where, words in wanted:
        assert any(one.startswith(f"line {line}, {where}: ") and words in one for one in found), (line, where, words, found)


def test_a_fault_of_all_pairs_is_told_once_where_it_stands(films: Path) -> None:
    text = "[defaults]\nsdr_white = 100.0\n" + "".join(PAIR.format(f"T{number}") for number in range(5))
    assert faults(films, text) == ["line 1, [defaults]: sdr_white is 100 but sdr_gamma is not stated: a real set needs both, or neither."]
    (told,) = faults(films, '[defaults]\ndisplays = "den"\n' + PAIR.format("T"))
    assert told.startswith("line 1, [defaults]: ")
    assert "den" in told


def test_full_beside_survey_is_a_fault_and_says_the_way_out(films: Path) -> None:
    (told,) = faults(films, "[defaults]\nsurvey = true\n" + PAIR.format("T") + "full = true\n")
    assert told.startswith("line 7, pair 1 ('T'): full and survey exclude each other: write `survey = false`")
    assert read(films, "[defaults]\nsurvey = true\n" + PAIR.format("T") + "full = true\nsurvey = false\n").pairs[0].options == {
        "full": True,
        "survey": False,
    }


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no film is listed"),
        ("pair = 3\n", "line 1, pair: no film is listed"),
        ("defaults = 3\n" + PAIR.format("T"), "line 1, defaults: found a single value"),
        (PAIR.format("a\\u0000b"), "title holds the control character U+0000"),
        (PAIR.format("x" * 10_001), "title has 10001 letters, more than the 10000"),
        (PAIR.format("T") + "year = 12\n", "year: found 12, expected a year from 1870 to 2200"),
        (PAIR.format("T") + "archive = ''\n", "archive is empty"),
        (PAIR.format("T") + "settings = 'none.toml'\n", "none.toml does not exist"),
        (PAIR.format("T") + "[pair.more]\nx = 1\n", "'more' is no option, setting or word of a pair"),
        (PAIR.format("T") + "hdr_transfer = 'gamma'\n", "found 'gamma', expected one of pq, hlg, bt1886"),
        (PAIR.format("Caf\N{LATIN SMALL LETTER E WITH ACUTE}") + PAIR.format("Cafe\N{COMBINING ACUTE ACCENT}"), "that of pair 1 as well"),
    ],
)
def test_what_cannot_be_used_is_a_fault(films: Path, text: str, words: str) -> None:
    (told,) = faults(films, text)
    assert words in told


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"[[pair]\n", r"is not TOML \(.*line 1"), (b"title = '\xff'\n", "is not text in UTF-8"), (None, "does not exist: check the path")],
)
def test_a_file_that_is_no_manifest_is_refused(tmp_path: Path, data: bytes | None, words: str) -> None:
    if data is not None:
        (tmp_path / "shelf.toml").write_bytes(data)
    with pytest.raises(UsageError, match=words):
        read_manifest(tmp_path / "shelf.toml")


def test_a_folder_in_the_place_of_a_manifest_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        read_manifest(tmp_path)


def test_only_the_titles_that_are_asked_for_need_their_files(films: Path) -> None:
    text = PAIR.format("Here") + '[[pair]]\ntitle = "Away"\nhdr = "gone.mkv"\nsdr = "sdr.mkv"\n'
    assert len(faults(films, text)) == 1
    found = read(films, text, "Here")
    assert [pair.title for pair in found.choose(("Here",))] == ["Here"]
    with pytest.raises(UsageError, match="no pair titled 'Hare': did you mean 'Here'"):
        found.choose(("Hare",))


def test_lines_are_found_whatever_strings_and_brackets_hold(films: Path) -> None:
    """Each key holds the number of the line that it stands on; the standard library's parser says what the document is."""
    text = '''\ufeff# [[pair]] in a comment
top = 2
list = [ 3, # ]
[["pair"]], """a
[[pair]]
""", {x = "]"}]
[defaults]
notes = """x = 1
[[pair]] ""\\""""""
last = 10
  [[ pair ]]  # [
"title" = 12
'hdr' = 13
region = \'\'\'
[[pair]] \'\'
x = 2\'\'\'\'
sdr = 17
[[pair]]
year = 19
[pair.sub]
deep = 21'''
    document = tomllib.loads(text[1:])
    lines = _find_lines(text[1:])
    assert lines["", 0, "top"] == document["top"] == 2
    assert lines["", 0, "list"] == document["list"][0] == 3
    assert lines["defaults", 0, "last"] == document["defaults"]["last"] == 10
    assert [lines["pair", 1, key] for key in ("title", "hdr", "sdr")] == [document["pair"][0][key] for key in ("title", "hdr", "sdr")]
    assert lines["pair", 2, "year"] == document["pair"][1]["year"] == 19
    assert lines["pair.sub", 0, "deep"] == document["pair"][1]["sub"]["deep"] == 21
    assert (lines["pair", 1, ""], lines["pair", 2, ""]) == (11, 18)
    assert set(lines) >= {("pair", 2, ""), ("pair", 2, "year")}
    assert ("pair", 3, "") not in lines


# Reserved characters and names: Microsoft, "Naming Files, Paths, and Namespaces" (Win32 documentation), from memory.
RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{number}" for port in ("com", "lpt") for number in range(10))}
HOSTILE = [
    "../../etc/passwd",
    "..",
    ".",
    "/",
    "C:\\Windows\\System32",
    "CON",
    "nul.txt",
    "COM1",
    "a" * 4000,
    "\N{CJK UNIFIED IDEOGRAPH-6620}" * 4000,
    "film\N{RIGHT-TO-LEFT OVERRIDE}gpj.exe",
    "\N{HEBREW LETTER ALEF}\N{RIGHT-TO-LEFT MARK}\N{HEBREW LETTER BET}",
    "-rf",
    "--out=x",
    "$(reboot); `id` & |",
    "'; drop table runs; --",
    "trailing dot.",
    "trailing space ",
    "\N{CLAPPER BOARD}\N{CLAPPER BOARD}",
    "~",
    "%05d",
    "a+b",
]


def is_safe(name: str) -> bool:
    return (
        not set(name) & set("<>:\"/\\|?*%+$`&;'~ ")
        and all(letter.isprintable() for letter in name)
        and not name.startswith((".", "-"))
        and name[-1] not in ". "
        and name.partition(".")[0].casefold() not in RESERVED
        and len(name.encode()) <= 200
    )


@pytest.mark.parametrize("title", HOSTILE)
def test_any_title_has_a_safe_folder(tmp_path: Path, title: str) -> None:
    name = name_folder(title)
    assert is_safe(name), name
    (tmp_path / name).mkdir()
    assert [path.name for path in tmp_path.iterdir()] == [name]


def test_hostile_titles_have_folders_of_their_own() -> None:
    titles = [*HOSTILE, "Film", "film", "FILM", "film.", "film!", *(one + "x" for one in HOSTILE)]
    assert len({name_folder(title).casefold() for title in titles}) == len(titles)


@settings(max_examples=300, deadline=None)
@given(st.text(min_size=1, max_size=300), st.text(min_size=1, max_size=300))
def test_titles_share_a_folder_only_where_they_are_one(first: str, second: str) -> None:
    import unicodedata

    assert is_safe(name_folder(first))
    one, two = (unicodedata.normalize("NFC", title).strip() for title in (first, second))
    assert (name_folder(first).casefold() == name_folder(second).casefold()) is (one == two)


def test_a_plain_title_can_be_read_in_its_folder() -> None:
    assert re.fullmatch(r"the-lamplighter-of-orrin-quay-[0-9a-f]{8}", name_folder("The Lamplighter of Orrin Quay"))


def test_the_manifest_of_the_readme_is_accepted(tmp_path: Path) -> None:
    blocks = re.findall(r"^```toml\n(.*?)^```", (ROOT / "README.md").read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)
    (text,) = (block for block in blocks if "[[pair]]" in block)
    for name in re.findall(r'^(?:hdr|sdr) = "([^"]*)"', text, flags=re.MULTILINE):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"not empty")
    found = read(tmp_path, text)
    assert len(found.pairs) == len(tomllib.loads(text)["pair"]) > 1
