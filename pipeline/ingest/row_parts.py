"""The parts of a source row: samples in columns of their own, kits and reference temperatures, and what each states."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.ingest.dated_headings import date_of_heading

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping, Sequence

    from pipeline.ingest.columns import SourceColumn
    from pipeline.ingest.matching import Match


@dataclass(frozen=True)
class RowPart:
    """What belongs together within one source row: one sample, one kit, one reference temperature.

    Most rows have one part. A sheet with "before" and "after" columns, or with a sample in each column,
    has several; so has a kit sheet that states the water taken for each test. ``column`` is the position of the
    column of a sample: two of them may have one name.
    """

    sample: str = ""
    column: int = -1
    stage: str = ""
    test: str = ""
    drop: tuple[str, str] = ("", "")
    ec_reference: str = ""
    tds_scale: str = ""
    compensation: str = ""


def parts_of(match: Match) -> dict[int, RowPart]:
    """Give the part of each measurement column, by its position."""
    measured = match.measured
    own_kit = {(column.analyte, column.stage) for column in match.columns if column.role == "about" and column.analyte}
    # What stands at the temperature of the water belongs to the part that holds this temperature.
    raw = next((column.compensation for column in measured if column.compensation), "")
    references = {column.ec_reference for column in measured if column.analyte == "conductivity"}
    scales = {column.tds_scale for column in measured if column.analyte == "tds"}
    return {
        column.position: RowPart(
            sample=column.sample,
            column=column.position if match.orientation == "parameters-in-rows" else -1,
            stage=column.stage,
            test=column.analyte if {(column.analyte, column.stage), (column.analyte, "")} & own_kit else "",
            drop=column.drop,
            ec_reference=column.ec_reference if len(references) > 1 else "",
            tds_scale=column.tds_scale if len(scales) > 1 else "",
            compensation="" if column.ec_reference else raw,
        )
        for column in measured
    }


def facts_of_samples(match: Match, stated: Mapping[int, Mapping[str, str]]) -> dict[int, dict[str, str]]:
    """Give what rows of the table state for each sample column, by its position.

    Of columns that have one name and state nothing that tells their samples apart, the later ones are numbered.
    """
    found: dict[int, dict[str, str]] = {}
    times: dict[Hashable, int] = {}
    for column in match.measured:
        facts = dict(stated.get(column.position, {}))
        if column.sample:
            said = (facts.get("label", "") or column.sample, column.stage, *sorted(facts.items()))
            times[said] = times.get(said, 0) + 1
            if times[said] > 1:
                facts["label"] = f"{said[0]} ({times[said]})"
        found[column.position] = facts
    return found


def common(columns: Sequence[SourceColumn], name: str) -> str:
    """Give what all columns that state it agree on, "" if they differ."""
    stated = {getattr(column, name) for column in columns} - {""}
    return stated.pop() if len(stated) == 1 else ""


def part_fact(part: RowPart, field: str, facts: Mapping[int, Mapping[str, str]]) -> str:
    """Say what a part states of a field: by its heading, or in a row of facts."""
    stated = facts.get(part.column, {}).get(field, "")
    if field == "label":
        return stated or part.sample
    own = {
        "stage": part.stage,
        "degree_per_drop": part.drop[0],
        "degree_unit": part.drop[1],
        "ec_reference": part.ec_reference,
        "tds_scale": part.tds_scale,
        "temperature_compensation": part.compensation,
        "collected_on": date_of_heading(part.sample) if not stated else "",
    }
    return own.get(field, "") or stated
