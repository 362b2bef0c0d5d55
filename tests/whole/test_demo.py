"""The demo, as its reader starts it: real files are made and compared, and the planted truth comes out.

`demo` (one pair) runs by default, `demo --pair all` with the slow tests.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Sequence
from importlib.resources import files
from pathlib import Path
from typing import Any

import pyarrow.parquet as parquet
import pytest
from jsonschema import Draft202012Validator

from pairdiff._demo import PAIRS, TRUTH
from pairdiff._demo.film import HDR_END_FRAMES, HDR_LOGO_FRAMES
from pairdiff.writeup.phrases import say_plain, say_prose

Run = Callable[..., subprocess.CompletedProcess[str]]
LABELS = {
    "container": "sdr-in-hdr-container",
    "restrained": "restrained-hdr",
    "wider": "wider-range",
    "stretched": "stretched-sdr",
    "regraded": "different-grade",
}
SEEN, NOT, NEVER = {"seen"}, {"not_seen"}, {"not_seen", "cannot_tell"}
SIGNS = {
    "container": {"level ceiling": SEEN, "shared clipping": SEEN, "one fixed curve": SEEN},
    "stretched": {"level ceiling": NOT, "shared clipping": SEEN, "one fixed curve": SEEN},
    "restrained": {"level ceiling": NOT, "shared clipping": NEVER, "one fixed curve": SEEN},
    "wider": {"level ceiling": NOT, "shared clipping": NOT, "one fixed curve": SEEN},
    "regraded": {"one fixed curve": NOT},
}
"""What the grades of the demo film plant: all but `regraded` follow from the SDR one by one curve below its clip; the greys of none were
ever quantised to 8 bits; the strong colours are all in one shot. The gains of `regraded` put every shot's top at nearly one level, so that
nothing is asked of its ceiling."""
SLOW_PAIRS = [pytest.param(name, marks=pytest.mark.slow) for name in LABELS]
EVERY_RUN = ["default", *SLOW_PAIRS]


class Demo:
    """Runs of the demo command, each made once: the default one, and the one of all pairs."""

    def __init__(self, run: Run, folder: Path) -> None:
        self._run, self._folder, self._done = run, folder, dict[str, subprocess.CompletedProcess[str]]()

    def _made(self, name: str, words: Sequence[str]) -> Path:
        out = self._folder / name
        if name not in self._done:
            self._done[name] = self._run("demo", *words, "--out", out, timeout_s=2400)
        assert self._done[name].returncode == 0, self._done[name].stderr
        return out

    def said(self, run: str) -> str:
        self.folder(run)
        return self._done["default" if run == "default" else "all"].stdout

    def folder(self, run: str) -> Path:
        """Folder of a pair's result; `default` is the pair that `demo` makes without being told."""
        return self._made("default", []) / "container" if run == "default" else self._made("all", ["--pair", "all"]) / run

    def result(self, run: str) -> Any:
        return json.loads((self.folder(run) / "result.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def demo(run_pairdiff: Run, tmp_path_factory: pytest.TempPathFactory) -> Demo:
    return Demo(run_pairdiff, tmp_path_factory.mktemp("demo"))


def pair_of(run: str) -> str:
    return "container" if run == "default" else run


def test_the_planted_labels_are_the_five_that_the_demo_promises() -> None:
    assert tuple(LABELS) == PAIRS
    assert dict(TRUTH["labels"]) == LABELS


@pytest.mark.parametrize("run", EVERY_RUN)
def test_each_pair_gets_the_label_it_was_made_for(demo: Demo, run: str) -> None:
    verdict = demo.result(run)["verdict"]
    assert verdict["label"] == LABELS[pair_of(run)], verdict
    assert say_plain(say_prose(verdict["sentence"])) in demo.said(run).replace("\n", " ")


@pytest.mark.parametrize("run", EVERY_RUN)
def test_the_planted_offset_is_found_to_the_frame(demo: Demo, run: str) -> None:
    alignment = demo.result(run)["alignment"]
    assert alignment["offset_frames"] == TRUTH["offset_frames"]
    start, stop = TRUTH["hdr_film_frames"]
    matched = [one for one in alignment["segments"] if one["kind"] == "matched"]
    assert all(one["sdr_start"] - one["hdr_start"] == TRUTH["offset_frames"] for one in matched)
    assert sum(one["hdr_stop"] - one["hdr_start"] for one in matched) >= 0.9 * (stop - start)


@pytest.mark.parametrize("run", ["default", pytest.param("container", marks=pytest.mark.slow)])
def test_the_planted_sdr_set_is_found_again(demo: Demo, run: str) -> None:
    setup = demo.result(run)["setup"]
    assert setup["name"] == "controls"
    assert not setup["at_bound"]
    assert setup["white_nits"] == pytest.approx(TRUTH["container_white_nits"], rel=0.01)
    assert setup["gamma"] == pytest.approx(TRUTH["container_gamma"], abs=0.03)


@pytest.mark.parametrize("run", EVERY_RUN)
def test_the_letterbox_of_both_releases_is_found_to_the_pixel(demo: Demo, run: str) -> None:
    geometry = demo.result(run)["alignment"]["geometry"][0]
    for side in ("hdr", "sdr"):
        active = geometry[f"{side}_active"]
        assert tuple(active[edge] for edge in ("top", "bottom", "left", "right")) == TRUTH[f"{side}_active"]


@pytest.mark.parametrize("run", EVERY_RUN)
def test_signs_of_sdr_origin_are_those_that_each_pair_was_made_with(demo: Demo, run: str) -> None:
    result, pair = demo.result(run), pair_of(run)
    found = {one["name"]: one["state"] for one in result["origin_signs"]}
    expected = SIGNS[pair] | {"code comb": NEVER, "colour stops at the BT.709 edge": {"cannot_tell"}}
    assert all(found[name] in states for name, states in expected.items()), result["origin_signs"]
    assert sum("signs of SDR origin" in reason for reason in result["verdict"]["reasons"]) == 1


@pytest.mark.parametrize("run", EVERY_RUN)
def test_nothing_of_the_film_is_masked_or_left_out(demo: Demo, run: str) -> None:
    # shop signs with lettering, stars, waves and lamps are the scene's own; so are the cards at the ends, which are not matched
    found = demo.result(run)["contaminants"]["found"]
    assert not [one for one in found if one["treatment"] in ("masked", "left_out")], found


@pytest.mark.parametrize("run", EVERY_RUN)
def test_the_result_follows_the_schema_and_everything_is_there(demo: Demo, run: str) -> None:
    schema = json.loads((files("pairdiff.writeup") / "result.schema.json").read_text(encoding="utf-8"))
    result, folder = demo.result(run), demo.folder(run)
    assert [fault.message for fault in Draft202012Validator(schema).iter_errors(result)] == []
    table = parquet.read_table(folder / "frames.parquet", columns=["hdr_frame", "sdr_frame"]).to_pydict()
    frames = HDR_LOGO_FRAMES + len(range(*TRUTH["hdr_film_frames"])) + HDR_END_FRAMES
    assert [frame for frame in table["hdr_frame"] if frame is not None] == list(range(frames))
    assert sorted(frame for frame in table["sdr_frame"] if frame is not None) == list(range(result["run"]["coverage"]["sdr_frames"]))
    rows = zip(table["hdr_frame"], table["sdr_frame"], strict=True)
    partners = {hdr: sdr for hdr, sdr in rows if sdr is not None and hdr is not None}
    assert partners == {hdr: hdr + TRUTH["offset_frames"] for hdr in range(*TRUTH["hdr_film_frames"])}
    assert {one["rule"] for one in result["moments"]} >= {"most different", "largest headroom", "typical", "random"}
    stills = list((folder / "stills").glob("*.png"))
    assert len(stills) >= 2 * len(result["moments"])
    assert all(still.read_bytes().startswith(b"\x89PNG") for still in stills)
    report = (folder / "report.html").read_text(encoding="utf-8")
    assert result["verdict"]["words"] in report
    assert str(folder / "report.html") in demo.said(run)
    assert 'src="http' not in report
    assert "@import" not in report
