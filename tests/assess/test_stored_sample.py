"""A sample of the store, assessed as it stands: with its kit, its decisions and its findings."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from pipeline.errors import KettlestoneError
from pipeline.report.terminal.assess import assess_text
from pipeline.settings import Settings
from pipeline.store.database import Store

if TYPE_CHECKING:
    from types import ModuleType


def _building() -> ModuleType:
    """Import the builders of the store's tests by their place."""
    path = Path(__file__).parents[1] / "store" / "building.py"
    spec = importlib.util.spec_from_file_location("store_building", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # a dataclass looks itself up there
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    building = _building()
    path = tmp_path / "s.duckdb"
    readings = [
        *((sample, "total_hardness", 314.7) for sample in ("a", "b")),
        *((sample, "alkalinity", 260.0) for sample in ("a", "b")),
    ]
    with Store(path) as store:
        samples = building.samples(
            [{"sample_id": "a", "label": "bar", "machine": "HX"}, {"sample_id": "b", "label": "flat"}]
        )
        held = building.findings([{"sample_id": "b", "analyte": "alkalinity", "severity": "hold"}])
        building.write(store, building.batch(samples=samples, readings=building.readings(readings), findings=held))
    return Settings(store=path)


@pytest.mark.source("PLANTABLE")
def test_a_stored_sample_is_found_by_its_label(settings: Settings) -> None:
    """315/260 at 125 °C drops 225 mg per litre by the planning rule; at 123.4 °C a little less."""
    data = json.loads(assess_text(settings, "bar", as_json=True))
    planned = {row["quantity"]: row["value"] for row in data["quantities"]}

    assert {row["machine"] for row in data["verdicts"]} == {"heat exchanger"}
    assert planned["planning_scale_steam"] == pytest.approx(224.5, abs=1.0)
    assert "heavy scale" in assess_text(settings, "a")


def test_a_held_sample_is_not_assessed(settings: Settings) -> None:
    assert "not assessed: data on hold" in assess_text(settings, "flat")


def test_an_unknown_sample_is_an_error(settings: Settings) -> None:
    with pytest.raises(KettlestoneError):
        assess_text(settings, "none")
