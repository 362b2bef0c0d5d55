"""Planted set-ups and what the fit makes of them, from encoded clips: printed, never asserted.

PYTHONPATH=. .venv-tests/bin/python tests/bench/setup_recovery.py
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.whole._relit import compare_relit

WHITES, GAMMAS = (50.0, 100.0, 150.0, 203.0, 290.0), (2.05, 2.3, 2.55)
BEYOND = ((30.0, 2.4), (350.0, 2.4), (400.0, 2.4), (1000.0, 2.4))
LIT = ((80.0, 2.2), (150.0, 2.4), (250.0, 2.5))


def main() -> None:
    print("| planted white, gamma | highlights | `controls` | error | at bound | free fit | power law | label |")
    print("|---|---|---|---|---|---|---|---|")
    cases = [(white, gamma, False) for white in WHITES for gamma in GAMMAS]
    cases += [(*one, False) for one in BEYOND] + [(*one, True) for one in LIT]
    with tempfile.TemporaryDirectory() as folder:
        for white, gamma, highlights in cases:
            found = compare_relit(Path(folder), white=white, gamma=gamma, highlights=highlights)
            setup, free = found.setup, found.free_fit
            print(
                f"| {white:g}, {gamma:g} | {'a fifth of the frames' if highlights else 'none'} | {setup.white_nits:.1f}, {setup.gamma:.3f} "
                f"| {setup.white_nits / white - 1:+.2%}, {setup.gamma - gamma:+.3f} | {'yes' if setup.at_bound else 'no'} "
                f"| {free.white_nits:.1f}, {free.gamma:.3f} | {'yes' if free.power_law else 'no'} | {found.verdict.label} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
