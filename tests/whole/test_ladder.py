"""Real light through real encoders: an SDR picture in an HDR container is called so, a real HDR grade never is.

The rungs of the ladder (tests/bench/ladder.py) become short moving films, HEVC 10-bit PQ against H.264 8-bit, and go through the whole
comparison.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path

import pytest

import pairdiff
from pairdiff import Comparison
from tests.bench import ladder
from tests.whole._films import encode_hdr, encode_sdr, hdr_planes, pan, sdr_planes

FRAMES = 30
CONTAINERS = ("container-100", "container-203", "container-150-gamma")
USUAL_GRADES = ("peak-1000",)
GRADES = ("peak-1000", "peak-2000", "peak-4000", "peak-1000-white-100")
QUICK = ("courtyard",)
SCENES = ("city", "courtyard", "forest", "interior", "night", "studio", "sunrise", "sunset")
ALL = [pytest.param(scene, marks=() if scene in QUICK else pytest.mark.slow) for scene in SCENES]
NOTHING_TO_FIND_JOD = 0.05
"""A rung whose SDR side loses less than this holds nothing to find, and counts as a container."""

Films = dict[str, Path]


@pytest.fixture(scope="module", params=ALL)
def films(request: pytest.FixtureRequest, world: Path, tmp_path_factory: pytest.TempPathFactory) -> Films:
    """One scene: its SDR release under `sdr`, its HDR releases by rung, and the scene's name in the folder's name."""
    return encode_scene(request.param, world=world, folder=tmp_path_factory.mktemp(request.param))


def encode_scene(name: str, *, world: Path, folder: Path) -> Films:
    scene = next(picture for found, picture in ladder.scenes(world) if found == name)
    made: Films = {}
    for rung, nits, signal in ladder.rungs(scene):
        if rung not in CONTAINERS + GRADES:
            continue
        if not made:
            made["sdr"] = encode_sdr(folder / "sdr.mp4", pan(sdr_planes(signal), count=FRAMES))
        made[rung] = encode_hdr(folder / f"{name}.{rung}.mkv", pan(hdr_planes(nits), count=FRAMES))
    return made


def scores(root: Path) -> Iterator[tuple[tuple[str, str], float]]:
    with (root / "tests/reference/ladder_jod.csv").open(encoding="utf-8") as table:
        for row in csv.DictReader(table):
            if row["set"] == "panorama":
                yield (row["scene"], row["rung"]), float(row["jod"])


def figures(result: Comparison) -> str:
    return (
        f"{result.verdict.label}: headroom {result.headroom.stops} stops, white {result.setup.white_nits:.1f} cd/m2, gamma "
        f"{result.setup.gamma:.3f}, tone shift {result.tone.shift_median_jnd}, support {dict(result.verdict.support)}"
    )


@pytest.mark.slow  # the demo has one in every run
@pytest.mark.parametrize("rung", CONTAINERS)
def test_an_sdr_picture_in_an_hdr_container_is_called_so(films: Films, rung: str) -> None:
    result = pairdiff.compare(films[rung], films["sdr"])
    assert result.verdict.label == "sdr-in-hdr-container", figures(result)


@pytest.mark.parametrize("rung", [pytest.param(rung, marks=() if rung in USUAL_GRADES else pytest.mark.slow) for rung in GRADES])
def test_a_real_hdr_grade_is_never_called_a_container(films: Films, rung: str, project_root: Path) -> None:
    scene = films[rung].name.partition(".")[0]
    loss_jod = 10 - dict(scores(project_root))[scene, rung]
    result = pairdiff.compare(films[rung], films["sdr"])
    if loss_jod < NOTHING_TO_FIND_JOD:
        assert result.verdict.label in ("sdr-in-hdr-container", "undetermined"), f"{loss_jod=:.3f}, {figures(result)}"
    else:
        assert result.verdict.label != "sdr-in-hdr-container", f"{loss_jod=:.3f}, {figures(result)}"
