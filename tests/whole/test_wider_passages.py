"""A passage with a larger picture area that no key frame lies in: the pass sees it, and measures again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import pairdiff
from pairdiff._records import Rectangle
from tests._clips import Planes, encode_clip

ROWS, COLUMNS, BAR, SIDE = 180, 320, 24, 40
WIDER = range(52, 59)
KEYS = "keyint=12:min-keyint=12:scenecut=0:no-open-gop=1:bframes=0:crf=8"
"""Key frames at 48 and 60: none in the passage."""


def picture(number: int, *, wider: range, pillars: bool) -> Planes:
    """Moving texture between bars above and below or at the sides; in the passage all over, with a highlight where they are otherwise."""
    across = np.arange(COLUMNS)[None, :] + 3 * number
    luma = np.rint(380 + 60 * np.sin(across / 9) * np.sin(np.arange(ROWS)[:, None] / 7))
    if number in wider:
        luma[4:14, 4:44] = 800
    elif pillars:
        luma[:, :SIDE] = luma[:, -SIDE:] = 64
    else:
        luma[:BAR] = luma[-BAR:] = 64
    return [luma.astype(np.uint16), *(np.full((ROWS // 2, COLUMNS // 2), 512, np.uint16) for _ in range(2))]


@pytest.mark.parametrize("pillars", [False, True], ids=["bars", "pillars"])
@pytest.mark.parametrize("wider", [WIDER, range(0)], ids=["a wider passage", "none"])
def test_a_passage_between_key_frames_is_measured_whole(
    wider: range, pillars: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path / "kept"))
    clip = encode_clip(tmp_path / "hdr.mkv", (picture(number, wider=wider, pillars=pillars) for number in range(120)), params=KEYS)
    said: list[str] = []
    found = pairdiff.measure(clip, full=True, progress=lambda step, done, total: said.append(step))
    again = pairdiff.measure(clip)
    assert (again.active, again.result.levels.max_cll_nits) == (found.active, found.result.levels.max_cll_nits)
    notes = " ".join(found.result.release.notes)
    if wider:
        assert found.active == Rectangle(0, ROWS, 0, COLUMNS)
        assert found.result.levels.max_cll_nits > 1000
        assert WIDER.start / 24 - 0.01 <= found.result.levels.max_cll_time_s <= WIDER.stop / 24
        assert found.peak is not None
        assert found.peak.frame in WIDER
        assert "larger picture area" in notes
        assert any("again" in one for one in said)
    else:
        assert found.active == (Rectangle(0, ROWS, SIDE, COLUMNS - SIDE) if pillars else Rectangle(BAR, ROWS - BAR, 0, COLUMNS))
        assert found.result.levels.max_cll_nits < 300
        assert "larger picture area" not in notes
