"""The sites of a store on one row each: the last visit, how many samples, and what waits."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.store.database import Store


def site_ledger(store: Store) -> pd.DataFrame:
    """List the sites that samples name, by client.

    Returns
    -------
    frame `client site samples last held hardness alkalinity`; ``last`` is the day of the last sample, ``held`` how many
    are on hold or rejected, the readings those of the last raw water that may be used [mg/L as CaCO3].
    """
    return store.connection.execute(
        """
        SELECT client, site, count(*) AS samples, max(collected_at) AS last,
            count(*) FILTER (current_verdict IN ('hold', 'reject')) AS held,
            arg_max(total_hardness_mg_l_caco3, collected_at) FILTER (usable) AS hardness,
            arg_max(alkalinity_mg_l_caco3, collected_at) FILTER (usable) AS alkalinity
        FROM (
            SELECT *, stage IN ('', 'raw') AND current_verdict NOT IN ('hold', 'reject') AS usable FROM v_sample
            WHERE (client <> '' OR site <> '') AND activity IN ('', 'routine') AND (stage <> 'bottled' OR site <> '')
        )
        GROUP BY client, site ORDER BY client, site
        """
    ).df()
