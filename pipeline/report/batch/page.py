"""The summary page of a batch: one self-contained HTML file without scripts."""

from __future__ import annotations

from functools import cache, partial
from typing import TYPE_CHECKING, Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipeline.explain.suspicion import KNOWN_CHECKS
from pipeline.report import causes
from pipeline.report.batch import chart
from pipeline.report.compiled import BesideModules
from pipeline.report.judgement import check_said
from pipeline.report.sentences import decimal_marks
from pipeline.report.wording import CAUTION, MEANINGS, SIGNS, VERDICT_WORDS, batch_headline, controls, lead
from pipeline.words.labels import label_in, plural_in

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

INKS: Final[dict[str, str]] = {
    "ok": "#2f5d3a",
    "unjudged": "#5b4a8a",
    "note": "#2b5c7c",
    "hold": "#9a4a00",
    "reject": "#8c1438",
}


@cache
def environment() -> Environment:
    """Give the template environment: everything is escaped, an unknown name is an error."""
    made = Environment(
        loader=PackageLoader("pipeline.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        bytecode_cache=BesideModules(),
    )
    made.filters["cause"] = causes.cause_line
    made.filters["marks"] = decimal_marks
    made.filters["number"] = causes.significant
    made.filters["basename"] = file_name
    return made


def label_of(language: str, text: str, /, **values: object) -> str:
    """Give a text of a page in its language."""
    return label_in(text, language, **values)


def plural_of(language: str, number: int, one: str, many: str, /, **values: object) -> str:
    """Say a sentence of a page about {n} things."""
    return plural_in(number, one, many, language, **values)


def file_name(path: str) -> str:
    """Leave out the folders of a file's name."""
    return path.rpartition("/")[2]


def batch_page(summary: Mapping[str, Any], samples: pd.DataFrame, blocks: Sequence[str] = ()) -> str:
    """Render the page.

    Parameters
    ----------
    summary : as ``report.summary.summarise`` gives it.
    samples : the samples, for the chart.
    blocks : further sections, already rendered (the machine assessments).
    """
    language = str(summary["language"])
    template = environment().get_template("summary.html.j2")
    return template.render(
        s=summary,
        language=language,
        t=partial(label_of, language),
        plural=partial(plural_of, language),
        headline=batch_headline(summary),
        lead=lead(summary),
        controls=controls(summary),
        signs=SIGNS,
        meanings=MEANINGS,
        words=VERDICT_WORDS,
        caution=CAUTION,
        titles={check_id: check_said(check_id, language) for check_id in KNOWN_CHECKS},
        chart=chart.hardness_alkalinity(samples, language),
        inks=INKS,
        width=chart.WIDTH,
        height=chart.HEIGHT,
        left=chart.LEFT,
        right=chart.RIGHT,
        top=chart.TOP,
        bottom=chart.BOTTOM,
        blocks=[Markup(block) for block in blocks],  # noqa: S704 - rendered by this module's own templates
    )
