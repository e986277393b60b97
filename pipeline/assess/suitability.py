"""Samples against machines and profiles: one sentence for the cup, another for the boiler."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.assess.boiler import BoilerScale, boiler_scale
from pipeline.assess.clauses import after, clause, joined
from pipeline.assess.corrosion import CorrosionLimits, corrosion
from pipeline.assess.extraction import CupLimits, cup_words
from pipeline.assess.machines import NOT_KNOWN, Machine, known_machines, recognise
from pipeline.assess.profiles import Profile, published
from pipeline.assess.quantities import quantities
from pipeline.assess.readings_range import readings_range
from pipeline.assess.scale import ScaleLimits
from pipeline.assess.zones import disagreement, judge_zone
from pipeline.chemistry.equivalents import column
from pipeline.chemistry.remarks import remarks
from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.normalise.sample_table import SampleTable

ON_HOLD: Final = "not assessed: data on hold"
NOT_A_WATER: Final = "not assessed: a control sample or water from the hot outlet"
VERDICT_COLUMNS: Final = ["sample_id", "machine", "profile", "cup_zone", "cup_sentence",
                          "boiler_verdict", "boiler_sentence", "unknowns"]  # fmt: skip
_DECIDING: Final = r"\b(?:total_hardness|calcium_hardness|calcium|magnesium|alkalinity|bicarbonate|conductivity)\b"
_CONTROL: Final = ("blank", "standard", "spike")
_LEVELS: Final = ("suitable", "attention", "act")
_SCALE_LEVELS: Final = dict(zip(("little scale", "some scale", "heavy scale"), _LEVELS, strict=True))


@dataclass(frozen=True)
class AssessSettings:
    """Settings of an assessment; ``machine`` replaces what the samples say, "" leaves it to them."""

    machine: str = ""
    scale: ScaleLimits = field(default_factory=ScaleLimits)
    corrosion: CorrosionLimits = field(default_factory=CorrosionLimits)
    cup: CupLimits = field(default_factory=CupLimits)


@dataclass(frozen=True)
class Assessment:
    """What the waters will do.

    Attributes
    ----------
    quantities : QUANTITY_COLUMNS, for the table ``assessment``.
    verdicts : VERDICT_COLUMNS, one row per sample and profile.
    """

    quantities: pd.DataFrame
    verdicts: pd.DataFrame


def held_samples(findings: pd.DataFrame) -> pd.Index:
    """Name the samples whose hardness, alkalinity or conductivity is on hold or rejected.

    Parameters
    ----------
    findings : ``sample_id severity analyte`` (a blank-separated list of quantities).
    """
    serious = findings["severity"].isin(OPEN)
    deciding = findings["analyte"].fillna("").astype("str").str.contains(_DECIDING)
    found: pd.Index = pd.Index(findings.loc[serious & deciding, "sample_id"].dropna().unique())
    return found


def assess(
    samples: SampleTable,
    machines: Mapping[str, Machine] | None = None,
    profiles: Mapping[str, Profile] | None = None,
    settings: AssessSettings | None = None,
    held: pd.Index | None = None,
) -> Assessment:
    """Say what each water does in the cup and in its machine.

    "In the coffee zone" and "safe for the boiler" are two verdicts; a water may pass one and fail the
    other, so they are never merged.

    Parameters
    ----------
    samples : the filled table; ``about`` may name machine, country, litres a day.
    machines : profiles by name, by default the built-in ones.
    profiles : named waters, by default the published ones.
    settings : limits; up to how many samples the full solution is worked out.
    held : ids of samples that must not be assessed, as `held_samples` gives them.

    Returns
    -------
    Assessment.

    Raises
    ------
    ValueError : ``settings.machine`` is not one of ``machines``.
    """
    chosen = settings or AssessSettings()
    known = {**known_machines(), **(machines or {})}
    if chosen.machine and chosen.machine not in known:
        raise ValueError(f'machine "{chosen.machine}": use one of {", ".join(known)}')
    waters = dict(profiles if profiles is not None else published())
    refused = _refused(samples, held)
    usable = _only(samples, (refused == "").to_numpy())
    found = recognise(usable.about.get("machine", _nothing(usable)), known)
    names = found["machine"] if not chosen.machine else _nothing(usable).replace("", chosen.machine)
    litres, connection_differs = _use(usable, names, found["connection"], known)
    scale = boiler_scale(readings_range(usable), names, known, litres, chosen.scale)
    metal = corrosion(usable, _metal(names, known), chosen.corrosion)
    verdicts = _verdicts(usable, names, waters, scale, metal, chosen, connection_differs)
    return Assessment(
        quantities=quantities(usable, scale, metal),
        verdicts=pd.concat([verdicts, _not_assessed(refused[refused != ""], waters)], ignore_index=True),
    )


def _nothing(samples: SampleTable) -> pd.Series:
    return pd.Series("", index=samples.about.index, dtype="str")


def _only(samples: SampleTable, mask: np.ndarray) -> SampleTable:
    """Keep some samples; the long readings are not needed here."""
    if mask.all():
        return samples
    names = ("about", "measured", "filled", "uncertainty", "low", "high", "method")
    return replace(samples, **{name: getattr(samples, name)[mask] for name in names})


def _refused(samples: SampleTable, held: pd.Index | None) -> pd.Series:
    about = samples.about
    control = about.get("activity", _nothing(samples)).isin(_CONTROL)
    control |= about.get("stage", _nothing(samples)) == "hot_outlet"
    on_hold = about.index.isin(held) if held is not None else np.zeros(len(about), dtype="bool")
    code = np.where(on_hold, 1, np.where(control, 2, 0))
    return pd.Series(pd.array(["", ON_HOLD, NOT_A_WATER], dtype="str").take(code), index=about.index)


def _use(
    samples: SampleTable, names: pd.Series, connection: pd.Series, machines: Mapping[str, Machine]
) -> tuple[np.ndarray, np.ndarray]:
    """Litres a year of each machine, and where the record's connection is not the profile's."""
    own = {name: (machine.litres_per_day, machine.days_per_year) for name, machine in machines.items()}
    per_day = names.map({name: use[0] for name, use in own.items()}).astype("float64")
    days = names.map({name: use[1] for name, use in own.items()}).astype("float64")
    stated = column(samples.about, "litres_per_day")
    plumbed = names.map({name: machine.connection for name, machine in machines.items()})
    differs = (connection != NOT_KNOWN) & (plumbed != NOT_KNOWN) & (connection != plumbed)
    return floats(stated.fillna(per_day) * days), differs.to_numpy()


def _metal(names: pd.Series, machines: Mapping[str, Machine]) -> pd.DataFrame:
    facts: dict[str, dict[str, float]] = {
        "concentration": {name: machine.concentration for name, machine in machines.items()},
        "level_probe": {name: machine.level_probe for name, machine in machines.items()},
        "aluminium": {name: "aluminium" in machine.metals for name, machine in machines.items()},
    }
    return pd.DataFrame({key: names.map(values) for key, values in facts.items()}, index=names.index)


def _boiler_verdict(scale: BoilerScale, metal_level: np.ndarray) -> pd.Series[str]:
    """Word of the worse of scale and corrosion, with the doubt of whichever decides."""
    levels = pd.Series(pd.array(_LEVELS, dtype="str").take(metal_level), index=scale.word.index)
    by_scale = scale.word.replace({"not known": "cannot tell"})
    for words, level in _SCALE_LEVELS.items():
        by_scale = by_scale.str.replace(words, level, regex=False)
    corrosion_decides = (metal_level >= scale.level) & (metal_level > 0)
    return by_scale.where(~corrosion_decides, levels).astype("str")


def _verdicts(
    samples: SampleTable,
    names: pd.Series,
    profiles: Mapping[str, Profile],
    scale: BoilerScale,
    metal: pd.DataFrame,
    settings: AssessSettings,
    connection_differs: np.ndarray,
) -> pd.DataFrame:
    index = samples.about.index
    judged = {name: judge_zone(samples, profile) for name, profile in profiles.items()}
    zones = pd.DataFrame({name: result["zone"] for name, result in judged.items()}, index=index)
    cup = _spaced(cup_words(samples, settings.cup), disagreement(zones))
    year = pd.Series(floats(scale.per_year["value"]), index=index)
    boiler = _boiler_sentence(scale, metal, year)
    flags = {
        "machine not known: 95 °C brew and 125 °C steam taken": (names == NOT_KNOWN).to_numpy(),
        "the record's water connection is not the machine profile's": connection_differs,
    }
    general = _listed(remarks(flags, index), metal["unknowns"])
    verdict = _boiler_verdict(scale, metal["level"].to_numpy())
    tables = [
        pd.DataFrame(
            {
                "sample_id": index,
                "machine": names.array,
                "profile": name,
                "cup_zone": result["zone"].array,
                "cup_sentence": _spaced(result["sentence"], cup).array,
                "boiler_verdict": verdict.array,
                "boiler_sentence": boiler.array,
                "unknowns": _listed(result["unknowns"], general).array,
            }
        )
        for name, result in judged.items()
    ]
    joined = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=VERDICT_COLUMNS)
    return joined[VERDICT_COLUMNS]


def _spaced(*texts: pd.Series[str]) -> pd.Series[str]:
    return joined([after("", text) for text in texts], texts[0].index, " ")


def _listed(first: pd.Series, second: pd.Series) -> pd.Series:
    """Join two lists of remarks, each remark once; equal pairs are joined once."""
    pairs = pd.Series(first.array + "\n" + second.array, index=first.index)
    codes, unique = pd.factorize(pairs)
    joined = [
        "; ".join(dict.fromkeys(part for line in str(pair).split("\n") for part in line.split("; ") if part))
        for pair in unique
    ]
    return pd.Series(pd.array(joined, dtype="str").take(codes), index=first.index)


def _boiler_sentence(scale: BoilerScale, metal: pd.DataFrame, year: pd.Series) -> pd.Series:
    figures = "About {low:2} to {high:2} kg a year, usually {value:2}."
    parts = [
        after("Scale: ", scale.sentence, "."),
        clause(figures, np.asarray(year.notna()), scale.per_year),
        after("Metal: ", metal["notes"], "."),
        after("Note: ", metal["remarks"], "."),
    ]
    return joined(parts, year.index, " ")


def _not_assessed(refused: pd.Series, profiles: Mapping[str, Profile]) -> pd.DataFrame:
    tables = [
        pd.DataFrame(
            {
                "sample_id": refused.index,
                "machine": "",
                "profile": name,
                "unknowns": "",
                **dict.fromkeys(("cup_zone", "cup_sentence", "boiler_verdict", "boiler_sentence"), refused.array),
            }
        )
        for name in profiles
    ]
    joined = pd.concat(tables, ignore_index=True) if tables else pd.DataFrame(columns=VERDICT_COLUMNS)
    return joined[VERDICT_COLUMNS]
