"""How well the cause of a planted mistake is named, and how often a clean record is held."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.limits import Limits
from pipeline.checks.run import run_all
from pipeline.explain.rank import explain
from pipeline.explain.verdicts import settled, told_of
from schemas.columns import OPEN

if TYPE_CHECKING:
    import numpy.typing as npt
    from noise import Received
    from plant import Planting

    from pipeline.arrays import Flags
    from pipeline.normalise.sample_table import SampleTable


NOTHING: Final = ("no-mistake", "none-of-these", "softened-water", "soda-water", "source-change", "exhausted-media")
EQUIVALENT_MG: Final = {  # mg per milliequivalent [IUPAC2021]
    "calcium": 20.039, "magnesium": 12.1525, "sodium": 22.98977, "potassium": 39.0983, "chloride": 35.453,
    "sulfate": 48.0313, "nitrate": 62.0049, "bicarbonate": 61.0168, "alkalinity": 50.0435, "total_hardness": 50.0435,
}  # fmt: skip
# What the rest of a record can know of one of its numbers, relative, standard uncertainty: a full analysis by its
# balance and its conductivity (2 % of all charges); a field record only by the ratios waters keep [CP].
_OF_ALL_CHARGES: Final = 0.02
_OF_A_RATIO: Final = 0.20
_OF_PH: Final = 0.5
_FIRST: Final = 3  # causes that a person reads
_OF_THE_HARDNESS: Final = 0.03  # of calcium and magnesium, and of the titration [CP]
_CATIONS: Final = ("calcium", "magnesium", "sodium", "potassium")
CACO3_PER_CALCIUM: Final = 2.4973  # [APHA2340B]
CACO3_PER_MAGNESIUM: Final = 4.1180  # [APHA2340B]


def moved(before: Received, after: Received, table: SampleTable, subjects: npt.NDArray[np.int64]) -> pd.DataFrame:
    """Tell which numbers of the subjects were moved by more than three combined standard uncertainties, by quantity.

    What moved less is beyond any method: the record agrees with itself after it, too. Of two mistakes only what moved
    can be named. Two ions exchanged move the charges by the difference of their equivalents alone; hardness and
    alkalinity exchanged leave the conductivity of a kit record as right as it was, so that only other visits can tell.
    """
    old, new = before.values().to_numpy()[subjects], after.values().to_numpy()[subjects]
    size = np.nan_to_num(np.abs(new - old))
    gone = ~np.isnan(old) & np.isnan(new)
    size = np.where(gone, np.nan_to_num(old), size)
    codes = list(after.number.columns)
    full = (before.about["record"] != "kit").to_numpy()[subjects]
    own = np.column_stack([_own(table, code)[subjects] for code in codes])
    charges = (
        0.5 * before.values()["conductivity"].to_numpy()[subjects] / 47.0
    )  # meq/L of either sign, EC ≈ 94 µS/cm per meq/L
    rest = np.nan_to_num(_OF_A_RATIO * old)
    for place, code in enumerate(codes):
        if code in EQUIVALENT_MG:
            known = _OF_ALL_CHARGES * 2.0 * charges * EQUIVALENT_MG[code]
            rest[:, place] = np.where(full, known, rest[:, place])
        elif code == "conductivity":
            rest[:, place] = np.where(full, 0.04 * np.nan_to_num(old[:, place]), rest[:, place])
        elif code == "ph":
            rest[:, place] = _OF_PH
    seen = size > 3.0 * np.sqrt(np.nan_to_num(own) ** 2 + rest**2)
    flags = pd.DataFrame(seen, index=table.about.index[subjects], columns=codes)
    old, new = pd.DataFrame(old, columns=codes), pd.DataFrame(new, columns=codes)
    ions = [code for code in codes if code in EQUIVALENT_MG and code != "total_hardness"]
    flags.loc[full & ~_ions_disagree(old, new, pd.DataFrame(own, columns=codes), charges), ions] = False
    kit = before.about[["record", "site_kind"]].iloc[subjects]
    turned = (new["total_hardness"] == old["alkalinity"]) & (new["alkalinity"] == old["total_hardness"])
    alone = ((kit["record"] == "kit") & (kit["site_kind"] == "single")).to_numpy()
    flags.loc[turned.to_numpy() & alone, ["total_hardness", "alkalinity"]] = False
    return flags


def _ions_disagree(old: pd.DataFrame, new: pd.DataFrame, own: pd.DataFrame, charges: npt.NDArray[np.float64]) -> Flags:
    """Tell where the ions that were changed break the balance, the hardness, or what waters have of potassium."""
    shift = new.fillna(0.0) - old.fillna(0.0)
    net, variance = np.zeros(len(old)), (_OF_ALL_CHARGES * 2.0 * charges) ** 2
    for code, weight in EQUIVALENT_MG.items():
        if code != "total_hardness":
            net += (1.0 if code in _CATIONS else -1.0) * shift[code].to_numpy() / weight
            variance += np.where(shift[code] != 0, np.nan_to_num(own[code]) / weight, 0.0) ** 2
    hardness = CACO3_PER_CALCIUM * shift["calcium"] + CACO3_PER_MAGNESIUM * shift["magnesium"] - shift["total_hardness"]
    hardness = hardness.abs() > 3.0 * _OF_THE_HARDNESS * new["total_hardness"]  # missing where it was not read
    return np.asarray((np.abs(net) > 3.0 * np.sqrt(variance)) | hardness | (new["potassium"] > new["sodium"]))


def _own(table: SampleTable, code: str) -> npt.NDArray[np.float64]:
    from schemas.columns import ANALYTES  # noqa: PLC0415 - beside its only use

    return table.uncertainty[ANALYTES[code].column].to_numpy(dtype="float64") / 2.0


@dataclass(frozen=True)
class Judgement:
    """``verdict``, index `sample_id`; ``causes``: the ranked ones of every sample, `sample_id` and what is told."""

    verdict: pd.Series[str]
    causes: pd.DataFrame


def of_table(table: SampleTable) -> Judgement:
    """Check and explain all records of a table, without going through files."""
    checked = run_all(table, Limits(), lambda _: None)
    weighed = explain(table, checked.findings, Limits())
    checked = settled(checked, weighed, table, Limits())
    index = checked.verdict.index
    explained = told_of(weighed.tables(), index, index[checked.verdict.isin(OPEN)])
    return Judgement(checked.verdict, explained.explanations)


def judge(found: Judgement, about: pd.DataFrame, plantings: dict[int, Planting], seen: pd.DataFrame) -> pd.DataFrame:
    """Say for every subject what came out.

    Parameters
    ----------
    found : verdicts and causes of all records.
    about : all records, the planted ones among them.
    plantings : position → what was planted there; the other subjects are clean.
    seen : of ``moved``, a row for every subject.

    Returns
    -------
    one row per subject: `position planting mistake record water state detected noted two visible named probability
    right third same`; `two` where two mistakes were planted and both can be seen.
    """
    verdict = found.verdict.reindex(about.index)
    subjects = np.flatnonzero((about["role"] == "subject").to_numpy())
    wanted = [plantings.get(int(place)) for place in subjects]
    frame = pd.DataFrame(
        {
            "position": subjects,
            "planting": [entry.name if entry else "" for entry in wanted],
            "mistake": [entry.mistake if entry else "" for entry in wanted],
            "record": about["record"].to_numpy()[subjects],
            "water": about["water"].to_numpy()[subjects],
            "state": about["state"].to_numpy()[subjects],
            "detected": verdict.isin(OPEN).to_numpy()[subjects],
            "noted": (verdict == "note").to_numpy()[subjects],
            "visible": seen.to_numpy().any(axis=1),
        },
        index=about.index[subjects],
    )
    truth = _truth(wanted, seen)
    return frame.assign(two=truth["two"]).join(_named(found.causes, frame, truth))


def _truth(wanted: list[Planting | None], seen: pd.DataFrame) -> pd.DataFrame:
    """Give what can be known of every planting: mistake, quantities, and whether two mistakes can be seen."""
    rows = []
    for entry, flags in zip(wanted, seen.to_dict("records"), strict=True):
        about = {entry.analyte, entry.other} - {""} if entry else set()
        if entry and entry.two and any(flags[code] for code in about):
            about = {code for code in about if flags[code]}
        rows.append(
            (entry.mistake if entry else "", " ".join(sorted(about)), bool(entry and entry.two and len(about) > 1))
        )
    return pd.DataFrame(rows, columns=["true_mistake", "true_analytes", "two"], index=seen.index)


def _named(explanations: pd.DataFrame, frame: pd.DataFrame, truth: pd.DataFrame) -> pd.DataFrame:
    """Compare the ranked causes of every subject with what was planted."""
    own = explanations[explanations["sample_id"].isin(frame.index)].join(truth, on="sample_id")
    own = own.join(frame[["state", "water"]], on="sample_id")
    pair = own["analyte"].fillna("").astype("str").str.cat(own["other_analyte"].fillna("").astype("str"), sep=" ")
    analytes = pair.map(lambda text: " ".join(sorted(set(text.split()))))
    planted = own["true_mistake"] != ""
    about_right = (own["true_analytes"] == "") | (analytes == own["true_analytes"])
    right = planted & (own["mistake"] == own["true_mistake"]) & about_right
    right |= _softened_with_a_gap(own, right)
    natural = ~planted & (own["mistake"] == own["state"].where(own["state"] != "", "no-mistake"))
    quiet = ~planted & own["mistake"].isin(NOTHING)
    same = planted & about_right & (own["mistake"] != "no-mistake")
    own = own.assign(right=right | natural, quiet=quiet, same=same)
    top = own[own["rank"] == 1].drop_duplicates("sample_id").set_index("sample_id")
    within = own[own["rank"] <= _FIRST].groupby("sample_id")["right"].any()
    result = pd.DataFrame(index=frame.index)
    result["named"] = top["mistake"].reindex(frame.index).fillna("").astype("str")
    result["probability"] = top["probability"].reindex(frame.index)
    for name in ("right", "quiet", "same"):
        result[name] = top[name].reindex(frame.index).fillna(value=False).astype("bool")
    result["third"] = within.reindex(frame.index).fillna(value=False).astype("bool")
    return result


def _softened_with_a_gap(own: pd.DataFrame, right: pd.Series[bool]) -> pd.Series[bool]:
    """Tell the answers that call a softened water of which an ion was left out softened, the gap among the first three.

    Both are true of it.
    """
    gap = (right & (own["mistake"] == "missing-ion") & (own["rank"] <= _FIRST)).groupby(own["sample_id"]).any()
    named = (own["mistake"] == "softened-water") & (own["water"] == "softened")
    return named & own["sample_id"].map(gap)


def per_mistake(judged: pd.DataFrame) -> pd.DataFrame:
    """Count for every planting: how many, visible, held, told, cause first, reading right, in the first three [%].

    Told is held, or noted with the right cause in the first place: an ion nobody measured is a note by choice.
    """
    planted = judged[judged["planting"] != ""]
    return _shares(planted, "planting")


def overall(judged: pd.DataFrame) -> pd.DataFrame:
    """Give the same shares for every kind of record and for all."""
    planted = judged[judged["planting"] != ""]
    measured = planted[planted["mistake"] != "missing-ion"]
    single = planted[~planted["two"]]
    groups = {
        "all": planted,
        "all ions measured": measured,
        "one mistake": single,
        "two mistakes": planted[planted["two"]],
    }
    parts = [_shares(chosen.assign(all=name), "all") for name, chosen in groups.items() if len(chosen)]
    return pd.concat([*parts, _shares(planted, "record")])


def _shares(planted: pd.DataFrame, by: str) -> pd.DataFrame:
    seen = planted[planted["visible"]]
    seen = seen.assign(told=seen["detected"] | (seen["noted"] & seen["right"]))
    groups = seen.groupby(by, sort=True)
    table = pd.DataFrame(
        {
            "n": planted.groupby(by).size(),
            "visible": groups.size(),
            "held_percent": 100.0 * groups["detected"].mean(),
            "held_or_named_percent": 100.0 * groups["told"].mean(),
            "first_percent": 100.0 * groups["right"].mean(),
            "right_reading_percent": 100.0 * groups["same"].mean(),
            "three_percent": 100.0 * groups["third"].mean(),
        }
    )
    return table.fillna({"visible": 0}).astype({"visible": "int64"})


def clean(judged: pd.DataFrame) -> pd.DataFrame:
    """Count false holds, and causes named where there is none, among clean records by record and water [%]."""
    untouched = judged[(judged["planting"] == "") & (judged["state"] == "")]
    parts = []
    for name in ("record", "water"):
        groups = untouched.groupby(name)
        parts.append(
            pd.DataFrame(
                {
                    "n": groups.size(),
                    "held_percent": 100.0 * groups["detected"].mean(),
                    "cause_named_percent": 100.0 * loud(untouched).groupby(untouched[name]).mean(),
                }
            )
        )
    return pd.concat(parts)


def loud(judged: pd.DataFrame) -> pd.Series[bool]:
    """Tell for which records a mistake was put first."""
    return ~judged["quiet"] & (judged["named"] != "")


def reliability(judged: pd.DataFrame, bins: int = 10) -> pd.DataFrame:
    """Compare stated probabilities with how often the first cause was right, over the records a person would see.

    Those are the records on hold; what was planted below three standard uncertainties is left out, because
    there "agrees with itself" is as true as the mistake.
    """
    seen = judged["detected"] & ((judged["planting"] == "") | judged["visible"])
    stated = judged[seen & judged["probability"].notna()]
    edge = np.clip((stated["probability"].to_numpy() * bins).astype("int64"), 0, bins - 1)
    groups = stated.groupby(edge)
    return pd.DataFrame(
        {"n": groups.size(), "stated": groups["probability"].mean(), "right": groups["right"].mean()}
    ).rename_axis("bin")


def calibration_error(table: pd.DataFrame) -> float:
    """Mean distance between stated and found, weighted by how many."""
    return float((table["n"] * (table["stated"] - table["right"]).abs()).sum() / table["n"].sum())


def as_text(table: pd.DataFrame, width: int = 40) -> str:
    """Draw a reliability table in characters: # what was stated, | how often it was right."""
    lines = []
    for place, row in table.iterrows():
        bar = list("#" * round(row["stated"] * width) + " " * (width + 1 - round(row["stated"] * width)))
        bar[round(row["right"] * width)] = "|"
        lines.append(f"{int(place) * 10:3d}–{int(place) * 10 + 10:3d} % {''.join(bar)} {row['n']:6.0f}")
    return "\n".join(lines)


def as_svg(table: pd.DataFrame) -> str:
    """Draw a reliability table as a small SVG: the diagonal is perfect, the marks grow with the count."""
    marks = "".join(
        f'<circle cx="{20 + 200 * row["stated"]:.1f}" cy="{220 - 200 * row["right"]:.1f}" '
        f'r="{2 + np.log10(row["n"] + 1):.1f}"/>'
        for _, row in table.iterrows()
    )
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 240 250" role="img" font-size="9">'
        "<title>Stated probability and how often it was right</title>"
        '<path d="M20 220H220M20 220V20M20 220L220 20" fill="none" stroke="#888"/>'
        f'<g fill="#1d2429">{marks}</g><text x="90" y="240">stated</text><text x="2" y="15">right</text></svg>\n'
    )
