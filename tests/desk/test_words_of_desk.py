"""The pages in English and German."""

from __future__ import annotations

import re
import string
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.deciding import ACTIONS
from pipeline.desk.answering import USUAL_REASONS
from pipeline.desk.app import create_desk
from pipeline.report.terminal.control import RULES
from pipeline.report.wording import VERDICT_WORDS
from pipeline.settings import Settings
from pipeline.store.questions import named_queries
from pipeline.words.labels import labels
from schemas.columns import ANALYTES, STAGES

if TYPE_CHECKING:
    from collections.abc import Callable

    from tests.desk.conftest import Visitor

ROOM = Path(create_desk(Settings(), "").root_path)
REPORT = ROOM.parent / "report"
# Of the summary, as page and on the terminal, and of what the terminal says of findings, causes, answers and charts.
SUMMARY = ("summary.html", "assessment.html", "cause.html", "chart.svg")
SAID = (
    "wording", "causes", "batch/work_list", "batch/coverage", "batch/chart", "pictures/control", "terminal/summary",
    "terminal/findings", "terminal/explain", "terminal/decisions", "terminal/control", "terminal/history",
)  # fmt: skip
_PLURAL = re.compile(r"""plural\([^"]*"([^"]*)", "([^"]*)\"""")
_CALL = re.compile(r"""\b(?:t|label|label_in)\(\s*(?:"([^"]*)"|'([^']*)')""")
_COUNTED = re.compile(r'"([^"\n]*\{n\} [^"\n]*)"')  # sentences about so many things
_LISTED = re.compile(r'\("[a-z]+", "([^"]+)"\)')  # pairs that a template goes through
_REFUSED = re.compile(r'abort\(\d+, "([^"]*)"')


def texts() -> set[str]:
    """Gather every text that a page says: of the templates, of the modules, and the words of codes."""
    of_report = [*(REPORT / f"templates/{name}.j2" for name in SUMMARY), *(REPORT / f"{name}.py" for name in SAID)]
    sources = [path.read_text(encoding="utf-8") for path in [*ROOM.rglob("*.html"), *ROOM.glob("*.py"), *of_report]]
    found = {one or other for text in sources for one, other in _CALL.findall(text)}
    found |= {text for source in sources for text in _REFUSED.findall(source)}
    found |= {text for source in sources for pair in _PLURAL.findall(source) for text in pair}
    found |= {text for source in sources for text in _COUNTED.findall(source)}
    found |= {text for path in ROOM.rglob("*.html") for text in _LISTED.findall(path.read_text(encoding="utf-8"))}
    found |= {*VERDICT_WORDS.values(), *ACTIONS, *RULES.values(), *USUAL_REASONS.values()}
    found |= {*named_queries().values()}
    found |= {stage.replace("_", " ") for stage in STAGES} | {analyte.title for analyte in ANALYTES.values()}
    return {text for text in found if text.strip() == text}


def test_german_says_everything_with_the_same_values() -> None:
    german = labels("de")

    assert sorted(texts() - german.keys()) == []
    for english, words in german.items():
        assert _fields(english) == _fields(words), english


def test_every_ink_can_be_read_on_every_paper() -> None:
    """WCAG 2.2, 1.4.3: at least 4.5 to 1 between the relative luminances of ink and paper."""
    style = (ROOM / "static" / "desk.css").read_text(encoding="utf-8")
    colours = dict(re.findall(r"--(\w+):(#[0-9a-f]{3,6})", style))
    inks = [colours[name] for name in ("ink", "soft", "hold", "reject", "note", "ok", "unjudged")]

    for ink in [*inks, *re.findall(r"[;{]color:(#[0-9a-f]{3,6})", style)]:
        for paper in (colours[name] for name in ("paper", "wash", "mark")):
            light, dark = sorted((_luminance(ink), _luminance(paper)), reverse=True)
            assert (light + 0.05) / (dark + 0.05) >= 4.5, (ink, paper)


def _luminance(colour: str) -> float:
    digits = colour[1:] if len(colour) == 7 else "".join(2 * digit for digit in colour[1:])
    parts = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _fields(text: str) -> set[str | None]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def test_a_german_desk_is_german(desk_of: Callable[..., Visitor]) -> None:
    visitor = desk_of(language="de")

    for address in ("/", "/findings", "/upload", "/enter", "/sites", "/control", "/questions", "/history"):
        page = visitor.text(address)
        assert '<html lang="de">' in page
        for english in ("Batches", "Findings", "Sites", "Upload", "Questions", "History", "wait for an answer"):
            assert f">{english}<" not in page
