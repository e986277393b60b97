"""What the store holds of one site: found by its name, gathered for advice, and the advice kept."""

from __future__ import annotations

import difflib
from typing import TYPE_CHECKING, Final, NamedTuple

import pandas as pd

from pipeline.errors import KettlestoneError
from pipeline.store.frames import append
from pipeline.store.journal import Change
from pipeline.store.sql import identifier

if TYPE_CHECKING:
    from pipeline.store.database import Store

# Every site the store has heard of. A sample without a client belongs to the one client that has its site.
_SITES: Final = """
WITH named AS (
    SELECT client, site FROM site
    UNION SELECT client, site FROM sample WHERE (stage <> 'bottled' OR site <> '') AND activity IN ('', 'routine')
), owners AS (
    SELECT site, min(client) AS client FROM named WHERE client <> '' AND site <> ''
    GROUP BY site HAVING count(*) = 1
)
SELECT DISTINCT coalesce(nullif(named.client, ''), owners.client, '') AS client, named.site
FROM named LEFT JOIN owners USING (site) WHERE named.site <> '' OR named.client <> '' ORDER BY 1, 2
"""
_MOST_NAMED: Final = 12


class SiteName(NamedTuple):
    """Client and site, as the store names a place where water was taken."""

    client: str
    site: str

    @property
    def name(self) -> str:
        """Write client and site as a person types them."""
        return " / ".join(part for part in self if part)


def known_sites(store: Store) -> list[SiteName]:
    """List every site of the registers and the samples, by client."""
    return [SiteName(str(client), str(site)) for client, site in store.connection.execute(_SITES).fetchall()]


def find_site(store: Store, text: str) -> SiteName:
    """Return the site a person means.

    Parameters
    ----------
    text : a site, "client / site", a site's code, a client with one site, or the label or id of a sample, where unique.
        Capital letters and blanks do not matter.

    Raises
    ------
    KettlestoneError : nothing has that name, or several places have; they are listed.
    """
    found = sites_called(store, text)
    if not found:
        raise unknown_site(store, text, 'Write a site, "client / site", or the label of a sample.')
    return _only(text, found)


def sites_called(store: Store, text: str) -> list[SiteName]:
    """List the sites a text may mean, none where nothing has that name; parameters as for `find_site`."""
    sites = known_sites(store)
    wanted = _plain(text)
    for names in ([site.name for site in sites], [site.site for site in sites], [site.client for site in sites]):
        found = [site for site, name in zip(sites, names, strict=True) if wanted and _plain(name) == wanted]
        if found:
            return found
    coded = store.connection.execute(
        "SELECT DISTINCT client, site FROM site WHERE site_code <> '' AND lower(trim(site_code)) = $1",
        [text.strip().lower()],
    ).fetchall()
    if coded:
        return [SiteName(str(client), str(site)) for client, site in coded]
    labelled = store.connection.execute(
        "SELECT DISTINCT client, site FROM sample JOIN sample_name USING (sample_id) "
        "WHERE stage <> 'bottled' AND (sample_id = $1 OR lower(called) = $2)",
        [text.strip(), text.strip().lower()],
    ).fetchall()
    owners = {site.site: site for site in sites if site.client}
    return sorted({SiteName(str(c), str(s)) if c or str(s) not in owners else owners[str(s)] for c, s in labelled})


def _plain(text: str) -> str:
    return " / ".join(" ".join(part.split()) for part in text.casefold().split("/"))


def _only(text: str, found: list[SiteName]) -> SiteName:
    if len(found) == 1:
        return found[0]
    lines = "\n".join(f"    {site.name}" for site in found[:_MOST_NAMED])
    raise KettlestoneError(
        f'{len(found)} sites are called "{text}":\n{lines}\n'
        '  Nothing was done.\n  Write it as "client / site", as above.'
    )


def unknown_site(store: Store, text: str, what_to_do: str) -> KettlestoneError:
    """Word that nothing has a name: with the names that are like it, else the first of all, and what to do."""
    sites = known_sites(store)
    names = {_plain(part): site for site in sites for part in (site.site, site.client, site.name) if part}
    near = difflib.get_close_matches(_plain(text), names, n=3)
    meant = list(dict.fromkeys(names[name].name for name in near))
    lines = "\n".join(f"    {name}" for name in meant or [site.name for site in sites[:_MOST_NAMED]])
    listed = f"  {'Similar' if meant else 'Known'} sites:\n{lines}\n" if lines else "  The store knows no site yet.\n"
    return KettlestoneError(
        f'no site, client or sample of the store is called "{text}".\n{listed}  Nothing was done. {what_to_do}'
    )


def site_samples(store: Store, site: SiteName, *, bottled: bool = False) -> pd.DataFrame:
    """Return the samples of a site with their numbers side by side (view `v_sample`), the oldest first.

    `label` is what people call it. A sample that names the site and no client counts where only this client has
    the site. With ``bottled`` the waters it is filled from by the bottle, else those of its tap.
    """
    shared = [other for other in known_sites(store) if other.site == site.site and other.client != site.client]
    alone = bool(site.site) and not shared
    return store.connection.execute(
        "SELECT * REPLACE (called AS label) FROM v_sample "
        "WHERE site = $1 AND (client = $2 OR (client = '' AND $3)) AND (stage = 'bottled') = $4 "
        "AND activity IN ('', 'routine') ORDER BY collected_at NULLS FIRST, sample_id",
        [site.site, site.client, alone, bottled],
    ).df()


def samples_of_sites(store: Store) -> dict[SiteName, pd.DataFrame]:
    """Return the samples of every site that has any, as `site_samples` gives those of one, in one pass."""
    found = store.connection.execute(
        "SELECT * REPLACE (called AS label) FROM v_sample "
        "WHERE activity IN ('', 'routine') AND (site <> '' OR client <> '') "
        "ORDER BY collected_at NULLS FIRST, sample_id"
    ).df()
    sites = known_sites(store)
    places = pd.Series([site.site for site in sites], dtype="str").value_counts()
    owner = {site.site: site.client for site in sites if site.site and places[site.site] == 1}
    client = found["client"].mask(found["client"] == "", found["site"].map(owner).fillna(""))
    groups = found.groupby([client.rename("owner"), "site", found["stage"] == "bottled"], sort=False)
    parts = {(SiteName(str(one), str(site)), bool(bottled)): own for (one, site, bottled), own in groups}
    return {name: own for (name, bottled), own in parts.items() if not bottled or (name, False) not in parts}


def visits_before(store: Store, site: SiteName, stage: str) -> pd.DataFrame:
    """Return the samples of a site at one stage ("" = any) with their numbers, the oldest first.

    Nobody's bottled waters among them: a label is to be told from theirs, too.
    """
    return store.connection.execute(
        "SELECT * FROM v_sample WHERE site = $1 AND client IN ('', $2) AND ($3 = '' OR stage = $3) "
        "ORDER BY collected_at NULLS FIRST, sample_id",
        [site.site, site.client, stage],
    ).df()


def site_findings(store: Store, samples: pd.DataFrame) -> pd.DataFrame:
    """Return the findings in force about samples (view `v_finding`), the worst first."""
    return store.connection.execute(
        "SELECT * FROM v_finding WHERE is_current AND list_contains($1, sample_id) "
        "ORDER BY list_position(['reject', 'hold', 'note'], current_severity), finding_id",
        [[str(name) for name in samples["sample_id"]]],
    ).df()


def tested_sites(store: Store, batch_id: str | None) -> list[SiteName]:
    """List the sites with samples, all of them or those of one batch (its name, or the beginning of it)."""
    found = store.connection.execute(
        "SELECT DISTINCT client, site FROM v_sample WHERE (site <> '' OR client <> '') "
        "AND activity IN ('', 'routine') AND (stage <> 'bottled' OR site <> '') AND starts_with(batch_id, $1)",
        [batch_id or ""],
    ).fetchall()
    own = {(str(client), str(site)) for client, site in found}
    sites = known_sites(store)
    return [
        name
        for name in sites
        if (name.client, name.site) in own or (("", name.site) in own and sum(o.site == name.site for o in sites) == 1)
    ]


def repeats_wanted(store: Store) -> dict[SiteName, list[tuple[str, pd.Timestamp]]]:
    """Give the samples that wait for a new reading, and since when, by site: label and day of the decision.

    A sample that names no client stands under the site alone.
    """
    found = store.connection.execute(
        "SELECT any_value(s.client), any_value(s.site), any_value(coalesce(nullif(s.called, ''), f.sample_id)), "
        "max(f.decided_at)::date FROM v_finding AS f JOIN v_sample AS s USING (sample_id) "
        "WHERE f.is_current AND f.waits_for = 'repeat' "
        "GROUP BY f.sample_id ORDER BY 4, 3"
    ).fetchall()
    wanted: dict[SiteName, list[tuple[str, pd.Timestamp]]] = {}
    for client, site, label, day in found:
        wanted.setdefault(SiteName(str(client), str(site)), []).append((str(label), pd.Timestamp(day)))
    return wanted


def bottled_samples(store: Store, client: str) -> pd.DataFrame:
    """Return usable bottled waters, of this client or of nobody in particular (view `v_sample`)."""
    return store.connection.execute(
        "SELECT * REPLACE (called AS label) FROM v_sample "
        "WHERE stage = 'bottled' AND activity IN ('', 'routine') AND client IN ('', $1) "
        "AND current_verdict IN ('ok', 'unjudged', 'note') ORDER BY label, sample_id",
        [client],
    ).df()


def add_advice(store: Store, advice: pd.DataFrame) -> int:
    """Keep what was advised; advice already kept in the same words is not kept twice.

    Parameters
    ----------
    store : open for writing.
    advice : one row per piece of advice, columns of the table `advice`, all of them text.

    Returns
    -------
    number of rows added.

    Raises
    ------
    KettlestoneError : the store cannot be written; nothing was changed.
    """
    with store.transaction(Change("advice", {"rows": advice.to_dict("records")})) as connection:
        connection.register("incoming_advice", advice)
        names = ", ".join(identifier(str(name)) for name in advice.columns)
        fresh = connection.execute(f"SELECT {names} FROM incoming_advice EXCEPT SELECT {names} FROM advice").df()  # noqa: S608 - names only
        connection.unregister("incoming_advice")
        return append(connection, "advice", fresh)
