"""A pass that was stopped is gone on with, and finds to the last bit what one that was not stopped finds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import pairdiff
from pairdiff import _keep, _pipeline
from pairdiff._records import Measurement
from tests._clips import PQ_TAGS, SDR_TAGS, encode_clip, moving_planes, remux_packets, spoil_packets

FRAMES = 96
FORMS: dict[str, tuple[str, dict[str, Any]]] = {
    "hevc": ("mkv", {"codec": "libx265", "params": "keyint=24:bframes=4"}),
    "hevc-open": ("mp4", {"codec": "libx265", "params": "keyint=24:open-gop=1:bframes=4"}),
    "h264-open": ("ts", {"codec": "libx264", "pix_fmt": "yuv420p", "tags": SDR_TAGS, "params": "keyint=20:open-gop=1:bframes=3"}),
    "h264-refresh": ("mkv", {"codec": "libx264", "pix_fmt": "yuv420p", "tags": SDR_TAGS, "params": "keyint=24:intra-refresh=1"}),
    "mpeg2": ("ts", {"codec": "mpeg2video", "pix_fmt": "yuv420p", "tags": SDR_TAGS, "options": {"g": "15", "bf": "2", "b": "2M"}}),
    "one-key": ("mkv", {"codec": "libx264", "pix_fmt": "yuv420p", "tags": SDR_TAGS, "params": "keyint=500"}),
    "ffv1": ("mkv", {"codec": "ffv1", "tags": PQ_TAGS}),
}


MAYBE_FROM_THE_START = {"h264-open", "h264-refresh"}
"""A decoder that gives up on every fault minds what leans on pictures before a key frame: such streams may be read from their beginning."""


class Stopped(Exception):
    """In place of a kill."""


@pytest.fixture(autouse=True)
def _kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    monkeypatch.setattr(_pipeline, "PART_S", 0.0)


def made(form: str, folder: Path) -> Path:
    ending, how = FORMS[form]
    bits = 8 if how.get("pix_fmt") == "yuv420p" else 10
    return encode_clip(folder / f"{form}.{ending}", moving_planes(FRAMES, bits=bits), **how)


def measured(clip: Path, *, stop_at: int | None = None, seen: list[int] | None = None, fresh: bool = False) -> Measurement:
    def watch(stage: str, done: int, total: int | None) -> None:
        if stage.startswith("measure the"):
            if seen is not None:
                seen.append(done)
            if stop_at is not None and done >= stop_at:
                raise Stopped

    return pairdiff.measure(clip, progress=watch, fresh=fresh)


def parts(folder: Path) -> list[Path]:
    return sorted((folder / "kept" / "parts").rglob("*.npz"))


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("stops", [(50,), (9, 30, 31, 77)], ids=["once", "four times"])
def test_a_stopped_pass_is_gone_on_with_and_finds_the_same(form: str, stops: tuple[int, ...], tmp_path: Path) -> None:
    clip = made(form, tmp_path)
    for number, stop in enumerate(stops):
        seen: list[int] = []
        with pytest.raises(Stopped):
            measured(clip, stop_at=stop, seen=seen)
        assert form in MAYBE_FROM_THE_START or (seen[0] > 1) == (number > 0)
    assert parts(tmp_path)
    seen = []
    done = measured(clip, seen=seen)
    assert form in MAYBE_FROM_THE_START or seen[0] > stops[-1] - 3
    assert parts(tmp_path) == []
    (kept,) = (_keep.keep_folder()).glob("*.npz")
    first = _keep.load_track(kept.stem)
    assert done == measured(clip, fresh=True)
    second = _keep.load_track(kept.stem)
    assert first is not None
    assert second is not None
    for name in ("fingerprints", "edges", "codes", "set_aside", "repeats"):
        assert np.array_equal(getattr(first, name), getattr(second, name)), name
    assert (first.times_s, first.levels, first.notes, first.damage) == (second.times_s, second.levels, second.notes, second.damage)


def test_a_fresh_pass_does_not_take_what_there_is(tmp_path: Path) -> None:
    clip = made("hevc", tmp_path)
    with pytest.raises(Stopped):
        measured(clip, stop_at=60)
    seen: list[int] = []
    measured(clip, seen=seen, fresh=True)
    assert seen[0] == 1


def test_a_part_that_is_spoilt_ends_what_is_taken(tmp_path: Path) -> None:
    clip = made("ffv1", tmp_path)
    with pytest.raises(Stopped):
        measured(clip, stop_at=60)
    whole = parts(tmp_path)
    whole[40].write_bytes(whole[40].read_bytes()[:200])
    seen: list[int] = []
    done = measured(clip, seen=seen)
    assert 38 <= seen[0] <= 44
    assert done == measured(clip, fresh=True)


def test_a_part_that_does_not_follow_the_one_before_ends_what_is_taken(tmp_path: Path) -> None:
    clip = made("ffv1", tmp_path)
    with pytest.raises(Stopped):
        measured(clip, stop_at=60)
    whole = parts(tmp_path)
    whole[40].write_bytes(whole[41].read_bytes())
    seen: list[int] = []
    done = measured(clip, seen=seen)
    assert 38 <= seen[0] <= 44
    assert done == measured(clip, fresh=True)


def test_parts_of_another_film_under_the_same_name_are_not_believed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The key says what file it is; if it should ever be wrong, the last two pictures that are kept are read again."""
    monkeypatch.setattr(_keep, "scan_key", lambda release, hlg_peak_nits: "same")
    monkeypatch.setattr(_keep, "load_track", lambda key: None)
    clip = encode_clip(tmp_path / "a.mkv", [planes[:1] + planes[1:] for planes in moving_planes(FRAMES)], codec="ffv1")
    with pytest.raises(Stopped):
        measured(clip, stop_at=60)
    other = encode_clip(tmp_path / "b.mkv", moving_planes(FRAMES + 7)[7:], codec="ffv1")
    seen: list[int] = []
    done = measured(other, seen=seen)
    assert seen[0] == 1
    assert done.frames == measured(other, fresh=True).frames


def test_what_follows_a_fault_is_not_kept_in_parts(tmp_path: Path) -> None:
    """Nor read on from: how a decoder gets over damage depends on where it began."""
    clip = made("hevc", tmp_path)
    hurt = spoil_packets(clip, tmp_path / "hurt.mkv", range(40, 44))
    with pytest.raises(Stopped):
        measured(hurt, stop_at=80)
    whole = measured(hurt)
    assert whole == measured(hurt, fresh=True)


def test_several_files_and_folders_that_cannot_be_written_are_measured_all_the_same(tmp_path: Path) -> None:
    first, second = made("hevc", tmp_path), remux_packets(made("hevc", tmp_path), tmp_path / "again.mkv")
    joined = f"{first}+{second}"
    with pytest.raises(Stopped):
        measured(Path(joined), stop_at=150)
    assert parts(tmp_path) == []
    assert len(measured(Path(joined)).frames) == 2 * FRAMES
    (tmp_path / "kept" / "parts").write_text("a file where the folder should be")
    assert replace(measured(first), settings={}) == replace(measured(first, fresh=True), settings={})
