"""One page about trends: what changed, where, how sure, and what to do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from markupsafe import Markup

from pipeline.report.batch.page import environment
from pipeline.report.causes import printed_unit, with_sign
from pipeline.report.pictures.density import density_caption, density_picture, density_svg
from pipeline.report.trend.multiples import HEIGHT, WIDTH, trend_picture
from pipeline.report.wording import CAUTION, counted
from pipeline.trends.panel import day_of, quantity_title

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd

    from pipeline.trends.answer import Trends

PICTURES: Final = 24
SURE_TREND: Final = 0.1  # of the trends told at this q one in ten is chance
_ROWS: Final = 400
_SITES: Final = 8
_SAME_CHANGE_YEARS: Final = 0.17
_STEADY: Final = "no trend"
_DRIFTS: Final = 8


class _Topic(NamedTuple):
    """Quantities that ask for the same, and what they ask for when they rise or fall (common practice)."""

    analytes: tuple[str, ...]
    rising: str
    falling: str


_TOPICS: Final = (
    _Topic(
        ("total_hardness", "alkalinity"),
        "More scale is coming: set bypasses lower, change media earlier.",
        "Less has to be taken out: set bypasses higher, and look whether the treated water has become corrosive.",
    ),
    _Topic(("chloride",), "It corrodes steel and brass: compare it with what the makers of the machines allow.", ""),
    _Topic(("nitrate",), "Ask the utility why, and whether it comes near the limit for drinking water.", ""),
)


def trend_page(answer: Trends, out: Mapping[str, int], asked: str) -> str:
    """Render the page.

    Parameters
    ----------
    answer : with the courses of its surest trends.
    out : samples that were left out, by reason.
    asked : what was asked for, in words; empty: everything.
    """
    rows = answer.rows.sort_values(["q", "p"], na_position="last", ignore_index=True)
    sure = rows[rows["q"] <= SURE_TREND]
    changes = answer.changes
    sources, media = _sources(changes), _kind(changes, "exhaustion")
    devices = _kind(changes, "instrument")
    steps = _kind(changes, "step")
    density = density_picture(answer.density)
    template = environment().get_template("trend.html.j2")
    return template.render(
        by=answer.by,
        asked=asked,
        headline=_headline(sure, sources, media, devices),
        tested=int(rows["p"].notna().sum()),
        series=len(rows),
        years=_years(rows),
        pictures=_pictures(answer, sure),
        more_trends=max(len(sure) - PICTURES, 0),
        sources=sources,
        media=media,
        devices=devices,
        steps=steps,
        actions=_actions(sure, sources, media, devices),
        rows=[_cells(row) for row in rows.head(_ROWS).to_dict("records")],
        left=max(len(rows) - _ROWS, 0),
        out=[f"{counted(count, 'sample')} {reason}" for reason, count in out.items()],
        renamed=[str(one) for one in answer.renamed],
        caution=CAUTION,
        sure=SURE_TREND,
        density=Markup(density_svg(density)) if density else "",  # noqa: S704 - its texts are escaped where it is drawn
        density_caption=density_caption(density) if density else "",
        width=WIDTH,
        height=HEIGHT,
    )


def _headline(sure: pd.DataFrame, sources: list[Any], media: list[Any], devices: list[Any]) -> str:
    """Say in one sentence what there is."""
    told = (
        (len(sure), "trend", "trends"),
        (len(sources), "change of source", "changes of source"),
        (len(media), "medium used up", "media used up"),
        (len(_device_names(devices)), "instrument or person that reads wrong", "instruments or people that read wrong"),
    )
    parts = [counted(number, one, many) for number, one, many in told if number]
    if not parts:
        return "Nothing drifts, nothing changed"
    return ", ".join(parts[:-1]) + (" and " if len(parts) > 1 else "") + parts[-1]


def _device_names(devices: list[Any]) -> list[str]:
    """Name the devices; what is told of each begins with its name."""
    return sorted({one["evidence"].partition(" reads ")[0].partition(" jumps ")[0] for one in devices})


def _years(rows: pd.DataFrame) -> str:
    if rows.empty or "first_year" not in rows or not rows["first_year"].notna().any():
        return ""
    return f"{int(rows['first_year'].min())} to {int(rows['last_year'].max())}"


def _pictures(answer: Trends, sure: pd.DataFrame) -> list[dict[str, Any]]:
    """Draw the surest trends."""
    if answer.courses.empty:
        return []
    courses = dict(iter(answer.courses.groupby(["group", "analyte", "stage"])))
    found = []
    for row in sure.head(PICTURES).to_dict("records"):
        course = courses.get((row["group"], row["analyte"], row["stage"]))
        if course is None:
            continue
        own = answer.changes
        marks = own[(own["group"] == row["group"]) & (own["analyte"] == row["analyte"]) & (own["kind"] != "exhaustion")]
        slope = (row["slope_per_year"], row["slope_low"], row["slope_high"])
        at = marks["at"].tolist() if answer.by == "site" else []
        picture = trend_picture(course, slope, at)
        found.append({"row": _cells(row), "picture": picture})
    return found


def _cells(row: Mapping[Any, Any]) -> dict[str, str]:
    """Word one row of the table."""
    low, high = row["slope_low"], row["slope_high"]
    q, median, slope = row["q"], row["median"], row["slope_per_year"]
    share = 100 * slope / median if np.isfinite(slope) and np.isfinite(median) and median > 0 else np.nan
    return {
        "group": row["group"],
        "quantity": quantity_title(row["analyte"]),
        "stage": row["stage"],
        "sites": f"{int(row['sites']):,}",
        "samples": f"{int(row['samples']):,}",
        "below": f"{100 * row['censored']:.0f} %" if row["censored"] else "",
        "median": f"{median:.3g}" if np.isfinite(median) else "",
        "unit": printed_unit(row["unit"]),
        "slope": with_sign(slope),
        "share": f"{with_sign(share)} % a year" if np.isfinite(share) else "",
        "interval": f"{with_sign(low)} to {with_sign(high)}" if np.isfinite(low) and np.isfinite(high) else "",
        "q": _sureness(q),
        "unmatched": with_sign(row["pooled_slope"]),
        "season": _season(row["season"]),
    }


def _sureness(q: float) -> str:
    if not np.isfinite(q):
        return "too short to say"
    if q <= SURE_TREND:
        return f"q {q:.1g}" if q >= 0.0001 else "q < 0.0001"  # noqa: PLR2004 - no more digits than mean something
    return f"{_STEADY} (q {q:.1g})"


def _season(season: Any) -> str:  # noqa: ANN401 - dict or nothing
    if not isinstance(season, dict):
        return ""
    return " ".join(with_sign(value) for value in season.values())


def _sources(changes: pd.DataFrame) -> list[dict[str, Any]]:
    """Tell changes of source of one group within two months as one, with its sites."""
    if changes.empty:
        return []
    own = changes[changes["kind"] == "source-change"].sort_values(["group", "at"])
    found: list[dict[str, Any]] = []
    for row in own.drop_duplicates(["site", "earliest", "latest"]).to_dict("records"):
        last = found[-1] if found else None
        if last and last["group"] == row["group"] and row["at"] - last["at"] < _SAME_CHANGE_YEARS:
            last["sites"].append(row["site"])
            continue
        found.append({
            "group": row["group"], "at": row["at"], "sites": [row["site"]], "evidence": row["evidence"],
            "earliest": day_of(row["earliest"]), "latest": day_of(row["latest"]),
        })  # fmt: skip
    for one in found:
        names = sorted(set(one["sites"]))
        one["named"] = _named(names)
        one["count"] = counted(len(names), "site")
    return sorted(found, key=lambda one: -one["at"])


def _named(names: list[str]) -> str:
    """List the first names, and say how many more there are."""
    more = f" and {len(names) - _SITES} more" if len(names) > _SITES else ""
    return ", ".join(names[:_SITES]) + more


def _kind(changes: pd.DataFrame, kind: str) -> list[dict[str, Any]]:
    """List the changes of one kind, the latest first."""
    if changes.empty:
        return []
    # An instrument is used in many groups; the change is one.
    own = changes[changes["kind"] == kind].drop_duplicates(["site", "analyte", "earliest", "latest", "evidence"])
    return [
        {
            "group": row["group"], "site": row["site"], "quantity": quantity_title(row["analyte"]),
            "before": f"{row['before']:.3g}", "after": f"{row['after']:.3g}", "evidence": row["evidence"],
            "earliest": day_of(row["earliest"]), "latest": day_of(row["latest"]),
        }
        for row in own.sort_values("at", ascending=False).to_dict("records")
    ]  # fmt: skip


def _actions(sure: pd.DataFrame, sources: list[Any], media: list[Any], devices: list[Any]) -> list[str]:
    """Say what to do, the most useful first."""
    found = []
    if devices:
        names = _named(_device_names(devices))
        found.append(f"Check against a standard, and talk to whoever uses: {names}.")
    if sources:
        first = sources[0]
        found.append(
            f"Ask the utility about the change between {first['earliest']} and {first['latest']} ({first['group']}, "
            f"{first['count']}); set the treatments there anew, then retest."
        )
    if media:
        sites = sorted({one["site"] for one in media})
        found.append(f"Change media earlier at {counted(len(sites), 'site')}: {_named(sites)}.")
    found += _drifts(sure)
    return found or ["Nothing: no trend, change or biased instrument is sure enough to act on."]


def _drifts(sure: pd.DataFrame) -> list[str]:
    """Say what each group should do about what drifts there, the surest first."""
    found: list[str] = []
    for topic in _TOPICS:
        own = sure[sure["analyte"].isin(topic.analytes) & sure["slope_per_year"].notna()]
        for (group, rises), rows in own.groupby(["group", own["slope_per_year"] > 0], sort=False):
            cells = [_cells(row) for row in rows.to_dict("records")]
            drifting = ", ".join(f"{cell['quantity'].lower()} {cell['slope']} {cell['unit']}" for cell in cells)
            advice = topic.rising if rises else topic.falling
            found += [f"{group}: {drifting} a year. {advice}"] if advice else []
    return found[:_DRIFTS]
