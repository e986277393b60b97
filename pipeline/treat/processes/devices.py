"""What stands in a tank or at the tap: resin bag, tank cartridge, jug, and a house's own softener."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from pipeline.errors import KettlestoneError
from pipeline.treat.processes.decarbonising import exchangeable, take_hardness
from pipeline.treat.processes.softening import unsoften

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.treat.processes.settings import TreatmentSettings
    from pipeline.treat.processes.solutes import Solutes


def _weak_acid(water: Solutes, removal: Floats, hydrogen_share: Floats) -> Solutes:
    """Exchange hardness for hydrogen and, the rest, for sodium."""
    taken = exchangeable(water, np.zeros_like(removal), removal)
    acid = taken * hydrogen_share
    return take_hardness(water, taken).change(alkalinity=-acid, sodium=taken - acid)


def pass_through(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Pour or draw waters through the little resin of a jug or a tank cartridge.

    Parameters
    ----------
    water : n waters.
    settings : ``removal`` of the hardness that a weak-acid resin could take [-]; ``hydrogen_share`` of the
        exchange [-], the rest is sodium; ``water_passes`` share of the water that goes through [-].

    Returns
    -------
    Solutes of what stands in the tank.
    """
    treated = _weak_acid(water, settings["removal"], settings["hydrogen_share"])
    return treated.mixed_with(water, 1.0 - settings["water_passes"])


def steep(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Leave waters standing with a bag of resin: quick at first, then ever slower; best overnight.

    Parameters
    ----------
    water : n waters.
    settings : ``hours`` of standing; ``half_time_hours`` in which half of the way is done; ``removal`` at the
        end of it and ``hydrogen_share`` as for `pass_through`.

    Returns
    -------
    Solutes of the tank after that time.

    Notes
    -----
    First order, removal (1 - 2^(-t / t½)) [CP]: freshly filled tanks are not treated yet.
    """
    done = 1.0 - 2.0 ** (-settings["hours"] / settings["half_time_hours"])
    return _weak_acid(water, settings["removal"] * done, settings["hydrogen_share"])


def unsoftened_tap(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Take the tap before the house's softener: its own sample, or the softened water with its hardness back.

    Parameters
    ----------
    water : n softened waters.
    settings : the unsoftened sample as second water, or ``hardness_mg_l_caco3`` of the supply with
        ``calcium_share`` of it.

    Returns
    -------
    Solutes of the unsoftened tap: the sodium is gone, the alkalinity is the same.

    Raises
    ------
    KettlestoneError : neither a sample nor a hardness of the supply.
    """
    if settings.other is not None:
        return settings.other
    if np.isnan(settings["hardness_mg_l_caco3"]).any():
        raise KettlestoneError("give hardness_mg_l_caco3 of the supply, or a sample of the unsoftened tap as other")
    return unsoften(water, settings)


def open_softener_bypass(water: Solutes, settings: TreatmentSettings) -> Solutes:
    """Let the share ``bypass`` of unsoftened water round a house's softener: hardness back, sodium down.

    It brings back hardness and does nothing for the alkalinity, which both taps share.
    """
    return water.mixed_with(unsoftened_tap(water, settings), settings["bypass"])
