"""Mixes that both releases hold are the film's own; those of one release alone are a conversion's."""

import dataclasses

import numpy as np
import pytest

from pairdiff._pipeline import _keep_common, _Pass
from tests.test_keep import make_release, make_track

SECOND, FIFTH = np.arange(60) % 2 == 1, np.arange(60) % 5 == 4


def make_pass(repeats, *, order=None):
    combed = np.arange(60) == 6
    track = dataclasses.replace(make_track(frames=60, damage=0), repeats=repeats, set_aside=combed | repeats, field_order=order)
    return _Pass(make_release(), track, ())


def test_mixes_in_the_same_number_stay_on_both_sides():
    for one in _keep_common(make_pass(SECOND), make_pass(SECOND)):
        assert not one.track.repeats.size
        assert np.flatnonzero(one.track.set_aside).tolist() == [6]


@pytest.mark.parametrize(
    ("hdr", "sdr"),
    [
        (make_pass(SECOND), make_pass(FIFTH)),
        (make_pass(SECOND), make_pass(SECOND & False)),
        (make_pass(FIFTH, order="top"), make_pass(FIFTH, order="top")),
    ],
    ids=["another number", "one side alone", "repeats of woven film"],
)
def test_what_a_conversion_put_in_is_left_out(hdr, sdr):
    found = _keep_common(hdr, sdr)
    assert found[0] is hdr
    assert found[1] is sdr
