"""Words for hardness, country by country: "hard" in one is "medium" in the next."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.arrays import floats
from pipeline.chemistry.equivalents import MOLAR_MASS
from pipeline.reference import table

if TYPE_CHECKING:
    from pipeline.chemistry.arrays import Codes, Flags, Floats

_CACO3_PER_UNIT: Final = {  # mg/L as CaCO3 [IUPAC2021]
    "mmol/L": MOLAR_MASS["calcium_carbonate"],
    "degree French": 10.0,
    "mg/L CaCO3": 1.0,
}


def country_codes(texts: pd.Series[str]) -> pd.Series[str]:
    """Give the ISO 3166 code a country text means, "" where it is not in the table."""
    names = table("country_names").set_index("text")["country"].to_dict()
    codes, unique = pd.factorize(texts.fillna("").astype("str"))
    found = pd.array([names.get(" ".join(str(text).casefold().split()), "") for text in unique], dtype="str")
    return pd.Series(found.take(codes), index=texts.index)


def scales_of(country: str) -> list[str]:
    """Name the published scales of a country (ISO code); there may be two that differ."""
    rows = table("hardness_classes")
    return list(rows.loc[rows["country"] == country, "scale"].unique())


def classify(total_hardness_mg_l_caco3: pd.Series[float], scale: str) -> pd.DataFrame:
    """Put hardness into the words of one published scale.

    Parameters
    ----------
    total_hardness_mg_l_caco3 : (n,) [mg/L as CaCO3].
    scale : a scale of ``hardness_classes.csv``.

    Returns
    -------
    (n, 2) frame, same index: ``number`` of the class, 1 = softest, missing where hardness is; ``word``.

    Raises
    ------
    ValueError : no such scale.

    Example
    -------
    >>> classify(pd.Series([260.0]), "Germany (detergents act)")["word"].tolist()
    ['hard']
    """
    rows = table("hardness_classes")
    rows = rows[rows["scale"] == scale]
    if rows.empty:
        raise ValueError(
            f"hardness scale {scale!r}: use one of {', '.join(table('hardness_classes')['scale'].unique())}"
        )
    hardness = floats(total_hardness_mg_l_caco3)
    starts = floats(rows["low"]) * rows["unit"].map(_CACO3_PER_UNIT).to_numpy(dtype="float64")
    number = _place(hardness, starts, (rows["low_belongs"] == "yes").to_numpy())
    words = pd.array(["", *rows["class"]], dtype="str")
    return pd.DataFrame(
        {"number": np.where(number > 0, number, np.nan), "word": words.take(number)},
        index=total_hardness_mg_l_caco3.index,
    )


def _place(hardness: Floats, starts: Floats, belongs: Flags) -> Codes:
    """Count the classes that begin at or below each value."""
    rounding = 1e-9 * (1.0 + starts)  # 1.5 mmol/L must be 1.5 mmol/L after conversion
    reached = [
        hardness >= start - slack if own else hardness > start + slack
        for start, slack, own in zip(starts, rounding, belongs, strict=True)
    ]
    return np.asarray(np.sum(reached, axis=0), dtype=np.int64)


def classes_of(samples_hardness: pd.Series[float], countries: pd.Series[str]) -> pd.DataFrame:
    """Give each sample its class on every scale of its country.

    Parameters
    ----------
    samples_hardness : (n,) [mg/L as CaCO3].
    countries : (n,) as the file wrote them.

    Returns
    -------
    (m, 4) long frame ``sample_id scale number word``; nothing for a sample whose country is not known.
    """
    codes = country_codes(countries)
    parts = []
    for scale, country in table("hardness_classes")[["scale", "country"]].drop_duplicates().itertuples(index=False):
        rows = samples_hardness[(codes == country) & samples_hardness.notna()]
        if len(rows):
            found = classify(rows, str(scale)).assign(scale=str(scale))
            parts.append(found.rename_axis("sample_id").reset_index())
    columns = ["sample_id", "scale", "number", "word"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)
