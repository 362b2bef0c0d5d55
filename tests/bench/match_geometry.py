"""Geometry of the hostile cases, one line each: printed, never asserted.

PYTHONPATH=. .venv-tests/bin/python tests/bench/match_geometry.py [CASE ...]

Worst corner of the common picture against the planted truth, in pixels of a picture 1920 wide (99th percentile over matched frames); the
share of frames that are off by more than 0.25; the
share of the canvas that is bar, and of the common picture that is left out. Needs the clips as `match_cases.py` does.
"""

from __future__ import annotations

import sys
import time

from tests.match._cases import telling_cases
from tests.match._films import LitGrade, judge_partners
from tests.match._placing import judge_placing, place_case
from tests.match._shapes import exact, shape_cases


def main(wanted: list[str]) -> None:
    print("| case | worst corner, pixels at 1920 | frames off by more | bars | left out | passages | exact | s |")
    print("|---|---|---|---|---|---|---|---|")
    for case in (*shape_cases(), *(exact(one) for one in telling_cases() if not isinstance(one.hdr_look, LitGrade))):
        if wanted and case.name not in wanted:
            continue
        start = time.perf_counter()
        geometries, found, _, _ = place_case(case)
        told, matched = judge_placing(case, geometries, found.partners), judge_partners(case, found.partners)
        print(
            f"| {case.name} | {told.worst_pixels:.2f} | {told.wrong_share:.1%} | {told.bar_share:.1%} | {told.lost_share:.1%} "
            f"| {len(geometries)} | {matched.exact_share:.2%} | {time.perf_counter() - start:.0f} |",
            flush=True,
        )


if __name__ == "__main__":
    main(sys.argv[1:])
