"""Pictures settle what fingerprints hardly tell, in files: an edit map that is a frame off is planted behind the fingerprints."""

from dataclasses import replace

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
