"""Hardness and alkalinity in a reader's own unit, in whatever sentence names them, with mg/L as CaCO3 beside it."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping

_AMOUNTS: Final = {
    "hardness": "hardness",
    "other_hardness": "hardness",
    "usual": "hardness",
    "alkalinity": "alkalinity",
    "other_alkalinity": "alkalinity",
    "target": "alkalinity",
}
# A placeholder of an amount in mg/L as CaCO3, with the unit where it stands behind it.
_PLACE: Final = re.compile(
    rf"\{{({'|'.join(sorted(_AMOUNTS, key=len, reverse=True))})(?::[^}}]*)?\}}"
    r"(?:[ \u00a0]mg/[Ll](?: (?:as|als|en|come|como) CaCO3)?)?"
)
_FORM: Final = re.compile(r"[ \u00a0](?:as|als|en|come|como) CaCO3\b")
# The values of a sentence about one quantity, which it names.
_OF_QUANTITY: Final = ("value", "limit", "read", "least", "most", "low", "high")


class Degrees(NamedTuple):
    """A unit of hardness: its sign, and mg/L as CaCO3 in one of hardness and of alkalinity."""

    sign: str
    hardness: float
    alkalinity: float

    def rewritten(self, template: str, values: Mapping[str, Any], quantity: str) -> tuple[str, dict[str, Any]]:
        """Put a sentence into this unit.

        Parameters
        ----------
        template, values : of the sentence.
        quantity : code of the quantity that the sentence names, "" where it names none.

        Example
        -------
        >>> unit = Degrees("°dH", 17.848, 17.848)
        >>> unit.rewritten("Hardness {hardness:g} mg/L as CaCO3.", {"hardness": 320.0}, "")
        ('Hardness {hardness_own:g} °dH ({hardness:.0f} mg/L).', {'hardness': 320.0, 'hardness_own': 17.9})
        """
        found = dict(values)
        if values.get("unit") == " mg/L" and quantity.endswith(("hardness", "alkalinity")):
            factor = self.alkalinity if quantity.endswith("alkalinity") else self.hardness
            found |= {name: _degrees(values[name], factor) for name in _OF_QUANTITY if name in values}
            return template, found | {"unit": f" {self.sign}"}
        for name, kind in _AMOUNTS.items():
            if isinstance(values.get(name), (int, float)):
                found[f"{name}_own"] = _degrees(values[name], getattr(self, kind))
        text = _PLACE.sub(self._place(found), template)
        return (text if text == template else _FORM.sub("", text)), found

    def _place(self, found: Mapping[str, Any]) -> Any:  # noqa: ANN401 - what re.sub takes
        def written(match: re.Match[str]) -> str:
            name = match[1]
            known = f"{name}_own" in found
            return f"{{{name}_own:g}} {self.sign} ({{{name}:.0f}} mg/L)" if known else match[0]

        return written


def _degrees(value: object, factor: float) -> object:
    """Give an amount in degrees, to a tenth; what is no number stays."""
    return round(value / factor, 1) if isinstance(value, (int, float)) else value
