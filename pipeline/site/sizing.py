"""What advice means in litres and days, salt and waste: the size of what is to be fitted, ready to be said."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from pipeline.chemistry.equivalents import MG_CACO3_PER_MEQ
from pipeline.errors import KettlestoneError
from pipeline.site.facts import capacity, count
from pipeline.site.visit import ends
from pipeline.treat.processes.treatments import TREATMENTS, treat
from pipeline.treat.sizing.capacity import CAPACITY_UNITS, from_equivalents
from pipeline.treat.sizing.size import Size, SizeFacts
from pipeline.treat.sizing.size import size as sized
from pipeline.words import Said

if TYPE_CHECKING:
    from pipeline.site.record import Site
    from pipeline.site.visit import Visit
    from pipeline.treat.advice import Advice, Range

_UNIT_OF_SIGN: Final = {"°f": "litre °f", "gpg": "grains"}
_HALF_YEAR_DAYS: Final = 182.0  # between two changes of a cartridge, hygiene's usual limit [CP]
_MG_PER_EQ: Final = 1e3 * MG_CACO3_PER_MEQ


def size_of(advice: Advice, raw: Visit, site: Site, sign: str) -> tuple[Said, ...]:
    """Size the treatment of an advice.

    Parameters
    ----------
    advice : treatment and settings.
    raw : the water.
    site : litres a day; the register, whose capacity and counter count where this treatment is fitted already.
    sign : the client's unit of hardness, for the capacity to ask for.

    Returns
    -------
    what to say; nothing where the treatment has no size or the litres a day are not known.
    """
    known = TREATMENTS.get(advice.treatment)
    if (
        advice.decision == "cannot advise"
        or known is None
        or known.second_water == "must"
        or math.isnan(site.fitted.litres)
    ):
        return ()
    names = {setting.name for setting in known.settings}
    settings = {name: value for name, value in advice.settings.items() if name in names and not isinstance(value, str)}
    waters = ends(raw)
    fitted = site.fitted.treatment == advice.treatment
    number, unit = capacity(site.facts.register) if fitted else (math.nan, CAPACITY_UNITS[0])
    used = count(site.facts.register.get("counter_litres", ""), whole=True) if fitted else 0.0
    facts = SizeFacts(
        capacity=number,
        capacity_unit=unit,
        litres_per_day=site.fitted.litres,
        litres_used=0.0 if math.isnan(used) else used,
        bypass=float(settings.get("bypass", 0.0)),
    )
    try:
        found = sized(waters, treat(waters, advice.treatment, settings), advice.treatment, facts)
    except KettlestoneError:
        # A treatment whose load these readings do not give has no size; that it lacks is said by the advice.
        return ()
    return (
        *_life(found, site.fitted.litres),
        *_needed(found, facts, site.fitted.litres, sign),
        *_streams(found),
        *found.notes,
    )


def _life(found: Size, litres: float) -> list[Said]:
    counted, change, left = found.litres_with_reserve, found.change_every_days, found.days_left
    if not math.isfinite(counted.high):
        return []
    said = [
        Said("report.size.litres", {"span": _span(_two(counted.low), _two(counted.high))}),
        Said(_change_code(change), {"span": _span(change.low, change.high), "litres": litres}),
    ]
    if found.litres_left == counted:
        return said
    rest = (
        Said("report.size.left", {"span": _span(left.low, left.high)})
        if left.high >= 1.0
        else Said("report.size.spent")
    )
    return [*said, rest]


def _change_code(change: Range) -> str:
    return "report.size.change" if math.floor(change.low) < math.floor(change.high) else "report.size.change_one"


def _span(low: float, high: float) -> Said:
    """Give two whole numbers, or one where they are the same; days are rounded down."""
    ends = {"low": float(math.floor(low)), "high": float(math.floor(high))}
    return Said("report.span" if ends["low"] < ends["high"] else "report.span.one", ends)


def _needed(found: Size, facts: SizeFacts, litres: float, sign: str) -> list[Said]:
    """Say what capacity to ask for where none is known."""
    load = found.load_mg_l_caco3.high
    if not math.isnan(facts.capacity) or math.isnan(load) or load <= 0.0:
        return []
    unit = _UNIT_OF_SIGN.get(sign, "litre °dH")
    equivalents = load * litres * _HALF_YEAR_DAYS / (1.0 - facts.reserve) / _MG_PER_EQ
    return [
        Said(
            "report.size.needed",
            {"capacity": _two(from_equivalents(equivalents, unit)), "unit": Said(f"report.capacity.{unit}")},
        )
    ]


def _streams(found: Size) -> list[Said]:
    streams = (("report.size.salt", found.salt_kg_per_month), ("report.size.waste", found.waste_litres_per_day))
    return [
        Said(code, {"span": _span(_two(one.low), _two(one.high))}) for code, one in streams if math.isfinite(one.high)
    ]


def _two(value: float) -> float:
    """Round to two figures."""
    return round(value, 1 - math.floor(math.log10(value))) if value > 0.0 else 0.0
