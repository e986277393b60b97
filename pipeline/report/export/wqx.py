"""Readings with the column names of WQX 3.0, as the layout `portal-wqx3` reads them back."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.reference import table
from schemas.columns import ANALYTES, OTHER_ANALYTES

if TYPE_CHECKING:
    from pipeline.arrays import Floats

# The activity types of WQX for the kinds of samples; what they say is read back.
_ACTIVITIES: Final = {
    "": "",
    "routine": "Sample-Routine",
    "duplicate": "Quality Control Sample-Field Replicate",
    "blank": "Quality Control Sample-Field Blank",
    "standard": "Quality Control Sample-Lab Control Sample",
    "spike": "Quality Control Sample-Lab Matrix Spike",
}
_CONDITIONS: Final = {"<": "Not Detected", ">": "Present Above Quantification Limit"}
_TIME: Final = "time"
# Verdicts as qualifiers of WQX: rejected; suspect.
_QUALIFIERS: Final = {"reject": "R"}
WQX_TITLES: Final = {
    "Org_Identifier": "Client", "Location_Identifier": "Site", "Activity_ActivityIdentifier": "Label of the sample",
    "Activity_TypeCode": "Kind of sample", "Activity_MediaSubdivision": "Where in the treatment",
    "Activity_StartDate": "Day of sampling", "Activity_StartTime": "Time of sampling; empty: only the day is known",
    "Activity_StartTimeZone": "Zone of the time", "Activity_Comment": "Remark of the sampler",
    "Result_Characteristic": "Quantity", "Result_MethodSpeciation": "What the number counts",
    "Result_Measure": "Value; ~ before it: approximate; empty where it lies below or above a limit",
    "Result_MeasureUnit": "Unit", "Result_ResultDetectionCondition": "Below or above the limit",
    "DetectionLimit_MeasureA": "The limit", "DetectionLimit_MeasureUnitA": "Its unit",
    "Result_MeasureQualifierCode": "R: rejected",
    "qartod_flag": "1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing",
    "sampling_point": "Tap or outlet", "region": "Region", "country": "Country", "operator": "Who took the sample",
    "instrument": "Instrument or kit", "tds_scale": "Scale or method of dissolved solids",
}  # fmt: skip


def wqx_results(readings: pd.DataFrame, samples: pd.DataFrame) -> pd.DataFrame:
    """Lay out the readings that count, one result a row.

    Parameters
    ----------
    readings, samples : as ``store.exported`` gives them.
    """
    counted = readings[readings["counts"]].reset_index(drop=True)
    about = samples.set_index("sample_id").loc[counted["sample_id"]].reset_index()
    names = table("wqx_names").set_index("analyte")
    titles = {**OTHER_ANALYTES, **{code: known.title for code, known in ANALYTES.items()}, **names["characteristic"]}
    censored = counted["qualifier"].isin(_CONDITIONS) & counted["value"].isna()
    unit = counted["analyte"].map(names["unit"]).fillna(counted["unit"])
    basis = counted["basis"].where(~counted["basis"].isin(["as ion"]), "")
    solids = counted["analyte"] == "tds"
    sign = counted["qualifier"].where(counted["qualifier"] == "~", "")
    time = counted["collected_at"]
    exact = time.notna() & (about["collected_precision"] == _TIME)
    label = about["label"].where(about["label"] != "", about["sample_id"])
    return pd.DataFrame({
        "Org_Identifier": about["client"], "Location_Identifier": about["site"], "Activity_ActivityIdentifier": label,
        "Activity_TypeCode": about["activity"].map(_ACTIVITIES), "Activity_MediaSubdivision": about["stage"],
        "Activity_StartDate": time.dt.strftime("%Y-%m-%d").fillna(""),
        "Activity_StartTime": time.dt.strftime("%H:%M:%S").where(exact, ""),
        "Activity_StartTimeZone": np.where(exact, "UTC", ""), "Activity_Comment": about["comment"],
        "Result_Characteristic": counted["analyte"].map(titles),
        "Result_MethodSpeciation": basis.mask(solids, ""),
        "Result_Measure": sign + _shortest(counted["value"]), "Result_MeasureUnit": unit,
        "Result_ResultDetectionCondition": counted["qualifier"].map(_CONDITIONS).where(censored, ""),
        "DetectionLimit_MeasureA": _shortest(counted["limit"].where(censored)),
        "DetectionLimit_MeasureUnitA": unit.where(censored, ""),
        "Result_MeasureQualifierCode": about["current_verdict"].map(_QUALIFIERS).fillna(""),
        "qartod_flag": counted["qartod_flag"], "sampling_point": about["sampling_point"], "region": about["region"],
        "country": about["country"], "operator": about["operator"], "instrument": counted["instrument"].fillna(""),
        "tds_scale": basis.where(solids, ""),
    })  # fmt: skip


def _shortest(values: pd.Series) -> pd.Series:
    """Write numbers with as many digits as give the very number back; "" where there is none."""
    numbers: Floats = values.to_numpy(dtype=np.float64)
    texts = pd.Series(numbers.astype("str"), index=values.index).str.removesuffix(".0")
    return texts.where(np.isfinite(numbers), "")
