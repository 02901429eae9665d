"""What the platform's points did over some rows: lowest height and where, percentiles, time and places below the limit.

In: rows of a `CarBlock` (heights in mm, NaN where unknown) and the limits. Out: mergeable tallies, whole numbers where
something is counted, and the time left to the limit at the present rate of closing. Only known heights count; times
are in rows of the car's grid. A tally's size does not grow with the run.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np

from dsp.frame import REGIMES, CarBlock
from dsp.histogram import Bins, quantile
from ingest.chunk import Bools, Floats, Ints

# From a floor pressed into the road to one lifted clear of it; half a millimetre is finer than the sensors' sum.
HEIGHT_BINS = Bins(lowest=-100.0, width=0.5, count=1000)
# A car passes a bin in a quarter of a second or more; 40 km hold the longest lap there is, twice.
PLACE_BIN_M = 20.0
PLACE_BINS = 2000
# The body moves at 1 to 4 Hz: a tenth of a second is well within one of its strokes and well beyond a wheel's.
_CLOSING_OVER_S = 0.1
# One millimetre in that tenth: several times what the sensors' noise makes of a body at rest.
LEAST_CLOSING_MM_S = 10.0


@dataclass(frozen=True)
class Stretch:
    """A stretch of the lap in which a point was below its limit: distances, time there in all, lowest height."""

    from_m: float
    to_m: float
    time_s: float
    lowest_mm: float


@dataclass
class HeightTally:
    """Counts of rows for each point.

    Attributes
    ----------
    counts : array of shape (n_points, bins)
        Rows by height, see `HEIGHT_BINS`.
    lowest_mm : array of shape (n_points,)
        Lowest height; NaN when none is known.
    lowest_at : list of int or None
        Device number of its sample.
    lowest_regime : list of str
        What the car was doing then, of `REGIMES`.
    lowest_place_m : array of shape (n_points,)
        How far from the lap's start that was.
    below : array of shape (n_points,)
        Rows below the limit.
    below_by_regime : array of shape (n_points, len(REGIMES))
        The same rows by what the car was doing.
    places : list of dict
        For each point: bin of `PLACE_BIN_M` along the lap to (rows below, lowest height there). Rows whose distance is
        unknown, or beyond `PLACE_BINS`, are left out here.
    shortest_s, shortest_at : array of shape (n_points,), list of int or None
        Shortest time to the limit at the rate of closing, and its sample; NaN when it was never closed upon.
    """

    counts: Ints
    lowest_mm: Floats
    lowest_at: list[int | None]
    lowest_regime: list[str]
    lowest_place_m: Floats
    below: Ints
    below_by_regime: Ints
    places: list[dict[int, tuple[int, float]]]
    shortest_s: Floats
    shortest_at: list[int | None]

    @classmethod
    def empty(cls, points: int) -> HeightTally:
        """A tally of nothing for `points` points."""
        return cls(
            counts=HEIGHT_BINS.empty(points),
            lowest_mm=np.full(points, np.nan),
            lowest_at=[None] * points,
            lowest_regime=[REGIMES[0]] * points,
            lowest_place_m=np.full(points, np.nan),
            below=np.zeros(points, dtype=np.int64),
            below_by_regime=np.zeros((points, len(REGIMES)), dtype=np.int64),
            places=[{} for _ in range(points)],
            shortest_s=np.full(points, np.nan),
            shortest_at=[None] * points,
        )

    def add(self, car: CarBlock, limits_mm: Floats, time_to_limit_s: Floats | None = None) -> None:
        """Count a block's rows against limits of shape (n_points,); `time_to_limit_s` is `ClosingWatch`'s of them."""
        heights = car.heights_mm
        if heights.size == 0:
            return
        self.counts += HEIGHT_BINS.count_values(heights)
        lowest = np.fmin.reduce(heights, axis=0)
        for point in np.flatnonzero(_lower(lowest, self.lowest_mm)).tolist():
            row = int((heights[:, point] == lowest[point]).argmax())
            self.lowest_mm[point] = lowest[point]
            self.lowest_at[point] = car.sample(row)
            self.lowest_regime[point] = REGIMES[int(car.regime[row])]
            self.lowest_place_m[point] = car.place_m[row]
        for point in np.flatnonzero(lowest < limits_mm).tolist():
            self._add_below(point, heights[:, point], float(limits_mm[point]), car)
        if time_to_limit_s is not None:
            shortest = np.fmin.reduce(time_to_limit_s, axis=0)
            for point in np.flatnonzero(_lower(shortest, self.shortest_s)).tolist():
                self.shortest_s[point] = shortest[point]
                self.shortest_at[point] = car.sample(int((time_to_limit_s[:, point] == shortest[point]).argmax()))

    def _add_below(self, point: int, heights: Floats, limit_mm: float, car: CarBlock) -> None:
        rows = np.flatnonzero(heights < limit_mm)
        self.below[point] += len(rows)
        self.below_by_regime[point] += np.bincount(car.regime[rows], minlength=len(REGIMES))
        place = np.floor(car.place_m[rows] / PLACE_BIN_M)
        placed = (place >= 0.0) & (place < PLACE_BINS)
        bins, low = place[placed].astype(np.int64), heights[rows[placed]]
        for number in np.unique(bins).tolist():
            here = low[bins == number]
            self._join(point, number, len(here), float(here.min()))

    def _join(self, point: int, number: int, rows: int, lowest: float) -> None:
        before = self.places[point].get(number, (0, math.inf))
        self.places[point][number] = (before[0] + rows, min(before[1], lowest))

    def merge(self, other: HeightTally) -> None:
        """Add everything another tally, of later samples, counted."""
        self.counts += other.counts
        self.below += other.below
        self.below_by_regime += other.below_by_regime
        for point in np.flatnonzero(_lower(other.lowest_mm, self.lowest_mm)).tolist():
            self.lowest_mm[point] = other.lowest_mm[point]
            self.lowest_at[point] = other.lowest_at[point]
            self.lowest_regime[point] = other.lowest_regime[point]
            self.lowest_place_m[point] = other.lowest_place_m[point]
        for point in np.flatnonzero(_lower(other.shortest_s, self.shortest_s)).tolist():
            self.shortest_s[point] = other.shortest_s[point]
            self.shortest_at[point] = other.shortest_at[point]
        for point, places in enumerate(other.places):
            for number, (rows, lowest) in places.items():
                self._join(point, number, rows, lowest)

    def height_quantile(self, point: int, share: float) -> float:
        """Height percentile, mm, to a bin's 0.5 mm; NaN when nothing is known."""
        return quantile(HEIGHT_BINS, self.counts[point], share)

    def stretches(self, point: int, row_rate_hz: float) -> list[Stretch]:
        """Where on the lap a point was below its limit: neighbouring bins joined, the longest time first, then lowest.

        `row_rate_hz` is the grid's; of many laps the times add up.
        """
        found = []
        numbers = sorted(self.places[point])
        # Neighbours share the difference between their number and their rank.
        for _, group in itertools.groupby(enumerate(numbers), lambda entry: entry[1] - entry[0]):
            run = [number for _, number in group]
            rows = sum(self.places[point][number][0] for number in run)
            lowest = min(self.places[point][number][1] for number in run)
            found.append(Stretch(run[0] * PLACE_BIN_M, (run[-1] + 1) * PLACE_BIN_M, rows / row_rate_hz, lowest))
        return sorted(found, key=lambda stretch: (-stretch.time_s, stretch.lowest_mm, stretch.from_m))


def _lower(values: Floats, than: Floats) -> Bools:
    """Where a known value is below another, or is the first that is known."""
    lower: Bools = (values < than) | (np.isnan(than) & ~np.isnan(values))
    return lower


class ClosingWatch:
    """Time to each point's limit, were the height to go on falling as it did over the last tenth of a second.

    Parameters
    ----------
    limits_mm : array of shape (n_points,)
        Limits.
    row_rate_hz : float
        Rows a second of the car's grid.
    """

    def __init__(self, limits_mm: Floats, row_rate_hz: float) -> None:
        self._limits_mm = limits_mm
        self._lag = max(1, round(_CLOSING_OVER_S * row_rate_hz))
        self._over_s = self._lag / row_rate_hz
        self._before = np.empty((0, len(limits_mm)), order="F")
        # The newest row's times, s: NaN where the point is not above its limit and closing, or unknown.
        self.newest_s: Floats = np.full(len(limits_mm), np.nan)

    def times_s(self, car: CarBlock) -> Floats:
        """Times to the limit, shape (n_rows, n_points), of the next rows; NaN where there is nothing to foresee.

        That is: at or below the limit, closing slower than `LEAST_CLOSING_MM_S`, or unknown now or a tenth ago.
        """
        if car.starts_stretch:
            self._before = self._before[:0]
            self.newest_s = np.full(len(self._limits_mm), np.nan)
        times = np.full(car.heights_mm.shape, np.nan, order="F")
        if len(car) == 0:
            return times
        known = len(self._before) + len(car) - self._lag
        if known > 0:
            # Point by point: what is in between stays in the core's second cache.
            for point, limit_mm in enumerate(self._limits_mm.tolist()):
                heights = np.concatenate((self._before[:, point], car.heights_mm[:, point]))
                # Rows that have another one a tenth before them are the last ones of this block.
                now = heights[self._lag :]
                closing = heights[:known] - now
                closing /= self._over_s
                margin = np.subtract(now, limit_mm, out=times[len(car) - known :, point])
                away = closing < LEAST_CLOSING_MM_S
                away |= margin <= 0.0
                np.putmask(closing, away, np.nan)
                np.divide(margin, closing, out=margin)
        newest = car.heights_mm[-self._lag :]
        missing = self._lag - len(newest)
        if missing > 0:
            newest = np.concatenate((self._before[-missing:], newest))
        self._before = newest.copy(order="F")
        self.newest_s = times[-1].copy()
        return times
