"""Times and peak memory of the main job on the demo's default pair: printed, never asserted.

.venv-tests/bin/python tests/bench/compare_times.py [PAIR]
"""

from __future__ import annotations

import os
import platform
import resource
import sys
import tempfile
import time
from pathlib import Path

from threadpoolctl import threadpool_info

import pairdiff
from pairdiff._demo import make_demo


def peak_mib() -> float:
    """Largest memory of this process so far (Linux counts in KiB)."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main(pair: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        started = time.perf_counter()
        files = make_demo(out / "releases", pairs=[pair])
        made = time.perf_counter()
        print(f"making the releases   {made - started:7.1f} s   peak {peak_mib():6.0f} MiB")
        for run in ("first", "second"):  # the first one compiles what is not in the cache yet
            before = time.perf_counter()
            comparison = pairdiff.compare(files.hdr[pair], files.sdr, out=out / run, fresh=True)
            print(f"{run + ' comparison':<21} {time.perf_counter() - before:7.1f} s   peak {peak_mib():6.0f} MiB")
    print(f"{comparison.coverage.scored_pairs} pairs scored of {comparison.coverage.matched_frames} matched: {comparison.verdict.label}")
    pools = ", ".join(f"{one['internal_api']} {one['num_threads']}" for one in threadpool_info())
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, thread pools: {pools}")


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "container")
