"""The figures of an assessment as rows: sample, quantity, value, low, high, unit, method."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from pipeline.arrays import floats
from pipeline.assess.hardness_classes import classes_of
from pipeline.chemistry.equivalents import column

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pipeline.arrays import Floats
    from pipeline.assess.boiler import BoilerScale
    from pipeline.normalise.sample_table import SampleTable


_METAL: Final = (
    ("steam_chloride_mg_l", "steam_chloride", "mg/L", "feed chloride times the concentration until draining"),
    ("larson_skold", "larson_skold", "1", "(Cl + SO4)/alkalinity in meq/L"),
    ("chloride_sulfate_mass_ratio", "chloride_sulfate_mass_ratio", "1", "Cl/SO4 by mass"),
)
_PLANNED: Final = "planning rule"


@dataclass(frozen=True)
class _Figures:
    """One quantity of some samples: ``at`` their positions, ``value`` with bounds where there are any."""

    at: npt.NDArray[np.int64]
    quantity: str
    unit: str
    method: str
    value: Floats
    low: Floats | None = None
    high: Floats | None = None


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
    everywhere = np.arange(len(samples))
    of_metal = [
        _Figures(everywhere, quantity, unit, method, floats(metal[name])) for name, quantity, unit, method in _METAL
    ]
    figures = [*_scale(scale, everywhere), *of_metal, *_classes(samples)]
    size = [len(one.at) for one in figures]
    table = pd.DataFrame(
        {
            "sample_id": samples.about.index.astype("str").take(np.concatenate([one.at for one in figures])),
            "quantity": _repeated([one.quantity for one in figures], size),
            **{name: _together(figures, name) for name in ("value", "low", "high")},
            "unit": _repeated([one.unit for one in figures], size),
            "method": _repeated([one.method for one in figures], size),
        }
    )
    known = table[["value", "low", "high"]].notna().any(axis=1)
    return table[known].reset_index(drop=True)


def _scale(scale: BoilerScale, everywhere: npt.NDArray[np.int64]) -> Iterator[_Figures]:
    """Give the scale of each place of the machine and of a year, as solved and as planned with."""
    row = scale.parts["row"].to_numpy(dtype="int64")
    numbers = {name: floats(scale.parts[name]) for name in ("value", "low", "high", "planning")}
    code, places = pd.factorize(scale.parts["place"])
    for number, place in enumerate(places):
        own = code == number
        slug = str(place).strip().lower().replace(" ", "_")
        solved = (numbers[name][own] for name in ("value", "low", "high"))
        yield _Figures(row[own], f"scale_{slug}", "g/m3", scale.method, *solved)
        yield _Figures(row[own], f"planning_scale_{slug}", "g/m3", _PLANNED, numbers["planning"][own])
    year = (floats(scale.per_year[name]) for name in ("value", "low", "high"))
    yield _Figures(everywhere, "scale_per_year", "kg/a", scale.method, *year)
    yield _Figures(everywhere, "planning_scale_per_year", "kg/a", _PLANNED, floats(scale.per_year["planning"]))


def _classes(samples: SampleTable) -> Iterator[_Figures]:
    """Give the class of each hardness on every scale in use at its place."""
    index = samples.about.index
    hardness = column(samples.filled, "total_hardness_mg_l_caco3")
    classes = classes_of(hardness, samples.about.get("country", pd.Series("", index=index, dtype="str")))
    at = index.get_indexer(pd.Index(classes["sample_id"]))
    number = floats(classes["number"])
    code, named = pd.factorize(classes["scale"] + ": " + classes["word"])
    for place, name in enumerate(named):
        own = code == place
        yield _Figures(at[own], "hardness_class", "class", str(name), number[own])


def _repeated(words: list[str], size: list[int]) -> pd.api.extensions.ExtensionArray:
    return pd.array(words, dtype="str").take(np.repeat(np.arange(len(words)), size))


def _together(figures: list[_Figures], name: str) -> Floats:
    parts = [getattr(one, name) for one in figures]
    return np.concatenate(
        [np.full(len(one.at), np.nan) if part is None else part for one, part in zip(figures, parts, strict=True)]
    )
