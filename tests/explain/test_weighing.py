"""What is told of samples does not depend on the portions in which they are weighed and put into words."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
import pytest

from pipeline.checks.limits import Limits
from pipeline.chemistry.conductance import expected
from pipeline.prove import prove
from pipeline.stages import Silent

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.normalise.sample_table import SampleTable
    from pipeline.prove import Proof

SIZES = {
    "pipeline.explain.weighing._SAMPLES_AT_ONCE": 13,
    "pipeline.explain.patterns._ROWS_AT_ONCE": 14,
    "pipeline.explain.search._SAMPLES_AT_ONCE": 7,
    "pipeline.explain.rank._WORDED_AT_ONCE": 11,
    "pipeline.explain.conviction._SAMPLES_AT_ONCE": 5,
    "pipeline.explain.conviction.WORTHWHILE": 1,
}


class Judged(NamedTuple):
    """A table and what it gives in one piece."""

    table: SampleTable
    whole: Proof


@pytest.fixture(scope="module")
def mixed(waters: Callable[..., SampleTable]) -> Judged:
    """Give three files: a wrong heading throughout, a mistake in some rows, pairs of bottles."""
    draw = np.random.default_rng(11)
    size = 36
    medians = {"ca": 60.0, "mg": 10.0, "na": 12.0, "k": 2.0, "cl": 15.0, "so4": 20.0, "no3": 8.0}
    ions = {name: value * np.exp(draw.normal(0, 0.35, size)) for name, value in medians.items()}
    cations = ions["ca"] / 20.039 + ions["mg"] / 12.153 + ions["na"] / 22.990 + ions["k"] / 39.098
    ions["hco3"] = (cations - ions["cl"] / 35.453 - ions["so4"] / 48.031 - ions["no3"] / 62.005) * 61.017
    ions["th"] = 2.497 * ions["ca"] + 4.118 * ions["mg"]
    exact = waters(**{name: values.tolist() for name, values in ions.items()}).filled
    ions["ec"] = expected(exact)["conductivity_us_cm_25c"].to_numpy(copy=True)
    ions["hco3"][:12] /= 1.21928  # headed HCO3, given as CaCO3
    ions["ec"][12:24:3] *= 0.1
    ions["ca"][13:24:3] *= 10.0
    ions["cl"][13:24:6] *= 10.0  # two mistakes
    ions["th"][25::4] *= 0.03  # behind a softener
    ions["na"][25::4] += 46.0
    ions["th"][[28, 29]] = ions["th"][[29, 28]]  # exchanged labels
    names = np.repeat(["a" * 64, "b" * 64, "c" * 64], 12)
    about = {
        "file_sha256": names.tolist(),
        "client": "c",
        "site": [f"s{place // 2}" for place in range(size)],
        "stage": ["raw", "treated"] * (size // 2),
        "treatment": "softener",
        "collected_at": "2025-03-01",
    }
    table = waters(**about, **{name: values.tolist() for name, values in ions.items()})
    return Judged(table, proved(table))


def proved(table: SampleTable) -> Proof:
    return prove(table, Limits(), lambda checked: np.ones(len(checked.verdict), dtype="bool"), Silent())


@pytest.mark.common_practice
def test_the_waters_hold_patterns_pairs_and_two_mistakes(mixed: Judged) -> None:
    causes = mixed.whole.causes

    assert causes is not None
    told = set(causes.explanations["mistake"])
    assert {"wrong-basis", "factor-ten", "swapped-samples"} <= told
    assert causes.explanations["pattern"].any()


@pytest.mark.common_practice
@pytest.mark.parametrize("times", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_portions_of_any_size_give_the_same(mixed: Judged, monkeypatch: pytest.MonkeyPatch, times: int) -> None:
    whole = mixed.whole
    for name, size in SIZES.items():
        monkeypatch.setattr(name, times * size)

    found = proved(mixed.table)

    assert found.causes is not None
    assert whole.causes is not None
    pd.testing.assert_frame_equal(found.checked.findings, whole.checked.findings, check_exact=True)
    for name in ("explanations", "relations", "questions", "patterns"):
        pd.testing.assert_frame_equal(getattr(found.causes, name), getattr(whole.causes, name), check_exact=True)
