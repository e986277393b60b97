"""Answers to `kit`: what one drop of each is worth, and how it is counted."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING

from pipeline.kits import known_kits, named_kit

if TYPE_CHECKING:
    from pipeline.settings import Settings


def kit_list(settings: Settings, *, as_json: bool) -> str:
    """List the kits; the one that is used where none is named has a star.

    Raises
    ------
    KettlestoneError : the file with kits of one's own is not in order.
    """
    kits = known_kits(settings.kits)
    if as_json:
        return json.dumps([asdict(kit) for kit in kits.values()], ensure_ascii=False, default=str)
    return "\n".join(
        f"{'*' if kit.name == settings.kit else ' '} {kit.name:20}{kit.drop_mg_l:6.1f} mg/L a drop  {kit.title}"
        for kit in kits.values()
    )


def kit_text(settings: Settings, name: str, *, as_json: bool) -> str:
    """Show one kit.

    Raises
    ------
    KettlestoneError : there is no kit of that name.
    """
    kit = named_kit(name, settings.kits)
    if as_json:
        return json.dumps(asdict(kit), ensure_ascii=False, default=str)
    halves = {volume: kit.worth(volume) for volume in (kit.nominal_ml / 2, kit.nominal_ml, 2 * kit.nominal_ml)}
    worth = ", ".join(f"{drop:.4g} mg/L with {volume:g} mL" for volume, drop in halves.items())
    lines = [
        f"{kit.name}: {kit.title}",
        f"  one drop: {worth} (as CaCO3)",
        f"  counts: {' and '.join(kit.quantities)}; {kit.counting}",
        f"  n drops mean anything from n − 1 to n; the usual reading is {kit.bias_drops:g} drops high on average",
        f"  reagent: {f'good until {kit.expiry:%Y-%m-%d}' if kit.expiry else f'lasts {kit.shelf_months:g} months'}",
        f"  more than {kit.most_drops:g} drops are refused",
    ]
    return "\n".join(lines)
