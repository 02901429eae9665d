"""What the logger wrote: true travel turned into counts, with noise, clipping and the stint's sensor faults.

In: the car sheet's calibrations, settings and true travel. Out: whole-number columns as they are shipped, and the
list of faults with their exact places. The calibration is inverted here independently of the product's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from ingest.sheet import Sheet
from ingest.sheet_parts import Sensor
from replay_logs.settings import SensorFault, StintSettings
from replay_logs.timeline import Timeline

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

CORNERS: Final = ("FL", "FR", "RL", "RR")
HIGHEST_COUNT: Final = 4095  # 12-bit converter
NOISE_COUNTS: Final = 0.8  # RMS; a 12-bit converter in a car is good to about one count
SLOW_CHANNELS_HZ: Final = 100  # speed and accelerations are sampled at this rate and held
ACCELERATION_NOISE_G: Final = 0.012
SPEED_NOISE_KM_H: Final = 0.03
GRAVITY_M_S2: Final = 9.80665
# Wrong readings that look like right ones; together with a step of the zero they last until the end.
UNSEEN: Final = frozenset({"gain", "zero_drift", "inverted", "swapped_plugs", "swapped_names"})
LASTING: Final = UNSEEN | {"step_offset"}


@dataclass(frozen=True)
class InjectedFault:
    """A sensor fault as it was put in; samples count at the log's rate from its first, missing ones included."""

    kind: str
    corner: str
    lap: int
    start_sample: int
    end_sample: int
    size_mm: float
    count: int
    samples: tuple[int, ...] = ()
    factor: float = 1.0
    other: str = ""


@dataclass(frozen=True)
class Readings:
    """The log's columns.

    Attributes
    ----------
    rate_hz : int
    sample : array of shape (m,)
        Number of each row on the device's counter; a jump is missing rows.
    counts : array of shape (m, 4)
        Damper sensors.
    missing : array of shape (m, 4), bool
        Cells without a value.
    speed, acceleration_x, acceleration_y, lap, lap_distance : array of shape (m,)
        0.01 km/h, 0.001 g, 0.001 g, whole laps, 0.1 m.
    faults : tuple of InjectedFault
    """

    rate_hz: int
    sample: Ints
    counts: Ints
    missing: Bools
    speed: Ints
    acceleration_x: Ints
    acceleration_y: Ints
    lap: Ints
    lap_distance: Ints
    faults: tuple[InjectedFault, ...]


def reading_of_travel(sensor: Sensor, travel_mm: Floats) -> Floats:
    """The sensor's ideal reading (its own unit, not rounded) at damper travels in mm.

    Inverts: travel = sign x damper_per_sensor x sensor mm - zero_mm, with sign -1 when compression decreases; and for
    a lever: sensor mm = radius (sin(angle at zero + angle) - sin(angle at zero)).
    """
    if sensor.points is None or not isinstance(sensor.damper_per_sensor, float):
        raise ValueError("the simulated sensors have two points and a constant ratio to the damper")
    sign = 1.0 if sensor.compression == "increases" else -1.0
    position = sign * (travel_mm + sensor.zero_mm) / sensor.damper_per_sensor
    if sensor.kind == "rotary":
        if sensor.lever is None:
            raise ValueError("the simulated rotary sensors have a lever")
        lean = np.radians(sensor.lever.angle_at_zero_deg)
        position = np.degrees(np.arcsin(position / sensor.lever.radius_mm + np.sin(lean)) - lean)
    (reading_0, position_0), (reading_1, position_1) = sensor.points
    slope = (reading_1 - reading_0) / (position_1 - position_0)
    return np.asarray(reading_0 + (position - position_0) * slope, dtype=np.float64)


def read_sensors(sheet: Sheet, settings: StintSettings, seed: int, path: Timeline, travel_mm: Floats) -> Readings:
    """Sample the true motion at the log's rate, add noise, round, and put in the stint's sensor faults."""
    generator = settings.generator(seed, 20)
    every = round(path.rate_hz / settings.log_rate_hz)
    travel = travel_mm[::every].copy()
    lap = path.lap[::every]
    samples = lap.size
    places = [(fault, *_place(fault, lap, settings.log_rate_hz)) for fault in settings.sensor_faults]
    for fault, start, end in places:
        _shift_travel(fault, start, end, travel)
    ideal = np.stack([reading_of_travel(sheet.sensor(name), travel[:, i]) for i, name in enumerate(CORNERS)], axis=1)
    noisy = ideal + generator.normal(0.0, NOISE_COUNTS, ideal.shape)
    counts = np.clip(np.rint(noisy), 0, HIGHEST_COUNT).astype(np.int64)
    missing = np.zeros(counts.shape, dtype=np.bool_)
    kept = np.ones(samples, dtype=np.bool_)
    injected = []
    for fault, start, end in places:
        hit = _spoil(fault, start, end, counts, missing, kept, generator)
        count = fault.count if fault.kind in {"spikes", "null_cells"} else 0
        stop = samples if fault.kind in LASTING else end
        injected.append(
            InjectedFault(
                fault.kind, fault.corner, fault.lap, start, stop, fault.size_mm, count, hit, fault.factor, fault.other
            )
        )

    held = np.arange(samples) // (settings.log_rate_hz // SLOW_CHANNELS_HZ) * (settings.log_rate_hz // SLOW_CHANNELS_HZ)
    slow = every * held

    def noise(size: float) -> Floats:
        return np.asarray(generator.normal(0.0, size, samples)[held], dtype=np.float64)

    speed = path.speed_m_s[slow] * 3.6
    speed = np.where(speed > 1.0, speed + noise(SPEED_NOISE_KM_H), 0.0)
    a_x = path.acceleration_x_m_s2[slow] / GRAVITY_M_S2 + noise(ACCELERATION_NOISE_G)
    a_y = path.acceleration_y_m_s2[slow] / GRAVITY_M_S2 + noise(ACCELERATION_NOISE_G)
    return Readings(
        rate_hz=settings.log_rate_hz,
        sample=np.flatnonzero(kept),
        counts=counts[kept],
        missing=missing[kept],
        speed=_whole(speed * 100.0)[kept],
        acceleration_x=_whole(a_x * 1000.0)[kept],
        acceleration_y=_whole(a_y * 1000.0)[kept],
        lap=lap[kept],
        lap_distance=np.floor(path.lap_distance_m[::every] * 10.0).astype(np.int64)[kept],
        faults=tuple(injected),
    )


def _whole(values: Floats) -> Ints:
    return np.rint(values).astype(np.int64)


def _place(fault: SensorFault, lap: Ints, rate_hz: int) -> tuple[int, int]:
    """First sample and one past the last of a fault; its lap must be in the stint."""
    rows = np.flatnonzero(lap == fault.lap)
    if rows.size == 0:
        raise ValueError(f"there is no lap {fault.lap} to put {fault.kind} into")
    start = int(rows[0] + fault.lap_share * rows.size)
    return start, min(start + round(fault.duration_s * rate_hz), lap.size)


def _shift_travel(fault: SensorFault, start: int, end: int, travel: Floats) -> None:
    """Put a fault that acts on the travel into it, in place; others leave it."""
    if fault.kind not in LASTING:
        return
    corner = CORNERS.index(fault.corner)
    grown = np.ones(len(travel) - start)
    if end > start:
        grown = np.minimum(np.arange(grown.size) / (end - start), 1.0)
    if fault.kind == "step_offset":
        travel[start:, corner] += fault.size_mm
    elif fault.kind == "zero_drift":
        travel[start:, corner] += fault.size_mm * grown
    elif fault.kind == "gain":
        travel[start:, corner] *= 1.0 + (fault.factor - 1.0) * grown
    elif fault.kind == "inverted":
        travel[start:, corner] *= -1.0
    elif fault.kind == "swapped_names":
        pair = [corner, CORNERS.index(fault.other)]
        travel[start:, pair] = travel[start:, pair[::-1]]


def _spoil(
    fault: SensorFault,
    start: int,
    end: int,
    counts: Ints,
    missing: Bools,
    kept: Bools,
    generator: np.random.Generator,
) -> tuple[int, ...]:
    """Put one fault into the arrays, in place; returns the single samples it hit, if it hits single ones."""
    if fault.kind == "missing_rows":
        kept[start:end] = False
        return ()
    corner = CORNERS.index(fault.corner)
    if fault.kind == "open_circuit":
        counts[start:end, corner] = HIGHEST_COUNT
    elif fault.kind == "short_circuit":
        counts[start:end, corner] = 0
    elif fault.kind == "swapped_plugs":
        pair = [corner, CORNERS.index(fault.other)]
        counts[start:, pair] = counts[start:, pair[::-1]]
    elif fault.kind == "stuck":
        counts[start:end, corner] = counts[start, corner]
    elif fault.kind == "spikes":
        # Evenly spread with some jitter, so that no two touch.
        spacing = (end - start) / fault.count
        where = start + ((np.arange(fault.count) + generator.uniform(0.2, 0.8, fault.count)) * spacing).astype(np.int64)
        jump = generator.uniform(500.0, 1100.0, fault.count) * np.where(np.arange(fault.count) % 2, -1.0, 1.0)
        # Within the reading range: a spike there can only be known by its jump.
        counts[where, corner] = np.clip(counts[where, corner] + jump, 300, 3800).astype(np.int64)
        return tuple(int(sample) for sample in where)
    elif fault.kind == "null_cells":
        where = np.sort(generator.choice(np.arange(start, end), fault.count, replace=False))
        missing[where, corner] = True
        return tuple(int(sample) for sample in where)
    return ()
