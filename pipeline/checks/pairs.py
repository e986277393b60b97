"""Raw and treated water of one visit side by side, and the kind of treatment between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import record

if TYPE_CHECKING:
    from pipeline.normalise.sample_table import SampleTable

RAW: Final = ("raw",)
TREATED: Final = ("treated", "machine_inlet", "permeate")

# Words for a treatment; the first that occurs names it, so a carbon block before a membrane is a membrane.
KINDS: Final[dict[str, str]] = {
    "remineraliser": r"remineral|re-mineral|aufhärt|calcite|calcit\b|reminéral",
    "reverse osmosis": r"osmos|\bro\b|umkehr|osmosi|逆浸透|\buo\b",
    "magnesium exchanger": r"magnes",
    "buffered decarboniser": r"buffered|gepuffert|tamponné|tamponat",
    "decarboniser": r"decarbon|dekarbon|entcarbon|entkarbon|weak[- ]acid|décarbonat|schwach sauer",
    "softener": r"soften|enthärt|adoucisseur|addolcitore|descalcificador|軟水|strong[- ]acid",
    "carbon": r"carbon|kohle|charbon|carbone|carbón|活性炭",
}


def kind(words: pd.Series) -> pd.Series:
    """Name the kind of treatment a text speaks of; "" where it names none. Each text is read once."""
    codes, texts = pd.factorize(words)
    lower = pd.Series(texts, dtype="str").str.lower()
    named = record.first_that_holds(
        lower.index, {name: lower.str.contains(pattern, regex=True) for name, pattern in KINDS.items()}
    )
    return pd.Series(named.array.take(codes), index=words.index)


def match(samples: SampleTable, days_apart: float) -> pd.DataFrame:
    """Pair every treated sample with the nearest raw sample of the same client and site.

    Parameters
    ----------
    samples : `client site stage collected_at treatment`.
    days_apart : longest time between the two [days].

    Returns
    -------
    (k, …) frame: `raw`, `treated` (places in the table), `kind`, `bypass` [%]. Samples that name neither
    client nor site, or no date while others do, have no pair.
    """
    about = samples.about
    client, site = record.text(about, "client"), record.text(about, "site")
    visits = pd.DataFrame(
        {
            "place": np.arange(len(about)),
            "where": pd.factorize(client + "|" + site)[0],
            "when": record.moment(about, "collected_at").dt.tz_localize(None).fillna(pd.Timestamp(0)),
            "stage": record.text(about, "stage"),
        }
    )[((client != "") | (site != "")).to_numpy()].sort_values("when", kind="stable")
    raw = visits.loc[visits["stage"].isin(RAW), ["when", "where", "place"]]
    treated = visits.loc[visits["stage"].isin(TREATED), ["when", "where", "place"]]
    paired = pd.merge_asof(
        treated.rename(columns={"place": "treated"}),
        raw.rename(columns={"place": "raw"}),
        on="when",
        by="where",
        direction="nearest",
        tolerance=pd.Timedelta(days=days_apart),
    ).dropna(subset=["raw"])
    after, before = paired["treated"].to_numpy(), paired["raw"].to_numpy(dtype="int64")
    words = record.text(about, "treatment")
    own = words.take(after).reset_index(drop=True)
    named = own.where(own != "", words.take(before).reset_index(drop=True))
    return pd.DataFrame(
        {
            "raw": before,
            "treated": after,
            "kind": kind(named),
            "bypass": record.number(about, "bypass_percent").to_numpy()[after],
        }
    )
