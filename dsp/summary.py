"""What is kept of a lap and of the stint: statistics, heights, bump-stop contacts, and the lap's verdict.

Plain data that merges; its size does not grow with the run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from dsp.heights import HeightTally
from dsp.laps import LapVerdict
from dsp.statistics import Tally
from dsp.stops import Contact


@dataclass
class StopTally:
    """Bump-stop contacts of one corner."""

    count: int = 0
    samples: int = 0
    longest_samples: int = 0
    peak_travel_mm: float = math.nan
    peak_force_n: float = math.nan

    def add(self, contact: Contact) -> None:
        """Count a contact that has ended; the rest of one that was cut off adds time, not a contact."""
        self._take(
            int(not contact.continued), contact.samples, contact.samples, contact.peak_travel_mm, contact.peak_force_n
        )

    def merge(self, other: StopTally) -> None:
        """Add everything another tally counted."""
        self._take(other.count, other.samples, other.longest_samples, other.peak_travel_mm, other.peak_force_n)

    def _take(self, count: int, samples: int, longest: int, peak_travel: float, peak_force: float) -> None:
        self.count += count
        self.samples += samples
        self.longest_samples = max(self.longest_samples, longest)
        if not math.isnan(peak_travel) and not self.peak_travel_mm >= peak_travel:
            self.peak_travel_mm = peak_travel
            self.peak_force_n = peak_force


@dataclass
class Share:
    """Everything counted over some stretch of a run: a lap or the stint."""

    tally: Tally
    heights: HeightTally
    stops: list[StopTally] = field(default_factory=lambda: [StopTally() for _ in range(4)])
    received: int = 0
    idle: int = 0

    @classmethod
    def empty(cls, points: int) -> Share:
        """Nothing counted yet, for a platform of `points` points."""
        return cls(Tally(), HeightTally.empty(points))

    def merge(self, other: Share) -> None:
        """Add everything another share, of later samples, counted."""
        self.tally.merge(other.tally)
        self.heights.merge(other.heights)
        self.received += other.received
        self.idle += other.idle
        for mine, its in zip(self.stops, other.stops, strict=True):
            mine.merge(its)


@dataclass(frozen=True)
class LapSummary:
    """One lap that is over. `name` is the log's lap number, or a count.

    `end_sample` is the first sample after it; a contact belongs to the lap it ends in.
    """

    index: int
    name: str
    verdict: LapVerdict
    first_sample: int
    end_sample: int
    duration_s: float
    distance_m: float
    missing_samples: int
    share: Share

    @property
    def timed(self) -> bool:
        """Whether the lap can be compared with others (a stint without laps counts as one)."""
        return self.verdict.kind in {"timed", "whole"}
