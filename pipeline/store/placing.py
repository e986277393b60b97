"""Sites, samples and registers that name one place in different words: which place of the store is meant."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.normalise.placing import placed, with_register
from pipeline.normalise.samples import REGISTER_FACTS
from pipeline.store.earlier import earlier_register
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from pipeline.store.connected import Connected

_OWN: Final = ("client", "site", *REGISTER_FACTS)


def known_places(store: Connected) -> pd.DataFrame:
    """List every client and site of the register and of the samples, with codes where the register has them."""
    return store.connection.execute(
        """
        WITH place AS (
            SELECT client, site, site_code FROM site
            UNION ALL SELECT DISTINCT client, site, '' FROM sample
            WHERE client <> '' AND site <> '' AND activity IN ('', 'routine')
        )
        SELECT min(client) AS client, min(site) AS site, max(site_code) AS site_code FROM place WHERE site <> ''
        GROUP BY lower(trim(client)), lower(trim(site)) ORDER BY 1, 2
        """
    ).df()


def place_stored_samples(store: Connected) -> int:
    """Give samples of earlier batches the client, the site and the facts that the register has of them now.

    What a sample states stays; only what is open, or is a code of the register, is filled in.

    Parameters
    ----------
    store : in the transaction of the batch that brought rows of the register.

    Returns
    -------
    number of samples changed.
    """
    sites = earlier_register(store, "site")
    columns = ", ".join((*_OWN, "coalesce(nullif(other, '')->>'site_code', '') AS site_code"))
    found = store.connection.execute(
        f"SELECT sample_id, label, sampling_point, {columns} "  # noqa: S608 - names of the schema
        "FROM sample ORDER BY sample_id"
    ).df()
    if found.empty or sites.empty:
        return 0
    now = with_register(placed(found, sites), sites, REGISTER_FACTS)
    changed = pd.Series(False, index=found.index)
    for name in _OWN:
        changed |= TextColumn.of(now, name).series() != TextColumn.of(found, name).series()
    if not changed.any():
        return 0
    store.connection.register("placed_samples", now.loc[changed, ["sample_id", *_OWN]])
    stated = ", ".join(f"{name} = placed.{name}" for name in _OWN)
    store.connection.execute(
        f"UPDATE sample SET {stated} FROM placed_samples AS placed WHERE sample.sample_id = placed.sample_id"  # noqa: S608 - names of the schema
    )
    store.connection.unregister("placed_samples")
    return int(changed.sum())
