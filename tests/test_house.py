"""House rules that a reader relies on: the project stands alone, says what it does, and ships what it needs."""

from __future__ import annotations

import ast
import re
import shlex
import subprocess
import sys
import tomllib
import zipfile
from dataclasses import fields
from pathlib import Path

import pytest
import typer.main

from pairdiff._cli import app
from pairdiff._settings import Settings
from pairdiff._settings_file import settings_from_file

ROOT = Path(__file__).resolve().parents[1]
TEXTS = {".py", ".md", ".toml", ".json", ".html", ".css", ".js", ".csv", ".j2", ".txt", ""}
# Written in two parts, so that this file is not found by its own search.
FORBIDDEN = {
    "a folder outside the project": ("../" + "shared", "work/" + "shared", "/work/" + "main"),
    "a machine's own place": ("/home/" + "user", "/root/" + ".", "/tmp/" + "venv"),
    "a registry's host": ("pypi" + ".org", "python" + "hosted.org", "npm" + "js.org", "deb." + "debian.org"),
    "a result that depends on where its arrays lie in memory (score/places.py)": ("cv2.magn" + "itude(", "cv2.cartTo" + "Polar("),
    "work left over": ("TO" + "DO", "FIX" + "ME", "XX" + "X ", "Not" + "ImplementedError"),
}


def own_files() -> list[Path]:
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard", "-z"], cwd=ROOT, capture_output=True, text=True, check=False
    )
    if listed.returncode:
        pytest.skip("not a git checkout")
    return [ROOT / name for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()]


def fenced(path: Path, language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", path.read_text(encoding="utf-8"), flags=re.MULTILINE | re.DOTALL)


@pytest.mark.parametrize("what", FORBIDDEN)
def test_no_file_holds(what: str) -> None:
    found = []
    for path in own_files():
        if path.suffix in TEXTS:
            for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
                if any(word in line for word in FORBIDDEN[what]):
                    found.append(f"{path.relative_to(ROOT)}:{number}: {line.strip()}")
    assert not found, "\n".join(found)


def test_no_function_is_an_empty_shell() -> None:
    found = []
    for path in sorted((ROOT / "pairdiff").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and isinstance(node.body[-1], ast.Pass | ast.Expr) and len(node.body) == 1:
                value = getattr(node.body[0], "value", None)
                if isinstance(node.body[0], ast.Pass) or (isinstance(value, ast.Constant) and value.value is ...):
                    found.append(f"{path.relative_to(ROOT)}:{node.lineno}: {node.name}")
    assert not found, "\n".join(found)


def test_the_top_level_holds_nothing_else() -> None:
    names = {path.relative_to(ROOT).parts[0] for path in own_files()}
    visible = {name for name in names if not name.startswith(".")}
    assert visible <= {"README.md", "DEVELOPERS.md", "pyproject.toml", "pairdiff", "tests", "examples"}


def test_every_command_in_the_readme_exists_with_its_options() -> None:
    commands = {name: one for name, one in typer.main.get_command(app).commands.items() if not one.hidden}  # type: ignore[attr-defined]
    lines = [line for block in fenced(ROOT / "README.md", "sh") for line in block.splitlines() if re.search(r"(^|/|\s)pairdiff ", line)]
    assert len(lines) >= len(commands)
    used = set()
    for line in lines:
        words = shlex.split(line.split("#")[0])
        words = words[max(i for i, word in enumerate(words) if word.split("/")[-1] == "pairdiff") + 1 :]
        used.add(words[0])
        command = commands[words[0]]
        command = getattr(command, "commands", {}).get(words[1] if len(words) > 1 else "", command)  # a word behind it: `shelf report`
        known = {option for param in command.params for option in (*param.opts, *param.secondary_opts)}
        assert {word for word in words if word.startswith("--")} <= known, line
    assert used == set(commands)


def test_the_scripts_and_pictures_the_readme_names_are_there() -> None:
    for name in ("README.md", "DEVELOPERS.md"):
        text = (ROOT / name).read_text(encoding="utf-8")
        for target in re.findall(r"\]\((?!#|https?:)([^)#]+)", text) + re.findall(r"bash (tests/\S+)", text):
            assert (ROOT / target.strip("`")).exists(), f"{name} names {target}"


def test_the_settings_file_of_the_readme_is_accepted(tmp_path: Path) -> None:
    blocks = [block for block in fenced(ROOT / "README.md", "toml") if "[[pair]]" not in block]  # that is a manifest, tested with it
    assert blocks
    for block in blocks:
        (tmp_path / "s.toml").write_text(block)
        stated = settings_from_file(tmp_path / "s.toml")
        assert stated
        assert set(stated) <= {one.name for one in fields(Settings)}


def test_the_readme_names_every_label_and_exit_code() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    labels = ("sdr-in-hdr-container", "different-grade", "stretched-sdr", "restrained-hdr", "wider-range", "undetermined")
    assert all(f"`{label}`" in text for label in labels)
    assert all(re.search(rf"^\| {code} \|", text, flags=re.MULTILINE) for code in (0, 1, 2, 3, 4, 5, 6, 7, 130))


def test_licence_and_changelog_are_stated() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["license"] == "MIT"
    assert "MIT licence" in (ROOT / "README.md").read_text(encoding="utf-8")
    assert f"### {project['version']}" in (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_the_wheel_holds_every_file_of_the_package(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)]
    subprocess.run(command, cwd=ROOT, check=True, capture_output=True)
    held = set(zipfile.ZipFile(next(tmp_path.glob("*.whl"))).namelist())
    own = {path.relative_to(ROOT).as_posix() for path in own_files() if path.is_relative_to(ROOT / "pairdiff")}
    assert own <= held
    assert any(name.endswith(".schema.json") for name in held)
    assert any("/templates/" in name for name in held)


ERRORS = {"PairdiffError", "UsageError", "InputRefused", "SignalUnresolved", "DecodeFailed", "UnrelatedFilms", "OutputRefused"}


def messages_of(source: str) -> list[tuple[int, str]]:
    """Line and words of every message that is raised as written; what is filled in stands as {}."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ERRORS and node.args:
            message = node.args[0]
            if isinstance(message, ast.JoinedStr):
                parts = [part.value if isinstance(part, ast.Constant) else "{}" for part in message.values]
                found.append((node.lineno, "".join(map(str, parts))))
            elif isinstance(message, ast.Constant):
                found.append((node.lineno, str(message.value)))
    return found


@pytest.mark.parametrize("path", sorted((ROOT / "pairdiff").rglob("*.py")), ids=lambda path: str(path.relative_to(ROOT)))
def test_every_refusal_is_made_of_whole_sentences(path: Path) -> None:
    for line, words in messages_of(path.read_text(encoding="utf-8")):
        assert words.endswith((".", "?", "{}")), f"{path}:{line}: {words!r} does not end as a sentence"
        starts_with_name = re.match(r"\{\}|--|[a-z_]+(:| is| holds| runs| must)", words)
        assert words[0].isupper() or starts_with_name, f"{path}:{line}: {words!r} does not start as a sentence"


def test_a_refusal_that_trails_off_would_be_found() -> None:
    assert messages_of('raise UsageError(f"cannot write {x}; do it")') == [(1, "cannot write {}; do it")]
