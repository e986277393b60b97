"""Which device carries a treatment out at a machine: plumbed or filled by hand, with or without a drain."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pipeline.reference import table

if TYPE_CHECKING:
    from pipeline.treat.choosing.case import Case


@dataclass(frozen=True)
class Device:
    """What carries a treatment out; ``also``: what to try where it cannot reach the targets; ``reason``: a code."""

    treatment: str
    also: tuple[str, ...] = ()
    reason: str = ""


def device_for(case: Case, treatment: str) -> Device:
    """Find the device for a treatment of the decision table.

    Parameters
    ----------
    case : connection of the machine, drain, litres a day; no limit on litres holds where they are not known.
    treatment : as ``decision_rows.csv`` names it.

    Returns
    -------
    Device of the first row of ``decision_devices.csv`` that matches; the treatment itself where none does.
    """
    litres = math.inf if math.isnan(case.litres) else case.litres
    drain = {None: "", True: "yes", False: "no"}[case.drain]
    for row in table("decision_devices").fillna({"connection": "", "drain": "", "also": ""}).to_dict("records"):
        limit = float(row["litres"])
        if (
            row["treatment"] == treatment
            and row["connection"] in ("", case.connection)
            and row["drain"] in ("", drain)
            and (math.isnan(limit) or litres <= limit)
        ):
            also = tuple(part for part in str(row["also"]).split("; ") if part)
            return Device(str(row["device"]), also, str(row["reason"]))
    return Device(treatment)
