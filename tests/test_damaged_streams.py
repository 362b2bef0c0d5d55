"""A pass over a damaged stream is made again picture by picture, and what is left out sets no peak."""

from types import SimpleNamespace

import numpy as np
import pytest

from pairdiff import _pipeline
from pairdiff._settings import Settings
from pairdiff.clip.probe import probe_release
from pairdiff.score.contaminants import FRAME_KINDS
from tests._clips import SDR_TAGS, encode_clip, moving_planes, spoil_packets

COUNT = 48


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    folder = tmp_path_factory.mktemp("streams")
    params = "keyint=40:min-keyint=40:scenecut=0:bframes=3"
    look = {"codec": "libx264", "pix_fmt": "yuv420p", "tags": SDR_TAGS, "params": params, "options": {"preset": "fast"}}
    return encode_clip(folder / "sound.mkv", moving_planes(COUNT, bits=8), **look)


def scan(path, *, fresh=True):
    release = probe_release(path, side="sdr", settings=Settings())
    return _pipeline._scan(release, settings=Settings(), fresh=fresh, tell=_pipeline._silent)


def test_a_damaged_release_is_read_again_picture_by_picture_and_says_so(sound):
    spoilt = spoil_packets(sound, sound.with_name("spoilt.mkv"), range(20, 24))
    found = [scan(spoilt) for _ in range(4)]
    assert all(one.release.in_order for one in found)
    assert all(_pipeline.NOTE_IN_ORDER in one.release.notes for one in found)
    assert all(any("not as they should be" in fault.detail for fault in one.track.damage) for one in found)
    assert all(np.array_equal(one.track.fingerprints, found[0].track.fingerprints) for one in found)
    assert scan(spoilt, fresh=False).release.in_order  # from what is kept as well


def test_a_sound_release_is_decoded_several_pictures_at_a_time(sound):
    found = scan(sound)
    assert not found.release.in_order
    assert found.track.damage == ()
    assert len(found.track.times_s) == COUNT


@pytest.mark.parametrize(
    ("partners", "damaged", "kept", "peak_nits"),
    [
        ([0, 1, 2, 3], [], False, 9000.0),
        ([0, 1, 2, 3], [3], False, 400.0),
        ([0, 1, 2, 3], [3], True, 9000.0),
        ([0, 1, -1, 3], [3], False, 200.0),
        ([-1, -1, -1, -1], [], False, 9000.0),
    ],
    ids=["all", "left-out", "kept", "unmatched", "nothing-matched"],
)
def test_what_displays_roll_off_from_is_the_level_of_the_film(partners, damaged, kept, peak_nits):
    levels = tuple(SimpleNamespace(frame=number, p9999_nits=nits) for number, nits in enumerate((100.0, 200.0, 400.0, 9000.0)))
    alignment = SimpleNamespace(partners=np.array(partners))
    matching = SimpleNamespace(alignment=alignment, hdr=SimpleNamespace(track=SimpleNamespace(levels=levels)))
    found = {kind: np.zeros(4, bool) for kind in FRAME_KINDS}
    found["damaged_frame"][damaged] = True
    assert _pipeline._film_peak_nits(matching, SimpleNamespace(found=found, kept=kept)) == peak_nits
