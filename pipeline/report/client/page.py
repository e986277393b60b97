"""The client report as one printable page: HTML without scripts, or PDF where WeasyPrint is installed."""

from __future__ import annotations

import io
import math
import re
from typing import TYPE_CHECKING, Any, Final, NoReturn

from markupsafe import Markup

from pipeline import __version__
from pipeline.assess.planning import MOST_C
from pipeline.errors import KettlestoneError
from pipeline.reference import table
from pipeline.report.batch.page import environment
from pipeline.report.client import advice_text, sentences
from pipeline.report.client import chart as client_chart
from pipeline.report.client import table as client_table
from pipeline.report.client.course import course_heads, course_rows
from pipeline.report.client.letterhead import Letterhead, unbroken
from pipeline.report.client.units import MG_L, figure
from pipeline.site.record import ALKALINITY, HARDNESS
from pipeline.visible import visible
from pipeline.words import DECIMAL_COMMA

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.report.client.sentences import Voice
    from pipeline.site.answer import SiteAnswer
    from pipeline.site.record import Site
    from pipeline.site.water import SiteWater

# Behind every page: scale; the profile adds its own. How we know a source is for the consultant, not for the client.
_ALWAYS: Final = ("PB1982", "PB1991")
_PRACTICE: Final = "CP"
_REMARK: Final = re.compile(r" \([^)]*(?:seen|quoted)[^)]*\)|; [^;]*(?:seen|quoted)[^;]*$")  # of how we know a source
_MOST_CITED: Final = 12


def client_page(report: SiteAnswer, voice: Voice, letterhead: Letterhead | None = None) -> str:
    """Render the page.

    Parameters
    ----------
    report : what it says.
    voice : language and unit.
    letterhead : of the consultant; None for none.

    Returns
    -------
    HTML, everything escaped; one A4 sheet for an ordinary site: what is found and advised in front, what is not
    known, the cautions that go for every such site and the sources on its back.
    """
    now, rows = report.now, client_table.client_rows(report, voice)
    place = report.site.name.name or voice.say("report.unnamed")
    here, general = advice_text.parted_cautions(report, voice)
    page = {
        "language": voice.language,
        "words": _Words(voice),
        "place": place,
        "title": voice.headed(voice.say("report.title"), place),
        "facts": _facts(report.site, voice),
        "cup": [] if now is None else sentences.cup(now, voice),
        "machine": [] if now is None else sentences.machine(now, voice),
        "about": "" if now is None else sentences.which_water(report, voice),
        "columns": [_head(kind, report.site) for kind, _ in client_table.columns(report)],
        "brews": report.site.machine.brews,
        "rows": rows,
        "caption": _caption(report, rows, voice),
        "changes": sentences.changes(report, voice),
        "chart": _chart(report, voice),
        "scale": [] if now is None else sentences.scale_places(report, now, voice),
        "limits": [] if now is None else sentences.metal_limits(now, voice, serious=False),
        "advice": advice_text.told(report, voice),
        "course": course_rows(report, voice),
        "course_heads": course_heads(voice),
        "unknown": sentences.unknown(report, voice),
        "cautions_here": here,
        "cautions": general,
        "citations": _citations(report),
        "head": letterhead or Letterhead(),
        "made": voice.say("report.made", day=voice.day(report.today), version=__version__),
    }
    return unbroken(visible(environment().get_template("client.html.j2").render(page)))


class _Words:
    """Headings for the template, by the last part of their code."""

    def __init__(self, voice: Voice) -> None:
        self._voice = voice

    def __call__(self, code: str) -> str:
        return self._voice.say(f"report.{code}")


def _caption(report: SiteAnswer, rows: Sequence[client_table.ClientRow], voice: Voice) -> str:
    if not report.site.machine.brews:
        first = voice.say("report.table.caption_machine")
    else:
        first = voice.say("report.table.caption", profile=voice.named("profile", report.profile.name))
    beyond = any(cell.machine_sign for row in rows for cell in row.cells)
    first = f"{first} {voice.say('report.table.machine_signs')}" if beyond else first
    return first if voice.unit.sign == MG_L else f"{voice.say('report.table.brackets')} {first}"


def _bottled(site: Site) -> bool:
    return site.raw is not None and site.raw.stage == "bottled"


def _head(kind: str, site: Site) -> str:
    """Name the column of a water: the first is not always raw."""
    return "bottled" if kind == "raw" and _bottled(site) else kind


def _facts(site: Site, voice: Voice) -> list[str]:
    first = "bottled" if _bottled(site) else "raw"
    samples = ((f"report.where.{first}", site.raw), ("report.where.treated", site.treated))
    lines = [voice.say(code, sample=voice.sample(visit)) for code, visit in samples if visit is not None]
    machine = voice.named("machine_name", site.machine.name)
    litres = site.fitted.litres
    used = "" if math.isnan(litres) else voice.say("report.where.litres", litres=figure(litres, 0, voice.language))
    lines.append(", ".join(part for part in (voice.say("report.where.machine", machine=machine), used) if part))
    if site.fitted.treatment:
        fitted = voice.told(advice_text.title(site.fitted.treatment))
        lines.append(voice.say("report.where.fitted", treatment=fitted))
    return lines


def _chart(report: SiteAnswer, voice: Voice) -> Markup | None:
    heat = max(part.temperature_c for part in report.site.machine.parts)
    waters = client_table.columns(report)
    words = {kind: voice.say(f"report.chart.{kind}") for kind in ("raw", "treated", "expected", "cup", "title")}
    words["scale"] = voice.say("report.chart.scale", heat=figure(min(heat, MOST_C), 0, voice.language))
    drawn = client_chart.draw(waters, words, report.profile, heat, voice.unit)
    if drawn is None:
        return None
    words |= {
        "x": voice.say("report.chart.x", unit=voice.unit.sign),
        "y": voice.say("report.chart.y", unit=voice.unit.sign),
        "desc": voice.say("report.chart.desc", points=" ".join(_point(kind, water, voice) for kind, water in waters)),
    }
    geometry: dict[str, Any] = {
        "width": client_chart.WIDTH,
        "height": client_chart.HEIGHT,
        "left": client_chart.LEFT,
        "right": client_chart.RIGHT,
        "top": client_chart.TOP,
        "bottom": client_chart.BOTTOM,
        "x_labels": [
            (x, f"{tick:g}".replace(".", "," if voice.language in DECIMAL_COMMA else ".")) for x, tick in drawn.x_ticks
        ],
        "y_labels": [
            (y, f"{tick:g}".replace(".", "," if voice.language in DECIMAL_COMMA else ".")) for y, tick in drawn.y_ticks
        ],
    }
    picture = environment().get_template("client_chart.svg.j2").render(chart=drawn, words=words, **geometry)
    return Markup(picture)  # noqa: S704 - rendered by this module's own template, which escapes


def _point(kind: str, water: SiteWater, voice: Voice) -> str:
    hardness, alkalinity = (
        voice.reading(name, client_chart.reach(water, name)[1], water.spread[name]) for name in (HARDNESS, ALKALINITY)
    )
    return voice.say(
        "report.chart.point",
        name=voice.say(f"report.chart.{kind}"),
        hardness=hardness,
        alkalinity=alkalinity,
        unit=voice.unit.sign,
    )


def _citations(report: SiteAnswer) -> list[tuple[str, str]]:
    known = table("sources").set_index("key")["citation"]
    keys = dict.fromkeys([*(band.source for band in report.profile.bands), *_ALWAYS])
    cited = [(key, _REMARK.sub("", str(known.get(key, key)))) for key in keys if key != _PRACTICE]
    return cited[:_MOST_CITED]


def pdf(page: str) -> bytes:
    """Print a page to PDF.

    Parameters
    ----------
    page : HTML as ``render`` gives it.

    Raises
    ------
    KettlestoneError : WeasyPrint, the optional extra `pdf`, is not installed or cannot run here.
    """
    try:
        import weasyprint  # noqa: PLC0415 - an extra; heavy
    except (ImportError, OSError) as error:
        raise KettlestoneError(
            "a PDF needs WeasyPrint, which is not installed here.\n  Nothing was written.\n"
            "  Install kettlestone[pdf], or write --out FILE.html and print it from a browser."
        ) from error
    target = io.BytesIO()
    weasyprint.HTML(string=page, url_fetcher=_fetch_nothing).write_pdf(target)
    return target.getvalue()


def _fetch_nothing(url: str) -> NoReturn:
    """Refuse every address: a page holds all that belongs to it."""
    raise ValueError(f"a page fetches nothing, and {url} was asked for")
