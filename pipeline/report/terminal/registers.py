"""Answers to `site`, `machine` and `treatment`: what is in force, and how it came to be."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from pipeline.errors import UNCHANGED, KettlestoneError
from pipeline.register_words import machine_not_known
from pipeline.report.terminal.table_output import plain_table, put_out
from pipeline.site.machines import machines_of
from pipeline.store.database import Store
from pipeline.store.registers import KEYS, enter, entries, in_force, named_elsewhere, of_site
from pipeline.store.site_records import sites_called, unknown_site

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from pipeline.report.terminal.table_output import TableOutput
    from pipeline.settings import Settings

_ORIGIN: Final = ("since", "entered_by", "why", "file", "line", "file_sha256", "entered_at", "batch_id")


def listing(settings: Settings, kind: str, wanted: TableOutput) -> str:
    """List a register as it is in force.

    Raises
    ------
    KettlestoneError : there is no store.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        own = in_force(entries(store, kind), kind)
        rows = pd.concat([own, named_elsewhere(store, kind, own)], ignore_index=True)
    rows = rows.sort_values(["client", "site", *KEYS[kind]], kind="stable")
    facts = rows.drop(columns=[name for name in _ORIGIN if name in rows])
    filled = [name for name in facts if (facts[name].fillna("") != "").any()]
    empty = f"The register of {kind}s is empty; import one, or kettlestone {kind} set SITE."
    return put_out(facts.fillna(""), wanted, lambda: plain_table(facts[filled].fillna(""), empty, len(facts)))


def register_text(settings: Settings, kind: str, site: str, *, as_json: bool) -> str:
    """Show what is in force at a site and every earlier entry with who, when and why.

    Raises
    ------
    KettlestoneError : there is no store, or nothing is registered for that site.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        named = sites_called(store, site)
        where = named[0].name if len(named) == 1 else site
        rows = of_site(entries(store, kind), where)
        elsewhere = of_site(named_elsewhere(store, kind, rows), where)
    if rows.empty and elsewhere.empty:
        raise KettlestoneError(
            f'no {kind} is registered for "{site}".\n'
            f"  See them all with kettlestone {kind} list, or enter it with kettlestone {kind} set."
        )
    if rows.empty:
        return _of_elsewhere(elsewhere, kind, as_json=as_json)
    facts = in_force(rows, kind)
    if as_json:
        return json.dumps({"in_force": _records(facts), "history": _records(rows)}, ensure_ascii=False, default=str)
    lines = ["In force"]
    for row in _records(facts):
        stated = {name: text for name, text in row.items() if text != "" and name not in _ORIGIN}
        lines += [f"  {name.replace('_', ' ')}: {text}" for name, text in stated.items()] + [""]
    return "\n".join([*lines, "History", *_history(rows, kind)])


def _of_elsewhere(rows: pd.DataFrame, kind: str, *, as_json: bool) -> str:
    """Show what another place than the register says, and which."""
    if as_json:
        return json.dumps({"in_force": _records(rows), "history": []}, ensure_ascii=False)
    said = [f"  {kind}: {row[kind]} (as {row['said_by']} says)" for row in _records(rows)]
    return "\n".join(["In force", *said, "", f"The register of {kind}s has no entry for this site."])


def entered(
    settings: Settings, kind: str, site: str, values: Mapping[str, str], *, by: str, why: str, now: datetime, new: bool
) -> str:
    """Enter a new row and say what changed; the only treatment or machine in force need not be named.

    Parameters
    ----------
    settings, kind, site, values, by, why, now : as for `pipeline.store.registers.enter`; a site is found by all its
        names.
    new : whether the site may be one that nobody knows.

    Raises
    ------
    KettlestoneError : the site is not known, or see `pipeline.store.registers.enter`.
    """
    machines = machines_of(settings)
    if machine_not_known(values.get("machine", ""), machines):
        known = ", ".join(machines)
        raise KettlestoneError(f'machine "{values["machine"]}" is not known. Known: {known}.\n  {UNCHANGED}')
    with Store(settings.store, wait_s=settings.lock_wait_s) as store:
        named = sites_called(store, site)
        if not named and not new:
            raise unknown_site(store, site, "Give --new to enter a site that nobody knows yet.")
        site = named[0].name if len(named) == 1 else site
        row = enter(store, kind, site, _only_one(store, kind, site) | dict(values), by=by, why=why, now=now)
        rows = of_site(entries(store, kind), f"{row['client'].item()} / {row['site'].item()}")
    return "\n".join(["Entered; earlier entries stay.", *_history(rows, kind)[-1:]])


def _only_one(store: Store, kind: str, site: str) -> dict[str, str]:
    """Name what a new value is about where nothing else is in force at the site; nobody has to say it again."""
    rows = in_force(of_site(entries(store, kind), site), kind)
    return {name: str(rows[name].iloc[0]) for name in KEYS[kind]} if len(rows) == 1 else {}


def _history(rows: pd.DataFrame, kind: str) -> list[str]:
    """Say of every entry where it came from and what it changed."""
    before: dict[tuple[str, ...], dict[str, Any]] = {}
    lines = []
    for row in _records(rows):
        key = tuple(str(row[name]) for name in KEYS[kind])
        earlier = before.get(key, {})
        facts = {name: text for name, text in row.items() if name not in (*_ORIGIN, "client", "site")}
        changed = [
            f"{name.replace('_', ' ')} {earlier[name]} → {text}"
            if earlier.get(name, "") != ""
            else f"{name.replace('_', ' ')} {text}"
            for name, text in facts.items()
            if text != earlier.get(name, "")
        ]
        origin = f"by {row['entered_by']} ({row['why']})" if row["entered_by"] else f"from {row['file']}:{row['line']}"
        lines.append(f"  {str(row['since'])[:16]}  {origin}: {'; '.join(changed) or 'nothing changed'}")
        before[key] = facts
    return lines


def _records(rows: pd.DataFrame) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(rows.to_json(orient="records", date_format="iso", force_ascii=False))
    return [{name: "" if value is None else value for name, value in row.items()} for row in found]
