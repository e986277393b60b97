"""On what the advice hangs, in words: the quantity, where it turns, and what the answer is beyond."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from pipeline.treat.choosing.fitting import device_for
from pipeline.words import Said

if TYPE_CHECKING:
    from pipeline.treat.choosing.case import Case
    from pipeline.treat.choosing.decision import Turn
    from pipeline.treat.choosing.fitting import Device

FACTS: Final = ("softened", "drain", "litres")
PRINTED_UNITS: Final = {"ph": "", "temperature": " °C", "conductivity": " µS/cm", "turbidity": " NTU"}
"""With the space before them; mg/L where a quantity is not named."""
_WHOLE_FROM: Final = 10.0


def answer_named(treatment: str) -> Said:
    """Name a treatment, or the other ends of the table, as an answer."""
    return Said(f"choose.answer.{treatment.replace(' ', '_') or 'none_of_the_rows'}")


def same_answer(case: Case, turn: Turn, device: Device) -> bool:
    """Tell whether the advice stays the same beyond a turn."""
    return turn.row is not None and device_for(case, turn.row.treatment).treatment == device.treatment


def rounded(value: float) -> float:
    """Round to what a sentence needs: whole numbers, one decimal below ten."""
    return float(round(value)) if abs(value) >= _WHOLE_FROM else round(value, 1)


def condition(case: Case, turn: Turn) -> Said:
    """Word a turn.

    Parameters
    ----------
    case : for the device of the other answer.
    turn : quantity, stretch and the row that would hold there.

    Returns
    -------
    what must be known, where it turns, and the answer beyond.
    """
    beyond = answer_named("" if turn.row is None else device_for(case, turn.row.treatment).treatment)
    if turn.quantity in FACTS:
        return Said(f"choose.turn.{turn.quantity}", {"answer": beyond, "low": rounded(turn.low)})
    measured = "missing" if math.isnan(turn.read) else "measured"
    side = _side(turn)
    values = {
        "quantity": Said(f"choose.quantity.{turn.quantity}"),
        "unit": PRINTED_UNITS.get(turn.quantity, " mg/L"),
        "read": rounded(turn.read) if measured == "measured" else "",
        "least": rounded(turn.least),
        "most": rounded(turn.most),
        "low": rounded(turn.low),
        "high": rounded(turn.high),
        "answer": beyond,
    }
    return Said(f"choose.turn.{measured}.{side}", values)


def _side(turn: Turn) -> str:
    if turn.high >= turn.most:
        return "above" if turn.low > turn.least else "always"
    return "below" if turn.low <= turn.least else "between"
