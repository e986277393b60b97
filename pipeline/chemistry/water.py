"""Water itself along its boiling line: pressure, density, dielectric constant, Debye–Hückel terms."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from pipeline.arrays import Floats

KELVIN: Final = 273.15
BAR_PER_ATM: Final = 1.01325
GAS_CONSTANT_CM3_ATM: Final = 82.05746
MOLAR_MASS_WATER: Final = 18.0153
_CRITICAL_KELVIN, _CRITICAL_PRESSURE_BAR, _CRITICAL_DENSITY = 647.096, 220.64, 0.322
_AVOGADRO: Final = 6.02214e23
_CHARGE_SQUARED_OVER_BOLTZMANN: Final = 1.671008e-3  # e²/k [cm K]
_PRESSURE_TERMS: Final = ((1.0, -7.85951783), (1.5, 1.84408259), (3.0, -11.7866497), (3.5, 22.6807411),
                          (4.0, -15.9618719), (7.5, 1.80122502))  # fmt: skip
_DENSITY_TERMS: Final = ((1, 1.99274064), (2, 1.09965342), (5, -0.510839303), (16, -1.75493479),
                         (43, -45.5170352), (110, -674694.45))  # fmt: skip


@dataclass(frozen=True)
class Solvent:
    """Water at (n,) temperatures: kelvin, atm, kg/L, Debye–Hückel A [-] and B [1/Å], Born Q [1/bar]."""

    kelvin: Floats
    pressure_atm: Floats
    density: Floats
    debye_a: Floats
    debye_b: Floats
    born: Floats


def saturation_pressure_atm(temperature_c: Floats) -> Floats:
    """Vapour pressure of water [atm] at (n,) temperatures [°C], 0–374 °C [WP1993].

    Example
    -------
    >>> saturation_pressure_atm(np.array([120.0])).round(3).tolist()
    [1.961]
    """
    kelvin = temperature_c + KELVIN
    t = 1.0 - kelvin / _CRITICAL_KELVIN
    exponent = sum((factor * t**power for power, factor in _PRESSURE_TERMS), start=0.0 * t)
    pressure: Floats = _CRITICAL_PRESSURE_BAR / BAR_PER_ATM * np.exp(_CRITICAL_KELVIN / kelvin * exponent)
    return pressure


def density_kg_l(temperature_c: Floats) -> Floats:
    """Density of water on its boiling line [kg/L] at (n,) temperatures [°C] [WP1993].

    Example
    -------
    >>> density_kg_l(np.array([25.0])).round(4).tolist()
    [0.997]
    """
    third = np.cbrt(1.0 - (temperature_c + KELVIN) / _CRITICAL_KELVIN)
    series = sum((factor * third**power for power, factor in _DENSITY_TERMS), start=1.0 + 0.0 * third)
    return _CRITICAL_DENSITY * series


def _dielectric(kelvin: Floats, pressure_bar: Floats) -> tuple[Floats, Floats]:
    at_1000_bar = 342.79 * np.exp(-5.0866e-3 * kelvin + 9.4690e-7 * kelvin**2)
    slope = -2.0525 + 3115.9 / (kelvin - 182.89)
    shift = -8032.5 + 4214200.0 / kelvin + 2.1417 * kelvin
    constant = at_1000_bar + slope * np.log((shift + pressure_bar) / (shift + 1000.0))
    return constant, slope / (shift + pressure_bar) / constant**2


def solvent(temperature_c: Floats) -> Solvent:
    """Water at the pressure a vessel has: 1 atm up to 100 °C, then its own vapour pressure.

    Parameters
    ----------
    temperature_c : (n,) temperatures [°C], 0–150.

    Returns
    -------
    Solvent with (n,) arrays.

    Notes
    -----
    Dielectric constant [BP1979]; density and vapour pressure [WP1993]. With q = e²/(4πε₀ ε k T):
    B = √(8π N q ρ/1000), A = B q / (2 ln 10), concentrations in mol/kg [TJ1974].

    Example
    -------
    >>> solvent(np.array([25.0])).debye_a.round(4).tolist()
    [0.51]
    """
    kelvin = temperature_c + KELVIN
    pressure = np.maximum(1.0, saturation_pressure_atm(temperature_c))
    density = density_kg_l(temperature_c)
    dielectric, born = _dielectric(kelvin, pressure * BAR_PER_ATM)
    bjerrum = _CHARGE_SQUARED_OVER_BOLTZMANN / (dielectric * kelvin)
    per_cm = np.sqrt(8.0 * np.pi * _AVOGADRO * bjerrum * density / 1000.0)
    return Solvent(kelvin, pressure, density, per_cm * bjerrum / (2.0 * np.log(10.0)), per_cm * 1e-8, born)
