"""Words of registers that name no machine and no treatment that is known: told when they are imported."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

import pandas as pd

from pipeline.assess.machines import NOT_KNOWN, recognise
from pipeline.problems import no_problems, problem_frame
from pipeline.treat.processes.naming import some_filter, treatment_meant
from pipeline.treat.processes.treatments import TREATMENTS

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from pipeline.assess.machines import Machine
    from pipeline.gathering import Gathered

_SHOWN: Final = 12
_SINGLE: Final = [name for name, one in TREATMENTS.items() if len(one.stages) == 1]


def unknown_words(gathered: Gathered, machines: Mapping[str, Machine]) -> pd.DataFrame:
    """Tell of machines and treatments of registers that are not understood (PROBLEM_COLUMNS).

    Parameters
    ----------
    gathered : with the rows of the registers.
    machines : those that are known.
    """
    found = [no_problems()]
    for kind in ("sites", "treatments"):
        rows = gathered.register(kind)
        if rows.empty:
            continue
        found += [
            _told(rows, "machine", partial(_no_machine, machines=machines)),
            _told(rows, "treatment", _no_treatment),
        ]
    return pd.concat(found, ignore_index=True)


def machine_not_known(text: str, machines: Mapping[str, Machine]) -> bool:
    """Say whether a text names neither a machine nor how it is connected."""
    meant = recognise(pd.Series([text], dtype="str"), dict(machines)).iloc[0]
    return bool(text.strip() and text.strip() != NOT_KNOWN and (meant == NOT_KNOWN).all())


def _no_machine(text: str, machines: Mapping[str, Machine]) -> str:
    return f"a machine: {', '.join(machines)}" if machine_not_known(text, machines) else ""


def _no_treatment(text: str) -> str:
    if not text.strip() or treatment_meant(text):
        return ""
    return "which kind of filter it is" if some_filter(text) else f"a treatment: {', '.join(_SINGLE[:_SHOWN])} …"


def _told(rows: pd.DataFrame, name: str, fault: Callable[[str], str]) -> pd.DataFrame:
    """Judge every distinct text once."""
    if name not in rows:
        return no_problems()
    texts = rows[name].fillna("").astype("str")
    expected = texts.map({text: fault(text) for text in texts.unique()})
    wrong = rows[expected != ""]
    if wrong.empty:
        return no_problems()
    return problem_frame(
        "register-word",
        file_sha256=wrong["file_sha256"],
        line=wrong["line"],
        column=name,
        raw_text=wrong[name],
        detail=expected[expected != ""],
    )
