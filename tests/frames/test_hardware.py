"""Which decoder is taken. Few machines have a card: the processor stands in for one here, but for the last test."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pairdiff._errors import InputRefused
from pairdiff._records import Release
from pairdiff._settings import Settings
from pairdiff.clip.container import CARD, open_release
from pairdiff.clip.probe import probe_release
from pairdiff.frames import hardware
from pairdiff.frames.decode import FrameReader
from pairdiff.frames.hardware import choose_decoder, find_fault
from tests._clips import encode_clip, moving_planes


@pytest.fixture(scope="module")
def release(tmp_path_factory: pytest.TempPathFactory) -> Release:
    clip = encode_clip(tmp_path_factory.mktemp("card") / "hdr.mkv", moving_planes(12), params="keyint=4")
    return probe_release(clip, side="hdr", settings=Settings())


def with_card(monkeypatch: pytest.MonkeyPatch, change: Any = lambda frames: frames) -> None:
    """A card that decodes as the processor does, but for the change."""
    plain = hardware._first_pictures
    monkeypatch.setattr(
        hardware, "_first_pictures", lambda one: change(plain(replace(one, decoder="software"))) if one.decoder == CARD else plain(one)
    )


def test_the_processor_decodes_unless_a_card_is_asked_for(release: Release, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hardware, "find_fault", lambda one: pytest.fail("a card was looked for"))
    assert choose_decoder(release, wanted="software") is release


@pytest.mark.parametrize("wanted", ["cuda", "auto"])
def test_a_card_whose_pictures_are_the_same_is_taken_and_said(release: Release, wanted: str, monkeypatch: pytest.MonkeyPatch) -> None:
    with_card(monkeypatch)
    chosen = choose_decoder(release, wanted=wanted)
    assert chosen.decoder == CARD
    assert chosen.notes[-1] == (
        f"decoded by an NVIDIA card (--decoder {wanted}); its first pictures are those of the processor, code for code."
    )


def other_code(frames: Any) -> Any:
    last = frames[-1]
    planes = [plane.copy() for plane in last.planes]
    planes[2][3, 3] += 1
    return [*frames[:-1], replace(last, planes=tuple(planes))]


@pytest.mark.parametrize(
    "change",
    [
        other_code,
        lambda frames: frames[:-1],
        lambda frames: [replace(frames[0], time_s=frames[1].time_s), *frames[1:]],
        lambda frames: [replace(frames[0], key_frame=False), *frames[1:]],
    ],
    ids=["one code", "one picture less", "another time", "no key frame"],
)
def test_a_card_whose_pictures_are_others_is_not_taken(release: Release, change: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    with_card(monkeypatch, change)
    chosen = choose_decoder(release, wanted="cuda")
    assert chosen.decoder == "software"
    assert chosen.notes[-1] == "decoded by the processor, since no NVIDIA card can (its pictures are others)."
    assert choose_decoder(release, wanted="auto") is release


def test_without_a_card_the_processor_decodes_and_says_why(release: Release, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(one: Release) -> Any:
        if one.decoder == CARD:
            raise InputRefused("no such device")
        return []

    monkeypatch.setattr(hardware, "_first_pictures", refuse)
    chosen = choose_decoder(release, wanted="cuda")
    assert (chosen.decoder, chosen.notes[-1]) == ("software", "decoded by the processor, since no NVIDIA card can (none is found).")
    assert choose_decoder(release, wanted="auto") is release


def test_a_codec_that_no_card_decodes_is_named(release: Release, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(one: Release) -> Any:
        raise RuntimeError("no hardware config")

    monkeypatch.setattr(hardware, "_first_pictures", refuse)
    assert find_fault(replace(release, codec="ffv1")) == "none that decodes ffv1 is found"


def test_several_files_are_looked_at_one_by_one(release: Release, monkeypatch: pytest.MonkeyPatch) -> None:
    with_card(monkeypatch)
    chosen = choose_decoder(replace(release, parts=(release, release)), wanted="cuda")
    assert [part.decoder for part in chosen.parts] == [CARD, CARD]
    assert sum("NVIDIA" in note for note in chosen.notes) == 1


def test_a_stream_that_is_read_in_order_is_never_decoded_by_a_card(release: Release) -> None:
    """What a decoder makes of damage is its own; in order it is the processor's, with or without a card."""
    with open_release(replace(release, decoder=CARD, in_order=True)) as container:
        assert not container.streams.video[0].codec_context.is_hwaccel
    with FrameReader(replace(release, decoder=CARD, in_order=True)) as reader:
        assert len(list(reader)) == 12


def test_a_real_card_gives_the_codes_of_the_processor(release: Release, tmp_path: Path) -> None:
    """Where this machine has one."""
    if find_fault(release) == "none is found":
        pytest.skip("no NVIDIA card here")
    eight = encode_clip(tmp_path / "sdr.mkv", moving_planes(12, bits=8), codec="libx264", pix_fmt="yuv420p", tags=(1, 1, 1, 1))
    for one in (release, probe_release(eight, side="sdr", settings=Settings())):
        assert find_fault(one) is None
