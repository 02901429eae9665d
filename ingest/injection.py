"""Puts a plan's faults into a stream of samples, as sensors, logger and link would show them.

In: chunks, and faults whose places on the sample axis are known. Out: chunks. Nothing before a fault's first sample
changes by a bit, what is NaN stays NaN, and any split of the same stream gives the same bits. A change of the car acts
on damper travel and goes back through the calibration into readings, a sensor's fault on its readings, a lost link on
the samples themselves. Memory: what each fault must remember. Nothing raises for faults that `unfit` finds nothing in.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ingest.calibration import Calibration
from ingest.changed_corner import ChangedCorner, static_ratio
from ingest.chunk import CORNERS, Chunk, Floats, Ints
from ingest.plan import (
    BrokenWireFault,
    DamperFault,
    Fault,
    GainFault,
    LinkFault,
    LoweredFault,
    Plan,
    SpikesFault,
    StuckFault,
    ZeroFault,
)
from ingest.sheet import Sheet
from ingest.sheet_parts import Sensor
from ingest.way_back import WayBack, rails_of

# Travel so far beyond the stroke is no position: it is passed on as it is.
_BEYOND_STROKE_MM = 3.0


@dataclass(frozen=True)
class Placed:
    """A fault on the sample axis.

    Attributes
    ----------
    fault : Fault
        What.
    start, full : int
        First sample that it touches, and the one from which it is there whole.
    end : int or None
        First sample after it; None for one that stays.
    """

    fault: Fault
    start: int
    full: int
    end: int | None

    def grown(self, samples: Ints) -> Floats:
        """How much of the fault is there at each sample, 0 to 1."""
        if self.full <= self.start:
            return (samples >= self.start).astype(np.float64)
        return np.clip((samples - self.start) / (self.full - self.start), 0.0, 1.0)

    def span(self, first: int, count: int) -> tuple[int, int]:
        """Places of the samples that it touches among `count` from `first` on; equal when there is none."""
        end = first + count if self.end is None else self.end
        start = min(max(self.start - first, 0), count)
        return start, max(start, min(end - first, count))


def rail_reading(sensor: Sensor, fault: BrokenWireFault) -> float | None:
    """What a sensor without its wire reads, or shorted; None where neither plan nor sheet tells."""
    if fault.reading is not None:
        return fault.reading
    rails = rails_of(sensor)
    if rails is None:
        return None
    high = (sensor.open_circuit_reads == "high") == (fault.kind == "unplugged")
    return rails[high]


class _Corner:
    """All that is done to one corner's readings; its state goes from chunk to chunk."""

    def __init__(self, sheet: Sheet, corner: str, rate_hz: float, placed: list[Placed]) -> None:
        self._car = [one for one in placed if isinstance(one.fault, DamperFault | LoweredFault)]
        self._shown = [one for one in placed if isinstance(one.fault, ZeroFault | GainFault)]
        self._electric = [one for one in placed if isinstance(one.fault, BrokenWireFault | StuckFault | SpikesFault)]
        self._sensor = sheet.sensor(corner)
        self._back = WayBack(sheet, corner) if self._car or self._shown or self._electric else None
        self._changed = ChangedCorner(sheet, corner, rate_hz)
        part = sheet.suspension(corner)
        self._lowest_mm = -part.travel_to_full_droop_mm - _BEYOND_STROKE_MM
        self._highest_mm = part.travel_to_full_bump_mm + _BEYOND_STROKE_MM
        self._range = self._sensor.reading_range or (-math.inf, math.inf)
        self._held: dict[int, float] = {}
        self._ratio = self._changed.ratio
        self._spikes = {n: _spike_places(one) for n, one in enumerate(self._electric)}

    def process(self, first: int, readings: Floats, travel_mm: Floats, *, breaks: bool) -> Floats:
        """Readings of consecutive samples with the faults in them."""
        samples = np.arange(first, first + len(readings))
        if breaks:
            self._changed.reset()
        if self._car:
            readings, travel_mm = self._of_the_car(samples, readings, travel_mm)
        if self._shown:
            readings = self._as_shown(samples, readings, travel_mm)
        for number, one in enumerate(self._electric):
            readings = self._spoilt(number, one, first, readings, travel_mm)
        return readings

    def _of_the_car(self, samples: Ints, readings: Floats, travel_mm: Floats) -> tuple[Floats, Floats]:
        begins = min(one.start for one in self._car)
        from_place = min(max(begins - int(samples[0]), 0), len(samples))
        if from_place == len(samples):
            return readings, travel_mm
        samples, travel = samples[from_place:], travel_mm[from_place:]
        compression, rebound, seat = np.ones(len(samples)), np.ones(len(samples)), np.zeros(len(samples))
        for one in self._car:
            grown, fault = one.grown(samples), one.fault
            if isinstance(fault, DamperFault):
                left = 1.0 + (fault.force_left - 1.0) * grown
                if fault.direction != "rebound":
                    compression *= left
                if fault.direction != "compression":
                    rebound *= left
            elif isinstance(fault, LoweredFault):
                seat += fault.by_mm * self._ratio * grown
        read = readings[from_place:]
        with np.errstate(invalid="ignore"):
            position = (travel >= self._lowest_mm) & (travel <= self._highest_mm)
            position &= (read >= self._range[0]) & (read <= self._range[1])
        added = self._changed.process(np.where(position, travel, np.nan), seat, compression, rebound)
        assert self._back is not None
        moved, more = readings.copy(), travel_mm.copy()
        moved[from_place:] = self._back.moved(read, travel, added)
        more[from_place:] += np.where(np.isnan(added), 0.0, added)
        return moved, more

    def _as_shown(self, samples: Ints, readings: Floats, travel_mm: Floats) -> Floats:
        factor, slip = np.ones(len(samples)), np.zeros(len(samples))
        for one in self._shown:
            fault = one.fault
            if isinstance(fault, GainFault):
                factor *= 1.0 + (fault.factor - 1.0) * one.grown(samples)
            elif isinstance(fault, ZeroFault):
                slip += fault.by_mm * one.grown(samples)
        assert self._back is not None
        with np.errstate(invalid="ignore"):
            possible = (readings >= self._range[0]) & (readings <= self._range[1])
        return self._back.moved(readings, np.where(possible, travel_mm, np.nan), travel_mm * (factor - 1.0) + slip)

    def _spoilt(self, number: int, one: Placed, first: int, readings: Floats, travel_mm: Floats) -> Floats:
        start, stop = one.span(first, len(readings))
        fault = one.fault
        if start == stop:
            return readings
        result = readings.copy()
        part = result[start:stop]
        known = ~np.isnan(part)
        if isinstance(fault, StuckFault):
            if number not in self._held and known.any():
                self._held[number] = float(part[known][0])
            part[known] = self._held.get(number, math.nan)
        elif isinstance(fault, BrokenWireFault):
            rail = math.nan if fault.reads == "nothing" else rail_reading(self._sensor, fault)
            assert rail is not None
            part[known] = rail
        elif isinstance(fault, SpikesFault):
            places = self._spikes[number]
            low, high = np.searchsorted(places, [first, first + len(readings)])
            hit = places[low:high] - first
            if len(hit):
                way = np.where(np.arange(low, high) % 2, -1.0, 1.0) * fault.by_mm
                # Away from the end of the stroke that it would leave.
                room = (travel_mm[hit] + way > self._highest_mm) | (travel_mm[hit] + way < self._lowest_mm)
                assert self._back is not None
                result[hit] = self._back.moved(result[hit], travel_mm[hit], np.where(room, -way, way))
        return result


def _spike_places(one: Placed) -> Ints:
    """Samples that a fault's spikes hit: evenly spread, no two beside each other where there is room."""
    if not isinstance(one.fault, SpikesFault):
        return np.empty(0, dtype=np.int64)
    assert one.end is not None
    number = np.arange(one.fault.count)
    return np.unique(one.start + (2 * number + 1) * (one.end - one.start) // (2 * one.fault.count)).astype(np.int64)


class Injector:
    """Puts faults into a stream.

    Parameters
    ----------
    sheet : Sheet
        The car: calibrations, masses, rates, dampers.
    rate_hz : float
        Sample rate.
    placed : tuple of Placed
        The faults.
    drops : bool
        Whether a lost link takes samples out; without, that is done elsewhere.
    """

    def __init__(self, sheet: Sheet, rate_hz: float, placed: tuple[Placed, ...], *, drops: bool = True) -> None:
        self._calibration = Calibration(sheet)
        self._touched = {
            number: _Corner(sheet, corner, rate_hz, mine)
            for number, corner in enumerate(CORNERS)
            if (mine := [one for one in placed if corner in one.fault.corners])
        }
        starts = [one.start for one in placed if one.fault.corners]
        self._from = min(starts, default=0)
        self._lost = [one for one in placed if isinstance(one.fault, LinkFault)] if drops else []
        self._silent = max(1, round(sheet.alerts.link.silent_after_s * rate_hz))
        self._dropped = 0
        self._restart = False
        self._begun = False
        self._told = False

    def process(self, chunk: Chunk) -> Iterator[Chunk]:
        """Take a chunk; give what comes of it, in order: nothing, the same, parts of it, or word of a silence."""
        if not len(chunk):
            if self._dropped:  # what it says of a gap goes with the next sample that is kept
                self._dropped += chunk.gap_before
                self._restart = self._restart or chunk.restart
                chunk = replace(chunk, gap_before=0, restart=False)
            yield chunk
            return
        chunk = self.with_faults(chunk)
        if not self._lost:
            yield chunk
            return
        for start, stop, lost in self._stretches(chunk):
            part = chunk.part(start, stop)
            if lost:
                yield from self._drop(part)
            else:
                yield self._kept(part)

    def with_faults(self, chunk: Chunk) -> Chunk:
        """The same samples, with the faults of car and sensors in them."""
        if not self._touched or chunk.first_sample + len(chunk) <= self._from:
            return chunk
        sensors = np.array(chunk.sensors, order="F")
        travel_mm = self._calibration.process(chunk.sensors)
        for number, corner in self._touched.items():
            column = sensors[:, number]
            column[:] = corner.process(chunk.first_sample, column, travel_mm[:, number], breaks=chunk.breaks)
        return replace(chunk, sensors=sensors)

    def _stretches(self, chunk: Chunk) -> Iterator[tuple[int, int, bool]]:
        """Start, stop and whether it is lost, of pieces of a chunk."""
        spans = [one.span(chunk.first_sample, len(chunk)) for one in self._lost]
        edges = sorted({0, len(chunk), *(place for span in spans for place in span)})
        for start, stop in itertools.pairwise(edges):
            yield start, stop, any(a <= start < b for a, b in spans)

    def _drop(self, part: Chunk) -> Iterator[Chunk]:
        self._dropped += len(part) + part.gap_before
        self._restart = self._restart or part.restart
        if self._begun and not self._told and self._dropped >= self._silent:
            self._told = True
            yield Chunk(part.first_sample, part.rate_hz, part.sensors[:0], _nothing(part), silent=True)

    def _kept(self, part: Chunk) -> Chunk:
        gap = part.gap_before + self._dropped if self._begun else 0
        restart = (part.restart or self._restart) and self._begun
        self._begun, self._dropped, self._restart, self._told = True, 0, False, False
        return replace(part, gap_before=gap, restart=restart)


def _nothing(part: Chunk) -> dict[str, Floats]:
    return {role: values[:0] for role, values in part.side.items()}


def unfit(plan: Plan, sheet: Sheet) -> list[str]:
    """What the plan asks that this car can't have or its sheet does not tell; a line each."""
    problems: list[str] = []
    for number, fault in enumerate(plan.faults, start=1):
        if isinstance(fault, BrokenWireFault) and fault.reads == "rail":
            if rail_reading(sheet.sensor(fault.corner), fault) is None:
                problems.append(
                    f"fault {number}.reads: the sheet has no corner.{fault.corner}.sensor.reading_range to tell the "
                    'rail from; give reading, or reads = "nothing"'
                )
        elif isinstance(fault, LoweredFault):
            problems += _beyond_stroke(fault, number, sheet)
    return problems


def _beyond_stroke(fault: LoweredFault, number: int, sheet: Sheet) -> Iterator[str]:
    for corner in fault.corners:
        part = sheet.suspension(corner)
        moved = fault.by_mm * static_ratio(part)
        if not -part.travel_to_full_droop_mm < moved < part.travel_to_full_bump_mm:
            yield (
                f"fault {number}.by_mm: {fault.by_mm:g} mm are {moved:.0f} mm at the damper {corner}, which has "
                f"{part.travel_to_full_bump_mm:g} mm to full bump and {part.travel_to_full_droop_mm:g} mm to full droop"
            )
