"""Several files as one release, through the pass that measures: what holds for one of them holds for all, or is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from pairdiff import _pipeline
from pairdiff._errors import InputRefused
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_release
from tests._clips import SDR_TAGS, encode_clip, moving_planes, spoil_packets
from tests.frames.test_fields import LOSSLESS, planes_of
from tests.whole._cadence import NTSC, Stored, plain, pull_down


def scan(*parts: Path) -> _pipeline._Pass:
    release = probe_release("+".join(map(str, parts)), side="sdr", settings=Settings())
    return _pipeline._scan(release, settings=Settings(), fresh=True, tell=_pipeline._silent)


WOVEN = pull_down(range(30, 54), "23")


def cut(stored: Stored, start: int, stop: int) -> Stored:
    return replace(stored, top=stored.top[start:stop], bottom=stored.bottom[start:stop])


def write(path: Path, stored: Stored) -> Path:
    """Without loss: every field stays as it is."""
    planes = planes_of(stored, bits=8)
    return encode_clip(path, planes, codec="libx264", pix_fmt="yuv420p", tags=SDR_TAGS, rate=NTSC, options=LOSSLESS["libx264"])


@pytest.fixture(autouse=True)
def small_pictures(one_thread: None) -> None:
    """Every picture here is small."""


@pytest.mark.parametrize("parts", [(plain(range(6, 12)), WOVEN), (cut(WOVEN, 0, 20), cut(WOVEN, 20, 30))], ids=["one of two", "both"])
def test_film_woven_into_fields_in_several_files_is_refused(tmp_path: Path, parts: tuple[Stored, Stored]) -> None:
    files = [write(tmp_path / f"{number}.mkv", part) for number, part in enumerate(parts)]
    with pytest.raises(InputRefused, match=r"The SDR release .* is film woven into fields, in several files; .*Join the files into one"):
        scan(*files)


def test_a_fault_in_one_of_several_files_has_all_of_them_read_picture_by_picture(tmp_path: Path) -> None:
    look = {"codec": "libx264", "pix_fmt": "yuv420p", "tags": SDR_TAGS, "params": "keyint=40:min-keyint=40:scenecut=0:bframes=3"}
    sound = encode_clip(tmp_path / "sound.mkv", moving_planes(40, bits=8), **look)
    found = scan(sound, spoil_packets(sound, tmp_path / "spoilt.mkv", range(20, 24)))
    assert found.release.in_order
    assert _pipeline.NOTE_IN_ORDER in found.release.notes
    assert "not as they should be" in " ".join(fault.detail for fault in found.track.damage)
    assert [start for start, _ in found.release.part_starts] == [0, 40]
