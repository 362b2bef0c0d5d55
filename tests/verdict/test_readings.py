"""What is said of levels that do not fit the tags: once, with the option that settles it, and never an option that does not exist."""

from __future__ import annotations

import dataclasses
from fractions import Fraction
from typing import Any

import pytest

from pairdiff._records import Fact, Release, Side, Signal, SignalCheck, SignalReading
from pairdiff.verdict.readings import caution_readings, is_answered, say_contradiction, say_range


def make_release(side: Side, *, transfer: str, stated: str | None = None) -> Release:
    """A release that its file describes, but for the field that an option states."""
    values: tuple[Any, ...] = (transfer, "bt2020", "bt2020-ncl", "narrow", 10, "420", "left", 320, 180, Fraction(1), Fraction(24))
    names = [field.name for field in dataclasses.fields(Signal)]
    facts: dict[str, Any] = {
        name: Fact(value, "option" if name == stated else "bitstream", False) for name, value in zip(names, values, strict=True)
    }
    none: Any = None
    path = f"{side}.mkv"
    return Release(path, side, "sha256:1:a", 1, "matroska", "hevc", 0, Fraction(1, 24), Fraction(0), None, Signal(**facts), none, ())


def pair(stated: str | None = None) -> tuple[Release, Release]:
    """Both releases; `stated` is a side and a field, as `sdr range`."""
    side, _, field = (stated or "").partition(" ")
    return (
        make_release("hdr", transfer="pq", stated=field if side == "hdr" else None),
        make_release("sdr", transfer="bt1886", stated=field if side == "sdr" else None),
    )


AS_READ = SignalReading("hdr", "transfer", "pq", 312.4, 4.256, 7.31)
HLG = SignalReading("hdr", "transfer", "hlg", 198.6, 2.41, 0.66)
FULL_SDR = SignalReading("sdr", "range", "full", 203.0, 2.4, 0.5)


def check(*better: SignalReading, ranges: tuple[tuple[Side, str], ...] = (), state: Any = "doubtful") -> SignalCheck:
    return SignalCheck("measured", AS_READ, better, state, ranges)


def test_a_range_that_levels_and_codes_tell_of_is_one_caution() -> None:
    (caution,) = caution_readings(check(FULL_SDR, ranges=(("sdr", "full"),)))
    assert caution.startswith("The levels of the two releases do not fit the way they are read.")
    assert caution.count("--sdr-range full") == 1


@pytest.mark.parametrize(
    ("better", "ranges", "said"),
    [
        ((FULL_SDR,), (("hdr", "full"),), ["--sdr-range full", "--hdr-range full"]),
        ((FULL_SDR,), (("hdr", "full"), ("sdr", "full")), ["--sdr-range full", "--hdr-range full"]),
        ((HLG,), (("sdr", "full"),), ["--hdr-transfer hlg", "--sdr-range full"]),
        ((), (("hdr", "full"), ("sdr", "narrow")), ["--hdr-range full", "--sdr-range narrow"]),
    ],
)
def test_codes_of_another_side_or_field_are_a_caution_of_their_own(
    better: tuple[SignalReading, ...], ranges: tuple[tuple[Side, str], ...], said: list[str]
) -> None:
    cautions = caution_readings(check(*better, ranges=ranges))
    assert len(cautions) == len(said)
    assert all(option in caution for option, caution in zip(said, cautions, strict=True))


def test_levels_that_fit_and_levels_that_were_not_held_against_anything_are_no_caution() -> None:
    assert caution_readings(None) == []
    assert caution_readings(check(HLG, ranges=(("sdr", "full"),), state="fits")) == []


@pytest.mark.parametrize(
    ("stated", "better", "answered"),
    [
        ("hdr transfer", (HLG,), True),
        ("sdr range", (FULL_SDR,), True),
        ("sdr range", (HLG, FULL_SDR), True),
        (None, (HLG, FULL_SDR), False),
        ("sdr transfer", (HLG, FULL_SDR), False),
        ("hdr range", (HLG, FULL_SDR), False),
        ("hdr transfer", (), False),
    ],
)
def test_only_an_option_of_the_side_and_field_in_doubt_answers(
    stated: str | None, better: tuple[SignalReading, ...], answered: bool
) -> None:
    assert is_answered(check(*better), *pair(stated)) is answered


def test_a_refusal_says_what_was_found_every_way_that_fits_and_how_to_stand_by_the_tag() -> None:
    assert say_contradiction(check(HLG, FULL_SDR), *pair()) == (
        "The levels of hdr.mkv and sdr.mkv do not fit the way they are read (HDR: PQ, narrow range; SDR: BT.1886 (SDR), narrow range). "
        "Read like this, their mid-tones agree best on an SDR set of white 312 cd/m2 and gamma 4.26, and 7.3 JND are left. "
        "With the HDR release read as HLG it is white 199 cd/m2 and gamma 2.41, and 0.7 JND (--hdr-transfer hlg). "
        "With the SDR release read as full range it is white 203 cd/m2 and gamma 2.40, and 0.5 JND (--sdr-range full). "
        "If the HDR release is right as it is, say so with --hdr-transfer pq; the comparison then goes on with a caution."
    )


@pytest.mark.parametrize(
    ("value", "side", "words", "kept"),
    [
        ("bt1886", "hdr", "it is no HDR release then", "--hdr-transfer pq"),
        ("pq", "sdr", "it is no SDR release then", "--sdr-transfer bt1886"),
    ],
)
def test_a_reading_that_turns_a_release_into_the_other_kind_is_told_and_no_option_offered(
    value: str, side: Side, words: str, kept: str
) -> None:
    said = say_contradiction(check(SignalReading(side, "transfer", value, 203.0, 2.4, 0.4)), *pair())
    assert f"0.4 JND ({words})" in said
    assert f"--{side}-transfer {value}" not in said
    assert f"say so with {kept};" in said


def test_the_caution_of_a_range_says_what_the_codes_look_like() -> None:
    full, narrow = say_range("hdr", "full"), say_range("sdr", "narrow")
    assert "codes of the HDR release look like those of the full range, and are not read so: much of its picture lies far below" in full
    assert "codes of the SDR release look like those of the narrow range, and are not read so: its black lies at the narrow" in narrow
    assert full.endswith("say so with --hdr-range full.")
    assert narrow.endswith("say so with --sdr-range narrow.")
