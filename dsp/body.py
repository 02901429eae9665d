"""Heave, pitch, roll and warp of the body against the road, counted over a lap or a stint.

In: rows of the car's grid. Out: mergeable integer histograms, from which percentiles follow, and the time spent on
kerbs. Warp is what a rigid body on a flat road can't do: beyond a limit a wheel is on a kerb; its middle over straight
running, which should be 0, is a witness of the four sensors' zeros. Unknown rows are not counted.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from dsp.frame import REGIMES, CarBlock
from dsp.histogram import Bins, quantile
from dsp.platform import BodyPlane, weighted_sum
from ingest.chunk import Floats, Ints
from ingest.sheet import Sheet

MOTIONS = ("heave_mm", "pitch_deg", "roll_deg", "warp_mm")
# Widths of the bins: finer than the sensors' sum can tell. 2000 of them reach to 250 mm, and to 25 degrees.
_WIDTHS = np.array([0.25, 0.025, 0.025, 0.25])
_STEPS = Bins(lowest=-1000.0, width=1.0, count=2000)
_STRAIGHT = REGIMES.index("straight")


class BodyMotion:
    """Turns rows into the four motions.

    Parameters
    ----------
    sheet : Sheet
        Geometry.
    plane : BodyPlane
        The body as a plane over the four corners.
    """

    def __init__(self, sheet: Sheet, plane: BodyPlane) -> None:
        self._weights = plane.motion_weights
        self.kerb_mm = sheet.alerts.platform_low.kerb_warp_mm
        car = sheet.car
        front, rear = car.ride_height_front_mm, car.ride_height_rear_mm
        known = front is not None and rear is not None
        self.static_rake_deg = math.nan
        if known:
            assert front is not None
            assert rear is not None
            self.static_rake_deg = math.degrees(math.atan2(rear - front, car.wheelbase_mm))

    def process(self, car: CarBlock) -> Floats:
        """Heave (mm, up), pitch (deg, nose down), roll (deg, right side down), warp (mm): shape (n_rows, 4)."""
        down = car.wheel_mm + car.tyre_mm
        motions = np.empty((len(car), 4), order="F")
        motions[:, 0] = weighted_sum(down, self._weights[0])
        for column in (1, 2):
            motions[:, column] = np.degrees(np.arctan(weighted_sum(down, self._weights[column])))
        motions[:, 3] = car.warp_mm
        return motions


@dataclass
class BodyTally:
    """Counts of the four motions, of warp in straight running, and of rows on a kerb."""

    motions: Ints = field(default_factory=lambda: _STEPS.empty(4))
    straight_warp: Ints = field(default_factory=lambda: _STEPS.empty(1))
    kerb_rows: int = 0

    def add(self, motions: Floats, car: CarBlock, kerb_mm: float) -> None:
        """Count motions of shape (n_rows, 4) of a block's rows."""
        if len(motions) == 0:
            return
        steps = motions / _WIDTHS
        self.motions += _STEPS.count_values(steps)
        straight = car.regime == _STRAIGHT
        if straight.any():
            self.straight_warp += _STEPS.count_values(steps[straight, 3:])
        self.kerb_rows += int(np.count_nonzero(np.abs(motions[:, 3]) > kerb_mm))

    def merge(self, other: BodyTally) -> None:
        """Add everything another tally counted."""
        self.motions += other.motions
        self.straight_warp += other.straight_warp
        self.kerb_rows += other.kerb_rows

    def motion_quantile(self, motion: str, share: float) -> float:
        """Percentile of one of `MOTIONS`, to a bin's width; NaN when nothing is known."""
        number = MOTIONS.index(motion)
        return quantile(_STEPS, self.motions[number], share) * float(_WIDTHS[number])

    @property
    def straight_warp_mm(self) -> float:
        """Median warp in straight running, mm: near 0 when the four zeros agree; NaN when nothing is known."""
        return quantile(_STEPS, self.straight_warp[0], 0.5) * float(_WIDTHS[3])
