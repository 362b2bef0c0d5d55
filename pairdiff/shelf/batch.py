"""A batch: the pairs of a manifest, each in a process of its own; one after the other here, or on a cluster (`cluster`).

`run_pair` is the work on one pair: a function of plain data and a folder that returns plain data, so that it can be called here or on
another machine that sees the same files. What it returns is the same wherever it ran, but for `times`. It also lies beside the result
(`outcome.json`), by which a pair that is done is known again.

A crash, a kill or a lack of memory ends the process of one pair alone. What asks the batch to stop is passed on to the pair at work.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import monotonic
from types import FrameType
from typing import Any, Protocol, TextIO

import pairdiff
from pairdiff._beat import FILE_VARIABLE
from pairdiff._checks import check_output
from pairdiff._errors import OutputRefused, PairdiffError, PairsFailed
from pairdiff._settings import Settings
from pairdiff._settings_file import say_option
from pairdiff._watch import END_VARIABLE, HELD_VARIABLE, INTERRUPTED
from pairdiff.shelf.archive import write_object
from pairdiff.shelf.listing import TITLE_SHOWN, cut_text, pad_columns, show_text
from pairdiff.shelf.manifest import WORDS, Manifest, Pair, normal_title

OUTCOME, SUMMARY, LOG, LOCK = "outcome.json", "summary.json", "log.txt", ".batch.lock"
OUTCOME_SCHEMA, SUMMARY_SCHEMA = "pairdiff-outcome/1", "pairdiff-batch/1"
COMPARE = (sys.executable, "-m", "pairdiff", "compare")
KEEP = (sys.executable, "-m", "pairdiff", "keep")
STRETCH = (sys.executable, "-m", "pairdiff", "stretch")
"""The commands that each pair is worked on, handed on and, on a cluster, read in stretches with."""
FAULT = 1
"""Exit code of a fault that is no refusal, as on the command line."""
NO_LOCKS = (errno.ENOLCK, errno.ENOSYS, errno.EOPNOTSUPP, errno.EINVAL)
"""What a folder without locks answers (flock(2))."""
SUMMARY_REST = 20.0
"""Times as long as the summary took to write until it is written again (own): of ten thousand titles it takes a second."""
STAYS = "What an earlier call found stays where it is."
STOPPED = "The work was stopped before it was done; the next call goes on with what was kept."

Say = Callable[[str], None]


class Work(Protocol):
    """What works on pairs."""

    def __call__(self, chosen: Sequence[Pair], out: Path, /, *, fresh: bool, say: Say, stop: Stop) -> Iterator[tuple[Pair, Outcome]]:
        """Each pair and its outcome; see `work_here`."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one pair, plain data throughout."""

    title: str
    folder: str
    hdr: str
    """As the manifest states it."""
    sdr: str
    state: str
    """`done`, `failed`, `interrupted` or `not begun`."""
    exit_code: int | None = None
    """Of the comparison; None where it did not come to an end."""
    message: str = ""
    """What the comparison said where it failed."""
    figures: dict[str, Any] = field(default_factory=dict)
    """The headline figures of a result."""
    asked: dict[str, Any] = field(default_factory=dict)
    """All that figures depend on beside the files."""
    files: dict[str, str] = field(default_factory=dict)
    """Id of each release's files."""
    words: dict[str, Any] = field(default_factory=dict)
    """Edition, region, year, notes."""
    kept: dict[str, Any] | None = None
    """What handing it on to the archive came to: `archive`, `words`, `exit_code`, `message`; None where that was not asked for."""
    times: dict[str, Any] = field(default_factory=dict)
    """When the work began and how long it took; no other field differs from machine to machine."""
    schema: str = OUTCOME_SCHEMA


@dataclass(frozen=True, slots=True)
class Place:
    """What processes are started with, where that is another thing than what this process has."""

    variables: Mapping[str, str | None] = field(default_factory=dict)
    """Of their environment; None takes one away."""
    held: int | None = None
    """An open file that they keep open, so that its lock lasts until the last of them has ended."""


class Stop:
    """What asks the work to end: signals that came, and the process that they are passed on to."""

    def __init__(self) -> None:
        self.asked: list[int] = []
        self._child: subprocess.Popen[str] | None = None

    def __call__(self, number: int, frame: FrameType | None) -> None:
        """Note a signal and pass it on; the second one ends the process, or what is done between two of them."""
        self.asked.append(number)
        if self._child is None and len(self.asked) > 1:
            raise KeyboardInterrupt
        self._pass_on()

    @contextlib.contextmanager
    def passing_on_to(self, child: subprocess.Popen[str]) -> Iterator[None]:
        """For as long as that process works."""
        self._child = child
        if self.asked:  # it came while the process was started
            self._pass_on()
        try:
            yield
        finally:
            self._child = None

    def _pass_on(self) -> None:
        if self._child is None:
            return
        if os.name == "posix" and len(self.asked) == 1:
            self._child.send_signal(self.asked[0])
        elif len(self.asked) > 1:
            self._child.kill()


# ---------------------------------------------------------------- one pair


def run_pair(
    entry: Mapping[str, Any],
    out: Path | str,
    *,
    fresh: bool = False,
    say: Say | None = None,
    stop: Stop | None = None,
    place: Place | None = None,
    keeping: bool = True,
) -> dict[str, Any]:
    """Compare one pair, in a process of its own, unless its result is there.

    Parameters
    ----------
    entry
        A `Pair` as plain data.
    out
        Folder of the batch; the pair has a folder in it.
    fresh
        Measure it even where its result is there, and ignore what earlier runs kept.
    say
        Called with each line that the process writes.
    stop
        What may ask the work to end.
    place
        What its processes are started with.
    keeping
        Hand it on to the archive where it asks for that; else whoever calls does (`keep_pair`).

    Returns
    -------
    dict
        An `Outcome` as plain data, which also lies in the pair's folder. What goes wrong with the pair is told there and not raised.
    """
    pair, folder = Pair(**entry), Path(out) / entry["folder"]
    say, stop, place = say or silent, stop or Stop(), place or Place()
    begun, begun_s = datetime.now(UTC), monotonic()
    outcome = outcome_of(pair, "failed")
    try:
        found = None if fresh else find_done(pair, out)
        if found is None:
            outcome = _measure(pair, folder, fresh=fresh, say=say, stop=stop, place=place)
            outcome = replace(outcome, times={"begun": begun.isoformat(timespec="seconds"), "took_s": round(monotonic() - begun_s, 1)})
        else:
            outcome = replace(found, hdr=pair.hdr, sdr=pair.sdr, words=pair.words, kept=found.kept if pair.keep else None)
        write_object(folder / OUTCOME, asdict(outcome), readable=True)
        if keeping:
            outcome = keep_pair(pair, outcome, out, say=say, stop=stop)
    except PairdiffError as error:
        outcome = replace(outcome, state="failed", exit_code=error.exit_code, message=str(error))
        if is_there(pair, out):  # a release that is not at hand today takes nothing from what was found of it
            return asdict(replace(outcome, message=f"{error} {STAYS}"))
        with contextlib.suppress(OSError):
            write_object(folder / OUTCOME, asdict(outcome), readable=True)
    except OSError as error:
        words = f"{folder} cannot be written ({error.strerror or error}): free some space, or name another folder with --out."
        outcome = replace(outcome, state="failed", exit_code=OutputRefused.exit_code, message=words)
    except Exception as error:  # whatever is wrong with one pair stops no other
        words = f"A fault in pairdiff itself: {type(error).__name__}: {error}. Compare this pair alone with --debug and report the trace."
        outcome = replace(outcome, state="failed", exit_code=FAULT, message=words)
    return asdict(outcome)


def find_done(pair: Pair, out: Path | str) -> Outcome | None:
    """The outcome of an earlier call whose result lies there whole, for the same files, settings, options and version; else None.

    Parameters
    ----------
    pair
        What is asked for.
    out
        Folder of the batch.

    Raises
    ------
    InputRefused : a release that is not there.
    """
    folder = Path(out) / pair.folder
    outcome = read_outcome(pair, out)
    if outcome is None or not _is_whole(outcome, folder):
        return None
    result = read_json(folder / "result.json")
    files = _identify(pair)
    try:
        whole = {side: result[side]["file_id"] for side in files} == files
    except (KeyError, TypeError):
        return None
    return outcome if whole and outcome.files == files else None


def is_there(pair: Pair, out: Path | str) -> bool:
    """Whether a finished result of what is asked for lies there, of files that are named alike; they are not looked at."""
    outcome = read_outcome(pair, out)
    return outcome is not None and (outcome.hdr, outcome.sdr) == (pair.hdr, pair.sdr) and _is_whole(outcome, Path(out) / pair.folder)


def _is_whole(outcome: Outcome, folder: Path) -> bool:
    return outcome.state == "done" and all((folder / name).is_file() for name in ("result.json", "report.html", "frames.parquet"))


def read_outcome(pair: Pair, out: Path | str) -> Outcome | None:
    """The outcome that lies there, where it is of what is asked for now; files are not looked at."""
    found = read_json(Path(out) / pair.folder / OUTCOME)
    if set(found) != {one.name for one in fields(Outcome)} or found["schema"] != OUTCOME_SCHEMA or found["asked"] != _asked(pair):
        return None
    return Outcome(**found)


def outcome_of(pair: Pair, state: str) -> Outcome:
    """An outcome of which only the state is known."""
    return Outcome(pair.title, pair.folder, pair.hdr, pair.sdr, state, asked=_asked(pair), words=pair.words)


def _asked(pair: Pair) -> dict[str, Any]:
    """All that figures depend on beside the files. A setting that a default states is as good as one written down; the group `limits`
    changes no figure.
    """
    settings = pairdiff.make_settings(None, pair.settings)
    used = [one for one in fields(Settings) if one.metadata["group"] != "limits"]
    values = {one.name: getattr(settings, one.name) for one in used}
    return {
        "title": pair.title,
        "version": pairdiff.__version__,
        "options": {name: pair.options[name] for name in ("full", "survey", "budget") if pair.options.get(name) is not None},
        "settings": {one.name: values[one.name] for one in used if values[one.name] != one.default},
        "settings_id": hashlib.sha256(json.dumps(values).encode()).hexdigest()[:16],  # defaults may change as well
    }


def _identify(pair: Pair) -> dict[str, str]:
    whole = bool(pair.options.get("hash"))
    return {
        "hdr": pairdiff.identify_release(pair.hdr_path, side="hdr", hash_whole=whole),
        "sdr": pairdiff.identify_release(pair.sdr_path, side="sdr", hash_whole=whole),
    }


def _measure(pair: Pair, folder: Path, *, fresh: bool, say: Say, stop: Stop, place: Place) -> Outcome:
    """Compare the pair; until that is done its outcome is that it was interrupted, whatever becomes of this process."""
    outcome = replace(outcome_of(pair, "interrupted"), files=_identify(pair), message=STOPPED)
    folder.mkdir(parents=True, exist_ok=True)
    write_object(folder / OUTCOME, asdict(outcome), readable=True)
    code, message = run_command(compare_words(pair, folder, fresh=fresh), log=folder / LOG, say=say, stop=stop, place=place)
    if code == 0:
        return replace(outcome, state="done", exit_code=0, message="", figures=_read_figures(folder))
    if stop.asked or code == INTERRUPTED:
        return outcome
    return replace(outcome, state="failed", exit_code=code, message=message)


def compare_words(pair: Pair, folder: Path, *, fresh: bool = False) -> list[str]:
    """The command that compares a pair."""
    options, stated = [f"--out={folder}", f"--title={pair.title}"], pair.options
    options += [f"--budget={stated['budget']}"] if stated.get("budget") else []
    options += ["--fresh"] if fresh else []
    return [*COMPARE, *options, *_words_of_both(pair)]


def stretch_words(pair: Pair, folder: Path, *, stretch: tuple[str, int] | None = None) -> list[str]:
    """The command that plans in what stretches a pair can be read, or reads one: its side and its number."""
    which = [] if stretch is None else [f"--side={stretch[0]}", f"--number={stretch[1]}"]
    return [*STRETCH, f"--into={folder}", *which, *_words_of_both(pair)]


def _words_of_both(pair: Pair) -> list[str]:
    """Options that both take, settings and the releases."""
    stated = pair.options
    options = ["--full"] if stated.get("full") else []
    options += [] if stated.get("survey") is None else ["--survey" if stated["survey"] else "--no-survey"]
    options += ["--hash"] if stated.get("hash") else []
    options += [f"{say_option(name)}={value}" for name, value in pair.settings.items()]
    return [*options, "--", pair.hdr_path, pair.sdr_path]


def _read_figures(folder: Path) -> dict[str, Any]:
    """The headline figures of the result that lies there."""
    result = read_json(folder / "result.json")
    verdict, headroom = result["verdict"], result["headroom"]
    return {
        "label": verdict["label"],
        "words": verdict["words"],
        "support": verdict["support"].get(verdict["label"]),
        "headroom_stops": headroom["stops"],
        "uses_peak_ratio": headroom["uses_peak_ratio"],
        "notice_probability": result["difference"]["on_its_own"]["notice_probability"]["value"],
        "mode": result["run"]["coverage"]["mode"],
    }


# ---------------------------------------------------------------- handing on to the archive: the one place where that is done


def keep_pair(pair: Pair, outcome: Outcome, out: Path | str, *, say: Say, stop: Stop) -> Outcome:
    """Hand a pair's result on, where it is done and asks for that, and write down what that came to; arguments as for `run_pair`."""
    if outcome.state != "done" or not pair.keep:
        return outcome
    folder = Path(out) / pair.folder
    outcome = hand_on(outcome, folder, archive=pair.archive, say=say, stop=stop)
    write_object(folder / OUTCOME, asdict(outcome), readable=True)
    return outcome


def hand_on(outcome: Outcome, folder: Path, *, archive: str | None, say: Say, stop: Stop) -> Outcome:
    """Hand a finished result on to the archive, unless that was done with the same words.

    Parameters
    ----------
    outcome
        Of the pair.
    folder
        With its result.
    archive
        Where the archive lies; None for the usual one.
    say, stop
        As for `run_pair`.

    Returns
    -------
    Outcome
        With `kept`; the result stays done where the archive refused it.
    """
    asked = {"archive": archive, "words": outcome.words}
    before = outcome.kept or {}
    if before.get("exit_code") == 0 and {name: before.get(name) for name in asked} == asked:
        return outcome
    options = [f"--archive={archive}"] if archive is not None else []
    taken_back = {name: 0 if WORDS[name] is int else "" for name in before.get("words", {}) if name not in outcome.words}
    options += [f"--{name}={value}" for name, value in {**taken_back, **outcome.words}.items()]
    code, message = run_command([*KEEP, *options, "--", str(folder)], log=folder / LOG, say=say, stop=stop)
    return replace(outcome, kept={**asked, "exit_code": code, "message": message if code else ""})


# ---------------------------------------------------------------- a process of its own


def run_command(words: Sequence[str], *, log: Path, say: Say, stop: Stop, place: Place | None = None) -> tuple[int, str]:
    """Run a command of pairdiff in a process of its own, which ends with this one.

    Parameters
    ----------
    words
        The command.
    log
        A file that what it says is added to.
    say
        Called with each line.
    stop
        Passes on what asks for an end.
    place
        What the process is started with.

    Returns
    -------
    tuple
        Its exit code (128 and the number of the signal where one ended it), and the message it ended with where that is not 0.
    """
    if stop.asked:
        return INTERRUPTED, STOPPED
    place = place or Place()
    left_out = (FILE_VARIABLE, HELD_VARIABLE, "FORCE_COLOR", "TTY_COMPATIBLE", *place.variables)
    env = {name: value for name, value in os.environ.items() if name not in left_out}
    env |= {name: value for name, value in place.variables.items() if value is not None}
    env |= {} if place.held is None else {HELD_VARIABLE: str(place.held)}
    group = {"process_group": 0} if os.name == "posix" else {}  # a terminal's interrupt comes here alone, and is passed on
    lines: list[str] = []
    with open(log, "a", encoding="utf-8", errors="replace") as file:
        child = subprocess.Popen(
            list(words),
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            encoding="utf-8",
            errors="replace",
            env={**env, END_VARIABLE: "1"},
            pass_fds=() if place.held is None else (place.held,),
            **group,  # type: ignore[call-overload]
        )
        try:
            with stop.passing_on_to(child):
                for line in child.stderr:
                    lines.append(line.rstrip("\n"))
                    file.write(line)
                    file.flush()
                    say(lines[-1])
                code = child.wait()
        finally:
            if child.poll() is None:
                child.kill()
            child.wait()
            for pipe in (child.stdin, child.stderr):
                with contextlib.suppress(OSError):
                    pipe.close()
    return (code if code >= 0 else 128 - code), _message_of(lines, code)


def _message_of(lines: Sequence[str], code: int) -> str:
    """The last block that a command wrote, which is what it ended with; stages before it and notes behind it are no part of it."""
    if code < 0:
        name = signal.Signals(-code).name if -code in set(signal.Signals) else "unknown"
        return f"The process was ended from outside (signal {-code}, {name}); the system does that where memory is short. Run it again."
    blocks: list[list[str]] = []
    for line in lines:
        if line.startswith("pairdiff: ") or not blocks:
            blocks.append([line.removeprefix("pairdiff: ")])
        else:
            blocks[-1].append(line)
    told = [block for block in blocks if not block[0].startswith("Note: ")]
    return "\n".join(told[-1]).strip() if told else f"The process ended with exit code {code} and said nothing. See {LOG} in its folder."


# ---------------------------------------------------------------- all pairs


def run_batch(
    manifest: Manifest,
    out: Path | str,
    *,
    only: tuple[str, ...] = (),
    fresh: bool = False,
    say: Say | None = None,
    work: Work | None = None,
) -> dict[str, Any]:
    """Work on the pairs of a manifest; what fails is noted, and the rest goes on.

    Parameters
    ----------
    manifest
        Checked.
    out
        Folder for a folder of results a pair, and for `summary.json`, which is written anew after each (after some, where there are so
        many that writing takes long).
    only
        Titles to work on; all where none is named.
    fresh
        As for `run_pair`.
    say
        Called with each line of progress.
    work
        Works on the pairs and gives each one's outcome when it has it; one after the other here (`work_here`) where it is None.

    Returns
    -------
    dict
        The summary: `counts` of the pairs worked on, and the outcome of every pair of the manifest.

    Raises
    ------
    UsageError : a title that the manifest has not.
    OutputRefused : the folder cannot be written, or a batch or a re-run is at work in it.
    PairdiffError : what `work` raises; what was done before is in the summary.
    """
    out, tell = Path(out).absolute(), undisturbed(say or silent)
    chosen = manifest.choose(only)
    check_output(out)
    outcomes = {pair.title: _known(pair, out, asked_for=pair in chosen, fresh=fresh) for pair in manifest.pairs}
    try:
        out.mkdir(parents=True, exist_ok=True)
        with only_one_at_work(out), heed_signals() as stop:
            due_s, written = 0.0, True
            try:
                for pair, outcome in (work or work_here)(chosen, out, fresh=fresh, say=tell, stop=stop):
                    outcomes[pair.title] = outcome
                    begun_s, written = monotonic(), False
                    if begun_s >= due_s:
                        with contextlib.suppress(OSError):  # told at the end, where it still cannot be written
                            write_object(out / SUMMARY, summarise(manifest, outcomes, chosen=chosen), readable=True)
                            written = True
                        due_s = monotonic() + SUMMARY_REST * (monotonic() - begun_s)
            except PairdiffError:
                if not written:
                    write_object(out / SUMMARY, summarise(manifest, outcomes, chosen=chosen), readable=True)
                raise
        summary = summarise(manifest, outcomes, chosen=chosen)
        write_object(out / SUMMARY, summary, readable=True)
    except OSError as error:
        raise OutputRefused(f"Cannot write to {out}: {error.strerror or error}. Name another folder with --out.") from error
    return summary


def work_here(chosen: Sequence[Pair], out: Path, *, fresh: bool, say: Say, stop: Stop) -> Iterator[tuple[Pair, Outcome]]:
    """Work on pairs one after the other on this machine, until `stop` is asked.

    Parameters
    ----------
    chosen, out, fresh, say
        As for `run_batch`.
    stop
        Signals that came.

    Yields
    ------
    Each pair and what became of it.
    """
    for number, pair in enumerate(chosen, 1):
        if stop.asked:
            return
        begun_s, head = monotonic(), say_number(number, len(chosen))
        say(f"{head}{show_title(pair.title)}")
        before = read_outcome(pair, out)
        outcome = Outcome(**run_pair(asdict(pair), out, fresh=fresh, say=numbered(say, number, len(chosen)), stop=stop))
        say(f"{head}{say_end(outcome, before=before, took_s=monotonic() - begun_s)}")
        yield pair, outcome


def _known(pair: Pair, out: Path, *, asked_for: bool, fresh: bool) -> Outcome:
    """What is known of a pair before this call comes to it: of those asked for only that it is done, since the others are tried again."""
    found = read_outcome(pair, out)
    if found is None or (asked_for and (fresh or found.state != "done")):
        return outcome_of(pair, "not begun")
    if (found.hdr, found.sdr) != (pair.hdr, pair.sdr):  # the same files in another place, or others
        with contextlib.suppress(PairdiffError, OSError):
            return find_done(pair, out) or outcome_of(pair, "not begun")
        return outcome_of(pair, "not begun")
    return found


def summarise(manifest: Manifest, outcomes: Mapping[str, Outcome], *, chosen: Sequence[Pair]) -> dict[str, Any]:
    """The summary of a batch as plain data.

    Parameters
    ----------
    manifest
        Whose order is kept.
    outcomes
        By title.
    chosen
        The pairs that count.
    """
    counted = [outcomes[pair.title] for pair in chosen]
    states = {name: sum(one.state == name for one in counted) for name in ("done", "failed", "interrupted", "not begun")}
    return {
        "schema": SUMMARY_SCHEMA,
        "version": pairdiff.__version__,
        "manifest": Path(manifest.path).name,
        "counts": {**{name.replace(" ", "_"): count for name, count in states.items()}, "not_kept": sum(map(_not_kept, counted))},
        "pairs": [asdict(outcomes[pair.title]) for pair in manifest.pairs],
    }


def _not_kept(outcome: Outcome) -> bool:
    return outcome.state == "done" and outcome.kept is not None and outcome.kept["exit_code"] != 0


def exit_code_of(summary: Mapping[str, Any]) -> int:
    """What a batch ends with: 0 where every pair is done, and kept where that was asked for."""
    counts = summary["counts"]
    if counts["interrupted"] or counts["not_begun"]:
        return INTERRUPTED
    return PairsFailed.exit_code if counts["failed"] or counts["not_kept"] else 0


def plan_batch(manifest: Manifest, out: Path | str, *, only: tuple[str, ...] = (), fresh: bool = False) -> list[dict[str, str]]:
    """What a batch would do with each pair; nothing is run or written.

    Parameters
    ----------
    manifest, out, only, fresh
        As for `run_batch`.

    Returns
    -------
    list of dict
        `title`, `folder` and `plan`, in words.
    """
    return [{"title": pair.title, "folder": pair.folder, "plan": _plan(pair, Path(out), fresh=fresh)} for pair in manifest.choose(only)]


def _plan(pair: Pair, out: Path, *, fresh: bool) -> str:
    if fresh:
        return "would be measured, and all that was kept of it ignored"
    try:
        done = find_done(pair, out)
    except PairdiffError as error:
        return f"would fail: {error}"
    if done is not None:
        kept = done.kept or {}
        is_kept = kept.get("exit_code") == 0 and (kept["archive"], kept["words"]) == (pair.archive, pair.words)
        return "is done already" if is_kept or not pair.keep else "is done already; would be handed on to the archive"
    earlier = read_outcome(pair, out)
    if earlier is not None and earlier.state == "interrupted":
        return "was interrupted; would go on with what was kept"
    return "failed before; would be tried again" if earlier is not None and earlier.state == "failed" else "would be measured"


# ---------------------------------------------------------------- in words


def plan_in_words(plan: Sequence[Mapping[str, str]], *, out: Path) -> str:
    """A plan as lines of text."""
    rows = [[show_title(one["title"]), one["plan"]] for one in plan]
    folders = [f"  {out / one['folder']}" for one in plan]
    lines = [line for row, folder in zip(pad_columns(rows), folders, strict=True) for line in (row, folder)]
    return "\n".join([*lines, "", f"Pairs: {len(plan)}. Nothing was run."])


def summary_in_words(summary: Mapping[str, Any], *, out: Path, only: tuple[str, ...] = ()) -> str:
    """A summary as lines of text: a table, then each failure with its message and exit code."""
    titles = {normal_title(title) for title in only}
    asked = [one for one in (Outcome(**one) for one in summary["pairs"]) if not titles or one.title in titles]
    table = [["title", "state", "label", "support", "headroom"], *([show_title(one.title), *_cells(one)] for one in asked)]
    failed = [f"{show_title(one.title)}: exit code {one.exit_code}: {one.message}" for one in asked if one.state == "failed"]
    failed += [
        f"{show_title(one.title)}: not kept, exit code {one.kept['exit_code']}: {one.kept['message']}"
        for one in asked
        if one.kept and _not_kept(one)
    ]
    counts = ", ".join(f"{count} {name.replace('_', ' ')}" for name, count in summary["counts"].items() if count or name == "done")
    among = " of those asked for" if only else ""
    return "\n".join([*pad_columns(table), "", *failed, *([""] if failed else []), f"Pairs{among}: {counts}.", f"Summary: {out / SUMMARY}"])


def _cells(outcome: Outcome) -> list[str]:
    figures = outcome.figures
    if not figures:
        return [outcome.state if outcome.exit_code is None else f"{outcome.state} ({outcome.exit_code})", "", "", ""]
    support, stops = figures["support"], figures["headroom_stops"]
    shown = "no value" if stops is None else f"{stops:+.2f} stops{' (peak ratio)' if figures['uses_peak_ratio'] else ''}"
    state = "done, not kept" if _not_kept(outcome) else outcome.state
    return [state, figures["label"], "no value" if support is None else f"{support:.0%}", shown]


def say_number(number: int, count: int) -> str:
    """How a line about a whole pair begins."""
    return f"pair {number} of {count}: "


def say_end(outcome: Outcome, *, before: Outcome | None, took_s: float) -> str:
    """What became of a pair of which `before` was known, and how long it took."""
    was_there = before is not None and before.state == "done" and before.times == outcome.times
    return f"{'was there: ' if was_there else ''}{_say_outcome(outcome)}, {timedelta(seconds=round(took_s))}"


def _say_outcome(outcome: Outcome) -> str:
    if outcome.state == "done":
        return f"done: {outcome.figures['words']}{', but not kept in the archive' if _not_kept(outcome) else ''}"
    return f"failed (exit code {outcome.exit_code})" if outcome.state == "failed" else outcome.state


def show_title(title: str) -> str:
    """A title for a terminal: of bounded width, without marks that would turn the order of what stands beside it."""
    return cut_text(show_text(title), TITLE_SHOWN)


# ---------------------------------------------------------------- one batch a folder, signals, files


def silent(line: str) -> None:
    """Progress that nobody asked for."""


def undisturbed(say: Say) -> Say:
    """The same for a terminal that may go away while films are measured."""

    def tell(line: str) -> None:
        with contextlib.suppress(OSError):
            say(line)

    return tell


def numbered(say: Say, number: int, count: int) -> Say:
    """Lines of one pair among those of others."""
    return lambda line: say(f"{number}/{count} {line.removeprefix('pairdiff: ')}")


@contextlib.contextmanager
def only_one_at_work(out: Path) -> Iterator[None]:
    """Hold the folder for one batch at a time; where the system has no such locks, nothing is held.

    Raises
    ------
    OutputRefused : another call is at work there.
    """
    with open(out / LOCK, "a", encoding="utf-8") as file:
        if not take_lock(file):
            raise OutputRefused(f"A batch or a re-run is at work in {out} already: wait for it, or name another folder with --out.")
        yield


def take_lock(file: TextIO) -> bool:
    """Lock an open file until it is closed everywhere; False where it is locked elsewhere.

    Some network folders know no locks: it is True there.
    """
    if os.name == "posix":
        import fcntl

        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except OSError as error:
            if error.errno not in NO_LOCKS:
                raise
    return True


@contextlib.contextmanager
def heed_signals() -> Iterator[Stop]:
    """Signals that ask for an end, noted and passed on; handlers are those of before afterwards. Only a main thread is asked."""
    stop, before = Stop(), {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                before[number] = signal.signal(number, stop)
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def read_json(path: Path) -> dict[str, Any]:
    """A document that lies there; empty where there is none that can be read."""
    try:
        if not path.is_file():  # a pipe would be waited for
            return {}
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
