"""Forces of one corner's spring, stops and damper, at the damper and at the wheel.

In: damper travel (mm), velocity (mm/s). Out: N, positive when the part pushes body and wheel apart. Tables are
straight lines between their rows and go on with their last slope beyond. NaN in, NaN out. Nothing raises for a
validated sheet.
"""

from __future__ import annotations

import numpy as np

from ingest.chunk import Floats
from ingest.sheet_parts import BumpStop, DroopStop, Pair, Spring

# Over this range of velocity a stop goes from its closing to its opening force, so that none jumps at rest.
HYSTERESIS_MM_S = 10.0


class ForceCurve:
    """A table of [x, force] as a function of an array, its end lines prolonged.

    It is the line through 0 plus, from each other row on outwards, what the slope changes there: a few passes over
    the samples instead of a search for each, and exactly the table's force at 0.

    Examples
    --------
    >>> ForceCurve([(0.0, 0.0), (10.0, 100.0)])(np.array([5.0, 20.0])).tolist()
    [50.0, 200.0]
    """

    def __init__(self, table: list[Pair]) -> None:
        x, y = (np.array(column, dtype=np.float64) for column in zip(*table, strict=True))
        slopes = np.diff(y) / np.diff(x)
        piece = int(np.clip(np.searchsorted(x, 0.0, side="right") - 1, 0, len(slopes) - 1))
        self._slope = float(slopes[piece])
        self._at_zero = float(y[piece] - slopes[piece] * x[piece])
        inner = list(zip(x[1:-1].tolist(), np.diff(slopes).tolist(), strict=True))
        self._above = [(place, change) for place, change in inner[piece:] if change != 0.0]
        self._below = [(place, -change) for place, change in inner[:piece] if change != 0.0]

    def __call__(self, x: Floats) -> Floats:
        """Force at an array of places, of the same shape."""
        force: Floats = x * self._slope
        force += self._at_zero
        beyond = np.empty_like(force)
        # An array of zeros costs a third of what a single one costs, in few samples as in many.
        nothing = np.zeros(force.shape, order="F")
        for side, bends in ((np.maximum, self._above), (np.minimum, self._below)):
            for place, change in bends:
                np.subtract(x, place, out=beyond)
                side(beyond, nothing, out=beyond)
                beyond *= change
                force += beyond
        return force


class StopForce:
    """A bump stop's force against damper travel.

    Parameters
    ----------
    stop : BumpStop or None
        None is no stop: no force anywhere.
    """

    def __init__(self, stop: BumpStop | None) -> None:
        self.gap_mm = np.inf if stop is None else stop.gap_mm
        self._curve = None if stop is None else ForceCurve(stop.force)
        self._hysteresis = 0.0 if stop is None else stop.hysteresis

    def __call__(self, travel_mm: Floats, velocity_mm_s: Floats | None = None) -> Floats:
        """Force at the damper, shape of `travel_mm`; without velocity (or where it is NaN) that of closing."""
        force = np.zeros(travel_mm.shape)
        if self._curve is None:
            force[np.isnan(travel_mm)] = np.nan
            return force
        touched = ~(travel_mm <= self.gap_mm)  # an unknown travel has an unknown force
        if touched.any():
            force[touched] = self._curve(travel_mm[touched] - self.gap_mm)
            if self._hysteresis and velocity_mm_s is not None:
                opening = np.clip((HYSTERESIS_MM_S - velocity_mm_s[touched]) / (2.0 * HYSTERESIS_MM_S), 0.0, 1.0)
                force[touched] *= 1.0 - self._hysteresis * np.where(np.isnan(opening), 0.0, opening)
        return force


class DroopStopForce:
    """A droop stop's force against damper travel: 0 or below, since it pulls body and wheel together."""

    def __init__(self, stop: DroopStop | None) -> None:
        self._gap_mm = np.inf if stop is None else stop.gap_mm
        self._curve = None if stop is None else ForceCurve(stop.force)

    def __call__(self, travel_mm: Floats) -> Floats:
        """Force at the damper, shape of `travel_mm`."""
        force = np.zeros(travel_mm.shape)
        if self._curve is not None:
            touched = travel_mm < -self._gap_mm
            if touched.any():
                force[touched] = -self._curve(-travel_mm[touched] - self._gap_mm)
        return force


class SpringForce:
    """A spring's force, known at static and changed from there by its rate or table; a loose spring has none.

    Parameters
    ----------
    spring : Spring
        Rate or table.
    static_n : float, or array that broadcasts against travel
        Its force at static ride height.
    """

    def __init__(self, spring: Spring, static_n: float | Floats) -> None:
        self._static_n = static_n
        self._rate_n_mm = spring.rate_n_mm
        self._curve = None if spring.table is None else ForceCurve(spring.table)
        self._at_zero_n = 0.0 if self._curve is None else float(self._curve(np.zeros(1))[0])

    def __call__(self, travel_mm: Floats) -> Floats:
        """Force at the damper, shape of `travel_mm`."""
        if self._curve is None:
            assert self._rate_n_mm is not None
            force: Floats = self._rate_n_mm * travel_mm
        else:
            force = self._curve(travel_mm) - self._at_zero_n
        force += self._static_n
        nothing = np.zeros(force.shape, order="F")
        return np.maximum(force, nothing, out=force)
