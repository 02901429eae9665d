"""The chain from chunks to frames, in its one order: see `Pipeline.process`.

In: chunks of one stream, any split. Out: frames, each an aligned block with everything found in it. Holds the
stint's and the current lap's counts, a rolling window, and the counters of what was lost. Any split of the same
stream gives the same frames' content; only where they are cut differs.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from dsp.axle_delay import AxleDelayWatch
from dsp.body import BodyMotion
from dsp.car import CarStage, stride_for
from dsp.contact_places import ContactPlaces
from dsp.downforce import DownforceWatch
from dsp.faults import FaultChange
from dsp.frame import Aligned, CarBlock
from dsp.heights import ClosingWatch
from dsp.histogram import Places
from dsp.laps import LapTracker
from dsp.platform import Platform
from dsp.spectra import TravelSpectra
from dsp.statistics import VELOCITY_BINS
from dsp.stops import Contact, StopWatch
from dsp.summary import LapSummary, Share
from dsp.validity import Validity
from dsp.velocity import VelocityFilter, VelocityStage
from ingest.calibration import Calibration
from ingest.chunk import Bools, Chunk, Floats, Ints
from ingest.sheet import Sheet

# Samples handled at once. Fewer would stay in a core's second-level cache, but every block costs half a millisecond
# whatever its length; measured, 16384 took a quarter longer for a stint, and 131072 no less.
_LARGEST_BLOCK = 65_536
# Blocks shorter than the first, as a live link brings them, wait to be counted together until they come to the second:
# what is counted need not be known before a lap ends or somebody asks.
_WAITS_BELOW_S, _WAITS_UP_TO_S = 0.1, 2.0
_ROLLING_BUCKETS = 10  # the rolling picture moves on in steps of a tenth of its window


@dataclass(frozen=True)
class Frame:
    """An aligned block and what was found in it.

    Attributes
    ----------
    block : Aligned
        Travel, velocity and side channels.
    trusted_mm : array of shape (n_samples, 4)
        Travel, NaN also where a sensor's zero has slipped: the position as heights and stops may use it.
    car : CarBlock
        Wheels, loads, heights: the car at the grid's samples in this block (there may be none).
    contacts, top_outs : list of Contact
        Bump-stop contacts and top-outs that ended in this block.
    open_contacts, open_top_outs : list of Contact
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
    car: CarBlock
    contacts: list[Contact] = field(default_factory=list)
    open_contacts: list[Contact] = field(default_factory=list)
    top_outs: list[Contact] = field(default_factory=list)
    open_top_outs: list[Contact] = field(default_factory=list)
    laps: list[LapSummary] = field(default_factory=list)
    lap_starts: list[tuple[int, str]] = field(default_factory=list)
    last: bool = False

    @property
    def next_sample(self) -> int:
        """Number of the first sample after this frame."""
        return self.block.first_sample + len(self.block)


@dataclass(frozen=True)
class _Seen:
    """What of a block, or of several in a row, is to be counted."""

    first_sample: int
    starts_stretch: bool
    travel_mm: Floats
    velocity_mm_s: Floats
    speed_m_s: Floats | None
    car: CarBlock

    @classmethod
    def joined(cls, parts: list[_Seen]) -> _Seen:
        """Consecutive parts as one."""
        first = parts[0]
        if len(parts) == 1:
            return first
        travel, velocity = (
            np.concatenate([values.T for values in some], axis=1).T
            for some in ([one.travel_mm for one in parts], [one.velocity_mm_s for one in parts])
        )
        speeds = [one.speed_m_s for one in parts if one.speed_m_s is not None]
        speed = np.concatenate(speeds) if speeds else None
        car = CarBlock.joined([one.car for one in parts])
        return cls(first.first_sample, first.starts_stretch, travel, velocity, speed, car)


@dataclass(frozen=True)
class _Run:
    """Values to be counted, with NaN where the car was not running (and where that was, if anywhere)."""

    first_sample: int
    travel_mm: Floats
    velocity_mm_s: Floats
    velocity_places: Places
    car: CarBlock
    idle: Bools | None
    motions: Floats
    time_to_limit_s: Floats


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
        self._velocity = VelocityStage(self.filter, roles, _LARGEST_BLOCK, stride_for(rate_hz))
        self.platform = Platform(sheet)
        self.car = CarStage(sheet, rate_hz, roles, self.platform)
        self.body = BodyMotion(sheet, self.platform.plane)
        # The newest rows that there are: a short block may hold none.
        self.newest_car: CarBlock | None = None
        self._closing = ClosingWatch(self.platform.lowest_mm, self.car.row_rate_hz)
        self.stops = StopWatch(sheet, rate_hz)
        self.droops = StopWatch(sheet, rate_hz, droop=True)
        self._stop_places, self._droop_places = ContactPlaces(), ContactPlaces()
        self._downforce = DownforceWatch(sheet, self.car.row_rate_hz, self.car.stride)
        # A stint is long: thinned out, these two cost little and know enough.
        self._spectra = TravelSpectra(sheet, self.car.row_rate_hz, has_speed="speed" in roles, overlap=False)
        self._axle_delay = AxleDelayWatch(sheet, self.car.row_rate_hz, thinned=True)
        self.laps = LapTracker(sheet.laps, rate_hz, roles)
        self._slowest_m_s = sheet.statistics.slowest_counted_m_s
        self.stint = Share.empty(len(self.platform.names))
        self._lap = Share.empty(len(self.platform.names))
        # Blocks of the lap under way, of one stretch, that are not counted yet.
        self._uncounted: list[_Seen] = []
        self._uncounted_samples = 0
        self._waits_below, self._waits_up_to = (round(span * rate_hz) for span in (_WAITS_BELOW_S, _WAITS_UP_TO_S))
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

        Order: calibration, sensor validity, velocity and alignment, trust in position, lap cuts, the car (wheels,
        loads, tyres, heights), bump stops and top-outs, downforce and spectra, statistics, lap summaries. Fault
        changes collect in `fault_changes` (they run ahead of the frames by the delay of velocity) until
        `take_fault_changes`.
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
        end = self.laps.current.end_sample if self.laps.current is not None else 0
        nothing = np.empty((0, 4))
        block = Aligned(end, self.rate_hz, nothing, nothing, {role: np.empty(0) for role in self.roles})
        car = self.car.process(block, nothing)
        contacts, _ = self._stop_places.process(car, self.stops.cut_off(), [])
        top_outs, _ = self._droop_places.process(car, self.droops.cut_off(), [])
        self._settle()
        self._lap.take(contacts, top_outs)
        summary = [self._close_lap(None)] if self.laps.current is not None else []
        frames.append(Frame(block, nothing, car, contacts, top_outs=top_outs, laps=summary, last=True))
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

    @property
    def lap(self) -> Share:
        """Everything counted since the start of the lap under way."""
        self._settle()
        return self._lap

    @property
    def closing(self) -> ClosingWatch:
        """Time to the platform's limits, up to the newest row."""
        self._settle()
        return self._closing

    @property
    def downforce(self) -> DownforceWatch:
        """What weighs the air, up to the newest row."""
        self._settle()
        return self._downforce

    @property
    def spectra(self) -> TravelSpectra:
        """What averages the spectra, up to the newest row."""
        self._settle()
        return self._spectra

    @property
    def axle_delay(self) -> AxleDelayWatch:
        """What looks at how the rear wheels repeat the front wheels, up to the newest row."""
        self._settle()
        return self._axle_delay

    def rolling(self) -> Ints:
        """Velocity counts, shape (4, bins), over the last `rolling_window_s` of running."""
        self._settle()
        total = VELOCITY_BINS.empty(4)
        for counts in self._buckets:
            total += counts
        return total

    def _frame(self, block: Aligned) -> Frame:
        trusted = self._trusted(block)
        self._starts = []
        if self.laps.current is None:
            self._begin_lap(block, 0)
        if block.gap_before or block.restart:
            self.laps.note_gap(block.gap_before, restart=block.restart)
        cuts = self.laps.cuts(block)
        car = self.car.process(block, trusted, cuts)
        if len(car):
            self.newest_car = car
        first, starts, velocity = block.first_sample, block.starts_stretch, block.velocity_mm_s
        # A car that stands on its stops, or hangs on stands, touches nothing that counts.
        speed = block.side.get("speed")
        standing = None if speed is None else speed < self.sheet.laps.stopped_below_m_s
        ended = self.stops.process(first, trusted, velocity, starts_stretch=starts, standing=standing)
        contacts, open_contacts = self._stop_places.process(car, ended, self.stops.open_contacts)
        ended = self.droops.process(first, trusted, velocity, starts_stretch=starts, standing=standing)
        top_outs, open_top_outs = self._droop_places.process(car, ended, self.droops.open_contacts)
        laps = self._count(_Seen(first, starts, trusted, velocity, speed, car), block, cuts, contacts, top_outs)
        return Frame(block, trusted, car, contacts, open_contacts, top_outs, open_top_outs, laps, self._starts)

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

    def _count(
        self, seen: _Seen, block: Aligned, cuts: list[int], contacts: list[Contact], top_outs: list[Contact]
    ) -> list[LapSummary]:
        """Share the block out to laps; a contact goes to the lap in which it ended."""
        if seen.starts_stretch or cuts:
            self._settle()
        if not cuts:
            self.laps.follow(block, 0, len(block))
            self._lap.take(contacts, top_outs)
            self._uncounted.append(seen)
            self._uncounted_samples += len(block)
            if len(block) >= self._waits_below or self._uncounted_samples >= self._waits_up_to:
                self._settle()
            return []
        run = self._run(seen)
        finished = []
        start = 0
        for cut in [*cuts, len(block)]:
            self.laps.follow(block, start, cut)
            self._count_run(run, start, cut)
            until = block.first_sample + cut
            ended = [
                [one for one in some if cut == len(block) or one.end_sample <= until] for some in (contacts, top_outs)
            ]
            self._lap.take(*ended)
            contacts, top_outs = contacts[len(ended[0]) :], top_outs[len(ended[1]) :]
            if cut < len(block):
                finished.append(self._close_lap(until))
                self._begin_lap(block, cut)
                if cut == 0:
                    # What is missing just before a lap's first sample may have been its own.
                    self.laps.note_gap(block.gap_before, restart=block.restart)
            start = cut
        return finished

    def _settle(self) -> None:
        """Count the blocks that are not counted yet."""
        if not self._uncounted:
            return
        seen = _Seen.joined(self._uncounted)
        self._uncounted, self._uncounted_samples = [], 0
        self._count_run(self._run(seen), 0, len(seen.travel_mm))

    def _run(self, seen: _Seen) -> _Run:
        """The values with those of a standing or crawling car made unknown; all run without a speed channel."""
        car = seen.car
        for watch in (self._downforce, self._spectra, self._axle_delay):
            watch.process(car)
        # An unknown speed counts as running: a dead speed channel must not silence what the dampers say.
        idle = None if seen.speed_m_s is None else seen.speed_m_s < self._slowest_m_s
        travel, velocity = seen.travel_mm, seen.velocity_mm_s
        if idle is not None and not idle.any():
            idle = None
        if idle is not None:
            travel, velocity = (np.where(idle[:, np.newaxis], np.nan, values) for values in (travel, velocity))
            car = car.running(self._slowest_m_s)
        places = VELOCITY_BINS.places(velocity)
        times_s = self._closing.times_s(car)
        return _Run(seen.first_sample, travel, velocity, places, car, idle, self.body.process(car), times_s)

    def _begin_lap(self, block: Aligned, place: int) -> None:
        label = float(block.side["lap_number"][place]) if self.laps.source == "lap_number" else float("nan")
        lap = self.laps.begin(block.first_sample + place, label)
        self._starts.append((lap.first_sample, lap.name))

    def _count_run(self, run: _Run, start: int, stop: int) -> None:
        """Count samples start to stop, all of one lap, bucket by bucket."""
        lap, first_sample = self._lap, run.first_sample
        lap.received += stop - start
        if run.idle is not None:
            lap.idle += int(np.count_nonzero(run.idle[start:stop]))
        rows = [run.car.rows_before(first_sample + place) for place in (start, stop)]
        if rows[0] < rows[1]:
            car, here = run.car.part(*rows), slice(*rows)
            lap.add_car(car, self.platform.lowest_mm, self.car.loads.static_n, run.time_to_limit_s[here])
            lap.body.add(run.motions[here], car, self.body.kerb_mm)
        if start == stop:
            return
        counts = None
        at = start
        while at < stop:
            bucket = (first_sample + at) // self._bucket_length
            end = min(stop, (bucket + 1) * self._bucket_length - first_sample)
            of_bucket = VELOCITY_BINS.count_places(run.velocity_places[at:end])
            self._roll(bucket, of_bucket)
            counts = of_bucket if counts is None else counts + of_bucket
            at = end
        lap.tally.add(run.travel_mm[start:stop], run.velocity_mm_s[start:stop], counts)

    def _roll(self, bucket: int, counts: Ints) -> None:
        if bucket == self._bucket and self._buckets:
            self._buckets[-1] += counts
        elif counts.any():  # time in the garage pushes no running out
            self._bucket = bucket
            self._buckets.append(counts.copy())

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
            share=self._lap,
        )
        self.stint.merge(self._lap)
        if summary.timed:
            self.timed.merge(self._lap)
            self.timed_laps += 1
        self._lap = Share.empty(len(self.platform.names))
        return summary
