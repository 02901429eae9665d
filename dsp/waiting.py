"""Short blocks, as a live link brings them, until there are enough of them to be counted together.

In: what is to be counted of consecutive blocks of one stretch. Out: the same as one block. Room for a fixed number of
samples; who fills it takes what is there before there is too much. Nothing raises.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.frame import CarBlock
from ingest.chunk import Floats


@dataclass(frozen=True)
class Seen:
    """What of a block, or of several in a row, is to be counted."""

    first_sample: int
    starts_stretch: bool
    travel_mm: Floats
    velocity_mm_s: Floats
    speed_m_s: Floats | None
    car: CarBlock


class WaitingBlocks:
    """Short blocks of one stretch that follow on each other and wait to be counted together.

    They are packed as they come: to join some hundred blocks column by column would take longer than to count them.

    Parameters
    ----------
    most : int
        Samples that there is room for.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._first: Seen | None = None
        self._samples, self._rows = np.empty((0, 0)), np.empty((0, 0))
        self._row_count = 0
        self.count = 0

    def add(self, seen: Seen) -> None:
        """Take the next block."""
        columns = [seen.travel_mm.T, seen.velocity_mm_s.T]
        if seen.speed_m_s is not None:
            columns.append(seen.speed_m_s[np.newaxis])
        rows = seen.car.columns()
        if self._first is None:
            self._first = seen
            self._samples = np.empty((sum(map(len, columns)), self._most))
            self._rows = np.empty((sum(map(len, rows)), self._most // seen.car.stride + 1))
        begin, self.count = self.count, self.count + len(seen.travel_mm)
        np.concatenate(columns, out=self._samples[:, begin : self.count])
        begin, self._row_count = self._row_count, self._row_count + len(seen.car)
        np.concatenate(rows, out=self._rows[:, begin : self._row_count])

    def take(self) -> Seen | None:
        """What waited, as one block, and forget it; None if nothing did."""
        first = self._first
        if first is None:
            return None
        samples, car = self._samples[:, : self.count], first.car.with_columns(self._rows[:, : self._row_count])
        self._first, self.count, self._row_count = None, 0, 0
        speed = None if first.speed_m_s is None else samples[8]
        return Seen(first.first_sample, first.starts_stretch, samples[:4].T, samples[4:8].T, speed, car)
