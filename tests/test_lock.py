"""The lock pins, with hashes, everything the project says it needs."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parent.parent
LOCK = (ROOT / "requirements.lock").read_text(encoding="utf-8")
PINS = re.findall(r"^([A-Za-z0-9._-]+)(?:\[[^]]*\])?==([^ ;\\]+)", LOCK, flags=re.MULTILINE)


def declared() -> list[str]:
    """List the dependencies of the project, of its tests and of its upkeep."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extra = project["optional-dependencies"]
    return [*project["dependencies"], *extra["test"], *extra["dev"]]


@pytest.mark.parametrize("text", declared())
def test_a_dependency_is_pinned_at_a_version_it_allows(text: str) -> None:
    wanted = Requirement(text)
    pinned = [version for name, version in PINS if canonicalize_name(name) == canonicalize_name(wanted.name)]

    assert pinned
    assert all(version in wanted.specifier for version in pinned)


def test_every_pin_has_its_hashes_and_nothing_names_a_place_of_the_network() -> None:
    blocks = re.split(r"^(?=\S)", LOCK, flags=re.MULTILINE)

    assert [block.split("\n")[0] for block in blocks if "==" in block and "--hash=sha256:" not in block] == []
    assert "://" not in LOCK
    assert not re.search(r"^\s*-", re.sub(r"^\s+--hash=\S+( \\)?$", "", LOCK, flags=re.MULTILINE), flags=re.MULTILINE)
