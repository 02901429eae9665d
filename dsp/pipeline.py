"""The chain from chunks to frames, in its one order: see `Pipeline.process`.

In: chunks of one stream, any split. Out: frames, each an aligned block with everything found in it. Holds the
stint's and the current lap's counts, a rolling window, and the counters of what was lost. Any split of the same
stream gives the same frames' content; only where they are cut differs.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from dsp.faults import FaultChange
from dsp.frame import Aligned
from dsp.kinematics import MotionRatio
from dsp.laps import LapTracker
from dsp.platform import Platform
from dsp.statistics import VELOCITY_BINS
from dsp.stops import Contact, StopWatch
from dsp.summary import LapSummary, Share
from dsp.validity import Validity
from dsp.velocity import VelocityFilter, VelocityStage
from ingest.calibration import Calibration
from ingest.chunk import CORNERS, Bools, Chunk, Floats, Ints
from ingest.sheet import Sheet

# Samples handled at once: four channels of 64 kB each stay in a core's second-level cache.
_LARGEST_BLOCK = 8192
_ROLLING_BUCKETS = 15  # the rolling picture moves on in steps of a fifteenth of its window


@dataclass(frozen=True)
class Frame:
    """An aligned block and what was found in it.

    Attributes
    ----------
    block : Aligned
        Travel, velocity and side channels.
    trusted_mm : array of shape (n_samples, 4)
        Travel, NaN also where a sensor's zero has slipped: the position as heights and stops may use it.
    wheel_mm : array of shape (n_samples, 4)
        Wheel travel from `trusted_mm`.
    heights_mm : array of shape (n_samples, n_points)
        Heights of the platform's points.
    contacts : list of Contact
        Bump-stop contacts that ended in this block.
    open_contacts : list of Contact
        Those that were going on at its end.
    laps : list of LapSummary
        Laps that ended in this block.
    lap_starts : list of (int, str)
        First sample and name of each lap that began in this block.
    last : bool
        True for the empty frame that ends the stream.
    """

    block: Aligned
    trusted_mm: Floats
    wheel_mm: Floats
    heights_mm: Floats
    contacts: list[Contact] = field(default_factory=list)
    open_contacts: list[Contact] = field(default_factory=list)
    laps: list[LapSummary] = field(default_factory=list)
    lap_starts: list[tuple[int, str]] = field(default_factory=list)
    last: bool = False

    @property
    def next_sample(self) -> int:
        """Number of the first sample after this frame."""
        return self.block.first_sample + len(self.block)


@dataclass(frozen=True)
class _Run:
    """What of a block is counted: values with NaN where the car was not running, and where that was."""

    block: Aligned
    travel_mm: Floats
    velocity_mm_s: Floats
    heights_mm: Floats
    idle: Bools | None = None


class Pipeline:
    """Turns one stream into frames.

    Parameters
    ----------
    sheet : Sheet
        The car.
    rate_hz : float
        Nominal sample rate of the stream.
    roles : tuple of str
        Side channels that every chunk carries.
    """

    def __init__(self, sheet: Sheet, rate_hz: float, roles: tuple[str, ...]) -> None:
        self.sheet = sheet
        self.rate_hz = rate_hz
        self.roles = roles
        self.calibration = Calibration(sheet)
        self.validity = Validity(sheet, rate_hz)
        self.filter = VelocityFilter.for_bandwidth(sheet.velocity.bandwidth_hz, rate_hz)
        self._velocity = VelocityStage(self.filter, roles, _LARGEST_BLOCK)
        self._ratios = [MotionRatio(sheet.suspension(c).motion_ratio_damper_per_wheel) for c in CORNERS]
        self.platform = Platform(sheet)
        self.stops = StopWatch(sheet)
        self.laps = LapTracker(sheet.laps, rate_hz, roles)
        self.stint = Share.empty(len(self.platform.names))
        self.lap = Share.empty(len(self.platform.names))
        self.timed = Share.empty(len(self.platform.names))
        self.timed_laps = 0
        self.fault_changes: list[FaultChange] = []
        self._trust_changes: deque[FaultChange] = deque()
        self._position_lost = [False] * 4
        self.gaps = 0
        self.lost_samples = 0
        self.restarts = 0
        self._bucket_length = max(1, round(sheet.statistics.rolling_window_s * rate_hz / _ROLLING_BUCKETS))
        self._bucket: int | None = None
        self._buckets: deque[Ints] = deque(maxlen=_ROLLING_BUCKETS)
        self._starts: list[tuple[int, str]] = []

    def process(self, chunk: Chunk) -> list[Frame]:
        """Take a chunk; return the frames that are now complete, oldest first.

        Order: calibration, sensor validity, velocity and alignment, trust in position, wheel travel, platform
        heights, bump stops, lap cuts, statistics, lap summaries. Fault changes collect in `fault_changes` (they
        run ahead of the frames by the filter's delay) until `take_fault_changes`.
        """
        if chunk.breaks:
            self.gaps += 1
            self.lost_samples += chunk.gap_before
            self.restarts += chunk.restart
        frames = []
        for start in range(0, max(1, len(chunk)), _LARGEST_BLOCK):
            part = chunk.part(start, min(start + _LARGEST_BLOCK, len(chunk)))
            travel = self.calibration.process(part.sensors)
            believed, changes = self.validity.process(part, travel)
            self.fault_changes += changes
            self._trust_changes.extend(change for change in changes if change.fault == "step")
            frames += [self._frame(block) for block in self._velocity.process(part, believed)]
        return frames

    def finish(self) -> list[Frame]:
        """End the stream: the samples still held, contacts cut off, and the last lap."""
        frames = [self._frame(block) for block in self._velocity.flush()]
        contacts = self.stops.cut_off()
        for contact in contacts:
            self.lap.stops[contact.corner].add(contact)
        summary = [self._close_lap(None)] if self.laps.current is not None else []
        end = self.laps.current.end_sample if self.laps.current is not None else 0
        nothing = np.empty((0, 4))
        block = Aligned(end, self.rate_hz, nothing, nothing, {role: np.empty(0) for role in self.roles})
        heights = np.empty((0, len(self.platform.names)))
        frames.append(Frame(block, nothing, nothing, heights, contacts, laps=summary, last=True))
        return frames

    def take_fault_changes(self) -> list[FaultChange]:
        """Fault changes since the last call."""
        taken, self.fault_changes = self.fault_changes, []
        return taken

    def so_far(self) -> Share:
        """Everything counted since the start of the stint, the lap under way included."""
        total = Share.empty(len(self.platform.names))
        total.merge(self.stint)
        total.merge(self.lap)
        return total

    def rolling(self) -> Ints:
        """Velocity counts, shape (4, bins), over the last `rolling_window_s` of running."""
        total = VELOCITY_BINS.empty(4)
        for counts in self._buckets:
            total += counts
        return total

    def _frame(self, block: Aligned) -> Frame:
        trusted = self._trusted(block)
        wheel = np.empty(trusted.shape, order="F")
        for corner, ratio in enumerate(self._ratios):
            wheel[:, corner] = ratio.to_wheel(trusted[:, corner])
        heights = self.platform.heights(wheel)
        contacts = self.stops.process(block.first_sample, trusted, starts_stretch=block.starts_stretch)
        self._starts = []
        laps = self._count(block, trusted, heights, contacts)
        return Frame(block, trusted, wheel, heights, contacts, self.stops.open_contacts, laps, self._starts)

    def _trusted(self, block: Aligned) -> Floats:
        """Travel with the positions made unknown that a step has shifted."""
        end = block.first_sample + len(block)
        trusted = block.travel_mm
        for corner in range(4):
            lost_from = block.first_sample if self._position_lost[corner] else None
            for change in self._trust_changes:
                if change.corner != corner or change.sample >= end:
                    continue
                if change.begins and lost_from is None:
                    lost_from = change.sample
                elif not change.begins and lost_from is not None:
                    trusted = self._without(trusted, block, corner, lost_from, change.sample)
                    lost_from = None
            if lost_from is not None:
                trusted = self._without(trusted, block, corner, lost_from, end)
            self._position_lost[corner] = lost_from is not None
        while self._trust_changes and self._trust_changes[0].sample < end:
            self._trust_changes.popleft()
        return trusted

    @staticmethod
    def _without(travel_mm: Floats, block: Aligned, corner: int, start: int, stop: int) -> Floats:
        known = travel_mm.copy(order="F") if travel_mm is block.travel_mm else travel_mm
        known[max(0, start - block.first_sample) : stop - block.first_sample, corner] = np.nan
        return known

    def _count(self, block: Aligned, trusted: Floats, heights: Floats, contacts: list[Contact]) -> list[LapSummary]:
        """Share the block out to laps and buckets; a contact goes to the lap in which it ended."""
        if self.laps.current is None:
            self._begin_lap(block, 0)
        if block.gap_before or block.restart:
            self.laps.note_gap(block.gap_before, restart=block.restart)
        cuts = self.laps.cuts(block)
        run = self._running(block, trusted, heights)
        waiting = list(contacts)
        finished = []
        start = 0
        for cut in [*cuts, len(block)]:
            self._count_run(run, start, cut)
            while waiting and (cut == len(block) or waiting[0].end_sample <= block.first_sample + cut):
                contact = waiting.pop(0)
                self.lap.stops[contact.corner].add(contact)
            if cut < len(block):
                finished.append(self._close_lap(block.first_sample + cut))
                self._begin_lap(block, cut)
                if cut == 0:
                    # What is missing just before a lap's first sample may have been its own.
                    self.laps.note_gap(block.gap_before, restart=block.restart)
            start = cut
        return finished

    def _running(self, block: Aligned, trusted: Floats, heights: Floats) -> _Run:
        """The block's values with those of a standing or crawling car made unknown; all run without a speed channel."""
        if "speed" not in block.side:
            return _Run(block, trusted, block.velocity_mm_s, heights)
        # An unknown speed counts as running: a dead speed channel must not silence what the dampers say.
        idle = block.side["speed"] < self.sheet.statistics.slowest_counted_m_s
        if not idle.any():
            return _Run(block, trusted, block.velocity_mm_s, heights)
        column = idle[:, np.newaxis]
        travel, velocity, high = (np.where(column, np.nan, v) for v in (trusted, block.velocity_mm_s, heights))
        return _Run(block, travel, velocity, high, idle)

    def _begin_lap(self, block: Aligned, place: int) -> None:
        label = float(block.side["lap_number"][place]) if self.laps.source == "lap_number" else float("nan")
        lap = self.laps.begin(block.first_sample + place, label)
        self._starts.append((lap.first_sample, lap.name))

    def _count_run(self, run: _Run, start: int, stop: int) -> None:
        """Count samples start to stop, all of one lap, bucket by bucket."""
        block = run.block
        self.laps.follow(block, start, stop)
        self.lap.received += stop - start
        if run.idle is not None:
            self.lap.idle += int(np.count_nonzero(run.idle[start:stop]))
        while start < stop:
            sample = block.first_sample + start
            bucket = sample // self._bucket_length
            end = min(stop, start + (bucket + 1) * self._bucket_length - sample)
            counts = self.lap.tally.add(run.travel_mm[start:end], run.velocity_mm_s[start:end])
            self.lap.heights.add(sample, run.heights_mm[start:end], self.platform.lowest_mm)
            self._roll(bucket, counts)
            start = end

    def _roll(self, bucket: int, counts: Ints) -> None:
        if bucket == self._bucket and self._buckets:
            self._buckets[-1] += counts
        elif counts.any():  # time in the garage pushes no running out
            self._bucket = bucket
            self._buckets.append(counts)

    def _close_lap(self, end_sample: int | None) -> LapSummary:
        verdict = self.laps.close(end_sample)
        lap = self.laps.current
        assert lap is not None
        summary = LapSummary(
            index=lap.index,
            name=lap.name,
            verdict=verdict,
            first_sample=lap.first_sample,
            end_sample=lap.end_sample,
            duration_s=self.laps.duration_s(lap),
            distance_m=lap.distance_m,
            missing_samples=lap.missing_samples,
            share=self.lap,
        )
        self.stint.merge(self.lap)
        if summary.timed:
            self.timed.merge(self.lap)
            self.timed_laps += 1
        self.lap = Share.empty(len(self.platform.names))
        return summary
