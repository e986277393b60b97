"""What the layout commands print: how a file would be read, and a proposal for one nobody knows."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

from pipeline.asking.evidence import judge_units
from pipeline.asking.file_readings import OpenTable, file_readings
from pipeline.asking.open_units import cell_kinds
from pipeline.asking.questions import evidence_text
from pipeline.errors import KettlestoneError
from pipeline.file_names import legible
from pipeline.ingest import propose as proposals
from pipeline.ingest.blocks import blocks_of
from pipeline.ingest.extract import extract
from pipeline.ingest.layouts import load_layouts, match_layout
from pipeline.ingest.reading import grids, read_content

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.asking.evidence import Verdict
    from pipeline.ingest.grid import Grid

_MOST_BYTES: Final = 200_000_000
_HOW_SURE: Final = {
    proposals.EXACT: "known heading",
    proposals.UNIT_ONLY: "only the unit is known: which quantity is this?",
    proposals.UNKNOWN_COLUMN: "not known",
}


def _tables(path: Path) -> list[Grid]:
    tables = [grid for grid in grids(read_content(path, max_bytes=_MOST_BYTES)) if len(grid)]
    if not tables:
        raise KettlestoneError(f"{legible(path)}: the file holds no rows.")
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
    """Propose a layout for the first table of a file: what is known, what the file itself proves, and questions.

    Parameters
    ----------
    path : the file.
    save : where to write the proposal as JSON; None prints it.

    Raises
    ------
    KettlestoneError : the file has no table, or the target exists already.
    """
    grid = _tables(path)[0]
    proposal = proposals.propose_layout(grid)
    if proposal is None:
        raise KettlestoneError(f"{legible(path)}: no row has two or more filled cells, so there is no table.")
    verdicts = _open_units(grid)
    shown = {verdict.kind.analyte: verdict.fitting[0].text for verdict in verdicts if verdict.singled}
    asked = {verdict.kind.analyte: evidence_text(verdict, option=False) for verdict in verdicts if not verdict.singled}
    lines = [f"{legible(path)}: headings in line {proposal.line}", *_columns(proposal)]
    if verdicts:
        lines += ["", "Units that the file does not state:"]
        lines += [f"  {verdict.kind.analyte}: {evidence_text(verdict, option=False)}" for verdict in verdicts]
    name = re.sub(r"[^a-z0-9]+", "-", path.stem.casefold()).strip("-") or "layout"
    text = proposal.to_layout_json(name, shown, asked)
    if save is None:
        return "\n".join([*lines, "", text])
    if save.exists():
        raise KettlestoneError(f"{save} exists already and was left as it is. Choose another name.")
    save.parent.mkdir(parents=True, exist_ok=True)
    save.write_text(text, encoding="utf-8")
    ending = f"Written to {save}. Answer every line marked confirm, then use --layouts {save.parent}."
    return "\n".join([*lines, "", ending])


def _columns(proposal: proposals.Proposal) -> list[str]:
    width = max(len(column.heading) for column in proposal.columns)
    return [
        f"  {' '.join(column.heading.split()):<{width}}  {column.code or '-':<24} {column.unit:<12} "
        f"{_HOW_SURE[column.sure]}"
        for column in proposal.columns
    ]


def _open_units(grid: Grid) -> list[Verdict]:
    """Try the units of the columns that state none."""
    match = match_layout(grid, load_layouts())
    if match is None or match.layout.kind != "measurements":
        return []
    table = extract(grid, match, "")
    found = cell_kinds(table)
    row_by_row = match.orientation == "samples-in-rows"
    return judge_units(file_readings([OpenTable(table, found, row_by_row)])[0]) if found.open else []
