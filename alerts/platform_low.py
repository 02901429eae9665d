"""Platform low: a named point below its limit for longer than the on-delay.

The rule waits itself, so that its evidence can name the lowest height while it waited. A kerb under one wheel
shows as warp and is marked. An unknown height ends the wait and leaves a standing alarm as it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Observation
from alerts.rule import sensor_key
from dsp.faults import FaultChange
from dsp.pipeline import Frame
from dsp.platform import Platform
from ingest.chunk import CORNERS, Floats
from ingest.sheet import Sheet

_CHECK_FIRST = "ride heights on the flat patch and spring platforms; then the underside at this point for contact marks"


@dataclass
class _Dip:
    """A stretch below the limit that is not reported yet."""

    start_sample: int
    lowest_mm: float = np.inf
    lowest_sample: int = 0
    warp_mm: float = 0.0


class PlatformLow:
    """One alarm a platform point.

    Parameters
    ----------
    sheet : Sheet
        Points, and the limits of `alerts.platform_low`.
    rate_hz : float
        Sample rate.
    """

    kind = "platform_low"

    def __init__(self, sheet: Sheet, rate_hz: float) -> None:
        self._limits = sheet.alerts.platform_low
        self._rate_hz = rate_hz
        self._wait = round(self._limits.on_delay_s * rate_hz)
        self._platform = Platform(sheet)
        points = len(self._platform.names)
        self._dips: list[_Dip | None] = [None] * points
        # What was said last of each point: low, clear, or nothing that still holds.
        self._said: list[bool | None] = [None] * points

    @property
    def definitions(self) -> list[Definition]:
        """One alarm of medium priority a point, silenced by any corner's sensor: every height needs all four."""
        return [
            Definition(
                self.kind,
                name,
                "medium",
                off_delay_s=self._limits.off_delay_s,
                suppressed_by=tuple(sensor_key(corner) for corner in CORNERS),
                caution=UNDER_THE_CAR,
            )
            for name in self._platform.names
        ]

    def observe(self, frame: Frame, faults: list[FaultChange]) -> list[Observation]:  # noqa: ARG002
        """Changes of each point between low, clear and unknown."""
        seen: list[Observation] = []
        if frame.block.starts_stretch:
            # Unknown from the first missing sample on, so that no timer runs through the gap.
            for point in range(len(self._dips)):
                seen += self._unknown(point, frame.block.first_sample - frame.block.gap_before)
        if len(frame.block) == 0:
            return seen
        for point in range(len(self._dips)):
            seen += self._follow(frame, point)
        return seen

    def _follow(self, frame: Frame, point: int) -> list[Observation]:
        heights = frame.heights_mm[:, point]
        limit = float(self._platform.lowest_mm[point])
        clear = limit + self._limits.clear_above_limit_mm
        lowest = float(heights.min())
        if self._said[point] is False and lowest > clear:
            return []  # the usual block: known, clear of the limit, and that was said before
        # Runs of equal state: 0 unknown, 1 low, 2 between limit and clear limit, 3 clear.
        states = np.where(heights < limit, 1, np.where(heights > clear, 3, 2))
        states[np.isnan(heights)] = 0
        starts = np.concatenate(([0], np.flatnonzero(np.diff(states)) + 1))
        stops = np.append(starts[1:], len(heights))
        seen: list[Observation] = []
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            sample = frame.block.first_sample + start
            state = int(states[start])
            if state == 0:
                seen += self._unknown(point, sample)
            elif state == 1:
                seen += self._low(frame, point, heights, start, stop)
            else:
                self._dips[point] = None
                if state == 3 and self._said[point] is not False:
                    self._said[point] = False
                    seen.append(Observation(sample, self.kind, self._platform.names[point], False))
                elif state == 2 and self._said[point] is False:
                    # Back inside the deadband: the clear time must start again.
                    self._said[point] = None
                    seen.append(Observation(sample, self.kind, self._platform.names[point], None))
        return seen

    def _unknown(self, point: int, sample: int) -> list[Observation]:
        self._dips[point] = None
        if self._said[point] is None:
            return []
        self._said[point] = None
        return [Observation(sample, self.kind, self._platform.names[point], None)]

    def _low(self, frame: Frame, point: int, heights: Floats, start: int, stop: int) -> list[Observation]:
        """Below the limit from `start` to `stop` (places in the block); report when it has lasted long enough."""
        first = frame.block.first_sample
        seen: list[Observation] = []
        if self._said[point] is False:
            self._said[point] = None
            seen.append(Observation(first + start, self.kind, self._platform.names[point], None))
        if self._said[point] is True:
            return seen
        dip = self._dips[point]
        if dip is None:
            dip = self._dips[point] = _Dip(first + start)
        trip = dip.start_sample + self._wait
        upto = min(stop, trip - first + 1)
        run = heights[start:upto]
        place = int(run.argmin())
        if run[place] < dip.lowest_mm:
            dip.lowest_mm, dip.lowest_sample = float(run[place]), first + start + place
            dip.warp_mm = float(self._platform.warp(frame.wheel_mm[start + place : start + place + 1])[0])
        if first + upto <= trip:
            return seen
        self._dips[point] = None
        self._said[point] = True
        evidence = self._evidence(dip, float(self._platform.lowest_mm[point]))
        seen.append(Observation(trip, self.kind, self._platform.names[point], True, evidence))
        return seen

    def _evidence(self, dip: _Dip, limit_mm: float) -> Evidence:
        kerb = ", on a kerb" if abs(dip.warp_mm) > self._limits.kerb_warp_mm else ""
        lasted = self._limits.on_delay_s * 1000.0
        sentence = f"{dip.lowest_mm:.1f} mm above the road, below {limit_mm:g} mm for {lasted:.0f} ms{kerb}"
        return Evidence(dip.lowest_mm, limit_mm, "mm", dip.start_sample, sentence, _CHECK_FIRST)
