"""A stint as motion along the lap: where the car is, how fast, and its accelerations, sample by sample.

In: a circuit, a flying lap's speed, the number of laps and a seed for their pace. Out: a `Timeline` at a constant
rate. The car stands in its box, leaves part-way round the lap, runs its laps, and stops in the box.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay_logs.circuit import Circuit

Floats = NDArray[np.float64]

PIT_SPEED_M_S: Final = 60.0 / 3.6
PIT_EXIT_M: Final = 150.0  # lap distance of the box's way out, past the start-finish line
PIT_BOX_BEFORE_LINE_M: Final = 90.0  # where the in-lap ends
PIT_LANE_M: Final = 170.0  # driven at pit speed, both ways
GENTLE_M_S2: Final = 2.6  # leaving and stopping in the box
OUT_AND_IN_PACE: Final = 0.86
PACE_SCATTER: Final = 0.005  # of speed, from lap to lap
PACE_BLEND_M: Final = 130.0  # half the length of straight over which the pace changes
STEP_M: Final = 0.25


@dataclass(frozen=True)
class Timeline:
    """A stint's path in time, `rate_hz` apart.

    Attributes
    ----------
    rate_hz : float
    travelled_m : array of shape (n,), m
        From the start-finish line before the start; a lap is one circuit length.
    speed_m_s, acceleration_x_m_s2, acceleration_y_m_s2 : array of shape (n,)
        Forward positive, left positive.
    lap : array of shape (n,)
        0 on the out-lap.
    lap_distance_m : array of shape (n,), m
    start_m, end_m : float, m
        `travelled_m` where the car stands at the beginning and at the end.
    """

    rate_hz: float
    travelled_m: Floats
    speed_m_s: Floats
    acceleration_x_m_s2: Floats
    acceleration_y_m_s2: Floats
    lap: NDArray[np.int64]
    lap_distance_m: Floats
    start_m: float
    end_m: float


def drive_stint(
    circuit: Circuit,
    flying_speed_m_s: Floats,
    timed_laps: int,
    generator: np.random.Generator,
    rate_hz: float,
    standing_s: float,
    pace_scatter: float = PACE_SCATTER,
    pace_change: Callable[[Floats], Floats] | None = None,
) -> Timeline:
    """Drive out-lap, `timed_laps` and in-lap; `standing_s` of standing still at each end.

    `pace_change` gives a factor on speed at distances driven, m.
    """
    length = circuit.length_m
    start, end = PIT_EXIT_M, (timed_laps + 2) * length - PIT_BOX_BEFORE_LINE_M
    place = np.linspace(start, end, round((end - start) / STEP_M) + 1)
    within = np.mod(place, length)
    closed = np.append(circuit.grid_m, length)
    speed = np.interp(within, closed, np.append(flying_speed_m_s, flying_speed_m_s[0]))

    # Pace changes on the straight around the line.
    paces = 1.0 + pace_scatter * np.clip(generator.normal(size=timed_laps + 2), -2.0, 2.0)
    paces[[0, -1]] *= OUT_AND_IN_PACE
    middles = np.arange(1, timed_laps + 2) * length
    knots = np.concatenate([[start], np.stack([middles - PACE_BLEND_M, middles + PACE_BLEND_M], axis=1).ravel(), [end]])
    speed = speed * np.interp(place, knots, np.repeat(paces, 2))
    if pace_change is not None:
        speed = speed * pace_change(place)

    out, home = place - start, end - place
    calm = (place > start + PIT_LANE_M) & (place < end - PIT_LANE_M)
    square = speed**2
    square = np.minimum(square, PIT_SPEED_M_S**2 + 2.0 * 4.0 * np.maximum(out - PIT_LANE_M, 0.0))
    square = np.minimum(square, PIT_SPEED_M_S**2 + 2.0 * 6.0 * np.maximum(home - PIT_LANE_M, 0.0))
    smoothed = np.convolve(np.pad(square, 12, mode="edge"), np.full(25, 1 / 25), mode="valid")
    square = np.where(calm, smoothed, square)
    square = np.minimum(square, 2.0 * GENTLE_M_S2 * np.minimum(out, home))

    # Constant acceleration between grid points: the time is exact even from a standstill.
    speed = np.sqrt(square)
    times = np.concatenate([[0.0], np.cumsum(2.0 * np.diff(place) / (speed[:-1] + speed[1:]))])
    count = int(np.floor((times[-1] + 2.0 * standing_s) * rate_hz))
    clock = np.arange(count) / rate_hz - standing_s
    travelled = np.interp(clock, times, place)
    moving = (clock > 0.0) & (clock < times[-1])
    v = np.where(moving, np.interp(clock, times, speed), 0.0)
    slope = np.where(moving, np.interp(clock, times, np.gradient(square, place) / 2.0), 0.0)
    width = max(1, round(0.06 * rate_hz))
    padded = np.pad(slope, (width // 2, width - 1 - width // 2), mode="edge")
    a_x = np.convolve(padded, np.full(width, 1.0 / width), mode="valid")
    curvature = np.append(circuit.curvature_per_m, circuit.curvature_per_m[0])
    a_y = v**2 * np.interp(np.mod(travelled, length), closed, curvature)
    lap = np.floor(travelled / length).astype(np.int64)
    return Timeline(rate_hz, travelled, v, a_x, a_y, lap, travelled - lap * length, start, end)
