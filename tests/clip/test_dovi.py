"""Dolby Vision records in containers, built by the layout of the published document (version 2.2, section 3.2)."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from pairdiff._errors import InputRefused
from pairdiff._settings import Settings
from pairdiff.clip.dovi import find_dovi_record
from pairdiff.clip.probe import probe_release
from tests._clips import add_boxes_to_sample_entry, encode_clip, moving_planes


def record(profile: int, compatibility: int, *, level: int = 6) -> bytes:
    bits = profile << 9 | level << 3 | 0b101  # RPU there, no enhancement layer, base layer there
    return bytes([1, 0]) + struct.pack(">H", bits) + bytes([compatibility << 4]) + bytes(19)


def with_box(folder: Path, body: bytes, name: bytes = b"dvcC") -> Path:
    path = encode_clip(folder / "film.mp4", moving_planes(8))
    return add_boxes_to_sample_entry(path, struct.pack(">I", 8 + len(body)) + name + body)


@pytest.mark.parametrize("name", [b"dvcC", b"dvvC"])
def test_a_picture_without_a_base_of_a_known_kind_is_refused_whatever_is_stated(name: bytes, tmp_path: Path) -> None:
    path = with_box(tmp_path, record(5, 0), name)
    for settings in (Settings(), Settings(hdr_transfer="pq", hdr_primaries="bt2020", hdr_matrix="bt2020-ncl", hdr_range="full")):
        with pytest.raises(InputRefused, match=r"Dolby Vision profile 5.* no option settles it\. Give a release whose base"):
            probe_release(path, side="hdr", settings=settings)


@pytest.mark.parametrize(("profile", "compatibility"), [(8, 1), (8, 4), (7, 6), (10, 1)])
def test_one_with_such_a_base_is_measured_by_it(profile: int, compatibility: int, tmp_path: Path) -> None:
    path = with_box(tmp_path, record(profile, compatibility))
    found = find_dovi_record(str(path))
    assert found is not None
    assert (found.profile, found.compatibility, found.has_base) == (profile, compatibility, True)
    assert probe_release(path, side="hdr", settings=Settings()).signal.transfer.value == "pq"


def test_a_matroska_record_is_found_and_chance_is_none(tmp_path: Path) -> None:
    path = tmp_path / "a.mkv"
    path.write_bytes(bytes(5 << 20) + b"\x41\xe7\x84dvcC\x41\xed\x98" + record(5, 0) + bytes(99))
    found = find_dovi_record(str(path))
    assert found is not None
    assert not found.has_base
    path.write_bytes(b"\x00\x00\x00\x20dvcC" + bytes(24) + b"\x00\x00\x00\x20dvcC" + bytes([1, 0, 255, 255]) + bytes(20))
    assert find_dovi_record(str(path)) is None
