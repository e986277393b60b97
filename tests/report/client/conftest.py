"""Fixtures of the tests of the client's page: sites put together by hand, without a store."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import ModuleType

    from pipeline.site.answer import SiteAnswer
    from pipeline.site.record import Site
    from pipeline.site.visit import Visit
    from pipeline.treat.advice import Advice


def _building() -> ModuleType:
    """Import the builders by their place."""
    path = Path(__file__).parents[2] / "site" / "building.py"
    spec = importlib.util.spec_from_file_location("site_building", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


BUILDING = _building()


@pytest.fixture(scope="session")
def visit() -> Callable[..., Visit]:
    """Give the builder of samples."""
    builder: Callable[..., Visit] = BUILDING.make_visit
    return builder


@pytest.fixture(scope="session")
def site() -> Callable[..., Site]:
    """Give the builder of sites."""
    builder: Callable[..., Site] = BUILDING.make_site
    return builder


@pytest.fixture(scope="session")
def advice() -> Callable[..., Advice]:
    """Give the builder of advice."""
    builder: Callable[..., Advice] = BUILDING.make_advice
    return builder


@pytest.fixture(scope="session")
def report() -> Callable[..., SiteAnswer]:
    """Give the builder of answers."""
    builder: Callable[..., SiteAnswer] = BUILDING.make_answer
    return builder
