"""Density of moist air, from the sheet's air or from a temperature, pressure and humidity.

The formula is CIPM-2007: Picard, Davis, Glaeser & Fujii, Revised formula for the density of moist air, Metrologia 45
(2008) 149. In: C, hPa, % relative humidity. Out: kg/m3. Its uncertainty is a few parts in 1e5 between 600 and 1100 hPa
and 15 and 27 C; farther out it only gets less accurate. Pure functions; nothing raises.
"""

from __future__ import annotations

import math
from typing import Final

from ingest.sheet_air import Air

STANDARD_DENSITY_KG_M3: Final = 1.225  # ISO 2533, sea level
GIVEN: Final = "given"
FROM_WEATHER: Final = "from temperature, pressure and humidity"
ASSUMED: Final = "standard atmosphere assumed"

# The paper's constants, SI units; t in C and T in K.
_GAS_CONSTANT: Final = 8.314472  # J/(mol K), CODATA 2006
_DRY_AIR_KG_MOL: Final = 28.96546e-3  # at a mole fraction of carbon dioxide of 400 ppm
_WATER_KG_MOL: Final = 18.01528e-3
_SATURATION: Final = (1.2378847e-5, -1.9121316e-2, 33.93711047, -6.3431645e3)
_ENHANCEMENT: Final = (1.00062, 3.14e-8, 5.6e-7)
_COMPRESSIBILITY: Final = (1.58123e-6, -2.9331e-8, 1.1043e-10)
_COMPRESSIBILITY_WATER: Final = (5.707e-6, -2.051e-8, 1.9898e-4, -2.376e-6)
_COMPRESSIBILITY_SQUARE: Final = (1.83e-11, -0.765e-8)


def saturation_pressure_pa(temperature_c: float) -> float:
    """Vapour pressure of water at saturation, Pa.

    Examples
    --------
    >>> round(saturation_pressure_pa(20.0))
    2339
    """
    kelvin = temperature_c + 273.15
    a, b, c, d = _SATURATION
    return math.exp(a * kelvin**2 + b * kelvin + c + d / kelvin)


def moist_air_density_kg_m3(temperature_c: float, pressure_hpa: float, humidity_percent: float) -> float:
    """Density of air with 400 ppm of carbon dioxide, kg/m3.

    Parameters
    ----------
    temperature_c : float, C
    pressure_hpa : float, hPa
        At the place, not reduced to sea level.
    humidity_percent : float, %
        Relative humidity, 0 to 100.

    Examples
    --------
    >>> round(moist_air_density_kg_m3(20.0, 1013.25, 50.0), 6)
    1.199314
    """
    kelvin, pressure = temperature_c + 273.15, pressure_hpa * 100.0
    alpha, beta, gamma = _ENHANCEMENT
    enhancement = alpha + beta * pressure + gamma * temperature_c**2
    water = humidity_percent / 100.0 * enhancement * saturation_pressure_pa(temperature_c) / pressure
    a0, a1, a2 = _COMPRESSIBILITY
    b0, b1, c0, c1 = _COMPRESSIBILITY_WATER
    d, e = _COMPRESSIBILITY_SQUARE
    over = pressure / kelvin
    virial = a0 + a1 * temperature_c + a2 * temperature_c**2
    virial += (b0 + b1 * temperature_c) * water + (c0 + c1 * temperature_c) * water**2
    compressibility = 1.0 - over * virial + over**2 * (d + e * water**2)
    dry = over * _DRY_AIR_KG_MOL / (compressibility * _GAS_CONSTANT)
    return dry * (1.0 - water * (1.0 - _WATER_KG_MOL / _DRY_AIR_KG_MOL))


def density_of(air: Air) -> tuple[float, str]:
    """Density in kg/m3 of a sheet's air, and how it is known: `GIVEN`, `FROM_WEATHER` or `ASSUMED`.

    Examples
    --------
    >>> density_of(Air())
    (1.225, 'standard atmosphere assumed')
    """
    if air.density_kg_m3 is not None:
        return air.density_kg_m3, GIVEN
    if air.temperature_c is not None and air.pressure_hpa is not None:
        return moist_air_density_kg_m3(air.temperature_c, air.pressure_hpa, air.humidity_percent), FROM_WEATHER
    return STANDARD_DENSITY_KG_M3, ASSUMED
