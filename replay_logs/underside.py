"""The truth about the underside: heights of the platform's points, stretches below their limits, driving regimes.

In: a `Stint` and its car sheet. Out: arrays, and the dictionaries of the truth file (keys in this folder's README).
Heights are above the road, with the tyres' squash; those with rigid tyres are named so. Pure functions; no I/O.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from ingest.sheet import Sheet
from replay_logs.runs import Bools, Floats, runs, surplus
from replay_logs.stint import Stint
from replay_logs.vehicle import CORNERS

REGIMES: Final = ("straight", "braking", "cornering")
Heights = dict[str, tuple[Floats, Floats]]  # per point: above the road, and with rigid tyres, mm

_HELD_WITHIN_MM: Final = 0.001  # what is written has this many digits


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


def heights_of(sheet: Sheet, stint: Stint) -> Heights:
    """Per point: height above the road, and height with rigid tyres, each of shape (n,), mm."""
    whole = stint.wheel_travel_mm + stint.tyre_squash_mm
    return {
        name: (
            point.static_height_mm - drop_at_mm(sheet, whole, point.x_mm, point.y_mm),
            point.static_height_mm - drop_at_mm(sheet, stint.wheel_travel_mm, point.x_mm, point.y_mm),
        )
        for name, point in sheet.platform.items()
    }


def seen_lower_mm(sheet: Sheet, stint: Stint) -> dict[str, float]:
    """Per point, by how much heights reckoned from travel are too low because nobody knows of the lowered platforms.

    Spring rate x lowering x motion ratio is taken for load on the road, and squashes the tyre of the reckoning.
    """
    squash = np.zeros((1, 4))
    for corner, name in enumerate(CORNERS):
        part = sheet.suspension(name)
        assert isinstance(part.motion_ratio_damper_per_wheel, float)
        assert part.tyre_rate_n_mm is not None
        load_n = part.spring.rate_at(0.0) * stint.settings.platform_lowered_mm[corner]
        squash[0, corner] = load_n * part.motion_ratio_damper_per_wheel / part.tyre_rate_n_mm
    return {name: float(drop_at_mm(sheet, squash, point.x_mm, point.y_mm)[0]) for name, point in sheet.platform.items()}


def regimes_of(sheet: Sheet, a_x_m_s2: Floats, a_y_m_s2: Floats) -> NDArray[np.int8]:
    """Place in `REGIMES` at every sample: what exceeds its limit by the larger factor decides; a tie is braking."""
    braking = -a_x_m_s2 / sheet.regimes.braking_above_m_s2
    cornering = np.abs(a_y_m_s2) / sheet.regimes.cornering_above_m_s2
    code = np.where(braking >= cornering, 1, 2)
    return np.where(np.maximum(braking, cornering) > 1.0, code, 0).astype(np.int8)


def regimes_of_stint(sheet: Sheet, stint: Stint) -> NDArray[np.int8]:
    """Place in `REGIMES` at every sample, from the path's true accelerations."""
    return regimes_of(sheet, stint.timeline.acceleration_x_m_s2, stint.timeline.acceleration_y_m_s2)


def _rolling(sheet: Sheet, stint: Stint) -> Bools:
    """Where the car does not stand."""
    return np.asarray(stint.timeline.speed_m_s >= sheet.laps.stopped_below_m_s, dtype=np.bool_)


def _full(sheet: Sheet, stint: Stint) -> int:
    # The sample that completes the delay counts too.
    return round(sheet.alerts.platform_low.on_delay_s * stint.rate_hz) + 1


def tripping_samples(sheet: Sheet, stint: Stint, height_mm: Floats, limit_mm: float) -> list[tuple[int, int]]:
    """Runs of samples at which samples below the limit have prevailed for the alert's on-delay (see `surplus`)."""
    below = np.asarray(height_mm < limit_mm, dtype=np.bool_)
    return runs(np.asarray(surplus(below, _rolling(sheet, stint)) >= _full(sheet, stint)))


def lowest_held_mm(sheet: Sheet, stint: Stint, height_mm: Floats, bounds: tuple[int, int]) -> float:
    """The highest limit that would not have tripped the alert within these samples, mm."""
    a, b = bounds
    height, known = height_mm[a:b], _rolling(sheet, stint)[a:b]
    low, high = float(height.min()), float(height.max())
    while high - low > _HELD_WITHIN_MM:
        middle = (low + high) / 2.0
        if surplus(np.asarray(height < middle), known).max() >= _full(sheet, stint):
            high = middle
        else:
            low = middle
    return low


def stretches_below(sheet: Sheet, stint: Stint, heights: Heights) -> list[dict[str, Any]]:
    """Every stretch of a point below its limit; regime and place are those of its lowest moment."""
    found = []
    regimes = regimes_of_stint(sheet, stint)
    for name, (height, _) in heights.items():
        for a, b in runs(np.asarray(height < sheet.platform[name].lowest_mm)):
            lowest = a + int(np.argmin(height[a:b]))
            found.append(
                {
                    "point": name,
                    "lap": int(stint.timeline.lap[a]),
                    "start_s": a / stint.rate_hz,
                    "duration_s": round((b - a) / stint.rate_hz, 6),
                    "min_mm": round(float(height[lowest]), 3),
                    "regime": REGIMES[regimes[lowest]],
                    "lap_distance_m": round(float(stint.timeline.lap_distance_m[lowest]), 1),
                }
            )
    return found


def points_of_lap(
    sheet: Sheet, stint: Stint, number: int, bounds: tuple[int, int], heights: Heights, low: list[dict[str, Any]]
) -> dict[str, Any]:
    """Per point, what one lap says of it; percentiles are over samples at or above the slowest counted speed."""
    a, b = bounds
    counted = stint.timeline.speed_m_s[a:b] >= sheet.statistics.slowest_counted_m_s
    regimes = regimes_of_stint(sheet, stint)[a:b]
    points = {}
    for name, (whole, whole_rigid) in heights.items():
        height, rigid = whole[a:b], whole_rigid[a:b]
        under = height < sheet.platform[name].lowest_mm
        mine = [s for s in low if s["point"] == name and s["lap"] == number]
        lowest = int(np.argmin(height))
        points[name] = {
            "min_mm": round(float(height[lowest]), 3),
            "min_regime": REGIMES[regimes[lowest]],
            "min_lap_distance_m": round(float(stint.timeline.lap_distance_m[a + lowest]), 1),
            "first_percentile_mm": round(float(np.percentile(height[counted], 1.0)), 3),
            "lowest_held_mm": round(lowest_held_mm(sheet, stint, whole, bounds), 2),
            "min_rigid_tyres_mm": round(float(rigid.min()), 3),
            "first_percentile_rigid_tyres_mm": round(float(np.percentile(rigid[counted], 1.0)), 3),
            "below_limit_s": round(sum(s["duration_s"] for s in mine), 6),
            "longest_below_s": max((s["duration_s"] for s in mine), default=0.0),
            "below_limit_by_regime_s": {
                regime: round(int(np.count_nonzero(under & (regimes == code))) / stint.rate_hz, 6)
                for code, regime in enumerate(REGIMES)
            },
        }
    return points
