"""Platform low: a named point below its limit for longer than the on-delay.

Heights are looked at on the rows of the car's grid; delays are rounded to them. The rule waits itself, so that its
evidence can name the lowest height while it waited. The wait is a count that leaks: a row below the limit adds one, any
other takes one away, so that wheel hop on a low platform does not restart it. A kerb under one wheel shows as warp and
is marked. An unknown height, and that of a car that stands, ends the wait and leaves a standing alarm as it is. A row
with a corner in doubt (`alerts.stillness`) neither trips nor clears; behind it the wait goes on as it was.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from alerts.alert import UNDER_THE_CAR, Definition, Evidence, Observation
from alerts.rule import rows_standing_still, sensor_key
from alerts.stillness import Stillness, free_travel_mm
from dsp.car import stride_for
from dsp.faults import FaultChange
from dsp.frame import REGIMES, CarBlock
from dsp.pipeline import Frame
from dsp.platform import Platform
from ingest.chunk import CORNERS, Floats, Ints
from ingest.sheet import Sheet

_CHECK_FIRST = "ride heights on the flat patch and spring platforms; then the underside at this point for contact marks"
# So much lower than what was told is news: more than the sensors' noise and the tyres' give make of the same dip.
_WORSE_MM = 3.0
# A coarse sensor is in doubt for a moment so often that an alarm might never return; so long it seldom is.
_STAYS_FROM_S = 0.1
_MEANWHILE = {"straight": " running straight", "braking": " under braking", "cornering": " in a corner"}


@dataclass
class _Dip:
    """A stretch in which rows below the limit prevail: their surplus so far, and the lowest height.

    `told_mm` is the lowest height reported in it.
    """

    start_sample: int
    count: int = 0
    told_mm: float = np.inf
    lowest_mm: float = np.inf
    warp_mm: float = 0.0
    regime: str = REGIMES[0]


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
        rows = self._limits.on_delay_s * rate_hz / stride_for(rate_hz)
        # The row that completes the delay counts too; what is to last at all lasts for a row.
        self._full = (max(1, round(rows)) if rows else 0) + 1
        self._stopped_below_m_s = sheet.laps.stopped_below_m_s
        self._platform = Platform(sheet)
        points = len(self._platform.names)
        self._clear_mm = [limit + self._limits.clear_above_limit_mm for limit in self._platform.lowest_mm.tolist()]
        row_rate_hz = rate_hz / stride_for(rate_hz)
        self._stillness = Stillness(row_rate_hz, sheet.alerts.sensor.stuck_for_s, free_travel_mm(sheet))
        self._stays_from = round(_STAYS_FROM_S * row_rate_hz)
        self._off_delay = round(self._limits.off_delay_s * rate_hz)
        # Up to here the alarm may be waiting to return, and a reading long in doubt must stop that.
        self._returns_by = [0] * points
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
            self._stillness.reset()
            # Unknown from the first missing sample on, so that no timer runs through the gap.
            for point in range(len(self._dips)):
                seen += self._unknown(point, frame.block.first_sample - frame.block.gap_before)
        car = frame.car
        if len(car) == 0:
            return seen
        self._stillness.take(car.damper_mm)
        still = rows_standing_still(car, self._stopped_below_m_s)
        heights = car.heights_mm
        if still.any():
            heights = np.where(still[:, np.newaxis], np.nan, heights)
        lowest = heights.min(axis=0).tolist()
        doubted: Ints | None = None
        asked = False
        for point in range(len(self._dips)):
            if (
                self._said[point] is False
                and self._dips[point] is None
                and lowest[point] > self._clear_mm[point]
                and car.first_sample > self._returns_by[point]
            ):
                continue  # the usual block: known, clear of the limit, and that was said long before
            if not asked:
                asked, corners = True, self._stillness.doubted()
                doubted = None if corners is None else corners.max(axis=1)
            seen += self._follow(car, point, heights[:, point], doubted)
        return seen

    def _follow(self, car: CarBlock, point: int, heights: Floats, doubted: Ints | None) -> list[Observation]:
        limit = float(self._platform.lowest_mm[point])
        clear = self._clear_mm[point]
        # Runs of equal state: 0 unknown, 1 low, 2 between limit and clear limit, 3 clear, 4 in doubt.
        states = np.where(heights < limit, 1, np.where(heights > clear, 3, 2))
        if doubted is not None:
            states[doubted > 0] = 4
        states[np.isnan(heights)] = 0
        starts = np.concatenate(([0], np.flatnonzero(np.diff(states)) + 1))
        stops = np.append(starts[1:], len(heights))
        seen: list[Observation] = []
        for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
            sample = car.sample(start)
            state = int(states[start])
            if state == 0:
                seen += self._unknown(point, sample)
            elif state == 1:
                seen += self._low(car, point, heights, start, stop)
            elif state == 4 and doubted is not None:
                late = doubted[start:stop] >= self._stays_from
                if late.any():
                    seen += self._stays(point, car.sample(start + int(late.argmax())))
            else:
                self._leak(point, stop - start)
                if state == 3 and self._said[point] is not False:
                    self._said[point], self._returns_by[point] = False, sample + self._off_delay
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

    def _stays(self, point: int, sample: int) -> list[Observation]:
        """So long in doubt, a row ends the time of clearing as well."""
        if self._said[point] is not False or sample > self._returns_by[point]:
            return []
        self._said[point] = None
        return [Observation(sample, self.kind, self._platform.names[point], None)]

    def _leak(self, point: int, rows: int) -> None:
        """Take known rows that are not below the limit off the count; at zero the dip is over."""
        dip = self._dips[point]
        if dip is not None:
            dip.count -= rows
            if dip.count <= 0:
                self._dips[point] = None

    def _low(self, car: CarBlock, point: int, heights: Floats, start: int, stop: int) -> list[Observation]:
        """Below the limit from `start` to `stop` (rows of the block); report when it has lasted long enough.

        Reported again at each row far enough below what was reported, while the count is full.
        """
        name = self._platform.names[point]
        seen: list[Observation] = []
        if self._said[point] is False:
            self._said[point] = None
            seen.append(Observation(car.sample(start), self.kind, name, None))
        dip = self._dips[point]
        if dip is None:
            dip = self._dips[point] = _Dip(car.sample(start))
        # Before this row the count is not full; there, what was not said of this dip is said.
        full = min(stop, start + max(0, self._full - 1 - dip.count))
        dip.count = min(self._full, dip.count + stop - start)
        self._deepen(dip, car, heights, start, full)
        while full < stop:
            if self._said[point] is True:
                deeper = np.flatnonzero(heights[full:stop] <= dip.told_mm - _WORSE_MM)
                after = full + int(deeper[0]) if len(deeper) else stop
                self._deepen(dip, car, heights, full, after)
                full = after
                if full == stop:
                    break
            self._deepen(dip, car, heights, full, full + 1)
            evidence = self._evidence(dip, float(self._platform.lowest_mm[point]))
            self._said[point], dip.told_mm = True, dip.lowest_mm
            seen.append(Observation(car.sample(full), self.kind, name, True, evidence, immediate=True))
            full += 1
        return seen

    def _deepen(self, dip: _Dip, car: CarBlock, heights: Floats, start: int, stop: int) -> None:
        """Follow the lowest height from row `start` to `stop`."""
        if start == stop:
            return
        row = start + int(heights[start:stop].argmin())
        if heights[row] < dip.lowest_mm:
            dip.lowest_mm = float(heights[row])
            dip.warp_mm = float(car.warp_mm[row])
            dip.regime = REGIMES[int(car.regime[row])]

    def _evidence(self, dip: _Dip, limit_mm: float) -> Evidence:
        kerb = ", on a kerb" if abs(dip.warp_mm) > self._limits.kerb_warp_mm else ""
        lasted = self._limits.on_delay_s * 1000.0
        road = f"above the road{_MEANWHILE.get(dip.regime, '')}"
        sentence = f"{dip.lowest_mm:.1f} mm {road}, below {limit_mm:g} mm for {lasted:.0f} ms{kerb}"
        if dip.told_mm < np.inf:
            sentence = f"down to {dip.lowest_mm:.1f} mm {road}{kerb}"
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
