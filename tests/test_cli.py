"""The command line: what it prints where, what it refuses with which words and exit code."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from rich.console import Console

import pairdiff
from pairdiff._cli import _Progress, main
from pairdiff._errors import (
    ClusterRefused,
    InputRefused,
    OutputRefused,
    PairdiffError,
    PairsFailed,
    SignalUnresolved,
    UnrelatedFilms,
    UsageError,
)
from pairdiff._records import Segment
from pairdiff._settings import Settings
from pairdiff.writeup.words import alignment_in_words, comparison_in_words
from tests.small_clips import SmallPair, encode_clip, make_pair_with_a_still_head, make_pair_with_other_heads, sdr_codes

COMMANDS = ("demo", "compare", "measure", "align", "stills", "report", "keep", "shelf", "batch")
VERSION = [sys.executable, "-m", "pairdiff", "--version"]
Run = Callable[..., subprocess.CompletedProcess[str]]
Call = Callable[..., int]


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch) -> Call:
    """The command line in this process."""

    def run(*words: str) -> int:
        monkeypatch.setattr(sys, "argv", ["pairdiff", *words])
        return main()

    return run


def plant(monkeypatch: pytest.MonkeyPatch, name: str, function: Any) -> None:
    """Put a stand-in for a front-door function in place."""
    monkeypatch.setitem(vars(pairdiff), name, function)


def raising(error: BaseException) -> Callable[..., Any]:
    def refuse(*paths: object, **options: object) -> Any:
        raise error

    return refuse


def comparison() -> Any:
    """As much of a comparison as is said in words."""
    estimate = SimpleNamespace(value=0.25, low=0.1, high=0.4)
    difference = SimpleNamespace(
        side_by_side=SimpleNamespace(rms=7.04),
        on_its_own=SimpleNamespace(preference_loss=estimate, notice_probability=estimate, colour_part=estimate),
    )
    return SimpleNamespace(
        title="Harbour Lights",
        verdict=SimpleNamespace(
            label="restrained-hdr",
            words="HDR, used sparingly",
            sentence="The HDR release goes a little further.",
            axes={"highlights": "slightly_more", "shadows": "cannot_tell", "colour": "same"},
            tone="as the SDR",
            support={"restrained-hdr": 0.93, "wider-range": 0.07},
        ),
        headroom=SimpleNamespace(
            uses_peak_ratio=False, stops=0.512, time_share=estimate, contrast=None, stops_interval=SimpleNamespace(low=0.3, high=0.7)
        ),
        recovered=SimpleNamespace(status="measured", detail_jnd=0.4, textured_share=0.12, film_stops=0.57),
        setup=SimpleNamespace(white_nits=143.2, gamma=2.31),
        setups=(
            SimpleNamespace(name="white-100", white_nits=100.0, gamma=2.4, headroom_stops=1.1, difference=difference, label="wider-range"),
            SimpleNamespace(name="gamma-2.2", white_nits=131.2, gamma=2.2, headroom_stops=0.72, difference=difference, label="wider-range"),
            SimpleNamespace(name="gamma-2.4", white_nits=151.7, gamma=2.4, headroom_stops=0.51, difference=None, label=None),
        ),
        difference=difference,
        colour=SimpleNamespace(outside_709_share=None, beyond_set=None),
        alignment=SimpleNamespace(
            matched_share=0.984, offset_frames=-36, hdr_times_s=(), sdr_times_s=(), notes=("SDR: film woven into fields.",)
        ),
        coverage=SimpleNamespace(notes=("The HDR file is cut off at 9.5 s.",), shots=8),
        hdr_peak=None,
        contaminants=None,
        signal_check=None,
        objections=tuple(SimpleNamespace(state=state) for state in ("answered", "answered", "cannot_answer")),
    )


# ---------------------------------------------------------------- help, version, start


def test_a_peak_ratio_is_not_called_headroom_in_the_terminal() -> None:
    from pairdiff.writeup.phrases import say_highlights

    assert say_highlights(0.73, uses_peak_ratio=True).endswith("over what the SDR reaches in that picture (peak ratio)")
    assert say_highlights(0.73, uses_peak_ratio=False).endswith("over SDR white")


def test_help_lists_every_command(run_pairdiff: Run) -> None:
    done = run_pairdiff("--help")
    assert done.returncode == 0
    assert done.stderr == ""
    assert all(f" {name} " in done.stdout for name in COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_each_command_is_given(call: Call, capsys: pytest.CaptureFixture[str], command: str) -> None:
    assert call(command, "--help") == 0
    assert f"pairdiff {command}" in capsys.readouterr().out


@pytest.mark.parametrize("command", ["compare", "measure", "align", "stills"])
def test_every_setting_that_a_command_works_by_is_an_option_with_its_default(
    call: Call, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    monkeypatch.setenv("COLUMNS", "200")
    call(command, "--help")
    shown = capsys.readouterr().out
    groups = {"measure": {"signal", "limits"}, "align": {"signal", "matching", "canvas", "limits"}}.get(command)
    for one in fields(Settings):
        works_by_it = groups is None or one.metadata["group"] in groups
        assert (f"--{one.name.replace('_', '-')} " in shown) is works_by_it
        assert not works_by_it or one.default is None or f"{one.default}" in shown


def test_version_is_the_installed_one(call: Call, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("--version") == 0
    assert capsys.readouterr().out == f"pairdiff {pairdiff.__version__}\n"


def test_the_start_loads_nothing_heavy() -> None:
    heavy = {"numpy", "cv2", "av", "numba", "scipy", "skimage", "pyarrow", "duckdb", "matplotlib"}
    code = f"import sys, pairdiff, pairdiff._cli; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert done.stdout == "[]\n"


def test_every_name_of_the_front_door_is_there() -> None:
    assert all(getattr(pairdiff, name) is not None for name in pairdiff.__all__)
    assert set(pairdiff.__all__) <= set(dir(pairdiff))


def test_the_front_door_refuses_a_name_it_has_not() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'compare_films'"):
        pairdiff.compare_films  # noqa: B018


# ---------------------------------------------------------------- bad usage: exit 2


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["compare", "a.mkv", "b.mkv"], "Missing option '--out'"),
        (["compare", "a.mkv", "--out", "x"], "Missing argument 'SDR'"),
        (["compare", "a.mkv", "b.mkv", "--out", "x", "--full", "--survey"], "--full and --survey exclude each other"),
        (["measure", "a.mkv", "--full", "--survey"], "--full and --survey exclude each other"),
        (
            ["compare", "a.mkv", "b.mkv", "--out", "x", "--hdr-transfer", "gamma"],
            "'--hdr-transfer': 'gamma' is not one of 'pq', 'hlg', 'bt1886'",
        ),
        (["compare", "a.mkv", "b.mkv", "--out", "x", "--sdr-white", "100"], "sdr_white is 100 but sdr_gamma is not stated"),
        (
            ["compare", "a.mkv", "b.mkv", "--out", "x", "--support-min", "80"],
            "found 80.0, expected a number from 0 to 1 (on the command line: --support-min)",
        ),
        (["align", "a.mkv", "b.mkv", "--settings", "nowhere.toml"], "nowhere.toml does not exist"),
        (["stills", "a.mkv", "b.mkv", "--out", "x"], "Missing option '--at'"),
        (["compere"], "No such command 'compere'"),
        (["align", "a.mkv", "b.mkv", "--sede", "3"], "No such option: --sede"),
    ],
)
def test_bad_usage_is_told_in_one_block(call: Call, capsys: pytest.CaptureFixture[str], words: list[str], message: str) -> None:
    assert call(*words) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("pairdiff: ")
    assert message in shown.err
    assert "Traceback" not in shown.err


def test_an_unknown_demo_pair_is_refused_with_the_known_ones(call: Call, capsys: pytest.CaptureFixture[str]) -> None:
    assert call("demo", "--pair", "contaner") == 2
    assert "--pair: found 'contaner', expected one of container, restrained, wider, stretched, regraded, all" in capsys.readouterr().err


def test_no_command_shows_the_help(call: Call, capsys: pytest.CaptureFixture[str]) -> None:
    assert call() == 2
    shown = capsys.readouterr()
    assert "Commands" in shown.out + shown.err
    assert "pairdiff: " not in shown.err


# ---------------------------------------------------------------- what reaches the front door


def test_options_and_settings_file_reach_the_front_door(call: Call, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    seen: dict[str, Any] = {}

    def compare(hdr: Path, sdr: Path, **options: Any) -> Any:
        seen.update(options, hdr=hdr, sdr=sdr)
        return comparison()

    plant(monkeypatch, "compare", compare)
    (tmp_path / "s.toml").write_text("seed = 7\nmax_pairs = 9\n")
    words = ["compare", "a.mkv", "b.mkv", "--out", "o", "--settings", str(tmp_path / "s.toml"), "--seed", "8", "--hdr-transfer", "hlg"]
    assert call(*words, "--title", "T", "--full", "--fresh", "--hash") == 0
    assert (seen["hdr"], seen["sdr"], seen["out"], seen["title"]) == (Path("a.mkv"), Path("b.mkv"), Path("o"), "T")
    assert seen["full"] is seen["fresh"] is seen["hash_whole"] is True
    assert seen["settings"] == Settings(seed=8, max_pairs=9, hdr_transfer="hlg")


def test_survey_is_the_default(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[bool] = []
    plant(monkeypatch, "compare", lambda hdr, sdr, *, full, **options: seen.append(full) or comparison())
    call("compare", "a", "b", "--out", "o")
    call("compare", "a", "b", "--out", "o", "--survey")
    call("compare", "a", "b", "--out", "o", "--full")
    assert seen == [False, False, True]


def test_every_moment_asked_for_reaches_the_front_door(call: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[Any] = []
    plant(monkeypatch, "save_stills", lambda hdr, sdr, *, at, out, settings, progress: seen.extend(at) or ())
    assert call("stills", "a", "b", "--at", "0:00:01.500", "--at", "f12", "--out", "o") == 0
    assert seen == ["0:00:01.500", "f12"]


def test_progress_goes_to_standard_error_one_line_a_stage(
    call: Call, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def compare(hdr: Path, sdr: Path, *, progress: Callable[[str, int, int | None], None], **options: Any) -> Any:
        for done in range(3):
            progress("Decoding the HDR release", done, None)
        progress("Scoring", 0, 2)
        return comparison()

    plant(monkeypatch, "compare", compare)
    assert call("compare", "a", "b", "--out", "o") == 0
    shown = capsys.readouterr()
    assert shown.err == "pairdiff: Decoding the HDR release\npairdiff: Scoring\n"
    assert "Decoding" not in shown.out


def measure_two_hours(*, first: int = 1) -> Callable[..., Any]:
    """A front door whose stage of 7200 steps takes a second a step, on a clock that it moves itself."""

    def measure(release: Path, *, progress: Callable[[str, int, int | None], None], **options: Any) -> Any:
        progress("find", 0, None)
        for done in range(first, 7201):
            CLOCK["s"] += 1.0
            progress("measure the HDR release", done, 7200)
        raise InputRefused("no")

    return measure


CLOCK = {"s": 0.0}


@pytest.mark.parametrize("first", [1, 2881])
def test_a_long_stage_says_about_once_a_minute_how_long_it_still_takes(
    call: Call, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], first: int
) -> None:
    monkeypatch.setattr("pairdiff._cli.monotonic", lambda: CLOCK["s"])
    plant(monkeypatch, "measure", measure_two_hours(first=first))
    assert call("measure", "a") == 3
    lines = capsys.readouterr().err.splitlines()
    assert lines[:2] == ["pairdiff: find", "pairdiff: measure the HDR release"]
    assert len(lines) == 3 + (7200 - first) // 60
    for number, line in enumerate(lines[2:-1], 1):
        done = first + 60 * number
        left = re.fullmatch(
            r"pairdiff: measure the HDR release: (\d+)%, about (?:(\d+) h )?(?:(\d+) min|(\d+) s) left in this step, "
            r"[\d:]+ since the start",
            line,
        )
        assert left is not None, line
        hours, minutes, seconds = (int(word or 0) for word in left.groups()[1:])
        assert int(left[1]) == pytest.approx(100 * done / 7200, abs=0.51)
        assert 3600 * hours + 60 * minutes + seconds == pytest.approx(7200 - done, abs=151)  # said to 5 minutes where it is hours


def test_a_terminal_shows_the_time_left_of_the_stage(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")  # a terminal, for rich
    monkeypatch.setattr("pairdiff._cli.monotonic", lambda: CLOCK["s"])
    with _Progress() as progress:
        progress("find", 0, None)
        for done in range(1, 601):
            CLOCK["s"] += 1.0
            progress("measure", done, 1200)
        find, measure = progress._bars.tasks
    assert measure.fields["left"] == "about 10 min left in this step"
    assert (find.fields["left"], find.stop_time is None) == ("", False)


@pytest.mark.parametrize("columns", [80, 100, 160])
def test_no_terminal_is_too_narrow_for_the_time_gone_and_left(columns: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")  # a terminal, for rich
    monkeypatch.setenv("COLUMNS", str(columns))
    monkeypatch.setattr("pairdiff._cli.monotonic", lambda: CLOCK["s"])
    with _Progress() as progress:
        for done in range(20):
            CLOCK["s"] += 60.0
            progress("match the frames again, on the registered pictures", done * 100, 172_800)
        shown = io.StringIO()
        Console(width=columns, file=shown).print(progress._bars.get_renderable())
    (line,) = re.sub(r"\x1b\[[0-9;]*m", "", shown.getvalue()).splitlines()
    assert line.startswith("match the frames")
    assert re.search(r" 1900 +0:00:0\d about \d+ h \d\d min left in this step", line)


# ---------------------------------------------------------------- results in words


def test_the_summary_says_label_sentence_axes_numbers_and_place(
    call: Call, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    plant(monkeypatch, "compare", lambda hdr, sdr, **options: comparison())
    assert call("compare", "a", "b", "--out", "results/harbour") == 0
    shown = capsys.readouterr().out
    for words in (
        "Harbour Lights: HDR, used sparingly",
        "The HDR release goes a little further.",
        "slightly more",
        "cannot tell",
        "+0.51 stops over SDR white (95 % interval +0.30 to +0.70 stops); 25 % of matched time reaches the threshold",
        "0.4 JND in the median place where the SDR is clipped, 1 JND or more over 12 % of it; the level there spreads over 0.57 stops",
        "white 143 cd/m2, gamma 2.31",
        "7.0 JND (dE_ITP, root mean square)",
        "preference loss 0.25 JOD",
        "25 %: how often a viewer shown both blind, one after the other, is predicted to pick the HDR release; 50 % is a coin toss",
        "98 % of the HDR frames, offset -36 frames",
        "93 % of draws give this label",
        "Note: The HDR file is cut off at 9.5 s.",
        "Note: SDR: film woven into fields.",
        "Report: results/harbour/report.html",
    ):
        assert words in shown


def test_what_is_left_at_a_fixed_gamma_of_the_set_is_told() -> None:
    shown = comparison_in_words(comparison(), out=Path("o"))
    told = [" ".join(line.split()) for line in shown.split("\n") if "at SDR gamma" in line]
    assert told == [
        "at SDR gamma 2.2 white 131 cd/m2, headroom +0.72 stops, preference loss 0.25 JOD; on this alone: HDR that widens the picture",
        "at SDR gamma 2.4 white 152 cd/m2, headroom +0.51 stops, preference loss no value",
    ]


def test_the_objection_sheet_is_pointed_to_in_one_line() -> None:
    told = comparison()
    (line,) = (" ".join(one.split()) for one in comparison_in_words(told, out=Path("o")).splitlines() if "objections" in one)
    assert line == "objections 2 answered, 1 not by this run; the report has the sheet"
    told.objections = ()
    assert "objections" not in comparison_in_words(told, out=Path("o"))


def test_a_measure_without_value_is_never_shown_as_zero() -> None:
    shown = comparison_in_words(comparison(), out=Path("o"))
    assert "outside BT.709" in shown
    assert shown.split("outside BT.709")[1].split("\n")[0].strip() == "no value"


@pytest.mark.parametrize(("shots", "words"), [(1, "Caution: only one shot was matched"), (2, "Caution: only 2 shots"), (3, "")])
def test_few_shots_are_a_caution_in_the_terminal_too(shots: int, words: str) -> None:
    told = comparison()
    told.coverage.shots = shots
    shown = comparison_in_words(told, out=Path("o"))
    assert words in shown if words else "Caution" not in shown


def test_the_readers_own_set_stands_in_the_terminal() -> None:
    told = comparison()
    told.setups = (*told.setups, SimpleNamespace(**{**vars(told.setups[0]), "name": "bench", "gamma": 2.05, "white_nits": 160.0}))
    shown = comparison_in_words(told, out=Path("o"))
    (line,) = (one for one in shown.splitlines() if "on your own set, gamma 2.05" in one)
    assert "white 160 cd/m2" in line


def test_a_terminal_gets_no_keys_and_only_plain_signs() -> None:
    told = comparison()
    told.verdict.sentence = "Highlights are `slightly_more`: headroom_slight_stops is 0.3."
    told.headroom.stops = -0.25
    shown = comparison_in_words(told, out=Path("o"))
    assert "Highlights are slightly more: headroom from which highlights are slightly more is 0.3." in shown
    assert "-0.25 stops over SDR white" in shown
    assert shown.isascii()


def test_the_edit_map_is_told_run_by_run() -> None:
    segments = [
        Segment("hdr_only", 0, 36, None, None, None, None),
        Segment("matched", 36, 240, 0, 204, 0.96, 0.97),
    ]
    times = {"hdr_times_s": np.arange(240) / 24, "sdr_times_s": np.arange(204) / 25}
    figures = {"matched_share": 0.85, "offset_frames": -36, "score": 0.91, "runner_up": 0.2}
    alignment: Any = SimpleNamespace(**figures, **times, segments=segments, geometry=(), notes=())
    lines = alignment_in_words(alignment).splitlines()
    assert "85 % of the HDR frames matched; offset -36 frames" in lines[0]
    rows = [" ".join(line.split()) for line in lines[-3:]]
    assert rows[0] == "HDR only HDR 0:00:00.000 to 0:00:01.500, frames 0 to 35"
    assert rows[1] == "matched HDR 0:00:01.500 to 0:00:10.000, frames 36 to 239 speed 0.96 confidence 0.97"
    assert rows[2] == "SDR 0:00:00.000 to 0:00:08.160, frames 0 to 203"
    assert max(map(len, lines)) <= 100


def test_an_offset_is_told_where_frames_belong_one_to_one_alone() -> None:
    segments = [Segment("matched", 0, 96, 0, 48, 0.5, 0.97)]
    figures = {"matched_share": 1.0, "offset_frames": -24, "score": 0.91, "runner_up": 0.2, "geometry": (), "notes": ()}
    for rate, told in ((24, True), (25, True), (12, False), (60, False)):
        times = {"hdr_times_s": np.arange(96) / 24, "sdr_times_s": np.arange(48) / rate}
        alignment: Any = SimpleNamespace(**figures, **times, segments=segments)
        assert ("offset -24 frames" in alignment_in_words(alignment)) == told, rate


def test_an_sdr_release_measured_alone_is_spoken_of_as_sdr(
    call: Call, capsys: pytest.CaptureFixture[str], small_pair: SmallPair, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PAIRDIFF_KEEP_DIR", str(tmp_path))
    assert call("measure", str(small_pair.sdr)) == 0
    shown = capsys.readouterr()
    assert f"{small_pair.sdr}: SDR, " in shown.out
    assert "Measured, at white 100 cd/m2, gamma 2.4" in shown.out
    assert "a signal of 100 % is the white of any set" in shown.out
    assert "measure the SDR release" in shown.err
    assert "HDR" not in shown.out + shown.err
    assert "--hdr" not in shown.out
    level, signal = (float(value) for value in re.findall(r"brightest pixel +([\d.]+) cd/m2 at \S+ signal ([\d.]+) %", shown.out)[0])
    assert level == pytest.approx(100 * (signal / 100) ** 2.4, rel=0.01)  # BT.1886 with black 0
    assert call("measure", str(small_pair.hdr)) == 0
    shown = capsys.readouterr()
    assert f"{small_pair.hdr}: HDR, " in shown.out
    assert "signal" not in shown.out


def test_a_moment_outside_the_matched_passages_is_warned_about(
    call: Call, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    moments = [SimpleNamespace(hdr_frame=n, sdr_frame=n, hdr_time_s=0.5, sdr_time_s=0.5, shot=shot) for n, shot in ((3, -1), (40, 0))]
    plant(monkeypatch, "save_stills", lambda hdr, sdr, **options: moments)
    assert call("stills", "a", "b", "--at", "f3", "--at", "f40", "--out", "o") == 0
    warnings = [line for line in capsys.readouterr().err.splitlines() if "Warning" in line]
    assert warnings == ["pairdiff: Warning: HDR frame f3 lies outside the matched passages: the two sides may not show the same moment."]


# ---------------------------------------------------------------- refusals and exit codes


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (UsageError("no"), 2),
        (InputRefused("no"), 3),
        (SignalUnresolved("no"), 3),
        (PairdiffError("no"), 3),
        (UnrelatedFilms("no"), 4),
        (OutputRefused("no"), 5),
        (PairsFailed("no"), 7),
        (ClusterRefused("no"), 8),
        (OSError(28, "No space left on device"), 5),
        (MemoryError(), 1),
        (ZeroDivisionError("no"), 1),
    ],
)
@pytest.mark.parametrize("extra", [[], ["--json"]])
def test_each_error_has_its_exit_code_and_leaves_standard_output_empty(
    call: Call, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], error: Exception, code: int, extra: list[str]
) -> None:
    plant(monkeypatch, "compare", raising(error))
    assert call("compare", "a", "b", "--out", "o", *extra) == code
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.startswith("pairdiff: ")
    assert "Traceback" not in shown.err


@pytest.mark.parametrize("way", ["option", "environment"])
def test_debug_shows_the_trace(call: Call, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], way: str) -> None:
    plant(monkeypatch, "measure", raising(ZeroDivisionError("planted")))
    if way == "environment":
        monkeypatch.setenv("PAIRDIFF_DEBUG", "1")
    assert call("measure", "a", *(["--debug"] if way == "option" else [])) == 1
    shown = capsys.readouterr().err
    assert "Traceback (most recent call last)" in shown
    assert "pairdiff: A fault in pairdiff itself: ZeroDivisionError: planted" in shown


def test_a_missing_libgl_is_told_with_both_ways_out(
    call: Call, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    plant(monkeypatch, "align", raising(ImportError("libGL.so.1: cannot open shared object file: No such file or directory")))
    assert call("align", "a", "b") == 1
    shown = capsys.readouterr().err
    assert "apt-get install libgl1 libglib2.0-0" in shown
    assert "pip install opencv-python-headless" in shown


def test_ctrl_c_ends_with_130_and_says_what_is_kept() -> None:
    code = (
        "import os, signal, sys, pairdiff, pairdiff._cli as cli\n"
        "vars(pairdiff)['align'] = lambda *a, **k: (os.kill(os.getpid(), signal.SIGINT), signal.pause())\n"
        "sys.argv = ['pairdiff', 'align', 'a', 'b', '--json']\n"
        "sys.exit(cli.main())\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 130
    assert done.stdout == ""
    assert done.stderr.startswith("pairdiff: Interrupted: the result was not completed. What was finished and kept is used again")
    assert "Traceback" not in done.stderr


def test_a_reader_that_has_gone_away_ends_the_output_quietly() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(VERSION, stdout=writing, stderr=subprocess.PIPE, text=True, timeout=60)
    os.close(writing)
    assert done.stderr == ""
    assert done.returncode == 0


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no /dev/full on this system")
def test_a_full_disk_behind_standard_output_is_an_output_refusal() -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(VERSION, stdout=full, stderr=subprocess.PIPE, text=True, timeout=60)
    assert done.returncode == 5
    assert done.stderr.startswith("pairdiff: Standard output cannot be written (No space left on device)")


# ---------------------------------------------------------------- on real files


def no_video(folder: Path, kind: str) -> Path:
    path = folder / f"{kind}.mkv"
    if kind == "folder":
        path.mkdir()
    elif kind != "missing":
        path.write_text("" if kind == "empty" else "Dear reader, this is no film.\n" * 40)
    return path


@pytest.mark.parametrize("kind", ["missing", "empty", "text", "folder"])
def test_what_is_no_video_is_refused_by_name(run_pairdiff: Run, small_pair: SmallPair, tmp_path: Path, kind: str) -> None:
    bad = no_video(tmp_path, kind)
    done = run_pairdiff("compare", bad, small_pair.sdr, "--out", tmp_path / "out", "--json")
    assert done.returncode == 3, done.stderr
    assert done.stdout == ""
    assert bad.name in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out" / "result.json").exists()


@pytest.mark.parametrize("command", ["measure", "align"])
@pytest.mark.parametrize("kind", ["missing", "empty", "text", "folder"])
def test_what_is_no_video_is_refused_by_every_command(
    call: Call, capsys: pytest.CaptureFixture[str], small_pair: SmallPair, tmp_path: Path, kind: str, command: str
) -> None:
    bad = no_video(tmp_path, kind)
    assert call(command, str(bad), *([str(small_pair.sdr)] if command == "align" else []), "--json") == 3
    shown = capsys.readouterr()
    assert shown.out == ""
    assert bad.name in shown.err


@pytest.mark.parametrize(
    ("sides", "words"),
    [(("sdr", "hdr"), "swap"), (("hdr", "hdr"), "same file"), (("sdr", "sdr"), "same file")],
)
def test_sides_that_cannot_be_are_refused(
    run_pairdiff: Run, small_pair: SmallPair, tmp_path: Path, sides: tuple[str, str], words: str
) -> None:
    done = run_pairdiff("compare", *(getattr(small_pair, side) for side in sides), "--out", tmp_path / "out")
    assert done.returncode == 3
    assert words in done.stderr.lower()
    assert not (tmp_path / "out" / "result.json").exists()


def test_an_untagged_release_is_refused_with_the_option_that_resolves_it(run_pairdiff: Run, small_pair: SmallPair, tmp_path: Path) -> None:
    encode_clip(tmp_path / "untagged.mkv", sdr_codes(), hdr=False, tagged=False)
    done = run_pairdiff("compare", small_pair.hdr, tmp_path / "untagged.mkv", "--out", tmp_path / "out")
    assert done.returncode == 3
    assert "--sdr-" in done.stderr


def test_an_output_place_that_is_a_file_is_refused(run_pairdiff: Run, small_pair: SmallPair, tmp_path: Path) -> None:
    (tmp_path / "out").write_text("in the way")
    done = run_pairdiff("compare", small_pair.hdr, small_pair.sdr, "--out", tmp_path / "out")
    assert done.returncode == 5, done.stderr
    assert (tmp_path / "out").read_text() == "in the way"


def test_compare_writes_the_result_and_prints_the_same_document(run_pairdiff: Run, small_pair: SmallPair, tmp_path: Path) -> None:
    from pairdiff.writeup.document import validate_document

    done = run_pairdiff("compare", small_pair.hdr, small_pair.sdr, "--out", tmp_path / "out", "--json")
    assert done.returncode == 0, done.stderr
    document = json.loads(done.stdout)
    validate_document(document)
    assert document == json.loads((tmp_path / "out" / "result.json").read_text())
    assert document["verdict"]["label"] == "sdr-in-hdr-container"
    assert (tmp_path / "out" / "report.html").stat().st_size > 0


def test_measure_and_align_print_one_document(run_pairdiff: Run, small_pair: SmallPair) -> None:
    from pairdiff.writeup.document import validate_document

    measured = json.loads(run_pairdiff("measure", small_pair.hdr, "--json").stdout)
    validate_document(measured, kind="measurement")
    assert measured["levels"]["max_cll_nits"] == pytest.approx(150, rel=0.15)
    peak = measured["peak"]
    assert (peak["nits"], peak["time_s"]) == (measured["levels"]["max_cll_nits"], measured["levels"]["max_cll_time_s"])
    assert peak["area_pixels"] > 0
    aligned = json.loads(run_pairdiff("align", small_pair.hdr, small_pair.sdr, "--json").stdout)
    validate_document(aligned, kind="alignment")
    assert aligned["matched_share"] == 1.0


def test_a_still_of_a_frame_without_a_partner_is_refused(run_pairdiff: Run, tmp_path: Path) -> None:
    pair = make_pair_with_other_heads(tmp_path)
    done = run_pairdiff("stills", pair.hdr, pair.sdr, "--at", "f5", "--out", tmp_path / "out")
    assert done.returncode == 2
    assert "--at f5: the SDR release has no partner for HDR frame f5" in done.stderr


def test_an_anchor_that_the_pictures_refute_changes_nothing_but_a_note(run_pairdiff: Run, tmp_path: Path) -> None:
    pair = make_pair_with_other_heads(tmp_path)
    told = []
    for number, options in enumerate(([], ["--anchor", "f28=f75"])):
        done = run_pairdiff("align", pair.hdr, pair.sdr, "--out", tmp_path / str(number), *options)
        assert done.returncode == 0, done.stderr
        told.append(((tmp_path / str(number) / "partners.csv").read_text(encoding="utf-8"), done.stdout))
    assert told[0][0] == told[1][0]
    assert "is not borne out by the pictures" in told[1][1]
    assert "is not borne out by the pictures" not in told[0][1]


def test_a_still_outside_the_matched_passages_carries_its_warning(run_pairdiff: Run, tmp_path: Path) -> None:
    pair = make_pair_with_a_still_head(tmp_path)
    done = run_pairdiff("stills", pair.hdr, pair.sdr, "--at", "f5", "--at", "f50", "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert "pairdiff: Warning: HDR frame f5 lies outside the matched passages" in done.stderr
    assert "f50" not in done.stderr
    first, second = json.loads((tmp_path / "out" / "index.json").read_text(encoding="utf-8"))["moments"]
    assert all("outside the matched passages: the two sides may not show the same moment." in one["caption"] for one in first["pictures"])
    assert not any("outside the matched passages" in one["caption"] for one in second["pictures"])


@pytest.mark.parametrize("words", [("measure", "{0}"), ("compare", "{0}", "{1}", "--out", "{2}")])
def test_a_file_that_may_not_be_read_is_a_refused_input(
    words: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Not a wrong call: whoever may not read it is told so by the reader, and not to look at --help."""
    paths = tmp_path / "hdr.mkv", tmp_path / "sdr.mkv", tmp_path / "out"
    for number, path in enumerate(paths[:2]):
        path.write_bytes(b"no film" * (number + 1))
    monkeypatch.setattr(os, "access", lambda *given, **named: False)  # what the command line asks; root may read everything
    monkeypatch.setattr(sys, "argv", ["pairdiff", *(one.format(*paths) for one in words)])
    assert main() == InputRefused.exit_code
    said = capsys.readouterr().err
    assert ".mkv" in said
    assert "--help" not in said
