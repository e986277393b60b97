"""Which of day and month comes first, where the dates of a file leave it open: decided once per file, and told once.

The layout and the file's own dates (a day above 12) have spoken before. What is left open is decided by the country of
the sites, then by the same label with day and month exchanged elsewhere, then by a date in the name of the file, last
by the language of the headings.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import PurePath
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.normalise.rows import collected, month_first
from pipeline.problems import no_problems, problem_frame
from pipeline.texts import TextColumn

if TYPE_CHECKING:
    from collections.abc import Mapping

UNDECIDED_DATES: Final = "date-ambiguous"  # the problem of a file whose dates nothing decides
_IN_NAME: Final = re.compile(r"(?<!\d)((?:19|20)\d\d)[-_. ]?(\d\d)(?:[-_. ]?(\d\d))?(?!\d)")
# Canada writes all three orders [CP].
_EVERY_ORDER: Final = frozenset({"", "ca", "can", "canada", "kanada"})
_WORDS: Final = {
    "collected_on": "date of sampling",
    "analysed_on": "date of analysis",
    "received_on": "date of receipt",
}
_FIRST: Final = {"d": "day first", "m": "month first"}


@dataclass(frozen=True)
class _Decision:
    order: str
    reason: str


def settle_orders(
    rows: pd.DataFrame, known: pd.DataFrame, file_names: Mapping[str, str], time_zone: str
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Decide the open order of day and month of every file.

    Parameters
    ----------
    rows : typed rows of all files, `country` filled in from the register where it knows the site.
    known : `label` and `collected_at` of samples that the store has.
    file_names : by SHA-256.
    time_zone : of times that name none.

    Returns
    -------
    rows : their dates exchanged where the other order is right.
    notices : one for each file (PROBLEM_COLUMNS).
    """
    if "date_order" not in rows or not (rows["date_order"] != "").any():
        return rows, no_problems()
    is_open = TextColumn.of(rows, "date_order").stated()
    notices = []
    others = pd.concat([rows.loc[~is_open, ["label", "collected_at"]], known[["label", "collected_at"]]])
    rows = rows.copy()
    for file, of_file in rows[is_open].groupby("file_sha256", sort=False):
        taken = str(of_file["date_order"].iloc[0])[0]
        found = _decided(of_file, others, file_names.get(str(file), ""))
        if found.order and found.order != taken:
            rows = _exchanged(rows, of_file, found.order, time_zone)
        name = PurePath(file_names.get(str(file), "")).name
        notices.append(_notice(rows.loc[of_file.index], str(file), name, found, taken))
    return rows, pd.concat(notices, ignore_index=True)


def _decided(of_file: pd.DataFrame, others: pd.DataFrame, name: str) -> _Decision:
    by_country = _by_country(of_file)
    if by_country.order:
        return by_country
    by_label = _by_label(of_file, others)
    for found in (by_label, _by_name(of_file, name), _by_language(of_file)):
        if found.order:
            return found
    return by_country


def _by_country(of_file: pd.DataFrame) -> _Decision:
    countries = of_file["country"][~of_file["country"].str.strip().str.casefold().isin(_EVERY_ORDER)]
    if countries.empty:
        return _Decision("", "")
    named = ", ".join(sorted(set(countries)))
    orders = {"m" if month_first(one) else "d" for _, one in countries.groupby(countries)}
    if len(orders) > 1:
        return _Decision("", f"sites in {named} write both orders")
    return _Decision(orders.pop(), f"the country of the site ({named}) writes dates so")


def _by_label(of_file: pd.DataFrame, others: pd.DataFrame) -> _Decision:
    """Look for the labels of the file at the days that either order would give."""
    seen = set(zip(_folded(others["label"]), _days(others["collected_at"]), strict=True))
    labels, days = _folded(of_file["label"]), _days(of_file["collected_at"])
    exchanged = _days(exchanged_days(of_file["collected_at"]))
    straight = [label for label, day in zip(labels, days, strict=True) if label and (label, day) in seen]
    other = [label for label, day in zip(labels, exchanged, strict=True) if label and (label, day) in seen]
    if bool(straight) == bool(other):
        return _Decision("", "")
    taken = str(of_file["date_order"].iloc[0])[0]
    order = taken if straight else {"d": "m", "m": "d"}[taken]
    return _Decision(order, f'another file dates the sample "{(straight or other)[0]}" so')


def _by_name(of_file: pd.DataFrame, name: str) -> _Decision:
    """Take a date in the name of the file as evidence where it fits one order alone."""
    found = _IN_NAME.search(PurePath(name).stem)
    if not found:
        return _Decision("", "")
    stated = "-".join(part for part in found.groups() if part)
    fits = [
        any(day.startswith(stated) for day in _days(moments) if day)
        for moments in (of_file["collected_at"], exchanged_days(of_file["collected_at"]))
    ]
    if fits[0] == fits[1]:
        return _Decision("", "")
    taken = str(of_file["date_order"].iloc[0])[0]
    return _Decision(taken if fits[0] else {"d": "m", "m": "d"}[taken], f"the name of the file says {stated}")


def _by_language(of_file: pd.DataFrame) -> _Decision:
    """Take the language of the headings as evidence, if it is the same one in all tables of the file."""
    languages = {text.split()[0].partition(":")[2] for text in of_file["date_order"].unique()}
    language = languages.pop() if len(languages) == 1 else ""
    return (
        _Decision("d", f"the headings are {language}, and dates there begin with the day")
        if language
        else _Decision("", "")
    )


def _folded(labels: pd.Series) -> list[str]:
    return labels.astype("str").str.strip().str.casefold().tolist()


def _days(moments: pd.Series) -> list[str]:
    return [str(day) for day in moments.dt.strftime("%Y-%m-%d").fillna("")]


def exchanged_days(moments: pd.Series) -> pd.Series:
    """Exchange day and month of moments; the time of day stays. Missing where there is no such day."""
    day = moments.dt.floor("D")
    parts = {"year": day.dt.year, "month": day.dt.day, "day": day.dt.month}
    days = pd.to_datetime(pd.DataFrame(parts), errors="coerce", utc=moments.dt.tz is not None)
    exchanged: pd.Series = days.astype(moments.dtype) + (moments - day)
    return exchanged


def _exchanged(rows: pd.DataFrame, of_file: pd.DataFrame, order: str, time_zone: str) -> pd.DataFrame:
    """Put the other order into every open date of a file."""
    for name in sorted({word for text in of_file["date_order"].unique() for word in text.split()[1:]}):
        mine = of_file[of_file["date_order"].str.split().apply(lambda words, name=name: name in words[1:])]
        if name == "collected_on":
            moments = collected(mine, time_zone, month_comes_first=order == "m")
            rows.loc[mine.index, "collected_at"] = moments.astype(rows["collected_at"].dtype)
        else:
            rows.loc[mine.index, name] = exchanged_days(mine[name]).astype(rows[name].dtype)
    return rows


def _notice(rows: pd.DataFrame, file: str, name: str, found: _Decision, taken: str) -> pd.DataFrame:
    named = rows["date_order"].iloc[0].split()[1]
    shown = rows["collected_at" if named == "collected_on" else named].iloc[0]
    count = "1 row of the file has such a date" if len(rows) == 1 else f"{len(rows)} rows of the file have such dates"
    reason = found.reason or "nothing says which comes first"
    if found.reason and not found.order:
        reason = f"nothing else says which comes first: {found.reason}"
    other = {"d": "month-first", "m": "day-first"}[found.order or taken]
    answer = f'. If not, answer once for the file: kettlestone decide --file "{name}" correct --date-order {other}'
    return problem_frame(
        "date-order" if found.order else UNDECIDED_DATES,
        file_sha256=file,
        line=rows["line"].iloc[:1],
        column=_WORDS.get(named, named.replace("_", " ")),
        raw_text=rows["collected_on"].iloc[:1] if named == "collected_on" else "",
        detail=f"{shown:%Y-%m-%d} ({_FIRST[found.order or taken]}; {count}): {reason}{'' if found.order else answer}",
    )
