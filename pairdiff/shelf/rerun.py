"""Re-runs: what a new version or another setting makes of earlier results, from what was measured where that does, else from the films.

An earlier result is never touched: the new one has a folder of its own and, in an archive, stands as a further run beside the one that it
redoes. `rerun.json` beside the new result says what moved and why, and by it a re-run that was stopped goes on.
"""

from __future__ import annotations

import contextlib
import gzip
import os
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from difflib import get_close_matches
from pathlib import Path
from typing import Any

import pairdiff
from pairdiff._checks import check_output
from pairdiff._errors import InputRefused, OutputRefused, PairdiffError, PairsFailed, UsageError
from pairdiff._settings import Settings
from pairdiff._settings_file import setting_kinds
from pairdiff._watch import INTERRUPTED
from pairdiff.shelf.archive import DAMAGE, FRAMES, REPORT, RESULT, Archive, write_object
from pairdiff.shelf.batch import Stop, heed_signals, only_one_at_work, read_json, run_pair, show_title, silent, undisturbed
from pairdiff.shelf.kept_run import RERUN, RERUN_SCHEMA, check_result, number_of, read_result
from pairdiff.shelf.listing import RUN_SHOWN, Row, pad_columns, show_text
from pairdiff.shelf.manifest import Pair, name_folder
from pairdiff.shelf.moved import compare_results, figures_in_words, list_changes, list_elsewhere, moved_of, say_change
from pairdiff.shelf.protocol import protocol_id, protocol_of, say_differences, say_protocol
from pairdiff.shelf.sought import SIDES, WHOLE, Seeker, Sought
from pairdiff.verdict.figures import NO_VALUE, say_plain, say_stops
from pairdiff.writeup.document import MEASURED, comparison_to_document

SUMMARY_SCHEMA = "pairdiff-reruns/1"
SUMMARY = "reruns.json"
WORDS = ("edition", "region", "year", "notes")
MOST_APART = 8
"""Settings up to which each is tried alone, to say which of them moved a figure (own: each takes seconds)."""
STORED, FILES = "from what was measured", "measured anew from the films"
HOW_WORDS = {"stored": STORED, "files": FILES}
NOT_REDONE = ("gone", "other files", "failed", "damaged")
"""States of runs that could not be redone."""
PLAN_WORDS = {
    "stored": f"{STORED}",
    "files": FILES,
    "gone": "cannot be redone: the films are needed and are not there",
    "other files": "cannot be redone: the films are needed, and others lie in their place",
    "failed": "cannot be redone",
    "damaged": "cannot be redone: it is damaged",
    "up to date": "nothing has changed since",
    "redone before": "was redone before",
    "was there": "is done",
}

Document = dict[str, Any]
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Wish:
    """What a re-run is to change, and where it may look for films."""

    stated: Mapping[str, Any] = field(default_factory=dict)
    """Settings by name."""
    taken_back: tuple[str, ...] = ()
    """Settings that are to be the defaults again."""
    fresh: bool = False
    """Measure everything anew."""
    given: Mapping[str, str] = field(default_factory=dict)
    """Where the user says that releases lie, by side."""
    seeker: Seeker = field(default_factory=Seeker)


@dataclass(frozen=True, slots=True)
class Source:
    """An earlier result."""

    number: str
    """Of the run, a hash of what was measured."""
    result: Document
    place: pairdiff.StoredFolder
    words: dict[str, Any] = field(default_factory=dict)
    """What the archive says of it: title, edition, region, year, notes."""
    folder: str = ""
    """Its result folder."""
    with_report: bool = False
    """Whether the archive holds its report."""

    @property
    def title(self) -> str:
        """Of the film."""
        return str(self.words.get("title") or self.result["title"])


@dataclass(frozen=True, slots=True)
class Plan:
    """What redoing a run would take."""

    state: str
    """`stored`, `files`, `gone`, `other files`, `failed` or `up to date`."""
    reasons: tuple[str, ...] = ()
    """Why the films are needed, or why it cannot be done."""
    changes: tuple[Document, ...] = ()
    settings: Settings | None = None
    paths: Mapping[str, str] = field(default_factory=dict)
    options: Mapping[str, Any] = field(default_factory=dict)
    steps: Mapping[str, int] = field(default_factory=dict)
    may_read_on: bool = False


def check_asked(
    *,
    directory: Path | None,
    out: Path | None,
    whole_shelf: bool,
    archive: Path | None,
    where: Sequence[str] | None,
    keep: bool,
    dry_run: bool,
    given: Sequence[str | None],
) -> None:
    """Refuse what does not go together.

    Raises
    ------
    UsageError : neither a folder nor an archive, or both; no place for the result; options that say nothing of what is asked for.
    """
    if directory is None:
        if not (whole_shelf or archive is not None or where):
            raise UsageError("Nothing was named to work out again: give the folder of a result, or --shelf for the runs of the archive.")
        if keep or any(given):
            raise UsageError("--keep, --hdr and --sdr are for the folder of a result: new runs of a shelf are kept, --look-in finds films.")
    elif whole_shelf or where:
        raise UsageError(f"{directory} is one result, and --shelf and --where ask for many: give one or the other.")
    elif archive is not None and not keep:
        raise UsageError("--archive says where the new result is kept: found it without --keep, add that.")
    if out is None and not dry_run:
        raise UsageError("The new results need a place of their own: name a folder with --out.")


def make_wish(
    stated: Mapping[str, Any], *, taken_back: Sequence[str], fresh: bool, given: Mapping[str, str | None], folders: Sequence[Path]
) -> Wish:
    """What a re-run is to change, checked.

    Raises
    ------
    UsageError : no setting has such a name, one is stated and taken back, or a folder to look in is none.
    """
    names = tuple(name.removeprefix("--").replace("-", "_") for name in taken_back)
    for name in names:
        if name not in setting_kinds():
            near = get_close_matches(name, setting_kinds(), n=1, cutoff=0.5)
            raise UsageError(f"--take-back: {name!r} is not a setting{f': did you mean {near[0]!r}?' if near else '.'}")
        if name in stated:
            raise UsageError(f"{name} is both stated and taken back: give one of them.")
    for folder in folders:
        if not folder.is_dir():
            raise UsageError(f"--look-in: {folder} is not a folder.")
    return Wish(dict(stated), names, fresh, {side: path for side, path in given.items() if path is not None}, Seeker(folders))


# ---------------------------------------------------------------- earlier results


def read_folder(directory: Path | str) -> Source:
    """An earlier result by its folder.

    Raises
    ------
    InputRefused : it holds none, or one that cannot be read.
    """
    folder = Path(directory)
    result, _ = read_result(folder)
    return Source(number_of(result), result, _place_of(folder), folder=str(folder.absolute()))


def _place_of(folder: Path) -> pairdiff.StoredFolder:
    return pairdiff.StoredFolder(folder / MEASURED, folder / "frames.parquet", folder / "stills")


def read_archived(archive: Archive, row: Row) -> Source:
    """An earlier result by its row in an archive; what the archive lacks is taken from its result folder, where that still holds it.

    Raises
    ------
    InputRefused : the run is damaged, was taken away, or is of another version.
    """
    kept = archive.runs / row["run"]
    try:
        text = gzip.decompress((kept / RESULT).read_bytes())
    except (*DAMAGE, OSError) as broken:
        raise InputRefused(f"{kept / RESULT} cannot be read ({broken}). Keep the run again from its result folder.") from broken
    result = check_result(text, kept / RESULT)
    measured, stills = kept / MEASURED, kept / REPORT / "stills"
    folder = _own_folder(row, text)
    if folder is not None:
        measured = measured if measured.is_file() else folder / MEASURED
        stills = stills if stills.is_dir() else folder / "stills"
    words = {name: row[name] for name in ("title", *WORDS)}
    place = pairdiff.StoredFolder(measured, kept / FRAMES, stills if stills.is_dir() else None)
    return Source(row["run"], result, place, words, row["folder"] or "", bool(row["report"]))


def _own_folder(row: Row, text: bytes) -> Path | None:
    """The folder that a run was kept from, where the same result still lies there."""
    folder = Path(row["folder"]) if row["folder"] else None
    with contextlib.suppress(OSError, ValueError):
        if folder is not None and (folder / "result.json").read_bytes() == text:
            return folder
    return None


# ---------------------------------------------------------------- what it takes


def want_settings(result: Mapping[str, Any], wish: Wish) -> Settings:
    """Settings of a re-run: those that the earlier result was made with and that are not the defaults of its version; then what is wished.

    Raises
    ------
    UsageError : values that do not go together.
    """
    run, known = result["run"], setting_kinds()
    described = run["settings_described"]
    own = {
        name: value
        for name, value in run["settings"].items()
        if name in known and name not in wish.taken_back and value != described.get(name, {}).get("default")
    }
    return pairdiff.make_settings(None, {**own, **wish.stated})


def make_plan(source: Source, wish: Wish) -> Plan:
    """What redoing a run takes; nothing is worked out and no film is opened, but for its hash.

    Parameters
    ----------
    source : the earlier result.
    wish : what is to change.
    """
    try:
        settings = want_settings(source.result, wish)
        pairdiff.check_words(settings=settings)
    except UsageError as refused:
        return Plan("failed", (str(refused),))
    state = pairdiff.check_stored(source.place, settings=settings)
    steps = _steps_of(source.result, state.steps_now)
    changes = list_changes(
        source.result,
        settings=asdict(settings),
        steps=steps,
        versions={"pairdiff": pairdiff.__version__},
        stated=[*wish.stated, *wish.taken_back],
    )
    plan = Plan("stored", state.reasons, tuple(changes), settings, steps=steps, may_read_on=state.may_read_on and bool(changes))
    if wish.fresh:
        return _plan_files(source, wish, replace(plan, reasons=("asked for (--fresh)",)), state)
    return _plan_files(source, wish, plan, state) if state.reasons else plan


def _steps_of(result: Mapping[str, Any], steps: Mapping[str, int]) -> dict[str, int]:
    """Steps that a result came through."""
    surveyed = result["run"]["coverage"]["mode"] == "survey"
    return {name: version for name, version in steps.items() if surveyed or name != "survey"}


def _plan_files(source: Source, wish: Wish, plan: Plan, state: pairdiff.StoredState) -> Plan:
    """The same by the films."""
    found: dict[str, Sought] = {
        side: wish.seeker.find(source.result, side, folder=state.folder, given=wish.given.get(side)) for side in SIDES
    }
    lost = [one for one in found.values() if one.path is None]
    if lost:
        worst = "other files" if any(one.state == "other files" for one in lost) else "gone"
        needed = f"The films are needed: {'; '.join(plan.reasons)}."
        return replace(plan, state=worst, reasons=(*(one.words for one in lost), needed))
    paths = {side: one.path for side, one in found.items() if one.path is not None}
    return replace(plan, state="files", paths=paths, options=_options_of(source.result, state.options))


def _options_of(result: Mapping[str, Any], asked: Mapping[str, Any] | None) -> dict[str, Any]:
    """How the comparison was asked for, as a manifest has it; told by its result where that was not kept."""
    if asked is None:
        mode, whole = result["run"]["coverage"]["mode"], str(result["hdr"]["file_id"]).startswith(WHOLE)
        asked = {"full": mode == "full", "survey": {"sampled": False, "survey": True}.get(mode), "budget_s": None, "hash": whole}
    options = {name: True for name in ("full", "hash") if asked[name]}
    options |= {} if asked["survey"] is None else {"survey": bool(asked["survey"])}
    return options | ({} if asked["budget_s"] is None else {"budget": f"{asked['budget_s']:.6f}s"})


# ---------------------------------------------------------------- redoing one


def redo(source: Source, plan: Plan, wish: Wish, folder: Path, *, say: Say, stop: Stop) -> Document:
    """Redo one run into a folder of its own.

    Parameters
    ----------
    source : the earlier result.
    plan : of `make_plan`.
    wish : what is to change.
    folder : for the new result.
    say : called with each line of progress.
    stop : what may ask the work to end.

    Returns
    -------
    dict
        The outcome, which also lies in the folder (`rerun.json`); what goes wrong is told there and not raised.
    """
    if plan.state not in HOW_WORDS:
        return _outcome(source, plan, plan.state, message=" ".join(plan.reasons))
    asked = _asked(source, plan)
    try:
        _refuse_another(folder, source, asked)
        before = read_outcome(folder, asked)
        if before is not None and not wish.fresh:
            return before
        folder.mkdir(parents=True, exist_ok=True)
        write_object(folder / RERUN, _outcome(source, plan, "interrupted") | {"asked": asked}, readable=True)
        if plan.state == "stored":
            plan = _conclude(source, plan, wish, folder)
        if plan.state == "files":
            failed = _measure(source, plan, wish, folder, say=say, stop=stop)
            if failed is not None:
                return failed
        if plan.state not in HOW_WORDS:
            _clear_away(folder)
            return _outcome(source, plan, plan.state, message=" ".join(plan.reasons))
        outcome = _tell_moved(source, plan, wish, folder) | {"asked": asked}
        write_object(folder / RERUN, outcome, readable=True)
    except PairdiffError as refused:
        return _outcome(source, plan, "failed", message=str(refused), exit_code=refused.exit_code)
    except OSError as error:
        words = f"{folder} cannot be written ({error.strerror or error}): free some space, or name another folder with --out."
        return _outcome(source, plan, "failed", message=words, exit_code=OutputRefused.exit_code)
    except (ArithmeticError, AttributeError, LookupError, RecursionError, TypeError, ValueError) as fault:
        # whatever a spoilt result makes of itself: one run never stops the rest
        words = f"What is stored of it cannot be worked with ({type(fault).__name__}: {fault}). Compare the films again."
        return _outcome(source, plan, "failed", message=words, exit_code=InputRefused.exit_code)
    return outcome


def _clear_away(folder: Path) -> None:
    """Remove what was begun in a folder that holds nothing else."""
    with contextlib.suppress(OSError):
        if [one.name for one in folder.iterdir()] == [RERUN]:
            (folder / RERUN).unlink()
            folder.rmdir()


def read_outcome(folder: Path, asked: Mapping[str, Any]) -> Document | None:
    """The outcome that lies there, where it is of what is asked for now and its result is whole."""
    found = read_json(folder / RERUN)
    if found.get("schema") != RERUN_SCHEMA or found.get("asked") != asked or found.get("state") != "done":
        return None
    try:
        return found if number_of(read_result(folder)[0]) == found["run"] and (folder / "report.html").is_file() else None
    except (PairdiffError, KeyError):
        return None


def _asked(source: Source, plan: Plan) -> Document:
    """All that the result depends on."""
    assert plan.settings is not None
    return {"source": source.number, "version": pairdiff.__version__, "steps": dict(plan.steps), "settings": asdict(plan.settings)}


def _refuse_another(folder: Path, source: Source, asked: Mapping[str, Any]) -> None:
    """Refuse a folder that holds another result: none is written over, but for one of the same re-run."""
    held = read_json(folder / RERUN)
    made_from = held.get("source")
    of_this = held.get("schema") == RERUN_SCHEMA and isinstance(made_from, dict) and made_from.get("run") == source.number
    of_this = of_this and _films_of(read_json(folder / "result.json")) in (None, _films_of(source.result))
    if (folder / "result.json").exists() and not (of_this and (held.get("asked") == asked or held.get("state") != "done")):
        raise OutputRefused(f"{folder} holds another result, and none is written over. Name another folder with --out.")


def _films_of(result: Mapping[str, Any]) -> tuple[Any, ...] | None:
    """Which films a result is of; None where that is not said."""
    sides = [result.get(side) for side in ("hdr", "sdr")]
    return tuple(one.get("file_id") for one in sides if isinstance(one, dict)) or None


def _plain(source: Source) -> str:
    """The title as it can be handed to a process."""
    text = str(source.result["title"]).replace("\0", "")
    return text.encode("utf-8", "backslashreplace").decode("utf-8")


def _conclude(source: Source, plan: Plan, wish: Wish, folder: Path) -> Plan:
    """Conclude it again; where that cannot be done after all, the plan by the films."""
    assert plan.settings is not None
    try:
        pairdiff.conclude_again(
            source.place, settings=plan.settings, title=source.result["title"], out=folder, films=_films_of(source.result)
        )
    except InputRefused as reason:
        state = pairdiff.check_stored(source.place, settings=plan.settings)
        return _plan_files(source, wish, replace(plan, reasons=(str(reason).rstrip("."),)), state)
    return plan


def _measure(source: Source, plan: Plan, wish: Wish, folder: Path, *, say: Say, stop: Stop) -> Document | None:
    """Compare the films in a process of its own; the outcome where that failed."""
    assert plan.settings is not None
    defaults, stated = asdict(Settings()), asdict(plan.settings)
    pair = Pair(
        title=_plain(source),
        folder=folder.name,
        hdr=plan.paths["hdr"],
        sdr=plan.paths["sdr"],
        hdr_path=plan.paths["hdr"],
        sdr_path=plan.paths["sdr"],
        settings={name: value for name, value in stated.items() if value is not None and value != defaults[name]},
        options=dict(plan.options),
    )

    def tell(line: str) -> None:
        say(line.removeprefix("pairdiff: "))

    done = run_pair(asdict(pair), folder.parent, fresh=wish.fresh, say=tell, stop=stop)
    if done["state"] == "done":
        return None
    return _outcome(source, plan, done["state"], message=done["message"], exit_code=done["exit_code"])


def _outcome(source: Source, plan: Plan, state: str, **told: Any) -> Document:
    return {
        "schema": RERUN_SCHEMA,
        "title": source.title,
        "state": state,
        "how": plan.state if plan.state in HOW_WORDS else None,
        "reasons": list(plan.reasons),
        "source": {"run": source.number, "folder": source.folder},
        "changes": list(plan.changes),
        **told,
    }


def _tell_moved(source: Source, plan: Plan, wish: Wish, folder: Path) -> Document:
    """What moved, and why."""
    before, (after, _) = source.result, read_result(folder)
    run = after["run"]
    changes = list_changes(
        before,
        settings=run["settings"],
        steps=_steps_of(after, run.get("steps", {})),
        versions=run["versions"],
        stated=[*wish.stated, *wish.taken_back],
    )
    figures, elsewhere = compare_results(before, after), list_elsewhere(before, after)
    for one, why in zip(figures, _tell_why(source, plan, figures, changes, after), strict=True):
        one["why"] = why
    facts = [protocol_of(one) for one in (before, after)]
    return _outcome(source, plan, "done") | {
        "changes": changes,
        "run": number_of(after),
        "folder": str(folder.absolute()),
        "measured_with": run.get("measured_versions", run["versions"]) if plan.state == "stored" else run["versions"],
        "moved": len(moved_of(figures)),
        "same_result": not moved_of(figures) and not elsewhere,
        "label_changed": before["verdict"]["label"] != after["verdict"]["label"],
        "figures": figures,
        "elsewhere": elsewhere,
        "protocol": {
            "before": protocol_id(facts[0]),
            "after": protocol_id(facts[1]),
            "words": say_protocol(facts[1]),
            "differs": say_differences(facts[1], facts[0]),
        },
        "kept": None,
    }


# ---------------------------------------------------------------- why a figure moved


def _tell_why(
    source: Source, plan: Plan, figures: Sequence[Document], changes: Sequence[Document], after: Mapping[str, Any]
) -> Iterator[list[str]]:
    """Reasons of each figure; none of one that did not move.

    What is concluded from stored measurements is concluded once more with each change alone, so that the reason is found and not guessed.
    """
    words = [*(say_change(one) for one in changes if one["kind"] != "library"), *_say_libraries(changes)]
    if not words:
        told = ["nothing that is recorded changed: the films came out otherwise"]
    elif len(words) == 1:
        told = words
    else:
        told = [f"one or several of: {', '.join(words)}"]
        if plan.state == "stored" and any(one["state"] != "same" for one in figures):
            alone = _try_alone(source, plan, changes)
            if alone is not None:
                yield from ([] if one["state"] == "same" else _reasons(one["figure"], alone, words) for one in figures)
                return
    how = [] if plan.state == "stored" else [f"measured anew ({'; '.join(plan.reasons)})"]
    yield from ([] if one["state"] == "same" else [*told, *how] for one in figures)


def _say_libraries(changes: Sequence[Document]) -> list[str]:
    """Libraries of other versions in one phrase; nothing where there is none."""
    found = [f"{one['name']} {one['before']} -> {one['after']}" for one in changes if one["kind"] == "library"]
    return [f"other libraries ({show_text(', '.join(found))})"] if found else []


def _reasons(figure: str, alone: Mapping[str, frozenset[str]], words: Sequence[str]) -> list[str]:
    found = [change for change, moved in alone.items() if figure in moved]
    return found or [f"none alone, but together: {', '.join(words)}"]


def _try_alone(source: Source, plan: Plan, changes: Sequence[Document]) -> dict[str, frozenset[str]] | None:
    """Change in words -> figures that it moves alone; None where there are too many, or what was measured does not do for one of them."""
    known = setting_kinds()
    own = [one for one in changes if one["kind"] in ("setting", "default") and one["name"] in known]
    rest = [one for one in changes if one["kind"] not in ("setting", "default", "library")]
    others = [*map(say_change, rest), *_say_libraries(changes)]
    if len(own) > MOST_APART:
        return None
    assert plan.settings is not None
    now = asdict(plan.settings)
    earlier = {name: value for name, value in source.result["run"]["settings"].items() if name in now}
    try:
        start = _conclude_with(source, {**now, **earlier})
        found = {}
        if others:
            found[", ".join(others)] = _moved_names(source.result, start)
        for one in own:
            with contextlib.suppress(UsageError):  # a value that does not go with the others is not tried alone
                found[say_change(one)] = _moved_names(start, _conclude_with(source, {**now, **earlier, one["name"]: one["after"]}))
    except PairdiffError:
        return None
    return found


def _conclude_with(source: Source, settings: Mapping[str, Any]) -> Document:
    stated = pairdiff.make_settings(None, settings)
    return comparison_to_document(
        pairdiff.conclude_again(source.place, settings=stated, title=source.result["title"], films=_films_of(source.result))
    )


def _moved_names(before: Mapping[str, Any], after: Mapping[str, Any]) -> frozenset[str]:
    return frozenset(one["figure"] for one in moved_of(compare_results(before, after)))


# ---------------------------------------------------------------- keeping


def keep_redone(outcome: Document, source: Source, folder: Path, *, archive: str | os.PathLike[str] | None) -> Document:
    """Keep a new result in an archive as a further run of its title, tied to the one that it redoes.

    Parameters
    ----------
    outcome : of `redo`, done.
    source : the earlier result.
    folder : with the new one.
    archive : where the archive lies.

    Returns
    -------
    dict
        The outcome with `kept`: `run`, `state`, `message` where the archive refused it.
    """
    if outcome["run"] == source.number:
        kept: Document = {"run": source.number, "state": "the same run", "message": ""}
    else:
        words = {name: source.words.get(name) for name in ("title", *WORDS)}
        try:
            done = pairdiff.keep(folder, archive=archive, redoes=source.number, with_report=source.with_report, **words)
            kept = {"run": done.run, "state": done.state, "message": ""}
        except PairdiffError as refused:
            kept = {"run": None, "state": "refused", "message": str(refused)}
    outcome = outcome | {"kept": kept}
    with contextlib.suppress(OSError):  # by the archive it is known as well
        write_object(folder / RERUN, outcome, readable=True)
    return outcome


# ---------------------------------------------------------------- one folder


def redo_folder(
    directory: Path,
    out: Path,
    wish: Wish,
    *,
    keep: bool = False,
    archive: str | os.PathLike[str] | None = None,
    say: Say | None = None,
) -> Document:
    """Redo the result of one folder into another.

    Parameters
    ----------
    directory : with the earlier result, which stays as it is.
    out : folder for the new one.
    wish : what is to change.
    keep, archive : whether the new result is kept in an archive, and in which.
    say : called with each line of progress.

    Returns
    -------
    dict
        The outcome.

    Raises
    ------
    InputRefused : there is no earlier result, or its films are needed and not there; and what `compare` refuses, as `PairdiffError`.
    OutputRefused : the folder cannot be written, or holds another result.
    """
    out, tell = out.absolute(), undisturbed(say or silent)
    source = read_folder(directory)
    if os.path.realpath(out) == os.path.realpath(directory):
        raise OutputRefused(f"{out} holds the earlier result, which stays as it is. Name another folder with --out.")
    if Path(os.path.realpath(directory)) in Path(os.path.realpath(out)).parents:
        raise OutputRefused(f"{out} lies within the earlier result, which stays as it is. Name a folder elsewhere with --out.")
    check_output(out)
    plan = make_plan(source, wish)
    if keep:
        pairdiff.check_keeping(archive=archive)
        source = _with_words(source, archive)
    with heed_signals() as stop:
        outcome = redo(source, plan, wish, out, say=tell, stop=stop)
    if outcome["state"] == "done" and keep:
        outcome = keep_redone(outcome, source, out, archive=archive)
    return outcome


def _with_words(source: Source, archive: str | os.PathLike[str] | None) -> Source:
    """What an archive says of a result, where it holds it."""
    for row in pairdiff.open_shelf(archive).list_runs().rows:
        if row["run"] == source.number:
            return replace(source, words={name: row[name] for name in ("title", *WORDS)}, with_report=bool(row["report"]))
    return source


# ---------------------------------------------------------------- a shelf


def plan_shelf(archive: str | os.PathLike[str] | None, where: Sequence[str], wish: Wish, out: Path | None = None) -> list[Document]:
    """What redoing the runs of an archive would take; nothing is done.

    Parameters
    ----------
    archive, where : which runs.
    wish : what is to change.
    out : folder of the re-runs, where some may be done already.

    Returns
    -------
    list of dict
        `run`, `title`, `plan` (a key of `PLAN_WORDS`), `reasons`, `changes`.
    """
    found = []
    for row, source, plan in _look_through(archive, where, wish, out):
        state = plan.state if source is None or not _is_done(source, plan, out) else "was there"
        found.append(
            {"run": row["run"], "title": row["title"] or "", "plan": state, "reasons": list(plan.reasons), "changes": list(plan.changes)}
        )
    return found


def plan_folder(directory: Path, wish: Wish) -> Document:
    """The same of one folder."""
    source = read_folder(directory)
    plan = make_plan(source, wish)
    return {"run": source.number, "title": source.title, "plan": plan.state, "reasons": list(plan.reasons), "changes": list(plan.changes)}


def _is_done(source: Source, plan: Plan, out: Path | None) -> bool:
    return out is not None and plan.settings is not None and read_outcome(out / name_of_folder(source), _asked(source, plan)) is not None


def name_of_folder(source: Source) -> str:
    """Name of the folder for a new result: by the title, for people, and by the run that it redoes."""
    return f"{name_folder(source.title).rpartition('-')[0]}-{source.number[:RUN_SHOWN]}"


def _look_through(
    archive: str | os.PathLike[str] | None, where: Sequence[str], wish: Wish, out: Path | None
) -> Iterator[tuple[Row, Source | None, Plan]]:
    """Runs of an archive that meet the conditions, with what each takes; a run that another one redoes is left alone."""
    shelf = pairdiff.open_shelf(archive)
    every = shelf.list_runs()
    redone: dict[str, list[Row]] = {}
    for row in every.rows:
        redone.setdefault(row["redoes"] or "", []).append(row)
    for row in shelf.list_runs(where=where).rows if where else every.rows:
        assert shelf.archive is not None
        try:
            source = read_archived(shelf.archive, row)
        except InputRefused as refused:
            yield row, None, Plan("damaged", (str(refused),))
            continue
        plan = make_plan(source, wish)
        if not _is_done(source, plan, out):
            newer = next((one for one in redone.get(row["run"], []) if _wants_the_same(shelf.archive, one, wish, plan)), None)
            if newer is not None:
                plan = Plan("redone before", (f"by run {newer['run'][:RUN_SHOWN]}",))
            elif not plan.changes and plan.settings is not None and not wish.fresh:
                plan = replace(plan, state="up to date", reasons=())
        yield row, source, plan
    for spoilt in every.spoilt:
        yield {"run": "", "title": ""}, None, Plan("damaged", (spoilt,))


def _wants_the_same(archive: Archive, row: Row, wish: Wish, plan: Plan) -> bool:
    """Whether redoing that run would come to the settings of a plan: then the earlier run stands back for it, and else it does not."""
    try:
        return plan.settings is not None and want_settings(read_archived(archive, row).result, wish) == plan.settings
    except (InputRefused, UsageError):
        return False


def redo_shelf(
    archive: str | os.PathLike[str] | None, out: Path, wish: Wish, *, where: Sequence[str] = (), say: Say | None = None
) -> Document:
    """Redo the runs of an archive; one that cannot be redone stops no other, and what is done is not done again.

    Parameters
    ----------
    archive : where it lies.
    out : folder for a folder a run, and for `reruns.json`.
    wish : what is to change.
    where : conditions on runs.
    say : called with each line of progress.

    Returns
    -------
    dict
        `counts`, `protocols` and `runs`, those first whose label changed.

    Raises
    ------
    OutputRefused : the folder cannot be written, or is at work already.
    """
    out, tell = out.absolute(), undisturbed(say or silent)
    check_output(out)
    pairdiff.open_shelf(archive)  # refused before anything is made
    outcomes: list[Document] = []
    try:
        out.mkdir(parents=True, exist_ok=True)
        with only_one_at_work(out), heed_signals() as stop:
            found = list(_look_through(archive, where, wish, out))
            for number, (row, source, plan) in enumerate(found, 1):
                head = f"run {number} of {len(found)}: {show_title(row['title'] or '')}"
                if stop.asked:
                    outcomes.append(_row_outcome(row, "interrupted", plan))
                    continue
                if source is None or plan.state not in HOW_WORDS:
                    outcomes.append(_row_outcome(row, plan.state, plan))
                    continue
                done = _is_done(source, plan, out)
                tell(f"{head}, {PLAN_WORDS['was there'] if done else HOW_WORDS[plan.state]}")
                outcomes.append(_redo_archived(source, plan, wish, out, archive=archive, say=tell, stop=stop))
                if not done:
                    tell(f"{head}: {_say_outcome(outcomes[-1])}")
        summary = summarise(outcomes)
        write_object(out / SUMMARY, summary, readable=True)
    except OSError as error:
        raise OutputRefused(f"Cannot write to {out}: {error.strerror or error}. Name another folder with --out.") from error
    return summary


def _redo_archived(
    source: Source, plan: Plan, wish: Wish, out: Path, *, archive: str | os.PathLike[str] | None, say: Say, stop: Stop
) -> Document:
    folder = out / name_of_folder(source)
    outcome = redo(source, plan, wish, folder, say=say, stop=stop)
    if outcome["state"] == "done" and ((outcome.get("kept") or {}).get("run") is None):
        outcome = keep_redone(outcome, source, folder, archive=archive)
    return outcome


def _row_outcome(row: Row, state: str, plan: Plan) -> Document:
    return {
        "schema": RERUN_SCHEMA,
        "title": row["title"] or "",
        "state": state,
        "how": None,
        "reasons": list(plan.reasons),
        "source": {"run": row["run"], "folder": ""},
        "changes": list(plan.changes),
        "message": " ".join(plan.reasons),
    }


def summarise(outcomes: Sequence[Document]) -> Document:
    """What became of the runs of a shelf, those first whose label changed, then those of which most moved."""

    def place(one: Document) -> tuple[int, int]:
        if one["state"] != "done":
            return (3 if one["state"] in NOT_REDONE else 4, 0)
        return (0 if one["label_changed"] else 1 if one["moved"] else 2, -one["moved"])

    counts = Counter(one["state"] for one in outcomes)
    done = [one for one in outcomes if one["state"] == "done"]
    return {
        "schema": SUMMARY_SCHEMA,
        "version": pairdiff.__version__,
        "counts": {
            **{state.replace(" ", "_"): counts[state] for state in ("done", *NOT_REDONE, "interrupted", "up to date", "redone before")},
            "from_stored": sum(one["how"] == "stored" for one in done),
            "from_files": sum(one["how"] == "files" for one in done),
            "labels_changed": sum(one["label_changed"] for one in done),
            "nothing_moved": sum(one["same_result"] for one in done),
            "not_kept": sum((one["kept"] or {}).get("state") == "refused" for one in done),
        },
        "protocols": _protocols(done),
        "runs": sorted(outcomes, key=place),
    }


def _protocols(done: Sequence[Document]) -> list[Document]:
    """Protocols of the new runs that are other ones than those of the runs that they redo."""
    found: dict[tuple[str, str], Document] = {}
    for one in done:
        protocol = one["protocol"]
        if protocol["before"] != protocol["after"]:
            held = found.setdefault((protocol["before"], protocol["after"]), protocol | {"runs": 0})
            held["runs"] += 1
    return list(found.values())


def exit_code_of(summary: Mapping[str, Any]) -> int:
    """What a re-run of a shelf ends with."""
    counts = summary["counts"]
    if counts["interrupted"]:
        return INTERRUPTED
    return PairsFailed.exit_code if counts["not_kept"] or any(counts[one.replace(" ", "_")] for one in NOT_REDONE) else 0


# ---------------------------------------------------------------- in words


def outcome_in_words(outcome: Document) -> str:
    """One re-run in words: how it was done, what changed, what moved and why, and where it lies."""
    lines = [f"{show_title(outcome['title'])}: {_say_how(outcome)}"]
    lines += ["Changed: " + "; ".join(map(say_change, outcome["changes"])) if outcome["changes"] else "Changed: nothing that is recorded."]
    label = next(one for one in outcome["figures"] if one["figure"] == "label")
    labels = [show_text(label[one]) for one in ("before", "after")]
    lines += [f"Label: {labels[0]} -> {labels[1]}" if label["state"] != "same" else f"Label: {labels[0]}, as it was."]
    lines += ["", *figures_in_words(outcome["figures"])]
    if outcome["elsewhere"]:
        lines.append(f"Beside them: {', '.join(map(show_text, outcome['elsewhere']))}.")
    elif outcome["same_result"]:
        lines.append("Nothing moved: the new result is the earlier one, to the last digit, but for the record of the run.")
    lines += ["", *_say_protocol(outcome["protocol"])]
    kept = outcome["kept"]
    if kept is not None:
        told = {"refused": f"Not kept: {show_text(kept['message'])}", "the same run": "Kept: it is the same run as the earlier one."}
        tie = f"Kept as run {str(kept['run'])[:RUN_SHOWN]}, which redoes {outcome['source']['run'][:RUN_SHOWN]}."
        lines.append(told.get(kept["state"], tie))
    return "\n".join([*lines, f"Earlier: {show_text(outcome['source']['folder'])}", f"Report: {show_text(outcome['folder'])}/report.html"])


def _say_how(outcome: Document) -> str:
    reasons = "; ".join(map(show_text, outcome["reasons"]))
    return f"{HOW_WORDS[outcome['how']]}{f', since {reasons}' if reasons else ''}."


def _say_protocol(protocol: Document) -> list[str]:
    if protocol["before"] == protocol["after"]:
        return ["Protocol: the same, so that both results are ranked together."]
    differs = "; ".join(map(show_text, protocol["differs"]))
    return [f"Protocol: another one ({differs}). A shelf lists both results and ranks them apart."]


def summary_in_words(summary: Mapping[str, Any], *, out: Path) -> str:
    """The re-run of a shelf in words: a line a run, labels that changed first; what was not redone; the protocols."""
    runs, counts = summary["runs"], summary["counts"]
    done = [one for one in runs if one["state"] == "done"]
    lines: list[str] = []
    if done:
        heads = ["title", "run", "new run", "label", "headroom", "moved", "how"]
        lines += [*pad_columns([heads, *map(_cells, done)]), ""]
    rest = [one for one in runs if one["state"] in (*NOT_REDONE, "interrupted")]
    lines += [f"{show_title(one['title'])} {one['source']['run'][:RUN_SHOWN]}: {_say_outcome(one)}" for one in rest]
    lines += [
        f"{show_title(one['title'])} {one['source']['run'][:RUN_SHOWN]}: not kept: {show_text(one['kept']['message'])}"
        for one in done
        if (one["kept"] or {}).get("state") == "refused"
    ]
    for one in summary["protocols"]:
        differs = "; ".join(map(show_text, one["differs"]))
        apart = f"ranked apart from those of {one['before']} ({differs})"
        lines.append(f"Protocol {one['after']}: {one['runs']} new run(s), {apart}; both stay listed.")
    said = [f"{count} {name.replace('_', ' ')}" for name, count in counts.items() if count or name in ("done", "labels_changed")]
    return "\n".join([*lines, f"Runs: {', '.join(said)}.", f"Summary: {out / SUMMARY}"])


def _cells(one: Document) -> list[str]:
    label, stops = (next(found for found in one["figures"] if found["figure"] == name) for name in ("label", "headroom_stops"))
    labels = show_text(label["before"] if label["state"] == "same" else f"{label['before']} -> {label['after']}")
    values = [NO_VALUE if value is None else say_plain(say_stops(value)) for value in (stops["before"], stops["after"])]
    beyond = " (beyond)" if stops["state"] == "beyond" else ""
    shown = values[0] if stops["state"] in ("same", "not shown") else f"{values[0]} -> {values[1]}{beyond}"
    run = (one["kept"] or {}).get("run") or one["run"]
    moved = str(one["moved"]) if one["moved"] else "nothing" if one["same_result"] else "no figure"
    return [show_title(one["title"]), one["source"]["run"][:RUN_SHOWN], run[:RUN_SHOWN], labels, shown, moved, HOW_WORDS[one["how"]]]


def _say_outcome(one: Document) -> str:
    if one["state"] == "done":
        moved = f"{one['moved']} figures moved" if one["moved"] else "nothing moved" if one["same_result"] else "no figure moved"
        return f"done, {moved}{', the label too' if one['label_changed'] else ''}"
    message = show_text(one.get("message", ""))
    return f"{PLAN_WORDS.get(one['state'], one['state'])}{f': {message}' if message else ''}"


def plan_in_words(plans: Sequence[Document]) -> str:
    """What runs would take, in words."""
    lines = []
    for one in plans:
        lines.append(f"{show_title(one['title'])} {one['run'][:RUN_SHOWN]}: {PLAN_WORDS[one['plan']]}")
        lines += [f"  changed: {say_change(change)}" for change in one["changes"]]
        lines += [f"  {show_text(reason)}" for reason in one["reasons"]]
    counts = Counter(PLAN_WORDS[one["plan"]].partition(":")[0] for one in plans)
    said = ", ".join(f"{count} {words}" for words, count in counts.items())
    return "\n".join([*lines, f"Runs: {len(plans)}{f' ({said})' if said else ''}. Nothing was run."])
