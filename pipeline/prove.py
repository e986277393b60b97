"""The one judgement of samples: what the checks say of them, what may have happened, and the verdict that follows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from pipeline.checks.run import Checked, is_control, run_all
from pipeline.engine.engine import HERE
from pipeline.errors import KettlestoneError
from pipeline.explain.conviction import beyond_doubt
from pipeline.explain.rank import explain
from pipeline.explain.screen import screened
from pipeline.explain.suspicion import SINGLE_MISTAKE, SuspicionLimits
from pipeline.explain.verdicts import both_told, settled, told_of
from pipeline.fault_log import Fault
from pipeline.memory import give_back
from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.arrays import Flags
    from pipeline.checks.limits import Limits
    from pipeline.engine.engine import Engine
    from pipeline.explain.tables import Explained
    from pipeline.normalise.sample_table import SampleTable
    from pipeline.stages import Listener


@dataclass(frozen=True)
class Proof:
    """What is to be thought of samples.

    Attributes
    ----------
    checked : findings and verdicts, those of `single-mistake` among them.
    causes : what may have happened to the chosen samples; None where none was chosen.
    faults : checks at which the program failed, each not evaluated; the weighing of mistakes may be among them.
    """

    checked: Checked
    causes: Explained | None = None
    faults: tuple[Fault, ...] = ()


def prove(
    samples: SampleTable,
    limits: Limits,
    chosen: Callable[[Checked], Flags],
    listener: Listener,
    asked: Flags | None = None,
    *,
    tolerant: bool = False,
    engine: Engine = HERE,
) -> Proof:
    """Check samples, weigh every mistake in those that anything speaks against, and give one verdict of each.

    Intake, decisions and `explain` all judge by this, so that they cannot contradict each other. What is weighed
    follows from the samples alone: a verdict depends neither on how many came together nor on whose causes are told.

    Blanks, standards, duplicates and spikes among them are neither judged as waters nor company of any.

    Parameters
    ----------
    samples : the filled sample table; history and company of the chosen samples are among it.
    limits : of the checks.
    chosen : gives (n,) flags of the samples whose causes are told if they are on hold or rejected, once the verdicts
        are known.
    listener : told of progress.
    asked : (n,) samples whose causes are told whatever their verdict.
    tolerant : a check at which the program fails is not evaluated, and told among the faults; else it is raised.
    engine : weighs.

    Raises
    ------
    KettlestoneError : the engine fails.
    """
    faults: list[Fault] = []

    def failed(subject: str, error: Exception) -> None:
        faults.append(Fault(subject, error))

    listener.stage("checking")
    checked = run_all(samples, limits, listener.step, failed if tolerant else None)
    listener.stage("explaining")
    give_back()  # what each check took
    try:
        proof = _weighed(samples, limits, checked, chosen, asked, engine)
    except KettlestoneError:
        raise
    except Exception as error:
        if not tolerant:
            raise
        failed(SINGLE_MISTAKE.check_id, error)
        proof = Proof(replace(checked, failed=(*checked.failed, SINGLE_MISTAKE.check_id)))
    return replace(proof, faults=tuple(faults))


def _weighed(
    samples: SampleTable,
    limits: Limits,
    checked: Checked,
    chosen: Callable[[Checked], Flags],
    asked: Flags | None,
    engine: Engine,
) -> Proof:
    """Weigh every mistake in the samples that anything speaks against, and settle the verdicts."""
    waters = ~is_control(samples)
    company = samples if waters.all() else samples.where(pd.Series(waters, index=samples.about.index))
    screen = screened(company, limits)
    give_back()  # what was reckoned of all samples at once; of few of them far more is reckoned now
    asked = np.zeros(len(samples), dtype="bool") if asked is None else asked & waters
    doubtful = screen.doubtful | (checked.verdict.isin(OPEN).to_numpy() | asked)[waters]
    acquits = limits.of(SuspicionLimits).acquits_percent / 100.0
    spared = beyond_doubt(company, checked.findings, limits, screen, acquits) & ~asked[waters]
    give_back()
    weighed = explain(company, checked.findings, limits, doubtful & ~spared, screen, engine=engine)
    give_back()
    verdicts = settled(checked, weighed, samples, limits)
    held = verdicts.verdict.isin(OPEN).to_numpy()
    wanted = chosen(verdicts) & waters
    if not (wanted | asked).any():
        return Proof(verdicts)
    index, listed = verdicts.verdict.index, asked | (wanted & held)
    told = weighed.tables(listed[waters])
    if (late := spared & listed[waters]).any():
        more = explain(company, checked.findings, limits, late, screen, weighed.patterns, engine)
        told = both_told(told, more.tables(late))
    return Proof(verdicts, told_of(told, index[listed], index[held]))
