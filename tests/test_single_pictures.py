"""Single pictures through the comparison: they have no time, so no least time is asked of them."""

from fractions import Fraction
from types import SimpleNamespace

import pytest

from pairdiff import Settings, _pipeline


class Reached(Exception):
    """Enough was seen."""


@pytest.mark.parametrize(("frames", "least_s"), [(1, 0.0), (2, 7.5), (240, 7.5)])
def test_a_least_matched_time_is_asked_of_films_alone(frames, least_s, monkeypatch):
    release = SimpleNamespace(track=SimpleNamespace(times_s=tuple(Fraction(n, 24) for n in range(frames))))
    asked = []

    def look(matching, *, settings, full):
        asked.append(settings)
        raise Reached

    monkeypatch.setattr(_pipeline, "_match", lambda *paths, **told: SimpleNamespace(hdr=release, sdr=release))
    monkeypatch.setattr(_pipeline, "_look_at_film", look)
    with pytest.raises(Reached):
        _pipeline.compare("a.png", "b.png", settings=Settings(min_matched_s=7.5, min_matched_share=0.3))
    assert [(one.min_matched_s, one.min_matched_share) for one in asked] == [(least_s, 0.3)]
