"""Cadences of real files through the command line: what is matched, what is said, what is refused.

The truth is planted (`_cadence`, with libavfilter's `telecine`); `tests/bench/cadence_cases.py` prints every case.
"""

from __future__ import annotations

import csv
import itertools
import json
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from tests._clips import PQ_TAGS, SDR_TAGS, encode_clip
from tests.match._films import to_sdr
from tests.whole._cadence import Case, case_named, cases, film, interlace, join, judge, plain, read_partners, refused_cases, write_side
from tests.whole._unrelated import write_film, write_unrelated

Run = Callable[..., subprocess.CompletedProcess[str]]
NAMES = [case.name for case in cases()]
NOT_YET = {"59.94 irregular, SDR, veryfast": "coding makes repeats move as far as new frames do"}
FAST = ("interlaced, SDR",)


def align(case: Case, run: Run, folder: Path) -> tuple[subprocess.CompletedProcess[str], Path, Path]:
    hdr, sdr = write_side(folder / "hdr", case.hdr, hdr=True), write_side(folder / "sdr", case.sdr, hdr=False)
    return run("align", hdr, sdr, "--json", "--out", folder / "out"), hdr, sdr


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(
            name,
            marks=[
                *([] if name in FAST else [pytest.mark.slow]),
                *([pytest.mark.xfail(reason=NOT_YET[name])] if name in NOT_YET else []),
            ],
        )
        for name in NAMES
    ],
)
def test_every_moving_picture_gets_its_partner(name: str, run_pairdiff: Run, tmp_path: Path) -> None:
    case = case_named(name)
    done, *_ = align(case, run_pairdiff, tmp_path)
    assert done.returncode == 0, done.stderr
    found = judge(case, read_partners(tmp_path / "out"))
    assert found.wrong == 0
    assert found.exact >= 0.995 * found.should
    notes = json.loads(done.stdout)["notes"]
    assert any(case.note in note for note in notes) or not case.note
    assert ("woven" in " ".join(notes)) == ("woven" in case.note)
    with (tmp_path / "out/partners.csv").open(encoding="utf-8") as table:
        rows = list(csv.DictReader(table))
    for side, stored in (("hdr", case.hdr), ("sdr", case.sdr)):
        times = [stamp / 1000 for stamp in stored.stamps] if stored.stamps else [float(n / stored.rate) for n in range(len(stored.top))]
        for row in rows:
            assert abs(float(row[f"{side}_time_s"]) - times[int(row[f"{side}_frame"])]) <= 0.0011


@pytest.mark.parametrize(
    "name", [one.name if one.name in FAST else pytest.param(one.name, marks=pytest.mark.slow) for one in refused_cases()]
)
def test_what_cannot_be_undone_is_refused_in_words(name: str, run_pairdiff: Run, tmp_path: Path) -> None:
    case = case_named(name)
    done, *_ = align(case, run_pairdiff, tmp_path)
    assert done.returncode in (3, 4), done.stderr
    assert done.stdout == ""
    assert not list(tmp_path.rglob("partners.csv"))
    assert case.note in done.stderr
    assert "Give " in done.stderr or "Check that both files are the same film" in done.stderr


@pytest.mark.slow
def test_video_at_the_end_of_a_film_is_counted_and_never_matched(run_pairdiff: Run, tmp_path: Path) -> None:
    hdr, sdr = plain(range(200)), join(plain(range(150)), interlace(range(150, 200)))
    case = Case("", hdr, sdr, hdr.numbers(), sdr.numbers())
    done, *_ = align(case, run_pairdiff, tmp_path)
    assert done.returncode == 0, done.stderr
    note = next(note for note in json.loads(done.stdout)["notes"] if "two moments at once" in note)
    assert note.startswith("SDR: ")
    count = int(note.split()[1])
    assert 20 <= count <= 26
    partners = read_partners(tmp_path / "out")
    assert max(partners.values()) < 152
    assert judge(case, partners).wrong == 0
    assert len(partners) >= 140


@pytest.mark.slow
@pytest.mark.parametrize("side", ["hdr", "sdr"])
@pytest.mark.parametrize("gone", [(101,), (90, 91, 92)])
def test_a_picture_that_is_missing_at_twice_the_rate_costs_its_surroundings_and_pairs_nothing_wrong(
    side: str, gone: tuple[int, ...], run_pairdiff: Run, tmp_path: Path
) -> None:
    fast, slow = plain([n for n in range(200) if n not in gone], 50), plain(range(0, 200, 2), 25)
    sides = (fast, slow) if side == "hdr" else (slow, fast)
    case = Case("", *sides, *(one.numbers() for one in sides))
    done, *_ = align(case, run_pairdiff, tmp_path)
    assert done.returncode == 0, done.stderr
    found = judge(case, read_partners(tmp_path / "out"))
    assert found.wrong == 0
    assert found.exact >= 0.6 * found.should


TURNS = {"mirrored left to right": (1, -1), "mirrored top to bottom": (-1, 1), "turned by 180 degrees": (-1, -1)}


@pytest.mark.parametrize("words", ["mirrored left to right", *(pytest.param(words, marks=pytest.mark.slow) for words in list(TURNS)[1:])])
def test_a_release_turned_in_its_file_is_refused_with_the_way_it_is_turned(words: str, run_pairdiff: Run, tmp_path: Path) -> None:
    down, across = TURNS[words]
    straight = write_film(tmp_path, "straight", film()[:80])
    turned = write_film(tmp_path, "turned", np.ascontiguousarray(film()[:80, ::down, ::across]))
    done = run_pairdiff("align", straight.hdr, turned.sdr, "--json")
    assert done.returncode == 3, done.stderr
    assert done.stdout == ""
    assert words in done.stderr
    assert "turn one of the files back" in done.stderr


@pytest.mark.slow
def test_films_that_do_not_belong_together_end_with_4(run_pairdiff: Run, tmp_path: Path) -> None:
    films = write_unrelated(tmp_path, ("photographs 5", "photographs 6", "panoramas"))
    for first, second in itertools.permutations(films, 2):
        done = run_pairdiff("align", first.hdr, second.sdr, "--json")
        assert done.returncode == 4, f"{first.name}, {second.name}: {done.stderr}"
        assert done.stdout == ""
        assert "do not seem to belong together" in done.stderr
        assert "Best candidate" in done.stderr


def test_one_picture_content_under_two_labels_is_compared(run_pairdiff: Run, tmp_path: Path) -> None:
    """The SDR stream relabelled PQ: other bytes, the same codes. Nothing in the files says so; the frames belong together one to one."""
    neutral = np.full((90, 160), 128, np.uint8)
    pictures = [(to_sdr(one.astype(np.float32) / 255), neutral, neutral) for one in film()[:80]]
    lossless = {"codec": "libx264", "pix_fmt": "yuv420p", "options": {"preset": "ultrafast", "qp": "0"}}
    hdr = encode_clip(tmp_path / "hdr.mkv", pictures, tags=PQ_TAGS, **lossless)  # type: ignore[arg-type]
    sdr = encode_clip(tmp_path / "sdr.mkv", pictures, tags=SDR_TAGS, **lossless)  # type: ignore[arg-type]
    done = run_pairdiff("align", hdr, sdr, "--json", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    partners = read_partners(tmp_path / "out")
    assert len(partners) >= 75
    assert all(hdr_frame == sdr_frame for hdr_frame, sdr_frame in partners.items())
    swapped = run_pairdiff("align", sdr, hdr)
    assert swapped.returncode == 3
    assert "swapped" in swapped.stderr
