"""Pictures settle what fingerprints hardly tell, in files: an edit map that is a frame off is planted behind the fingerprints."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from pairdiff import _pipeline
from pairdiff.match.timeline import find_edit_map
from tests.small_clips import SmallPair


@pytest.fixture
def planted(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fingerprints that put the small pair a frame late from frame 24 on, and know that they hardly tell there."""

    def off_by_one(*tracks, **how):  # type: ignore[no-untyped-def]
        found = find_edit_map(*tracks, **how)
        late = np.arange(len(found.path)) >= 24
        path = np.where(late, np.minimum(found.path + 1, len(tracks[1]) - 1), found.path)
        state = np.where(late & (found.path + 1 > path), np.int8(0), found.state).astype(np.int8)
        return replace(found, path=path, path_stop=path + 1, partners=np.where(state == 1, path, -1), state=state, faint=late)

    monkeypatch.setattr(_pipeline, "find_edit_map", off_by_one)


@pytest.mark.usefixtures("planted")
def test_a_passage_that_is_a_frame_late_is_put_right_by_its_pictures(small_pair: SmallPair) -> None:
    told: list[str] = []
    found = _pipeline.align(*small_pair, progress=lambda stage, done, total: told.append(stage))
    paired = np.flatnonzero(found.partners >= 0)
    assert len(paired) > 36
    assert (found.partners[paired] == paired).all()
    assert "look at frames that are hard to tell apart" in told
    assert all(one.residual_pixels is not None and one.residual_pixels < 0.2 for one in found.geometry)


def test_a_frame_that_is_kept_is_read_once(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[list[int]] = []

    def read(release: object, *, indices: list[int], times_s: list[float]) -> list[SimpleNamespace]:
        asked.append(list(indices))
        return [SimpleNamespace(planes=(np.full((8, 8), n, np.uint8),)) for n in indices]

    monkeypatch.setattr(_pipeline, "read_frames_at", read)
    signal = SimpleNamespace(chroma_sampling=SimpleNamespace(value="420"))
    side = SimpleNamespace(release=SimpleNamespace(signal=signal), track=SimpleNamespace(times_s=list(range(20))), read=None)
    lumas = _pipeline._Lumas(side, side)  # type: ignore[arg-type]
    kept = lumas.read([(1, 2), (3, 4)], keep=True)
    assert asked == [[1, 3], [2, 4]]
    again = lumas.read([(3, 4), (3, 5)])
    assert asked[2:] == [[5]]
    assert [int(one.hdr[0, 0]) for one in again] == [3, 3]
    assert [int(one.sdr[0, 0]) for one in again] == [4, 5]
    assert again[0].hdr is kept[1].hdr
    lumas.read([(3, 5)])
    assert asked[3:] == [[5]]  # what was not to be kept is read anew
