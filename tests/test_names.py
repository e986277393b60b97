"""A public name means one thing in the whole project."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT: Final = Path(__file__).parents[1]


def public_names(tree: ast.Module) -> Iterator[str]:
    """Name the functions, classes and constants of a module that others may use."""
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            names = [node.name]
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            names = [target.id for target in targets if isinstance(target, ast.Name)]
        else:
            names = []
        yield from (name for name in names if not name.startswith("_"))


def defined() -> dict[str, list[str]]:
    """Give the modules that define each public name."""
    found: dict[str, list[str]] = defaultdict(list)
    for package in ("pipeline", "schemas"):
        for path in sorted((ROOT / package).rglob("*.py")):
            for name in set(public_names(ast.parse(path.read_text("utf-8")))) - {"command"}:
                found[name].append(str(path.relative_to(ROOT)))
    return found


def test_a_public_name_means_one_thing() -> None:
    """The `command` of every module of `pipeline.commands` is one thing: the name by which the group finds it."""
    assert {name: modules for name, modules in defined().items() if len(modules) > 1} == {}
