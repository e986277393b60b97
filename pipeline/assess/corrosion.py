"""What a water does to the metal of a machine, beside scale: limits of the trade, as notes with numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from pipeline.arrays import floats
from pipeline.assess.limit_notes import Rule, apply, reading_for
from pipeline.chemistry.indices import corrosion_ratios
from pipeline.chemistry.remarks import remarks

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.arrays import Flags, Floats
    from pipeline.normalise.sample_table import SampleTable

Pair = tuple[float, float]  # attention, act


@dataclass(frozen=True)
class CorrosionLimits:
    """Limits at the inlet of a machine: attention, act. Common practice [CP] unless a key stands beside it."""

    chloride_mg_l: Pair = (30.0, 50.0)  # hot stainless steel, copper, brass
    chloride_never_mg_l: float = 100.0  # do not feed a hot boiler above it
    steam_chloride_mg_l: Pair = (200.0, 250.0)  # in the steam boiler before it is drained
    sulfate_mg_l: Pair = (100.0, 250.0)  # act: [EU2020]
    low_ph: Pair = (6.8, 6.5)
    low_alkalinity_mg_l_caco3: Pair = (40.0, 25.0)
    low_conductivity_us_cm: Pair = (60.0, 30.0)  # level probes
    silica_mg_l: Pair = (25.0, 50.0)
    iron_mg_l: Pair = (0.1, 0.2)  # act: [EU2020]
    manganese_mg_l: Pair = (0.03, 0.05)  # act: [EU2020]
    chlorine_mg_l: Pair = (0.05, 0.1)
    aluminium_ph: Pair = (8.5, 9.0)  # attention [CP]; act: half a unit more [CP]


def corrosion(
    samples: SampleTable,
    machines: pd.DataFrame,
    limits: CorrosionLimits = CorrosionLimits(),
) -> pd.DataFrame:
    """Say what in a water works on metal, probes and valves of its machine.

    Scale is slow and shows; a pitted boiler is found when it leaks.

    Parameters
    ----------
    samples : the filled table.
    machines : (n, 3) frame, same index: ``concentration`` of the steam boiler [-], ``level_probe``,
        ``aluminium``.
    limits : attention and act limits.

    Returns
    -------
    (n, 6) frame: ``level`` (0 fine, 1 attention, 2 act), ``notes``, ``remarks`` (the corrosion ratios,
    which never decide anything), ``unknowns``, ``steam_chloride_mg_l``, and the ratios ``larson_skold`` and
    ``chloride_sulfate_mass_ratio`` with it.

    Notes
    -----
    Boiler chloride = feed chloride × (1 + steam/boiler volume between drainings) [CP]. Larson–Skold was made
    on mild steel in lake water [LS1958], the chloride to sulfate ratio on joints with lead [BELITZ2016].
    """
    chloride = reading_for(samples, "chloride_mg_l", limits.chloride_mg_l[0])
    boiler = chloride * floats(machines["concentration"])
    found = apply(_rules(samples, machines, boiler, limits), samples.about.index)
    ratios = corrosion_ratios(samples.filled, samples.high)
    unknown = {
        "chloride not measured": np.isnan(chloride),
        "pH not measured": np.isnan(reading_for(samples, "ph", limits.low_ph[0], above=False)),
    }
    steel = ratios["larson_skold_class"].isin(["raised", "high"]).to_numpy()
    lead = (ratios["chloride_sulfate_class"] == "high").to_numpy()
    never = np.nan_to_num(chloride) > limits.chloride_never_mg_l
    return found.assign(
        notes=_joined(found["notes"], never),
        remarks=remarks(_ratio_words(steel, lead), found.index),
        unknowns=remarks(unknown, found.index),
        steam_chloride_mg_l=np.where(floats(machines["concentration"]) > 1.0, boiler, np.nan),
        larson_skold=ratios["larson_skold"],
        chloride_sulfate_mass_ratio=ratios["chloride_sulfate_mass_ratio"],
    )


def _joined(notes: pd.Series, never: Flags) -> pd.Series:
    more = "; do not feed a hot boiler with this chloride, only reverse osmosis takes it out"
    return (notes + np.where(never, more, "")).astype("str")


def _ratio_words(steel: Flags, lead: Flags) -> dict[str, Flags]:
    return {
        "Larson–Skold is raised: a note on mild steel pipes, no verdict on this machine": steel,
        "chloride to sulfate is high at low alkalinity: a note on joints with lead": lead,
    }


def _rules(samples: SampleTable, machines: pd.DataFrame, boiler: Floats, limits: CorrosionLimits) -> list[Rule]:
    probe = machines["level_probe"].to_numpy(dtype="bool")
    aluminium = machines["aluminium"].to_numpy(dtype="bool")
    concentrates = floats(machines["concentration"]) > 1.0

    def upper(name: str, pair: Pair) -> tuple[Floats, float, float]:
        return reading_for(samples, name, pair[0]), *pair

    def lower(name: str, pair: Pair) -> tuple[Floats, float, float]:
        return reading_for(samples, name, pair[0], above=False), *pair

    mg, chlorine = " mg/L", limits.chlorine_mg_l
    any_chlorine = np.fmax(upper("free_chlorine_mg_l", chlorine)[0], upper("total_chlorine_mg_l", chlorine)[0])
    return [
        Rule("chloride", *upper("chloride_mg_l", limits.chloride_mg_l), mg, "pits hot stainless steel and brass"),
        Rule("chloride in the steam boiler", boiler, *limits.steam_chloride_mg_l, mg,
             "drain it more often", applies=concentrates),
        Rule("sulfate", *upper("sulfate_mg_l", limits.sulfate_mg_l), mg, "copper pitting, hard sulfate scale"),
        Rule("pH", *lower("ph", limits.low_ph), "", "dissolves copper and brass", above=False, digits=1),
        Rule("pH", *upper("ph", limits.aluminium_ph), "", "works on aluminium", digits=1, applies=aluminium),
        Rule("alkalinity", *lower("alkalinity_mg_l_caco3", limits.low_alkalinity_mg_l_caco3), mg,
             "little buffer against acid steam condensate", above=False),
        Rule("conductivity", *lower("conductivity_us_cm_25c", limits.low_conductivity_us_cm), " µS/cm",
             "a level probe may not see the water", above=False, applies=probe),
        Rule("silica", *upper("silica_mg_l", limits.silica_mg_l), mg, "glassy scale, blocked restrictors"),
        Rule("iron", *upper("iron_mg_l", limits.iron_mg_l), mg, "deposits", digits=2),
        Rule("manganese", *upper("manganese_mg_l", limits.manganese_mg_l), mg, "deposits", digits=3),
        Rule("chlorine", any_chlorine, *chlorine, mg, "fit activated carbon", digits=2),
    ]  # fmt: skip
