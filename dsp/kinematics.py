"""Damper travel to wheel travel and back, wheel rate, ride rate.

Motion ratio is damper travel per wheel travel: a number, a table of it against wheel travel, or the slope of a table
of damper against wheel travel; always continuous and above 0, so that velocities at the wheel have no steps. Beyond a
table its end ratios hold. In and out: mm, positive in compression, 0 at static. NaN stays NaN; elementwise, so that
any split gives the same bits.
"""

from __future__ import annotations

import math
from typing import Self, TypeAlias

import numpy as np

from ingest.chunk import Floats
from ingest.curve import MonotoneCurve
from ingest.sheet_parts import Suspension, slope_at, value_at

_Places: TypeAlias = np.ndarray[tuple[int, ...], np.dtype[np.intp]]


class MotionRatio:
    """One corner's linkage.

    Parameters
    ----------
    ratio : float or list of (wheel_travel_mm, ratio)
        Damper travel per wheel travel; every ratio is above 0. Between a table's rows the ratio is linear, so damper
        travel is its integral from static, a parabola per piece; beyond it the end ratios hold.
    travels : list of (wheel_travel_mm, damper_travel_mm)
        The travels themselves instead of `ratio`: a monotone cubic through the rows, shifted so that wheel travel 0
        is damper travel 0.
    """

    def __init__(
        self,
        ratio: float | list[tuple[float, float]] | None = None,
        *,
        travels: list[tuple[float, float]] | None = None,
    ) -> None:
        self.constant: float | None = None
        self._linkage: _RatioTable | _TravelTable | None = None
        if travels is not None:
            self._linkage = _TravelTable(travels)
        elif isinstance(ratio, list):
            self._linkage = _RatioTable(ratio)
        elif ratio is not None:
            self.constant = float(ratio)
        if (ratio is None) == (travels is None):
            raise ValueError("a linkage is given either by its ratio or by its travels")

    @classmethod
    def of(cls, suspension: Suspension) -> Self:
        """The linkage of one corner's suspension, whichever way the sheet gives it."""
        return cls(suspension.motion_ratio_damper_per_wheel, travels=suspension.damper_against_wheel_mm)

    def ratio_at(self, wheel_travel_mm: float) -> float:
        """Damper travel per wheel travel at one wheel travel."""
        if self._linkage is None:
            assert self.constant is not None
            return self.constant
        return self._linkage.ratio_at(wheel_travel_mm)

    def slope_at(self, wheel_travel_mm: float) -> float:
        """Change of the ratio per mm of wheel travel; 0 for a constant ratio and beyond the table.

        At a row of a table of ratios it is the slope above, at a row of a table of travels the mean of both sides.
        """
        return 0.0 if self._linkage is None else self._linkage.slope_at(wheel_travel_mm)

    def to_damper(self, wheel_travel_mm: Floats) -> Floats:
        """Damper travel of an array of wheel travels."""
        if self._linkage is None:
            assert self.constant is not None
            return wheel_travel_mm * self.constant
        return self._linkage.to_damper(wheel_travel_mm)

    def to_wheel(self, damper_travel_mm: Floats) -> Floats:
        """Wheel travel of an array of damper travels: the inverse of `to_damper`."""
        if self._linkage is None:
            assert self.constant is not None
            return damper_travel_mm / self.constant
        return self._linkage.to_wheel(damper_travel_mm)

    def ratio_of(self, damper_travel_mm: Floats) -> Floats:
        """Local ratio d(damper)/d(wheel) at an array of damper travels.

        A constant ratio is known wherever the damper is, so there it is not NaN where the travel is.
        """
        if self._linkage is None:
            assert self.constant is not None
            return np.full(damper_travel_mm.shape, self.constant)
        return self._linkage.ratio_of(damper_travel_mm)

    def wheel_velocity(self, damper_travel_mm: Floats, damper_velocity_mm_s: Floats) -> Floats:
        """Wheel velocity, mm/s, of arrays of damper travel and velocity: velocity by local ratio."""
        if self.constant is not None:
            return damper_velocity_mm_s / self.constant
        return damper_velocity_mm_s / self.ratio_of(damper_travel_mm)


class _RatioTable:
    """A ratio that is linear between knots of wheel travel."""

    def __init__(self, table: list[tuple[float, float]]) -> None:
        self._table = list(table)
        self._wheel, self._ratio = np.array(table, dtype=np.float64).T
        steps = np.diff(self._wheel) * (self._ratio[1:] + self._ratio[:-1]) / 2.0
        self._slopes: Floats = np.diff(self._ratio) / np.diff(self._wheel)
        self._damper = np.concatenate(([0.0], np.cumsum(steps)))
        self._damper -= self.to_damper(np.array([0.0]))[0]

    def ratio_at(self, wheel_travel_mm: float) -> float:
        return value_at(self._table, wheel_travel_mm)

    def slope_at(self, wheel_travel_mm: float) -> float:
        if not self._wheel[0] <= wheel_travel_mm < self._wheel[-1]:
            return 0.0
        return slope_at(self._table, wheel_travel_mm)

    def to_damper(self, wheel_travel_mm: Floats) -> Floats:
        knot, along, slope = self._piece(wheel_travel_mm, self._wheel)
        travel: Floats = self._damper[knot] + along * (self._ratio[knot] + slope * along / 2.0)
        return travel

    def to_wheel(self, damper_travel_mm: Floats) -> Floats:
        knot, along, slope = self._piece(damper_travel_mm, self._damper)
        # The root of slope/2 x^2 + start x = along that is 0 at 0, in the form that does not cancel.
        travel: Floats = self._wheel[knot] + 2.0 * along / (self._ratio[knot] + self._root(knot, along, slope))
        return travel

    def ratio_of(self, damper_travel_mm: Floats) -> Floats:
        return self._root(*self._piece(damper_travel_mm, self._damper))

    def _root(self, knot: _Places, along_damper: Floats, slope: Floats) -> Floats:
        """The ratio some damper travel past a knot: its square rises by twice the slope for each mm."""
        start = self._ratio[knot]
        root: Floats = np.sqrt(np.maximum(start * start + 2.0 * slope * along_damper, 0.0))
        return root

    def _piece(self, values: Floats, knots: Floats) -> tuple[_Places, Floats, Floats]:
        """Knot that each value is measured from (an end knot beyond the table), how far past it, slope there."""
        above = np.searchsorted(knots, values, side="right")
        knot = np.maximum(above - 1, 0)
        slope = np.concatenate(([0.0], self._slopes, [0.0]))[above]
        return knot, values - knots[knot], slope


class _TravelTable:
    """A curve of damper travel against wheel travel."""

    def __init__(self, table: list[tuple[float, float]]) -> None:
        curve = MonotoneCurve.through(table)
        self._curve = curve.shifted(-float(curve(np.zeros(1))[0]))
        self._inverse = self._curve.inverse()

    def ratio_at(self, wheel_travel_mm: float) -> float:
        return float(self._curve.slope(np.array([wheel_travel_mm]))[0])

    def slope_at(self, wheel_travel_mm: float) -> float:
        return self._curve.bend(wheel_travel_mm)

    def to_damper(self, wheel_travel_mm: Floats) -> Floats:
        return self._curve(wheel_travel_mm)

    def to_wheel(self, damper_travel_mm: Floats) -> Floats:
        return self._inverse(damper_travel_mm)

    def ratio_of(self, damper_travel_mm: Floats) -> Floats:
        ratio: Floats = 1.0 / self._inverse.slope(damper_travel_mm)
        return ratio


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
