"""The examples in docstrings: each gives what it says."""

from __future__ import annotations

import doctest
from importlib import import_module
from pathlib import Path

import pytest

import pipeline

PACKAGE = Path(pipeline.__file__).parent
MODULES = [
    ".".join(("pipeline", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")
    for path in sorted(PACKAGE.rglob("*.py"))
    if ">>> " in path.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_of_a_module_give_what_they_say(name: str) -> None:
    done = doctest.testmod(import_module(name))

    assert done.attempted > 0
    assert done.failed == 0
