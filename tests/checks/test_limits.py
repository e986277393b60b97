"""A check takes the limits of its own subject; the others keep their defaults."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from pipeline.checks.hardness import HardnessLimits
from pipeline.checks.kits import KitLimits
from pipeline.checks.limits import Limits
from pipeline.checks.registry import CHECKS, check, run_check

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.checks.columns import Cases
    from pipeline.normalise.sample_table import SampleTable


def test_limits_that_were_chosen_stand_in_for_their_own_defaults_only() -> None:
    limits = Limits((HardnessLimits(relative=0.2),))

    assert limits.of(HardnessLimits) == HardnessLimits(relative=0.2)
    assert limits.of(KitLimits) == KitLimits()
    assert hash(limits) == hash(Limits((HardnessLimits(relative=0.2),)))


def test_a_check_judges_by_the_limits_that_were_chosen(table_of: Callable[..., SampleTable]) -> None:
    """By the molar masses 80 mg/L Ca and 12 mg/L Mg are 249 mg/L as CaCO3; 300 is 20 % off."""
    samples = table_of(total_hardness_mg_l_caco3=[300.0], calcium_mg_l=[80.0], magnesium_mg_l=[12.0])

    strict, _ = run_check(CHECKS["hardness-sum"], samples, Limits())
    lenient, _ = run_check(CHECKS["hardness-sum"], samples, Limits((HardnessLimits(relative=0.3),)))

    assert (len(strict), len(lenient)) == (1, 0)


def test_two_checks_of_one_name_are_a_fault_of_the_program() -> None:
    with pytest.raises(ValueError, match="hardness-sum"):

        @check("hardness-sum", title="", source="CP", severity="note", message="")
        def _twin(samples: SampleTable) -> Cases:  # pragma: no cover
            raise NotImplementedError(samples)
