"""Two waters in one glass: salts, alkalinity and carbonate add up, the pH is solved anew."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    from pipeline.treat.processes.settings import TreatmentSettings
    from pipeline.treat.processes.solutes import Solutes


def mix(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Replace ``share`` [-] of each water by the second water.

    A blend cannot take out what both waters carry: a softened and an unsoftened tap have the same
    alkalinity, and so has every mixture of them.
    """
    if settings.other is None:
        raise KettlestoneError("blend: give the second water as other")
    return water.mixed_with(settings.other, settings["share"])
