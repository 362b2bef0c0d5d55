"""The primaries that an embedded colour profile describes (ICC.1:2022, profile version 4.4, and older ones)."""

from __future__ import annotations

import struct
from itertools import pairwise

HEAD_BYTES, MOST_TAGS = 128, 1000
COLORANTS = (b"rXYZ", b"gXYZ", b"bXYZ")
"""Tags with the colours of red, green and blue in the profile connection space, whose white is D50 (ICC.1 9.2, 6.3.4.3)."""
COLORANTS_XY = {
    1: ((0.6484, 0.3309), (0.3212, 0.5979), (0.1559, 0.0660)),
    12: ((0.6820, 0.3194), (0.2847, 0.6743), (0.1559, 0.0660)),
    9: ((0.7084, 0.2935), (0.1904, 0.7753), (0.1291, 0.0471)),
}
"""By ITU-T H.273 code point: chromaticities of BT.709, P3-D65 and BT.2020, brought from D65 to D50 by Bradford (ICC.1 annex E)."""
NEAR_XY = 0.004
"""How far a colorant may lie from them; profiles hold rounded numbers (own)."""
CICP = b"cicp"
"""Tag that states ITU-T H.273 code points (ICC.1:2022 9.2.17)."""


def primaries_of_profile(profile: bytes) -> int | None:
    """Code point (ITU-T H.273) of the primaries that a profile describes.

    Parameters
    ----------
    profile
        The whole profile.

    Returns
    -------
    1, 9 or 12; None for other primaries, profiles by tables alone and what is no profile. A `cicp` tag goes before the colorants.
    """
    tags = _list_tags(profile)
    if CICP in tags and len(tags[CICP]) >= 12 and tags[CICP][:4] == CICP:
        return tags[CICP][8] if tags[CICP][8] in COLORANTS_XY else None
    found = [_chromaticity(tags.get(name, b"")) for name in COLORANTS]
    for point, wanted in COLORANTS_XY.items():
        pairs = zip(found, wanted, strict=True)
        if all(one is not None and max(abs(one[0] - xy[0]), abs(one[1] - xy[1])) <= NEAR_XY for one, xy in pairs):
            return point
    return None


def _list_tags(profile: bytes) -> dict[bytes, bytes]:
    """Signature and body of every tag."""
    if len(profile) < HEAD_BYTES + 4 or profile[36:40] != b"acsp":
        return {}
    count = min(int.from_bytes(profile[HEAD_BYTES : HEAD_BYTES + 4], "big"), MOST_TAGS)
    starts = range(HEAD_BYTES + 4, HEAD_BYTES + 4 + 12 * (count + 1), 12)
    entries = [profile[start:stop] for start, stop in pairwise(starts)]
    parts = [struct.unpack(">4s2I", entry) for entry in entries if len(entry) == 12]
    return {name: profile[place : place + size] for name, place, size in parts}


def _chromaticity(body: bytes) -> tuple[float, float] | None:
    """CIE x, y of an XYZ tag (ICC.1 10.31: three s15Fixed16 numbers)."""
    if len(body) < 20 or body[:4] != b"XYZ ":
        return None
    x, y, z = (number / 65536 for number in struct.unpack(">3i", body[8:20]))
    total = x + y + z
    return (x / total, y / total) if total > 0 else None
