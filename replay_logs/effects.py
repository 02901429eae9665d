"""A stint's lap-to-lap scatter and car faults as factors and forces over its (fractional) laps, and its pace.

In: settings, laps, a seed for traffic. Out: arrays with one row a lap value. Nothing asked for gives exactly 1 or 0.
Pure functions; no I/O.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from replay_logs.circuit import Circuit
from replay_logs.disturbances import BarFault, FrictionFault, SlipFault, TyreFault
from replay_logs.settings import StintSettings

Floats = NDArray[np.float64]

CORNERS: Final = ("FL", "FR", "RL", "RR")
TRAFFIC_BLEND_M: Final = 80.0  # over which a car slows for another and speeds up again
GRIP_BLEND_LAPS: Final = 0.1  # a driver doesn't find a new pace within a corner


def damping_factor(settings: StintSettings, laps: Floats) -> Floats:
    """Factor on all four dampers' force: cold oil, then heat; shape (n,)."""
    s = settings.scatter
    cold = 1.0 + s.damping_cold * np.exp(-laps / s.damping_warm_laps)
    return np.asarray(cold * (1.0 - s.damping_fade * (1.0 - np.exp(-laps / s.damping_fade_laps))), dtype=np.float64)


def tyre_factor(settings: StintSettings, laps: Floats) -> Floats:
    """Factor on each tyre's rate: warm-up and punctures, shape (n, 4)."""
    s = settings.scatter
    factor = np.repeat((1.0 - s.tyre_cold * np.exp(-laps / s.tyre_warm_laps))[:, None], 4, axis=1)
    for fault in settings.car_faults:
        if isinstance(fault, TyreFault):
            factor[:, CORNERS.index(fault.corner)] *= 1.0 + (fault.scale - 1.0) * fault.share(laps)
    return factor


def bar_factor(settings: StintSettings, laps: Floats) -> Floats:
    """Factor on the front and the rear anti-roll bar, shape (n, 2)."""
    factor = np.ones((laps.size, 2))
    for fault in settings.car_faults:
        if isinstance(fault, BarFault):
            factor[:, ("front", "rear").index(fault.axle)] *= 1.0 + (fault.scale - 1.0) * fault.share(laps)
    return factor


def friction_n(settings: StintSettings, laps: Floats) -> Floats:
    """Friction in each strut, shape (n, 4), N at the damper."""
    force = np.full((laps.size, 4), settings.scatter.strut_friction_n)
    for fault in settings.car_faults:
        if isinstance(fault, FrictionFault):
            force[:, CORNERS.index(fault.corner)] += fault.force_n * fault.share(laps)
    return force


def slipped_mm(settings: StintSettings, laps: Floats, part: str) -> Floats:
    """How far platforms or pushrods have let the body down, shape (n, 4), mm of damper travel."""
    down = np.zeros((laps.size, 4))
    for fault in settings.car_faults:
        if isinstance(fault, SlipFault) and fault.part == part:
            down[:, CORNERS.index(fault.corner)] += fault.down_mm * fault.share(laps)
    return down


def added_mass_kg(settings: StintSettings, laps: Floats) -> Floats:
    """Fuel beyond the sheet's mass (below 0 when less), shape (n,), kg."""
    return settings.scatter.fuel_start_kg - settings.scatter.fuel_per_lap_kg * laps


def downforce_factor(settings: StintSettings, laps: Floats) -> Floats:
    """Factor on the downforce of both axles, shape (n,)."""
    factor = np.ones(laps.size)
    for change in settings.grip_changes:
        factor *= 1.0 + (change.downforce_scale - 1.0) * change.share(laps)
    return factor


def pace_change(
    circuit: Circuit, flying_m_s: dict[float, Floats], settings: StintSettings, seed: int
) -> Callable[[Floats], Floats] | None:
    """What a stint's grip changes and traffic do to speed, as a function of the distance driven in m; None for nothing.

    Parameters
    ----------
    flying_m_s : dict from friction scale to array of shape (n,), m/s
        Speed of a flying lap on the circuit's grid; 1.0 must be in it.
    """
    if not settings.grip_changes and settings.scatter.traffic <= 0.0:
        return None
    generator = settings.generator(seed, 30)
    # Drawn for every lap whether it meets traffic or not, so that another chance leaves the rest as it was.
    draws = generator.uniform(size=(settings.timed_laps + 2, 4))

    def factor(travelled_m: Floats) -> Floats:
        laps = travelled_m / circuit.length_m
        result = np.ones_like(travelled_m)
        closed = np.append(circuit.grid_m, circuit.length_m)
        for change in settings.grip_changes:
            ratio = flying_m_s[change.friction_scale] / flying_m_s[1.0]
            here = np.interp(np.mod(travelled_m, circuit.length_m), closed, np.append(ratio, ratio[0]))
            blend = np.clip((laps - change.from_lap) / max(change.over_laps, GRIP_BLEND_LAPS), 0.0, 1.0)
            result *= 1.0 + (here - 1.0) * blend
        for lap, (chance, where, how_long, how_slow) in enumerate(draws):
            if chance >= settings.scatter.traffic:
                continue
            length = (0.05 + 0.35 * how_long) * circuit.length_m
            begin = lap * circuit.length_m + where * (circuit.length_m - length)
            edge = np.minimum(travelled_m - begin, begin + length - travelled_m) / TRAFFIC_BLEND_M
            edge = np.clip(edge, 0.0, 1.0)
            result *= 1.0 - (0.03 + 0.07 * how_slow) * edge * edge * (3.0 - 2.0 * edge)
        return result

    return factor
