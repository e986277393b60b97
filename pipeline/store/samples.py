"""Samples of a store: found by id or label, with their neighbours, as rows and with their numbers side by side."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

import pandas as pd
import pyarrow as pa

from pipeline.errors import KettlestoneError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from pipeline.store.connected import Connected


_FILE_AND_LINE: Final = re.compile(r"^(?:.*/)?([^/]+?)(?::| line )(\d+)$")  # sheet.csv:7, as findings write a place


def sample_rows(store: Connected, sample_ids: Iterable[str]) -> pd.DataFrame:
    """Return the rows of table `sample` of some samples, as they were stored."""
    return rows_of(store, "sample", "*", sample_ids)


def wide_samples(store: Connected, sample_ids: Iterable[str] | None = None) -> pd.DataFrame:
    """Return samples with their numbers side by side (view `v_sample`), all of them or those named."""
    if sample_ids is None:
        return store.connection.execute("SELECT * FROM v_sample ORDER BY collected_at, sample_id").df()
    return rows_of(store, "v_sample", "*", sample_ids).sort_values(["collected_at", "sample_id"], ignore_index=True)


def find_sample(store: Connected, text: str) -> str:
    """Return the `sample_id` a person means by an id, a label, or the file and line of a sample without one.

    Raises
    ------
    KettlestoneError : no sample has that name, or several have the label; they are listed.
    """
    found = store.connection.execute(
        "SELECT sample_id, client, site, stage, collected_at FROM sample WHERE sample_id = $1 "
        "UNION ALL SELECT sample_id, client, site, stage, collected_at FROM sample JOIN sample_name USING (sample_id) "
        "WHERE called IN ($1, $2) AND NOT EXISTS (FROM sample WHERE sample_id = $1) ORDER BY 5, 1",
        [text.strip(), _FILE_AND_LINE.sub(r"\1 line \2", text.strip())],
    ).fetchall()
    if len(found) == 1:
        return str(found[0][0])
    if found:
        told = [
            (name, client, site, stage, f"{time:%Y-%m-%d}" if time else "") for name, client, site, stage, time in found
        ]
        lines = "\n".join(f"    {name}  {' · '.join(part for part in about if part)}" for name, *about in told)
        raise KettlestoneError(
            f'"{text}" is the label of {len(found)} samples:\n{lines}\n  Give the identifier at the left.'
        )
    raise KettlestoneError(
        f'"{text}" is neither the identifier nor the label of a stored sample, nor file and line of a nameless one.\n'
        "  Nothing was changed.\n"
        '  List the samples with kettlestone query "FROM v_sample".'
    )


def days_of_labels(store: Connected, labels: pd.Series) -> pd.DataFrame:
    """Return `label` and `collected_at` (UTC) of the stored samples that have one of some labels."""
    wanted = sorted(set(labels.str.strip().str.lower()) - {""})
    found = store.connection.execute(
        "SELECT label, collected_at FROM sample "
        "WHERE list_contains($1, lower(trim(label))) AND collected_at IS NOT NULL",
        [wanted],
    ).df()
    return found.assign(collected_at=found["collected_at"].astype("datetime64[us]").dt.tz_localize("UTC"))


def neighbours(store: Connected, sample_ids: Iterable[str], most: int) -> list[str]:
    """Name the samples that samples are judged beside: those of their sites, and the nearest of their files.

    Parameters
    ----------
    sample_ids : stored samples; they are among the answer.
    most : the most samples of each site, and of each file.
    """
    found = store.connection.execute(
        """
        WITH own AS (FROM sample WHERE list_contains($sample_ids, sample_id)),
        place AS (
            SELECT client, site, min(collected_at) AS first, max(collected_at) AS last FROM own
            WHERE client <> '' OR site <> '' GROUP BY client, site
        ), of_site AS (
            SELECT s.sample_id FROM sample AS s JOIN place USING (client, site)
            QUALIFY row_number() OVER (PARTITION BY s.client, s.site ORDER BY least(
                abs(date_diff('day', s.collected_at, first)), abs(date_diff('day', s.collected_at, last))
            ), s.sample_id) <= $most
        ), page AS (
            SELECT file_sha256, min(line) AS first, max(line) AS last FROM own GROUP BY file_sha256
        ), of_file AS (
            SELECT s.sample_id FROM sample AS s JOIN page USING (file_sha256)
            QUALIFY row_number() OVER (
                PARTITION BY s.file_sha256
                ORDER BY greatest(first - s.line, s.line - last, 0), s.line, s.sample_id
            ) <= $most
        )
        SELECT sample_id FROM own UNION SELECT sample_id FROM of_site UNION SELECT sample_id FROM of_file
        """,
        {"sample_ids": list(sample_ids), "most": most},
    ).fetchall()
    return sorted(name for (name,) in found)


def rows_of(store: Connected, table: str, columns: str, sample_ids: Iterable[str]) -> pd.DataFrame:
    """Return rows of a table or view by their samples; ``table`` and ``columns`` are names, never a person's text."""
    names = sample_ids if isinstance(sample_ids, (pd.Index, pd.Series)) else list(sample_ids)
    wanted = pa.array(pd.Series(names, dtype="str"), type=pa.string())
    store.connection.register("wanted_samples", pa.table({"sample_id": wanted}))
    try:
        return store.connection.execute(
            f"SELECT {columns} FROM {table} SEMI JOIN wanted_samples USING (sample_id)"  # noqa: S608 - names of the modules of the store
        ).df()
    finally:
        store.connection.unregister("wanted_samples")
