"""`exchange`: two bottles, or two columns, that stand in each other's place."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.pairs import TreatmentLimits, matched_pairs
from pipeline.deciding.consequences import Consequences
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.store.decide import corrections_of, counting_readings
from pipeline.store.samples import find_sample
from pipeline.store.table import neighbourhood
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.deciding.consequences import Answering

_SCALED: Final = ("value", "limit", "value_low", "value_high", "uncertainty")


def exchanged_places(case: Answering) -> Consequences:
    """Exchange the bottles of a pair, or with `--with QUANTITY` the readings of two quantities of one sample.

    Raises
    ------
    KettlestoneError : the finding is about a whole file, or nothing says what to exchange.
    """
    if pd.isna(case.found["sample_id"]):
        raise KettlestoneError(
            f"finding {case.answer.finding_id} is about a whole file; take its cause instead.\n  {UNCHANGED}\n"
            "  kettlestone decide N take applies it to every row."
        )
    named = case.answer.other.strip().casefold().replace(" ", "_")
    columns = _columns(case, named)
    return exchange_columns(case, *columns) if columns else exchange_bottles(case)


def exchange_bottles(case: Answering) -> Consequences:
    """Give the readings of two samples to each other; labels, places and dates stay."""
    one, other = str(case.found["sample_id"]), _partner(case)
    rows = counting_readings(case.store, "list_contains(?, r.sample_id)", [[one, other]])
    moved = corrections_of(rows).assign(
        sample_id=rows["sample_id"].map({one: other, other: one}), corrects=rows["reading_id"].astype("Int64")
    )
    mirrored = case.store.connection.execute(
        "SELECT finding_id FROM v_finding WHERE is_current AND sample_id = ? AND check_id = ?",
        [other, case.found["check_id"]],
    ).fetchall()
    names = case.store.connection.execute(
        "SELECT label FROM sample WHERE list_contains(?, sample_id) ORDER BY label", [[one, other]]
    ).fetchall()
    return Consequences(
        readings=moved,
        also=tuple(int(number) for (number,) in mirrored),
        samples=frozenset({one, other}),
        detail=f"the readings of {' and '.join(str(name) for (name,) in names)} changed places",
    )


def exchange_columns(case: Answering, one: str, other: str) -> Consequences:
    """Give each of two quantities of a sample the number that stands under the other."""
    sample_id = str(case.found["sample_id"])
    found = {
        code: counting_readings(case.store, "r.sample_id = ? AND r.analyte = ?", [sample_id, code]).head(1)
        for code in (one, other)
    }
    if missing := [ANALYTES[code].title for code, rows in found.items() if rows.empty]:
        raise KettlestoneError(f"the sample has no reading of {' and '.join(missing)}.\n  {UNCHANGED}")
    parts = []
    for code, source in ((one, other), (other, one)):
        own, figure = found[code], float(found[source]["value"].iloc[0]) / _worth(found[source])
        value = figure * _worth(found[code])
        parts.append(
            corrections_of(
                own.assign(
                    **dict.fromkeys((*_SCALED, "drops"), np.nan),
                    form="corrected",
                    raw_text=found[source]["raw_text"].to_numpy(),
                    ambiguous="",
                ).assign(value=value)
            )
        )
    titles = " and ".join(ANALYTES[code].title.lower() for code in (one, other))
    return Consequences(
        readings=pd.concat(parts, ignore_index=True),
        samples=frozenset({sample_id}),
        detail=f"{titles} changed places",
    )


def _worth(row: pd.DataFrame) -> float:
    """Say what one unit of the number as it was written is worth; 1 where that is not known."""
    written = pd.to_numeric(row["raw_text"].str.replace(",", ".", regex=False), errors="coerce").iloc[0]
    value = float(row["value"].iloc[0])
    return value / float(written) if written and not pd.isna(written) and not pd.isna(value) else 1.0


def _columns(case: Answering, named: str) -> tuple[str, str] | None:
    """Find the two quantities that are meant: the one named and that of the finding, or those of a likely cause."""
    concerned = [code for code in str(case.found["analyte"]).split() if code in ANALYTES]
    own = case.answer.analyte.strip().casefold().replace(" ", "_")
    if named in ANALYTES:
        rest = [code for code in ([own] if own in ANALYTES else concerned) if code != named]
        if len(rest) == 1:
            return rest[0], named
        raise KettlestoneError(
            f"say which two quantities change places: --analyte and --with.\n  {UNCHANGED}\n"
            f"  The finding is about {', '.join(concerned) or 'none by name'}."
        )
    if named:
        return None
    likely = case.store.connection.execute(
        "SELECT mistake, analyte, other_analyte, detail FROM explanation JOIN sample USING (sample_id, batch_id) "
        "WHERE sample_id = ? AND mistake IN ('swapped-analytes', 'swapped-samples') ORDER BY rank LIMIT 1",
        [case.found["sample_id"]],
    ).fetchall()
    if likely and likely[0][0] == "swapped-analytes" and not likely[0][3]:
        return str(likely[0][1]), str(likely[0][2])
    return None


def _partner(case: Answering) -> str:
    """Find the other bottle: the one named, or the other half of the pair."""
    own = str(case.found["sample_id"])
    if case.answer.other:
        other = find_sample(case.store, case.answer.other)
        if other == own:
            raise KettlestoneError(f"a bottle cannot be exchanged with itself.\n  {UNCHANGED}\n  Name the other one.")
        return other
    samples = neighbourhood(case.store, own)
    pairs = matched_pairs(samples, TreatmentLimits().days_apart)
    at = samples.about.index.get_loc(own)
    others = [
        str(samples.about.index[b if a == at else a])
        for a, b in zip(pairs["raw"], pairs["treated"], strict=True)
        if at in (a, b)
    ]
    if len(set(others)) != 1:
        named = f" ({', '.join(sorted(set(others)))})" if others else ""
        raise KettlestoneError(
            f"which bottle is to be exchanged with this one is not clear{named}.\n  {UNCHANGED}\n"
            "  Name it with --with SAMPLE, or two quantities with --analyte and --with."
        )
    return others[0]
