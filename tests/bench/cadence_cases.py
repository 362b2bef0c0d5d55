"""Cadences and unrelated films through the command line, on encoded files, one line each: printed, never asserted.

PYTHONPATH=. .venv-tests/bin/python tests/bench/cadence_cases.py [CASE ...]

About six minutes on two cores; `unrelated` as a case runs the pairings of films that do not belong together alone.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.whole._cadence import cases, judge, read_partners, refused_cases, write_side
from tests.whole._unrelated import write_unrelated


def run_align(hdr: Path, sdr: Path, out: Path) -> tuple[subprocess.CompletedProcess[str], float]:
    """`pairdiff align` in a process of its own, and its seconds."""
    start = time.perf_counter()
    env = {**os.environ, "PAIRDIFF_KEEP_DIR": str(out.parent / "kept")}
    command = [sys.executable, "-m", "pairdiff", "align", str(hdr), str(sdr), "--json", "--out", str(out)]
    done = subprocess.run(command, capture_output=True, text=True, env=env, stdin=subprocess.DEVNULL)
    return done, time.perf_counter() - start


def main(wanted: list[str]) -> None:
    if wanted != ["unrelated"]:
        cadences(wanted)
        refused(wanted)
    if not wanted or "unrelated" in wanted:
        unrelated()


def cadences(wanted: list[str]) -> None:
    print("| case | pictures that match and move | exactly right | wrong | notes as they should be | s |")
    print("|---|---|---|---|---|---|")
    for case in cases():
        if wanted and case.name not in wanted:
            continue
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            hdr, sdr = write_side(folder / "hdr", case.hdr, hdr=True), write_side(folder / "sdr", case.sdr, hdr=False)
            done, seconds = run_align(hdr, sdr, folder / "out")
            if done.returncode:
                print(f"| {case.name} | exit {done.returncode}: {done.stderr.strip().splitlines()[-1]} |", flush=True)
                continue
            found = judge(case, read_partners(folder / "out"))
            notes = " ".join(json.loads(done.stdout)["notes"])
            told = "yes" if case.note in notes and ("woven" in notes) == ("woven" in case.note) else f"no: {notes}"
        print(f"| {case.name} | {found.should} | {found.exact} | {found.wrong} | {told} | {seconds:.1f} |", flush=True)


def refused(wanted: list[str]) -> None:
    """What must be refused, and whether the words say why."""
    print("\n| case | exit | words as they should be |")
    print("|---|---|---|")
    for case in refused_cases():
        if wanted and case.name not in wanted:
            continue
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            hdr, sdr = write_side(folder / "hdr", case.hdr, hdr=True), write_side(folder / "sdr", case.sdr, hdr=False)
            done, _ = run_align(hdr, sdr, folder / "out")
        told = "yes" if case.note in done.stderr else f"no: {(done.stderr.strip().splitlines() or [''])[-1]}"
        print(f"| {case.name} | {done.returncode} | {told} |", flush=True)


def unrelated() -> None:
    """Films that do not belong together, every one against every other."""
    print("\n| HDR film | SDR film | exit | best candidate |")
    print("|---|---|---|---|")
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        films = write_unrelated(folder)
        for first in films:
            for second in films:
                if first.name == second.name:
                    continue
                done, _ = run_align(first.hdr, second.sdr, folder / "out")
                said = done.stderr.strip().splitlines()[-1]
                best = said.partition("an offset of ")[2].partition(". Check")[0] or said
                print(f"| {first.name} | {second.name} | {done.returncode} | {best} |", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
