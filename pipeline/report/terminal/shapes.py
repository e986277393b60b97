"""What the layout commands print of the units and layouts that are kept for files of one shape."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from pipeline.store.database import Store
from pipeline.store.shapes import forget_shape, kept_shapes

if TYPE_CHECKING:
    from datetime import datetime

    import pandas as pd

    from pipeline.settings import Settings


def remembered(settings: Settings, *, as_json: bool) -> str:
    """List what is kept for every shape.

    Raises
    ------
    KettlestoneError : there is no store, or it cannot be read.
    """
    with Store(settings.store, read_only=True, wait_s=settings.lock_wait_s) as store:
        kept = kept_shapes(store)
    if as_json:
        shapes = [_described(str(shape), rows) for shape, rows in kept.groupby("shape", sort=False)]
        return json.dumps(shapes, ensure_ascii=False)
    if kept.empty:
        return "Nothing is kept: no unit was answered, no layout of your own was used."
    return "\n".join(_in_words(str(shape), rows) for shape, rows in kept.groupby("shape", sort=False))


def forget(settings: Settings, shape: str, *, by: str, now: datetime) -> str:
    """Forget what is kept for a shape, and say what it was.

    Raises
    ------
    KettlestoneError : no shape, or more than one, is called so.
    """
    with Store(settings.store, wait_s=settings.lock_wait_s) as store:
        gone = forget_shape(store, shape, by=by, now=now)
    return (
        f"Forgotten; the next file of this shape is asked about again.\n{_in_words(str(gone['shape'].iloc[0]), gone)}"
    )


def _described(shape: str, rows: pd.DataFrame) -> dict[str, object]:
    last = rows.iloc[-1]
    named = rows[rows["unit"] != ""]
    return {
        "shape": shape,
        "headings": json.loads(str(last["headings"])),
        "units": dict(zip(named["name"], named["unit"], strict=True)),
        "layouts": [json.loads(text)["name"] for text in rows["layout"] if text],
        "by": str(last["said_by"]),
        "at": f"{last['said_at']:%Y-%m-%dT%H:%M:%SZ}",
        "file": str(last["file"]),
    }


def _in_words(shape: str, rows: pd.DataFrame) -> str:
    last = rows.iloc[-1]
    headings = ", ".join(json.loads(str(last["headings"])))
    lines = [f"{shape}  {headings}"]
    for row in rows.itertuples(index=False):
        layout = json.loads(str(row.layout))["name"] if row.layout else ""
        what = f"{row.name!s} = {row.unit!s}" if row.unit else f'layout "{layout}"'
        lines.append(f"    {what}, by {row.said_by!s} on {row.said_at:%Y-%m-%d} for {row.file!s}")
    return "\n".join(lines)
