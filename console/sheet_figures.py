"""Figures that follow from a car sheet, per corner and for the whole car, all at static ride height.

In: a validated sheet. Out: frozen records of numbers; NaN where the sheet does not say. Formulas are those of
`dsp.kinematics`, `dsp.modes` and `dsp.transfer`; nothing raises.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dsp.forces import ForceCurve, StopForce
from dsp.kinematics import MotionRatio, damping_ratio, ride_frequency_hz, ride_rate_n_mm, wheel_rate_n_mm
from dsp.modes import two_mass_frequencies_hz
from dsp.transfer import (
    LateralTransfer,
    centre_behind_front_axle_mm,
    height_less_unsprung_mm,
    lateral_transfer,
    longitudinal_transfer_n,
    rake_rad,
    roll_gradient_rad_s2_m,
    roll_stiffness_n_m_rad,
)
from ingest.chunk import AXLE_CORNERS, AXLES, CORNERS
from ingest.sheet import Sheet
from ingest.sheet_parts import Suspension, slope_at

GRAVITY_M_S2 = 9.80665  # ISO 80000-3, the conventional value


@dataclass(frozen=True)
class CornerFigures:
    """One corner at static ride height. Rates in N/mm at the wheel, travel in mm; NaN where the sheet does not say.

    `spring_force_n` is what the corner's weight asks of the spring; `sheet_spring_force_n` what the spring's preload
    or its table, where it is one of absolute forces, makes of it.
    """

    motion_ratio: float
    wheel_rate_n_mm: float
    ride_rate_n_mm: float
    ride_frequency_hz: float
    body_frequency_hz: float
    wheel_hop_hz: float
    damping_ratio_compression: float
    damping_ratio_rebound: float
    bump_stop_damper_mm: float
    bump_stop_wheel_mm: float
    droop_damper_mm: float
    droop_wheel_mm: float
    full_bump_damper_mm: float
    full_bump_wheel_mm: float
    static_load_n: float
    spring_force_n: float
    sheet_spring_force_n: float


@dataclass(frozen=True)
class CarFigures:
    """The whole car. Pairs are front and rear; transfers in N at 1 g to the left, and at 1 g forward."""

    front_share: float
    cross_share: float
    centre_behind_front_axle_mm: float
    rake_deg: float
    roll_stiffness_n_m_deg: tuple[float, float]
    lateral: tuple[LateralTransfer, LateralTransfer]
    roll_gradient_deg_g: float
    longitudinal_n: float


def corner_figures(sheet: Sheet, corner: str) -> CornerFigures:
    """Figures of one corner (FL, FR, RL or RR).

    At static, spring and a bump stop that is touched there carry the corner's sprung weight together; that force sets
    the force x slope term. Damping ratios are those of the curve's slopes at zero velocity, on the wheel rate and the
    sprung mass.
    """
    part = sheet.suspension(corner)
    linkage = MotionRatio.of(part)
    ratio = linkage.ratio_at(0.0)
    load_n = sheet.static_load_n(corner)
    sprung_kg = load_n / GRAVITY_M_S2 - part.unsprung_mass_kg
    carried_n = sprung_kg * GRAVITY_M_S2 / ratio
    stop_n, stop_n_mm = _stop_at_static(part)
    wheel_rate = wheel_rate_n_mm(part.spring.rate_at(0.0) + stop_n_mm, ratio, carried_n, linkage.slope_at(0.0))
    ride_rate = ride_rate_n_mm(wheel_rate, part.tyre_rate_n_mm)  # the wheel rate itself without a tyre rate
    rebound = compression = body_hz = hop_hz = math.nan
    if part.damper is not None and wheel_rate > 0:
        slopes = part.damper.coefficients_at_zero()
        rebound, compression = (damping_ratio(slope, ratio, wheel_rate, sprung_kg) for slope in slopes)
    if part.tyre_rate_n_mm is not None and part.unsprung_mass_kg > 0 and wheel_rate > 0:
        body_hz, hop_hz = two_mass_frequencies_hz(sprung_kg, part.unsprung_mass_kg, wheel_rate, part.tyre_rate_n_mm)
    stop_mm = math.nan if part.bump_stop is None else part.bump_stop.gap_mm
    travels = np.array([stop_mm, -part.travel_to_full_droop_mm, part.travel_to_full_bump_mm])
    wheel_mm = linkage.to_wheel(travels)
    return CornerFigures(
        motion_ratio=ratio,
        wheel_rate_n_mm=wheel_rate,
        ride_rate_n_mm=math.nan if part.tyre_rate_n_mm is None else ride_rate,
        ride_frequency_hz=ride_frequency_hz(ride_rate, sprung_kg) if ride_rate > 0 else math.nan,
        body_frequency_hz=body_hz,
        wheel_hop_hz=hop_hz,
        damping_ratio_compression=compression,
        damping_ratio_rebound=rebound,
        bump_stop_damper_mm=stop_mm,
        bump_stop_wheel_mm=float(wheel_mm[0]),
        droop_damper_mm=part.travel_to_full_droop_mm,
        droop_wheel_mm=-float(wheel_mm[1]),
        full_bump_damper_mm=part.travel_to_full_bump_mm,
        full_bump_wheel_mm=float(wheel_mm[2]),
        static_load_n=load_n,
        spring_force_n=carried_n - stop_n,
        sheet_spring_force_n=_sheet_spring_force_n(part),
    )


def car_figures(sheet: Sheet, corners: dict[str, CornerFigures]) -> CarFigures:
    """Figures of the whole car, from those of its four corners.

    Transfers need the height of the centre of gravity. Heights of roll centres and unsprung masses that are not given
    are the sheet's 0, on the road: the springs then carry those parts of the same moment.
    """
    car, axles = sheet.car, (sheet.axle.front, sheet.axle.rear)
    tracks_mm = (car.track_front_mm, car.track_rear_mm)
    height_mm = car.centre_of_gravity_height_mm or math.nan
    loads = [corners[name].static_load_n for name in CORNERS]
    total_n = sum(loads)
    axle_loads = (loads[0] + loads[1], loads[2] + loads[3])
    unsprung_kg = [sum(sheet.suspension(CORNERS[k]).unsprung_mass_kg for k in AXLE_CORNERS[axle]) for axle in AXLES]
    unsprung_mm = [axle.unsprung_centre_height_mm for axle in axles]
    sprung_kg = [load / GRAVITY_M_S2 - kg for load, kg in zip(axle_loads, unsprung_kg, strict=True)]
    body_mm = height_less_unsprung_mm(
        total_n / GRAVITY_M_S2, height_mm, ((unsprung_kg[0], unsprung_mm[0]), (unsprung_kg[1], unsprung_mm[1]))
    )
    # The roll axis goes straight from one roll centre to the other.
    below_mm = sum(kg * axle.roll_centre_height_mm for kg, axle in zip(sprung_kg, axles, strict=True)) / sum(sprung_kg)
    stiffness = []
    for name, axle, track in zip(AXLES, axles, tracks_mm, strict=True):
        left, right = (corners[CORNERS[k]].wheel_rate_n_mm for k in AXLE_CORNERS[name])
        stiffness.append(roll_stiffness_n_m_rad(left, right, axle.anti_roll_bar_n_mm, track))
    gradient = roll_gradient_rad_s2_m(sum(sprung_kg), body_mm - below_mm, sum(stiffness), GRAVITY_M_S2)
    front, rear = (
        lateral_transfer(
            GRAVITY_M_S2,
            sprung_mass_kg=sprung_kg[k],
            unsprung_mass_kg=unsprung_kg[k],
            roll_centre_height_mm=axles[k].roll_centre_height_mm,
            unsprung_centre_height_mm=unsprung_mm[k],
            roll_stiffness_n_m_rad=stiffness[k],
            roll_rad=gradient * GRAVITY_M_S2,
            track_mm=tracks_mm[k],
        )
        for k in (0, 1)
    )
    rake = math.nan
    if car.ride_height_front_mm is not None and car.ride_height_rear_mm is not None:
        rake = math.degrees(rake_rad(car.ride_height_front_mm, car.ride_height_rear_mm, car.wheelbase_mm))
    return CarFigures(
        front_share=axle_loads[0] / total_n,
        cross_share=(loads[1] + loads[2]) / total_n,
        centre_behind_front_axle_mm=centre_behind_front_axle_mm(*axle_loads, car.wheelbase_mm),
        rake_deg=rake,
        roll_stiffness_n_m_deg=(math.radians(stiffness[0]), math.radians(stiffness[1])),
        lateral=(front, rear),
        roll_gradient_deg_g=math.degrees(gradient * GRAVITY_M_S2),
        longitudinal_n=longitudinal_transfer_n(total_n / GRAVITY_M_S2, GRAVITY_M_S2, height_mm, car.wheelbase_mm),
    )


def _stop_at_static(part: Suspension) -> tuple[float, float]:
    """Force and rate of a bump stop that is touched at static ride height; 0 without one."""
    if part.bump_stop is None or part.bump_stop.gap_mm > 0:
        return 0.0, 0.0
    return float(StopForce(part.bump_stop)(np.zeros(1))[0]), slope_at(part.bump_stop.force, -part.bump_stop.gap_mm)


def _sheet_spring_force_n(part: Suspension) -> float:
    """The spring's force at static by its preload at full droop, or by a table whose force there is not 0."""
    spring = part.spring
    if spring.table is None:
        change_n = (spring.rate_n_mm or math.nan) * part.travel_to_full_droop_mm
        return math.nan if spring.preload_n is None else spring.preload_n + change_n
    at_droop_n, at_static_n = ForceCurve(spring.table)(np.array([-part.travel_to_full_droop_mm, 0.0])).tolist()
    if spring.preload_n is not None:
        return float(spring.preload_n + at_static_n - at_droop_n)
    # A table through [0, 0] counts from static.
    return float(at_static_n) or math.nan
