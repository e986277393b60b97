"""Compare the answers of `kettlestone trend` with the truth of a country that `make.py` drew.

    python tests/benchmarks/country/score.py FOLDER STORE

FOLDER holds truth.json, STORE the store that took the country's files in.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, Final

import pandas as pd

MOVED: Final = {"chloride": ("chloride",), "nitrate": ("nitrate",), "sulfate": ("sulfate",),
                "hardness": ("total_hardness", "alkalinity", "calcium", "magnesium")}  # fmt: skip
# What follows from a drift by charge balance, and is neither planted nor false.
FOLLOWS: Final = ("sodium", "conductivity", "ph")
SURE: Final = 0.1


def ask(store: str, *words: str) -> tuple[list[dict[str, Any]], float]:
    """Run the command and give its answer and the seconds it took."""
    started = time.perf_counter()
    command = [str(Path(sys.executable).with_name("kettlestone")), "trend", "--json", "--store", store, *words]
    done = subprocess.run(command, capture_output=True, check=True)  # noqa: S603 - our own command
    return json.loads(done.stdout), time.perf_counter() - started


def score_trends(rows: list[dict[str, Any]], truth: dict[str, Any]) -> dict[str, float]:
    """Count planted drifts found, trends told where nothing drifts, and intervals that hold the true slope."""
    called = truth["renamed"]
    drifts = [one | {"region": called.get(one["region"], one["region"])} for one in truth["drifts"]]
    planted = {(one["region"], name): one["share"] for one in drifts for name in MOVED[one["what"]]}
    follows = {(one["region"], name) for one in drifts for name in FOLLOWS}
    raw = pd.DataFrame([row for row in rows if row["stage"] == "raw"])
    keys = list(zip(raw["group"], raw["analyte"], strict=True))
    told = raw["q"].notna() & (raw["q"] <= SURE)
    is_planted = pd.Series([key in planted for key in keys])
    may = pd.Series([key in follows for key in keys])
    slope = pd.Series([planted.get(key, 0.0) for key in keys])
    right = told & is_planted & ((raw["slope_low"] + raw["slope_high"] > 0) == (slope > 0))
    flat = raw[~is_planted & ~may & raw["slope_low"].notna()]
    covered = (flat["slope_low"] <= 0) & (flat["slope_high"] >= 0)
    return {
        "planted": int(is_planted.sum()), "found": int(right.sum()), "recall": float(right.sum() / is_planted.sum()),
        "told": int((told & ~may).sum()), "false": int((told & ~is_planted & ~may).sum()),
        "false_share": float((told & ~is_planted & ~may).sum() / max((told & ~may).sum(), 1)),
        "coverage_of_nothing": float(covered.mean()),
    }  # fmt: skip


def score_changes(
    rows: list[dict[str, Any]],
    kind: str,
    planted: list[dict[str, str]],
    happened: list[dict[str, str]],
) -> dict[str, float]:
    """Count planted changes found, in their true gap, and changes told where nothing changed."""
    told = pd.DataFrame(
        [{**change, "group": row["group"]} for row in rows for change in row["changes"] if change["kind"] == kind]
    )
    if told.empty:
        return {"planted": len(planted), "found": 0, "false": 0}
    once = told.drop_duplicates(["site", "earliest", "latest"])
    of_site = {
        site: list(zip(part["earliest"], part["latest"], part["date"], strict=True))
        for site, part in once.groupby("site")
    }
    near = lambda day, gap, slack: pd.Timestamp(gap[0]) - slack <= pd.Timestamp(day) <= pd.Timestamp(gap[1]) + slack  # noqa: E731
    slack = pd.Timedelta(days=200)
    found = [one for one in planted if any(near(one["date"], gap, slack) for gap in of_site.get(one["site"], []))]
    exact = [
        one
        for one in planted
        if any(near(one["date"], gap, pd.Timedelta(days=2)) for gap in of_site.get(one["site"], []))
    ]
    true = {}
    for one in happened:
        true.setdefault(one["site"], []).append(one["date"])
    wrong = [
        row
        for row in once.itertuples()
        if not any(near(day, (row.earliest, row.latest), slack) for day in true.get(row.site, []))
    ]
    return {"planted": len(planted), "found": len(found), "in_gap": len(exact), "told": len(once), "false": len(wrong),
            "false_sites": sorted({row.site for row in wrong})[:12]}  # fmt: skip


def main() -> None:
    """Print the figures."""
    folder, store = Path(sys.argv[1]), sys.argv[2]
    truth = json.loads((folder / "truth.json").read_text("utf-8"))
    regions, seconds = ask(store, "--by", "region")
    figures: dict[str, Any] = {"seconds_region": round(seconds, 1), "trends": score_trends(regions, truth)}
    sites, figures["seconds_site"] = ask(store, "--by", "site")
    figures["source changes"] = score_changes(sites, "source-change", truth["changes"], truth["changes"])
    figures["exhaustion"] = score_changes(sites, "exhaustion", truth["exhausted"], truth["late"])
    figures["steps told"] = score_changes(sites, "step", [], [])
    people, _ = ask(store, "--by", "operator")
    meters, figures["seconds_instrument"] = ask(store, "--by", "instrument")
    for name, rows, planted in (("people", people, truth["people"]), ("meters", meters, truth["meters"])):
        told = {row["group"] for row in rows for change in row["changes"] if change["before"] == 0}
        figures[name] = {
            "planted": len(planted),
            "found": len(told & planted.keys()),
            "false": sorted(told - planted.keys()),
        }
    jumps = {(change["earliest"], change["latest"], row["group"]) for row in meters for change in row["changes"]
             if change["before"] != 0}  # fmt: skip
    figures["jumps"] = {"planted": truth["jumps"], "told": sorted(jumps)}
    figures["peak_mib"] = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss // 1024
    print(json.dumps(figures, indent=1))  # noqa: T201 - the point of the script


if __name__ == "__main__":
    main()
