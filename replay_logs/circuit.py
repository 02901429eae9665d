"""The invented circuit "Harrow Moor" and how fast the car goes round it.

In: nothing but constants. Out: curvature, kerbs, and a speed for every place of the lap from lateral grip, braking
and engine power (quasi-steady forward and backward pass). Pure functions; no I/O.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP_M: Final = 0.5  # grid of the speed pass
TRANSITION_M: Final = 28.0  # a driver's line turns in and out over about this length
PEDAL_M: Final = 9.0  # feet are not switches: a change takes about 0.2 s at speed
GRAVITY_M_S2: Final = 9.80665  # ISO 80000-3, the conventional value
AIR_KG_M3: Final = 1.225  # ISO 2533 at sea level

# (length m, radius m, angle deg): a straight has no radius; positive angles turn left.
# Angles sum to one full turn to the right, so the heading closes.
SEGMENTS: Final[tuple[tuple[float, float, float], ...]] = (
    (330.0, 0.0, 0.0),
    (0.0, 48.0, -92.0),
    (110.0, 0.0, 0.0),
    (0.0, 75.0, 64.0),
    (85.0, 0.0, 0.0),
    (0.0, 40.0, -118.0),
    (350.0, 0.0, 0.0),
    (0.0, 140.0, -66.0),
    (140.0, 0.0, 0.0),
    (0.0, 36.0, 101.0),
    (65.0, 0.0, 0.0),
    (0.0, 52.0, -109.0),
    (255.0, 0.0, 0.0),
    (0.0, 70.0, -140.0),
    (203.0, 0.0, 0.0),
)


@dataclass(frozen=True)
class Kerb:
    """One kerb: where it lies, under which track, and its shape."""

    start_m: float
    length_m: float
    side: Literal["left", "right"]
    height_mm: float
    tooth_mm: float
    tooth_length_m: float = 1.1
    ramp_m: float = 2.2


@dataclass(frozen=True)
class Grip:
    """What the car can do: friction, power, downforce and drag areas (C x A, m2)."""

    mass_kg: float = 1310.0
    friction: float = 1.36
    power_w: float = 372_000.0
    strongest_drive_m_s2: float = 6.2
    braking_share: float = 0.95  # of the friction a driver uses on the brakes
    hardest_braking_m_s2: float = 14.5  # the brakes' own limit at speed, before the tyres'
    downforce_area_m2: float = 2.5
    drag_area_m2: float = 0.95


@dataclass(frozen=True)
class Circuit:
    """A closed lap.

    Attributes
    ----------
    length_m : float
    grid_m : array of shape (n,), m
        Lap distances, `STEP_M` apart, without the end of the lap.
    curvature_per_m : array of shape (n,), 1/m
        Positive to the left.
    kerbs : tuple of Kerb
    """

    length_m: float
    grid_m: Floats
    curvature_per_m: Floats
    kerbs: tuple[Kerb, ...]


def build_circuit() -> Circuit:
    """The circuit: curvature smoothed over the transition length, kerbs at apexes and exits."""
    pieces: list[tuple[float, float]] = []
    kerbs: list[Kerb] = []
    at_m = 0.0
    for straight_m, radius_m, angle_deg in SEGMENTS:
        if radius_m == 0.0:
            pieces.append((straight_m, 0.0))
            at_m += straight_m
            continue
        length_m = radius_m * abs(float(np.radians(angle_deg)))
        pieces.append((length_m, float(np.sign(angle_deg)) / radius_m))
        inside: Literal["left", "right"] = "left" if angle_deg > 0 else "right"
        outside: Literal["left", "right"] = "right" if angle_deg > 0 else "left"
        slow = radius_m < 60.0
        kerbs.append(Kerb(at_m + 0.5 * length_m - 4.0, 9.0, inside, 16.0 if slow else 11.0, 4.1 if slow else 3.2))
        kerbs.append(Kerb(at_m + length_m + 2.0, 13.0, outside, 12.0 if slow else 9.0, 4.2))
        at_m += length_m
    count = round(at_m / STEP_M)
    grid: Floats = np.arange(count) * np.float64(at_m / count)
    ends = np.cumsum([length for length, _ in pieces])
    raw: Floats = np.array([curvature for _, curvature in pieces])[np.searchsorted(ends, grid, side="right")]
    return Circuit(at_m, grid, smooth_periodic(raw, round(TRANSITION_M / STEP_M)), tuple(kerbs))


def smooth_periodic(values: Floats, width: int) -> Floats:
    """Moving average over `width` points, twice (a triangle), of a periodic series."""
    kernel = np.zeros(values.size)
    kernel[:width] = 1.0 / width
    kernel = np.roll(kernel, -(width // 2))
    transfer = np.fft.rfft(kernel) ** 2
    return np.asarray(np.fft.irfft(np.fft.rfft(values) * transfer, values.size), dtype=np.float64)


def lap_speed_m_s(circuit: Circuit, grip: Grip) -> Floats:
    """Speed at every grid point of a flying lap.

    Cornering: m v^2 |k| = friction (m g + downforce). Then a forward pass under power and a backward pass under
    braking, each with what the friction circle leaves; two rounds so that the lap closes.
    """
    lift = 0.5 * AIR_KG_M3 * grip.downforce_area_m2 / grip.mass_kg  # m/s2 per (m/s)^2
    drag = 0.5 * AIR_KG_M3 * grip.drag_area_m2 / grip.mass_kg
    bend = np.abs(circuit.curvature_per_m)
    spare = np.maximum(bend - grip.friction * lift, 1e-5)
    square = np.minimum(grip.friction * GRAVITY_M_S2 / spare, 75.0**2)
    step = circuit.length_m / bend.size
    values = [float(value) for value in square]
    bends = [float(value) for value in bend]
    count = len(values)

    def left_over(v2: float, k: float) -> float:
        whole = grip.friction * (GRAVITY_M_S2 + lift * v2)
        return float(np.sqrt(max(whole * whole - (v2 * k) ** 2, 0.0)))

    for i in range(2 * count):
        here, ahead = i % count, (i + 1) % count
        v2 = values[here]
        drive = min(grip.power_w / (grip.mass_kg * v2**0.5), grip.strongest_drive_m_s2)
        drive = min(drive, 0.6 * left_over(v2, bends[here])) - drag * v2
        values[ahead] = min(values[ahead], v2 + 2.0 * step * drive)
    for i in range(2 * count, 0, -1):
        here, behind = i % count, (i - 1) % count
        v2 = values[here]
        brake = min(grip.braking_share * left_over(v2, bends[here]), grip.hardest_braking_m_s2) + drag * v2
        values[behind] = min(values[behind], v2 + 2.0 * step * brake)
    return np.sqrt(smooth_periodic(np.array(values), round(PEDAL_M / STEP_M)))
