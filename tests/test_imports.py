"""Who may import whom: read from the syntax tree of every file, reported with file and line."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "pairdiff"
STAGES = ("clip", "frames", "light", "match", "score", "stills", "verdict", "writeup")
# Files that every stage may use.
GROUND = ("_records", "_settings", "_errors", "_checks", "_beat", "_tables", "_film_array", "_nameless_file", "_memory")
# Each big library has a home: the start of a file's path inside the package, or the end of its name.
HOMES = {
    "av": ("clip/", "frames/", "writeup/", "_demo/"),
    "typer": ("_cli.py",),
    "rich": ("_cli.py",),
    "jinja2": ("writeup/",),
    "matplotlib": ("writeup/",),
    "pyarrow": ("writeup/", "shelf/"),
    "duckdb": ("shelf/",),
    "distributed": ("shelf/cluster.py",),
    "pandas": ("shelf/",),
    "numba": ("_kernels.py",),
    "psutil": ("_watch.py",),
    "imagecodecs": ("clip/",),
    "pycvvdp": ("score/second_opinion.py",),
    "torch": ("score/second_opinion.py",),
}
# The archive stands outside the pipeline: it reads what was written, and no stage knows of it.
SHELF_READS = (
    ["verdict", "figures"],
    ["verdict", "rules"],
    ["writeup", "document"],
    ["writeup", "field"],
    ["writeup", "short_form"],
    ["writeup", "phrases"],
)
# What the shelf may use beside the front door: it is outside the pipeline.
BESIDE_THE_DOOR = ("", "shelf", "_settings_file", "_watch")
# These look at arrays only: no reading, no writing, no printing.
TOUCH_NO_FILES = ("match", "light", "score", "verdict")
FILE_MODULES = {"os", "pathlib", "shutil", "tempfile", "io", "subprocess"}


class Import(NamedTuple):
    line: int
    module: str


def imports_of(source: str, *, package: str) -> list[Import]:
    """Every import of a file as absolute module names; `from pairdiff import x` counts as `pairdiff.x`."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [Import(node.lineno, alias.name) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            above = ".".join(package.split(".")[: len(package.split(".")) - node.level + 1]) if node.level else ""
            base = ".".join(part for part in (above, node.module) if part)
            found += [Import(node.lineno, f"{base}.{alias.name}" if base == "pairdiff" else base) for alias in node.names]
    return found


def violations(source: str, path: str) -> list[str]:
    """What one file imports against the rules; `path` is relative to the package, such as `light/transfer.py`."""
    folder, _, _ = path.rpartition("/")
    package = ".".join(("pairdiff", *folder.split("/"))) if folder else "pairdiff"
    found = []
    for line, module in imports_of(source, package=package):
        parts = module.split(".")
        reason = _inside_reason(path, parts[1:]) if parts[0] == "pairdiff" else _library_reason(path, parts[0])
        if reason:
            found.append(f"pairdiff/{path}:{line}: imports {module}: {reason}")
    return found


def _inside_reason(path: str, target: list[str]) -> str | None:
    here = path.split("/")[0]
    name = target[0] if target else ""
    if here in STAGES:
        if name in STAGES and STAGES.index(name) > STAGES.index(here):
            return f"{here} comes before {name}"
        if name not in (*STAGES, *GROUND):
            return f"a stage imports stages before it and {', '.join(GROUND)} only"
    if here == "shelf" and name not in (*GROUND, *BESIDE_THE_DOOR) and target[:2] not in SHELF_READS:
        return "the shelf calls the front door and reads documents"
    if name == "shelf" and here not in ("shelf", "_cli.py", "__init__.py"):
        return "only the front door and the command line know of the shelf"
    if here == "_demo" and name in ("light", "score"):
        return "the demo is not made with what it is measured by"
    if here == "_cli.py" and name in STAGES and target[:2] not in (["writeup", "document"], ["writeup", "words"], ["writeup", "edit_list"]):
        return "the command line calls the front door"
    if here.removesuffix(".py") in GROUND and name not in GROUND:
        return "records, settings and errors stand below everything"
    return None


def _library_reason(path: str, library: str) -> str | None:
    homes = HOMES.get(library)
    if homes and not any(path.startswith(home) if home.endswith("/") else path.endswith(home) for home in homes):
        return f"its home is {', '.join(homes)}"
    if path.split("/")[0] in TOUCH_NO_FILES and library in FILE_MODULES:
        return f"{path.split('/')[0]} touches no files"
    return None


def test_every_import_goes_the_way_of_the_data() -> None:
    files = sorted(PACKAGE.rglob("*.py"))
    assert len(files) > 10
    found = [line for file in files for line in violations(file.read_text(encoding="utf-8"), file.relative_to(PACKAGE).as_posix())]
    assert not found, "\n".join(found)


def test_every_folder_is_a_stage_or_the_demo() -> None:
    folders = {file.relative_to(PACKAGE).parts[0] for file in PACKAGE.rglob("*.py") if file.parent != PACKAGE}
    assert folders <= {*STAGES, "shelf", "_demo"}


def test_no_file_of_the_package_is_a_drawer_for_anything() -> None:
    names = {file.stem.strip("_") for file in PACKAGE.rglob("*.py")}
    assert not names & {"utils", "util", "helpers", "helper", "common", "manager", "base", "misc"}


@pytest.mark.parametrize(
    ("path", "source", "words"),
    [
        ("light/ictcp.py", "import numpy\nfrom pairdiff.score.levels import level\n", "light/ictcp.py:2.*light comes before score"),
        ("clip/probe.py", "from pairdiff import frames\n", "clip/probe.py:1.*clip comes before frames"),
        ("clip/probe.py", "from ..frames import decode\n", "clip/probe.py:1.*clip comes before frames"),
        ("clip/probe.py", "def probe():\n    from pairdiff.writeup import html\n", "clip/probe.py:2.*clip comes before writeup"),
        ("score/setup.py", "from pairdiff._pipeline import compare\n", "a stage imports stages before it"),
        ("score/setup.py", "import pairdiff\n", "a stage imports stages before it"),
        ("light/ictcp.py", "import av.video\n", "its home is clip/"),
        ("_pipeline.py", "import typer\n", "its home is _cli.py"),
        ("score/tone.py", "from numba import njit\n", "its home is _kernels.py"),
        ("stills/draw.py", "import matplotlib.pyplot as plt\n", "its home is writeup/"),
        ("_demo/render.py", "from pairdiff.light.transfer import pq_to_nits\n", "the demo is not made with"),
        ("_cli.py", "from pairdiff.verdict.judge import judge\n", "calls the front door"),
        ("shelf/archive.py", "from pairdiff._pipeline import compare\n", "the shelf calls the front door"),
        ("shelf/archive.py", "from pairdiff.score.tone import x\n", "the shelf calls the front door"),
        ("writeup/html.py", "from pairdiff.shelf.archive import Archive\n", "a stage imports stages before it"),
        ("_pipeline.py", "from pairdiff.shelf.kept_run import keep\n", "only the front door and the command line"),
        ("_cli.py", "import duckdb\n", "its home is shelf/"),
        ("_records.py", "from pairdiff.clip import probe\n", "stand below everything"),
        ("shelf/batch.py", "from pairdiff.writeup.html import render_report\n", "the shelf calls the front door"),
        ("shelf/batch.py", "from pairdiff import _pipeline\n", "the shelf calls the front door"),
        ("writeup/html.py", "from pairdiff.shelf.manifest import Pair\n", "a stage imports stages before it"),
        ("verdict/judge.py", "from pathlib import Path\n", "verdict touches no files"),
    ],
)
def test_a_planted_violation_is_found(path: str, source: str, words: str) -> None:
    with pytest.raises(AssertionError, match=words):
        assert not violations(source, path), "\n".join(violations(source, path))


@pytest.mark.parametrize(
    ("path", "source"),
    [
        ("score/setup.py", "import numpy\nfrom pairdiff._records import Setup\nfrom pairdiff.light import pq\nfrom . import levels\n"),
        ("frames/_kernels.py", "from numba import njit, prange\n"),
        ("_pipeline.py", "from pairdiff.writeup.html import render_report\nfrom pairdiff.clip.probe import probe_release\n"),
        ("_cli.py", "import typer\nimport pairdiff\nfrom pairdiff.writeup.document import comparison_to_document\n"),
        (
            "shelf/index.py",
            "import duckdb\nimport pairdiff\nfrom pairdiff.shelf.archive import Archive\nfrom pairdiff.verdict.rules import WORDS\n",
        ),
        ("shelf/batch.py", "import pairdiff\nfrom pairdiff._settings_file import say_option\nfrom pairdiff.shelf.manifest import Pair\n"),
        ("_demo/__init__.py", "import av\nfrom pairdiff._errors import OutputRefused\n"),
    ],
)
def test_what_is_allowed_is_not_reported(path: str, source: str) -> None:
    assert violations(source, path) == []


def loaded_by(*words: str) -> set[str]:
    """Modules that a process has loaded when it ends."""
    code = "import atexit, sys\natexit.register(lambda: print('\\n' + ' '.join(sys.modules)))\n" + words[0]
    done = subprocess.run([sys.executable, "-c", code, *words[1:]], capture_output=True, text=True, timeout=120, check=True)
    return set(done.stdout.splitlines()[-1].split())


def heads_among(modules: set[str], libraries: tuple[str, ...]) -> set[str]:
    return {one for one in libraries if any(name == one or name.startswith(f"{one}.") for name in modules)}


@pytest.mark.parametrize("command", [(), ("measure",), ("shelf",), ("shelf", "report"), ("keep",), ("batch",)])
def test_the_help_pages_load_nothing_that_computes(command: tuple[str, ...]) -> None:
    run = "import sys\nfrom pairdiff._cli import main\nsys.argv = ['pairdiff', *sys.argv[1:]]\nsys.exit(main())"
    loaded = loaded_by(run, *command, "--help")
    assert (
        heads_among(loaded, ("numpy", "numba", "av", "cv2", "scipy", "duckdb", "pyarrow", "pairdiff._pipeline", "pairdiff._demo")) == set()
    )
    assert "pairdiff._cli" in loaded


def test_what_measures_a_release_starts_without_what_only_a_comparison_needs() -> None:
    loaded = loaded_by("import pairdiff\npairdiff.measure")
    late = ("scipy.stats", "scipy.optimize", "scipy.signal", "scipy.ndimage", "skimage", "jinja2", "matplotlib", "pyarrow", "jsonschema")
    assert heads_among(loaded, (*late, "opentimelineio", "pairdiff._demo", "pairdiff.writeup.html", "torch", "pycvvdp")) == set()
    assert heads_among(loaded, ("numpy", "av", "pairdiff._pipeline")) == {"numpy", "av", "pairdiff._pipeline"}
