"""The clock of the machine is set back between two runs: what was said last still counts."""

from __future__ import annotations

import json
from datetime import datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from click.testing import CliRunner

from pipeline.cli import main
from pipeline.store.batches import batch_ledger
from pipeline.store.database import Store
from pipeline.store.earlier import earlier_register

if TYPE_CHECKING:
    import pytest

HEADINGS = "Sample,Client,Site,Date,pH,Total hardness (mg/L CaCO3),Alkalinity (mg/L CaCO3),Conductivity (µS/cm)\n"
CLOCKS = ("pipeline.intake", "pipeline.commands.decide", "pipeline.commands.registers")
WHO = ("--by", "A. Smith", "--why", "seen")


def set_clock(monkeypatch: pytest.MonkeyPatch, day: int) -> None:
    class Clock(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override] - any moment will do
            return datetime(2026, 6, day, 12, tzinfo=tz)

    for module in CLOCKS:
        monkeypatch.setattr(f"{module}.datetime", Clock)


def run(folder: Path, *words: str) -> Any:  # noqa: ANN401 - JSON, or text
    where = ["--store", str(folder / "out" / "kettlestone.duckdb")]
    done = CliRunner().invoke(main, [*words, *where])
    assert done.exit_code in (0, 1), done.output
    return json.loads(done.stdout) if "--json" in words else done.stdout


def test_what_comes_last_counts_though_its_clock_says_that_it_was_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Corrections of readings and of facts, entries of the register, registers of files, and the latest batch."""
    out = ["--out", str(tmp_path / "out")]
    for number, (day, value, point, fitted, supply) in enumerate(
        [(20, "7.4", "kitchen", "decarboniser", "well"), (10, "7.5", "bar", "softener", "mains")], start=1
    ):
        set_clock(monkeypatch, day)
        folder = tmp_path / str(number)
        folder.mkdir()
        (folder / "kit.csv").write_text(f"{HEADINGS}A-{number},C,S,2026-05-0{number},74,250,200,5260\n", "utf-8")
        (folder / "sites.csv").write_text(f"client,site,country,treatment\nC,S,DE,{fitted}\n", "utf-8")
        run(tmp_path, "intake", str(folder), *out)
        # Two findings about the pH, and two about the conductivity, of the first sample.
        run(tmp_path, "decide", str(number), "correct", "--analyte", "ph", "--value", value, *WHO)
        run(tmp_path, "decide", str(2 + number), "correct", "--point", point, *WHO)
        run(tmp_path, "site", "set", "S", "--supply", supply, *WHO)

    sql = "SELECT ph, sampling_point FROM v_sample WHERE label = 'A-1'"
    assert run(tmp_path, "query", sql, "--json") == [{"ph": 7.5, "sampling_point": "bar"}]
    [site] = run(tmp_path, "site", "list", "--json")
    assert (site["treatment"], site["supply"]) == ("softener", "mains")
    latest = run(tmp_path, "summary", "latest", *out, "--json")
    assert [Path(one["name"]).parent.name for one in latest["files"]] == ["2", "2"]
    with Store(tmp_path / "out" / "kettlestone.duckdb", read_only=True) as store:
        assert list(batch_ledger(store, 9)["batch_id"].str[:8]) == ["20260610", "20260620"]
        assert earlier_register(store, "site")["treatment"].tolist() == ["softener"]
