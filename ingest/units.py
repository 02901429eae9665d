"""The units a car sheet may name, and the factor from each to the house's unit of the same kind.

House units: mm, m, m/s, m/s2, s, degrees, volts, counts. A name outside the table is a mistake in the sheet.
"""

from __future__ import annotations

from typing import Final

STANDARD_GRAVITY_M_S2: Final = 9.80665  # ISO 80000-3, the conventional value

LENGTH_TO_MM: Final[dict[str, float]] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
DISTANCE_TO_M: Final[dict[str, float]] = {"m": 1.0, "km": 1000.0, "mm": 0.001, "ft": 0.3048}
SPEED_TO_M_S: Final[dict[str, float]] = {"m/s": 1.0, "km/h": 1.0 / 3.6, "mph": 0.44704}
ACCELERATION_TO_M_S2: Final[dict[str, float]] = {"m/s2": 1.0, "g": STANDARD_GRAVITY_M_S2}
TIME_TO_S: Final[dict[str, float]] = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
ELECTRICAL: Final[frozenset[str]] = frozenset({"V", "mV", "counts"})
ANGLE: Final[frozenset[str]] = frozenset({"deg", "rad"})
