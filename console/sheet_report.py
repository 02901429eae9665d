"""What follows from a car sheet, as lines for a person: geometry, rates, frequencies, loads, what the sensors read.

In: a validated sheet. Out: plain lines of at most 80 columns; a dash where the sheet does not say. All at static ride
height; the figures come from `console.sheet_figures`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from console.lines import number
from console.sheet_figures import CarFigures, CornerFigures, car_figures, corner_figures
from dsp.velocity import VelocityFilter
from ingest.calibration import readings_at
from ingest.chunk import CORNERS
from ingest.sheet import Sheet
from ingest.text import clean

# Spring, ratio and scales are each known to a few percent: beyond this, one of them is another car's.
_SPRING_FORCES_AGREE = 0.1
# Scales against front_share: fuel and driver move it by less.
_SHARES_AGREE = 0.01


def sheet_lines(sheet: Sheet) -> Iterator[str]:
    """The report of `damperwatch sheet`, at most 80 columns wide."""
    yield f"{clean(sheet.car.name, 60)}: the sheet is valid"
    figures = {corner: corner_figures(sheet, corner) for corner in CORNERS}
    car = car_figures(sheet, figures)
    yield from _car_lines(sheet, car)
    yield ""
    yield f"{'at static ride height':<38}" + "".join(f"{corner:>10}" for corner in CORNERS)
    for label, field, form in _ROWS:
        cells = "".join(f"{number(getattr(figures[corner], field), form):>10}" for corner in CORNERS)
        yield f"{label:<38}{cells}"
    yield from _spring_force_lines(sheet, figures)
    yield ""
    yield from _transfer_lines(sheet, car)
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


def _car_lines(sheet: Sheet, figures: CarFigures) -> Iterator[str]:
    car = sheet.car
    yield f"mass {car.mass_kg:g} kg, {100 * figures.front_share:.1f} % on the front axle"
    if sheet.corner.FL.corner_weight_kg is not None:
        yield f"cross weight (FR and RL) {100 * figures.cross_share:.1f} %"
        if abs(figures.front_share - car.front_share) > _SHARES_AGREE:
            yield (
                f"! the corner weights put {100 * figures.front_share:.1f} % on the front axle, "
                f"front_share says {100 * car.front_share:.1f} %"
            )
    yield (
        f"wheelbase {car.wheelbase_mm:g} mm, tracks {car.track_front_mm:g} mm front and {car.track_rear_mm:g} mm rear"
    )
    height = car.centre_of_gravity_height_mm
    yield f"centre of gravity {f'{height:g} mm above the road' if height else 'at a height not given'}"
    yield f"  and {figures.centre_behind_front_axle_mm:.0f} mm behind the front axle"
    if math.isfinite(figures.rake_deg):
        yield (
            f"ride heights {car.ride_height_front_mm:g} mm front and {car.ride_height_rear_mm:g} mm rear: "
            f"rake {figures.rake_deg + 0.0:.2f} deg"
        )
    else:
        yield "rake - (ride heights not given)"


def _spring_force_lines(sheet: Sheet, figures: dict[str, CornerFigures]) -> Iterator[str]:
    """Corners whose spring can't have the force that their weight asks of it."""
    doubtful = False
    for corner, figure in figures.items():
        asked, given = figure.spring_force_n, figure.sheet_spring_force_n
        if not math.isfinite(given) or abs(given - asked) <= _SPRING_FORCES_AGREE * abs(asked):
            continue
        doubtful = True
        source = "its table" if sheet.suspension(corner).spring.preload_n is None else "preload_n"
        yield f"! {corner}: the weight asks {asked:.0f} N of the spring, {source} gives {given:.0f} N"
    if doubtful:
        weights = "front_share" if sheet.corner.FL.corner_weight_kg is None else "corner_weight_kg"
        yield f"  check {weights}, unsprung_mass_kg, the motion ratio;"
        yield "  preload_n is the force at full droop, and a table counts travel from static"


def _transfer_lines(sheet: Sheet, figures: CarFigures) -> Iterator[str]:
    front, rear = figures.lateral
    stiffness = figures.roll_stiffness_n_m_deg
    yield f"{'at 1 g, steady':<38}{'front':>10}{'rear':>10}{'car':>10}"
    yield _axle_row("roll stiffness, N m/deg", stiffness[0], stiffness[1], sum(stiffness))
    for label, field in (
        ("lateral transfer by the links, N", "geometric_n"),
        ("  by the unsprung masses, N", "unsprung_n"),
        ("  by springs and bars, N", "elastic_n"),
        ("  in all, N", "total_n"),
    ):
        parts = getattr(front, field), getattr(rear, field)
        yield _axle_row(label, *parts, sum(parts))
    yield _axle_row("roll on the springs, deg/g", math.nan, math.nan, figures.roll_gradient_deg_g, ".2f")
    gained = figures.longitudinal_n
    yield _axle_row("longitudinal transfer, forward, N", -gained, gained, math.nan)
    if sheet.car.centre_of_gravity_height_mm == 0.0:
        yield "- for want of car.centre_of_gravity_height_mm"
    for name, axle in (("front", sheet.axle.front), ("rear", sheet.axle.rear)):
        for key in ("roll_centre_height_mm", "unsprung_centre_height_mm"):
            if key not in axle.model_fields_set and not (key.startswith("unsprung") and axle.unsprung_mass_kg == 0.0):
                yield f"not given, taken as 0, on the road: axle.{name}.{key}"


def _axle_row(label: str, front: float, rear: float, car: float, form: str = ".0f") -> str:
    return f"{label:<38}{number(front, form):>10}{number(rear, form):>10}{number(car, form):>10}"


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
    ("body with wheel and tyre, Hz", "body_frequency_hz", ".2f"),
    ("wheel hop, Hz", "wheel_hop_hz", ".1f"),
    ("damping ratio near 0, compression", "damping_ratio_compression", ".2f"),
    ("damping ratio near 0, rebound", "damping_ratio_rebound", ".2f"),
    ("to the bump stop, damper mm", "bump_stop_damper_mm", ".1f"),
    ("to the bump stop, wheel mm", "bump_stop_wheel_mm", ".1f"),
    ("to full bump, damper mm", "full_bump_damper_mm", ".1f"),
    ("to full bump, wheel mm", "full_bump_wheel_mm", ".1f"),
    ("to full droop, damper mm", "droop_damper_mm", ".1f"),
    ("to full droop, wheel mm", "droop_wheel_mm", ".1f"),
    ("static wheel load, N", "static_load_n", ".0f"),
    ("spring force, from the weight, N", "spring_force_n", ".0f"),
    ("spring force, from the spring, N", "sheet_spring_force_n", ".0f"),
)
