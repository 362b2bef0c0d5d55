"""How often the 95 % interval of a share of film time holds the truth: simulated films, printed, never asserted.

PYTHONPATH=. .venv-tests/bin/python tests/bench/interval_cover.py [FILMS]

A simulated film is a row of shots whose lengths follow a log-normal law (median 3.5 s; common practice, no source) and of scenes of 1 to
40 shots. What is counted (frames that lose more than a threshold, or show a highlight) comes in three ways: frames by themselves, whole
shots, and shots of some scenes that show it for a part of their frames. The truth is the share of all frames; the estimate sees the
pictures that `compare` would draw: `pairs_per_shot` from each shot, at most `max_pairs` in all.
"""

from __future__ import annotations

import sys

import numpy as np

from pairdiff._pipeline import _pick_pairs
from pairdiff._records import Alignment
from pairdiff._settings import Settings
from pairdiff.score.pooling import estimate_share

SHARES = (0.005, 0.01, 0.03, 0.1, 0.3)
WAYS = ("frames", "shots", "scenes")
FILMS = {"clip, 8 shots": 8, "short film, 60 shots": 60, "feature, 1200 shots": 1200}


def make_film(shots: int, *, share: float, way: str, rng: np.random.Generator) -> tuple[list[tuple[int, int]], np.ndarray]:
    """Shots (start, stop) and whether each frame counts."""
    lengths = np.maximum(np.rint(24 * rng.lognormal(np.log(3.5), 0.8, shots)), 6).astype(int)
    stops = np.cumsum(lengths)
    spans = [(int(stop - length), int(stop)) for stop, length in zip(stops, lengths, strict=True)]
    if way == "frames":
        return spans, rng.random(stops[-1]) < share
    if way == "shots":
        return spans, np.repeat(rng.random(shots) < share, lengths)
    scene = np.repeat(np.arange(shots), rng.integers(1, 41, shots))[:shots]
    lit = rng.random(shots) < min(2.5 * share, 1.0)  # scenes in which it can come at all
    part = np.where(lit[scene], rng.beta(0.6, 0.9, shots), 0.0)  # of a shot's frames, 40 % on average
    inside = np.concatenate([(np.arange(n) / n + rng.random()) % 1 for n in lengths])
    return spans, inside < np.repeat(part, lengths)


def sample_share(spans: list[tuple[int, int]], counted: np.ndarray, settings: Settings) -> tuple[float, float, float]:
    """Estimate and interval from the pictures that a comparison draws."""
    frames = len(counted)
    times_s = np.arange(frames) / 24
    alignment = Alignment(1.0, 0, 1.0, 0.0, (), (), tuple(spans), (), partners=np.arange(frames), hdr_times_s=times_s, sdr_times_s=times_s)
    picks = _pick_pairs(alignment, settings=settings, full=False)
    found = estimate_share(
        counted[list(picks.hdr_frames)],
        weights=np.array(picks.seconds),
        shots=np.array(picks.shots),
        sampled_fraction=len(picks.hdr_frames) / picks.matched_frames,
    )
    assert found.value is not None
    assert found.low is not None
    assert found.high is not None
    return found.value, found.low, found.high


def main(films: int) -> None:
    print("| film | counted by | true share | covers | mean width | mean of the estimates |")
    print("|---|---|---|---|---|---|")
    for film, shots in FILMS.items():
        for way in WAYS:
            for share in SHARES:
                covered, widths, values, truths = 0, [], [], []
                for number in range(films):
                    rng = np.random.default_rng((number, shots, WAYS.index(way), SHARES.index(share)))
                    spans, counted = make_film(shots, share=share, way=way, rng=rng)
                    value, low, high = sample_share(spans, counted, Settings(seed=number))
                    truth = float(counted.mean())
                    covered += low - 1e-12 <= truth <= high + 1e-12
                    widths.append(high - low)
                    values.append(value)
                    truths.append(truth)
                print(
                    f"| {film} | {way} | {np.mean(truths):.2%} | {covered / films:.1%} | {np.mean(widths):.2%} | {np.mean(values):.2%} |",
                    flush=True,
                )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
