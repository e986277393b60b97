"""What to do about one water in one machine: a treatment and its settings, nothing, or what to ask first."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.treat.advice import Advice, Option
from pipeline.treat.choosing import reasons as why
from pipeline.treat.choosing.bottled import bottle_sentences, rank_bottled
from pipeline.treat.choosing.case import ALKALINITY, HARDNESS
from pipeline.treat.choosing.cautions import cautions_for
from pipeline.treat.choosing.decision import DecisionRow, Turn, matching_row
from pipeline.treat.choosing.fitting import Device, device_for
from pipeline.treat.choosing.optimise import evaluate_settings, optimise, targets
from pipeline.treat.choosing.turns import condition, same_answer
from pipeline.treat.processes.treatments import TREATMENTS
from pipeline.words import Said
from schemas.columns import WIDE_COLUMNS

if TYPE_CHECKING:
    from pipeline.treat.choosing.case import Case
    from pipeline.treat.choosing.decision import Decided

DECIDING: Final = frozenset(
    {"total_hardness", "calcium_hardness", "magnesium_hardness", "calcium", "magnesium", "alkalinity", "bicarbonate"}
)
_NO_ADVICE: Final = ("stop",)
_PRETREATED: Final = ("iron", "manganese", "turbidity")
_NO_DEVICE: Final = ("none", "carbon", "unsoftened tap")
_NOT_A_SUPPLY: Final = ("hot_outlet",)


def choose(case: Case) -> Advice:
    """Advise on one water for one machine and profile.

    Equipment is advised only where the water needs it, and advice only where the readings carry it.

    Parameters
    ----------
    case : the water with its uncertainty, its findings, the machine, the profile, the site.

    Returns
    -------
    Advice. ``decided``: one row of the table holds whatever the uncertain and unmeasured quantities are.
    ``conditional``: another row holds at some value one of them may have; ``conditions`` says which quantity,
    where it turns and what the answer is beyond. ``cannot advise``: hardness or alkalinity is missing or on
    hold, a health limit is passed, or no row holds; ``repeat`` and ``reasons`` say what is needed. ``options``
    begins with the treatment itself, then what else was worked out.

    Notes
    -----
    The rows are ``decision_rows.csv`` in order, carried out by what ``decision_devices.csv`` allows the machine,
    set as ``decision_targets.csv`` says.
    """
    advice = _refused(case) or _advised(case)
    return replace(
        advice, cautions=cautions_for(advice, case.machine, proved=case.verdict != "unjudged"), bottled=_bottled(case)
    )


def _bottled(case: Case) -> tuple[Said, ...]:
    """Rank the bottled waters where the machine may be filled by hand."""
    if case.bottled is None or not len(case.bottled) or case.connection == "plumbed":
        return ()
    return bottle_sentences(rank_bottled(case.bottled, case)[0], case.base)


def _refused(case: Case) -> Advice | None:
    """Say why there can be no advice, or nothing where there can."""
    known = case.known
    lacking = [name for name in (HARDNESS, ALKALINITY) if not known[name].known]
    health = why.health(case)
    if case.stage in _NOT_A_SUPPLY:
        return _cannot("0", (Said("choose.hot_outlet"), *health))
    if lacking:
        said = tuple(Said(f"choose.missing.{name.removesuffix('_mg_l_caco3')}") for name in lacking)
        return _cannot(
            "0", (*said, *health), why.repeats(case) or tuple(why.measure(name, first=True) for name in lacking)
        )
    if case.held() & DECIDING:
        provisional = _decided(case)
        reasons: tuple[Said, ...] = (Said("choose.row.0"), *health)
        options: tuple[Option, ...] = ()
        if provisional.row is not None and provisional.row.treatment not in _NO_ADVICE:
            options = _options(case, _device(case, provisional.row), ())
            reasons = (*reasons, why.provisional("choose.provisional", options[0]))
        return replace(_cannot("0", reasons, why.repeats(case)), options=options)
    return None


def _cannot(row: str, reasons: tuple[Said, ...], repeat: tuple[Said, ...] = ()) -> Advice:
    return Advice("cannot advise", row, "", {}, {}, reasons, repeat=repeat)


def _decided(case: Case, cleared: tuple[str, ...] = ()) -> Decided:
    return matching_row(case, targets(case, "decarboniser")[0], cleared)


def _advised(case: Case) -> Advice:
    decided = _decided(case)
    row = decided.row
    if row is None:
        return _cannot("11", (Said("choose.row.11", why.reason_figures(decided)),), why.repeats(case))
    if row.treatment in _NO_ADVICE:
        return _cannot(row.key, (Said(row.reason), *why.health(case)), (Said("choose.ask.authority"),))
    if row.treatment == "pretreat":
        cleared = _decided(case, _PRETREATED)
        if cleared.row is None or cleared.row.treatment in _NO_ADVICE:
            return _cannot(row.key, (Said(row.reason),), why.repeats(case))
        later = _fitted(case, cleared, cleared.row)
        reasons = (Said(row.reason), *why.over(row, decided), *later.reasons)
        return replace(
            later,
            decision="conditional",
            row=row.key,
            reasons=reasons,
            conditions=(Said("choose.if.pretreated"), *later.conditions),
        )
    return _fitted(case, decided, row)


def _fitted(case: Case, decided: Decided, row: DecisionRow) -> Advice:
    """Carry a row out: the device, its setting, the other options, and what it all hangs on."""
    device = _device(case, row)
    turns = [turn for turn in decided.turns if not same_answer(case, turn, device)]
    options = _options(case, device, _further(case, row, turns))
    chosen = next((option for option in options[: 1 + len(device.also)] if option.fits), options[0])
    others = tuple(option for option in options if option is not chosen)
    if chosen.treatment == "none" and why.chlorinated(case):
        chosen = replace(chosen, treatment="carbon")
    # Where another device stands in, a turn may lead to what is advised already.
    telling = [turn for turn in turns if turn.row is None or _device(case, turn.row).treatment != chosen.treatment]
    conditions = (*(condition(case, turn) for turn in telling), *_conditions(case, row, chosen))
    # A row of the table speaks of taps and pipes; what is mixed from bottles says itself why.
    figures = why.reason_figures(decided)
    own = Said("choose.bottle", figures) if device.reason == "choose.device.bottle" else Said(row.reason, figures)
    reasons = (
        own,
        *why.over(row, decided),
        *why.device(case, device, chosen),
        *why.how_it_is_set(case, chosen),
        *why.notes(case, chosen, decided),
    )
    return Advice(
        "conditional" if conditions else "decided",
        row.key,
        chosen.treatment,
        chosen.settings,
        chosen.predicted,
        reasons,
        conditions=conditions,
        repeat=why.repeats(case),
        window=chosen.window,
        options=(chosen, *others),
    )


def _device(case: Case, row: DecisionRow) -> Device:
    return device_for(case, row.treatment)


def _further(case: Case, row: DecisionRow, turns: list[Turn]) -> tuple[str, ...]:
    """Treatments worth working out beside the chosen one: the row's own, and those the turns lead to."""
    rows = [turn.row for turn in turns if turn.row is not None]
    wanted = [*row.also, *(other.treatment for other in rows if other.treatment not in ("pretreat", *_NO_ADVICE))]
    return (*(device_for(case, name).treatment for name in wanted), *row.also)


def _options(case: Case, device: Device, further: tuple[str, ...]) -> tuple[Option, ...]:
    names = dict.fromkeys((device.treatment, *device.also, *further))
    return tuple(_option(case, name) for name in names if name in TREATMENTS)


def _option(case: Case, treatment: str) -> Option:
    """Set one treatment; a blend takes the best bottle there is, else demineralised water, in tenths if it can."""
    if treatment != "blend":
        return optimise(case, treatment)
    name, water = _second_water(case)
    exact = optimise(case, "blend", water)
    # A canister is filled in whole litres of ten, where that keeps the limits as well.
    tenths = evaluate_settings(case, "blend", {"share": round(float(exact.settings["share"]), 1)}, water)
    option = replace(tenths, window=exact.window) if tenths.fits or not exact.fits else exact
    return replace(option, settings={**option.settings, "with": name})


def _second_water(case: Case) -> tuple[str, pd.Series[float]]:
    if case.bottled is not None and len(case.bottled):
        ranked, _ = rank_bottled(case.bottled, case)
        mixed = ranked[ranked["kind"] == "with tap"]
        if len(mixed):
            name = str(mixed.iloc[0]["first"])
            labels = case.bottled.reindex(columns=WIDE_COLUMNS).set_axis(case.bottled.index.astype("str"), axis=0)
            return name, pd.Series(labels.loc[[name]].to_numpy(dtype="float64")[0], index=labels.columns)
    return "demineralised", why.demineralised()


def _conditions(case: Case, row: DecisionRow, chosen: Option) -> tuple[Said, ...]:
    """Say what the row itself leaves open."""
    found = [Said(row.proviso)] if row.proviso else []
    if chosen.treatment == "unsoftened tap":
        found.append(why.unsoftened(case))
    if "conductivity" in case.held():
        found.append(Said("choose.if.conductivity_held"))
    if not chosen.fits and not why.can_be_remineralised(chosen) and chosen.treatment not in _NO_DEVICE:
        found.append(Said("choose.if.no_fit", {"answer": why.answer_named(chosen.treatment)}))
    return tuple(found)
