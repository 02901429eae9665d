"""Loads that a car's wheels gain and lose by accelerating: closed forms of the steady state.

In: masses, heights, springs' roll stiffness. Out: loads in N, angles in rad; NaN where a figure that was put in is
NaN, or where the springs can't hold the body up. Axes after ISO 8855: x forward, y left, z up; roll is positive when
the right side goes down. Functions of their arguments alone; nothing raises.

Sources: Barton & Fieldhouse, Automotive Chassis Engineering (2018), p. 174, for the lateral parts and the roll
gradient; Jazar, Vehicle Dynamics, ch. 2, for the longitudinal ones. Tyres are rigid in roll there, and so they are
here: roll is that of the body on its springs and bars, which is what damper sensors see.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

_MM_PER_M = 1000.0


@dataclass(frozen=True)
class LateralTransfer:
    """What one axle's right wheel gains from its left one by how it comes there, N.

    `geometric_n` goes through the links at the roll centre, `unsprung_n` comes from the wheels' own masses,
    `elastic_n` goes through springs and bar as the body rolls.
    """

    geometric_n: float
    unsprung_n: float
    elastic_n: float

    @property
    def total_n(self) -> float:
        """All three parts."""
        return self.geometric_n + self.unsprung_n + self.elastic_n


def longitudinal_transfer_n(
    mass_kg: float, acceleration_x_m_s2: float, centre_height_mm: float, wheelbase_mm: float
) -> float:
    """Load that the rear axle gains from the front one, m a h / L: negative under braking.

    Examples
    --------
    >>> longitudinal_transfer_n(1000.0, -10.0, 300.0, 2500.0)
    -1200.0
    """
    return mass_kg * acceleration_x_m_s2 * centre_height_mm / wheelbase_mm


def lateral_transfer(
    acceleration_y_m_s2: float,
    *,
    sprung_mass_kg: float,
    unsprung_mass_kg: float,
    roll_centre_height_mm: float,
    unsprung_centre_height_mm: float,
    roll_stiffness_n_m_rad: float,
    roll_rad: float,
    track_mm: float,
) -> LateralTransfer:
    """Lateral transfer of one axle, positive to the right wheel when turning left.

    Parameters
    ----------
    acceleration_y_m_s2 : float
        Lateral acceleration, positive to the left.
    sprung_mass_kg, unsprung_mass_kg : float
        This axle's share of the body, and its two wheels' own masses.
    roll_centre_height_mm, unsprung_centre_height_mm : float
        Above the road.
    roll_stiffness_n_m_rad : float
        Of this axle's springs and bar.
    roll_rad : float
        Roll of the body: its roll gradient times the acceleration.
    track_mm : float
        Distance between the wheels.
    """
    return LateralTransfer(
        geometric_n=sprung_mass_kg * acceleration_y_m_s2 * roll_centre_height_mm / track_mm,
        unsprung_n=unsprung_mass_kg * acceleration_y_m_s2 * unsprung_centre_height_mm / track_mm,
        elastic_n=roll_stiffness_n_m_rad * roll_rad * _MM_PER_M / track_mm,
    )


def roll_gradient_rad_s2_m(
    sprung_mass_kg: float, arm_mm: float, roll_stiffness_n_m_rad: float, gravity: float
) -> float:
    """Roll of the body per m/s2 of lateral acceleration, m d / (k - m g d).

    Parameters
    ----------
    sprung_mass_kg : float
        Mass of the body.
    arm_mm : float
        Height of its centre of gravity above the roll axis below it.
    roll_stiffness_n_m_rad : float
        Of all springs and bars.
    gravity : float
        m/s2; the body's weight adds to the roll as soon as its centre is aside.

    Returns
    -------
    float
        rad per m/s2; NaN where the springs are too soft to hold the body upright.
    """
    moment = sprung_mass_kg * arm_mm / _MM_PER_M
    left_over = roll_stiffness_n_m_rad - moment * gravity
    return moment / left_over if left_over > 0 else math.nan


def roll_stiffness_n_m_rad(left_rate_n_mm: float, right_rate_n_mm: float, bar_n_mm: float, track_mm: float) -> float:
    """Roll stiffness of an axle, half of rate times track squared (Gillespie, from memory; a closed form).

    Rates are at the wheel: of each side's spring, and of the bar per mm of one wheel when both move oppositely.

    Examples
    --------
    >>> round(roll_stiffness_n_m_rad(100.0, 100.0, 0.0, 1600.0))
    128000
    """
    half_track_m = track_mm / 2.0 / _MM_PER_M
    return (left_rate_n_mm + right_rate_n_mm + 2.0 * bar_n_mm) * _MM_PER_M * half_track_m**2


def centre_behind_front_axle_mm(front_load_n: float, rear_load_n: float, wheelbase_mm: float) -> float:
    """Distance from the front axle back to the centre of gravity, from the axles' static loads.

    Examples
    --------
    >>> centre_behind_front_axle_mm(6000.0, 4000.0, 2500.0)
    1000.0
    """
    return wheelbase_mm * rear_load_n / (front_load_n + rear_load_n)


def height_less_unsprung_mm(
    mass_kg: float, height_mm: float, unsprung: tuple[tuple[float, float], tuple[float, float]]
) -> float:
    """Height of the body's centre of gravity: the whole car's without its wheels, given as (kg, height mm) per axle."""
    moment = mass_kg * height_mm - sum(kg * above_mm for kg, above_mm in unsprung)
    return moment / (mass_kg - sum(kg for kg, _ in unsprung))


def rake_rad(front_height_mm: float, rear_height_mm: float, wheelbase_mm: float) -> float:
    """Pitch of the underside between the axle lines, positive nose down."""
    return math.atan2(rear_height_mm - front_height_mm, wheelbase_mm)
