"""The locks pin, with hashes, everything that the program and its tests say they need."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from importlib.metadata import distributions
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
LOCKS = {name: (ROOT / name).read_text(encoding="utf-8") for name in ("requirements.lock", "tests/requirements.lock")}
PYTHONS = ("3.11.7", "3.12.1", "3.13.0", "3.14.0")
_PIN = re.compile(r"^([A-Za-z0-9._-]+(?:\[[^]]*\])?==[^\\\n]+)", re.MULTILINE)


def pins(lock: str, python: str) -> dict[str, str]:
    """Read what a lock installs on Linux with one Python: version by name."""
    system = {"python_full_version": python, "python_version": python.rpartition(".")[0], "sys_platform": "linux"}
    found = [Requirement(text) for text in _PIN.findall(LOCKS[lock])]
    used = [pin for pin in found if pin.marker is None or pin.marker.evaluate(system)]
    names = [canonicalize_name(pin.name) for pin in used]
    assert len(names) == len(set(names))
    return {name: str(pin.specifier).removeprefix("==") for name, pin in zip(names, used, strict=True)}


def declared() -> list[tuple[str, str]]:
    """List the dependencies of the program in both locks, and those of its tests in their own."""
    tests = PROJECT["optional-dependencies"]["test"]
    return [(lock, text) for lock in LOCKS for text in PROJECT["dependencies"]] + [
        ("tests/requirements.lock", text) for text in tests
    ]


@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize(("lock", "text"), declared())
def test_a_dependency_is_pinned_at_a_version_it_allows(lock: str, text: str, python: str) -> None:
    """One version for every Python from the oldest that is promised to the newest there is."""
    wanted = Requirement(text)

    assert pins(lock, python)[canonicalize_name(wanted.name)] in wanted.specifier


@pytest.mark.parametrize("python", PYTHONS)
def test_the_tests_run_with_the_very_versions_of_the_program(python: str) -> None:
    assert pins("requirements.lock", python).items() <= pins("tests/requirements.lock", python).items()


@pytest.mark.parametrize("lock", LOCKS)
def test_a_pin_names_the_extras_that_others_ask_for(lock: str) -> None:
    """Without them pip 23 looks for the newest release that has the extra, and refuses it for it has no hash."""
    pinned = {canonicalize_name(pin.name): pin.extras for pin in map(Requirement, _PIN.findall(LOCKS[lock]))}
    installed = {canonicalize_name(found.name): found.requires or [] for found in distributions()}
    asked = [Requirement(text) for name in pinned for text in installed.get(name, [])]
    plain = [one for one in asked if one.extras and (one.marker is None or one.marker.evaluate({"extra": ""}))]

    assert plain
    assert [str(one) for one in plain if not one.extras <= pinned[canonicalize_name(one.name)]] == []


@pytest.mark.parametrize("lock", LOCKS)
def test_every_pin_has_its_hashes_and_nothing_names_a_place_of_the_network(lock: str) -> None:
    text = LOCKS[lock]
    blocks = re.split(r"^(?=\S)", text, flags=re.MULTILINE)

    assert [block.split("\n")[0] for block in blocks if "==" in block and "--hash=sha256:" not in block] == []
    assert "://" not in text
    assert not re.search(r"^\s*-", re.sub(r"^\s+--hash=\S+( \\)?$", "", text, flags=re.MULTILINE), flags=re.MULTILINE)


@pytest.mark.parametrize("text", PROJECT["optional-dependencies"]["dev"])
def test_what_looks_after_the_code_is_pinned(text: str) -> None:
    """A linter's next release must not turn a green change red."""
    assert [part.operator for part in Requirement(text).specifier] == ["=="]


@pytest.mark.parametrize(("command", "lock"), [("demo", "requirements.lock"), ("tests", "tests/requirements.lock")])
def test_the_commands_of_the_readme_install_what_their_lock_says(command: str, lock: str) -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    block = readme.partition(f"<!-- command: {command} -->")[2].partition("\n```\n")[0]

    assert f"pip install -q -r {lock} && .venv/bin/pip install -q --no-deps ." in block


def test_the_bill_of_materials_lists_what_is_pinned() -> None:
    """CycloneDX 1.5 wants `bomFormat` and `specVersion`, and a SHA-256 has 64 hexadecimal digits."""
    path = ROOT / "tests" / "bill_of_materials.py"
    told = subprocess.run([sys.executable, str(path)], check=True, capture_output=True, text=True)  # noqa: S603 - own code

    bill = json.loads(told.stdout)
    listed = {component["name"]: component for component in bill["components"]}
    assert (bill["bomFormat"], bill["specVersion"]) == ("CycloneDX", "1.5")
    assert set(pins("requirements.lock", "3.12.1")) <= set(listed)
    assert all(component["hashes"] for component in listed.values())
