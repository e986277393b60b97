"""`assess`: what a water will do."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from pipeline.commands.options import JSON, LITRES, settings
from pipeline.report.terminal.assess import assess_text, one_off
from pipeline.visible import echo

if TYPE_CHECKING:
    from collections.abc import Callable

    from pipeline.settings import Settings

# Readings that can be typed in, in the order of --help.
_READINGS: Final = {
    "ca": "Calcium, mg/L.",
    "mg": "Magnesium, mg/L.",
    "na": "Sodium, mg/L.",
    "k": "Potassium, mg/L.",
    "hco3": "Bicarbonate, mg/L HCO3.",
    "cl": "Chloride, mg/L.",
    "so4": "Sulfate, mg/L.",
    "no3": "Nitrate, mg/L NO3.",
    "sio2": "Silica, mg/L SiO2.",
    "th": "Total hardness, mg/L as CaCO3.",
    "alk": "Total alkalinity, mg/L as CaCO3.",
    "ec": "Conductivity at 25 °C, µS/cm.",
    "ph": "pH.",
    "temperature": "Temperature of the pH reading, °C.",
}


def _readings(command: Callable[..., None]) -> Callable[..., None]:
    for name, about in reversed(_READINGS.items()):
        command = click.option(f"--{name}", type=float, help=about)(command)
    return command


@click.command
@click.argument("sample", required=False)
@_readings
@click.option("--machine", default="", help="Machine, for example: dual boiler.")
@click.option("--profile", default="", help="One of the published or your own water profiles.")
@LITRES
@click.option("--machines", type=click.Path(path_type=Path), help="TOML with machines of your own.")
@click.option("--profiles", type=click.Path(path_type=Path), help="TOML with profiles of your own.")
@settings
@JSON
def command(
    sample: str | None,
    machine: str,
    profile: str,
    litres_per_day: float | None,
    machines: Path | None,
    profiles: Path | None,
    settings: Settings,
    as_json: bool,
    **readings: float | None,
) -> None:
    """Say what a water will do in the machine and in the cup.

    The water is a SAMPLE of the store, or the readings that are typed in.

    \b
    kettlestone assess QL-10 --machine "dual boiler"
    kettlestone assess --ca 80 --mg 12 --hco3 250 --ph 7.4
    """  # noqa: D301 - \b is click's mark for "keep these lines"
    if sample is not None and any(value is not None for value in readings.values()):
        raise click.UsageError("give a SAMPLE of the store or readings, not both.")
    if sample is None:
        text = one_off(
            machine=machine,
            profile=profile,
            litres_per_day=litres_per_day,
            machines=machines,
            profiles=profiles,
            as_json=as_json,
            **readings,
        )
    else:
        text = assess_text(
            settings,
            sample,
            machine=machine,
            profile=profile,
            litres_per_day=litres_per_day,
            machines=machines,
            profiles=profiles,
            as_json=as_json,
        )
    echo(text)
