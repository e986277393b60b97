"""What the layout commands print: how a file would be read, and a proposal for one nobody knows."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from pipeline.errors import KettlestoneError
from pipeline.file_names import legible
from pipeline.ingest import propose as proposals
from pipeline.ingest.blocks import blocks_of
from pipeline.ingest.layouts import load_layouts
from pipeline.ingest.reading import grids, read_content

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.ingest.grid import Grid

_MOST_BYTES: Final = 200_000_000
_HOW_SURE: Final = {
    proposals.EXACT: "known heading",
    proposals.UNIT_ONLY: "only the unit is known: name the quantity",
    proposals.DID_YOU_MEAN: "like a known heading: confirm or correct",
    proposals.UNKNOWN_COLUMN: "not known",
}


def _tables(path: Path) -> list[Grid]:
    tables = [grid for grid in grids(read_content(path, max_bytes=_MOST_BYTES), "cp1252") if len(grid)]
    if not tables:
        raise KettlestoneError(f"{legible(path)}: the file holds no rows. Nothing was changed.")
    return tables


def layout_text(path: Path, layouts: Path | None) -> str:
    """Show which layout fits each table of a file and what becomes of its columns.

    Raises
    ------
    KettlestoneError : the file cannot be read, or no layout fits.
    """
    known = load_layouts(layouts)
    parts = []
    for block in (block for grid in _tables(path) for block in blocks_of(grid, known)):
        grid, found = block.grid, block.match
        name = f"{legible(path)}{' ' + grid.sheet if grid.sheet else ''}"
        if found is None:
            parts.append(f"{name}: no layout fits. kettlestone layout propose {legible(path)} makes a proposal.")
            continue
        table = proposals.checked(found).to_string(index=False)
        parts.append(f"{name}: {found.layout.name}, headings in line {grid.line[found.header_row]}\n{table}")
    return "\n\n".join(parts)


def propose(path: Path, save: Path | None) -> str:
    """Propose a layout for the first table of a file.

    Parameters
    ----------
    path : the unknown file.
    save : where to write the proposal as JSON; None prints it.

    Raises
    ------
    KettlestoneError : the file has no table, or the target exists already.
    """
    proposal = proposals.propose_layout(_tables(path)[0])
    if proposal is None:
        raise KettlestoneError(
            f"{legible(path)}: no row has two or more filled cells, so there is no table. Nothing was changed."
        )
    width = max(len(column.heading) for column in proposal.columns)
    lines = [f"{legible(path)}: headings in line {proposal.line}"]
    for column in proposal.columns:
        what = column.code or (f"{column.like}?" if column.like else "-")
        heading = " ".join(column.heading.split())
        lines.append(f"  {heading:<{width}}  {what:<24} {column.unit:<12} {_HOW_SURE[column.sure]}")
    text = proposal.to_layout_json(re.sub(r"[^a-z0-9]+", "-", path.stem.casefold()).strip("-") or "layout")
    if save is None:
        return "\n".join([*lines, "", text])
    if save.exists():
        raise KettlestoneError(f"{save} exists already. Nothing was changed. Choose another name.")
    save.parent.mkdir(parents=True, exist_ok=True)
    save.write_text(text, encoding="utf-8")
    return "\n".join(
        [
            *lines,
            "",
            f"Written to {save}. Settle every line marked confirm, then use --layouts {save.parent}.",
        ]
    )
