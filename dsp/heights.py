"""What the platform's points did over some samples: lowest height and where, percentiles, time below the limit.

In: heights (mm), NaN where unknown. Out: mergeable counts. Only known time counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dsp.histogram import Bins, quantile
from ingest.chunk import Floats, Ints

# From a floor pressed into the road to one lifted clear of it; half a millimetre is finer than the sensors' sum.
HEIGHT_BINS = Bins(lowest=-100.0, width=0.5, count=1000)


@dataclass
class HeightTally:
    """Counts for each point: `counts` (n_points, bins), lowest height and its sample number, samples below limit."""

    counts: Ints
    lowest_mm: Floats
    lowest_at: list[int | None]
    below: Ints

    @classmethod
    def empty(cls, points: int) -> HeightTally:
        """A tally of nothing for `points` points."""
        return cls(
            HEIGHT_BINS.empty(points) if points else np.zeros((0, HEIGHT_BINS.size), dtype=np.int64),
            np.full(points, np.nan),
            [None] * points,
            np.zeros(points, dtype=np.int64),
        )

    def add(self, first_sample: int, heights_mm: Floats, limits_mm: Floats) -> None:
        """Count heights of shape (n_samples, n_points) against limits of shape (n_points,)."""
        if heights_mm.size == 0:
            return
        self.counts += HEIGHT_BINS.count_values(heights_mm)
        lowest = np.fmin.reduce(heights_mm, axis=0)
        for point in np.flatnonzero((lowest < self.lowest_mm) | (np.isnan(self.lowest_mm) & ~np.isnan(lowest))):
            self.lowest_mm[point] = lowest[point]
            self.lowest_at[point] = first_sample + int(np.nanargmin(heights_mm[:, point]))
        for point in np.flatnonzero(lowest < limits_mm):
            self.below[point] += int(np.count_nonzero(heights_mm[:, point] < limits_mm[point]))

    def merge(self, other: HeightTally) -> None:
        """Add everything another tally, of later samples, counted."""
        self.counts += other.counts
        self.below += other.below
        for point, lowest in enumerate(other.lowest_mm):
            if lowest < self.lowest_mm[point] or (np.isnan(self.lowest_mm[point]) and not np.isnan(lowest)):
                self.lowest_mm[point] = lowest
                self.lowest_at[point] = other.lowest_at[point]

    def height_quantile(self, point: int, share: float) -> float:
        """Height percentile, mm, to a bin's 0.5 mm; NaN when nothing is known."""
        return quantile(HEIGHT_BINS, self.counts[point], share)
