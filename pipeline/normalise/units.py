"""What a unit is worth for a quantity, by pint's factors. The only module that imports pint."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Final

import pint

from pipeline.chemistry.compensation import factor_to_25c
from pipeline.chemistry.equivalents import MOLAR_MASS
from pipeline.notation.grammar import celsius, read_unit, temperature_behind
from pipeline.notation.signs import fold
from pipeline.notation.vocabulary import stated_form, units
from pipeline.reference import table
from schemas.columns import ANALYTES

if TYPE_CHECKING:
    from pipeline.notation.grammar import Notation
    from pipeline.notation.vocabulary import Unit

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
# Units of another principle that read the same on the common standard, and what to say of them.
_STAND_INS: Final[dict[str, tuple[str, str]]] = {
    "FAU": ("NTU", "FAU is light that a water holds back, NTU light that it scatters; only formazin reads the same"),
}
_SCALES: Final[dict[str, str]] = {"uS/cm": "uS/cm", "Cel": "degC"}
_ALKALINITY: Final = frozenset({"alkalinity", "phenolphthalein_alkalinity", "carbonate_hardness"})
_SCALE_OF_SOLIDS: Final = {"as NaCl": "NaCl scale", "as KCl": "KCl scale"}
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


@cache
def _quantity_forms() -> dict[str, tuple[str, frozenset[str]]]:
    """Give the form of a bare mg/L of each quantity, and the forms it may be stated in."""
    listed = table("quantity_forms").fillna("")
    rows = zip(listed["quantity"], listed["own"], listed["forms"], strict=True)
    return {str(name): (str(own), frozenset({own, *str(forms).split("; ")} - {""})) for name, own, forms in rows}


def _fits(analyte: str, form: str) -> bool:
    """Tell whether anybody states a quantity in a form: alkalinity is never stated as magnesium."""
    own = _quantity_forms().get(analyte, ("", frozenset[str]()))
    return form in ("", "as ion") or form in own[1]


@cache
def _substances() -> dict[str, tuple[float, float]]:
    """Give molar mass [g/mol] and charge of every form."""
    listed = table("forms").merge(table("molar_masses"), on="formula", validate="many_to_one")
    rows = zip(listed["form"], listed["molar_mass_g_mol"], listed["charge"], strict=True)
    return {str(form): (float(mass), float(charge)) for form, mass, charge in rows}


def _form_factor(form: str, own: str) -> float:
    """Milligrams of the canonical form per milligram of the form given."""
    if form == own or {form, own} == {"as Cl", "as Cl2"}:
        # Chlorine is reported as the mass of Cl2 whichever way it is written [ISO7393].
        return 1.0
    (mass, charge), (own_mass, own_charge) = _substances()[form], _substances()[own]
    if charge and own_charge:
        return (own_mass / own_charge) / (mass / charge)
    return own_mass / mass


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
    124.94
    """
    text = dict(extra).get(unit, unit)
    if not text.strip():
        return (
            Reading(factor=1.0, unit="[pH]")
            if analyte == "ph"
            else Reading(problem="unit-missing", detail=_title(analyte))
        )
    found = read_unit(text)
    if found is None or found.ambiguous:
        return _without_meaning(text, found)
    at = found.temperature_c
    stated = stated_form(basis)
    if basis and not stated:
        if (place := temperature_behind().fullmatch(fold(basis).text)) is None:
            return Reading(
                problem="unit-unknown", detail=f'"{text}" stands with the form "{basis}", which is not known'
            )
        at = celsius(place)
    form = next((said for said in (found.form, stated) if said), "")
    readings = [_meaning(analyte, code, form, text, at) for code in found.codes]
    wrong = Reading(problem="unit-unknown", detail=f'"{text}" does not measure {analyte.replace("_", " ")}')
    return next((one for one in readings if not one.problem), next(iter(readings), wrong))


def _title(analyte: str) -> str:
    """Name a quantity as people do."""
    known = ANALYTES.get(analyte)
    if known is None:
        return analyte.replace("_", " ")
    small = known.title[1:2].islower()  # "pH" and "TDS" stay as they are
    return known.title[:1].lower() + known.title[1:] if small else known.title


def _without_meaning(text: str, found: Notation | None) -> Reading:
    """Say why a unit text has no meaning, or more than one."""
    if found is not None:
        return Reading(problem="unit-ambiguous", detail=f'"{text}" has more than one meaning: {found.ambiguous}')
    near = difflib.get_close_matches(text.strip().casefold(), _usual_spellings(), n=1, cutoff=0.75)
    return Reading(
        problem="unit-unknown",
        detail=f'"{text}" is not known' + (f'; did you mean "{_usual_spellings()[near[0]]}"?' if near else ""),
    )


@cache
def _usual_spellings() -> dict[str, str]:
    return {word.casefold(): word for unit in units().values() for word in (*unit.spellings, unit.code)}


def _meaning(analyte: str, code: str, form: str, text: str, temperature: float) -> Reading:
    known = ANALYTES.get(analyte)
    canonical = known.unit if known else ""
    wrong = Reading(problem="unit-unknown", detail=f'"{text}" does not measure {analyte.replace("_", " ")}')
    unit = units()[code]
    if not unit.expression:
        own, doubt = _STAND_INS.get(code, ({"pH": "[pH]"}.get(code, code), ""))
        fits = code != "drops" and canonical in ("", own)
        return Reading(factor=1.0, unit=own, ambiguous=doubt) if fits else wrong
    if canonical in _SCALES:
        if form not in ("", "as ion"):
            return wrong
        found = _factor(unit.expression, _SCALES[canonical])
        return Reading(*found, canonical, temperature_c=temperature) if found else wrong
    if not known and not any(_factor(unit.expression, amount) for amount in ("mg/L", "mmol/L", "meq/L")):
        return Reading(factor=1.0, unit=code)
    if known is not None and known.unit != "mg/L":
        return wrong
    return _concentration(analyte, unit, form, text, wrong)


def _concentration(analyte: str, unit: Unit, form: str, text: str, wrong: Reading) -> Reading:
    """Resolve a mass, amount or equivalent concentration to mg/L of the canonical form."""
    if analyte == "tds":
        return _solids(unit, form, text)
    form = unit.form or ("" if form == "as ion" else form)
    if not _fits(analyte, form):
        return Reading(
            problem="unit-unknown",
            detail=f'"{text}" does not measure {analyte.replace("_", " ")}, which is never stated {form}',
        )
    known = ANALYTES.get(analyte)
    own = _quantity_forms().get(analyte, ("", None))[0] or form
    basis = known.basis if known else own
    mass = _factor(unit.expression, "mg/L")
    if mass is None:
        return _amount(analyte, unit.expression, form, own, basis, wrong)
    if not own:
        return Reading(factor=mass[0], unit="mg/L", basis=basis)
    doubts = {**_IN_DOUBT, **_PPM_IN_DOUBT} if unit.code == "ppm" else _IN_DOUBT
    doubt = doubts.get(analyte, "") if not form else ""
    return Reading(
        factor=mass[0] * (_form_factor(form, own) if form else 1.0),
        unit="mg/L",
        basis=basis,
        form=form or own,
        note=f"{unit.code} without a form taken {own}" if not form and own == "as CaCO3" else "",
        ambiguous=f"{unit.code} may be {doubt}" if doubt else "",
    )


def _solids(unit: Unit, form: str, text: str) -> Reading:
    """Resolve dissolved solids: a mass in a volume, maybe on the scale of a salt; a degree of hardness is none."""
    mass = _factor(unit.expression, "mg/L")
    if mass is None or unit.form or form not in ("", "as ion", *_SCALE_OF_SOLIDS):
        return Reading(problem="unit-unknown", detail=f'"{text}" does not measure tds')
    return Reading(factor=mass[0], unit="mg/L", basis=_SCALE_OF_SOLIDS.get(form, ""))


def _amount(analyte: str, expression: str, form: str, own: str, basis: str, wrong: Reading) -> Reading:
    """Resolve mmol/L and meq/L through molar mass and charge: of the form stated, else of the quantity itself."""
    amount, equivalents = _factor(expression, "mmol/L"), _factor(expression, "meq/L")
    substance = _substances().get(own)
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
    if form:
        per = _substances()[form][0] * _form_factor(form, own)
        return Reading(factor=amount[0] * per, unit="mg/L", basis=basis, form=form)
    # Alkalinity in mmol/L is the acid it takes, one charge each [ISO9963]; hardness counts Ca + Mg.
    per = mass / charge if analyte in _ALKALINITY else mass
    note = "mmol/L of acid capacity taken as meq/L" if analyte in _ALKALINITY else ""
    return Reading(factor=amount[0] * per, unit="mg/L", basis=basis, note=note)


def referred_to_25c(meaning: Reading) -> Reading:
    """Bring a conductivity whose unit names a reference temperature to 25 °C.

    Parameters
    ----------
    meaning : of a unit text.

    Returns
    -------
    the meaning with the factor to 25 °C in it, and said so; any other one as it is. A temperature outside
    the table is a problem.

    Notes
    -----
    EC25 = f25(T) EC(T) for natural water, 0–35 °C; 1.116 from 20 °C [ISO7888].
    """
    if meaning.problem or meaning.unit != "uS/cm" or math.isnan(meaning.temperature_c):
        return meaning
    factor = float(factor_to_25c(meaning.temperature_c).item())
    if math.isnan(factor):
        detail = f"{meaning.temperature_c:g} °C is outside the table of ISO 7888, 0 to 35 °C"
        return Reading(problem="unit-unknown", detail=detail)
    if meaning.temperature_c == 25.0:  # noqa: PLR2004 - the temperature it is brought to
        return meaning
    return replace(
        meaning,
        factor=meaning.factor * factor,
        note=f"conductivity at {meaning.temperature_c:g} °C is ×{factor:.3f} at 25 °C (ISO 7888)",
    )
