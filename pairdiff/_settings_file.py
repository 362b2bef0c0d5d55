"""From a settings file (TOML, flat `name = value`) and options to one checked `Settings` record.

What exists, its default and its meaning stand in `_settings.py`; here stands only what a value may be.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import fields
from difflib import get_close_matches
from functools import cache, wraps
from pathlib import Path
from typing import Any, TypeVar, get_args, get_type_hints

from pairdiff._errors import UsageError
from pairdiff._settings import Settings

T = TypeVar("T")

# What a number may be: by its full name, else by the unit that ends its name. Ends included. Wide on purpose: they catch slips of
# the pen (a percentage for a share, a code value for cd/m2), not opinions.
_LIMITS_BY_NAME: dict[str, tuple[float, float]] = {
    "hdr_stream": (0, 1000),
    "sdr_stream": (0, 1000),
    "sdr_white": (1, 10_000),
    "sdr_gamma": (1, 4),
    "gamma_low": (1, 4),
    "gamma_high": (1, 4),
    "screen_pairs": (1, 100_000),
    "room_lux": (0, 100_000),
    "seed": (0, 2**32 - 1),
    "pairs_per_shot": (1, 100_000),
    "max_pairs": (1, 1_000_000),
    "fit_pixels_per_pair": (16, 10_000_000),
    "canvas_max_columns": (16, 16_384),
    "pixels_per_degree_2160": (1, 1000),
    "min_score": (0, 1),
    "clip_pile_up": (1, 1000),
    "clip_pile_up_shared": (1, 1000),
    "clip_pile_up_spread": (1, 1000),
    "clip_tolerance_codes": (0, 20),
    "clip_concentration": (0, 1),
    "clip_far_codes": (0, 100),
    "mark_steady_ratio": (1, 100),
    "ends_above_ratio": (1, 100),
    "flash_frames": (0, 24),
    "flash_ratio": (1, 100),
    "recovered_spread": (0, 10),
    "stretched_leap_share": (0, 10),
    "stretched_rise_codes": (0, 20),
    "power_law_gamma_most": (1, 10),
    "shadow_codes": (0, 20),
    "support_min": (0, 1),
    "decode_limit_s": (1, 100_000),
    "support_draws": (1, 1_000_000),
    "threshold_spread": (0, 0.95),
}
_LIMITS_BY_UNIT: dict[str, tuple[float, float]] = {
    "nits": (0.01, 10_000),
    "share": (0, 1),
    "stops": (0, 20),
    "jnd": (0, 1000),
    "code": (0, 1.2),
    "degrees": (0, 20),
    "s": (0, 100_000),
    "gib": (0.1, 10_000),
    "megapixels": (0.001, 100_000),
}
_BOTH_OR_NEITHER = (("sdr_white", "sdr_gamma"),)
_IN_ORDER = (
    ("white_low_nits", "white_high_nits"),
    ("gamma_low", "gamma_high"),
    ("headroom_slight_stops", "headroom_clear_stops"),
    ("colour_slight_share", "colour_clear_share"),
    ("shadow_slight_share", "shadow_clear_share"),
)


def settings_from_file(path: Path | str) -> dict[str, Any]:
    """Read a settings file.

    Parameters
    ----------
    path
        A TOML file, flat: `name = value`, names as in `Settings`.

    Returns
    -------
    dict
        The settings that the file states, each checked on its own.

    Raises
    ------
    UsageError
        When the file cannot be read, is not TOML, has a name that does not exist (the nearest one is suggested), or has a value of the
        wrong kind or out of range.
    """
    try:
        stated = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise UsageError(f"The settings file {path} does not exist: check the path given with --settings.") from None
    except OSError as error:
        raise UsageError(f"The settings file {path} cannot be read ({error.strerror}): give --settings a readable text file.") from None
    except UnicodeDecodeError:
        raise UsageError(f"The settings file {path} is not text in UTF-8: write it as flat TOML, one `name = value` a line.") from None
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"The settings file {path} is not TOML ({error}): write one `name = value` a line.") from None
    return _checked_values(stated, place=f"settings file {path}")


def make_settings(file: Path | str | None, overrides: Mapping[str, Any]) -> Settings:
    """Join defaults, a settings file and options; an option wins over the file, the file over the default.

    Parameters
    ----------
    file
        A settings file, or None.
    overrides
        Settings stated as options; a value of None means "not stated".

    Returns
    -------
    Settings
        The checked record.

    Raises
    ------
    UsageError
        For anything that `settings_from_file` and `check_settings` refuse.
    """
    settings = Settings(**state_settings(file, overrides))
    _refuse_contradictions(settings)
    return settings


def state_settings(file: Path | str | None, overrides: Mapping[str, Any]) -> dict[str, Any]:
    """Those settings alone that a file and options state, each checked on its own.

    Parameters
    ----------
    file, overrides
        As for `make_settings`.

    Raises
    ------
    UsageError
        For anything that `settings_from_file` refuses.
    """
    stated = settings_from_file(file) if file is not None else {}
    given = {name: value for name, value in overrides.items() if value is not None}
    return {**stated, **_checked_values(given, place="options given")}


def list_faults(stated: Mapping[str, Any], *, place: str, together: bool = False) -> list[str]:
    """Everything that is wrong with some settings, where all of it is to be told at once.

    Parameters
    ----------
    stated
        Name -> value.
    place
        Where they stand, in words.
    together
        Each of them can be used; say which do not go together.

    Returns
    -------
    list of str
        What `make_settings` would say, one after the other; none where all can be used.
    """
    if together:
        return list(_contradictions(Settings(**_checked_values(stated, place=place))))
    found = []
    for name, value in stated.items():
        try:
            _checked_value(name, value, place=place)
        except UsageError as error:
            found.append(str(error))
    return found


def check_settings(settings: Settings) -> None:
    """Check a record that was made by hand in Python.

    Parameters
    ----------
    settings
        The record.

    Raises
    ------
    UsageError
        When it is no such record, a value is of the wrong kind or out of range, or two values do not go together.
    """
    if not isinstance(settings, Settings):
        raise UsageError(f"settings: found {type(settings).__name__}, expected a pairdiff.Settings record or None.")
    stated = {one.name: getattr(settings, one.name) for one in fields(settings)}
    _checked_values({name: value for name, value in stated.items() if value is not None}, place="Settings")
    _refuse_contradictions(settings)


def check_at_the_door(function: Callable[..., T]) -> Callable[..., T]:
    """Make a function of the front door check the `settings` it is given before it does anything.

    Parameters
    ----------
    function
        Takes `settings`, a record or None, by keyword.

    Returns
    -------
    Callable
        The same, with the refusals of `check_settings`.
    """

    @wraps(function)
    def checked(*given: Any, **named: Any) -> T:
        settings = named.get("settings")
        if settings is not None:
            check_settings(settings)
        return function(*given, **named)

    return checked


def limits_of(name: str) -> tuple[float, float] | None:
    """Smallest and largest value of a numeric setting, ends included; None where only its kind is checked."""
    return _LIMITS_BY_NAME.get(name) or _LIMITS_BY_UNIT.get(name.rpartition("_")[2])


@cache
def setting_kinds() -> dict[str, type]:
    """Name -> `str`, `int` or `float`, in the order of the record (`None` is allowed where the default is None)."""
    hints = get_type_hints(Settings)
    parts = {one.name: (*get_args(hints[one.name]), hints[one.name]) for one in fields(Settings)}
    return {name: next(kind for kind in kinds if kind is not type(None)) for name, kinds in parts.items()}


@cache
def setting_choices() -> dict[str, tuple[str, ...]]:
    """Name -> the words a setting may take; empty where it is not a choice of words."""
    return {one.name: one.metadata["choices"] for one in fields(Settings)}


def _checked_values(stated: Mapping[str, Any], *, place: str) -> dict[str, Any]:
    return {name: _checked_value(name, value, place=place) for name, value in stated.items()}


def _checked_value(name: str, value: Any, *, place: str) -> Any:
    kinds = setting_kinds()
    if name not in kinds:
        raise UsageError(_unknown_name(name, value, place=place))
    kind = kinds[name]
    if kind is float and type(value) is int:
        value = float(value)
    fits = type(value) is kind and _is_in_range(name, value)
    if not fits:
        raise UsageError(f"{name} in the {place}: found {value!r}, expected {_expected(name)} (on the command line: {say_option(name)}).")
    return value


def say_option(name: str) -> str:
    """The option of the command line that states a setting."""
    return f"--{name.replace('_', '-')}"


def _is_in_range(name: str, value: Any) -> bool:
    if isinstance(value, str):
        choices = setting_choices()[name]
        return not choices or value in choices
    limits = limits_of(name)
    return math.isfinite(value) and (limits is None or limits[0] <= value <= limits[1])


def _expected(name: str) -> str:
    choices, limits = setting_choices()[name], limits_of(name)
    if choices:
        return "one of " + ", ".join(choices)
    noun = {int: "a whole number", float: "a number", str: "a word"}[setting_kinds()[name]]
    return f"{noun} from {limits[0]:.15g} to {limits[1]:.15g}" if limits else noun


def _unknown_name(name: str, value: Any, *, place: str) -> str:
    found = f"{name!r} in the {place} is not a setting"
    if isinstance(value, dict):
        return f"{found}: the file is flat, write `name = value` without [sections]."
    near = get_close_matches(name.replace("-", "_").lower(), setting_kinds(), n=1, cutoff=0.5)
    return f"{found}: did you mean {near[0]!r}?" if near else f"{found}: `pairdiff compare --help` lists every setting."


def _refuse_contradictions(settings: Settings) -> None:
    for words in _contradictions(settings):
        raise UsageError(words)


def _contradictions(settings: Settings) -> Iterator[str]:
    for first, second in _BOTH_OR_NEITHER:
        stated, missing = (first, second) if getattr(settings, second) is None else (second, first)
        if getattr(settings, missing) is None and getattr(settings, stated) is not None:
            yield f"{stated} is {getattr(settings, stated):g} but {missing} is not stated: a real set needs both, or neither."
    for low, high in _IN_ORDER:
        if not getattr(settings, low) < getattr(settings, high):
            yield f"{low} is {getattr(settings, low):g} and {high} is {getattr(settings, high):g}: {low} must be below {high}."
