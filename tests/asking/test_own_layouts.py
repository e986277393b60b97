"""A layout of one's own: proposed with the units the file proves, kept for its shape, told where it does not fit."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from click.testing import CliRunner

from pipeline.cli import main

if TYPE_CHECKING:
    from pathlib import Path

# 2.497 mg CaCO3 per mg Ca and 4.118 per mg Mg [APHA2340B]: 80 and 12 make 249.2, 90 and 14 make 282.4.
LIST = "Sample,pH,Calcium (mg/L),Magnesium (mg/L),Hardness,Sodium\nA,7.6,80,12,249,15\nB,7.5,90,14,282,16\n"


def run(folder: Path, *words: str) -> Any:  # noqa: ANN401 - click's result
    """Run a command with the store of a folder."""
    return CliRunner().invoke(main, list(words), env={"HOME": str(folder)})


def intake(folder: Path, text: str, name: str, *options: str) -> dict[str, Any]:
    """Take a file in and give the summary."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    done = run(folder, "intake", str(path), "--json", "--out", str(folder / "out"), "--by", "A. Smith", *options)
    assert done.exit_code in (0, 1, 2), done.output
    summary: dict[str, Any] = json.loads(done.stdout)
    return summary


def notices(summary: dict[str, Any], code: str) -> list[str]:
    """Give the messages of one kind."""
    return [row["message"] for row in summary["notices"] if row["problem"] == code]


def test_a_proposal_states_the_unit_that_is_shown_and_asks_for_the_other(tmp_path: Path) -> None:
    (tmp_path / "list.csv").write_text(LIST, encoding="utf-8")
    target = tmp_path / "mine" / "list.json"

    done = run(tmp_path, "layout", "propose", str(tmp_path / "list.csv"), "--out", str(target))

    written = json.loads(target.read_text(encoding="utf-8"))
    assert written["units"] == {"total_hardness": "mg/L as CaCO3"}
    assert list(written["confirmUnits"]) == ["sodium"]
    assert "mg/L as CaCO3 fits (likely): hardness " in done.stdout
    refused = run(tmp_path, "intake", str(tmp_path / "list.csv"), "--layouts", str(target.parent))
    assert refused.exit_code == 2


def test_a_confirmed_layout_is_kept_for_the_next_file_of_its_shape(tmp_path: Path) -> None:
    layouts = tmp_path / "mine"
    layouts.mkdir()
    described = {"name": "mine", "units": {"total_hardness": "mg/L as CaCO3", "sodium": "mg/L"}, "fields": []}
    (layouts / "mine.json").write_text(json.dumps(described), encoding="utf-8")

    first = intake(tmp_path, LIST, "one.csv", "--layouts", str(layouts))
    second = intake(tmp_path, LIST.replace("A,", "C,").replace("B,", "D,"), "two.csv")
    listed = run(tmp_path, "layout", "remembered", "--store", str(tmp_path / "out" / "kettlestone.duckdb"), "--json")

    assert (first["entries"]["set_aside"], second["entries"]["set_aside"]) == (0, 0)
    assert "by A. Smith for this shape" in notices(second, "shape-known")[0]
    assert [one["layouts"] for one in json.loads(listed.stdout)] == [["mine"]]


def test_a_layout_that_names_a_column_or_a_sheet_that_is_not_there_says_so(tmp_path: Path) -> None:
    layouts = tmp_path / "mine"
    layouts.mkdir()
    fields = [{"name": "Hardness", "analyte": "total_hardness"}, {"name": "Natriumm", "analyte": "sodium"}]
    described: dict[str, Any] = {"name": "mine", "fields": fields}
    (layouts / "mine.json").write_text(json.dumps(described), encoding="utf-8")
    used = intake(tmp_path, LIST, "one.csv", "--layouts", str(layouts))
    (layouts / "mine.json").write_text(json.dumps({**described, "sheet": "Data"}), encoding="utf-8")

    other = intake(tmp_path, LIST.replace("A,", "C,"), "two.csv", "--layouts", str(layouts))

    assert 'was used, but names the column "Natriumm", which' in notices(used, "layout-names-absent")[0]
    told = notices(other, "layout-names-absent")[0]
    assert 'was not used: it names the sheet "Data" (the file has no sheets) and the column "Natriumm"' in told
