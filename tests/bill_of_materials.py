"""Write the bill of materials of what `requirements.lock` pins, as CycloneDX 1.5 JSON, with the hash of every file.

python tests/bill_of_materials.py > sbom.json
"""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any, Final

_ROOT: Final = Path(__file__).parents[1]
_PINNED: Final = re.compile(
    r"^(?P<name>[A-Za-z0-9_.-]+)(?:\[[^]]*\])?==(?P<version>[^ ;\\\n]+)(?P<rest>(?:.*\\\n)*.*)$", re.MULTILINE
)
_HASH: Final = re.compile(r"--hash=sha256:([0-9a-f]{64})")


def bill_of_materials(lock: str, project: dict[str, Any]) -> dict[str, Any]:
    """List the components of a lock of pip.

    Parameters
    ----------
    lock : its text.
    project : the table `project` of pyproject.toml.
    """
    own = {"type": "application", "name": project["name"], "version": project["version"]}
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": {"component": {**own, "licenses": [{"license": {"id": project["license"]}}]}},
        "components": [_component(found) for found in _PINNED.finditer(lock)],
    }


def _component(found: re.Match[str]) -> dict[str, Any]:
    name, version = found["name"].lower().replace("_", "-"), found["version"]
    return {
        "type": "library",
        "name": name,
        "version": version,
        "purl": f"pkg:pypi/{name}@{version}",
        "hashes": [{"alg": "SHA-256", "content": digest} for digest in _HASH.findall(found["rest"])],
    }


if __name__ == "__main__":
    _project = tomllib.loads((_ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    _lock = (_ROOT / "requirements.lock").read_text(encoding="utf-8")
    print(json.dumps(bill_of_materials(_lock, _project), indent=1))  # noqa: T201 - a program
