"""What is kept of a lap and of the stint: statistics, heights, loads, contacts, and the lap's verdict.

Plain data that merges; its size does not grow with the run.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from dsp.body import BodyTally
from dsp.frame import CarBlock
from dsp.heights import HeightTally
from dsp.laps import LapVerdict
from dsp.statistics import Tally
from dsp.stops import Contact
from dsp.wheel_loads import LoadTally
from ingest.chunk import Floats

# A lap on a bad road has some hundred contacts; the hardest of them are what anyone reads.
CONTACTS_KEPT = 100


@dataclass
class StopTally:
    """Contacts of one corner with one end of its stroke: the bump stop, or (`droop`) full droop.

    `peak_travel_mm` is the travel farthest into the stop; largest force and impulse may be another contact's.
    A contact whose impulse is unknown adds nothing to the sum.
    """

    count: int = 0
    samples: int = 0
    longest_samples: int = 0
    peak_travel_mm: float = math.nan
    peak_force_n: float = math.nan
    impulse_n_s: float = 0.0
    largest_impulse_n_s: float = math.nan
    droop: bool = False

    def add(self, contact: Contact) -> None:
        """Count a contact that has ended; the rest of one that was cut off adds time, not a contact.

        What a car that stands touches is not counted.
        """
        if contact.moving_samples == 0:
            return
        impulse = contact.impulse_n_s
        self.merge(
            StopTally(
                count=int(not contact.continued),
                samples=contact.moving_samples,
                longest_samples=contact.moving_samples,
                peak_travel_mm=contact.peak_travel_mm,
                peak_force_n=contact.peak_force_n,
                impulse_n_s=0.0 if math.isnan(impulse) else impulse,
                largest_impulse_n_s=impulse,
            )
        )

    def merge(self, other: StopTally) -> None:
        """Add everything another tally of the same end of the stroke counted."""
        self.count += other.count
        self.samples += other.samples
        self.longest_samples = max(self.longest_samples, other.longest_samples)
        farther = np.fmin if self.droop else np.fmax
        self.peak_travel_mm = float(farther(self.peak_travel_mm, other.peak_travel_mm))
        self.peak_force_n = float(np.fmax(self.peak_force_n, other.peak_force_n))
        self.impulse_n_s += other.impulse_n_s
        self.largest_impulse_n_s = float(np.fmax(self.largest_impulse_n_s, other.largest_impulse_n_s))


@dataclass
class HardestContacts:
    """The hardest contacts of a lap, of all corners, at most `CONTACTS_KEPT`; of the others only the tallies know."""

    _kept: list[Contact] = field(default_factory=list)

    def add(self, contact: Contact) -> None:
        """Take a contact that has ended; when there are too many, the softest is dropped."""
        bisect.insort(self._kept, contact, key=_softness)
        del self._kept[CONTACTS_KEPT:]

    def in_order(self) -> list[Contact]:
        """What is kept, in the order of beginning."""
        return sorted(self._kept, key=lambda contact: (contact.start_sample, contact.corner))


def _softness(contact: Contact) -> tuple[float, int, int, int]:
    """Order of contacts, hardest first: by force; where it is not known the longest first."""
    force = 0.0 if math.isnan(contact.peak_force_n) else contact.peak_force_n
    return -force, -contact.samples, contact.start_sample, contact.corner


@dataclass
class Share:
    """Everything counted over some stretch of a run: a lap or the stint.

    `stops` and `top_outs` hold a tally a corner of contacts with the bump stop and with the other end of the stroke.
    Single contacts are kept by the lap they ended in only: a stint, merged of laps, has none in `contacts` and
    `top_out_contacts`.
    """

    tally: Tally
    heights: HeightTally
    loads: LoadTally = field(default_factory=LoadTally)
    stops: list[StopTally] = field(default_factory=lambda: [StopTally() for _ in range(4)])
    top_outs: list[StopTally] = field(default_factory=lambda: [StopTally(droop=True) for _ in range(4)])
    contacts: HardestContacts = field(default_factory=HardestContacts)
    top_out_contacts: HardestContacts = field(default_factory=HardestContacts)
    body: BodyTally = field(default_factory=BodyTally)
    received: int = 0
    idle: int = 0

    @classmethod
    def empty(cls, points: int) -> Share:
        """Nothing counted yet, for a platform of `points` points."""
        return cls(Tally(), HeightTally.empty(points))

    def add_car(
        self,
        car: CarBlock,
        limits_mm: Floats,
        static_n: Floats | None = None,
        time_to_limit_s: Floats | None = None,
    ) -> None:
        """Count rows of the car's grid: heights against limits (n_points,), loads against static ones (4,).

        `time_to_limit_s` is what `ClosingWatch` says of the same rows. Without static loads no wheel is unloaded.
        """
        self.heights.add(car, limits_mm, time_to_limit_s)
        self.loads.add(car, np.full(4, np.nan) if static_n is None else static_n)

    def take(self, contacts: Iterable[Contact], top_outs: Iterable[Contact] = ()) -> None:
        """Count contacts with the bump stops, and top-outs, that have ended."""
        for contact in contacts:
            self.stops[contact.corner].add(contact)
            if contact.moving_samples:
                self.contacts.add(contact)
        for contact in top_outs:
            self.top_outs[contact.corner].add(contact)
            if contact.moving_samples:
                self.top_out_contacts.add(contact)

    def merge(self, other: Share) -> None:
        """Add everything another share, of later samples, counted."""
        self.tally.merge(other.tally)
        self.heights.merge(other.heights)
        self.loads.merge(other.loads)
        self.body.merge(other.body)
        self.received += other.received
        self.idle += other.idle
        for mine, its in zip(self.stops + self.top_outs, other.stops + other.top_outs, strict=True):
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
