"""Fit the constants of `on_its_own` to the ladder's scores, print how well they do, and write table and plot beside this file.

Each pair is scored at the set-up that `pairdiff.compare_pictures` fits to it. Cross-validation leaves one scene out, in both its forms
(panorama and perspective view).

    PYTHONPATH=. python tests/bench/fit_notice.py WORLD_DIR [SCORES_CSV]

WORLD_DIR holds the eight panoramas (tests/run unpacks them into .cache/); SCORES_CSV is tests/reference/ladder_jod.csv by default. Written:
ladder_losses.csv (a row per pair: set-up, loss by the table, by the package, cross-validated, tone part) and ladder_losses.svg. White and
gamma are taken from an earlier ladder_losses.csv where there is one: delete it to fit the set-ups anew (a quarter of an hour).
"""

from __future__ import annotations

import csv
import itertools
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from ladder import ladder
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.stats import spearmanr

from pairdiff._settings import Settings
from pairdiff.light.picture import nits_to_itp, sdr_code_to_nits
from pairdiff.score.difference import blur_optics
from pairdiff.score.eye import EYE, EyeModel
from pairdiff.score.notice import Energies, measure_energies, split_loss
from pairdiff.score.pair import PairPictures
from pairdiff.score.setup import fit_controls, leave_out_top
from pairdiff.score.title import FitCollector
from pairdiff.verdict.pictures import FIT_PIXELS_AT_LEAST

PIXELS_PER_DEGREE = 56.55
TABLE, PLOT = Path(__file__).with_name("ladder_losses.csv"), Path(__file__).with_name("ladder_losses.svg")
GAINS = np.unique([*np.geomspace(0.15, 0.9, 4), EYE.chromatic])
"""Weights of colour at which the energy is computed, the package's among them; between them it is interpolated."""
SOFT_JOD = 0.1
"""The fit minimises the mean of sqrt(error^2 + SOFT_JOD^2): absolute error, smooth at zero."""
FREE = ("scale_jnd", "slow_chromatic_per_jnd")
STARTS = (np.zeros(2), np.array([-0.2, 0.5]))
"""Steps, in natural logarithms, from the package's constants at which the descent begins."""
PEAKS = ("peak-220", "peak-260", "peak-320", "peak-400", "peak-600", "peak-1000", "peak-2000", "peak-4000")
Key = tuple[str, str, str]


@dataclass(frozen=True)
class Ladder:
    """Energies and scores of all pairs."""

    names: NDArray[np.str_]
    """(pair, 3): set, scene, rung."""
    setups: NDArray[np.float64]
    """(pair, 2): white in cd/m2, gamma."""
    loss: NDArray[np.float64]
    """10 - JOD, (pair,)."""
    tone: NDArray[np.float64]
    """Energy of the bands of I, (pair,)."""
    log_colour: NDArray[np.float64]
    """(pair, gain): natural logarithm of the energy of the bands of T and P."""
    slow_jnd: NDArray[np.float64]
    """(pair,)."""

    @property
    def scenes(self) -> NDArray[np.str_]:
        """What is left out together: the scene or photograph of each pair."""
        return self.names[:, 1]


def read_rows(path: Path) -> dict[Key, dict[str, str]]:
    with path.open(newline="") as file:
        return {(row["set"], row["scene"], row["rung"]): row for row in csv.DictReader(file)}


def fit_setup(hdr: NDArray[np.float32], code: NDArray[np.float32]) -> tuple[float, float]:
    """White and gamma as `compare_pictures` fits them to one picture."""
    settings = replace(Settings(), fit_pixels_per_pair=FIT_PIXELS_AT_LEAST)
    collector = FitCollector(settings)
    collector.add(PairPictures(hdr, code, PIXELS_PER_DEGREE), shot=0)
    return fit_controls(leave_out_top(collector.sample()), settings)[:2]


def measure_ladder(world: Path, scores: Path) -> Ladder:
    """Energies of every pair at its set-up."""
    rows, kept = read_rows(scores), read_rows(TABLE) if TABLE.exists() else {}
    names, setups, loss, parts = [], [], [], []
    for kind, scene, rung, hdr, code in ladder(world):
        old = kept.get((kind, scene, rung))
        white, gamma = (float(old["white_nits"]), float(old["gamma"])) if old else fit_setup(hdr, code)
        seen = [
            nits_to_itp(blur_optics(light, pixels_per_degree=PIXELS_PER_DEGREE))
            for light in (hdr, sdr_code_to_nits(code, white_nits=white, gamma=gamma))
        ]
        parts.append(
            [measure_energies(*seen, pixels_per_degree=PIXELS_PER_DEGREE, eye=replace(EYE, chromatic=float(gain))) for gain in GAINS]
        )
        names.append((kind, scene, rung))
        setups.append((white, gamma))
        loss.append(10 - float(rows[kind, scene, rung]["jod"]))
        if len(names) % 50 == 0:
            print(f"  {len(names)} pairs measured", file=sys.stderr, flush=True)
    colour = np.array([[max(energies.colour, 1e-30) for energies in row] for row in parts])
    first = [row[0] for row in parts]
    return Ladder(
        np.array(names),
        np.array(setups),
        np.array(loss),
        np.array([e.tone for e in first]),
        np.log(colour),
        np.array([e.slow_jnd for e in first]),
    )


def energies_at(pairs: Ladder, chromatic: float) -> Iterator[Energies]:
    place = np.clip(np.interp(np.log(chromatic), np.log(GAINS), np.arange(GAINS.size)), 0, GAINS.size - 1)
    low = min(int(place), GAINS.size - 2)
    logs = pairs.log_colour[:, low] + (place - low) * (pairs.log_colour[:, low + 1] - pairs.log_colour[:, low])
    for tone, colour, slow in zip(pairs.tone, np.exp(logs), pairs.slow_jnd, strict=True):
        yield Energies(float(tone), float(colour), float(slow))


def predict(pairs: Ladder, eye: EyeModel) -> NDArray[np.float64]:
    """Loss of every pair and its tone part, JOD, (pair, 2)."""
    found = [split_loss(energies, eye=eye) for energies in energies_at(pairs, eye.chromatic)]
    return np.array([(one.jod, one.tone_jod) for one in found])


def fit(pairs: Ladder, keep: NDArray[np.bool_], *, start: EyeModel = EYE) -> EyeModel:
    """Constants that leave the least on the pairs kept."""

    def model(point: NDArray[np.float64]) -> EyeModel:
        return replace(start, **{name: float(np.exp(value)) for name, value in zip(FREE, point, strict=True)})

    def cost(point: NDArray[np.float64]) -> float:
        error = (predict(pairs, model(point))[:, 0] - pairs.loss)[keep]
        return float(np.mean(np.sqrt(error**2 + SOFT_JOD**2)))

    first = np.log([getattr(start, name) for name in FREE])
    options = {"maxiter": 120, "xatol": 2e-3, "fatol": 1e-5}
    ends = [minimize(cost, first + step, method="Nelder-Mead", options=options).x for step in STARTS]
    return model(min(ends, key=cost))


def cross_validate(pairs: Ladder) -> NDArray[np.float64]:
    """Loss of every pair by constants fitted without its scene, JOD."""
    found = np.empty(pairs.loss.size)
    for scene in dict.fromkeys(pairs.scenes):
        held = pairs.scenes == scene
        found[held] = predict(pairs, fit(pairs, ~held))[held, 0]
    return found


def figures(pairs: Ladder, predicted: NDArray[np.float64], keep: NDArray[np.bool_]) -> str:
    """Spearman and errors in one line."""
    error = predicted[keep] - pairs.loss[keep]
    rank = spearmanr(predicted[keep], pairs.loss[keep])[0]
    return (
        f"{keep.sum():4d} pairs  Spearman {rank:.3f}  mean error {np.abs(error).mean():.3f} JOD  "
        f"bias {error.mean():+.3f}  95th percentile {np.quantile(np.abs(error), 0.95):.2f}"
    )


def print_quality(pairs: Ladder, predicted: NDArray[np.float64]) -> None:
    """Whole, by set, containers, monotony, worst rungs."""
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


def write_table(pairs: Ladder, predicted: NDArray[np.float64], crossed: NDArray[np.float64]) -> None:
    with TABLE.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["set", "scene", "rung", "white_nits", "gamma", "table_jod", "package_jod", "cross_validated_jod", "tone_part_jod"])
        for name, setup, *losses in zip(pairs.names, pairs.setups, pairs.loss, predicted[:, 0], crossed, predicted[:, 1], strict=True):
            writer.writerow([*name, f"{setup[0]:.3f}", f"{setup[1]:.4f}", *(f"{loss:.4f}" for loss in losses)])


def write_plot() -> None:
    """Draw the table that `write_table` wrote."""
    try:
        import matplotlib as mpl
    except ModuleNotFoundError:
        print("matplotlib is not installed: the plot was not drawn")
        return
    rows = list(read_rows(TABLE).values())
    kinds = np.array([row["set"] for row in rows])
    loss, crossed = (np.array([float(row[name]) for row in rows]) for name in ("table_jod", "cross_validated_jod"))

    mpl.use("svg")
    mpl.rcParams.update({"svg.hashsalt": "ladder", "font.size": 8})
    from matplotlib import pyplot as plt

    figure, axis = plt.subplots(figsize=(4.6, 4.4), layout="constrained")
    for kind, mark in (("panorama", "o"), ("view", "s"), ("photograph", "^")):
        keep = kinds == kind
        axis.plot(loss[keep], crossed[keep], mark, ms=3.5, alpha=0.6, mew=0, label=f"{kind} ({keep.sum()})")
    most = 1.05 * max(loss.max(), crossed.max())
    axis.plot([0, most], [0, most], color="0.6", lw=0.8, zorder=0)
    axis.set(
        xlim=(-0.1, most),
        ylim=(-0.1, most),
        xlabel="loss by the ladder's table, JOD",
        ylabel="predicted without this scene, JOD",
        aspect="equal",
    )
    axis.legend(frameon=False)
    figure.savefig(PLOT, metadata={"Date": None})


def main(world: Path, scores: Path) -> None:
    pairs = measure_ladder(world, scores)
    predicted = predict(pairs, EYE)
    crossed = cross_validate(pairs)
    write_table(pairs, predicted, crossed)
    print("As the package has them:", {name: getattr(EYE, name) for name in FREE})
    print_quality(pairs, predicted[:, 0])
    print("Each scene by constants fitted without it:")
    print_quality(pairs, crossed)
    every = np.ones(pairs.loss.size, bool)
    found = fit(pairs, every)
    print("Fitted now:", {name: round(getattr(found, name), 5) for name in FREE}, figures(pairs, predict(pairs, found)[:, 0], every))
    for chromatic in (0.3, 0.36, 0.42, 0.56):
        found = fit(pairs, every, start=replace(EYE, chromatic=chromatic))
        print(f"With a weight of colour of {chromatic}:", figures(pairs, predict(pairs, found)[:, 0], every))
    for power in (1.6, 1.8, 2.2, 2.5):
        found = fit(pairs, every, start=replace(EYE, power=power))
        print(f"With a curve of power {power}:", figures(pairs, predict(pairs, found)[:, 0], every))
    write_plot()


if __name__ == "__main__":
    if len(sys.argv) not in (2, 3):
        sys.exit(__doc__)
    main(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) == 3 else Path(__file__).parents[1] / "reference" / "ladder_jod.csv")
