"""Fixtures of the write-up: the example comparison, its pictures, and a result folder written once."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from pairdiff.writeup.document import comparison_to_document, write_comparison


def _load_example() -> ModuleType:
    path = Path(__file__).with_name("_example.py")
    spec = importlib.util.spec_from_file_location("_writeup_example", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def examples() -> ModuleType:
    """The module that builds examples."""
    return _load_example()


@pytest.fixture(scope="session")
def example(examples: ModuleType) -> Any:
    """A comparison of an invented film."""
    return examples.make_example()


@pytest.fixture(scope="session")
def example_stills(examples: ModuleType, example: Any) -> Any:
    """Small pictures of its moments."""
    return examples.make_stills(example)


@pytest.fixture(scope="session")
def document(example: Any) -> dict[str, Any]:
    """What its `result.json` holds."""
    return comparison_to_document(example)


@pytest.fixture(scope="session")
def result_folder(example: Any, example_stills: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A whole result on disk; tests must not change it."""
    out = tmp_path_factory.mktemp("result")
    write_comparison(example, example_stills, out)
    return Path(out)
