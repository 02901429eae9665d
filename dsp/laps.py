"""Where laps begin, and which laps can be compared.

In: aligned side channels. Out: cuts (samples at which a new lap begins) and, when a lap is over, a verdict: out,
timed, in, unfinished or invalid, with the reason. The source is the first that the log has: a lap number that
changes, a marker that rises, or a lap distance that restarts. Without any the stint is one lap of kind "whole".
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.frame import Aligned
from ingest.chunk import Bools, Floats
from ingest.sheet_limits import LapSettings

Places = NDArray[np.intp]
SOURCES = ("lap_number", "lap_marker", "lap_distance")
_MARKER_LEVEL = 0.5  # a marker is 0 or 1
# A restart drops by most of a lap; GPS and wheel-speed distance step back by metres at most.
_LEAST_RESTART_M = 50.0
_RESTART_SHARE = 0.5
_NUMBER_HOLDS_S = 0.5  # a torn value lasts a sample or a channel's update; no lap is this short
_LAPS_COMPARED = 9


@dataclass(frozen=True)
class LapVerdict:
    """What kind of lap it was, and why it is not a timed one (empty for a timed lap)."""

    kind: str
    reason: str = ""


@dataclass
class Lap:
    """A lap under way or done: its place on the sample axis and what decides its kind."""

    index: int
    first_sample: int
    label: int | None = None
    begins_part_way: bool = False
    end_sample: int = 0
    missing_samples: int = 0
    longest_gap: int = 0
    clock_set_back: bool = False
    stopped_at_start: bool = False
    stopped_longest: int = 0
    stopped_now: int = 0
    has_moved: bool = False
    distance_m: float = math.nan

    @property
    def name(self) -> str:
        """The log's lap number where it has one, otherwise a count from 0 (the out-lap)."""
        return str(self.index if self.label is None else self.label)


class LapTracker:
    """Follows the laps of a stint.

    Parameters
    ----------
    settings : LapSettings
        What makes a lap comparable.
    rate_hz : float
        Sample rate.
    roles : tuple of str
        Side channels that the stream carries.
    """

    def __init__(self, settings: LapSettings, rate_hz: float, roles: tuple[str, ...]) -> None:
        self._settings = settings
        self._rate_hz = rate_hz
        self.source = next((role for role in SOURCES if role in roles), None)
        self._has_speed = "speed" in roles
        self._last = math.nan
        self._candidate = math.nan
        self._candidate_since = 0
        self._lengths_s: deque[float] = deque(maxlen=_LAPS_COMPARED)
        self._last_cut = -math.inf
        self.best_s = math.inf
        self.current: Lap | None = None
        self.ignored_markers = 0

    def cuts(self, block: Aligned) -> list[int]:
        """Places in the block at which a new lap begins; the first block of a stint begins lap 0 without a cut."""
        if self.source is None or len(block) == 0:
            return []
        values = block.side[self.source]
        if self.source == "lap_number" and np.count_nonzero(np.rint(values) == self._last) == len(values):
            self._candidate = math.nan
            return []  # the usual block
        known = np.flatnonzero(~np.isnan(values))
        if len(known) == 0:
            return []
        series = values[known]
        if self.source == "lap_number":
            # A logger that resamples draws a slope from one number to the next; scaling leaves 2.9999999.
            return self._number_cuts(block.first_sample, known, np.rint(series))
        before = np.concatenate(([self._last], series[:-1]))
        self._last = float(series[-1])
        places = [int(place) for place in known[self._is_cut(before, series)]]
        return self._debounced(block.first_sample, places)

    def begin(self, sample: int, label: float = math.nan) -> Lap:
        """Start the next lap at a sample."""
        index = 0 if self.current is None else self.current.index + 1
        part_way = self.current is None and self.source is not None
        number = round(label) if math.isfinite(label) else None
        self.current = Lap(index, sample, number, part_way, end_sample=sample)
        return self.current

    def note_gap(self, missing: int, *, restart: bool = False) -> None:
        """Samples are missing before the next block, or unknown in number (`restart`): the lap under way lacks them."""
        if self.current is not None:
            self.current.missing_samples += missing
            self.current.longest_gap = max(self.current.longest_gap, missing)
            self.current.clock_set_back = self.current.clock_set_back or restart

    def follow(self, block: Aligned, start: int, stop: int) -> None:
        """Take the samples start to stop of a block, all of the current lap."""
        lap = self.current
        if lap is None or stop <= start:
            return
        lap.end_sample = block.first_sample + stop
        if lap.label is None and self.source == "lap_number":
            known = block.side["lap_number"][start:stop]
            known = known[np.isfinite(known)]
            lap.label = round(float(known[0])) if len(known) else None
        if "lap_distance" in block.side:
            farthest = float(np.fmax.reduce(block.side["lap_distance"][start:stop]))
            if farthest > lap.distance_m or math.isnan(lap.distance_m):
                lap.distance_m = farthest
        if self._has_speed:
            self._follow_speed(lap, block.side["speed"][start:stop])

    def close(self, end_sample: int | None = None) -> LapVerdict:
        """Judge the current lap. `end_sample` is the next lap's first; without it the stream ended before the lap."""
        lap = self.current
        assert lap is not None
        finished = end_sample is not None
        if end_sample is not None:
            lap.end_sample = end_sample
        verdict = self._judge(lap, finished=finished)
        if verdict.kind == "timed":
            self.best_s = min(self.best_s, self.duration_s(lap))
        return verdict

    def duration_s(self, lap: Lap) -> float:
        """Time from the lap's first sample to the next lap's (or to the end of what there is)."""
        return (lap.end_sample - lap.first_sample) / self._rate_hz

    def _number_cuts(self, first_sample: int, known: Places, numbers: Floats) -> list[int]:
        """The next number begins a lap at once; any other must hold, since a torn sample shows one too."""
        cuts = []
        starts = np.concatenate(([0], np.flatnonzero(np.diff(numbers)) + 1, [len(numbers)])).tolist()
        for start, stop in itertools.pairwise(starts):
            number, sample = float(numbers[start]), first_sample + int(known[start])
            if math.isnan(self._last):
                self._last = number
            if number == self._last:
                self._candidate = math.nan
                continue
            if number != self._last + 1.0:
                if number != self._candidate:
                    self._candidate, self._candidate_since = number, sample
                held_from = self._candidate_since + round(_NUMBER_HOLDS_S * self._rate_hz)
                later = known[start:stop][first_sample + known[start:stop] >= held_from]
                if len(later) == 0:
                    continue
                cuts.append(int(later[0]))
            else:
                cuts.append(int(known[start]))
            self._last, self._candidate = number, math.nan
        return cuts

    def _is_cut(self, before: Floats, series: Floats) -> Bools:
        """Whether each known value begins a lap, given the known value before it (NaN: none yet)."""
        if self.source == "lap_marker":
            cut: Bools = (series >= _MARKER_LEVEL) & (before < _MARKER_LEVEL)
        else:
            cut = (before - series > _LEAST_RESTART_M) & (series < _RESTART_SHARE * before)
        return cut

    def _debounced(self, first_sample: int, places: list[int]) -> list[int]:
        """A marker or restart that comes again within the shortest lap is the same one seen twice."""
        kept = []
        shortest = self._settings.shortest_lap_s * self._rate_hz
        for place in places:
            sample = first_sample + place
            if sample - self._last_cut < shortest:
                self.ignored_markers += 1
                continue
            self._last_cut = sample
            kept.append(place)
        return kept

    def _follow_speed(self, lap: Lap, speed_m_s: Floats) -> None:
        """Longest time standing still, and whether it was before the lap's first motion; unknown speed is neither."""
        if np.minimum.reduce(speed_m_s) >= self._settings.stopped_below_m_s:
            # The usual block: known throughout, and moving.
            lap.has_moved = True
            lap.stopped_now = 0
            return
        stopped = speed_m_s < self._settings.stopped_below_m_s
        if np.isnan(speed_m_s.sum()):
            stopped = stopped[~np.isnan(speed_m_s)]
        if len(stopped) == 0:
            return
        if not stopped.any():
            lap.has_moved = True
            lap.stopped_now = 0
            return
        # Run lengths: places where the state changes, the run carried in from before joined to the first.
        edges = np.flatnonzero(np.diff(stopped)) + 1
        bounds = [0, *edges.tolist(), len(stopped)]
        for begin, end in itertools.pairwise(bounds):
            if stopped[begin]:
                lap.stopped_now += end - begin
                if lap.stopped_now > lap.stopped_longest:
                    lap.stopped_longest = lap.stopped_now
                    lap.stopped_at_start = not lap.has_moved
            else:
                lap.has_moved = True
                lap.stopped_now = 0

    def _judge(self, lap: Lap, *, finished: bool) -> LapVerdict:
        settings = self._settings
        if self.source is None:
            return LapVerdict("whole", "the log has no lap number, marker or distance")
        stops = lap.stopped_longest >= settings.stopped_for_s * self._rate_hz
        if not finished:
            if stops and not lap.stopped_at_start:
                return LapVerdict("in", "the car stops before the lap is done")
            return LapVerdict("unfinished", "the log ends before the lap does")
        if lap.begins_part_way:
            if stops:
                return LapVerdict("out", "starts from standstill")
            return LapVerdict("out", "the log starts with it, part-way round or leaving the pits")
        if stops:
            if lap.stopped_at_start:
                return LapVerdict("out", "starts from standstill")
            return LapVerdict("in", "the car stops during it")
        if lap.clock_set_back:
            return LapVerdict("invalid", "the device's clock was set back during it")
        duration = self.duration_s(lap)
        missing_s = lap.missing_samples / self._rate_hz
        too_long = lap.longest_gap > settings.longest_gap_s * self._rate_hz
        if too_long or missing_s > settings.most_missing_share * duration:
            return LapVerdict("invalid", f"{missing_s:.1f} s of samples missing")
        if duration < settings.shortest_lap_s:
            return LapVerdict("invalid", f"only {duration:.1f} s long")
        return self._against_others(duration)

    def _against_others(self, duration: float) -> LapVerdict:
        """Compare with the lower median of the last complete laps: neither one fragment nor one slow lap moves it."""
        self._lengths_s.append(duration)
        usual = statistics.median_low(self._lengths_s)
        if duration > self._settings.slow_lap_ratio * usual:
            return LapVerdict("invalid", f"{100 * (duration / usual - 1):.0f} % slower than the usual lap")
        if duration * self._settings.slow_lap_ratio < usual:
            return LapVerdict("invalid", f"{100 * (1 - duration / usual):.0f} % shorter than the usual lap")
        return LapVerdict("timed")
