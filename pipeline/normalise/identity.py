"""The identity of a sample: keys of rows, joining of incomplete keys, and the stable sample id."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.texts import first_rows, numbered

KEY_FIELDS: Final[tuple[str, ...]] = (
    "client",
    "site",
    "label",
    "sampling_point",
    "stage",
    "activity",
    "when",
)
_MAY_BE_MISSING: Final[tuple[str, ...]] = ("client", "site", "sampling_point", "stage", "when")
# What ``placing.placed`` keeps of a row it changed: the id comes from what was written, so that it is the same
# whether the register came before or after.
_WRITTEN: Final = ("written_client", "written_site", "placed_by")
_HASH_KEYS: Final[tuple[str, str]] = ("kettlestone-0001", "kettlestone-0002")
_ID_OCTETS: Final = 10


def group_rows(
    rows: pd.DataFrame, readings: pd.DataFrame, window_hours: float
) -> tuple[npt.NDArray[np.int64], pd.DataFrame]:
    """Give rows of one sample one number.

    Parameters
    ----------
    rows : (r, …) typed rows, RangeIndex; text facts are "" where not stated.
    readings : (m, …) `row` (position in ``rows``) and `analyte`.
    window_hours : width of the time window for rows without a label [h].

    Returns
    -------
    group : (r,) number of the key of each row.
    keys : (g, …) the distinct keys: KEY_FIELDS as text ("" = not stated) and `anonymous`
        (`file:line` for a row that says nothing of itself, or too little to tell it from another row: it is a sample
        of its own).
    """
    labelled = (rows["label"] != "").to_numpy()
    parts = {name: _folded(rows[name]) for name in KEY_FIELDS if name != "when"}
    # A label names the bottle: the point it was drawn from cannot tell two bottles apart.
    parts["sampling_point"] = parts["sampling_point"].where(~pd.Series(labelled), "")
    parts["when"] = _when(rows, labelled, window_hours)
    sited = (parts["site"] != "").to_numpy()
    pointed = (parts["sampling_point"] != "").to_numpy()
    owned = sited | (pointed & (parts["client"] != "").to_numpy())
    # "Kitchen tap" alone names no place outside of its own file.
    alone = np.flatnonzero(~labelled & ~owned)
    anonymous = pd.Series("", index=rows.index, dtype="str")
    if len(alone):
        nameless = rows.iloc[alone]
        line = nameless["line"].astype("str").where(~pointed[alone], "")
        anonymous.loc[nameless.index] = (nameless["file_sha256"].str.slice(0, 16) + ":" + line).array
    undated = np.flatnonzero(~labelled & (owned | pointed) & (parts["when"] == "").to_numpy())
    if len(undated):
        places = pd.DataFrame(parts).assign(file=rows["file_sha256"].array).iloc[undated]
        apart = undated[_told_again(places, readings)]
        own = rows["file_sha256"].iloc[apart].str.slice(0, 16) + ":" + rows["line"].iloc[apart].astype("str")
        anonymous.loc[own.index] = own.array
    parts["anonymous"] = anonymous
    coded = (pd.factorize(part) for part in parts.values())
    combined = numbered((code, max(len(values), 1)) for code, values in coded)
    first = first_rows(combined)
    keys = pd.DataFrame({name: part.take(first).array for name, part in parts.items()})
    for name in _WRITTEN:
        if name in rows:
            keys[name] = _folded(rows[name].take(first)).array
    return combined, keys


def _told_again(places: pd.DataFrame, readings: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Mark rows with neither name nor day of which another row of their file and place tells the same quantity.

    A list with one quantity a row tells one sample in many rows, whatever it repeats; rows of several quantities are
    bottles, and so are those of a file that has no more than one quantity.
    """
    place = places.groupby(list(places.columns), sort=False).ngroup()
    told = readings.loc[readings["row"].isin(places.index), ["row", "analyte"]].drop_duplicates()
    told = told.astype({"analyte": "str"}).assign(
        place=place.reindex(told["row"]).to_numpy(), file=places["file"].reindex(told["row"]).to_numpy()
    )
    quantities = told.drop_duplicates(["file", "analyte"])["file"].value_counts()
    wide = place.isin(told.loc[told["row"].duplicated(), "place"])
    wide |= places["file"].isin(quantities.index[quantities == 1])
    again = told.loc[told.duplicated(["place", "analyte"]), "place"]
    found: npt.NDArray[np.bool_] = (wide & place.isin(again)).to_numpy()
    return found


def _folded(column: pd.Series) -> pd.Series:
    """Compare names without regard to case and outer blanks."""
    code, values = pd.factorize(column)
    folded = pd.Series(values, dtype="str").str.strip().str.casefold()
    return pd.Series(folded.array.take(code), dtype="str")


def _when(rows: pd.DataFrame, labelled: npt.NDArray[np.bool_], window_hours: float) -> pd.Series:
    """Give the day of labelled rows, and day or time window of the others, as text."""
    moment = rows["collected_at"].reset_index(drop=True)
    day = _formatted(moment.dt.floor("D"), "%Y-%m-%d")
    timed = ~labelled & (rows["collected_precision"] == "time").to_numpy() & moment.notna().to_numpy()
    if not timed.any():
        return day
    window = _formatted(moment.dt.floor(f"{max(round(window_hours * 60), 1)}min"), "%Y-%m-%dT%H:%M")
    place = [_folded(rows[name]) for name in ("client", "site", "sampling_point", "stage", "activity")]
    visits = window[timed].groupby([part[timed] for part in (*place, day)]).transform("nunique")
    # One visit a day: a kit sheet that knows only the date belongs to it.
    return day.mask(pd.Series(timed) & (visits.reindex(day.index) > 1), window)


def _formatted(moments: pd.Series, pattern: str) -> pd.Series:
    code, distinct = pd.factorize(moments)
    text = np.append(pd.DatetimeIndex(distinct).strftime(pattern).to_numpy(dtype=object), "")
    return pd.Series(text[code], dtype="str")


def attach_keys(keys: pd.DataFrame, group: npt.NDArray[np.int64]) -> tuple[pd.DataFrame, npt.NDArray[np.int64]]:
    """Join every incomplete key to the one fuller key that agrees with all it states.

    Parameters
    ----------
    keys, group : as `group_rows` gives them.

    Returns
    -------
    keys : the keys that remain, with `ambiguous` (True where several fitted, so none was taken) and
        `matched_by` (which facts the joined rows lacked; "" where nothing was joined).
    group : (r,) numbers into the remaining keys.
    """
    target = np.arange(len(keys))
    ambiguous = np.zeros(len(keys), dtype="bool")
    joinable = ((keys["label"] != "") & (keys["anonymous"] == "")).to_numpy()
    missing = pd.DataFrame({name: (keys[name] == "") for name in _MAY_BE_MISSING if name != "sampling_point"})
    pattern = missing.to_numpy() @ (1 << np.arange(missing.shape[1]))
    lacking: npt.NDArray[np.object_] = np.full(len(keys), "", dtype=object)
    # Fewest gaps first, so that a poor key may join one that was itself completed.
    for gaps in sorted(set(pattern[joinable].tolist()) - {0}, key=lambda bits: (int(bits).bit_count(), bits)):
        absent = [name for bit, name in enumerate(missing.columns) if gaps >> bit & 1]
        stated = [name for name in ("label", "activity", *missing.columns) if name not in absent]
        poor = joinable & (pattern == gaps)
        fuller = joinable & ((pattern & gaps) != gaps) & ((pattern & ~gaps) == 0)
        candidates = keys.loc[fuller & (target == np.arange(len(keys))), stated].reset_index()
        match = keys.loc[poor, stated].reset_index().merge(candidates, on=stated, suffixes=("", "_fuller"))
        count = match.groupby("index")["index_fuller"].agg(["size", "first"])
        single = count[count["size"] == 1]
        target[single.index] = single["first"].to_numpy()
        lacking[single["first"].to_numpy()] = ", ".join(absent)
        ambiguous[count.index[count["size"] > 1]] = True
    while not np.array_equal(target, target[target]):
        target = target[target]
    kept, position = np.unique(target, return_inverse=True)
    remaining = keys.assign(ambiguous=ambiguous, matched_by=pd.array(lacking, dtype="str")).iloc[kept]
    return remaining.reset_index(drop=True), position[group]


def sample_ids(keys: pd.DataFrame) -> pd.Index:
    """Derive the stable id of each sample from its key: the same facts always give the same id.

    Notes
    -----
    80 bits of two keyed SipHash values of the key's text, as 20 hexadecimal digits: among ten
    million samples the chance of one collision is below 1e-10; a collision raises.
    """
    own = [f"written_{name}" if f"written_{name}" in keys else name for name in (*KEY_FIELDS, "anonymous")]
    joined = pc.binary_join_element_wise(*(pa.array(keys[name], type=pa.string()) for name in own), "\x1f")
    if "placed_by" in keys:
        by = pa.array(keys["placed_by"], type=pa.string())
        joined = pc.if_else(pc.equal(by, ""), joined, pc.binary_join_element_wise(joined, by, "\x1f"))
    text = joined.to_numpy(zero_copy_only=False)
    high, low = (pd.util.hash_array(text, hash_key=key, categorize=False) for key in _HASH_KEYS)
    octets = np.stack([high, low], axis=1).astype(">u8").view("uint8")[:, :_ID_OCTETS]
    digits = np.frombuffer(b"0123456789abcdef", dtype="uint8")[np.stack([octets >> 4, octets & 15], axis=2)]
    words = digits.reshape(len(keys), -1).view(f"S{2 * _ID_OCTETS}").ravel().astype(str)
    identifiers: pd.Index = pd.Index(words, dtype="str", name="sample_id")
    if identifiers.has_duplicates:
        raise RuntimeError("two samples received the same id; please report this with the input files")
    return identifiers
