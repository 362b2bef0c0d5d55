"""What each picture of a survey stands for, and why a survey stops: arithmetic on made-up levels."""

from __future__ import annotations

from fractions import Fraction
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pairdiff import _conclude, _pipeline
from pairdiff._records import FrameLevels
from pairdiff._settings import Settings
from pairdiff._survey import MOST_DECODED

FRAMES = 24 * 600
LEVELS = {name: 10.0 for name in ("average_nits", "average_whole_nits", "p9999_nits", "p999_nits", "p99_nits", "p50_nits")}
SHARES = {name: 0.0 for name in ("area_100_share", "area_203_share", "area_1000_share")}


def level(frame: int, nits: float = 100.0, **others: float) -> FrameLevels:
    return FrameLevels(frame=frame, time_s=frame / 24, max_nits=nits, wide_nits=nits, **{**LEVELS, **SHARES, **others})


def film(keys: dict[int, int], *, times: dict[int, int] | None = None, levels: dict[int, FrameLevels] | None = None) -> Any:
    """A film of ten minutes, all of it matched, of which some frames (frame: key frame) were drawn."""
    frames = sorted(keys)
    measured = tuple((levels or {}).get(frame, level(frame)) for frame in frames)
    track = SimpleNamespace(levels=measured, times_s=tuple(Fraction(n, 24) for n in range(FRAMES)))
    release = SimpleNamespace(signal=SimpleNamespace(frame_rate=SimpleNamespace(value=Fraction(24))))
    side = SimpleNamespace(track=track, release=release)
    alignment = _pipeline.Alignment(1.0, 0, 1.0, 0.0, (), (), tuple((frame, frame + 1) for frame in frames), ())
    edit_map = SimpleNamespace(path=np.arange(FRAMES), state=np.ones(FRAMES, np.int8))
    matching = SimpleNamespace(hdr=side, sdr=side, alignment=alignment, edit_map=edit_map)
    samples = {frame: SimpleNamespace(key=key, times=(times or {}).get(frame, 1)) for frame, key in keys.items()}
    return _pipeline._survey_film(matching, samples, settings=Settings())  # type: ignore[arg-type]


def test_windows_stand_for_equal_shares_of_the_matched_time() -> None:
    picks = film({1000: 990, 5000: 4995, 9000: 8999, 12000: 12000}).picks
    assert picks.seconds == pytest.approx((150.0,) * 4)
    assert picks.matched_s == pytest.approx(600)
    assert picks.shots == (0, 1, 2, 3)


def test_a_picture_that_was_drawn_twice_stands_for_twice_the_time() -> None:
    picks = film({1000: 990, 5000: 4995, 9000: 8999}, times={5000: 2}).picks
    assert picks.seconds == pytest.approx((150, 300, 150))


def test_pictures_behind_one_key_frame_are_one_draw() -> None:
    assert film({1000: 990, 1004: 990, 5000: 4995, 9000: 8999}).picks.shots == (0, 0, 1, 2)


def test_a_card_at_the_end_takes_no_part_and_one_in_the_middle_does() -> None:
    bright = {"p50_nits": 0.0}
    keys = {frame: frame for frame in (1000, 3000, 5000, 7000, 9000, 11000, 13900)}
    made = film(keys, levels={13900: level(13900, 400.0, **bright), 7000: level(7000, 400.0, **bright)})
    assert not made.found["logo_or_credits"].any()  # the film itself goes as high
    made = film(keys, levels={13900: level(13900, 400.0, **bright)})
    assert made.found["logo_or_credits"].tolist() == [False] * 6 + [True]
    assert 13900 not in made.picks.hdr_frames
    assert 13900 in made.every.hdr_frames
    assert sum(made.picks.seconds) == pytest.approx(600 * 6 / 7)
    made = film(keys, levels={13900: level(13900, 400.0)})
    assert not made.found["logo_or_credits"].any()  # no black about it


@pytest.mark.parametrize(
    ("how", "reason"),
    [
        ({"settled": True}, "settled"),
        ({"settled": False}, None),
        ({"settled": False, "last_look": True}, "last_look"),
        ({"settled": True, "last_look": True}, "settled"),
        ({"settled": False, "spent": True}, "budget"),
        ({"settled": True, "read_all": False}, "budget"),
        ({"settled": True, "read_all": False, "decoded": MOST_DECODED}, "decoded"),
        ({"settled": False, "read_all": False, "last_look": True, "decoded": MOST_DECODED}, "decoded"),
    ],
)
def test_a_look_of_which_windows_are_missing_settles_nothing(how: dict[str, Any], reason: str | None) -> None:
    assert _conclude.why_stop(**{"read_all": True, "last_look": False, "spent": False, "decoded": 100, **how}) == reason


def test_pictures_that_take_no_part_take_none_in_the_fit(monkeypatch: pytest.MonkeyPatch) -> None:
    fitted: list[tuple[int, ...]] = []

    def fit(matching: Any, picks: Any, **how: Any) -> tuple[str, str]:
        del matching, how
        fitted.append(picks.hdr_frames)
        return "fits of some", "what some say"

    monkeypatch.setattr(_pipeline, "_fit", fit)
    monkeypatch.setattr(_pipeline, "fit_setups", lambda sample, settings: f"fits of {sample}")
    collector = SimpleNamespace(sample=lambda: "all")
    keys = {frame: frame for frame in (1000, 3000, 5000, 7000, 9000, 11000, 13900)}

    def found(made: Any) -> Any:
        how = {"settings": Settings(), "tell": lambda *told: None}
        return _pipeline._survey_fit(SimpleNamespace(), made, keys, collector, **how)  # type: ignore[arg-type]

    assert found(film(keys)) == ("fits of all", collector)
    assert not fitted
    assert found(film(keys, levels={13900: level(13900, 400.0, p50_nits=0.0)})) == ("fits of some", "what some say")
    assert fitted == [(1000, 3000, 5000, 7000, 9000, 11000)]
