"""The constants of the method: every fixed number that the measures rest on, with its meaning and origin, read from the source itself.

Settings are what a user may change; constants are what a method is made of. They stand beside the code that uses them, each with a
docstring that says what it is and where it comes from; this file gathers them, so that one list can be read and printed.
"""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from importlib import import_module, resources
from typing import Any

from pairdiff.score.eye import list_constants as list_eye_constants

STAGES = ("frames", "light", "match", "score", "verdict", "stills")
_CITED = re.compile(r"\b(BT\.\d|ST \d|IEC|CTA|(?:19|20)\d\d\b)")


@dataclass(frozen=True, slots=True)
class Constant:
    """One fixed number, or a few of one kind."""

    name: str
    module: str
    """`folder/file`."""
    value: Any
    """Number, text, or tuples of them."""
    meaning: str
    origin: str
    """`own` for this project's choice; `as cited` where the meaning names its source; `published` and `fitted` for the model of the eye."""


@cache
def list_constants() -> tuple[Constant, ...]:
    """Every constant of the stages that compute.

    Returns
    -------
    In the order of the stages, files by name, as they stand in each file. Private names (`_`) and names without digits in their value
    (lists of words) are left out.
    """
    found: list[Constant] = []
    for stage in STAGES:
        folder = resources.files("pairdiff") / stage
        for file in sorted((one for one in folder.iterdir() if one.name.endswith(".py")), key=lambda one: one.name):
            module = import_module(f"pairdiff.{stage}.{file.name.removesuffix('.py')}")
            for name, meaning in _documented(file.read_text(encoding="utf-8")):
                value = getattr(module, name)
                if _is_number(value):
                    origin = "as cited" if "(own" not in meaning and "; own" not in meaning and _CITED.search(meaning) else "own"
                    found.append(Constant(name, f"{stage}/{file.name.removesuffix('.py')}", value, meaning, origin))
    of_eye = (Constant(one.name, "score/eye", one.value, f"{one.text} ({one.source}).", one.origin) for one in list_eye_constants())
    return (*found, *of_eye)


def _documented(source: str) -> Iterator[tuple[str, str]]:
    """Names in capitals that a file assigns, with the docstring right behind the assignment; empty where there is none."""
    body = ast.parse(source).body
    for node, behind in itertools.zip_longest(body, body[1:]):
        if isinstance(node, (ast.Assign, ast.AnnAssign)):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names = [one.id for target in targets for one in ast.walk(target) if isinstance(one, ast.Name)]
            meaning = behind.value.value if isinstance(behind, ast.Expr) and isinstance(behind.value, ast.Constant) else ""
            words = " ".join(meaning.split()) if isinstance(meaning, str) else ""
            yield from ((name, words) for name in names if name.isupper() and not name.startswith("_"))


def _is_number(value: Any) -> bool:
    if isinstance(value, (tuple, list)):
        return bool(value) and all(_is_number(one) for one in value)
    return isinstance(value, (int, float)) and not isinstance(value, bool)
