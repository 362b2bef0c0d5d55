"""A cadence moves no verdict: real light at the cadences of discs, broadcasts and captures, against its own progressive original.

`tests/bench/cadence_labels.py` prints every scene and pair; here one pair with highlights and one without.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from pairdiff import Comparison
from tests.bench import ladder
from tests.bench.cadence_labels import MOST_STOPS, Pair, cadences, compare_at, make_pairs, turn_camera

NAMES = [cadence.name for cadence in cadences()[1:]]


@pytest.fixture(scope="module")
def pairs(world: Path) -> dict[str, Pair]:
    scene = turn_camera(ladder.read_panorama(world / "interior.exr"))
    return {pair.kind.split()[0]: pair for pair in make_pairs(scene)}


@pytest.fixture(scope="module")
def originals(pairs: dict[str, Pair], tmp_path_factory: pytest.TempPathFactory) -> dict[str, Comparison]:
    return {kind: compare_at(pairs[kind], cadences()[0], tmp_path_factory.mktemp(kind)) for kind in ("relabelled", "peak")}


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", ["relabelled", "peak"])
def test_label_and_headroom_are_those_of_the_original(
    kind: str, name: str, pairs: dict[str, Pair], originals: dict[str, Comparison], tmp_path: Path
) -> None:
    cadence = next(one for one in cadences() if one.name == name)
    found, original = compare_at(pairs[kind], cadence, tmp_path), originals[kind]
    assert found.verdict.label == original.verdict.label
    assert found.verdict.label == {"relabelled": "sdr-in-hdr-container", "peak": "wider-range"}[kind]
    assert found.headroom.stops is not None
    assert original.headroom.stops is not None
    assert abs(found.headroom.stops - original.headroom.stops) <= MOST_STOPS
    assert found.coverage.matched_frames >= 0.9 * found.coverage.hdr_frames
