"""A made-up car on a made-up road as a stream, for the drift alarm in the whole chain: laps, gains, other rates, holes.

Each corner's travel is a sum of sines along the road times a slow change over the lap, with scatter from lap to lap and
from stretch to stretch. Not a car: enough for damper speeds that repeat with the place.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from alerts.alert import Standing, Transition
from alerts.drift_reference import DriftReference
from alerts.monitor import Monitor
from ingest.chunk import CORNERS, Floats
from ingest.chunk import Chunk as Samples
from tests.sheets import make_sheet

ROLES = ("lap_number", "lap_distance", "speed")
LENGTH_M = 2400.0
_STEP_M = 0.25
Gain = Callable[[int], tuple[float, float, float, float]]


@dataclass
class Stream:
    """Travel, shape (n, 4), and side channels."""

    travel_mm: Floats
    lap: Floats
    distance_m: Floats
    speed_m_s: Floats
    rate_hz: float

    def part(self, start: int, stop: int) -> Samples:
        """Some samples as a chunk."""
        side = {
            "lap_number": self.lap[start:stop],
            "lap_distance": self.distance_m[start:stop],
            "speed": self.speed_m_s[start:stop],
        }
        return Samples(start, self.rate_hz, np.asfortranarray(self.travel_mm[start:stop]), side)


def stream(laps: int, gain: Gain | None = None, rate_hz: float = 500.0, pace: float = 1.0, road: int = 7) -> Stream:
    """So many laps; `gain` scales each damper's movement by lap."""
    random, of_road = np.random.default_rng(1), np.random.default_rng(road)
    grid = np.arange(0.0, LENGTH_M, _STEP_M)
    cycles = np.maximum(1.0, np.round(of_road.uniform(1 / 50, 1 / 4, 120) * LENGTH_M)) / LENGTH_M
    phases, sizes = of_road.uniform(0.0, 2 * np.pi, (4, 120)), of_road.normal(size=(4, 120)) * np.sqrt(0.02 / cycles)
    turns = 2 * np.pi * grid / LENGTH_M
    rough = [
        np.sin(2 * np.pi * cycles * grid[:, None] + phases[c]) @ sizes[c] * 0.55 * (1.0 + 0.5 * np.sin(3 * turns + c))
        for c in range(4)
    ]
    pitch, roll = 8.0 * np.sin(7 * turns), 6.0 * np.sin(11 * turns + 1.0)
    speed = 50.0 * (1.0 + 0.3 * np.sin(5 * turns))
    times = np.concatenate([[0.0], np.cumsum(_STEP_M / (speed * pace))])
    parts: list[tuple[Floats, Floats, Floats, Floats]] = []
    for lap in range(laps):
        place = np.interp(np.arange(round(times[-1] * rate_hz)) / rate_hz, times, np.append(grid, LENGTH_M))
        factors = (1.0,) * 4 if gain is None else gain(lap)
        of_lap = np.exp(random.normal(size=4) * 0.006)
        of_stretch = np.exp(random.normal(size=(int(LENGTH_M // 60) + 1, 4)) * 0.025)
        travel = np.stack(
            [
                np.interp(place, grid, rough[c]) * factors[c] * of_lap[c] * of_stretch[(place // 60).astype(int), c]
                + np.interp(place, grid, pitch) * (1 if c < 2 else -1)
                + np.interp(place, grid, roll) * (1 if c % 2 else -1)
                for c in range(4)
            ],
            axis=1,
        )
        travel += random.normal(size=travel.shape) * 0.02
        parts.append((travel, np.full(len(place), float(lap)), place, np.interp(place, grid, speed * pace)))
    travel_mm, laps_driven, places, speeds = (np.concatenate([part[number] for part in parts]) for number in range(4))
    return Stream(travel_mm, laps_driven, places, speeds, rate_hz)


def weak(first_lap: int, corner: str, factor: float = 1.35) -> Gain:
    """From a lap on one damper moves more."""
    return lambda lap: tuple(factor if name == corner and lap >= first_lap else 1.0 for name in CORNERS)  # type: ignore[return-value]


def monitor_for(rate_hz: float = 500.0, reference: DriftReference | None = None, warm_up_laps: int = 2) -> Monitor:
    """A monitor whose only interest is drift."""
    sheet = make_sheet({"alerts.asymmetry.enabled": False, "alerts.drift.warm_up_laps": warm_up_laps})
    return Monitor(sheet, rate_hz, ROLES, None, reference)


def play(
    one: Stream, monitor: Monitor, start: int = 0, stop: int | None = None, size: int = 20_000
) -> list[Transition]:
    """Send a stretch of the stream; transitions of drift alarms."""
    found: list[Transition] = []
    end = len(one.lap) if stop is None else stop
    for first in range(start, end, size):
        found += monitor.process(one.part(first, min(end, first + size))).transitions
    if stop is None:
        found += monitor.finish().transitions
    return [told for told in found if told.definition.kind == "drift"]


def drift_alarms(monitor: Monitor) -> dict[str, Standing]:
    """Every drift alarm by its place."""
    return {one.definition.where: one for one in monitor.standings if one.definition.kind == "drift"}
