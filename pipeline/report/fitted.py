"""What is fitted, as data for other programs: the same in every command."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pipeline.site.statements import Fitted


def fitted_data(fitted: Fitted) -> dict[str, Any]:
    """Lay out what is fitted; what is not known is null.

    Parameters
    ----------
    fitted : as the site's facts give it.

    Returns
    -------
    ``treatment``, ``bypass`` as a share, ``litres_per_day``, ``said_by`` (``register``, ``sample``, ``site``,
    ``point`` of the treated sample, or ``""`` where nobody says), who says the other two, and ``installed_on``.
    """
    return {
        "treatment": fitted.treatment,
        "bypass": None if math.isnan(fitted.bypass) else fitted.bypass,
        "litres_per_day": None if math.isnan(fitted.litres) else fitted.litres,
        "said_by": fitted.said_by,
        "bypass_said_by": fitted.bypass_said_by,
        "litres_said_by": fitted.litres_said_by,
        "installed_on": None if fitted.installed_on is None else f"{fitted.installed_on:%Y-%m-%d}",
    }
