"""Stints for the study of left/right asymmetry: many circuits, set-ups and days, one mis-set corner or look-alike each.

In: how many circuits, and a seed. Out: each timed lap's counts of velocity and travel, with the truth beside them.
Each circuit has its own turns, kerbs of one side, roughness of each track, and set-up; its reference is another day.
Writes nothing; the same arguments give the same stints.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, Final
from unittest.mock import patch

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"

import numpy as np
from numpy.typing import NDArray

from benchmarks.downforce_study import _SIDE, stream
from dsp.pipeline import Pipeline
from ingest.chunk import CORNERS
from ingest.sheet import Sheet
from replay_logs import circuit as circuits
from replay_logs.circuit import Circuit
from replay_logs.disturbances import BarFault, GripChange, TyreFault
from replay_logs.realistic import realistic
from replay_logs.road import Road
from replay_logs.sensors import Readings
from replay_logs.settings import DamperFault, SensorFault, StintSettings
from replay_logs.stint import simulate_readings_each

Counts = NDArray[np.int32]

# A stiff click of a usual adjuster changes force by some 6 to 8 %: these are about 2, 4 and 7 clicks either way.
SCALES: Final = (0.60, 0.72, 0.85, 1.18, 1.38, 1.60)
WAYS: Final = (("compression",), ("rebound",), ("compression", "rebound"))
TIMED_LAPS: Final = 2


@dataclass(frozen=True)
class Case:
    """One stint: what was done to it, and the counts of its timed laps.

    Attributes
    ----------
    circuit : int
    what : str
        "reference", "healthy", "mis-set", or a look-alike's name.
    corner, direction, scale
        Of a mis-set damper: "compression", "rebound" or "both", and the factor on its force.
    velocity : array of shape (laps, 4, bins)
    travel : array of shape (laps, 4, bins)
    """

    circuit: int
    what: str
    corner: str
    direction: str
    scale: float
    velocity: Counts
    travel: Counts


def random_circuit(random: np.random.Generator) -> Circuit:
    """The circuit with other turns, its kerbs lower or missing on one side."""
    turns = []
    right = random.uniform(0.0, 1.0)  # share of right turns; near 0 or 1 all turn one way
    for straight_m, radius_m, angle_deg in circuits.SEGMENTS:
        sign = -1.0 if random.uniform() < right else 1.0
        stretch = float(random.uniform(0.7, 1.4))
        turns.append((straight_m, radius_m * stretch, sign * abs(angle_deg) / stretch))
    with patch.object(circuits, "SEGMENTS", tuple(turns)):
        built = circuits.build_circuit()
    height = dict(zip(("left", "right"), random.uniform(0.3, 1.2, 2), strict=True))
    kerbs = tuple(
        replace(kerb, height_mm=kerb.height_mm * height[kerb.side], tooth_mm=kerb.tooth_mm * height[kerb.side])
        for kerb in built.kerbs
    )
    return replace(built, kerbs=kerbs)


@contextmanager
def driven_on(circuit: Circuit, left: float, right: float) -> Iterator[None]:
    """The simulator on another circuit, the roughness of its tracks scaled."""

    class Tracks(Road):
        def __post_init__(self) -> None:
            super().__post_init__()
            self.tracks_mm = self.tracks_mm * np.array([[left], [right]])

    with patch("replay_logs.stint.build_circuit", lambda: circuit), patch("replay_logs.stint.Road", Tracks):
        yield


def wanted(number: int, random: np.random.Generator) -> list[tuple[StintSettings, dict[str, Any]]]:
    """The stints of one circuit, each with its truth."""
    road = int(random.integers(1, 2**31))
    # The day's set-up: both dampers of an axle alike; bars as they are chosen.
    setup = [
        DamperFault(f"{axle}{side}", (direction,), scale)
        for axle, pair in zip("FR", random.lognormal(0.0, 0.12, (2, 2)), strict=True)
        for direction, scale in zip(("compression", "rebound"), pair, strict=True)
        for side in "LR"
    ]
    bars = tuple(BarFault(axle=axle, scale=float(random.uniform(0.5, 1.4)), from_lap=0.0) for axle in ("front", "rear"))
    found: list[tuple[StintSettings, dict[str, Any]]] = []

    def add(what: str, corner: str = "", direction: str = "", scale: float = 1.0, **changes: Any) -> None:
        stint = realistic(f"{number} {len(found)}", TIMED_LAPS, 7)
        grip = GripChange(from_lap=0.0, friction_scale=float(random.choice((0.92, 0.96, 1.0))))
        dampers = (*setup, *changes.pop("dampers", ()))
        faults = (*bars, *changes.pop("cars", ()))
        stint = replace(
            stint, road_seed=road, grip_changes=(grip,), damper_faults=dampers, car_faults=faults, **changes
        )
        found.append((stint, {"what": what, "corner": corner, "direction": direction, "scale": scale}))

    add("reference")
    for _ in range(3):
        add("healthy")
    for scale in SCALES:
        for way in WAYS:
            corner = str(random.choice(CORNERS))
            fault = DamperFault(corner, way, scale)
            add("mis-set", corner, way[0] if len(way) == 1 else "both", scale, dampers=(fault,))
    corner, side = str(random.choice(CORNERS)), str(random.choice(("L", "R")))
    gain = float(random.choice((0.8, 0.87, 1.15, 1.25)))
    add("sensor gain", corner, scale=gain, sensor_faults=(SensorFault("gain", corner, 0, 0.0, factor=gain),))
    partner = {"FL": "FR", "FR": "FL", "RL": "RR", "RR": "RL"}[corner]
    add("sensors swapped", corner, sensor_faults=(SensorFault("swapped_names", corner, 0, 0.0, other=partner),))
    add("sensor inverted", corner, sensor_faults=(SensorFault("inverted", corner, 0, 0.0),))
    axle = str(random.choice(("front", "rear")))
    add("bar disconnected", axle, cars=(BarFault(axle=axle, scale=0.0, from_lap=0.0),))  # type: ignore[arg-type]
    low = tuple(TyreFault(corner=f"{end}{side}", scale=0.85, from_lap=0.0) for end in "FR")
    add("tyres low on one side", side, cars=low)
    add("one tyre low", corner, scale=0.8, cars=(TyreFault(corner=corner, scale=0.8, from_lap=0.0),))
    return found


def counted(sheet: Sheet, readings: Readings) -> tuple[Counts, Counts]:
    """Counts of velocity and of travel of the timed laps, each of shape (laps, 4, bins)."""
    pipeline = Pipeline(sheet, float(readings.rate_hz), _SIDE)
    laps = []
    for chunk in [*stream(readings), None]:
        for frame in pipeline.finish() if chunk is None else pipeline.process(chunk):
            laps += [lap.share.tally for lap in frame.laps if lap.verdict.kind == "timed"]
    velocity: Counts = np.stack([tally.paired for tally in laps]).astype(np.int32)
    travel: Counts = np.stack([tally.travel for tally in laps]).astype(np.int32)
    return velocity, travel


def simulated(sheet: Sheet, count: int, seed: int, first: int = 0) -> Iterator[Case]:
    """Every stint of `count` circuits."""
    for number in range(first, first + count):
        random = np.random.default_rng([seed, number])
        circuit = random_circuit(random)
        shared = float(random.normal(0.0, 0.10))  # one track is rougher than the other: gutters, rubber, patches
        stints = wanted(number, random)
        with driven_on(circuit, 1.0 + shared, 1.0 - shared):
            each = simulate_readings_each(sheet, [one for one, _ in stints], 7, at_a_time=len(stints))
            for (_, truth), readings in zip(stints, each, strict=True):
                velocity, travel = counted(sheet, readings)
                yield Case(number, velocity=velocity, travel=travel, **truth)
