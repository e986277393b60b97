"""The one judgement of samples: what the checks say of them, what may have happened, and the verdict that follows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from pipeline.checks.run import Checked, is_control, run_all
from pipeline.explain.rank import Explained, explain
from pipeline.explain.suspicion import of_samples, with_suspects
from schemas.columns import OPEN

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.arrays import Flags
    from pipeline.checks.limits import Limits
    from pipeline.normalise.sample_table import SampleTable
    from pipeline.stages import Listener

_ORDINARY: Final = 5_000  # samples that are all looked at as history and company of each other
_NEAREST: Final = 6  # earlier and later samples of a site that are, among more


@dataclass(frozen=True)
class Proof:
    """What is to be thought of samples.

    Attributes
    ----------
    checked : findings and verdicts, those of `single-mistake` among them.
    explained : everything that may have happened to the chosen samples; None where none was chosen.
    causes : the same, of those on hold or rejected.
    """

    checked: Checked
    explained: Explained | None = None
    causes: Explained | None = None


def prove(samples: SampleTable, limits: Limits, chosen: Callable[[Checked], Flags], listener: Listener) -> Proof:
    """Check samples, look for the mistake behind the chosen ones, and hold those that a mistake explains far better.

    Intake, decisions and `explain` all judge by this, so that they cannot contradict each other.

    Blanks, standards, duplicates and spikes among them are neither judged as waters nor company of any.

    Parameters
    ----------
    samples : the filled sample table; history and company of the chosen samples are among it.
    limits : of the checks.
    chosen : gives (n,) flags of the samples whose causes are looked for, once the checks have spoken.
    listener : told of progress.
    """
    listener.stage("checking")
    checked = run_all(samples, limits, listener.step)
    waters = ~is_control(samples)
    wanted = chosen(checked) & waters
    if not wanted.any():
        return Proof(checked)
    listener.stage("explaining")
    near = _company(samples, wanted) & waters
    company = samples if near.all() else samples.where(pd.Series(near, index=samples.about.index))
    explained = explain(company, checked.findings, limits, wanted[near])
    checked = with_suspects(checked, explained, samples)
    verdict = checked.verdict[wanted]
    return Proof(checked, explained, of_samples(explained, verdict.index[verdict.isin(OPEN)]))


def _company(samples: SampleTable, chosen: Flags) -> Flags:
    """Tell the samples that are history or company of the chosen: the nearest in time at their sites.

    Among few samples all are taken.
    """
    if len(samples) <= _ORDINARY:
        return np.ones(len(samples), dtype="bool")
    about = samples.about
    client, site = (pd.factorize(about[name])[0] for name in ("client", "site"))
    moment = about["collected_at"].dt.tz_convert(None).to_numpy()
    order = np.lexsort((moment, site, client))
    near = np.convolve(chosen[order], np.ones(2 * _NEAREST + 1), mode="same") > 0
    company = np.zeros(len(samples), dtype="bool")
    company[order[near]] = True
    return company
