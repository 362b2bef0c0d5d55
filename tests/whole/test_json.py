"""`--json`: standard output is one JSON document that follows the schema shipped with the package, and nothing else."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Mapping
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from tests.small_clips import SmallPair

Run = Callable[..., subprocess.CompletedProcess[str]]
SCHEMA: Mapping[str, Any] = json.loads((files("pairdiff.writeup") / "result.schema.json").read_text(encoding="utf-8"))


def faults(document: Any, *, part: str | None = None) -> list[str]:
    """What in a document goes against the whole schema or against one of its `$defs`."""
    schema = {"$defs": SCHEMA["$defs"], "$ref": f"#/$defs/{part}"} if part else SCHEMA
    Draft202012Validator.check_schema(schema)
    return [f"{fault.json_path}: {fault.message}" for fault in Draft202012Validator(schema).iter_errors(document)]


def refuse_constant(name: str) -> None:
    raise AssertionError(f"{name} is not JSON")


def one_document(text: str) -> Any:
    """The whole text as one JSON document; NaN and infinity are not JSON."""
    return json.loads(text, parse_constant=refuse_constant)


@pytest.fixture(scope="module")
def compared(small_pair: SmallPair, run_pairdiff: Run, tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, Path]:
    """What `compare --json` printed, parsed; and the folder it wrote."""
    out = tmp_path_factory.mktemp("compared")
    done = run_pairdiff("compare", *small_pair, "--out", out, "--json", "--title", "Harbour Lights")
    assert done.returncode == 0, done.stderr
    return one_document(done.stdout), out


def test_compare_prints_the_result_and_writes_the_same(compared: tuple[Any, Path]) -> None:
    result, out = compared
    assert faults(result) == []
    assert result["title"] == "Harbour Lights"
    assert result == one_document((out / "result.json").read_text(encoding="utf-8"))


def test_what_highlights_hold_and_colours_beyond_the_set_are_in_the_result(compared: tuple[Any, Path]) -> None:
    result, _ = compared
    contrast, beyond = result["headroom"]["contrast"], result["colour"]["beyond_set"]
    for part, keys in ((contrast, ("hdr_jnd", "sdr_jnd", "gain_jnd")), (beyond, ("saturated_share", "hdr_volume_jnd3", "set_volume_jnd3"))):
        assert part["status"] in ("measured", "not_applicable")
        assert all((part[key] is not None) == (part["status"] == "measured") for key in keys)


@pytest.mark.parametrize("side", ["hdr", "sdr"])
def test_measure_prints_one_release(small_pair: SmallPair, side: str, run_pairdiff: Run) -> None:
    done = run_pairdiff("measure", getattr(small_pair, side), "--json")
    assert done.returncode == 0, done.stderr
    measured = one_document(done.stdout)
    assert faults(measured, part="measurement") == []
    assert measured["signal"]["transfer"]["value"] == ("pq" if side == "hdr" else "bt1886")


def test_align_prints_the_edit_map(small_pair: SmallPair, run_pairdiff: Run) -> None:
    done = run_pairdiff("align", *small_pair, "--json")
    assert done.returncode == 0, done.stderr
    alignment = one_document(done.stdout)
    assert faults(alignment, part="alignment") == []
    first = alignment["segments"][0]
    assert (first["kind"], first["hdr_start"], first["sdr_start"]) == ("matched", 0, 0)


def test_the_schema_is_strict_enough_to_notice_a_lost_key_and_a_word_in_place_of_a_number(compared: tuple[Any, Path]) -> None:
    result, _ = compared
    without = {name: value for name, value in result.items() if name != "headroom"}
    assert faults(without)
    assert faults({**result, "headroom": {**result["headroom"], "stops": "high"}})
    assert faults({**result, "verdict": {**result["verdict"], "label": "fake"}})
