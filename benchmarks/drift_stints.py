"""Simulated stints for the study of drift: healthy ones, dampers that lose force, and what must not be taken for it.

In: numbers of stints, a seed. Out: each stint's stretches (sums of the program's own `PositionScales`), kinds of laps,
and the truth. Laps differ as on a race day (`replay_logs.realistic`): pace, line, kerbs, fuel, cold oil and tyres, heat
in all four dampers, traffic, friction; each stint has a road of its own.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from benchmarks.downforce_study import stream
from dsp.pipeline import Pipeline
from dsp.position_scales import PositionScales, Stretch
from ingest.chunk import CORNERS
from ingest.sheet import Sheet
from replay_logs.disturbances import BarFault, FrictionFault, GripChange, SlipFault, TyreFault
from replay_logs.realistic import realistic
from replay_logs.sensors import Readings
from replay_logs.settings import DamperFault, SensorFault, StintSettings
from replay_logs.stint import simulate_readings_each

FIRST_FAULTY: Final = 11  # lap: after the out-lap, two of warm-up and eight of the reference
LAPS_AFTER: Final = 6
LAPS_AFTER_FADE: Final = 11
LOSSES: Final = (0.02, 0.04, 0.06, 0.08, 0.10, 0.15, 0.20, 0.30)
ROLES: Final = ("speed", "acceleration_longitudinal", "acceleration_lateral", "lap_number", "lap_distance")


@dataclass(frozen=True)
class Features:
    """One simulated stint: its stretches, each lap's kind, and what goes wrong where and from which sample on.

    `corner` is empty where no damper is at fault; `onset_sample` is below 0 where nothing is.
    """

    name: str
    group: str
    stretches: list[Stretch]
    kinds: list[str]
    corner: str
    onset_sample: int
    lap_samples: float


@dataclass(frozen=True)
class Case:
    """Settings of a stint with its group, the damper at fault and the (fractional) lap of the onset."""

    settings: StintSettings
    group: str
    corner: str
    onset_lap: float


def cases(healthy: int, each: int, alike: int, healthy_laps: int, seed: int) -> list[Case]:
    """Stints of the study."""
    random = np.random.default_rng(seed)
    found: list[Case] = []

    def add(group: str, laps: int, corner: str = "", onset: float = np.inf, **changes: object) -> None:
        number = len(found)
        stint = realistic(f"{group} {number}", laps, seed)
        road = int(random.integers(1, 2**31))
        rate = (500, 1000)[number % 2]
        found.append(
            Case(replace(stint, log_rate_hz=rate, road_seed=road, **changes), group, corner, onset)  # type: ignore[arg-type]
        )

    def onset() -> float:
        return FIRST_FAULTY + float(random.uniform(0.0, 0.9))

    for _ in range(healthy):
        add("healthy", healthy_laps)
    for loss in LOSSES:
        for n in range(each):
            corner, when = CORNERS[n % 4], onset()
            fault = DamperFault(corner, scale=1.0 - loss, from_lap=when)
            add(f"loses {loss:.0%}", FIRST_FAULTY + LAPS_AFTER, corner, when, damper_faults=(fault,))
    for n in range(each):
        corner, when = CORNERS[n % 4], float(FIRST_FAULTY)
        fault = DamperFault(corner, scale=0.76, from_lap=when, over_laps=12.0)
        add("fades by 2 % a lap", FIRST_FAULTY + LAPS_AFTER_FADE, corner, when, damper_faults=(fault,))
    for n in range(each):
        corner, when, direction = CORNERS[n % 4], onset(), ("compression", "rebound")[n // 4 % 2]
        fault = DamperFault(corner, (direction,), scale=0.7, from_lap=when)
        add("loses 30 % one way", FIRST_FAULTY + LAPS_AFTER, corner, when, damper_faults=(fault,))
    for n in range(alike):
        corner, when, laps = CORNERS[n % 4], onset(), FIRST_FAULTY + LAPS_AFTER
        axle: Literal["front", "rear"] = "front" if n % 2 else "rear"
        pair = (("FL", "FR"), ("RL", "RR"), ("FL", "RL"), ("FR", "RR"))[n % 4]
        for group, change in (
            ("slow puncture", TyreFault(from_lap=when, over_laps=4.0, corner=corner, scale=0.6)),
            ("platform slipped", SlipFault(from_lap=when, corner=corner, down_mm=4.0)),
            ("pushrod slipped", SlipFault(from_lap=when, corner=corner, down_mm=4.0, part="pushrod")),
            ("bar disconnected", BarFault(from_lap=when, axle=axle)),
            ("friction 100 N", FrictionFault(from_lap=when, corner=corner, force_n=100.0)),
        ):
            add(group, laps, "", when, car_faults=(change,))
        wet = GripChange(from_lap=when, over_laps=2.0, friction_scale=0.85, downforce_scale=0.98)
        add("damp road", laps, "", when, grip_changes=(wet,))
        share, lap = when - FIRST_FAULTY, FIRST_FAULTY
        for group, sensor in (
            (
                "sensor's gain",
                SensorFault("gain", corner, lap, share, 1.0, factor=(0.85, 0.95, 1.05, 1.15)[n // 4 % 4]),
            ),
            ("sensor's zero", SensorFault("zero_drift", corner, lap, share, 60.0, size_mm=(-3.0, 3.0)[n // 4 % 2])),
            ("sensor inverted", SensorFault("inverted", corner, lap, share)),
            ("sensors swapped", SensorFault("swapped_plugs", pair[0], lap, share, other=pair[1])),
        ):
            add(group, laps, "", when, sensor_faults=(sensor,))
    return found


def features_of(sheet: Sheet, readings: Readings) -> tuple[list[Stretch], list[str], list[tuple[int, int]]]:
    """Stretches, kinds of laps, and their bounds in samples."""
    pipeline, scales = Pipeline(sheet, float(readings.rate_hz), ROLES), PositionScales()
    stretches: list[Stretch] = []
    kinds: list[str] = []
    bounds: list[tuple[int, int]] = []
    for chunk in [*stream(readings), None]:
        for frame in pipeline.finish() if chunk is None else pipeline.process(chunk):
            stretches += scales.process(frame.car, [sample for sample, _ in frame.lap_starts], last=frame.last)
            kinds += [lap.verdict.kind for lap in frame.laps]
            bounds += [(lap.first_sample, lap.end_sample) for lap in frame.laps]
    return stretches, kinds, bounds


def simulated(sheet: Sheet, wanted: list[Case], seed: int) -> Iterator[Features]:
    """Features of stints, one by one."""
    readings_of = simulate_readings_each(sheet, [case.settings for case in wanted], seed)
    for case, readings in zip(wanted, readings_of, strict=True):
        stretches, kinds, bounds = features_of(sheet, readings)
        onset = -1
        if np.isfinite(case.onset_lap):
            turns = readings.lap - readings.lap[0] + readings.lap_distance / float(readings.lap_distance.max())
            onset = int(readings.sample[np.searchsorted(turns, case.onset_lap)])
        yield Features(
            case.settings.name,
            case.group,
            stretches,
            kinds,
            case.corner,
            onset,
            float(np.median([end - start for start, end in bounds[1:-1]])),
        )
