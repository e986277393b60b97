"""The templates of the pages."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

TEMPLATES = Path(__file__).parent.parent.parent / "pipeline" / "report" / "templates"
STYLES = sorted(TEMPLATES.glob("*.css"))


def test_every_page_has_its_style() -> None:
    assert [path.name for path in STYLES] == ["client.css", "summary.css"]


@pytest.mark.parametrize("path", STYLES, ids=lambda path: path.name)
def test_every_brace_of_a_style_sheet_is_closed_within_two_levels(path: Path) -> None:
    """An @media that is not closed takes all the rules after it with it; rules are not nested."""
    depth, levels = 0, []
    for brace in re.findall(
        r"[{}]", re.sub(r'"[^"]*"|/\*.*?\*/', "", path.read_text(encoding="utf-8"), flags=re.DOTALL)
    ):
        depth += 1 if brace == "{" else -1
        levels.append(depth)

    assert depth == 0
    assert min(levels) == 0
    assert max(levels) <= 2


def test_the_page_for_the_client_is_one_column_on_a_phone() -> None:
    """Two columns of 150 pixels cannot be read: what stands in columns beside others does not below 44 rem."""
    style = (TEMPLATES / "client.css").read_text(encoding="utf-8")
    narrow = style.partition("@media screen and (max-width:44rem){")[2].partition("}}")[0]

    on_screen = re.sub(r"@media print\{.*?\}\}", "", style)
    columned = {rule.strip() for rule in re.findall(r"([^{}]+)\{[^}]*columns:2", on_screen)}
    assert columned == {rule for rule in columned if re.search(re.escape(rule) + r"[^{}]*\{columns:auto", narrow)}
    assert "td{display:flex" in narrow
