"""The figures of an assessment as rows: sample, quantity, value, low, high, unit, method."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.assess.hardness_classes import classes_of
from pipeline.chemistry.arrays import floats
from pipeline.chemistry.equivalents import column

if TYPE_CHECKING:
    from pipeline.assess.boiler import BoilerScale
    from pipeline.normalise.sample_table import SampleTable

QUANTITY_COLUMNS: Final = ["sample_id", "quantity", "value", "low", "high", "unit", "method"]


def quantities(samples: SampleTable, scale: BoilerScale, metal: pd.DataFrame) -> pd.DataFrame:
    """Lay every figure out as rows of the table ``assessment``.

    Parameters
    ----------
    samples : the samples that were assessed.
    scale : their scale.
    metal : as ``corrosion`` gives it.

    Returns
    -------
    QUANTITY_COLUMNS; a figure that is not known has no row. Scale in g/m3, which is mg per litre of feed.
    """
    index, parts = samples.about.index, scale.parts
    ids = pd.Series(index.astype("str").array.take(parts["row"].to_numpy()))
    rows = []
    for place in parts["place"].unique():
        own = (parts["place"] == place).to_numpy()
        slug = str(place).strip().lower().replace(" ", "_")
        rows.append(_rows(ids[own], f"scale_{slug}", parts[own], "g/m3", scale.method))
        planning = parts.loc[own, ["planning"]].rename(columns={"planning": "value"})
        rows.append(_rows(ids[own], f"planning_scale_{slug}", planning, "g/m3", "planning rule"))
    sample_ids = pd.Series(index.astype("str"))
    year = scale.per_year
    rows.append(_rows(sample_ids, "scale_per_year", year[["low", "value", "high"]], "kg/a", scale.method))
    plan_year = year[["planning"]].rename(columns={"planning": "value"})
    rows.append(_rows(sample_ids, "planning_scale_per_year", plan_year, "kg/a", "planning rule"))
    for name, unit, method in (
        ("steam_chloride_mg_l", "mg/L", "feed chloride times the concentration until draining"),
        ("larson_skold", "1", "(Cl + SO4)/alkalinity in meq/L"),
        ("chloride_sulfate_mass_ratio", "1", "Cl/SO4 by mass"),
    ):
        rows.append(
            _rows(
                sample_ids,
                name.removesuffix("_mg_l"),
                metal[[name]].rename(columns={name: "value"}),
                unit,
                method,
            )
        )
    hardness = column(samples.filled, "total_hardness_mg_l_caco3")
    classes = classes_of(hardness, samples.about.get("country", pd.Series("", index=index, dtype="str")))
    for named, own_rows in classes.groupby(["scale", "word"], sort=False):
        number = pd.DataFrame({"value": floats(own_rows["number"])})
        rows.append(
            _rows(
                own_rows["sample_id"].astype("str"),
                "hardness_class",
                number,
                "class",
                ": ".join(map(str, named)),
            )
        )
    whole = pd.concat([part for part in rows if len(part)] or rows, ignore_index=True)
    for name in ("quantity", "unit", "method"):
        whole[name] = whole[name].astype("str")
    return whole[QUANTITY_COLUMNS]


def _rows(ids: pd.Series, quantity: str, numbers: pd.DataFrame, unit: str, method: str) -> pd.DataFrame:
    """One quantity as rows; a row without any number is left out."""
    frame = pd.DataFrame(
        {
            name: floats(numbers[name]) if name in numbers else np.full(len(ids), np.nan)
            for name in ("value", "low", "high")
        }
    )
    known = frame.notna().any(axis=1).to_numpy()
    frame = frame.assign(sample_id=ids.array, quantity=quantity, unit=unit, method=method)
    return frame[known]
