"""The registers of sites, machines and treatments: what is in force, what was, and a new row when it changes."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline import __version__
from pipeline.did_you_mean import did_you_mean
from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.ingest.register_notices import ABOVE_ZERO, LARGEST, SMALLEST
from pipeline.normalise.placing import placed
from pipeline.store.journal import Change
from pipeline.store.placing import known_places
from pipeline.treat.processes.naming import some_filter, treatment_meant
from pipeline.treat.processes.treatments import TREATMENTS as KNOWN_TREATMENTS

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pipeline.store.database import Store

# What tells the entries of a register apart, beside client and site.
KEYS: Final[dict[str, tuple[str, ...]]] = {"site": (), "machine": ("machine",), "treatment": ("treatment",)}
_OWNER: Final = ("client", "site")
# Options of the commands that are not called as their field is.
_OPTIONS: Final = {"litres_per_day": "--litres"}
_INNER: Final = ("other", "file_sha256", "line", "batch_id", "entered_by", "entered_at", "why", "file", "since")


def entries(store: Store, kind: str) -> pd.DataFrame:
    """Return every row a register ever had, the oldest first.

    A machine or treatment that names no client belongs to the only one that has a site of that name or code.

    Parameters
    ----------
    kind : `site`, `machine` or `treatment`.

    Returns
    -------
    (n, …) frame: the columns of the register, further ones of the files, and `since` (UTC), `entered_by`,
    `why`, `file`, `line`. The last row of each key is the one in force.
    """
    found = store.connection.execute(
        f"""
        SELECT r.*, coalesce(r.entered_at, b.started_at) AS since, coalesce(f.name, '') AS file
        FROM {kind} AS r
        LEFT JOIN batch AS b USING (batch_id)
        LEFT JOIN source_file AS f ON f.file_sha256 = r.file_sha256 AND r.file_sha256 <> ''
            AND f.status <> 'not understood'
        ORDER BY min(r.rowid) OVER (PARTITION BY r.batch_id), r.line, r.rowid
        """  # noqa: S608 - a name of this module
    ).df()
    further = pd.DataFrame([json.loads(text or "{}") for text in found["other"]], index=found.index)
    joined = found.drop(columns=["other"]).join(further.astype("str").where(further.notna(), ""))
    placed_rows = placed(joined, known_places(store))[joined.columns] if kind != "site" else joined
    return placed_rows.drop_duplicates(ignore_index=True)


def in_force(rows: pd.DataFrame, kind: str) -> pd.DataFrame:
    """Keep the last row of every key; "none" ends every treatment of the site entered before it, until the next one."""
    found = rows.drop_duplicates(["client", "site", *KEYS[kind]], keep="last")
    if kind == "treatment" and len(rows):
        place = pd.Series(rows.index, index=rows.index)
        none = rows["treatment"].str.strip().str.casefold() == "none"
        sites = [rows["client"], rows["site"]]
        ended = place.where(none).groupby(sites).transform("max")
        followed = none & (place < place.groupby(sites).transform("max"))
        found = found[~((place < ended) | followed).reindex(found.index)]
    return found.reset_index(drop=True)


def named_elsewhere(store: Store, kind: str, rows: pd.DataFrame) -> pd.DataFrame:
    """List the machines or treatments that only the register of sites or a sample names, and which of them.

    Parameters
    ----------
    kind : `site`, `machine` or `treatment`; sites stand nowhere else.
    rows : what the register of this kind has; its sites are left out.

    Returns
    -------
    (n, 4) frame: `client site`, the kind itself, `said_by`.
    """
    columns = list(dict.fromkeys(["client", "site", kind, "said_by"]))
    if kind == "site":
        return pd.DataFrame(columns=columns, dtype="str")
    sites = in_force(entries(store, "site"), "site").assign(said_by="the register of sites")
    sampled = store.connection.execute(
        f"SELECT client, site, {kind}, 'sample ' || called AS said_by FROM v_sample "  # noqa: S608 - a name of this module
        f"WHERE {kind} <> '' AND site <> '' AND activity IN ('', 'routine') ORDER BY collected_at DESC NULLS LAST"
    ).df()
    named = pd.concat([sites[columns], sampled[columns]], ignore_index=True).fillna("")
    named = named[named[kind].str.strip() != ""].drop_duplicates(["client", "site"])
    own = pd.MultiIndex.from_frame(rows[["client", "site"]])
    return named[~pd.MultiIndex.from_frame(named[["client", "site"]]).isin(own)].reset_index(drop=True)


def of_site(rows: pd.DataFrame, site: str, client: str | None = None) -> pd.DataFrame:
    """Keep the rows of one site, whatever the case of its letters.

    Raises
    ------
    KettlestoneError : several clients have a site of that name.
    """
    owner, _, place = site.rpartition("/")
    wanted = client if client is not None else owner.strip() or None
    found = rows[(rows["site"].str.casefold() == place.strip().casefold()).to_numpy()]
    if wanted is not None:
        found = found[(found["client"].str.casefold() == wanted.strip().casefold()).to_numpy()]
    owners = sorted(set(found["client"]))
    if len(owners) > 1:
        lines = "\n".join(f"    {name} / {place.strip()}" for name in owners)
        raise KettlestoneError(
            f'{len(owners)} clients have a site "{place.strip()}":\n{lines}\n'
            f'  {UNCHANGED}\n  Write it as "client / site", as above.'
        )
    return found.reset_index(drop=True)


def enter(
    store: Store, kind: str, site: str, values: Mapping[str, str], *, by: str, why: str, now: datetime
) -> pd.DataFrame:
    """Add a row to a register: what was in force, with the values that are new.

    Earlier rows stay as they are, so that every test can be read with what was fitted on its day.

    Parameters
    ----------
    store : open for writing.
    kind : `site`, `machine` or `treatment`.
    site : a site of the store or a new one, "client / site" where several clients have it.
    values : field → text; a field that is not named keeps its value.
    by, why : who enters it, and the reason.
    now : UTC.

    Returns
    -------
    The new row (1, …).

    Raises
    ------
    KettlestoneError : nothing or an impossible value is to be entered, or the site is not the only one of
        that name; nothing was changed.
    """
    if not by.strip() or not why.strip():
        raise KettlestoneError(f"say who enters this (--by) and why (--why). {UNCHANGED}")
    _check(kind, values)
    rows = of_site(entries(store, kind), site)
    _refuse_what_is_known(kind, values, in_force(rows, kind))
    known = _owner(store, site)
    for name in KEYS[kind]:
        rows = rows[(rows[name].str.casefold() == values[name].casefold()).to_numpy()]
    before = rows.tail(1).drop(columns=[name for name in _INNER if name in rows])
    if values.get("installed_on", "") and "counter_litres" in before:
        before = before.assign(counter_litres="")  # the counter of the medium that was taken out
    row = (before if len(before) else pd.DataFrame([known])).assign(**values).reset_index(drop=True)
    row = row.fillna("").assign(entered_by=by.strip(), entered_at=_plain(now), why=why.strip(), file_sha256="")
    # Microseconds: two entries of one second keep their order.
    said = {"kind": kind, "site": site, "values": dict(values), "by": by, "why": why, "now": now.isoformat()}
    with store.batch(f"{_plain(now):%Y%m%dT%H%M%S.%f}-entry", Change("register", said)) as batch:
        batch.add(f"{kind}s", row)
        batch.close({"started_at": now, "finished_at": now, "version": __version__, "settings": {}, "entries_read": 0})
    return row


def _owner(store: Store, site: str) -> dict[str, str]:
    """Find client and spelling of a site in any register; a site nobody knows is new."""
    owner, _, place = site.rpartition("/")
    for kind in KEYS:
        found = of_site(entries(store, kind), site)
        if len(found):
            return {"client": str(found["client"].iloc[0]), "site": str(found["site"].iloc[0])}
    sampled = store.connection.execute(
        "SELECT DISTINCT client, site FROM sample "
        "WHERE lower(site) = lower($1) AND ($2 = '' OR lower(client) = lower($2))",
        [place.strip(), owner.strip()],
    ).fetchall()
    if len(sampled) == 1:
        return dict(zip(("client", "site"), map(str, sampled[0]), strict=True))
    return {"client": owner.strip(), "site": place.strip()}


def option(field: str) -> str:
    """Name the option of the command line that sets a field."""
    return _OPTIONS.get(field, f"--{field.replace('_', '-')}")


def _check(kind: str, values: Mapping[str, str]) -> None:
    """Refuse what cannot be: every fault is named with what to write instead."""
    lacking = [name for name in KEYS[kind] if not values.get(name, "").strip()]
    if lacking:
        raise KettlestoneError(f"say which {lacking[0]} (--{lacking[0]}). {UNCHANGED}")
    if (name := values.get("treatment", "").strip()) and not treatment_meant(name):
        which = " Which kind of filter is it?" if some_filter(name) else ""
        raise KettlestoneError(
            f'there is no treatment "{name}"{did_you_mean(name, KNOWN_TREATMENTS)}{which}\n'
            f"  {UNCHANGED}\n  Treatments: {', '.join(KNOWN_TREATMENTS)}."
        )
    for name, largest in LARGEST.items():
        if values.get(name, "") and not _within(name, values[name], largest):
            least = "above 0 and up" if name in ABOVE_ZERO else "from 0"
            raise KettlestoneError(
                f'{option(name)} "{values[name]}": write a number {least} to {largest:,.0f}. {UNCHANGED}'
            )
    if (day := values.get("installed_on", "")) and not _is_day(day):
        raise KettlestoneError(f'--installed-on "{day}": write the day as YYYY-MM-DD. {UNCHANGED}')


def _refuse_what_is_known(kind: str, values: Mapping[str, str], rows: pd.DataFrame) -> None:
    """Refuse an entry that says nothing but which machine or treatment is meant, where that one is in force already.

    That a treatment or a machine is there at all is news where it is not.
    """
    if set(values) - set(KEYS[kind]):
        return
    for name in KEYS[kind]:
        rows = rows[(rows[name].str.strip().str.casefold() == values[name].strip().casefold()).to_numpy()]
    if len(rows) or not KEYS[kind]:
        known = f"; {values[KEYS[kind][0]]} is in force already" if KEYS[kind] else ""
        raise KettlestoneError(f"no new value was given{known}. {UNCHANGED}\n  See --help for what can be set.")


def _within(name: str, text: str, largest: float) -> bool:
    try:
        value = float(text)
    except ValueError:
        return False
    return (SMALLEST if name in ABOVE_ZERO else 0.0) <= value <= largest


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _plain(moment: datetime) -> datetime:
    return moment.astimezone(UTC).replace(tzinfo=None) if moment.tzinfo else moment
