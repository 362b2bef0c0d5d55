"""The documents follow the contract, hold only what JSON holds, and reach the disk whole or not at all."""

from __future__ import annotations

import copy
import dataclasses
import json
import math
import os
import time
from fractions import Fraction
from pathlib import Path
from types import ModuleType
from typing import Any

import cv2
import numpy as np
import pyarrow.parquet as pq
import pytest

from pairdiff import _records as records
from pairdiff._errors import OutputRefused
from pairdiff.score.setup import LIFT_BOUNDS
from pairdiff.writeup import document as writing
from pairdiff.writeup.document import (
    alignment_to_document,
    build_frame_table,
    comparison_to_document,
    measurement_to_document,
    validate_document,
    write_comparison,
    write_stills,
)

CONTRACT = {
    "": "schema title hdr sdr alignment setups setup free_fit difference headroom recovered shadows colour tone declared_checks "
    "origin_signs viewer "
    "verdict run",
    "hdr": "path file_id signal declared levels",
    "sdr": "path file_id signal declared levels",
    "hdr.signal": "transfer primaries matrix range bit_depth width height frame_rate",
    "hdr.signal.transfer": "value source assumed",
    "hdr.declared": "max_cll_nits max_fall_nits mastering",
    "hdr.levels": "status max_cll_nits max_cll_time_s max_fall_nits max_fall_time_s p9999_nits p999_nits",
    "alignment": "matched_share segments geometry",
    "alignment.segments.0": "kind hdr_start hdr_stop sdr_start sdr_stop speed confidence",
    "setups.0": "name white_nits gamma at_bound uncertainty difference label headroom_stops",
    "setup": "name white_nits gamma at_bound uncertainty difference label headroom_stops",
    "free_fit": "status",
    "difference.side_by_side": "status rms p95",
    "difference.on_its_own": "status preference_loss notice_probability share_025 share_05 share_1",
    "difference.on_its_own.share_1": "value low high",
    "difference.on_its_own.preference_loss": "value low high",
    "headroom": "status stops stops_gain stops_controls peak_ratio_stops area_share time_share",
    "headroom.contrast": "status area_share hdr_jnd sdr_jnd gain_jnd hdr_stops sdr_stops gained_share",
    "recovered": "status",
    "shadows": "status",
    "colour": "status outside_709_share outside_p3_share",
    "colour.beyond_set": "status beyond_share saturated_share saturated_by_level hdr_volume_jnd3 set_volume_jnd3",
    "tone": "status",
    "declared_checks.0": "name state declared_nits measured_nits looks_stamped",
    "origin_signs.0": "name state value innocent",
    "viewer": "status sdr_reserve_stops light_ratio",
    "objections.0": "name objection raised_by state answer changes",
    "verdict": "label sentence axes reasons flips support",
    "verdict.axes": "highlights shadows colour",
    "run": "versions settings coverage",
}


def at(document: Any, path: str) -> Any:
    for part in filter(None, path.split(".")):
        document = document[int(part)] if part.isdigit() else document[part]
    return document


def leaves(value: Any) -> list[Any]:
    if isinstance(value, dict):
        return [leaf for item in value.values() for leaf in leaves(item)]
    if isinstance(value, list):
        return [leaf for item in value for leaf in leaves(item)]
    return [value]


# ---------------------------------------------------------------- contract


@pytest.mark.parametrize("path", CONTRACT)
def test_every_key_of_the_contract_is_there(document: dict[str, Any], path: str) -> None:
    assert set(CONTRACT[path].split()) <= set(at(document, path))


def test_the_figures_of_the_records_arrive(document: dict[str, Any], example: records.Comparison) -> None:
    assert document["schema"] == "pairdiff-result/1"
    assert document["setup"]["white_nits"] == 143.0
    assert document["headroom"]["stops"] == 1.87
    assert document["headroom"]["time_share"] == 0.34
    assert document["headroom"]["time_share_low"] == 0.22
    assert document["verdict"]["label"] == "wider-range"
    assert document["hdr"]["signal"]["frame_rate"] == {"value": "24000/1001", "source": "container", "assumed": False}
    assert document["alignment"]["geometry"][0]["hdr_common"] == {"top": 276.0, "bottom": 1884.0, "left": 0.0, "right": 3840.0}
    assert document["alignment"]["segments"][0]["sdr_start"] is None
    assert document["hdr"]["path"] == example.hdr.release.path
    assert document["run"]["settings"]["seed"] == 20260
    assert document["run"]["settings_described"]["seed"]["origin"] == "own"


def test_a_sign_arrives_with_its_limit_and_what_was_found(document: dict[str, Any], example: records.Comparison) -> None:
    first, sign = document["origin_signs"][0], example.origin_signs[0]
    assert (first["unit"], first["limit"], first["seen_when"]) == ("share", 0.9, "at_least")
    assert (first["found"], first["pictures"], first["shots"]) == (sign.found, 32, 9)


def test_zero_and_absent_declarations_are_told_apart_and_both_null(document: dict[str, Any]) -> None:
    assert document["hdr"]["declared"]["max_fall_state"] == "zero"
    assert document["sdr"]["declared"]["max_fall_state"] == "absent"
    assert document["hdr"]["declared"]["max_fall_nits"] is document["sdr"]["declared"]["max_fall_nits"] is None


def test_a_value_that_does_not_exist_is_null(examples: ModuleType) -> None:
    document = comparison_to_document(examples.make_container_example())
    assert document["recovered"] == {"status": "not_applicable"} | dict.fromkeys(set(document["recovered"]) - {"status"})
    assert document["difference"]["on_its_own"]["preference_loss"]["value"] is None


def test_documents_hold_only_what_json_holds(document: dict[str, Any]) -> None:
    assert json.loads(json.dumps(document, allow_nan=False)) == document
    assert all(leaf is None or type(leaf) in (str, int, float, bool) for leaf in leaves(document))


def test_nan_infinity_numpy_and_odd_names_become_plain(example: records.Comparison) -> None:
    viewer = records.Viewer("measured", math.nan, float(np.float64(math.inf)))
    headroom = dataclasses.replace(example.headroom, stops=np.float64(1.5), uses_peak_ratio=np.bool_(True))  # type: ignore[arg-type]
    odd = dataclasses.replace(example, viewer=viewer, headroom=headroom, title="night\udcff")
    document = comparison_to_document(odd)
    assert document["viewer"] == {"status": "measured", "sdr_reserve_stops": None, "light_ratio": None}
    assert type(document["headroom"]["stops"]) is float
    assert document["headroom"]["uses_peak_ratio"] is True
    assert document["title"] == "night\\udcff"
    validate_document(document)


# ---------------------------------------------------------------- schema


def test_the_schema_is_a_schema() -> None:
    jsonschema = pytest.importorskip("jsonschema")
    jsonschema.Draft202012Validator.check_schema(writing._schema())


def test_the_schema_accepts_every_example(examples: ModuleType, document: dict[str, Any]) -> None:
    validate_document(document)
    validate_document(comparison_to_document(examples.make_container_example()))


def test_the_schema_accepts_the_other_documents(example: records.Comparison) -> None:
    active = records.Rectangle(276, 1884, 0, 3840)
    peak = records.PixelPlace(934.0, 12, 0.5005, 411, 1920, "upper", 5120, 0.0008)
    measurement = records.Measurement(example.hdr, active, example.hdr_frames, example.versions, example.settings, peak)
    measured = measurement_to_document(measurement)
    validate_document(measured, kind="measurement")
    assert measured["levels"]["max_cll_nits"] == 934.0
    assert measured["active"] == {"top": 276, "bottom": 1884, "left": 0, "right": 3840}
    aligned = alignment_to_document(example.alignment)
    validate_document(aligned, kind="alignment")
    assert aligned == comparison_to_document(example)["alignment"]


@pytest.mark.parametrize("lift", LIFT_BOUNDS)
def test_every_lift_that_the_free_fit_may_find_can_be_written(example: records.Comparison, lift: float) -> None:
    validate_document(comparison_to_document(dataclasses.replace(example, free_fit=dataclasses.replace(example.free_fit, lift=lift))))


@pytest.mark.parametrize(
    ("path", "value"),
    [
        ("verdict.label", "fine"),
        ("headroom.status", "zero"),
        ("headroom.area_share", 1.5),
        ("headroom.stops", "1.87"),
        ("alignment.segments.0.kind", "lost"),
        ("setup.name", "gain"),
        ("hdr.signal.frame_rate.value", 23.976),
        ("hdr.declared.max_fall_nits", 0.0),
        ("verdict.support", {"hdr": 1.0}),
        ("objections.0.state", "yes"),
        ("objections.0.raised_by", "a viewer"),
        ("objections.0.answer", ""),
    ],
)
def test_the_schema_refuses(document: dict[str, Any], path: str, value: object) -> None:
    wrong = copy.deepcopy(document)
    parent, _, name = path.rpartition(".")
    at(wrong, parent)[name] = value
    with pytest.raises(ValueError, match="the result does not follow the schema at "):
        validate_document(wrong)


@pytest.mark.parametrize("path", [path for path in CONTRACT if path])
def test_the_schema_misses_a_key_that_is_gone(document: dict[str, Any], path: str) -> None:
    for key in CONTRACT[path].split():
        wrong = copy.deepcopy(document)
        del at(wrong, path)[key]
        with pytest.raises(ValueError, match=f"{key!r} is a required property"):
            validate_document(wrong)


# ---------------------------------------------------------------- frames.parquet


def test_one_row_for_each_measured_frame_with_its_partner(example: records.Comparison) -> None:
    table = build_frame_table(example).to_pydict()
    assert table["hdr_frame"][:2880] == list(range(2880))
    assert set(table["hdr_frame"][2880:]) == {None}
    assert {levels.frame for levels in example.sdr_frames} <= set(table["sdr_frame"])
    beside, alone = set(table["sdr_frame"][:2880]), table["sdr_frame"][2880:]
    assert alone == sorted({levels.frame for levels in example.sdr_frames} - beside)
    assert len(alone) > 0
    assert table["sdr_frame"][23] is None
    assert table["sdr_frame"][24] == 0
    assert table["sdr_frame"][1500] is None
    assert table["sdr_frame"][1560] == 1416
    assert table["sdr_time_s"][24] == 0.0
    assert table["sdr_max_nits"][23] is None
    assert table["sdr_max_nits"][24] == example.sdr_frames[0].max_nits


def test_pair_columns_are_null_where_nothing_was_scored(example: records.Comparison) -> None:
    table = build_frame_table(example).to_pydict()
    assert sum(table["scored"]) == len(example.pairs)
    assert table["scored"][25]
    assert table["preference_loss_controls_jod"][25] == example.pairs[0].preference_loss["controls"]
    for part in ("tone_part", "colour_part"):
        assert table[f"{part}_controls_jod"][25] == getattr(example.pairs[0], part)["controls"]
        assert f"pair_{part}" not in table
    assert table["rms_white_100_jnd"][25] == 21.0
    assert table["rms_gamma_2_2_jnd"][25] == 17.5
    assert table["preference_loss_controls_jod"][26] is None
    assert table["pair_shot"][26] is None


def test_a_faster_release_is_followed_in_proportion(example: records.Comparison) -> None:
    segment = records.Segment("matched", 0, 100, 50, 100, 1.0, 0.9)
    halved = dataclasses.replace(example, pairs=(), alignment=dataclasses.replace(example.alignment, segments=(segment,)))
    assert build_frame_table(halved).to_pydict()["sdr_frame"][:101] == [50 + frame // 2 for frame in range(100)] + [None]


def test_a_comparison_without_frames_has_an_empty_table_with_all_columns(example: records.Comparison) -> None:
    table = build_frame_table(dataclasses.replace(example, pairs=(), hdr_frames=(), sdr_frames=()))
    assert table.num_rows == 0
    assert {"hdr_frame", "hdr_max_nits", "sdr_p999_nits", "scored", "pair_detail_jnd"} <= set(table.column_names)


# ---------------------------------------------------------------- the disk


def test_the_folder_holds_the_whole_result(
    result_folder: Path, document: dict[str, Any], example: records.Comparison, example_stills: Any
) -> None:
    assert sorted(path.name for path in result_folder.iterdir()) == ["card.svg", "frames.parquet", "report.html", "result.json", "stills"]
    assert json.loads((result_folder / "result.json").read_text(encoding="utf-8")) == document
    assert pq.read_table(result_folder / "frames.parquet").num_rows == build_frame_table(example).num_rows
    index = json.loads((result_folder / "stills" / "index.json").read_text(encoding="utf-8"))
    listed = [picture for moment in index["moments"] for picture in moment["pictures"]]
    assert len(listed) == len(example_stills) == len(list((result_folder / "stills").glob("*.png")))
    stored = cv2.imread(str(result_folder / "stills" / listed[0]["file"]))
    assert stored is not None
    np.testing.assert_array_equal(stored[..., ::-1], example_stills[0].rgb8)


def test_a_second_result_replaces_the_first_and_leaves_other_files(example: Any, example_stills: Any, tmp_path: Path) -> None:
    write_comparison(example, example_stills, tmp_path)
    (tmp_path / "notes.txt").write_text("mine")
    (tmp_path / "stills" / "mine.png").write_bytes(b"mine")
    renamed = dataclasses.replace(example, title="Another Film")
    write_comparison(renamed, example_stills[:11], tmp_path)
    assert "Another Film" in (tmp_path / "report.html").read_text(encoding="utf-8")
    assert len(list((tmp_path / "stills").glob("*.png"))) == 12
    assert (tmp_path / "notes.txt").read_text() == "mine"
    assert not list(tmp_path.glob(".writing-*"))


def test_a_failure_midway_leaves_the_earlier_result_as_it_was(
    example: Any, example_stills: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_comparison(example, example_stills[:11], tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing, "_write_table", full)
    with pytest.raises(OutputRefused, match="No space left on device"):
        write_comparison(dataclasses.replace(example, title="Another Film"), example_stills, tmp_path)
    assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == before


def test_a_failure_while_moving_never_looks_whole(
    example: Any, example_stills: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_comparison(example, example_stills[:11], tmp_path)
    real = writing.os.replace

    def stop_at_table(source: Path, target: Path) -> None:
        if Path(target) == tmp_path / "frames.parquet":
            raise OSError(5, "Input/output error")
        real(source, target)

    monkeypatch.setattr(writing.os, "replace", stop_at_table)
    with pytest.raises(OutputRefused, match="Input/output error"):
        write_comparison(example, example_stills[:11], tmp_path)
    assert not (tmp_path / "report.html").exists()
    assert not (tmp_path / "result.json").exists()


def test_the_same_comparison_gives_the_same_bytes(example: Any, example_stills: Any, result_folder: Path, tmp_path: Path) -> None:
    write_comparison(example, example_stills, tmp_path)
    for name in ("result.json", "frames.parquet", "report.html"):
        assert (tmp_path / name).read_bytes() == (result_folder / name).read_bytes()


def test_stills_alone_can_be_written(example_stills: Any, tmp_path: Path) -> None:
    paths = write_stills(example_stills[:2], tmp_path / "a" / "b")
    assert [path.name for path in paths] == [f"01-f{example_stills[0].moment.hdr_frame}-model-{side}.png" for side in ("hdr", "sdr")]
    assert all(path.is_file() for path in paths)


# ---------------------------------------------------------------- refusal


def test_a_file_in_the_folders_place_is_refused(example: Any, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputRefused, match=r"a file of that name is in its place\. Name another folder with --out\.$"):
        write_comparison(example, (), tmp_path / "out")
    assert (tmp_path / "out").read_text() == "a file"


def test_a_file_on_the_way_to_the_folder_is_refused(example: Any, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("a file")
    with pytest.raises(OutputRefused, match=r"Cannot write to .*Not a directory"):
        write_comparison(example, (), tmp_path / "file" / "out")


@pytest.mark.parametrize("name", ["result.json", "report.html", "frames.parquet"])
def test_a_folder_in_a_files_place_is_refused_before_anything_is_taken_away(
    example: Any, example_stills: Any, tmp_path: Path, name: str
) -> None:
    (tmp_path / name).mkdir()
    (tmp_path / "stills").mkdir()
    with pytest.raises(OutputRefused, match="a folder of that name is in its place"):
        write_comparison(example, example_stills, tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted({name, "stills"})


def test_a_file_in_the_place_of_the_stills_is_refused(example: Any, tmp_path: Path) -> None:
    (tmp_path / "stills").write_text("a file")
    with pytest.raises(OutputRefused, match=r"stills: a file of that name is in its place"):
        write_comparison(example, (), tmp_path)


def test_a_value_that_json_cannot_hold_is_named(example: records.Comparison) -> None:
    odd = dataclasses.replace(example, settings={"seed": object()})
    with pytest.raises(TypeError, match="a result cannot hold a object"):
        comparison_to_document(odd)
    assert comparison_to_document(dataclasses.replace(example, settings={"rate": Fraction(25)}))["run"]["settings"] == {"rate": "25/1"}


def test_segments_hold_film_time_beside_their_frames(example: records.Comparison) -> None:
    segments = (records.Segment("hdr_only", 0, 24, None, None, None, None), records.Segment("matched", 24, 240, 0, 216, 0.96, 0.9))
    times = {"hdr_times_s": np.arange(240) / 24, "sdr_times_s": np.arange(216) / 25}
    told = alignment_to_document(dataclasses.replace(example.alignment, segments=segments, **times))["segments"]
    assert [(one["hdr_start_s"], one["hdr_stop_s"]) for one in told] == [(0.0, 1.0), (1.0, 10.0)]
    assert told[0]["sdr_start_s"] is told[0]["sdr_stop_s"] is None
    assert (told[1]["sdr_start_s"], told[1]["sdr_stop_s"]) == (0.0, pytest.approx(8.64))


def test_what_killed_runs_left_half_written_beside_a_file_goes_after_an_hour(tmp_path: Path) -> None:
    for name, hours in ((".a[1].json.part-1", 2), (".a[1].json.part-2", 0.5), (".b.json.part-3", 2)):
        (tmp_path / name).write_bytes(b"half")
        os.utime(tmp_path / name, (time.time() - 3600 * hours,) * 2)
    writing.write_whole(tmp_path / "a[1].json", lambda path: path.write_bytes(b"whole"))
    assert sorted(path.name for path in tmp_path.iterdir()) == [".a[1].json.part-2", ".b.json.part-3", "a[1].json"]
