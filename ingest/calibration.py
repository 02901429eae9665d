"""Calibration: sensor readings become damper travel in mm, positive in compression, 0 at static ride height.

In: readings of the four sensors as a log or link delivers them. Out: a new column-major array of damper travel.
Everything affine is folded into one slope and one intercept per corner, so a plain linear sensor costs one
multiply-add; lever geometry and tables (smooth curves through their rows, so that velocity has no steps at them)
follow only where the sheet has them. Sample by sample, no memory: any split gives the same bits. A reading that is
not finite, or that gives a travel beyond all measure, becomes NaN; nothing raises for a validated sheet.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from ingest.chunk import CORNERS, Floats
from ingest.curve import MonotoneCurve
from ingest.sheet import Sheet
from ingest.sheet_parts import Pair, Sensor
from ingest.units import LENGTH_TO_MM

# Beyond this a travel is no length any more, and its powers would overflow further on.
_LARGEST_TRAVEL_MM = 1e9

# Positions, mm or degrees at the sensor, among which a reading is looked for, and how finely: 0.05 mm.
_FARTHEST_POSITION = 2000.0
_GRID_POINTS = 80_001

Curve = Callable[[Floats], Floats]


class _CornerSteps:
    """One corner's way from reading to damper travel: affine, then for some sensors curves and affines in turn."""

    def __init__(self, sensor: Sensor) -> None:
        self.slope, self.intercept = to_position(sensor)
        self.curves: list[tuple[Curve, float, float]] = []
        if sensor.lever is not None:
            radius_mm = sensor.lever.radius_mm
            at_zero = math.radians(sensor.lever.angle_at_zero_deg)
            self._then(math.radians(1.0), at_zero)
            self._through(np.sin)
            self._then(radius_mm, -radius_mm * math.sin(at_zero))
        elif sensor.table is not None:
            self._through_table(sensor.table)
        if isinstance(sensor.damper_per_sensor, list):
            self._through_table(sensor.damper_per_sensor)
        else:
            self._then(sensor.damper_per_sensor, 0.0)
        sign = 1.0 if sensor.compression == "increases" else -1.0
        self._then(sign, -sensor.zero_mm)

    def _then(self, slope: float, intercept: float) -> None:
        """Fold value -> slope x value + intercept into the last affine step."""
        if self.curves:
            curve, before_slope, before_intercept = self.curves[-1]
            self.curves[-1] = (curve, slope * before_slope, slope * before_intercept + intercept)
        else:
            self.slope, self.intercept = slope * self.slope, slope * self.intercept + intercept

    def _through_table(self, table: list[Pair]) -> None:
        """A smooth curve through a table's rows; through two of them it is a line.

        Beyond the table the end slopes go on: a reading out there stays finite and moving, so that the range checks
        see how far beyond it is. Holding the end value would look like a stuck sensor.
        """
        if len(table) == 2:
            (x0, y0), (x1, y1) = table
            slope = (y1 - y0) / (x1 - x0)
            self._then(slope, y0 - slope * x0)
        else:
            self._through(MonotoneCurve.through(table))

    def _through(self, curve: Curve) -> None:
        self.curves.append((curve, 1.0, 0.0))


class Calibration:
    """The four sensors of a sheet, ready to turn readings into damper travel.

    Parameters
    ----------
    sheet : Sheet
        Gives each corner's sensor: unit, calibration points, lever or table, `damper_per_sensor`, polarity and
        zero. Damper travel is +-(position at the damper) - `zero_mm`.
    """

    def __init__(self, sheet: Sheet) -> None:
        steps = [_CornerSteps(sheet.sensor(corner)) for corner in CORNERS]
        self._slopes = np.array([step.slope for step in steps])
        self._intercepts = np.array([step.intercept for step in steps])
        self._curves = [(column, step.curves) for column, step in enumerate(steps) if step.curves]

    def process(self, sensors: Floats) -> Floats:
        """Damper travel of some samples.

        Parameters
        ----------
        sensors : array of shape (n_samples, 4)
            Readings in the order of `CORNERS`, each in its sensor's unit.

        Returns
        -------
        array of shape (n_samples, 4), mm
            Column-major; positive in compression, NaN where the reading can be no position.
        """
        travel_mm = np.empty(sensors.shape, dtype=np.float64, order="F")
        # A reading may be anything a faulty logger writes, so overflow is not news: it ends as NaN below.
        with np.errstate(over="ignore", invalid="ignore"):
            np.multiply(sensors, self._slopes, out=travel_mm)
            travel_mm += self._intercepts
            for column, curves in self._curves:
                values = travel_mm[:, column]
                for curve, slope, intercept in curves:
                    # Each column of a column-major array is contiguous, so numpy takes the same path for any length.
                    values[:] = curve(values)
                    values *= slope
                    values += intercept
        # A NaN makes both extremes NaN, which are within nothing.
        extremes = (travel_mm.min(), travel_mm.max()) if len(travel_mm) else (0.0, 0.0)
        if not (extremes[0] >= -_LARGEST_TRAVEL_MM and extremes[1] <= _LARGEST_TRAVEL_MM):
            travel_mm[~(np.abs(travel_mm) <= _LARGEST_TRAVEL_MM)] = np.nan
        return travel_mm


def to_position(sensor: Sensor) -> tuple[float, float]:
    """Slope and intercept from reading to sensor mm (linear) or degrees (rotary)."""
    if sensor.points is not None:
        (reading_a, position_a), (reading_b, position_b) = sensor.points
        slope = (position_b - position_a) / (reading_b - reading_a)
        return slope, position_a - slope * reading_a
    if sensor.kind == "rotary":
        return (math.degrees(1.0) if sensor.unit == "rad" else 1.0), 0.0
    return LENGTH_TO_MM[sensor.unit], 0.0


def readings_at(sheet: Sheet, travels_mm: Floats) -> Floats:
    """Readings that a car's sensors give at some damper travels: the way back, found on a fine grid.

    Parameters
    ----------
    sheet : Sheet
        The car.
    travels_mm : array of shape (n_travels, 4), mm
        Damper travel at each corner.

    Returns
    -------
    array of shape (n_travels, 4)
        Each in its sensor's unit; NaN where the sensor can't reach that travel.
    """
    calibration = Calibration(sheet)
    grid = np.empty((_GRID_POINTS, 4), order="F")
    for column, corner in enumerate(CORNERS):
        sensor = sheet.sensor(corner)
        lowest, highest = -_FARTHEST_POSITION, _FARTHEST_POSITION
        if sensor.lever is not None:
            # Beyond a right angle to its line of motion a lever would come back.
            lowest, highest = (angle - sensor.lever.angle_at_zero_deg for angle in (-90.0, 90.0))
        slope, intercept = to_position(sensor)
        grid[:, column] = (np.linspace(lowest, highest, _GRID_POINTS) - intercept) / slope
    found = calibration.process(grid)
    readings = np.full(travels_mm.shape, np.nan)
    for column in range(4):
        rising = slice(None) if found[-1, column] > found[0, column] else slice(None, None, -1)
        readings[:, column] = np.interp(
            travels_mm[:, column], found[rising, column], grid[rising, column], left=np.nan, right=np.nan
        )
    return readings
