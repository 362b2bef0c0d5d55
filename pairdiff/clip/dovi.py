"""The configuration record of Dolby Vision in a container: whether the picture has a base that is HDR10, HLG or SDR by itself.

Source: Dolby Vision Streams Within the ISO Base Media File Format, version 2.2 (record and box types); Matroska block additional mappings
(the same record). The binding does not hand it on, so it is looked for in the file, where boxes of that size or elements of those numbers
hold a record of a known version.
"""

from __future__ import annotations

import os
import re
from dataclasses import dataclass

HEAD_BYTES, TAIL_BYTES = 1 << 22, 1 << 24
"""Ends of a file in which the index of an MP4 or the track entries of a Matroska file lie."""
RECORD = re.compile(rb"dv[cvw]C(?:(?<=\x00\x00\x00\x20dv[cvw]C)|(?<=\x41\xe7\x84dv[cvw]C)\x41\xed\x98)(.{24})", re.DOTALL)
"""An MP4 box of 32 bytes; the elements BlockAddIDType and BlockAddIDExtraData of Matroska. Letters first: they are found quickly."""
LAST_PROFILE, LAST_LEVEL = 20, 13
"""Highest that are defined; more is no record."""
NO_BASE_PROFILES = (5, 10, 20)
"""Profiles of one layer; with the compatibility 0 their picture is none of the known kinds."""


@dataclass(frozen=True, slots=True)
class DoviRecord:
    """What the record says."""

    profile: int
    compatibility: int
    """Which known kind the base layer is: 0 none, 1 HDR10, 2 SDR, 4 HLG, 6 HDR10 of Ultra HD discs."""

    @property
    def has_base(self) -> bool:
        """Whether the base layer is a picture of a known kind."""
        return self.compatibility != 0 or self.profile not in NO_BASE_PROFILES


def find_dovi_record(path: str) -> DoviRecord | None:
    """The configuration record of a file; None where it holds none, or for a film of numbered pictures."""
    if not os.path.isfile(path):
        return None
    with open(path, "rb") as file:
        data = file.read(HEAD_BYTES)
        size = file.seek(0, os.SEEK_END)
        if size > HEAD_BYTES:
            file.seek(max(size - TAIL_BYTES, HEAD_BYTES))
            data += file.read(TAIL_BYTES)
    for found in RECORD.finditer(data):
        record = found[1]
        profile, level = record[2] >> 1, (record[2] & 1) << 5 | record[3] >> 3
        if record[0] in (1, 2, 3) and profile <= LAST_PROFILE and 0 < level <= LAST_LEVEL:
            return DoviRecord(profile, record[4] >> 4)
    return None
