"""From solved cases back to the table of samples: central value, low, high, reason and assumption."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.arrays import floats
from pipeline.chemistry.composition import (
    ASSUMPTIONS,
    CALCIUM,
    OK,
    REASONS,
    SILICA,
    SULFATE,
    Composition,
    Prepared,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from pipeline.arrays import Codes, Flags, Floats, Places

    Answer = tuple[dict[str, Floats], Codes]

BLOCK: Final = 8192  # cases solved at a time: the working arrays stay near the processor
NOTES: Final = (
    "only bounded: see the low and high columns and the assumption",
    "no sulfate: gypsum and anhydrite not evaluated",
    "no silica: amorphous silica not evaluated",
    "no calcium: calcium minerals not evaluated",
    "no carbonate: carbon dioxide, calcite and aragonite not evaluated",
    "calcite potential not evaluated: no equilibrium with calcite was found",
)
_BOUNDED, _NO_SULFATE, _NO_SILICA, _NO_CALCIUM, _NO_CARBONATE, _NO_POTENTIAL = (1 << bit for bit in range(len(NOTES)))
POTENTIAL: Final = "ccpp_mg_l_caco3"
_AFTER: Final = "anhydrite_after_calcite_si"


def in_blocks(cases: Composition, answer: Callable[[Composition, slice], Answer]) -> Answer:
    """Solve cases block by block, which bounds the memory and changes no result.

    Parameters
    ----------
    cases : the cases to solve.
    answer : gives the named values of one block and a fault per case (index of `REASONS`); it also gets the
        block's place, to cut arguments of its own.
    """
    size = cases.row.size
    blocks = [slice(begin, begin + BLOCK) for begin in range(0, size, BLOCK)] or [slice(0, 0)]
    parts = [answer(cases.take(block), block) for block in blocks]
    values = {name: np.concatenate([part[0][name] for part in parts]) for name in parts[0][0]}
    return values, np.concatenate([part[1] for part in parts])


def _texts(codes: Codes, words: Callable[[int], str], index: pd.Index) -> pd.Series[str]:
    unique, place = np.unique(codes, return_inverse=True)
    spelled = pd.array([words(int(code)) for code in unique], dtype="str")
    return pd.Series(spelled.take(place), index=index)


def _join(bits: int, sentences: Sequence[str]) -> str:
    return "; ".join(sentence for bit, sentence in enumerate(sentences) if bits >> bit & 1)


def _notes(cases: Composition, count: Places, minerals: Flags, first: Places) -> Codes:
    """Bits of `NOTES` of the rows that have cases; ``minerals``: whether mineral columns are shown."""
    absent = {_NO_SULFATE: SULFATE, _NO_SILICA: SILICA, _NO_CALCIUM: CALCIUM}
    bits = np.where(count > 1, _BOUNDED, 0).astype(np.int64)
    for bit, ion in absent.items():
        bits |= np.where(minerals & ~(cases.ions[ion, first] > 0.0), bit, 0)
    return bits


def assemble(waters: pd.DataFrame, prepared: Prepared, answer: Answer) -> pd.DataFrame:
    """Lay the answers out as one row per sample, in the order and index of the samples.

    Parameters
    ----------
    waters : (n, ...) the samples.
    prepared : what `composition.prepare` made of them.
    answer : values per case, and its fault (index of `REASONS`). A case without fault keeps every value it has:
        a calcite potential that was not found takes nothing else with it.

    Returns
    -------
    (n, 3 v + 3) frame: each value with its ``_low`` and ``_high``, then ``converged``, ``reason``,
    ``assumption``. A sample with nothing missing has low = value = high; one that can only be bounded
    has no central value, because a guess would later be read as a measurement.
    """
    values, fault = answer
    rows, first, count = np.unique(prepared.cases.row, return_index=True, return_counts=True)
    worst = fault if first.size == fault.size else np.maximum.reduceat(fault, first)
    fine = worst == OK
    reason, notes = prepared.reason.copy(), np.zeros(len(waters), dtype=np.int64)
    reason[rows] = worst
    shown = np.full(rows.size, "calcite_si" in values or "anhydrite_si" in values)
    notes[rows] = _notes(prepared.cases, count, shown, first)
    for name, bit in (("log_pco2_atm", _NO_CARBONATE), (POTENTIAL, _NO_POTENTIAL)):
        if name in values:
            notes[rows] |= np.where(np.isnan(_reduce(np.maximum, values[name], first)), bit, 0)
    if _AFTER in values:
        lost = np.isnan(values[_AFTER]) & ~np.isnan(values["anhydrite_si"])
        notes[rows] |= np.where(_reduce(np.maximum, floats(lost), first) > 0.0, _NO_POTENTIAL, 0)
    columns: dict[str, Floats] = {}
    for name, per_case in values.items():
        low, high = (_reduce(kind, per_case, first) for kind in (np.minimum, np.maximum))
        central = np.where(count == 1, low, np.nan)
        for suffix, value in (("", central), ("_low", low), ("_high", high)):
            columns[name + suffix] = np.full(len(waters), np.nan)
            columns[name + suffix][rows] = np.where(fine, value, np.nan)
    frame = pd.DataFrame(columns, index=waters.index)
    frame["converged"] = reason == OK
    coded = np.where(reason == OK, notes << 8, reason)
    frame["reason"] = _texts(
        coded, lambda code: REASONS[code] if code < 1 << 8 else _join(code >> 8, NOTES), frame.index
    )
    frame["assumption"] = _texts(prepared.assumed, lambda code: _join(code, ASSUMPTIONS), frame.index)
    return frame


def _reduce(kind: np.ufunc, per_case: Floats, first: Places) -> Floats:
    if first.size == per_case.size:
        return per_case
    reduced: Floats = kind.reduceat(per_case, first)
    return reduced
