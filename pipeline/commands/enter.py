"""`enter`: a visit typed in, judged and advised on at once."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from pipeline.commands.options import JSON, LANGUAGE, settings
from pipeline.entry.asking import asked_readings
from pipeline.entry.taking import kept_or_tried, last_visits, place_of, take
from pipeline.entry.typed import METERED, POINTS, TITRATED
from pipeline.entry.visit import remarks_on, typed_visit
from pipeline.kits import named_kit
from pipeline.report.terminal.entered import entered_json, entered_text
from pipeline.site.machines import machines_of
from pipeline.visible import echo

if TYPE_CHECKING:
    from pipeline.settings import Settings


@click.command
@click.argument("site")
@click.option("--hardness", help="Drops counted, or a value with its unit: 9, 160mg/L, 9°dH.")
@click.option("--alkalinity", help="Drops counted, or a value with its unit.")
@click.option("--kit", help="Whose drops; see kettlestone kit list [the setting kit].")
@click.option("--volume-used", default="", help="Sample volume used, mL [what the kit is made for].")
@click.option("--point", type=click.Choice(POINTS), default="raw", help="Where the water was drawn [raw].")
@click.option("--ec", help="Conductivity at 25 °C, µS/cm.")
@click.option("--tds", help="Dissolved solids of a pen, ppm.")
@click.option("--ph", help="pH.")
@click.option("--temperature", help="Of the water, °C.")
@click.option("--chlorine", help="Free chlorine, mg/L.")
@click.option("--chloride", help="Chloride, mg/L.")
@click.option("--date", "on", default="", help="Day of the visit, YYYY-MM-DD [today].")
@click.option("--client", default="", help="Whose site it is.")
@click.option("--machine", default="", help="The machine, for example: dual boiler.")
@click.option("--litres", default="", help="Litres a day.")
@click.option("--counter", default="", help="Litres the water counter shows.")
@click.option("--note", default="", help="Anything else worth keeping.")
@click.option("--preview", is_flag=True, help="Judge and advise, but store nothing.")
@LANGUAGE
@settings
@JSON
def command(site: str, settings: Settings, as_json: bool, preview: bool, **typed: Any) -> None:  # noqa: ANN401 - the options by name
    """Enter a visit to a SITE; verdict and advice come at once.

    Without readings it asks for them one after the other, with the last visit beside each. What is typed is kept
    as a kit sheet of one line. A site that nobody knows is made.

    \b
    kettlestone enter "Corner cafe" --hardness 9 --alkalinity 6
    kettlestone enter TF-1 --point treated --hardness 7 --alkalinity 3 --ec 335 --ph 6,6
    kettlestone enter TF-1 --hardness 9 --alkalinity 6 --volume-used 5 --preview
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    now = datetime.now(UTC)
    kit = named_kit(settings.kit, settings.kits)
    place = place_of(settings, site, typed["client"])
    given = {word: typed[word] for word in (*TITRATED, *METERED) if typed[word] is not None}
    if not given and sys.stdin.isatty():
        given = asked_readings(last_visits(settings, place, typed["point"]), kit, given)
    visit = typed_visit({**typed, **given}, kit, now, machines_of(settings))
    with kept_or_tried(settings, preview=preview) as own:
        entered = take(own, place, visit, kit)
        advised = "" if visit.point == "bottled" else place.site.name
        worded = entered_json if as_json else entered_text
        remarks = [*remarks_on(place, entered.again), *(["A preview: nothing was stored."] if preview else [])]
        answer = worded(own, entered.sample_id, advised, remarks, now, settings.language)
    echo(answer.text)
    if answer.trouble:
        echo(f"kettlestone: {answer.trouble}", err=True)
    raise SystemExit(answer.exit_code)
