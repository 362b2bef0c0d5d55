"""How long a shelf takes to list and to rank, and a run to keep.

PYTHONPATH=. .venv-tests/bin/python -m tests.bench.shelf_scale [RUNS]

Result folders of so many invented films (300 if none are given) are kept. Printed: seconds to keep a run (the median and the longest), to
list, to rank and to draw them all in Python and by the command line, with an index that is right and with one that has to be made again,
and what a start of the program without any work takes beside it.
"""

from __future__ import annotations

import functools
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import pairdiff
from pairdiff.shelf.archive import INDEX
from tests.shelf._titles import Titles

TIMES = 5


def seconds(work: Callable[[], object]) -> float:
    """Of one call."""
    begun_s = time.perf_counter()
    work()
    return time.perf_counter() - begun_s


def median_s(work: Callable[[], object]) -> float:
    """Of several calls."""
    return statistics.median(seconds(work) for _ in range(TIMES))


def command(*words: object) -> Callable[[], object]:
    """The command line in a process of its own."""
    return lambda: subprocess.run([sys.executable, "-m", "pairdiff", *map(str, words)], check=True, capture_output=True)


def main(count: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        place, archive, titles = Path(name), Path(name) / "archive", Titles()
        folders = titles.write_many(place / "results", count)
        kept = [seconds(functools.partial(pairdiff.keep, folder, archive=archive, year=2000 + n % 25)) for n, folder in enumerate(folders)]
        size = sum(one.stat().st_size for one in archive.rglob("*") if one.is_file())
        print(f"{count} runs, {size / 2**20:.0f} MiB")
        print(f"keep a run: {statistics.median(kept[1:]):.3f} s, the longest {max(kept[1:]):.3f} s (writing the result is not in it)")
        shelf = pairdiff.open_shelf(archive)
        print(f"list in Python: {median_s(shelf.list_runs):.3f} s")
        print(f"rank in Python: {median_s(lambda: shelf.list_runs(sort='headroom')):.3f} s")
        filtered = {"where": ["year>=2010", "headroom>1", "title~the"], "sort": "notice"}
        print(f"filter and rank in Python: {median_s(lambda: shelf.list_runs(**filtered)):.3f} s")
        print(f"table of runs: {median_s(shelf.runs):.3f} s; of shots: {median_s(shelf.shots):.3f} s")
        page = place / "shelf.html"
        print(f"page in Python: {median_s(lambda: shelf.report(page)):.3f} s, {page.stat().st_size / 2**10:.0f} KiB")
        print(f"start and end of the program: {median_s(command('--version')):.3f} s; help: {median_s(command('shelf', '--help')):.3f} s")
        print(f"`pairdiff shelf`: {median_s(command('shelf', '--archive', archive)):.3f} s")
        print(f"`pairdiff shelf --sort headroom`: {median_s(command('shelf', '--archive', archive, '--sort', 'headroom')):.3f} s")
        print(f"`pairdiff shelf report`: {median_s(command('shelf', 'report', '--archive', archive, '--out', page)):.3f} s")
        (archive / INDEX).unlink()
        print(f"the same, with the index made again: {seconds(command('shelf', '--archive', archive, '--sort', 'headroom')):.3f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 300)
