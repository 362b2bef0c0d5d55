"""Run again: the same answer to the last byte; what an interrupted run had finished is not measured twice, unless `--fresh` asks for it."""

from __future__ import annotations

import json
import signal
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as parquet
import pytest

import pairdiff
from pairdiff import _block_file, _pipeline
from pairdiff._film_array import FilmArray, Prints
from pairdiff.match.timeline import EditMap
from tests.small_clips import SmallPair
from tests.whole.conftest import Started

Run = Callable[..., subprocess.CompletedProcess[str]]
Start = Callable[..., Started]

HDR_SCAN, SDR_SCAN = "measure the HDR release", "measure the SDR release"


@pytest.mark.slow
def test_the_same_releases_give_the_same_result_to_the_last_byte(small_pair: SmallPair, run_pairdiff: Run, tmp_path: Path) -> None:
    outs = [tmp_path / name for name in ("first", "second")]
    for out in outs:
        done = run_pairdiff("compare", *small_pair, "--out", out, "--fresh", "--title", "Harbour Lights")
        assert done.returncode == 0, done.stderr
    first, second = outs
    assert (first / "result.json").read_bytes() == (second / "result.json").read_bytes()
    assert parquet.read_table(first / "frames.parquet").equals(parquet.read_table(second / "frames.parquet"))
    names = sorted(path.relative_to(first) for path in first.rglob("*") if path.is_file())
    assert names == sorted(path.relative_to(second) for path in second.rglob("*") if path.is_file())
    stills = [name for name in names if name.parts[0] == "stills"]
    assert stills
    assert [name for name in stills if (first / name).read_bytes() != (second / name).read_bytes()] == []


@pytest.mark.slow
def test_a_comparison_through_files_is_the_one_in_memory(small_pair: SmallPair, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a film's fingerprints lie is a matter of its length alone; the first run measures, the second takes what was kept."""
    matched: list[tuple[type, type]] = []
    plain = _pipeline.find_edit_map

    def watched(hdr: Prints, sdr: Prints, **given: Any) -> EditMap:
        matched.append((type(hdr), type(sdr)))
        return plain(hdr, sdr, **given)

    monkeypatch.setattr(_pipeline, "find_edit_map", watched)
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    in_memory = pairdiff.compare(*small_pair, survey=False)
    assert set(matched) == {(np.ndarray, np.ndarray)}
    monkeypatch.setattr(_block_file, "LEAST_FILE_BYTES", 0)
    for fresh in (True, False):
        matched.clear()
        found = pairdiff.compare(*small_pair, survey=False, fresh=fresh)
        assert set(matched) == {(FilmArray, FilmArray)}
        for name in ("pairs", "verdict", "headroom", "moments", "hdr_frames", "sdr_frames"):
            assert getattr(found, name) == getattr(in_memory, name), name
        assert np.array_equal(found.alignment.partners, in_memory.alignment.partners)


@pytest.fixture
def killed(small_pair: SmallPair, start_pairdiff: Start, tmp_path: Path) -> Path:
    """Folder of a run that was killed after it had measured the HDR release and before it had measured the SDR release."""
    run = start_pairdiff("compare", *small_pair, "--out", tmp_path / "out")
    run.wait_for("find the picture area of the SDR release")
    run.process.send_signal(signal.SIGKILL)
    run.finish()
    assert HDR_SCAN in "\n".join(run.said)
    assert not (tmp_path / "out/result.json").exists()
    return tmp_path / "out"


@pytest.mark.parametrize("fresh", [False, pytest.param(True, marks=pytest.mark.slow)], ids=["goes on", "fresh"])
def test_a_run_after_a_killed_one_goes_on_from_what_was_finished(
    small_pair: SmallPair, killed: Path, start_pairdiff: Start, fresh: bool
) -> None:
    code, _, said = start_pairdiff("compare", *small_pair, "--out", killed, *(["--fresh"] if fresh else [])).finish()
    assert code == 0, said
    assert SDR_SCAN in said
    assert (HDR_SCAN in said) == fresh
    result = json.loads((killed / "result.json").read_text(encoding="utf-8"))
    assert result["run"]["coverage"]["hdr_frames"] == 60
    assert result["alignment"]["offset_frames"] == 0
