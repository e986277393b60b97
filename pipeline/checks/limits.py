"""The tunable limits of the checks, each with the source of its default."""

from __future__ import annotations

from dataclasses import dataclass, field

from pipeline.checks.digits import DigitLimits
from pipeline.checks.identity import IdentityLimits
from pipeline.checks.instruments import InstrumentLimits
from pipeline.checks.kits import KitLimits
from pipeline.checks.meters import MeterLimits
from pipeline.checks.readings_agree import AgreementLimits
from pipeline.checks.record_dates import DateLimits
from pipeline.checks.sampling import SamplingLimits
from pipeline.checks.treatment import TreatmentLimits
from pipeline.checks.units import UnitLimits


@dataclass(frozen=True)
class Limits:
    """Every limit a check may use, by subject; each subject's module defines its own."""

    kits: KitLimits = field(default_factory=KitLimits)
    readings_agree: AgreementLimits = field(default_factory=AgreementLimits)
    instruments: InstrumentLimits = field(default_factory=InstrumentLimits)
    meters: MeterLimits = field(default_factory=MeterLimits)
    units: UnitLimits = field(default_factory=UnitLimits)
    digits: DigitLimits = field(default_factory=DigitLimits)
    identity: IdentityLimits = field(default_factory=IdentityLimits)
    sampling: SamplingLimits = field(default_factory=SamplingLimits)
    record_dates: DateLimits = field(default_factory=DateLimits)
    treatment: TreatmentLimits = field(default_factory=TreatmentLimits)
