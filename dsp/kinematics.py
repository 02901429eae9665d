"""Damper travel to wheel travel and back, wheel rate, ride rate.

Motion ratio is damper travel per wheel travel: a number, or a table against wheel travel between whose knots it
is linear, so damper travel is its integral from static, a parabola per piece with continuous slope. Beyond the
table the end ratios hold. In and out: mm, positive in compression, 0 at static. NaN stays NaN.
"""

from __future__ import annotations

import math

import numpy as np

from ingest.chunk import Floats
from ingest.sheet_parts import slope_at, value_at


class MotionRatio:
    """One corner's linkage.

    Parameters
    ----------
    ratio : float or list of (wheel_travel_mm, ratio)
        Damper travel per wheel travel; every ratio is above 0.
    """

    def __init__(self, ratio: float | list[tuple[float, float]]) -> None:
        self._table = None if isinstance(ratio, int | float) else list(ratio)
        self.constant = float(ratio) if isinstance(ratio, int | float) else None
        if self._table is not None:
            self._wheel, self._ratio = np.array(self._table).T
            steps = np.diff(self._wheel) * (self._ratio[1:] + self._ratio[:-1]) / 2.0
            self._damper = np.concatenate(([0.0], np.cumsum(steps)))
            self._damper -= self._to_damper(np.array([0.0]))[0]

    def ratio_at(self, wheel_travel_mm: float) -> float:
        """Damper travel per wheel travel at one wheel travel."""
        return self.constant if self._table is None and self.constant is not None else self._at(wheel_travel_mm)

    def slope_at(self, wheel_travel_mm: float) -> float:
        """Change of the ratio per mm of wheel travel; 0 for a constant ratio and beyond the table."""
        if self._table is None or not self._wheel[0] <= wheel_travel_mm < self._wheel[-1]:
            return 0.0
        return slope_at(self._table, wheel_travel_mm)

    def to_damper(self, wheel_travel_mm: Floats) -> Floats:
        """Damper travel of an array of wheel travels."""
        if self.constant is not None:
            return wheel_travel_mm * self.constant
        return self._to_damper(wheel_travel_mm)

    def to_wheel(self, damper_travel_mm: Floats) -> Floats:
        """Wheel travel of an array of damper travels: the inverse of `to_damper`."""
        if self.constant is not None:
            return damper_travel_mm / self.constant
        piece, below = self._piece(damper_travel_mm, self._damper)
        start, slope = self._ratio[piece], self._slopes()[piece]
        beyond = (below < 0) | (damper_travel_mm > self._damper[-1])
        start = np.where(damper_travel_mm > self._damper[-1], self._ratio[-1], start)
        origin = np.where(damper_travel_mm > self._damper[-1], self._wheel[-1], self._wheel[piece])
        along = np.where(damper_travel_mm > self._damper[-1], damper_travel_mm - self._damper[-1], below)
        slope = np.where(beyond, 0.0, slope)
        # The root of slope/2 x^2 + start x = along that is 0 at 0, in the form that does not cancel.
        with np.errstate(invalid="ignore"):
            root = np.sqrt(np.maximum(start * start + 2.0 * slope * along, 0.0))
            travel: Floats = origin + 2.0 * along / (start + root)
        return travel

    def _at(self, wheel_travel_mm: float) -> float:
        assert self._table is not None
        return value_at(self._table, wheel_travel_mm)

    def _to_damper(self, wheel_travel_mm: Floats) -> Floats:
        piece, along = self._piece(wheel_travel_mm, self._wheel)
        slope = np.where(along < 0, 0.0, self._slopes()[piece])
        inside = self._damper[piece] + along * (self._ratio[piece] + slope * along / 2.0)
        past = self._damper[-1] + (wheel_travel_mm - self._wheel[-1]) * self._ratio[-1]
        travel: Floats = np.where(wheel_travel_mm > self._wheel[-1], past, inside)
        return travel

    def _slopes(self) -> Floats:
        slopes: Floats = np.diff(self._ratio) / np.diff(self._wheel)
        return slopes

    @staticmethod
    def _piece(values: Floats, knots: Floats) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.intp]], Floats]:
        """Piece each value lies in (the first one for values below), and how far into it."""
        piece = np.clip(np.searchsorted(knots, values, side="right") - 1, 0, len(knots) - 2)
        return piece, values - knots[piece]


def wheel_rate_n_mm(
    spring_rate_n_mm: float, motion_ratio: float, spring_force_n: float = 0.0, ratio_slope_per_mm: float = 0.0
) -> float:
    """Wheel rate: spring rate times the ratio squared, plus spring force times the ratio's slope.

    Sources: Barton & Fieldhouse, Automotive Chassis Engineering (2018), eq. 3.33, for a constant ratio; the second
    term after Milliken & Milliken, Race Car Vehicle Dynamics, ch. 16 (from memory).

    Examples
    --------
    >>> round(wheel_rate_n_mm(100.0, 0.86, 2490.0, 0.002), 2)
    78.94
    """
    return spring_rate_n_mm * motion_ratio**2 + spring_force_n * ratio_slope_per_mm


def ride_rate_n_mm(wheel_rate: float, tyre_rate: float | None) -> float:
    """Wheel rate and tyre rate in series; the wheel rate alone when the tyre's is not known."""
    if tyre_rate is None:
        return wheel_rate
    return wheel_rate * tyre_rate / (wheel_rate + tyre_rate)


def ride_frequency_hz(ride_rate: float, sprung_mass_kg: float) -> float:
    """Undamped frequency of a sprung mass on its ride rate (N/mm)."""
    return math.sqrt(ride_rate * 1000.0 / sprung_mass_kg) / (2.0 * math.pi)


def damping_ratio(coefficient_n_s_mm: float, motion_ratio: float, wheel_rate: float, sprung_mass_kg: float) -> float:
    """Damping ratio c MR^2 / (2 sqrt(k m)) of a corner on its wheel rate (Dixon, from memory)."""
    at_wheel = coefficient_n_s_mm * 1000.0 * motion_ratio**2
    return at_wheel / (2.0 * math.sqrt(wheel_rate * 1000.0 * sprung_mass_kg))
