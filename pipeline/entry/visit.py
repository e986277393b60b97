"""A visit put together from what was typed, on the command line or at the desk."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from pipeline.assess.machines import named_machine
from pipeline.entry.line import VISIT_FACTS
from pipeline.entry.typed import (
    METERED,
    TITRATED,
    TypedVisit,
    amount,
    legible_text,
    metered,
    titrated,
    visited_on,
    volume,
)
from pipeline.errors import UNCHANGED, KettlestoneError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from pipeline.assess.machines import Machine
    from pipeline.entry.taking import Place
    from pipeline.entry.typed import TypedNumber
    from pipeline.kits import Kit


def typed_visit(typed: Mapping[str, Any], kit: Kit, now: datetime, machines: dict[str, Machine]) -> TypedVisit:
    """Read everything that was typed; what cannot be is refused before anything is stored.

    Parameters
    ----------
    typed : texts by name: readings (`TITRATED`, `METERED`; None where nothing was read), facts (`VISIT_FACTS`),
        `point on volume_used`.
    kit : whose drops were counted.
    now : UTC.
    machines : those that are known.

    Raises
    ------
    KettlestoneError : nothing was read, or something typed cannot be.
    """
    given = {word: typed[word] for word in (*TITRATED, *METERED) if typed.get(word) is not None}
    readings: dict[str, TypedNumber] = {
        word: titrated(word, text, kit) if word in TITRATED else metered(word, text) for word, text in given.items()
    }
    if not readings:
        raise KettlestoneError(f"give at least one reading, for example --hardness 9 --alkalinity 6. {UNCHANGED}")
    facts = {name: legible_text(name, str(typed[name])) for name in VISIT_FACTS}
    named_machine(facts["machine"], machines)
    litres = {name: amount(name, facts[name], "litres") for name in ("litres", "counter") if facts[name]}
    return TypedVisit(
        readings=readings,
        point=typed["point"],
        on=visited_on(typed["on"], now.date()),
        used_ml=volume(typed["volume_used"], kit) if typed["volume_used"].strip() else kit.nominal_ml,
        facts=facts | litres,
    )


def remarks_on(place: Place, again: bool) -> list[str]:
    """Say what a person would want to know before anything else: a new site, names like it, a visit entered before."""
    lines = []
    if place.new:
        similar = "".join(f"\n    {name}" for name in place.similar)
        lines.append(f"{place.site.name} is a new site.{f'  Similar sites:{similar}' if similar else ''}")
    if again:
        lines.append("The same visit was entered before; nothing was added.")
    return lines
