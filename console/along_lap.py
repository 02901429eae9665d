"""The platform along the lap: the lowest height of each point in each stretch of it, over the whole stint.

In: rows of the car's grid. Out: the record `along_lap` of the results. Extremes only, so any split of the stream gives
the same; memory is bounded by the longest lap there is. Rows without a known place, or in which the car is known to be
too slow to count, are left out. Never raises.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from dsp.frame import CarBlock
from dsp.heights import PLACE_BIN_M, PLACE_BINS
from ingest.chunk import Floats


class AlongLap:
    """Lowest heights by place; a stretch is `dsp.heights.PLACE_BIN_M` long."""

    def __init__(self) -> None:
        self._lowest: dict[int, Floats] = {}  # number of the stretch to heights of shape (n_points,)

    def add(self, car: CarBlock, slowest_m_s: float) -> None:
        """Take rows; `slowest_m_s` is the speed below which the car does not count as running."""
        if car.heights_mm.size == 0:
            return
        running = car.running(slowest_m_s)
        with np.errstate(invalid="ignore"):
            place = np.floor(car.place_m / PLACE_BIN_M)
            placed = (place >= 0.0) & (place < PLACE_BINS)  # false where the place is unknown
        numbers, heights = place[placed].astype(np.int64), running.heights_mm[placed]
        if len(numbers) == 0:
            return
        starts = np.concatenate(([0], np.flatnonzero(np.diff(numbers)) + 1))
        for number, lowest in zip(numbers[starts].tolist(), np.fmin.reduceat(heights, starts, axis=0), strict=True):
            before = self._lowest.get(number)
            self._lowest[number] = lowest if before is None else np.fmin(before, lowest)

    def record(self, points: tuple[str, ...]) -> dict[str, Any]:
        """What results hold: where each stretch begins, and heights there for each point, unknown ones NaN."""
        length = max(self._lowest, default=-1) + 1
        table = np.full((length, len(points)), np.nan)
        for number, lowest in self._lowest.items():
            table[number] = lowest
        return {
            "step_m": PLACE_BIN_M,
            "from_m": [PLACE_BIN_M * number for number in range(length)],
            "lowest_mm": {name: table[:, place] for place, name in enumerate(points)},
        }
