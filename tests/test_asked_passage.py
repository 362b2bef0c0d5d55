"""A passage that is asked for has to be matched itself, and not for a share of the film."""

from fractions import Fraction
from types import SimpleNamespace

import pytest

from pairdiff import Settings
from pairdiff._conclude import _weighting
from pairdiff._measured import Picks
from pairdiff._pipeline import _shorter_frames


def matched_share(only, *, matched, sdr_frames=1000):
    sides = (SimpleNamespace(track=SimpleNamespace(times_s=tuple(Fraction(n, 25) for n in range(frames)))) for frames in (1000, sdr_frames))
    matching = SimpleNamespace(**dict(zip(("hdr", "sdr"), sides, strict=True)))
    picks = Picks(tuple(range(matched)), (0,) * matched, (0.04,) * matched, matched, matched * 0.04)
    return _weighting(picks, shorter_frames=_shorter_frames(matching, Settings(only=only)))[1]


@pytest.mark.parametrize(
    ("only", "matched", "share"),
    [
        (None, 50, 0.05),
        ("0:00:05-0:00:07", 50, 1.0),
        ("0:00:05-0:00:07", 10, 0.2),
        ("f125-f175", 50, 1.0),
        ("0:00:05-9:00:00", 50, 50 / 874),
    ],
)
def test_the_matched_share_is_of_what_was_asked_for(only, matched, share):
    assert matched_share(only, matched=matched) == pytest.approx(share)


def test_a_shorter_release_counts_where_it_is_shorter_than_the_passage():
    assert matched_share("f0-f900", matched=90, sdr_frames=100) == pytest.approx(0.9)
