"""One function per check, one module per subject; importing this package registers them all."""

from pipeline.checks import (
    digits,
    identity,
    instruments,
    kit_habits,
    kits,
    meters,
    readings_agree,
    record_dates,
    sampling,
    treatment,
    units,
)

__all__ = [
    "digits",
    "identity",
    "instruments",
    "kit_habits",
    "kits",
    "meters",
    "readings_agree",
    "record_dates",
    "sampling",
    "treatment",
    "units",
]
