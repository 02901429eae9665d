"""From dampers to the car: wheel travel, forces, loads, tyres, heights and regime, on a fixed grid of samples.

In: aligned blocks with trusted travel. Out: a `CarBlock` a block. Rows lie at multiples of the stride on the device's
counter, so any split gives the same rows; the arithmetic is elementwise or recursive from row to row, so it gives the
same bits too. Holds the loads' one filter and, when the lap's distance is not logged, the distance driven.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from dsp.corner_loads import CornerLoads
from dsp.frame import REGIMES, Aligned, CarBlock, Codes
from dsp.kinematics import MotionRatio
from dsp.platform import Platform
from ingest.chunk import CORNERS, Floats
from ingest.sheet import Sheet

# Wheels move at up to 25 Hz; ten rows a period lose at most 5 % of a peak between two rows.
_ROWS_A_SECOND = 250.0
_SIDE = ("speed", "acceleration_longitudinal", "acceleration_lateral", "acceleration_vertical")
_STRAIGHT, _BRAKING, _CORNERING = (REGIMES.index(name) for name in ("straight", "braking", "cornering"))


def stride_for(rate_hz: float) -> int:
    """Samples from row to row: as many as leave at least 250 rows a second."""
    return max(1, int(rate_hz // _ROWS_A_SECOND))


class CarStage:
    """Turns aligned blocks into car blocks.

    Parameters
    ----------
    sheet : Sheet
        The car.
    rate_hz : float
        Sample rate.
    roles : tuple of str
        Side channels that every block carries.
    platform : Platform
        The named points.
    """

    def __init__(self, sheet: Sheet, rate_hz: float, roles: tuple[str, ...], platform: Platform) -> None:
        self.stride = stride_for(rate_hz)
        self.row_rate_hz = rate_hz / self.stride
        self.loads = CornerLoads(sheet, self.row_rate_hz)
        self._platform = platform
        self._linkages = [MotionRatio.of(sheet.suspension(corner)) for corner in CORNERS]
        ratios = [linkage.constant for linkage in self._linkages if linkage.constant is not None]
        # Four constant ratios need no loop over the corners.
        self._ratios = np.array(ratios) if len(ratios) == 4 else None
        parts = [sheet.suspension(corner) for corner in CORNERS]
        self._tyre_n_mm = np.array([part.tyre_rate_n_mm or math.inf for part in parts])
        self._rigid = [number for number, part in enumerate(parts) if part.tyre_rate_n_mm is None]
        growth = [(number, part.tyre_growth_mm_at_100_m_s) for number, part in enumerate(parts)]
        self._growth_mm = [(number, growth_mm) for number, growth_mm in growth if growth_mm and "speed" in roles]
        # What a log never has is left out of the sums; what drops out for a moment makes them unknown.
        self._has_x, self._has_y = ("acceleration_longitudinal" in roles, "acceleration_lateral" in roles)
        self._regimes = sheet.regimes
        # Without a lap distance, speed says how far into the lap the car is; with neither, nobody knows.
        self._measures = "lap_distance" not in roles and "speed" in roles
        self._driven_m = np.nan

    def process(self, block: Aligned, trusted_mm: Floats, lap_starts: Iterable[int] = ()) -> CarBlock:
        """Rows of a block; `trusted_mm` as the block's travel, `lap_starts` places in it at which laps begin."""
        if block.starts_stretch:
            self.loads.reset()
            self._driven_m = np.nan
        rows = block.rows
        # Copies: what follows goes over them many times, and a channel's rows lie apart in the block.
        damper, velocity = (np.array(values[rows], order="F") for values in (trusted_mm, block.velocity_mm_s))
        speed, a_x, a_y, a_z = (_side(block, role, rows, len(damper)) for role in _SIDE)
        wheel, wheel_velocity = self._wheels(damper, velocity)
        forces = self.loads.process(
            damper,
            velocity,
            block.acceleration_mm_s2,
            wheel,
            a_x if self._has_x else np.zeros(len(damper)),
            a_y if self._has_y else np.zeros(len(damper)),
        )
        tyre = self._tyre(forces.load_n, forces.quiet_n, speed)
        return CarBlock(
            first_sample=block.first_sample + rows.start,
            stride=self.stride,
            rate_hz=self.row_rate_hz,
            starts_stretch=block.starts_stretch,
            damper_mm=damper,
            damper_velocity_mm_s=velocity,
            wheel_mm=wheel,
            stop_n=forces.stop_n,
            suspension_n=forces.suspension_n,
            load_n=forces.load_n,
            tyre_mm=tyre,
            heights_mm=self._platform.heights(wheel + tyre),
            warp_mm=self._platform.warp(wheel),
            speed_m_s=speed,
            acceleration_x_m_s2=a_x,
            acceleration_y_m_s2=a_y,
            acceleration_z_m_s2=a_z,
            place_m=self._place(block, rows, speed, lap_starts),
            regime=self._regime(a_x, a_y),
            wheel_velocity_mm_s=wheel_velocity,
        )

    def _wheels(self, damper_mm: Floats, velocity_mm_s: Floats) -> tuple[Floats, Floats]:
        """Wheel travel and velocity, by each corner's linkage."""
        if self._ratios is not None:
            return damper_mm / self._ratios, velocity_mm_s / self._ratios
        wheel, wheel_velocity = (np.empty(damper_mm.shape, order="F") for _ in range(2))
        for number, linkage in enumerate(self._linkages):
            wheel[:, number] = linkage.to_wheel(damper_mm[:, number])
            wheel_velocity[:, number] = linkage.wheel_velocity(damper_mm[:, number], velocity_mm_s[:, number])
        return wheel, wheel_velocity

    def _tyre(self, load_n: Floats, quiet_n: Floats, speed_m_s: Floats) -> Floats:
        """Tyre deflection beyond static; from the load without damper and inertia where velocity is unknown.

        Without that a single doubtful sample would blind the heights for a whole filter window.
        """
        tyre: Floats = load_n - self.loads.static_n
        if math.isnan(tyre.max(initial=0.0)):  # no sum: what a log may hold can overflow one
            unknown = np.isnan(tyre)
            tyre[unknown] = (quiet_n - self.loads.static_n)[unknown]
        tyre /= self._tyre_n_mm
        for number in self._rigid:
            tyre[:, number] = 0.0
        for number, growth_mm in self._growth_mm:
            tyre[:, number] -= growth_mm * (speed_m_s / 100.0) ** 2
        return tyre

    def _regime(self, a_x: Floats, a_y: Floats) -> Codes:
        braking = a_x / -self._regimes.braking_above_m_s2
        cornering = np.abs(a_y)
        cornering /= self._regimes.cornering_above_m_s2
        stronger = np.maximum(braking, cornering)
        beyond, sideways = stronger > 1.0, cornering >= braking
        sideways &= beyond
        # Straight, braking and cornering follow on each other in `REGIMES`, so what holds of a row is added up.
        codes: Codes = beyond.view(np.int8)
        codes += sideways
        codes += _STRAIGHT
        if math.isnan(stronger.max(initial=0.0)):
            unknown = np.isnan(stronger)
            # One that is beyond its limit says enough, whatever the other is.
            codes[unknown] = 0
            codes[unknown & (braking > 1.0)] = _BRAKING
            codes[unknown & (cornering > 1.0)] = _CORNERING
        return codes

    def _place(self, block: Aligned, rows: slice, speed_m_s: Floats, lap_starts: Iterable[int]) -> Floats:
        """Distance from the lap's start: as logged, or speed added up from the last lap's start on."""
        if not self._measures:
            return _side(block, "lap_distance", rows, len(speed_m_s))
        step_s = 1.0 / self.row_rate_hz
        place = np.empty(len(speed_m_s))
        start = 0
        starts = [-(-(cut - rows.start) // self.stride) for cut in lap_starts]
        for number, stop in enumerate([*starts, len(place)]):
            if number:
                self._driven_m = 0.0
            # Added up from row to row, so that the split does not matter.
            steps = np.concatenate(([self._driven_m], speed_m_s[start:stop] * step_s))
            driven = np.cumsum(steps)
            place[start:stop] = driven[1:]
            self._driven_m = float(driven[-1])
            start = stop
        return place


def _side(block: Aligned, role: str, rows: slice, count: int) -> Floats:
    """A side channel at the rows, of which there are `count`; unknown where the stream has none."""
    values = block.side.get(role)
    return np.full(count, np.nan) if values is None else values[rows].copy()
