"""A pass that was read in stretches, each by itself, is to the last bit the one that reads the film from its beginning."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import pairdiff
from pairdiff import _keep, _pipeline, _stretches
from pairdiff._parts import Parts
from pairdiff._records import Measurement, Release
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_release
from pairdiff.frames.cadence import FieldWatch
from pairdiff.frames.joined import open_reader
from pairdiff.score import scan
from tests._clips import PQ_TAGS, SDR_TAGS, encode_clip, moving_planes, spoil_packets

FRAMES = 200
H264: dict[str, Any] = {"codec": "libx264", "pix_fmt": "yuv420p", "tags": SDR_TAGS}
FORMS: dict[str, tuple[str, dict[str, Any]]] = {
    "hevc": ("mkv", {"codec": "libx265", "params": "keyint=24:bframes=4"}),
    "hevc-open": ("mp4", {"codec": "libx265", "params": "keyint=30:min-keyint=30:open-gop=1:bframes=4"}),
    "hevc-23.976": ("mkv", {"codec": "libx265", "params": "keyint=41:min-keyint=41", "rate": "24000/1001"}),
    "h264": ("ts", {**H264, "params": "keyint=35:min-keyint=35:bframes=3"}),
    "mpeg2": ("ts", {"codec": "mpeg2video", "pix_fmt": "yuv420p", "tags": SDR_TAGS, "options": {"g": "15", "bf": "2", "b": "2M"}}),
    "ffv1": ("mkv", {"codec": "ffv1", "tags": PQ_TAGS}),
}
FAST = ("hevc",)
NOT_FROM_A_KEY: dict[str, tuple[str, dict[str, Any]]] = {
    "h264-open": ("ts", {**H264, "params": "keyint=35:min-keyint=35:open-gop=1:bframes=3"}),
    "h264-refresh": ("mkv", {**H264, "params": "keyint=24:intra-refresh=1"}),
}
"""Streams whose pictures may lean on those before a key frame: stretches end where they do, or are the same all the same."""


@pytest.fixture(autouse=True)
def _kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    monkeypatch.setattr(_stretches, "LENGTH_S", 2.0)
    for module in (scan, _stretches):  # pictures at the beginning whose luma codes are all counted lie in the first stretch
        monkeypatch.setattr(module, "CODES_FIRST", 24)


def made(form: str, folder: Path) -> Path:
    ending, how = {**FORMS, **NOT_FROM_A_KEY}[form]
    bits = 8 if how.get("pix_fmt") == "yuv420p" else 10
    return encode_clip(folder / f"{form}.{ending}", moving_planes(FRAMES, bits=bits), **how)


def release_of(clip: Path) -> Release:
    return probe_release(clip, side="hdr" if clip.stem.startswith(("hevc", "ffv1")) else "sdr", settings=Settings())


def planned(clip: Path) -> dict[str, Any] | None:
    return _pipeline._plan_stretches(release_of(clip), settings=Settings(), tell=lambda stage, done, total: None)


def read(clip: Path, plan: dict[str, Any], folder: Path, *, order: list[int] | None = None) -> list[bool]:
    numbers = order or list(range(len(plan["starts_s"])))
    return [pairdiff.read_stretch(clip, plan=plan, number=number, into=folder) for number in numbers]


def measured(clip: Path, *, fresh: bool = False) -> tuple[Measurement, list[int]]:
    seen: list[int] = []

    def watch(stage: str, done: int, total: int | None) -> None:
        if stage.startswith("measure the") and done:
            seen.append(done)

    return pairdiff.measure(clip, progress=watch, fresh=fresh), seen


def assert_same_pass(clip: Path, *, least_taken: int) -> None:
    """What the pass finds that takes up what is kept, and one that reads all."""
    done, seen = measured(clip)
    assert seen == [] or seen[0] > least_taken, seen[:1]
    (kept,) = _keep.keep_folder().glob("*.npz")
    first = _keep.load_track(kept.stem)
    whole, all_seen = measured(clip, fresh=True)
    assert all_seen[0] == 1
    assert done == whole
    second = _keep.load_track(kept.stem)
    assert first is not None
    assert second is not None
    for name in ("fingerprints", "edges", "codes", "set_aside", "repeats"):
        assert np.array_equal(getattr(first, name), getattr(second, name)), name
    for name in ("active", "times_s", "notes", "damage", "field_order", "field_joins"):
        assert getattr(first, name) == getattr(second, name), name
    assert list(first.levels) == list(second.levels)


def assert_same_state(clip: Path, key: str) -> None:
    """What is kept of a pass beside its frames: fields, mixes, and how far a reader had come."""
    begun, release = Parts(key).load(), release_of(clip)
    watch = FieldWatch(code_step=2.0 ** (release.signal.bit_depth.value - 8))
    with open_reader(release, watch=watch.add, strict=True) as reader:
        assert sum(1 for _ in reader) == FRAMES
        assert begun is not None
        assert begun.reader == reader.state_before(FRAMES)
    for found, whole in zip((begun.weaves, begun.mixes), watch.state(), strict=True):
        assert np.array_equal(found, whole[: FRAMES - 2])


@pytest.mark.parametrize("form", [*FAST, *(pytest.param(form, marks=pytest.mark.slow) for form in FORMS if form not in FAST)])
def test_stretches_are_together_what_one_pass_finds(form: str, tmp_path: Path) -> None:
    clip = made(form, tmp_path)
    plan = planned(clip)
    assert plan is not None
    count = len(plan["starts_s"])
    assert count >= 4
    assert all(read(clip, plan, tmp_path / "stretches", order=list(reversed(range(count)))))
    assert pairdiff.join_stretches(tmp_path / "stretches", key=plan["key"], count=count) == FRAMES
    assert_same_state(clip, plan["key"])
    assert_same_pass(clip, least_taken=FRAMES - 1)


@pytest.mark.slow
@pytest.mark.parametrize("form", NOT_FROM_A_KEY)
def test_what_leans_on_pictures_before_a_key_frame_is_found_the_same_all_the_same(form: str, tmp_path: Path) -> None:
    clip = made(form, tmp_path)
    plan = planned(clip)
    if plan is not None:
        read(clip, plan, tmp_path / "stretches")
        pairdiff.join_stretches(tmp_path / "stretches", key=plan["key"], count=len(plan["starts_s"]))
    assert_same_pass(clip, least_taken=0)


@pytest.mark.slow
def test_a_stretch_that_is_lacking_ends_what_is_taken_and_the_rest_is_read_on(tmp_path: Path) -> None:
    clip = made("hevc", tmp_path)
    plan = planned(clip)
    assert plan is not None
    read(clip, plan, tmp_path / "stretches", order=[0, 1, 3])
    assert pairdiff.join_stretches(tmp_path / "stretches", key=plan["key"], count=len(plan["starts_s"])) == 4 * 24 + 2
    assert_same_pass(clip, least_taken=4 * 24)


def test_a_stretch_that_is_spoilt_or_does_not_follow_ends_what_is_taken(tmp_path: Path) -> None:
    """One cut short, and one that found something else of the pictures that both have read."""
    clip = made("hevc", tmp_path)
    plan = planned(clip)
    assert plan is not None
    count = len(plan["starts_s"])
    read(clip, plan, tmp_path / "stretches")
    paths = [_stretches.stretch_path(tmp_path / "stretches", plan["key"], number) for number in range(count)]
    with np.load(paths[2]) as arrays:
        found = {name: arrays[name] for name in arrays.files}
    found["opening"][7] = found["opening"][8]
    _stretches.write_stretch(paths[2], found)
    assert pairdiff.join_stretches(tmp_path / "stretches", key=plan["key"], count=count) == 4 * 24 + 2
    paths[1].write_bytes(paths[1].read_bytes()[:-200])
    assert pairdiff.join_stretches(tmp_path / "stretches", key=plan["key"], count=count) == 2 * 24 + 2
    assert_same_pass(clip, least_taken=2 * 24)


def test_a_stretch_with_a_fault_is_left_to_the_comparison(tmp_path: Path) -> None:
    hurt = spoil_packets(made("h264", tmp_path), tmp_path / "hurt.ts", range(118, 124))
    plan = planned(hurt)
    assert plan is not None
    assert read(hurt, plan, tmp_path / "stretches")[2] is False
    pairdiff.join_stretches(tmp_path / "stretches", key=plan["key"], count=len(plan["starts_s"]))
    done, _ = measured(hurt)
    assert done.result.damage
    assert done == measured(hurt, fresh=True)[0]


@pytest.mark.slow
def test_an_uneven_rate_is_left_to_the_comparison(tmp_path: Path) -> None:
    """Pictures that come late now and then: whether a gap is damage depends on how many there were before."""
    stamps = [n * 42 + (25 if n % 9 == 0 else 0) for n in range(FRAMES)]
    clip = encode_clip(tmp_path / "hevc-uneven.mkv", moving_planes(FRAMES), params="keyint=24", stamps=stamps)
    plan = planned(clip)
    if plan is not None:
        assert not any(read(clip, plan, tmp_path / "stretches"))
    done, _ = measured(clip)
    assert done == measured(clip, fresh=True)[0]


def test_a_film_that_was_changed_since_it_was_planned_is_refused(tmp_path: Path) -> None:
    clip = made("hevc", tmp_path)
    plan = planned(clip)
    assert plan is not None
    encode_clip(clip, moving_planes(FRAMES + 5)[5:], codec="libx265", params="keyint=24")
    with pytest.raises(pairdiff.InputRefused, match="is not the film that the stretches were planned with"):
        pairdiff.read_stretch(clip, plan=plan, number=1, into=tmp_path / "stretches")


def test_a_short_film_and_a_pair_that_is_surveyed_have_no_stretches(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    hdr, sdr = made("hevc", tmp_path), made("h264", tmp_path)
    sides = [one["side"] for one in pairdiff.plan_stretches(hdr, sdr, survey=False)]
    assert sides == ["hdr", "sdr"]
    assert len(pairdiff.plan_stretches(hdr, sdr)) == 2  # short films are read whole
    monkeypatch.setattr(_pipeline, "USUAL_FROM_S", 5)
    monkeypatch.setattr("pairdiff._survey.LEAST_LENGTH_S", 5)
    assert pairdiff.plan_stretches(hdr, sdr) == []
    assert len(pairdiff.plan_stretches(hdr, sdr, full=True)) == 2
    monkeypatch.setattr(_stretches, "LENGTH_S", 6.0)
    assert pairdiff.plan_stretches(hdr, sdr, survey=False) == []
