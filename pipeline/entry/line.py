"""A visit as one line of a kit sheet, with the heading that says what stands where."""

from __future__ import annotations

import csv
import io
from typing import TYPE_CHECKING, Final

from pipeline.entry.typed import METERED, TITRATED
from pipeline.kits import COUNTING

if TYPE_CHECKING:
    from pipeline.entry.typed import TypedNumber, TypedVisit
    from pipeline.kits import Kit

# Facts of a visit -> heading.
VISIT_FACTS: Final = {
    "machine": "machine",
    "litres": "litres per day",
    "counter": "counter litres",
    "note": "comment",
}
_FORMS: Final = {"hardness": "as CaCO3", "alkalinity": "as CaCO3"}


def kit_sheet(client: str, site: str, label: str, visit: TypedVisit, kit: Kit) -> bytes:
    """Write a visit as a kit sheet of one sample: a heading and a line, UTF-8.

    Parameters
    ----------
    client, site, label : whose sample it is, and what it is called.
    visit : what was typed.
    kit : whose drops were counted.
    """
    cells = {"client": client, "site": site, "sample": label, "date": f"{visit.on:%Y-%m-%d}", "stage": visit.point}
    if any(one.drops for one in visit.readings.values()):
        cells |= _of_kit(visit, kit)
    cells |= dict(_cell(word, one) for word, one in visit.readings.items())
    cells |= {VISIT_FACTS[name]: text for name, text in visit.facts.items() if text}
    sheet = io.StringIO(newline="")
    writer = csv.writer(sheet, lineterminator="\n")
    writer.writerow(cells)
    writer.writerow(cells.values())
    return sheet.getvalue().encode()


def _of_kit(visit: TypedVisit, kit: Kit) -> dict[str, str]:
    facts = {
        "degree per drop": f"{kit.degree_per_drop:g}",
        "kit unit": kit.degree_unit,
        "nominal volume": f"{kit.nominal_ml:g}",
        "volume used": f"{visit.used_ml:g}",
    }
    if kit.expiry is not None:
        facts["reagent expiry"] = f"{kit.expiry:%Y-%m-%d}"
    if kit.counting != COUNTING:
        facts["drop convention"] = kit.counting
    return facts


def _cell(word: str, one: TypedNumber) -> tuple[str, str]:
    """Name the column of a reading, with its unit, and give what stands in it."""
    if one.drops:
        return f"{word} drops", one.text
    name = word if word in TITRATED else METERED[word][0]
    form = _FORMS.get(word, "") if one.unit.casefold() in ("mg/l", "ppm") else ""
    unit = " ".join(part for part in (one.unit, form) if part)
    return (f"{name} ({unit})" if unit else name), one.text
