"""Draw a country of utilities, sites and visits whose truth is known, and write its files as people would.

    python tests/benchmarks/country/make.py FOLDER [SITES] [REGIONS] [VISITS_A_YEAR] [SEED] [many]

Waters follow from calcium, magnesium, sodium, chloride, sulfate and nitrate by charge balance (the alkalinity) and a
linear conductivity; nothing of the program is used. A year has a season and a region its weather, with a memory of
months. Sites come and go; visits are irregular. Planted: drifts of a region, changes of a utility's source, sources
that change back and forth every year, meters and people that read high or low, meters that jump, used-up media, slips.
With `many` the files are written in many hands (`hands.py`).
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd
from hands import FIRST, RENAMED, unsettled, write_many

YEARS: Final = 10
IONS: Final = ("calcium", "magnesium", "sodium", "potassium", "chloride", "sulfate", "nitrate", "silica")
DRIFTS: Final = ("chloride", "nitrate", "hardness", "sulfate")
LIMITS: Final = {"nitrate": 5.0, "sulfate": 5.0, "chloride": 5.0}
DEGREE: Final = 17.848


def utilities(draw: np.random.Generator, regions: int) -> pd.DataFrame:
    """Give every region one to three utilities, each with a water and a season; some change their source."""
    region = np.repeat(np.arange(regions), draw.integers(1, 4, regions))
    count = len(region)
    frame = pd.DataFrame(
        {"region": region, "season": draw.uniform(0.0, 0.12, count), "peak": draw.uniform(0, 1, count)}
    )
    ranges = {"calcium": (30, 130), "magnesium": (4, 25), "sodium": (8, 40), "potassium": (1, 4), "chloride": (9, 45),
              "sulfate": (10, 60), "nitrate": (2, 30), "silica": (4, 20)}  # fmt: skip
    for ion, (low, high) in ranges.items():
        frame[ion] = draw.uniform(low, high, count)
    kind = draw.permuted(
        np.repeat(["change", "seasonal", ""], [max(count // 7, 1), max(count // 12, 1), count])[:count]
    )
    frame["kind"] = kind
    frame["factor"] = np.where(draw.random(count) < 0.5, draw.uniform(0.55, 0.8, count), draw.uniform(1.25, 1.7, count))
    frame["changed"] = draw.uniform(1.5, YEARS - 1.5, count)
    return frame


def drifts(draw: np.random.Generator, regions: int) -> pd.DataFrame:
    """Choose the drifts of regions: share of the value a year."""
    cells = pd.MultiIndex.from_product([range(regions), DRIFTS], names=["region", "what"]).to_frame(index=False)
    planted = draw.random(len(cells)) < 0.2
    size = draw.uniform(0.015, 0.04, len(cells)) * np.where(draw.random(len(cells)) < 0.6, 1, -0.6)
    return cells.assign(share=np.where(planted, size, 0.0))


def weather(draw: np.random.Generator, regions: int) -> np.ndarray:
    """Draw the weather of every region and month: 2.5 % with a memory, and years of their own."""
    months = YEARS * 12
    noise = draw.normal(0, 0.025 * np.sqrt(1 - 0.6**2), (regions, months))
    for month in range(1, months):
        noise[:, month] += 0.6 * noise[:, month - 1]
    return noise + np.repeat(draw.normal(0, 0.012, (regions, YEARS)), 12, axis=1)


def visits(draw: np.random.Generator, sites: int, utility: np.ndarray, a_year: float) -> pd.DataFrame:
    """Draw the visits: sites that come and go, at irregular times."""
    start = np.where(draw.random(sites) < 0.35, draw.uniform(0, 6, sites), 0.0)
    end = np.where(draw.random(sites) < 0.25, np.minimum(start + draw.uniform(2, 8, sites), YEARS), YEARS)
    count = draw.poisson(a_year * (end - start)) + 2
    site = np.repeat(np.arange(sites), count)
    time = draw.uniform(start[site], end[site])
    order = np.lexsort((time, site))
    return pd.DataFrame({"site": site[order], "time": time[order], "utility": utility[site[order]]})


def waters(
    draw: np.random.Generator, seen: pd.DataFrame, made: dict[str, pd.DataFrame], sky: np.ndarray
) -> pd.DataFrame:
    """Work out the true water of every visit."""
    known = made["utilities"].iloc[seen["utility"]].reset_index(drop=True)
    time, region = seen["time"].to_numpy(), known["region"].to_numpy()
    shape = known["season"] * np.cos(2 * np.pi * (time - known["peak"])) + sky[region, (time * 12).astype(int)]
    own = draw.normal(0, 0.05, seen["site"].max() + 1)[seen["site"]]
    drift = made["drifts"].pivot_table(index="region", columns="what", values="share", aggfunc="sum").loc[region]
    summer = np.abs((time % 1.0) - 0.5 - draw.normal(0, 0.04, len(time)) * 0) < 0.25
    after = ((known["kind"] == "change") & (time >= known["changed"])) | ((known["kind"] == "seasonal") & summer)
    water = pd.DataFrame(index=seen.index)
    for ion in IONS:
        moved = {"calcium": "hardness", "magnesium": "hardness", "chloride": "chloride", "nitrate": "nitrate",
                 "sulfate": "sulfate"}.get(ion)  # fmt: skip
        slope = drift[moved].to_numpy() if moved else 0.0
        source = np.where(after, known["factor"], 1.0) if ion in {"calcium", "magnesium"} else 1.0
        water[ion] = known[ion].to_numpy() * (1 + slope * time) * source * np.exp(shape + own)
    anions = water["chloride"] / 35.453 + water["sulfate"] / 48.031 + water["nitrate"] / 62.005
    hardness = water["calcium"] / 20.039 + water["magnesium"] / 12.1525
    # Sodium goes with the salts, so that a drift of chloride leaves the alkalinity alone.
    water["alkalinity"] = 50.043 * 0.85 * hardness
    water["sodium"] = 22.99 * np.maximum(anions + 0.85 * hardness - hardness - water["potassium"] / 39.098, 0.1)
    water["total_hardness"] = 50.043 * hardness
    water["conductivity"] = 93.0 * (hardness + water["sodium"] / 22.99 + water["potassium"] / 39.098)
    water["ph"] = 7.4 + 0.3 * np.log10(water["alkalinity"] / 150)
    return water


def devices(draw: np.random.Generator, regions: int, sites: int) -> dict[str, pd.DataFrame]:
    """Draw people and meters; a few read high or low, a few jump."""
    people = max(regions // 2 * 3, 4)
    meters = max(sites // 12, people)
    miss = draw.permuted(np.repeat([-1, 1, 0], [max(people // 15, 1), max(people // 20, 1), people])[:people])
    bias = draw.permuted(np.repeat([1.07, 0.94, 1.0], [max(meters // 25, 1), max(meters // 25, 1), meters])[:meters])
    jump = np.where((bias == 1.0) & (draw.random(meters) < 0.05), draw.choice([0.91, 1.1], meters), 1.0)
    return {
        "people": pd.DataFrame({"drops": miss}),
        "meters": pd.DataFrame({"bias": bias, "jump": jump, "since": draw.uniform(3, YEARS - 3, meters)}),
    }


def country(sites: int, regions: int, a_year: float, seed: int) -> dict[str, pd.DataFrame]:
    """Draw all of it."""
    draw = np.random.default_rng(seed)
    made = {"utilities": utilities(draw, regions), "drifts": drifts(draw, regions)}
    sky = weather(draw, regions)
    utility = draw.integers(0, len(made["utilities"]), sites)
    seen = visits(draw, sites, utility, a_year)
    made |= devices(draw, regions, sites) | {"visits": seen, "waters": waters(draw, seen, made, sky)}
    region = made["utilities"]["region"].to_numpy()[seen["utility"]]
    people, meters = len(made["people"]), len(made["meters"])
    seen["region"] = region
    seen["laboratory"] = draw.random(len(seen)) < 0.3
    seen["person"] = (region + draw.integers(0, 3, len(seen)) * 7 + draw.integers(0, 2, len(seen))) % people
    seen["meter"] = (seen["person"] * 5 + draw.integers(0, 5, len(seen))) % meters
    made["readings"] = readings(draw, made)
    made["treated"], made["media"] = treated(draw, made)
    return made


def readings(draw: np.random.Generator, made: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Read the waters: a laboratory with 2 %, a meter with 2 % and its own error, drops of a kit."""
    seen, water = made["visits"], made["waters"]
    lab = np.flatnonzero(seen["laboratory"])
    parts = []
    for name in (*IONS, "alkalinity", "total_hardness", "conductivity", "ph"):
        spread = 0.05 if name == "ph" else 0.02 * water[name].to_numpy()[lab]
        value = water[name].to_numpy()[lab] + draw.normal(0, 1, len(lab)) * spread
        limit = LIMITS.get(name, 0.0)
        text = np.where(value < limit, f"<{limit:g}", np.char.mod("%.2f" if name == "ph" else "%.4g", value))
        unit = {"ph": "", "conductivity": "µS/cm"}.get(name, "mg/L as CaCO3" if name in {"alkalinity", "total_hardness"}
                                                        else "mg/L")  # fmt: skip
        parts.append(
            pd.DataFrame({"visit": lab, "analyte": name, "result": text, "unit": unit, "method": "laboratory"})
        )
    field = np.flatnonzero(~seen["laboratory"])
    time, who, meter = (seen[name].to_numpy()[field] for name in ("time", "person", "meter"))
    drops = made["people"]["drops"].to_numpy()[who]
    for name in ("total_hardness", "alkalinity"):
        count = np.maximum(
            np.ceil(water[name].to_numpy()[field] / DEGREE * draw.normal(1, 0.015, len(field))) + drops, 1
        )
        text = count.astype(int).astype(str)
        parts.append(
            pd.DataFrame({"visit": field, "analyte": name, "result": text, "unit": "drops", "method": "drops"})
        )
    known = made["meters"].iloc[meter]
    factor = known["bias"].to_numpy() * np.where(time >= known["since"].to_numpy(), known["jump"].to_numpy(), 1.0)
    value = water["conductivity"].to_numpy()[field] * factor * draw.normal(1, 0.02, len(field))
    milli = draw.random(len(field)) < 0.004  # mS/cm typed as µS/cm
    parts.append(pd.DataFrame({"visit": field, "analyte": "conductivity", "unit": "µS/cm", "method": "meter",
                               "result": np.char.mod("%.4g", np.where(milli, value / 1000, value))}))  # fmt: skip
    return pd.concat(parts, ignore_index=True)


def treated(draw: np.random.Generator, made: dict[str, pd.DataFrame]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Let a tenth of the sites have a decarboniser; a third of their cartridges is changed too late."""
    seen, water = made["visits"], made["waters"]
    fitted = draw.random(seen["site"].max() + 1) < 0.1
    rows = np.flatnonzero(fitted[seen["site"]])
    site, time = seen["site"].to_numpy()[rows], seen["time"].to_numpy()[rows]
    life = draw.uniform(1.2, 2.5, len(fitted))[site]
    number = np.floor(time / life).astype(int)
    late = draw.random((len(fitted), 12)) < 0.3
    age = time / life - number
    used = np.where(late[site, number], np.clip((age - 0.6) / 0.12, 0, 1), 0.0)
    raw = water["alkalinity"].to_numpy()[rows]
    target = 60.0
    alkalinity = (target + (raw - target) * used) * draw.normal(1, 0.02, len(rows))
    hardness = np.maximum(water["total_hardness"].to_numpy()[rows] - (raw - alkalinity), 5.0)
    frame = pd.DataFrame({"visit": rows, "alkalinity": np.round(alkalinity, 1), "total_hardness": np.round(hardness, 1),
                          "counter": np.round(age * life * 12000)})  # fmt: skip
    events = pd.DataFrame({"site": site, "number": number, "late": late[site, number], "time": time, "used": used,
                           "room": raw / target}).sort_values(["site", "time"])  # fmt: skip
    over = events[events["late"] & (events["used"] >= 0.99) & (events["room"] > 1.5)].groupby(["site", "number"])
    clear = over["time"].agg(["first", "size"]).query("size >= 2").reset_index()
    clear["began"] = (clear["number"] + 0.66) * pd.Series(life, index=site).groupby(level=0).first().loc[
        clear["site"]
    ].to_numpy()
    late_ones = events[events["late"] & (events["used"] > 0)].drop_duplicates(["site", "number"])
    made["late"] = late_ones.assign(began=(late_ones["number"] + 0.66) * life[late_ones.index])
    return frame, clear


def write(made: dict[str, pd.DataFrame], folder: Path) -> None:
    """Write the files: a laboratory's list, the kit sheets, the treated samples."""
    seen = made["visits"]
    when = (FIRST + pd.to_timedelta(seen["time"] * 365.25, unit="D")).dt.strftime("%Y-%m-%d %H:%M").to_numpy()
    facts = pd.DataFrame({
        "sample": "V" + seen.index.astype(str), "client": "Client " + (seen["site"] % 97).astype(str),
        "site": "S" + seen["site"].astype(str), "region": "Region " + seen["region"].astype(str),
        "utility": "Utility " + seen["utility"].astype(str), "date": when,
    })  # fmt: skip
    found = made["readings"]
    of_lab = found["method"] == "laboratory"
    lab = facts.iloc[found["visit"][of_lab]].reset_index(drop=True).assign(stage="raw", method="laboratory")
    lab[["parameter", "result", "unit"]] = found.loc[of_lab, ["analyte", "result", "unit"]].to_numpy()
    lab["parameter"] = lab["parameter"].str.replace("_", " ").replace("ph", "pH")
    lab.to_csv(folder / "laboratory.csv", index=False)
    wide = found[~of_lab].pivot_table(index="visit", columns="analyte", values="result", aggfunc="first")
    kit = facts.iloc[wide.index].reset_index(drop=True).assign(stage="raw")
    who = seen.iloc[wide.index]
    kit["operator"], kit["instrument"] = (
        "P" + who["person"].astype(str).to_numpy(),
        "M" + who["meter"].astype(str).to_numpy(),
    )
    kit["hardness drops"], kit["alkalinity drops"] = wide["total_hardness"].to_numpy(), wide["alkalinity"].to_numpy()
    kit["degree per drop"], kit["nominal mL"], kit["used mL"] = "1 °dH", 10, 10
    kit["conductivity µS/cm"] = wide["conductivity"].to_numpy()
    kit.to_csv(folder / "kit_sheets.csv", index=False)
    after = made["treated"]
    rows = facts.iloc[after["visit"]].reset_index(drop=True).assign(stage="treated", treatment="decarboniser")
    rows["sample"] = rows["sample"] + "T"
    rows["counter litres"] = after["counter"]
    rows["total hardness mg/L as CaCO3"], rows["alkalinity mg/L as CaCO3"] = (
        after["total_hardness"],
        after["alkalinity"],
    )
    rows.to_csv(folder / "treated.csv", index=False)


def truth(made: dict[str, pd.DataFrame]) -> dict[str, object]:
    """Say what was planted."""
    day = lambda time: str((FIRST + pd.Timedelta(days=float(time) * 365.25)).date())  # noqa: E731
    utility, seen = made["utilities"], made["visits"]
    changed = utility[utility["kind"] == "change"]
    sites = seen.drop_duplicates("site")
    later = seen["time"] >= utility["changed"].to_numpy()[seen["utility"]]
    sides = pd.crosstab(seen["site"], later)
    both = set(sides.index[(sides.min(axis=1) >= 3)])  # a change nobody saw both sides of cannot be found
    planted = made["drifts"].query("share != 0")
    pairs = list(zip(sites["site"], sites["utility"], strict=True))
    names = seen["region name"].unique() if "region name" in seen else ()
    return {
        "renamed": {name.removesuffix(RENAMED): name for name in names if name.endswith(RENAMED)},
        "drifts": planted.assign(region="Region " + planted["region"].astype(str)).to_dict("records"),
        "changes": [{"site": f"S{site}", "utility": f"Utility {number}", "date": day(changed.loc[number, "changed"]),
                     "factor": float(changed.loc[number, "factor"])}
                    for site, number in pairs if number in changed.index and site in both],
        "seasonal": [f"S{site}" for site, number in pairs
                     if utility["kind"].iloc[number] == "seasonal"],
        "exhausted": [{"site": f"S{row.site}", "date": day(row.began)} for row in made["media"].itertuples()],
        "late": [{"site": f"S{row.site}", "date": day(row.began)} for row in made["late"].itertuples()],
        "people": {f"P{n}": int(v) for n, v in enumerate(made["people"]["drops"]) if v}
        | {f"P{n}": float(v) for n, v in enumerate(made["people"].get("degree off", [])) if v != 1.0},
        "meters": {f"M{n}": float(v) for n, v in enumerate(made["meters"]["bias"]) if v != 1.0},
        "jumps": [{"meter": f"M{n}", "factor": float(row.jump), "date": day(row.since)}
                  for n, row in enumerate(made["meters"].itertuples()) if row.jump != 1.0],
    }  # fmt: skip


def main() -> None:
    """Draw a country and write its files and its truth."""
    defaults = ["400", "20", "6", "1"]
    numbers = [*sys.argv[2:6], *defaults[len(sys.argv[2:6]) :]]
    folder, seed = Path(sys.argv[1]), int(numbers[3])
    made = country(int(numbers[0]), int(numbers[1]), float(numbers[2]), seed)
    folder.mkdir(parents=True, exist_ok=True)
    if "many" in sys.argv[6:]:
        draw = np.random.default_rng(seed + 1)
        unsettled(draw, made)
        write_many(draw, made, folder)
    else:
        write(made, folder)
    (folder / "truth.json").write_text(json.dumps(truth(made), indent=1), "utf-8")


if __name__ == "__main__":
    main()
