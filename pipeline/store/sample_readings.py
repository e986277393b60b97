"""The readings of one sample as they were written, with what became of each."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd

    from pipeline.store.database import Store


def readings_as_written(store: Store, sample_id: str) -> pd.DataFrame:
    """Return every reading of a sample: those of its files in the order of their cells, then the corrections.

    Returns
    -------
    frame of the columns of view `v_reading`; ``counts`` is False where something else stands in a reading's place.
    """
    return store.connection.execute(
        "SELECT * FROM v_reading WHERE sample_id = ? ORDER BY decision_id NULLS FIRST, file, line, reading_id",
        [sample_id],
    ).df()
