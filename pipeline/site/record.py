"""One site as the store knows it: its facts, and its water before and after what is fitted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import islice
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.site.facts import site_facts
from pipeline.site.pairing import last_pair
from pipeline.site.selection import AFTER, BEFORE, earlier_of, incomplete, latest, lenders, waiting
from pipeline.site.sources import register_rows, site_rows, sources_of, texts_of_samples
from pipeline.site.visit import Visit, completed
from pipeline.treat.choosing.case import ALKALINITY, HARDNESS
from pipeline.treat.processes.naming import NONE
from pipeline.verify.series import PERMEATE, RAW, TREATED, UNSTATED
from schemas.columns import WIDE_COLUMNS

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import date

    from pipeline.assess.machines import Machine
    from pipeline.normalise.sample_table import SampleTable
    from pipeline.site.facts import Facts
    from pipeline.site.statements import Fitted
    from pipeline.store.database import Store
    from pipeline.store.site_records import SiteName

__all__ = [
    "ALKALINITY",
    "HARDNESS",
    "KEEPS_MINERALS",
    "RAW_STAGES",
    "Site",
    "Timeline",
    "site_record",
]

RAW_STAGES: Final = (*RAW, *UNSTATED)
KEEPS_MINERALS: Final = (NONE, "", "carbon")  # with these fitted the machine gets the water of the tap


_FACTS: Final = ["label", "stage", "collected_at", "current_verdict", "counter_litres"]


@dataclass(frozen=True)
class Timeline:
    """The samples of a site through time, and the last pair among them.

    Attributes
    ----------
    samples : every sample before and after a treatment, oldest first; index `sample_id`, canonical columns and
        `label stage collected_at current_verdict counter_litres`. A reading below a limit stands in its middle.
    uncertainty : k = 2, same labels.
    raw, treated : identifiers of the last pair; "" where there is none.
    """

    samples: pd.DataFrame
    uncertainty: pd.DataFrame
    raw: str
    treated: str


@dataclass(frozen=True)
class Site:
    """One site: its facts, its water before and after treatment, and what is waiting for an answer.

    Attributes
    ----------
    name : client and site.
    facts : what is fitted, the machine, the country, the supply.
    raw, treated : the latest usable sample before and after treatment, or None; ``raw`` is the latest on
        hold where no sample is usable, else the latest that lacks hardness or alkalinity, else the bottled water
        that the machine of this site is filled from.
    earlier : the usable raw sample before ``raw``.
    lent : column -> the sample that lent it to ``raw``.
    held : further samples on hold that are not older than ``raw``, the latest first.
    bottled : bottled waters, view `v_sample`.
    course : the samples through time; None where none is from behind a treatment.
    series : all samples through time, canonical columns with `stage collected_at current_verdict`; None without any.
    visits : every sample, the oldest first.
    """

    name: SiteName
    facts: Facts
    raw: Visit | None
    treated: Visit | None
    earlier: Visit | None
    lent: Mapping[str, Visit]
    held: tuple[Visit, ...]
    bottled: pd.DataFrame
    course: Timeline | None = None
    series: pd.DataFrame | None = None
    visits: tuple[Visit, ...] = ()

    @property
    def fitted(self) -> Fitted:
        """Give what is fitted now."""
        return self.facts.fitted

    @property
    def machine(self) -> Machine:
        """Give the machine's profile."""
        return self.facts.machine

    @property
    def written_unit(self) -> str:
        """Give the unit the hardness of ``raw`` was written in, "" where nobody knows."""
        if self.raw is None or "raw_unit" not in self.raw.samples.readings:
            return ""
        readings = self.raw.samples.readings
        units = readings.loc[readings["analyte"] == "total_hardness", "raw_unit"]
        return str(units.iloc[0]) if len(units) else ""


def site_record(
    store: Store,
    text: str,
    today: date,
    *,
    machine: Machine | None = None,
    litres_per_day: float | None = None,
    machines: Mapping[str, Machine] | None = None,
) -> Site:
    """Gather a site from the store.

    Parameters
    ----------
    store : open.
    text : the site as a person names it.
    today : what the registers say of later days is not in force yet.
    machine, litres_per_day : in place of what the records say.
    machines : the machines that are known, where there are more than the built-in ones.

    Raises
    ------
    KettlestoneError : no such site, or several; they are listed.
    """
    from pipeline.store import site_records  # noqa: PLC0415 - duckdb is not needed by a page of given answers
    from pipeline.store.table import sample_table  # noqa: PLC0415 - same

    name = site_records.find_site(store, text)
    wide = site_records.site_samples(store, name)
    if wide.empty:
        wide = site_records.site_samples(store, name, bottled=True)
    sources = sources_of(wide, site_rows(register_rows(store), name))
    facts = site_facts(sources, pd.Timestamp(today), litres_per_day, machines)
    # Hot water is no water of the site.
    drawn = wide[wide["stage"] != "hot_outlet"].set_index("sample_id")
    rebuilt = sample_table(store, [str(found) for found in drawn.index]) if len(drawn) else None
    through = None if rebuilt is None else _laid_out(rebuilt, drawn)
    visits = [] if rebuilt is None else _visits(rebuilt, drawn, site_records.site_findings(store, wide))
    before: tuple[tuple[str, ...], ...] = (
        (*BEFORE, ("bottled",)) if facts.fitted.treatment in KEEPS_MINERALS else BEFORE[:-1]
    )
    raw = latest(visits, before) or latest(visits, before, held=True) or incomplete(visits, before)
    lent = lenders(visits, raw)
    return Site(
        name=name,
        facts=facts if machine is None else replace(facts, machine=machine),
        raw=None if raw is None else completed(raw, lent),
        treated=latest(visits, AFTER),
        earlier=earlier_of(visits, raw),
        lent=lent,
        held=waiting(visits, raw),
        bottled=site_records.bottled_samples(store, name.client),
        course=None if through is None else _course(*through),
        series=None if through is None else through[0],
        visits=tuple(visits),
    )


def courses(
    store: Store, names: Sequence[SiteName], today: date, machines: Mapping[str, Machine] | None = None
) -> Iterator[Site]:
    """Gather many sites for their retests alone, in one pass over the store: facts and samples through time.

    Parameters
    ----------
    store : open.
    names : sites of the store.
    today, machines : as for `site_record`.

    Yields
    ------
    each site in turn, without the waters that advice rests on.
    """
    from pipeline.store import site_records  # noqa: PLC0415 - duckdb is not needed by a page of given answers

    wide = site_records.samples_of_sites(store)
    registers = register_rows(store)
    parts = _parts(store, wide)
    nothing = next((own.head(0) for own in wide.values()), None)
    told = iter(texts_of_samples(pd.concat(wide.values())) if wide else ())
    texts = {name: [*islice(told, len(own))] for name, own in wide.items()}
    for name in names:
        own = wide.get(name, nothing)
        own = site_records.site_samples(store, name) if own is None else own
        through = parts.get(name)
        sources = sources_of(own, site_rows(registers, name), texts.get(name))
        yield Site(
            name=name,
            facts=site_facts(sources, pd.Timestamp(today), None, machines),
            raw=None,
            treated=None,
            earlier=None,
            lent={},
            held=(),
            bottled=pd.DataFrame(),
            course=None if through is None else _course(*through),
            series=None if through is None else through[0],
        )


def _parts(store: Store, wide: Mapping[SiteName, pd.DataFrame]) -> dict[SiteName, tuple[pd.DataFrame, pd.DataFrame]]:
    """Lay the samples of many sites out at once, and give each site its part."""
    from pipeline.store.table import sample_table  # noqa: PLC0415 - duckdb is not needed by a page of given answers

    if not wide:
        return {}
    together = pd.concat(wide.values(), keys=range(len(wide)), names=["place"]).reset_index("place")
    drawn = together[together["stage"] != "hot_outlet"].set_index("sample_id")
    if drawn.empty:
        return {}
    samples, spread = _laid_out(sample_table(store, [str(found) for found in drawn.index]), drawn)
    counts = np.bincount(drawn["place"].to_numpy(), minlength=len(wide)).tolist()
    ends = np.cumsum(counts).tolist()
    spans = zip(wide, counts, ends, strict=True)
    return {
        name: (samples.iloc[end - count : end], spread.iloc[end - count : end]) for name, count, end in spans if count
    }


def _visits(rebuilt: SampleTable, drawn: pd.DataFrame, findings: pd.DataFrame) -> list[Visit]:
    """Lay the samples out one by one, the oldest first."""
    return [
        Visit(
            sample_id=name,
            label=str(drawn["label"][name] or name),
            stage=str(drawn["stage"][name]),
            day=pd.Timestamp(drawn["collected_at"][name]),
            samples=rebuilt.where(pd.Series(rebuilt.about.index == name, index=rebuilt.about.index)),
            findings=findings[findings["sample_id"] == name],
            verdict=str(drawn["current_verdict"][name]),
            batch_id=str(drawn["batch_id"][name]),
        )
        for name in map(str, drawn.index)
    ]


def _course(samples: pd.DataFrame, spread: pd.DataFrame) -> Timeline | None:
    """Take what is of the tap or from behind a treatment; nothing where nothing is from behind one."""
    stage = samples["stage"].to_numpy(dtype=object)
    behind = np.isin(stage, (*TREATED, *PERMEATE))
    if not behind.any():
        return None
    kept = behind | np.isin(stage, (*RAW, *UNSTATED))
    own, width = (samples, spread) if kept.all() else (samples[kept], spread[kept])
    return Timeline(own, width, *last_pair(own))


def _laid_out(table: SampleTable, drawn: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Lay samples out in their order with what they are, and with the uncertainty of their readings."""
    value, spread = _with_limits(table)
    return value.loc[drawn.index].join(drawn[_FACTS]), spread.loc[drawn.index]


def _with_limits(table: SampleTable) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Let a reading below its limit stand in the middle of what it may be: from 0 to the limit."""
    value, spread = table.filled[WIDE_COLUMNS], table.uncertainty[WIDE_COLUMNS]
    half = table.high[WIDE_COLUMNS] / 2
    censored = value.isna() & (table.low[WIDE_COLUMNS] == 0) & half.notna()
    return value.mask(censored, half), spread.mask(censored, half)
