"""What the program itself failed at, as remarks of the batch: all else was worked out, and that is told."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from pipeline.problems import messages, no_problems, problem_frame

if TYPE_CHECKING:
    from collections.abc import Sequence

    from pipeline.fault_log import Fault, FaultLog


def fault_notices(faults: Sequence[Fault], log: FaultLog) -> pd.DataFrame:
    """Write faults into the log of the run and tell of each.

    Returns
    -------
    PROBLEM_COLUMNS, `name` of no file, and `message`.
    """
    for fault in faults:
        log.add(fault.subject, fault.error)
    frames = [
        problem_frame(
            "not-worked-out",
            file_sha256="",
            line=0,
            column=fault.subject,
            raw_text="",
            detail=f"{fault.words}; see {log.name}",
        )
        for fault in faults
    ]
    told = pd.concat([no_problems(), *frames], ignore_index=True)
    return told.assign(name=pd.Series("", index=told.index, dtype="str"), message=messages(told))
