"""Answers to `assess` and `convert`: a sample of the store, a few numbers typed in, one unit into another."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.assess import machines as machine_profiles
from pipeline.assess import profiles as water_profiles
from pipeline.assess.suitability import Assessment, AssessSettings, assess, held_samples
from pipeline.errors import KettlestoneError
from pipeline.normalise.derived import with_derived
from pipeline.normalise.sample_table import SampleTable, samples_from_wide
from pipeline.normalise.units import referred_to_25c, resolve
from pipeline.reference import table
from pipeline.report.batch.assessment import assessment_text
from schemas.columns import ANALYTES, COLUMNS

if TYPE_CHECKING:
    from pathlib import Path

    from pipeline.kits import Kit
    from pipeline.settings import Settings

# Short names of the command line -> canonical column.
SHORT_NAMES: Final[dict[str, str]] = {
    "ca": "calcium_mg_l",
    "mg": "magnesium_mg_l",
    "na": "sodium_mg_l",
    "k": "potassium_mg_l",
    "hco3": "bicarbonate_mg_l",
    "cl": "chloride_mg_l",
    "so4": "sulfate_mg_l",
    "no3": "nitrate_mg_l",
    "sio2": "silica_mg_l",
    "fe": "iron_mg_l",
    "chlorine": "total_chlorine_mg_l",
    "ph": "ph",
    "th": "total_hardness_mg_l_caco3",
    "cah": "calcium_hardness_mg_l_caco3",
    "alk": "alkalinity_mg_l_caco3",
    "ec": "conductivity_us_cm_25c",
    "temperature": "temperature_c",
}
_SYNONYMS: Final = {"hardness": "total_hardness", "ec": "conductivity"}
_MOST: Final = 1e6


def assess_text(
    settings: Settings,
    sample: str,
    *,
    as_json: bool = False,
    machine: str = "",
    profile: str = "",
    litres_per_day: float | None = None,
    machines: Path | None = None,
    profiles: Path | None = None,
) -> str:
    """Assess a sample of the store.

    Parameters
    ----------
    settings : where the store is.
    sample : id, or label where it is unique.
    as_json : records for other programs instead of text.
    machine : a machine profile in place of what the record says.
    profile : one named water; "" holds the water against all of them.
    litres_per_day : of the machine [L], in place of what the record says.
    machines, profiles : TOML files with the user's own.

    Raises
    ------
    KettlestoneError : no store, no such sample, machine or file.
    """
    samples, held = _stored(settings, sample)
    if litres_per_day is not None:
        samples = replace(samples, about=samples.about.assign(litres_per_day=litres_per_day))
    return _answer(samples, held, machine, machines, profiles, as_json=as_json, profile=profile)


def one_off(
    *,
    machine: str = "",
    profile: str = "",
    litres_per_day: float | None = None,
    machines: Path | None = None,
    profiles: Path | None = None,
    as_json: bool = False,
    **values: float | None,
) -> str:
    """Assess a water typed in on the command line.

    Parameters
    ----------
    machine : a machine profile or a word the trade uses for it.
    profile : one named water; "" holds the water against all of them.
    litres_per_day : of the machine [L].
    machines, profiles : TOML files with the user's own.
    as_json : records for other programs instead of text.
    values : by the names of `SHORT_NAMES`, in mg/L (hardness and alkalinity as CaCO3), µS/cm at 25 °C, °C;
        None = not measured.

    Raises
    ------
    KettlestoneError : no value, an impossible one, or an unknown name.

    Notes
    -----
    The readings get the usual uncertainty of a laboratory (``method_uncertainty.csv``).
    """
    given = {name: value for name, value in values.items() if value is not None}
    unknown = sorted(set(given) - set(SHORT_NAMES))
    if unknown:
        raise KettlestoneError(f'there is no value called "{unknown[0]}". Known: {", ".join(SHORT_NAMES)}.')
    if not given:
        raise KettlestoneError("give at least one reading, for example --th 250 --alk 200. Nothing was assessed.")
    for name, value in given.items():
        if not 0.0 <= value <= _MOST:
            raise KettlestoneError(f"{name} {value:g}: give a number from 0 to {_MOST:g}. Nothing was assessed.")
    frame = pd.DataFrame([{SHORT_NAMES[name]: float(value) for name, value in given.items()}])
    for name in frame.columns.tolist():
        frame[f"{name}.u"] = _usual_uncertainty(name, float(frame[name].to_numpy()[0]))
    about = {
        "sample_id": "typed in",
        "label": "typed in",
        "machine": machine,
        "litres_per_day": litres_per_day,
    }
    samples = with_derived(samples_from_wide(frame.assign(**about)))
    return _answer(samples, pd.Index([]), machine, machines, profiles, as_json=as_json, profile=profile)


def _usual_uncertainty(name: str, value: float) -> float:
    limits = table("method_uncertainty")
    laboratory = limits[limits["method"] == "laboratory"].set_index("analyte")
    code = COLUMNS[name].code
    row = laboratory.loc[[code if code in laboratory.index else "*"], ["relative", "absolute"]].to_numpy(
        dtype="float64"
    )
    return float(max(row[0, 0] * value, row[0, 1]))


def _stored(settings: Settings, sample: str) -> tuple[SampleTable, pd.Index]:
    """Rebuild one sample of the store as the checks saw it, decisions applied."""
    from pipeline.store.database import Store  # noqa: PLC0415
    from pipeline.store.findings import findings  # noqa: PLC0415 - duckdb is not needed for a water typed in
    from pipeline.store.samples import find_sample  # noqa: PLC0415 - duckdb is not needed for a water typed in
    from pipeline.store.table import sample_table  # noqa: PLC0415

    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        sample_id = find_sample(store, sample)
        samples = sample_table(store, [sample_id])
        listed = findings(store, sample_id=sample_id)
    return samples, held_samples(listed.assign(severity=listed["current_severity"]))


def _answer(
    samples: SampleTable,
    held: pd.Index,
    machine: str,
    machines: Path | None,
    profiles: Path | None,
    *,
    as_json: bool,
    profile: str = "",
) -> str:
    known = machine_profiles.machines_with(machines)
    waters = {**water_profiles.published(), **(water_profiles.load_profiles(profiles) if profiles else {})}
    if profile and profile not in waters:
        raise KettlestoneError(f'there is no profile "{profile}". Known: {", ".join(waters)}. Nothing was assessed.')
    chosen = machine_profiles.named_machine(machine, known)
    asked = {profile: waters[profile]} if profile else waters
    assessment = assess(samples, known, asked, AssessSettings(machine=chosen), held)
    return _json(assessment) if as_json else assessment_text(assessment, samples.about)


def _json(assessment: Assessment) -> str:
    tables = {"verdicts": assessment.verdicts, "quantities": assessment.quantities}
    records = {
        name: frame.astype(object).where(frame.notna(), None).to_dict("records") for name, frame in tables.items()
    }
    return json.dumps(records, ensure_ascii=False)


def convert_text(value: float, unit_from: str, unit_to: str, analyte: str) -> str:
    """Convert a value between two units of one quantity.

    Parameters
    ----------
    value : the number.
    unit_from, unit_to : unit texts as files write them ("°dH", "mg/L as CaCO3", "mmol/L").
    analyte : what was measured: a code of ``schemas.columns.ANALYTES``, "hardness" or "ec".

    Returns
    -------
    ``7 °dH = 124.94 mg/L as CaCO3 (total hardness)``, and what was assumed on further lines.

    Raises
    ------
    KettlestoneError : an unknown quantity or unit, or a number that is none.

    Example
    -------
    >>> convert_text(7, "°dH", "mg/L as CaCO3", "hardness")
    '7 °dH = 124.936 mg/L as CaCO3 (total hardness)'
    """
    code = analyte.strip().casefold().replace(" ", "_")
    code = _SYNONYMS.get(code, code)
    if code not in ANALYTES:
        raise KettlestoneError(f'"{analyte}" is not a known quantity. Known: {", ".join(ANALYTES)}.')
    if not np.isfinite(value):
        raise KettlestoneError(f"{value} is not a number that can be converted.")
    source, target = (referred_to_25c(resolve(code, unit, "")) for unit in (unit_from, unit_to))
    for text, meaning in ((unit_from, source), (unit_to, target)):
        if meaning.problem:
            raise KettlestoneError(
                f'"{text}" as a unit of {ANALYTES[code].title.lower()}: {meaning.detail or meaning.problem}. '
                "Nothing was converted."
            )
    canonical = source.factor * value + source.offset
    result = (canonical - target.offset) / target.factor
    if not (np.isfinite(canonical) and np.isfinite(result)):
        raise KettlestoneError(f"{value:g} {unit_from} is more than any measurement gives. Nothing was converted.")
    remarks = [text for meaning in (source, target) for text in (meaning.note, meaning.ambiguous) if text]
    title = ANALYTES[code].title
    first = f"{value:g} {unit_from} = {result:.6g} {unit_to} ({title[:1].lower()}{title[1:]})"
    return "\n".join([first, *(f"  {text}." for text in dict.fromkeys(remarks))])


def drops_text(count: float, kit: Kit, used_ml: float | None, unit_to: str, analyte: str) -> str:
    """Convert a count of drops.

    Parameters
    ----------
    count : whole drops from 0.
    kit : whose drops.
    used_ml : sample volume used [mL]; None is what the kit is made for.
    unit_to, analyte : as for `convert_text`.

    Raises
    ------
    KettlestoneError : no whole number of drops, a volume that is none, or what `convert_text` refuses.

    Example
    -------
    >>> from pipeline.kits import known_kits
    >>> print(drops_text(9, known_kits(None)["german-degree"], None, "mg/L as CaCO3", "hardness"))
    9 drops = 160.632 mg/L as CaCO3 (total hardness)
      german-degree: 1 German degree (°dH) per drop, 10 mL; the truth lies between 142.784 and 160.632.
    """
    used = kit.nominal_ml if used_ml is None else used_ml
    if not (0.0 <= count <= _MOST and count == int(count)):
        raise KettlestoneError(f"{count:g} drops: drops are whole numbers from 0. Nothing was converted.")
    if not 0.0 < used <= _MOST:
        raise KettlestoneError(f"--volume-used {used:g}: write millilitres above 0. Nothing was converted.")
    source, step = kit.degree_unit, kit.degree_per_drop * kit.nominal_ml / used
    if source == "mg/L":
        source = "mg/L as CaCO3"
    first = convert_text(count * step, source, unit_to, analyte)
    figures = [
        convert_text(part * step, source, unit_to, analyte).split(" = ")[1].split(" ")[0]
        for part in (max(count - 1.0, 0.0), max(count, 1.0))
    ]
    drops = "1 drop" if count == 1.0 else f"{count:g} drops"
    between = f"the truth lies between {figures[0]} and {figures[1]}"
    return f"{drops} = {first.split(' = ')[1]}\n  {kit.name}: {kit.title}; {between}."
