"""How the report says states and figures. A value that does not exist is said in words, never shown as 0."""

from __future__ import annotations

from collections.abc import Callable, Mapping

STATE_WORDS = {
    "same": "the same",
    "slightly_more": "slightly more",
    "clearly_more": "clearly more",
    "cannot_tell": "cannot tell",
    "not_applicable": "does not apply",
    "not_measured": "not measured",
    "seen": "seen",
    "not_seen": "not seen",
    "absent": "not declared",
    "zero": "declared as 0, which means unknown",
}
SETUP_WORDS = {
    "white-100": "white 100",
    "white-203": "white 203",
    "gain": "gain",
    "controls": "controls",
    "bench": "bench (your set)",
}
SETUP_NOTES = {
    "white-100": "mastering white of 100 cd/m², gamma 2.4",
    "white-203": "HDR reference white, gamma 2.4",
    "gain": "one white for the whole title, fitted on mid-tones, gamma 2.4",
    "controls": "one white and one gamma for the whole title, as a viewer sets a television once; the verdict rests on this",
    "bench": "the set stated with the options",
}
RULE_WORDS = {
    "most different": "Most different",
    "brightest": "Brightest",
    "typical": "Typical",
    "random": "Random",
    "asked for": "Asked for",
}
NO_VALUE = "no value"
NBSP = "\N{NO-BREAK SPACE}"


def say_state(state: str) -> str:
    """Say a state or a status in words.

    Parameters
    ----------
    state : str
        `same`, `not_measured`, ...

    Returns
    -------
    str
        Words; an unknown state is returned with spaces.
    """
    return STATE_WORDS.get(state, state.replace("_", " "))


def say_number(value: float | None) -> str:
    """Say a number with about three figures.

    Parameters
    ----------
    value : float or None
        The number.

    Returns
    -------
    str
        `no value` for None.
    """
    if value is None:
        return NO_VALUE
    decimals = 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2
    return f"{value:.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def say_nits(value: float | None) -> str:
    """Say a light level.

    Parameters
    ----------
    value : float or None
        cd/m2.

    Returns
    -------
    str
        With its unit; `no value` for None.
    """
    if value is None:
        return NO_VALUE
    return f"{value:.4f}{NBSP}cd/m²" if 0 < value < 0.1 else f"{say_number(value)}{NBSP}cd/m²"


def say_stops(value: float | None) -> str:
    """Say a ratio of light in stops.

    Parameters
    ----------
    value : float or None
        Stops.

    Returns
    -------
    str
        With its sign and unit; `no value` for None.
    """
    return NO_VALUE if value is None else f"{value:+.2f}{NBSP}stops".replace("-", "\N{MINUS SIGN}")


def say_share(value: float | None) -> str:
    """Say a share as per cent; a share above zero is never said as 0 %.

    Parameters
    ----------
    value : float or None
        0 to 1.

    Returns
    -------
    str
        `no value` for None.
    """
    if value is None:
        return NO_VALUE
    percent = 100.0 * value
    if 0 < percent < 0.01:
        return f"less than 0.01{NBSP}%"
    if percent > 99.95 and value < 1:
        return f"more than 99.9{NBSP}%"
    decimals = 2 if 0 < percent < 1 else 1 if 0 < percent < 10 or percent > 99 else 0
    return f"{100 if percent >= 99.95 else f'{percent:.{decimals}f}'}{NBSP}%"


def say_interval(low: float | None, high: float | None, say: Callable[[float | None], str] = say_number) -> str:
    """Say the ends of a 95 % interval.

    Parameters
    ----------
    low, high : float or None
        The ends.
    say : callable
        How one end is said.

    Returns
    -------
    str
        Starts with a blank; says so when no interval was estimated.
    """
    if low is None or high is None:
        return " (no interval estimated)"
    return f" (95{NBSP}% interval {say(low)} to {say(high)})"


def say_estimate(estimate: Mapping[str, float | None], say: Callable[[float | None], str] = say_number) -> str:
    """Say a value with its interval.

    Parameters
    ----------
    estimate : mapping
        `value`, `low`, `high`.
    say : callable
        How a value is said.

    Returns
    -------
    str
        `no value` where there is none.
    """
    if estimate["value"] is None:
        return NO_VALUE
    return say(estimate["value"]) + say_interval(estimate["low"], estimate["high"], say)


def say_time(seconds: float | None) -> str:
    """Say film time.

    Parameters
    ----------
    seconds : float or None
        Film time, seconds.

    Returns
    -------
    str
        `h:mm:ss.mmm`, as `pairdiff stills --at` takes it; `no value` for None.
    """
    if seconds is None:
        return NO_VALUE
    minutes, milliseconds = divmod(round(seconds * 1000), 60000)
    return f"{minutes // 60}:{minutes % 60:02d}:{milliseconds // 1000:02d}.{milliseconds % 1000:03d}"


def say_bytes(size: int) -> str:
    """Say a file size.

    Parameters
    ----------
    size : int
        Bytes.

    Returns
    -------
    str
        Bytes with thin spaces between the thousands.
    """
    return f"{size:,} bytes".replace(",", NBSP)


def say_exposure(stops: int) -> str:
    """Say an exposure of the bracket.

    Parameters
    ----------
    stops : int
        Exposure.

    Returns
    -------
    str
        `0 stops`, `-1 stop` with a true minus sign.
    """
    return f"{stops} stop{'' if abs(stops) == 1 else 's'}".replace("-", "\N{MINUS SIGN}")
