"""Join what was read into samples, together with what the store knows of the same bottles and sites."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.checks.site_history import HISTORY_ANALYTES
from pipeline.file_names import sample_names
from pipeline.normalise import derived
from pipeline.normalise.date_order import settle_orders
from pipeline.normalise.placing import placed, with_register
from pipeline.normalise.sample_table import SampleTable, widen
from pipeline.normalise.samples import assemble_samples
from pipeline.normalise.sent_again import repeat_notices, repeated
from pipeline.normalise.stacking import stacked_frames, stacked_rows
from pipeline.problems import no_problems, problem_frame
from pipeline.store.company import company
from pipeline.store.earlier import earlier_register, earlier_samples, prior
from pipeline.store.facts import rows_as_first_read, with_corrected_facts
from pipeline.store.files import file_names
from pipeline.store.placing import known_places
from pipeline.store.repeats import any_asked_again, asked_again
from pipeline.store.samples import days_of_labels
from pipeline.texts import TextColumn
from schemas.columns import ANALYTES
from schemas.tables import ABOUT_COLUMNS, READING_COLUMNS

if TYPE_CHECKING:
    from pipeline.arrays import Flags
    from pipeline.gathering import Gathered
    from pipeline.normalise.samples import Assembled
    from pipeline.settings import Settings
    from pipeline.store.database import Store


@dataclass(frozen=True)
class Joined:
    """The samples of a batch.

    Attributes
    ----------
    samples : the filled table; samples of the store among it where the batch has more readings of them.
    new : (n,) flags of the samples with readings of this batch.
    superseded : `reading_id` of stored readings that a report of this batch replaces.
    company : `verdict held`, index `sample_id`: what was thought so far of stored samples that are judged again beside
        the new ones; see `store.company`.
    notices : how the order of day and month was decided, which files say again what is known (PROBLEM_COLUMNS).
    """

    samples: SampleTable
    new: Flags
    superseded: pd.DataFrame
    notices: pd.DataFrame = field(default_factory=no_problems)
    company: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def readings(self) -> pd.DataFrame:
        """The readings of this batch, in the order of the files."""
        readings = self.samples.readings
        return readings if readings["new"].all() else readings[readings["new"]]


def join(store: Store, gathered: Gathered, settings: Settings) -> Joined:
    """Assemble the samples of a batch together with what the store knows of the same samples.

    Parameters
    ----------
    store : open.
    gathered : all files of the batch.
    settings : of the run.
    """
    superseded = pd.DataFrame({"reading_id": pd.Series(dtype="int64")})
    if gathered.rows.empty:
        return Joined(_no_samples(), np.zeros(0, dtype="bool"), superseded)
    sites = pd.concat([earlier_register(store, "site"), gathered.register("sites")], ignore_index=True)
    fresh = gathered.readings.assign(new=True, counts=True)
    rows, dated = _dated(store, placed(gathered.rows, sites), sites, gathered, settings)
    rows = rows_as_first_read(store, rows)
    assembled = assemble_samples(rows, fresh, sites, settings.sample_window_hours)
    counted_before = np.ones(len(fresh), dtype="bool")
    around = company(store, assembled.about)
    known_rows, known = prior(store, assembled.about.index.append(around.index))
    if len(known):
        # What is known of the same bottles is judged together with what is new.
        known = known.assign(row=known["row"] + len(rows), new=False)
        stood = known["counts"].to_numpy(dtype="bool")
        known = _without_what_was_repeated(store, known, assembled.readings)
        counted = known["counts"].to_numpy(dtype="bool")
        owners = known_rows.pop("sample_id")
        all_rows, readings = stacked_rows([rows, known_rows]), stacked_frames([fresh, known])
        assembled = assemble_samples(all_rows, readings, sites, settings.sample_window_hours, owners)
        no_more = ~assembled.readings["counts"].to_numpy()[len(fresh) :]
        superseded = known.loc[counted & no_more, ["reading_id"]]
        counted_before = np.append(counted_before, stood)
    replaced = counted_before & ~assembled.readings["counts"].to_numpy(dtype="bool")
    assembled, told = _said_once(_answered(assembled, gathered), replaced, gathered)
    assembled = replace(assembled, about=with_corrected_facts(store, assembled.about))
    table = assembled.readings
    new = np.zeros(len(assembled.about), dtype="bool")
    new[table["sample_id"].cat.codes.to_numpy()[table["new"].to_numpy()]] = True
    about = assembled.about.copy(deep=False)
    about.insert(0, "called", _called(store, about, gathered))
    wide = widen(about, table[table["counts"]])
    columns = {name: ANALYTES[name].column for name in HISTORY_ANALYTES}
    earlier = earlier_samples(store, assembled.about, columns)
    told_of = pd.concat([dated, told], ignore_index=True)
    samples = derived.with_derived(replace(wide, readings=table, earlier=earlier))
    return Joined(samples, new, superseded, told_of, around)


def _called(store: Store, about: pd.DataFrame, gathered: Gathered) -> pd.Series:
    """Give what people call each sample; one that has no label may come from a file the store has."""
    names = dict(zip(gathered.files["file_sha256"], gathered.files["name"], strict=True))
    known = about["file_sha256"].isin(names).all()
    return sample_names(about, names if known else {**file_names(store), **names})


def _without_what_was_repeated(store: Store, known: pd.DataFrame, fresh: pd.DataFrame) -> pd.DataFrame:
    """Let stored readings count no longer where what was asked for again comes now, with all that comes with it."""
    asked = asked_again(store, known["sample_id"].unique()) if any_asked_again(store) else pd.DataFrame()
    if asked.empty:
        return known
    again = pd.MultiIndex.from_frame(fresh[["sample_id", "analyte"]].astype("str").drop_duplicates())
    said = ["sample_id", "analyte", "value", "limit"]
    new, old = (table.reindex(columns=said).astype({"sample_id": "str", "analyte": "str"}) for table in (fresh, known))
    other = new.loc[~pd.MultiIndex.from_frame(new).isin(pd.MultiIndex.from_frame(old)), "sample_id"]
    brought = pd.MultiIndex.from_frame(asked[["sample_id", "analyte"]]).isin(again) | (asked["analyte"] == "")
    brought &= asked["sample_id"].isin(other) | ~asked["put_out"]  # a copy of what was put out brings nothing
    pairs = pd.MultiIndex.from_frame(known[["sample_id", "analyte"]].astype("str"))
    closed = known["sample_id"].isin(asked.loc[brought, "sample_id"]).to_numpy()
    replaced = closed & pairs.isin(again)
    return known.assign(counts=known["counts"].to_numpy(dtype="bool") & ~replaced)


def _dated(
    store: Store, rows: pd.DataFrame, sites: pd.DataFrame, gathered: Gathered, settings: Settings
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Decide the order of day and month that files leave open, now that their sites and labels are known."""
    if "date_order" not in rows:
        return rows, no_problems()
    countries = with_register(rows[["client", "site"]].assign(country=rows.get("country", "")), sites, ["country"])
    names = dict(zip(gathered.files["file_sha256"], gathered.files["name"], strict=True))
    known = days_of_labels(store, rows.loc[rows["date_order"] != "", "label"])
    settled, notices = settle_orders(rows.assign(country=countries["country"]), known, names, settings.time_zone)
    return settled.assign(country=rows.get("country", "")), notices


def ownerless(store: Store, gathered: Gathered, joined: Joined) -> pd.DataFrame:
    """Tell of treatments that name no client although several have a site of that name (PROBLEM_COLUMNS)."""
    rows = gathered.register("treatments")
    if rows.empty or (rows["client"] != "").all():
        return no_problems()
    rows = rows[rows["client"] == ""]
    about = joined.samples.about
    of_batch = [frame for frame in (gathered.register("sites"), about) if len(frame)]
    known = pd.concat([known_places(store), *of_batch], ignore_index=True)[["client", "site"]]
    folded = known.apply(lambda column: column.str.strip().str.casefold())
    owners = folded[(folded != "").all(axis=1)].drop_duplicates().groupby("site").size()
    many = rows["site"].str.strip().str.casefold().map(owners).fillna(0).astype("int64")
    rows, many = rows[many > 1], many[many > 1]
    if rows.empty:
        return no_problems()
    return problem_frame(
        "register-owner",
        file_sha256=rows["file_sha256"],
        line=rows["line"],
        column="site",
        raw_text=rows["site"],
        detail=many.astype("str") + " clients",
    )


def _said_once(assembled: Assembled, replaced: Flags, gathered: Gathered) -> tuple[Assembled, pd.DataFrame]:
    """Let what an earlier file has said already stay, and count once; ``replaced`` as ``repeated`` takes it."""
    readings = assembled.readings
    repeats = repeated(readings, replaced)
    if not repeats.any():
        return assembled, no_problems()
    names = dict(zip(gathered.files["file_sha256"], gathered.files["name"], strict=True))
    counts = readings["counts"].to_numpy(dtype="bool") & ~repeats
    return replace(assembled, readings=readings.assign(counts=counts)), repeat_notices(readings, repeats, names)


def _answered(assembled: Assembled, gathered: Gathered) -> Assembled:
    """Count a quantity as read in the samples in which it waited for its unit and was answered now."""
    answered = gathered.files.loc[gathered.files["status"] == "answered", "file_sha256"]
    if answered.empty or "not_read" not in assembled.about:
        return assembled
    readings = assembled.readings
    mine = readings[readings["new"].to_numpy(dtype="bool") & readings["file_sha256"].isin(answered).to_numpy()]
    analyte, sample = TextColumn.from_series(mine["analyte"]), mine["sample_id"].cat.codes.to_numpy()
    not_read = TextColumn.of(assembled.about, "not_read")
    for name in analyte.texts:
        read = np.zeros(len(assembled.about), dtype="bool")
        read[sample[analyte.isin([name])]] = True
        less = not_read.map(lambda text, name=name: " ".join(word for word in text.split() if word != name))  # type: ignore[misc]
        not_read = less.over(not_read, read)
    return replace(assembled, about=assembled.about.assign(not_read=not_read.series(assembled.about.index)))


def _no_samples() -> SampleTable:
    """Give a table without samples, for a batch of registers or of files nobody can read."""
    text = {name: pd.Series(dtype="str") for name in ("called", *ABOUT_COLUMNS, "file_sha256", "sample_id")}
    about = pd.DataFrame({**text, "collected_at": pd.Series(dtype="datetime64[us, UTC]")})
    readings = pd.DataFrame({name: pd.Series(dtype="float64") for name in READING_COLUMNS})
    words = {
        name: pd.Series(dtype="str") for name in ("sample_id", "file_sha256", "analyte", "method", "form", "raw_text")
    }
    flags = {name: pd.Series(dtype="bool") for name in ("new", "counts")}
    return widen(about.set_index("sample_id"), readings.assign(**words, **flags))
