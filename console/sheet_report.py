"""What follows from a car sheet: wheel rates, ride rates and frequencies, damping ratios, travel left.

In: a validated sheet. Out: plain lines: geometry, rates, what the sensors read, margins. All at static ride height;
formulas in `dsp.kinematics`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from console.lines import number
from dsp.kinematics import MotionRatio, damping_ratio, ride_frequency_hz, ride_rate_n_mm, wheel_rate_n_mm
from dsp.velocity import VelocityFilter
from ingest.calibration import readings_at
from ingest.chunk import CORNERS
from ingest.sheet import Sheet
from ingest.text import clean

_GRAVITY_M_S2 = 9.80665


@dataclass(frozen=True)
class CornerFigures:
    """One corner at static ride height. Rates in N/mm at the wheel, travel in mm; NaN where the sheet does not say."""

    motion_ratio: float
    wheel_rate_n_mm: float
    ride_rate_n_mm: float
    ride_frequency_hz: float
    damping_ratio_compression: float
    damping_ratio_rebound: float
    bump_stop_damper_mm: float
    bump_stop_wheel_mm: float
    droop_damper_mm: float
    droop_wheel_mm: float
    full_bump_damper_mm: float
    full_bump_wheel_mm: float


def corner_figures(sheet: Sheet, corner: str) -> CornerFigures:
    """Figures of one corner (FL, FR, RL or RR).

    The spring carries the corner's sprung weight at static, which sets the force of the force x slope term. Damping
    ratios are those of the curve's slopes at zero velocity, on the wheel rate and the sprung mass.
    """
    part = sheet.suspension(corner)
    linkage = MotionRatio(part.motion_ratio_damper_per_wheel)
    ratio = linkage.ratio_at(0.0)
    sprung_kg = sheet.static_load_n(corner) / _GRAVITY_M_S2 - part.unsprung_mass_kg
    spring_force_n = sprung_kg * _GRAVITY_M_S2 / ratio
    wheel_rate = wheel_rate_n_mm(part.spring.rate_at(0.0), ratio, spring_force_n, linkage.slope_at(0.0))
    ride_rate = ride_rate_n_mm(wheel_rate, part.tyre_rate_n_mm)  # the wheel rate itself without a tyre rate
    rebound, compression = math.nan, math.nan
    if part.damper is not None and wheel_rate > 0:
        slopes = part.damper.coefficients_at_zero()
        rebound, compression = (damping_ratio(slope, ratio, wheel_rate, sprung_kg) for slope in slopes)
    stop_mm = math.nan if part.bump_stop is None else part.bump_stop.gap_mm
    travels = np.array([stop_mm, -part.travel_to_full_droop_mm, part.travel_to_full_bump_mm])
    wheel_mm = linkage.to_wheel(travels)
    return CornerFigures(
        motion_ratio=ratio,
        wheel_rate_n_mm=wheel_rate,
        ride_rate_n_mm=math.nan if part.tyre_rate_n_mm is None else ride_rate,
        ride_frequency_hz=ride_frequency_hz(ride_rate, sprung_kg) if ride_rate > 0 else math.nan,
        damping_ratio_compression=compression,
        damping_ratio_rebound=rebound,
        bump_stop_damper_mm=stop_mm,
        bump_stop_wheel_mm=float(wheel_mm[0]),
        droop_damper_mm=part.travel_to_full_droop_mm,
        droop_wheel_mm=-float(wheel_mm[1]),
        full_bump_damper_mm=part.travel_to_full_bump_mm,
        full_bump_wheel_mm=float(wheel_mm[2]),
    )


def sheet_lines(sheet: Sheet) -> Iterator[str]:
    """The report of `damperwatch sheet`, at most 80 columns wide."""
    yield f"{clean(sheet.car.name, 60)}: the sheet is valid"
    yield f"mass {sheet.car.mass_kg:g} kg, {100 * sheet.car.front_share:.1f} % on the front axle"
    yield (
        f"wheelbase {sheet.car.wheelbase_mm:g} mm, tracks {sheet.car.track_front_mm:g} mm front and "
        f"{sheet.car.track_rear_mm:g} mm rear"
    )
    height = sheet.car.centre_of_gravity_height_mm
    yield f"centre of gravity {f'{height:g} mm above the road' if height else 'at a height not given'}"
    yield ""
    figures = {corner: corner_figures(sheet, corner) for corner in CORNERS}
    yield f"{'at static ride height':<38}" + "".join(f"{corner:>10}" for corner in CORNERS)
    for label, field, form in _ROWS:
        cells = "".join(f"{number(getattr(figures[corner], field), form):>10}" for corner in CORNERS)
        yield f"{label:<38}{cells}"
    loads = "".join(f"{sheet.static_load_n(corner):>10.0f}" for corner in CORNERS)
    yield f"{'static wheel load, N':<38}{loads}"
    yield ""
    yield from _sensor_lines(sheet)
    if sheet.platform:
        yield ""
        yield f"{'platform point':<28}{'static mm':>12}{'limit mm':>12}{'in hand mm':>12}"
        for name, point in sheet.platform.items():
            margin = point.static_height_mm - point.lowest_mm
            yield f"{clean(name, 27):<28}{point.static_height_mm:>12.1f}{point.lowest_mm:>12.1f}{margin:>12.1f}"
    yield ""
    yield f"velocity within 5 % up to {sheet.velocity.bandwidth_hz:g} Hz:"
    for rate_hz in (250.0, 500.0, 1000.0):
        chosen = VelocityFilter.for_bandwidth(sheet.velocity.bandwidth_hz, rate_hz)
        kept = 100.0 * chosen.gain(sheet.velocity.bandwidth_hz)
        yield (
            f"  at {rate_hz:4.0f} Hz a window of {2 * chosen.half_width + 1:>2} samples keeps {kept:.1f} %, "
            f"{1000 * chosen.delay_s:.0f} ms behind the newest sample"
        )


def _sensor_lines(sheet: Sheet) -> Iterator[str]:
    """What each sensor reads at the ends of the stroke and at static: a wrong unit, polarity or zero shows here."""
    sensors = [sheet.sensor(corner) for corner in CORNERS]
    strokes = [sheet.suspension(corner) for corner in CORNERS]
    travels_mm = np.array(
        [
            [-part.travel_to_full_droop_mm for part in strokes],
            [0.0] * len(strokes),
            [part.travel_to_full_bump_mm for part in strokes],
        ]
    )
    readings = readings_at(sheet, travels_mm)
    yield f"{'sensor reading':<38}" + "".join(f"{corner:>10}" for corner in CORNERS)
    yield f"{'unit':<38}" + "".join(f"{sensor.unit:>10}" for sensor in sensors)
    doubtful = False
    for label, row in zip(("at full droop", "at static ride height", "at full bump"), readings, strict=True):
        cells = ""
        # The search leaves some 1e-14 where a reading is 0.
        for sensor, reading in zip(sensors, (np.round(row, 9) + 0.0).tolist(), strict=True):
            lowest, highest = sensor.reading_range or (-math.inf, math.inf)
            within = lowest <= reading <= highest
            doubtful = doubtful or not within
            cells += f"{number(reading, '.5g') + ('' if within else '!'):>10}"
        yield f"{label:<38}{cells}"
    if doubtful:
        yield "! a reading that the sensor can't give or that reading_range calls a fault"


_ROWS = (
    ("motion ratio, damper per wheel", "motion_ratio", ".3f"),
    ("wheel rate, N/mm", "wheel_rate_n_mm", ".1f"),
    ("ride rate with tyre, N/mm", "ride_rate_n_mm", ".1f"),
    ("ride frequency (undamped), Hz", "ride_frequency_hz", ".2f"),
    ("damping ratio near 0, compression", "damping_ratio_compression", ".2f"),
    ("damping ratio near 0, rebound", "damping_ratio_rebound", ".2f"),
    ("to the bump stop, damper mm", "bump_stop_damper_mm", ".1f"),
    ("to the bump stop, wheel mm", "bump_stop_wheel_mm", ".1f"),
    ("to full bump, damper mm", "full_bump_damper_mm", ".1f"),
    ("to full bump, wheel mm", "full_bump_wheel_mm", ".1f"),
    ("to full droop, damper mm", "droop_damper_mm", ".1f"),
    ("to full droop, wheel mm", "droop_wheel_mm", ".1f"),
)
