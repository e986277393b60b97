"""Mistakes with a meter: conductivity at another temperature, another scale of dissolved solids."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.chemistry.compensation import factor_to_25c
from pipeline.explain.mistakes.candidate import Candidate, multiplied
from pipeline.explain.record import ROW

if TYPE_CHECKING:
    from pipeline.arrays import Flags, Floats
    from pipeline.explain.mistakes.candidate import Change
    from pipeline.explain.record import Record

_NEAR_25: Final = 2.0  # °C: nearer, compensation changes less than the meter's own uncertainty [CP]
_LAST: Final = (19.99, 199.9, 999.0, 1999.0, 3999.0, 9999.0, 19_999.0)  # of a display, then it shows no more [CP]
_AT_END: Final = 20.0  # times likelier than any other fault, where such a number was read [CP]
READ_COLD: Final = "read at the sample's temperature"
_COLDS: Final = (10.0, 15.0)  # °C of a sample from the tap where none is recorded [CP]


def meter_mistakes() -> list[Candidate]:
    """Conductivity at another temperature, another scale of dissolved solids."""
    ec, tds, degrees = ROW["conductivity"], ROW["tds"], ROW["temperature"]

    def own(record: Record) -> dict[int, Floats]:
        read = record.amounts[degrees]
        factor = factor_to_25c(pd.Series(read)).to_numpy()
        return {ec: np.where(np.abs(read - 25.0) > _NEAR_25, record.amounts[ec] * factor, np.nan)}

    def assumed(celsius: float) -> Change:
        factor = float(factor_to_25c(celsius).item())
        return lambda record: {ec: np.where(np.isnan(record.amounts[degrees]), record.amounts[ec] * factor, np.nan)}

    def twenty(record: Record) -> dict[int, Floats]:
        return {ec: record.amounts[ec] * float(factor_to_25c(20.0).item())}

    def copied(record: Record) -> Flags:
        return np.asarray(np.abs(record.amounts[tds] - record.amounts[ec]) <= 1e-6 * record.amounts[ec])

    def shown(record: Record) -> Flags:
        return ~record.laboratory_tds  # what was weighed has no scale

    def at_end(record: Record) -> Flags:
        return np.asarray(np.isin(record.written[ec], _LAST))

    cold = "not-temperature-compensated"
    return [
        Candidate(cold, "conductivity", "", READ_COLD, own, weight=1.0, row=ec),
        *(
            Candidate(cold, "conductivity", "", f"read at about {celsius:.0f} °C", assumed(celsius), weight=0.5, row=ec)
            for celsius in _COLDS
        ),
        Candidate(cold, "conductivity", "", "stated for 20 °C", twenty, weight=0.8, row=ec),
        *(
            Candidate("wrong-tds-scale", "tds", "", detail, multiplied(tds, factor), where=shown, row=tds)
            for detail, factor in {
                "scale 0.5 (NaCl) instead of 0.67": 0.67 / 0.5,
                "scale 0.67 instead of 0.5 (NaCl)": 0.5 / 0.67,
                "scale 0.5 (NaCl) of a water that holds more": 0.62 / 0.5,
            }.items()
        ),
        Candidate("copied-reading", "tds", "conductivity", "conductivity typed as dissolved solids", None,
                  loosened=((tds, 1.5),), where=copied, seen=True, row=tds),
        Candidate("instrument-fault", "conductivity", "", "the last number of a display", None,
                  loosened=((ec, 2.0),), where=at_end, weight=_AT_END, row=ec),
        Candidate("instrument-fault", "conductivity", loosened=((ec, 2.0),), seen=True, row=ec),
    ]  # fmt: skip
