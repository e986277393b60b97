"""The tunable limits of the checks, each with the source of its default."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from pipeline.checks.alkalinity import AlkalinityLimits
from pipeline.checks.conductivity import ConductivityLimits
from pipeline.checks.conductivity_from_ions import ConductivityFromIonsLimits
from pipeline.checks.digits import DigitLimits
from pipeline.checks.dissolved_solids import DissolvedSolidsLimits
from pipeline.checks.hardness import HardnessLimits
from pipeline.checks.identity import IdentityLimits
from pipeline.checks.instruments import InstrumentLimits
from pipeline.checks.ion_balance import IonBalanceLimits
from pipeline.checks.kits import KitLimits
from pipeline.checks.meters import MeterLimits
from pipeline.checks.physical import PhysicalLimits
from pipeline.checks.readings_agree import AgreementLimits
from pipeline.checks.record_dates import DateLimits
from pipeline.checks.sampling import SamplingLimits
from pipeline.checks.site_history import SiteHistoryLimits
from pipeline.checks.source import SourceLimits
from pipeline.checks.temperature import TemperatureLimits
from pipeline.checks.treatment import TreatmentLimits
from pipeline.checks.units import UnitLimits

if TYPE_CHECKING:
    from datetime import datetime


@dataclass(frozen=True)
class Limits:
    """Every limit a check may use, by subject; each subject's module defines its own."""

    alkalinity: AlkalinityLimits = field(default_factory=AlkalinityLimits)
    conductivity: ConductivityLimits = field(default_factory=ConductivityLimits)
    conductivity_from_ions: ConductivityFromIonsLimits = field(default_factory=ConductivityFromIonsLimits)
    digits: DigitLimits = field(default_factory=DigitLimits)
    dissolved_solids: DissolvedSolidsLimits = field(default_factory=DissolvedSolidsLimits)
    hardness: HardnessLimits = field(default_factory=HardnessLimits)
    identity: IdentityLimits = field(default_factory=IdentityLimits)
    instruments: InstrumentLimits = field(default_factory=InstrumentLimits)
    ion_balance: IonBalanceLimits = field(default_factory=IonBalanceLimits)
    kits: KitLimits = field(default_factory=KitLimits)
    meters: MeterLimits = field(default_factory=MeterLimits)
    physical: PhysicalLimits = field(default_factory=PhysicalLimits)
    readings_agree: AgreementLimits = field(default_factory=AgreementLimits)
    record_dates: DateLimits = field(default_factory=DateLimits)
    sampling: SamplingLimits = field(default_factory=SamplingLimits)
    site_history: SiteHistoryLimits = field(default_factory=SiteHistoryLimits)
    source: SourceLimits = field(default_factory=SourceLimits)
    temperature: TemperatureLimits = field(default_factory=TemperatureLimits)
    treatment: TreatmentLimits = field(default_factory=TreatmentLimits)
    units: UnitLimits = field(default_factory=UnitLimits)

    @classmethod
    def at(cls, now: datetime) -> Limits:
        """Give the usual limits, with dates judged by a time (UTC)."""
        return cls(record_dates=DateLimits(now=pd.Timestamp(now)))
