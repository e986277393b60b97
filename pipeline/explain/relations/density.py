"""How well all relations of a record agree at once.

The covariance C = J Σ Jᵀ + M follows from the uncertainties of the readings (Σ), the slopes (J) and the models
(M) of the relations [JCGM102, 6.2]; nothing counts twice.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from pipeline.explain.relations.balance import imbalance
from pipeline.explain.relations.charges import charges
from pipeline.explain.relations.relation import Relation, or_zero

if TYPE_CHECKING:
    from pipeline.arrays import Floats
    from pipeline.explain.readings import RowReadings


def joint_density(found: dict[str, Relation], spread: RowReadings) -> tuple[Floats, Floats, Floats]:
    """Logarithm of the joint normal density of all gaps of a column, and their misfit.

    Parameters
    ----------
    found : relations over (m,) columns.
    spread : (r, m) standard uncertainty of every reading.

    Returns
    -------
    ln N(gap; 0, J Σ Jᵀ + M), the misfit gapᵀ C⁻¹ gap, and the number of relations, each (m,); relations without
    a gap add nothing.

    Notes
    -----
    Cholesky's factor of every column at once, written out row by row [JCGM102, 6.2]. Where a model has two
    sides, the density of the two half normals that meet at 0.
    """
    names = [name for name, relation in found.items() if not np.isnan(relation.gap).all()]
    size = spread.shape[1]
    log_density, misfit = np.zeros(size), np.zeros(size)
    told = sorted({row for name in names for row in found[name].slopes})
    variance = {row: or_zero(spread[row]) ** 2 for row in told}
    sure = frozenset(row for row in told if not variance[row].any())
    found = {name: replace(found[name], slopes=_cleaned(found[name].slopes, sure)) for name in names}
    there = {name: ~np.isnan(found[name].gap) & ~np.isnan(found[name].model) for name in names}
    factor: dict[tuple[int, int], Floats] = {}
    scaled: list[Floats] = []
    for at, name in enumerate(names):
        one, rest = found[name], np.where(there[name], found[name].gap, 0.0)
        for before in range(at + 1):
            value = _covariance(one, found[names[before]], variance, size)
            if not (there[name].all() and there[names[before]].all()):
                value = np.where(there[name] & there[names[before]], value, 0.0)
            if before == at:
                value = np.where(there[name], value + one.model, 1.0)
            for column in range(before):
                value = value - factor[at, column] * factor[before, column]
            factor[at, before] = np.sqrt(np.maximum(value, 1e-12)) if before == at else value / factor[before, before]
            if before < at:
                rest = rest - factor[at, before] * scaled[before]
        scaled.append(rest / factor[at, at])
        misfit += scaled[at] ** 2
        shape = found[name].shape
        log_density -= np.where(there[name], np.log(factor[at, at]) + 0.5 * np.log(2.0 * np.pi), 0.0)
        if shape.size:
            log_density += np.where(there[name], shape, 0.0)
    count = np.sum(list(there.values()), axis=0, dtype="float64") if names else np.zeros(size)
    return log_density - 0.5 * misfit, misfit, count


def deviation(relation: Relation, variance: Floats) -> Floats:
    """Combine the uncertainty of the readings (``variance``, (r, n)) with that of the model [JCGM100, 5.1.2]."""
    total = np.array(np.broadcast_to(relation.model, relation.gap.shape), dtype="float64")
    for row, slope in relation.slopes.items():
        total += np.nan_to_num(slope) ** 2 * variance[row]
    return np.asarray(np.sqrt(total), dtype="float64")


def shortfall(amounts: Floats, spread: Floats) -> Floats:
    """Give what the charges of the side with an ion that was not read lack, in standard uncertainties; 0 if nothing.

    Parameters
    ----------
    amounts, spread : (r, m) readings, rows of ROWS, and their standard uncertainties.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        sums = charges(amounts)
        found = imbalance(amounts, sums)
        score = found.gap / deviation(found, or_zero(spread) ** 2)
    lacking = np.where(sums.open_anions, score, np.where(sums.open_cations, -score, 0.0))
    return np.asarray(np.maximum(or_zero(lacking), 0.0), dtype="float64")


def _cleaned(slopes: dict[int, Floats], sure: frozenset[int]) -> dict[int, Floats]:
    """Leave out rows that add nothing (nobody read them, or nothing of them is open); a missing slope is 0."""
    finite = {row: np.isfinite(slope) for row, slope in slopes.items() if row not in sure}
    cleaned = {row: slopes[row] if known.all() else np.where(known, slopes[row], 0.0) for row, known in finite.items()}
    return {row: slope for row, slope in cleaned.items() if slope.any()}


def _covariance(one: Relation, other: Relation, variance: dict[int, Floats], size: int) -> Floats:
    """Sum what the readings of both relations contribute."""
    total = np.zeros(size)
    for row, slope in one.slopes.items():
        if row in other.slopes:
            total += slope * other.slopes[row] * variance[row]
    return total
