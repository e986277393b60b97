"""Sites: who measures what and when. A record stands alone, has a history, or is the raw side of a pair."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd
import waters

if TYPE_CHECKING:
    import numpy.typing as npt

SITES: Final = {"single": 0.55, "history": 0.25, "pair": 0.20}
VISITS: Final = 3  # earlier visits of a site with a history
CHANGED: Final = 0.06  # of the sites with a history or a pair: the source changed, the medium is exhausted
PER_FILE: Final = 12  # sites in one file
TREATMENTS: Final = ("softener", "decarboniser", "reverse osmosis")
_START: Final = pd.Timestamp("2026-04-01", tz="UTC")
_HENRY: Final = 0.045  # mol/(L·atm) of carbon dioxide at 15 °C [AP2005]


def build(count: int, random: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Draw sites and the waters of their visits.

    Parameters
    ----------
    count : sites; each has one record under test (`role` "subject").
    random : source of chance.

    Returns
    -------
    true : waters of all records, RangeIndex.
    about : the same rows, index `sample_id`: `role` (subject, earlier, treated), `site_kind`, `record`, `habit`,
        `previous` and `partner` (positions, −1 where there is none), `state` (what truly happened), and the
        facts a file would state.
    """
    subject = waters.draw(count, random)
    kind = random.choice(list(SITES), count, p=list(SITES.values()))
    kind[(kind == "pair") & subject["kind"].isin(["softened", "near-pure"]).to_numpy()] = "single"
    record = random.choice(["laboratory", "kit", "mixed"], count, p=[0.4, 0.4, 0.2])
    changed = random.random(count) < CHANGED
    base = pd.DataFrame({"site_number": np.arange(count), "site_kind": kind, "record": record,
                         "habit": random.integers(0, 2310, count), "water": subject["kind"].to_numpy()})  # fmt: skip
    state = np.where(changed & (kind == "history"), "source-change", "")
    state = np.where(changed & (kind == "pair"), "exhausted-media", state)
    parts = [(subject, base.assign(role="subject", visit=0, state=state))]
    parts += _earlier(subject, base[kind == "history"], state == "source-change", random)
    paired = base[kind == "pair"]
    parts.append(
        (
            _treated(subject, paired, state == "exhausted-media", random),
            paired.assign(role="treated", visit=0, state=""),
        )
    )
    true = pd.concat([part[0] for part in parts], ignore_index=True)
    about = pd.concat([part[1] for part in parts], ignore_index=True)
    about["treatment"] = about["treatment"].fillna("") if "treatment" in about else ""
    return _together(true, about, random)


def _earlier(
    subject: pd.DataFrame, base: pd.DataFrame, other_source: npt.NDArray[np.bool_], random: np.random.Generator
) -> list[tuple[pd.DataFrame, pd.DataFrame]]:
    place = base["site_number"].to_numpy()
    source = waters.millimoles(subject.iloc[place])
    elsewhere = waters.millimoles(waters.draw(len(place), random))
    source = _either(other_source[place], elsewhere, source)
    parts = []
    for visit in range(1, VISITS + 1):
        season = np.exp(0.03 * random.standard_normal((len(place), 1)) + 0.02 * random.standard_normal((len(place), 8)))
        gas = subject["log_pco2"].to_numpy()[place] + 0.05 * random.standard_normal(len(place))
        drawn = waters.speciated(source * season, random, gas)
        parts.append((drawn, base.assign(role="earlier", visit=visit, state="")))
    return parts


def _treated(
    subject: pd.DataFrame, base: pd.DataFrame, exhausted: npt.NDArray[np.bool_], random: np.random.Generator
) -> pd.DataFrame:
    """Treat the raw water as its treatment does; an exhausted medium lets it pass."""
    place = base["site_number"].to_numpy()
    raw = waters.millimoles(subject.iloc[place])
    gas, cold = subject["log_pco2"].to_numpy()[place], subject["temperature"].to_numpy()[place]
    kind = np.array(TREATMENTS)[base["habit"].to_numpy() % len(TREATMENTS)]
    softened = waters.softened(raw, kind == "softener", random)
    hardness = raw["calcium"] + raw["magnesium"]
    bypass = random.uniform(0.0, 0.4, len(place))
    taken = (
        np.minimum(hardness, subject["alkalinity"].to_numpy()[place] / waters.CACO3) * 0.9 * (1 - bypass)
    ).to_numpy()
    share = taken / np.maximum(hardness.to_numpy(), 1e-6)
    acid = raw.assign(calcium=raw["calcium"] * (1 - share), magnesium=raw["magnesium"] * (1 - share))
    permeate = raw.mul(random.uniform(0.02, 0.08, len(place)), axis=0)
    ions = _either(kind == "decarboniser", acid, _either(kind == "reverse osmosis", permeate, softened))
    freed = np.where(kind == "decarboniser", 0.6 * 2.0 * taken * 1e-3 / _HENRY, 0.0)
    spent = exhausted[place]
    ions = _either(spent, raw, ions)
    gas = np.log10(10.0**gas + np.where(spent, 0.0, freed))
    return waters.speciated(ions, random, gas, cold)


def _either(where: npt.NDArray[np.bool_], one: pd.DataFrame, other: pd.DataFrame) -> pd.DataFrame:
    """Take rows of one frame where something holds, of another elsewhere."""
    return pd.DataFrame(
        np.where(where[:, None], one.to_numpy(), other[list(one.columns)].to_numpy()), columns=one.columns
    )


def _together(
    true: pd.DataFrame, about: pd.DataFrame, random: np.random.Generator
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Put the records of a site one after the other, in files of some sites each, and name them."""
    order = np.lexsort(
        (-about["visit"].to_numpy(), about["role"].to_numpy() == "treated", about["site_number"].to_numpy())
    )
    true, about = true.iloc[order].reset_index(drop=True), about.iloc[order].reset_index(drop=True)
    number = about["site_number"].to_numpy()
    day = pd.Series(random.integers(0, 60, number.max() + 1)).take(number).to_numpy()
    at = np.arange(len(about))
    subject = np.full(number.max() + 1, -1)
    subject[number[about["role"] == "subject"]] = at[about["role"] == "subject"]
    treated = np.full(number.max() + 1, -1)
    treated[number[about["role"] == "treated"]] = at[about["role"] == "treated"]
    is_subject = (about["role"] == "subject").to_numpy()
    kind = np.array(TREATMENTS)[about["habit"].to_numpy() % len(TREATMENTS)]
    facts = {
        "label": [f"S{site}-{visit}{'T' if role == 'treated' else ''}" for site, visit, role in
                  zip(number, about["visit"], about["role"], strict=True)],
        "client": [f"Client {site}" for site in number],
        "site": [f"Site {site}" for site in number],
        "stage": np.where(about["role"] == "treated", "treated", "raw"),
        "treatment": np.where(about["role"] == "treated", kind, ""),
        "collected_at": _START + pd.to_timedelta(day - 91 * about["visit"].to_numpy(), unit="D"),
        "file_sha256": [hashlib.sha256(f"file {site // PER_FILE}".encode()).hexdigest() for site in number],
        "line": at % 1000 + 2,
        "partner": np.where(is_subject, treated[number], -1),
        "previous": np.where(is_subject & (about["site_kind"] == "history"), at - 1, -1),
    }  # fmt: skip
    for name in ("sampling_point", "activity", "region", "country", "supply", "machine", "operator", "comment"):
        facts[name] = ""
    texts = {name for name in facts if name not in ("collected_at", "line", "partner", "previous")}
    named = about.assign(**facts).astype(dict.fromkeys(texts, "str"))
    return true, named.set_axis(pd.Index([f"s{place:06d}" for place in at], dtype="str", name="sample_id"))
