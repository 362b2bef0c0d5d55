"""Primaries of colour profiles, against those of other libraries and the arithmetic of colour-science (Bradford, ICC.1 annex E)."""

from __future__ import annotations

import struct

import colour
import numpy as np
import pytest

from pairdiff.clip.icc import COLORANTS_XY, primaries_of_profile

SPACES = {1: "ITU-R BT.709", 12: "Display P3", 9: "ITU-R BT.2020"}
D50 = (0.34567, 0.35850)


def colorants(point: int) -> np.ndarray:
    """XYZ of red, green and blue, white brought to D50."""
    space = colour.RGB_COLOURSPACES[SPACES[point]]
    white = colour.xy_to_XYZ(D50)
    xyz = (space.matrix_RGB_to_XYZ @ np.eye(3)).T
    return np.asarray(colour.chromatic_adaptation(xyz, colour.xy_to_XYZ(space.whitepoint), white, transform="Bradford"))


def make_profile(xyz: np.ndarray, *more: tuple[bytes, bytes]) -> bytes:
    bodies = [
        (name, b"XYZ \0\0\0\0" + struct.pack(">3i", *(round(v * 65536) for v in row)))
        for name, row in zip((b"rXYZ", b"gXYZ", b"bXYZ"), xyz, strict=True)
    ]
    bodies += more
    place = 128 + 4 + 12 * len(bodies)
    table, data = struct.pack(">I", len(bodies)), b""
    for name, body in bodies:
        table += struct.pack(">4s2I", name, place + len(data), len(body))
        data += body
    head = bytearray(128)
    head[36:40] = b"acsp"
    return bytes(head) + table + data


@pytest.mark.parametrize("point", list(SPACES))
def test_profiles_of_the_three_sets_of_primaries_are_told(point: int) -> None:
    xyz = colorants(point)
    assert np.array(COLORANTS_XY[point]) == pytest.approx(xyz[:, :2] / xyz.sum(1, keepdims=True), abs=0.0005)
    assert primaries_of_profile(make_profile(xyz)) == point


def test_a_profile_of_another_library_is_told() -> None:
    images = pytest.importorskip("PIL.ImageCms")
    assert primaries_of_profile(images.ImageCmsProfile(images.createProfile("sRGB")).tobytes()) == 1


def test_other_primaries_and_other_bytes_are_not() -> None:
    space = colour.RGB_COLOURSPACES["ProPhoto RGB"]
    assert primaries_of_profile(make_profile((space.matrix_RGB_to_XYZ @ np.eye(3)).T)) is None
    good = make_profile(colorants(1))
    assert primaries_of_profile(good[:150]) is None
    assert primaries_of_profile(b"x" * 400) is None
    assert primaries_of_profile(b"") is None


def test_a_cicp_tag_goes_before_the_colorants() -> None:
    """ICC.1:2022 9.2.17 and 10.3."""
    assert primaries_of_profile(make_profile(colorants(1), (b"cicp", b"cicp\0\0\0\0" + bytes([9, 16, 0, 1])))) == 9
    assert primaries_of_profile(make_profile(colorants(1), (b"cicp", b"cicp\0\0\0\0" + bytes([5, 16, 0, 1])))) is None
