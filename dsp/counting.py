"""Counting what the samples of a lap and of the last seconds hold: statistics, loads, heights, windows, spectra.

In: blocks in order, and where laps end. Out: the lap's `Share`, a rolling window, and what is collected over the stint.
Short blocks wait to be counted together, since a count of few samples costs as much as one of hundreds; whoever asks
gets everything up to the newest sample. Counts are whole numbers, so the split does not matter. Memory is bounded.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from dsp.axle_delay import AxleDelayWatch
from dsp.body import BodyMotion
from dsp.car import CarStage
from dsp.downforce import DownforceWatch
from dsp.frame import CarBlock
from dsp.heights import ClosingWatch
from dsp.histogram import Places
from dsp.platform import Platform
from dsp.spectra import TravelSpectra
from dsp.statistics import VELOCITY_BINS
from dsp.summary import Share
from dsp.waiting import Seen, WaitingBlocks
from ingest.chunk import Bools, Floats, Ints
from ingest.sheet import Sheet

# Blocks shorter than the first, as a live link brings them, wait to be counted together until they come to the second:
# what is counted need not be known before a lap ends or somebody asks.
_WAITS_BELOW_S, _WAITS_UP_TO_S = 0.1, 2.0
_ROLLING_BUCKETS = 10  # the rolling picture moves on in steps of a tenth of its window


@dataclass(frozen=True)
class Run:
    """Values to be counted, with NaN where the car was not running (and where that was, if anywhere)."""

    first_sample: int
    travel_mm: Floats
    velocity_mm_s: Floats
    velocity_places: Places
    car: CarBlock
    idle: Bools | None
    motions: Floats
    time_to_limit_s: Floats


@dataclass
class _Turns:
    """Blocks that no lap begins in, on their way to being counted: the turns done, and what they have found."""

    seen: Seen
    run: Run | None = None
    turn: int = 0


class _Rolling:
    """Velocity counts of the newest buckets of running; samples are only counted when somebody asks."""

    def __init__(self, bucket_length: int) -> None:
        self._length = bucket_length
        self._newest: int | None = None
        self._counts: deque[Ints] = deque(maxlen=_ROLLING_BUCKETS)
        self._pieces: deque[list[Places]] = deque(maxlen=_ROLLING_BUCKETS)

    def add(self, first_sample: int, places: Places) -> None:
        """Take consecutive samples' counters, shape (n_samples, 4)."""
        at = 0
        while at < len(places):
            bucket = (first_sample + at) // self._length
            end = min(len(places), (bucket + 1) * self._length - first_sample)
            self._put(bucket, places[at:end])
            at = end

    def counts(self) -> Ints:
        """Counts of all buckets, shape (4, bins)."""
        total = VELOCITY_BINS.empty(4)
        for counted, pieces in zip(self._counts, self._pieces, strict=True):
            for piece in pieces:
                counted += VELOCITY_BINS.count_places(piece)
            pieces.clear()
            total += counted
        return total

    def _put(self, bucket: int, places: Places) -> None:
        if bucket != self._newest or not self._pieces:
            if int(places.min()) >= VELOCITY_BINS.size:
                return  # nothing known: time in the garage pushes no running out
            self._newest = bucket
            self._counts.append(VELOCITY_BINS.empty(4))
            self._pieces.append([])
        self._pieces[-1].append(places)


class Counting:
    """Counts one stream.

    Parameters
    ----------
    sheet : Sheet
        The car.
    rate_hz : float
        Nominal sample rate of the stream.
    roles : tuple of str
        Side channels that every block carries.
    platform : Platform
        The named points.
    car : CarStage
        What makes the car's rows.
    """

    def __init__(self, sheet: Sheet, rate_hz: float, roles: tuple[str, ...], platform: Platform, car: CarStage) -> None:
        self.body = BodyMotion(sheet, platform.plane)
        self._limits_mm = platform.lowest_mm
        self._static_n = car.loads.static_n
        self._slowest_m_s = sheet.statistics.slowest_counted_m_s
        self._closing = ClosingWatch(platform.lowest_mm, car.row_rate_hz)
        self._downforce = DownforceWatch(sheet, car.row_rate_hz, car.stride)
        # A stint is long: thinned out, these two cost little and know enough.
        self._spectra = TravelSpectra(sheet, car.row_rate_hz, has_speed="speed" in roles, overlap=False)
        self._axle_delay = AxleDelayWatch(sheet, car.row_rate_hz, thinned=True)
        self._lap = Share.empty(len(platform.names))
        # Blocks of the lap under way, of one stretch, that are not counted yet.
        self._waits_below, self._waits_up_to = (round(span * rate_hz) for span in (_WAITS_BELOW_S, _WAITS_UP_TO_S))
        self._waiting = WaitingBlocks(self._waits_below + self._waits_up_to)
        # Those that were taken from there last, until they are counted.
        self._under_way: _Turns | None = None
        self._rolling = _Rolling(max(1, round(sheet.statistics.rolling_window_s * rate_hz / _ROLLING_BUCKETS)))

    @property
    def unsettled_lap(self) -> Share:
        """The lap under way without what waits, for what is added to it and not counted from samples."""
        return self._lap

    @property
    def lap(self) -> Share:
        """Everything counted since the start of the lap under way."""
        self.settle()
        return self._lap

    @property
    def closing(self) -> ClosingWatch:
        """Time to the platform's limits, up to the newest row."""
        self.settle()
        return self._closing

    @property
    def downforce(self) -> DownforceWatch:
        """What weighs the air, up to the newest row."""
        self.settle()
        return self._downforce

    @property
    def spectra(self) -> TravelSpectra:
        """What averages the spectra, up to the newest row."""
        self.settle()
        return self._spectra

    @property
    def axle_delay(self) -> AxleDelayWatch:
        """What looks at how the rear wheels repeat the front wheels, up to the newest row."""
        self.settle()
        return self._axle_delay

    def rolling(self) -> Ints:
        """Velocity counts, shape (4, bins), over the last `rolling_window_s` of running."""
        self.settle()
        return self._rolling.counts()

    def take(self, seen: Seen) -> None:
        """Take a block in which no lap begins; `settle` first where a stretch does."""
        if len(seen.travel_mm) >= self._waits_below:
            self.settle()
            self._all_turns(_Turns(seen))
            return
        # A turn of the counting with each short block, so that none of them takes long.
        if self._under_way is not None and not self._next_turn(self._under_way):
            self._under_way = None
        self._waiting.add(seen)
        if self._waiting.count >= self._waits_up_to:
            self._begin_waiting()

    def begin(self, seen: Seen) -> Run:
        """Prepare a block in which laps begin, to be counted lap by lap; `settle` first."""
        self._watch(seen.car)
        return self._run(seen)

    def count(self, run: Run, start: int, stop: int) -> None:
        """Count samples start to stop of a block, all of one lap."""
        self._count_rows(run, start, stop)
        self._count_samples(run, start, stop)

    def end_lap(self, points: int) -> Share:
        """Give the lap's share, all of which is counted, and begin another for so many points."""
        share, self._lap = self._lap, Share.empty(points)
        return share

    def settle(self) -> None:
        """Count the blocks that are not counted yet."""
        self._begin_waiting()
        if self._under_way is not None:
            self._all_turns(self._under_way)
            self._under_way = None

    def _begin_waiting(self) -> None:
        """Begin to count what waits, when what was begun before is done."""
        if self._under_way is not None:
            self._all_turns(self._under_way)
        seen = self._waiting.take()
        self._under_way = None if seen is None else _Turns(seen)

    def _all_turns(self, turns: _Turns) -> None:
        while self._next_turn(turns):
            pass

    def _next_turn(self, turns: _Turns) -> bool:
        """The next of four turns, of about the same time; whether there are more."""
        turns.turn += 1
        count = len(turns.seen.travel_mm)
        if turns.turn == 1:
            self._watch(turns.seen.car)
        elif turns.run is None:
            turns.run = self._run(turns.seen)
        elif turns.turn == 3:
            self._count_rows(turns.run, 0, count)
        else:
            self._count_samples(turns.run, 0, count)
        return turns.turn < 4

    def _watch(self, car: CarBlock) -> None:
        """Show the rows to those that collect whole windows."""
        for watch in (self._downforce, self._spectra, self._axle_delay):
            watch.process(car)

    def _run(self, seen: Seen) -> Run:
        """The values with those of a standing or crawling car made unknown; all run without a speed channel."""
        car = seen.car
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
        return Run(seen.first_sample, travel, velocity, places, car, idle, self.body.process(car), times_s)

    def _count_rows(self, run: Run, start: int, stop: int) -> None:
        """Count the car's rows among samples start to stop."""
        rows = [run.car.rows_before(run.first_sample + place) for place in (start, stop)]
        if rows[0] < rows[1]:
            car, here = run.car.part(*rows), slice(*rows)
            self._lap.add_car(car, self._limits_mm, self._static_n, run.time_to_limit_s[here])
            self._lap.body.add(run.motions[here], car, self.body.kerb_mm)

    def _count_samples(self, run: Run, start: int, stop: int) -> None:
        """Count samples start to stop."""
        self._lap.received += stop - start
        if run.idle is not None:
            self._lap.idle += int(np.count_nonzero(run.idle[start:stop]))
        if start == stop:
            return
        places = run.velocity_places[start:stop]
        self._rolling.add(run.first_sample + start, places)
        counts = VELOCITY_BINS.count_places(places)
        self._lap.tally.add(run.travel_mm[start:stop], run.velocity_mm_s[start:stop], counts)
