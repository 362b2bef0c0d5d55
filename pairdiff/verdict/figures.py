"""How figures are said, in the report, on the terminal and in the sentences of a verdict: the one place for digits, signs and units.

| what | how |
|---|---|
| light | three significant digits, cd/m2; what a file declares is said as declared |
| stops | sign and two decimals |
| shares | per cent, never 0 % for what is above 0 |
| visible differences | JND with one decimal; preference loss: JOD with two |
| gamma | two decimals |
| colour volumes | three significant digits, millions of JND³ |

A value that does not exist is said in words, never shown as 0; a value that rounds to 0 carries no sign.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

NO_VALUE = "no value"
NBSP = "\N{NO-BREAK SPACE}"
MINUS = "\N{MINUS SIGN}"
SAME_WHITE, SAME_GAMMA = 0.01, 0.01
"""Share of white and step of gamma within which two set-ups are one (own: less than a set is turned by)."""
LEAST_NITS = 0.0001
"""Light below this is not said in figures, cd/m2 (own: the black of the best mastering displays)."""


def say_plain(text: str) -> str:
    """Say the same for a terminal, whose output is searched and piped.

    Parameters
    ----------
    text : str
        Words made here.

    Returns
    -------
    str
        Ordinary blanks, hyphens for minus signs, `cd/m2`.
    """
    return text.replace(NBSP, " ").replace(MINUS, "-").replace("cd/m²", "cd/m2")


def say_number(value: float | None) -> str:
    """Say a number without a unit with about three figures.

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
    return say_decimals(value, 0 if abs(value) >= 100 else 1 if abs(value) >= 10 else 2)


def say_decimals(value: float, decimals: int, *, sign: bool = False) -> str:
    """Say a plain number with so many decimals: with a true minus sign, and without any sign where nothing but 0 is left.

    Parameters
    ----------
    value : float
        Any unit.
    decimals : int
        After the point.
    sign : bool
        Whether more than 0 has a plus sign.

    Returns
    -------
    str
        Without a unit.
    """
    text = f"{value:{'+' if sign else ''}.{decimals}f}"
    if not text.strip("+-0."):
        return text.lstrip("+-")
    return text.replace("-", MINUS)


def say_nits(value: float | None) -> str:
    """Say a measured light level.

    Parameters
    ----------
    value : float or None
        cd/m2.

    Returns
    -------
    str
        Three significant digits and the unit; `no value` for None.
    """
    if value is None:
        return NO_VALUE
    if 0 < value < LEAST_NITS:
        return f"below {LEAST_NITS:g}{NBSP}cd/m²"
    return f"{_say_significant(value)}{NBSP}cd/m²"


def _say_significant(value: float) -> str:
    """Three significant digits, at most four decimals; 0 as 0."""
    if value == 0:
        return "0"
    decimals = 2 - math.floor(math.log10(abs(float(f"{value:.2e}"))))
    return say_decimals(round(value, decimals), min(max(decimals, 0), 4))


def say_declared_nits(value: float | None) -> str:
    """Say a light level that a file declares: every digit it states.

    Parameters
    ----------
    value : float or None
        cd/m2.

    Returns
    -------
    str
        With its unit; `no value` for None.
    """
    return NO_VALUE if value is None else f"{value:.10g}{NBSP}cd/m²"


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
    return NO_VALUE if value is None else f"{say_decimals(value, 2, sign=True)}{NBSP}stops"


def say_jnd(value: float | None) -> str:
    """Say a visible difference.

    Parameters
    ----------
    value : float or None
        Just noticeable differences.

    Returns
    -------
    str
        One decimal and the unit; `no value` for None.
    """
    return NO_VALUE if value is None else f"{say_decimals(value, 1)}{NBSP}JND"


def say_jod(value: float | None) -> str:
    """Say a preference loss.

    Parameters
    ----------
    value : float or None
        JOD.

    Returns
    -------
    str
        Two decimals and the unit; `no value` for None.
    """
    return NO_VALUE if value is None else f"{say_decimals(value, 2)}{NBSP}JOD"


def say_gamma(value: float | None) -> str:
    """Say a gamma.

    Parameters
    ----------
    value : float or None
        Exponent of the display.

    Returns
    -------
    str
        Two decimals; `no value` for None.
    """
    return NO_VALUE if value is None else say_decimals(value, 2)


def say_volume(value_jnd3: float | None) -> str:
    """Say a colour volume.

    Parameters
    ----------
    value_jnd3 : float or None
        Cubes of one just noticeable difference.

    Returns
    -------
    str
        Millions with about three figures; `no value` for None.
    """
    return NO_VALUE if value_jnd3 is None else f"{_say_significant(value_jnd3 / 1e6)}{NBSP}million{NBSP}JND³"


def say_share(value: float | None) -> str:
    """Say a share as per cent; a share above zero is never said as 0 %.

    Parameters
    ----------
    value : float or None
        0 to 1; above 1 where more is left than there was.

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
    decimals = 2 if 0 < percent < 1 else 1 if 0 < percent < 10 or 99 < percent < 100 else 0
    return f"{100 if 99.95 <= percent < 100.5 else f'{percent:.{decimals}f}'}{NBSP}%"


def say_interval(low: float | None, high: float | None, say: Callable[[float | None], str] = say_number, *, full: bool = False) -> str:
    """Say the ends of a 95 % interval.

    Parameters
    ----------
    low, high : float or None
        The ends.
    say : callable
        How one end is said.
    full : bool
        Every frame was measured, so that there is nothing to estimate.

    Returns
    -------
    str
        Starts with a blank; says so when no interval was estimated.
    """
    if full:
        return " (every frame measured: no sampling error)"
    if low is None or high is None:
        return " (no interval estimated)"
    first, last = say(low), say(high)
    number, _, unit = first.rpartition(NBSP)
    if number and unit == last.rpartition(NBSP)[2]:  # the unit once is enough
        first = number
    return f" (95{NBSP}% interval {first} to {last})"


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


def say_deviation(value: float | None, say: Callable[[float | None], str] = say_number) -> str:
    """Say one standard deviation of a set-up's figure.

    Parameters
    ----------
    value : float or None
        In the unit of the figure.
    say : callable
        How the figure is said.

    Returns
    -------
    str
        With a sign of its own; below 0.01 it is not said in figures; empty for None.
    """
    if value is None:
        return ""
    return "± less than 0.01" if 0 <= value < 0.005 else f"± {say(value)}"


def other_setups(setups: Sequence[tuple[str, float, float]]) -> list[str]:
    """Set-ups other than `controls` that are told apart when they are counted.

    Parameters
    ----------
    setups : sequence of (str, float, float)
        Name, white (cd/m2) and gamma.

    Returns
    -------
    list of str
        Names of those that differ from `controls` and from each other.
    """
    kept: list[tuple[str, float, float]] = []
    for one in sorted(setups, key=lambda one: one[0] != "controls"):
        if all(abs(one[1] / two[1] - 1) > SAME_WHITE or abs(one[2] - two[2]) > SAME_GAMMA for two in kept):
            kept.append(one)
    return [name for name, _, _ in kept if name != "controls"]


def is_less(stops: float | None, other_stops: float | None) -> bool:
    """Whether headroom is less than another as both are printed.

    Parameters
    ----------
    stops, other_stops : float or None
        At two set-ups.

    Returns
    -------
    bool
        False where one of them is not there.
    """
    return stops is not None and other_stops is not None and round(stops, 2) < round(other_stops, 2)
