"""The hostile cases by well-kept general methods on the same fingerprints: printed, never asserted.

.venv-tests/bin/pip install dtaidistance; PYTHONPATH=. .venv-tests/bin/python tests/bench/match_rivals.py [CASE ...]

One offset: whole-track cross-correlation (scipy.signal) of high-passed tracks. Dynamic time warping: dtaidistance, n-dimensional, on the
fingerprints themselves; where a frame is paired several times, the nearest counts.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy.signal import fftconvolve

from pairdiff.match.motion import high_pass
from pairdiff.match.timeline import find_edit_map
from tests.bench.match_cases import make_track
from tests.match._cases import telling_cases
from tests.match._films import judge_partners, show

CASES = (
    "offset 37",
    "logos 3 s against 11 s",
    "20 s inserted in HDR",
    "3 s removed from SDR",
    "two cuts with five differences",
    "59.94 irregular, SDR",
    "25 from 24 by repeats",
    "crop 10 %",
    "grain 8 %",
    "CRF 30",
)


def by_one_offset(hdr: np.ndarray, sdr: np.ndarray) -> np.ndarray:
    """Partners at the offset where the whole tracks correlate best."""
    first, second = high_pass(hdr), high_pass(sdr)
    total = sum(fftconvolve(second[:, cell], first[::-1, cell]) for cell in range(first.shape[1]))
    partner = np.arange(len(hdr)) + int(np.argmax(total)) - (len(hdr) - 1)
    return np.where((partner >= 0) & (partner < len(sdr)), partner, -1)


def by_warping(hdr: np.ndarray, sdr: np.ndarray) -> np.ndarray:
    """Partners on the cheapest monotone path through the whole table."""
    from dtaidistance import dtw_ndim

    first, second = hdr.astype(np.float64), sdr.astype(np.float64)
    partner, nearest = np.full(len(hdr), -1), np.full(len(hdr), np.inf)
    for i, j in dtw_ndim.warping_path(first, second):
        distance = float(np.square(first[i] - second[j]).sum())
        if distance < nearest[i]:
            partner[i], nearest[i] = j, distance
    return partner


def main(wanted: list[str]) -> None:
    print("| case | one offset: exact, wrong | warping: exact, wrong | edit map: exact, wrong |")
    print("|---|---|---|---|")
    for case in telling_cases():
        if case.name not in (wanted or CASES):
            continue
        (hdr, _), (sdr, _) = (make_track(show(case, side)) for side in ("hdr", "sdr"))
        told = [judge_partners(case, found) for found in (by_one_offset(hdr, sdr), by_warping(hdr, sdr), find_edit_map(hdr, sdr).partners)]
        print(f"| {case.name} | " + " | ".join(f"{one.exact_share:.1%}, {one.wrong}" for one in told) + " |", flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
