"""One page with pictures and the numbers they show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pandas as pd
from markupsafe import Markup

from pipeline.report.batch.page import environment
from pipeline.report.wording import CAUTION

if TYPE_CHECKING:
    from pipeline.report.pictures.answer import DrawnAnswer

_ROWS: Final = 400


def picture_page(picture: DrawnAnswer, asked: str) -> str:
    """Render the page.

    Parameters
    ----------
    picture : with at least one drawing.
    asked : what was asked for, in words; empty: everything.
    """
    numbers = picture.numbers
    right = [bool(pd.api.types.is_numeric_dtype(dtype)) for dtype in numbers.dtypes]
    shown = numbers.head(_ROWS)
    return environment().get_template("picture.html.j2").render(
        title=picture.title,
        asked=asked,
        drawings=[(told, Markup(drawn)) for told, drawn in picture.drawings],  # noqa: S704 - its texts are escaped where it is drawn
        columns=list(zip([str(name).replace("_", " ") for name in numbers.columns], right, strict=True)),
        rows=[
            [(_cell(value), is_right) for value, is_right in zip(row, right, strict=True)]
            for row in shown.itertuples(index=False)
        ],
        left=max(len(numbers) - _ROWS, 0),
        caution=CAUTION,
    )  # fmt: skip


def _cell(value: Any) -> str:  # noqa: ANN401 - what stands in a cell
    if pd.isna(value):
        return ""
    return f"{value:.4g}" if isinstance(value, float) else str(value)
