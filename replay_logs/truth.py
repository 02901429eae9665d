"""What truly happened in a simulated stint, in numbers the monitor can be held against.

In: a `Stint` and its car sheet. Out: a dictionary that goes beside the log as JSON (its keys are explained in the
README of this folder). Everything comes from the true motion at the simulation's rate, not from sensor readings.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.sheet import Sheet
from replay_logs.circuit import AIR_KG_M3, build_circuit
from replay_logs.expected import expected_alerts
from replay_logs.stint import Stint
from replay_logs.vehicle import AXLES, CORNERS, DIRECTIONS, DOWNFORCE_AREA_FRONT_M2, DOWNFORCE_AREA_REAR_M2

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


def contact_runs(travel_mm: Floats, gap_mm: float, release_mm: float) -> list[tuple[int, int]]:
    """(first sample, one past the last) of every bump-stop contact.

    A contact begins at `gap_mm` and ends once travel is below `gap_mm - release_mm`.
    """
    mark = np.where(travel_mm >= gap_mm, 1, np.where(travel_mm < gap_mm - release_mm, 0, -1))
    decided = np.where(mark >= 0, np.arange(mark.size), -1)
    last = np.maximum.accumulate(decided)
    return runs((last >= 0) & (mark[np.maximum(last, 0)] == 1))


def runs(on: Bools) -> list[tuple[int, int]]:
    """(first, one past the last) of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], on.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def drop_at_mm(sheet: Sheet, corner_drop_mm: Floats, x_mm: float, y_mm: float) -> Floats:
    """How far a point of the body has come down: the plane of least squares through the four corners.

    Parameters
    ----------
    corner_drop_mm : array of shape (n, 4), mm
        At the wheel centres' places.
    x_mm, y_mm : float, mm
        Forward of the front axle line, left of the centre line.

    Returns
    -------
    array of shape (n,), mm
    """
    car = sheet.car
    x = np.array([0.0, 0.0, -car.wheelbase_mm, -car.wheelbase_mm])
    y = np.array([car.track_front_mm, -car.track_front_mm, car.track_rear_mm, -car.track_rear_mm]) / 2.0
    weights = np.array([1.0, x_mm, y_mm]) @ np.linalg.pinv(np.stack([np.ones(4), x, y], axis=1))
    return np.asarray(corner_drop_mm @ weights, dtype=np.float64)


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
    contacts = _contacts(sheet, stint)
    heights = _heights(sheet, stint)
    low = _low_stretches(sheet, stint, heights)
    laps = [_lap(sheet, stint, number, (a, b), heights, contacts, low) for number, a, b in stint.lap_bounds()]
    return {
        "log": f"{settings.name}.parquet",
        "about": settings.about,
        "seed": stint.seed,
        "simulation_rate_hz": stint.rate_hz,
        "log_rate_hz": settings.log_rate_hz,
        "rows": int(readings.sample.size),
        "samples": -(-stint.timeline.lap.size // every),
        "circuit_length_m": round(build_circuit().length_m, 3),
        "air_density_kg_m3": AIR_KG_M3,
        "downforce_area_m2": {"front": DOWNFORCE_AREA_FRONT_M2, "rear": DOWNFORCE_AREA_REAR_M2},
        "travel_at_rest_mm": {name: round(float(stint.damper_travel_mm[0, i]), 3) for i, name in enumerate(CORNERS)},
        "velocity": _velocity(sheet, stint),
        "laps": laps,
        "bump_stop_contacts": contacts,
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
            for fault in readings.faults
        ],
        "expected_alerts": expected_alerts(sheet, stint, laps, contacts, low),
    }


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


def _contacts(sheet: Sheet, stint: Stint) -> list[dict[str, Any]]:
    every = round(stint.rate_hz / stint.settings.log_rate_hz)
    found = []
    for corner, name in enumerate(CORNERS):
        stop = sheet.suspension(name).bump_stop
        assert stop is not None
        travel = stint.damper_travel_mm[:, corner]
        for a, b in contact_runs(travel, stop.gap_mm, sheet.alerts.bump_stop.release_mm):
            found.append(
                {
                    "corner": name,
                    "lap": int(stint.timeline.lap[a]),
                    "start_s": a / stint.rate_hz,
                    "start_sample": -(-a // every),
                    "duration_s": round((b - a) / stint.rate_hz, 6),
                    "peak_travel_mm": round(float(travel[a:b].max()), 3),
                    "peak_force_n": round(float(stint.bump_stop_force_n[a:b, corner].max()), 1),
                }
            )
    return found


def _heights(sheet: Sheet, stint: Stint) -> dict[str, tuple[Floats, Floats]]:
    """Per point: height with rigid tyres, and height above the road under the tyres' squash, mm."""
    whole = stint.wheel_travel_mm + stint.tyre_squash_mm
    return {
        name: (
            point.static_height_mm - drop_at_mm(sheet, stint.wheel_travel_mm, point.x_mm, point.y_mm),
            point.static_height_mm - drop_at_mm(sheet, whole, point.x_mm, point.y_mm),
        )
        for name, point in sheet.platform.items()
    }


def _low_stretches(sheet: Sheet, stint: Stint, heights: dict[str, tuple[Floats, Floats]]) -> list[dict[str, Any]]:
    found = []
    for name, (height, _) in heights.items():
        for a, b in runs(np.asarray(height < sheet.platform[name].lowest_mm)):
            found.append(
                {
                    "point": name,
                    "lap": int(stint.timeline.lap[a]),
                    "start_s": a / stint.rate_hz,
                    "duration_s": round((b - a) / stint.rate_hz, 6),
                    "min_mm": round(float(height[a:b].min()), 3),
                }
            )
    return found


def _lap(
    sheet: Sheet,
    stint: Stint,
    number: int,
    bounds: tuple[int, int],
    heights: dict[str, tuple[Floats, Floats]],
    contacts: list[dict[str, Any]],
    low: list[dict[str, Any]],
) -> dict[str, Any]:
    a, b = bounds
    every = round(stint.rate_hz / stint.settings.log_rate_hz)
    counted = _counted(sheet, stint)[a:b]
    rms = {name: velocity_rms(stint.damper_velocity_mm_s[a:b][counted, corner]) for corner, name in enumerate(CORNERS)}
    stops, points = {}, {}
    for name in CORNERS:
        mine = [c for c in contacts if c["corner"] == name and c["lap"] == number]
        stops[name] = {
            "contacts": len(mine),
            "total_s": round(sum(c["duration_s"] for c in mine), 6),
            "longest_s": max((c["duration_s"] for c in mine), default=0.0),
            "peak_travel_mm": max((c["peak_travel_mm"] for c in mine), default=None),
            "peak_force_n": max((c["peak_force_n"] for c in mine), default=0.0),
        }
    for name, (height, with_tyres) in heights.items():
        below = [s for s in low if s["point"] == name and s["lap"] == number]
        points[name] = {
            "min_mm": round(float(height[a:b].min()), 3),
            "first_percentile_mm": round(float(np.percentile(height[a:b][counted], 1.0)), 3),
            "min_with_tyres_mm": round(float(with_tyres[a:b].min()), 3),
            "below_limit_s": round(sum(s["duration_s"] for s in below), 6),
            "longest_below_s": max((s["duration_s"] for s in below), default=0.0),
        }
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
        "bump_stop": stops,
        "platform": points,
    }


def left_against_right(left: float, right: float) -> float:
    """100 x ln(left / right): near the difference in percent, and the same size when the sides are swapped."""
    return round(100.0 * float(np.log(left / right)), 3) if left > 0.0 and right > 0.0 else 0.0
