"""Compare the HDR and the SDR release of a film and say, with evidence, whether the HDR one shows more.

The front door: everything a caller needs is an attribute of this package and is loaded on first use, so that
`import pairdiff` costs next to nothing.

    compare(hdr, sdr, settings=..., out=...)     two releases, from file to verdict
    compare_pictures(hdr_nits, sdr_signal)       two pictures (or stacks of them) already in memory
    measure(release)                             light levels and tags of one release
    align(hdr, sdr)                              which frame belongs to which
    save_stills(hdr, sdr, at=..., out=...)       stills of chosen moments
    report(directory)                            draw the report again from stored results
    make_bundle(directory, target)               a folder to upload, made from stored results
    verify_bundle(folder)                        whether what lies there is still what was made
    keep(directory)                              keep a run in the archive, or correct what is said of it
    check_stored, conclude_again                 whether what was measured once does for other settings, and what follows from it then
    open_shelf(path)                             the runs that were kept: lists, tables for a notebook
    place_release, check_release                 where a release lies that a list of films names, and whether it is there
    identify_release                             by what a result knows its files again
    plan_stretches, read_stretch, join_stretches   a long release read in stretches, on several machines
    check_words(settings=...)                    whether displays, anchors and passages in words can be read
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pairdiff._errors import (
        ClusterRefused,
        DecodeFailed,
        InputRefused,
        NotAsWritten,
        OutputRefused,
        PairdiffError,
        PairsFailed,
        SignalUnresolved,
        UnrelatedFilms,
        UsageError,
    )
    from pairdiff._pipeline import align, check_words, compare, measure, plan_stretches, read_stretch, report
    from pairdiff._pipeline import stills as save_stills
    from pairdiff._records import Alignment, Comparison, Measurement, Moment, PictureComparison, Release, Verdict
    from pairdiff._settings import Settings
    from pairdiff._settings_file import make_settings, settings_from_file, state_settings
    from pairdiff._stored import StoredFolder, StoredState, check_stored, conclude_again
    from pairdiff._stretches import join_stretches
    from pairdiff.clip.probe import check_release, identify_release, place_release
    from pairdiff.shelf.kept_run import KeptRun, check_keeping, keep
    from pairdiff.shelf.notebook import Shelf, open_shelf
    from pairdiff.verdict.pictures import compare_pictures
    from pairdiff.writeup.bundle import make_bundle, verify_bundle

    __version__: str

__all__ = [
    "Alignment",
    "ClusterRefused",
    "Comparison",
    "DecodeFailed",
    "InputRefused",
    "KeptRun",
    "Measurement",
    "Moment",
    "NotAsWritten",
    "OutputRefused",
    "PairdiffError",
    "PairsFailed",
    "PictureComparison",
    "Release",
    "Settings",
    "Shelf",
    "SignalUnresolved",
    "StoredFolder",
    "StoredState",
    "UnrelatedFilms",
    "UsageError",
    "Verdict",
    "__version__",
    "align",
    "check_keeping",
    "check_release",
    "check_stored",
    "check_words",
    "compare",
    "compare_pictures",
    "conclude_again",
    "identify_release",
    "join_stretches",
    "keep",
    "make_bundle",
    "make_settings",
    "measure",
    "open_shelf",
    "place_release",
    "plan_stretches",
    "read_stretch",
    "report",
    "save_stills",
    "settings_from_file",
    "state_settings",
    "verify_bundle",
]

# Attribute -> where it lives, "module:name". `save_stills` is not called `stills`: that is the name of a folder of the package.
_HOMES = {
    **dict.fromkeys(["align", "check_words", "compare", "measure", "plan_stretches", "read_stretch", "report"], "_pipeline"),
    **dict.fromkeys(["check_release", "identify_release", "place_release"], "clip.probe"),
    "compare_pictures": "verdict.pictures",
    "save_stills": "_pipeline:stills",
    "join_stretches": "_stretches",
    **dict.fromkeys(["make_bundle", "verify_bundle"], "writeup.bundle"),
    **dict.fromkeys(["KeptRun", "check_keeping", "keep"], "shelf.kept_run"),
    **dict.fromkeys(["Shelf", "open_shelf"], "shelf.notebook"),
    **dict.fromkeys(["Alignment", "Comparison", "Measurement", "Moment", "PictureComparison", "Release", "Verdict"], "_records"),
    "Settings": "_settings",
    **dict.fromkeys(["make_settings", "settings_from_file", "state_settings"], "_settings_file"),
    **dict.fromkeys(["StoredFolder", "StoredState", "check_stored", "conclude_again"], "_stored"),
    **dict.fromkeys(
        [
            "ClusterRefused",
            "DecodeFailed",
            "InputRefused",
            "NotAsWritten",
            "OutputRefused",
            "PairdiffError",
            "PairsFailed",
            "SignalUnresolved",
            "UnrelatedFilms",
            "UsageError",
        ],
        "_errors",
    ),
}

# Those that take `settings`: a record made by hand is checked here, as the settings file and the options are.
_TAKE_SETTINGS = (
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
)


def __getattr__(name: str) -> Any:
    if name == "__version__":
        value: Any = _installed_version()
    elif name in _HOMES:
        module, _, original = _HOMES[name].partition(":")
        value = getattr(import_module(f"pairdiff.{module}"), original or name)
        if name in _TAKE_SETTINGS:
            value = import_module("pairdiff._settings_file").check_at_the_door(value)
    else:
        raise AttributeError(f"module 'pairdiff' has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


def _installed_version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("pairdiff")
    except PackageNotFoundError:  # run from a folder that was never installed
        return "0+unknown"
