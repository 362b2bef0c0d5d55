"""Levels that do not fit the tags, in words: the refusal that asks, and the caution where the user has answered or nothing is sure."""

from __future__ import annotations

from collections.abc import Sequence

from pairdiff._records import Release, Side, SignalCheck, SignalReading
from pairdiff.clip.signalling import TRANSFER_WORDS

FORBIDDEN = {("hdr", "bt1886"): "it is no HDR release then", ("sdr", "pq"): "it is no SDR release then"}
"""Readings that would make a release one of the other kind; no option takes them."""


def is_answered(check: SignalCheck, hdr: Release, sdr: Release) -> bool:
    """Whether an option states one of the facts that the levels speak against."""
    facts = {("hdr", "transfer"): hdr.signal.transfer, ("sdr", "transfer"): sdr.signal.transfer}
    facts |= {("hdr", "range"): hdr.signal.range, ("sdr", "range"): sdr.signal.range}
    return any(facts[one.side, one.field].source == "option" for one in check.better)


def say_contradiction(check: SignalCheck, hdr: Release, sdr: Release) -> str:
    """The refusal of a pair whose levels speak against its tags: what was found, and the options that settle it."""
    first = check.better[0]
    kept = {"hdr": hdr, "sdr": sdr}[first.side].signal
    stated = getattr(kept, first.field)
    return (
        f"The levels of {hdr.path} and {sdr.path} do not fit the way they are read ({_say_read(hdr)}; {_say_read(sdr)}). "
        f"{_say_found(check)} {_say_ways(check.better)} If the {first.side.upper()} release is right as it is, say so with "
        f"--{first.side}-{first.field} {stated.value}; the comparison then goes on with a caution."
    )


def caution_readings(check: SignalCheck | None) -> list[str]:
    """What a reader must know of levels that do not fit the tags; nothing where they do."""
    if check is None or check.state == "fits":
        return []
    cautions = []
    if check.better:
        cautions.append(
            f"The levels of the two releases do not fit the way they are read. {_say_found(check)} {_say_ways(check.better)} If that is "
            "how they were made, this comparison is of no use; give the option and compare again."
        )
    told = {(one.side, one.value) for one in check.better if one.field == "range"}
    cautions += [say_range(side, looks) for side, looks in check.ranges if (side, looks) not in told]
    return cautions


def say_range(side: Side, looks: str) -> str:
    """The caution that the codes of one release look like those of another range."""
    why = (
        "much of its picture lies far below narrow black"
        if looks == "full"
        else "its black lies at the narrow one, and nothing of it below"
    )
    return (
        f"The codes of the {side.upper()} release look like those of the {looks} range, and are not read so: {why}. If the tag or option "
        f"is wrong, say so with --{side}-range {looks}."
    )


def _say_read(release: Release) -> str:
    signal = release.signal
    return f"{release.side.upper()}: {TRANSFER_WORDS[signal.transfer.value]}, {signal.range.value} range"


def _say_found(check: SignalCheck) -> str:
    read = check.as_read
    if read is None:
        return ""
    return (
        f"Read like this, their mid-tones agree best on an SDR set of white {read.white_nits:.0f} cd/m2 and gamma {read.gamma:.2f}, and "
        f"{read.residual_jnd:.1f} JND are left."
    )


def _say_ways(ways: Sequence[SignalReading]) -> str:
    return " ".join(f"{_say_way(one)}." for one in ways)


def _say_way(one: SignalReading) -> str:
    taken = TRANSFER_WORDS.get(one.value, f"{one.value} range")
    advice = FORBIDDEN.get((one.side, one.value), f"--{one.side}-{one.field} {one.value}")
    return (
        f"With the {one.side.upper()} release read as {taken} it is white {one.white_nits:.0f} cd/m2 and gamma {one.gamma:.2f}, and "
        f"{one.residual_jnd:.1f} JND ({advice})"
    )
