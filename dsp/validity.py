"""Is each sensor telling the truth? Samples that can't be are made unknown, and every fault is reported.

In: chunks with readings and calibrated travel. Out: travel with NaN where a reading is not to be believed, the
begin and end of every fault, and counts. Causal: a decision at a sample uses nothing after it. Faults:

open circuit, short circuit  the reading is outside the sheet's reading_range
out of range                 travel beyond the damper's stroke by more than a margin
no reading                   the sample came without a usable value for this sensor
spike                        a jump no wheel can make, back within `longest_spike_s`
step                         such a jump that stays: from there the position is not to be trusted, velocity is;
                             it ends when another step undoes it
stuck                        the sensor hardly moves while the other corners do
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from dsp.faults import FAULTS, FaultChange
from dsp.jumps import JumpWatch
from dsp.stuck import StuckWatch
from ingest.chunk import CORNERS, Bools, Chunk, Floats
from ingest.sheet import Sheet

# The motion during the 10 ms of a verdict blurs a step's size; a return nearer to zero than this share of it counts.
_UNDONE_SHARE = 0.3
# Readings that come and go, as in a log of mixed rates, are lost readings until they have come for this long.
_BACK_AFTER_S = 0.04
_SHORT_GAP_S = 0.1  # one tick of the stuck watch


class Validity:
    """Finds sensor faults in a stream.

    Parameters
    ----------
    sheet : Sheet
        Sensors, strokes and the limits of `alerts.sensor`.
    rate_hz : float
        Sample rate.
    """

    def __init__(self, sheet: Sheet, rate_hz: float) -> None:
        limits = sheet.alerts.sensor
        self._units = [sheet.sensor(corner).unit for corner in CORNERS]
        self._lowest_reading = np.full(4, -np.inf)
        self._highest_reading = np.full(4, np.inf)
        self._low_name = []
        for index, corner in enumerate(CORNERS):
            sensor = sheet.sensor(corner)
            if sensor.reading_range is not None:
                self._lowest_reading[index], self._highest_reading[index] = sensor.reading_range
            self._low_name.append("open circuit" if sensor.open_circuit_reads == "low" else "short circuit")
        parts = [sheet.suspension(corner) for corner in CORNERS]
        droop_mm = np.array([-part.travel_to_full_droop_mm for part in parts])
        bump_mm = np.array([part.travel_to_full_bump_mm for part in parts])
        self._lowest_mm, self._highest_mm = droop_mm - limits.beyond_stroke_mm, bump_mm + limits.beyond_stroke_mm
        self._has_ranges = any(sheet.sensor(corner).reading_range is not None for corner in CORNERS)
        # The same limits in plain numbers: four of them are compared sooner than an array of four.
        self._strokes_mm = list(zip(self._lowest_mm.tolist(), self._highest_mm.tolist(), strict=True))
        self._ranges = list(zip(self._lowest_reading.tolist(), self._highest_reading.tolist(), strict=True))
        self._jumps = JumpWatch(limits, rate_hz)
        self._stuck = StuckWatch(limits, rate_hz, (droop_mm, bump_mm))
        self._standing: list[str | None] = [None] * 4
        self._silent = [False] * 4
        self._present = [0] * 4
        self._back_after = max(1, round(_BACK_AFTER_S * rate_hz))
        self._short_gap = _SHORT_GAP_S * rate_hz
        self.rejected = np.zeros(4, dtype=np.int64)
        self.missing = np.zeros(4, dtype=np.int64)
        # First sample from which a corner's position (not its velocity) is wrong; None while it is trusted.
        self.position_lost_at: list[int | None] = [None] * 4
        self._first_step_mm = [0.0] * 4
        self._offset_mm = [0.0] * 4

    def reset(self) -> None:
        """Compare nothing before with what follows. Standing faults stand."""
        self._jumps.reset()
        self._stuck.reset()

    def process(self, chunk: Chunk, travel_mm: Floats) -> tuple[Floats, list[FaultChange]]:
        """Take a chunk and its travel (n_samples, 4); return believable travel and the fault changes, in order."""
        if chunk.breaks:
            self._jumps.reset()
            # Ticks of stillness or motion go on over a few lost samples: nothing is said about those.
            if chunk.restart or chunk.gap_before > self._short_gap:
                self._stuck.reset()
        if len(chunk) == 0:
            return travel_mm, []
        changes: list[FaultChange] = []
        believed = travel_mm
        extremes = np.minimum.reduce(travel_mm, axis=0), np.maximum.reduce(travel_mm, axis=0)
        usual = _within(extremes, self._strokes_mm) and self._readings_within(chunk.sensors)
        outside = None if usual else self._outside(chunk.sensors, travel_mm)
        missing = None if usual or not np.isnan(travel_mm.sum()) else np.isnan(travel_mm)
        if missing is not None or any(self._silent):
            absent = np.isnan(travel_mm)
            self.missing += absent.sum(axis=0)
            changes += self._follow_silence(chunk.first_sample, absent)
        if outside is not None or any(self._standing):
            mask = np.zeros(travel_mm.shape, dtype=bool, order="F") if outside is None else outside
            for corner in range(4):
                changes += self._follow_range(chunk, travel_mm, mask[:, corner], corner)
            believed = np.where(mask, np.nan, travel_mm)
        believed, jump_changes = self._jumps.process(chunk.first_sample, believed)
        before = tuple(self._stuck.stuck)
        known = extremes if believed is travel_mm else None
        believed, stuck_changes = self._stuck.process(chunk.first_sample, believed, known)
        changes += stuck_changes
        for change in jump_changes:
            if _stuck_at(change, before, stuck_changes):
                continue  # a stuck sensor that lets go jumps to where it should be, not away from it
            changes.append(change if change.fault == "spike" else self._stepped(change))
        if believed is not travel_mm:
            unknown = np.isnan(believed).sum(axis=0)
            self.rejected += unknown - (0 if missing is None else missing.sum(axis=0))
        if changes:
            changes.sort(key=lambda change: (change.sample, change.corner))
        return believed, changes

    def _readings_within(self, readings: Floats) -> bool:
        """Whether every reading is known and inside its range, as far as the sheet has ranges."""
        if not self._has_ranges:
            return True
        return _within((np.minimum.reduce(readings, axis=0), np.maximum.reduce(readings, axis=0)), self._ranges)

    def _stepped(self, change: FaultChange) -> FaultChange:
        """Follow a corner's offset; a step that undoes the ones before ends the fault instead of beginning another."""
        corner, sure = change.corner, change.fault == "step"
        change = replace(change, fault="step" if sure else "spike")
        if self.position_lost_at[corner] is None:
            if sure:
                self.position_lost_at[corner] = change.sample
                self._first_step_mm[corner] = self._offset_mm[corner] = change.measured
            return change
        offset_mm = self._offset_mm[corner] + change.measured
        near = max(change.limit, _UNDONE_SHARE * abs(self._first_step_mm[corner]))
        if abs(offset_mm) <= near:
            self.position_lost_at[corner] = None
            return replace(change, fault="step", begins=False)
        if sure:
            self._offset_mm[corner] = offset_mm
        return change

    def _follow_silence(self, first_sample: int, absent: Bools) -> list[FaultChange]:
        """Begin and end of lost readings, per corner; they end when readings have come again for a while."""
        changes = []
        for corner in range(4):
            column = absent[:, corner]
            starts = np.concatenate(([0], np.flatnonzero(np.diff(column)) + 1, [len(column)])).tolist()
            for start, stop in itertools.pairwise(starts):
                if column[start]:
                    if not self._silent[corner]:
                        self._silent[corner] = True
                        changes.append(_lost_reading(first_sample + start, corner, begins=True))
                    self._present[corner] = 0
                    continue
                back_at = start + self._back_after - self._present[corner] - 1
                self._present[corner] += stop - start
                if self._silent[corner] and back_at < stop:
                    self._silent[corner] = False
                    changes.append(_lost_reading(first_sample + back_at, corner, begins=False))
        return changes

    def _outside(self, readings: Floats, travel_mm: Floats) -> Bools | None:
        """Mask of samples outside a reading range or the stroke, or None when there is none. NaN is not outside."""
        with np.errstate(invalid="ignore"):
            low, high = np.fmin.reduce(travel_mm, axis=0), np.fmax.reduce(travel_mm, axis=0)
            reading_low, reading_high = np.fmin.reduce(readings, axis=0), np.fmax.reduce(readings, axis=0)
            inside = ~(
                (low < self._lowest_mm)
                | (high > self._highest_mm)
                | (reading_low < self._lowest_reading)
                | (reading_high > self._highest_reading)
            )
            if inside.all():
                return None
            return (
                (travel_mm < self._lowest_mm)
                | (travel_mm > self._highest_mm)
                | (readings < self._lowest_reading)
                | (readings > self._highest_reading)
            )

    def _follow_range(self, chunk: Chunk, travel_mm: Floats, mask: Bools, corner: int) -> list[FaultChange]:
        """Begin and end of the range faults of one corner. A missing sample neither begins nor ends one."""
        changes = []
        known = ~np.isnan(travel_mm[:, corner])
        was = self._standing[corner] is not None
        places = np.flatnonzero(known)
        states = mask[places]
        before = np.concatenate(([was], states[:-1]))
        for place in places[states != before]:
            sample = chunk.first_sample + int(place)
            if mask[place]:
                change = self._name(
                    sample, corner, float(chunk.sensors[place, corner]), float(travel_mm[place, corner])
                )
                self._standing[corner] = change.fault
                changes.append(change)
            else:
                fault = self._standing[corner] or FAULTS[2]
                self._standing[corner] = None
                changes.append(FaultChange(sample, corner, fault, False, float(travel_mm[place, corner]), np.nan, "mm"))
        return changes

    def _name(self, sample: int, corner: int, reading: float, travel: float) -> FaultChange:
        """Which range fault this sample shows, the electrical ones first."""
        unit = self._units[corner]
        lowest, highest = float(self._lowest_reading[corner]), float(self._highest_reading[corner])
        if reading < lowest:
            return FaultChange(sample, corner, self._low_name[corner], True, reading, lowest, unit)
        if reading > highest:
            other = "short circuit" if self._low_name[corner] == "open circuit" else "open circuit"
            return FaultChange(sample, corner, other, True, reading, highest, unit)
        limit = self._lowest_mm[corner] if travel < self._lowest_mm[corner] else self._highest_mm[corner]
        return FaultChange(sample, corner, "out of range", True, travel, float(limit), "mm")


def _within(extremes: tuple[Floats, Floats], limits: list[tuple[float, float]]) -> bool:
    """Whether the lowest and highest values of each corner are known and inside its limits; NaN is inside nothing."""
    for low, high, (lowest, highest) in zip(extremes[0].tolist(), extremes[1].tolist(), limits, strict=True):
        if not (low >= lowest and high <= highest):
            return False
    return True


def _stuck_at(step: FaultChange, before: tuple[bool, ...], changes: list[FaultChange]) -> bool:
    """Whether the corner counted as stuck just before a step, from its state before the chunk and its changes in it."""
    earlier = [c.begins for c in changes if c.corner == step.corner and c.sample < step.sample]
    return earlier[-1] if earlier else before[step.corner]


def _lost_reading(sample: int, corner: int, *, begins: bool) -> FaultChange:
    return FaultChange(sample, corner, "no reading", begins, np.nan, np.nan, "")
