"""Pictures of a store: what is asked for is read, drawn and set beside its numbers."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final, NamedTuple

import pandas as pd

from pipeline.bench.controls import CHART_GROUPS, chart_points, control_charts, control_readings
from pipeline.report.causes import printed_unit
from pipeline.report.pictures.control import control_chart_svg
from pipeline.report.pictures.density import density_caption, density_picture, density_svg
from pipeline.report.pictures.history import HISTORY_COLUMNS, history_svg
from pipeline.report.pictures.ions import ion_groups
from pipeline.report.pictures.pattern import MOST_PATTERNS, pattern_svg
from pipeline.report.pictures.semi_log import LINES, SEMI_LOG_ORDER, semi_log_svg
from pipeline.report.pictures.site_map import site_map_svg
from pipeline.report.pictures.trilinear import trilinear_svg, trilinear_table
from pipeline.report.wording import counted
from pipeline.store.database import Store
from pipeline.store.observations import Chosen, chosen_samples, observations
from pipeline.store.registers import entries, in_force
from pipeline.trends.answer import found_changes
from pipeline.trends.density import water_density
from pipeline.trends.panel import quantity_title, quantity_unit, year_of
from pipeline.trends.source import TOGETHER
from schemas.columns import ANALYTES, VERDICTS
from schemas.tables import COORDINATES

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.settings import Settings

_NAMES: Final = ["client", "site", "sampling_point", "stage", "called", "day"]
_HISTORY: Final = ("total_hardness", "alkalinity", "conductivity")
_CHARTS: Final = 40
_NO_COORDINATES: Final = (
    "No site that fits has coordinates in the register: columns `latitude` and `longitude` in the file of sites, or "
    "kettlestone site set SITE --fact latitude=50.1 --fact longitude=8.6 --why …."
)
_CONTROL_WORDS: Final = (
    "Dots: standards in the order of time. Grey: within the warning limits; rust: action limits; dotted: how far the "
    "moving average (thin line) may go. Cross: the reading at which a rule broke."
)
_CHANGE_WORDS: Final = {"source-change": "source", "exhaustion": "used up", "step": "step", "instrument": "meter"}


class Wanted(NamedTuple):
    """What a picture is asked for: of which samples, of which quantities, and how controls are grouped."""

    chosen: Chosen
    analytes: tuple[str, ...] = ()
    by: str = CHART_GROUPS[0]


class DrawnAnswer(NamedTuple):
    """Drawings with what each shows, the numbers beside them, and why there is none where there is none."""

    title: str
    drawings: list[tuple[str, str]]
    numbers: pd.DataFrame
    why_none: str = ""


def picture_of(settings: Settings, kind: str, wanted: Wanted) -> DrawnAnswer:
    """Draw one of PICTURE_KINDS."""
    return PICTURE_KINDS[kind][1](settings, wanted)


def _waters(settings: Settings, wanted: Wanted) -> pd.DataFrame:
    """Read the samples, with a title, a day, and the group that marks tell apart: regions, else clients, else sites."""
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        waters = chosen_samples(store, wanted.chosen)
    day = waters["collected_at"].dt.strftime("%Y-%m-%d")
    site = waters["site"].where(waters["site"] != "", waters["client"])
    told = site + waters["stage"].map(lambda stage: "" if stage in ("", "raw") else f" ({stage.replace('_', ' ')})")
    group = next((waters[name] for name in ("region", "client", "site") if len(waters[name].unique()) > 1), site)
    return waters.assign(day=day, title=told + ", " + day, group=group)


def _complete(settings: Settings, wanted: Wanted, *, latest: bool) -> pd.DataFrame:
    """Keep the complete analyses; the latest of every tap and stage, or all of them."""
    waters = _waters(settings, wanted)
    waters = waters.loc[ion_groups(waters).index]
    if latest:
        waters = waters.drop_duplicates(["client", "site", "sampling_point", "stage"], keep="last").iloc[::-1]
    return waters.reset_index(drop=True)


_NO_COMPLETE: Final = (
    "No complete analysis fits: it takes calcium, magnesium, sodium, alkalinity, sulfate and chloride of one sample "
    "that is not on hold."
)


def _analyses(
    title: str,
    waters: pd.DataFrame,
    told: str,
    draw: Callable[[pd.DataFrame], str],
    numbers: Callable[[pd.DataFrame], pd.DataFrame],
) -> DrawnAnswer:
    """Draw complete analyses with what the picture shows, or say why there is none."""
    if waters.empty:
        return DrawnAnswer(title, [], pd.DataFrame(), _NO_COMPLETE)
    return DrawnAnswer(title, [(told, draw(waters))], numbers(waters))


def _trilinear(settings: Settings, wanted: Wanted) -> DrawnAnswer:
    waters = _complete(settings, wanted, latest=False)
    told = (
        f"{counted(len(waters), 'complete analysis', 'complete analyses')}. Left the cations, right the anions, each "
        "as share of its side in meq/L; the field between joins both. Hollow: treated water. Construction: Piper 1944."
    )
    return _analyses("Trilinear picture", waters, told, trilinear_svg, lambda own: trilinear_table(own, _NAMES))


def _pattern(settings: Settings, wanted: Wanted) -> DrawnAnswer:
    waters = _complete(settings, wanted, latest=True)
    told = (
        "The latest of each tap; cations left, anions right, meq/L, one scale. Construction: Stiff 1951."
        f"{_cut(waters, MOST_PATTERNS)}"
    )
    return _analyses("Patterns of complete analyses", waters, told, pattern_svg, _milliequivalents)


def _semi_log(settings: Settings, wanted: Wanted) -> DrawnAnswer:
    waters = _complete(settings, wanted, latest=True)
    told = (
        "The latest of each tap, meq/L on a logarithmic scale: parallel lines are waters of the same proportions. "
        f"Construction: Schoeller 1935.{_cut(waters, LINES)}"
    )
    return _analyses("Semi-logarithmic picture", waters, told, semi_log_svg, _milliequivalents)


def _cut(waters: pd.DataFrame, most: int) -> str:
    more = len(waters) - most
    return f" {more:,} more in the table; --site or --region narrows." if more > 0 else ""


def _milliequivalents(waters: pd.DataFrame) -> pd.DataFrame:
    groups = ion_groups(waters)[list(SEMI_LOG_ORDER)].round(3).add_suffix(" meq/L")
    return waters[_NAMES].join(groups)


def _density(settings: Settings, wanted: Wanted) -> DrawnAnswer:
    waters = _waters(settings, wanted)
    names = ["total_hardness_mg_l_caco3", "alkalinity_mg_l_caco3"]
    both = waters.loc[waters["stage"] == "raw", names].dropna()
    squares = water_density(both)
    picture = density_picture(squares)
    title = "Density of raw waters"
    if picture is None:
        return DrawnAnswer(title, [], pd.DataFrame(), "No raw sample that fits has both hardness and alkalinity.")
    return DrawnAnswer(title, [(density_caption(picture), density_svg(picture))], squares)


def _map(settings: Settings, wanted: Wanted) -> DrawnAnswer:
    analyte = wanted.analytes[0] if wanted.analytes else "total_hardness"
    waters = _waters(settings, wanted)
    unit = _unit(analyte)
    title = f"Map of sites: {quantity_title(analyte)}"
    column = ANALYTES[analyte].column if analyte in ANALYTES else ""
    if column not in waters:
        return DrawnAnswer(
            title, [], pd.DataFrame(), f"A map needs a quantity with a column of its own, not {analyte}."
        )
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        register = in_force(entries(store, "site"), "site")
    found = register.reindex(columns=["client", "site", "region", *COORDINATES])
    for name, most in zip(COORDINATES, (90.0, 180.0), strict=True):
        degrees = pd.to_numeric(found[name].astype("str").str.replace(",", "."), errors="coerce")
        found[name] = degrees.where(degrees.abs() <= most)
    stages = wanted.chosen.stages or ("raw",)
    own = waters[waters["stage"].isin(stages)]
    value = own.groupby(["client", "site"])[column].agg(["median", "count"])
    value = value.rename(columns={"median": "value", "count": "samples"})
    asked = found.merge(
        value.reset_index(), on=["client", "site"], how="left" if not _narrowed(wanted.chosen) else "inner"
    )
    placed = asked.dropna(subset=list(COORDINATES)).assign(called=lambda table: table["site"]).reset_index(drop=True)
    without = len(value) - int(placed["samples"].gt(0).sum())
    if placed.empty:
        return DrawnAnswer(title, [], pd.DataFrame(), _NO_COORDINATES)
    missing = f" {counted(without, 'site')} with samples but without coordinates are not drawn." if without > 0 else ""
    told = (
        f"Median of the {', '.join(stages)} samples of each site, darker and larger the higher; classes hold equally "
        f"many sites. Dashed: around the sites of a region of the register.{missing}"
    )
    numbers = placed[["client", "site", "region", *COORDINATES, "samples", "value"]]
    return DrawnAnswer(title, [(told, site_map_svg(placed, quantity_title(analyte), unit))], numbers)


def _narrowed(chosen: Chosen) -> bool:
    return bool(chosen.client or chosen.site or chosen.region or chosen.since or chosen.until)


def _history(settings: Settings, wanted: Wanted) -> DrawnAnswer:
    if not wanted.chosen.site:
        return DrawnAnswer("History of a site", [], pd.DataFrame(), "Name the site: --site SITE.")
    everything = replace(wanted.chosen, verdicts=VERDICTS)
    waters = _waters(settings, wanted._replace(chosen=everything))
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        changes = _changes_at(store, waters, wanted.analytes or _HISTORY)
        treatments = entries(store, "treatment")
    names = wanted.analytes or _HISTORY
    readings = pd.concat([_course(waters, name) for name in names], ignore_index=True)
    title = f"History of {wanted.chosen.site}"
    if readings.empty:
        return DrawnAnswer(
            title, [], pd.DataFrame(), f"No sample of {wanted.chosen.site} has {', '.join(names)} and a time."
        )
    told = changes.reindex(columns=["kind", "analyte", "earliest", "latest", "before", "after", "evidence"])
    told = told[told["analyte"].isin(names)]
    marked = told.assign(panel=[_panel(name) for name in told["analyte"]], word=told["kind"].map(_CHANGE_WORDS))
    fitted = _fitted(treatments[treatments["site"] == wanted.chosen.site], wanted.chosen.client)
    drawn = history_svg(readings, marked, fitted, wanted.chosen.site)
    caption = "Every reading; pointing at a mark says what it is."
    evidence = told["evidence"].drop_duplicates().tolist()
    return DrawnAnswer(title, [(" ".join([caption, *evidence]), drawn)],
                   readings[["day", "quantity", "value", "stage", "called", "verdict"]])  # fmt: skip


def _changes_at(store: Store, waters: pd.DataFrame, names: tuple[str, ...]) -> pd.DataFrame:
    """Find the changes at a site; what devices read too much is told by all their readings, wherever they were used."""
    found = found_changes(observations(store, Chosen(tuple(dict.fromkeys([*TOGETHER, *names])))))
    called = {*waters["site"], *(waters["client"] + " / " + waters["site"])}
    if found.empty:
        return found
    return pd.DataFrame(found[found["site"].isin(called) & found["client"].isin(waters["client"])])


def _panel(analyte: str) -> str:
    return ", ".join(part for part in (quantity_title(analyte), _unit(analyte)) if part)


def _unit(analyte: str) -> str:
    """Give the unit of a quantity with its form, as people write it."""
    unit = quantity_unit(analyte, pd.DataFrame())
    return printed_unit(unit)


def _course(waters: pd.DataFrame, analyte: str) -> pd.DataFrame:
    column = ANALYTES[analyte].column if analyte in ANALYTES else analyte
    if column not in waters:
        return pd.DataFrame(columns=[*HISTORY_COLUMNS, "day", "quantity", "called"])
    own = waters[waters[column].notna()]
    return pd.DataFrame({
        "year": year_of(own["collected_at"]), "value": own[column], "stage": own["stage"].replace("", "raw"),
        "verdict": own["current_verdict"], "panel": _panel(analyte), "day": own["day"], "called": own["called"],
        "quantity": quantity_title(analyte),
        "title": [f"{called}, {day}, {stage}: {value:g}; {verdict}" for called, day, stage, value, verdict in
                  zip(own["called"], own["day"], own["stage"], own[column], own["current_verdict"], strict=True)],
    })  # fmt: skip


def _fitted(rows: pd.DataFrame, client: str) -> pd.DataFrame:
    """Give when something was fitted: the day that the register names."""
    own = rows[rows["client"] == client] if client else rows
    day = pd.to_datetime(own["installed_on"], errors="coerce", format="mixed")
    known = day.notna()
    return pd.DataFrame({"year": year_of(day[known]), "word": own.loc[known, "treatment"].to_numpy()})


def _control(settings: Settings, wanted: Wanted) -> DrawnAnswer:
    readings = control_readings(settings)
    points = chart_points(readings, wanted.by)
    if wanted.analytes:
        points = points[points["analyte"].isin(wanted.analytes)]
    title = f"Control charts by {wanted.by}"
    if points.empty:
        return DrawnAnswer(title, [], pd.DataFrame(), "The store has no standard whose true value its label says.")
    drawable = points[["analyte", "group"]].drop_duplicates()
    grave = control_charts(readings, wanted.by)[["analyte", "group"]].merge(drawable)
    charts = dict(tuple(points.groupby(["analyte", "group"])))
    keys = list(grave.head(_CHARTS).itertuples(index=False, name=None))
    drawn = [("", control_chart_svg(charts[key], settings.language)) for key in keys]
    more = len(grave) - len(keys)
    cut = f" {counted(more, 'more chart')}, none of them graver, in the table; --analyte narrows." if more else ""
    drawn[0] = (_CONTROL_WORDS + cut, drawn[0][1])
    return DrawnAnswer(title, drawn, _figures(points))


def _figures(points: pd.DataFrame) -> pd.DataFrame:
    """Give what the charts are drawn from, a reading a row."""
    told = points.assign(
        quantity=[quantity_title(name) for name in points["analyte"]], day=points["on"].astype("str").str[:10]
    )
    limits = ["warning_low", "warning_high", "action_low", "action_high"]
    return told[["quantity", "group", "day", "called", "value", "average", "rule", *limits]]


PICTURE_KINDS: Final[dict[str, tuple[str, Callable[[Settings, Wanted], DrawnAnswer]]]] = {
    "trilinear": ("complete analyses as shares of their ions", _trilinear),
    "pattern": ("the outline of each complete analysis", _pattern),
    "semi-log": ("ions on a logarithmic scale", _semi_log),
    "density": ("raw waters in hardness and alkalinity with the published profiles", _density),
    "map": ("sites by value from their coordinates", _map),
    "history": ("a site through the years", _history),
    "control": ("control charts of standards", _control),
}
