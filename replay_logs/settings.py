"""What a simulated stint is asked to be: laps, log rate, and what is wrong with the car or its sensors.

Plain frozen data; laps are counted from 0 (the out-lap), corners are FL FR RL RR.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np

from replay_logs.circuit import AIR_KG_M3
from replay_logs.disturbances import CarFault, FrictionFault, GripChange, Scatter

# Downforce of a closed-roof body with a splitter and a wing, C_z A of each axle.
DOWNFORCE_AREA_FRONT_M2: Final = 1.05
DOWNFORCE_AREA_REAR_M2: Final = 1.45


@dataclass(frozen=True)
class DamperFault:
    """A damper whose force in the named directions is scaled, from a lap on, at once or over some laps.

    `from_lap` and `over_laps` are in laps and may be fractions; 0 is the start of the out-lap.
    """

    corner: str
    directions: tuple[str, ...] = ("compression", "rebound")
    scale: float = 1.0
    from_lap: float = 0.0
    over_laps: float = 0.0

    def scale_at(self, lap: float) -> float:
        """Factor on the damper's force at a fractional lap."""
        if lap < self.from_lap:
            return 1.0
        done = 1.0 if self.over_laps <= 0.0 else min((lap - self.from_lap) / self.over_laps, 1.0)
        return float(1.0 + (self.scale - 1.0) * done)


@dataclass(frozen=True)
class SensorFault:
    """Something wrong with a sensor or the logger, placed by lap and share of the lap's time.

    `kind`: open_circuit and short_circuit (the reading goes to its rail), stuck, spikes (`count` of them within
    `duration_s`), step_offset (`size_mm` of damper travel, until the end), missing_rows (the logger loses all
    channels), null_cells (`count` single readings). `corner` is empty for missing_rows. Until the end last: gain
    (travel times `factor`, about the travel's zero) and zero_drift (`size_mm`), both growing over `duration_s`;
    inverted; swapped_plugs (`corner` and `other` are read by each other's calibration) and swapped_names (the
    calibrations went along).
    """

    kind: Literal[
        "open_circuit",
        "short_circuit",
        "stuck",
        "spikes",
        "step_offset",
        "missing_rows",
        "null_cells",
        "gain",
        "zero_drift",
        "inverted",
        "swapped_plugs",
        "swapped_names",
    ]
    corner: str
    lap: int
    lap_share: float
    duration_s: float = 0.0
    size_mm: float = 0.0
    count: int = 0
    factor: float = 1.0
    other: str = ""


@dataclass(frozen=True)
class StintSettings:
    """One stint.

    Attributes
    ----------
    name : str
        The log's file name without its ending.
    timed_laps : int
        Between the out-lap and the in-lap.
    log_rate_hz : int
        Divides the simulation's 1000 Hz.
    platform_lowered_mm : tuple of 4 floats
        Spring platforms wound down, as damper travel at standstill; the sensors keep their zero.
    downforce_area_front_m2, downforce_area_rear_m2 : float, m2
        C_z A at each axle line. The pace stays the same whatever they are.
    air_density_kg_m3 : float, kg/m3
        Of the air that makes the downforce.
    road_seed : int or None
        Of the road's roughness alone (its kerbs and each lap's line follow it too); without it the seed given to
        `simulate`. Pace, traffic and noise follow that seed and the name.
    scatter : Scatter
        How laps differ; as given, by pace, line and kerbs alone.
    grip_changes : tuple of GripChange
        Pace and downforce of both axles follow them.
    car_faults : tuple of CarFault
        What goes wrong with tyres, springs, pushrods, bars and struts.
    """

    name: str
    about: str
    timed_laps: int = 6
    log_rate_hz: int = 500
    standing_s: float = 5.0
    platform_lowered_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    damper_faults: tuple[DamperFault, ...] = ()
    sensor_faults: tuple[SensorFault, ...] = ()
    downforce_area_front_m2: float = DOWNFORCE_AREA_FRONT_M2
    downforce_area_rear_m2: float = DOWNFORCE_AREA_REAR_M2
    air_density_kg_m3: float = AIR_KG_M3
    road_seed: int | None = None
    scatter: Scatter = field(default_factory=Scatter)
    grip_changes: tuple[GripChange, ...] = ()
    car_faults: tuple[CarFault, ...] = ()

    @property
    def has_friction(self) -> bool:
        """Whether any strut has friction at any time."""
        return self.scatter.strut_friction_n > 0.0 or any(isinstance(one, FrictionFault) for one in self.car_faults)

    def generator(self, seed: int, purpose: int) -> np.random.Generator:
        """A random generator that depends on the seed, the stint's name and the purpose, and on nothing else."""
        return np.random.default_rng([seed, purpose, self.own_seed])

    @property
    def own_seed(self) -> int:
        """A number from the name, so that a stint is the same whatever runs beside it."""
        return zlib.crc32(self.name.encode())
