"""Words for hardness, country by country: "hard" in one is "medium" in the next."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.chemistry.equivalents import MG_CACO3_PER_DEGREE, MOLAR_MASS
from pipeline.reference import gathered, records

if TYPE_CHECKING:
    from pipeline.arrays import Codes, Flags, Floats

_CACO3_PER_UNIT: Final = {  # mg/L as CaCO3 [IUPAC2021]
    "mmol/L": MOLAR_MASS["calcium_carbonate"],
    "degree French": MG_CACO3_PER_DEGREE["°f"],
    "mg/L CaCO3": 1.0,
}


def country_codes(texts: pd.Series[str]) -> pd.Series[str]:
    """Give the ISO 3166 code a country text means, "" where it is not in the table."""
    names = {row["text"]: row["country"] for row in records("country_names")}
    codes, unique = pd.factorize(texts.fillna("").astype("str"))
    found = pd.array([names.get(" ".join(str(text).casefold().split()), "") for text in unique], dtype="str")
    return pd.Series(found.take(codes), index=texts.index)


@dataclass(frozen=True)
class _Scale:
    """A published scale: where its classes begin [mg/L as CaCO3], whether that value belongs to them, their words."""

    country: str
    starts: Floats
    belongs: Flags
    words: tuple[str, ...]

    def number(self, hardness: Floats) -> Codes:
        """Count the classes that begin at or below each value; 0 where it is missing."""
        rounding = 1e-9 * (1.0 + self.starts)  # 1.5 mmol/L must be 1.5 mmol/L after conversion
        reached = [
            hardness >= start - slack if own else hardness > start + slack
            for start, slack, own in zip(self.starts, rounding, self.belongs, strict=True)
        ]
        return np.asarray(np.sum(reached, axis=0), dtype=np.int64)


@cache
def _scales() -> dict[str, _Scale]:
    """Give the published scales by name."""
    return {
        name: _Scale(
            country=rows[0]["country"],
            starts=floats([row["low"] * _CACO3_PER_UNIT[row["unit"]] for row in rows]),
            belongs=np.array([row["low_belongs"] == "yes" for row in rows]),
            words=("", *(row["class"] for row in rows)),
        )
        for name, rows in gathered(records("hardness_classes"), "scale").items()
    }


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
    hardness, codes = floats(samples_hardness), country_codes(countries).to_numpy(dtype=object)
    known = ~np.isnan(hardness)
    rows = {name: np.flatnonzero(known & (codes == scale.country)) for name, scale in _scales().items()}
    number = {name: scale.number(hardness[rows[name]]) for name, scale in _scales().items()}
    words = [scale.words[one] for name, scale in _scales().items() for one in number[name].tolist()]
    scales = [name for name, found in number.items() for _ in found]
    numbers = np.concatenate(list(number.values()))
    return pd.DataFrame(
        {
            "sample_id": samples_hardness.index.take(np.concatenate(list(rows.values()))),
            "scale": pd.array(scales, dtype="str"),
            "number": np.where(numbers > 0, numbers, np.nan),
            "word": pd.array(words, dtype="str"),
        }
    )
