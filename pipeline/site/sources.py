"""What the registers and the samples of a site say, row by row, before one answer is made of it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.site.pairing import last_pair
from pipeline.site.statements import MACHINE, POINT, REGISTER, SAMPLE, SITE, Statement, positive, share, written_day
from pipeline.treat.processes.naming import NONE, treatment_meant

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from pipeline.store.database import Store
    from pipeline.store.site_records import SiteName

# Register -> its kind in the store.
REGISTERS: Final = {REGISTER: "treatment", SITE: "site", MACHINE: "machine"}
_OF_SAMPLES: Final = (
    "label", "sampling_point", "treatment", "bypass_percent", "litres_per_day", "machine", "country", "supply",
    "comment",
)  # fmt: skip
Row = dict[str, str]


@dataclass(frozen=True)
class SiteSources:
    """What the registers and the samples of one site say, every field as text, "" where it says nothing.

    Attributes
    ----------
    rows : `REGISTER`, `SITE` and `MACHINE` -> the rows of that register, the oldest first.
    samples : the oldest first.
    pair : places of the treated and the raw sample of the last pair among ``samples``.
    tested_on : when the last treated sample was taken, None where nobody says or there is none.
    """

    rows: Mapping[str, Sequence[Row]]
    samples: Sequence[Row]
    pair: tuple[int, ...]
    tested_on: pd.Timestamp | None

    def last(self, by: str) -> Row:
        """Give the last row of a register."""
        return self.rows[by][-1] if self.rows[by] else {}

    def register(self, today: pd.Timestamp) -> Row:
        """Give the row of the treatments' register that is in force, else its last one."""
        standing = _in_force(self.rows[REGISTER], today)
        return standing[-1] if standing else self.last(REGISTER)

    def texts(self, name: str) -> list[str]:
        """Give what the samples say of one thing, the oldest first."""
        return [row[name] for row in self.samples if row[name]]

    def latest(self, name: str) -> str:
        """Take a fact from the latest sample that states it."""
        return next(reversed(self.texts(name)), "")

    def changes(self, treatment: str) -> tuple[pd.Timestamp, ...]:
        """Give the days on which the medium of a treatment was put in."""
        own = [row for row in self.rows[REGISTER] if treatment_meant(row.get("treatment", "")) == treatment]
        days = {written_day(row.get("installed_on", "")) for row in own}
        return tuple(sorted(day for day in days if day is not None))

    def statements(self, on: pd.Timestamp) -> list[Statement]:
        """Lay out what every place says on a day."""
        standing = _in_force(self.rows[REGISTER], on)
        of_rows = [_of_row(row, by) for by in (SITE, MACHINE) if (row := self.last(by))]
        said = [*self._of_samples(), *of_rows]
        # A register that begins only later still says more than nobody.
        named = bool(standing) or any(one.written for one in said)
        counting = standing if named else self.rows[REGISTER]
        stated = [*(_of_row(row, REGISTER) for row in counting[-1:]), *said]
        return stated if any(one.written for one in stated) else [*stated, *self._of_point()]

    def _of_point(self) -> list[Statement]:
        """Take the name of the device from where the last treated sample was drawn: "nach Osmose"."""
        drawn = [self.samples[place] for place in self.pair[:1]]
        said = [row[name] for row in drawn for name in ("sampling_point", "label")]
        return [Statement(POINT, text) for text in said if treatment_meant(text) not in ("", NONE)][:1]

    def _of_samples(self) -> list[Statement]:
        """Lay out what the rows of the last pair say; what neither says comes from the latest sample that says it."""
        taken_over = {row["treatment"].casefold() for row in self.rows[SITE] if row.get("treatment")}
        rows = [_of_sample(row, taken_over) for row in self.samples]
        said = [rows[place] for place in self.pair]
        others = [one for place, one in reversed([*enumerate(rows)]) if place not in self.pair]
        written = next((one for one in others if one.written), None)
        litres = next((one for one in others if not math.isnan(one.litres)), None)
        if written is not None and not any(one.written for one in said):
            said.append(replace(written, litres=math.nan))
        if litres is not None and all(math.isnan(one.litres) for one in said):
            said.append(Statement(SAMPLE, litres=litres.litres, label=litres.label))
        return said


def sources_of(
    wide: pd.DataFrame, rows: Mapping[str, Sequence[Row]], samples: Sequence[Row] | None = None
) -> SiteSources:
    """Put together what is said of a site.

    Parameters
    ----------
    wide : its samples (view `v_sample`), the oldest first.
    rows : of the three registers, as ``site_rows`` gives them.
    samples : what ``texts_of_samples`` makes of ``wide``, where it was laid out with that of other sites.
    """
    raw, treated = last_pair(wide[["sample_id", "stage", "collected_at"]].set_index("sample_id"))
    named = [str(name) for name in wide["sample_id"]]
    day = wide["collected_at"].iloc[named.index(treated)] if treated else pd.NaT
    return SiteSources(
        rows=rows,
        samples=texts_of_samples(wide) if samples is None else samples,
        pair=tuple(named.index(name) for name in (treated, raw) if name),
        tested_on=None if pd.isna(day) else pd.Timestamp(day),
    )


def texts_of_samples(wide: pd.DataFrame) -> list[Row]:
    """Lay out what samples say of their site; one without a label is called by its identifier."""
    labels = wide["label"].mask(wide["label"].fillna("").str.strip() == "", wide["sample_id"])
    return text_rows(wide.assign(label=labels).reindex(columns=[*_OF_SAMPLES]))


def text_rows(frame: pd.DataFrame) -> list[Row]:
    """Lay a table out as rows of text, "" where nothing is said."""
    text = frame.astype("object").where(frame.notna(), "").astype("str")
    names = [str(name) for name in text.columns]
    return [dict(zip(names, map(str.strip, row), strict=True)) for row in text.to_numpy().tolist()]


def register_rows(store: Store) -> dict[str, dict[tuple[str, str], list[Row]]]:
    """Read the three registers: each by client and site in small letters, the oldest row first."""
    from pipeline.store import registers  # noqa: PLC0415 - duckdb is not needed by the reports

    found: dict[str, dict[tuple[str, str], list[Row]]] = {}
    for by, kind in REGISTERS.items():
        found[by] = {}
        for row in text_rows(registers.entries(store, kind)):
            found[by].setdefault(_key(row["client"], row["site"]), []).append(row)
    return found


def site_rows(
    registers: Mapping[str, Mapping[tuple[str, str], Sequence[Row]]], site: SiteName
) -> dict[str, Sequence[Row]]:
    """Take the rows about one site; one without a client counts where there is no other."""
    places = (_key(site.client, site.site), _key("", site.site))
    return {by: next((parts[place] for place in places if place in parts), ()) for by, parts in registers.items()}


def _key(client: str, site: str) -> tuple[str, str]:
    return client.strip().casefold(), site.strip().casefold()


def _of_row(row: Row, by: str) -> Statement:
    return Statement(
        by,
        "" if by == MACHINE else row.get("treatment", ""),
        share(row.get("bypass_percent", "")),
        positive(row.get("litres_per_day", "")),
        written_day(row.get("installed_on", "")) if by == REGISTER else None,
    )


def _of_sample(row: Row, taken_over: set[str]) -> Statement:
    """Lay out what a sample says; what it took over from the register of sites the site says itself."""
    own = "" if row["treatment"].casefold() in taken_over else row["treatment"]
    return Statement(SAMPLE, own, share(row["bypass_percent"]), positive(row["litres_per_day"]), label=row["label"])


def _in_force(rows: Sequence[Row], on: pd.Timestamp) -> Sequence[Row]:
    """Order the rows of a register by the day they begin, without those that begin after a day.

    A row without a day follows what stands before it; where the first has none, the rows stay as they stand.
    """
    began = [written_day(row.get("installed_on", "")) for row in rows]
    order = [max((day for day in began[: place + 1] if day is not None), default=None) for place in range(len(rows))]
    order = [day or before for day, before in zip(began, order, strict=True)]
    places = [*range(len(rows))]
    if None not in order:
        places.sort(key=lambda place: order[place] or on)
    return [rows[place] for place in places if (day := began[place]) is None or day <= on]
