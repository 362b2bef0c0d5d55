"""Fit the constants of `on_its_own` to the ladder's scores, and print how well they do. Nothing is written or asserted.

    .venv-tests/bin/python tests/bench/fit_notice.py WORLD_DIR [SCORES_CSV]

WORLD_DIR holds the panoramas (see ladder.py); SCORES_CSV is tests/reference/ladder_jod.csv where none is named. The energy of each pair
is computed once for a few weights of colour and read between them; after that a fit takes seconds. Copy what it prints into
`NoticeConstants` by hand, and the unchanged-numbers of tests/score/test_notice.py with it.
"""

from __future__ import annotations

import csv
import itertools
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from ladder import ladder
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import spearmanr

from pairdiff.light.picture import nits_to_itp, sdr_code_to_nits
from pairdiff.score.notice import FITTED, POOLING_POWER, NoticeConstants, energy_parts

PIXELS_PER_DEGREE = 56.55
GAINS = np.geomspace(0.1, 1.6, 9)
"""Weights of colour at which the energy is computed."""
SOFT_JOD = 0.1
"""The fit minimises the mean of sqrt(error^2 + SOFT_JOD^2): absolute error, smooth at zero."""
FREE = ("chromatic", "slow_chromatic", "scale_jnd", "most_jod")
STARTS = (np.zeros(4), np.log([0.3, 2.0, 1.0, 1.0]), np.log([1.5, 0.3, 1.0, 1.0]))
"""Steps from the package's constants at which the descent begins: the weights of colour have more than one valley."""
PEAKS = ("peak-220", "peak-260", "peak-320", "peak-400", "peak-600", "peak-1000", "peak-2000", "peak-4000")


@dataclass(frozen=True)
class Ladder:
    """Energies and scores of all pairs."""

    names: NDArray[np.str_]
    """(pair, 3): set, scene, rung."""
    loss: NDArray[np.float64]
    """10 - JOD, (pair,)."""
    achromatic: NDArray[np.float64]
    """(pair,)."""
    log_chromatic: NDArray[np.float64]
    """(pair, gain): natural logarithm of the energy of the bands of T and P."""
    slow: NDArray[np.float64]
    """(pair,)."""


def measure_ladder(world: Path, scores: Path) -> Ladder:
    """Energies of every pair at the white and gamma of its row."""
    with scores.open(newline="") as file:
        rows = {(row["set"], row["scene"], row["rung"]): row for row in csv.DictReader(file)}
    names, loss, parts = [], [], []
    for kind, scene, rung, hdr, code in ladder(world):
        row = rows[kind, scene, rung]
        hdr_itp = nits_to_itp(hdr)
        sdr_itp = nits_to_itp(sdr_code_to_nits(code, white_nits=float(row["white_nits"]), gamma=float(row["gamma"])))
        parts.append(
            [
                energy_parts(
                    hdr_itp, sdr_itp, pixels_per_degree=PIXELS_PER_DEGREE, noise_jnd=0.0, constants=replace(FITTED, chromatic=float(gain))
                )
                for gain in GAINS
            ]
        )
        names.append((kind, scene, rung))
        loss.append(10 - float(row["jod"]))
    energy = np.array(parts)
    return Ladder(np.array(names), np.array(loss), energy[:, 0, 0], np.log(np.maximum(energy[:, :, 1], 1e-30)), energy[:, 0, 2])


def predict(pairs: Ladder, constants: NoticeConstants) -> NDArray[np.float64]:
    """Loss of every pair, JOD."""
    place = np.clip(np.interp(np.log(constants.chromatic), np.log(GAINS), np.arange(GAINS.size)), 0, GAINS.size - 1)
    low = min(int(place), GAINS.size - 2)
    logs = pairs.log_chromatic[:, low] + (place - low) * (pairs.log_chromatic[:, low + 1] - pairs.log_chromatic[:, low])
    weight = constants.chromatic * constants.slow_chromatic
    visible = (pairs.achromatic + np.exp(logs) + weight**POOLING_POWER * pairs.slow) ** (1 / POOLING_POWER)
    return np.asarray(constants.most_jod * -np.expm1(-((visible / constants.scale_jnd) ** constants.power)))


def fit(pairs: Ladder, keep: NDArray[np.bool_], *, start: NoticeConstants = FITTED) -> NoticeConstants:
    """Constants that leave the least on the pairs kept."""

    def constants(point: NDArray[np.float64]) -> NoticeConstants:
        return replace(start, **{name: float(np.exp(value)) for name, value in zip(FREE, point, strict=True)})

    def cost(point: NDArray[np.float64]) -> float:
        error = (predict(pairs, constants(point)) - pairs.loss)[keep]
        return float(np.mean(np.sqrt(error**2 + SOFT_JOD**2)))

    def descend(point: NDArray[np.float64]) -> NDArray[np.float64]:
        for _ in range(3):
            point = minimize(cost, point, method="Nelder-Mead", options={"maxiter": 800, "xatol": 1e-3, "fatol": 1e-6}).x
        return point

    first = np.log([getattr(start, name) for name in FREE])
    return constants(min((descend(first + step) for step in STARTS), key=cost))


def figures(pairs: Ladder, predicted: NDArray[np.float64], keep: NDArray[np.bool_]) -> str:
    """Spearman and errors in one line."""
    error = predicted[keep] - pairs.loss[keep]
    rank = spearmanr(predicted[keep], pairs.loss[keep])[0]
    return (
        f"{keep.sum():4d} pairs  Spearman {rank:.3f}  mean error {np.abs(error).mean():.3f} JOD  "
        f"bias {error.mean():+.3f}  95th percentile {np.quantile(np.abs(error), 0.95):.2f}"
    )


def print_quality(pairs: Ladder, constants: NoticeConstants) -> None:
    """What the constants reach: whole, by set, containers, monotony, worst rungs."""
    predicted = predict(pairs, constants)
    print(" ", constants)
    sets = pairs.names[:, 0]
    for name in ("all", *dict.fromkeys(sets)):
        print(f"  {name:11}", figures(pairs, predicted, np.ones(len(sets), bool) if name == "all" else sets == name))
    containers = np.char.startswith(pairs.names[:, 2], "container")
    print(f"  containers   {containers.sum()} pairs, largest loss {predicted[containers].max():.4f} JOD")
    print("  peaks that fall where the peak rises:", _falls(pairs, predicted) or "none")
    rungs = {rung: (sets + "/" + pairs.names[:, 2]) == rung for rung in dict.fromkeys(sets + "/" + pairs.names[:, 2])}
    worst = sorted(rungs.items(), key=lambda item: -np.abs(predicted - pairs.loss)[item[1]].mean())
    for rung, keep in worst[:8]:
        off = np.abs(predicted - pairs.loss)[keep].mean()
        print(f"  {rung:30} ladder {pairs.loss[keep].mean():.2f}  predicted {predicted[keep].mean():.2f}  mean error {off:.2f}")


def _falls(pairs: Ladder, predicted: NDArray[np.float64]) -> list[str]:
    found = []
    for kind, scene in dict.fromkeys(map(tuple, pairs.names[:, :2])):
        rows = {rung: n for n, (a, b, rung) in enumerate(pairs.names) if (a, b) == (kind, scene)}
        losses = [predicted[rows[peak]] for peak in PEAKS if peak in rows]
        if any(after < before - 1e-9 for before, after in itertools.pairwise(losses)):
            found.append(f"{kind} {scene} {np.round(losses, 3)}")
    return found


def main(world: Path, scores: Path) -> None:
    pairs = measure_ladder(world, scores)
    every = np.ones(pairs.loss.size, bool)
    print("As the package has them:")
    print_quality(pairs, FITTED)
    print("Fitted now:")
    print_quality(pairs, fit(pairs, every))
    print("Fitted without one set, tried on it:")
    for name in dict.fromkeys(pairs.names[:, 0]):
        held = pairs.names[:, 0] == name
        found = fit(pairs, ~held)
        print(f"  {name:11}", figures(pairs, predict(pairs, found), held), found)
    print("Other powers of the curve, fitted anew:")
    for power in (1.0, 1.5, 2.0, 2.25, 3.0):
        found = fit(pairs, every, start=replace(FITTED, power=power))
        print(f"  {power:4} ", figures(pairs, predict(pairs, found), every))


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    main(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) == 3 else Path(__file__).parents[1] / "reference" / "ladder_jod.csv")
