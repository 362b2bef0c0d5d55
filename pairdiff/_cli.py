"""The command line: thin, each command is one call of the front door.

Results go to standard output, everything else (progress, refusals) to standard error. Exit codes: 0 done, 2 bad usage, 3 input
refused, 4 unrelated films, 5 output cannot be written, 6 a bundle is not as it was written, 7 some pairs of a batch or some runs of a
re-run failed and the rest is done, 8 a cluster that cannot be worked on, 130 interrupted, 1 a fault of the installation or of pairdiff
itself.

The fields of `Settings` that a command works by are its options; they are made from the record, so there is one list only. A settings
file may state all of them to any command.
"""

from __future__ import annotations

import errno
import functools
import inspect
import io
import json
import os
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from datetime import timedelta
from pathlib import Path
from time import monotonic
from types import TracebackType
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

import pairdiff
from pairdiff._beat import announce_limits
from pairdiff._checks import read_length_s
from pairdiff._errors import OutputRefused, PairdiffError, UsageError
from pairdiff._settings import Settings
from pairdiff._settings_file import make_settings, say_option, setting_kinds, state_settings
from pairdiff._time_left import TimeLeft, say_left
from pairdiff._watch import INTERRUPTED, KEPT, say

if TYPE_CHECKING:
    from pairdiff.shelf.kept_run import KeptRun
    from pairdiff.shelf.listing import WordTable

FAULT = 1
WIDE_COLUMNS = 120
"""Terminals as wide as this have room for the longest stage beside a long bar (own)."""
TELL_EVERY_S = 60.0
"""How often a long stage says where it is, where there is no terminal, seconds (own)."""

GROUPS_OF = {"measure": ("signal", "limits"), "align": ("signal", "matching", "canvas", "limits")}
"""Groups of settings that a command works by; every group where it is not listed."""

app = typer.Typer(
    name="pairdiff",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Compare the HDR and the SDR release of a film and say, with evidence, whether the HDR one shows more.",
    epilog="Exit codes: 0 done, 1 a fault of pairdiff or its installation, 2 bad usage, 3 input refused, 4 unrelated films, "
    "5 output cannot be written, 6 a bundle is not as it was written, 7 some pairs of a batch or re-run failed, "
    "8 a cluster cannot be worked on, 130 interrupted.",
)

WHAT = "a video file, several joined by plus signs (A+B), one picture, or numbered ones (folder or pattern)"
Hdr = Annotated[Path, typer.Argument(metavar="HDR", help=f"The HDR release (PQ or HLG): {WHAT}.", show_default=False, readable=False)]
Sdr = Annotated[Path, typer.Argument(metavar="SDR", help=f"The SDR release: {WHAT}.", show_default=False, readable=False)]
AsJson = Annotated[bool, typer.Option("--json", help="Print the result document on standard output, and nothing else there.")]
Fresh = Annotated[bool, typer.Option("--fresh", help="Ignore anything kept from earlier runs.")]
Full = Annotated[bool, typer.Option("--full", help="Look at everything: no sampling error, much slower.")]
Survey = Annotated[
    bool | None,
    typer.Option(
        "--survey/--no-survey",
        help="Look at short windows spread over the films until the label is settled (what is done from five minutes on); or read every "
        "frame and score some of each shot.",
        show_default=False,
    ),
]
Budget = Annotated[
    str | None,
    typer.Option("--budget", metavar="TIME", help="Longest that a survey goes on looking: 90s, 5m.", show_default=False),
]
HashWhole = Annotated[bool, typer.Option("--hash", help="Identify the files by a hash of all their bytes, not of sampled blocks.")]
Archive = Annotated[
    Path | None,
    typer.Option("--archive", metavar="PATH", help="Folder of the archive; the user's data folder if not given.", show_default=False),
]
Where = Annotated[
    list[str] | None,
    typer.Option(
        "--where",
        metavar="CONDITION",
        help="Only runs for which it holds: headroom>1.5, notice>=80%, label=wider-range, year>=2019, title~harbour; repeatable.",
        show_default=False,
    ),
]
Title = Annotated[str | None, typer.Option("--title", metavar="T", help="Title of the film", show_default=False)]
Edition = Annotated[str | None, typer.Option("--edition", metavar="TEXT", help="Edition, for the archive: 4K disc.", show_default=False)]
Region = Annotated[str | None, typer.Option("--region", metavar="TEXT", help="Region or country, for the archive.", show_default=False)]
Year = Annotated[int | None, typer.Option("--year", metavar="YEAR", help="Year of the film, for the archive.", show_default=False)]
Notes = Annotated[str | None, typer.Option("--notes", metavar="TEXT", help="Notes of yours, for the archive.", show_default=False)]
WithReport = Annotated[bool, typer.Option("--with-report", help="Copy report, card and stills into the archive too.")]
Out = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder that the result is written to.", show_default=False)]

# ---------------------------------------------------------------- settings as options


def _option_of(name: str, metadata: Mapping[str, Any], default: Any) -> inspect.Parameter:
    kind: Any = Literal[metadata["choices"]] if metadata["choices"] else setting_kinds()[name]
    info = typer.Option(
        say_option(name),
        help=metadata["help"],
        show_default=_default_in_words(metadata, default),
        rich_help_panel=f"Settings: {metadata['group']}",
    )
    return inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=None, annotation=Annotated[kind | None, info])


def _default_in_words(metadata: Mapping[str, Any], default: Any) -> str:
    if default is None:
        return "as the file says" if metadata["group"] == "signal" else "not stated"
    return f"{default}; {'own choice' if metadata['origin'] == 'own' else metadata['origin']}"


def _settings_parameters(groups: tuple[str, ...]) -> list[inspect.Parameter]:
    words = "Settings file (TOML, flat `name = value`); options win over it."
    file = typer.Option("--settings", metavar="FILE", help=words, show_default=False)
    stated = inspect.Parameter("settings_file", inspect.Parameter.KEYWORD_ONLY, default=None, annotation=Annotated[Path | None, file])
    return [stated, *(_option_of(one.name, one.metadata, one.default) for one in fields(Settings) if one.metadata["group"] in groups)]


def _debug_parameter() -> inspect.Parameter:
    info = typer.Option("--debug", help="Show the full trace of an error (also: PAIRDIFF_DEBUG=1).")
    return inspect.Parameter("debug", inspect.Parameter.KEYWORD_ONLY, default=False, annotation=Annotated[bool, info])


def _find_earlier(out: Path | None) -> Path | None:
    """A result that lies in the output folder before the run."""
    found = None if out is None else out / "result.json"
    return found if found is not None and found.is_file() else None


def _command(function: Callable[..., None]) -> Callable[..., None]:
    """Register a command."""
    run = _with_options(function)
    app.command()(run)
    return run


def _with_options(function: Callable[..., None]) -> Callable[..., None]:
    """What a command runs; its `settings` parameter, where it has one, becomes `--settings` and an option for each field it works by.

    `changes` in its place takes those alone that are stated, as a mapping.
    """
    groups = GROUPS_OF.get(function.__name__, tuple({one.metadata["group"]: None for one in fields(Settings)}))
    own = dict(inspect.signature(function, eval_str=True).parameters)
    takes_settings, takes_changes = (own.pop(name, None) is not None for name in ("settings", "changes"))
    names = [one.name for one in fields(Settings) if one.metadata["group"] in groups]

    @functools.wraps(function)
    def run(**stated: Any) -> None:
        debug = stated.pop("debug") or bool(os.environ.get("PAIRDIFF_DEBUG"))
        with _Refusals(debug=debug, earlier=_find_earlier(stated.get("out"))):
            if takes_settings:
                file, overrides = stated.pop("settings_file"), {name: stated.pop(name) for name in names}
                stated["settings"] = settings = make_settings(file, overrides)
                announce_limits(limit_s=settings.decode_limit_s, memory_limit_bytes=settings.memory_limit_gib * 2**30)
            elif takes_changes:
                file, overrides = stated.pop("settings_file"), {name: stated.pop(name) for name in names}
                stated["changes"] = state_settings(file, overrides)
            function(**stated)

    added = [*(_settings_parameters(groups) if takes_settings or takes_changes else ()), _debug_parameter()]
    parameters = [one.replace(kind=inspect.Parameter.KEYWORD_ONLY) for one in own.values()] + added
    run.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
    run.__annotations__ = {one.name: one.annotation for one in parameters}
    return run


# ---------------------------------------------------------------- commands


def _print_version(wanted: bool) -> None:
    if wanted:
        _print(f"pairdiff {pairdiff.__version__}")
        raise typer.Exit


@app.callback()
def _top(
    version: Annotated[bool, typer.Option("--version", callback=_print_version, is_eager=True, help="Print the version and end.")] = False,
) -> None:
    """Give the program its options that belong to no command."""


@_command
def demo(
    pair: Annotated[str, typer.Option("--pair", metavar="NAME", help="Which demo pair; `all` for every one.")] = "container",
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for the demo files and reports.")] = Path("pairdiff-demo"),
) -> None:
    """Make the demo releases as real video files, compare them, say where the report is."""
    from pairdiff._demo import PAIRS, make_demo
    from pairdiff.writeup.words import comparison_in_words

    if pair not in (*PAIRS, "all"):
        raise UsageError(f"--pair: found {pair!r}, expected one of {', '.join(PAIRS)}, all.")
    wanted = PAIRS if pair == "all" else (pair,)
    with _Progress() as progress:
        files = make_demo(out / "releases", pairs=wanted, progress=progress)
    for name in wanted:
        with _Progress() as progress:
            comparison = pairdiff.compare(files.hdr[name], files.sdr, out=out / name, title=f"Demo: {name}", progress=progress)
        _print(comparison_in_words(comparison, out=out / name), "")


@_command
def compare(
    hdr: Hdr,
    sdr: Sdr,
    out: Out,
    settings: Settings,
    title: Title = None,
    full: Full = False,
    survey: Survey = None,
    budget: Budget = None,
    fresh: Fresh = False,
    hash_whole: HashWhole = False,
    as_json: AsJson = False,
    keep_run: Annotated[bool, typer.Option("--keep", help="Keep the run in the archive, for `pairdiff shelf`.")] = False,
    archive: Archive = None,
    edition: Edition = None,
    region: Region = None,
    year: Year = None,
    notes: Notes = None,
    with_report: WithReport = False,
) -> None:
    """Compare two releases of a film and write the report."""
    _refuse_both(full, survey)
    stated = {"archive": archive, "edition": edition, "region": region, "year": year, "notes": notes, "with_report": with_report or None}
    if keep_run:
        pairdiff.check_keeping(archive=archive, year=year)  # what cannot be kept is refused before the films are read
    elif given := [name for name, value in stated.items() if value is not None]:
        raise UsageError(f"--{given[0].replace('_', '-')} says something of a run that is kept: found it without --keep, add that.")
    budget_s = None if budget is None else read_length_s(budget)
    with _Progress() as progress:
        comparison = pairdiff.compare(
            hdr,
            sdr,
            settings=settings,
            out=out,
            title=title,
            full=full,
            survey=survey,
            budget_s=budget_s,
            fresh=fresh,
            hash_whole=hash_whole,
            progress=progress,
        )
    if as_json:
        from pairdiff.writeup.document import comparison_to_document

        _print_json(comparison_to_document(comparison))
    else:
        from pairdiff.writeup.words import comparison_in_words

        _print(comparison_in_words(comparison, out=out))
    if keep_run:
        try:
            kept = pairdiff.keep(out, archive=archive, edition=edition, region=region, year=year, notes=notes, with_report=with_report)
        except PairdiffError as refused:
            raise type(refused)(f"{refused} The result is written; `pairdiff keep {out}` tries again to keep it.") from refused
        say(_kept_in_words(kept))


@_command
def measure(
    release: Annotated[Path, typer.Argument(metavar="RELEASE", help=f"HDR or SDR: {WHAT}.", show_default=False, readable=False)],
    settings: Settings,
    full: Full = False,
    survey: Survey = None,
    fresh: Fresh = False,
    hash_whole: HashWhole = False,
    as_json: AsJson = False,
) -> None:
    """Measure the light levels of one release and list what it says about itself."""
    _refuse_both(full, survey)
    with _Progress() as progress:
        measurement = pairdiff.measure(
            release, settings=settings, full=full, survey=survey, fresh=fresh, hash_whole=hash_whole, progress=progress
        )
    if as_json:
        from pairdiff.writeup.document import measurement_to_document

        _print_json(measurement_to_document(measurement))
    else:
        from pairdiff.writeup.words import measurement_in_words

        _print(measurement_in_words(measurement))


@_command
def align(
    hdr: Hdr,
    sdr: Sdr,
    settings: Settings,
    fresh: Fresh = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="DIR", help="Folder for edit_map.csv, partners.csv and edit_map.otio (OpenTimelineIO).", show_default=False
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Find which frame of one release belongs to which frame of the other."""
    with _Progress() as progress:
        alignment = pairdiff.align(hdr, sdr, settings=settings, fresh=fresh, progress=progress)
    written: tuple[Path, ...] = ()
    if out is not None:
        from pairdiff.writeup.edit_list import write_edit_map

        written = write_edit_map(alignment, out, hdr=hdr, sdr=sdr)
    if as_json:
        from pairdiff.writeup.document import alignment_to_document

        _print_json(alignment_to_document(alignment))
    else:
        from pairdiff.writeup.edit_list import draw_edit_map
        from pairdiff.writeup.words import alignment_in_words

        _print(alignment_in_words(alignment), "", draw_edit_map(alignment), *(f"Written: {path}" for path in written))


@_command
def stills(
    hdr: Hdr,
    sdr: Sdr,
    out: Out,
    at: Annotated[
        list[str],
        typer.Option("--at", metavar="TIME", show_default=False, help="HDR film time h:mm:ss.mmm or HDR frame f123; repeatable."),
    ],
    settings: Settings,
) -> None:
    """Write stills of moments you name, both sides and the same exposure bracket of both."""
    from pairdiff.writeup.words import moment_in_words

    with _Progress() as progress:
        moments = pairdiff.save_stills(hdr, sdr, at=at, out=out, settings=settings, progress=progress)
    for one in moments:
        if one.shot < 0:
            say(f"Warning: HDR frame f{one.hdr_frame} lies outside the matched passages: the two sides may not show the same moment.")
    rows = [f"  {moment_in_words(one)}" for one in moments]
    _print(f"Moments drawn: {len(moments)}", *rows, f"Stills: {out}")


@_command
def report(
    directory: Annotated[Path, typer.Argument(metavar="DIR", help="Folder that `compare` wrote.", show_default=False)],
) -> None:
    """Draw the report again from stored results; no video is needed."""
    _print(f"Report: {pairdiff.report(directory)}")


@_command
def bundle(
    directory: Annotated[Path, typer.Argument(metavar="DIR", help="Folder that `compare` wrote.", show_default=False)],
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="The folder to make; DIR/bundle if not given.", show_default=False)
    ] = None,
    credit: Annotated[str, typer.Option("--credit", metavar="TEXT", help="Credit line of every picture.", show_default=False)] = "",
    width: Annotated[
        list[int] | None,
        typer.Option("--width", metavar="PIXELS", help="Width of pictures; repeatable. 1280 and 640 if not given.", show_default=False),
    ] = None,
) -> None:
    """Make a folder to upload: page, pictures of several widths, texts for them, checksums."""
    stated = {"widths": width} if width else {}
    page = pairdiff.make_bundle(directory, directory / "bundle" if out is None else out, credit=credit, **stated)
    uncredited = () if credit else ("No credit line was given (--credit TEXT): the pictures and texts.txt name no owner.",)
    _print(
        f"Page: {page}",
        *uncredited,
        "Whether stills may be published, and how they are credited, is a matter of local law: ask someone licensed to advise on it.",
    )


@_command
def verify(
    directory: Annotated[Path, typer.Argument(metavar="FOLDER", help="What `bundle` made, or a copy of it.", show_default=False)],
) -> None:
    """Say whether the pictures and figures of a bundle are still what was written, or hold the same light at least."""
    from pairdiff.writeup.words import checks_in_words

    checks = pairdiff.verify_bundle(directory)
    broken = sum(not one.holds for one in checks)
    _print(checks_in_words(checks))
    if broken:
        raise pairdiff.NotAsWritten(
            f"{broken} of {len(checks)} files are not what was written. Upload them again, or make the bundle again."
        )
    _print("What was written still holds.")


@_command
def keep(
    directory: Annotated[Path, typer.Argument(metavar="DIR", help="Folder that `compare` wrote.", show_default=False)],
    archive: Archive = None,
    title: Title = None,
    edition: Edition = None,
    region: Region = None,
    year: Year = None,
    notes: Notes = None,
    with_report: WithReport = False,
) -> None:
    """Keep a run in the archive, with the words of its batch, or correct one that was kept: words stated take the place of earlier ones."""
    kept = pairdiff.keep(
        directory, archive=archive, title=title, edition=edition, region=region, year=year, notes=notes, with_report=with_report
    )
    _print(_kept_in_words(kept))


shelf_app = typer.Typer(name="shelf")
app.add_typer(shelf_app)


@shelf_app.callback(invoke_without_command=True)
@_with_options
def shelf(
    context: typer.Context,
    archive: Archive = None,
    where: Where = None,
    sort: Annotated[
        str | None,
        typer.Option(
            "--sort",
            metavar="FIGURE",
            help="Rank by headroom, notice, notice-share, loss, recovered, colour, shadows or another column; by title if not given.",
            show_default=False,
        ),
    ] = None,
    reverse: Annotated[bool, typer.Option("--reverse", help="The other way round.")] = False,
    limit: Annotated[
        int | None, typer.Option("--limit", metavar="N", help="Most runs of a list, or of each protocol of a ranking.", show_default=False)
    ] = None,
    beside: Annotated[
        list[str] | None,
        typer.Option("--compare", metavar="RUN", help="Set runs beside each other, by their numbers; repeat it.", show_default=False),
    ] = None,
    as_json: AsJson = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print the runs as CSV, and nothing else there.")] = False,
) -> None:
    """List, rank and compare the runs in the archive; runs that were measured otherwise are never ranked against each other."""
    if context.invoked_subcommand is not None:
        if stated := _stated_options(context):
            raise UsageError(
                f"{stated[0]} stands before `{context.invoked_subcommand}`, and belongs to the list: write it behind that word."
            )
        return
    from pairdiff.shelf import listing as lists

    if as_json and as_csv:
        raise UsageError("--json and --csv exclude each other: found both, give one of them or neither.")
    if beside and (where or sort or reverse or limit is not None):
        raise UsageError("--compare names its runs: found --where, --sort, --reverse or --limit beside it, leave them out.")
    opened = pairdiff.open_shelf(archive)
    for note in opened.notes:
        say(f"Note: {note}")
    if beside:
        rows = opened.find_runs(beside)
        facts = lists.facts_of(rows)
        document, tables = lists.rows_to_document(rows, facts), [lists.compare_rows(rows, facts)]
    else:
        found = opened.list_runs(where=where or (), sort=sort, reverse=reverse, limit=limit)
        rows, document, tables = found.rows, lists.listing_to_document(found), lists.tables_of(found)
        for one in found.spoilt:
            say(f"Warning: {one}; it is left out.")
        if not found.found:
            nothing = "Nothing is kept yet; `pairdiff keep DIR` keeps a run."
            say(f"{opened.folder}: {'No run meets the conditions.' if where and opened.list_runs().found else nothing}")
    if as_json:
        _print_json(document)
    elif as_csv:
        _print(lists.rows_to_csv(rows).rstrip("\r\n"))
    else:
        _print_tables(tables)


def _stated_options(context: typer.Context) -> list[str]:
    """Options of a command that were given, as they are typed."""
    return [one.opts[0] for one in context.command.params if context.params.get(one.name or "") not in (None, False, [], ())]


@shelf_app.command("report")
@_with_options
def shelf_report(
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The page, whose name ends in .html.")] = Path("shelf.html"),
    archive: Archive = None,
    where: Where = None,
) -> None:
    """Write the shelf as one page: the field of titles, how common their figures are, search, filters, a table."""
    opened = pairdiff.open_shelf(archive)
    for note in opened.notes:
        say(f"Note: {note}")
    _print(f"Page: {opened.report(out, where=where or ())}")


def _kept_in_words(kept: KeptRun) -> str:
    """What became of a run that was to be kept; what was done to the archive goes to standard error."""
    from pairdiff.shelf.listing import RUN_SHOWN, show_text

    for note in kept.notes:
        say(f"Note: {note}")
    changed = f"was kept before; changed now: {', '.join(kept.changed)}"
    states = {"kept": "kept", "changed": changed, "as it was": "was kept before, and nothing was to be changed"}
    return f"Run {kept.run[:RUN_SHOWN]} ({show_text(kept.title)[:80]}) {states[kept.state]}. Archive: {kept.archive}"


def _print_tables(tables: Sequence[WordTable]) -> None:
    """Tables on a terminal, as wide as it is; columns with blanks between them elsewhere."""
    from pairdiff.shelf.listing import fit_table, plain_table

    if not sys.stdout.isatty():
        for number, table in enumerate(tables):
            _print(*([""] if number else []), plain_table(table))
        return
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console(highlight=False, markup=False, emoji=False)
    for table in (fit_table(one, console.width) for one in tables):
        drawn = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="bold")
        for place, head in enumerate(table.heads):
            side: Literal["left", "right"] = "right" if place in table.numbers else "left"
            drawn.add_column(Text(head), justify=side, no_wrap=table.flexible is not None, overflow="fold")
        for row in table.rows:
            drawn.add_row(*(Text(cell) for cell in row))
        with console.capture() as shown:
            console.print(Text(table.caption))
            console.print(drawn)
        _print(shown.get())


@_command
def batch(
    manifest: Annotated[Path, typer.Argument(metavar="MANIFEST", help="The pairs (TOML): the README has an example.", show_default=False)],
    out: Annotated[
        Path, typer.Option("--out", metavar="FOLDER", help="Folder for a folder of results a pair, and summary.json.", show_default=False)
    ],
    only: Annotated[
        list[str] | None, typer.Option("--only", metavar="TITLE", help="Work on this title alone; repeatable.", show_default=False)
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would be done, and do nothing.")] = False,
    fresh: Annotated[bool, typer.Option("--fresh", help="Measure again what is done, and ignore anything kept from earlier runs.")] = False,
    dask: Annotated[
        str | None,
        typer.Option(
            "--dask",
            metavar="ADDRESS",
            help="Work on the workers of this Dask scheduler (tcp://HOST:PORT), which find films and folder under the same paths.",
            show_default=False,
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print summary.json on standard output, and nothing else there.")] = False,
) -> None:
    """Compare all pairs of a manifest; one that fails stops no other, and what is done is not done again."""
    from pairdiff.shelf import batch as batches
    from pairdiff.shelf.manifest import read_manifest

    titles = tuple(only or ())
    found = read_manifest(manifest, only=titles)
    if dry_run:
        plan = batches.plan_batch(found, out, only=titles, fresh=fresh)
        _print_json({"pairs": plan}) if as_json else _print(batches.plan_in_words(plan, out=out))
        return
    work = None
    if dask is not None:
        from pairdiff.shelf.cluster import work_on_cluster

        work = functools.partial(work_on_cluster, address=dask)
    summary = batches.run_batch(found, out, only=titles, fresh=fresh, say=say, work=work)
    _print_json(summary) if as_json else _print(batches.summary_in_words(summary, out=out, only=titles))
    code, counts = batches.exit_code_of(summary), summary["counts"]
    if code == INTERRUPTED:
        say("Interrupted: the same command goes on where the batch was stopped.")
        raise typer.Exit(code)
    if code:
        raise pairdiff.PairsFailed(
            f"Failed: {counts['failed']}, not kept: {counts['not_kept']}, done: {counts['done']}. The same command tries those alone again."
        )


@_command
def rerun(
    changes: dict[str, Any],
    directory: Annotated[
        Path | None,
        typer.Argument(metavar="DIR", help="Folder that `compare` wrote; not with --shelf.", show_default=False),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", metavar="FOLDER", help="Folder for the new result; of a shelf for a folder a run.", show_default=False),
    ] = None,
    whole_shelf: Annotated[bool, typer.Option("--shelf", help="Go over the runs of the archive, all or those of --where.")] = False,
    archive: Archive = None,
    where: Where = None,
    hdr: Annotated[
        str | None, typer.Option("--hdr", metavar="PATH", help="Where the HDR release of DIR lies now.", show_default=False)
    ] = None,
    sdr: Annotated[
        str | None, typer.Option("--sdr", metavar="PATH", help="Where the SDR release of DIR lies now.", show_default=False)
    ] = None,
    look_in: Annotated[
        list[Path] | None,
        typer.Option("--look-in", metavar="FOLDER", help="Look for moved films here, by name and hash; repeatable.", show_default=False),
    ] = None,
    take_back: Annotated[
        list[str] | None,
        typer.Option("--take-back", metavar="NAME", help="A setting that is to be the default again; repeatable.", show_default=False),
    ] = None,
    keep_run: Annotated[bool, typer.Option("--keep", help="Keep the new result of DIR in the archive, tied to the earlier one.")] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say for each run what it would take, and do nothing.")] = False,
    fresh: Annotated[bool, typer.Option("--fresh", help="Measure the films anew, and ignore anything kept from earlier runs.")] = False,
    as_json: AsJson = False,
) -> None:
    """Work earlier results out again with this version or other settings, beside the earlier ones, and say what moved and why."""
    from pairdiff.shelf import rerun as reruns

    reruns.check_asked(
        directory=directory,
        out=out,
        whole_shelf=whole_shelf,
        archive=archive,
        where=where,
        keep=keep_run,
        dry_run=dry_run,
        given=(hdr, sdr),
    )
    wish = reruns.make_wish(changes, taken_back=take_back or (), fresh=fresh, given={"hdr": hdr, "sdr": sdr}, folders=look_in or ())
    if dry_run:
        plans = reruns.plan_shelf(archive, where or (), wish, out) if directory is None else [reruns.plan_folder(directory, wish)]
        _print_json({"runs": plans}) if as_json else _print(reruns.plan_in_words(plans))
        return
    assert out is not None
    if directory is not None:
        _rerun_folder(reruns.redo_folder(directory, out, wish, keep=keep_run, archive=archive, say=say), as_json=as_json)
        return
    summary = reruns.redo_shelf(archive, out, wish, where=where or (), say=say)
    _print_json(summary) if as_json else _print(reruns.summary_in_words(summary, out=out))
    code = reruns.exit_code_of(summary)
    if code == INTERRUPTED:
        say("Interrupted: the same command goes on where the re-run was stopped.")
        raise typer.Exit(code)
    if code:
        raise pairdiff.PairsFailed("Some runs were not redone, or not kept; the others are done. The same command tries those alone again.")


def _rerun_folder(outcome: dict[str, Any], *, as_json: bool) -> None:
    """Say what became of the re-run of one result, and end with its exit code."""
    from pairdiff.shelf.listing import show_text
    from pairdiff.shelf.rerun import outcome_in_words

    if outcome["state"] != "done":
        say("\n".join(map(show_text, (outcome["message"] or "The re-run was not completed.").splitlines())))
        raise typer.Exit(INTERRUPTED if outcome["state"] == "interrupted" else outcome.get("exit_code") or PairdiffError.exit_code)
    _print_json(outcome) if as_json else _print(outcome_in_words(outcome))
    if (outcome["kept"] or {}).get("state") == "refused":
        raise OutputRefused(f"The new result is written and not kept. {outcome['kept']['message']}")


def stretch(
    hdr: Hdr,
    sdr: Sdr,
    settings: Settings,
    into: Annotated[Path, typer.Option("--into", metavar="DIR", help="Folder for plan.json and the stretches.", show_default=False)],
    side: Annotated[Literal["hdr", "sdr"] | None, typer.Option("--side", help="Read this release.", show_default=False)] = None,
    number: Annotated[int, typer.Option("--number", help="The stretch to read, from 0.")] = 0,
    full: Full = False,
    survey: Survey = None,
    hash_whole: HashWhole = False,
) -> None:
    """Plan in what stretches a pair can be read, or, with a side, read one: `batch --dask` calls it."""
    from pairdiff.shelf.archive import write_object

    plan = into / "plan.json"
    with _Progress() as progress:
        if side is None:
            found = pairdiff.plan_stretches(hdr, sdr, settings=settings, full=full, survey=survey, hash_whole=hash_whole, progress=progress)
            write_object(plan, {"releases": found})
            return
        planned = json.loads(plan.read_text(encoding="utf-8"))["releases"]
        wanted = next((one for one in planned if one["side"] == side), None)
        if wanted is None or not 0 <= number < len(wanted["starts_s"]):
            raise UsageError(f"--side {side} --number {number}: {plan} has no such stretch.")
        path = hdr if side == "hdr" else sdr
        pairdiff.read_stretch(path, plan=wanted, number=number, into=into, settings=settings, hash_whole=hash_whole, progress=progress)


app.command(hidden=True)(_with_options(stretch))


def _refuse_both(full: bool, survey: bool | None) -> None:
    if full and survey:
        raise UsageError("--full and --survey exclude each other: found both, give one of them or neither.")


# ---------------------------------------------------------------- standard output, standard error, refusals


def _print(*lines: str) -> None:
    """Write lines to standard output; a reader that has gone away ends the output quietly."""
    try:
        print(*lines, sep="\n", flush=True)
    except BrokenPipeError:
        _drop_output()
    except OSError as error:
        _drop_output()
        raise OutputRefused(f"Standard output cannot be written ({error.strerror}): send it elsewhere.") from None


def _drop_output() -> None:
    """Point standard output at nothing, so that the flush at the program's end has nowhere to fail."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _print_json(document: Mapping[str, Any]) -> None:
    _print(json.dumps(document, indent=2, allow_nan=False))


class _Refusals:
    """Turns what goes wrong inside a command into one clear block on standard error and an exit code."""

    def __init__(self, *, debug: bool, earlier: Path | None = None) -> None:
        self._debug, self._earlier = debug, earlier
        self._state = None if earlier is None else earlier.stat()

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if error is None or isinstance(error, (typer.Exit, typer.Abort, SystemExit)):
            return
        if self._debug and not isinstance(error, KeyboardInterrupt):
            import traceback

            traceback.print_exception(error)
        message, code = _words_for(error)
        say(message)
        if self._state is not None and self._earlier is not None and self._earlier.is_file() and _is_same(self._earlier, self._state):
            say(f"Note: {self._earlier.parent} still holds the result of an earlier run, not of this one.")
        raise typer.Exit(code) from None


def _is_same(path: Path, state: os.stat_result) -> bool:
    """Whether a file is the one it was, and not one that was written in its place."""
    now = path.stat()
    return (now.st_ino, now.st_mtime_ns, now.st_size) == (state.st_ino, state.st_mtime_ns, state.st_size)


def _words_for(error: BaseException) -> tuple[str, int]:
    if isinstance(error, PairdiffError):
        return str(error), error.exit_code
    if isinstance(error, KeyboardInterrupt):
        return f"Interrupted: the result was not completed. {KEPT}", INTERRUPTED
    if isinstance(error, ImportError):
        return _words_for_missing(error), FAULT
    if isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EROFS, errno.EDQUOT):
        return f"The output cannot be written: {error}. Free some space or give another --out.", OutputRefused.exit_code
    if isinstance(error, MemoryError):
        return "Out of memory: close other programs, or lower --canvas-max-columns.", FAULT
    return f"A fault in pairdiff itself: {type(error).__name__}: {error}. Run again with --debug and report the trace.", FAULT


def _words_for_missing(error: ImportError) -> str:
    if any(word in f"{error} {error.name} {error.path}" for word in ("cv2", "libGL", "libglib", "libgthread", "libxcb", "libX11")):
        return (
            f"OpenCV cannot be loaded ({error}). Two ways out: install the system libraries it needs "
            "(Debian, Ubuntu: apt-get install libgl1 libglib2.0-0), or put the build without windows in its place "
            "(pip uninstall opencv-python, then pip install opencv-python-headless)."
        )
    if (error.name or "").partition(".")[0] in ("dask", "distributed"):
        return f"--dask needs Dask, which is not installed ({error}): pip install 'pairdiff[cluster]'."
    return f"A part of pairdiff cannot be loaded ({error}): install it again with `pip install --force-reinstall pairdiff`."


class _Progress:
    """Progress on standard error: a moving bar on a terminal, a line a stage and then one a minute elsewhere.

    Call it with (stage, done, total). Time left is of the stage: how long the stages behind it take is not known before they begin.
    """

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn
        from rich.table import Column

        console = Console(stderr=True)
        self._plain = not console.is_terminal
        count, left = TextColumn("{task.completed:.0f}"), TextColumn("{task.fields[left]}")
        narrow = console.width < WIDE_COLUMNS  # the stage gives way there, never how long it took and has left
        told = Column(no_wrap=True, overflow="ellipsis", max_width=max(console.width - 58, 16) if narrow else None)
        bar = BarColumn(bar_width=8 if narrow else 40)
        columns = (TextColumn("{task.description}", table_column=told), bar, count, TimeElapsedColumn(), left)
        self._bars = Progress(*columns, console=console, transient=True, disable=self._plain)
        self._tasks: dict[str, TaskID] = {}
        self._left: dict[str, TimeLeft] = {}
        self._stage = ""
        self._begun_s = self._told_s = monotonic()

    def __enter__(self) -> _Progress:
        self._bars.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._bars.stop()

    def __call__(self, stage: str, done: int, total: int | None) -> None:
        """Report that `done` of `total` steps of a stage are done; `total` is None where it is not known."""
        now_s, new = monotonic(), stage not in self._left
        left = self._left.setdefault(stage, TimeLeft())
        left.add(done, now_s=now_s)
        words = say_left(left.left_s(total))
        if self._plain:
            self._say(stage, f"{done / total:.0%}, {words} in this step" if total and words else "", now_s=now_s, new=new)
        else:
            self._draw(stage, done, total, left=f"{words} in this step" if words else "")

    def _say(self, stage: str, words: str, *, now_s: float, new: bool) -> None:
        """A line where a stage is new, and how far it is from time to time."""
        if new:
            say(stage)
        elif words and now_s - self._told_s >= TELL_EVERY_S:
            say(f"{stage}: {words}, {timedelta(seconds=round(now_s - self._begun_s))} since the start")
        else:
            return
        self._told_s = now_s

    def _draw(self, stage: str, done: int, total: int | None, *, left: str) -> None:
        if stage not in self._tasks:
            self._tasks[stage] = self._bars.add_task(stage, total=total, left="")
        if stage != self._stage and self._stage:  # the one before is over, whether it could say so or not
            self._bars.update(self._tasks[self._stage], left="")
            self._bars.stop_task(self._tasks[self._stage])
        self._stage = stage
        self._bars.update(self._tasks[stage], completed=done, total=total, left=left)


def main() -> int:
    """Run the command line.

    Returns
    -------
    int
        The exit code, as listed at the top of this file.
    """
    if isinstance(sys.stdout, io.TextIOWrapper):  # a path may hold bytes that are no text
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        code = app(prog_name="pairdiff", standalone_mode=False)
    except typer.TyperException as error:
        if message := error.format_message().rstrip(".").replace("Value error, ", ""):  # empty where the help page was the answer
            say(f"{message}. `pairdiff --help` and `pairdiff COMMAND --help` list what can be given.")
        return UsageError.exit_code
    except (KeyboardInterrupt, typer.Abort):
        say("Interrupted before the work began.")
        return INTERRUPTED
    except PairdiffError as error:
        say(str(error))
        return error.exit_code
    return code if isinstance(code, int) else 0
