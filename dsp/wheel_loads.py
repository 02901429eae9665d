"""What the wheels carried over some rows, and how fast they moved: percentiles, lightest moments, balance.

In: rows of a `CarBlock` (loads in N, NaN where unknown) and static loads. Out: a mergeable tally, whole numbers where
something is counted or added up. Only known loads count; times are in rows of the car's grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from dsp.frame import CarBlock
from dsp.histogram import Bins, quantile
from ingest.chunk import Floats, Ints

# Up to a laden truck's wheel at twice its static load; 50 N is finer than any sheet knows the springs.
LOAD_BINS = Bins(lowest=0.0, width=50.0, count=2000)
# Off the road, or so nearly that it grips no more: the loads' own error is larger than a fiftieth.
UNLOADED_SHARE = 0.02
# The stop's share of a load lower than this part of static tells of the low load, not of the stop.
_LEAST_FOR_PEAK = 0.5
# Sums are kept in hundredths of a newton, so that they are whole numbers and no split changes them.
_PER_NEWTON = 100.0


@dataclass
class LoadTally:
    """Counts of rows for each corner.

    Attributes
    ----------
    counts : array of shape (4, bins)
        Rows by load, see `LOAD_BINS`.
    load_sum : array of shape (4,)
        Known loads added up, in 0.01 N.
    lowest_n, highest_n : array of shape (4,)
        Extremes; NaN when no load is known.
    unloaded : array of shape (4,)
        Rows with less than `UNLOADED_SHARE` of the static load.
    on_stop : array of shape (4,)
        Rows on the bump stop with a known load.
    stop_sum, stop_load_sum : array of shape (4,)
        Over these rows, the stop's force and the load added up, in 0.01 N.
    stop_peak_share : array of shape (4,)
        Largest share of the load that went through the stop; NaN when it was never touched.
    velocity_rows : array of shape (4,)
        Rows with a known wheel velocity.
    velocity_squares : array of shape (4,)
        Over these, its squares added up, in whole mm2/s2.
    together : int
        Rows at which all four loads are known.
    together_sum : array of shape (4,)
        Loads added up over them, in 0.01 N.
    """

    counts: Ints = field(default_factory=lambda: LOAD_BINS.empty(4))
    load_sum: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    lowest_n: Floats = field(default_factory=lambda: np.full(4, np.nan))
    highest_n: Floats = field(default_factory=lambda: np.full(4, np.nan))
    unloaded: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    on_stop: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    stop_sum: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    stop_load_sum: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    stop_peak_share: Floats = field(default_factory=lambda: np.full(4, np.nan))
    velocity_rows: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    velocity_squares: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))
    together: int = 0
    together_sum: Ints = field(default_factory=lambda: np.zeros(4, dtype=np.int64))

    def add(self, car: CarBlock, static_n: Floats) -> None:
        """Count a block's rows; `static_n` has shape (4,)."""
        load = car.load_n
        if len(load) == 0:
            return
        self._add_velocity(car.wheel_velocity_mm_s)
        self.counts += LOAD_BINS.count_values(load)
        lowest = np.fmin.reduce(load, axis=0)
        self.lowest_n = np.fmin(self.lowest_n, lowest)
        self.highest_n = np.fmax(self.highest_n, np.fmax.reduce(load, axis=0))
        whole = not np.isnan(load.sum())
        touched = np.fmax.reduce(car.stop_n, axis=0) > 0.0
        light_n = UNLOADED_SHARE * static_n
        for corner in range(4):
            column = load[:, corner]
            if lowest[corner] < light_n[corner]:
                self.unloaded[corner] += int(np.count_nonzero(column < light_n[corner]))
            if touched[corner]:
                self._add_stop(corner, car.stop_n[:, corner], column, float(static_n[corner]))
        # Sums of whole numbers below 2^53 are exact, in any order.
        hundredths = np.rint(load * _PER_NEWTON)
        sums = np.add.reduce(hundredths, axis=0) if whole else np.nansum(hundredths, axis=0)
        self.load_sum += sums.astype(np.int64)
        if not whole:
            hundredths = hundredths[~np.isnan(hundredths).any(axis=1)]
            sums = np.add.reduce(hundredths, axis=0)
        self.together += len(hundredths)
        self.together_sum += sums.astype(np.int64)

    def _add_velocity(self, velocity_mm_s: Floats) -> None:
        squares = np.rint(velocity_mm_s * velocity_mm_s)
        sums = np.add.reduce(squares, axis=0)
        if np.isnan(sums).any():
            sums = np.nansum(squares, axis=0)
            self.velocity_rows += np.count_nonzero(~np.isnan(squares), axis=0)
        else:
            self.velocity_rows += len(squares)
        self.velocity_squares += sums.astype(np.int64)

    def _add_stop(self, corner: int, stop_n: Floats, load_n: Floats, static_n: float) -> None:
        touched = (stop_n > 0.0) & ~np.isnan(load_n)
        if not touched.any():
            return
        stop, load = stop_n[touched], load_n[touched]
        self.on_stop[corner] += len(stop)
        self.stop_sum[corner] += int(np.rint(stop * _PER_NEWTON).astype(np.int64).sum())
        self.stop_load_sum[corner] += int(np.rint(load * _PER_NEWTON).astype(np.int64).sum())
        heavy = load >= _LEAST_FOR_PEAK * static_n
        if heavy.any():
            peak = float((stop[heavy] / load[heavy]).max())
            self.stop_peak_share[corner] = np.fmax(self.stop_peak_share[corner], peak)

    def merge(self, other: LoadTally) -> None:
        """Add everything another tally counted."""
        self.counts += other.counts
        self.load_sum += other.load_sum
        self.lowest_n = np.fmin(self.lowest_n, other.lowest_n)
        self.highest_n = np.fmax(self.highest_n, other.highest_n)
        self.unloaded += other.unloaded
        self.on_stop += other.on_stop
        self.stop_sum += other.stop_sum
        self.stop_load_sum += other.stop_load_sum
        self.stop_peak_share = np.fmax(self.stop_peak_share, other.stop_peak_share)
        self.velocity_rows += other.velocity_rows
        self.velocity_squares += other.velocity_squares
        self.together += other.together
        self.together_sum += other.together_sum

    def known(self, corner: int) -> int:
        """Rows with a known load."""
        return int(self.counts[corner].sum())

    def mean_n(self, corner: int) -> float:
        """Mean load; NaN when nothing is known."""
        known = self.known(corner)
        return int(self.load_sum[corner]) / (_PER_NEWTON * known) if known else math.nan

    def velocity_rms(self, corner: int) -> float:
        """RMS of the wheel's velocity against the body, mm/s; NaN when nothing is known."""
        rows = int(self.velocity_rows[corner])
        return math.sqrt(int(self.velocity_squares[corner]) / rows) if rows else math.nan

    def load_quantile(self, corner: int, share: float) -> float:
        """Load percentile, N, to a bin's 50 N; NaN when nothing is known."""
        return quantile(LOAD_BINS, self.counts[corner], share)

    def stop_share(self, corner: int) -> float:
        """Share of the load that goes through the bump stop while it is touched; NaN when it never is."""
        return _ratio(int(self.stop_sum[corner]), int(self.stop_load_sum[corner]))

    @property
    def cross_weight_share(self) -> float:
        """Mean load of FR and RL over that of all four; NaN when they are never known together."""
        return _ratio(int(self.together_sum[1] + self.together_sum[2]), int(self.together_sum.sum()))

    @property
    def front_share(self) -> float:
        """Mean load of the front axle over that of all four; NaN as above."""
        return _ratio(int(self.together_sum[:2].sum()), int(self.together_sum.sum()))

    def left_share(self, axle: int) -> float:
        """Mean load of an axle's left wheel (0 front, 1 rear) over that of both; NaN as above."""
        pair = self.together_sum[2 * axle : 2 * axle + 2]
        return _ratio(int(pair[0]), int(pair.sum()))


def _ratio(part: int, whole: int) -> float:
    return part / whole if whole else math.nan
