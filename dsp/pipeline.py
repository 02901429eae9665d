"""The chain from chunks to frames, in its one order: see `Pipeline.process`.

In: chunks of one stream, any split. Out: frames, each an aligned block with everything found in it. Holds the
stint's and the current lap's counts, a rolling window, and the counters of what was lost. Any split of the same
stream gives the same frames' content; only where they are cut differs.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from dsp.car import CarStage, stride_for
from dsp.contact_places import ContactPlaces
from dsp.counting import Counting
from dsp.faults import FaultChange
from dsp.frame import Aligned, CarBlock
from dsp.laps import LapTracker
from dsp.platform import Platform
from dsp.stops import Contact, StopWatch
from dsp.summary import LapSummary, Share
from dsp.validity import Validity
from dsp.velocity import VelocityFilter, VelocityStage
from dsp.waiting import Seen
from ingest.calibration import Calibration
from ingest.chunk import Chunk, Floats
from ingest.sheet import Sheet

# Samples handled at once. Fewer would stay in a core's second-level cache, but every block costs half a millisecond
# whatever its length; measured, 16384 took a quarter longer for a stint, and 131072 no less.
_LARGEST_BLOCK = 65_536


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
        self.counting = Counting(sheet, rate_hz, roles, self.platform, self.car)
        # The newest rows that there are: a short block may hold none.
        self.newest_car: CarBlock | None = None
        self.stops = StopWatch(sheet, rate_hz)
        self.droops = StopWatch(sheet, rate_hz, droop=True)
        self._stop_places, self._droop_places = ContactPlaces(), ContactPlaces()
        self.laps = LapTracker(sheet.laps, rate_hz, roles)
        self._stopped_below_m_s = sheet.laps.stopped_below_m_s
        self.stint = Share.empty(len(self.platform.names))
        self.timed = Share.empty(len(self.platform.names))
        self.timed_laps = 0
        self.fault_changes: list[FaultChange] = []
        self._trust_changes: deque[FaultChange] = deque()
        self._position_lost = [False] * 4
        self.gaps = 0
        self.lost_samples = 0
        self.restarts = 0
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
            if changes:
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
        self.counting.lap.take(contacts, top_outs)
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
        total.merge(self.counting.lap)
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
        standing = None if speed is None else speed < self._stopped_below_m_s
        ended = self.stops.process(first, trusted, velocity, starts_stretch=starts, standing=standing)
        contacts, open_contacts = self._stop_places.process(car, ended, self.stops.open_contacts)
        ended = self.droops.process(first, trusted, velocity, starts_stretch=starts, standing=standing)
        top_outs, open_top_outs = self._droop_places.process(car, ended, self.droops.open_contacts)
        laps = self._count(Seen(first, starts, trusted, velocity, speed, car), block, cuts, contacts, top_outs)
        return Frame(block, trusted, car, contacts, open_contacts, top_outs, open_top_outs, laps, self._starts)

    def _trusted(self, block: Aligned) -> Floats:
        """Travel with the positions made unknown that a step has shifted."""
        trusted = block.travel_mm
        if not self._trust_changes and not any(self._position_lost):
            return trusted
        end = block.first_sample + len(block)
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
        self, seen: Seen, block: Aligned, cuts: list[int], contacts: list[Contact], top_outs: list[Contact]
    ) -> list[LapSummary]:
        """Share the block out to laps; a contact goes to the lap in which it ended."""
        counting = self.counting
        if seen.starts_stretch or cuts:
            counting.settle()
        if not cuts:
            self.laps.follow(block, 0, len(block))
            counting.unsettled_lap.take(contacts, top_outs)
            counting.take(seen)
            return []
        run = counting.begin(seen)
        finished = []
        start = 0
        for cut in [*cuts, len(block)]:
            self.laps.follow(block, start, cut)
            counting.count(run, start, cut)
            until = block.first_sample + cut
            ended = [
                [one for one in some if cut == len(block) or one.end_sample <= until] for some in (contacts, top_outs)
            ]
            counting.unsettled_lap.take(*ended)
            contacts, top_outs = contacts[len(ended[0]) :], top_outs[len(ended[1]) :]
            if cut < len(block):
                finished.append(self._close_lap(until))
                self._begin_lap(block, cut)
                if cut == 0:
                    # What is missing just before a lap's first sample may have been its own.
                    self.laps.note_gap(block.gap_before, restart=block.restart)
            start = cut
        return finished

    def _begin_lap(self, block: Aligned, place: int) -> None:
        label = float(block.side["lap_number"][place]) if self.laps.source == "lap_number" else float("nan")
        lap = self.laps.begin(block.first_sample + place, label)
        self._starts.append((lap.first_sample, lap.name))

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
            share=self.counting.end_lap(len(self.platform.names)),
        )
        self.stint.merge(summary.share)
        if summary.timed:
            self.timed.merge(summary.share)
            self.timed_laps += 1
        return summary
