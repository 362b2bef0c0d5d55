"""Lanes under the light levels hold what the table of frames does, shot by shot, and say what a result lacks."""

from __future__ import annotations

import dataclasses
import json
import re
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import scipy.stats

from pairdiff.writeup.charts import PLACES
from pairdiff.writeup.document import write_comparison
from pairdiff.writeup.html import render_report

PROBIT_PER_JOD = 0.6745
"""At 1 JOD three of four pick the better picture: the quantile of 0.75 of the normal distribution."""


def page_of(folder: Path) -> str:
    return render_report(folder).read_text(encoding="utf-8")


def read_off(text: str) -> dict[str, Any]:
    """What the page's script is given."""
    found = re.search(r'id="levels-data">(.*?)</script>', text)
    assert found is not None
    data: dict[str, Any] = json.loads(found[1])
    return data


@pytest.fixture
def folder(result_folder: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(result_folder, tmp_path / "result"))


def rewrite_table(folder: Path, change: Any) -> None:
    path = folder / "frames.parquet"
    pq.write_table(change(pq.read_table(path)), path)


def share_of(words: str) -> float:
    return float(words.replace("\N{NO-BREAK SPACE}%", "")) / 100


def test_figures_of_each_shot_are_those_of_its_scored_pairs(folder: Path) -> None:
    """Pooled here anew from the table of frames; the normal distribution by SciPy."""
    table = pq.read_table(folder / "frames.parquet").to_pydict()
    shots = read_off(page_of(folder))["shots"]
    rows = dict(shots["rows"])
    numbers = sorted({shot for shot in table["pair_shot"] if shot is not None})
    assert len(shots["ends"]) == len(numbers) == len(rows["headroom"]) == 24
    setup = json.loads((folder / "result.json").read_text())["setup"]
    for place, number in enumerate(numbers):
        own = [n for n, shot in enumerate(table["pair_shot"]) if shot == number]
        losses = np.array([table["preference_loss_controls_jod"][n] for n in own])
        chance = scipy.stats.norm.cdf(PROBIT_PER_JOD * losses).mean()
        assert share_of(rows["notice probability"][place]) == pytest.approx(chance, abs=6e-3)
        area = np.mean([table["pair_area_above_white_share"][n] for n in own])
        assert share_of(rows["above SDR white"][place]) == pytest.approx(area, rel=0.05)
        stops = max(np.log2(table["pair_hdr_p999_nits"][n] / setup["white_nits"]) for n in own)
        assert float(rows["headroom"][place].split("\N{NO-BREAK SPACE}")[0].replace("\N{MINUS SIGN}", "-")) == pytest.approx(
            stops, abs=6e-3
        )
        start, stop = shots["ends"][place]
        assert start == pytest.approx(number * 120 * 1001 / 24000, abs=1e-3)  # the example's shots are of 120 frames
        assert stop == pytest.approx((number + 1) * 120 * 1001 / 24000, abs=1e-3)


def test_the_other_release_is_joined_by_the_edit_map(folder: Path) -> None:
    """The example leaves 120 frames out of the SDR release, which begins a second late."""
    data = read_off(page_of(folder))
    for time_s, sdr_s in zip(data["times_s"], data["sdr_times_s"], strict=True):
        frame = time_s * 24000 / 1001
        if 30 < frame < 1430:
            assert sdr_s == pytest.approx((frame - 24) * 1001 / 24000, abs=2e-3)
        elif 1570 < frame < 2690:
            assert sdr_s == pytest.approx((frame - 144) * 1001 / 24000, abs=2e-3)
        elif frame < 20 or 1445 < frame < 1555:
            assert sdr_s is None


def test_frames_have_headroom_where_there_is_a_partner_and_an_area_everywhere(folder: Path) -> None:
    table = pq.read_table(folder / "frames.parquet").to_pydict()
    data = read_off(page_of(folder))
    rows = dict(data["frames"])
    assert len(rows["headroom"]) == len(rows["above 203 cd/m²"]) == len(data["times_s"]) == PLACES
    middle = int(np.argmin(np.abs(np.array(data["times_s"]) - 75.0)))
    near = [n for n, time_s in enumerate(table["hdr_time_s"]) if time_s is not None and abs(time_s - data["times_s"][middle]) < 0.08]
    white = json.loads((folder / "result.json").read_text())["setup"]["white_nits"]
    stops = [np.log2(table["hdr_p999_nits"][n] / white) for n in near]
    found = float(rows["headroom"][middle].split("\N{NO-BREAK SPACE}")[0].replace("\N{MINUS SIGN}", "-"))
    assert min(stops) - 0.01 <= found <= max(stops) + 0.01
    cut = int(np.argmin(np.abs(np.array(data["times_s"]) - 1500 * 1001 / 24000)))
    assert rows["headroom"][cut] == "none"
    assert rows["above 203 cd/m²"][cut] != "none"


def test_lanes_stand_on_the_time_axis_of_the_levels(folder: Path) -> None:
    text = page_of(folder)
    svg = re.search(r'<svg[^>]*data-time="[^"]*".*?</svg>', text)
    assert svg is not None
    start, stop, left, right = map(float, re.search(r'data-time="([^"]*)"', svg[0])[1].split())
    steps = re.findall(r'class="step hdr" d="([^"]+)"', svg[0])
    assert len(steps) == 2
    edges = [float(x) for x in re.findall(r"M([\d.]+) ", steps[0])]
    wanted = [left + (right - left) * (number * 120 * 1001 / 24000 - start) / (stop - start) for number in range(24)]
    np.testing.assert_allclose(edges, wanted, atol=0.2)
    assert svg[0].count('class="insert"') == 1  # what only the SDR release has
    assert {"Headroom over SDR white, stops", "Picture above SDR white", "Notice probability", "Edit map"} <= set(
        re.findall(r">([^<>]+)</text>", svg[0])
    )


def test_limits_of_the_verdict_stand_in_the_lane_only_where_its_figure_is_of_the_same_set(folder: Path) -> None:
    def film(text: str) -> str:
        found = re.search(r'<svg[^>]*data-time="[^"]*".*?</svg>', text)
        assert found is not None
        return found[0]

    result = json.loads((folder / "result.json").read_text())
    for at_set, shown in ((result["headroom"]["stops"], True), (result["headroom"]["stops"] + 0.2, False)):
        result["headroom"].update(stops_controls=at_set, uses_peak_ratio=False)
        (folder / "result.json").write_text(json.dumps(result))
        assert (">clearly 1<" in film(page_of(folder))) == shown


def test_a_table_of_an_earlier_version_says_which_lane_it_lacks(folder: Path) -> None:
    rewrite_table(folder, lambda table: table.drop_columns(["preference_loss_controls_jod"]))
    text = page_of(folder)
    missing = re.search(r"Not stored with this result: ([^.]*)\.", text)
    assert missing is not None
    assert missing[1] == "notice probability"
    assert read_off(text)["shots"]["ends"] == []  # the table of shots needs what it lacks
    assert ">Headroom over SDR white, stops</text>" in text


def test_a_table_without_areas_and_frame_numbers_is_drawn(folder: Path) -> None:
    rewrite_table(folder, lambda table: table.drop_columns(["hdr_area_203_share", "hdr_frame"]))
    data = read_off(text := page_of(folder))
    assert "Not stored with this result" not in text
    assert len(data["shots"]["ends"]) == 24
    assert [words for words, _ in data["frames"]] == ["headroom"]


def test_a_result_without_shots_shows_where_their_pairs_lie(folder: Path) -> None:
    path = folder / "result.json"
    result = json.loads(path.read_text())
    result["alignment"]["shots"] = []
    path.write_text(json.dumps(result))
    ends = read_off(page_of(folder))["shots"]["ends"]
    table = pq.read_table(folder / "frames.parquet", columns=["pair_shot", "hdr_time_s"]).to_pydict()
    own = [time_s for shot, time_s in zip(table["pair_shot"], table["hdr_time_s"], strict=True) if shot == 3]
    assert ends[3] == pytest.approx([min(own), max(own)], abs=1e-3)


def test_windows_of_a_survey_are_not_joined(folder: Path) -> None:
    """Every 60th frame, as a survey would keep them."""
    path = folder / "result.json"
    result = json.loads(path.read_text())
    result["run"]["coverage"]["mode"] = "survey"
    path.write_text(json.dumps(result))
    whole = page_of(folder)
    rewrite_table(folder, lambda table: table.take(pa.array(range(25, 2700, 60))))
    text = page_of(folder)

    def moves(text: str) -> int:
        line = re.search(r'class="line p999 hdr" d="([^"]+)"', text)
        assert line is not None
        return line[1].count("M")

    assert moves(whole) == 1
    assert moves(text) == len(range(25, 2700, 60))
    assert "between windows nothing was read" in text


def test_a_film_without_scored_pairs_or_partners_has_its_levels_still(example: Any, tmp_path: Path) -> None:
    alone = dataclasses.replace(example, pairs=(), moments=(), sdr_frames=())
    write_comparison(alone, (), tmp_path / "alone")
    data = read_off(page_of(tmp_path / "alone"))
    assert data["shots"]["ends"] == []
    assert [words for words, _ in data["frames"]] == ["above 203 cd/m²"]


def test_the_lane_of_areas_shows_pairs_and_shots_by_one_measure(folder: Path) -> None:
    """Ticks are of the pairs that the steps are the means of: what stands in another column moves none of them."""

    def ticks() -> list[str]:
        return re.findall(r'class="peak hdr" d="([^"]+)"', page_of(folder))

    def fill(column: str) -> None:
        def change(table: pa.Table) -> pa.Table:
            values = pa.array([None if one is None else 0.25 for one in table.column(column).to_pylist()], pa.float64())
            return table.set_column(table.column_names.index(column), column, values)

        rewrite_table(folder, change)

    before = ticks()
    fill("hdr_area_203_share")
    assert ticks() == before
    fill("pair_area_above_white_share")
    assert ticks() != before
