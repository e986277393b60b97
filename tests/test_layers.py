"""The house as it is drawn: every module in a layer, no circle, no module too long."""

from __future__ import annotations

import ast
import tomllib
from graphlib import CycleError, TopologicalSorter
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parents[1]
MOST_LINES: Final = 400
FILES: Final = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
    for package in ("pipeline", "schemas")
    for path in sorted((ROOT / package).rglob("*.py"))
}


def layers() -> list[str]:
    """Read the layers of the contract, those that stand side by side as well."""
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["importlinter"]["contracts"]
    rows = next(contract["layers"] for contract in contracts if contract["type"] == "layers")
    return [name.strip() for row in rows for name in row.replace("|", ":").split(":")]


def imports(module: str) -> set[str]:
    """Name the modules that a module imports: at its top, inside a function, or for type checking alone."""
    package = module if FILES[module].name == "__init__.py" else module.rpartition(".")[0]
    found: set[str] = set()
    for node in ast.walk(ast.parse(FILES[module].read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            above = package.split(".")[: len(package.split(".")) + 1 - node.level] if node.level else []
            source = ".".join([*above, *([node.module] if node.module else [])])
            inside = {f"{source}.{alias.name}" for alias in node.names}
            found.update(inside & FILES.keys() or {source})
            found.update({source} if inside - FILES.keys() else ())
    return (found & FILES.keys()) - {module}


def test_every_module_stands_in_a_layer() -> None:
    known = layers()

    outside = [
        module
        for module in FILES
        if module != "pipeline" and not any(module == layer or module.startswith(f"{layer}.") for layer in known)
    ]

    assert outside == [], "add them to the layers of pyproject.toml"


def test_no_module_imports_itself_by_way_of_others() -> None:
    graph = TopologicalSorter({module: imports(module) for module in FILES})

    try:
        graph.prepare()
    except CycleError as circle:
        pytest.fail(" imports ".join(reversed(circle.args[1])))


def test_a_module_can_be_read_in_one_go() -> None:
    lines = {module: len(path.read_text("utf-8").splitlines()) for module, path in FILES.items()}

    assert [module for module, length in lines.items() if length > MOST_LINES] == [], "divide them"
