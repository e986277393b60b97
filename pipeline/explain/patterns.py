"""One mistake in the whole of a file, of an instrument or of an operator: found once, told once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks import evidence
from pipeline.explain import wording
from pipeline.explain.mistakes import catalogue, every
from pipeline.explain.priors import priors
from pipeline.explain.record import ROW, SECOND
from pipeline.explain.search import judged
from pipeline.problems import fill

if TYPE_CHECKING:
    import numpy.typing as npt

    from pipeline.explain.ranges import History
    from pipeline.explain.record import Flags, Floats, Places, Record
    from pipeline.normalise.sample_table import SampleTable

PATTERN_COLUMNS: Final = (
    "file_sha256", "scope", "analyte", "other_analyte", "mistake", "detail", "samples", "share", "probability",
    "message",
)  # fmt: skip
SYSTEMATIC: Final = frozenset(
    {
        "wrong-unit",
        "wrong-basis",
        "factor-ten",
        "swapped-analytes",
        "volume-not-applied",
        "miscount",
        "wrong-tds-scale",
        "not-temperature-compensated",
    }
)
SCOPES: Final = {"file": "file_sha256", "instrument": "instrument", "operator": "operator"}
FEWEST: Final = 5  # rows before a source says anything [CP]
MOST: Final = 48  # rows of a source that are looked at: they tell as much as all
HELD_SHARE: Final = 0.2  # of a source's rows, before it is looked at
AGREEING: Final = 0.6  # of the rows that can tell must fit better with the mistake [CP]
_TELLS: Final = 0.5  # log likelihood ratio from which a row tells anything
_OWN: Final = 0.001  # that a row has a mistake of its own, the one that fits it best [CP]
CORRELATION: Final = 0.2  # of what the models do not know between rows of one source [CP]
_BIAS: Final = 0.05  # a median ratio of two readings off by less is left alone [CP]
_BIAS_ERRORS: Final = 4.0  # standard errors
_COVERS: Final = 0.5  # likelier than all else: a pattern stands for the explanations of its rows
_EQUAL: Final = 3.0  # times likelier: less is "equally well" [JEFFREYS]
_LIKELY: Final = 0.9  # prior of the mistake in a row of a source that has it


@dataclass(frozen=True)
class Patterns:
    """``table``: PATTERN_COLUMNS. ``covered``: samples and candidates a pattern stands for."""

    table: pd.DataFrame
    covered: dict[int, Flags]

    def raised(self, weighed: pd.DataFrame) -> pd.DataFrame:
        """Give the rows of a source that has a pattern the prior they deserve."""
        bonus = np.zeros(len(weighed))
        for candidate, flags in self.covered.items():
            rows = (weighed["candidate"] == candidate).to_numpy() & flags[weighed["sample"].to_numpy()]
            bonus = np.where(rows, np.log(_LIKELY) - priors().log_prior[candidate], bonus)
        return weighed.assign(log_posterior=weighed["log_posterior"] + bonus)

    def covers(self, told: pd.DataFrame) -> Flags:
        """Tell which explanations a pattern stands for."""
        result = np.zeros(len(told), dtype="bool")
        for candidate, flags in self.covered.items():
            result |= (told["candidate"] == candidate).to_numpy() & flags[told["sample"].to_numpy()]
        return result


def of_files(samples: SampleTable, record: Record, past: History, seen: dict[str, Flags], chosen: Places) -> Patterns:
    """Look for one mistake that most rows of a source share.

    Parameters
    ----------
    samples, record, past, seen : all samples, their readings, history, and what the checks saw.
    chosen : places of the samples to explain; `Patterns.covered` counts among them.

    Returns
    -------
    Patterns. A source is a file, an instrument, or an operator with at least five rows, a fifth of them to explain.

    Notes
    -----
    The log likelihood ratios of a mistake against none are added over the rows, with one prior for the source; one row
    in ten may be free of it, and one in a thousand has the mistake that fits it best for a reason of its own. What is
    usual is the same for all rows of a region and counts once, as the mean (for exchanged columns it counts in every
    row, because the ratio of sodium to potassium is the same everywhere). Rows of one source share what the models do
    not know, so n rows count as n/(1 + 0.2 (n − 1)): at most five [CP]. At least half of all rows, and 60 % of those
    that can tell, must fit better with the mistake.
    """
    held = np.zeros(len(record), dtype="bool")
    held[chosen] = True
    parts: list[pd.DataFrame] = []
    covered: dict[int, Flags] = {}
    told: set[tuple[int, bytes]] = set()
    for scope, column in SCOPES.items():
        code, names = pd.factorize(evidence.text(samples, column))
        named = np.asarray(names.astype("str") != "")[code] if len(names) else np.zeros(0, dtype="bool")
        rows = _looked_at(code, held, named)
        if not rows.size:
            continue
        found = _best(record, past, seen, rows, code)
        parts.append(_bias(record, code, named, rows, scope, names))
        for _, one in found.iterrows():
            members = code[chosen] == one["group"]
            key = (int(one["candidate"]), members.tobytes())
            if key in told:
                continue
            told.add(key)
            place = int(one["candidate"])
            if one["probability"] >= _COVERS:
                covered[place] = covered.get(place, np.zeros(len(chosen), dtype="bool")) | members
            parts.append(_row(one, scope, str(names[int(one["group"])])))
    table = pd.concat(parts, ignore_index=True) if parts else _empty()
    return Patterns(_worded(table), covered)


def _looked_at(code: npt.NDArray[np.intp], held: Flags, named: Flags) -> Places:
    """Choose the rows of every source that are looked at, evenly through it."""
    size = np.bincount(code, minlength=1).astype("float64")
    share = np.bincount(code, weights=held, minlength=1) / np.maximum(size, 1)
    wanted = named & (size >= FEWEST)[code] & (share >= HELD_SHARE)[code]
    rank = pd.Series(code).groupby(code).cumcount().to_numpy()
    step = np.ceil(size / MOST)[code]
    return np.flatnonzero(wanted & (rank % step == 0))


@cache
def _systematic() -> npt.NDArray[np.bool_]:
    return np.array([one.mistake in SYSTEMATIC for one in catalogue()])


@cache
def _innocent() -> npt.NDArray[np.bool_]:
    return np.array([one.mistake in ("no-mistake", "softened-water", "soda-water") for one in catalogue()])


@cache
def _tens() -> npt.NDArray[np.bool_]:
    return np.array([one.mistake == "factor-ten" for one in catalogue()])


@cache
def _rows() -> npt.NDArray[np.int64]:
    return np.array([one.row for one in catalogue()])


@cache
def _swaps() -> npt.NDArray[np.bool_]:
    return np.array([one.mistake == "swapped-analytes" for one in catalogue()])


def _best(
    record: Record, past: History, seen: dict[str, Flags], rows: Places, code: npt.NDArray[np.intp]
) -> pd.DataFrame:
    """Give the likeliest mistake of every source that has one: `group candidate samples share probability`."""
    weighed = judged(record.take(rows), past.take(rows), {name: flags[rows] for name, flags in seen.items()}, least=0.0)
    base = weighed[weighed["candidate"] == 0].set_index("sample").assign(log_usual=_without_mistake(weighed))
    some = weighed[_systematic()[weighed["candidate"].to_numpy()]]
    same = base.reindex(some["sample"])
    ratio = some["log_fit"].to_numpy() - same["log_fit"].to_numpy()
    usual = some["log_usual"].to_numpy() - same["log_usual"].to_numpy()
    swap = _swaps()[some["candidate"].to_numpy()]
    ratio = ratio + np.where(swap, usual, 0.0)
    frame = pd.DataFrame(
        {
            "group": code[rows][some["sample"].to_numpy()],
            "candidate": some["candidate"].to_numpy(),
            "told": _told(ratio, some["sample"].to_numpy()),
            "usual": np.where(swap, 0.0, usual),
            "tells": np.abs(ratio) >= _TELLS,
            "better": ratio >= _TELLS,
        }
    )
    sums = frame.groupby(["group", "candidate"], as_index=False).agg(
        looked=("told", "size"),
        total=("told", "sum"),
        usual=("usual", "mean"),
        samples=("tells", "sum"),
        better=("better", "sum"),
    )
    sums = sums.assign(share=sums["better"] / sums["samples"].clip(lower=1))
    half = 0.5 * np.bincount(code[rows], minlength=1)[sums["group"]]
    most = (sums["better"] >= half) & (sums["share"] >= AGREEING)
    sums = sums[most & (sums["samples"] >= FEWEST)]
    if sums.empty:
        return sums.assign(probability=0.0)
    sums["total"] += _lacking(record, rows, code, sums) * np.log1p(-_LIKELY)
    tempered = sums["total"] / (1.0 + CORRELATION * (sums["looked"] - 1.0)) + sums["usual"]
    logs = tempered + priors().log_prior[sums["candidate"].to_numpy()]
    top = np.maximum(logs.groupby(sums["group"]).transform("max"), priors().log_prior[0])
    weight = np.exp(logs - top)
    total = weight.groupby(sums["group"]).transform("sum") + np.exp(priors().log_prior[0] - top)
    sums = sums.assign(probability=weight / total).sort_values("probability", ascending=False)
    any_mistake = sums.groupby("group")["probability"].transform("sum")
    second = sums.groupby("group").nth(1).set_index("group")
    best = sums.assign(any_mistake=any_mistake).drop_duplicates("group")
    near = second.reindex(best["group"])
    equal = near["probability"].to_numpy() >= best["probability"].to_numpy() / _EQUAL
    best = best.assign(runner=np.where(equal, near["candidate"].fillna(0).to_numpy(), 0).astype("int64"))
    certain = (best["probability"] >= _COVERS) | (best["any_mistake"] >= _LIKELY)
    return best[certain].sort_values("group")


def _lacking(record: Record, rows: Places, code: npt.NDArray[np.intp], sums: pd.DataFrame) -> npt.NDArray[np.float64]:
    """Count the rows of a source that cannot have lost or gained the digit: the count or the value would be absurd."""
    place = sums["candidate"].to_numpy()
    read = record.exact[:, rows]
    groups = code[rows]
    of = {row: np.bincount(groups, weights=read[row], minlength=code.max() + 1) for row in np.unique(_rows()[place])}
    readable = np.array([of[row][group] for row, group in zip(_rows()[place], sums["group"], strict=True)])
    return np.where(_tens()[place], np.maximum(readable - sums["looked"].to_numpy(), 0.0), 0.0)


def _told(ratio: Floats, row: Places) -> Floats:
    """Log likelihood ratio of a mistake of the whole source, where a row may have one of its own or be free of it."""
    best = np.full(row.max(initial=-1) + 1, -np.inf)
    np.maximum.at(best, row, ratio)
    alone = np.logaddexp(0.0, np.log(_OWN) + best)[row]
    with_it = np.log(_LIKELY) + ratio
    return np.asarray(np.logaddexp(with_it, np.log1p(-_LIKELY) + alone) - alone, dtype="float64")


def _without_mistake(weighed: pd.DataFrame) -> pd.Series:
    """How usual each row is if nothing is wrong with it: as it was recorded, or a softened or a soda water."""
    innocent = weighed[_innocent()[weighed["candidate"].to_numpy()]]
    prior = priors().log_prior[innocent["candidate"].to_numpy()] - priors().log_prior[0]
    usual: pd.Series = (innocent["log_usual"] + prior).groupby(innocent["sample"].to_numpy()).agg(np.logaddexp.reduce)
    return usual


def _row(one: pd.Series, scope: str, name: str) -> pd.DataFrame:
    cause = catalogue()[int(one["candidate"])]
    return pd.DataFrame(
        {
            "file_sha256": [name if scope == "file" else ""],
            "scope": [scope if scope == "file" else f"{scope} {name}"],
            "analyte": [cause.analyte],
            "other_analyte": [cause.other],
            "mistake": [cause.mistake],
            "detail": [cause.detail],
            "samples": [int(one["samples"])],
            "share": [float(one["share"])],
            "probability": [float(one["probability"])],
            "runner": [int(one["runner"])],
        }
    )


def _bias(
    record: Record, code: npt.NDArray[np.intp], named: Flags, rows: Places, scope: str, names: pd.Index
) -> pd.DataFrame:
    """Find a source whose first readings differ from the second ones by the same ratio everywhere."""
    parts = [_empty()]
    looked = named & np.isin(code, code[rows])
    for name in SECOND:
        with np.errstate(divide="ignore", invalid="ignore"):
            log = np.log(record.amounts[ROW[f"second {name}"]] / record.amounts[ROW[name]])
        frame = pd.DataFrame({"group": code, "log": log})[looked & np.isfinite(log)]
        sums = frame.groupby("group")["log"].agg(["size", "median", "std"]).reset_index()
        error = 1.2533 * np.maximum(sums["std"].fillna(np.inf), 1e-3) / np.sqrt(sums["size"])
        off = (
            (sums["size"] >= FEWEST) & (sums["median"].abs() >= _BIAS) & (sums["median"].abs() >= _BIAS_ERRORS * error)
        )
        sums = sums[off & (sums["median"].abs() < np.log(1.4))]  # more is a unit or a form, not a bias
        percent = 100.0 * np.expm1(sums["median"].to_numpy())
        direction = np.where(percent > 0, "above", "below")
        parts.append(
            pd.DataFrame(
                {
                    "file_sha256": np.asarray(names)[sums["group"]] if scope == "file" else "",
                    "scope": scope if scope == "file" else [f"{scope} {names[group]}" for group in sums["group"]],
                    "analyte": name,
                    "other_analyte": "",
                    "mistake": "instrument-fault",
                    "detail": fill(
                        "the second reading is {percent:0} % {direction} the first",
                        pd.DataFrame({"percent": np.abs(percent), "direction": direction}),
                    ).array,
                    "samples": sums["size"].to_numpy(),
                    "share": 1.0,
                    "probability": 0.9,
                }
            )
        )
    return pd.concat(parts, ignore_index=True)


def _empty() -> pd.DataFrame:
    numbers = {"samples": "int64", "share": "float64", "probability": "float64", "runner": "float64"}
    return pd.DataFrame({name: pd.Series(dtype=numbers.get(name, "str")) for name in (*PATTERN_COLUMNS[:-1], "runner")})


def _worded(table: pd.DataFrame) -> pd.DataFrame:
    """Add the message of every pattern."""
    if table.empty:
        return table.drop(columns="runner").assign(message=pd.Series(dtype="str"))
    titles = pd.Series(wording.titles(table, "title"), dtype="str")
    words = {"title": titles, "percent": 100.0 * table["share"]}
    of = fill(
        "One mistake in the whole of this {scope}: {title}. It fits {percent:0} % of {samples} records that can tell.",
        table,
        words,
    )
    runner = table["runner"].fillna(0).astype("int64").to_numpy()
    facts = {"mistake": "mistake", "analyte": "analyte", "other_analyte": "other", "detail": "detail"}
    second = wording.titles({name: every(fact)[runner] for name, fact in facts.items()}, "title")
    of = of + np.where(runner > 0, " Fits nearly as well: " + second + ".", "")
    bias = table["mistake"] == "instrument-fault"
    steady = fill("{scope}: {analyte}, {detail} in {samples} pairs: one instrument or kit lot reads wrong.", table)
    return table.drop(columns="runner").assign(message=of.mask(bias, steady))
