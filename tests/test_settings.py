"""Settings: one list, made into options and into a file; what cannot be is refused by name."""

from __future__ import annotations

import inspect
import re
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import pytest

import pairdiff
from pairdiff._errors import UsageError
from pairdiff._settings import Settings
from pairdiff._settings_file import (
    check_settings,
    limits_of,
    list_faults,
    make_settings,
    setting_choices,
    setting_kinds,
    settings_from_file,
)


def written(folder: Path, text: str) -> Path:
    path = folder / "settings.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_without_file_and_options_the_defaults_stand() -> None:
    assert make_settings(None, {}) == Settings()


def test_every_setting_can_be_written_in_a_file_and_read_back(tmp_path: Path) -> None:
    settings = Settings(**{name: choices[0] for name, choices in setting_choices().items() if choices}, hdr_stream=0, sdr_stream=1)
    settings = replace(settings, sdr_white=160.0, sdr_gamma=2.2, own_displays="den: peak 300")
    settings = replace(settings, anchor="0:01:00=0:00:52", only="0:00:10-0:20:00", hdr_linear_nits=100.0)
    settings = replace(settings, hdr_frame_rate="24", sdr_frame_rate="24000/1001")
    lines = [f"{one.name} = {getattr(settings, one.name)!r}" for one in fields(Settings)]
    assert make_settings(written(tmp_path, "\n".join(lines)), {}) == settings


def test_an_option_wins_over_the_file_and_the_file_over_the_default(tmp_path: Path) -> None:
    path = written(tmp_path, "max_pairs = 60\nseed = 7\n")
    settings = make_settings(path, {"seed": 8, "support_draws": None})
    assert (settings.max_pairs, settings.seed, settings.support_draws) == (60, 8, Settings().support_draws)


def test_a_whole_number_is_good_enough_for_a_number(tmp_path: Path) -> None:
    value = settings_from_file(written(tmp_path, "hlg_peak_nits = 600\n"))["hlg_peak_nits"]
    assert value == 600.0
    assert isinstance(value, float)


def test_a_file_states_only_what_it_states(tmp_path: Path) -> None:
    assert settings_from_file(written(tmp_path, "# nothing but a comment\nseed = 3\n")) == {"seed": 3}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("sdr_wite = 100.0", "'sdr_wite' in the settings file .* is not a setting: did you mean 'sdr_white'"),
        ("sdr-white = 100.0", "did you mean 'sdr_white'"),
        ("zzzzqqqq = 1", "is not a setting: `pairdiff compare --help` lists"),
        ("[verdict]\nsupport_min = 0.9", "'verdict' in the settings file .* the file is flat"),
        ("seed = 'seven'", "seed in the settings file .*: found 'seven', expected a whole number from 0 to 4294967295"),
        ("seed = 1.5", "found 1.5, expected a whole number"),
        ("seed = true", "found True, expected a whole number"),
        ("min_score = '0.5'", "found '0.5', expected a number from 0 to 1"),
        ("hdr_range = 'limited'", "hdr_range .* found 'limited', expected one of narrow, full"),
        ("hdr_transfer = 16", "found 16, expected one of pq, hlg, bt1886"),
        ("headroom_time_share = 10", "headroom_time_share .* found 10.0, expected a number from 0 to 1"),
        ("hlg_peak_nits = -1000.0", "found -1000.0, expected a number from 0.01 to 10000"),
        ("regraded_jnd = nan", "found nan, expected a number"),
        ("regraded_jnd = inf", "found inf, expected a number"),
        ("seed = ", "is not TOML"),
        ("seed = 1\nseed = 2", "is not TOML"),
    ],
)
def test_a_file_that_cannot_be_is_refused_by_name(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        settings_from_file(written(tmp_path, text))


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"nowhere\.toml does not exist: check the path given with --settings"):
        settings_from_file(tmp_path / "nowhere.toml")


def test_a_folder_given_as_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read"):
        settings_from_file(tmp_path)


def test_a_file_that_is_not_text_is_refused(tmp_path: Path) -> None:
    (tmp_path / "settings.toml").write_bytes(b"seed = 1 # \xff\xfe")
    with pytest.raises(UsageError, match="is not text in UTF-8"):
        settings_from_file(tmp_path / "settings.toml")


@pytest.mark.parametrize(
    ("stated", "words"),
    [
        ({"sdr_white": 100.0}, "sdr_white is 100 but sdr_gamma is not stated: a real set needs both"),
        ({"sdr_gamma": 2.2}, "sdr_gamma is 2.2 but sdr_white is not stated"),
        ({"white_low_nits": 300.0}, "white_low_nits is 300 and white_high_nits is 300: white_low_nits must be below"),
        ({"gamma_low": 2.7}, "gamma_low must be below gamma_high"),
        ({"headroom_slight_stops": 1.5}, "headroom_slight_stops must be below headroom_clear_stops"),
        ({"colour_slight_share": 0.2}, "colour_slight_share must be below colour_clear_share"),
        ({"sede": 1}, "'sede' in the options given is not a setting: did you mean 'seed'"),
        ({"support_min": 80}, "support_min in the options given: found 80.0, expected a number from 0 to 1"),
    ],
)
def test_options_that_cannot_be_together_are_refused(stated: dict[str, Any], words: str) -> None:
    with pytest.raises(UsageError, match=words):
        make_settings(None, stated)


def test_what_belongs_together_may_come_from_file_and_option(tmp_path: Path) -> None:
    settings = make_settings(written(tmp_path, "sdr_white = 160.0"), {"sdr_gamma": 2.2})
    assert (settings.sdr_white, settings.sdr_gamma) == (160.0, 2.2)


def test_a_record_made_by_hand_is_checked_too() -> None:
    check_settings(Settings())
    with pytest.raises(UsageError, match="max_pairs in the Settings: found 0, expected a whole number from 1"):
        check_settings(Settings(max_pairs=0))


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        (Settings(min_score=45.0), r"min_score in the Settings: found 45\.0, expected a number from 0 to 1"),
        (Settings(seed=1.5), r"seed in the Settings: found 1\.5, expected a whole number from 0 to 4294967295"),  # type: ignore[arg-type]
        (Settings(hdr_range="limited"), "hdr_range in the Settings: found 'limited', expected one of narrow, full"),
        (Settings(sdr_white=120.0), "sdr_white is 120 but sdr_gamma is not stated"),
        ({"seed": 1}, "settings: found dict, expected a pairdiff.Settings record or None"),
    ],
)
@pytest.mark.parametrize("name", ["align", "compare", "compare_pictures", "measure", "save_stills"])
def test_every_function_of_the_front_door_checks_the_record_first(name: str, settings: Any, words: str) -> None:
    given = ("nowhere.mkv",) if name == "measure" else ("nowhere.mkv", "nowhere.mkv")
    named = {"at": ["f1"], "out": "nowhere"} if name == "save_stills" else {}
    with pytest.raises(UsageError, match=words):
        getattr(pairdiff, name)(*given, settings=settings, **named)


def test_the_front_door_knows_every_function_that_takes_settings() -> None:
    takers = [
        name for name in pairdiff.__all__ if name[0].islower() and "settings" in inspect.signature(getattr(pairdiff, name)).parameters
    ]
    assert sorted(takers) == [
        "align",
        "check_stored",
        "check_words",
        "compare",
        "compare_pictures",
        "conclude_again",
        "measure",
        "plan_stretches",
        "read_stretch",
        "save_stills",
    ]


def test_all_faults_of_settings_are_listed_each_as_it_would_be_refused() -> None:
    stated = {"seed": -1, "room_lux": 5, "sede": 3, "support_min": "high"}
    found = list_faults(stated, place="manifest")
    assert len(found) == 3
    for name, words in zip(("seed", "sede", "support_min"), found, strict=True):
        with pytest.raises(UsageError, match=re.escape(words.replace("in the manifest", "in the options given"))):
            make_settings(None, {name: stated[name]})
    both = {"sdr_white": 100.0, "gamma_low": 3.0}
    assert [words[:9] for words in list_faults(both, place="manifest", together=True)] == ["sdr_white", "gamma_low"]
    assert list_faults(both, place="manifest") == []


@pytest.mark.parametrize("name", [name for name, kind in setting_kinds().items() if kind is not str])
def test_every_number_has_limits_and_its_default_lies_within(name: str) -> None:
    limits, default = limits_of(name), getattr(Settings(), name)
    assert limits is not None
    assert default is None or limits[0] <= default <= limits[1]


@pytest.mark.parametrize("one", fields(Settings), ids=lambda one: one.name)
def test_every_setting_says_what_it_is_and_where_its_default_comes_from(one: Any) -> None:
    assert one.metadata["help"].endswith(".")
    assert one.metadata["origin"]
    assert one.metadata["group"]
    assert (one.default is None) == (one.metadata["origin"] == "user")
