"""Print one of the README's two commands, so that it is run as it is written."""

from __future__ import annotations

import sys
from pathlib import Path


def command(name: str) -> str:
    """Take the first line of the fenced block that follows ``<!-- command: name -->``."""
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    _, _, rest = readme.partition(f"<!-- command: {name} -->")
    return rest.split("```sh\n", 1)[1].split("\n```", 1)[0]


if __name__ == "__main__":
    print(command(sys.argv[1]))  # noqa: T201 - this is its purpose
