"""Layouts: what a kind of file looks like, as data (``schemas/layouts/*.json`` and your own folder)."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

import schemas
from pipeline.ingest.encodings import USUAL
from pipeline.ingest.layout_file import Layout, Needs, read_layout
from pipeline.ingest.matching import Match, match_layout
from pipeline.ingest.propose import Proposal, propose_layout
from pipeline.problems import KettlestoneError

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = [
    "Layout",
    "Match",
    "Needs",
    "Proposal",
    "declared_encoding",
    "load_layouts",
    "match_layout",
    "propose_layout",
]

BUILT_IN: Final = Path(schemas.__file__).with_name("layouts")


def load_layouts(extra: Path | None = None) -> list[Layout]:
    """Load the layouts: those of ``extra`` first, then the built-in ones.

    Raises
    ------
    KettlestoneError : a layout file is broken; the message names the file and the property.
    """
    built_in = _built_in()
    if extra is None:
        return list(built_in)
    if not extra.is_dir():
        raise KettlestoneError(
            f"{extra}: the folder of your layouts does not exist. Nothing was imported. "
            "Create it or correct the setting layouts."
        )
    own = [replace(layout, stated=text) for layout, text in _read_folder(extra)]
    names = {layout.name for layout in own}
    return [*own, *(layout for layout in built_in if layout.name not in names)]


@lru_cache(maxsize=1)
def _built_in() -> tuple[Layout, ...]:
    return tuple(layout for layout, _ in _read_folder(BUILT_IN))


def _read_folder(folder: Path) -> list[tuple[Layout, str]]:
    """Read the layouts of a folder in the order of their ranks, each with its JSON."""
    read = [(read_layout(path), path.read_text(encoding="utf-8")) for path in sorted(folder.glob("*.json"))]
    return sorted(read, key=lambda found: found[0].rank)


def declared_encoding(layouts: Sequence[Layout]) -> str | None:
    """Give the encoding that a layout declares for files that are not UTF-8; None where none but the usual one is."""
    return next((layout.encoding for layout in layouts if layout.encoding not in (USUAL, "utf-8")), None)
