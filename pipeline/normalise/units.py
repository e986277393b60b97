"""Units: an exact table of spellings, and factors from pint. The only module that imports pint."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import pint

from pipeline.chemistry.equivalents import MOLAR_MASS
from pipeline.normalise.unit_spellings import folded, split_form, unit_spellings
from pipeline.reference import table
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    import pandas as pd

# Everything a unit code may mean; no text of a file ever reaches pint.
_DEFINITIONS: Final = (
    "gram = [mass] = g",
    "litre = [volume] = L",
    "mole = [substance] = mol",
    "equivalent = [charge_equivalents] = eq",
    "siemens = [conductance] = S",
    "metre = [length] = m",
    "kelvin = [temperature] = K",
    "degC = kelvin; offset: 273.15",
    "degF = 5 / 9 * kelvin; offset: 233.15 + 200 / 9",
    "milli- = 1e-3 = m-",
    "micro- = 1e-6 = u-",
    "nano- = 1e-9 = n-",
    "deci- = 1e-1 = d-",
    "centi- = 1e-2 = c-",
    "grain = 64.79891e-3 * gram",  # exact, international yard and pound agreement 1959
    "gallon_us = 3.785411784 * litre",  # exact
    "gallon_imperial = 4.54609 * litre",  # exact
)
# unit code -> (expression, form it implies)
_MEANING: Final[dict[str, tuple[str, str]]] = {
    "mg/L": ("mg/L", ""),
    "ppm": ("mg/L", ""),
    "ug/L": ("ug/L", ""),
    "ng/L": ("ng/L", ""),
    "g/L": ("g/L", ""),
    "mmol/L": ("mmol/L", ""),
    "umol/L": ("umol/L", ""),
    "mol/L": ("mol/L", ""),
    "meq/L": ("meq/L", ""),
    "ueq/L": ("ueq/L", ""),
    "deg-meq": ("meq/L", ""),
    "deg-german": ("10*mg/L", "as CaO"),
    "deg-french": ("10*mg/L", "as CaCO3"),
    "deg-clark": ("grain/gallon_imperial", "as CaCO3"),
    "grain/gal-us": ("grain/gallon_us", "as CaCO3"),
    "uS/cm": ("uS/cm", ""),
    "mS/cm": ("mS/cm", ""),
    "mS/m": ("mS/m", ""),
    "S/m": ("S/m", ""),
    "S/cm": ("S/cm", ""),
    "uS/m": ("uS/m", ""),
    "degC": ("degC", ""),
    "degF": ("degF", ""),
    "pH": ("", ""),
    "NTU": ("", ""),
    "FAU": ("", ""),
    "mV": ("", ""),
    "%": ("", ""),
}
# Units of another principle that read the same on the common standard, and what to say of them.
_STAND_INS: Final[dict[str, tuple[str, str]]] = {
    "FAU": ("NTU", "FAU is light that a water holds back, NTU light that it scatters; only formazin reads the same"),
}
_SCALES: Final[dict[str, str]] = {"uS/cm": "uS/cm", "Cel": "degC"}
# The form a bare mg/L of these quantities is taken for, and whether that is in doubt.
_HARDNESS: Final = frozenset({"total_hardness", "calcium_hardness", "magnesium_hardness", "noncarbonate_hardness"})
_ALKALINITY: Final = frozenset({"alkalinity", "phenolphthalein_alkalinity", "carbonate_hardness"})
_OWN_FORM: Final[dict[str, str]] = {
    **dict.fromkeys((*_HARDNESS, *_ALKALINITY), "as CaCO3"),
    "calcium": "as Ca",
    "magnesium": "as Mg",
    "sodium": "as Na",
    "potassium": "as K",
    "ammonium": "as NH4",
    "bicarbonate": "as HCO3",
    "carbonate": "as CO3",
    "chloride": "as Cl",
    "sulfate": "as SO4",
    "nitrate": "as NO3",
    "nitrite": "as NO2",
    "phosphate": "as PO4",
    "fluoride": "as F",
    "silica": "as SiO2",
    "iron": "as Fe",
    "manganese": "as Mn",
    "copper": "as Cu",
    "lead": "as Pb",
    "free_chlorine": "as Cl2",
    "total_chlorine": "as Cl2",
}
_IN_DOUBT: Final[dict[str, str]] = {
    "alkalinity": "as CaCO3 or as HCO3",
    "phenolphthalein_alkalinity": "as CaCO3 or as HCO3",
    "calcium_hardness": "as CaCO3 or as Ca",
    "magnesium_hardness": "as CaCO3 or as Mg",
}
# A laboratory's bare mg/L of these is of the ion; the ppm of a kit may be either.
_PPM_IN_DOUBT: Final[dict[str, str]] = {"calcium": "as CaCO3 or as Ca", "magnesium": "as CaCO3 or as Mg"}


@dataclass(frozen=True)
class Reading:
    """What a unit text means for one quantity: canonical = factor · value + offset, or a problem.

    ``temperature_c`` is the reference temperature a conductivity unit names ("uS/cm @20C").
    ``note`` says what was assumed; ``ambiguous`` why a person should confirm it.
    """

    factor: float = float("nan")
    offset: float = 0.0
    unit: str = ""
    basis: str = ""
    form: str = ""
    note: str = ""
    ambiguous: str = ""
    problem: str = ""
    detail: str = ""
    temperature_c: float = float("nan")


@cache
def _registry() -> pint.UnitRegistry[float]:
    registry: pint.UnitRegistry[float] = pint.UnitRegistry(None, autoconvert_offset_to_baseunit=True)
    for definition in _DEFINITIONS:
        registry.define(definition)
    return registry


@cache
def _factor(source: str, target: str) -> tuple[float, float] | None:
    """Give (factor, offset) from one unit expression to another; None across dimensions."""
    registry = _registry()
    try:
        if source in ("degC", "degF"):
            zero, one = (registry.Quantity(x, source).to(target).magnitude for x in (0.0, 1.0))
            return float(one - zero), float(zero)
        return float(registry.parse_expression(source).to(target).magnitude), 0.0
    except (pint.DimensionalityError, AttributeError):
        return None


def _form_factor(form: str, own: str) -> float | None:
    """Milligrams of the canonical form per milligram of the form given; None where they do not compare."""
    listed = table("forms").set_index("form")
    if form not in listed.index or own not in listed.index or not _comparable(form, own, listed["element"]):
        return None
    mass, charge = listed["molar_mass_g_mol"], listed["charge"]
    if charge[form] and charge[own]:
        return float((mass[own] / charge[own]) / (mass[form] / charge[form]))
    # Chlorine is reported as the mass of Cl2 whichever way it is written [ISO7393].
    return 1.0 if {form, own} == {"as Cl", "as Cl2"} else float(mass[own] / mass[form])


def _comparable(form: str, own: str, element: pd.Series) -> bool:
    """Tell whether two forms may stand for each other: nitrogen never stands for hardness."""
    if own == "as CaCO3":
        return element[form] in ("any", "C", "Ca", "Mg")
    return element[form] in ("any", element[own])


def _own_equivalent(own: str) -> tuple[float, float] | None:
    listed = table("forms")
    substances = zip(listed["form"], listed["molar_mass_g_mol"], listed["charge"], strict=True)
    return next(((float(mass), float(charge)) for form, mass, charge in substances if form == own), None)


@cache
def resolve(analyte: str, unit: str, basis: str, extra: tuple[tuple[str, str], ...] = ()) -> Reading:
    """Say what a unit text means for a quantity.

    Parameters
    ----------
    analyte : code of ``schemas.columns.ANALYTES`` or of another known quantity.
    unit : unit text as the file has it, "" where it has none.
    basis : chemical form as stated elsewhere (heading, speciation column), "" where not stated.
    extra : spellings of the layout, (text, spelling of the table).

    Returns
    -------
    Reading; with ``problem`` (`unit-unknown`, `unit-missing`, `unit-ambiguous`) where it has no meaning.

    Notes
    -----
    German degree = 10 mg/L CaO; French degree = 10 mg/L CaCO3; English degree = 1 grain per imperial
    gallon, CaCO3 [DIN-HARDNESS, CP]. mmol/L of hardness counts Ca + Mg, of alkalinity the acid used,
    which is meq/L [ISO9963, ISO6059].

    Example
    -------
    >>> round(7 * resolve("total_hardness", "°dH", "").factor, 2)
    124.93
    """
    text = dict(extra).get(unit, unit)
    key = folded(text)
    spelled = unit_spellings()
    found = split_form(key) if key else None
    if found is None:
        return _without_meaning(analyte, text, key)
    code, inner = found
    stated = spelled["forms"].get(folded(basis), "") if basis else ""
    if basis and not stated:
        return Reading(problem="unit-unknown", detail=f'"{text}" stands with the form "{basis}", which is not known')
    temperature = next((float(form[3:5]) for form in (inner, stated) if form.startswith("at ")), float("nan"))
    form = next((f for f in (inner, stated) if f and not f.startswith("at ")), "")
    if code == "deg-french" and analyte == "temperature" and key in ("°f", "degf"):
        code = "degF"
    return _meaning(analyte, code, form, text, temperature)


def _without_meaning(analyte: str, text: str, key: str) -> Reading:
    """Say why a unit text has no meaning; only pH needs no unit."""
    if not key:
        return Reading(factor=1.0, unit="[pH]") if analyte == "ph" else Reading(problem="unit-missing")
    spelled = unit_spellings()
    if key in spelled["ambiguous"]:
        return Reading(
            problem="unit-ambiguous", detail=f'"{text}" has more than one meaning: {spelled["ambiguous"][key]}'
        )
    near = difflib.get_close_matches(key, list(spelled["units"]), n=1, cutoff=0.75)
    return Reading(
        problem="unit-unknown", detail=f'"{text}" is not known' + (f'; did you mean "{near[0]}"?' if near else "")
    )


def _meaning(analyte: str, code: str, form: str, text: str, temperature: float) -> Reading:
    known = ANALYTES.get(analyte)
    canonical = known.unit if known else ""
    wrong = Reading(problem="unit-unknown", detail=f'"{text}" does not measure {analyte.replace("_", " ")}')
    expression, implied = _MEANING.get(code, ("", ""))
    if not expression:
        own, doubt = _STAND_INS.get(code, ({"pH": "[pH]"}.get(code, code), ""))
        fits = code in _MEANING and canonical in ("", own)
        return Reading(factor=1.0, unit=own, ambiguous=doubt) if fits else wrong
    if canonical in _SCALES:
        found = _factor(expression, _SCALES[canonical])
        return Reading(*found, canonical, temperature_c=temperature) if found else wrong
    if not known and not any(_factor(expression, unit) for unit in ("mg/L", "mmol/L", "meq/L")):
        return Reading(factor=1.0, unit=code)
    return _concentration(analyte, code, expression, implied or form, wrong)


def _concentration(analyte: str, code: str, expression: str, form: str, wrong: Reading) -> Reading:
    """Resolve a mass, amount or equivalent concentration to mg/L of the canonical form."""
    known = ANALYTES.get(analyte)
    if known is not None and known.unit != "mg/L":
        return wrong
    own = _OWN_FORM.get(analyte, "" if form == "as ion" else form)
    basis = known.basis if known else own
    mass = _factor(expression, "mg/L")
    if mass is None:
        return _amount(analyte, expression, own, basis, wrong)
    if not own and known is None:
        return Reading(factor=mass[0], unit="mg/L", basis=form, form=form)
    bare = not form or form == "as ion"
    given = own if bare else form
    form_factor = 1.0 if given == own else _form_factor(given, own)
    if form_factor is None:
        return wrong
    doubts = {**_IN_DOUBT, **_PPM_IN_DOUBT} if code == "ppm" else _IN_DOUBT
    doubt = doubts.get(analyte, "") if not form else ""
    note = f"{code} without a form taken {own}" if bare and own == "as CaCO3" else ""
    return Reading(
        factor=mass[0] * form_factor,
        unit="mg/L",
        basis=basis,
        form=given,
        note=note,
        ambiguous=f"{code} may be {doubt}" if doubt else "",
    )


def _amount(analyte: str, expression: str, own: str, basis: str, wrong: Reading) -> Reading:
    """Resolve mmol/L and meq/L through molar mass and charge of the canonical form."""
    amount, equivalents = _factor(expression, "mmol/L"), _factor(expression, "meq/L")
    substance = _own_equivalent(own)
    if substance is None:
        if analyte in MOLAR_MASS and amount is not None:
            return Reading(factor=amount[0] * MOLAR_MASS[analyte], unit="mg/L", basis=basis)
        scale = amount or equivalents
        return Reading(factor=scale[0], unit="mmol/L" if amount else "meq/L") if scale else wrong
    mass, charge = substance
    if equivalents is not None:
        return Reading(factor=equivalents[0] * mass / charge, unit="mg/L", basis=basis) if charge else wrong
    if amount is None:
        return wrong
    # Alkalinity in mmol/L is the acid it takes, one charge each [ISO9963]; hardness counts Ca + Mg.
    per = mass / charge if analyte in _ALKALINITY else mass
    note = "mmol/L of acid capacity taken as meq/L" if analyte in _ALKALINITY else ""
    return Reading(factor=amount[0] * per, unit="mg/L", basis=basis, note=note)
