"""Undamped frequencies of a corner as two masses on two springs: the body on the spring, the wheel on the tyre.

In: masses in kg, rates in N/mm at the wheel. Out: Hz. A closed form; nothing raises for masses and rates above 0.
"""

from __future__ import annotations

import math


def two_mass_frequencies_hz(
    sprung_mass_kg: float, unsprung_mass_kg: float, wheel_rate_n_mm: float, tyre_rate_n_mm: float
) -> tuple[float, float]:
    """Frequencies of body and wheel hop: the roots of the two-mass model's characteristic equation.

    Source: Barton & Fieldhouse, Automotive Chassis Engineering (2018), p. 209.

    Returns
    -------
    tuple of two floats, Hz
        The body's, near that of the sprung mass on spring and tyre in series; the wheel's, near that of the unsprung
        mass between both.

    Examples
    --------
    >>> body, hop = two_mass_frequencies_hz(317.5, 45.4, 22.0, 192.0)
    >>> round(body, 3), round(hop, 3)
    (1.254, 10.935)
    """
    spring, tyre = 1000.0 * wheel_rate_n_mm, 1000.0 * tyre_rate_n_mm
    # w^4 - middle w^2 + last = 0; the small root from the product of the two, since their difference would cancel.
    middle = spring / sprung_mass_kg + (spring + tyre) / unsprung_mass_kg
    last = spring / sprung_mass_kg * (tyre / unsprung_mass_kg)
    large = (middle + math.sqrt(middle * middle - 4.0 * last)) / 2.0
    return math.sqrt(last / large) / (2.0 * math.pi), math.sqrt(large) / (2.0 * math.pi)
