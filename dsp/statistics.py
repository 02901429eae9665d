"""Velocity and travel statistics of the four corners over some samples: one lap, the stint, or the last seconds.

In: aligned samples with NaN where unknown, and which of them count. Out: integer histograms and mergeable
moments; everything people read (time shares, percentiles, RMS, balance) follows from these. A tally of tallies
is the tally of all samples, whatever the split.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from dsp.histogram import Bins, quantile
from dsp.moments import Moments
from ingest.chunk import Floats, Ints
from ingest.sheet_limits import VelocitySettings

# Whole mm/s, so that band limits fall on edges. Kerbs give several hundred mm/s; 1500 leaves room.
VELOCITY_BINS = Bins(lowest=-1500.0, width=1.0, count=3000)
TRAVEL_BINS = Bins(lowest=-200.0, width=0.5, count=800)
# Where each counter's values stand; over- and underflow at the outermost edges: too small, but counted.
_PLACES = np.concatenate(([VELOCITY_BINS.lowest], VELOCITY_BINS.centres, [-VELOCITY_BINS.lowest]))
SHARE_NAMES = ("high_speed_rebound", "low_speed_rebound", "low_speed_compression", "high_speed_compression")


@dataclass
class Tally:
    """What was counted.

    Attributes
    ----------
    velocity : array of shape (4, VELOCITY_BINS.size)
        Counts per corner.
    paired : array of shape (4, VELOCITY_BINS.size)
        Counts per corner of those samples at which its axle's other corner is known too: left against right.
    travel : array of shape (4, TRAVEL_BINS.size)
        Counts per corner, of samples whose position is trusted.
    moments : list of Moments
        Of velocity, per corner, mm/s.
    lowest_mm, highest_mm : array of shape (4,)
        Extremes of trusted travel; NaN when there was none.
    """

    velocity: Ints = field(default_factory=lambda: VELOCITY_BINS.empty(4))
    paired: Ints = field(default_factory=lambda: VELOCITY_BINS.empty(4))
    travel: Ints = field(default_factory=lambda: TRAVEL_BINS.empty(4))
    moments: list[Moments] = field(default_factory=lambda: [Moments() for _ in range(4)])
    lowest_mm: Floats = field(default_factory=lambda: np.full(4, np.nan))
    highest_mm: Floats = field(default_factory=lambda: np.full(4, np.nan))

    def add(self, travel_mm: Floats, velocity_mm_s: Floats, velocity_counts: Ints | None = None) -> None:
        """Count two arrays of shape (n_samples, 4), NaN where unknown.

        `velocity_counts`, shape (4, bins), are these samples' own, for a caller that has them already.
        """
        if len(travel_mm) == 0:
            return
        if velocity_counts is None:
            velocity_counts = VELOCITY_BINS.count_values(velocity_mm_s)
        self.velocity += velocity_counts
        self.paired += _paired_counts(velocity_mm_s, velocity_counts)
        self.travel += TRAVEL_BINS.count_values(travel_mm)
        self.lowest_mm = np.fmin(self.lowest_mm, np.fmin.reduce(travel_mm, axis=0))
        self.highest_mm = np.fmax(self.highest_mm, np.fmax.reduce(travel_mm, axis=0))
        for corner in range(4):
            column = velocity_mm_s[:, corner]
            block = Moments.of(column)
            if math.isnan(block.mean):
                block = Moments.of(column[~np.isnan(column)])
            self.moments[corner] = self.moments[corner].merged(block)

    def merge(self, other: Tally) -> None:
        """Add everything another tally counted."""
        self.velocity += other.velocity
        self.paired += other.paired
        self.travel += other.travel
        self.lowest_mm = np.fmin(self.lowest_mm, other.lowest_mm)
        self.highest_mm = np.fmax(self.highest_mm, other.highest_mm)
        self.moments = [mine.merged(its) for mine, its in zip(self.moments, other.moments, strict=True)]

    def used(self, corner: int) -> int:
        """Samples of a corner with a known velocity."""
        return int(self.velocity[corner].sum())

    def time_shares(self, corner: int, settings: VelocitySettings) -> dict[str, float]:
        """Share of known time in each of the four velocity bands; NaN when nothing is known.

        Low-speed compression is 0 <= v < limit, high-speed v >= limit; low-speed rebound -limit <= v < 0,
        high-speed v < -limit. The four add up to 1.
        """
        return dict(zip(SHARE_NAMES, shares_of(self.velocity[corner], settings), strict=True))

    def rms(self, corner: int) -> float:
        """RMS velocity, mm/s."""
        return self.moments[corner].rms

    def directional_rms(self, corner: int) -> tuple[float, float]:
        """RMS velocity of compression alone and of rebound alone, mm/s, from the 1 mm/s bins; NaN when empty."""
        counts = self.velocity[corner]
        return _rms(counts, compression=True), _rms(counts, compression=False)

    def velocity_quantile(self, corner: int, share: float) -> float:
        """Velocity percentile, mm/s, to a bin's 1 mm/s."""
        return quantile(VELOCITY_BINS, self.velocity[corner], share)

    def travel_quantile(self, corner: int, share: float) -> float:
        """Travel percentile, mm, to a bin's 0.5 mm."""
        return quantile(TRAVEL_BINS, self.travel[corner], share)

    def balance(self, corner: int) -> float:
        """Mean compression speed over mean rebound speed; above 1 the corner compresses faster than it rebounds.

        Over a whole lap the two distances are equal, so this is also the ratio of the times spent.
        """
        counts = self.velocity[corner]
        rebound = velocity_scale(counts, compression=False)
        return velocity_scale(counts, compression=True) / rebound if rebound > 0 else math.nan


def shares_of(counts: Ints, settings: VelocitySettings) -> list[float]:
    """The four time shares, in the order of SHARE_NAMES, of counts of shape (VELOCITY_BINS.size,)."""
    total = int(counts.sum())
    if total == 0:
        return [math.nan] * 4
    zero = _first_compression_bin()
    low_rebound = zero - settings.low_speed_rebound_mm_s
    low_compression = zero + settings.low_speed_compression_mm_s
    parts = (counts[:low_rebound], counts[low_rebound:zero], counts[zero:low_compression], counts[low_compression:])
    return [int(part.sum()) / total for part in parts]


def _first_compression_bin() -> int:
    """Counter of the bin that begins at 0 mm/s (counter 0 is the underflow)."""
    return 1 + round(-VELOCITY_BINS.lowest / VELOCITY_BINS.width)


def directional_counts(counts: Ints, *, compression: bool) -> Ints:
    """Counts with the other direction set to 0, overflow of this direction kept."""
    zero = _first_compression_bin()
    kept = counts.copy()
    if compression:
        kept[:zero] = 0
    else:
        kept[zero:] = 0
    return kept


def _paired_counts(velocity_mm_s: Floats, counts: Ints) -> Ints:
    """Counts of the samples at which both corners of an axle are known; `counts` are those of each by itself."""
    known = counts.sum(axis=1)
    if (known == len(velocity_mm_s)).all():
        return counts
    partner = velocity_mm_s[:, [1, 0, 3, 2]]
    return VELOCITY_BINS.count_values(np.where(np.isnan(partner), np.nan, velocity_mm_s))


def velocity_scale(counts: Ints, *, compression: bool) -> float:
    """Mean speed of one direction in mm/s, from counts of shape (bins,); NaN when empty.

    The mean is moved less by a few kerb strikes than the RMS, and uses more of the lap than the median.
    """
    kept = directional_counts(counts, compression=compression)
    total = int(kept.sum())
    return float(np.dot(kept, np.abs(_PLACES))) / total if total else math.nan


def _rms(counts: Ints, *, compression: bool) -> float:
    kept = directional_counts(counts, compression=compression)
    total = int(kept.sum())
    return math.sqrt(float(np.dot(kept, _PLACES**2)) / total) if total else math.nan
