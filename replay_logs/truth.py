"""What truly happened in a simulated stint, in numbers the monitor can be held against.

In: a `Stint` and its car sheet. Out: a dictionary that goes beside the log as JSON (its keys are explained in the
README of this folder). Everything comes from the true motion at the simulation's rate, not from sensor readings.
"""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np

from ingest.sheet import Sheet
from replay_logs.circuit import build_circuit
from replay_logs.disturbances import Scatter
from replay_logs.expected import expected_alerts
from replay_logs.forces import contacts_of, damper_energy_j, loads_of_lap, stops_of_lap, top_outs_of
from replay_logs.runs import Bools, Floats
from replay_logs.settings import StintSettings
from replay_logs.stint import Stint
from replay_logs.underside import Heights, heights_of, points_of_lap, seen_lower_mm, stretches_below
from replay_logs.vehicle import AXLES, CORNERS, DIRECTIONS


def velocity_rms(velocity_mm_s: Floats) -> dict[str, float]:
    """RMS over the compressing samples, and over the rebounding ones, mm/s."""
    halves = (velocity_mm_s[velocity_mm_s > 0.0], velocity_mm_s[velocity_mm_s < 0.0])
    return {
        name: round(float(np.sqrt(np.mean(half**2))), 3) if half.size else 0.0
        for name, half in zip(DIRECTIONS, halves, strict=True)
    }


def truth_of(sheet: Sheet, stint: Stint) -> dict[str, Any]:
    """Everything that is known about one stint."""
    settings, readings = stint.settings, stint.readings
    every = round(stint.rate_hz / settings.log_rate_hz)
    contacts = contacts_of(sheet, stint)
    heights = heights_of(sheet, stint)
    low = stretches_below(sheet, stint, heights)
    laps = [_lap(sheet, stint, number, (a, b), heights, contacts, low) for number, a, b in stint.lap_bounds()]
    return {
        "log": f"{settings.name}.parquet",
        "about": settings.about,
        "seed": stint.seed,
        "road_seed": stint.seed if settings.road_seed is None else settings.road_seed,
        "simulation_rate_hz": stint.rate_hz,
        "log_rate_hz": settings.log_rate_hz,
        "rows": int(readings.sample.size),
        "samples": -(-stint.timeline.lap.size // every),
        "circuit_length_m": round(build_circuit().length_m, 3),
        "air_density_kg_m3": settings.air_density_kg_m3,
        "downforce_area_m2": {"front": settings.downforce_area_front_m2, "rear": settings.downforce_area_rear_m2},
        "travel_at_rest_mm": {name: round(float(stint.damper_travel_mm[0, i]), 3) for i, name in enumerate(CORNERS)},
        "travel_range_mm": {
            name: [round(float(extreme(stint.damper_travel_mm[:, i])), 3) for extreme in (np.min, np.max)]
            for i, name in enumerate(CORNERS)
        },
        "velocity": _velocity(sheet, stint),
        "laps": laps,
        "bump_stop_contacts": contacts,
        "top_outs": top_outs_of(sheet, stint),
        "below_limit": low,
        "damper_faults": [
            {
                "corner": fault.corner,
                "directions": list(fault.directions),
                "force_scale": fault.scale,
                "from_lap": fault.from_lap,
                "over_laps": fault.over_laps,
            }
            for fault in settings.damper_faults
        ],
        "platform_lowered_mm": dict(zip(CORNERS, settings.platform_lowered_mm, strict=True)),
        "heights_seen_lower_mm": {name: round(by, 3) for name, by in seen_lower_mm(sheet, stint).items()},
        "sensor_faults": [
            {
                "kind": fault.kind,
                "corner": fault.corner,
                "lap": fault.lap,
                "start_sample": fault.start_sample,
                "end_sample": fault.end_sample,
                "start_s": fault.start_sample / readings.rate_hz,
                "end_s": fault.end_sample / readings.rate_hz,
                "size_mm": fault.size_mm,
                "samples": list(fault.samples),
            }
            | ({"factor": fault.factor} if fault.kind == "gain" else {})
            | ({"other": fault.other} if fault.other else {})
            for fault in readings.faults
        ],
        "expected_alerts": expected_alerts(sheet, stint, laps, contacts, heights),
    } | _disturbed(settings)


def _disturbed(settings: StintSettings) -> dict[str, Any]:
    """Scatter, grip changes and faults other than the dampers', as they were asked for; nothing where none was."""
    found: dict[str, Any] = {}
    if settings.scatter != Scatter():
        found["scatter"] = dataclasses.asdict(settings.scatter)
    if settings.grip_changes:
        found["grip_changes"] = [dataclasses.asdict(one) for one in settings.grip_changes]
    if settings.car_faults:
        found["car_faults"] = [{"kind": type(one).__name__} | dataclasses.asdict(one) for one in settings.car_faults]
    return found


def _counted(sheet: Sheet, stint: Stint) -> Bools:
    return np.asarray(stint.timeline.speed_m_s >= sheet.statistics.slowest_counted_m_s, dtype=np.bool_)


def _velocity(sheet: Sheet, stint: Stint) -> dict[str, Any]:
    """Per corner, over every sample at or above the sheet's slowest counted speed."""
    result = {}
    for corner, name in enumerate(CORNERS):
        v = stint.damper_velocity_mm_s[_counted(sheet, stint), corner]
        c, r = sheet.velocity.low_speed_compression_mm_s, sheet.velocity.low_speed_rebound_mm_s
        result[name] = {
            "rms_mm_s": velocity_rms(v),
            "time_share": {
                "rebound_high": round(float(np.mean(v < -r)), 5),
                "rebound_low": round(float(np.mean((v >= -r) & (v < 0.0))), 5),
                "compression_low": round(float(np.mean((v >= 0.0) & (v <= c))), 5),
                "compression_high": round(float(np.mean(v > c)), 5),
            },
            "fastest_mm_s": [round(float(v.min()), 1), round(float(v.max()), 1)],
        }
    return result


def _lap(
    sheet: Sheet,
    stint: Stint,
    number: int,
    bounds: tuple[int, int],
    heights: Heights,
    contacts: list[dict[str, Any]],
    low: list[dict[str, Any]],
) -> dict[str, Any]:
    a, b = bounds
    every = round(stint.rate_hz / stint.settings.log_rate_hz)
    counted = _counted(sheet, stint)[a:b]
    rms = {name: velocity_rms(stint.damper_velocity_mm_s[a:b][counted, corner]) for corner, name in enumerate(CORNERS)}
    return {
        "lap": number,
        "kind": stint.lap_kind(number),
        "start_sample": -(-a // every),
        "end_sample": -(-b // every),
        "start_s": a / stint.rate_hz,
        "duration_s": round((b - a) / stint.rate_hz, 6),
        "velocity_rms_mm_s": rms,
        "left_against_right_percent": {
            axle: {d: left_against_right(rms[CORNERS[i]][d], rms[CORNERS[j]][d]) for d in DIRECTIONS}
            for axle, (i, j) in AXLES.items()
        },
        "wheel_load": loads_of_lap(sheet, stint, bounds, counted),
        "damper_energy_j": damper_energy_j(stint, bounds, counted),
        "bump_stop": stops_of_lap(number, contacts),
        "platform": points_of_lap(sheet, stint, number, bounds, heights, low),
    }


def left_against_right(left: float, right: float) -> float:
    """100 x ln(left / right): near the difference in percent, and the same size when the sides are swapped."""
    return round(100.0 * float(np.log(left / right)), 3) if left > 0.0 and right > 0.0 else 0.0
