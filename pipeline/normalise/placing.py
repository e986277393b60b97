"""Whose water it is by the register of sites: a site named by its code, or without its client, is the site it is.

A code joins wherever it stands: in a column of codes, as the site, before the name of the sampling point, or at the
beginning of a label. It must be the only one of its kind; what a row states itself is never overruled by less. A row
that names only whose water it is means the one site that client has, or the one site that bears the name.
"""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.texts import TextColumn, composed

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.arrays import Flags, Places

_CODE: Final = re.compile(r"(?=\S*\d)(?=\S*[^\W\d])\S{3,}$")  # a name such as "NK-14" is a code as well
_LETTER: Final = re.compile(r"[^\W\d]")
_LEAST: Final = 2  # characters of a code that may begin a longer text

_Entries = dict[str, list[int]]


@dataclass(frozen=True)
class _Register:
    """The entries of a register, by their folded names and codes."""

    clients: tuple[str, ...]
    names: Mapping[str, list[int]]
    codes: Mapping[str, list[int]]

    def meant(self, client: str, text: str, *kinds: Mapping[str, list[int]]) -> str:
        """Give the number of the only entry a text means; "" where it means none, or several."""
        folded, owner = _fold(text), _fold(client)
        for kind in kinds:
            found = kind.get(folded, [])
            own = [entry for entry in found if owner and self.clients[entry] == owner]
            fitting = own or [entry for entry in found if not owner or not self.clients[entry]]
            if found:
                return str(fitting[0]) if len(fitting) == 1 else ""
        return ""

    def only_entries(self) -> dict[str, str]:
        """Give the number of the only entry of each client."""
        counted = Counter(self.clients)
        return {client: str(at) for at, client in enumerate(self.clients) if client and counted[client] == 1}


def _fold(text: str) -> str:
    return " ".join(text.casefold().split())


def _register(sites: pd.DataFrame) -> _Register:
    clients, names, codes = (
        [_fold(text) for text in TextColumn.of(sites, name).tolist()] for name in ("client", "site", "site_code")
    )
    by_name: _Entries = {}
    by_code: _Entries = {}
    for entry, (name, code) in enumerate(zip(names, codes, strict=True)):
        if name:
            by_name.setdefault(name, []).append(entry)
        for text in {code, name if _CODE.match(name) else ""} - {""}:
            by_code.setdefault(text, []).append(entry)
    return _Register(tuple(clients), by_name, by_code)


def last_entries(sites: pd.DataFrame) -> pd.DataFrame:
    """Keep the last row of each client and site of a register."""
    keys = pd.DataFrame({name: TextColumn.of(sites, name).map(_fold).series() for name in ("client", "site")})
    return sites[~keys.duplicated(keep="last").to_numpy()].reset_index(drop=True)


def entries_meant(facts: pd.DataFrame, sites: pd.DataFrame) -> tuple[Places, TextColumn]:
    """Find the entry of the register that each row means.

    Parameters
    ----------
    facts : (n, …) rows with any of `client site site_code sampling_point label`.
    sites : the register, one row per client and site, with `client site` and maybe `site_code`.

    Returns
    -------
    entry : (n,) position in ``sites``, -1 where a row means none of them.
    evidence : the code or sampling point by which a row was placed that names no site of the register, "" elsewhere.
    """
    register = _register(sites)
    told = {name: TextColumn.of(facts, name) for name in ("client", "site", "site_code", "sampling_point", "label")}
    client, nowhere = told["client"], ~told["site"].stated()
    by_name = _asked(register, client, told["site"], register.names)
    by_code = _asked(register, client, told["site_code"], register.codes, register.names)
    by_site = _asked(register, client, told["site"], register.codes)
    point = _asked(register, client, _beginnings(told["sampling_point"], register), register.codes, register.names)
    label = _asked(register, client, _beginnings(told["label"], register), register.codes, register.names)
    silent = TextColumn.constant("", len(facts))
    entry = by_name.otherwise(by_code).otherwise(by_site)
    free = nowhere & ~entry.stated()
    entry = entry.otherwise(point.over(silent, free)).otherwise(label.over(silent, free))
    entry = entry.otherwise(_by_owner(register, told, entry))
    further = composed(
        [told["site"].distinct(), told["site_code"].distinct()], lambda site, code: code if site != code else ""
    )
    coded = by_code.stated() & ~by_name.stated() & further.stated()
    pointed = free & point.stated()
    evidence = told["site_code"].over(told["sampling_point"].over(silent, pointed), coded)
    return entry.answers(lambda number: int(number) if number else -1).astype("int64"), evidence


def _asked(register: _Register, client: TextColumn, text: TextColumn, *kinds: Mapping[str, list[int]]) -> TextColumn:
    """Ask the register once for each client and text that occur together."""
    known = frozenset().union(*kinds)
    plain = text.map(lambda written: written if _fold(written) in known else "")
    if not any(plain.texts):
        return TextColumn.constant("", len(text))
    return composed([client.distinct(), plain.distinct()], lambda one, other: register.meant(one, other, *kinds))


def _by_owner(register: _Register, told: Mapping[str, TextColumn], entry: TextColumn) -> TextColumn:
    """Place rows that name one of client and site alone: a house with one site is written under either heading.

    A client with rows at another place, which the register does not know, may mean that one: its rows stay.
    """
    client, site = told["client"], told["site"]
    elsewhere = client.stated() & site.stated() & ~entry.stated()
    several = {_fold(client.texts[code]) for code in set(client.codes[elsewhere].tolist())}
    only = register.only_entries()

    def owned(owner: str, place: str) -> str:
        name = _fold(owner or place)
        if (owner and place) or name in several or (place and name in register.names):
            return ""
        return only.get(name, "") or register.meant("", owner, register.names)

    return composed([client.distinct(), site.distinct()], owned)


def _beginnings(texts: TextColumn, register: _Register) -> TextColumn:
    """Give the code that a text begins with, as a word of its own; the whole text where it begins with none."""
    codes = [code for code in register.codes if len(code) >= _LEAST and _LETTER.search(code)]
    if not codes or not any(texts.texts):
        return texts
    longest_first = "|".join(re.escape(code) for code in sorted(codes, key=len, reverse=True))
    lower = pc.utf8_trim_whitespace(pc.utf8_lower(pa.array(texts.texts, type=pa.string())))
    found = pc.extract_regex(lower, rf"^(?P<code>{longest_first})(?:[^0-9\pL].*)?$")
    code = pc.struct_field(found, "code") if len(lower) else lower
    return TextColumn(texts.codes, tuple(pc.coalesce(code, lower).to_pylist()))


def placed(rows: pd.DataFrame, sites: pd.DataFrame) -> pd.DataFrame:
    """Give every row the client and the site of the register that it means.

    Parameters
    ----------
    rows : (n, …) with `client site` and maybe `site_code sampling_point label`.
    sites : the register, maybe with several rows of a site; the last one counts.

    Returns
    -------
    The rows. Where the register changed one of them: `client` and `site` as the register writes them, beside them
    `written_client` and `written_site`, and `placed_by`, the code or sampling point that decided, "" where client,
    site and label did.
    """
    rows = _with_code_as_site(rows)
    if sites.empty or rows.empty:
        return rows
    sites = last_entries(sites)
    entry, evidence = entries_meant(rows, sites)
    meant = entry >= 0
    if not meant.any():
        return rows
    written = {name: TextColumn.of(rows, name) for name in ("client", "site")}
    known = {name: _of_entries(sites, name, entry, meant) for name in written}
    now = {name: known[name].otherwise(written[name]) for name in written}
    now["site"] = _of_nameless(now, meant & ~known["site"].stated())
    if not any(_differ(now[name], written[name]) for name in written):
        return rows
    return rows.assign(
        client=now["client"].series(rows.index),
        site=now["site"].series(rows.index),
        written_client=written["client"].series(rows.index),
        written_site=written["site"].series(rows.index),
        placed_by=evidence.series(rows.index),
    )


def _of_nameless(now: Mapping[str, TextColumn], nameless: Flags) -> TextColumn:
    """Give sites of the register without a name none, where rows call them by their client."""
    client, site = now["client"].distinct(), now["site"].distinct()
    unnamed = composed([client, site], lambda owner, place: "" if _fold(owner) == _fold(place) else place)
    return unnamed.over(now["site"], nameless) if nameless.any() else now["site"]


def _with_code_as_site(rows: pd.DataFrame) -> pd.DataFrame:
    """Let a code stand for the site where a row names none: two codes are two sites without a register as well."""
    code = TextColumn.of(rows, "site_code")
    site = TextColumn.of(rows, "site")
    if not any(code.texts) or site.stated().all():
        return rows
    return rows.assign(site=site.otherwise(code).series(rows.index))


def _differ(one: TextColumn, other: TextColumn) -> bool:
    return any(composed([one.distinct(), other.distinct()], lambda a, b: "" if a == b else "differs").texts)


def _of_entries(sites: pd.DataFrame, name: str, entry: Places, meant: Flags) -> TextColumn:
    """Give what the register says of the entry of each row, "" where it means none."""
    said = TextColumn.of(sites, name)
    return TextColumn(np.where(meant, said.codes[entry], len(said.texts)), (*said.texts, ""))


def with_register(facts: pd.DataFrame, sites: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Fill what placed rows leave open from their site's entry in the register.

    Parameters
    ----------
    facts : (n, …) with `client site`, as ``placed`` gives them.
    sites : the register.
    names : columns to fill, "" where a row says nothing.
    """
    if sites.empty or facts.empty:
        return facts
    sites = last_entries(sites)
    entry, _ = entries_meant(facts[["client", "site"]], sites)
    filled = {
        name: TextColumn.of(facts, name).otherwise(_of_entries(sites, name, entry, entry >= 0)).series(facts.index)
        for name in names
        if name in sites
    }
    return facts.assign(**filled)
