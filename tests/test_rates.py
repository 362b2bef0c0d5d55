"""Time in the comparison: single pictures have none, so no least time is asked of them; rates are read off time stamps."""

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

    said = SimpleNamespace(duration_s=None)
    monkeypatch.setattr(_pipeline, "_probe_pair", lambda *paths, **told: (said, said))
    monkeypatch.setattr(_pipeline, "_match_releases", lambda *pair, **told: SimpleNamespace(hdr=release, sdr=release))
    monkeypatch.setattr(_pipeline, "_look_at_film", look)
    with pytest.raises(Reached):
        _pipeline.compare("a.png", "b.png", settings=Settings(min_matched_s=7.5, min_matched_share=0.3))
    assert [(one.min_matched_s, one.min_matched_share) for one in asked] == [(least_s, 0.3)]


@pytest.mark.parametrize(
    ("steps_ms", "stated", "found"),
    [
        ([1000 / 24] * 40, 24, 24),
        ([1000 / 24] * 20 + [2000 / 24] + [1000 / 24] * 30, 24, 24),  # a picture is missing
        ([42, 41, 42, 42, 41] * 8, 24, 24),  # stamps rounded to a millisecond
        ([40] * 40, 24, 25),  # the container states another rate
        ([40, 120] * 20, 25, 12.5),  # a variable one
        ([], 25, 25),
    ],
)
def test_a_gap_says_nothing_of_a_rate_and_a_variable_rate_does(steps_ms, stated, found):
    times = [Fraction(0)]
    for step in steps_ms:
        times.append(times[-1] + Fraction(step) / 1000)
    signal = SimpleNamespace(frame_rate=SimpleNamespace(value=Fraction(stated)))
    scanned = SimpleNamespace(track=SimpleNamespace(times_s=tuple(times)), release=SimpleNamespace(signal=signal))
    assert _pipeline._rate(scanned) == pytest.approx(found, rel=1e-3)
