"""Platform low: a named point below its limit for longer than the on-delay.

The rule waits itself, so that its evidence can name the lowest height while it waited. The wait is a count that leaks:
a sample below the limit adds one, any other takes one away, so that wheel hop on a low platform does not restart it.
A kerb under one wheel shows as warp and is marked. An unknown height, and that of a car that stands, ends the wait
and leaves a standing alarm as it is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Observation
from alerts.rule import sensor_key, standing_still
from dsp.faults import FaultChange
from dsp.pipeline import Frame
from dsp.platform import Platform
from ingest.chunk import CORNERS, Floats
from ingest.sheet import Sheet

_CHECK_FIRST = "ride heights on the flat patch and spring platforms; then the underside at this point for contact marks"
# So much lower than what was told is news: more than the sensors' noise and the tyres' give make of the same dip.
_WORSE_MM = 3.0


@dataclass
class _Dip:
    """A stretch in which samples below the limit prevail: their surplus so far, and the lowest height.

    `told_mm` is the lowest height reported in it.
    """

    start_sample: int
    count: int = 0
    told_mm: float = np.inf
    lowest_mm: float = np.inf
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
        # The sample that completes the delay counts too.
        self._full = round(self._limits.on_delay_s * rate_hz) + 1
        self._stopped_below_m_s = sheet.laps.stopped_below_m_s
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
        still = standing_still(frame, self._stopped_below_m_s)
        heights = frame.heights_mm
        if still.any():
            heights = np.where(still[:, np.newaxis], np.nan, heights)
        for point in range(len(self._dips)):
            seen += self._follow(frame, point, heights[:, point])
        return seen

    def _follow(self, frame: Frame, point: int, heights: Floats) -> list[Observation]:
        limit = float(self._platform.lowest_mm[point])
        clear = limit + self._limits.clear_above_limit_mm
        lowest = float(heights.min())
        if self._said[point] is False and lowest > clear and self._dips[point] is None:
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
                self._leak(point, stop - start)
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

    def _leak(self, point: int, samples: int) -> None:
        """Take known samples that are not below the limit off the count; at zero the dip is over."""
        dip = self._dips[point]
        if dip is not None:
            dip.count -= samples
            if dip.count <= 0:
                self._dips[point] = None

    def _low(self, frame: Frame, point: int, heights: Floats, start: int, stop: int) -> list[Observation]:
        """Below the limit from `start` to `stop` (places in the block); report when it has lasted long enough.

        Reported again at each sample far enough below what was reported, while the count is full.
        """
        first, name = frame.block.first_sample, self._platform.names[point]
        seen: list[Observation] = []
        if self._said[point] is False:
            self._said[point] = None
            seen.append(Observation(first + start, self.kind, name, None))
        dip = self._dips[point]
        if dip is None:
            dip = self._dips[point] = _Dip(first + start)
        # Before this place the count is not full; there, what was not said of this dip is said.
        full = min(stop, start + max(0, self._full - 1 - dip.count))
        dip.count = min(self._full, dip.count + stop - start)
        self._deepen(dip, frame, heights, start, full)
        while full < stop:
            if self._said[point] is True:
                deeper = np.flatnonzero(heights[full:stop] <= dip.told_mm - _WORSE_MM)
                after = full + int(deeper[0]) if len(deeper) else stop
                self._deepen(dip, frame, heights, full, after)
                full = after
                if full == stop:
                    break
            self._deepen(dip, frame, heights, full, full + 1)
            evidence = self._evidence(dip, float(self._platform.lowest_mm[point]))
            self._said[point], dip.told_mm = True, dip.lowest_mm
            seen.append(Observation(first + full, self.kind, name, True, evidence, immediate=True))
            full += 1
        return seen

    def _deepen(self, dip: _Dip, frame: Frame, heights: Floats, start: int, stop: int) -> None:
        """Follow the lowest height from place `start` to `stop`."""
        if start == stop:
            return
        place = start + int(heights[start:stop].argmin())
        if heights[place] < dip.lowest_mm:
            dip.lowest_mm = float(heights[place])
            dip.warp_mm = float(self._platform.warp(frame.wheel_mm[place : place + 1])[0])

    def _evidence(self, dip: _Dip, limit_mm: float) -> Evidence:
        kerb = ", on a kerb" if abs(dip.warp_mm) > self._limits.kerb_warp_mm else ""
        lasted = self._limits.on_delay_s * 1000.0
        sentence = f"{dip.lowest_mm:.1f} mm above the road, below {limit_mm:g} mm for {lasted:.0f} ms{kerb}"
        if dip.told_mm < np.inf:
            sentence = f"down to {dip.lowest_mm:.1f} mm above the road{kerb}"
        return Evidence(
            dip.lowest_mm,
            limit_mm,
            "mm",
            dip.start_sample,
            sentence,
            _CHECK_FIRST,
            severity=limit_mm - dip.lowest_mm,
            worse_by=_WORSE_MM,
        )
