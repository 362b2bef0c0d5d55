"""Streams damaged on purpose in four packets of the middle: the verdict stays, the frames are named, and no level of theirs is the film's.

Planted by construction in finished files; what a decoder makes of it (smears, garbage, lost pictures) is its own. The pair is the one of
`_contaminated`: MaxCLL of its HDR release without damage is 112 cd/m2 outside frames 70 to 80, and 142 with them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

import pairdiff
from pairdiff import _pipeline
from pairdiff._records import Release
from pairdiff.clip.probe import probe_release
from tests._clips import rewrite_packets
from tests.whole import _contaminated as planted

pytestmark = pytest.mark.slow

SPOILT = range(70, 74)
"""Packets in the order of coding; the shot ends at frame 80 with a key frame, so that nothing later is touched."""
NEAR_S = (66 / 24, 80 / 24)
"""Where frames may be spoilt: from a few before, as packets are not in the order of showing, to that key frame."""

Spoil = Callable[[bytearray, np.random.Generator], bytearray]


def overwrite(body: bytearray, chance: np.random.Generator) -> bytearray:
    """A quarter of the packet, from its third on."""
    start, count = len(body) // 3, len(body) // 4
    body[start : start + count] = chance.integers(0, 256, count, dtype=np.uint8).tobytes()
    return body


def flip(body: bytearray, chance: np.random.Generator) -> bytearray:
    """One bit in 200 bytes, four at least."""
    for place in chance.integers(len(body) // 4, len(body), max(len(body) // 200, 4)):
        body[place] ^= 1 << int(chance.integers(8))
    return body


def truncate(body: bytearray, chance: np.random.Generator) -> bytearray:
    """The first two fifths."""
    return body[: len(body) * 2 // 5]


def damage(source: Path, target: Path, how: Spoil) -> Path:
    """A copy of a video stream with some packets spoilt."""
    return rewrite_packets(source, target, lambda number, body: how(body, np.random.default_rng(number)) if number in SPOILT else body)


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    return planted.encode_pair(tmp_path_factory.mktemp("sound"))


@pytest.mark.parametrize(
    ("side", "how"), [("hdr", overwrite), ("hdr", flip), ("hdr", truncate), ("sdr", overwrite), ("sdr", truncate)], ids=str
)
def test_damage_in_the_middle_is_named_and_left_out(side: str, how: Spoil, pair: tuple[Path, Path], tmp_path: Path) -> None:
    hdr, sdr = pair
    if side == "hdr":
        hdr = damage(hdr, tmp_path / hdr.name, how)
    else:
        sdr = damage(sdr, tmp_path / sdr.name, how)
    result = pairdiff.compare(hdr, sdr, title="The Glass Orchard", settings=planted.QUICK)
    assert result.verdict.label == "sdr-in-hdr-container"
    assert result.contaminants is not None
    found = {one.kind: one for one in result.contaminants.found}
    named = found["damaged_frame" if side == "hdr" else "damaged_partner"]
    assert ("damaged_partner" if side == "hdr" else "damaged_frame") not in found
    assert named.treatment == "left_out"
    assert 1 <= named.frames <= 14
    assert named.first_s is not None
    assert named.last_s is not None
    assert NEAR_S[0] <= named.first_s < named.last_s <= NEAR_S[1] + 0.05
    before, after = result.contaminants.with_them, result.contaminants.without_them
    assert before is not None
    assert after is not None
    assert before.max_cll_nits == result.hdr.levels.max_cll_nits
    assert after.max_cll_nits == pytest.approx(112.4 if side == "hdr" else 142.4, abs=1)
    assert after.preference_loss == pytest.approx(0.029, abs=0.003)  # of the sound pair


def test_garbage_sets_maxcll_and_is_named_as_its_cause(pair: tuple[Path, Path], tmp_path: Path) -> None:
    hdr, sdr = pair
    result = pairdiff.compare(damage(hdr, tmp_path / hdr.name, overwrite), sdr, settings=planted.QUICK)
    assert {one.kind for one in result.hdr.damage} == {"decode error"}
    assert all("not as they should be" in one.detail and 60 <= one.frame < 80 for one in result.hdr.damage)
    assert result.hdr_peak is not None
    assert result.hdr_peak.nits == pytest.approx(10_000, rel=0.01)
    assert "damaged_frame" in result.hdr_peak.causes
    assert all(one.source_peak_nits < 200 for one in result.screens)  # what a display rolls off from is the film's, not the garbage's
    assert all(not 69 <= one.hdr_frame < 80 for one in result.pairs)


def test_a_damaged_release_is_the_same_each_time_it_is_read(pair: tuple[Path, Path], tmp_path: Path) -> None:
    # several pictures decoded at a time made six different films of it in eight readings
    file = damage(pair[0], tmp_path / pair[0].name, overwrite)
    found = [_pipeline._scan(_probe(file), settings=planted.QUICK, fresh=True, tell=_pipeline._silent) for _ in range(5)]
    assert all(one.release.in_order and one.track.notes == (_pipeline.NOTE_IN_ORDER,) for one in found)
    assert all(np.array_equal(one.track.fingerprints, found[0].track.fingerprints) for one in found)
    assert all(one.track.levels == found[0].track.levels for one in found)


def test_a_sound_release_is_decoded_several_pictures_at_a_time(pair: tuple[Path, Path]) -> None:
    for file in pair:
        found = _pipeline._scan(_probe(file), settings=planted.QUICK, fresh=True, tell=_pipeline._silent)
        assert not found.release.in_order
        assert found.track.notes == ()


def _probe(file: Path) -> Release:
    return probe_release(file, side="hdr" if "hdr" in file.name else "sdr", settings=planted.QUICK)


def test_pictures_that_the_decoder_dropped_are_told(pair: tuple[Path, Path], tmp_path: Path) -> None:
    hdr, sdr = pair
    result = pairdiff.compare(damage(hdr, tmp_path / hdr.name, flip), sdr, settings=planted.QUICK)
    faults = [one for one in result.hdr.damage if one.kind == "decode error"]
    assert len(faults) == 1
    assert 60 <= faults[0].frame < 80
    assert [(one.kind, one.detail) for one in result.hdr.damage if one not in faults] == [
        ("missing pictures", "4 pictures are missing before 3.125 s"),
        ("missing pictures", "4 pictures are missing before 3.333 s"),
    ]
    assert len(result.coverage.notes) == 3
