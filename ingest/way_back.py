"""The way back from damper travel to a sensor's reading, as a table: what a reading would have been at another travel.

In: readings and the travel to add to what they show. Out: readings, in the sensor's unit. Where nothing is added the
reading stays as it is, to the bit; one in whole converter counts stays one, none leaves the rails. Sample by sample.
"""

from __future__ import annotations

import math

import numpy as np

from ingest.calibration import readings_at
from ingest.chunk import CORNERS, Floats
from ingest.sheet import Sheet
from ingest.sheet_parts import Sensor

# How far beyond the stroke a fault may carry a reading, and how finely the table lies: the curves between are smooth.
_BEYOND_MM = 250.0
_STEP_MM = 0.1
# How far beyond its reading_range a rail lies where the sheet does not say: a share of the range.
_RAIL_BEYOND = 0.05
_SMALLEST_CONVERTER_BITS, _LARGEST_CONVERTER_BITS = 8, 24


def rails_of(sensor: Sensor) -> tuple[float, float] | None:
    """The lowest and the highest reading that there can be, beyond the sheet's range; None where it gives none.

    Examples
    --------
    >>> rails_of(Sensor(unit="V", points=((0.5, 0), (4.5, 80)), reading_range=(0.3, 4.7)))
    (0.08, 4.92)
    >>> rails_of(Sensor(unit="counts", points=((205, 0), (3890, 100)), reading_range=(150, 3945)))
    (0.0, 4095.0)
    """
    if sensor.reading_range is None:
        return None
    lowest, highest = sensor.reading_range
    beyond = _RAIL_BEYOND * (highest - lowest)
    if sensor.unit != "counts":
        return round(lowest - beyond, 6), round(highest + beyond, 6)
    # A converter's largest number: the first of all ones above the range.
    bits = range(_SMALLEST_CONVERTER_BITS, _LARGEST_CONVERTER_BITS + 1)
    largest = next((2.0**bit - 1.0 for bit in bits if 2.0**bit - 1.0 > highest), highest + beyond)
    return (0.0 if lowest > 0.0 else lowest - beyond), largest


class WayBack:
    """One corner's sensor.

    Parameters
    ----------
    sheet : Sheet
        The car.
    corner : str
        FL, FR, RL or RR.
    """

    def __init__(self, sheet: Sheet, corner: str) -> None:
        part = sheet.suspension(corner)
        lowest, highest = -part.travel_to_full_droop_mm - _BEYOND_MM, part.travel_to_full_bump_mm + _BEYOND_MM
        travels = np.linspace(lowest, highest, round((highest - lowest) / _STEP_MM) + 1)
        readings = readings_at(sheet, np.repeat(travels[:, np.newaxis], 4, axis=1))[:, CORNERS.index(corner)]
        reached = np.isfinite(readings)  # a lever reaches so far only; there a reading stays at its end
        self._travels, self._readings = travels[reached], readings[reached]
        self._rails = rails_of(sheet.sensor(corner)) or (-math.inf, math.inf)
        self._whole = sheet.sensor(corner).unit == "counts"

    def reading(self, travel_mm: Floats) -> Floats:
        """Ideal reading at an array of travels; NaN where that is NaN."""
        return np.interp(travel_mm, self._travels, self._readings)

    def moved(self, readings: Floats, travel_mm: Floats, added_mm: Floats) -> Floats:
        """Readings as they would be with some travel more.

        Parameters
        ----------
        readings, travel_mm, added_mm : array of shape (n_samples,)
            What was read, the travel that it shows, and what is to be added. A sample where either is NaN stays.

        Returns
        -------
        array of shape (n_samples,)
        """
        change = self.reading(travel_mm + added_mm) - self.reading(travel_mm)
        result = np.clip(readings + np.where(np.isnan(change), 0.0, change), *self._rails)
        if self._whole:
            # A converter gives whole numbers; a log of averages does not, and keeps what it has.
            whole = readings == np.rint(readings)
            result[whole] = np.rint(result[whole])
        return np.where(change != 0.0, result, readings)
