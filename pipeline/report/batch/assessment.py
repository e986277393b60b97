"""The assessment as a section of the page and as a table of text: worst first, the rest counted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from pipeline.reference import gathered
from pipeline.report.batch.page import environment, label_of
from pipeline.report.sentences import prose_said
from pipeline.report.wording import CAUTION
from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Hashable, Mapping

    from pipeline.assess.suitability import Assessment

MOST_LISTED: Final = 50
_ABOUT: Final = ("called", "client", "site")
_REACHES_THE_MACHINE: Final = ("treated", "machine_inlet", "permeate")
_ORDER: Final = (
    "act",
    "probably act",
    "undetermined, usually act",
    "undetermined, at most act",
    "attention",
    "probably attention",
    "undetermined, usually attention",
    "undetermined, at most attention",
    "cannot tell",
)


@dataclass(frozen=True)
class AssessmentRow:
    """One sample in its machine, ready to be shown."""

    sample_id: str
    label: str
    where: str
    machine: str
    zones: list[str]
    scale: list[str]
    verdict: str
    cup: str
    profiles: list[str]
    boiler: str
    unknowns: str


def worst_waters(
    assessment: Assessment, samples: pd.DataFrame, most: int = MOST_LISTED
) -> tuple[list[AssessmentRow], int]:
    """Pick the samples to show, those worst for their boiler first.

    Parameters
    ----------
    assessment : verdicts and quantities.
    samples : index `sample_id`, with `called client site` where known.
    most : how many to give at most.

    Returns
    -------
    rows, and how many samples were assessed in all.
    """
    verdicts = assessment.verdicts
    assessed = verdicts[~verdicts["boiler_verdict"].str.startswith("not assessed")]
    single = assessed.drop_duplicates("sample_id")
    rank = single["boiler_verdict"].map({word: place for place, word in enumerate(_ORDER)}).fillna(len(_ORDER))
    order = np.argsort(rank.to_numpy(), kind="stable")[:most]
    chosen = single["sample_id"].array.take(order)
    shown = assessed[assessed["sample_id"].isin(chosen)]
    scale = _scale_lines(assessment.quantities, pd.Index(chosen))
    judged = gathered(shown.to_dict("records"), "sample_id")
    named = samples[[name for name in _ABOUT if name in samples]]
    about = named[named.index.isin(chosen)].to_dict("index")
    rows = [_row(str(key), judged[str(key)], about.get(key, {}), scale.get(str(key), [])) for key in chosen]
    return rows, len(single)


def _row(
    sample_id: str, verdicts: list[Mapping[Any, Any]], about: dict[Hashable, Any], scale: list[str]
) -> AssessmentRow:
    """Put the verdicts on one sample, one for each profile, into words."""
    first = verdicts[0]
    facts = [str(about.get(name) or "") for name in ("client", "site")]
    unknown = dict.fromkeys(part for row in verdicts for part in str(row["unknowns"]).split("; ") if part)
    cup = [str(row["cup_sentence"]).partition(". ") for row in verdicts]
    by_profile, words = [part[0].rstrip(".") for part in cup], cup[0][2]
    return AssessmentRow(
        sample_id=sample_id,
        label=str(about.get("called") or sample_id),
        where=" · ".join(part for part in [*facts, str(first["machine"])] if part),
        machine=str(first["machine"]),
        zones=[row["cup_zone"] for row in verdicts],
        scale=scale,
        verdict=str(first["boiler_verdict"]),
        cup=words or "nothing known that decides it.",
        profiles=by_profile,
        boiler=str(first["boiler_sentence"]),
        unknowns="; ".join(unknown),
    )


def _scale_lines(quantities: pd.DataFrame, chosen: pd.Index) -> dict[str, list[str]]:
    """Write the range of every heated part of the chosen samples: "steam 12–45"."""
    own = quantities[
        quantities["quantity"].str.startswith("scale_")
        & (quantities["unit"] == "g/m3")
        & quantities["sample_id"].isin(chosen)
    ]
    lines: dict[str, list[str]] = {}
    for row in own.to_dict("records"):
        place = str(row["quantity"]).removeprefix("scale_").replace("_", " ")
        low, high = max(float(row["low"]), 0.0), max(float(row["high"]), 0.0)
        usual = "" if np.isnan(row["value"]) else f", usually {row['value']:.0f}"
        lines.setdefault(str(row["sample_id"]), []).append(f"{place} {low:.0f}–{high:.0f}{usual}")
    return lines


def block(assessment: Assessment, samples: pd.DataFrame, language: str = "en") -> str:
    """Render the section of the summary page: of every site the latest usable water that reaches its machine.

    Parameters
    ----------
    assessment : verdicts and quantities of the batch.
    samples : index `sample_id`, with `called client site stage collected_at verdict`.
    language : of the words.

    Returns
    -------
    HTML, everything escaped; at most 50 places, and how many more there are.
    """
    usable = _of_places(samples)
    verdicts = assessment.verdicts[assessment.verdicts["sample_id"].isin(usable)]
    quantities = assessment.quantities[assessment.quantities["sample_id"].isin(usable)]
    rows, total = worst_waters(replace(assessment, verdicts=verdicts, quantities=quantities), samples)
    classes = quantities.loc[quantities["quantity"] == "hardness_class", "method"]
    return (
        environment()
        .get_template("assessment.html.j2")
        .render(
            t=partial(label_of, language),
            rows=[_row_said(row, language) for row in rows],
            total=total,
            profiles=[prose_said(str(name), language) for name in dict.fromkeys(verdicts["profile"])],
            hardness=[(prose_said(str(word), language), int(count)) for word, count in classes.value_counts().items()],
            caution=CAUTION,
        )
    )


def _row_said(row: AssessmentRow, language: str) -> AssessmentRow:
    """Word a row in the language of the reader."""
    machine = prose_said(row.machine, language)
    return replace(
        row,
        where=row.where.removesuffix(row.machine) + machine,
        machine=machine,
        zones=[prose_said(text, language) for text in row.zones],
        scale=[prose_said(text, language) for text in row.scale],
        verdict=prose_said(row.verdict, language),
        cup=prose_said(row.cup, language),
        profiles=[prose_said(text, language) for text in row.profiles],
        boiler=prose_said(row.boiler, language),
        unknowns=prose_said(row.unknowns, language),
    )


def _of_places(samples: pd.DataFrame) -> pd.Index:
    """Choose of every site its latest usable sample, of treated water where there is one; of no site each sample."""
    usable = samples[~samples["verdict"].isin(OPEN)]
    order = usable.assign(
        treated=usable["stage"].isin(_REACHES_THE_MACHINE),
        place=np.where((usable["client"] == "") & (usable["site"] == ""), usable.index, ""),
    ).sort_values(["treated", "collected_at"], kind="stable", na_position="first")
    return order.groupby(["client", "site", "place"], sort=False).tail(1).index


def assessment_text(assessment: Assessment, samples: pd.DataFrame, most: int = MOST_LISTED) -> str:
    """Write the assessment as text for the terminal.

    Parameters
    ----------
    assessment, samples, most : as for `worst`.

    Returns
    -------
    one paragraph per sample, then how many more there are, what was not assessed, and the caution.
    """
    rows, total = worst_waters(assessment, samples, most)
    text = [part for row in rows for part in _paragraph(row)]
    if total > len(rows):
        text.append(f"{total - len(rows)} more samples; the store has them all in the table assessment.")
    refused = assessment.verdicts[assessment.verdicts["boiler_verdict"].str.startswith("not assessed")]
    for reason, group in refused.drop_duplicates("sample_id").groupby("boiler_verdict"):
        text.append(f"{len(group)} {'sample' if len(group) == 1 else 'samples'} {reason}.")
    return "\n".join([*text, CAUTION])


def _paragraph(row: AssessmentRow) -> list[str]:
    return [
        f"{row.label}  ({row.where})" if row.where else row.label,
        f"  Cup: {row.cup}",
        *(f"    {sentence}." for sentence in row.profiles),
        f"  Boiler: {row.verdict}. {row.boiler}",
        *([f"  Not known: {row.unknowns}."] if row.unknowns else []),
        "",
    ]
